"""From the coupon's rate to the device's: the prediction, the measurement, the judgement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Protocol

import numpy as np

from optistack.ageing import AgeingData
from optistack.analysis.rate_correction.result import (
    CouponKinetics,
    RateCorrection,
    Verdict,
    WeightCase,
    explained_share,
)
from optistack.curve_fit import Curves
from optistack.errors import OptistackError
from optistack.law_choice import FAR_DOSE, envelope, rank
from optistack.rate_laws import GAS_J_MOL_K, Law
from optistack.rate_terms import (
    FAR_INTENSITY,
    PROPORTIONAL,
    Knowledge,
    Terms,
    log_terms,
    scaled,
)
from optistack.value import Value

_FAR_KELVIN = 10.0
_WIDE = 4.0  # a residual factor whose interval spans more than this says little
_SMALL_SHARE = 0.10


class _Compared(Protocol):
    """What is asked of a comparison of absorbed photons."""

    @property
    def ratio(self) -> Mapping[str, Value]: ...

    @property
    def ratio_per_volume(self) -> Mapping[str, Value]: ...

    @property
    def weighted_ratio(self) -> Mapping[str, Value]: ...


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


def correct_rate(
    coupon: CouponKinetics,
    absorbed_ratio: Mapping[str, Value | float],
    *,
    exponent: Knowledge = PROPORTIONAL,
    activation_energy_kj_mol: Knowledge | None = None,
    coupon_temperature_k: float | Value | None = None,
    device_temperature_k: float | Value | None = None,
    device: AgeingData | None = None,
    device_laws: Mapping[str, Law] | None = None,
) -> RateCorrection:
    """Correct the coupon's rate to the device and compare with what the device did.

    Parameters
    ----------
    coupon : Kinetics
        From `optistack.analysis.kinetics.fit_kinetics`.
    absorbed_ratio : mapping of weight name to float or Value
        q_device/q_coupon per volume, from `ratios_per_volume`; ranges are taken as stated.
    exponent : Knowledge
        From `fit_exponent` or `stated`; 1 is assumed when not given.
    activation_energy_kj_mol : Knowledge, optional
        From `fit_activation_energy` or `stated`. Without it no temperature correction is made.
    coupon_temperature_k, device_temperature_k : float or Value, optional [K]
        Film temperatures; those of the specimens when not given. Where they stay unknown a note
        says so.
    device : AgeingData, optional
        What the device shows, in the coupon's quantity: sheet resistance inferred from
        current-voltage curves (`Specimen.from_values`), a witness film in the same laminate, or
        power turned by `resistance_from_power`. Only its hours count, not its ``absorbed_rate``.
    device_laws : mapping of law name to Law, optional
        Laws that read otherwise in the device, with the same parameters: ``depth_resolved`` of the
        device's own profile, ``self_shading`` of its own absorbance.

    Raises
    ------
    OptistackError
        A ratio that is not positive; coupons of different absorbed rates together with p other
        than 1; device data of another quantity.
    """
    if not absorbed_ratio:
        raise OptistackError("the correction needs the ratio of absorbed photons for one weight")
    ratios = {name: _value(v) for name, v in absorbed_ratio.items()}
    for name, v in ratios.items():
        if not (np.isfinite(v.high) and v.low > 0):
            raise OptistackError(
                f"weight {name}: the ratio of absorbed photons is {v.format()}; a rate can only be "
                "scaled by a positive one"
            )
    rates = {s.absorbed_rate for s in coupon.data.used("lit")}
    if len(rates) > 1 and not exponent.value.low == exponent.value.high == 1.0:
        raise OptistackError(
            "the coupons absorbed different photon rates and p is not 1: their doses are then not "
            "on one axis. Fit the coupons of one rate, and p from the series"
        )
    laws = dict(device_laws or {})
    unknown = [n for n in laws if n not in {m.curve.law.name for m in coupon.laws}]
    if unknown:
        raise OptistackError(f"device_laws: {unknown[0]!r} is no law of the coupon's fit")
    coupon_rate = coupon.data.mean_absorbed_rate
    notes = list(coupon.notes) + list(exponent.notes)
    if exponent.how == "assumed":
        notes.append("reciprocity exponent p = 1 assumed: damage goes with the absorbed photons")
    coupon_k = coupon_temperature_k or coupon.data.film_temperature_k
    device_k = device_temperature_k or (device.film_temperature_k if device else None)
    flags: list[str] = []
    temperature, energy = _temperature(
        activation_energy_kj_mol,
        None if coupon_k is None else _value(coupon_k),
        None if device_k is None else _value(device_k),
        notes,
        flags,
    )
    factors = {}
    for name, v in ratios.items():
        logs = log_terms(v, fitted=False)
        p = exponent.value.value
        light = Terms(0.0, span=(p * logs.span[0], p * logs.span[1]))
        factors[name] = light.plus(scaled(exponent, logs.value)).plus(temperature)
    measured, dark = None, None
    if device is not None:
        measured, dark, more = _measured(coupon, device, laws)
        notes += more
    if dark is None:
        notes.append("no dark device: its loss without light is not in the prediction")
    flags += _far(coupon, ratios, exponent)
    if device is not None:
        longest = max(float(s.hours[s.kept[-1]]) for s in device.used("lit"))
        done = longest * coupon_rate * max(float(np.exp(f.value)) for f in factors.values())
        if done > FAR_DOSE * coupon.tested_dose:
            flags.append(
                f"the device's data reach {done / coupon.tested_dose:.3g} times the coupon's "
                f"tested dose, more than {FAR_DOSE:g}"
            )
    return RateCorrection(
        cases=tuple(_judge(name, ratios[name], factors[name], measured) for name in ratios),
        exponent=exponent,
        activation_energy_kj_mol=energy,
        temperature_factor=temperature.to_value(),
        measured_factor=None if measured is None else measured.to_value(),
        device_dark_rate_per_h=dark,
        coupon=coupon,
        coupon_rate=coupon_rate,
        device_laws=laws,
        flags=tuple(flags),
        notes=tuple(dict.fromkeys(notes)),
        _factors=factors,
    )


def _value(v: Value | float) -> Value:
    return v if isinstance(v, Value) else Value.of(v)


def _temperature(
    energy: Knowledge | None,
    coupon_k: Value | None,
    device_k: Value | None,
    notes: list[str],
    flags: list[str],
) -> tuple[Terms, Knowledge]:
    """Logarithm of the Arrhenius factor, and the activation energy that it takes."""
    none = Knowledge(Value(0.0, 0.0, 0.0), "assumed")
    if coupon_k is None or device_k is None:
        notes.append("film temperatures are not known: no correction for temperature")
        return Terms(0.0), energy or none
    if not (coupon_k.low > 100 and device_k.low > 100):
        raise OptistackError("film temperatures must lie above 100 K; give kelvin")
    if energy is None:
        if abs(device_k.value - coupon_k.value) > 0.5:
            flags.append(
                f"the films are at {coupon_k.value:.4g} and {device_k.value:.4g} K and no "
                "activation energy is known, so temperature is not corrected for"
            )
        return Terms(0.0), none
    notes += energy.notes

    def step(start: float, end: float) -> float:
        return (1 / start - 1 / end) * 1e3 / GAS_J_MOL_K

    part = scaled(energy, step(coupon_k.value, device_k.value))
    ends = [
        energy.value.value * step(a, b)
        for a in (coupon_k.low, coupon_k.high)
        for b in (device_k.low, device_k.high)
    ]
    span = (max(part.value - min(ends), 0.0), max(max(ends) - part.value, 0.0))
    if energy.tested is not None:
        low, high = energy.tested
        both = (coupon_k, device_k)
        if any(t.low < low - _FAR_KELVIN or t.high > high + _FAR_KELVIN for t in both):
            flags.append(
                f"a film temperature lies more than {_FAR_KELVIN:g} K outside the "
                f"{low:.4g}-{high:.4g} K in which the activation energy was found"
            )
    return part.plus(Terms(0.0, span=span)), energy


def _measured(
    coupon: CouponKinetics, device: AgeingData, device_laws: Mapping[str, Law]
) -> tuple[Terms, Value | None, list[str]]:
    """Logarithm of device rate over coupon rate, both per hour, from one joint fit.

    Coupon and device share the shape of the law; every law that the two together do not rule out
    counts. Beside it the device's loss without light [1/h].
    """
    plain = coupon.data.per_hour(coupon.data.mean_absorbed_rate)
    other = device.per_hour()
    if other.name == plain.name:
        other = replace(other, name=f"{other.name} (device)")
    if not other.used("lit"):
        reasons = "; ".join(f"{n}: {why}" for n, why in other.set_aside)
        raise OptistackError(
            f"{other.name}: no specimen is left whose loss could be light's. {reasons}"
        )
    coupons, devices = len(plain.used("lit")), len(other.used("lit"))
    column = np.repeat([0.0, 1.0], [coupons, devices])
    curves = Curves((plain, other), {"device": column}, {1: device_laws})
    ranking = rank(curves, [m.curve.law for m in coupon.plausible])
    value, low, high = envelope(ranking.plausible, lambda c, th: th[:, c.column("device")])
    best = ranking.fits[0].curve
    dark = best.dark_rate_per_h(other.name)
    notes = [*other.notes(), *ranking.notes]
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
        share = explained_share(factor, seen)
        if share > 1:
            verdict = "more than seen"
        else:
            verdict = "part" if share > _SMALL_SHARE else "not the cause"
    return WeightCase(name, ratio, factor, residual, verdict, excluded=not agrees)


def _far(coupon: CouponKinetics, ratios: Mapping[str, Value], exponent: Knowledge) -> list[str]:
    """Weights with which the device's intensity lies far from every tested one."""
    out = []
    rates = [s.absorbed_rate for s in coupon.data.used("lit")]
    mean = coupon.data.mean_absorbed_rate
    low, high = min(rates), max(rates)
    if exponent.tested is not None:
        # A series in another unit than the coupons' says nothing about theirs.
        inside = exponent.tested[0] * 0.5 <= low and high <= exponent.tested[1] * 2
        if inside:
            low, high = min(low, exponent.tested[0]), max(high, exponent.tested[1])
    for name, v in ratios.items():
        above, below = v.high * mean / high, low / (v.low * mean)
        times, side = max((above, "above"), (below, "below"))
        if times > FAR_INTENSITY:
            out.append(
                f"weight {name}: the device's intensity is {times:.3g} times {side} the tested "
                f"ones, more than {FAR_INTENSITY:g}; whether p holds there is not known"
            )
    return out
