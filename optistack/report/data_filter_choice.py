"""The filter choice's part of results.json."""

from __future__ import annotations

from typing import Any

import numpy as np

from optistack.analysis.filter_selection import (
    AgeingLife,
    Chosen,
    FilterChoice,
    Robustness,
    SideEffects,
    ValidationPlan,
)
from optistack.report.json_values import Json, as_json, finite, finite_list
from optistack.scenario import FilterChoiceAnswer
from optistack.value import Value

# Names of the robustness that are listed; the rest is their sum.
_MOST_NAMES = 8
_SPECTRUM_STEP_NM = 2.0


def filter_choice_json(answer: FilterChoiceAnswer) -> Json:
    """What was found about the choice of a filter; docs/results.md explains the fields."""
    choice = answer.choice
    aim, e = choice.aim, choice.evaluation
    service = aim.service
    front = choice.fronts[choice.exposure]
    return {
        "sentences": choice.sentences(),
        "exposure": choice.exposure,
        "light": e.judged[choice.exposure].exposure.light.name,
        "exposures": {name: part.exposure.light.name for name, part in e.judged.items()},
        "layer": e.layer,
        "counted_by": choice.key,
        "objective": aim.objective,
        "requirement": {
            "most_photocurrent_lost": finite(aim.requirement.most_photocurrent_lost),
            "least_years": finite(aim.requirement.least_years),
            "most_cost_per_m2": finite(aim.requirement.most_cost_per_m2),
            "text": aim.requirement.text,
        },
        "horizon_years": finite(aim.horizon_years),
        "energy_unit": "kWh/m2" if aim.power.log_r is not None else "h at the start power",
        "sun_hours_per_year": None if service is None else finite(service.hours_per_year),
        "damage_hours_per_year": {}
        if service is None
        else {w: finite(service.damage_hours(w)) for w in choice.lives},
        "candidates": _candidates(choice),
        "lights_differ": choice.lights_differ,
        "pairs_in_another_order": {k: finite(v) for k, v in choice.discordant.items()},
        "first_if_trusted": {
            name: choice.names[int(order[0])] if order.size else None
            for name, order in choice.order.items()
        },
        "first_with_weight_to_500_nm": choice.best_if_longer,
        "best": _chosen(choice.best),
        "refined": _chosen(choice.refined),
        "runner_up": _chosen(choice.runner_up),
        "unfiltered": _chosen(choice.unfiltered),
        "fronts": {
            name: [
                {"name": choice.names[i], "dose_left": finite(d), "lost_fraction": finite(x)}
                for i, d, x in zip(f.positions, f.dose_left, f.lost_fraction, strict=True)
            ]
            for name, f in choice.fronts.items()
        },
        "knees": {
            name: None if f.knee is None else choice.names[f.knee]
            for name, f in choice.fronts.items()
        },
        "halvings": [
            {
                "halvings": h.halvings,
                "name": choice.names[h.position],
                "dose_left": finite(h.dose_left),
                "lost_fraction": finite(h.lost_fraction),
                "price": finite(h.price),
            }
            for h in front.halvings
        ],
        "courses": _courses(choice),
        "robustness": None if choice.robustness is None else _robustness(choice.robustness),
        "spectra": [_spectrum(s) for s in answer.spectra],
        "ageing": [_ageing(life) for life in answer.ageing],
        "places": list(answer.places),
        "side_effects": None if answer.side_effects is None else _effects(answer.side_effects),
        "validation": None if answer.validation is None else _validation(answer.validation),
        "flags": list(answer.flags),
        "notes": list(answer.notes),
    }


def _maybe(value: Value | None) -> Any:
    return as_json(value)


def _candidates(choice: FilterChoice) -> list[Json]:
    e = choice.evaluation
    order = choice.order[choice.exposure].tolist()
    ranks = {position: i + 1 for i, position in enumerate(order)}
    main = next(iter(choice.lives.values()), None)
    lost = e.judged[choice.exposure].lost_fraction
    doses = {name: e.dose(name, choice.key) for name in e.judged}
    return [
        {
            "name": c.name,
            "family": c.family,
            "mount": c.mounts,
            "parameters": {k: finite(v) for k, v in c.parameters.items()},
            "cost_per_m2": finite(c.cost_per_m2),
            "dose_left": {name: finite(d[i]) for name, d in doses.items()},
            "photocurrent_lost_fraction": finite(lost[i]),
            "t80_years": None if main is None else finite(main.t80_years[i]),
            "energy": None if main is None else finite(main.energy_kwh_m2[i, -1]),
            "break_even_years": None if main is None else finite(main.break_even_years[i]),
            "rank": ranks.get(i),
        }
        for i, c in enumerate(e.candidates)
    ]


