"""The figures of the page, made once and fed with new points when something moves."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from bokeh.models import (
    ColumnDataSource,
    FixedTicker,
    HoverTool,
    Label,
    Range1d,
    Span,
)
from bokeh.plotting import figure

from optistack.page.answers import RAISED, Answers, TradeOff
from optistack.page.style import (
    COUPON,
    DEVICE,
    FILTERED,
    MUTED,
    ROLE_COLOURS,
    ROLE_DASHES,
)
from optistack.page.words import budget_names, point_number, share_colours

ROLES = ("coupon", "device", "filtered")
_ROLE_TEXT = {"coupon": "coupon", "device": "device", "filtered": "device + filter"}
_TOOLS = "box_zoom,reset,save"
# Decades shown below the largest value: what lies lower carries nothing.
_DECADES = 1e-5
# Dose left below this is drawn here [%].
_LEAST_LEFT = 1e-3


def _plain(**options: Any) -> Any:
    made = figure(
        height=options.pop("height", 290),
        sizing_mode="stretch_width",
        min_width=220,
        tools=_TOOLS,
        toolbar_location="right",
        **options,
    )
    made.toolbar.logo = None
    for axis in made.axis:
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = "13px"
        axis.major_label_text_font_size = "12px"
    return made


def _hover(made: Any, renderers: list[Any], *tips: tuple[str, str]) -> None:
    made.add_tools(HoverTool(renderers=renderers, tooltips=list(tips)))


class _Lines:
    """Lines of coupon, device and device behind the filter."""

    def __init__(self, x_label: str, y_unit: str, *, log: bool):
        self.log, self.unit = log, y_unit
        self.figure = _plain(
            y_axis_type="log" if log else "linear", y_range=Range1d(0.1, 1), x_range=Range1d(0, 1)
        )
        self.figure.xaxis.axis_label = x_label
        self.figure.yaxis.axis_label = y_unit
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
                    name=_ROLE_TEXT[role],
                )
            )
        _hover(self.figure, drawn, ("", "$name"), (x_label, "@x{0.0}"), ("", "$snap_y{0.00e+0}"))

    def show(self, curves: Any) -> None:
        known = {c.role: c for c in curves}
        top = max((float(c.y.max()) for c in curves if c.y.size), default=1.0) or 1.0
        power = 0 if self.log else math.floor(math.log10(top))
        unit = self.unit if not power else f"10{str(power).translate(RAISED)} {self.unit}"
        self.figure.yaxis.axis_label = unit
        top /= 10.0**power
        for role, source in self.sources.items():
            if role not in known:
                source.data = {"x": [], "y": []}
                continue
            y = known[role].y / 10.0**power
            shown = np.where(y > top * _DECADES / 10, y, np.nan) if self.log else y
            source.data = {"x": known[role].x, "y": shown}
        if curves:
            self.figure.x_range.update(
                start=min(float(c.x[0]) for c in curves), end=max(float(c.x[-1]) for c in curves)
            )
        self.figure.y_range.update(
            start=top * _DECADES if self.log else 0.0, end=top * (2 if self.log else 1.08)
        )


class Figures:
    """All figures of the page."""

    def __init__(self) -> None:
        self.spectra = _Lines("wavelength (nm)", "1/(m² s nm)", log=True)
        self.depth = _Lines(
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
        self._show_budget(answers)
        self._show_power(answers)
        if trade_off:
            self.show_trade_off(answers)

    def _make_budget(self) -> None:
        self.budget_source = ColumnDataSource(
            {k: [] for k in ("role", "left", "right", "colour", "where", "share")}
        )
        self.budget = _plain(
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
        colours = share_colours(answers)
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

    def _make_power(self) -> None:
        self.power = _plain(
            x_axis_type="log",
            x_range=Range1d(1, 1000),
            y_range=Range1d(0, 105),
        )
        self.power_source = ColumnDataSource({"x": [], "y": [], "first": []})
        self.power_now = ColumnDataSource({"x": [], "y": []})
        self.power_levels = ColumnDataSource({"x": [], "y": [], "text": []})
        line = self.power.line(
            "x",
            "y",
            source=self.power_source,
            line_width=2.6,
            color=DEVICE,
        )
        self.power.line(
            "x",
            "first",
            source=self.power_source,
            line_width=2,
            color=MUTED,
            line_dash="dashed",
        )
        self.power.scatter(
            "x",
            "y",
            source=self.power_levels,
            size=9,
            marker="square",
            color=FILTERED,
        )
        self.power.scatter(
            "x",
            "y",
            source=self.power_now,
            size=15,
            marker="star",
            color=COUPON,
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

    def show_trade_off(self, answers: Answers) -> None:
        """Feed the figures of dose left against photocurrent lost."""
        found = answers.trade_off
        names = [] if found is None else list(found.evaluation.judged)
        for i, each in enumerate(self._trade):
            each.figure.visible = i < len(names)
            if found is not None and i < len(names):
                each.show(found, names[i])


class _TradeOff:
    """Dose left against photocurrent lost under one light."""

    def __init__(self) -> None:
        self.figure = _plain(
            y_axis_type="log",
            x_range=Range1d(0, 1),
            y_range=Range1d(0.01, 200),
            height=320,
        )
        columns: dict[str, list[Any]] = {k: [] for k in ("x", "y", "name", "number", "dy")}
        self.edges = ColumnDataSource(dict(columns))
        self.others = ColumnDataSource(dict(columns))
        self.mine = ColumnDataSource(dict(columns))
        self.figure.line("x", "y", source=self.edges, color=DEVICE, line_width=2)
        on_line = self.figure.scatter("x", "y", source=self.edges, size=6, color=DEVICE)
        dots = self.figure.scatter(
            "x",
            "y",
            source=self.others,
            size=10,
            marker="diamond",
            color=FILTERED,
        )
        self.figure.text(
            "x",
            "y",
            text="number",
            source=self.others,
            x_offset=7,
            y_offset="dy",
            text_font_size="12px",
            text_color=FILTERED,
        )
        star = self.figure.scatter(
            "x",
            "y",
            source=self.mine,
            size=19,
            marker="star",
            color=COUPON,
            line_color="#ffffff",
        )
        self.figure.xaxis.axis_label = "photocurrent lost (%)"
        self.figure.yaxis.axis_label = "dose left (%)"
        self.figure.yaxis.ticker = FixedTicker(
            ticks=[0.001, 0.01, 0.1, 1, 10, 100],
            minor_ticks=[m * 10.0**e for e in range(-4, 2) for m in range(2, 10)],
        )
        self.figure.yaxis.major_label_overrides = {
            t: f"{t:g}" for t in (0.001, 0.01, 0.1, 1, 10, 100)
        }
        _hover(
            self.figure,
            [on_line, dots, star],
            ("", "@name"),
            ("photocurrent lost", "@x{0.00} %"),
            ("dose left", "@y{0.00} %"),
        )

    def show(self, found: TradeOff, exposure: str) -> None:
        evaluation = found.evaluation
        lost = 100 * evaluation.judged[exposure].lost_fraction
        left = np.maximum(100 * evaluation.dose(exposure, evaluation.ranking), _LEAST_LEFT)

        def data(positions: range) -> dict[str, Any]:
            at = list(positions)
            x, y = lost[at], left[at]
            return {
                "x": x,
                "y": y,
                "name": [evaluation.names[i] for i in at],
                "number": [point_number(i) for i in at],
                "dy": _apart(list(zip(x.tolist(), np.log10(y).tolist(), strict=True))),
            }

        first = 1 + found.others
        self.mine.data = data(range(1))
        self.others.data = data(range(1, first))
        self.edges.data = data(range(first, len(evaluation.names)))
        room = 0.08 * float(lost.max() - lost.min()) or 0.1
        self.figure.x_range.update(start=float(lost.min()) - room, end=float(lost.max()) + room)
        self.figure.y_range.update(start=float(left.min()) / 1.6, end=float(left.max()) * 1.8)


def _apart(points: list[tuple[float, float]]) -> list[float]:
    """Heights of the numbers beside points [px]: what would lie on another goes above it."""
    if not points:
        return []
    spans = [max(v) - min(v) or 1.0 for v in zip(*points, strict=True)]
    out: list[float] = []
    for i, (x, y) in enumerate(points):
        near = sum(
            abs(x - a) < 0.06 * spans[0] and abs(y - b) < 0.07 * spans[1] for a, b in points[:i]
        )
        out.append(4.0 - 13.0 * near)
    return out
