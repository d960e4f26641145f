"""Light: band integrals of the standard suns, scaling, variants, refusals; spectral weights."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import optistack as ost
from optistack.errors import OptistackError, RangeError, TableError
from optistack.filters import Filter
from optistack.spectra import weight_from_table
from optistack.spectral_math import (
    AVOGADRO_MOL,
    BOLTZMANN_J_K,
    ELEMENTARY_CHARGE_C,
    LIGHT_SPEED_M_S,
    MA_CM2_PER_FLUX,
    PLANCK_J_S,
    integrate_product,
    photon_flux,
)
from optistack.tables import read_table, table_names

Check = Callable[[str], dict[str, Any]]

SPECTRA = ("am15g", "am15d", "am0_g173", "uva340", "uvb313", "xenon_daylight", "plasma_visible")


@pytest.fixture(scope="module")
def sun() -> ost.Spectrum:
    return ost.spectrum("am15g")


@pytest.fixture
def lamp() -> ost.Spectrum:
    return ost.spectrum("uva340")


# --- the standard suns, ASTM G173-03 (source and derivation in each entry of checks.json) --------


def test_whole_integrals_of_the_three_suns(check: Check) -> None:
    """RAD-004: 1000.37, 900.14 and 1347.93 W/m2 in 280-4000 nm."""
    case = check("RAD-004")
    band = tuple(case["inputs"]["band_nm"])
    for name, key in (("am15g", "global_"), ("am15d", "direct"), ("am0_g173", "extraterrestrial")):
        assert ost.spectrum(name).irradiance_w_m2(band) == pytest.approx(
            case["expected"][key], rel=case["tolerance"]["rel"]
        )


@pytest.mark.parametrize("name", ["RAD-006", "RAD-007", "RAD-010", "RAD-011", "RAD-013"])
def test_bands_of_the_global_sun(name: str, check: Check, sun: ost.Spectrum) -> None:
    """Energy, photons, moles and current of five bands."""
    case = check(name)
    band, expected = tuple(case["inputs"]["band_nm"]), case["expected"]
    rel = case["tolerance"]["rel"]
    flux = sun.photon_flux_m2_s(band)
    assert sun.irradiance_w_m2(band) == pytest.approx(expected["E_W_m2"], rel=rel)
    assert flux == pytest.approx(expected["photons_m2_s"], rel=rel)
    assert flux / AVOGADRO_MOL * 1e6 == pytest.approx(expected["umol_m2_s"], rel=rel)
    assert flux * MA_CM2_PER_FLUX == pytest.approx(expected["J_mA_cm2"], rel=rel)


def test_shares_of_the_global_sun(check: Check, sun: ost.Spectrum) -> None:
    """RAD-015: 4.6 % of the energy lies in 280-400 nm."""
    case = check("RAD-015")
    expected, rel = case["expected"], case["tolerance"]["rel"]
    short, whole = sun.irradiance_w_m2((280, 400)), sun.irradiance_w_m2((280, 4000))
    assert short / whole == pytest.approx(expected["UV280_400_fraction"], rel=rel)
    assert sun.irradiance_w_m2((280, 315)) / short == pytest.approx(
        expected["UVB280_315_over_UV"], rel=rel
    )
    photons = sun.photon_flux_m2_s((280, 400)) / sun.photon_flux_m2_s((280, 4000))
    assert photons == pytest.approx(expected["photon_fraction_280_400_of_280_4000"], rel=rel)
    for lam in (340, 420, 313):
        assert float(sun(lam)) == pytest.approx(expected[f"E_{lam}"], rel=rel)


def test_mean_photon_energy(check: Check, sun: ost.Spectrum) -> None:
    """RAD-018: 1.450 eV in 280-4000 nm, 1.876 eV in 350-1050 nm."""
    case = check("RAD-018")
    for band, key in (
        ((280, 4000), "mean_photon_energy_eV"),
        ((350, 1050), "mean_photon_energy_350_1050_eV"),
    ):
        mean = sun.irradiance_w_m2(band) / sun.photon_flux_m2_s(band) / ELEMENTARY_CHARGE_C
        assert mean == pytest.approx(case["expected"][key], rel=case["tolerance"]["rel"])


def test_sun_through_an_absorbing_filter(check: Check, sun: ost.Spectrum) -> None:
    """RAD-019: decadic absorbance 2 exp(-(lambda - 350)/15), as a filter far from the sample."""
    case = check("RAD-019")
    expected, rel = case["expected"], case["tolerance"]["rel"]
    item = Filter(
        "absorber",
        lambda lam: 10 ** (-2 * np.exp(-(lam - 350) / 15)),
        "external",
        coated=True,
        measurement="regular",
        nodes_nm=np.arange(280.0, 801.0),
    )
    anything = ost.Stack("air", [ost.Layer("film", 1.6 + 0.05j, 100.0)], "air")
    open_, filtered = (
        ost.Exposure("sun", anything, sun, filters=filters).run((280.0, 800.0))
        for filters in ((), (ost.MountedFilter(item, "detached_far"),))
    )
    # An external quantum efficiency of 1 counts every photon: the sum of the weights.
    whole, short = (280.0, 800.0), (280.0, 400.0)
    j_in, j_through = (
        MA_CM2_PER_FLUX * float(r.photon_weights(whole)[0].sum()) for r in (open_, filtered)
    )
    assert j_in == pytest.approx(expected["J_in"], rel=rel)
    assert j_through == pytest.approx(expected["J_through"], rel=rel)
    photons = [float(r.photon_weights(short)[0].sum()) for r in (filtered, open_)]
    assert photons[0] / photons[1] == pytest.approx(expected["UV_transmission_photons"], rel=rel)
    energy = integrate_product(*short, [sun.wavelength_nm, item.nodes_nm], [sun, item.external])
    assert energy == pytest.approx(expected["E_UV280_400_through"], rel=rel)
    assert energy / sun.irradiance_w_m2(short) == pytest.approx(
        expected["UV_transmission_energy"], rel=rel
    )
    assert filtered.budget(short)["filter at the lamp"] == pytest.approx(
        1 - photons[0] / photons[1], rel=1e-9
    )


def test_triangle_lamp(check: Check) -> None:
    """RAD-020: area and centroid of the triangle 300-340-400 nm, peak 0.89 W/m2/nm."""
    case = check("RAD-020")
    expected, rel = case["expected"], case["tolerance"]["rel"]
    lamp = ost.Spectrum("triangle", [300, 340, 400], [0, 0.89, 0], dark_outside=True)
    band = (280.0, 800.0)
    assert lamp.irradiance_w_m2(band) == pytest.approx(expected["E_W_m2"], rel=rel)
    flux = lamp.photon_flux_m2_s(band)
    assert flux == pytest.approx(expected["photons_m2_s"], rel=rel)
    assert flux / AVOGADRO_MOL * 1e6 == pytest.approx(expected["umol_m2_s"], rel=rel)
    mean = flux / photon_flux(1.0, lamp.irradiance_w_m2(band))
    assert mean == pytest.approx(expected["mean_wavelength_nm"], rel=rel)


# --- Planck -------------------------------------------------------------------------------------


def black_body(temperature_k: float, first_nm: float, last_nm: float) -> tuple[float, float]:
    """Photon and energy exitance over all wavelengths: the tail beyond the grid by its series."""
    body = ost.planck(temperature_k, (first_nm, last_nm))
    x = PLANCK_J_S * LIGHT_SPEED_M_S / (last_nm * 1e-9 * BOLTZMANN_J_K * temperature_k)
    unit = 2 * math.pi * (BOLTZMANN_J_K * temperature_k) ** 3 / PLANCK_J_S**3 / LIGHT_SPEED_M_S**2
    photons = body.photon_flux_m2_s((first_nm, last_nm))
    energy = body.irradiance_w_m2((first_nm, last_nm))
    # t^2/(e^t - 1) = t - t^2/2 + t^3/12 - t^5/720 ..., integrated from 0 to x; t^3/(...) alike
    photons += unit * (x**2 / 2 - x**3 / 6 + x**4 / 48 - x**6 / 4320)
    energy += unit * BOLTZMANN_J_K * temperature_k * (x**3 / 3 - x**4 / 8 + x**5 / 60)
    return photons, energy


@pytest.mark.parametrize(("at", "first_nm"), [(0, 500.0), (1, 50.0)])
def test_photons_of_a_black_body(at: int, first_nm: float, check: Check) -> None:
    """RAD-027: the photon form of the Stefan-Boltzmann law."""
    case = check("RAD-027")
    t, expected, rel = case["inputs"]["T_K"][at], case["expected"], case["tolerance"]["rel"]
    photons, energy = black_body(t, first_nm, 200_000.0)
    assert photons == pytest.approx(expected["photon_exitance_m2_s"][at], rel=rel)
    assert photons / t**3 == pytest.approx(expected["sigma_photon"], rel=rel)
    assert energy / photons / (BOLTZMANN_J_K * t) == pytest.approx(
        expected["mean_photon_energy_over_kT"], rel=rel
    )


def test_peak_and_dilution_of_the_solar_black_body(check: Check) -> None:
    """RAD-028: Wien's law, and 1361 W/m2 at one astronomical unit."""
    case = check("RAD-028")
    t, expected, rel = case["inputs"]["T_K"], case["expected"], case["tolerance"]["rel"]
    lam = np.arange(498.0, 507.0)
    fit = np.polynomial.Polynomial.fit(lam, ost.planck(t)(lam), 6)
    peaks = fit.deriv().roots()
    peak = peaks[np.argmin(np.abs(peaks - 502.0))]
    assert peak.real == pytest.approx(expected["lam_max_nm"], rel=rel)
    # Nominal solar radius 6.957e8 m (IAU 2015 resolution B3), 149597870700 m (IAU 2012 B2).
    _, energy = black_body(t, 50.0, 200_000.0)
    assert energy * (6.957e8 / 149597870700.0) ** 2 == pytest.approx(
        expected["solar_constant_from_dilution"], rel=rel
    )


