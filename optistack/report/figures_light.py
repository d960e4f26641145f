"""Figures of what meets the light: the stacks, the spectra and the filters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from optistack.report.cases import INNER_IN, SIDES, Json, Real, power_of_ten
from optistack.report.drawing import (
    ASKED,
    CURVES,
    GRID,
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
    text_width_in,
)
from optistack.report.pictures import VIEW_NM, StackView, Views

if TYPE_CHECKING:
    from optistack.spectra import BandNm

# 1 stacks ------------------------------------------------------------------------------------

_BOX_IN = 0.25
_GAP_IN = 0.16


def stacks_sheet(views: Views) -> Sheet | None:
    """The stacks, two beside each other."""
    columns = views.stacks
    if not columns:
        return None
    rows = [columns[i : i + 2] for i in range(0, len(columns), 2)]
    heights = [max(_column_height(stack) for stack in row) for row in rows]
    sheet = Sheet(sum(heights) + 0.2 + 0.15 * (len(rows) - 1))
    top = 0.0
    for row, height in zip(rows, heights, strict=True):
        width = (INNER_IN - 0.2) / 2
        for i, stack in enumerate(row):
            _draw_stack(sheet, MARGIN_IN + i * (width + 0.2), top, width, stack)
        top += height + 0.15
    sheet.text(MARGIN_IN, sheet.height_in - 0.09, "Layers are not drawn to scale.", size=SMALL_PT)
    return sheet


def _column_height(stack: StackView) -> float:
    rear = 0.3 if stack.rear_share > 0 else 0.0
    return 0.78 + sum(_GAP_IN if b.kind == "gap" else _BOX_IN for b in stack.boxes) + rear + 0.1


def _draw_stack(sheet: Sheet, left: float, top: float, width: float, stack: StackView) -> None:
    color = SIDES.get(stack.side, {"color": INK})["color"]
    title = stack.side
    if stack.name != stack.side:
        title = f"{stack.side}: {stack.name}"
    sheet.text(left, top + 0.2, fit(title, width, bold=True), bold=True, color=color)
    where = "" if stack.lit_from == "front" else " (lit from the back)"
    if stack.angle_deg > 0:
        where += f", {stack.angle_deg:g}°"
    sheet.text(left + 0.22, top + 0.47, fit(f"light{where}", width - 0.22, SMALL_PT), size=SMALL_PT)
    sheet.arrow(left + 0.1, top + 0.3, top + 0.64, 1.4)
    y = top + 0.68
    for item in stack.boxes:
        if item.kind == "gap":
            sheet.text(
                left + width / 2,
                y + _GAP_IN / 2,
                fit(item.note, width, SMALL_PT),
                size=SMALL_PT,
                ha="center",
                va="center",
            )
            y += _GAP_IN
            continue
        face, edge, hatch = {
            "asked": (ASKED, ASKED, ""),
            "filter": ("#fff4d6", "#966400", "////"),
            "medium": ("#eef1f3", PALE, ""),
            "holder": ("#ffffff", PALE, "xxxx"),
        }.get(item.kind, ("#f6f8f9", PALE, ""))
        if hatch:
            sheet.box(
                left, y, width, _BOX_IN, facecolor=face, edgecolor=GRID, linewidth=0, hatch=hatch
            )
        sheet.box(
            left,
            y,
            width,
            _BOX_IN,
            facecolor="none" if hatch else face,
            edgecolor=edge,
            linewidth=0.8,
        )
        bold = item.kind == "asked"
        ink = "white" if bold else INK
        note_width = text_width_in(item.note, SMALL_PT)
        name = fit(item.name, width - note_width - 0.26, SMALL_PT, bold=bold)
        middle = y + _BOX_IN / 2
        if hatch:  # words stay readable on a hatched box
            for x, w in (
                (left + 0.04, text_width_in(name, SMALL_PT, bold) + 0.08),
                (left + width - note_width - 0.12, note_width + 0.08),
            ):
                if w > 0.1:
                    sheet.box(x, y + 0.03, w, _BOX_IN - 0.06, facecolor=face, linewidth=0)
        sheet.text(left + 0.08, middle, name, size=SMALL_PT, va="center", bold=bold, color=ink)
        sheet.text(
            left + width - 0.08,
            middle,
            item.note,
            size=SMALL_PT,
            ha="right",
            va="center",
            color=ink,
        )
        y += _BOX_IN
    if stack.rear_share > 0:
        sheet.arrow(left + 0.1, y + 0.3, y + 0.04, 1.0)
        sheet.text(
            left + 0.22,
            y + 0.22,
            fit(f"rear light, {100 * stack.rear_share:.3g} % of front", width - 0.22, SMALL_PT),
            size=SMALL_PT,
        )


# 2 spectra -----------------------------------------------------------------------------------


def _light_styles(names: Sequence[str]) -> dict[str, dict[str, Any]]:
    return {
        name: {"color": LIGHTS[i % 4], "linestyle": LINES[i % 4]} for i, name in enumerate(names)
    }


def spectra_sheet(data: Json, views: Views) -> Sheet | None:
    """Photon flux of the lights above, transmittance of the filters below."""
    lights, view = views.lights, VIEW_NM
    numbers: dict[str, dict[int, None]] = {}
    for row in data["filters"]:
        numbers.setdefault(row["name"], {})[row["number"]] = None
    curves = [(", ".join(map(str, numbers.get(f.name, ()))), *f) for f in views.filters]
    if not any(light.shines for light in lights):
        return None
    per_column = -(-len(curves) // 2)
    upper, lower = 1.45, 1.35
    low_part = 0.36 + lower + 0.44 + per_column * LINE_IN + 0.1 if curves else 0.44
    head = 0.5
    sheet = Sheet(head + upper + low_part)
    axes = sheet.axes(0.5, head, WIDTH_IN - 0.5 - 0.15, upper)
    styles = _light_styles([light.name for light in lights])
    drawn = [light for light in lights if light.curves.max() > 0]
    top = max((float(light.curves.max()) for light in drawn), default=0.0)
    scale, power = power_of_ten(top)
    for light in drawn:
        lam, shapes = light.wavelength_nm, light.curves
        style = styles[light.name]
        if len(shapes) > 1:
            axes.fill_between(
                lam,
                shapes.min(axis=0) / scale,
                shapes.max(axis=0) / scale,
                color=style["color"],
                alpha=0.22,
                linewidth=0,
            )
        axes.plot(lam, shapes[0] / scale, **{**style, "linewidth": 1.2})
    axes.set_xlim(*view)
    linear_axis(axes, "y", 0.0, 1.06 * top / scale, 4)
    linear_axis(axes, "x", *view, 6, numbers=not curves)
    if not curves:
        sheet.x_label(axes, "wavelength (nm)")
    sheet.key(0.2, [(light.name, styles[light.name]) for light in drawn])
    unit = f"{power} photons/(m² s nm)".strip()
    sheet.y_label(axes, f"photon flux ({unit})")
    if curves:
        _draw_transmittances(sheet, curves, head + upper + 0.36, lower, view)
    return sheet


def _draw_transmittances(
    sheet: Sheet,
    curves: Sequence[tuple[str, str, Real, Real]],
    top: float,
    height: float,
    view: BandNm,
) -> None:
    axes = sheet.axes(0.5, top, WIDTH_IN - 0.5 - 0.15, height)
    sheet.x_label(axes, "wavelength (nm)")
    linear_axis(axes, "x", *view, 6)
    linear_axis(axes, "y", 0.0, 1.0, 4)
    axes.set_ylim(0.0, 1.02)
    sheet.y_label(axes, "external transmittance of the filters, in air")
    marked = [c for c in curves if c[0]]
    spots = _spots_on_curves(marked, (WIDTH_IN - 0.65) / (view[1] - view[0]), height / 1.02)
    for i, (marks, _, lam, t) in enumerate(curves):
        style = {"color": CURVES[i % len(CURVES)], "linestyle": LINES[(i // 2) % len(LINES)]}
        axes.plot(lam, t, **{**style, "linewidth": 1.3})
        if marks:
            x, y = spots.pop(0)
            axes.text(
                x,
                y,
                marks,
                fontsize=SMALL_PT,
                fontweight="bold",
                color=style["color"],
                ha="center",
                va="center",
                zorder=5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.9},
            )
    below = top + height + 0.44 + 0.13
    half = INNER_IN / 2
    per_column = -(-len(curves) // 2)
    for i, (marks, name, _, _) in enumerate(curves):
        style = {"color": CURVES[i % len(CURVES)], "linestyle": LINES[(i // 2) % len(LINES)]}
        text = f"{marks}  {name}" if marks else name
        sheet.key(
            below + (i % per_column) * LINE_IN,
            [(text, style)],
            left=MARGIN_IN + (i // per_column) * half,
            width=half,
        )


def _spots_on_curves(
    curves: Sequence[tuple[str, str, Real, Real]], inch_per_nm: float, inch_per_unit: float
) -> list[tuple[float, float]]:
    """For each curve the point, on its slope, that is farthest from all others and their labels."""
    lines = [np.stack([lam * inch_per_nm, t * inch_per_unit]) for _, _, lam, t in curves]
    out: list[tuple[float, float]] = []
    taken: list[tuple[float, float, float]] = []
    for i, (marks, _, lam, t) in enumerate(curves):
        steep = np.flatnonzero((t > 0.08 * t.max()) & (t < 0.92 * t.max()))
        if not steep.size:
            steep = np.array([t.size // 2])
        steep = steep[:: max(1, steep.size // 25)]
        wide = text_width_in(marks, SMALL_PT, True) / 2 + 0.01
        best, most = int(steep[0]), -np.inf
        for at in steep:
            here = lines[i][:, at]
            # Clear of the other curves and labels, by the text's own width and height.
            room = [
                float(np.hypot(np.maximum(np.abs(o[0] - here[0]) - wide, 0), o[1] - here[1]).min())
                for j, o in enumerate(lines)
                if j != i
            ]
            for x, y, other in taken:
                across = abs(x - here[0]) - wide - other
                down = abs(y - here[1]) - SMALL_PT / 72
                touching = across < 0 and down < 0
                room.append(max(across, down) if touching else max(across, 0.0) + max(down, 0.0))
            edge = min(here[1], 1.02 * inch_per_unit - here[1]) - 0.09
            least = min([*room, 0.3]) + 0.1 * min(edge, 0.3)
            if least > most:
                best, most = int(at), least
        taken.append((float(lines[i][0, best]), float(lines[i][1, best]), wide))
        out.append((float(lam[best]), float(t[best])))
    return out
