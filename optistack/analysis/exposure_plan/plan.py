"""From the device's years at a site to light hours of the standard cycles, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.exposure_plan.qualification import (
    QualificationRow,
    qualification_test,
    qualify,
)
from optistack.analysis.exposure_plan.result import PlanHours, PlanResult, PlanRow, closest
from optistack.criteria import (
    METER_BAND_NM,
    Criterion,
    SiteDose,
    YearSum,
    criteria,
    inverse,
    lamp_rate,
    merged,
    over_all,
    percent,
    require_layer,
    share_of_damage_band,
    times,
    year_amount,
    year_sum,
)
from optistack.errors import OptistackError, RangeError, StackError
from optistack.exposure import Exposure, ExposureResult, MountedFilter
from optistack.rate_terms import FAR_INTENSITY, PROPORTIONAL, Knowledge
from optistack.spectra import (
    DAMAGE_BAND_NM,
    DEFAULT_BANDS_NM,
    BandNm,
    Spectrum,
    Weight,
    spectrum,
    weight_family,
)
from optistack.spectral_gaps import (
    SUN_STARTS_NM,
    below_the_sun,
    dark_under_lamp,
    sun_without_lamp,
)
from optistack.spectral_math import band_key
from optistack.value import Value
from optistack.weathering_cycles import Cycle, SetPoint, standard_cycles

Real = NDArray[np.float64]


def exposure_plan(
    coupon: Exposure,
    device: Exposure,
    site_device: SiteDose,
    layer: str,
    *,
    years: float | None = None,
    light_hours: float | None = None,
    coupon_layer: str | None = None,
    cycles: Sequence[Cycle] | None = None,
    lamps: Mapping[str, Spectrum] | None = None,
    filters: Sequence[MountedFilter] = (),
    meter_band_nm: BandNm = METER_BAND_NM,
    bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM,
    weights: Sequence[Weight] | None = None,
    exponent: Knowledge = PROPORTIONAL,
    tested_m3_s: tuple[float, float] | None = None,
    site_name: str = "the site",
) -> PlanResult:
    """Hours of standard cycles in which a coupon gets what the device gets in years at a site.

    Photons count per volume of the layer: damage is local.

    Parameters
    ----------
    coupon : Exposure
        How the coupon lies in the chamber: its stack, geometry and filters count, its light does
        not. To plan for a device in the chamber, give that.
    device : Exposure
        How the device would lie in it, for what the preconditioning test means.
    site_device : SiteDose
        A year of the device at the site, for the same bands and weights.
    layer : str
        In the device, and in the coupon unless ``coupon_layer`` is given.
    years : float
        Site years to reach. Either this or ``light_hours``.
    light_hours : float [h]
        Hours of light of a test; the answer is how many site years it stands for.
    coupon_layer : str, optional
    cycles : sequence of Cycle, optional
        `standard_cycles()` when not given.
    lamps : mapping of lamp to Spectrum, optional
        Spectra of your own by the lamp's name in the list of cycles ("xenon, window glass"); they
        replace the tables that come with optistack.
    filters : sequence of MountedFilter
        Each is tried in front of the coupon, beside none.
    meter_band_nm, bands_nm, weights, exponent
        As in `lamp_years`.
    tested_m3_s : (float, float), optional [1/(m3 s)]
        Lowest and highest absorbed photon rate per volume, 280-400 nm, at which the rate law was
        tested. An intensity more than 10 times outside is flagged.
    site_name : str

    Raises
    ------
    OptistackError
        Neither or both of years and hours; not positive; no cycle with a spectrum; no absorbed
        dose; a band or weight that the site does not have.
    StackError
        A layer that is not there or has no thickness.

    Examples
    --------
    >>> import optistack as ost
    >>> lamp = ost.spectrum("uva340").at_set_point(340, 0.89)
    >>> bare = ost.Stack("air", [ost.Layer("film", "ito", 120.0)], "fused_silica")
    >>> behind = ost.Stack("air", [ost.Layer("foil", "pet", 50e3), *bare.layers], "fused_silica")
    >>> coupon, device = ost.Exposure("coupon", bare, lamp), ost.Exposure("device", behind, lamp)
    >>> light = ost.site_light(ost.Site("equator", 0.0, 0.0))
    >>> year = ost.site_year(light, {"coupon": coupon, "device": device}, "film")
    >>> plan = exposure_plan(coupon, device, year["device"], "film", years=1)
    >>> row = plan.row("ASTM G154, 1")
    >>> print(row.over_weights.format(2), "|", row.clock_over_weights.format(2))
    2400 (930 to 2500) | 3700 (1400 to 3700)
    >>> row.cycle.mark
    'from memory, unverified'
    """
    _one_direction(years, light_hours)
    used = tuple(weights) if weights is not None else weight_family()
    if not used:
        raise OptistackError("a plan needs at least one spectral weight; weight_family() has four")
    coupon_layer = coupon_layer or layer
    ways = criteria(DAMAGE_BAND_NM, meter_band_nm, bands_nm, used)
    sums = tuple(
        year_sum(site_device, way, exponent=exponent, who="device at the site") for way in ways
    )
    _require_year(site_device, layer)
    listed = tuple(cycles) if cycles is not None else standard_cycles()
    own = dict(lamps or {})
    options: list[MountedFilter | None] = [None, *filters]
    ask = _Question(
        coupon, coupon_layer, site_device, ways, sums, used, tuple(bands_nm), exponent, tested_m3_s
    )
    solved: dict[tuple[str, int], _Lit | None] = {}
    unfit: dict[str, None] = {}
    rows: list[PlanRow] = []
    left_out: list[tuple[Cycle, str]] = []
    for cycle in listed:
        light = own.get(cycle.lamp)
        if light is None and cycle.spectrum is not None:
            light = spectrum(cycle.spectrum)
        if light is None:
            left_out.append((cycle, f"no spectrum here of a lamp {cycle.lamp}"))
            continue
        for i, option in enumerate(options):
            if (cycle.lamp, i) not in solved:
                solved[cycle.lamp, i] = _tried(ask, light, option, unfit)
        lit = [x for i in range(len(options)) if (x := solved[cycle.lamp, i]) is not None]
        for set_point in cycle.set_points:
            rows += _closest([_row(ask, cycle, set_point, x, years, light_hours) for x in lit])
    if not rows:
        raise OptistackError(
            "none of the cycles has a spectrum here: "
            + "; ".join(f"{c.name}: {why}" for c, why in left_out)
            + '. Bring a measured one: lamps = {"xenon, window glass": my_spectrum}'
        )
    bare = {lamp: x for (lamp, i), x in solved.items() if i == 0 and x is not None}
    qualified, more = _qualification(bare, device, layer, coupon_layer, site_device, ways)
    return PlanResult(
        layer=layer,
        coupon_layer=coupon_layer,
        specimen=coupon.name,
        device=device.name,
        site=site_name,
        years=years,
        light_hours=light_hours,
        rows=tuple(rows),
        left_out=tuple(left_out),
        qualification=qualified,
        test=qualification_test(),
        meter_band_nm=meter_band_nm,
        exponent=exponent,
        grade=max(
            site_device.grade,
            *(x.result.worst_grade(coupon_layer, DAMAGE_BAND_NM) for x in bare.values()),
        ),
        notes=merged([*unfit, *_notes(ask, bare, site_device, site_name), *more]),
    )


def _one_direction(years: float | None, light_hours: float | None) -> None:
    if (years is None) == (light_hours is None):
        raise OptistackError("give either years (to reach) or light_hours (of a test), not both")
    name, asked = ("years", years) if light_hours is None else ("light_hours", light_hours)
    if asked is None or not (np.isfinite(asked) and asked > 0):
        raise OptistackError(f"{name} = {asked} must be a positive number")


def _require_year(site: SiteDose, layer: str) -> None:
    way = Criterion("absorbed photons", DAMAGE_BAND_NM)
    if not year_amount(site, way, "device at the site") > 0:
        raise OptistackError(
            f"device at the site: layer {layer} absorbs nothing in {band_key(DAMAGE_BAND_NM)} nm, "
            "so there is no dose to give to a coupon"
        )
    if not site.thickness_nm > 0:
        raise StackError(f"device at the site: layer {layer} has no thickness")


@dataclass(frozen=True, eq=False)
class _Question:
    coupon: Exposure
    layer: str
    site: SiteDose
    ways: tuple[Criterion, ...]
    sums: tuple[YearSum, ...]
    weights: tuple[Weight, ...]
    bands: tuple[BandNm, ...]
    exponent: Knowledge
    tested: tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class _Lit:
    """The coupon behind one filter option under one lamp, at a level of its table."""

    light: Spectrum
    result: ExposureResult
    filter: str
    mount: str
    thickness_nm: float
    rates: tuple[Real, ...]
    regions: tuple[str, ...]


def _tried(
    ask: _Question, light: Spectrum, option: MountedFilter | None, unfit: dict[str, None]
) -> _Lit | None:
    """None, and a note why, for a filter that cannot be mounted there or leaves nothing."""
    try:
        return _lit(ask, light, option)
    except OptistackError as error:
        if option is None:
            raise
        where = f" in {option.layer}" if option.layer else ""
        unfit[f"filter {option.item.name} ({option.mount}{where}) not tried: {error}"] = None
        return None


def _lit(ask: _Question, light: Spectrum, option: MountedFilter | None) -> _Lit:
    level = light.times(1.0) if light.relative else light
    exposure = replace(ask.coupon, light=level)
    if option is not None:
        exposure = exposure.with_filters((option, *exposure.filters))
    everything = [*ask.bands, *(w.band_nm for w in ask.weights), DAMAGE_BAND_NM]
    result = exposure.run(exposure.needed_range(everything))
    thickness = require_layer(result, ask.layer)
    return _Lit(
        light=level,
        result=result,
        filter="none" if option is None else option.item.name,
        mount="" if option is None else option.mount,
        thickness_nm=thickness,
        rates=tuple(lamp_rate(result, ask.layer, w) for w in ask.ways),
        regions=_regions(ask, result),
    )


def _regions(ask: _Question, result: ExposureResult) -> tuple[str, ...]:
    """What only the lamp has, and what only the sun has."""
    out = []
    light = result.exposure.light
    extra = below_the_sun(result, ask.layer, ask.weights)
    if extra is None:
        out.append(f"no light below {SUN_STARTS_NM:g} nm in the lamp's table")
    else:
        worst = max(extra.weighted.items(), key=lambda item: item[1].high)
        out.append(
            f"lamp has photons below {SUN_STARTS_NM:g} nm that the sun has not: "
            f"{percent(extra.incident)} of those up to 400 nm, {percent(extra.absorbed)} of those "
            f"absorbed in 280-400 nm, at most {percent(Value.of(worst[1].high))} of the dose "
            f"weighted {worst[0]}"
        )
        if extra.unknown_nm is not None:
            out.append(f"what is absorbed in {band_key(extra.unknown_nm)} nm is not counted")
    for key, share in dark_under_lamp(light, ask.site, ask.bands).items():
        out.append(
            f"lamp is dark in {key} nm, where the device absorbs "
            f"{percent(Value.of(share))} of its photons of {key} and 280-400 nm"
        )
    try:
        absent = sun_without_lamp(result, ask.layer, ask.weights)
    except RangeError as error:
        out.append(f"what the lamp lacks of the sun is not known: {error}")
        return tuple(out)
    if absent:
        listed = ", ".join(f"{n} {percent(Value.of(v))}" for n, v in absent.items())
        out.append(f"lamp is dark for part of what the coupon absorbs of AM1.5G: {listed}")
    return tuple(out)


def _row(
    ask: _Question,
    cycle: Cycle,
    set_point: SetPoint,
    lit: _Lit,
    years: float | None,
    light_hours: float | None,
) -> PlanRow:
    scaled = set_point.of(lit.light)
    shapes = zip((scaled, *scaled.variants), (lit.light, *lit.light.variants), strict=True)
    level = np.array(
        [
            a.spectral_irradiance_w_m2_nm.max() / b.spectral_irradiance_w_m2_nm.max()
            for a, b in shapes
        ]
    )
    per_volume = lit.thickness_nm / ask.site.thickness_nm
    share = cycle.light_share
    hours = []
    for year, unscaled in zip(ask.sums, lit.rates, strict=True):
        way, rate = year.criterion, unscaled * level
        if not (rate > 0).all() or not year.amount > 0:
            continue
        per_year = year.equals(rate, per_volume).hours
        if light_hours is None:
            needed, reached = times(per_year, float(years or 0.0)), Value.of(float(years or 0.0))
        else:
            needed, reached = Value.of(light_hours), inverse(per_year, light_hours)
        clock = None
        if share is not None:
            clock = Value(
                needed.value / share.value, needed.low / share.high, needed.high / share.low
            )
        hours.append(PlanHours(way, needed, clock, reached, share_of_damage_band(ask.site, way)))
    absorbed = lit.result.absorbed_photons_m2_s(ask.layer, DAMAGE_BAND_NM)
    intensity = Value.of(absorbed * level / (lit.thickness_nm * 1e-9))
    over_site, flags = _intensity(ask, intensity)
    weighted = [h for h in hours if h.criterion.weight is not None]
    return PlanRow(
        cycle=cycle,
        set_point=set_point,
        light=scaled,
        filter=lit.filter,
        mount=lit.mount,
        hours=tuple(hours),
        over_weights=over_all([h.light_hours for h in weighted]) if weighted else None,
        years_over_weights=over_all([h.site_years for h in weighted]) if weighted else None,
        absorbed_photons_m3_s=intensity,
        intensity_over_site=over_site,
        flags=flags,
        regions=lit.regions,
    )


def _intensity(ask: _Question, intensity: Value) -> tuple[Value, tuple[str, ...]]:
    """The coupon's intensity over the device's, dose-weighted; flags where a law is stretched."""
    course = np.asarray(ask.site.rate_m2_s(band_key(DAMAGE_BAND_NM)), dtype=float)
    mean = float((course**2).sum() / course.sum()) / (ask.site.thickness_nm * 1e-9)
    ratio = Value(intensity.value / mean, intensity.low / mean, intensity.high / mean)
    flags = []
    if ratio.high > FAR_INTENSITY or ratio.low < 1 / FAR_INTENSITY:
        flags.append(
            f"absorbed rate per volume {ratio.format(2)} times the device's mean outdoors: the law "
            f"between both is stretched beyond {FAR_INTENSITY:g} times"
        )
    if ask.tested is not None:
        low, high = ask.tested
        if not (0 < low <= high and np.isfinite(high)):
            raise OptistackError(f"tested_m3_s = {ask.tested} must be a positive range")
        if intensity.high > FAR_INTENSITY * high or intensity.low < low / FAR_INTENSITY:
            flags.append(
                f"absorbed rate {intensity.format(2)} per m3 and s is more than "
                f"{FAR_INTENSITY:g} times outside the tested {low:.2g} to {high:.2g}"
            )
    return ratio, tuple(flags)


def _closest(rows: Sequence[PlanRow]) -> list[PlanRow]:
    """Mark the filter option that brings the weights closest together."""
    best = closest(rows)
    return [replace(r, closest=r is best) for r in rows]


def _qualification(
    bare: Mapping[str, _Lit],
    device: Exposure,
    layer: str,
    coupon_layer: str,
    site: SiteDose,
    ways: Sequence[Criterion],
) -> tuple[tuple[QualificationRow, ...], list[str]]:
    """A row per lamp, and what the device's stack assumes there."""
    test = qualification_test()
    out: list[QualificationRow] = []
    notes: list[str] = []
    wanted = [
        w
        for w in ways
        if w.weight is not None or (w.band_nm == test.band_nm and w.kind != "incident photons")
    ]
    for lit in bare.values():
        exposure = replace(device, light=lit.light)
        grid = lit.result.wavelength_nm
        on_device = exposure.run((float(grid[0]), float(grid[-1])))
        require_layer(on_device, layer)
        out.append(qualify(test, (lit.result, coupon_layer), (on_device, layer), site, wanted))
        notes += [
            f"device under {lit.light.name}: {n}" for n in on_device.notes(layer, test.band_nm)
        ]
    return tuple(out), notes


