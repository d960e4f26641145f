"""What the page writes: numbers, sentences, cautions, the tour; every name from a file escaped."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

from optistack.care import CAUTIONS
from optistack.page.answers import Answers, Number
from optistack.page.state import State, key_text
from optistack.page.style import (
    COUPON,
    DEVICE,
    FILTERED,
    MUTED,
    PLACE_COLOURS,
    ROLE_COLOURS,
    ROLE_DASHES,
    SHARE_COLOURS,
)
from optistack.value import short

QUESTIONS = {
    "same": "Does the layer absorb the same dose?",
    "filter": "Which filter?",
    "cell": "What will it do to the cell?",
    "outdoors": "What does it mean outdoors?",
    "take": "Bring and take",
}
SENTENCE_TITLES = {
    "same": "Why the ratio is what it is",
    "filter": "What to know about this filter",
    "cell": "In words",
    "outdoors": "What this leaves out",
}
# Numbers that stay in sight while something is moved.
STRIP = ("ratio", "left-0", "left-1", "lost-0", "lost-1", "doublings")
_SHORT = (
    ("Photocurrent lost under ", "Current lost, "),
    ("Dose left under ", "Dose left, "),
    (", device over coupon", ", device/coupon"),
    ("Margin to the knee (80 %)", "Margin to 80 %"),
)
_ROLE_WORDS = {"coupon": "coupon", "device": "device", "filtered": "device + filter"}
_WHERE_WORDS = {
    "reflected": "reflected",
    "transmitted": "passed through",
    "filter at the lamp": "filter at the lamp",
}

TOUR = """
<details id="tour"><summary>New here? Two minutes</summary>
<ol class="tour">
<li><b>What this page is about.</b> A film on glass (the coupon) and the same film inside a cell
(the device) stand in the same chamber. The first number says how many photons the film absorbs in
the device for each one that it absorbs in the coupon. Its range goes over spectral weights, which
are rarely known.</li>
<li><b>Move the holder of the coupon to 0.</b> The light that came back from behind is gone, the
coupon's dose falls, and the ratio rises. The bars show where the photons go.</li>
<li><b>Move the edge of the filter</b> from 385 to 400 nm. Less dose is left, under the lamp and
under the sun, and some photocurrent is lost. In the trade-off figure the star moves along the line
of edges; a point below and left of it is better in both.</li>
<li><b>Look at the cell.</b> Its power hardly falls while the sheet resistance rises, and then falls
fast: the margin counts how often the sheet resistance may still double before 80 % is left.</li>
<li><b>Take it with you.</b> The scenario file at the end gives these numbers again with
<code>optistack run</code>, to the last digit; the link reopens this view.</li>
</ol>
<p>Every control has a <b>?</b> with the meaning and the source of its quantity. Numbers may be
typed; what cannot be is refused below the control that caused it, and the page stays as it was. By
keyboard: Tab to a control, arrow keys on a slider, Enter in a field.</p>
</details>
"""


def heading(answers: Answers, state: State) -> str:
    """Title, where it comes from, and the ways to the questions."""
    scenario = answers.scenario
    invented = (
        '<p class="invented">Invented demo data: these numbers describe no real product.</p>'
        if scenario.invented
        else ""
    )
    ways = "".join(
        f'<a href="#q-{key}" data-way="{key}">{escape(text)}</a>' for key, text in QUESTIONS.items()
    )
    return (
        f"<h1>{escape(scenario.title)}</h1>{invented}"
        f'<p class="soft">{escape(state.path.name)} · layer asked about: '
        f"{escape(scenario.question.layer)} · optistack, on this machine only</p><nav>{ways}</nav>"
    )


def strip(answers: Answers) -> str:
    """The numbers that stay in sight."""
    out = []
    known = {n.key: n for n in answers.numbers}
    for key in STRIP:
        if key in known:
            n = known[key]
            label = n.label
            for long, brief in _SHORT:
                label = label.replace(long, brief)
            out.append(
                f'<div data-strip="{key}"><span class="name">{escape(label)}</span>'
                f'<span class="value">{escape(n.text)}</span>'
                f'<span class="band">{escape(n.band)}</span></div>'
            )
    return f'<div class="strip" role="status">{"".join(out)}</div>'


def numbers(items: Sequence[Number], refusal: str = "") -> str:
    """A list of numbers with unit and band; what was refused stands before it."""
    said = f'<p class="part-refusal" role="alert">{escape(refusal)}</p>' if refusal else ""
    rows = "".join(
        f'<div data-number="{n.key}"><dt>{escape(n.label)}</dt><dd><span class="value">'
        f'{escape(n.text)}</span><span class="band">{escape(n.band)}</span></dd></div>'
        for n in items
    )
    return f'{said}<dl class="numbers">{rows}</dl>'


def sentences(texts: Iterable[str], title: str) -> str:
    """What the library says about numbers, folded away."""
    listed = "".join(f"<li>{escape(t)}</li>" for t in texts)
    return (
        f"<details><summary>{escape(title)}</summary><ul>{listed}</ul></details>" if listed else ""
    )


def cautions(answers: Answers) -> str:
    """The first caution in sight, all of them one key away."""
    first = CAUTIONS[0] if CAUTIONS[0] in answers.cautions else ""
    times = [
        t for t in answers.cautions if t.startswith(tuple(answers.scenario.lights)) and "limit" in t
    ]
    listed = "".join(f"<li>{escape(t)}</li>" for t in answers.cautions)
    shown = "".join(f"<p>{escape(t)}</p>" for t in (first, *times) if t)
    return (
        f'<div class="care" role="note"><b>Care.</b> {shown}'
        f"<details><summary>All cautions, limits and what they leave out</summary><ul>{listed}</ul>"
        "</details></div>"
    )


def budget_names(answers: Answers) -> tuple[str, ...]:
    """Everything that takes or passes photons, in the order in which light meets it."""
    names: dict[str, None] = {}
    for shares in answers.budgets.values():
        names.update(dict.fromkeys(shares))
    return tuple(names)


def share_colours(answers: Answers) -> dict[str, str]:
    """A colour for everything that takes or passes photons."""
    layers = [n for n in budget_names(answers) if n not in PLACE_COLOURS]
    many = SHARE_COLOURS * (1 + len(layers) // len(SHARE_COLOURS))
    return PLACE_COLOURS | dict(zip(layers, many, strict=False))


def role_key(answers: Answers) -> str:
    """The lines of coupon, device and filter."""
    lines = "".join(
        f'<span class="line" style="--c:{ROLE_COLOURS[c.role]};--d:{ROLE_DASHES[c.role]}">'
        f"{escape(c.name)}</span>"
        for c in answers.spectra
    )
    return f'<div class="key">{lines}</div>'


TRADE_OFF_KEY = (
    f'<div class="key"><span class="mark" data-mark="★" style="--c:{COUPON}">on trial</span>'
    f'<span class="line" style="--c:{DEVICE};--d:solid">edges of this width, this mount</span>'
    f'<span class="mark" data-mark="◆" style="--c:{FILTERED}">other filters of the scenario; '
    "numbers as in the table</span></div>"
)
POWER_KEY = (
    f'<div class="key"><span class="mark" data-mark="★" style="--c:{COUPON}">today</span>'
    f'<span class="line" style="--c:{DEVICE};--d:solid">distributed cell</span>'
    f'<span class="line" style="--c:{MUTED};--d:dashed">first-order formula</span>'
    f'<span class="mark" data-mark="■" style="--c:{FILTERED}">80 and 50 %</span>'
    f'<span class="line" style="--c:{MUTED};--d:dotted">collection collapses</span></div>'
)


def budget_key(answers: Answers) -> str:
    """The colours of the bars, and their numbers as a table."""
    names = budget_names(answers)
    colours = share_colours(answers)
    key = "".join(
        f'<span style="--c:{colours[n]}">{escape(_WHERE_WORDS.get(n, n))}</span>' for n in names
    )
    head = "".join(f"<th>{escape(_ROLE_WORDS[r])}</th>" for r in answers.budgets)
    body = "".join(
        f"<tr><td>{escape(_WHERE_WORDS.get(n, n))}</td>"
        + "".join(
            f"<td>{short(100 * shares[n]) + ' %' if n in shares else '·'}</td>"
            for shares in answers.budgets.values()
        )
        + "</tr>"
        for n in names
    )
    return (
        f'<div class="key">{key}</div><details><summary>The shares as a table</summary>'
        f"<div class='table'><table><tr><th>share of photons in {escape(answers.band)} nm</th>"
        f"{head}</tr>{body}"
        "</table></div></details>"
    )


def trade_off(answers: Answers) -> str:
    """Where the filter on trial stands among the others, and the numbers of the points."""
    found = answers.trade_off
    if found is None:
        return '<p class="soft">No photocurrent is asked for in this scenario: no trade-off.</p>'
    evaluation = found.evaluation
    out, body = [], ""
    for exposure, judged in evaluation.judged.items():
        light = escape(judged.exposure.light.name)
        better = [escape(name) for name in found.better(exposure)]
        if better:
            more = f" and {len(better) - 3} more" if len(better) > 3 else ""
            out.append(
                f"<p>Under {light}, beaten in both dose and photocurrent by "
                f"{'; '.join(better[:3])}{more}.</p>"
            )
        else:
            out.append(
                f"<p>Under {light}, on the front: nothing else here leaves less dose and loses "
                "less photocurrent.</p>"
            )
        dose = evaluation.dose(exposure, evaluation.ranking)
        for i, name in enumerate(evaluation.names[: 1 + found.others]):
            on = "yes" if i in found.fronts[exposure].positions.tolist() else "no"
            body += (
                f"<tr><td>{point_number(i)}</td><td>{escape(name)}</td><td>{light}</td>"
                f"<td>{short(100 * float(dose[i]))} %</td>"
                f"<td>{short(100 * float(judged.lost_fraction[i]))} %</td><td>{on}</td></tr>"
            )
    return (
        "".join(out)
        + "<details><summary>The points as a table</summary><div class='table'><table><tr>"
        "<th></th><th>filter</th>"
        f"<th>light</th><th>dose left, {escape(evaluation.ranking)} nm</th>"
        f"<th>photocurrent lost</th><th>on the front</th></tr>{body}</table></div></details>"
    )


def point_number(position: int) -> str:
    """The sign of a point in the trade-off: a star for the filter on trial, then numbers."""
    return str(position) if position else "★"


def changes(state: State) -> str:
    """What differs from the file, as it will be written."""
    if not state.changes:
        return '<p class="soft">Nothing was changed: this is the file as it was opened.</p>'
    listed = "".join(
        f"<li><code>{escape(key_text(k))}</code> = {escape(_brief(v))}</li>"
        for k, v in state.changes.items()
    )
    count = len(state.changes)
    return f"<details><summary>{count} changes to the file</summary><ul>{listed}</ul></details>"


def _brief(value: object) -> str:
    text = "taken away" if value is None else str(value)
    return text if len(text) <= 120 else text[:117] + "…"


def assumptions(name: str, texts: Sequence[str], facts: Mapping[str, str]) -> str:
    """How a dropped file was read, before it is used."""
    listed = "".join(f"<li>{escape(t)}</li>" for t in texts)
    rows = "".join(f"<tr><td>{escape(k)}</td><td>{escape(v)}</td></tr>" for k, v in facts.items())
    return (
        f"<h3>How {escape(name)} was read</h3><ul data-assumptions='1'>{listed}</ul>"
        f"<div class='table'><table>{rows}</table></div>"
    )
