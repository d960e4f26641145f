"""What can be moved: each control with its unit, its meaning and where it is written."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from optistack.page.state import KeyPath, State
from optistack.scenario import Scenario
from optistack.spectra import FAMILY_SLOPES_NM, weight_family
from optistack.spectral_math import band_key

# The filter that the page adds to a scenario, to be moved.
TRIAL = "edge on trial"
_TRIAL_EDGE = {"half_value_nm": 385.0, "width_10_90_nm": 12.0}
_FAMILY_BAND = band_key(weight_family()[0].band_nm)

MOUNT_WORDS = {
    "laminated": "laminated, no air between",
    "detached_gap": "in front, behind an air gap",
    "detached_far": "far away, at the lamp",
    "in_substrate": "inside the front sheet",
}
# Lamps that come with optistack, with set points of usual cycles (shared/reference/
# exposure_set_points.csv): ASTM G154 cycles 1 and 2, ASTM G155 cycle 1.
_LAMPS: Mapping[str, tuple[str, dict[str, Any]]] = {
    "UVA-340 fluorescent lamp": ("uva340", {"wavelength_nm": 340, "value": 0.89}),
    "UVB-313 fluorescent lamp": ("uvb313", {"wavelength_nm": 310, "value": 0.71}),
    "xenon arc, daylight filters": ("xenon_daylight", {"wavelength_nm": 340, "value": 0.35}),
}

Group = Literal["filter", "light", "layers", "weight", "cell"]


@dataclass(frozen=True, eq=False)
class Knob:
    """One control.

    Attributes
    ----------
    key : str
        Names the control in tests and on the page.
    group : str
        "filter", "light", "layers", "weight" or "cell".
    kind : "number" or "choice"
    label, unit : callable of the state
    help, source : str
        What the quantity is, and where that is defined.
    read : callable
        From a state to the value shown; None where it does not apply.
    write : callable
        From a state and a value to the new state.
    span : callable
        From a state to (low, high, step) of a slider; a number may be typed outside.
    options : callable
        From a state to {text: value} of a choice.
    off : callable
        From a state to the reason why the control has no effect now; "" where it has.
    """

    key: str
    group: Group
    kind: Literal["number", "choice"]
    label: Callable[[State], str]
    unit: Callable[[State], str]
    help: str
    source: str
    read: Callable[[State], Any]
    write: Callable[[State, Any], State]
    span: Callable[[State], tuple[float, float, float]] = lambda _: (0.0, 1.0, 0.01)
    options: Callable[[State], dict[str, str]] = lambda _: {}
    off: Callable[[State], str] = lambda _: ""


@dataclass(frozen=True, eq=False)
class Subject:
    """What the page is about: the exposures of the main comparison, or the only ones there are.

    Attributes
    ----------
    layer : str
    coupon, device : str or None
        Names of exposures.
    """

    layer: str
    coupon: str | None
    device: str | None

    @classmethod
    def of(cls, scenario: Scenario) -> Subject:
        """From a scenario: its first pair, else the exposure whose filters are judged."""
        q = scenario.question
        if q.pairs:
            return cls(q.layer, *q.pairs[0])
        if q.filters_on:
            return cls(q.layer, None, q.filters_on[0])
        having = [n for n, e in scenario.exposures.items() if q.layer in e.stack.names]
        return cls(q.layer, None, having[0] if having else None)

    @property
    def exposures(self) -> tuple[str, ...]:
        """Names of the exposures that the light's controls act on."""
        return tuple(n for n in (self.coupon, self.device) if n is not None)


