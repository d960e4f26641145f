"""Laws of loss against closed forms, integrated equations and the worked photochemistry checks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import integrate, optimize

from optistack.errors import OptistackError
from optistack.rate_laws import (
    DEFAULT_LAWS,
    EXPONENTIAL,
    INDUCTION,
    LINEAR,
    POWER,
    SELF_SHADING,
    STRETCHED,
    activation_energy_kj_mol,
    arrhenius_factor,
    bleached_absorbance,
    depth_resolved,
    effective_temperature_k,
    rate_factor,
    self_shading,
)
from optistack.spectral_math import ZERO_CELSIUS_K

Check = Callable[[str], dict[str, Any]]
Real = NDArray[np.float64]


# --- photochemistry entries of shared/reference/checks.json; each entry carries its source --------


@pytest.mark.parametrize("name", ["PHO-002", "PHO-003"])
def test_bleaching_film(check: Check, name: str) -> None:
    c = check(name)
    a0, k = c["inputs"]["A0"], c["inputs"]["k_per_s"]
    rel = c["tolerance"]["rel"]
    time = np.array(c["inputs"]["t_s"], dtype=float)
    assert bleached_absorbance(a0, k, time) == pytest.approx(c["expected"]["A"], rel=rel)
    half = self_shading(a0).reach(0.5)
    # x counts in units of the first relative loss, k (1 - 10^-A0) / A0 per second
    initial = c["expected"]["initial_rate_per_s"]
    assert half * a0 / initial == pytest.approx(c["expected"]["t_half_s"], rel=rel)
    step = 1e-5
    slope = (a0 - bleached_absorbance(a0, k, step)) / step
    assert slope == pytest.approx(initial, rel=1e-6)  # the step's own error


def test_reciprocity(check: Check) -> None:
    c = check("PHO-008")
    ratio = np.array(c["inputs"]["intensity_ratio"], dtype=float)
    p, hours = c["inputs"]["p"], c["inputs"]["lab_hours"]
    expected, rel = c["expected"], c["tolerance"]["rel"]
    found = rate_factor(ratio, p)
    assert found == pytest.approx(expected["acceleration"], rel=rel)
    assert hours * found == pytest.approx(expected["hours_at_one_sun"], rel=rel)
    assert ratio / found == pytest.approx(expected["error_if_reciprocity_assumed"], rel=rel)


@pytest.mark.parametrize("name", ["PHO-012", "PHO-013", "PHO-014", "PHO-015"])
def test_arrhenius(check: Check, name: str) -> None:
    c = check(name)
    given_, expected = c["inputs"], c["expected"]["acceleration"]
    low = given_["T_low_C"] + ZERO_CELSIUS_K
    high = np.array(given_["T_high_C"]) + ZERO_CELSIUS_K
    found = arrhenius_factor(given_["Ea_kJ_mol"], low, high)
    assert found == pytest.approx(expected, rel=c["tolerance"]["rel"])


def test_activation_energy_from_two_rates(check: Check) -> None:
    c = check("PHO-016")
    (k1, k2), (t1, t2) = c["inputs"]["k"], c["inputs"]["T_C"]
    found = activation_energy_kj_mol(k1, t1 + ZERO_CELSIUS_K, k2, t2 + ZERO_CELSIUS_K)
    assert found == pytest.approx(c["expected"]["Ea_kJ_mol"], rel=c["tolerance"]["rel"])


def test_kinetically_equivalent_temperature(check: Check) -> None:
    c = check("PHO-017")
    hours = np.arange(24 * 60) / 60.0  # a whole period, so that equal steps are exact
    kelvin = 25 + 15 * np.sin(2 * np.pi * (hours - 9) / 24) + ZERO_CELSIUS_K
    energy, tolerance = c["inputs"]["Ea_kJ_mol"], c["tolerance"]["abs"]
    found = effective_temperature_k(kelvin, energy)
    assert found - ZERO_CELSIUS_K == pytest.approx(c["expected"]["T_effective_C"], abs=tolerance)
    ratio = arrhenius_factor(energy, 25 + ZERO_CELSIUS_K, found)
    assert ratio == pytest.approx(c["expected"]["rate_ratio_to_25C"], abs=tolerance)


def test_coupon_to_device(check: Check) -> None:
    c = check("PHO-024")
    given_ = c["inputs"]
    ratio = given_["absorbed_fraction_device"] / given_["absorbed_fraction_coupon"]
    found = given_["k_coupon_per_s"] * rate_factor(ratio, given_["p"])
    assert found == pytest.approx(c["expected"]["k_device"], rel=c["tolerance"]["rel"])


def test_life_behind_a_filter(check: Check) -> None:
    c = check("PHO-025")
    found = 1 / rate_factor(c["inputs"]["filter_T_UV"], c["inputs"]["p"])
    assert found == pytest.approx(c["expected"]["life_extension"], rel=c["tolerance"]["rel"])


# --- every law ------------------------------------------------------------------------------------

SHAPES: list[tuple[Any, tuple[float, ...]]] = [
    (EXPONENTIAL, ()),
    (STRETCHED, (0.6,)),
    (STRETCHED, (2.5,)),
    (POWER, (0.5,)),
    (POWER, (1.7,)),
    (LINEAR, ()),
    (INDUCTION, (1e-3,)),
    (INDUCTION, (2.0,)),
    (SELF_SHADING, (0.01,)),
    (SELF_SHADING, (3.0,)),
    (SELF_SHADING, (400.0,)),  # 10^400 is no double
    (self_shading(1.2), ()),
    (depth_resolved([0, 50, 100], [2.0, 1.0, 0.0]), ()),
    (depth_resolved(np.linspace(0, 1, 40), np.exp(-6 * np.linspace(0, 1, 40))), ()),
]


@pytest.mark.parametrize(("law", "shape"), SHAPES)
def test_starts_at_one_falls_and_is_inverted(law: Any, shape: tuple[float, ...]) -> None:
    arrays = [np.asarray(s) for s in shape]
    assert law(0.0, *shape) == pytest.approx(1.0, abs=1e-12)
    share = law(np.geomspace(1e-6, 1e3, 400), *shape)
    assert (np.diff(share) <= 1e-12).all()
    assert share.min() >= 0
    for level in (0.999, 0.8, 0.5, 0.1, 1e-3):
        assert law(law.reach(level, arrays), *shape) == pytest.approx(level, rel=1e-8)


@pytest.mark.parametrize(("law", "shape"), SHAPES[:1] + SHAPES[5:])
def test_k_is_the_first_relative_loss(law: Any, shape: tuple[float, ...]) -> None:
    """So that k of one law can be set beside k of another; an induction has none at first."""
    if law is INDUCTION:
        x0 = shape[0]
        late = 50 * max(x0, 1.0)
        slope = -np.log(law(late * 1.001, *shape) / law(late, *shape)) / (late * 0.001)
        assert slope == pytest.approx(1.0, rel=1e-6)
        return
    step = 1e-6
    assert (1 - law(step, *shape)) / step == pytest.approx(1.0, rel=2e-3)


@given(st.floats(1e-3, 30.0), st.floats(1e-3, 0.999))
def test_self_shading_anywhere(a0: float, level: float) -> None:
    x = SELF_SHADING.reach(level, [np.asarray(a0)])
    assert SELF_SHADING(x, a0) == pytest.approx(level, rel=1e-7)


def test_self_shading_limits() -> None:
    x = np.linspace(0, 2, 9)
    assert SELF_SHADING(x, 1e-6) == pytest.approx(np.exp(-x), rel=1e-5)  # thin: first order
    thick = SELF_SHADING(x[:4], 200.0)
    assert thick == pytest.approx(1 - x[:4], abs=2e-3)  # thick: zero order until it gets thin


@pytest.mark.parametrize("a0", [0.05, 1.0, 4.0])
def test_bleaching_solves_its_equation(a0: float) -> None:
    time = np.linspace(0, 5, 11)
    known = integrate.solve_ivp(
        lambda _, a: -0.7 * (1 - 10**-a), (0, 5), [a0], t_eval=time, rtol=1e-11, atol=1e-13
    )
    assert bleached_absorbance(a0, 0.7, time) == pytest.approx(known.y[0], rel=1e-8)


@pytest.mark.parametrize("x0", [0.05, 1.0, 5.0])
def test_induction_solves_its_equations(x0: float) -> None:
    """A protecting species decays with x0; what it does not stop harms."""
    x = np.linspace(0, 8, 9)
    known = integrate.solve_ivp(
        lambda _, y: [-y[0] / x0, -(1 - y[0]) * y[1]],
        (0, 8),
        [1.0, 1.0],
        t_eval=x,
        rtol=1e-11,
        atol=1e-14,
    )
    assert INDUCTION(x, x0) == pytest.approx(known.y[1], rel=1e-7)


def test_depth_resolved_against_quadrature() -> None:
    """Beer-Lambert: the mean over depth of exp(-k D0 exp(-a z)), by another routine."""
    z = np.linspace(0.0, 100.0, 2001)
    law = depth_resolved(z, np.exp(-0.04 * z))
    mean = (1 - np.exp(-4.0)) / 4.0
    for x in (0.1, 1.0, 10.0):
        known, _ = integrate.quad(lambda u, x=x: np.exp(-x * np.exp(-4 * u) / mean), 0, 1)
        # the profile is straight between its 2001 points: (0.002)^2 / 12 of its curvature
        assert law(x) == pytest.approx(known, rel=2e-5)


def test_depth_resolved_is_exponential_when_even() -> None:
    law = depth_resolved([0, 30, 100], [3.0, 3.0, 3.0])
    x = np.array([0.0, 0.5, 3.0, 20.0])
    assert law(x) == pytest.approx(np.exp(-x), rel=1e-12)


def test_an_uneven_dose_leaves_more() -> None:
    """The protected depth goes on conducting: at equal mean dose never less is left (convexity)."""
    x = np.linspace(0.1, 5, 20)
    uneven = depth_resolved([0, 100], [1.9, 0.1])(x)
    assert (uneven > np.exp(-x)).all()


@given(st.floats(0.2, 5.0))
def test_another_rate_stretches_the_axis_only(factor: float) -> None:
    """What "device = coupon times a factor" rests on: F(k t) with k scaled is F at scaled times."""
    for law in DEFAULT_LAWS:
        shape = [np.asarray(s) for s in law.usual]
        levels = np.array([0.9, 0.5, 0.2])
        first = law.reach(levels, shape) / 1.0
        second = law.reach(levels, shape) / factor
        assert law(second * factor, *law.usual) == pytest.approx(law(first, *law.usual))


# --- temperature and intensity --------------------------------------------------------------------


def test_effective_temperature_follows_the_weights() -> None:
    course = np.array([280.0, 320.0])
    assert effective_temperature_k(course, 0.0) == pytest.approx(300.0)
    assert effective_temperature_k(course, 60.0, [0.0, 1.0]) == pytest.approx(320.0)
    even = effective_temperature_k(course, 60.0)
    assert 300 < even < 320

    def excess(t: float) -> float:
        return float(2 * arrhenius_factor(60, 280, t) - 1 - arrhenius_factor(60, 280, 320))

    assert even == pytest.approx(optimize.brentq(excess, 280, 320), rel=1e-9)


def test_mean_of_powers_is_not_the_power_of_the_mean() -> None:
    """Outdoors q^p is summed; with p < 1 the mean intensity promises too much."""
    q = np.array([0.1, 1.0, 10.0])
    assert np.mean(rate_factor(q, 0.6)) < rate_factor(q.mean(), 0.6)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: EXPONENTIAL.reach(1.2), "between 0 and 1"),
        (lambda: self_shading(0.0), "must be positive"),
        (lambda: self_shading(np.nan), "must be positive"),
        (lambda: depth_resolved([0], [1]), "at least two depths"),
        (lambda: depth_resolved([0, 0], [1, 1]), "increase"),
        (lambda: depth_resolved([0, 1], [1, -1]), "not negative"),
        (lambda: depth_resolved([0, 1], [0, 0]), "nothing is absorbed"),
        (lambda: arrhenius_factor(50, -3.0, 300), "kelvin"),
        (lambda: activation_energy_kj_mol(1, 300, -1, 320), "positive rates"),
        (lambda: activation_energy_kj_mol(1, 300, 2, 300), "different temperatures"),
        (lambda: rate_factor(0.0, 1.0), "positive"),
        (lambda: effective_temperature_k([300, 310], 50, [-1, 1]), "not be negative"),
    ],
)
def test_refusals(call: Callable[[], object], message: str) -> None:
    with pytest.raises(OptistackError, match=message):
        call()
