"""The choice of a filter in a scenario: what is asked, and the answer put together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from optistack.care import is_lamp
from optistack.collection import Collection
from optistack.errors import OptistackError, ScenarioError
from optistack.exposure import Exposure, ExposureResult, MountedFilter
from optistack.filters import Filter
from optistack.rate_terms import FAR_INTENSITY
from optistack.scenario.electrode import ElectrodeAnswer
from optistack.scenario.ingredients import Ingredients
from optistack.scenario.question import Question
from optistack.scenario.rates import RatesAnswer, measured_weights
from optistack.scenario.section import Section, checked_number
from optistack.spectra import BandNm, Weight
from optistack.spectral_math import PHOTON_J_NM, band_key
from optistack.stack import MOUNTS, Mount
from optistack.value import short

if TYPE_CHECKING:
    from optistack.analysis.filter_selection import (
        AgeingFilter,
        AgeingLife,
        Candidate,
        Evaluation,
        FilterChoice,
        LayerLoss,
        Service,
        SideEffects,
        ValidationPlan,
    )
    from optistack.scenario.outdoors import SiteAnswer

_OBJECTIVES = ("dose", "energy", "life")
# Yearly insolation over 1 kW/m2 where nothing is stated: a mild climate, common practice.
DEFAULT_SUN_HOURS = 1000.0
DEFAULT_HORIZON_YEARS = 20.0
# Points of a row of a grid.
_MOST_STEPS = 2000
MEASURED = "measured"


@dataclass(frozen=True, eq=False)
class AgeingQuestion:
    """A filter that ages.

    Attributes
    ----------
    name : str
    mounted : tuple of MountedFilter
        The places that are compared; one where nothing is.
    quantum_yield : float or None
        Of an absorber that bleaches.
    absorptivity : callable or None
        Decadic molar absorptivity [L/(mol cm)] against wavelength [nm].
    amount_mol_m2 : float
        Of the absorber, per area.
    ages_h, aged : tuples
        Measured ages [h] and filters.
    beyond : "refuse" or "hold"
    """

    name: str
    mounted: tuple[MountedFilter, ...]
    quantum_yield: float | None = None
    absorptivity: Any = None
    amount_mol_m2: float = 0.0
    ages_h: tuple[float, ...] = ()
    aged: tuple[Filter, ...] = ()
    beyond: str = "refuse"


@dataclass(frozen=True, eq=False)
class FilterChoiceQuestion:
    """What a scenario asks about the choice of a filter.

    Attributes
    ----------
    exposures : tuple of str
        Of the device; under each the candidates are judged.
    service : str or None
        The exposure whose light is that of the device's life.
    candidates : tuple of Candidate
    objective : str or None
    most_photocurrent_lost, least_years, most_cost_per_m2 : float or None
    horizon_years : float
    sun_hours_per_year : float or None
    rate : "predicted" or "measured"
    draws, seed : int
    ageing : tuple of AgeingQuestion
    needs_light : (layer, band) or None
    seen_through : bool
    validation : mapping or None
        Arguments of `optistack.analysis.filter_selection.plan_validation`.
    """

    exposures: tuple[str, ...]
    service: str | None
    candidates: tuple[Candidate, ...]
    objective: str | None
    most_photocurrent_lost: float | None
    least_years: float | None
    most_cost_per_m2: float | None
    horizon_years: float
    sun_hours_per_year: float | None
    rate: str
    draws: int
    seed: int
    ageing: tuple[AgeingQuestion, ...]
    needs_light: tuple[str, BandNm] | None
    seen_through: bool
    validation: Mapping[str, Any] | None


@dataclass(frozen=True, eq=False)
class AbsorbedSpectrum:
    """What the layer absorbs at each wavelength, without a filter and behind the best.

    Attributes
    ----------
    exposure, light : str
    wavelength_nm : (wavelength,) array [nm]
    before, after : (wavelength,) arrays [1/(m2 s nm)]
    """

    exposure: str
    light: str
    wavelength_nm: Any
    before: Any
    after: Any


@dataclass(frozen=True, eq=False)
class FilterChoiceAnswer:
    """What was found about the choice of a filter.

    Attributes
    ----------
    question : FilterChoiceQuestion
    choice : FilterChoice
    ageing : tuple of AgeingLife
        A life for each filter that ages, in each of its places.
    places : tuple of str
        Which place of an absorber is better, in words.
    side_effects : SideEffects or None
        Of the best.
    validation : ValidationPlan or None
    spectra : tuple of AbsorbedSpectrum
        Of the best, under each light.
    flags : tuple of str
        What the answer must not be trusted for.
    notes : tuple of str
    """

    question: FilterChoiceQuestion
    choice: FilterChoice
    ageing: tuple[AgeingLife, ...]
    places: tuple[str, ...]
    side_effects: SideEffects | None
    validation: ValidationPlan | None
    spectra: tuple[AbsorbedSpectrum, ...]
    flags: tuple[str, ...]
    notes: tuple[str, ...]


class FilterChoiceReader(Ingredients):
    """Reads the section ``[filter_choice]``."""

    def _filter_choice(self, section: Section, question: Question) -> FilterChoiceQuestion:
        exposures = section.texts("exposures", question.filters_on)
        for i, name in enumerate(exposures):
            self._exposure_with(question.layer, name, f"{section.key_path('exposures')}[{i}]")
        if not exposures:
            raise ScenarioError(
                "is missing: name the device's exposures, or give question.filters_on",
                section.key_path("exposures"),
            )
        service = section.text("service", None)
        if service is not None:
            self._defined(
                service, dict.fromkeys(exposures), "exposure", section.key_path("service")
            )
        candidates = self._candidates(section, question)
        ageing = section.sections("ageing", [])
        layer_of = self.exposures[exposures[0]].stack
        needs = section.section("needs_light", None)
        light = None
        if needs is not None:
            name = needs.text("layer")
            self._defined(name, dict.fromkeys(layer_of.names), "layer", needs.key_path("layer"))
            band = needs.band("band_nm", question.bands_nm[0])
            if band not in question.bands_nm:
                raise ScenarioError(
                    "is not one of question.bands_nm; add it there", needs.key_path("band_nm")
                )
            light = (name, band)
            needs.done()
        validation = section.section("validation", None)
        return FilterChoiceQuestion(
            exposures,
            service,
            candidates,
            section.choice("objective", _OBJECTIVES, None),
            section.number("most_photocurrent_lost", None, above=0.0, high=1.0),
            section.number("least_years", None, low=0.0),
            section.number("most_cost_per_m2", None, low=0.0),
            section.number("horizon_years", DEFAULT_HORIZON_YEARS, above=0.0, high=1000.0),
            section.number("sun_hours_per_year", None, above=0.0, high=8784.0),
            section.choice("rate", ("predicted", "measured"), "predicted"),
            section.integer("draws", 200, low=0),
            section.integer("seed", 1, low=0),
            tuple(self._ageing_filter(item) for item in ageing),
            light,
            section.flag("seen_through", False),
            None if validation is None else _validation(validation),
        )

    def _candidates(self, section: Section, question: Question) -> tuple[Candidate, ...]:
        from optistack.analysis.filter_selection import (
            absorber_family,
            design_long_pass,
            edge_family,
            measured_candidates,
            read_absorbers,
            stack_candidates,
        )

        out: list[Candidate] = list(measured_candidates(question.candidates, self.costs_per_m2))
        edges = section.section("edges", None)
        if edges is not None:
            index = edges.take("index", None)
            out += edge_family(
                _steps(edges, "half_value_nm"),
                _steps(edges, "width_10_90_nm"),
                mounts=_mounts(edges),
                plateau=edges.number("plateau", 1.0, above=0.0, high=1.0),
                blocking_floor=edges.number("blocking_floor", 1e-4, low=0.0, high=1.0),
                index=None if index is None else self._any_material(index, edges.key_path("index")),
                layer=edges.text("in_layer", None),
                cost_per_m2=edges.number("cost_per_m2", None, low=0.0),
            )
            edges.done()
        absorbers = section.section("absorbers", None)
        if absorbers is not None:
            given = absorbers.text("table", None)
            path = None if given is None else self._file(given, absorbers.key_path("table"))
            known = read_absorbers(path)
            kinds = absorbers.texts("classes", None)
            if kinds is not None:
                for i, kind in enumerate(kinds):
                    self._defined(
                        kind,
                        dict.fromkeys(a.kind for a in known),
                        "class of absorbers",
                        f"{absorbers.key_path('classes')}[{i}]",
                    )
                known = tuple(a for a in known if a.kind in kinds)
            if any(a.recalled for a in known):
                self.choices.append(
                    "filter choice: peaks and absorptivities of the absorber classes are from "
                    "memory, unverified, their widths assumed; take measured ones before buying"
                )
            index = absorbers.take("index", None)
            out += absorber_family(
                known,
                _steps(absorbers, "loading_percent"),
                _steps(absorbers, "thickness_um"),
                mounts=_mounts(absorbers),
                density_g_cm3=absorbers.number("density_g_cm3", 1.2, above=0.0),
                index=None
                if index is None
                else self._any_material(index, absorbers.key_path("index")),
                layer=absorbers.text("in_layer", None),
                cost_per_kg=absorbers.number("cost_per_kg", None, low=0.0),
                film_cost_per_m2=absorbers.number("film_cost_per_m2", 0.0, low=0.0),
            )
            absorbers.done()
        films = section.section("interference", None)
        if films is not None:
            high, low = (
                self._any_material(films.take(key, name), films.key_path(key))
                for key, name in (("high", "tio2"), ("low", "sio2_film"))
            )
            stop = films.band("stop_nm", None)
            designs = [
                design_long_pass(edge, int(count), high, low, stop_nm=stop)
                for edge in _steps(films, "edge_nm")
                for count in _steps(films, "layers")
            ]
            self.choices += [note for d in designs for note in d.notes]
            out += stack_candidates(
                [d.item for d in designs],
                _mounts(films),
                cost_per_m2=films.number("cost_per_m2", None, low=0.0),
            )
            films.done()
        if not out:
            raise ScenarioError(
                "has no candidates: give question.filters, or edges, absorbers or interference",
                section.path,
            )
        return tuple(out)

    def _ageing_filter(self, item: Section) -> AgeingQuestion:
        where = item.key_path("filter")
        name = self._defined(item.text("filter"), self.filters, "filter", where)
        first = self.mounts[name][0]
        mount = item.choice("mount", MOUNTS, first.mount)
        mounted = MountedFilter(self.filters[name], mount, item.text("in_layer", first.layer))
        which = item.one_of(("quantum_yield", "ages_h"))
        if which == "ages_h":
            ages = item.numbers("ages_h")
            aged = []
            for i, one in enumerate(item.texts("aged")):
                other = self.filters[
                    self._defined(one, self.filters, "filter", f"{item.key_path('aged')}[{i}]")
                ]
                if not isinstance(other, Filter):
                    raise ScenarioError("is given by its layers", f"{item.key_path('aged')}[{i}]")
                aged.append(other)
            beyond = item.choice("beyond", ("refuse", "hold"), "refuse")
            item.done()
            return AgeingQuestion(name, (mounted,), ages_h=ages, aged=tuple(aged), beyond=beyond)
        if name not in self.absorbers:
            raise ScenarioError("is no absorber in a binder; only such a one bleaches here", where)
        found, film = self.absorbers[name], self.filters[name]
        if not isinstance(film, Filter) or film.thickness_nm is None:
            raise ScenarioError("has no thickness", where)
        amount = found.concentration_mol_l * 1e3 * film.thickness_nm * 1e-9
        places = item.texts("places", ())
        spots = tuple(replace(mounted, mount="in_substrate", layer=place) for place in places)
        out = AgeingQuestion(
            name,
            spots or (mounted,),
            item.number("quantum_yield", above=0.0),
            found.curve,
            amount,
        )
        item.done()
        return out


def _steps(section: Section, key: str) -> tuple[float, ...]:
    """A list of numbers, or from, to and step."""
    value = section.take(key)
    path = section.key_path(key)
    if isinstance(value, list):
        if not value:
            raise ScenarioError("must not be empty", path)
        return tuple(checked_number(v, f"{path}[{i}]", above=0.0) for i, v in enumerate(value))
    inner = Section(value, path)
    low, high = inner.number("from", above=0.0), inner.number("to", above=0.0)
    step = inner.number("step", above=0.0)
    inner.done()
    if high < low or (high - low) / step > _MOST_STEPS:
        raise ScenarioError(
            f"{low:g} to {high:g} in steps of {step:g} is no row of at most {_MOST_STEPS} values",
            path,
        )
    return tuple((low + step * np.arange(int((high - low) / step + 1e-9) + 1)).tolist())


def _mounts(section: Section) -> tuple[Mount, ...]:
    mounts = section.texts("mounts", ("laminated",))
    for i, mount in enumerate(mounts):
        if mount not in MOUNTS:
            raise ScenarioError(
                f"{mount!r} is not one of {', '.join(MOUNTS)}", f"{section.key_path('mounts')}[{i}]"
            )
    return tuple(mounts)


def _validation(section: Section) -> dict[str, Any]:
    out: dict[str, Any] = {
        "specimen_spread": section.number("specimen_spread", None, low=0.0, high=0.99),
        "reading_noise": section.number("reading_noise", None, low=0.0, high=0.99),
        "confidence": section.number("confidence", 0.95, low=0.5, high=0.999),
        "power": section.number("power", 0.9, low=0.5, high=0.999),
        "most_hours": section.number("most_hours", 5000.0, above=0.0),
    }
    counts = section.numbers("specimens", None)
    if counts is not None:
        for i, n in enumerate(counts):
            if n != int(n) or n < 2:
                raise ScenarioError(
                    f"{n:g} is not a whole number of at least 2",
                    f"{section.key_path('specimens')}[{i}]",
                )
        out["specimens"] = tuple(int(n) for n in counts)
    section.done()
    return out


def answer_filter_choice(
    question: FilterChoiceQuestion,
    asked: Question,
    exposures: Mapping[str, Exposure],
    judged_on: Sequence[str],
    collections: Mapping[str, Collection],
    results: Mapping[str, ExposureResult],
    rates: RatesAnswer | None,
    electrode: ElectrodeAnswer | None,
    site: SiteAnswer | None,
) -> FilterChoiceAnswer:
    """Judge the candidates and choose.

    Parameters
    ----------
    question : FilterChoiceQuestion
    asked : Question
    exposures : mapping of str to Exposure
    judged_on : sequence of str
        Exposures on which filters are judged; with the sun's, which is added to lamps alone.
    collections : mapping of exposure name to Collection
    results : mapping of exposure name to ExposureResult
        Already solved.
    rates, electrode, site
        What else the scenario found; each may be missing.
    """
    from optistack.analysis.filter_selection import Requirement, choose_filter, evaluate_filters

    notes: list[str] = []
    weights = _weights(asked, rates)
    names = list(question.exposures)
    if all(is_lamp(exposures[name].light) for name in names):
        names += [n for n in judged_on if n not in names and not is_lamp(exposures[n].light)]
    others = [] if question.needs_light is None else [question.needs_light[0]]
    losses = _losses(question, rates, weights, notes)
    if losses:
        reference = next(iter(losses.values())).exposure
        if reference not in names:
            names.append(reference)
    evaluation = evaluate_filters(
        [exposures[name] for name in names],
        question.candidates,
        asked.layer,
        bands_nm=asked.bands_nm,
        weights=weights,
        collections={n: collections[n] for n in names if n in collections},
        other_layers=others,
        base_results={n: results[n] for n in names if n in results},
    )
    service = _service(question, evaluation, losses, site, rates, notes)
    power, start = None, None
    sheet = losses and all(x.quantity.startswith("sheet_") for x in losses.values())
    if electrode is not None and sheet:
        power, start = electrode.power, electrode.question.start_sheet_resistance_ohm_sq
    choice = choose_filter(
        evaluation,
        requirement=Requirement(
            question.most_photocurrent_lost, question.least_years, question.most_cost_per_m2
        ),
        objective=question.objective,  # type: ignore[arg-type]
        losses=losses or None,
        service=service,
        power=power,
        start_sheet_resistance_ohm_sq=start,
        horizon_years=question.horizon_years,
        draws=question.draws,
        seed=question.seed,
    )
    notes += choice.notes
    flags = [] if rates is None else _stretched(choice, rates, asked, results, weights)
    ageing, places = _ageing(question, choice, notes)
    effects = None
    if choice.best is not None and choice.best.candidate is not None:
        from optistack.analysis.filter_selection import side_effects

        needed = {} if question.needs_light is None else dict([question.needs_light])
        effects = side_effects(
            evaluation.benches[choice.exposure],
            choice.best.candidate,
            needs_light=needed,
            seen_through=question.seen_through,
        )
        notes += effects.notes
    validation = None
    if question.validation is not None:
        validation = _validated(question.validation, choice, rates, notes)
    return FilterChoiceAnswer(
        question,
        choice,
        ageing,
        places,
        effects,
        validation,
        _spectra(choice, asked.layer),
        tuple(flags),
        tuple(dict.fromkeys([*flags, *notes])),
    )


def _stretched(
    choice: FilterChoice,
    rates: RatesAnswer,
    asked: Question,
    results: Mapping[str, ExposureResult],
    weights: Sequence[Weight],
) -> list[str]:
    """How far below the tested intensities the best filter brings the layer."""
    best, service = choice.best, choice.exposure
    weight = next((w for w in weights if w.name == choice.key), None)
    coupon = results.get(rates.question.pair[0])
    if best is None or coupon is None or service not in results or not choice.lives:
        return []

    def per_volume(result: ExposureResult, layer: str) -> float:
        band = next((b for b in asked.bands_nm if band_key(b) == choice.key), None)
        if weight is not None:
            rate = result.weighted_photons_m2_s(layer, weight)[0]
        elif band is not None:
            rate = result.absorbed_photons_m2_s(layer, band)[0]
        else:
            return float("nan")
        return float(rate) / result.stack.layers[result.stack.position(layer)].thickness_nm

    tested = per_volume(coupon, asked.coupon_layer)
    left = best.dose_left[service][choice.key].value
    ratio = left * per_volume(results[service], asked.layer) / tested if tested > 0 else 1.0
    if not ratio < 1 / FAR_INTENSITY:
        return []
    return [
        f"behind {best.name} the layer absorbs {short(ratio, 2)} of the rate per volume "
        f"at which the coupons were tested, more than {FAR_INTENSITY:g} times less: neither the "
        "law of loss nor p is known there, and what needs no light, or light beyond the weight's "
        "band, may decide; its lifetime is an extrapolation"
    ]


def _spectra(choice: FilterChoice, layer: str) -> tuple[AbsorbedSpectrum, ...]:
    best = choice.best
    if best is None or best.candidate is None:
        return ()
    out = []
    for name, bench in choice.evaluation.benches.items():
        solved = bench.solved_with(best.candidate)
        lam = solved.wavelength_nm
        through = bench.far_transmittance(best.candidate, lam)
        light = bench.exposure.light
        flux = light(lam) * lam / PHOTON_J_NM * bench.far_transmittance(None, lam)
        bare = np.interp(lam, bench.grid, bench.bare_absorptance(layer))
        behind = solved.response.absorptance[solved.stack.position(layer)] * through
        out.append(AbsorbedSpectrum(name, light.name, lam, flux * bare, flux * behind))
    return tuple(out)


def _weights(asked: Question, rates: RatesAnswer | None) -> tuple[Weight, ...]:
    """The measured weight with its limits first, where there is one, then those asked for."""
    if rates is None or rates.activation is None:
        return asked.weights
    middle, *ends = measured_weights(rates.activation)
    return (replace(middle, name=MEASURED), *ends, *asked.weights)


def _losses(
    question: FilterChoiceQuestion,
    rates: RatesAnswer | None,
    weights: Sequence[Weight],
    notes: list[str],
) -> dict[str, LayerLoss]:
    if rates is None:
        return {}
    from optistack.analysis.filter_selection import LayerLoss

    correction, under = rates.correction, rates.question.pair[1]
    known = {w.name for w in weights}
    out = {
        c.weight: LayerLoss.from_correction(correction, under, c.weight)
        for c in correction.cases
        if c.weight in known
    }
    if rates.activation is not None and MEASURED in out:
        # The ends of what was measured: the rate they give is within the range of its own.
        for weight in weights:
            if weight.measured and weight.name not in out:
                out[weight.name] = replace(out[MEASURED], weight=weight.name)
    if question.rate == "measured":
        residual = correction.residual
        if residual is None:
            raise ScenarioError(
                "the device's own rate is not known: give rates.device, or take rate = "
                '"predicted"',
                "filter_choice.rate",
            )
        text = (
            f"the device's own rate is taken, {residual.value:.3g} times the predicted one; what "
            "makes the difference is not known, and need not be the same in service"
        )
        out = {name: loss.faster(residual.value, text) for name, loss in out.items()}
    elif correction.residual is not None:
        notes.append(
            f"the predicted rate is taken; the measured device ages at "
            f"{correction.residual.value:.3g} times of it"
        )
    return out


def _service(
    question: FilterChoiceQuestion,
    evaluation: Evaluation,
    losses: Mapping[str, LayerLoss],
    site: SiteAnswer | None,
    rates: RatesAnswer | None,
    notes: list[str],
) -> Service | None:
    from optistack.analysis.filter_selection import Service

    suns = [
        name for name, part in evaluation.judged.items() if part.exposure.light.kind == "standard"
    ]
    name = question.service or (suns[-1] if suns else None)
    if name is None or not losses:
        return None
    hours = question.sun_hours_per_year
    if site is not None and name in suns:
        dose = site.device_dose
        if hours is None:
            key = max(dose.incident_am15g_hours, key=lambda k: float(k.split("-")[1]), default=None)
            if key is not None:
                hours = dose.incident_am15g_hours[key]
                notes.append(
                    f"insolation of the year taken as {hours:.4g} hours of AM1.5G, those of "
                    f"{key} nm at {site.question.site.name}"
                )
        renamed = {}
        if rates is not None and rates.activation is not None:
            renamed = {rates.activation.weight().name: MEASURED}
        p = next(iter(losses.values())).exponent.value.value
        found = Service.from_site_dose(
            name, hours or DEFAULT_SUN_HOURS, dose, exponent=p, names=renamed
        )
        known = dict(found.damage_hours_per_year)
        # The limits of the measured weight have the year of the weight itself.
        known |= {w: known[MEASURED] for w in losses if w not in known and MEASURED in known}
        return replace(found, damage_hours_per_year=known)
    if hours is None:
        hours = DEFAULT_SUN_HOURS
        notes.append(
            f"{hours:g} hours of the sun a year are assumed (common practice, no source); state "
            "sun_hours_per_year, or a site"
        )
    else:
        notes.append(f"{hours:g} hours of {name} a year, as stated; damage counted in full sun")
    return Service(name, hours)


def _ageing(
    question: FilterChoiceQuestion, choice: FilterChoice, notes: list[str]
) -> tuple[tuple[AgeingLife, ...], tuple[str, ...]]:
    from optistack.analysis.filter_selection import life_behind_ageing, places_compared

    aim = choice.aim
    lives: list[AgeingLife] = []
    places: list[str] = []
    if not question.ageing:
        return (), ()
    if aim.service is None or not aim.losses:
        notes.append("ageing of filters is not followed: it needs [rates] and the sun's exposure")
        return (), ()
    bench = choice.evaluation.benches[choice.exposure]
    loss = next(iter(aim.losses.values()))
    ratio = (
        float(choice.evaluation.judged[choice.exposure].rate_m2_s[loss.weight][0])
        / aim.reference_rates[loss.weight]
    )
    for item in question.ageing:
        mine = []
        for spot in item.mounted:
            horizon = aim.horizon_years
            if item.ages_h and item.beyond == "refuse":
                end = item.ages_h[-1] / aim.service.hours_per_year
                if end < horizon:
                    horizon = end
                    notes.append(
                        f"{item.name}: followed for {end:.3g} years, as long as it was measured"
                    )
            label = item.name if len(item.mounted) < 2 else f"{item.name}, in {spot.layer}"
            life = life_behind_ageing(
                bench,
                _aged(item, spot, bench, label),
                loss,
                aim.service,
                aim.power,
                ratio,
                mount=spot.mount,
                layer=spot.layer,
                horizon_years=horizon,
            )
            mine.append(life)
            notes += life.notes
        lives += mine
        if len(mine) > 1:
            places.append(places_compared(mine))
    return tuple(lives), tuple(places)


def _aged(item: AgeingQuestion, spot: MountedFilter, bench: Any, label: str) -> AgeingFilter:
    from optistack.analysis.filter_selection import AgedReadings, bleaching_in

    if item.quantum_yield is None:
        return AgedReadings(label, np.array(item.ages_h), item.aged, item.beyond)  # type: ignore[arg-type]
    film = spot.item
    thickness = film.thickness_nm if isinstance(film, Filter) else None
    if spot.mount == "in_substrate" and spot.layer is not None:
        stack = bench.stack
        thickness = stack.layers[stack.position(spot.layer)].thickness_nm
    if thickness is None:
        raise OptistackError(f"filter {item.name} has no thickness")
    options = {"index": film.index} if isinstance(film, Filter) and film.index else {}
    return bleaching_in(
        bench,
        label,
        item.absorptivity,
        item.amount_mol_m2 / (1e3 * thickness * 1e-9),
        thickness,
        item.quantum_yield,
        spot.mount,
        spot.layer,
        **options,
    )


def _validated(
    given: Mapping[str, Any],
    choice: FilterChoice,
    rates: RatesAnswer | None,
    notes: list[str],
) -> ValidationPlan | None:
    from optistack.analysis.filter_selection import TestLight, plan_validation

    best = choice.best
    if best is None or best.candidate is None or not choice.aim.losses or rates is None:
        notes.append("no test is planned: it needs [rates] and a filter that was chosen")
        return None
    loss = next(iter(choice.aim.losses.values()))
    p, key = loss.exponent.value.value, loss.weight
    rate = -np.log(0.8) / loss.hours_to(0.8)
    lights = []
    for name, part in choice.evaluation.judged.items():
        ratio = float(part.rate_m2_s[key][0]) / choice.aim.reference_rates[key]
        left = max(best.dose_left[name][key].value, 0.0)
        lights.append(
            TestLight(
                name,
                rate * ratio**p,
                rate * (ratio * left) ** p,
                is_lamp(part.exposure.light),
            )
        )
    options = dict(given)
    kinetics = rates.kinetics
    if options["specimen_spread"] is None:
        options["specimen_spread"] = kinetics.scatter.sd
        notes.append(
            f"validation: specimens differ by {100 * kinetics.scatter.sd:.2g} % in their rate, as "
            "the coupons do"
        )
    if options["reading_noise"] is None:
        sd, scale = kinetics.data.sd, kinetics.best.curve.fit.scale
        if sd is None and scale is None:
            raise ScenarioError(
                "the coupons' file says nothing of the noise of readings; state it",
                "filter_choice.validation.reading_noise",
            )
        noise = float(0.01 * (scale or 0.0) if sd is None else sd)
        options["reading_noise"] = noise
        notes.append(
            f"validation: readings scatter by {100 * noise:.2g} %, as those of the coupons do"
        )
    plan = plan_validation(
        best.name,
        lights,
        dark_rate_per_h=loss.dark_rate_per_h,
        edge_nm=best.candidate.half_value_nm,
        **options,
    )
    notes += [f"validation: {n}" for n in plan.notes]
    return plan
