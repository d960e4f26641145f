"""Lamp hours and site years: by energy, by photons, by absorbed photons, by each weight.

No single number comes out. How many hours of a lamp equal a year outdoors depends on what is
counted, and it is not the same for a coupon and for a device: the table shows how far the answers
lie apart. `compare_lamps` does the same for two lamps, or two laboratories, that both report the
same nominal dose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from optistack.criteria import (
    METER_BAND_NM,
    SUN_STARTS_NM,
    Criterion,
    Kind,
    SiteDose,
    Thermal,
    below_the_sun,
    criteria,
    dark_under_lamp,
    inverse,
    lamp_rate,
    lit_part,
    merged,
    percent,
    require_layer,
    sun_without_lamp,
    three,
    year_sum,
)
from optistack.errors import OptistackError, RangeError, StackError
from optistack.exposure import ExposureResult
from optistack.plot_axes import draw_ranges, label_rows, row_axes
from optistack.rate_terms import PROPORTIONAL, Knowledge
from optistack.spectra import (
    DAMAGE_BAND_NM,
    DEFAULT_BANDS_NM,
    BandNm,
    Weight,
    weight_family,
)
from optistack.spectral_math import band_key
from optistack.value import Value, short

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Specimen = Literal["coupon", "device"]
SPECIMENS: tuple[Specimen, ...] = get_args(Specimen)
# Blue and orange differ for every kind of colour vision; the marker differs too.
_DRAWN = {"coupon": ("#00549f", "o", 0.14), "device": ("#c05a00", "s", -0.14)}

NO_ACCELERATION = (
    "none of these numbers is an acceleration factor: humidity, oxygen, rain, bias and heating by "
    "light are not dealt with"
)
LABS = (
    "published: at the same nominal dose, the doses of 13 laboratories were in error by up to "
    "120 % (M. Koehl et al., Prog. Photovolt. 23 (2015) 1815, read in its abstract)"
)


@dataclass(frozen=True, eq=False)
class LampYearRow:
    """One specimen by one way of counting.

    Attributes
    ----------
    specimen : "coupon" or "device"
    criterion : Criterion
    lamp_rate : Value
        Of the lamp, W/m2 or 1/(m2 s), over its variants.
    year_amount : Value
        Of the site in a year, J/m2 or 1/m2.
    lamp_hours_per_year : Value [h]
        Over the lamp's variants and, for what is absorbed, the range of the reciprocity exponent.
    temperature_factor : Value or None
        By how much the year counts more (or less) because of its temperatures.
    lamp_hours_per_year_warm : Value or None [h]
        With that factor.
    """

    specimen: Specimen
    criterion: Criterion
    lamp_rate: Value
    year_amount: Value
    lamp_hours_per_year: Value
    temperature_factor: Value | None = None
    lamp_hours_per_year_warm: Value | None = None

    @property
    def years_per_1000_lamp_hours(self) -> Value:
        """The inverse, for 1000 h of the lamp [site years]."""
        return inverse(self.lamp_hours_per_year, 1000.0)


@dataclass(frozen=True, eq=False)
class LampYears:
    """How many lamp hours equal one site year, counted in every way.

    Attributes
    ----------
    lamp : str
    layer, coupon_layer : str
    rows : tuple of LampYearRow
        Coupon first. A way of counting in which the lamp or the site has nothing has no row; a
        note says so.
    lamp_band_nm, meter_band_nm : (float, float) [nm]
    exponent : Knowledge
        The reciprocity exponent p.
    notes : tuple of str
    """

    lamp: str
    layer: str
    coupon_layer: str
    rows: tuple[LampYearRow, ...]
    lamp_band_nm: BandNm
    meter_band_nm: BandNm
    exponent: Knowledge
    notes: tuple[str, ...] = ()

    def of(self, specimen: Specimen, kind: Kind | None = None) -> tuple[LampYearRow, ...]:
        """The rows of one specimen, all or of one kind."""
        return tuple(
            r
            for r in self.rows
            if r.specimen == specimen and (kind is None or r.criterion.kind == kind)
        )

    def apart(self, specimen: Specimen) -> Value:
        """Lamp hours per site year [h]: the middle of the ways of counting, and their range.

        All ways but the parts of the lamp's band: what arrives, what is absorbed in the lamp's
        band, the weights.
        """
        rows = self._whole(specimen)
        return Value(
            float(np.median([r.lamp_hours_per_year.value for r in rows])),
            min(r.lamp_hours_per_year.low for r in rows),
            max(r.lamp_hours_per_year.high for r in rows),
        )

    def _whole(self, specimen: Specimen) -> list[LampYearRow]:
        return [
            r
            for r in self.of(specimen)
            if r.criterion.kind != "absorbed photons" or r.criterion.band_nm == self.lamp_band_nm
        ]

    def over_weights(self, specimen: Specimen) -> Value:
        """Lamp hours per site year over the weights [h]; the first weight's as the value."""
        hours = [r.lamp_hours_per_year for r in self.of(specimen, "weighted photons")]
        return Value(hours[0].value, min(v.low for v in hours), max(v.high for v in hours))

    def sentences(self) -> tuple[str, ...]:
        """The answer in words, a sentence per specimen."""
        out = []
        for who in SPECIMENS:
            rows = self._whole(who)
            least = min(rows, key=lambda r: r.lamp_hours_per_year.low)
            most = max(rows, key=lambda r: r.lamp_hours_per_year.high)
            low, high = least.lamp_hours_per_year.low, most.lamp_hours_per_year.high
            out.append(
                f"{who}: one site year equals {short(low, 2)} to {short(high, 2)} h of "
                f"{self.lamp}, a factor of {short(high / low, 2)} between {least.criterion.label} "
                f"and {most.criterion.label}"
            )
        return tuple(out)

    def to_frame(self) -> pd.DataFrame:
        """One row per specimen and way of counting; ``_low`` and ``_high`` are the range."""
        import pandas as pd

        out = []
        for r in self.rows:
            record: dict[str, Any] = {
                "specimen": r.specimen,
                "criterion": r.criterion.kind,
                "key": r.criterion.key,
                "band_nm": band_key(r.criterion.band_nm),
                "dose_unit": r.criterion.unit,
                "lamp_rate_per_s": r.lamp_rate.value,
                "site_year": r.year_amount.value,
                **three("lamp_hours_per_site_year", r.lamp_hours_per_year),
                **three("site_years_per_1000_lamp_hours", r.years_per_1000_lamp_hours),
                **three("temperature_factor", r.temperature_factor),
                **three("lamp_hours_per_site_year_warm", r.lamp_hours_per_year_warm),
            }
            out.append(record)
        return pd.DataFrame(out)

    def plot(self, ax: Any = None) -> Any:
        """Lamp hours per site year by way of counting, coupon and device, on a matplotlib Axes."""
        wide = list(dict.fromkeys(r.criterion.label for r in self.rows))
        ax = row_axes(ax, len(wide))
        for who in SPECIMENS:
            colour, marker, shift = _DRAWN[who]
            rows = self.of(who)
            y = np.array([-wide.index(r.criterion.label) for r in rows]) + shift
            _draw(ax, [r.lamp_hours_per_year for r in rows], y, who, f"{who}, light alone")
            warm = [(r.lamp_hours_per_year_warm, at) for r, at in zip(rows, y, strict=True)]
            known = [(v, at) for v, at in warm if v is not None]
            if known:
                ax.plot(
                    [v.value for v, _ in known],
                    [at for _, at in known],
                    marker,
                    color=colour,
                    markerfacecolor="white",
                    linestyle="none",
                    label=f"{who}, with temperature",
                )
        ax.set_xlabel(f"hours of {self.lamp} for one site year (h)")
        label_rows(ax, wide)
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def lamp_years(
    coupon: ExposureResult,
    device: ExposureResult,
    site_coupon: SiteDose,
    site_device: SiteDose,
    layer: str,
    *,
    coupon_layer: str | None = None,
    lamp_band_nm: BandNm = DAMAGE_BAND_NM,
    meter_band_nm: BandNm = METER_BAND_NM,
    bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM,
    weights: Sequence[Weight] | None = None,
    exponent: Knowledge = PROPORTIONAL,
    coupon_thermal: Thermal | None = None,
    device_thermal: Thermal | None = None,
) -> LampYears:
    """How many hours under a lamp equal a year at a site, for coupon and for device.

    Parameters
    ----------
    coupon, device : ExposureResult
        Under one lamp, solved over the bands and weights.
    site_coupon, site_device : SiteDose
        A year of the same coupon and the same device at the site, for the same bands and weights.
    layer : str
        In the device, and in the coupon unless ``coupon_layer`` is given.
    coupon_layer : str, optional
    lamp_band_nm : (float, float) [nm]
        In which the laboratory states the lamp's energy.
    meter_band_nm : (float, float) [nm]
        In which its meter reads.
    bands_nm : sequence of (float, float) [nm]
    weights : sequence of Weight, optional
        The default family when not given.
    exponent : Knowledge
        Reciprocity exponent p, from `fit_exponent` or `stated`; 1 when not given. Counts for what
        is absorbed: lamp hours = sum over the hours of the year of (q_site/q_lamp)^p, the law of
        Schwarzschild (J. W. Martin, J. W. Chin, T. Nguyen, Prog. Org. Coat. 47 (2003) 292).
    coupon_thermal, device_thermal : Thermal, optional
        Film temperatures and activation energy; without them the lamp and the site are as warm.

    Raises
    ------
    StackError
        A layer that is not there, without thickness, or as thick as another one at the site.
    OptistackError
        Two lamps; no absorbed dose in the lamp's band; a band or weight that the site lacks.

    Examples
    --------
    See docs/exposure_plan.md.
    """
    used = tuple(weights) if weights is not None else weight_family()
    coupon_layer = coupon_layer or layer
    _one_lamp(coupon, device)
    cases: tuple[tuple[Specimen, ExposureResult, str, SiteDose, Thermal | None], ...] = (
        ("coupon", coupon, coupon_layer, site_coupon, coupon_thermal),
        ("device", device, layer, site_device, device_thermal),
    )
    ways = criteria(lamp_band_nm, meter_band_nm, bands_nm, used)
    rows: list[LampYearRow] = []
    notes: list[str] = []
    for who, result, name, site, thermal in cases:
        thickness = require_layer(result, name, lamp_band_nm)
        if not np.isclose(thickness, site.thickness_nm, rtol=1e-6):
            raise StackError(
                f"{who}: layer {name} is {thickness:g} nm thick under the lamp and "
                f"{site.thickness_nm:g} nm at the site; give the year of the same specimen"
            )
        for way in ways:
            rate = lamp_rate(result, name, way)
            year = year_sum(site, way, exponent=exponent, thermal=thermal, who=f"{who} at the site")
            if not (rate > 0).all() or not year.amount.value > 0:
                lacks = "the lamp" if not (rate > 0).all() else "the site"
                notes.append(f"{who}: not counted by {way.label}: {lacks} has nothing there")
                continue
            found = year.equals(rate)
            rows.append(
                LampYearRow(
                    who, way, Value.of(rate), year.amount, found.hours, found.factor, found.warm
                )
            )
        notes += _gaps(who, result, name, site, used, bands_nm)
        main = used[0].band_nm if used else DAMAGE_BAND_NM
        notes += [f"{who}: {n}" for n in result.notes(name, main)]
        notes += [f"{who} at the site: {n}" for n in site.notes]
    return LampYears(
        lamp=coupon.exposure.light.name,
        layer=layer,
        coupon_layer=coupon_layer,
        rows=tuple(rows),
        lamp_band_nm=lamp_band_nm,
        meter_band_nm=meter_band_nm,
        exponent=exponent,
        notes=merged(
            [
                *_ground_rules(coupon, lamp_band_nm, exponent, (coupon_thermal, device_thermal)),
                *_about_weights(used, coupon.exposure.light.name, "the sun"),
                *notes,
            ]
        ),
    )


