"""Rates, electrode and draws in a scenario: what the demo finds, and what is refused."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from conftest import LANTERN_HOUSE, ROOT

import optistack as ost
from optistack.cli import main
from optistack.errors import OptistackError
from optistack.report import results_json, summary_text, write_report
from optistack.report.document import report_html
from optistack.report.wording import percent
from optistack.scenario import RunResult
from optistack.scenario.rates import COUPON_COURSE, DEVICE_COURSE
from optistack.uncertainty import RatioModel, first_order
from optistack.value import Value

TRUTH = tomllib.loads((LANTERN_HOUSE / "truth.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def whole() -> RunResult:
    return ost.run(ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml"))


@pytest.fixture(scope="module")
def data(whole: RunResult) -> dict[str, Any]:
    return results_json(whole)


def holds(value: Value | None, truth: float) -> bool:
    assert value is not None
    assert value.low < value.high < np.inf  # an interval that says something
    return value.low <= truth <= value.high


# the demo recovers its truth ----------------------------------------------------------------------


def test_the_demo_finds_what_was_put_in(whole: RunResult) -> None:
    """The stated truth lies in the intervals (truth.toml is what the files were made from)."""
    rates = whole.rates
    assert rates is not None
    correction, computed = rates.correction, TRUTH["computed"]
    assert holds(correction.exponent.value, TRUTH["reciprocity_exponent"])
    assert holds(correction.activation_energy_kj_mol.value, TRUTH["activation_energy_kj_mol"])
    assert rates.activation is not None
    assert holds(rates.activation.slope_nm, TRUTH["weight_slope_nm"])
    first = correction.cases[0]
    assert first.weight == "measured"
    assert holds(first.absorbed_ratio, computed["q_ratio_weighted"])
    assert holds(first.rate_factor, computed["predicted_rate_factor"])
    assert holds(first.residual, TRUTH["residual_factor"])
    measured = computed["device_rate_per_h"] / TRUTH["coupon_rate_per_h"]
    assert holds(correction.measured_factor, measured)
    assert holds(rates.kinetics.dark_rate_per_h, TRUTH["coupon_dark_rate_per_h"])
    hours = np.log(1 / 0.8) / (TRUTH["coupon_rate_per_h"] + TRUTH["coupon_dark_rate_per_h"])
    assert holds(rates.kinetics.hours_to(0.8), hours)


def test_the_flat_weight_alone_would_mislead(whole: RunResult) -> None:
    """Why the cut-on series is there: without it the residual factor comes out far off."""
    assert whole.rates is not None
    flat = next(c for c in whole.rates.over_weights.cases if c.weight == "flat")
    assert flat.residual is not None
    assert flat.residual.high < TRUTH["residual_factor"]


def test_rim_ingress_is_set_aside(data: dict[str, Any]) -> None:
    aside = data["rates"]["device"]["set_aside"]
    assert [one["specimen"] for one in aside] == sorted(TRUTH["rim_ingress_rate_per_h"])
    assert all("rim" in one["reason"] for one in aside)
    assert not set(data["rates"]["device"]["specimens"]["lit"]) & {"cell 3", "cell 6"}


def test_the_course_goes_through_the_electrode(whole: RunResult) -> None:
    """Coupon hour for hour dies early; corrected to the device it lives; the witness film more."""
    electrode = whole.electrode
    assert electrode is not None
    assert list(electrode.lives) == ["measured", DEVICE_COURSE, COUPON_COURSE]
    naive, corrected = (electrode.lives[n].lifetimes["T80"] for n in (COUPON_COURSE, DEVICE_COURSE))
    assert naive.high < corrected.low / 5
    # The truth in the model: R(t) of the coupon, through the same power curve.
    level = electrode.power.level_ohm_sq[0.8]
    k = TRUTH["coupon_rate_per_h"] + TRUTH["coupon_dark_rate_per_h"]
    assert naive.low <= np.log(level / TRUTH["start_ohm_sq"]) / k <= naive.high


def test_the_loss_of_the_demo_cell_is_the_electrode(data: dict[str, Any]) -> None:
    found = data["electrode"]["diagnosis"]
    assert found["models"][0]["extra_term"] == "none"
    explained = [x for x in found["explained"] if x is not None]
    assert explained
    assert 0.5 < explained[-1] < 1.5  # of a loss of some per cent


def test_power_never_rises_with_the_sheet_resistance(data: dict[str, Any]) -> None:
    power = data["electrode"]["power"]
    assert np.all(np.diff(power["sheet_resistance_ohm_sq"]) > 0)
    assert np.all(np.diff(power["power_mw_cm2"]) < 0)
    at = {x["power_share"]: x["sheet_resistance_ohm_sq"] for x in data["electrode"]["levels"]}
    assert at[0.95] < at[0.8] < at[0.5]


def test_the_draws_say_what_to_measure_next(data: dict[str, Any]) -> None:
    part = data["uncertainty"]
    assert part["draws"] == 300
    ratio = part["intervals"]["ratio per volume"]
    assert ratio["low"] < TRUTH["computed"]["q_ratio_weighted"] < ratio["high"]
    for shares in part["shares"].values():
        numbers = [s["variance_share"] for s in shares]
        assert numbers == sorted(numbers, reverse=True)
        assert sum(numbers) < 1.1  # sampling error of first-order shares
    assert any("would narrow it most" in s for s in part["sentences"])


def test_every_comparison_says_what_it_hangs_on(whole: RunResult, lantern: Path) -> None:
    """Without draws: from the same model as `first_order` in Python, and with the usual tolerances."""
    question, exposures = whole.scenario.question, whole.scenario.exposures
    coupon, device = (exposures[name] for name in question.pairs[0])
    model = RatioModel(
        coupon,
        device,
        question.layer,
        coupon_layer=question.coupon_layer,
        weights=question.weights,
        tolerances=whole.scenario.uncertainty.tolerances if whole.scenario.uncertainty else None,
    )
    assert whole.causes is not None
    assert whole.causes.log_sd == pytest.approx(first_order(model).log_sd, rel=1e-9, abs=1e-12)
    assert whole.causes.value == pytest.approx(
        whole.comparisons[0].ratio_per_volume["280-400"].value, rel=2e-3
    )
    # Of its own: half the thickness tolerance is half the slope times deviation.
    text = lantern.read_text(encoding="utf-8").partition("# --- rates:")[0]
    found = []
    for thickness in (0.1, 0.05):
        lantern.write_text(text + f"\n[uncertainty]\nthickness = {thickness}\n", encoding="utf-8")
        causes = ost.run(ost.load_scenario(lantern)).causes
        assert causes is not None
        found.append(causes.log_sd["thickness of front adhesive (device)"])
    assert found[0] == pytest.approx(2 * found[1], rel=1e-9)


def test_what_it_hangs_on_is_on_the_page_and_in_a_table(
    whole: RunResult, data: dict[str, Any], tmp_path: Path
) -> None:
    part = data["causes"]
    shares = [i["variance_share"] for i in part["inputs"]]
    assert shares == sorted(shares, reverse=True) and 0.9 < sum(shares) <= 1.0
    page = report_html(data, [])
    assert "What each input by itself does to the ratio, to first order" in page
    first = part["inputs"][0]
    assert first["log_sd"] < 0  # more k in front takes light away
    moved = percent(-np.expm1(first["log_sd"]))
    assert f"<td>\N{MINUS SIGN}{moved}</td>" in page
    write_report(whole, tmp_path)
    rows = (tmp_path / "first_order.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 1 + len(part["inputs"]) and rows[1].startswith(first["input"])


def test_a_ranking_that_cannot_be_made_is_said(
    lantern: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OptistackError("electrode absorbs nothing")

    monkeypatch.setattr("optistack.scenario.runner.rank_causes", refuse)
    text = lantern.read_text(encoding="utf-8")
    lantern.write_text(text.partition("# --- rates:")[0], encoding="utf-8")
    result = ost.run(ost.load_scenario(lantern))
    assert result.causes is None and results_json(result)["causes"] is None
    assert "what the ratio hangs on is not ranked: electrode absorbs nothing" in result.notes
    assert "to first order" not in report_html(results_json(result), [])


# results, page, terminal --------------------------------------------------------------------------


def test_the_results_follow_the_schema(data: dict[str, Any]) -> None:
    schema = json.loads((ROOT / "docs" / "results.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(data)
    for part in ("rates", "electrode", "uncertainty"):
        assert data[part] is not None


def test_the_page_and_the_terminal_tell_it(whole: RunResult, data: dict[str, Any]) -> None:
    page = report_html(data, [])
    for text in ("From coupon rate to device rate", "What it does to the cell", "Set aside"):
        assert text in page
    said = summary_text(whole)
    assert len(said.splitlines()) <= 50
    assert "Residual factor" in said
    assert "cell 3, cell 6" in said
    assert "T80" in said


def test_a_run_without_the_new_parts_has_none(lantern: Path) -> None:
    text = lantern.read_text(encoding="utf-8")
    lantern.write_text(text.partition("# --- rates:")[0], encoding="utf-8")
    data = results_json(ost.run(ost.load_scenario(lantern)))
    assert (data["rates"], data["electrode"], data["uncertainty"]) == (None, None, None)
    assert "coupon rate" not in report_html(data, [])


# power as device data -----------------------------------------------------------------------------


def test_power_of_cells_is_read_through_the_electrode(lantern: Path, whole: RunResult) -> None:
    """Powers made from the electrode's own curve give the rate back that made them."""
    assert whole.electrode is not None
    power = whole.electrode.power
    rate, hours = 4e-4, np.array([0.0, 500, 1000, 2000, 3000])
    rng = np.random.default_rng(4)
    rows = ["specimen,role,hours,relative_power,sd"]
    for name in "abcd":
        share = power.curve(120.0 * np.exp(rate * hours)) / power.start.power_mw_cm2[0]
        seen = share + rng.normal(0, 0.003, hours.size)
        rows += [f"{name},lit,{h:g},{p:.4f},0.003" for h, p in zip(hours, seen, strict=True)]
    rows += [f"e,dark,{h:g},{1 + rng.normal(0, 0.003):.4f},0.003" for h in hours]
    (lantern.parent / "power.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    text = lantern.read_text(encoding="utf-8")
    text = text.replace('device = "device_cells.csv"', 'device = "power.csv"')
    text = text.replace("[uncertainty]\ndraws = 300\n", "")
    lantern.write_text(text.partition("[electrode.curves]")[0], encoding="utf-8")
    result = ost.run(ost.load_scenario(lantern))
    assert result.rates is not None
    factor = result.rates.correction.measured_factor
    assert holds(factor, rate / TRUTH["coupon_rate_per_h"])
    assert any("power" in note for note in result.rates.notes)


# refusals -----------------------------------------------------------------------------------------

REFUSALS = [
    ("voc_v = 0.75", "voc_v = 0.0", "electrode.cell: open-circuit voltage"),
    ("voc_v = 0.75", "voc_v = 0.75, ideality_ = 2", "electrode.cell.ideality_: unknown key"),
    ("pitch_mm = 5.0", "pitch_mm = -5.0", "electrode.geometry: finger pitch"),
    (
        "start_sheet_resistance_ohm_sq = 120",
        "start_sheet_resistance_ohm_sq = -120",
        "electrode.start_sheet_resistance_ohm_sq",
    ),
    (
        "pitch = { finger_width_um = 150 }",
        "pitch = { horizon_h = 100 }",
        "electrode.pitch.finger_width_um: is missing",
    ),
    (
        'kind = "parallel_fingers", pitch_mm = 5.0',
        'kind = "one_edge", length_mm = 5.0',
        "electrode.pitch: needs a geometry of kind parallel_fingers",
    ),
    ('resistance = "witness_film.csv"\n', "", "electrode.curves: needs the sheet resistance"),
    (
        "[electrode.curves]\n",
        "[electrode.curves]\ntime_h = [0, 1]\n",
        "electrode.curves.time_h: must be a list of 7 numbers",
    ),
    (
        'coupon = "coupon_ageing.csv"',
        'coupon = "nothing.csv"',
        "rates.coupon: there is no file 'nothing.csv'",
    ),
    (
        'intensity_series = "intensity_ageing.csv"',
        'intensity_series = "intensity_ageing.csv"\nreciprocity_exponent = 1.0',
        "rates.intensity_series: reciprocity_exponent is stated and would be fitted",
    ),
    (
        "horizon_h = 4000",
        "horizon_h = 4000\nreciprocity_exponent = { value = 2, low = 0.5, high = 1 }",
        "does not lie between low 0.5 and high 1",
    ),
    (
        'device = "device_cells.csv"',
        'device = "device_cells.csv"\ncoupon_exposure = "coupon outdoors"',
        "rates.coupon_exposure: needs the comparison",
    ),
    ("draws = 300", "draws = 30", "uncertainty.draws"),
    ("draws = 300", "draws = 2000000", "uncertainty.draws: 2000000 draws are more than"),
    ("draws = 300", "thickness = -0.1", "uncertainty.thickness"),
]


@pytest.mark.parametrize(("old", "new", "message"), REFUSALS, ids=[r[2][:40] for r in REFUSALS])
def test_refusals_name_the_key(lantern: Path, old: str, new: str, message: str) -> None:
    text = lantern.read_text(encoding="utf-8")
    assert old in text
    lantern.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(OptistackError) as refused:
        ost.load_scenario(lantern)
    assert message in str(refused.value)


FILES = [
    ("witness_film.csv", "250,132.5", "250,", "witness_film.csv, line 8"),
    ("witness_film.csv", "250,132.5", "250,-132.5", "sheet_resistance_ohm_sq must be above 0"),
    ("witness_film.csv", "time_h,", "hours,", "column time_h is missing"),
    ("coupon_ageing.csv", ",50,182.5", ",50,-182.5", "readings must be positive"),
    ("coupon_ageing.csv", ",50,182.5", ",10,182.5", "hours must increase"),
    ("coupon_ageing.csv", ",50,182.5", ",50", "cells, expected"),
    ("coupon_ageing.csv", ",50,182.5", ",50,lots", "'lots'"),
    ("cell_1_jv_0250h.csv", "# hours: 250\n", "", "electrode.curves.time_h: is missing"),
    ("cell_1_jv_0250h.csv", "# hours: 250", "# hours: soon", "hours 'soon' is not a number"),
    ("cell_1_jv_0250h.csv", "current_density_ma_cm2", "current", "names no unit"),
    ("cut_on_ageing.csv", "lit,cut-on 340,", "lit,cut-on 345,", "filter 'cut-on 345' is not"),
]


@pytest.mark.parametrize(("name", "old", "new", "message"), FILES, ids=[f[3][:40] for f in FILES])
def test_files_are_refused_by_name(
    lantern: Path, name: str, old: str, new: str, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = lantern.parent / name
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    assert main(["check", str(lantern)]) == 1
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1
    assert "Traceback" not in said


def test_an_ageing_film_alone_refuses_the_curves_of_another_shape(lantern: Path) -> None:
    """Too few readings: no confident number."""
    path = lantern.parent / "coupon_ageing.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    kept = [x for x in lines if not x[0].isalpha() or x.startswith(("specimen", "coupon 1"))][:11]
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    with pytest.raises(OptistackError, match="too few"):
        ost.run(ost.load_scenario(lantern))
