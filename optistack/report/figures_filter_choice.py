"""Figures of the filter choice: trade-off, energy by year, ranking, spectra, ageing."""

from __future__ import annotations

from typing import Any

import numpy as np

from optistack.report.cases import Json, floats, key_rows, padded, power_of_ten
from optistack.report.drawing import (
    ASKED,
    COUPON,
    DEVICE,
    FAINT_INK,
    INK,
    LIGHTS,
    LINE_IN,
    LINES,
    MARGIN_IN,
    PALE,
    SMALL_PT,
    WIDTH_IN,
    Sheet,
    fit,
    linear_axis,
    log_axis,
    text_width_in,
)
from optistack.report.wording import number, percent

LEFT = 0.62
# Families told apart by marker as well as colour.
FAMILIES: dict[str, dict[str, Any]] = {
    "edge": {"color": DEVICE, "marker": "o"},
    "absorber": {"color": COUPON, "marker": "^"},
    "measured": {"color": INK, "marker": "s"},
    "interference": {"color": LIGHTS[2], "marker": "D"},
    "combination": {"color": LIGHTS[3], "marker": "P"},
}
ROLES = (
    ("no filter", {"color": FAINT_INK, "linestyle": LINES[2]}),
    ("best", {"color": DEVICE, "linestyle": LINES[0]}),
    ("runner-up", {"color": COUPON, "linestyle": LINES[1]}),
)
_LEAST_DOSE = 1e-5


def choice_sheet(data: Json) -> Sheet | None:
    """Dose left against photocurrent lost: every candidate, the front, its knee and the best."""
    part = data["filter_choice"]
    if part is None:
        return None
    exposure = part["exposure"]
    shown = [
        c
        for c in part["candidates"]
        if c["dose_left"][exposure] is not None and c["photocurrent_lost_fraction"] is not None
    ]
    doses = [c["dose_left"][exposure] for c in shown if c["dose_left"][exposure] > _LEAST_DOSE]
    if not doses:
        return None
    families = [f for f in FAMILIES if any(c["family"] == f for c in shown)]
    entries: list[tuple[str, dict[str, Any]]] = [
        (f, {**FAMILIES[f], "linestyle": "none", "markersize": 4.5}) for f in families
    ]
    front = part["fronts"][exposure]
    steps = [("front: not beaten in both", {"color": ASKED, "linewidth": 1.4})]
    ring = {"color": ASKED, "marker": "o", "markerfacecolor": "none", "linestyle": "none"}
    knee, best = part["knees"][exposure], part["best"]
    if knee is not None:
        steps.append((f"knee: {knee}", {**ring, "markersize": 9}))
    if best is not None and best["family"] is not None:
        steps.append(
            (
                f"best: {best['name']}",
                {"color": ASKED, "marker": "*", "markersize": 10, "linestyle": "none"},
            )
        )
    limit = part["requirement"]["most_photocurrent_lost"]
    if limit is not None:
        steps.append(
            (
                f"beyond what may be lost, {percent(limit)}",
                {"color": PALE, "alpha": 0.35, "linewidth": 7, "solid_capstyle": "butt"},
            )
        )
    top = 0.2 + LINE_IN * (1 + len(steps)) + 0.28
    panel = 2.7
    sheet = Sheet(top + panel + 0.5)
    sheet.key(0.2, entries)
    key_rows(sheet, 0.2 + LINE_IN, steps)
    axes = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.2, panel)
    sheet.y_label(
        axes, f"dose left in {part['layer']} under {part['light']}, weight: {part['counted_by']}"
    )
    low, high = padded(max(min(doses), _LEAST_DOSE), max(*doses, 1.0), 1.5)
    log_axis(axes, "y", low, high, 6)
    lost = np.array([100 * c["photocurrent_lost_fraction"] for c in shown])
    right = max(min(float(lost.max()), 2.5 * _reach(front)), 1.0)
    linear_axis(axes, "x", min(0.0, float(lost.min())) - 0.02 * right, 1.04 * right, 6)
    sheet.x_label(axes, "photocurrent lost (%)")
    if limit is not None and 100 * limit < 1.04 * right:
        axes.axvspan(100 * limit, 1.04 * right, color=PALE, alpha=0.18, linewidth=0)
    for family in families:
        here = [c for c in shown if c["family"] == family]
        axes.plot(
            [100 * c["photocurrent_lost_fraction"] for c in here],
            [max(c["dose_left"][exposure], low * 1.02) for c in here],
            linestyle="none",
            markersize=2.8,
            alpha=0.55,
            markeredgewidth=0,
            **FAMILIES[family],
        )
    x = 100 * floats([f["lost_fraction"] for f in front])
    y = np.maximum(floats([f["dose_left"] for f in front]), low * 1.02)
    axes.step(x, y, where="post", color=ASKED, linewidth=1.4)
    by_name = {c["name"]: c for c in shown}
    if knee in by_name:
        c = by_name[knee]
        axes.plot(
            [100 * c["photocurrent_lost_fraction"]],
            [max(c["dose_left"][exposure], low * 1.02)],
            "o",
            color=ASKED,
            markerfacecolor="none",
            markersize=9,
        )
    if best is not None and best["name"] in by_name:
        c = by_name[best["name"]]
        axes.plot(
            [100 * c["photocurrent_lost_fraction"]],
            [max(c["dose_left"][exposure], low * 1.02)],
            "*",
            color=ASKED,
            markersize=10,
        )
    return sheet


