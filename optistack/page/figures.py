"""The figures of the page, made once and fed with new points when something moves."""

from __future__ import annotations

from typing import Any

import numpy as np
from bokeh.models import (
    BasicTickFormatter,
    ColumnDataSource,
    FixedTicker,
    HoverTool,
    Label,
    Range1d,
    Span,
)
from bokeh.plotting import figure

from optistack.page.answers import Answers
from optistack.page.style import (
    COUPON,
    DEVICE,
    FILTERED,
    MUTED,
    ROLE_COLOURS,
    ROLE_DASHES,
    SHARE_COLOURS,
)
from optistack.page.words import budget_names, numbered

ROLES = ("coupon", "device", "filtered")
_ROLE_TEXT = {"coupon": "coupon", "device": "device", "filtered": "device + filter"}
_TOOLS = "box_zoom,reset,save"
# Decades shown below the largest value: what lies lower carries nothing.
_DECADES = 1e-5


def _plain(title: str, **options: Any) -> Any:
    made = figure(
        height=options.pop("height", 290),
        sizing_mode="stretch_width",
        min_width=220,
        tools=_TOOLS,
        toolbar_location="right",
        title=title,
        **options,
    )
    made.toolbar.logo = None
    made.title.text_font_size = "13px"
    made.title.text_font_style = "normal"
    for axis in made.axis:
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = "13px"
        axis.major_label_text_font_size = "12px"
    return made


def _hover(made: Any, renderers: list[Any], *tips: tuple[str, str]) -> None:
    made.add_tools(HoverTool(renderers=renderers, tooltips=list(tips)))


class _Lines:
    """Lines of coupon, device and device behind the filter."""

    def __init__(self, title: str, x_label: str, y_unit: str, *, log: bool):
        self.log = log
        self.figure = _plain(
            title, y_axis_type="log" if log else "linear", y_range=Range1d(0.1, 1), x_range=Range1d(0, 1)
        )
        self.figure.xaxis.axis_label = x_label
        self.figure.yaxis.axis_label = y_unit
        if not log:
            self.figure.yaxis.formatter = BasicTickFormatter(precision=1)
        self.sources = {}
        drawn = []
        for role in ROLES:
            source = ColumnDataSource({"x": [], "y": []})
            self.sources[role] = source
            drawn.append(
                self.figure.line(
                    "x",
                    "y",
                    source=source,
                    line_width=2.4,
                    color=ROLE_COLOURS[role],
                    line_dash=ROLE_DASHES[role],
                    legend_label=_ROLE_TEXT[role],
                    name=_ROLE_TEXT[role],
                )
            )
        _hover(self.figure, drawn, ("", "$name"), (x_label, "@x{0.0}"), (y_unit, "@y{0.00e+0}"))
        _legend(self.figure)

    def show(self, curves: Any) -> None:
        known = {c.role: c for c in curves}
        top = max((float(c.y.max()) for c in curves if c.y.size), default=1.0) or 1.0
        for role, source in self.sources.items():
            if role not in known:
                source.data = {"x": [], "y": []}
                continue
            y = known[role].y
            shown = np.where(y > top * _DECADES / 10, y, np.nan) if self.log else y
            source.data = {"x": known[role].x, "y": shown}
        if curves:
            self.figure.x_range.update(
                start=min(float(c.x[0]) for c in curves), end=max(float(c.x[-1]) for c in curves)
            )
        self.figure.y_range.update(start=top * _DECADES if self.log else 0.0,
                                   end=top * (2 if self.log else 1.08))


def _legend(made: Any) -> None:
    made.add_layout(made.legend[0], "below")
    made.legend.orientation = "horizontal"
    made.legend.label_text_font_size = "12px"
    made.legend.border_line_color = None
    made.legend.padding = 2
    made.legend.margin = 2
    made.legend.spacing = 10
    made.legend.background_fill_alpha = 0


