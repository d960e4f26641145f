"""`optistack read`: from an export to a table that a scenario takes."""

from __future__ import annotations

import inspect
import json
from pathlib import Path

import numpy as np
import pytest
from conftest import LANTERN_HOUSE, ROOT

from optistack.ageing_file import read_ageing
from optistack.cli import main
from optistack.cli.reading import _ANSWERS, _HEADER, _KINDS
from optistack.reader import read_export
from optistack.scenario import check, load_scenario
from optistack.tables import read_table


def test_a_question_is_answered_by_the_option_it_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A program can go through all questions of a file."""
    path = tmp_path / "scan.txt"
    path.write_text("x;a;b\n0,35;0,1;0,4\n0,36;0,2;0,5\n0,37;0,3;0,6\n")
    out = tmp_path / "foil.csv"
    answers = {"wavelength_unit": "um", "sample": "b", "unit": "fraction"}
    command = ["read", str(path), "--as", "transmittance", "--out", str(out), "--json"]
    asked = []
    while main(command) == 1:
        error = json.loads(capsys.readouterr().out)["error"]
        assert error["kind"] == "QuestionError"
        asked.append(error["option"])
        command += [f"--{error['option'].replace('_', '-')}", answers[error["option"]]]
        assert not out.exists()
        assert len(asked) < 9
    assert sorted(asked) == sorted(answers)
    said = json.loads(capsys.readouterr().out)
    assert said["table"] == str(out)
    assert (said["rows"], said["range_nm"], said["sample"]) == (3, [350.0, 370.0], "b")
    assert any("as stated" in a for a in said["assumptions"])
    table = read_table(out)
    assert table.columns["transmittance"].tolist() == [0.4, 0.5, 0.6]
    assert table.header["source_sha256"] == said["source_sha256"]


def test_every_answer_is_documented() -> None:
    text = (ROOT / "docs" / "reader.md").read_text(encoding="utf-8")
    for name in (*_ANSWERS, "out", "force", "json", *_HEADER):
        assert f"--{name.replace('_', '-')}" in text, name
    for kind in _KINDS:
        assert f"`{kind}`" in text
    # Python and the command take the same answers.
    parameters = inspect.signature(read_export).parameters
    assert list(parameters)[2:] == list(_ANSWERS)


def test_text_output_and_an_existing_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "web.csv"
    command = ["read", str(LANTERN_HOUSE / "web_sample.txt"), "--as", "transmittance"]
    assert main(command) == 0
    assert "regular transmittance, as its header says" in capsys.readouterr().out
    command += ["--out", str(out), "--stray-light-floor", "3e-4", "--title", "Web 3"]
    assert main(command) == 0
    assert capsys.readouterr().out.startswith("transmittance: 261 rows, 280-800 nm\n\nAssumed\n")
    before = out.read_bytes()
    assert main(command) == 1
    refused = capsys.readouterr()
    assert refused.out == ""
    assert refused.err.startswith(f"optistack: {out}: exists already")
    assert out.read_bytes() == before
    assert main([*command, "--force"]) == 0
    assert read_table(out).header["stray_light_floor"] == "0.0003"
    assert read_table(out).title == "Web 3"


@pytest.mark.parametrize("arguments", [["read"], ["read", "x"], ["read", "x", "--as", "colour"]])
def test_wrong_usage(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert end.value.code == 2
    assert "usage: optistack read" in capsys.readouterr().err


def test_a_scenario_takes_every_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """n and k, lamp, filter, quantum efficiency: read, then used, their headers respected."""
    lam = np.arange(280.0, 801.0, 10.0)
    scans = {
        "nk": ("film.txt", "nm n k", 1.6 + 0 * lam, 0.05 + 0 * lam),
        "irradiance": ("lamp.txt", "nm uW/cm2/nm", 50.0 + 0.1 * lam),
        "transmittance": ("foil.txt", "nm %T", np.where(lam < 400, 0.01, 88.0)),
        "eqe": ("eqe.txt", "nm EQE(%)", 60.0 + 0 * lam),
    }
    for kind, (name, head, *columns) in scans.items():
        rows = [" ".join(f"{v:.6g}" for v in row) for row in zip(lam, *columns, strict=True)]
        (tmp_path / name).write_text("\n".join([head, *rows]))
        extra = (
            ["--measurement", "hemispherical", "--stray-light-floor", "2e-4"]
            if kind == "transmittance"
            else []
        )
        out = tmp_path / name.replace(".txt", ".csv")
        assert main(["read", str(tmp_path / name), "--as", kind, "--out", str(out), *extra]) == 0
    capsys.readouterr()
    scenario = tmp_path / "s.toml"
    scenario.write_text(
        """
