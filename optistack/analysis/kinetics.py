"""Which law a coupon's curve follows, how fast, and what the data cannot say.

Every law is fitted to all specimens at once, controls included. Akaike's criterion ranks them; an
answer is the mean over the laws with their weights, and its interval reaches over every law that
the data cannot rule out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.ageing import AgeingData, Specimen
from optistack.curve_fit import CurveFit, Curves, Scatter
from optistack.errors import OptistackError
from optistack.fitting import student
from optistack.law_choice import (
    FAR_DOSE,
    PLAUSIBLE_WITHIN,
    envelopes,
    rank,
    share_at,
    with_dark,
)
from optistack.plot_axes import axes
from optistack.rate_laws import DEFAULT_LAWS, Law
from optistack.rate_terms import ResistanceCourse, require_resistance
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

LEVEL = 0.8


@dataclass(frozen=True, eq=False)
class LawFit:
    """One law fitted.

    Attributes
    ----------
    name : str
    curve : CurveFit
    aicc, behind, weight : float
        Criterion, its distance from the best, Akaike weight among all laws fitted.
    parameters : mapping of str to Value
        With 95 % intervals by profile likelihood; for laws that are not ruled out.
    """

    name: str
    curve: CurveFit
    aicc: float
    behind: float
    weight: float
    parameters: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Kinetics:
    """A coupon's curve, fitted.

    Attributes
    ----------
    data : AgeingData
    laws : tuple of LawFit
        Best first.
    scatter : Scatter
        Between specimens.
    dark_rate_per_h, dry_rate_per_h : Value or None [1/h]
        First-order loss without light, from the controls.
    dark_share : Value or None
        Part of the logarithmic loss of the lit specimens, over the longest time, that needs no
        light.
    confidence : float
    notes : tuple of str
    """

    data: AgeingData
    laws: tuple[LawFit, ...]
    scatter: Scatter
    dark_rate_per_h: Value | None
    dry_rate_per_h: Value | None
    dark_share: Value | None
    confidence: float = 0.95
    notes: tuple[str, ...] = ()
    _cache: dict[Any, Value] = field(default_factory=dict, repr=False)

    @property
    def best(self) -> LawFit:
        """The law with the lowest criterion."""
        return self.laws[0]

    @property
    def runner_up(self) -> LawFit | None:
        """The next one."""
        return self.laws[1] if len(self.laws) > 1 else None

    @property
    def plausible(self) -> tuple[LawFit, ...]:
        """Laws that the data do not rule out."""
        return tuple(m for m in self.laws if m.behind <= PLAUSIBLE_WITHIN)

    @property
    def decided(self) -> bool:
        """Whether the data leave one law only."""
        return len(self.plausible) == 1

    @property
    def tested_dose(self) -> float:
        """Largest dose of a lit specimen, in the data's dose unit."""
        return self.data.tested_dose

    def dose_to(self, level: float = LEVEL, laws: Mapping[str, Law] | None = None) -> Value:
        """Dose at which light alone has left this share of the property.

        The mean over the laws (of logarithms) with the envelope of their intervals.

        Parameters
        ----------
        level : float
        laws : mapping of law name to Law, optional
            What to read a law as elsewhere: the same parameters with another profile of light.

        Raises
        ------
        OptistackError
            A level that does not lie between 0 and 1.
        """
        return self.doses_to([level], laws)[0]

    def doses_to(
        self, levels: Sequence[float], laws: Mapping[str, Law] | None = None
    ) -> list[Value]:
        """`dose_to` several levels; much quicker than one by one."""
        for level in levels:
            if not 0 < level < 1:
                raise OptistackError(f"level {level:g} must lie between 0 and 1, both excluded")
        other = laws or {}
        keys = [(level, *other.items()) for level in levels]
        new = np.array([k[0] for k in dict.fromkeys(keys) if k not in self._cache])
        if new.size:
            terms = envelopes(
                self.plausible,
                lambda c, th, which: c.log_dose_to(th, new[which], other.get(c.law.name)),
                new.size,
                self.confidence,
            )
            for level, term in zip(new.tolist(), terms, strict=True):
                self._cache[(level, *other.items())] = _log_value(term)
        return [self._cache[k] for k in keys]

    def rate(self, level: float = LEVEL) -> Value:
        """Mean rate on the way to a level, ln(1/level) over the dose that takes [1/dose unit].

        For the exponential law this is k, whatever the level.
        """
        dose = self.dose_to(level)
        top = -np.log(level)
        low = top / dose.high if dose.high > 0 else np.inf
        high = top / dose.low if dose.low > 0 else np.inf
        return Value(float(top / dose.value), float(low), float(high), _bound(low, high))

    def remaining(self, dose: ArrayLike) -> tuple[Real, Real, Real]:
        """Share left at doses, light alone: mean over the laws, low and high of their envelope."""
        at = np.atleast_1d(np.asarray(dose, dtype=float))
        values, lows, highs = [], [], []
        for m in self.plausible:
            c = m.curve
            central = c.remaining(at)
            t = c.fit.quantile(self.confidence)

            def twice(th: Real, c: CurveFit = c) -> Real:
                left = np.clip(c.remaining(at, th), 1e-12, 1 - 1e-12)
                return np.log(-np.log(left))

            step = 1e-5
            theta = c.fit.theta
            move = np.eye(theta.size) * step
            slope = (twice(theta + move) - twice(theta - move)) / (2 * step)
            error = np.sqrt(np.einsum("id,ij,jd->d", slope, c.fit.covariance, slope))
            middle = twice(theta[None])[0]
            with np.errstate(over="ignore"):
                lows.append(np.exp(-np.exp(middle + t * error)))
                highs.append(np.exp(-np.exp(middle - t * error)))
            values.append(central * m.weight)
        total = sum(m.weight for m in self.plausible)
        return (
            np.asarray(np.sum(values, axis=0) / total),
            np.min(lows, axis=0),
            np.max(highs, axis=0),
        )

    def doubts_at(self, dose: float, what: str = "answer") -> tuple[str, ...]:
        """Flags for an answer at a dose: too far beyond what was tested."""
        if dose <= FAR_DOSE * self.tested_dose:
            return ()
        return (
            f"{what}: {dose / self.tested_dose:.3g} times the tested dose; the curve is carried on "
            f"beyond {FAR_DOSE:g} times, where no law has been tested",
        )

    def hours_to(self, level: float = LEVEL, *, light_only: bool = False) -> Value:
        """Hours until the coupons have this share left [h], with their loss without light.

        Raises
        ------
        OptistackError
            Coupons of different absorbed rates; a level that does not lie between 0 and 1.
        """
        return self.hours_to_levels([level], light_only=light_only)[0]

    def hours_to_levels(self, levels: Sequence[float], *, light_only: bool = False) -> list[Value]:
        """`hours_to` several levels; much quicker than one by one."""
        if len({s.absorbed_rate for s in self.data.used("lit")}) > 1:
            raise OptistackError(
                f"{self.data.name}: the coupons absorb at different rates, so there is no common "
                "number of hours; ask for dose_to"
            )
        rate = self.data.mean_absorbed_rate
        dark = None if light_only else self.dark_rate_per_h
        hours = [
            Value(dose.value / rate, dose.low / rate, dose.high / rate, dose.bound)
            for dose in self.doses_to(levels)
        ]
        return with_dark(hours, levels, dark, self.plausible)

    def sheet_resistance(self, time_h: ArrayLike, start_ohm_sq: float | Value) -> ResistanceCourse:
        """Sheet resistance of the coupons on a grid of times, with its interval.

        Raises
        ------
        OptistackError
            Data of something else; see also `hours_to`.
        """
        require_resistance(self.data.quantity)
        course = ResistanceCourse.of(time_h, share_at(self.hours_to_levels, time_h), start_ohm_sq)
        last = float(course.time_h.max(initial=0.0)) * self.data.mean_absorbed_rate
        notes = (*course.notes, *self.doubts_at(last, f"{course.time_h.max():g} h"), *self.notes)
        return replace(course, notes=tuple(dict.fromkeys(notes)))

    def draws(self, count: int, seed: int = 0, level: float = LEVEL) -> Real:
        """Doses to a level drawn over laws and parameters, for a Monte Carlo run, (draw,)."""
        rng = np.random.default_rng(seed)
        weights = np.array([m.weight for m in self.plausible])
        which = rng.choice(weights.size, count, p=weights / weights.sum())
        out = np.empty(count)
        for i, m in enumerate(self.plausible):
            at = which == i
            out[at] = np.exp(m.curve.log_dose_to(m.curve.fit.draws(int(at.sum()), rng), level))
        return out

    def sentences(self) -> list[str]:
        """What the data say, in plain words."""
        unit = self.data.dose_unit
        best, dose = self.best, self.dose_to()
        out = []
        if self.decided:
            out.append(f"The curve follows one law: {best.name}, {best.curve.law.formula}.")
        else:
            others = ", ".join(f"{m.name} ({m.behind:.2g} behind)" for m in self.plausible[1:])
            out.append(
                f"The data cannot tell {best.name} from {others}; answers reach over all of them."
            )
        if self.decided and self.runner_up is not None:
            out[-1] += f" The next, {self.runner_up.name}, is {self.runner_up.behind:.3g} behind."
        out.append(f"{100 * LEVEL:g} % are left after {dose.format()} {unit}, light alone.")
        if self.dark_rate_per_h is not None and self.dark_share is not None:
            out.append(
                f"Without light {self.dark_rate_per_h.format()} per h is lost, "
                f"{self.dark_share.format(2, percent=True)} of the loss of the lit specimens."
            )
        return out

    def to_frame(self) -> pd.DataFrame:
        """One row per law."""
        import pandas as pd

        rows = []
        for m in self.laws:
            record: dict[str, Any] = {
                "law": m.name,
                "formula": m.curve.law.formula,
                "aicc_behind_best": m.behind,
                "weight": m.weight,
                "relative_sd": 0.01 * m.curve.fit.scale if self.data.sd is None else self.data.sd,
            }
            for name, v in m.parameters.items():
                record |= {name: v.value, f"{name} low": v.low, f"{name} high": v.high}
            rows.append(record)
        return pd.DataFrame(rows)

    def residuals_frame(self) -> pd.DataFrame:
        """Standardised residuals of the best law, one row per reading used."""
        import pandas as pd

        z = iter(self.best.curve.fit.standardised)
        rows = []
        for s in self.best.curve.curves.specimens:
            for i in s.kept:
                rows.append(
                    {
                        "specimen": s.name,
                        "role": s.role,
                        "hours": float(s.hours[i]),
                        "residual_sd": float(next(z)),
                    }
                )
        return pd.DataFrame(rows)

    def plot(self, ax: Any = None) -> Any:
        """Share left against dose: readings, mean over the laws and its interval."""
        ax = axes(ax)
        c = self.best.curve
        for s in c.curves.lit:
            start = np.exp(c.fit.theta[c.column(f"log start {s.name}")])
            y = s.values[s.kept]
            y = 1 / y if self.data.inverse else y
            ax.plot(s.hours[s.kept] * s.absorbed_rate, y / start, "o", ms=4, label=s.name)
        dose = np.linspace(0, self.tested_dose, 101)[1:]
        middle, low, high = self.remaining(dose)
        ax.plot(dose, middle, "k-", label="mean over the laws")
        ax.fill_between(dose, low, high, color="k", alpha=0.15, lw=0)
        ax.set_xlabel(f"dose ({self.data.dose_unit})")
        ax.set_ylabel("share left")
        ax.legend()
        return ax

    def plot_residuals(self, ax: Any = None) -> Any:
        """Residuals of the best law over their standard deviation, against hours."""
        ax = axes(ax)
        for name, part in self.residuals_frame().groupby("specimen", sort=False):
            ax.plot(part["hours"], part["residual_sd"], "o-", ms=4, lw=0.7, label=name)
        ax.axhline(0.0, color="k", lw=0.7)
        ax.set_xlabel("time (h)")
        ax.set_ylabel("residual / standard deviation")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def _bound(low: float, high: float) -> Any:
    """A limit only, where one end is open."""
    if low <= 0 < high < np.inf:
        return "upper"
    return "lower" if low > 0 and not np.isfinite(high) else None


