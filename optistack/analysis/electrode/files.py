"""J-V curves from text files: columns and units by their headings."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.electrode.common import positive
from optistack.errors import OptistackError, TableError
from optistack.tables import read_text

Real = NDArray[np.float64]
Sweep = Literal["rising", "falling"]

VOLTAGE_UNITS = {"V": 1.0, "mV": 1e-3}
# To mA/cm2; those without an area need the area of the cell.
DENSITY_UNITS = {
    "mA/cm2": 1.0,
    "A/cm2": 1e3,
    "uA/cm2": 1e-3,
    "A/m2": 0.1,
    "mA/m2": 1e-4,
}
CURRENT_UNITS = {"A": 1e3, "mA": 1.0, "uA": 1e-3}

_VOLTAGE_NAMES = {"v", "u", "voltage", "volt", "bias", "potential"}
_CURRENT_NAMES = {"j", "i", "current", "density"}
# A number is nothing that a heading begins with.
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_DELIMITERS = ("\t", ";", ",", None)


@dataclass(frozen=True, eq=False)
class JVReading:
    """One sweep out of a file.

    Attributes
    ----------
    path : str
    voltage_v : (v,) array
        In the order of the file.
    current_density_ma_cm2 : (v,) array
        Positive where the cell gives current.
    notes : tuple of str
        How the file was read.
    """

    path: str
    voltage_v: Real
    current_density_ma_cm2: Real
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Sheet:
    """Rows of numbers, the first at index ``first``, below their headings at ``line``."""

    headings: tuple[str, ...]
    rows: Real
    line: int
    first: int
    delimiter: str | None


def read_jv(
    path: str | Path,
    *,
    voltage_unit: str | None = None,
    current_unit: str | None = None,
    area_cm2: float | None = None,
    photocurrent: Literal["positive", "negative"] = "positive",
    sweep: Sweep | None = None,
) -> JVReading:
    """Read one J-V sweep from a text file.

    Columns are found by their headings: voltage (V, U, bias) and current (J, I, current density).
    Units stand in the headings, "voltage (mV)", "J [mA/cm2]", or are given here.

    Parameters
    ----------
    path : str or Path
        Tab, semicolon, comma or blanks between the columns; a decimal comma is understood where
        it does not also separate.
    voltage_unit : "V" or "mV", optional
    current_unit : "mA/cm2", "A/cm2", "uA/cm2", "A/m2", "mA/m2", "A", "mA" or "uA", optional
    area_cm2 : float, optional
        Needed for a current without an area.
    photocurrent : "positive" or "negative"
        Sign of the photocurrent in the file.
    sweep : "rising" or "falling", optional
        Which one is meant where the file holds both.

    Raises
    ------
    TableError
        No headings, no such column or two of them, no unit or an unknown one; rows of numbers that
        do not belong to the table.
    OptistackError
        A current without an area; both directions in one file and none chosen; voltages in no
        order.
    """
    path = Path(path)
    sheet = _sheet(path)
    v_column, v_unit = _find(
        sheet, path, _VOLTAGE_NAMES, "voltage", tuple(VOLTAGE_UNITS), voltage_unit
    )
    known = (*DENSITY_UNITS, *CURRENT_UNITS)
    j_column, j_unit = _find(sheet, path, _CURRENT_NAMES, "current", known, current_unit)
    voltage = sheet.rows[:, v_column] * VOLTAGE_UNITS[v_unit]
    notes = [f"{path.name}: voltage in {v_unit}, current in {j_unit}"]
    if j_unit in DENSITY_UNITS:
        current = sheet.rows[:, j_column] * DENSITY_UNITS[j_unit]
    elif area_cm2 is None:
        raise OptistackError(
            f"{path.name}: the current is in {j_unit}, not per area: give area_cm2"
        )
    else:
        positive("area", area_cm2, "cm2")
        current = sheet.rows[:, j_column] * CURRENT_UNITS[j_unit] / area_cm2
        notes.append(f"{path.name}: divided by {area_cm2:g} cm2")
    if photocurrent not in ("positive", "negative"):
        raise OptistackError(f"photocurrent is {photocurrent!r}: 'positive' or 'negative'")
    if photocurrent == "negative":
        current = -current
        notes.append(f"{path.name}: sign of the current turned")
    part, said = _one_sweep(voltage, sweep, path)
    return JVReading(str(path), voltage[part], current[part], (*notes, *said))


def _one_sweep(voltage: Real, sweep: Sweep | None, path: Path) -> tuple[slice, tuple[str, ...]]:
    """Rows of the sweep that is meant."""
    if sweep not in (None, "rising", "falling"):
        raise OptistackError(f"sweep is {sweep!r}: 'rising' or 'falling'")
    steps = np.sign(np.diff(voltage))
    turns = np.flatnonzero(steps[1:] * steps[:-1] <= 0) + 1 if len(steps) else np.array([])
    # A point measured twice where the sweep turns belongs to both directions.
    ends = [0, *(int(t) for t in turns), len(voltage) - 1]
    pieces = [
        (slice(a, b + 1), float(np.sign(voltage[b] - voltage[a])))
        for a, b in zip(ends[:-1], ends[1:], strict=True)
        if b - a >= 2
    ]
    covered = sum(p.stop - p.start - 1 for p, _ in pieces)
    if len(pieces) > 2 or covered < len(voltage) - 3:
        raise OptistackError(
            f"{path.name}: the voltages are in no order (they turn {len(turns)} times). A J-V file "
            "holds one sweep, or one up and one down, in the order in which it was measured"
        )
    if len(pieces) == 1 and sweep is None:
        return pieces[0][0], ()
    if sweep is None:
        raise OptistackError(
            f"{path.name}: the file holds a rising and a falling sweep; say which one is meant: "
            "sweep='rising' or sweep='falling'"
        )
    wanted = 1.0 if sweep == "rising" else -1.0
    for piece, direction in pieces:
        if direction == wanted:
            said = () if len(pieces) == 1 else (f"{path.name}: the {sweep} sweep of two",)
            return piece, said
    raise OptistackError(f"{path.name}: the file holds no {sweep} sweep")


def _sheet(path: Path) -> _Sheet:
    text, _ = read_text(path)
    lines = text.splitlines()
    best: _Sheet | None = None
    for delimiter in _DELIMITERS:
        found = _block(lines, delimiter)
        if found is not None and (best is None or len(found.rows) > len(best.rows)):
            best = found
    if best is None:
        raise TableError("no two columns of numbers", path)
    if not any(re.search(r"[A-Za-z]", h) for h in best.headings):
        raise TableError(
            "the columns have no headings: a line such as 'voltage (V), current (mA/cm2)' must "
            "stand above the numbers",
            path,
            best.line,
        )
    _refuse_others(lines, best, path)
    return best


def _refuse_others(lines: list[str], sheet: _Sheet, path: Path) -> None:
    """No reading may be lost: neither another table above nor any row below the one that is read.

    Below a table only what begins with a word is a remark.
    """
    stop = sheet.first + len(sheet.rows)
    for i, line in enumerate(lines):
        if sheet.first <= i < stop or line.lstrip().startswith("#"):
            continue
        cells = _cells(line, sheet.delimiter)
        numbers = [_number(c, sheet.delimiter) is not None for c in cells if c]
        reading = bool(cells) and (
            len(numbers) >= 2 and all(numbers)
            if i < sheet.first
            else _number(cells[0], sheet.delimiter) is not None
        )
        if reading:
            raise TableError(
                f"numbers that do not belong to the {len(sheet.rows)} rows that begin on line "
                f"{sheet.first + 1}: a cell is missing, or there is a second table. Give a file "
                "with one complete table; a line that is no reading may begin with #",
                path,
                i + 1,
            )


def _block(lines: list[str], delimiter: str | None) -> _Sheet | None:
    """Longest run of rows with the same number of numbers, and the line above it."""
    best: tuple[int, list[list[float]]] | None = None
    run: list[list[float]] = []
    begin = 0
    for i, line in enumerate([*lines, ""]):
        cells = _cells(line, delimiter)
        numbers = [_number(c, delimiter) for c in cells] if len(cells) >= 2 else []
        row = [x for x in numbers if x is not None]
        fits = bool(row) and len(row) == len(numbers) and (not run or len(row) == len(run[0]))
        if fits:
            begin = begin if run else i
            run.append(row)
            continue
        if run and (best is None or len(run) > len(best[1])):
            best = (begin, run)
        run = []
    if best is None:
        return None
    begin, rows = best
    above = begin - 1
    while above >= 0 and not lines[above].strip("# \t"):
        above -= 1
    headings = _cells(lines[above].lstrip("# "), delimiter) if above >= 0 else []
    # Blanks also stand inside a heading: units in brackets are part of the word before.
    if delimiter is None and above >= 0:
        headings = re.findall(r"[^\s(\[]+(?:\s*[(\[][^)\]]*[)\]])?", lines[above].lstrip("# "))
    if len(headings) != len(rows[0]):
        headings = [""] * len(rows[0])
    return _Sheet(tuple(headings), np.array(rows), above + 1, begin, delimiter)


def _cells(line: str, delimiter: str | None) -> list[str]:
    return [c.strip() for c in line.strip().split(delimiter)]


def _number(cell: str, delimiter: str | None) -> float | None:
    if not _NUMBER.fullmatch(cell) or (delimiter == "," and "," in cell):
        return None
    return float(cell.replace(",", "."))


def _find(
    sheet: _Sheet,
    path: Path,
    names: set[str],
    what: str,
    units: tuple[str, ...],
    asked: str | None,
) -> tuple[int, str]:
    """Column and unit of a quantity."""
    if asked is not None and asked not in units:
        raise OptistackError(f"{what} unit is {asked!r}: one of {', '.join(units)}")
    found = []
    for i, heading in enumerate(sheet.headings):
        words = re.split(r"[\s_(\[/,]+", heading.lower())
        if names & set(words):
            found.append((i, heading))
    if len(found) != 1:
        listed = ", ".join(repr(h) for h in sheet.headings)
        raise TableError(
            f"{'no' if not found else 'more than one'} column of {what} among the headings "
            f"{listed}",
            path,
            sheet.line,
        )
    at, heading = found[0]
    if asked is not None:
        return at, asked
    unit = _unit_of(heading, units)
    if unit is None:
        raise TableError(
            f"the heading {heading!r} names no unit of {what} that is known: one of "
            f"{', '.join(units)} in brackets, or given as {what}_unit",
            path,
            sheet.line,
        )
    return at, unit


def _unit_of(heading: str, units: tuple[str, ...]) -> str | None:
    """Unit in brackets or behind the name, however its powers are written."""
    inside = re.search(r"[(\[]([^)\]]*)[)\]]\s*$", heading)
    text = inside.group(1) if inside else re.sub(r"^[^\s_/]+(_density| density)?", "", heading)
    text = text.replace("\u00b5", "u").replace("\u03bc", "u").replace("\u00b2", "2")
    compact = re.sub(r"[\s_^*.\u00b7\u2212-]", "", text).removeprefix("/").lower()
    for unit in units:
        if compact.replace("/", "") == unit.lower().replace("/", ""):
            return unit
    return None
