"""Derivatives against differences of the engine itself, on ordinary stacks and on every trap.

Nothing from the outside is checked here: the engine has its own tests, and a derivative is held
against differences of what it gives.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from optistack.errors import StackError
from optistack.gradients import Gradients, Weights, gradients, pull_back
from optistack.transfer_matrix import solve

Real = NDArray[np.float64]
LAM = np.array([310.0, 400.0, 555.0])


class Trap(NamedTuple):
    """A stack that is hard on the arithmetic."""

    n: list[complex]
    d: list[float]
    coherent: list[bool] | None = None
    angle: float = 0.0


FILM = [1.0, 1.7 + 0.05j, 2.0 + 0.3j, 1.5]
MIXED = [1.0, 1.7 + 0.05j, 1.52 + 2e-5j, 2.0 + 0.3j, 1.4 + 1e-4j, 1.8 + 0.2j, 1.0]
MIXED_D = [80.0, 1e4, 120.0, 5e3, 60.0]
MIXED_FLAGS = [True, False, True, False, True]
CRITICAL = float(np.degrees(np.arcsin(1 / 1.5)))
TRAPS = {
    "plain": Trap(FILM, [80.0, 120.0]),
    "oblique": Trap(FILM, [80.0, 120.0], None, 55.0),
    "absorbing substrate": Trap([1.0, 1.7 + 0.05j, 0.9 + 3.0j], [90.0], None, 60.0),
    "opaque": Trap([1.0, 0.2 + 3.0j, 1.6 + 0.4j, 1.5], [300.0, 900.0], None, 40.0),
    "many opaque": Trap(
        [1.0, 1.6 + 0.5j, 2.0 + 0.6j, 1.7 + 0.4j, 1.0], [4e3, 5e3, 6e3], None, 20.0
    ),
    "weak absorber": Trap([1.0, 1.7 + 1e-12j, 2.0 + 1e-9j, 1.5], [80.0, 120.0], None, 35.0),
    "nearly grazing": Trap(FILM, [80.0, 120.0], None, 89.9),
    "grazing": Trap(FILM, [80.0, 120.0], None, 90.0),
    "total reflection": Trap(
        [1.5, 1.2 + 1e-4j, 1.0, 1.3 + 0.1j, 1.0], [90.0, 200.0, 50.0], None, 50.0
    ),
    "close to the critical angle": Trap(
        [1.5, 1.7 + 0.01j, 1.0 + 1e-5j, 2.0 + 0.1j, 1.5], [80.0, 40.0, 60.0], None, CRITICAL + 1e-4
    ),
    "inside a film at the critical angle": Trap(
        [1.5, 1.7 + 0.01j, 1.0 + 1e-3j, 2.0 + 0.1j, 1.5], [80.0, 40.0, 60.0], None, CRITICAL
    ),
    "metal": Trap([1.0, 0.05 + 4.0j, 1.8 + 0.1j, 1.5], [25.0, 70.0], None, 65.0),
    "mixed": Trap(MIXED, MIXED_D, MIXED_FLAGS),
    "mixed, oblique": Trap(MIXED, MIXED_D, MIXED_FLAGS, 50.0),
    "glass behind": Trap([1.0, 2.0 + 0.02j, 1.52 + 1e-7j, 1.0], [150.0, 1e6], [True, False], 30.0),
    "two panes in contact": Trap(
        [1.0, 1.5 + 1e-6j, 1.7 + 2e-6j, 1.0], [2e5, 3e5], [False, False], 45.0
    ),
    "strong absorber, incoherent": Trap(
        [1.0, 1.6 + 0.1j, 1.5 + 0.01j, 1.8 + 0.2j, 1.5],
        [50.0, 2e4, 70.0],
        [True, False, True],
        25.0,
    ),
}


def index_of(trap: Trap) -> NDArray[np.complex128]:
    """n of every layer at three wavelengths, not quite the same at each."""
    slope = np.linspace(1.0, 1.02, LAM.size)
    n = np.array(trap.n)[:, None] * np.ones(LAM.size)
    # Half-spaces stay: at a critical angle they decide.
    n[1:-1] = n[1:-1].real * np.where(trap.angle == CRITICAL, 1.0, slope) + 1j * n[1:-1].imag
    return n


def everything(n: Any, d: Any, trap: Trap, polarization: Any) -> Real:
    r = solve(n, d, LAM, angle_deg=trap.angle, polarization=polarization, coherent=trap.coherent)
    return np.concatenate([r.absorptance, r.reflectance[None], r.transmittance[None]])


def of(found: Gradients, name: str, layer: int) -> Real:
    rows = getattr(found.absorptance, name)[:, layer]
    others = [getattr(x, name)[layer] for x in (found.reflectance, found.transmittance)]
    return np.concatenate([rows, others])


def difference(f: Any, step: float, *, forward: bool) -> tuple[Real, Real]:
    """Derivative at 0, and how far a coarser stencil lies from it: the error to allow for."""
    if forward:  # fifth order
        weights = np.array([-25.0, 48.0, -36.0, 16.0, -3.0]) / 12.0
        fine, coarse = (
            sum(w * f(i * h) for i, w in enumerate(weights)) / h for h in (step, 2 * step)
        )
    else:  # sixth order
        fine, coarse = (
            (45 * (f(h) - f(-h)) - 9 * (f(2 * h) - f(-2 * h)) + f(3 * h) - f(-3 * h)) / (60 * h)
            for h in (step, 2 * step)
        )
    return fine, np.abs(fine - coarse)


@pytest.mark.parametrize("polarization", ["s", "p", "mean"])
@pytest.mark.parametrize("name", TRAPS)
def test_slopes_are_those_of_the_engine(name: str, polarization: Any) -> None:
    trap = TRAPS[name]
    n, d = index_of(trap), np.array(trap.d)
    found = gradients(
        n, d, LAM, angle_deg=trap.angle, polarization=polarization, coherent=trap.coherent
    )
    sharp = checked = 0
    for layer in range(d.size):
        k = n[layer + 1].imag
        steps = {
            "n": 2e-4,
            "k": float(min(2e-4, 0.05 * k.max())) if k.max() > 0 else 2e-6,
            "thickness_nm": min(0.02, 1e-3 * d[layer]),
        }
        for part, step in steps.items():

            def f(x: float, layer: int = layer, part: str = part) -> Real:
                other, thick = n.copy(), d.copy()
                if part == "thickness_nm":
                    thick[layer] += x
                else:
                    other[layer + 1] += x if part == "n" else 1j * x
                return everything(other, thick, trap, polarization)

            numeric, doubt = difference(f, step, forward=part == "k" and k.max() == 0)
            mine = of(found, part, layer)
            # Rounding of the values, 1e-15 of each, over the step.
            rounding = 4e-15 * np.maximum(np.abs(everything(n, d, trap, polarization)), 1e-3) / step
            if name == "weak absorber":  # whose absorptances are good to 1e-13 of themselves
                rounding[: d.size] *= np.abs(everything(n, d, trap, polarization))[: d.size] * 1e3
            allowed = 1e-6 * np.abs(numeric) + 2 * doubt + rounding + 1e-15
            assert (np.abs(mine - numeric) <= allowed).all(), (layer, part, mine, numeric)
            counts = np.abs(numeric) > 1e-6
            checked += int(counts.sum())
            sharp += int((counts & (allowed < 1e-5 * np.abs(numeric))).sum())
    # The differences must be able to tell: most slopes are held to 1e-6 or nearly so.
    assert checked == 0 if name == "grazing" else sharp > 0.6 * checked > 0


def test_nothing_enters_at_grazing_incidence() -> None:
    trap = TRAPS["grazing"]
    found = gradients(trap.n, trap.d, LAM, angle_deg=90.0)
    for part in (found.absorptance, found.reflectance, found.transmittance):
        for values in (part.n, part.k, part.thickness_nm):
            assert (values == 0).all()


def test_a_weak_absorber_keeps_its_relative_accuracy() -> None:
    """What a weak absorber takes is in proportion to its k, and so are its slopes.

    The next term is smaller by k, so 1e-8 and 1e-12 must agree to a few times 1e-8.
    """

    def by_n(k: float, polarization: Any) -> Real:
        g = gradients(
            [1.0, 1.9 + 0.1j, 1.6 + 1j * k, 1.5],
            [70.0, 130.0],
            LAM,
            angle_deg=40.0,
            polarization=polarization,
        )
        return np.stack([g.absorptance.n[1] / k, g.absorptance.k[1] / [[k], [1.0]]])

    for polarization in ("s", "p"):
        assert by_n(1e-12, polarization) == pytest.approx(by_n(1e-8, polarization), rel=2e-6)


def test_slopes_of_a_film_in_closed_form() -> None:
    """A lossless film: R from Airy's sum (Born, Wolf, Principles of Optics, ch. 1.6.4).

    r = (r1 + r2 z) / (1 + r1 r2 z) with z = exp(4 pi i n d / lambda), differentiated by d by hand.
    """
    n, d, lam = 1.8, 95.0, 500.0
    r1, r2 = (1 - n) / (1 + n), (n - 1.5) / (n + 1.5)
    phase = 4j * np.pi * n / lam
    z = np.exp(phase * d)
    r = (r1 + r2 * z) / (1 + r1 * r2 * z)
    slope = r2 * (1 - r1**2) / (1 + r1 * r2 * z) ** 2 * phase * z
    found = gradients([1.0, n, 1.5], [d], [lam])
    expected = 2 * (np.conjugate(r) * slope).real
    assert found.reflectance.thickness_nm[0, 0] == pytest.approx(expected, rel=1e-11)
    assert found.transmittance.thickness_nm[0, 0] == pytest.approx(-expected, rel=1e-11)


def test_many_angles_and_answers_at_once() -> None:
    trap = TRAPS["mixed"]
    n, angles = index_of(trap), [0.0, 30.0, 75.0]
    whole = gradients(n, trap.d, LAM, angle_deg=angles, coherent=trap.coherent)
    rng = np.random.default_rng(5)
    w = Weights(*(rng.standard_normal(s) for s in ((4, 3, 5, 3), (4, 3, 3), (4, 3, 3))))
    summed = pull_back(n, trap.d, LAM, w, angle_deg=angles, coherent=trap.coherent)
    for name in ("n", "k", "thickness_nm"):
        parts = [
            getattr(x, name) for x in (whole.absorptance, whole.reflectance, whole.transmittance)
        ]
        expected = (
            np.einsum("talw,lajw->tjw", w.absorptance, parts[0])
            + np.einsum("taw,ajw->tjw", w.reflectance, parts[1])
            + np.einsum("taw,ajw->tjw", w.transmittance, parts[2])
        )
        np.testing.assert_allclose(getattr(summed, name), expected, rtol=1e-9, atol=1e-12)
    for i, angle in enumerate(angles):
        one = gradients(n, trap.d, LAM, angle_deg=angle, coherent=trap.coherent)
        np.testing.assert_allclose(whole.absorptance.k[:, i], one.absorptance.k, rtol=1e-12)


def test_power_stays_balanced() -> None:
    """R + T + all A is 1 for light from air, so its slopes sum to 0."""
    for trap in (TRAPS["plain"], TRAPS["oblique"], TRAPS["mixed, oblique"]):
        g = gradients(index_of(trap), trap.d, LAM, angle_deg=trap.angle, coherent=trap.coherent)
        for name in ("n", "k", "thickness_nm"):
            total = getattr(g.absorptance, name).sum(axis=0)
            size = np.abs(getattr(g.absorptance, name)).max()
            total = total + getattr(g.reflectance, name) + getattr(g.transmittance, name)
            assert np.abs(total).max() < 1e-10 * size


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from(["s", "p"]))
def test_along_any_direction(seed: int, polarization: Any) -> None:
    """A random stack, changed in all n, k and thicknesses at once."""
    rng = np.random.default_rng(seed)
    inner = int(rng.integers(1, 6))
    n = np.ones((inner + 2, 1), dtype=complex)
    n[1:] = rng.uniform(1.2, 2.6, (inner + 1, 1)) + 1j * 10 ** rng.uniform(-5, 0, (inner + 1, 1))
    coherent = rng.random(inner) < 0.7
    d = np.where(coherent, rng.uniform(5, 400, inner), rng.uniform(3e3, 3e4, inner))
    # An incoherent strong absorber has no sensible absorptance, but slopes it has.
    turn = {"angle_deg": float(rng.uniform(0, 85)), "polarization": polarization}
    move_n, move_k, move_d = rng.standard_normal((3, inner))
    move_d *= 20.0

    def f(x: float) -> Real:
        other = n.copy()
        other[1:-1, 0] += x * move_n + 1j * x * move_k * n[1:-1, 0].imag
        r = solve(other, d + x * move_d, [450.0], coherent=coherent, **turn)
        return np.concatenate([r.absorptance[:, 0], r.reflectance, r.transmittance])

    numeric, doubt = difference(f, 2e-4, forward=False)
    g = gradients(n, d, [450.0], coherent=coherent, **turn)
    mine = np.array(
        [
            p.n[..., 0] @ move_n
            + p.k[..., 0] @ (move_k * n[1:-1, 0].imag)
            + p.thickness_nm[..., 0] @ move_d
            for p in (g.reflectance, g.transmittance)
        ]
    )
    rows = (
        g.absorptance.n[..., 0] @ move_n
        + g.absorptance.k[..., 0] @ (move_k * n[1:-1, 0].imag)
        + g.absorptance.thickness_nm[..., 0] @ move_d
    )
    mine = np.concatenate([rows, mine])
    assert (np.abs(mine - numeric) <= 1e-6 * np.abs(numeric) + 3 * doubt + 1e-10).all()


def test_what_is_refused() -> None:
    with pytest.raises(StackError, match="those of one stack"):
        gradients(np.ones((2, 3, 1)) * 1.5, [10.0], [500.0])
    zero = Weights(np.zeros((1, 1, 1, 2)), np.zeros((1, 1, 2)), np.zeros((1, 1, 2)))
    with pytest.raises(StackError, match=r"weights of the absorptance are \(1, 1, 1, 2\)"):
        pull_back([1.0, 1.5, 1.0], [10.0], [500.0], zero)
    with pytest.raises(StackError, match="k must not be negative"):
        gradients([1.0, 1.5 - 1j, 1.0], [10.0], [500.0])