def _log_value(terms: tuple[float, float, float]) -> Value:
    """Back from a logarithm and its ends."""
    with np.errstate(over="ignore"):
        value, low, high = (float(np.exp(x)) for x in terms)
    return Value(value, low, high, _bound(low, high))


def fit_kinetics(
    data: AgeingData,
    *,
    laws: Sequence[Law] = DEFAULT_LAWS,
    confidence: float = 0.95,
) -> Kinetics:
    """Fit the curve of a coupon.

    Parameters
    ----------
    data : AgeingData
        All lit specimens share one curve on the dose axis (absorbed_rate x hours).
    laws : sequence of Law
        The default ones when not given; add ``depth_resolved(...)`` where the layer's dose profile
        is known.
    confidence : float

    Raises
    ------
    OptistackError
        Too few readings for any of the laws.

    Examples
    --------
    >>> hours = np.array([0.0, 100, 200, 400, 700, 1000])
    >>> wiggle = np.array([1, -1, -1, 1, 1, -1]) * 0.004
    >>> two = tuple(
    ...     Specimen(f"coupon {i}", hours, r * np.exp(hours / 800 + sign * wiggle))
    ...     for i, (r, sign) in enumerate([(210.0, 1), (195.0, -1)], start=1)
    ... )
    >>> found = fit_kinetics(AgeingData(two))
    >>> print(found.best.name, found.dose_to(0.8).format(3))  # 178.5 h were put in
    exponential 179 (177 to 180)
    """
    found = rank(Curves((data,)), laws)
    notes = [*data.notes(), *found.notes]
    ranked = tuple(
        LawFit(
            name=r.curve.law.name,
            curve=r.curve,
            aicc=r.aicc,
            behind=r.behind,
            weight=r.weight,
            parameters=(_parameters(r.curve, confidence) if r.behind <= PLAUSIBLE_WITHIN else {}),
        )
        for r in found.fits
    )
    for m in ranked:
        if m.behind <= PLAUSIBLE_WITHIN:
            notes += m.curve.law.notes
    if ranked[0].parameters["k"].low <= 0:
        notes.append(
            f"{data.name}: no loss by light can be told from none; a limit is all that is known"
        )
    dark, share = _dark(ranked[0].curve, confidence)
    return Kinetics(
        data=data,
        laws=ranked,
        scatter=found.scatter,
        dark_rate_per_h=dark,
        dry_rate_per_h=_drift(data.used("dry"), data, confidence),
        dark_share=share,
        confidence=confidence,
        notes=tuple(dict.fromkeys(notes)),
    )


