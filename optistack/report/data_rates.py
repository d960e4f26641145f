"""The rates' part of results.json."""

from __future__ import annotations

from typing import Any

import numpy as np

from optistack.ageing import AgeingData
from optistack.analysis.activation_spectrum import ActivationSpectrum
from optistack.analysis.kinetics import Kinetics
from optistack.rate_terms import Knowledge
from optistack.report.json_values import Json, as_json, finite, finite_list
from optistack.scenario import RatesAnswer
from optistack.spectral_math import band_key

LEVELS = (0.95, 0.8, 0.5)
_CURVE_POINTS = 61


def rates_json(answer: RatesAnswer) -> Json:
    """What was found about rates; docs/results.md explains the fields."""
    correction = answer.correction
    coupon, device = answer.question.pair
    return {
        "coupon_exposure": coupon,
        "device_exposure": device,
        "coupon": _kinetics(answer.kinetics),
        "device": None if answer.device is None else _data(answer.device),
        "reciprocity_exponent": _knowledge(correction.exponent),
        "activation_energy_kj_mol": _knowledge(correction.activation_energy_kj_mol),
        "temperature_factor": as_json(correction.temperature_factor),
        "weights": [
            {
                "weight": case.weight,
                "absorbed_ratio_per_volume": as_json(case.absorbed_ratio),
                "rate_factor": as_json(case.rate_factor),
                "residual_factor": as_json(case.residual),
                "verdict": case.verdict if case.residual is not None else None,
                "excluded": case.excluded,
            }
            for case in answer.over_weights.cases
        ],
        "rate_factor": as_json(correction.rate_factor),
        "measured_factor": as_json(correction.measured_factor),
        "residual_factor": as_json(correction.residual),
        "excluded_weights": list(answer.over_weights.excluded_weights),
        "device_dark_rate_per_h": as_json(correction.device_dark_rate_per_h),
        "device_rate_per_h": as_json(correction.device_rate_per_h()),
        "hours_to_share": {
            f"{level:g}": {
                "coupon": as_json(of_coupon),
                "device": as_json(of_device),
                "device_all_weights": as_json(of_all),
            }
            for level, of_coupon, of_device, of_all in zip(
                LEVELS,
                answer.kinetics.hours_to_levels(LEVELS),
                correction.hours_to_levels(LEVELS, correction.cases[0].weight),
                answer.over_weights.hours_to_levels(LEVELS),
                strict=True,
            )
        },
        "courses": {
            name: {
                "time_h": finite_list(course.position),
                "sheet_resistance_ohm_sq": finite_list(course.sheet_resistance_ohm_sq),
                "low_ohm_sq": finite_list(course.low_ohm_sq),
                "high_ohm_sq": finite_list(course.high_ohm_sq),
            }
            for name, course in answer.courses.items()
        },
        "activation": None if answer.activation is None else _activation(answer.activation),
        "sentences": [*answer.kinetics.sentences(), *correction.sentences()],
        "flags": list(correction.flags),
        "notes": list(answer.notes),
    }


def _knowledge(known: Knowledge) -> Json:
    return {
        "value": as_json(known.value),
        "how": known.how,
        "tested": None if known.tested is None else finite_list(known.tested),
    }


def _kinetics(found: Kinetics) -> Json:
    dose = np.linspace(0.0, found.tested_dose, _CURVE_POINTS)[1:]
    middle, low, high = found.remaining(dose)
    residuals = iter(found.best.curve.fit.standardised)
    rows = [
        {"specimen": s.name, "hours": finite(s.hours[i]), "residual_sd": finite(next(residuals))}
        for s in found.best.curve.curves.specimens
        for i in s.kept
    ]
    return {
        **_data(found.data),
        "dose_unit": found.data.dose_unit,
        "tested_dose": finite(found.tested_dose),
        "laws": [
            {
                "law": m.name,
                "formula": m.curve.law.formula,
                "aicc_behind_best": finite(m.behind),
                "weight": finite(m.weight),
                "parameters": {name: as_json(v) for name, v in m.parameters.items()},
            }
            for m in found.laws
        ],
        "decided": found.decided,
        "dose_to_80_percent": as_json(found.dose_to(0.8)),
        "dark_rate_per_h": as_json(found.dark_rate_per_h),
        "dark_share": as_json(found.dark_share),
        "curve": {
            "dose": finite_list(dose),
            "share_left": finite_list(middle),
            "share_left_low": finite_list(low),
            "share_left_high": finite_list(high),
        },
        "readings": _readings(found),
        "residuals": rows,
    }


def _readings(found: Kinetics) -> list[Json]:
    """Every reading as the share of its specimen's fitted start that is left."""
    curve = found.best.curve
    out = []
    for s in curve.curves.specimens:
        start = float(np.exp(curve.fit.theta[curve.column(f"log start {s.name}")]))
        for i in s.kept:
            value = 1 / s.values[i] if found.data.inverse else s.values[i]
            out.append(
                {
                    "specimen": s.name,
                    "role": s.role,
                    "hours": finite(s.hours[i]),
                    "dose": finite(s.hours[i] * s.absorbed_rate) if s.role == "lit" else 0.0,
                    "share_left": finite(value / start),
                }
            )
    return out


def _data(data: AgeingData) -> Json:
    return {
        "name": data.name,
        "quantity": data.quantity,
        "invented": data.invented,
        "specimens": {role: [s.name for s in data.used(role)] for role in ("lit", "dark", "dry")},
        "set_aside": [{"specimen": name, "reason": why} for name, why in data.set_aside],
    }


def _activation(found: ActivationSpectrum) -> Json:
    series = found.series

    def band(b: Any) -> Json:
        return {
            "band": band_key(b.band_nm),
            "weight": as_json(b.weight),
            "share_of_damage": as_json(b.share),
            "resolved": b.resolved,
            "reason": b.reason,
        }

    return {
        "source": series.source,
        "layer": series.layer,
        "stack": series.stack,
        "filters": list(series.names),
        "rate": finite_list(series.rate),
        "rate_sd": finite_list(series.rate_sd),
        "bands": [band(b) for b in found.bands],
        "slope_nm": as_json(found.slope_nm),
        "exponential_fits": found.exponential_fits,
        "reference_nm": finite(found.reference_nm),
        "wavelength_nm": finite_list(found.wavelength_nm),
        "curve": finite_list(found.curve),
        "misfit": finite(found.misfit),
        "sentences": found.sentences(),
    }
