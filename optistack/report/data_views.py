"""What the figures show of a result: stacks, spectra, filters, absorbed light, depth profiles."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from optistack.errors import OptistackError
from optistack.exposure import ExposureResult
from optistack.filters import Filter
from optistack.light_paths import Geometry, respond
from optistack.report.data import Profiles, asked_layer, headline_band
from optistack.report.json_values import Json
from optistack.report.pictures import (
    MOST_LIGHTS,
    VIEW_NM,
    Box,
    BudgetView,
    DepthSide,
    FilterView,
    LightView,
    Real,
    SpectrumSide,
    StackView,
    Views,
)
from optistack.report.wording import thickness
from optistack.scenario import RunResult
from optistack.spectra import BandNm, Spectrum
from optistack.spectral_math import PHOTON_J_NM, band_key, union_grid
from optistack.stack import FilterStack, Stack

_MOST_STACKS, _MOST_BUDGETS, _MOST_FILTERS = 4, 6, 12


class _Side(NamedTuple):
    side: str
    run: ExposureResult
    layer: str


def make_views(result: RunResult, data: Json, profiles: Profiles) -> Views:
    """What the figures show of a result.

    Parameters
    ----------
    result : RunResult
        Needs no more than exposures and comparisons.
    data : dict
        Of `optistack.report.results_json`: exposures.
    profiles : mapping
        From `optistack.report.data.depth_profiles`.
    """
    pairs = [
        (
            _Side("coupon", c.coupon, c.coupon_layer),
            _Side("device", c.device, c.layer),
        )
        for c in result.comparisons[:MOST_LIGHTS]
    ]
    band = headline_band(result)
    return Views(
        stacks=_stacks(result, pairs),
        lights=_lights(result),
        filters=_filters(result),
        budgets=() if band is None else _budgets(result, pairs, band),
        absorbed=tuple(
            () if band is None else tuple(_absorbed(side, band) for side in pair) for pair in pairs
        ),
        depth=tuple(
            ()
            if band is None
            else tuple(d for side in pair if (d := _depth(side, band, data, profiles)) is not None)
            for pair in pairs
        ),
    )


def _stacks(result: RunResult, pairs: list[tuple[_Side, _Side]]) -> tuple[StackView, ...]:
    """Every stack that is compared, else those of all exposures.

    Once where stack and filters are the same; the holder of the first is shown.
    """
    sides = [side for pair in pairs for side in pair]
    if not sides:
        question = result.scenario.question
        for run in result.exposures.values():
            known = [n for n in (question.layer, question.coupon_layer) if n in run.stack.names]
            sides.append(_Side(run.exposure.stack.name, run, known[0] if known else ""))
    seen: dict[Any, _Side] = {}
    for side in sides:
        exposure = side.run.exposure
        mounted = tuple((f.item.name, f.mount) for f in exposure.filters)
        key = (side.side, exposure.stack.name, exposure.geometry.lit_from, mounted)
        seen.setdefault(key, side)
    out = []
    for side in list(seen.values())[:_MOST_STACKS]:
        exposure = side.run.exposure
        geometry = exposure.geometry
        out.append(
            StackView(
                side.side,
                exposure.stack.name,
                geometry.lit_from,
                geometry.angle_deg,
                geometry.rear_share,
                _boxes(side.run, side.layer),
            )
        )
    return tuple(out)


def _boxes(run: ExposureResult, asked: str) -> tuple[Box, ...]:
    stack = run.stack
    out: list[Box] = []
    for far in run.far:
        out.append(Box(f"filter {far.name}", "", "filter"))
        out.append(Box("", "far away, at the lamp", "gap"))
    if stack.ambient.name != "air":
        out.append(Box(stack.ambient.name, "half-space", "medium"))
    for layer in stack.layers:
        if layer.name.startswith("air gap behind "):
            out.append(Box("", "air gap", "gap"))
            continue
        kind = "asked" if layer.name == asked else "layer"
        if layer.name.startswith("filter ") and layer.absorbers:
            kind = "filter"
        inside = [a.name for a in layer.absorbers]
        name = layer.name
        if inside and kind != "filter":
            name += f" + {' + '.join(inside)}"
        out.append(Box(name, thickness(layer.thickness_nm), kind))
    if stack.substrate.name != "air":
        out.append(Box(stack.substrate.name, "half-space", "medium"))
    holder = run.exposure.geometry.holder
    if holder is not None:
        out += [
            Box("", "gap", "gap"),
            Box("holder", f"{100 * holder.reflectance:.3g} %, {holder.kind}", "holder"),
        ]
    return tuple(out)


def photon_flux_curve(light: Spectrum, lam: Real) -> Real:
    """Spectral photon flux [1/(m2 s nm)], zero outside the samples."""
    values = np.interp(
        lam, light.wavelength_nm, light.spectral_irradiance_w_m2_nm, left=0.0, right=0.0
    )
    return np.asarray(values * lam / PHOTON_J_NM)


def _lights(result: RunResult) -> tuple[LightView, ...]:
    """The lights in use: the main comparison's first."""
    ordered: list[ExposureResult] = []
    for comparison in result.comparisons:
        ordered += [comparison.device, comparison.coupon]
    ordered += list(result.exposures.values())
    found: dict[str, Spectrum] = {}
    for run in ordered:
        found.setdefault(run.exposure.light.name, run.exposure.light)
    out = []
    for light in list(found.values())[:MOST_LIGHTS]:
        lam = union_grid(*VIEW_NM, [light.wavelength_nm])
        curves = np.array([photon_flux_curve(s, lam) for s in (light, *light.variants)])
        out.append(LightView(light.name, light.lit_range_nm[0] < VIEW_NM[1], lam, curves))
    return tuple(out)


