"""Figures of the electrode: power against sheet resistance, over time, against pitch, its cause."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from optistack.report.cases import Json, floats, key_rows
from optistack.report.drawing import (
    ASKED,
    COUPON,
    DEVICE,
    FAINT_INK,
    INK,
    LIGHTS,
    LINE_IN,
    LINES,
    MARKERS,
    PALE,
    SMALL_PT,
    WIDTH_IN,
    Sheet,
    linear_axis,
    log_axis,
)
from optistack.report.figures_rates import below_the_end
from optistack.report.wording import number

LEFT = 0.55
MODEL: dict[str, Any] = {"color": DEVICE, "linestyle": "solid"}
FIRST_ORDER: dict[str, Any] = {"color": FAINT_INK, "linestyle": LINES[1], "linewidth": 1.2}
MEASURED: dict[str, Any] = {
    "color": INK,
    "marker": "o",
    "linestyle": "none",
    "markersize": 4.5,
    "markerfacecolor": "white",
}
# Colour, line and marker of the series by the order in which they come.
SERIES: tuple[dict[str, Any], ...] = (
    {"color": DEVICE, "linestyle": "solid", "marker": MARKERS[0]},
    {"color": COUPON, "linestyle": LINES[1], "marker": MARKERS[1]},
    {"color": LIGHTS[2], "linestyle": LINES[2], "marker": MARKERS[2]},
    {"color": LIGHTS[3], "linestyle": LINES[3], "marker": MARKERS[3]},
)


def _lines(names: list[str]) -> list[tuple[str, dict[str, Any]]]:
    return [
        (name, {k: v for k, v in SERIES[i % len(SERIES)].items() if k != "marker"})
        for i, name in enumerate(names)
    ]


def knee_sheet(data: Json) -> Sheet | None:
    """Power that is left against sheet resistance, with the levels and the margin before them."""
    part = data["electrode"]
    if part is None:
        return None
    r = floats(part["power"]["sheet_resistance_ohm_sq"])
    share = floats(part["power"]["power_share"])
    first = 1 - floats(part["power"]["first_order_loss"])
    names = list(part["lives"])
    entries: list[tuple[str, dict[str, Any]]] = [
        ("cell under a distributed electrode", MODEL),
        ("first-order loss, beyond its range where it leaves the line", FIRST_ORDER),
    ]
    for i, name in enumerate(names):
        end = part["lives"][name]["knee"]["sheet_resistance_ohm_sq"]
        if end is None or not r.min() <= end <= r.max():
            continue
        style = SERIES[i % len(SERIES)]
        entries.append(
            (
                f"at the end: {name}",
                {
                    "color": style["color"],
                    "marker": style["marker"],
                    "linestyle": "none",
                    "markersize": 6,
                },
            )
        )
    if names:
        entries.append(
            (
                f"margin before 80 %: {names[0]}",
                {"color": DEVICE, "alpha": 0.2, "linewidth": 7, "solid_capstyle": "butt"},
            )
        )
    if part["diagnosis"] is not None:
        entries.append(("measured J-V curves", MEASURED))
    top = 0.2 + len(entries) * LINE_IN + 0.28
    panel = 2.6
    sheet = Sheet(top + panel + 0.5)
    key_rows(sheet, 0.2, entries)
    axes = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.2, panel)
    sheet.y_label(
        axes,
        f"power, share of that at {number(part['start_sheet_resistance_ohm_sq'])} ohm/sq",
    )
    log_axis(axes, "x", float(r.min()), float(r.max()), 6)
    linear_axis(axes, "y", 0.0, max(1.08, float(share.max()) * 1.03), 5)
    sheet.x_label(axes, "sheet resistance (ohm/sq)")
    axes.plot(r, np.where(first >= 0, first, np.nan), **FIRST_ORDER)
    axes.plot(r, share, **MODEL)
    for level in part["levels"]:
        at, left = level["sheet_resistance_ohm_sq"], level["power_share"]
        if at is None or not r.min() < at < r.max():
            continue
        axes.plot([at, at], [0, left], color=PALE, linewidth=0.8)
        axes.annotate(
            f"T{100 * left:g}",
            (at, left),
            (4, 3),
            textcoords="offset points",
            fontsize=SMALL_PT,
            color=INK,
        )
        axes.annotate(
            number(at),
            (at, 0.0),
            (-2, 3),
            textcoords="offset points",
            fontsize=SMALL_PT,
            color=FAINT_INK,
            rotation=90,
            ha="right",
            va="bottom",
        )
    collapse = part["collapse_ohm_sq"]
    if collapse is not None and r.min() < collapse < r.max():
        axes.axvline(collapse, color=ASKED, linewidth=1.0, linestyle=LINES[2])
        axes.annotate(
            "collection\ncollapses",
            (collapse, 0.93 * axes.get_ylim()[1]),
            (5, 0),
            textcoords="offset points",
            fontsize=SMALL_PT,
            color=ASKED,
            va="center",
        )
    limit = next(
        (v["sheet_resistance_ohm_sq"] for v in part["levels"] if v["power_share"] == 0.8), None
    )
    ends = [part["lives"][n]["knee"]["sheet_resistance_ohm_sq"] for n in names[:1]]
    if limit is not None and ends and ends[0] is not None and ends[0] < limit:
        axes.axvspan(ends[0], limit, color=DEVICE, alpha=0.1, linewidth=0)
    for i, name in enumerate(names):
        knee = part["lives"][name]["knee"]
        style = SERIES[i % len(SERIES)]
        at, y = knee["sheet_resistance_ohm_sq"], knee["power_share"]
        if at is None or y is None or not r.min() <= at <= r.max():
            continue
        axes.plot([at], [y], style["marker"], color=style["color"], markersize=6, clip_on=False)
    if part["diagnosis"] is not None:
        seen = floats(part["diagnosis"]["sheet_resistance_ohm_sq"])
        start = float(np.interp(np.log(seen[0]), np.log(r), share))
        axes.plot(seen, start * floats(part["diagnosis"]["measured_share"]), **MEASURED)
    return sheet


def life_sheet(data: Json) -> Sheet | None:
    """Power against time for every course of the sheet resistance."""
    part = data["electrode"]
    if part is None or not part["lives"]:
        return None
    names = list(part["lives"])
    entries = [*_lines(names), ("first-order loss, same sheet resistance", FIRST_ORDER)]
    starts = list(dict.fromkeys(part["lives"][n]["start_name"] for n in names))
    top = 0.2 + len(entries) * LINE_IN + 0.28
    panel = 2.5
    sheet = Sheet(top + panel + 0.5)
    key_rows(sheet, 0.2, entries)
    axes = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.5, panel)
    start = f"the start value, {starts[0]}" if len(starts) == 1 else "its start value"
    sheet.y_label(axes, f"power, share of {start}")
    longest = max(t for n in names for t in part["lives"][n]["time_h"])
    tops = [v for n in names for v in part["lives"][n]["power_share_high"] if v is not None]
    linear_axis(axes, "x", 0.0, longest, 6)
    linear_axis(axes, "y", 0.0, max(1.08, *tops) if tops else 1.08, 5)
    sheet.x_label(axes, "time (h)")
    for level in (0.95, 0.8, 0.5):
        axes.axhline(level, color=PALE, linewidth=0.7)
        _right_label(axes, level, f"T{100 * level:g}")
    for i, name in enumerate(names):
        life = part["lives"][name]
        style = SERIES[i % len(SERIES)]
        known = np.isfinite(below_the_end(life))
        t = floats(life["time_h"])[known]
        low, high = (
            floats(life["power_share_low"])[known],
            floats(life["power_share_high"])[known],
        )
        axes.fill_between(t, low, high, color=style["color"], alpha=0.16, linewidth=0)
        first = floats(life["first_order_share"])[known]
        axes.plot(t, np.where(first >= 0, first, np.nan), **FIRST_ORDER)
        share = floats(life["power_share"])[known]
        axes.plot(t, share, color=style["color"], linestyle=style["linestyle"])
    return sheet


def _right_label(axes: Axes, y: float, text: str) -> None:
    axes.annotate(
        text,
        (1.0, y),
        (4, 0),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        fontsize=SMALL_PT,
        color=FAINT_INK,
        va="center",
        annotation_clip=False,
    )


def pitch_sheet(data: Json) -> Sheet | None:
    """Power against finger pitch: today, at the end, and on average over the life."""
    part = data["electrode"]
    if part is None or part["pitch"] is None:
        return None
    pitch = part["pitch"]
    x = floats([c["pitch_mm"] for c in pitch["choices"]])
    if x.size < 2:
        return None
    per_hour = pitch["horizon_h"] * 0.01
    curves = (
        ("today", "power_today_mw_cm2", 1.0, LIGHTS[0], LINES[0]),
        ("mean over life", "energy_kwh_m2", per_hour, DEVICE, LINES[1]),
        ("at the end", "power_at_end_mw_cm2", 1.0, COUPON, LINES[3]),
    )
    top, panel = 0.62, 2.4
    sheet = Sheet(top + panel + 0.5)
    axes = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.2, panel)
    entries: list[tuple[str, dict[str, Any]]] = [
        (label, {"color": color, "linestyle": line}) for label, _, _, color, line in curves
    ]
    risky = [c for c in pitch["choices"] if c["at_risk"]]
    if risky:
        entries.append(
            ("near a drop", {"color": ASKED, "marker": "x", "linestyle": "none", "markersize": 5})
        )
    sheet.key(0.2, entries)
    sheet.y_label(axes, "power, shade of the fingers included (mW/cm²)")
    log_axis(axes, "x", float(x.min()), float(x.max()), 6)
    highest = max(c["power_today_mw_cm2"] or 0.0 for c in pitch["choices"])
    linear_axis(axes, "y", 0.0, 1.08 * highest, 5)
    sheet.x_label(axes, "finger pitch (mm)")
    for _, key, scale, color, line in curves:
        y = floats([c[key] for c in pitch["choices"]]) / scale
        axes.plot(x, y, color=color, linestyle=line)
        best = int(np.nanargmax(y))
        axes.plot([x[best]], [y[best]], "o", color=color, markersize=5)
    if risky:
        axes.plot(
            [c["pitch_mm"] for c in risky],
            [c["power_at_end_mw_cm2"] for c in risky],
            "x",
            color=ASKED,
            markersize=5,
        )
    return sheet


def cause_sheet(data: Json) -> Sheet | None:
    """Parts of the loss of the last J-V curve, one cause after the other."""
    part = data["electrode"]
    if part is None or part["diagnosis"] is None:
        return None
    found = part["diagnosis"]
    t = floats(found["time_h"])
    entries: list[tuple[str, dict[str, Any]]] = [
        ("measured", MEASURED),
        ("fresh cell, measured sheet resistance", MODEL),
    ]
    extra: list[tuple[str, str, dict[str, Any]]] = []
    if found["mobility_share"] is not None:
        extra.append(
            (
                "fresh cell, transient mobility",
                "mobility_share",
                {"color": LIGHTS[3], "linestyle": LINES[2]},
            )
        )
        extra.append(
            (
                "both",
                "mobility_and_sheet_share",
                {"color": LIGHTS[2], "linestyle": LINES[3]},
            )
        )
    entries += [(name, style) for name, _, style in extra]
    top = 0.2 + len(entries) * LINE_IN + 0.28
    panel = 2.2
    sheet = Sheet(top + panel + 0.5)
    key_rows(sheet, 0.2, entries)
    axes = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.2, panel)
    sheet.y_label(axes, f"power, share of that of the first curve ({t[0]:g} h)")
    linear_axis(axes, "x", float(t[0]), float(t[-1]), 6)
    axes.set_xlim(t[0] - 0.03 * (t[-1] - t[0]), t[-1] + 0.03 * (t[-1] - t[0]))
    every = [floats(found[key]) for key in ("measured_share", "sheet_share_low")]
    least = min(float(np.nanmin(y)) for y in (*every, *(floats(found[k]) for _, k, _ in extra)))
    # Small losses need room: the axis begins a third of the loss below the lowest point.
    linear_axis(axes, "y", max(0.0, least - max((1 - least) / 3, 0.01)), 1.02, 5)
    sheet.x_label(axes, "time (h)")
    axes.fill_between(
        t,
        floats(found["sheet_share_low"]),
        floats(found["sheet_share_high"]),
        color=DEVICE,
        alpha=0.16,
        linewidth=0,
    )
    axes.plot(t, floats(found["sheet_share"]), **MODEL)
    for _, key, style in extra:
        axes.plot(t, floats(found[key]), **style)
    axes.plot(t, floats(found["measured_share"]), **MEASURED)
    return sheet
