"""How fast filters are judged; no part of the normal test run.

    pytest -s benchmarks/test_filter_choice_speed.py

Prints seconds of CPU for 2000 candidates in four mounts under lamp and sun with four weights: the
best of three. The aim is 10 s on two cores.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import numpy as np

import optistack as ost
from optistack.tables import data_folder


def test_two_thousand_candidates() -> None:
    scenario = ost.load_scenario(data_folder("shared") / "lantern_house" / "lantern_house.toml")
    exposures = [scenario.exposures[n] for n in scenario.question.filters_on]
    mounts: list[Any] = ["laminated", "detached_gap", "detached_far", "in_substrate"]
    candidates = ost.edge_family(
        np.arange(330.0, 430.0, 2.0), np.arange(4.0, 24.0, 2.0), mounts=mounts
    )
    collections = {e.name: scenario.collections["device"] for e in exposures}
    best = np.inf
    for _ in range(3):
        start = time.process_time()
        ost.evaluate_filters(exposures, candidates, "electrode", collections=collections)
        best = min(best, time.process_time() - start)
    sys.stderr.write(f"\n{len(candidates)} candidates, lamp and sun, 4 weights: {best:.2f} s\n")
