"""The electrode's part of results.json."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from optistack.analysis.electrode import (
    Diagnosis,
    LineProfileFit,
    OperatingPoints,
    PitchTable,
    PowerLife,
    PowerMap,
)
from optistack.analysis.electrode.diagnosis import EXTRA_UNIT
from optistack.report.json_values import Json, as_json, finite, finite_list
from optistack.scenario import ElectrodeAnswer

_KINDS = {
    "ParallelFingers": "parallel_fingers",
    "OneEdge": "one_edge",
    "SquarePad": "square_pad",
    "BusbarUnitCell": "busbar_and_fingers",
}
_POINTS = ("jsc_ma_cm2", "voc_v", "fill_factor", "power_mw_cm2", "vmp_v", "jmp_ma_cm2")


def electrode_json(answer: ElectrodeAnswer) -> Json:
    """What was found about the electrode; docs/results.md explains the fields."""
    question = answer.question
    return {
        "cell": {k: v for k, v in asdict(question.cell).items() if v is not None},
        "geometry": {
            "kind": _KINDS[type(question.geometry).__name__],
            **{k: v for k, v in asdict(question.geometry).items() if v is not None},
        },
        "start_sheet_resistance_ohm_sq": question.start_sheet_resistance_ohm_sq,
        **_power(answer.power),
        "lives": {name: _life(life) for name, life in answer.lives.items()},
        "pitch": None if answer.pitch is None else _pitch(answer.pitch),
        "diagnosis": None if answer.diagnosis is None else _diagnosis(answer.diagnosis),
        "line_profile": None if answer.profile is None else _profile(answer.profile),
        "notes": list(answer.notes),
    }


def _points(points: OperatingPoints) -> Json:
    return {name: finite_list(getattr(points, name)) for name in _POINTS}


def _power(power: PowerMap) -> Json:
    first = power.first_order
    return {
        "start": {name: values[0] for name, values in _points(power.start).items()},
        "power": {
            "sheet_resistance_ohm_sq": finite_list(power.points.sheet_resistance_ohm_sq),
            **_points(power.points),
            "power_share": finite_list(power.power_share),
            "first_order_loss": finite_list(power.first_order_loss),
            "elasticity": finite_list(power.elasticity),
        },
        "levels": [
            {"power_share": share, "sheet_resistance_ohm_sq": finite(r)}
            for share, r in sorted(power.level_ohm_sq.items(), reverse=True)
        ],
        "collapse_ohm_sq": finite(power.collapse_ohm_sq),
        "collapse_power_share": finite(power.collapse_power_share),
        "first_order": {
            "off_by_a_point_ohm_sq": finite(first.off_by_a_point_ohm_sq),
            "side": first.side,
            "turns_pessimistic_ohm_sq": finite(first.turns_pessimistic_ohm_sq),
            "all_lost_ohm_sq": finite(first.all_lost_ohm_sq),
            "power_share_there": finite(first.power_share_there),
        },
        "sentences": power.summary(),
    }


def _start_text(life: PowerLife) -> str:
    """ "initial (0 h)", or "after burn-in (40 h)"."""
    return f"{life.start_name.partition(' (')[0]} ({life.start:g} h)"


def _life(life: PowerLife) -> Json:
    series, knee = life.series, life.knee
    return {
        "start_h": finite(life.start),
        "start_name": _start_text(life),
        "time_h": finite_list(series.position),
        "sheet_resistance_ohm_sq": finite_list(series.sheet_resistance_ohm_sq),
        "sheet_resistance_low_ohm_sq": finite_list(series.low_ohm_sq),
        "sheet_resistance_high_ohm_sq": finite_list(series.high_ohm_sq),
        "jsc_ma_cm2": finite_list(life.central.jsc_ma_cm2),
        "fill_factor": finite_list(life.central.fill_factor),
        "power_mw_cm2": finite_list(life.central.power_mw_cm2),
        "power_share": finite_list(life.power_share),
        "power_share_low": finite_list(life.power_share_low),
        "power_share_high": finite_list(life.power_share_high),
        "first_order_share": finite_list(life.first_order_share),
        "lifetimes_h": {name: as_json(value) for name, value in life.lifetimes.items()},
        "knee": {
            "sheet_resistance_ohm_sq": finite(knee.sheet_resistance_ohm_sq),
            "power_share": finite(knee.power_share),
            "elasticity": finite(knee.elasticity),
            "doublings_left": {
                f"T{100 * level:g}": finite(n) for level, n in knee.doublings_left.items()
            },
            "collapse_ohm_sq": finite(knee.collapse_ohm_sq),
            "warning": knee.warning,
        },
        "outlook_t80_h": {
            "straight_line_through_power": finite(life.outlook.flat),
            "growth_of_sheet_resistance": finite(life.outlook.growth),
        },
        "sentences": life.summary(),
    }


def _pitch(table: PitchTable) -> Json:
    return {
        "horizon_h": finite(table.horizon_h),
        "choices": [
            {k: v if isinstance(v, bool) else finite(v) for k, v in c._asdict().items()}
            for c in table.choices
        ],
        "best_mm": {name: finite(choice.pitch_mm) for name, choice in table.named.items()},
        "sentences": table.summary(),
    }


def _diagnosis(found: Diagnosis) -> Json:
    series = found.series

    def maybe(values: Any) -> Any:
        return None if values is None else finite_list(values)

    return {
        "time_h": finite_list(series.position),
        "jsc_ma_cm2": finite_list(series.figure("jsc_ma_cm2")),
        "voc_v": finite_list(series.figure("voc_v")),
        "fill_factor": finite_list(series.figure("fill_factor")),
        "power_mw_cm2": finite_list(series.figure("power_mw_cm2")),
        "sheet_resistance_ohm_sq": finite_list(found.sheet_resistance_ohm_sq),
        "measured_share": finite_list(found.measured_share),
        "sheet_share": finite_list(found.sheet_share),
        "sheet_share_low": finite_list(found.sheet_share_low),
        "sheet_share_high": finite_list(found.sheet_share_high),
        "explained": finite_list(found.explained),
        "changes": {
            name: {"measured": finite_list(seen), "by_sheet_resistance": finite_list(by_sheet)}
            for name, (seen, by_sheet) in found.changes.items()
        },
        "budget_log_power": {name: finite_list(part) for name, part in found.budget.items()},
        "models": [
            {
                "extra_term": name,
                "extra": finite_list(fit.extra),
                "extra_sd": finite_list(fit.extra_sd),
                "unit": EXTRA_UNIT[name],
                "aicc": finite(fit.aicc),
                "residual_rms_ma_cm2": finite(fit.residual_rms_ma_cm2),
            }
            for name, fit in sorted(found.fits.items(), key=lambda item: item[1].aicc)
        ],
        "mobility_share": maybe(found.mobility_share),
        "mobility_and_sheet_share": maybe(found.mobility_and_sheet_share),
        "sentences": found.summary(),
    }


def _profile(fit: LineProfileFit) -> Json:
    return {
        "kind": fit.kind,
        "collection_length_mm": as_json(fit.collection_length_mm),
        "sheet_resistance_ohm_sq": as_json(fit.sheet_resistance_ohm_sq),
        "four_point_ohm_sq": as_json(fit.four_point_ohm_sq),
        "ratio_to_four_point": as_json(fit.ratio_to_four_point),
        "mismatch": fit.mismatch,
        "periodic_share": finite(fit.periodic_share),
        "residual_share": finite(fit.residual_share),
        "sentence": fit.sentence,
    }
