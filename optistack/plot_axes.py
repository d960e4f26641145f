"""The matplotlib Axes that a result draws on, and rows of ranges on them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike


def axes(ax: Any) -> Any:
    """The Axes given, or those of a new figure."""
    if ax is None:
        import matplotlib.pyplot as plt

        _, ax = plt.subplots()
    return ax


def row_axes(ax: Any, rows: int) -> Any:
    """The Axes given, or those of a new figure that is high enough for so many rows of text."""
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    _, ax = plt.subplots(figsize=(9.0, 1.7 + 0.36 * rows), layout="constrained")
    return ax


def draw_ranges(
    ax: Any, middle: ArrayLike, low: ArrayLike, high: ArrayLike, y: ArrayLike, **style: Any
) -> None:
    """Markers with their ranges along x, on a row of each."""
    centre = np.asarray(middle, dtype=float)
    reach = [centre - np.asarray(low, dtype=float), np.asarray(high, dtype=float) - centre]
    ax.errorbar(centre, y, xerr=reach, linestyle="none", markersize=5, capsize=2, **style)


def label_rows(ax: Any, labels: Sequence[str], *, columns: int = 2) -> None:
    """A logarithmic x axis with plain numbers, a label for each row at y = 0, -1, ..., a legend."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    ax.set_xscale("log")
    low, high = ax.get_xlim()
    if high / low < 30:
        ax.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.set_yticks([-float(i) for i in range(len(labels))], list(labels))
    ax.set_ylim(-len(labels) + 0.4, 0.6)
    ax.grid(axis="x", color="#dddddd", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=columns, frameon=False)
