"""The figures of a report. Each takes the results and returns a finished figure, or None."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from optistack.analysis.compare import Comparison
from optistack.errors import OptistackError, RangeError
from optistack.exposure import ExposureResult, Geometry, respond
from optistack.filters import Filter
from optistack.report.drawing import (
    ASKED,
    COUPON,
    CURVES,
    DEVICE,
    FAINT_INK,
    GRID,
    HATCHES,
    INK,
    LIGHTS,
    LINE_IN,
    LINES,
    MARGIN_IN,
    MARKERS,
    PALE,
    SMALL_PT,
    TINTS,
    WIDTH_IN,
    Drawn,
    Sheet,
    fit,
    house_style,
    legible,
    linear_axis,
    log_axis,
    place_labels,
    text_width_in,
    wrap,
)
from optistack.report.wording import mount_text, number, parts, percent, thickness
from optistack.scenario import RunResult
from optistack.spectra import BandNm, Spectrum
from optistack.spectral_math import PHOTON_J_NM, union_grid
from optistack.stack import FilterStack, Stack

Real = NDArray[np.float64]
Json = dict[str, Any]

INNER_IN = WIDTH_IN - 2 * MARGIN_IN
VIEW_NM: BandNm = (280.0, 500.0)
MOST_LIGHTS = 4
_SIDES: dict[str, dict[str, Any]] = {
    "coupon": {"color": COUPON, "linestyle": LINES[1]},
    "device": {"color": DEVICE, "linestyle": LINES[0]},
}


class _Case(NamedTuple):
    """A comparison as the figures need it."""

    comparison: Comparison
    data: Json

    @property
    def sides(self) -> tuple[tuple[str, ExposureResult, str], ...]:
        c = self.comparison
        return (("coupon", c.coupon, c.coupon_layer), ("device", c.device, c.layer))


def draw_figures(
    result: RunResult, data: Json, progress: Callable[[str], None]
) -> Iterator[Drawn]:
    """Every figure for which there are data, in the order of the report.

    Parameters
    ----------
    result : RunResult
    data : dict
        From `optistack.report.results_json`.
    progress : callable
    """
    cases = [
        _Case(c, d)
        for c, d in zip(result.comparisons, data["comparisons"], strict=True)
    ][:MOST_LIGHTS]
    drawers: tuple[tuple[str, Callable[[], Sheet | None], str], ...] = (
        ("stacks", lambda: _stacks(result, cases), "Layers of the stacks in the order of the light"),
        ("spectra", lambda: _spectra(result, data),
         "Photon flux of every light and transmittance of every filter against wavelength"),
        ("budget", lambda: _budget(result, data, cases),
         "Share of the incident photons that each layer takes, as bars"),
        ("absorbed", lambda: _absorbed(data, cases),
         "Photons absorbed in the layer against wavelength, coupon and device"),
        ("depth", lambda: _depth(data, cases),
         "Photons absorbed per volume against depth in the layer, coupon and device"),
        ("why", lambda: _why(data, cases),
         "Three factors and their product, the ratio device over coupon, on a logarithmic axis"),
        ("filters", lambda: _trade_off(data),
         "Dose left behind each filter against the photocurrent it costs"),
        ("certainty", lambda: _certainty(data, cases),
         "Ratio device over coupon for every spectral weight and for changed k of the layer"),
    )
    for i, (key, draw, alt) in enumerate(drawers, start=1):
        with house_style():
            sheet = draw()
            if sheet is None:
                continue
            progress(f"figure {key}")
            done = sheet.finish(f"figure_{i}_{key}", key, alt)
        yield done


def _headline(data: Json) -> tuple[str, BandNm] | None:
    """The headline band as key and limits."""
    key = data["question"]["headline_band"]
    if key is None:
        return None
    low, high = key.split("-")
    return key, (float(low), float(high))


# 1 stacks ------------------------------------------------------------------------------------

_BOX_IN = 0.25
_GAP_IN = 0.16


class _Item(NamedTuple):
    """One box of a stack's drawing."""

    name: str
    note: str
    kind: str  # "layer", "asked", "filter", "gap", "medium", "holder"


