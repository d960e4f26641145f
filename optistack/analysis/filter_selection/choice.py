"""The choice of a filter: front, knee, best under a constraint, runner-up, how sure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.filter_selection.bench import Judged, judged_on
from optistack.analysis.filter_selection.candidates import Candidate
from optistack.analysis.filter_selection.evaluate import Evaluation
from optistack.analysis.filter_selection.front import Front, pareto_front
from optistack.analysis.filter_selection.life import (
    LayerLoss,
    Lives,
    PowerAgainstResistance,
    PowerCurve,
    Service,
    is_powerlike,
    lives_of,
)
from optistack.analysis.filter_selection.search import (
    CONTENDERS,
    NO_FILTER,
    NONE_MEETS,
    Aim,
    Marks,
    Objective,
    Requirement,
    Robustness,
    cell_of,
    discordant_share,
    refine,
    robustness_of,
    starts_of,
)
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

DEFAULT_HORIZON_YEARS = 20.0


@dataclass(frozen=True, eq=False)
class Chosen:
    """A candidate in numbers, under the light of the service.

    Attributes
    ----------
    name : str
    candidate : Candidate or None
        None: no filter.
    dose_left : mapping of exposure to mapping of band or weight to Value
        Ranges are over the light's variants.
    photocurrent_lost_fraction : Value or None
        Range: collection of what was not measured, from nothing to everything.
    power_lost_fraction : float or None
        At the start.
    t80_years, energy_kwh_m2, break_even_years : Value or None
        Ranges are over the weights.
    other_dose_left : mapping of (layer, band) to float
    notes : tuple of str
    """

    name: str
    candidate: Candidate | None
    dose_left: Mapping[str, Mapping[str, Value]]
    photocurrent_lost_fraction: Value | None
    power_lost_fraction: float | None
    t80_years: Value | None
    energy_kwh_m2: Value | None
    break_even_years: Value | None
    other_dose_left: Mapping[tuple[str, str], float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class FilterChoice:
    """Which filter pays.

    Attributes
    ----------
    evaluation : Evaluation
    aim : Aim
    exposure : str
        Under whose light the choice is made: that of the service.
    key : str
        Weight or band by whose dose candidates are ranked.
    fronts : mapping of exposure to Front
        Dose left (``key``) under each light against the photocurrent lost under that of the
        service.
    order : mapping of exposure to int array
        Candidates that meet the requirement, the best first, if the light of that exposure were
        trusted; the number of candidates stands for no filter.
    discordant : mapping of exposure to float
        Share of their pairs that are in another order than under the service's light.
    lives : mapping of weight to Lives
        Empty without kinetics.
    best, runner_up, unfiltered : Chosen or None
        On the grid; ``best`` is None where nothing meets the requirement.
    refined : Chosen or None
        The best of its family between the grid points.
    robustness : Robustness or None
    best_if_longer : str or None
        What comes first with the weight carried on to 500 nm; None where that was not judged.
    notes : tuple of str
    """

    evaluation: Evaluation
    aim: Aim
    exposure: str
    key: str
    fronts: Mapping[str, Front]
    order: Mapping[str, NDArray[np.intp]]
    discordant: Mapping[str, float]
    lives: Mapping[str, Lives]
    best: Chosen | None
    runner_up: Chosen | None
    unfiltered: Chosen
    refined: Chosen | None
    robustness: Robustness | None
    best_if_longer: str | None = None
    notes: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the candidates, then "no filter"."""
        return (*self.evaluation.names, NO_FILTER)

    @property
    def lights_differ(self) -> bool:
        """Whether another light than that of the service puts the candidates in another order."""
        return any(x > 0 for x in self.discordant.values())

    def sentences(self) -> list[str]:
        """The answer in plain words; what depends on the light comes first."""
        from optistack.analysis.filter_selection.wording import sentences_of

        return sentences_of(self)

    def to_frame(self) -> pd.DataFrame:
        """One row per candidate: doses under every light, loss, life, energy, rank."""
        import pandas as pd

        e = self.evaluation
        columns: dict[str, Any] = {
            "candidate": e.names,
            "family": [c.family for c in e.candidates],
            "mount": [c.mounts for c in e.candidates],
        }
        for name, part in e.judged.items():
            for key in dict.fromkeys((e.ranking, *(w.name for w in e.weights))):
                columns[f"dose_left {key}, {name}"] = part.dose_left[key][:, 0]
        columns["photocurrent_lost_fraction"] = e.judged[self.exposure].lost_fraction
        for weight, lives in self.lives.items():
            columns[f"t80_years, {weight}"] = lives.t80_years[:-1]
            columns[f"energy_kwh_m2, {weight}"] = lives.energy_kwh_m2[:-1, -1]
            columns[f"break_even_years, {weight}"] = lives.break_even_years[:-1]
        columns["cost_per_m2"] = [
            np.nan if c.cost_per_m2 is None else c.cost_per_m2 for c in e.candidates
        ]
        columns["on_front"] = np.isin(
            np.arange(len(e.candidates)), self.fronts[self.exposure].positions
        )
        rank = np.full(len(e.candidates) + 1, np.nan)
        rank[self.order[self.exposure]] = np.arange(1, len(self.order[self.exposure]) + 1)
        columns["rank"] = rank[:-1]
        return pd.DataFrame(columns)

    def plot(self, ax: Any = None) -> Any:
        """Dose left against photocurrent lost with the front and the best, on an Axes."""
        ax = axes(ax)
        part = self.evaluation.judged[self.exposure]
        dose = self.evaluation.dose(self.exposure, self.key)
        ax.plot(100 * part.lost_fraction, dose, ".", color="0.75")
        self.fronts[self.exposure].plot(ax)
        if self.best is not None and self.best.candidate is not None:
            i = self.evaluation.index(self.best.name)
            ax.plot(100 * part.lost_fraction[i], dose[i], "s", label=self.best.name)
            ax.legend()
        ax.set_ylabel(f"dose left, {self.key}")
        return ax

    def _repr_html_(self) -> str:
        lines = "".join(f"<li>{line}</li>" for line in self.sentences())
        return f"<ul>{lines}</ul>" + str(self.to_frame().to_html(index=False))


