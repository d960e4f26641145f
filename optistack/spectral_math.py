"""Grids, integrals and photon flux: the arithmetic of piecewise-linear spectra.

A spectrum, a filter curve and an absorptance are each linear between their own samples. Their
product is a polynomial between the points of the union of their grids, and a Gauss-Legendre rule
integrates it exactly there. `nodal_weights` turns everything in such a product except one factor
into weights on that factor's grid, so that one light serves any number of layers with one matrix
product.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Real = NDArray[np.float64]

# Exact SI values (2019 redefinition, CODATA 2018).
PLANCK_J_S = 6.62607015e-34
LIGHT_SPEED_M_S = 299792458.0
ELEMENTARY_CHARGE_C = 1.602176634e-19
BOLTZMANN_J_K = 1.380649e-23
AVOGADRO_MOL = 6.02214076e23
ZERO_CELSIUS_K = 273.15
J_PER_KWH = 3.6e6

# Energy of a photon times its wavelength, in J nm.
PHOTON_J_NM = PLANCK_J_S * LIGHT_SPEED_M_S * 1e9
# Current density [mA/cm2] of one electron per photon and photon flux [1/(m2 s)].
MA_CM2_PER_FLUX = ELEMENTARY_CHARGE_C * 0.1

# Three points: exact for a product of five linear factors (spectrum, photon energy, filter,
# absorptance, weight).
_NODE_X, _NODE_W = np.polynomial.legendre.leggauss(3)


def photon_flux(wavelength_nm: ArrayLike, spectral_irradiance_w_m2_nm: ArrayLike) -> Real:
    """Spectral photon flux E lambda / (h c) [1/(m2 s nm)].

    Examples
    --------
    >>> print(f"{photon_flux(340.0, 1.0):.4e}")
    1.7116e+18
    """
    irradiance = np.asarray(spectral_irradiance_w_m2_nm, dtype=float)
    return np.asarray(irradiance * np.asarray(wavelength_nm, dtype=float) / PHOTON_J_NM)


def union_grid(lower: float, upper: float, grids: Iterable[ArrayLike]) -> Real:
    """All grid points between two limits, and the limits themselves [nm]."""
    inside = [np.array([lower, upper], dtype=float)]
    for grid in grids:
        points = np.asarray(grid, dtype=float)
        inside.append(points[(points > lower) & (points < upper)])
    return np.unique(np.concatenate(inside))


def quadrature(grid: ArrayLike) -> tuple[Real, Real]:
    """Gauss-Legendre nodes and weights, three in every interval of a grid."""
    points = np.asarray(grid, dtype=float)
    middle, half = (points[1:] + points[:-1]) / 2, np.diff(points) / 2
    nodes = middle[:, None] + half[:, None] * _NODE_X
    return nodes.ravel(), (half[:, None] * _NODE_W).ravel()


def integrate_product(
    lower: float,
    upper: float,
    grids: Iterable[ArrayLike],
    factors: Sequence[Callable[[Real], Real]],
) -> float:
    """Integral over wavelength of a product of factors.

    Parameters
    ----------
    lower, upper : float [nm]
    grids : sequence of (wavelength,) arrays [nm]
        The points where any of the factors bends.
    factors : sequence of callables
        Each takes wavelengths [nm] and is smooth between the points of the grids. The result is
        exact for up to five factors that are linear there.
    """
    if upper <= lower:
        return 0.0
    nodes, weights = quadrature(union_grid(lower, upper, grids))
    for factor in factors:
        weights = weights * factor(nodes)
    return float(weights.sum())


def nodal_weights(
    grid: ArrayLike,
    lower: float,
    upper: float,
    grids: Iterable[ArrayLike],
    factors: Sequence[Callable[[Real], Real]],
) -> Real:
    """Weights W with integral(f x factors) = sum(W f), for any f that is linear on ``grid``.

    Parameters
    ----------
    grid : (wavelength,) array [nm]
        Must cover lower to upper.
    lower, upper, grids, factors
        As in `integrate_product`; ``grid`` need not be among ``grids``.

    Returns
    -------
    (wavelength,) array
    """
    if upper <= lower:
        return np.zeros(np.size(grid))
    rule = NodalRule(grid, lower, upper, grids)
    weights = rule.weights
    for factor in factors:
        weights = weights * factor(rule.nodes)
    return rule.onto_grid(weights)


class NodalRule:
    """Where and how `nodal_weights` integrates, for several products over the same band.

    Parameters
    ----------
    grid, lower, upper, grids
        As in `nodal_weights`; ``upper`` above ``lower``.

    Attributes
    ----------
    nodes : (node,) array [nm]
    weights : (node,) array [nm]
    """

    def __init__(self, grid: ArrayLike, lower: float, upper: float, grids: Iterable[ArrayLike]):
        base = np.asarray(grid, dtype=float)
        self._size = base.size
        self.nodes, self.weights = quadrature(union_grid(lower, upper, [base, *grids]))
        self._left = np.clip(np.searchsorted(base, self.nodes, side="right") - 1, 0, base.size - 2)
        at = base[self._left]
        self._share = (self.nodes - at) / (base[self._left + 1] - at)

    def onto_grid(self, products: Real) -> Real:
        """Weights on the grid (wavelength,), from weights times all factors at the nodes."""
        left, share = self._left, self._share
        lower_part = np.bincount(left, products * (1 - share), minlength=self._size)
        upper_part = np.bincount(left + 1, products * share, minlength=self._size)
        return np.asarray(lower_part + upper_part, dtype=float)


def band_key(band_nm: tuple[float, float]) -> str:
    """The name of a band in results: "300-400"."""
    return f"{band_nm[0]:g}-{band_nm[1]:g}"


def optical_grid(
    lower: float, upper: float, *, step_nm: float = 1.0, include: Iterable[ArrayLike] = ()
) -> Real:
    """Wavelengths at which a stack is solved: multiples of the step, limits and extras [nm]."""
    first, last = np.ceil(lower / step_nm), np.floor(upper / step_nm)
    regular = np.arange(first, last + 1) * step_nm
    return union_grid(lower, upper, [regular, *include])


def log_interpolate(wavelength_nm: Real, grid: Real, values: Real) -> Real:
    """Linear interpolation, in the logarithm where both neighbours are positive."""
    linear = np.interp(wavelength_nm, grid, values)
    if grid.size < 2:
        return linear
    left = np.clip(np.searchsorted(grid, wavelength_nm, side="right") - 1, 0, grid.size - 2)
    low, high = values[left], values[left + 1]
    positive = (low > 0) & (high > 0)
    share = np.clip((wavelength_nm - grid[left]) / (grid[left + 1] - grid[left]), 0.0, 1.0)
    safe_low, safe_high = np.where(positive, low, 1.0), np.where(positive, high, 1.0)
    logarithmic = np.exp((1 - share) * np.log(safe_low) + share * np.log(safe_high))
    # At the samples themselves the sample, to the last digit.
    exact = (share == 0) | (share == 1)
    return np.asarray(np.where(positive & ~exact, logarithmic, linear))
