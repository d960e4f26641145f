"""Plain data of the figures: what they show beyond the numbers of results.json, and their bytes.

Nothing here needs the results or the drawing library, so that any process can send and take it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

# Lights, and so comparisons, that a figure has styles and room for.
MOST_LIGHTS = 4
# Wavelengths over which lights and filters are shown.
VIEW_NM = (280.0, 500.0)


class Box(NamedTuple):
    """One box of a stack's drawing; ``kind``: layer, asked, filter, gap, medium or holder."""

    name: str
    note: str
    kind: str


class StackView(NamedTuple):
    """A stack in the order of the light; ``side``: coupon, device, or the stack's own name."""

    side: str
    name: str
    lit_from: str
    angle_deg: float
    rear_share: float
    boxes: tuple[Box, ...]


class LightView(NamedTuple):
    """Spectral photon flux: ``curves`` (variant, wavelength) [1/(m2 s nm)], the light itself first.

    ``shines``: whether it has light below the end of the view at all.
    """

    name: str
    shines: bool
    wavelength_nm: Real
    curves: Real


class FilterView(NamedTuple):
    """External transmittance in air."""

    name: str
    wavelength_nm: Real
    transmittance: Real


class BudgetView(NamedTuple):
    """Shares of the incident photons in the headline band, by layer."""

    side: str
    light: str
    filter_name: str
    layer: str
    shares: dict[str, float]


class SpectrumSide(NamedTuple):
    """Photons absorbed in the layer: ``curves`` (variant, wavelength) [1/(m2 s nm)]."""

    side: str
    wavelength_nm: Real
    curves: Real


class DepthSide(NamedTuple):
    """Absorbed photons per volume; ``faces``: depth, value, alignment of its label."""

    side: str
    thickness_nm: float
    depth_nm: Real
    rate: Real
    faces: tuple[tuple[float, float | None, str], ...]


class Views(NamedTuple):
    """Everything; ``absorbed`` and ``depth`` have an entry for each comparison that is drawn."""

    stacks: tuple[StackView, ...]
    lights: tuple[LightView, ...]
    filters: tuple[FilterView, ...]
    budgets: tuple[BudgetView, ...]
    absorbed: tuple[tuple[SpectrumSide, ...], ...]
    depth: tuple[tuple[DepthSide, ...], ...]


@dataclass(frozen=True)
class Drawn:
    """A finished figure.

    Attributes
    ----------
    number : int
        Its place in the report.
    key : str
        What it shows, for the page: "stacks", "spectra", ...
    alt : str
        What it shows, in words.
    width_px, height_px : int
        Size on a screen.
    png, svg : bytes
    """

    number: int
    key: str
    alt: str
    width_px: int
    height_px: int
    png: bytes
    svg: bytes

    @property
    def name(self) -> str:
        """File name without its ending."""
        return f"figure_{self.number}_{self.key}"
