"""Figures of the dose: shares of the layers, against wavelength, against depth."""

from __future__ import annotations

import numpy as np

from optistack.report.cases import INNER_IN, SIDES, Json, headline_limits, padded, power_of_ten
from optistack.report.drawing import (
    ASKED,
    HATCHES,
    INK,
    LINE_IN,
    MARGIN_IN,
    SMALL_PT,
    TINTS,
    WIDTH_IN,
    Sheet,
    fit,
    legible,
    linear_axis,
    log_axis,
    text_width_in,
    wrap,
)
from optistack.report.pictures import Views
from optistack.report.wording import number, percent

# 3 where the photons go ----------------------------------------------------------------------


def budget_sheet(data: Json, views: Views) -> Sheet | None:
    """A bar per exposure: shares of the incident photons, in light order."""
    headline = headline_limits(data)
    rows = views.budgets
    if headline is None or not rows:
        return None
    band = headline[0]
    tints: dict[str, tuple[str, str]] = {}
    for row in rows:
        for name in row.shares:
            if name not in ("reflected", "transmitted", row.layer) and name not in tints:
                i = len(tints)
                tints[name] = (TINTS[i % len(TINTS)], HATCHES[(i // len(TINTS)) % len(HATCHES)])
    bar_h = 0.36
    blocks = []
    for row in rows:
        segments, rest = _segments(row.shares, row.layer)
        blocks.append((row, segments, wrap(rest, INNER_IN, SMALL_PT, most=3)))
    height = 0.1 + sum(0.22 + bar_h + 0.04 + LINE_IN * len(b[2]) + 0.14 for b in blocks) + 0.58
    sheet = Sheet(height)
    y = 0.1
    for row, segments, lines in blocks:
        layer = row.layer
        title = ", ".join(part for part in (row.side, row.light, row.filter_name) if part)
        sheet.text(
            MARGIN_IN,
            y + 0.14,
            fit(title, INNER_IN, bold=True),
            bold=True,
            color=SIDES.get(row.side, {"color": INK})["color"],
        )
        y += 0.22
        x = MARGIN_IN
        for name, share, label in segments:
            width = share * INNER_IN
            face, hatch = tints.get(name, ("#ffffff", ""))
            if name == layer:
                face, hatch = ASKED, ""
            elif name == "transmitted":
                face, hatch = "#ffffff", "//"
            sheet.box(
                x, y, width, bar_h, facecolor=face, edgecolor="#b9c0c5", hatch=hatch, linewidth=0.5
            )
            if label:
                ink = "white" if name == layer else INK
                pad = {"facecolor": face, "edgecolor": "none", "pad": 1.0}
                sheet.text(
                    x + width / 2,
                    y + bar_h / 2,
                    label,
                    size=SMALL_PT,
                    ha="center",
                    va="center",
                    color=ink,
                    pad=pad if hatch else None,
                )
            x += width
        y += bar_h + 0.04
        for i, line in enumerate(lines):
            x = MARGIN_IN
            first, comma, after = line.partition(", ")
            if i == 0 and layer and first.startswith(fit(layer, 1.6, SMALL_PT)):
                first += comma.rstrip()
                sheet.text(x, y + 0.12, first, size=SMALL_PT, color=ASKED)
                x += text_width_in(first, SMALL_PT) + 0.05
                line = after
            sheet.text(x, y + 0.12, line, size=SMALL_PT)
            y += LINE_IN
        y += 0.14
    foot = [
        f"Share of the photons incident in {band} nm, in the order of the",
        "light from left to right. Under a bar: what is too narrow to be",
        "labelled in it.",
    ]
    for line in foot:
        sheet.text(MARGIN_IN, y + 0.1, line, size=SMALL_PT, color=INK)
        y += LINE_IN
    return sheet


def _segments(
    shares: dict[str, float], layer: str
) -> tuple[list[tuple[str, float, str]], list[str]]:
    """(name, share, label) in light order, and what must be written under the bar."""
    ends = ("filter at the lamp", "reflected", "transmitted")
    order = [n for n in shares if n not in ends]
    order = [*(n for n in ends[:2] if n in shares), *order, ends[2]]
    segments: list[tuple[str, float, str]] = []
    rest: list[str] = []
    for name in order:
        share = shares.get(name, 0.0)
        shown, width = percent(share), share * INNER_IN - 0.08
        name_text = legible(name)
        full = f"{name_text} {shown}"
        label = ""
        if text_width_in(full, SMALL_PT) <= width:
            label = full
        elif text_width_in(shown, SMALL_PT) <= width:
            short = fit(name_text, width, SMALL_PT)
            # Two lines, unless little would be left of the name.
            if short == name_text or len(short) > 8:
                label = f"{short}\n{shown}"
        if not label and (share >= 5e-4 or name == layer):
            entry = f"{fit(name_text, 1.6, SMALL_PT)} {shown}"
            rest.insert(0, entry) if name == layer else rest.append(entry)
        segments.append((name, share, label))
    return segments, rest


# 4 absorbed against wavelength ---------------------------------------------------------------


def absorbed_sheet(data: Json, views: Views) -> Sheet | None:
    """One panel per comparison: what the layer absorbs at each wavelength."""
    headline = headline_limits(data)
    cases = data["comparisons"][: len(views.absorbed)]
    if headline is None or not cases:
        return None
    _, limits = headline
    panel = 1.3
    sheet = Sheet(0.1 + len(cases) * (0.5 + panel) + (len(cases) - 1) * 0.12 + 0.46)
    top = 0.1
    for i, (case, curves) in enumerate(zip(cases, views.absorbed, strict=True)):
        axes = sheet.axes(0.5, top + 0.5, WIDTH_IN - 0.65, panel)
        highest = max(float(side.curves.max()) for side in curves)
        scale, power = power_of_ten(highest)
        for side, lam, shapes in curves:
            style = SIDES[side]
            if len(shapes) > 1:
                axes.fill_between(
                    lam,
                    shapes.min(axis=0) / scale,
                    shapes.max(axis=0) / scale,
                    color=style["color"],
                    alpha=0.22,
                    linewidth=0,
                )
            axes.plot(lam, shapes[0] / scale, **style)
        last = i == len(cases) - 1
        linear_axis(axes, "x", *limits, 7, numbers=last)
        linear_axis(axes, "y", 0.0, 1.06 * highest / scale if highest > 0 else 1.0, 4)
        if last:
            sheet.x_label(axes, "wavelength (nm)")
        title = fit(case["light"], INNER_IN - 1.9, bold=True)
        sheet.text(MARGIN_IN, top + 0.14, title, bold=True)
        sheet.key(top + 0.14, list(SIDES.items()), left=WIDTH_IN - 1.8, width=1.7)
        sheet.y_label(
            axes,
            f"absorbed in {fit(case['layer'], 1.3, SMALL_PT)} ({power} photons/(m² s nm))".replace(
                "( ", "("
            ),
        )
        top += 0.5 + panel + 0.12
    return sheet


# 5 depth profile -----------------------------------------------------------------------------


def depth_sheet(data: Json, views: Views) -> Sheet | None:
    """Absorbed photons per volume against depth, with the first nanometre at each face."""
    headline = headline_limits(data)
    cases = data["comparisons"][: len(views.depth)]
    panels = [x for x in zip(cases, views.depth, strict=True) if x[1]]
    if headline is None or not panels:
        return None
    band = headline[0]
    columns = min(2, len(panels))
    rows = -(-len(panels) // 2)
    rates = np.concatenate([c.rate for _, cs in panels for c in cs])
    power = 10.0 ** np.floor(np.log10(rates.max()))
    # What lies six decades below the brightest place is not worth the room.
    least = max(float(rates[rates > 0].min()), 1e-6 * float(rates.max()))
    room = max(2.2, (float(rates.max()) / least) ** 0.2)
    low, high = padded(least / power, float(rates.max()) / power, room)
    left, panel = 0.5, 2.0
    width = (WIDTH_IN - left - 0.15 - 0.2 * (columns - 1)) / columns
    sheet = Sheet(0.68 + rows * panel + (rows - 1) * 0.51 + 0.46)
    sheet.key(0.2, [(s, {**v, "marker": "o", "markersize": 4}) for s, v in SIDES.items()])
    layer = fit(panels[0][0]["layer"], 1.4, SMALL_PT)
    unit = f"{power_of_ten(power)[1]} photons/(m³ s)".strip()
    text = f"absorbed in {layer}, {band} nm ({unit})"
    sheet.text(MARGIN_IN, 0.4, fit(text, INNER_IN, SMALL_PT), size=SMALL_PT)
    widest = max(c.thickness_nm for _, cs in panels for c in cs)
    length, scale = ("nm", 1.0) if widest < 5e3 else ("µm", 1e3) if widest < 5e5 else ("mm", 1e6)
    for i, (case, curves) in enumerate(panels):
        x = left + (i % 2) * (width + 0.2)
        top = 0.68 + (i // 2) * (panel + 0.51)
        axes = sheet.axes(x, top, width, panel)
        log_axis(axes, "y", low, high, 5, numbers=i % 2 == 0)
        linear_axis(axes, "x", 0.0, widest / scale, 4)
        axes.set_xlim(-0.03 * widest / scale, 1.03 * widest / scale)
        if i // 2 == rows - 1:
            sheet.x_label(axes, fit(f"depth from the lit side ({length})", width + 0.1))
        sheet.text(x, top - 0.07, fit(case["light"], width, bold=True), bold=True)
        ordered = sorted(curves, key=lambda c: -float(np.median(c.rate)))
        for rank, curve in enumerate(ordered):
            style = SIDES[curve.side]
            shown = np.where(curve.rate > 0, curve.rate, np.nan) / power
            axes.plot(curve.depth_nm / scale, shown, **style)
            for at, value, ha in curve.faces:
                if value is None or value <= 0:
                    continue
                axes.plot([at / scale], [value / power], "o", color=style["color"], markersize=4)
                # Clear of every curve over the width of the text: above them, or below them.
                near = [
                    float(r) / power
                    for c in ordered
                    for z, r in zip(c.depth_nm, c.rate, strict=True)
                    if abs(z - at) < 0.42 * widest and r > 0
                ]
                up = rank == 0
                y = max([*near, value / power]) if up else min([*near, value / power])
                axes.annotate(
                    number(value / power),
                    (at / scale, y),
                    (0, 5 if up else -5),
                    textcoords="offset points",
                    fontsize=SMALL_PT,
                    color=style["color"],
                    ha=ha,
                    va="bottom" if up else "top",
                    annotation_clip=False,
                )
    return sheet
