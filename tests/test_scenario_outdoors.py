"""A site and a plan in a scenario: read, answered from the library, reported, refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

import optistack as ost
from optistack.analysis.outdoor import Site, site_light, site_year
from optistack.cli import main
from optistack.errors import OptistackError
from optistack.report import write_report
from optistack.tables import data_folder

SCENARIO = """
optistack_scenario = 1
title = "Two films under lamp and sky"

[materials.film]
table = "pedot_pss_interlayer_grade"
extend_below = "hold"

[stacks.coupon]
layers = [
  { name = "film", material = "film", thickness_nm = 100 },
  { name = "silica", material = "fused_silica", thickness_mm = 1 },
]

[stacks.device]
layers = [
  { name = "front", material = "pet", thickness_um = 100 },
  { name = "film", material = "film", thickness_nm = 100 },
  { name = "blend", material = "p3ht_pc61bm", thickness_nm = 150 },
]

[lights.lamp]
spectrum = "uva340"
set_point = { wavelength_nm = 340, spectral_irradiance_w_m2_nm = 0.89 }

[lights.other]
spectrum = "xenon_daylight"
set_point = { wavelength_nm = 340, spectral_irradiance_w_m2_nm = 0.5 }

[filters.edge]
edge = { half_value_nm = 380, width_10_90_nm = 10 }
mounts = ["laminated", "detached_far"]

[exposures.coupon]
stack = "coupon"
light = "lamp"
rear_share = 0.2
holder = { reflectance = 0.5 }

[exposures.device]
stack = "device"
light = "lamp"

[exposures."coupon, other"]
stack = "coupon"
light = "other"

[exposures."device, other"]
stack = "device"
light = "other"

[question]
layer = "film"
compare = [
  { coupon = "coupon", device = "device" },
  { coupon = "coupon, other", device = "device, other" },
]
weights = { slopes_nm = [15, 40] }
sensitivity = false

[site]
name = "field"
latitude_deg = 40
longitude_deg = 0
tilt_deg = 30
azimuth_deg = 180

