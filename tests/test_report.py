"""Reports: JSON against schema and results, page, CSV, figures, hostile names, missing parts."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import subprocess
import sys
import tomllib
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator, Mapping
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
from conftest import LANTERN_HOUSE, ROOT
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

import optistack as ost
from optistack.report import SCHEMA, drawing, results_json, summary_text, write_report
from optistack.report.data_views import external_transmittance
from optistack.report.tables_csv import cell
from optistack.report.wording import (
    answer,
    current_change,
    number,
    percent,
    show,
    side_of_one,
    span,
    summarise,
)
from optistack.scenario import RunResult
from optistack.spectral_math import AVOGADRO_MOL
from optistack.weathering_cycles import standard_cycles

# Variants are of the optical part; rates and electrode are in the whole and in a file of their own.
LANTERN_TOML = (
    (LANTERN_HOUSE / "lantern_house.toml").read_text(encoding="utf-8").partition("# --- rates:")[0]
)
OPTICAL_FIGURES = [
    *("stacks", "spectra", "budget", "absorbed", "depth", "why", "filters", "certainty"),
]
AGEING_FIGURES = [
    *("causes", "convergence", "factors", "kinetics", "activation", "course"),
    *("knee", "life", "pitch", "cause"),
]
CHOICE_FIGURES = [
    *("choice", "choice_energy", "choice_stability", "choice_spectra", "choice_ageing"),
]
ALL_FIGURES = [*OPTICAL_FIGURES, *AGEING_FIGURES, "year", "lamp_years", *CHOICE_FIGURES]
BANDS = ["280-315", "315-400", "300-400", "280-400", "400-700"]

SCRIPT = "<script>alert(1)</script>"
FORMULA = "=cmd|' /C calc'!A0"
AT = '@SUM(1+1)&"quoted"'
MATH = "+lamp $x^2$ \N{CJK UNIFIED IDEOGRAPH-5C64} \\frac{"
TITLE = "<img src=x onerror=alert(1)>"
DESCRIPTION = "</style></p><script src='//example.invalid/x.js'></script> & \"more\""
HOSTILE = f"""
optistack_scenario = 1
title = {json.dumps(TITLE)}
description = {json.dumps(DESCRIPTION)}

[stacks."-coupon"]
layers = [
  {{ name = {json.dumps(SCRIPT)}, material = "ito", thickness_nm = 100 }},
  {{ name = "silica", material = "fused_silica", thickness_mm = 1.0 }},
]
[stacks.device]
layers = [
  {{ name = "=1+1", material = "pet", thickness_um = 50 }},
  {{ name = {json.dumps(SCRIPT)}, material = "ito", thickness_nm = 200 }},
  {{ name = "ink", material = "p3ht_pc61bm", thickness_nm = 150 }},
]
[lights.{json.dumps(MATH, ensure_ascii=False)}]
spectrum = "uva340"
set_point = {{ wavelength_nm = 340, spectral_irradiance_w_m2_nm = 0.89 }}

[filters.{json.dumps(AT)}]
edge = {{ half_value_nm = 360, width_10_90_nm = 10 }}

[exposures.{json.dumps(FORMULA)}]
stack = "-coupon"
light = {json.dumps(MATH, ensure_ascii=False)}
hours = 100
[exposures."-2+3"]
stack = "device"
light = {json.dumps(MATH, ensure_ascii=False)}

[photocurrent.device]
active_layers = ["ink"]
range_nm = [320, 400]

