"""Free-form n and k that obey causality: a spline of eps2 with its Kramers-Kronig integral."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.optical_constants.intervals import k_interval, misfit
from optistack.analysis.optical_constants.measurement import FilmOptics, KnownIndex
from optistack.analysis.optical_constants.result import Flag, merged_flags
from optistack.dispersion import EV_NM, CausalBasis, index_of
from optistack.errors import OptistackError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Flags = NDArray[np.bool_]

_KNOT_EV = 0.04
_MOST_SPLINES = 220
# Weights of the roughness, from stiff to free. The one that the data make most probable is taken,
# and then a softer one: a stiff spline is precise and wrong at sharp features, and its interval
# does not know it.
_STIFFNESS = tuple(2.0 ** -np.arange(-1.0, 8.0))
_SOFTER = 6.0
# Weak prior knowledge: mean and standard deviation.
_SPLINE_STD = 30.0
_POLE = (1.0, 2.0)
_CARRIERS_STD_EV2 = 40.0
# What absorption out of sight may do to n and two poles do not follow.
_N_FLOOR = 0.005
# Starting values of n and of the free carriers [eV2]: there is more than one valley.
_STARTS = ((1.7, 0.0), (1.35, 0.0), (2.3, 0.0))
# First those of a transparent conductor with its plasma edge in sight.
_METAL_STARTS = ((1.9, 3.0), (1.9, 8.0), (1.9, 20.0), (1.9, 50.0), (1.9, 90.0))
# A chi-square per reading above which a metal is tried too.
_POOR = 3.0
_THICKNESS_STARTS = (0.0, -1.3, 1.3)
# Two valleys whose objectives differ by less are both possible (6: one to twenty).
_POSSIBLE = 6.0
_ITERATIONS = 60


@dataclass(frozen=True, eq=False)
class Bands:
    """What every method gives: n, k, their intervals, and how good the description is."""

    n: tuple[Real, Real, Real]  # value, low, high
    k: tuple[Real, Real, Real]
    upper: Flags
    several: Flags
    thickness_nm: tuple[float, float, float]
    chi_square: float
    degrees_of_freedom: float
    misfit: str
    fitted: Real  # (channel, wavelength)
    notes: tuple[str, ...] = ()

    @property
    def flag(self) -> tuple[Flag, ...]:
        return merged_flags(*self.k, self.upper, self.several)


@dataclass(frozen=True, eq=False)
class _Valley:
    """One minimum with the normal distribution around it."""

    objective: float
    evidence: float  # -2 ln, up to a constant
    parameters: Real
    index: Complex
    n_mean: Real
    n_std: Real
    k_mean: Real
    k_std: Real
    thickness_nm: float
    thickness_std_nm: float
    residuals: Real
    fitted: Real
    effective: float


class _Problem:
    """Residuals and their derivatives. Parameters: the basis, the thickness, the scales.

    The thickness and the scales are in units of their own standard deviations.
    """

    def __init__(self, optics: FilmOptics, known: KnownIndex | None):
        self.optics = optics
        energy = EV_NM / optics.lam
        step = max(_KNOT_EV, float(np.ptp(energy)) / _MOST_SPLINES)
        self.basis = CausalBasis.over(energy, step)
        self.count = self.basis.eps1.shape[1]
        self.channels = len(optics.data)
        self.size = self.count + 1 + self.channels
        self.mean, self.std = np.zeros(self.size), np.ones(self.size)
        s = self.basis.splines
        self.std[:s] = _SPLINE_STD
        self.mean[s : s + 2], self.std[s : s + 2] = _POLE
        self.std[s + 2] = _CARRIERS_STD_EV2
        self.lowest = np.full(self.size, -np.inf)
        self.lowest[: self.count] = 0.0
        # A thickness far below zero would be no thickness.
        if optics.thickness_std_nm > 0:
            self.lowest[self.count] = -0.9 * optics.thickness_nm / optics.thickness_std_nm
        self.known = known

    def index(self, p: Real) -> Complex:
        basis = p[: self.count]
        return index_of(1.0 + self.basis.eps1 @ basis + 1j * (self.basis.eps2 @ basis))

    def thickness(self, p: Real) -> float:
        return float(self.optics.thickness_nm + self.optics.thickness_std_nm * p[self.count])

    def _scales(self, p: Real) -> Real:
        return np.asarray(1.0 + self.optics.scale_std * p[self.count + 1 :])[:, None]

    def fitted(self, p: Real) -> Real:
        return self.optics(self.index(p), self.thickness(p)) * self._scales(p)

    def residuals(self, p: Real) -> Real:
        r = ((self.fitted(p) - self.optics.data) / self.optics.std).ravel()
        if self.known is None:
            return np.asarray(r)
        return np.concatenate([r, (self.index(p).real - self.known.n) * self.known.weight])

    def jacobian(self, p: Real) -> tuple[Real, Real, Complex]:
        """Residuals, their derivatives, and d(n + ik)/d(basis)."""
        index = self.index(p)
        at, by_n, by_k, by_d = self.optics.slopes(index, self.thickness(p))
        slope = (self.basis.eps1 + 1j * self.basis.eps2) / (2 * index[:, None])
        scales, std = self._scales(p), self.optics.std
        rows = np.zeros((self.channels, index.size, self.size))
        rows[..., : self.count] = by_n[..., None] * slope.real + by_k[..., None] * slope.imag
        rows[..., self.count] = by_d * self.optics.thickness_std_nm
        rows *= scales[..., None]
        for c in range(self.channels):
            rows[c, :, self.count + 1 + c] = at[c] * self.optics.scale_std[c]
        rows /= std[..., None]
        r = ((at * scales - self.optics.data) / std).ravel()
        jacobian = rows.reshape(-1, self.size)
        if self.known is not None:
            extra = np.zeros((index.size, self.size))
            extra[:, : self.count] = slope.real * self.known.weight[:, None]
            jacobian = np.vstack([jacobian, extra])
            r = np.concatenate([r, (index.real - self.known.n) * self.known.weight])
        return r, jacobian, slope

    def prior(self, stiffness: float) -> Real:
        """Matrix of the quadratic form that the prior knowledge adds to the objective."""
        rough = np.zeros((len(self.basis.roughness), self.size))
        rough[:, : self.count] = stiffness * self.basis.roughness
        return np.asarray(rough.T @ rough + np.diag(self.std**-2.0))

    def start(self, n: float, carriers_ev2: float, thickness: float) -> Real:
        p = self.mean.copy()
        s = self.basis.splines
        p[s : s + 2] = (n * n - 1) / 2.4
        p[s + 2] = carriers_ev2
        p[self.count] = thickness
        return np.asarray(np.maximum(p, self.lowest))

    def objective(self, p: Real, residuals: Real, prior: Real) -> float:
        shift = p - self.mean
        return float(residuals @ residuals + shift @ prior @ shift)

    def descend(self, p: Real, prior: Real) -> Real:
        """Levenberg-Marquardt steps that keep the lower limits."""
        damping, quiet = 1e-3, 0
        value = self.objective(p, self.residuals(p), prior)
        for _ in range(_ITERATIONS):
            r, jacobian, _ = self.jacobian(p)
            hessian = jacobian.T @ jacobian + prior
            gradient = jacobian.T @ r + prior @ (p - self.mean)
            free = ~((p <= self.lowest) & (gradient > 0))
            gained = -1.0
            for _ in range(9):
                new = self._step(p, hessian, gradient, damping, free)
                changed = self.objective(new, self.residuals(new), prior)
                gained = value - changed
                if gained > 0:
                    p, value, damping = new, changed, max(damping / 5, 1e-9)
                    break
                damping *= 5
            quiet = quiet + 1 if gained < 1e-3 else 0
            if gained <= 0 or quiet == 2:
                break
        return p

    def _step(self, p: Real, hessian: Real, gradient: Real, damping: float, free: Flags) -> Real:
        damped = hessian + damping * np.diag(np.diag(hessian))
        for _ in range(6):
            step = np.zeros(self.size)
            step[free] = -np.linalg.solve(damped[np.ix_(free, free)], gradient[free])
            held = free & (p <= self.lowest) & (step < 0)
            if not held.any():
                break
            free = free & ~held
        return np.asarray(np.maximum(p + step, self.lowest))

    def valley(self, p: Real, prior: Real) -> _Valley:
        r, jacobian, slope = self.jacobian(p)
        information = jacobian.T @ jacobian
        hessian = information + prior
        gradient = jacobian.T @ r + prior @ (p - self.mean)
        covariance = np.linalg.inv(hessian)
        # Where a limit holds a parameter, the normal distribution has its mean beyond it.
        shift = -covariance @ gradient
        wide = np.zeros((slope.shape[0], self.size), dtype=complex)
        wide[:, : self.count] = slope
        index = self.index(p)

        def spread(rows: Real) -> Real:
            return np.asarray(np.sqrt(np.maximum(((rows @ covariance) * rows).sum(axis=1), 0.0)))

        objective = self.objective(p, r, prior)
        logs = np.linalg.slogdet(hessian)[1] - np.linalg.slogdet(prior)[1]
        readings = r[: self.optics.data.size].reshape(self.optics.data.shape)
        return _Valley(
            objective=objective,
            evidence=objective + float(logs),
            parameters=p,
            index=index,
            n_mean=index.real + wide.real @ shift,
            n_std=spread(wide.real),
            k_mean=index.imag + wide.imag @ shift,
            k_std=spread(wide.imag),
            thickness_nm=self.thickness(p),
            thickness_std_nm=self.optics.thickness_std_nm
            * float(np.sqrt(covariance[self.count, self.count])),
            residuals=readings,
            fitted=self.fitted(p),
            effective=float(np.trace(covariance @ information)),
        )


def _ladder(problem: _Problem, p: Real) -> tuple[float, Real]:
    """Stiffness that the data make most probable, and the parameters there."""
    best: tuple[float, float, Real] | None = None
    for stiffness in _STIFFNESS:
        prior = problem.prior(stiffness)
        p = problem.descend(p, prior)
        evidence = problem.valley(p, prior).evidence
        if best is None or evidence < best[0]:
            best = (evidence, stiffness, p)
        elif evidence > best[0] + 12:
            break
    if best is None:  # the ladder has rungs
        raise OptistackError("no fit was tried")
    return best[1], best[2]


def causal(optics: FilmOptics, known: KnownIndex | None = None) -> Bands:
    """n and k of any shape that causality allows, and the thickness.

    Parameters
    ----------
    optics : FilmOptics
    known : KnownIndex, optional
        Taken as one more reading.
    """
    if len(optics.data) == 1 and known is None:
        raise OptistackError(
            "transmittance alone does not tell n from k: measure the reflectance too, or give n "
            "with n_std"
        )
    problem = _Problem(optics, known)
    fixed = optics.thickness_std_nm <= 0.05 * optics.thickness_nm
    stiffness, p = _ladder(problem, problem.start(*_STARTS[0], 0.0))
    prior = problem.prior(stiffness / _SOFTER)
    valleys = [problem.valley(problem.descend(p, prior), prior)]
    shifts = _THICKNESS_STARTS[:1] if fixed else _THICKNESS_STARTS
    starts = [(*start, shift) for shift in shifts for start in _STARTS][1:]
    if (valleys[0].residuals ** 2).mean() > _POOR:
        starts += [(*start, shift) for shift in shifts for start in _METAL_STARTS]
    for start in starts:
        # First stiff, then as free as the rest: a straight way into the valley.
        q = problem.start(*start)
        for rung in (_STIFFNESS[0], stiffness, stiffness / _SOFTER):
            q = problem.descend(q, problem.prior(rung))
        other = problem.valley(q, prior)
        if other.objective < min(v.objective for v in valleys) - _POSSIBLE:
            # A much better valley decides how stiff the spline is.
            stiffness, q = _ladder(problem, q)
            prior = problem.prior(stiffness / _SOFTER)
            other = problem.valley(problem.descend(q, prior), prior)
            valleys = [problem.valley(problem.descend(v.parameters, prior), prior) for v in valleys]
        valleys.append(other)
    return _bands(optics, valleys)


def _distinct(valleys: list[_Valley]) -> Iterator[_Valley]:
    """The best valley, and others that are as good and not the same."""
    seen: list[_Valley] = []
    for v in sorted(valleys, key=lambda x: x.objective):
        if seen and v.objective > seen[0].objective + _POSSIBLE:
            return
        if all(
            np.abs((v.k_mean - s.k_mean) / s.k_std).max() > 1
            or np.abs((v.n_mean - s.n_mean) / s.n_std).max() > 1
            for s in seen
        ):
            seen.append(v)
            yield v


def _bands(optics: FilmOptics, valleys: list[_Valley]) -> Bands:
    possible = list(_distinct(valleys))
    best = possible[0]
    notes = []
    freedom = max(optics.data.size - best.effective, 1.0)
    total = float((best.residuals**2).sum())
    inflation = max(1.0, total / freedom) ** 0.5
    if inflation > 1.05:
        notes.append(f"intervals widened by {inflation:.3g}, as the residuals exceed the noise")
    elif total / freedom < 0.5:
        notes.append(
            f"residuals are only {np.sqrt(total / freedom):.2f} of the noise stated: is it too "
            "large?"
        )
    n_all, k_all, uppers = [], [], []
    for v in possible:
        n_std = np.hypot(v.n_std, _N_FLOOR) * inflation
        n_all.append((v.n_mean, v.n_mean - 1.96 * n_std, v.n_mean + 1.96 * n_std))
        value, low, high, upper = k_interval(v.k_mean, v.k_std * inflation)
        k_all.append((value, low, high))
        uppers.append(upper)
    n_bands, k_bands = np.array(n_all), np.array(k_all)
    several = np.zeros(best.index.size, dtype=bool)
    if len(possible) > 1:
        apart = (k_bands[1:, 1] > k_bands[0, 2]) | (k_bands[1:, 2] < k_bands[0, 1])
        several = apart.any(axis=0)
        notes.append(
            f"{len(possible)} solutions explain the readings, with thicknesses of "
            + ", ".join(f"{v.thickness_nm:.1f}" for v in possible)
            + " nm: the intervals hold all"
        )
    d_low = min(v.thickness_nm - 1.96 * v.thickness_std_nm * inflation for v in possible)
    d_high = max(v.thickness_nm + 1.96 * v.thickness_std_nm * inflation for v in possible)
    return Bands(
        n=(
            np.maximum(best.n_mean, 1e-3),
            np.maximum(n_bands[:, 1].min(axis=0), 1e-4),  # an index is positive
            n_bands[:, 2].max(axis=0),
        ),
        k=(k_bands[0, 0], k_bands[:, 1].min(axis=0), k_bands[:, 2].max(axis=0)),
        upper=np.asarray(uppers[0]),
        several=several,
        thickness_nm=(best.thickness_nm, d_low, d_high),
        chi_square=total,
        degrees_of_freedom=freedom,
        misfit=misfit(best.residuals, freedom, best.effective),
        fitted=best.fitted,
        notes=tuple(notes),
    )
