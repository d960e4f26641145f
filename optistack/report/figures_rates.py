"""Figures of the rates: the coupon's curve, predicted against measured, which wavelengths harm."""

from __future__ import annotations

from typing import Any

import numpy as np

from optistack.rate_terms import LEAST_SHARE
from optistack.report.cases import INNER_IN, Json, floats, key_rows, power_of_ten
from optistack.report.drawing import (
    ASKED,
    COUPON,
    CURVES,
    DEVICE,
    FAINT_INK,
    INK,
    LIGHTS,
    LINE_IN,
    LINES,
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
from optistack.report.wording import number, parts

LEFT = 0.62
# A film that is gone stands with this many times its start value.
LARGEST_RISE = 1 / LEAST_SHARE
QUANTITIES = {
    "sheet_resistance_ohm_sq": "sheet conductance",
    "sheet_conductance_s_sq": "sheet conductance",
    "transmittance": "transmittance",
    "decadic_absorbance": "decadic absorbance",
    "photocurrent_density_ma_cm2": "photocurrent density",
    "relative_power": "power",
}


def kinetics_sheet(data: Json) -> Sheet | None:
    """Share left against dose: readings, mean over the laws, interval; residuals below."""
    part = data["rates"]
    if part is None:
        return None
    coupon = part["coupon"]
    lit = [r for r in coupon["readings"] if r["role"] == "lit" and r["share_left"] is not None]
    names = list(dict.fromkeys(r["specimen"] for r in lit))
    top, panel, lower = 0.78, 2.1, 0.85
    gap = 0.42
    sheet = Sheet(top + panel + gap + lower + 0.5)
    sheet.key(
        0.2,
        [
            ("mean over the laws that stand", {"color": INK, "linestyle": "solid"}),
            ("range", {"color": INK, "alpha": 0.2, "linewidth": 7, "solid_capstyle": "butt"}),
        ],
    )
    sheet.text(
        MARGIN_IN,
        0.2 + LINE_IN,
        fit(f"marks: {len(names)} lit specimens of {coupon['name']}", INNER_IN, SMALL_PT),
        size=SMALL_PT,
        color=FAINT_INK,
    )
    axes = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.2, panel)
    what = QUANTITIES.get(coupon["quantity"], coupon["quantity"])
    sheet.y_label(axes, f"{what} left, share of each specimen's start")
    largest = max(r["dose"] for r in lit)
    scale, unit = _dose_axis(largest, coupon["dose_unit"])
    top_y = max(1.05, *(r["share_left"] for r in lit))
    linear_axis(axes, "x", 0.0, 1.03 * largest / scale, 5, numbers=False)
    linear_axis(axes, "y", 0.0, 1.03 * top_y, 5)
    curve = coupon["curve"]
    x = np.concatenate([[0.0], floats(curve["dose"])]) / scale
    axes.fill_between(
        x,
        np.concatenate([[1.0], floats(curve["share_left_low"])]),
        np.concatenate([[1.0], floats(curve["share_left_high"])]),
        color=INK,
        alpha=0.15,
        linewidth=0,
    )
    axes.plot(x, np.concatenate([[1.0], floats(curve["share_left"])]), color=INK, linewidth=1.3)
    residuals = coupon["residuals"]
    below = sheet.axes(LEFT, top + panel + gap, WIDTH_IN - LEFT - 0.2, lower)
    sheet.y_label(below, "reading less curve, over its standard deviation (best law)")
    spread = max(3.0, *(abs(r["residual_sd"] or 0.0) for r in residuals))
    linear_axis(below, "x", 0.0, 1.03 * largest / scale, 5)
    linear_axis(below, "y", -1.05 * spread, 1.05 * spread, 3)
    below.axhline(0.0, color=INK, linewidth=0.8)
    sheet.x_label(below, fit(f"dose ({unit})", INNER_IN - LEFT, SMALL_PT))
    dose_of = {(r["specimen"], r["hours"]): r["dose"] for r in lit}
    for i, name in enumerate(names):
        style: dict[str, Any] = {
            "color": CURVES[i % len(CURVES)],
            "marker": MARKERS[i % len(MARKERS)],
            "linestyle": "none",
            "markersize": 4,
        }
        mine = [r for r in lit if r["specimen"] == name]
        axes.plot([r["dose"] / scale for r in mine], [r["share_left"] for r in mine], **style)
        seen = [
            (dose_of[name, r["hours"]] / scale, r["residual_sd"])
            for r in residuals
            if r["specimen"] == name and (name, r["hours"]) in dose_of
        ]
        below.plot([a for a, _ in seen], [b for _, b in seen], **style)
    return sheet


