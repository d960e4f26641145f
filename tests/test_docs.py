"""The user documentation against the code: scenarios run, keys are all there, numbers hold."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import optistack as ost
from optistack import light_paths
from optistack.analysis.exposure_plan import CHECKLIST
from optistack.exposure import ExposureResult
from optistack.light_paths import respond
from optistack.scenario.load import _Loader
from optistack.scenario.section import Section
from optistack.spectral_math import optical_grid
from optistack.tables import COLUMNS, KINDS, REQUIRED_KEYS, data_folder, table_names

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
LOADERS = sorted((ROOT / "optistack" / "scenario").glob("*.py"))
SCENARIO = (DOCS / "scenario.md").read_text(encoding="utf-8")
TABLES = (DOCS / "tables.md").read_text(encoding="utf-8")
THEORY = " ".join((DOCS / "theory.md").read_text(encoding="utf-8").split())

FENCE = re.compile(r"^```([^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
# A key of a helper table inside the loader, never of a scenario.
INTERNAL_KEYS = {"row"}
# The loader asks for these through a variable.
COMPARE_KEYS = {"coupon", "device"}
# Names of items of the reporting sheet: the loader asks for those of the list.
FACT_KEYS = {item.key for item in CHECKLIST} | {"protocol"}


def fences(text: str, language: str) -> list[tuple[str, str]]:
    """(rest of the info string, content) of the fenced blocks in a language."""
    found = []
    for info, content in FENCE.findall(text):
        word, _, rest = info.partition(" ")
        if word == language:
            found.append((rest.strip(), content))
    return found


FILES = dict(fences(SCENARIO, "text"))
TOML_BLOCKS = [content for _, content in fences(SCENARIO, "toml")]
_START = [i for i, block in enumerate(TOML_BLOCKS) if block.startswith("optistack_scenario = 1")]
COMPLETE = {
    "minimal": TOML_BLOCKS[_START[0]],
    "measured files": TOML_BLOCKS[_START[1]],
    "geometry": TOML_BLOCKS[_START[2]],
    # The examples of the reference part are pieces of one scenario.
    "reference": "\n".join(TOML_BLOCKS[_START[3] :]),
}


OTHER_WAYS = re.findall(r"^\* `(\w+\.\w+ = .*?)`", SCENARIO, re.MULTILINE)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, content in FILES.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    return tmp_path


def load(folder: Path, text: str) -> ost.Scenario:
    path = folder / "scenario.toml"
    path.write_text(text, encoding="utf-8")
    return ost.load_scenario(path)


# scenario.md -------------------------------------------------------------------------------------


def test_scenario_blocks_are_where_expected() -> None:
    assert set(FILES) == {
        "foil.txt",
        "film_nk.csv",
        "lamp.csv",
        "eqe.csv",
        "activation.csv",
        "absorber.csv",
        "coupons.csv",
        "cells.csv",
        "warm.csv",
        "behind_filters.csv",
        "rise.csv",
        "jv_fresh.csv",
        "jv_aged.csv",
        "log.csv",
        "tube.csv",
    }
    assert len(_START) == 4
    assert _START[:3] == [0, 1, 2]


@pytest.mark.parametrize("name", list(COMPLETE))
def test_scenario_loads_checks_and_runs(folder: Path, name: str) -> None:
    scenario = load(folder, COMPLETE[name])
    assert [f for f in ost.check(scenario) if f.level == "missing"] == []
    result = ost.run(scenario)
    assert result.comparison is not None
    ratio = result.comparison.ratio["300-400"].value
    assert np.isfinite(ratio)
    assert ratio > 0
    if scenario.question.filters_on:
        assert result.filters is not None
        judged = {row.exposure for row in result.filters.rows}
        assert set(scenario.question.filters_on) <= judged
        assert len(result.filters.rows) == len(judged) * len(scenario.question.candidates)


def test_family_line_of_the_reference_loads(folder: Path) -> None:
    line = re.search(r"With the family instead: `(weights = .*?)`", SCENARIO)
    assert line is not None
    text = re.sub(r"^weights = .*$", line.group(1), COMPLETE["reference"], flags=re.MULTILINE)
    weights = load(folder, text).question.weights
    assert [w.slope_nm for w in weights] == [None, 10.0, 30.0]
    assert {w.band_nm for w in weights} == {(280.0, 450.0)}


def _strings(node: ast.expr) -> Iterator[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, (ast.Tuple, ast.List)):
        for part in node.elts:
            yield from _strings(part)


def keys_of_the_loader() -> tuple[set[str], set[str]]:
    """Keys and allowed words that the loader asks for, from its syntax tree."""
    getters = {
        name
        for name in vars(Section)
        if not name.startswith("_") and name not in {"key_path", "done", "names", "length_nm"}
    }
    # (section, key, ...)
    helpers = {"_curve", "_mounted", "_layers", "_tuples", "_ageing", "_series"}
    helpers |= {"knowledge", "_triple", "_temperature", "_steps"}
    keys: set[str] = set()
    words: set[str] = set()
    nodes = (n for p in LOADERS for n in ast.walk(ast.parse(p.read_text(encoding="utf-8"))))
    for node in nodes:
        if isinstance(node, ast.Assign) and any(
            isinstance(t, ast.Name) and t.id == "_FORMAT_KEYS" for t in node.targets
        ):
            keys.update(_strings(node.value))
        if isinstance(node, ast.Compare) and isinstance(node.ops[0], ast.In):
            keys.update(_strings(node.left))  # "k" in section
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute | ast.Name)):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
        if name == "length_nm":
            stem = next(iter(_strings(node.args[0])))
            keys.update(f"{stem}_{unit}" for unit in ("nm", "um", "mm"))
        elif name in getters and node.args:
            keys.update(_strings(node.args[0]))
            if name == "choice":
                words.update(_strings(node.args[1]))
        elif name in helpers and len(node.args) > 1:
            keys.update(_strings(node.args[1]))
    return keys - INTERNAL_KEYS, words


KEYS, WORDS = keys_of_the_loader()


def test_the_loader_is_understood() -> None:
    """The walk finds keys that each of the getters asks for."""
    assert {
        "title",
        "k",
        "terms",
        "thickness_mm",
        "delimiter",
        "holder",
        "slopes_nm",
        "peak_nm",
        "rear_isotropic_share",
        "active_layers",
        "column",
        "set_point",
    } <= KEYS
    assert {"lambertian", "oscillators", "uw_cm2_nm", "percent"} <= WORDS


def test_every_key_is_documented() -> None:
    documented = set(re.findall(r"\w+", " ".join(re.findall(r"`([^`\n]+)`", SCENARIO))))
    assert sorted(k for k in KEYS | COMPARE_KEYS | FACT_KEYS if k not in documented) == []
    named = {w for w in WORDS if re.fullmatch(r"\w\w+", w)}
    assert sorted(w for w in named if w not in documented) == []


def test_every_key_stands_in_an_example() -> None:
    """And the examples hold no key that the loader does not know."""
    used: set[str] = set()
    free = {
        "materials",
        "stacks",
        "lights",
        "filters",
        "exposures",
        "photocurrent",
        "layers",
        "lamps",
        "ageing",
    }

    def collect(value: Any, names_are_free: bool = False) -> None:
        if isinstance(value, dict):
            for key, inner in value.items():
                if not names_are_free:
                    used.add(key)
                collect(inner, names_are_free=not names_are_free and key in free)
        elif isinstance(value, list):
            for inner in value:
                collect(inner)

    for text in COMPLETE.values():
        collect(tomllib.loads(text))
    for line in OTHER_WAYS:
        collect(tomllib.loads(line))
    used.update(("slopes_nm", "band_nm"))  # the line "with the family instead"
    asked = KEYS | COMPARE_KEYS
    assert sorted(asked - used) == []
    assert sorted(used - asked - FACT_KEYS) == []


def weather() -> str:
    """A year of hourly readings, brighter at noon and in summer."""
    rows = ["time,ghi_w_m2,uv_w_m2"]
    for hour in range(8760):
        sun = max(0.0, np.sin(np.pi * (hour % 24 - 5.5) / 12)) if 6 <= hour % 24 <= 16 else 0.0
        bright = sun * (250 - 150 * np.cos(2 * np.pi * hour / 8760))
        at = np.datetime64("2023-01-01T00", "h") + hour
        rows.append(f"{at}:00,{bright:.1f},{0.05 * bright:.2f}")
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize("line", OTHER_WAYS)
def test_other_ways_to_say_it_load(folder: Path, line: str) -> None:
    """Each in place of what the reference says; files that only they name are made here."""
    coupons = FILES["coupons.csv"].splitlines()
    levels = [
        f"{row.replace(',', f'{level},', 1)},{level}"
        for level in (1, 2, 4)
        for row in coupons[1:]
        if ",lit," in row
    ]
    (folder / "coupons_at_three_levels.csv").write_text(
        "\n".join([f"{coupons[0]},absorbed_rate", *levels]) + "\n", encoding="utf-8"
    )
    (folder / "weather.csv").write_text(weather(), encoding="utf-8")
    (folder / "raw.txt").write_text(FILES["jv_fresh.csv"].replace("J (mA/cm2)", "I"), "utf-8")
    x = np.linspace(0, 20, 201)
    (folder / "line.csv").write_text(
        "position_mm,signal\n"
        + "".join(f"{a:.2f},{100 + 40 * np.cos(2 * np.pi * a / 5):.3f}\n" for a in x),
        encoding="utf-8",
    )
    data = tomllib.loads(COMPLETE["reference"])
    (section, change) = next(iter(tomllib.loads(line).items()))
    (key, value) = next(iter(change.items()))
    data[section][key] = value
    replaced = {
        "activation_energy_kj_mol": "temperature_series",
        "intensity_series": "reciprocity_exponent",
    }
    data[section].pop(replaced.get(key, ""), None)
    if key == "light_hours":
        data[section].pop("years")
    if key == "nominal_nm":
        data[section].pop("nominal_band_nm")
    if key == "geometry":  # pitches, line profiles and J-V fits are for parallel fingers
        data[section].pop("pitch")
    if key == "curves":
        value["time_h"] = [0]
    path = folder / "scenario.toml"
    path.write_text(COMPLETE["reference"], encoding="utf-8")
    asked = _Loader(path, "", (folder.resolve(),)).load(Section(data, ""))
    part = getattr(asked, section)
    shown = {
        "reciprocity_exponent": lambda: part.exponent.value.value,
        "activation_energy_kj_mol": lambda: part.activation_energy_kj_mol.value.high,
        "intensity_series": lambda: len(part.intensity.used("lit")),
        "geometry": lambda: type(part.geometry).__name__,
        "cell": lambda: round(part.cell.open_circuit_v, 3),
        "curves": lambda: round(float(part.curves.current_density_ma_cm2[0][0]), 3),
        "climate": lambda: part.climate.uv_band_nm or round(part.climate.ghi_w_m2.sum() / 1e3),
        "light_hours": lambda: part.light_hours,
        "nominal_nm": lambda: part.nominal_nm,
        "line_profile": lambda: part.profile.options["four_point_ohm_sq"].value,
    }[key]()
    known = (1.0, 60.0, 6, "OneEdge", "SquarePad", "BusbarUnitCell", 0.699, 36.0, 250.0)
    assert shown in (*known, (280.0, 400.0), 1030, 1000.0, 340.0)


MINIMAL = COMPLETE["minimal"]
MEASURED = COMPLETE["measured files"]


LAMP = """spectrum = "uva340"
set_point = { wavelength_nm = 340, spectral_irradiance_w_m2_nm = 0.89 }"""
FOIL_MOUNTS = 'mounts = ["laminated", "detached_far"]'


def changed(text: str, *edits: tuple[str, str]) -> str:
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new)
    return text


# What the page shows of the message, and a scenario (and a foil.txt) that provokes it.
REFUSALS = [
    (
        "unknown key; did you mean thickness_um? Allowed here:",
        changed(MEASURED, ("thickness_um = 50\n", "thicknes_um = 50\n")),
        None,
    ),
    (
        "stack 'devise' is not defined; there are coupon, device",
        changed(MINIMAL, ('stack = "device"', 'stack = "devise"')),
        None,
    ),
    (
        "no table 'fused_silca' in materials. Did you mean fused_silica?",
        changed(MINIMAL, ('"fused_silica"', '"fused_silca"')),
        None,
    ),
    (
        "lies outside the scenario's folder; move it there, or allow its folder with --allow-path",
        changed(MEASURED, ('"film_nk.csv"', '"../film_nk.csv"')),
        None,
    ),
    (
        "material film: n: needed 280-700 nm, available 300-1000 nm.",
        changed(
            MINIMAL,
            ('"ito"', '"film"'),
            (LAMP, 'spectrum = "am15g"'),
            ("[stacks.coupon]", '[materials.film]\ntable = "wo3"\n\n[stacks.coupon]'),
        ),
        None,
    ),
    (
        "k is not known, and a missing k is not k = 0.",
        changed(MINIMAL, ('"pet"', '"pmma"')),
        None,
    ),
    (
        "needs exactly one of set_point, irradiance, suns; none of them is given",
        changed(MINIMAL, ("set_point =", "# set_point =")),
        None,
    ),
    (
        'percent or fraction? State unit = "percent" or unit = "fraction"',
        MEASURED,
        "nm;T\n800;0.9\n400;0.7\n280;0.0\n",
    ),
    (
        "3 columns; say which one holds the values with column = 2 to 3",
        MEASURED,
        "nm;%T;%R\n800;89;8\n400;70;8\n280;0;5\n",
    ),
    (
        "Mount it detached_far, or give its layers",
        changed(MEASURED, (FOIL_MOUNTS, 'coated = true\nmounts = ["laminated"]')),
        None,
    ),
]


@pytest.mark.parametrize(("shown", "text", "foil"), REFUSALS, ids=[r[0][:24] for r in REFUSALS])
def test_refusals_read_as_shown(folder: Path, shown: str, text: str, foil: str | None) -> None:
    """Each of the ten, provoked: the message holds what the page shows."""
    part = SCENARIO.split("## Ten refusals")[1].split("\n## ")[0]
    assert f"`{shown}`" in part
    assert len(re.findall(r"^\d+\. ", part, re.MULTILINE)) == len(REFUSALS)
    if foil is not None:
        (folder / "foil.txt").write_text(foil, encoding="utf-8")
    with pytest.raises(ost.OptistackError) as caught:
        ost.run(load(folder, text))
    assert shown in str(caught.value)


# tables.md ---------------------------------------------------------------------------------------


def test_table_format_is_described() -> None:
    for word in (*REQUIRED_KEYS, *COLUMNS, *KINDS, *(c for cs in COLUMNS.values() for c in cs)):
        assert f"`{word}`" in TABLES, word


def test_table_example_reads(tmp_path: Path) -> None:
    examples = dict(fences(TABLES, "text"))
    assert examples
    for name, content in examples.items():
        path = tmp_path / name
        path.write_text(content, encoding="utf-8")
        if name.endswith(".txt"):
            from optistack.reader import read_columns

            reading = read_columns(path)
            assert (np.diff(reading.wavelength_nm) > 0).all()
            assert reading.values.max() <= 1.02
        else:
            from optistack.tables import read_table

            assert read_table(path).quantity in COLUMNS


# theory.md ---------------------------------------------------------------------------------------


def lantern_house() -> ost.Scenario:
    return ost.load_scenario(data_folder("shared") / "lantern_house" / "lantern_house.toml")


def rate(exposure: ost.Exposure, step_nm: float, layer: str = "electrode") -> float:
    """Photons absorbed in 280-400 nm on a given grid."""
    band = (280.0, 400.0)
    stack, far = exposure.built
    nodes = [a.nodes_nm for x in stack.layers for a in x.absorbers]
    grid = optical_grid(*exposure.needed_range([band]), step_nm=step_nm, include=nodes)
    result = ExposureResult(exposure, respond(stack, exposure.geometry, grid), far)
    return float(result.absorbed_photons_m2_s(layer, band)[0])


def test_error_of_sampling_the_sun() -> None:
    assert "6.6 % too high" in THEORY
    sun = ost.spectrum("am15g")
    exact = sun.irradiance_w_m2((280, 400))
    for step, error in ((5, 0.066), (10, 0.121), (1, -0.0002)):
        lam = np.arange(280.0, 400.5, step)
        # half a digit of what the page says
        assert np.trapezoid(sun(lam), lam) / exact - 1 == pytest.approx(error, abs=0.0006)


def test_error_of_the_optical_grid() -> None:
    assert "1.8e-4 for the device in the chamber" in THEORY
    exposures = lantern_house().exposures
    errors = {name: abs(rate(x, 1.0) / rate(x, 0.1) - 1) for name, x in exposures.items()}
    assert errors["device in the chamber"] == pytest.approx(1.8e-4, rel=0.1)
    # "2e-5 or less elsewhere", to the digit given
    assert max(v for k, v in errors.items() if k != "device in the chamber") < 2.5e-5


def test_error_of_24_directions(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "uses 24 directions" in THEORY
    assert light_paths.USUAL_DIRECTIONS.fewest == 24
    exposure = lantern_house().exposures["coupon outdoors"]
    isotropic = replace(exposure, geometry=ost.Geometry(isotropic_share=1.0))
    inside_glass = replace(
        isotropic,
        stack=ost.Stack(
            1.5, [ost.Layer("electrode", "ito", 150), ost.Layer("b", "p3ht_pc61bm", 200)], "air"
        ),
    )
    few = rate(isotropic, 5.0), rate(inside_glass, 5.0, "b")
    more = light_paths.USUAL_DIRECTIONS._replace(fewest=200)
    monkeypatch.setattr(light_paths, "USUAL_DIRECTIONS", more)
    many = rate(isotropic, 5.0), rate(inside_glass, 5.0, "b")
    assert abs(few[0] / many[0] - 1) < 3.5e-10
    assert "the error stays below 1e-6" in THEORY
    assert abs(few[1] / many[1] - 1) < 1e-6


def test_numbers_of_the_worked_scenario() -> None:
    scenario = lantern_house()
    why = ost.compare(
        scenario.exposures["coupon in the chamber"],
        scenario.exposures["device in the chamber"],
        "electrode",
    )
    factors = why.why["300-400"]
    said = re.search(
        r"In the Lantern House chamber: ([\d.]+) x ([\d.]+) x ([\d.]+) = ([\d.]+) in", THEORY
    )
    assert said is not None
    shown = [float(x) for x in said.groups()]
    computed = [
        factors.front_absorption,
        factors.return_from_behind,
        factors.surroundings,
        factors.ratio,
    ]
    assert computed == pytest.approx(shown, abs=5e-4)  # half of the last digit shown
    assert np.prod(computed[:3]) == pytest.approx(computed[3], rel=1e-12)
    flat = why.weights[0].name
    scaled = [c.weighted_ratio[flat] for c in why.sensitivity if c.tilt == 0]
    every = [c.weighted_ratio[flat] for c in why.sensitivity]
    assert "moves from 0.163 to 0.166 under c alone, and from 0.092 to 0.252" in THEORY
    assert (min(scaled), max(scaled)) == pytest.approx((0.163, 0.166), abs=5e-4)
    assert (min(every), max(every)) == pytest.approx((0.092, 0.252), abs=5e-4)
    assert "0.149 to 0.179" in THEORY
    assert (why.ratio["300-400"].low, why.ratio["300-400"].high) == pytest.approx(
        (0.149, 0.179), abs=5e-4
    )
    assert "central lamp shape | 0.025 to 0.164" in THEORY
    central = [v.value for v in why.weighted_ratio.values()]
    assert (min(central), max(central)) == pytest.approx((0.025, 0.164), abs=5e-4)


def test_holder_and_rear_light() -> None:
    coupon = lantern_house().exposures["coupon in the chamber"]

    def photons(geometry: ost.Geometry) -> float:
        result = replace(coupon, geometry=geometry).run()
        return float(result.absorbed_photons_m2_s("electrode", (300, 400))[0])

    holder = ost.Holder(0.6)
    bare = photons(ost.Geometry())
    gains = [
        photons(g) / bare - 1
        for g in (
            ost.Geometry(holder=holder),
            ost.Geometry(rear_share=0.15),
            ost.Geometry(rear_share=0.15, holder=holder),
        )
    ]
    assert "adds 56 %" in THEORY
    assert gains == pytest.approx([0.56, 0.14, 0.71], abs=5e-3)


# all pages ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", sorted(DOCS.glob("*.md")), ids=lambda p: p.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        if not target.startswith(("http:", "https:", "mailto:")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_index_names_every_page() -> None:
    text = (DOCS / "index.md").read_text(encoding="utf-8")
    missing = [p.name for p in DOCS.glob("*.md") if p.name != "index.md" and p.name not in text]
    assert missing == []


@pytest.mark.parametrize("page", ["theory.md", "scenario.md", "tables.md", "tutorial.md"])
def test_tables_named_in_the_pages_exist(page: str) -> None:
    text = (DOCS / page).read_text(encoding="utf-8")
    named = set(re.findall(r'ost\.(?:material|spectrum)\("(\w+)"\)', text))
    assert named <= {*table_names("materials"), *table_names("spectra")}
