"""Any numbers, written in any dialect, come back: exactly where the unit is the project's own."""

from __future__ import annotations

import string
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

import optistack as ost
from optistack.errors import OptistackError
from optistack.reader.dialect import find_blocks
from optistack.reader.heading import metadata
from optistack.reader.units import (
    fraction_unit,
    irradiance_unit,
    measured_as,
    plain,
    resistance_unit,
    time_unit,
    wavelength_unit,
)
from optistack.tables import read_table, write_table

quick = settings(suppress_health_check=[HealthCheck.too_slow], max_examples=60)
DIALECTS = [(d, p) for d in (";", "\t", ",", " ", " ; ", "   ") for p in ".," if d != p]
NAMES = {";": "semicolon", "\t": "tab", ",": "comma", " ": "blanks", " ; ": "semicolon"}
wavelengths = st.lists(
    st.floats(100.0, 30000.0, allow_nan=False), min_size=3, max_size=12, unique=True
).map(sorted)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("exports")


def one_clear_line(error: OptistackError, path: Path) -> None:
    assert str(error).isprintable()
    assert str(path) in str(error)


@st.composite
def files(draw: st.DrawFn, values: st.SearchStrategy[float], head: tuple[str, str]) -> Any:
    """(text as bytes, wavelengths, values, delimiter, decimal sign)."""
    lam = draw(wavelengths)
    y = draw(st.lists(values, min_size=len(lam), max_size=len(lam)))
    delimiter, decimal = draw(st.sampled_from(DIALECTS))
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    last = draw(st.sampled_from(["", delimiter.strip(" ")]))
    # repr is the shortest text that gives the same number again.
    rows = [
        delimiter.join(repr(v).replace(".", decimal) for v in row) + last
        for row in zip(lam, y, strict=True)
    ]
    if draw(st.booleans()):
        rows.reverse()
    above = draw(st.lists(st.sampled_from(["Bench 4, invented", "", "slit: 2 nm"]), max_size=3))
    below = draw(st.lists(st.sampled_from(["", "end", "[END]"]), max_size=2))
    text = end.join([*above, delimiter.join(head), *rows, *below]) + end
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]))
    return text.encode(encoding), lam, y, delimiter, decimal


@given(files(st.floats(-0.01, 1.02), ("nm", "fraction")))
@quick
def test_fractions_come_back_exactly(folder: Path, file: Any) -> None:
    content, lam, y, _, _ = file
    path = folder / "t.txt"
    path.write_bytes(content)
    export = ost.read_export(path, "transmittance")
    assert export.wavelength_nm.tolist() == lam
    assert export.columns["transmittance"].tolist() == y


@given(files(st.floats(0.0, 1e300), ("nm", "W/m2/nm")))
@quick
def test_irradiance_comes_back_exactly(folder: Path, file: Any) -> None:
    content, lam, y, delimiter, decimal = file
    assume(max(y) > 0)
    path = folder / "e.txt"
    path.write_bytes(content)
    # Stated, as numbers such as 1.234 alone may be in thousands.
    export = ost.read_export(
        path, "irradiance", decimal=decimal, delimiter=NAMES.get(delimiter, "blanks")
    )
    assert export.wavelength_nm.tolist() == lam
    assert export.columns["spectral_irradiance_w_m2_nm"].tolist() == y


@given(
    wavelengths,
    st.lists(st.tuples(st.floats(1e-3, 100.0), st.floats(0.0, 1e3)), min_size=12, max_size=12),
    st.sampled_from([d for d in DIALECTS if d[0] != ","]),
)
@quick
def test_n_and_k_come_back_exactly(
    folder: Path, lam: list[float], index: list[tuple[float, float]], dialect: tuple[str, str]
) -> None:
    delimiter, decimal = dialect
    rows = [
        delimiter.join(repr(v).replace(".", decimal) for v in (x, *nk))
        for x, nk in zip(lam, index, strict=False)
    ]
    path = folder / "nk.txt"
    path.write_text(delimiter.join(("nm", "n", "k")) + "\n" + "\n".join(rows), encoding="utf-8")
    export = ost.read_export(path, "nk")
    assert export.wavelength_nm.tolist() == lam
    assert export.columns["n"].tolist() == [n for n, _ in index[: len(lam)]]
    assert export.columns["k"].tolist() == [k for _, k in index[: len(lam)]]


