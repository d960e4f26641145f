"""Where the sun stands, what spectrum the clear sky sends, and how that meets the standard sun.

The clear-sky model is that of Bird and Riordan (SERI/TR-215-2436, 1984, doi:10.2172/5986936) as
pvlib carries it. Its single samples lie 10 to 20 % beside the standard sun in the ultraviolet, its
bands a few per cent: one factor over the wavelength makes every band of the model, run for the
atmosphere of ASTM G173, the band of that standard.
"""

from __future__ import annotations

from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.outdoor.site import Site
from optistack.errors import OptistackError
from optistack.spectra import Spectrum, spectrum
from optistack.spectral_math import nodal_weights

Real = NDArray[np.float64]
Time = NDArray[np.datetime64]

_AIR_C = 12.0
# The model has nothing below.
SHORTEST_NM = 300.0
# Bands that the factor makes equal. They hold several samples of the model each, so that the
# structure between samples, which the model does not have, averages out.
MATCHED_NM = (
    *(300.0, 315.0, 330.0, 350.0, 370.0, 400.0, 450.0, 500.0, 550.0, 600.0, 650.0, 700.0),
    *(800.0, 900.0, 1100.0, 1350.0, 1700.0, 2500.0, 4000.0),
)
# ASTM G173-03: air mass 1.5, a plane tilted by 37 degree towards the sun's azimuth, ozone, water
# and aerosol as listed there. Its ground is a table of light soil that is not at hand: 0.2, as for
# a site by default. With a ground of 0.05 the model would be 4 to 6 % lower in 300-400 nm and the
# factor higher by as much.
G173_ATMOSPHERE = {
    "surface_tilt": 37.0,
    "ground_albedo": 0.2,
    "surface_pressure": 101325.0,
    "relative_airmass": 1.5,
    "precipitable_water": 1.4164,
    "ozone": 0.3438,
    "aerosol_turbidity_500nm": 0.084,
}
G173_ZENITH_DEG = 48.19


class SunPath(NamedTuple):
    """The sun in every step.

    Attributes
    ----------
    apparent_zenith_deg, azimuth_deg, aoi_deg : (step,) arrays [degree]
        In the middle of the part of the step with the sun up, else in the middle of the step.
        The zenith is that of the refracted sun.
    lit_share : (step,) array
        Part of the step with the sun's centre above the level horizon.
    day_of_year : (step,) array
        Of the middle of the step, with its fraction.
    """

    apparent_zenith_deg: Real
    azimuth_deg: Real
    aoi_deg: Real
    lit_share: Real
    day_of_year: Real


def require_pvlib() -> None:
    """Refuse with the way out where pvlib is not installed."""
    try:
        import pvlib  # noqa: F401
    except ImportError:
        raise OptistackError(
            "outdoor light needs the package pvlib, which is not installed: pip install pvlib"
        ) from None


def sun_path(site: Site, middle: Time, step_h: float) -> SunPath:
    """Follow the sun through steps of equal length.

    Rise and set of the refracted sun are found between the ends and the middle of each step, where
    the zenith without refraction is taken as linear in time: within seconds for steps of an hour.

    Parameters
    ----------
    site : Site
    middle : (step,) array of datetime64, UTC
    step_h : float [h]
    """
    half = np.timedelta64(round(step_h * 1.8e6), "ms")
    ends = np.unique(np.concatenate([middle - half, middle + half]))
    zenith_at_ends, _, _ = _position(site, ends)
    start = zenith_at_ends[np.searchsorted(ends, middle - half)]
    end = zenith_at_ends[np.searchsorted(ends, middle + half)]
    true, zenith, azimuth = _position(site, middle)
    level = _zenith_at_rise(site)
    # Lit part of each half in units of the half, and where its middle lies from -1 to 1.
    first, first_at = _lit_half(true, start, level)
    second, second_at = _lit_half(true, end, level)
    share = (first + second) / 2
    both = first + second
    at = np.divide(
        second * second_at - first * first_at, both, out=np.zeros(both.size), where=both > 0
    )
    moved = np.flatnonzero((share > 0) & (share < 1))
    if moved.size:
        shift = (at[moved] * half.astype(float)).round().astype("timedelta64[ms]")
        _, zenith[moved], azimuth[moved] = _position(site, middle[moved] + shift)
        # Risen and set again, or the reverse, within one step: too little to follow.
        share[moved[zenith[moved] >= 90]] = 0.0
    up = share > 0
    aoi = np.full(middle.size, 90.0)
    aoi[up] = _incidence(site, zenith[up], azimuth[up])
    days = middle - middle.astype("datetime64[Y]")
    return SunPath(
        zenith, azimuth, aoi, share, 1.0 + days / np.timedelta64(1, "D").astype("timedelta64[ms]")
    )


