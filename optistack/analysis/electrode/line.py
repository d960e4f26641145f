"""The potential along a resistive sheet between two contacts, in many lanes at once.

With xi from 0 at the contact to 1 at the middle of the gap and k = R_sq L^2,

    d2V/dxi2 = -k J(V),    V(0) = V_app,    dV/dxi(1) = 0.

Control volumes of width h around the nodes exchange the sheet current F = dV/dxi. The current a
volume gives and the flux between two nodes are both taken to fourth order,

    int J = h (J_-1 + 22 J_0 + J_1) / 24,    F_1/2 = (V_1 - V_0)/h + k h (J_1 - J_0)/24,

which together is Numerov's three-point scheme: tridiagonal, and what the volumes give equals what
arrives at the contact to rounding. -J is convex and rising in V, the matrix of the second-order
scheme is an M-matrix: Newton then comes down on the solution from above and cannot miss it. That
scheme starts where a grid is still too coarse for the fourth-order one. Grids are doubled until
two of them agree.

With the response s = dV/dV_app, which solves the linearised problem, every derivative is one
integral: dI/dp = int s dJ/dp dxi for a parameter p of the cell, and dI/d ln k = int s J dxi - I.

The domain ends early where nothing is left to come: beyond it the cell sits at its open-circuit
voltage to 1e-5 of the difference, and what is cut off changes the current at the contact by the
square of that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.electrode.cell import Law
from optistack.errors import OptistackError

Real = NDArray[np.float64]
Lanes = NDArray[np.intp]

COARSEST = 8
FINEST = 8192
NEWTON_LIMIT = 200
# Newton ends when its step is below this part of n V_t, times the root of the tolerance: what is
# then left is half the square of the step, 1/200 of the tolerance, and counts as error.
NEWTON_STEP = 0.1
# Widest step of the fourth-order scheme in decay lengths, (h / lambda)^2.
RESOLVED = 1.0
# Two grids may agree by chance, and so three are compared; for a tolerance of this or more, as a
# search begins with, two will do.
ROUGH = 1e-3
# The domain ends where V differs from open circuit by 2^-18 of the difference at the contact;
# where the profile itself is asked for, by 2^-40, so that its own sum is the current.
HALVINGS, HALVINGS_PROFILE = 18, 40


@dataclass(frozen=True, eq=False)
class LineSolution:
    """Solutions in every lane.

    Attributes
    ----------
    current : (lane,) array
        Mean current density over the sheet [mA/cm2].
    slope : (lane,) array
        -d current / d V_app [mA/(cm2 V)].
    error : (lane,) array
        Estimated discretisation error of ``current`` [mA/cm2].
    balance : (lane,) array
        Current of all volumes less the sheet current at the contact, over the current.
    intervals : (lane,) array of int
    by_parameter : (p, lane) array
        d current by the law's own parameters, and in the last row by ln k (of the front); no rows
        unless asked for.
    profiles : tuple of (xi, V, J, response), one per lane, when asked for
        ``response`` is dV/dV_app: by reciprocity also the share of a small current injected at xi
        that reaches the contact.
    """

    current: Real
    slope: Real
    error: Real
    balance: Real
    intervals: Lanes
    by_parameter: Real
    profiles: tuple[tuple[Real, Real, Real, Real], ...] = ()


@dataclass(eq=False)
class _Level:
    """Solution on one grid; w = V - V_app keeps the digits of a small drop."""

    w: Real
    guess: Real
    j: Real
    g: Real
    fourth_order: NDArray[np.bool_]
    response: Real
    current: Real
    slope: Real
    balance: Real

    def take(self, lanes: NDArray[np.bool_]) -> _Level:
        return _Level(*(getattr(self, name)[..., lanes] for name in self.__dataclass_fields__))


def solve_line(
    law: Law,
    k: Real,
    v_app: Real,
    *,
    rtol: float = 1e-6,
    profiles: bool = False,
    sensitivities: bool = False,
) -> LineSolution:
    """Solve every lane to ``rtol`` of its current (of n V_t times its slope near open circuit).

    Parameters
    ----------
    law : Law
        Lanes as in ``k``.
    k : (lane,) array
        R_sq L^2 [V cm2/mA].
    v_app : (lane,) array
        Voltage at the contact [V].
    rtol : float
    profiles : bool
        Also return V and J along the sheet.
    sensitivities : bool
        Also return ``by_parameter``.

    Raises
    ------
    OptistackError
        When Newton's iteration does not end.
    """
    halvings = HALVINGS_PROFILE if profiles else HALVINGS
    depth = np.ones_like(v_app)
    # The potential decays no faster than over 1 / sqrt(k g) with the largest conductance g.
    ends = np.stack([v_app, law.zero_current_v])
    decay = np.sqrt(k * law.current(ends)[1].max(axis=0))
    long = np.flatnonzero(decay > halvings * math.log(2.0))
    if len(long):
        depth[long] = _depth(law.take(long), k[long], v_app[long], halvings)
    problem = _OneContact(law, k * depth**2, v_app, NEWTON_STEP * math.sqrt(rtol))
    return _stretch(_refine(problem, rtol, profiles, sensitivities), depth)


class _Problem(Protocol):
    law: Law
    v_app: Real
    newton_step: float

    def start(self) -> Real:
        """First guess of V - V_app on the coarsest grid."""

    def solve(self, lanes: Lanes, w: Real, guess: Real | None) -> _Level:
        """Solution on one grid in some lanes."""

    def prolong(self, values: Real) -> Real:
        """Values on twice the grid."""

    def by_log_k(self, lanes: Lanes, level: _Level) -> Real:
        """d current by ln k (lane,)."""


@dataclass(eq=False)
class _OneContact:
    """Contact at xi = 0, nothing crosses xi = 1."""

    law: Law
    k: Real
    v_app: Real
    newton_step: float

    def start(self) -> Real:
        """A parabola that ends at open circuit: it bounds the solution."""
        xi = np.linspace(0.0, 1.0, COARSEST + 1)[:, None]
        parabola = self.k * self.law.current(self.v_app[None])[0][0] * (xi - xi**2 / 2)
        gap = self.law.zero_current_v - self.v_app
        return np.asarray(np.where(gap > 0, np.minimum(gap, parabola), np.maximum(gap, parabola)))

    def solve(self, lanes: Lanes, w: Real, guess: Real | None) -> _Level:
        every = len(lanes) == len(self.k)
        law = self.law if every else self.law.take(lanes)
        return _solve_grid(law, self.k[lanes], self.v_app[lanes], w, guess, self.newton_step)

    def prolong(self, values: Real) -> Real:
        return _prolong_symmetric(values)

    def by_log_k(self, lanes: Lanes, level: _Level) -> Real:
        # Without a sheet nothing but rounding is left.
        return np.where(self.k[lanes] > 0, _mean((level.response - 1.0) * level.j), 0.0)


def _stretch(solution: LineSolution, depth: Real) -> LineSolution:
    """From the part of the sheet that was solved to the whole of it."""
    out = replace(
        solution,
        current=solution.current * depth,
        slope=solution.slope * depth,
        error=solution.error * depth,
        by_parameter=solution.by_parameter * depth,
    )
    if not solution.profiles:
        return out
    whole = []
    for d, (xi, v, j, s) in zip(depth, solution.profiles, strict=True):
        xi = xi * d
        if d < 1.0:
            # Nothing happens any more: hold the voltage of the end.
            more = np.linspace(d, 1.0, 17)[1:]
            xi = np.concatenate([xi, more])
            v = np.concatenate([v, np.full(16, v[-1])])
            j = np.concatenate([j, np.zeros(16)])
            s = np.concatenate([s, np.zeros(16)])
        whole.append((xi, v, j, s))
    return replace(out, profiles=tuple(whole))


def _depth(law: Law, k: Real, v_app: Real, halvings: int) -> Real:
    """Share of the gap that has to be solved.

    In an endless sheet (dV/dxi)^2 = 2 k F(V), F the integral of J up to open circuit: the way to
    2^-halvings of the difference is a sum over voltages that halve it.
    """
    zero = law.zero_current_v
    halves = 0.5 ** np.arange(halvings + 2.0)[:, None]
    gap = (zero - v_app) * halves
    current = np.abs(law.current(zero - gap)[0])
    gap = np.abs(gap)
    widths = gap[:-1] - gap[1:]
    pieces = widths * (current[:-1] + current[1:]) / 2
    tail = gap[-1] * current[-1] / 2
    force = np.concatenate([np.cumsum(pieces[::-1], axis=0)[::-1] + tail, tail[None]])
    with np.errstate(divide="ignore", invalid="ignore"):
        way = widths / np.sqrt(2.0 * k * np.sqrt(force[:-1] * force[1:]))
        total = way.sum(axis=0)
    total = np.where(np.isfinite(total), total, np.inf)
    return np.minimum(1.0, 1.05 * total)


def _refine(problem: _Problem, rtol: float, profiles: bool, sensitivities: bool) -> LineSolution:
    """Double the grid in the lanes where two grids do not agree yet."""
    n_lanes = len(problem.v_app)
    current, slope, error, balance = (np.zeros(n_lanes) for _ in range(4))
    intervals = np.zeros(n_lanes, dtype=np.intp)
    kept: dict[int, tuple[Real, Real, Real, Real]] = {}
    by_parameter = np.zeros((0, n_lanes))
    lanes = np.arange(n_lanes)
    w, guess = problem.start(), None
    before: _Level | None = None
    before_change = np.full(n_lanes, np.inf)
    while True:
        level = problem.solve(lanes, w, guess)
        n = len(level.w) - 1
        if before is None:
            change = np.full(len(lanes), np.inf)
            estimate = change
        else:
            change = level.current - before.current
            # In fourth order a change is 1/16 of the one before (1/4 in second), and all that are
            # still to come add up as a geometric series. Where changes do not shrink so fast,
            # their own ratio counts, and at least 1/4 where their sign flips, because then two
            # terms of the error still balance. The change before has a say. Twice what this gives
            # is taken.
            ideal = np.where(level.fourth_order & before.fourth_order, 1.0 / 16.0, 0.25)
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = change / before_change
                ratio = np.fmin(np.fmax(np.abs(ratio), np.where(ratio < 0, 0.25, ideal)), 0.75)
            carried = np.abs(before_change) * ideal**2
            if rtol >= ROUGH:
                carried = np.where(np.isfinite(carried), carried, 0.0)
            to_come = np.fmax(np.abs(change) * ratio, carried)
            estimate = 2.0 * np.where(change != 0, to_come / (1.0 - ratio), 0.0)
        of_slope = problem.law.diode_voltage[lanes] * level.slope
        estimate = estimate + problem.newton_step**2 / 2 * of_slope
        scale = np.maximum(np.abs(level.current), of_slope)
        done = estimate <= rtol * scale
        if n >= FINEST:
            done[:] = True
        at = lanes[done]
        current[at], slope[at] = level.current[done], level.slope[done]
        error[at], balance[at], intervals[at] = estimate[done], level.balance[done], n
        if sensitivities and len(at):
            last = level.take(done)
            by_law = _mean(last.response * problem.law.take(at).by_parameter(last.guess))
            rows = np.concatenate([by_law, problem.by_log_k(at, last)[None]])
            if not len(by_parameter):
                by_parameter = np.zeros((len(rows), n_lanes))
            by_parameter[:, at] = rows
        if profiles:
            xi = np.linspace(0.0, 1.0, n + 1)
            for lane, column in zip(at, np.flatnonzero(done), strict=True):
                kept[int(lane)] = (
                    xi,
                    level.w[:, column] + problem.v_app[lane],
                    level.j[:, column],
                    level.response[:, column],
                )
        if done.all():
            break
        going = ~done
        lanes, before_change = lanes[going], change[going]
        before = level.take(going)
        w, guess = problem.prolong(before.w), problem.prolong(before.guess)
    return LineSolution(
        current,
        slope,
        error,
        balance,
        intervals,
        by_parameter,
        tuple(kept[i] for i in sorted(kept)),
    )


def _solve_grid(
    law: Law, k: Real, v_app: Real, w: Real, guess: Real | None, newton_step: float
) -> _Level:
    n = len(w) - 1
    h2k = k / n**2
    w[0] = 0.0
    j, g, guess = law.current(v_app + w, guess)
    order4 = h2k * g.max(axis=0) <= RESOLVED
    theta = np.where(order4, 1.0 / 12.0, 0.0)

    done_w, done_guess, done_j, done_g = (np.empty_like(w) for _ in range(4))
    live = np.arange(w.shape[1])
    a, part, kk, th, v0 = law.diode_voltage, law, h2k, theta, v_app
    for _ in range(NEWTON_LIMIT):
        off = 1.0 - (kk * th) * g
        diagonal = 2.0 + (kk * (1.0 - 2.0 * th)) * g[1:]
        source = kk * (1.0 - 2.0 * th) * j[1:]
        source += w[:-1] - 2.0 * w[1:]
        spread = w + (kk * th) * j
        source[:-1] += spread[2:]
        source += (kk * th) * j[:-1]
        source[-1] += spread[-2]
        step = _tridiagonal(off, diagonal, source)
        w[1:] += step
        size = np.abs(step).max(axis=0)
        j, g, guess = part.current(v0 + w, guess)
        stop = size <= newton_step * a
        if stop.all() and len(live) == len(v_app):
            done_w, done_guess, done_j, done_g = w, guess, j, g
            break
        if stop.any():
            at = live[stop]
            for whole, now in ((done_w, w), (done_guess, guess), (done_j, j), (done_g, g)):
                whole[:, at] = now[:, stop]
            keep = np.flatnonzero(~stop)
            if not len(keep):
                break
            live = live[keep]
            w, guess, j, g = w[:, keep], guess[:, keep], j[:, keep], g[:, keep]
            kk, th, v0, part, a = kk[keep], th[keep], v0[keep], part.take(keep), a[keep]
    else:
        raise OptistackError(
            f"the potential along the sheet was not found at {v0[0]:g} V: the current there grows "
            "too fast for a sheet of this resistance. Ask for a smaller voltage"
        )
    w, j, g = done_w, done_j, done_g
    # An earlier estimate may have been made on voltages that were still far too high.
    order4 = order4 & (h2k * g.max(axis=0) <= 4 * RESOLVED)

    off = 1.0 - (h2k * theta) * g
    rhs = np.zeros_like(w[1:])
    rhs[0] = off[0]
    response = np.concatenate(
        [
            np.ones((1, w.shape[1])),
            _tridiagonal(off, 2.0 + (h2k * (1.0 - 2.0 * theta)) * g[1:], rhs),
        ]
    )
    current, flux = _total(w, j, g, k)
    slope, _ = _total(1.0 - response, g * response, None, k)
    with np.errstate(divide="ignore", invalid="ignore"):
        balance = np.where(k > 0, (flux - k * current) / (k * np.abs(current)), 0.0)
    balance = np.where(np.isfinite(balance), balance, 0.0)
    return _Level(w, done_guess, j, g, order4, response, current, slope, balance)


def _mean(values: Real) -> Real:
    """Mean over the nodes, by Simpson's rule (..., node, lane): as good as the profile itself."""
    n = values.shape[-2] - 1
    inner = 4.0 * values[..., 1::2, :].sum(axis=-2) + 2.0 * values[..., 2:-1:2, :].sum(axis=-2)
    return np.asarray((values[..., 0, :] + inner + values[..., -1, :]) / (3.0 * n))


