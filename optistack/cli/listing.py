"""The command tables: what ships with the package."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import Any

from optistack.cli.progress import write_json

_GRADES = {
    "A": "measured or standard, covers the band",
    "B": "measured, some gap, or digitised",
    "C": "model or derived",
    "D": "invented or a guess",
}


def add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the command to the parser."""
    tables = commands.add_parser(
        "tables", parents=[common], help="list the tables of materials and lights"
    )
    tables.add_argument("name", nargs="?", help="show one table's source and notes")
    tables.set_defaults(command=_tables)


def _tables(options: argparse.Namespace) -> int:
    from optistack.tables import find_table, table_names

    listed = [
        (kind, find_table(name, kind))
        for kind in ("materials", "spectra")
        for name in table_names(kind)
    ]
    if options.name is not None:
        listed = [(k, t) for k, t in listed if t.name == options.name.lower()]
        if not listed:
            for kind in ("materials", "spectra"):
                if kind == "spectra" or _close(options.name, table_names(kind)):
                    find_table(options.name, kind)  # refuses, and names the closest
    if options.json:
        write_json([_table_json(kind, t, notes=options.name is not None) for kind, t in listed])
        return 0
    if options.name is not None:
        for _, t in listed:
            sys.stdout.write(_table_text(t))
        return 0
    for kind, title in (("materials", "Materials (n, k)"), ("spectra", "Lights")):
        sys.stdout.write(f"{title}\n")
        for other, t in listed:
            if other == kind:
                low, high = t.range_nm
                sys.stdout.write(
                    f"  {t.name:<28} {low:7.1f}-{high:<7.1f} nm  {t.grade}  {t.title}\n"
                )
    sys.stdout.write("\nGrades: " + "; ".join(f"{g} {text}" for g, text in _GRADES.items()) + "\n")
    return 0


def _close(name: str, names: Sequence[str]) -> bool:
    import difflib

    return bool(difflib.get_close_matches(name.lower(), names, n=1, cutoff=0.5))


def _table_json(kind: str, table: Any, *, notes: bool) -> dict[str, Any]:
    out = {
        "name": table.name,
        "folder": kind,
        "title": table.title,
        "quantity": table.quantity,
        "range_nm": list(table.range_nm),
        "columns": {
            c: [float(table.known(c)[0][0]), float(table.known(c)[0][-1])] for c in table.columns
        },
        "grade": table.grade,
        "kind": table.kind,
        "source": table.source,
        "licence": table.licence,
        "sha256": table.sha256,
    }
    if notes:
        out["notes"] = list(table.notes)
    return out


def _table_text(table: Any) -> str:
    lines = [f"{table.name}: {table.title}"]
    lines.append(f"  grade {table.grade} ({_GRADES[table.grade]}), {table.kind}")
    for column in table.columns:
        lam, _ = table.known(column)
        lines.append(f"  {column}: {lam[0]:g}-{lam[-1]:g} nm, {lam.size} rows")
    lines += [
        f"  source: {table.source}",
        f"  licence: {table.licence}",
        f"  uncertainty: {table.uncertainty}",
    ]
    lines += [f"  note: {note}" for note in table.notes]
    return "\n".join(lines) + "\n"
