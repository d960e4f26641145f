"""The electrode of the cell in a scenario: what is asked, and the answer put together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from optistack.errors import OptistackError, ScenarioError
from optistack.scenario.files import Files
from optistack.scenario.section import Section
from optistack.series_file import SeriesFile, header_lines, read_series
from optistack.spectral_math import ZERO_CELSIUS_K
from optistack.tables import read_text
from optistack.value import NORMAL_95, Value

if TYPE_CHECKING:
    from optistack.analysis.electrode import (
        Cell,
        Diagnosis,
        Geometry,
        JVSeries,
        LineProfileFit,
        PitchTable,
        PowerLife,
        PowerMap,
        ResistanceSeries,
        TransientMobility,
    )

# The analysis loads scipy: only where a scenario has an electrode.
T = TypeVar("T")

_KINDS = ("parallel_fingers", "one_edge", "square_pad", "busbar_and_fingers")
# Sheet resistances of the map: from the start, or this share of the collapse, to beyond it.
_MAP_FROM, _MAP_TO, _MAP_POINTS = 1e-2, 12.0, 61


@dataclass(frozen=True)
class PitchQuestion:
    """Which finger pitches are compared.

    Attributes
    ----------
    finger_width_um : float
    pitch_mm : tuple of float or None
        None: searched for.
    horizon_h : float or None
        None: to the end of the resistance series.
    """

    finger_width_um: float
    pitch_mm: tuple[float, ...] | None
    horizon_h: float | None


@dataclass(frozen=True, eq=False)
class ProfileQuestion:
    """A line profile across fingers, and how it was taken."""

    position_mm: Any
    signal: Any
    options: Mapping[str, Any]


@dataclass(frozen=True, eq=False)
class ElectrodeQuestion:
    """What a scenario says and asks about the electrode of its cell.

    Attributes
    ----------
    cell : Cell
    geometry : Geometry
    start_sheet_resistance_ohm_sq : float
    resistance : ResistanceSeries or None
        A measured rise, from a file.
    burn_in_h : float or None
    pitch : PitchQuestion or None
    curves : JVSeries or None
    diagnosis : mapping
        Further arguments of `optistack.analysis.electrode.diagnose`.
    profile : ProfileQuestion or None
    """

    cell: Cell
    geometry: Geometry
    start_sheet_resistance_ohm_sq: float
    resistance: ResistanceSeries | None
    burn_in_h: float | None
    pitch: PitchQuestion | None
    curves: JVSeries | None
    diagnosis: Mapping[str, Any]
    profile: ProfileQuestion | None

    @cached_property
    def power(self) -> PowerMap:
        """Power against sheet resistance, from below the start to beyond the collapse."""
        from optistack.analysis.electrode import collapse_ohm_sq, power_against_resistance

        start = self.start_sheet_resistance_ohm_sq
        collapse = collapse_ohm_sq(self.cell, self.geometry)
        grid = np.geomspace(
            min(start / 2, _MAP_FROM * collapse), max(_MAP_TO * collapse, 4 * start), _MAP_POINTS
        )
        return power_against_resistance(
            self.cell,
            self.geometry,
            np.union1d(grid, [start]),
            start_sheet_resistance_ohm_sq=start,
        )


@dataclass(frozen=True, eq=False)
class ElectrodeAnswer:
    """What was found about the electrode.

    Attributes
    ----------
    question : ElectrodeQuestion
    power : PowerMap
    lives : mapping of the name of a resistance series to PowerLife
        The most trusted first.
    pitch : PitchTable or None
        For the first of the series.
    diagnosis : Diagnosis or None
    profile : LineProfileFit or None
    notes : tuple of str
    """

    question: ElectrodeQuestion
    power: PowerMap
    lives: Mapping[str, PowerLife]
    pitch: PitchTable | None
    diagnosis: Diagnosis | None
    profile: LineProfileFit | None
    notes: tuple[str, ...]


class ElectrodeReader(Files):
    """Reads the section ``[electrode]``."""

    def _electrode(self, section: Section) -> ElectrodeQuestion:
        from optistack.analysis.electrode import ParallelFingers

        cell = self._within(section.section("cell"), _cell)
        geometry = self._within(section.section("geometry"), _geometry)
        start = section.number("start_sheet_resistance_ohm_sq", above=0.0)
        resistance = None
        if "resistance" in section:
            resistance = self._resistance(section)
        burn_in = section.number("burn_in_h", None, low=0.0)
        pitch = section.section("pitch", None)
        asked = None
        if pitch is not None:
            if not isinstance(geometry, ParallelFingers):
                raise ScenarioError("needs a geometry of kind parallel_fingers", pitch.path)
            asked = PitchQuestion(
                pitch.number("finger_width_um", geometry.finger_width_um or None, above=0.0)
                or _missing_width(pitch),
                pitch.numbers("pitch_mm", None),
                pitch.number("horizon_h", None, above=0.0),
            )
            pitch.done()
        curves: JVSeries | None = None
        options: dict[str, Any] = {}
        measured = section.section("curves", None)
        if measured is not None:
            curves, options = self._curves(measured, cell)
            if resistance is None:
                raise ScenarioError(
                    "needs the sheet resistance at the times of the curves: give resistance, the "
                    "file of a witness film or coupon",
                    measured.path,
                )
        profile = section.section("line_profile", None)
        return ElectrodeQuestion(
            cell,
            geometry,
            start,
            resistance,
            burn_in,
            asked,
            curves,
            options,
            None if profile is None else self._within(profile, self._line_profile),
        )

    def _series_file(
        self, name: str, key_path: str, used_as: str, required: tuple[str, ...], optional: Any = ()
    ) -> SeriesFile:
        read = read_series(self._file(name, key_path), required, optional)
        self._note_measurement(used_as, name, read.sha256, read.header)
        return read

    def _resistance(self, section: Section) -> ResistanceSeries:
        from optistack.analysis.electrode import ResistanceSeries

        key_path = section.key_path("resistance")
        read = self._series_file(
            section.text("resistance"),
            key_path,
            "sheet resistance of the electrode",
            ("time_h", "sheet_resistance_ohm_sq"),
            ("low_ohm_sq", "high_ohm_sq"),
        )
        return _refused_at(
            key_path,
            lambda: ResistanceSeries(
                read["time_h"],
                read["sheet_resistance_ohm_sq"],
                read.get("low_ohm_sq"),
                read.get("high_ohm_sq"),
            ),
        )

    def _curves(self, section: Section, cell: Cell) -> tuple[JVSeries, dict[str, Any]]:
        """One file for every J-V curve; its hours from the scenario or from its header."""
        from optistack.analysis.electrode import JVSeries
        from optistack.analysis.electrode.files import CURRENT_UNITS, DENSITY_UNITS, VOLTAGE_UNITS

        key_path = section.key_path("files")
        names = section.texts("files")
        paths, hours = [], []
        for i, name in enumerate(names):
            path = self._file(name, f"{key_path}[{i}]")
            text, digest = read_text(path)
            header = header_lines(text)
            self._note_measurement("J-V curve", name, digest, header)
            paths.append(path)
            hours.append(header.get("hours"))
        stated = section.numbers("time_h", None, count=len(names))
        if stated is None:
            stated = [
                _hours(text, name, section.key_path("time_h"))
                for text, name in zip(hours, names, strict=True)
            ]
        kelvin = section.number("temperature_c", cell.temperature_k - ZERO_CELSIUS_K)
        reading = {
            "voltage_unit": section.choice("voltage_unit", tuple(VOLTAGE_UNITS), None),
            "current_unit": section.choice("current_unit", (*DENSITY_UNITS, *CURRENT_UNITS), None),
            "area_cm2": section.number("area_cm2", None, above=0.0),
            "photocurrent": section.choice("photocurrent", ("positive", "negative"), "positive"),
            "sweep": section.choice("sweep", ("rising", "falling"), None),
        }
        series = _refused_at(
            key_path,
            lambda: JVSeries.read(paths, stated, temperature_k=kelvin + ZERO_CELSIUS_K, **reading),
        )
        self.choices += _once_for_all(series.notes, [path.name for path in paths])
        options: dict[str, Any] = {
            "built_in_voltage_v": section.number("built_in_voltage_v", None, above=0.0),
            "current_sd_ma_cm2": section.number("current_sd_ma_cm2", None, above=0.0),
        }
        mobility = section.section("transient_mobility", None)
        if mobility is not None:
            options["mobility"] = self._within(mobility, _mobility)
        section.done()
        return series, options

    def _line_profile(self, section: Section) -> ProfileQuestion:
        read = self._series_file(
            section.text("file"),
            section.key_path("file"),
            "line profile across the fingers",
            ("position_mm", "signal"),
        )
        options: dict[str, Any] = {
            "kind": section.choice("kind", ("luminescence", "light_beam_current")),
            "voltage_v": section.number("voltage_v", None),
            "lit": section.flag("lit", False),
            "background": section.number("background", 0.0),
        }
        known = section.number("four_point_ohm_sq", None, above=0.0)
        sd = section.number("four_point_sd_ohm_sq", None, above=0.0)
        if known is not None:
            wide = NORMAL_95 * sd if sd is not None else None
            options["four_point_ohm_sq"] = (
                known if wide is None else Value(known, max(known - wide, 0.0), known + wide)
            )
        return ProfileQuestion(read["position_mm"], read["signal"], options)


def _refused_at(key_path: str, build: Callable[[], T]) -> T:
    """Build a value from a file; a refusal says which key names the file."""
    try:
        return build()
    except OptistackError as error:
        raise ScenarioError(str(error), key_path) from error


def _once_for_all(notes: Sequence[str], names: Sequence[str]) -> list[str]:
    """Notes on files, one where they say the same of every file."""
    alike: dict[str, list[str]] = {}
    for note in notes:
        name, _, what = note.partition(": ")
        alike.setdefault(what, []).append(name)
    return [
        f"{len(names)} J-V files: {what}" if len(given) == len(names) > 1 else f"{name}: {what}"
        for what, given in alike.items()
        for name in (given[:1] if len(given) == len(names) else given)
    ]


def _hours(text: str | None, name: str, key_path: str) -> float:
    if text is None:
        raise ScenarioError(
            f"is missing: {name} has no line '# hours: ...' that says when it was measured",
            key_path,
        )
    try:
        return float(text)
    except ValueError:
        raise ScenarioError(f"{name}: hours {text!r} is not a number", key_path) from None


def _missing_width(section: Section) -> float:
    raise ScenarioError(
        "is missing: without a finger width nothing is shaded and the narrowest pitch wins",
        section.key_path("finger_width_um"),
    )


def _cell(section: Section) -> Cell:
    from optistack.analysis.electrode import Cell, Collection

    collection = section.section("collection", None)
    field = None
    if collection is not None:
        field = Collection(
            collection.number("built_in_voltage_v", above=0.0),
            collection.number("collection_voltage_v", low=0.0),
        )
        collection.done()
    return Cell(
        section.number("photocurrent_density_ma_cm2", above=0.0),
        voc_v=section.number("voc_v", None),
        saturation_current_density_ma_cm2=section.number("saturation_current_density_ma_cm2", None),
        ideality=section.number("ideality", 1.5, above=0.0),
        shunt_resistance_ohm_cm2=section.number("shunt_resistance_ohm_cm2", None, above=0.0),
        series_resistance_ohm_cm2=section.number("series_resistance_ohm_cm2", 0.0, low=0.0),
        temperature_k=section.number("temperature_c", 25.0, above=-ZERO_CELSIUS_K) + ZERO_CELSIUS_K,
        collection=field,
    )


def _geometry(section: Section) -> Geometry:
    from optistack.analysis.electrode import (
        BusbarUnitCell,
        CounterElectrode,
        OneEdge,
        ParallelFingers,
        SquarePad,
    )

    kind = section.choice("kind", _KINDS, "parallel_fingers")
    counter = section.section("counter_electrode", None)
    options: dict[str, Any] = {"counter": None}
    if counter is not None:
        options["counter"] = CounterElectrode(
            counter.number("sheet_resistance_ohm_sq", low=0.0),
            counter.choice("contact", ("same", "opposite"), "same"),
        )
        counter.done()
    if kind == "square_pad":
        return SquarePad(section.number("side_mm"), **options)
    options["finger_width_um"] = section.number("finger_width_um", 0.0)
    options["finger_ohm_per_cm"] = section.number("finger_ohm_per_cm", 0.0)
    if kind == "busbar_and_fingers":
        return BusbarUnitCell(
            section.number("pitch_mm"),
            section.number("busbar_pitch_mm"),
            busbar_width_mm=section.number("busbar_width_mm", 0.0),
            active_under_metal=section.flag("active_under_metal", True),
            **options,
        )
    options["finger_length_mm"] = section.number("finger_length_mm", None)
    options["active_under_finger"] = section.flag("active_under_metal", True)
    if kind == "one_edge":
        return OneEdge(section.number("length_mm"), **options)
    return ParallelFingers(section.number("pitch_mm"), **options)


def _mobility(section: Section) -> TransientMobility:
    from optistack.analysis.electrode import TransientMobility

    return TransientMobility.of(
        np.array(section.numbers("mobility_cm2_vs")),
        section.number("lifetime_us"),
        section.number("thickness_nm"),
    )


def answer_electrode(
    question: ElectrodeQuestion, predicted: Mapping[str, ResistanceSeries]
) -> ElectrodeAnswer:
    """Power, lifetimes, pitch and the cause of a loss.

    Parameters
    ----------
    question : ElectrodeQuestion
    predicted : mapping of str to ResistanceSeries
        Sheet resistances that follow from coupon rates, the most trusted first; a measured series
        of the question comes before them.
    """
    from optistack.analysis.electrode import (
        OneEdge,
        ParallelFingers,
        best_pitch,
        diagnose,
        fit_line_profile,
        power_over_life,
    )

    series: dict[str, ResistanceSeries] = {}
    if question.resistance is not None:
        series["measured"] = question.resistance
    series.update(predicted)
    cell, geometry = question.cell, question.geometry
    power = question.power
    lives = {
        name: power_over_life(
            cell, geometry, one, burn_in=_inside(question.burn_in_h, one), curve=power.curve
        )
        for name, one in series.items()
    }
    pitch = None
    notes = list(power.notes)
    if question.pitch is not None and isinstance(geometry, ParallelFingers):
        if series:
            name, first = next(iter(series.items()))
            span = float(first.position[-1] - first.position[0])
            horizon = question.pitch.horizon_h
            if horizon is not None and horizon > span:
                notes.append(
                    f"pitch: the sheet resistance is known for {span:g} h, not for the "
                    f"{horizon:g} h asked for; compared over {span:g} h"
                )
                horizon = None
            pitch = best_pitch(
                cell,
                first,
                finger_width_um=question.pitch.finger_width_um,
                pitch_mm=question.pitch.pitch_mm,
                horizon_h=horizon,
                finger_length_mm=geometry.finger_length_mm,
                finger_ohm_per_cm=geometry.finger_ohm_per_cm,
                active_under_finger=geometry.active_under_finger,
                counter=geometry.counter,
            )
            notes.append(f"pitch: judged along the sheet resistance {name!r}")
        else:
            notes.append("pitch: not compared, for no rise of the sheet resistance is known")
    diagnosis = None
    if question.curves is not None and question.resistance is not None:
        if isinstance(geometry, ParallelFingers | OneEdge):
            diagnosis = diagnose(
                question.curves, geometry, question.resistance, **question.diagnosis
            )
        else:
            notes.append("the J-V curves are not explained: in two dimensions this is not done")
    profile = None
    if question.profile is not None and isinstance(geometry, ParallelFingers):
        options = dict(question.profile.options)
        with_cell = options["voltage_v"] is not None
        profile = fit_line_profile(
            question.profile.position_mm,
            question.profile.signal,
            pitch_mm=geometry.pitch_mm,
            finger_width_um=geometry.finger_width_um,
            cell=cell if with_cell else None,
            **options,
        )
    for name, life in lives.items():
        notes += [f"{name}: {note}" for note in life.notes]
    for found in (pitch, diagnosis, profile):
        if found is not None:
            notes += found.notes
    return ElectrodeAnswer(
        question, power, lives, pitch, diagnosis, profile, tuple(dict.fromkeys(notes))
    )


def _inside(burn_in_h: float | None, series: ResistanceSeries) -> float | None:
    """The end of burn-in, where the series reaches that far."""
    if burn_in_h is None or burn_in_h >= series.position[-1]:
        return None
    return burn_in_h