def test_planck_at_one_wavelength(check: Check) -> None:
    """RAD-030: exitance, radiance (exitance / pi) and photon radiance at 500 nm, 5772 K."""
    case = check("RAD-030")
    given_, expected, rel = case["inputs"], case["expected"], case["tolerance"]["rel"]
    exitance = float(ost.planck(given_["T_K"])(given_["lam_nm"]))
    assert exitance == pytest.approx(expected["hemispherical_exitance_W_m2_nm"], rel=rel)
    radiance = exitance / math.pi
    assert radiance == pytest.approx(expected["L_W_m2_sr_nm"], rel=rel)
    assert float(photon_flux(given_["lam_nm"], radiance)) == pytest.approx(
        expected["photon_radiance_m2_sr_s_nm"], rel=rel
    )


@pytest.mark.parametrize("temperature_k", [0.0, -5.0, math.nan, math.inf])
def test_impossible_temperatures(temperature_k: float) -> None:
    with pytest.raises(OptistackError, match="must be positive"):
        ost.planck(temperature_k)


def test_a_cold_black_body_is_dark_and_cannot_be_scaled() -> None:
    with pytest.raises(OptistackError, match="no light at 500 nm.*nowhere"):
        ost.planck(1.0).at_set_point(500.0, 1.0)


