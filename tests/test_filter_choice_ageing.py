"""Filters that age, what a filter takes away, and the experiment that would confirm it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import integrate, stats

import optistack as ost
from optistack.analysis import filter_selection as fs
from optistack.analysis.filter_selection.bench import Bench, bench_for
from optistack.errors import OptistackError, RangeError, StackError
from optistack.filters import edge_filter, measured_filter, slab_transmittance
from optistack.materials import constant
from optistack.rate_terms import stated
from optistack.spectral_math import AVOGADRO_MOL
from optistack.stack import FilterStack, Layer, Stack

Mounted = ost.MountedFilter
DEVICE = Stack(
    1.0,
    (
        Layer("cover", "pet", 125e3),
        Layer("glue", 1.48 + 1e-6j, 40e3),
        Layer("film", 1.6 + 0.02j, 100.0),
        Layer("oxide", 1.9 + 0.02j, 30.0),
        Layer("blend", 1.8 + 0.05j, 150.0),
        Layer("back", 1.5 + 1e-7j, 1e6),
    ),
    1.0,
    name="device",
)
SUN = ost.Exposure("sun", DEVICE, ost.spectrum("am15g"))
BANDS = [(280.0, 400.0)]
COLLECTION = ost.Collection(("blend",), (280.0, 800.0), 0.8)


def bench(candidates: Any = (), **options: Any) -> Bench:
    return bench_for(
        SUN,
        list(candidates),
        "film",
        bands_nm=options.pop("bands_nm", BANDS),
        weights=[ost.weight_family()[0]],
        collection=COLLECTION,
        other_layers=("oxide",),
    )


# bleaching -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["PHO-002", "PHO-003"])
def test_one_wavelength_bleaches_as_the_closed_form_says(
    check: Callable[[str], dict[str, Any]], name: str
) -> None:
    """dA/dt = -k (1 - 10^-A): k = 0.1 eps Phi I / N_A, 0.1 for L/(mol cm) in m2/mol."""
    ref = check(name)
    a0, k = ref["inputs"]["A0"], ref["inputs"]["k_per_s"]
    epsilon, phi, thick_nm = 1.2e4, 3e-4, 25e3
    film = fs.BleachingFilter(
        "film",
        lambda lam: epsilon + 0 * lam,
        a0 / (epsilon * thick_nm * 1e-7),
        thick_nm,
        phi,
        [340.0],
        [k * AVOGADRO_MOL / (0.1 * epsilon * phi)],
    )
    hours = np.array(ref["inputs"]["t_s"]) / 3600
    found = [film.absorbance(t, [340.0])[0] for t in hours]
    assert found == pytest.approx(ref["expected"]["A"], rel=ref["tolerance"]["rel"])
    # The half-life is read between points of the course.
    assert film.half_life_h() * 3600 == pytest.approx(ref["expected"]["t_half_s"], rel=1e-4)
    early = (a0 - film.absorbance(1e-3 / 3600, [340.0])[0]) / 1e-3
    assert early == pytest.approx(ref["expected"]["initial_rate_per_s"], rel=1e-3)


def many_colours() -> tuple[Any, np.ndarray, np.ndarray]:
    def epsilon(lam: Any) -> Any:
        return 1.5e4 * np.exp(-(((np.asarray(lam) - 345.0) / 30.0) ** 2))

    lam = np.arange(300.0, 401.0, 10.0)
    return epsilon, lam, 1e19 * (1 + (lam - 300) / 50)


def test_many_wavelengths_bleach_as_the_differential_equation_says() -> None:
    """Against dc/dt = -Phi ln10 sum eps_i I_i(z) c on 400 slices, by an integrator of scipy."""
    epsilon, lam, flux = many_colours()
    conc, thick, phi = 0.06, 25e3, 2e-4
    film = fs.BleachingFilter("film", epsilon, conc, thick, phi, lam, flux)
    slices = 400
    dz = thick * 1e-9 / slices
    eps = 0.1 * epsilon(lam)

    def change(_: float, c: Any) -> Any:
        column = np.concatenate([[0.0], np.cumsum(c * dz)])
        inside = flux[:, None] / AVOGADRO_MOL * 10.0 ** (-np.outer(eps, column))
        return -phi * (inside[:, :-1] - inside[:, 1:]).sum(axis=0) / dz

    hours = [0.5, 2.0, 5.0]
    solved = integrate.solve_ivp(
        change, (0, hours[-1] * 3600), np.full(slices, conc * 1e3), "LSODA",
        t_eval=np.array(hours) * 3600, rtol=1e-8, atol=1e-8,
    )  # fmt: skip
    middle = (np.arange(slices) + 0.5) * thick / slices
    for t, c in zip(hours, solved.y.T, strict=True):
        assert film.column_mol_m2(t) == pytest.approx(c.sum() * dz, rel=1e-5)
        # Slices of finite thickness, and a course read between its points.
        assert film.profile(t, middle) == pytest.approx(c / (conc * 1e3), rel=2e-3, abs=2e-4)
    assert film.front_depth_nm(1e-3) == 0.0
    assert 0 < film.front_depth_nm(2.0) < film.front_depth_nm(4.0) < thick
    assert film.front_depth_nm(1000.0) == thick


def test_the_aged_film_is_a_filter_with_less_absorber() -> None:
    epsilon, lam, flux = many_colours()
    film = fs.BleachingFilter("film", epsilon, 0.06, 25e3, 2e-4, lam, flux)
    at = np.array([320.0, 345.0, 380.0])
    for t in (0.0, 300.0, 1e6):
        assert -np.log10(film.at(t).internal(at)) == pytest.approx(film.absorbance(t, at), abs=1e-9)
    assert film.absorbance(0.0, [345.0])[0] == pytest.approx(1.5e4 * 0.06 * 25e-4, rel=1e-12)
    for bad in (
        {"quantum_yield": 0.0},
        {"concentration_mol_l": -1.0},
        {"photons_m2_s": 0 * flux},
        {"photons_m2_s": flux[:-1]},
        {"photons_m2_s": -flux},
    ):
        with pytest.raises(OptistackError):
            replace(film, **bad)
    with pytest.raises(OptistackError, match="an age of -1.0 h"):
        film.at(-1.0)
    with pytest.raises(OptistackError, match="depths lie from 0"):
        film.profile(1.0, [3e4])


# measured and darkening ------------------------------------------------------------------------


def test_measured_ages_are_interpolated_and_never_carried_on() -> None:
    lam = [300.0, 400.0, 500.0]
    ages = [0.0, 500.0, 2000.0]
    filters = tuple(
        measured_filter(f"{a:g} h", lam, t, "external", measurement="regular")
        for a, t in zip(ages, ([0.01, 0.3, 0.9], [0.02, 0.4, 0.9], [0.1, 0.6, 0.85]), strict=True)
    )
    aged = fs.AgedReadings("foil", ages, filters)
    for age, one in zip(ages, filters, strict=True):
        assert aged.at(age).given(lam) == pytest.approx(one.given(lam), rel=1e-12)
    middle = aged.at(1250.0).given(lam)
    assert middle == pytest.approx(np.sqrt(np.multiply([0.02, 0.4, 0.9], [0.1, 0.6, 0.85])))
    with pytest.raises(OptistackError, match="measured from 0 to 2000 h, not at 2500 h"):
        aged.at(2500.0)
    held = replace(aged, beyond="hold").at(2500.0)
    assert held.given(lam) == pytest.approx(filters[-1].given(lam))
    assert any("held as at 2000 h beyond" in n for n in held.notes)
    for bad in (
        {"ages_h": [0.0, 500.0, 500.0]},
        {"ages_h": [0.0, 500.0]},
        {"filters": (*filters[:2], edge_filter("other", 380, 10))},
    ):
        with pytest.raises(OptistackError):
            replace(aged, **bad)


def test_solarisation_adds_absorbance() -> None:
    fresh = measured_filter("glass", [300, 800], [0.9, 0.9], "internal")
    dark = fs.Solarisation(fresh, lambda lam: 0.2 * np.exp(-(lam - 300) / 50), 1000.0)
    for t in (0.0, 500.0, 1e9):
        added = 0.2 * np.exp(-1.0) * -np.expm1(-t / 1000.0)
        assert dark.at(t).internal([350.0])[0] == pytest.approx(0.9 * 10**-added, rel=1e-12)
    with pytest.raises(OptistackError, match="must not be negative"):
        fs.Solarisation(fresh, lambda lam: -0.1 + 0 * lam, 10.0).at(5.0).internal([400.0])
    with pytest.raises(OptistackError, match="time constant"):
        fs.Solarisation(fresh, lambda lam: lam, 0.0)


def test_total_transmittance_is_turned_into_internal_before_it_is_laminated() -> None:
    """T = (1-R)^2 tau / (1 - R^2 tau^2), inverted: the filter joined is its tau, without surfaces."""
    lam = np.arange(280.0, 801.0, 1.0)
    tau = 1 / (1 + np.exp(-(lam - 370.0) / 5))
    index = constant(1.5)
    total = measured_filter(
        "as measured", lam, slab_transmittance(tau, 0.04), "external", index=index
    )
    inside = measured_filter("as it is", lam, tau, "internal", index=index)
    candidates = fs.measured_candidates([Mounted(total, "laminated"), Mounted(inside, "laminated")])
    found = fs.evaluate_filters([SUN], candidates, "film", bands_nm=BANDS).dose("sun", "280-400")
    # Between readings the two curves are straight in T and in tau.
    assert found[0] == pytest.approx(found[1], rel=1e-4)


# light that reaches an absorber ----------------------------------------------------------------


def test_light_into_a_layer_is_what_passes_what_is_before_it() -> None:
    b = bench()
    item = edge_filter("edge", 380.0, 10.0, blocking_floor=0.0)
    lam, first = fs.light_into(b, Mounted(item, "in_substrate", "cover"))
    _, second = fs.light_into(b, Mounted(item, "in_substrate", "glue"))
    cover = DEVICE.layers[0].material.index(lam)
    front = 1 - np.abs((1 - cover) / (1 + cover)) ** 2
    assert first == pytest.approx(b.photons[0] * front, rel=1e-6)
    passed = np.exp(-4 * np.pi * cover.imag * 125e3 / lam)
    inner = 1 - np.abs((cover - 1.48) / (cover + 1.48)) ** 2
    # Light behind the cover is straight between the grid points of the stack.
    expected = first * passed * inner
    assert second == pytest.approx(expected, rel=5e-2, abs=1e-3 * expected.max())
    assert second.sum() == pytest.approx(expected.sum(), rel=1e-3)
    _, all_of_it = fs.light_into(b, Mounted(item, "detached_far"))
    assert all_of_it == pytest.approx(b.photons[0])
    with pytest.raises(StackError, match="light that comes straight"):
        fs.light_into(b, Mounted(FilterStack("x", (Layer("h", 2.0, 50.0),)), "laminated"))


LOSS = fs.LayerLoss.at_rate(
    "sun", "flat", 2e-4, quantity="relative_power", exponent=stated(0.9), dark_rate_per_h=5e-7
)
SERVICE = fs.Service("sun", 1000.0)


def test_an_absorber_behind_the_cover_lasts_longer_than_in_it() -> None:
    epsilon, _, _ = many_colours()
    b = bench()
    lives = []
    for layer, thick in (("cover", 125e3), ("glue", 40e3)):
        # As much absorber per area in both.
        aged = fs.bleaching_in(
            b, f"in the {layer}", epsilon, 0.08 * 25e3 / thick, thick, 2e-7, "in_substrate", layer
        )
        lives.append(
            fs.life_behind_ageing(
                b, aged, LOSS, SERVICE, fs.PowerCurve(), 1.0, mount="in_substrate", layer=layer,
                horizon_years=15.0,
            )
        )  # fmt: skip
    front, back = lives
    assert front.dose_left[0] == pytest.approx(back.dose_left[0], rel=0.1)
    assert back.dose_left[-1] < front.dose_left[-1]
    assert back.t80_years > front.t80_years
    assert front.t80_fresh_years > front.t80_years
    assert front.energy_kwh_m2 < front.energy_fresh_kwh_m2
    assert "what lies in front of an absorber" in fs.places_compared(lives)
    assert "as it ages" in front.sentence()
    assert any("products are taken to be clear" in n for n in front.notes)
    assert front.plot().get_xlabel()
    assert len(front.to_frame()) == len(front.years)
    with pytest.raises(OptistackError, match="at least two"):
        fs.places_compared(lives[:1])


def test_a_filter_that_does_not_age_lives_as_without_ageing() -> None:
    item = edge_filter("edge", 385.0, 10.0)
    aged = fs.AgedReadings("edge", [0.0, 1e6], (item, item))
    candidates = fs.measured_candidates([Mounted(item, "laminated")])
    b = bench(candidates)
    one = fs.life_behind_ageing(b, aged, LOSS, SERVICE, fs.PowerCurve(), 1.0, horizon_years=30.0)
    assert one.power == pytest.approx(one.power_fresh, rel=1e-9)
    judged = fs.evaluate_filters(
        [SUN], candidates, "film", bands_nm=BANDS, collections={"sun": COLLECTION}
    ).judged["sun"]
    lives = fs.lives_of(
        judged.dose_left["flat"][:, 0], 1 - judged.lost_fraction, 1.0, LOSS, SERVICE,
        fs.PowerCurve(), 30.0,
    )  # fmt: skip
    # Two grids of time.
    assert one.energy_kwh_m2 == pytest.approx(lives.energy_kwh_m2[0, -1], rel=1e-3)
    assert one.t80_years == pytest.approx(lives.t80_years[0], rel=1e-3)
    short = fs.AgedReadings("edge", [0.0, 100.0], (item, item))
    with pytest.raises(OptistackError, match="measured from 0 to 100 h"):
        fs.life_behind_ageing(b, short, LOSS, SERVICE, fs.PowerCurve(), 1.0, horizon_years=1.0)


# what it takes away ----------------------------------------------------------------------------


def test_warming_is_what_the_engine_finds_absorbed_more() -> None:
    edge = Mounted(edge_filter("edge", 420.0, 10.0, index=constant(1.5)), "laminated")
    [candidate] = fs.measured_candidates([edge])
    b = bench([candidate])
    found = fs.side_effects(b, candidate)

    def absorbed_w_m2(exposure: ost.Exposure) -> float:
        run = exposure.run(b.limits)
        r = run.response
        share = np.interp(b.x, run.wavelength_nm, 1 - r.reflectance - r.transmittance)
        return float(b.energy[0] @ share)

    expected = absorbed_w_m2(SUN.with_filters([edge])) - absorbed_w_m2(SUN)
    assert found.warming_w_m2 == pytest.approx(expected, rel=2e-3)
    assert found.warming_w_m2 > 5.0
    far = replace(candidate, filters=(replace(edge, mount="detached_far"),))
    assert fs.side_effects(b, far).warming_w_m2 < 0  # it warms itself, at the lamp
    oblique = replace(SUN, geometry=ost.Geometry(angle_deg=30.0))
    slow = bench_for(oblique, [candidate], "film", bands_nm=BANDS, collection=COLLECTION)
    assert fs.side_effects(slow, candidate).warming_w_m2 == pytest.approx(
        found.warming_w_m2, rel=0.3
    )


def test_an_oxide_without_its_light_is_warned_of() -> None:
    [candidate] = fs.edge_family([410.0], [8.0])
    b = bench([candidate])
    found = fs.side_effects(b, candidate, needs_light={"oxide": BANDS[0]})
    assert found.other_dose_left[("oxide", "280-400")] < 0.1
    assert found.warnings[0].startswith("edge 410 nm, 8 nm wide, laminated leaves oxide ")
    assert "light-soaking" in found.sentences()[0]
    [mild] = fs.edge_family([330.0], [8.0])
    assert fs.side_effects(b, mild, needs_light={"oxide": BANDS[0]}).warnings == ()
    with pytest.raises(OptistackError, match="was not evaluated"):
        fs.side_effects(b, candidate, needs_light={"blend": BANDS[0]})
    assert len(found.to_frame()) == 2


def test_colour_is_that_of_the_colour_library() -> None:
    with np.printoptions():  # it changes how numpy prints, for everyone
        colour = pytest.importorskip("colour")
    [candidate] = fs.edge_family([430.0], [20.0])
    b = bench([candidate])
    found = fs.side_effects(b, candidate, seen_through=True)
    assert found.before is not None and found.after is not None
    # The library's own integration of the engine's transmittance, at 1 nm.
    lam = np.arange(380, 781)
    run = SUN.with_filters(candidate.filters).run((280.0, 800.0))
    t = np.interp(lam, run.wavelength_nm, run.response.transmittance)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    xyz = colour.sd_to_XYZ(
        colour.SpectralDistribution(dict(zip(lam.tolist(), t.tolist(), strict=True))),
        observer.copy().align(colour.SpectralShape(380, 780, 1)),
        colour.SDS_ILLUMINANTS["D65"].copy().align(colour.SpectralShape(380, 780, 1)),
        method="Integration",
    )
    assert found.after.visible == pytest.approx(xyz[1] / 100, rel=1e-4)
    lab = colour.XYZ_to_Lab(xyz / 100, colour.CCS_ILLUMINANTS[
        "CIE 1931 2 Degree Standard Observer"]["D65"])  # fmt: skip
    assert found.after.lab == pytest.approx(lab, abs=0.05)
    assert found.after.lab[2] > found.before.lab[2] + 5  # yellow
    assert found.colour_difference is not None and found.colour_difference > 5
    assert any("changes the colour of the device plainly" in w for w in found.warnings)
    [clear] = fs.measured_candidates(
        [Mounted(measured_filter("clear", [280, 800], [1, 1], "internal"), "detached_far")]
    )
    index_matched = replace(clear.filters[0].item, index=constant(1.0))  # type: ignore[type-var]
    none = fs.side_effects(
        b, replace(clear, filters=(Mounted(index_matched, "detached_far"),)), seen_through=True
    )
    assert none.colour_difference == pytest.approx(0.0, abs=1e-9)
    assert none.warming_w_m2 == pytest.approx(0.0, abs=1e-9)
    lamp = ost.Exposure("lamp", DEVICE, ost.spectrum("uva340").at_set_point(340, 0.89))
    with pytest.raises(RangeError, match="colour of the device"):
        fs.side_effects(
            bench_for(lamp, [candidate], "film", bands_nm=BANDS), candidate, seen_through=True
        )


# validation ------------------------------------------------------------------------------------


def test_power_of_the_test_is_that_of_trials() -> None:
    rng = np.random.default_rng(2)
    for n, effect, sds in ((3, 3.0, (1.0, 1.0)), (6, 1.2, (1.0, 0.3)), (3, 2.5, (1.0, 0.2))):
        one = rng.normal(effect, sds[0], (40000, n))
        two = rng.normal(0.0, sds[1], (40000, n))
        told = float(np.mean(stats.ttest_ind(one, two, axis=1, equal_var=False).pvalue < 0.05))
        # 3 sd of the count are 0.7 %.
        assert fs.power_of_test(effect, *sds, n) == pytest.approx(told, abs=0.008)
    # With many specimens of one spread it is that of Student's test, from the noncentral t.
    for n, effect in ((17, 1.0), (40, 0.6)):
        df, nc = 2 * n - 2, effect / np.sqrt(2 / n)
        limit = stats.t.ppf(0.975, df)
        expected = 1 - stats.nct.cdf(limit, df, nc) + stats.nct.cdf(-limit, df, nc)
        assert fs.power_of_test(effect, 1.0, 1.0, n) == pytest.approx(expected, abs=0.003)
    assert fs.power_of_test(0.0, 1.0, 1.0, 12) == pytest.approx(0.05, abs=0.003)
    assert fs.power_of_test(1.0, 0.0, 0.0, 3) == 1.0
    assert fs.power_of_test(1.0, 1e-4, 1e-4, 3) == pytest.approx(1.0, abs=1e-6)
    for bad in ({"specimens": 1}, {"confidence": 1.0}):
        with pytest.raises(OptistackError):
            fs.power_of_test(1.0, 1.0, 1.0, **{"specimens": 3, **bad})


def test_the_plan_tells_in_trials_what_it_promises() -> None:
    """Exponential losses with the stated scatter, at the planned hours, 4000 times."""
    light = fs.TestLight("lamp", 4e-4, 4e-5)
    plan = fs.plan_validation("edge", [light], specimen_spread=0.05, reading_noise=0.03, power=0.9)
    row = plan.recommended
    assert row is not None and row.hours is not None
    rng = np.random.default_rng(1)
    n, t = row.specimens, row.hours
    groups = []
    for rate in (light.open_rate_per_h, light.filtered_rate_per_h):
        loss = rate * t * (1 + 0.05 * rng.standard_normal((4000, n)))
        groups.append(loss + np.sqrt(2) * 0.03 * rng.standard_normal((4000, n)))
    p = stats.ttest_ind(*groups, axis=1, equal_var=False).pvalue
    # 3 sd of the count.
    assert float(np.mean(p < 0.05)) == pytest.approx(0.9, abs=0.015)
    more = next(r for r in plan.rows if r.specimens == 8)
    assert more.hours is not None and more.hours < row.hours


def test_a_lamp_that_is_dark_behind_the_filter_is_said_to_be() -> None:
    lamp, sun = fs.TestLight("lamp", 1e-3, 1e-8), fs.TestLight("sun", 3e-4, 3e-5, lamp=False)
    plan = fs.plan_validation(
        "edge", [lamp, sun], specimen_spread=0.05, reading_noise=0.02, edge_nm=404.0
    )
    assert plan.warnings[0].startswith("Under lamp, behind edge, it is as good as dark: in 5000 h")
    assert "Test it in sunlight (sun: 3e+03 times as fast behind it)" in plan.warnings[0]
    assert "light above 404 nm" in plan.warnings[0]
    assert plan.recommended is not None and plan.recommended.light == "sun"
    assert plan.sentences()[-1].startswith("Ultraviolet lamps injure eyes and skin")
    alone = fs.plan_validation("edge", [lamp], specimen_spread=0.05, reading_noise=0.02)
    assert "Test it in sunlight, or under a lamp" in alone.warnings[0]
    weak = fs.plan_validation(
        "edge", [fs.TestLight("sun", 1e-7, 1e-9, lamp=False)], specimen_spread=0.05,
        reading_noise=0.05,
    )  # fmt: skip
    assert weak.recommended is None
    assert "No test within 5000 h" in weak.sentences()[1]
    assert "Ultraviolet" not in " ".join(weak.sentences())
    assert plan.plot().get_xlabel()
    assert len(plan.to_frame()) == len(plan.rows)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"specimen_spread": 5.0}, "specimen_spread 5.0 is a relative standard deviation"),
        ({"reading_noise": np.nan}, "reading_noise nan is a relative"),
        ({"specimen_spread": 0.0, "reading_noise": 0.0}, "without any scatter"),
        ({"confidence": 0.2}, "confidence 0.2 must lie"),
        ({"power": 1.0}, "power 1 must lie"),
        ({"most_hours": 0.0}, "most_hours"),
        ({"specimens": [1]}, "at least two specimens"),
        ({"lights": []}, "needs a light"),
    ],
)
def test_plans_that_make_no_sense(options: dict[str, Any], said: str) -> None:
    usual: dict[str, Any] = {
        "lights": [fs.TestLight("lamp", 1e-3, 1e-4)],
        "specimen_spread": 0.05,
        "reading_noise": 0.02,
    }
    usual |= options
    with pytest.raises(OptistackError, match=said):
        fs.plan_validation("edge", usual.pop("lights"), **usual)
    with pytest.raises(OptistackError, match="must not be negative"):
        fs.TestLight("lamp", -1.0, 0.0)
