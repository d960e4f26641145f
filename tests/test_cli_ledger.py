"""The command ledger: what it prints and writes, and what it refuses."""

from __future__ import annotations

import csv
import json
import math
import re
from pathlib import Path
from typing import Any

import pytest
from conftest import LANTERN_HOUSE

import optistack as ost
from optistack.care import SHORT_CAUTION
from optistack.cli import main

CUT_ON = LANTERN_HOUSE / "cut_on_340.csv"
LOG = """# timezone: Europe/Paris
start,hours,lamp,set_point,set_point_unit,at_nm,band_nm,filter,specimen
2026-03-02T08:00,24,tube 1,0.89,W/m2/nm,340,,,coupon 1; coupon 2
2026-03-03T10:00,48,tube 1,40,W/m2,,300-400,cut-on,coupon 1
"""


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.csv"
    path.write_text(LOG, encoding="utf-8")
    return path


def arguments(log: Path, *more: str) -> list[str]:
    return ["ledger", str(log), "--lamp", "tube 1=uva340", "--filter", f"cut-on={CUT_ON}", *more]


def test_on_the_screen(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments(log, "--band", "300-400")) == 0
    out = capsys.readouterr().out
    assert "2 entries, 2 specimens" in out
    assert "coupon 1  72     300-400" in out
    assert "coupon 1: 2026-03-03 07:00 to 2026-03-03 09:00, 2 h" in out
    assert "taken as constant at its set point" in out
    assert out.rstrip().endswith(SHORT_CAUTION)


