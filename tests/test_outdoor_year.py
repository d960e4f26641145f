"""A year's dose in a layer: against the engine hour by hour, by month, behind filters.

The oracle is `Exposure.run` with the light of one step: its direct part at the step's angle of
incidence, its sky and ground part isotropic. The short form takes a sample of steps; with
OPTISTACK_LONG=1 every step of a year is solved (coupon and device, some minutes).
"""

from __future__ import annotations

import os
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from conftest import LANTERN_HOUSE
from numpy.testing import assert_allclose

import optistack as ost
from optistack.analysis.outdoor import Site, SiteDose, SiteLight, site_light, site_year
from optistack.analysis.outdoor.response import chebyshev_points, interpolation, isotropic_weights
from optistack.errors import OptistackError, RangeError, StackError
from optistack.exposure import Exposure, MountedFilter
from optistack.filters import edge_filter, measured_filter
from optistack.light_paths import Geometry, Holder, respond
from optistack.spectra import Spectrum, Weight, weight_family
from optistack.spectral_math import PHOTON_J_NM, quadrature, union_grid

LONG = os.environ.get("OPTISTACK_LONG") == "1"
SITE = Site("here", 48.0, 11.0, altitude_m=500.0, tilt_deg=35.0, azimuth_deg=180.0)
KEYS = ("300-400", "400-700", "exponential 15 nm")
EDGE = edge_filter("edge", 385.0, 15.0)


@cache
def light() -> SiteLight:
    return site_light(SITE)