def _one_lamp(coupon: ExposureResult, device: ExposureResult) -> None:
    a, b = coupon.exposure.light, device.exposure.light
    level = np.allclose(
        a.spectral_irradiance_w_m2_nm.max(), b.spectral_irradiance_w_m2_nm.max(), rtol=1e-9
    )
    if not (a.same_source_as(b) and level):
        raise OptistackError(
            f"coupon and device are under two lights, {a.name} and {b.name}, or at two set points; "
            "lamp hours need one lamp for both. To set two lamps side by side use compare_lamps"
        )


def _ground_rules(
    coupon: ExposureResult,
    band: BandNm,
    exponent: Knowledge,
    thermal: Sequence[Thermal | None],
) -> list[str]:
    light = coupon.exposure.light
    p = exponent.value
    part = lit_part(light, band).format(percent=True)
    out = [
        NO_ACCELERATION,
        f"light {light.name}: {part} of the irradiance that its table holds up to "
        f"{max(DAMAGE_BAND_NM[1], band[1]):g} nm lies in the lamp's band, {band_key(band)} nm",
        "incident energy and photons are those on the lit side at the sample plane, without "
        "filters, holder and light on the rear; no rate law is in them",
    ]
    if exponent.how == "assumed":
        out.append("reciprocity exponent p = 1 assumed: damage goes with the absorbed photons")
    else:
        out.append(
            f"reciprocity exponent p = {p.format()}, {exponent.how}; (q site/q lamp)^p is summed "
            "hour by hour for what is absorbed"
        )
    out += exponent.notes
    for who, t in zip(SPECIMENS, thermal, strict=True):
        if t is None:
            out.append(f"{who}: temperature is not dealt with: lamp and site count as equally warm")
            continue
        energy = t.activation_energy_kj_mol
        out.append(
            f"{who}: temperature by Arrhenius, {energy.value.format()} kJ/mol ({energy.how}), film "
            f"at {t.lamp_temperature_k:g} K under the lamp and "
            f"{t.site_temperature_k.min():.0f} to {t.site_temperature_k.max():.0f} K at the site"
        )
        out += energy.notes
    return out


