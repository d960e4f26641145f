"""The look of the figures: sizes, colours, measured text, axes in inches, PNG and SVG bytes."""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, get_font
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import Affine2D, ScaledTranslation

from optistack.report.pictures import Drawn
from optistack.report.wording import number, one_line

WIDTH_IN = 4.8
MARGIN_IN = 0.1
TEXT_PT = 9.5
SMALL_PT = 9.0
LINE_IN = 0.175
# From an axis to its numbers, and from a horizontal axis to the text below them.
_TICK_PT, _X_LABEL_PT = 7.0, 20.5
DPI = 150

INK = "#1d2226"
PALE = "#8a9197"
FAINT_INK = "#5c6670"
GRID = "#dfe3e6"
# Told apart by lightness as well as hue, and always by line style or marker too.
COUPON = "#c2410c"
DEVICE = "#155e95"
ASKED = "#a3195b"
LIGHTS = ("#1d2226", "#966400", "#00736b", "#7a4fb5")
MARKERS = ("o", "s", "^", "D")
LINES: tuple[Any, ...] = ("solid", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 1.5, 1.5, 1.5)))
CURVES = ("#155e95", "#966400", "#a3195b", "#00736b", "#7a4fb5", "#5c6670")
TINTS = ("#cfe0ee", "#f3dfb2", "#cfe8e0", "#e6d5ee", "#f3d2c6", "#dde1b8", "#d5d9de")
HATCHES = ("", "////", "....", "\\\\\\\\", "xxxx", "----", "oooo")

_FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
_REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
_SETTINGS: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": TEXT_PT,
    "text.color": INK,
    "text.parse_math": False,  # a name may hold a dollar sign
    "text.hinting": "no_hinting",  # widths as in the outlines, and quicker
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.labelsize": TEXT_PT,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.grid": False,
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "xtick.color": INK,
    "ytick.color": INK,
    "lines.linewidth": 1.6,
    "hatch.linewidth": 0.6,
    "svg.fonttype": "path",  # glyphs as outlines: the same everywhere, without any font
    "svg.hashsalt": "optistack",
    "path.simplify": True,
}
# Settings are global in matplotlib; two reports at once must not see each other's.
_LOCK = threading.Lock()


@contextmanager
def house_style() -> Iterator[None]:
    """Matplotlib's own defaults and the look of these figures, for as long as they are drawn."""
    own: Any = {
        k: v
        for k, v in matplotlib.rcParamsDefault.items()
        if not k.startswith(("backend", "interactive", "toolbar", "webagg", "keymap", "savefig"))
        and k not in ("timezone", "date.epoch", "docstring.hardcopy", "figure.max_open_warning")
    }
    with _LOCK, matplotlib.rc_context(own | _SETTINGS):
        yield