# --- scaling ------------------------------------------------------------------------------------


def test_every_spectrum_that_comes_along_loads() -> None:
    assert set(SPECTRA) == set(table_names("spectra"))
    for name in SPECTRA:
        light = ost.spectrum(name)
        assert light.grade in "ABCD"
        assert light.source != "not stated"
        assert light.irradiance_w_m2((max(300, light.range_nm[0]), 400)) > 0


@pytest.mark.parametrize("name", ["uva340", "uvb313", "xenon_daylight"])
@given(where=st.floats(310.0, 345.0), level=st.floats(1e-3, 1e3))
@settings(max_examples=25)
def test_set_point_holds_for_every_variant(name: str, where: float, level: float) -> None:
    light = ost.spectrum(name).at_set_point(where, level)
    assert not light.relative
    assert len(light.variants) == 2
    for shape in (light, *light.variants):
        assert not shape.relative
        assert float(shape(where)) == pytest.approx(level, rel=1e-12)


@given(level=st.floats(1e-3, 1e3))
@settings(max_examples=25)
def test_irradiance_in_a_band_holds_for_every_variant(level: float) -> None:
    light = ost.spectrum("uva340").at_irradiance((300, 400), level)
    for shape in (light, *light.variants):
        assert shape.irradiance_w_m2((300, 400)) == pytest.approx(level, rel=1e-12)


def test_suns_are_those_of_the_named_band(lamp: ost.Spectrum, sun: ost.Spectrum) -> None:
    light = lamp.at_suns(2.0, (315, 400))
    for shape in (light, *light.variants):
        assert shape.irradiance_w_m2((315, 400)) == pytest.approx(
            2 * sun.irradiance_w_m2((315, 400)), rel=1e-12
        )
    # In another band it is another number of suns.
    other = light.irradiance_w_m2((280, 315)) / sun.irradiance_w_m2((280, 315))
    assert other != pytest.approx(2.0, rel=0.05)


