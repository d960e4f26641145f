"""By what two exposures count as equal: energy or photons that arrive, photons absorbed, weights.

A lamp shines with one intensity; a site does so hour by hour. Each criterion turns both into a
number, and the hours of the lamp that equal a year of the site follow. What arrives is counted as
it is; what a layer absorbs goes through the rate law q^p, hour by hour, and through an Arrhenius
factor where the temperatures are known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError, StackError
from optistack.exposure import ExposureResult
from optistack.rate_laws import arrhenius_factor
from optistack.rate_terms import PROPORTIONAL, Knowledge
from optistack.spectra import DAMAGE_BAND_NM, DEFAULT_BANDS_NM, BandNm, Spectrum, Weight, spectrum
from optistack.spectral_math import band_key
from optistack.value import Value

Real = NDArray[np.float64]
Kind = Literal["incident energy", "incident photons", "absorbed photons", "weighted photons"]

# Below this the sun at sea level has practically no light: common practice, from memory, no source.
SUN_STARTS_NM = 295.0
# Values of p, and of an activation energy, over which the range of an answer is searched. The sum
# of powers is convex in both: its largest value lies at an end, its smallest may lie between.
SCAN_POINTS = 65
ENERGY_POINTS = 17
# Smaller shares of the sun's dose are not told.
_WORTH_SAYING = 1e-3
METER_BAND_NM: BandNm = (300.0, 400.0)


class SiteDose(Protocol):
    """What one specimen gets in a year at a site, hour by hour: what this page needs of it.

    Bands are named like "300-400", weights by their names; ``rate_m2_s`` takes either.
    """

    @property
    def incident_j_m2(self) -> Mapping[str, Any]:
        """Radiant exposure of the year by band, a number or a `Value` [J/m2]."""

    @property
    def incident_photons_m2(self) -> Mapping[str, Any]:
        """Photons that arrive in the year by band [1/m2]."""

    @property
    def absorbed_photons_m2(self) -> Mapping[str, Any]:
        """Photons that the layer absorbs in the year by band [1/m2]."""

    @property
    def weighted_m2(self) -> Mapping[str, Any]:
        """Equivalent photons that the layer absorbs in the year by weight [1/m2]."""

    @property
    def thickness_nm(self) -> float:
        """Of the layer [nm]."""

    @property
    def notes(self) -> tuple[str, ...]:
        """Assumptions."""

    def rate_m2_s(self, key: str) -> Real:
        """Absorbed photons per area and time, step by step [1/(m2 s)], (step,)."""


@dataclass(frozen=True, eq=False)
class Criterion:
    """One way of counting.

    Attributes
    ----------
    kind : "incident energy", "incident photons", "absorbed photons" or "weighted photons"
    band_nm : (float, float) [nm]
    weight : Weight or None
    usual : str
        What a laboratory calls this band, if it has a name there.
    """

    kind: Kind
    band_nm: BandNm
    weight: Weight | None = None
    usual: str = ""

    @property
    def key(self) -> str:
        """Under which a site keeps the number: the band, or the weight's name."""
        return band_key(self.band_nm) if self.weight is None else self.weight.name

    @property
    def incident(self) -> bool:
        """Whether light is counted that arrives, absorbed or not."""
        return self.kind.startswith("incident")

    @property
    def unit(self) -> str:
        """Of a dose."""
        return "J/m2" if self.kind == "incident energy" else "1/m2"

    @property
    def label(self) -> str:
        """For screens, with the limits in nm."""
        if self.weight is not None:
            return f"weighted photons, {self.weight.label}"
        usual = f" ({self.usual})" if self.usual else ""
        return f"{self.kind}, {band_key(self.band_nm)} nm{usual}"


