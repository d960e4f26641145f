"""Activation spectra from cut-on filters: worked values, coverage, limits, refusals, the table."""

from __future__ import annotations

import csv
import os
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import LANTERN_HOUSE
from numpy.typing import NDArray

import optistack as ost
from optistack.analysis.activation_spectrum import (
    ActivationSpectrum,
    CutOnSeries,
    activation_spectrum,
    cut_on_series,
    slope_from_increments,
)
from optistack.errors import OptistackError, TableError
from optistack.spectra import weight_from_table
from optistack.tables import read_table

Real = NDArray[np.float64]
Check = Callable[[str], dict[str, Any]]

LONG = os.environ.get("OPTISTACK_LONG") == "1"

LAM = np.arange(290.0, 421.0)
EDGES = (305.0, 320.0, 335.0, 350.0, 370.0)
NAMES = ("none", *(f"{e:g}" for e in EDGES))


def edge(half_nm: float, width_nm: float = 8.0) -> Real:
    return np.asarray(0.9 / (1 + np.exp(-(LAM - half_nm) * 2 * np.log(9) / width_nm)))


# A lamp that rises to 345 nm and falls, in a layer that absorbs the less the longer the wavelength.
OPEN = np.exp(-0.5 * ((LAM - 345) / 28) ** 2) * (0.1 + np.exp(-(LAM - 290) / 60))
PHOTONS = np.array([OPEN, *(OPEN * edge(e) for e in EDGES)])

TRUTHS: Mapping[str, Real] = {
    "exponential 22 nm": np.exp(-(LAM - 340) / 22),
    "flat": np.ones(LAM.size),
    "bump": np.exp(-0.5 * ((LAM - 345) / 20) ** 2),
    "exponential 15 nm": np.exp(-(LAM - 340) / 15),
    "exponential 60 nm": np.exp(-(LAM - 340) / 60),
    "steep and level": np.exp(-(LAM - 340) / 12) + 0.3,
    "rising": np.exp((LAM - 340) / 40),
    "narrow bump": np.exp(-0.5 * ((LAM - 345) / 12) ** 2),
}


def integral(values: Real) -> float:
    return float(np.trapezoid(values, LAM))


def rates(weight: Real, photons: Real = PHOTONS) -> Real:
    return np.array([integral(weight * row) for row in photons])


def series(rate: Any, sd: Any, photons: Real = PHOTONS, **options: Any) -> CutOnSeries:
    names = options.pop("names", NAMES[: len(photons)])
    return CutOnSeries(names, LAM, photons, rate, sd, **options)


def band_mean(weight: Real, band: tuple[float, float], photons: Real = OPEN) -> float:
    """Mean of the weight over what the open specimen absorbs; the bands end on grid points."""
    inside = (band[0] <= LAM) & (band[1] >= LAM)
    lam = LAM[inside]
    return float(np.trapezoid((weight * photons)[inside], lam) / np.trapezoid(photons[inside], lam))


# --- worked values --------------------------------------------------------------------------------


def test_slope_from_the_damage_of_two_bands(check: Check) -> None:
    case = check("PHO-020")
    first, second = case["inputs"]["incremental_damage"]
    slope = slope_from_increments(first, second, case["inputs"]["band_width_nm"])
    assert 1 / slope == pytest.approx(case["expected"]["beta_per_nm"], rel=case["tolerance"]["rel"])


def test_the_worked_increments_come_out_of_the_inversion(check: Check) -> None:
    """PHO-020: sharp filters 20 nm apart, equal photons per nm, damage as stated in each band."""
    case = check("PHO-020")
    first, second = case["inputs"]["incremental_damage"]
    lam = np.concatenate([np.arange(300, 320, 0.25), [320 - 1e-6], np.arange(320, 340.1, 0.25)])
    photons = np.array([np.ones(lam.size), (lam >= 320).astype(float), np.zeros(lam.size)])
    found = activation_spectrum(
        CutOnSeries(
            ("open", "320", "opaque"), lam, photons, [first + second, second, 0.0], [1e-4] * 3
        ),
        [(300, 320), (320, 340)],
    )
    # Trapezoids 0.25 nm wide under a slope of 25 nm: 1e-5.
    assert found.slope_nm.value == pytest.approx(1 / case["expected"]["beta_per_nm"], rel=1e-3)
    for b, damage in zip(found.bands, (first, second), strict=True):
        assert b.resolved
        assert b.weight.value * 20 == pytest.approx(damage, rel=1e-3)


