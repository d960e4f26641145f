"""Very large files are refused, and the largest that are read stay within a stated memory."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import ROOT

from optistack.tables import MAX_BYTES, MAX_ROWS

LONG = os.environ.get("OPTISTACK_LONG") == "1"
# Peak memory of the process over that of one that reads a small file (docs/robustness.md).
REFUSED_MB, READ_MB = 30, 400
# The peak of this process alone: what a fork brings along does not count.
CHILD = """
import sys
from optistack.cli import main
try:
    code = main(sys.argv[1:])
finally:
    line = next(x for x in open("/proc/self/status") if x.startswith("VmHWM"))
    sys.stderr.write("\\npeak " + line.split()[1])
sys.exit(code)
"""

needs_proc = pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="peak memory is read from /proc"
)


def run(*arguments: str | Path) -> tuple[int, str, float]:
    """Exit code, what is said, and the peak memory [MB]."""
    done = subprocess.run(
        [sys.executable, "-c", CHILD, *map(str, arguments)],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    said, _, peak = done.stderr.rpartition("\npeak ")
    return done.returncode, said.strip(), float(peak) / 1000


@pytest.fixture(scope="module")
def small_mb(tmp_path_factory: pytest.TempPathFactory) -> float:
    path = tmp_path_factory.mktemp("small") / "scan.txt"
    path.write_text("nm;%T\n300;12\n310;13\n")
    code, said, peak = run("read", path, "--as", "transmittance")
    assert code == 0, said
    return peak


def sparse(path: Path) -> None:
    with path.open("r+b" if path.exists() else "wb") as file:
        file.truncate(100_000_000)


def written(path: Path) -> None:
    line = b"300.5;12.25\n" * 1000
    with path.open("wb") as file:
        while file.tell() < 100_000_000:
            file.write(line)


@needs_proc
@pytest.mark.parametrize("fill", [sparse, written])
@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("scan.txt", ("--as", "transmittance")),
        ("scan.txt", ("--as", "sheet-resistance")),
        ("table.csv", ("--as", "nk")),
        ("s.toml", ()),
    ],
)
def test_100_mb_are_refused_unread(
    name: str,
    arguments: tuple[str, ...],
    fill: Callable[[Path], None],
    tmp_path: Path,
    small_mb: float,
) -> None:
    path = tmp_path / name
    fill(path)
    command = "read" if arguments else "check"
    code, said, peak = run(command, path, *arguments)
    path.unlink()
    assert code == 1
    assert said == f"optistack: {path}: 100 MB is more than a table can have (20 MB)"
    assert peak - small_mb < REFUSED_MB


@needs_proc
def test_a_scenario_with_a_100_mb_table(tmp_path: Path, small_mb: float) -> None:
    scenario = tmp_path / "s.toml"
    scenario.write_text('title = "x"\n[materials.film]\ntable = "film.csv"\n')
    (tmp_path / "film.csv").write_text("wavelength_nm,n\n300,1\n400,1\n")
    sparse(tmp_path / "film.csv")
    code, said, peak = run("check", scenario)
    assert code == 1
    assert "film.csv: 100 MB is more than a table can have" in said
    assert peak - small_mb < REFUSED_MB


@needs_proc
def test_more_rows_than_a_spectrum_can_have(tmp_path: Path, small_mb: float) -> None:
    for name, head, kind in (
        ("scan.txt", "nm;%T", "transmittance"),
        ("t.csv", "wavelength_nm,n", "nk"),
    ):
        mark = head[-3] if ";" in head else ","
        path = tmp_path / name
        path.write_text(
            head + "\n" + "".join(f"{300 + i * 1e-3:.3f}{mark}12\n" for i in range(MAX_ROWS + 2))
        )
        code, said, peak = run("read", path, "--as", kind)
        assert code == 1
        assert f"({MAX_ROWS})" in said
        assert peak - small_mb < REFUSED_MB + 100  # the text itself


@needs_proc
@pytest.mark.parametrize("name", ["scan.txt", "table.csv"])
def test_the_largest_files_that_are_read(name: str, tmp_path: Path, small_mb: float) -> None:
    """Just below both limits; the short form takes a tenth of the rows."""
    rows = 150_000 if LONG else 15_000
    columns = 15 if LONG else 150
    mark = ";" if name == "scan.txt" else ","
    path = tmp_path / name
    names = [f"c{i}" for i in range(columns - 1)]
    head = ["nm", "T", *names] if mark == ";" else ["wavelength_nm", "n", *names]
    tail = mark + mark.join(["0.1234"] * columns) + "\n"
    with path.open("w") as file:
        file.write(mark.join(head) + "\n")
        file.writelines(f"{300 + i * 1e-3:.3f}{tail}" for i in range(rows))
    assert 0.75 * MAX_BYTES < path.stat().st_size <= MAX_BYTES
    arguments = ["--as", "nk"]
    if mark == ";":
        arguments = ["--as", "transmittance", "--sample", "1", "--unit", "fraction"]
    code, said, peak = run("read", path, *arguments)
    assert code == 0, said
    assert peak - small_mb < READ_MB, f"{peak:.0f} MB, {small_mb:.0f} MB for a small file"
