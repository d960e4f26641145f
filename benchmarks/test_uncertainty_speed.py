"""How fast the draws of a comparison are; no part of the normal test run.

    pytest -s benchmarks/test_uncertainty_speed.py

Prints CPU seconds for draws of the worked scenario's chamber comparison, the best of three, and the
most memory that numpy held meanwhile. The aim is 0.6 s for 300 draws.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from pathlib import Path

import pytest

import optistack as ost
from optistack.uncertainty import RatioModel, ratio_uncertainty, uniform_draws

SCENARIO = Path(__file__).resolve().parents[1] / "shared" / "lantern_house" / "lantern_house.toml"


def sides() -> tuple[ost.Exposure, ost.Exposure]:
    exposures = ost.load_scenario(SCENARIO).exposures
    return exposures["coupon in the chamber"], exposures["device in the chamber"]


@pytest.mark.parametrize(("draws", "rounds"), [(300, 3), (10_000, 1)])
def test_speed(draws: int, rounds: int) -> None:
    model = RatioModel(*sides(), "electrode")
    drawn = {i.name: i.distribution.at(uniform_draws(1, i.name, 0, draws)) for i in model.inputs}
    model({name: values[:10] for name, values in drawn.items()})
    seconds = []
    for _ in range(rounds):
        start = time.process_time()
        model(drawn)
        seconds.append(time.process_time() - start)
    sys.stdout.write(f"\n{draws} draws at once: {min(seconds):.2f} s of CPU")


@pytest.mark.parametrize("draws", [300, 2000])
def test_memory(draws: int) -> None:
    coupon, device = sides()
    tracemalloc.start()
    start = time.process_time()
    ratio_uncertainty(coupon, device, "electrode", draws=draws)
    seconds = time.process_time() - start
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    sys.stdout.write(
        f"\nratio_uncertainty, {draws} draws: {seconds:.2f} s of CPU while traced, at most "
        f"{peak:.0f} MB"
    )
