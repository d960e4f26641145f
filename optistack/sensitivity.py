"""Which thickness, n and k of a stack decide a dose, a ratio or a photocurrent, to first order.

A dose is a sum of absorptances with weights, so its derivative by every thickness, n and k follows
from one backward pass through the stack (`optistack.gradients`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.collection import Collection, current_weights
from optistack.errors import OptistackError
from optistack.exposure import ExposureResult
from optistack.light_paths import slopes_of_light
from optistack.plot_axes import axes
from optistack.spectra import BandNm, Weight
from optistack.spectral_math import band_key

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# The wavelength and the slope of the tilt of k that design sensitivities use.
_TILT_AT_NM, _TILT_NM = 340.0, 40.0


@dataclass(frozen=True, eq=False)
class Sensitivities:
    """First derivatives of the logarithm of one answer by everything in a stack.

    Attributes
    ----------
    answer : str
        What it is, in words.
    value : float
        The answer: photons absorbed [1/(m2 s)], or a photocurrent density [mA/cm2].
    layers : tuple of str
        Of the stack as lit, filters included.
    thickness_nm : (layer,) array [nm]
    k : (layer, wavelength) array
        Without what is dissolved in a layer.
    wavelength_nm : (wavelength,) array [nm]
    by_thickness : (layer,) array [1/nm]
        d ln(answer) / d thickness, at constant n and k; of what is dissolved in a layer the
        amount stays.
    by_n, by_k : (layer, wavelength) arrays
        d ln(answer) / d n, / d k at a wavelength, as parts of a sum: a change of n that depends on
        the wavelength changes ln(answer) by the sum of by_n times it.
    notes : tuple of str
    """

    answer: str
    value: float
    layers: tuple[str, ...]
    thickness_nm: Real
    k: Real
    wavelength_nm: Real
    by_thickness: Real
    by_n: Real
    by_k: Real
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for part in ("thickness_nm", "k", "wavelength_nm", "by_thickness", "by_n", "by_k"):
            values = np.array(getattr(self, part), dtype=float)
            values.flags.writeable = False
            object.__setattr__(self, part, values)

    def position(self, layer: str) -> int:
        """Index of a layer from 0.

        Raises
        ------
        OptistackError
            No such layer.
        """
        if layer not in self.layers:
            raise OptistackError(f"no layer {layer!r}; there are {', '.join(self.layers)}")
        return self.layers.index(layer)

    @property
    def by_relative_thickness(self) -> Real:
        """d ln(answer) / d ln(thickness), (layer,)."""
        return np.asarray(self.by_thickness * self.thickness_nm)

    @property
    def by_n_shift(self) -> Real:
        """d ln(answer) / d n, the same change at all wavelengths, (layer,)."""
        return np.asarray(self.by_n.sum(axis=1))

    @property
    def by_k_scale(self) -> Real:
        """d ln(answer) / d ln(k), the same factor on k at all wavelengths, (layer,)."""
        return np.asarray((self.by_k * self.k).sum(axis=1))

    @property
    def by_k_tilt(self) -> Real:
        """d ln(answer) / dt for k exp(t (wavelength - 340 nm) / 40 nm), (layer,)."""
        tilt = (self.wavelength_nm - _TILT_AT_NM) / _TILT_NM
        return np.asarray((self.by_k * self.k) @ tilt)

    def to_frame(self) -> pd.DataFrame:
        """One row per layer."""
        import pandas as pd

        return pd.DataFrame(
            {
                "layer": self.layers,
                "thickness_nm": self.thickness_nm,
                "per_nm": self.by_thickness,
                "per_relative_thickness": self.by_relative_thickness,
                "per_n": self.by_n_shift,
                "per_relative_k": self.by_k_scale,
                "per_k_tilt": self.by_k_tilt,
            }
        )

    def plot(self, ax: Any = None) -> Any:
        """What 1 % more thickness, 0.01 more n and 1 % more k change, in %, on an Axes."""
        ax = axes(ax)
        rows = np.arange(len(self.layers))
        for i, (values, label) in enumerate(
            (
                (self.by_relative_thickness, "thickness + 1 %"),
                (self.by_n_shift, "n + 0.01"),
                (self.by_k_scale, "k + 1 %"),
            )
        ):
            ax.barh(rows + 0.27 * (i - 1), values, 0.25, label=label)
        ax.axvline(0.0, color="k", lw=0.7)
        ax.set_yticks(rows, self.layers)
        ax.invert_yaxis()
        ax.set_xlabel(f"change of {self.answer} (%)")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def sensitivities(
    result: ExposureResult,
    layer: str,
    band_nm: BandNm | None = None,
    weight: Weight | None = None,
    *,
    per_volume: bool = False,
) -> Sensitivities:
    """How the dose of a layer depends on every thickness, n and k of its stack.

    Rate and dose have the same sensitivities; so has the absorbed fraction.

    Parameters
    ----------
    result : ExposureResult
    layer : str
        The layer whose absorbed photons are the answer.
    band_nm : (float, float) [nm], optional
        The weight's band when not given.
    weight : Weight, optional
        Every photon alike when not given.
    per_volume : bool
        Of the dose per volume, which a thicker layer dilutes.

    Raises
    ------
    OptistackError
        Neither band nor weight; nothing is absorbed, so that there is no logarithm.
    StackError
        No such layer.

    Examples
    --------
    >>> import optistack as ost
    >>> film = ost.Stack("air", [ost.Layer("film", 1.6 + 0.005j, 100)], 1.6)
    >>> sun = ost.Exposure("sun", film, ost.spectrum("am15g")).run((300.0, 400.0))
    >>> found = sensitivities(sun, "film", (300.0, 400.0))
    >>> print(found.by_k_scale.round(2), found.by_relative_thickness.round(2))
    [0.99] [0.99]
    """
    if band_nm is None:
        if weight is None:
            raise OptistackError("sensitivities need a band or a spectral weight")
        band_nm = weight.band_nm
    position = result.stack.position(layer)
    if weight is not None:
        band_nm = (max(band_nm[0], weight.band_nm[0]), min(band_nm[1], weight.band_nm[1]))
    name = f"photons absorbed in {layer}, {band_key(band_nm)} nm"
    if weight is not None:
        name += f", {weight.name}"
    if per_volume:
        name += ", per volume"
    weights = np.zeros((len(result.stack.layers), result.wavelength_nm.size))
    weights[position] = result.photon_weights(band_nm, weight)[0]
    found = _of_sum(result, weights, name)
    if not per_volume:
        return found
    if not found.thickness_nm[position] > 0:
        raise OptistackError(f"layer {layer} has no thickness, so it has no dose per volume")
    diluted = found.by_thickness.copy()
    diluted[position] -= 1.0 / found.thickness_nm[position]
    return replace(found, by_thickness=diluted)


def photocurrent_sensitivities(result: ExposureResult, collection: Collection) -> Sensitivities:
    """How the photocurrent depends on every thickness, n and k of the stack.

    A measured quantum efficiency, and the stack it was measured on, stay as they are.

    Raises
    ------
    OptistackError
        No photocurrent at all.
    StackError, RangeError
        As in `optistack.collection.photocurrent`.
    """
    found = current_weights(result, collection)
    weights = np.zeros((len(result.stack.layers), result.wavelength_nm.size))
    for name in collection.active_layers:
        weights[result.stack.position(name)] = found.central[0]
    what = f"photocurrent of {', '.join(collection.active_layers)}"
    return _of_sum(result, weights, what, found.notes)


def ratio_sensitivities(coupon: Sensitivities, device: Sensitivities) -> Sensitivities:
    """Those of device over coupon, every layer of either side by itself.

    Layers are named "layer (coupon)" and "layer (device)". A change of a material that both have
    acts through both: add its rows.

    Raises
    ------
    OptistackError
        Different optical grids that cannot stand in one table.
    """
    sides = ((coupon, "coupon", -1.0), (device, "device", 1.0))
    lam = np.unique(np.concatenate([coupon.wavelength_nm, device.wavelength_nm]))

    def on_all(side: Sensitivities, values: Real) -> Real:
        out = np.zeros((len(values), lam.size))
        out[:, np.searchsorted(lam, side.wavelength_nm)] = values
        return out

    def joined(part: str, *, spectral: bool, signed: bool) -> Real:
        rows = []
        for side, _, sign in sides:
            values = getattr(side, part) * (sign if signed else 1.0)
            rows.append(on_all(side, values) if spectral else values)
        return np.concatenate(rows)

    return Sensitivities(
        f"{device.answer} over {coupon.answer}",
        device.value / coupon.value,
        tuple(f"{name} ({role})" for side, role, _ in sides for name in side.layers),
        joined("thickness_nm", spectral=False, signed=False),
        joined("k", spectral=True, signed=False),
        lam,
        joined("by_thickness", spectral=False, signed=True),
        joined("by_n", spectral=True, signed=True),
        joined("by_k", spectral=True, signed=True),
        tuple(dict.fromkeys((*coupon.notes, *device.notes))),
    )


def _of_sum(
    result: ExposureResult, weights: Real, answer: str, notes: tuple[str, ...] = ()
) -> Sensitivities:
    """Of the sum of weights (layer, wavelength) times the absorptances."""
    value = float((weights * result.response.absorptance).sum())
    if not value > 0:
        raise OptistackError(f"{answer}: nothing is absorbed, so there is nothing to compare with")
    by_n, by_k, by_d = (
        part[0] / value
        for part in slopes_of_light(result.response, result.exposure.geometry, weights[None])
    )
    lam, layers = result.wavelength_nm, result.stack.layers
    thickness = np.array([x.thickness_nm for x in layers])
    k = np.array([x.material.index(lam).imag for x in layers])
    by_thickness = by_d.sum(axis=1)
    for i, item in enumerate(layers):
        if item.absorbers:  # the same amount in a thicker layer: its part of k is smaller
            thinner = -item.absorber_k_nm(lam) / item.thickness_nm**2
            by_thickness[i] += float(by_k[i] @ thinner)
    return Sensitivities(
        answer,
        value,
        result.stack.names,
        thickness,
        k,
        lam,
        by_thickness,
        by_n,
        by_k,
        (*notes, "first order: for small changes, at the light's central spectrum"),
    )