@lru_cache(maxsize=2)
def _font(bold: bool) -> Any:
    return get_font(str(_FONTS / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")))


@lru_cache(maxsize=2)
def _glyphs(bold: bool) -> frozenset[int]:
    return frozenset(_font(bold).get_charmap())


def legible(text: str, *, bold: bool = False) -> str:
    """On one line, with characters that the font lacks replaced."""
    known = _glyphs(bold)
    return "".join(c if ord(c) in known else _REPLACEMENT for c in one_line(text))


@lru_cache(maxsize=1)
def _measure() -> Any:
    canvas: Any = FigureCanvasAgg(Figure(figsize=(1, 1), dpi=DPI))
    return canvas.get_renderer()


@lru_cache(maxsize=4096)
def text_width_in(text: str, size: float = TEXT_PT, bold: bool = False) -> float:
    """Width of a line of text [inch]."""
    style = FontProperties(family="DejaVu Sans", size=size, weight="bold" if bold else "normal")
    width, _, _ = _measure().get_text_width_height_descent(text, style, False)
    return float(width) / DPI


def fit(text: str, width_in: float, size: float = TEXT_PT, *, bold: bool = False) -> str:
    """A text no wider than allowed: an ellipsis in the middle, as names often differ at the end."""
    text = legible(text, bold=bold)
    if text_width_in(text, size, bold) <= width_in:
        return text

    def shortened(letters: int) -> str:
        tail = letters * 2 // 5 if letters > 9 else 0
        return text[: letters - tail].rstrip() + "…" + text[len(text) - tail :].lstrip()

    low, high = 0, len(text) - 1
    while low < high:
        middle = (low + high + 1) // 2
        if text_width_in(shortened(middle), size, bold) <= width_in:
            low = middle
        else:
            high = middle - 1
    return shortened(low)


def wrap(words: Sequence[str], width_in: float, size: float = SMALL_PT, most: int = 3) -> list[str]:
    """Pieces joined by ", " into lines; what does not fit into ``most`` lines becomes "…"."""
    lines: list[str] = []
    current = ""
    for i, word in enumerate(words):
        trial = f"{current}, {word}" if current else word
        # Room for the sign that more follows, here or on the next line.
        more = ", …" if i < len(words) - 1 else ""
        if not current or text_width_in(trial + more, size) <= width_in:
            current = trial
            continue
        if len(lines) + 1 == most:
            return [*lines, f"{current}, …"]
        lines.append(current + ",")
        current = word
    return [*lines, current] if current else lines


class Sheet:
    """A figure laid out in inches from its upper left corner."""

    def __init__(self, height_in: float):
        self.height_in = height_in
        self.figure = Figure(figsize=(WIDTH_IN, height_in), facecolor="white")
        down = Affine2D().scale(1 / WIDTH_IN, -1 / height_in).translate(0, 1)
        self._inches = down + self.figure.transFigure

    def axes(self, left: float, top: float, width: float, height: float) -> Axes:
        """Axes whose upper left corner is at (left, top)."""
        axes: Axes = self.figure.add_axes(
            (
                left / WIDTH_IN,
                1 - (top + height) / self.height_in,
                width / WIDTH_IN,
                height / self.height_in,
            )
        )
        # Ticks as matplotlib keeps them, each with two marks, a line and two labels, take most of
        # the time of a figure; `log_axis` and `linear_axis` write the numbers and one grid.
        axes.xaxis.set_visible(False)
        axes.yaxis.set_visible(False)
        return axes

    def box(self, left: float, top: float, width: float, height: float, **style: Any) -> None:
        """A rectangle in inches from the upper left corner."""
        self.figure.add_artist(
            Rectangle((left, top), width, height, transform=self._inches, **style)
        )

    def line(self, xs: Sequence[float], ys: Sequence[float], **style: Any) -> None:
        """A line or markers in inches from the upper left corner."""
        self.figure.add_artist(Line2D(xs, ys, transform=self._inches, **style))

    def arrow(self, x: float, start: float, end: float, width: float) -> None:
        """An upright arrow in inches from the upper left corner."""
        down = 1 if end > start else -1
        self.line(
            [x, x], [start, end - 0.1 * down], color=INK, linewidth=width, solid_capstyle="butt"
        )
        self.figure.add_artist(
            Polygon(
                [(x - 0.045, end - 0.12 * down), (x + 0.045, end - 0.12 * down), (x, end)],
                closed=True,
                facecolor=INK,
                linewidth=0,
                transform=self._inches,
            )
        )

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = TEXT_PT,
        bold: bool = False,
        color: str = INK,
        ha: str = "left",
        va: str = "baseline",
        pad: dict[str, Any] | None = None,
    ) -> None:
        """Text at (x, y) inches from the upper left corner."""
        self.figure.text(
            x / WIDTH_IN,
            1 - y / self.height_in,
            text,
            fontsize=size,
            color=color,
            ha=ha,
            va=va,
            fontweight="bold" if bold else "normal",
            bbox=pad,
        )

    def x_label(self, axes: Axes, text: str, at: float = 0.5) -> None:
        """What the horizontal axis shows, below its numbers; ``at``: 0 left to 1 right."""
        axes.text(
            at,
            0,
            text,
            transform=axes.transAxes + _moved(axes, 0, -_X_LABEL_PT),
            ha="center",
            va="top",
        )

    def y_label(self, axes: Axes, text: str) -> None:
        """What the vertical axis shows, as a line above it: quicker read than turned text."""
        box = axes.get_position()
        self.text(
            MARGIN_IN,
            (1 - box.y1) * self.height_in - 0.07,
            fit(text, WIDTH_IN - 2 * MARGIN_IN, SMALL_PT),
            size=SMALL_PT,
            color=INK,
        )

    def key(
        self,
        top: float,
        entries: Sequence[tuple[str, dict[str, Any]]],
        left: float = MARGIN_IN,
        width: float = WIDTH_IN - 2 * MARGIN_IN,
    ) -> None:
        """Line or marker samples with their names, side by side on one line."""
        sample = [0.13 if s.get("linestyle") == "none" else 0.3 for _, s in entries]
        gap = 0.16
        room = width - sum(sample) - gap * (len(entries) - 1)
        labels = [legible(name) for name, _ in entries]
        if sum(text_width_in(x, SMALL_PT) for x in labels) > room:
            labels = [fit(x, room / len(labels), SMALL_PT) for x in labels]
        x = left
        for label, lead, (_, style) in zip(labels, sample, entries, strict=True):
            ends = [x + 0.04] if style.get("linestyle") == "none" else [x, x + lead - 0.05]
            self.line(ends, [top - 0.045] * len(ends), **style)
            self.text(x + lead, top, label, size=SMALL_PT)
            x += lead + text_width_in(label, SMALL_PT) + gap

    def finish(self, number: int, key: str, alt: str) -> Drawn:
        """Draw once for a screen and once as outlines."""
        png, svg = io.BytesIO(), io.BytesIO()
        self.figure.set_dpi(DPI)
        FigureCanvasAgg(self.figure).print_png(  # type: ignore[no-untyped-call]
            png, metadata={"Software": None}, pil_kwargs={"compress_level": 2}
        )
        FigureCanvasSVG(self.figure).print_svg(  # type: ignore[no-untyped-call]
            svg, metadata={"Date": None, "Creator": None, "Title": alt}
        )
        return Drawn(
            number,
            key,
            alt,
            round(96 * WIDTH_IN),
            round(96 * self.height_in),
            png.getvalue(),
            svg.getvalue(),
        )


def warm_up() -> None:
    """Draw a figure for nobody: fonts, glyphs and much of the library are loaded at first use."""
    letters = "".join(map(chr, range(32, 127)))
    with house_style():
        sheet = Sheet(2.0)
        axes = sheet.axes(0.5, 0.2, 4.0, 1.5)
        log_axis(axes, "x", 0.1, 1000.0)
        linear_axis(axes, "y", 0.0, 1.0)
        axes.plot([1.0, 10.0], [0.0, 1.0], marker="o")
        axes.fill_between([1.0, 10.0], [0.0, 0.5], [0.5, 1.0], alpha=0.5)
        sheet.box(0.1, 0.1, 0.2, 0.2, hatch="//")
        sheet.text(0.1, 1.9, letters, pad={"facecolor": "white"})
        sheet.text(0.1, 1.9, letters, size=SMALL_PT, bold=True)
        sheet.finish(0, "", "")


_LOG_STEPS: tuple[tuple[float, ...], ...] = (
    (1, 3),
    (1, 2, 5),
    (1, 1.5, 2, 3, 4, 5, 6, 7, 8, 9),
    tuple(i / 10 for i in range(10, 100)),
)


# axes ----------------------------------------------------------------------------------------


def log_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers between two positive limits: whole decades, or 1, 2, 5 where they are few."""
    first, last = int(np.floor(np.log10(low))), int(np.ceil(np.log10(high)))
    decades = [10.0**e for e in range(first, last + 1)]
    inside = [t for t in decades if low * (1 - 1e-9) <= t <= high * (1 + 1e-9)]
    if len(inside) >= 3:
        step = int(np.ceil(len(inside) / most))
        start = next((i for i, t in enumerate(inside) if t == 1.0), 0) % step
        return inside[start::step]
    for steps in _LOG_STEPS:
        ticks = [
            float(f"{d * s:.6g}")
            for d in decades
            for s in steps
            if low * (1 - 1e-9) <= d * s <= high * (1 + 1e-9)
        ]
        if len(ticks) >= 3 or steps is _LOG_STEPS[-1]:
            return ticks[:: int(np.ceil(len(ticks) / most))]
    return inside


def tick_text(x: float) -> str:
    """A tick's number: 0.01, 1, 200 or a power of ten."""
    if 1e-3 * (1 - 1e-9) <= x < 1e4:
        return f"{x:g}"
    return number(x).replace(".00 × ", " × ").removeprefix("1 × ")


def log_axis(
    axes: Axes,
    which: Literal["x", "y"],
    low: float,
    high: float,
    most: int = 6,
    *,
    numbers: bool = True,
) -> None:
    """A logarithmic axis with plain numbers and a grid."""
    getattr(axes, f"set_{which}scale")("log")
    getattr(axes, f"set_{which}lim")(low, high)
    ticks = log_ticks(low, high, most)
    draw_ticks(axes, which, ticks, [tick_text(t) for t in ticks] if numbers else None)


def linear_axis(
    axes: Axes,
    which: Literal["x", "y"],
    low: float,
    high: float,
    most: int = 5,
    *,
    numbers: bool = True,
) -> None:
    """A linear axis with few round ticks and a grid."""
    ticks = [
        t
        for t in MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
        if low - 1e-9 * abs(high - low) <= t <= high + 1e-9 * abs(high - low)
    ]
    getattr(axes, f"set_{which}lim")(low, high)
    labels = [f"{0.0 if abs(t) < 1e-12 else t:g}" for t in ticks]
    draw_ticks(axes, which, ticks, labels if numbers else None)


def draw_ticks(
    axes: Axes,
    which: Literal["x", "y"],
    ticks: Sequence[float],
    labels: Sequence[str] | None,
    *,
    grid: bool = True,
) -> None:
    """A grid line through every tick, and its label beside the axis."""
    along = axes.get_xaxis_transform() if which == "x" else axes.get_yaxis_transform()
    if grid:
        at, across = np.repeat(ticks, 3), np.tile([0.0, 1.0, np.nan], len(ticks))
        axes.add_artist(
            Line2D(
                *((at, across) if which == "x" else (across, at)),
                transform=along,
                color=GRID,
                linewidth=0.7,
                zorder=0.5,
            )
        )
    move = (0.0, -_TICK_PT) if which == "x" else (-_TICK_PT, 0.0)
    beside = along + _moved(axes, *move)
    for tick, label in () if labels is None else zip(ticks, labels, strict=True):
        axes.text(
            *((tick, 0.0) if which == "x" else (0.0, tick)),
            label,
            transform=beside,
            fontsize=SMALL_PT,
            ha="center" if which == "x" else "right",
            va="top" if which == "x" else "center_baseline",
        )


def _moved(axes: Axes, x_pt: float, y_pt: float) -> ScaledTranslation:
    return ScaledTranslation(x_pt / 72, y_pt / 72, axes.figure.dpi_scale_trans)


def place_labels(
    points: Sequence[tuple[float, float]],
    labels: Sequence[str],
    size_pt: float,
    box: tuple[float, float, float, float],
    taken: Sequence[tuple[float, float, float, float]] = (),
) -> list[tuple[float, float]]:
    """Centres for labels near their points so that nothing lies on anything else.

    Parameters
    ----------
    points : sequence of (x, y) [inch]
    labels : sequence of str
    size_pt : float
    box : left, bottom, right, top [inch]
        Labels stay inside.
    taken : sequence of (left, bottom, right, top) [inch]
        More places to keep free.

    Returns
    -------
    list of (x, y) [inch]
    """
    radius = 0.055
    busy = [(x - radius, y - radius, x + radius, y + radius) for x, y in points] + list(taken)
    out = []
    for (x, y), label in zip(points, labels, strict=True):
        half_w, half_h = text_width_in(label, size_pt) / 2 + 0.015, size_pt / 72 / 2 + 0.005
        best, least = (x, y), float("inf")
        for ring in (0.0, 0.07, 0.15, 0.25, 0.36, 0.5):
            for angle in (0, 180, 90, 270, 45, 135, 315, 225):
                cos, sin = np.cos(np.radians(angle)), np.sin(np.radians(angle))
                cx = x + cos * (radius + 0.02 + half_w + ring)
                cy = y + sin * (radius + 0.02 + half_h + ring)
                area = (cx - half_w, cy - half_h, cx + half_w, cy + half_h)
                outside = (
                    max(0.0, box[0] - area[0])
                    + max(0.0, area[2] - box[2])
                    + max(0.0, box[1] - area[1])
                    + max(0.0, area[3] - box[3])
                )
                cost = 100 * outside + 10 * sum(_overlap(area, b) for b in busy) + 0.02 * ring
                if cost < least - 1e-12:
                    best, least = (float(cx), float(cy)), cost
            if least < 0.02:
                break
        busy.append((best[0] - half_w, best[1] - half_h, best[0] + half_w, best[1] + half_h))
        out.append(best)
    return out


def _overlap(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Square root of the common area, so that a touch already counts."""
    w = min(a[2], b[2]) - max(a[0], b[0])
    h = min(a[3], b[3]) - max(a[1], b[1])
    return float(np.sqrt(w * h)) if w > 0 and h > 0 else 0.0
