"""A scenario file (TOML) and the typed values it stands for."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from optistack.collection import Collection, QuantumEfficiency
from optistack.errors import ScenarioError
from optistack.exposure import Exposure
from optistack.filters import Filter
from optistack.light_paths import Geometry, Holder
from optistack.materials import Material
from optistack.scenario.electrode import ElectrodeQuestion, ElectrodeReader
from optistack.scenario.files import InputFile
from optistack.scenario.filter_choice import FilterChoiceQuestion, FilterChoiceReader
from optistack.scenario.ledger import LedgerQuestion, LedgerReader
from optistack.scenario.outdoors import SiteQuestion
from optistack.scenario.plan import PlanQuestion, PlanReader
from optistack.scenario.question import Question
from optistack.scenario.rates import RatesQuestion, RatesReader
from optistack.scenario.section import Section
from optistack.scenario.uncertainty import UncertaintyQuestion, read_uncertainty
from optistack.spectra import (
    DAMAGE_BAND_NM,
    DEFAULT_BANDS_NM,
    FAMILY_SLOPES_NM,
    Spectrum,
    Weight,
    weight_family,
    weight_from_table,
)
from optistack.stack import FilterStack, Stack
from optistack.tables import read_text


@dataclass(frozen=True, eq=False)
class Scenario:
    """A scenario, read and checked.

    Attributes
    ----------
    title, description : str
    invented : bool
        Everything in it is made up, and results say so.
    path : str
    sha256 : str
    materials, stacks, lights, filters, exposures : mapping of str to value
    collections : mapping of stack name to Collection
    question : Question
    rates : RatesQuestion or None
    electrode : ElectrodeQuestion or None
    uncertainty : UncertaintyQuestion or None
    site : SiteQuestion or None
    plan : PlanQuestion or None
    ledger : LedgerQuestion or None
    filter_choice : FilterChoiceQuestion or None
    inputs : tuple of InputFile
    choices : tuple of str
        What the scenario decided where data are missing or can be read in more than one way.
    """

    title: str
    description: str
    invented: bool
    path: str
    sha256: str
    materials: Mapping[str, Material]
    stacks: Mapping[str, Stack]
    lights: Mapping[str, Spectrum]
    filters: Mapping[str, Filter | FilterStack]
    exposures: Mapping[str, Exposure]
    collections: Mapping[str, Collection]
    question: Question
    rates: RatesQuestion | None = None
    electrode: ElectrodeQuestion | None = None
    uncertainty: UncertaintyQuestion | None = None
    site: SiteQuestion | None = None
    plan: PlanQuestion | None = None
    ledger: LedgerQuestion | None = None
    filter_choice: FilterChoiceQuestion | None = None
    inputs: tuple[InputFile, ...] = ()
    choices: tuple[str, ...] = ()


def load_scenario(path: str | Path, *, allow_paths: Sequence[str | Path] = ()) -> Scenario:
    """Read a scenario file.

    Parameters
    ----------
    path : str or Path
    allow_paths : sequence of str or Path
        Folders, besides the scenario's own, from which files may be read.

    Raises
    ------
    ScenarioError
        With the path of the key: unknown or missing keys, values of the wrong type or range, names
        that are not defined, files outside the allowed folders.
    TableError
        A file that cannot be read as what it is used for.

    Examples
    --------
    >>> from optistack.tables import data_folder
    >>> s = load_scenario(data_folder("shared") / "lantern_house" / "lantern_house.toml")
    >>> s.title
    'Lantern House'
    """
    path = Path(path)
    text, digest = read_text(path)
    return scenario_from_data(parsed(text, path), path, allow_paths=allow_paths, sha256=digest)


def parsed(text: str, path: str | Path) -> dict[str, Any]:
    """TOML as plain values; ``path`` says in a refusal where the text is from."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{path}: not valid TOML: {error}") from None
    except ValueError as error:  # a number of more digits than Python converts
        raise ScenarioError(f"{path}: not valid TOML: {error}") from None
    except RecursionError:
        raise ScenarioError(f"{path}: not valid TOML: nested too deeply") from None


