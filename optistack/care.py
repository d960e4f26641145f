"""Cautions for lamps, and how soon unprotected eyes and skin reach the exposure limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError, RangeError, TableError
from optistack.series_file import named_rows
from optistack.spectra import BandNm, Spectrum
from optistack.spectral_math import band_key, integrate_product, log_interpolate
from optistack.tables import data_folder, read_text
from optistack.value import Value

Real = NDArray[np.float64]
Method = Literal["formula", "table"]
Binding = Literal["actinic", "near", "neither"]

# Limits per 8 h for incoherent radiation, ICNIRP 2004: 30 J/m2 weighted with S for eye and skin,
# 10 kJ/m2 unweighted in 315-400 nm for the eye. Read in a lamp safety manual and on a university's
# safety page that quote them.
ACTINIC_LIMIT_J_M2 = 30.0
NEAR_LIMIT_J_M2 = 10_000.0
NEAR_BAND_NM: BandNm = (315.0, 400.0)
# The limits are sums over at most 8 h; what takes longer is not reached within them.
LIMIT_PERIOD_S = 8 * 3600.0
# The 30 J/m2 count all of this band; the formula for S holds from 210 nm, the table from 200 nm.
ACTINIC_BAND_NM: BandNm = (180.0, 400.0)
FORMULA_BAND_NM: BandNm = (210.0, 400.0)
# Between points of the table further apart than this nothing is interpolated; the second limit is
# for 295-320 nm, where S falls by a factor of 540.
_WIDEST_STEP_NM = 5.0
_STEEP_BAND_NM, _WIDEST_STEEP_STEP_NM = (295.0, 320.0), 3.0

CAUTIONS = (
    "Ultraviolet lamps injure eyes and skin within minutes, without warning: work only with a "
    "closed, light-tight enclosure whose interlock switches the lamp off, and cover eyes, face, "
    "hands and neck where light can escape.",
    "Light below about 240 nm makes ozone: extract the air, or use lamps that hold it back.",
    "Lamps, holders and samples get hot: cool them, and keep what burns away from them.",
    "Lamps may burst, and many hold mercury: wear protection when changing them, ventilate after "
    "a break and dispose of them as hazardous waste.",
    "Ballasts and igniters carry high voltage, also for some time after switching off.",
    "Local rules, and the person who is responsible and licensed on site, prevail over anything "
    "written here.",
)
LIMITS_NOTE = (
    "Limits after ICNIRP 2004, each for at most 8 h in a day. The hazard weight is taken by its "
    "published formula and by its table (from memory, unverified), which differ by up to 49 %; the "
    "shorter time is given. The limits do not cover people with photosensitivity, whether by "
    "disposition or through medicines or other substances, nor infants, nor eyes without a lens "
    "(exclusions as usually stated with these limits, from memory). Local rules and the "
    "responsible person prevail. Measure; do not rely on these times: this is no safety assessment."
)
DISCLAIMER = "These are research estimates: no safety case, no certification and no warranty."
# For screens that have no room for the cautions.
SHORT_CAUTION = (
    "Ultraviolet lamps injure eyes and skin: read the cautions first (docs/lights.md, Care; every "
    "report prints them). Local rules and the responsible person prevail."
)


@lru_cache(maxsize=1)
def _table() -> tuple[Real, Real]:
    """Wavelengths [nm] and values of the tabulated S."""
    path = data_folder("shared") / "reference" / "icnirp_s_lambda.csv"
    (first, names), *rows = named_rows(read_text(path)[0], path, "the tabulated hazard weight")
    if names[:2] != ["wavelength_nm", "S_table"]:
        raise TableError("expected the columns wavelength_nm, S_table, ...", path, first)
    lam = np.array([float(row[0]) for _, row in rows])
    values = np.array([float(row[1]) for _, row in rows])
    steps, left = np.diff(lam), lam[:-1]
    steep = (left >= _STEEP_BAND_NM[0]) & (left < _STEEP_BAND_NM[1])
    wide = (steps <= 0) | (steps > np.where(steep, _WIDEST_STEEP_STEP_NM, _WIDEST_STEP_NM))
    if wide.any() or not (values > 0).all():
        raise TableError(
            f"the hazard weight needs a positive value at least every {_WIDEST_STEP_NM:g} nm, and "
            f"every {_WIDEST_STEEP_STEP_NM:g} nm in {band_key(_STEEP_BAND_NM)} nm",
            path,
        )
    for array in (lam, values):
        array.flags.writeable = False
    return lam, values


def weight_band_nm(method: Method) -> BandNm:
    """Where the hazard weight is known by the formula or by the table [nm]."""
    if method == "formula":
        return FORMULA_BAND_NM
    lam, _ = _table()
    return float(lam[0]), float(lam[-1])


def actinic_weight(wavelength_nm: ArrayLike, method: Method = "formula") -> Real:
    """Hazard weight S of ultraviolet light for unprotected eye and skin.

    Parameters
    ----------
    wavelength_nm : array_like [nm]
    method : "formula" or "table"
        "formula": ICNIRP, Health Phys. 87 (2004) 171, equations 2a to 2c, 210-400 nm. "table": the
        tabulated values (ICNIRP 2004, IEC 62471, directive 2006/25/EC), from memory, unverified,
        200-400 nm, linear in the logarithm between its points.

    Raises
    ------
    RangeError
        Outside these wavelengths.

    Notes
    -----
    Against the table the formula is within 5 % at 220-290 nm, 300-303 nm and above 333 nm, 10 %
    low at 295-297 nm, and 10 to 49 % high at 305 and 315-328 nm.

    Examples
    --------
    >>> print(*(f"{s:.5f}" for s in actinic_weight([254.0, 270.0, 300.0, 340.0])))
    0.51180 1.00000 0.30001 0.00029
    >>> print(*(f"{s:.5f}" for s in actinic_weight([254.0, 270.0, 300.0, 340.0], "table")))
    0.50000 1.00000 0.30000 0.00028
    """
    lam = np.asarray(wavelength_nm, dtype=float)
    band = weight_band_nm(method)
    if lam.size and not (band[0] <= lam.min() and lam.max() <= band[1]):
        raise RangeError(
            f"hazard weight by the {method}", (float(lam.min()), float(lam.max())), band
        )
    if method == "table":
        return log_interpolate(lam, *_table())
    middle = 1 - 0.36 * (np.maximum(lam - 270, 0) / 20) ** 1.64
    long = 0.3 * 0.736 ** (lam - 300) + 10 ** (2 - 0.0163 * lam)
    return np.asarray(
        np.where(lam <= 270, 0.959 ** (270 - lam), np.where(lam <= 300, middle, long))
    )


def is_lamp(light: Spectrum) -> bool:
    """Whether a light may be a lamp: everything but the standard suns."""
    return light.kind != "standard"


@dataclass(frozen=True)
class Hazard:
    """Hazard-weighted irradiance at the sample plane, and the time to each limit.

    Ranges are over the light's variants. A time is infinite where the limit is never reached.

    Attributes
    ----------
    light : str
    actinic_irradiance_w_m2 : Value [W/m2]
        Weighted with S, the larger of the next two.
    actinic_irradiance_formula_w_m2, actinic_irradiance_table_w_m2 : Value [W/m2]
        Weighted with S by the formula and by the table.
    actinic_limit_formula_s, actinic_limit_table_s : Value [s]
        Until 30 J/m2 so weighted, for eyes and skin.
    actinic_limit_s : Value [s]
        The shorter of the two.
    near_irradiance_w_m2 : Value [W/m2]
        315-400 nm, not weighted.
    near_limit_s : Value [s]
        Until 10 kJ/m2 of it, for eyes.
    limit_s : Value [s]
        Until the first of the limits.
    binding : "actinic", "near" or "neither"
        Which limit the shortest time belongs to.
    unknown_nm : tuple of (float, float) [nm]
        Parts of 180-400 nm that no time counts: the light or the weight is not known there.
    notes : tuple of str
    """

    light: str
    actinic_irradiance_w_m2: Value
    actinic_irradiance_formula_w_m2: Value
    actinic_irradiance_table_w_m2: Value
    actinic_limit_formula_s: Value
    actinic_limit_table_s: Value
    actinic_limit_s: Value
    near_irradiance_w_m2: Value
    near_limit_s: Value
    limit_s: Value
    binding: Binding
    unknown_nm: tuple[BandNm, ...]
    notes: tuple[str, ...]

    def sentences(self) -> tuple[str, ...]:
        """How soon, for unprotected people at the sample plane, and what is not counted.

        Examples
        --------
        >>> from optistack.spectra import spectrum
        >>> print(hazard(spectrum("uva340").at_set_point(340, 0.89)).sentences()[0])
        uva340: at the sample plane, unprotected, in the worst of its variants, the limit for eyes \
