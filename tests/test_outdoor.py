"""The sun at a place: position, clear sky, the standard sun, planes and skylines.

Oracles: pvlib's own solar position and its own transposition of the same clear-sky model; closed
forms of spherical astronomy; the outdoor entries of ``shared/reference/checks.json``, each with its
source.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest
from conftest import ROOT
from numpy.testing import assert_allclose

import optistack as ost
from optistack.analysis.outdoor import Site, site_light
from optistack.analysis.outdoor import sun as sun_module
from optistack.analysis.outdoor.light import year_steps
from optistack.analysis.outdoor.sun import (
    G173_ATMOSPHERE,
    G173_ZENITH_DEG,
    MATCHED_NM,
    SunPath,
    clear_sky,
    model_wavelength_nm,
    standard_sun_factor,
    sun_distance_factor,
    sun_path,
)
from optistack.errors import OptistackError, RangeError
from optistack.spectra import Spectrum
from optistack.spectral_math import nodal_weights

FLAT = Site("flat", 48.0, 11.0)
TILTED = Site("tilted", 48.0, 11.0, altitude_m=500.0, tilt_deg=35.0, azimuth_deg=150.0)


# Light of one site is used by several tests; nothing can change it.
site_light = cache(site_light)  # type: ignore[assignment]


def kwh(light: Any, band: tuple[float, float] = (300.0, 400.0)) -> float:
    return float(light.irradiance_w_m2(band).sum() * light.step_h / 1000)


# --- where the sun stands ------------------------------------------------------------------------


def test_position_is_that_of_pvlib_in_full_steps() -> None:
    light = site_light(TILTED)
    index = pd.DatetimeIndex(light.time.astype("datetime64[ns]"), tz="UTC")
    expected = pvlib.solarposition.get_solarposition(index, 48.0, 11.0, altitude=500.0)
    whole = light.lit_share == 1
    assert whole.sum() > 3500
    # pvlib takes the pressure from the altitude as well
    assert_allclose(light.zenith_deg[whole], expected["apparent_zenith"][whole], atol=1e-9)
    assert_allclose(light.azimuth_deg[whole], expected["azimuth"][whole], atol=1e-9)
    aoi = pvlib.irradiance.aoi(35, 150, expected["apparent_zenith"], expected["azimuth"])
    assert_allclose(light.aoi_deg[whole], aoi[whole], atol=1e-9)


def test_solstices_are_those_of_spherical_astronomy(check: Callable[[str], Any]) -> None:
    entry = check("OUT-010")
    for day, expected, airmass in zip(
        ("2023-06-21", "2023-12-22"),
        entry["expected"]["zenith_deg"],
        entry["expected"]["simple_airmass"],
        strict=True,
    ):
        time = np.datetime64(day) + np.arange(1440).astype("timedelta64[m]")
        zenith = sun_path(FLAT, time.astype("datetime64[ms]"), 1 / 60).apparent_zenith_deg.min()
        # 0.05 degree: refraction lifts the sun by up to that at 71 degree, and the solstice is not
        # at noon (the declination lies within 0.001 degree of 23.44).
        assert zenith == pytest.approx(expected, abs=0.06)
        assert zenith < expected
        relative = float(pvlib.atmosphere.get_relative_airmass(zenith))
        assert relative == pytest.approx(airmass, rel=0.015)  # a round Earth against a flat one
    assert float(np.degrees(np.arccos(1 / 1.5))) == pytest.approx(
        entry["expected"]["am15_zenith_deg"], abs=1e-6
    )
    assert pytest.approx(entry["expected"]["am15_zenith_deg"], abs=0.001) == G173_ZENITH_DEG


def test_rise_and_set_within_a_step() -> None:
    """The lit parts add up to the daylight of one-minute steps."""
    hour = sun_path(FLAT, year_steps(FLAT, 2023, 1.0), 1.0)
    time = np.datetime64("2023-01-01") + np.arange(365 * 480) * np.timedelta64(180, "s")
    fine = sun_path(FLAT, (time + np.timedelta64(90, "s")).astype("datetime64[ms]"), 0.05)
    daylight = float(fine.lit_share.sum() * 0.05)
    assert float(hour.lit_share.sum()) == pytest.approx(daylight, rel=2e-4)
    assert ((hour.lit_share > 0) & (hour.lit_share < 1)).sum() > 600
    assert (hour.apparent_zenith_deg[hour.lit_share > 0] < 90).all()


def test_equator_has_twelve_hours_of_day() -> None:
    path = sun_path(Site("equator", 0.0, 0.0), year_steps(FLAT, 2023, 1.0), 1.0)
    # Refraction at the horizon, half a degree, adds 2 x 2.3 minutes.
    assert float(path.lit_share.sum()) / 365 == pytest.approx(12.07, abs=0.03)


def test_distance_of_the_sun_is_the_models() -> None:
    lam = model_wavelength_nm()
    found = []
    for day in (3.0, 94.0, 185.0, 300.0):
        model = pvlib.spectrum.spectrl2(
            apparent_zenith=40.0, aoi=40.0, dayofyear=day, **G173_ATMOSPHERE
        )
        found.append(np.ravel(model["dni_extra"]) / sun_distance_factor(day))
    assert lam.size == 122
    for other in found[1:]:
        assert other == pytest.approx(found[0], rel=1e-12)


# --- the spectra ---------------------------------------------------------------------------------


def test_standard_atmosphere_gives_the_standard_sun_in_every_band() -> None:
    model = pvlib.spectrum.spectrl2(
        apparent_zenith=G173_ZENITH_DEG,
        aoi=G173_ZENITH_DEG - 37.0,
        dayofyear=94.0,
        **G173_ATMOSPHERE,
    )
    values = np.ravel(model["poa_global"]) / sun_distance_factor(94.0) * standard_sun_factor()
    corrected = Spectrum("corrected", model["wavelength"], values)
    sun = ost.spectrum("am15g")
    for band in [
        *zip(MATCHED_NM, MATCHED_NM[1:], strict=False),
        (300, 400),
        (315, 400),
        (400, 700),
    ]:
        assert corrected.irradiance_w_m2(band) == pytest.approx(sun.irradiance_w_m2(band), rel=1e-9)
    # Between its own samples the model knows no lines; photons and weights follow within 1 %.
    assert corrected.photon_flux_m2_s((300, 400)) == pytest.approx(
        sun.photon_flux_m2_s((300, 400)), rel=2e-3
    )
    uv = model["wavelength"] <= 400
    single = np.ravel(model["poa_global"])[uv] / sun(model["wavelength"][uv]) - 1
    assert np.abs(single).max() > 0.1  # why single samples are not matched
    assert (standard_sun_factor() > 0.85).all()
    assert (standard_sun_factor() < 1.05).all()


def test_what_a_darker_ground_would_change() -> None:
    """The comment beside G173_ATMOSPHERE: 4 to 6 % in 300-400 nm."""
    lam = model_wavelength_nm()

    def band(ground: float, low: float, high: float) -> float:
        model = pvlib.spectrum.spectrl2(
            apparent_zenith=G173_ZENITH_DEG,
            aoi=G173_ZENITH_DEG - 37,
            dayofyear=94.0,
            **{**G173_ATMOSPHERE, "ground_albedo": ground},
        )
        return float(nodal_weights(lam, low, high, [], []) @ np.ravel(model["poa_global"]))

    changes = [1 - band(0.05, *b) / band(0.2, *b) for b in ((300, 315), (370, 400))]
    assert changes == pytest.approx([0.063, 0.0445], abs=0.001)


def test_overhead_sun(check: Callable[[str], Any]) -> None:
    """OUT-004: the model before the correction, through the path of this package."""
    entry = check("OUT-004")
    site = Site(
        "overhead",
        0.0,
        0.0,
        ozone_atm_cm=0.34,
        precipitable_water_cm=1.42,
        aerosol_turbidity_500nm=0.1,
        pressure_pa=101325.0,
    )
    one = np.array([0.0])
    sky = clear_sky(site, SunPath(one, one, one, np.array([1.0]), np.array([80.0])))
    bare = (sky.beam + sky.diffuse)[0] / standard_sun_factor()
    lam = sky.wavelength_nm
    for key, band in (
        ("UV300_400", (300, 400)),
        ("UV300_320", (300, 320)),
        ("UV320_360", (320, 360)),
        ("UV360_400", (360, 400)),
        ("total_300_4000", (300, 4000)),
    ):
        value = float(nodal_weights(lam, *band, [], []) @ bare)
        assert value == pytest.approx(entry["expected"][key], rel=entry["tolerance"]["rel"])


@pytest.mark.parametrize("site", [FLAT, TILTED, replace(TILTED, tilt_deg=90.0)])
def test_plane_is_that_of_pvlib(site: Site) -> None:
    light = site_light(site, range_nm=(300.0, 4000.0))
    up = np.flatnonzero(light.lit_share == 1)
    zenith = light.zenith_deg[up]
    days = light.time[up] - light.time[up].astype("datetime64[Y]")
    model = pvlib.spectrum.spectrl2(
        apparent_zenith=zenith,
        aoi=light.aoi_deg[up],
        surface_tilt=site.tilt_deg,
        ground_albedo=0.2,
        surface_pressure=pvlib.atmosphere.alt2pres(site.altitude_m),
        relative_airmass=pvlib.atmosphere.get_relative_airmass(zenith),
        precipitable_water=1.5,
        ozone=0.3,
        aerosol_turbidity_500nm=0.1,
        dayofyear=1 + days / np.timedelta64(86400000, "ms"),
    )
    expected = model["poa_global"].T * standard_sun_factor()
    total = (light.direct + light.sky + light.ground)[up]
    assert_allclose(total, expected, rtol=1e-9, atol=1e-12)
    # The beam is part of what comes from the sun's direction, and no more than that is added.
    beam = model["poa_direct"].T * standard_sun_factor()
    sky = model["poa_sky_diffuse"].T * standard_sun_factor()
    assert (light.direct[up] >= beam - 1e-12).all()
    assert (light.direct[up] <= beam + sky + 1e-12).all()
    ground = model["poa_ground_diffuse"].T * standard_sun_factor()
    assert_allclose(light.ground[up], ground, rtol=1e-9, atol=1e-15)


def test_total_light_is_that_of_other_clear_sky_models() -> None:
    """Yearly GHI within 8 % of pvlib's Ineichen and simplified Solis models, same aerosol and water.

    The spread of clear-sky models between each other at one site (M. J. Reno et al., Sandia report
    SAND2012-2389, 2012: within a few per cent where the turbidity is known).
    """
    light = site_light(FLAT, range_nm=(300.0, 4000.0))
    total = kwh(light, (300.0, 4000.0))
    up = light.lit_share > 0
    zenith, share = light.zenith_deg[up], light.lit_share[up]
    airmass = pvlib.atmosphere.get_relative_airmass(zenith)
    extra = 1361.0 * np.array([sun_distance_factor(d) for d in light.month[up] * 30.4 + 15])
    solis = pvlib.clearsky.simplified_solis(
        90 - zenith, aod700=0.1 * 1.4**-1.14, precipitable_water=1.5, dni_extra=extra
    )["ghi"]
    ineichen = pvlib.clearsky.ineichen(zenith, airmass, 3.0, altitude=0, dni_extra=extra)["ghi"]
    for other in (solis, ineichen):
        assert total == pytest.approx(float((other * share).sum()) / 1000, rel=0.08)


def test_step_of_an_hour_against_five_minutes() -> None:
    coarse, fine = site_light(TILTED), site_light(TILTED, step_h=1 / 12)
    assert kwh(coarse) == pytest.approx(kwh(fine), rel=5e-3)
    assert coarse.direct_share((300, 400)) == pytest.approx(fine.direct_share((300, 400)), rel=5e-3)


# --- places and planes ---------------------------------------------------------------------------


def test_annual_range_of_named_climates(check: Callable[[str], Any]) -> None:
    """OUT-007, wide bounds from the literature (its source): clear desert; temperate under clouds."""
    expected = check("OUT-007")["expected"]
    desert = site_light(
        Site("desert", 25.0, 25.0, aerosol_turbidity_500nm=0.2, precipitable_water_cm=1.0),
        range_nm=(300.0, 4000.0),
    )
    low, high = expected["annual_UV_kWh_m2_desert_range"]
    assert low < kwh(desert) < high
    uv = desert.irradiance_w_m2((300, 400))
    peak_low, peak_high = expected["peak_UV_W_m2_range"]
    assert peak_low < uv.max() < peak_high
    share_low, share_high = expected["UV280_400_fraction_of_total_range"]
    assert share_low < kwh(desert) / kwh(desert, (300, 4000)) < share_high
    # A clear year at 48 north exceeds what clouds leave of it: 0.55 to 0.7 of the clear total over
    # the year in central Europe (from memory).
    clear = kwh(site_light(FLAT))
    low, high = expected["annual_UV_kWh_m2_temperate_range"]
    assert low < clear * 0.55**0.75 < high
    assert low < clear * 0.70**0.75 < high


def test_hemispheres_mirror() -> None:
    """Half a year and a turned azimuth apart, but for the distance of the sun (6.8 %)."""
    north = site_light(replace(TILTED, azimuth_deg=180.0))
    south = site_light(replace(TILTED, latitude_deg=-48.0, azimuth_deg=0.0))
    wrong = site_light(replace(TILTED, latitude_deg=-48.0, azimuth_deg=180.0))
    assert kwh(south) == pytest.approx(kwh(north), rel=0.02)
    assert kwh(wrong) < 0.75 * kwh(south)
    monthly = [x.monthly(x.irradiance_w_m2((300.0, 400.0))) for x in (north, south)]
    assert int(monthly[0].argmax()) in (4, 5, 6)
    assert int(monthly[1].argmax()) in (10, 11, 0)
    assert monthly[1] == pytest.approx(np.roll(monthly[0], 6), rel=0.15)


def test_azimuth_counts_from_north_over_east() -> None:
    light = {
        a: site_light(replace(FLAT, tilt_deg=60.0, azimuth_deg=a))
        for a in (0.0, 90.0, 180.0, 270.0)
    }
    sums = {a: kwh(x) for a, x in light.items()}
    assert sums[180.0] > sums[90.0] > sums[0.0]
    assert sums[90.0] == pytest.approx(sums[270.0], rel=0.01)
    morning = light[90.0].time.astype("datetime64[h]").astype(int) % 24 < 11
    direct = light[90.0].direct.sum(axis=1)
    assert direct[morning].sum() > 0.85 * direct.sum()  # solar noon is at 11:16 UTC


def test_tilt_limits() -> None:
    up = site_light(FLAT)
    assert not up.ground.any()
    upright = site_light(replace(FLAT, tilt_deg=90.0, azimuth_deg=180.0))
    # Half of the isotropic sky, and half of the ground's hemisphere with the ground's reflectance.
    assert_allclose(upright.sky, up.sky / 2, rtol=1e-9, atol=1e-15)
    horizontal = up.sky[up.lit_share > 0].sum() + up.direct[up.lit_share > 0].sum()
    assert upright.ground.sum() == pytest.approx(0.2 / 2 * horizontal, rel=0.01)
    barely = site_light(replace(FLAT, tilt_deg=1e-6, azimuth_deg=180.0))
    assert_allclose(barely.direct, up.direct, rtol=1e-5, atol=1e-8)


def test_ground_reflectance_in_the_ultraviolet() -> None:
    snow = site_light(replace(TILTED, ground_reflectance=0.8))
    dark = site_light(replace(TILTED, ground_reflectance=0.8, ground_reflectance_uv=0.05))
    uv = snow.wavelength_nm <= 400
    assert_allclose(dark.ground[:, ~uv], snow.ground[:, ~uv], rtol=1e-9, atol=1e-15)
    assert dark.ground[:, uv].sum() < 0.1 * snow.ground[:, uv].sum()
    assert dark.sky[:, uv].sum() < snow.sky[:, uv].sum()  # sky light comes back from snow as well


def test_skyline() -> None:
    open_field = site_light(TILTED)
    ring = site_light(replace(TILTED, tilt_deg=0.0, horizon=((0.0, 30.0),)))
    flat = site_light(replace(TILTED, tilt_deg=0.0))
    assert_allclose(ring.sky, 0.75 * flat.sky, rtol=1e-4, atol=1e-15)  # cos^2 of 30 degree
    low = ring.zenith_deg > 60
    assert not ring.direct[low].any()
    assert (ring.direct[~low] == flat.direct[~low]).all()
    wall = replace(TILTED, horizon=((80.0, 0.0), (90.0, 40.0), (180.0, 40.0), (190.0, 0.0)))
    assert kwh(site_light(wall)) < kwh(open_field)
    assert wall.horizon_deg([85.0, 135.0, 0.0, 360.0]) == pytest.approx([20.0, 40.0, 0.0, 0.0])
    over_north = replace(TILTED, horizon=((350.0, 10.0), (10.0, 20.0)))
    assert over_north.horizon_deg([0.0, 359.999, 355.0]) == pytest.approx(
        [15.0, 15.0, 12.5], abs=0.01
    )
    # A plane that faces the skyline loses more of the sky than one that turns its back.
    facing = Site(
        "f", 48.0, 11.0, tilt_deg=60.0, azimuth_deg=180.0, horizon=((90, 0), (180, 40), (270, 0))
    )
    assert facing.open_sky() < 0.9
    assert replace(facing, azimuth_deg=0.0).open_sky() == pytest.approx(1.0)  # it leans over it


def test_polar_night_and_midnight_sun() -> None:
    light = site_light(Site("far north", 80.0, 15.0, timezone="Arctic/Longyearbyen"))
    monthly = light.monthly(light.irradiance_w_m2((300.0, 400.0)))
    assert (monthly[[10, 11, 0]] == 0).all()
    assert monthly[5] > 0
    june = light.month == 5
    assert (light.lit_share[june] == 1).all()
    pole = site_light(Site("pole", 90.0, 0.0))
    assert np.isfinite(pole.direct).all()
    assert kwh(pole) > 0


def test_months_are_those_of_the_time_zone() -> None:
    light = site_light(Site("east", -37.0, 175.0, timezone="Pacific/Auckland"))
    assert len(light.time) == 8760
    assert light.month[0] == 0 and light.month[-1] == 11
    assert str(light.time[0]) == "2022-12-31T11:30:00.000"  # 13 h ahead in summer
    hours = np.bincount(light.month)
    # Summer time ends in April and begins in September: one hour more, one less.
    assert hours.tolist() == [
        24 * d + x
        for d, x in zip(
            (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31),
            (0, 0, 0, 1, 0, 0, 0, 0, -1, 0, 0, 0),
            strict=True,
        )
    ]


def test_leap_year() -> None:
    light = site_light(FLAT, year=2024)
    assert len(light.time) == 8784
    assert np.bincount(light.month)[1] == 29 * 24
    assert kwh(light) == pytest.approx(kwh(site_light(FLAT)), rel=0.01)


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"latitude_deg": 91.0}, "latitude_deg 91.0 must lie between -90 and 90"),
        ({"longitude_deg": float("nan")}, "longitude_deg nan"),
        ({"tilt_deg": 95.0}, "tilt_deg"),
        ({"tilt_deg": 30.0, "azimuth_deg": None}, "needs azimuth_deg"),
        ({"azimuth_deg": -10.0}, "azimuth_deg"),
        ({"ground_reflectance": 1.2}, "ground_reflectance"),
        ({"ozone_atm_cm": 300.0}, "ozone_atm_cm 300.0 must lie between 0.05 and 0.7"),
        ({"pressure_pa": 1013.0}, "pressure_pa"),
        ({"timezone": "Mars/Olympus"}, "unknown time zone 'Mars/Olympus'"),
        ({"timezone": "../etc"}, "unknown time zone"),
        ({"horizon": ((10.0, 95.0),)}, "elevation from 0"),
        ({"horizon": ((10.0, 5.0), (10.0, 6.0))}, "two points of the horizon"),
        ({"horizon": ((0.0, 5.0), (360.0, 6.0))}, "two points of the horizon"),
        ({"horizon": ((0.0,),)}, "a point of the horizon is"),
    ],
)
def test_sites_that_make_no_sense(changes: dict[str, Any], match: str) -> None:
    with pytest.raises(OptistackError, match=match):
        replace(TILTED, **changes)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"step_h": 0.0}, "step_h"),
        ({"step_h": 2.0}, "step_h"),
        ({"step_h": 0.7}, "must divide a day"),
        ({"step_h": float("nan")}, "step_h"),
        ({"year": 20}, "year 20"),
        ({"range_nm": (280.0, 700.0)}, "300-4000 nm"),
        ({"range_nm": (500.0, 400.0)}, "300-4000 nm"),
    ],
)
def test_light_that_cannot_be_had(options: dict[str, Any], match: str) -> None:
    with pytest.raises(OptistackError, match=match):
        site_light(FLAT, **options)


def test_bands_the_light_does_not_have() -> None:
    light = site_light(FLAT)
    with pytest.raises(RangeError, match="begins at 300 nm"):
        light.irradiance_w_m2((280.0, 300.0))
    with pytest.raises(RangeError, match="wider range_nm"):
        light.irradiance_w_m2((400.0, 1100.0))
    assert light.within((280.0, 315.0)) == (300.0, 315.0)
    assert any("280-300 nm holds 0.0032 % of the energy" in n for n in light.notes)


def test_without_pvlib(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pvlib", None)
    with pytest.raises(OptistackError, match=r"pip install pvlib"):
        site_light(FLAT, year=2022)
    assert sun_module.G173_ATMOSPHERE["surface_tilt"] == 37.0


def test_import_is_light() -> None:
    code = "import sys, optistack.analysis.outdoor; sys.exit('pvlib' in sys.modules or 'pandas' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)


def test_views() -> None:
    light = site_light(TILTED)
    frame = light.to_frame()
    assert len(frame) == 8760
    assert frame["irradiance_300-400_nm_w_m2"].sum() / 1000 == pytest.approx(kwh(light))
    ax = light.plot()
    heights = sum(bar.get_height() for bar in ax.patches)
    assert heights == pytest.approx(kwh(light), rel=1e-9)
    assert "300-400 nm" in ax.get_ylabel()
    with pytest.raises(ValueError, match="read-only"):
        light.direct[0, 0] = 1.0
