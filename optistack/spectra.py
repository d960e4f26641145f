"""Light: spectral irradiance with its source, its variants, and the spectral weights of damage."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError, RangeError, TableError
from optistack.spectral_math import (
    BOLTZMANN_J_K,
    LIGHT_SPEED_M_S,
    PHOTON_J_NM,
    PLANCK_J_S,
    band_key,
    integrate_product,
)
from optistack.tables import Table, find_table, read_table

Real = NDArray[np.float64]
BandNm = tuple[float, float]

DEFAULT_BANDS_NM: tuple[BandNm, ...] = (
    (280.0, 315.0),
    (315.0, 400.0),
    (300.0, 400.0),
    (280.0, 400.0),
    (400.0, 700.0),
)
DAMAGE_BAND_NM: BandNm = (280.0, 400.0)
REFERENCE_NM = 340.0
FAMILY_SLOPES_NM = (15.0, 22.0, 40.0)


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Spectral irradiance, linear between its samples.

    Attributes
    ----------
    name : str
    wavelength_nm : (wavelength,) array [nm]
    spectral_irradiance_w_m2_nm : (wavelength,) array [W/(m2 nm)]
        Relative until a set point is given, when ``relative`` is True.
    relative : bool
    dark_outside : bool
        True: the source has no light outside its range, by convention or by nature. False: the
        range ends because the data end, and asking beyond it is refused.
    variants : tuple of Spectrum
        Other shapes that the source may have; answers carry their range. Each is scaled to the
        set point by itself.
    grade, kind, source, title : str
    notes : tuple of str
    """

    name: str
    wavelength_nm: Real
    spectral_irradiance_w_m2_nm: Real
    relative: bool = False
    dark_outside: bool = False
    variants: tuple[Spectrum, ...] = ()
    grade: str = "D"
    kind: str = "measured"
    source: str = "not stated"
    title: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        lam = np.array(self.wavelength_nm, dtype=float)
        values = np.array(self.spectral_irradiance_w_m2_nm, dtype=float)
        if lam.ndim != 1 or lam.size < 2 or lam.shape != values.shape:
            raise OptistackError(
                f"spectrum {self.name}: needs at least two wavelengths and as many values"
            )
        if not (np.isfinite(lam).all() and (np.diff(lam) > 0).all() and lam[0] > 0):
            raise OptistackError(f"spectrum {self.name}: wavelengths must be positive and increase")
        if not (np.isfinite(values).all() and (values >= 0).all()):
            raise OptistackError(f"spectrum {self.name}: values must be finite and not negative")
        for name, array in (("wavelength_nm", lam), ("spectral_irradiance_w_m2_nm", values)):
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    @property
    def range_nm(self) -> BandNm:
        """First and last wavelength [nm]."""
        return float(self.wavelength_nm[0]), float(self.wavelength_nm[-1])

    @cached_property
    def lit_range_nm(self) -> BandNm:
        """From the first to the last wavelength with light, of all variants [nm]."""
        low, high = np.inf, -np.inf
        for shape in (self, *self.variants):
            lit = np.flatnonzero(shape.spectral_irradiance_w_m2_nm > 0)
            if lit.size:
                low = min(low, shape.wavelength_nm[max(lit[0] - 1, 0)])
                last = min(lit[-1] + 1, shape.wavelength_nm.size - 1)
                high = max(high, shape.wavelength_nm[last])
        return float(low), float(high)

    def same_source_as(self, other: Spectrum) -> bool:
        """Whether both have the same variants, whatever their levels: one source, used twice.

        Examples
        --------
        >>> lamp, sun = spectrum("uva340"), spectrum("am15g")
        >>> lamp.at_set_point(340, 0.89).same_source_as(lamp), lamp.same_source_as(sun)
        (True, False)
        """
        if len(self.variants) != len(other.variants):
            return False
        for x, y in zip((self, *self.variants), (other, *other.variants), strict=True):
            if not np.array_equal(x.wavelength_nm, y.wavelength_nm):
                return False
            p, q = x.spectral_irradiance_w_m2_nm, y.spectral_irradiance_w_m2_nm
            if not np.allclose(p * q.max(), q * p.max(), rtol=1e-9, atol=0.0):
                return False
        return True

    def __call__(self, wavelength_nm: ArrayLike) -> Real:
        """Spectral irradiance [W/(m2 nm)] at given wavelengths [nm].

        Raises
        ------
        RangeError
            Outside the samples, unless the source is dark there.
        """
        lam = np.asarray(wavelength_nm, dtype=float)
        if lam.size:
            self.require((float(lam.min()), float(lam.max())))
        return np.asarray(
            np.interp(
                lam, self.wavelength_nm, self.spectral_irradiance_w_m2_nm, left=0.0, right=0.0
            )
        )

    def covers(self, band_nm: BandNm) -> bool:
        """Whether the light is known all over a band: sampled, or dark by nature."""
        low, high = self.range_nm
        return self.dark_outside or (low <= band_nm[0] and band_nm[1] <= high)

    def require(self, band_nm: BandNm) -> None:
        """Refuse a band that the samples do not cover, unless the source is dark there."""
        low, high = self.range_nm
        if not self.covers(band_nm):
            raise RangeError(
                f"spectrum {self.name}",
                band_nm,
                (low, high),
                "Narrow the band, give a spectrum that covers it, or state that the source is "
                "dark outside its table (dark_outside = true)",
            )

    def irradiance_w_m2(self, band_nm: BandNm) -> float:
        """Irradiance in a band [W/m2], exact for the piecewise-linear spectrum.

        Examples
        --------
        >>> round(spectrum("am15g").irradiance_w_m2((315, 400)), 2)
        45.42
        """
        return self._integral(band_nm, photons=False)

    def photon_flux_m2_s(self, band_nm: BandNm) -> float:
        """Photon flux in a band [1/(m2 s)]."""
        return self._integral(band_nm, photons=True)

    def _integral(self, band_nm: BandNm, *, photons: bool) -> float:
        self.require(band_nm)
        low, high = max(band_nm[0], self.range_nm[0]), min(band_nm[1], self.range_nm[1])
        factors: list[Callable[[Real], Real]] = [self.__call__]
        if photons:
            factors.append(lambda lam: lam / PHOTON_J_NM)
        return integrate_product(low, high, [self.wavelength_nm], factors)

    def times(self, factor: float) -> Spectrum:
        """The spectrum and its variants multiplied by a number."""
        if not (np.isfinite(factor) and factor > 0):
            raise OptistackError(f"spectrum {self.name}: factor {factor} must be positive")
        with np.errstate(over="ignore"):  # refused as not finite
            values = self.spectral_irradiance_w_m2_nm * factor
        return replace(
            self,
            spectral_irradiance_w_m2_nm=values,
            relative=False,
            variants=tuple(v.times(factor) for v in self.variants),
        )

    def at_set_point(self, wavelength_nm: float, spectral_irradiance_w_m2_nm: float) -> Spectrum:
        """Scaled so that the spectral irradiance at one wavelength has a given value.

        Parameters
        ----------
        wavelength_nm : float [nm]
        spectral_irradiance_w_m2_nm : float [W/(m2 nm)]
            At the sample plane, front side, as a cosine receiver reads it.

        Raises
        ------
        OptistackError
            The spectrum has no light at that wavelength.
        """

        def scale(shape: Spectrum) -> Spectrum:
            value = float(
                np.interp(
                    wavelength_nm,
                    shape.wavelength_nm,
                    shape.spectral_irradiance_w_m2_nm,
                    left=0.0,
                    right=0.0,
                )
            )
            if value <= 0:
                low, high = shape.lit_range_nm
                lit = f"from {low:g} to {high:g} nm" if low < high else "nowhere"
                raise OptistackError(
                    f"spectrum {self.name} has no light at {wavelength_nm:g} nm to set to "
                    f"{spectral_irradiance_w_m2_nm:g} W/m2/nm; it has light {lit}"
                )
            return replace(shape, variants=()).times(spectral_irradiance_w_m2_nm / value)

        return replace(scale(self), variants=tuple(scale(v) for v in self.variants))

    def at_irradiance(self, band_nm: BandNm, irradiance_w_m2: float) -> Spectrum:
        """Scaled so that the irradiance in a band has a given value [W/m2]."""

        def scale(shape: Spectrum) -> Spectrum:
            value = shape.irradiance_w_m2(band_nm)
            if value <= 0:
                raise OptistackError(
                    f"spectrum {self.name} has no light in {band_key(band_nm)} nm to scale"
                )
            return replace(shape, variants=()).times(irradiance_w_m2 / value)

        return replace(scale(self), variants=tuple(scale(v) for v in self.variants))

    def at_suns(self, multiple: float, band_nm: BandNm) -> Spectrum:
        """Scaled to a multiple of AM1.5G (ASTM G173-03) in a named band."""
        sun = spectrum("am15g").irradiance_w_m2(band_nm)
        return self.at_irradiance(band_nm, multiple * sun)


