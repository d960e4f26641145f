"""The page: controls beside the numbers and figures they move, in the order of the questions."""

from __future__ import annotations

import io
import shutil
import tempfile
from collections.abc import Callable, Sequence
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

import panel as pn

from optistack.errors import OptistackError
from optistack.page import export, words
from optistack.page.answers import PARTS, Answers, Desk
from optistack.page.bundle import write_bundle
from optistack.page.figures import Figures
from optistack.page.full_run import FullRun
from optistack.page.intake import (
    KINDS,
    OUTSIDE,
    Dropped,
    content_of,
    drop_scenario,
    drop_table,
    use_as_filter,
)
from optistack.page.knobs import Knob, knobs_of, prepared
from optistack.page.parts import Control, Drop, LinkField
from optistack.page.state import State
from optistack.page.style import CARD, PART_CSS, QUIET_CSS, WIDGET_CSS
from optistack.tables import printable

_WIDE = {"sizing_mode": "stretch_width"}
_MEASURED = {"regular": "regular", "hemispherical": "hemispherical", "I do not know": "not stated"}


class View:
    """One session of the page, or one view in a notebook.

    Parameters
    ----------
    state : State
    prepare : bool
        Add the filter to be moved.

    Attributes
    ----------
    state : State
        What is shown now.
    answers : Answers
    """

    def __init__(self, state: State):
        self.desk = Desk()
        self.opened = state
        self._folder: Path | None = None
        self.full = FullRun()
        self._later: Callable[[], None] | None = None
        self._dropped: Dropped | None = None
        self._archives = 0
        self.root = pn.Column(margin=0, css_classes=["page"], min_width=0, **_WIDE)
        self.on_change: Callable[[State], None] | None = None
        self._open(state)

    @property
    def folder(self) -> Path:
        """Where the files dropped on this page lie; made when it is first needed."""
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="optistack-page-"))
        return self._folder

    def close(self) -> None:
        """End what is under way and forget the files that were dropped."""
        self.full.cancel()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)

    def __panel__(self) -> Any:
        return self.root

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> Any:
        """How a notebook shows the view."""
        return self.root._repr_mimebundle_(include, exclude)

    # from a state to the page ------------------------------------------------------------

    def _open(self, state: State) -> None:
        """Show a scenario from the start."""
        ready = prepared(state)
        answers = self.desk.answer(ready)
        self.state, self.answers = ready, answers
        self.knobs = {k.key: k for k in knobs_of(ready)}
        self.figures = Figures()
        self.controls = {key: self._control(knob) for key, knob in self.knobs.items()}
        self._make_panes()
        self.root.objects = self._sections()
        self._show(answers)

    def _control(self, knob: Knob) -> Control:
        low, high, step = knob.span(self.state)
        control = Control(
            ident=knob.key,
            kind=knob.kind,
            help=knob.help,
            source=knob.source,
            low=low,
            high=high,
            step=step,
            margin=0,
            **_WIDE,
        )
        control.param.watch(partial(self._typed, knob.key), "typed")
        return control

    def _make_panes(self) -> None:
        def pane() -> Any:
            return pn.pane.HTML("", stylesheets=[PART_CSS], margin=0, min_width=0, **_WIDE)

        self.panes = {
            name: pane()
            for name in (
                "heading",
                "strip",
                "cautions",
                "budget",
                "trade-off",
                "changes",
                "intake",
                "intake-said",
                "take-said",
                "run",
                "link-refusal",
                "key-same",
                "key-depth",
                "title-spectra",
                "title-budget",
                "title-depth",
                "title-light-0",
                "title-light-1",
                *(f"numbers-{p}" for p in PARTS),
                *(f"said-{p}" for p in PARTS),
            )
        }
        self.link = LinkField(margin=0, **_WIDE)

    def _show(self, answers: Answers, *, whole: bool = True) -> None:
        """Bring the page to what was answered."""
        state = self.state
        self.panes["heading"].object = words.heading(answers, state)
        self.panes["strip"].object = words.strip(answers)
        self.panes["cautions"].object = words.cautions(answers)
        self.panes["budget"].object = words.budget_key(answers)
        self.panes["key-same"].object = self.panes["key-depth"].object = words.role_key(answers)
        layer = answers.scenario.question.layer
        self._title("spectra", f"Photons absorbed in {layer}, by wavelength")
        self._title("budget", f"Where the photons of {answers.band} nm go")
        self._title(
            "depth", f"Photons absorbed in {layer}, by depth from the lit side, {answers.band} nm"
        )
        self.panes["changes"].object = words.changes(state)
        for part in PARTS if whole else PARTS[:-1]:
            self._show_part(part, answers)
        later = answers.trade_off is None and not whole
        if not later:
            self._say_trade_off(answers)
        self.figures.show(answers, trade_off=not later)
        for key, knob in self.knobs.items():
            self._paint(key, knob)
        try:
            self.link.param.update(text=state.link(), refusal="")
        except OptistackError as error:
            self.link.param.update(text="", refusal=str(error))
        if self.on_change is not None:
            self.on_change(state)

    def _paint(self, key: str, knob: Knob, refusal: str = "") -> None:
        value = knob.read(self.state)
        shown = "" if value is None else f"{value:.10g}" if knob.kind == "number" else str(value)
        self.controls[key].param.update(
            label=knob.label(self.state),
            unit=knob.unit(self.state),
            shown=shown,
            options=[[text, val] for text, val in knob.options(self.state).items()],
            unused=knob.off(self.state),
            refusal=refusal,
        )

    # from the hand to a state ------------------------------------------------------------

    def _typed(self, key: str, event: Any) -> None:
        """A control was let go."""
        text = str(event.new).partition("|")[2].strip()
        knob = self.knobs[key]
        try:
            value: Any = text if knob.kind == "choice" else _number(text)
            if knob.kind == "choice" and value not in knob.options(self.state).values():
                raise OptistackError(f"{printable(text[:60])!r} is not offered here")
            self.change(knob.write(self.state, value))
        except OptistackError as error:
            control = self.controls[key]
            control.refusal = printable(str(error))
            if knob.kind == "choice":
                control.painted += 1

    def move(self, key: str, value: Any) -> None:
        """Set a control from Python, as a hand would.

        Raises
        ------
        OptistackError
            What the control would show as refused; the view stays as it was.
        """
        if key not in self.knobs:
            raise OptistackError(f"no control {key!r}; there are {', '.join(self.knobs)}")
        self.change(self.knobs[key].write(self.state, value))

    def change(self, state: State) -> None:
        """Show another state of the same scenario.

        Raises
        ------
        OptistackError
            The state makes no sense, or refuses a part that was answered before.
        """
        answers = self.desk.answer(state, whole=False)
        for part, refusal in answers.refusals.items():
            if part not in self.answers.refusals:
                raise OptistackError(refusal)
        self.state, self.answers = state, answers
        self._show(answers, whole=False)
        self._soon(self._show_the_rest)

    def _show_the_rest(self) -> None:
        late = self.answers.trade_off is None
        self.answers = self.desk.answer(self.state)
        self._show_part("outdoors", self.answers)
        self._say_left_out()
        if late:
            self._say_trade_off(self.answers)
            self.figures.show_trade_off(self.answers)

    def _show_part(self, part: str, answers: Answers) -> None:
        self.panes[f"numbers-{part}"].object = words.numbers(
            answers.of(part), answers.refusals.get(part, "")
        )
        self.panes[f"said-{part}"].object = words.sentences(
            answers.sentences.get(part, ()), words.SENTENCE_TITLES[part]
        )

    def _say_trade_off(self, answers: Answers) -> None:
        self.panes["trade-off"].object = words.trade_off(answers)
        found = answers.trade_off
        judged = () if found is None else found.evaluation.judged.values()
        lights = [part.exposure.light.name for part in judged]
        for i in range(2):
            text = f"Dose left in {answers.band} nm and photocurrent lost under "
            self._title(f"light-{i}", text + lights[i] if i < len(lights) else "")

    def _title(self, key: str, text: str) -> None:
        self.panes[f"title-{key}"].object = f'<p class="figure">{escape(text)}</p>' if text else ""

    def _soon(self, work: Callable[[], None]) -> None:
        """After what was shown has gone out to the browser; only the last of several."""
        document = pn.state.curdoc
        if document is None or document.session_context is None:
            work()
            return
        waiting = self._later is not None
        self._later = work

        def now() -> None:
            todo, self._later = self._later, None
            if todo is not None:
                todo()

        if not waiting:
            document.add_timeout_callback(now, 5)

    # sections ------------------------------------------------------------

    def _sections(self) -> list[Any]:
        f, p = self.figures, self.panes
        light, layers = self._group("light"), self._group("layers")
        coupon = [c for k, c in layers if k.startswith("thickness-coupon")]
        device = [c for k, c in layers if k.startswith("thickness-device")]
        return [
            _card(
                [
                    p["link-refusal"],
                    p["heading"],
                    pn.pane.HTML(words.TOUR, stylesheets=[PART_CSS], margin=0, **_WIDE),
                ]
            ),
            pn.Column(
                p["strip"],
                css_classes=["in-sight"],
                styles=CARD | _STICKY,
                margin=(0, 0, 10, 0),
                **_WIDE,
            ),
            self._question(
                "same",
                [
                    p["cautions"],
                    *(c for _, c in light),
                    *(c for _, c in self._group("weight")),
                    _fold("Layers of the coupon", coupon),
                    _fold("Layers of the device", device),
                ],
                [
                    p["numbers-same"],
                    p["said-same"],
                    p["title-spectra"],
                    _figure(f.spectra.figure),
                    p["key-same"],
                    p["title-budget"],
                    _figure(f.budget),
                    p["budget"],
                    p["title-depth"],
                    _figure(f.depth.figure),
                    p["key-depth"],
                ],
            ),
            self._question(
                "filter",
                [*(c for _, c in self._group("filter")), *self._intake()],
                [
                    p["numbers-filter"],
                    p["said-filter"],
                    p["title-light-0"],
                    _figure(f.trade_offs[0]),
                    p["title-light-1"],
                    _figure(f.trade_offs[1]),
                    _html(words.TRADE_OFF_KEY),
                    p["trade-off"],
                ],
            ),
            self._question(
                "cell",
                [c for _, c in self._group("cell")]
                or [_text("This scenario has no section [electrode]: see docs/electrode.md.")],
                [
                    p["numbers-cell"],
                    p["said-cell"],
                    _html('<p class="figure">Power against sheet resistance</p>'),
                    _figure(f.power),
                    _html(words.POWER_KEY),
                ],
            ),
            self._question(
                "outdoors", self._long_work(), [p["numbers-outdoors"], p["said-outdoors"]]
            ),
            self._question("take", self._take(), [p["changes"]]),
        ]

    def _group(self, group: str) -> list[tuple[str, Control]]:
        return [(k, self.controls[k]) for k, knob in self.knobs.items() if knob.group == group]

    def _question(self, key: str, moved: Sequence[Any], seen: Sequence[Any]) -> Any:
        title = pn.pane.HTML(
            f'<h2 id="q-{key}">{escape(words.QUESTIONS[key])}</h2>',
            stylesheets=[PART_CSS],
            margin=(0, 0, 8, 0),
            css_classes=[f"question-{key}"],
            **_WIDE,
        )
        return _card(
            [
                title,
                pn.FlexBox(
                    pn.Column(*moved, margin=0, styles=_NARROW, min_width=0),
                    pn.Column(*seen, margin=0, styles=_BROAD, min_width=0),
                    flex_wrap="wrap",
                    align_items="stretch",
                    gap="20px",
                    margin=0,
                    **_WIDE,
                ),
            ]
        )

    # dropped files ------------------------------------------------------------

    def _intake(self) -> list[Any]:
        drop = Drop(
            ident="filter",
            label="Drop a spectrophotometer's file of a filter, or choose it",
            margin=(8, 0, 6, 0),
            **_WIDE,
        )
        kind = _select("The curve was measured", KINDS)
        outside = _select("Beyond its readings", OUTSIDE)
        measured = _select("Transmittance is", _MEASURED)
        use = _button("Use as the filter on trial")
        answer = pn.widgets.Select(
            label="Answer", options=[], stylesheets=[WIDGET_CSS], margin=(4, 0), **_WIDE
        )
        free = pn.widgets.TextInput(
            label="Answer", stylesheets=[WIDGET_CSS], margin=(4, 0), **_WIDE
        )
        tell = _button("Tell the reader")
        box = pn.Column(margin=0, visible=False, **_WIDE)
        said = self.panes["intake-said"]

        def show(dropped: Dropped) -> None:
            self._dropped = dropped
            name = printable(dropped.shown_name[:80])
            box.visible = True
            if dropped.question is not None:
                self.panes["intake"].object = (
                    f"<h3>The reader asks about {escape(name)}</h3>"
                    f'<p data-question="{escape(dropped.question.option)}">'
                    f"{escape(_without_path(str(dropped.question), dropped))}</p>"
                )
                choices = list(dropped.question.choices)
                answer.options, answer.visible = choices, bool(choices)
                answer.value = choices[0] if choices else None
                free.visible = not choices
                box.objects = [self.panes["intake"], answer, free, tell, said]
                return
            export_ = dropped.export
            if export_ is None:
                return
            lam, values = export_.wavelength_nm, export_.columns["transmittance"]
            facts = {
                "wavelengths": f"{lam[0]:g} to {lam[-1]:g} nm, {lam.size} readings",
                "transmittance": f"{values.min():.4g} to {values.max():.4g} (fraction)",
                "regular or hemispherical": export_.measurement,
            }
            self.panes["intake"].object = words.assumptions(
                name, [_without_path(t, dropped) for t in export_.assumptions], facts
            )
            measured.visible = export_.measurement == "not stated"
            box.objects = [self.panes["intake"], kind, measured, outside, use, said]

        def sent(event: Any) -> None:
            drop.refusal = said.object = ""
            try:
                name, content = content_of(event.new)
                show(drop_table(name, content, self.folder / "dropped"))
            except OptistackError as error:
                box.visible = False
                drop.refusal = ""
                drop.refusal = _without_path(printable(str(error)), None)

        def told(_: Any) -> None:
            if self._dropped is None or self._dropped.question is None:
                return
            text = answer.value if answer.visible else free.value
            try:
                show(self._dropped.read(**{self._dropped.question.option: str(text)}))
            except OptistackError as error:
                said.object = _refused(_without_path(str(error), self._dropped))

        def used(_: Any) -> None:
            if self._dropped is None:
                return
            try:
                self.change(
                    use_as_filter(
                        self._dropped,
                        self.state,
                        self.folder / "filters",
                        kind=kind.value,
                        outside=outside.value,
                        measurement=measured.value,
                    )
                )
            except OptistackError as error:
                said.object = _refused(_without_path(str(error), self._dropped))
            else:
                box.visible = False

        drop.param.watch(sent, "sent")
        tell.on_click(told)
        use.on_click(used)
        return [drop, box]

    # taking away ------------------------------------------------------------

    def _take(self) -> list[Any]:
        drop = Drop(
            ident="scenario",
            label="Open a scenario (.toml) or an archive saved here (.zip)",
            margin=(8, 0),
            **_WIDE,
        )

        def sent(event: Any) -> None:
            drop.refusal = ""
            try:
                name, content = content_of(event.new)
                self._archives += 1
                state = drop_scenario(
                    name, content, self.folder / f"opened-{self._archives}", self.opened
                )
                self._open(state)
                self.opened = state
            except OptistackError as error:
                drop.refusal = _without_path(printable(str(error)), None)

        drop.param.watch(sent, "sent")
        again = _button("Start over")
        again.on_click(lambda _: self._open(self.opened))
        stem = "".join(c if c.isalnum() and c.isascii() else "_" for c in self.state.path.stem)[:40]
        return [
            self._download("Scenario file", f"{stem}_changed.toml", lambda: self._toml()),
            self._download(
                "Scenario with its files", f"{stem}.zip", lambda: write_bundle(self.state)
            ),
            self._download(
                "Tables (CSV)", f"{stem}_tables.zip", lambda: export.tables(self._whole())
            ),
            self._download(
                "Figures (PNG, SVG)", f"{stem}_figures.zip", lambda: export.figures(self._whole())
            ),
            self.panes["take-said"],
            _text("The link reopens this view while the page runs with the same scenario:"),
            self.link,
            drop,
            again,
        ]

    def _toml(self) -> bytes:
        savable, _ = self.state.savable()
        return savable.toml().encode()

    def _say_left_out(self) -> None:
        """What a saved file would lack, or why it cannot be saved."""
        try:
            _, left_out = self.state.savable()
        except OptistackError as error:
            left_out = (str(error),)
        self.panes["take-said"].object = "".join(_refused(text) for text in left_out)

    def _whole(self) -> Answers:
        return self.desk.answer(self.state)

    def _download(self, label: str, filename: str, make: Callable[[], bytes]) -> Any:
        def callback() -> io.BytesIO:
            try:
                return io.BytesIO(make())
            except OptistackError as error:
                self.panes["take-said"].object = _refused(str(error))
                return io.BytesIO(f"refused: {error}\n".encode())

        return pn.widgets.FileDownload(
            callback=callback,
            filename=filename,
            label=label,
            stylesheets=[WIDGET_CSS],
            margin=(3, 6, 3, 0),
            css_classes=[f"take-{label.split()[0].lower()}-{filename[-3:]}"],
        )

    # long work ------------------------------------------------------------

    def _long_work(self) -> list[Any]:
        start, cancel = _button("Run everything"), _button("Cancel")
        cancel.disabled = True
        ready = pn.Column(margin=0, **_WIDE)
        pane = self.panes["run"]

        def said(seconds: float, text: str) -> None:
            pane.object = (
                f'<div role="status"><progress aria-label="running"></progress><p>{seconds:.0f} s: '
                f"{escape(printable(text))}</p></div>"
            )

        async def run(_: Any) -> None:
            start.disabled, cancel.disabled = True, False
            ready.objects = []
            try:
                packed = await self.full.run(self.state, said)
            except OptistackError as error:
                pane.object = _refused(str(error))
            else:
                pane.object = '<p role="status">Done: the report with its tables and figures.</p>'
                ready.objects = [
                    pn.widgets.FileDownload(
                        io.BytesIO(packed),
                        filename="report.zip",
                        label="Report",
                        stylesheets=[WIDGET_CSS],
                        margin=(3, 0),
                        embed=True,
                    )
                ]
            start.disabled, cancel.disabled = False, True

        start.on_click(run)
        cancel.on_click(lambda _: self.full.cancel())
        return [
            _text(
                "Everything that the scenario asks, as <code>optistack run</code> does it: also "
                "rates, a year at a site and the draws, which take longer. You can go on meanwhile."
            ),
            pn.Row(start, cancel, margin=0),
            pane,
            ready,
        ]