@given(
    wavelengths,
    st.lists(st.lists(st.floats(0.0, 1.0), min_size=12, max_size=12), min_size=2, max_size=5),
    st.data(),
)
@settings(quick, max_examples=30)
def test_the_sample_that_is_asked_for(
    folder: Path, lam: list[float], samples: list[list[float]], data: st.DataObject
) -> None:
    """Side by side, as columns or as pairs: never the neighbour's numbers."""
    pairs = data.draw(st.booleans())
    names = [f"piece {string.ascii_uppercase[i]}" for i in range(len(samples))]
    if pairs:
        head = [";".join(f"{n};" for n in names), ";".join(["nm;fraction"] * len(samples))]
        rows = [";".join(f"{x!r};{s[i]!r}" for s in samples) for i, x in enumerate(lam)]
    else:
        head = [";".join(["nm", *names]), ";".join(["", *["fraction"] * len(samples)])]
        rows = [";".join([repr(x), *(repr(s[i]) for s in samples)]) for i, x in enumerate(lam)]
    path = folder / "samples.txt"
    path.write_text("\n".join([*head, *rows]), encoding="utf-8")
    at = data.draw(st.integers(0, len(samples) - 1))
    for sample in (at + 1, names[at]):
        export = ost.read_export(path, "transmittance", sample=sample)
        assert export.sample == names[at]
        assert export.columns["transmittance"].tolist() == samples[at][: len(lam)]


@given(
    wavelengths,
    st.lists(st.one_of(st.none(), st.floats(-0.01, 1.02)), min_size=12, max_size=12),
    st.text(st.characters(exclude_categories=("Cs",)), max_size=40),
)
@quick
@example([300.0, 310.0, 320.0], [0.1, None, 0.2] * 4, "a,=1+1\x1b[31m\u202e")
def test_written_tables_come_back_bit_for_bit(
    folder: Path, lam: list[float], values: list[float | None], text: str
) -> None:
    y = np.array([np.nan if v is None else v for v in values[: len(lam)]])
    assume(not np.isnan(y).all())
    head = dict.fromkeys(("units", "source", "licence", "retrieved", "uncertainty"), "x")
    path = write_table(
        folder / "table.csv",
        "transmittance",
        np.array(lam),
        {"transmittance": y},
        header={**head, "title": f"x {text}", "kind": "measured", "grade": "B"},
        notes=(f"x {text}",),
    )
    table = read_table(path)
    assert table.wavelength_nm.tobytes() == np.array(lam).tobytes()
    assert table.columns["transmittance"].tobytes() == y.tobytes()
    assert table.title.isprintable()
    assert table.notes[0] == table.title
    for line in path.read_text(encoding="utf-8").split("\n"):
        assert line.isprintable()
        for mark in ",;|":
            for cell in line.split(mark)[1:]:
                assert not cell.lstrip(" \"'").startswith(("=", "@")) or cell.lstrip()[:1] in "\"'"


@given(st.binary(max_size=300), st.sampled_from(["transmittance", "irradiance", "eqe", "nk"]))
@settings(quick, max_examples=120)
@example(b"nm n k\n300 nan 1\n310 nan 2\n320 1 nan\n", "nk")
def test_any_bytes_are_read_or_refused(folder: Path, content: bytes, quantity: str) -> None:
    path = folder / "any.txt"
    path.write_bytes(content)
    try:
        ost.read_export(path, quantity)
    except OptistackError as error:
        one_clear_line(error, path)


ODD_LINES = st.lists(
    st.one_of(
        st.sampled_from(
            [
                "nm;%T",
                "",
                "#",
                "300;1",
                "310;2",
                "320;NaN",
                ";;",
                "a;b;c",
                "330,5;2",
                "1e999;2",
                "n k",
                "340 0,5",
                "350\t1",
                "360;1;2",
                "%",
                '"',
                '"370";"1"',
                "-;-",
                "380;",
                ";3",
                "0;0",
            ]
        ),
        st.text(string.digits + ".,; \t-+eE%\"'#", max_size=20),
    ),
    max_size=14,
).map("\n".join)


