"""What a scenario is made of: stacks, lights and filters; its materials come from below."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from optistack.errors import ScenarioError
from optistack.exposure import Exposure, MountedFilter
from optistack.filters import Filter, absorber_filter, measured_filter
from optistack.scenario.section import Section, checked_name
from optistack.scenario.substances import Dissolved, Substances
from optistack.spectra import Spectrum, gaussian, planck, spectrum
from optistack.stack import MOUNTS, FilterStack, Layer, Stack
from optistack.tables import GRADES, Table, find_table

_FORMAT_KEYS = ("delimiter", "decimal", "column", "source")


class Ingredients(Substances):
    """Builds stacks, lights and filters, in the order in which they need each other."""

    def __init__(self, path: Path, folders: tuple[Path, ...]):
        super().__init__(path, folders)
        self.stacks: dict[str, Stack] = {}
        self.lights: dict[str, Spectrum] = {}
        self.filters: dict[str, Filter | FilterStack] = {}
        self.mounts: dict[str, tuple[MountedFilter, ...]] = {}
        self.exposures: dict[str, Exposure] = {}
        self.costs_per_m2: dict[str, float] = {}
        # Filters that are an absorber in a binder, and its absorptivity and amount.
        self.absorbers: dict[str, Dissolved] = {}

    # stacks ----------------------------------------------------------------------------------

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
        cost = section.number("cost_per_m2", None, low=0.0)
        if cost is not None:
            self.costs_per_m2[name] = cost
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
        item = self._dissolved(a, f"absorber of filter {name}")
        a.done()
        self.absorbers[name] = item
        if item.range_nm is not None:
            options["range_nm"] = item.range_nm
        grade = section.choice("grade", GRADES, item.grade)
        self._note_input(f"filter {name}", "absorber model", "", grade, "model", item.source, "")
        return absorber_filter(
            name,
            item.curve,
            item.concentration_mol_l,
            thickness,
            nodes_nm=item.nodes_nm,
            grade=grade,
            source=item.source,
            **options,
        )

    def _exposure_with(self, layer: str, name: str, path: str, layer_path: str = "") -> str:
        """The name of an exposure that is defined and whose stack has a layer."""
        self._defined(name, self.exposures, "exposure", path)
        known = dict.fromkeys(self.exposures[name].stack.names)
        self._defined(layer, known, f"exposure {name}: layer", layer_path or path)
        return name

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


def _moved(section: Section, keys: Sequence[str]) -> dict[str, Any]:
    return {key: section.take(key) for key in keys if key in section}
