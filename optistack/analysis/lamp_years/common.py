"""What lamp hours and pairs of lamps share: the two specimens, and how they are drawn."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError
from optistack.exposure import ExposureResult
from optistack.plot_axes import draw_ranges
from optistack.spectra import Weight
from optistack.value import Value

Real = NDArray[np.float64]
Specimen = Literal["coupon", "device"]
SPECIMENS: tuple[Specimen, ...] = get_args(Specimen)
# Blue and orange differ for every kind of colour vision; the marker differs too.
DRAWN = {"coupon": ("#00549f", "o", 0.2), "device": ("#c05a00", "s", -0.12)}


def one_lamp(coupon: ExposureResult, device: ExposureResult) -> None:
    """Refuse two lights, or one light at two set points."""
    a, b = coupon.exposure.light, device.exposure.light
    level = np.allclose(
        a.spectral_irradiance_w_m2_nm.max(), b.spectral_irradiance_w_m2_nm.max(), rtol=1e-9
    )
    if not (a.same_source_as(b) and level):
        raise OptistackError(
            f"coupon and device are under two lights, {a.name} and {b.name}, or at two set points; "
            "lamp hours need one lamp for both. To set two lamps side by side use compare_lamps"
        )


def about_weights(weights: Sequence[Weight], *lights: str) -> list[str]:
    """What is to be said of the weights under these lights, by name."""
    return [n for w in weights for n in (*w.notes, *w.notes_with(*lights))]


def draw(
    ax: Any, values: Sequence[Value], y: Real, who: Specimen, label: str, **style: Any
) -> None:
    """The values of one specimen with their ranges."""
    colour, marker, _ = DRAWN[who]
    middle, low, high = np.array([(v.value, v.low, v.high) for v in values]).T
    draw_ranges(ax, middle, low, high, y, color=colour, marker=marker, label=label, **style)
