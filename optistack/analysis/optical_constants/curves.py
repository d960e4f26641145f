"""A measured curve from a file: a table of the project, or an instrument's export."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from optistack.errors import TableError
from optistack.reader import Reading, read_columns
from optistack.tables import read_table, read_text

Quantity = Literal["transmittance", "reflectance"]
Unit = Literal["fraction", "percent"]


def read_curve(
    path: str | Path,
    quantity: Quantity = "transmittance",
    *,
    unit: Unit | None = None,
    column: int | None = None,
    delimiter: str | None = None,
    decimal: str | None = None,
) -> Reading:
    """Transmittance or reflectance against wavelength [nm].

    Parameters
    ----------
    path : str or Path
        A file whose first column is called wavelength_nm is a table of the project, which leaves
        nothing to state; any other is an instrument's export.
    quantity : "transmittance" or "reflectance"
    unit, column, delimiter, decimal : optional
        As in `optistack.reader.read_columns`.

    Raises
    ------
    TableError
        As in `optistack.reader.read_columns` and `optistack.tables.read_table`; a table of
        something else; options for a table.
    """
    path = Path(path)
    text, _ = read_text(path)
    head = next((x for x in text.splitlines() if x.strip() and not x.startswith("#")), "")
    if head.split(",")[0].strip() != "wavelength_nm":
        return read_columns(path, unit=unit, column=column, delimiter=delimiter, decimal=decimal)
    if unit == "percent" or any(x is not None for x in (column, delimiter, decimal)):
        raise TableError(
            "is in the table format, which leaves nothing to state about unit, column, delimiter "
            "or decimal",
            path,
        )
    table = read_table(path)
    if table.quantity != quantity:
        raise TableError(f"holds {table.quantity}, not {quantity}", path)
    lam, values = table.known(quantity)
    return Reading(table.name, str(path), table.sha256, lam, values, ())
