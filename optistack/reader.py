"""Two columns out of an instrument's text export, with every assumption said aloud.

Delimiter, decimal sign, header and trailer are found from the numbers themselves. Where two
readings of a file are both plausible, the file is refused and the message asks which one is meant.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optistack.errors import TableError
from optistack.tables import read_text

Real = NDArray[np.float64]
Unit = Literal["fraction", "percent"]

_DELIMITERS = {";": "semicolon", "\t": "tab", ",": "comma", " ": "blanks"}
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_PERCENT = re.compile(r"%")
# A fraction cannot exceed this, a percentage cannot exceed a hundred times it.
_MOST = 1.02


@dataclass(frozen=True, eq=False)
class Reading:
    """Two columns as read, wavelengths increasing.

    Attributes
    ----------
    name, path, sha256 : str
    wavelength_nm, values : (row,) arrays
        Values are fractions when ``unit`` was asked for, else as they stand in the file.
    assumptions : tuple of str
        How the file was read.
    """

    name: str
    path: str
    sha256: str
    wavelength_nm: Real
    values: Real
    assumptions: tuple[str, ...]


@dataclass(frozen=True)
class _Block:
    delimiter: str
    decimal: str
    first_line: int
    rows: tuple[tuple[float, ...], ...]
    heading: str
    unread: int  # line of the first row of as many numbers outside the block, or 0
    broken_at: int  # line that cuts the block in two, or 0


def read_columns(
    path: str | Path,
    *,
    unit: Unit | None = None,
    fraction: bool = True,
    delimiter: str | None = None,
    decimal: str | None = None,
    column: int | None = None,
) -> Reading:
    """Read wavelength [nm] and one column of values.

    Parameters
    ----------
    path : str or Path
    unit : "fraction" or "percent", optional
        Taken from the file's header when it says %; refused when neither tells.
    fraction : bool
        The values are fractions of something (transmittance, quantum efficiency).
    delimiter : str, optional
        ";", ",", tab or blank.
    decimal : "." or ",", optional
    column : int, optional
        Which column holds the values, from 2; needed when there are more than two.

    Raises
    ------
    TableError
        Missing or binary file, no block of numbers, two plausible readings, repeated or unordered
        wavelengths, values out of range for the unit.
    """
    path = Path(path)
    text, digest = read_text(path)
    block = _find_block(text, path, delimiter, decimal)
    width = len(block.rows[0])
    if width > 2 and column is None:
        raise TableError(
            f"{width} columns; say which one holds the values with column = 2 to {width}",
            path,
            block.first_line,
        )
    column = column or 2
    if not 2 <= column <= width:
        raise TableError(f"column {column} does not exist: there are {width}", path)
    data = np.array([(row[0], row[column - 1]) for row in block.rows])
    lam, values = data[:, 0], data[:, 1]
    said = [
        f"{path.name}: {len(lam)} rows from line {block.first_line}, "
        f"{_DELIMITERS[block.delimiter]}-delimited, decimal "
        f"{'comma' if block.decimal == ',' else 'point'}"
    ]
    if block.unread:
        said.append(f"{path.name}: other rows of numbers, from line {block.unread}, are not read")
    steps = np.diff(lam)
    if (steps < 0).all() and steps.size:
        lam, values = lam[::-1].copy(), values[::-1].copy()
        said.append(f"{path.name}: wavelengths run from long to short; reversed")
    elif not (steps > 0).all():
        row = int(np.flatnonzero(steps * np.sign(steps[0] or 1) <= 0)[0]) + 1
        word = "is repeated" if steps[row - 1] == 0 else "is out of order"
        raise TableError(f"wavelength {lam[row]:g} nm {word}", path, block.first_line + row)
    if lam[0] < 100 or lam[-1] > 30000:
        raise TableError(
            f"first column from {lam[0]:g} to {lam[-1]:g}: expected wavelengths in nm",
            path,
            block.first_line,
        )
    if fraction:
        values, how = _as_fraction(values, unit, block.heading, path)
        said.append(how)
    return Reading(path.stem, str(path), digest, lam, values, tuple(said))


def _as_fraction(values: Real, unit: Unit | None, heading: str, path: Path) -> tuple[Real, str]:
    largest = float(values.max())
    if unit is None and _PERCENT.search(heading):
        unit, why = "percent", "as its header says"
    elif unit is not None:
        why = "as stated"
    elif largest > _MOST:
        unit, why = "percent", f"since values reach {largest:g}"
    else:
        raise TableError(
            f'values reach {largest:g}: percent or fraction? State unit = "percent" or '
            'unit = "fraction"',
            path,
        )
    scale = 0.01 if unit == "percent" else 1.0
    if unit == "percent" and largest <= 1:
        why += f"; the largest is only {largest:g} %: are they fractions?"
    if largest * scale > _MOST or values.min() * scale < -0.01:
        raise TableError(
            f"values from {values.min():g} to {largest:g} are no {unit} "
            f"(kept from {-0.01 / scale:g} to {_MOST / scale:g}); is the unit wrong?",
            path,
        )
    return values * scale, f"{path.name}: values are {unit}, {why}"


def _find_block(text: str, path: Path, delimiter: str | None, decimal: str | None) -> _Block:
    lines = text.splitlines()
    found: list[_Block] = []
    for mark in _DELIMITERS if delimiter is None else [delimiter]:
        if mark not in _DELIMITERS:
            raise TableError(f"delimiter {mark!r} is not one of ; , tab blank", path)
        for point in (".", ",") if decimal is None else (decimal,):
            if point not in (".", ","):
                raise TableError(f'decimal {point!r} is neither "." nor ","', path)
            if point == mark:
                continue
            block = _longest(lines, mark, point)
            if block is not None:
                found.append(block)
    if not found:
        raise TableError("no block of at least two rows of numbers in two columns", path)
    most = max(len(b.rows) for b in found)
    best = [b for b in found if len(b.rows) == most]
    different = [b for b in best if b.rows != best[0].rows]
    if different:

        def name(b: _Block) -> str:
            point = "comma" if b.decimal == "," else "point"
            return f"{_DELIMITERS[b.delimiter]} with decimal {point} ({b.rows[0]})"

        raise TableError(
            f"two readings are plausible: {name(best[0])}, or {name(different[0])}. State "
            "delimiter and decimal",
            path,
            best[0].first_line,
        )
    if best[0].broken_at:
        raise TableError(
            "this line cuts the rows of numbers in two, and the wavelengths go on after it. Give "
            "its value, or take the line out",
            path,
            best[0].broken_at,
        )
    return best[0]


def _longest(lines: list[str], delimiter: str, decimal: str) -> _Block | None:
    """The longest run of lines with the same number (two or more) of numeric cells."""
    runs: list[tuple[int, list[tuple[float, ...]]]] = []
    start = 0
    run: list[tuple[float, ...]] = []
    for number, line in enumerate([*lines, ""]):
        row = _cells(line, delimiter, decimal)
        if row is not None and (not run or len(row) == len(run[0])):
            if not run:
                start = number
            run.append(row)
            continue
        if run:
            runs.append((start, run))
        start, run = number, [row] if row is not None else []
    if not runs:
        return None
    at = max(range(len(runs)), key=lambda i: len(runs[i][1]))
    start, run = runs[at]
    if len(run) < 2:
        return None
    broken = 0
    for first, second in ((at - 1, at), (at, at + 1)):
        if first >= 0 and second < len(runs) and _goes_on(runs[first][1], runs[second][1]):
            broken = runs[first][0] + len(runs[first][1]) + 1
    unread = [s + 1 for i, (s, r) in enumerate(runs) if i != at and len(r[0]) == len(run[0])]
    heading = lines[start - 1] if start > 0 else ""
    return _Block(
        delimiter, decimal, start + 1, tuple(run), heading, min(unread, default=0), broken
    )


def _goes_on(first: list[tuple[float, ...]], second: list[tuple[float, ...]]) -> bool:
    """Whether two runs of rows are one series of wavelengths, cut by a line of something else."""
    if len(first[0]) != len(second[0]) or min(len(first), len(second)) < 2:
        return False
    steps = np.diff([row[0] for row in (*first, *second)])
    return bool((steps > 0).all() or (steps < 0).all())


def _cells(line: str, delimiter: str, decimal: str) -> tuple[float, ...] | None:
    parts = line.split() if delimiter == " " else line.strip().split(delimiter)
    parts = [p.strip() for p in parts]
    while parts and not parts[-1]:
        parts.pop()  # a trailing delimiter
    if len(parts) < 2:
        return None
    out = []
    for part in parts:
        plain = part.replace(",", ".") if decimal == "," else part
        if decimal == "," and "." in part:
            return None
        if not _NUMBER.fullmatch(plain):
            return None
        out.append(float(plain))
    return tuple(out)
