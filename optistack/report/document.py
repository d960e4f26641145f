"""The page report.html: one file that needs nothing else, from the dictionary behind the JSON."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from optistack.report.care import CAUTIONS, DISCLAIMER
from optistack.report.page_style import STYLE
from optistack.report.wording import (
    NOTHING,
    answer,
    best_rows,
    current_change,
    duration,
    filters_lead,
    left_text,
    mount_text,
    one_line,
    parts,
    percent,
    show,
    side_of_one,
    span,
    spread,
    thickness,
)

if TYPE_CHECKING:
    from optistack.report.drawing import Drawn

Json = dict[str, Any]

_KEEP = re.compile(r"\d+-\d+ nm|[\d.]+ %|\d[\d.]* nm\b")

_SECTIONS = (
    ("answer", "The answer"),
    ("why", "Why"),
    ("photons", "Which photons"),
    ("filters", "Filters under lamp and sun"),
    ("certainty", "How sure"),
    ("inputs", "Inputs and choices"),
    ("care", "Care"),
)
_SIDE_TEXT = {
    "below": "below 1: less in the device",
    "above": "above 1: more in the device",
    "both": "on both sides of 1: undecided",
    "none": "nothing to compare",
}


def report_html(data: Json, figures: Sequence[Drawn]) -> str:
    """The page.

    Parameters
    ----------
    data : dict
        From `optistack.report.results_json`.
    figures : sequence of Drawn
    """
    drawn = {f.key: f for f in figures}
    bodies = {
        "answer": _answer(data),
        "why": _why(data, drawn),
        "photons": _photons(data, drawn),
        "filters": _filters(data, drawn),
        "certainty": _certainty(data, drawn),
        "inputs": _inputs(data),
        "care": _care(data),
    }
    present = [(key, title) for key, title in _SECTIONS if bodies[key]]
    nav = "".join(f'<li><a href="#{key}">{_t(title)}</a></li>' for key, title in present)
    main = "".join(
        f'<section id="{key}" aria-labelledby="{key}-title">'
        f'<h2 id="{key}-title">{_t(title)}</h2>{bodies[key]}</section>'
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
        f"<title>{_t(data['title'])}: absorbed photon dose</title>\n"
        f"<style>{STYLE}</style>\n</head>\n<body>\n"
        f'<header><p class="kind">Absorbed photon dose</p><h1>{_t(data["title"])}</h1>'
        f"{invented}"
        + (f'<p class="about">{_t(description)}</p>' if description else "")
        + f'<nav aria-label="Sections"><ol>{nav}</ol></nav></header>\n'
        f"<main>\n{main}\n</main>\n"
        f"<footer><p>{_t(data['generated_by'])}; scenario {_t(data['scenario']['file'])}, "
        f'SHA-256 <span class="hash">{_t(data["scenario"]["sha256"])}</span>. Every number is '
        f"in results.json to its last digit. {_t(DISCLAIMER)}</p></footer>\n</body>\n</html>\n"
    )


# pieces --------------------------------------------------------------------------------------


def _t(text: Any) -> str:
    return escape(str(text), quote=True)


def _rich(text: Any) -> str:
    """Escaped; a band or a per cent sign stays with its number at the end of a line."""
    return _KEEP.sub(lambda m: f'<span class="nb">{m.group(0)}</span>', _t(text))


def _p(text: str, kind: str = "") -> str:
    return f'<p class="{kind}">{_rich(text)}</p>' if kind else f"<p>{_rich(text)}</p>"


def _list(items: Iterable[str], kind: str = "") -> str:
    inner = "".join(f"<li>{_rich(one_line(i))}</li>" for i in items)
    if not inner:
        return ""
    return f'<ul class="{kind}">{inner}</ul>' if kind else f"<ul>{inner}</ul>"


def _value(value: Any, *, as_percent: bool = False) -> str:
    """A number with its full digits behind it, the range set apart."""
    middle = parts(value)[0]
    if middle is None:
        return NOTHING
    text, bracket, rest = show(value, as_percent=as_percent).partition(" (")
    after = f' <span class="range">({_t(rest)}</span>' if bracket else ""
    return f'<data value="{middle!r}">{_t(text)}{after}</data>'


def _table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    top: str = "",
    words: int = 1,
    kind: str = "",
    merge: bool = False,
) -> str:
    """A table that scrolls in a box of its own.

    Parameters
    ----------
    caption : str
    head, rows
        Cells as HTML; the first ``words`` columns are text, the others numbers.
    top : str
        A row above the head.
    kind : str
        Class of the table.
    merge : bool
        Write a name in the first column once for all its rows.
    """
    body = []
    for i, row in enumerate(rows):
        first = f'<th scope="row">{row[0]}</th>'
        if merge:
            if i and rows[i - 1][0] == row[0]:
                first = ""
            else:
                same = 1
                while i + same < len(rows) and rows[i + same][0] == row[0]:
                    same += 1
                first = f'<th scope="rowgroup" rowspan="{same}">{row[0]}</th>'
        rest = "".join(
            f'<td class="word">{c}</td>' if j < words else f"<td>{c}</td>"
            for j, c in enumerate(row[1:], start=1)
        )
        body.append(f"<tr>{first}{rest}</tr>")
    columns = "".join(
        f'<th scope="col">{c}</th>' if j < words else f'<th scope="col" class="number">{c}</th>'
        for j, c in enumerate(head)
    )
    return (
        f'<div class="table"><p class="caption" aria-hidden="true">{_rich(caption)}</p>'
        f'<div class="scroll" role="region" tabindex="0" aria-label="{_t(caption)}">'
        f'<table class="{kind or "plain"}"><thead>{top}<tr>{columns}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table></div></div>"
    )


def _figure(drawn: Mapping[str, Drawn], key: str, caption: str, reading: str) -> str:
    figure = drawn.get(key)
    if figure is None:
        return ""
    picture = base64.b64encode(figure.svg).decode("ascii")
    return (
        f'<figure id="figure-{key}"><div class="card">'
        f'<img src="data:image/svg+xml;base64,{picture}" alt="{_t(figure.alt)}" '
        f'width="{figure.width_px}" height="{figure.height_px}"></div>'
        f"<figcaption><strong>{_rich(caption)}</strong> {_rich(reading)}</figcaption></figure>"
    )


def _pair(*figures: str) -> str:
    shown = [f for f in figures if f]
    return f'<div class="figures">{"".join(shown)}</div>' if shown else ""


# 1 the answer --------------------------------------------------------------------------------


def _answer(data: Json) -> str:
    out = []
    for i, comparison in enumerate(data["comparisons"]):
        first, *rest = answer(comparison, data["exposures"])
        inner = _p(first, "lead" if i == 0 else "second") + _p(" ".join(rest))
        out.append(inner)
    if data["comparisons"]:
        out.append(_ratio_table(data))
        grades = sorted({c["worst_grade"] for c in data["comparisons"]})
        out.append(
            _p(
                "Worst grade of a table that carries more than 5 % of these answers: "
                f"{', '.join(grades)} (A measured or standard, B with gaps or digitised, C a "
                "model, D a guess or invented). Equal dose is not equal damage: oxygen, water and "
                "temperature are not in these numbers."
            )
        )
    else:
        out.append(_single_answer(data))
    out.append(_filter_answer(data))
    return "".join(out)


def _ratio_table(data: Json) -> str:
    rows = []
    for c in data["comparisons"]:
        name = c["weights"][0]["name"]
        rows.append(
            [
                _t(c["light"]),
                _value(c["weighted_ratio"][name]),
                _t(span([c["over_weights"]])),
                _t(span([c["over_sensitivity"]])),
                _t(_SIDE_TEXT[side_of_one(c["over_weights"])]),
            ]
        )
    first = data["comparisons"][0]
    weight = first["weights"][0]
    band = f"{weight['band_nm'][0]:g}-{weight['band_nm'][1]:g} nm"
    return _table(
        f"Absorbed photon dose rate in {first['layer']}, device over coupon, per area, {band}",
        ["light", _t(weight["name"]), "all weights and variants of the light",
         "k scaled and tilted", "side of 1"],
        rows,
    )


def _single_answer(data: Json) -> str:
    """Without a comparison: what the layer absorbs in every exposure."""
    band, layer = data["question"]["headline_band"], data["question"]["layer"]
    if band is None:
        return _p("No light shines in the bands asked for.", "lead")
    rows = []
    for name, exposure, asked in _asked(data):
        rows.append(
            [
                _t(name),
                _t(exposure["light"]),
                _value(asked["absorbed_photons_m2_s"][band]),
                _value(asked["absorbed_fraction"][band], as_percent=True),
                f"{exposure['hours']:g}",
                _value(asked["absorbed_photon_dose_m2"][band]),
            ]
        )
    return _p(
        f"What {layer} absorbs in {band} nm in each exposure; no coupon is compared with a device.",
        "lead",
    ) + _table(
        f"Photons absorbed in {layer}, {band} nm",
        ["exposure", "light", "photons/(m² s)", "share of incident photons", "hours",
         "dose, photons/m²"],
        rows,
        words=2,
    )


def _asked(data: Json) -> list[tuple[str, Json, Json]]:
    """(exposure name, exposure, its asked layer)."""
    out = []
    for name, exposure in data["exposures"].items():
        layer = next((x for x in exposure["layers"] if x["asked"]), None)
        if layer is not None:
            out.append((name, exposure, layer))
    return out


def _filter_answer(data: Json) -> str:
    band = data["filters_ranking_band"]
    if band is None or not data["filters"]:
        return ""
    out = ["<h3>What a filter costs</h3>"]
    for exposure, light in _filter_exposures(data):
        best = best_rows(data["filters"], exposure, band)
        out.append(_p(filters_lead(data["filters"], exposure, light, band)))
        shown = best[:4]
        out.append(
            _list(
                f"{row['name']} ({mount_text(row['mount'])}) leaves "
                f"{left_text(row, band)} and {current_change(row)}"
                for row in shown
            )
        )
        if len(best) > len(shown):
            out.append(_p(f"{len(best) - len(shown)} more are in the table of filters."))
    return "".join(out)


def _filter_exposures(data: Json) -> list[tuple[str, str]]:
    return list(dict.fromkeys((r["exposure"], r["light"]) for r in data["filters"]))


# 2 why ---------------------------------------------------------------------------------------


def _why(data: Json, drawn: Mapping[str, Drawn]) -> str:
    band = data["question"]["headline_band"]
    if band is None:
        return ""
    out = []
    for comparison in data["comparisons"]:
        sentences = comparison["explanation"].get(band)
        if sentences:
            out.append(f"<h3>Under {_t(comparison['light'])}</h3>{_list(sentences)}")
    out.append(
        _pair(
            _figure(
                drawn, "stacks", "The stacks, the lit side above.",
                "The layer in question is filled. Thicknesses are written, not drawn to scale.",
            ),
            _figure(
                drawn, "why", f"Three factors make the ratio, {band} nm.",
                "Each bar starts at 1; left of 1 takes photons away in the device against the "
                "coupon, right of 1 adds them. Front absorption: layers and filters before the "
                "layer. Return from behind: mirror, interference, holder, light on the rear. "
                "Surroundings: reflection at the front, thickness, angle. Their product is the "
                "ratio.",
            ),
            _figure(
                drawn, "budget", f"Where the photons go, {band} nm.",
                "Each bar is all incident light, split in the order in which the light meets the "
                "layers. Shares are of the photons on the lit side (and rear, where it is lit).",
            ),
        )
    )
    out.append(_budget_table(data, band))
    return "".join(out)


def _budget_table(data: Json, band: str) -> str:
    columns = []
    for c in data["comparisons"]:
        for side in ("coupon", "device"):
            name = c[f"{side}_exposure"]
            if name not in columns:
                columns.append(name)
    columns = columns or list(data["exposures"])
    columns = [n for n in columns if data["exposures"][n]["budget"][band]]
    if not columns:
        return ""
    names: dict[str, None] = {}
    for column in columns:
        names.update(dict.fromkeys(data["exposures"][column]["budget"][band]))
    ends = ("reflected", "transmitted")
    order = [n for n in names if n not in ends] + [n for n in ends if n in names]
    rows = [
        [
            _t(name),
            *(
                _value(data["exposures"][c]["budget"][band].get(name), as_percent=True)
                for c in columns
            ),
        ]
        for name in order
    ]
    return _table(
        f"Share of the incident photons that each part takes, {band} nm",
        ["part", *(_t(c) for c in columns)],
        rows,
    )


# 3 which photons -----------------------------------------------------------------------------


def _photons(data: Json, drawn: Mapping[str, Drawn]) -> str:
    band = data["question"]["headline_band"]
    out = [
        _pair(
            _figure(
                drawn, "spectra", "The light, and what the filters pass, 280-500 nm.",
                "Above: photons per wavelength at the sample plane; a shaded band is the range "
                "over the variants of a lamp. Below: external transmittance of each filter as a "
                "slab in air; the numbers are those of the table of filters.",
            ),
            _figure(
                drawn, "absorbed", f"Which photons the layer absorbs, {band} nm.",
                "The area under a curve is the rate. Where the device's curve lies far below the "
                "coupon's, the layers in front have taken the photons.",
            ),
            _figure(
                drawn, "depth", f"Where in the layer they are absorbed, {band} nm.",
                "Numbers beside the dots are means over the first nanometre at each face, where "
                "contacts and barriers begin.",
            ),
        ),
        _light_table(data),
        _absorbed_table(data),
    ]
    if band is not None:
        out.append(_faces_table(data, band))
    return "".join(out)


def _light_table(data: Json) -> str:
    seen: dict[str, Json] = {}
    for exposure in data["exposures"].values():
        seen.setdefault(exposure["light"], exposure["incident"])
    rows = [
        [
            _t(light),
            _t(band),
            *(
                [NOTHING, NOTHING]
                if values is None
                else [_value(values["irradiance_w_m2"]), _value(values["photon_flux_m2_s"])]
            ),
        ]
        for light, incident in seen.items()
        for band, values in incident.items()
    ]
    return _table(
        "Light on the lit side at the sample plane, without filters",
        ["light", "band (nm)", "irradiance (W/m²)", "photon flux (1/(m² s))"],
        rows,
        words=2,
        merge=True,
    ) + _p(f"{NOTHING}: no light in that band.", "small")


def _absorbed_table(data: Json) -> str:
    rows = []
    for name, exposure, asked in _asked(data):
        for band, incident in exposure["incident"].items():
            if incident is None:
                continue
            rows.append(
                [
                    _t(name),
                    _t(band),
                    _value(asked["absorbed_fraction"][band], as_percent=True),
                    _value(asked["absorbed_photons_m2_s"][band]),
                    _value(asked["absorbed_photons_m3_s"][band]),
                    f"{exposure['hours']:g}",
                    _value(incident["radiant_exposure_j_m2"]),
                    _value(asked["absorbed_photon_dose_m2"][band]),
                    _value(asked["absorbed_photon_dose_mol_m2"][band]),
                ]
            )
    if not rows:
        return ""
    return _table(
        f"Photons absorbed in {data['question']['layer']}, and the dose of each exposure",
        ["exposure", "band (nm)", "share of incident photons", "absorbed photons (1/(m² s))",
         "mean per volume (1/(m³ s))", "hours", "incident energy (J/m²)",
         "absorbed photons (1/m²)", "absorbed photons (mol/m²)"],
        rows,
        words=2,
        merge=True,
    )


def _faces_table(data: Json, band: str) -> str:
    rows = []
    for name, _, asked in _asked(data):
        faces = asked.get("first_nanometre", {}).get(band)
        if faces:
            rows.append(
                [
                    _t(name),
                    _value(faces["lit_face_photons_m3_s"]),
                    _value(asked["absorbed_photons_m3_s"][band]),
                    _value(faces["far_face_photons_m3_s"]),
                ]
            )
    if not rows:
        return ""
    return _table(
        f"Absorbed photons per volume in {data['question']['layer']}, {band} nm (1/(m³ s))",
        ["exposure", "first nanometre, lit face", "mean", "first nanometre, far face"],
        rows,
    )


# 4 filters -----------------------------------------------------------------------------------


def _filters(data: Json, drawn: Mapping[str, Drawn]) -> str:
    band = data["filters_ranking_band"]
    if band is None or not data["filters"]:
        return ""
    exposures = _filter_exposures(data)
    layer = data["filters"][0]["layer"]
    before = []
    for exposure, light in exposures:
        value = data["filters_unfiltered_photocurrent_ma_cm2"].get(exposure)
        if value is not None:
            before.append(f"{show(value)} mA/cm² under {light} ({exposure})")
    out = [
        _p(
            f"Every filter is judged under every light: what it leaves of the photons that {layer} "
            f"absorbs in {band} nm, and what it costs in photocurrent. A filter chosen under a "
            "lamp alone may be the wrong one under the sun."
            + (f" Without filter the photocurrent is {', '.join(before)}." if before else "")
        ),
        _filter_table(data, band, exposures),
        _p(
            "All weights: lowest and highest dose left over the spectral weights in their own "
            "band; to 500 nm: the same with the weights carried on to 500 nm, for filters with "
            "an edge above 370 nm. Pale numbers: another filter leaves no more dose and loses no "
            "more photocurrent under that light. A negative loss is a gain.",
            "small",
        ),
        _pair(
            _figure(
                drawn, "filters", f"Dose left against photocurrent lost, {band} nm.",
                "Low and left is good. Lines are ranges over the variants of the light and over "
                "what is not known; an arrow downwards: at most this. The same numbers as in the "
                "table. Open symbols: another filter is at least as good in both.",
            )
        ),
    ]
    notes = dict.fromkeys(n for row in data["filters"] for n in row["notes"])
    if notes:
        out.append("<h3>Notes on the filters</h3>" + _list(notes, "notes"))
    return "".join(out)


def _filter_table(data: Json, band: str, exposures: Sequence[tuple[str, str]]) -> str:
    rows: dict[int, dict[str, Json]] = {}
    for row in data["filters"]:
        rows.setdefault(row["number"], {})[row["exposure"]] = row

    def rank(number: int) -> float:
        first = rows[number].get(exposures[0][0])
        middle = None if first is None else parts(first["dose_left"].get(band))[0]
        return float("inf") if middle is None else middle

    body = []
    for number in sorted(rows, key=rank):
        entry = next(iter(rows[number].values()))
        line = [str(number), _t(entry["name"]), _t(mount_text(entry["mount"]))]
        for exposure, _ in exposures:
            line += _filter_cells(rows[number].get(exposure), band)
        body.append(line)
    group = "".join(
        f'<th scope="colgroup" colspan="5">{_t(light)} ({_t(exposure)})</th>'
        for exposure, light in exposures
    )
    head = ["no.", "filter", "mount"]
    for _ in exposures:
        head += ["dose left", "divided by", "all weights", "to 500 nm",
                 "photocurrent lost (mA/cm²; share)"]
    return _table(
        f"Filters: what is left of the absorbed photons, {band} nm, and the photocurrent lost",
        head,
        body,
        top=f'<tr><td colspan="3"></td>{group}</tr>',
        words=3,
        kind="filters",
    )


def _filter_cells(row: Json | None, band: str) -> list[str]:
    if row is None:
        return [NOTHING] * 5
    weights = row["weighted_dose_left"]
    longer = {k: v for k, v in weights.items() if k.endswith(" to 500")}
    own = [v for k, v in weights.items() if k not in longer]
    share = _percent_cell(row["photocurrent_lost_fraction"])
    cells = [
        _value(row["dose_left"].get(band)),
        _value(row["reduction_factor"].get(band)),
        _span_cell(own),
        _span_cell(longer.values()),
        _value(row["photocurrent_lost_ma_cm2"])
        + (f' <span class="range">{share}</span>' if share != NOTHING else ""),
    ]
    return [f'<span class="faint">{c}</span>' for c in cells] if row["dominated"] else cells


def _span_cell(values: Iterable[Any]) -> str:
    """Lowest to highest, broken only between the two."""
    low, word, high = span(values).partition(" to ")
    return f'<span class="nb">{_t(low + word)}</span><span class="span">{_t(high)}</span>'


def _percent_cell(value: Any) -> str:
    limits = spread([value])
    if limits is None:
        return NOTHING
    low, high = (percent(x) for x in limits)
    return _t(low if low == high else f"{low} to {high}")


# 5 how sure ----------------------------------------------------------------------------------


def _certainty(data: Json, drawn: Mapping[str, Drawn]) -> str:
    comparisons = data["comparisons"]
    out = []
    if comparisons:
        out.append(
            _pair(
                _figure(
                    drawn, "certainty", "The ratio device / coupon, over what is not known.",
                    "Above: one row per spectral weight; lines are ranges over the variants of a "
                    "lamp. Below: with k of the layer scaled; lines: k also tilted by "
                    "exp(±(wavelength - 340 nm)/40 nm). The vertical line is equal dose.",
                )
            )
        )
        out.append(_weight_table(comparisons))
        out.append(_k_table(comparisons))
        out.append(_grade_table(comparisons))
    variants = [
        f"{name}: {', '.join(light['variants'])}"
        for name, light in data["lights"].items()
        if light["variants"]
    ]
    if variants:
        out.append(
            _p(
                "Ranges beside a number are over the shapes that a light may have, each at the "
                f"same set point: {'; '.join(variants)}."
            )
        )
    out.append("<h3>What the data cannot say</h3>" + _list(_unknowns(data)))
    out.append(_notes(data))
    return "".join(out)


def _by_light(
    comparisons: Sequence[Json], keys: Sequence[Any], label: Callable[[Any], list[str]],
    value: Callable[[Json, Any], Any],
) -> list[list[str]]:
    return [[*label(k), *(_value(value(c, k)) for c in comparisons)] for k in keys]


def _weight_table(comparisons: Sequence[Json]) -> str:
    weights = comparisons[0]["weights"]

    def label(weight: Json) -> list[str]:
        low, high = weight["band_nm"]
        slope = weight["slope_nm"]
        kind = "measured" if weight["measured"] else "table"
        if slope is not None:
            kind = f"exp(-(wavelength - {weight['reference_nm']:g} nm)/{slope:g} nm)"
        elif weight["name"].startswith("flat"):
            kind = "every photon alike"
        return [_t(weight["name"]), f"{low:g}-{high:g}", _t(kind)]

    rows = _by_light(
        comparisons, weights, label, lambda c, w: c["weighted_ratio"].get(w["name"])
    )
    return _table(
        "Ratio device / coupon for every spectral weight",
        ["weight", "band (nm)", "how much a photon counts", *(_t(c["light"]) for c in comparisons)],
        rows,
        words=3,
    )


def _k_table(comparisons: Sequence[Json]) -> str:
    cases = comparisons[0]["sensitivity"]
    if not cases:
        return _p("The ratio was not tried with other k of the layer: the scenario asks not to.")
    name = comparisons[0]["weights"][0]["name"]
    tilts = {0.0: "none", -1.0: "more at short wavelengths", 1.0: "more at long wavelengths"}

    def ratio(c: Json, case: Json) -> Any:
        for other in c["sensitivity"]:
            if (other["scale"], other["tilt"]) == (case["scale"], case["tilt"]):
                return other["weighted_ratio"].get(name)
        return None

    rows = _by_light(
        comparisons,
        cases,
        lambda s: [f"{s['scale']:g}", _t(tilts.get(s["tilt"], f"{s['tilt']:g}"))],
        ratio,
    )
    return _table(
        f"Ratio device / coupon ({name}) with k of {comparisons[0]['layer']} changed in both",
        ["k times", "tilt", *(_t(c["light"]) for c in comparisons)],
        rows,
        words=2,
        merge=True,
    )


def _grade_table(comparisons: Sequence[Json]) -> str:
    tables: dict[tuple[str, str], dict[tuple[int, str], float]] = {}
    for i, c in enumerate(comparisons):
        for item in c["carrying_tables"]:
            shares = tables.setdefault((item["table"], item["grade"]), {})
            shares[i, item["stack"]] = item["share"]
    columns = [(i, side) for i in range(len(comparisons)) for side in ("coupon", "device")]
    rows = [
        [
            _t(table),
            _t(grade),
            *(_t(percent(shares[c])) if c in shares else NOTHING for c in columns),
        ]
        for (table, grade), shares in sorted(tables.items(), key=lambda kv: kv[0][1], reverse=True)
    ]
    return _table(
        "Tables that carry more than 5 % of the answer, worst grade first; share of the incident "
        "photons that they decide over",
        ["table", "grade", *(f"{side}, {_t(comparisons[i]['light'])}" for i, side in columns)],
        rows,
        words=2,
    )


def _unknowns(data: Json) -> list[str]:
    layer = data["question"]["layer"]
    out = []
    weights = data["question"]["weights"]
    if any(w["measured"] for w in weights):
        out.append(
            "The spectral weight was measured with one source and stack; for others it is an "
            "assumption."
        )
    else:
        out.append(
            "Which wavelengths do the damage is not known: no activation spectrum is given. That "
            "is why answers carry a range over spectral weights; only a measured weight narrows it."
        )
    materials = dict.fromkeys(x["material"] for _, _, x in _asked(data))
    grades = {
        t["table"].removeprefix("material "): t["grade"]
        for c in data["comparisons"]
        for t in c["carrying_tables"]
        if t["table"].startswith("material ")
    }
    named = [f"{m}, grade {grades[m]}" if m in grades else m for m in materials]
    out.append(
        f"Whether the k used for {layer} (material {'; '.join(named) or 'none'}) is that of the "
        "film in question cannot be told from these data. For conducting polymers it depends on "
        "grade, additives and drying; measure it on the film itself."
    )
    out.append(
        "Not covered: scattering layers, fluorescence and re-emission, and uniaxial films, which "
        "conducting polymers often are; for oblique p-polarised light they are only approximated."
    )
    out.append(
        "Not in the dose: oxygen, water, temperature and load. What remains between a measured "
        "and a dose-scaled rate must be looked for there."
    )
    return out


def _notes(data: Json) -> str:
    """Notes of every comparison under its light, then the others; the choices come later."""
    out = []
    said: set[str] = set(data["choices"])
    for c in data["comparisons"]:
        notes = [n for n in c["notes"] if n not in said]
        if notes:
            out.append(f"<h4>Under {_t(c['light'])}</h4>" + _list(notes, "notes"))
        said.update(c["notes"])
    for row in data["filters"]:
        said.update(row["notes"])
    rest = [n for n in data["notes"] if n not in said and not n.startswith("this scenario is inv")]
    if rest:
        out.append("<h4>Others</h4>" + _list(rest, "notes"))
    if not out:
        return ""
    return "<h3>Notes: extensions, assumptions, doubts</h3>" + "".join(out)


# 6 inputs, 7 care ----------------------------------------------------------------------------


def _inputs(data: Json) -> str:
    rows = [
        [
            _t(i["used_as"]),
            _t(i["name"]),
            _t(i["grade"]),
            _t(i["kind"]),
            _t(". ".join(x for x in (i["title"], i["source"]) if x) or "not stated"),
            _t(i["licence"] or NOTHING),
            f'<span class="hash">{_t(i["sha256"] or NOTHING)}</span>',
        ]
        for i in data["inputs"]
    ]
    out = []
    if rows:
        out.append(
            _table(
                "Tables and files used, with grade, source, licence and checksum",
                ["used as", "table or file", "grade", "kind", "title and source", "licence",
                 "SHA-256"],
                rows,
                        words=7,
                kind="prose",
            )
        )
    out.append(_exposure_table(data))
    out.append(_layer_table(data))
    if data["choices"]:
        out.append("<h3>What the scenario decided</h3>" + _list(data["choices"], "notes"))
    return "".join(out)


def _exposure_table(data: Json) -> str:
    rows = []
    for name, e in data["exposures"].items():
        g = e["geometry"]
        how = [f"{g['angle_deg']:g}°, from the {g['lit_from']}"]
        if g["isotropic_share"]:
            how.append(f"{100 * g['isotropic_share']:.3g} % isotropic")
        if g["rear_share"]:
            how.append(f"rear light {100 * g['rear_share']:.3g} % of the front")
        if g["holder"]:
            how.append(
                f"{g['holder']['kind']} holder reflecting {100 * g['holder']['reflectance']:.3g} %"
            )
        rows.append(
            [
                _t(name), _t(e["stack"]), _t(e["light"]), _t(e["filter"]), _t("; ".join(how)),
                f"{e['hours']:g}", _value(e["photocurrent_ma_cm2"]),
            ]
        )
    return _table(
        "Exposures",
        ["exposure", "stack", "light", "filter", "geometry", "hours", "photocurrent (mA/cm²)"],
        rows,
        words=5,
    )


def _layer_table(data: Json) -> str:
    seen: dict[str, list[list[str]]] = {}
    for e in data["exposures"].values():
        if e["filter"] != "none":
            continue
        seen.setdefault(
            e["stack"],
            [
                [
                    _t(e["stack"]),
                    _t(x["name"]),
                    _t(x["material"]),
                    _t("coherent" if x["coherent"] else "incoherent"),
                    _t(thickness(x["thickness_nm"])),
                ]
                for x in e["layers"]
            ],
        )
    rows = [row for stack in seen.values() for row in stack]
    if not rows:
        return ""
    return _table(
        "Layers, in the order of the light",
        ["stack", "layer", "material", "interference", "thickness"],
        rows,
        words=4,
        merge=True,
    )


def _care(data: Json) -> str:
    lamps = {n: light for n, light in data["lights"].items() if light["lamp"]}
    if not lamps:
        return _p(DISCLAIMER)
    out = [_list(CAUTIONS)]
    limits = []
    for name, light in lamps.items():
        hazard = light["hazard"] or {}
        actinic = spread([hazard.get("actinic_limit_s")])
        near = spread([hazard.get("near_limit_s")])
        low, high = light["lit_range_nm"]
        pieces = []
        if actinic:
            pieces.append(
                f"the limit for eyes and skin (30 J/m² in 8 h, hazard-weighted) is reached in "
                f"about {duration(actinic[0])}"
            )
        if near:
            pieces.append(
                f"that for eyes (10 kJ/m² in 315-400 nm) in about {duration(near[0])}"
            )
        if pieces:
            limits.append(
                f"{name}: at the sample plane, unprotected, {', and '.join(pieces)}. From the "
                f"spectrum used here, {low:g}-{high:g} nm, its worst variant; the lamp itself may "
                "emit more, and stands closer elsewhere."
            )
    if limits:
        out.append(
            "<h3>How soon</h3>"
            + _list(limits)
            + _p(
                "Limits and hazard weight after ICNIRP 2004, the weight by its formula, which "
                "reads up to half too low at 305-328 nm. Measure; do not rely on these times.",
                "small",
            )
        )
    out.append(_p(DISCLAIMER))
    return "".join(out)