def spectrum(source: str | Path | Table | Spectrum) -> Spectrum:
    """A light by the name of a table that comes with optistack, or from a file.

    Parameters
    ----------
    source : str, Path, Table or Spectrum
        "am15g", "uva340", ... (see ``optistack tables``), or a file with the columns
        wavelength_nm, spectral_irradiance_w_m2_nm.

    Raises
    ------
    TableError
        As in `optistack.tables.read_table`; a table of something else.

    Examples
    --------
    >>> lamp = spectrum("uva340").at_set_point(340, 0.89)
    >>> print(round(float(lamp(340.0)), 4), [v.name for v in lamp.variants])
    0.89 ['short_rich', 'short_poor']
    """
    if isinstance(source, Spectrum):
        return source
    if isinstance(source, Table):
        return _from_table(source)
    if isinstance(source, Path) or source.lower().endswith((".csv", ".txt", ".dat")):
        return _from_table(read_table(source))
    return _from_table(find_table(source, "spectra"))


def _from_table(table: Table) -> Spectrum:
    if table.quantity == "spectral_irradiance":
        main = "spectral_irradiance_w_m2_nm"
    elif table.quantity == "relative_spectral_irradiance":
        main = "mid" if "mid" in table.columns else next(iter(table.columns))
    else:
        raise TableError(f"holds {table.quantity}, not the spectrum of a light", table.path)
    relative = table.quantity == "relative_spectral_irradiance"
    dark = relative and table.kind in ("model", "invented")
    low, high = table.range_nm
    notes = tuple(n for n in table.notes if "differs from the one" in n)
    if dark:
        notes += (
            f"light {table.name}: the {table.kind} spectrum has no light outside "
            f"{low:g}-{high:g} nm; a real lamp may",
        )

    def shape(name: str, column: str) -> Spectrum:
        lam, values = table.known(column)
        return Spectrum(
            name=name,
            wavelength_nm=lam,
            spectral_irradiance_w_m2_nm=values,
            relative=relative,
            dark_outside=dark,
            grade=table.grade,
            kind=table.kind,
            source=table.source,
            title=table.title,
            notes=notes,
        )

    others = [c for c in table.columns if c != main] if relative else []
    return replace(shape(table.name, main), variants=tuple(shape(c, c) for c in others))


