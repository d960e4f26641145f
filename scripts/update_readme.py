"""Put the demo's summary and its figure into the README, after a change of either.

Run ``python scripts/update_readme.py`` with optistack installed.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from pathlib import Path

from optistack.report import summary_text, write_report
from optistack.scenario import load_scenario, run
from optistack.tables import data_folder

ROOT = Path(__file__).resolve().parent.parent
FIGURES = {"figure_7_filters.png": "filters.png"}


def main() -> None:
    """Rewrite the block between the summary mark and its fence, and copy the figures."""
    result = run(load_scenario(data_folder("shared") / "lantern_house" / "lantern_house.toml"))
    readme = ROOT / "README.md"
    text = readme.read_text(encoding="utf-8")
    block = f"<!-- summary -->\n```\n{summary_text(result).strip()}\n```"
    text, count = re.subn(r"<!-- summary -->\n```\n.*?\n```", lambda _: block, text, flags=re.S)
    if count != 1:
        raise SystemExit("README.md has no summary block, or more than one")
    readme.write_text(text, encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        write_report(result, Path(folder))
        for name, target in FIGURES.items():
            shutil.copyfile(Path(folder) / name, ROOT / "docs" / "figures" / target)


if __name__ == "__main__":
    main()
