"""Which laws the data leave, and answers that reach over all of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from optistack.curve_fit import SMALLEST_NOISE, CurveFit, Curves, Scatter
from optistack.errors import OptistackError
from optistack.fitting import widened
from optistack.rate_laws import Law
from optistack.rate_terms import LEAST_SHARE
from optistack.value import Value

Real = NDArray[np.float64]

# Laws whose criterion is within this of the best are not ruled out (K. P. Burnham, D. R. Anderson,
# Model Selection and Multimodel Inference, 2002, section 2.6: beyond 4 to 7 "considerably less"
# support; from memory).
PLAUSIBLE_WITHIN = 6.0
# Differences that rounding makes.
_SPACING = 8 * np.finfo(float).eps
# Beyond this many times the tested dose no law has been tested.
FAR_DOSE = 3.0
_LEVELS = 11
_LACK_OF_FIT_P = 0.01
_CORRELATED = 2.33  # one-sided 1 % for residuals that hang together


class Ranked(NamedTuple):
    """A fitted law and its standing among the others.

    ``aicc`` is the criterion, ``behind`` its distance from the best, ``weight`` the Akaike weight
    among all laws fitted.
    """

    curve: CurveFit
    aicc: float
    behind: float
    weight: float


@dataclass(frozen=True, eq=False)
class Ranking:
    """Laws fitted to the same curves, the best first.

    Attributes
    ----------
    fits : tuple of Ranked
    scatter : Scatter
        Between specimens.
    notes : tuple of str
        Laws that could not be fitted, scatter, readings that do not follow any law.
    """

    fits: tuple[Ranked, ...]
    scatter: Scatter
    notes: tuple[str, ...] = ()

    @property
    def plausible(self) -> tuple[Ranked, ...]:
        """Laws that the data do not rule out."""
        return tuple(r for r in self.fits if r.behind <= PLAUSIBLE_WITHIN)


def rank(curves: Curves, laws: Sequence[Law], scatter: Scatter | None = None) -> Ranking:
    """Fit laws and rank them by Akaike's criterion for few readings.

    Parameters
    ----------
    curves : Curves
    laws : sequence of Law
    scatter : Scatter, optional
        Between specimens; from these data when not given.

    Raises
    ------
    OptistackError
        No law, or too few readings for any of them.
    """
    who = ", ".join(d.name for d in curves.sets)
    fitted, notes = _fitted(curves, laws)
    if scatter is None:
        scatter = _scatter(fitted)
    if scatter.sd > 0:
        fitted = [curves.fit(c.law, scatter, near=c) for c in fitted]
        notes.append(
            f"{who}: rates of single specimens differ by {100 * scatter.sd:.2g} % (standard "
            f"deviation) beyond their noise (p = {scatter.p_value:.2g}); intervals count specimens"
        )
    known = fitted[0].fit.problem.sigma_known
    spread = min(c.fit.scale for c in fitted) if known else 1.0
    if spread > 1.2:
        notes.append(
            f"{who}: the readings scatter {spread:.2g} times more than the stated noise; "
            "intervals follow the scatter"
        )
    if not known and fitted[0].fit.scale <= 100 * SMALLEST_NOISE:
        notes.append(
            f"{who}: the readings scatter by less than {100 * SMALLEST_NOISE:g} %, which no "
            "measurement does; that is taken for their noise"
        )
    score = np.array([c.fit.aicc(spread**2) for c in fitted])
    order = np.argsort(score, kind="stable")
    behind = score[order] - score[order[0]]
    weight = np.exp(-0.5 * behind)
    factor = _hanging_together(fitted[order[0]])
    if factor > 1:
        fitted = [replace(c, fit=widened(c.fit, factor)) for c in fitted]
        notes.append(
            f"{who}: the residuals of the best law hang together, so none of the laws follows the "
            f"curve to within the noise; intervals are {factor:.2g} times wider"
        )
    ranked = tuple(
        Ranked(fitted[i], float(score[i]), float(b), float(w))
        for i, b, w in zip(order, behind, weight / weight.sum(), strict=True)
    )
    return Ranking(ranked, scatter, tuple(notes))


def scatter_between(curves: Curves, laws: Sequence[Law]) -> Scatter:
    """How much specimens differ, under the law that follows them best.

    Raises
    ------
    OptistackError
        No law, or too few readings for any of them.
    """
    return _scatter(_fitted(curves, laws)[0])


def _scatter(fitted: Sequence[CurveFit]) -> Scatter:
    best = min(fitted, key=lambda c: c.fit.aicc())
    return best.curves.scatter(best.law)


def _fitted(curves: Curves, laws: Sequence[Law]) -> tuple[list[CurveFit], list[str]]:
    """Laws fitted as if specimens differed by noise only, and notes on those that cannot be."""
    who = ", ".join(d.name for d in curves.sets)
    if len({law.name for law in laws}) != len(laws):
        raise OptistackError(f"{who}: two laws have the same name")
    fitted, missed = [], []
    for law in laws:
        try:
            found = curves.fit(law)
        except OptistackError as error:
            missed.append((law.name, str(error)))
            continue
        if np.isfinite(found.fit.aicc()):
            fitted.append(found)
        else:
            missed.append((law.name, "too few readings for so many parameters"))
    if not fitted:
        why = missed[0][1] if missed else "none is given"
        raise OptistackError(f"{who}: no law can be fitted: {why}")
    return fitted, [f"{who}: {name} not fitted: {why}" for name, why in missed]


def _hanging_together(curve: CurveFit) -> float:
    """Factor by which misfit widens an interval; 1 where residuals look independent.

    Two signs of it: neighbours along a curve deviate together, or all specimens deviate together
    at the same dose (the F test for lack of fit against replicates).
    """
    z, doses = curve.fit.standardised, []
    pairs, start = [], 0
    for s in curve.curves.specimens:
        part = z[start : start + s.kept.size]
        start += s.kept.size
        pairs += list(zip(part[:-1], part[1:], strict=True))
        if s.role == "lit":
            doses += list(s.hours[s.kept] * s.absorbed_rate)
    factor = 1.0
    if len(pairs) >= 8:
        a, b = np.array(pairs).T
        together = float((a * b).sum() / np.sqrt((a**2).sum() * (b**2).sum()))
        if together >= _CORRELATED / np.sqrt(len(pairs)):
            factor = float(np.sqrt((1 + together) / (1 - min(together, 0.95))))
    _, which, count = np.unique(doses, return_inverse=True, return_counts=True)
    lit = z[: which.size]
    mean = np.bincount(which, lit) / count
    free = count.size - 2 - len(curve.law.shape_names)  # a start value and a rate besides
    inside = which.size - count.size - (len(curve.curves.lit) - 1)
    if free >= 1 and inside >= 1:
        common = float(count @ mean**2) / free
        own = float(((lit - mean[which]) ** 2).sum()) / inside
        if special.fdtrc(free, inside, common / max(own, 1e-300)) < _LACK_OF_FIT_P:
            factor = max(factor, float(np.sqrt(common)))
    return factor


class Weighted(Protocol):
    """A fitted law and how much it counts."""

    @property
    def curve(self) -> CurveFit: ...

    @property
    def weight(self) -> float: ...


def envelope(
    fits: Sequence[Weighted],
    quantity: Callable[[CurveFit, Real], Real],
    confidence: float = 0.95,
) -> tuple[float, float, float]:
    """Mean of a quantity over laws with their weights, and the envelope of its intervals."""
    return envelopes(fits, lambda c, theta, _: quantity(c, theta), 1, confidence)[0]


def envelopes(
    fits: Sequence[Weighted],
    quantity: Callable[[CurveFit, Real, NDArray[np.intp]], Real],
    count: int,
    confidence: float = 0.95,
) -> list[tuple[float, float, float]]:
    """`envelope` of several quantities at once, which is much quicker than one by one.

    ``quantity``: (law, theta (batch, parameter), which (batch,)) -> (batch,).
    """
    total = sum(r.weight for r in fits)
    centre, every = np.zeros(count), np.arange(count)
    lows, highs = np.full(count, np.inf), np.full(count, -np.inf)
    for r in fits:
        c = r.curve

        def of(theta: Real, which: NDArray[np.intp], c: CurveFit = c) -> Real:
            return quantity(c, theta, which)

        ends = np.array(c.fit.intervals(of, count, confidence))
        centre += r.weight / total * of(np.repeat(c.fit.theta[None], count, axis=0), every)
        lows, highs = np.minimum(lows, ends[:, 0]), np.maximum(highs, ends[:, 1])
    return [(float(m), float(a), float(b)) for m, a, b in zip(centre, lows, highs, strict=True)]


def mean_doses_to(
    fits: Sequence[Weighted], levels: ArrayLike, laws: Mapping[str, Law] | None = None
) -> Real:
    """Doses at which light alone has left some shares, mean of logarithms over the laws, (level,).

    The middle of what `envelopes` gives, without the intervals, which take most of the time.
    """
    shares = np.atleast_1d(np.asarray(levels, dtype=float))
    total = sum(r.weight for r in fits)
    out = np.zeros(shares.size)
    for r in fits:
        theta = np.repeat(r.curve.fit.theta[None], shares.size, axis=0)
        law = (laws or {}).get(r.curve.law.name)
        out += r.weight / total * np.asarray(r.curve.log_dose_to(theta, shares, law))
    return np.asarray(np.exp(out))


def with_dark(
    hours: Sequence[Value],
    levels: Sequence[float],
    dark_rate_per_h: Value | None,
    fits: Sequence[Weighted],
    laws: Mapping[str, Law] | None = None,
) -> list[Value]:
    """Hours to levels by light together with a first-order loss without light.

    F(light) exp(-dark t) = level, along the mean curve of the laws.

    Parameters
    ----------
    hours : sequence of Value [h]
        By light alone, to each level.
    levels : sequence of float
    dark_rate_per_h : Value or None [1/h]
    fits : sequence of fitted laws with weights
    laws : mapping of law name to Law, optional
        What to read a law as.
    """
    dark = dark_rate_per_h
    if dark is None or not dark.high > 0:
        return list(hours)
    # (level, end): value, low, high; the slowest light goes with the slowest loss without it.
    light = np.array([(v.value, v.low, v.high) for v in hours]).reshape(-1, 3)
    rate = np.maximum([dark.value, dark.high, dark.low], 0.0)
    level = np.asarray(levels, dtype=float)[:, None]
    whole = mean_doses_to(fits, levels, laws)[:, None]
    with np.errstate(divide="ignore"):
        latest = np.minimum(light, -np.log(level) / rate)

    both = np.isfinite(light) & (rate > 0)
    reachable = np.where(both, light, 0.0)

    def ahead(t: Real) -> Real:
        """t less the time in which light alone gets to level x exp(dark t); rises with t."""
        left = level * np.exp(rate * t)
        some = left < 1
        dose = mean_doses_to(fits, np.where(some, left, level).ravel(), laws).reshape(left.shape)
        return np.asarray(t - reachable * np.where(some, dose / whole, 0.0))

    end = np.where(both, latest * (1 - 1e-12), 0.0)
    excess = ahead(end)
    sooner = (excess > 0) & both
    end = np.where(sooner, end, 0.0)
    found = np.where(sooner, _root(ahead, end, -reachable, excess), latest)
    return [
        Value(value, low, high, None if dark.low > 0 else v.bound)
        for (value, low, high), v in zip(found.tolist(), hours, strict=True)
    ]


def _root(function: Callable[[Real], Real], end: Real, at_start: Real, at_end: Real) -> Real:
    """Where functions that rise from below 0 to above it between 0 and ``end`` are 0.

    False position in the Illinois form, of all elements side by side; no more than 30 steps, of
    which smooth functions need about ten.
    """
    start, found = np.zeros(end.shape), end
    side = np.zeros(end.shape)
    for _ in range(30):
        rise = np.where(at_end > at_start, at_end - at_start, 1.0)
        found = np.clip(start - at_start * (end - start) / rise, start, end)
        value = function(found)
        below = value < 0
        # The end that stays for a second time counts half, or it would stay for ever.
        at_end = np.where(below, np.where(side < 0, at_end / 2, at_end), value)
        at_start = np.where(below, value, np.where(side > 0, at_start / 2, at_start))
        start, end = np.where(below, found, start), np.where(below, end, found)
        side = np.where(below, -1.0, 1.0)
        if ((np.abs(value) <= _SPACING * found) | (end - start <= _SPACING * end)).all():
            break
    return found


def share_at(
    hours_to: Callable[[Sequence[float]], Sequence[Value]], time_h: ArrayLike
) -> tuple[Real, Real, Real]:
    """Share left at times from the hours to levels: value, low, high, each (time,).

    Between levels log(-log(share)) goes straight with log(time), which is exact for the exponential
    and stretched laws. Shares below `LEAST_SHARE` are given as that.

    Parameters
    ----------
    hours_to : callable
        Levels to hours [h], as values with their ranges.
    time_h : (time,) array [h]

    Raises
    ------
    OptistackError
        Negative times.
    """
    time = np.atleast_1d(np.asarray(time_h, dtype=float))
    if not (np.isfinite(time).all() and (time >= 0).all()):
        raise OptistackError("times must be finite and not negative [h]")
    depths, found = [], []
    levels = np.linspace(np.log(-np.log(0.98)), np.log(-np.log(LEAST_SHARE)), _LEVELS)
    all_hours = hours_to(np.exp(-np.exp(levels)).tolist())
    for depth, hours in zip(levels, all_hours, strict=True):
        depths.append(float(depth))
        found.append(hours)
        if len(found) > 1 and found[-1].low > time.max(initial=0.0):
            break
    out = []
    # A range of hours that ends late is a share that ends high.
    for ends in ([v.value for v in found], [v.low for v in found], [v.high for v in found]):
        reached = np.isfinite(ends)
        if not reached.any():
            out.append(np.ones(time.size))
            continue
        x = np.log(np.maximum(np.maximum.accumulate(np.array(ends)[reached]), 1e-300))
        y = np.array(depths)[reached]
        with np.errstate(divide="ignore"):
            at = np.log(time)
        depth = np.interp(at, x, y)
        if x.size > 1 and x[1] > x[0]:
            early = (at < x[0]) & (time > 0)
            depth[early] = y[0] + (at[early] - x[0]) * (y[1] - y[0]) / (x[1] - x[0])
        out.append(np.where(time > 0, np.exp(-np.exp(depth)), 1.0))
    return out[0], out[1], out[2]