def scenario_from_data(
    data: Mapping[str, Any],
    path: str | Path,
    *,
    allow_paths: Sequence[str | Path] = (),
    sha256: str = "",
) -> Scenario:
    """A scenario from the values of a TOML document, read or made by a program.

    Parameters
    ----------
    data : mapping
        As `tomllib` gives it; it is not changed.
    path : str or Path
        Where the document lies or would lie: files are looked for beside it.
    allow_paths, sha256
        As in `load_scenario`; the checksum of the text, where there is one.

    Raises
    ------
    ScenarioError, TableError
        As `load_scenario`.

    Examples
    --------
    >>> film = {"name": "film", "material": "ito", "thickness_nm": 120}
    >>> made = {"title": "One film", "stacks": {"coupon": {"layers": [film]}},
    ...         "lights": {"sun": {"spectrum": "am15g"}},
    ...         "exposures": {"outdoors": {"stack": "coupon", "light": "sun"}},
    ...         "question": {"layer": "film"}}
    >>> scenario_from_data(made, "made.toml").stacks["coupon"].names
    ('film',)
    """
    path = Path(path)
    folders = tuple(Path(p).resolve() for p in (path.parent, *allow_paths))
    return _Loader(path, sha256, folders).load(Section(deepcopy(dict(data)), ""))


