"""The site's and the plan's part of results.json."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optistack.analysis.exposure_plan import PlanResult, PlanRow, QualificationRow
from optistack.analysis.lamp_years import SPECIMENS, LampPair, LampYears
from optistack.analysis.outdoor import SiteDose
from optistack.report.json_values import Json, as_json, finite, finite_list
from optistack.scenario import PlanAnswer, SiteAnswer
from optistack.spectral_math import J_PER_KWH, band_key
from optistack.value import Value


def site_json(answer: SiteAnswer) -> Json:
    """A year at the site; docs/results.md explains the fields."""
    site, light = answer.question.site, answer.light
    coupon, device = answer.coupon_dose, answer.device_dose
    names = (answer.coupon, answer.device)
    return {
        "name": site.name,
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "altitude_m": site.altitude_m,
        "timezone": site.timezone,
        "tilt_deg": site.tilt_deg,
        "azimuth_deg": site.azimuth_deg,
        "climate": light.climate,
        "step_h": light.step_h,
        "coupon": answer.coupon,
        "device": answer.device,
        "direct_share": {key: finite(light.direct_share(b)) for key, b in _bands(device)},
        "counted_nm": {key: list(device.reported_nm(key)) for key in device.keys},
        "exposures": {name: _dose(answer.year.doses[name]) for name in names},
        "ratio": {key: _ratio(device, coupon, key) for key, _ in _bands(device)},
        "weighted_ratio": {w.name: _ratio(device, coupon, w.name) for w in device.weights},
        "filters": [
            {
                "name": item.item.name,
                "mount": item.mount,
                "dose_left": {
                    key: _ratio(answer.year.doses[name], device, key) for key, _ in _bands(device)
                },
                "weighted_dose_left": {
                    w.name: _ratio(answer.year.doses[name], device, w.name) for w in device.weights
                },
                "absorbed_photons_m2": dict(
                    zip(
                        answer.year.doses[name].absorbed_photons_m2,
                        finite_list(list(answer.year.doses[name].absorbed_photons_m2.values())),
                        strict=True,
                    )
                ),
            }
            for name, item in answer.filters.items()
        ],
        "refused_filters": list(answer.refused),
        "notes": list(answer.notes),
    }


def _bands(dose: SiteDose) -> list[tuple[str, tuple[float, float]]]:
    return [(band_key(b), b) for b in dose.bands_nm]


def _ratio(one: SiteDose, other: SiteDose, key: str) -> float | None:
    below = other.dose_m2(key)
    return finite(one.dose_m2(key) / below) if below > 0 else None


def _dose(dose: SiteDose) -> Json:
    bands = [key for key, _ in _bands(dose)]
    hours = dose.equivalent_am15g_hours
    return {
        "layer": dose.layer,
        "thickness_nm": finite(dose.thickness_nm),
        "filter": dose.filter_name,
        "grade": dose.grade,
        "incident": {
            key: {
                "radiant_exposure_j_m2": as_json(dose.incident_range_j_m2(key)),
                "radiant_exposure_kwh_m2": finite(dose.incident_j_m2[key] / J_PER_KWH),
                "photon_exposure_m2": finite(dose.incident_photons_m2[key]),
                "am15g_hours": finite(dose.incident_am15g_hours[key]),
                "monthly_j_m2": finite_list(dose.monthly_incident_j_m2(key)),
            }
            for key in bands
        },
        "absorbed": {
            key: {
                "photons_m2": as_json(dose.dose_range_m2(key)),
                "am15g_hours": finite(hours[key]),
                "monthly_photons_m2": finite_list(dose.monthly_m2(key)),
            }
            for key in dose.keys
        },
    }


def plan_json(answer: PlanAnswer) -> Json:
    """Lamp hours against site years, and the plan; docs/results.md explains the fields."""
    return {
        "lamp_years": _lamp_years(answer.lamp_years),
        "two_lamps": None if answer.lamps is None else _two_lamps(answer.lamps),
        **_plan(answer.plan),
        "sheet_cycle": answer.row.cycle.name,
        "sheet_filter": answer.row.filter,
        "plan_sheet": answer.plan_sheet,
        "reporting_sheet": answer.reporting_sheet,
        "notes": list(answer.notes),
    }


def _lamp_years(found: LampYears) -> Json:
    return {
        "lamp": found.lamp,
        "lamp_band": band_key(found.lamp_band_nm),
        "meter_band": band_key(found.meter_band_nm),
        "grade": found.grade,
        "reciprocity_exponent": {
            "value": as_json(found.exponent.value),
            "how": found.exponent.how,
        },
        "lamp_hours_per_site_year": {who: as_json(found.apart(who)) for who in SPECIMENS},
        "rows": [
            {
                "specimen": r.specimen,
                "counted_by": r.criterion.label,
                "kind": r.criterion.kind,
                "key": r.criterion.key,
                "dose_unit": r.criterion.unit,
                "lamp_rate_per_s": as_json(r.lamp_rate),
                "site_year": as_json(r.year_amount),
                "lamp_hours_per_site_year": as_json(r.lamp_hours_per_year),
                "site_years_per_1000_lamp_hours": as_json(r.years_per_1000_lamp_hours),
                "temperature_factor": _maybe(r.temperature_factor),
                "lamp_hours_per_site_year_warm": _maybe(r.lamp_hours_per_year_warm),
            }
            for r in found.rows
        ],
        "sentences": list(found.sentences()),
    }


def _two_lamps(found: LampPair) -> Json:
    return {
        "first": found.first,
        "second": found.second,
        "nominal": found.nominal,
        "dose_ratio": {who: as_json(found.apart(who)) for who in SPECIMENS},
        "rows": [
            {
                "specimen": r.specimen,
                "counted_by": r.criterion.label,
                "dose_ratio": as_json(r.ratio),
            }
            for r in found.rows
        ],
    }


def _plan(plan: PlanResult) -> Json:
    return {
        "grade": plan.grade,
        "specimen": plan.specimen,
        "layer": plan.coupon_layer,
        "device_layer": plan.layer,
        "site": plan.site,
        "years": plan.years,
        "light_hours": plan.light_hours,
        "rows": [_row(r) for r in plan.rows],
        "left_out": [{"cycle": c.name, "mark": c.mark, "reason": why} for c, why in plan.left_out],
        "qualification": {
            "dose_kwh_m2": plan.test.dose_kwh_m2,
            "lamps": [_qualification(q) for q in plan.qualification],
            "sentences": list(plan.sentences()),
        },
    }


def _row(row: PlanRow) -> Json:
    return {
        "cycle": row.cycle.name,
        "mark": row.cycle.mark,
        "lamp": row.cycle.lamp,
        "set_point": row.set_point.label,
        "conditions": row.cycle.conditions,
        "phases": row.cycle.timing,
        "filter": row.filter,
        "mount": row.mount,
        "closest": row.closest,
        "light_hours": _maybe(row.over_weights),
        "clock_hours": _maybe(row.clock_over_weights),
        "site_years": _maybe(row.years_over_weights),
        "counted_by": [
            {
                "counted_by": h.criterion.label,
                "light_hours": as_json(h.light_hours),
                "clock_hours": _maybe(h.clock_hours),
                "site_years": as_json(h.site_years),
                "site_share": finite(h.site_share),
            }
            for h in row.hours
        ],
        "absorbed_photons_m3_s": as_json(row.absorbed_photons_m3_s),
        "intensity_over_site": as_json(row.intensity_over_site),
        "flags": list(row.flags),
        "regions": list(row.regions),
    }


def _maybe(value: Value | None) -> Any:
    return None if value is None else as_json(value)


def _qualification(q: QualificationRow) -> Json:
    months: Mapping[str, Value] = q.site_months
    return {
        "lamp": q.lamp,
        "coupon_absorbed_photons_m2": as_json(q.coupon_absorbed_m2),
        "device_absorbed_photons_m2": as_json(q.device_absorbed_m2),
        "device_over_coupon": as_json(q.device_over_coupon),
        "device_site_months": {label: as_json(v) for label, v in months.items()},
        "notes": list(q.notes),
    }
