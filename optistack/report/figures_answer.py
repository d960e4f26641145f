"""Figures of the answers: why the ratio is what it is, which filter, how sure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from optistack.report.cases import (
    INNER_IN,
    Json,
    headline_limits,
    padded,
)
from optistack.report.drawing import (
    FAINT_INK,
    INK,
    LIGHTS,
    LINE_IN,
    MARGIN_IN,
    MARKERS,
    PALE,
    SMALL_PT,
    WIDTH_IN,
    Sheet,
    fit,
    linear_axis,
    log_axis,
    place_labels,
    text_width_in,
)
from optistack.report.pictures import MOST_LIGHTS
from optistack.report.wording import mount_text, number, parts

# 6 why ---------------------------------------------------------------------------------------


def why_sheet(data: Json) -> Sheet | None:
    """Three factors and their product about 1, one mark per light."""
    headline = headline_limits(data)
    if headline is None:
        return None
    band = headline[0]
    shown = [(c["light"], c["why"].get(band)) for c in data["comparisons"][:MOST_LIGHTS]]
    shown = [(light, why) for light, why in shown if why]
    factors = (
        ("front absorption", "front_absorption"),
        ("return from behind", "return_from_behind"),
        ("surroundings", "surroundings"),
        ("product = ratio", "ratio"),
    )
    values = [why[key] for _, why in shown for _, key in factors if why[key]]
    if not values:
        return None
    step = 0.21
    row = 0.16 + step * len(shown)
    left, top = 1.42, 0.36
    height = row * len(factors)
    sheet = Sheet(top + height + 0.5)
    axes = sheet.axes(left, top, WIDTH_IN - left - 0.15, height)
    low, high = padded(min(*values, 1.0), max(*values, 1.0), 1.0)
    # Room for the number beside the outermost mark, whichever side it is on.
    widest = max(text_width_in(number(v), SMALL_PT, True) for v in values)
    share = (widest + 0.18) / (WIDTH_IN - left - 0.15)
    room = (high / low) ** (share / (1 - 2 * share))
    log_axis(axes, "x", low / room, high * room, 5)
    axes.set_ylim(height, 0)
    axes.spines["left"].set_visible(False)
    axes.axvline(1.0, color=INK, linewidth=0.9)
    for j, (label, key) in enumerate(factors):
        bold = key == "ratio"
        sheet.text(
            MARGIN_IN,
            top + (j + 0.5) * row,
            fit(label, left - 0.15, SMALL_PT, bold=bold),
            size=SMALL_PT,
            va="center",
            bold=bold,
        )
        if bold:
            axes.axhspan(j * row, (j + 1) * row, color="#eef2f5", linewidth=0, zorder=0)
        for i, (_, why) in enumerate(shown):
            value = why[key]
            if not value:
                continue
            y = j * row + 0.08 + (i + 0.5) * step
            axes.plot([1.0, value], [y, y], color=LIGHTS[i], linewidth=2.2)
            axes.plot([value], [y], MARKERS[i], color=LIGHTS[i], markersize=6)
            below = value < 1
            axes.annotate(
                number(value),
                (value, y),
                (-7 if below else 7, 0),
                textcoords="offset points",
                fontsize=SMALL_PT,
                ha="right" if below else "left",
                va="center",
                color=LIGHTS[i],
                fontweight="bold" if bold else "normal",
                annotation_clip=False,
            )
    sheet.x_label(axes, f"factor in the ratio device / coupon, {band} nm", 0.5)
    _marker_key(sheet, 0.2, [light for light, _ in shown])
    return sheet


def _marker_key(sheet: Sheet, top: float, names: Sequence[str]) -> None:
    sheet.key(
        top,
        [
            (
                name,
                {"color": LIGHTS[i], "marker": MARKERS[i], "markersize": 6, "linestyle": "none"},
            )
            for i, name in enumerate(names)
        ],
    )


# 7 filters -----------------------------------------------------------------------------------


def trade_off_sheet(data: Json) -> Sheet | None:
    """Dose left against photocurrent lost, one panel per light."""
    band = data["filters_ranking_band"]
    usable = [
        r
        for r in data["filters"]
        if r["photocurrent_lost_ma_cm2"] is not None
        and parts(r["photocurrent_lost_ma_cm2"])[0] is not None
        and parts(r["dose_left"].get(band))[0] is not None
    ]
    exposures = list(dict.fromkeys(r["exposure"] for r in usable))[:MOST_LIGHTS]
    if not exposures:
        return None
    usable = [r for r in usable if r["exposure"] in exposures]
    middles = [x for r in usable if (x := parts(r["dose_left"][band])[0]) is not None and x > 0]
    if not middles:
        return None
    # The lower end of a reading below the stray-light floor is no place on a logarithmic axis.
    ends = [
        x
        for r in usable
        for x in parts(r["dose_left"][band])[1:3]
        if x is not None and x > min(middles) / 10
    ]
    low, high = padded(min(*middles, *ends), max(*middles, *ends), 1.6)
    names: dict[int, str] = {}
    for r in usable:
        names.setdefault(r["number"], f"{r['name']}, {mount_text(r['mount'])}")
    columns = min(2, len(exposures))
    rows = -(-len(exposures) // 2)
    left, panel = 0.62, 2.15
    width = (WIDTH_IN - left - 0.15 - 0.2 * (columns - 1)) / columns
    key_rows = len(names) + any(r["dominated"] for r in usable)
    foot = 0.46
    sheet = Sheet(0.62 + rows * (panel + foot) + (rows - 1) * 0.2 + 0.05 + key_rows * LINE_IN + 0.1)
    sheet.text(
        MARGIN_IN,
        0.2,
        fit(
            f"absorbed photons left in {fit(usable[0]['layer'], 1.4, SMALL_PT)}, {band} nm, share",
            INNER_IN,
            SMALL_PT,
        ),
        size=SMALL_PT,
    )
    for i, exposure in enumerate(exposures):
        here = [r for r in usable if r["exposure"] == exposure]
        x = left + (i % 2) * (width + 0.2)
        top = 0.62 + (i // 2) * (panel + foot + 0.2)
        axes = sheet.axes(x, top, width, panel)
        sheet.text(x, top - 0.08, fit(here[0]["light"], width, bold=True), bold=True)
        log_axis(axes, "y", low, high, 6, numbers=i % 2 == 0)
        spans = [v for r in here for v in parts(r["photocurrent_lost_ma_cm2"])[:3] if v is not None]
        first, last = min(0.0, *spans), max(0.0, *spans)
        pad = 0.14 * (last - first) if last > first else 0.5
        linear_axis(axes, "x", first - pad, last + pad, 4)
        if first < 0:
            axes.axvline(0.0, color=PALE, linewidth=0.9)
        sheet.x_label(axes, "photocurrent lost (mA/cm²)")
        _draw_choices(
            sheet,
            axes,
            here,
            band,
            (low, high),
            (first - pad, last + pad),
            (x, top, width, panel),
            MARKERS[i],
        )
    y = 0.62 + rows * (panel + foot) + (rows - 1) * 0.2 + 0.05
    kept = {r["number"] for r in usable if not r["dominated"]}
    for n, name in sorted(names.items()):
        ink = INK if n in kept else FAINT_INK
        sheet.text(
            MARGIN_IN + 0.2, y + 0.12, str(n), size=SMALL_PT, bold=True, ha="right", color=ink
        )
        sheet.text(
            MARGIN_IN + 0.28,
            y + 0.12,
            fit(name, INNER_IN - 0.3, SMALL_PT),
            size=SMALL_PT,
            color=ink,
        )
        y += LINE_IN
    if any(r["dominated"] for r in usable):
        sheet.text(
            MARGIN_IN,
            y + 0.14,
            "open: another filter is better in both",
            size=SMALL_PT,
            color=FAINT_INK,
        )
    return sheet


def _draw_choices(
    sheet: Sheet,
    axes: Axes,
    rows: Sequence[Json],
    band: str,
    y_limits: tuple[float, float],
    x_limits: tuple[float, float],
    frame: tuple[float, float, float, float],
    marker: str,
) -> None:
    left, top, width, height = frame
    points, labels, faint = [], [], []
    bars: list[tuple[float, float, float, float]] = []

    def inch_x(lost: float) -> float:
        return (lost - x_limits[0]) / (x_limits[1] - x_limits[0]) * width

    def inch_y(left: float) -> float:
        return float(np.log(left / y_limits[0]) / np.log(y_limits[1] / y_limits[0])) * height

    for row in rows:
        value, low, high, bound = parts(row["dose_left"][band])
        lost, lost_low, lost_high, _ = parts(row["photocurrent_lost_ma_cm2"])
        if value is None or lost is None:
            continue
        y = max(value, y_limits[0])
        color = PALE if row["dominated"] else INK
        if bound == "upper" or value <= 0:
            axes.annotate(
                "",
                (lost, max(y / 1.9, y_limits[0])),
                (lost, y),
                arrowprops={
                    "arrowstyle": "-|>",
                    "color": color,
                    "lw": 1.0,
                    "shrinkA": 0,
                    "shrinkB": 0,
                },
            )
        elif low is not None and high is not None and high > low:
            low = max(low, y_limits[0])
            axes.plot([lost, lost], [low, high], color=color, linewidth=1.1)
            bars.append((inch_x(lost) - 0.01, inch_y(low), inch_x(lost) + 0.01, inch_y(high)))
        if lost_low is not None and lost_high is not None and lost_high > lost_low:
            axes.plot([lost_low, lost_high], [y, y], color=color, linewidth=1.1)
            bars.append((inch_x(lost_low), inch_y(y) - 0.01, inch_x(lost_high), inch_y(y) + 0.01))
        axes.plot(
            [lost],
            [y],
            marker,
            color=color,
            markersize=5.5,
            markerfacecolor="white" if row["dominated"] else color,
            clip_on=False,
        )
        points.append((inch_x(lost), inch_y(y)))
        labels.append(str(row["number"]))
        faint.append(row["dominated"])
    spots = place_labels(points, labels, SMALL_PT, (0.02, 0.02, width - 0.02, height - 0.02), bars)
    for (px, py), (x, y), label, pale in zip(points, spots, labels, faint, strict=True):
        color = FAINT_INK if pale else INK
        if np.hypot(x - px, y - py) > 0.19:
            sheet.line(
                [left + px, left + x],
                [top + height - py, top + height - y],
                color=PALE,
                linewidth=0.6,
            )
        sheet.text(
            left + x,
            top + height - y,
            label,
            size=SMALL_PT,
            ha="center",
            va="center",
            color=color,
            bold=not pale,
            pad={"facecolor": "white", "edgecolor": "none", "pad": 0.2, "alpha": 0.7},
        )


# 8 how sure ----------------------------------------------------------------------------------


def certainty_sheet(data: Json) -> Sheet | None:
    """The ratio for every weight, and for k of the layer scaled and tilted."""
    cases = data["comparisons"][:MOST_LIGHTS]
    if not cases:
        return None
    first = cases[0]["weights"]
    band = f"{first[0]['band_nm'][0]:g}-{first[0]['band_nm'][1]:g}"
    rows: list[tuple[str, list[Any]]] = [
        (w["name"], [c["weighted_ratio"].get(w["name"]) for c in cases]) for w in first
    ]
    split = len(rows)
    scales = sorted({s["scale"] for c in cases for s in c["sensitivity"]})
    for scale in scales:
        rows.append((f"k × {scale:g}", [_tilted(c, scale) for c in cases]))
    numbers = [x for _, vs in rows for v in vs for x in parts(v)[:3] if x is not None and x > 0]
    if not numbers:
        return None
    step = 0.15
    row = 0.14 + step * len(cases)
    left, top = 1.52, 0.62
    gap = 0.24 if scales else 0.0
    height = row * len(rows) + gap
    sheet = Sheet(top + height + 0.5)
    axes = sheet.axes(left, top, WIDTH_IN - left - 0.15, height)
    low, high = padded(min(*numbers, 1.0), max(*numbers, 1.0), 1.25)
    log_axis(axes, "x", low, high, 6)
    axes.set_ylim(height, 0)
    axes.spines["left"].set_visible(False)
    axes.axvline(1.0, color=INK, linewidth=0.9)
    sheet.text(
        MARGIN_IN,
        top - 0.07,
        fit(f"spectral weight, {band} nm; line: light's variants", INNER_IN, SMALL_PT, bold=True),
        size=SMALL_PT,
        bold=True,
    )
    if scales:
        sheet.text(
            MARGIN_IN,
            top + split * row + gap - 0.05,
            fit(
                f"k of {fit(cases[0]['layer'], 1.4, SMALL_PT)} scaled; line: k tilted",
                INNER_IN,
                SMALL_PT,
                bold=True,
            ),
            size=SMALL_PT,
            bold=True,
        )
    for j, (label, values) in enumerate(rows):
        base = j * row + (gap if j >= split else 0.0)
        sheet.text(
            MARGIN_IN + 0.08,
            top + base + row / 2,
            fit(label, left - 0.25, SMALL_PT),
            size=SMALL_PT,
            va="center",
        )
        if j % 2 == 0:
            axes.axhspan(base, base + row, color="#f4f6f7", linewidth=0, zorder=0)
        for i, value in enumerate(values):
            middle, lower, upper, _ = parts(value)
            if middle is None or middle <= 0:
                continue
            y = base + 0.07 + (i + 0.5) * step
            if lower is not None and upper is not None and upper > lower:
                axes.plot([max(lower, low), upper], [y, y], color=LIGHTS[i], linewidth=1.6)
                axes.plot([max(lower, low), upper], [y, y], "|", color=LIGHTS[i], markersize=6)
            axes.plot([middle], [y], MARKERS[i], color=LIGHTS[i], markersize=5.5)
    sheet.x_label(axes, "ratio device / coupon", 0.5)
    _marker_key(sheet, 0.2, [c["light"] for c in cases])
    return sheet


def _tilted(case: Json, scale: float) -> Any:
    """Ratio with the first weight at a scale of k: untilted, with the range over the tilts."""
    name = case["weights"][0]["name"]
    values = {
        s["tilt"]: s["weighted_ratio"][name] for s in case["sensitivity"] if s["scale"] == scale
    }
    known = [v for v in values.values() if v is not None]
    if values.get(0.0) is None:
        return None
    return {"value": values[0.0], "low": min(known), "high": max(known), "bound": None}
