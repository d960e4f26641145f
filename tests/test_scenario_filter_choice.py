"""The section [filter_choice]: what it reads, what it refuses, what it answers."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import optistack as ost
from optistack.errors import OptistackError, ScenarioError
from optistack.report import results_json, summary_text
from optistack.scenario.load import _Loader
from optistack.scenario.section import Section

HEAVY = ("rates", "electrode", "uncertainty", "site", "plan", "ledger")


def loaded(path: Path, change: Any = None, drop: tuple[str, ...] = HEAVY) -> ost.Scenario:
    """Lantern House, without what takes long, with its filter choice changed."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    for name in drop:
        data.pop(name, None)
    if change is not None:
        change(data["filter_choice"])
    return _Loader(path, "", (path.parent.resolve(),)).load(Section(data, ""))


@pytest.fixture(scope="module")
def shared() -> Path:
    return ost.tables.data_folder("shared") / "lantern_house" / "lantern_house.toml"  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def with_rates(shared: Path) -> ost.RunResult:
    return ost.run(loaded(shared, drop=("uncertainty", "site", "plan", "ledger")))


def test_the_demo_chooses(with_rates: ost.RunResult) -> None:
    answer = with_rates.filter_choice
    assert answer is not None
    choice = answer.choice
    assert choice.exposure == "device outdoors"
    assert choice.key == "measured"
    assert choice.aim.objective == "energy"
    best = choice.best
    assert best is not None and best.candidate is not None
    assert best.energy_kwh_m2 is not None and choice.unfiltered.energy_kwh_m2 is not None
    assert best.energy_kwh_m2.value > choice.unfiltered.energy_kwh_m2.value
    assert best.photocurrent_lost_fraction is not None
    assert best.photocurrent_lost_fraction.value <= 0.05
    assert choice.refined is not None and choice.runner_up is not None
    # The weights that are drawn are the measured one and its limits, each with its own kinetics.
    assert choice.robustness is not None
    assert set(choice.aim.losses) == set(choice.lives) and len(choice.lives) == 3
    assert [a.name for a in answer.ageing] == [
        "absorber in front PET, in front PET",
        "absorber in front PET, in front adhesive",
    ]
    assert len(answer.places) == 1
    assert answer.side_effects is not None
    assert any("light-soaking" in w for w in answer.side_effects.warnings)
    assert answer.validation is not None
    assert {r.specimens for r in answer.validation.rows} == {4, 6, 8}
    assert any("the predicted rate is taken" in n for n in answer.notes)
    assert any("1100 hours of device outdoors a year, as stated" in n for n in answer.notes)
    assert any("absorber classes are from memory" in n for n in with_rates.notes)
    assert len(answer.spectra) == 2
    sun = next(s for s in answer.spectra if s.exposure == choice.exposure)
    # What is drawn is what was judged.
    inside = (sun.wavelength_nm >= 280) & (sun.wavelength_nm <= 400)
    left = np.trapezoid(sun.after[inside], sun.wavelength_nm[inside])
    left /= np.trapezoid(sun.before[inside], sun.wavelength_nm[inside])
    assert left == pytest.approx(best.dose_left[sun.exposure]["280-400"].value, rel=0.02)


def test_its_part_of_the_report(with_rates: ost.RunResult) -> None:
    part = results_json(with_rates)["filter_choice"]
    answer = with_rates.filter_choice
    assert answer is not None
    assert part["best"]["name"] == answer.choice.best.name  # type: ignore[union-attr]
    ranks = [c["rank"] for c in part["candidates"] if c["rank"] is not None]
    # "no filter" has a rank too, and stands in no list of candidates.
    assert sorted(ranks) == sorted(set(ranks)) and min(ranks) == 1
    first = next(c for c in part["candidates"] if c["rank"] == 1)
    assert first["name"] == part["best"]["name"]
    assert set(part["courses"]["energy"]) == {
        "no filter", part["best"]["name"], part["runner_up"]["name"],
    }  # fmt: skip
    text = summary_text(with_rates)
    assert f"Best of {len(part['candidates'])} filters under sun" in text.replace("\n", " ")


def test_without_kinetics_it_is_dose_against_photocurrent(shared: Path) -> None:
    result = ost.run(loaded(shared))
    answer = result.filter_choice
    assert answer is not None
    assert answer.choice.aim.objective == "dose"
    assert answer.choice.key == "flat"
    assert answer.choice.lives == {}
    assert answer.ageing == () and answer.validation is None
    assert any("ageing of filters is not followed" in n for n in answer.notes)
    assert any("no test is planned" in n for n in answer.notes)
    part = results_json(result)["filter_choice"]
    assert part["courses"] is None and part["sun_hours_per_year"] is None


