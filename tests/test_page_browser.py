"""The page in a real browser: opened, moved, fed, saved, read on a phone, by keyboard."""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import ROOT
from pages import REQUIRED, browser_of, need_browser, served

sync_api = need_browser()
if not REQUIRED:
    pytest.importorskip("panel")

from optistack.page.answers import Answers, Desk  # noqa: E402  (after the skips)
from optistack.page.knobs import Knob, knobs_of, prepared  # noqa: E402
from optistack.page.state import State  # noqa: E402

SLOW_MS = 30_000  # a shared machine may be busy

_WALK = """
const all = []
const walk = (root) => { for (const e of root.querySelectorAll("*")) {
  all.push(e); if (e.shadowRoot) walk(e.shadowRoot) } }
walk(document)
const folded = (e) => { const d = e.closest("details:not([open])")
  return d && d !== e && !e.closest("summary") }
const seen = (e) => { if (folded(e)) return false
  const b = e.getBoundingClientRect(); return b.width > 1 && b.height > 1 &&
  getComputedStyle(e).visibility !== "hidden" }
"""
_SHOWN = (
    _WALK
    + """
return Object.fromEntries(all.filter((e) => e.dataset && e.dataset.number)
  .map((e) => [e.dataset.number, e.querySelector(".value").textContent])) """
)


