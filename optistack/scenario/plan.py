"""Lamp hours against site years, and the exposure plan, in a scenario."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from optistack.criteria import METER_BAND_NM, Thermal
from optistack.errors import ScenarioError
from optistack.exposure import Exposure, ExposureResult, MountedFilter
from optistack.rate_terms import PROPORTIONAL, Knowledge
from optistack.scenario.outdoors import SiteAnswer, SiteReader
from optistack.scenario.question import Question
from optistack.scenario.rates import RatesAnswer, knowledge
from optistack.scenario.section import Section
from optistack.spectra import DAMAGE_BAND_NM, BandNm, Spectrum, spectrum
from optistack.spectral_math import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from optistack.analysis.exposure_plan import PlanResult, PlanRow
    from optistack.analysis.lamp_years import LampPair, LampYears
    from optistack.weathering_cycles import Cycle


@dataclass(frozen=True, eq=False)
class TemperatureQuestion:
    """How warm the film is under the lamp and at the site.

    Attributes
    ----------
    lamp_k : float [K]
    site_k : float or None [K]
        All year; None: the climate's air.
    rise_k : float [K]
        Above that, at the irradiance of AM1.5G in the plane, in proportion to it.
    energy_kj_mol : Knowledge or None
        None: that of the rates.
    """

    lamp_k: float
    site_k: float | None
    rise_k: float
    energy_kj_mol: Knowledge | None


@dataclass(frozen=True, eq=False)
class PlanQuestion:
    """What is asked about lamp hours.

    Attributes
    ----------
    lamp : (coupon exposure, device exposure)
        Under the lamp.
    other_lamp : (coupon exposure, device exposure) or None
        Under a second lamp, or in a second laboratory.
    nominal_nm : band or wavelength [nm]
        In which both report the same dose.
    years, light_hours : float or None
        One of both.
    cycles : tuple of Cycle or None
        None: all of the list.
    lamps : mapping of lamp to Spectrum
        Lights of the scenario that stand for lamps of the list.
    filters : tuple of MountedFilter
        Tried in front of the coupon.
    lamp_band_nm, meter_band_nm : (float, float) [nm]
    exponent : Knowledge or None
        None: from the rates, or 1.
    temperature : TemperatureQuestion or None
        None: lamp and site count as equally warm.
    sheet_cycle, sheet_filter : str or None
        For which row the sheet is printed.
    purpose : str
    facts : mapping of str to str
        For the reporting sheet.
    """

    lamp: tuple[str, str]
    other_lamp: tuple[str, str] | None
    nominal_nm: BandNm | float
    years: float | None
    light_hours: float | None
    cycles: tuple[Cycle, ...] | None
    lamps: Mapping[str, Spectrum]
    filters: tuple[MountedFilter, ...]
    lamp_band_nm: BandNm
    meter_band_nm: BandNm
    exponent: Knowledge | None
    temperature: TemperatureQuestion | None
    sheet_cycle: str | None
    sheet_filter: str | None
    purpose: str
    facts: Mapping[str, str]

    def assumptions(self, *, rates: bool) -> tuple[str, ...]:
        """What is taken for granted, before anything is computed."""
        out = []
        if self.exponent is None and not rates:
            out.append("reciprocity exponent p = 1 assumed: damage goes with the absorbed photons")
        if self.temperature is None:
            out.append("no temperatures: lamp and site count as equally warm")
        return tuple(out)


@dataclass(frozen=True, eq=False)
class PlanAnswer:
    """Lamp hours against site years, and the plan.

    Attributes
    ----------
    question : PlanQuestion
    lamp_years : LampYears
    lamps : LampPair or None
    plan : PlanResult
    row : PlanRow
        The one on the sheets.
    plan_sheet, reporting_sheet : str
        One page of Markdown each.
    notes : tuple of str
    """

    question: PlanQuestion
    lamp_years: LampYears
    lamps: LampPair | None
    plan: PlanResult
    row: PlanRow
    plan_sheet: str
    reporting_sheet: str
    notes: tuple[str, ...]


class PlanReader(SiteReader):
    """Reads the section ``[plan]``."""

    def _plan(self, section: Section, question: Question) -> PlanQuestion:
        from optistack.analysis.exposure_plan import CHECKLIST

        lamps = [
            pair
            for pair in question.pairs
            if all(self.exposures[name].light.kind != "standard" for name in pair)
        ]
        lamp = self._under(section.section("lamp", None), section, question, lamps[:1])
        second = section.section("other_lamp", None)
        other = None if second is None else self._under(second, section, question, lamps[1:2])
        section.at_most_one_of(("nominal_nm", "nominal_band_nm"))
        nominal: BandNm | float = section.band("nominal_band_nm", METER_BAND_NM)
        nominal = section.number("nominal_nm", nominal, above=0.0)
        section.at_most_one_of(("years", "light_hours"))
        light_hours = section.number("light_hours", None, above=0.0)
        years = section.number("years", None if light_hours else 1.0, above=0.0)
        exponent = knowledge(section, "reciprocity_exponent", above=0.0)
        warm = section.section("temperature", None)
        sheet = section.section("sheet", None)
        cycle = filter_name = None
        purpose = ""
        if sheet is not None:
            cycle, filter_name = sheet.text("cycle", None), sheet.text("filter", None)
            purpose = sheet.text("purpose", "")
            sheet.done()
        facts = {}
        reporting = section.section("reporting", None)
        if reporting is not None:
            for key in ("protocol", *(item.key for item in CHECKLIST)):
                said = reporting.text(key, None)
                if said is not None:
                    facts[key] = said
            reporting.done()
        return PlanQuestion(
            lamp,
            other,
            nominal,
            years,
            light_hours,
            self._cycles(section),
            self._lamps(section),
            self._mounted(section, "filters"),
            section.band("lamp_band_nm", DAMAGE_BAND_NM),
            section.band("meter_band_nm", METER_BAND_NM),
            exponent,
            None if warm is None else self._within(warm, _temperatures),
            cycle,
            filter_name,
            purpose,
            facts,
        )

    def _under(
        self,
        given: Section | None,
        outer: Section,
        question: Question,
        default: Sequence[tuple[str, str]],
    ) -> tuple[str, str]:
        """Coupon and device under one lamp."""
        path = outer.key_path("lamp") if given is None else given.path
        names = list(default[0]) if default else [None, None]
        for i, (key, layer) in enumerate(
            (("coupon", question.coupon_layer), ("device", question.layer))
        ):
            where = path
            if given is not None:
                names[i], where = given.text(key, names[i]), given.key_path(key)
            name = names[i]
            if name is None:
                raise ScenarioError(
                    "needs { coupon = ..., device = ... }: exposures under the lamp", path
                )
            self._exposure_with(layer, name, where)
        if given is not None:
            given.done()
        return str(names[0]), str(names[1])

    def _cycles(self, section: Section) -> tuple[Cycle, ...] | None:
        from optistack.weathering_cycles import standard_cycles

        names = section.texts("cycles", None)
        if names is None:
            return None
        known = {c.name: c for c in standard_cycles()}
        path = section.key_path("cycles")
        return tuple(
            known[self._defined(name, known, "cycle", f"{path}[{i}]")]
            for i, name in enumerate(names)
        )

    def _lamps(self, section: Section) -> dict[str, Spectrum]:
        """Lights of the scenario for lamps of the list: { "xenon, window glass" = "my lamp" }."""
        from optistack.weathering_cycles import standard_cycles

        given = section.section("lamps", None)
        if given is None:
            return {}
        known = {c.lamp: c for c in standard_cycles()}
        out = {}
        for lamp in given.names:
            self._defined(lamp, known, "lamp of a cycle", given.key_path(lamp))
            light = given.text(lamp)
            self._defined(light, self.lights, "light", given.key_path(lamp))
            out[lamp] = self.lights[light]
        return out


def _temperatures(section: Section) -> TemperatureQuestion:
    site = section.number("site_c", None, above=-ZERO_CELSIUS_K)
    return TemperatureQuestion(
        section.number("lamp_c", above=-ZERO_CELSIUS_K) + ZERO_CELSIUS_K,
        None if site is None else site + ZERO_CELSIUS_K,
        section.number("rise_k", 0.0, low=0.0, high=100.0),
        knowledge(section, "activation_energy_kj_mol", above=0.0),
    )


def _thermal(
    asked: TemperatureQuestion | None, site: SiteAnswer, rates: RatesAnswer | None
) -> Thermal | None:
    """Temperatures of the film hour by hour."""
    if asked is None:
        return None
    where = "plan.temperature"
    energy = asked.energy_kj_mol
    if energy is None and rates is not None:
        energy = rates.correction.activation_energy_kj_mol
    if energy is None or energy.how == "assumed":
        raise ScenarioError(
            "needs activation_energy_kj_mol here, or rates with a temperature series", where
        )
    light = site.light
    base: Any = asked.site_k
    if base is None:
        if light.temperature_c is None:
            raise ScenarioError(
                "needs site_c, or a climate that holds temperatures of the air", where
            )
        base = light.temperature_c + ZERO_CELSIUS_K
    # What warms is the whole light; its visible part, in multiples of AM1.5G, stands for it.
    band = (400.0, 700.0)
    suns = light.irradiance_w_m2(band) / spectrum("am15g").irradiance_w_m2(band)
    return Thermal(energy, asked.lamp_k, base + asked.rise_k * suns)


def answer_plan(
    question: PlanQuestion,
    asked: Question,
    site: SiteAnswer,
    exposures: Mapping[str, Exposure],
    results: Mapping[str, ExposureResult],
    rates: RatesAnswer | None,
) -> PlanAnswer:
    """Hours of the lamp against years of the site, and the plan for the standard cycles.

    Raises
    ------
    OptistackError
        Nothing is absorbed; no such row for the sheet.
    """
    from optistack.analysis.exposure_plan import exposure_plan
    from optistack.analysis.lamp_years import compare_lamps, lamp_years

    exponent = question.exponent
    if exponent is None:
        exponent = PROPORTIONAL if rates is None else rates.correction.exponent
    weights = site.year.weights
    coupon, device = question.lamp
    thermal = _thermal(question.temperature, site, rates)
    years = lamp_years(
        results[coupon],
        results[device],
        site.coupon_dose,
        site.device_dose,
        asked.layer,
        coupon_layer=asked.coupon_layer,
        lamp_band_nm=question.lamp_band_nm,
        meter_band_nm=question.meter_band_nm,
        bands_nm=asked.bands_nm,
        weights=weights,
        exponent=exponent,
        coupon_thermal=thermal,
        device_thermal=thermal,
    )
    lamps = None
    if question.other_lamp is not None:
        other_coupon, other_device = question.other_lamp
        lamps = compare_lamps(
            (results[coupon], results[other_coupon]),
            (results[device], results[other_device]),
            asked.layer,
            coupon_layer=asked.coupon_layer,
            nominal_nm=question.nominal_nm,
            bands_nm=asked.bands_nm,
            weights=weights,
            exponent=exponent,
        )
    plan = exposure_plan(
        exposures[coupon],
        exposures[device],
        site.device_dose,
        asked.layer,
        years=question.years,
        light_hours=question.light_hours,
        coupon_layer=asked.coupon_layer,
        cycles=question.cycles,
        lamps=question.lamps,
        filters=question.filters,
        meter_band_nm=question.meter_band_nm,
        bands_nm=asked.bands_nm,
        weights=weights,
        exponent=exponent,
        site_name=site.question.site.name,
    )
    sheet = plan.plan_sheet(question.sheet_cycle, question.sheet_filter, purpose=question.purpose)
    reporting = plan.reporting_sheet(question.facts, question.sheet_cycle, question.sheet_filter)
    # What the site or another exposure has said already is not said again with a prefix.
    said = tuple(site.notes)
    notes = dict.fromkeys((*years.notes, *plan.notes, *(lamps.notes if lamps else ())))
    return PlanAnswer(
        question,
        years,
        lamps,
        plan,
        plan.row(question.sheet_cycle, question.sheet_filter),
        sheet,
        reporting,
        tuple(n for n in notes if not n.endswith(said)),
    )
