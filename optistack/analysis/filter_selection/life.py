"""How long a device lives behind a filter, and what it delivers.

The layer loses its property at a rate that goes with the weighted absorbed photon rate to the power
p. A filter that leaves the share f of that rate stretches the time axis by f^-p (Schwarzschild's
law; J. W. Martin, J. W. Chin, T. Nguyen, Prog. Org. Coat. 47 (2003) 292). What is lost without
light goes on as before: no filter helps against it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.analysis.filter_selection.table import CARRIED
from optistack.errors import OptistackError
from optistack.rate_terms import LEAST_SHARE, PROPORTIONAL, Knowledge
from optistack.value import Value, short

if TYPE_CHECKING:
    from optistack.rate_laws import Law

Real = NDArray[np.float64]

HOURS_PER_YEAR = 8766.0
LEVEL = 0.8
# Levels of a curve of loss, closer together at the start.
_DEPTHS = np.linspace(np.log(-np.log(0.999)), np.log(-np.log(LEAST_SHARE)), 49)
# A lifetime is looked for up to so many years.
MOST_YEARS = 1000.0
_LIFE_POINTS = 240
_YEAR_POINTS = 161
# mW/cm2 x h in kWh/m2
_KWH_M2 = 0.01
_POWERLIKE = ("relative_power", "photocurrent_density_ma_cm2")


class _Case(Protocol):
    @property
    def weight(self) -> str: ...
    @property
    def rate_factor(self) -> Value: ...


class Correction(Protocol):
    """What is asked of a corrected rate (`optistack.analysis.rate_correction.RateCorrection`)."""

    @property
    def cases(self) -> Sequence[_Case]: ...
    @property
    def exponent(self) -> Knowledge: ...
    @property
    def coupon(self) -> Any: ...
    @property
    def coupon_rate(self) -> float: ...
    @property
    def device_laws(self) -> Mapping[str, Law]: ...
    @property
    def device_dark_rate_per_h(self) -> Value | None: ...


class SiteYearDose(Protocol):
    """What is asked of a year at a site (`optistack.analysis.outdoor.SiteDose`)."""

    @property
    def keys(self) -> tuple[str, ...]: ...
    @property
    def am15g_rate_m2_s(self) -> Mapping[str, float]: ...
    @property
    def light(self) -> Any: ...
    @property
    def notes(self) -> tuple[str, ...]: ...

    def sum_of_powers(self, key: str, exponent: float, *, per_volume: bool = True) -> float: ...


class _Points(Protocol):
    @property
    def sheet_resistance_ohm_sq(self) -> Real: ...
    @property
    def power_mw_cm2(self) -> Real: ...
    @property
    def vmp_v(self) -> Real: ...


class PowerAgainstResistance(Protocol):
    """What is asked of an electrode (`optistack.analysis.electrode.PowerMap`)."""

    @property
    def points(self) -> Any: ...
    @property
    def cell(self) -> Any: ...


@dataclass(frozen=True, eq=False)
class LayerLoss:
    """How the layer loses its property in the device without a filter.

    Attributes
    ----------
    exposure : str
        Under which the hours are counted.
    weight : str
        Name of the spectral weight, or key of the band, whose absorbed photons drive it.
    share, hours : (point,) arrays
        Share left, falling from below 1, and the hours of light until then [h].
    exponent : Knowledge
        Reciprocity exponent p.
    rate_range : (float, float)
        Relative 95 % limits of the rate.
    dark_rate_per_h : float [1/h]
        First-order loss without light.
    quantity : str
        "sheet_resistance_ohm_sq", "relative_power", ...
    notes : tuple of str
    """

    exposure: str
    weight: str
    share: Real
    hours: Real
    exponent: Knowledge = PROPORTIONAL
    rate_range: tuple[float, float] = (1.0, 1.0)
    dark_rate_per_h: float = 0.0
    quantity: str = "sheet_resistance_ohm_sq"
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        share, hours = np.array(self.share, dtype=float), np.array(self.hours, dtype=float)
        if share.ndim != 1 or share.shape != hours.shape or share.size < 2:
            raise OptistackError("a curve of loss needs as many hours as shares, at least two")
        if not (((share > 0) & (share < 1)).all() and (np.diff(share) < 0).all()):
            raise OptistackError("shares left must fall, between 1 and 0, both excluded")
        if not (hours[0] > 0 and (np.diff(hours) > 0).all() and np.isfinite(hours).all()):
            raise OptistackError("hours of a curve of loss must be positive and increase")
        if not (np.isfinite(self.dark_rate_per_h) and self.dark_rate_per_h >= 0):
            raise OptistackError(f"a rate without light of {self.dark_rate_per_h} is none")
        for name, values in (("share", share), ("hours", hours)):
            values.flags.writeable = False
            object.__setattr__(self, name, values)

    @classmethod
    def at_rate(
        cls,
        exposure: str,
        weight: str,
        rate_per_h: float,
        *,
        law: Law | None = None,
        shape: Sequence[float] = (),
        **options: Any,
    ) -> LayerLoss:
        """From a rate constant [1/h] of the device without filter and a law of loss.

        Exponential when no law is given.

        Examples
        --------
        >>> loss = LayerLoss.at_rate("lamp", "flat", 1e-3)
        >>> print(loss.left([693.147]).round(4))
        [0.5]
        """
        if not (np.isfinite(rate_per_h) and rate_per_h > 0):
            raise OptistackError(f"a rate of {rate_per_h} per h is none")
        from optistack.rate_laws import EXPONENTIAL  # loads scipy

        share = np.exp(-np.exp(_DEPTHS))
        x = (law or EXPONENTIAL).reach(share, [np.asarray(s, dtype=float) for s in shape])
        return cls(exposure, weight, share, np.asarray(x) / rate_per_h, **options)

    @classmethod
    def from_correction(
        cls, correction: Correction, exposure: str, weight: str | None = None
    ) -> LayerLoss:
        """From a coupon's rate corrected to the device.

        Parameters
        ----------
        correction : RateCorrection
        exposure : str
            The device's exposure that the correction is for.
        weight : str, optional
            The first case when not given.

        Raises
        ------
        OptistackError
            A weight that the correction does not have.
        """
        from optistack.law_choice import mean_doses_to  # loads scipy

        known = {c.weight: c for c in correction.cases}
        name = next(iter(known)) if weight is None else weight
        if name not in known:
            raise OptistackError(
                f"the corrected rate has no weight {name!r}; there are {', '.join(known)}"
            )
        factor = known[name].rate_factor
        share = np.exp(-np.exp(_DEPTHS))
        dose = mean_doses_to(correction.coupon.plausible, share, correction.device_laws)
        hours = dose / (correction.coupon_rate * factor.value)
        good = np.isfinite(hours)
        dark = correction.device_dark_rate_per_h
        notes = []
        if dark is None:
            notes.append("what the device loses without light is not known and not counted")
        return cls(
            exposure,
            name,
            share[good],
            np.maximum.accumulate(hours[good]) * (1 + 1e-12 * np.arange(good.sum())),
            correction.exponent,
            (factor.low / factor.value, factor.high / factor.value),
            0.0 if dark is None else max(dark.value, 0.0),
            correction.coupon.data.quantity,
            tuple(notes),
        )

    def faster(self, factor: float, note: str = "") -> LayerLoss:
        """With its rate under light multiplied by a factor, and a note that says why."""
        if not (np.isfinite(factor) and factor > 0):
            raise OptistackError(f"a rate cannot be multiplied by {factor}")
        notes = (*self.notes, note) if note else self.notes
        return replace(self, hours=self.hours / factor, notes=notes)

    def hours_to(self, level: float = LEVEL) -> float:
        """Hours of the reference light until a share is left, loss without light not counted [h].

        Raises
        ------
        OptistackError
            A level that does not lie between 0 and 1.
        """
        if not 0 < level < 1:
            raise OptistackError(f"level {level:g} must lie between 0 and 1, both excluded")
        x, y = np.log(self.hours), np.log(-np.log(self.share))
        at = float(np.log(-np.log(level)))
        if at < y[0]:
            return float(np.exp(x[0] + (at - y[0]) * (x[1] - x[0]) / (y[1] - y[0])))
        return float(np.exp(np.interp(at, y, x))) if at <= y[-1] else float("inf")

    def left(self, light_hours: ArrayLike) -> Real:
        """Share left after hours of the reference light, loss without light not counted.

        log(-log share) is straight in log(hours) between the points of the curve and at its ends;
        never below `LEAST_SHARE`.
        """
        t = np.asarray(light_hours, dtype=float)
        x, y = np.log(self.hours), np.log(-np.log(self.share))
        with np.errstate(divide="ignore"):
            at = np.log(t)
        depth = np.interp(at, x, y)
        for end, a, b in ((at < x[0], 0, 1), (at > x[-1], -2, -1)):
            slope = (y[b] - y[a]) / (x[b] - x[a])
            anchor = 0 if a == 0 else -1
            depth = np.where(end & np.isfinite(at), y[anchor] + (at - x[anchor]) * slope, depth)
        with np.errstate(over="ignore"):
            share = np.exp(-np.exp(depth))
        return np.where(t > 0, np.maximum(share, LEAST_SHARE), 1.0)


@dataclass(frozen=True, eq=False)
class Service:
    """A year of the device's light, in hours of an exposure.

    Attributes
    ----------
    exposure : str
        Whose spectrum the hours are of; normally AM1.5G.
    hours_per_year : float [h]
        For the energy: yearly insolation over the exposure's irradiance.
    damage_hours_per_year : mapping of weight or band key to float [h]
        For the damage with that weight; ``hours_per_year`` where not given.
    notes : tuple of str
    """

    exposure: str
    hours_per_year: float
    damage_hours_per_year: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for hours in (self.hours_per_year, *self.damage_hours_per_year.values()):
            if not (np.isfinite(hours) and 0 < hours <= 1e5):
                raise OptistackError(f"{hours} h a year cannot be; a year has {HOURS_PER_YEAR:g} h")

    @classmethod
    def from_site(
        cls,
        exposure: str,
        hours_per_year: float,
        hourly_rate_m2_s: Mapping[str, ArrayLike],
        reference_rate_m2_s: Mapping[str, float],
        *,
        exponent: float = 1.0,
        step_h: float = 1.0,
    ) -> Service:
        """From a year of absorbed photon rates at a site, summed hour by hour as q^p.

        Parameters
        ----------
        exposure : str
        hours_per_year : float [h]
            Yearly insolation over the exposure's irradiance.
        hourly_rate_m2_s : mapping of weight or band key to (hour,) array [1/(m2 s)]
            What the layer absorbs without a filter, all hours of the year.
        reference_rate_m2_s : mapping of weight or band key to float [1/(m2 s)]
            The same under the exposure: `Judged.rate_m2_s`.
        exponent : float
        step_h : float [h]

        Examples
        --------
        >>> year = Service.from_site("sun", 1000, {"flat": [0, 2.0, 8.0]}, {"flat": 4.0},
        ...                          exponent=0.5)
        >>> round(year.damage_hours_per_year["flat"], 4)  # sqrt(1/2) + sqrt(2)
        2.1213
        """
        hours = {}
        for name, values in hourly_rate_m2_s.items():
            rate = np.asarray(values, dtype=float)
            if not (np.isfinite(rate).all() and (rate >= 0).all()):
                raise OptistackError(f"{name}: rates of a year must be finite and not negative")
            if name not in reference_rate_m2_s:
                raise OptistackError(f"{name}: the rate under the exposure is missing")
            reference = float(reference_rate_m2_s[name])
            if not reference > 0:
                raise OptistackError(f"{name}: the rate under the exposure must be positive")
            lit = rate[rate > 0] / reference
            hours[name] = float((lit**exponent).sum() * step_h)
        return cls(
            exposure,
            hours_per_year,
            hours,
            (_hour_by_hour(exposure, exponent),),
        )

    @classmethod
    def from_site_dose(
        cls,
        exposure: str,
        hours_per_year: float,
        dose: SiteYearDose,
        *,
        exponent: float = 1.0,
        names: Mapping[str, str] | None = None,
    ) -> Service:
        """From a year of the device at a site (`optistack.analysis.outdoor.SiteDose`).

        Parameters
        ----------
        exposure : str
            Under AM1.5G.
        hours_per_year : float [h]
        dose : SiteDose
            Of the device without the candidates.
        exponent : float
        names : mapping of str to str, optional
            Other names that weights go by here.
        """
        hours = {}
        for key in dose.keys:
            reference = dose.am15g_rate_m2_s[key]
            if reference > 0:
                # Its own sum: hours of sunrise and sunset count for their lit part.
                total = dose.sum_of_powers(key, exponent, per_volume=False)
                hours[(names or {}).get(key, key)] = total / reference**exponent / 3600.0
        where = f"site {dose.light.site.name}"
        return cls(
            exposure,
            hours_per_year,
            hours,
            (_hour_by_hour(exposure, exponent), *(f"{where}: {n}" for n in dose.notes)),
        )

    def damage_hours(self, key: str) -> float:
        """Hours of damage a year with a weight [h]; carried on to 500 nm it has those of before."""
        known = self.damage_hours_per_year
        return known.get(key, known.get(key.removesuffix(CARRIED), self.hours_per_year))


def _hour_by_hour(exposure: str, exponent: float) -> str:
    return (
        f"damage of the site's year counted hour by hour with p = {short(exponent)}; filters are "
        f"judged with the spectrum of {exposure}"
    )


@dataclass(frozen=True, eq=False)
class PowerCurve:
    """Power of the cell against photocurrent left and share of the layer's property left.

    Without an electrode power goes with both. With it, a cell with the share s of its photocurrent
    is that of the whole photocurrent with the sheet resistance times s, all voltages lower by
    n kT/q ln(1/s): exact for a one-diode cell without shunt and series resistance but for the place
    of the point of most power, which the small shift leaves (checked to 1e-3 at s = 0.8).
    """

    start_sheet_resistance_ohm_sq: float = 1.0
    log_r: Real | None = None
    power_mw_cm2: Real | None = None
    vmp_v: Real | None = None
    diode_voltage_v: float = 0.0
    unit_power: float = 1.0

    @classmethod
    def of(cls, power: PowerAgainstResistance, start_sheet_resistance_ohm_sq: float) -> PowerCurve:
        """From a map of power against sheet resistance."""
        points: _Points = power.points
        r = np.asarray(points.sheet_resistance_ohm_sq, dtype=float)
        keep = np.flatnonzero(r > 0)
        order = keep[np.argsort(r[keep])]
        return cls(
            start_sheet_resistance_ohm_sq,
            np.log(r[order]),
            np.asarray(points.power_mw_cm2, dtype=float)[order],
            np.asarray(points.vmp_v, dtype=float)[order],
            float(power.cell.diode_voltage_v),
        )

    def __call__(self, current_left: ArrayLike, property_left: ArrayLike) -> Real:
        """Power [mW/cm2], or relative without an electrode; arguments broadcast."""
        s, f = np.broadcast_arrays(
            np.asarray(current_left, dtype=float), np.asarray(property_left, dtype=float)
        )
        if self.log_r is None or self.power_mw_cm2 is None or self.vmp_v is None:
            return np.asarray(self.unit_power * s * f)
        lit = np.maximum(s, 1e-9)
        at = np.log(self.start_sheet_resistance_ohm_sq * lit / f)
        power = np.interp(at, self.log_r, self.power_mw_cm2)
        # Beyond the map power falls as 1/R: nothing but the sheet limits the current there.
        power = np.where(at > self.log_r[-1], power * np.exp(self.log_r[-1] - at), power)
        shift = self.diode_voltage_v * np.log(lit) / np.interp(at, self.log_r, self.vmp_v)
        return np.asarray(np.where(s > 0, lit * power * np.maximum(1 + shift, 0.0), 0.0))


@dataclass(frozen=True, eq=False)
class Lives:
    """Life and energy of candidates in service, with one weight; the last entry is no filter.

    Attributes
    ----------
    weight : str
    years : (year,) array
    power : (candidate + 1, year) array [mW/cm2, or relative]
    energy_kwh_m2 : (candidate + 1, year) array
        From the start to each year [kWh/m2]; without an electrode relative to one hour at the start
        power of the device without filter.
    t80_years : (candidate + 1,) array
        To 80 % of the power each had at its own start; inf beyond `MOST_YEARS`.
    break_even_years : (candidate + 1,) array
        From when on more has been delivered than without filter; inf when not by the last year.
    """

    weight: str
    years: Real
    power: Real
    energy_kwh_m2: Real
    t80_years: Real
    break_even_years: Real


def lives_of(
    dose_left: ArrayLike,
    current_left: ArrayLike,
    rate_ratio: float,
    loss: LayerLoss,
    service: Service,
    power: PowerCurve,
    horizon_years: float,
    *,
    exponent: float | None = None,
    rate_scale: float = 1.0,
    lifetimes: bool = True,
) -> Lives:
    """Life and energy behind filters.

    Parameters
    ----------
    dose_left : (candidate,) array
        Of the weighted dose of ``loss.weight``, under the light of the service.
    current_left : (candidate,) array
        Photocurrent with over without.
    rate_ratio : float
        Absorbed weighted rate without filter, service's exposure over that of ``loss``.
    loss : LayerLoss
    service : Service
    power : PowerCurve
    horizon_years : float
    exponent : float, optional
        Instead of that of ``loss``.
    rate_scale : float
        Factor on the rate under light.
    lifetimes : bool
        False: NaN for lifetimes and break-even, which take most of the time.

    Raises
    ------
    OptistackError
        A horizon that is not positive.
    """
    if not (np.isfinite(horizon_years) and 0 < horizon_years <= MOST_YEARS):
        raise OptistackError(f"{horizon_years} years: give a horizon from 0 to {MOST_YEARS:g}")
    p = loss.exponent.value.value if exponent is None else exponent
    left = np.append(np.asarray(dose_left, dtype=float), 1.0)[:, None]
    left = np.where(left < 0, 0.0, left)  # readings a little below zero mean dark
    s = np.append(np.asarray(current_left, dtype=float), 1.0)[:, None]
    pace = service.damage_hours(loss.weight) * rate_scale * (left * rate_ratio) ** p
    dark = loss.dark_rate_per_h * HOURS_PER_YEAR

    def powers(years: Real) -> Real:
        share = loss.left(pace * years) * np.exp(-dark * years)
        return power(s, np.maximum(share, LEAST_SHARE))

    # Closer together at the start, where most happens.
    years = horizon_years * np.linspace(0.0, 1.0, _YEAR_POINTS) ** 1.5
    course = powers(years)
    steps = np.diff(years) * (course[:, 1:] + course[:, :-1]) / 2
    energy = np.concatenate([np.zeros((len(s), 1)), np.cumsum(steps, axis=1)], axis=1)
    energy = energy * service.hours_per_year * (_KWH_M2 if power.log_r is not None else 1.0)
    if not lifetimes:
        unknown = np.full(len(s), np.nan)
        return Lives(loss.weight, years, course, energy, unknown, unknown)
    long = np.geomspace(1e-3, MOST_YEARS, _LIFE_POINTS)
    start = course[:, :1]
    with np.errstate(invalid="ignore", divide="ignore"):
        t80 = _crossing(np.log(long), powers(long) / start, LEVEL)
    return Lives(loss.weight, years, course, energy, t80, _break_even(years, energy))


def _crossing(log_t: Real, share: Real, level: float) -> Real:
    """When rows first fall to a level; inf where they do not, or have no start.

    log(-log share) goes straight with log(time), exact for the exponential law.
    """
    below = share <= level
    at = np.argmax(below, axis=1)
    rows = np.arange(len(share))
    before = np.maximum(at - 1, 0)
    a, b = share[rows, before], share[rows, at]
    with np.errstate(invalid="ignore", divide="ignore"):
        deep = [np.log(-np.log(np.minimum(x, 1 - 1e-15))) for x in (a, b)]
        part = (np.log(-np.log(level)) - deep[0]) / (deep[1] - deep[0])
        part = np.where(np.isfinite(part) & (a > b), part, 0.0)
    t = np.exp(log_t[before] + part * (log_t[at] - log_t[before]))
    return np.where(below.any(axis=1), t, np.inf)


def _break_even(years: Real, energy: Real) -> Real:
    gain = energy - energy[-1]
    out = np.full(len(energy), np.inf)
    for i, row in enumerate(gain):
        behind = np.flatnonzero(row[1:] < -1e-12 * max(float(energy[-1, -1]), 1e-300)) + 1
        if not behind.size:
            out[i] = 0.0
        elif behind[-1] < len(years) - 1:
            # The last time it catches up: from then on it stays ahead.
            j = int(behind[-1])
            out[i] = years[j] - row[j] * (years[j + 1] - years[j]) / (row[j + 1] - row[j])
    return out


def is_powerlike(quantity: str) -> bool:
    """Whether the property that is lost is the power, or goes with it."""
    return quantity in _POWERLIKE
