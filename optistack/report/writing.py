"""Write a report: results.json, CSV tables, sheets, figures and the page."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optistack.errors import OptistackError
from optistack.report.data import Profiles, depth_profiles, new_sections, results_json
from optistack.report.data_views import make_views
from optistack.report.document import report_html
from optistack.report.tables_csv import csv_texts

if TYPE_CHECKING:
    from optistack.report.painter import Painter
    from optistack.report.pictures import Views
    from optistack.scenario import RunResult


def _quiet(_: str) -> None:
    return None


def write_report(
    result: RunResult, folder: Path, *, progress: Callable[[str], None] = _quiet
) -> list[str]:
    """Write results.json, CSV tables, sheets, figures (PNG and SVG) and report.html.

    Parameters
    ----------
    result : RunResult
    folder : Path
        An existing, empty folder.
    progress : callable, optional
        Called with a few words before each piece of work.

    Returns
    -------
    list of str
        Names of the files written.

    Raises
    ------
    OptistackError
        The folder does not exist or is not empty.
    """
    return Draft().write(result, folder, progress=progress)


class Draft:
    """A report that is prepared while its run goes on.

    ``Draft(painter)`` with `optistack.report.painter.Painter`: its process draws each figure as
    soon as there is what it shows.
    """

    def __init__(self, painter: Painter | None = None) -> None:
        self._painter = painter
        self._sections: dict[str, Any] = {}
        self._profiles: Profiles = {}
        self._views: Views | None = None

    def add(self, result: RunResult) -> None:
        """Take what a run has found so far; for `optistack.scenario.run`."""
        new = new_sections(result, self._sections)
        self._sections |= new
        self._tell(result, new)

    def write(
        self, result: RunResult, folder: Path, *, progress: Callable[[str], None] = _quiet
    ) -> list[str]:
        """Write the report of the whole run, as `write_report` does."""
        folder = Path(folder)
        if not folder.is_dir():
            raise OptistackError(
                f"{folder} is not a folder; create it before the report is written"
            )
        if any(folder.iterdir()):
            raise OptistackError(f"{folder} is not empty; a report needs an empty folder")
        written: list[str] = []

        def put(name: str, content: str | bytes) -> None:
            raw = content.encode("utf-8") if isinstance(content, str) else content
            (folder / name).write_bytes(raw)
            written.append(name)

        progress("numbers")
        data = results_json(result, self._sections)
        views = self._tell(result, {k: v for k, v in data.items() if k not in self._sections})
        put("results.json", json_text(data))
        for name, text in csv_texts(result, data, self._profiles).items():
            put(name, text)
        if data["plan"] is not None:
            put("plan_sheet.md", data["plan"]["plan_sheet"])
            put("reporting_sheet.md", data["plan"]["reporting_sheet"])
        drawings = None
        if self._painter is not None:
            progress("figures")
            drawings = self._painter.finish()
        if drawings is None:
            # The drawing library takes half a second to load: only where it is needed.
            from optistack.report.figures import draw_figures

            drawings = draw_figures(data, views, progress)
        for figure in drawings:
            put(f"{figure.name}.png", figure.png)
            put(f"{figure.name}.svg", figure.svg)
        progress("report.html")
        put("report.html", report_html(data, drawings))
        return written

    def _tell(self, result: RunResult, new: dict[str, Any]) -> Views:
        """Hand new sections to the painter, with the views at first."""
        if self._views is None:
            self._profiles = depth_profiles(result)
            self._views = make_views(result, new, self._profiles)
            if self._painter is not None:
                self._painter.send(self._views)
        if self._painter is not None:
            self._painter.send(new)
        return self._views


def json_text(data: dict[str, Any]) -> str:
    """The text of results.json: strict JSON, the same for the same results.

    Raises
    ------
    ValueError
        A number that is not finite.
    """
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
