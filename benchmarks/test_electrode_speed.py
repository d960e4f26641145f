"""How fast the distributed electrode is; no part of the normal test run.

    pytest -s benchmarks/test_electrode_speed.py

Prints seconds for a full J-V curve (64 voltages) at each of 50 sheet resistances, with its point of
most power, and for what is built on it: the best of three. The aim is 0.5 s for parallel fingers.
"""

from __future__ import annotations

import sys
import timeit
from collections.abc import Callable

import numpy as np
import pytest

from optistack.analysis.electrode import (
    BusbarUnitCell,
    Cell,
    CounterElectrode,
    ParallelFingers,
    ResistanceSeries,
    SquarePad,
    jv_curves,
    power_against_resistance,
    power_over_life,
)

SHEET_OHM_SQ = np.geomspace(10.0, 1e5, 50)
CELL = Cell(9.0, voc_v=0.75, ideality=1.6, shunt_resistance_ohm_cm2=5e3)
WITH_SERIES = Cell(
    9.0, voc_v=0.75, ideality=1.6, shunt_resistance_ohm_cm2=5e3, series_resistance_ohm_cm2=2.0
)
FINGERS = ParallelFingers(5.0, finger_width_um=100.0)

WORK: dict[str, Callable[[], object]] = {
    "50 curves": lambda: jv_curves(CELL, ParallelFingers(5.0), SHEET_OHM_SQ),
    "50 curves, vertical resistance": lambda: jv_curves(WITH_SERIES, FINGERS, SHEET_OHM_SQ),
    "50 curves, resistive finger": lambda: jv_curves(
        CELL,
        ParallelFingers(5.0, finger_width_um=100.0, finger_length_mm=20.0, finger_ohm_per_cm=0.5),
        SHEET_OHM_SQ,
    ),
    "50 curves, both electrodes": lambda: jv_curves(
        CELL, ParallelFingers(5.0, counter=CounterElectrode(100.0, "opposite")), SHEET_OHM_SQ
    ),
    "power map": lambda: power_against_resistance(CELL, FINGERS, SHEET_OHM_SQ),
    "power over life": lambda: power_over_life(
        CELL, FINGERS, ResistanceSeries(np.arange(50.0), SHEET_OHM_SQ)
    ),
    "one curve, square pad": lambda: jv_curves(CELL, SquarePad(5.0), 1000.0),
    "one curve, busbar unit cell": lambda: jv_curves(CELL, BusbarUnitCell(5.0, 20.0), 1000.0),
}


@pytest.mark.parametrize("name", WORK)
def test_speed(name: str) -> None:
    seconds = min(timeit.repeat(WORK[name], number=1, repeat=3))
    sys.stdout.write(f"\n{name:34s} {seconds:7.3f} s")
