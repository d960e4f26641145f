"""Figures of what meets the light: the stacks, the spectra and the filters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from optistack.errors import OptistackError
from optistack.exposure import ExposureResult
from optistack.filters import Filter
from optistack.light_paths import Geometry, respond
from optistack.report.cases import (
    INNER_IN,
    MOST_LIGHTS,
    SIDES,
    Case,
    Json,
    Real,
    photon_flux_curve,
    power_of_ten,
)
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
from optistack.report.wording import thickness
from optistack.scenario import RunResult
from optistack.spectra import BandNm, Spectrum
from optistack.spectral_math import union_grid
from optistack.stack import FilterStack, Stack

VIEW_NM: BandNm = (280.0, 500.0)

# 1 stacks ------------------------------------------------------------------------------------

_BOX_IN = 0.25
_GAP_IN = 0.16


class _Item(NamedTuple):
    """One box of a stack's drawing."""

    name: str
    note: str
    kind: str  # "layer", "asked", "filter", "gap", "medium", "holder"


def _items(result: ExposureResult, asked: str) -> list[_Item]:
    stack = result.stack
    out: list[_Item] = []
    for far in result.far:
        out.append(_Item(f"filter {far.name}", "", "filter"))
        out.append(_Item("", "far away, at the lamp", "gap"))
    if stack.ambient.name != "air":
        out.append(_Item(stack.ambient.name, "half-space", "medium"))
    for layer in stack.layers:
        gap = layer.name.startswith("air gap behind ")
        kind = "asked" if layer.name == asked else "layer"
        if layer.name.startswith("filter ") and layer.absorbers:
            kind = "filter"
        inside = [a.name for a in layer.absorbers]
        name = layer.name
        if inside and kind != "filter":
            name += f" + {' + '.join(inside)}"
        if gap:
            out.append(_Item("", "air gap", "gap"))
        else:
            out.append(_Item(name, thickness(layer.thickness_nm), kind))
    if stack.substrate.name != "air":
        out.append(_Item(stack.substrate.name, "half-space", "medium"))
    holder = result.exposure.geometry.holder
    if holder is not None:
        out += [
            _Item("", "gap", "gap"),
            _Item("holder", f"{100 * holder.reflectance:.3g} %, {holder.kind}", "holder"),
        ]
    return out


def stacks_sheet(result: RunResult, cases: Sequence[Case]) -> Sheet | None:
    """Every stack that is compared, two beside each other."""
    sides = [side for case in cases for side in case.sides]
    if not sides:
        question = result.scenario.question
        for run in result.exposures.values():
            known = [n for n in (question.layer, question.coupon_layer) if n in run.stack.names]
            sides.append((run.exposure.stack.name, run, known[0] if known else ""))
    # Drawn once where stack and filters are the same; the holder of the first is shown.
    drawn: dict[Any, tuple[str, ExposureResult, str]] = {}
    for label, run, layer in sides:
        exposure = run.exposure
        mounted = tuple((f.item.name, f.mount) for f in exposure.filters)
        key = (label, exposure.stack.name, exposure.geometry.lit_from, mounted)
        drawn.setdefault(key, (label, run, layer))
    columns = list(drawn.values())
    columns = columns[:4]
    if not columns:
        return None
    rows = [columns[i : i + 2] for i in range(0, len(columns), 2)]
    heights = [max(_column_height(run, layer) for _, run, layer in row) for row in rows]
    sheet = Sheet(sum(heights) + 0.2 + 0.15 * (len(rows) - 1))
    top = 0.0
    for row, height in zip(rows, heights, strict=True):
        width = (INNER_IN - 0.2) / 2
        for i, (label, run, layer) in enumerate(row):
            _draw_stack(sheet, MARGIN_IN + i * (width + 0.2), top, width, label, run, layer)
        top += height + 0.15
    sheet.text(MARGIN_IN, sheet.height_in - 0.09, "Layers are not drawn to scale.", size=SMALL_PT)
    return sheet


def _column_height(run: ExposureResult, layer: str) -> float:
    items = _items(run, layer)
    rear = 0.3 if run.exposure.geometry.rear_share > 0 else 0.0
    return 0.78 + sum(_GAP_IN if i.kind == "gap" else _BOX_IN for i in items) + rear + 0.1


def _draw_stack(
    sheet: Sheet,
    left: float,
    top: float,
    width: float,
    label: str,
    run: ExposureResult,
    layer: str,
) -> None:
    exposure = run.exposure
    color = SIDES.get(label, {"color": INK})["color"]
    title = label
    if exposure.stack.name != label:
        title = f"{label}: {exposure.stack.name}"
    sheet.text(left, top + 0.2, fit(title, width, bold=True), bold=True, color=color)
    geometry = exposure.geometry
    where = "" if geometry.lit_from == "front" else " (lit from the back)"
    if geometry.angle_deg > 0:
        where += f", {geometry.angle_deg:g}°"
    sheet.text(left + 0.22, top + 0.47, fit(f"light{where}", width - 0.22, SMALL_PT), size=SMALL_PT)
    sheet.arrow(left + 0.1, top + 0.3, top + 0.64, 1.4)
    y = top + 0.68
    for item in _items(run, layer):
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
    if geometry.rear_share > 0:
        sheet.arrow(left + 0.1, y + 0.3, y + 0.04, 1.0)
        sheet.text(
            left + 0.22,
            y + 0.22,
            fit(f"rear light, {100 * geometry.rear_share:.3g} % of front", width - 0.22, SMALL_PT),
            size=SMALL_PT,
        )


