"""The command ledger: an exposure log becomes the dose of every specimen."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optistack.cli.progress import write_json
from optistack.errors import OptistackError

if TYPE_CHECKING:
    from optistack.analysis.dose_ledger import ExposureLog, LampAgeing, Ledger
    from optistack.filters import Filter

# Outages that the screen lists; all of them are in --json.
_MOST_GAPS = 20


def add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "ledger",
        parents=[common],
        help="dose of every specimen from an exposure log",
        description="Add up an exposure log: hours, incident radiant exposure and photons of every "
        "specimen in any band, behind its filters; outages and overlaps are found.",
        epilog="Columns of the log: start, end or hours, lamp, set_point, set_point_unit (W/m2/nm "
        "with at_nm, W/m2 with band_nm), specimen; if needed filter, orientation, angle_deg, "
        "lamp_hours, comment. See docs/dose_ledger.md.",
    )
    parser.add_argument("log", metavar="LOG.csv", type=Path)
    parser.add_argument(
        "--lamp",
        metavar="NAME=SPECTRUM",
        action="append",
        required=True,
        help="spectrum of a lamp of the log: a table's name (optistack tables) or a file; once "
        "for every lamp",
    )
    parser.add_argument(
        "--band", metavar="FROM-TO", action="append", help="in nm, such as 280-400; may be repeated"
    )
    parser.add_argument(
        "--timezone", metavar="ZONE", help="of times without offset, such as Europe/Paris or UTC"
    )
    parser.add_argument("--out", metavar="FILE.csv", type=Path, help="a row per specimen and band")
    parser.add_argument(
        "--rows", metavar="FILE.csv", type=Path, help="a row per entry, specimen and band"
    )
    parser.add_argument("--force", action="store_true", help="replace existing files")
    filters = parser.add_argument_group("filters of the log, by their tables (may be repeated)")
    filters.add_argument(
        "--filter",
        metavar="NAME=FILE",
        action="append",
        default=[],
        help="external transmittance, the two surfaces included",
    )
    filters.add_argument(
        "--internal-filter",
        metavar="NAME=FILE",
        action="append",
        default=[],
        help="internal transmittance, of an uncoated slab",
    )
    lamps = parser.add_argument_group("how lamps age (may be repeated)")
    lamps.add_argument(
        "--ageing",
        metavar="LAMP=FILE",
        action="append",
        default=[],
        help="table with lamp_hours or date, and output_factor or reading_factor",
    )
    lamps.add_argument(
        "--held",
        metavar="LAMP",
        action="append",
        default=[],
        help="feedback holds this lamp at its set point",
    )
    lamps.add_argument(
        "--hours-before",
        metavar="LAMP=H",
        action="append",
        default=[],
        help="hours that a lamp had burned before the log",
    )
    lamps.add_argument(
        "--hold-ageing", action="store_true", help="outside its table hold the end value"
    )
    doubts = parser.add_argument_group("what is refused unless asked for")
    doubts.add_argument(
        "--overlap",
        choices=("refuse", "add"),
        default="refuse",
        help="entries of one specimen under the same lamp that overlap",
    )
    doubts.add_argument(
        "--parallel-beam", action="store_true", help="tilted specimens: times cos(angle)"
    )
    parser.set_defaults(command=_ledger)


def _ledger(options: argparse.Namespace) -> int:
    from optistack.analysis.dose_ledger import band_from_text, dose_ledger, read_log
    from optistack.spectra import DEFAULT_BANDS_NM, spectrum

    lamps = {name: spectrum(text) for name, text in _pairs(options.lamp, "--lamp").items()}
    filters = _filters(options)
    ageing = _ageing(options)
    bands = [band_from_text(text) for text in options.band or ()] or DEFAULT_BANDS_NM
    log = read_log(options.log, timezone=options.timezone)
    _check_outputs(options)
    ledger = dose_ledger(
        log,
        lamps,
        filters,
        bands_nm=bands,
        ageing=ageing,
        overlap=options.overlap,
        tilted="parallel beam" if options.parallel_beam else "refuse",
    )
    files = _write(ledger, options)
    if options.json:
        write_json(_as_json(ledger, log, files))
        return 0
    sys.stdout.write(_as_text(ledger, log))
    for file in files:
        sys.stdout.write(f"written: {file}\n")
    return 0


def _pairs(texts: Iterable[str], option: str) -> dict[str, str]:
    """NAME=VALUE options, each name once."""
    out: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        name, value = name.strip(), value.strip()
        if not (equals and name and value):
            raise OptistackError(f"{option} {text!r}: write NAME=VALUE")
        if name in out:
            raise OptistackError(f"{option}: {name!r} is given twice")
        out[name] = value
    return out


def _filters(options: argparse.Namespace) -> dict[str, Filter]:
    external = _pairs(options.filter, "--filter")
    internal = _pairs(options.internal_filter, "--internal-filter")
    for name in external:
        if name in internal:
            raise OptistackError(f"filter {name!r} is given as external and as internal")
    return {
        **{name: _filter(name, path, "external") for name, path in external.items()},
        **{name: _filter(name, path, "internal") for name, path in internal.items()},
    }


def _filter(name: str, path: str, kind: Any) -> Filter:
    """A filter from its table, with what the table's header says of the measurement."""
    from optistack.errors import TableError
    from optistack.filters import measured_filter
    from optistack.tables import read_table

    table = read_table(path)
    if table.quantity != "transmittance":
        raise TableError(f"holds {table.quantity}, not the transmittance of a filter", path)
    known: dict[str, Any] = {}
    if table.header.get("measurement") in ("regular", "hemispherical"):
        known["measurement"] = table.header["measurement"]
    floor = table.header.get("stray_light_floor")
    if floor is not None:
        try:
            known["stray_light_floor"] = float(floor)
        except ValueError:
            known["stray_light_floor"] = -1.0
        if not 0 <= known["stray_light_floor"] < 1:
            raise TableError(f"stray_light_floor {floor[:40]!r} is no transmittance, 0 to 1", path)
    return measured_filter(
        name,
        *table.known("transmittance"),
        kind,
        grade=table.grade,
        source=table.source,
        title=table.title,
        **known,
    )


