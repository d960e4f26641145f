"""How fast the package and its command start; no part of the normal test run.

    pytest -s benchmarks/test_start_speed.py

Prints the least wall and CPU seconds of ten fresh interpreters. The aims are 0.15 s for
``import optistack`` and 0.25 s for ``optistack --help``.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time

import pytest

STARTS = {
    "import optistack": [sys.executable, "-c", "import optistack"],
    "optistack --help": [sys.executable, "-m", "optistack", "--help"],
}


@pytest.mark.parametrize("name", STARTS)
def test_speed(name: str) -> None:
    wall, cpu = [], []
    for _ in range(10):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        start = time.perf_counter()
        subprocess.run(STARTS[name], check=True, capture_output=True)
        wall.append(time.perf_counter() - start)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    sys.stdout.write(f"\n{name:20s} {min(wall):.3f} s, {min(cpu):.3f} s of CPU")
