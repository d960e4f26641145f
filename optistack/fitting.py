"""Weighted non-linear least squares in batches, with intervals by profile likelihood.

Arrays in, arrays out. A problem says how parameters predict readings; many parameter sets are
carried along at once, so that several starts, a whole likelihood profile or a few hundred
bootstrap samples cost little more than one fit. Parameters are free real numbers: whoever poses
the problem takes logarithms of what must be positive.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import special

from optistack.errors import OptistackError

Real = NDArray[np.float64]
Index = NDArray[np.intp]
Residuals = Callable[[Real, Index], Real]
Quantity = Callable[[Real], Real]
Quantities = Callable[[Real, Index], Real]

# Starts that are followed to the end, after a look of so many steps at all of them.
_MOST_STARTS, _LOOK = 2, 8
_NEARLY_THERE = 1e-5
_DIFFERENCE = 6e-6  # about the cube root of rounding: best for central differences
_LARGEST_STEP = 2.0
_ITERATIONS = 150
_TIGHT = 30.0  # stiffness that holds a quantity at its target along a profile
_CLOSING_IN, _CLOSE, _STEEP = 14, 0.01, 3.0
_PROFILE = np.array([0.4, 0.8, 1.0, 1.25, 1.7])


def student(dof: float, confidence: float = 0.95) -> float:
    """Factor of a two-sided interval; the normal one for infinite degrees of freedom.

    Examples
    --------
    >>> print(round(student(4), 3), round(student(np.inf), 3))
    2.776 1.96
    """
    tail = (1 + confidence) / 2
    return float(special.stdtrit(dof, tail) if np.isfinite(dof) else special.ndtri(tail))


@dataclass(frozen=True, eq=False)
class Problem:
    """Readings and the model that predicts them.

    Attributes
    ----------
    predict : callable
        (batch, parameter) -> (batch, point).
    observed : (point,) array
    sigma : (point,) array
        Standard deviations, up to a common factor unless ``sigma_known``.
    names : tuple of str
        Of the parameters.
    censored : (point,) array of int
        0: read; 1: the true value is at least ``observed``; -1: at most.
    sigma_known : bool
        The common factor is then at least 1: scatter below the stated one is taken for luck.
    extra : int
        Last points that are no readings but prior knowledge, with ``sigma`` absolute; they are not
        counted as readings.
    prior : int
        The last of them, which do not enter the likelihood that compares models either.
    slopes : callable, optional
        Derivatives of ``predict``, theta (batch, parameter) -> (batch, point, parameter), a new
        array each time; by differences when not given, which takes twice as many predictions as
        there are parameters.
    smallest_scale : float
        Below this the common factor is never believed, however little the readings scatter.
    """

    predict: Callable[[Real], Real]
    observed: Real
    sigma: Real
    names: tuple[str, ...]
    censored: NDArray[np.int_] | None = None
    sigma_known: bool = False
    extra: int = 0
    prior: int = 0
    slopes: Callable[[Real], Real] | None = None
    smallest_scale: float = 1e-12

    @cached_property
    def _limits(self) -> tuple[Index, NDArray[np.int_]] | None:
        """Censored points and their signs; None where all are read."""
        if self.censored is None or not self.censored.any():
            return None
        at = np.flatnonzero(self.censored)
        return at, self.censored[at]

    def deviations(self, theta: Real, scale: float, observed: Real | None = None) -> Real:
        """Whatever is squared and summed: (batch, point), censored points by their likelihood."""
        data = self.observed if observed is None else observed
        with np.errstate(over="ignore", invalid="ignore", divide="ignore", under="ignore"):
            out = (data - self.predict(theta)) / self.sigma
            if self._limits is not None:
                at, sign = self._limits
                inside = -sign * out[:, at] / scale
                out[:, at] = scale * np.sqrt(-2 * special.log_ndtr(inside))
            if self.extra:
                out[:, -self.extra :] *= scale
        return np.asarray(out)

    def deviation_slopes(self, theta: Real, scale: float) -> Real:
        """Derivatives of `deviations`, (batch, point, parameter)."""
        if self.slopes is None:
            rows = np.arange(len(theta))
            return _jacobian(lambda th, _: self.deviations(th, scale), theta, rows)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore", under="ignore"):
            out = self.slopes(theta)
            out /= -self.sigma[:, None]
            if self._limits is not None:
                at, sign = self._limits
                plain = (self.observed[at] - self.predict(theta)[:, at]) / self.sigma[at]
                inside = -sign * plain / scale
                log_share = special.log_ndtr(inside)
                # d/du of scale sqrt(-2 ln Phi(-c u / scale)); 0 deep inside the limit.
                ratio = np.exp(-(inside**2) / 2 - log_share) / np.sqrt(2 * np.pi)
                factor = sign * ratio / np.sqrt(-2 * log_share)
                out[:, at] *= np.where(log_share < 0, factor, 0.0)[..., None]
            if self.extra:
                out[:, -self.extra :] *= scale
        fine = np.isfinite(out)
        return out if fine.all() else np.where(fine, out, 0.0)


def minimise(
    residuals: Residuals,
    start: Real,
    *,
    slopes: Residuals | None = None,
    iterations: int = _ITERATIONS,
    tolerance: float = 1e-13,
    damping: float = 1e-3,
) -> tuple[Real, Real]:
    """Levenberg-Marquardt, each row of ``start`` by itself.

    Parameters
    ----------
    residuals : callable
        (theta (batch, parameter), row (batch,)) -> (batch, point); ``row`` says which row of
        ``start`` each set belongs to.
    start : (batch, parameter) array
    slopes : callable, optional
        As ``residuals``, their derivatives (batch, point, parameter); by differences when not
        given.
    tolerance : float
        Relative gain of a step that is no gain any more.
    damping : float
        Of the first step, relative; small where the start is nearly the answer.

    Returns
    -------
    theta : (batch, parameter) array
    cost : (batch,) array
        Sum of squares.
    """

    def differences(theta: Real, rows: Index) -> Real:
        return _jacobian(residuals, theta, rows)

    found = np.array(start, dtype=float)
    rows = np.arange(len(found))
    current = residuals(found, rows)
    least = _squares(current)
    # Below are only the rows that are still under way.
    rows = np.flatnonzero(np.isfinite(least))
    theta, current, cost = found[rows], current[rows], least[rows]
    batch, size = theta.shape
    held = np.full(batch, damping)
    normal, bent = np.zeros((2, batch, size, size))
    slope = np.zeros((batch, size))
    # What the last step of a row left for `_bend`, where it went down.
    jacobian = np.zeros((*current.shape, size))
    steps, carried = np.zeros((2, batch, size))
    bends = np.zeros(batch, dtype=bool)  # whether the bent model foretold the last step better
    moved = np.ones(batch, dtype=bool)
    first = True
    for _ in range(iterations):
        if not rows.size:
            break
        if moved.any():
            at = _those(moved)
            before = slope[at].copy()
            fresh = (slopes or differences)(theta[at], rows[at])
            jacobian[at] = fresh
            across = fresh.transpose(0, 2, 1)
            normal[at] = across @ fresh
            slope[at] = _times(across, current[at])
            if not first:
                bent[at] = _bend(bent[at], steps[at], slope[at] - before, slope[at] - carried[at])
            first = False
        diagonal = np.einsum("bii->bi", normal)
        floor = 1e-12 * diagonal.max(axis=1, keepdims=True) + 1e-300
        damped = normal.copy()
        np.einsum("bii->bi", damped)[:] += held[:, None] * diagonal + floor
        step = np.asarray(-np.linalg.solve(damped, slope[..., None])[..., 0], dtype=float)
        if bends.any():
            use = np.flatnonzero(bends)
            with suppress(np.linalg.LinAlgError):  # a bent model without a bottom
                other = -np.linalg.solve(damped[use] + bent[use], slope[use, :, None])[..., 0]
                down = np.vecdot(other, slope[use]) < 0
                step[use[down]] = other[down]
        longest = np.abs(step).max(axis=1)
        step *= np.minimum(1.0, _LARGEST_STEP / np.maximum(longest, 1e-300))[:, None]
        trial = theta + step
        new = residuals(trial, rows)
        new_cost = _squares(new)
        moved = new_cost <= cost
        short = longest <= np.sqrt(tolerance) * (1.0 + np.abs(theta).max(axis=1))
        # Better or worse by no more than rounding: at the bottom either happens.
        still = short & (np.abs(cost - new_cost) <= tolerance * cost)
        off = new_cost - cost - np.vecdot(step, 2 * slope + _times(normal, step))
        bends = np.abs(off - np.vecdot(step, _times(bent, step))) < np.abs(off)
        if moved.any():
            at = _those(moved)
            carried[at] = _times(jacobian[at].transpose(0, 2, 1), new[at])
            steps[at], theta[at], current[at], cost[at] = step[at], trial[at], new[at], new_cost[at]
        held = np.minimum(np.maximum(np.where(moved, held / 7, held * 5), 1e-12), 1e14)
        done = still | (held > 1e12)
        if done.any():
            found[rows], least[rows] = theta, cost
            left = np.flatnonzero(~done)
            rows, held, bends, moved = rows[left], held[left], bends[left], moved[left]
            theta, current, cost, steps = theta[left], current[left], cost[left], steps[left]
            jacobian, slope, carried = jacobian[left], slope[left], carried[left]
            normal, bent = normal[left], bent[left]
    found[rows], least[rows] = theta, cost
    return found, least


def _those(chosen: NDArray[np.bool_]) -> Index | slice:
    """Index of what is chosen; a slice where that is all, which copies nothing."""
    return slice(None) if chosen.all() else np.flatnonzero(chosen)


def _bend(bent: Real, step: Real, change: Real, by_slopes: Real) -> Real:
    """Update what the squares of the slopes miss of the second derivatives of half the cost.

    A secant update that keeps to what the last step showed (J. E. Dennis, D. M. Gay, R. E. Welsch,
    ACM Trans. Math. Softw. 7 (1981) 348, from memory). ``bent``: (batch, p, p); ``change``: of the
    gradient over the step; ``by_slopes``: the part of it that comes from the change of the slopes.
    """
    along = (step * _times(bent, step)).sum(axis=1)
    seen = (step * by_slopes).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        shrink = np.where(along != 0, np.minimum(1.0, np.abs(seen / along)), 1.0)
    bent = bent * shrink[:, None, None]
    left = by_slopes - _times(bent, step)
    norm = (change * step).sum(axis=1)
    # Where the gradient did not grow along the step nothing can be learnt from it.
    fine = norm > 1e-12 * np.sqrt((change**2).sum(axis=1) * (step**2).sum(axis=1))
    u = change / np.where(fine, norm, 1.0)[:, None]
    half = left - u * ((left * step).sum(axis=1) / 2)[:, None]
    update = half[:, :, None] * u[:, None, :]
    update += np.swapaxes(update.copy(), 1, 2)
    return np.where(fine[:, None, None], bent + update, bent)


def _times(matrix: Real, vector: Real) -> Real:
    """Product for each of a batch."""
    return np.asarray((matrix @ vector[..., None])[..., 0])


def _squares(values: Real) -> Real:
    with np.errstate(over="ignore", invalid="ignore"):
        total = np.einsum("bm,bm->b", values, values)
    return np.where(np.isfinite(total), total, np.inf)


def _jacobian(residuals: Residuals, theta: Real, rows: Index, columns: Index | None = None) -> Real:
    """Derivatives (batch, point, parameter); 0 in parameters other than ``columns``."""
    batch, size = theta.shape
    at = np.arange(size) if columns is None else columns
    step = _DIFFERENCE * np.maximum(1.0, np.abs(theta[:, at]))
    offset = np.zeros((batch, at.size, size))
    offset[:, np.arange(at.size), at] = step
    moved = np.concatenate([theta[:, None, :] + offset, theta[:, None, :] - offset], axis=1)
    values = residuals(moved.reshape(-1, size), np.repeat(rows, 2 * at.size))
    values = values.reshape(batch, 2, at.size, -1)
    slope = (values[:, 0] - values[:, 1]) / (2 * step[:, :, None])
    out = np.zeros((batch, values.shape[-1], size))
    # A step across the limit of what a model can compute says nothing.
    out[:, :, at] = np.swapaxes(np.where(np.isfinite(slope), slope, 0.0), 1, 2)
    return out


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted problem.

    Attributes
    ----------
    problem : Problem
    theta : (parameter,) array
    cost : float
        Weighted sum of squares, censored points by their likelihood.
    scale : float
        Factor on ``sigma`` that the scatter of the readings asks for.
    dof : float
        Readings less parameters, or what whoever made the fit put there.
    covariance : (parameter, parameter) array
    count, size : int
        Readings and parameters that count.
    """

    problem: Problem
    theta: Real
    cost: float
    scale: float
    dof: float
    covariance: Real
    count: int
    size: int

    @property
    def minus_two_log_likelihood(self) -> float:
        """Up to a constant that all models of the same readings share."""
        deviations = self.problem.deviations(self.theta[None], self.scale)[0]
        cost = float((deviations[: deviations.size - self.problem.prior] ** 2).sum())
        if self.problem.sigma_known:
            return cost
        # With the factor that is most likely, cost / count, instead of the unbiased one.
        square = max(cost / self.count, self.problem.smallest_scale**2)
        return float(self.count * (np.log(square) - 1) + cost / square)

    def aicc(self, variance_factor: float = 1.0) -> float:
        """Akaike's criterion for few readings; infinite where there are too few for it.

        N. Sugiura, Commun. Stat. A7 (1978) 13; C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297
        (references from memory). ``variance_factor`` is common to all models compared, where
        ``sigma`` is known but the scatter is larger.
        """
        k = self.size + (0 if self.problem.sigma_known else 1)
        if self.count - k - 1 <= 0:
            return np.inf
        likelihood = self.minus_two_log_likelihood
        if self.problem.sigma_known:
            likelihood /= variance_factor
        return likelihood + 2 * k + 2 * k * (k + 1) / (self.count - k - 1)

    @property
    def standardised(self) -> Real:
        """Residuals over their standard deviation, without prior knowledge, (point,)."""
        z = self.problem.deviations(self.theta[None], self.scale)[0] / self.scale
        return np.asarray(z[: z.size - self.problem.extra])

    def quantile(self, confidence: float = 0.95) -> float:
        """Student's factor, or the normal one where sigma is known and suffices."""
        # With infinite degrees of freedom this is the normal one.
        return student(self.dof, confidence)

    def standard_error(self, quantity: Quantity) -> float:
        """Of a quantity of the parameters, to first order."""
        slope = _gradient(quantity, self.theta)
        return float(np.sqrt(max(float(slope @ self.covariance @ slope), 0.0)))

    def interval(self, quantity: Quantity, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of a quantity by profile likelihood; an end left open by the data is infinite.

        All values of the quantity for which the best possible cost exceeds the minimum by less
        than scale^2 t^2 (D. M. Bates, D. G. Watts, Nonlinear Regression Analysis, 1988, chapter 6;
        reference from memory).

        Parameters
        ----------
        quantity : callable
            (batch, parameter) -> (batch,).
        confidence : float
        """
        return self.intervals(lambda theta, _: quantity(theta), 1, confidence)[0]

    def intervals(
        self, quantity: Quantities, count: int, confidence: float = 0.95
    ) -> list[tuple[float, float]]:
        """Intervals of several quantities, as `interval` gives them; much quicker than one by one.

        All ends of all intervals are looked for side by side, so that each step of a profile is
        one call of the model for all of them.

        Parameters
        ----------
        quantity : callable
            (theta (batch, parameter), which (batch,)) -> (batch,); ``which`` numbers the quantity
            that is asked for each set of parameters.
        count : int
            Quantities.
        confidence : float
        """
        t = self.quantile(confidence)
        every = np.arange(count)
        same = np.repeat(self.theta[None], count, axis=0)
        best = quantity(same, every)
        slopes = _gradients(quantity, same, every)
        # Most quantities depend on few parameters. A wrong guess here would cost steps only: what
        # a step reached is always computed from the quantity itself.
        columns = np.flatnonzero((slopes != 0).any(axis=0))
        ends = []
        for which in range(count):
            slope = slopes[which]
            norm = float(slope @ self.covariance @ slope)
            error = float(np.sqrt(max(norm, 0.0)))
            if not (np.isfinite(error) and error > 0):
                error, norm = max(abs(float(best[which])), 1.0) * 1e-3, 0.0
            along = self.covariance @ slope / norm if norm > 0 else 0.0 * slope
            for sign in (-1.0, 1.0):
                ends.append(_End(which, sign, float(best[which]), error, sign * along, self.theta))
        searches = [end.search(t) for end in ends]
        asked = [(end, search, next(search)) for end, search in zip(ends, searches, strict=True)]
        while asked:
            self._profile(quantity, columns, [(end, *points) for end, _, points in asked])
            asked = [
                (end, search, points)
                for end, search, _ in asked
                if (points := next(search, None)) is not None
            ]
        return [(low.found, high.found) for low, high in zip(ends[::2], ends[1::2], strict=True)]

    def _profile(
        self, quantity: Quantities, columns: Index, asked: Sequence[tuple[_End, Real, int]]
    ) -> None:
        """Best cost with the quantities held at distances, starting from points at hand."""
        owner = np.repeat(np.arange(len(asked)), [len(distance) for _, distance, _ in asked])
        which = np.array([end.which for end, *_ in asked])[owner]
        sign = np.array([end.sign for end, *_ in asked])[owner]
        best = np.array([end.best for end, *_ in asked])[owner]
        error = np.array([end.error for end, *_ in asked])[owner]
        distance = np.concatenate([d for _, d, _ in asked])
        from_there = np.array([end.reached[base] for end, _, base in asked])[owner]
        thetas = np.array([end.thetas[base] for end, _, base in asked])[owner]
        along = np.array([end.along for end, *_ in asked])[owner]
        targets = best + sign * distance
        # A first-order error may be far too large where a model saturates.
        stiffness = _TIGHT * self.scale / np.minimum(error, distance)
        lead = (distance - from_there)[:, None] * along
        start = thetas + lead
        with np.errstate(over="ignore", invalid="ignore"):
            straight = np.abs(quantity(start, which) - targets) < 0.1 * distance
        start = np.where(straight[:, None], start, thetas + np.clip(lead, -3.0, 3.0))

        def residuals(theta: Real, rows: Index) -> Real:
            away = stiffness[rows] * (quantity(theta, which[rows]) - targets[rows])
            return np.concatenate(
                [self.problem.deviations(theta, self.scale), away[:, None]], axis=1
            )

        def slopes(theta: Real, rows: Index) -> Real:
            own = self.problem.deviation_slopes(theta, self.scale)
            away = stiffness[rows, None] * _gradients(quantity, theta, which[rows], columns)
            return np.concatenate([own, away[:, None, :]], axis=1)

        theta, _ = minimise(residuals, start, slopes=slopes, iterations=60, tolerance=1e-5)
        cost = _squares(self.problem.deviations(theta, self.scale))
        got = sign * (quantity(theta, which) - best)
        fine = np.isfinite(cost) & np.isfinite(got) & (got > 0)
        root = np.sqrt(np.maximum(cost - self.cost, 0.0)) / self.scale
        for i in np.flatnonzero(fine):
            end = asked[owner[i]][0]
            end.reached.append(float(got[i]))
            end.roots.append(float(root[i]))
            end.thetas.append(theta[i])

    def bootstrap(
        self, quantity: Quantity, draws: int = 400, seed: int = 0, confidence: float = 0.95
    ) -> tuple[float, float]:
        """Percentile interval from refits to resampled residuals: a check on `interval`.

        Residuals are rescaled to the unbiased variance. Points that were censored stay so.
        """
        rng = np.random.default_rng(seed)
        problem = self.problem
        fitted = problem.predict(self.theta[None])[0]
        read = np.ones(fitted.size, dtype=bool)
        if problem.censored is not None:
            read &= problem.censored == 0
        if problem.extra:
            read[-problem.extra :] = False
        z = ((problem.observed - fitted) / problem.sigma)[read]
        z = (z - z.mean()) * np.sqrt(z.size / max(self.count - self.size, 1))
        sets = np.broadcast_to(problem.observed, (draws, fitted.size)).copy()
        sets[:, read] = fitted[read] + problem.sigma[read] * rng.choice(z, (draws, z.size))

        def residuals(theta: Real, rows: Index) -> Real:
            return problem.deviations(theta, self.scale, sets[rows])

        start = np.broadcast_to(self.theta, (draws, self.theta.size))

        def slopes(theta: Real, _: Index) -> Real:
            return problem.deviation_slopes(theta, self.scale)

        theta, cost = minimise(residuals, start, slopes=slopes, tolerance=1e-8)
        values = quantity(theta)[np.isfinite(cost)]
        tail = (1 - confidence) / 2
        low, high = np.quantile(values, [tail, 1 - tail])
        return float(low), float(high)

    def draws(self, count: int, rng: np.random.Generator) -> Real:
        """Parameters from the normal approximation, (draw, parameter)."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        return np.asarray(self.theta + rng.standard_normal((count, self.theta.size)) @ root.T)


class _End:
    """One end of an interval while it is looked for."""

    def __init__(
        self, which: int, sign: float, best: float, error: float, along: Real, theta: Real
    ):
        self.which, self.sign, self.best, self.error, self.along = which, sign, best, error, along
        self.reached, self.roots, self.thetas = [0.0], [0.0], [theta]
        self.found = float(sign * np.inf)

    def search(self, t: float) -> Iterator[tuple[Real, int]]:
        """Ask for the cost at distances from the best value, and from which point to start there.

        What was found stands in the lists when the search goes on.
        """
        reached, roots, error = self.reached, self.roots, self.error
        yield error * t * _PROFILE, 0
        for factor in (4.0, 20.0, 100.0):
            if max(roots) >= t:
                break
            yield error * t * factor * np.array([0.5, 1.0]), int(np.argmax(reached))
        if max(roots) < t:
            return
        # Distance against root is nearly straight; further points close in on the crossing.
        for _ in range(_CLOSING_IN):
            distance, below = _crossing(reached, roots, t)
            known = len(roots)
            yield np.array([distance]), below
            if len(roots) == known or abs(roots[-1] / t - 1) < _CLOSE:
                break
        self.found = float(self.best + self.sign * _crossing(reached, roots, t)[0])


def _crossing(reached: list[float], roots: list[float], t: float) -> tuple[float, int]:
    """Distance at which the root is t, and the point before it.

    By a straight line between the two points around it; half way where that is steep.
    """
    order = np.argsort(reached, kind="stable")
    x, y = np.array(reached)[order], np.maximum.accumulate(np.array(roots)[order])
    after = int(np.argmax(y >= t))
    below = int(order[max(after - 1, 0)])
    if after == 0 or y[after] == y[after - 1]:
        return float(x[after]), below
    share = (t - y[after - 1]) / (y[after] - y[after - 1])
    if y[after] > _STEEP * t:
        share = 0.5
    return float(x[after - 1] + share * (x[after] - x[after - 1])), below


def _gradient(quantity: Quantity, theta: Real) -> Real:
    only = np.zeros(1, dtype=np.intp)
    return np.asarray(_gradients(lambda th, _: quantity(th), theta[None], only)[0])


def _gradients(
    quantity: Quantities, theta: Real, which: Index, columns: Index | None = None
) -> Real:
    """Derivatives of quantities at their sets of parameters, (batch, parameter)."""
    slopes = _jacobian(lambda th, w: quantity(th, w)[:, None], theta, which, columns)
    return np.asarray(slopes[:, 0])


def fit(problem: Problem, starts: Real, *, not_counted: int = 0) -> Fit:
    """Best of the fits from several starts.

    Parameters
    ----------
    problem : Problem
    starts : (start, parameter) array
    not_counted : int
        Parameters that prior knowledge holds (as many as ``problem.extra``).

    Raises
    ------
    OptistackError
        Fewer readings than parameters, or a model that cannot be computed at any start.
    """
    starts = np.atleast_2d(np.asarray(starts, dtype=float))
    count = problem.observed.size - problem.extra
    size = starts.shape[1] - not_counted
    if count <= size:
        raise OptistackError(f"{count} readings cannot determine {size} parameters")
    dof = float(count - size)
    scale = 1.0
    theta, cost = starts, np.full(len(starts), np.inf)
    # Censored points and prior knowledge depend on the scale, and the scale on them.
    depends = problem.extra > 0 or problem._limits is not None
    damping, steps = 1e-3, _ITERATIONS
    # A shape that only prior knowledge holds is crept up to; its last digits mean nothing.
    rough, fine = (1e-7, 1e-8) if problem.prior else (1e-8, 1e-11)
    for _ in range(12 if depends else 1):
        scale_now = scale

        def residuals(values: Real, _: Index, scale: float = scale) -> Real:
            return problem.deviations(values, scale)

        def slopes(values: Real, _: Index, scale: float = scale) -> Real:
            return problem.deviation_slopes(values, scale)

        if len(starts) > _MOST_STARTS:
            # A look at all of them; only the best are followed to the end.
            theta, cost = minimise(residuals, starts, slopes=slopes, iterations=_LOOK)
            if not np.isfinite(cost).any():
                raise OptistackError("the model gives no finite prediction at any start")
            starts = theta[np.argsort(cost)[:_MOST_STARTS]]
        theta, cost = minimise(
            residuals,
            starts,
            slopes=slopes,
            iterations=steps,
            tolerance=rough,
            damping=damping,
        )
        if not np.isfinite(cost).any():
            raise OptistackError("the model gives no finite prediction at any start")
        best = theta[np.argmin(cost)]
        scale = _scale(problem, best, dof, scale_now)
        if abs(scale - scale_now) < 1e-4 * scale_now:
            break
        # A slightly other scale moves the answer little; the end polishes it.
        starts, damping, steps = best[None], _NEARLY_THERE, 3
    final = scale
    theta, cost = minimise(
        lambda values, _: problem.deviations(values, final),
        best[None],
        slopes=lambda values, _: problem.deviation_slopes(values, final),
        tolerance=fine,
        damping=_NEARLY_THERE,
    )
    best = theta[0]
    value = float(_squares(problem.deviations(best[None], scale))[0])
    unknown = not problem.sigma_known or scale > 1.0
    jacobian = problem.deviation_slopes(best[None], scale)[0]
    return Fit(
        problem=problem,
        theta=best,
        cost=value,
        scale=scale,
        dof=dof if unknown else np.inf,
        covariance=_covariance(jacobian) * scale**2,
        count=count,
        size=size,
    )


def _covariance(jacobian: Real) -> Real:
    """Inverse of the normal matrix; a direction that nothing determines gets a huge variance."""
    norm = np.sqrt((jacobian**2).sum(axis=0))
    norm = np.where(norm > 0, norm, 1.0)
    _, values, rows = np.linalg.svd(jacobian / norm, full_matrices=False)
    inverse = 1 / np.maximum(values, 1e-7 * max(float(values[0]), 1e-300))
    root = rows.T * inverse
    return np.asarray(root @ root.T / np.outer(norm, norm))


def _scale(problem: Problem, theta: Real, dof: float, scale: float) -> float:
    """Factor on sigma from the scatter; censored points count with what is expected of them."""
    plain = (problem.observed - problem.predict(theta[None])[0]) / problem.sigma
    square = plain**2
    if problem._limits is not None:
        at, sign = problem._limits
        a = sign * plain[at] / scale
        # Mean of the square of a normal number above a.
        ratio = np.exp(-(a**2) / 2 - 0.5 * np.log(2 * np.pi) - special.log_ndtr(-a))
        square[at] = scale**2 * (1 + a * ratio)
    if problem.extra:
        square = square[: -problem.extra]
    # Never exactly 0: data without scatter would leave no measure of distance at all.
    found = float(np.sqrt(max(square.sum() / dof, problem.smallest_scale**2)))
    return max(found, 1.0) if problem.sigma_known else found


def moved(result: Fit, theta: Real) -> Fit:
    """The same fit taken to other parameters that do as well."""
    problem, scale = result.problem, result.scale
    jacobian = _jacobian(
        lambda th, _: problem.deviations(th, scale), theta[None], np.zeros(1, dtype=np.intp)
    )[0]
    return replace(
        result,
        theta=theta,
        cost=float(_squares(problem.deviations(theta[None], scale))[0]),
        covariance=_covariance(jacobian) * scale**2,
    )


def widened(result: Fit, factor: float) -> Fit:
    """The same fit with all standard deviations larger by a factor."""
    return replace(result, scale=result.scale * factor, covariance=result.covariance * factor**2)


def with_dof(result: Fit, dof: float) -> Fit:
    """The same fit judged with other degrees of freedom, such as specimens instead of readings."""
    return replace(result, dof=dof)
