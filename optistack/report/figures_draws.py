"""Figures of the draws: which input matters, and how well so many draws know the answer."""

from __future__ import annotations

from typing import Any

from optistack.report.cases import INNER_IN, Json
from optistack.report.drawing import (
    COUPON,
    DEVICE,
    FAINT_INK,
    INK,
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
)
from optistack.report.wording import number

INPUTS = {
    "weight": "spectral weight",
    "exponent": "reciprocity exponent",
    "activation_energy_kj_mol": "activation energy",
    "coupon_temperature_k": "film temperature of the coupon",
    "device_temperature_k": "film temperature of the device",
    "coupon_hours": "coupon's hours to 80 %",
    "coupon_rate_per_h": "coupon's rate",
}


def causes_sheet(data: Json) -> Sheet | None:
    """Which input matters most: variance shares as bars, for the last of the answers."""
    part = data["uncertainty"]
    if part is None:
        return None
    name, shares = list(part["shares"].items())[-1]
    shown = [s for s in shares if (s["variance_share"] or 0.0) > 0.002][:8]
    if not shown:
        return None
    row, left, top = 0.27, 2.25, 0.52
    height = row * len(shown)
    sheet = Sheet(top + height + 0.5)
    sheet.text(
        MARGIN_IN, 0.2, fit(f"{name}, {part['draws']} draws", INNER_IN, bold=True), bold=True
    )
    sheet.text(
        MARGIN_IN,
        0.2 + LINE_IN,
        "pale: no more than chance would give",
        size=SMALL_PT,
        color=FAINT_INK,
    )
    axes = sheet.axes(left, top, WIDTH_IN - left - 0.55, height)
    largest = max(s["variance_share"] for s in shown)
    linear_axis(axes, "x", 0.0, 100 * largest, 4)
    axes.set_ylim(height, 0)
    sheet.x_label(axes, "share of the variance (%)", 0.4)
    for i, s in enumerate(shown):
        y = (i + 0.5) * row
        chance = s["variance_share"] <= (s["least_share"] or 0.0)
        axes.barh(y, 100 * s["variance_share"], height=0.62 * row, color=PALE if chance else DEVICE)
        name = INPUTS.get(s["input"], s["input"])
        sheet.text(MARGIN_IN, top + y, fit(name, left - 0.15, SMALL_PT), size=SMALL_PT, va="center")
        axes.annotate(
            number(100 * s["variance_share"]),
            (100 * s["variance_share"], y),
            (4, 0),
            textcoords="offset points",
            fontsize=SMALL_PT,
            va="center",
            annotation_clip=False,
        )
    return sheet


def convergence_sheet(data: Json) -> Sheet | None:
    """Mean and ends of the interval against the number of draws; below, their standard errors."""
    part = data["uncertainty"]
    if part is None:
        return None
    name, found = list(part["convergence"].items())[-1]
    curves: dict[str, list[Json]] = {}
    for e in found:
        curves.setdefault(e["statistic"], []).append(e)
    flat = [e for e in found if not (e["value"] and e["value"] > 0 and e["standard_error"])]
    if flat:  # a logarithmic axis has no place for them
        return None
    top, panel, below = 0.75, 1.7, 1.2
    sheet = Sheet(top + panel + 0.35 + below + 0.5)
    kind = {"random": "random", "sobol": "Sobol"}[part["method"]]
    sheet.text(
        MARGIN_IN,
        0.2,
        fit(f"{name}, {part['draws']} {kind} draws", INNER_IN, bold=True),
        bold=True,
    )
    styles: dict[str, dict[str, Any]] = {
        statistic: {"color": color, "marker": marker, "markersize": 4}
        for statistic, color, marker in zip(
            ("mean", "low", "high"), (INK, COUPON, DEVICE), MARKERS, strict=False
        )
    }
    said = {"mean": "mean", "low": "low end", "high": "high end"}
    sheet.key(
        0.2 + LINE_IN,
        [(said[k], {**styles[k], "linestyle": "-"}) for k in curves],
    )
    left, width = 0.62, WIDTH_IN - 0.82
    counts = [e["draws"] for e in found]
    wide = (min(counts) / 1.3, max(counts) * 1.3)
    values = sheet.axes(left, top, width, panel)
    sheet.y_label(values, "answer; bars are standard errors")
    ends = [e["value"] + sign * e["standard_error"] for e in found for sign in (-1, 1)]
    log_axis(values, "x", *wide, 6, numbers=False)
    log_axis(values, "y", min(e for e in ends if e > 0) / 1.1, max(ends) * 1.1, 5)
    errors = sheet.axes(left, top + panel + 0.35, width, below)
    sheet.y_label(errors, "standard error over value (%)")
    shares = [100 * e["standard_error"] / e["value"] for e in found]
    log_axis(errors, "x", *wide, 6)
    log_axis(errors, "y", min(shares) / 1.3, max(shares) * 1.3, 4)
    sheet.x_label(errors, "draws")
    for statistic, own in curves.items():
        x = [e["draws"] for e in own]
        y = [e["value"] for e in own]
        values.errorbar(
            x, y, [e["standard_error"] for e in own], capsize=2, lw=1.2, **styles[statistic]
        )
        errors.plot(
            x,
            [100 * e["standard_error"] / e["value"] for e in own],
            lw=1.2,
            **styles[statistic],
        )
    return sheet
