"""Non-negative least squares for a cut-on series: exponential, smooth curve, bands with intervals.

Everything is in units of the readings' errors; the dark control, where there is one, is one more
reading and the dark rate one more unknown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from optistack.analysis.activation_spectrum.series import CutOnSeries
from optistack.spectra import REFERENCE_NM, BandNm
from optistack.spectral_math import quadrature

Real = NDArray[np.float64]

_SLOPES_NM = np.geomspace(3.0, 3000.0, 241)
_KNOT_STEP_NM = 4.0
_CURVE_STEP_NM = 1.0
# Stiffness of the smooth curve, tried from the stiffest on.
_STIFFNESS = np.geomspace(1e3, 1e-3, 25)
# Inside a band the curve is not taken to vanish: it is kept above this part of the exponential.
_SHAPE_FLOOR = 0.03
# A band that gets less than this part of the layer's photons in all specimens is not lit.
_DARK_BAND = 1e-6
# High over low beyond which a band counts as not resolved.
WIDEST = 3.0
# Bands come out unresolved more often when noise has lowered them: their upper limit is the end of
# a wider interval than the others', so that it holds among them as well.
_LIMIT_CONFIDENCE = 0.99
MISFIT_P = 0.01


class Exponential(NamedTuple):
    """Best exponential exp(-(lambda - 340 nm) / slope): slope [nm] with its ends, and its size."""

    slope_nm: float
    low_nm: float
    high_nm: float
    amplitude: float
    fits: bool

    def __call__(self, wavelength_nm: Real) -> Real:
        """Value without the amplitude."""
        return np.asarray(np.exp(-(wavelength_nm - REFERENCE_NM) / self.slope_nm))


class Band(NamedTuple):
    """Multiple of the curve in a band, with its interval; mean weight and damage per multiple."""

    band_nm: BandNm
    best: float
    low: float
    high: float
    mean: float
    damage: float
    resolved: bool
    reason: str


@dataclass(frozen=True, eq=False)
class Inversion:
    """A cut-on series for one reciprocity exponent."""

    series: CutOnSeries
    exponent: float
    confidence: float

    @cached_property
    def doses(self) -> tuple[Real, Real]:
        """Readings that add up over wavelengths, and their errors, (filter,)."""
        return self.series.doses(self.exponent)

    @cached_property
    def data(self) -> Real:
        """Readings in units of their errors, the dark control last."""
        readings = self.doses[0] / self.doses[1]
        if self.series.dark_rate is None or self.series.dark_rate_sd is None:
            return np.asarray(readings)
        return np.append(readings, self.series.dark_rate / self.series.dark_rate_sd)

    def columns(self, kernel: Real) -> Real:
        """(filter, unknown) kernel in units of the errors, with the dark rate as last unknown."""
        sd = self.doses[1]
        out = kernel / sd[:, None]
        if self.series.dark_rate_sd is None:
            return np.asarray(out)
        out = np.column_stack([out, 1 / sd])
        last = np.zeros(out.shape[1])
        last[-1] = 1 / self.series.dark_rate_sd
        return np.vstack([out, last])

    # exponential ----------------------------------------------------------------------------------

    def exponential(self) -> Exponential:
        """The exponential that fits best, and the slopes that fit as well."""
        best = float(_SLOPES_NM[np.argmin(self._misfits(_SLOPES_NM))])
        span = float(np.log(_SLOPES_NM[1] / _SLOPES_NM[0]))
        found = optimize.minimize_scalar(
            lambda x: self._at_slope(float(np.exp(x)))[1],
            bounds=(np.log(best) - span, np.log(best) + span),
            method="bounded",
        )
        slope = float(np.exp(found.x))
        amplitude, chi2 = self._at_slope(slope)
        spare = self.data.size - 2 - (self.series.dark_rate is not None)
        fits = spare <= 0 or bool(special.chdtrc(spare, chi2) > MISFIT_P)
        # Where the exponential does not fit, its slope is the less certain for it.
        limit = chi2 + _normal(self.confidence) ** 2 * max(1.0, chi2 / max(spare, 1))

        def over(x: float) -> float:
            return self._at_slope(float(np.exp(x)))[1] - limit

        ends = []
        for end, otherwise in ((_SLOPES_NM[0], 0.0), (_SLOPES_NM[-1], np.inf)):
            far = float(np.log(end))
            near = float(np.log(slope))
            ends.append(
                float(np.exp(optimize.brentq(over, near, far, xtol=1e-4)))
                if over(far) > 0
                else otherwise
            )
        return Exponential(slope, ends[0], ends[1], amplitude, fits)

    def _at_slope(self, slope: float) -> tuple[float, float]:
        s = self.series
        shape = np.exp(-(s.wavelength_nm - REFERENCE_NM) / slope) * s.step_nm
        kernel = s.absorbed_photons_m3_s_nm @ shape
        x, chi2 = _solve(self.columns(kernel[:, None]), self.data)
        return float(x[0]), chi2

    def _misfits(self, slopes_nm: Real) -> Real:
        """Sum of squares that each slope leaves, (slope,)."""
        s = self.series
        shapes = np.exp(-np.outer(1 / slopes_nm, s.wavelength_nm - REFERENCE_NM)) * s.step_nm
        kernels = shapes @ s.absorbed_photons_m3_s_nm.T
        if s.dark_rate_sd is None:
            # One unknown: closed form.
            columns = kernels / self.doses[1]
            along = columns @ self.data
            gain = np.maximum(along, 0.0) ** 2 / np.vecdot(columns, columns)
            return np.asarray(self.data @ self.data - gain)
        return np.array([_solve(self.columns(k[:, None]), self.data)[1] for k in kernels])

    # smooth curve ---------------------------------------------------------------------------------

    def curve(self, exponential: Exponential) -> tuple[Real, Real]:
        """Smooth non-negative weight: as close to the exponential's slope as the rates allow.

        The stiffest curve that misses the rates by no more than their errors (discrepancy
        principle: V. A. Morozov, Soviet Math. Dokl. 7 (1966) 414; from memory), or by little more
        than the loosest one does.
        """
        s = self.series
        lam, a = s.wavelength_nm, s.absorbed_photons_m3_s_nm
        low, high = float(lam[0]), float(lam[-1])
        knots = np.linspace(low, high, max(round((high - low) / _KNOT_STEP_NM), 4) + 1)
        tents = np.array([np.interp(lam, knots, row) for row in np.eye(knots.size)])
        columns = self.columns(a @ (tents * exponential(lam) * s.step_nm).T)
        data = self.data
        rough = np.diff(np.eye(knots.size), axis=0)
        rough = np.column_stack([rough, np.zeros((len(rough), columns.shape[1] - knots.size))])
        unit = exponential.amplitude if exponential.amplitude > 0 else 1.0

        def solve(stiffness: float) -> tuple[Real, float]:
            stacked = np.vstack([columns, stiffness / unit * rough])
            x, _ = _solve(stacked, np.concatenate([data, np.zeros(len(rough))]))
            return x, float(((columns @ x - data) ** 2).sum())

        chosen, least = solve(float(_STIFFNESS[-1]))
        allowed = max(float(data.size), least + 1.0)
        for stiffness in _STIFFNESS:
            x, chi2 = solve(float(stiffness))
            if chi2 <= allowed:
                chosen = x
                break
        fine = np.linspace(low, high, max(round((high - low) / _CURVE_STEP_NM), 16) + 1)
        values = np.interp(fine, knots, chosen[: knots.size])
        return fine, np.asarray(values * exponential(fine))

    # bands ----------------------------------------------------------------------------------------

    def bands(
        self, bands: Sequence[BandNm], exponential: Exponential, curve: tuple[Real, Real]
    ) -> tuple[list[Band], float, float]:
        """Bands, the probability of the misfit, and the factor by which intervals are widened."""
        # A curve that is 0 everywhere has no shape to lend.
        floor = _SHAPE_FLOOR * exponential.amplitude if curve[1].max() > 0 else 1.0

        def shape(lam: Real) -> Real:
            return np.asarray(np.maximum(np.interp(lam, *curve), floor * exponential(lam)))

        matrix = self._matrix(bands, shape)
        flat = self._matrix(bands, lambda lam: np.ones(lam.size))
        lit = flat.max(axis=0) >= _DARK_BAND * flat.sum()
        columns, data = self.columns(matrix), self.data
        x, chi2 = _solve(columns, data)
        spare = data.size - int(np.linalg.matrix_rank(columns))
        misfit = float(special.chdtrc(spare, chi2)) if spare > 0 else 1.0
        if spare <= 0 and chi2 > _normal(1 - MISFIT_P) ** 2:
            # As many bands as readings, and yet a non-negative weight does not reach them.
            misfit = float(special.chdtrc(1, chi2))
        widening = max(1.0, float(np.sqrt(chi2 / max(spare, 1)))) if misfit < MISFIT_P else 1.0
        open_row = int(np.argmax(flat.sum(axis=1)))
        out = []
        for b, band in enumerate(bands):
            if not lit[b]:
                nothing = Band(
                    band, 0.0, 0.0, np.inf, 1.0, 0.0, False, "the layer absorbs no light there"
                )
                out.append(nothing)
                continue
            mean = matrix[open_row, b] / flat[open_row, b] if flat[open_row, b] > 0 else 1.0
            limit = chi2 + (_normal(self.confidence) * widening) ** 2
            low, high = _interval(columns, data, b, float(x[b]), limit)
            resolved = low > 0 and high <= WIDEST * low
            reason = ""
            if not resolved:
                reason = (
                    "the rates allow no damage there"
                    if low <= 0
                    else f"known to no better than a factor {high / low:.2g}"
                )
                wider = max(_LIMIT_CONFIDENCE, self.confidence)
                limit = chi2 + (_normal(wider) * widening) ** 2
                low, high = 0.0, _interval(columns, data, b, float(x[b]), limit)[1]
            out.append(
                Band(
                    band,
                    float(x[b]),
                    low,
                    high,
                    float(mean),
                    float(matrix[open_row, b]),
                    resolved,
                    reason,
                )
            )
        return out, misfit, widening

    def _matrix(self, bands: Sequence[BandNm], shape: Callable[[Real], Real]) -> Real:
        """Rate that a unit multiple of the shape in each band gives, (filter, band)."""
        lam = self.series.wavelength_nm
        out = np.zeros((len(self.series.names), len(bands)))
        for b, (low, high) in enumerate(bands):
            # A band may end between two wavelengths.
            inside = lam[(lam > low) & (lam < high)]
            nodes, weights = quadrature(np.concatenate([[low], inside, [high]]))
            weights = weights * shape(nodes)
            for j, row in enumerate(self.series.absorbed_photons_m3_s_nm):
                out[j, b] = weights @ np.interp(nodes, lam, row, left=0.0, right=0.0)
        return out


def _normal(confidence: float) -> float:
    return float(special.ndtri((1 + confidence) / 2))


def _solve(columns: Real, data: Real) -> tuple[Real, float]:
    """Non-negative least squares: solution and sum of squares."""
    norm = np.sqrt((columns**2).sum(axis=0))
    safe = np.where(norm > 0, norm, 1.0)
    x, left = optimize.nnls(columns / safe, data, maxiter=50 * columns.shape[1])
    return np.asarray(x / safe), float(left) ** 2


def _interval(
    columns: Real, data: Real, band: int, best: float, limit: float
) -> tuple[float, float]:
    """Multiples of one band for which the best choice of the others still fits."""
    own = columns[:, band]
    rest = np.delete(columns, band, axis=1)

    def over(multiple: float) -> float:
        return _solve(rest, data - multiple * own)[1] - limit

    width = float(np.sqrt(limit / (own @ own)))
    low = 0.0
    if best > 0 and over(0.0) > 0:
        low = float(optimize.brentq(over, 0.0, best, xtol=1e-6 * best))
    high = best + width
    while over(high) <= 0:
        high = best + 2 * (high - best)
        if high > best + 1e9 * width:
            return low, np.inf
    return low, float(optimize.brentq(over, best, high, xtol=1e-12 * high + 1e-6 * width))
