"""The CSV tables of a report: one fact per row, units in the names of the columns."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optistack.report.data import Profiles
from optistack.report.wording import parts
from optistack.scenario import RunResult
from optistack.spectra import Spectrum
from optistack.spectral_math import PHOTON_J_NM
from optistack.tables import plain_text

Real = NDArray[np.float64]
Json = dict[str, Any]

# A spreadsheet takes a cell that begins like this for a formula; some take the wide signs too.
_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠")


def csv_texts(result: RunResult, data: Json, profiles: Profiles) -> dict[str, str]:
    """File name and text of every table for which there are data.

    Parameters
    ----------
    result : RunResult
    data : dict
        From `optistack.report.results_json`.
    profiles : mapping
        From `optistack.report.data.depth_profiles`.
    """
    tables = {
        "exposures.csv": _exposures(data),
        "budget.csv": _budget(data),
        "comparisons.csv": _comparisons(data),
        "sensitivity.csv": _sensitivity(data),
        "filters.csv": _filters(data),
        "spectra.csv": _spectra(result),
        "depth_profile.csv": _depth(data, profiles),
        "rates.csv": _rates(data),
        "ageing.csv": _ageing(data),
        "activation.csv": _activation(data),
        "causes.csv": _causes(data),
        "first_order.csv": [] if data["causes"] is None else data["causes"]["inputs"],
        "electrode_power.csv": _electrode_power(data),
        "electrode_life.csv": _electrode_life(data),
        "electrode_pitch.csv": _electrode_pitch(data),
        "site.csv": _site(data),
        "lamp_years.csv": _lamp_years(data),
        "plan.csv": _plan(data),
        "ledger.csv": _ledger(data),
        "filter_choice.csv": _filter_choice(data),
        "inputs.csv": [
            {
                k: item[k]
                for k in (
                    "used_as",
                    "name",
                    "title",
                    "kind",
                    "grade",
                    "source",
                    "licence",
                    "sha256",
                )
            }
            for item in data["inputs"]
        ],
    }
    return {name: csv_text(rows) for name, rows in tables.items() if rows}


def csv_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """Rows as CSV; the columns are those of the first row."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    columns = list(rows[0])
    writer.writerow(columns)
    writer.writerows([cell(row[c]) for c in columns] for row in rows)
    return out.getvalue()


