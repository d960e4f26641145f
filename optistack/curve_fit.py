"""One law fitted to all curves at once.

Every specimen i has its own start value and a rate of its own that a linear design explains,

    property = start_i F(k exp(x_i . beta) q_i t; shape) exp(-dark t),

so that groups (coupon and device, filters, intensities, temperatures) share the shape of the loss
and differ by a factor on the rate. Light-independent loss is fitted from the controls in the same
step; its uncertainty is then part of every interval. Where specimens differ beyond their noise,
each gets a deviation of its rate, held by the scatter between specimens.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from optistack.ageing import AgeingData, Specimen
from optistack.errors import OptistackError
from optistack.fitting import Fit, Problem, fit, moved, with_dof
from optistack.rate_laws import Law
from optistack.value import Value

Real = NDArray[np.float64]

_SMALLEST_FRACTION = 1e-12
_DIFFERENCE = 6e-6  # about the cube root of rounding: best for central differences
# What is known of a shape before any data: within a factor exp(+-1.5) of the usual. Data that say
# anything about a shape outweigh it; without it a shape that they do not need runs away to 0.
SHAPE_PRIOR_SD = 1.5
# Nobody reads a film to better than this share, whatever the scatter of rounded readings says.
SMALLEST_NOISE = 1e-4
# Logarithm of a scaled dose that no reading notices.
_UNSEEN = -8.0


class Scatter(NamedTuple):
    """How much specimens of one group differ beyond their noise.

    ``sd``: of the logarithm of the rate between specimens; 0 where the noise explains it.
    ``dof``: specimens less groups or slopes. ``p_value``: of the test for equal rates.
    """

    sd: float
    dof: float
    p_value: float


NO_SCATTER = Scatter(0.0, np.inf, 1.0)


@dataclass(frozen=True, eq=False)
class Curves:
    """Data sets arranged for a joint fit.

    Attributes
    ----------
    sets : tuple of AgeingData
        Each has its own light-independent loss.
    design : mapping of str to (specimen,) array
        Explains the logarithm of the rate; specimens in the order of ``lit``.
    own_laws : mapping of set number to mapping of law name to Law
        Laws that read otherwise in one set: the same parameters, another profile of light.
    """

    sets: tuple[AgeingData, ...]
    design: Mapping[str, Real] = field(default_factory=dict)
    own_laws: Mapping[int, Mapping[str, Law]] = field(default_factory=dict)

    @cached_property
    def lit(self) -> tuple[Specimen, ...]:
        """Lit specimens of all sets, in order."""
        return tuple(s for data in self.sets for s in data.used("lit"))

    @cached_property
    def _specimens(self) -> tuple[tuple[Specimen, int], ...]:
        """Lit specimens first, then the controls, with the number of their set."""
        lit = [(s, i) for i, data in enumerate(self.sets) for s in data.used("lit")]
        return (
            *lit,
            *((s, i) for i, data in enumerate(self.sets) for s in data.controls),
        )

    @property
    def specimens(self) -> tuple[Specimen, ...]:
        """All specimens that are fitted, the lit ones first."""
        return tuple(s for s, _ in self._specimens)

    @property
    def dark_names(self) -> tuple[str, ...]:
        """Names of the parameters of light-independent loss."""
        return tuple(f"dark {d.name}" for d in self.sets if d.controls)

    def fit(
        self, law: Law, scatter: Scatter = NO_SCATTER, *, near: CurveFit | None = None
    ) -> CurveFit:
        """Fit a law.

        Parameters
        ----------
        law : Law
        scatter : Scatter
            Rates of single specimens then differ by prior knowledge of that width, and Student's
            factor counts specimens.
        near : CurveFit, optional
            A fit of the same law to the same curves, to start from.

        Raises
        ------
        OptistackError
            Fewer readings than parameters; data sets of different quantities.
        """
        sheet = {"sheet_resistance_ohm_sq", "sheet_conductance_s_sq"}
        if len({"sheet" if d.quantity in sheet else d.quantity for d in self.sets}) > 1:
            raise OptistackError(
                "data sets of different quantities cannot share a curve: "
                + ", ".join(f"{d.name} {d.quantity}" for d in self.sets)
            )
        return CurveFit.make(self, law, scatter, near)

    def scatter(self, law: Law) -> Scatter:
        """Test whether specimens differ beyond noise, and by how much.

        Each specimen gets a rate of its own; what the design leaves of their logarithms is held
        against their errors (Cochran's Q), and the variance between specimens is found by the
        method of moments (R. DerSimonian, N. Laird, Control. Clin. Trials 7 (1986) 177; reference
        from memory). Any excess counts, significant or not: with three specimens a test at 10 %
        lets intervals of nominal 95 % cover 86 %, without it they cover 93 % or more (simulated).
        """
        n = len(self.lit)
        columns = np.column_stack([np.ones(n), *self.design.values()])
        free = n - int(np.linalg.matrix_rank(columns))
        if free < 1 or n < 2:
            return NO_SCATTER
        own = {f"specimen {i}": np.eye(n)[i] for i in range(1, n)}
        try:
            separate = replace(self, design=own).fit(law)
        except OptistackError:  # too few readings to give each specimen its own rate
            return NO_SCATTER
        to_rates = np.zeros((n, separate.fit.theta.size))
        to_rates[:, 0] = 1.0
        first = separate.names.index("specimen 1") if n > 1 else 0
        for i in range(1, n):
            to_rates[i, first + i - 1] = 1.0
        rates = to_rates @ separate.fit.theta
        variance = np.einsum("ij,jk,ik->i", to_rates, separate.fit.covariance, to_rates)
        weight = 1 / np.maximum(variance, 1e-12)
        hat = columns @ np.linalg.pinv(columns * np.sqrt(weight)[:, None]) * np.sqrt(weight)
        left = rates - hat @ rates
        q = float(weight @ left**2)
        readings = max(separate.fit.count - separate.fit.size, 1)
        p = float(special.fdtrc(free, readings, q / free))
        if q <= free:
            return Scatter(0.0, np.inf, p)
        shrink = float(weight.sum() - weight @ np.diag(hat))
        between = max((q - free) / shrink, 0.0)
        return Scatter(float(np.sqrt(between)), float(free), p)


@dataclass(frozen=True, eq=False)
class CurveFit:
    """A law fitted to all specimens.

    Attributes
    ----------
    curves : Curves
    law : Law
    fit : Fit
        Parameters: log k, logarithms of the shapes, design, light-independent loss over the longest
        time, logarithms of the start values, deviations of specimens.
    names : tuple of str
    scatter : Scatter
    """

    curves: Curves
    law: Law
    fit: Fit
    names: tuple[str, ...]
    scatter: Scatter

    @classmethod
    def make(
        cls, curves: Curves, law: Law, scatter: Scatter, near: CurveFit | None = None
    ) -> CurveFit:
        """Pose the problem and fit it; see `Curves.fit`."""
        entries = curves._specimens
        n_lit = len(curves.lit)
        if not n_lit:
            reasons = [f"{n}: {why}" for d in curves.sets for n, why in d.set_aside]
            raise OptistackError(
                f"{', '.join(d.name for d in curves.sets)}: no lit specimen is left. "
                + "; ".join(reasons)
            )
        which = np.concatenate([np.full(s.kept.size, i) for i, (s, _) in enumerate(entries)])
        hours = np.concatenate([s.hours[s.kept] for s, _ in entries])
        inverse = np.array([curves.sets[i].inverse for _, i in entries])[which]
        values = np.concatenate([s.values[s.kept] for s, _ in entries])
        values = np.where(inverse, 1 / values, values)
        flags = np.concatenate([s.flags[s.kept] for s, _ in entries])
        flags = np.where(inverse, -flags, flags)
        dose = (
            hours
            * np.array([s.absorbed_rate if s.role == "lit" else 0.0 for s, _ in entries])[which]
        )
        relative = np.array([curves.sets[i].noise == "relative" for _, i in entries])[which]
        known = all(d.sigma_known for d in curves.sets)
        if known:
            sigma = np.concatenate([curves.sets[i].sigma(s)[s.kept] for s, i in entries])
        else:
            # Not stated: one size for all, found from the scatter; in units of 1 %.
            sigma = np.where(relative, 0.01, 0.01 * np.abs(values).max())
        lit = which < n_lit
        lit_readings = int(lit.sum())
        read = int((lit & (flags == 0)).sum())
        distinct = np.unique(dose[lit]).size
        if read < 3 or lit_readings < 4 or distinct < 3:
            raise OptistackError(
                f"{', '.join(d.name for d in curves.sets)}: {lit_readings} readings at {distinct} "
                "different doses are too few for a curve; at least 4 at 3 doses are needed, and of "
                "them 3 that are more than limits"
            )
        starts_at = np.array([values[which == i][0] for i in range(len(entries))])
        dark_of = {
            i: number for number, i in enumerate(i for i, d in enumerate(curves.sets) if d.controls)
        }
        longest = float(hours.max())
        dark_map = np.zeros((hours.size, len(dark_of)))
        for row, w in enumerate(which):
            number = dark_of.get(entries[w][1])
            if number is not None:
                dark_map[row, number] = hours[row] / longest
        design = np.column_stack(
            [np.zeros((n_lit, 0)), *(np.asarray(c, float) for c in curves.design.values())]
        )
        random = scatter.sd > 0
        a = 1 + len(law.shape_names)
        b = a + design.shape[1]
        c = b + len(dark_of)
        d = c + len(entries)
        # Deviations of specimens, then the shapes: prior knowledge.
        deviating = n_lit if random else 0
        extra = deviating + a - 1
        points, size = hours.size, d + deviating
        # Slopes, (point, parameter), that no parameter changes: of the exponents of the rates, and
        # of what stands beside the share that light leaves, with prior knowledge last.
        to_rate = np.zeros((points, size))
        to_rate[:, 0] = 1.0
        to_rate[lit, a:b] = design[which[lit]]
        if random:
            to_rate[lit, d + which[lit]] = 1.0
        beside = np.zeros((points + extra, size))
        beside[:points, b:c] = -dark_map
        beside[np.arange(points), c + which] = 1.0
        beside[points + np.arange(extra), [*range(d, size), *range(1, a)]] = 1.0
        norm = float(dose.max())
        log_scale = relative
        only_logs = bool(log_scale.all())
        of_set = np.array([i for _, i in entries])[which]
        laws = [
            (curves.own_laws.get(i, {}).get(law.name, law), of_set == i)
            for i in range(len(curves.sets))
        ]
        if all(one is law for one, _ in laws):
            laws = [(law, slice(None))]

        share = dose / norm

        def log_left(exponent: Real, log_shape: Real) -> Real:
            """Logarithm of the share left by light, (batch, point)."""
            x = np.exp(_between(exponent, 80.0)) * share
            held = np.exp(_between(log_shape, 30.0))[:, :, None]
            shape = [held[:, j] for j in range(a - 1)]
            left = np.empty(x.shape)
            for one, rows in laws:
                left[:, rows] = one.fraction(x[:, rows], shape)
            # Below the smallest share a straight line goes on, so that a fit finds its way back.
            low = _SMALLEST_FRACTION
            return np.asarray(np.log(np.maximum(left, low)) + np.minimum(left - low, 0.0) / low)

        def log_rate(theta: Real) -> Real:
            exponent = theta[:, :1] + theta[:, a:b] @ to_rate[:, a:b].T
            return exponent + theta[:, d:] @ to_rate[:, d:].T if random else exponent

        def predict(theta: Real) -> Real:
            light = log_left(log_rate(theta), theta[:, 1:a])
            y = theta[:, c + which] + light - theta[:, b:c] @ dark_map.T
            if not only_logs:
                y = np.where(log_scale, y, np.exp(np.minimum(y, 600.0)))
            return np.concatenate([y, theta[:, d:], theta[:, 1:a]], axis=1)

        # All rates act through one exponent: one difference serves them all. All differences are
        # blocks of one call, because calls cost more than numbers here: up and down in the
        # exponent, then up and down in each shape.
        steps = np.zeros((2 * a, 1, a))
        steps[2 * np.arange(a), 0, np.arange(a)] = _DIFFERENCE
        steps[2 * np.arange(a) + 1, 0, np.arange(a)] = -_DIFFERENCE
        at_point, at_column = np.nonzero(to_rate)
        by_rate = to_rate[at_point, at_column]

        def slopes(theta: Real) -> Real:
            exponents = log_rate(theta) + steps[:, :, :1]
            shapes = theta[:, 1:a] + steps[:, :, 1:]
            every = 2 * a * len(theta)
            values = log_left(exponents.reshape(every, points), shapes.reshape(every, a - 1))
            values = values.reshape(a, 2, len(theta), points)
            differences = (values[:, 0] - values[:, 1]) / (2 * _DIFFERENCE)
            out = np.empty((len(theta), *beside.shape))
            out[:] = beside
            out[:, at_point, at_column] = differences[0][:, at_point] * by_rate
            out[:, :points, 1:a] = differences[1:].transpose(1, 2, 0)
            if not only_logs:
                y = predict(theta)[:, :points]
                out[:, :points] *= np.where(log_scale, 1.0, y)[..., None]
            return out

        observed = np.where(log_scale, np.log(values), values)
        names = (
            "log k",
            *(f"log {s}" for s in law.shape_names),
            *curves.design,
            *curves.dark_names,
            *(f"log start {s.name}" for s, _ in entries),
            *(f"deviation {s.name}" for s in curves.lit if random),
        )
        observed = np.concatenate([observed, np.zeros(deviating), np.log(law.usual)])
        sigma = np.concatenate(
            [sigma, np.full(deviating, scatter.sd), np.full(a - 1, SHAPE_PRIOR_SD)]
        )
        flags = np.concatenate([flags, np.zeros(extra, dtype=flags.dtype)])
        problem = Problem(
            predict,
            observed,
            sigma,
            names,
            flags,
            sigma_known=known,
            extra=extra,
            prior=a - 1,
            slopes=slopes,
            smallest_scale=100 * SMALLEST_NOISE,
        )
        begin = []
        if near is not None:
            start = np.zeros(len(names))
            common = [near.column(name) for name in names if name in near.names]
            start[: len(common)] = near.fit.theta[common]
            start[0] += np.log(norm)
            begin.append(start)
        # A loss of some tenths over the tested dose, and ten times more or less.
        for rate in (-3.0, -1.0, 1.0) if near is None else ():
            for shapes in law.starts:
                start = np.zeros(len(names))
                start[0] = rate
                start[1:a] = np.log(shapes) if shapes else []
                start[c:d] = np.log(starts_at)
                begin.append(start)
        result = _held(fit(problem, np.array(begin), not_counted=deviating), a, design)
        if random:
            result = with_dof(result, scatter.dof)
        # log k per unit of dose, not per tested dose.
        return cls(curves, law, _shifted(result, norm), names, scatter)

    def column(self, name: str) -> int:
        """Position of a parameter."""
        return self.names.index(name)

    def _shape(self, theta: Real) -> list[Real]:
        n = len(self.law.shape_names)
        return [np.exp(_between(theta[..., 1 + j], 30.0)) for j in range(n)]

    def log_dose_to(self, theta: Real, level: ArrayLike, law: Law | None = None) -> Real:
        """Logarithm of the dose at which the share left is ``level``, light alone.

        ``level``: one, or one for each set of parameters. ``law``: one with the same parameters
        but another profile of light.
        """
        with np.errstate(divide="ignore", over="ignore"):
            x = (law or self.law).reach(level, self._shape(theta))
            return np.asarray(np.log(x) - theta[..., 0])

    def remaining(self, dose: Real, theta: Real | None = None) -> Real:
        """Share left at doses (dose,), light alone; (..., dose) for (..., parameter)."""
        at = self.fit.theta if theta is None else theta
        shape = [s[..., None] for s in self._shape(at)]
        with np.errstate(over="ignore", under="ignore"):
            return self.law(np.exp(np.clip(at[..., :1], -500.0, 500.0)) * dose, *shape)

    @property
    def longest_hours(self) -> float:
        """The time over which light-independent loss is parametrised [h]."""
        return max(float(s.hours[s.kept].max()) for s, _ in self.curves._specimens)

    def dark_rate_per_h(self, name: str, confidence: float = 0.95) -> Value | None:
        """Light-independent loss of a data set [1/h]; None without controls."""
        if f"dark {name}" not in self.names:
            return None
        at, hours = self.column(f"dark {name}"), self.longest_hours
        low, high = self.fit.interval(lambda th: th[:, at], confidence)
        return Value(float(self.fit.theta[at]) / hours, low / hours, high / hours)


def _held(result: Fit, first: int, design: Real) -> Fit:
    """Rates that run to nothing, stopped where they are just not seen: there errors have a scale.

    With groups (columns of 0 and 1) each has its rate; otherwise only the common one is looked at.
    """
    columns = range(first, first + design.shape[1])
    groups = bool(((design == 0) | (design == 1)).all() and (design.sum(axis=1) <= 1).all())
    # What to move to change the rate of one group alone, and its exponent.
    moves = [({0: 1.0} | {j: -1.0 for j in columns if groups}, [0])]
    if groups:
        moves += [({j: 1.0}, [0, j]) for j in columns]
    for move, parts in moves:
        theta, problem = result.theta, result.problem
        exponent = float(theta[parts].sum())
        if exponent > _UNSEEN:
            continue
        direction = np.zeros(theta.size)
        direction[list(move)] = list(move.values())
        steps = theta + np.linspace(0.0, -exponent, 200)[:, None] * direction
        cost = (problem.deviations(steps, result.scale) ** 2).sum(axis=1)
        seen = cost > result.cost + 0.01 * result.scale**2
        last = int(np.argmax(seen)) - 1 if seen.any() else 199
        result = moved(result, steps[max(last, 0)])
    return result


def _between(x: Real, limit: float) -> Real:
    """Within +-limit; `numpy.clip` takes several times as long for few numbers."""
    return np.asarray(np.minimum(np.maximum(x, -limit), limit))


def _shifted(result: Fit, norm: float) -> Fit:
    """The rate constant per unit of dose: a shift of log k, in prediction and parameters alike."""
    shift = np.log(norm)
    inner, inner_slopes = result.problem.predict, result.problem.slopes

    def moved(theta: Real) -> Real:
        out = np.array(theta, dtype=float)
        out[:, 0] += shift
        return out

    def predict(theta: Real) -> Real:
        return inner(moved(theta))

    slopes = None if inner_slopes is None else lambda theta: inner_slopes(moved(theta))

    theta = result.theta.copy()
    theta[0] -= shift
    return replace(
        result, problem=replace(result.problem, predict=predict, slopes=slopes), theta=theta
    )