[plan]
years = 2
cycles = ["ASTM G154, 1", "ASTM G155, 4", "ASTM G155, 1"]
reciprocity_exponent = { value = 0.9, low = 0.8, high = 1.0 }
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "scenario.toml"
    file.write_text(SCENARIO, encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> ost.RunResult:
    file = tmp_path_factory.mktemp("site") / "scenario.toml"
    file.write_text(SCENARIO, encoding="utf-8")
    return ost.run(ost.load_scenario(file))


def test_the_answer_is_that_of_the_library(result: ost.RunResult) -> None:
    assert result.site is not None
    light = site_light(Site("field", 40.0, 0.0, tilt_deg=30.0, azimuth_deg=180.0))
    device = result.scenario.exposures["device"]
    bare = site_year(light, {"device": device}, "film", weights=result.scenario.question.weights)
    here, there = result.site.device_dose, bare.doses["device"]
    assert here.absorbed_photons_m2 == pytest.approx(there.absorbed_photons_m2, rel=1e-12)
    assert here.weighted_m2 == pytest.approx(there.weighted_m2, rel=1e-12)
    assert here.incident_j_m2 == pytest.approx(there.incident_j_m2, rel=1e-12)


def test_the_chamber_stays_behind(result: ost.RunResult) -> None:
    """Light on the rear and a holder of a lamp exposure are not at the site, and a note says so."""
    assert result.site is not None
    coupon = ost.Exposure("bare", result.scenario.stacks["coupon"], ost.spectrum("am15g"))
    light = result.site.light
    bare = site_year(light, {"bare": coupon}, "film").doses["bare"]
    assert result.site.coupon_dose.dose_m2("300-400") == pytest.approx(bare.dose_m2("300-400"))
    assert any("belong to the lamp chamber" in note for note in result.notes)


def test_filters_stand_before_the_device(result: ost.RunResult) -> None:
    assert result.site is not None
    assert [(f.item.name, f.mount) for f in result.site.filters.values()] == [
        ("edge", "laminated"),
        ("edge", "detached_far"),
    ]
    for name in result.site.filters:
        left = result.site.year[name].dose_m2("300-400") / result.site.device_dose.dose_m2(
            "300-400"
        )
        assert 0.02 < left < 0.6


def test_one_filter_in_two_places(path: Path) -> None:
    """Both stand at the site, each with its own dose."""
    places = "filters = [" + ", ".join(
        f'{{ filter = "edge", mount = "in_substrate", in_layer = "{layer}" }}'
        for layer in ("front", "foil")
    )
    text = SCENARIO.replace("tilt_deg = 30", f"tilt_deg = 30\n{places}]").replace(
        '  { name = "film", material = "film", thickness_nm = 100 },\n  { name = "blend"',
        '  { name = "foil", material = "pet", thickness_um = 20 },\n'
        '  { name = "film", material = "film", thickness_nm = 100 },\n  { name = "blend"',
    )
    path.write_text(text.partition("[plan]")[0], encoding="utf-8")
    site = ost.run(ost.load_scenario(path)).site
    assert site is not None
    assert [f.layer for f in site.filters.values()] == ["front", "foil"]
    assert len(site.year.doses) == 4


def test_a_comparison_under_the_sun_gives_the_pair(path: Path) -> None:
    text = SCENARIO.replace("[question]", SUN + "\n[question]").replace(
        "compare = [\n", 'compare = [\n  { coupon = "coupon, sun", device = "device, sun" },\n'
    )
    path.write_text(text, encoding="utf-8")
    scenario = ost.load_scenario(path)
    assert scenario.site is not None
    assert scenario.site.pair == ("coupon, sun", "device, sun")
    assert scenario.plan is not None
    assert scenario.plan.lamp == ("coupon", "device")


SUN = """
[lights.sun]
spectrum = "am15g"

[exposures."coupon, sun"]
stack = "coupon"
light = "sun"

[exposures."device, sun"]
stack = "device"
light = "sun"
"""


def test_lamp_hours_follow_from_both_doses(result: ost.RunResult) -> None:
    """For energy, p does not matter: hours = J/m2 of the year over W/m2 of the lamp."""
    assert result.site is not None
    assert result.plan is not None
    rows = {r.criterion.label: r for r in result.plan.lamp_years.of("device")}
    row = rows["incident energy, 280-400 nm (lamp's band)"]
    lamp = result.exposures["device"].incident_irradiance_w_m2((280, 400))[0]
    year = result.site.device_dose.incident_j_m2["280-400"]
    assert row.lamp_hours_per_year.value == pytest.approx(year / lamp / 3600)
    absorbed = rows["absorbed photons, 300-400 nm"]
    q = result.site.device_dose.rate_m2_s("300-400")
    lamp_q = result.exposures["device"].absorbed_photons_m2_s("film", (300, 400))[0]
    share = result.site.light.lit_share[q > 0]  # of the hours of sunrise and sunset
    expected = ((q[q > 0] / share / lamp_q) ** 0.9 @ share).sum()
    assert absorbed.lamp_hours_per_year.value == pytest.approx(expected)


def test_the_plan_is_written(result: ost.RunResult, tmp_path: Path) -> None:
    names = write_report(result, tmp_path)
    assert {"plan_sheet.md", "reporting_sheet.md", "site.csv", "plan.csv"} <= set(names)
    sheet = (tmp_path / "plan_sheet.md").read_text(encoding="utf-8")
    assert "Ultraviolet lamps injure eyes and skin" in sheet
    assert "2 years at field" in " ".join(sheet.split())
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    for words in ("A year at the site", "Lamp hours and site years", "ASTM G155, 4"):
        assert words in page
    data = json.loads((tmp_path / "results.json").read_text(encoding="utf-8"))
    months = data["site"]["exposures"]["device"]["absorbed"]["300-400"]["monthly_photons_m2"]
    year = data["site"]["exposures"]["device"]["absorbed"]["300-400"]["photons_m2"]
    assert np.sum(months) == pytest.approx(year, rel=1e-12)
    assert [x["cycle"] for x in data["plan"]["left_out"]] == ["ASTM G155, 4"]


def test_two_lamps_at_one_nominal_dose(path: Path) -> None:
    other = 'other_lamp = { coupon = "coupon, other", device = "device, other" }\n'
    path.write_text(SCENARIO + other, encoding="utf-8")
    result = ost.run(ost.load_scenario(path))
    assert result.plan is not None
    assert result.plan.lamps is not None
    rows = {r.criterion.label: r for r in result.plan.lamps.rows if r.specimen == "coupon"}
    energy = next(v for k, v in rows.items() if k.startswith("incident energy, 300-400"))
    assert energy.ratio.value == pytest.approx(1.0)
    short = rows["absorbed photons, 300-400 nm"]
    assert short.ratio.value != pytest.approx(1.0, abs=0.01)


def test_check_says_what_is_assumed(path: Path) -> None:
    found = {f.where: [] for f in ost.check(ost.load_scenario(path))}
    for finding in ost.check(ost.load_scenario(path)):
        found[finding.where].append(finding.text)
    assert any("clear sky all year" in text for text in found["site"])
    assert found["plan"] == ["no temperatures: lamp and site count as equally warm"]


def test_temperatures_of_lamp_and_site(path: Path) -> None:
    """A constant temperature: one factor of Arrhenius for every way of counting absorbed light."""
    warm = "temperature = { lamp_c = 60, site_c = 20, activation_energy_kj_mol = 40 }\n"
    path.write_text(SCENARIO + warm, encoding="utf-8")
    result = ost.run(ost.load_scenario(path))
    assert result.plan is not None
    factor = np.exp(40e3 / 8.314462618 * (1 / 333.15 - 1 / 293.15))  # CODATA 2018
    for row in result.plan.lamp_years.rows:
        if row.criterion.incident:
            assert row.temperature_factor is None
        else:
            assert row.temperature_factor is not None
            assert row.temperature_factor.value == pytest.approx(factor, rel=1e-9)
    path.write_text(SCENARIO + "temperature = { lamp_c = 60, site_c = 20 }\n", encoding="utf-8")
    with pytest.raises(OptistackError, match=r"plan.temperature: needs activation_energy_kj_mol"):
        ost.run(ost.load_scenario(path))
    text = warm.replace(", site_c = 20", "")
    path.write_text(SCENARIO + text, encoding="utf-8")
    with pytest.raises(OptistackError, match=r"plan.temperature: needs site_c, or a climate"):
        ost.run(ost.load_scenario(path))


# the command --------------------------------------------------------------------------------------


def test_the_command_prints_and_writes(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", str(path)]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("# Exposure plan")
    assert "# What to state" in shown
    out = tmp_path / "sheets"
    assert main(["plan", str(path), "--out", str(out), "--cycle", "ASTM G155, 1"]) == 0
    assert "ASTM G155, 1" in (out / "plan_sheet.md").read_text(encoding="utf-8")
    capsys.readouterr()
    assert main(["plan", str(path), "--out", str(out)]) == 1
    assert "replace it with --force" in capsys.readouterr().err
    assert main(["plan", str(path), "--out", str(out), "--force", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert len(answer["files"]) == 2
    assert answer["plan"]["rows"]
    assert main(["plan", str(path), "--list"]) == 0
    listed = capsys.readouterr().out
    assert "ASTM G154, 1" in listed
    assert "[from memory, unverified]" in listed
    assert "ASTM G155, 4: not planned" in listed


def test_the_command_needs_a_plan(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_text(SCENARIO.partition("[plan]")[0], encoding="utf-8")
    assert main(["plan", str(path)]) == 1
    assert "plan: is missing" in capsys.readouterr().err


# refusals -----------------------------------------------------------------------------------------

REFUSALS = [
    ("latitude_deg = 40", "latitude_deg = 140", "site: site field: latitude_deg 140"),
    ("latitude_deg = 40\n", "", "site.latitude_deg: is missing"),
    ("azimuth_deg = 180", "", "needs azimuth_deg"),
    ("tilt_deg = 30", 'tilt_deg = 30\ntimezone = "Mars/Base"', "unknown time zone"),
    ("tilt_deg = 30", "tilt_deg = 30\nhorizon = [[10]]", "site.horizon[0]: must be a point"),
    ("tilt_deg = 30", "tilt_deg = 30\nhorizon = 4", "site.horizon: must be a list"),
    ("tilt_deg = 30", "tilt_deg = 30\nyear = 1850", "site.year"),
    ("tilt_deg = 30", "tilt_deg = 30\nstep_h = 5", "site.step_h"),
    ("tilt_deg = 30", "tilt_deg = 30\ncoupon = 'x'", "site.coupon: exposure 'x' is not defined"),
    ("tilt_deg = 30", "tilt_deg = 30\nfilters = ['x']", "site.filters[0]: filter 'x'"),
    ("tilt_deg = 30", "tilt_deg = 30\nclimate = { file = 'x.csv' }", "site.climate.file"),
    ("tilt_deg = 30", "tilt_deg = 30\nslope = 3", "site.slope: unknown key"),
    (
        "tilt_deg = 30",
        "tilt_deg = 30\nclimate = { monthly_ghi_kwh_m2 = [1, 2] }",
        "site.climate.monthly_ghi_kwh_m2: must be a list of 12 numbers",
    ),
    ("years = 2", "years = -2", "plan.years"),
    ("years = 2", "years = 2\nlight_hours = 3", "exclude each other"),
    ('"ASTM G154, 1"', '"ASTM G154, 99"', "plan.cycles[0]: cycle 'ASTM G154, 99'"),
    ("years = 2", "years = 2\nlamps = { tungsten = 'lamp' }", "plan.lamps.tungsten: lamp of a"),
    ("years = 2", "years = 2\nreporting = { weather = 'wet' }", "plan.reporting.weather: unknown"),
    ("years = 2", "years = 2\nlamp = { coupon = 'x' }", "plan.lamp.coupon: exposure 'x'"),
    ("low = 0.8", "low = 0.95", "does not lie between"),
    ("[site]", "[elsewhere]", "needs a section [site]"),
]


@pytest.mark.parametrize(("old", "new", "message"), REFUSALS, ids=[r[2][:40] for r in REFUSALS])
def test_refusals_name_the_key(path: Path, old: str, new: str, message: str) -> None:
    assert old in SCENARIO
    text = SCENARIO.replace(old, new)
    if "[elsewhere]" in new:
        head, _, rest = SCENARIO.partition("[site]")
        text = head + rest[rest.index("[plan]") :]
    path.write_text(text, encoding="utf-8")
    with pytest.raises(OptistackError) as refused:
        ost.load_scenario(path)
    assert message in str(refused.value)


def test_a_sheet_for_a_cycle_that_is_not_planned(path: Path) -> None:
    path.write_text(SCENARIO + 'sheet = { cycle = "ASTM G155, 4" }\n', encoding="utf-8")
    with pytest.raises(OptistackError, match="cannot be planned: no spectrum here"):
        ost.run(ost.load_scenario(path))


def test_a_climate_file_of_the_scenario(path: Path) -> None:
    """Half the clear-sky irradiance: the dose falls by less in 300-400 nm than by half."""
    light = site_light(Site("field", 40.0, 0.0), range_nm=(300.0, 4000.0))
    total = light.irradiance_w_m2((300, 4000))
    rows = ["# timezone: UTC", "# stamp: middle", "time,ghi_w_m2"]
    rows += [f"{t}Z,{0.5 * e:.3f}" for t, e in zip(light.time, total, strict=True)]
    (path.parent / "half.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    text = SCENARIO.replace("tilt_deg = 30", "tilt_deg = 30\nclimate = { file = 'half.csv' }")
    text = text.partition("[plan]")[0]
    path.write_text(text, encoding="utf-8")
    cloudy = ost.run(ost.load_scenario(path))
    path.write_text(SCENARIO.partition("[plan]")[0], encoding="utf-8")
    clear = ost.run(ost.load_scenario(path))
    assert cloudy.site is not None
    assert clear.site is not None
    left = (
        cloudy.site.device_dose.incident_j_m2["300-400"]
        / (clear.site.device_dose.incident_j_m2["300-400"])
    )
    assert 0.5 < left < 0.75
    assert any(item.used_as == "climate" for item in cloudy.scenario.inputs)


def test_the_demo_holds_both(tmp_path: Path) -> None:
    folder = tmp_path / "lh"
    shutil.copytree(data_folder("shared") / "lantern_house", folder)
    scenario = ost.load_scenario(folder / "lantern_house.toml")
    assert scenario.site is not None
    assert scenario.plan is not None
