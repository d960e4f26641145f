"""The materials of a scenario: tables, database entries, models, mixtures, and decisions on k."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.database import database_table
from optistack.errors import OptistackError, ScenarioError
from optistack.filters import (
    Curve,
    Filter,
    absorption_bands,
    concentration,
    edge_filter,
    material_from_transmittance,
    measured_filter,
)
from optistack.materials import (
    EXTENSIONS,
    Material,
    cauchy_edge,
    constant,
    join_k,
    material,
    oscillators,
    sellmeier,
    with_assumed_k,
)
from optistack.mixtures import SATURATION, beer_lambert, effective_medium, urbach_edge
from optistack.scenario.files import Files
from optistack.scenario.section import Section, checked_number
from optistack.tables import GRADES, find_table


class Dissolved(NamedTuple):
    """A dissolved absorber: its molar absorptivity and how much of it there is."""

    curve: Curve
    concentration_mol_l: float
    nodes_nm: NDArray[Any]
    range_nm: tuple[float, float] | None
    grade: str
    source: str


class Substances(Files):
    """Builds materials, in the order in which the scenario has them."""

    def __init__(self, path: Path, folders: tuple[Path, ...]):
        super().__init__(path, folders)
        self.materials: dict[str, Material] = {}
        self.shipped: dict[str, Material] = {}

    def _shipped(self, name: str, key_path: str) -> Material:
        if name not in self.shipped:
            try:
                # By name only: a path here would go around the rule of allowed folders.
                self.shipped[name] = material(find_table(name, "materials"))
            except OptistackError as error:
                raise ScenarioError(str(error), key_path) from None
            self._note_material(name, self.shipped[name])
        return self.shipped[name]

    def _note_material(self, name: str, m: Material) -> None:
        self._note_input(f"material {name}", name, "", m.grade, m.kind, m.source, m.title)

    def _any_material(self, name: Any, key_path: str) -> Material:
        """A material of the scenario, a table that came with optistack, or a number."""
        if isinstance(name, (int, float)) and not isinstance(name, bool):
            value = checked_number(name, key_path)
            try:
                return constant(value, f"index {value:g}")
            except OptistackError as error:
                raise ScenarioError(str(error), key_path) from None
        if not isinstance(name, str):
            raise ScenarioError("must be the name of a material, or a constant index", key_path)
        if name in self.materials:
            return self.materials[name]
        return self._shipped(name, key_path)

    def _material(self, name: str, section: Section) -> Material:
        base = self._source(name, section)
        section.at_most_one_of(("k", "transmittance", "k_from", "urbach_edge"))
        if "k" in section:
            k = section.number("k", low=0.0)
            base = with_assumed_k(base, k)
            self.choices.append(f"material {name}: k = {k:g} is assumed")
        elif "transmittance" in section:
            measured = section.section("transmittance")
            item, thickness = self._transmittance(name, measured)
            base = material_from_transmittance(base, item, thickness)
            self.choices.append(
                f"material {name}: k from a transmittance at {thickness / 1000:g} um "
                f"({item.source})"
            )
        elif "k_from" in section:
            key_path = section.key_path("k_from")
            source = section.text("k_from")
            if self._is_file(source):
                other = material(self._table(source, key_path, f"k of {name}"))
            else:
                other = self._any_material(source, key_path)
            base = join_k(base, other)
            self.choices.append(f"material {name}: k is that of {source}")
        elif "urbach_edge" in section:
            base = self._within(
                section.section("urbach_edge"), partial(self._urbach_edge, name, base)
            )
        if "absorbers" in section:
            base = self._with_absorbers(name, base, section)
        scale = section.number("k_scale", 1.0, above=0.0)
        tilt = section.number("k_tilt", 0.0)
        if scale != 1.0 or tilt != 0.0:
            base = base.with_k(scale=scale, tilt=tilt)
            self.choices.append(f"material {name}: k scaled by {scale:g}, tilt {tilt:g}")
        below = section.choice("extend_below", EXTENSIONS, "refuse")
        above = section.choice("extend_above", EXTENSIONS, "refuse")
        for side, mode, limit in (
            ("below", below, base.range_nm[0]),
            ("above", above, base.range_nm[1]),
        ):
            if mode != "refuse":
                how = "end values held" if mode == "hold" else "n held, k taken as 0"
                self.choices.append(f"material {name}: {how} {side} {limit:g} nm")
        grade = section.choice("grade", GRADES, base.grade)
        self._regrade(f"material {name}", grade)
        return replace(base, name=name, below=below, above=above, grade=grade)

    def _source(self, name: str, section: Section) -> Material:
        """What n comes from, and k unless the scenario decides on it."""
        which = section.one_of(("table", "database", "index", "model", "mix"))
        where, used_as = section.key_path(which), f"material {name}"
        if which == "table":
            source = section.text("table")
            if self._is_file(source):
                return material(self._table(source, where, used_as))
            return self._shipped(source, where)
        if which == "database":
            try:
                table = database_table(section.text("database"))
            except ScenarioError:
                raise
            except OptistackError as error:
                raise ScenarioError(str(error), where) from None
            self._note_input(
                used_as,
                table.name,
                table.sha256,
                table.grade,
                table.kind,
                table.source,
                table.title,
            )
            return material(table)
        if which == "index":
            value = section.take("index")
            if isinstance(value, list):
                if len(value) != 2:
                    raise ScenarioError("must be n, or [n, k]", where)
                n, k = (checked_number(v, f"{where}[{i}]") for i, v in enumerate(value))
                base = constant(complex(n, k))
            else:
                base = constant(checked_number(value, where))
            self._note_input(used_as, "constant", "", "C", "model", base.source, "")
            return base
        if which == "model":
            base = self._model(name, section)
        else:
            base = self._within(section.section("mix"), partial(self._mix, name))
        self._note_input(used_as, which, "", base.grade, "model", base.source, "")
        return base

    def _mix(self, name: str, section: Section) -> Material:
        return effective_medium(
            self._any_material(section.take("host"), section.key_path("host")),
            self._any_material(section.take("inclusion"), section.key_path("inclusion")),
            section.number("fraction", low=0.0, high=1.0),
            rule=section.choice("rule", ("bruggeman", "maxwell_garnett")),
            name=name,
        )

    def _urbach_edge(self, name: str, base: Material, edge: Section) -> Material:
        half_value = edge.number("half_value_nm", above=0.0)
        thickness = edge.length_nm("thickness")
        self.choices.append(
            f"material {name}: k is an exponential edge with its half-value at {half_value:g} nm "
            f"for {thickness / 1000:g} um, a model"
        )
        return urbach_edge(
            base,
            half_value,
            thickness,
            edge.number("width_nm", above=0.0),
            saturation=edge.number("saturation", SATURATION, above=0.0),
            external=edge.choice("kind", ("external", "internal"), "external") == "external",
            range_nm=edge.band("range_nm", None),
            name=name,
        )

    def _with_absorbers(self, name: str, base: Material, section: Section) -> Material:
        """The material with dissolved absorbers, each where its absorptivity is known."""
        items = []
        for part in section.sections("absorbers"):
            items.append(self._dissolved(part, f"absorber in material {name}"))
            part.done()
        if not items:
            raise ScenarioError("must name at least one absorber", section.key_path("absorbers"))
        known = [item.range_nm for item in items if item.range_nm is not None]
        for item in items:
            self.choices.append(
                f"material {name}: k of an absorber at {item.concentration_mol_l:.3g} mol/L is "
                f"added after Beer-Lambert, a model ({item.source})"
            )
        return beer_lambert(
            replace(base, grade=max([base.grade, *(item.grade for item in items)])),
            [(item.curve, item.concentration_mol_l) for item in items],
            nodes_nm=np.concatenate([item.nodes_nm for item in items]),
            range_nm=(max(r[0] for r in known), min(r[1] for r in known)) if known else None,
            name=name,
        )

    def _transmittance(self, name: str, section: Section) -> tuple[Filter, float]:
        """What a layer of known thickness transmits: a file, or an edge."""
        if section.one_of(("file", "edge")) == "edge":
            item = self._edge(name, section.section("edge"), source="absorption edge, model")
        else:
            kind = section.choice("kind", ("external", "internal"))
            read = self._curve(section, "file", f"transmittance of {name}", "transmittance")
            item = measured_filter(
                name, read.wavelength_nm, read.values, kind, grade=read.grade, source=read.source
            )
        thickness = section.length_nm("thickness")
        section.done()
        return item, thickness

    @staticmethod
    def _edge(name: str, edge: Section, **options: Any) -> Filter:
        item = edge_filter(
            name,
            edge.number("half_value_nm", above=0.0),
            edge.number("width_10_90_nm", above=0.0),
            plateau=edge.number("plateau", 1.0, above=0.0, high=1.0),
            blocking_floor=edge.number("blocking_floor", 1e-4, low=0.0, high=1.0),
            **options,
        )
        edge.done()
        return item

    def _model(self, name: str, section: Section) -> Material:
        kind = section.choice("model", ("sellmeier", "cauchy_edge", "oscillators"))
        limits = section.band("range_nm")
        if kind == "sellmeier":
            terms = self._tuples(section, "terms", 2)
            offset = section.number("offset", 0.0)
            return sellmeier([(b, c) for b, c in terms], limits, offset=offset, name=name)
        if kind == "cauchy_edge":
            return cauchy_edge(
                section.numbers("cauchy"),
                limits,
                edge_nm=section.number("edge_nm", None, above=0.0),
                k_edge=section.number("k_edge", 0.0, low=0.0),
                width_nm=section.number("width_nm", 10.0, above=0.0),
                name=name,
            )
        return oscillators(
            limits,
            eps_inf=section.number("eps_inf", 1.0),
            drude=[(p, d) for p, d in self._tuples(section, "drude", 2, ())],
            lorentz=[(s, e, d) for s, e, d in self._tuples(section, "lorentz", 3, ())],
            tauc_lorentz=[
                (a, e, c, g) for a, e, c, g in self._tuples(section, "tauc_lorentz", 4, ())
            ],
            name=name,
        )

    @staticmethod
    def _tuples(section: Section, key: str, count: int, default: Any = None) -> Any:
        value = section.take(key) if default is None else section.take(key, default)
        path = section.key_path(key)
        rows = []
        if not isinstance(value, (list, tuple)):
            raise ScenarioError(f"must be a list of lists of {count} numbers", path)
        for i, row in enumerate(value):
            holder = Section({"row": row}, f"{path}[{i}]")
            rows.append(holder.numbers("row", count=count))
        return rows

    def _dissolved(self, section: Section, used_as: str) -> Dissolved:
        """An absorber: its bands or a table, and its concentration or what that follows from."""
        if section.one_of(("bands", "table")) == "table":
            source, where = section.text("table"), section.key_path("table")
            table = self._table(source, where, used_as)
            if table.quantity != "molar_absorptivity":
                raise ScenarioError(
                    f"{source} holds {table.quantity}, not molar_absorptivity", where
                )
            nodes, absorptivity = table.known("molar_absorptivity_l_mol_cm")

            def measured(lam: NDArray[Any]) -> NDArray[Any]:
                return np.asarray(np.interp(lam, nodes, absorptivity))

            curve: Curve = measured
            limits: tuple[float, float] | None = (float(nodes[0]), float(nodes[-1]))
            grade, source = table.grade, table.source
        else:
            bands = [_absorption_band(b) for b in section.sections("bands")]
            curve, nodes = absorption_bands(bands)
            limits = section.band("range_nm", None)
            grade, source = "C", "Beer-Lambert law with Gaussian absorption bands"
        if "concentration_mol_l" in section:
            amount = section.number("concentration_mol_l", above=0.0)
        else:
            amount = concentration(
                section.number("loading_percent", above=0.0, high=100.0),
                section.number("density_g_cm3", above=0.0),
                section.number("molar_mass_g_mol", above=0.0),
            )
        return Dissolved(curve, amount, nodes, limits, grade, source)


def _absorption_band(band: Section) -> tuple[float, float, float]:
    out = (
        band.number("peak_nm", above=0.0),
        band.number("molar_absorptivity_l_mol_cm", low=0.0),
        band.number("width_nm", above=0.0),
    )
    band.done()
    return out
