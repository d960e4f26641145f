"""What several figures need: the comparisons with their numbers, light as photons, axis limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.compare import Comparison
from optistack.exposure import ExposureResult
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
from optistack.spectra import BandNm, Spectrum
from optistack.spectral_math import PHOTON_J_NM

Real = NDArray[np.float64]
Json = dict[str, Any]

INNER_IN = WIDTH_IN - 2 * MARGIN_IN
MOST_LIGHTS = 4
SIDES: dict[str, dict[str, Any]] = {
    "coupon": {"color": COUPON, "linestyle": LINES[1]},
    "device": {"color": DEVICE, "linestyle": LINES[0]},
}


class Case(NamedTuple):
    """A comparison as the figures need it."""

    comparison: Comparison
    data: Json

    @property
    def sides(self) -> tuple[tuple[str, ExposureResult, str], ...]:
        c = self.comparison
        return (("coupon", c.coupon, c.coupon_layer), ("device", c.device, c.layer))


def headline_limits(data: Json) -> tuple[str, BandNm] | None:
    """The headline band as key and limits."""
    key = data["question"]["headline_band"]
    if key is None:
        return None
    low, high = key.split("-")
    return key, (float(low), float(high))


def photon_flux_curve(light: Spectrum, lam: Real) -> Real:
    """Spectral photon flux [1/(m2 s nm)], zero outside the samples."""
    values = np.interp(
        lam, light.wavelength_nm, light.spectral_irradiance_w_m2_nm, left=0.0, right=0.0
    )
    return np.asarray(values * lam / PHOTON_J_NM)


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
