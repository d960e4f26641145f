"""What an export was read as, and files that are tables of the project already."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optistack.errors import QuestionError, TableError
from optistack.reader.columns import Reading
from optistack.reader.job import Job
from optistack.reader.text import split_lines
from optistack.tables import Table, printable, read_table

Real = NDArray[np.float64]

AGEING_COLUMNS = ("specimen", "hours", "sheet_resistance_ohm_sq")


@dataclass(frozen=True, eq=False)
class Export:
    """What was read out of an export, in the project's own units.

    Attributes
    ----------
    name, path, sha256 : str
        Of the file.
    quantity : str
        "transmittance", "reflectance", "spectral_irradiance", "relative_spectral_irradiance",
        "quantum_efficiency", "nk" or "sheet_resistance".
    sample : str
        Its name in the file; empty where there is only one.
    wavelength_nm : (row,) array [nm]
        Increasing; the hours [h] of a sheet resistance.
    columns : mapping of str to (row,) array
        By the names of the table format; NaN where not known.
    measurement : "regular", "hemispherical" or "not stated"
    stray_light_floor : float or None
        Below it a transmittance is only "at most".
    invented : bool
        The header calls the data invented.
    metadata : mapping of str to str
        Keys and values of the file's header.
    assumptions : tuple of str
        How the file was read.
    table : Table or None
        The table, where the file was one already.
    """

    name: str
    path: str
    sha256: str
    quantity: str
    sample: str
    wavelength_nm: Real
    columns: Mapping[str, Real]
    measurement: str = "not stated"
    stray_light_floor: float | None = None
    invented: bool = False
    metadata: Mapping[str, str] = field(default_factory=dict)
    assumptions: tuple[str, ...] = ()
    table: Table | None = None

    def __post_init__(self) -> None:
        for array in (self.wavelength_nm, *self.columns.values()):
            array.flags.writeable = False

    @property
    def hours(self) -> Real:
        """Hours [h] of a sheet resistance."""
        return self.wavelength_nm

    def reading(self) -> Reading:
        """Wavelengths and the first column, for what takes two columns."""
        first = next(iter(self.columns.values()))
        known = ~np.isnan(first)
        return Reading(
            self.name,
            self.path,
            self.sha256,
            self.wavelength_nm[known],
            first[known],
            self.assumptions,
        )


def table_kind(text: str) -> str:
    """ "wavelength_nm" or "specimen" where a file is a table of the project, else ""."""
    for line in split_lines(text[:1_000_000]):
        if line.strip() and not line.lstrip().startswith("#"):
            first, _, rest = line.partition(",")
            name = first.strip().strip('"')
            if name == "wavelength_nm" or (name == "specimen" and "sheet_resistance" in rest):
                return name
            return ""
    return ""


def _refuse_options(path: Path, stated: Mapping[str, Any]) -> None:
    given = [name for name, value in stated.items() if value is not None]
    if given:
        raise TableError(
            f"is a table already, which leaves nothing to state about {', '.join(given)}", path
        )


def from_table(
    path: Path,
    quantity: str,
    stated: Mapping[str, Any],
    sample: str | int | None,
    measurement: str | None,
    stray_light_floor: float | None,
) -> Export:
    _refuse_options(path, {**stated, "sample": sample})
    table = read_table(path)
    if table.quantity not in (quantity, f"relative_{quantity}"):
        raise TableError(f"is a table of {table.quantity}, not of {quantity}", path)
    floor = stray_light_floor
    if floor is None and "stray_light_floor" in table.header:
        try:
            floor = float(table.header["stray_light_floor"])
        except ValueError:
            floor = math.nan
        if not 0 <= floor < 1:
            raise TableError("stray_light_floor in its header is no transmittance, 0 to 1", path)
    return Export(
        name=table.name,
        path=str(path),
        sha256=table.sha256,
        quantity=table.quantity,
        sample="",
        wavelength_nm=table.wavelength_nm,
        columns=table.columns,
        measurement=measurement or table.header.get("measurement", "not stated"),
        stray_light_floor=floor,
        invented=table.kind == "invented",
        metadata=table.header,
        assumptions=(
            f"{printable(path.name)}: is a table already; its numbers are kept as they are",
        ),
        table=table,
    )


def from_ageing(
    path: Path,
    text: str,
    digest: str,
    quantity: str,
    stated: Mapping[str, Any],
    sample: str | int | None,
) -> Export:
    """One specimen of a file of ageing data."""
    job = Job(path, quantity)
    if quantity != "sheet_resistance":
        job.refuse(f"is ageing data, not a table of {quantity}")
    _refuse_options(path, stated)
    header: dict[str, str] = {}
    rows: dict[str, list[tuple[float, float]]] = {}
    names: list[str] = []
    for number, line in enumerate(split_lines(text), 1):
        if not line.strip():
            continue
        if line.startswith("#"):
            key, colon, rest = line.lstrip("# ").partition(":")
            if colon and key.strip() != "note":
                header.setdefault(key.strip(), printable(rest))
            continue
        cells = next(csv.reader([line]), [])
        if not names:
            names = [c.strip() for c in cells]
            lacking = [c for c in AGEING_COLUMNS if names.count(c) != 1]
            if lacking:
                job.refuse(f"needs one column {', '.join(lacking)}", number)
            continue
        if len(cells) != len(names):
            job.refuse(f"{len(cells)} cells, expected {len(names)}", number)
        row = dict(zip(names, cells, strict=True))
        try:
            time_h, value = (float(row[c]) for c in AGEING_COLUMNS[1:])
        except ValueError:
            job.refuse("hours or sheet_resistance_ohm_sq is not a number", number)
        readings = rows.setdefault(printable(row["specimen"]), [])
        late = not readings or time_h > readings[-1][0]
        if not (math.isfinite(time_h) and time_h >= 0 and late):
            job.refuse("hours must not be negative and must increase for each specimen", number)
        if not (math.isfinite(value) and value > 0):
            job.refuse(f"{value:g}: a sheet resistance is positive", number)
        readings.append((time_h, value))
    if not rows:
        job.refuse("no rows of numbers")
    name = next(iter(rows))
    if sample is not None:
        listed = list(rows)
        name = str(sample)
        if name not in rows and name.isdecimal() and 1 <= int(name) <= len(listed):
            name = listed[int(name) - 1]
        if name not in rows:
            job.refuse(f"no specimen is called {name[:60]!r}; there are {', '.join(listed[:20])}")
    elif len(rows) > 1:
        raise QuestionError(
            f"{len(rows)} specimens; which one", "sample", tuple(list(rows)[:20]), path
        )
    data = np.array(rows[name])
    job.say("is ageing data already; its numbers are kept as they are")
    return Export(
        name=path.stem,
        path=str(path),
        sha256=digest,
        quantity=quantity,
        sample=name,
        wavelength_nm=data[:, 0].copy(),
        columns=MappingProxyType({AGEING_COLUMNS[2]: data[:, 1].copy()}),
        invented=header.get("invented", "") == "true" or header.get("kind") == "invented",
        metadata=MappingProxyType(header),
        assumptions=tuple(job.said),
    )
