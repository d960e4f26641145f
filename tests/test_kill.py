"""`run` killed at random moments: the old result is there, or the complete new one.

The short form kills a few times; OPTISTACK_LONG=1 kills 60 times (docs/robustness.md).
"""

from __future__ import annotations

import copy
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import ROOT
from test_malformed import MALFORMED

from optistack.cli import main

LONG = os.environ.get("OPTISTACK_LONG") == "1"
KILLS = 60 if LONG else 5
SEED = 20261125


def digests(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


@pytest.fixture(scope="module")
def scenarios(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Path], list[dict[str, str]]]:
    """Two scenarios with different answers, and the digests of their results."""
    folder = tmp_path_factory.mktemp("kill")
    paths, results = [], []
    for i, thickness in enumerate((100, 140)):
        data = copy.deepcopy(MALFORMED.SOUND)
        data["stacks"]["device"]["layers"][1]["thickness_nm"] = thickness
        path = MALFORMED.write(MALFORMED.sound_scenario(), folder / f"s{i}")
        path.write_text(MALFORMED.document(data))
        assert main(["run", str(path), "--out", str(folder / f"reference{i}")]) == 0
        paths.append(path)
        results.append(digests(folder / f"reference{i}"))
    assert results[0].keys() == results[1].keys()
    assert results[0]["results.json"] != results[1]["results.json"]
    return paths, results


def start(scenario: Path, out: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "optistack", "run", str(scenario), "--out", str(out), "--force"],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def parts(folder: Path) -> list[Path]:
    return list(folder.glob(".out.part-*"))


def test_a_killed_run_leaves_a_whole_result(
    scenarios: tuple[list[Path], list[dict[str, str]]], tmp_path: Path
) -> None:
    """Half of the kills fall anywhere in the run, half of them while files are written."""
    paths, results = scenarios
    chance = random.Random(SEED)
    out = tmp_path / "out"
    began = time.monotonic()
    assert start(paths[0], out).wait() == 0
    whole_s = time.monotonic() - began
    assert digests(out) == results[0]
    there, outcomes = 0, {"old": 0, "new": 0, "during": 0}
    for kill in range(KILLS):
        process = start(paths[1 - there], out)
        if kill % 2:
            # When the new folder has got its first files, wait for some of the rest of the time.
            while process.poll() is None and not any(any(p.glob("*")) for p in parts(tmp_path)):
                time.sleep(0.001)
            time.sleep(chance.uniform(0, 0.45 * whole_s))
        else:
            time.sleep(chance.uniform(0, 1.1 * whole_s))
        process.send_signal(signal.SIGKILL)
        process.wait()
        found = digests(out)
        assert found in results, f"kill {kill}: neither the old result nor the new one"
        after = results.index(found)
        outcomes["old" if after == there else "new"] += 1
        left = parts(tmp_path)
        outcomes["during"] += bool(left)
        there = after
        # Beside the result only a hidden piece is left; later runs do not mind one.
        assert {p.name for p in tmp_path.iterdir()} - {p.name for p in left} == {"out"}
        for piece in left if kill < KILLS - 1 else []:
            shutil.rmtree(piece)
    assert outcomes["old"] > 0
    assert start(paths[1 - there], out).wait() == 0
    assert digests(out) == results[1 - there]
    sys.stdout.write(f"{KILLS} kills of a run of {whole_s:.1f} s: {outcomes}\n")


def test_a_killed_run_leaves_nothing_or_a_whole_first_result(
    scenarios: tuple[list[Path], list[dict[str, str]]], tmp_path: Path
) -> None:
    """Where there was no result before."""
    paths, results = scenarios
    chance = random.Random(SEED)
    for kill in range(KILLS // 4 + 1):
        out = tmp_path / f"{kill}" / "out"
        process = start(paths[0], out)
        while process.poll() is None and not parts(out.parent):
            time.sleep(0.001)
        time.sleep(chance.uniform(0, 1.0))
        process.kill()
        process.wait()
        assert not out.exists() or digests(out) == results[0]