def _parameters(curve: CurveFit, confidence: float) -> dict[str, Value]:
    """The rate constant and the shapes of a law, all of them logarithms of parameters."""
    shapes = curve.law.shape_names
    names = ("k", *("D0" if name == "k D0" else name for name in shapes))
    parts = np.eye(len(names), curve.fit.theta.size)
    if "D0" in names:
        parts[names.index("D0"), 0] = -1.0
    ends = curve.fit.intervals(
        lambda theta, which: (parts[which] * theta).sum(axis=1), len(names), confidence
    )
    middle = parts @ curve.fit.theta
    return {
        name: _log_value((float(at), *end))
        for name, at, end in zip(names, middle, ends, strict=True)
    }


def _dark(curve: CurveFit, confidence: float) -> tuple[Value | None, Value | None]:
    """Light-independent loss [1/h], and its share of the loss of the lit specimens."""
    rate = curve.dark_rate_per_h(curve.curves.sets[0].name, confidence)
    if rate is None:
        return None, None
    hours = curve.longest_hours
    part, low, high = rate.value * hours, rate.low * hours, rate.high * hours
    lit = curve.curves.lit
    dose = max(float(s.hours[s.kept[-1]] * s.absorbed_rate) for s in lit)
    light = -float(np.log(max(float(curve.remaining(np.array([dose]))[0]), 1e-300)))

    def share(x: float) -> float:
        return x / (x + light) if x + light > 0 else 0.0

    return rate, Value(share(part), share(low), share(high))


def _drift(specimens: Sequence[Specimen], data: AgeingData, confidence: float) -> Value | None:
    """First-order loss of controls [1/h] by a common straight line of logarithms."""
    x, y, size = [], [], 0
    for s in specimens:
        at = s.kept[s.flags[s.kept] == 0]
        if at.size < 2:
            continue
        logs = np.log(s.values[at]) * (1 if data.inverse else -1)
        x.append(s.hours[at] - s.hours[at].mean())
        y.append(logs - logs.mean())
        size += at.size - 1
    if size < 2:
        return None
    hours, loss = np.concatenate(x), np.concatenate(y)
    slope = float(hours @ loss / (hours @ hours))
    dof = size - 1
    sd = float(np.sqrt(((loss - slope * hours) ** 2).sum() / dof / (hours @ hours)))
    half = student(dof, confidence) * sd
    return Value(slope, slope - half, slope + half)