def _lit_half(zenith_middle: Real, zenith_end: Real, level: float) -> tuple[Real, Real]:
    """Lit share of half a step and the middle of that part, counted from the step's middle."""
    above, end_above = zenith_middle < level, zenith_end < level
    apart = zenith_end - zenith_middle
    cross = np.divide(
        level - zenith_middle, apart, out=np.full(apart.size, 0.5), where=above != end_above
    )
    lit = np.where(above, np.where(end_above, 1.0, cross), np.where(end_above, 1 - cross, 0.0))
    at = np.where(above, lit / 2, 1 - lit / 2)
    return lit, at


def _zenith_at_rise(site: Site) -> float:
    """True zenith at which the refracted sun stands on the horizon [degree].

    Source: the refraction of I. Reda and A. Andreas, Solar Energy 76 (2004) 577, eq. 42, at the
    12 degree Celsius that pvlib takes when no temperature is given.
    """
    scale = pressure_pa(site) / 101000 * 283 / (273 + _AIR_C) * 1.02 / 60
    low, high = -1.0, 0.0
    for _ in range(50):
        e = (low + high) / 2
        lifted = e + scale / np.tan(np.radians(e + 10.3 / (e + 5.11)))
        low, high = (low, e) if lifted > 0 else (e, high)
    return 90.0 - (low + high) / 2


def _position(site: Site, time: Time) -> tuple[Real, Real, Real]:
    """True zenith, zenith of the refracted sun, azimuth [degree]."""
    import pandas as pd
    from pvlib.solarposition import get_solarposition

    found = get_solarposition(
        pd.DatetimeIndex(time.astype("datetime64[ns]"), tz="UTC"),
        site.latitude_deg,
        site.longitude_deg,
        altitude=site.altitude_m,
        pressure=pressure_pa(site),
        temperature=_AIR_C,
    )
    return (
        np.array(found["zenith"], dtype=float),
        np.array(found["apparent_zenith"], dtype=float),
        np.array(found["azimuth"], dtype=float),
    )


def pressure_pa(site: Site) -> float:
    """Pressure at the site [Pa]: given, else from the altitude (pvlib.atmosphere.alt2pres)."""
    if site.pressure_pa is not None:
        return site.pressure_pa
    from pvlib.atmosphere import alt2pres

    return float(alt2pres(site.altitude_m))


def _incidence(site: Site, zenith: Real, azimuth: Real) -> Real:
    from pvlib.irradiance import aoi

    return np.asarray(aoi(site.tilt_deg, site.plane_azimuth_deg, zenith, azimuth), dtype=float)


class ClearSky(NamedTuple):
    """Clear-sky spectra, corrected to the standard sun; (step, wavelength) [W/(m2 nm)].

    ``beam`` is normal to the sun, ``diffuse`` on a horizontal plane, ``extraterrestrial`` normal.
    """

    wavelength_nm: Real
    beam: Real
    diffuse: Real
    extraterrestrial: Real


def clear_sky(site: Site, path: SunPath) -> ClearSky:
    """Spectra of the steps of ``path``, which must all have the sun up."""
    from pvlib.atmosphere import get_relative_airmass
    from pvlib.spectrum import spectrl2

    if not ((path.lit_share > 0) & (path.apparent_zenith_deg < 90)).all():
        raise OptistackError("clear_sky: only steps with the sun up have a spectrum")
    model = spectrl2(
        apparent_zenith=path.apparent_zenith_deg,
        aoi=path.apparent_zenith_deg,
        surface_tilt=0.0,
        ground_albedo=ground_reflectance(site)[:, None],
        surface_pressure=pressure_pa(site),
        relative_airmass=get_relative_airmass(path.apparent_zenith_deg, model="kastenyoung1989"),
        precipitable_water=site.precipitable_water_cm,
        ozone=site.ozone_atm_cm,
        aerosol_turbidity_500nm=site.aerosol_turbidity_500nm,
        dayofyear=path.day_of_year,
    )
    factor = standard_sun_factor()[:, None]
    return ClearSky(
        np.array(model["wavelength"], dtype=float),
        *(np.ascontiguousarray((model[k] * factor).T) for k in ("dni", "dhi", "dni_extra")),
    )


