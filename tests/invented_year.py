"""A site year made up for tests: one spectrum whose level goes up and down hour by hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optistack.exposure import ExposureResult
from optistack.materials import Material
from optistack.spectra import DEFAULT_BANDS_NM, Spectrum, Weight, weight_family
from optistack.spectral_math import band_key
from optistack.stack import Layer, Stack

Real = NDArray[np.float64]


@dataclass
class Year:
    """What `optistack.criteria.SiteDose` asks for."""

    thickness_nm: float
    rates: dict[str, Real]
    incident_j_m2: dict[str, float]
    incident_photons_m2: dict[str, float]
    absorbed_photons_m2: dict[str, float]
    weighted_m2: dict[str, float]
    grade: str = "C"
    notes: tuple[str, ...] = field(default=("an invented year",))

    def rate_m2_s(self, key: str) -> Real:
        return self.rates[key]

    @property
    def lit_share(self) -> Real:
        """Hours are lit as a whole or not at all."""
        return np.ones(next(iter(self.rates.values())).size)


def year_of(
    result: ExposureResult,
    layer: str,
    course: Sequence[float] | Real,
    *,
    weights: Sequence[Weight] | None = None,
    bands_nm: Sequence[tuple[float, float]] = DEFAULT_BANDS_NM,
) -> Year:
    """The light of an exposure times a course, an hour each."""
    level = np.asarray(course, dtype=float)
    seconds = 3600.0 * level.sum()
    used = weight_family() if weights is None else weights
    keys = [band_key(b) for b in bands_nm]
    per_s = {
        k: result.absorbed_photons_m2_s(layer, b)[0] for k, b in zip(keys, bands_nm, strict=True)
    }
    weighted = {w.name: result.weighted_photons_m2_s(layer, w)[0] for w in used}
    return Year(
        thickness_nm=result.stack.layers[result.stack.position(layer)].thickness_nm,
        rates={k: v * level for k, v in (per_s | weighted).items()},
        incident_j_m2={
            k: seconds * result.incident_irradiance_w_m2(b)[0]
            for k, b in zip(keys, bands_nm, strict=True)
        },
        incident_photons_m2={
            k: seconds * result.incident_photons_m2_s(b)[0]
            for k, b in zip(keys, bands_nm, strict=True)
        },
        absorbed_photons_m2={k: seconds * v for k, v in per_s.items()},
        weighted_m2={k: seconds * v for k, v in weighted.items()},
    )


def grey(depth: float = 1e-10, *, up_to_nm: float = np.inf, name: str = "grey") -> Material:
    """k in proportion to wavelength: the same absorptance everywhere, none above a limit."""
    return Material(
        name,
        lambda lam: np.ones(lam.shape),
        lambda lam: np.where(lam <= up_to_nm, depth * lam, 0.0),
        (1.0, 1e5),
        (1.0, 1e5),
    )


def film(thickness_nm: float = 100.0, **options: Any) -> Stack:
    """One grey layer in the open, without reflection: absorptance 1 - exp(-4 pi depth d)."""
    return Stack(1.0, (Layer("film", grey(**options), thickness_nm),), 1.0, name="film")


def boxed(
    low: float, high: float, w_m2_nm: float = 1.0, name: str = "box", **more: Any
) -> Spectrum:
    """The same spectral irradiance from one wavelength to another."""
    return Spectrum(name, [low, high], [w_m2_nm, w_m2_nm], dark_outside=True, **more)
