"""Two pages of text: the plan for the chamber, and what a paper has to state."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from optistack.care import advice
from optistack.errors import OptistackError
from optistack.series_file import named_rows
from optistack.spectral_gaps import SUN_STARTS_NM
from optistack.spectral_math import band_key
from optistack.tables import data_folder, plain_text, read_text
from optistack.value import Value, short

if TYPE_CHECKING:
    from optistack.analysis.exposure_plan.result import PlanResult, PlanRow

NOT_STATED = "not stated"
_WIDTH = 110
# Bands with less than this share of the device's photons are not worth a line on the sheet.
_LEAST_SHARE = 1e-3
# Shares of the whole time at which to read; close together at first, when a fast component or an
# induction period shows. Common practice, no source.
_READINGS = (1 / 16, 1 / 8, 1 / 4, 1 / 2, 3 / 4, 1.0)

_READ = "checklist of Nature Energy 5 (2020) 35, doi 10.1038/s41560-019-0529-5, table 3 (read)"
_MEMORY = "Sol. Energy Mater. Sol. Cells 95 (2011) 1253 (Reese et al.; from memory, unverified)"


class Item(NamedTuple):
    """One thing that authors are asked to state, and who asks."""

    key: str
    label: str
    source: str


CHECKLIST = (
    Item("light_source_type", "light source type", _READ),
    Item("light_intensity", "light intensity, with its band or wavelength in nm", _READ),
    Item("light_spectrum", "light spectrum", _READ),
    Item("light_filters", "filters applied", _READ),
    Item("light_calibration", "calibration of the light", _READ),
    Item("temperature", "temperature", _READ),
    Item("temperature_sensor", "temperature sensor and its place", _READ),
    Item("atmosphere", "atmosphere", _READ),
    Item("relative_humidity", "relative humidity", _READ),
    Item("bias", "electrical bias or load during exposure", _READ),
    Item("encapsulation_materials", "encapsulation: materials", _READ),
    Item("encapsulation_thickness", "encapsulation: thickness", _READ),
    Item("specimens", "number of specimens and their scatter", _MEMORY),
    Item("start_values", "start values and when they were taken", _MEMORY),
    Item("measurement", "how and how often the performance was measured", _MEMORY),
    Item("dark_control", "dark control", _MEMORY),
)


def plan_sheet(
    plan: PlanResult,
    row: PlanRow,
    title: str,
    purpose: str,
    care: tuple[str, ...] | None,
) -> str:
    """One page of Markdown for one row of a plan."""
    cycle = row.cycle
    forward = plan.light_hours is None
    years = row.years_over_weights
    aim = (
        f"{plan.coupon_layer} of {plan.specimen} gets the absorbed photons per volume that "
        f"{plan.layer} of {plan.device} gets in {span(plan.years)} at {plan.site}."
        if forward
        else f"{plan.light_hours:g} h of light on {plan.coupon_layer} of {plan.specimen} stand for "
        f"{_range(years)} years of {plan.layer} of {plan.device} at {plan.site}, by the weight."
    )
    lines = [f"# {plain_text(title) or 'Exposure plan'}", ""]
    lines += _item("Purpose", plain_text(purpose) or aim)
    if purpose:
        lines += _item("Aim", aim)
    lines += _item("Specimen", f"{plan.specimen}, layer {plan.coupon_layer}")
    lines += _item("Test", f"{cycle.name} [{cycle.mark}]; {cycle.lamp}; spectrum {row.light.name}")
    lines += _item(
        "Set point", f"{row.set_point.label}, at the sample plane, filter off, cosine receiver"
    )
    lines += _item(
        "Meter",
        f"in {band_key(plan.meter_band_nm)} nm it should then read "
        f"{_irradiance(row, plan.meter_band_nm)} W/m2",
    )
    mount = f", {row.mount}" if row.mount else ""
    best = " (of those tried, the one behind which the weights agree best)" if row.closest else ""
    lines += _item("Filter", f"{row.filter}{mount}{best}")
    lines += _item("Phases", cycle.timing)
    lines += _item("Conditions", f"{cycle.conditions or 'not stated'}")
    lines += ["", _headline(row, forward), ""]
    lines += _table(row, forward)
    lines += [""]
    lines += _item("Read at", _schedule(row))
    lines += _item(
        "Controls",
        "dark control at the same temperature and humidity, read at the same times; one specimen "
        "kept cold and dark; meter reading and lamp hours logged",
    )
    for flag in row.flags:
        lines += _item("Beware", flag)
    lines += _item("Wavelengths", "; ".join(row.regions))
    lines += _item(
        "Tables",
        f"worst grade {plan.grade} of those that carry more than 5 % of an answer (A a standard "
        "or a primary measurement, D a guess)",
    )
    lines += _item(
        "Not covered",
        "temperature, humidity, oxygen, rain and bias of the site; scattering; what the weights do "
        "not span. Hours of equal dose are no acceleration factor",
    )
    lines += ["", "## Care", ""]
    for text in advice([row.light]) if care is None else care:
        lines += textwrap.wrap(f"- {text}", _WIDTH, subsequent_indent="  ")
    return "\n".join(lines) + "\n"


def span(years: float | None) -> str:
    """A number of years in words."""
    return f"{years:g} year" + ("" if years == 1 else "s")


def _item(name: str, text: str) -> list[str]:
    return textwrap.wrap(f"- **{name}:** {text}", _WIDTH, subsequent_indent="  ")


def _range(v: Value | None) -> str:
    if v is None:
        return NOT_STATED
    if not v.has_range or short(v.low) == short(v.high):
        return short(v.value)
    return f"{short(v.low)} to {short(v.high)}"


def _irradiance(row: PlanRow, band: tuple[float, float]) -> str:
    shapes = (row.light, *row.light.variants)
    return Value.of([s.irradiance_w_m2(band) for s in shapes]).format()


def _headline(row: PlanRow, forward: bool) -> str:
    if not forward:
        return f"**Device years, over all weights: {_range(row.years_over_weights)}**"
    clock = row.clock_over_weights
    on_the_clock = (
        "hours of the clock not known, the cycle's times are not stated"
        if clock is None
        else f"{_range(clock)} h of the clock"
    )
    return f"**Light: {_range(row.over_weights)} h over all weights; {on_the_clock}**"


def _table(row: PlanRow, forward: bool) -> list[str]:
    """A Markdown table of every way of counting."""
    kept = [h for h in row.hours if h.site_share >= _LEAST_SHARE]
    left = [h.criterion.key for h in row.hours if h.site_share < _LEAST_SHARE]
    end = (
        ["", f"Not listed: {', '.join(left)} nm, less than 0.1 % of what the device absorbs."]
        if left
        else []
    )
    if not forward:
        lines = ["| counted by | device years |", "| --- | --- |"]
        lines += [f"| {h.criterion.label} | {h.site_years.format()} |" for h in kept]
        return lines + end
    lines = ["| counted by | hours of light | hours of the clock |", "| --- | --- | --- |"]
    for h in kept:
        clock = NOT_STATED if h.clock_hours is None else h.clock_hours.format()
        lines.append(f"| {h.criterion.label} | {h.light_hours.format()} | {clock} |")
    return lines + end


def _schedule(row: PlanRow) -> str:
    """Hours of light at which to read: up to the longest answer."""
    if row.over_weights is None:
        return NOT_STATED
    last = row.over_weights.high
    points = [0.0, *(float(f"{last * share:.2g}") for share in _READINGS)]
    listed = ", ".join(short(p, 3) for p in dict.fromkeys(points))
    return f"{listed} h of light (proposal; the last is the longest answer over the weights)"


@lru_cache(maxsize=2)
def _protocols(path: Path) -> dict[str, dict[str, str]]:
    (_, names), *rows = named_rows(read_text(path)[0], path, "the light requirements")
    return {
        cells["protocol"]: cells
        for cells in (dict(zip(names, row, strict=True)) for _, row in rows)
    }


def reporting_sheet(plan: PlanResult, row: PlanRow, facts: Mapping[str, str]) -> str:
    """What the protocols ask for, filled in; gaps shown."""
    known = {item.key for item in CHECKLIST} | {"protocol"}
    for key in facts:
        if key not in known:
            raise OptistackError(
                f"facts: {key!r} is not asked for; the keys are {', '.join(sorted(known))}"
            )
    planned = {
        "light_source_type": f"{row.cycle.lamp} ({row.cycle.name})",
        "light_intensity": row.set_point.label,
        "light_spectrum": f"table {row.light.name}, {row.light.kind}: {row.light.source}",
        "light_filters": row.filter if row.filter != "none" else "none in front of the specimen",
        "measurement": f"at {_schedule(row)}",
        "dark_control": "at the same temperature, read at the same times",
    }
    lines = [
        f"# What to state: {plan.specimen}",
        "",
        "| item | stated | asked for by |",
        "| --- | --- | --- |",
    ]
    sources = {_READ: "1", _MEMORY: "2"}
    gaps = []
    for item in CHECKLIST:
        text = plain_text(facts.get(item.key, "")).strip().replace("|", "/")
        if not text and item.key in planned:
            text = f"planned: {planned[item.key]}"
        if not text:
            text = NOT_STATED
            gaps.append(item.label)
        lines.append(f"| {item.label} | {text} | {sources[item.source]} |")
    lines += ["", *(f"{number}: {source}" for source, number in sources.items())]
    lines += ["", f"Gaps: {'; '.join(gaps) if gaps else 'none'}"]
    if "protocol" in facts:
        lines += ["", *_level(facts["protocol"])]
    lines += [
        "",
        f"A planned value is not a measured one: replace it. The sun has no light below "
        f"{SUN_STARTS_NM:g} nm; {'; '.join(row.regions)}.",
    ]
    return "\n".join(lines) + "\n"


def _level(name: str) -> list[str]:
    """What a protocol of the consensus statement asks for, with its mark."""
    listed = _protocols(data_folder("shared") / "reference" / "isos_light_requirements.csv")
    if name not in listed:
        raise OptistackError(f"protocol {name!r} is not in the list: {', '.join(listed)}")
    cells = listed[name]
    return [
        f"{name} [{cells['status']}]: light {cells['light']}; temperature {cells['temperature']}; "
        f"RH {cells['RH']}; load {cells['load']}"
    ]