def _items(result: ExposureResult, asked: str | None) -> list[_Item]:
    stack = result.stack
    out: list[_Item] = []
    for far in result.far:
        out += [_Item(f"filter {far.name}", "", "filter"), _Item("", "far away, at the lamp", "gap")]
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


def _stacks(result: RunResult, cases: Sequence[_Case]) -> Sheet | None:
    """Every stack that is compared, two beside each other."""
    columns: list[tuple[str, ExposureResult, str | None]] = []
    seen: set[Any] = set()
    sides = [side for case in cases for side in case.sides]
    if not sides:
        question = result.scenario.question
        for run in result.exposures.values():
            known = [n for n in (question.layer, question.coupon_layer) if n in run.stack.names]
            sides.append((run.exposure.stack.name, run, known[0] if known else ""))
    for label, run, layer in sides:
        key = (label, *(_Item(i.name, i.note, i.kind) for i in _items(run, layer)))
        bare = tuple(i for i in key[1:] if isinstance(i, _Item) and i.kind != "holder")
        bare = tuple(i for i in bare if i.note != "gap")
        if bare in seen:
            continue
        seen.add(bare)
        columns.append((label, run, layer))
    columns = columns[:4]
    if not columns:
        return None
    rows = [columns[i : i + 2] for i in range(0, len(columns), 2)]
    heights = [max(_column_height(run, layer) for _, run, layer in row) for row in rows]
    sheet = Sheet(sum(heights) + 0.3 + 0.15 * (len(rows) - 1))
    axes = sheet.canvas()
    top = 0.0
    for row, height in zip(rows, heights, strict=True):
        width = (INNER_IN - 0.2) / 2
        for i, (label, run, layer) in enumerate(row):
            _draw_stack(sheet, axes, MARGIN_IN + i * (width + 0.2), top, width, label, run, layer)
        top += height + 0.15
    sheet.text(
        MARGIN_IN, sheet.height_in - 0.09, "Layers are not drawn to scale.", size=SMALL_PT
    )
    return sheet


def _column_height(run: ExposureResult, layer: str | None) -> float:
    items = _items(run, layer)
    rear = 0.3 if run.exposure.geometry.rear_share > 0 else 0.0
    return 0.78 + sum(_GAP_IN if i.kind == "gap" else _BOX_IN for i in items) + rear + 0.1


def _draw_stack(
    sheet: Sheet, axes: Axes, left: float, top: float, width: float, label: str,
    run: ExposureResult, layer: str | None,
) -> None:
    exposure = run.exposure
    color = _SIDES.get(label, {"color": INK})["color"]
    title = label
    if exposure.stack.name != label:
        title = f"{label}: {exposure.stack.name}"
    sheet.text(left, top + 0.2, fit(title, width, bold=True), bold=True, color=color)
    geometry = exposure.geometry
    where = "" if geometry.lit_from == "front" else " (lit from the back)"
    if geometry.angle_deg > 0:
        where += f", {geometry.angle_deg:g}°"
    sheet.text(left + 0.22, top + 0.47, fit(f"light{where}", width - 0.22, SMALL_PT), size=SMALL_PT)
    axes.annotate(
        "", (left + 0.1, top + 0.64), (left + 0.1, top + 0.3),
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.4, "shrinkA": 0, "shrinkB": 0},
    )
    y = top + 0.68
    for item in _items(run, layer):
        if item.kind == "gap":
            sheet.text(
                left + width / 2, y + _GAP_IN / 2, fit(item.note, width, SMALL_PT), size=SMALL_PT,
                ha="center", va="center",
            )
            y += _GAP_IN
            continue
        face, edge, hatch = {
            "asked": (ASKED, ASKED, ""),
            "filter": ("#fff4d6", "#966400", "////"),
            "medium": ("#eef1f3", PALE, ""),
            "holder": ("#ffffff", PALE, "xxxx"),
        }.get(item.kind, ("#f6f8f9", PALE, ""))
        axes.add_patch(
            Rectangle(
                (left, y), width, _BOX_IN, facecolor=face,
                edgecolor=GRID if hatch else edge, linewidth=0, hatch=hatch,
            )
        )
        axes.add_patch(
            Rectangle(
                (left, y), width, _BOX_IN, facecolor="none", edgecolor=edge, linewidth=0.8,
            )
        )
        bold = item.kind == "asked"
        ink = "white" if bold else INK
        note_width = text_width_in(item.note, SMALL_PT)
        name = fit(item.name, width - note_width - 0.26, SMALL_PT, bold=bold)
        middle = y + _BOX_IN / 2
        if hatch:  # words stay readable on a hatched box
            for x, w in ((left + 0.04, text_width_in(name, SMALL_PT, bold) + 0.08),
                         (left + width - note_width - 0.12, note_width + 0.08)):
                if w > 0.1:
                    axes.add_patch(
                        Rectangle(
                            (x, y + 0.03), w, _BOX_IN - 0.06, facecolor=face, linewidth=0
                        )
                    )
        sheet.text(left + 0.08, middle, name, size=SMALL_PT, va="center", bold=bold, color=ink)
        sheet.text(
            left + width - 0.08, middle, item.note, size=SMALL_PT, ha="right", va="center",
            color=ink,
        )
        y += _BOX_IN
    if geometry.rear_share > 0:
        axes.annotate(
            "", (left + 0.1, y + 0.04), (left + 0.1, y + 0.3),
            arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.0, "shrinkA": 0, "shrinkB": 0},
        )
        sheet.text(
            left + 0.22, y + 0.22,
            fit(f"rear light, {100 * geometry.rear_share:.3g} % of front", width - 0.22, SMALL_PT),
            size=SMALL_PT,
        )


