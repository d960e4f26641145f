"""The second process that draws: same figures, no harm when it fails, no orphan."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import LANTERN_HOUSE, ROOT

import optistack as ost
from optistack.report import Draft
from optistack.report.painter import Painter
from optistack.scenario import RunResult


@pytest.fixture(scope="module")
def result() -> RunResult:
    return ost.run(ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml"))


def report(result: RunResult, folder: Path, painter: Painter | None) -> dict[str, bytes]:
    folder.mkdir()
    names = Draft(painter).write(result, folder)
    return {name: (folder / name).read_bytes() for name in names}


@pytest.fixture(scope="module")
def alone(result: RunResult, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return report(result, tmp_path_factory.mktemp("painter") / "alone", None)


def test_the_report_is_the_same_to_the_byte(
    alone: dict[str, bytes], result: RunResult, tmp_path: Path
) -> None:
    with Painter() as painter:
        together = report(result, tmp_path / "together", painter)
        assert painter.finish()  # it did draw
    assert list(alone) == list(together)
    assert alone == together


def test_a_draft_that_grows_with_the_run(alone: dict[str, bytes], tmp_path: Path) -> None:
    """Part after part, as a command does it: the same report."""
    parts = []
    with Painter() as painter:
        draft = Draft(painter)

        def add(found: RunResult) -> None:
            parts.append(found)
            draft.add(found)

        result = ost.run(ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml"), so_far=add)
        assert parts[0].comparisons and parts[0].rates is None
        assert parts[-1].filter_choice is result.filter_choice
        names = draft.write(result, tmp_path)
    assert {name: (tmp_path / name).read_bytes() for name in names} == alone


def test_drawing_here_is_not_needed_with_a_painter(tmp_path: Path) -> None:
    """The process that computes never loads the drawing library."""
    code = (
        "import sys\n"
        "from optistack.cli import main\n"
        f"main(['demo', '--out', {str(tmp_path / 'out')!r}])\n"
        "print('matplotlib' in sys.modules, file=sys.stderr)\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=True,
    )
    assert ended.stderr.splitlines()[-1] == "False"


def test_the_painter_loads_no_analyses() -> None:
    code = (
        "import sys, optistack.report.figures, optistack.report.painter\n"
        "print([m for m in sys.modules if m.startswith(('scipy', 'optistack.analysis', 'pandas'))])"
    )
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    assert subprocess.check_output([sys.executable, "-c", code], env=env).strip() == b"[]"


@pytest.mark.parametrize("executable", ["", "/no/such/python", "/bin/false"])
def test_a_painter_that_cannot_start(executable: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", executable)
    with Painter() as painter:
        painter.send({"answers": "none"})
        assert painter.finish() is None


def test_a_painter_that_fails_costs_time_only(
    alone: dict[str, bytes],
    result: RunResult,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with Painter() as painter:
        assert report(result, tmp_path / "out", painter) == alone


def test_a_painter_that_is_killed_costs_time_only(
    alone: dict[str, bytes], result: RunResult, tmp_path: Path
) -> None:
    with Painter() as painter:
        assert painter._process is not None
        draft = Draft(painter)
        draft.add(result)
        deadline = time.monotonic() + 60
        while not painter._drawn and time.monotonic() < deadline:
            time.sleep(0.01)
        assert painter._drawn  # it was at work
        painter._process.kill()
        names = draft.write(result, tmp_path)
    assert {name: (tmp_path / name).read_bytes() for name in names} == alone


def test_nothing_to_draw_ends_quietly() -> None:
    with Painter() as painter:
        process = painter._process
        assert process is not None
    assert process.poll() is not None


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="looks into /proc")
def test_it_does_not_outlive_the_process_that_started_it() -> None:
    """Killed without warning: the pipe ends, and with it the painter."""
    code = (
        "import time\n"
        "from optistack.report.painter import Painter\n"
        "painter = Painter()\n"
        "print(painter._process.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", code],
        stdout=subprocess.PIPE,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert parent.stdout is not None
    with parent:
        child = int(parent.stdout.readline())
        parent.send_signal(signal.SIGKILL)
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline and running(child):
        time.sleep(0.05)
    assert not running(child)


def running(pid: int) -> bool:
    """Whether a process exists and is more than an entry in a table."""
    status = Path(f"/proc/{pid}/status")
    if not status.exists():
        return False
    return "State:\tZ" not in status.read_text(encoding="utf-8")
