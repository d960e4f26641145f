"""How fast the draws of a comparison are; no part of the normal test run.

    pytest -s benchmarks/test_uncertainty_speed.py

Prints CPU seconds for draws of the worked scenario's chamber comparison, the best of several, then
seconds on the wall with one and with two processes, and the memory of a process that makes them
(OPTISTACK_DRAWS: of so many draws). The aim is 10 s for 10000 draws on two cores. The light meets
both samples at normal incidence; "no holder" leaves out the coupon's white holder, which returns
light from all directions.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

import optistack as ost
from optistack.compiled_kernel import Engine
from optistack.uncertainty import RatioModel, Stream, propagate
from optistack.workers import Workers

ROOT = Path(__file__).resolve().parents[1]
SCENARIO = ROOT / "shared" / "lantern_house" / "lantern_house.toml"


def worked_model(*, holder: bool = True, engine: Engine = "numpy") -> RatioModel:
    exposures = ost.load_scenario(SCENARIO).exposures
    coupon, device = exposures["coupon in the chamber"], exposures["device in the chamber"]
    if not holder:
        coupon = replace(coupon, geometry=ost.Geometry())
    return RatioModel(coupon, device, "electrode", engine=engine)


@pytest.mark.parametrize("holder", [True, False], ids=["as it is", "no holder"])
@pytest.mark.parametrize("engine", ["numpy", "compiled"])
@pytest.mark.parametrize(("draws", "rounds"), [(300, 5), (10_000, 3)])
def test_speed(draws: int, rounds: int, engine: Engine, holder: bool) -> None:
    model = worked_model(holder=holder, engine=engine)
    propagate(model, model.inputs, draws=1000, chunk=500)
    seconds = []
    for _ in range(rounds):
        start = time.process_time()
        propagate(model, model.inputs, draws=draws, chunk=500)
        seconds.append(time.process_time() - start)
    said = "as it is" if holder else "no holder"
    sys.stdout.write(
        f"\n{draws} draws, {engine}, {said}: {min(seconds):.2f} s of CPU, best of {rounds}"
    )


@pytest.mark.parametrize("engine", ["numpy", "compiled"])
@pytest.mark.parametrize("processes", [1, 2])
def test_wall(processes: int, engine: Engine) -> None:
    model = worked_model(engine=engine)
    seconds = []
    for _ in range(3):  # the first starts the processes
        start = time.perf_counter()
        propagate(model, model.inputs, draws=10_000, chunk=500, workers=Workers(processes))
        seconds.append(time.perf_counter() - start)
    sys.stdout.write(
        f"\n10000 draws, {engine}, {processes} processes: {seconds[0]:.2f} s on the wall at first, "
        f"{min(seconds[1:]):.2f} s afterwards"
    )


def test_drawing_alone() -> None:
    """What the numbers themselves cost, without any optics."""
    model = worked_model()
    names = tuple(i.name for i in model.inputs)
    for method in ("random", "sobol"):
        stream = Stream(names, 1, method)
        stream.quantiles(0, 500)
        start = time.process_time()
        for at in range(0, 10_000, 500):
            found = stream.quantiles(at, 500)
            for i in model.inputs:
                i.distribution.at(found[i.name])
        seconds = time.process_time() - start
        sys.stdout.write(
            f"\ndrawing 10000 x {len(names)} numbers, {method}: {seconds:.3f} s of CPU"
        )


CHILD = """
import resource, sys
sys.path.insert(0, sys.argv[1])
from test_uncertainty_speed import worked_model
from optistack.uncertainty import propagate
model = worked_model()
propagate(model, model.inputs, draws=500, chunk=500)
peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
before = peak()
found = propagate(model, model.inputs, draws=int(sys.argv[2]), chunk=500, log=model.outputs)
for name in found.outputs:
    found.interval(name), found.convergence(name)
found.sentence()
print(f"{sys.argv[2]} draws: at most {peak():.0f} MB, {peak() - before:.0f} MB above 500 draws")
"""


@pytest.mark.parametrize("draws", [10_000, int(os.environ.get("OPTISTACK_DRAWS", "100000"))])
def test_memory(draws: int) -> None:
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(Path(__file__).parent), str(draws)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    sys.stdout.write("\n" + done.stdout.strip())
