"""Measured or typical irradiance through a year, in equal steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError, TableError
from optistack.spectra import BandNm

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Time = NDArray[np.datetime64]
Stamp = Literal["start", "middle", "end"]
Missing = Literal["refuse", "leave_out", "clear_sky"]

STAMPS: tuple[Stamp, ...] = ("start", "middle", "end")
MISSING: tuple[Missing, ...] = ("refuse", "leave_out", "clear_sky")
# Thermal offset of a pyranometer at night: a reading down to this is a zero [W/m2].
LEAST_W_M2 = -10.0
MOST_W_M2 = 2000.0
SHORTEST_STEP_H, LONGEST_STEP_H = 0.05, 1.0
# Typical years are made of months of different years: put into this one, which is no leap year.
TYPICAL_YEAR = 2023

COLUMNS = {
    "ghi_w_m2": "ghi",
    "dni_w_m2": "dni",
    "dhi_w_m2": "dhi",
    "uv_w_m2": "uv",
    "temperature_c": "temp_air",
}


@dataclass(frozen=True, eq=False)
class Climate:
    """Irradiance on the horizontal through a year, in equal steps without a hole.

    Attributes
    ----------
    name : str
    time : (step,) array of datetime64, UTC
        Middle of each step.
    step_h : float [h]
    ghi_w_m2 : (step,) array [W/m2]
        Global horizontal; NaN where missing.
    dni_w_m2, dhi_w_m2 : (step,) arrays or None [W/m2]
        Direct normal, diffuse horizontal.
    uv_w_m2 : (step,) array or None [W/m2]
        Measured on the horizontal in ``uv_band_nm``.
    uv_band_nm : (float, float) or None [nm]
    temperature_c : (step,) array or None [degree C]
    latitude_deg, longitude_deg : float or None [degree]
        Where the file says it was measured.
    missing : "refuse", "leave_out" or "clear_sky"
        What `site_light` does about steps without a value while the sun is up.
    notes : tuple of str
    """

    name: str
    time: Time
    step_h: float
    ghi_w_m2: Real
    dni_w_m2: Real | None = None
    dhi_w_m2: Real | None = None
    uv_w_m2: Real | None = None
    uv_band_nm: BandNm | None = None
    temperature_c: Real | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    missing: Missing = "refuse"
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.missing not in MISSING:
            raise OptistackError(
                f"climate {self.name}: missing must be one of {', '.join(MISSING)}, not "
                f"{self.missing!r}"
            )
        if (self.uv_w_m2 is None) != (self.uv_band_nm is None):
            raise OptistackError(
                f"climate {self.name}: a measured UV column needs its band, and a band its column "
                "(uv_band_nm, for example 280-400)"
            )
        if self.uv_band_nm is not None:
            low, high = self.uv_band_nm
            if not (200 <= low < high <= 420 and high > 310):
                raise OptistackError(
                    f"climate {self.name}: uv_band_nm {low:g}-{high:g}: a meter's band lies within "
                    "200-420 nm and ends above 310 nm, where the clear-sky model has light"
                )
        for name in ("time", "ghi_w_m2", "dni_w_m2", "dhi_w_m2", "uv_w_m2", "temperature_c"):
            array = getattr(self, name)
            if array is None:
                continue
            kind: Any = "datetime64[ms]" if name == "time" else float
            array = np.array(array, dtype=kind)
            if array.shape != np.shape(self.time) or array.ndim != 1 or not array.size:
                raise OptistackError(f"climate {self.name}: {name} needs one value for every step")
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    def to_frame(self) -> pd.DataFrame:
        """One row per step."""
        import pandas as pd

        columns: dict[str, Any] = {
            "time_utc": pd.DatetimeIndex(self.time.astype("datetime64[ns]"), tz="UTC")
        }
        for name in COLUMNS:
            if getattr(self, name) is not None:
                columns[name] = getattr(self, name)
        return pd.DataFrame(columns)


class _Where(NamedTuple):
    """The file and, for a row of values, its line."""

    path: str | Path
    lines: Sequence[int] | None

    def at(self, row: int | None = None) -> tuple[str | Path, int | None]:
        line = None if row is None or self.lines is None else self.lines[row]
        return self.path, line


def assemble(
    name: str,
    stamps: Time,
    columns: Mapping[str, Real],
    stamp: Stamp,
    *,
    offset: timedelta,
    uv_band_nm: BandNm | None,
    place: tuple[float | None, float | None],
    year: int | None,
    missing: Missing,
    path: Path | None = None,
    lines: Sequence[int] | None = None,
    typical: bool = False,
) -> Climate:
    """Times to middles in UTC without holes, readings checked."""

    where = _Where(path or f"climate {name}", lines)
    if stamp not in STAMPS:
        raise TableError(f"stamp must be one of {', '.join(STAMPS)}, not {stamp!r}", *where.at())
    if stamps.size < 2:
        raise TableError("at least two steps are needed", *where.at())
    notes: list[str] = []
    values = dict(columns)
    for key, array in values.items():
        if key != "temperature_c":
            values[key] = _readings(name, key, array, stamps, where, notes)
    shift = np.timedelta64(round(offset.total_seconds() * 1000), "ms")
    steps = np.diff(stamps)
    step = np.min(steps[steps > np.timedelta64(0, "ms")])
    to_middle = {"start": step // 2, "middle": 0 * step, "end": -(step // 2)}[stamp]
    middle = stamps + to_middle
    if typical:
        middle, values = _one_year(name, middle, shift, values, notes)
    if year is not None:
        local = middle + shift
        first = np.datetime64(f"{year:04d}-01-01", "ms")
        kept = (local >= first) & (local < np.datetime64(f"{year + 1:04d}-01-01", "ms"))
        if not kept.any():
            raise TableError(f"no row lies in the year {year}", *where.at())
        middle, values = middle[kept], {k: v[kept] for k, v in values.items()}
        if lines is not None:
            where = _Where(where.path, [lines[int(i)] for i in np.flatnonzero(kept)])
    steps = np.diff(middle)
    if (steps <= np.timedelta64(0, "ms")).any():
        row = int(np.flatnonzero(steps <= np.timedelta64(0, "ms"))[0]) + 1
        raise TableError(f"the times do not increase at {middle[row]} (UTC)", *where.at(row))
    step_h = float(step / np.timedelta64(3600000, "ms"))
    if not SHORTEST_STEP_H - 1e-9 <= step_h <= LONGEST_STEP_H:
        raise TableError(
            f"steps of {step_h:g} h; between {SHORTEST_STEP_H:g} and {LONGEST_STEP_H:g} h are "
            "needed: average or interpolate first",
            *where.at(),
        )
    if (steps % step != np.timedelta64(0, "ms")).any():
        row = int(np.flatnonzero(steps % step != np.timedelta64(0, "ms"))[0]) + 1
        raise TableError(
            f"the time step changes at {middle[row]} (UTC): {steps[row - 1]}", *where.at(row)
        )
    time, place_of = _whole_year(middle, step, shift, where)
    filled = {k: np.full(time.size, np.nan) for k in values}
    for key, array in values.items():
        filled[key][place_of] = array
    return Climate(
        name,
        time,
        step_h,
        filled["ghi_w_m2"],
        filled.get("dni_w_m2"),
        filled.get("dhi_w_m2"),
        filled.get("uv_w_m2"),
        uv_band_nm,
        filled.get("temperature_c"),
        place[0],
        place[1],
        missing,
        tuple(notes),
    )


def _readings(
    name: str, key: str, array: Real, stamps: Time, where: _Where, notes: list[str]
) -> Real:
    """A column of irradiance without small negative readings."""
    for wrong, what in (
        (array < LEAST_W_M2, f"below {LEAST_W_M2:g} W/m2 is no offset of a pyranometer"),
        (array > MOST_W_M2, f"above {MOST_W_M2:g} W/m2 is no sunlight; check the unit"),
    ):
        if wrong.any():
            row = int(np.flatnonzero(wrong)[0])
            raise TableError(
                f"{key}: {array[row]:g} at {stamps[row]} (UTC), {int(wrong.sum())} such readings: "
                + what,
                *where.at(row),
            )
    negative = array < 0
    if negative.any():
        notes.append(
            f"climate {name}: {int(negative.sum())} readings of {key} between "
            f"{array[negative].min():g} and 0 W/m2, the zero offset of the meter, are taken as 0"
        )
    return np.where(negative, 0.0, array)


def _one_year(
    name: str, middle: Time, shift: np.timedelta64, values: Mapping[str, Real], notes: list[str]
) -> tuple[Time, dict[str, Real]]:
    """Months of different years put into one, in local time; 29 February is left out."""
    local = middle + shift
    month_start = local.astype("datetime64[M]")
    years = np.unique(local.astype("datetime64[Y]"))
    day = (local.astype("datetime64[D]") - month_start).astype(int) + 1
    month = month_start.astype(int) % 12 + 1
    leap_day = (month == 2) & (day == 29)
    is_leap = years.size == 1 and (
        np.datetime64(f"{years[0]}-03-01", "D") - np.datetime64(f"{years[0]}-02-01", "D")
    ) == np.timedelta64(29, "D")
    if years.size == 1 and not (is_leap and not leap_day.any()):
        return middle, dict(values)
    kept = ~leap_day
    if leap_day.any():
        notes.append(
            f"climate {name}: 29 February ({int(leap_day.sum())} rows) is left out of the typical "
            "year of 365 days"
        )
    if years.size > 1:
        notes.append(
            f"climate {name}: months of the years {years[0]} to {years[-1]}, put into "
            f"{TYPICAL_YEAR}"
        )
    else:
        notes.append(f"climate {name}: {years[0]} without its 29 February, put into {TYPICAL_YEAR}")
    target = np.datetime64(f"{TYPICAL_YEAR}-01", "M") + (month - 1)
    moved = target.astype("datetime64[ms]") + (local - month_start.astype("datetime64[ms]"))
    return moved[kept] - shift, {k: v[kept] for k, v in values.items()}


def _whole_year(
    middle: Time, step: np.timedelta64, shift: np.timedelta64, where: _Where
) -> tuple[Time, NDArray[np.intp]]:
    """All middles of the year that the record belongs to, and where its own lie."""
    day = np.timedelta64(86400000, "ms")
    span = middle[-1] - middle[0] + step
    if span > 366 * day:
        raise TableError(
            f"holds {span / day:.0f} days; one year is needed: state year = ... for one of them",
            *where.at(),
        )
    first = middle[0]
    start = (first + shift).astype("datetime64[Y]")
    begin, end = (x.astype("datetime64[ms]") - shift for x in (start, start + 1))
    if middle[-1] < end:  # within a calendar year of local time: all of that year
        first = first - ((first - begin) // step) * step
        count = int((end - begin) // step)
    else:
        count = int(max(span, 365 * day) // step)
    place = ((middle - first) // step).astype(int)
    return first + np.arange(count) * step, np.asarray(place, dtype=np.intp)