def prepared(state: State) -> State:
    """With a filter to move, judged on the device: what the page adds to a scenario at first."""
    scenario = state.scenario(whole=False)
    question = scenario.question
    subject = Subject.of(scenario)
    if not question.filters_on and subject.device is not None:
        state = state.changed(("question", "filters_on"), [subject.device])
    there = TRIAL in scenario.filters
    if there and state.get("question", "filters"):
        return state
    listed: list[dict[str, Any]] = []
    for item in question.candidates:
        entry: dict[str, Any] = {"filter": item.item.name, "mount": item.mount}
        listed.append(entry | ({} if item.layer is None else {"in_layer": item.layer}))
    if not there:
        made = {"edge": dict(_TRIAL_EDGE), "mounts": ["laminated"]}
        state = state.changed(("filters", TRIAL), made)
        listed.insert(0, {"filter": TRIAL, "mount": "laminated"})
    return state.changed(("question", "filters"), listed)


def current_filter(state: State) -> dict[str, Any]:
    """The filter on trial: the first of the question, as {filter, mount}."""
    first = (state.get("question", "filters") or [None])[0]
    if first is None:
        return {"filter": "", "mount": "laminated"}
    if isinstance(first, str):
        mounts = state.get("filters", first, "mounts") or ["laminated"]
        return {"filter": first, "mount": mounts[0]}
    return dict(first)


def put_first(state: State, name: str, mount: str | None = None) -> State:
    """With a filter in some mount on trial; the others stay candidates behind it."""
    section = state.get("filters", name) or {}
    coated = bool(section.get("coated"))
    usual = (section.get("mounts") or ["detached_far" if coated else "laminated"])[0]
    entry: dict[str, Any] = {"filter": name, "mount": mount or usual}
    if entry["mount"] == "in_substrate" and "in_layer" in section:
        entry["in_layer"] = section["in_layer"]
    listed = [
        x if isinstance(x, dict) else _as_table(state, x)
        for x in state.get("question", "filters") or []
    ]
    moved = [x for x in listed if not (x["filter"] == name and x.get("mount") == entry["mount"])]
    if mount is not None and moved and moved[0]["filter"] == name:
        moved = moved[1:]  # the same filter, mounted otherwise
    return state.changed(("question", "filters"), [entry, *moved])


def _as_table(state: State, name: str) -> dict[str, Any]:
    mounts = state.get("filters", name, "mounts") or ["laminated"]
    return {"filter": name, "mount": mounts[0]}


def knobs_of(state: State) -> tuple[Knob, ...]:
    """Every control that a scenario offers, in the order of the page."""
    scenario = state.scenario(whole=False)
    subject = Subject.of(scenario)
    out = [*_filter_knobs(), *_light_knobs(subject), _slope_knob()]
    seen: set[str] = set()
    for side, name in (("coupon", subject.coupon), ("device", subject.device)):
        if name is None:
            continue
        stack = state.get("exposures", name, "stack")
        if stack in seen:
            continue
        seen.add(stack)
        layers = state.get("stacks", stack, "layers") or []
        out += [_thickness_knob(side, stack, i, layer) for i, layer in enumerate(layers)]
    return (*out, *_cell_knobs(state))


# filter -------------------------------------------------------------------------------------------


def _filter_knobs() -> list[Knob]:
    def edge_path(state: State, key: str) -> KeyPath:
        return ("filters", current_filter(state)["filter"], "edge", key)

    def edge(key: str, label: str, text: str, span: tuple[float, float, float], ident: str) -> Knob:
        def off(state: State) -> str:
            if state.get(*edge_path(state, key)) is None:
                return f"the filter on trial is no edge; choose {TRIAL!r} above"
            return ""

        return Knob(
            ident,
            "filter",
            "number",
            lambda _: label,
            lambda _: "nm",
            text,
            "Edge model: docs/theory.md, Filters; a logistic edge is common practice, no source.",
            lambda s: s.get(*edge_path(s, key)),
            lambda s, v: s.changed(edge_path(s, key), v),
            span=lambda _: span,
            off=off,
        )

    return [
        Knob(
            "filter",
            "filter",
            "choice",
            lambda _: "Filter on trial",
            lambda _: "",
            "The filter whose dose left and photocurrent lost are shown. The edge on trial is the "
            "page's own; the others are those of the scenario, and files dropped here.",
            "docs/scenario.md, filters.",
            lambda s: current_filter(s)["filter"],
            put_first,
            options=lambda s: {name: name for name in s.get("filters") or {}},
        ),
        Knob(
            "mount",
            "filter",
            "choice",
            lambda _: "Mount",
            lambda _: "",
            "How the filter meets the device. Laminated: joined to the front without air. Behind "
            "an air gap: light goes to and fro between filter and device. Far away: nothing "
            "returns. Inside the front sheet: no new surface.",
            "docs/theory.md, Filters.",
            lambda s: current_filter(s)["mount"],
            lambda s, v: put_first(s, current_filter(s)["filter"], v),
            options=lambda _: {text: key for key, text in MOUNT_WORDS.items()},
        ),
        edge(
            "half_value_nm",
            "Edge: half-value wavelength",
            "Wavelength at which the internal transmittance (one pass, without the two surfaces) "
            "reaches half of its plateau.",
            (320.0, 460.0, 1.0),
            "half-value",
        ),
        edge(
            "width_10_90_nm",
            "Edge: width from 10 to 90 %",
            "Wavelengths between 10 and 90 % of the plateau: a narrow edge is a sharp filter.",
            (2.0, 60.0, 1.0),
            "width",
        ),
    ]


