"""What a scenario asks."""

from __future__ import annotations

from dataclasses import dataclass

from optistack.exposure import MountedFilter
from optistack.spectra import BandNm, Weight


@dataclass(frozen=True, eq=False)
class Question:
    """What the scenario asks.

    Attributes
    ----------
    layer, coupon_layer : str
    pairs : tuple of (coupon exposure, device exposure)
        The first pair gives the main comparison.
    filters_on : tuple of str
        Exposures under which the filters are judged.
    candidates : tuple of MountedFilter
    bands_nm, weights
    default_weights : bool
        The weights are the default family.
    sensitivity : bool
    """

    layer: str
    coupon_layer: str
    pairs: tuple[tuple[str, str], ...]
    filters_on: tuple[str, ...]
    candidates: tuple[MountedFilter, ...]
    bands_nm: tuple[BandNm, ...]
    weights: tuple[Weight, ...]
    default_weights: bool
    sensitivity: bool