# 2 spectra -----------------------------------------------------------------------------------


def _flux(light: Spectrum, lam: Real) -> Real:
    """Spectral photon flux [1/(m2 s nm)], zero outside the samples."""
    values = np.interp(
        lam, light.wavelength_nm, light.spectral_irradiance_w_m2_nm, left=0.0, right=0.0
    )
    return np.asarray(values * lam / PHOTON_J_NM)


def _inside(grid: Real, band: BandNm) -> Real:
    return union_grid(band[0], band[1], [grid])


def _scaled(top: float) -> tuple[float, str]:
    """A power of ten to divide by, and its text for the axis."""
    power = int(np.floor(np.log10(top))) if top > 0 else 0
    return 10.0**power, f"10{number(1.2 * 10.0**power).split('10')[-1]}" if power >= 5 else ""


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
    except (RangeError, OptistackError):
        return None


def _spectra(result: RunResult, data: Json) -> Sheet | None:
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
        shapes = [_flux(s, lam) for s in (light, *light.variants)]
        if max(s.max() for s in shapes) <= 0:
            continue
        drawn.append((light, lam, shapes))
        top = max(top, *(float(s.max()) for s in shapes))
    scale, power = _scaled(top)
    for light, lam, shapes in drawn:
        style = styles[light.name]
        if len(shapes) > 1:
            axes.fill_between(
                lam, np.min(shapes, axis=0) / scale, np.max(shapes, axis=0) / scale,
                color=style["color"], alpha=0.22, linewidth=0,
            )
        axes.plot(lam, shapes[0] / scale, **{**style, "linewidth": 1.2})
    axes.set_xlim(*view)
    linear_axis(axes, "y", 0.0, 1.06 * top / scale, 4)
    linear_axis(axes, "x", *view, 6)
    if not curves:
        axes.set_xlabel("wavelength (nm)")
    else:
        axes.tick_params(labelbottom=False)
    sheet.key(0.2, [(light.name, styles[light.name]) for light, _, _ in drawn])
    unit = f"{power} photons/(m² s nm)".strip()
    sheet.y_label(axes, f"photon flux ({unit})")
    if curves:
        _draw_transmittances(sheet, curves, head + upper + 0.36, lower, view)
    return sheet