[question]
layer = {json.dumps(SCRIPT)}
compare = [{{ coupon = {json.dumps(FORMULA)}, device = "-2+3" }}]
filters_on = ["-2+3"]
bands_nm = [[300, 400], [280, 400]]
"""


def run_toml(folder: Path, text: str) -> RunResult:
    """Run a scenario beside copies of the Lantern House files."""
    for file in LANTERN_HOUSE.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    path = folder / "scenario.toml"
    path.write_text(text, encoding="utf-8")
    return ost.run(ost.load_scenario(path))


def written(result: RunResult, folder: Path) -> Path:
    folder.mkdir()
    names = write_report(result, folder)
    assert sorted(names) == sorted(p.name for p in folder.iterdir())
    return folder


def without(text: str, *patterns: str) -> str:
    """A scenario without some of its parts; every pattern must be there."""
    for pattern in patterns:
        text, count = re.subn(pattern, "", text, flags=re.DOTALL)
        assert count == 1, pattern
    return text


NO_COMPARE = r"compare = \[.*?\n\]\n"
NO_FILTERS = r"filters_on = [^\n]*\n"
NO_CURRENT = r"\[photocurrent\.device\].*?(?=# --- the question)"


@pytest.fixture(scope="module")
def result() -> RunResult:
    return ost.run(ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml"))


@pytest.fixture(scope="module")
def data(result: RunResult) -> dict[str, Any]:
    return results_json(result)


@pytest.fixture(scope="module")
def folder(result: RunResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(result, tmp_path_factory.mktemp("report") / "out")


@pytest.fixture(scope="module")
def page(folder: Path) -> str:
    return (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunResult, Path]:
    base = tmp_path_factory.mktemp("hostile")
    result = run_toml(base, HOSTILE)
    return result, written(result, base / "out")


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunResult, Path]:
    """No comparison, no filters, no photocurrent."""
    base = tmp_path_factory.mktemp("bare")
    result = run_toml(base, without(LANTERN_TOML, NO_COMPARE, NO_FILTERS, NO_CURRENT))
    return result, written(result, base / "out")


@pytest.fixture(scope="module")
def diode(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunResult, Path]:
    """A narrow lamp in place of the sun, no photocurrent, a device lit from the back at 45 degrees
    through two filters."""
    text = without(LANTERN_TOML, NO_CURRENT)
    lamp = (
        "led = { centre_nm = 365, width_nm = 10 }\n"
        "irradiance = { band_nm = [340, 390], irradiance_w_m2 = 50 }"
    )
    text = text.replace('[lights.sun]\nspectrum = "am15g"', f"[lights.sun]\n{lamp}")
    text = text.replace(
        'stack = "device"\nlight = "sun"',
        'stack = "device"\nlight = "sun"\nangle_deg = 45\nlit_from = "back"\n'
        'filters = ["edge 375", { filter = "web sample", mount = "detached_far" }]',
    )
    assert "centre_nm" in text
    assert "lit_from" in text
    base = tmp_path_factory.mktemp("diode")
    result = run_toml(base, text)
    return result, written(result, base / "out")


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """12 layers and 12 filters with names of up to 80 characters."""
    asked = "transparent conducting electrode with a rather long name, to see what room it has"[:80]
    text = LANTERN_TOML.replace('name = "electrode",', f'name = "{asked}",')
    text = text.replace('layer = "electrode"', f'layer = "{asked}"')
    lamp = "fluorescent lamp of standard type 1A, model spectrum, at the usual set point"
    text = text.replace("UVA-340 lamp", lamp)
    layers = "".join(
        f'  {{ name = "layer number {i} of those in front, with a name of some length to it, yes", '
        'material = "pet", thickness_um = 5 },\n'
        for i in range(3)
    )
    text = text.replace('  { name = "front PET", ', f'{layers}  {{ name = "front PET", ', 1)
    filters = "".join(
        f'[filters."sharp edge filter with a long descriptive name, half-value at {w} nm"]\n'
        f"edge = {{ half_value_nm = {w}, width_10_90_nm = 9 }}\n"
        for w in (360, 381, 388, 409)
    )
    text = text.replace("# --- exposures", f"{filters}# --- exposures", 1)
    named = re.findall(r'\[filters\.("sharp[^"]*")\]', filters)
    text = text.replace("filters = [\n", f"filters = [\n  {', '.join(named)},\n", 1)
    found = run_toml(tmp_path_factory.mktemp("crowded"), text)
    assert len(found.scenario.stacks["device"].layers) == 12
    assert len(found.scenario.question.candidates) == 12
    return found


# results.json --------------------------------------------------------------------------------


def strict(text: str) -> Any:
    def refuse(word: str) -> Any:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


def numbers(value: Any) -> Iterator[float]:
    """Every number below a value."""
    if isinstance(value, bool):
        return
    if isinstance(value, (int, float)):
        yield float(value)
    elif isinstance(value, Mapping):
        for item in value.values():
            yield from numbers(item)
    elif isinstance(value, list):
        for item in value:
            yield from numbers(item)


def middle(value: Any) -> Any:
    return value["value"] if isinstance(value, Mapping) else value


def test_json_is_strict_and_says_its_version(folder: Path, data: dict[str, Any]) -> None:
    read = strict((folder / "results.json").read_text(encoding="utf-8"))
    assert read == json.loads(json.dumps(data))
    assert read["schema"] == SCHEMA == "optistack-results/1"
    assert read["generated_by"] == f"optistack {ost.__version__}"
    assert read["invented"] is True
    assert all(math.isfinite(x) for x in numbers(read))
    assert str(ROOT) not in json.dumps(read)


@pytest.mark.parametrize("which", ["folder", "hostile", "bare", "diode"])
def test_json_fits_the_schema(which: str, request: pytest.FixtureRequest) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    schema = strict((ROOT / "docs" / "results.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    made = request.getfixturevalue(which)
    out = made if isinstance(made, Path) else made[1]
    read = strict((out / "results.json").read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(schema)
    assert [e.message for e in validator.iter_errors(read)] == []
    # What the schema does not know, or does not find, it refuses.
    for spoilt in (
        {**read, "extra": 1},
        {k: v for k, v in read.items() if k != "exposures"},
        {**read, "schema": "optistack-results/2"},
        {**read, "inputs": [{**read["inputs"][0], "grade": "E"}]},
    ):
        assert not validator.is_valid(spoilt)


def test_every_field_is_explained() -> None:
    """docs/results.md names every field of the schema."""
    schema = strict((ROOT / "docs" / "results.schema.json").read_text(encoding="utf-8"))
    text = (ROOT / "docs" / "results.md").read_text(encoding="utf-8")

    def fields(node: Any) -> Iterator[str]:
        if isinstance(node, dict):
            if isinstance(node.get("properties"), dict):
                yield from node["properties"]
            for child in node.values():
                yield from fields(child)
        elif isinstance(node, list):
            for child in node:
                yield from fields(child)

    known = set(fields(schema))
    assert len(known) > 80
    words = set(re.findall(r"[a-z_0-9]+", text))
    assert sorted(known - words) == []


def test_comparisons_hold_the_results(result: RunResult, data: dict[str, Any]) -> None:
    assert data["comparison"] == data["comparisons"][0]
    assert len(data["comparisons"]) == len(result.comparisons) == 2
    for made, c in zip(data["comparisons"], result.comparisons, strict=True):
        assert (made["coupon"], made["device"]) == ("coupon", "device")
        assert made["light"] == c.light
        assert made["layer"] == "electrode"
        assert list(made["ratio"]) == list(made["ratio_per_volume"]) == BANDS
        for band, value in c.ratio.items():
            expected = None if math.isnan(value.value) else value.value
            assert middle(made["ratio"][band]) == expected
        for name, value in c.weighted_ratio.items():
            assert middle(made["weighted_ratio"][name]) == value.value
        why = made["why"]["280-400"]
        product = why["front_absorption"] * why["return_from_behind"] * why["surroundings"]
        assert product == pytest.approx(why["ratio"], rel=1e-12)
        assert why["ratio"] == pytest.approx(middle(made["ratio"]["280-400"]), rel=1e-9)
        assert len(made["sensitivity"]) == 9
        assert made["explanation"]["280-400"] == c.explain("280-400")
        grades = [t["grade"] for t in made["carrying_tables"]]
        assert made["worst_grade"] == max(grades)
        over = made["over_weights"]
        lows = [v.low for v in c.weighted_ratio.values()]
        assert over["low"] == min(lows)
        # Equally thick in both, so per volume is per area; the hours are one over the ratio.
        assert made["over_weights_per_volume"] == over
        hours = made["device_hours_for_coupon_dose"]
        assert hours["value"] == pytest.approx(1000 / over["value"], rel=1e-12)
        assert hours["high"] == pytest.approx(1000 / over["low"], rel=1e-12)


def test_a_range_is_an_object_and_a_fixed_number_is_plain(data: dict[str, Any]) -> None:
    lamp, sun = data["comparisons"]
    assert set(lamp["ratio"]["280-400"]) == {"value", "low", "high", "bound"}
    assert lamp["ratio"]["280-400"]["low"] < lamp["ratio"]["280-400"]["value"]
    assert isinstance(sun["ratio"]["280-400"], float)


def test_per_volume_differs_where_the_layer_is_not_equally_thick(
    hostile: tuple[RunResult, Path],
) -> None:
    made = results_json(hostile[0])["comparison"]
    assert (made["coupon_thickness_nm"], made["device_thickness_nm"]) == (100, 200)
    assert middle(made["ratio_per_volume"]["300-400"]) == pytest.approx(
        middle(made["ratio"]["300-400"]) / 2, rel=1e-12
    )
    assert middle(made["over_weights_per_volume"]) == pytest.approx(
        middle(made["over_weights"]) / 2, rel=1e-12
    )
    text = " ".join(answer(made, results_json(hostile[0])["exposures"]))
    assert "not equally thick" in text


def test_exposures_hold_rates_doses_and_energy(result: RunResult, data: dict[str, Any]) -> None:
    assert list(data["exposures"]) == list(result.exposures)
    for name, made in data["exposures"].items():
        run = result.exposures[name]
        assert made["stack"] == run.exposure.stack.name
        seconds = made["hours"] * 3600
        assert [x["name"] for x in made["layers"]] == list(run.stack.names)
        assert [x["asked"] for x in made["layers"]].count(True) == 1
        for band in BANDS:
            limits = tuple(float(x) for x in band.split("-"))
            incident = made["incident"][band]
            if incident is None:
                assert made["budget"][band] is None
                assert all(x["absorbed_photons_m2_s"][band] is None for x in made["layers"])
                continue
            light = run.exposure.light
            assert middle(incident["irradiance_w_m2"]) == pytest.approx(
                light.irradiance_w_m2(limits), rel=1e-12
            )
            assert middle(incident["radiant_exposure_j_m2"]) == pytest.approx(
                middle(incident["irradiance_w_m2"]) * seconds, rel=1e-12
            )
            assert middle(incident["photon_exposure_m2"]) == pytest.approx(
                middle(incident["photon_flux_m2_s"]) * seconds, rel=1e-12
            )
            for layer in made["layers"]:
                rate = middle(layer["absorbed_photons_m2_s"][band])
                assert rate == pytest.approx(
                    run.absorbed_photons_m2_s(layer["name"], limits)[0], rel=1e-12
                )
                dose = middle(layer["absorbed_photon_dose_m2"][band])
                assert dose == pytest.approx(rate * seconds, rel=1e-12)
                assert middle(layer["absorbed_photon_dose_mol_m2"][band]) == pytest.approx(
                    dose / AVOGADRO_MOL, rel=1e-12
                )
                assert middle(layer["absorbed_photons_m3_s"][band]) == pytest.approx(
                    rate / (layer["thickness_nm"] * 1e-9), rel=1e-12
                )
                assert middle(layer["absorbed_fraction"][band]) == pytest.approx(
                    rate / middle(incident["photon_flux_m2_s"]), rel=1e-12
                )
            # To the closure of the optics, 1e-9.
            assert sum(made["budget"][band].values()) == pytest.approx(1, abs=1e-8)


def test_a_band_without_light_is_null(data: dict[str, Any]) -> None:
    lamp = data["exposures"]["device in the chamber"]
    sun = data["exposures"]["device outdoors"]
    assert lamp["incident"]["400-700"] is None
    assert sun["incident"]["400-700"] is not None
    assert data["comparison"]["ratio"]["400-700"] is None
    assert data["comparison"]["why"]["400-700"] is None
    under_lamp = [f for f in data["filters"] if f["light"] == "UVA-340 lamp"]
    assert all(f["dose_left"]["400-700"] is None for f in under_lamp)
    assert all(f["reduction_factor"]["400-700"] is None for f in under_lamp)


def test_first_nanometre_lies_around_the_mean(result: RunResult, data: dict[str, Any]) -> None:
    for name, made in data["exposures"].items():
        asked = next(x for x in made["layers"] if x["asked"])
        faces = asked["first_nanometre"]["280-400"]
        near, far = result.exposures[name].first_nanometre("electrode", (280.0, 400.0))
        assert faces == {"lit_face_photons_m3_s": near, "far_face_photons_m3_s": far}
        assert 0.5 < near / middle(asked["absorbed_photons_m3_s"]["280-400"]) < 2
        assert all("first_nanometre" not in x for x in made["layers"] if not x["asked"])


def test_filters_hold_the_results(result: RunResult, data: dict[str, Any]) -> None:
    assert result.filters is not None
    assert len(data["filters"]) == len(result.filters.rows)
    for made, row in zip(data["filters"], result.filters.rows, strict=True):
        assert (made["name"], made["mount"], made["exposure"]) == (
            row.name,
            row.mount,
            row.exposure,
        )
        assert middle(made["dose_left"]["280-400"]) == row.dose_left["280-400"].value
        assert middle(made["reduction_factor"]["280-400"]) == pytest.approx(
            1 / row.dose_left["280-400"].value, rel=1e-12
        )
        assert row.photocurrent_lost_ma_cm2 is not None
        assert middle(made["photocurrent_lost_ma_cm2"]) == row.photocurrent_lost_ma_cm2.value
        assert made["dominated"] == row.dominated
    # The same number under every light, another for every filter and mount.
    seen: dict[int, set[tuple[str, str]]] = {}
    for made in data["filters"]:
        seen.setdefault(made["number"], set()).add((made["name"], made["mount"]))
    assert sorted(seen) == list(range(1, 9))
    assert all(len(v) == 1 for v in seen.values())


def test_inputs_have_source_and_checksum(data: dict[str, Any]) -> None:
    by_use = {i["used_as"]: i for i in data["inputs"]}
    sun = by_use["light sun"]
    assert re.fullmatch("[0-9a-f]{64}", sun["sha256"])
    assert sun["licence"]
    assert by_use["filter web sample"]["sha256"]
    pinned = tomllib.loads((ROOT / "spectra" / "CHECKSUMS.toml").read_text(encoding="utf-8"))
    assert sun["sha256"] == pinned["sha256"]["am15g.csv"]


# wording -------------------------------------------------------------------------------------


@given(st.floats(min_value=-1e30, max_value=1e30).filter(lambda x: x == 0 or abs(x) > 1e-30))
def test_numbers_are_right_to_three_digits(x: float) -> None:
    for text in (number(x), number(x, plain=True)):
        table = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")
        back = float(text.translate(table).replace(" × 10", "e"))
        assert back == pytest.approx(x, rel=0.00501)
        digits = re.sub(r"\D", "", re.split("[e ]", text)[0]).lstrip("0")
        assert x == 0 or 3 <= len(digits) <= 5


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.1635, "0.164"),
        (0.16, "0.160"),
        ({"value": 0.1635, "low": 0.149, "high": 0.179, "bound": None}, "0.164 (0.149 to 0.179)"),
        ({"value": 0.163, "low": 0.163, "high": 0.164, "bound": None}, "0.163 (0.163 to 0.164)"),
        ({"value": 0.163, "low": 0.1629, "high": 0.1631, "bound": None}, "0.163"),
        ({"value": 0.2, "low": 0.2, "high": 0.2, "bound": "upper"}, "at most 0.200"),
        ({"value": 5.0, "low": 4.0, "high": None, "bound": "lower"}, "at least 4.00"),
        ({"value": 5.0, "low": 4.0, "high": None, "bound": None}, "5.00 (4.00 or more)"),
        (None, "–"),
        (99999.0, "1.00 × 10⁵"),
        (-0.013, "-0.0130"),
    ],
)
def test_values_as_text(value: Any, text: str) -> None:
    assert show(value) == text


def test_per_cent_and_time() -> None:
    assert [percent(x) for x in (0.5, 0.00628, 1e-9, 0.0, None)] == [
        "50.0 %",
        "0.628 %",
        "< 0.01 %",
        "0 %",
        "–",
    ]
    assert span([{"value": 2, "low": 1, "high": 3, "bound": None}, 5.0]) == "1.00 to 5.00"


def turned(comparison: dict[str, Any], factor: float) -> dict[str, Any]:
    """A comparison with all its ratios multiplied."""

    def scaled(value: Any) -> Any:
        if isinstance(value, Mapping):
            return {k: v * factor if isinstance(v, float) else v for k, v in value.items()}
        return value * factor

    return {
        **comparison,
        "weighted_ratio": {k: scaled(v) for k, v in comparison["weighted_ratio"].items()},
        "over_weights": scaled(comparison["over_weights"]),
        "over_weights_per_volume": scaled(comparison["over_weights_per_volume"]),
        "over_sensitivity": scaled(comparison["over_sensitivity"]),
    }


def test_the_answer_follows_the_numbers(data: dict[str, Any]) -> None:
    first = data["comparison"]
    below = " ".join(answer(first, data["exposures"]))
    above = " ".join(answer(turned(first, 100.0), data["exposures"]))
    both = " ".join(answer(turned(first, 10.0), data["exposures"]))
    assert "lies below 1" in below
    assert "too fast" in below
    assert "lies above 1" in above
    assert "too slowly" in above
    assert "holds 1" in both
    assert side_of_one(first["over_weights"]) == "below"
    assert side_of_one(None) == "none"
    # k on both sides of 1 while the weights are not: said, since k then decides.
    doubtful = {**first, "over_sensitivity": {"value": 0.2, "low": 0.1, "high": 1.5, "bound": None}}
    assert "on both sides of 1" in " ".join(answer(doubtful, data["exposures"]))


def test_nothing_to_compare_is_said(data: dict[str, Any]) -> None:
    first = data["comparison"]
    dark = {**first, "weighted_ratio": dict.fromkeys(first["weighted_ratio"]), "over_weights": None}
    assert "nothing can be compared" in answer(dark, data["exposures"])[0]


def test_a_filter_gains_or_loses() -> None:
    lost = {"photocurrent_lost_ma_cm2": 0.5, "photocurrent_lost_fraction": 0.05}
    assert current_change(lost) == "loses 0.500 mA/cm² (5.00 %)"
    gained = {"photocurrent_lost_ma_cm2": -0.5, "photocurrent_lost_fraction": -0.05}
    assert current_change(gained, plain=True) == "gains 0.500 mA/cm2 (5.00 %)"
    unsure = {"value": -0.1, "low": -0.2, "high": 0.1, "bound": None}
    text = current_change({"photocurrent_lost_ma_cm2": unsure, "photocurrent_lost_fraction": None})
    assert text == "loses -0.100 (-0.200 to 0.100) mA/cm²"


def test_the_demo_gains_with_one_filter(page: str, result: RunResult) -> None:
    assert result.filters is not None
    gains = [
        r
        for r in result.filters.rows
        if r.photocurrent_lost_ma_cm2 is not None and r.photocurrent_lost_ma_cm2.high < 0
    ]
    assert [r.name for r in gains] == ["edge 375"]
    assert re.search(r"edge 375 \(laminated\) leaves [^<]* and gains ", page)


@pytest.mark.parametrize("which", ["result", "hostile", "bare", "diode", "crowded"])
def test_summary_fits_a_terminal(which: str, request: pytest.FixtureRequest) -> None:
    made = request.getfixturevalue(which)
    run = made if isinstance(made, RunResult) else made[0]
    text = summary_text(run)
    lines = text.splitlines()
    assert len(lines) <= 50
    assert max(len(line) for line in lines) <= 100
    assert "\x1b" not in text
    if run.comparisons:
        ratio = results_json(run)["comparison"]["weighted_ratio"]["flat"]
        start = " ".join(lines[:6])
        assert show(ratio, plain=True) in start
    if which in ("result", "crowded"):
        assert text.isascii()


def test_summary_says_how_many_filters_it_leaves_out(data: dict[str, Any]) -> None:
    text = summarise(data)
    under_lamp = sum(1 for f in data["filters"] if f["light"] == "UVA-340 lamp")
    shown = re.search(r"and (\d+) more, see the table of filters", text)
    assert shown is not None
    part = text[text.index("under UVA-340 lamp (device") : text.index("more, see")]
    assert len(re.findall(r"^  .* left", part, flags=re.MULTILINE)) + int(shown[1]) == under_lamp


# the page ------------------------------------------------------------------------------------


class Page(HTMLParser):
    """Tags, attributes, text and <data> elements of a page; refuses tags left open."""

    VOID = frozenset({"meta", "img", "br", "hr", "link", "input"})

    def __init__(self, text: str):
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.data: list[tuple[float, str]] = []
        self._open: list[str] = []
        self._value: float | None = None
        self._inside = ""
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self._open.append(tag)
        if tag == "data":
            self._value, self._inside = float(dict(attrs)["value"] or "nan"), ""

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag
        if tag == "data":
            assert self._value is not None
            self.data.append((self._value, self._inside))
            self._value = None

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] == "style":
            return
        self.words.append(data)
        if self._value is not None:
            self._inside += data

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def values(node: Any) -> Iterator[Any]:
    """Every number, plain or with its range, of results.json."""
    if isinstance(node, Mapping):
        if set(node) == {"value", "low", "high", "bound"}:
            yield node
            return
        for child in node.values():
            yield from values(child)
    elif isinstance(node, list):
        for child in node:
            yield from values(child)
    elif isinstance(node, float):
        yield node


def test_numbers_on_the_page_are_those_of_the_json(page: str, data: dict[str, Any]) -> None:
    """Every number that carries its full digits reads as the JSON says, range included."""
    texts: dict[float, set[str]] = {}
    for value in values(data):
        if middle(value) is not None:
            texts.setdefault(middle(value), set()).update(
                {show(value), show(value, as_percent=True)}
            )
    shown = Page(page).data
    assert len(shown) > 200
    for value, text in shown:
        assert text in texts[value], (value, text)


def test_the_answer_comes_first(page: str, data: dict[str, Any]) -> None:
    text = Page(page).text
    main = text[text.index("The answer", text.index("Care")) :]
    ratio = show(data["comparison"]["weighted_ratio"]["flat"])
    assert 0 < main.index(ratio) < 200
    order = [main.index(word) for word in ("What a filter costs", "Which photons", "How sure")]
    assert order == sorted(order)
    assert "describe no real product" in text[:300]


def test_page_structure(page: str) -> None:
    parsed = Page(page)
    names = [t for t, _ in parsed.tags]
    assert page.startswith('<!doctype html>\n<html lang="en">')
    for tag in ("title", "h1", "main", "header", "nav", "footer"):
        assert names.count(tag) == 1, tag
    ids = [a["id"] for _, a in parsed.tags if "id" in a]
    assert len(ids) == len(set(ids))
    links = [a["href"] for t, a in parsed.tags if t == "a"]
    assert len(links) == 13
    assert all(link is not None and link[0] == "#" and link[1:] in ids for link in links)
    images = [a for t, a in parsed.tags if t == "img"]
    assert len(images) == len(ALL_FIGURES)
    assert all(a["alt"] and a["width"] and a["height"] for a in images)
    boxes = [a for _, a in parsed.tags if a.get("class") == "scroll"]
    assert len(boxes) == names.count("table") > 8
    assert all(a["role"] == "region" and a["aria-label"] and a["tabindex"] == "0" for a in boxes)
    assert "prefers-color-scheme:dark" in page
    assert "@media print" in page


@pytest.mark.parametrize("which", ["folder", "hostile", "bare", "diode"])
def test_nothing_is_fetched_and_nothing_runs(which: str, request: pytest.FixtureRequest) -> None:
    made = request.getfixturevalue(which)
    out = made if isinstance(made, Path) else made[1]
    text = (out / "report.html").read_text(encoding="utf-8")
    parsed = Page(text)
    names = {t for t, _ in parsed.tags}
    assert names.isdisjoint({"script", "link", "iframe", "object", "embed", "base", "form"})
    for _, attributes in parsed.tags:
        assert not any(key.startswith("on") for key in attributes)
        for key in ("src", "href"):
            if key in attributes:
                assert (attributes[key] or "").startswith(("data:image/svg+xml;base64,", "#"))
    style = text[text.index("<style>") : text.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style


def test_no_bare_band_words(page: str, folder: Path) -> None:
    """Bands have their limits in nm; "UV" alone says nothing."""
    text = Page(page).text
    for cycle in standard_cycles():  # a lamp's name in a standard is its own
        text = text.replace(cycle.lamp, "")
    assert re.search(r"\bUV\b", text) is None


def test_hostile_names_stay_text(hostile: tuple[RunResult, Path]) -> None:
    text = (hostile[1] / "report.html").read_text(encoding="utf-8")
    assert SCRIPT not in text
    assert TITLE not in text
    assert "<script" not in text
    parsed = Page(text)
    for name in (SCRIPT, TITLE, AT, FORMULA, MATH):
        assert " ".join(name.split()) in parsed.text
    assert sum(1 for t, _ in parsed.tags if t == "img") == 8


def test_cautions_only_with_a_lamp(
    page: str, tmp_path: Path, diode: tuple[RunResult, Path]
) -> None:
    for word in (
        "enclosure",
        "interlock",
        "eyes",
        "skin",
        "ozone",
        "mercury",
        "high voltage",
        "licensed",
        "warranty",
        "certification",
    ):
        assert word in page
    lit_by_lamps = (diode[1] / "report.html").read_text(encoding="utf-8")
    assert "interlock" in lit_by_lamps
    # Under the sun alone there is no lamp to warn of.
    sun = LANTERN_TOML.replace('light = "UVA-340 lamp"', 'light = "sun"')
    out = written(run_toml(tmp_path, without(sun, NO_FILTERS)), tmp_path / "out")
    text = (out / "report.html").read_text(encoding="utf-8")
    assert "interlock" not in text
    assert "no certification" in text


# CSV -----------------------------------------------------------------------------------------


def rows(folder: Path, name: str) -> list[dict[str, str]]:
    text = (folder / name).read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text), strict=True))


def test_tables_hold_the_numbers(folder: Path, data: dict[str, Any]) -> None:
    found = {
        (r["exposure"], r["layer"], r["band_nm"]): r
        for r in rows(folder, "exposures.csv")
        if not r["weight"]
    }
    for name, exposure in data["exposures"].items():
        for layer in exposure["layers"]:
            for band in BANDS:
                row = found[name, layer["name"], band]
                value = middle(layer["absorbed_photons_m2_s"][band])
                text = row["absorbed_photons_m2_s"]
                assert (float(text) if text else None) == value
    first = rows(folder, "comparisons.csv")[3]
    assert first["band_nm"] == "280-400"
    assert float(first["ratio"]) == middle(data["comparison"]["ratio"]["280-400"])
    assert len(rows(folder, "sensitivity.csv")) == 2 * 9 * (5 + 4)
    assert len({r["number"] for r in rows(folder, "filters.csv")}) == 8
    assert [r["sha256"] for r in rows(folder, "inputs.csv")] == [
        i["sha256"] or "" for i in data["inputs"]
    ]
    shares = [r for r in rows(folder, "budget.csv") if r["band_nm"] == "280-400"]
    total = sum(float(r["share_of_incident_photons"]) for r in shares)
    assert total == pytest.approx(len(data["exposures"]), abs=1e-6)


def test_spectra_and_depth_integrate_to_the_rates(folder: Path, data: dict[str, Any]) -> None:
    """The curves in the tables give the numbers back: flux x absorptance, and the mean in depth."""
    spectra = rows(folder, "spectra.csv")

    def column(name: str, **match: str) -> np.ndarray:
        return np.array(
            [float(r[name]) for r in spectra if all(r[k] == v for k, v in match.items())]
        )

    lamp = {"light": "UVA-340 lamp", "variant": "central"}
    lam, flux = column("wavelength_nm", **lamp), column("spectral_photon_flux_m2_s_nm", **lamp)
    where = {"exposure": "device in the chamber", "layer": "electrode"}
    absorbed = np.interp(lam, column("wavelength_nm", **where), column("absorptance", **where))
    asked = next(x for x in data["exposures"]["device in the chamber"]["layers"] if x["asked"])
    # Trapezia on the lamp's grid of 0.5 nm against the exact integral.
    assert np.trapezoid(flux * absorbed, lam) == pytest.approx(
        middle(asked["absorbed_photons_m2_s"]["280-400"]), rel=1e-3
    )
    profile = [r for r in rows(folder, "depth_profile.csv") if r["exposure"] == where["exposure"]]
    depth = np.array([float(r["depth_nm"]) for r in profile])
    rate = np.array([float(r["absorbed_photons_m3_s"]) for r in profile])
    # 25 points of a smooth curve.
    assert np.trapezoid(rate, depth) / depth[-1] == pytest.approx(
        middle(asked["absorbed_photons_m3_s"]["280-400"]), rel=2e-3
    )


@pytest.mark.parametrize("text", ["=1+1", "+1", "-x", "@a"])
def test_formulas_are_neutralised(text: str) -> None:
    assert cell(text) == "'" + text
    assert cell(f"a{text}") == f"a{text}"


@pytest.mark.parametrize("text", ["\tx", "\rx", "\nx", "\t=1+1"])
def test_blanks_before_a_formula_go(text: str) -> None:
    """Tabs and line breaks become blanks, and none is left at the ends."""
    assert cell(text) == ("x" if text.endswith("x") else "'=1+1")


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_in_cells_lose_nothing(x: float) -> None:
    assert float(cell(x)) == x


def test_no_cell_of_a_hostile_scenario_is_a_formula(hostile: tuple[RunResult, Path]) -> None:
    tables = sorted(hostile[1].glob("*.csv"))
    assert len(tables) == 9
    seen = ""
    for path in tables:
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8")), strict=True):
            for text in row:
                if text[:1] in ("=", "+", "-", "@", "\t", "\r"):
                    float(text)  # only a number may begin like this
                seen += text
    assert f"'{FORMULA}" in seen
    assert "'=1+1" in seen


# figures -------------------------------------------------------------------------------------


def figure_keys(folder: Path) -> list[str]:
    names = [p.stem.split("_", 2)[1:] for p in folder.glob("figure_*.png")]
    return [key for _, key in sorted(names, key=lambda n: int(n[0]))]


def test_figures_exist_as_png_and_svg(folder: Path) -> None:
    assert figure_keys(folder) == ALL_FIGURES
    for path in sorted(folder.glob("figure_*.png")):
        raw = path.read_bytes()
        assert raw.startswith(b"\x89PNG\r\n\x1a\n")
        width = int.from_bytes(raw[16:20], "big")
        assert width == round(drawing.WIDTH_IN * 150)
        assert len(raw) > 5000
        svg = path.with_suffix(".svg").read_text(encoding="utf-8")
        root = ElementTree.fromstring(svg)
        assert len(list(root.iter("{http://www.w3.org/2000/svg}path"))) > 5
        # Outlines, not text: no font is needed; no date; nothing from elsewhere.
        assert not list(root.iter("{http://www.w3.org/2000/svg}text"))
        assert "dc:date" not in svg
        hrefs = re.findall(r'href="([^"]*)"', svg)
        assert all(h.startswith("#") for h in hrefs)


def test_two_runs_give_the_same_bytes(folder: Path, result: RunResult, tmp_path: Path) -> None:
    again = ost.run(ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml"))
    other = written(again, tmp_path / "again")
    assert {p.name for p in other.iterdir()} == {p.name for p in folder.iterdir()}
    for path in folder.iterdir():
        assert (other / path.name).read_bytes() == path.read_bytes(), path.name


def test_drawing_leaves_the_settings_alone(bare: tuple[RunResult, Path], tmp_path: Path) -> None:
    before = dict(matplotlib.rcParams)
    written(bare[0], tmp_path / "out")
    assert dict(matplotlib.rcParams) == before


def test_numbers_need_no_matplotlib() -> None:
    code = (
        "import sys; from optistack.report import results_json, summary_text, write_report;"
        "sys.exit(any(m in sys.modules for m in ('matplotlib', 'pandas', 'pvlib')))"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0


def captured(result: RunResult, folder: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, Figure]:
    """The matplotlib figures behind a report."""
    figures: dict[str, Figure] = {}
    finish = drawing.Sheet.finish

    def keep(self: drawing.Sheet, name: str, key: str, alt: str) -> drawing.Drawn:
        figures[key] = self.figure
        return finish(self, name, key, alt)

    monkeypatch.setattr(drawing.Sheet, "finish", keep)
    written(result, folder)
    return figures


@pytest.mark.parametrize("which", ["result", "hostile", "bare", "diode", "crowded"])
def test_no_text_is_cut_and_none_lies_on_another(
    which: str, request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = request.getfixturevalue(which)
    run = made if isinstance(made, RunResult) else made[0]
    for key, figure in captured(run, tmp_path / "out", monkeypatch).items():
        with drawing.house_style():
            figure.set_dpi(150)
            canvas = FigureCanvasAgg(figure)
            canvas.draw()
            texts = [
                (t.get_text(), t.get_window_extent(canvas.get_renderer()))
                for t in figure.findobj(Text)
                if isinstance(t, Text) and t.get_visible() and t.get_text().strip()
            ]
        drawn = [(s, b) for s, b in texts if b.width > 0]
        assert len(drawn) >= 4, key
        width, height = figure.bbox.width, figure.bbox.height
        for text, box in drawn:
            assert box.x0 >= -1, (key, text)
            assert box.y0 >= -1, (key, text)
            assert box.x1 <= width + 1, (key, text, box.x1, width)
            assert box.y1 <= height + 1, (key, text)
        for i, (a, one) in enumerate(drawn):
            for b, two in drawn[i + 1 :]:
                across = min(one.x1, two.x1) - max(one.x0, two.x0)
                down = min(one.y1, two.y1) - max(one.y0, two.y0)
                # Extents reach a little beyond the ink; 3 pixels at 150 dpi are half a millimetre.
                assert across <= 3 or down <= 3, (key, a, b)


def test_every_axis_says_its_unit(
    result: RunResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Labels stand at the axes or, for the vertical ones, above them."""
    figures = captured(result, tmp_path / "out", monkeypatch)
    for key, wanted in {
        "spectra": ["wavelength (nm)", "photons/(m² s nm)", "external transmittance"],
        "absorbed": ["wavelength (nm)", "photons/(m² s nm)", "absorbed in electrode"],
        "depth": ["depth from the lit side (nm)", "photons/(m³ s)", "280-400 nm"],
        "why": ["factor in the ratio device / coupon, 280-400 nm"],
        "filters": ["photocurrent lost (mA/cm²)", "280-400 nm"],
        "certainty": ["ratio device / coupon", "280-400 nm"],
        "budget": ["280-400 nm"],
        "stacks": ["120 nm", "125 µm", "not drawn to scale"],
    }.items():
        text = " | ".join(t.get_text() for t in figures[key].findobj(Text) if isinstance(t, Text))
        for word in wanted:
            assert word in text, (key, word)


