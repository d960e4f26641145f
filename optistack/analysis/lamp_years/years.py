"""Hours of one lamp that equal a year at a site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.lamp_years.common import (
    DRAWN,
    SPECIMENS,
    Specimen,
    about_weights,
    draw,
    one_lamp,
)
from optistack.criteria import (
    METER_BAND_NM,
    Criterion,
    Kind,
    SiteDose,
    Thermal,
    criteria,
    inverse,
    lamp_rate,
    merged,
    over_all,
    percent,
    require_layer,
    share_of_damage_band,
    three,
    year_sum,
)
from optistack.errors import OptistackError, RangeError, StackError
from optistack.exposure import ExposureResult
from optistack.plot_axes import label_rows, row_axes
from optistack.rate_terms import PROPORTIONAL, Knowledge
from optistack.spectra import (
    DAMAGE_BAND_NM,
    DEFAULT_BANDS_NM,
    BandNm,
    Weight,
    weight_family,
)
from optistack.spectral_gaps import (
    SUN_STARTS_NM,
    below_the_sun,
    dark_under_lamp,
    lit_part,
    sun_without_lamp,
)
from optistack.spectral_math import band_key
from optistack.value import Value, short

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# Of the dose at the site in 280-400 nm; parts with less are named in a note.
_LEAST_SHARE = 1e-3

NO_ACCELERATION = (
    "none of these numbers is an acceleration factor: humidity, oxygen, rain and bias are not "
    "dealt with"
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
    site_share : float
        Of what the layer absorbs at the site in 280-400 nm, the share in this part of it; 1 for
        other ways of counting. Hours of a part with next to nothing in it mean next to nothing.
    """

    specimen: Specimen
    criterion: Criterion
    lamp_rate: Value
    year_amount: Value
    lamp_hours_per_year: Value
    temperature_factor: Value | None = None
    lamp_hours_per_year_warm: Value | None = None
    site_share: float = 1.0

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
    grade : str
        Worst grade of a table that carries more than 5 % of an answer: A standard, D a guess.
    notes : tuple of str
    """

    lamp: str
    layer: str
    coupon_layer: str
    rows: tuple[LampYearRow, ...]
    lamp_band_nm: BandNm
    meter_band_nm: BandNm
    exponent: Knowledge
    grade: str
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
        """Lamp hours per site year over the weights [h]; the first weight's as the value.

        Raises
        ------
        OptistackError
            No weight was asked for, or the lamp or the site has nothing in any.
        """
        hours = [r.lamp_hours_per_year for r in self.of(specimen, "weighted photons")]
        if not hours:
            raise OptistackError(f"{specimen}: nothing is counted by a weight")
        return over_all(hours)

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
                "site_share": r.site_share,
            }
            out.append(record)
        return pd.DataFrame(out)

    def plot(self, ax: Any = None) -> Any:
        """Lamp hours per site year by way of counting, coupon and device, on a matplotlib Axes.

        Parts of the band with less than 0.1 % of what the layer absorbs at the site are left out.
        """
        shown = [r for r in self.rows if r.site_share >= _LEAST_SHARE]
        wide = list(dict.fromkeys(r.criterion.label for r in shown))
        ax = row_axes(ax, len(wide))
        for who in SPECIMENS:
            rows = [r for r in shown if r.specimen == who]
            y = np.array([-wide.index(r.criterion.label) for r in rows]) + DRAWN[who][2]
            draw(ax, [r.lamp_hours_per_year for r in rows], y, who, f"{who}, light alone")
            warm = [(r.lamp_hours_per_year_warm, at) for r, at in zip(rows, y, strict=True)]
            known = [(v, at) for v, at in warm if v is not None]
            if known:
                values, places = zip(*known, strict=True)
                below = np.array(places) - 0.14
                draw(ax, values, below, who, f"{who}, with temperature", markerfacecolor="white")
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
        Two lamps; no dose in the lamp's band, or none at the site; a band or weight that the
        site lacks.

    Examples
    --------
    >>> import optistack as ost
    >>> lamp = ost.spectrum("uva340").at_set_point(340, 0.89)
    >>> bare = ost.Stack("air", [ost.Layer("film", "ito", 120.0)], "fused_silica")
    >>> behind = ost.Stack("air", [ost.Layer("foil", "pet", 50e3), *bare.layers], "fused_silica")
    >>> coupon, device = ost.Exposure("coupon", bare, lamp), ost.Exposure("device", behind, lamp)
    >>> light = ost.site_light(ost.Site("equator", 0.0, 0.0))
    >>> year = ost.site_year(light, {"coupon": coupon, "device": device}, "film")
    >>> found = lamp_years(coupon.run(), device.run(), year["coupon"], year["device"], "film")
    >>> found.apart("coupon").format(2), found.apart("device").format(2)
    ('2500 (1500 to 3100)', '2600 (1800 to 3100)')
    """
    used = tuple(weights) if weights is not None else weight_family()
    coupon_layer = coupon_layer or layer
    one_lamp(coupon, device)
    cases: tuple[tuple[Specimen, ExposureResult, str, SiteDose, Thermal | None], ...] = (
        ("coupon", coupon, coupon_layer, site_coupon, coupon_thermal),
        ("device", device, layer, site_device, device_thermal),
    )
    ways = criteria(lamp_band_nm, meter_band_nm, bands_nm, used)
    rows: list[LampYearRow] = []
    notes: list[str] = []
    grades: list[str] = []
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
            if not (rate > 0).all() or not year.amount > 0:
                lacks = "the lamp" if not (rate > 0).all() else "the site"
                notes.append(f"{who}: not counted by {way.label}: {lacks} has nothing there")
                continue
            found = year.equals(rate)
            share = share_of_damage_band(site, way)
            if share < _LEAST_SHARE:
                notes.append(
                    f"{who}: {way.label}: {percent(Value.of(share))} of what {name} absorbs at the "
                    "site in 280-400 nm; hours counted by that part say next to nothing"
                )
            rows.append(
                LampYearRow(
                    who,
                    way,
                    Value.of(rate),
                    Value.of(year.amount),
                    found.hours,
                    found.factor,
                    found.warm,
                    share,
                )
            )
        if not any(r.specimen == who for r in rows):
            raise OptistackError(
                f"{who}: the site has nothing in any band or weight that the lamp has, so no hours "
                "can be given; ask for bands in which both shine"
            )
        notes += _gaps(who, result, name, site, used, bands_nm)
        grades += [result.worst_grade(name, lamp_band_nm), site.grade]
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
        grade=max(grades),
        notes=merged(
            [
                *_ground_rules(coupon, lamp_band_nm, exponent, (coupon_thermal, device_thermal)),
                *about_weights(used, coupon.exposure.light.name, "the sun"),
                *notes,
            ]
        ),
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