@given(
    ODD_LINES,
    st.sampled_from(["transmittance", "irradiance", "eqe", "nk", "sheet-resistance"]),
    st.fixed_dictionaries(
        {},
        optional={
            "delimiter": st.sampled_from(["semicolon", "tab", "comma", "blanks"]),
            "decimal": st.sampled_from([".", ","]),
            "layout": st.sampled_from(["columns", "pairs"]),
            "sample": st.one_of(st.integers(-2, 5), st.sampled_from(["a", "1", "²", ""])),
            "block": st.integers(-1, 3),
            "wavelength_column": st.integers(-1, 4),
            "missing": st.sampled_from(["OVER", "a", "", "1"]),
            "duplicates": st.sampled_from(["mean", "first", "last"]),
        },
    ),
)
@settings(quick, max_examples=150)
def test_odd_lines_are_read_or_refused(
    folder: Path, text: str, quantity: str, options: dict[str, Any]
) -> None:
    path = folder / "odd.txt"
    path.write_text(text, encoding="utf-8", newline="")
    try:
        export = ost.read_export(path, quantity, **options)
    except OptistackError as error:
        one_clear_line(error, path)
        return
    x = export.wavelength_nm
    assert x.size >= 2
    assert (np.diff(x) > 0).all()
    assert np.isfinite(x).all()
    for values in export.columns.values():
        assert values.shape == x.shape
        assert np.isfinite(values[~np.isnan(values)]).all()
    out = ost.export_to_table(export, folder / "odd.csv", replace=True)
    again = ost.read_export(out, quantity)
    assert again.wavelength_nm.tobytes() == x.tobytes()


@given(st.text(max_size=60))
@settings(quick, max_examples=120)
def test_units_of_any_text(text: str) -> None:
    for find in (
        fraction_unit,
        irradiance_unit,
        measured_as,
        plain,
        resistance_unit,
        time_unit,
        wavelength_unit,
    ):
        find(text)
    metadata([text])


@pytest.mark.parametrize(
    ("find", "text", "unit"),
    [
        (irradiance_unit, "Spectrum W/m2/nm", "W/m2/nm"),  # not milliwatts by the m before the W
        (irradiance_unit, "spectrum mW/m2/nm", "mW/m2/nm"),
        (irradiance_unit, "lamp u W/m2/nm", "W/m2/nm"),
        (irradiance_unit, "kW/m2/nm", None),
        (irradiance_unit, "W/m2", None),
        (irradiance_unit, "µW cm⁻² nm⁻¹", "uW/cm2/nm"),
        (irradiance_unit, "photons s-1 m-2 nm-1", None),
        (irradiance_unit, "#photons/cm2/s/nm", "photons/cm2/s/nm"),
        (wavelength_unit, "Irradiance W/m2/nm", None),
        (wavelength_unit, "Wavelength (nm), irradiance (W/m2/nm)", "nm"),
        (wavelength_unit, "1/cm", "cm-1"),
        (wavelength_unit, "λ/nm", "nm"),
        (wavelength_unit, "wavelengths / um", "um"),
        (wavelength_unit, "E/eV", "eV"),
        (wavelength_unit, "photons/cm2/s/nm", None),
        (wavelength_unit, "W/(m2)/nm", None),
        (wavelength_unit, "nm or um", None),
        (wavelength_unit, "sum of minimum", None),
        (fraction_unit, "Abs (%T)", None),
        (fraction_unit, "about", None),
        (fraction_unit, "T (0..1)", "fraction"),
        (resistance_unit, "MΩ", None),
        (resistance_unit, "kOhm/sq", "kohm/sq"),
        (resistance_unit, "mohm", "mohm/sq"),
        (time_unit, "min or s", None),
        (time_unit, "time_h", "h"),
    ],
)
def test_units_as_written(find: Any, text: str, unit: str | None) -> None:
    assert find(text) == unit


def test_long_lines_take_no_time(tmp_path: Path) -> None:
    """No pattern whose time grows faster than a line."""
    for line in (" " * 200_000, "1," * 100_000, "a=" + " " * 200_000, "1'234" * 40_000, "(" * 9000):
        with pytest.raises(OptistackError):
            find_blocks(f"{line}\n{line}\n{line}x", tmp_path / "x", None, None, lenient=True)