def _total(w: Real, j: Real, g: Real | None, k: Real) -> tuple[Real, Real]:
    """Mean current of the volumes, and the flux at the contact (V per unit of xi).

    The half volume at the contact is a cubic through three currents and their slope there,
    dJ/dxi = -g dV/dxi, so that the flux follows from its own balance.
    """
    n = len(w) - 1
    h = 1.0 / n
    near = (337.0 * j[0] + 52.0 * j[1] - 5.0 * j[2]) / 768.0
    flux = (w[1] - w[0]) / h + k * h * (j[1] - j[0]) / 24.0 + k * h * near
    bend: Real | float = 0.0
    if g is not None:
        flux = flux / (1.0 + k * h**2 * g[0] * 54.0 / 768.0)
        bend = -h * g[0] * flux * 54.0 / 768.0
    inner = j[1:-1].sum(axis=0) + (j[0] - j[1] + j[-1] - j[-2]) / 24.0
    end = (2.0 * j[-2] + 22.0 * j[-1]) / 48.0
    return h * (near + bend + inner + end), flux


def _tridiagonal(off: Real, diagonal: Real, source: Real, last: float = 2.0) -> Real:
    """Solve d_i x_i - o_i-1 x_i-1 - o_i+1 x_i+1 = s_i; the last row has ``last`` o_n-1.

    ``off`` has one row more than the unknowns: the contact's.
    """
    n = len(diagonal)
    below = off[1:n].copy()
    below[-1] *= last
    pivots, out = diagonal.copy(), source.copy()
    # In place and row by row: with few lanes a row takes as long as its calls do.
    coupling = below * off[2:]
    for c, b, pivot, pivot_after, x, x_after in zip(
        coupling, below, pivots, pivots[1:], out, out[1:], strict=False
    ):
        c /= pivot
        pivot_after -= c
        x /= pivot
        b *= x
        x_after += b
    out[-1] /= pivots[-1]
    ratios = off[2:] / pivots[:-1]
    for ratio, x, x_after in zip(ratios[::-1], out[-2::-1], out[:0:-1], strict=True):
        ratio *= x_after
        x += ratio
    return out


