"""The command constants: from files to a table that a scenario can use."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optistack.cli import main
from optistack.materials import material, oscillators
from optistack.scenario import load_scenario, run
from optistack.tables import read_table
from optistack.transfer_matrix import solve

LAM = np.arange(300.0, 801.0, 5.0)
# An invented film, so that the files need no source.
FILM = oscillators((290.0, 900.0), eps_inf=1.6, tauc_lorentz=[(90.0, 4.3, 1.8, 3.0)])
COMMON = ["--substrate", "fused_silica", "--thickness-nm", "100", "--thickness-std-nm", "2"]


def constants(line: str) -> int:
    """The command with the options that every measurement here shares."""
    return main(["constants", *line.split(), *COMMON])


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """T in percent with decimal commas, R as a table, both in one file, and the bare substrate."""
    air = np.ones(LAM.shape)
    silica = material("fused_silica").index(LAM)
    seen = solve([air, FILM.index(LAM), silica, air], [101.0, 1e6], LAM, coherent=[True, False])
    bare = solve([air, silica, air], [1e6], LAM, coherent=[False]).transmittance
    rng = np.random.default_rng(0)
    t, r, bare = (
        x + 0.003 * rng.standard_normal(LAM.size)
        for x in (seen.transmittance, seen.reflectance, bare)
    )
    rows = [f"{x:.1f};{100 * y:.3f}".replace(".", ",") for x, y in zip(LAM, t, strict=True)]
    (tmp_path / "t.txt").write_text("\n".join(["Invented", "nm;%T", *rows, ""]))
    for name, values, word in (("r", r, "reflectance"), ("bare", bare, "transmittance")):
        lines = [f"{x:.1f},{y:.6f}" for x, y in zip(LAM, values, strict=True)]
        text = "\n".join([f"wavelength_nm,{word}", *lines, ""])
        (tmp_path / f"{name}.csv").write_text(text)
    both = [f"{x:.1f} {100 * y:.3f} {100 * z:.3f}" for x, y, z in zip(LAM, t, r, strict=True)]
    (tmp_path / "both.dat").write_text("\n".join(["nm %T %R", *both, ""]))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_from_both_readings_to_a_scenario(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    done = constants("t.txt --reflectance r.csv --noise 0.003 --out film.csv --figure film.svg")
    out = capsys.readouterr().out
    assert done == 0
    assert "film: free-form, causal, grade B; thickness 10" in out
    assert "determined: n " in out
    assert "t.txt: values in percent, as its header says" in out
    assert out.endswith("written: film.csv\nwritten: film.svg\n")
    assert (folder / "film.svg").read_text().lstrip().startswith("<?xml")
    table = read_table("film.csv")
    k = FILM.index(LAM).imag
    strong = k > 0.02
    assert np.abs(table.columns["k"][strong] / k[strong] - 1).max() < 0.1
    inside = (table.columns["k_low"] <= k) & (k <= table.columns["k_high"])
    assert inside.mean() > 0.85
    assert "t (sha256 " in table.source
    scenario = folder / "s.toml"
    stack = 'layers = [{ name = "film", material = "film", thickness_nm = 100 }]'
    scenario.write_text(
        f"""optistack_scenario = 1