@pytest.mark.parametrize("name", ["exponential 22 nm", "exponential 60 nm", "rising"])
def test_exact_rates_give_the_exact_exponential(name: str) -> None:
    truth = TRUTHS[name]
    rate = rates(truth)
    found = activation_spectrum(series(rate, 1e-4 * rate))
    if name != "rising":  # a slope is positive here: a rising weight is not a falling one
        slope = float(name.split()[1])
        assert found.slope_nm.value == pytest.approx(slope, rel=1e-3)
        assert found.exponential_fits
        for b in found.bands:
            assert b.weight.value == pytest.approx(band_mean(truth, b.band_nm), rel=5e-3)
    else:
        assert found.slope_nm.bound == "lower"
        assert not found.exponential_fits
    assert all(b.resolved for b in found.bands)
    total = sum(b.share.value for b in found.bands)
    assert total == pytest.approx(1.0, abs=1e-6)


def test_the_weight_is_per_absorbed_photon() -> None:
    """A layer that absorbs otherwise, with the same weight, gives other rates and the same bands."""
    truth = TRUTHS["exponential 22 nm"]
    other = PHOTONS * (0.2 + 0.8 / (1 + np.exp((LAM - 330) / 10)))
    found = []
    for photons in (PHOTONS, other):
        rate = rates(truth, photons)
        found.append(
            activation_spectrum(
                series(rate, 1e-4 * rate, photons), [(290, 320), (320, 350), (350, 420)]
            )
        )
    assert rates(truth, other)[0] < 0.8 * rates(truth)[0]
    for b, c in zip(found[0].bands, found[1].bands, strict=True):
        assert b.weight.value == pytest.approx(band_mean(truth, b.band_nm), rel=0.01)
        assert c.weight.value == pytest.approx(band_mean(truth, c.band_nm, other[0]), rel=0.01)


def test_a_dark_rate_is_told_from_light() -> None:
    truth = TRUTHS["exponential 22 nm"]
    rate = rates(truth)
    sd = 1e-3 * rate
    plain = activation_spectrum(series(rate, sd))
    dark = 0.3 * rate[-1]
    with_dark = activation_spectrum(
        series(rate + dark, sd, dark_rate=dark, dark_rate_sd=1e-3 * dark)
    )
    ignored = activation_spectrum(series(rate + dark, sd))
    for a, b in zip(plain.bands, with_dark.bands, strict=True):
        assert b.weight.value == pytest.approx(a.weight.value, rel=0.02)
    assert ignored.bands[-1].weight.low > plain.bands[-1].weight.high


def test_the_exponent_is_taken_out() -> None:
    truth = TRUTHS["exponential 22 nm"]
    rate = rates(truth) ** 0.7
    sd = 0.01 * rate
    found = activation_spectrum(series(rate, sd, exponent=0.7))
    assert found.slope_nm.low < 22 < found.slope_nm.high
    assert activation_spectrum(series(rate, sd)).slope_nm.low > 22  # p = 1 would be wrong
    for b in found.bands:
        assert b.weight.low <= band_mean(truth, b.band_nm) <= b.weight.high
    assert any("p = 0.7, taken as exact" in n for n in found.notes)
    wide = activation_spectrum(series(rate, sd, exponent=0.7, exponent_range=(0.6, 0.8)))
    assert wide.slope_nm.low < found.slope_nm.low and wide.slope_nm.high > found.slope_nm.high
    for a, b in zip(wide.bands, found.bands, strict=True):
        assert a.share.low <= b.share.low and a.share.high >= b.share.high
        assert a.share.value == pytest.approx(b.share.value)
    assert any("p = 0.7 (0.6 to 0.8)" in n for n in wide.notes)


# --- coverage -------------------------------------------------------------------------------------

RELATIVE, FLOOR = 0.02, 0.005


@pytest.mark.parametrize("name", list(TRUTHS) if LONG else list(TRUTHS)[:3])
def test_intervals_of_resolved_bands_hold_the_truth(name: str) -> None:
    """2 % relative noise and a floor of 0.5 % of the open rate; 40 repetitions, in the long form 400.

    Long form: OPTISTACK_LONG=1, eight weights, seven minutes.
    """
    repetitions = 400 if LONG else 40
    resolved, limited = coverage(name, repetitions, seed=4)
    covered = [held for band in resolved.values() for held in band]
    assert len(covered) >= 2.5 * repetitions  # three bands or more are lit and resolved
    # 40 repetitions of four bands scatter by 2 % about the 95 % that is meant.
    assert (0.90 if LONG else 0.88) <= np.mean(covered) <= (0.99 if LONG else 1.0)
    for band, held in limited.items():
        # Over all repetitions a limit fails in 1 %; among the few in which an otherwise resolved
        # band comes out unresolved, noise has lowered it, and that says nothing.
        assert np.count_nonzero(np.logical_not(held)) <= 0.025 * repetitions, band
        if len(held) > 0.5 * repetitions:
            assert np.mean(held) >= 0.95, band
    if LONG:
        usual = [np.mean(v) for v in resolved.values() if len(v) > 0.5 * repetitions]
        assert min(usual) >= 0.88  # three standard errors below 0.93