def _prolong_symmetric(v: Real) -> Real:
    """Values on twice the grid; the far end is a mirror."""
    return _prolong(np.concatenate([v, v[-2:-3:-1]]), len(v))


def _prolong(v: Real, n: int) -> Real:
    out = np.empty((2 * n - 1, v.shape[1]))
    out[::2] = v[:n]
    out[1] = (5.0 * v[0] + 15.0 * v[1] - 5.0 * v[2] + v[3]) / 16.0
    out[3::2] = (9.0 * (v[1 : n - 1] + v[2:n]) - v[: n - 2] - v[3 : n + 1]) / 16.0
    return out


def solve_opposed(
    law: Law,
    k_front: Real,
    k_counter: Real,
    v_app: Real,
    *,
    rtol: float = 1e-6,
    profiles: bool = False,
    sensitivities: bool = False,
) -> LineSolution:
    """Both electrodes resistive, the front contacted at xi = 0, the counter electrode at xi = 1.

    V is the voltage between the electrodes. With I the mean current density and k the sum of
    both, d2V/dxi2 = -k J, dV/dxi(0) = k_front I, dV/dxi(1) = -k_counter I, and the voltage
    between the two contacts is V_app = (k_front V(0) + k_counter V(1))/k - k_front k_counter I/k.

    Parameters and result are those of `solve_line`; ``balance`` is not formed and is 0.
    """
    problem = _Opposed(law, k_front, k_counter, v_app, NEWTON_STEP * math.sqrt(rtol))
    return _refine(problem, rtol, profiles, sensitivities)


