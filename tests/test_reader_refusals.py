"""What the reader asks and what it refuses: each question names the option that answers it."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import optistack as ost
from optistack.errors import QuestionError, TableError
from optistack.tables import data_folder, read_table, table_names, write_table


def scan(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "scan.txt"
    path.write_bytes(text.encode())
    return path


LINES = [f"{300 + 10 * i};{10 + i}" for i in range(8)]
PLAIN = "nm;%T\n" + "\n".join(LINES) + "\n"

# Text, quantity, option, answer, what is asked.
QUESTIONS: dict[str, tuple[str, str, str, Any, str]] = {
    "delimiter": (
        "nm T\n300, 0,5\n310, 0,7\n",
        "transmittance",
        "delimiter",
        "blanks",
        ", line 2: two readings are plausible: comma with decimal point (300, 0, 5), or blanks with "
        'decimal comma (300, 0.5). State delimiter = "comma" or "blanks" (--delimiter)',
    ),
    "commas for everything": (
        "nm,a,b\n300,0,5\n310,0,7\n320,1,8\n",
        "transmittance",
        "delimiter",
        "comma",
        ", line 2: only whole numbers between commas",
    ),
    "a mark between thousands or a decimal comma": (
        "nm;W/m2/nm\n300;1,234\n310;2,345\n",
        "irradiance",
        "decimal",
        ",",
        ", line 2: every comma is followed by three digits",
    ),
    "a mark between thousands or a decimal point": (
        "h;ohm/sq\n0;1.234\n10;2.345\n",
        "sheet-resistance",
        "decimal",
        ".",
        ", line 2: every point is followed by three digits",
    ),
    "percent or fraction": (
        "nm;T\n300;0.1\n310;0.9\n",
        "transmittance",
        "unit",
        "fraction",
        ', line 2: values reach 0.9 without a unit. State unit = "fraction" or "percent" or '
        '"optical_density" (--unit)',
    ),
    "percent or density": (
        "nm;y\n300;1.5\n310;3.5\n",
        "transmittance",
        "unit",
        "optical_density",
        ', line 2: values reach 3.5 without a unit. State unit = "percent" or "optical_density"',
    ),
    "percent by name, fraction by size": (
        "nm;%T\n300;0.01\n310;0.9\n",
        "transmittance",
        "unit",
        "percent",
        ", line 2: values are percent, as its header says, but the largest is 0.9",
    ),
    "two units in the header": (
        "Y Units: Abs\nnm;%T\n300;1\n310;2\n",
        "transmittance",
        "unit",
        "percent",
        ", line 3: the header names several units (percent, optical_density). State unit",
    ),
    "efficiency": (
        "nm;EQE\n300;0.1\n310;0.2\n",
        "eqe",
        "unit",
        "fraction",
        ', line 2: values reach 0.2 without a unit. State unit = "fraction" or "percent" (--unit)',
    ),
    "efficiency or responsivity": (
        "nm;y\n300;60\n310;70\n",
        "eqe",
        "unit",
        "mA/W",
        ', line 2: values reach 70 without a unit. State unit = "percent" or "mA/W" (--unit)',
    ),
    "irradiance": (
        "nm;y\n300;0.1\n310;0.2\n",
        "irradiance",
        "unit",
        "uW/cm2/nm",
        ", line 2: irradiance without a unit that is known here. State unit = ",
    ),
    "irradiance that is not spectral": (
        "nm;W/m2\n300;0.1\n310;0.2\n",
        "irradiance",
        "unit",
        "W/m2/nm",
        ", line 2: irradiance without a unit that is known here",
    ),
    "kilowatts": (
        "nm;kW/m2/nm\n300;0.1\n310;0.2\n",
        "irradiance",
        "unit",
        "W/m2/nm",
        ", line 2: irradiance without a unit",
    ),
    "n and k or eps": (
        "300 2 0.1\n310 2 0.2\n",
        "nk",
        "unit",
        "eps",
        ", line 1: two columns without names: n and k, or eps1 and eps2",
    ),
    "sheet resistance": (
        "h;R\n0;1\n10;2\n",
        "sheet-resistance",
        "unit",
        "kohm/sq",
        ", line 2: sheet resistance without a unit",
    ),
    "mega or milli": (
        "h;R (MΩ/sq)\n0;1\n10;2\n",
        "sheet-resistance",
        "unit",
        "mohm/sq",
        ", line 2: sheet resistance without a unit",
    ),
    "times": (
        "x;ohm/sq\n0;1\n10;2\n",
        "sheet-resistance",
        "time_unit",
        "d",
        ', line 2: times without a unit. State time_unit = "h" or "min" or "s" or "d" (--time-unit)',
    ),
    "nm or wavenumbers": (
        "2900;12\n3100;13\n3300;14\n",
        "transmittance",
        "wavelength_unit",
        "cm-1",
        ', line 1: the wavelengths run from 2900 to 3300 without a unit. State wavelength_unit = "nm"',
    ),
    "micrometres or electronvolts": (
        "x;%T\n0.5;12\n0.6;13\n",
        "transmittance",
        "wavelength_unit",
        "um",
        ", line 2: the wavelengths run from 0.5 to 0.6 without a unit",
    ),
    "electronvolts are never guessed": (
        "x;%T\n1.5;12\n3.6;13\n",
        "transmittance",
        "wavelength_unit",
        "eV",
        ", line 2: the wavelengths run from 1.5 to 3.6 without a unit",
    ),
    "samples": (
        "nm;a;b\n300;12;80\n310;13;81\n",
        "transmittance",
        "sample",
        "b",
        ", line 2: 2 columns of readings (1 'a'; 2 'b'); which one, by number or name. State sample = "
        '"1" or "2" (--sample)',
    ),
    "numbered rows": (
        "1;300;12\n2;310;13\n3;320;15\n",
        "nk",
        "wavelength_column",
        2,
        ", line 1: the first column seems to number the rows",
    ),
    "two columns of wavelengths": (
        "Wavelength A;Wavelength B;%T\n300;301;12\n310;311;13\n",
        "transmittance",
        "wavelength_column",
        1,
        ", line 2: several columns look like wavelengths by their names ('Wavelength A', ",
    ),
    "a repeated wavelength": (
        "nm;%T\n300;12\n310;13\n310;17\n320;18\n",
        "transmittance",
        "duplicates",
        "mean",
        ", line 4: wavelength 310 comes more than once with values 0.04 apart, more than 0.01; a "
        "change of grating or detector? Which is meant. State duplicates = ",
    ),
    "negative irradiance": (
        "nm;W/m2/nm\n300;-0.5\n310;1\n",
        "irradiance",
        "negative",
        "zero",
        ", line 2: -0.5 is negative, 0.5 of the largest value: is the dark signal subtracted?",
    ),
    "negative k": (
        "nm n k\n300 2 -0.5\n310 2 0.1\n",
        "nk",
        "negative",
        "zero",
        ", line 2: k = -0.5 is negative: n + ik with k >= 0 absorbs",
    ),
    "negative eps2": (
        "nm eps1 eps2\n300 4 -0.5\n310 4 0.1\n",
        "nk",
        "negative",
        "zero",
        ", line 2: eps2 = -0.5 is negative",
    ),
    "regular or hemispherical": (
        "mode: regular\naccessory: integrating sphere\n" + PLAIN,
        "transmittance",
        "measurement",
        "regular",
        ", line 4: the header names both a regular and a hemispherical measurement",
    ),
    "blocks": (
        PLAIN + "\nsecond\n" + PLAIN,
        "transmittance",
        "block",
        1,
        ", line 13: 2 blocks of numbers (1 from line 2, 8 rows; 2 from line 13, 8 rows); which one",
    ),
    "a row that is no number": (
        "\n".join(["nm;%T", *LINES[:3], "330;OVER", *LINES[4:]]),
        "transmittance",
        "missing",
        "OVER",
        ", line 5: this line cuts the rows of numbers in two",
    ),
    "a last row that is no number": (
        PLAIN + "380;OVER\n",
        "transmittance",
        "missing",
        "OVER",
        ", line 10: the wavelengths go on in this line but 'OVER' is no number",
    ),
    "a first row that is no number": (
        "\n".join(["nm;%T", "290;OVER", *LINES]),
        "transmittance",
        "missing",
        "OVER",
        ", line 2: the wavelengths go on in this line but 'OVER' is no number",
    ),
}
PAIRS = "300;12;300;80\n310;13;310;81\n320;14;320;82\n"


@pytest.mark.parametrize("name", QUESTIONS)
def test_question_and_answer(name: str, tmp_path: Path) -> None:
    """Without the option a question, with it an answer."""
    text, quantity, option, answer, asked = QUESTIONS[name]
    path = scan(tmp_path, text)
    rest: dict[str, Any] = {}
    if name == "commas for everything":
        rest = {"sample": 1, "unit": "fraction"}
    if name == "delimiter":
        rest = {"unit": "fraction"}
    if name == "numbered rows":
        rest = {"unit": "nk"}
    with pytest.raises(QuestionError) as question:
        ost.read_export(path, quantity, **rest)
    message = str(question.value).removeprefix(str(path))
    assert message.startswith(asked), message
    assert message.isprintable()
    assert question.value.option == option
    assert f"(--{option.replace('_', '-')})" in message
    assert str(answer) in question.value.choices or name == "samples"
    export = ost.read_export(path, quantity, **{**rest, option: answer})
    assert export.wavelength_nm.size >= 2


def test_pairs_or_columns(tmp_path: Path) -> None:
    path = scan(tmp_path, PAIRS)
    with pytest.raises(QuestionError, match='State layout = "pairs" or "columns"'):
        ost.read_export(path, "transmittance")
    for layout, sample, first in (("pairs", 2, 0.8), ("columns", 3, 0.8), ("columns", 1, 0.12)):
        export = ost.read_export(path, "transmittance", layout=layout, sample=sample)
        assert export.columns["transmittance"][0] == pytest.approx(first)


REFUSALS: list[tuple[str, str, dict[str, Any], str]] = [
    ("", "transmittance", {}, ": no block of at least two rows"),
    ("words\nand words\n", "transmittance", {}, ": no block of at least two rows"),
    ("300;12\n", "transmittance", {}, ": no block of at least two rows"),
    ("300\n310\n320\n", "transmittance", {}, ": no block of at least two rows"),
    ("a;300;12\na;310;13\n", "transmittance", {}, ": no block of at least two rows"),
    ("300;1,234.5\n310;1,334.5\n", "irradiance", {}, ", line 1: '1,234.5' has a mark between"),
    ("300;1.234,5\n310;1.334,5\n", "irradiance", {}, ", line 1: '1.234,5' has a mark between"),
    ("300;1'234.5\n310;1'334.5\n", "irradiance", {}, ', line 1: "1\'234.5" has a mark between'),
    ("nm;%T\n300;12\n310;13\n305;14\n", "transmittance", {}, ", line 4: wavelength 305 is out of"),
    ("nm;%T\n320;12\n310;13\n315;14\n", "transmittance", {}, ", line 4: wavelength 315 is out of"),
    ("nm;%T\n300;12\n300;12\n", "transmittance", {}, ", line 2: all rows have the wavelength 300"),
    ("nm;%T\n-5;12\n310;13\n", "transmittance", {}, ", line 2: wavelength -5 must be positive"),
    ("nm;%T\n0;12\n310;13\n", "transmittance", {}, ", line 2: wavelength 0 must be positive"),
    ("um;%T\n300;12\n310;13\n", "transmittance", {}, ", line 2: 300 um is 300000 nm, outside"),
    ("nm;%T\n0.3;12\n0.31;13\n", "transmittance", {}, ", line 2: 0.3 nm is 0.3 nm, outside"),
    (
        "nm;%T\n300;12\n310;103\n",
        "transmittance",
        {},
        ", line 3: 103 is no transmittance in percent",
    ),
    ("nm;%T\n300;-2\n310;13\n", "transmittance", {}, ", line 2: -2 is no transmittance in percent"),
    (
        "nm;fraction\n300;12\n310;13\n",
        "transmittance",
        {},
        ", line 2: 12 is no transmittance in frac",
    ),
    ("nm;Abs\n300;-2\n310;1\n", "transmittance", {}, ", line 2: -2 is no transmittance in optical"),
    ("nm;EQE %\n300;20\n310;130\n", "eqe", {}, ", line 3: 130 is no quantum_efficiency in percent"),
    ("nm;W/m2/nm\n300;0\n310;0\n", "irradiance", {}, ", line 2: no value is positive"),
    ("nm;W/m2/nm\n300;1\n305;1\n310;1e999\n320;2\n", "irradiance", {}, ", line 4: "),
    (
        "h;ohm/sq\n0;12\n10;0\n",
        "sheet-resistance",
        {},
        ", line 3: 0: a sheet resistance is positive",
    ),
    ("h;ohm/sq\n-1;12\n10;3\n", "sheet-resistance", {}, ", line 2: time -1 is negative"),
    ("h;ohm/sq\n0;12\n10;13\n5;14\n", "sheet-resistance", {}, ", line 4: time 5 is out of order"),
    ("nm n k\n300 0 0.1\n310 2 0.2\n", "nk", {}, ", line 2: n = 0 must be positive"),
    (
        "nm;%R\n300;12\n310;13\n",
        "transmittance",
        {},
        ", line 2: the header calls the values reflec",
    ),
    (
        "nm;T (%)\n300;12\n310;13\n",
        "eqe",
        {},
        ", line 2: the header calls the values transmittance",
    ),
    (
        "nm;Absorptance %\n300;12\n310;13\n",
        "transmittance",
        {},
        ", line 2: the header calls the val",
    ),
    ("nm Psi Delta\n300 40 90\n310 41 91\n", "nk", {}, ", line 2: Psi and Delta are what"),
    ("nm n n k\n300 2 2 0\n310 2 2 0\n", "nk", {}, ", line 2: several columns may be n"),
    ("nm a b c\n300 2 2 0\n310 2 2 0\n", "nk", {}, ", line 2: no column is called n"),
    ("nm n k\n300 2 0\n310 2 0\n", "nk", {"sample": 2}, ": n and k of one sample are read as"),
    (PLAIN, "colour", {}, ": quantity 'colour' is not one of transmittance, "),
    (PLAIN, "transmittance", {"unit": "W/m2/nm"}, ": unit 'W/m2/nm' is not one of fraction, "),
    (PLAIN, "transmittance", {"time_unit": "h"}, ": time_unit does not belong to transmittance"),
    (PLAIN, "transmittance", {"negative": "zero"}, ": negative does not belong to transmittance"),
    (PLAIN, "eqe", {"stray_light_floor": 0.1}, ": stray_light_floor does not belong to quantum"),
    (
        PLAIN,
        "transmittance",
        {"stray_light_floor": 2.0},
        ": stray_light_floor 2 is a transmittance",
    ),
    (PLAIN, "transmittance", {"delimiter": "|"}, ": delimiter '|' is not one of"),
    (PLAIN, "transmittance", {"block": 2}, ": block 2 does not exist: there are 1"),
    (PLAIN, "transmittance", {"sample": 2}, ", line 2: sample 2 does not exist; there are 1"),
    (PLAIN, "transmittance", {"sample": "x"}, ", line 2: no sample is called 'x'; there are 1"),
    (PLAIN, "transmittance", {"wavelength_column": 3}, ": wavelength_column 3 does not exist"),
    (
        "nm;a;b\n300;1;2\n310;3;4\n",
        "transmittance",
        {"layout": "pairs"},
        ", line 2: 3 columns are no",
    ),
    ("nm;%T\n300;12\n;13\n320;14\n", "transmittance", {}, ", line 3: a value without a wavelength"),
    ("nm;%T\n300;12\n310;\n", "transmittance", {}, ", line 2: fewer than two readings"),
    (
        "nm;%T\n300;1\n310;2\n320;3\n330;4\n315;3\n325;4\n335;5\n",
        "transmittance",
        {},
        ", line 6: a second piece begins at 315 and its points lie between",
    ),
]


@pytest.mark.parametrize(("text", "quantity", "options", "message"), REFUSALS)
def test_refusal(
    text: str, quantity: str, options: dict[str, Any], message: str, tmp_path: Path
) -> None:
    path = scan(tmp_path, text)
    with pytest.raises(TableError) as refused:
        ost.read_export(path, quantity, **options)
    said = str(refused.value).removeprefix(str(path))
    assert said.startswith(message), said
    assert said.isprintable()


def test_no_file_and_no_text(tmp_path: Path) -> None:
    path = tmp_path / "scan.txt"
    with pytest.raises(TableError, match="there is no such file"):
        ost.read_export(path, "transmittance")
    with pytest.raises(TableError, match="not a file"):
        ost.read_export(tmp_path, "transmittance")
    with pytest.raises(TableError, match="there is no such file"):
        ost.read_export("a\x00b", "transmittance")
    path.write_bytes(bytes(range(256)) * 9)
    with pytest.raises(TableError, match="not a text file"):
        ost.read_export(path, "transmittance")


def test_reflectance(tmp_path: Path) -> None:
    export = ost.read_export(
        scan(tmp_path, PLAIN.replace("%T", "%R")), "reflectance", measurement="hemispherical"
    )
    table = read_table(ost.export_to_table(export, tmp_path / "r.csv"))
    assert (table.quantity, table.header["measurement"]) == ("reflectance", "hemispherical")
    assert ost.read_export(tmp_path / "r.csv", "reflectance").measurement == "hemispherical"


# --- writing ------------------------------------------------------------------------------------


def test_provenance(tmp_path: Path) -> None:
    export = ost.read_export(scan(tmp_path, PLAIN), "transmittance", measurement="regular")
    out = ost.export_to_table(
        export, tmp_path / "foil.csv", title="Foil 3", source="own, bench 4", uncertainty="0.003"
    )
    table = read_table(out)
    assert table.title == "Foil 3"
    assert table.source == f"own, bench 4; file scan.txt, sha256 {export.sha256}"
    assert (table.kind, table.grade, table.uncertainty) == ("measured", "B", "0.003")
    assert table.header["measurement"] == "regular"
    assert table.header["retrieved"] == datetime.date.today().isoformat()
    assert list(table.notes) == list(export.assumptions)
    assert not list(tmp_path.glob(".*"))


def test_what_is_not_written(tmp_path: Path) -> None:
    path = scan(tmp_path, PLAIN)
    export = ost.read_export(path, "transmittance")
    out = tmp_path / "foil.csv"
    out.write_text("mine")
    with pytest.raises(TableError, match=r"foil\.csv: exists already; .* --force"):
        ost.export_to_table(export, out)
    assert out.read_text() == "mine"
    ost.export_to_table(export, out, replace=True)
    assert read_table(out).quantity == "transmittance"
    again = ost.read_export(out, "transmittance")
    with pytest.raises(TableError, match="is the file that was read"):
        ost.export_to_table(again, out, replace=True)
    with pytest.raises(TableError, match=r"ends in \.csv"):
        ost.export_to_table(export, tmp_path / "foil.txt")
    with pytest.raises(TableError, match="cannot be written"):
        ost.export_to_table(export, tmp_path / "no" / "foil.csv")
    with pytest.raises(TableError, match="grade 'E' is not one of A, B, C, D"):
        ost.export_to_table(export, tmp_path / "a.csv", grade="E")
    assert {p.name for p in tmp_path.iterdir()} == {"scan.txt", "foil.csv"}


@pytest.mark.parametrize(
    ("folder", "name"),
    [(f, n) for f in ("materials", "spectra") for n in table_names(f)],
)
def test_tables_of_the_project_come_back_bit_for_bit(
    folder: str, name: str, tmp_path: Path
) -> None:
    path = data_folder(folder) / f"{name}.csv"
    table = read_table(path)
    kind = "nk" if folder == "materials" else "irradiance"
    export = ost.read_export(path, kind)
    again = read_table(ost.export_to_table(export, tmp_path / "again.csv"))
    assert again.quantity == table.quantity
    assert again.wavelength_nm.tobytes() == table.wavelength_nm.tobytes()
    assert {c: v.tobytes() for c, v in again.columns.items()} == {
        c: v.tobytes() for c, v in table.columns.items()
    }
    assert (again.title, again.source, again.grade, again.kind) == (
        table.title,
        table.source,
        table.grade,
        table.kind,
    )
    assert again.header["source_sha256"] == table.sha256
    assert again.notes[:-1] == table.notes


def test_a_table_leaves_nothing_to_state(tmp_path: Path) -> None:
    path = data_folder("materials") / "ito.csv"
    with pytest.raises(TableError, match="is a table already, .* about unit, decimal"):
        ost.read_export(path, "nk", unit="nk", decimal=".")
    with pytest.raises(TableError, match="is a table of nk, not of transmittance"):
        ost.read_export(path, "transmittance")
    write_table(
        tmp_path / "t.csv",
        "transmittance",
        np.array([300.0, 310.0]),
        {"transmittance": np.array([0.1, 0.2])},
        header={
            **dict.fromkeys(("title", "units", "source", "licence", "retrieved"), "x"),
            "kind": "measured",
            "grade": "B",
            "uncertainty": "x",
            "stray_light_floor": "high",
        },
    )
    with pytest.raises(TableError, match="stray_light_floor in its header is no transmittance"):
        ost.read_export(tmp_path / "t.csv", "transmittance")


def test_plain_csv_keeps_its_doubtful_origin(tmp_path: Path) -> None:
    path = tmp_path / "plain.csv"
    path.write_text("wavelength_nm,n,k\n300,1.5,0.1\n310,1.6,\n")
    table = read_table(ost.export_to_table(ost.read_export(path, "nk"), tmp_path / "out.csv"))
    assert table.grade == "D"
    assert np.isnan(table.columns["k"][1])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("specimen,hours,sheet_resistance_ohm_sq\n", ": no rows of numbers"),
        ("specimen,hours,x,sheet_resistance\n", ", line 1: needs one column sheet_resistance_ohm"),
        ("specimen,hours,sheet_resistance_ohm_sq\na,0\n", ", line 2: 2 cells, expected 3"),
        ("specimen,hours,sheet_resistance_ohm_sq\na,0,x\n", ", line 2: hours or sheet_"),
        ("specimen,hours,sheet_resistance_ohm_sq\na,0,1\na,0,2\n", ", line 3: hours must"),
        ("specimen,hours,sheet_resistance_ohm_sq\na,0,-1\n", ", line 2: -1: a sheet"),
        ("specimen,hours,sheet_resistance_ohm_sq\na,0,1\nb,0,2\n", ": 2 specimens; which one"),
    ],
)
def test_ageing_files(text: str, message: str, tmp_path: Path) -> None:
    path = scan(tmp_path, text)
    with pytest.raises(TableError) as refused:
        ost.read_export(path, "sheet-resistance")
    assert str(refused.value).removeprefix(str(path)).startswith(message)


def test_one_specimen_of_several(tmp_path: Path) -> None:
    path = scan(
        tmp_path, "# invented: true\nspecimen,hours,sheet_resistance_ohm_sq\na,0,1\nb,0,2\nb,9,3\n"
    )
    export = ost.read_export(path, "sheet-resistance", sample="b")
    assert export.hours.tolist() == [0.0, 9.0]
    assert export.invented
    assert ost.read_export(path, "sheet-resistance", sample=1).sample == "a"
    with pytest.raises(TableError, match="no specimen is called 'c'"):
        ost.read_export(path, "sheet-resistance", sample="c")
    text = ost.export_to_table(export, tmp_path / "out.csv").read_text()
    assert "# kind: invented\n" in text
    assert "# invented: true\n" in text
    assert text.endswith("specimen,hours,sheet_resistance_ohm_sq\nb,0.0,2.0\nb,9.0,3.0\n")
