"""Scenario files: what every key does, what a check finds, what a run answers."""

from __future__ import annotations

import ast
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import LANTERN_HOUSE, ROOT

import optistack as ost
from optistack import light_paths
from optistack.errors import OptistackError, RangeError, ScenarioError, StackError
from optistack.filters import Filter
from optistack.scenario import Finding, RunResult, Scenario, check, load_scenario, run
from optistack.stack import FilterStack

Load = Callable[..., Scenario]

SMALL = """
title = "Small"
[stacks.coupon]
layers = [
  { name = "film", material = "ito", thickness_nm = 100 },
  { name = "silica", material = "fused_silica", thickness_mm = 1.1 },
]
[stacks.device]
layers = [
  { name = "silica", material = "fused_silica", thickness_mm = 1.1 },
  { name = "film", material = "ito", thickness_nm = 100 },
  { name = "blend", material = "p3ht_pc61bm", thickness_nm = 150 },
]
[lights.lamp]
spectrum = "uva340"
set_point = { wavelength_nm = 340, spectral_irradiance_w_m2_nm = 0.89 }
[exposures.coupon]
stack = "coupon"
light = "lamp"
hours = 10
[exposures.device]
stack = "device"
light = "lamp"
[question]
layer = "film"
compare = [{ coupon = "coupon", device = "device" }]
bands_nm = [[300, 400]]
sensitivity = false
"""


@pytest.fixture
def load(tmp_path: Path) -> Load:
    """Load the small scenario with some of its text exchanged and more text at its end."""

    def small(*changes: tuple[str, str], more: str = "", **options: Any) -> Scenario:
        text = SMALL
        for old, new in changes:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        path = tmp_path / "small.toml"
        path.write_text(text + more, encoding="utf-8")
        return load_scenario(path, **options)

    return small


def refused(load: Load, *changes: tuple[str, str], more: str = "") -> str:
    with pytest.raises(ScenarioError) as error:
        load(*changes, more=more)
    text = str(error.value)
    assert "\n" not in text
    assert text.startswith(error.value.key_path)
    return text


# --- the worked scenario ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def house() -> Scenario:
    return load_scenario(LANTERN_HOUSE / "lantern_house.toml")


@pytest.fixture(scope="module")
def answer(house: Scenario) -> RunResult:
    return run(house)


def test_lantern_house_loads(house: Scenario) -> None:
    assert house.title == "Lantern House"
    assert house.invented
    assert len(house.sha256) == 64
    assert list(house.stacks) == ["coupon", "device"]
    assert house.stacks["device"].names[3] == "electrode"
    assert house.question.pairs[0] == ("coupon in the chamber", "device in the chamber")
    used = {item.name for item in house.inputs}
    assert {"oxide_nk.csv", "web_sample.txt", "device_eqe.csv", "uva340", "am15g"} <= used
    assert all(len(i.sha256) == 64 for i in house.inputs if i.name.endswith((".csv", ".txt")))
    assert any("end values held below 306.2 nm" in c for c in house.choices)
    # The same table under one name is one material, so that its sensitivity is one change.
    layers = {x.name: x.material for x in house.stacks["device"].layers}
    assert layers["electrode"] is layers["second electrode"]
    assert layers["electrode"] is house.stacks["coupon"].layers[0].material


def test_lantern_house_has_nothing_missing(house: Scenario) -> None:
    found = check(house)
    assert not [f for f in found if f.level == "missing"]
    levels = [f.level for f in found]
    assert levels == sorted(levels, key=["missing", "assumption", "note"].index)
    text = " | ".join(f.text for f in found)
    for part in ("known 306.2-1096.8 nm", "stray-light floor of 0.2 %", "grade D: "):
        assert part in text


def test_lantern_house_runs_and_agrees_with_its_parts(house: Scenario, answer: RunResult) -> None:
    main = answer.comparison
    assert main is not None
    by_hand = ost.compare(
        house.exposures["coupon in the chamber"],
        house.exposures["device in the chamber"],
        "electrode",
    )
    # Solved over another range, the grids differ by nothing but their ends.
    for key, value in by_hand.ratio.items():
        assert main.ratio[key].value == pytest.approx(value.value, rel=1e-9, nan_ok=True)
    assert main.over_weights.value == pytest.approx(by_hand.over_weights.value, rel=1e-9)
    assert len(answer.comparisons) == 2
    for comparison in answer.comparisons:
        for why in comparison.why.values():
            product = why.front_absorption * why.return_from_behind * why.surroundings
            assert product == pytest.approx(why.ratio, rel=1e-12)
    for result in answer.exposures.values():
        for band in ((280.0, 400.0), (300.0, 400.0)):
            assert sum(result.budget(band).values()) == pytest.approx(1.0, abs=1e-4)
    assert set(answer.photocurrents) == {"device in the chamber", "device outdoors"}
    assert answer.filters is not None
    assert len(answer.filters.rows) == 2 * len(house.question.candidates)
    assert answer.notes[0] == "this scenario is invented; its numbers describe no real product"
    assert len(set(answer.notes)) == len(answer.notes)
    frame = answer.to_frame()
    assert set(frame.exposure) == set(house.exposures)
    # A thousand hours
    row = frame.iloc[0]
    assert row.absorbed_photon_dose_m2 == pytest.approx(row.absorbed_photons_m2_s * 3.6e6)


def test_progress_is_told(load: Load) -> None:
    told: list[str] = []
    run(load(), progress=told.append)
    assert told == [
        "exposure coupon",
        "exposure device",
        "compare coupon with device",
        "what the ratio hangs on",
    ]


# --- check --------------------------------------------------------------------------------------


def missing(scenario: Scenario) -> list[Finding]:
    return [f for f in check(scenario) if f.level == "missing"]


