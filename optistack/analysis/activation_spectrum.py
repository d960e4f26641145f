"""Which wavelengths harm: an activation spectrum from specimens behind cut-on filters.

The practice of ASTM G178 takes the difference in damage behind neighbouring filters for the damage
of the band between their cut-ons. Here the filters' real edges and the layer's own absorption are
taken into account,

    rate_j = integral w(lambda) a_j(lambda) dlambda + dark,      w >= 0,

with a_j the photons that the layer absorbs per volume, time and nanometre behind filter j, so that
w is damage per *absorbed* photon. In each band w is a non-negative multiple of a common shape (the
exponential that fits best); a band's interval holds every multiple for which the best choice of
the others still fits. A band without a lower end above zero is not resolved: its upper end is all
that the data say. The smooth curve is a regularised inversion on a fine grid; the intervals of the
bands do not lean on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from optistack.errors import OptistackError
from optistack.fitting import student
from optistack.spectra import REFERENCE_NM, BandNm, Weight
from optistack.spectral_math import band_key
from optistack.tables import write_table
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

_SLOPES_NM = np.geomspace(3.0, 3000.0, 241)
_CURVE_STEP_NM = 4.0
# A band that gets less than this part of the layer's photons in all specimens is not lit.
_DARK_BAND = 1e-6
# High over low beyond which a band counts as not resolved although its lower end is above zero.
_WIDEST = 30.0
_MISFIT_P = 0.01


@dataclass(frozen=True, eq=False)
class CutOnSeries:
    """Specimens of one layer behind cut-on filters under one source.

    Parameters
    ----------
    names : tuple of str
        Filters, in the order of the rows below; one may be "none".
    wavelength_nm : (wavelength,) array [nm]
    absorbed_photons_m3_s_nm : (filter, wavelength) array [1/(m3 s nm)]
        Photons that the layer absorbs per volume behind each filter: photon flux x transmittance
        of the filter x absorptance of the layer / thickness. Any common unit.
    rate, rate_sd : (filter,) arrays
        Damage rate of each specimen, for example from `group_rates`, and its standard deviation.
    dark_rate, dark_rate_sd : float, optional
        Of the dark control, when it has not been subtracted already.
    source, layer, stack : str
        What the result holds for.
    exponent : float
        Reciprocity exponent p; rates are turned into rate^(1/p), which adds up over wavelengths.

    Raises
    ------
    OptistackError
        Fewer than three filters, arrays that do not fit, negative photons, errors not positive,
        two rows that are the same filter.
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

    def __post_init__(self) -> None:
        lam = np.array(self.wavelength_nm, dtype=float)
        photons = np.array(self.absorbed_photons_m3_s_nm, dtype=float)
        rate, sd = np.array(self.rate, dtype=float), np.array(self.rate_sd, dtype=float)
        n = len(self.names)
        if n < 3:
            raise OptistackError(
                f"{n} specimens behind filters resolve no bands; at least 3 are needed"
            )
        if lam.ndim != 1 or lam.size < 10 or not (np.diff(lam) > 0).all():
            raise OptistackError("a cut-on series needs ten increasing wavelengths or more")
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
        if not (np.isfinite(self.exponent) and self.exponent > 0):
            raise OptistackError(f"reciprocity exponent {self.exponent} must be positive")
        total = photons.sum(axis=1)
        if not (total > 0).any():
            raise OptistackError("the layer absorbs nothing behind any of the filters")
        for i in range(n):
            for j in range(i):
                if np.abs(photons[i] - photons[j]).sum() < 1e-3 * max(total[i], total[j]):
                    raise OptistackError(
                        f"filters {self.names[j]} and {self.names[i]} let the same light through: "
                        "they resolve nothing between them. Pool their specimens"
                    )
        for name, array in (
            ("wavelength_nm", lam),
            ("absorbed_photons_m3_s_nm", photons),
            ("rate", rate),
            ("rate_sd", sd),
        ):
            array.flags.writeable = False
            object.__setattr__(self, name, array)

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
    notes : tuple of str
    """

    series: CutOnSeries
    bands: tuple[BandWeight, ...]
    slope_nm: Value
    exponential_fits: bool
    wavelength_nm: Real
    curve: Real
    misfit: float
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
            if at > 1e-3 * self.curve.max():
                return REFERENCE_NM
        return float(self.wavelength_nm[int(np.argmax(self.curve))])

    def weight(self, name: str = "measured", *, light: str | None = None) -> Weight:
        """The curve as a spectral weight, 1 at `reference_nm`.

        Parameters
        ----------
        name : str
        light : str, optional
            What it will be used with; another source than its own adds a note.
        """
        s = self.series
        scale = float(np.interp(self.reference_nm, self.wavelength_nm, self.curve))
        notes = [
            f"weight {name}: activation spectrum measured under {s.source} for {s.layer} in "
            f"{s.stack}; with another source, layer or stack it is an assumption"
        ]
        if light is not None and light != s.source:
            notes.append(f"weight {name}: measured under {s.source}, used here under {light}")
        open_bands = [band_key(b.band_nm) for b in self.bands if not b.resolved]
        if open_bands:
            notes.append(
                f"weight {name}: in {', '.join(open_bands)} nm the data give an upper limit only"
            )
        return Weight(
            name=name,
            band_nm=(float(self.wavelength_nm[0]), float(self.wavelength_nm[-1])),
            wavelength_nm=self.wavelength_nm,
            values=self.curve / scale,
            reference_nm=self.reference_nm,
            measured=True,
            notes=tuple(notes),
        )

    def limits(self, name: str = "measured") -> tuple[Weight, Weight]:
        """Two weights between which the truth may lie: steepest and flattest.

        The curve times the ends of the bands' intervals, tilted about the reference: high at short
        and low at long wavelengths, and the reverse.
        """
        base = self.weight(name)
        lam = self.wavelength_nm
        low, high = np.ones(lam.size), np.ones(lam.size)
        for b in self.bands:
            inside = (lam >= b.band_nm[0]) & (lam <= b.band_nm[1])
            if b.weight.value > 0:
                low[inside] = b.weight.low / b.weight.value
                high[inside] = b.weight.high / b.weight.value
        short = lam < self.reference_nm
        steep = base.values * np.where(short, high, low)
        flat = base.values * np.where(short, low, high)
        return (
            replace(base, name=f"{name}, steepest", values=steep),
            replace(base, name=f"{name}, flattest", values=flat),
        )

    def write(self, path: str | Path, *, invented: bool = False) -> Path:
        """Write the weight as a table that a scenario can use, with source, layer and stack."""
        s = self.series
        weight = self.weight(Path(path).stem)
        return write_table(
            path,
            "weight",
            weight.wavelength_nm,
            {"weight": weight.values},
            header={
                "title": f"Activation spectrum of {s.layer} in {s.stack} under {s.source}",
                "units": "wavelength nm; damage per absorbed photon, 1 at reference_nm",
                "source": f"cut-on filters under {s.source}, layer {s.layer}, stack {s.stack}",
                "licence": "yours",
                "retrieved": "not retrieved",
                "kind": "invented" if invented else "measured",
                "grade": "D" if invented else "B",
                "uncertainty": "; ".join(
                    f"{band_key(b.band_nm)} nm {b.weight.format(2)}" for b in self.bands
                ),
                "reference_nm": f"{weight.reference_nm:g}",
            },
            notes=weight.notes,
        )

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
        """Bands with intervals, arrows for upper limits, and the smooth curve."""
        if ax is None:
            import matplotlib.pyplot as plt

            _, ax = plt.subplots()
        for b in self.bands:
            low, high = b.band_nm
            if b.resolved:
                ax.fill_between([low, high], b.weight.low, b.weight.high, color="0.8", lw=0)
                ax.hlines(b.weight.value, low, high, color="k")
            else:
                ax.hlines(b.weight.high, low, high, color="0.6", ls="--")
                ax.annotate(
                    "",
                    ((low + high) / 2, 0),
                    ((low + high) / 2, b.weight.high),
                    arrowprops={"arrowstyle": "->", "color": "0.6"},
                )
        ax.plot(self.wavelength_nm, self.curve, "k-", lw=0.8)
        ax.set_xlabel("wavelength (nm)")
        ax.set_ylabel("damage per absorbed photon")
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

    Raises
    ------
    OptistackError
        Bands that overlap, leave gaps or are not covered by the wavelengths.
    """
    p = series.exponent
    rate = np.sign(series.rate) * np.abs(series.rate) ** (1 / p)
    sd = series.rate_sd * np.abs(series.rate) ** (1 / p - 1) / p if p != 1 else series.rate_sd
    notes = []
    if p != 1:
        if not (series.rate > 0).all():
            raise OptistackError(
                "rates that are not positive cannot be turned into doses with p other than 1"
            )
        notes.append(f"rates taken to the power 1/p, p = {p:g}, since only doses add up")
    if (series.rate + 2 * series.rate_sd < 0).any():
        at = int(np.argmin(series.rate / series.rate_sd))
        notes.append(
            f"the specimen behind {series.names[at]} improves beyond its error: light heals, or "
            "something else acts; a non-negative weight cannot follow that"
        )
    bands = _bands(series, bands_nm)
    order = np.argsort(series.absorbed_photons_m3_s_nm.sum(axis=1))[::-1]
    for more, fewer in zip(order[:-1], order[1:], strict=True):
        if rate[fewer] - rate[more] > 2.6 * np.hypot(sd[fewer], sd[more]):
            notes.append(
                f"the specimen behind {series.names[fewer]} lost more than that behind "
                f"{series.names[more]}, which absorbed more: filters exchanged, or light that heals"
            )
    model = _Model(series, rate, sd)
    slope, amplitude, chi2 = model.exponential()
    spare = rate.size - 2
    fits = bool(stats.chi2.sf(chi2, spare) > _MISFIT_P) if spare > 0 else True
    slope_value = model.slope_interval(slope, chi2, spare, confidence)
    if not np.isfinite(slope_value.high):
        notes.append("a flat weight fits as well: the series does not find the slope")
    shape = np.exp(-(series.wavelength_nm - REFERENCE_NM) / slope)
    matrix = model.matrix(bands, shape)
    found, misfit, widening = model.bands(matrix, bands, shape, confidence)
    if widening > 1:
        notes.append(
            f"no non-negative weight agrees with the rates (p = {misfit:.2g}); intervals are "
            f"{widening:.2g} times wider"
        )
    lam, curve = model.curve(bands, shape, amplitude)
    if not any(b.resolved for b in found):
        notes.append("the filter series resolves none of the bands")
    return ActivationSpectrum(
        series=series,
        bands=tuple(found),
        slope_nm=slope_value,
        exponential_fits=fits,
        wavelength_nm=lam,
        curve=curve,
        misfit=misfit,
        notes=tuple(notes),
    )