def criteria(
    lamp_band_nm: BandNm,
    meter_band_nm: BandNm,
    bands_nm: Sequence[BandNm],
    weights: Sequence[Weight],
) -> tuple[Criterion, ...]:
    """Every way of counting that is asked for, each once.

    Examples
    --------
    >>> from optistack.spectra import weight_family
    >>> for c in criteria((280, 400), (300, 400), [(280, 400)], weight_family()[:2]):
    ...     print(c.label)
    incident energy, 280-400 nm (lamp's band)
    incident energy, 300-400 nm (meter's band)
    incident photons, 280-400 nm (lamp's band)
    absorbed photons, 280-400 nm
    weighted photons, flat (280-400 nm)
    weighted photons, exponential 15 nm (280-400 nm)
    """
    same = lamp_band_nm == meter_band_nm
    usual = "lamp's and meter's band" if same else "lamp's band"
    out = [Criterion("incident energy", lamp_band_nm, usual=usual)]
    if not same:
        out.append(Criterion("incident energy", meter_band_nm, usual="meter's band"))
    out.append(Criterion("incident photons", lamp_band_nm, usual=usual))
    out += [Criterion("absorbed photons", b) for b in dict.fromkeys(bands_nm)]
    out += [Criterion("weighted photons", w.band_nm, w) for w in weights]
    return tuple(out)


def lamp_rate(result: ExposureResult, layer: str, criterion: Criterion) -> Real:
    """What the lamp gives per second: W/m2 or 1/(m2 s), (variant,)."""
    if criterion.kind == "incident energy":
        return result.incident_irradiance_w_m2(criterion.band_nm)
    if criterion.kind == "incident photons":
        return result.incident_photons_m2_s(criterion.band_nm)
    if criterion.weight is not None:
        return result.weighted_photons_m2_s(layer, criterion.weight)
    return result.absorbed_photons_m2_s(layer, criterion.band_nm)


def year_amount(site: SiteDose, criterion: Criterion, who: str = "site") -> Value:
    """What the site gives in a year: J/m2 or 1/m2.

    Raises
    ------
    OptistackError
        The site was not worked out for this band or weight.
    """
    kept: Mapping[str, Any] = {
        "incident energy": site.incident_j_m2,
        "incident photons": site.incident_photons_m2,
        "absorbed photons": site.absorbed_photons_m2,
        "weighted photons": site.weighted_m2,
    }[criterion.kind]
    if criterion.key not in kept:
        what = "weight" if criterion.weight is not None else "band"
        raise OptistackError(
            f"{who}: {criterion.kind} of the year are not known for the {what} {criterion.key}; it "
            f"has {', '.join(kept) or 'none'}. Work the site out with the same bands and weights"
        )
    v = kept[criterion.key]
    return v if isinstance(v, Value) else Value.of(float(v))


@dataclass(frozen=True, eq=False)
class Thermal:
    """Temperatures of the film under the lamp and through the year.

    Parameters
    ----------
    activation_energy_kj_mol : Knowledge [kJ/mol]
        From `fit_activation_energy` or `stated`.
    lamp_temperature_k : float [K]
    site_temperature_k : (step,) array [K]
        Of the film, in the hours (or shorter steps) of the site year.

    Raises
    ------
    OptistackError
        A temperature that is not positive or not finite.
    """

    activation_energy_kj_mol: Knowledge
    lamp_temperature_k: float
    site_temperature_k: Real

    def __post_init__(self) -> None:
        course = np.array(self.site_temperature_k, dtype=float)
        if course.ndim != 1 or not (np.isfinite(course).all() and (course > 0).all()):
            raise OptistackError(
                "site temperatures must be one positive number of kelvin for each hour of the year"
            )
        if not (np.isfinite(self.lamp_temperature_k) and self.lamp_temperature_k > 0):
            raise OptistackError(
                f"lamp temperature {self.lamp_temperature_k} K must be positive and in kelvin"
            )
        course.flags.writeable = False
        object.__setattr__(self, "site_temperature_k", course)


class Equal(NamedTuple):
    """Hours of the lamp that equal a year of the site.

    ``warm``: with the temperatures counted, and ``factor``, what they do; None without them.
    """

    hours: Value
    warm: Value | None = None
    factor: Value | None = None