def test_variants_differ_in_shape_and_keep_their_names(lamp: ost.Spectrum) -> None:
    light = lamp.at_set_point(340, 0.89)
    assert [v.name for v in light.variants] == ["short_rich", "short_poor"]
    middle, rich, poor = (s.photon_flux_m2_s((280, 315)) for s in (light, *light.variants))
    assert poor < middle < rich


def test_a_dark_wavelength_cannot_be_the_set_point(lamp: ost.Spectrum) -> None:
    with pytest.raises(OptistackError, match="uva340 has no light at 250 nm.*has light from"):
        lamp.at_set_point(250.0, 1.0)
    with pytest.raises(OptistackError, match="no light in 200-250 nm"):
        lamp.at_irradiance((200.0, 250.0), 1.0)


@pytest.mark.parametrize("level", [0.0, -1.0, math.nan, math.inf])
def test_levels_must_be_positive(level: float, lamp: ost.Spectrum) -> None:
    with pytest.raises(OptistackError, match="must be positive"):
        lamp.at_set_point(340.0, level)
    with pytest.raises(OptistackError, match="must be positive"):
        lamp.at_irradiance((300, 400), level)
    with pytest.raises(OptistackError, match="must be positive"):
        lamp.at_suns(level, (300, 400))


# --- range --------------------------------------------------------------------------------------


def test_beyond_the_data_is_refused_with_the_way_out(sun: ost.Spectrum) -> None:
    with pytest.raises(RangeError) as refused:
        sun.irradiance_w_m2((250.0, 400.0))
    text = str(refused.value)
    for part in ("spectrum am15g", "needed 250-400 nm", "available 280-4000 nm", "dark_outside"):
        assert part in text
    assert refused.value.needed == (250.0, 400.0)
    assert refused.value.available == (280.0, 4000.0)
    with pytest.raises(RangeError, match="am15g"):
        sun([300.0, 5000.0])
    with pytest.raises(RangeError, match="am15g"):
        sun.at_irradiance((200.0, 400.0), 10.0)


def test_a_modelled_lamp_is_dark_outside_and_says_so(lamp: ost.Spectrum) -> None:
    assert lamp.dark_outside
    assert lamp([200.0, 450.0]).tolist() == [0.0, 0.0]
    assert lamp.at_set_point(340, 1).irradiance_w_m2((400, 700)) == 0.0
    assert any("no light outside 280-400 nm" in n for n in lamp.notes)


def test_a_measured_relative_lamp_is_not_dark_outside(tmp_path: Path) -> None:
    path = tmp_path / "lamp.csv"
    path.write_text(
        "# quantity: relative_spectral_irradiance\n# kind: measured\n"
        "wavelength_nm,a,b\n300,0,1\n350,2,2\n400,1,0\n"
    )
    lamp = ost.spectrum(path)
    assert lamp.relative
    assert [v.name for v in lamp.variants] == ["b"]
    with pytest.raises(RangeError, match="spectrum lamp"):
        lamp([450.0])


def test_lit_range_covers_all_variants() -> None:
    a = ost.Spectrum("a", [300, 310, 320, 330, 340], [0, 0, 1, 0, 0])
    assert a.lit_range_nm == (310, 330)
    b = ost.Spectrum("b", [300, 310, 320, 330, 340], [0, 1, 1, 1, 1])
    assert ost.Spectrum(
        "c", a.wavelength_nm, a.spectral_irradiance_w_m2_nm, variants=(b,)
    ).lit_range_nm == (300, 340)


@pytest.mark.parametrize(
    ("lam", "values", "text"),
    [
        ([300], [1], "at least two"),
        ([300, 310], [1], "as many values"),
        ([310, 300], [1, 1], "increase"),
        ([300, 300], [1, 1], "increase"),
        ([0, 300], [1, 1], "positive"),
        ([300, math.nan], [1, 1], "increase"),
        ([300, 310], [1, -1], "not negative"),
        ([300, 310], [1, math.nan], "finite"),
        ([300, 310], [1, math.inf], "finite"),
    ],
)
def test_spectra_that_are_none(lam: list[float], values: list[float], text: str) -> None:
    with pytest.raises(OptistackError, match=f"spectrum bad.*{text}"):
        ost.Spectrum("bad", lam, values)