title = "Film"
[materials.film]
table = "film.csv"
[stacks.a]
{stack}
[lights.lamp]
spectrum = "uva340"
set_point = {{ wavelength_nm = 340, spectral_irradiance_w_m2_nm = 0.89 }}
[exposures.a]
stack = "a"
light = "lamp"
hours = 1
[question]
layer = "film"
compare = [{{ coupon = "a", device = "a" }}]
bands_nm = [[310, 390]]
weights = {{ slopes_nm = [22], band_nm = [310, 390] }}
"""
    )
    result = run(load_scenario(scenario))
    assert result.comparison.ratio["310-390"].value == pytest.approx(1.0)


def test_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    done = constants(
        "both.dat --sample 1 --reflectance both.dat --reflectance-sample %R --unit percent --json "
        "--noise 0.003 --model tauc_lorentz --band-nm 310 800 --out film.csv"
    )
    answer = json.loads(capsys.readouterr().out)
    assert done == 0
    assert answer["files"] == ["film.csv"]
    assert answer["method"] == "model tauc_lorentz"
    assert answer["misfit"] == ""
    gap = answer["parameters"]["tauc_lorentz gap_ev"]
    assert gap["value"] == pytest.approx(3.0, abs=0.02)
    assert gap["low"] < gap["value"] < gap["high"]
    assert answer["ranges"][0]["from_nm"] == answer["wavelength_nm"][0] == 310.0
    assert len(answer["k"]) == len(answer["k_high"]) == 99


def test_with_n_known_and_the_bare_substrate(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = constants(
        "t.txt --substrate-transmittance bare.csv --n 1.75 --n-std 0.05 --out film.csv"
    )
    out = capsys.readouterr().out
    assert done == 0
    assert "film: pointwise" in out
    assert "absorption of the substrate from its own transmittance" in out
    assert "noise of the transmittance taken from the scatter" in out


@pytest.mark.parametrize(
    ("more", "text"),
    [
        (["--out", "film.txt"], "a table ends in .csv"),
        (["--out", "t.txt/film.csv"], "there is no folder"),
        (["--out", "r.csv", "--reflectance", "r.csv", "--force"], "is one of the measured files"),
        (["--out", "bare.csv"], "exists; replace it with --force"),
        (["--out", "film.csv", "--figure", "film.gif"], "ends in one of .png"),
        (
            ["--out", "film.csv", "--reflectance", "bare.csv"],
            "is a table of transmittance, not of",
        ),
        (["--out", "film.csv", "--reflectance", "r.csv", "--reflectance-sample", "2"], "sample"),
        (["--out", "film.csv", "--decimal", "."], "t.txt"),
        (["--out", "film.csv", "--stray-light-floor", "-1"], "stray_light_floor must be"),
        (["--out", "film.csv", "--reflectance", "none.csv"], "no such file"),
        (["--out", "film.csv", "--substrate", "glas"], "no table 'glas'"),
        (["--out", "film.csv", "--n", "moo4"], "no table 'moo4'"),
        (["--out", "film.csv", "--n", "nan"], "n must be positive and finite"),
        (["--out", "film.csv", "--thickness-nm", "nan"], "thickness_nm must be positive"),
        (["--out", "film.csv", "--noise", "-1"], "noise must be positive"),
        (["--out", "film.csv", "--substrate-thickness-mm", "0"], "substrate_thickness_nm must"),
        (["--out", "film.csv", "--model", "drood"], "is none of drude"),
        (["--out", "film.csv", "--method", "causal"], "transmittance alone does not tell n"),
        (["--out", "film.csv", "--band-nm", "900", "950"], "only 0 readings between"),
    ],
)
def test_refused(
    folder: Path, capsys: pytest.CaptureFixture[str], more: list[str], text: str
) -> None:
    before = {p: p.read_bytes() for p in folder.iterdir()}
    assert main(["constants", "t.txt", *COMMON, *more]) == 1
    captured: Any = capsys.readouterr()
    assert text in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""
    assert {p: p.read_bytes() for p in folder.iterdir()} == before


def test_wrong_usage(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["constants", "t.txt", "--out", "film.csv"])
    assert stopped.value.code == 2
    assert "--thickness-nm" in capsys.readouterr().err


def test_force_replaces(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "film.csv").write_text("old")
    arguments = ["constants", "t.txt", *COMMON, "--n", "1.75", "--out", "film.csv"]
    assert main(arguments) == 1
    assert (folder / "film.csv").read_text() == "old"
    assert main([*arguments, "--force"]) == 0
    assert read_table("film.csv").quantity == "nk"
    assert "the n given is taken as exact" in capsys.readouterr().out


def test_a_stray_light_floor_widens_the_interval(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = "t.txt --n 1.75 --noise 0.003 --out film.csv --json --force"
    assert constants(line) == 0
    exact = json.loads(capsys.readouterr().out)
    assert constants(line + " --stray-light-floor 0.02 --measurement hemispherical") == 0
    stray = json.loads(capsys.readouterr().out)
    # Where little light comes through it may all be stray: k is then open upwards.
    assert stray["ranges"][0]["flag"] == "lower bound" != exact["ranges"][0]["flag"]
    assert stray["k_high"][0] is None is not exact["k_high"][0]
    at = exact["wavelength_nm"].index(340.0)
    assert stray["k_high"][at] > exact["k_high"][at]
    assert any("may be stray light" in d for d in stray["doubts"])
    assert any("light that the film scatters then counts as absorbed" in d for d in exact["doubts"])
    assert not any("scatters" in d for d in stray["doubts"])


def test_the_command_of_the_page(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = (Path(__file__).parents[1] / "docs" / "optical_constants.md").read_text(encoding="utf-8")
    block = page.split("```\n")[1].replace("\\\n", " ").split()
    assert block[:2] == ["optistack", "constants"]
    (folder / "r.txt").write_text((folder / "r.csv").read_text())
    assert main(block[1:]) == 0
    assert (folder / "film.png").read_bytes().startswith(b"\x89PNG")
    capsys.readouterr()
    frame = read_table("film.csv")
    assert set(frame.columns) == {"n", "k", "n_low", "n_high", "k_low", "k_high"}
