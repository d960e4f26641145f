"""Instrument exports: what is found, what is said, what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optistack.errors import TableError
from optistack.reader import Reading, read_columns

Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def to(text: str) -> Path:
        path = tmp_path / "scan.txt"
        path.write_bytes(text.encode())
        return path

    return to


def refusal(path: Path, **options: Any) -> str:
    with pytest.raises(TableError) as refused:
        read_columns(path, **options)
    text = str(refused.value)
    assert text.startswith(str(path))
    assert "\n" not in text
    return text.removeprefix(str(path))


# --- what is read -------------------------------------------------------------------------------


def test_the_worked_file_is_read_as_it_says(tmp_path: Path) -> None:
    """Decimal commas, per cent, from long to short wavelengths, text before the numbers."""
    path = Path(__file__).resolve().parent.parent / "shared/lantern_house/web_sample.txt"
    reading = read_columns(path)
    assert (reading.wavelength_nm[0], reading.wavelength_nm[-1]) == (280.0, 800.0)
    assert reading.values[-1] == pytest.approx(0.88737)  # the first line of the file: 800,0 88,737
    text = " | ".join(reading.assumptions)
    for part in ("261 rows from line 6", "tab-delimited", "decimal comma", "reversed", "percent"):
        assert part in text


@st.composite
def exports(draw: st.DrawFn) -> tuple[str, list[float], list[float]]:
    """A file as an instrument may write it, and the numbers in it."""
    tenths = draw(st.lists(st.integers(2000, 9000), min_size=3, max_size=30, unique=True))
    lam = [t / 10 for t in sorted(tenths)]
    values = draw(
        st.lists(st.integers(0, 1000), min_size=len(lam), max_size=len(lam)).map(
            lambda items: [v / 1000 for v in items]
        )
    )
    delimiter, decimal = draw(
        st.sampled_from([(";", "."), (";", ","), ("\t", "."), ("\t", ","), (",", "."), (" ", ".")])
    )
    header = draw(st.lists(st.sampled_from(["Sample A", "mode\tregular", "", "x;y;z"]), max_size=4))
    trailer = draw(st.lists(st.sampled_from(["end", "", "# checked"]), max_size=2))
    ending = draw(st.sampled_from(["\n", "\r\n"]))
    last = draw(st.sampled_from(["", delimiter]))
    pairs = list(zip(lam, values, strict=True))
    if draw(st.booleans()):
        pairs.reverse()
    rows = [f"{a:.1f}{delimiter}{b:.3f}".replace(".", decimal) + last for a, b in pairs]
    return ending.join([*header, *rows, *trailer]), lam, values


@given(exports())
@settings(max_examples=150)
def test_exports_are_read_whatever_their_dialect(
    tmp_path_factory: pytest.TempPathFactory, export: tuple[str, list[float], list[float]]
) -> None:
    text, lam, values = export
    path = tmp_path_factory.mktemp("scans") / "scan.txt"
    path.write_bytes(text.encode())
    reading = read_columns(path, unit="fraction")
    assert reading.wavelength_nm.tolist() == lam
    np.testing.assert_allclose(reading.values, values, rtol=1e-15, atol=0)


def test_columns_are_chosen_by_number(write: Write) -> None:
    path = write("nm a b\n300 0.1 0.7\n310 0.2 0.8\n")
    assert read_columns(path, unit="fraction", column=3).values.tolist() == [0.7, 0.8]
    assert ", line 2: 3 columns; say which one" in refusal(path, unit="fraction")
    assert ": column 4 does not exist: there are 3" in refusal(path, column=4)


def test_a_thousand_columns(write: Write) -> None:
    row = " ".join(["0.5"] * 20_000)
    assert "20001 columns" in refusal(write(f"300 {row}\n310 {row}\n"), unit="fraction")


@pytest.mark.parametrize(
    ("text", "unit", "values", "said"),
    [
        ("nm;%T\n300;12\n310;50\n", None, [0.12, 0.5], "percent, as its header says"),
        ("nm;T\n300;12\n310;50\n", None, [0.12, 0.5], "percent, since values reach 50"),
        ("nm;T\n300;0.1\n310;0.9\n", "fraction", [0.1, 0.9], "fraction, as stated"),
        ("nm;T\n300;0.1\n310;0.9\n", "percent", [0.001, 0.009], "largest is only 0.9 %: are they"),
        ("nm;T\n300;-1\n310;102\n", None, [-0.01, 1.02], "percent"),
        ("nm;T\n300;-0.01\n310;1.02\n", "fraction", [-0.01, 1.02], "fraction"),
    ],
)
def test_units(text: str, unit: Any, values: list[float], said: str, write: Write) -> None:
    reading = read_columns(write(text), unit=unit)
    np.testing.assert_allclose(reading.values, values, rtol=1e-14)
    assert said in " | ".join(reading.assumptions)


def test_what_is_no_fraction_keeps_its_values(write: Write) -> None:
    reading = read_columns(write("300;120\n310;-5e3\n"), fraction=False)
    assert reading.values.tolist() == [120.0, -5000.0]


def test_other_numbers_in_the_file_are_mentioned(write: Write) -> None:
    reading = read_columns(write("2 5\nnm T\n300 0.1\n310 0.2\n320 0.3\n"), unit="fraction")
    assert reading.wavelength_nm.tolist() == [300.0, 310.0, 320.0]
    assert any("other rows of numbers, from line 1, are not read" in a for a in reading.assumptions)


# --- what is refused ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("", {}, ": no block of at least two rows"),
        ("only text\nand more\n", {}, ": no block of at least two rows"),
        ("300;0.5\n", {}, ": no block of at least two rows"),
        ("300\n310\n320\n", {}, ": no block of at least two rows"),
        ("nm;T\n300;0.1\n310;0.9\n", {}, ": values reach 0.9: percent or fraction? State unit"),
        ("300;12\n310;50\n", {"unit": "fraction"}, ": values from 12 to 50 are no fraction"),
        ("300;12\n310;103\n", {}, ": values from 12 to 103 are no percent"),
        ("300;-2\n310;50\n", {}, ": values from -2 to 50 are no percent"),
        ("300;1\n310;2\n310;3\n", {}, ", line 3: wavelength 310 nm is repeated"),
        ("300;1\n300;2\n310;3\n", {}, ", line 2: wavelength 300 nm is repeated"),
        ("x\n300;1\n310;2\n305;3\n", {}, ", line 4: wavelength 305 nm is out of order"),
        ("310;1\n300;2\n305;3\n", {}, ", line 3: wavelength 305 nm is out of order"),
        ("0.3;1\n0.31;2\n", {}, ", line 1: first column from 0.3 to 0.31: expected wavelengths"),
        ("25000;1\n33000;2\n", {}, ", line 1: first column from 25000 to 33000"),
        ("300;1\n310;1e999\n", {}, ": values from 1 to inf are no percent"),
        ("300;1\n310;2\n", {"delimiter": "|"}, ": delimiter '|' is not one of ; , tab blank"),
        ("300;1\n310;2\n", {"decimal": "·"}, ": decimal '·' is neither"),
        ("300;1\n310;2\n", {"delimiter": ","}, ": no block"),
    ],
)
def test_refusals(text: str, options: dict[str, Any], message: str, write: Write) -> None:
    assert refusal(write(text), **options).startswith(message)


def test_two_plausible_readings_are_a_question(write: Write) -> None:
    """Three columns between commas, or two between blanks with decimal commas?"""
    path = write("300, 0,5\n310, 0,7\n")
    text = refusal(path, unit="fraction")
    assert text.startswith(", line 1: two readings are plausible: ")
    assert text.endswith("State delimiter and decimal")
    stated = read_columns(path, unit="fraction", delimiter=" ", decimal=",")
    assert stated.values.tolist() == [0.5, 0.7]
    stated = read_columns(path, fraction=False, delimiter=",", column=3)
    assert stated.values.tolist() == [5.0, 7.0]
    # Where both readings give the same numbers there is nothing to ask.
    same = read_columns(write("300, 5\n310, 7\n"), fraction=False)
    assert same.values.tolist() == [5.0, 7.0]


def test_semicolons_with_commas_inside(write: Write) -> None:
    """Comma-delimited with three cells would also be numbers; the semicolon reading has them all."""
    reading = read_columns(write("300,0;12,5\n310,0;50,5\n"))
    assert reading.wavelength_nm.tolist() == [300.0, 310.0]
    np.testing.assert_allclose(reading.values, [0.125, 0.505])


@pytest.mark.parametrize("reverse", [False, True])
def test_a_hole_in_the_numbers_is_not_passed_over(reverse: bool, write: Write) -> None:
    """An unreadable row in the middle must not silently halve the data."""
    rows = [f"{300 + i};{10 + i}" for i in range(8)]
    if reverse:
        rows.reverse()
    rows[5] = "305;OVER"
    text = refusal(write("\n".join(["nm;%T", *rows])))
    assert text.startswith(", line 7: this line cuts the rows of numbers in two")


def test_a_second_scan_is_not_read_and_said(write: Write) -> None:
    scan = "\n".join(f"{300 + i};{10 + i}" for i in range(5))
    reading = read_columns(write(f"{scan}\n305;9\nsecond\n{scan}\n"))
    assert reading.wavelength_nm.size == 6
    assert any("other rows of numbers, from line 8, are not read" in a for a in reading.assumptions)


def test_binary_and_missing_files(tmp_path: Path) -> None:
    path = tmp_path / "scan.txt"
    path.write_bytes(bytes(range(256)))
    assert ": not a text file" in refusal(path)
    assert ": there is no such file" in refusal(tmp_path / "other.txt")
    path.write_bytes(b"")
    assert ": no block" in refusal(path)


def test_a_reading_names_its_file(write: Write) -> None:
    reading = read_columns(write("300;12\n310;50\n"))
    assert isinstance(reading, Reading)
    assert reading.name == "scan"
    assert reading.path.endswith("scan.txt")
    assert len(reading.sha256) == 64