class ClearSteps(NamedTuple):
    """The sun through all steps, and the clear sky of those in which it is up."""

    path: SunPath
    up: NDArray[np.intp]  # positions of these steps
    lit: SunPath
    sky: ClearSky


def clear_steps(site: Site, middle: Time, step_h: float) -> ClearSteps:
    """`sun_path` and `clear_sky` in one; the last answer is kept, since a year is asked for twice.

    Parameters
    ----------
    site, middle, step_h
        As in `sun_path`.
    """
    return _clear_steps(site, middle.astype("datetime64[ms]").tobytes(), step_h)


@lru_cache(maxsize=1)
def _clear_steps(site: Site, middle: bytes, step_h: float) -> ClearSteps:
    path = sun_path(site, np.frombuffer(middle, dtype="datetime64[ms]"), step_h)
    up = np.flatnonzero(path.lit_share > 0)
    lit = SunPath(*(np.asarray(values)[up] for values in path))
    out = ClearSteps(path, up, lit, clear_sky(site, lit))
    for values in (*out.path, out.up, *out.lit, *out.sky):
        values.flags.writeable = False
    return out


def ground_reflectance(site: Site) -> Real:
    """Reflectance of the ground at the model's wavelengths."""
    lam = model_wavelength_nm()
    below = site.ground_reflectance
    if site.ground_reflectance_uv is not None:
        below = site.ground_reflectance_uv
    return np.where(lam <= 400.0, below, site.ground_reflectance)


@cache
def standard_sun() -> Spectrum:
    """AM1.5G (ASTM G173-03), read once."""
    return spectrum("am15g")


@cache
def _standard_run() -> tuple[Real, Real]:
    """Wavelengths and global irradiance of the model under the conditions of ASTM G173."""
    from pvlib.spectrum import spectrl2

    day = 94.0
    model = spectrl2(
        apparent_zenith=G173_ZENITH_DEG,
        aoi=G173_ZENITH_DEG - G173_ATMOSPHERE["surface_tilt"],
        dayofyear=day,
        **G173_ATMOSPHERE,
    )
    lam = np.array(model["wavelength"], dtype=float)
    values = np.ravel(model["poa_global"]) / sun_distance_factor(day)
    for array in (lam, values):
        array.flags.writeable = False
    return lam, values


def sun_distance_factor(day_of_year: float) -> float:
    """Irradiance over that at the mean distance of the sun, as the model has it.

    Source: J. W. Spencer, Search 2 (1971) 172; the standard sun is at the mean distance.

    Examples
    --------
    >>> round(sun_distance_factor(3), 3), round(sun_distance_factor(185), 3)
    (1.035, 0.967)
    """
    a = 2 * np.pi * (day_of_year - 1) / 365
    series = 1.00011 + 0.034221 * np.cos(a) + 0.00128 * np.sin(a)
    return float(series + 0.000719 * np.cos(2 * a) + 0.000077 * np.sin(2 * a))


def model_wavelength_nm() -> Real:
    """The wavelengths of the model [nm]."""
    return _standard_run()[0]


@cache
def standard_sun_factor() -> Real:
    """Factor at the model's wavelengths that makes its standard run the standard sun, by bands.

    Linear in wavelength between the middles of the bands, solved so that the piecewise-linear
    corrected spectrum holds the irradiance of AM1.5G in each of `MATCHED_NM`. Beam and diffuse
    light take the same factor: their shares stay those of the model.
    """
    lam, model = _standard_run()
    sun = standard_sun()
    edges = np.array(MATCHED_NM)
    middles = (edges[1:] + edges[:-1]) / 2
    # Hat functions of the middles, held at both ends.
    hats = np.array([np.interp(lam, middles, row) for row in np.eye(middles.size)])
    bands = list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    integrals = np.array([nodal_weights(lam, *band, [], []) for band in bands])
    wanted = np.array([sun.irradiance_w_m2(band) for band in bands])
    factor: Real = np.linalg.solve((integrals * model) @ hats.T, wanted) @ hats
    factor.flags.writeable = False
    return factor
