"""The standard weathering cycles: set point, phases, and how each was come by.

The rows stand in shared/reference/exposure_set_points.csv. What a row does not say stays unknown;
what it says with a doubt ("blank in source", "from memory, unverified") keeps the doubt.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal

from optistack.errors import OptistackError, TableError
from optistack.series_file import named_rows
from optistack.spectra import BandNm, Spectrum, spectrum
from optistack.spectral_math import band_key
from optistack.tables import data_folder, read_text
from optistack.value import Value

PhaseLight = Literal["on", "off", "not stated"]

# Which table stands for a lamp of the list; the others have none here.
SPECTRA = {
    "fluorescent UVA-340": "uva340",
    "fluorescent UVB-313": "uvb313",
    "xenon, daylight": "xenon_daylight",
}
# What a phase's name says about the lamp. Condensation needs a dark lamp; whether it burns while
# water is sprayed differs between cycles, and most rows do not say.
_LIGHT: dict[str, PhaseLight] = {
    "light": "on",
    "light+spray": "on",
    "dry": "on",
    "UV": "on",
    "condensation": "off",
    "spray": "not stated",
}
_PHASE = re.compile(
    r"(?P<time>\d+(?:\.\d+)?) (?P<unit>h|min) "
    r"(?P<name>light\+spray|light|dry|UV|condensation|spray)"
)
_NUMBER = r"(\d+(?:\.\d+)?)(?:\+-(\d+(?:\.\d+)?))?"
_COLUMNS = (
    "standard",
    "cycle",
    "source",
    "irradiance",
    "wavelength_nm",
    "unit",
    "conditions",
    "status",
)


@dataclass(frozen=True)
class SetPoint:
    """Irradiance at one wavelength, or in a band.

    Attributes
    ----------
    value : float [W/(m2 nm) or W/m2]
    wavelength_nm : float or None [nm]
    band_nm : (float, float) or None [nm]
        Exactly one of both is given.
    tolerance : float or None
    doubt : str
        What the source lacks, in its own words.
    """

    value: float
    wavelength_nm: float | None = None
    band_nm: BandNm | None = None
    tolerance: float | None = None
    doubt: str = ""

    @property
    def label(self) -> str:
        """For screens, with unit and limits."""
        value = f"{self.value:g}" + ("" if self.tolerance is None else f" +- {self.tolerance:g}")
        doubt = f" ({self.doubt})" if self.doubt else ""
        if self.band_nm is not None:
            return f"{value} W/m2 in {band_key(self.band_nm)} nm{doubt}"
        return f"{value} W/m2/nm at {self.wavelength_nm:g} nm{doubt}"

    def of(self, light: Spectrum) -> Spectrum:
        """A lamp's spectrum at this set point."""
        if self.band_nm is not None:
            return light.at_irradiance(self.band_nm, self.value)
        if self.wavelength_nm is None:
            raise OptistackError("a set point needs a wavelength or a band")
        return light.at_set_point(self.wavelength_nm, self.value)


@dataclass(frozen=True)
class Phase:
    """A part of a cycle.

    Attributes
    ----------
    name : str
        As the list writes it: dry, UV, light, light+spray, spray, condensation.
    hours : float [h]
    light : "on", "off" or "not stated"
    """

    name: str
    hours: float
    light: PhaseLight


