"""The activation spectrum: bands, smooth curve, exponential, and the weight made of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.activation_spectrum.inversion import (
    MISFIT_P,
    WIDEST,
    Band,
    Exponential,
    Inversion,
)
from optistack.analysis.activation_spectrum.series import CutOnSeries
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.spectra import REFERENCE_NM, BandNm, Weight
from optistack.spectral_math import band_key
from optistack.tables import write_table
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# Edges of filters closer than this belong together [nm].
_CLOSEST_EDGES_NM = 2.0
# Part of the absorbed photons that bands may leave out.
_LEFT_OUT = 1e-3
# Below this part of its largest value the curve is no reference.
_NO_REFERENCE = 1e-3
# Standard errors beyond which a rate below zero, or a wrong order of two rates, is no chance.
_BEYOND_CHANCE = 2.6


class BandWeight(NamedTuple):
    """Mean damage per absorbed photon in a band.

    ``weight``: weighted with what the least filtered specimen absorbs; ``bound`` "upper" where not
    resolved. ``share``: of the damage of the least filtered specimen. ``reason``: why it is not
    resolved.
    """

    band_nm: BandNm
    weight: Value
    share: Value
    resolved: bool
    reason: str = ""


@dataclass(frozen=True, eq=False)
class ActivationSpectrum:
    """Damage per absorbed photon against wavelength, for one source, layer and stack.

    Attributes
    ----------
    series : CutOnSeries
    bands : tuple of BandWeight
    slope_nm : Value
        Of the exponential exp(-lambda/slope) that fits best; ``bound`` "lower" where a flat weight
        fits as well.
    exponential_fits : bool
        Whether that exponential alone agrees with the rates.
    wavelength_nm, curve : arrays
        Regularised, non-negative; in the unit of ``BandWeight.weight``.
    misfit : float
        Probability of a deviation from the rates as large as that of the bands; 1 without spare
        readings.
    confidence : float
    notes : tuple of str
    """

    series: CutOnSeries
    bands: tuple[BandWeight, ...]
    slope_nm: Value
    exponential_fits: bool
    wavelength_nm: Real
    curve: Real
    misfit: float
    confidence: float = 0.95
    notes: tuple[str, ...] = ()

    @property
    def resolved(self) -> tuple[BandWeight, ...]:
        """Bands that the data resolve."""
        return tuple(b for b in self.bands if b.resolved)

    @property
    def reference_nm(self) -> float:
        """340 nm where the curve has weight there, else where it is largest [nm]."""
        low, high = self.wavelength_nm[0], self.wavelength_nm[-1]
        if low <= REFERENCE_NM <= high:
            at = float(np.interp(REFERENCE_NM, self.wavelength_nm, self.curve))
            if at > _NO_REFERENCE * self.curve.max():
                return REFERENCE_NM
        return float(self.wavelength_nm[int(np.argmax(self.curve))])

    def weight(self, name: str = "measured", *, light: str | None = None) -> Weight:
        """The curve as a spectral weight, 1 at `reference_nm`.

        Parameters
        ----------
        name : str
        light : str, optional
            What it will be used with; another source than its own adds a note.

        Raises
        ------
        OptistackError
            No wavelength harms.
        """
        return self._weight(name, self.curve, light)

    def limits(self, name: str = "measured") -> tuple[Weight, Weight]:
        """Two weights between which the truth may lie: the steepest and the flattest.

        The curve moved to the ends of the bands' intervals: high at wavelengths below the
        reference and low above it, and the reverse. Both are 1 at the reference.
        """
        lam = self.wavelength_nm
        low, high = self.curve.copy(), self.curve.copy()
        for b in self.bands:
            inside = (lam >= b.band_nm[0]) & (lam <= b.band_nm[1])
            if b.weight.value > 0:
                low[inside] *= b.weight.low / b.weight.value
                high[inside] *= b.weight.high / b.weight.value
            elif np.isfinite(b.weight.high):
                low[inside], high[inside] = 0.0, b.weight.high
        # The band of the reference is what the others are compared with.
        own = next(b for b in self.bands if b.band_nm[0] <= self.reference_nm <= b.band_nm[1])
        inside = (lam >= own.band_nm[0]) & (lam <= own.band_nm[1])
        low[inside] = high[inside] = self.curve[inside]
        short = lam < self.reference_nm
        return (
            self._weight(f"{name}, steepest", np.where(short, high, low), None),
            self._weight(f"{name}, flattest", np.where(short, low, high), None),
        )

    def _weight(self, name: str, curve: Real, light: str | None) -> Weight:
        s = self.series
        if not self.curve.max() > 0:
            raise OptistackError(
                "no wavelength harms by these rates, so there is no weight to make of them"
            )
        scale = float(np.interp(self.reference_nm, self.wavelength_nm, self.curve))
        notes = []
        open_bands = [band_key(b.band_nm) for b in self.bands if not b.resolved]
        if open_bands:
            notes.append(
                f"weight {name}: in {', '.join(open_bands)} nm the data give an upper limit only"
            )
        weight = Weight(
            name=name,
            band_nm=(float(self.wavelength_nm[0]), float(self.wavelength_nm[-1])),
            wavelength_nm=self.wavelength_nm,
            values=curve / scale,
            reference_nm=self.reference_nm,
            measured=True,
            notes=tuple(notes),
            measured_with=(s.source, s.layer, s.stack),
        )
        used = () if light is None else (light,)
        return replace(weight, notes=(*weight.notes, *weight.notes_with(*used)))

    def write(self, path: str | Path, *, invented: bool = False) -> Path:
        """Write the weight as a table that a scenario can use, with source, layer and stack.

        Parameters
        ----------
        path : str or Path
        invented : bool
            The rates are made up; the table says so.
        """
        s = self.series
        weight = self.weight(Path(path).stem)
        limited = [n for n in weight.notes if "upper limit only" in n]
        return write_table(
            path,
            "weight",
            weight.wavelength_nm,
            {"weight": weight.values},
            header={
                "title": f"Activation spectrum of {s.layer} in {s.stack} under {s.source}",
                "units": "wavelength nm; damage per absorbed photon, 1 at reference_nm",
                "source": f"cut-on filters under {s.source}, layer {s.layer}, stack {s.stack}",
                "licence": "not stated",
                "retrieved": "not retrieved",
                "kind": "invented" if invented else "measured",
                "grade": "D" if invented else "B",
                "uncertainty": "; ".join(
                    f"{band_key(b.band_nm)} nm {self._relative(b).format(2)}" for b in self.bands
                ),
                "reference_nm": f"{weight.reference_nm:g}",
                "measured_light": s.source,
                "measured_layer": s.layer,
                "measured_stack": s.stack,
            },
            notes=tuple(limited),
        )

    def _relative(self, b: BandWeight) -> Value:
        """A band's weight in the unit of `weight`."""
        scale = float(np.interp(self.reference_nm, self.wavelength_nm, self.curve))
        w = b.weight
        return Value(w.value / scale, w.low / scale, w.high / scale, w.bound)

    def sentences(self) -> list[str]:
        """Which wavelengths harm, in plain words."""
        out = []
        for b in self.bands:
            key = band_key(b.band_nm)
            if b.resolved:
                share = b.share.format(2, percent=True)
                out.append(f"{key} nm: {share} of the damage of the open specimen.")
            else:
                out.append(
                    f"{key} nm: not resolved ({b.reason}); at most "
                    f"{100 * b.share.high:.2g} % of the damage of the open specimen."
                )
        fits = "fits" if self.exponential_fits else "does not fit"
        out.append(f"An exponential of slope {self.slope_nm.format()} nm {fits} the rates.")
        return out

    def to_frame(self) -> pd.DataFrame:
        """One row per band."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "band_nm": band_key(b.band_nm),
                    "weight": b.weight.value,
                    "low": b.weight.low,
                    "high": b.weight.high,
                    "damage_share": b.share.value,
                    "damage_share_low": b.share.low,
                    "damage_share_high": b.share.high,
                    "resolved": b.resolved,
                    "reason": b.reason,
                }
                for b in self.bands
            ]
        )

    def plot(self, ax: Any = None) -> Any:
        """Bands with intervals, arrows for upper limits, smooth curve; 1 at the reference."""
        ax = axes(ax)
        for b in self.bands:
            low, high = b.band_nm
            w = self._relative(b)
            if b.resolved:
                ax.fill_between([low, high], w.low, w.high, color="0.8", lw=0)
                ax.hlines(w.value, low, high, color="k")
            elif np.isfinite(w.high):
                middle = (low + high) / 2
                ax.hlines(w.high, low, high, color="0.6", ls="--")
                ax.annotate(
                    "",
                    (middle, 0.0),
                    (middle, w.high),
                    arrowprops={"arrowstyle": "->", "color": "0.6"},
                )
        scale = float(np.interp(self.reference_nm, self.wavelength_nm, self.curve))
        ax.plot(self.wavelength_nm, self.curve / scale, "k-", lw=0.8)
        ax.set_xlabel("wavelength (nm)")
        ax.set_ylabel(f"damage per absorbed photon (1 at {self.reference_nm:g} nm)")
        ax.set_ylim(bottom=0.0)
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def slope_from_increments(first: float, second: float, band_width_nm: float) -> float:
    """Exponential slope from the damage of two neighbouring bands of equal width [nm].

    For w = exp(-lambda/slope) and equal photons per nanometre the damages of neighbouring bands
    stand as exp(width/slope).

    Examples
    --------
    >>> round(1 / slope_from_increments(13.7667758971, 6.18581115306, 20.0), 6)
    0.04
    """
    if not (first > 0 and second > 0 and band_width_nm > 0) or first == second:
        raise OptistackError(
            "a slope needs two different positive damages and a positive width of the bands"
        )
    return float(band_width_nm / np.log(first / second))


def activation_spectrum(
    series: CutOnSeries,
    bands_nm: Sequence[BandNm] | None = None,
    *,
    confidence: float = 0.95,
) -> ActivationSpectrum:
    """Damage per absorbed photon in bands, as a smooth curve, and as an exponential.

    Parameters
    ----------
    series : CutOnSeries
    bands_nm : sequence of (float, float) [nm], optional
        Adjoining; from one filter's edge to the next when not given. Finer bands than the filters
        resolve come out as upper limits.
    confidence : float
        Of the intervals of resolved bands. The limit of a band that is not resolved is the upper
        end of a 99 % interval.

    Raises
    ------
    OptistackError
        Bands that overlap, leave gaps or are not covered by the wavelengths.
    """
    if not 0.5 <= confidence < 1:
        raise OptistackError(f"confidence {confidence} must lie between 0.5 and 1")
    bands = _bands(series, bands_nm)
    notes = _doubts(series)
    central = _Run(series, series.exponent, bands, confidence)
    ends = series.exponent_range or ()
    runs = [central, *(_Run(series, p, bands, confidence) for p in ends if p != series.exponent)]
    if series.exponent != 1 or ends:
        span = f" ({ends[0]:g} to {ends[1]:g})" if ends else ", taken as exact"
        notes.append(
            f"rates taken to the power 1/p, p = {series.exponent:g}{span}, since only doses add up"
        )
    slope = Value(
        central.exponential.slope_nm,
        min(r.exponential.low_nm for r in runs),
        max(r.exponential.high_nm for r in runs),
    )
    if not np.isfinite(slope.high):
        notes.append("a flat weight fits as well: the series does not find the slope")
        slope = replace(slope, bound="lower" if slope.low > 0 else None)
    elif slope.low == 0:
        slope = replace(slope, bound="upper")
    if central.widening > 1:
        notes.append(
            f"no non-negative weight agrees with the rates (p = {central.misfit:.2g} < "
            f"{MISFIT_P:g}); intervals are {central.widening:.2g} times wider"
        )
    found = tuple(_band([r.found[b] for r in runs], runs) for b in range(len(bands)))
    if not any(b.resolved for b in found):
        notes.append("the filter series resolves none of the bands")
    lam, curve = central.curve
    for array in (lam, curve):
        array.flags.writeable = False
    return ActivationSpectrum(
        series=series,
        bands=found,
        slope_nm=slope,
        exponential_fits=central.exponential.fits,
        wavelength_nm=lam,
        curve=curve,
        misfit=central.misfit,
        confidence=confidence,
        notes=tuple(notes),
    )


class _Run:
    """The whole inversion for one reciprocity exponent."""

    def __init__(
        self,
        series: CutOnSeries,
        exponent: float,
        bands: Sequence[BandNm],
        confidence: float,
    ):
        inversion = Inversion(series, exponent, confidence)
        self.exponential: Exponential = inversion.exponential()
        self.curve = inversion.curve(self.exponential)
        self.found, self.misfit, self.widening = inversion.bands(
            bands, self.exponential, self.curve
        )
        self.total = sum(b.best * b.damage for b in self.found)


def _band(cases: Sequence[Band], runs: Sequence[_Run]) -> BandWeight:
    """One band over all exponents: the first one's value, the widest interval."""
    base, total = cases[0], runs[0].total
    lows, highs, low_shares, high_shares = [], [], [], []
    for b, run in zip(cases, runs, strict=True):
        # Doses in rate^(1/p) have a unit of their own for each p: the open specimen is the same.
        scale = total / run.total if run.total > 0 else 1.0
        lows.append(b.low * b.mean * scale)
        highs.append(b.high * b.mean * scale)
        part = b.damage / run.total if run.total > 0 else 0.0
        low_shares.append(min(b.low * part, 1.0))
        high_shares.append(min(b.high * part, 1.0) if part > 0 else 1.0)
    low, high = min(lows), max(highs)
    resolved = all(b.resolved for b in cases) and high <= WIDEST * low
    reason = next((b.reason for b in cases if b.reason), "")
    if not resolved and not reason:
        reason = f"known to no better than a factor {high / low:.2g} for all exponents"
    if not resolved:
        low, low_shares = 0.0, [0.0]
    bound: Any = None if resolved else "upper"
    share = base.best * base.damage / total if total > 0 else 0.0
    return BandWeight(
        base.band_nm,
        Value(base.best * base.mean, low, high, bound),
        Value(min(share, 1.0), min(low_shares), max(high_shares), bound),
        resolved,
        reason,
    )


