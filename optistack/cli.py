"""The commands: demo, run, check, tables.

Exit codes: 0 done, 1 input refused, 2 wrong usage, 130 interrupted. Nothing heavy is imported
before a command needs it.
"""

from __future__ import annotations

import argparse
import json
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optistack import __version__
from optistack.errors import OptistackError

if TYPE_CHECKING:
    from optistack.scenario import RunResult, Scenario

_QUIET_SECONDS = 2.0
_GRADES = {
    "A": "measured or standard, covers the band",
    "B": "measured, some gap, or digitised",
    "C": "model or derived",
    "D": "invented or a guess",
}


class _Progress:
    """Says on stderr what is going on, once it has taken more than two seconds."""

    def __init__(self) -> None:
        self._stage = ""
        self._began = time.monotonic()
        self._timer = threading.Timer(_QUIET_SECONDS, self._show)
        self._timer.daemon = True
        self._timer.start()

    def __call__(self, stage: str) -> None:
        self._stage = stage
        if time.monotonic() - self._began > _QUIET_SECONDS:
            self._show()

    def _show(self) -> None:
        seconds = time.monotonic() - self._began
        sys.stderr.write(f"{seconds:5.1f} s  {self._stage} ...\n")
        sys.stderr.flush()

    def stop(self) -> None:
        self._timer.cancel()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="optistack",
        description="Photons that each layer of a thin-film solar cell stack absorbs under a lamp "
        "or the sun: coupon against device, what a filter removes, and what it costs.",
        epilog="Exit codes: 0 done, 1 input refused, 2 wrong usage. Research estimates, no safety "
        "case.",
    )
    parser.add_argument("--version", action="version", version=f"optistack {__version__}")
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--json", action="store_true", help="answer in JSON on standard output")
    common.add_argument("--debug", action="store_true", help="show the traceback of a refusal")
    files = argparse.ArgumentParser(add_help=False)
    files.add_argument("scenario", metavar="SCENARIO.toml", type=Path)
    files.add_argument(
        "--allow-path",
        metavar="DIR",
        type=Path,
        action="append",
        default=[],
        help="also read files from this folder (may be repeated)",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    demo = commands.add_parser(
        "demo", parents=[common], help="run the invented Lantern House scenario"
    )
    demo.add_argument("--out", metavar="DIR", type=Path, default=Path("lantern-house-report"))
    run = commands.add_parser(
        "run", parents=[common, files], help="carry out a scenario and write a report"
    )
    run.add_argument("--out", metavar="DIR", type=Path, required=True)
    run.add_argument(
        "--force", action="store_true", help="replace earlier results that optistack wrote"
    )
    commands.add_parser(
        "check",
        parents=[common, files],
        help="say what a scenario lacks and assumes, without computing",
    )
    tables = commands.add_parser(
        "tables", parents=[common], help="list the tables of materials and lights"
    )
    tables.add_argument("name", nargs="?", help="show one table's source and notes")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit code."""
    parser = _parser()
    options = parser.parse_args(arguments)
    command = {"demo": _demo, "run": _run, "check": _check, "tables": _tables}[options.command]
    try:
        return command(options)
    except OptistackError as error:
        if options.debug:
            raise
        message = " ".join(str(error).split())
        if options.json:
            _write_json({"error": {"kind": type(error).__name__, "message": message}})
        sys.stderr.write(f"optistack: {message}\n")
        return 1
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        sys.stderr.write("optistack: interrupted; nothing was changed\n")
        return 130


def _write_json(data: Any) -> None:
    json.dump(data, sys.stdout, indent=1, allow_nan=False)
    sys.stdout.write("\n")


def _demo(options: argparse.Namespace) -> int:
    from optistack.scenario import load_scenario
    from optistack.tables import data_folder

    scenario = load_scenario(data_folder("shared") / "lantern_house" / "lantern_house.toml")
    return _report(scenario, options, replace_own=True, advice="choose another with --out")


def _run(options: argparse.Namespace) -> int:
    from optistack.scenario import load_scenario

    scenario = load_scenario(options.scenario, allow_paths=options.allow_path)
    return _report(scenario, options, replace_own=options.force, advice="replace them with --force")


def _report(
    scenario: Scenario, options: argparse.Namespace, *, replace_own: bool, advice: str
) -> int:
    from optistack.output import write_folder
    from optistack.report import summary_text, write_report
    from optistack.scenario import run

    progress = _Progress()
    results: list[RunResult] = []

    def write(folder: Path) -> list[str]:
        results.append(run(scenario, progress=progress))
        return write_report(results[0], folder, progress=progress)

    try:
        files = write_folder(options.out, write, replace_own=replace_own, command=advice)
    finally:
        progress.stop()
    if options.json:
        _write_json({"folder": str(options.out), "files": files})
        return 0
    sys.stdout.write(summary_text(results[0]).rstrip() + "\n")
    sys.stdout.write(f"\nreport: {options.out / 'report.html'}\n")
    return 0


def _check(options: argparse.Namespace) -> int:
    from optistack.scenario import check, load_scenario

    scenario = load_scenario(options.scenario, allow_paths=options.allow_path)
    findings = check(scenario)
    missing = [f for f in findings if f.level == "missing"]
    if options.json:
        _write_json(
            {
                "ok": not missing,
                "title": scenario.title,
                "findings": [
                    {"level": f.level, "where": f.where, "text": f.text} for f in findings
                ],
            }
        )
        return 1 if missing else 0
    sys.stdout.write(f"{scenario.title}: {options.scenario}\n")
    titles = {
        "missing": "Missing (a run would be refused)",
        "assumption": "Assumed",
        "note": "Tables of grade C or D",
    }
    for level, title in titles.items():
        here = [f for f in findings if f.level == level]
        if here:
            sys.stdout.write(f"\n{title}\n")
            for f in here:
                where = "" if f.text.startswith(f.where) else f"{f.where}: "
                sys.stdout.write(f"  {where}{f.text}\n")
    if missing:
        sys.stderr.write(f"optistack: {len(missing)} things are missing\n")
        return 1
    sys.stdout.write("\nNothing is missing; the scenario can be run.\n")
    return 0


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
        _write_json([_table_json(kind, t, notes=options.name is not None) for kind, t in listed])
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


if __name__ == "__main__":
    sys.exit(main())
