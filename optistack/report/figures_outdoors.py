"""Figures of the site: dose through the year, lamp hours for one of its years."""

from __future__ import annotations

from typing import Any

import numpy as np

from optistack.report.cases import SIDES, Json, floats, headline_limits, power_of_ten
from optistack.report.drawing import (
    COUPON,
    DEVICE,
    MARGIN_IN,
    MARKERS,
    PALE,
    SMALL_PT,
    WIDTH_IN,
    Sheet,
    draw_ticks,
    fit,
    linear_axis,
    log_axis,
)
from optistack.report.wording import parts
from optistack.spectral_math import J_PER_KWH

LEFT = 0.55
MONTHS = ("J", "F", "M", "A", "M", "J", "J", "A", "S", "O", "N", "D")
_MARKS = {"coupon": MARKERS[0], "device": MARKERS[1]}


def year_sheet(data: Json) -> Sheet | None:
    """Above what arrives in each month, below what the layer absorbs of it."""
    part = data["site"]
    limits = headline_limits(data)
    if part is None or limits is None:
        return None
    key = limits[0]
    low, high = part["counted_nm"][key]
    sides = [
        ("coupon", part["exposures"][part["coupon"]]),
        ("device", part["exposures"][part["device"]]),
    ]
    incident = floats(sides[1][1]["incident"][key]["monthly_j_m2"]) / J_PER_KWH
    absorbed = {who: floats(e["absorbed"][key]["monthly_photons_m2"]) for who, e in sides}
    largest = max(float(a.max()) for a in absorbed.values())
    scale, unit = power_of_ten(largest) if largest > 0 else (1.0, "")
    top, upper, lower, gap = 0.5, 0.95, 1.9, 0.62
    sheet = Sheet(top + upper + gap + lower + 0.5)
    band = f"{low:g}-{high:g} nm"
    above = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.2, upper)
    sheet.y_label(above, f"arriving in the plane, {band} (kWh/m² a month)")
    linear_axis(above, "y", 0.0, 1.08 * float(incident.max()) or 1.0, 3)
    above.bar(np.arange(12), incident, width=0.7, color=PALE, linewidth=0)
    below = sheet.axes(LEFT, top + upper + gap, WIDTH_IN - LEFT - 0.2, lower)
    below_top = top + upper + gap
    sheet.key(
        below_top - 0.26,
        [(who, {**SIDES[who], "marker": _MARKS[who], "markersize": 4.5}) for who, _ in sides],
    )
    sheet.y_label(
        below,
        f"absorbed in {sides[1][1]['layer']}, {band} ({f'{unit} photons/m²'.strip()} a month)",
    )
    linear_axis(below, "y", 0.0, 1.08 * largest / scale or 1.0, 5)
    for who, _ in sides:
        below.plot(
            np.arange(12), absorbed[who] / scale, **SIDES[who], marker=_MARKS[who], markersize=4.5
        )
    for axes in (above, below):
        axes.set_xlim(-0.6, 11.6)
        draw_ticks(axes, "x", range(12), MONTHS, grid=False)
    sheet.x_label(below, fit(f"month at {part['name']}", WIDTH_IN - LEFT - 0.4, SMALL_PT))
    return sheet


def lamp_years_sheet(data: Json) -> Sheet | None:
    """Lamp hours for one site year, by every way of counting, coupon and device."""
    plan = data["plan"]
    if plan is None:
        return None
    found = plan["lamp_years"]
    rows = found["rows"]
    numbers = [
        x for r in rows for x in parts(r["lamp_hours_per_site_year"])[:3] if x is not None and x > 0
    ]
    if not numbers:
        return None
    # A line for each way of counting, under the name of its kind; weights share one band as a rule.
    lines: dict[str, dict[str, list[Json]]] = {}
    for r in rows:
        name = r["counted_by"].removeprefix(f"{r['kind']}, ")
        lines.setdefault(r["kind"], {}).setdefault(name, []).append(r)
    row, head = 0.25, 0.25
    left, top = 2.5, 0.5
    height = row * sum(len(x) for x in lines.values()) + head * len(lines)
    sheet = Sheet(top + height + 0.55)
    sheet.key(
        0.2,
        [
            (
                who,
                {"color": color, "marker": _MARKS[who], "markersize": 5, "linestyle": "none"},
            )
            for who, color in (("coupon", COUPON), ("device", DEVICE))
        ],
    )
    axes = sheet.axes(left, top, WIDTH_IN - left - 0.2, height)
    log_axis(axes, "x", min(numbers) / 1.3, max(numbers) * 1.3, 4)
    axes.set_ylim(height, 0)
    axes.spines["left"].set_visible(False)
    y = 0.0
    for kind, ways in lines.items():
        sheet.text(MARGIN_IN, top + y + 0.17, kind, size=SMALL_PT, bold=True)
        y += head
        for name, found_rows in ways.items():
            sheet.text(
                MARGIN_IN + 0.08,
                top + y + row / 2,
                fit(name, left - 0.25, SMALL_PT),
                size=SMALL_PT,
                va="center",
            )
            for r in found_rows:
                _draw_range(axes, r, y + row / 2)
            y += row
    sheet.text(
        WIDTH_IN - 0.2,
        sheet.height_in - 0.12,
        fit(f"hours under {found['lamp']} for one year at the site", WIDTH_IN - 0.4, SMALL_PT),
        size=SMALL_PT,
        ha="right",
    )
    return sheet


def _draw_range(axes: Any, row: Json, y: float) -> None:
    who = row["specimen"]
    value, low, high, _ = parts(row["lamp_hours_per_site_year"])
    if value is None or low is None or high is None:
        return
    color = COUPON if who == "coupon" else DEVICE
    at = y - 0.05 if who == "coupon" else y + 0.05
    axes.plot([low, high], [at, at], color=color, linewidth=1.8, solid_capstyle="butt")
    axes.plot([value], [at], _MARKS[who], color=color, markersize=4.5)
