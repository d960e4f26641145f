"""The page: doses from the log of the chamber."""

from __future__ import annotations

from optistack.report.markup import Json, bullets, paragraph, safe, table, value_cell


def ledger_section(data: Json) -> str:
    part = data["ledger"]
    if part is None:
        return ""
    rows = [
        [
            safe(dose["specimen"]),
            safe(_face(dose)),
            safe(band),
            f"{dose['hours']:g}",
            value_cell(energy),
            value_cell(dose["photons_m2"][band]),
        ]
        for dose in part["specimens"]
        for band, energy in dose["radiant_exposure_kwh_m2"].items()
    ]
    out = [
        paragraph(
            "Incident on each specimen, behind its filters, from the log's set points; ranges are "
            "over the shapes that the lamps' spectra may have."
        ),
        table(
            "Doses of the specimens",
            [
                "specimen",
                "lit on",
                "band (nm)",
                "hours of light",
                "radiant exposure (kWh/m²)",
                "photons (1/m²)",
            ],
            rows,
            words=3,
            merge=True,
        ),
    ]
    outages: dict[tuple[str, str, float], list[str]] = {}
    for gap in part["gaps"]:
        key = (gap["start"], gap["end"], gap["hours"])
        outages.setdefault(key, []).append(gap["specimen"])
    if outages:
        said = [
            f"{start[:16]} to {end[:16]}, {hours:.4g} h: {', '.join(names)}"
            for (start, end, hours), names in sorted(outages.items())
        ]
        out.append("<h3>Without light between entries (UTC)</h3>" + bullets(said, "notes"))
    if part["overlaps"]:
        said = [
            f"{x['specimen']}: {x['first']} and {x['second']}, {x['hours']:.4g} h"
            for x in part["overlaps"]
        ]
        out.append("<h3>Entries at the same time</h3>" + bullets(said, "notes"))
    return "".join([*out, bullets(part["notes"], "notes")])


def _face(dose: Json) -> str:
    angle = f"{dose['angle_deg']:g}°" if dose["angle_deg"] else ""
    return ", ".join(x for x in (dose["orientation"], angle) if x) or "not stated"
