"""Wavelengths that only one of a lamp and the sun has, and what they do to a layer's dose."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from optistack.criteria import SiteDose
from optistack.exposure import ExposureResult
from optistack.spectra import (
    DAMAGE_BAND_NM,
    DEFAULT_BANDS_NM,
    BandNm,
    Spectrum,
    Weight,
    spectrum,
)
from optistack.spectral_math import band_key
from optistack.value import Value

# Below this the sun at sea level has practically no light: common practice, from memory, no source.
SUN_STARTS_NM = 295.0
# Smaller shares of the sun's dose are not told.
_WORTH_SAYING = 1e-3


def lit_part(light: Spectrum, band_nm: BandNm) -> Value:
    """Share of the irradiance that a table of the lamp holds up to 400 nm and lies in the band."""
    low = light.lit_range_nm[0]
    high = max(DAMAGE_BAND_NM[1], band_nm[1])
    parts = []
    for shape in (light, *light.variants):
        ends = (max(low, shape.range_nm[0]), min(high, shape.range_nm[1]))
        total = shape.irradiance_w_m2(ends)
        inside = (max(ends[0], band_nm[0]), min(ends[1], band_nm[1]))
        parts.append(shape.irradiance_w_m2(inside) / total if inside[0] < inside[1] else 0.0)
    return Value.of(parts)


class Short(NamedTuple):
    """What a lamp has below the shortest wavelength of the sun.

    ``incident``: share of its photons up to 400 nm; ``absorbed``: share of what the layer absorbs
    in 280-400 nm, as far as the exposure was solved; ``weighted``: of the weighted dose, by weight;
    ``unknown_nm``: part of the lamp's light that lies below the optical grid and is in neither.
    """

    incident: Value
    absorbed: Value
    weighted: Mapping[str, Value]
    unknown_nm: BandNm | None


def below_the_sun(result: ExposureResult, layer: str, weights: Sequence[Weight]) -> Short | None:
    """Photons that the lamp has and the sun has not, below 295 nm; None where there are none."""
    light = result.exposure.light
    low = light.lit_range_nm[0]
    if low >= SUN_STARTS_NM:
        return None
    photons = []
    for shape in result.lights:
        start, end = max(low, shape.range_nm[0]), min(DAMAGE_BAND_NM[1], shape.range_nm[1])
        total = shape.photon_flux_m2_s((start, end))
        short = shape.photon_flux_m2_s((start, SUN_STARTS_NM)) if start < SUN_STARTS_NM else 0.0
        photons.append(short / total if total > 0 else np.nan)
    grid = result.wavelength_nm
    first = max(low, float(grid[0]))
    solved = (max(DAMAGE_BAND_NM[0], first), min(DAMAGE_BAND_NM[1], float(grid[-1])))

    def share(band: BandNm, weight: Weight | None) -> Value:
        total = result.absorbed_photons_m2_s(layer, band, weight)
        inside = (max(first, band[0]), min(SUN_STARTS_NM, band[1]))
        if inside[0] >= inside[1]:
            return Value.of(np.zeros(total.size))
        part = result.absorbed_photons_m2_s(layer, inside, weight)
        with np.errstate(invalid="ignore", divide="ignore"):
            return Value.of(np.where(total > 0, part / total, np.nan))

    return Short(
        Value.of(photons),
        share(solved, None),
        {w.name: share(w.band_nm, w) for w in weights},
        (low, first) if low < first - 1e-9 else None,
    )


def dark_under_lamp(
    light: Spectrum, site: SiteDose, bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM
) -> dict[str, float]:
    """Bands in which the lamp has no light, with what the layer absorbs there in a site year.

    Each number is the share of the sum over this band and 280-400 nm; the band itself where the
    site does not know 280-400 nm.
    """
    kept = site.absorbed_photons_m2
    base = kept.get(band_key(DAMAGE_BAND_NM))
    out: dict[str, float] = {}
    low, high = light.lit_range_nm
    for band in bands_nm:
        key = band_key(band)
        apart = band[1] <= DAMAGE_BAND_NM[0] or band[0] >= DAMAGE_BAND_NM[1]
        if key not in kept or base is None or not apart or (band[0] < high and band[1] > low):
            continue
        here, rest = float(kept[key]), float(base)
        if here > 0:
            out[key] = here / (here + rest)
    return out


def sun_without_lamp(
    result: ExposureResult, layer: str, weights: Sequence[Weight]
) -> dict[str, float]:
    """What the layer absorbs of AM1.5G at wavelengths at which the lamp is dark.

    Returns
    -------
    dict
        Share of the photons in 280-400 nm (key "280-400") and of each weighted dose (its name),
        where it is more than 0.1 %; chamber's geometry and filters.

    Raises
    ------
    RangeError
        A table that does not reach so far.
    """
    low, high = result.exposure.light.lit_range_nm
    asked: list[tuple[str, BandNm, Weight | None]] = [
        (band_key(DAMAGE_BAND_NM), DAMAGE_BAND_NM, None),
        *((w.name, w.band_nm, w) for w in weights),
    ]
    dark = [a for a in asked if max(a[1][0], SUN_STARTS_NM) < low or high < a[1][1]]
    if not dark:
        return {}
    sun = spectrum("am15g")
    ends = (min(a[1][0] for a in dark), max(a[1][1] for a in dark))
    solved = replace(result.exposure, light=sun).run((max(ends[0], sun.range_nm[0]), ends[1]))
    out: dict[str, float] = {}
    for key, band, weight in dark:
        whole = float(solved.absorbed_photons_m2_s(layer, band, weight)[0])
        lit = (max(band[0], low), min(band[1], high))
        part = 0.0
        if lit[0] < lit[1]:
            part = float(solved.absorbed_photons_m2_s(layer, lit, weight)[0])
        if whole > 0 and 1.0 - part / whole > _WORTH_SAYING:
            out[key] = 1.0 - part / whole
    return out
