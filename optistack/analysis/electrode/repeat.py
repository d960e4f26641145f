"""Does a profile repeat with the pitch, and which shape fits it: finger position and amplitude."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError
from optistack.value import short

Real = NDArray[np.float64]

# Share of the variance (after a straight line) that must repeat with the pitch.
LEAST_PERIODIC = 0.6
# Below this share nothing is seen to repeat.
LEAST_TO_SEE = 0.2
# Where nothing repeats, a profile within this of its mean is flat, not aperiodic.
FLAT = 0.05
# The strongest period may differ from the pitch by this part of it.
PERIOD_TOLERANCE = 0.06
# The pitch itself is kept where another period explains no more than this beyond it.
SAME_SHARE = 0.03
_BINS = 40
_CHI2_95 = 3.841
_PHASES = 64


def periodic_share(x: Real, y: Real, pitch: float) -> tuple[float, float, bool]:
    """Share of the variance that repeats with the pitch, the period, and whether all is flat.

    The profile is folded, and the scatter within bins of the phase compared with that between
    them, per degree of freedom: shade under narrow fingers counts as well as a smooth wave.

    Raises
    ------
    OptistackError
        A profile that has structure but does not repeat with the pitch.
    """
    line = np.polyval(np.polyfit(x, y, 1), x)
    rest = y - line
    total = float(rest @ rest)
    if total <= 1e-24 * float(y @ y):
        return 0.0, pitch, True
    span = float(x[-1] - x[0])

    def explained(period: float) -> float:
        bins = min(_BINS, max(4, int(period * len(x) / span / 1.5)))
        at = ((x / period) % 1.0 * bins).astype(np.intp) % bins
        count = np.bincount(at, minlength=bins)
        mean = np.bincount(at, rest, minlength=bins) / np.maximum(count, 1)
        left = float(((rest - mean[at]) ** 2).sum())
        freedom = len(x) - 2 - int(np.count_nonzero(count))
        return 1.0 - (left / max(freedom, 1)) / (total / (len(x) - 2))

    def scanned(low: float, high: float) -> tuple[Real, Real]:
        # Neighbours differ by a third of a bin over the whole length.
        n = int(np.ceil(3 * _BINS * span * (1 / low - 1 / high))) + 2
        periods = 1.0 / np.linspace(1 / high, 1 / low, n)
        return periods, np.array([explained(float(p)) for p in periods])

    near, shares = scanned((1 - PERIOD_TOLERANCE) * pitch, (1 + PERIOD_TOLERANCE) * pitch)
    share, period = float(shares.max()), float(near[shares.argmax()])
    if explained(pitch) >= share - SAME_SHARE:
        period = pitch
    spread = math.sqrt(total / len(x)) / float(np.mean(y))
    if share < LEAST_TO_SEE and spread < FLAT:
        return share, pitch, True
    other, other_shares = scanned(0.3 * pitch, min(2.4 * pitch, span / 2))
    # A multiple of the pitch repeats too.
    ratio = other / pitch
    elsewhere = np.abs(ratio - np.maximum(np.round(ratio), 1)) > 2 * PERIOD_TOLERANCE
    best = float(other_shares[elsewhere].max()) if elsewhere.any() else 0.0
    if share < LEAST_PERIODIC or best > share + 0.1:
        hint = ""
        if best > LEAST_PERIODIC:
            found = float(other[elsewhere][other_shares[elsewhere].argmax()])
            hint = f"; it repeats with about {short(found)} mm instead"
        raise OptistackError(
            f"the profile does not repeat with the finger pitch of {pitch:g} mm: only "
            f"{100 * max(share, 0.0):.0f} % of its variance does (at least "
            f"{100 * LEAST_PERIODIC:.0f} % is needed){hint}. Check the pitch and the scale, or "
            "leave out the part with the defect"
        )
    return share, period, False


class ProfileFit:
    """Amplitude, straight-line trend, finger position and one shape parameter."""

    def __init__(
        self,
        x: Real,
        y: Real,
        period: float,
        width: float,
        half: float,
        shapes: Callable[[Real, Real], Real],
    ):
        self.x, self.y, self.pitch, self.width, self.half = x, y, period, width, half
        self.shapes = shapes
        self.distance = np.linspace(0.0, half, 201)
        self.middle = float(x.mean())
        # One reading beside the edge of a finger may lie half in its shade.
        self.margin = float(np.median(np.diff(x))) if width > 0 else 0.0
        # Noise, so that a perfect profile does not make the interval vanish.
        self.least = 1e-12 * float(y @ y)

    def run(self, parameter: Real) -> tuple[float, float, float, float, Real]:
        """Best parameter, its 95 % limits (infinite when open), finger position, fit."""
        step = self.pitch / _PHASES
        errors, places = self._profile(parameter, self.x[0] + step * np.arange(_PHASES), None)
        at = int(errors.argmin())
        # From here on the same readings count for every finger position, or the sum of squares
        # would jump where one more comes in.
        _, beside = self._distances(places[at : at + 1])
        near = places[at] + np.linspace(-1.5, 1.5, 31) * step
        errors, places = self._profile(parameter, near, beside)
        for _ in range(3):
            at = int(errors.argmin())
            ends = parameter[max(at - 1, 0)], parameter[min(at + 1, len(parameter) - 1)]
            finer = np.setdiff1d(np.linspace(*ends, 14)[1:-1], parameter)
            more, at_places = self._profile(finer, near, beside)
            order = np.argsort(np.concatenate([parameter, finer]))
            parameter = np.concatenate([parameter, finer])[order]
            errors = np.concatenate([errors, more])[order]
            places = np.concatenate([places, at_places])[order]
        at = int(errors.argmin())
        fitted = self._fitted(float(parameter[at]), float(places[at]), beside)
        keep = np.isfinite(fitted)
        residual = (self.y - fitted)[keep]
        n = len(residual)
        rho = float(residual[1:] @ residual[:-1] / max(float(residual @ residual), self.least))
        rho = min(max(rho, 0.0), 0.95)
        worth = n * (1.0 - rho) / (1.0 + rho)
        floor = max(float(errors.min()), self.least / n)
        deviance = worth * np.log(np.maximum(errors, floor) / floor)
        low = self._limit(parameter[: at + 1][::-1], deviance[: at + 1][::-1], -math.inf)
        high = self._limit(parameter[at:], deviance[at:], math.inf)
        first = (float(places[at]) - self.x[0]) % self.pitch + self.x[0]
        return float(parameter[at]), low, high, float(first), fitted

    @staticmethod
    def _limit(parameter: Real, deviance: Real, otherwise: float) -> float:
        above = np.flatnonzero(deviance >= _CHI2_95)
        if not len(above):
            return otherwise
        i = int(above[0])
        if i == 0:
            return float(parameter[0])
        # The deviance is a parabola: its root is a straight line.
        root = np.sqrt(np.maximum(deviance[i - 1 : i + 1], 0.0))
        share = (math.sqrt(_CHI2_95) - root[0]) / (root[1] - root[0])
        return float(parameter[i - 1] + share * (parameter[i] - parameter[i - 1]))

    def _distances(self, phases: Real) -> tuple[Real, NDArray[np.bool_]]:
        """Distance from the finger's edge (phase, x), and whether a place is beside the finger."""
        off = np.abs((self.x - phases[:, None] + self.pitch / 2) % self.pitch - self.pitch / 2)
        distance = off - self.width / 2
        return np.maximum(distance, 0.0), distance >= self.margin

    def _profile(
        self, parameter: Real, phases: Real, fixed: NDArray[np.bool_] | None
    ) -> tuple[Real, Real]:
        """Least mean squared residual over finger positions, and where, for each parameter."""
        distance, beside = self._distances(phases)
        if fixed is not None:
            beside = np.broadcast_to(fixed, beside.shape)
        tables = self.shapes(parameter, self.distance)
        errors, places = np.empty(len(parameter)), np.empty(len(parameter))
        for i, table in enumerate(tables):
            shape = np.interp(distance, self.distance, table)
            left = self._residual(shape, beside)[0]
            squares = (left**2).sum(axis=1) / beside.sum(axis=1)
            at = int(squares.argmin())
            errors[i], places[i] = squares[at], phases[at]
            if fixed is not None and 0 < at < len(phases) - 1:
                # The bottom of the parabola through three positions.
                below, above = squares[at - 1] - squares[at], squares[at + 1] - squares[at]
                if below + above > 0:
                    shift = 0.5 * (below - above) / (below + above)
                    places[i] += shift * (phases[1] - phases[0])
                    errors[i] = max(squares[at] - 0.25 * (below - above) * shift, 0.0)
        return errors, places

    def _residual(self, shape: Real, beside: NDArray[np.bool_]) -> tuple[Real, Real, Real]:
        """Residuals after the best amplitude and trend, (phase, x)."""
        a = np.where(beside, shape, 0.0)
        b = a * (self.x - self.middle)
        y = np.where(beside, self.y, 0.0)
        aa, ab, bb = (a * a).sum(1), (a * b).sum(1), (b * b).sum(1)
        ya, yb = (y * a).sum(1), (y * b).sum(1)
        det = aa * bb - ab**2
        det = np.where(det > 0, det, np.inf)
        level, trend = (ya * bb - yb * ab) / det, (yb * aa - ya * ab) / det
        return y - level[:, None] * a - trend[:, None] * b, level, trend

    def _fitted(self, parameter: float, place: float, beside: NDArray[np.bool_]) -> Real:
        distance, _ = self._distances(np.array([place]))
        table = self.shapes(np.array([parameter]), self.distance)[0]
        shape = np.interp(distance, self.distance, table)
        left, _, _ = self._residual(shape, beside)
        return np.asarray(np.where(beside[0], self.y - left[0], np.nan))
