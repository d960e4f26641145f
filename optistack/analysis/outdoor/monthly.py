"""A climate from twelve monthly sums, as maps and atlases give them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optistack.analysis.outdoor.climate import TYPICAL_YEAR, Climate
from optistack.analysis.outdoor.light import local_month, year_steps
from optistack.analysis.outdoor.site import Site
from optistack.analysis.outdoor.sun import clear_steps, require_pvlib
from optistack.errors import OptistackError
from optistack.spectral_math import nodal_weights

# A month may be clearer than the model's air, which is the same all year; not by more than this.
_MOST = 1.15
_STEP_H = 1.0


def climate_from_months(
    site: Site, ghi_kwh_m2: Sequence[float], *, year: int = TYPICAL_YEAR, name: str = "monthly sums"
) -> Climate:
    """Every hour of a month is its clear sky times one factor, so that the month's sum is right.

    Parameters
    ----------
    site : Site
    ghi_kwh_m2 : 12 floats [kWh/m2]
        Global irradiation of the horizontal, January to December.
    year : int
    name : str

    Raises
    ------
    OptistackError
        Not twelve sums; a sum that is negative, where the sun is up and it is 0, or far above that
        of a clear sky.

    Examples
    --------
    >>> south = Site("plain", -34.0, 19.0)
    >>> sums = [240, 195, 175, 120, 90, 72, 80, 105, 140, 185, 215, 245]
    >>> climate = climate_from_months(south, sums)
    >>> print(f"{climate.ghi_w_m2.sum() / 1e3:.0f} kWh/m2")
    1862 kWh/m2
    """
    sums = np.array(ghi_kwh_m2, dtype=float)
    if sums.shape != (12,) or not (np.isfinite(sums).all() and (sums >= 0).all()):
        raise OptistackError(
            f"{name}: needs twelve sums in kWh/m2 from January to December, none negative"
        )
    require_pvlib()
    time = year_steps(site, year, _STEP_H)
    _, up, lit, sky = clear_steps(site, time, _STEP_H)
    every = nodal_weights(sky.wavelength_nm, 300.0, 4000.0, [], [])
    level = np.cos(np.radians(lit.apparent_zenith_deg))
    clear = np.zeros(time.size)
    clear[up] = ((sky.beam @ every) * level + sky.diffuse @ every) * lit.lit_share
    month = local_month(site, time)
    most = np.bincount(month, clear, minlength=12) * _STEP_H / 1e3
    for i, (given, at_most) in enumerate(zip(sums, most, strict=True), start=1):
        if given > _MOST * at_most:
            raise OptistackError(
                f"{name}: {given:g} kWh/m2 in month {i} are more than the {at_most:.3g} kWh/m2 of "
                f"a clear sky at {site.name}. Check the unit, the order of the months and the place"
            )
        if given == 0 and at_most > 0.1:
            raise OptistackError(
                f"{name}: 0 kWh/m2 in month {i}, though the sun is up at {site.name}"
            )
    factor = np.divide(sums, most, out=np.zeros(12), where=most > 0)
    return Climate(
        name,
        time,
        _STEP_H,
        clear * factor[month],
        notes=(
            f"climate {name}: each month is its clear sky times one factor "
            f"({factor[most > 0].min():.2f} to {factor[most > 0].max():.2f}), not hours with and "
            "without clouds: sums of q^p with p below 1 come out somewhat too high",
        ),
    )
