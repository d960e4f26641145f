"""The commands, each a function of its parsed options in a module of its own.

Exit codes: 0 done, 1 input refused, 2 wrong usage, 130 interrupted. Nothing heavy is imported
before a command needs it.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Sequence
from typing import Any

from optistack import __version__
from optistack.cli import constants, exploring, ledger, listing, planning, reading, runs
from optistack.cli.progress import write_json
from optistack.errors import OptistackError, QuestionError


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
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for module in (runs, exploring, planning, reading, constants, ledger, listing):
        module.add(commands, common)
    return parser


def command() -> int:
    """What the process does that a terminal starts: a command, and no more."""
    code = main()
    # At its end Python looks for cycles in all that is still there; it is about to go anyway.
    gc.freeze()
    return code


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit code."""
    # The matrices here are small: a second thread of numpy's library only waits for the first, and
    # takes a core from the process that draws.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    options = _parser().parse_args(arguments)
    try:
        return int(options.command(options))
    except OptistackError as error:
        if options.debug:
            raise
        from optistack.tables import printable

        # File names and contents are quoted: nothing in them may act on the terminal.
        message = printable(str(error))
        if options.json:
            answer: dict[str, Any] = {"kind": type(error).__name__, "message": message}
            if isinstance(error, QuestionError):
                answer |= {"option": error.option, "choices": list(error.choices)}
            write_json({"error": answer})
        sys.stderr.write(f"optistack: {message}\n")
        return 1
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        kept = getattr(options, "resume", None)
        said = "" if kept is None else f"; finished draws are kept in {kept}"
        sys.stderr.write(f"optistack: interrupted; nothing was changed{said}\n")
        return 130
