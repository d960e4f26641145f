"""A scenario file (TOML) and the typed values it stands for."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError, ScenarioError
from optistack.exposure import (
    Collection,
    Exposure,
    Geometry,
    Holder,
    MountedFilter,
    QuantumEfficiency,
)
from optistack.filters import (
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
from optistack.reader import read_columns
from optistack.scenario.section import Section, checked_name, checked_number
from optistack.spectra import (
    DAMAGE_BAND_NM,
    DEFAULT_BANDS_NM,
    FAMILY_SLOPES_NM,
    BandNm,
    Spectrum,
    Weight,
    gaussian,
    planck,
    spectrum,
    weight_family,
    weight_from_table,
)
from optistack.stack import MOUNTS, FilterStack, Layer, Stack
from optistack.tables import COLUMNS, GRADES, Table, find_table, read_table, read_text

T = TypeVar("T")

_FILE_ENDINGS = (".csv", ".txt", ".dat", ".tsv", ".asc")


@dataclass(frozen=True)
class InputFile:
    """A file that a scenario used, or a table that came with optistack."""

    used_as: str
    name: str
    sha256: str
    grade: str
    kind: str
    source: str
    title: str = ""


@dataclass(frozen=True, eq=False)
class Question:
    """What the scenario asks.

    Attributes
    ----------
    layer, coupon_layer : str
    pairs : tuple of (coupon exposure, device exposure)
        The first pair gives the main comparison.
    filters_on : tuple of str
        Exposures under which the filters are judged.
    candidates : tuple of MountedFilter
    bands_nm, weights
    default_weights : bool
        The weights are the default family.
    sensitivity : bool
    """

    layer: str
    coupon_layer: str
    pairs: tuple[tuple[str, str], ...]
    filters_on: tuple[str, ...]
    candidates: tuple[MountedFilter, ...]
    bands_nm: tuple[BandNm, ...]
    weights: tuple[Weight, ...]
    default_weights: bool
    sensitivity: bool


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
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{path}: not valid TOML: {error}") from None
    except ValueError as error:  # a number of more digits than Python converts
        raise ScenarioError(f"{path}: not valid TOML: {error}") from None
    except RecursionError:
        raise ScenarioError(f"{path}: not valid TOML: nested too deeply") from None
    folders = tuple(Path(p).resolve() for p in (path.parent, *allow_paths))
    return _Loader(path, digest, folders).load(Section(data, ""))


class _Curve(NamedTuple):
    """A curve out of a file, whatever the file's format."""

    name: str
    wavelength_nm: NDArray[Any]
    values: NDArray[Any]
    grade: str
    source: str
    table: Table | None


