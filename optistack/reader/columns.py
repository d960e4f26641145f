"""Two columns of a text file: wavelengths in nm and values, with every assumption said aloud."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optistack.errors import TableError
from optistack.reader.dialect import find_blocks
from optistack.tables import read_text

Real = NDArray[np.float64]
Unit = Literal["fraction", "percent"]

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
    block = find_blocks(text, path, delimiter, decimal)[0]
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
    said = [f"{path.name}: {len(lam)} rows from line {block.first_line}, {block.described}"]
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