def _reach(front: list[Json]) -> float:
    """Loss of the front's end [%], so that hopeless candidates do not squeeze it."""
    return 100 * max((f["lost_fraction"] for f in front if f["lost_fraction"]), default=0.04)


def choice_energy_sheet(data: Json) -> Sheet | None:
    """Above the power, below the energy delivered more or less than without filter, by year."""
    part = data["filter_choice"]
    if part is None or not part["courses"] or not part["courses"]["energy"]:
        return None
    courses = part["courses"]
    names = list(courses["energy"])
    if len(names) < 2:
        return None
    years = floats(courses["years"])
    powers = {n: floats(courses["power"][n]) for n in names}
    bare = floats(courses["energy"]["no filter"])
    gains = {n: floats(courses["energy"][n]) - bare for n in names}
    roles = [r for r in ROLES if r[0] == "no filter" or len(names) > 1]
    styles = {
        n: dict(ROLES[0][1]) if n == "no filter" else dict(roles[1 + i][1])
        for i, n in enumerate([x for x in names if x != "no filter"])
    } | {"no filter": dict(ROLES[0][1])}
    entries = [
        (n if n == "no filter" else f"{roles[1 + i][0]}: {n}", styles[n])
        for i, n in [(-1, "no filter"), *enumerate(x for x in names if x != "no filter")]
    ]
    top = 0.2 + LINE_IN * len(entries) + 0.28
    upper, lower, gap = 1.35, 1.6, 0.55
    sheet = Sheet(top + upper + gap + lower + 0.5)
    key_rows(sheet, 0.2, entries)
    above = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.25, upper)
    below = sheet.axes(LEFT, top + upper + gap, WIDTH_IN - LEFT - 0.25, lower)
    kwh = part["energy_unit"] == "kWh/m2"
    sheet.y_label(above, "power in full sun (mW/cm²)" if kwh else "power, of the start")
    sheet.y_label(
        below, f"delivered since the start, more than without filter ({part['energy_unit']})"
    )
    last = float(years[-1])
    for axes in (above, below):
        linear_axis(axes, "x", 0.0, last, 6, numbers=axes is below)
    sheet.x_label(below, "years in service")
    linear_axis(above, "y", 0.0, 1.1 * max(float(p.max()) for p in powers.values()), 4)
    low = min(float(g.min()) for g in gains.values())
    high = max(float(g.max()) for g in gains.values())
    room = 0.08 * max(high - low, 1e-9)
    linear_axis(below, "y", low - room, high + room, 5)
    for n in names:
        above.plot(years, powers[n], **styles[n])
        below.plot(years, gains[n], **styles[n])
    return sheet


def choice_stability_sheet(data: Json) -> Sheet | None:
    """In what share of the draws each candidate comes first, or within 1 % of the first."""
    part = data["filter_choice"]
    if part is None or part["robustness"] is None:
        return None
    found = part["robustness"]
    names = list(found["first_share"])
    if not names:
        return None
    row, left = 0.3, 2.65
    top = 0.66
    height = row * len(names)
    sheet = Sheet(top + height + 0.55)
    sheet.key(
        0.2,
        [
            ("comes first", {"color": DEVICE, "marker": "s", "linestyle": "none"}),
            ("within 1 % of the first", {"color": PALE, "marker": "s", "linestyle": "none"}),
        ],
    )
    sheet.text(
        MARGIN_IN,
        0.42,
        fit(f"drawn: {', '.join(found['drawn']) or 'nothing'}", WIDTH_IN - 0.2, SMALL_PT),
        size=SMALL_PT,
        color=FAINT_INK,
    )
    axes = sheet.axes(left, top, WIDTH_IN - left - 0.55, height)
    linear_axis(axes, "x", 0.0, 100.0, 5)
    axes.set_ylim(height, 0)
    for i, name in enumerate(names):
        y = (i + 0.5) * row
        near = 100 * (found["near_share"].get(name) or 0.0)
        first = 100 * found["first_share"][name]
        axes.barh(y, max(near, first), height=0.19, color=PALE, alpha=0.55, linewidth=0)
        axes.barh(y, first, height=0.11, color=DEVICE, linewidth=0)
        sheet.text(
            left - 0.08,
            top + y,
            fit(name, left - 0.2, SMALL_PT),
            size=SMALL_PT,
            ha="right",
            va="center",
        )
        axes.annotate(
            f"{first:.0f} %",
            (max(near, first), y),
            (4, 0),
            textcoords="offset points",
            fontsize=SMALL_PT,
            va="center",
            annotation_clip=False,
        )
    sheet.x_label(axes, f"share of {found['draws']} draws (%)")
    return sheet


