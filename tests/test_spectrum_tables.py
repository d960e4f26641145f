"""The light tables: format, checksums, standard integrals, and the lamp models' limits.

The tables are read here by a few lines of their own, so that a fault of the package's reader
cannot hide a fault of a table.
"""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import json
import re
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROOT = Path(__file__).resolve().parent.parent
SPECTRA = ROOT / "spectra"
REFERENCE = ROOT / "shared" / "reference"

SUNS = {"am15g": "global", "am15d": "direct", "am0_g173": "extraterrestrial"}
LAMPS = ("uva340", "uvb313", "xenon_daylight")
LIGHTS = (*SUNS, *LAMPS, "plasma_visible")
VARIANTS = ("mid", "short_rich", "short_poor")
HEADER = (
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
)
# Values are rounded to 1e-6 of that at 340 nm. Half a unit over at most 130 nm, against integrals of
# at least 55 nm over 250-400 nm in the same scale, is 1.2e-6 or 1.2e-4 percentage points at worst.
SHARE_TOLERANCE = 1.2e-4

# The bands in which the standards state percentages, with the row names of the limits table.
BANDS = {
    "<290": (250.0, 290.0),
    "290-320": (290.0, 320.0),
    "320-360": (320.0, 360.0),
    "360-400": (360.0, 400.0),
}
LIMIT_ROWS = {
    "uva340": ("fluorescent UVA-340", ("G154", "4892-3")),
    "uvb313": ("fluorescent UVB-313", ("G154", "4892-3")),
    "xenon_daylight": ("xenon arc, daylight filters", ("G155", "4892-2")),
}


@dataclass(frozen=True, eq=False)
class Table:
    """A table as text and numbers."""

    header: tuple[tuple[str, str], ...]
    cells: tuple[tuple[str, ...], ...]
    wavelength_nm: Array
    columns: dict[str, Array]

    def value(self, key: str) -> str:
        """The one value of a header key."""
        (value,) = (text for name, text in self.header if name == key)
        return value


