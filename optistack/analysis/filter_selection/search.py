"""What a good filter is, the best on the grid, between its points, and how often it stays first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.filter_selection.bench import Bench, Judged, judged_on
from optistack.analysis.filter_selection.candidates import Candidate
from optistack.analysis.filter_selection.evaluate import Evaluation
from optistack.analysis.filter_selection.life import LayerLoss, PowerCurve, Service, lives_of
from optistack.analysis.filter_selection.slots import is_plain
from optistack.errors import OptistackError
from optistack.tolerances import BY_GRADE, MaterialTolerance
from optistack.value import NORMAL_95

Real = NDArray[np.float64]
Objective = Literal["dose", "energy", "life"]

# Slopes are taken over this part of a grid cell; points between the end of a search and its start.
_BESIDE, _BACK = 1e-3, 9
# A requirement missed by so little is met.
_TINY = 1e-12
# Candidates that are drawn again: those that come next when everything is at its centre.
CONTENDERS = 24
# A candidate this close to the best of a draw is as good as it.
NEAR = 0.01


@dataclass(frozen=True)
class Requirement:
    """What a filter must keep to.

    Attributes
    ----------
    most_photocurrent_lost : float or None
        Share of the photocurrent, under the light of the service.
    least_years : float or None
        T80 in service.
    most_cost_per_m2 : float or None
        A candidate without a cost does not pass.
    """

    most_photocurrent_lost: float | None = None
    least_years: float | None = None
    most_cost_per_m2: float | None = None

    def __post_init__(self) -> None:
        lost = self.most_photocurrent_lost
        if lost is not None and not 0 < lost <= 1:
            raise OptistackError(
                f"most_photocurrent_lost {lost:g} is a share between 0 and 1, not per cent"
            )
        for name in ("least_years", "most_cost_per_m2"):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value >= 0):
                raise OptistackError(f"{name} {value} must not be negative")

    @property
    def text(self) -> str:
        """In words."""
        parts = []
        if self.most_photocurrent_lost is not None:
            parts.append(f"at most {100 * self.most_photocurrent_lost:g} % of the photocurrent")
        if self.least_years is not None:
            parts.append(f"at least {self.least_years:g} years to T80")
        if self.most_cost_per_m2 is not None:
            parts.append(f"at most {self.most_cost_per_m2:g} per m2")
        return ", ".join(parts) or "no constraint"


@dataclass(frozen=True, eq=False)
class Aim:
    """By what candidates are ranked, and with which kinetics.

    Attributes
    ----------
    objective : "dose", "energy" or "life"
    requirement : Requirement
    service : Service or None
    losses : mapping of weight to LayerLoss
        The first is the main one; a weight without one takes the hours of the first.
    power : PowerCurve
    horizon_years : float
    reference_rates : mapping of weight to float [1/(m2 s)]
        Of the exposure of the losses, without filter.
    """

    objective: Objective
    requirement: Requirement
    service: Service | None
    losses: Mapping[str, LayerLoss]
    power: PowerCurve
    horizon_years: float
    reference_rates: Mapping[str, float]

    def loss(self, weight: str) -> LayerLoss | None:
        """The curve of loss for a weight."""
        if not self.losses:
            return None
        return self.losses.get(weight) or replace(next(iter(self.losses.values())), weight=weight)

    def marks(
        self,
        weight: str,
        left: Real,
        current_left: Real,
        costs: Sequence[float | None],
        rate_m2_s: float,
        *,
        exponent: float | None = None,
        rate_scale: float = 1.0,
    ) -> Marks:
        """Scores and margins of candidates; the last is no filter.

        Parameters
        ----------
        weight : str
        left, current_left : (candidate,) arrays
        costs : sequence of float or None
        rate_m2_s : float
            Without filter, under the light of the service.
        """
        r = self.requirement
        dose, current = np.append(left, 1.0), np.append(current_left, 1.0)
        dose = np.where(dose < 0, 0.0, dose)
        margins = [np.where(np.isfinite(dose), 1.0, -1.0)]
        if r.most_photocurrent_lost is not None:
            margins.append(current - (1.0 - r.most_photocurrent_lost))
        if r.most_cost_per_m2 is not None:
            known = np.array([np.inf if c is None else c for c in (*costs, 0.0)])
            margins.append(r.most_cost_per_m2 - known)
        loss = self.loss(weight)
        if loss is None or self.service is None:
            return Marks(-dose, np.array(margins))
        lives = lives_of(
            left,
            current_left,
            rate_m2_s / self.reference_rates[weight],
            loss,
            self.service,
            self.power,
            self.horizon_years,
            exponent=exponent,
            rate_scale=rate_scale,
            lifetimes=self.objective == "life" or r.least_years is not None,
        )
        if r.least_years is not None:
            margins.append(lives.t80_years - r.least_years)
        if self.objective == "energy":
            return Marks(lives.energy_kwh_m2[:, -1], np.array(margins))
        if self.objective == "life":
            return Marks(lives.t80_years, np.array(margins))
        return Marks(-dose, np.array(margins))


class Marks(NamedTuple):
    """Of candidates: scores, the higher the better, and margins that must not be negative.

    ``score``: (candidate,); ``margins``: (requirement, candidate).
    """

    score: Real
    margins: Real

    @property
    def passed(self) -> NDArray[np.bool_]:
        """Whether every requirement is met."""
        return np.asarray((self.margins >= -_TINY).all(axis=0) & ~np.isnan(self.score))

    @property
    def allowed(self) -> Real:
        """Scores, -inf where a requirement is not met."""
        return np.where(self.passed, self.score, -np.inf)

    def order(self) -> NDArray[np.intp]:
        """Positions that meet the requirement, the best first; equal ones in their order."""
        fine = np.flatnonzero(self.passed)
        return np.asarray(fine[np.argsort(-self.score[fine], kind="stable")])


def discordant_share(a: Real, b: Real) -> float:
    """Share of pairs that two scores put in another order; 0 with fewer than two.

    Examples
    --------
    >>> import numpy as np
    >>> round(discordant_share(np.array([3.0, 2.0, 1.0]), np.array([3.0, 1.0, 2.0])), 4)
    0.3333
    """
    if len(a) < 2:
        return 0.0
    # Beyond some hundreds an even sample tells the share as well.
    step = int(np.ceil(len(a) / 600))
    x, y = a[::step], b[::step]
    upper = np.triu_indices(len(x), 1)
    # Both infinite (no end of life) is neither order.
    with np.errstate(invalid="ignore"):
        one, two = np.sign(np.subtract.outer(x, x)[upper]), np.sign(np.subtract.outer(y, y)[upper])
    return float(np.mean(one * two < 0)) if one.size else 0.0


# between grid points -------------------------------------------------------------------------


class Cell(NamedTuple):
    """What lies about a grid point in one parameter: spacing and limits of the grid."""

    step: float
    low: float
    high: float


def cell_of(candidate: Candidate, candidates: Sequence[Candidate]) -> dict[str, Cell]:
    """The grid about a candidate in each parameter of its own family."""
    out = {}
    for name, value in candidate.parameters.items():
        grid = [
            c.parameters[name]
            for c in candidates
            if c.series == candidate.series and name in c.parameters
        ]
        gaps = [abs(v - value) for v in grid if v != value]
        if gaps:
            out[name] = Cell(min(gaps), min(grid), max(grid))
    return out


def starts_of(
    candidate: Candidate, candidates: Sequence[Candidate], scores: Real, most: int = 4
) -> list[int]:
    """Where to search from: the best of each line of the grid through the candidate's family.

    Along the limit of a requirement the best grid point may lie far from the best of all: which
    point of a line comes next to the limit is a matter of chance.
    """
    if not candidate.parameters:
        return []
    first = next(iter(candidate.parameters))
    lines: dict[Any, int] = {}
    for i, c in enumerate(candidates):
        if c.series != candidate.series or c.build is None or not scores[i] > -np.inf:
            continue
        key = tuple(v for name, v in c.parameters.items() if name != first)
        if key not in lines or scores[i] > scores[lines[key]]:
            lines[key] = i
    return sorted(lines.values(), key=lambda i: -scores[i])[:most]


def refine(
    bench: Bench,
    candidate: Candidate,
    cell: Mapping[str, Cell],
    marks: Callable[[Judged, Sequence[Candidate]], Marks],
) -> tuple[Candidate, float]:
    """The best of a continuous family within one grid cell of a candidate.

    Sequential quadratic programming (scipy) with slopes from candidates side by side: the best
    often lies on the limit of a requirement, where a search by trial goes astray.

    Parameters
    ----------
    bench : Bench
    candidate : Candidate
        With ``build``; it meets the requirement.
    cell : mapping of parameter to Cell
        The search stays within one step, and within the limits of the grid.
    marks : callable
        Of candidates judged.

    Returns
    -------
    candidate, score
    """
    build = candidate.build
    start = marks(judged_on(bench, [candidate]), [candidate])
    if build is None or not cell or not start.passed[0]:
        return candidate, float(start.allowed[0])
    names = list(cell)
    size = np.array([cell[n].step for n in names])
    centre = np.array([candidate.parameters[n] for n in names])
    lowest = np.maximum((np.array([cell[n].low for n in names]) - centre) / size, -1.0)
    highest = np.minimum((np.array([cell[n].high for n in names]) - centre) / size, 1.0)
    scale = max(abs(float(start.score[0])), 1e-12)

    def made(points: Real) -> tuple[list[Candidate], Marks]:
        some = [
            build(
                **{
                    **candidate.parameters,
                    **dict(zip(names, (centre + size * p).tolist(), strict=True)),
                }
            )
            for p in points
        ]
        return some, marks(judged_on(bench, some), some)

    def smooth(values: Marks) -> tuple[Real, Real]:
        """Scores on a scale on which they are nearly straight, and margins that are finite."""
        s = values.score
        if (s <= 0).all():  # a dose: its logarithm
            merit = -np.log(np.maximum(-s / scale, 1e-12))
        else:
            merit = np.log(np.clip(s / scale, 1e-6, 1e6))
        return merit, np.clip(np.nan_to_num(values.margins), -1e6, 1e6)

    known: dict[bytes, tuple[Real, Real]] = {}

    def around(point: Real) -> tuple[Real, Real]:
        """Merit and margins at a point and a little beside it in every direction."""
        key = point.tobytes()
        if key not in known:
            beside = _BESIDE * np.eye(len(names))
            known[key] = smooth(
                made(np.concatenate([point[None], point + beside, point - beside]))[1]
            )
        return known[key]

    def slope(values: Real) -> Real:
        n = len(names)
        return np.asarray((values[..., 1 : 1 + n] - values[..., 1 + n : 1 + 2 * n]) / (2 * _BESIDE))

    from scipy import optimize

    found: Any = optimize.minimize(  # type: ignore[call-overload]
        lambda x: -float(around(x)[0][0]),
        np.zeros(len(names)),
        jac=lambda x: -slope(around(x)[0]),
        method="SLSQP",
        bounds=list(zip(lowest, highest, strict=True)),
        constraints=[
            {
                "type": "ineq",
                "fun": lambda x: around(x)[1][:, 0],
                "jac": lambda x: slope(around(x)[1]),
            }
        ],
        options={"maxiter": 40, "ftol": 1e-9},
    )
    # Back to where every requirement is met, if it ended a little outside.
    back = found.x * np.linspace(1.0, 0.0, _BACK)[:, None]
    steps = np.concatenate([found.x * (1 - 1e-6 * 4.0 ** np.arange(8))[:, None], back])
    some, values = made(np.clip(steps, lowest, highest))
    best = int(np.argmax(values.allowed[:-1]))
    top = float(values.allowed[best])
    if not top > float(start.allowed[0]):
        return candidate, float(start.allowed[0])
    return some[best], top


# draws ---------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Robustness:
    """How often each candidate comes first when what is not known is drawn.

    Attributes
    ----------
    draws, seed : int
    first_share : mapping of candidate name to float
        The most frequent first; "no filter" and "none meets the requirement" among them.
    near_share : mapping of candidate name to float
        Draws in which it comes within 1 % of the first.
    by_weight : mapping of weight to mapping of candidate name to float
        Share of the draws with that weight.
    drawn : tuple of str
        What was drawn.
    notes : tuple of str
    """

    draws: int
    seed: int
    first_share: Mapping[str, float]
    near_share: Mapping[str, float]
    by_weight: Mapping[str, Mapping[str, float]]
    drawn: tuple[str, ...]
    notes: tuple[str, ...] = ()


NO_FILTER = "no filter"
NONE_MEETS = "none meets the requirement"


def varied_benches(
    bench: Bench,
    count: int,
    rng: np.random.Generator,
    tolerances: Mapping[str, MaterialTolerance] = BY_GRADE,
) -> list[Bench]:
    """The bench with n and k of every material drawn by the grade of its table."""
    arrays, lam = bench.arrays, bench.grid
    index = np.repeat(arrays.index[None], count, axis=0)
    seen: dict[int, Any] = {}
    for j, layer in enumerate(bench.stack.layers):
        known = layer.material
        if id(known) not in seen:
            t = tolerances[known.grade]
            seen[id(known)] = known.varied_index(
                lam,
                t.n_shift * rng.standard_normal(count),
                np.exp(t.k_log * rng.standard_normal(count)),
                t.k_tilt * rng.standard_normal(count),
            )
        index[:, j + 1] = seen[id(known)]
        if layer.absorbers:
            index[:, j + 1] += 1j * (layer.absorber_k_nm(lam) / layer.thickness_nm)
    return [bench.with_arrays(replace(arrays, index=n)) for n in index]


def robustness_of(
    evaluation: Evaluation,
    aim: Aim,
    exposure: str,
    contenders: Sequence[int],
    *,
    draws: int,
    optics: int,
    seed: int,
    weights: Sequence[str],
) -> Robustness:
    """Draw weight, n and k, shape of the light and kinetics, and rank the contenders again.

    Parameters
    ----------
    evaluation : Evaluation
    aim : Aim
    exposure : str
        Under whose light the candidates are judged.
    contenders : sequence of int
        Positions of candidates.
    draws : int
    optics : int
        Draws of n and k; each serves several draws of the rest.
    seed : int
    weights : sequence of str
        Drawn evenly.
    """
    rng = np.random.default_rng(seed)
    bench = evaluation.benches[exposure].for_draws(weights)
    chosen = [evaluation.candidates[i] for i in contenders]
    names = [*(c.name for c in chosen), NO_FILTER]
    costs = [c.cost_per_m2 for c in chosen]
    notes = ["the transmittance of the filters is not drawn"]
    drawn = [] if len(weights) < 2 else ["spectral weight"]
    if is_plain(bench.exposure.geometry) and optics > 0:
        benches = varied_benches(bench, optics, rng)
        drawn.append("n and k of every layer, by the grade of its table")
    else:
        benches = [bench]
        notes.append("n and k are not drawn: light does not come straight only")
    seen = [judged_on(b, chosen) for b in benches]
    if bench.variants > 1:
        drawn.append("shape of the lamp's spectrum")
    kinetic = any(
        loss.exponent.value.has_range or loss.rate_range[1] > loss.rate_range[0]
        for loss in aim.losses.values()
    )
    if kinetic:
        drawn.append("reciprocity exponent and rate")
    wins = np.zeros(len(names) + 1)
    near = np.zeros(len(names))
    per_weight = {w: np.zeros(len(names) + 1) for w in weights}
    for d in range(draws):
        judged = seen[d % len(seen)]
        weight = weights[int(rng.integers(len(weights)))]
        variant = int(rng.integers(bench.variants))
        # Drawn in any case: the other draws stay the same whatever is known of the kinetics.
        z = rng.standard_normal(2)
        loss = aim.loss(weight)
        exponent, scale = None, 1.0
        if loss is not None:
            exponent = max(_normal(loss.exponent.value, z[0]), 0.05)
            scale = _log_normal(loss.rate_range, z[1])
        current = np.ones(len(chosen))
        if judged.current_left is not None:
            current = judged.current_left[:, 0, variant]
        found = aim.marks(
            weight,
            judged.dose_left[weight][:, variant],
            current,
            costs,
            float(judged.rate_m2_s[weight][variant]),
            exponent=exponent,
            rate_scale=scale,
        )
        order, score = found.order(), found.score
        winner = int(order[0]) if order.size else len(names)
        wins[winner] += 1
        per_weight[weight][winner] += 1
        if order.size:
            top = score[winner]
            close = found.passed & ((score == top) | (score >= top - NEAR * abs(top)))
            near += close
    every = [*names, NONE_MEETS]

    def shares(counts: Real) -> dict[str, float]:
        total = counts.sum()
        at = [i for i in np.argsort(-counts, kind="stable") if counts[i] > 0]
        return {every[i]: float(counts[i] / total) for i in at}

    return Robustness(
        draws,
        seed,
        shares(wins),
        {name: float(n / draws) for name, n in zip(names, near, strict=True)},
        {w: shares(c) for w, c in per_weight.items() if c.sum() > 0},
        tuple(drawn),
        tuple(notes),
    )


def _normal(value: Any, z: float) -> float:
    """A draw from a 95 % interval that may be skew."""
    side = value.high - value.value if z > 0 else value.value - value.low
    return float(value.value + z / NORMAL_95 * side)


def _log_normal(limits: tuple[float, float], z: float) -> float:
    low, high = limits
    end = high if z > 0 else low
    if not (np.isfinite(end) and end > 0):
        return 1.0
    return float(np.exp(abs(z) / NORMAL_95 * np.log(end)))
