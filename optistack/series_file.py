"""Measurements in a CSV file with named columns: resistance against time, J-V curves, profiles.

Lines that begin with # are comments; "# key: value" lines are kept. The first other line names the
columns, units at the end of the names.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from optistack.errors import TableError
from optistack.tables import read_text

Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SeriesFile:
    """Columns of numbers out of a file.

    Attributes
    ----------
    path : Path
    columns : mapping of str to (row,) array
        Every column that was asked for and is there.
    lines : tuple of int
        Line of every row in the file.
    header : mapping of str to str
        The "# key: value" lines.
    sha256 : str
    """

    path: Path
    columns: Mapping[str, Real]
    lines: tuple[int, ...]
    header: Mapping[str, str]
    sha256: str

    @property
    def invented(self) -> bool:
        """Whether the file says that its numbers are made up."""
        return is_invented(self.header)

    def __getitem__(self, name: str) -> Real:
        return self.columns[name]

    def get(self, name: str) -> Real | None:
        """A column that may be missing."""
        return self.columns.get(name)


def read_series(
    path: str | Path, required: Sequence[str], optional: Sequence[str] = ()
) -> SeriesFile:
    """Read named columns of numbers.

    Parameters
    ----------
    path : str or Path
    required, optional : sequence of str
        Names of columns. Any other column is refused: a misspelt name must not go unnoticed.

    Raises
    ------
    TableError
        With file and line: no rows, a missing or unknown column, a cell that is no finite number.
    """
    path = Path(path)
    text, digest = read_text(path)
    wanted = ", ".join((*required, *(f"[{name}]" for name in optional)))
    (first, names), *rows = named_rows(text, path, f"the columns {wanted} and then numbers")
    for name in required:
        if name not in names:
            raise TableError(f"column {name} is missing; expected {wanted}", path, first)
    for name in names:
        if name not in (*required, *optional):
            raise TableError(f"unknown column {name!r}; expected {wanted}", path, first)
        if names.count(name) > 1:
            raise TableError(f"column {name} stands there twice", path, first)
    values = np.empty((len(rows), len(names)))
    for i, (number, row) in enumerate(rows):
        for j, (name, cell) in enumerate(zip(names, row, strict=True)):
            values[i, j] = _number(cell, name, path, number)
    values.setflags(write=False)
    return SeriesFile(
        path,
        {name: values[:, j] for j, name in enumerate(names)},
        tuple(number for number, _ in rows),
        header_lines(text),
        digest,
    )


def named_rows(text: str, path: Path, expected: str) -> list[tuple[int, list[str]]]:
    """Line and cells of the row of column names and of every row below it, comments left out.

    Raises
    ------
    TableError
        No rows (``expected`` says what should be there), a quotation mark left open, a row with
        more or fewer cells than there are names.
    """
    kept = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.startswith("#")
    ]
    if len(kept) < 2:
        raise TableError(f"no rows: expected {expected}", path)
    cells = list(csv.reader(io.StringIO("\n".join(line for _, line in kept)), strict=False))
    if len(cells) != len(kept):
        raise TableError("a quotation mark is opened and not closed on its line", path, kept[0][0])
    rows = [
        (number, [cell.strip() for cell in row])
        for (number, _), row in zip(kept, cells, strict=True)
    ]
    for number, row in rows:
        if len(row) != len(rows[0][1]):
            raise TableError(f"{len(row)} cells, expected {len(rows[0][1])}", path, number)
    return rows


def header_lines(text: str) -> dict[str, str]:
    """The "# key: value" lines of a file."""
    out: dict[str, str] = {}
    for line in text.splitlines():
        if line.startswith("#"):
            key, colon, value = line.lstrip("# ").partition(":")
            if colon:
                out[key.strip()] = value.strip()
    return out


def is_invented(header: Mapping[str, str]) -> bool:
    """Whether the "# key: value" lines of a file say that its numbers are made up."""
    return header.get("invented", "").lower() == "true"


def _number(cell: str, name: str, path: Path, line: int) -> float:
    try:
        value = float(cell)
    except ValueError:
        raise TableError(f"{name}: {cell.strip()!r} is not a number", path, line) from None
    if not math.isfinite(value):
        raise TableError(f"{name}: {cell.strip()!r} is not a finite number", path, line)
    return value