# light --------------------------------------------------------------------------------------------


def _light_knobs(subject: Subject) -> list[Knob]:
    first = subject.exposures[0] if subject.exposures else ""

    def light_of(state: State) -> str:
        return str(state.get("exposures", first, "light"))

    def options(state: State) -> dict[str, str]:
        known = {name: name for name in state.get("lights") or {}}
        return known | {name: name for name in _LAMPS if name not in known}

    def choose(state: State, name: str) -> State:
        if state.get("lights", name) is None:
            table, point = _LAMPS[name]
            level = {
                "wavelength_nm": point["wavelength_nm"],
                "spectral_irradiance_w_m2_nm": point["value"],
            }
            state = state.changed(("lights", name), {"spectrum": table, "set_point": level})
        return everywhere(state, "light", name)

    def everywhere(state: State, key: str, value: Any) -> State:
        for name in subject.exposures:
            state = state.changed(("exposures", name, key), value)
        return state

    def level_path(state: State) -> tuple[KeyPath, str, str]:
        """Where the strength of the light is written, what it is, and its unit."""
        light = light_of(state)
        section = state.get("lights", light) or {}
        if "set_point" in section:
            at = section["set_point"].get("wavelength_nm")
            path = ("lights", light, "set_point", "spectral_irradiance_w_m2_nm")
            return path, f"Set point at {at:g} nm", "W/(m² nm)"
        if "irradiance" in section:
            low, high = section["irradiance"]["band_nm"]
            path = ("lights", light, "irradiance", "irradiance_w_m2")
            return path, f"Irradiance in {low:g}-{high:g} nm", "W/m²"
        low, high = (section.get("suns") or {}).get("band_nm") or (300, 400)
        path = ("lights", light, "suns", "multiple")
        return path, f"Multiple of AM1.5G in {low:g}-{high:g} nm", "suns"

    def read_level(state: State) -> float:
        path, _, _ = level_path(state)
        value = state.get(*path)
        return 1.0 if value is None else float(value)

    def write_level(state: State, value: float) -> State:
        path, _, _ = level_path(state)
        if path[2] == "suns" and state.get(*path) is None:
            return state.changed(path[:3], {"multiple": value, "band_nm": [300, 400]})
        return state.changed(path, value)

    def shared(state: State) -> str:
        both = {state.get("exposures", n, "light") for n in subject.exposures}
        return "" if len(both) < 2 else "coupon and device have lights of their own: choose one"

    knobs = [
        Knob(
            "light",
            "light",
            "choice",
            lambda _: "Light on coupon and device",
            lambda _: "",
            "The light of the main comparison. Lamps are models by standard type, in variants that "
            "give the ranges. The scenario's own and the shipped ones are offered.",
            "docs/lights.md; set points of ASTM G154 cycles 1 and 2, ASTM G155 cycle 1 "
            "(from memory, unverified).",
            light_of,
            choose,
            options=options,
        ),
        Knob(
            "level",
            "light",
            "number",
            lambda s: level_path(s)[1],
            lambda s: level_path(s)[2],
            "How strong the light is at the sample plane, front side, as a cosine receiver reads "
            "it. A ratio of doses does not depend on it; the doses and the cautions do.",
            "docs/theory.md, Light and set point; ASTM G173-03 for the sun.",
            read_level,
            write_level,
            span=_span_of(read_level),
            off=shared,
        ),
        Knob(
            "hours",
            "light",
            "number",
            lambda _: "Time in the light",
            lambda _: "h",
            "Hours under this light; doses are rates times this time.",
            "docs/theory.md, Doses.",
            lambda s: s.get("exposures", first, "hours") or 0.0,
            lambda s, v: everywhere(s, "hours", v),
            span=lambda s: (
                0.0,
                max(2000.0, 2 * float(s.get("exposures", first, "hours") or 0)),
                10,
            ),
        ),
        Knob(
            "angle",
            "light",
            "number",
            lambda _: "Angle of the directed light",
            lambda _: "°",
            "Between the light and the normal of the front, for coupon and device; 0 is straight "
            "on. Diffuse light is not turned.",
            "docs/theory.md, Geometry; Fresnel's equations.",
            lambda s: s.get("exposures", first, "angle_deg") or 0.0,
            lambda s, v: everywhere(s, "angle_deg", v),
            span=lambda _: (0.0, 80.0, 1.0),
        ),
    ]
    if subject.coupon is not None:
        knobs += _coupon_knobs(subject.coupon)
    return knobs