def test_the_devices_own_rate_makes_it_live_longer(shared: Path, with_rates: ost.RunResult) -> None:
    def measured(choice: dict[str, Any]) -> None:
        choice["rate"] = "measured"
        choice["draws"] = 0
        choice["ageing"] = []

    other = ost.run(loaded(shared, measured, ("uncertainty", "site", "plan", "ledger")))
    one, two = with_rates.filter_choice, other.filter_choice
    assert one is not None and two is not None
    own, predicted = two.choice.unfiltered.t80_years, one.choice.unfiltered.t80_years
    assert own is not None and predicted is not None
    # The residual factor is 0.64: the device ages as much slower.
    assert own.value / predicted.value == pytest.approx(1 / 0.641, rel=0.05)
    assert any("the device's own rate is taken" in n for n in two.notes)
    assert two.choice.robustness is None


def test_lamps_alone_get_the_sun(shared: Path) -> None:
    data = tomllib.loads(shared.read_text(encoding="utf-8"))
    for name in HEAVY:
        data.pop(name, None)
    data["question"]["filters_on"] = ["device in the chamber"]
    data["filter_choice"] = {"draws": 0, "edges": {"half_value_nm": [380], "width_10_90_nm": [10]}}
    scenario = _Loader(shared, "", (shared.parent.resolve(),)).load(Section(data, ""))
    answer = ost.run(scenario).filter_choice
    assert answer is not None
    assert answer.choice.exposure == "device in the chamber, under AM1.5G instead"
    assert set(answer.choice.evaluation.judged) == {
        "device in the chamber",
        "device in the chamber, under AM1.5G instead",
    }


def test_measured_ages_end_the_horizon(shared: Path) -> None:
    def aged(choice: dict[str, Any]) -> None:
        choice["draws"] = 0
        choice["ageing"] = [
            {"filter": "edge 395", "ages_h": [0, 2200], "aged": ["edge 395", "edge 375"]}
        ]

    answer = ost.run(loaded(shared, aged, ("uncertainty", "site", "plan", "ledger"))).filter_choice
    assert answer is not None
    [life] = answer.ageing
    assert life.years[-1] == pytest.approx(2200 / 1100)
    assert life.dose_left[-1] > life.dose_left[0]
    assert any("followed for 2 years, as long as it was measured" in n for n in answer.notes)


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"exposures": ["device on the moon"]}, "filter_choice.exposures"),
    ({"exposures": []}, "is missing: name the device's exposures"),
    ({"service": "coupon outdoors"}, "filter_choice.service"),
    ({"objective": "fame"}, "'fame' is not one of dose, energy, life"),
    ({"most_photocurrent_lost": 5}, "filter_choice.most_photocurrent_lost"),
    ({"rate": "guessed"}, "filter_choice.rate"),
    ({"edges": {"half_value_nm": [], "width_10_90_nm": [8]}}, "must not be empty"),
    (
        {"edges": {"half_value_nm": {"from": 400, "to": 300, "step": 1}, "width_10_90_nm": [8]}},
        "is no row of at most 2000 values",
    ),
    ({"edges": {"half_value_nm": [380], "width_10_90_nm": [8], "mounts": ["glued"]}}, "'glued'"),
    ({"absorbers": {"classes": ["sand"], "loading_percent": [1], "thickness_um": [9]}}, "sand"),
    ({"interference": {"edge_nm": [390], "layers": [4]}}, "give an odd number"),
    ({"ageing": [{"filter": "edge 375", "quantum_yield": 1e-6}]}, "is no absorber in a binder"),
    ({"ageing": [{"filter": "edge 375"}]}, "needs exactly one of quantum_yield, ages_h"),
    ({"needs_light": {"layer": "felt"}}, "felt"),
    ({"needs_light": {"layer": "oxide", "band_nm": [200, 210]}}, "is not one of question.bands_nm"),
    ({"validation": {"specimens": [1.5]}}, "is not a whole number of at least 2"),
    ({"edgse": {}}, "unknown key"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "said"), REFUSED, ids=[r[1][:30] for r in REFUSED])
def test_what_is_refused(shared: Path, change: dict[str, Any], said: str) -> None:
    with pytest.raises(OptistackError) as caught:
        loaded(shared, lambda choice: choice.update(copy.deepcopy(change)))
    assert said in str(caught.value)


def test_a_measured_rate_needs_a_device(shared: Path) -> None:
    data = tomllib.loads(shared.read_text(encoding="utf-8"))
    for name in ("electrode", "uncertainty", "site", "plan", "ledger"):
        data.pop(name, None)
    data["rates"] = {"coupon": "coupon_ageing.csv"}
    data["filter_choice"]["rate"] = "measured"
    scenario = _Loader(shared, "", (shared.parent.resolve(),)).load(Section(data, ""))
    with pytest.raises(ScenarioError, match="the device's own rate is not known"):
        ost.run(scenario)


def test_no_candidates(shared: Path) -> None:
    data = tomllib.loads(shared.read_text(encoding="utf-8"))
    for name in HEAVY:
        data.pop(name, None)
    data["question"]["filters"] = []
    data["filter_choice"] = {}
    with pytest.raises(ScenarioError, match="has no candidates"):
        _Loader(shared, "", (shared.parent.resolve(),)).load(Section(data, ""))
