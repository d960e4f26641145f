"""The device's rate predicted from the coupon's, and what is left of the measured one.

device rate = coupon rate x (q_device / q_coupon)^p x exp(-Ea/R (1/T_device - 1/T_coupon))

q is the absorbed photon rate per volume, weighted; p the reciprocity exponent, Ea the activation
energy. What is left, measured over predicted rate, is the residual factor: oxygen, water,
chemistry. It is reported, never folded away.

How errors add up is said in `optistack.rate_terms`. Weights are kept apart: each is a hypothesis of
its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.ageing import AgeingData
from optistack.errors import OptistackError
from optistack.law_choice import FAR_DOSE, Weighted, share_at, with_dark
from optistack.plot_axes import axes
from optistack.rate_laws import Law
from optistack.rate_terms import (
    Knowledge,
    ResistanceCourse,
    Terms,
    log_terms,
    require_resistance,
)
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Verdict = Literal[
    "optics alone", "part", "not the cause", "more than seen", "no difference", "cannot tell"
]


class CouponKinetics(Protocol):
    """What is asked of a coupon's fitted curve (`optistack.analysis.kinetics.Kinetics`)."""

    @property
    def data(self) -> AgeingData: ...

    @property
    def laws(self) -> Sequence[Weighted]: ...

    @property
    def plausible(self) -> Sequence[Weighted]: ...

    @property
    def tested_dose(self) -> float: ...

    @property
    def notes(self) -> tuple[str, ...]: ...

    def dose_to(self, level: float, laws: Mapping[str, Law] | None = None) -> Value:
        """Dose to a share left, with laws read otherwise."""

    def doses_to(
        self, levels: Sequence[float], laws: Mapping[str, Law] | None = None
    ) -> list[Value]:
        """`dose_to` several levels."""


@dataclass(frozen=True, eq=False)
class WeightCase:
    """The correction under one spectral weight.

    Attributes
    ----------
    weight : str
    absorbed_ratio : Value
        q_device/q_coupon, per volume.
    rate_factor : Value
        Predicted device rate over coupon rate.
    residual : Value or None
        Measured over predicted; None without device data.
    verdict : str
    excluded : bool
        Device and coupon cannot both be right with this weight if light is all that acts.
    """

    weight: str
    absorbed_ratio: Value
    rate_factor: Value
    residual: Value | None = None
    verdict: Verdict = "cannot tell"
    excluded: bool = False