def _coupon_knobs(coupon: str) -> list[Knob]:
    def write_holder(state: State, value: float) -> State:
        if state.get("exposures", coupon, "holder") is None:
            made = {"reflectance": value, "kind": "lambertian"}
            return state.changed(("exposures", coupon, "holder"), made)
        return state.changed(("exposures", coupon, "holder", "reflectance"), value)

    return [
        Knob(
            "holder",
            "light",
            "number",
            lambda _: "Reflectance of the coupon's holder",
            lambda _: "",
            "Share of the light behind the coupon that the holder sends back: 0 is a black holder, "
            "1 a perfect reflector. Coupons are thin and clear, so this can add much dose.",
            "docs/theory.md, Geometry.",
            lambda s: s.get("exposures", coupon, "holder", "reflectance") or 0.0,
            write_holder,
            span=lambda _: (0.0, 1.0, 0.01),
        ),
        Knob(
            "rear",
            "light",
            "number",
            lambda _: "Light on the rear of the coupon",
            lambda _: "",
            "Irradiance on the rear over that on the front: light from walls and reflectors.",
            "docs/theory.md, Geometry.",
            lambda s: s.get("exposures", coupon, "rear_share") or 0.0,
            lambda s, v: s.changed(("exposures", coupon, "rear_share"), v),
            span=lambda _: (0.0, 1.0, 0.01),
        ),
    ]


def _slope_knob() -> Knob:
    def slopes(state: State) -> list[float]:
        given = state.get("question", "weights", "slopes_nm")
        return list(given or FAMILY_SLOPES_NM)

    def write(state: State, value: float) -> State:
        # From what the file says, not from what was set on this page before.
        kept = {k: v for k, v in state.changes.items() if k[:2] != ("question", "weights")}
        before = replace(state, changes=kept)
        family = [s for s in slopes(before) if s != value]
        return before.changed(("question", "weights", "slopes_nm"), [value, *family])

    def off(state: State) -> str:
        if state.get("question", "weights", "table") is not None:
            return "the scenario gives a measured weight"
        return ""

    return Knob(
        "slope",
        "weight",
        "number",
        lambda _: "Slope of the spectral weight",
        lambda _: "nm",
        "Wavelength over which the harm of an absorbed photon falls to 1/e, counted from 340 nm. "
        "It is usually not known: the ranges on this page go over the flat weight and slopes of "
        "15, 22, 40 nm and the one set here.",
        f"docs/theory.md, Weights; weight band {_FAMILY_BAND} nm unless the scenario says another.",
        lambda s: slopes(s)[0],
        write,
        span=lambda _: (5.0, 100.0, 1.0),
        off=off,
    )


