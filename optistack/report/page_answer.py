"""The page, first half: the answer, why, which photons."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from optistack.report.markup import (
    Json,
    asked_layers,
    bullets,
    figure,
    figures,
    filter_exposures,
    paragraph,
    safe,
    table,
    value_cell,
)
from optistack.report.wording import (
    NOTHING,
    answer,
    best_rows,
    current_change,
    filters_lead,
    left_text,
    mount_text,
    side_of_one,
    span,
)

if TYPE_CHECKING:
    from optistack.report.pictures import Drawn


_SIDE_TEXT = {
    "below": "below 1: less in the device",
    "above": "above 1: more in the device",
    "both": "on both sides of 1: undecided",
    "none": "nothing to compare",
}


# 1 the answer --------------------------------------------------------------------------------


def answer_section(data: Json) -> str:
    out = []
    for i, comparison in enumerate(data["comparisons"]):
        first, *rest = answer(comparison, data["exposures"])
        inner = paragraph(first, "lead" if i == 0 else "second") + paragraph(" ".join(rest))
        out.append(inner)
    if data["comparisons"]:
        out.append(_ratio_table(data))
        grades = sorted({c["worst_grade"] for c in data["comparisons"]})
        out.append(
            paragraph(
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
                safe(c["light"]),
                value_cell(c["weighted_ratio"][name]),
                safe(span([c["over_weights"]])),
                safe(span([c["over_sensitivity"]])),
                safe(_SIDE_TEXT[side_of_one(c["over_weights"])]),
            ]
        )
    first = data["comparisons"][0]
    weight = first["weights"][0]
    band = f"{weight['band_nm'][0]:g}-{weight['band_nm'][1]:g} nm"
    return table(
        f"Absorbed photon dose rate in {first['layer']}, device over coupon, per area, {band}",
        [
            "light",
            safe(weight["name"]),
            "all weights and variants of the light",
            "k scaled and tilted",
            "side of 1",
        ],
        rows,
    )


def _single_answer(data: Json) -> str:
    """Without a comparison: what the layer absorbs in every exposure."""
    band, layer = data["question"]["headline_band"], data["question"]["layer"]
    if band is None:
        return paragraph("No light shines in the bands asked for.", "lead")
    rows = []
    for name, exposure, asked in asked_layers(data):
        rows.append(
            [
                safe(name),
                safe(exposure["light"]),
                value_cell(asked["absorbed_photons_m2_s"][band]),
                value_cell(asked["absorbed_fraction"][band], as_percent=True),
                f"{exposure['hours']:g}",
                value_cell(asked["absorbed_photon_dose_m2"][band]),
            ]
        )
    return paragraph(
        f"What {layer} absorbs in {band} nm in each exposure; no coupon is compared with a device.",
        "lead",
    ) + table(
        f"Photons absorbed in {layer}, {band} nm",
        [
            "exposure",
            "light",
            "photons/(m² s)",
            "share of incident photons",
            "hours",
            "dose, photons/m²",
        ],
        rows,
        words=2,
    )


def _filter_answer(data: Json) -> str:
    band = data["filters_ranking_band"]
    if band is None or not data["filters"]:
        return ""
    out = ["<h3>What a filter costs</h3>"]
    for exposure, light in filter_exposures(data):
        best = best_rows(data["filters"], exposure, band)
        out.append(paragraph(filters_lead(data["filters"], exposure, light, band)))
        shown = best[:4]
        out.append(
            bullets(
                f"{row['name']} ({mount_text(row['mount'])}) leaves {left_text(row, band)}"
                + ("" if row["photocurrent_lost_ma_cm2"] is None else f" and {current_change(row)}")
                for row in shown
            )
        )
        if len(best) > len(shown):
            out.append(paragraph(f"{len(best) - len(shown)} more are in the table of filters."))
    return "".join(out)


# 2 why ---------------------------------------------------------------------------------------


def why_section(data: Json, drawn: Mapping[str, Drawn]) -> str:
    band = data["question"]["headline_band"]
    if band is None:
        return ""
    out = []
    for comparison in data["comparisons"]:
        sentences = comparison["explanation"].get(band)
        if sentences:
            out.append(f"<h3>Under {safe(comparison['light'])}</h3>{bullets(sentences)}")
    out.append(
        figures(
            figure(
                drawn,
                "stacks",
                "The stacks, the lit side above.",
                "The layer in question is filled. Thicknesses are written, not drawn to scale.",
            ),
            figure(
                drawn,
                "why",
                f"Three factors make the ratio, {band} nm.",
                "Each bar starts at 1; left of 1 takes photons away in the device against the "
                "coupon, right of 1 adds them. Front absorption: layers and filters before the "
                "layer. Return from behind: mirror, interference, holder, light on the rear. "
                "Surroundings: reflection at the front, thickness, angle. Their product is the "
                "ratio.",
            ),
            figure(
                drawn,
                "budget",
                f"Where the photons go, {band} nm.",
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
            safe(name),
            *(
                value_cell(data["exposures"][c]["budget"][band].get(name), as_percent=True)
                for c in columns
            ),
        ]
        for name in order
    ]
    return table(
        f"Share of the incident photons that each part takes, {band} nm",
        ["part", *(safe(c) for c in columns)],
        rows,
    )


# 3 which photons -----------------------------------------------------------------------------


def photons_section(data: Json, drawn: Mapping[str, Drawn]) -> str:
    band = data["question"]["headline_band"]
    out = [
        figures(
            figure(
                drawn,
                "spectra",
                "The light, and what the filters pass, 280-500 nm.",
                "Above: photons per wavelength at the sample plane; a shaded band is the range "
                "over the variants of a lamp. Below: external transmittance of each filter as a "
                "slab in air; the numbers are those of the table of filters.",
            ),
            figure(
                drawn,
                "absorbed",
                f"Which photons the layer absorbs, {band} nm.",
                "The area under a curve is the rate. Where the device's curve lies far below the "
                "coupon's, the layers in front have taken the photons.",
            ),
            figure(
                drawn,
                "depth",
                f"Where in the layer they are absorbed, {band} nm.",
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
            safe(light),
            safe(band),
            *(
                [NOTHING, NOTHING]
                if values is None
                else [value_cell(values["irradiance_w_m2"]), value_cell(values["photon_flux_m2_s"])]
            ),
        ]
        for light, incident in seen.items()
        for band, values in incident.items()
    ]
    return table(
        "Light on the lit side at the sample plane, without filters",
        ["light", "band (nm)", "irradiance (W/m²)", "photon flux (1/(m² s))"],
        rows,
        words=2,
        merge=True,
    ) + paragraph(f"{NOTHING}: no light in that band.", "small")


def _absorbed_table(data: Json) -> str:
    rows = []
    for name, exposure, asked in asked_layers(data):
        for band, incident in exposure["incident"].items():
            if incident is None:
                continue
            rows.append(
                [
                    safe(name),
                    safe(band),
                    value_cell(asked["absorbed_fraction"][band], as_percent=True),
                    value_cell(asked["absorbed_photons_m2_s"][band]),
                    value_cell(asked["absorbed_photons_m3_s"][band]),
                    f"{exposure['hours']:g}",
                    value_cell(incident["radiant_exposure_j_m2"]),
                    value_cell(asked["absorbed_photon_dose_m2"][band]),
                    value_cell(asked["absorbed_photon_dose_mol_m2"][band]),
                ]
            )
    if not rows:
        return ""
    return table(
        f"Photons absorbed in {data['question']['layer']}, and the dose of each exposure",
        [
            "exposure",
            "band (nm)",
            "share of incident photons",
            "absorbed photons (1/(m² s))",
            "mean per volume (1/(m³ s))",
            "hours",
            "incident energy (J/m²)",
            "absorbed photons (1/m²)",
            "absorbed photons (mol/m²)",
        ],
        rows,
        words=2,
        merge=True,
    )


def _faces_table(data: Json, band: str) -> str:
    rows = []
    for name, _, asked in asked_layers(data):
        faces = asked.get("first_nanometre", {}).get(band)
        if faces:
            rows.append(
                [
                    safe(name),
                    value_cell(faces["lit_face_photons_m3_s"]),
                    value_cell(asked["absorbed_photons_m3_s"][band]),
                    value_cell(faces["far_face_photons_m3_s"]),
                ]
            )
    if not rows:
        return ""
    return table(
        f"Absorbed photons per volume in {data['question']['layer']}, {band} nm (1/(m³ s))",
        ["exposure", "first nanometre, lit face", "mean", "first nanometre, far face"],
        rows,
    )
