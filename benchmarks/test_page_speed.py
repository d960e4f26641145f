"""How long the page takes to answer, per control, in processor time (docs/explore.md).

Run: pytest -p benchmark benchmarks/test_page_speed.py -s
"""

from __future__ import annotations

import time

import numpy as np
import pytest

from optistack.page.answers import Desk
from optistack.page.knobs import knobs_of, prepared
from optistack.page.state import demo_state

LIMIT_MS = 150.0
START = prepared(demo_state())


@pytest.mark.parametrize("key", [k.key for k in knobs_of(START)])
def test_answers_after_letting_go(key: str) -> None:
    knob = next(k for k in knobs_of(START) if k.key == key)
    best = np.inf
    for steps in (1, 2, 3):
        value = knob.read(START)
        if knob.kind == "choice":
            others = [v for v in knob.options(START).values() if v != value]
            value = others[steps % len(others)]
        else:
            _, high, step = knob.span(START)
            value += steps * step if value + steps * step <= high else -steps * step
        desk = Desk()  # one that has not seen this value
        desk.answer(START)
        began = time.process_time()
        desk.answer(knob.write(START, value), whole=False)
        best = min(best, time.process_time() - began)
    print(f"{key}: {1e3 * best:.0f} ms")
    assert 1e3 * best <= LIMIT_MS