# layers -------------------------------------------------------------------------------------------

_UNITS = {"thickness_nm": "nm", "thickness_um": "µm", "thickness_mm": "mm"}


def _thickness_knob(side: str, stack: str, index: int, layer: dict[str, Any]) -> Knob:
    key = next(k for k in _UNITS if k in layer)
    path: KeyPath = ("stacks", stack, "layers", index, key)

    def read(state: State) -> float:
        return float(state.get(*path))

    return Knob(
        f"thickness-{side}-{index}",
        "layers",
        "number",
        lambda _: f"{side}: {layer['name']}",
        lambda _: _UNITS[key],
        f"Thickness of the layer {layer['name']!r} of the stack {stack!r}. Up to 3000 nm light "
        "interferes in a layer, unless the scenario says otherwise.",
        "docs/theory.md, Thick layers.",
        read,
        lambda s, v: s.changed(path, v),
        span=_span_of(read),
    )


# cell ---------------------------------------------------------------------------------------------

_LENGTHS = {
    "pitch_mm": "Finger pitch",
    "length_mm": "Way to the contact",
    "side_mm": "Side of the pad",
}


def _cell_knobs(state: State) -> list[Knob]:
    if state.get("electrode") is None:
        return []
    geometry = state.get("electrode", "geometry") or {}
    key = next((k for k in _LENGTHS if k in geometry), "pitch_mm")
    length: KeyPath = ("electrode", "geometry", key)
    sheet: KeyPath = ("electrode", "start_sheet_resistance_ohm_sq")

    def number(path: KeyPath) -> Callable[[State], float]:
        return lambda s: float(s.get(*path))

    return [
        Knob(
            "pitch",
            "cell",
            "number",
            lambda _: _LENGTHS[key],
            lambda _: "mm",
            "Distance from finger to finger. Current crosses at most half of it through the "
            "electrode, so the loss grows with its square.",
            "docs/electrode.md.",
            number(length),
            lambda s, v: s.changed(length, v),
            span=_span_of(number(length)),
        ),
        Knob(
            "sheet",
            "cell",
            "number",
            lambda _: "Sheet resistance of the electrode",
            lambda _: "Ω/sq",
            "Today's sheet resistance. Shares of power are of the power at this value, and the "
            "margin counts doublings from here.",
            "docs/electrode.md.",
            number(sheet),
            lambda s, v: s.changed(sheet, v),
            span=_span_of(number(sheet)),
        ),
    ]


def _span_of(read: Callable[[State], float]) -> Callable[[State], tuple[float, float, float]]:
    """Slider limits about the value: up to three times it, in a round step."""

    def span(state: State) -> tuple[float, float, float]:
        value = read(state)
        if not (math.isfinite(value) and value > 0):
            return 0.0, 1.0, 0.01
        step = 10.0 ** (math.floor(math.log10(value)) - 1)
        high = math.ceil(3 * value / step) * step
        return step, high, step

    return span


def dropped_filter(
    state: State, name: str, path: Path, kind: str, outside: str, table: Mapping[str, Any]
) -> State:
    """With a filter from a table that the reader wrote, on trial.

    Parameters
    ----------
    name : str
        Of the filter and, with ".csv", of the file in a saved scenario.
    path : Path
        Where the table lies.
    kind : "external" or "internal"
    outside : "refuse", "hold" or "zero"
        What to do beyond its readings.
    table : mapping
        Further keys of the filter's section.
    """
    section: dict[str, Any] = {"transmittance": str(path), "kind": kind, **table}
    if outside != "refuse":
        section |= {"extend_below": outside, "extend_above": outside}
    state = state.with_file(path.name, path).changed(("filters", name), section)
    return put_first(state, name)