title = "Read"
[materials.film]
table = "film.csv"
[stacks.coupon]
layers = [{ name = "film", material = "film", thickness_nm = 100 }]
[lights.lamp]
spectrum = "lamp.csv"
[filters.foil]
transmittance = "foil.csv"
kind = "external"
[exposures.coupon]
stack = "coupon"
light = "lamp"
[photocurrent.coupon]
active_layers = ["film"]
range_nm = [300, 800]
quantum_efficiency = { table = "eqe.csv" }
[question]
layer = "film"
bands_nm = [[300, 400]]
"""
    )
    loaded = load_scenario(scenario)
    texts = [f.text for f in check(loaded)]
    assert "filter foil: hemispherical transmittance, as its table says" in texts
    assert "filter foil: stray-light floor 0.0002, as its table says" in texts
    foil = loaded.filters["foil"]
    assert foil.measurement == "hemispherical"
    assert foil.stray_light_floor == 2e-4
    assert main(["check", str(scenario)]) == 0
    # A header that says nonsense is refused where it is used.
    text = (tmp_path / "foil.csv").read_text()
    (tmp_path / "foil.csv").write_text(text.replace("floor: 0.0002", "floor: low"))
    capsys.readouterr()
    assert main(["check", str(scenario)]) == 1
    assert "filters.foil.transmittance: foil: stray_light_floor 'low'" in capsys.readouterr().err


def test_ageing_data_are_read_by_the_rate_analysis(tmp_path: Path) -> None:
    path = tmp_path / "coupon 3.txt"
    path.write_text("days;R (kΩ/sq)\n0;0,101\n1,5;0,125\n4;0,19\n")
    out = tmp_path / "ageing.csv"
    assert main(["read", str(path), "--as", "sheet-resistance", "--out", str(out)]) == 0
    data = read_ageing(out)
    (specimen,) = data.specimens
    assert specimen.name == "coupon 3"
    assert data.quantity == "sheet_resistance_ohm_sq"
    np.testing.assert_allclose(specimen.hours, [0, 36, 96], rtol=1e-14)
    np.testing.assert_allclose(specimen.values, [101, 125, 190], rtol=1e-14)


def test_nothing_in_a_file_acts_on_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a\x1b[31m\u202e.txt"
    path.write_text("nm;\x1b]0;x\x07 \u202e%T\n300;12\n310;1x\n")
    assert main(["read", str(path), "--as", "transmittance"]) == 1
    assert main(["read", str(tmp_path / "no\nne\x1b[2J"), "--as", "nk"]) == 1
    path.write_text("nm;\x1b]0;x\x07 \u202e%T;b\n300;12;1\n310;13;1\n")
    assert main(["read", str(path), "--as", "transmittance", "--sample", "1"]) == 0
    seen = capsys.readouterr()
    for line in (seen.out + seen.err).split("\n"):
        assert line.isprintable(), ascii(line)


def test_constants_reads_what_read_reads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same encodings, and the same questions."""
    path = tmp_path / "scan.txt"
    path.write_bytes("nm;T\n300;0,1\n310;0,4\n320;0,5\n".encode("utf-16-le"))
    film = ["--thickness-nm", "100", "--thickness-std-nm", "2", "--substrate", "fused_silica"]
    out = tmp_path / "film.csv"
    assert main(["constants", str(path), "--out", str(out), *film]) == 1
    assert f"{path}, line 2: values reach 0.5 without a unit" in capsys.readouterr().err
    assert not out.exists()
