"""The commands on scenarios: demo, run, check."""

from __future__ import annotations

import argparse
import gc
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from optistack.cli.options import add_allow_path
from optistack.cli.progress import Progress, write_json

if TYPE_CHECKING:
    from optistack.scenario import Scenario
    from optistack.workers import Workers


def add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the commands to the parser."""
    files = argparse.ArgumentParser(add_help=False)
    files.add_argument("scenario", metavar="SCENARIO.toml", type=Path)
    add_allow_path(files)
    demo = commands.add_parser(
        "demo", parents=[common], help="run the invented Lantern House scenario"
    )
    demo.add_argument("--out", metavar="DIR", type=Path, default=Path("lantern-house-report"))
    demo.set_defaults(command=_demo, allow_path=[], workers=None, dask=None, resume=None)
    run = commands.add_parser(
        "run", parents=[common, files], help="carry out a scenario and write a report"
    )
    run.add_argument("--out", metavar="DIR", type=Path, required=True)
    run.add_argument(
        "--force", action="store_true", help="replace earlier results that optistack wrote"
    )
    who = run.add_mutually_exclusive_group()
    who.add_argument(
        "--workers", metavar="N", type=int, help="make the draws with N processes (default 1)"
    )
    who.add_argument(
        "--dask",
        metavar="ADDRESS",
        help="make the draws on a Dask cluster whose scheduler is at tcp://host:port",
    )
    run.add_argument(
        "--resume",
        metavar="DIR",
        type=Path,
        help="keep finished draws in this folder, and go on from those that are there",
    )
    run.set_defaults(command=_run)
    check = commands.add_parser(
        "check",
        parents=[common, files],
        help="say what a scenario lacks and assumes, without computing",
    )
    check.set_defaults(command=_check)


def _demo(options: argparse.Namespace) -> int:
    from optistack.tables import data_folder

    scenario = data_folder("shared") / "lantern_house" / "lantern_house.toml"
    return _report(scenario, options, replace_own=True, advice="choose another with --out")


def _run(options: argparse.Namespace) -> int:
    return _report(
        options.scenario, options, replace_own=options.force, advice="replace them with --force"
    )


def _workers(scenario: Scenario, options: argparse.Namespace) -> Workers | None:
    """Who makes the draws; a cluster that cannot be used is refused before anything is done."""
    from optistack.errors import ScenarioError
    from optistack.workers import Workers, look_at_cluster

    given = [n for n in ("workers", "dask", "resume") if getattr(options, n) is not None]
    if not given:
        return None
    if scenario.uncertainty is None:
        raise ScenarioError(
            f"the scenario asks for no draws, so --{given[0]} has no meaning; add this section, or "
            "leave the option out",
            "uncertainty",
        )
    if options.dask is not None:
        workers = Workers(dask=options.dask)
        look_at_cluster(options.dask)
        return workers
    return Workers() if options.workers is None else Workers(options.workers)


def _report(path: Path, options: argparse.Namespace, *, replace_own: bool, advice: str) -> int:
    from optistack.output import write_folder
    from optistack.report.painter import Painter, loaded_for_good

    progress = Progress()
    # First of all, so that it loads what it draws with while the scenario is read.
    with Painter() as painter:
        progress("the scenario")
        try:
            with loaded_for_good():
                from optistack.report import Draft
                from optistack.scenario import load_scenario, run

                scenario = load_scenario(path, allow_paths=options.allow_path)
            workers = _workers(scenario, options)

            def write(folder: Path) -> list[str]:
                draft = Draft(painter)
                result = run(
                    scenario,
                    progress=progress,
                    workers=workers,
                    keep_draws=options.resume,
                    drawn=progress.count,
                    so_far=draft.add,
                )
                return draft.write(result, folder, progress=progress)

            files = write_folder(options.out, write, replace_own=replace_own, command=advice)
        finally:
            progress.stop()
            gc.unfreeze()
    if options.json:
        write_json({"folder": str(options.out), "files": files})
        return 0
    from optistack.report.wording import summarise

    data = json.loads((options.out / "results.json").read_text(encoding="utf-8"))
    sys.stdout.write(summarise(data).rstrip() + "\n")
    sys.stdout.write(f"\nreport: {options.out / 'report.html'}\n")
    return 0


def _check(options: argparse.Namespace) -> int:
    from optistack.scenario import check, load_scenario

    scenario = load_scenario(options.scenario, allow_paths=options.allow_path)
    findings = check(scenario)
    missing = [f for f in findings if f.level == "missing"]
    if options.json:
        write_json(
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
