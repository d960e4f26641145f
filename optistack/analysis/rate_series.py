"""Series of specimens that differ in one thing: rates by group, intensities, temperatures.

All specimens of a series share the shape of their loss; laws that the data cannot tell apart all
count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from optistack.ageing import AgeingData
from optistack.curve_fit import CurveFit, Curves, Scatter
from optistack.errors import OptistackError
from optistack.law_choice import envelope, rank, scatter_between
from optistack.plot_axes import axes
from optistack.rate_laws import DEFAULT_LAWS, GAS_J_MOL_K, Law
from optistack.rate_terms import Knowledge
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# Rates are compared at this share left, so that laws mean the same by a rate.
LEVEL = 0.8
_TO_RATE = float(np.log(-np.log(LEVEL)))
_SLOPE_P = 0.05
# A lower end below this part of the value is taken for open.
_OPEN = 0.02


@dataclass(frozen=True, eq=False)
class GroupRates:
    """Rates of groups of specimens that share the shape of their loss.

    Attributes
    ----------
    groups : tuple of str
    rate_per_dose, sd : (group,) arrays
        Mean rate on the way to 80 % left, and its standard deviation; for a group that shows no
        loss the value is near 0 and ``sd`` says how much could be hidden.
    values : tuple of Value
        With 95 % intervals.
    law : str
        The best one.
    notes : tuple of str
    """

    groups: tuple[str, ...]
    rate_per_dose: Real
    sd: Real
    values: tuple[Value, ...]
    law: str
    notes: tuple[str, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """One row per group."""
        import pandas as pd

        return pd.DataFrame(
            {
                "group": self.groups,
                "rate": self.rate_per_dose,
                "sd": self.sd,
                "low": [v.low for v in self.values],
                "high": [v.high for v in self.values],
            }
        )

    def plot(self, ax: Any = None) -> Any:
        """Rate of every group with its interval, on a matplotlib Axes."""
        ax = axes(ax)
        for i, v in enumerate(self.values):
            ax.plot([i, i], [v.low, v.high], "-", color="0.4")
            if v.bound is None:
                ax.plot(i, v.value, "o", color="0.2")
        ax.set_xticks(range(len(self.groups)), self.groups)
        ax.set_ylabel("rate")
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


@dataclass(frozen=True, eq=False)
class SeriesFit(Knowledge):
    """A parameter of the rate law fitted to a series of levels.

    Attributes
    ----------
    name : "p" or "Ea"
    levels : (level,) array
        Absorbed rates, or film temperatures [K].
    rates_per_h : tuple of Value
        Of every level by itself, with 95 % intervals; empty where readings are too few for that.
    """

    name: str = ""
    levels: tuple[float, ...] = ()
    rates_per_h: tuple[Value, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """One row per level."""
        import pandas as pd

        level = "temperature_k" if self.name == "Ea" else "absorbed_rate"
        rates = self.rates_per_h or [None] * len(self.levels)
        rows = [
            {
                level: at,
                "rate_per_h": np.nan if v is None else v.value,
                "low": np.nan if v is None else v.low,
                "high": np.nan if v is None else v.high,
            }
            for at, v in zip(self.levels, rates, strict=True)
        ]
        return pd.DataFrame(rows)

    def plot(self, ax: Any = None) -> Any:
        """Rates of the levels and the fitted line through their middle, on a matplotlib Axes."""
        ax = axes(ax)
        temperature = self.name == "Ea"
        at = np.array(self.levels)
        x = 1e3 / at if temperature else at
        for where, v in zip(x, self.rates_per_h, strict=False):
            ax.plot([where, where], [v.low, v.high], "-", color="0.4")
            ax.plot(where, v.value, "o", color="0.2")
        if self.rates_per_h:
            logs = np.log([v.value for v in self.rates_per_h])
            u = -1e3 / (GAS_J_MOL_K * at) if temperature else np.log(at)
            line = logs.mean() + self.value.value * (u - u.mean())
            ax.plot(x, np.exp(line), "-")
        ax.set_yscale("log")
        if not temperature:
            ax.set_xscale("log")
        ax.set_xlabel("1000 / film temperature (1/K)" if temperature else "absorbed rate")
        ax.set_ylabel("rate (1/h)")
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def group_rates(
    data: AgeingData,
    *,
    laws: Sequence[Law] = DEFAULT_LAWS,
    scatter: Scatter | None = None,
    confidence: float = 0.95,
) -> GroupRates:
    """Rate of every group (filter, climate, batch), one shape of loss for all.

    What the laws that the data cannot tell apart disagree on is part of ``sd``.

    Parameters
    ----------
    data : AgeingData
        Groups from ``Specimen.group``; controls belong to all.
    laws : sequence of Law
    scatter : Scatter, optional
        Between specimens, for example from the coupon series; from these data when not given,
        which one specimen per group does not allow.
    confidence : float

    Raises
    ------
    OptistackError
        One group only, or too few readings.
    """
    groups = data.groups
    if len(groups) < 2:
        raise OptistackError(f"{data.name}: rates by group need at least two groups")
    lit = data.used("lit")
    design = {g: np.array([float(s.group == g) for s in lit]) for g in groups[1:]}
    ranking = rank(Curves((data,), design), laws, scatter)
    fits = ranking.plausible
    notes = [*data.notes(), *ranking.notes]
    if scatter is None and len(lit) == len(groups):
        notes.append(
            f"{data.name}: one specimen per group, so differences between specimens are not seen "
            "and are not in the intervals"
        )
    weight = np.array([r.weight for r in fits])
    weight /= weight.sum()
    centre, sds, values = [], [], []
    # (law, group, ...)
    found = np.array([_rates(c, groups[1:], confidence) for c, *_ in fits])
    for middle, low, high, sd in found.transpose(1, 2, 0):
        mean = float(weight @ middle)
        centre.append(mean)
        sds.append(float(np.sqrt(weight @ (sd**2 + (middle - mean) ** 2))))
        least = float(low.min())
        values.append(
            Value(mean, least, float(high.max()), "upper" if least < _OPEN * mean else None)
        )
    return GroupRates(
        groups=groups,
        rate_per_dose=np.array(centre),
        sd=np.array(sds),
        values=tuple(values),
        law=fits[0].curve.law.name,
        notes=tuple(dict.fromkeys(notes)),
    )


def _rates(curve: CurveFit, others: Sequence[str], confidence: float) -> Real:
    """Rate of every group under one law, the one without a column first, (group, 4).

    Value, low, high, standard deviation.
    """
    size, theta = len(others) + 1, curve.fit.theta
    shifts = np.zeros((size, theta.size))
    for i, name in enumerate(others, start=1):
        shifts[i, curve.column(name)] = 1.0

    def log_rate(at: Real, which: NDArray[np.intp]) -> Real:
        shift = np.einsum("bp,bp->b", shifts[which], at)
        return np.asarray(shift - curve.log_dose_to(at, LEVEL) + _TO_RATE)

    ends = np.array(curve.fit.intervals(log_rate, size, confidence))
    with np.errstate(over="ignore"):
        middle = np.exp(log_rate(np.repeat(theta[None], size, axis=0), np.arange(size)))
        low, high = np.exp(ends).T
    t = curve.fit.quantile(confidence)
    # Where the lower end is open all of the error lies above.
    sd = np.where(low >= _OPEN * middle, (high - low) / 2, high - middle) / t
    return np.column_stack([middle, low, high, sd])


def fit_exponent(data: AgeingData, *, laws: Sequence[Law] = DEFAULT_LAWS) -> SeriesFit:
    """Reciprocity exponent p from specimens under different intensities.

    Parameters
    ----------
    data : AgeingData
        ``absorbed_rate`` of the lit specimens differs, at one temperature; the other conditions
        are the same.
    laws : sequence of Law

    Raises
    ------
    OptistackError
        One intensity only, or temperatures that differ.
    """
    lit = data.used("lit")
    if len({s.temperature_k for s in lit}) > 1:
        raise OptistackError(
            f"{data.name}: an intensity series at different temperatures cannot tell the two apart"
        )
    q = np.array([s.absorbed_rate for s in lit])
    if np.unique(q).size < 2:
        raise OptistackError(f"{data.name}: a reciprocity exponent needs two intensities or more")
    column = np.log(q) - np.log(q).mean()
    return _fit_slope(data.per_hour(), column, "p", q, laws)


def fit_activation_energy(data: AgeingData, *, laws: Sequence[Law] = DEFAULT_LAWS) -> SeriesFit:
    """Activation energy [kJ/mol] from specimens at different film temperatures.

    Parameters
    ----------
    data : AgeingData
        ``temperature_k`` of the lit specimens differs, at one ``absorbed_rate``.
    laws : sequence of Law

    Raises
    ------
    OptistackError
        One temperature only, a temperature missing, or intensities that differ.
    """
    lit = data.used("lit")
    missing = [s.name for s in lit if s.temperature_k is None]
    if missing:
        raise OptistackError(f"{data.name}: specimen {missing[0]} has no temperature")
    kelvin = np.array([s.temperature_k for s in lit], dtype=float)
    if np.unique(kelvin).size < 2:
        raise OptistackError(f"{data.name}: an activation energy needs two temperatures or more")
    if len({s.absorbed_rate for s in lit}) > 1:
        raise OptistackError(
            f"{data.name}: a temperature series at different intensities cannot tell the two apart"
        )
    column = ((1 / kelvin).mean() - 1 / kelvin) * 1e3 / GAS_J_MOL_K
    return _fit_slope(data.per_hour(), column, "Ea", kelvin, laws)


def _fit_slope(
    data: AgeingData,
    column: Real,
    name: str,
    varied: Real,
    laws: Sequence[Law],
) -> SeriesFit:
    levels = np.unique(varied)
    own = {f"level {i}": (varied == x).astype(float) for i, x in enumerate(levels[1:], start=1)}
    scatter: Scatter | None = None
    if varied.size > levels.size:
        # Specimens of one level tell their scatter apart from levels that lie off the line.
        try:
            scatter = scatter_between(Curves((data,), own), laws)
        except OptistackError:  # too few readings for a rate of every level
            scatter = None
    ranking = rank(Curves((data,), {name: column}), laws, scatter)
    value, low, high = envelope(ranking.plausible, lambda c, theta: theta[:, c.column(name)])
    notes = [*data.notes(), *ranking.notes]
    best = ranking.fits[0].curve
    try:
        free = Curves((data,), own).fit(best.law, ranking.scatter)
    except OptistackError:
        free = None
    if levels.size < 3:
        notes.append(f"{data.name}: {name} from two levels only; whether one {name} holds is open")
    elif free is not None:
        p = _off_the_line(best, free, levels.size - 2)
        if p < _SLOPE_P:
            notes.append(
                f"{data.name}: the levels do not lie on one {name} (p = {p:.2g}); it is a mean "
                "over the range tested, its interval is doubled"
            )
            low, high = value - 2 * (value - low), value + 2 * (high - value)
    rates = []
    if free is not None:
        for middle, least, most, _ in _rates(free, tuple(own), 0.95).tolist():
            rates.append(Value(middle, least, most))
    return SeriesFit(
        Value(value, low, high),
        "fitted",
        (float(levels[0]), float(levels[-1])),
        tuple(dict.fromkeys(notes)),
        name,
        tuple(float(x) for x in levels),
        tuple(rates),
    )


def _off_the_line(line: CurveFit, free: CurveFit, more: int) -> float:
    """Probability that levels depart so far from a straight line by chance, by an F test."""
    gain = max(line.fit.cost - free.fit.cost, 0.0) / more
    return float(special.fdtrc(more, max(free.fit.dof, 1.0), gain / free.fit.scale**2))
