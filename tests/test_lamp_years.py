"""Lamp hours against site years: closed forms, published arithmetic, invariances, refusals."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from conftest import ROOT
from hypothesis import given
from hypothesis import strategies as st
from invented_year import Year, boxed, film, grey, year_of

import optistack as ost
from optistack.analysis.lamp_years import LampYears, compare_lamps, lamp_years
from optistack.criteria import Criterion, Thermal, year_sum
from optistack.errors import OptistackError, StackError
from optistack.filters import Filter
from optistack.rate_laws import arrhenius_factor
from optistack.rate_terms import stated
from optistack.spectra import Spectrum, Weight, weight_family
from optistack.stack import Layer, Stack

Check = Callable[[str], dict[str, Any]]
BAND = (280.0, 400.0)
# A thin coherent film absorbs 4 pi k d / wavelength but for a part of the order of k = 3e-8.
GREY = 1e-7


def run(stack: Stack, light: Spectrum, **more: Any) -> ost.ExposureResult:
    return ost.Exposure("in the chamber", stack, light, **more).run()


def both(
    lamp: Spectrum, sun: Spectrum, course: Any, stack: Stack | None = None, **more: Any
) -> Any:
    """The same film as coupon and as device."""
    stack = stack or film()
    result = run(stack, lamp)
    year = year_of(run(stack, sun), "film", course)
    return lamp_years(result, result, year, year, "film", **more)


def hours(found: LampYears, kind: str, key: str, who: str = "coupon") -> float:
    (row,) = [
        r for r in found.rows if (r.specimen, r.criterion.kind, r.criterion.key) == (who, kind, key)
    ]
    return row.lamp_hours_per_year.value


# --- arithmetic with a source ---------------------------------------------------------------------


def test_hours_by_energy(check: Check) -> None:
    """OUT-009: lamp hours with the energy of an outdoor year, no weight, p = 1."""
    case = check("OUT-009")
    inputs, expected, rel = case["inputs"], case["expected"], case["tolerance"]["rel"]
    watts = inputs["lamp_UV280_400_W_m2"]
    lamp = boxed(280, 400).at_irradiance(BAND, watts)
    for i, annual in enumerate(inputs["annual_UV_kWh_m2"]):
        found = both(lamp, boxed(280, 400).at_irradiance(BAND, 1000.0), [annual])
        # `annual` hours of 1 kW/m2
        row = next(r for r in found.rows if r.criterion.label.startswith("incident energy, 280"))
        value = row.lamp_hours_per_year.value
        assert value == pytest.approx(expected["lamp_hours_per_outdoor_year"][i], rel=rel)
        years = inputs["lamp_hours"] / 1000.0 * row.years_per_1000_lamp_hours.value
        assert years == pytest.approx(expected["outdoor_years"][i], rel=rel)
        dose = row.lamp_rate.value * inputs["lamp_hours"] / 1000.0
        assert dose == pytest.approx(expected["lamp_dose_kWh_m2"], rel=rel)


@pytest.mark.parametrize("at", [0, 1, 2])
def test_brighter_lamps_under_schwarzschilds_law(at: int, check: Check) -> None:
    """PHO-008: hours at one sun that 1000 h at a higher intensity stand for, p = 0.8."""
    case = check("PHO-008")
    inputs, expected, rel = case["inputs"], case["expected"], case["tolerance"]["rel"]
    ratio = inputs["intensity_ratio"][at]
    found = both(
        boxed(280, 400, ratio),
        boxed(280, 400),
        np.ones(inputs["lab_hours"]),
        exponent=stated(inputs["p"]),
    )
    per_hour = inputs["lab_hours"] / hours(found, "absorbed photons", "280-400")
    assert per_hour == pytest.approx(expected["acceleration"][at], rel=rel)
    at_one_sun = inputs["lab_hours"] * per_hour
    assert at_one_sun == pytest.approx(expected["hours_at_one_sun"][at], rel=rel)
    energy = inputs["lab_hours"] / hours(found, "incident energy", "280-400")
    error = expected["error_if_reciprocity_assumed"][at]
    assert energy / per_hour == pytest.approx(error, rel=rel)


@pytest.mark.parametrize("at", [0, 1, 2])
def test_grey_filter_stretches_the_hours(at: int, check: Check) -> None:
    """PHO-025: behind a filter of transmittance T the life is longer by T^-p."""
    case = check("PHO-025")
    share, p = case["inputs"]["filter_T_UV"], case["inputs"]["p"][at]
    dark = Filter("grey", lambda lam: np.full(lam.shape, share), "external", (200.0, 900.0))
    open_, behind = (
        run(film(), boxed(280, 400), filters=f)
        for f in ((), (ost.MountedFilter(dark, "detached_far"),))
    )
    year = year_of(open_, "film", [1.0, 2.0])
    found = lamp_years(open_, behind, year, year, "film", exponent=stated(p))
    ratio = hours(found, "absorbed photons", "280-400", "device") / hours(
        found, "absorbed photons", "280-400"
    )
    expected = case["expected"]["life_extension"][at]
    assert ratio == pytest.approx(expected, rel=case["tolerance"]["rel"])


def test_what_is_published_about_laboratories_is_what_the_reference_says() -> None:
    text = (ROOT / "shared/reference/iec_uv_tests.toml").read_text(encoding="utf-8")
    line = next(t for t in text.splitlines() if t.startswith("lab_comparison_dose_error"))
    assert re.search(r"= 120 +# read \(Koehl 2015, 13 laboratories\)", line)
    assert "Prog. Photovolt. 23, 1815 (2015)" in text
    assert (
        "120 %" in ost.analysis.lamp_years.LABS
        and "13 laboratories" in ost.analysis.lamp_years.LABS
    )


# --- closed forms ---------------------------------------------------------------------------------


def test_one_line_of_light_gives_one_answer() -> None:
    """Under monochromatic light every way of counting agrees, whatever the layer."""
    line = Spectrum("line", [339.9, 340, 340.1], [0, 1, 0], dark_outside=True)
    stack = Stack(1.0, (Layer("film", 1.7 + 0.1j, 80.0),), 1.5)
    found = both(line.times(3.0), line, [0.5, 1.0, 0.0], stack)
    values = [r.lamp_hours_per_year.value for r in found.rows]
    assert len(values) == 2 * (3 + 3 + 4)  # 280-315 and 400-700 nm are dark
    # The line is 0.2 nm wide, but lamp and sun have the same one.
    assert values == pytest.approx([0.5] * len(values), rel=1e-12)
    assert found.apart("device").value == pytest.approx(0.5, rel=1e-12)


def test_grey_layer_counts_photons() -> None:
    """Where the absorptance is the same everywhere, absorbed and incident photons agree."""
    sun = Spectrum("sun", [280, 300, 400], [0, 0.1, 1.0], dark_outside=True)
    found = both(boxed(295, 400), sun, [1.0] * 5)
    photons = hours(found, "incident photons", "280-400")
    assert hours(found, "absorbed photons", "280-400") == pytest.approx(photons, rel=GREY)
    assert hours(found, "weighted photons", "flat") == pytest.approx(photons, rel=GREY)
    assert abs(hours(found, "incident energy", "280-400") / photons - 1) > 0.01


def edge(level: Callable[[Any], Any], weight: Callable[[Any], Any], low: float, at: float) -> float:
    """Photons that a grey film absorbs from ``low`` on; beyond ``at`` it ends within 1 nm.

    The optical grid has steps of 1 nm, between which the absorptance is a straight line.
    """
    x, w = np.polynomial.legendre.leggauss(40)
    total = 0.0
    for start, end in ((low, at), (at, at + 1.0)):
        lam = (start + end) / 2 + (end - start) / 2 * x
        film_part = np.minimum(1.0, at + 1.0 - lam)
        total += float((w * level(lam) * lam * weight(lam) * film_part).sum()) * (end - start) / 2
    return total


def test_layer_that_absorbs_only_below_320_nm() -> None:
    """By hand: lamp 0.5 W/m2/nm in 300-400 nm, sun (lambda - 300)/100 W/m2/nm there.

    Energy: 50 W/m2 both. Photons in 300-320 nm, in units of 1/(hc): lamp
    0.5 (320^2 - 300^2)/2 = 3100, sun [lambda^3/3 - 150 lambda^2]/100 = 1880/3; `edge` adds the
    last nanometre and the weights.
    """
    sun = Spectrum("sun", [300, 400], [0.0, 1.0], dark_outside=True)
    found = both(boxed(300, 400, 0.5), sun, [1.0], film(up_to_nm=320.0))
    assert hours(found, "incident energy", "280-400") == pytest.approx(1.0, rel=1e-12)
    rise, flat = (lambda lam: (lam - 300) / 100), (lambda lam: 0.5 + 0 * lam)
    for slope in (np.inf, 15.0, 22.0, 40.0):

        def weight(lam: Any, slope: float = slope) -> Any:
            return np.exp(-(lam - 340.0) / slope)

        exact = edge(rise, weight, 300.0, 320.0) / edge(flat, weight, 300.0, 320.0)
        name = "flat" if np.isinf(slope) else f"exponential {slope:g} nm"
        # Three points per nanometre integrate an exponential of 15 nm to 1e-9.
        assert hours(found, "weighted photons", name) == pytest.approx(exact, rel=GREY)
    rows = [r.lamp_hours_per_year.value for r in found.of("coupon")]
    assert max(rows) / min(rows) > 4.5


def test_powers_are_summed_hour_by_hour() -> None:
    """Hours of 1 and 9 times the lamp with p = 1/2: 1 + 3, not 2 sqrt(5)."""
    found = both(boxed(280, 400), boxed(280, 400), [1.0, 9.0, 0.0], exponent=stated(0.5))
    assert hours(found, "absorbed photons", "280-400") == pytest.approx(4.0, rel=1e-12)
    assert hours(found, "incident energy", "280-400") == pytest.approx(10.0, rel=1e-12)


def test_range_of_the_exponent() -> None:
    """Hours of q = 4 and 1/4: 4^p + 4^-p rises with p; of 1/4 alone it falls."""
    found = both(boxed(280, 400), boxed(280, 400), [4.0, 0.25], exponent=stated(0.8, 0.5, 1.0))
    row = next(r for r in found.rows if r.criterion.key == "flat")
    v = row.lamp_hours_per_year
    exact = [4.0**p + 4.0**-p for p in (0.8, 0.5, 1.0)]
    assert [v.value, v.low, v.high] == pytest.approx(exact, rel=1e-12)
    found = both(boxed(280, 400), boxed(280, 400), [0.25], exponent=stated(0.8, 0.5, 1.0))
    v = next(r for r in found.rows if r.criterion.key == "flat").lamp_hours_per_year
    assert [v.low, v.high] == pytest.approx([0.25, 0.5], rel=1e-12)


def test_smallest_answer_between_the_ends_of_p_is_found() -> None:
    """2^p + 30 (1/20)^p falls at first and then rises."""
    course = [2.0] + [0.05] * 30
    found = both(boxed(280, 400), boxed(280, 400), course, exponent=stated(1.0, 0.1, 1.8))
    v = next(r for r in found.rows if r.criterion.key == "flat").lamp_hours_per_year
    p = np.linspace(0.1, 1.8, 100001)
    exact = (2.0**p + 30 * 0.05**p).min()
    assert exact < 0.99 * min(2.0**1.8 + 30 * 0.05**1.8, v.value)
    # 65 points over the range; the curve is flat at its lowest.
    assert v.low == pytest.approx(exact, rel=3e-4)


def test_temperature_counts_hour_by_hour() -> None:
    """Two hours, q = 1 and 2, at 300 and 320 K, the lamp at 310 K, 60 kJ/mol."""
    energy, lamp_k, site_k = 60.0, 310.0, np.array([300.0, 320.0, 290.0])
    thermal = Thermal(stated(energy), lamp_k, site_k)
    found = both(
        boxed(280, 400),
        boxed(280, 400),
        [1.0, 2.0, 0.0],
        exponent=stated(0.7),
        coupon_thermal=thermal,
    )
    q = np.array([1.0, 2.0]) ** 0.7
    warm = arrhenius_factor(energy, lamp_k, site_k[:2])
    row = next(r for r in found.of("coupon") if r.criterion.key == "flat")
    assert row.temperature_factor is not None and row.lamp_hours_per_year_warm is not None
    assert row.temperature_factor.value == pytest.approx((q * warm).sum() / q.sum(), rel=1e-12)
    assert row.lamp_hours_per_year_warm.value == pytest.approx((q * warm).sum(), rel=1e-12)
    energy_row = next(r for r in found.of("coupon") if r.criterion.incident)
    assert energy_row.temperature_factor is None
    assert all(r.temperature_factor is None for r in found.of("device"))
    assert any("coupon: temperature by Arrhenius, 60 kJ/mol" in n for n in found.notes)
    assert any("device: temperature is not dealt with" in n for n in found.notes)


def test_range_of_the_activation_energy() -> None:
    thermal = Thermal(stated(50.0, 30.0, 70.0), 330.0, np.array([300.0]))
    found = both(boxed(280, 400), boxed(280, 400), [1.0], device_thermal=thermal)
    row = next(r for r in found.of("device") if r.criterion.key == "flat")
    factor = row.temperature_factor
    assert factor is not None
    ends = [float(arrhenius_factor(e, 330.0, 300.0)) for e in (50.0, 70.0, 30.0)]
    assert [factor.value, factor.low, factor.high] == pytest.approx(ends, rel=1e-12)


def test_variants_of_the_lamp_give_a_range() -> None:
    lamp = replace(boxed(280, 400), variants=(boxed(280, 400, 2.0, "bright"),))
    found = both(lamp, boxed(280, 400), [1.0])
    for row in found.rows:
        v = row.lamp_hours_per_year
        assert [v.value, v.low, v.high] == pytest.approx([1.0, 0.5, 1.0], rel=1e-12)
        inverse = row.years_per_1000_lamp_hours
        assert [inverse.value, inverse.low, inverse.high] == pytest.approx(
            [1e3, 1e3, 2e3], rel=1e-12
        )


# --- the year of a real site -----------------------------------------------------------------------


@pytest.mark.parametrize("p", [1.0, 0.6])
def test_against_the_sum_that_the_site_itself_makes(p: float) -> None:
    """Lamp hours x 3600 s x q_lamp^p = sum of q^p dt, as `SiteDose` sums it up for itself."""
    stack, lamp = film(depth=1e-6), ost.spectrum("uva340").at_set_point(340, 0.89)
    bare = ost.Exposure("coupon", stack, lamp)
    light = ost.site_light(ost.Site("invented field", 52.0, 5.0, tilt_deg=30.0, azimuth_deg=180.0))
    dose = ost.site_year(light, {"coupon": bare}, "film")["coupon"]
    result = bare.run()
    found = lamp_years(result, result, dose, dose, "film", exponent=stated(p))
    for row in found.of("coupon"):
        if row.criterion.incident:
            continue
        q = row.lamp_rate.value
        direct = dose.sum_of_powers(row.criterion.key, p, per_volume=False)
        hours_then = direct / q**p / 3600.0
        assert row.lamp_hours_per_year.value == pytest.approx(hours_then, rel=1e-9)
        assert row.year_amount.value == pytest.approx(dose.dose_m2(row.criterion.key))
    assert found.grade == max("C", dose.grade)
    assert any("counted in 300-400 nm" in n for n in found.notes)


# --- invariances ----------------------------------------------------------------------------------


def test_figure_with_temperatures() -> None:
    thermal = Thermal(stated(50.0, 30.0, 70.0), 330.0, np.array([300.0]))
    found = both(boxed(280, 400), boxed(280, 400), [1.0], device_thermal=thermal)
    ax = found.plot()
    labels = [t.get_text() for t in ax.get_legend().get_texts()]
    assert labels == ["coupon, light alone", "device, light alone", "device, with temperature"]
    import matplotlib.pyplot as plt

    plt.close(ax.figure)


@given(
    level=st.floats(0.01, 100.0),
    bright=st.floats(0.1, 10.0),
    p=st.floats(0.3, 1.5),
    course=st.lists(st.floats(0.0, 5.0), min_size=2, max_size=8).filter(lambda c: max(c) > 0.01),
)
def test_scaling_laws(level: float, bright: float, p: float, course: list[float]) -> None:
    """A lamp brighter by b: hours / b^p; a sun brighter by s: hours x s^p; order does not matter."""
    stack, lamp, sun = film(), boxed(290, 400), boxed(300, 400)
    year = year_of(run(stack, sun), "film", course)
    way = Criterion("absorbed photons", BAND)
    rate = run(stack, lamp).absorbed_photons_m2_s("film", BAND)

    def found(site: Year, factor: float = 1.0) -> float:
        return year_sum(site, way, exponent=stated(p)).equals(factor * rate).hours.value

    base = found(year)
    assert found(year, bright) == pytest.approx(base / bright**p, rel=1e-9)
    brighter = year_of(run(stack, sun.times(level)), "film", course)
    assert found(brighter) == pytest.approx(base * level**p, rel=1e-9)
    assert found(year_of(run(stack, sun), "film", course[::-1])) == pytest.approx(base, rel=1e-9)
    direct = sum((q / float(rate[0])) ** p for q in year.rate_m2_s("280-400"))
    assert base == pytest.approx(direct, rel=1e-9)


# --- what is said ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def real() -> LampYears:
    """UVA-340 and the standard sun on a film behind glass and on a bare one."""
    bare = Stack(1.0, (Layer("film", 1.6 + 0.02j, 100.0),), 1.5)
    behind = Stack(
        1.0, (Layer("glass", "glass_soda_lime_clear", 1e6), *bare.layers), 1.5, name="device"
    )
    lamp, sun = ost.spectrum("uva340").at_set_point(340, 0.89), ost.spectrum("am15g")
    bands = [(310.0, 315.0), (315.0, 400.0), (310.0, 400.0), (400.0, 700.0)]
    weights = tuple(replace(w, band_nm=(310.0, 400.0)) for w in weight_family())

    def solved(stack: Stack, light: Spectrum) -> ost.ExposureResult:
        return ost.Exposure(stack.name or "bare", stack, light).run(
            (280.0 if stack is bare else 310.0, 700.0)
        )

    made = [
        (
            solved(s, lamp),
            year_of(solved(s, sun), "film", [0.6] * 2000, weights=weights, bands_nm=bands),
        )
        for s in (bare, behind)
    ]
    (coupon, c_year), (device, d_year) = made
    return lamp_years(
        coupon,
        device,
        c_year,
        d_year,
        "film",
        bands_nm=bands,
        weights=weights,
        lamp_band_nm=(310.0, 400.0),
        meter_band_nm=(315.0, 400.0),
    )


def test_no_single_number_is_offered(real: LampYears) -> None:
    for who in ("coupon", "device"):
        apart = real.apart(who)
        assert apart.low < apart.value < apart.high
    text = "\n".join((*real.notes, *real.sentences(), real.to_frame().to_csv()))
    assert text.count("acceleration factor") == 1
    assert "none of these numbers is an acceleration factor: humidity" in real.notes[0]
    assert all(" to " in s and "a factor of" in s for s in real.sentences())


def test_frame_and_figure(real: LampYears) -> None:
    frame = real.to_frame()
    assert set(frame.specimen) == {"coupon", "device"}
    assert len(frame) == len(real.rows) == 2 * (2 + 1 + 3 + 4)
    product = frame.lamp_hours_per_site_year * frame.site_years_per_1000_lamp_hours
    assert product.to_numpy() == pytest.approx(1000.0)
    assert frame.lamp_hours_per_site_year_warm.isna().all()
    assert "nm" in real._repr_html_()
    ax = real.plot()
    assert ax.get_xscale() == "log" and "(h)" in ax.get_xlabel()
    assert len(ax.get_yticklabels()) == len(set(frame.criterion + frame.key + frame.band_nm))
    import matplotlib.pyplot as plt

    plt.close(ax.figure)


def test_wavelengths_that_only_one_of_both_has(real: LampYears) -> None:
    dark = [n for n in real.notes if "uva340 is dark in 400-700 nm" in n]
    assert dark == []  # the site was not asked for 280-400 nm: no share to tell
    both_ways = both(ost.spectrum("uvb313").at_set_point(310, 0.71), ost.spectrum("am15g"), [0.5])
    short = [n for n in both_ways.notes if "below 295 nm that the sun has not" in n]
    assert [n.split(":")[0] for n in short] == ["coupon", "device"]
    lamp = ost.spectrum("uvb313")
    shares = [
        v.photon_flux_m2_s((270, 295)) / v.photon_flux_m2_s((270, 400))
        for v in (lamp.times(1.0), *lamp.variants)
    ]
    assert (
        f"{100 * shares[0]:.2g} % ({100 * min(shares):.2g} % to {100 * max(shares):.2g} %)"
        in short[0]
    )
    assert any("in 270-280 nm is in no number here" in n for n in both_ways.notes)
    assert any(
        "is dark in 400-700 nm" in n and "no hours of this lamp" in n for n in both_ways.notes
    )
    assert any("not counted by absorbed photons, 400-700 nm" in n for n in both_ways.notes)
    clean = both(ost.spectrum("uva340").at_set_point(340, 0.89), ost.spectrum("am15g"), [0.5])
    assert not any("that the sun has not" in n for n in clean.notes)


def test_share_of_the_absorbed_dose_below_295_nm() -> None:
    """By hand: a box from 285 to 305 nm on a grey film: photons go with lambda."""
    found = both(boxed(285, 305), boxed(300, 400), [1.0])
    exact = (295.0**2 - 285.0**2) / (305.0**2 - 285.0**2)
    note = next(n for n in found.notes if "that the sun has not" in n)
    assert f"{100 * exact:.2g} % of its photons up to 400 nm" in note
    assert f"{100 * exact:.2g} % of what film absorbs in 280-400 nm" in note


def test_dark_band_is_told_with_its_share() -> None:
    """Grey film, a sun of one level in 280-700 nm: photons go with the squares."""
    found = both(boxed(280, 400), boxed(280, 700), [1.0])
    exact = (700.0**2 - 400.0**2) / (700.0**2 - 280.0**2)
    note = next(n for n in found.notes if "is dark in 400-700 nm" in n)
    assert f"{100 * exact:.2g} % of the site's photons of 400-700 and 280-400 nm" in note


def test_part_of_the_sun_that_a_narrow_lamp_has_not() -> None:
    """Against the standard sun in 280-400 nm on a grey film: photons count as they are."""
    found = both(boxed(350, 380), boxed(280, 400), [1.0])
    sun = ost.spectrum("am15g")
    exact = 1 - sun.photon_flux_m2_s((350, 380)) / sun.photon_flux_m2_s(BAND)
    (note,) = [n for n in found.notes if n.startswith("coupon: box is dark where")]
    assert f"280-400 {100 * exact:.2g} %" in note
    assert "exponential 15 nm" in note


def test_measured_weight_is_an_assumption_under_another_light() -> None:
    weight = Weight(
        "found",
        wavelength_nm=np.array([280.0, 400.0]),
        values=np.array([2.0, 1.0]),
        measured=True,
        measured_with=("xenon", "film", "film"),
    )
    stack = film()
    result = run(stack, boxed(280, 400, name="tube"))
    year = year_of(result, "film", [1.0], weights=[weight])
    found = lamp_years(result, result, year, year, "film", weights=[weight])
    (note,) = [n for n in found.notes if n.startswith("weight found")]
    assert "measured under xenon" in note and "under tube, the sun it is an assumption" in note


def test_worst_grade() -> None:
    """A lamp of grade C, a site of grade C, then a site of grade D."""
    lamp, sun = ost.spectrum("uva340").at_set_point(340, 0.89), boxed(280, 400)
    assert both(lamp, sun, [1.0]).grade == "C"
    result = run(film(), lamp)
    year = year_of(result, "film", [1.0])
    assert lamp_years(result, result, year, replace(year, grade="D"), "film").grade == "D"


def test_notes_of_lamp_and_site_are_inherited() -> None:
    found = both(ost.spectrum("uva340").at_set_point(340, 0.89), boxed(280, 400), [1.0])
    assert "coupon at the site: an invented year" in found.notes
    assert any("a real lamp may" in n for n in found.notes)
    assert any("100 % of the irradiance" in n for n in found.notes)


# --- refusals -------------------------------------------------------------------------------------


def test_refusals() -> None:
    stack, lamp = film(), boxed(280, 400)
    result, year = run(stack, lamp), None
    year = year_of(result, "film", [1.0, 2.0])
    with pytest.raises(StackError, match="no layer 'paint'"):
        lamp_years(result, result, year, year, "paint")
    with pytest.raises(OptistackError, match=r"bands?.*290-310.*it has 280-315, 315-400"):
        lamp_years(result, result, year, year, "film", bands_nm=[(290, 310)])
    with pytest.raises(OptistackError, match="weight steep"):
        lamp_years(result, result, year, year, "film", weights=[Weight("steep", slope_nm=5.0)])
    with pytest.raises(OptistackError, match="two lights, box and other"):
        lamp_years(result, run(stack, boxed(290, 400, name="other")), year, year, "film")
    with pytest.raises(OptistackError, match="two set points"):
        lamp_years(result, run(stack, lamp.times(2.0)), year, year, "film")
    with pytest.raises(StackError, match="100 nm thick under the lamp and 50 nm at the site"):
        lamp_years(result, result, replace(year, thickness_nm=50.0), year, "film")
    clear = run(film(depth=0.0), lamp)
    with pytest.raises(OptistackError, match="absorbs nothing in 280-400 nm"):
        lamp_years(clear, clear, year, year, "film")
    with pytest.raises(OptistackError, match="p = 0 .*must be positive"):
        lamp_years(result, result, year, year, "film", exponent=stated(0.0, 0.0, 1.0))
    night = year_of(result, "film", [0.0, 0.0])
    with pytest.raises(OptistackError, match="coupon: the site has nothing in any band"):
        lamp_years(result, result, night, year, "film")
    unweighted = lamp_years(result, result, year, year, "film", weights=[])
    assert len(unweighted.sentences()) == 2
    with pytest.raises(OptistackError, match="nothing is counted by a weight"):
        unweighted.over_weights("coupon")
    thermal = Thermal(stated(50.0), 300.0, np.full(3, 300.0))
    with pytest.raises(OptistackError, match="3 site temperatures for 2 steps"):
        lamp_years(result, result, year, year, "film", device_thermal=thermal)


@pytest.mark.parametrize(
    ("lamp_k", "site_k"), [(0.0, [300.0]), (np.nan, [300.0]), (300.0, [-5.0]), (300.0, [np.nan])]
)
def test_temperatures_are_kelvin(lamp_k: float, site_k: list[float]) -> None:
    with pytest.raises(OptistackError, match="kelvin"):
        Thermal(stated(50.0), lamp_k, np.array(site_k))


# --- two lamps ------------------------------------------------------------------------------------


def test_two_lamps_by_hand() -> None:
    """Boxes 300-400 and 350-400 nm at equal energy on a film that absorbs below 375 nm.

    Photons absorbed per energy: (375^2 - 300^2)/2/100 and (375^2 - 350^2)/2/50.
    """
    stack = film(up_to_nm=375.0)
    a, b = run(stack, boxed(300, 400, name="a")), run(stack, boxed(350, 400, 7.0, name="b"))
    pair = compare_lamps((a, b), (a, b), "film", nominal_nm=BAND)
    one = np.ones_like
    exact = (edge(one, one, 350, 375) / 50) / (edge(one, one, 300, 375) / 100)
    row = next(
        r
        for r in pair.rows
        if r.criterion.kind == "absorbed photons" and r.criterion.key == "280-400"
    )
    assert row.ratio.value == pytest.approx(exact, rel=GREY)
    energy = next(r for r in pair.rows if r.criterion.kind == "incident energy")
    assert energy.ratio.value == pytest.approx(1.0, rel=1e-12)
    back = compare_lamps((b, a), (b, a), "film", nominal_nm=BAND)
    for forth, reverse in zip(pair.rows, back.rows, strict=True):
        assert forth.ratio.value * reverse.ratio.value == pytest.approx(1.0, rel=1e-12)
    assert any("13 laboratories" in n and "120 %" in n for n in pair.notes)
    assert pair.nominal == "irradiance in 280-400 nm x hours"


def test_two_lamps_with_an_exponent() -> None:
    """The same lamp at four times the level for a quarter of the time: 4^p / 4."""
    stack = film()
    a, b = run(stack, boxed(280, 400)), run(stack, boxed(280, 400, 4.0))
    pair = compare_lamps((a, b), (a, b), "film", exponent=stated(0.5, 0.5, 1.0))
    assert (pair.first, pair.second) == ("box (first)", "box (second)")
    v = pair.apart("device")
    assert [v.value, v.low, v.high] == pytest.approx([0.5, 0.5, 1.0], rel=1e-12)


def test_two_laboratories_with_one_type_of_lamp() -> None:
    """Their lamps need not be the same variant: 1 in the middle, and a range around it."""
    stack = Stack(1.0, (Layer("film", grey(up_to_nm=320.0), 100.0),), 1.0)
    result = run(stack, ost.spectrum("uva340").at_set_point(340, 0.89))
    pair = compare_lamps(
        (result, result), (result, result), "film", nominal_nm=340.0, names=("north", "south")
    )
    v = pair.apart("coupon")
    assert v.value == pytest.approx(1.0, rel=1e-12)
    assert v.low < 0.8 and v.high == pytest.approx(1 / v.low, rel=1e-9)
    assert pair.nominal == "spectral irradiance at 340 nm x hours"
    frame = pair.to_frame()
    assert set(frame["first"]) == {"north"} and (frame.dose_ratio_low <= frame.dose_ratio).all()
    ax = pair.plot()
    assert "south over north" in ax.get_xlabel()
    import matplotlib.pyplot as plt

    plt.close(ax.figure)


def test_two_lamps_refusals() -> None:
    stack = film()
    a, b = run(stack, boxed(300, 400)), run(stack, boxed(310, 350, name="b"))
    with pytest.raises(OptistackError, match="light b has no light in 360-400 nm"):
        compare_lamps((a, b), (a, b), "film", nominal_nm=(360.0, 400.0))
    with pytest.raises(OptistackError, match="light b has no light in 380 nm"):
        compare_lamps((a, b), (a, b), "film", nominal_nm=380.0)
    with pytest.raises(OptistackError, match="two lights"):
        compare_lamps((a, b), (b, a), "film")
    other = run(film(200.0), boxed(310, 350, name="b"))
    with pytest.raises(StackError, match="100 nm thick under the first lamp and 200 nm"):
        compare_lamps((a, other), (a, b), "film")
