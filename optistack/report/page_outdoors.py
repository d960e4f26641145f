"""The page: a year at the site, lamp hours against it, the plan."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from optistack.report.markup import (
    Json,
    bullets,
    figure,
    figures,
    paragraph,
    safe,
    table,
    value_cell,
)
from optistack.report.wording import NOTHING, mount_text, number, site_lead

if TYPE_CHECKING:
    from optistack.report.pictures import Drawn


def site_section(data: Json, drawn: Mapping[str, Drawn]) -> str:
    part = data["site"]
    if part is None:
        return ""
    out = [
        paragraph(site_lead(data), "lead"),
        paragraph(_where(part)),
        figures(
            figure(
                drawn,
                "year",
                "Through the year.",
                "Above: what arrives in the plane, without any filter. Below: what the layer "
                "absorbs, at the sun's real angles of incidence.",
            )
        ),
        _year(part),
        _filters(part),
        bullets(part["refused_filters"], "notes"),
    ]
    return "".join(out)


def _where(part: Json) -> str:
    lat, lon = part["latitude_deg"], part["longitude_deg"]
    place = (
        f"{abs(lat):g}° {'N' if lat >= 0 else 'S'}, {abs(lon):g}° {'E' if lon >= 0 else 'W'}, "
        f"{part['altitude_m']:g} m"
    )
    plane = (
        "horizontal"
        if not part["tilt_deg"]
        else f"tilted {part['tilt_deg']:g}° towards azimuth {part['azimuth_deg']:g}°"
    )
    sky = (
        "a clear sky all year, which is an upper limit for most places"
        if part["climate"] is None
        else f"clouds by {part['climate']}"
    )
    name = f"{part['name'][:1].upper()}{part['name'][1:]}"
    return f"{name}: {place}, plane {plane}, steps of {part['step_h']:g} h, {sky}."


def _year(part: Json) -> str:
    coupon, device = part["exposures"][part["coupon"]], part["exposures"][part["device"]]
    rows = []
    for key, limits in part["counted_nm"].items():
        low, high = limits
        band = key in device["incident"]
        ratio = part["ratio" if band else "weighted_ratio"][key]
        arriving = device["incident"].get(key)
        rows.append(
            [
                f'<span class="nb">{safe(f"{key} nm" if band else key)}</span>',
                f'<span class="nb">{low:g}-{high:g} nm</span>',
                NOTHING if arriving is None else number(arriving["radiant_exposure_kwh_m2"]),
                value_cell(coupon["absorbed"][key]["photons_m2"]),
                value_cell(device["absorbed"][key]["photons_m2"]),
                number(ratio),
                number(coupon["absorbed"][key]["am15g_hours"]),
                number(device["absorbed"][key]["am15g_hours"]),
            ]
        )
    return table(
        f"One year: {device['layer']} of {part['coupon']} and of {part['device']}",
        [
            "band or weight",
            "counted",
            "arriving (kWh/m²)",
            "coupon absorbs (photons/m²)",
            "device absorbs (photons/m²)",
            "device / coupon",
            "coupon, hours of AM1.5G",
            "device, hours of AM1.5G",
        ],
        rows,
        words=2,
    )


def _filters(part: Json) -> str:
    rows = [
        [
            safe(f["name"]),
            safe(mount_text(f["mount"])),
            *(number(v) for v in f["dose_left"].values()),
            *(number(v) for v in f["weighted_dose_left"].values()),
        ]
        for f in part["filters"]
    ]
    if not rows:
        return ""
    first = part["filters"][0]
    return table(
        "Dose of the year left behind each filter, at the sun's angles",
        [
            "filter",
            "mount",
            *(safe(f"{k} nm") for k in first["dose_left"]),
            *(safe(k) for k in first["weighted_dose_left"]),
        ],
        rows,
        words=2,
    )


def plan_section(data: Json, drawn: Mapping[str, Drawn]) -> str:
    part = data["plan"]
    if part is None:
        return ""
    found = part["lamp_years"]
    out = [
        bullets(f"{s[:1].upper()}{s[1:]}." for s in found["sentences"]),
        paragraph(
            "How many lamp hours equal a year depends on what is counted; no line below is an "
            "acceleration factor: humidity, oxygen, rain and bias are not in it, and temperature "
            "only where a line says so.",
            "notes",
        ),
        figures(
            figure(
                drawn,
                "lamp_years",
                "Lamp hours for one site year.",
                "Each row counts something else. Bars: variants of the lamp and, for what is "
                "absorbed, the range of the reciprocity exponent.",
            )
        ),
        _lamp_years(found),
        _warm(found),
        paragraph(
            f"Worst table behind more than 5 % of the plan: grade {part['grade']}; of the lamp "
            f"hours: grade {found['grade']}."
        ),
        _two_lamps(part["two_lamps"]),
        "<h3>Which test gives the device's dose</h3>",
        _cycles(part),
        _left_out(part),
        "<h3>What the preconditioning dose means for this layer</h3>",
        bullets(_powers(s) for s in part["qualification"]["sentences"]),
        "<h3>Plan sheet and reporting sheet</h3>",
        paragraph(
            f"plan_sheet.md is a page for {part['sheet_cycle']}, filter {part['sheet_filter']}; "
            "reporting_sheet.md lists what the consensus protocols ask authors to state, with the "
            "gaps. Both lie beside this report."
        ),
    ]
    return "".join(out)


def _powers(text: str) -> str:
    """Powers of ten as the page writes them."""
    return re.sub(r"\d\.?\d*e[+-]?\d+", lambda m: number(float(m.group())), text)


def _warm(found: Json) -> str:
    """Lamp hours with the temperatures counted, where they are known."""
    rows = [
        [
            safe(r["counted_by"]),
            safe(r["specimen"]),
            value_cell(r["temperature_factor"]),
            value_cell(r["lamp_hours_per_site_year_warm"]),
        ]
        for r in found["rows"]
        if r["lamp_hours_per_site_year_warm"] is not None
    ]
    if not rows:
        return ""
    return table(
        "The same with the film's temperatures, by Arrhenius",
        ["counted by", "specimen", "factor of temperature", "lamp hours for a year"],
        rows,
        words=2,
    )


def _lamp_years(found: Json) -> str:
    ways = list(dict.fromkeys(r["counted_by"] for r in found["rows"]))
    by = {(r["specimen"], r["counted_by"]): r for r in found["rows"]}
    rows = []
    for way in ways:
        cells = [safe(way)]
        for who in ("coupon", "device"):
            row = by.get((who, way))
            cells += (
                [NOTHING, NOTHING]
                if row is None
                else [
                    value_cell(row["lamp_hours_per_site_year"]),
                    value_cell(row["site_years_per_1000_lamp_hours"]),
                ]
            )
        rows.append(cells)
    return table(
        f"Hours under {found['lamp']} and years at the site",
        [
            "counted by",
            "coupon: lamp hours for a year",
            "coupon: years in 1000 lamp hours",
            "device: lamp hours for a year",
            "device: years in 1000 lamp hours",
        ],
        rows,
    )


def _two_lamps(found: Json | None) -> str:
    if found is None:
        return ""
    rows = [
        [safe(r["counted_by"]), safe(r["specimen"]), value_cell(r["dose_ratio"])]
        for r in found["rows"]
    ]
    return table(
        f"{found['second']} over {found['first']}, both reporting the same {found['nominal']}",
        ["counted by", "specimen", "dose, second over first"],
        rows,
        words=2,
    )


def _cycles(part: Json) -> str:
    forward = part["light_hours"] is None
    kept = [r for r in part["rows"] if r["closest"]] or part["rows"]
    rows = []
    for r in kept:
        rows.append(
            [
                safe(r["cycle"]),
                safe(r["set_point"]),
                safe(r["filter"]),
                *(
                    [
                        NOTHING if r["light_hours"] is None else value_cell(r["light_hours"]),
                        NOTHING if r["clock_hours"] is None else value_cell(r["clock_hours"]),
                    ]
                    if forward
                    else [NOTHING if r["site_years"] is None else value_cell(r["site_years"])]
                ),
                value_cell(r["intensity_over_site"]),
                safe(r["mark"]),
            ]
        )
    years = part["years"]
    aim = (
        f"Light on {part['layer']} of {part['specimen']} that gives the photons per volume which "
        f"{part['device_layer']} of the device absorbs in {years:g} "
        f"year{'' if years == 1 else 's'} at {part['site']}, over the weights"
        if forward
        else f"Device years at {part['site']} in {part['light_hours']:g} h of light, over "
        "the weights"
    )
    shown = table(
        aim,
        [
            "cycle",
            "set point",
            "filter",
            *(["hours of light", "hours of the clock"] if forward else ["device years"]),
            "intensity over the device's at the site",
            "the cycle's numbers",
        ],
        rows,
        words=3,
    )
    return shown + bullets(_beware(kept), "notes")


def _beware(rows: Sequence[Json]) -> list[str]:
    """What flags and wavelengths say of the cycles, once for those of which they say the same."""
    said: dict[str, list[str]] = {}
    for r in rows:
        for text in (*r["flags"], *r["regions"]):
            who = f"{r['cycle']}" + ("" if r["filter"] == "none" else f", {r['filter']}")
            said.setdefault(text, []).append(who)
    return [f"{'; '.join(dict.fromkeys(names))}: {text}." for text, names in said.items()]


def _left_out(part: Json) -> str:
    if not part["left_out"]:
        return ""
    reasons: dict[str, list[str]] = {}
    for item in part["left_out"]:
        reasons.setdefault(item["reason"], []).append(item["cycle"])
    return bullets(
        (f"Not planned: {'; '.join(names)}: {why}." for why, names in reasons.items()), "notes"
    )
