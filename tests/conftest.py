"""What the tests share: the reference checks, the worked scenario, quiet drawing."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

os.environ.setdefault("MPLBACKEND", "Agg")

ROOT = Path(__file__).resolve().parent.parent
LANTERN_HOUSE = ROOT / "shared" / "lantern_house"

# A first draw compiles and reads tables, which says nothing about the code under test.
settings.register_profile("optistack", deadline=None)
settings.load_profile("optistack")


@cache
def reference_checks() -> dict[str, dict[str, Any]]:
    """The worked checks of shared/reference/checks.json by id; each holds its own source."""
    listed = json.loads((ROOT / "shared/reference/checks.json").read_text(encoding="utf-8"))
    return {check["id"]: check for check in listed}


@pytest.fixture(scope="session")
def check() -> Callable[[str], dict[str, Any]]:
    """One worked check by its id."""
    return lambda name: reference_checks()[name]


@pytest.fixture
def lantern(tmp_path: Path) -> Path:
    """A copy of the Lantern House folder that a test may change; the path of its scenario."""
    folder = tmp_path / "lantern_house"
    shutil.copytree(LANTERN_HOUSE, folder)
    return folder / "lantern_house.toml"