@dataclass(eq=False)
class _Opposed:
    law: Law
    k_front: Real
    k_counter: Real
    v_app: Real
    newton_step: float

    def start(self) -> Real:
        gap = self.law.zero_current_v - self.v_app
        return np.repeat(gap[None], COARSEST + 1, axis=0)

    def prolong(self, values: Real) -> Real:
        beyond = 4.0 * values[-1] - 6.0 * values[-2] + 4.0 * values[-3] - values[-4]
        return _prolong(np.concatenate([values, beyond[None]]), len(values))

    def by_log_k(self, lanes: Lanes, level: _Level) -> Real:
        """k dI/dk_front = int s J - s(0) I - dI/dV_app (V(0) - V_app - k_counter I)."""
        front, counter = self.k_front[lanes], self.k_counter[lanes]
        k = front + counter
        share = np.where(k > 0, front / np.where(k > 0, k, 1.0), 0.0)
        arrives = _mean((level.response - level.response[0]) * level.j)
        return np.asarray(share * (arrives + level.slope * (level.w[0] - counter * level.current)))

    def solve(self, lanes: Lanes, w: Real, guess: Real | None) -> _Level:
        law, v_app = self.law.take(lanes), self.v_app[lanes]
        front, counter = self.k_front[lanes], self.k_counter[lanes]
        k = front + counter
        share = np.where(k > 0, front / np.where(k > 0, k, 1.0), 1.0)
        n = len(w) - 1
        h = 1.0 / n
        c = k * h**2 / 12.0
        j, g, guess = law.current(v_app + w, guess)
        current = np.zeros_like(v_app)

        def border() -> _Border:
            diagonal = 2.0 + 10.0 * c * g[1:]
            diagonal[-1] = 1.0 + 5.0 * c * g[-1]
            return _Border(
                off=1.0 - c * g,
                diagonal=diagonal,
                cg_zero=c * g[0],
                at_front=h * (1.0 + c * g[0]) * front,
                at_counter=h * (1.0 + c * g[-1]) * counter,
                share=share,
                counter=counter,
            )

        for _ in range(NEWTON_LIMIT):
            b = border()
            source = np.empty_like(w[1:])
            source[:-1] = w[:-2] - 2.0 * w[1:-1] + w[2:] + c * (j[:-2] + 10.0 * j[1:-1] + j[2:])
            source[-1] = w[-2] - w[-1] + c * (5.0 * j[-1] + j[-2]) - b.at_counter * current
            at_zero = w[1] - w[0] + c * (5.0 * j[0] + j[1]) - b.at_front * current
            contacts = share * w[0] + (1.0 - share) * w[-1] - share * counter * current
            step, d_current = _bordered(b, source, at_zero, contacts)
            w = w + step
            current = current + d_current
            j, g, guess = law.current(v_app + w, guess)
            if np.all(np.abs(step).max(axis=0) <= self.newton_step * law.diode_voltage):
                break
        else:
            raise OptistackError(
                "the potentials of the two electrodes were not found. Ask for a smaller voltage"
            )
        none = np.zeros_like(current)
        response, by_v = _bordered(border(), np.zeros_like(source), none, none - 1.0)
        resolved = k * h**2 * g.max(axis=0) <= RESOLVED
        current = np.where(k > 0, current, j[0])
        slope = np.where(k > 0, -by_v, g[0])
        return _Level(w, guess, j, g, resolved, response, current, slope, none)


