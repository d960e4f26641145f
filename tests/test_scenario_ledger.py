"""The exposure log of a scenario: read, added up, refused."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from conftest import LANTERN_HOUSE, ROOT

import optistack as ost
from optistack.report import results_json
from optistack.report.document import report_html
from optistack.report.tables_csv import csv_texts

SCENARIO = """optistack_scenario = 1
title = "log"
[stacks.film]
layers = [{ name = "film", material = "ito", thickness_nm = 100 }]
[lights.lamp]
spectrum = "uva340"
set_point = { wavelength_nm = 340, spectral_irradiance_w_m2_nm = 0.5 }
[filters.edge]
edge = { half_value_nm = 340, width_10_90_nm = 10 }
[filters.layers]
layers = [{ name = "coat", material = "ito", thickness_nm = 100 }]
[exposures.one]
stack = "film"
light = "lamp"
[question]
layer = "film"
[ledger]
file = "log.csv"
"""
LOG = """start,hours,lamp,set_point,set_point_unit,at_nm,filter,specimen
2026-03-27T08:00,71,lamp,0.89,W/m2/nm,340,,a; b
2026-03-30T10:00,20,lamp,0.89,W/m2/nm,340,edge,a
"""
TUBE = "lamp_hours,output_factor\n0,1\n100,0.5\n"


def load(folder: Path, *edits: tuple[str, str], log: str = LOG, more: str = "") -> ost.Scenario:
    text = SCENARIO + more
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    (folder / "log.csv").write_text(log, "utf-8")
    (folder / "tube.csv").write_text(TUBE, "utf-8")
    (folder / "scenario.toml").write_text(text, "utf-8")
    return ost.load_scenario(folder / "scenario.toml")


def test_the_log_of_a_scenario(tmp_path: Path) -> None:
    scenario = load(tmp_path, more='timezone = "Europe/Paris"\nbands_nm = [[300, 400]]\nheld = ["lamp"]\n')  # fmt: skip
    result = ost.run(scenario)
    assert result.ledger is not None
    # The level is that of the log, not the scenario's.
    light = ost.spectrum("uva340").at_set_point(340, 0.89)
    found = result.ledger.of("b").radiant_exposure_j_m2["300-400"].value
    assert found == pytest.approx(light.irradiance_w_m2((300, 400)) * 71 * 3600, rel=1e-12)
    assert result.ledger.of("a").hours == 91
    assert any(n.startswith("ledger: lamp lamp: held at its set point") for n in result.notes)
    assert [i.name for i in scenario.inputs if i.used_as == "exposure log"] == ["log.csv"]


def test_the_report_of_a_log(tmp_path: Path) -> None:
    late = LOG.replace("lamp,0.89,W/m2/nm,340,edge,a", "lamp,0.89,W/m2/nm,340,edge,=a<b>")
    result = ost.run(load(tmp_path, log=late, more='timezone = "Europe/Paris"\n'))
    data = results_json(result)
    schema = json.loads((ROOT / "docs" / "results.schema.json").read_text(encoding="utf-8"))
    part = {"$ref": "#/$defs/ledger", "$defs": schema["$defs"]}
    jsonschema.validate(data["ledger"], part)
    assert [s["specimen"] for s in data["ledger"]["specimens"]] == ["=a<b>", "a", "b"]
    page = report_html(data, [])
    assert "Doses from the exposure log" in page
    assert "=a&lt;b&gt;" in page and "=a<b>" not in page
    tables = csv_texts(result, data, {})
    assert tables["ledger.csv"].startswith("specimen,orientation,angle_deg,hours,band_nm")
    assert "\n'=a<b>," in tables["ledger.csv"]  # no formula for a spreadsheet
    bare = results_json(ost.run(load(tmp_path, ('[ledger]\nfile = "log.csv"\n', ""))))
    assert bare["ledger"] is None
    assert "Doses from the exposure log" not in report_html(bare, [])


def test_a_lamp_that_ages(tmp_path: Path) -> None:
    more = 'timezone = "UTC"\n[ledger.ageing.lamp]\nfile = "tube.csv"\nhours_before = 9\n'
    scenario = load(tmp_path, more=more)
    result = ost.run(scenario)
    assert result.ledger is not None
    line = result.ledger.lines[0]
    assert line.mean_factor == pytest.approx(1 - 0.005 * (9 + 71 / 2), rel=1e-14)
    assert "ageing of a lamp" in {i.used_as for i in scenario.inputs}


def test_a_scenario_without_a_log(tmp_path: Path) -> None:
    assert ost.run(load(tmp_path, ('[ledger]\nfile = "log.csv"\n', ""))).ledger is None


@pytest.mark.parametrize(
    ("message", "edit", "more"),
    [
        ("ledger: .*log.csv, line 2: start.*no time zone", None, ""),
        ("ledger.file: light 'lamp' is not defined", ("lights.lamp]", "lights.tube]"), ""),
        ("ledger.file: filter 'edge' is not defined", ("filters.edge]", "filters.web]"), ""),
        ("ledger.file: there is no file 'x.csv'", ('"log.csv"', '"x.csv"'), ""),
        ("ledger.file: file '../log.csv' lies outside", ('"log.csv"', '"../log.csv"'), ""),
        ("ledger.held\\[0\\]: lamp of the log 'sun' is not defined", None, 'held = ["sun"]\n'),
        ("is held; it has no table", None, 'held = ["lamp"]\nageing.lamp = { file = "tube.csv" }\n'),
        ("ledger.overlap: .*refuse", None, 'overlap = "merge"\n'),
        ("unknown key", None, "angle = 3\n"),
    ],
)  # fmt: skip
def test_refusals(tmp_path: Path, message: str, edit: tuple[str, str] | None, more: str) -> None:
    edits = [] if edit is None else [edit]
    if edit is not None and edit[1] == "lights.tube]":
        edits.append(('light = "lamp"', 'light = "tube"'))
    if "no time zone" not in message:
        more = f'timezone = "UTC"\n{more}'
    with pytest.raises(ost.OptistackError, match=message):
        load(tmp_path, *edits, more=more)


def test_a_filter_by_its_layers_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ost.ScenarioError, match="'layers' of the log is given by its layers"):
        load(tmp_path, log=LOG.replace(",edge,", ",layers,"), more='timezone = "UTC"\n')


def test_what_the_ledger_refuses_stops_the_run(tmp_path: Path) -> None:
    tube = 'timezone = "UTC"\n[ledger.ageing.lamp]\nfile = "tube.csv"\nhours_before = 50\n'
    with pytest.raises(ost.TableError, match="line 2: tube.csv: needed 50 h to 121 h"):
        ost.run(load(tmp_path, more=tube))
    held = load(tmp_path, more=tube + 'outside = "hold"\n')
    result = ost.run(held)
    assert result.ledger is not None
    assert any("held at its end value" in n for n in result.ledger.notes)


def test_the_log_of_lantern_house(lantern: Path) -> None:
    scenario = ost.load_scenario(lantern)
    assert scenario.ledger is not None
    ledger = ost.dose_ledger(scenario.ledger.log, scenario.ledger.lamps, scenario.ledger.filters)
    assert len(ledger.specimens) == 32
    assert (LANTERN_HOUSE / "exposure_log.csv").is_file()
