"""From the coupon's rate to the device's, and what light does not explain.

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
from numpy.typing import NDArray
from scipy import optimize

from optistack.ageing import AgeingData
from optistack.curve_fit import CurveFit, Curves, envelope, plausible_fits
from optistack.errors import OptistackError
from optistack.rate_laws import GAS_J_MOL_K
from optistack.rate_terms import PROPORTIONAL, Knowledge, Terms, log_terms, scaled
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Verdict = Literal[
    "optics alone", "part", "not the cause", "more than seen", "no difference", "cannot tell"
]

_FAR_INTENSITY = 10.0
_WIDE = 4.0  # a residual factor whose interval spans more than this says little
_SMALL_SHARE = 0.10


def ratios_per_volume(comparison: _Compared) -> dict[str, Value]:
    """Device over coupon, absorbed photons per volume, for every weight of a comparison.

    Ranges are those over the light's variants.
    """
    key = next(iter(comparison.ratio))
    scale = comparison.ratio_per_volume[key].value / comparison.ratio[key].value
    return {
        name: Value(v.value * scale, v.low * scale, v.high * scale)
        for name, v in comparison.weighted_ratio.items()
    }


class _Compared(Protocol):
    """What is asked of a comparison of absorbed photons."""

    @property
    def ratio(self) -> Mapping[str, Value]: ...

    @property
    def ratio_per_volume(self) -> Mapping[str, Value]: ...

    @property
    def weighted_ratio(self) -> Mapping[str, Value]: ...


class _Law(Protocol):
    @property
    def curve(self) -> CurveFit: ...

    @property
    def weight(self) -> float: ...


class CouponKinetics(Protocol):
    """What is asked of a coupon's fitted curve (`optistack.analysis.kinetics.Kinetics`)."""

    @property
    def data(self) -> AgeingData: ...

    @property
    def plausible(self) -> Sequence[_Law]: ...

    @property
    def tested_dose(self) -> float: ...

    @property
    def notes(self) -> tuple[str, ...]: ...

    def dose_to(self, level: float) -> Value:
        """Dose to a share left."""

    def remaining(self, dose: Any) -> tuple[Real, Real, Real]:
        """Share left at doses."""


# the correction -----------------------------------------------------------------------------------


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
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    _factors: Mapping[str, Terms] = field(default_factory=dict, repr=False)

    @property
    def rate_factor(self) -> Value:
        """Predicted device rate over coupon rate, first weight, range over all of them."""
        return _over_cases([c.rate_factor for c in self.cases])

    @property
    def residual(self) -> Value | None:
        """Measured over predicted, first weight, range over all of them."""
        found = [c.residual for c in self.cases if c.residual is not None]
        return _over_cases(found) if found else None

    @property
    def excluded_weights(self) -> tuple[str, ...]:
        """Weights that coupon and device data exclude, if light is all that acts."""
        return tuple(c.weight for c in self.cases if c.excluded)

    @property
    def residual_over_allowed(self) -> Value | None:
        """As ``residual``, over the weights that are not excluded."""
        found = [c.residual for c in self.cases if c.residual is not None and not c.excluded]
        return _over_cases(found) if found else None

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
        known = [c.weight for c in self.cases]
        if weight is not None and weight not in known:
            raise OptistackError(f"weight {weight!r} is not one of {', '.join(known)}")
        dose = log_terms(self.coupon.dose_to(level), fitted=True)
        out = []
        for name in known if weight is None else [weight]:
            rate = self._factors[name]
            hours = dose.plus(rate, -1.0).plus(Terms(float(np.log(self.coupon_rate))), -1.0)
            out.append(self._with_dark(hours.to_value(), level))
        return _over_cases(out)

    def hours_to_resistance(
        self, sheet_resistance_ohm_sq: float, start_ohm_sq: float, weight: str | None = None
    ) -> Value:
        """Hours until the device's sheet resistance has risen to a value [h], predicted.

        Raises
        ------
        OptistackError
            A target that is not above the start; coupon data of something else.
        """
        if self.coupon.data.quantity not in ("sheet_resistance_ohm_sq", "sheet_conductance_s_sq"):
            raise OptistackError(
                f"the coupon's curve is one of {self.coupon.data.quantity}, not of resistance"
            )
        if not sheet_resistance_ohm_sq > start_ohm_sq > 0:
            raise OptistackError(
                f"{sheet_resistance_ohm_sq:g} ohm/sq must be above the start, {start_ohm_sq:g}"
            )
        return self.hours_to_level(start_ohm_sq / sheet_resistance_ohm_sq, weight)

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
        if dose > 3 * tested:
            out.append(
                f"{100 * level:.3g} % left: {dose / tested:.3g} times the tested dose, more than 3"
            )
        return tuple(out)

    def _with_dark(self, hours: Value, level: float) -> Value:
        """Light and loss without light together: F(light) exp(-dark t) = level."""
        dark = self.device_dark_rate_per_h
        if dark is None or not dark.high > 0:
            return hours
        fits = [(m.curve, m.weight) for m in self.coupon.plausible]
        total = sum(w for _, w in fits)

        def dose(at: float) -> float:
            logs = [w * float(c.log_dose_to(c.fit.theta, at)) for c, w in fits]
            return float(np.exp(sum(logs) / total))

        whole = dose(level)

        def both(light_hours: float, rate: float) -> float:
            # Light alone must get to level x exp(dark t) in t; along the mean curve of the laws.
            if rate <= 0:
                return light_hours
            latest = min(light_hours, float(-np.log(level) / rate))
            if not np.isfinite(light_hours):
                return latest

            def late(t: float) -> float:
                left = level * np.exp(rate * t)
                return t - light_hours * (dose(left) / whole if left < 1 else 0.0)

            end = latest * (1 - 1e-12)
            return float(optimize.brentq(late, 0.0, end)) if late(end) > 0 else latest

        return Value(
            both(hours.value, dark.value),
            both(hours.low, dark.high),
            both(hours.high, dark.low),
            None if dark.low > 0 else hours.bound,
        )

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
                f"{_verdict_text(self.cases, self.measured_factor)}"
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
        if ax is None:
            import matplotlib.pyplot as plt

            _, ax = plt.subplots()
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