def test_check_computes_nothing(house: Scenario, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise AssertionError("solved")

    monkeypatch.setattr(light_paths, "solve", refuse)
    assert check(house)
    with pytest.raises(AssertionError, match="solved"):
        run(house)


@pytest.mark.parametrize(
    ("section", "where", "text"),
    [
        ('table = "pedot_pss_interlayer_grade"\n', "exposures.coupon in the chamber", "306.2"),
        ('table = "oxide_nk.csv"     # starts at 330 nm\n', "exposures.device in the", "330-1100"),
        ('table = "glass_soda_lime_clear"\n', "exposures.coupon outdoors", "material glass: n"),
    ],
)
def test_check_lists_what_a_run_would_refuse(
    section: str, where: str, text: str, lantern: Path
) -> None:
    original = lantern.read_text(encoding="utf-8")
    assert original.count(section + 'extend_below = "hold"') == 1
    lantern.write_text(original.replace(section + 'extend_below = "hold"', section))
    scenario = load_scenario(lantern)
    found = missing(scenario)
    assert any(f.where.startswith(where) and text in f.text for f in found)
    with pytest.raises(RangeError, match="extend_below"):
        run(scenario)


def test_check_finds_short_filters_lights_and_unknown_k(lantern: Path) -> None:
    original = lantern.read_text(encoding="utf-8")
    for old, new, text in (
        ('table = "pet"\n', 'table = "pmma"\nextend_below = "hold"\n', "k is not known"),
        (
            "[question]",
            "[question]\nbands_nm = [[280, 400], [250, 400]]",
            "spectrum sun: needed 250-400 nm",
        ),
        (
            'kind = "external"\nmeasurement = "regular"\nstray',
            'kind = "external"\nmeasurement = "regular"\ncoated = true\nstray',
            "is coated and known only by",
        ),
        ("thickness_mm = 1.1", "thickness_mm = 1.1, coherent = true", "coherent = false"),
    ):
        assert original.count(old) == 1, old
        lantern.write_text(original.replace(old, new))
        scenario = load_scenario(lantern)
        assert any(text in f.text for f in missing(scenario)), text
        with pytest.raises(OptistackError):
            run(scenario)


def test_check_looks_at_the_stack_of_the_quantum_efficiency(lantern: Path) -> None:
    """Another stack than that of the exposures, with a table that begins too late."""
    original = lantern.read_text(encoding="utf-8")
    on = 'table = "device_eqe.csv", stack = "device"'
    assert original.count(on) == 1
    text = original.replace(on, 'table = "device_eqe.csv", stack = "bare cell"')
    text = text.replace(
        '[lights."UVA-340 lamp"]',
        '[materials.late]\ntable = "late_nk.csv"\n\n[stacks."bare cell"]\nlayers = [\n'
        '  { name = "lid", material = "late", thickness_nm = 50 },\n'
        '  { name = "blend", material = "blend", thickness_nm = 180 },\n]\n\n'
        '[lights."UVA-340 lamp"]',
    )
    (lantern.parent / "late_nk.csv").write_text(
        "wavelength_nm,n,k\n350,1.9,0.01\n1200,1.9,0.0\n", encoding="utf-8"
    )
    lantern.write_text(text, encoding="utf-8")
    scenario = load_scenario(lantern)
    found = [f for f in missing(scenario) if f.where == "photocurrent.device"]
    assert found and all("material late" in f.text for f in found)
    with pytest.raises(RangeError, match="material late"):
        run(scenario)


def test_a_short_filter_file_is_found(lantern: Path) -> None:
    path = lantern.parent / "web_sample.txt"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(x for x in lines if not x.startswith(("28", "29"))))
    scenario = load_scenario(lantern)
    assert any("filter web sample: needed 280" in f.text for f in missing(scenario))
    with pytest.raises(RangeError, match='filter web sample.*extend_below = "hold" or "zero"'):
        run(scenario)


# --- materials ----------------------------------------------------------------------------------


def film(load: Load, section: str) -> ost.Material:
    scenario = load(
        (
            '{ name = "film", material = "ito", thickness_nm = 100 },\n  { name = "silica"',
            '{ name = "film", material = "mine", thickness_nm = 100 },\n  { name = "silica"',
        ),
        more=f"[materials.mine]\n{section}\n",
    )
    m = scenario.materials["mine"]
    assert scenario.stacks["coupon"].layers[0].material is m
    assert m.name == "mine"
    return m


def test_material_keys(load: Load, tmp_path: Path) -> None:
    lam = np.array([300.0, 340.0, 380.0])
    ito = ost.material("ito")
    (tmp_path / "own.csv").write_text("wavelength_nm,n,k\n280,1.6,0.1\n700,1.5,0.01\n")
    np.testing.assert_allclose(film(load, 'table = "ito"').index(lam), ito.index(lam))
    assert film(load, 'table = "own.csv"').index(280.0)[0] == 1.6 + 0.1j
    assert film(load, "index = 1.7").index(lam).tolist() == [1.7] * 3
    assert film(load, "index = [1.7, 0.2]").index(lam).tolist() == [1.7 + 0.2j] * 3
    assert film(load, 'table = "pmma"\nk = 1e-5').index(450.0)[0].imag == 1e-5
    taken = film(load, 'table = "pmma"\nk_from = "ito"').index(450.0)[0]
    assert taken.imag == pytest.approx(ito.index(450.0)[0].imag)
    assert taken.real == pytest.approx(ost.material("pmma").transparent().index(450.0)[0].real)
    tilted = film(load, 'table = "ito"\nk_scale = 2.0\nk_tilt = 1.0').index(lam)
    np.testing.assert_allclose(tilted.imag, 2 * ito.index(lam).imag * np.exp((lam - 340) / 40))
    assert film(load, 'table = "ito"\ngrade = "D"').grade == "D"
    held = film(load, 'table = "own.csv"\nextend_below = "hold"\nextend_above = "zero_k"')
    assert held.index([250.0, 800.0]).tolist() == [1.6 + 0.1j, 1.5 + 0j]
    edge = film(
        load,
        "index = 1.48\ntransmittance = { edge = { half_value_nm = 366, width_10_90_nm = 12 }, "
        "thickness_um = 40 }",
    )
    tau = np.exp(-4 * np.pi * edge.index(366.0)[0].imag * 40e3 / 366.0)
    assert tau == pytest.approx(0.5, rel=1e-9)