@dataclass(frozen=True, eq=False)
class RateCorrection:
    """Coupon rate corrected to the device, and compared with it.

    Attributes
    ----------
    cases : tuple of WeightCase
    exponent, activation_energy_kj_mol : Knowledge
    temperature_factor : Value
        The Arrhenius part.
    measured_factor : Value or None
        Measured device rate over coupon rate.
    device_dark_rate_per_h : Value or None [1/h]
    coupon : the coupon's kinetics
    coupon_rate : float
        Coupon's dose per hour, in its dose unit.
    device_laws : mapping of law name to Law
        What the coupon's laws read as in the device.
    flags : tuple of str
        Extrapolations.
    notes : tuple of str
    """

    cases: tuple[WeightCase, ...]
    exponent: Knowledge
    activation_energy_kj_mol: Knowledge
    temperature_factor: Value
    measured_factor: Value | None
    device_dark_rate_per_h: Value | None
    coupon: CouponKinetics
    coupon_rate: float
    device_laws: Mapping[str, Law] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    _factors: Mapping[str, Terms] = field(default_factory=dict, repr=False)

    @property
    def rate_factor(self) -> Value:
        """Predicted device rate over coupon rate, first weight, range over all of them."""
        return over_cases([c.rate_factor for c in self.cases])

    @property
    def residual(self) -> Value | None:
        """Measured over predicted, first weight, range over all of them."""
        found = [c.residual for c in self.cases if c.residual is not None]
        return over_cases(found) if found else None

    @property
    def excluded_weights(self) -> tuple[str, ...]:
        """Weights that coupon and device data exclude, if light is all that acts."""
        return tuple(c.weight for c in self.cases if c.excluded)

    @property
    def residual_over_allowed(self) -> Value | None:
        """As ``residual``, over the weights that are not excluded."""
        found = [c.residual for c in self.cases if c.residual is not None and not c.excluded]
        return over_cases(found) if found else None

    def hours_to_level(self, level: float, weight: str | None = None) -> Value:
        """Hours until this share of the property is left in the device [h], predicted.

        Light, and the device's own loss without light where its controls have shown one.

        Parameters
        ----------
        level : float
            Between 0 and 1.
        weight : str, optional
            The range over all weights when not given.

        Raises
        ------
        OptistackError
            An unknown weight; a level outside 0-1.
        """
        return self.hours_to_levels([level], weight)[0]

    def hours_to_levels(self, levels: Sequence[float], weight: str | None = None) -> list[Value]:
        """`hours_to_level` for several levels; much quicker than one by one."""
        known = [c.weight for c in self.cases]
        if weight is not None and weight not in known:
            raise OptistackError(f"weight {weight!r} is not one of {', '.join(known)}")
        doses = [
            log_terms(found, fitted=True)
            for found in self.coupon.doses_to(levels, self.device_laws)
        ]
        coupon_rate = Terms(float(np.log(self.coupon_rate)))
        cases = []
        for name in known if weight is None else [weight]:
            rate = self._factors[name]
            cases.append(
                with_dark(
                    [d.plus(rate, -1.0).plus(coupon_rate, -1.0).to_value() for d in doses],
                    levels,
                    self.device_dark_rate_per_h,
                    self.coupon.plausible,
                    self.device_laws,
                )
            )
        return [over_cases(of_level) for of_level in zip(*cases, strict=True)]

    def hours_to_resistance(
        self, sheet_resistance_ohm_sq: float, start_ohm_sq: float, weight: str | None = None
    ) -> Value:
        """Hours until the device's sheet resistance has risen to a value [h], predicted.

        Raises
        ------
        OptistackError
            A target that is not above the start; coupon data of something else.
        """
        require_resistance(self.coupon.data.quantity)
        if not sheet_resistance_ohm_sq > start_ohm_sq > 0:
            raise OptistackError(
                f"{sheet_resistance_ohm_sq:g} ohm/sq must be above the start, {start_ohm_sq:g}"
            )
        return self.hours_to_level(start_ohm_sq / sheet_resistance_ohm_sq, weight)

    def remaining(self, time_h: ArrayLike, weight: str | None = None) -> tuple[Real, Real, Real]:
        """Share of the property left in the device at times, predicted: value, low, high.

        Consistent with `hours_to_level`; over all weights unless one is named.

        Raises
        ------
        OptistackError
            As `hours_to_level`; times that are negative.
        """
        return share_at(lambda levels: self.hours_to_levels(levels, weight), time_h)

    def sheet_resistance(
        self, time_h: ArrayLike, start_ohm_sq: float | Value, weight: str | None = None
    ) -> ResistanceCourse:
        """Sheet resistance of the device's electrode on a grid of times, predicted.

        Parameters
        ----------
        time_h : (time,) array [h]
        start_ohm_sq : float or Value [ohm/sq]
            Of the device at the start, with its range.
        weight : str, optional
            The range over all weights when not given.

        Raises
        ------
        OptistackError
            Coupon data of something else; a start that is not positive.
        """
        require_resistance(self.coupon.data.quantity)
        course = ResistanceCourse.of(time_h, self.remaining(time_h, weight), start_ohm_sq)
        notes = [*course.notes, *self.flags]
        chosen = [c for c in self.cases if weight in (None, c.weight)]
        fastest = max(c.rate_factor.value for c in chosen) * self.coupon_rate
        limit = FAR_DOSE * self.coupon.tested_dose / fastest
        if course.time_h.max(initial=0.0) > limit:
            notes.append(
                f"beyond {limit:.3g} h more than {FAR_DOSE:g} times the coupon's tested dose is "
                "absorbed; no law has been tested there"
            )
        return replace(course, notes=tuple(dict.fromkeys([*notes, *self.notes])))

    def device_rate_per_h(self, level: float = 0.8) -> Value:
        """Mean rate on the way to a level in the device [1/h]: ln(1/level) over the hours."""
        hours = self.hours_to_level(level)
        top = float(-np.log(level))
        high = top / hours.low if hours.low > 0 else np.inf
        return Value(
            top / hours.value, top / hours.high, high, "upper" if hours.bound == "lower" else None
        )

    def flags_at(self, level: float) -> tuple[str, ...]:
        """Extrapolations, with that of the dose to a level."""
        dose = self.coupon.dose_to(level).value
        tested = self.coupon.tested_dose
        out = list(self.flags)
        if dose > FAR_DOSE * tested:
            out.append(
                f"{100 * level:.3g} % left: {dose / tested:.3g} times the tested dose, more than "
                f"{FAR_DOSE:g}"
            )
        return tuple(out)

    def sentences(self) -> list[str]:
        """What was found, in plain words."""
        out = []
        predicted = self.rate_factor
        out.append(
            f"By absorbed light and temperature alone the device should age at "
            f"{predicted.format()} times the coupon's rate."
        )
        if self.measured_factor is None:
            out.append("There is no device data to compare with.")
        else:
            out.append(
                f"It ages at {self.measured_factor.format()} times the coupon's rate. "
                f"{verdict_text(self.cases, self.measured_factor)}"
            )
        if self.excluded_weights and len(self.excluded_weights) < len(self.cases):
            out.append(
                "If light is all that acts, these weights are excluded: "
                f"{', '.join(self.excluded_weights)}. Something else acting would let them stand."
            )
        out += [f"Take care: {f}." for f in self.flags]
        return out

    def to_frame(self) -> pd.DataFrame:
        """One row per weight."""
        import pandas as pd

        rows = []
        for c in self.cases:
            record: dict[str, Any] = {"weight": c.weight}
            for name in ("absorbed_ratio", "rate_factor", "residual"):
                v: Value | None = getattr(c, name)
                for end in ("value", "low", "high"):
                    key = name if end == "value" else f"{name}_{end}"
                    record[key] = np.nan if v is None else getattr(v, end)
            record |= {"verdict": c.verdict, "excluded": c.excluded}
            rows.append(record)
        return pd.DataFrame(rows)

    def plot(self, ax: Any = None) -> Any:
        """Predicted rate for every weight, and the measured one as a band."""
        ax = axes(ax)
        for i, c in enumerate(self.cases):
            v = c.rate_factor
            ax.plot([v.low, v.high], [i, i], "-", color="0.4")
            ax.plot(v.value, i, "o", color="0.2")
        ax.set_yticks(range(len(self.cases)), [c.weight for c in self.cases])
        if self.measured_factor is not None:
            m = self.measured_factor
            ax.axvspan(m.low, m.high, alpha=0.2, lw=0)
            ax.axvline(m.value)
        ax.set_xscale("log")
        ax.set_xlabel("device rate / coupon rate")
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def over_cases(values: Sequence[Value]) -> Value:
    low, high = min(v.low for v in values), max(v.high for v in values)
    bound = values[0].bound if len({v.bound for v in values}) == 1 else None
    return Value(values[0].value, low, high, bound)


