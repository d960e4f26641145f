"""Doses of an exposure for many thicknesses of one layer, the rest of the stack solved once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.collection import Collection, Photocurrent, photocurrent
from optistack.errors import StackError
from optistack.exposure import Exposure, ExposureResult, stack_grid
from optistack.light_paths import absorptance_of_thicknesses, respond
from optistack.plot_axes import axes
from optistack.spectra import DEFAULT_BANDS_NM, BandNm, Weight
from optistack.spectral_math import band_key

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

_MOST_VALUES = 100_000


@dataclass(frozen=True, eq=False)
class ThicknessScan:
    """Absorbed photons of an exposure for every thickness of one layer.

    Answers are arrays (value, variant): the light's central spectrum first.

    Attributes
    ----------
    result : ExposureResult
        Of the stack as it stands, on the wavelengths of the scan.
    layer : str
        The layer that is varied.
    thickness_nm : (value,) array [nm]
    of : tuple of str
        Layers whose absorbed photons are known.
    absorptance : (value, layer of ``of``, wavelength) array
    notes : tuple of str
    """

    result: ExposureResult
    layer: str
    thickness_nm: Real
    of: tuple[str, ...]
    absorptance: Real
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for part in ("thickness_nm", "absorptance"):
            getattr(self, part).flags.writeable = False

    def _position(self, layer: str) -> int:
        if layer not in self.of:
            raise StackError(
                f"the scan knows the absorbed photons of {', '.join(self.of)}, not of {layer}; "
                "name it in of=..."
            )
        return self.of.index(layer)

    def absorbed_photons_m2_s(self, of: str, band_nm: BandNm, weight: Weight | None = None) -> Real:
        """Photons absorbed in a layer per area and time [1/(m2 s)], (value, variant).

        Parameters and errors as in `ExposureResult.absorbed_photons_m2_s`.
        """
        if weight is not None:
            band_nm = (max(band_nm[0], weight.band_nm[0]), min(band_nm[1], weight.band_nm[1]))
        weights = self.result.photon_weights(band_nm, weight)
        return np.asarray(self.absorptance[:, self._position(of)] @ weights.T)

    def dose_m2(self, of: str, band_nm: BandNm, weight: Weight | None = None) -> Real:
        """Photons absorbed in a layer over the hours of the exposure [1/m2], (value, variant)."""
        return self.result.dose_m2(self.absorbed_photons_m2_s(of, band_nm, weight))

    def ratio(self, of: str, band_nm: BandNm, weight: Weight | None = None) -> Real:
        """Absorbed photons over those of the stack as it stands, (value, variant).

        Per area. NaN where that stack absorbs nothing.
        """
        base = self.result.absorbed_photons_m2_s(of, band_nm, weight)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self.absorbed_photons_m2_s(of, band_nm, weight) / base)

    def photocurrents(self, collection: Collection) -> list[Photocurrent]:
        """Photocurrent for every thickness.

        Raises
        ------
        StackError
            An active layer that the scan does not know; as in `photocurrent`.
        """
        rows = {name: self._position(name) for name in collection.active_layers}
        out = []
        for values in self.absorptance:
            absorptance = np.array(self.result.response.absorptance)
            for name, row in rows.items():
                absorptance[self.result.stack.position(name)] = values[row]
            response = replace(self.result.response, absorptance=absorptance)
            out.append(photocurrent(replace(self.result, response=response), collection))
        return out

    def to_frame(self, bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM) -> pd.DataFrame:
        """One row per thickness, layer and band in which there is light."""
        import pandas as pd

        rows: list[dict[str, Any]] = []
        for band in bands_nm:
            incident = self.result.incident_photons_m2_s(band)[0]
            if incident <= 0:
                continue
            for name in self.of:
                rates = self.absorbed_photons_m2_s(name, band)[:, 0]
                ratios = self.ratio(name, band)[:, 0]
                for d, rate, ratio in zip(self.thickness_nm, rates, ratios, strict=True):
                    rows.append(
                        {
                            "varied": self.layer,
                            "thickness_nm": float(d),
                            "layer": name,
                            "band_nm": band_key(band),
                            "absorbed_photons_m2_s": float(rate),
                            "absorbed_fraction": float(rate / incident),
                            "absorbed_photon_dose_m2": float(self.result.dose_m2(rate)),
                            "ratio_to_stack": float(ratio),
                        }
                    )
        return pd.DataFrame(rows)

    def plot(self, ax: Any = None, band_nm: BandNm = (300.0, 400.0)) -> Any:
        """Share of the incident photons of a band that each layer takes, on an Axes."""
        ax = axes(ax)
        incident = self.result.incident_photons_m2_s(band_nm)[0]
        for name in self.of:
            rates = self.absorbed_photons_m2_s(name, band_nm)[:, 0]
            ax.plot(self.thickness_nm, rates / incident, label=name)
        ax.set_xlabel(f"thickness of {self.layer} (nm)")
        ax.set_ylabel(f"photons absorbed / incident, {band_key(band_nm)} nm")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def thickness_scan(
    exposure: Exposure,
    layer: str,
    thickness_nm: ArrayLike,
    *,
    of: Sequence[str] | None = None,
    range_nm: BandNm | None = None,
) -> ThicknessScan:
    """Absorbed photons for many thicknesses of one layer.

    What a thickness costs does not depend on how many other layers there are.

    Parameters
    ----------
    exposure : Exposure
    layer : str
        The layer that is varied, of the stack as lit, filters included.
    thickness_nm : (value,) array [nm]
    of : sequence of str, optional
        Layers whose absorbed photons are wanted; all when not given.
    range_nm : (float, float) [nm], optional
        As in `Exposure.run`.

    Raises
    ------
    StackError
        No such layer; thicknesses on both sides of the 3000 nm up to which a layer is coherent,
        where the layer does not say what it is.
    RangeError
        A table that does not cover the range.

    Notes
    -----
    All are solved at the same wavelengths, close enough for the fringes of the thickest.

    Examples
    --------
    >>> import optistack as ost
    >>> oxide, film = ost.Layer("oxide", 2.0, 40), ost.Layer("film", 1.6 + 0.1j, 100)
    >>> stack = ost.Stack("air", [oxide, film], 1.5)
    >>> sun = ost.Exposure("sun", stack, ost.spectrum("am15g"))
    >>> scan = thickness_scan(sun, "oxide", [0.0, 40.0, 80.0], of=["film"], range_nm=(300, 400))
    >>> print(scan.ratio("film", (300, 400))[:, 0].round(3))
    [1.187 1.    1.134]
    """
    stack, far = exposure.built
    position = stack.position(layer)
    values = np.atleast_1d(np.array(thickness_nm, dtype=float))
    if values.ndim != 1 or not 0 < values.size <= _MOST_VALUES:
        raise StackError(f"thickness_nm must be (value,), 1 to {_MOST_VALUES} values")
    if not (np.isfinite(values).all() and (values >= 0).all()):
        raise StackError("thickness_nm must be finite and not negative")
    item = stack.layers[position]
    kinds = {replace(item, thickness_nm=float(d)).is_coherent for d in (values.min(), values.max())}
    if kinds != {item.is_coherent}:
        raise StackError(
            f"layer {layer}: thicknesses from {values.min():g} to {values.max():g} nm would be "
            "coherent in part and incoherent in part; give the layer coherent=True or False"
        )
    names = stack.names if of is None else tuple(of)
    wanted = [stack.position(name) for name in names]
    low, high = range_nm or exposure.needed_range(DEFAULT_BANDS_NM)
    thickest = stack.with_layer(layer, thickness_nm=max(float(values.max()), item.thickness_nm))
    grid = stack_grid(thickest, low, high)
    for entry in far:
        entry.given(grid)
    n = np.array([replace(item, thickness_nm=float(d)).index(grid) for d in values])
    absorptance = absorptance_of_thicknesses(
        stack, exposure.geometry, grid, position, values, n, wanted
    )
    result = ExposureResult(exposure, respond(stack, exposure.geometry, grid), far)
    return ThicknessScan(result, layer, values, names, absorptance, result.notes())