def test_dispersion_models(load: Load) -> None:
    sellmeier = film(load, 'model = "sellmeier"\nterms = [[1.1, 0.01]]\nrange_nm = [200, 900]')
    assert sellmeier.index(500.0)[0] == pytest.approx(np.sqrt(1 + 1.1 * 0.25 / (0.25 - 0.01)))
    cauchy = film(
        load,
        'model = "cauchy_edge"\ncauchy = [1.5, 0.01]\nrange_nm = [200, 900]\nedge_nm = 350\n'
        "k_edge = 0.1\nwidth_nm = 20",
    )
    assert cauchy.index(350.0)[0] == pytest.approx(1.5 + 0.01 / 0.35**2 + 0.1j)
    drude = film(
        load,
        'model = "oscillators"\nrange_nm = [200, 900]\neps_inf = 4.0\ndrude = [[2.0, 0.1]]\n'
        "lorentz = [[0.5, 5.0, 0.3]]",
    )
    e = 1239.8419843320026 / 400.0
    eps = 4 - 4 / (e * e + 0.1j * e) + 0.5 * 25 / (25 - e * e - 0.3j * e)
    assert drude.index(400.0)[0] ** 2 == pytest.approx(eps)


@pytest.mark.parametrize(
    ("section", "text"),
    [
        (
            "",
            "materials.mine: needs exactly one of table, database, index, model, mix; none of them is given",
        ),
        (
            'table = "ito"\nindex = 1.5',
            "materials.mine: needs exactly one of table, database, index",
        ),
        ('table = "itoo"', "materials.mine.table: no table 'itoo' in materials. Did you mean"),
        ('table = "am15g"', "materials.mine.table: no table 'am15g' in materials"),
        ('table = "none.csv"', "materials.mine.table: there is no file 'none.csv'"),
        ("index = -1.0", "materials.mine: index"),
        ("index = [1.5]", "materials.mine.index: must be n, or [n, k]"),
        ('index = [1.5, "a"]', "materials.mine.index[1]: must be a number, not text"),
        ("index = true", "materials.mine.index: must be a number, not true/false"),
        ('table = "ito"\nk = -1', "materials.mine.k: -1 is outside at least 0"),
        ('table = "ito"\nk = 1\nk_from = "ito"', "materials.mine: k and k_from exclude each other"),
        ('table = "ito"\nk_from = "itoo"', "materials.mine.k_from: no table 'itoo'"),
        ('table = "ito"\nk_scale = 0', "materials.mine.k_scale: 0 must be greater than 0"),
        ('table = "ito"\nextend_below = "clip"', "extend_below: 'clip' is not one of refuse, hold"),
        ('table = "ito"\ngrade = "a"', "materials.mine.grade: 'a' is not one of A, B, C, D"),
        ('table = "ito"\nextendbelow = "hold"', "materials.mine.extendbelow: unknown key; did you"),
        ('model = "tauc"', "materials.mine.model: 'tauc' is not one of sellmeier"),
        ('model = "sellmeier"', "materials.mine.range_nm: is missing"),
        (
            'model = "sellmeier"\nrange_nm = [300, 400]\nterms = [1.0]',
            "materials.mine.terms[0].row: must be a list of 2 numbers",
        ),
        (
            'model = "sellmeier"\nrange_nm = [300, 400]\nterms = [[-9, 0.01]]',
            "materials.mine: mine: n is not positive",
        ),
        (
            "index = 1.5\ntransmittance = { edge = { half_value_nm = 366 }, thickness_um = 40 }",
            "materials.mine.transmittance.edge.width_10_90_nm: is missing",
        ),
        (
            "index = 1.5\ntransmittance = { file = 'a.csv', thickness_um = 40 }",
            "materials.mine.transmittance.kind: is missing",
        ),
    ],
)
def test_refused_materials(section: str, text: str, load: Load) -> None:
    assert text in refused(load, more=f"[materials.mine]\n{section}\n")


# --- stacks -------------------------------------------------------------------------------------


def test_stack_keys(load: Load) -> None:
    scenario = load(
        (
            "thickness_mm = 1.1 },\n]\n[stacks.device]",
            "thickness_mm = 1.1, coherent = false },\n]\n"
            'ambient = 1.33\nsubstrate = "fused_silica"\n[stacks.device]',
        ),
    )
    coupon = scenario.stacks["coupon"]
    assert [x.thickness_nm for x in coupon.layers] == [100.0, 1.1e6]
    assert [x.is_coherent for x in coupon.layers] == [True, False]
    assert coupon.ambient.index(400.0)[0] == 1.33
    assert coupon.substrate.name == "fused_silica"
    assert scenario.stacks["device"].substrate.name == "air"