def test_missing_parts(bare: tuple[RunResult, Path], diode: tuple[RunResult, Path]) -> None:
    result, folder = bare
    data = results_json(result)
    assert data["comparison"] is None
    assert data["filters"] == []
    assert all(e["photocurrent_ma_cm2"] is None for e in data["exposures"].values())
    assert figure_keys(folder) == ["stacks", "spectra", "budget"]
    assert not (folder / "filters.csv").exists()
    assert not (folder / "comparisons.csv").exists()
    text = Page((folder / "report.html").read_text(encoding="utf-8")).text
    assert "no coupon is compared with a device" in text
    assert "What a filter costs" not in text
    # Filters without photocurrent: a table, but no trade-off to draw.
    result, folder = diode
    data = results_json(result)
    assert figure_keys(folder) == [k for k in OPTICAL_FIGURES if k != "filters"]
    assert all(f["photocurrent_lost_ma_cm2"] is None for f in data["filters"])
    assert (folder / "filters.csv").exists()
    budget = data["exposures"]["device outdoors"]["budget"]["280-400"]
    assert budget["filter at the lamp"] > 0.9


def test_only_an_empty_folder_is_written_into(bare: tuple[RunResult, Path], tmp_path: Path) -> None:
    with pytest.raises(ost.OptistackError, match="not a folder"):
        write_report(bare[0], tmp_path / "missing")
    (tmp_path / "mine.txt").write_text("keep", encoding="utf-8")
    with pytest.raises(ost.OptistackError, match="not empty"):
        write_report(bare[0], tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_progress_is_told(bare: tuple[RunResult, Path], tmp_path: Path) -> None:
    said: list[str] = []
    (tmp_path / "out").mkdir()
    write_report(bare[0], tmp_path / "out", progress=said.append)
    assert said == ["numbers", "figure stacks", "figure spectra", "figure budget", "report.html"]


# pieces of the figures -----------------------------------------------------------------------


@given(st.text(max_size=90), st.floats(0.3, 4.0), st.booleans())
def test_fitted_text_is_no_wider_than_allowed(text: str, width: float, bold: bool) -> None:
    short = drawing.fit(text, width, bold=bold)
    assert drawing.text_width_in(short, bold=bold) <= max(
        width, drawing.text_width_in("…", bold=bold)
    )
    assert "\n" not in short
    plain = drawing.legible(text, bold=bold)
    if drawing.text_width_in(plain, bold=bold) <= width:
        assert short == plain


def test_names_are_cut_in_the_middle() -> None:
    a, b = (drawing.fit(f"a filter with a long name, edge at {w} nm", 1.5) for w in (375, 395))
    assert a != b
    assert a.endswith("375 nm")
    assert a.startswith("a filter")


@given(st.floats(-12, 12), st.floats(0.05, 20))
def test_logarithmic_ticks(start: float, decades: float) -> None:
    low, high = 10.0**start, 10.0 ** (start + decades)
    ticks = drawing.log_ticks(low, high)
    assert all(low * (1 - 1e-6) <= t <= high * (1 + 1e-6) for t in ticks)
    assert ticks == sorted(ticks)
    assert len(ticks) <= 7
    if decades > 0.5:
        assert len(ticks) >= 2


@given(
    st.lists(
        st.tuples(st.floats(0.3, 1.7), st.floats(0.3, 1.9)), min_size=1, max_size=12, unique=True
    )
)
def test_labels_stay_inside(points: list[tuple[float, float]]) -> None:
    labels = [str(i + 1) for i in range(len(points))]
    box = (0.02, 0.02, 2.0, 2.2)
    for (x, y), label in zip(drawing.place_labels(points, labels, 9.0, box), labels, strict=True):
        half = drawing.text_width_in(label, 9.0) / 2
        assert box[0] - 1e-6 <= x - half
        assert x + half <= box[2] + 1e-6
        assert box[1] <= y <= box[3]


def test_labels_of_far_points_do_not_touch() -> None:
    points = [(0.5 + 0.5 * (i % 3), 0.5 + 0.5 * (i // 3)) for i in range(9)]
    spots = drawing.place_labels(points, [str(i) for i in range(9)], 9.0, (0, 0, 2.2, 2.2))
    for i, (x, y) in enumerate(spots):
        for u, v in spots[i + 1 :]:
            assert abs(x - u) > 0.09 or abs(y - v) > 0.12


def test_wrapped_lines() -> None:
    words = [f"layer {i} 1.23 %" for i in range(9)]
    lines = drawing.wrap(words, 3.0, most=2)
    assert len(lines) == 2
    assert lines[-1].endswith("…")
    assert all(drawing.text_width_in(line, drawing.SMALL_PT) <= 3.1 for line in lines)
    assert " ".join(drawing.wrap(words, 3.0, most=9)) == ", ".join(words)


def test_transmittance_only_where_it_is_known() -> None:
    lam = np.arange(280.0, 501.0)
    known = ost.measured_filter(
        "web", [300.0, 400.0], [0.1, 0.8], "external", index=ost.material("fused_silica")
    )
    got = external_transmittance(known, lam)
    assert got is not None
    assert (got[0][0], got[0][-1]) == (300.0, 400.0)
    assert got[1][-1] == 0.8
    held = external_transmittance(replace(known, below="hold", above="zero"), lam)
    assert held is not None
    assert held[0].size == lam.size
    assert (held[1][0], held[1][-1]) == (0.1, 0.0)
    plate = ost.FilterStack("plate", (ost.Layer("glass", ost.material(1.5), 1e6),))
    bare = external_transmittance(plate, lam)
    assert bare is not None
    # Two faces of 4 % each, incoherent: (1 - R) / (1 + R); air is 1.0003, not 1.
    assert bare[1] == pytest.approx(0.96 / 1.04, rel=3e-4)
