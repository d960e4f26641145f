"""What a scenario is made of: materials, stacks, lights and filters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError, ScenarioError
from optistack.exposure import MountedFilter
from optistack.filters import (
    Curve,
    Filter,
    absorber_filter,
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
from optistack.scenario.files import Files
from optistack.scenario.section import Section, checked_name, checked_number
from optistack.spectra import Spectrum, gaussian, planck, spectrum
from optistack.stack import MOUNTS, FilterStack, Layer, Stack
from optistack.tables import GRADES, Table, find_table

_FORMAT_KEYS = ("delimiter", "decimal", "column", "source")


class Ingredients(Files):
    """Builds materials, stacks, lights and filters, in the order in which they need each other."""

    def __init__(self, path: Path, folders: tuple[Path, ...]):
        super().__init__(path, folders)
        self.materials: dict[str, Material] = {}
        self.stacks: dict[str, Stack] = {}
        self.lights: dict[str, Spectrum] = {}
        self.filters: dict[str, Filter | FilterStack] = {}
        self.mounts: dict[str, tuple[MountedFilter, ...]] = {}
        self.shipped: dict[str, Material] = {}

    # materials and stacks --------------------------------------------------------------------

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
        which = section.one_of(("table", "index", "model"))
        if which == "table":
            source = section.text("table")
            if self._is_file(source):
                base = material(self._table(source, section.key_path("table"), f"material {name}"))
            else:
                base = self._shipped(source, section.key_path("table"))
        elif which == "index":
            value, where = section.take("index"), section.key_path("index")
            if isinstance(value, list):
                if len(value) != 2:
                    raise ScenarioError("must be n, or [n, k]", where)
                n, k = (checked_number(v, f"{where}[{i}]") for i, v in enumerate(value))
                base = constant(complex(n, k))
            else:
                base = constant(checked_number(value, where))
            self._note_input(f"material {name}", "constant", "", "C", "model", base.source, "")
        else:
            base = self._model(name, section)
            self._note_input(f"material {name}", "model", "", base.grade, "model", base.source, "")
        section.at_most_one_of(("k", "transmittance", "k_from"))
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

    def _layers(self, section: Section, key: str) -> tuple[Layer, ...]:
        out = []
        for item in section.sections(key):
            name = item.text("name")
            checked_name(name, item.key_path("name"))
            source = item.take("material")
            m = self._any_material(source, item.key_path("material"))
            layer = Layer(
                name, m, item.length_nm("thickness"), coherent=item.flag("coherent", None)
            )
            item.done()
            out.append(layer)
        return tuple(out)

    def _stack(self, name: str, section: Section) -> Stack:
        return Stack(
            self._any_material(section.take("ambient", "air"), section.key_path("ambient")),
            self._layers(section, "layers"),
            self._any_material(section.take("substrate", "air"), section.key_path("substrate")),
            name=name,
        )

    # light -----------------------------------------------------------------------------------

    def _light(self, name: str, section: Section) -> Spectrum:
        which = section.one_of(("spectrum", "planck_k", "led"))
        if which == "spectrum":
            light = self._spectrum(name, section)
        elif which == "planck_k":
            light = replace(planck(section.number("planck_k", above=0.0)), relative=True)
        else:
            led = section.section("led")
            light = gaussian(led.number("centre_nm", above=0.0), led.number("width_nm", above=0.0))
            led.done()
        if not section.flag("variants", True):
            light = replace(light, variants=())
            self.choices.append(f"light {name}: only the central shape is used")
        if section.flag("dark_outside", False) and not light.dark_outside:
            low, high = light.range_nm
            note = f"light {name}: taken as dark outside {low:g}-{high:g} nm, as the scenario asks"
            light = replace(
                light,
                dark_outside=True,
                notes=(*light.notes, note),
                variants=tuple(replace(v, dark_outside=True) for v in light.variants),
            )
            self.choices.append(note)
        grade = section.choice("grade", GRADES, light.grade)
        light = replace(light, name=name, grade=grade)
        given = [k for k in ("set_point", "irradiance", "suns") if k in section]
        if not given:
            if light.relative:
                section.one_of(("set_point", "irradiance", "suns"))
            return light
        key = section.one_of(("set_point", "irradiance", "suns"))
        level = section.section(key)
        if key == "set_point":
            light = light.at_set_point(
                level.number("wavelength_nm", above=0.0),
                level.number("spectral_irradiance_w_m2_nm", above=0.0),
            )
        elif key == "irradiance":
            light = light.at_irradiance(
                level.band("band_nm"), level.number("irradiance_w_m2", above=0.0)
            )
        else:
            light = light.at_suns(level.number("multiple", above=0.0), level.band("band_nm"))
        level.done()
        return light

    def _spectrum(self, name: str, section: Section) -> Spectrum:
        source = section.text("spectrum")
        if not self._is_file(source):
            light = spectrum(find_table(source, "spectra"))
            self._note_input(
                f"light {name}", source, "", light.grade, light.kind, light.source, light.title
            )
            return light
        read = self._curve(
            Section({"spectrum": source, **_moved(section, _FORMAT_KEYS)}, section.path),
            "spectrum",
            f"light {name}",
            "spectral_irradiance",
            fraction=False,
        )
        if read.table is not None:
            return spectrum(read.table)
        quantity = section.choice("quantity", ("relative", "w_m2_nm", "mw_m2_nm", "uw_cm2_nm"))
        scale = {"relative": 1.0, "w_m2_nm": 1.0, "mw_m2_nm": 1e-3, "uw_cm2_nm": 1e-2}[quantity]
        return Spectrum(
            name,
            read.wavelength_nm,
            read.values * scale,
            relative=quantity == "relative",
            grade=read.grade,
            source=read.source,
        )

    # filters ---------------------------------------------------------------------------------

    def _filter(self, name: str, section: Section) -> None:
        which = section.one_of(("transmittance", "edge", "absorber", "layers"))
        mounts = section.texts("mounts", ())
        in_layer = section.text("in_layer", None)
        for i, mount in enumerate(mounts):
            if mount not in MOUNTS:
                raise ScenarioError(
                    f"{mount!r} is not one of {', '.join(MOUNTS)}",
                    f"{section.key_path('mounts')}[{i}]",
                )
        if which == "layers":
            item: Filter | FilterStack = FilterStack(name, self._layers(section, "layers"))
        else:
            options: dict[str, Any] = {
                "measurement": section.choice(
                    "measurement", ("regular", "hemispherical"), "not stated"
                ),
                "coated": section.flag("coated", False),
                "below": section.choice("extend_below", ("refuse", "hold", "zero"), "refuse"),
                "above": section.choice("extend_above", ("refuse", "hold", "zero"), "refuse"),
            }
            haze = section.number("haze_percent", None, low=0.0, high=100.0)
            options["haze"] = None if haze is None else haze / 100.0
            index = section.take("index", None)
            if index is not None:
                options["index"] = self._any_material(index, section.key_path("index"))
            thickness = section.length_nm("thickness", None)
            if which == "transmittance":
                item = self._measured(name, section, {**options, "thickness_nm": thickness})
            elif which == "edge":
                item = self._edge(
                    name,
                    section.section("edge"),
                    thickness_nm=thickness,
                    grade=section.choice("grade", GRADES, "C"),
                    **options,
                )
                self._note_input(f"filter {name}", "edge model", "", item.grade, "model", "", "")
            else:
                item = self._absorber(name, section, thickness, options)
        self.filters[name] = item
        coated = isinstance(item, Filter) and item.coated
        default: tuple[str, ...] = ("detached_far",) if coated else ("laminated",)
        self.mounts[name] = tuple(
            MountedFilter(item, m, in_layer)  # type: ignore[arg-type]
            for m in (mounts or default)
        )

    def _measured(self, name: str, section: Section, options: dict[str, Any]) -> Filter:
        kind = section.choice("kind", ("external", "internal"))
        floor = section.number("stray_light_floor", None, low=0.0, high=1.0)
        read = self._curve(section, "transmittance", f"filter {name}", "transmittance")
        if read.table is not None:
            floor, options = self._from_header(name, section, read.table, floor, options)
        if options["measurement"] == "not stated" and kind == "external":
            self.choices.append(
                f"filter {name}: whether regular or hemispherical is not stated; taken as regular"
            )
        return measured_filter(
            name,
            read.wavelength_nm,
            read.values,
            kind,
            stray_light_floor=floor or 0.0,
            grade=read.grade,
            source=read.source,
            **options,
        )

    def _from_header(
        self,
        name: str,
        section: Section,
        table: Table,
        floor: float | None,
        options: dict[str, Any],
    ) -> tuple[float | None, dict[str, Any]]:
        """What a table says of its measurement, where the scenario says nothing."""
        measured = table.header.get("measurement", "")
        if options["measurement"] == "not stated" and measured in ("regular", "hemispherical"):
            options = {**options, "measurement": measured}
            self.choices.append(f"filter {name}: {measured} transmittance, as its table says")
        if floor is None and "stray_light_floor" in table.header:
            text = table.header["stray_light_floor"]
            try:
                floor = float(text)
            except ValueError:
                floor = math.nan
            if not 0 <= floor < 1:
                raise ScenarioError(
                    f"{table.name}: stray_light_floor {text[:40]!r} in its header is no "
                    "transmittance, 0 to 1",
                    section.key_path("transmittance"),
                )
            self.choices.append(f"filter {name}: stray-light floor {floor:g}, as its table says")
        return floor, options

    def _absorber(
        self, name: str, section: Section, thickness: float | None, options: dict[str, Any]
    ) -> Filter:
        a = section.section("absorber")
        if thickness is None:
            raise ScenarioError("an absorber needs a thickness_um", section.path)
        if a.one_of(("bands", "table")) == "table":
            source = a.text("table")
            table = self._table(source, a.key_path("table"), f"absorber of filter {name}")
            if table.quantity != "molar_absorptivity":
                raise ScenarioError(
                    f"{source} holds {table.quantity}, not molar_absorptivity", a.key_path("table")
                )
            nodes, absorptivity = table.known("molar_absorptivity_l_mol_cm")

            def measured(lam: NDArray[Any]) -> NDArray[Any]:
                return np.asarray(np.interp(lam, nodes, absorptivity))

            curve: Curve = measured
            grade, source = table.grade, table.source
            options["range_nm"] = table.range_nm
        else:
            bands = [_absorption_band(b) for b in a.sections("bands")]
            curve, nodes = absorption_bands(bands)
            grade, source = "C", "Beer-Lambert law with Gaussian absorption bands"
        if "concentration_mol_l" in a:
            amount = a.number("concentration_mol_l", above=0.0)
        else:
            amount = concentration(
                a.number("loading_percent", above=0.0, high=100.0),
                a.number("density_g_cm3", above=0.0),
                a.number("molar_mass_g_mol", above=0.0),
            )
        a.done()
        grade = section.choice("grade", GRADES, grade)
        self._note_input(f"filter {name}", "absorber model", "", grade, "model", source, "")
        return absorber_filter(
            name, curve, amount, thickness, nodes_nm=nodes, grade=grade, source=source, **options
        )


def _absorption_band(band: Section) -> tuple[float, float, float]:
    out = (
        band.number("peak_nm", above=0.0),
        band.number("molar_absorptivity_l_mol_cm", low=0.0),
        band.number("width_nm", above=0.0),
    )
    band.done()
    return out


def _moved(section: Section, keys: Sequence[str]) -> dict[str, Any]:
    return {key: section.take(key) for key in keys if key in section}