@pytest.mark.parametrize(
    ("layer", "text"),
    [
        ('{ name = "a", material = "ito" }', "thickness_nm: is missing (or thickness_um"),
        ('{ name = "a", material = "ito", thickness_nm = 1, thickness_um = 1 }', "given twice"),
        ('{ name = "a", material = "ito", thickness_nm = -1 }', "thickness_nm: -1 is outside"),
        ('{ name = "a", material = "ito", thickness_nm = nan }', "nan is not a finite number"),
        ('{ name = "a", material = "ito", thickness_nm = "1" }', "must be a number, not text"),
        ('{ name = "a", material = "ito", thickness = 1 }', "thickness_nm: is missing"),
        ('{ name = "a", material = "ito", thickness_nm = 1, coherent = 1 }', "must be true or"),
        ('{ name = "a", material = "itto", thickness_nm = 1 }', "material: no table 'itto'"),
        ('{ name = "a", material = [1], thickness_nm = 1 }', "material: must be the name of a"),
        ('{ name = "a", material = 0, thickness_nm = 1 }', "material: index 0"),
        ('{ name = "", material = "ito", thickness_nm = 1 }', "name: must not be empty"),
        ('{ name = "a\\u0007", material = "ito", thickness_nm = 1 }', "holds a control character"),
        ('{ name = "a\\nb", material = "ito", thickness_nm = 1 }', "holds a control character"),
        ('{ name = "film", material = "ito", thickness_nm = 1 }', "two layers are called 'film'"),
        ("1", "stacks.coupon.layers[0]: must be a table, not a number"),
    ],
)
def test_refused_layers(layer: str, text: str, load: Load) -> None:
    message = refused(
        load,
        ("[stacks.coupon]\nlayers = [", f"[stacks.coupon]\nlayers = [\n  {layer},"),
    )
    assert message.startswith("stacks.coupon")
    assert text in message


# --- lights -------------------------------------------------------------------------------------


def light(load: Load, section: str) -> ost.Spectrum:
    scenario = load(more=f"[lights.mine]\n{section}\n")
    assert scenario.lights["mine"].name == "mine"
    return scenario.lights["mine"]


def test_light_keys(load: Load, tmp_path: Path) -> None:
    sun = ost.spectrum("am15g")
    assert light(load, 'spectrum = "am15g"').irradiance_w_m2((300, 400)) == sun.irradiance_w_m2(
        (300, 400)
    )
    doubled = light(load, 'spectrum = "am15g"\nsuns = { multiple = 2, band_nm = [300, 400] }')
    assert doubled(500.0) == pytest.approx(2 * sun(500.0))
    lamp = light(
        load, 'spectrum = "uvb313"\nirradiance = { band_nm = [300, 400], irradiance_w_m2 = 20 }'
    )
    assert lamp.irradiance_w_m2((300, 400)) == pytest.approx(20.0)
    assert len(lamp.variants) == 2
    one = light(
        load,
        'spectrum = "uvb313"\nvariants = false\n'
        "set_point = { wavelength_nm = 313, spectral_irradiance_w_m2_nm = 0.5 }",
    )
    assert one.variants == ()
    assert one(313.0) == pytest.approx(0.5)
    led = light(
        load,
        "led = { centre_nm = 365, width_nm = 10 }\n"
        "irradiance = { band_nm = [300, 450], irradiance_w_m2 = 5 }",
    )
    assert led.irradiance_w_m2((300, 450)) == pytest.approx(5.0)
    hot = light(
        load,
        "planck_k = 5772\nset_point = { wavelength_nm = 500, spectral_irradiance_w_m2_nm = 1 }",
    )
    assert hot(700.0) == pytest.approx(ost.planck(5772)(700.0) / ost.planck(5772)(500.0))
    (tmp_path / "lamp.txt").write_text("nm;uW\n300;100\n400;300\n")
    read = light(load, 'spectrum = "lamp.txt"\nquantity = "uw_cm2_nm"\ngrade = "A"')
    # 1 uW/cm2 is 0.01 W/m2.
    assert read(350.0) == pytest.approx(2.0)
    assert read.grade == "A"
    with pytest.raises(RangeError, match="dark_outside"):
        read(450.0)
    read = light(load, 'spectrum = "lamp.txt"\nquantity = "mw_m2_nm"\ndark_outside = true')
    assert read([350.0, 450.0]).tolist() == pytest.approx([0.2, 0.0])
    assert any("taken as dark outside 300-400 nm" in n for n in read.notes)


@pytest.mark.parametrize(
    ("section", "text"),
    [
        ("", "lights.mine: needs exactly one of spectrum, planck_k, led; none"),
        ('spectrum = "am15"', "lights.mine: no table 'am15' in spectra. Did you mean"),
        ('spectrum = "uva340"', "lights.mine: needs exactly one of set_point, irradiance, suns"),
        (
            'spectrum = "uva340"\nset_point = { wavelength_nm = 250, spectral_irradiance_w_m2_nm = 1 }',
            "lights.mine: spectrum mine has no light at 250 nm to set to",
        ),
        (
            'spectrum = "uva340"\nset_point = { wavelength_nm = 340, irradiance_w_m2 = 1 }',
            "lights.mine.set_point.spectral_irradiance_w_m2_nm: is missing",
        ),
        (
            'spectrum = "uva340"\nset_point = { wavelength_nm = 340, spectral_irradiance_w_m2_nm = 0 }',
            "lights.mine.set_point.spectral_irradiance_w_m2_nm: 0 must be greater than 0",
        ),
        (
            'spectrum = "uva340"\nirradiance = { band_nm = [400, 300], irradiance_w_m2 = 1 }',
            "lights.mine.irradiance.band_nm: band 400-300 nm does not increase",
        ),
        (
            'spectrum = "uva340"\nirradiance = { band_nm = [300], irradiance_w_m2 = 1 }',
            "lights.mine.irradiance.band_nm: must be a band [from, to] in nm",
        ),
        (
            'spectrum = "am15g"\nsuns = { multiple = 1, band_nm = [100, 200] }',
            "lights.mine: spectrum am15g: needed 100-200 nm",
        ),
        ('spectrum = "am15g"\nsetpoint = {}', "setpoint: unknown key; did you mean set_point?"),
        ("planck_k = -5", "lights.mine.planck_k: -5 must be greater than 0"),
        ("led = { centre_nm = 365 }", "lights.mine.led.width_nm: is missing"),
        ("led = { centre_nm = 365, width_nm = 300 }", "lights.mine: Gaussian line"),
        ('spectrum = "ito"', "lights.mine: no table 'ito' in spectra"),
        ("spectrum = 5", "lights.mine.spectrum: must be text, not a number"),
    ],
)
def test_refused_lights(section: str, text: str, load: Load) -> None:
    assert text in refused(load, more=f"[lights.mine]\n{section}\n")