def test_for_a_machine_and_in_files(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, rows = tmp_path / "doses.csv", tmp_path / "rows.csv"
    assert main(arguments(log, "--json", "--out", str(out), "--rows", str(rows))) == 0
    answer = json.loads(capsys.readouterr().out)
    found = ost.dose_ledger(
        ost.read_log(log),
        {"tube 1": ost.spectrum("uva340")},
        {"cut-on": ost.measured_filter("cut-on", *table(), "external")},
    )
    assert answer["files"] == [str(out), str(rows)]
    assert answer["care"] == SHORT_CAUTION
    assert [g["hours"] for g in answer["gaps"]] == [2.0]
    assert answer["overlaps"] == []
    assert len(answer["specimens"]) == 2
    for said, dose in zip(answer["specimens"], found.doses, strict=True):
        assert (said["specimen"], said["hours"]) == (dose.specimen, dose.hours)
        for band, value in dose.radiant_exposure_j_m2.items():
            assert said["radiant_exposure_j_m2"][band] == value.to_json()
    written = list(csv.DictReader(out.read_text("utf-8").splitlines()))
    assert len(written) == 2 * len(found.bands_nm)
    each = list(csv.DictReader(rows.read_text("utf-8").splitlines()))
    assert {r["meter_band_nm"] for r in each} == {"", "300-400"}
    for row in written:
        lines = [
            float(r["radiant_exposure_j_m2"])
            for r in each
            if (r["specimen"], r["band_nm"]) == (row["specimen"], row["band_nm"])
        ]
        assert math.fsum(lines) == pytest.approx(float(row["radiant_exposure_j_m2"]), rel=1e-14)


def table() -> tuple[Any, Any]:
    from optistack.tables import read_table

    return read_table(CUT_ON).known("transmittance")


def test_ageing_and_held_lamps(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tube = tmp_path / "tube.csv"
    tube.write_text("lamp_hours,output_factor\n0,1\n100,0.5\n", "utf-8")

    def joules(*more: str) -> float:
        assert main(arguments(log, "--band", "300-400", "--json", *more)) == 0
        answer = json.loads(capsys.readouterr().out)
        value = answer["specimens"][1]["radiant_exposure_j_m2"]["300-400"]
        return float(value["value"])

    plain = joules()
    assert joules("--held", "tube 1") == plain
    # coupon 2: 24 h from the start; the lamp falls by 0.5 % per hour
    assert joules("--ageing", f"tube 1={tube}") == pytest.approx(plain * 0.94, rel=1e-12)
    later = joules("--ageing", f"tube 1={tube}", "--hours-before", "tube 1=20")
    assert later == pytest.approx(plain * 0.84, rel=1e-12)
    held = joules("--ageing", f"tube 1={tube}", "--hours-before", "tube 1=100", "--hold-ageing")
    assert held == pytest.approx(plain * 0.5, rel=1e-12)
    assert main(arguments(log, "--ageing", f"tube 1={tube}", "--hours-before", "tube 1=60")) == 1
    assert "available 0 h to 100 h" in capsys.readouterr().err


def test_internal_filters_lose_at_their_surfaces(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def joules(option: str) -> float:
        call = ["ledger", str(log), "--lamp", "tube 1=uva340", option, f"cut-on={CUT_ON}", "--json"]
        assert main(call) == 0
        answer = json.loads(capsys.readouterr().out)
        return float(answer["specimens"][0]["radiant_exposure_j_m2"]["300-400"]["value"])

    assert joules("--internal-filter") < joules("--filter")


@pytest.mark.parametrize(
    ("message", "more"),
    [
        ("--lamp 'uva340': write NAME=VALUE", ("--lamp", "uva340")),
        ("--lamp: 'tube 1' is given twice", ("--lamp", "tube 1=uvb313")),
        ("no table 'uva350' in spectra. Did you mean uva340", ("--lamp", "t=uva350")),
        ("'UVA' is no band", ("--band", "UVA")),
        ("there is no time zone 'Paris'. Did you mean|there is no time zone 'Paris'", ("--timezone", "Paris")),
        ("is given as external and as internal", ("--internal-filter", f"cut-on={CUT_ON}")),
        ("holds nk, not the transmittance", ("--filter", f"x={LANTERN_HOUSE / 'oxide_nk.csv'}")),
        ("no such file", ("--filter", "x=none.csv")),
        ("no such file", ("--ageing", "tube 1=none.csv")),
        ("ageing is given for lamp 'other'", ("--held", "other")),
        ("that lamp has no --ageing table", ("--hours-before", "tube 1=5")),
        ("a table ends in .csv", ("--out", "doses.txt")),
        ("is the log, or named twice", ("--out", "LOG")),
        ("there is no folder", ("--out", "nowhere/doses.csv")),
        ("exists; replace it with --force", ("--rows", "THERE")),
    ],
)  # fmt: skip
def test_refusals(
    log: Path,
    tmp_path: Path,
    message: str,
    more: tuple[str, ...],
    capsys: pytest.CaptureFixture[str],
) -> None:
    there = tmp_path / "there.csv"
    there.write_text("mine\n", "utf-8")
    names = {"LOG": str(log), "THERE": str(there)}
    assert main(arguments(log, *(names.get(x, x) for x in more))) == 1
    shown = capsys.readouterr()
    assert shown.out == ""
    assert re.search(message, shown.err)
    assert there.read_text("utf-8") == "mine\n"


def test_what_the_log_does_wrong_is_said_with_its_line(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["ledger", str(log), "--lamp", "tube 1=uva340"]) == 1
    assert f"{log}, line 4: filter 'cut-on' is not known" in capsys.readouterr().err
    text = LOG.replace("2026-03-03T10:00", "2026-03-02T10:00")
    log.write_text(text, "utf-8")
    assert main(arguments(log)) == 1
    assert "line 4: specimen 'coupon 1' is already under lamp 'tube 1' by line 3" in capsys.readouterr().err  # fmt: skip
    assert main(arguments(log, "--overlap", "add")) == 0
    assert "coupon 1: line 3 and line 4, 22 h" in capsys.readouterr().out
    log.write_text(LOG.replace("# timezone: Europe/Paris\n", ""), "utf-8")
    assert main(arguments(log, "--json")) == 1
    answer = json.loads(capsys.readouterr().out)
    assert "no time zone is stated" in answer["error"]["message"]


def test_tilted_specimens_need_a_word(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = LOG.splitlines()
    lines = [lines[0], lines[1] + ",angle_deg", lines[2] + ",60", lines[3] + ","]
    log.write_text("\n".join(lines) + "\n", "utf-8")
    assert main(arguments(log)) == 1
    assert "tilted by 60 deg" in capsys.readouterr().err
    assert main(arguments(log, "--parallel-beam")) == 0
    assert "coupon 1, 60 deg" in capsys.readouterr().out


def test_usage() -> None:
    with pytest.raises(SystemExit) as caught:
        main(["ledger", "log.csv"])
    assert caught.value.code == 2
