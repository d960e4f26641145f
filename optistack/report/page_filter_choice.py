"""The page: which filter pays, on one page for a review."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from optistack.report.markup import (
    Json,
    bullets,
    figure,
    figures,
    paragraph,
    percent_cell,
    safe,
    table,
    value_cell,
)
from optistack.report.wording import NOTHING, mount_text, number, percent

if TYPE_CHECKING:
    from optistack.report.pictures import Drawn

_MOST_ROWS = 12


def filter_choice_section(data: Json, drawn: Mapping[str, Drawn]) -> str:
    part = data["filter_choice"]
    if part is None:
        return ""
    first, *others = part["sentences"]
    out = [
        paragraph(first, "lead"),
        *(paragraph(f"Take care: {flag}.", "invented") for flag in part["flags"]),
        _summary(part),
        bullets(others),
        figures(
            figure(
                drawn,
                "choice",
                "Dose against photocurrent.",
                "Every dot is a candidate. The line joins those that no other beats in both; at "
                "its knee a little more photocurrent begins to buy less. Doses are those of the "
                "weight named.",
            ),
            figure(
                drawn,
                "choice_energy",
                "Energy by year.",
                "Above: power in full sun as the layer ages. Below: what has been delivered, "
                "beside no filter; where a line crosses zero the filter has paid.",
            ),
            figure(
                drawn,
                "choice_stability",
                "Does it stay first?",
                "Weight, n and k, kinetics and the lamp's shape drawn again and again.",
            ),
            figure(
                drawn,
                "choice_spectra",
                "Absorbed before and after.",
                "What the layer absorbs, without a filter and behind the best.",
            ),
            figure(
                drawn,
                "choice_ageing",
                "A filter that ages.",
                "What it lets through to the layer as its absorber is used up.",
            ),
        ),
        _halvings(part),
        _first(part),
        _ageing(part),
        _effects(part),
        _validation(part),
    ]
    return "".join(out)


def _summary(part: Json) -> str:
    rows = []
    for role, key in (
        ("best", "best"),
        ("best between the grid points", "refined"),
        ("runner-up", "runner_up"),
        ("no filter", "unfiltered"),
    ):
        one = part[key]
        if one is None or (role != "no filter" and one["family"] is None):
            continue
        rows.append(
            [
                role,
                NOTHING if one["family"] is None else safe(one["name"]),
                *(
                    percent_cell(one["dose_left"][name][part["counted_by"]])
                    for name in part["exposures"]
                ),
                percent_cell(one["photocurrent_lost_fraction"]),
                percent(one["power_lost_fraction"]),
                _years(one["t80_years"]),
                NOTHING if one["energy"] is None else value_cell(one["energy"]),
                _years(one["break_even_years"]),
            ]
        )
    return table(
        f"The choice: {part['requirement']['text']}; weight of the dose: {part['counted_by']}",
        [
            "",
            "filter",
            *(f"dose left, {safe(light)}" for light in part["exposures"].values()),
            "photocurrent lost",
            "power lost at the start",
            "T80 (years)",
            f"energy in {part['horizon_years']:g} years ({safe(part['energy_unit'])})",
            "break-even (years)",
        ],
        rows,
        words=2,
    )


def _years(value: object) -> str:
    if value is None:
        return NOTHING
    return value_cell(value)


def _halvings(part: Json) -> str:
    rows = [
        [
            str(h["halvings"]),
            safe(h["name"]),
            percent(h["dose_left"]),
            percent(h["lost_fraction"]),
            percent(h["price"]),
        ]
        for h in part["halvings"]
    ]
    if not rows:
        return ""
    return "<h3>How much must be cut off</h3>" + table(
        f"What each further halving of the dose costs under {part['light']}: the cheapest "
        "candidate that reaches it",
        ["halvings", "filter", "dose left", "photocurrent lost", "price of this halving"],
        rows,
        words=2,
    )


def _first(part: Json) -> str:
    ranked = sorted(
        (c for c in part["candidates"] if c["rank"] is not None), key=lambda c: c["rank"]
    )[:_MOST_ROWS]
    rows = [
        [
            str(c["rank"]),
            safe(c["name"]),
            safe(" + ".join(mount_text(m) for m in c["mount"].split(" + "))),
            *(percent(c["dose_left"][name]) for name in part["exposures"]),
            percent(c["photocurrent_lost_fraction"]),
            number(c["t80_years"]),
            number(c["energy"]),
            number(c["break_even_years"]),
            number(c["cost_per_m2"]),
        ]
        for c in ranked
    ]
    if not rows:
        return ""
    return "<h3>The first of the ranking</h3>" + table(
        f"{len(part['candidates'])} candidates, all in filter_choice.csv",
        [
            "rank",
            "filter",
            "mount",
            *(f"dose left, {safe(light)}" for light in part["exposures"].values()),
            "photocurrent lost",
            "T80 (years)",
            "energy",
            "break-even (years)",
            "cost per m²",
        ],
        rows,
        words=3,
    )


def _ageing(part: Json) -> str:
    if not part["ageing"]:
        return ""
    return "<h3>When the filter ages</h3>" + bullets(
        [*(x["sentence"] for x in part["ageing"]), *(f"{p}." for p in part["places"])]
    )


def _effects(part: Json) -> str:
    found = part["side_effects"]
    if found is None:
        return ""
    warned = "".join(paragraph(w, "invented") for w in found["warnings"])
    others = [s for s in found["sentences"] if s not in found["warnings"]]
    return "<h3>What else it takes away</h3>" + warned + bullets(others)


def _validation(part: Json) -> str:
    found = part["validation"]
    if found is None:
        return ""
    warned = "".join(paragraph(w, "invented") for w in found["warnings"])
    others = [s for s in found["sentences"] if s not in found["warnings"]]
    rows = [
        [
            safe(r["light"]),
            str(r["specimens"]),
            number(r["hours"]),
            percent(r["open_left"]),
            percent(r["filtered_left"]),
            percent(r["filtered_seen"]),
        ]
        for r in found["rows"]
    ]
    return (
        "<h3>The test that would confirm it</h3>"
        + warned
        + bullets(others)
        + table(
            f"Shortest test with {percent(found['confidence'])} confidence and "
            f"{percent(found['power'])} power, at most {number(found['most_hours'])} h",
            [
                "light",
                "specimens each",
                "hours",
                "left, open",
                "left, behind the filter",
                "chance to see light's loss behind it",
            ],
            rows,
        )
    )