# --- filters ------------------------------------------------------------------------------------


def test_filter_keys(load: Load, tmp_path: Path) -> None:
    (tmp_path / "foil.txt").write_text("nm;%T\n280;1\n340;50\n800;90\n")
    (tmp_path / "absorber.csv").write_text(
        "# quantity: molar_absorptivity\nwavelength_nm,molar_absorptivity_l_mol_cm\n"
        "280,10000\n800,0\n"
    )
    scenario = load(
        more="""
[filters.foil]
transmittance = "foil.txt"
kind = "external"
measurement = "regular"
haze_percent = 2
stray_light_floor = 0.02
thickness_um = 50
index = "fused_silica"
extend_above = "hold"
extend_below = "zero"
grade = "A"
source = "own"
mounts = ["detached_gap", "laminated"]
[filters.edge]
edge = { half_value_nm = 350, width_10_90_nm = 10, plateau = 0.9, blocking_floor = 1e-3 }
mounts = ["in_substrate"]
in_layer = "silica"
[filters.binder]
absorber = { concentration_mol_l = 0.01, bands = [{ peak_nm = 350, molar_absorptivity_l_mol_cm = 1e4, width_nm = 40 }] }
thickness_um = 10
[filters.tabled]
absorber = { loading_percent = 2, density_g_cm3 = 1.18, molar_mass_g_mol = 351.5, table = "absorber.csv" }
thickness_um = 10
[filters.mirror]
layers = [{ name = "high", material = "tio2", thickness_nm = 40 }]
[filters.coated]
transmittance = "foil.txt"
kind = "external"
coated = true
"""
    )
    foil, edge, binder, tabled, mirror, coated = scenario.filters.values()
    assert isinstance(foil, Filter)
    assert foil.given([340.0, 900.0, 250.0]).tolist() == [0.5, 0.9, 0.0]
    assert (foil.kind, foil.measurement, foil.haze, foil.thickness_nm) == (
        "external",
        "regular",
        0.02,
        5e4,
    )
    assert (foil.stray_light_floor, foil.grade, foil.source) == (0.02, "A", "own")
    assert foil.index is not None
    assert foil.index.name == "fused_silica"
    assert isinstance(edge, Filter)
    assert edge.given([350.0, 1000.0, 200.0]).tolist() == pytest.approx([0.45, 0.9, 1e-3])
    assert isinstance(binder, Filter)
    assert binder.given([350.0])[0] == pytest.approx(10 ** (-1e4 * 0.01 * 1e-3))
    assert isinstance(tabled, Filter)
    assert tabled.given([540.0])[0] == pytest.approx(10 ** (-5e3 * 20 * 1.18 / 351.5 * 1e-3))
    assert isinstance(mirror, FilterStack)
    mounted = [(m.item.name, m.mount, m.layer) for m in scenario.question.candidates]
    assert mounted == [
        ("foil", "detached_gap", None),
        ("foil", "laminated", None),
        ("edge", "in_substrate", "silica"),
        ("binder", "laminated", None),
        ("tabled", "laminated", None),
        ("mirror", "laminated", None),
        ("coated", "detached_far", None),
    ]
    assert isinstance(coated, Filter)
    assert any("whether regular or hemispherical is not stated" in c for c in scenario.choices)


EDGE = "edge = { half_value_nm = 350, width_10_90_nm = 10 }\n"


@pytest.mark.parametrize(
    ("section", "text"),
    [
        ("", "filters.mine: needs exactly one of transmittance, edge, absorber, layers"),
        (EDGE + 'mounts = ["glued"]', "filters.mine.mounts[0]: 'glued' is not one of laminated"),
        (EDGE + "mounts = [1]", "filters.mine.mounts: must be a list of texts"),
        (EDGE + "haze_percent = 120", "filters.mine.haze_percent: 120 is outside 0 to 100"),
        (EDGE + "index = 0.0", "filters.mine.index: index 0"),
        (EDGE + "thickness_um = -1", "filters.mine.thickness_um: -1 is outside at least 0"),
        (EDGE + 'kind = "external"', "filters.mine.kind: unknown key"),
        (
            "edge = { half_value_nm = 350, width_10_90_nm = 10, plateau = 1.2 }",
            "filters.mine.edge.plateau: 1.2 is outside",
        ),
        (
            "edge = { half_value_nm = 350, width_10_90_nm = 10, blocking_floor = 1 }",
            "filters.mine: filter mine: 0 <= blocking_floor < plateau",
        ),
        ("absorber = { bands = [] }", "filters.mine: an absorber needs a thickness_um"),
        (
            "absorber = { bands = [{ peak_nm = 350, width_nm = 5 }] }\nthickness_um = 5",
            "filters.mine.absorber.bands[0].molar_absorptivity_l_mol_cm: is missing",
        ),
        ('transmittance = "foil.txt"', "filters.mine.kind: is missing"),
        (
            'transmittance = "foil.txt"\nkind = "external"',
            "filters.mine.transmittance: there is no file 'foil.txt'",
        ),
    ],
)
def test_refused_filters(section: str, text: str, load: Load) -> None:
    assert text in refused(load, more=f"[filters.mine]\n{section}\n")


