"""The demo report in a real browser: desktop and phone width, light and dark, offline."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pages import browser_of, need_browser

from optistack.cli import main

sync_api = need_browser()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page") / "report"
    assert main(["demo", "--out", str(folder), "--json"]) == 0
    return folder / "report.html"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_of(sync_api) as started:
        yield started


@pytest.mark.parametrize("width", [360, 768, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_report_opens_offline_at_every_width(
    browser: Any, report: Path, width: int, scheme: str
) -> None:
    """Nothing but the file itself is asked for, nothing complains, nothing sticks out sideways."""
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    asked: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    page.on("console", lambda m: complaints.append(m.text))
    page.on("pageerror", lambda e: complaints.append(str(e)))
    page.goto(report.as_uri())
    outside = [u for u in asked if not u.startswith(("file:", "data:"))]
    assert outside == []
    assert complaints == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert "Lantern House" in page.title()
    assert page.locator("h1").count() == 1
    # Every figure is drawn, is no wider than the page, and its text can be read.
    figures = page.locator("figure svg, figure img")
    assert figures.count() >= 8
    for i in range(figures.count()):
        box = figures.nth(i).bounding_box()
        assert box is not None
        assert 200 < box["width"] <= width
        assert box["height"] > 100
    page.close()


def test_text_contrast_in_dark_and_light(browser: Any, report: Path) -> None:
    """Body text against its background: at least 7 to 1 (WCAG 2.1, success criterion 1.4.6)."""
    for scheme in ("light", "dark"):
        page = browser.new_page(color_scheme=scheme)
        page.goto(report.as_uri())
        colours = page.evaluate(
            "(() => { const s = getComputedStyle(document.body);"
            "const r = getComputedStyle(document.documentElement);"
            "return [s.color, s.backgroundColor, r.backgroundColor]; })()"
        )
        page.close()
        text = _luminance(colours[0])
        back = _luminance(colours[1] if "0, 0, 0, 0" not in colours[1] else colours[2])
        ratio = (max(text, back) + 0.05) / (min(text, back) + 0.05)
        assert ratio >= 7, (scheme, colours, ratio)


def _luminance(colour: str) -> float:
    parts = [float(x) / 255 for x in colour[colour.index("(") + 1 : -1].split(",")[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