def _dose_axis(largest: float, unit: str) -> tuple[float, str]:
    """A power of ten to divide a dose by, and the unit of the axis."""
    power = int(np.floor(np.log10(largest))) if largest > 0 else 0
    if power < 5:
        return 1.0, unit
    scale, text = power_of_ten(10.0**power)
    return scale, f"{text} {unit}"


def factors_sheet(data: Json) -> Sheet | None:
    """Predicted rate for every weight beside the measured one, device over coupon."""
    part = data["rates"]
    if part is None:
        return None
    cases = part["weights"]
    measured = part["measured_factor"]
    values = [c["rate_factor"] for c in cases] + ([measured] if measured is not None else [])
    numbers = [x for v in values for x in parts(v)[:3] if x is not None and x > 0]
    if not numbers:
        return None
    row = 0.3
    left, top = 2.3, 0.5
    height = row * len(cases)
    sheet = Sheet(top + height + 0.5)
    entries: list[tuple[str, dict[str, Any]]] = [
        (
            "predicted from light and temperature",
            {"color": DEVICE, "marker": "o", "markersize": 5},
        )
    ]
    if measured is not None:
        entries.append(("measured", {"color": ASKED, "linestyle": LINES[0], "linewidth": 2.0}))
    sheet.key(0.2, entries)
    axes = sheet.axes(left, top, WIDTH_IN - left - 0.2, height)
    low, high = min(*numbers, 1.0), max(*numbers, 1.0)
    log_axis(axes, "x", low / 1.3, high * 1.3, 5)
    axes.set_ylim(height, 0)
    axes.spines["left"].set_visible(False)
    axes.axvline(1.0, color=INK, linewidth=0.9)
    middle, lower, upper, _ = parts(measured) if measured is not None else (None, None, None, None)
    if middle is not None and lower is not None and upper is not None:
        axes.axvspan(max(lower, low / 1.3), min(upper, high * 1.3), color=ASKED, alpha=0.18, lw=0)
        axes.axvline(middle, color=ASKED, linewidth=2.0)
    for i, case in enumerate(cases):
        y = (i + 0.5) * row
        value, at_least, at_most, _ = parts(case["rate_factor"])
        label = case["weight"] + (" (excluded)" if case["excluded"] else "")
        sheet.text(
            MARGIN_IN,
            top + y,
            fit(label, left - 0.15, SMALL_PT),
            size=SMALL_PT,
            va="center",
            color=FAINT_INK if case["excluded"] else INK,
        )
        if value is None or at_least is None or at_most is None:
            continue
        axes.plot([max(at_least, low / 1.3), at_most], [y, y], color=DEVICE, linewidth=1.8)
        axes.plot([value], [y], "o", color=DEVICE, markersize=5)
    sheet.x_label(axes, "rate of the device / rate of the coupon", 0.45)
    return sheet


