"""Oscillators and the Kramers-Kronig integral."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from optistack.dispersion import (
    EV_NM,
    CausalBasis,
    drude,
    index_of,
    kramers_kronig,
    lorentz,
    tauc_lorentz,
)
from optistack.errors import OptistackError
from optistack.materials import oscillators

# --- oscillators ----------------------------------------------------------------------------------


def eps2_definition(x: float, a: float, e0: float, c: float, eg: float) -> float:
    """The definition of Jellison and Modine, written out once more."""
    if x <= eg:
        return 0.0
    return a * e0 * c * (x - eg) ** 2 / ((x * x - e0 * e0) ** 2 + (c * x) ** 2) / x


@pytest.mark.parametrize(
    "parameters",
    [
        (100.0, 4.0, 2.0, 3.0),
        (30.0, 3.5, 0.5, 1.2),
        (200.0, 6.0, 3.0, 3.2),
        (50.0, 2.0, 0.3, 2.5),  # a resonance below the gap
        (100.0, 4.0, 2.0, 0.0),
    ],
)
@pytest.mark.parametrize("energy", [0.8, 2.0, 3.1, 4.0, 5.5, 7.0])
def test_tauc_lorentz_is_its_own_kramers_kronig_integral(
    parameters: tuple[float, float, float, float], energy: float
) -> None:
    gap = parameters[3]

    def of(x: float) -> float:
        return x * eps2_definition(x, *parameters)

    if gap < energy:
        inner = quad(lambda x: of(x) / (x + energy), gap, 60, weight="cauchy", wvar=energy)[0]
    else:
        inner = quad(lambda x: of(x) / (x * x - energy**2), gap, 60, limit=500)[0]
    outer = quad(lambda x: of(x) / (x * x - energy**2), 60, np.inf)[0]
    found = tauc_lorentz([energy], *parameters)[0]
    assert found.real == pytest.approx(2 / np.pi * (inner + outer), abs=2e-6)
    assert found.imag == pytest.approx(eps2_definition(energy, *parameters), rel=1e-12)


def test_tauc_lorentz_is_smooth_through_its_gap() -> None:
    e = 3.0 + np.array([-1e-6, -1e-12, 0.0, 1e-12, 1e-6])
    eps = tauc_lorentz(e, 100.0, 4.0, 2.0, 3.0)
    assert np.ptp(eps.real) < 1e-4
    assert np.isfinite(eps).all()


@pytest.mark.parametrize(
    "parameters",
    [(-1.0, 4.0, 2.0, 3.0), (1.0, 4.0, 8.0, 3.0), (1.0, 4.0, 2.0, -0.1), (1.0, np.nan, 2.0, 1.0)],
)
def test_oscillators_that_are_none(parameters: tuple[float, float, float, float]) -> None:
    with pytest.raises(OptistackError, match="Tauc-Lorentz oscillator: A ="):
        tauc_lorentz([3.0], *parameters)
    with pytest.raises(OptistackError):
        oscillators((300.0, 800.0), tauc_lorentz=[parameters])


def test_a_material_is_the_sum_of_its_terms() -> None:
    lam = np.linspace(300.0, 1500.0, 50)
    e = EV_NM / lam
    eps = (
        2.0 + drude(e, 1.5, 0.1) + lorentz(e, 0.7, 4.0, 0.5) + tauc_lorentz(e, 80.0, 4.2, 1.5, 3.0)
    )
    film = oscillators(
        (300.0, 1500.0),
        eps_inf=2.0,
        drude=[(1.5, 0.1)],
        lorentz=[(0.7, 4.0, 0.5)],
        tauc_lorentz=[(80.0, 4.2, 1.5, 3.0)],
    )
    np.testing.assert_allclose(film.index(lam) ** 2, eps, rtol=1e-13)
    with pytest.raises(OptistackError, match="must not be negative"):
        oscillators((300.0, 800.0), drude=[(-1.0, 0.1)])
    with pytest.raises(OptistackError, match="is not a range"):
        oscillators((800.0, 300.0), tauc_lorentz=[(1.0, 4.0, 2.0, 3.0)])
    with pytest.raises(OptistackError, match="n or k exceeds"):
        oscillators((300.0, 800.0), tauc_lorentz=[(1.0, 4.0, 2.0, 3.0)], eps_inf=1e14)
    # A resonance that amplifies is refused, not turned round.
    with pytest.raises(OptistackError, match="k is negative"):
        oscillators((300.0, 800.0), eps_inf=2.0, lorentz=[(-0.3, 3.0, 0.3)])


def test_an_index_absorbs_whatever_the_sign_of_zero() -> None:
    eps = np.array(
        [-4.0 + 0.0j, complex(-4.0, -0.0), 4.0 + 0.0j, complex(4.0, -1e-17), -1.0 + 1e-3j]
    )
    index = index_of(eps)
    assert (index.imag >= 0).all()
    assert (index.real >= 0).all()
    np.testing.assert_allclose(index**2, eps, atol=1e-15)


# --- the Kramers-Kronig integral ----------------------------------------------------------------


@pytest.mark.parametrize("on_a_node", [True, False])
def test_the_integral_of_oscillators(on_a_node: bool) -> None:
    nodes = np.linspace(0.01, 60.0, 30_000)
    energy = nodes[[400, 1500, 2200]] if on_a_node else np.array([0.8, 3.0001, 4.3999])
    eps = lorentz(nodes, 1.5, 4.0, 0.5) + tauc_lorentz(nodes, 50.0, 3.0, 1.0, 2.0)
    exact = lorentz(energy, 1.5, 4.0, 0.5) + tauc_lorentz(energy, 50.0, 3.0, 1.0, 2.0)
    found = kramers_kronig(energy, nodes) @ eps.imag
    # Lines between nodes 0.002 eV apart; beyond 60 eV 5e-4 are missing.
    np.testing.assert_allclose(found, exact.real, atol=2e-3)


@pytest.mark.parametrize("spline", [8, 12, 20])
def test_the_free_form_basis_is_causal(spline: int) -> None:
    """eps1 of a spline is the integral of its eps2, where all of that lies in sight."""
    e = np.linspace(1.0, 5.0, 4001)
    basis = CausalBasis.over(e, 0.2)
    eps2 = basis.eps2[:, spline]
    assert eps2[0] == eps2[-1] == 0
    assert eps2.max() > 0.5
    assert (basis.eps2 >= 0).all()
    at = np.array([300, 1500, 2222, 3900])
    # The basis takes lines between an eighth of its knots: 3e-3 of the height.
    np.testing.assert_allclose(basis.eps1[at, spline], kramers_kronig(e[at], e) @ eps2, atol=3e-3)


def test_what_absorbs_out_of_sight_only_bends_eps1() -> None:
    basis = CausalBasis.over(np.linspace(1.5, 4.0, 30), 0.2)
    s = basis.splines
    assert not basis.eps2[:, s:].any()
    assert (np.diff(basis.eps1[:, s : s + 2], axis=0) > 0).all()  # normal dispersion
    assert (basis.eps1[:, s + 2] < 0).all()  # free carriers


def test_the_roughness_is_the_integral_of_the_curvature() -> None:
    e = np.linspace(1.0, 6.0, 401)  # an eighth of the knots, between which eps2 is straight
    basis = CausalBasis.over(e, 0.1)
    rough = basis.roughness
    assert rough.shape == (basis.splines - 2, basis.splines + 3)
    np.testing.assert_allclose(rough.sum(axis=1), 0.0, atol=1e-9)  # a constant has none
    assert not rough[:, basis.splines :].any()
    # A smooth bump, far from both ends: its second derivative, squared and integrated.
    knots = np.arange(basis.splines)
    p = np.zeros(basis.splines + 3)
    p[: basis.splines] = np.exp(-((knots - 30) ** 2) / 50)
    curvature = np.gradient(np.gradient(basis.eps2 @ p, e), e)
    integral = float((curvature**2).sum() * (e[1] - e[0]))
    assert float(((rough @ p) ** 2).sum()) == pytest.approx(integral, rel=0.1)


def test_energies_and_wavelengths() -> None:
    """CODATA 2018, exact: h c / e = 1.239 841 984... eV um."""
    assert pytest.approx(6.62607015e-34 * 299792458.0 / 1.602176634e-19 * 1e9, rel=1e-15) == EV_NM
    np.testing.assert_allclose(drude(np.array([2.0]), 1.0, 0.0), [-0.25])
