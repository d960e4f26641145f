"""What was read of an export, written as a table of the project with its provenance."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from pathlib import Path

from optistack.errors import TableError
from optistack.reader.tabled import AGEING_COLUMNS, Export
from optistack.tables import GRADES, KINDS, header_lines, printable, write_table, write_whole

_UNITS = {
    "transmittance": "wavelength nm; fraction",
    "reflectance": "wavelength nm; fraction",
    "quantum_efficiency": "wavelength nm; electrons per incident photon",
    "spectral_irradiance": "wavelength nm; W/(m2 nm)",
    "relative_spectral_irradiance": "wavelength nm; relative",
    "nk": "wavelength nm; n, k dimensionless",
    "sheet_resistance": "h; ohm/sq",
}


def export_to_table(
    export: Export,
    out_path: str | Path,
    *,
    title: str | None = None,
    source: str | None = None,
    licence: str | None = None,
    retrieved: str | None = None,
    kind: str | None = None,
    grade: str | None = None,
    uncertainty: str | None = None,
    replace: bool = False,
) -> Path:
    """Write an export as a table of the project, with provenance.

    The header holds the source file's name and SHA-256, every assumption, how a transmittance was
    measured and its stray-light floor. A sheet resistance becomes a file of ageing data with one
    specimen: columns specimen, hours, sheet_resistance_ohm_sq.

    Parameters
    ----------
    export : Export
    out_path : str or Path
    title, source, licence, retrieved, kind, grade, uncertainty : str, optional
        For the header. Not given: the file's and the sample's name, "own measurement", "own data",
        today, "measured" and "B" (or "invented" and "D"), "not stated". What the header of a file
        says that was a table already, is kept.
    replace : bool
        Whether an existing file is replaced.

    Returns
    -------
    Path

    Raises
    ------
    TableError
        A file that exists, or that was read; what `optistack.tables.write_table` refuses.
    """
    out = Path(out_path)
    if out.suffix.lower() != ".csv":
        raise TableError("a table's name ends in .csv", out)
    for name, value, allowed in (("grade", grade, GRADES), ("kind", kind, KINDS)):
        if value is not None and value not in allowed:
            raise TableError(f"{name} {value[:40]!r} is not one of {', '.join(allowed)}", out)
    if out.exists() and Path(export.path).exists() and out.samefile(export.path):
        raise TableError("is the file that was read; choose another", out)
    if out.exists() and not replace:
        raise TableError("exists already; choose another, or replace it with --force", out)
    stated = {
        "title": title,
        "source": source,
        "licence": licence,
        "retrieved": retrieved,
        "kind": kind,
        "grade": grade,
        "uncertainty": uncertainty,
    }
    header = _header(export) | {k: printable(v) for k, v in stated.items() if v is not None}
    if export.table is None and source is not None:
        header["source"] += f"; {_origin(export)}"
    notes = tuple(dict.fromkeys((*_old_notes(export), *export.assumptions)))
    if export.quantity == "sheet_resistance":
        return _write_ageing(export, out, header, notes)
    return write_table(
        out, export.quantity, export.wavelength_nm, export.columns, header=header, notes=notes
    )


def _origin(export: Export) -> str:
    return f"file {printable(Path(export.path).name)}, sha256 {export.sha256}"


def _old_notes(export: Export) -> tuple[str, ...]:
    return export.table.notes if export.table is not None else ()


def _header(export: Export) -> dict[str, str]:
    """Every key that a table needs, and where the numbers come from."""
    name = " ".join(x for x in (export.name, export.sample) if x)
    header = {
        "title": printable(name) or "untitled",
        "units": _UNITS[export.quantity],
        "source": f"{'invented' if export.invented else 'own measurement'}; {_origin(export)}",
        "licence": "own data",
        "retrieved": datetime.date.today().isoformat(),
        "kind": "invented" if export.invented else "measured",
        "grade": "D" if export.invented else "B",
        "uncertainty": "not stated",
    }
    if export.table is not None:
        header |= {k: v for k, v in export.table.header.items() if v}
        for key in ("optistack-table", "quantity", "range_nm"):
            header.pop(key, None)
        if "source" not in export.table.header:  # a plain CSV says nothing of where it comes from
            header["grade"] = "D"
    header["source_file"] = printable(Path(export.path).name)
    header["source_sha256"] = export.sha256
    if export.sample:
        header["sample"] = printable(export.sample)
    if export.quantity in ("transmittance", "reflectance"):
        header["measurement"] = export.measurement
        if export.stray_light_floor is not None:
            header["stray_light_floor"] = repr(float(export.stray_light_floor))
    return header


def _write_ageing(
    export: Export, path: Path, header: Mapping[str, str], notes: tuple[str, ...]
) -> Path:
    # Neither a comma that would part the cell, nor a sign that makes a formula of it.
    name = re.sub(r"[\",;\t]", " ", printable(export.sample or export.name))
    name = " ".join(name.split()).lstrip("=+-@＝＋－＠ ") or "specimen"
    marks = {"invented": "true"} if export.invented else {}
    lines = header_lines({**header, **marks}, notes)
    lines.append(",".join(AGEING_COLUMNS))
    values = export.columns[AGEING_COLUMNS[2]]
    lines += [
        f"{name},{hours!r},{value!r}"
        for hours, value in zip(export.hours.tolist(), values.tolist(), strict=True)
    ]
    return write_whole(path, "\n".join(lines) + "\n")