# --- exposures ----------------------------------------------------------------------------------


def test_exposure_keys(load: Load) -> None:
    scenario = load(
        (
            "hours = 10\n",
            """hours = 10
lit_from = "back"
angle_deg = 10
isotropic_share = 0.2
rear_share = 0.1
rear_isotropic_share = 1.0
holder = { reflectance = 0.5, kind = "specular" }
filters = ["edge", { filter = "edge", mount = "in_substrate", in_layer = "silica" }]
""",
        ),
        more=f"[filters.edge]\n{EDGE}",
    )
    exposure = scenario.exposures["coupon"]
    assert exposure.hours == 10.0
    assert exposure.geometry == ost.Geometry(
        "back", 10.0, 0.2, 0.1, 1.0, ost.Holder(0.5, "specular")
    )
    assert [(f.mount, f.layer) for f in exposure.filters] == [
        ("laminated", None),
        ("in_substrate", "silica"),
    ]
    assert scenario.exposures["device"].geometry == ost.Geometry()


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("hours = -1", "exposures.coupon.hours: -1 is outside at least 0"),
        ("hours = inf", "exposures.coupon.hours: inf is not a finite number"),
        ('hours = "10"', "exposures.coupon.hours: must be a number, not text"),
        ("hours = true", "exposures.coupon.hours: must be a number, not true/false"),
        ('lit_from = "top"', "exposures.coupon.lit_from: 'top' is not one of front, back"),
        ("angle_deg = 91", "exposures.coupon.angle_deg: 91 is outside 0 to 90"),
        ("isotropic_share = 20", "exposures.coupon.isotropic_share: 20 is outside 0 to 1"),
        ("rear_share = -0.1", "exposures.coupon.rear_share: -0.1 is outside at least 0"),
        ("holder = 0.5", "exposures.coupon.holder: must be a table, not a number"),
        ("holder = { reflectance = 60 }", "exposures.coupon.holder.reflectance: 60 is outside"),
        ("holder = { }", "exposures.coupon.holder.reflectance: is missing"),
        ('filters = "a"', "exposures.coupon.filters: must be a list of filters"),
        (
            'filters = ["a"]',
            "exposures.coupon.filters[0]: filter 'a' is not defined; there are (no",
        ),
        ("filters = [1]", "exposures.coupon.filters[0]: must be a table, not a number"),
        ("sun = 1", "exposures.coupon.sun: unknown key. Allowed here: stack, light"),
    ],
)
def test_refused_exposures(line: str, text: str, load: Load) -> None:
    assert text in refused(load, ("hours = 10", line))


def test_names_must_be_defined(load: Load) -> None:
    text = refused(load, ('stack = "coupon"', 'stack = "cupon"'))
    assert text == "exposures.coupon.stack: stack 'cupon' is not defined; there are coupon, device"
    text = refused(load, ('layer = "film"', 'layer = "foil"'))
    assert text.startswith(
        "question.layer: exposure coupon: layer 'foil' is not defined; there are film, silica"
    )
    text = refused(load, ('compare = [{ coupon = "coupon"', 'compare = [{ coupon = "c"'))
    assert text.startswith("question.compare[0].coupon: exposure 'c' is not defined; there are")


# --- photocurrent and question ------------------------------------------------------------------


def test_photocurrent_keys(load: Load, tmp_path: Path) -> None:
    (tmp_path / "eqe.csv").write_text("wavelength_nm,quantum_efficiency\n300,0.1\n390,0.2\n")
    scenario = load(
        more="""
[photocurrent.device]
active_layers = ["blend", "film"]
range_nm = [310, 380]
quantum_efficiency = { table = "eqe.csv", stack = "device", lit_from = "back" }
"""
    )
    collection = scenario.collections["device"]
    assert collection.active_layers == ("blend", "film")
    assert collection.range_nm == (310.0, 380.0)
    assert collection.eqe is not None
    assert collection.eqe.lit_from == "back"
    assert collection.eqe.stack is scenario.stacks["device"]
    plain = load(
        more='[photocurrent.device]\nactive_layers = ["blend"]\ncollection_efficiency = 0.5'
    )
    collection = plain.collections["device"]
    assert collection.efficiency == 0.5
    top = ost.material("p3ht_pc61bm").range_nm[1]
    assert collection.range_nm == (280.0, min(top, 1100.0))
    assert set(run(plain).photocurrents) == {"device"}


@pytest.mark.parametrize(
    ("section", "text"),
    [
        (
            "[photocurrent.cell]\nactive_layers = ['a']",
            "photocurrent.cell: stack 'cell' is not def",
        ),
        ("[photocurrent.device]", "photocurrent.device.active_layers: is missing"),
        ("[photocurrent.device]\nactive_layers = []", "active_layers: names no layer"),
        ("[photocurrent.device]\nactive_layers = ['ink']", "active_layers[0]: layer 'ink' is not"),
        (
            "[photocurrent.device]\nactive_layers = ['blend']\ncollection_efficiency = 80",
            "photocurrent.device.collection_efficiency: 80 is outside 0 to 1",
        ),
        (
            "[photocurrent.device]\nactive_layers = ['blend']\n"
            "quantum_efficiency = { table = 'eqe.txt', stack = 'coupon', unit = 'percent' }",
            "photocurrent.device.active_layers[0]: stack coupon: layer 'blend' is not defined",
        ),
        (
            "[photocurrent.device]\nactive_layers = ['blend']\n"
            "quantum_efficiency = { table = 'eqe.txt', unit = 'fraction' }",
            "are no fraction",
        ),
    ],
)
def test_refused_photocurrents(section: str, text: str, load: Load, tmp_path: Path) -> None:
    (tmp_path / "eqe.txt").write_text("300;10\n390;20\n")
    assert text in refused(load, more=section)