def _bands(series: CutOnSeries, bands_nm: Sequence[BandNm] | None) -> tuple[BandNm, ...]:
    lam = series.wavelength_nm
    if bands_nm is None:
        edges = np.unique([*series.half_value_nm, lam[0], lam[-1]])
        # Edges closer than the grid can tell belong together.
        keep = [edges[0]]
        keep += [e for e in edges[1:-1] if e - keep[-1] > 2.0 and edges[-1] - e > 2.0]
        keep.append(edges[-1])
        return tuple((float(a), float(b)) for a, b in zip(keep[:-1], keep[1:], strict=True))
    bands = tuple((float(a), float(b)) for a, b in bands_nm)
    if not bands or any(b <= a for a, b in bands):
        raise OptistackError("bands must go from a shorter to a longer wavelength [nm]")
    if any(x[1] != y[0] for x, y in zip(bands[:-1], bands[1:], strict=True)):
        raise OptistackError("bands must adjoin: light between them would be counted nowhere")
    if bands[0][0] > lam[0] or bands[-1][1] < lam[-1]:
        outside = (lam < bands[0][0]) | (lam > bands[-1][1])
        lost = series.absorbed_photons_m3_s_nm[:, outside].sum()
        if lost > 1e-3 * series.absorbed_photons_m3_s_nm.sum():
            raise OptistackError(
                f"the layer absorbs light outside {bands[0][0]:g}-{bands[-1][1]:g} nm that would "
                "be counted nowhere; add bands for it"
            )
    return bands


