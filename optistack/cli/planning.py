"""The command plan: the plan sheet and the reporting sheet of a scenario, without the report."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

from optistack.cli.options import add_allow_path
from optistack.cli.progress import Progress, write_json
from optistack.errors import OptistackError


def add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "plan",
        parents=[common],
        help="one page for the lamp chamber: which test gives the coupon the device's dose",
        description="Print the plan sheet of a scenario with [site] and [plan]: hours, set point "
        "and filter of a standard cycle, what it does not cover, and the cautions. Then what the "
        "consensus protocols ask authors to state, gaps shown.",
        epilog="Hours of equal dose are no acceleration factor. Local rules and the responsible "
        "person prevail.",
    )
    parser.add_argument("scenario", metavar="SCENARIO.toml", type=Path)
    parser.add_argument(
        "--cycle", metavar="NAME", help='of the list, such as "ASTM G154, 1"; --list shows them'
    )
    parser.add_argument("--filter", metavar="NAME", help="in front of the coupon, or none")
    parser.add_argument("--list", action="store_true", help="every cycle with its hours, no sheet")
    parser.add_argument(
        "--out", metavar="DIR", type=Path, help="write plan_sheet.md and reporting_sheet.md there"
    )
    parser.add_argument("--force", action="store_true", help="replace existing sheets")
    add_allow_path(parser)
    parser.set_defaults(command=_plan)


def _plan(options: argparse.Namespace) -> int:
    from optistack.errors import ScenarioError
    from optistack.report.data_outdoors import plan_json
    from optistack.scenario import load_scenario, run

    scenario = load_scenario(options.scenario, allow_paths=options.allow_path)
    if scenario.plan is None:
        raise ScenarioError("is missing: there is nothing to plan; see docs/scenario.md", "plan")
    names = ("plan_sheet.md", "reporting_sheet.md")
    if options.out is not None and not options.force:
        for name in names:
            if (options.out / name).exists():
                raise OptistackError(f"{options.out / name} exists; replace it with --force")
    asked = replace(
        scenario.plan,
        sheet_cycle=options.cycle or scenario.plan.sheet_cycle,
        sheet_filter=options.filter or (None if options.cycle else scenario.plan.sheet_filter),
    )
    progress = Progress()
    try:
        # What the plan does not rest on is not computed.
        result = run(
            replace(scenario, plan=asked, electrode=None, uncertainty=None), progress=progress
        )
    finally:
        progress.stop()
    answer = result.plan
    if answer is None:
        raise OptistackError("no plan came out of the scenario")
    files = []
    if options.out is not None:
        options.out.mkdir(parents=True, exist_ok=True)
        for name, text in zip(names, (answer.plan_sheet, answer.reporting_sheet), strict=True):
            (options.out / name).write_text(text, encoding="utf-8")
            files.append(str(options.out / name))
    if options.json:
        write_json({"plan": plan_json(answer), "files": files})
        return 0
    if options.list:
        for row in answer.plan.rows:
            hours = row.over_weights if asked.light_hours is None else row.years_over_weights
            unit = "h of light" if asked.light_hours is None else "device years"
            shown = "-" if hours is None else f"{hours.format()} {unit}"
            sys.stdout.write(
                f"{row.cycle.name}; {row.set_point.label}; filter {row.filter}: {shown} "
                f"[{row.cycle.mark}]\n"
            )
        for cycle, why in answer.plan.left_out:
            sys.stdout.write(f"{cycle.name}: not planned, {why}\n")
    elif not files:
        sys.stdout.write(f"{answer.plan_sheet}\n{answer.reporting_sheet}")
    for file in files:
        sys.stdout.write(f"written: {file}\n")
    return 0
