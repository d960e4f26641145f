"""By what two exposures count as equal: energy or photons that arrive, photons absorbed, weights.

A lamp shines with one intensity; a site does so hour by hour. Each criterion turns both into a
number, and the hours of the lamp that equal a year of the site follow. What arrives is counted as
it is; what a layer absorbs goes through the rate law q^p, hour by hour, and through an Arrhenius
factor where the temperatures are known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError, StackError
from optistack.exposure import ExposureResult
from optistack.rate_terms import PROPORTIONAL, Knowledge
from optistack.spectra import DAMAGE_BAND_NM, BandNm, Weight
from optistack.spectral_math import band_key
from optistack.value import Value

Real = NDArray[np.float64]
Kind = Literal["incident energy", "incident photons", "absorbed photons", "weighted photons"]

# Values of p, and of an activation energy, over which the range of an answer is searched. The sum
# of powers is convex in both: its largest value lies at an end, its smallest may lie between.
SCAN_POINTS = 65
ENERGY_POINTS = 17
METER_BAND_NM: BandNm = (300.0, 400.0)


class SiteDose(Protocol):
    """What one specimen gets in a year at a site, hour by hour: what this page needs of it.

    Bands are named like "300-400", weights by their names; ``rate_m2_s`` takes either.
    """

    @property
    def incident_j_m2(self) -> Mapping[str, float]:
        """Radiant exposure of the year by band [J/m2]."""

    @property
    def incident_photons_m2(self) -> Mapping[str, float]:
        """Photons that arrive in the year by band [1/m2]."""

    @property
    def absorbed_photons_m2(self) -> Mapping[str, float]:
        """Photons that the layer absorbs in the year by band [1/m2]."""

    @property
    def weighted_m2(self) -> Mapping[str, float]:
        """Equivalent photons that the layer absorbs in the year by weight [1/m2]."""

    @property
    def thickness_nm(self) -> float:
        """Of the layer [nm]."""

    @property
    def grade(self) -> str:
        """Worst grade of a table that carries more than 5 % of the answer."""

    @property
    def notes(self) -> tuple[str, ...]:
        """Assumptions."""

    @property
    def lit_share(self) -> Real:
        """Part of each hour with the sun up, (hour,): the rest of it adds no power of a rate."""

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


def year_amount(site: SiteDose, criterion: Criterion, who: str = "site") -> float:
    """What the site gives in a year: J/m2 or 1/m2.

    Raises
    ------
    OptistackError
        The site was not worked out for this band or weight.
    """
    kept: Mapping[str, float] = {
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
    return float(kept[criterion.key])


def share_of_damage_band(site: SiteDose, criterion: Criterion) -> float:
    """Of the photons that the layer absorbs at the site in 280-400 nm, those in a part of it.

    1 for other ways of counting, and where the site does not know 280-400 nm.
    """
    low, high = criterion.band_nm
    part = DAMAGE_BAND_NM[0] <= low and high <= DAMAGE_BAND_NM[1]
    whole = Criterion("absorbed photons", DAMAGE_BAND_NM)
    if criterion.kind != whole.kind or not part or whole.key not in site.absorbed_photons_m2:
        return 1.0
    total = year_amount(site, whole)
    return year_amount(site, criterion) / total if total > 0 else 1.0


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

    From `year_sum`. ``amount`` is the dose, J/m2 or 1/m2; ``powers`` (p,) are the exponents the
    answer is searched over, the value first; ``sums`` (p,) the year's hours of (q/level)^p;
    ``factors`` (p, energy) what the temperatures do.
    """

    criterion: Criterion
    amount: float
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
            return Equal(Value.of(self.amount / lamp / 3600.0))
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
    hours = amount / float(course.sum()) / 3600.0  # each entry of the course lasts this long
    # An hour of sunrise or sunset counts for its lit part, with the rate of that part.
    share = np.asarray(site.lit_share, dtype=float)[lit]
    rate = course[lit] / share
    level = float(np.exp(np.log(rate).mean()))
    grown = share * np.exp(powers[:, None] * np.log(rate / level))
    sums = grown.sum(axis=1)
    factors = None
    if thermal is not None:
        from optistack.rate_laws import arrhenius_factor  # loads scipy, which is slow to import

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


def merged(notes: Sequence[str]) -> tuple[str, ...]:
    """Each note once, in their order."""
    return tuple(dict.fromkeys(notes))
