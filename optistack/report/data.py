"""A result as the dictionary behind results.json; docs/results.md explains every field."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping
from pathlib import PurePath
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

import optistack
from optistack.analysis.compare import Comparison, Why
from optistack.analysis.filter_selection import FilterRow, FilterTable
from optistack.care import Hazard, hazard, is_lamp
from optistack.errors import OptistackError
from optistack.exposure import ExposureResult
from optistack.light_paths import Geometry
from optistack.report.data_electrode import electrode_json
from optistack.report.data_filter_choice import filter_choice_json
from optistack.report.data_ledger import ledger_json
from optistack.report.data_outdoors import plan_json, site_json
from optistack.report.data_rates import rates_json
from optistack.report.data_uncertainty import causes_json, uncertainty_json
from optistack.report.json_values import Json, as_json, finite
from optistack.scenario import InputFile, RunResult
from optistack.spectra import BandNm, Spectrum, Weight
from optistack.spectral_math import AVOGADRO_MOL, band_key
from optistack.tables import find_table, table_names
from optistack.value import Value

SCHEMA = "optistack-results/1"
_HAZARD_NUMBERS = (
    "actinic_irradiance_w_m2",
    "actinic_irradiance_formula_w_m2",
    "actinic_irradiance_table_w_m2",
    "actinic_limit_s",
    "actinic_limit_formula_s",
    "actinic_limit_table_s",
    "near_irradiance_w_m2",
    "near_limit_s",
    "limit_s",
)

Real = NDArray[np.float64]


# Sections of results.json that stand for a part of a run of the same name, or are None.
_PARTS: Mapping[str, Callable[[Any], Json]] = {
    "rates": rates_json,
    "uncertainty": uncertainty_json,
    "causes": causes_json,
    "electrode": electrode_json,
    "site": site_json,
    "plan": plan_json,
    "ledger": ledger_json,
    "filter_choice": filter_choice_json,
}


def new_sections(result: RunResult, known: Collection[str]) -> Json:
    """The sections of results.json that can be made of a run that still goes on.

    Parameters
    ----------
    result : RunResult
        Has at least its exposures and comparisons.
    known : collection of str
        Sections that were made before.
    """
    out = {} if "exposures" in known else _optics(result)
    if "filters" not in known and result.filters is not None:
        out |= _filter_table(result.filters)
    for name, make in _PARTS.items():
        part = getattr(result, name)
        if name not in known and part is not None:
            out[name] = make(part)
    return out


def results_json(result: RunResult, known: Mapping[str, Any] = MappingProxyType({})) -> Json:
    """Everything a run found, ready for strict JSON.

    Parameters
    ----------
    result : RunResult
    known : mapping, optional
        From `new_sections`, of the same run.

    Returns
    -------
    dict
        As docs/results.md and docs/results.schema.json describe it. Numbers that do not exist,
        for example in a band without light, are None.
    """
    scenario = result.scenario
    made = {**known, **new_sections(result, known)}
    if result.filters is None:
        made |= _filter_table(None)
    return {
        "schema": SCHEMA,
        "generated_by": f"optistack {optistack.__version__}",
        "title": scenario.title,
        "description": scenario.description,
        "invented": scenario.invented,
        "scenario": {"file": PurePath(scenario.path).name, "sha256": scenario.sha256},
        **{name: made[name] for name in made if name not in _PARTS},
        **{name: made.get(name) for name in _PARTS},
        "lights": {
            light.name: _light(light)
            for light in {
                e.exposure.light.name: e.exposure.light for e in result.exposures.values()
            }.values()
        },
        "inputs": [_input(item) for item in scenario.inputs],
        "choices": list(scenario.choices),
        "notes": list(result.notes),
    }


def _optics(result: RunResult) -> Json:
    """The sections about exposures and comparisons."""
    question = result.scenario.question
    headline = headline_band(result)
    comparisons = [_comparison(c, headline) for c in result.comparisons]
    return {
        "question": {
            "layer": question.layer,
            "coupon_layer": question.coupon_layer,
            "bands": [band_key(b) for b in question.bands_nm],
            "headline_band": None if headline is None else band_key(headline),
            "weights": [_weight(w) for w in question.weights],
            "filters_on": list(question.filters_on),
        },
        "comparison": comparisons[0] if comparisons else None,
        "comparisons": comparisons,
        "exposures": {name: _exposure(result, name, headline) for name in result.exposures},
    }


def headline_band(result: RunResult) -> BandNm | None:
    """The band of the headline answers: that of the first weight, else the first band with light.

    Only bands that the scenario asks for, in which the lights of the main comparison shine; without
    comparison, any light.
    """
    if result.comparison is not None:
        runs = [result.comparison.coupon, result.comparison.device]
        together = all
    else:
        runs, together = list(result.exposures.values()), any
    question = result.scenario.question
    first = question.weights[0].band_nm
    bands = sorted(question.bands_nm, key=lambda b: b != first)
    for band in bands:
        if together(lit(run, band) for run in runs):
            return band
    return None


def lit(run: ExposureResult, band_nm: BandNm) -> bool:
    """Whether a light shines in a band."""
    return bool(run.incident_photons_m2_s(band_nm).max() > 0)


def asked_layer(result: RunResult, name: str) -> str | None:
    """The layer of the question in an exposure, under its name there."""
    question = result.scenario.question
    names = result.exposures[name].stack.names
    order = [question.layer, question.coupon_layer]
    if all(name != device for _, device in question.pairs) and any(
        name == coupon for coupon, _ in question.pairs
    ):
        order.reverse()
    return next((layer for layer in order if layer in names), None)


class DepthProfile(NamedTuple):
    """Absorbed photons per volume and time in the asked layer, in the headline band.

    ``depth_nm``: (depth,) [nm] from the lit side; ``absorbed_photons_m3_s``: (depth,) [1/(m3 s)].
    """

    layer: str
    depth_nm: Real
    absorbed_photons_m3_s: Real


Profiles = Mapping[str, DepthProfile]


def depth_profiles(result: RunResult) -> dict[str, DepthProfile]:
    """The depth profile of every exposure that has the asked layer and light in the band."""
    band = headline_band(result)
    out: dict[str, DepthProfile] = {}
    for name, run in result.exposures.items():
        layer = asked_layer(result, name)
        if band is None or layer is None or not lit(run, band):
            continue
        thick = run.stack.layers[run.stack.position(layer)].thickness_nm
        if thick > 0:
            # Closer together at the faces, where an absorbing layer changes fastest.
            depth = thick * (1 - np.cos(np.linspace(0, np.pi, 25))) / 2
            out[name] = DepthProfile(layer, depth, run.depth_profile(layer, depth, band))
    return out


def _range(values: Any) -> Any:
    return as_json(Value.of(values))


def _inverse(value: Value) -> Value:
    """One over a value and its range; an upper limit becomes a lower one."""

    def one(x: float) -> float:
        return 1.0 / x if x > 0 else math.nan

    bound = {"upper": "lower", "lower": "upper"}.get(value.bound or "")
    return Value(one(value.value), one(value.high), one(value.low), bound)  # type: ignore[arg-type]


def _weight(weight: Weight) -> Json:
    return {
        "name": weight.name,
        "band_nm": list(weight.band_nm),
        "slope_nm": weight.slope_nm,
        "reference_nm": weight.reference_nm,
        "measured": weight.measured,
    }


# comparisons ---------------------------------------------------------------------------------


def _comparison(comparison: Comparison, headline: BandNm | None) -> Json:
    sides = ((comparison.coupon, comparison.coupon_layer), (comparison.device, comparison.layer))
    thick = [r.stack.layers[r.stack.position(name)].thickness_nm for r, name in sides]
    scale = thick[0] / thick[1]
    over = comparison.over_weights
    over_volume = Value(over.value * scale, over.low * scale, over.high * scale)
    grade_band = headline or comparison.weights[0].band_nm
    return {
        "light": comparison.light,
        "coupon": comparison.coupon.exposure.stack.name,
        "device": comparison.device.exposure.stack.name,
        "coupon_exposure": comparison.coupon.exposure.name,
        "device_exposure": comparison.device.exposure.name,
        "layer": comparison.layer,
        "coupon_layer": comparison.coupon_layer,
        "coupon_thickness_nm": thick[0],
        "device_thickness_nm": thick[1],
        "ratio": {k: as_json(v) for k, v in comparison.ratio.items()},
        "ratio_per_volume": {k: as_json(v) for k, v in comparison.ratio_per_volume.items()},
        "weighted_ratio": {k: as_json(v) for k, v in comparison.weighted_ratio.items()},
        "weights": [_weight(w) for w in comparison.weights],
        "over_weights": as_json(over),
        "over_weights_per_volume": as_json(over_volume),
        "over_sensitivity": as_json(comparison.over_sensitivity),
        "device_hours_for_coupon_dose": _hours(comparison.coupon.exposure.hours, over_volume),
        "why": {band_key(b): _why(comparison.why.get(band_key(b))) for b in comparison.bands_nm},
        "explanation": {key: comparison.explain(key) for key in comparison.why},
        "sensitivity": [
            {
                "scale": case.scale,
                "tilt": case.tilt,
                "ratio": {k: finite(v) for k, v in case.ratio.items()},
                "weighted_ratio": {k: finite(v) for k, v in case.weighted_ratio.items()},
            }
            for case in comparison.sensitivity
        ],
        "worst_grade": max(r.worst_grade(name, grade_band) for r, name in sides),
        "carrying_tables": [
            {"stack": side, "table": table, "grade": grade, "share": finite(share)}
            for side, (r, name) in zip(("coupon", "device"), sides, strict=True)
            for table, grade, share in r.carrying_tables(name, grade_band)
        ],
        "notes": list(comparison.notes),
    }


def _hours(coupon_hours: float, ratio: Value) -> Any:
    """Hours in which the device's layer absorbs, per volume, what the coupon's did."""
    if not (coupon_hours > 0 and ratio.value > 0):
        return None
    more = _inverse(ratio)
    return as_json(
        Value(coupon_hours * more.value, coupon_hours * more.low, coupon_hours * more.high)
    )


def _why(why: Why | None) -> Json | None:
    if why is None:
        return None
    return {
        "ratio": finite(why.ratio),
        "front_absorption": finite(why.front_absorption),
        "return_from_behind": finite(why.return_from_behind),
        "surroundings": finite(why.surroundings),
        "rear_light": finite(why.rear_light),
        "removed_in_device": {k: finite(v) for k, v in why.removed_in_device.items()},
        "removed_in_coupon": {k: finite(v) for k, v in why.removed_in_coupon.items()},
    }


# exposures -----------------------------------------------------------------------------------


def _exposure(result: RunResult, name: str, headline: BandNm | None) -> Json:
    run = result.exposures[name]
    exposure = run.exposure
    question = result.scenario.question
    bands = question.bands_nm
    shining = {b: lit(run, b) for b in bands}
    flux = {b: run.incident_photons_m2_s(b) for b in bands if shining[b]}
    incident: Json = {}
    for band in bands:
        if not shining[band]:
            incident[band_key(band)] = None
            continue
        irradiance = run.incident_irradiance_w_m2(band)
        incident[band_key(band)] = {
            "irradiance_w_m2": _range(irradiance),
            "photon_flux_m2_s": _range(flux[band]),
            "radiant_exposure_j_m2": _range(run.dose_m2(irradiance)),
            "photon_exposure_m2": _range(run.dose_m2(flux[band])),
        }
    asked = asked_layer(result, name)
    layers = []
    for layer in run.stack.layers:
        rates = {b: run.absorbed_photons_m2_s(layer.name, b) for b in flux}
        volume_m = layer.thickness_nm * 1e-9

        def per_band(values: Mapping[BandNm, Any]) -> Json:
            return {band_key(b): _range(values[b]) if b in values else None for b in bands}

        entry: Json = {
            "name": layer.name,
            "material": layer.material.name,
            "thickness_nm": layer.thickness_nm,
            "coherent": layer.is_coherent,
            "filters_inside": [a.name for a in layer.absorbers],
            "asked": layer.name == asked,
            "absorbed_photons_m2_s": per_band(rates),
            "absorbed_fraction": per_band({b: r / flux[b] for b, r in _positive(rates, flux)}),
            "absorbed_photon_dose_m2": per_band({b: run.dose_m2(r) for b, r in rates.items()}),
            "absorbed_photon_dose_mol_m2": per_band(
                {b: run.dose_m2(r) / AVOGADRO_MOL for b, r in rates.items()}
            ),
            "absorbed_photons_m3_s": per_band(
                {b: r / volume_m for b, r in rates.items()} if volume_m > 0 else {}
            ),
            "weighted_equivalent_photons_m2_s": {
                w.name: _range(run.weighted_photons_m2_s(layer.name, w))
                if lit(run, w.band_nm)
                else None
                for w in question.weights
            },
        }
        if layer.name == asked:
            entry["first_nanometre"] = _faces(run, layer.name, headline)
        layers.append(entry)
    current = result.photocurrents.get(name)
    return {
        "stack": exposure.stack.name,
        "light": exposure.light.name,
        "filter": exposure.filter_name,
        "hours": exposure.hours,
        "geometry": _geometry(exposure.geometry),
        "incident": incident,
        "layers": layers,
        "budget": {
            band_key(b): {k: finite(v) for k, v in run.budget(b).items()} or None for b in bands
        },
        "photocurrent_ma_cm2": None if current is None else as_json(current.value),
    }


def _positive(
    rates: Mapping[BandNm, Any], flux: Mapping[BandNm, Any]
) -> Iterable[tuple[BandNm, Any]]:
    """Bands in which every variant of the light shines; the others have no fraction."""
    return ((b, r) for b, r in rates.items() if (flux[b] > 0).all())


def _faces(run: ExposureResult, layer: str, headline: BandNm | None) -> Json:
    thick = run.stack.layers[run.stack.position(layer)].thickness_nm
    if headline is None or not lit(run, headline) or not thick > 0:
        return {}
    near, far = run.first_nanometre(layer, headline)
    return {
        band_key(headline): {
            "lit_face_photons_m3_s": finite(near),
            "far_face_photons_m3_s": finite(far),
        }
    }


def _geometry(geometry: Geometry) -> Json:
    holder = geometry.holder
    return {
        "lit_from": geometry.lit_from,
        "angle_deg": geometry.angle_deg,
        "isotropic_share": geometry.isotropic_share,
        "rear_share": geometry.rear_share,
        "rear_isotropic_share": geometry.rear_isotropic_share,
        "holder": None
        if holder is None
        else {"reflectance": holder.reflectance, "kind": holder.kind},
    }


# filters -------------------------------------------------------------------------------------


def _filter_table(table: FilterTable | None) -> Json:
    if table is None:
        return {
            "filters": [],
            "filters_unfiltered_photocurrent_ma_cm2": {},
            "filters_ranking_band": None,
        }
    return {
        "filters": _filters(table.rows),
        "filters_unfiltered_photocurrent_ma_cm2": {
            k: None if v is None else as_json(v) for k, v in table.unfiltered.items()
        },
        "filters_ranking_band": table.ranking_band,
    }


def _filters(rows: Iterable[FilterRow]) -> list[Json]:
    """Rows with a number per filter and mount, the same under every exposure."""
    numbers: dict[tuple[str, str, int], int] = {}
    times: dict[tuple[str, str, str], int] = {}
    out = []
    for row in rows:
        # The same filter in the same mount may stand there twice, in two layers of the stack.
        here = (row.exposure, row.name, row.mount)
        times[here] = times.get(here, 0) + 1
        number = numbers.setdefault((row.name, row.mount, times[here]), len(numbers) + 1)
        out.append(_filter(row, number))
    return out


def _reduction(left: Value) -> Any:
    """Dose without over dose with the filter; no upper end where nothing may be left."""
    factor = _inverse(left)
    if left.value > 0 and not left.low > 0:
        return {
            "value": finite(factor.value),
            "low": finite(factor.low),
            "high": None,
            "bound": factor.bound,
        }
    return as_json(factor)


def _filter(row: FilterRow, number: int) -> Json:
    def maybe(value: Value | None) -> Any:
        return None if value is None else as_json(value)

    return {
        "number": number,
        "name": row.name,
        "mount": row.mount,
        "light": row.light,
        "exposure": row.exposure,
        "layer": row.layer,
        "dose_left": {k: as_json(v) for k, v in row.dose_left.items()},
        "weighted_dose_left": {k: as_json(v) for k, v in row.weighted_dose_left.items()},
        "reduction_factor": {k: _reduction(v) for k, v in row.dose_left.items()},
        "photocurrent_ma_cm2": maybe(row.photocurrent_ma_cm2),
        "photocurrent_lost_ma_cm2": maybe(row.photocurrent_lost_ma_cm2),
        "photocurrent_lost_fraction": maybe(row.photocurrent_lost_fraction),
        "dominated": row.dominated,
        "notes": list(row.notes),
    }


# lights and inputs ---------------------------------------------------------------------------


def _light(light: Spectrum) -> Json:
    dangers = hazard(light) if is_lamp(light) else None
    low, high = light.lit_range_nm
    return {
        "title": light.title,
        "kind": light.kind,
        "grade": light.grade,
        "source": light.source,
        "lit_range_nm": [finite(low), finite(high)],
        "variants": [v.name for v in light.variants],
        "lamp": dangers is not None,
        "hazard": None if dangers is None else _hazard(dangers),
    }


def _hazard(dangers: Hazard) -> Json:
    return {
        **{name: as_json(getattr(dangers, name)) for name in _HAZARD_NUMBERS},
        "binding": dangers.binding,
        "unknown_nm": [list(band) for band in dangers.unknown_nm],
        "sentences": list(dangers.sentences()),
    }


def _input(item: InputFile) -> Json:
    """An input; a table that came with optistack is looked up for checksum and licence."""
    digest, licence = item.sha256, ""
    kind = {"material": "materials", "light": "spectra"}.get(item.used_as.split(" ")[0])
    if not digest and kind is not None and item.name.lower() in table_names(kind):
        try:
            table = find_table(item.name, kind)
        except OptistackError:  # it has gone since the run; the rest still stands
            pass
        else:
            digest, licence = table.sha256, table.licence
    return {
        "used_as": item.used_as,
        "name": item.name,
        "title": item.title,
        "kind": item.kind,
        "grade": item.grade,
        "source": item.source,
        "licence": licence or None,
        "sha256": digest or None,
    }
