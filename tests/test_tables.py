"""The table format: reading, checking, writing, finding by name."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optistack import tables
from optistack.errors import OptistackError, TableError
from optistack.materials import material
from optistack.tables import data_folder, find_table, read_table, table_names, write_table

HEADER = {
    "title": "A table",
    "units": "nm; 1",
    "source": "made for a test",
    "licence": "MIT",
    "retrieved": "2026-01-01",
    "kind": "invented",
    "grade": "D",
    "uncertainty": "none",
}


@pytest.fixture
def write(tmp_path: Path) -> Iterator[object]:
    def to(text: str | bytes, name: str = "t.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return to


def refusal(path: Path) -> str:
    """The message of a refused file: one line that begins with the file."""
    with pytest.raises(TableError) as refused:
        read_table(path)
    text = str(refused.value)
    assert text.startswith(str(path))
    assert "\n" not in text
    return text.removeprefix(str(path))


# --- reading ------------------------------------------------------------------------------------


def test_a_plain_table_has_grade_d_and_no_source(write) -> None:
    table = read_table(write("wavelength_nm,n,k\n300,1.5,0.01\n400,1.6,\n500,1.7,0\n"))
    assert (table.grade, table.source, table.quantity) == ("D", "not stated", "nk")
    assert table.range_nm == (300.0, 500.0)
    lam, k = table.known("k")
    assert lam.tolist() == [300.0, 500.0]
    assert k.tolist() == [0.01, 0.0]
    assert len(table.sha256) == 64
    with pytest.raises(ValueError, match="read-only"):
        table.wavelength_nm[0] = 1.0


def test_header_notes_and_blank_lines(write) -> None:
    table = read_table(
        write(
            "# quantity: weight\n# grade: B\n# kind: measured\n# source: a: b\n# note: one\n\n"
            "#no colon here\n# note: two\nwavelength_nm , weight\n300,1\n\n , \n400,0\n"
        )
    )
    assert table.notes == ("one", "two")
    assert table.source == "a: b"
    assert table.grade == "B"
    assert table.wavelength_nm.tolist() == [300.0, 400.0]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_encodings(encoding: str, write) -> None:
    text = "# quantity: weight\n# source: Mürren, 25 °C\nwavelength_nm,weight\n300,1\n400,0\n"
    assert read_table(write(text.encode(encoding))).source == "Mürren, 25 °C"


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_ends(ending: str, write) -> None:
    text = ending.join(["wavelength_nm,weight", "300,1", "400,0", ""])
    assert read_table(write(text)).wavelength_nm.tolist() == [300.0, 400.0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", ": no rows"),
        ("# only: header\n", ": no rows"),
        ("wavelength_nm,n\n", ": no rows"),
        ("wavelength_nm,n\n\n\n", ": no rows of numbers"),
        ("wavelength,n\n300,1\n", ", line 1: the first column is 'wavelength'"),
        ("nm;n\n300;1\n", ", line 1: the first column is 'nm;n'"),
        ("wavelength_nm\n300\n", ", line 1: columns (none) say no quantity"),
        ("wavelength_nm,foo\n300,1\n", ", line 1: columns foo say no quantity"),
        ("wavelength_nm,n,n\n300,1,1\n", ", line 1: two columns have the same name"),
        ("wavelength_nm,n\n300,1\n310,x\n", ", line 3: n: 'x' is not a number"),
        ("wavelength_nm,n\n300,1\n310,1_0\n", ", line 3: n: '1_0' is not a number"),
        ("wavelength_nm,n\n300,1\n310,nan\n", ", line 3: n: nan is not a finite number"),
        ("wavelength_nm,n\n300,inf\n", ", line 2: n: inf is not a finite number"),
        ("wavelength_nm,n\n300,1e999\n", ", line 2: n: 1e999 is not a finite number"),
        ("wavelength_nm,n\n300,1,2\n", ", line 2: 3 cells, expected 2"),
        ("wavelength_nm,n\n300\n", ", line 2: 1 cells, expected 2"),
        ("wavelength_nm,n\n,1\n", ", line 2: a row without wavelength"),
        ("wavelength_nm,n\n300,1\n300,1\n", ", line 3: wavelength 300 nm comes twice"),
        ("wavelength_nm,n\n300,1\n290,1\n", ", line 3: wavelength 290 nm comes after a larger one"),
        ("wavelength_nm,n\n0,1\n300,1\n", ", line 2: wavelengths must be positive"),
        ("wavelength_nm,n\n-5,1\n300,1\n", ", line 2: wavelengths must be positive"),
        ("wavelength_nm,n\n300,0\n", ": n = 0 at 300 nm: n must be positive"),
        ("wavelength_nm,n\n300,-1.5\n", ": n = -1.5 at 300 nm: n must be positive"),
        ("wavelength_nm,n,k\n300,1,0\n310,1,-1e-9\n", ": k = -1e-09 at 310 nm: k must not be neg"),
        ("wavelength_nm,n,k\n300,1,\n", ", line 1: column k is empty"),
        ("wavelength_nm,transmittance\n300,88\n", ": transmittance = 88 at 300 nm: transmittance"),
        ("wavelength_nm,transmittance\n300,-0.02\n", ": transmittance = -0.02 at 300 nm"),
        ("wavelength_nm,quantum_efficiency\n300,1.03\n", ": quantum_efficiency = 1.03"),
        ("wavelength_nm,spectral_irradiance_w_m2_nm\n300,-1\n", ": spectral_irradiance_w_m2_nm = "),
        ("wavelength_nm,weight\n300,-1\n", ": weight = -1 at 300 nm: weight must not be negative"),
        ("# quantity: colour\nwavelength_nm,n\n300,1\n", ": quantity 'colour' is not one of nk"),
        ("# quantity: nk\nwavelength_nm,k\n300,1\n", ", line 2: column n is missing"),
        ("# grade: E\nwavelength_nm,n\n300,1\n", ": grade 'E' is not one of A, B, C, D"),
        ("# kind: read\nwavelength_nm,n\n300,1\n", ": kind 'read' is not one of measured"),
        (
            "# grade: A\n# grade: B\nwavelength_nm,n\n300,1\n",
            ", line 2: the header has 'grade' twi",
        ),
        (
            "# optistack-table: 1\nwavelength_nm,n\n300,1\n",
            ": the header lacks title, quantity, un",
        ),
        (
            "# quantity: relative_spectral_irradiance\nwavelength_nm\n300\n",
            ", line 2: there is no column beside wavelength_nm",
        ),
    ],
)
def test_refusals_name_file_line_and_reason(text: str, message: str, write) -> None:
    assert refusal(write(text)).startswith(message)


def test_transmittance_a_little_outside_is_kept(write) -> None:
    table = read_table(write("wavelength_nm,transmittance\n300,-0.01\n400,1.02\n"))
    assert table.columns["transmittance"].tolist() == [-0.01, 1.02]


def test_files_that_are_no_text(tmp_path: Path, write) -> None:
    assert ": not a text file" in refusal(write(b"\x89PNG\r\n\x1a\n\x00\x00\x00"))
    assert ": not a text file" in refusal(write(b"\xff\xfea"))  # half a UTF-16 character
    assert ": there is no such file" in refusal(tmp_path / "missing.csv")
    assert ": not a file" in refusal(tmp_path)
    assert ": cannot be read (File name too long)" in refusal(tmp_path / ("a" * 300 + ".csv"))


def test_files_that_are_too_much(tmp_path: Path, write, monkeypatch: pytest.MonkeyPatch) -> None:
    many = ",".join(["wavelength_nm", *(f"c{i}" for i in range(5000))])
    row = ",".join(["300"] * 5001)
    assert ", line 1: 5001 columns; a table has at most 1000" in refusal(write(f"{many}\n{row}\n"))
    long_cell = 'wavelength_nm,n\n"' + "a" * 200_000
    assert "not comma-separated values" in refusal(write(long_cell))
    monkeypatch.setattr(tables, "MAX_BYTES", 1000)
    assert "is more than a table can have" in refusal(write("# x\n" * 1000))


# --- writing ------------------------------------------------------------------------------------

increasing = st.lists(
    st.floats(1e-3, 1e5, allow_nan=False), min_size=1, max_size=20, unique=True
).map(sorted)


@given(lam=increasing, data=st.data())
@settings(max_examples=40)
def test_writing_and_reading_gives_the_same_bits(
    tmp_path_factory: pytest.TempPathFactory, lam: list[float], data: st.DataObject
) -> None:
    def column(least: float) -> list[float]:
        cell = st.one_of(st.floats(least, 1e6), st.just(math.nan))
        values = data.draw(st.lists(cell, min_size=len(lam), max_size=len(lam)))
        values[0] = 1.25  # a column needs one known value
        return values

    n, k = column(1e-3), column(0.0)
    path = tmp_path_factory.mktemp("tables") / "x.csv"
    title = data.draw(
        st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), max_size=20)
    )
    write_table(
        path,
        "nk",
        np.array(lam),
        {"n": np.array(n), "k": np.array(k)},
        header={**HEADER, "title": title or "x"},
        notes=("first", "second"),
    )
    table = read_table(path)
    assert table.wavelength_nm.tolist() == lam
    np.testing.assert_array_equal(table.columns["n"], n)
    np.testing.assert_array_equal(table.columns["k"], k)
    assert table.title == (title or "x")
    assert table.notes == ("first", "second")
    assert (table.grade, table.kind) == ("D", "invented")


def test_what_would_be_refused_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    with pytest.raises(TableError, match="k must not be negative"):
        write_table(
            path,
            "nk",
            np.array([300.0]),
            {"n": np.array([1.5]), "k": np.array([-1.0])},
            header=HEADER,
        )
    with pytest.raises(TableError, match="lacks licence"):
        write_table(
            path,
            "nk",
            np.array([300.0]),
            {"n": np.array([1.5])},
            header={k: v for k, v in HEADER.items() if k != "licence"},
        )
    assert list(tmp_path.iterdir()) == []


# --- finding ------------------------------------------------------------------------------------


def test_names_are_found_in_any_case() -> None:
    assert find_table("ITO", "materials").name == "ito"
    assert "ito" in table_names("materials")
    assert "am15g" in table_names("spectra")
    assert (data_folder("shared") / "lantern_house").is_dir()


@pytest.mark.parametrize(
    ("name", "kind", "close"),
    [("fused_silca", "materials", "fused_silica"), ("am15", "spectra", "am15g")],
)
def test_a_near_miss_is_suggested(name: str, kind: str, close: str) -> None:
    with pytest.raises(TableError, match=f"no table '{name}' in {kind}. Did you mean .*{close}"):
        find_table(name, kind)


@pytest.mark.parametrize("name", ["", "../materials/ito", "ito.csv", "/etc/passwd", "a\0b"])
def test_a_name_is_no_path(name: str) -> None:
    with pytest.raises(TableError, match="no table"):
        find_table(name, "materials")


def test_a_changed_file_is_used_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    original = data_folder("materials")
    for name in ("ito.csv", "CHECKSUMS.toml"):
        (tmp_path / name).write_bytes((original / name).read_bytes())
    text = (tmp_path / "ito.csv").read_text(encoding="utf-8")
    (tmp_path / "ito.csv").write_text(text.replace("# grade: ", "# remark: x\n# grade: "))
    monkeypatch.setattr(tables, "data_folder", lambda kind: tmp_path)
    tables.table_names.cache_clear()
    tables._pinned.cache_clear()
    try:
        table = find_table("ito", "materials")
        assert any("differs from the one that came with optistack" in n for n in table.notes)
        assert any("differs" in n for n in material("ito").notes)
    finally:
        tables.table_names.cache_clear()
        tables._pinned.cache_clear()


@pytest.mark.parametrize("kind", ["materials", "spectra"])
def test_every_table_that_comes_along_is_pinned_and_unchanged(kind: str) -> None:
    pinned = tables._pinned(kind)
    for name in table_names(kind):
        table = find_table(name, kind)
        assert pinned[f"{name}.csv"] == table.sha256
        assert not any("differs" in n for n in table.notes)
        low, high = (float(v) for v in table.header["range_nm"].split())
        assert table.range_nm == (low, high)


def test_refusals_are_value_errors() -> None:
    with pytest.raises(ValueError, match="no such file") as refused:
        read_table("nowhere.csv")
    assert isinstance(refused.value, OptistackError)
    assert refused.value.path == "nowhere.csv"