@dataclass(frozen=True, eq=False)
class YearSum:
    """A year of a site summed up for one criterion, ready to be set against any lamp.

    From `year_sum`. ``powers`` (p,) are the exponents the answer is searched over, the value
    first; ``sums`` (p,) the year's hours of (q/level)^p; ``factors`` (p, energy) what the
    temperatures do.
    """

    criterion: Criterion
    amount: Value
    powers: Real
    level: float
    sums: Real
    factors: Real | None

    def equals(self, rate: ArrayLike, site_over_lamp: float = 1.0) -> Equal:
        """Hours of a lamp with the dose, or the damage, of the year.

        Parameters
        ----------
        rate : (variant,) array
            Of the lamp, from `lamp_rate`; positive.
        site_over_lamp : float
            The site's absorbed rates are multiplied by this: the ratio of the thicknesses, lamp
            over site, where the specimens differ and the photons per volume count.
        """
        lamp = np.atleast_1d(np.asarray(rate, dtype=float))
        if self.criterion.incident:
            ends = (self.amount.value, self.amount.low, self.amount.high)
            return Equal(Value.of(np.concatenate([a / lamp / 3600.0 for a in ends])))
        scale = (self.level * site_over_lamp / lamp) ** self.powers[:, None]  # (p, variant)
        cold = scale * self.sums[:, None]
        hours = Value.of(cold.ravel())
        if self.factors is None:
            return Equal(hours)
        both = cold[:, :, None] * self.factors[:, None, :]
        return Equal(hours, Value.of(both.ravel()), Value.of(self.factors.ravel()))


def year_sum(
    site: SiteDose,
    criterion: Criterion,
    *,
    exponent: Knowledge = PROPORTIONAL,
    thermal: Thermal | None = None,
    who: str = "site",
) -> YearSum:
    """Sum a year up, hour by hour: sum of q^p, never (mean q)^p.

    Parameters
    ----------
    site : SiteDose
    criterion : Criterion
    exponent : Knowledge
        Reciprocity exponent p; counts for what the layer absorbs:
        lamp hours = sum over the year of (q_site/q_lamp)^p.
    thermal : Thermal, optional
        Each hour times exp(Ea/R (1/T_lamp - 1/T_site)).
    who : str
        For refusals.

    Raises
    ------
    OptistackError
        Unknown band or weight, p not positive, temperatures for another number of hours.
    """
    amount = year_amount(site, criterion, who)
    p = exponent.value
    if not p.low > 0:
        raise OptistackError(f"reciprocity exponent p = {p.format()} must be positive")
    powers = _scan(p, SCAN_POINTS)
    if criterion.incident:
        return YearSum(criterion, amount, powers, 1.0, np.zeros(powers.size), None)
    course = np.asarray(site.rate_m2_s(criterion.key), dtype=float)
    if thermal is not None and thermal.site_temperature_k.size != course.size:
        raise OptistackError(
            f"{who}: {thermal.site_temperature_k.size} site temperatures for {course.size} steps "
            "of the year; give one for each"
        )
    lit = course > 0
    if not lit.any():
        return YearSum(criterion, amount, powers, 1.0, np.zeros(powers.size), None)
    hours = amount.value / float(course.sum()) / 3600.0  # each entry of the course lasts this long
    level = float(np.exp(np.log(course[lit]).mean()))
    grown = np.exp(powers[:, None] * np.log(course[lit] / level))
    sums = grown.sum(axis=1)
    factors = None
    if thermal is not None:
        energies = _scan(thermal.activation_energy_kj_mol.value, ENERGY_POINTS)
        warm = arrhenius_factor(
            energies[:, None], thermal.lamp_temperature_k, thermal.site_temperature_k[lit]
        )
        factors = grown @ warm.T / sums[:, None]
    return YearSum(criterion, amount, powers, level, hours * sums, factors)


def _scan(v: Value, points: int) -> Real:
    """The value first, then its range."""
    if not v.has_range:
        return np.array([v.value])
    return np.concatenate([[v.value], np.linspace(v.low, v.high, points)])


