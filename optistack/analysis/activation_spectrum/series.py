"""Specimens behind cut-on filters: what they absorbed and how fast they aged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError
from optistack.exposure import Exposure, ExposureResult
from optistack.light_paths import respond
from optistack.spectra import DAMAGE_BAND_NM, BandNm
from optistack.spectral_math import union_grid

Real = NDArray[np.float64]

FEWEST_FILTERS = 3
_FEWEST_WAVELENGTHS = 10
# Two filters that differ by less than this part of what the layer absorbs are the same.
_SAME_FILTER = 1e-3


@dataclass(frozen=True, eq=False)
class CutOnSeries:
    """Specimens of one layer behind cut-on filters under one source.

    Parameters
    ----------
    names : tuple of str
        Filters, in the order of the rows below; one may be "none".
    wavelength_nm : (wavelength,) array [nm]
    absorbed_photons_m3_s_nm : (filter, wavelength) array [1/(m3 s nm)]
        Photons that the layer absorbs per volume behind each filter, for example from
        `cut_on_series`. Any common unit.
    rate, rate_sd : (filter,) arrays
        Damage rate of each filter's specimens, and its standard deviation: of relative noise and
        of an absolute floor together.
    dark_rate, dark_rate_sd : float, optional
        Of the dark control, when it has not been subtracted already.
    source, layer, stack : str
        What the result holds for.
    exponent : float
        Reciprocity exponent p; rates are turned into rate^(1/p), which adds up over wavelengths.
    exponent_range : (float, float), optional
        Between which p is known.

    Raises
    ------
    OptistackError
        Fewer than three filters, arrays that do not fit, negative photons, errors not positive,
        two rows that are the same filter, rates that do not fit p other than 1.
    """

    names: tuple[str, ...]
    wavelength_nm: Real
    absorbed_photons_m3_s_nm: Real
    rate: Real
    rate_sd: Real
    dark_rate: float | None = None
    dark_rate_sd: float | None = None
    source: str = "not stated"
    layer: str = "not stated"
    stack: str = "not stated"
    exponent: float = 1.0
    exponent_range: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        lam = np.array(self.wavelength_nm, dtype=float)
        photons = np.array(self.absorbed_photons_m3_s_nm, dtype=float)
        rate, sd = np.array(self.rate, dtype=float), np.array(self.rate_sd, dtype=float)
        object.__setattr__(self, "names", tuple(self.names))
        n = len(self.names)
        if n < FEWEST_FILTERS:
            raise OptistackError(
                f"specimens behind {n} filters resolve no bands; at least {FEWEST_FILTERS} "
                "filters (one may be none) are needed"
            )
        if lam.ndim != 1 or lam.size < _FEWEST_WAVELENGTHS or not (np.diff(lam) > 0).all():
            raise OptistackError(
                f"a cut-on series needs {_FEWEST_WAVELENGTHS} increasing wavelengths or more"
            )
        if photons.shape != (n, lam.size) or rate.shape != (n,) or sd.shape != (n,):
            raise OptistackError(
                f"a cut-on series of {n} filters and {lam.size} wavelengths needs absorbed "
                f"photons of shape {(n, lam.size)} and {n} rates with errors; given "
                f"{photons.shape}, {rate.shape}, {sd.shape}"
            )
        if not (np.isfinite(photons).all() and (photons >= 0).all()):
            raise OptistackError("absorbed photons must be finite and not negative")
        if not (np.isfinite(rate).all() and np.isfinite(sd).all() and (sd > 0).all()):
            raise OptistackError(
                "every rate of a cut-on series needs a finite value and a positive standard "
                "deviation; without an error no band can be told from another"
            )
        if (self.dark_rate is None) != (self.dark_rate_sd is None) or (
            self.dark_rate_sd is not None and not self.dark_rate_sd > 0
        ):
            raise OptistackError("a dark rate needs a positive standard deviation, and the reverse")
        low, high = self.exponent_range or (self.exponent, self.exponent)
        if not (np.isfinite(high) and 0 < low <= self.exponent <= high):
            raise OptistackError(
                f"reciprocity exponent {self.exponent:g} ({low:g} to {high:g}) must be positive "
                "and lie in its range"
            )
        if high != 1.0 or low != 1.0:
            if self.dark_rate is not None:
                raise OptistackError(
                    "with p other than 1 light and dark do not add up in rate^(1/p): subtract the "
                    "dark rate first"
                )
            if not (rate > 0).all():
                raise OptistackError(
                    "rates that are not positive cannot be turned into doses with p other than 1"
                )
        _refuse_equal_filters(self.names, photons)
        for name, array in (
            ("wavelength_nm", lam),
            ("absorbed_photons_m3_s_nm", photons),
            ("rate", rate),
            ("rate_sd", sd),
        ):
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    @cached_property
    def step_nm(self) -> Real:
        """Trapezoidal weights of the wavelengths [nm]."""
        return trapezoid_steps(self.wavelength_nm)

    @property
    def half_value_nm(self) -> Real:
        """Where each specimen gets half of what the least filtered one absorbs, (filter,) [nm].

        The shortest wavelength above which it gets more than half; the first wavelength for an
        open specimen, the last for one that never does.
        """
        most = self.absorbed_photons_m3_s_nm.max(axis=0)
        lam = self.wavelength_nm
        out = []
        for row in self.absorbed_photons_m3_s_nm:
            share = np.divide(row, most, out=np.ones(lam.size), where=most > 0)
            below = np.flatnonzero((share < 0.5) & (most > 0))
            out.append(float(lam[min(below[-1] + 1, lam.size - 1)]) if below.size else lam[0])
        return np.array(out)

    def doses(self, exponent: float) -> tuple[Real, Real]:
        """Rates turned into what adds up over wavelengths, rate^(1/p), and their errors."""
        if exponent == 1.0:
            return self.rate, self.rate_sd
        rate = self.rate ** (1 / exponent)
        return rate, np.asarray(self.rate_sd * rate / self.rate / exponent)


def trapezoid_steps(wavelength_nm: Real) -> Real:
    """Weights w with sum(w f) the trapezoidal integral of f [nm]."""
    step = np.zeros(wavelength_nm.size)
    half = np.diff(wavelength_nm) / 2
    step[:-1] += half
    step[1:] += half
    return step


def _refuse_equal_filters(names: Sequence[str], photons: Real) -> None:
    total = photons.sum(axis=1)
    if not (total > 0).any():
        raise OptistackError("the layer absorbs nothing behind any of the filters")
    for i in range(len(names)):
        for j in range(i):
            if np.abs(photons[i] - photons[j]).sum() < _SAME_FILTER * max(total[i], total[j]):
                raise OptistackError(
                    f"filters {names[j]} and {names[i]} let the same light through: they resolve "
                    "nothing between them. Pool their specimens"
                )


def cut_on_series(
    exposures: Sequence[Exposure],
    layer: str,
    rate: ArrayLike,
    rate_sd: ArrayLike,
    *,
    names: Sequence[str] | None = None,
    range_nm: BandNm = DAMAGE_BAND_NM,
    dark_rate: float | None = None,
    dark_rate_sd: float | None = None,
    exponent: float = 1.0,
    exponent_range: tuple[float, float] | None = None,
) -> CutOnSeries:
    """A series from the exposures of its specimens: what the layer absorbed behind each filter.

    Parameters
    ----------
    exposures : sequence of Exposure
        One for each filter, all under one light; the open specimen has none.
    layer : str
    rate, rate_sd, dark_rate, dark_rate_sd, exponent, exponent_range
        As in `CutOnSeries`, in the order of the exposures.
    names : sequence of str, optional
        The filters' names when not given.
    range_nm : (float, float) [nm]
        Wavelengths that may harm; narrowed to those at which the light shines.

    Raises
    ------
    OptistackError
        Different lights or levels; what `CutOnSeries` refuses.
    RangeError
        A table that does not cover the range.
    """
    if not exposures:
        raise OptistackError("a cut-on series without exposures")
    first = exposures[0]
    for e in exposures[1:]:
        if e.light is not first.light and not (
            np.array_equal(e.light.wavelength_nm, first.light.wavelength_nm)
            and np.array_equal(
                e.light.spectral_irradiance_w_m2_nm, first.light.spectral_irradiance_w_m2_nm
            )
        ):
            raise OptistackError(
                f"exposures {first.name} and {e.name} have different lights or levels; a cut-on "
                "series is one source behind different filters"
            )
    results = [e.run(e.needed_range([range_nm])) for e in exposures]
    # One grid for all: a filter in the stack brings wavelengths of its own.
    low, high = results[0].wavelength_nm[0], results[0].wavelength_nm[-1]
    grid = union_grid(low, high, [r.wavelength_nm for r in results])
    step = trapezoid_steps(grid)
    rows = []
    for r in results:
        same = ExposureResult(r.exposure, respond(r.stack, r.exposure.geometry, grid), r.far)
        item = r.stack.layers[r.stack.position(layer)]
        if not item.thickness_nm > 0:
            raise OptistackError(f"layer {layer} has no thickness, so it absorbs nothing")
        absorbed = same.response.absorptance[r.stack.position(layer)]
        photons = same.photon_weights((float(low), float(high)))[0] * absorbed
        rows.append(photons / step / (item.thickness_nm * 1e-9))
    return CutOnSeries(
        names=tuple(names) if names is not None else tuple(e.filter_name for e in exposures),
        wavelength_nm=grid,
        absorbed_photons_m3_s_nm=np.array(rows),
        rate=np.asarray(rate, dtype=float),
        rate_sd=np.asarray(rate_sd, dtype=float),
        dark_rate=dark_rate,
        dark_rate_sd=dark_rate_sd,
        source=first.light.name,
        layer=layer,
        stack=first.stack.name,
        exponent=exponent,
        exponent_range=exponent_range,
    )
