"""Reports: a result as JSON, CSV tables, figures and one self-contained page.

Everything printed is formatted from the same dictionary that becomes ``results.json``.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optistack.errors import OptistackError
from optistack.report.data import SCHEMA, depth_profiles, results_json
from optistack.report.wording import summary_text

if TYPE_CHECKING:
    from optistack.report.painter import Painter
    from optistack.scenario import RunResult

__all__ = ["SCHEMA", "results_json", "summary_text", "write_report"]


def _quiet(_: str) -> None:
    return None


def write_report(
    result: RunResult,
    folder: Path,
    *,
    progress: Callable[[str], None] = _quiet,
    painter: Painter | None = None,
) -> list[str]:
    """Write results.json, CSV tables, sheets, figures (PNG and SVG) and report.html.

    Parameters
    ----------
    result : RunResult
    folder : Path
        An existing, empty folder.
    progress : callable, optional
        Called with a few words before each piece of work.
    painter : Painter, optional
        A second process that draws part of the figures.

    Returns
    -------
    list of str
        Names of the files written.

    Raises
    ------
    OptistackError
        The folder does not exist or is not empty.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise OptistackError(f"{folder} is not a folder; create it before the report is written")
    if any(folder.iterdir()):
        raise OptistackError(f"{folder} is not empty; a report needs an empty folder")
    # matplotlib takes most of a second to load: only where figures are drawn.
    from optistack.report.document import report_html
    from optistack.report.figures import draw_figures
    from optistack.report.tables_csv import csv_texts

    written: list[str] = []

    def put(name: str, content: str | bytes) -> None:
        raw = content.encode("utf-8") if isinstance(content, str) else content
        (folder / name).write_bytes(raw)
        written.append(name)

    progress("numbers")
    data = results_json(result)
    if painter is not None:
        painter.send(data)
    profiles = depth_profiles(result)
    put("results.json", json_text(data))
    for name, text in csv_texts(result, data, profiles).items():
        put(name, text)
    if data["plan"] is not None:
        put("plan_sheet.md", data["plan"]["plan_sheet"])
        put("reporting_sheet.md", data["plan"]["reporting_sheet"])
    drawn = []
    for figure in draw_figures(result, data, profiles, progress, painter):
        put(f"{figure.name}.png", figure.png)
        put(f"{figure.name}.svg", figure.svg)
        drawn.append(figure)
    progress("report.html")
    put("report.html", report_html(data, drawn))
    return written


def json_text(data: dict[str, Any]) -> str:
    """The text of results.json: strict JSON, the same for the same results.

    Raises
    ------
    ValueError
        A number that is not finite.
    """
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