def _over_cases(values: Sequence[Value]) -> Value:
    low, high = min(v.low for v in values), max(v.high for v in values)
    bound = values[0].bound if len({v.bound for v in values}) == 1 else None
    return Value(values[0].value, low, high, bound)


def correct_rate(
    coupon: CouponKinetics,
    absorbed_ratio: Mapping[str, Value],
    *,
    exponent: Knowledge = PROPORTIONAL,
    activation_energy_kj_mol: Knowledge | None = None,
    coupon_temperature_k: float | None = None,
    device_temperature_k: Value | None = None,
    device: AgeingData | None = None,
) -> RateCorrection:
    """Correct the coupon's rate to the device and compare with what the device did.

    Parameters
    ----------
    coupon : Kinetics
        From `optistack.analysis.kinetics.fit_kinetics`.
    absorbed_ratio : mapping of weight name to Value
        q_device/q_coupon per volume, from `ratios_per_volume`; ranges are taken as stated.
    exponent : Knowledge
        From `fit_exponent` or `stated`; 1 is assumed when not given.
    activation_energy_kj_mol : Knowledge, optional
        From `fit_activation_energy` or `stated`. Without it no temperature correction is made.
    coupon_temperature_k : float, optional [K]
    device_temperature_k : Value, optional [K]
        Film temperatures; where they stay unknown a note says so.
    device : AgeingData, optional
        Sheet resistance of the device (a witness film, or inferred from current-voltage curves),
        on the hours axis.

    Raises
    ------
    OptistackError
        A ratio that is not positive; coupons of different absorbed rates together with p other
        than 1; device data of another quantity.
    """
    if not absorbed_ratio:
        raise OptistackError("the correction needs the ratio of absorbed photons for one weight")
    for name, v in absorbed_ratio.items():
        if not (np.isfinite(v.high) and v.low > 0):
            raise OptistackError(
                f"weight {name}: the ratio of absorbed photons is {v.format()}; a rate can only be "
                "scaled by a positive one"
            )
    rates = {s.absorbed_rate for s in coupon.data.used("lit")}
    if len(rates) > 1 and exponent.value.low != 1.0:
        raise OptistackError(
            "the coupons absorbed different photon rates and p is not 1: their doses are then not "
            "on one axis. Fit the coupons of one rate, and p from the series"
        )
    coupon_rate = float(np.mean(list(rates)))
    notes = list(coupon.notes) + list(exponent.notes)
    if exponent.how == "assumed":
        notes.append("reciprocity exponent p = 1 assumed: damage goes with the absorbed photons")
    temperature, energy = _temperature(
        activation_energy_kj_mol, coupon_temperature_k, device_temperature_k, notes
    )
    factors = {}
    for name, v in absorbed_ratio.items():
        logs = log_terms(v, fitted=False)
        p = exponent.value.value
        light = Terms(0.0, span=(p * logs.span[0], p * logs.span[1]))
        factors[name] = light.plus(scaled(exponent, logs.value)).plus(temperature)
    measured, dark = None, None
    if device is not None:
        measured, dark, more = _measured(coupon, device)
        notes += more
    cases = tuple(
        _judge(name, absorbed_ratio[name], factors[name], measured) for name in absorbed_ratio
    )
    return RateCorrection(
        cases=cases,
        exponent=exponent,
        activation_energy_kj_mol=energy,
        temperature_factor=temperature.to_value(),
        measured_factor=None if measured is None else measured.to_value(),
        device_dark_rate_per_h=dark,
        coupon=coupon,
        coupon_rate=coupon_rate,
        flags=_flags(
            coupon,
            absorbed_ratio,
            exponent,
            energy,
            device_temperature_k,
            device,
            factors,
            coupon_rate,
        ),
        notes=tuple(dict.fromkeys(notes)),
        _factors=factors,
    )


