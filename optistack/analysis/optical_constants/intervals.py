"""Intervals of quantities that cannot be negative, and whether residuals are noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

Real = NDArray[np.float64]

# 95 % of a normal distribution lie within so many standard deviations.
SIGMAS = 1.959963984540054
# A k is called an upper bound where it happens to read low; that it then holds takes a wider
# interval than a k that was not chosen for being low: 99 % instead of 95 %.
BOUND_SIGMAS = 2.5758293035489004
# A chi-square that good data exceed once in a thousand times.
_RARE = 1e-3
# Standard deviations of the correlation of neighbouring residuals.
_CORRELATED = 3.5


def k_interval(mean: Real, std: Real) -> tuple[Real, Real, Real, NDArray[np.bool_]]:
    """Value, low, high and whether it is only an upper bound, for k >= 0 from a normal estimate.

    The interval holds every k >= 0 whose chi-square exceeds that of the best k >= 0 by at most
    3.84, or 6.63 for an upper bound; an estimate far below 0 does not make it empty.

    Examples
    --------
    >>> import numpy as np
    >>> value, low, high, upper = k_interval(np.array([0.05, 0.01, -0.02]), np.full(3, 0.01))
    >>> print(low.round(4), high.round(4), upper)
    [0.0304 0.     0.    ] [0.0696 0.0358 0.0126] [False  True  True]
    """
    below = np.minimum(mean, 0.0)
    low = np.maximum(mean - SIGMAS * std, 0.0)
    upper = low == 0
    sigmas = np.where(upper, BOUND_SIGMAS, SIGMAS)
    high = mean + np.sqrt((sigmas * std) ** 2 + below**2)
    return np.maximum(mean, 0.0), low, high, upper


def misfit(residuals: Real, degrees_of_freedom: float, fitted: float) -> str:
    """Why residuals are no noise; empty where they may be.

    Parameters
    ----------
    residuals : (channel, wavelength) array
        In units of the noise.
    degrees_of_freedom : float
        Readings less what was fitted.
    fitted : float
        Effective number of parameters: fitting them makes neighbours anticorrelated, so that a
        correlation found in spite of it means more.
    """
    total = float((residuals**2).sum())
    reasons = []
    if degrees_of_freedom > 0:
        limit = float(special.chdtri(degrees_of_freedom, _RARE))
        if total > limit:
            reasons.append(
                f"chi-square {total:.4g} for {degrees_of_freedom:.4g} degrees of freedom (noise "
                f"alone would exceed {limit:.4g} once in {1 / _RARE:g} times)"
            )
    products = residuals[:, 1:] * residuals[:, :-1]
    correlation = float(products.sum()) / max(total, 1e-300)
    size = products.size
    if size > 2 * fitted and correlation * np.sqrt(size) > _CORRELATED:
        reasons.append(
            f"residuals of neighbouring wavelengths are alike (correlation {correlation:.2f} of "
            f"{size} pairs), which noise is not"
        )
    return "; ".join(reasons)
