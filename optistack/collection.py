"""From absorbed photons to photocurrent, without counting the front reflection twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError
from optistack.exposure import ExposureResult
from optistack.light_paths import Geometry, respond
from optistack.spectra import BandNm
from optistack.spectral_math import MA_CM2_PER_FLUX
from optistack.stack import Stack
from optistack.value import Value

Real = NDArray[np.float64]

_MINIMUM_ABSORPTANCE = 1e-3


@dataclass(frozen=True, eq=False)
class QuantumEfficiency:
    """A measured external quantum efficiency, with the stack and side it was measured on.

    Attributes
    ----------
    name : str
    wavelength_nm, values : (wavelength,) arrays
    stack : Stack
    lit_from : "front" or "back"
    """

    name: str
    wavelength_nm: Real
    values: Real
    stack: Stack
    lit_from: Literal["front", "back"] = "front"

    def __post_init__(self) -> None:
        lam = np.asarray(self.wavelength_nm, dtype=float)
        values = np.asarray(self.values, dtype=float)
        if lam.ndim != 1 or lam.shape != values.shape or lam.size < 2 or (np.diff(lam) <= 0).any():
            raise OptistackError(
                f"quantum efficiency {self.name}: needs increasing wavelengths and as many values"
            )
        if not (np.isfinite(lam).all() and np.isfinite(values).all()):
            raise OptistackError(f"quantum efficiency {self.name}: values must be finite numbers")
        if values.min() < -0.01 or values.max() > 1.02:
            raise OptistackError(
                f"quantum efficiency {self.name}: values from {values.min():g} to "
                f"{values.max():g}; a fraction lies between 0 and 1. Are these percent?"
            )

    @property
    def range_nm(self) -> BandNm:
        """First and last wavelength [nm]."""
        return float(self.wavelength_nm[0]), float(self.wavelength_nm[-1])


@dataclass(frozen=True, eq=False)
class Collection:
    """How absorbed photons become photocurrent.

    Parameters
    ----------
    active_layers : tuple of str
    range_nm : (float, float) [nm]
        Wavelengths that are counted.
    efficiency : float
        Electrons collected per photon absorbed in the active layers; used without ``eqe``.
    eqe : QuantumEfficiency, optional
    """

    active_layers: tuple[str, ...]
    range_nm: BandNm
    efficiency: float = 1.0
    eqe: QuantumEfficiency | None = None

    def __post_init__(self) -> None:
        if not self.active_layers:
            raise OptistackError("a photocurrent needs at least one active layer")
        if not 0 < self.range_nm[0] < self.range_nm[1] < np.inf:
            raise OptistackError(
                f"photocurrent: {self.range_nm[0]:g}-{self.range_nm[1]:g} nm is not a range of "
                "wavelengths"
            )
        if not 0 <= self.efficiency <= 1:
            raise OptistackError(
                f"collection efficiency {self.efficiency} must lie between 0 and 1"
            )


@dataclass(frozen=True, eq=False)
class Photocurrent:
    """Photocurrent density, (variant,) for each assumption about unmeasured wavelengths.

    Attributes
    ----------
    central, low, high : (variant,) arrays [mA/cm2]
        ``low`` and ``high``: nothing, or everything the active layers absorb, is collected below
        the first wavelength of the measured quantum efficiency; ``central``: as much per absorbed
        photon as at that wavelength.
    notes : tuple of str
    """

    central: Real
    low: Real
    high: Real
    notes: tuple[str, ...] = ()

    @property
    def value(self) -> Value:
        """With its range over variants and assumptions [mA/cm2]."""
        return Value.of(np.concatenate([self.central, self.low, self.high]))


def reference_absorptance(eqe: QuantumEfficiency, active_layers: Sequence[str], lam: Real) -> Real:
    """Absorptance of the active layers in the stack that a quantum efficiency was measured on."""
    return _reference_absorptance(eqe, tuple(active_layers), np.ascontiguousarray(lam).tobytes())


@lru_cache(maxsize=32)
def _reference_absorptance(
    eqe: QuantumEfficiency, active_layers: tuple[str, ...], grid: bytes
) -> Real:
    """Solved once for all exposures on the same grid (wavelength,) [nm]."""
    lam = np.frombuffer(grid)
    # On the measured stack and side, and without the filters of any exposure.
    stack = eqe.stack if eqe.lit_from == "front" else eqe.stack.flipped()
    reference = respond(stack, Geometry(), lam)
    out = np.asarray(sum(reference.absorptance[stack.position(name)] for name in active_layers))
    out.setflags(write=False)
    return out


def collected_per_photon(collection: Collection, lam: Real, at: Real) -> tuple[Real, Real, Real]:
    """Electrons collected per photon absorbed in the active layers: central, low, high.

    As `photocurrent` counts them, without what it says about doubts.

    Parameters
    ----------
    collection : Collection
    lam : (grid,) array [nm]
        Where the stack of the quantum efficiency is solved.
    at : (wavelength,) array [nm]
        Inside the grid; absorptances are linear between its points.
    """
    low_nm, high_nm = collection.range_nm
    inside = (at >= low_nm) & (at <= high_nm)
    if collection.eqe is None:
        flat = np.where(inside, collection.efficiency, 0.0)
        return flat, flat, flat
    eqe = collection.eqe
    first, last = eqe.range_nm
    base_grid = reference_absorptance(eqe, collection.active_layers, lam)
    base = np.interp(at, lam, base_grid)
    enough = base >= _MINIMUM_ABSORPTANCE
    known = inside & (at >= first) & (at <= last) & enough
    measured = np.where(
        known, np.interp(at, eqe.wavelength_nm, eqe.values) / np.where(enough, base, 1.0), 0.0
    )
    unknown = inside & (at < first)
    internal = 0.0
    if first > low_nm:
        at_first = float(np.interp(first, lam, base_grid))
        internal = min(1.0, max(0.0, eqe.values[0] / at_first)) if at_first > 0 else 0.0
    return (
        np.where(unknown, internal, measured),
        measured,
        np.where(unknown, 1.0, measured),
    )


@dataclass(frozen=True, eq=False)
class CurrentWeights:
    """Weights on the wavelengths: photocurrent = weights @ absorptance of the active layers.

    Attributes
    ----------
    central, low, high : (variant, wavelength) arrays [mA/cm2]
        As in `Photocurrent`.
    notes : tuple of str
    """

    central: Real
    low: Real
    high: Real
    notes: tuple[str, ...] = ()


def active_absorptance(result: ExposureResult, collection: Collection) -> Real:
    """Of the active layers together, (wavelength,).

    Raises
    ------
    StackError
        An active layer that the stack does not have.
    """
    absorptance, stack = result.response.absorptance, result.stack
    return np.asarray(sum(absorptance[stack.position(x)] for x in collection.active_layers))


def photocurrent(result: ExposureResult, collection: Collection) -> Photocurrent:
    """Photocurrent density of an exposure.

    With a measured external quantum efficiency, it is scaled by the ratio of the active layers'
    absorptance here to that in the stack it was measured on, so that the front reflection it
    already holds is not counted twice.

    Raises
    ------
    StackError
        An active layer that the stack does not have.
    RangeError
        The exposure was not solved over ``collection.range_nm``.
    """
    active = active_absorptance(result, collection)
    weights = current_weights(result, collection)
    parts = (weights.central @ active, weights.low @ active, weights.high @ active)
    return Photocurrent(*parts, weights.notes)


def current_weights(result: ExposureResult, collection: Collection) -> CurrentWeights:
    """What an absorptance of the active layers would give in photocurrent, at each wavelength.

    Raises
    ------
    StackError, RangeError
        As in `photocurrent`.
    """
    active = active_absorptance(result, collection)
    lam = result.wavelength_nm
    low_nm, high_nm = collection.range_nm
    if collection.eqe is None:
        weights = result.photon_weights((low_nm, high_nm))
        current = MA_CM2_PER_FLUX * collection.efficiency * weights
        return CurrentWeights(current, current, current)
    eqe = collection.eqe
    first, last = eqe.range_nm
    base = reference_absorptance(eqe, collection.active_layers, lam)
    enough = base >= _MINIMUM_ABSORPTANCE
    per_active = np.where(enough, 1.0 / np.where(enough, base, 1.0), 0.0)

    def curve(x: Real) -> Real:
        return np.interp(x, eqe.wavelength_nm, eqe.values)

    notes = []
    top = min(high_nm, last)
    measured = np.zeros((len(result.lights), lam.size))
    if top > max(low_nm, first):
        band = (max(low_nm, first), top)
        measured = result.photon_weights(band, curve, [eqe.wavelength_nm]) * per_active
        inside = (lam >= band[0]) & (lam <= band[1])
        over = inside & (curve(lam) > base + 0.02)
        if over.any():
            notes.append(
                f"quantum efficiency {eqe.name}: above the computed absorptance of the active "
                f"layers at {lam[over].min():g}-{lam[over].max():g} nm; thickness, n,k or the "
                "measurement do not fit"
            )
        if (inside & ~enough).any():
            notes.append(
                f"quantum efficiency {eqe.name}: where the active layers absorb below "
                f"{_MINIMUM_ABSORPTANCE:g} without filter, nothing is counted"
            )
    unknown = np.zeros_like(measured)
    if first > low_nm:
        unknown = result.photon_weights((low_nm, min(first, high_nm)))
        at_first = float(np.interp(first, lam, base))
        internal = min(1.0, max(0.0, eqe.values[0] / at_first)) if at_first > 0 else 0.0
        notes.append(
            f"quantum efficiency {eqe.name}: not measured below {first:g} nm, where collection "
            f"from 0 to 1 means 0 to {MA_CM2_PER_FLUX * float(unknown[0] @ active):.3g} mA/cm2"
        )
    else:
        internal = 0.0
    if last < high_nm:
        notes.append(f"quantum efficiency {eqe.name}: nothing is counted above {last:g} nm")
    return CurrentWeights(
        MA_CM2_PER_FLUX * (measured + internal * unknown),
        MA_CM2_PER_FLUX * measured,
        MA_CM2_PER_FLUX * (measured + unknown),
        tuple(notes),
    )
