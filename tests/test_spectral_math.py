"""Grids, exact integrals and photon flux."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

import optistack as ost
from optistack.spectral_math import (
    AVOGADRO_MOL,
    BOLTZMANN_J_K,
    ELEMENTARY_CHARGE_C,
    LIGHT_SPEED_M_S,
    MA_CM2_PER_FLUX,
    PHOTON_J_NM,
    PLANCK_J_S,
    band_key,
    integrate_product,
    log_interpolate,
    nodal_weights,
    optical_grid,
    photon_flux,
    quadrature,
    union_grid,
)

Real = NDArray[np.float64]
Check = Callable[[str], dict[str, Any]]
# A piecewise-linear function with exact rational corners: wavelengths and values.
Corners = tuple[list[Fraction], list[Fraction]]


def linear(corners: Corners) -> Callable[[Real], Real]:
    x, y = (np.array([float(v) for v in part]) for part in corners)
    return lambda lam: np.asarray(np.interp(lam, x, y))


@st.composite
def piecewise(draw: st.DrawFn) -> Corners:
    """A function over 300-400 nm with a grid of its own, in steps of 1/8 nm (exact in binary)."""
    inner = draw(st.lists(st.integers(301 * 8, 399 * 8), max_size=6, unique=True))
    grid = [Fraction(v, 8) for v in sorted({300 * 8, 400 * 8, *inner})]
    values = draw(
        st.lists(st.integers(-64, 64), min_size=len(grid), max_size=len(grid)).map(
            lambda items: [Fraction(v, 16) for v in items]
        )
    )
    return grid, values


def exact(corners: Corners, at: Fraction) -> Fraction:
    grid, values = corners
    for (a, b), (fa, fb) in zip(pairwise(grid), pairwise(values), strict=True):
        if a <= at <= b:
            return fa + (fb - fa) * (at - a) / (b - a)
    raise AssertionError(at)


def exact_integral(low: Fraction, high: Fraction, functions: list[Corners]) -> Fraction:
    """Integral of the product in rational numbers: polynomials between all corners."""
    if high <= low:
        return Fraction(0)
    inside = {p for f in functions for p in f[0] if low < p < high}
    total = Fraction(0)
    for a, b in pairwise(sorted({low, high, *inside})):
        width = b - a
        product = [Fraction(1)]  # coefficients in t = (x - a) / (b - a)
        for f in functions:
            start, slope = exact(f, a), exact(f, b) - exact(f, a)
            longer = [Fraction(0)] * (len(product) + 1)
            for power, c in enumerate(product):
                longer[power] += c * start
                longer[power + 1] += c * slope
            product = longer
        total += width * sum(c / (power + 1) for power, c in enumerate(product))
    return total


limits = st.integers(300 * 8, 400 * 8).map(lambda v: Fraction(v, 8))


@given(st.lists(piecewise(), min_size=1, max_size=5), limits, limits)
def test_product_of_up_to_five_linear_factors_is_integrated_exactly(
    functions: list[Corners], low: Fraction, high: Fraction
) -> None:
    grids = [np.array([float(v) for v in f[0]]) for f in functions]
    got = integrate_product(float(low), float(high), grids, [linear(f) for f in functions])
    # Rounding only: 4 is the largest value of a factor, 100 nm the largest range.
    assert got == pytest.approx(
        float(exact_integral(low, high, functions)),
        rel=1e-12,
        abs=1e-13 * 100 * 4 ** len(functions),
    )


def test_six_factors_are_beyond_the_rule() -> None:
    """The rule of three points is exact up to degree five: the test above can fail."""
    ramp = ([Fraction(300), Fraction(400)], [Fraction(0), Fraction(1)])
    got = integrate_product(300.0, 400.0, [[300.0, 400.0]], [linear(ramp)] * 6)
    assert got == pytest.approx(100 / 7, rel=1e-2)
    assert got != pytest.approx(100 / 7, rel=1e-4)


@given(piecewise(), st.lists(piecewise(), max_size=3), limits, limits)
def test_nodal_weights_turn_the_integral_into_a_dot_product(
    f: Corners, others: list[Corners], low: Fraction, high: Fraction
) -> None:
    grid = np.array([float(v) for v in f[0]])
    weights = nodal_weights(
        grid,
        float(low),
        float(high),
        [np.array([float(v) for v in g[0]]) for g in others],
        [linear(g) for g in others],
    )
    assert weights.shape == grid.shape
    expected = float(exact_integral(low, high, [f, *others]))
    scale = 1e-13 * 100 * 4 ** (1 + len(others))
    assert float(weights @ [float(v) for v in f[1]]) == pytest.approx(
        expected, rel=1e-12, abs=scale
    )


def test_a_line_between_the_nodes_counts_in_full() -> None:
    """A line 0.02 nm wide, between the points of the optical grid, is seen by its own grid."""
    grid = optical_grid(300.0, 400.0)
    centre, width = 345.37, 0.02
    line_grid = np.array([300.0, centre - width / 2, centre, centre + width / 2, 400.0])
    line = np.array([0.0, 0.0, 1.0, 0.0, 0.0])
    weights = nodal_weights(
        grid, 300.0, 400.0, [line_grid], [lambda x: np.interp(x, line_grid, line)]
    )
    assert weights.sum() == pytest.approx(width / 2, rel=1e-12)
    # Its weight lies on the two neighbours, in the ratio of the distances.
    assert np.flatnonzero(weights).tolist() == [45, 46]
    assert weights @ grid / weights.sum() == pytest.approx(centre, rel=1e-12)


def test_the_standard_sun_on_its_own_grid_is_the_trapezoid() -> None:
    sun = ost.spectrum("am15g")
    inside = (sun.wavelength_nm >= 280) & (sun.wavelength_nm <= 400)
    lam, e = sun.wavelength_nm[inside], sun.spectral_irradiance_w_m2_nm[inside]
    trapezoid = float(np.trapezoid(e, lam))
    assert sun.irradiance_w_m2((280.0, 400.0)) == pytest.approx(trapezoid, rel=1e-12)


def test_five_nanometres_are_too_coarse_for_the_sun() -> None:
    """Why nothing here samples a lamp on a grid of its own choice."""
    sun = ost.spectrum("am15g")
    coarse = np.arange(280.0, 401.0, 5.0)
    sampled = sum(5.0 * (a + b) / 2 for a, b in pairwise(sun(coarse)))
    assert abs(sampled / sun.irradiance_w_m2((280.0, 400.0)) - 1) > 0.05
    # The same 5 nm grid as the grid of an absorptance of 1 loses nothing.
    weights = nodal_weights(coarse, 280.0, 400.0, [sun.wavelength_nm], [sun])
    assert weights.sum() == pytest.approx(sun.irradiance_w_m2((280.0, 400.0)), rel=1e-12)


def test_constants_are_those_of_the_si() -> None:
    """SI Brochure, 9th edition (2019), section 2.2: defining constants, exact."""
    assert PLANCK_J_S == 6.62607015e-34
    assert LIGHT_SPEED_M_S == 299792458.0
    assert ELEMENTARY_CHARGE_C == 1.602176634e-19
    assert BOLTZMANN_J_K == 1.380649e-23
    assert AVOGADRO_MOL == 6.02214076e23
    assert pytest.approx(6.62607015e-34 * 299792458.0 * 1e9, rel=1e-15) == PHOTON_J_NM


def test_photocurrent_of_one_watt(check: Check) -> None:
    """RAD-003: J = e E lambda / (h c), of exact SI constants."""
    case = check("RAD-003")
    given_, expected = case["inputs"], case["expected"]["J_mA_cm2"]
    flux = photon_flux(given_["lam_nm"], given_["E_W_m2"])
    np.testing.assert_allclose(flux * MA_CM2_PER_FLUX, expected, rtol=case["tolerance"]["rel"])


def test_union_grid_keeps_the_limits_and_drops_what_is_outside() -> None:
    grid = union_grid(300.0, 310.0, [[290.0, 300.0, 305.0], [305.0, 309.5, 320.0]])
    assert grid.tolist() == [300.0, 305.0, 309.5, 310.0]


def test_optical_grid_holds_multiples_of_the_step_limits_and_extras() -> None:
    grid = optical_grid(299.5, 302.25, step_nm=0.5, include=[[300.7, 500.0]])
    np.testing.assert_allclose(grid, [299.5, 300, 300.5, 300.7, 301, 301.5, 302, 302.25])
    for step in (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0):
        fine = optical_grid(280.0, 400.0, step_nm=step)
        assert fine[0] == 280.0
        assert fine[-1] == 400.0
        # Limits that meet a multiple of the step only up to rounding make no gap, only a sliver.
        assert np.diff(fine).max() <= step * (1 + 1e-9)


def test_empty_ranges_hold_nothing() -> None:
    assert integrate_product(400.0, 400.0, [[300.0, 500.0]], [np.ones_like]) == 0.0
    assert integrate_product(400.0, 300.0, [[300.0, 500.0]], [np.ones_like]) == 0.0
    assert nodal_weights([300.0, 400.0], 350.0, 340.0, [], []).tolist() == [0.0, 0.0]


def test_quadrature_weights_add_up_to_the_range() -> None:
    nodes, weights = quadrature([300.0, 301.0, 310.0])
    assert weights.sum() == pytest.approx(10.0, rel=1e-15)
    assert nodes.size == 6
    assert ((nodes > 300) & (nodes < 310)).all()


@given(
    st.lists(st.floats(1e-9, 10.0), min_size=2, max_size=6),
    st.floats(0.0, 1.0),
    st.integers(0, 4),
)
def test_k_is_interpolated_in_the_logarithm(values: list[float], share: float, at: int) -> None:
    at = min(at, len(values) - 2)
    grid = 300.0 + 10.0 * np.arange(len(values))
    lam = np.array([grid[at] + 10.0 * share])
    got = log_interpolate(lam, grid, np.array(values))
    true_share = (lam[0] - grid[at]) / 10.0
    expected = values[at] ** (1 - true_share) * values[at + 1] ** true_share
    assert got[0] == pytest.approx(expected, rel=1e-9)


def test_log_interpolation_at_samples_and_beside_zeros() -> None:
    grid, values = np.array([300.0, 310.0, 320.0, 330.0]), np.array([1e-3, 0.0, 0.1, 0.7])
    np.testing.assert_array_equal(log_interpolate(grid, grid, values), values)
    # No logarithm of zero: linear beside it.
    np.testing.assert_allclose(
        log_interpolate(np.array([305.0, 315.0]), grid, values), [5e-4, 0.05], rtol=1e-12
    )
    assert log_interpolate(np.array([310.0]), np.array([310.0]), np.array([0.3]))[0] == 0.3


def test_band_keys() -> None:
    assert band_key((300.0, 400.0)) == "300-400"
    assert band_key((279.5, 400.0)) == "279.5-400"