class _Loader:
    """Builds the values in the order in which they depend on each other."""

    def __init__(self, path: Path, digest: str, folders: tuple[Path, ...]):
        self.path, self.digest, self.folders = path, digest, folders
        self.inputs: dict[tuple[str, str], InputFile] = {}
        self.choices: list[str] = []
        self.materials: dict[str, Material] = {}
        self.stacks: dict[str, Stack] = {}
        self.lights: dict[str, Spectrum] = {}
        self.filters: dict[str, Filter | FilterStack] = {}
        self.mounts: dict[str, tuple[MountedFilter, ...]] = {}
        self.exposures: dict[str, Exposure] = {}
        self.shipped: dict[str, Material] = {}

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
            inputs=tuple(self.inputs.values()),
            choices=tuple(dict.fromkeys(self.choices)),
        )

    def _within(self, section: Section, build: Callable[[Section], T]) -> T:
        """Build a value; say where in the scenario a refusal of the value itself belongs."""
        try:
            value = build(section)
        except (ScenarioError, FileNotFoundError):
            raise
        except OptistackError as error:
            raise ScenarioError(str(error), section.path) from error
        section.done()
        return value

    @staticmethod
    def _defined(name: str, known: Mapping[str, Any], what: str, path: str) -> str:
        if name not in known:
            listed = ", ".join(known) or f"(no {what} is defined)"
            raise ScenarioError(f"{what} {name!r} is not defined; there are {listed}", path)
        return name

    # files -----------------------------------------------------------------------------------

    def _file(self, name: str, key_path: str) -> Path:
        """A file under the scenario's folder or an allowed one."""
        checked_name(name, key_path, long=True)
        given = Path(name)
        try:
            full = (given if given.is_absolute() else self.path.parent / given).resolve()
            there = full.is_file()
        except (OSError, RuntimeError) as error:  # a name too long, a loop of links, no permission
            why = getattr(error, "strerror", None) or "the links go in a circle"
            raise ScenarioError(f"file {name[:80]!r} cannot be opened: {why}", key_path) from None
        if not any(full.is_relative_to(folder) for folder in self.folders):
            raise ScenarioError(
                f"file {name!r} lies outside the scenario's folder; move it there, or allow its "
                "folder with --allow-path",
                key_path,
            )
        if not there:
            raise ScenarioError(f"there is no file {name!r}", key_path)
        return full

    def _table(self, name: str, key_path: str, used_as: str) -> Table:
        table = read_table(self._file(name, key_path))
        self._note_input(
            used_as, name, table.sha256, table.grade, table.kind, table.source, table.title
        )
        return table

    def _note_input(
        self, used_as: str, name: str, sha256: str, grade: str, kind: str, source: str, title: str
    ) -> None:
        self.inputs[used_as, name] = InputFile(used_as, name, sha256, grade, kind, source, title)

    @staticmethod
    def _is_file(name: str) -> bool:
        return name.lower().endswith(_FILE_ENDINGS)

    @staticmethod
    def _is_table_format(path: Path) -> bool:
        text, _ = read_text(path)
        head = next((x for x in text.splitlines() if x.strip() and not x.startswith("#")), "")
        return head.split(",")[0].strip() == "wavelength_nm"

    def _curve(
        self, section: Section, key: str, used_as: str, quantity: str, *, fraction: bool = True
    ) -> _Curve:
        """A file in the table format, or two columns of an instrument's export."""
        name = section.text(key)
        path = self._file(name, section.key_path(key))
        column = section.integer("column", None, low=2)
        options = {
            "delimiter": section.choice("delimiter", (";", ",", "\t", " "), None),
            "decimal": section.choice("decimal", (".", ","), None),
            "column": column,
        }
        unit = section.choice("unit", ("fraction", "percent"), None) if fraction else None
        grade = section.choice("grade", GRADES, None)
        source = section.text("source", None)
        if self._is_table_format(path):
            if unit == "percent" or any(v is not None for v in options.values()):
                raise ScenarioError(
                    f"{name} is in the table format, which leaves nothing to state about units, "
                    "delimiter, decimal or column",
                    section.path,
                )
            table = read_table(path)
            if table.quantity not in (quantity, f"relative_{quantity}"):
                raise ScenarioError(
                    f"{name} holds {table.quantity}, not {quantity}", section.key_path(key)
                )
            table = replace(table, grade=grade or table.grade, source=source or table.source)
            self._note_input(
                used_as, name, table.sha256, table.grade, table.kind, table.source, table.title
            )
            main = COLUMNS[table.quantity] or tuple(table.columns)
            lam, values = table.known(main[0])
            return _Curve(table.name, lam, values, table.grade, table.source, table)
        reading = read_columns(path, unit=unit, fraction=fraction, **options)
        self.choices += reading.assumptions
        grade, source = grade or "B", source or "not stated"
        self._note_input(used_as, name, reading.sha256, grade, "measured", source, "")
        return _Curve(reading.name, reading.wavelength_nm, reading.values, grade, source, None)

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
            light = gaussian(
                led.number("centre_nm", above=0.0), led.number("width_nm", above=0.0)
            )
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
            "spectrum", f"light {name}", "spectral_irradiance", fraction=False,
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
        floor = section.number("stray_light_floor", 0.0, low=0.0, high=1.0)
        read = self._curve(section, "transmittance", f"filter {name}", "transmittance")
        if options["measurement"] == "not stated" and kind == "external":
            self.choices.append(
                f"filter {name}: whether regular or hemispherical is not stated; taken as regular"
            )
        return measured_filter(
            name,
            read.wavelength_nm,
            read.values,
            kind,
            stray_light_floor=floor,
            grade=read.grade,
            source=read.source,
            **options,
        )

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

            def curve(lam: NDArray[Any]) -> NDArray[Any]:
                return np.asarray(np.interp(lam, nodes, absorptivity))

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

    # exposures and questions -----------------------------------------------------------------

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

    def _mounted(self, section: Section, key: str) -> tuple[MountedFilter, ...]:
        """Filters by name (in their first mount), or as {filter, mount, in_layer}."""
        value = section.take(key, [])
        path = section.key_path(key)
        if not isinstance(value, list):
            raise ScenarioError("must be a list of filters", path)
        out = []
        for i, entry in enumerate(value):
            where = f"{path}[{i}]"
            if isinstance(entry, str):
                out.append(self.mounts[self._defined(entry, self.filters, "filter", where)][0])
                continue
            item = Section(entry, where)
            name = self._defined(item.text("filter"), self.filters, "filter", where)
            first = self.mounts[name][0]
            out.append(
                MountedFilter(
                    self.filters[name],
                    item.choice("mount", MOUNTS, first.mount),
                    item.text("in_layer", first.layer),
                )
            )
            item.done()
        return tuple(out)

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
                    layer, dict.fromkeys(self.stacks[on].names), f"stack {on}: layer",
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
            top = eqe.range_nm[1] if eqe is not None else min(
                stack.layers[stack.position(name)].material.range_nm[1] for name in active
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
                exposure = self._defined(
                    item.text(side), self.exposures, "exposure", item.key_path(side)
                )
                self._defined(
                    name, dict.fromkeys(self.exposures[exposure].stack.names), "layer",
                    section.key_path("layer"),
                )
                pair.append(exposure)
            item.done()
            pairs.append((pair[0], pair[1]))
        on = section.texts("filters_on", ())
        for i, name in enumerate(on):
            where = f"{section.key_path('filters_on')}[{i}]"
            self._defined(name, self.exposures, "exposure", where)
            self._defined(
                layer, dict.fromkeys(self.exposures[name].stack.names), "layer", where
            )
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


_FORMAT_KEYS = ("delimiter", "decimal", "column", "source")


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
