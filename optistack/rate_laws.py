"""Laws of loss against dose, and how a rate goes with intensity and temperature.

A law gives the share F of a property (sheet conductance, photocurrent, decadic absorbance) that is
left. Every law here is a shape on a scaled dose, F(x) with x = k D and F(0) = 1: another light,
another intensity or another temperature stretches the axis and leaves the shape alone. That is
what makes "coupon rate times a factor" meaningful, and it is tested, not taken for granted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from optistack.errors import OptistackError
from optistack.spectral_math import AVOGADRO_MOL, BOLTZMANN_J_K

Real = NDArray[np.float64]

GAS_J_MOL_K = BOLTZMANN_J_K * AVOGADRO_MOL
_LN10 = float(np.log(10.0))

# Scaled doses between which a level is looked for where no closed form exists.
_SMALLEST_X, _LARGEST_X = 1e-12, 1e12


@dataclass(frozen=True, eq=False)
class Law:
    """A shape of loss, F(x; shape) with x = k D.

    Attributes
    ----------
    name : str
    formula : str
        For screens.
    shape_names : tuple of str
        Positive shape parameters beside the rate constant k.
    starts : tuple of tuples
        Values of the shape parameters from which a fit starts.
    usual : tuple of float
        Values of the shape parameters that a fit keeps to, loosely, where data say nothing.
    fraction : callable
        (x, shape) -> F; x (...,), shape a sequence of arrays that broadcast with x.
    level_at : callable or None
        (level, shape) -> x, the inverse; None: found by bisection.
    notes : tuple of str
    """

    name: str
    formula: str
    fraction: Callable[[Real, Sequence[Real]], Real]
    shape_names: tuple[str, ...] = ()
    starts: tuple[tuple[float, ...], ...] = ((),)
    usual: tuple[float, ...] = ()
    level_at: Callable[[Real, Sequence[Real]], Real] | None = None
    notes: tuple[str, ...] = ()

    def __call__(self, x: ArrayLike, *shape: ArrayLike) -> Real:
        """Share that is left at the scaled dose x = k D; 0 once a law has used everything up."""
        values = self.fraction(
            np.asarray(x, dtype=float), [np.asarray(s, dtype=float) for s in shape]
        )
        return np.asarray(np.maximum(values, 0.0))

    def reach(self, level: ArrayLike, shape: Sequence[Real] = ()) -> Real:
        """Scaled dose at which the share left has fallen to a level between 0 and 1.

        Examples
        --------
        >>> round(float(EXPONENTIAL.reach(0.5)), 6)
        0.693147
        """
        wanted = np.asarray(level, dtype=float)
        if not ((wanted > 0) & (wanted < 1)).all():
            raise OptistackError("a level to reach must lie between 0 and 1, both excluded")
        arrays = [np.asarray(s, dtype=float) for s in shape]
        with np.errstate(over="ignore", divide="ignore", under="ignore", invalid="ignore"):
            if self.level_at is not None:
                return np.asarray(self.level_at(wanted, arrays), dtype=float)
            full = np.broadcast_shapes(wanted.shape, *(a.shape for a in arrays))
            low = np.full(full, np.log(_SMALLEST_X))
            high = np.full(full, np.log(_LARGEST_X))
            for _ in range(60):  # 55 / 2**60 is far below the spacing of doubles
                middle = (low + high) / 2
                above = self.fraction(np.exp(middle), arrays) > wanted
                low, high = np.where(above, middle, low), np.where(above, high, middle)
            return np.asarray(np.exp((low + high) / 2))


def _power(x: Real, exponent: Real) -> Real:
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        return np.asarray(np.exp(exponent * np.log(x)))


EXPONENTIAL = Law(
    "exponential",
    "G/G0 = exp(-k D)",
    lambda x, _: np.exp(-x),
    level_at=lambda level, _: -np.log(level),
)
STRETCHED = Law(
    "stretched exponential",
    "G/G0 = exp(-(k D)^b)",
    lambda x, s: np.exp(-_power(x, s[0])),
    ("b",),
    ((0.5,), (1.0,), (2.0,)),
    (1.0,),
    lambda level, s: (-np.log(level)) ** (1 / s[0]),
)
POWER = Law(
    "power",
    "R/R0 - 1 = (k D)^m",
    lambda x, s: 1 / (1 + _power(x, s[0])),
    ("m",),
    ((0.5,), (1.0,), (2.0,)),
    (1.0,),
    lambda level, s: (1 / level - 1) ** (1 / s[0]),
)
LINEAR = Law(
    "linear",
    "G/G0 = 1 - k D",
    lambda x, _: 1 - x,
    level_at=lambda level, _: 1 - level,
)


def _induction(x: Real, shape: Sequence[Real]) -> Real:
    # -expm1(-y) = 1 - exp(-y); for x much below x0 the difference is of second order in x, and
    # its two parts agree to all digits long before that matters for a share left.
    x0 = shape[0]
    return np.asarray(np.exp(-(x + x0 * np.expm1(-x / x0))))


def _induction_level(level: Real, shape: Sequence[Real]) -> Real:
    # u + exp(-u) = c with u = x / x0: u = c + W0(-exp(-c)), beside the branch point by its series.
    excess = -np.log(level) / shape[0]
    c = 1 + excess
    u = np.where(excess < 1e-7, np.sqrt(2 * excess), c + special.lambertw(-np.exp(-c)).real)  # type: ignore[call-overload]
    return np.asarray(u * shape[0])


INDUCTION = Law(
    "induction period",
    "G/G0 = exp(-k (D - D0 (1 - exp(-D/D0))))",
    _induction,
    ("k D0",),
    ((0.3,), (2.0,)),
    (0.5,),
    _induction_level,
    notes=(
        "induction period: a protecting species is used up first (first order, dose D0); late in "
        "the curve it is the exponential law, D0 later",
    ),
)


def bleached_absorbance(initial: ArrayLike, rate: ArrayLike, time: ArrayLike) -> Real:
    """Decadic absorbance of a film that shades itself and bleaches, dA/dt = -k (1 - 10^-A).

    Parameters
    ----------
    initial : float
        Decadic absorbance A0 at the start.
    rate, time : float or array
        k and t, in units whose product has none.

    Returns
    -------
    A = log10(1 + (10^A0 - 1) 10^(-k t)); thick: A0 - k t, thin: A0 exp(-k t ln 10).

    Notes
    -----
    Integrated here; the rate law is that of "phi-order" photokinetics, M. Maafi, Front. Chem. 12
    (2024) 1367276.

    Examples
    --------
    >>> print(np.round(bleached_absorbance(2.0, 0.01, [0, 100, 400]), 6))
    [2.       1.037426 0.004278]
    """
    a0 = np.asarray(initial, dtype=float)
    decades = np.asarray(rate, dtype=float) * np.asarray(time, dtype=float)
    # 10^A0 itself would overflow for an opaque film.
    start = a0 * _LN10 + np.log(-np.expm1(-a0 * _LN10))
    return np.asarray(np.logaddexp(0.0, start - decades * _LN10) / _LN10)


def _shaded(x: Real, shape: Sequence[Real]) -> Real:
    a0 = shape[0]
    # x is in units of the first relative loss, so that k means the same as in the other laws.
    decades = x * a0 / -np.expm1(-a0 * _LN10)
    return np.asarray(bleached_absorbance(a0, 1.0, decades) / a0)


def _shaded_level(level: Real, shape: Sequence[Real]) -> Real:
    a0 = shape[0]

    def start(a: Real) -> Real:
        return np.asarray(a * _LN10 + np.log(-np.expm1(-a * _LN10)))

    decades = (start(a0) - start(level * a0)) / _LN10
    return np.asarray(decades * -np.expm1(-a0 * _LN10) / a0)


SELF_SHADING = Law(
    "self-shading film",
    "A = log10(1 + (10^A0 - 1) 10^(-k' D)), G/G0 = A/A0",
    _shaded,
    ("A0",),
    ((0.3,), (2.0,)),
    (0.5,),
    _shaded_level,
    notes=(
        "self-shading film: the dose is counted at the absorption of the fresh film; what the "
        "film absorbs falls as it is used up",
    ),
)


def self_shading(decadic_absorbance: float) -> Law:
    """The self-shading law for a film whose decadic absorbance is known.

    Raises
    ------
    OptistackError
        A value that is not positive.
    """
    if not (np.isfinite(decadic_absorbance) and decadic_absorbance > 0):
        raise OptistackError(f"decadic absorbance {decadic_absorbance} must be positive")
    a0 = np.asarray(decadic_absorbance, dtype=float)
    return Law(
        f"self-shading film, A0 = {decadic_absorbance:g}",
        SELF_SHADING.formula,
        lambda x, _: _shaded(x, [a0]),
        level_at=lambda level, _: _shaded_level(level, [a0]),
        notes=SELF_SHADING.notes,
    )


def depth_resolved(depth_nm: ArrayLike, absorbed_photons_m3_s: ArrayLike) -> Law:
    """Local dose, local conductivity, sheet conductance: G/G0 = mean over depth of exp(-k D(z)).

    Parameters
    ----------
    depth_nm : (depth,) array [nm]
        Increasing, from one face to the other.
    absorbed_photons_m3_s : (depth,) array [1/(m3 s)]
        Local absorbed photons, for example from ``ExposureResult.depth_profile``; any unit, since
        only the shape counts. D is the mean dose over the thickness.

    Returns
    -------
    Law

    Raises
    ------
    OptistackError
        Depths that do not increase, a negative profile, or nothing absorbed.

    Notes
    -----
    The film conducts along its plane, its sublayers in parallel. The profile stays as given: that
    a damaged film absorbs differently is not followed.

    Examples
    --------
    >>> law = depth_resolved([0, 50, 100], [2.0, 1.0, 0.0])
    >>> print(round(float(law(1.0)), 4))  # 0.3679 if the dose were even; here (1 - exp(-2)) / 2
    0.4323
    """
    depth = np.asarray(depth_nm, dtype=float)
    profile = np.asarray(absorbed_photons_m3_s, dtype=float)
    if depth.ndim != 1 or depth.shape != profile.shape or depth.size < 2:
        raise OptistackError("a depth profile needs at least two depths and as many values")
    if not (np.isfinite(depth).all() and (np.diff(depth) > 0).all()):
        raise OptistackError("a depth profile needs finite depths that increase [nm]")
    if not (np.isfinite(profile).all() and (profile >= 0).all()):
        raise OptistackError("a depth profile of absorbed photons must be finite and not negative")
    span = np.diff(depth) / (depth[-1] - depth[0])
    mean = float(((profile[1:] + profile[:-1]) / 2 * span).sum())
    if not mean > 0:
        raise OptistackError("nothing is absorbed at any depth of the profile")
    # Straight between its points; in each interval the mean of exp is known in closed form.
    upper, lower = profile[:-1] / mean, profile[1:] / mean

    def fraction(x: Real, _: Sequence[Real]) -> Real:
        a, b = x[..., None] * upper, x[..., None] * lower
        half = (a - b) / 2
        small = np.abs(half) < 1e-4
        ratio = np.where(small, 1 + half**2 / 6, np.sinh(half) / np.where(small, 1.0, half))
        return np.asarray((np.exp(-(a + b) / 2) * ratio) @ span)

    def safe(x: Real, shape: Sequence[Real]) -> Real:
        # sinh overflows where exp has long underflowed: such doses leave nothing.
        steep = 600 / max(float(np.abs(upper - lower).max()), 1e-12)
        return fraction(np.minimum(x, steep), shape)

    return Law("depth-resolved", "G/G0 = mean over depth of exp(-k D(z))", safe)


DEFAULT_LAWS = (EXPONENTIAL, STRETCHED, POWER, LINEAR, INDUCTION, SELF_SHADING)


def arrhenius_factor(
    activation_energy_kj_mol: ArrayLike, from_k: ArrayLike, to_k: ArrayLike
) -> Real:
    """Rate at one temperature over the rate at another, exp(Ea/R (1/T_from - 1/T_to)).

    Examples
    --------
    >>> print(round(float(arrhenius_factor(50.0, 298.15, 338.15)), 3))
    10.869
    """
    start, end = np.asarray(from_k, dtype=float), np.asarray(to_k, dtype=float)
    if not all(np.isfinite(t).all() and (t > 0).all() for t in (start, end)):
        raise OptistackError("temperatures must be positive and in kelvin")
    energy = np.asarray(activation_energy_kj_mol, dtype=float)
    return np.asarray(np.exp(energy * 1e3 / GAS_J_MOL_K * (1 / start - 1 / end)))


def activation_energy_kj_mol(
    rate_1: float, temperature_1_k: float, rate_2: float, temperature_2_k: float
) -> float:
    """Activation energy from two rates [kJ/mol].

    Examples
    --------
    >>> round(activation_energy_kj_mol(1.0, 323.15, 2.3, 343.15), 4)
    38.3964
    """
    if not (rate_1 > 0 and rate_2 > 0):
        raise OptistackError("an activation energy needs two positive rates")
    if not (temperature_1_k > 0 and temperature_2_k > 0) or temperature_1_k == temperature_2_k:
        raise OptistackError("an activation energy needs two different temperatures [K]")
    inverse = 1 / temperature_1_k - 1 / temperature_2_k
    return float(np.log(rate_2 / rate_1) * GAS_J_MOL_K / inverse / 1e3)


def effective_temperature_k(
    temperature_k: ArrayLike, activation_energy_kj_mol: float, weights: ArrayLike | None = None
) -> float:
    """The constant temperature that would do as much as a course of temperatures [K].

    Parameters
    ----------
    temperature_k : (time,) array [K]
    activation_energy_kj_mol : float [kJ/mol]
    weights : (time,) array, optional
        Of each moment, for example (absorbed rate)^p; equal when not given.
    """
    course = np.asarray(temperature_k, dtype=float)
    weight = np.ones(course.shape) if weights is None else np.asarray(weights, dtype=float)
    if not ((weight >= 0).all() and weight.sum() > 0):
        raise OptistackError("weights of moments must not be negative, nor all zero")
    share = weight / weight.sum()
    if activation_energy_kj_mol == 0:
        return float((share * course).sum())
    middle = float(course.mean())
    factor = float((share * arrhenius_factor(activation_energy_kj_mol, middle, course)).sum())
    slope = GAS_J_MOL_K / (activation_energy_kj_mol * 1e3)
    return float(1 / (1 / middle - np.log(factor) * slope))


def rate_factor(
    absorbed_ratio: ArrayLike,
    exponent: ArrayLike = 1.0,
    *,
    activation_energy_kj_mol: ArrayLike = 0.0,
    from_k: ArrayLike = 298.15,
    to_k: ArrayLike = 298.15,
) -> Real:
    """Device rate over coupon rate: (q_device/q_coupon)^p x Arrhenius.

    Parameters
    ----------
    absorbed_ratio : float or array
        Absorbed photon rates per volume, device over coupon (with a spectral weight: weighted).
    exponent : float or array
        Reciprocity exponent p (Schwarzschild's law; J. W. Martin, J. W. Chin, T. Nguyen, Prog. Org.
        Coat. 47 (2003) 292). 1: the dose alone counts.
    activation_energy_kj_mol, from_k, to_k
        As in `arrhenius_factor`, from the coupon's temperature to the device's.

    Examples
    --------
    >>> print(round(float(rate_factor(0.1, 0.64)), 4))  # a filter that leaves a tenth
    0.2291
    """
    ratio = np.asarray(absorbed_ratio, dtype=float)
    if not (ratio > 0).all():
        raise OptistackError("a ratio of absorbed photon rates must be positive to scale a rate")
    return np.asarray(
        ratio ** np.asarray(exponent, dtype=float)
        * arrhenius_factor(activation_energy_kj_mol, from_k, to_k)
    )