def planck(temperature_k: float, range_nm: BandNm = (280.0, 4000.0)) -> Spectrum:
    """Black-body exitance into the hemisphere [W/(m2 nm)], on a grid of 1 nm.

    Source: M. Planck; 2 pi h c^2 / lambda^5 / (exp(h c / lambda k T) - 1).

    Examples
    --------
    >>> print(round(float(planck(5772.0)(500.0)), 1))
    82430.8
    """
    if not (np.isfinite(temperature_k) and temperature_k > 0):
        raise OptistackError(f"temperature {temperature_k} K must be positive")
    lam_nm = np.arange(np.floor(range_nm[0]), np.ceil(range_nm[1]) + 1.0)
    lam = lam_nm * 1e-9
    x = PLANCK_J_S * LIGHT_SPEED_M_S / (lam * BOLTZMANN_J_K * temperature_k)
    with np.errstate(over="ignore", divide="ignore"):  # far from the peak: 0; infinite: refused
        exitance = 2 * np.pi * PLANCK_J_S * LIGHT_SPEED_M_S**2 / lam**5 / np.expm1(x) * 1e-9
    return Spectrum(
        name=f"planck_{temperature_k:g}k",
        wavelength_nm=lam_nm,
        spectral_irradiance_w_m2_nm=exitance,
        grade="C",
        kind="model",
        source="Planck's law",
        title=f"Black body at {temperature_k:g} K",
    )