def activation_sheet(data: Json) -> Sheet | None:
    """Damage per absorbed photon against wavelength: bands, smooth curve, exponential."""
    part = data["rates"]
    if part is None or part["activation"] is None:
        return None
    found = part["activation"]
    lam, curve = floats(found["wavelength_nm"]), floats(found["curve"])
    reference = float(np.interp(found["reference_nm"], lam, curve))
    slope = parts(found["slope_nm"])[0]
    bands = [(*map(float, b["band"].split("-")), b) for b in found["bands"]]
    numbers = [
        x / reference
        for _, _, b in bands
        for x in parts(b["weight"])[:3]
        if x is not None and x > 0
    ]
    if not numbers:
        return None
    shown = [x for x in numbers if x > max(numbers) * 1e-4]
    low, high = min(shown) / 2, max(*shown, 1.0) * 2
    entries: list[tuple[str, dict[str, Any]]] = [
        ("band with its interval", {"color": DEVICE, "linewidth": 2.0}),
        ("at most (not resolved)", {"color": PALE, "marker": "v", "linestyle": "none"}),
    ]
    more: list[tuple[str, dict[str, Any]]] = [
        ("smooth curve", {"color": INK, "linewidth": 1.2}),
    ]
    if slope is not None:
        more.append(
            (
                f"exponential, slope {number(slope)} nm",
                {"color": COUPON, "linestyle": LINES[1], "linewidth": 1.2},
            )
        )
    top, panel = 0.8, 2.3
    sheet = Sheet(top + panel + 0.5)
    sheet.key(0.2, entries)
    sheet.key(0.2 + LINE_IN, more)
    axes = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.2, panel)
    sheet.y_label(axes, f"damage per absorbed photon, 1 at {found['reference_nm']:g} nm")
    linear_axis(axes, "x", float(lam[0]), float(lam[-1]), 6)
    log_axis(axes, "y", low, high, 5)
    sheet.x_label(axes, "wavelength (nm)")
    axes.plot(lam, np.where(curve / reference > low, curve / reference, np.nan), color=INK, lw=1.2)
    if slope is not None:
        exponential = np.exp(-(lam - found["reference_nm"]) / slope)
        axes.plot(
            lam,
            np.where((exponential > low) & (exponential < high), exponential, np.nan),
            color=COUPON,
            linestyle=LINES[1],
            linewidth=1.2,
        )
    for start, end, b in bands:
        value, at_least, at_most, _ = parts(b["weight"])
        centre = (start + end) / 2
        if not b["resolved"]:
            if at_most is not None and low < at_most / reference < high:
                axes.plot([start, end], [at_most / reference] * 2, color=PALE, linewidth=1.4)
                axes.plot([centre], [at_most / reference], "v", color=PALE, markersize=6)
            continue
        if value is None or at_least is None or at_most is None:
            continue
        axes.fill_between(
            [start, end],
            [max(at_least / reference, low)] * 2,
            [min(at_most / reference, high)] * 2,
            color=DEVICE,
            alpha=0.2,
            linewidth=0,
        )
        axes.plot([start, end], [value / reference] * 2, color=DEVICE, linewidth=2.0)
    return sheet


def course_sheet(data: Json) -> Sheet | None:
    """Sheet resistance over time: the coupon's curve as it is, and corrected to the device."""
    part = data["rates"]
    if part is None or not part["courses"]:
        return None
    names = list(part["courses"])
    styles = ((DEVICE, LINES[0]), (COUPON, LINES[1]), (LIGHTS[2], LINES[2]))
    top = 0.2 + len(names) * LINE_IN + 0.28
    panel = 2.3
    sheet = Sheet(top + panel + 0.5)
    lines = [styles[i % len(styles)] for i in range(len(names))]
    key_rows(
        sheet,
        0.2,
        [
            (name, {"color": color, "linestyle": line})
            for name, (color, line) in zip(names, lines, strict=True)
        ],
    )
    axes = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.2, panel)
    sheet.y_label(axes, "sheet resistance (ohm/sq)")
    shown = {name: below_the_end(c) for name, c in part["courses"].items()}
    every = np.concatenate([y[np.isfinite(y)] for y in shown.values()]).tolist()
    longest = max(t for c in part["courses"].values() for t in c["time_h"])
    low, high = min(every) / 1.3, max(every) * 1.3
    linear_axis(axes, "x", 0.0, longest, 6)
    log_axis(axes, "y", low, high, 6)
    sheet.x_label(axes, "time (h)")
    for name, (color, line) in zip(names, lines, strict=True):
        c = part["courses"][name]
        t = floats(c["time_h"])
        inside = np.isfinite(shown[name])
        axes.fill_between(
            t[inside],
            np.maximum(floats(c["low_ohm_sq"]), low)[inside],
            np.minimum(floats(c["high_ohm_sq"]), high)[inside],
            color=color,
            alpha=0.16,
            linewidth=0,
        )
        axes.plot(t, shown[name], color=color, linestyle=line)
    return sheet


def below_the_end(course: Json) -> Any:
    """Sheet resistances of a course, NaN where the film is gone and the number is only a limit."""
    r = floats(course["sheet_resistance_ohm_sq"])
    return np.where(r < 0.9 * LARGEST_RISE * r[0], r, np.nan)
