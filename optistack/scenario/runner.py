"""Carry out a scenario: the only place that puts analyses together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optistack.analysis.compare import Comparison, compare
from optistack.analysis.filter_selection import FilterTable, filter_table, long_bands
from optistack.collection import Collection, Photocurrent, photocurrent
from optistack.errors import OptistackError, RangeError
from optistack.exposure import Exposure, ExposureResult
from optistack.filters import Filter
from optistack.light_paths import Geometry
from optistack.materials import Material
from optistack.scenario.electrode import ElectrodeAnswer, answer_electrode
from optistack.scenario.filter_choice import FilterChoiceAnswer, answer_filter_choice
from optistack.scenario.ledger import answer_ledger
from optistack.scenario.load import Scenario
from optistack.scenario.notes import said_once
from optistack.scenario.outdoors import SiteAnswer, answer_site
from optistack.scenario.plan import PlanAnswer, answer_plan
from optistack.scenario.rates import RatesAnswer, answer_rates
from optistack.scenario.uncertainty import answer_uncertainty, rank_causes
from optistack.spectra import BandNm, spectrum
from optistack.spectral_math import band_key
from optistack.stack import FilterStack
from optistack.uncertainty import FirstOrder, Uncertainty
from optistack.workers import Workers

if TYPE_CHECKING:
    import pandas as pd

    from optistack.analysis.dose_ledger import Ledger

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Finding:
    """Something that a check of a scenario found.

    Attributes
    ----------
    level : "missing" or "assumption" or "note"
        "missing" stops a run.
    where, text : str
    """

    level: str
    where: str
    text: str


@dataclass(frozen=True, eq=False)
class RunResult:
    """Everything a scenario asked for.

    Attributes
    ----------
    scenario : Scenario
    exposures : mapping of str to ExposureResult
    photocurrents : mapping of exposure name to Photocurrent
    comparisons : tuple of Comparison
        The first is the main one.
    filters : FilterTable or None
    rates : RatesAnswer or None
    electrode : ElectrodeAnswer or None
    uncertainty : Uncertainty or None
    causes : FirstOrder or None
        Of the main comparison's ratio.
    site : SiteAnswer or None
    plan : PlanAnswer or None
    ledger : Ledger or None
    filter_choice : FilterChoiceAnswer or None
    notes : tuple of str
        Assumptions, extensions and doubts, of the whole run.
    """

    scenario: Scenario
    exposures: Mapping[str, ExposureResult]
    photocurrents: Mapping[str, Photocurrent]
    comparisons: tuple[Comparison, ...]
    filters: FilterTable | None = None
    rates: RatesAnswer | None = None
    electrode: ElectrodeAnswer | None = None
    uncertainty: Uncertainty | None = None
    causes: FirstOrder | None = None
    site: SiteAnswer | None = None
    plan: PlanAnswer | None = None
    ledger: Ledger | None = None
    filter_choice: FilterChoiceAnswer | None = None
    notes: tuple[str, ...] = ()

    @property
    def comparison(self) -> Comparison | None:
        """The main comparison."""
        return self.comparisons[0] if self.comparisons else None

    def to_frame(self) -> pd.DataFrame:
        """Absorbed photons of every layer, exposure and band."""
        import pandas as pd

        bands = self.scenario.question.bands_nm
        return pd.concat([r.to_frame(bands) for r in self.exposures.values()], ignore_index=True)


def _to_nobody(_: object) -> None:
    return None


def run(
    scenario: Scenario,
    *,
    progress: Progress = _to_nobody,
    workers: Workers | None = None,
    keep_draws: Path | None = None,
    drawn: Callable[[int, int], None] | None = None,
    so_far: Callable[[RunResult], None] = _to_nobody,
) -> RunResult:
    """Carry out a scenario.

    Parameters
    ----------
    scenario : Scenario
    progress : callable, optional
        Called with a few words before each piece of work.
    workers : Workers, optional
        Who makes the draws; the numbers do not depend on it.
    keep_draws : Path, optional
        A folder for finished draws: those that are there are not made again.
    drawn : callable, optional
        Called with the draws that are done and all of them.
    so_far : callable, optional
        Called with what is found each time that there is more: at first exposures and
        comparisons, then part after part. The notes come last.

    Raises
    ------
    OptistackError
        A table that does not cover what is asked, a mount that does not fit, ...
    """
    question = scenario.question
    results: dict[str, ExposureResult] = {}
    collections: dict[str, Collection] = {}
    currents: dict[str, Photocurrent] = {}
    notes: list[str] = []
    exposures = dict(scenario.exposures)
    filters_on = list(question.filters_on)
    sun = sun_exposure(scenario)
    if sun is not None:
        try:
            results[sun.name] = sun.run(needed_limits(scenario, sun, with_filters=True))
        except RangeError as error:
            notes.append(f"the filters are not judged under the sun: {error}")
        else:
            exposures[sun.name] = sun
            filters_on.append(sun.name)
    for name, exposure in exposures.items():
        progress(f"exposure {name}")
        if name not in results:
            limits = needed_limits(scenario, exposure, with_filters=name in filters_on)
            results[name] = exposure.run(limits)
        collection = collection_of(scenario, exposure)
        if collection is not None:
            collections[name] = collection
            currents[name] = photocurrent(results[name], collection)
    comparisons = []
    for coupon, device in question.pairs:
        progress(f"compare {coupon} with {device}")
        comparisons.append(
            compare(
                scenario.exposures[coupon],
                scenario.exposures[device],
                question.layer,
                coupon_layer=question.coupon_layer,
                bands_nm=question.bands_nm,
                weights=question.weights,
                sensitivity=question.sensitivity,
                coupon_result=results[coupon],
                device_result=results[device],
            )
        )
    found = RunResult(
        scenario=scenario,
        exposures={name: results[name] for name in exposures},
        photocurrents=currents,
        comparisons=tuple(comparisons),
    )
    so_far(found)

    def add(**part: Any) -> None:
        nonlocal found
        found = replace(found, **part)
        so_far(found)

    if filters_on and question.candidates:
        progress(f"{len(question.candidates)} filters on {len(filters_on)} exposures")
        filters = filter_table(
            [exposures[name] for name in filters_on],
            question.candidates,
            question.layer,
            bands_nm=question.bands_nm,
            weights=question.weights,
            collections=collections,
            base_results={name: results[name] for name in filters_on},
        )
        add(filters=filters)
    if scenario.rates is not None:
        at = question.pairs.index(scenario.rates.pair)
        add(
            rates=answer_rates(
                scenario.rates, comparisons[at], scenario.exposures, scenario.electrode, progress
            )
        )
    rates = found.rates
    if scenario.electrode is not None:
        progress("the electrode of the cell")
        add(electrode=answer_electrode(scenario.electrode, rates.courses if rates else {}))
    if scenario.site is not None:
        progress(f"a year at {scenario.site.site.name}")
        weights = question.weights
        if rates is not None and rates.activation is not None:
            weights = (*weights, rates.activation.weight())
        add(site=answer_site(scenario.site, question, scenario.exposures, weights))
    site = found.site
    if scenario.plan is not None and site is not None:
        progress("lamp hours against site years")
        add(plan=answer_plan(scenario.plan, question, site, scenario.exposures, results, rates))
    if scenario.filter_choice is not None:
        progress(f"{len(scenario.filter_choice.candidates)} candidate filters")
        add(
            filter_choice=answer_filter_choice(
                scenario.filter_choice,
                question,
                exposures,
                filters_on,
                collections,
                results,
                rates,
                found.electrode,
                site,
            )
        )
    if scenario.ledger is not None:
        progress("the exposure log")
        add(ledger=answer_ledger(scenario.ledger))
    if scenario.uncertainty is not None:
        progress(f"{scenario.uncertainty.draws} draws of what is not known")
        add(
            uncertainty=answer_uncertainty(
                scenario.uncertainty,
                question,
                scenario.exposures,
                rates,
                workers=workers,
                keep=keep_draws,
                progress=drawn,
            )
        )
    if question.pairs:
        progress("what the ratio hangs on")
        try:
            add(causes=rank_causes(scenario.uncertainty, question, scenario.exposures))
        except OptistackError as error:
            notes.append(f"what the ratio hangs on is not ranked: {error}")
    parts = (
        ("rates: ", found.rates),
        ("draws: ", found.uncertainty),
        ("first order: ", found.causes),
        ("electrode: ", found.electrode),
        ("", found.site),
        ("plan: ", found.plan),
        ("ledger: ", found.ledger),
        ("filter choice: ", found.filter_choice),
    )
    notes += _notes(scenario, results, currents, comparisons, found.filters)
    for name, part in parts:
        notes += () if part is None else (f"{name}{note}" for note in part.notes)
    return replace(found, notes=said_once(notes))


def sun_exposure(scenario: Scenario) -> Exposure | None:
    """The exposure that judges the filters under the sun, where the scenario has only lamps."""
    question = scenario.question
    asked = [scenario.exposures[name] for name in question.filters_on]
    if not asked or not question.candidates or any(e.light.kind == "standard" for e in asked):
        return None
    lamp = asked[0]
    name = f"{lamp.name}, under AM1.5G instead"
    if name in scenario.exposures:
        return None
    return Exposure(
        name=name,
        stack=lamp.stack,
        light=replace(spectrum("am15g"), name="AM1.5G"),
        geometry=Geometry(lit_from=lamp.geometry.lit_from),
        filters=lamp.filters,
        hours=lamp.hours,
    )


def collection_of(scenario: Scenario, exposure: Exposure) -> Collection | None:
    return scenario.collections.get(exposure.stack.name)


def needed_limits(scenario: Scenario, exposure: Exposure, *, with_filters: bool) -> BandNm:
    """The wavelengths over which an exposure must be solved [nm]."""
    question = scenario.question
    bands = [*question.bands_nm, *(w.band_nm for w in question.weights)]
    collection = collection_of(scenario, exposure)
    if collection is not None:
        bands.append(collection.range_nm)
    if with_filters:
        bands += long_bands(question.candidates, question.weights, exposure.light)
    return exposure.needed_range(bands)


def _notes(
    scenario: Scenario,
    results: Mapping[str, ExposureResult],
    currents: Mapping[str, Photocurrent],
    comparisons: list[Comparison],
    filters: FilterTable | None,
) -> tuple[str, ...]:
    out = []
    if scenario.invented:
        out.append("this scenario is invented; its numbers describe no real product")
    out += scenario.choices
    for comparison in comparisons:
        out += comparison.notes
    layer = scenario.question.layer
    for result in results.values():
        band = scenario.question.weights[0].band_nm
        known = layer in result.stack.names
        out += result.notes(layer if known else None, band if known else None)
    for current in currents.values():
        out += current.notes
    if filters is not None:
        out += filters.notes
        for row in filters.rows:
            out += row.notes
    texts = list(dict.fromkeys(out))
    # The plain form of an extension note adds nothing to the one that gives its share.
    return tuple(
        t
        for t in texts
        if not any(o != t and (o.startswith(t + ";") or o.endswith(f": {t}")) for o in texts)
    )


def check(scenario: Scenario) -> tuple[Finding, ...]:
    """What is missing or assumed, found before anything is computed.

    Every table is held against the wavelengths that each exposure needs; low grades, extensions
    and readings below a stray-light floor are listed.
    """
    found: dict[tuple[str, str], Finding] = {}

    def add(level: str, where: str, text: str) -> None:
        found.setdefault((where, text), Finding(level, where, text))

    for choice in scenario.choices:
        add("assumption", "scenario", choice)
    for name, exposure in scenario.exposures.items():
        try:
            limits = needed_limits(
                scenario, exposure, with_filters=name in scenario.question.filters_on
            )
            stack, far = exposure.built
            stack.fringe_step_nm(limits[0])  # refuses coherent layers that are too thick
        except OptistackError as error:
            add("missing", f"exposures.{name}", str(error))
            continue
        for m in stack.materials:
            _check_material(m, limits, f"exposures.{name}", add)
        for layer in stack.layers:
            for absorber in layer.absorbers:
                _check_filter(absorber, limits, f"exposures.{name}", add)
        for item in far:
            _check_filter(item, limits, f"exposures.{name}", add)
        collection = collection_of(scenario, exposure)
        if collection is not None and collection.eqe is not None:
            # It is solved as well, over the wavelengths of the exposure.
            measured, where = collection.eqe.stack, f"photocurrent.{exposure.stack.name}"
            try:
                measured.fringe_step_nm(limits[0])
            except OptistackError as error:
                add("missing", where, str(error))
            for m in measured.materials:
                _check_material(m, limits, where, add)
            for layer in measured.layers:
                for absorber in layer.absorbers:
                    _check_filter(absorber, limits, where, add)
    for name in scenario.question.filters_on:
        exposure = scenario.exposures[name]
        for candidate in scenario.question.candidates:
            where = f"filters.{candidate.item.name} ({candidate.mount}) on {name}"
            try:
                trial = exposure.with_filters((candidate, *exposure.filters))
                limits = needed_limits(scenario, exposure, with_filters=True)
                _ = trial.built
            except OptistackError as error:
                add("missing", where, str(error))
                continue
            if isinstance(candidate.item, Filter):
                _check_filter(candidate.item, limits, where, add)
            elif isinstance(candidate.item, FilterStack):
                for layer in candidate.item.layers:
                    _check_material(layer.material, limits, where, add)
    if scenario.rates is not None:
        for text in scenario.rates.assumptions():
            add("assumption", "rates", text)
    if scenario.site is not None:
        for text in scenario.site.assumptions():
            add("assumption", "site", text)
    if scenario.plan is not None:
        for text in scenario.plan.assumptions(rates=scenario.rates is not None):
            add("assumption", "plan", text)
    for used_file in scenario.inputs:
        if used_file.grade in ("C", "D"):
            what = used_file.title or used_file.source or used_file.name
            add("note", used_file.used_as, f"grade {used_file.grade}: {what}")
    order = {"missing": 0, "assumption": 1, "note": 2}
    return tuple(sorted(found.values(), key=lambda f: order[f.level]))


def _check_material(m: Material, limits: BandNm, where: str, add: Any) -> None:
    try:
        m.index([limits[0], limits[1]])
    except RangeError as error:
        add("missing", where, str(error))
        return
    except OptistackError as error:
        add("missing", where, str(error))
        return
    if m.extended([limits[0]])[0] or m.extended([limits[1]])[0]:
        low, high = m.range_nm
        add(
            "assumption",
            f"material {m.name}",
            f"known {low:g}-{high:g} nm, needed {band_key(limits)} nm; extended as asked",
        )


def _check_filter(item: Filter, limits: BandNm, where: str, add: Any) -> None:
    import numpy as np

    try:
        lam = np.arange(limits[0], limits[1] + 1.0)
        for text in item.doubts(np.minimum(lam, limits[1])):
            add("assumption", f"filter {item.name}", text)
    except OptistackError as error:
        add("missing", where, str(error))
