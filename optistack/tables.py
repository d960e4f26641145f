"""The one table format: CSV with a commented header that says where the numbers come from.

The tables that come with optistack lie in ``materials/`` and ``spectra/``: package data in an
installed wheel, folders beside the package in a checkout. A new material, lamp or filter is a
file there, or any file that a scenario names.
"""

from __future__ import annotations

import csv
import hashlib
import math
import os
import re
import tempfile
import tomllib
from array import array
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optistack.errors import TableError

Real = NDArray[np.float64]

GRADES = ("A", "B", "C", "D")
KINDS = ("measured", "standard", "digitised", "model", "invented")
# Columns that must be there, by quantity; nk may lack k.
COLUMNS = {
    "nk": ("n",),
    "spectral_irradiance": ("spectral_irradiance_w_m2_nm",),
    "relative_spectral_irradiance": (),
    "transmittance": ("transmittance",),
    "reflectance": ("reflectance",),
    "weight": ("weight",),
    "quantum_efficiency": ("quantum_efficiency",),
    "molar_absorptivity": ("molar_absorptivity_l_mol_cm",),
}
REQUIRED_KEYS = (
    "title",
    "quantity",
    "units",
    "source",
    "licence",
    "retrieved",
    "kind",
    "range_nm",
    "grade",
    "uncertainty",
)
MAX_BYTES = 20_000_000
MAX_COLUMNS = 1000
MAX_ROWS = 200_000
_FRACTIONS = ("transmittance", "reflectance", "quantum_efficiency")
_LARGEST_FRACTION = 1.02
_SMALLEST_FRACTION = -0.01


# Tables of at most this many characters are kept, 64 of them: a page reads its scenario again and
# again.
_KEPT_CHARACTERS = 200_000


@dataclass(frozen=True, eq=False)
class Table:
    """A table as read: columns against wavelength, and where they come from.

    Attributes
    ----------
    name : str
        The file's name without its ending.
    quantity : str
        One of `COLUMNS`.
    wavelength_nm : (row,) array [nm]
    columns : mapping of str to (row,) array
        NaN where a cell is empty: not known there.
    grade : "A" measured or standard, primary source, covers the band; "B" measured, some gap or
        digitised; "C" model or derived; "D" invented, a guess, or no source stated.
    kind, title, source, licence, uncertainty : str
    header : mapping of str to str
        Every key of the header; repeated notes are in ``notes``.
    notes : tuple of str
    path : str
    sha256 : str
    """

    name: str
    quantity: str
    wavelength_nm: Real
    columns: Mapping[str, Real]
    grade: str = "D"
    kind: str = "measured"
    title: str = ""
    source: str = "not stated"
    licence: str = "not stated"
    uncertainty: str = "not stated"
    header: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    path: str = ""
    sha256: str = ""

    @property
    def range_nm(self) -> tuple[float, float]:
        """First and last wavelength [nm]."""
        return float(self.wavelength_nm[0]), float(self.wavelength_nm[-1])

    def known(self, column: str) -> tuple[Real, Real]:
        """Wavelengths [nm] and values of one column, without its empty cells."""
        values = self.columns[column]
        have = ~np.isnan(values)
        return self.wavelength_nm[have], values[have]


def data_folder(kind: str) -> Path:
    """The folder of the tables that come with optistack: "materials", "spectra" or "shared"."""
    package = Path(__file__).resolve().parent
    installed = package / "_data" / kind
    return installed if installed.is_dir() else package.parent / kind


@lru_cache(maxsize=4)
def table_names(kind: str) -> tuple[str, ...]:
    """Names of the tables that come with optistack, "materials" or "spectra"."""
    return tuple(sorted(p.stem for p in data_folder(kind).glob("*.csv")))


@lru_cache(maxsize=4)
def _pinned(kind: str) -> Mapping[str, str]:
    path = data_folder(kind) / "CHECKSUMS.toml"
    if not path.is_file():
        return {}
    return dict(tomllib.loads(path.read_text(encoding="utf-8")).get("sha256", {}))