def coverage(
    name: str, repetitions: int, seed: int
) -> tuple[dict[tuple[float, float], list[bool]], dict[tuple[float, float], list[bool]]]:
    """Whether each interval of a resolved band, and each limit, holds the truth, by band."""
    truth = TRUTHS[name]
    exact = rates(truth)
    floor = FLOOR * exact[0]
    rng = np.random.default_rng(seed)
    resolved: dict[tuple[float, float], list[bool]] = {}
    limited: dict[tuple[float, float], list[bool]] = {}
    for _ in range(repetitions):
        read = exact + rng.normal(0.0, np.hypot(RELATIVE * exact, floor))
        found = activation_spectrum(series(read, np.hypot(RELATIVE * np.maximum(read, 0), floor)))
        for b in found.bands:
            held = b.weight.low <= band_mean(truth, b.band_nm) <= b.weight.high
            if not b.resolved:
                assert b.weight.bound == "upper" and b.weight.low == 0 and b.reason
            (resolved if b.resolved else limited).setdefault(b.band_nm, []).append(held)
    return resolved, limited


def test_pooled_over_weights_the_coverage_is_neither_low_nor_high() -> None:
    """The short form's stricter test: three weights pooled, 40 repetitions with other noise each."""
    held: list[bool] = []
    for name in list(TRUTHS)[:3]:
        held += [x for band in coverage(name, 40, seed=11)[0].values() for x in band]
    assert 0.90 <= np.mean(held) <= 0.99


# --- what the data do not say ---------------------------------------------------------------------


def test_bands_finer_than_the_filters_are_only_limited() -> None:
    truth = TRUTHS["exponential 22 nm"]
    rate = rates(truth)
    fine = [(x, x + 5.0) for x in np.arange(290.0, 420.0, 5.0)]
    found = activation_spectrum(series(rate, 0.02 * rate), fine)
    open_bands = [b for b in found.bands if not b.resolved]
    assert len(open_bands) > 15
    for b in open_bands:
        assert b.weight.bound == "upper" and b.weight.low == 0
        assert b.weight.high >= band_mean(truth, b.band_nm)
    assert any("not resolved" in s and "at most" in s for s in found.sentences())


def test_a_series_that_resolves_nothing_says_so() -> None:
    """Three filters with edges 2 nm apart, read to 5 %."""
    photons = np.array([OPEN * edge(e) for e in (330.0, 332.0, 334.0)])
    rate = rates(TRUTHS["flat"], photons)
    found = activation_spectrum(
        series(rate, 0.05 * rate, photons), [(290, 325), (325, 340), (340, 420)]
    )
    assert [b.resolved for b in found.bands] == [False, False, True]
    everywhere = activation_spectrum(series(rate, 0.5 * rate, photons))
    assert not everywhere.resolved
    assert "the filter series resolves none of the bands" in everywhere.notes


def test_a_band_without_absorbed_light_is_not_lit() -> None:
    dark = PHOTONS * (LAM >= 300)
    rate = rates(TRUTHS["flat"], dark)
    found = activation_spectrum(
        series(rate, 0.02 * rate, dark), [(290, 299), (299, 340), (340, 420)]
    )
    first = found.bands[0]
    assert not first.resolved
    assert first.reason == "the layer absorbs no light there"
    assert first.weight.high == np.inf
    assert all(b.resolved for b in found.bands[1:])
    found.plot(_axes())  # an open limit is not drawn


def test_healing_light_is_noticed_and_widens() -> None:
    rate = rates(TRUTHS["exponential 22 nm"])
    sd = 0.02 * rate
    rate[-1] = -5 * sd[-1]
    found = activation_spectrum(series(rate, sd))
    assert any("improves beyond its error" in n for n in found.notes)
    assert any("no non-negative weight agrees" in n and "times wider" in n for n in found.notes)
    assert not found.bands[-1].resolved
    plain = activation_spectrum(series(np.maximum(rate, 0), sd))
    assert found.bands[2].weight.high - found.bands[2].weight.low > (
        plain.bands[2].weight.high - plain.bands[2].weight.low
    )


