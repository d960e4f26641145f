"""An entry of an exposure log: a lamp, its set point, a stretch of time, the specimens."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from optistack.errors import OptistackError
from optistack.spectra import BandNm, Spectrum
from optistack.spectral_math import band_key

ORIENTATIONS = ("", "film side", "glass side", "front", "rear")
MICROSECONDS_PER_H = 3_600_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TICK = timedelta(microseconds=1)
_BAND = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?- ?([0-9]+(?:\.[0-9]+)?)")


def ticks(moment: datetime) -> int:
    """Whole microseconds since 1970 of a moment that knows its offset."""
    return (moment - _EPOCH) // _TICK


def moment(tick: int) -> datetime:
    """The moment, in UTC, of so many microseconds since 1970."""
    return _EPOCH + tick * _TICK


def in_utc(value: datetime, what: str) -> datetime:
    """A moment in UTC; one without offset is refused."""
    if value.tzinfo is None:
        raise OptistackError(
            f"{what} {value.isoformat()} has no time zone; give it one, for example "
            'tzinfo=zoneinfo.ZoneInfo("Europe/Paris")'
        )
    try:
        return value.astimezone(UTC)
    except OverflowError:
        raise OptistackError(
            f"{what} {value.isoformat()} lies outside the years 1 to 9999"
        ) from None


def band_from_text(text: str) -> BandNm:
    """A band from its name: the inverse of `optistack.spectral_math.band_key`.

    Examples
    --------
    >>> band_from_text("300-400")
    (300.0, 400.0)
    """
    found = _BAND.fullmatch(text.strip())
    band = (float(found[1]), float(found[2])) if found else (0.0, 0.0)
    if not 0 < band[0] < band[1] < math.inf:
        raise OptistackError(
            f"{text[:40]!r} is no band; write its limits in nm, for example 300-400"
        )
    return band


@dataclass(frozen=True)
class SetPoint:
    """What the meter of a chamber is set to, at the sample plane, front side, without filters.

    Attributes
    ----------
    value : float
        [W/(m2 nm)] with ``at_nm``, [W/m2] with ``band_nm``.
    at_nm : float [nm] or None
    band_nm : (float, float) [nm] or None
        The band that the meter reads.

    Raises
    ------
    OptistackError
        A value that is not positive; not exactly one of ``at_nm`` and ``band_nm``.
    """

    value: float
    at_nm: float | None = None
    band_nm: BandNm | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.value > 0):
            raise OptistackError(
                f"set point {self.value:g} must be positive; leave out times when the lamp is off"
            )
        if (self.at_nm is None) == (self.band_nm is None):
            raise OptistackError(
                "a set point is in W/m2/nm at a wavelength (at_nm) or in W/m2 in a band (band_nm); "
                f"{'neither' if self.at_nm is None else 'both'} of them is given"
            )
        if self.at_nm is not None and not (math.isfinite(self.at_nm) and self.at_nm > 0):
            raise OptistackError(f"at_nm {self.at_nm:g} must be a wavelength in nm")
        if self.band_nm is not None and not 0 < self.band_nm[0] < self.band_nm[1] < math.inf:
            raise OptistackError(f"band_nm {band_key(self.band_nm)} nm is not a band")

    @property
    def unit(self) -> str:
        """W/m2/nm or W/m2."""
        return "W/m2" if self.at_nm is None else "W/m2/nm"

    def __str__(self) -> str:
        where = f"at {self.at_nm:g}" if self.band_nm is None else f"in {band_key(self.band_nm)}"
        return f"{self.value:g} {self.unit} {where} nm"

    def apply(self, light: Spectrum) -> Spectrum:
        """The light with every variant scaled so that the meter reads this.

        Raises
        ------
        OptistackError
            No light where the meter reads; a spectrum that does not cover the meter's band.

        Examples
        --------
        >>> from optistack.spectra import spectrum
        >>> lamp = SetPoint(40.0, band_nm=(300.0, 400.0)).apply(spectrum("uva340"))
        >>> print(f"{float(lamp(340.0)):.3f} W/m2/nm at 340 nm")
        0.714 W/m2/nm at 340 nm
        """
        if self.at_nm is not None:
            light.require((self.at_nm, self.at_nm))
            return light.at_set_point(self.at_nm, self.value)
        return light.at_irradiance(self.band_nm, self.value)  # type: ignore[arg-type]


@dataclass(frozen=True)
class LogEntry:
    """One row of an exposure log.

    Attributes
    ----------
    start, end : datetime
        With their offset from UTC; kept in UTC.
    lamp : str
        Its name in the log; `dose_ledger` is told its spectrum.
    set_point : SetPoint
    specimens : tuple of str
    filter : str
        Empty: none. It stands between lamp and specimens, without inter-reflections.
    orientation : str
        One of `ORIENTATIONS`: which face of the specimen is lit.
    angle_deg : float [deg]
        Between the specimen's plane and that of the meter.
    lamp_hours : float [h] or None
        Reading of the lamp's hour meter at the start.
    comment : str
    path, line
        Where the row stands.

    Raises
    ------
    OptistackError
        An end that does not come after the start, no specimen, one named twice, a moment without
        time zone, an angle outside 0 to 90 degrees.
    """

    start: datetime
    end: datetime
    lamp: str
    set_point: SetPoint
    specimens: tuple[str, ...]
    filter: str = ""
    orientation: str = ""
    angle_deg: float = 0.0
    lamp_hours: float | None = None
    comment: str = ""
    path: str | None = None
    line: int | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "start", in_utc(self.start, "start"))
        object.__setattr__(self, "end", in_utc(self.end, "end"))
        object.__setattr__(self, "specimens", tuple(self.specimens))
        if self.start == self.end:
            raise OptistackError("the entry has no length: start and end are the same moment")
        if self.end < self.start:
            raise OptistackError(
                f"the entry ends ({self.end.isoformat()}) before it starts "
                f"({self.start.isoformat()}), both in UTC"
            )
        if not self.lamp:
            raise OptistackError("the entry names no lamp")
        if not self.specimens or not all(self.specimens):
            raise OptistackError("the entry names no specimen, or an empty one; part names with ;")
        double = [s for s in self.specimens if self.specimens.count(s) > 1]
        if double:
            raise OptistackError(f"specimen {double[0]!r} is named twice in one entry")
        if self.orientation not in ORIENTATIONS:
            raise OptistackError(
                f"orientation {self.orientation!r} is not one of "
                f"{', '.join(ORIENTATIONS[1:])}, or empty"
            )
        if not 0 <= self.angle_deg < 90:
            raise OptistackError(f"angle_deg {self.angle_deg:g} must be from 0 to below 90")
        if self.lamp_hours is not None and not (
            math.isfinite(self.lamp_hours) and self.lamp_hours >= 0
        ):
            raise OptistackError(f"lamp_hours {self.lamp_hours:g} must not be negative")

    @property
    def span(self) -> tuple[int, int]:
        """Start and end in whole microseconds since 1970."""
        return ticks(self.start), ticks(self.end)

    @property
    def hours(self) -> float:
        """Length [h]."""
        start, end = self.span
        return (end - start) / MICROSECONDS_PER_H

    @property
    def where(self) -> str:
        """For messages: "line 7", or the times of an entry without file."""
        if self.line is not None:
            return f"line {self.line}"
        return f"entry {self.start.isoformat()} to {self.end.isoformat()}"

    def said(self, message: str) -> str:
        """A message about this entry, with its times where no file has a line for it."""
        return message if self.path is not None else f"{self.where}: {message}"