def choose_filter(
    evaluation: Evaluation,
    *,
    requirement: Requirement | None = None,
    objective: Objective | None = None,
    losses: LayerLoss | Mapping[str, LayerLoss] | None = None,
    service: Service | None = None,
    power: PowerAgainstResistance | None = None,
    start_sheet_resistance_ohm_sq: float | None = None,
    horizon_years: float = DEFAULT_HORIZON_YEARS,
    draws: int = 200,
    optics: int = 12,
    seed: int = 1,
    search_between: bool = True,
) -> FilterChoice:
    """Choose a filter.

    Parameters
    ----------
    evaluation : Evaluation
        From `evaluate_filters`; the device under the lamp and under the sun.
    requirement : Requirement, optional
    objective : "dose", "energy" or "life", optional
        Least dose left, most energy over the horizon, or longest T80. Energy where kinetics,
        service and a power are known, else dose.
    losses : LayerLoss or mapping of weight to LayerLoss, optional
        How the layer loses its property in the device without filter. The first is the main one.
    service : Service, optional
        Needed with ``losses``. Without it the choice is made under the last exposure whose light
        is a standard sun, else the last one.
    power : PowerMap, optional
        Power against sheet resistance, from `optistack.analysis.electrode`.
    start_sheet_resistance_ohm_sq : float, optional [ohm/sq]
        Needed with ``power``.
    horizon_years : float
    draws : int
        For the robustness; 0: none.
    optics : int
        Draws of n and k among them.
    seed : int
    search_between : bool
        Look for the best of a continuous family between its grid points.

    Raises
    ------
    OptistackError
        An objective whose input is missing; weights that were not evaluated.
    """
    rule = requirement or Requirement()
    known = {} if losses is None else losses
    given = {known.weight: known} if isinstance(known, LayerLoss) else dict(known)
    exposure = _service_exposure(evaluation, service)
    notes = list(evaluation.notes)
    curve, has_power = _power(given, power, start_sheet_resistance_ohm_sq, notes)
    if given and service is None:
        raise OptistackError("a life needs the hours of light of a year: give service")
    goal = objective or ("energy" if given and has_power else "dose")
    if goal != "dose" and not given:
        raise OptistackError(f"objective {goal!r} needs the layer's kinetics: give losses")
    if goal == "energy" and not has_power:
        raise OptistackError(
            'objective "energy" needs power against sheet resistance: give power, or choose "life"'
        )
    if rule.least_years is not None and not given:
        raise OptistackError("least_years needs the layer's kinetics: give losses")
    weights = [w.name for w in evaluation.weights]
    missing = [w for w in given if w not in evaluation.judged[exposure].dose_left]
    if missing:
        raise OptistackError(
            f"losses with the weight {missing[0]!r}: evaluated are {', '.join(weights)}"
        )
    key = next(iter(given)) if given else (weights[0] if weights else evaluation.ranking)
    references = {}
    for loss in given.values():
        if loss.exposure not in evaluation.judged:
            raise OptistackError(
                f"the layer's loss is known under {loss.exposure!r}, which was not evaluated"
            )
        if loss.exponent.how == "assumed":
            notes.append(
                "reciprocity exponent p = 1 assumed: damage goes with the absorbed photons"
            )
        notes += loss.notes
    if given:
        under = next(iter(given.values())).exposure
        for w in dict.fromkeys((*weights, key, *evaluation.carried.values())):
            references[w] = float(evaluation.judged[under].rate_m2_s[w][0])
    if service is not None:
        notes += service.notes
    aim = Aim(goal, rule, service, given, curve, horizon_years, references)
    judged = evaluation.judged[exposure]
    if judged.current_left is None:
        notes.append(
            f"{exposure}: no photocurrent is known; every filter counts as if it cost none"
        )
    current = 1.0 - judged.lost_fraction
    costs = [c.cost_per_m2 for c in evaluation.candidates]
    rate = float(judged.rate_m2_s[key][0])
    marks = {
        name: aim.marks(key, part.dose_left[key][:, 0], current, costs, rate)
        for name, part in evaluation.judged.items()
    }
    order = {name: found.order() for name, found in marks.items()}
    both = np.flatnonzero(marks[exposure].passed[:-1])
    discordant = {
        name: discordant_share(found.score[both], marks[exposure].score[both])
        for name, found in marks.items()
        if name != exposure
    }
    lives = _all_lives(evaluation, aim, exposure, current)
    numbers = _Numbers(evaluation, aim, exposure, lives)
    here = order[exposure]
    best = numbers.of(int(here[0])) if here.size else None
    second = numbers.of(int(here[1])) if here.size > 1 else None
    refined = None
    if search_between and best is not None and best.candidate is not None:
        refined = _between(evaluation, aim, exposure, key, best, notes)
    longer = None
    if key in evaluation.carried:
        name = evaluation.carried[key]
        other = aim.marks(
            name, judged.dose_left[name][:, 0], current, costs, float(judged.rate_m2_s[name][0])
        ).order()
        longer = (*evaluation.names, NO_FILTER)[int(other[0])] if other.size else NONE_MEETS
    robustness = None
    if draws > 0:
        # Two hypotheses on the weight for one that is measured would be one too many.
        robustness = robustness_of(
            evaluation,
            aim,
            exposure,
            _contenders(marks[exposure]),
            draws=draws,
            optics=optics,
            seed=seed,
            weights=list(given) if len(given) > 1 else (weights or [key]),
        )
        notes += [f"draws: {n}" for n in robustness.notes]
    for chosen in (best, second, refined):
        if chosen is not None:
            notes += chosen.notes
    return FilterChoice(
        evaluation,
        aim,
        exposure,
        key,
        {
            name: pareto_front(part.dose_left[key][:, 0], judged.lost_fraction)
            for name, part in evaluation.judged.items()
        },
        order,
        discordant,
        lives,
        best,
        second,
        numbers.of(len(evaluation.candidates)),
        refined,
        robustness,
        longer,
        tuple(dict.fromkeys(notes)),
    )


