"""The command explore: a scenario as a live page on this machine."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from optistack.cli.options import add_allow_path
from optistack.cli.progress import write_json


def add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the command to the parser."""
    explore = commands.add_parser(
        "explore",
        parents=[common],
        help="open a scenario as a live page: move a control and see the answer",
        description="Serve a live page on this machine only. Without a scenario the invented demo "
        "is shown. Ends with Ctrl-C.",
    )
    explore.add_argument("scenario", metavar="SCENARIO.toml", type=Path, nargs="?")
    explore.add_argument(
        "--port", metavar="N", type=int, default=0, help="use this port (default: a free one)"
    )
    explore.add_argument(
        "--no-browser", action="store_true", help="only say the address, open nothing"
    )
    add_allow_path(explore)
    explore.add_argument(
        "--allow-host",
        metavar="NAME",
        action="append",
        default=[],
        help="also answer under this host name, for a tunnel or a proxy (may be repeated); the "
        "page still listens on this machine alone",
    )
    explore.set_defaults(command=_explore)


def _explore(options: argparse.Namespace) -> int:
    from optistack.page import need_page

    need_page()
    from optistack.page.server import serve

    def started(address: str) -> None:
        if options.json:
            write_json({"address": address})
        else:
            sys.stdout.write(f"{address}\nEnd with Ctrl-C.\n")
        sys.stdout.flush()

    try:
        serve(
            options.scenario,
            port=options.port,
            allow_paths=options.allow_path,
            allow_hosts=options.allow_host,
            started=started,
            show=not options.no_browser,
        )
    except KeyboardInterrupt:
        sys.stderr.write("optistack: the page is closed\n")
    return 0