def explained_share(predicted: Value, seen: Value) -> float:
    """Logarithm of the predicted factor over that of the measured one, or of its limit."""
    limit = seen.high if seen.low <= 0 else seen.low if not np.isfinite(seen.high) else seen.value
    return float(np.log(predicted.value) / np.log(limit))


def verdict_text(cases: Sequence[WeightCase], measured: Value) -> str:
    """Whether optics alone explains the difference, over all weights."""
    texts = {
        "optics alone": "Optics alone can explain the difference",
        "no difference": "There is no difference to explain, and optics predicts none",
        "part": "Optics explains part of the difference",
        "not the cause": "Optics is not the cause of the difference",
        "more than seen": "Optics predicts a larger difference than is seen; something else acts "
        "against it",
        "cannot tell": "The data are compatible with optics alone, but the interval is so wide "
        "that they could not show another cause",
    }
    kinds = list(dict.fromkeys(c.verdict for c in cases))
    if len(kinds) == 1:
        only = kinds[0]
        residuals = over_cases([c.residual for c in cases if c.residual is not None])
        more = ""
        if only == "part":
            shares = [explained_share(c.rate_factor, measured) for c in cases]
            low, high = 100 * min(shares), 100 * max(shares)
            span = f"{low:.0f} %" if high - low < 1 else f"{low:.0f} to {high:.0f} %"
            limit = "at most " if measured.bound else ""
            more = f" ({limit}{span} of its logarithm)"
        return f"{texts[only]}{more}; residual factor {residuals.format()}."
    parts = []
    for kind in kinds:
        names = ", ".join(c.weight for c in cases if c.verdict == kind)
        parts.append(f"with {names}: {texts[kind][0].lower()}{texts[kind][1:]}")
    return f"The weight decides: {'; '.join(parts)}. Measure it, with a series of cut-on filters."