@pytest.fixture(scope="module")
def scenario(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo without the parts that take long in a whole run, which no control touches."""
    folder = tmp_path_factory.mktemp("page") / "lantern_house"
    shutil.copytree(ROOT / "shared" / "lantern_house", folder)
    path = folder / "lantern_house.toml"
    text = path.read_text(encoding="utf-8")
    for name in ("rates", "site", "plan", "filter_choice", "ledger", "uncertainty"):
        text = re.sub(
            rf"^\[{name}[.\]].*?(?=^\[(?!{name}[.\]])|\Z)", "", text, flags=re.MULTILINE | re.DOTALL
        )
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def address(scenario: Path) -> Iterator[str]:
    with served(str(scenario), most_s=240) as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_of(sync_api) as started:
        yield started


class Tab:
    """A tab with everything it asked for and everything it complained about."""

    def __init__(self, browser: Any, address: str, **options: Any):
        self.address = address
        self.context = browser.new_context(accept_downloads=True, **options)
        self.page = self.context.new_page()
        self.page.set_default_timeout(SLOW_MS)
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.on("websocket", lambda w: self.asked.append(w.url))
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))

    def _heard(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def open(self, query: str = "") -> Tab:
        self.page.goto(self.address + query)
        self.page.wait_for_selector('[data-number="ratio"]')
        self.page.wait_for_selector('[data-key="half-value"] input[type=text]')
        return self

    def shown(self) -> dict[str, str]:
        """Every number on the page by its key."""
        found: dict[str, str] = self.page.evaluate(f"(() => {{{_SHOWN}}})()")
        return found

    def settled(self) -> dict[str, str]:
        """What is shown once nothing has changed for a second."""
        now, before = self.shown(), {}
        while now != before:
            self.page.wait_for_timeout(1000)
            now, before = self.shown(), now
        return now

    def type(self, key: str, text: str) -> None:
        field = self.page.locator(f'[data-key="{key}"] input[type=text]')
        field.fill(text)
        field.press("Enter")

    def refusal(self, key: str) -> Any:
        return self.page.locator(f'[data-key="{key}"] .refusal')

    def wait_for(self, answers: Answers) -> None:
        """Until the page shows these numbers, and no others."""
        self.until({n.key: n.text for n in answers.numbers})

    def until(self, wanted: dict[str, str]) -> None:
        """Until these numbers are shown, and no others."""
        same = "const text = (x) => JSON.stringify(Object.entries(x).sort()); "
        with contextlib.suppress(sync_api.TimeoutError):
            self.page.wait_for_function(
                f"(wanted) => {{ {same} const found = (() => {{{_SHOWN}}})(); "
                "return text(found) === text(wanted) }",
                arg=wanted,
                timeout=SLOW_MS,
                polling=50,
            )
        assert self.shown() == wanted

    def close(self) -> None:
        """End the tab: it kept to this page, and complained about nothing."""
        host = self.address.split("//")[1]
        outside = [
            u
            for u in self.asked
            if not u.startswith((f"http://{host}", f"ws://{host}", "data:", "blob:"))
        ]
        self.context.close()
        assert outside == []
        assert self.complaints == []


@pytest.fixture(scope="module")
def shared(browser: Any, address: str) -> Iterator[Tab]:
    """One tab for tests that leave the page able to go on."""
    tab = Tab(browser, address).open()
    yield tab
    tab.close()


def value_after(knob: Knob, state: State) -> Any:
    value = knob.read(state)
    if knob.kind == "choice":
        options = list(knob.options(state).values())
        return options[(options.index(value) + 1) % len(options)]
    _, high, step = knob.span(state)
    return round(value + 2 * step if value + 2 * step <= high else value - 2 * step, 6)


def test_every_control_moves_the_page_as_python_says(
    browser: Any, address: str, scenario: Path
) -> None:
    """Numbers to the displayed precision, after each control; no complaint, no other host."""
    state = prepared(State.from_file(scenario))
    desk = Desk()
    tab = Tab(browser, address, viewport={"width": 1280, "height": 900}).open()
    tab.wait_for(desk.answer(state))
    for side in ("coupon", "device"):
        tab.page.get_by_role("button", name=f"Layers of the {side}").click()
    # The choices of filter and light last: they take the ground from other controls.
    order = sorted(knobs_of(state), key=lambda k: k.key in ("filter", "light"))
    for knob in order:
        value = value_after(knob, state)
        state = knob.write(state, value)
        if knob.kind == "choice":
            tab.page.locator(f'[data-key="{knob.key}"] select').select_option(str(value))
        else:
            tab.type(knob.key, f"{value:.10g}")
        tab.wait_for(desk.answer(state))
        sync_api.expect(tab.refusal(knob.key)).to_have_text("")
    tab.close()


def test_sliders_by_keyboard(shared: Tab, scenario: Path) -> None:
    """Reached by Tab, moved by arrow keys; the number beside follows, and the answers."""
    state = prepared(State.from_file(scenario))
    tab = shared
    tab.page.locator('[data-key="mount"] select').focus()
    for _ in range(2):  # the question mark of the next control, then its slider
        tab.page.keyboard.press("Tab")
    assert "Edge: half-value" in tab.page.evaluate(
        "(() => { let e = document.activeElement; while (e.shadowRoot) e = "
        "e.shadowRoot.activeElement; return e.getAttribute('aria-label') })()"
    )
    tab.page.keyboard.press("ArrowRight")
    knob = next(k for k in knobs_of(state) if k.key == "half-value")
    tab.wait_for(Desk().answer(knob.write(state, 386.0)))
    help_text = tab.page.locator('[data-key="half-value"] .help')
    assert help_text.is_hidden()
    tab.page.locator('[data-key="half-value"] .what').press("Enter")
    assert "Source:" in help_text.inner_text()


def test_wrong_input_is_refused_where_it_was_typed(shared: Tab) -> None:
    tab = shared
    before = tab.settled()
    for key, text, said in (
        ("holder", "1.5", "outside 0 to 1"),
        ("angle", "ninety", "'ninety' is not a number"),
        ("half-value", "-3", "must be greater than 0"),
        ("level", "<b>1</b>", "is not a number"),
        ("sheet", "0", "must be greater than 0"),
    ):
        tab.type(key, text)
        sync_api.expect(tab.refusal(key)).to_contain_text(said)
        field = tab.page.locator(f'[data-key="{key}"] input[type=text]')
        assert field.get_attribute("aria-invalid") == "true"
    assert tab.shown() == before
    tab.type("holder", "0,25")  # a decimal comma; what was refused before is forgotten
    sync_api.expect(tab.refusal("holder")).to_have_text("")


def test_a_quirky_file_is_dropped_and_saved_and_run_again(
    browser: Any, address: str, scenario: Path, tmp_path: Path
) -> None:
    """Assumptions first, then its use; the archive that is saved gives the shown numbers."""
    quirky = tmp_path / "Foil 9 <b>.txt"
    quirky.write_text(
        "Foil 9, invented\r\nmode;regular\r\nnm;%T\r\n"
        "900,0;90,1\r\n500,0;89,0\r\n420,0;80,5\r\n400,0;31,0\r\n380,0;2,0\r\n340,0;0,4\r\n270,0;0,3\r\n",
        encoding="latin-1",
    )
    tab = Tab(browser, address).open()
    tab.page.locator("#f-filter").set_input_files(quirky)
    said = tab.page.locator("[data-assumptions]")
    sync_api.expect(said).to_contain_text("semicolon-delimited, decimal comma")
    sync_api.expect(said).to_contain_text("percent")
    before = tab.shown()
    tab.page.get_by_role("button", name="Use as the filter on trial").click()
    sync_api.expect(tab.page.locator('[data-key="filter"] select')).to_have_value("Foil_9_b")
    sync_api.expect(tab.page.locator('[data-number="left-0"] .value')).not_to_have_text(
        before["left-0"]
    )
    tab.type("holder", "0.3")
    sync_api.expect(tab.page.locator('[data-number="ratio"] .value')).not_to_have_text(
        before["ratio"]
    )
    shown = tab.settled()
    with tab.page.expect_download() as caught:
        tab.page.get_by_role("button", name="Scenario with its files").click()
    saved = tmp_path / "saved.zip"
    caught.value.save_as(saved)
    shutil.unpack_archive(saved, tmp_path / "saved")
    assert (tmp_path / "saved" / "Foil_9_b.csv").is_file()
    done = subprocess.run(
        [
            *(sys.executable, "-m", "optistack", "run", str(tmp_path / "saved" / "scenario.toml")),
            *("--out", str(tmp_path / "result"), "--json"),
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr
    result = json.loads((tmp_path / "result" / "results.json").read_text(encoding="utf-8"))
    first = [v for v in result["filters"] if v["name"] == "Foil_9_b"]
    for i, row in enumerate(first):
        left = next(iter(row["weighted_dose_left"].values()))
        number = left["value"] if isinstance(left, dict) else left
        assert shown[f"left-{i}"].startswith(f"{100 * number:.3g} %")
    weighted = list(result["comparison"]["weighted_ratio"].values())
    value = weighted[0]["value"] if isinstance(weighted[0], dict) else weighted[0]
    assert shown["ratio"].startswith(f"{value:.3g} ")
    # The archive reopens the same view.
    tab.page.locator("#f-scenario").set_input_files(saved)
    sync_api.expect(tab.page.locator('[data-key="holder"] input[type=text]')).to_have_value("0.3")
    tab.until(shown)
    tab.close()


def test_malformed_uploads_leave_a_clear_message(shared: Tab, tmp_path: Path) -> None:
    tab = shared
    before = tab.settled()
    huge = tmp_path / "huge.csv"
    with huge.open("wb") as out:
        out.truncate(100 * 1024 * 1024)
    drop = tab.page.locator(".dropzone", has=tab.page.locator("#f-filter"))
    for name, content, said in (
        (None, huge, "It was not sent"),
        ("noise.bin", bytes(range(256)) * 64, "noise"),
        ("empty.txt", b"", "empty"),
        ("<img src=x onerror=alert(1)>.csv", b"no numbers at all\n" * 9, "number"),
    ):
        if name is None:
            tab.page.locator("#f-filter").set_input_files(content)
        else:
            tab.page.locator("#f-filter").set_input_files(
                {"name": name, "mimeType": "text/plain", "buffer": content}
            )
        sync_api.expect(drop.locator(".refusal")).to_contain_text(said, ignore_case=True)
    scenario_drop = tab.page.locator(".dropzone", has=tab.page.locator("#f-scenario"))
    tab.page.locator("#f-scenario").set_input_files(
        {"name": "x.zip", "mimeType": "application/zip", "buffer": b"PK\x03\x04 nothing"}
    )
    sync_api.expect(scenario_drop.locator(".refusal")).to_contain_text("cannot be opened")
    assert tab.shown() == before
    tab.type("holder", "0.2")  # and the page still answers
    sync_api.expect(tab.page.locator('[data-number="ratio"] .value')).not_to_have_text(
        before["ratio"]
    )


def test_two_tabs_and_a_link(browser: Any, address: str, scenario: Path) -> None:
    """A tab is moved, the other stays; the link of the first opens its view in a third."""
    one, two = Tab(browser, address).open(), Tab(browser, address).open()
    before = two.shown()
    one.type("half-value", "405")
    one.type("holder", "0.1")
    sync_api.expect(one.page.locator('[data-key="holder"] input[type=text]')).to_have_value("0.1")
    sync_api.expect(one.page.locator('[data-number="ratio"] .value')).not_to_have_text(
        before["ratio"]
    )
    moved = one.settled()
    assert two.shown() == before
    assert moved != before
    link = one.page.locator("#view-link").input_value()
    assert link.startswith(address)
    three = Tab(browser, address).open(link.removeprefix(address))
    three.until(moved)
    broken = Tab(browser, address).open("?view=AAAA")
    sync_api.expect(broken.page.get_by_text("does not belong to this page").first).to_be_visible()
    for tab in (one, two, three, broken):
        tab.close()


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_readable_on_a_phone_and_in_the_dark(
    browser: Any, address: str, width: int, scheme: str
) -> None:
    """Nothing sticks out sideways, text stands out from its ground, the cautions are in sight."""
    tab = Tab(
        browser, address, viewport={"width": width, "height": 844}, color_scheme=scheme
    ).open()
    page = tab.page
    page.wait_for_timeout(1000)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    care = page.locator(".care")
    assert "injure eyes and skin" in care.inner_text()
    contrast = page.evaluate(_CONTRAST)
    assert len(contrast) > 40
    weak = [c for c in contrast if c["ratio"] < 4.5]
    assert weak == []  # WCAG 2.1, success criterion 1.4.3
    sideways = page.evaluate(_SIDEWAYS, width)
    assert sideways == []
    # Every control has a name that a screen reader can say.
    assert page.evaluate(_NAMELESS) == []
    tab.close()


_CONTRAST = (
    "(() => {"
    + _WALK
    + """
const light = (c) => { const [r, g, b] = c.map((v) => { v /= 255;
  return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4 })
  return 0.2126 * r + 0.7152 * g + 0.0722 * b }
const parts = (c) => c.match(/[\\d.]+/g).map(Number)
const ground = (e) => { while (e) { const c = parts(getComputedStyle(e).backgroundColor)
  if (c.length === 3 || c[3] === 1) return c.slice(0, 3)
  e = e.parentElement || (e.getRootNode().host ?? null) } return [255, 255, 255] }
const out = []
for (const e of all) {
  const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())
  if (!own || !seen(e) || e.disabled || ["SCRIPT", "STYLE", "OPTION"].includes(e.tagName)) continue
  if (e.closest("[disabled]") || e.getRootNode().host?.hasAttribute?.("disabled")) continue
  if (e.closest(".bk-btn") && e.closest(".bk-btn").disabled) continue
  const a = light(parts(getComputedStyle(e).color).slice(0, 3)), b = light(ground(e))
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05)
  out.push({ text: e.textContent.trim().slice(0, 40), tag: e.tagName, ratio })
}
return out })()"""
)
_SIDEWAYS = (
    "(width) => {"
    + _WALK
    + """