def _about_weights(weights: Sequence[Weight], *lights: str) -> list[str]:
    return [n for w in weights for n in (*w.notes, *w.notes_with(*lights))]


def _gaps(
    who: str,
    result: ExposureResult,
    layer: str,
    site: SiteDose,
    weights: Sequence[Weight],
    bands: Sequence[BandNm],
) -> list[str]:
    """Wavelengths that only one of lamp and sun has."""
    out = []
    light = result.exposure.light
    extra = below_the_sun(result, layer, weights)
    if extra is not None:
        by_weight = ", ".join(f"{n} {percent(v)}" for n, v in extra.weighted.items())
        out.append(
            f"{who}: {light.name} has light below {SUN_STARTS_NM:g} nm that the sun has not: "
            f"{percent(extra.incident)} of its photons up to 400 nm, "
            f"{percent(extra.absorbed)} of what {layer} absorbs in 280-400 nm"
            + (f"; of the weighted dose: {by_weight}" if by_weight else "")
        )
        if extra.unknown_nm is not None:
            out.append(
                f"{who}: what {layer} absorbs of {light.name} in {band_key(extra.unknown_nm)} nm "
                "is in no number here: it lies below the bands"
            )
    for key, share in dark_under_lamp(light, site, bands).items():
        out.append(
            f"{who}: {light.name} is dark in {key} nm, where {layer} absorbs "
            f"{percent(Value.of(share))} of the site's photons of {key} and "
            f"280-400 nm together: no hours of this lamp stand for them"
        )
    try:
        absent = sun_without_lamp(result, layer, weights)
    except RangeError as error:
        out.append(f"{who}: what {light.name} lacks of the sun is not known: {error}")
        return out
    if absent:
        listed = ", ".join(f"{n} {percent(Value.of(v))}" for n, v in absent.items())
        out.append(
            f"{who}: {light.name} is dark where {layer} absorbs part of AM1.5G; that part, by band "
            f"(nm) or weight: {listed}"
        )
    return out


