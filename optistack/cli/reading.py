"""The command read: an instrument's export becomes a table."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optistack.cli.progress import write_json

if TYPE_CHECKING:
    from optistack.reader import Export

_KINDS = ("transmittance", "reflectance", "irradiance", "eqe", "nk", "sheet-resistance")
# Options that answer a question of the reader, with what they take and what they say.
_ANSWERS: dict[str, dict[str, Any]] = {
    "unit": {
        "metavar": "UNIT",
        "help": "of the values: fraction, percent, optical_density; W/m2/nm, uW/cm2/nm, "
        "photons/m2/s/nm, relative and more; A/W; ohm/sq; nk or eps",
    },
    "wavelength_unit": {"metavar": "UNIT", "help": "nm, um, angstrom, eV or cm-1"},
    "time_unit": {"metavar": "UNIT", "help": "h, min, s or d, for a sheet resistance"},
    "delimiter": {"metavar": "NAME", "help": "semicolon, comma, tab or blanks"},
    "decimal": {"metavar": "SIGN", "help": "decimal sign, . or ,"},
    "missing": {"metavar": "TEXT", "help": "what stands for a reading that failed, such as OVER"},
    "block": {"metavar": "N", "type": int, "help": "which block of numbers, from 1"},
    "layout": {"metavar": "NAME", "help": "samples side by side: columns or pairs"},
    "wavelength_column": {"metavar": "N", "type": int, "help": "from 1"},
    "sample": {"metavar": "NAME", "help": "which sample, by its name or its number from 1"},
    "measurement": {"metavar": "NAME", "help": "transmittance: regular or hemispherical"},
    "stray_light_floor": {
        "metavar": "T",
        "type": float,
        "help": "transmittance (fraction) below which a reading is only at most",
    },
    "duplicates": {
        "metavar": "WHICH",
        "help": "readings of one wavelength that differ: mean, first or last",
    },
    "negative": {"metavar": "FATE", "help": "negative irradiance or k: zero or empty (not known)"},
}
_HEADER = ("title", "source", "licence", "grade", "kind", "uncertainty")


def add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the command to the parser."""
    read = commands.add_parser(
        "read",
        parents=[common],
        help="turn an instrument's export into a table",
        description="Read an instrument's export, say every assumption, and write a table. Where "
        "two readings are plausible it asks: the message names the option that answers.",
    )
    read.add_argument("file", metavar="FILE", type=Path)
    read.add_argument("--as", dest="quantity", required=True, choices=_KINDS, help="what it holds")
    read.add_argument(
        "--out", metavar="TABLE.csv", type=Path, help="without it the file is read and described"
    )
    read.add_argument("--force", action="store_true", help="replace an existing table")
    answers = read.add_argument_group("answers to what it may ask")
    for name, options in _ANSWERS.items():
        answers.add_argument("--" + name.replace("_", "-"), dest=name, **options)
    header = read.add_argument_group("what the table says about itself")
    for name in _HEADER:
        header.add_argument(f"--{name}", metavar="TEXT")
    read.set_defaults(command=_read)


def _read(options: argparse.Namespace) -> int:
    from optistack.reader import export_to_table, read_export

    export = read_export(
        options.file, options.quantity, **{name: getattr(options, name) for name in _ANSWERS}
    )
    out = None
    if options.out is not None:
        header = {name: getattr(options, name) for name in _HEADER}
        out = export_to_table(export, options.out, replace=options.force, **header)
    if options.json:
        write_json(_as_json(export, out))
        return 0
    sys.stdout.write(_as_text(export))
    if out is not None:
        sys.stdout.write(f"\ntable: {out}\n")
    return 0


def _as_json(export: Export, out: Path | None) -> dict[str, Any]:
    x = export.wavelength_nm
    return {
        "table": None if out is None else str(out),
        "quantity": export.quantity,
        "sample": export.sample,
        "rows": int(x.size),
        "hours" if export.quantity == "sheet_resistance" else "range_nm": [
            float(x[0]),
            float(x[-1]),
        ],
        "columns": list(export.columns),
        "measurement": export.measurement,
        "stray_light_floor": export.stray_light_floor,
        "invented": export.invented,
        "source_file": export.path,
        "source_sha256": export.sha256,
        "assumptions": list(export.assumptions),
    }


def _as_text(export: Export) -> str:
    x = export.wavelength_nm
    unit = "h" if export.quantity == "sheet_resistance" else "nm"
    sample = f", sample {export.sample}" if export.sample else ""
    lines = [
        f"{export.quantity}{sample}: {x.size} rows, {x[0]:g}-{x[-1]:g} {unit}",
        "",
        "Assumed",
        *(f"  {said}" for said in export.assumptions),
    ]
    return "\n".join(lines) + "\n"