def _chosen(part: Chosen | None) -> Json | None:
    if part is None:
        return None
    return {
        "name": part.name,
        "family": None if part.candidate is None else part.candidate.family,
        "mount": None if part.candidate is None else part.candidate.mounts,
        "dose_left": {
            name: {k: as_json(v) for k, v in doses.items()}
            for name, doses in part.dose_left.items()
        },
        "photocurrent_lost_fraction": _maybe(part.photocurrent_lost_fraction),
        "power_lost_fraction": finite(part.power_lost_fraction),
        "t80_years": _maybe(part.t80_years),
        "energy": _maybe(part.energy_kwh_m2),
        "break_even_years": _maybe(part.break_even_years),
    }


def _courses(choice: FilterChoice) -> Json | None:
    """Energy from the start to each year: no filter, the best, the runner-up; main weight."""
    if not choice.lives:
        return None
    main = next(iter(choice.lives.values()))
    powered = choice.best is not None and choice.best.energy_kwh_m2 is not None
    rows = [
        (part.name, -1 if part.candidate is None else choice.evaluation.index(part.name))
        for part in (choice.unfiltered, choice.best, choice.runner_up)
        if part is not None
    ]
    # Every fourth moment is enough for a curve.
    at = np.unique(np.append(np.arange(0, main.years.size, 4), main.years.size - 1))
    return {
        "weight": main.weight,
        "years": finite_list(main.years[at]),
        "power": {n: finite_list(main.power[i, at]) for n, i in dict(rows).items()},
        "energy": {n: finite_list(main.energy_kwh_m2[i, at]) for n, i in dict(rows).items()}
        if powered
        else {},
    }


def _robustness(found: Robustness) -> Json:
    return {
        "draws": found.draws,
        "seed": found.seed,
        "drawn": list(found.drawn),
        "first_share": {k: finite(v) for k, v in list(found.first_share.items())[:_MOST_NAMES]},
        "near_share": {k: finite(v) for k, v in found.near_share.items() if k in found.first_share},
        "by_weight": {
            w: {k: finite(v) for k, v in list(shares.items())[:_MOST_NAMES]}
            for w, shares in found.by_weight.items()
        },
    }


def _spectrum(one: Any) -> Json:
    lam = np.asarray(one.wavelength_nm)
    at = np.arange(np.ceil(lam[0]), lam[-1] + 1e-9, _SPECTRUM_STEP_NM)
    return {
        "exposure": one.exposure,
        "light": one.light,
        "wavelength_nm": finite_list(at),
        "absorbed_photons_m2_s_nm": finite_list(np.interp(at, lam, one.before)),
        "absorbed_behind_filter_m2_s_nm": finite_list(np.interp(at, lam, one.after)),
    }


def _ageing(life: AgeingLife) -> Json:
    at = np.unique(np.append(np.arange(0, life.years.size, 8), life.years.size - 1))
    return {
        "name": life.name,
        "years": finite_list(life.years[at]),
        "dose_left": finite_list(life.dose_left[at]),
        "current_left": finite_list(life.current_left[at]),
        "power": finite_list(life.power[at]),
        "power_if_fresh": finite_list(life.power_fresh[at]),
        "energy": finite(life.energy_kwh_m2),
        "energy_if_fresh": finite(life.energy_fresh_kwh_m2),
        "t80_years": finite(life.t80_years),
        "t80_years_if_fresh": finite(life.t80_fresh_years),
        "sentence": f"{life.sentence()}.",
    }


def _effects(found: SideEffects) -> Json:
    def colour(one: Any) -> Json | None:
        if one is None:
            return None
        return {"visible_transmittance": finite(one.visible), "lab": finite_list(one.lab)}

    return {
        "name": found.name,
        "exposure": found.exposure,
        "dose_left": [
            {"layer": layer, "band": band, "share": finite(left)}
            for (layer, band), left in found.other_dose_left.items()
        ],
        "warming_w_m2": finite(found.warming_w_m2),
        "warming_band_nm": [finite(x) for x in found.warming_band_nm],
        "before": colour(found.before),
        "after": colour(found.after),
        "colour_difference": finite(found.colour_difference),
        "warnings": list(found.warnings),
        "sentences": found.sentences(),
    }


def _validation(plan: ValidationPlan) -> Json:
    def row(r: Any) -> Json:
        return {
            "light": r.light,
            "specimens": r.specimens,
            "hours": finite(r.hours),
            "open_left": finite(r.open_left),
            "filtered_left": finite(r.filtered_left),
            "power": finite(r.power),
            "filtered_seen": finite(r.filtered_seen),
        }

    return {
        "confidence": finite(plan.confidence),
        "power": finite(plan.power),
        "most_hours": finite(plan.most_hours),
        "lights": [
            {
                "name": light.name,
                "open_rate_per_h": finite(light.open_rate_per_h),
                "filtered_rate_per_h": finite(light.filtered_rate_per_h),
                "lamp": light.lamp,
            }
            for light in plan.lights
        ],
        "rows": [row(r) for r in plan.rows],
        "recommended": None if plan.recommended is None else row(plan.recommended),
        "warnings": list(plan.warnings),
        "sentences": plan.sentences(),
    }