@cache
def exposures() -> dict[str, Exposure]:
    return dict(ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml").exposures)


def coupon() -> Exposure:
    return exposures()["coupon outdoors"]


def device() -> Exposure:
    return exposures()["device outdoors"]


def of_step(exposure: Exposure, step: int, layer: str = "electrode") -> np.ndarray:
    """Photons absorbed in one step, by the engine."""
    here = light()
    site = {"lit_from": exposure.geometry.lit_from, "holder": exposure.geometry.holder}
    total = np.zeros(len(KEYS))
    for part, geometry in (
        (here.direct[step], Geometry(angle_deg=float(min(here.aoi_deg[step], 90.0)), **site)),
        (here.sky[step] + here.ground[step], Geometry(isotropic_share=1.0, **site)),
    ):
        if part.any():
            lit = replace(
                exposure, light=Spectrum("step", here.wavelength_nm, part), geometry=geometry
            )
            solved = lit.run((300.0, 700.0))
            total += [
                solved.absorbed_photons_m2_s(layer, (300, 400))[0],
                solved.absorbed_photons_m2_s(layer, (400, 700))[0],
                solved.absorbed_photons_m2_s(layer, (300, 400), weight_family()[1])[0],
            ]
    return total


def rates(dose: SiteDose, steps: np.ndarray) -> np.ndarray:
    return np.array([dose.rate_m2_s(key)[steps] for key in KEYS]).T


CASES = {
    "coupon": coupon,
    "device": device,
    "from behind": lambda: exposures()["device in the chamber"],
    "lambertian holder": lambda: replace(coupon(), geometry=Geometry(holder=Holder(0.6))),
    "specular holder": lambda: replace(coupon(), geometry=Geometry(holder=Holder(0.6, "specular"))),
    "laminated": lambda: device().with_filters([MountedFilter(EDGE, "laminated")]),
    "before a gap": lambda: device().with_filters([MountedFilter(EDGE, "detached_gap")]),
    "in the glass": lambda: device().with_filters([MountedFilter(EDGE, "in_substrate")]),
}


@pytest.mark.parametrize("case", CASES)
def test_steps_are_those_of_the_engine(case: str) -> None:
    exposure = CASES[case]()
    dose = site_year(light(), {"x": exposure}, "electrode")["x"]
    up = np.flatnonzero(light().lit_share > 0)
    some = np.random.default_rng(6).choice(up, 4)
    graze = up[np.argmin(np.abs(light().aoi_deg[up] - 88.0))]
    steps = np.array([*some, graze])
    # 1e-6: 24 to 100 directions of the engine for isotropic light, the series here.
    assert_allclose(rates(dose, steps), [of_step(exposure, i) for i in steps], rtol=1e-6)
    assert dose.angle_error < 1e-7


def test_thick_coherent_films_take_more_angles() -> None:
    thick = ost.Stack("air", (ost.Layer("film", "ito", 3000.0),), "fused_silica")
    exposure = ost.Exposure("thick", thick, ost.spectrum("am15g"))
    dose = site_year(light(), {"x": exposure}, "film")["x"]
    up = np.flatnonzero(light().aoi_deg < 85)
    steps = np.random.default_rng(7).choice(up, 4)
    assert_allclose(rates(dose, steps), [of_step(exposure, i, "film") for i in steps], rtol=1e-6)
    assert dose.angle_error < 1e-7


@pytest.mark.skipif(not LONG, reason="every step of a year takes minutes: OPTISTACK_LONG=1")
@pytest.mark.parametrize("case", ["coupon", "device"])
def test_whole_year_is_that_of_the_engine(case: str) -> None:
    exposure = CASES[case]()
    dose = site_year(light(), {"x": exposure}, "electrode")["x"]
    up = np.flatnonzero(light().lit_share > 0)
    total = np.sum([of_step(exposure, int(i)) for i in up], axis=0) * 3600.0
    assert_allclose([dose.dose_m2(key) for key in KEYS], total, rtol=1e-6)


def test_energy_of_a_year() -> None:
    """Incident energy and photons against a trapezoid, step by step."""
    here = light()
    dose = site_year(here, {"x": coupon()}, "electrode")["x"]
    total = here.direct + here.sky + here.ground
    band = (here.wavelength_nm >= 300) & (here.wavelength_nm <= 400)
    lam = here.wavelength_nm[band]
    energy = np.trapezoid(total[:, band], lam, axis=1).sum() * 3600
    assert dose.incident_j_m2["300-400"] == pytest.approx(energy, rel=1e-12)
    nodes, weights = quadrature(lam)
    spectra = np.array([np.interp(nodes, lam, row) for row in total[:, band] if row.any()])
    photons = (spectra * nodes / PHOTON_J_NM @ weights).sum() * 3600
    assert dose.incident_photons_m2["300-400"] == pytest.approx(photons, rel=1e-12)


# --- filters far in front ------------------------------------------------------------------------


def test_plate_in_front_follows_the_angle() -> None:
    """Plate x stack, each solved alone at the step's angle, multiplied wavelength by wavelength."""
    exposure = coupon().with_filters([MountedFilter(EDGE, "detached_far")])
    here = replace(light(), sky=0 * light().sky, ground=0 * light().ground, _cache={})
    dose = site_year(here, {"x": exposure}, "electrode")["x"]
    # As `Filter.external` has it: both faces towards an index of 1.
    plate = ost.Stack(1.0, (), 1.0).mounted(EDGE, "laminated")
    stack = exposure.stack
    grid = np.arange(300.0, 401.0)
    bends = [grid, here.wavelength_nm, EDGE.nodes_nm, ost.spectrum("am15g").wavelength_nm]
    nodes, weights = quadrature(union_grid(300, 400, bends))
    for step in np.flatnonzero((here.aoi_deg > 40) & (here.aoi_deg < 80))[::400]:
        geometry = Geometry(angle_deg=float(here.aoi_deg[step]))
        a = np.interp(
            nodes, grid, respond(stack, geometry, grid).absorptance[stack.position("electrode")]
        )
        t = respond(plate, geometry, nodes).transmittance
        photons = np.interp(nodes, here.wavelength_nm, here.direct[step]) * nodes / PHOTON_J_NM
        expected = float((photons * a * t) @ weights)
        assert dose.rate_m2_s("300-400")[step] == pytest.approx(expected, rel=1e-6)
    assert any("its transmittance follows the angle" in n for n in dose.notes)


def test_coated_filter_in_front_keeps_normal_incidence() -> None:
    lam = np.arange(250.0, 1201.0)
    curve = np.where(lam > 380, 0.9, 0.02)
    plain = measured_filter("plain", lam, np.full(lam.size, 0.9), "external")
    coated = measured_filter("coated", lam, curve, "external", coated=True)
    year = site_year(
        light(),
        {
            "bare": coupon(),
            "coated": coupon().with_filters([MountedFilter(coated, "detached_far")]),
            "plain": coupon().with_filters([MountedFilter(plain, "detached_far")]),
        },
        "electrode",
    )
    left = year["coated"].dose_m2("400-700") / year["bare"].dose_m2("400-700")
    assert left == pytest.approx(0.9, rel=1e-9)
    # A plate reflects more of slanted light than at normal incidence.
    slanted = year["plain"].dose_m2("400-700") / year["bare"].dose_m2("400-700")
    assert 0.84 < slanted < 0.9 - 0.01
    assert any("normal incidence serves for all angles" in n for n in year["coated"].notes)
    # Under AM1.5G at normal incidence both let 0.9 through.
    for name in ("coated", "plain"):
        rate = year[name].am15g_rate_m2_s["400-700"] / year["bare"].am15g_rate_m2_s["400-700"]
        assert rate == pytest.approx(0.9, rel=1e-9)


# --- answers -------------------------------------------------------------------------------------


def test_equivalent_hours_are_those_of_the_engine() -> None:
    dose = site_year(light(), {"x": device()}, "electrode")["x"]
    sun = replace(
        device(),
        light=ost.spectrum("am15g"),
        geometry=Geometry(lit_from=device().geometry.lit_from),
    )
    solved = sun.run((300.0, 700.0))
    for key, rate in (
        ("300-400", solved.absorbed_photons_m2_s("electrode", (300, 400))[0]),
        ("400-700", solved.absorbed_photons_m2_s("electrode", (400, 700))[0]),
        ("280-315", solved.absorbed_photons_m2_s("electrode", (300, 315))[0]),
    ):
        # 1e-6: the optical grids differ by the points of the bands
        assert dose.am15g_rate_m2_s[key] == pytest.approx(rate, rel=1e-6)
        hours = dose.dose_m2(key) / rate / 3600
        assert dose.equivalent_am15g_hours[key] == pytest.approx(hours, rel=1e-6)
    energy = (
        dose.incident_j_m2["300-400"] / ost.spectrum("am15g").irradiance_w_m2((300, 400)) / 3600
    )
    assert dose.incident_am15g_hours["300-400"] == pytest.approx(energy, rel=1e-12)


def test_months_add_up() -> None:
    dose = site_year(light(), {"x": device()}, "electrode")["x"]
    for key in dose.keys:
        assert dose.monthly_m2(key).sum() == pytest.approx(dose.dose_m2(key), rel=1e-12)
    assert dose.monthly_incident_j_m2("315-400").sum() == pytest.approx(
        dose.incident_j_m2["315-400"]
    )
    assert dose.monthly_incident_photons_m2("315-400").sum() == pytest.approx(
        dose.incident_photons_m2["315-400"]
    )
    assert dose.absorbed_photons_m2["280-400"] == pytest.approx(
        dose.absorbed_photons_m2["280-315"] + dose.absorbed_photons_m2["315-400"], rel=1e-9
    )
    # Absorbed photons are fewer than incident ones, month by month.
    assert (dose.monthly_m2("300-400") < dose.monthly_incident_photons_m2("300-400")).all()


def test_powers_are_summed_step_by_step() -> None:
    dose = site_year(light(), {"x": device()}, "electrode")["x"]
    volume = dose.thickness_nm * 1e-9
    assert dose.sum_of_powers("300-400", 1.0) == pytest.approx(dose.dose_m2("300-400") / volume)
    assert dose.sum_of_powers("300-400", 1.0, per_volume=False) == pytest.approx(
        dose.dose_m2("300-400")
    )
    assert dose.dose_m3("300-400") == pytest.approx(dose.dose_m2("300-400") / volume)
    q = dose.rate_m3_s("300-400")
    half = dose.sum_of_powers("300-400", 0.5)
    lit = light().lit_share[q > 0]  # sunrise and sunset: the lit part of the hour
    assert half == pytest.approx((np.sqrt(q[q > 0] / lit) * lit).sum() * 3600)
    year_s = light().time.size * 3600
    assert half < 0.9 * np.sqrt(q.mean()) * year_s  # the mean's power would say more
    with pytest.raises(OptistackError, match="must be positive"):
        dose.sum_of_powers("300-400", 0.0)


def test_what_lies_below_300_nm_is_said() -> None:
    dose = site_year(light(), {"x": device()}, "electrode")["x"]
    assert dose.reported_nm("280-315") == (300.0, 315.0)
    assert dose.reported_nm("flat") == (300.0, 400.0)
    for text in ("280-315: counted in 300-315 nm", "exponential 15 nm: counted in 300-400 nm"):
        assert any(n.startswith(text) for n in dose.notes)
    # The share under the steepest weight, straight from the table of the standard sun.
    sun = ost.spectrum("am15g")
    lam = np.arange(280.0, 400.01, 0.5)
    value = sun(lam) * lam * np.exp(-lam / 15)
    share = np.trapezoid(value[lam <= 300], lam[lam <= 300]) / np.trapezoid(value, lam)
    assert any(f"is {100 * share:.2g} % of the weighted" in n for n in dose.notes)


def test_own_bands_and_weights() -> None:
    table = Weight(
        "table",
        (310.0, 390.0),
        wavelength_nm=np.array([310.0, 350.0, 390.0]),
        values=np.array([2.0, 1.0, 0.0]),
    )
    year = site_year(
        light(), {"x": device()}, "electrode", bands_nm=[(340.0, 341.5)], weights=[table]
    )
    assert year["x"].keys == ("340-341.5", "table")
    assert list(year["x"].weighted_m2) == ["table"]
    wide = site_year(light(), {"x": device()}, "electrode", weights=weight_family((280.0, 500.0)))
    assert wide["x"].reported_nm("flat to 500") == (300.0, 500.0)
    assert wide["x"].dose_m2("flat to 500") > wide["x"].dose_m2("300-400")


def test_bands_beyond_the_visible() -> None:
    wide = site_light(SITE, range_nm=(300.0, 1100.0))
    year = site_year(wide, {"x": coupon()}, "electrode", bands_nm=[(400.0, 700.0), (700.0, 1050.0)])
    assert year["x"].dose_m2("700-1050") > 0
    narrow = site_year(light(), {"x": coupon()}, "electrode")
    assert year["x"].dose_m2("400-700") == pytest.approx(narrow["x"].dose_m2("400-700"), rel=1e-6)


def test_polar_night_gives_no_nonsense() -> None:
    dark = site_light(Site("far north", 85.0, 0.0))
    dose = site_year(dark, {"x": device()}, "electrode")["x"]
    assert (dose.monthly_m2("300-400")[[0, 1, 10, 11]] == 0).all()
    frame = dose.to_frame()
    winter = frame[(frame["month"] == 12) & (frame["over"] == "300-400")]
    assert winter["equivalent_am15g_hours"].tolist() == [0.0]
    assert np.isfinite(dose.equivalent_am15g_hours["300-400"])
    night = replace(
        dark, direct=0 * dark.direct, sky=0 * dark.sky, ground=0 * dark.ground, _cache={}
    )
    nothing = site_year(night, {"x": device()}, "electrode")["x"]
    assert set(nothing.equivalent_am15g_hours.values()) == {0.0}
    assert nothing.sum_of_powers("300-400", 0.5) == 0.0


def test_light_of_the_chamber_is_left_behind() -> None:
    chamber = replace(
        coupon(), geometry=Geometry(rear_share=0.15, isotropic_share=0.3, angle_deg=20.0)
    )
    year = site_year(
        light(),
        {"bare": coupon(), "chamber": chamber},
        {"bare": "electrode", "chamber": "electrode"},
    )
    assert year["chamber"].dose_m2("flat") == year["bare"].dose_m2("flat")
    assert any("belongs to a chamber" in n for n in year["chamber"].notes)
    assert year.notes[: len(light().notes)] == light().notes


def test_views() -> None:
    year = site_year(light(), {"coupon": coupon(), "device": device()}, "electrode")
    frame = year.to_frame()
    assert len(frame) == 2 * 9 * 13
    row = frame[
        (frame["exposure"] == "device") & (frame["over"] == "315-400") & (frame["month"] == 0)
    ]
    dose = year["device"]
    assert row["incident_kwh_m2"].item() == pytest.approx(dose.incident_j_m2["315-400"] / 3.6e6)
    assert row["incident_mj_m2"].item() == pytest.approx(dose.incident_j_m2["315-400"] / 1e6)
    assert row["absorbed_photons_m2"].item() == dose.dose_m2("315-400")
    assert row["absorbed_photons_m2_low"].item() == dose.dose_m2("315-400")  # clear sky: no range
    ax = year.plot(key="300-400")
    assert_allclose(ax.lines[1].get_ydata(), dose.monthly_m2("300-400"))
    assert "300-400 nm" in ax.get_ylabel()
    assert dose.plot().get_xlabel() == "month"
    assert dose.grade >= "C"


# --- refusals ------------------------------------------------------------------------------------


def test_refusals() -> None:
    with pytest.raises(OptistackError, match="at least one exposure"):
        site_year(light(), {}, "electrode")
    with pytest.raises(OptistackError, match="name the layer"):
        site_year(light(), {"x": device()}, {"y": "electrode"})
    with pytest.raises(StackError, match="has no layer 'elektrode'"):
        site_year(light(), {"x": device()}, "elektrode")
    with pytest.raises(RangeError, match="wider range_nm"):
        site_year(light(), {"x": device()}, "electrode", bands_nm=[(400.0, 1100.0)])
    with pytest.raises(RangeError, match="begins at 300 nm"):
        site_year(light(), {"x": device()}, "electrode", bands_nm=[(280.0, 300.0)])
    with pytest.raises(OptistackError, match="two bands or weights are called 'flat'"):
        site_year(
            light(), {"x": device()}, "electrode", weights=[*weight_family(), weight_family()[0]]
        )
    with pytest.raises(OptistackError, match="at least one band"):
        site_year(light(), {"x": device()}, "electrode", bands_nm=[], weights=[])
    wet = replace(device(), stack=replace(device().stack, ambient=1.33))
    with pytest.raises(StackError, match="let its ambient be air"):
        site_year(light(), {"x": wet}, "electrode")
    year = site_year(light(), {"x": device()}, "electrode")
    with pytest.raises(OptistackError, match="no exposure 'y'; there are x"):
        _ = year["y"]
    with pytest.raises(OptistackError, match="no band or weight '300-500'"):
        year["x"].rate_m2_s("300-500")
    with pytest.raises(OptistackError, match="no band 'flat'"):
        year["x"].monthly_incident_j_m2("flat")


# --- numerics ------------------------------------------------------------------------------------


def test_interpolation_and_hemisphere() -> None:
    root = chebyshev_points(24)
    assert set(chebyshev_points(12)) <= set(root)
    at = np.concatenate([np.linspace(0, 1, 101), root])
    curve = np.exp(-3 * root) * np.sin(4 * root)
    assert_allclose(interpolation(root, at) @ curve, np.exp(-3 * at) * np.sin(4 * at), atol=1e-13)
    weights = isotropic_weights(root)
    for power in range(8):  # integral of 2 mu mu**power
        assert weights @ root ** (2 * power) == pytest.approx(2 / (power + 2), rel=1e-12)