def test_spectra_copy_their_arrays_and_lock_them() -> None:
    values = np.array([1.0, 2.0])
    light = ost.Spectrum("a", np.array([300.0, 400.0]), values)
    values[0] = 99.0
    assert light.spectral_irradiance_w_m2_nm[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        light.spectral_irradiance_w_m2_nm[0] = 5.0


def test_a_table_of_something_else_is_no_light(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("wavelength_nm,transmittance\n300,0.1\n400,0.9\n")
    with pytest.raises(TableError, match="holds transmittance"):
        ost.spectrum(path)


def test_led_line() -> None:
    """A Gaussian holds 0.9394 of peak x width; 76.1 % of it lies within its width (erf sqrt(ln 2))."""
    led = ost.gaussian(365.0, 10.0)
    area = led.irradiance_w_m2((300, 450))
    assert area == pytest.approx(10.0 * math.sqrt(math.pi / (4 * math.log(2))), rel=1e-4)
    assert led.irradiance_w_m2((360, 370)) / area == pytest.approx(
        math.erf(math.sqrt(math.log(2))), rel=1e-3
    )
    assert led(300.0) == 0.0
    for centre, width in ((0, 1), (365, 0), (365, 100), (-1, 1)):
        with pytest.raises(OptistackError, match="Gaussian line"):
            ost.gaussian(centre, width)


# --- weights ------------------------------------------------------------------------------------


def test_the_default_family() -> None:
    family = ost.weight_family()
    assert [w.name for w in family] == [
        "flat",
        "exponential 15 nm",
        "exponential 22 nm",
        "exponential 40 nm",
    ]
    assert {w.band_nm for w in family} == {(280.0, 400.0)}
    lam = np.array([325.0, 340.0, 355.0])
    np.testing.assert_allclose(family[0](lam), 1.0)
    np.testing.assert_allclose(family[1](lam), [math.e, 1.0, 1 / math.e])
    assert family[1].label == "exponential 15 nm (280-400 nm)"
    longer = ost.weight_family((280.0, 500.0))
    assert longer[0].name == "flat to 500"


@pytest.mark.parametrize(
    "options", [{"slope_nm": 0.0}, {"slope_nm": -3.0}, {"band_nm": (400, 300)}]
)
def test_weights_that_are_none(options: dict[str, Any]) -> None:
    with pytest.raises(OptistackError, match="weight w"):
        ost.Weight("w", **options)


def weight_file(folder: Path, *header: str, rows: str = "300,4\n350,2\n400,0\n") -> Path:
    path = folder / "spectrum of damage.csv"
    path.write_text("".join(f"# {h}\n" for h in header) + "wavelength_nm,weight\n" + rows)
    return path


def test_a_tabled_weight_is_one_at_its_reference(tmp_path: Path) -> None:
    table = read_table(weight_file(tmp_path, "kind: measured", "source: one lamp"))
    assert weight_from_table(table)([300.0, 350.0, 375.0]).tolist() == [1.0, 0.5, 0.25]
    at_350 = weight_from_table(table, reference_nm=350.0)
    assert at_350([300.0, 350.0]).tolist() == [2.0, 1.0]
    assert at_350.reference_nm == 350.0
    assert at_350.measured
    assert "with another source it is an assumption" in at_350.notes[0]
    stated = read_table(weight_file(tmp_path, "reference_nm: 375"))
    assert weight_from_table(stated).reference_nm == 375.0


def test_an_invented_weight_is_not_called_measured(tmp_path: Path) -> None:
    weight = weight_from_table(read_table(weight_file(tmp_path, "kind: invented")))
    assert not weight.measured
    assert "measured with" not in weight.notes[0]


@pytest.mark.parametrize("reference_nm", [400.0, 250.0, 500.0])
def test_a_reference_without_weight_is_refused(reference_nm: float, tmp_path: Path) -> None:
    table = read_table(weight_file(tmp_path))
    with pytest.raises(TableError, match=f"is 0 at its reference wavelength {reference_nm:g} nm"):
        weight_from_table(table, reference_nm=reference_nm)


def test_a_reference_that_is_no_number_is_refused(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="reference_nm: 'blue' is not a number"):
        weight_from_table(read_table(weight_file(tmp_path, "reference_nm: blue")))
    with pytest.raises(TableError, match="not a spectral weight"):
        weight_from_table(
            read_table(Path(__file__).resolve().parent.parent / "spectra" / "am15g.csv")
        )