@dataclass(frozen=True)
class Cycle:
    """One row of the list.

    Attributes
    ----------
    standard, cycle : str
    lamp : str
        As the list writes it.
    spectrum : str or None
        The table that stands for the lamp; None: no spectrum here.
    set_points : tuple of SetPoint
        More than one where the standard states alternatives.
    phases : tuple of Phase
        Empty where the row does not state times.
    conditions : str
        Temperatures, humidity and times in the row's own words, with its marks.
    status : str
        "read: ..." or "from memory, unverified".
    """

    standard: str
    cycle: str
    lamp: str
    spectrum: str | None
    set_points: tuple[SetPoint, ...]
    phases: tuple[Phase, ...]
    conditions: str
    status: str

    @property
    def name(self) -> str:
        """Standard and cycle."""
        return f"{self.standard}, {self.cycle}"

    @property
    def mark(self) -> str:
        """The status for screens: "read" or "from memory, unverified"; doubts in the row added."""
        mark = "read" if self.status.startswith("read") else self.status
        if mark == "read" and "memory" in self.conditions:
            mark += "; in part from memory"
        doubts = [s.doubt for s in self.set_points if s.doubt]
        if doubts:
            mark += f"; set point {doubts[0]}"
        return mark

    @property
    def light_share(self) -> Value | None:
        """Hours of light per hour of the clock; a range where a phase does not say; None unknown.

        Examples
        --------
        >>> by_name = {c.name: c for c in standard_cycles()}
        >>> by_name["ASTM G154, 1"].light_share.format()
        '0.667'
        >>> by_name["ISO 4892-3 table 4, 3"].light_share.format()
        '0.833 (0.833 to 1)'
        """
        total = sum(p.hours for p in self.phases)
        if not total > 0:
            return None
        on = sum(p.hours for p in self.phases if p.light == "on") / total
        open_ = sum(p.hours for p in self.phases if p.light == "not stated") / total
        return Value(on, on, min(1.0, on + open_))

    @property
    def timing(self) -> str:
        """The phases in words."""
        if not self.phases:
            return "times not stated"
        lamp = {"on": "lamp on", "off": "lamp off", "not stated": "lamp not stated"}
        if len(self.phases) == 1 and self.phases[0].light == "on":
            return "light all the time"
        return "; ".join(f"{p.hours:g} h {p.name} ({lamp[p.light]})" for p in self.phases)

    def light(self, set_point: SetPoint) -> Spectrum:
        """The lamp at one of its set points.

        Raises
        ------
        OptistackError
            No spectrum of this lamp here.
        """
        if self.spectrum is None:
            raise OptistackError(
                f"{self.name}: no spectrum of {self.lamp} comes with optistack; bring a measured "
                "one and plan with it"
            )
        return set_point.of(spectrum(self.spectrum))


def standard_cycles() -> tuple[Cycle, ...]:
    """The weathering cycles that come with optistack, each with its mark.

    Examples
    --------
    >>> first = standard_cycles()[0]
    >>> print(first.name, "|", first.set_points[0].label, "|", first.timing)
    ASTM G155, 1 | 0.35 W/m2/nm at 340 nm | 1.7 h light (lamp on); 0.3 h light+spray (lamp on)
    >>> print(first.mark)
    read; in part from memory
    >>> sorted({c.lamp for c in standard_cycles() if c.spectrum is None})
    ['fluorescent UVA-351', 'xenon, extended UV', 'xenon, window glass']
    """
    return _read(data_folder("shared") / "reference" / "exposure_set_points.csv")


@lru_cache(maxsize=4)
def _read(path: Path) -> tuple[Cycle, ...]:
    text, _ = read_text(path)
    (first, names), *rows = named_rows(text, path, ", ".join(_COLUMNS))
    if tuple(names) != _COLUMNS:
        raise TableError(f"expected the columns {', '.join(_COLUMNS)}", path, first)
    out = []
    for line, row in rows:
        cells = dict(zip(names, row, strict=True))
        out.append(
            Cycle(
                standard=cells["standard"],
                cycle=cells["cycle"],
                lamp=cells["source"],
                spectrum=SPECTRA.get(cells["source"]),
                set_points=_set_points(cells, path, line),
                phases=_phases(cells["conditions"]),
                conditions=cells["conditions"],
                status=cells["status"],
            )
        )
    return tuple(out)


def _set_points(cells: dict[str, str], path: Path, line: int) -> tuple[SetPoint, ...]:
    values = cells["irradiance"].split(" or ")
    places = cells["wavelength_nm"].split(" / ")
    if len(values) != len(places):
        raise TableError(
            f"irradiance {cells['irradiance']!r} and wavelength_nm {cells['wavelength_nm']!r} do "
            "not match",
            path,
            line,
        )
    out = []
    for text, place in zip(values, places, strict=True):
        found = re.fullmatch(rf"{_NUMBER}(?: at [\d.]+| \((.*)\))?", text)
        where = re.fullmatch(r"(\d+(?:\.\d+)?)(?:-(\d+(?:\.\d+)?))?", place)
        if found is None or where is None:
            raise TableError(f"irradiance {text!r} at {place!r} is not a set point", path, line)
        number, tolerance, remark = found.groups()
        low, high = where.groups()
        repeats = remark is None or remark == f"{place} nm"
        out.append(
            SetPoint(
                value=float(number),
                wavelength_nm=None if high else float(low),
                band_nm=(float(low), float(high)) if high else None,
                tolerance=None if tolerance is None else float(tolerance),
                doubt="" if repeats else str(remark),
            )
        )
    return tuple(out)


def _phases(conditions: str) -> tuple[Phase, ...]:
    if "continuously dry" in conditions:
        return (Phase("dry", 1.0, "on"),)
    return tuple(
        Phase(
            m["name"],
            float(m["time"]) / (60.0 if m["unit"] == "min" else 1.0),
            _LIGHT[m["name"]],
        )
        for m in _PHASE.finditer(conditions)
    )