def _service_exposure(evaluation: Evaluation, service: Service | None) -> str:
    if service is not None:
        if service.exposure not in evaluation.judged:
            raise OptistackError(
                f"service: exposure {service.exposure!r} was not evaluated; there are "
                f"{', '.join(evaluation.judged)}"
            )
        return service.exposure
    suns = [n for n, j in evaluation.judged.items() if j.exposure.light.kind == "standard"]
    return suns[-1] if suns else list(evaluation.judged)[-1]


def _power(
    given: Mapping[str, LayerLoss],
    power: PowerAgainstResistance | None,
    start: float | None,
    notes: list[str],
) -> tuple[PowerCurve, bool]:
    """The power behind a filter, and whether it is one."""
    if power is not None:
        if start is None:
            raise OptistackError(
                "power against sheet resistance needs the start: give start_sheet_resistance_ohm_sq"
            )
        return PowerCurve.of(power, start), True
    if given and all(is_powerlike(loss.quantity) for loss in given.values()):
        notes.append("power is taken to go with the photocurrent and with the property lost")
        return PowerCurve(), True
    if given:
        notes.append(
            "no electrode: lifetimes are those of the layer's property, and no energy is given"
        )
    return PowerCurve(), False


def _all_lives(evaluation: Evaluation, aim: Aim, exposure: str, current: Real) -> dict[str, Lives]:
    if not aim.losses or aim.service is None:
        return {}
    judged = evaluation.judged[exposure]
    out = {}
    names = list(aim.losses)
    if len(names) == 1:
        names += [w.name for w in evaluation.weights if w.name not in names]
    for weight in names:
        loss = aim.loss(weight)
        if loss is None:
            continue
        out[weight] = lives_of(
            judged.dose_left[weight][:, 0],
            current,
            float(judged.rate_m2_s[weight][0]) / aim.reference_rates[weight],
            loss,
            aim.service,
            aim.power,
            aim.horizon_years,
        )
    return out


