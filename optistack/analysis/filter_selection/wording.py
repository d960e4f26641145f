"""The choice of a filter in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optistack.analysis.filter_selection.life import MOST_YEARS
from optistack.analysis.filter_selection.search import NEAR, NO_FILTER, NONE_MEETS
from optistack.value import Value, short

if TYPE_CHECKING:
    from optistack.analysis.filter_selection.choice import Chosen, FilterChoice
    from optistack.analysis.filter_selection.front import Front

_AIMS = {
    "dose": "least dose left",
    "energy": "most energy",
    "life": "longest life",
}


def _percent(x: float, digits: int = 3) -> str:
    return f"{short(100 * x, digits)} %"


def aim_text(choice: FilterChoice) -> str:
    """What was looked for: "most energy over 20 years, at most 5 % of the photocurrent"."""
    aim = choice.aim
    goal = _AIMS[aim.objective]
    if aim.objective == "energy":
        goal += f" over {aim.horizon_years:g} years"
    return f"{goal}, {aim.requirement.text}"


def years(value: Value | None, most: float = MOST_YEARS) -> str:
    """Years with their range: "12.3 (10 to 15)", "more than 1000"."""
    if value is None:
        return "not known"
    if not np.isfinite(value.value):
        more = f" ({short(value.low)} or more)" if np.isfinite(value.low) else ""
        return f"more than {most:g}{more}"
    return value.format()


def break_even_text(choice: FilterChoice, part: Chosen) -> str:
    """When the filter has paid for its photocurrent."""
    value = part.break_even_years
    if value is None:
        return ""
    if not np.isfinite(value.value):
        return f"it does not deliver more than no filter within {choice.aim.horizon_years:g} years"
    if value.value == 0 and not value.has_range:
        return "it delivers more than no filter from the start"
    text = value.format()
    return f"it has delivered more than no filter from year {text} on"


def sentences_of(choice: FilterChoice) -> list[str]:
    """The answer; what depends on the light comes first."""
    out = [_lights(choice)]
    if choice.best is None:
        out.append(
            f"No candidate of {len(choice.evaluation.candidates)}, nor no filter, meets the "
            f"requirement: {choice.aim.requirement.text}."
        )
    else:
        out.append(f"Best for {aim_text(choice)}: {describe(choice, choice.best)}.")
        if choice.refined is not None:
            out.append(
                f"Between the grid points of its family: {describe(choice, choice.refined)}."
            )
        if choice.runner_up is not None:
            out.append(f"Runner-up: {describe(choice, choice.runner_up)}.")
        else:
            out.append("There is no runner-up: nothing else meets the requirement.")
    if choice.best is not None and choice.best_if_longer not in (None, choice.best.name):
        out.append(
            f"The choice depends on where the weight ends: carried on to 500 nm, "
            f"{choice.best_if_longer} comes first."
        )
    if choice.robustness is not None and choice.best is not None:
        out.append(_robust(choice, choice.best))
    front = choice.fronts[choice.exposure]
    if front.knee is not None:
        i = int(np.flatnonzero(front.positions == front.knee)[0])
        out.append(
            f"The knee of the front lies at {choice.names[front.knee]}: "
            f"{_percent(front.dose_left[i])} of the dose for {_percent(front.lost_fraction[i])} of "
            "the photocurrent."
        )
    if front.halvings:
        out.append(_prices(front))
    return out


def _lights(choice: FilterChoice) -> str:
    judged = choice.evaluation.judged
    here = judged[choice.exposure].exposure.light.name
    if not choice.discordant:
        return f"Judged under one light only, {here}; under another the order may differ."
    parts = []
    for name, share in choice.discordant.items():
        light = judged[name].exposure.light.name
        mine, theirs = choice.order[choice.exposure], choice.order[name]
        if share == 0:
            parts.append(f"{light} and {here} put the filters in the same order")
        elif mine.size and theirs.size and mine[0] != theirs[0]:
            parts.append(
                f"the ranking under {light} is not that under {here}: {light} would choose "
                f"{choice.names[int(theirs[0])]}, {here} chooses {choice.names[int(mine[0])]} "
                f"({_percent(share, 2)} of the pairs change order)"
            )
        else:
            parts.append(
                f"the ranking under {light} is not that under {here}: the best is the same, but "
                f"{_percent(share, 2)} of the pairs change order"
            )
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."


def describe(choice: FilterChoice, part: Chosen) -> str:
    """A candidate with its numbers under the light of the service."""
    facts = []
    if part.candidate is not None:
        left = part.dose_left[choice.exposure][choice.key]
        facts.append(f"{left.format(percent=True)} of the dose left ({choice.key})")
        if part.photocurrent_lost_fraction is not None:
            facts.append(
                f"{part.photocurrent_lost_fraction.format(percent=True)} of the photocurrent lost"
            )
    if part.t80_years is not None:
        facts.append(f"T80 {years(part.t80_years)} years")
    if part.energy_kwh_m2 is not None:
        unit = "kWh/m2" if choice.aim.power.log_r is not None else "hours at the start power"
        facts.append(f"{part.energy_kwh_m2.format()} {unit} in {choice.aim.horizon_years:g} years")
    if part.candidate is not None and (text := break_even_text(choice, part)):
        facts.append(text)
    return f"{part.name}: {', '.join(facts)}" if facts else part.name


def _robust(choice: FilterChoice, best: Chosen) -> str:
    found = choice.robustness
    if found is None:
        return ""
    first = found.first_share.get(best.name, 0.0)
    near = found.near_share.get(best.name, 0.0)
    text = (
        f"Over {found.draws} draws of {', '.join(found.drawn) or 'nothing'} it stays first in "
        f"{100 * first:.0f} % and within {100 * NEAR:g} % of the first in {100 * near:.0f} %"
    )
    rivals = [(n, s) for n, s in found.first_share.items() if n != best.name]
    if rivals:
        name, share = rivals[0]
        what = name if name in (NO_FILTER, NONE_MEETS) else f"{name} comes first"
        text += f"; else most often {what} ({100 * share:.0f} %)"
    return text + "."


def _prices(front: Front) -> str:
    shown = front.halvings[:8]
    prices = ", ".join(f"{100 * h.price:.2g}" for h in shown)
    more = "" if len(front.halvings) <= len(shown) else " (further ones in the table)"
    return (
        f"Photocurrent price of each further halving of the dose: {prices} % of the "
        f"photocurrent{more}."
    )