def _doubts(series: CutOnSeries) -> list[str]:
    """What the rates themselves say against the series."""
    notes = []
    rate, sd = series.rate, series.rate_sd
    worst = int(np.argmin(rate / sd))
    if rate[worst] < -_BEYOND_CHANCE * sd[worst]:
        notes.append(
            f"the specimen behind {series.names[worst]} improves beyond its error: light heals, or "
            "something else acts; a non-negative weight cannot follow that"
        )
    order = np.argsort(series.absorbed_photons_m3_s_nm @ series.step_nm)[::-1]
    for more, fewer in zip(order[:-1], order[1:], strict=True):
        if rate[fewer] - rate[more] > _BEYOND_CHANCE * np.hypot(sd[fewer], sd[more]):
            notes.append(
                f"the specimen behind {series.names[fewer]} lost more than that behind "
                f"{series.names[more]}, which absorbed more: filters exchanged, or light that heals"
            )
    return notes


def _bands(series: CutOnSeries, bands_nm: Sequence[BandNm] | None) -> tuple[BandNm, ...]:
    lam = series.wavelength_nm
    if bands_nm is None:
        edges = np.unique([*series.half_value_nm, lam[0], lam[-1]])
        keep = [edges[0]]
        keep += [
            e
            for e in edges[1:-1]
            if e - keep[-1] > _CLOSEST_EDGES_NM and edges[-1] - e > _CLOSEST_EDGES_NM
        ]
        keep.append(edges[-1])
        return tuple((float(a), float(b)) for a, b in zip(keep[:-1], keep[1:], strict=True))
    bands = tuple((float(a), float(b)) for a, b in bands_nm)
    if not bands or any(not 0 < a < b for a, b in bands):
        raise OptistackError("bands must go from a shorter to a longer wavelength [nm]")
    if any(x[1] != y[0] for x, y in zip(bands[:-1], bands[1:], strict=True)):
        raise OptistackError("bands must adjoin: light between them would be counted nowhere")
    if bands[0][0] > lam[0] or bands[-1][1] < lam[-1]:
        outside = (lam < bands[0][0]) | (lam > bands[-1][1])
        photons = series.absorbed_photons_m3_s_nm * series.step_nm
        if photons[:, outside].sum() > _LEFT_OUT * photons.sum():
            raise OptistackError(
                f"the layer absorbs light outside {bands[0][0]:g}-{bands[-1][1]:g} nm that would "
                "be counted nowhere; add bands for it"
            )
    return bands