def _ageing(options: argparse.Namespace) -> dict[str, LampAgeing]:
    from optistack.analysis.dose_ledger import LampAgeing, read_lamp_ageing

    tables = _pairs(options.ageing, "--ageing")
    before: dict[str, float] = {}
    for name, text in _pairs(options.hours_before, "--hours-before").items():
        if name not in tables:
            raise OptistackError(f"--hours-before {name}: that lamp has no --ageing table")
        try:
            before[name] = float(text)
        except ValueError:
            raise OptistackError(f"--hours-before {name}={text}: is not a number") from None
    for name in options.held:
        if name in tables:
            raise OptistackError(f"lamp {name!r}: is either --held or has an --ageing table")
    held = {name: LampAgeing("held", name=name) for name in options.held}
    return held | {
        name: read_lamp_ageing(
            path,
            timezone=options.timezone,
            hours_before=before.get(name, 0.0),
            outside="hold" if options.hold_ageing else "refuse",
        )
        for name, path in tables.items()
    }


def _check_outputs(options: argparse.Namespace) -> None:
    taken = [options.log]
    for path in (options.out, options.rows):
        if path is None:
            continue
        if path.suffix.lower() != ".csv":
            raise OptistackError(f"{path}: a table ends in .csv")
        if any(path.resolve() == other.resolve() for other in taken):
            raise OptistackError(f"{path}: is the log, or named twice; choose another name")
        if path.exists() and not (options.force and path.is_file()):
            raise OptistackError(f"{path}: exists; replace it with --force or choose another name")
        if not path.parent.is_dir():
            raise OptistackError(f"{path}: there is no folder {path.parent}")
        taken.append(path)


def _write(ledger: Ledger, options: argparse.Namespace) -> list[str]:
    from optistack.tables import write_whole

    files = []
    for path, frame in ((options.out, ledger.totals_frame), (options.rows, ledger.to_frame)):
        if path is not None:
            from optistack.report.tables_csv import csv_text

            # What an entry does not have, such as the meter's band, is an empty cell.
            rows = [
                {str(key): None if value != value else value for key, value in row.items()}
                for row in frame().to_dict("records")
            ]
            files.append(str(write_whole(path, csv_text(rows))))
    return files


def _as_json(ledger: Ledger, log: ExposureLog, files: list[str]) -> dict[str, Any]:
    from optistack.care import SHORT_CAUTION
    from optistack.report.data_ledger import ledger_json

    return {
        "log": log.name,
        "log_sha256": log.sha256,
        "timezone": log.timezone,
        "invented": log.invented,
        "entries": len(log),
        **(ledger_json(ledger) or {}),
        "care": SHORT_CAUTION,
        "files": files,
    }


def _as_text(ledger: Ledger, log: ExposureLog) -> str:
    from optistack.care import SHORT_CAUTION
    from optistack.spectral_math import band_key
    from optistack.tables import printable
    from optistack.value import short

    head = ["specimen", "hours", "band (nm)", "J/m2", "kWh/m2", "photons/m2"]
    rows = []
    for dose in ledger.doses:
        for i, band in enumerate(ledger.bands_nm):
            key = band_key(band)
            name, hours = (printable(dose.label), short(dose.hours, 6)) if i == 0 else ("", "")
            rows.append(
                [
                    name,
                    hours,
                    key,
                    dose.radiant_exposure_j_m2[key].format(),
                    dose.radiant_exposure_kwh_m2[key].format(),
                    dose.photons_m2[key].format(),
                ]
            )
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    lines = [f"{printable(log.name)}: {len(log)} entries, {len(ledger.specimens)} specimens", ""]
    for row in [head, *rows]:
        lines.append("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip())
    if ledger.gaps:
        lines += ["", "Outages, times in UTC"]
        for gap in ledger.gaps[:_MOST_GAPS]:
            start, end = (t.isoformat(" ", "minutes")[:16] for t in (gap.start, gap.end))
            lines.append(f"  {printable(gap.specimen)}: {start} to {end}, {short(gap.hours, 4)} h")
        if len(ledger.gaps) > _MOST_GAPS:
            lines.append(f"  and {len(ledger.gaps) - _MOST_GAPS} more (--json lists all)")
    if ledger.overlaps:
        lines += ["", "Overlaps"]
        for x in ledger.overlaps[:_MOST_GAPS]:
            pair = f"{x.first.where} and {x.second.where}"
            lines.append(f"  {printable(x.specimen)}: {pair}, {short(x.hours, 4)} h")
    lines += ["", "Notes", *(f"  {printable(note)}" for note in ledger.notes)]
    lines += ["", SHORT_CAUTION]
    return "\n".join(lines) + "\n"