# 2 spectra -----------------------------------------------------------------------------------


def _inside(grid: Real, band: BandNm) -> Real:
    return union_grid(band[0], band[1], [grid])


def _lights(result: RunResult) -> list[Spectrum]:
    """The lights in use: the main comparison's first."""
    ordered: list[ExposureResult] = []
    for comparison in result.comparisons:
        ordered += [comparison.device, comparison.coupon]
    ordered += list(result.exposures.values())
    found: dict[str, Spectrum] = {}
    for run in ordered:
        found.setdefault(run.exposure.light.name, run.exposure.light)
    return list(found.values())[:MOST_LIGHTS]


def _light_styles(names: Sequence[str]) -> dict[str, dict[str, Any]]:
    return {
        name: {"color": LIGHTS[i % 4], "linestyle": LINES[i % 4]} for i, name in enumerate(names)
    }


def external_transmittance(
    item: Filter | FilterStack, wavelength_nm: Real
) -> tuple[Real, Real] | None:
    """A filter in air where it is known: wavelengths [nm] and external transmittance."""
    lam = wavelength_nm
    try:
        if isinstance(item, FilterStack):
            alone = Stack("air", item.layers, "air", name=item.name)  # type: ignore[arg-type]
            return lam, respond(alone, Geometry(), lam).transmittance
        low, high = item.range_nm
        if item.below == "refuse":
            lam = lam[lam >= low]
        if item.above == "refuse":
            lam = lam[lam <= high]
        return (lam, item.external(lam)) if lam.size > 1 else None
    except OptistackError:
        return None


def spectra_sheet(result: RunResult, data: Json) -> Sheet | None:
    """Photon flux of the lights above, transmittance of the filters below."""
    lights = _lights(result)
    view = VIEW_NM
    if not any(light.lit_range_nm[0] < view[1] for light in lights):
        return None
    curves = _filter_curves(result, data)
    per_column = -(-len(curves) // 2)
    upper, lower = 1.45, 1.35
    low_part = 0.36 + lower + 0.44 + per_column * LINE_IN + 0.1 if curves else 0.44
    head = 0.5
    sheet = Sheet(head + upper + low_part)
    axes = sheet.axes(0.5, head, WIDTH_IN - 0.5 - 0.15, upper)
    styles = _light_styles([light.name for light in lights])
    top = 0.0
    drawn = []
    for light in lights:
        lam = _inside(light.wavelength_nm, view)
        shapes = [photon_flux_curve(s, lam) for s in (light, *light.variants)]
        if max(s.max() for s in shapes) <= 0:
            continue
        drawn.append((light, lam, shapes))
        top = max(top, *(float(s.max()) for s in shapes))
    scale, power = power_of_ten(top)
    for light, lam, shapes in drawn:
        style = styles[light.name]
        if len(shapes) > 1:
            axes.fill_between(
                lam,
                np.min(shapes, axis=0) / scale,
                np.max(shapes, axis=0) / scale,
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
    sheet.key(0.2, [(light.name, styles[light.name]) for light, _, _ in drawn])
    unit = f"{power} photons/(m² s nm)".strip()
    sheet.y_label(axes, f"photon flux ({unit})")
    if curves:
        _draw_transmittances(sheet, curves, head + upper + 0.36, lower, view)
    return sheet


def _filter_curves(result: RunResult, data: Json) -> list[tuple[str, str, Real, Real]]:
    """(numbers, name, wavelength, external transmittance), the numbers as in the table."""
    numbers: dict[str, list[int]] = {}
    for row in data["filters"]:
        known = numbers.setdefault(row["name"], [])
        if row["number"] not in known:
            known.append(row["number"])
    items: dict[str, Filter | FilterStack] = {}
    for entry in result.scenario.question.candidates if result.filters is not None else ():
        items.setdefault(entry.item.name, entry.item)
    for run in result.exposures.values():
        for entry in run.exposure.filters:
            items.setdefault(entry.item.name, entry.item)
    out = []
    for name, item in items.items():
        nodes = item.nodes_nm if isinstance(item, Filter) else np.empty(0)
        lam = union_grid(*VIEW_NM, [np.arange(VIEW_NM[0], VIEW_NM[1] + 1.0), nodes])
        curve = external_transmittance(item, lam)
        if curve is not None:
            marks = ", ".join(str(n) for n in numbers.get(name, []))
            out.append((marks, name, *curve))
    return out[:12]


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