def choice_spectra_sheet(data: Json) -> Sheet | None:
    """Photons that the layer absorbs, without a filter and behind the best, under each light."""
    part = data["filter_choice"]
    if part is None or not part["spectra"]:
        return None
    spectra = part["spectra"][:3]
    panel, gap, top = 1.25, 0.5, 0.8
    sheet = Sheet(top + len(spectra) * panel + (len(spectra) - 1) * gap + 0.5)
    name = part["best"]["name"]
    key_rows(
        sheet,
        0.2,
        [
            (f"absorbed in {part['layer']} without a filter", {"color": COUPON, "alpha": 0.9}),
            (f"behind {name}", {"color": DEVICE, "linestyle": LINES[1]}),
        ],
    )
    lit = [(floats(s["wavelength_nm"]), floats(s["absorbed_photons_m2_s_nm"])) for s in spectra]
    ends = [lam[v > 1e-3 * np.nanmax(v)] for lam, v in lit if np.nanmax(v) > 0]
    if not ends:
        return None
    first, last = min(float(e[0]) for e in ends), min(500.0, max(float(e[-1]) for e in ends))
    for i, s in enumerate(spectra):
        axes = sheet.axes(LEFT, top + i * (panel + gap), WIDTH_IN - LEFT - 0.2, panel)
        lam, before = lit[i]
        after = floats(s["absorbed_behind_filter_m2_s_nm"])
        inside = (lam >= first) & (lam <= last)
        scale, unit = power_of_ten(float(np.nanmax(before[inside])))
        sheet.y_label(axes, f"{s['light']} ({f'{unit} photons/(m² s nm)'.strip()})")
        linear_axis(axes, "x", first, last, 6, numbers=i == len(spectra) - 1)
        linear_axis(axes, "y", 0.0, 1.1 * float(np.nanmax(before[inside])) / scale, 4)
        axes.fill_between(lam[inside], before[inside] / scale, color=COUPON, alpha=0.18, lw=0)
        axes.plot(lam[inside], before[inside] / scale, color=COUPON, linewidth=1.2)
        axes.plot(lam[inside], after[inside] / scale, color=DEVICE, linestyle=LINES[1])
        if i == len(spectra) - 1:
            sheet.x_label(axes, "wavelength (nm)")
    return sheet


def choice_ageing_sheet(data: Json) -> Sheet | None:
    """Dose left behind filters that age, over the years."""
    part = data["filter_choice"]
    if part is None or not part["ageing"]:
        return None
    lives = part["ageing"][:4]
    styles = [
        {"color": c, "linestyle": s}
        for c, s in zip((DEVICE, COUPON, LIGHTS[2], LIGHTS[3]), LINES, strict=True)
    ]
    entries = [(x["name"], styles[i]) for i, x in enumerate(lives)]
    top, panel = 0.2 + LINE_IN * len(entries) + 0.28, 1.9
    sheet = Sheet(top + panel + 0.5)
    key_rows(sheet, 0.2, entries)
    axes = sheet.axes(LEFT, top, WIDTH_IN - LEFT - 0.6, panel)
    sheet.y_label(
        axes, f"dose left in {part['layer']} at each moment, weight: {part['counted_by']}"
    )
    values = [v for x in lives for v in x["dose_left"] if v is not None and v > 0]
    if not values:
        return None
    low, high = padded(min(values), max(values), 1.3)
    log_axis(axes, "y", low, high, 6)
    last = max(x["years"][-1] for x in lives)
    linear_axis(axes, "x", 0.0, last, 6)
    sheet.x_label(axes, "years in service")
    for i, x in enumerate(lives):
        axes.plot(floats(x["years"]), floats(x["dose_left"]), **styles[i])
        end = x["dose_left"][-1]
        if end is not None and end > 0:
            label = percent(end) if end >= 1e-4 else number(end)
            if text_width_in(label, SMALL_PT) < 0.6:
                axes.annotate(
                    label,
                    (x["years"][-1], end),
                    (4, 0 if i % 2 else -1),
                    textcoords="offset points",
                    fontsize=SMALL_PT,
                    color=styles[i]["color"],
                    va="bottom" if i % 2 == 0 else "top",
                    annotation_clip=False,
                )
    return sheet
