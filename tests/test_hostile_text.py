"""Text that would act where it is shown: in a page, a spreadsheet, a terminal, a path."""

from __future__ import annotations

import copy
import csv
import html.parser
import io
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_malformed import MALFORMED

import optistack as ost
from optistack.cli import main
from optistack.report.markup import safe
from optistack.report.tables_csv import cell, csv_text
from optistack.tables import plain_text, read_table

FORMULAS = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
TEXTS = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "=cmd|' /C calc'!A0",
    "film;=1+1",
    'film;"=1+1"',
    "film\t@SUM(1)",
    " =1+1",
    "＝1+1",
    "\x1b]0;title\x07",
    "a\u202egnp.exe",
    "a\u2066b\u2069",
    "\u200b=1+1",
    "../../etc/passwd",
    "C:\\windows\\x",
    "con.csv",
    "a\nb",
    "$x^{$",
    "%s%n{0}",
]


def acts_in_a_spreadsheet(line: str) -> str:
    """A cell that a spreadsheet would compute, wherever it parts the line."""
    for mark in ",;\t|":
        for row in csv.reader(io.StringIO(line), delimiter=mark):
            for found in row:
                bare = found.strip(' "')  # an apostrophe in front makes text of it
                number = bare.replace(".", "").replace("e", "").lstrip("+-").isdigit()
                if bare.startswith(FORMULAS) and not number and not bare[1:2].isspace():
                    return found
    return ""


@pytest.mark.parametrize("text", TEXTS)
def test_a_cell_of_a_report(text: str) -> None:
    line = csv_text([{"name": text, "value": -1.5}]).split("\n")[1]
    assert acts_in_a_spreadsheet(line) == ""
    assert line.isprintable()
    assert line.endswith(",-1.5")  # a number stays one


@given(st.text(max_size=30))
@settings(max_examples=300)
def test_any_cell_any_header_any_page(text: str) -> None:
    for line in (csv_text([{"a": text, "b": 1}]).split("\n")[1], f"# title: {plain_text(text)}"):
        assert acts_in_a_spreadsheet(line) == "", ascii(text)
        assert line.isprintable()
    shown = safe(text)
    assert "<" not in shown and '"' not in shown
    assert all(c.isprintable() or c in "\n\t" for c in shown)
    assert cell(cell(text)) == cell(text)


class _Page(html.parser.HTMLParser):
    """Tags and attributes of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.bad: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "iframe", "object", "embed", "base", "form"):
            self.bad.append(tag)
        self.bad += [f"{tag} {k}={v}" for k, v in attrs if k.startswith("on")]
        self.bad += [
            f"{tag} {k}={v}"
            for k, v in attrs
            if k in ("src", "href") and not (v or "").startswith(("data:image/", "#"))
        ]


def test_a_whole_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In the names of the scenario, and in the header of a table that it uses."""
    case = MALFORMED.sound_scenario()
    path = MALFORMED.write(case, tmp_path)
    data: dict[str, Any] = copy.deepcopy(MALFORMED.SOUND)
    layer, light, exposure = "<script>x</script>", "=1+1;=2+2", "../../x;@SUM(1)"
    for stack in data["stacks"].values():
        for item in stack["layers"]:
            if item["name"] == "film":
                item["name"] = layer
    data["question"]["layer"] = layer
    data["lights"][light] = data["lights"].pop("led")
    for item in data["exposures"].values():
        item["light"] = light
    data["exposures"][exposure] = data["exposures"].pop("coupon")
    data["question"]["compare"] = [{"coupon": exposure, "device": "device"}]
    data["filters"]['"><img src=x onerror=alert(1)>'] = data["filters"].pop("edge")
    path.write_text(MALFORMED.document(data), encoding="utf-8")
    film = tmp_path / "film.csv"
    text = film.read_text()
    hostile = "<b>x</b>\x1b[31m \u202egnp,=1+1;@SUM(1)"
    text = text.replace("title: Film, invented", f"title: {hostile}")
    text = text.replace("source: invented", f"source: {hostile}")
    film.write_text(text.replace("# grade", f"# note: {hostile}\n# grade"), encoding="utf-8")
    assert read_table(film).title == "<b>x</b> [31m gnp,=1+1;@SUM(1)"
    assert main(["check", str(path)]) == 0
    out = tmp_path / "out"
    assert main(["run", str(path), "--out", str(out)]) == 0, capsys.readouterr().err
    seen = capsys.readouterr()
    for line in (seen.out + seen.err).split("\n"):
        assert line.isprintable()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["film.csv", "out", "s.toml"]
    page = (out / "report.html").read_text(encoding="utf-8")
    parser = _Page()
    parser.feed(page)
    assert parser.bad == []
    assert "<b>x</b>" not in page
    assert "&lt;script&gt;x&lt;/script&gt;" in page
    assert all(c.isprintable() or c in "\n\t" for c in page)
    for table in out.glob("*.csv"):
        for line in table.read_text(encoding="utf-8").split("\n"):
            assert acts_in_a_spreadsheet(line) == "", table.name
            assert line.isprintable()
    json.loads((out / "results.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("text", TEXTS)
def test_an_export_with_such_names(text: str, tmp_path: Path) -> None:
    """The sample's name and the header of an export end up in a table: as text."""
    path = tmp_path / "scan.txt"
    head = f"title: {text}\nnm\t{text.replace(chr(10), ' ')}\tb\n"
    path.write_text(head + "300\t12\t1\n310\t13\t2\n320\t14\t4\n", encoding="utf-8")
    export = ost.read_export(path, "transmittance", sample=1, unit="percent", delimiter="tab")
    out = ost.export_to_table(export, tmp_path / "t.csv", title=f"x {text}", source=text)
    for line in out.read_text(encoding="utf-8").split("\n"):
        assert line.isprintable()
        assert acts_in_a_spreadsheet(line) == ""
    path.write_text("h\tohm/sq\n0\t12\n10\t13\n", encoding="utf-8")
    ageing = ost.read_export(path, "sheet-resistance")
    named = type(ageing)(**{**ageing.__dict__, "sample": text})
    made = ost.export_to_table(named, tmp_path / "a.csv").read_text(encoding="utf-8")
    for line in made.split("\n"):
        assert line.isprintable()
        assert acts_in_a_spreadsheet(line) == ""
    again = ost.read_export(tmp_path / "a.csv", "sheet-resistance")
    assert again.columns["sheet_resistance_ohm_sq"].tolist() == [12.0, 13.0]
