"""Which wavelengths harm: an activation spectrum from specimens behind cut-on filters.

The practice of ASTM G178 takes the difference in damage behind neighbouring filters for the damage
of the band between their cut-ons. Here the filters' real edges and the layer's own absorption are
taken into account,

    rate_j = integral w(lambda) a_j(lambda) dlambda + dark,      w >= 0,

with a_j the photons that the layer absorbs per volume, time and nanometre behind filter j, so that
w is damage per *absorbed* photon. A smooth curve comes from a regularised inversion on a fine grid.
In each band w is then a non-negative multiple of that curve; a band's interval holds every multiple
for which the best choice of the others still fits. A band whose interval is open below, or wide, is
not resolved: its upper end is all that the data say.
"""

from __future__ import annotations

from optistack.analysis.activation_spectrum.result import (
    ActivationSpectrum,
    BandWeight,
    activation_spectrum,
    slope_from_increments,
)
from optistack.analysis.activation_spectrum.series import CutOnSeries, cut_on_series

__all__ = [
    "ActivationSpectrum",
    "BandWeight",
    "CutOnSeries",
    "activation_spectrum",
    "cut_on_series",
    "slope_from_increments",
]