def test_question_keys(load: Load, tmp_path: Path) -> None:
    question = load().question
    assert question.bands_nm == ((300.0, 400.0),)
    assert question.default_weights
    assert not question.sensitivity
    own = load(
        (
            "sensitivity = false",
            "sensitivity = false\nweights = { slopes_nm = [10], band_nm = [290, 400] }",
        )
    ).question
    assert [w.name for w in own.weights] == ["flat to 400", "exponential 10 nm to 400"]
    assert own.weights[0].band_nm == (290.0, 400.0)
    assert not own.default_weights
    steeper = load(("sensitivity = false", "weights = { slopes_nm = [10] }")).question
    assert [w.slope_nm for w in steeper.weights] == [None, 10.0]
    assert not steeper.default_weights
    assert steeper.sensitivity
    (tmp_path / "w.csv").write_text("wavelength_nm,weight\n300,4\n350,1\n")
    tabled = load(
        ("sensitivity = false", 'weights = { table = "w.csv", reference_nm = 350 }')
    ).question
    assert tabled.weights[0].reference_nm == 350.0
    assert tabled.weights[0].band_nm == (300.0, 350.0)
    other = load(('layer = "film"\n', 'layer = "blend"\ncoupon_layer = "film"\n')).question
    assert (other.layer, other.coupon_layer) == ("blend", "film")


def test_weights_of_ones_own_reach_the_filters(load: Load) -> None:
    scenario = load(
        ("sensitivity = false", 'filters_on = ["device"]\nweights = { slopes_nm = [10] }'),
        more=f"[filters.edge]\n{EDGE}",
    )
    result = run(scenario)
    assert result.filters is not None
    for row in result.filters.rows:
        assert list(row.weighted_dose_left) == ["flat", "exponential 10 nm"]
    # Bands of ones own: a family to 380 nm has names of its own.
    scenario = load(
        ("sensitivity = false", 'filters_on = ["device"]\nweights = { band_nm = [300, 380] }'),
        more=f"[filters.edge]\n{EDGE}[filters.long]\n{EDGE.replace('350', '390')}",
    )
    result = run(scenario)
    assert result.filters is not None
    assert "flat to 380" in result.filters.rows[0].weighted_dose_left


def test_filters_asked_for_under_a_lamp_are_judged_under_the_sun_too(load: Load) -> None:
    scenario = load(
        ("sensitivity = false", 'filters_on = ["device"]'), more=f"[filters.edge]\n{EDGE}"
    )
    result = run(scenario)
    assert result.filters is not None
    lights = {row.exposure: row.light for row in result.filters.rows}
    assert lights == {"device": "lamp", "device, under AM1.5G instead": "AM1.5G"}
    assert "device, under AM1.5G instead" in result.exposures


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("bands_nm = []", "question.bands_nm: must be a list of bands"),
        ("bands_nm = [[300, 300]]", "question.bands_nm[0]: band 300-300 nm does not increase"),
        ("bands_nm = [[0, 300]]", "question.bands_nm[0][0]: 0 must be greater than 0"),
        ("bands_nm = [300, 400]", "question.bands_nm[0]: must be a band [from, to] in nm"),
        ("bands_nm = [[300, 400]]\nfilters_on = ['x']", "question.filters_on[0]: exposure 'x' is"),
        ("bands_nm = [[300, 400]]\nfilters = ['x']", "question.filters[0]: filter 'x' is not"),
        ("bands_nm = [[300, 400]]\nweights = { slopes_nm = [0] }", "question: weight exponential"),
        (
            "bands_nm = [[300, 400]]\nweights = { slope_nm = [9] }",
            "question.weights.slope_nm: unkn",
        ),
        (
            "bands_nm = [[300, 400]]\nweights = { table = 'ito' }",
            "question.weights.table: there is",
        ),
        ("bands_nm = [[300, 400]]\nweight = 1", "question.weight: unknown key; did you mean wei"),
    ],
)
def test_refused_questions(line: str, text: str, load: Load) -> None:
    assert text in refused(load, ("bands_nm = [[300, 400]]", line))


def test_top_level(load: Load) -> None:
    assert load().title == "Small"
    assert "title: is missing" in refused(load, ('title = "Small"', ""))
    assert "optistack_scenario: 2 is not 1" in refused(
        load, ('title = "Small"', 'optistack_scenario = 2\ntitle = "Small"')
    )
    assert "material: unknown key; did you mean materials?" in refused(load, more="[material.x]\n")
    assert "stacks: must be a table, not a number" in refused(
        load, (SMALL[: SMALL.index("[lights")], 'title = "x"\nstacks = 1\n')
    )


def test_device_and_coupon_that_do_not_absorb_at_all(load: Load) -> None:
    """A layer without thickness has nothing to compare; said when it is run."""
    scenario = load(
        (
            '{ name = "film", material = "ito", thickness_nm = 100 },\n  { name = "blend"',
            '{ name = "film", material = "ito", thickness_nm = 0 },\n  { name = "blend"',
        ),
    )
    with pytest.raises(StackError, match="layer film has no thickness"):
        run(scenario)


# --- files --------------------------------------------------------------------------------------

OWN = '[materials.mine]\ntable = "{}"\n'
NK = "wavelength_nm,n,k\n280,1.6,0.1\n700,1.5,0.01\n"