(10 kJ/m2 in 315-400 nm) is reached first, in about 3.3 min; that for eyes and skin (30 J/m2, \
hazard-weighted) in about 4.6 min.
        """
        texts = {
            "actinic": "for eyes and skin (30 J/m2, hazard-weighted)",
            "near": "for eyes (10 kJ/m2 in 315-400 nm)",
        }
        times = {"actinic": self.actinic_limit_s.low, "near": self.near_limit_s.low}
        if self.binding == "neither" or times[self.binding] > LIMIT_PERIOD_S:
            first = "neither limit is reached within 8 h by the light that is known"
        else:
            other = "near" if self.binding == "actinic" else "actinic"
            first = (
                f"the limit {texts[self.binding]} is reached first, {_when(times[self.binding])}; "
                f"that {texts[other]} {_when(times[other])}"
            )
        worst = ", in the worst of its variants" if self.limit_s.has_range else ""
        out = [f"{self.light}: at the sample plane, unprotected{worst}, {first}."]
        if self.unknown_nm:
            listed = ", ".join(band_key(band) for band in self.unknown_nm)
            out.append(
                f"{self.light}: light in {listed} nm is not known and not counted; what there is "
                "makes the times shorter, as does a place nearer to the lamp."
            )
        return (*out, *self.notes)


def hazard(light: Spectrum) -> Hazard:
    """Hazard-weighted irradiance of a light, and the time to the exposure limits.

    Parameters
    ----------
    light : Spectrum
        Absolute, at the place of the eye or the skin; usually the sample plane. Only the
        wavelengths of its table count; a real lamp may emit more, and ``unknown_nm`` says where.

    Raises
    ------
    OptistackError
        A relative spectrum: give it a set point first.

    Notes
    -----
    Source of the limits and of S: ICNIRP, Health Phys. 87 (2004) 171. Each variant of the light
    counts with the larger of its two weighted irradiances.

    Examples
    --------
    >>> from optistack.spectra import spectrum
    >>> sun = hazard(spectrum("am15g"))
    >>> print(sun.binding, *(f"{t.value:.0f}" for t in (sun.near_limit_s, sun.actinic_limit_s)))
    near 220 1404
    """
    if any(shape.relative for shape in (light, *light.variants)):
        raise OptistackError(
            f"light {light.name} is relative: how soon it hurts follows from a set point, an "
            "irradiance in a band, or a multiple of the sun"
        )
    by_formula = _over_shapes(light, FORMULA_BAND_NM, "formula")
    by_table = _over_shapes(light, weight_band_nm("table"), "table")
    near = _over_shapes(light, NEAR_BAND_NM, None)
    worst = [max(pair) for pair in zip(by_formula, by_table, strict=True)]
    actinic_limit_s, near_limit_s = _until(ACTINIC_LIMIT_J_M2, worst), _until(NEAR_LIMIT_J_M2, near)
    limit_s = [min(pair) for pair in zip(actinic_limit_s, near_limit_s, strict=True)]
    binding: Binding = "neither"
    if math.isfinite(min(limit_s)):
        binding = "actinic" if min(actinic_limit_s) < min(near_limit_s) else "near"
    unknown, notes = _not_counted(light)
    return Hazard(
        light=light.name,
        actinic_irradiance_w_m2=Value.of(worst),
        actinic_irradiance_formula_w_m2=Value.of(by_formula),
        actinic_irradiance_table_w_m2=Value.of(by_table),
        actinic_limit_formula_s=Value.of(_until(ACTINIC_LIMIT_J_M2, by_formula)),
        actinic_limit_table_s=Value.of(_until(ACTINIC_LIMIT_J_M2, by_table)),
        actinic_limit_s=Value.of(actinic_limit_s),
        near_irradiance_w_m2=Value.of(near),
        near_limit_s=Value.of(near_limit_s),
        limit_s=Value.of(limit_s),
        binding=binding,
        unknown_nm=unknown,
        notes=notes,
    )


def advice(lights: Iterable[Spectrum]) -> tuple[str, ...]:
    """All that is to be printed with an exposure under these lights, in its order.

    Parameters
    ----------
    lights : iterable of Spectrum
        Absolute, at the sample plane. Standard suns are left out.

    Examples
    --------
    >>> from optistack.spectra import spectrum
    >>> advice([spectrum("am15g")]) == (DISCLAIMER,)
    True
    """
    lamps = [light for light in lights if is_lamp(light)]
    if not lamps:
        return (DISCLAIMER,)
    times = [line for lamp in lamps for line in hazard(lamp).sentences()]
    return (*CAUTIONS, *times, LIMITS_NOTE, DISCLAIMER)


def duration_text(seconds: float) -> str:
    """A time, rounded down to two digits, in the unit that keeps it short.

    The limits are for at most 8 h: what takes longer is "beyond 8 h".

    Examples
    --------
    >>> duration_text(7.94), duration_text(287.9), duration_text(1e5), duration_text(math.inf)
    ('7.9 s', '4.7 min', 'beyond 8 h', 'beyond 8 h')
    """
    if seconds > LIMIT_PERIOD_S:
        return "beyond 8 h"
    number, unit = seconds, "s"
    for scale, name in ((3600.0, "h"), (60.0, "min")):
        if seconds >= scale:
            number, unit = seconds / scale, name
            break
    step = 10.0 ** (math.floor(math.log10(number)) - 1) if number > 0 else 1.0
    return f"{math.floor(number / step) * step:.2g} {unit}"


def _when(seconds: float) -> str:
    text = duration_text(seconds)
    return text if text.startswith("beyond") else f"in about {text}"


def _over_shapes(light: Spectrum, band_nm: BandNm, method: Method | None) -> list[float]:
    """Irradiance [W/m2] in the part of a band that the spectrum covers, of every variant."""
    values = []
    for shape in (light, *light.variants):
        low, high = max(band_nm[0], shape.range_nm[0]), min(band_nm[1], shape.range_nm[1])
        factors: list[Callable[[Real], Real]] = [shape]
        grids = [shape.wavelength_nm]
        if method is not None:  # S is curved between the samples of a coarse spectrum
            factors.append(lambda lam: actinic_weight(lam, method))
            grids += [np.arange(np.ceil(low), high + 1.0), _table()[0]]
        values.append(integrate_product(low, high, grids, factors))
    return values


def _until(limit_j_m2: float, irradiance_w_m2: Iterable[float]) -> list[float]:
    return [limit_j_m2 / e if e > 0 else math.inf for e in irradiance_w_m2]


def _not_counted(light: Spectrum) -> tuple[tuple[BandNm, ...], tuple[str, ...]]:
    """Parts of 180-400 nm that do not count, and what to say of a light that is dark there."""
    shapes = (light, *light.variants)
    low = max(shape.range_nm[0] for shape in shapes)
    high = min(shape.range_nm[1] for shape in shapes)
    weighted = weight_band_nm("table")[0]
    lowest, highest = ACTINIC_BAND_NM
    if light.dark_outside:
        # Taken as dark where its table ends; below the table of S its light cannot be weighted.
        unknown = [(lowest, weighted)] if light.lit_range_nm[0] < weighted else []
        if lowest < low or high < highest:
            note = (
                f"{light.name}: taken as dark outside {low:g}-{high:g} nm; a real lamp may not be."
            )
            return tuple(unknown), (note,)
        return tuple(unknown), ()
    first, last = max(low, weighted), min(high, highest)
    if first >= last:
        return (ACTINIC_BAND_NM,), ()
    return tuple(band for band in ((lowest, first), (last, highest)) if band[0] < band[1]), ()