def _notes(
    ask: _Question,
    bare: Mapping[str, _Lit],
    site: SiteDose,
    site_name: str,
) -> tuple[str, ...]:
    p = ask.exponent
    lights = [lit.light.name for lit in bare.values()]
    out = [
        "hours count photons absorbed per volume: the same dose, not the same temperature, "
        "humidity, oxygen, rain or bias; no answer here is an acceleration factor",
        "dry phases and phases named for their light count as lamp on, condensation as lamp off; a "
        "spray phase whose light is not stated makes the hours of the clock a range",
        "each set point is taken at its nominal value",
    ]
    if p.how == "assumed":
        out.append("reciprocity exponent p = 1 assumed: damage goes with the absorbed photons")
    else:
        out.append(
            f"reciprocity exponent p = {p.value.format()}, {p.how}, hour by hour; the "
            "preconditioning dose is converted with p = 1, since its irradiance is open"
        )
    out += p.notes
    for w in ask.weights:
        out += [*w.notes, *w.notes_with(*lights, "the sun")]
    for lit in bare.values():
        out += [
            f"coupon under {lit.light.name}: {n}"
            for n in lit.result.notes(ask.layer, DAMAGE_BAND_NM)
        ]
    out += [f"device at {site_name}: {n}" for n in site.notes]
    return merged(out)
