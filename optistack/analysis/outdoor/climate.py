"""Measured or typical irradiance through a year, from weather files and loggers."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError, QuestionError, TableError
from optistack.series_file import header_lines, named_rows
from optistack.spectra import BandNm
from optistack.tables import read_text

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Time = NDArray[np.datetime64]
Kind = Literal["epw", "tmy3", "pvgis", "csv"]
Stamp = Literal["start", "middle", "end"]
Missing = Literal["refuse", "leave_out", "clear_sky"]

KINDS: tuple[Kind, ...] = ("epw", "tmy3", "pvgis", "csv")
STAMPS: tuple[Stamp, ...] = ("start", "middle", "end")
MISSING: tuple[Missing, ...] = ("refuse", "leave_out", "clear_sky")
# Thermal offset of a pyranometer at night: a reading down to this is a zero [W/m2].
LEAST_W_M2 = -10.0
MOST_W_M2 = 2000.0
SHORTEST_STEP_H, LONGEST_STEP_H = 0.05, 1.0
# Typical years are made of months of different years: put into this one, which is no leap year.
TYPICAL_YEAR = 2023

_COLUMNS = {
    "ghi_w_m2": "ghi",
    "dni_w_m2": "dni",
    "dhi_w_m2": "dhi",
    "uv_w_m2": "uv",
    "temperature_c": "temp_air",
}
_OFFSET = re.compile(r"^(?:UTC|GMT)?([+-])(\d{1,2})(?::?(\d{2}))?$")


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
        for name in _COLUMNS:
            if getattr(self, name) is not None:
                columns[name] = getattr(self, name)
        return pd.DataFrame(columns)


def read_climate(
    path: str | Path,
    *,
    kind: Kind | None = None,
    timezone: str | None = None,
    stamp: Stamp | None = None,
    uv_band_nm: BandNm | None = None,
    year: int | None = None,
    missing: Missing = "refuse",
) -> Climate:
    """Read a year of irradiance.

    Parameters
    ----------
    path : str or Path
    kind : "epw", "tmy3", "pvgis" or "csv", optional
        By the ending and first line when not given. The first three are read by pvlib. "csv": the
        columns ``time``, ``ghi_w_m2`` and any of ``dni_w_m2``, ``dhi_w_m2``, ``uv_w_m2``,
        ``temperature_c``; an empty cell is a missing value; "# key: value" lines may hold
        ``timezone``, ``stamp``, ``uv_band_nm``, ``latitude_deg`` and ``longitude_deg``.
    timezone : str, optional
        Of times that carry no offset: an IANA name, with its summer time, or a fixed offset
        ("UTC+01:00").
    stamp : "start", "middle" or "end", optional
        Which part of the step the time names. EPW: start (as pvlib reads it); TMY3: end.
    uv_band_nm : (float, float), optional [nm]
        Band of the ``uv_w_m2`` column.
    year : int, optional
        Only this calendar year of a longer record.
    missing : "refuse", "leave_out" or "clear_sky"

    Raises
    ------
    QuestionError
        Time zone, stamp or band not known.
    TableError
        With file and line: what cannot be read, times that do not exist or do not increase,
        readings that are no irradiance.
    """
    path = Path(path)
    text, _ = read_text(path)
    kind = kind or _guess(path, text)
    if kind not in KINDS:
        raise TableError(f"kind must be one of {', '.join(KINDS)}, not {kind!r}", path)
    if kind == "csv":
        return _own_csv(path, text, timezone, stamp, uv_band_nm, year, missing)
    return _by_pvlib(path, kind, stamp, year, missing)


def climate_from_frame(
    frame: pd.DataFrame,
    *,
    name: str,
    stamp: Stamp,
    uv_band_nm: BandNm | None = None,
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
    year: int | None = None,
    missing: Missing = "refuse",
) -> Climate:
    """A climate from what any reader of pvlib gives: columns ghi, dni, dhi, uv, temp_air.

    Parameters
    ----------
    frame : DataFrame
        Its index holds times with a time zone.
    name, stamp, uv_band_nm, year, missing
        As in `read_climate`.

    Raises
    ------
    OptistackError
        No time zone, no column ghi; otherwise as in `read_climate`.
    """
    import pandas as pd

    if not isinstance(frame.index, pd.DatetimeIndex) or frame.index.tz is None:
        raise OptistackError(f"climate {name}: the index must hold times with a time zone")
    if "ghi" not in frame:
        raise OptistackError(f"climate {name}: no column ghi")
    columns = {
        ours: np.array(frame[theirs], dtype=float)
        for ours, theirs in _COLUMNS.items()
        if theirs in frame
    }
    stamps = frame.index.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[ms]")
    offset = frame.index[0].utcoffset()
    return _assemble(
        name,
        np.asarray(stamps),
        columns,
        stamp,
        offset=offset or timedelta(0),
        uv_band_nm=uv_band_nm,
        place=(latitude_deg, longitude_deg),
        year=year,
        missing=missing,
    )


def _guess(path: Path, text: str) -> Kind:
    ending = path.suffix.lower()
    first = text.lstrip("\ufeff").split("\n", 1)[0]
    if ending == ".epw" or first.startswith("LOCATION,"):
        return "epw"
    if ending == ".json" or first.startswith("Latitude (decimal degrees)"):
        return "pvgis"
    second = text.split("\n", 2)[1] if text.count("\n") > 1 else ""
    if second.startswith("Date (MM/DD/YYYY),"):
        return "tmy3"
    return "csv"


def _by_pvlib(
    path: Path, kind: Kind, stamp: Stamp | None, year: int | None, missing: Missing
) -> Climate:
    from pvlib import iotools

    try:
        if kind == "epw":
            frame, meta = iotools.read_epw(str(path))
            place: tuple[Any, Any] = (meta["latitude"], meta["longitude"])
        elif kind == "tmy3":
            frame, meta = iotools.read_tmy3(str(path), map_variables=True)
            place = (meta["latitude"], meta["longitude"])
        else:
            frame, meta = iotools.read_pvgis_tmy(
                str(path), pvgis_format="json" if path.suffix.lower() == ".json" else "csv"
            )
            inputs = meta.get("inputs", meta)
            where = inputs.get("location", inputs)
            place = (where.get("latitude"), where.get("longitude"))
    except OptistackError:
        raise
    except Exception as error:
        raise TableError(f"cannot be read as {kind}: {error}", path) from None
    conventions: dict[str, Stamp] = {"epw": "start", "tmy3": "end"}
    if stamp is None and kind == "pvgis":
        raise QuestionError(
            "values of a PVGIS year belong to an instant of each hour that depends on the data "
            "set: which part of the hour does the time name",
            "stamp",
            STAMPS,
            path,
        )
    columns = {
        ours: np.array(frame[theirs], dtype=float)
        for ours, theirs in _COLUMNS.items()
        if theirs in frame
    }
    if "ghi_w_m2" not in columns:
        raise TableError("no global horizontal irradiance", path)
    for key, values in columns.items():  # what these files write for "missing"
        none = values >= 9999 if key != "temperature_c" else values >= 99.9
        columns[key] = np.where(none | (values <= -9000), np.nan, values)
    index = frame.index
    offset = index[0].utcoffset() or timedelta(0)
    stamps = index.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[ms]")
    latitude, longitude = (None if x is None else float(x) for x in place)
    climate = _assemble(
        path.name,
        np.asarray(stamps),
        columns,
        stamp or conventions[kind],
        offset=offset,
        uv_band_nm=None,
        place=(latitude, longitude),
        year=year,
        missing=missing,
        path=path,
        typical=True,
    )
    said = f"climate {path.name}: {kind}, times name the {stamp or conventions[kind]} of the hour"
    return replace(climate, notes=(said, *climate.notes))


def _own_csv(
    path: Path,
    text: str,
    zone_name: str | None,
    stamp: Stamp | None,
    uv_band_nm: BandNm | None,
    year: int | None,
    missing: Missing,
) -> Climate:
    header = header_lines(text)
    expected = "the columns time, ghi_w_m2 and any of " + ", ".join(list(_COLUMNS)[1:])
    (first, names), *rows = named_rows(text, path, expected)
    for name in ("time", "ghi_w_m2"):
        if name not in names:
            raise TableError(f"column {name} is missing; expected {expected}", path, first)
    for name in names:
        if name != "time" and name not in _COLUMNS:
            raise TableError(f"unknown column {name!r}; expected {expected}", path, first)
        if names.count(name) > 1:
            raise TableError(f"column {name} stands there twice", path, first)
    stamp = stamp or header.get("stamp")  # type: ignore[assignment]
    if stamp is None:
        raise QuestionError(
            "which part of the step does the time name", "stamp", STAMPS, path, first
        )
    zone_name = zone_name or header.get("timezone")
    zone = None if zone_name is None else _zone(zone_name, path)
    if uv_band_nm is None and "uv_band_nm" in header:
        uv_band_nm = _band(header["uv_band_nm"], path)
    if "uv_w_m2" in names and uv_band_nm is None:
        raise QuestionError("which band does uv_w_m2 hold", "uv_band_nm", (), path, first)
    at = names.index("time")
    stamps, offset = _times([(n, row[at]) for n, row in rows], zone, path)
    columns = {
        name: np.array([_cell(row[j], name, path, n) for n, row in rows])
        for j, name in enumerate(names)
        if name != "time"
    }
    place = tuple(_number(header.get(k), k, path) for k in ("latitude_deg", "longitude_deg"))
    climate = _assemble(
        path.name,
        stamps,
        columns,
        stamp,
        offset=offset,
        uv_band_nm=uv_band_nm if "uv_w_m2" in names else None,
        place=(place[0], place[1]),
        year=year,
        missing=missing,
        path=path,
        lines=[n for n, _ in rows],
    )
    if header.get("invented", "").lower() == "true":
        note = f"climate {path.name}: invented data"
        return replace(climate, notes=(note, *climate.notes))
    return climate


def _times(
    cells: Sequence[tuple[int, str]], zone: tzinfo | None, path: Path
) -> tuple[Time, timedelta]:
    """UTC of local times in their order; the hour that comes twice in autumn by its place."""
    out: list[datetime] = []
    offset: timedelta | None = None
    utc = UTC
    for line, cell in cells:
        try:
            read = datetime.fromisoformat(cell)
        except ValueError:
            raise TableError(
                f"time {cell!r} is not of the form 2023-06-01T12:30 (with +02:00 or Z where the "
                "offset is known)",
                path,
                line,
            ) from None
        if read.tzinfo is None:
            if zone is None:
                raise QuestionError(
                    "the times carry no offset: in which zone are they", "timezone", (), path, line
                )
            local = read.replace(tzinfo=zone)
            moment = local.astimezone(utc)
            if moment.astimezone(zone).replace(tzinfo=None) != read:
                raise TableError(
                    f"the time {cell} does not exist in {zone}: clocks go forward over it. If the "
                    "record keeps winter time all year, state a fixed offset such as "
                    'timezone = "UTC+01:00"',
                    path,
                    line,
                )
            if out and moment <= out[-1]:
                moment = local.replace(fold=1).astimezone(utc)
            offset = offset if offset is not None else local.utcoffset()
        else:
            moment = read.astimezone(utc)
            offset = offset if offset is not None else read.utcoffset()
        if out and moment <= out[-1]:
            what = "stands there twice" if moment == out[-1] else "comes before the one above it"
            raise TableError(f"the time {cell} {what}", path, line)
        out.append(moment)
    stamps = np.array([m.replace(tzinfo=None) for m in out], dtype="datetime64[ms]")
    return stamps, offset or timedelta(0)


def _zone(name: str, path: Path) -> tzinfo:
    fixed = _OFFSET.match(name.replace(" ", ""))
    if fixed:
        sign = 1 if fixed[1] == "+" else -1
        shift = timedelta(hours=int(fixed[2]), minutes=int(fixed[3] or 0))
        if shift < timedelta(hours=24):
            return timezone(sign * shift, name)
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise TableError(
            f'unknown time zone {name!r}; give an IANA name such as "Europe/Oslo" or a fixed '
            'offset such as "UTC+01:00"',
            path,
        ) from None


def _band(text: str, path: Path) -> BandNm:
    low, _, high = text.replace("nm", "").partition("-")
    try:
        return float(low), float(high)
    except ValueError:
        raise TableError(f"uv_band_nm: {text!r} is not of the form 280-400", path) from None


def _cell(cell: str, name: str, path: Path, line: int) -> float:
    if cell.strip().lower() in ("", "nan", "na"):
        return float("nan")
    try:
        value = float(cell)
    except ValueError:
        raise TableError(f"{name}: {cell!r} is not a number", path, line) from None
    if not np.isfinite(value):
        raise TableError(f"{name}: {cell!r} is not a finite number", path, line)
    return value


def _number(cell: str | None, name: str, path: Path) -> float | None:
    if cell is None:
        return None
    try:
        return float(cell)
    except ValueError:
        raise TableError(f"{name}: {cell!r} is not a number", path) from None


def _assemble(
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

    def refuse(message: str, row: int | None = None) -> TableError:
        line = None if row is None or lines is None else lines[row]
        return TableError(message, path or f"climate {name}", line)

    if stamp not in STAMPS:
        raise refuse(f"stamp must be one of {', '.join(STAMPS)}, not {stamp!r}")
    if stamps.size < 2:
        raise refuse("at least two steps are needed")
    notes: list[str] = []
    values = dict(columns)
    for key, array in values.items():
        if key != "temperature_c":
            values[key] = _readings(name, key, array, stamps, refuse, notes)
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
            raise refuse(f"no row lies in the year {year}")
        middle, values = middle[kept], {k: v[kept] for k, v in values.items()}
    steps = np.diff(middle)
    if (steps <= np.timedelta64(0, "ms")).any():
        row = int(np.flatnonzero(steps <= np.timedelta64(0, "ms"))[0]) + 1
        raise refuse(f"the times do not increase at {middle[row]} (UTC)", row)
    step_h = float(step / np.timedelta64(3600000, "ms"))
    if not SHORTEST_STEP_H - 1e-9 <= step_h <= LONGEST_STEP_H:
        raise refuse(
            f"steps of {step_h:g} h; between {SHORTEST_STEP_H:g} and {LONGEST_STEP_H:g} h are "
            "needed: average or interpolate first"
        )
    if (steps % step != np.timedelta64(0, "ms")).any():
        row = int(np.flatnonzero(steps % step != np.timedelta64(0, "ms"))[0]) + 1
        raise refuse(f"the time step changes at {middle[row]} (UTC): {steps[row - 1]}", row)
    time, place_of = _whole_year(middle, step, shift, refuse)
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
    name: str, key: str, array: Real, stamps: Time, refuse: Any, notes: list[str]
) -> Real:
    """A column of irradiance without small negative readings."""
    for wrong, what in (
        (array < LEAST_W_M2, f"below {LEAST_W_M2:g} W/m2 is no offset of a pyranometer"),
        (array > MOST_W_M2, f"above {MOST_W_M2:g} W/m2 is no sunlight; check the unit"),
    ):
        if wrong.any():
            row = int(np.flatnonzero(wrong)[0])
            raise refuse(
                f"{key}: {array[row]:g} at {stamps[row]} (UTC), {int(wrong.sum())} such readings: "
                + what,
                row,
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
    middle: Time, step: np.timedelta64, shift: np.timedelta64, refuse: Any
) -> tuple[Time, NDArray[np.intp]]:
    """All middles of the year that the record belongs to, and where its own lie."""
    day = np.timedelta64(86400000, "ms")
    span = middle[-1] - middle[0] + step
    if span > 366 * day:
        raise refuse(
            f"holds {span / day:.0f} days; one year is needed: state year = ... for one of them"
        )
    first = middle[0]
    if span < 365 * day:
        # The calendar year in local time, where the record lies within it.
        start = (first + shift).astype("datetime64[Y]")
        end = (start + 1).astype("datetime64[ms]") - shift
        begin = start.astype("datetime64[ms]") - shift
        if middle[-1] < end:
            first = first - ((first - begin) // step) * step
            count = int((end - begin) // step)
        else:
            count = int(365 * day // step)
    else:
        count = int(span // step)
    place = ((middle - first) // step).astype(int)
    return first + np.arange(count) * step, np.asarray(place, dtype=np.intp)
