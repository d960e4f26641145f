"""Mutations of real files through the command line: an answer or one clear error, never more.

The short form runs with the suite; OPTISTACK_LONG=1 runs the long one (docs/robustness.md).
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from conftest import LANTERN_HOUSE
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optistack.cli import main
from optistack.tables import data_folder, table_names

LONG = os.environ.get("OPTISTACK_LONG") == "1"
fuzz = settings(
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    max_examples=2000 if LONG else 60,
)
KINDS = ("transmittance", "irradiance", "eqe", "nk", "sheet-resistance")
# What makes parsers stumble: signs of each format, numbers beyond range, marks, line ends.
TOKENS = [
    t.encode()
    for t in (
        "nan",
        "inf",
        "-inf",
        "1e999",
        "-1",
        "0",
        "1e-320",
        "9" * 400,
        "1_0",
        "0x1",
        "1,5",
        "1.5.1",
        ",",
        ";",
        "\t",
        " ",
        "#",
        '"',
        "'",
        "=",
        "[",
        "]",
        "{",
        "}",
        "[[",
        "\n",
        "\r",
        "\r\n",
        "\n\n",
        "%",
        "%T",
        "nm",
        "eV",
        "true",
        "# grade: A",
        "# note: x",
        "# quantity: nk",
        "wavelength_nm",
        "\x00",
        "\x0b",
        "\x0c",
        "\x1b[31m",
        "\u202e",
        "\ufeff",
        "\u2028",
        "\u00b2",
        "\u0663",
        "\u2212",
        "../",
        "/dev/zero",
        "$x$",
        "{0}",
        "%s",
        "<b>",
    )
] + [b"\xff", b"\xfe\xff", b"\xc3", b"\x80"]


class Edit(NamedTuple):
    """One change at a place given as a share of the file."""

    kind: str
    place: float
    length: int
    token: bytes


EDITS = st.lists(
    st.builds(
        Edit,
        st.sampled_from(["delete", "insert", "replace", "repeat", "cut", "swap", "flip"]),
        st.floats(0, 1),
        st.integers(1, 60),
        st.sampled_from(TOKENS),
    ),
    min_size=1,
    max_size=6,
)


def mutated(content: bytes, edits: list[Edit]) -> bytes:
    """The contents after some edits; whole lines are repeated and swapped."""
    for edit in edits:
        at = int(edit.place * len(content))
        end = min(at + edit.length, len(content))
        if edit.kind == "delete":
            content = content[:at] + content[end:]
        elif edit.kind == "insert":
            content = content[:at] + edit.token + content[at:]
        elif edit.kind == "replace":
            content = content[:at] + edit.token + content[end:]
        elif edit.kind == "cut":
            content = content[:at]
        elif edit.kind == "flip" and at < len(content):
            content = (
                content[:at] + bytes([content[at] ^ (1 << edit.length % 8)]) + content[at + 1 :]
            )
        else:
            lines = content.split(b"\n")
            here = int(edit.place * (len(lines) - 1))
            if edit.kind == "repeat":
                lines[here:here] = [lines[here]] * min(edit.length, 5)
            else:
                other = (here + edit.length) % len(lines)
                lines[here], lines[other] = lines[other], lines[here]
            content = b"\n".join(lines)
    return content


def says_one_thing(arguments: list[str], folder: Path, capsys: pytest.CaptureFixture[str]) -> int:
    """Run a command; an exception that is not an answer would end the test here."""
    before = {p: p.stat().st_mtime_ns for p in folder.rglob("*")}
    capsys.readouterr()
    code = main(arguments)
    seen = capsys.readouterr()
    assert code in (0, 1)
    for line in (seen.out + seen.err).split("\n"):
        assert line.isprintable(), ascii(line)
    if code == 1:
        assert len(seen.err.splitlines()) == 1
        assert seen.err.startswith("optistack: ")
        assert len(seen.err) < 4000
        assert {p: p.stat().st_mtime_ns for p in folder.rglob("*")} == before
    return code


def test_the_edits_do_edit() -> None:
    content = b"nm;%T\n300;12\n310;13\n"
    made = {
        kind: mutated(content, [Edit(kind, 0.4, 1, b"x")])
        for kind in ("delete", "insert", "replace", "repeat", "cut", "swap", "flip")
    }
    assert all(text != content for text in made.values())
    assert made["repeat"].count(b"300") == 2


EXPORT = (LANTERN_HOUSE / "web_sample.txt").read_bytes()


@given(edits=EDITS, kind=st.sampled_from(KINDS), encoding=st.sampled_from(["utf-8", "utf-16"]))
@fuzz
def test_exports(
    edits: list[Edit],
    kind: str,
    encoding: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    content = EXPORT if encoding == "utf-8" else EXPORT.decode().encode(encoding)
    path, out = tmp_path / "scan.txt", tmp_path / "t.csv"
    path.write_bytes(mutated(content, edits))
    out.unlink(missing_ok=True)
    command = ["read", str(path), "--as", kind, "--out", str(out)]
    assert (says_one_thing(command, tmp_path, capsys) == 0) == out.exists()


SHIPPED = [
    (data_folder(folder) / f"{name}.csv", kind)
    for folder, kind in (("materials", "nk"), ("spectra", "irradiance"))
    for name in table_names(folder)
    if (data_folder(folder) / f"{name}.csv").stat().st_size < 30_000
]


@given(edits=EDITS, which=st.sampled_from(SHIPPED))
@fuzz
def test_tables(
    edits: list[Edit], which: tuple[Path, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source, kind = which
    path, out = tmp_path / "table.csv", tmp_path / "t.csv"
    path.write_bytes(mutated(source.read_bytes(), edits))
    out.unlink(missing_ok=True)
    command = ["read", str(path), "--as", kind, "--out", str(out)]
    assert (says_one_thing(command, tmp_path, capsys) == 0) == out.exists()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("house")
    for file in LANTERN_HOUSE.iterdir():
        if file.is_file():
            shutil.copy(file, folder)
    return folder


SCENARIO_FILES = ("lantern_house.toml", "oxide_nk.csv", "device_eqe.csv", "web_sample.txt")


@given(edits=EDITS, name=st.sampled_from(SCENARIO_FILES))
@settings(fuzz, max_examples=400 if LONG else 40)
def test_scenarios_and_their_files(
    edits: list[Edit], name: str, house: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sound = (LANTERN_HOUSE / name).read_bytes()
    (house / name).write_bytes(mutated(sound, edits))
    try:
        says_one_thing(["check", str(house / "lantern_house.toml")], house, capsys)
    finally:
        (house / name).write_bytes(sound)


@pytest.mark.skipif(not LONG, reason="long form")
def test_many_bytes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Any bytes at all, as every kind of file."""

    @given(st.binary(max_size=2000))
    @settings(fuzz, max_examples=1000)
    def run(content: bytes) -> None:
        for name, command in COMMANDS.items():
            path = tmp_path / name
            path.write_bytes(content)
            says_one_thing(command(path), tmp_path, capsys)

    run()


COMMANDS: dict[str, Callable[[Path], list[str]]] = {
    "scan.txt": lambda p: ["read", str(p), "--as", "transmittance"],
    "table.csv": lambda p: ["read", str(p), "--as", "nk"],
    "s.toml": lambda p: ["check", str(p)],
}
