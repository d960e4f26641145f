"""A scan of one layer against the engine itself, which has its own tests."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_gradients import LAM, TRAPS, index_of

from optistack import layer_scan
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


def test_several_angles_and_single_values() -> None:
    trap = TRAPS["mixed"]
    n, d, angles = index_of(trap), np.array(trap.d), [0.0, 35.0, 80.0]
    ready = PreparedStack(n, d, LAM, 2, of=[0, 4], angle_deg=angles, coherent=trap.coherent)
    scan = ready.scan([30.0, 120.0])
    r = engine(n, d, 2, [30.0, 120.0], None, angle_deg=angles, coherent=trap.coherent)
    assert scan.reflectance.shape == (2, 3, 3) and scan.absorptance.shape == (2, 3, 2, 3)
    np.testing.assert_allclose(scan.absorptance, r.absorptance[:, :, [0, 4]], rtol=CLOSE)
    as_it_stands = ready.scan()
    np.testing.assert_allclose(
        as_it_stands.transmittance[0],
        solve(n, d, LAM, angle_deg=angles, coherent=trap.coherent).transmittance,
        rtol=CLOSE,
    )
    one_n = ready.scan(n=[1.5 + 0.1j, 1.6])
    assert one_n.reflectance.shape == (2, 3, 3)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from(["s", "p"]))
def test_any_layer_of_any_stack(seed: int, polarization: Any) -> None:
    rng = np.random.default_rng(seed)
    inner = int(rng.integers(1, 8))
    n = np.ones((inner + 2, LAM.size), dtype=complex)
    n[1:] = rng.uniform(1.1, 2.8, (inner + 1, 1)) + 1j * 10 ** rng.uniform(-9, 0.3, (inner + 1, 1))
    n[0] = rng.choice([1.0, 1.5])
    coherent = rng.random(inner) < 0.6
    d = np.where(coherent, rng.uniform(5, 400, inner), rng.uniform(3e3, 1e6, inner))
    layer = int(rng.integers(0, inner))
    how: Any = {
        "angle_deg": float(rng.uniform(0, 89)),
        "polarization": polarization,
        "coherent": coherent,
    }
    thickness = d[layer] * rng.uniform(0, 3, 4)
    scan = PreparedStack(n, d, LAM, layer, of=range(inner), **how).scan(thickness)
    r = engine(n, d, layer, thickness, None, **how)
    np.testing.assert_allclose(scan.reflectance, r.reflectance, rtol=CLOSE, atol=CLOSE)
    np.testing.assert_allclose(scan.transmittance, r.transmittance, rtol=CLOSE, atol=1e-13)
    np.testing.assert_allclose(scan.absorptance, r.absorptance, rtol=CLOSE, atol=CLOSE)


def test_the_cost_does_not_depend_on_the_other_layers(monkeypatch: pytest.MonkeyPatch) -> None:
    """No run is solved again for a value, and ten times the layers cost no more CPU time.

    The bound of 1.5 is generous to a shared machine: 40 layers solved anew take about ten times
    as long as 4.
    """
    lam = np.linspace(300.0, 700.0, 401)
    ready = []
    for inner in (4, 40):
        n = 1.5 + 0.5 * np.sin(np.arange(inner + 2.0)) + 0.02j
        n[0] = 1.0
        ready.append(
            PreparedStack(n, np.full(inner, 30.0), lam, inner // 2, of=[0, inner // 2, inner - 1])
        )

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("a run was solved again")

    monkeypatch.setattr(layer_scan, "coherent_run", never)
    monkeypatch.setattr(layer_scan, "solve_chain", never)
    best = [np.inf, np.inf]
    for _ in range(5):
        for i, stack in enumerate(ready):
            began = time.process_time()
            stack.scan(np.linspace(0.0, 200.0, 200))
            best[i] = min(best[i], time.process_time() - began)
    assert best[1] < 1.5 * best[0]


def test_what_is_refused() -> None:
    stack: Any = ([1.0, 1.5 + 0.1j, 1.5], [10.0], [400.0, 500.0])
    for call, text in (
        (lambda: PreparedStack(*stack, 1), "layer 1 does not exist: inner layers are 0 to 0"),
        (lambda: PreparedStack(*stack, 0, of=[3]), "layer 3 does not exist"),
        (lambda: PreparedStack(np.ones((2, 3, 1)), [1.0], [400.0], 0), "varies one stack"),
        (lambda: PreparedStack(*stack, 0).scan([-1.0]), "must be finite and not negative"),
        (lambda: PreparedStack(*stack, 0).scan([1.0], [1.5 - 0.1j]), "k must not be negative"),
        (lambda: PreparedStack(*stack, 0).scan([1.0, 2.0], [1.5, 1.5, 1.5]), "do not fit"),
        (lambda: PreparedStack(*stack, 0).scan([[1.0]]), "must be"),
    ):
        with pytest.raises(StackError, match=text):
            call()