def gaussian(centre_nm: float, width_nm: float) -> Spectrum:
    """A light-emitting diode as a Gaussian line, relative, dark beyond 8 standard deviations.

    Parameters
    ----------
    centre_nm : float [nm]
    width_nm : float [nm]
        Full width at half maximum.

    Examples
    --------
    >>> led = gaussian(365.0, 10.0).at_irradiance((300, 450), 50.0)
    >>> round(led.irradiance_w_m2((300, 450)), 3)
    50.0
    """
    if not (centre_nm > 0 and width_nm > 0 and centre_nm > 5 * width_nm):
        raise OptistackError(
            f"Gaussian line: centre {centre_nm:g} nm and width {width_nm:g} nm must be positive, "
            "the width well below the centre"
        )
    sigma = width_nm / np.sqrt(8 * np.log(2))
    lam = centre_nm + sigma * np.linspace(-8, 8, 321)
    values = np.exp(-0.5 * ((lam - centre_nm) / sigma) ** 2)
    values[[0, -1]] = 0.0
    return Spectrum(
        name=f"led_{centre_nm:g}",
        wavelength_nm=lam,
        spectral_irradiance_w_m2_nm=values,
        relative=True,
        dark_outside=True,
        grade="C",
        kind="model",
        source="Gaussian line",
        title=f"Gaussian line at {centre_nm:g} nm, {width_nm:g} nm wide",
        notes=(f"light led_{centre_nm:g}: a Gaussian line, no light beyond 8 standard deviations",),
    )


