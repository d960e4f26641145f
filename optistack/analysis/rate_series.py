"""Series of specimens that differ in one thing: rates by group, intensities, temperatures.

All specimens of a series share the shape of their loss; laws that the data cannot tell apart all
count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from optistack.ageing import AgeingData
from optistack.curve_fit import CurveFit, Curves, Scatter, envelope, rank
from optistack.errors import OptistackError
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
    for j, g in enumerate(groups):
        rows = [_rate(c, g if j else "", confidence) for c, *_ in fits]
        middle, low, high, sd = np.array(rows).T
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


def _rate(curve: CurveFit, group: str, confidence: float) -> tuple[float, float, float, float]:
    """Rate of a group under one law: value, low, high, standard deviation."""

    def log_rate(theta: Real) -> Real:
        shift = theta[:, curve.column(group)] if group else np.zeros(len(theta))
        return np.asarray(shift - curve.log_dose_to(theta, LEVEL) + _TO_RATE)

    ends = curve.fit.interval(log_rate, confidence)
    with np.errstate(over="ignore"):
        middle = float(np.exp(log_rate(curve.fit.theta[None])[0]))
        low, high = (float(np.exp(end)) for end in ends)
    t = curve.fit.quantile(confidence)
    # Where the lower end is open all of the error lies above.
    sd = (high - low) / (2 * t) if low >= _OPEN * middle else (high - middle) / t
    return middle, low, high, sd


def fit_exponent(data: AgeingData, *, laws: Sequence[Law] = DEFAULT_LAWS) -> Knowledge:
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
    return _fit_slope(data.per_hour(), column, "p", (float(q.min()), float(q.max())), laws)


def fit_activation_energy(data: AgeingData, *, laws: Sequence[Law] = DEFAULT_LAWS) -> Knowledge:
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
    tested = (float(kelvin.min()), float(kelvin.max()))
    return _fit_slope(data.per_hour(), column, "Ea", tested, laws)


def _fit_slope(
    data: AgeingData,
    column: Real,
    name: str,
    tested: tuple[float, float],
    laws: Sequence[Law],
) -> Knowledge:
    ranking = rank(Curves((data,), {name: column}), laws)
    value, low, high = envelope(ranking.plausible, lambda c, theta: theta[:, c.column(name)])
    notes = [*data.notes(), *ranking.notes]
    if np.unique(column).size < 3:
        notes.append(f"{data.name}: {name} from two levels only; whether one {name} holds is open")
    else:
        p = _off_the_line(data, column, ranking.fits[0].curve)
        if p < _SLOPE_P:
            notes.append(
                f"{data.name}: the levels do not lie on one {name} (p = {p:.2g}); it is a mean "
                "over the range tested, its interval is doubled"
            )
            low, high = value - 2 * (value - low), value + 2 * (high - value)
    return Knowledge(Value(value, low, high), "fitted", tested, tuple(dict.fromkeys(notes)))


def _off_the_line(data: AgeingData, column: Real, slope_fit: CurveFit) -> float:
    """Probability that levels depart so far from a straight line by chance, by an F test."""
    levels = np.unique(column)
    own = {f"level {i}": (column == x).astype(float) for i, x in enumerate(levels[1:], start=1)}
    try:
        free = Curves((data,), own).fit(slope_fit.law, slope_fit.scatter)
    except OptistackError:
        return 1.0
    more = levels.size - 2
    gain = max(slope_fit.fit.cost - free.fit.cost, 0.0) / more
    return float(stats.f.sf(gain / free.fit.scale**2, more, max(free.fit.dof, 1.0)))
