"""Options that several commands have."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_allow_path(parser: argparse.ArgumentParser) -> None:
    """Folders outside that of the scenario from which files may be read: ``allow_path``."""
    parser.add_argument(
        "--allow-path",
        metavar="DIR",
        type=Path,
        action="append",
        default=[],
        help="also read files from this folder (may be repeated)",
    )
