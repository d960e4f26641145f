"""The page, second half: filters, how sure, inputs and choices, care."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from optistack.care import CAUTIONS, DISCLAIMER, LIMITS_NOTE, duration_text
from optistack.report.markup import (
    Json,
    asked_layers,
    bullets,
    figure,
    figures,
    filter_exposures,
    paragraph,
    percent_cell,
    safe,
    span_cell,
    table,
    value_cell,
)
from optistack.report.wording import (
    NOTHING,
    mount_text,
    number,
    parts,
    percent,
    show,
    thickness,
)
from optistack.scenario.notes import said_once

if TYPE_CHECKING:
    from optistack.report.pictures import Drawn

_MINUS = "\N{MINUS SIGN}"
# Inputs with less of the variance are left out of the table.
_LEAST_SHARE = 0.002

# 4 filters -----------------------------------------------------------------------------------


def filters_section(data: Json, drawn: Mapping[str, Drawn]) -> str:
    band = data["filters_ranking_band"]
    if band is None or not data["filters"]:
        return ""
    exposures = filter_exposures(data)
    layer = data["filters"][0]["layer"]
    before = []
    for exposure, light in exposures:
        value = data["filters_unfiltered_photocurrent_ma_cm2"].get(exposure)
        if value is not None:
            before.append(f"{show(value)} mA/cm² under {light} ({exposure})")
    out = [
        paragraph(
            f"Every filter is judged under every light: what it leaves of the photons that {layer} "
            f"absorbs in {band} nm, and what it costs in photocurrent. A filter chosen under a "
            "lamp alone may be the wrong one under the sun."
            + (f" Without filter the photocurrent is {', '.join(before)}." if before else "")
        ),
        _filter_table(data, band, exposures),
        paragraph(
            "All weights: lowest and highest dose left over the spectral weights in their own "
            "band; to 500 nm: the same with the weights carried on to 500 nm, for filters with "
            "an edge above 370 nm. Pale numbers: another filter leaves no more dose and loses no "
            "more photocurrent under that light. A negative loss is a gain.",
            "small",
        ),
        figures(
            figure(
                drawn,
                "filters",
                f"Dose left against photocurrent lost, {band} nm.",
                "Low and left is good. Lines are ranges over the variants of the light and over "
                "what is not known; an arrow downwards: at most this. The same numbers as in the "
                "table. Open symbols: another filter is at least as good in both.",
            )
        ),
    ]
    notes = said_once(n for row in data["filters"] for n in row["notes"])
    if notes:
        out.append("<h3>Notes on the filters</h3>" + bullets(notes, "notes"))
    return "".join(out)


def _filter_table(data: Json, band: str, exposures: Sequence[tuple[str, str]]) -> str:
    rows: dict[int, dict[str, Json]] = {}
    for row in data["filters"]:
        rows.setdefault(row["number"], {})[row["exposure"]] = row

    def rank(number: int) -> float:
        first = rows[number].get(exposures[0][0])
        middle = None if first is None else parts(first["dose_left"].get(band))[0]
        return float("inf") if middle is None else middle

    asked = [w["name"] for w in data["question"]["weights"]]
    body = []
    for nth in sorted(rows, key=rank):
        entry = next(iter(rows[nth].values()))
        line = [str(nth), safe(entry["name"]), safe(mount_text(entry["mount"]))]
        for exposure, _ in exposures:
            line += _filter_cells(rows[nth].get(exposure), band, asked)
        body.append(line)
    group = "".join(
        f'<th scope="colgroup" colspan="5">{safe(light)} ({safe(exposure)})</th>'
        for exposure, light in exposures
    )
    head = ["no.", "filter", "mount"]
    for _ in exposures:
        head += [
            "dose left",
            "divided by",
            "all weights",
            "to 500 nm",
            "photocurrent lost (mA/cm²; share)",
        ]
    return table(
        f"Filters: what is left of the absorbed photons, {band} nm, and the photocurrent lost",
        head,
        body,
        top=f'<tr><td colspan="3"></td>{group}</tr>',
        words=3,
        kind="filters",
    )


def _filter_cells(row: Json | None, band: str, asked: Sequence[str]) -> list[str]:
    if row is None:
        return [NOTHING] * 5
    weights = row["weighted_dose_left"]
    own = [v for k, v in weights.items() if k in asked]
    carried = [v for k, v in weights.items() if k not in asked]
    share = percent_cell(row["photocurrent_lost_fraction"])
    cells = [
        value_cell(row["dose_left"].get(band)),
        value_cell(row["reduction_factor"].get(band)),
        span_cell(own),
        span_cell(carried),
        value_cell(row["photocurrent_lost_ma_cm2"])
        + (f' <span class="range">{share}</span>' if share != NOTHING else ""),
    ]
    return [f'<span class="faint">{c}</span>' for c in cells] if row["dominated"] else cells


# 5 how sure ----------------------------------------------------------------------------------


def certainty_section(data: Json, drawn: Mapping[str, Drawn]) -> str:
    comparisons = data["comparisons"]
    out = []
    if comparisons:
        out.append(
            figures(
                figure(
                    drawn,
                    "certainty",
                    "The ratio device / coupon, over what is not known.",
                    "Above: one row per spectral weight; lines are ranges over the variants of a "
                    "lamp. Below: with k of the layer scaled; lines: k also tilted by "
                    "exp(±(wavelength - 340 nm)/40 nm). The vertical line is equal dose.",
                ),
                figure(
                    drawn,
                    "causes",
                    "Which input matters most.",
                    "Part of the variance that comes from one input alone. The longest bar is the "
                    "measurement to make first.",
                ),
                figure(
                    drawn,
                    "convergence",
                    "Are these draws enough?",
                    "Mean and ends of the interval as the first draws give them, with standard "
                    "errors.",
                ),
            )
        )
        out.append(_draws(data))
        out.append(_first_order(data))
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
            paragraph(
                "Ranges beside a number are over the shapes that a light may have, each at the "
                f"same set point: {'; '.join(variants)}."
            )
        )
    out.append("<h3>What the data cannot say</h3>" + bullets(_unknowns(data)))
    out.append(_notes(data))
    return "".join(out)


def _draws(data: Json) -> str:
    """Intervals over the draws, and what to measure next."""
    part = data["uncertainty"]
    if part is None:
        return ""
    rows = [
        [safe(name), value_cell(value)]
        for name, value in part["intervals"].items()
        if name in part["shares"]
    ]
    head = f"{100 * part['confidence']:g} % of {part['draws']} draws"
    return bullets([*part["sentences"], *_enough(part)]) + table(
        f"Central answer and range ({head}), device over coupon", ["", "value"], rows
    )


def _first_order(data: Json) -> str:
    """What each input by itself does to the ratio."""
    part = data["causes"]
    if part is None or not part["inputs"]:
        return ""

    def change(log_sd: float | None) -> str:
        moved = math.expm1(log_sd or 0.0)
        return f"{'+' if moved > 0 else _MINUS if moved < 0 else ''}{percent(abs(moved))}"

    rows = [
        [
            safe(item["input"]),
            safe(item["measurement"]),
            change(item["log_sd"]),
            percent(item["variance_share"]),
        ]
        for item in part["inputs"]
        if (item["variance_share"] or 0.0) >= _LEAST_SHARE
    ]
    factor = number(math.exp(part["log_sd"] or 0.0))
    return paragraph(
        f"Without draws, from the slopes of the optics: one standard deviation of all inputs "
        f"together is a factor {factor} in the ratio {number(part['value'])} ({part['output']}). "
        "The weight and the rate law are left out; what nobody stated is judged "
        "by the grade of the tables."
    ) + table(
        "What each input by itself does to the ratio, to first order",
        ["input", "what would tell", "one standard deviation", "share of the variance"],
        rows,
        words=2,
    )


def _enough(part: Json) -> list[str]:
    """How well the draws know the mean and the ends of each interval."""
    out = []
    for name, found in part["convergence"].items():
        last = {e["statistic"]: e for e in found[-3:]}
        if not all(e["value"] and e["standard_error"] is not None for e in last.values()):
            continue
        low, high, mean = (
            show(abs(last[key]["standard_error"] / last[key]["value"]), as_percent=True)
            for key in ("low", "high", "mean")
        )
        out.append(
            f"{name}: from {part['draws']} draws the ends of the range have standard errors of "
            f"{low} (low) and {high} (high), the mean {mean}."
        )
    return out


def _by_light(
    comparisons: Sequence[Json],
    keys: Sequence[Any],
    label: Callable[[Any], list[str]],
    value: Callable[[Json, Any], Any],
) -> list[list[str]]:
    return [[*label(k), *(value_cell(value(c, k)) for c in comparisons)] for k in keys]


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
        return [safe(weight["name"]), f"{low:g}-{high:g}", safe(kind)]

    rows = _by_light(comparisons, weights, label, lambda c, w: c["weighted_ratio"].get(w["name"]))
    return table(
        "Ratio device / coupon for every spectral weight",
        [
            "weight",
            "band (nm)",
            "how much a photon counts",
            *(safe(c["light"]) for c in comparisons),
        ],
        rows,
        words=3,
    )


def _k_table(comparisons: Sequence[Json]) -> str:
    cases = comparisons[0]["sensitivity"]
    if not cases:
        return paragraph(
            "The ratio was not tried with other k of the layer: the scenario asks not to."
        )
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
        lambda s: [f"{s['scale']:g}", safe(tilts.get(s["tilt"], f"{s['tilt']:g}"))],
        ratio,
    )
    return table(
        f"Ratio device / coupon ({name}) with k of {comparisons[0]['layer']} changed in both",
        ["k times", "tilt", *(safe(c["light"]) for c in comparisons)],
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
            safe(table),
            safe(grade),
            *(safe(percent(shares[c])) if c in shares else NOTHING for c in columns),
        ]
        for (table, grade), shares in sorted(tables.items(), key=lambda kv: kv[0][1], reverse=True)
    ]
    return table(
        "Tables that carry more than 5 % of the answer, worst grade first; share of the incident "
        "photons that they decide over",
        ["table", "grade", *(f"{side}, {safe(comparisons[i]['light'])}" for i, side in columns)],
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
    materials = dict.fromkeys(x["material"] for _, _, x in asked_layers(data))
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
            out.append(f"<h4>Under {safe(c['light'])}</h4>" + bullets(notes, "notes"))
        said.update(c["notes"])
    for row in data["filters"]:
        said.update(row["notes"])
    rest = [n for n in data["notes"] if n not in said and not n.startswith("this scenario is inv")]
    if rest:
        out.append("<h4>Others</h4>" + bullets(rest, "notes"))
    if not out:
        return ""
    return "<h3>Notes: extensions, assumptions, doubts</h3>" + "".join(out)


# 6 inputs, 7 care ----------------------------------------------------------------------------


def inputs_section(data: Json) -> str:
    rows = [
        [
            safe(i["used_as"]),
            safe(i["name"]),
            safe(i["grade"]),
            safe(i["kind"]),
            safe(". ".join(x for x in (i["title"], i["source"]) if x) or "not stated"),
            safe(i["licence"] or NOTHING),
            f'<span class="hash">{safe(i["sha256"] or NOTHING)}</span>',
        ]
        for i in data["inputs"]
    ]
    out = []
    if rows:
        out.append(
            table(
                "Tables and files used, with grade, source, licence and checksum",
                [
                    "used as",
                    "table or file",
                    "grade",
                    "kind",
                    "title and source",
                    "licence",
                    "SHA-256",
                ],
                rows,
                words=7,
                kind="prose",
            )
        )
    out.append(_exposure_table(data))
    out.append(_layer_table(data))
    if data["choices"]:
        out.append("<h3>What the scenario decided</h3>" + bullets(data["choices"], "notes"))
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
                *(safe(x) for x in (name, e["stack"], e["light"], e["filter"], "; ".join(how))),
                f"{e['hours']:g}",
                value_cell(e["photocurrent_ma_cm2"]),
            ]
        )
    return table(
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
                    safe(e["stack"]),
                    safe(x["name"]),
                    safe(x["material"]),
                    safe("coherent" if x["coherent"] else "incoherent"),
                    safe(thickness(x["thickness_nm"])),
                ]
                for x in e["layers"]
            ],
        )
    rows = [row for stack in seen.values() for row in stack]
    if not rows:
        return ""
    return table(
        "Layers, in the order of the light",
        ["stack", "layer", "material", "interference", "thickness"],
        rows,
        words=4,
        merge=True,
    )


def care_section(data: Json) -> str:
    lamps = {n: light for n, light in data["lights"].items() if light["lamp"]}
    if not lamps:
        return paragraph(DISCLAIMER)
    sentences = [text for light in lamps.values() for text in light["hazard"]["sentences"]]
    return "".join(
        [
            bullets(CAUTIONS),
            "<h3>How soon</h3>",
            bullets(sentences),
            _limits_table(lamps),
            paragraph(LIMITS_NOTE, "small"),
            paragraph(DISCLAIMER),
        ]
    )


def _limits_table(lamps: Mapping[str, Json]) -> str:
    """Both ways to weight, and what the shortest times rest on."""
    rows = []
    for name, light in lamps.items():
        hazard = light["hazard"]
        for said, irradiance, limit in (
            (
                "hazard weight by formula",
                "actinic_irradiance_formula_w_m2",
                "actinic_limit_formula_s",
            ),
            ("hazard weight by table", "actinic_irradiance_table_w_m2", "actinic_limit_table_s"),
            ("315-400 nm, eyes", "near_irradiance_w_m2", "near_limit_s"),
        ):
            shortest = parts(hazard[limit])[1]
            rows.append(
                [
                    safe(name),
                    safe(said),
                    value_cell(hazard[irradiance]),
                    safe(duration_text(math.inf if shortest is None else shortest)),
                ]
            )
    return table(
        "Irradiance at the sample plane, over the variants of each lamp, and the shortest time to "
        "its limit",
        ["lamp", "counted", "irradiance (W/m²)", "time to the limit"],
        rows,
        words=2,
        merge=True,
    )