@dataclass(frozen=True, eq=False)
class LampPairRow:
    """One specimen by one way of counting: the second lamp over the first.

    Attributes
    ----------
    specimen : "coupon" or "device"
    criterion : Criterion
    ratio : Value
        Dose (with p: damage) under the second over that under the first, at the same nominal dose.
    """

    specimen: Specimen
    criterion: Criterion
    ratio: Value


@dataclass(frozen=True, eq=False)
class LampPair:
    """Two lamps, or two laboratories, at the same nominal dose.

    Attributes
    ----------
    first, second : str
    layer, coupon_layer : str
    nominal : str
        What both laboratories report as equal.
    rows : tuple of LampPairRow
    notes : tuple of str
    """

    first: str
    second: str
    layer: str
    coupon_layer: str
    nominal: str
    rows: tuple[LampPairRow, ...]
    notes: tuple[str, ...] = ()

    def apart(self, specimen: Specimen) -> Value:
        """Dose ratio over all ways of counting what is absorbed: the first's value, their range."""
        parts = [r.ratio for r in self.rows if r.specimen == specimen and not r.criterion.incident]
        return Value(parts[0].value, min(v.low for v in parts), max(v.high for v in parts))

    def to_frame(self) -> pd.DataFrame:
        """One row per specimen and way of counting."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "specimen": r.specimen,
                    "criterion": r.criterion.kind,
                    "key": r.criterion.key,
                    "band_nm": band_key(r.criterion.band_nm),
                    "first": self.first,
                    "second": self.second,
                    **three("dose_ratio", r.ratio),
                    "difference_percent": 100.0 * (r.ratio.value - 1.0),
                }
                for r in self.rows
            ]
        )

    def plot(self, ax: Any = None) -> Any:
        """Dose ratio by way of counting, coupon and device, on a matplotlib Axes."""
        wide = list(dict.fromkeys(r.criterion.label for r in self.rows))
        ax = row_axes(ax, len(wide))
        ax.axvline(1.0, color="#777777", linewidth=0.8)
        for who in SPECIMENS:
            shift = _DRAWN[who][2]
            rows = [r for r in self.rows if r.specimen == who]
            y = np.array([-wide.index(r.criterion.label) for r in rows]) + shift
            _draw(ax, [r.ratio for r in rows], y, who, who)
        ax.set_xlabel(f"dose, {self.second} over {self.first},\nat the same {self.nominal}")
        label_rows(ax, wide)
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def compare_lamps(
    coupons: tuple[ExposureResult, ExposureResult],
    devices: tuple[ExposureResult, ExposureResult],
    layer: str,
    *,
    coupon_layer: str | None = None,
    nominal_nm: BandNm | float = METER_BAND_NM,
    bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM,
    weights: Sequence[Weight] | None = None,
    exponent: Knowledge = PROPORTIONAL,
    names: tuple[str, str] | None = None,
) -> LampPair:
    """How different the doses are under two lamps whose meters say the same.

    Parameters
    ----------
    coupons, devices : (ExposureResult, ExposureResult)
        Under the first and under the second lamp.
    layer, coupon_layer : str
        As in `lamp_years`.
    nominal_nm : (float, float) or float [nm]
        The same nominal dose: irradiance in this band, or spectral irradiance at this wavelength,
        times hours.
    bands_nm, weights, exponent
        As in `lamp_years`.
    names : (str, str), optional
        Of the two laboratories; those of the lamps when not given.

    Raises
    ------
    StackError, OptistackError
        As in `lamp_years`; a lamp without light in the nominal band.
    """
    used = tuple(weights) if weights is not None else weight_family()
    coupon_layer = coupon_layer or layer
    _one_lamp(coupons[0], devices[0])
    _one_lamp(coupons[1], devices[1])
    readings = [_reading(r, nominal_nm) for r in coupons]
    at_one = not isinstance(nominal_nm, tuple)
    nominal = (
        f"spectral irradiance at {nominal_nm:g} nm x hours"
        if not isinstance(nominal_nm, tuple)
        else f"irradiance in {band_key(nominal_nm)} nm x hours"
    )
    first, second = names or (coupons[0].exposure.light.name, coupons[1].exposure.light.name)
    if first == second:
        first, second = f"{first} (first)", f"{second} (second)"
    lamp_band = DAMAGE_BAND_NM if at_one else nominal_nm
    ways = criteria(DAMAGE_BAND_NM, lamp_band, bands_nm, used)  # type: ignore[arg-type]
    p = exponent.value
    rows: list[LampPairRow] = []
    notes = [
        f"nominal dose: {nominal}, equal for both",
        LABS,
        "every variant of one lamp stands against every variant of the other: two lamps of one "
        "type need not have one spectrum. What a meter misreads comes on top",
        *_about_weights(used, first, second),
    ]
    for who, pair, name in zip(SPECIMENS, (coupons, devices), (coupon_layer, layer), strict=True):
        thick = [require_layer(r, name) for r in pair]
        if not np.isclose(thick[0], thick[1], rtol=1e-6):
            raise StackError(
                f"{who}: layer {name} is {thick[0]:g} nm thick under the first lamp and "
                f"{thick[1]:g} nm under the second; compare one specimen"
            )
        for way in ways:
            one, two = (lamp_rate(r, name, way) for r in pair)
            if not ((one > 0).all() and (two > 0).all()):
                notes.append(f"{who}: not counted by {way.label}: a lamp has nothing there")
                continue
            powers = (1.0,) if way.incident else (p.value, p.low, p.high)
            # Equal reading x hours: the second runs reading_1/reading_2 times as long.
            parts = [
                ((two[:, None] / one) ** q * (readings[0] / readings[1][:, None])).ravel()
                for q in powers
            ]
            rows.append(LampPairRow(who, way, Value.of(np.concatenate(parts))))
        for result in pair:
            notes += [f"{who}: {n}" for n in result.notes(name, DAMAGE_BAND_NM)]
    return LampPair(first, second, layer, coupon_layer, nominal, tuple(rows), merged(notes))


def _reading(result: ExposureResult, nominal_nm: BandNm | float) -> Real:
    """What the meter reads, (variant,)."""
    if isinstance(nominal_nm, tuple):
        out, where = result.incident_irradiance_w_m2(nominal_nm), f"{band_key(nominal_nm)} nm"
    else:
        out = np.array([float(light(nominal_nm)) for light in result.lights])
        where = f"{nominal_nm:g} nm"
    if not (out > 0).all():
        raise OptistackError(
            f"light {result.exposure.light.name} has no light in {where}, so no dose can be stated "
            "there; take a nominal band in which both lamps shine"
        )
    return out


def _draw(ax: Any, values: Sequence[Value], y: Real, who: Specimen, label: str) -> None:
    colour, marker, _ = _DRAWN[who]
    middle, low, high = np.array([(v.value, v.low, v.high) for v in values]).T
    draw_ranges(ax, middle, low, high, y, color=colour, marker=marker, label=label)