class _Loader(RatesReader, ElectrodeReader, PlanReader, LedgerReader, FilterChoiceReader):
    """Puts the ingredients into exposures, and reads the question."""

    def __init__(self, path: Path, digest: str, folders: tuple[Path, ...]):
        super().__init__(path, folders)
        self.digest = digest

    def load(self, top: Section) -> Scenario:
        version = top.number("optistack_scenario", 1.0)
        if version != 1:
            raise ScenarioError(f"{version:g} is not 1, the known format", "optistack_scenario")
        title = top.text("title")
        description = top.text("description", "")
        invented = top.flag("invented", False)
        for name, section in top.named("materials").items():
            self.materials[name] = self._within(section, partial(self._material, name))
        for name, section in top.named("stacks").items():
            self.stacks[name] = self._within(section, partial(self._stack, name))
        for name, section in top.named("lights").items():
            self.lights[name] = self._within(section, partial(self._light, name))
        for name, section in top.named("filters").items():
            self._within(section, partial(self._filter, name))
        for name, section in top.named("exposures").items():
            self.exposures[name] = self._within(section, partial(self._exposure, name))
        collections = {
            self._defined(name, self.stacks, "stack", section.path): self._within(
                section, partial(self._collection, name)
            )
            for name, section in top.named("photocurrent").items()
        }
        question = self._within(top.section("question"), self._question)
        ageing = top.section("rates", None)
        rates = None
        if ageing is not None:
            rates = self._within(ageing, partial(self._rates, pairs=question.pairs))
        cell = top.section("electrode", None)
        electrode = None if cell is None else self._within(cell, self._electrode)
        doubt = top.section("uncertainty", None)
        uncertainty = None
        if doubt is not None:
            if not question.pairs:
                raise ScenarioError("needs a comparison in question.compare", doubt.path)
            uncertainty = self._within(doubt, read_uncertainty)
        place = top.section("site", None)
        site = None
        if place is not None:
            site = self._within(place, partial(self._site, question=question))
        planned = top.section("plan", None)
        plan = None
        if planned is not None:
            if site is None:
                raise ScenarioError(
                    "needs a section [site]: lamp hours are set against its years", planned.path
                )
            plan = self._within(planned, partial(self._plan, question=question))
        logged = top.section("ledger", None)
        ledger = None if logged is None else self._within(logged, self._ledger)
        chosen = top.section("filter_choice", None)
        choice = None
        if chosen is not None:
            choice = self._within(chosen, partial(self._filter_choice, question=question))
        top.done()
        return Scenario(
            title=title,
            description=description,
            invented=invented,
            path=str(self.path),
            sha256=self.digest,
            materials=self.materials,
            stacks=self.stacks,
            lights=self.lights,
            filters=self.filters,
            exposures=self.exposures,
            collections=collections,
            question=question,
            rates=rates,
            electrode=electrode,
            uncertainty=uncertainty,
            site=site,
            plan=plan,
            ledger=ledger,
            filter_choice=choice,
            inputs=tuple(self.inputs.values()),
            choices=tuple(dict.fromkeys(self.choices)),
        )

    def _exposure(self, name: str, section: Section) -> Exposure:
        stack = self.stacks[
            self._defined(section.text("stack"), self.stacks, "stack", section.key_path("stack"))
        ]
        light = self.lights[
            self._defined(section.text("light"), self.lights, "light", section.key_path("light"))
        ]
        holder = section.section("holder", None)
        reflector = None
        if holder is not None:
            reflector = Holder(
                holder.number("reflectance", low=0.0, high=1.0),
                holder.choice("kind", ("lambertian", "specular"), "lambertian"),
            )
            holder.done()
        geometry = Geometry(
            lit_from=section.choice("lit_from", ("front", "back"), "front"),
            angle_deg=section.number("angle_deg", 0.0, low=0.0, high=90.0),
            isotropic_share=section.number("isotropic_share", 0.0, low=0.0, high=1.0),
            rear_share=section.number("rear_share", 0.0, low=0.0),
            rear_isotropic_share=section.number("rear_isotropic_share", None, low=0.0, high=1.0),
            holder=reflector,
        )
        filters = self._mounted(section, "filters")
        return Exposure(
            name, stack, light, geometry, filters, hours=section.number("hours", 0.0, low=0.0)
        )

    def _collection(self, stack_name: str, section: Section) -> Collection:
        stack = self.stacks[stack_name]
        active = section.texts("active_layers")
        if not active:
            raise ScenarioError("names no layer", section.key_path("active_layers"))
        for i, layer in enumerate(active):
            self._defined(
                layer, dict.fromkeys(stack.names), "layer", f"{section.path}.active_layers[{i}]"
            )
        eqe = None
        measured = section.section("quantum_efficiency", None)
        if measured is not None:
            read = self._curve(
                measured, "table", f"quantum efficiency of {stack_name}", "quantum_efficiency"
            )
            on = self._defined(
                measured.text("stack", stack_name), self.stacks, "stack", measured.path
            )
            for i, layer in enumerate(active):
                self._defined(
                    layer,
                    dict.fromkeys(self.stacks[on].names),
                    f"stack {on}: layer",
                    f"{section.path}.active_layers[{i}]",
                )
            eqe = QuantumEfficiency(
                read.name,
                read.wavelength_nm,
                read.values,
                self.stacks[on],
                measured.choice("lit_from", ("front", "back"), "front"),
            )
            measured.done()
        limits = section.band("range_nm", None)
        if limits is None:
            top = (
                eqe.range_nm[1]
                if eqe is not None
                else min(stack.layers[stack.position(name)].material.range_nm[1] for name in active)
            )
            limits = (280.0, min(float(top), 1100.0))
        return Collection(
            active, limits, section.number("collection_efficiency", 1.0, low=0.0, high=1.0), eqe
        )

    def _question(self, section: Section) -> Question:
        layer = section.text("layer")
        coupon_layer = section.text("coupon_layer", layer)
        pairs = []
        for item in section.sections("compare", []):
            pair = []
            for side, name in (("coupon", coupon_layer), ("device", layer)):
                pair.append(
                    self._exposure_with(
                        name, item.text(side), item.key_path(side), section.key_path("layer")
                    )
                )
            item.done()
            pairs.append((pair[0], pair[1]))
        on = section.texts("filters_on", ())
        for i, name in enumerate(on):
            self._exposure_with(layer, name, f"{section.key_path('filters_on')}[{i}]")
        if "filters" in section:
            candidates = self._mounted(section, "filters")
        else:
            candidates = tuple(m for mounts in self.mounts.values() for m in mounts)
        bands = section.bands("bands_nm", DEFAULT_BANDS_NM)
        weights, default = weight_family(), True
        chosen = section.section("weights", None)
        if chosen is not None:
            weights, default = self._weights(chosen)
            chosen.done()
        sensitivity = section.flag("sensitivity", True)
        if not pairs and not on and not self.exposures:
            raise ScenarioError("asks nothing: no exposures are defined", section.path)
        return Question(
            layer, coupon_layer, tuple(pairs), on, candidates, bands, weights, default, sensitivity
        )

    def _weights(self, section: Section) -> tuple[tuple[Weight, ...], bool]:
        if "table" in section:
            name = section.text("table")
            table = self._table(name, section.key_path("table"), "spectral weight")
            reference = section.number("reference_nm", None, above=0.0)
            return (weight_from_table(table, reference_nm=reference),), False
        slopes = section.numbers("slopes_nm", FAMILY_SLOPES_NM)
        band = section.band("band_nm", DAMAGE_BAND_NM)
        default = band == DAMAGE_BAND_NM and slopes == FAMILY_SLOPES_NM
        return weight_family(band, slopes), default