def _filter_curves(
    result: RunResult, data: Json
) -> list[tuple[str, str, Real, Real]]:
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
    sheet: Sheet, curves: Sequence[tuple[str, str, Real, Real]], top: float, height: float,
    view: BandNm,
) -> None:
    axes = sheet.axes(0.5, top, WIDTH_IN - 0.5 - 0.15, height)
    axes.set_xlabel("wavelength (nm)")
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
                x, y, marks, fontsize=SMALL_PT, fontweight="bold", color=style["color"],
                ha="center", va="center", zorder=5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.9},
            )
    below = top + height + 0.44 + 0.13
    half = INNER_IN / 2
    per_column = -(-len(curves) // 2)
    for i, (marks, name, _, _) in enumerate(curves):
        style = {"color": CURVES[i % len(CURVES)], "linestyle": LINES[(i // 2) % len(LINES)]}
        text = f"{marks}  {name}" if marks else name
        sheet.key(
            below + (i % per_column) * LINE_IN, [(text, style)],
            left=MARGIN_IN + (i // per_column) * half, width=half,
        )


def _spots_on_curves(
    curves: Sequence[tuple[str, str, Real, Real]], inch_per_nm: float, inch_per_unit: float
) -> list[tuple[float, float]]:
    """For each curve the point, on its slope, that is farthest from all others and their labels."""
    lines = [np.stack([lam * inch_per_nm, t * inch_per_unit]) for _, _, lam, t in curves]
    out: list[tuple[float, float]] = []
    taken: list[tuple[float, float]] = []
    for i, (marks, _, lam, t) in enumerate(curves):
        steep = np.flatnonzero((t > 0.08 * t.max()) & (t < 0.92 * t.max()))
        if not steep.size:
            steep = np.array([t.size // 2])
        steep = steep[:: max(1, steep.size // 25)]
        wide = text_width_in(marks, SMALL_PT, True) / 2
        best, most = int(steep[0]), -np.inf
        for at in steep:
            here = lines[i][:, at]
            # Clear of the text's own width as well as its height.
            room = [
                float(np.hypot(np.maximum(np.abs(o[0] - here[0]) - wide, 0), o[1] - here[1]).min())
                for j, o in enumerate(lines) if j != i
            ]
            room += [
                float(np.hypot(max(abs(x - here[0]) - 2 * wide, 0.0), y - here[1])) for x, y in taken
            ]
            edge = min(here[1], 1.02 * inch_per_unit - here[1]) - 0.09
            least = min([*room, 0.3]) + 0.1 * min(edge, 0.3)
            if least > most:
                best, most = int(at), least
        taken.append((float(lines[i][0, best]), float(lines[i][1, best])))
        out.append((float(lam[best]), float(t[best])))
    return out


# 3 where the photons go ----------------------------------------------------------------------


def _budget(result: RunResult, data: Json, cases: Sequence[_Case]) -> Sheet | None:
    """A bar per exposure: shares of the incident photons, in light order."""
    headline = _headline(data)
    if headline is None:
        return None
    band, limits = headline
    bars: dict[str, tuple[str, ExposureResult, str | None]] = {}
    for case in cases:
        for side, run, layer in case.sides:
            bars.setdefault(run.exposure.name, (side, run, layer))
    if not bars:
        for name, run in list(result.exposures.items())[:6]:
            asked = next((x["name"] for x in data["exposures"][name]["layers"] if x["asked"]), None)
            bars[name] = (run.exposure.stack.name, run, asked)
    rows = []
    for side, run, layer in bars.values():
        shares = run.budget(limits)
        if shares:
            rows.append((side, run, layer, shares))
    if not rows:
        return None
    tints: dict[str, tuple[str, str]] = {}
    for _, _, layer, shares in rows:
        for name in shares:
            if name not in ("reflected", "transmitted", layer) and name not in tints:
                i = len(tints)
                tints[name] = (TINTS[i % len(TINTS)], HATCHES[(i // len(TINTS)) % len(HATCHES)])
    bar_h = 0.36
    blocks = []
    for side, run, layer, shares in rows:
        segments, rest = _segments(shares, layer)
        blocks.append((side, run, layer, segments, wrap(rest, INNER_IN, SMALL_PT, most=3)))
    height = 0.1 + sum(0.22 + bar_h + 0.04 + LINE_IN * len(b[4]) + 0.14 for b in blocks) + 0.58
    sheet = Sheet(height)
    axes = sheet.canvas()
    y = 0.1
    for side, run, layer, segments, lines in blocks:
        title = f"{side}, {run.exposure.light.name}"
        if run.exposure.filters:
            title += f", {run.exposure.filter_name}"
        sheet.text(MARGIN_IN, y + 0.14, fit(title, INNER_IN, bold=True), bold=True,
                   color=_SIDES.get(side, {"color": INK})["color"])
        y += 0.22
        x = MARGIN_IN
        for name, share, label in segments:
            width = share * INNER_IN
            face, hatch = tints.get(name, ("#ffffff", ""))
            if name == layer:
                face, hatch = ASKED, ""
            elif name == "transmitted":
                face, hatch = "#ffffff", "//"
            axes.add_patch(
                Rectangle(
                    (x, y), width, bar_h, facecolor=face, edgecolor="#b9c0c5", hatch=hatch,
                    linewidth=0.5,
                )
            )
            if label:
                ink = "white" if name == layer else INK
                pad = {"facecolor": face, "edgecolor": "none", "pad": 1.0}
                axes.text(
                    x + width / 2, y + bar_h / 2, label, fontsize=SMALL_PT, ha="center",
                    va="center", color=ink, bbox=pad if hatch else None,
                )
            x += width
        y += bar_h + 0.04
        for i, line in enumerate(lines):
            x = MARGIN_IN
            first, comma, after = line.partition(", ")
            if i == 0 and layer is not None and first.startswith(fit(layer, 1.6, SMALL_PT)):
                sheet.text(x, y + 0.12, first, size=SMALL_PT, color=ASKED)
                x += text_width_in(first, SMALL_PT)
                line = comma + after
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
    shares: dict[str, float], layer: str | None
) -> tuple[list[tuple[str, float, str]], list[str]]:
    """(name, share, label) in light order, and what must be written under the bar."""
    order = [n for n in shares if n not in ("reflected", "transmitted")]
    order = ["reflected", *order, "transmitted"]
    segments, rest = [], []
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


def _absorbed(data: Json, cases: Sequence[_Case]) -> Sheet | None:
    """One panel per comparison: what the layer absorbs at each wavelength."""
    headline = _headline(data)
    if headline is None or not cases:
        return None
    _, limits = headline
    panel = 1.3
    sheet = Sheet(0.1 + len(cases) * (0.5 + panel) + (len(cases) - 1) * 0.12 + 0.46)
    top = 0.1
    for i, case in enumerate(cases):
        axes = sheet.axes(0.5, top + 0.5, WIDTH_IN - 0.65, panel)
        highest = 0.0
        curves = []
        for side, run, layer in case.sides:
            light = run.exposure.light
            low = max(limits[0], run.wavelength_nm[0])
            high = min(limits[1], run.wavelength_nm[-1])
            lam = union_grid(low, high, [run.wavelength_nm, light.wavelength_nm])
            share = np.interp(lam, run.wavelength_nm, run.layer_absorptance(layer))
            shapes = np.array([_flux(s, lam) * share for s in run.lights])
            highest = max(highest, float(shapes.max()))
            curves.append((side, lam, shapes))
        scale, power = _scaled(highest)
        for side, lam, shapes in curves:
            style = _SIDES[side]
            if len(shapes) > 1:
                axes.fill_between(
                    lam, shapes.min(axis=0) / scale, shapes.max(axis=0) / scale,
                    color=style["color"], alpha=0.22, linewidth=0,
                )
            axes.plot(lam, shapes[0] / scale, **style)
        linear_axis(axes, "x", *limits, 7)
        linear_axis(axes, "y", 0.0, 1.06 * highest / scale if highest > 0 else 1.0, 4)
        if i == len(cases) - 1:
            axes.set_xlabel("wavelength (nm)")
        else:
            axes.tick_params(labelbottom=False)
        title = fit(case.comparison.light, INNER_IN - 1.9, bold=True)
        sheet.text(MARGIN_IN, top + 0.14, title, bold=True)
        sheet.key(top + 0.14, list(_SIDES.items()), left=WIDTH_IN - 1.8, width=1.7)
        sheet.y_label(
            axes,
            f"absorbed in {fit(case.comparison.layer, 1.3, SMALL_PT)} "
            f"({power} photons/(m² s nm))".replace("( ", "("),
        )
        top += 0.5 + panel + 0.12
    return sheet


# 5 depth profile -----------------------------------------------------------------------------


class _Profile(NamedTuple):
    """Absorbed photons per volume of one side; ``faces``: depth, value, alignment of its label."""

    side: str
    thickness_nm: float
    depth_nm: Real
    rate: Real
    faces: tuple[tuple[float, float | None, str], ...]


def _depth(data: Json, cases: Sequence[_Case]) -> Sheet | None:
    """Absorbed photons per volume against depth, with the first nanometre at each face."""
    headline = _headline(data)
    if headline is None:
        return None
    band, limits = headline
    panels = []
    for case in cases:
        curves = []
        for side, run, layer in case.sides:
            thick = run.stack.layers[run.stack.position(layer)].thickness_nm
            entry = next(x for x in data["exposures"][run.exposure.name]["layers"]
                         if x["name"] == layer)
            faces = entry.get("first_nanometre", {}).get(band)
            if faces is None:
                continue
            # Closer together at the faces, where an absorbing layer changes fastest.
            depth = thick * (1 - np.cos(np.linspace(0, np.pi, 25))) / 2
            rate = run.depth_profile(layer, depth, limits)
            near, far = faces["lit_face_photons_m3_s"], faces["far_face_photons_m3_s"]
            half = min(0.5, thick / 2)
            ends = ((half, near, "left"), (thick - half, far, "right"))
            if (rate > 0).any():
                curves.append(_Profile(side, thick, depth, rate, ends))
        if curves:
            panels.append((case, curves))
    if not panels:
        return None
    columns = min(2, len(panels))
    rows = -(-len(panels) // 2)
    rates = np.concatenate([c.rate for _, cs in panels for c in cs])
    power = 10.0 ** np.floor(np.log10(rates.max()))
    low, high = _padded(float(rates[rates > 0].min() / power), float(rates.max() / power), 2.2)
    left, panel = 0.5, 2.0
    width = (WIDTH_IN - left - 0.15 - 0.2 * (columns - 1)) / columns
    sheet = Sheet(0.68 + rows * (panel + 0.26) + (rows - 1) * 0.25 + 0.42)
    sheet.key(0.2, [(s, {**v, "marker": "o", "markersize": 4}) for s, v in _SIDES.items()])
    layer = fit(panels[0][0].comparison.layer, 1.4, SMALL_PT)
    unit = f"{_scaled(power)[1]} photons/(m³ s)".strip()
    text = f"absorbed in {layer}, {band} nm ({unit})"
    sheet.text(MARGIN_IN, 0.4, fit(text, INNER_IN, SMALL_PT), size=SMALL_PT)
    widest = max(c.thickness_nm for _, cs in panels for c in cs)
    length, scale = ("nm", 1.0) if widest < 5e3 else ("µm", 1e3) if widest < 5e5 else ("mm", 1e6)
    for i, (case, curves) in enumerate(panels):
        x = left + (i % 2) * (width + 0.2)
        top = 0.68 + (i // 2) * (panel + 0.51)
        axes = sheet.axes(x, top, width, panel)
        log_axis(axes, "y", low, high, 5)
        linear_axis(axes, "x", 0.0, widest / scale, 4)
        axes.set_xlim(-0.03 * widest / scale, 1.03 * widest / scale)
        if i % 2:
            axes.tick_params(labelleft=False)
        if i // 2 == rows - 1:
            axes.set_xlabel(fit(f"depth from the lit side ({length})", width + 0.1))
        sheet.text(x, top - 0.07, fit(case.comparison.light, width, bold=True), bold=True)
        ordered = sorted(curves, key=lambda c: -float(np.median(c.rate)))
        for rank, curve in enumerate(ordered):
            style = _SIDES[curve.side]
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
                    number(value / power), (at / scale, y), (0, 5 if up else -5),
                    textcoords="offset points", fontsize=SMALL_PT, color=style["color"], ha=ha,
                    va="bottom" if up else "top", annotation_clip=False,
                )
    return sheet


def _padded(low: float, high: float, factor: float) -> tuple[float, float]:
    """Limits of a logarithmic axis with room for labels, at least a decade or so."""
    low, high = low / factor, high * factor
    if high / low < 8:
        middle = np.sqrt(low * high)
        low, high = middle / np.sqrt(8), middle * np.sqrt(8)
    return float(low), float(high)


# 6 why ---------------------------------------------------------------------------------------


def _why(data: Json, cases: Sequence[_Case]) -> Sheet | None:
    """Three factors and their product about 1, one mark per light."""
    headline = _headline(data)
    if headline is None:
        return None
    band = headline[0]
    shown = [(c.comparison.light, c.data["why"].get(band)) for c in cases]
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
    low, high = _padded(min(*values, 1.0), max(*values, 1.0), 1.0)
    # Room for the number beside the outermost mark, whichever side it is on.
    room = (high / low) ** 0.24
    log_axis(axes, "x", low / room, high * room, 5)
    axes.set_ylim(height, 0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.axvline(1.0, color=INK, linewidth=0.9)
    for j, (label, key) in enumerate(factors):
        bold = key == "ratio"
        sheet.text(
            MARGIN_IN, top + (j + 0.5) * row, fit(label, left - 0.15, SMALL_PT, bold=bold),
            size=SMALL_PT, va="center", bold=bold,
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
                number(value), (value, y), (-7 if below else 7, 0), textcoords="offset points",
                fontsize=SMALL_PT, ha="right" if below else "left", va="center", color=LIGHTS[i],
                fontweight="bold" if bold else "normal", annotation_clip=False,
            )
    axes.set_xlabel(f"factor in the ratio device / coupon, {band} nm", x=0.5)
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


def _trade_off(data: Json) -> Sheet | None:
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
    positive = [
        x for r in usable for x in parts(r["dose_left"][band])[:3] if x is not None and x > 0
    ]
    if not positive:
        return None
    low, high = _padded(min(positive), max(positive), 1.6)
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
        MARGIN_IN, 0.2,
        fit(f"absorbed photons left in {fit(usable[0]['layer'], 1.4, SMALL_PT)}, {band} nm, share",
            INNER_IN, SMALL_PT), size=SMALL_PT,
    )
    for i, exposure in enumerate(exposures):
        here = [r for r in usable if r["exposure"] == exposure]
        x = left + (i % 2) * (width + 0.2)
        top = 0.62 + (i // 2) * (panel + foot + 0.2)
        axes = sheet.axes(x, top, width, panel)
        sheet.text(x, top - 0.08, fit(here[0]["light"], width, bold=True), bold=True)
        log_axis(axes, "y", low, high, 6)
        if i % 2:
            axes.tick_params(labelleft=False)
        spans = [v for r in here for v in parts(r["photocurrent_lost_ma_cm2"])[:3] if v is not None]
        first, last = min(0.0, *spans), max(0.0, *spans)
        pad = 0.14 * (last - first) if last > first else 0.5
        linear_axis(axes, "x", first - pad, last + pad, 4)
        if first < 0:
            axes.axvline(0.0, color=PALE, linewidth=0.9)
        axes.set_xlabel("photocurrent lost (mA/cm²)")
        _draw_choices(sheet, axes, here, band, (low, high), (first - pad, last + pad),
                      (x, top, width, panel), MARKERS[i])
    y = 0.62 + rows * (panel + foot) + (rows - 1) * 0.2 + 0.05
    kept = {r["number"] for r in usable if not r["dominated"]}
    for n, name in sorted(names.items()):
        ink = INK if n in kept else FAINT_INK
        sheet.text(
            MARGIN_IN + 0.2, y + 0.12, str(n), size=SMALL_PT, bold=True, ha="right", color=ink
        )
        sheet.text(
            MARGIN_IN + 0.28, y + 0.12, fit(name, INNER_IN - 0.3, SMALL_PT), size=SMALL_PT,
            color=ink,
        )
        y += LINE_IN
    if any(r["dominated"] for r in usable):
        sheet.text(
            MARGIN_IN, y + 0.14, "open: another filter is better in both", size=SMALL_PT,
            color=FAINT_INK,
        )
    return sheet


def _draw_choices(
    sheet: Sheet, axes: Axes, rows: Sequence[Json], band: str, y_limits: tuple[float, float],
    x_limits: tuple[float, float], frame: tuple[float, float, float, float], marker: str,
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
                "", (lost, max(y / 1.9, y_limits[0])), (lost, y),
                arrowprops={"arrowstyle": "-|>", "color": color, "lw": 1.0, "shrinkA": 0,
                            "shrinkB": 0},
            )
        elif low is not None and high is not None and high > low:
            low = max(low, y_limits[0])
            axes.plot([lost, lost], [low, high], color=color, linewidth=1.1)
            bars.append((inch_x(lost) - 0.01, inch_y(low), inch_x(lost) + 0.01, inch_y(high)))
        if lost_low is not None and lost_high is not None and lost_high > lost_low:
            axes.plot([lost_low, lost_high], [y, y], color=color, linewidth=1.1)
            bars.append((inch_x(lost_low), inch_y(y) - 0.01, inch_x(lost_high), inch_y(y) + 0.01))
        axes.plot(
            [lost], [y], marker, color=color, markersize=5.5,
            markerfacecolor="white" if row["dominated"] else color, clip_on=False,
        )
        points.append((inch_x(lost), inch_y(y)))
        labels.append(str(row["number"]))
        faint.append(row["dominated"])
    spots = place_labels(points, labels, SMALL_PT, (0.02, 0.02, width - 0.02, height - 0.02), bars)
    canvas = sheet.canvas()
    for (px, py), (x, y), label, pale in zip(points, spots, labels, faint, strict=True):
        color = FAINT_INK if pale else INK
        if np.hypot(x - px, y - py) > 0.24:
            canvas.plot(
                [left + px, left + x], [top + height - py, top + height - y], color=PALE,
                linewidth=0.6,
            )
        canvas.text(
            left + x, top + height - y, label, fontsize=SMALL_PT, ha="center", va="center",
            color=color, fontweight="normal" if pale else "bold",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.2, "alpha": 0.7},
        )


# 8 how sure ----------------------------------------------------------------------------------


def _certainty(data: Json, cases: Sequence[_Case]) -> Sheet | None:
    """The ratio for every weight, and for k of the layer scaled and tilted."""
    if not cases:
        return None
    first = cases[0].data["weights"]
    band = f"{first[0]['band_nm'][0]:g}-{first[0]['band_nm'][1]:g}"
    rows: list[tuple[str, list[Any]]] = [
        (w["name"], [c.data["weighted_ratio"].get(w["name"]) for c in cases]) for w in first
    ]
    split = len(rows)
    scales = sorted({s["scale"] for c in cases for s in c.data["sensitivity"]})
    for scale in scales:
        rows.append((f"k × {scale:g}", [_tilted(c.data, scale) for c in cases]))
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
    low, high = _padded(min(*numbers, 1.0), max(*numbers, 1.0), 1.25)
    log_axis(axes, "x", low, high, 6)
    axes.set_ylim(height, 0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.axvline(1.0, color=INK, linewidth=0.9)
    sheet.text(MARGIN_IN, top - 0.07, fit(f"spectral weight, {band} nm; line: light's variants", INNER_IN, SMALL_PT,
                                          bold=True), size=SMALL_PT, bold=True)
    if scales:
        sheet.text(
            MARGIN_IN, top + split * row + gap - 0.05,
            fit(f"k of {fit(cases[0].comparison.layer, 1.4, SMALL_PT)} scaled; line: k tilted",
                INNER_IN, SMALL_PT, bold=True), size=SMALL_PT, bold=True,
        )
    for j, (label, values) in enumerate(rows):
        base = j * row + (gap if j >= split else 0.0)
        sheet.text(MARGIN_IN + 0.08, top + base + row / 2, fit(label, left - 0.25, SMALL_PT),
                   size=SMALL_PT, va="center")
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
    axes.set_xlabel("ratio device / coupon", x=0.5)
    _marker_key(sheet, 0.2, [c.comparison.light for c in cases])
    return sheet


def _tilted(data: Json, scale: float) -> Any:
    """Ratio with the first weight at a scale of k: untilted, with the range over the tilts."""
    name = data["weights"][0]["name"]
    values = {
        s["tilt"]: s["weighted_ratio"][name] for s in data["sensitivity"] if s["scale"] == scale
    }
    known = [v for v in values.values() if v is not None]
    if values.get(0.0) is None:
        return None
    return {"value": values[0.0], "low": min(known), "high": max(known), "bound": None}
