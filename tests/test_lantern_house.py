"""The invented ageing files of Lantern House: the script gives them again, and they keep its law."""

from __future__ import annotations

import csv
import importlib.util
import sys
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from conftest import LANTERN_HOUSE, ROOT

import optistack as ost
from optistack.spectra import DAMAGE_BAND_NM, Weight

# Digits to which truth.toml is written.
WRITTEN = 2e-5


@pytest.fixture(scope="module")
def script() -> ModuleType:
    path = ROOT / "scripts" / "make_lantern_house.py"
    spec = importlib.util.spec_from_file_location("make_lantern_house", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return tomllib.loads((LANTERN_HOUSE / "truth.toml").read_text(encoding="utf-8"))


def rows(name: str) -> list[dict[str, str]]:
    lines = (LANTERN_HOUSE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(x for x in lines if not x.startswith("#")))


def rates(name: str) -> dict[tuple[str, str], list[float]]:
    """Slope of ln R against hours of every specimen, by role and group [1/h]."""
    found: dict[str, list[dict[str, str]]] = {}
    for row in rows(name):
        found.setdefault(row["specimen"], []).append(row)
    out: dict[tuple[str, str], list[float]] = {}
    for records in found.values():
        hours = [float(r["hours"]) for r in records]
        logs = np.log([float(r["sheet_resistance_ohm_sq"]) for r in records])
        slope = float(np.polyfit(hours, logs, 1)[0])
        out.setdefault((records[0]["role"], records[0]["group"]), []).append(slope)
    return out


def test_the_script_gives_the_same_files_again(
    script: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = {"lantern_house.toml", "README.md"}
    (tmp_path / "lantern_house.toml").write_bytes(
        (LANTERN_HOUSE / "lantern_house.toml").read_bytes()
    )
    monkeypatch.setattr(sys, "argv", ["make_lantern_house.py", "--out", str(tmp_path)])
    script.main()
    names = {p.name for p in LANTERN_HOUSE.iterdir()}
    assert {p.name for p in tmp_path.iterdir()} == names - {"README.md"}
    for name in sorted(names - given):
        assert (tmp_path / name).read_bytes() == (LANTERN_HOUSE / name).read_bytes(), name


def test_every_file_says_that_it_is_invented() -> None:
    for path in LANTERN_HOUSE.iterdir():
        assert "invented" in path.read_text(encoding="utf-8").lower(), path.name


def test_the_readme_names_every_file() -> None:
    text = (LANTERN_HOUSE / "README.md").read_text(encoding="utf-8")
    for path in LANTERN_HOUSE.iterdir():
        if path.name.startswith(("cut_on_3", "cell_1_jv")):
            continue  # named by their first and last
        assert path.name in text or path.name == "README.md"


def test_the_device_follows_from_the_doses_of_the_scenario(truth: dict[str, Any]) -> None:
    """The truth is the law applied to what the package computes for the scenario's own stacks."""
    exposures = ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml").exposures
    weight = Weight("truth", DAMAGE_BAND_NM, slope_nm=truth["weight_slope_nm"])
    compared = ost.compare(
        exposures["coupon in the chamber"],
        exposures["device in the chamber"],
        "electrode",
        bands_nm=[DAMAGE_BAND_NM],
        weights=[weight],
        sensitivity=False,
    )
    ratio = compared.weighted_ratio["truth"].value
    assert ratio == pytest.approx(truth["computed"]["q_ratio_weighted"], rel=WRITTEN)
    gas_j_mol_k = 8.314462618
    kelvin = [truth[f"{x}_temperature_c"] + 273.15 for x in ("coupon", "device")]
    warmth = np.exp(
        truth["activation_energy_kj_mol"] * 1e3 / gas_j_mol_k * (1 / kelvin[0] - 1 / kelvin[1])
    )
    predicted = ratio ** truth["reciprocity_exponent"] * warmth
    assert predicted == pytest.approx(truth["computed"]["predicted_rate_factor"], rel=WRITTEN)
    device = truth["coupon_rate_per_h"] * predicted * truth["residual_factor"]
    assert device == pytest.approx(truth["computed"]["device_rate_per_h"], rel=WRITTEN)


def tolerance(truth: dict[str, Any], noise: float, hours: float, count: int) -> float:
    """Five standard errors of a mean rate: specimens of 4 %, readings over the longest time."""
    return 5 * float(np.hypot(truth["specimen_spread"], noise / hours) / np.sqrt(count))


@pytest.mark.parametrize("series", ["intensity", "temperature", "cut_on"])
def test_series_carry_their_rates(series: str, truth: dict[str, Any]) -> None:
    measured = rates(f"{series}_ageing.csv")
    expected = truth[f"{series}_rate_per_h"]
    groups = [g for role, g in measured if role == "lit"]
    assert len(groups) == len(expected)
    for group, rate in zip(groups, expected.values(), strict=True):
        mean = np.mean(measured["lit", group]) - truth["coupon_dark_rate_per_h"]
        # ln R rises by at least 0.7 in every series: 2 % noise on it is a few per cent at most.
        assert mean == pytest.approx(rate, rel=tolerance(truth, 0.02, 0.7, 3)), group
    dark = np.mean(measured["dark", "dark"])
    assert dark == pytest.approx(truth["coupon_dark_rate_per_h"], abs=1e-4)


def test_coupons_and_cells_carry_their_rates(truth: dict[str, Any]) -> None:
    coupons = rates("coupon_ageing.csv")
    lit = np.mean(coupons["lit", ""]) - np.mean(coupons["dark", ""])
    assert lit == pytest.approx(truth["coupon_rate_per_h"], rel=tolerance(truth, 0.02, 4.0, 6))
    cells = rates("device_cells.csv")
    names = list(dict.fromkeys(r["specimen"] for r in rows("device_cells.csv")))
    by_name = dict(zip(names, cells["lit", ""] + cells["dark", ""], strict=True))
    light = truth["computed"]["device_rate_per_h"] + truth["device_dark_rate_per_h"]
    sound = [by_name[f"cell {i}"] for i in (1, 2, 4, 5, 7, 8)]
    assert np.mean(sound) == pytest.approx(light, rel=tolerance(truth, 0.04, 0.7, 6))
    for name, more in truth["rim_ingress_rate_per_h"].items():
        assert by_name[name] == pytest.approx(light + more, rel=0.1)


def test_the_log_gives_every_specimen_its_hours() -> None:
    scenario = ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml")
    log = ost.read_log(LANTERN_HOUSE / "exposure_log.csv")
    filters = {n: f for n, f in scenario.filters.items() if n.startswith("cut-on")}
    lamp = scenario.lights["UVA-340 lamp"]
    ledger = ost.dose_ledger(log, {"UVA-340 lamp": lamp}, filters)
    expected: dict[str, float] = {}
    for name in ("coupon_ageing.csv", "device_cells.csv", "cut_on_ageing.csv"):
        for row in rows(name):
            if row["role"] == "lit":
                last = expected.get(row["specimen"], 0.0)
                expected[row["specimen"]] = max(last, float(row["hours"]))
    assert {d.specimen: d.hours for d in ledger.doses} == expected
    assert ledger.overlaps == ()
    # The coupons of the scenario's exposure: 500 h of its light.
    incident = lamp.irradiance_w_m2((300, 400)) * 500 * 3600
    dose = ledger.of("coupon 1").radiant_exposure_j_m2["300-400"].value
    assert dose == pytest.approx(incident, rel=1e-12)
    # five readings between the first and the last of cell 1, and the power cut
    cell = [g.hours for g in ledger.gaps if g.specimen == "cell 1"]
    assert sorted(cell) == [2.0] * 5 + [13.5]
    assert any("invented" in n for n in ledger.notes)


def test_two_cells_lose_at_the_rim() -> None:
    at_rim = {
        r["specimen"]
        for r in rows("device_cells.csv")
        if r["role"] == "lit" and float(r["rim_loss_share"]) > 1.15 * float(r["centre_loss_share"])
    }
    assert at_rim == {"cell 3", "cell 6"}


def test_jv_curves_solve_the_distributed_cell(script: ModuleType, truth: dict[str, Any]) -> None:
    """The finger's current is the mean of the local current, and the first-order loss appears."""
    voltage = np.linspace(0.0, 0.75, 301)
    none, start = script.jv_curve(1e-6, voltage), script.jv_curve(120.0, voltage)
    diode = truth["cell"]["ideality"] * 8.617333262e-5 * truth["cell"]["temperature_k"]
    local = 9.0 * (1 - np.expm1(voltage / diode) / np.expm1(0.75 / diode))
    np.testing.assert_allclose(none, local, atol=5e-4)  # linear between voltages 0.5 mV apart
    power, least = (voltage * none).max(), (voltage * start).max()
    at = int(np.argmax(voltage * none))
    first_order = 120.0 * none[at] * 1e-3 * 0.5**2 / (12 * voltage[at])
    # Second-order terms are of the order of the square of the loss.
    assert 1 - least / power == pytest.approx(first_order, abs=2 * first_order**2)


def test_jv_files_lose_fill_factor() -> None:
    previous = np.inf
    for path in sorted(LANTERN_HOUSE.glob("cell_1_jv_*h.csv")):
        table = rows(path.name)
        v = np.array([float(r["voltage_v"]) for r in table])
        j = np.array([float(r["current_density_ma_cm2"]) for r in table])
        assert np.interp(0.0, v, j) == pytest.approx(9.0, abs=0.05)
        assert np.interp(0.0, -j, v) == pytest.approx(0.75, abs=0.003)
        power = float((v * j).max())
        assert power < previous
        previous = power
    assert previous < np.inf
