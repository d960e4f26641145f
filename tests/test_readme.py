"""The README shows what the demo says, and its commands are the ones that work."""

from __future__ import annotations

import re
from pathlib import Path

from optistack.report import summary_text
from optistack.scenario import load_scenario, run
from optistack.tables import data_folder

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def block(name: str) -> str:
    found = re.search(rf"<!-- {name} -->\n```\n(.*?)\n```", README, re.DOTALL)
    assert found is not None, name
    return found[1]


def test_the_summary_is_the_demos() -> None:
    path = data_folder("shared") / "lantern_house" / "lantern_house.toml"
    text = summary_text(run(load_scenario(path))).strip()
    assert block("summary").split() == text.split()


def test_each_command_does_all_the_set_up() -> None:
    for name, last in (
        ("demo", ".venv/bin/optistack demo"),
        ("tests", ".venv/bin/pytest -q -n auto"),
    ):
        command = block(name)
        assert "\n" not in command
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install ")
        assert command.endswith(f" && {last}")


def test_the_example_runs() -> None:
    code = re.search(r"```python\n(.*?)```", README, re.DOTALL)
    assert code is not None
    names: dict[str, object] = {}
    exec(code[1], names)
    assert "result" in names


def test_links_lead_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target
