"""A scan of one layer against the engine itself, which has its own tests."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_gradients import LAM, TRAPS, index_of

from optistack import layer_optics
from optistack.errors import StackError
from optistack.layer_scan import PreparedStack
from optistack.transfer_matrix import solve

# Both ways of doing it round in another order; 1e-11 is what is promised.
CLOSE = 1e-11


def engine(n: Any, d: Any, layer: int, thickness: Any, index: Any, **how: Any) -> Any:
    count = len(thickness)
    stacks, thick = np.repeat(n[None], count, axis=0), np.repeat(np.array(d)[None], count, axis=0)
    thick[:, layer] = thickness
    if index is not None:
        stacks[:, 1 + layer] = index
    return solve(stacks, thick, LAM, **how)


@pytest.mark.parametrize("polarization", ["s", "p", "mean"])
@pytest.mark.parametrize("name", TRAPS)
def test_a_scan_gives_what_the_engine_gives(name: str, polarization: Any) -> None:
    trap = TRAPS[name]
    n, d = index_of(trap), np.array(trap.d)
    how = {"angle_deg": trap.angle, "polarization": polarization, "coherent": trap.coherent}
    for layer in range(d.size):
        thickness = d[layer] * np.array([0.0, 0.3, 1.0, 7.0, 400.0])
        ready = PreparedStack(n, d, LAM, layer, of=range(d.size), **how)
        for index in (None, n[1 + layer] * np.linspace(0.9, 1.2, 5)[:, None]):
            scan = ready.scan(thickness, index)
            r = engine(n, d, layer, thickness, index, **how)
            for mine, its in (
                (scan.reflectance, r.reflectance),
                (scan.transmittance, r.transmittance),
                (scan.absorptance, r.absorptance),
            ):
                np.testing.assert_allclose(mine, its, rtol=CLOSE, atol=CLOSE)
        # Behind opaque layers little arrives, but that much is right.
        weak = np.abs(r.absorptance) > 1e-290
        if trap.coherent is None and name != "grazing":
            np.testing.assert_allclose(
                scan.absorptance[weak], r.absorptance[weak], rtol=1e-6, atol=0
            )