def _temperature(
    energy: Knowledge | None, coupon_k: float | None, device_k: Value | None, notes: list[str]
) -> tuple[Terms, Knowledge]:
    none = Knowledge(Value(0.0, 0.0, 0.0), "assumed")
    if coupon_k is None or device_k is None:
        notes.append("film temperatures are not known: no correction for temperature")
        return Terms(0.0), energy or none
    if not (coupon_k > 0 and device_k.low > 0):
        raise OptistackError("film temperatures must be positive and in kelvin")
    step = (1 / coupon_k - 1 / device_k.value) * 1e3 / GAS_J_MOL_K
    if energy is None:
        if abs(device_k.value - coupon_k) > 0.5:
            notes.append(
                f"the films are at {coupon_k:g} and {device_k.value:g} K and no activation energy "
                "is known: no correction for temperature"
            )
        return Terms(0.0), none
    notes += energy.notes
    part = scaled(energy, step)
    ends = [
        energy.value.value * (1 / coupon_k - 1 / t) * 1e3 / GAS_J_MOL_K
        for t in (device_k.low, device_k.high)
    ]
    span = (max(part.value - min(ends), 0.0), max(max(ends) - part.value, 0.0))
    return part.plus(Terms(0.0, span=span)), energy


def _measured(coupon: CouponKinetics, device: AgeingData) -> tuple[Terms, Value | None, list[str]]:
    """Logarithm of device rate over coupon rate, both per hour, from one joint fit.

    Coupon and device share the shape of the law; every law that the two together do not rule out
    counts.
    """
    rates = [s.absorbed_rate for s in coupon.data.used("lit")]
    plain = coupon.data.per_hour(float(np.mean(rates)))
    other = device.per_hour()
    if other.name == plain.name:
        other = replace(other, name=f"{other.name} (device)")
    n = len(plain.used("lit"))
    lit = Curves((plain, other)).lit
    column = np.array([float(i >= n) for i in range(len(lit))])
    curves = Curves((plain, other), {"device": column})
    fits = plausible_fits(curves, [m.curve.law for m in coupon.plausible])
    value, low, high = envelope(fits, lambda c, theta: theta[:, c.column("device")])
    notes = list(other.notes())
    scatter = fits[0][0].scatter
    if scatter.sd > 0:
        notes.append(
            f"{other.name} and {plain.name}: specimens differ by {100 * scatter.sd:.2g} % beyond "
            "noise; the residual factor counts specimens"
        )
    dark = None
    name = f"dark {other.name}"
    if name in fits[0][0].names:
        c = fits[0][0]
        at = c.column(name)
        ends = c.fit.interval(lambda th: th[:, at])
        hours = c.longest_hours
        dark = Value(float(c.fit.theta[at]) / hours, ends[0] / hours, ends[1] / hours)
    return Terms(value, (value - low, high - value)), dark, notes