class Figures:
    """All figures of the page."""

    def __init__(self) -> None:
        self.spectra = _Lines(
            "Photons absorbed in the layer, by wavelength", "wavelength (nm)", "1/(m² s nm)", log=True
        )
        self.depth = _Lines(
            "Photons absorbed in the layer, by depth from the lit side",
            "depth (nm)",
            "1/(m³ s)",
            log=False,
        )
        self._make_budget()
        self._make_power()
        self._trade = [_TradeOff(), _TradeOff()]

    @property
    def trade_offs(self) -> list[Any]:
        """A figure for each of two lights."""
        return [t.figure for t in self._trade]

    def show(self, answers: Answers, *, trade_off: bool = True) -> None:
        """Feed every figure."""
        self.spectra.show(answers.spectra)
        self.depth.show(answers.depth)
        self.spectra.figure.title.text = (
            f"Photons absorbed in {answers.scenario.question.layer}, by wavelength"
        )
        self.depth.figure.title.text = (
            f"Photons absorbed by depth from the lit side, {answers.band} nm"
        )
        self._show_budget(answers)
        self._show_power(answers)
        if trade_off:
            self._show_trade_off(answers)

    def _make_budget(self) -> None:
        self.budget_source = ColumnDataSource(
            {k: [] for k in ("role", "left", "right", "colour", "where", "share")}
        )
        self.budget = _plain(
            "Where the photons go",
            y_range=[_ROLE_TEXT[r] for r in reversed(ROLES)],
            x_range=Range1d(0, 100),
            height=220,
        )
        bars = self.budget.hbar(
            y="role",
            left="left",
            right="right",
            height=0.62,
            color="colour",
            line_color="#ffffff",
            line_width=1,
            source=self.budget_source,
        )
        self.budget.xaxis.axis_label = "share of the photons (%)"
        self.budget.ygrid.grid_line_color = None
        _hover(self.budget, [bars], ("", "@role"), ("@where", "@share{0.0} %"))

    def _show_budget(self, answers: Answers) -> None:
        names = budget_names(answers)
        colours = dict(
            zip(names, SHARE_COLOURS * (1 + len(names) // len(SHARE_COLOURS)), strict=False)
        )
        columns: dict[str, list[Any]] = {k: [] for k in self.budget_source.data}
        for role, shares in answers.budgets.items():
            at = 0.0
            for where in names:
                share = 100 * shares.get(where, 0.0)
                if share <= 0:
                    continue
                for key, value in (
                    ("role", _ROLE_TEXT[role]),
                    ("left", at),
                    ("right", at + share),
                    ("colour", colours[where]),
                    ("where", where),
                    ("share", share),
                ):
                    columns[key].append(value)
                at += share
        self.budget_source.data = columns
        self.budget.title.text = f"Where the photons of {answers.band} nm go"

    def _make_power(self) -> None:
        self.power = _plain(
            "Power against sheet resistance",
            x_axis_type="log",
            x_range=Range1d(1, 1000),
            y_range=Range1d(0, 105),
        )
        self.power_source = ColumnDataSource({"x": [], "y": [], "first": []})
        self.power_now = ColumnDataSource({"x": [], "y": []})
        self.power_levels = ColumnDataSource({"x": [], "y": [], "text": []})
        line = self.power.line(
            "x", "y", source=self.power_source, line_width=2.6, color=DEVICE,
            legend_label="distributed cell",
        )
        self.power.line(
            "x", "first", source=self.power_source, line_width=2, color=MUTED, line_dash="dashed",
            legend_label="first-order formula",
        )
        self.power.scatter(
            "x", "y", source=self.power_levels, size=9, marker="square", color=FILTERED,
            legend_label="80 and 50 %",
        )
        self.power.scatter(
            "x", "y", source=self.power_now, size=15, marker="star", color=COUPON,
            legend_label="today",
        )
        self.collapse = Span(
            dimension="height", line_color=MUTED, line_dash="dotted", line_width=2, location=1.0
        )
        self.collapse_label = Label(
            x=1, y=98, text="collapse", text_font_size="12px", x_offset=4, text_align="right"
        )
        self.power.add_layout(self.collapse)
        self.power.add_layout(self.collapse_label)
        self.power.xaxis.axis_label = "sheet resistance (Ω/sq)"
        self.power.yaxis.axis_label = "% of today's power"
        _hover(self.power, [line], ("Ω/sq", "@x{0.}"), ("power left", "@y{0.0} %"))
        _legend(self.power)

    def _show_power(self, answers: Answers) -> None:
        power = answers.power
        self.power.visible = power is not None
        if power is None:
            return
        r = power.points.sheet_resistance_ohm_sq
        order = np.argsort(r)
        first = 100 * (1 - power.first_order_loss[order])
        self.power_source.data = {
            "x": r[order],
            "y": 100 * power.power_share[order],
            "first": np.where(first >= 0, first, np.nan),
        }
        start = float(power.start.sheet_resistance_ohm_sq[0])
        self.power_now.data = {"x": [start], "y": [100.0]}
        levels = {k: v for k, v in power.level_ohm_sq.items() if k in (0.8, 0.5)}
        self.power_levels.data = {
            "x": list(levels.values()),
            "y": [100 * k for k in levels],
            "text": [f"{100 * k:g} %" for k in levels],
        }
        self.collapse.location = self.collapse_label.x = power.collapse_ohm_sq
        self.collapse_label.text = "collapse  "
        self.power.x_range.update(start=float(r.min()), end=float(r.max()))

    def _show_trade_off(self, answers: Answers) -> None:
        table = answers.trade_off
        names = [] if table is None else list(dict.fromkeys(r.exposure for r in table.rows))
        for i, each in enumerate(self._trade):
            each.figure.visible = i < len(names)
            if i < len(names):
                each.show(answers, names[i])


class _TradeOff:
    """Dose left against photocurrent lost under one light."""

    def __init__(self) -> None:
        self.figure = _plain(
            "",
            y_axis_type="log",
            x_range=Range1d(0, 1),
            y_range=Range1d(0.01, 200),
            height=320,
        )
        columns: dict[str, list[Any]] = {"x": [], "y": [], "name": [], "number": []}
        self.edges = ColumnDataSource(dict(columns))
        self.others = ColumnDataSource(dict(columns))
        self.mine = ColumnDataSource(dict(columns))
        self.figure.line("x", "y", source=self.edges, color=DEVICE, line_width=2,
                         legend_label="edges of this width")
        on_line = self.figure.scatter("x", "y", source=self.edges, size=6, color=DEVICE)
        dots = self.figure.scatter(
            "x", "y", source=self.others, size=10, marker="diamond", color=FILTERED,
            legend_label="other filters",
        )
        self.figure.text(
            "x", "y", text="number", source=self.others, x_offset=7, y_offset=-3,
            text_font_size="12px", text_color=FILTERED,
        )
        star = self.figure.scatter(
            "x", "y", source=self.mine, size=19, marker="star", color=COUPON, line_color="#ffffff",
            legend_label="on trial",
        )
        self.figure.xaxis.axis_label = "photocurrent lost (mA/cm²)"
        self.figure.yaxis.axis_label = "dose left (%)"
        self.figure.yaxis.ticker = FixedTicker(
            ticks=[0.001, 0.01, 0.1, 1, 10, 100],
            minor_ticks=[m * 10.0**e for e in range(-4, 2) for m in range(2, 10)],
        )
        self.figure.yaxis.major_label_overrides = {
            t: f"{t:g}" for t in (0.001, 0.01, 0.1, 1, 10, 100)
        }
        _hover(self.figure, [on_line, dots, star], ("", "@name"), ("mA/cm² lost", "@x{0.000}"),
               ("dose left", "@y{0.00} %"))
        _legend(self.figure)

    def show(self, answers: Answers, exposure: str) -> None:
        table = answers.trade_off
        if table is None:
            return
        band = table.ranking_band

        def data(rows: list[tuple[str, Any]]) -> dict[str, list[Any]]:
            kept = [
                (n, r, r.photocurrent_lost_ma_cm2.value, 100 * r.dose_left[band].value)
                for n, r in rows
                if r.exposure == exposure and r.photocurrent_lost_ma_cm2 is not None
            ]
            return {
                "x": [x for _, _, x, _ in kept],
                "y": [max(y, 1e-3) for _, _, _, y in kept],
                "name": [r.name for _, r, _, _ in kept],
                "number": [n for n, _, _, _ in kept],
            }

        points = numbered(answers)
        self.mine.data = data([p for p in points if p[0] == "★"])
        self.others.data = data([p for p in points if p[0] != "★"])
        self.edges.data = data([("", r) for r in table.rows if r.name in answers.sweep])
        light = next(r.light for r in table.rows if r.exposure == exposure)
        self.figure.title.text = f"Under {light}: dose left in {band} nm"
        every = [v for s in (self.mine, self.others, self.edges) for v in s.data["x"]]
        low, high = min(every), max(every)
        room = 0.08 * (high - low) or 0.01
        self.figure.x_range.update(start=low - room, end=high + room)
        heights = [v for s in (self.mine, self.others, self.edges) for v in s.data["y"]]
        self.figure.y_range.update(start=min(heights) / 1.6, end=max(heights) * 1.8)
