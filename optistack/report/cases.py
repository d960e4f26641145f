"""What several figures need: the sides of a comparison, axis limits, numbers as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.report.drawing import (
    COUPON,
    DEVICE,
    LINE_IN,
    LINES,
    MARGIN_IN,
    WIDTH_IN,
    Sheet,
)
from optistack.report.wording import number

if TYPE_CHECKING:
    from optistack.spectra import BandNm

Real = NDArray[np.float64]
Json = dict[str, Any]

INNER_IN = WIDTH_IN - 2 * MARGIN_IN
SIDES: dict[str, dict[str, Any]] = {
    "coupon": {"color": COUPON, "linestyle": LINES[1]},
    "device": {"color": DEVICE, "linestyle": LINES[0]},
}


def headline_limits(data: Json) -> tuple[str, BandNm] | None:
    """The headline band as key and limits."""
    key = data["question"]["headline_band"]
    if key is None:
        return None
    low, high = key.split("-")
    return key, (float(low), float(high))


def power_of_ten(top: float) -> tuple[float, str]:
    """A power of ten to divide by, and its text for the axis."""
    power = int(np.floor(np.log10(top))) if top > 0 else 0
    return 10.0**power, f"10{number(1.2 * 10.0**power).split('10')[-1]}" if power >= 5 else ""


def floats(values: list[float | None]) -> Real:
    """Numbers of results.json as an array, NaN where there is none."""
    return np.array([np.nan if v is None else v for v in values], dtype=float)


def key_rows(sheet: Sheet, top: float, entries: Sequence[tuple[str, dict[str, Any]]]) -> None:
    """A key of one entry a line, so that long names are not cut."""
    for i, entry in enumerate(entries):
        sheet.key(top + i * LINE_IN, [entry])


def padded(low: float, high: float, factor: float) -> tuple[float, float]:
    """Limits of a logarithmic axis with room for labels, at least a decade or so."""
    low, high = low / factor, high * factor
    if high / low < 8:
        middle = np.sqrt(low * high)
        low, high = middle / np.sqrt(8), middle * np.sqrt(8)
    return float(low), float(high)