def _filters(result: RunResult) -> tuple[FilterView, ...]:
    """The filters asked about and those in place."""
    items: dict[str, Filter | FilterStack] = {}
    question = result.scenario.question
    for entry in question.candidates if question.filters_on else ():
        items.setdefault(entry.item.name, entry.item)
    for run in result.exposures.values():
        for entry in run.exposure.filters:
            items.setdefault(entry.item.name, entry.item)
    out = []
    for name, item in items.items():
        nodes = item.nodes_nm if isinstance(item, Filter) else np.empty(0)
        lam = union_grid(*VIEW_NM, [np.arange(VIEW_NM[0], VIEW_NM[1] + 1.0), nodes])
        curve = external_transmittance(item, lam)
        if curve is not None:
            out.append(FilterView(name, *curve))
    return tuple(out[:_MOST_FILTERS])


def external_transmittance(
    item: Filter | FilterStack, wavelength_nm: Real
) -> tuple[Real, Real] | None:
    """A filter in air where it is known: wavelengths [nm] and external transmittance."""
    lam = wavelength_nm
    try:
        if isinstance(item, FilterStack):
            alone = Stack("air", item.layers, "air", name=item.name)  # type: ignore[arg-type]
            return lam, respond(alone, Geometry(), lam).transmittance
        low, high = item.range_nm
        if item.below == "refuse":
            lam = lam[lam >= low]
        if item.above == "refuse":
            lam = lam[lam <= high]
        return (lam, item.external(lam)) if lam.size > 1 else None
    except OptistackError:
        return None


def _budgets(
    result: RunResult, pairs: list[tuple[_Side, _Side]], band: BandNm
) -> tuple[BudgetView, ...]:
    sides: dict[str, _Side] = {}
    for pair in pairs:
        for side in pair:
            sides.setdefault(side.run.exposure.name, side)
    if not sides:
        for name, run in list(result.exposures.items())[:_MOST_BUDGETS]:
            sides[name] = _Side(run.exposure.stack.name, run, asked_layer(result, name) or "")
    out = []
    for side in sides.values():
        exposure = side.run.exposure
        shares = side.run.budget(band)
        if shares:
            mounted = exposure.filter_name if exposure.filters else ""
            out.append(BudgetView(side.side, exposure.light.name, mounted, side.layer, shares))
    return tuple(out)


def _absorbed(side: _Side, band: BandNm) -> SpectrumSide:
    run = side.run
    low, high = max(band[0], run.wavelength_nm[0]), min(band[1], run.wavelength_nm[-1])
    lam = union_grid(low, high, [run.wavelength_nm, run.exposure.light.wavelength_nm])
    share = np.interp(lam, run.wavelength_nm, run.layer_absorptance(side.layer))
    curves = np.array([photon_flux_curve(s, lam) * share for s in run.lights])
    return SpectrumSide(side.side, lam, curves)


def _depth(side: _Side, band: BandNm, data: Json, profiles: Profiles) -> DepthSide | None:
    name = side.run.exposure.name
    profile = profiles.get(name)
    entry = next(x for x in data["exposures"][name]["layers"] if x["name"] == side.layer)
    faces = entry.get("first_nanometre", {}).get(band_key(band))
    if faces is None or profile is None or profile.layer != side.layer:
        return None
    stack = side.run.stack
    thick = stack.layers[stack.position(side.layer)].thickness_nm
    rate = profile.absorbed_photons_m3_s
    if not (rate > 0).any():
        return None
    near, far = faces["lit_face_photons_m3_s"], faces["far_face_photons_m3_s"]
    half = min(0.5, thick / 2)
    ends = ((half, near, "left"), (thick - half, far, "right"))
    return DepthSide(side.side, thick, profile.depth_nm, rate, ends)