def inverse(v: Value, numerator: float = 1.0) -> Value:
    """A number over a value.

    Examples
    --------
    >>> inverse(Value(4.0, 2.0, 5.0), 1000.0).format()
    '250 (200 to 500)'
    """
    with np.errstate(divide="ignore"):
        a, b, c = (float(np.float64(numerator) / x) for x in (v.value, v.high, v.low))
    return Value(a, b, c)


def percent(v: Value) -> str:
    """A share for screens, two digits.

    Examples
    --------
    >>> percent(Value(0.21, 0.2, 0.25)), percent(Value(1e-5, 0.0, 2e-5))
    ('21 % (20 % to 25 %)', 'less than 0.01 %')
    """
    return "less than 0.01 %" if v.high < 1e-4 else v.format(2, percent=True)


def times(v: Value, factor: float) -> Value:
    """A value times a positive number."""
    return Value(v.value * factor, v.low * factor, v.high * factor, v.bound)


def three(name: str, v: Value | None) -> dict[str, float]:
    """A value as the three columns of a frame: name, name_low, name_high; NaN where it is none."""
    a, b, c = (np.nan, np.nan, np.nan) if v is None else (v.value, v.low, v.high)
    return {name: a, f"{name}_low": b, f"{name}_high": c}


def over_all(values: Sequence[Value]) -> Value:
    """The first value with the range over all of them."""
    return Value(values[0].value, min(v.low for v in values), max(v.high for v in values))


def require_layer(result: ExposureResult, layer: str, band_nm: BandNm = DAMAGE_BAND_NM) -> float:
    """Thickness of a layer [nm] that is there and absorbs something under its light.

    Raises
    ------
    StackError
        No such layer, no thickness.
    OptistackError
        It absorbs nothing in the band.
    """
    thickness = result.stack.layers[result.stack.position(layer)].thickness_nm
    if not thickness > 0:
        raise StackError(f"layer {layer} has no thickness, so it absorbs no dose")
    if not (result.absorbed_photons_m2_s(layer, band_nm) > 0).all():
        raise OptistackError(
            f"exposure {result.exposure.name}: layer {layer} absorbs nothing in "
            f"{band_key(band_nm)} nm under {result.exposure.light.name}, so no dose can be "
            "compared. Take a band in which the layer absorbs and the lamp shines"
        )
    return float(thickness)


def lit_part(light: Spectrum, band_nm: BandNm) -> Value:
    """Share of the irradiance that a table of the lamp holds up to 400 nm and lies in the band."""
    low = light.lit_range_nm[0]
    high = max(DAMAGE_BAND_NM[1], band_nm[1])
    parts = []
    for shape in (light, *light.variants):
        ends = (max(low, shape.range_nm[0]), min(high, shape.range_nm[1]))
        total = shape.irradiance_w_m2(ends)
        inside = (max(ends[0], band_nm[0]), min(ends[1], band_nm[1]))
        parts.append(shape.irradiance_w_m2(inside) / total if inside[0] < inside[1] else 0.0)
    return Value.of(parts)


class Short(NamedTuple):
    """What a lamp has below the shortest wavelength of the sun.

    ``incident``: share of its photons up to 400 nm; ``absorbed``: share of what the layer absorbs
    in 280-400 nm, as far as the exposure was solved; ``weighted``: of the weighted dose, by weight;
    ``unknown_nm``: part of the lamp's light that lies below the optical grid and is in neither.
    """

    incident: Value
    absorbed: Value
    weighted: Mapping[str, Value]
    unknown_nm: BandNm | None