def read(name: str) -> Table:
    """Read a light table."""
    lines = (SPECTRA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    head = [line for line in lines if line.startswith("#")]
    body = lines[len(head) :]
    pairs = [line.removeprefix("# ").split(": ", 1) for line in head]
    names = body[0].split(",")
    cells = tuple(tuple(line.split(",")) for line in body[1:])
    values = np.array([[float(cell) for cell in row] for row in cells]).T
    return Table(
        header=tuple((key, text) for key, text in pairs),
        cells=cells,
        wavelength_nm=values[0],
        columns=dict(zip(names[1:], values[1:], strict=True)),
    )


def integral(wavelength_nm: Array, values: Array, low: float, high: float) -> float:
    """Exact integral of the piecewise linear table over a band; zero outside the table."""
    low, high = max(low, wavelength_nm[0]), min(high, wavelength_nm[-1])
    inside = wavelength_nm[(wavelength_nm > low) & (wavelength_nm < high)]
    grid = np.concatenate([[low], inside, [high]])
    return float(np.trapezoid(np.interp(grid, wavelength_nm, values), grid))


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a reference table."""
    with (REFERENCE / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


def check(identifier: str) -> dict[str, Any]:
    """Expected values of a reference check."""
    everything = json.loads((REFERENCE / "checks.json").read_text(encoding="utf-8"))
    (entry,) = (one for one in everything if one["id"] == identifier)
    return dict(entry["expected"] | {"inputs": entry["inputs"]})


@pytest.fixture(scope="module")
def script() -> ModuleType:
    """The build script as a module."""
    spec = importlib.util.spec_from_file_location(
        "build_spectra", ROOT / "scripts" / "build_spectra.py"
    )
    if spec is None or spec.loader is None:
        pytest.fail("scripts/build_spectra.py is missing")
    module = importlib.util.module_from_spec(spec)
    # dataclasses look their module up by name
    sys.modules["build_spectra"] = module
    spec.loader.exec_module(module)
    return module


# --- format ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", LIGHTS)
def test_header_is_complete_and_in_order(name: str) -> None:
    table = read(name)
    keys = [key for key, _ in table.header]
    assert tuple(keys[: len(HEADER)]) == HEADER
    assert set(keys[len(HEADER) :]) <= {"note"}
    assert all(text.strip() == text and text for _, text in table.header)
    assert table.value("optistack-table") == "1"
    first, last = (float(text) for text in table.value("range_nm").split())
    assert (first, last) == (table.wavelength_nm[0], table.wavelength_nm[-1])


@pytest.mark.parametrize(
    ("names", "quantity", "kind", "grade", "columns"),
    [
        (SUNS, "spectral_irradiance", "standard", "A", ("spectral_irradiance_w_m2_nm",)),
        (LAMPS, "relative_spectral_irradiance", "model", "C", VARIANTS),
        (
            ("plasma_visible",),
            "relative_spectral_irradiance",
            "invented",
            "D",
            ("relative_spectral_irradiance",),
        ),
    ],
)
def test_quantity_kind_grade_and_columns(
    names: tuple[str, ...], quantity: str, kind: str, grade: str, columns: tuple[str, ...]
) -> None:
    for name in names:
        table = read(name)
        assert table.value("quantity") == quantity
        assert table.value("kind") == kind
        assert table.value("grade") == grade
        assert tuple(table.columns) == columns


@pytest.mark.parametrize("name", LIGHTS)
def test_numbers_are_finite_non_negative_and_written_shortest(name: str) -> None:
    table = read(name)
    assert np.all(np.diff(table.wavelength_nm) > 0)
    for values in table.columns.values():
        assert np.all(np.isfinite(values))
        assert np.all(values >= 0)
        assert not np.any(np.signbit(values))
        assert values.max() > 0
    for row in table.cells:
        for cell in row:
            assert cell == repr(float(cell)).removesuffix(".0")


@pytest.mark.parametrize("name", LIGHTS)
def test_file_ends_lines_with_lf_only(name: str) -> None:
    content = (SPECTRA / f"{name}.csv").read_bytes()
    assert b"\r" not in content
    assert content.endswith(b"\n")


def test_checksums_are_pinned() -> None:
    pinned = tomllib.loads((SPECTRA / "CHECKSUMS.toml").read_text(encoding="utf-8"))["sha256"]
    found = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in SPECTRA.glob("*.csv")
    }
    assert pinned == found
    assert {f"{name}.csv" for name in LIGHTS} <= set(pinned)


def test_memory_marks_and_rescaling_stand_in_the_lamp_headers() -> None:
    for name in LAMPS:
        notes = [text for key, text in read(name).header if key == "note"]
        assert "the band limits are from memory, unverified" in notes
        assert "each variant is rescaled separately to the set point by the program" in notes


def test_script_rebuilds_every_table_byte_for_byte(script: ModuleType, tmp_path: Path) -> None:
    pytest.importorskip("pvlib")
    written = script.build(tmp_path)
    assert {path.stem for path in written} == set(LIGHTS)
    for path in written:
        assert path.read_bytes() == (SPECTRA / path.name).read_bytes(), path.name
    pinned = tomllib.loads((SPECTRA / "CHECKSUMS.toml").read_text(encoding="utf-8"))["sha256"]
    rebuilt = tomllib.loads((tmp_path / "CHECKSUMS.toml").read_text(encoding="utf-8"))["sha256"]
    assert rebuilt.items() <= pinned.items()


# --- the standard sun ------------------------------------------------------------------------


@pytest.mark.parametrize("name", SUNS)
def test_g173_equals_the_source_on_its_native_grid(name: str) -> None:
    spectrum = pytest.importorskip("pvlib.spectrum")
    source = spectrum.get_reference_spectra(standard="ASTM G173-03")
    table = read(name)
    assert len(table.wavelength_nm) == 2002
    assert np.array_equal(table.wavelength_nm, source.index.to_numpy())
    (values,) = table.columns.values()
    assert np.array_equal(values, source[SUNS[name]].to_numpy())


def test_g173_grid_steps() -> None:
    # 0.5 nm to 400 nm, 1 nm to 1700 nm, two steps to 1702 and 1705 nm, then 5 nm
    grid = read("am15g").wavelength_nm
    assert (grid[0], grid[-1]) == (280.0, 4000.0)
    steps = np.diff(grid)
    assert np.all(steps[grid[1:] <= 400] == 0.5)
    assert np.all(steps[(grid[:-1] >= 400) & (grid[1:] <= 1700)] == 1.0)
    assert np.all(steps[grid[:-1] >= 1705] == 5.0)


@pytest.mark.parametrize(
    ("name", "total_w_m2"),
    [("am15g", 1000.37065557), ("am15d", 900.139329284), ("am0_g173", 1347.93432)],
)
def test_g173_totals(name: str, total_w_m2: float) -> None:
    # reference check RAD-004 (published: 1000.37 and 900.1 W/m2), its tolerance 1e-5
    table = read(name)
    (values,) = table.columns.values()
    found = integral(table.wavelength_nm, values, 280.0, 4000.0)
    assert found == pytest.approx(total_w_m2, rel=1e-5)
    assert check("RAD-004")[
        {"am15g": "global_", "am15d": "direct"}.get(name, "extraterrestrial")
    ] == pytest.approx(total_w_m2, rel=1e-9)


@pytest.mark.parametrize("row", rows("am15_band_integrals.csv"))
def test_g173_band_integrals(row: dict[str, str]) -> None:
    low, high = float(row["band_lo_nm"]), float(row["band_hi_nm"])
    for name, column in SUNS.items():
        table = read(name)
        (values,) = table.columns.values()
        # the reference is written with four decimals
        assert integral(table.wavelength_nm, values, low, high) == pytest.approx(
            float(row[f"{column}_W_m2"]), abs=5.1e-5
        )
    table = read("am15g")
    (values,) = table.columns.values()
    # photon flux E lambda / hc and current e x flux, h, c, e exact by definition of the SI
    planck_j_s, light_m_s, charge_c = 6.62607015e-34, 299792458.0, 1.602176634e-19
    photons = values * table.wavelength_nm * 1e-9 / (planck_j_s * light_m_s)
    flux_m2_s = integral(table.wavelength_nm, photons, low, high)
    # the reference is written with five digits
    assert flux_m2_s == pytest.approx(float(row["global_photons_m2_s"]), rel=5.1e-5)
    assert flux_m2_s * charge_c * 0.1 == pytest.approx(float(row["global_mA_cm2"]), abs=5.1e-5)


@pytest.mark.parametrize("row", rows("iec60904_9_bands.csv"))
def test_g173_in_the_bands_of_iec_60904_9(row: dict[str, str]) -> None:
    table = read("am15g")
    (values,) = table.columns.values()
    whole = {"2007": (400.0, 1100.0), "2020": (300.0, 1200.0)}[row["edition"]]
    share = 100.0 * (
        integral(table.wavelength_nm, values, float(row["band_lo_nm"]), float(row["band_hi_nm"]))
        / integral(table.wavelength_nm, values, *whole)
    )
    # The 2007 shares are published with one decimal. Those of 2020 (from memory, unverified) have
    # two, and the edition may have integrated another way: one unit of the last digit is allowed.
    tolerance = {"2007": 0.05, "2020": 0.015}[row["edition"]]
    assert share == pytest.approx(float(row["published_percent"]), abs=tolerance)
    assert share == pytest.approx(float(row["computed_from_pvlib_percent"]), abs=0.0051)


def test_g173_spectral_values() -> None:
    # reference check RAD-015
    table = read("am15g")
    (values,) = table.columns.values()
    for wavelength_nm, key in ((340, "E_340"), (420, "E_420"), (313, "E_313")):
        assert values[table.wavelength_nm == wavelength_nm][0] == check("RAD-015")[key]


# --- the lamp models -------------------------------------------------------------------------


def limits(name: str) -> dict[str, list[tuple[float, float]]]:
    """All limits [percent] that hold for a lamp, by band; two standards may give two pairs."""
    lamp, standards = LIMIT_ROWS[name]
    found: dict[str, list[tuple[float, float]]] = {}
    for row in rows("weathering_lamp_uv_bands.csv"):
        if row["lamp"].startswith(lamp) and any(text in row["standard"] for text in standards):
            pair = (float(row["min_percent"] or 0.0), float(row["max_percent"]))
            found.setdefault(row["band_nm"], []).append(pair)
    return found


def shares(name: str, variant: str) -> dict[str, float]:
    """Band shares [percent] of 250-400 nm, from the written table."""
    table = read(name)
    values = table.columns[variant]
    whole = integral(table.wavelength_nm, values, 250.0, 400.0)
    return {
        band: 100.0 * integral(table.wavelength_nm, values, *span) / whole
        for band, span in BANDS.items()
    }


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("name", LAMPS)
def test_lamp_shares_lie_inside_the_limits(name: str, variant: str) -> None:
    found = shares(name, variant)
    allowed = limits(name)
    assert set(allowed) == set(BANDS)
    for band, pairs in allowed.items():
        for low, high in pairs:
            assert low - SHARE_TOLERANCE <= found[band] <= high + SHARE_TOLERANCE, band
    # nothing of the standard's band lies between or outside the four bands
    assert sum(found.values()) == pytest.approx(100.0, abs=1e-9)


@pytest.mark.parametrize("name", LAMPS)
def test_lamp_shares_are_those_of_the_header(name: str) -> None:
    for variant in VARIANTS:
        (text,) = (
            text for key, text in read(name).header if text.startswith(f"{variant}: share of ")
        )
        stated = dict(re.findall(r"([<\d][\d-]*) nm ([\d.]+) %", text))
        found = shares(name, variant)
        assert sum(float(value) for value in stated.values()) == pytest.approx(100.0, abs=0.02)
        for band, value in stated.items():
            # written with two decimals
            assert found[band] == pytest.approx(float(value), abs=0.0051)


@pytest.mark.parametrize("name", LAMPS)
def test_short_rich_and_short_poor_go_as_far_as_the_limits_allow(name: str) -> None:
    allowed = limits(name)["290-320"]
    rich, poor = shares(name, "short_rich"), shares(name, "short_poor")
    assert rich["290-320"] == pytest.approx(min(high for _, high in allowed), abs=SHARE_TOLERANCE)
    assert poor["290-320"] == pytest.approx(max(low for low, _ in allowed), abs=SHARE_TOLERANCE)


@pytest.mark.parametrize("name", LAMPS)
def test_variants_are_ordered_in_the_short_bands(name: str) -> None:
    split = {variant: shares(name, variant) for variant in VARIANTS}
    bands = ["290-320"] if name != "uvb313" else ["<290", "290-320"]
    for band in bands:
        assert split["short_rich"][band] > split["mid"][band] > split["short_poor"][band]
    assert split["short_rich"]["360-400"] < split["mid"]["360-400"] < split["short_poor"]["360-400"]
    table = read(name)
    part = {
        variant: integral(table.wavelength_nm, values, 280.0, 315.0)
        / integral(table.wavelength_nm, values, 280.0, 400.0)
        for variant, values in table.columns.items()
    }
    assert part["short_rich"] > part["mid"] > part["short_poor"]


@pytest.mark.parametrize("name", LAMPS)
def test_lamp_is_one_at_340_nm_and_covers_280_to_400_nm(name: str) -> None:
    table = read(name)
    assert table.wavelength_nm[0] <= 280.0
    for values in table.columns.values():
        assert values[table.wavelength_nm == 340.0][0] == 1.0
    assert np.all(np.diff(table.wavelength_nm[table.wavelength_nm <= 400.0]) == 0.5)
    if name == "xenon_daylight":
        assert table.wavelength_nm[-1] == 1100.0
    else:
        assert table.wavelength_nm[-1] == 400.0
    for variant, values in table.columns.items():
        first_nm = table.wavelength_nm[np.flatnonzero(values)[0]]
        onset_nm = {"uva340": 295.0, "uvb313": 270.0, "xenon_daylight": 290.0}[name]
        assert onset_nm < first_nm <= onset_nm + 4.0, variant
        if name != "xenon_daylight":
            assert values[-1] == 0.0


@pytest.mark.parametrize(
    ("name", "peak_nm"), [("uva340", 343.0), ("uvb313", 313.0), ("xenon_daylight", 400.0)]
)
def test_lamp_curve_has_one_peak_and_no_kink(name: str, peak_nm: float) -> None:
    table = read(name)
    part = table.wavelength_nm <= 400.0
    grid = table.wavelength_nm[part]
    for values in table.columns.values():
        curve = values[part]
        # 0.5 nm is the grid: the top may be flat over one step
        assert abs(grid[curve.argmax()] - peak_nm) <= 0.5
        # two values rounded to 1e-6 each may swap by 1e-6
        assert np.all(np.diff(curve[grid <= peak_nm]) >= -1.1e-6)
        assert np.all(np.diff(curve[grid >= peak_nm]) <= 1.1e-6)
        # At the onset value and slope start from zero, the bend from a finite value: a step that
        # is no kink, hence from 2 nm after it.
        onset_nm = {"uva340": 295.0, "uvb313": 270.0, "xenon_daylight": 290.0}[name]
        assert kink(curve[grid >= onset_nm + 2.0]) < 0.1
        assert curve[grid == onset_nm + 0.5][0] < 1e-3 * curve.max()


def kink(curve: Array) -> float:
    """Largest change of slope at one point that its neighbours do not share, 1 for a lone kink.

    A smooth curve bends at one step of 0.5 nm nearly as it does at the steps beside it.
    """
    bend = np.diff(curve, 2)
    return float(np.abs(bend[1:-1] - (bend[:-2] + bend[2:]) / 2.0).max() / np.abs(bend).max())


@pytest.mark.parametrize("name", LAMPS)
def test_a_kink_at_a_band_limit_would_be_found(name: str) -> None:
    # bands joined by straight lines through the same values at 290, 320, 360 and 400 nm
    table = read(name)
    grid = table.wavelength_nm[table.wavelength_nm <= 400.0]
    corners = np.array([280.0, 290.0, 320.0, 360.0, 400.0])
    curve = np.interp(grid, corners, np.interp(corners, grid, table.columns["mid"][: len(grid)]))
    assert kink(curve) > 0.5


def test_xenon_continuum_joins_smoothly_at_400_nm() -> None:
    table = read("xenon_daylight")
    grid = table.wavelength_nm
    for values in table.columns.values():
        below = (values[grid == 400.0][0] - values[grid == 399.5][0]) / 0.5
        above = values[grid == 401.0][0] - values[grid == 400.0][0]
        # relative slopes; the curvature of either side over 1 nm stays below 4e-4 per nm
        assert below / values[grid == 400.0][0] == pytest.approx(
            above / values[grid == 400.0][0], abs=4e-4
        )
        # Wien: a black body of 5900 K peaks at 2.897772e6 nm K / 5900 K = 491.1 nm
        assert grid[values.argmax()] == pytest.approx(2.897772e6 / 5900.0, abs=1.0)


def effective_irradiance_w_m2(wavelength_nm: Array, values: Array) -> float:
    """Irradiance weighted with the tabulated hazard weight, log-interpolated, 270-400 nm."""
    table = rows("icnirp_s_lambda.csv")
    weight_nm = np.array([float(row["wavelength_nm"]) for row in table])
    log_weight = np.log([float(row["S_table"]) for row in table])
    grid = np.arange(2700, 4001) * 0.1
    spectral = np.interp(grid, wavelength_nm, values, left=0.0)
    return float(np.trapezoid(spectral * np.exp(np.interp(grid, weight_nm, log_weight)), grid))


def at_set_point(name: str, set_point: float, wavelength_nm: float) -> dict[str, dict[str, float]]:
    """Irradiances [W/m2] of each variant at a set point [W/m2/nm]."""
    table = read(name)
    grid = table.wavelength_nm
    result = {}
    for variant, relative in table.columns.items():
        values = relative * set_point / np.interp(wavelength_nm, grid, relative)
        result[variant] = {
            "315-400": integral(grid, values, 315.0, 400.0),
            "280-400": integral(grid, values, 280.0, 400.0),
            "300-400": integral(grid, values, 300.0, 400.0),
            "effective": effective_irradiance_w_m2(grid, values),
        }
    return result


def between(name: str, found: dict[str, dict[str, float]]) -> tuple[float, float]:
    """Lowest and highest value of the three variants."""
    return min(one[name] for one in found.values()), max(one[name] for one in found.values())


def measured() -> dict[str, float]:
    """Values computed from measured lamp spectra, kept with the exposure limits."""
    text = (REFERENCE / "uv_exposure_limits.toml").read_text(encoding="utf-8")
    return dict(tomllib.loads(text)["check_values"])


def test_the_weighting_used_below_reproduces_the_reference_for_the_sun() -> None:
    table = read("am15g")
    (values,) = table.columns.values()
    # The reference sums the product at 0.5 nm, this at 0.1 nm: 0.13 % apart, as both fall steeply.
    assert effective_irradiance_w_m2(table.wavelength_nm, values) == pytest.approx(
        measured()["am15g_effective_W_m2"], rel=2e-3
    )


def test_uva340_is_plausible_beside_a_measured_tube() -> None:
    found = at_set_point("uva340", 0.89, 340.0)
    tube = measured()
    # Totals: 10 %. All three variants lie 2 to 8 % above the tube. A smooth curve is rounder at the
    # top than a phosphor band with a mercury line at 334 nm, so more irradiance goes with the value
    # at 340 nm; and the shares of the standard leave that much room.
    for one in found.values():
        assert one["315-400"] == pytest.approx(tube["uva340_tube_at_0p89_uva_W_m2"], rel=0.10)
        assert one["280-400"] == pytest.approx(
            check("OUT-009")["inputs"]["lamp_UV280_400_W_m2"], rel=0.10
        )
    # Hazard-weighted: 295-310 nm counts most, where one tube is one sample of a wide limit. The
    # variants must enclose it, and the middle one be within 25 %.
    low, high = between("effective", found)
    expected = tube["uva340_tube_at_0p89_W_m2_nm_340_effective_W_m2"]
    assert low < expected < high
    assert found["mid"]["effective"] == pytest.approx(expected, rel=0.25)


def test_uvb313_is_plausible_beside_a_measured_tube() -> None:
    found = at_set_point("uvb313", 0.71, 310.0)
    tube = measured()
    low, high = between("315-400", found)
    assert low < tube["uvb313_tube_at_0p71_uva_W_m2"] < high
    # one tube against the middle of limits that let this quantity range over a factor of two
    assert found["mid"]["315-400"] == pytest.approx(tube["uvb313_tube_at_0p71_uva_W_m2"], rel=0.15)
    # Hazard-weighted: the share below 290 nm counts most, and the limits leave it a factor of four.
    # The tube lies near the poor end; the model also spreads the mercury line at 313 nm, which
    # counts little, over 290-320 nm. Enclosed, and the middle one within a factor of 1.5.
    low, high = between("effective", found)
    expected = tube["uvb313_tube_at_0p71_W_m2_nm_310_effective_W_m2"]
    assert low < expected < high
    assert 1.0 < found["mid"]["effective"] / expected < 1.5


def test_xenon_is_plausible_beside_the_paired_set_points() -> None:
    # ISO 4892-2 gives 60 W/m2 in 300-400 nm and 0.51 W/m2/nm at 340 nm as equivalent set points
    # (from memory, unverified): each variant within 20 %, the middle one within 5 %.
    found = at_set_point("xenon_daylight", 0.51, 340.0)
    low, high = between("300-400", found)
    assert low < 60.0 < high
    assert found["mid"]["300-400"] == pytest.approx(60.0, rel=0.05)
    for one in found.values():
        assert one["300-400"] == pytest.approx(60.0, rel=0.20)


# --- the script's parts ----------------------------------------------------------------------


def test_band_shares_follow_their_rule(script: ModuleType) -> None:
    allowed = [(10.0, 20.0), (30.0, 70.0), (20.0, 50.0)]
    assert script.band_shares(allowed, "short_rich") == [20.0, 60.0, 20.0]
    assert script.band_shares(allowed, "short_poor") == [10.0, 40.0, 50.0]
    assert script.band_shares(allowed, "mid") == pytest.approx([15.0, 50.0, 35.0], abs=1e-12)
    with pytest.raises(ValueError, match="not 100"):
        script.band_shares([(10.0, 20.0), (30.0, 40.0)], "mid")
    with pytest.raises(ValueError, match="unknown variant"):
        script.band_shares(allowed, "typical")
    with pytest.raises(ValueError, match="no limits"):
        script.read_limits("candle", ["G154"])


def test_quadratic_programme_against_closed_forms(script: ModuleType) -> None:
    # the point nearest to the origin on the plane x + y + z = 3
    identity, plane, target = np.eye(3), np.ones((1, 3)), np.array([3.0])
    # (1, 1, 1) meets x + z / 2 >= 0, which changes nothing
    idle = np.array([[1.0, 0.0, 0.5]])
    found = script.solve_quadratic_programme(identity, plane, target, idle)
    assert found == pytest.approx([1.0, 1.0, 1.0], abs=1e-12)
    # z >= 2 x and x >= y. With z = 2 x alone y = 3 - 3 x and the minimum of 5 x^2 + (3 - 3 x)^2
    # is at x = 9/14 with y = 15/14 > x: both bind, x = y = 3/4 and z = 3/2
    binding = np.array([[1.0, -1.0, 0.0], [-2.0, 0.0, 1.0]])
    found = script.solve_quadratic_programme(identity, plane, target, binding)
    assert found == pytest.approx([0.75, 0.75, 1.5], abs=1e-12)
    # with the first alone relaxed the other one binds
    found = script.solve_quadratic_programme(identity, plane, target, binding[1:])
    assert found == pytest.approx([9.0 / 14.0, 15.0 / 14.0, 18.0 / 14.0], abs=1e-12)
    # z = 1, x + y >= 0 and x + y + z / 2 <= 0 cannot both hold
    against = np.array([[1.0, 1.0, 0.0], [-1.0, -1.0, -0.5]])
    fixed_z = np.array([[0.0, 0.0, 1.0]])
    with pytest.raises(RuntimeError, match="no curve"):
        script.solve_quadratic_programme(identity, fixed_z, np.array([1.0]), against)


def test_smoothest_curve_beats_its_neighbours(script: ModuleType) -> None:
    # Another curve with the same shares, peak and ends (its curvature judged against a bell), and
    # every mixture with it, must bend more.
    lamp = script.LAMPS["uva340"]
    _, bands, split = script.lamp_bands(lamp)
    _, curve = script.smoothest_curve(bands, split["mid"], lamp.shape)
    shape = script.Shape(onset_nm=295.0, end_nm=400.0, peak_nm=343.0, bell_fwhm_nm=80.0)
    _, other = script.smoothest_curve(bands, split["mid"], shape)

    def roughness(values: Array) -> float:
        return float(np.sum(np.diff(values, 2) ** 2))

    assert np.abs(other - curve).max() > 1e-3 * curve.max()
    for part in (0.01, 0.1, 1.0):
        assert roughness(curve) < roughness((1.0 - part) * curve + part * other)


# --- the invented lamp and the reference folder ----------------------------------------------


def test_plasma_lamp_is_visible_rich_and_smooth() -> None:
    table = read("plasma_visible")
    grid, values = table.wavelength_nm, table.columns["relative_spectral_irradiance"]
    assert (grid[0], grid[-1]) == (280.0, 1100.0)
    assert grid[values.argmax()] == 520.0
    assert values.max() == 1.0
    # the sun has 46.1 / 429.8 = 11 % of its 400-700 nm irradiance in 280-400 nm; this lamp much less
    assert integral(grid, values, 280.0, 400.0) < 0.04 * integral(grid, values, 400.0, 700.0)
    assert np.all(np.diff(values[grid <= 520.0]) >= 0.0)
    assert np.all(np.diff(values[grid >= 520.0]) <= 0.0)
    assert any("invented" in text for key, text in table.header if key == "note")


def test_reference_folder_is_described_and_speaks_of_no_machine() -> None:
    text = (REFERENCE / "README.md").read_text(encoding="utf-8")
    for path in REFERENCE.iterdir():
        assert path.name == "README.md" or f"`{path.name}`" in text, path.name
        # an absolute path: a slash and a folder name at the start of a word
        content = path.read_text(encoding="utf-8")
        assert re.findall(r"(?:^|[\s\"'(`=])/[a-z]\w*/\w+", content, re.MULTILINE) == []
