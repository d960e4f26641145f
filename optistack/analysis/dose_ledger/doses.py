"""Light that meets a specimen, and what a time under it adds up to: exact sums, ranges per lamp."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.dose_ledger.entries import SetPoint
from optistack.errors import OptistackError
from optistack.filters import Case, Filter
from optistack.spectra import BandNm, Spectrum
from optistack.spectral_math import J_PER_KWH, PHOTON_J_NM, band_key, integrate_product, union_grid
from optistack.value import Value

Real = NDArray[np.float64]
Quantity = Literal["irradiance_w_m2", "photon_flux_m2_s", "open_photon_flux_m2_s"]


@dataclass(frozen=True, eq=False)
class Lighting:
    """A lamp at a set point, behind a filter or open, on a specimen.

    Attributes
    ----------
    lamp, filter : str
        Names in the log; filter empty: none.
    set_point : SetPoint
    angle_deg : float [deg]
    light : Spectrum
        Absolute, at the sample plane, without the filter.
    irradiance_w_m2, photon_flux_m2_s : (band, case) arrays
        On the specimen, behind the filter. Cases: the variants of the light, each with readings of
        the filter below its stray-light floor as read, at 0 and at the floor; the central first.
    open_photon_flux_m2_s : (band, variant) array
        Without the filter.
    grade : str
        The worse of lamp and filter.
    notes : tuple of str
    """

    lamp: str
    filter: str
    set_point: SetPoint
    angle_deg: float
    light: Spectrum
    irradiance_w_m2: Real
    photon_flux_m2_s: Real
    open_photon_flux_m2_s: Real
    grade: str
    notes: tuple[str, ...]


def lighting(
    lamp: str,
    light: Spectrum,
    set_point: SetPoint,
    filter_name: str,
    item: Filter | None,
    angle_deg: float,
    bands_nm: Sequence[BandNm],
) -> Lighting:
    """Light on a specimen; ``angle_deg`` is that of a parallel beam to its normal.

    Raises
    ------
    RangeError
        A band that the spectrum or the filter does not cover.
    """
    scaled = set_point.apply(light)
    cosine = float(np.cos(np.deg2rad(angle_deg))) if angle_deg else 1.0
    cases: tuple[Case, ...] = ("value",)
    notes: tuple[str, ...] = ()
    if item is not None and item.stray_light_floor > 0:
        cases = ("value", "low", "high")
    irradiance: list[list[float]] = []
    photons: list[list[float]] = []
    open_photons: list[list[float]] = []
    for band in bands_nm:
        scaled.require(band)
        lit_low, lit_high = scaled.lit_range_nm
        limits = max(band[0], lit_low), min(band[1], lit_high)
        shapes = (scaled, *scaled.variants)
        behind = [None if item is None else item.in_case(case) for case in cases]
        pairs = [(shape, through) for shape in shapes for through in behind]
        irradiance.append([cosine * _integral(limits, s, t, photons=False) for s, t in pairs])
        photons.append([cosine * _integral(limits, s, t, photons=True) for s, t in pairs])
        open_photons.append([cosine * _integral(limits, s, None, photons=True) for s in shapes])
        if item is not None and limits[0] < limits[1]:
            grid = union_grid(*limits, [scaled.wavelength_nm, item.nodes_nm])
            notes += tuple(n for n in item.doubts(grid) if n not in notes)
    return Lighting(
        lamp,
        filter_name,
        set_point,
        angle_deg,
        scaled,
        irradiance_w_m2=_frozen(irradiance),
        photon_flux_m2_s=_frozen(photons),
        open_photon_flux_m2_s=_frozen(open_photons),
        grade=light.grade if item is None else max(light.grade, item.grade),
        notes=notes,
    )


def _frozen(rows: Sequence[Sequence[float]]) -> Real:
    out = np.array(rows)
    out.flags.writeable = False
    return out


def _integral(limits_nm: BandNm, shape: Spectrum, item: Filter | None, *, photons: bool) -> float:
    # No light beyond the samples of one variant where another still shines.
    low, high = max(limits_nm[0], shape.range_nm[0]), min(limits_nm[1], shape.range_nm[1])
    factors: list[Callable[[Real], Real]] = [shape]
    grids = [shape.wavelength_nm]
    if item is not None:
        factors.append(item.external)
        grids.append(item.nodes_nm)
    if photons:
        factors.append(lambda lam: lam / PHOTON_J_NM)
    return integrate_product(low, high, grids, factors)


@dataclass(frozen=True, eq=False)
class Part:
    """A time under one lighting.

    Attributes
    ----------
    lighting : Lighting
    seconds : Fraction [s]
        The factor of the lamp's ageing included: exact.
    """

    lighting: Lighting
    seconds: Fraction

    def dose(self, quantity: Quantity, band: int) -> Value:
        """Rate times time of this part alone, as `summed` but rounded twice."""
        rates = getattr(self.lighting, quantity)[band] * float(self.seconds)
        return Value(float(rates[0]), float(rates.min()), float(rates.max()))


def summed(parts: Iterable[Part], quantity: Quantity, band: int) -> Value:
    """Rate times time over all parts, exact until it is rounded once at the end.

    The variants of one lamp go together, different lamps vary by themselves: the range is the sum
    over lamps of their lowest and of their highest.
    """
    by_lamp: dict[str, list[Fraction]] = {}
    for part in parts:
        rates = getattr(part.lighting, quantity)[band]
        sums = _aligned(by_lamp, part.lighting.lamp, len(rates))
        repeat = len(sums) // len(rates)
        for i in range(len(sums)):
            sums[i] += Fraction(float(rates[i // repeat])) * part.seconds
    return over_lamps(by_lamp.values())


def over_lamps(sums: Iterable[Sequence[Fraction]]) -> Value:
    """Sum of the central values, of the lowest and of the highest of every lamp, rounded once."""
    middle = low = high = Fraction(0)
    for cases in sums:
        middle, low, high = middle + cases[0], low + min(cases), high + max(cases)
    return Value(float(middle), float(low), float(high))


def _aligned(by_lamp: dict[str, list[Fraction]], lamp: str, cases: int) -> list[Fraction]:
    """The running sums of a lamp with at least as many cases.

    A filter with a stray-light floor has three cases of each variant, an open lamp one.
    """
    sums = by_lamp.setdefault(lamp, [Fraction(0)] * cases)
    if len(sums) < cases:
        repeat = cases // len(sums)
        by_lamp[lamp] = sums = [s for s in sums for _ in range(repeat)]
    return sums


@dataclass(frozen=True, eq=False)
class SpecimenDose:
    """What met one specimen on one face.

    Attributes
    ----------
    specimen, orientation : str
    angle_deg : float [deg]
    hours : float [h]
        Of light; where lamps shine at once the time counts once.
    radiant_exposure_j_m2 : mapping of band to Value [J/m2]
        Incident, behind the filters; its range is over the shapes that the lamps may have, and
        over readings of filters below their stray-light floor.
    photons_m2 : mapping of band to Value [1/m2]
    parts : tuple of Part
        What the sums are made of.
    grade : str
        The worst of the lamps and filters.
    """

    specimen: str
    orientation: str
    angle_deg: float
    hours: float
    radiant_exposure_j_m2: Mapping[str, Value]
    photons_m2: Mapping[str, Value]
    parts: tuple[Part, ...] = field(repr=False)
    grade: str = "A"

    @property
    def radiant_exposure_kwh_m2(self) -> Mapping[str, Value]:
        """Incident radiant exposure [kWh/m2], by band."""
        return {
            key: Value(v.value / J_PER_KWH, v.low / J_PER_KWH, v.high / J_PER_KWH)
            for key, v in self.radiant_exposure_j_m2.items()
        }

    @property
    def label(self) -> str:
        """Specimen, face and angle, for screens."""
        angle = f"{self.angle_deg:g} deg" if self.angle_deg else ""
        return ", ".join(x for x in (self.specimen, self.orientation, angle) if x)


def specimen_dose(
    specimen: str,
    orientation: str,
    angle_deg: float,
    hours: float,
    parts: Iterable[Part],
    bands_nm: Sequence[BandNm],
) -> SpecimenDose:
    """Add up; parts under the same lighting are joined first."""
    joined: dict[int, Part] = {}
    for part in parts:
        known = joined.get(id(part.lighting))
        seconds = part.seconds if known is None else known.seconds + part.seconds
        joined[id(part.lighting)] = Part(part.lighting, seconds)
    # An order of their own, so that that of the rows does not show.
    kept = sorted(
        joined.values(),
        key=lambda p: (p.lighting.lamp, str(p.lighting.set_point), p.lighting.filter),
    )
    return SpecimenDose(
        specimen,
        orientation,
        angle_deg,
        hours,
        {band_key(band): summed(kept, "irradiance_w_m2", i) for i, band in enumerate(bands_nm)},
        {band_key(band): summed(kept, "photon_flux_m2_s", i) for i, band in enumerate(bands_nm)},
        tuple(kept),
        max((p.lighting.grade for p in kept), default="A"),
    )


def checked_bands(bands_nm: Iterable[BandNm]) -> tuple[BandNm, ...]:
    """Bands as pairs of numbers, each once."""
    out: list[BandNm] = []
    for band in bands_nm:
        try:
            low, high = (float(x) for x in band)
        except (TypeError, ValueError):
            raise OptistackError(f"{band!r} is no band; give (lower, upper) in nm") from None
        if not 0 < low < high < np.inf:
            raise OptistackError(f"{low:g}-{high:g} nm is not a band")
        if (low, high) not in out:
            out.append((low, high))
    if not out:
        raise OptistackError("give at least one band, for example (300, 400)")
    return tuple(out)
