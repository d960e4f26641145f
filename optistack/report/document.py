"""The page report.html: one file that needs nothing else, from the dictionary behind the JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from optistack.care import DISCLAIMER
from optistack.report.markup import (
    Json,
    safe,
)
from optistack.report.page_answer import answer_section, photons_section, why_section
from optistack.report.page_electrode import electrode_section
from optistack.report.page_filter_choice import filter_choice_section
from optistack.report.page_filters import (
    care_section,
    certainty_section,
    filters_section,
    inputs_section,
)
from optistack.report.page_ledger import ledger_section
from optistack.report.page_outdoors import plan_section, site_section
from optistack.report.page_rates import rates_section
from optistack.report.page_style import STYLE
from optistack.report.wording import (
    one_line,
)

if TYPE_CHECKING:
    from optistack.report.pictures import Drawn

_SECTIONS = (
    ("answer", "The answer"),
    ("why", "Why"),
    ("photons", "Which photons"),
    ("filters", "Filters under lamp and sun"),
    ("rates", "From coupon rate to device rate"),
    ("electrode", "What it does to the cell"),
    ("site", "A year at the site"),
    ("plan", "Lamp hours and site years"),
    ("ledger", "Doses from the exposure log"),
    ("filter_choice", "Which filter pays"),
    ("certainty", "How sure"),
    ("inputs", "Inputs and choices"),
    ("care", "Care"),
)


def report_html(data: Json, drawings: Sequence[Drawn]) -> str:
    """The page.

    Parameters
    ----------
    data : dict
        From `optistack.report.results_json`.
    drawings : sequence of Drawn
    """
    drawn = {f.key: f for f in drawings}
    bodies = {
        "answer": answer_section(data),
        "why": why_section(data, drawn),
        "photons": photons_section(data, drawn),
        "filters": filters_section(data, drawn),
        "rates": rates_section(data, drawn),
        "electrode": electrode_section(data, drawn),
        "site": site_section(data, drawn),
        "plan": plan_section(data, drawn),
        "ledger": ledger_section(data),
        "filter_choice": filter_choice_section(data, drawn),
        "certainty": certainty_section(data, drawn),
        "inputs": inputs_section(data),
        "care": care_section(data),
    }
    present = [(key, title) for key, title in _SECTIONS if bodies[key]]
    nav = "".join(f'<li><a href="#{key}">{safe(title)}</a></li>' for key, title in present)
    main = "".join(
        f'<section id="{key}" aria-labelledby="{key}-title">'
        f'<h2 id="{key}-title">{safe(title)}</h2>{bodies[key]}</section>'
        for key, title in present
    )
    description = one_line(data["description"])
    invented = (
        '<p class="invented"><strong>Invented.</strong> Everything in this scenario is made up; '
        "its numbers describe no real product.</p>"
        if data["invented"]
        else ""
    )
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{safe(data['title'])}: absorbed photon dose</title>\n"
        f"<style>{STYLE}</style>\n</head>\n<body>\n"
        f'<header><p class="kind">Absorbed photon dose</p><h1>{safe(data["title"])}</h1>'
        f"{invented}"
        + (f'<p class="about">{safe(description)}</p>' if description else "")
        + f'<nav aria-label="Sections"><ol>{nav}</ol></nav></header>\n'
        f"<main>\n{main}\n</main>\n"
        f"<footer><p>{safe(data['generated_by'])}; scenario {safe(data['scenario']['file'])}, "
        f'SHA-256 <span class="hash">{safe(data["scenario"]["sha256"])}</span>. Every number is '
        f"in results.json to its last digit. {safe(DISCLAIMER)}</p></footer>\n</body>\n</html>\n"
    )
