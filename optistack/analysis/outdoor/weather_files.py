"""Weather files and loggers: reading a year of irradiance."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.outdoor.climate import (
    COLUMNS,
    STAMPS,
    Climate,
    Missing,
    Stamp,
    assemble,
)
from optistack.analysis.outdoor.sun import require_pvlib
from optistack.errors import OptistackError, QuestionError, TableError
from optistack.series_file import header_lines, is_invented, named_rows
from optistack.spectra import BandNm
from optistack.tables import read_text

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Time = NDArray[np.datetime64]
Kind = Literal["epw", "tmy3", "pvgis", "csv"]

KINDS: tuple[Kind, ...] = ("epw", "tmy3", "pvgis", "csv")
_OFFSET = re.compile(r"^(?:UTC|GMT)?([+-])(\d{1,2})(?::?(\d{2}))?$")


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
        for ours, theirs in COLUMNS.items()
        if theirs in frame
    }
    stamps = frame.index.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[ms]")
    offset = frame.index[0].utcoffset()
    return assemble(
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
    require_pvlib()
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
        for ours, theirs in COLUMNS.items()
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
    climate = assemble(
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
    expected = "the columns time, ghi_w_m2 and any of " + ", ".join(list(COLUMNS)[1:])
    (first, names), *rows = named_rows(text, path, expected)
    for name in ("time", "ghi_w_m2"):
        if name not in names:
            raise TableError(f"column {name} is missing; expected {expected}", path, first)
    for name in names:
        if name != "time" and name not in COLUMNS:
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
    climate = assemble(
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
    if is_invented(header):
        note = f"climate {path.name}: invented data"
        return replace(climate, notes=(note, *climate.notes))
    return climate


def _times(
    cells: Sequence[tuple[int, str]], zone: tzinfo | None, path: Path
) -> tuple[Time, timedelta]:
    """UTC of local times in their order; the hour that comes twice in autumn by its place."""
    out: list[datetime] = []
    offset: timedelta | None = None

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
            moment = local.astimezone(UTC)
            if moment.astimezone(zone).replace(tzinfo=None) != read:
                raise TableError(
                    f"the time {cell} does not exist in {zone}: clocks go forward over it. If the "
                    "record keeps winter time all year, state a fixed offset such as "
                    'timezone = "UTC+01:00"',
                    path,
                    line,
                )
            if out and moment <= out[-1]:
                moment = local.replace(fold=1).astimezone(UTC)
            offset = offset if offset is not None else local.utcoffset()
        else:
            moment = read.astimezone(UTC)
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