def test_exchanged_filters_are_noticed() -> None:
    rate = rates(TRUTHS["exponential 22 nm"])
    rate[[1, 3]] = rate[[3, 1]]
    found = activation_spectrum(series(rate, 0.02 * rate))
    assert any("filters exchanged" in n for n in found.notes)
    assert found.misfit < 0.01
    assert any("times wider" in n for n in found.notes)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"names": ("a", "b"), "photons": PHOTONS[:2]}, "behind 2 filters resolve no bands"),
        ({"photons": PHOTONS[:, :-1]}, "needs absorbed photons of shape"),
        ({"photons": -PHOTONS}, "not negative"),
        ({"photons": 0 * PHOTONS}, "absorbs nothing behind any"),
        ({"photons": PHOTONS[[0, 1, 1, 2, 3, 4]]}, "filters 305 and 320 let the same light"),
        ({"rate": np.full(6, np.nan)}, "finite value and a positive standard deviation"),
        ({"sd": np.zeros(6)}, "finite value and a positive standard deviation"),
        ({"dark_rate": 1.0}, "dark rate needs a positive standard deviation"),
        ({"exponent": -1.0}, "reciprocity exponent"),
        ({"exponent": 0.8, "exponent_range": (0.9, 1.0)}, "lie in its range"),
        ({"exponent": 0.8, "dark_rate": 0.1, "dark_rate_sd": 0.1}, "subtract the dark rate first"),
        ({"exponent": 0.8, "rate": -np.ones(6)}, "not positive cannot be turned into doses"),
    ],
)
def test_series_refusals(changes: dict[str, Any], message: str) -> None:
    photons = changes.pop("photons", PHOTONS)
    rate = changes.pop("rate", np.ones(len(photons)))
    sd = changes.pop("sd", 0.1 * np.ones(len(photons)))
    with pytest.raises(OptistackError, match=message):
        series(rate, sd, photons, **changes)


@pytest.mark.parametrize(
    ("bands", "message"),
    [
        ([(340, 320)], "from a shorter to a longer"),
        ([(290, 340), (350, 420)], "must adjoin"),
        ([(290, 340)], "outside 290-340 nm that would be counted nowhere"),
        ([], "from a shorter to a longer"),
    ],
)
def test_band_refusals(bands: Any, message: str) -> None:
    rate = rates(TRUTHS["flat"])
    with pytest.raises(OptistackError, match=message):
        activation_spectrum(series(rate, 0.1 * rate), bands)


def test_other_refusals() -> None:
    rate = rates(TRUTHS["flat"])
    with pytest.raises(OptistackError, match="confidence"):
        activation_spectrum(series(rate, 0.1 * rate), confidence=1.0)
    with pytest.raises(OptistackError, match="10 increasing wavelengths"):
        CutOnSeries(("a", "b", "c"), LAM[::-1], PHOTONS[:3], rate[:3], rate[:3])
    with pytest.raises(OptistackError, match="two different positive damages"):
        slope_from_increments(1.0, 1.0, 20.0)
    nothing = activation_spectrum(series(np.zeros(6), np.ones(6)))
    assert not nothing.resolved
    with pytest.raises(OptistackError, match="no wavelength harms"):
        nothing.weight()


# --- from exposures -------------------------------------------------------------------------------


def cut_on(nm: int) -> ost.Filter:
    table = read_table(LANTERN_HOUSE / f"cut_on_{nm}.csv")
    return ost.measured_filter(
        f"cut-on {nm}",
        table.wavelength_nm,
        table.columns["transmittance"],
        "external",
        measurement="regular",
    )


@pytest.fixture(scope="module")
def coupon() -> ost.Exposure:
    exposures = ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml").exposures
    return replace(exposures["coupon in the chamber"], geometry=ost.Geometry())


@pytest.fixture(scope="module")
def behind(coupon: ost.Exposure) -> list[ost.Exposure]:
    far = [[ost.MountedFilter(cut_on(x), "detached_far")] for x in (310, 325, 340, 355, 375)]
    return [coupon, *(coupon.with_filters(f) for f in far)]