@pytest.fixture
def elsewhere(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("elsewhere") / "film.csv"
    path.write_text(NK)
    return path


def test_files_outside_the_folder_are_refused(load: Load, elsewhere: Path, tmp_path: Path) -> None:
    (tmp_path / "link.csv").symlink_to(elsewhere)
    (tmp_path / "folder").symlink_to(elsewhere.parent)
    up = Path("..") / elsewhere.parent.name / elsewhere.name
    for name in (elsewhere, "link.csv", "folder/film.csv", f"../{tmp_path.name}/../x.csv", up):
        text = refused(load, more=OWN.format(name))
        assert "materials.mine.table: file" in text
        assert "lies outside the scenario's folder" in text
        assert "--allow-path" in text


@pytest.mark.parametrize("way", ["absolute", "link"])
def test_files_outside_are_read_where_their_folder_is_allowed(
    way: str, load: Load, elsewhere: Path, tmp_path: Path
) -> None:
    name = str(elsewhere)
    if way == "link":
        (tmp_path / "link.csv").symlink_to(elsewhere)
        name = "link.csv"
    scenario = load(more=OWN.format(name), allow_paths=[elsewhere.parent])
    assert scenario.materials["mine"].index(280.0)[0] == 1.6 + 0.1j


@pytest.mark.parametrize("inside", ["film.csv", "sub/film.csv", "sub/../film.csv", "./film.csv"])
def test_files_inside_the_folder_are_read(inside: str, load: Load, tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / inside).write_text(NK)
    assert load(more=OWN.format(inside)).materials["mine"].n_range_nm == (280.0, 700.0)


def test_a_name_without_ending_is_no_way_around_the_folder(load: Load, elsewhere: Path) -> None:
    bare = elsewhere.with_suffix("")
    shutil.copy(elsewhere, bare)
    for key, section in (("materials", "table"), ("lights", "spectrum")):
        text = refused(load, more=f'[{key}.mine]\n{section} = "{bare}"\n')
        assert "no table" in text
    for name in ("../materials/ito", str(ROOT / "materials" / "ito"), "ito.CSV"):
        assert "materials.mine.table" in refused(load, more=OWN.format(name))


def test_files_that_cannot_be_opened(load: Load, tmp_path: Path) -> None:
    (tmp_path / "a.csv").symlink_to("b.csv")
    (tmp_path / "b.csv").symlink_to("a.csv")
    (tmp_path / "dir.csv").mkdir()
    for name in ("a.csv", "dir.csv", "none.csv", "x" * 300 + ".csv"):
        assert refused(load, more=OWN.format(name)).startswith("materials.mine.table: ")


def test_a_table_of_the_wrong_kind(load: Load, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("wavelength_nm,transmittance\n280,0.1\n700,0.9\n")
    assert "holds transmittance, not the n and k" in refused(load, more=OWN.format("t.csv"))
    text = refused(load, more='[lights.mine]\nspectrum = "t.csv"\n')
    assert "lights.mine.spectrum: t.csv holds transmittance, not spectral_irradiance" in text
    text = refused(
        load, more='[filters.mine]\ntransmittance = "t.csv"\nkind = "external"\nunit = "percent"\n'
    )
    assert "t.csv is in the table format, which leaves nothing to state about units" in text


def test_the_column_of_the_quantity_is_used(load: Load, tmp_path: Path) -> None:
    """Whatever stands beside it."""
    (tmp_path / "t.csv").write_text("wavelength_nm,spread,transmittance\n280,0,0.1\n700,0,0.9\n")
    scenario = load(more='[filters.mine]\ntransmittance = "t.csv"\nkind = "internal"\n')
    item = scenario.filters["mine"]
    assert isinstance(item, Filter)
    assert item.given([280.0, 700.0]).tolist() == [0.1, 0.9]


@pytest.mark.parametrize(
    ("column", "text"), [("2.5", "not a whole"), ("1", "outside"), ("9", "exist")]
)
def test_columns_are_whole_numbers(column: str, text: str, load: Load, tmp_path: Path) -> None:
    (tmp_path / "t.txt").write_text("280 1 5\n700 90 5\n")
    section = f'[filters.mine]\ntransmittance = "t.txt"\nkind = "internal"\ncolumn = {column}\n'
    assert text in refused(load, more=section)


# --- docs ---------------------------------------------------------------------------------------


def keys_asked_for() -> set[str]:
    """Names given as literals to the getters of a section in the loader."""
    files = sorted((ROOT / "optistack/scenario").glob("*.py"))
    nodes = [n for p in files for n in ast.walk(ast.parse(p.read_text(encoding="utf-8")))]
    getters = {
        "take",
        "text",
        "choice",
        "number",
        "integer",
        "flag",
        "numbers",
        "band",
        "bands",
        "texts",
        "section",
        "sections",
        "named",
        "_tuples",
        "_mounted",
        "_layers",
    }
    out: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            name = node.func.attr
            literals = [a.value for a in node.args if isinstance(a, ast.Constant)]
            if name in getters:
                out |= {v for v in literals[:1] if isinstance(v, str)}
            elif name == "length_nm":
                out |= {f"{literals[0]}_nm"}
            elif name == "one_of":
                out |= {
                    e.value
                    for a in node.args
                    if isinstance(a, ast.Tuple)
                    for e in a.elts
                    if isinstance(e, ast.Constant)
                }
    return {k for k in out if k != "row"}


def test_every_key_is_documented() -> None:
    asked = keys_asked_for()
    assert {"title", "set_point", "rear_isotropic_share", "k_tilt", "thickness_nm"} <= asked
    text = (ROOT / "docs/scenario.md").read_text(encoding="utf-8")
    written = set(re.findall(r"\w+", " ".join(re.findall(r"`[^`\n]+`", text))))
    assert asked - written == set()