def _judge(name: str, ratio: Value, predicted: Terms, measured: Terms | None) -> WeightCase:
    factor = predicted.to_value()
    if measured is None:
        return WeightCase(name, ratio, factor)
    left = measured.plus(predicted, -1.0)
    residual = left.to_value()
    seen = measured.to_value()
    differs = not seen.low <= 1 <= seen.high
    agrees = residual.low <= 1 <= residual.high
    verdict: Verdict
    if agrees and residual.low > 0 and residual.high / residual.low <= _WIDE:
        verdict = "optics alone" if differs else "no difference"
    elif agrees:
        verdict = "cannot tell"
    elif not differs:
        verdict = "more than seen"
    else:
        share = predicted.value / measured.value
        if share > 1:
            verdict = "more than seen"
        else:
            verdict = "part" if share > _SMALL_SHARE else "not the cause"
    return WeightCase(name, ratio, factor, residual, verdict, excluded=not agrees)


def _verdict_text(cases: Sequence[WeightCase], measured: Value) -> str:
    """Whether optics alone explains the difference, over all weights."""
    texts = {
        "optics alone": "Optics alone explains the difference",
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
        residuals = _over_cases([c.residual for c in cases if c.residual is not None])
        more = ""
        if only == "part":
            shares = [float(np.log(c.rate_factor.value) / np.log(measured.value)) for c in cases]
            low, high = 100 * min(shares), 100 * max(shares)
            span = f"{low:.0f} %" if high - low < 1 else f"{low:.0f} to {high:.0f} %"
            more = f" ({span} of its logarithm)"
        return f"{texts[only]}{more}; residual factor {residuals.format()}."
    parts = []
    for kind in kinds:
        names = ", ".join(c.weight for c in cases if c.verdict == kind)
        parts.append(f"with {names}: {texts[kind][0].lower()}{texts[kind][1:]}")
    return f"The weight decides: {'; '.join(parts)}. Measure it, with a series of cut-on filters."


def _flags(
    coupon: CouponKinetics,
    ratios: Mapping[str, Value],
    exponent: Knowledge,
    energy: Knowledge,
    device_k: Value | None,
    device: AgeingData | None,
    factors: Mapping[str, Terms],
    coupon_rate: float,
) -> tuple[str, ...]:
    out = []
    rates = [s.absorbed_rate for s in coupon.data.used("lit")]
    low, high = min(rates), max(rates)
    if exponent.tested is not None:
        # A series in another unit than the coupons' says nothing about theirs.
        inside = exponent.tested[0] * 0.5 <= low and high <= exponent.tested[1] * 2
        if inside:
            low, high = min(low, exponent.tested[0]), max(high, exponent.tested[1])
    for name, v in ratios.items():
        q = [v.low * coupon_rate, v.high * coupon_rate]
        if q[1] > _FAR_INTENSITY * high or q[0] < low / _FAR_INTENSITY:
            times = q[1] / high if q[1] > _FAR_INTENSITY * high else low / q[0]
            side = "above" if q[1] > _FAR_INTENSITY * high else "below"
            out.append(
                f"weight {name}: the device's intensity is {times:.3g} times {side} the tested "
                f"ones, more than {_FAR_INTENSITY:g}; whether p holds there is not known"
            )
    if energy.tested is not None and device_k is not None:
        t_low, t_high = energy.tested
        if device_k.low < t_low - 10 or device_k.high > t_high + 10:
            out.append(
                f"the device's film temperature lies more than 10 K outside the tested "
                f"{t_low:g}-{t_high:g} K"
            )
    if device is not None:
        longest = max(float(s.hours[s.kept[-1]]) for s in device.used("lit"))
        done = longest * coupon_rate * max(float(np.exp(f.value)) for f in factors.values())
        if done > 3 * coupon.tested_dose:
            out.append(
                f"the device's data reach {done / coupon.tested_dose:.3g} times the coupon's "
                "tested dose, more than 3"
            )
    return tuple(out)