def _contenders(marks: Marks) -> list[int]:
    """Candidates to draw again: the first, and those that just miss the requirement."""
    count = len(marks.score) - 1
    first = [int(i) for i in marks.order() if i < count][:CONTENDERS]
    missed = [i for i in range(count) if not marks.passed[i] and np.isfinite(marks.score[i])]
    missed.sort(key=lambda i: -marks.score[i])
    return [*first, *missed[: max(4, CONTENDERS - len(first))]]


def _between(
    evaluation: Evaluation,
    aim: Aim,
    exposure: str,
    key: str,
    best: Chosen,
    notes: list[str],
) -> Chosen | None:
    candidate = best.candidate
    if candidate is None or candidate.build is None:
        return None
    bench, known = evaluation.benches[exposure].for_draws([key]), evaluation.judged[exposure]
    rate = float(known.rate_m2_s[key][0])

    def marks(judged: Judged, some: Sequence[Candidate]) -> Marks:
        return aim.marks(
            key,
            judged.dose_left[key][:, 0],
            1.0 - judged.lost_fraction,
            [c.cost_per_m2 for c in some],
            rate,
        )

    grid = marks(known, evaluation.candidates).allowed
    found, top = candidate, float(grid[evaluation.index(candidate.name)])
    for i in starts_of(candidate, evaluation.candidates, grid):
        start = evaluation.candidates[i]
        cell = cell_of(start, evaluation.candidates)
        if cell:
            other, reached = refine(bench, start, cell, marks)
            if reached > top:
                found, top = other, reached
    if found is candidate:
        return None
    parts = {n: judged_on(b, [found]) for n, b in evaluation.benches.items()}
    alone = replace(evaluation, candidates=(found,), judged=parts)
    current = 1.0 - parts[exposure].lost_fraction
    notes.append(f"{found.name}: found between the points of the grid of its family")
    return _Numbers(alone, aim, exposure, _all_lives(alone, aim, exposure, current)).of(0)


@dataclass(frozen=True, eq=False)
class _Numbers:
    """Puts together what is known of one candidate."""

    evaluation: Evaluation
    aim: Aim
    exposure: str
    lives: Mapping[str, Lives]

    def of(self, position: int) -> Chosen:
        e, i = self.evaluation, position
        nothing = position == len(e.candidates)
        judged = e.judged[self.exposure]
        one = np.ones(1)

        def dose(part: Judged) -> dict[str, Value]:
            return {
                key: Value.of(one if nothing else values[i])
                for key, values in part.dose_left.items()
            }

        lost = None
        if judged.current_left is not None:
            left = np.ones((3, 1)) if nothing else judged.current_left[i]
            lost = Value.of((1.0 - left).ravel()[np.isfinite(left.ravel())])
        t80 = energy = even = start = None
        if self.lives:
            parts = list(self.lives.values())
            t80 = _over([x.t80_years[i] for x in parts])
            even = _over([x.break_even_years[i] for x in parts])
            if self._has_energy:
                energy = _over([x.energy_kwh_m2[i, -1] for x in parts])
                before = float(parts[0].power[-1, 0])
                start = 1.0 - float(parts[0].power[i, 0]) / before if before > 0 else None
        candidate = None if nothing else e.candidates[i]
        return Chosen(
            NO_FILTER if candidate is None else candidate.name,
            candidate,
            {name: dose(part) for name, part in e.judged.items()},
            lost,
            start,
            t80,
            energy,
            even if energy is not None else None,
            {k: 1.0 if nothing else float(v[i, 0]) for k, v in judged.other_dose_left.items()},
            () if candidate is None else candidate.notes,
        )

    @property
    def _has_energy(self) -> bool:
        powered = self.aim.power.log_r is not None
        return powered or all(is_powerlike(x.quantity) for x in self.aim.losses.values())


def _over(values: Sequence[float]) -> Value:
    """The main weight's value with its range over all; open where one has no end."""
    array = np.array(values, dtype=float)
    array = array[~np.isnan(array)]
    if not array.size:
        return Value(float("nan"), float("nan"), float("nan"))
    bound: Any = "lower" if not np.isfinite(array).any() else None
    return Value(float(array[0]), float(array.min()), float(array.max()), bound)
