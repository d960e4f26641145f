"""The file that an exposure log comes in: one row per stretch of time under a lamp."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from decimal import Decimal, InvalidOperation
from pathlib import Path

from optistack.analysis.dose_ledger.entries import (
    MICROSECONDS_PER_H,
    LogEntry,
    SetPoint,
    band_from_text,
    in_utc,
)
from optistack.errors import OptistackError, TableError
from optistack.series_file import header_lines, is_invented, named_rows
from optistack.tables import MAX_ROWS, printable, read_text

REQUIRED = ("start", "lamp", "set_point", "set_point_unit", "specimen")
OPTIONAL = (
    "end",
    "hours",
    "at_nm",
    "band_nm",
    "filter",
    "orientation",
    "angle_deg",
    "lamp_hours",
    "comment",
)
UNITS = ("W/m2/nm", "W/m2")
MAX_SPECIMENS = 10_000
_MAX_NAME = 200
_NO_FILTER = ("", "none", "-")
_MOMENT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}.*", re.ASCII)


@dataclass(frozen=True)
class ExposureLog:
    """The entries of a log file.

    Attributes
    ----------
    entries : tuple of LogEntry
        In the order of the rows.
    name : str
    timezone : str or None
        Of the times without offset.
    invented : bool
    sha256 : str
    """

    entries: tuple[LogEntry, ...]
    name: str
    timezone: str | None
    invented: bool
    sha256: str

    def __iter__(self) -> Iterator[LogEntry]:
        return iter(self.entries)

    def __len__(self) -> int:
        return len(self.entries)


def read_log(path: str | Path, *, timezone: str | None = None) -> ExposureLog:
    """Read an exposure log from a CSV file with named columns.

    Needed: ``start``, ``end`` or ``hours``, ``lamp``, ``set_point``, ``set_point_unit`` ("W/m2/nm"
    with ``at_nm``, "W/m2" with ``band_nm`` as 300-400), ``specimen`` (several parted by ;). Allowed
    beside them: ``filter``, ``orientation``, ``angle_deg``, ``lamp_hours``, ``comment``. Lines that
    begin with # are comments; "# timezone: Europe/Paris" and "# invented: true" are understood.

    Parameters
    ----------
    path : str or Path
    timezone : str, optional
        Of times without offset, a name such as "Europe/Paris" or "UTC"; what the file states when
        not given.

    Raises
    ------
    TableError
        With file and line: an unknown or missing column, a time that does not exist, is there
        twice, or has no time zone, an entry without length, a cell that makes no sense.
    """
    path = Path(path)
    text, digest = read_text(path)
    stated = header_lines(text)
    name = timezone or stated.get("timezone") or None
    wanted = f"{', '.join(REQUIRED)}, end or hours, and if needed {', '.join(OPTIONAL[2:])}"
    (first, names), *rows = named_rows(text, path, f"the columns {wanted}, and then entries")
    if len(rows) > MAX_ROWS:
        raise TableError(f"{len(rows)} rows are more than a log can have ({MAX_ROWS})", path)
    _check_names(names, wanted, path, first)
    try:
        zone = None if name is None else time_zone(name)
    except OptistackError as error:
        raise TableError(str(error), path) from None
    entries = []
    met: set[str] = set()
    for line, row in rows:
        try:
            entry = _entry(dict(zip(names, row, strict=True)), zone, path, line)
        except TableError:
            raise
        except OptistackError as error:
            raise TableError(str(error), path, line) from None
        entries.append(entry)
        met.update(entry.specimens)
        if len(met) > MAX_SPECIMENS:
            raise TableError(f"more than {MAX_SPECIMENS} specimens", path, line)
    return ExposureLog(tuple(entries), path.stem, name, is_invented(stated), digest)


def time_zone(name: str) -> tzinfo:
    """A time zone by its name, "Europe/Paris" or "UTC".

    Raises
    ------
    OptistackError
        No zone of that name.
    """
    if name.upper() in ("UTC", "Z"):
        return UTC
    import zoneinfo

    try:
        return zoneinfo.ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        import difflib

        known = sorted(zoneinfo.available_timezones())
        close = difflib.get_close_matches(name[:80], known, n=3)
        hint = f" Did you mean {', '.join(close)}?" if close else ""
        if not known:
            hint = " This machine has no time zone data: install the package tzdata"
        raise OptistackError(
            f"there is no time zone {name[:80]!r}; names are like Europe/Paris or UTC.{hint}"
        ) from None


def moment_from_text(text: str, zone: tzinfo | None, what: str) -> datetime:
    """A moment in UTC from its text in ISO 8601.

    Parameters
    ----------
    text : str
        "2026-03-01T08:30", with or without offset ("+01:00", "Z").
    zone : tzinfo or None
        Of a time without offset.
    what : str
        For messages.

    Raises
    ------
    OptistackError
        Not such a time; no offset and no zone; a local time that the clocks skip, or show twice.

    Examples
    --------
    >>> print(moment_from_text("2026-03-01T08:30+01:00", None, "start"))
    2026-03-01 07:30:00+00:00
    """
    shown = printable(text[:40])
    try:
        found = datetime.fromisoformat(text) if _MOMENT.fullmatch(text) else None
    except ValueError:
        found = None
    if found is None:
        raise OptistackError(
            f"{what}: {shown!r} is no date with a time of day; write 2026-03-01T08:30, or with the "
            "offset from UTC 2026-03-01T08:30+01:00"
        )
    if found.tzinfo is not None:
        return in_utc(found, what)
    if zone is None:
        raise OptistackError(
            f"{what}: {shown!r} is a local time, and no time zone is stated. State timezone = "
            '"Europe/Paris" (--timezone), add a line "# timezone: Europe/Paris" to the log, or '
            f"write the offset: {shown}+01:00"
        )
    early, late = (found.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    utc = in_utc(early, what)
    if utc.astimezone(zone).replace(tzinfo=None) != found:
        raise OptistackError(
            f"{what}: {shown} does not exist in {zone}: the clocks were put forward over it. Write "
            "the time with its offset from UTC"
        )
    if early.utcoffset() != late.utcoffset():
        raise OptistackError(
            f"{what}: {shown} came twice in {zone}, as the clocks were put back. Write which one: "
            f"{early.isoformat()} or {late.isoformat()}"
        )
    return utc


def _check_names(names: list[str], wanted: str, path: Path, line: int) -> None:
    for name in names:
        if name not in (*REQUIRED, *OPTIONAL):
            raise TableError(f"unknown column {name[:40]!r}; expected {wanted}", path, line)
        if names.count(name) > 1:
            raise TableError(f"column {name} stands there twice", path, line)
    for name in REQUIRED:
        if name not in names:
            raise TableError(f"column {name} is missing; expected {wanted}", path, line)
    if "end" not in names and "hours" not in names:
        raise TableError("column end or hours is missing", path, line)


def _entry(cells: Mapping[str, str], zone: tzinfo | None, path: Path, line: int) -> LogEntry:
    start = moment_from_text(cells["start"], zone, "start")
    if bool(cells.get("end")) == bool(cells.get("hours")):
        given = "both" if cells.get("end") else "neither"
        raise OptistackError(f"an entry has either an end or hours; {given} of them is given")
    if cells.get("end"):
        end = moment_from_text(cells["end"], zone, "end")
    else:
        try:
            end = start + timedelta(microseconds=_microseconds(cells["hours"]))
        except OverflowError:
            raise OptistackError(f"hours: {cells['hours'][:40]!r} lead beyond year 9999") from None
    name = cells.get("filter", "")
    return LogEntry(
        start=start,
        end=end,
        lamp=_name(cells["lamp"], "lamp"),
        set_point=_set_point(cells),
        specimens=tuple(_name(x.strip(), "specimen") for x in cells["specimen"].split(";")),
        filter="" if name.lower() in _NO_FILTER else _name(name, "filter"),
        orientation=cells.get("orientation", ""),
        angle_deg=_number(cells["angle_deg"], "angle_deg") if cells.get("angle_deg") else 0.0,
        lamp_hours=_number(cells["lamp_hours"], "lamp_hours") if cells.get("lamp_hours") else None,
        comment=cells.get("comment", ""),
        path=str(path),
        line=line,
    )


def _set_point(cells: Mapping[str, str]) -> SetPoint:
    unit = cells["set_point_unit"]
    if unit not in UNITS:
        raise OptistackError(f"set_point_unit {unit[:40]!r} is not one of {', '.join(UNITS)}")
    needed, other = ("at_nm", "band_nm") if unit == "W/m2/nm" else ("band_nm", "at_nm")
    if not cells.get(needed) or cells.get(other):
        raise OptistackError(
            f"a set point in {unit} needs {needed}, and {other} empty: what the meter reads is in "
            f"{'W/m2/nm at one wavelength' if needed == 'at_nm' else 'W/m2 in a band'}"
        )
    value = _number(cells["set_point"], "set_point")
    if needed == "at_nm":
        return SetPoint(value, at_nm=_number(cells["at_nm"], "at_nm"))
    return SetPoint(value, band_nm=band_from_text(cells["band_nm"]))


def _microseconds(text: str) -> int:
    """Hours as whole microseconds, rounded to the nearest."""
    try:
        hours = Decimal(text)
    except InvalidOperation:
        raise OptistackError(f"hours: {text[:40]!r} is not a number") from None
    if not (hours.is_finite() and 0 < hours < 10**8) or "_" in text:
        raise OptistackError(f"hours: {text[:40]!r} must be positive hours")
    return int((hours * MICROSECONDS_PER_H).to_integral_value())


def _number(text: str, what: str) -> float:
    try:
        value = float(text)
        if "_" in text or not math.isfinite(value):  # Python reads 1_000 as a number
            raise ValueError
    except ValueError:
        raise OptistackError(f"{what}: {text[:40]!r} is not a number") from None
    return value


def _name(text: str, what: str) -> str:
    if not text or len(text) > _MAX_NAME or text != printable(text):
        raise OptistackError(
            f"{what}: {printable(text[:40])!r} is no name: 1 to {_MAX_NAME} printable characters"
        )
    return text