@dataclass(frozen=True, eq=False)
class Weight:
    """How much an absorbed photon of each wavelength counts, within a band.

    Exponential weights are exp(-(lambda - 340 nm) / slope): an absolute weighted dose reads
    "equivalent photons at 340 nm". Between different weights only ratios can be compared.

    Attributes
    ----------
    name : str
    band_nm : (float, float) [nm]
        Outside it the weight is zero; it is printed beside every weighted answer.
    slope_nm : float [nm] or None
        None: flat, or a table.
    wavelength_nm, values : arrays, for a table
    reference_nm : float [nm]
        Where the weight is 1.
    measured : bool
        An activation spectrum, valid for the source and the stack it was measured with.
    measured_with : (str, str, str)
        That source, layer and stack, where they are known.
    """

    name: str
    band_nm: BandNm = DAMAGE_BAND_NM
    slope_nm: float | None = None
    wavelength_nm: Real = field(default_factory=lambda: np.empty(0))
    values: Real = field(default_factory=lambda: np.empty(0))
    reference_nm: float = REFERENCE_NM
    measured: bool = False
    notes: tuple[str, ...] = ()
    measured_with: tuple[str, str, str] | None = None

    def __post_init__(self) -> None:
        low, high = self.band_nm
        if not 0 < low < high:
            raise OptistackError(f"weight {self.name}: band {low:g}-{high:g} nm is not a band")
        if self.slope_nm is not None and not self.slope_nm > 0:
            raise OptistackError(f"weight {self.name}: slope {self.slope_nm} nm must be positive")

    def __call__(self, wavelength_nm: Real) -> Real:
        lam = np.asarray(wavelength_nm, dtype=float)
        if self.slope_nm is not None:
            return np.asarray(np.exp(-(lam - self.reference_nm) / self.slope_nm))
        if self.wavelength_nm.size:
            return np.asarray(np.interp(lam, self.wavelength_nm, self.values))
        return np.ones(lam.shape)

    def notes_with(self, *lights: str) -> tuple[str, ...]:
        """What is assumed when a measured weight is used under these lights, by name."""
        if self.measured_with is None:
            return ()
        light, layer, stack = self.measured_with
        out = f"weight {self.name}: measured under {light} for {layer} in {stack}"
        others = [name for name in dict.fromkeys(lights) if name != light]
        if others:
            out += f"; under {', '.join(others)} it is an assumption"
        return (out,)

    @property
    def label(self) -> str:
        """Name and band, for screens."""
        return f"{self.name} ({band_key(self.band_nm)} nm)"


def weight_from_table(table: Table, *, reference_nm: float | None = None) -> Weight:
    """A weight, for example an activation spectrum, from a table; zero outside its range.

    Parameters
    ----------
    table : Table
    reference_nm : float [nm], optional
        Where the weight is set to 1; the table's own ``reference_nm``, else its largest value.

    Raises
    ------
    OptistackError
        The table holds something else, or no weight at the reference wavelength.
    """
    if table.quantity != "weight":
        raise TableError(f"holds {table.quantity}, not a spectral weight", table.path)
    lam, values = table.known("weight")
    reference = reference_nm
    if reference is None:
        stated = table.header.get("reference_nm")
        try:
            reference = float(lam[int(np.argmax(values))] if stated is None else stated)
        except ValueError:
            raise TableError(f"reference_nm: {stated!r} is not a number", table.path) from None
    scale = float(np.interp(reference, lam, values, left=0.0, right=0.0))
    if not scale > 0:
        raise TableError(
            f"the weight is 0 at its reference wavelength {reference:g} nm, so nothing can be "
            "expressed as photons of that wavelength; state another reference_nm",
            table.path,
        )
    note = f"weight {table.name}: {table.kind}, {table.source}"
    if table.kind == "measured":
        note = (
            f"weight {table.name}: measured with one source and stack ({table.source}); with "
            "another source it is an assumption"
        )
    stated_with = [table.header.get(f"measured_{k}", "") for k in ("light", "layer", "stack")]
    return Weight(
        name=table.name,
        band_nm=(float(lam[0]), float(lam[-1])),
        wavelength_nm=lam,
        values=values / scale,
        reference_nm=reference,
        measured=table.kind == "measured",
        notes=(note, *(f"weight {table.name}: {n.split(': ', 1)[-1]}" for n in table.notes)),
        measured_with=tuple(stated_with) if all(stated_with) else None,  # type: ignore[arg-type]
    )


def weight_family(
    band_nm: BandNm = DAMAGE_BAND_NM, slopes_nm: Sequence[float] = FAMILY_SLOPES_NM
) -> tuple[Weight, ...]:
    """The default family: flat, and exponential with slopes of 15, 22 and 40 nm."""
    suffix = "" if band_nm == DAMAGE_BAND_NM else f" to {band_nm[1]:g}"
    flat = Weight(f"flat{suffix}", band_nm)
    return (
        flat,
        *(Weight(f"exponential {s:g} nm{suffix}", band_nm, slope_nm=s) for s in slopes_nm),
    )