def cell(value: Any) -> str:
    """A cell: numbers to the last digit, text that a spreadsheet cannot take for a formula.

    Examples
    --------
    >>> cell("=1+1"), cell(-0.5), cell(None), cell(True)
    ("'=1+1", '-0.5', '', 'true')
    >>> cell("film;=1+1")  # where semicolons part cells, as with decimal commas
    "film;'=1+1"
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    text = plain_text(str(value))
    return f"'{text}" if text.lstrip('" ').startswith(_FORMULA) else text


def _ranged(name: str, value: Any) -> Json:
    """A number as three columns."""
    middle, low, high, _ = parts(value)
    return {name: middle, f"{name}_low": low, f"{name}_high": high}


def _exposures(data: Json) -> list[Json]:
    rows = []
    for name, exposure in data["exposures"].items():
        for layer in exposure["layers"]:
            head = {
                "exposure": name,
                "stack": exposure["stack"],
                "light": exposure["light"],
                "filter": exposure["filter"],
                "duration_h": exposure["hours"],
                "layer": layer["name"],
                "material": layer["material"],
                "thickness_nm": layer["thickness_nm"],
            }
            for band, incident in exposure["incident"].items():
                known = incident or dict.fromkeys(
                    (
                        "irradiance_w_m2",
                        "photon_flux_m2_s",
                        "radiant_exposure_j_m2",
                        "photon_exposure_m2",
                    )
                )
                rows.append(
                    {
                        **head,
                        "band_nm": band,
                        "weight": None,
                        **{f"incident_{k}": parts(v)[0] for k, v in known.items()},
                        **_ranged("absorbed_photons_m2_s", layer["absorbed_photons_m2_s"][band]),
                        **_ranged("absorbed_fraction", layer["absorbed_fraction"][band]),
                        **_ranged("absorbed_photons_m3_s", layer["absorbed_photons_m3_s"][band]),
                        **_ranged(
                            "absorbed_photon_dose_m2", layer["absorbed_photon_dose_m2"][band]
                        ),
                        **_ranged(
                            "absorbed_photon_dose_mol_m2",
                            layer["absorbed_photon_dose_mol_m2"][band],
                        ),
                        **_ranged("weighted_equivalent_photons_m2_s", None),
                    }
                )
            blank = dict.fromkeys(rows[-1]) if rows else {}
            for weight in data["question"]["weights"]:
                low, high = weight["band_nm"]
                rows.append(
                    {
                        **blank,
                        **head,
                        "band_nm": f"{low:g}-{high:g}",
                        "weight": weight["name"],
                        **_ranged(
                            "weighted_equivalent_photons_m2_s",
                            layer["weighted_equivalent_photons_m2_s"][weight["name"]],
                        ),
                    }
                )
    return rows


def _budget(data: Json) -> list[Json]:
    return [
        {"exposure": name, "band_nm": band, "part": part, "share_of_incident_photons": share}
        for name, exposure in data["exposures"].items()
        for band, shares in exposure["budget"].items()
        for part, share in (shares or {}).items()
    ]


def _comparisons(data: Json) -> list[Json]:
    rows = []
    for c in data["comparisons"]:
        head = {
            k: c[k]
            for k in (
                "light",
                "coupon",
                "device",
                "coupon_exposure",
                "device_exposure",
                "layer",
                "coupon_layer",
            )
        }
        scale = c["coupon_thickness_nm"] / c["device_thickness_nm"]
        for band, ratio in c["ratio"].items():
            why = c["why"][band] or {}
            rows.append(
                {
                    **head,
                    "band_nm": band,
                    "weight": None,
                    **_ranged("ratio", ratio),
                    **_ranged("ratio_per_volume", c["ratio_per_volume"][band]),
                    **{
                        k: why.get(k)
                        for k in (
                            "front_absorption",
                            "return_from_behind",
                            "surroundings",
                            "rear_light",
                        )
                    },
                }
            )
        for weight in c["weights"]:
            low, high = weight["band_nm"]
            ratio = c["weighted_ratio"][weight["name"]]
            triple = [None if x is None else x * scale for x in parts(ratio)[:3]]
            rows.append(
                {
                    **head,
                    "band_nm": f"{low:g}-{high:g}",
                    "weight": weight["name"],
                    **_ranged("ratio", ratio),
                    "ratio_per_volume": triple[0],
                    "ratio_per_volume_low": triple[1],
                    "ratio_per_volume_high": triple[2],
                    "front_absorption": None,
                    "return_from_behind": None,
                    "surroundings": None,
                    "rear_light": None,
                }
            )
    return rows


def _sensitivity(data: Json) -> list[Json]:
    rows = []
    for c in data["comparisons"]:
        bands = {w["name"]: f"{w['band_nm'][0]:g}-{w['band_nm'][1]:g}" for w in c["weights"]}
        for case in c["sensitivity"]:
            answers = [(band, None, r) for band, r in case["ratio"].items()]
            answers += [(bands[w], w, r) for w, r in case["weighted_ratio"].items()]
            rows += [
                {
                    "light": c["light"],
                    "layer": c["layer"],
                    "k_scale": case["scale"],
                    "k_tilt": case["tilt"],
                    "band_nm": band,
                    "weight": weight,
                    "ratio": ratio,
                }
                for band, weight, ratio in answers
            ]
    return rows


def _filters(data: Json) -> list[Json]:
    rows = []
    for f in data["filters"]:
        head = {k: f[k] for k in ("number", "name", "mount", "light", "exposure", "layer")}
        tail = {
            **_ranged("photocurrent_ma_cm2", f["photocurrent_ma_cm2"]),
            **_ranged("photocurrent_lost_ma_cm2", f["photocurrent_lost_ma_cm2"]),
            **_ranged("photocurrent_lost_fraction", f["photocurrent_lost_fraction"]),
            "dominated": f["dominated"],
        }
        answers = [
            (band, None, v, f["reduction_factor"][band]) for band, v in f["dose_left"].items()
        ]
        answers += [(None, weight, v, None) for weight, v in f["weighted_dose_left"].items()]
        for band, weight, left, factor in answers:
            rows.append(
                {
                    **head,
                    "band_nm": band,
                    "weight": weight,
                    **_ranged("dose_left", left),
                    "dose_left_bound": parts(left)[3],
                    "reduction_factor": parts(factor)[0],
                    **tail,
                }
            )
    return rows


def _spectra(result: RunResult) -> list[Json]:
    """Light over the wavelengths that were solved, and the absorptance of every layer."""
    runs = list(result.exposures.values())
    low = min(r.wavelength_nm[0] for r in runs)
    high = max(r.wavelength_nm[-1] for r in runs)
    rows: list[Json] = []
    lights: dict[str, Spectrum] = {r.exposure.light.name: r.exposure.light for r in runs}
    for name, light in lights.items():
        for i, shape in enumerate((light, *light.variants)):
            inside = (shape.wavelength_nm >= low) & (shape.wavelength_nm <= high)
            lam = shape.wavelength_nm[inside]
            power = shape.spectral_irradiance_w_m2_nm[inside]
            flux = power * lam / PHOTON_J_NM
            variant = "central" if i == 0 else shape.name
            for values in zip(lam.tolist(), power.tolist(), flux.tolist(), strict=True):
                rows.append(_spectral_row(name, variant, None, None, *values, None))
    for name, run in result.exposures.items():
        for layer in run.stack.names:
            absorptance = run.layer_absorptance(layer)
            for x, a in zip(run.wavelength_nm.tolist(), absorptance.tolist(), strict=True):
                rows.append(_spectral_row(None, None, name, layer, x, None, None, a))
    return rows


def _spectral_row(
    light: str | None,
    variant: str | None,
    exposure: str | None,
    layer: str | None,
    wavelength_nm: float,
    power: float | None,
    flux: float | None,
    absorptance: float | None,
) -> Json:
    return {
        "light": light,
        "variant": variant,
        "exposure": exposure,
        "layer": layer,
        "wavelength_nm": wavelength_nm,
        "spectral_irradiance_w_m2_nm": power,
        "spectral_photon_flux_m2_s_nm": flux,
        "absorptance": absorptance,
    }


def _depth(data: Json, profiles: Profiles) -> list[Json]:
    """Absorbed photons per volume against depth in the asked layer, headline band."""
    return [
        {
            "exposure": name,
            "layer": profile.layer,
            "band_nm": data["question"]["headline_band"],
            "depth_nm": x,
            "absorbed_photons_m3_s": y,
        }
        for name, profile in profiles.items()
        for x, y in zip(
            profile.depth_nm.tolist(), profile.absorbed_photons_m3_s.tolist(), strict=True
        )
    ]


def _columns(part: Json, names: Sequence[str]) -> list[Json]:
    """Lists of one length as rows."""
    lists = [part[name] for name in names]
    return [dict(zip(names, row, strict=True)) for row in zip(*lists, strict=True)]


def _electrode_power(data: Json) -> list[Json]:
    part = data["electrode"]
    return [] if part is None else _columns(part["power"], list(part["power"]))


def _electrode_life(data: Json) -> list[Json]:
    part = data["electrode"]
    if part is None:
        return []
    rows = []
    for name, life in part["lives"].items():
        lists = [key for key, value in life.items() if isinstance(value, list)]
        lists.remove("sentences")
        head = {"sheet_resistance_from": name, "start_h": life["start_h"]}
        rows += [{**head, **row} for row in _columns(life, lists)]
    return rows


def _electrode_pitch(data: Json) -> list[Json]:
    part = data["electrode"]
    if part is None or part["pitch"] is None:
        return []
    return list(part["pitch"]["choices"])


def _rates(data: Json) -> list[Json]:
    part = data["rates"]
    if part is None:
        return []
    return [
        {
            "weight": c["weight"],
            **_ranged("absorbed_ratio_per_volume", c["absorbed_ratio_per_volume"]),
            **_ranged("rate_factor", c["rate_factor"]),
            **_ranged("residual_factor", c["residual_factor"]),
            "verdict": c["verdict"],
            "excluded": c["excluded"],
        }
        for c in part["weights"]
    ]


def _ageing(data: Json) -> list[Json]:
    """Readings of the coupons with their residuals."""
    part = data["rates"]
    if part is None:
        return []
    left = {(r["specimen"], r["hours"]): r["residual_sd"] for r in part["coupon"]["residuals"]}
    return [
        {**row, "residual_sd": left.get((row["specimen"], row["hours"]))}
        for row in part["coupon"]["readings"]
    ]


def _activation(data: Json) -> list[Json]:
    part = data["rates"]
    if part is None or part["activation"] is None:
        return []
    return [
        {
            "band_nm": b["band"],
            **_ranged("weight", b["weight"]),
            **_ranged("share_of_damage", b["share_of_damage"]),
            "resolved": b["resolved"],
            "reason": b["reason"],
        }
        for b in part["activation"]["bands"]
    ]


def _causes(data: Json) -> list[Json]:
    part = data["uncertainty"]
    if part is None:
        return []
    return [
        {"answer": name, **share} for name, shares in part["shares"].items() for share in shares
    ]


def _filter_choice(data: Json) -> list[Json]:
    part = data["filter_choice"]
    if part is None:
        return []
    return [
        {
            "candidate": c["name"],
            "family": c["family"],
            "mount": c["mount"],
            "counted_by": part["counted_by"],
            **{f"dose_left {name}": c["dose_left"][name] for name in part["exposures"]},
            "photocurrent_lost_fraction": c["photocurrent_lost_fraction"],
            "t80_years": c["t80_years"],
            "energy": c["energy"],
            "energy_unit": part["energy_unit"],
            "break_even_years": c["break_even_years"],
            "cost_per_m2": c["cost_per_m2"],
            "rank": c["rank"],
        }
        for c in part["candidates"]
    ]


def _site(data: Json) -> list[Json]:
    """The year (month 0) and its months."""
    part = data["site"]
    if part is None:
        return []
    rows = []
    for name, e in part["exposures"].items():
        for key, absorbed in e["absorbed"].items():
            incident = e["incident"].get(key)
            low, high = part["counted_nm"][key]
            arriving = (
                [None] * 13
                if incident is None
                else [parts(incident["radiant_exposure_j_m2"])[0], *incident["monthly_j_m2"]]
            )
            photons = [parts(absorbed["photons_m2"])[0], *absorbed["monthly_photons_m2"]]
            for month in range(13):
                rows.append(
                    {
                        "exposure": name,
                        "layer": e["layer"],
                        "over": key,
                        "counted_from_nm": low,
                        "counted_to_nm": high,
                        "month": month,
                        "incident_radiant_exposure_j_m2": arriving[month],
                        "absorbed_photons_m2": photons[month],
                        "equivalent_am15g_h": absorbed["am15g_hours"] if month == 0 else None,
                    }
                )
    return rows


def _lamp_years(data: Json) -> list[Json]:
    part = data["plan"]
    if part is None:
        return []
    found = part["lamp_years"]
    return [
        {
            "lamp": found["lamp"],
            "specimen": r["specimen"],
            "counted_by": r["counted_by"],
            "dose_unit": r["dose_unit"],
            **_ranged("lamp_rate_per_s", r["lamp_rate_per_s"]),
            **_ranged("site_year", r["site_year"]),
            **_ranged("lamp_hours_per_site_year", r["lamp_hours_per_site_year"]),
            **_ranged("site_years_per_1000_lamp_hours", r["site_years_per_1000_lamp_hours"]),
        }
        for r in found["rows"]
    ]


def _plan(data: Json) -> list[Json]:
    part = data["plan"]
    if part is None:
        return []
    return [
        {
            "cycle": r["cycle"],
            "mark": r["mark"],
            "lamp": r["lamp"],
            "set_point": r["set_point"],
            "filter": r["filter"],
            "mount": r["mount"],
            "counted_by": h["counted_by"],
            **_ranged("light_hours", h["light_hours"]),
            **_ranged("clock_hours", h["clock_hours"]),
            **_ranged("site_years", h["site_years"]),
            **_ranged("intensity_over_site", r["intensity_over_site"]),
            "flags": "; ".join(r["flags"]),
        }
        for r in part["rows"]
        for h in r["counted_by"]
    ]


def _ledger(data: Json) -> list[Json]:
    part = data["ledger"]
    if part is None:
        return []
    return [
        {
            "specimen": dose["specimen"],
            "orientation": dose["orientation"],
            "angle_deg": dose["angle_deg"],
            "hours": dose["hours"],
            "band_nm": band,
            **_ranged("radiant_exposure_j_m2", energy),
            **_ranged("photons_m2", dose["photons_m2"][band]),
            "grade": dose["grade"],
        }
        for dose in part["specimens"]
        for band, energy in dose["radiant_exposure_j_m2"].items()
    ]