@dataclass(frozen=True, eq=False)
class _Model:
    """Readings in units of their errors, with the dark control as one more reading."""

    series: CutOnSeries
    rate: Real
    sd: Real

    @property
    def step_nm(self) -> Real:
        """Trapezoidal weights of the wavelengths [nm]."""
        lam = self.series.wavelength_nm
        step = np.zeros(lam.size)
        step[:-1] += np.diff(lam) / 2
        step[1:] += np.diff(lam) / 2
        return step

    @property
    def dark(self) -> bool:
        return self.series.dark_rate is not None

    @property
    def data(self) -> Real:
        readings = self.rate / self.sd
        if self.series.dark_rate is None or self.series.dark_rate_sd is None:
            return np.asarray(readings)
        return np.append(readings, self.series.dark_rate / self.series.dark_rate_sd)

    def columns(self, kernel: Real) -> Real:
        """(filter, unknown) kernel in units of the errors, with the dark rate as last unknown."""
        out = kernel / self.sd[:, None]
        if self.series.dark_rate_sd is None:
            return np.asarray(out)
        out = np.column_stack([out, 1 / self.sd])
        last = np.zeros(out.shape[1])
        last[-1] = 1 / self.series.dark_rate_sd
        return np.vstack([out, last])

    def _solve(self, columns: Real, data: Real) -> tuple[Real, float]:
        """Non-negative least squares: solution and sum of squares."""
        norm = np.sqrt((columns**2).sum(axis=0))
        safe = np.where(norm > 0, norm, 1.0)
        x, left = optimize.nnls(columns / safe, data, maxiter=50 * columns.shape[1])
        return np.asarray(x / safe), float(left) ** 2

    def exponential(self) -> tuple[float, float, float]:
        """Slope [nm], amplitude and sum of squares of the best exponential."""
        best = min(_SLOPES_NM, key=lambda s: self._at_slope(s)[1])
        span = np.log(_SLOPES_NM[1] / _SLOPES_NM[0])
        found = optimize.minimize_scalar(
            lambda x: self._at_slope(float(np.exp(x)))[1],
            bounds=(np.log(best) - span, np.log(best) + span),
            method="bounded",
        )
        slope = float(np.exp(found.x))
        amplitude, chi2 = self._at_slope(slope)
        return slope, amplitude, chi2

    def _at_slope(self, slope: float) -> tuple[float, float]:
        lam = self.series.wavelength_nm
        shape = np.exp(-(lam - REFERENCE_NM) / slope) * self.step_nm
        kernel = self.series.absorbed_photons_m3_s_nm @ shape
        x, chi2 = self._solve(self.columns(kernel[:, None]), self.data)
        return float(x[0]), chi2

    def slope_interval(self, slope: float, chi2: float, spare: int, confidence: float) -> Value:
        limit = chi2 + student(np.inf, confidence) ** 2 * max(1.0, chi2 / max(spare, 1))

        def over(x: float) -> float:
            return self._at_slope(float(np.exp(x)))[1] - limit

        ends = []
        for end in (np.log(_SLOPES_NM[0]), np.log(_SLOPES_NM[-1])):
            ends.append(
                optimize.brentq(over, np.log(slope), end, xtol=1e-4) if over(end) > 0 else None
            )
        low = 0.0 if ends[0] is None else float(np.exp(ends[0]))
        high = np.inf if ends[1] is None else float(np.exp(ends[1]))
        bound: Any = "lower" if high == np.inf and low > 0 else None
        return Value(slope, low, high, "upper" if low == 0 and high < np.inf else bound)

    def matrix(self, bands: Sequence[BandNm], shape: Real) -> Real:
        """Rate that unit multiples of the shape in each band give, (filter, band)."""
        lam = self.series.wavelength_nm
        photons = self.series.absorbed_photons_m3_s_nm
        out = np.zeros((self.rate.size, len(bands)))
        for b, (low, high) in enumerate(bands):
            # Fine enough that a band may end between two wavelengths.
            fine = np.unique(np.concatenate([[low, high], lam[(lam > low) & (lam < high)]]))
            for j in range(self.rate.size):
                values = np.interp(fine, lam, photons[j] * shape, left=0.0, right=0.0)
                out[j, b] = np.trapezoid(values, fine)
        return out

    def bands(
        self, matrix: Real, bands: Sequence[BandNm], shape: Real, confidence: float
    ) -> tuple[list[BandWeight], float, float]:
        columns, data = self.columns(matrix), self.data
        x, chi2 = self._solve(columns, data)
        spare = data.size - int(np.linalg.matrix_rank(columns))
        misfit = float(stats.chi2.sf(chi2, spare)) if spare > 0 else 1.0
        if spare <= 0 and chi2 > student(np.inf, 1 - _MISFIT_P) ** 2:
            # As many bands as readings, and yet a non-negative weight does not reach them.
            misfit = float(stats.chi2.sf(chi2, 1))
        widening = float(np.sqrt(chi2 / max(spare, 1))) if misfit < _MISFIT_P else 1.0
        widening = max(widening, 1.0)
        limit = chi2 + (student(np.inf, confidence) * widening) ** 2
        open_row = int(np.argmax(matrix.sum(axis=1)))
        flat = self.matrix(bands, np.ones_like(shape))
        total = float(matrix[open_row] @ x[: len(bands)])
        least = float(flat.sum())
        out = []
        for b, band in enumerate(bands):
            if flat[:, b].max() < _DARK_BAND * least:
                unknown = Value(float("nan"), 0.0, float("inf"), "upper")
                out.append(BandWeight(band, unknown, unknown, False, "no light is absorbed there"))
                continue
            low, high = self._interval(columns, data, b, x[b], limit)
            mean = matrix[open_row, b] / flat[open_row, b]
            part = matrix[open_row, b] / total if total > 0 else 0.0
            resolved = low > 0 and high < _WIDEST * low
            reason = ""
            if not resolved:
                reason = "the data allow no damage there" if low <= 0 else "the interval is wide"
                low = 0.0
            bound: Any = None if resolved else "upper"
            out.append(
                BandWeight(
                    band,
                    Value(x[b] * mean, low * mean, high * mean, bound),
                    Value(
                        min(x[b] * part, 1.0), min(low * part, 1.0), min(high * part, 1.0), bound
                    ),
                    resolved,
                    reason,
                )
            )
        return out, misfit, widening

    def _interval(
        self, columns: Real, data: Real, band: int, best: float, limit: float
    ) -> tuple[float, float]:
        """Multiples of one band for which the best choice of the others still fits."""
        own = columns[:, band]
        rest = np.delete(columns, band, axis=1)

        def over(multiple: float) -> float:
            return self._solve(rest, data - multiple * own)[1] - limit

        width = float(np.sqrt(limit / (own @ own)))
        low = 0.0
        if best > 0 and over(0.0) > 0:
            low = float(optimize.brentq(over, 0.0, best, xtol=1e-12 + 1e-6 * best))
        high = best + width
        while over(high) <= 0:
            high = best + 2 * (high - best)
            if high > best + 1e9 * width:
                return low, np.inf
        high = float(optimize.brentq(over, best, high, xtol=1e-12 + 1e-6 * high))
        return low, high

    def curve(self, bands: Sequence[BandNm], shape: Real, amplitude: float) -> tuple[Real, Real]:
        """Smooth non-negative weight: as smooth, beside the exponential, as the rates allow."""
        low, high = bands[0][0], bands[-1][1]
        knots = np.linspace(low, high, max(int(round((high - low) / _CURVE_STEP_NM)), 4) + 1)
        lam = self.series.wavelength_nm
        tents = np.array([np.interp(lam, knots, row) for row in np.eye(knots.size)])
        kernel = self.series.absorbed_photons_m3_s_nm @ (tents * shape * self.step_nm).T
        columns, data = self.columns(kernel), self.data
        rough = np.diff(np.eye(knots.size), axis=0)
        if self.dark:
            rough = np.column_stack([rough, np.zeros(len(rough))])
        unit = amplitude if amplitude > 0 else 1.0
        readings = data.size

        def solve(stiffness: float) -> tuple[Real, float]:
            stacked = np.vstack([columns, stiffness / unit * rough])
            x, _ = self._solve(stacked, np.concatenate([data, np.zeros(len(rough))]))
            return x, float(((columns @ x - data) ** 2).sum())

        # Discrepancy principle: the stiffest curve that misses the rates by no more than their
        # errors, or by little more than the loosest one does.
        least = solve(1e-3)[1]
        allowed = max(float(readings), least + 1.0)
        chosen = solve(1e-3)[0]
        for stiffness in np.geomspace(1e3, 1e-3, 25):
            x, chi2 = solve(float(stiffness))
            if chi2 <= allowed:
                chosen = x
                break
        at = np.interp(knots, lam, shape)
        return knots, np.asarray(chosen[: knots.size] * at)