def find_table(name: str, kind: str) -> Table:
    """Read one of the tables that come with optistack by its name.

    Parameters
    ----------
    name : str
        Upper and lower case mean the same.
    kind : str
        "materials" or "spectra".

    Raises
    ------
    TableError
        No table of that name; the message names the closest ones.
    """
    wanted = name.lower()
    if wanted not in table_names(kind):
        import difflib

        close = difflib.get_close_matches(wanted, table_names(kind), n=3, cutoff=0.5)
        hint = f" Did you mean {', '.join(close)}?" if close else ""
        raise TableError(
            f"no table {name!r} in {kind}.{hint} `optistack tables` lists all names; "
            "a file of your own is named with its ending, for example my_film.csv"
        )
    table = read_table(data_folder(kind) / f"{wanted}.csv")
    pinned = _pinned(kind).get(f"{wanted}.csv")
    if pinned is not None and pinned != table.sha256:
        note = f"table {wanted}: the file differs from the one that came with optistack"
        table = Table(**{**table.__dict__, "notes": (*table.notes, note)})
    return table


def read_table(path: str | Path) -> Table:
    """Read a file in the table format.

    The commented header may be missing (a plain CSV with a row of column names): the table then
    has grade D, "source not stated".

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    TableError
        With file and line: missing file, too large, not text, unknown columns, a cell that is no
        number, wavelengths that do not increase, k < 0, n <= 0, a transmittance outside 0-1.
    """
    path = Path(path)
    text, digest = read_text(path)
    if len(text) <= _KEPT_CHARACTERS:
        return _kept_table(path, digest, text)
    return _parsed_table(path, digest, text)


@lru_cache(maxsize=64)
def _kept_table(path: Path, digest: str, text: str) -> Table:
    """A table that was read before, as long as its file holds the same text."""
    return _parsed_table(path, digest, text)


def _parsed_table(path: Path, digest: str, text: str) -> Table:
    lines = text.splitlines()
    header: dict[str, str] = {}
    notes: list[str] = []
    start = 0
    for start, line in enumerate(lines):
        stripped = line.strip()
        if not stripped:
            continue
        if not stripped.startswith("#"):
            break
        key, colon, value = stripped.lstrip("#").partition(":")
        if not colon:
            continue
        key, value = printable(key), printable(value)
        if key == "note":
            notes.append(value)
        elif key in header:
            raise TableError(f"the header has {key!r} twice", path, start + 1)
        else:
            header[key] = value
    if len(lines) - start > MAX_ROWS:
        raise TableError(
            f"{len(lines) - start} rows are more than a table can have ({MAX_ROWS})", path
        )
    # Row by row, so that a large file does not lie in memory as text and numbers at once.
    rows = csv.reader(lines[start:])
    names = [printable(c) for c in _next(rows, path, start) or []]
    if len(lines) - start < 2:
        raise TableError("no rows: expected a row of column names and then numbers", path)
    first_line = start + 1
    if not names or names[0] != "wavelength_nm":
        raise TableError(
            f"the first column is {names[0] if names else ''!r}, expected wavelength_nm "
            "(the unit is part of the name)",
            path,
            first_line,
        )
    if len(names) > MAX_COLUMNS:
        raise TableError(
            f"{len(names)} columns; a table has at most {MAX_COLUMNS}", path, first_line
        )
    if len(set(names)) != len(names):
        raise TableError("two columns have the same name", path, first_line)
    values = _numbers(rows, names, path, start)
    quantity = header.get("quantity") or _guess_quantity(names, path, first_line)
    if "optistack-table" in header:
        missing = [k for k in REQUIRED_KEYS if not header.get(k)]
        if missing:
            raise TableError(f"the header lacks {', '.join(missing)}", path)
    table = Table(
        name=path.stem,
        quantity=quantity,
        wavelength_nm=values[0],
        columns=MappingProxyType(dict(zip(names[1:], values[1:], strict=True))),
        grade=header.get("grade", "D"),
        kind=header.get("kind", "measured"),
        title=header.get("title", path.stem),
        source=header.get("source", "not stated"),
        licence=header.get("licence", "not stated"),
        uncertainty=header.get("uncertainty", "not stated"),
        header=MappingProxyType(header),
        notes=tuple(notes),
        path=str(path),
        sha256=digest,
    )
    _check(table, path, first_line)
    return table