// What figures keep above their canvas is cut at its edge.
const drawn = (e) => /Renderer|Span|Label|Annotation|Axis|Grid|Title|Tool/.test(String(e.className))
return all.filter((e) => seen(e) && !drawn(e) && !e.closest(".table") && e.getBoundingClientRect().right > width + 1)
  .map((e) => e.tagName + "." + e.className).slice(0, 10) }"""
)
_NAMELESS = (
    "(() => {"
    + _WALK
    + """
return all.filter((e) => ["INPUT", "SELECT", "BUTTON"].includes(e.tagName) && seen(e))
  .filter((e) => !(e.getAttribute("aria-label") || e.textContent.trim() ||
    [...(e.labels ?? [])].some((l) => l.textContent.trim())))
  .map((e) => e.outerHTML.slice(0, 120)) })()"""
)


def test_long_work_shows_progress_and_can_be_cancelled(shared: Tab) -> None:
    tab = shared
    run = tab.page.get_by_role("button", name="Run everything")
    run.click()
    sync_api.expect(tab.page.locator("progress")).to_be_visible()
    tab.page.get_by_role("button", name="Cancel").click()
    sync_api.expect(tab.page.get_by_text("cancelled; nothing of this run is kept")).to_be_visible()
    sync_api.expect(run).to_be_enabled()