def test_a_series_holds_what_the_exposures_absorb(
    behind: list[ost.Exposure], coupon: ost.Exposure
) -> None:
    near = coupon.with_filters([ost.MountedFilter(cut_on(340), "laminated")])
    made = cut_on_series(
        [*behind, near], "electrode", np.ones(7), np.ones(7), names=list("abcdefg")
    )
    assert made.source == "UVA-340 lamp" and made.stack == "coupon" and made.layer == "electrode"
    for exposure, row in zip([*behind, near], made.absorbed_photons_m3_s_nm, strict=True):
        result = exposure.run((280.0, 400.0))
        expected = result.absorbed_photons_m2_s("electrode", (280.0, 400.0))[0] / 120e-9
        assert row @ made.step_nm == pytest.approx(expected, rel=1e-4)  # grids differ a little
        weight = ost.Weight("w", slope_nm=22.0)
        expected = result.weighted_photons_m2_s("electrode", weight)[0] / 120e-9
        mine = row * weight(made.wavelength_nm) @ made.step_nm
        assert mine == pytest.approx(expected, rel=1e-3)
    assert cut_on_series(behind, "electrode", np.ones(6), np.ones(6)).names[:2] == (
        "none",
        "cut-on 310",
    )


def test_exposures_that_are_no_series_are_refused(behind: list[ost.Exposure]) -> None:
    brighter = replace(behind[1], light=behind[1].light.times(2.0))
    with pytest.raises(OptistackError, match="different lights or levels"):
        cut_on_series([behind[0], brighter, behind[2]], "electrode", np.ones(3), np.ones(3))
    with pytest.raises(OptistackError, match="without exposures"):
        cut_on_series([], "electrode", [], [])
    with pytest.raises(OptistackError, match="has no layer 'elektrode'"):
        cut_on_series(behind, "elektrode", np.ones(6), np.ones(6))


def measured_rates() -> tuple[Real, Real]:
    """Rates of the demo's cut-on series less the dark one, and their errors: slopes of ln R."""
    text = (LANTERN_HOUSE / "cut_on_ageing.csv").read_text(encoding="utf-8")
    found: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for row in csv.DictReader(x for x in text.splitlines() if not x.startswith("#")):
        point = (float(row["hours"]), float(np.log(float(row["sheet_resistance_ohm_sq"]))))
        found.setdefault((row["group"], row["specimen"]), []).append(point)
    slopes: dict[str, list[float]] = {}
    for (group, _), points in found.items():
        hours, logs = np.array(points).T
        slopes.setdefault(group, []).append(float(np.polyfit(hours, logs, 1)[0]))
    dark = float(np.mean(slopes.pop("dark")))
    rate = np.array([np.mean(v) - dark for v in slopes.values()])
    spread = np.mean([np.var(v, ddof=1) / np.mean(v) ** 2 for v in slopes.values()])
    return rate, rate * np.sqrt(spread / 3)


@pytest.fixture(scope="module")
def demo(behind: list[ost.Exposure]) -> ActivationSpectrum:
    # p as the intensity series gives it, about.
    return activation_spectrum(
        cut_on_series(
            behind, "electrode", *measured_rates(), exponent=0.85, exponent_range=(0.82, 0.88)
        )
    )


def test_the_demo_finds_the_weight_that_was_put_in(
    demo: ActivationSpectrum, coupon: ost.Exposure
) -> None:
    truth = tomllib.loads((LANTERN_HOUSE / "truth.toml").read_text(encoding="utf-8"))
    slope = truth["weight_slope_nm"]
    assert demo.slope_nm.low < slope < demo.slope_nm.high
    assert demo.slope_nm.high < 1.4 * demo.slope_nm.low
    assert demo.exponential_fits
    lam = demo.series.wavelength_nm
    damage = np.exp(-(lam - 340) / slope) * demo.series.absorbed_photons_m3_s_nm[0]
    total = np.trapezoid(damage, lam)
    for b in demo.bands:
        inside = (lam >= b.band_nm[0]) & (lam <= b.band_nm[1])
        share = np.trapezoid(damage[inside], lam[inside]) / total
        assert b.share.low <= share <= b.share.high
    assert len(demo.resolved) >= 4
    # The ratio that follows, against the one that the files were made from.
    device = ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml").exposures[
        "device in the chamber"
    ]
    whole = ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml").exposures[
        "coupon in the chamber"
    ]
    weights = (demo.weight(), *demo.limits())
    compared = ost.compare(
        whole,
        device,
        "electrode",
        bands_nm=[(300, 400)],
        weights=weights,
        sensitivity=False,
    )
    ratio = [compared.weighted_ratio[w.name].value for w in weights]
    assert ratio[0] == pytest.approx(truth["computed"]["q_ratio_weighted"], rel=0.1)
    assert ratio[1] < truth["computed"]["q_ratio_weighted"] < ratio[2]