def read_raw(path: Path) -> bytes:
    """Contents of a file of at most `MAX_BYTES`.

    Raises
    ------
    TableError
        Missing, a folder, too large, or not to be read.
    """
    if "\0" in str(path):
        raise TableError("there is no such file", ascii(str(path)))
    try:
        if not path.is_file():
            raise TableError("there is no such file" if not path.exists() else "not a file", path)
        size = path.stat().st_size
        if size <= MAX_BYTES:
            with path.open("rb") as file:
                raw = file.read(MAX_BYTES + 1)  # it may grow meanwhile
            if len(raw) <= MAX_BYTES:
                return raw
            size = max(path.stat().st_size, len(raw))
    except OSError as error:
        raise TableError(f"cannot be read ({error.strerror})", path) from None
    raise TableError(
        f"{size / 1e6:.0f} MB is more than a table can have ({MAX_BYTES / 1e6:.0f} MB)", path
    )


def read_text(path: Path) -> tuple[str, str]:
    """Contents and SHA-256 of a text file (UTF-8, UTF-16 with a mark, or Latin-1).

    Raises
    ------
    TableError
        Missing, a folder, too large, or not text.
    """
    raw = read_raw(path)
    digest = hashlib.sha256(raw).hexdigest()
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "latin-1")
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" in text:
            break
        return text, digest
    raise TableError("not a text file", path)


def _next(rows: Any, path: Path, start: int) -> list[str] | None:
    """The next row of comma-separated values, None at the end."""
    try:
        row: list[str] | None = next(rows, None)
    except csv.Error as error:
        line = start + rows.line_num
        raise TableError(f"not comma-separated values: {error}", path, line) from None
    return row


def _numbers(rows: Any, names: list[str], path: Path, start: int) -> list[Real]:
    columns: list[array[float]] = [array("d") for _ in names]
    while (row := _next(rows, path, start)) is not None:
        if not row or all(not c.strip() for c in row):
            continue
        line = start + rows.line_num
        if len(row) != len(names):
            raise TableError(f"{len(row)} cells, expected {len(names)}", path, line)
        for name, column, cell in zip(names, columns, row, strict=True):
            text = cell.strip()
            if not text:
                if name == "wavelength_nm":
                    raise TableError("a row without wavelength", path, line)
                column.append(math.nan)
                continue
            try:
                value = float(text)
                if "_" in text:  # Python reads 1_000 as a number; a table does not hold such
                    raise ValueError
            except ValueError:
                raise TableError(f"{name}: {text[:40]!r} is not a number", path, line) from None
            if not math.isfinite(value):
                raise TableError(f"{name}: {text} is not a finite number", path, line)
            column.append(value)
        last = columns[0]
        if len(last) > 1 and last[-1] <= last[-2]:
            word = "twice" if last[-1] == last[-2] else "after a larger one"
            raise TableError(
                f"wavelength {last[-1]:g} nm comes {word}: wavelengths must increase", path, line
            )
    if not columns[0]:
        raise TableError("no rows of numbers", path)
    out = []
    for column in columns:
        values = np.array(column, dtype=float)
        values.flags.writeable = False
        out.append(values)
    return out


def _guess_quantity(names: list[str], path: Path, line: int) -> str:
    for quantity, needed in COLUMNS.items():
        if needed and set(needed) <= set(names):
            return quantity
    raise TableError(
        f"columns {', '.join(names[1:21]) or '(none)'} say no quantity that is known here; "
        "expected n and k, or one of "
        + ", ".join(c[0] for c in COLUMNS.values() if c and c[0] != "n"),
        path,
        line,
    )


def _check(table: Table, path: Path, first_line: int) -> None:
    if table.quantity not in COLUMNS:
        raise TableError(f"quantity {table.quantity!r} is not one of {', '.join(COLUMNS)}", path)
    for column in COLUMNS[table.quantity]:
        if column not in table.columns:
            raise TableError(f"column {column} is missing", path, first_line)
    if not table.columns:
        raise TableError("there is no column beside wavelength_nm", path, first_line)
    if table.grade not in GRADES:
        raise TableError(f"grade {table.grade!r} is not one of {', '.join(GRADES)}", path)
    if table.kind not in KINDS:
        raise TableError(f"kind {table.kind!r} is not one of {', '.join(KINDS)}", path)
    if table.wavelength_nm[0] <= 0:
        raise TableError("wavelengths must be positive", path, first_line + 1)
    for name, values in table.columns.items():
        known = values[~np.isnan(values)]
        if not known.size:
            raise TableError(f"column {name} is empty", path, first_line)
        low, high, rule = -math.inf, math.inf, ""
        if name == "n":
            low, rule = math.ulp(0.0), "n must be positive"
        elif name == "k":
            low, rule = 0.0, "k must not be negative (n + ik with k >= 0 absorbs)"
        elif table.quantity not in ("nk", *_FRACTIONS):
            low, rule = 0.0, f"{name} must not be negative"
        elif table.quantity in _FRACTIONS:
            low, high = _SMALLEST_FRACTION, _LARGEST_FRACTION
            rule = f"{name} is a fraction, 0 to 1 (readings from {low} to {high} are kept)"
        bad = np.flatnonzero((values < low) | (values > high))
        if bad.size:
            row = int(bad[0])
            raise TableError(
                f"{name} = {values[row]:g} at {table.wavelength_nm[row]:g} nm: {rule}", path
            )