# small things ------------------------------------------------------------

_STICKY = {"position": "sticky", "top": "0", "z-index": "10", "padding": "8px 14px"}
_NARROW = {"flex": "1 1 300px", "min-width": "min(300px, 100%)", "max-width": "100%"}
_BROAD = {"flex": "2 1 440px", "min-width": "min(320px, 100%)", "max-width": "100%"}


def _card(items: Sequence[Any]) -> Any:
    return pn.Column(*items, styles=CARD, margin=(0, 0, 10, 0), min_width=0, **_WIDE)


def _fold(title: str, items: Sequence[Any]) -> Any:
    """Controls that are needed less often, behind a button that the keyboard reaches."""
    if not items:
        return pn.Spacer(height=0)
    box = pn.Column(*items, margin=(6, 0), visible=False, **_WIDE)
    button = pn.widgets.Button(
        label=f"{title} …", stylesheets=[WIDGET_CSS, QUIET_CSS], margin=(3, 0)
    )

    def toggle(_: Any) -> None:
        box.visible = not box.visible

    button.on_click(toggle)
    return pn.Column(button, box, margin=0, **_WIDE)


def _figure(made: Any) -> Any:
    return pn.pane.Bokeh(made, margin=(4, 0), min_width=0, **_WIDE)


def _text(html: str) -> Any:
    return _html(f'<p class="soft">{html}</p>')


def _html(text: str) -> Any:
    return pn.pane.HTML(text, stylesheets=[PART_CSS], margin=(2, 0), min_width=0, **_WIDE)


def _button(name: str) -> Any:
    return pn.widgets.Button(label=name, stylesheets=[WIDGET_CSS], margin=(3, 6, 3, 0))


def _select(name: str, options: dict[str, str]) -> Any:
    return pn.widgets.Select(
        label=name, options=options, stylesheets=[WIDGET_CSS], margin=(4, 0), **_WIDE
    )


def _refused(text: str) -> str:
    return f'<p class="part-refusal" role="alert">{escape(printable(text))}</p>'


def _without_path(text: str, dropped: Dropped | None) -> str:
    """A message with the name that the user knows, not the place where the page keeps the file."""
    if dropped is None:
        return text
    shown = printable(dropped.shown_name[:80])
    return text.replace(str(dropped.path), shown).replace(dropped.path.name, shown)


def _number(text: str) -> float:
    """What was typed as a number; a decimal comma is one."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise OptistackError(f"{printable(text[:40])!r} is not a number") from None
    if value != value or value in (float("inf"), float("-inf")):
        raise OptistackError(f"{text[:40]} is not a finite number")
    return value