# --- the weight as a table ------------------------------------------------------------------------


def test_a_table_keeps_the_weight_and_what_it_holds_for(
    demo: ActivationSpectrum, tmp_path: Path
) -> None:
    path = demo.write(tmp_path / "electrode_weight.csv", invented=True)
    table = read_table(path)
    assert (table.quantity, table.kind, table.grade) == ("weight", "invented", "D")
    for part in ("UVA-340 lamp", "electrode", "coupon"):
        assert part in table.source
    back = weight_from_table(table)
    mine = demo.weight("electrode_weight")
    np.testing.assert_allclose(back.values, mine.values, rtol=1e-12)
    assert back.reference_nm == mine.reference_nm == 340.0
    assert back.band_nm == mine.band_nm
    assert back.measured_with == ("UVA-340 lamp", "electrode", "coupon")
    assert read_table(demo.write(tmp_path / "m.csv")).kind == "measured"


def test_another_light_is_an_assumption(demo: ActivationSpectrum) -> None:
    assert not any("assumption" in n for n in demo.weight(light="UVA-340 lamp").notes)
    under_sun = demo.weight("w", light="sun").notes
    assert (
        "weight w: measured under UVA-340 lamp for electrode in coupon; under sun it is an "
        "assumption" in under_sun
    )
    assert any("upper limit only" in n for n in under_sun)


def test_a_scenario_uses_the_table(demo: ActivationSpectrum, lantern: Path) -> None:
    demo.write(lantern.parent / "electrode_weight.csv", invented=True)
    text = lantern.read_text(encoding="utf-8")
    lantern.write_text(
        text + '\n[question.weights]\ntable = "electrode_weight.csv"\n', encoding="utf-8"
    )
    scenario = ost.load_scenario(lantern)
    assert [w.name for w in scenario.question.weights] == ["electrode_weight"]
    chamber, outdoors = ost.run(scenario).comparisons
    assert chamber.weighted_ratio["electrode_weight"].value == pytest.approx(0.058, rel=0.1)
    assert any("under sun it is an assumption" in n for n in outdoors.notes)
    assert not any("under sun" in n for n in chamber.notes)
    assert any("measured under UVA-340 lamp for electrode in coupon" in n for n in chamber.notes)


def test_a_plain_table_of_a_weight_claims_no_source(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text("wavelength_nm,weight\n300,2\n400,1\n", encoding="utf-8")
    weight = weight_from_table(read_table(tmp_path / "w.csv"))
    assert weight.measured_with is None
    assert weight.notes_with("sun") == ()
    with pytest.raises(TableError, match="weight is 0"):
        weight_from_table(read_table(tmp_path / "w.csv"), reference_nm=500.0)


def test_limits_lie_on_either_side(demo: ActivationSpectrum) -> None:
    steep, flat = demo.limits("x")
    base = demo.weight("x")
    assert (steep.name, flat.name) == ("x, steepest", "x, flattest")
    lam = base.wavelength_nm
    short, long = lam < 340, lam > 341
    assert (steep.values[short] >= base.values[short] - 1e-12).all()
    assert (flat.values[short] <= base.values[short] + 1e-12).all()
    assert (steep.values[long] <= base.values[long] + 1e-12).all()
    assert (flat.values[long] >= base.values[long] - 1e-12).all()
    for w in (steep, flat, base):
        assert np.interp(340.0, lam, w.values) == pytest.approx(1.0)


# --- to look at -----------------------------------------------------------------------------------


def _axes() -> Any:
    from matplotlib.figure import Figure

    return Figure().subplots()


def test_frame_plot_and_words(demo: ActivationSpectrum) -> None:
    frame = demo.to_frame()
    assert len(frame) == len(demo.bands)
    assert set(frame.resolved) == {True, False}
    assert (frame.low[~frame.resolved] == 0).all()
    ax = _axes()
    assert demo.plot(ax) is ax
    assert "1 at 340 nm" in ax.get_ylabel()
    assert "<table" in demo._repr_html_()
    words = demo.sentences()
    assert len(words) == len(demo.bands) + 1
    assert words[-1].startswith("An exponential of slope ") and "fits the rates" in words[-1]
    with pytest.raises(ValueError, match="read-only"):
        demo.curve[0] = 1.0