def below_the_sun(result: ExposureResult, layer: str, weights: Sequence[Weight]) -> Short | None:
    """Photons that the lamp has and the sun has not, below 295 nm; None where there are none."""
    light = result.exposure.light
    low = light.lit_range_nm[0]
    if low >= SUN_STARTS_NM:
        return None
    photons = []
    for shape in result.lights:
        start, end = max(low, shape.range_nm[0]), min(DAMAGE_BAND_NM[1], shape.range_nm[1])
        total = shape.photon_flux_m2_s((start, end))
        short = shape.photon_flux_m2_s((start, SUN_STARTS_NM)) if start < SUN_STARTS_NM else 0.0
        photons.append(short / total if total > 0 else np.nan)
    grid = result.wavelength_nm
    first = max(low, float(grid[0]))
    solved = (max(DAMAGE_BAND_NM[0], first), min(DAMAGE_BAND_NM[1], float(grid[-1])))

    def share(band: BandNm, weight: Weight | None) -> Value:
        total = result.absorbed_photons_m2_s(layer, band, weight)
        inside = (max(first, band[0]), min(SUN_STARTS_NM, band[1]))
        if inside[0] >= inside[1]:
            return Value.of(np.zeros(total.size))
        part = result.absorbed_photons_m2_s(layer, inside, weight)
        with np.errstate(invalid="ignore", divide="ignore"):
            return Value.of(np.where(total > 0, part / total, np.nan))

    return Short(
        Value.of(photons),
        share(solved, None),
        {w.name: share(w.band_nm, w) for w in weights},
        (low, first) if low < first - 1e-9 else None,
    )


def dark_under_lamp(
    light: Spectrum, site: SiteDose, bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM
) -> dict[str, float]:
    """Bands in which the lamp has no light, with what the layer absorbs there in a site year.

    Each number is the share of the sum over this band and 280-400 nm; the band itself where the
    site does not know 280-400 nm.
    """
    kept = site.absorbed_photons_m2
    base = kept.get(band_key(DAMAGE_BAND_NM))
    out: dict[str, float] = {}
    low, high = light.lit_range_nm
    for band in bands_nm:
        key = band_key(band)
        apart = band[1] <= DAMAGE_BAND_NM[0] or band[0] >= DAMAGE_BAND_NM[1]
        if key not in kept or base is None or not apart or (band[0] < high and band[1] > low):
            continue
        here, rest = (v.value if isinstance(v, Value) else float(v) for v in (kept[key], base))
        if here > 0:
            out[key] = here / (here + rest)
    return out


def sun_without_lamp(
    result: ExposureResult, layer: str, weights: Sequence[Weight]
) -> dict[str, float]:
    """What the layer absorbs of AM1.5G at wavelengths at which the lamp is dark.

    Returns
    -------
    dict
        Share of the photons in 280-400 nm (key "280-400") and of each weighted dose (its name),
        where it is more than 0.1 %; chamber's geometry and filters.

    Raises
    ------
    RangeError
        A table that does not reach so far.
    """
    low, high = result.exposure.light.lit_range_nm
    asked: list[tuple[str, BandNm, Weight | None]] = [
        (band_key(DAMAGE_BAND_NM), DAMAGE_BAND_NM, None),
        *((w.name, w.band_nm, w) for w in weights),
    ]
    dark = [a for a in asked if max(a[1][0], SUN_STARTS_NM) < low or high < a[1][1]]
    if not dark:
        return {}
    sun = spectrum("am15g")
    ends = (min(a[1][0] for a in dark), max(a[1][1] for a in dark))
    solved = replace(result.exposure, light=sun).run((max(ends[0], sun.range_nm[0]), ends[1]))
    out: dict[str, float] = {}
    for key, band, weight in dark:
        whole = float(solved.absorbed_photons_m2_s(layer, band, weight)[0])
        lit = (max(band[0], low), min(band[1], high))
        part = 0.0
        if lit[0] < lit[1]:
            part = float(solved.absorbed_photons_m2_s(layer, lit, weight)[0])
        if whole > 0 and 1.0 - part / whole > _WORTH_SAYING:
            out[key] = 1.0 - part / whole
    return out


def merged(notes: Sequence[str]) -> tuple[str, ...]:
    """Each note once, in their order."""
    return tuple(dict.fromkeys(notes))