def write_table(
    path: str | Path,
    quantity: str,
    wavelength_nm: Real,
    columns: Mapping[str, Real],
    *,
    header: Mapping[str, str],
    notes: tuple[str, ...] = (),
) -> Path:
    """Write a file in the table format; `read_table` gives the same numbers back bit for bit.

    Parameters
    ----------
    path : str or Path
    quantity : str
        One of `COLUMNS`.
    wavelength_nm : (row,) array [nm]
        Increasing.
    columns : mapping of str to (row,) array
        NaN is written as an empty cell.
    header : mapping
        title, units, source, licence, retrieved, kind, grade, uncertainty; more keys are kept.
    notes : tuple of str

    Raises
    ------
    TableError
        What `read_table` would refuse is not written.
    """
    path = Path(path)
    full = {
        "optistack-table": "1",
        **header,
        "quantity": quantity,
        "range_nm": f"{wavelength_nm[0]:g} {wavelength_nm[-1]:g}",
    }
    ordered = ["optistack-table", *[k for k in REQUIRED_KEYS if k in full]]
    ordered += [k for k in full if k not in ordered]
    lines = header_lines({k: str(full[k]) for k in ordered}, notes)
    lines.append(",".join(["wavelength_nm", *columns]))
    lines += [
        ",".join("" if math.isnan(v) else repr(float(v)) for v in row)
        for row in zip(wavelength_nm, *columns.values(), strict=True)
    ]
    return write_whole(path, "\n".join(lines) + "\n", check=read_table)


# What a spreadsheet would carry out where it parts a line of the header at a comma or a semicolon.
_FORMULA = re.compile(r"""([,;\t|]\s*"?\s*)([=@＝＠]|[+\-＋－](?![\d.\s]))""")


def printable(text: str) -> str:
    """On one line, without characters that a terminal or a reading direction would obey."""
    if not text.isprintable():
        text = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(text.split())


def plain_text(text: str) -> str:
    """Text for one line of a file: no control characters, no text that acts as a formula.

    Examples
    --------
    >>> plain_text("foil\\x1b[31m 3,=1+1, -2")
    "foil [31m 3,'=1+1, -2"
    """
    return _FORMULA.sub(r"\1'\2", printable(text))


def header_lines(header: Mapping[str, str], notes: Iterable[str] = ()) -> list[str]:
    """The commented lines above a table."""
    lines = [f"# {plain_text(key)}: {plain_text(value)}" for key, value in header.items()]
    return [*lines, *(f"# note: {plain_text(note)}" for note in notes)]


def write_whole(path: Path, text: str, check: Callable[[Path], object] | None = None) -> Path:
    """Write a text file: the old one or the complete new one is there, at any moment.

    Parameters
    ----------
    path : Path
    text : str
    check : callable, optional
        Refuses the new file before it is moved in place.

    Raises
    ------
    TableError
        What ``check`` refuses, with the name of ``path``; a file that cannot be written.
    """
    new = None
    try:
        with tempfile.NamedTemporaryFile(
            "w",
            encoding="utf-8",
            newline="\n",
            dir=path.parent,
            prefix=f".{path.name[:100]}.part-",
            suffix=".csv",
            delete=False,
        ) as file:
            new = Path(file.name)
            file.write(text)
        if check is not None:
            check(new)
        umask = os.umask(0)
        os.umask(umask)
        new.chmod(0o666 & ~umask)
        new.replace(path)
    except TableError as error:
        what = re.sub(r"^(, line \d+)?: ", "", str(error).removeprefix(str(new)))
        raise TableError(what, path, error.line) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise TableError(f"cannot be written ({why})", path) from None
    finally:
        if new is not None:
            new.unlink(missing_ok=True)
    return path
