"""Some hundred malformed inputs through the command line: one clear error, and nothing else."""

from __future__ import annotations

import importlib.util
import json
import shutil
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType

import pytest
from conftest import ROOT

from optistack.cli import main


def _script() -> ModuleType:
    path = ROOT / "scripts" / "make_malformed.py"
    spec = importlib.util.spec_from_file_location("make_malformed", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


MALFORMED = _script()
CASES = {case.name: case for case in MALFORMED.cases()}


def contents(folder: Path) -> dict[str, bytes | None]:
    """Every file below a folder; the first bytes are enough of a very large one."""
    out: dict[str, bytes | None] = {}
    for path in sorted(folder.rglob("*")):
        if path.is_dir():
            out[str(path.relative_to(folder))] = None
            continue
        with path.open("rb") as file:
            out[str(path.relative_to(folder))] = file.read(1_000_000)
    return out


def test_the_corpus_is_large_and_its_files_small() -> None:
    kinds = Counter(name.partition("-")[0] for name in CASES)
    assert len(CASES) == len(MALFORMED.cases())
    assert len(CASES) >= 250
    assert min(kinds[k] for k in ("export", "table", "scenario")) >= 80
    largest = max(len(c or b"") for case in CASES.values() for c in case.files.values())
    assert largest < 40_000


def test_what_the_cases_are_made_from_is_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Otherwise a case could be refused for something else than its fault."""
    case = MALFORMED.sound_scenario()
    path = MALFORMED.write(case, tmp_path)
    assert main(["check", str(path)]) == 0, capsys.readouterr().err
    for kind, (head, rows) in MALFORMED.EXPORTS.items():
        scan = tmp_path / "scan.txt"
        scan.write_text(MALFORMED._export(head, rows))
        assert main(["read", str(scan), "--as", kind]) == 0, capsys.readouterr().err
    film = tmp_path / "whole.csv"
    film.write_text(MALFORMED._table(MALFORMED._HEADER, MALFORMED._TABLE_ROWS))
    assert main(["read", str(film), "--as", "nk"]) == 0, capsys.readouterr().err


@pytest.mark.parametrize("name", CASES)
def test_malformed(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = CASES[name]
    path = MALFORMED.write(case, tmp_path)
    # What is there already would be replaced if the input were sound: --force is given.
    if case.command[0] == "run":
        out = tmp_path / "report"
        out.mkdir()
        (out / "results.json").write_text("{}")
        listed = {"written_by": "optistack", "files": ["results.json"]}
        (out / "optistack-output.json").write_text(json.dumps(listed))
    else:
        out = tmp_path / "out.csv"
        out.write_text("an earlier table\n")
    before = contents(tmp_path)
    words = {"INPUT": str(path), "OUT": str(out)}
    code = main([words.get(word, word) for word in case.command])
    seen = capsys.readouterr()
    assert code == 1, seen.out
    assert seen.out == ""
    assert contents(tmp_path) == before
    line = seen.err.removesuffix("\n")
    assert line.startswith("optistack: ")
    assert line.isprintable(), ascii(line)
    assert "Traceback" not in line
    assert len(line) < 1500 + len(str(tmp_path))
    assert case.where in line, line
    if case.command[0] in ("read", "constants"):
        assert line.startswith(f"optistack: {path}"), line


def test_the_script_writes_what_the_test_uses(tmp_path: Path) -> None:
    case = CASES["export-huge"]
    path = MALFORMED.write(case, tmp_path / "x")
    assert path.stat().st_size == 100_000_000
    assert path.stat().st_blocks * 512 < 1_000_000  # sparse: it costs no space
    shutil.rmtree(tmp_path / "x")