@dataclass(eq=False)
class _Border:
    """The tridiagonal part, and what ties it to V(0) and to the current."""

    off: Real
    diagonal: Real
    cg_zero: Real
    at_front: Real
    at_counter: Real
    share: Real
    counter: Real


def _bordered(b: _Border, source: Real, at_zero: Real, contacts: Real) -> tuple[Real, Real]:
    """Steps of V at all nodes and of the current that take the three residuals away."""
    by_zero, by_current = np.zeros_like(source), np.zeros_like(source)
    by_zero[0] = b.off[0]
    by_current[-1] = -b.at_counter
    p, q, s = (
        _tridiagonal(b.off, b.diagonal, rhs, last=1.0) for rhs in (source, by_zero, by_current)
    )
    a11 = b.off[1] * q[0] - (1.0 + 5.0 * b.cg_zero)
    a12 = b.off[1] * s[0] - b.at_front
    a21 = b.share + (1.0 - b.share) * q[-1]
    a22 = (1.0 - b.share) * s[-1] - b.share * b.counter
    r1 = -at_zero - b.off[1] * p[0]
    r2 = -contacts - (1.0 - b.share) * p[-1]
    det = a11 * a22 - a12 * a21
    # Without any resistance the current follows from the voltage alone.
    ideal = (b.at_front == 0) & (b.at_counter == 0)
    det = np.where(ideal, 1.0, det)
    zero = np.where(ideal, r2 / a21, (r1 * a22 - a12 * r2) / det)
    current = np.where(ideal, 0.0, (a11 * r2 - a21 * r1) / det)
    return np.concatenate([zero[None], p + q * zero + s * current]), current
