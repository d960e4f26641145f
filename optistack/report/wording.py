"""Numbers as text, and sentences that follow the numbers: for the page and for the terminal."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optistack.scenario import RunResult

Json = dict[str, Any]

NOTHING = "\N{EN DASH}"
WIDTH = 100
MOST_LINES = 50
_SUPERSCRIPT = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
# Square and cubic metres below a stroke; a dot and a letter behind them belong to a file's name.
_POWERS = re.compile(r"((?<=[A-Za-z])/(?:m|cm|nm))([23])(?!\.?\w)")
_MOUNTS = {
    "laminated": "laminated",
    "detached_gap": "detached, air gap",
    "detached_far": "at the lamp",
    "in_substrate": "in the substrate",
}


# numbers -------------------------------------------------------------------------------------


def number(x: float | None, *, plain: bool = False) -> str:
    """A number with three significant digits.

    Parameters
    ----------
    x : float or None
        None: no number, shown as a dash.
    plain : bool
        Only ASCII: 6.22e24 instead of a power of ten.

    Examples
    --------
    >>> number(0.16), number(1234.0), number(6.2239e24), number(6.2239e24, plain=True)
    ('0.160', '1230', '6.22 × 10²⁴', '6.22e24')
    """
    if x is None or not math.isfinite(x):
        return "-" if plain else NOTHING
    if x == 0:
        return "0"
    mantissa, exponent = f"{x:.2e}".split("e")
    power = int(exponent)
    if -3 <= power < 5:
        return f"{float(f'{x:.2e}'):.{max(0, 2 - power)}f}"
    if plain:
        return f"{mantissa}e{power}"
    return f"{mantissa} × 10{str(power).translate(_SUPERSCRIPT)}"


def unit_text(text: str) -> str:
    """Text of results.json with its units as they are printed.

    Examples
    --------
    >>> unit_text("989 kWh/m2, in spectra/m2.txt")
    '989 kWh/m², in spectra/m2.txt'
    """
    return _POWERS.sub(lambda m: m[1] + m[2].translate(_SUPERSCRIPT), text)


def percent(x: float | None) -> str:
    """A fraction in per cent; what is smaller than 0.01 % is not told apart."""
    if x is None or not math.isfinite(x):
        return NOTHING
    if 0 < abs(x) < 1e-4:
        return "< 0.01 %" if x > 0 else "> -0.01 %"
    return f"{number(100 * x)} %"


def parts(value: Any) -> tuple[float | None, float | None, float | None, str | None]:
    """Value, low, high and bound of a number or an object of results.json."""
    if isinstance(value, Mapping):
        return value["value"], value["low"], value["high"], value["bound"]
    return value, value, value, None


def show(value: Any, *, as_percent: bool = False, plain: bool = False, unit: str = "") -> str:
    """A number of results.json with its range: "0.164 (0.149 to 0.179)".

    Examples
    --------
    >>> show({"value": 0.1635, "low": 0.1493, "high": 0.1794, "bound": None})
    '0.164 (0.149 to 0.179)'
    >>> show({"value": 0.002, "low": 0.0, "high": 0.0021, "bound": "upper"})
    'at most 0.00210'
    """

    def one(x: float | None) -> str:
        return percent(x) if as_percent else number(x, plain=plain)

    middle, low, high, bound = parts(value)
    after = f" {unit}" if unit and middle is not None else ""
    if bound == "upper":
        return f"at most {one(high)}{after}"
    if bound == "lower":
        return f"at least {one(low)}{after}"
    if one(low) != one(high):
        if low is not None and high is None:
            return f"{one(middle)} ({one(low)} or more){after}"
        return f"{one(middle)} ({one(low)} to {one(high)}){after}"
    return one(middle) + after


def spread(values: Iterable[Any]) -> tuple[float, float] | None:
    """Lowest low and highest high of several numbers; None where there is none."""
    triples = [parts(v) for v in values]
    lows = [low for _, low, _, _ in triples if low is not None]
    highs = [high for _, _, high, _ in triples if high is not None]
    return (min(lows), max(highs)) if lows and highs else None


def span(values: Iterable[Any], *, plain: bool = False) -> str:
    """The spread as text: "0.0425 to 0.101"."""
    limits = spread(values)
    if limits is None:
        return "-" if plain else NOTHING
    low, high = (number(x, plain=plain) for x in limits)
    return low if low == high else f"{low} to {high}"


def thickness(nm: float) -> str:
    """A thickness in the unit that keeps it short."""
    for scale, unit in ((1e6, "mm"), (1e3, "µm")):
        if nm >= scale:
            return f"{nm / scale:.4g} {unit}"
    return f"{nm:.4g} nm"


def mount_text(mount: str) -> str:
    """How a filter is mounted, in words."""
    return _MOUNTS.get(mount, mount)


def one_line(text: str) -> str:
    """Without line breaks and tabs."""
    return " ".join(text.split())


# what the numbers mean -----------------------------------------------------------------------


def side_of_one(value: Any) -> str:
    """On which side of 1 a ratio lies with all its range: "below", "above", "both" or "none"."""
    limits = spread([value])
    if limits is None:
        return "none"
    if limits[1] < 1:
        return "below"
    return "above" if limits[0] > 1 else "both"


def weight_text(comparison: Json) -> str:
    """What the first weight means, for the sentence that gives its ratio."""
    weight = comparison["weights"][0]
    low, high = weight["band_nm"]
    flat = weight["slope_nm"] is None and weight["name"].startswith("flat")
    how = "every photon counted alike" if flat else f"weighted with {weight['name']}"
    return f"{low:g}-{high:g} nm, {how}"


def answer(comparison: Json, exposures: Mapping[str, Json], *, plain: bool = False) -> list[str]:
    """The answer of one comparison in sentences, the ratio first."""
    layer = comparison["layer"]
    name = comparison["weights"][0]["name"]
    first = comparison["weighted_ratio"][name]
    over = comparison["over_weights"]
    if parts(first)[0] is None:
        low, high = comparison["weights"][0]["band_nm"]
        return [
            f"Under {comparison['light']} nothing can be compared in {low:g}-{high:g} nm: the "
            "coupon's layer absorbs no photons there."
        ]
    same = comparison["coupon_layer"] == layer
    what = "in the coupon" if same else f"{comparison['coupon_layer']} does in the coupon"
    out = [
        f"Under {comparison['light']}, {layer} absorbs {show(first, plain=plain)} times as many "
        f"photons in the device as {what} ({weight_text(comparison)}, per area)."
    ]
    if len(comparison["weights"]) > 1:
        out.append(
            "With other spectral weights, and over the variants of the light, the ratio is "
            f"{span([over], plain=plain)}."
        )
    out.append(_meaning(over, layer))
    per_volume = comparison["over_weights_per_volume"]
    if comparison["coupon_thickness_nm"] != comparison["device_thickness_nm"]:
        out.append(
            "The layer is not equally thick in both: per volume, which is what counts for damage, "
            f"the ratio is {show(per_volume, plain=plain)}."
        )
    hours = comparison["device_hours_for_coupon_dose"]
    if hours is not None:
        coupon = exposures[comparison["coupon_exposure"]]["hours"]
        out.append(
            f"The device needs {show(hours, plain=plain)} h under its light to absorb, per volume "
            f"of the layer, what the coupon absorbed in {coupon:g} h."
        )
    if comparison["sensitivity"]:
        k = comparison["over_sensitivity"]
        text = f"With k of the layer scaled and tilted, the first ratio is {show(k, plain=plain)}"
        if side_of_one(k) == "both" and side_of_one(over) != "both":
            text += ", on both sides of 1: the optical constants decide the answer"
        out.append(text + ".")
    return out


def _meaning(over: Any, layer: str) -> str:
    side = side_of_one(over)
    if side == "below":
        return (
            f"All of this lies below 1: {layer} received less in the device. As far as damage "
            "follows the absorbed photons, the coupon's curve, hour for hour, ages the device too "
            "fast."
        )
    if side == "above":
        return (
            f"All of this lies above 1: {layer} received more in the device. As far as damage "
            "follows the absorbed photons, the coupon's curve, hour for hour, ages the device too "
            "slowly."
        )
    return "This range holds 1: these data do not say in which of the two the layer received more."


def current_change(row: Json, *, plain: bool = False) -> str:
    """What a filter costs, or gains, in photocurrent."""
    lost, fraction = row["photocurrent_lost_ma_cm2"], row["photocurrent_lost_fraction"]
    if lost is None:
        return "photocurrent unknown"
    value, _, high, _ = parts(lost)
    if value is None:
        return "photocurrent unknown"
    gains = value < 0 and high is not None and high <= 0
    if gains:
        lost, fraction = _negated(lost), _negated(fraction)
    verb = "gains" if gains else "loses"
    share = "" if fraction is None else f" ({_percent_span(fraction)})"
    return f"{verb} {show(lost, plain=plain)} {'mA/cm2' if plain else 'mA/cm²'}{share}"


def _percent_span(fraction: Any) -> str:
    _, low, high, _ = parts(fraction)
    first, last = percent(low), percent(high)
    return first if first == last else f"{first} to {last}"


def _negated(value: Any) -> Any:
    if not isinstance(value, Mapping):
        return None if value is None else -value
    turned = {"upper": "lower", "lower": "upper"}

    def minus(x: float | None) -> float | None:
        return None if x is None else -x

    return {
        "value": minus(value["value"]),
        "low": minus(value["high"]),
        "high": minus(value["low"]),
        "bound": turned.get(value["bound"] or ""),
    }


def left_text(row: Json, band: str, *, plain: bool = False) -> str:
    """What a filter leaves of the dose: "0.100 of the dose"."""
    value = row["dose_left"].get(band)
    if parts(value)[0] is None:
        return f"no dose to compare in {band} nm"
    return f"{show(value, plain=plain)} of the dose"


def best_rows(rows: Sequence[Json], exposure: str, band: str) -> list[Json]:
    """Rows of an exposure that no other beats, least dose first."""
    here = [
        r
        for r in rows
        if r["exposure"] == exposure
        and not r["dominated"]
        and parts(r["dose_left"].get(band))[0] is not None
    ]
    return sorted(here, key=lambda r: float(parts(r["dose_left"][band])[0] or 0.0))


def filters_lead(
    rows: Sequence[Json], exposure: str, light: str, band: str, *, most: int = 200
) -> str:
    """The sentence before the list of the filters worth a look, names cut at ``most`` letters."""
    count = sum(1 for r in rows if r["exposure"] == exposure)
    best = best_rows(rows, exposure, band)
    light, where = _short(light, most), _short(exposure, most)
    if not best:
        return f"Under {light} ({where}) there is no dose to compare in {band} nm."
    costed = any(r["photocurrent_lost_ma_cm2"] is not None for r in best)
    tried = f"Of {count} filters" if count > 1 else "Of the one filter"
    if costed:
        many = f"all {count}" if len(best) == count > 1 else str(len(best))
        stand = (
            f"{many} {'is' if len(best) == 1 else 'are'} not beaten by another in both dose left "
            "and photocurrent lost"
        )
    else:
        stand = "by dose left, as no photocurrent is asked for"
    return f"{tried} under {light} ({where}; {band} nm), {stand}:"


# the terminal --------------------------------------------------------------------------------


def summary_text(result: RunResult) -> str:
    """The findings for a terminal: at most 50 lines of at most 100 columns, the answer first."""
    from optistack.report.data import results_json

    return summarise(results_json(result))


def summarise(data: Json) -> str:
    """As `summary_text`, from the dictionary behind results.json."""
    lines: list[str] = []

    def say(text: str, indent: str = "") -> None:
        lines.extend(
            textwrap.wrap(
                one_line(text),
                WIDTH,
                initial_indent=indent,
                subsequent_indent=indent + ("  " if indent else ""),
            )
        )

    head = data["title"] + (" (invented: describes no real product)" if data["invented"] else "")
    say(_short(head, WIDTH))
    band = data["question"]["headline_band"]
    for i, comparison in enumerate(data["comparisons"][:3]):
        lines.append("")
        sentences = answer(comparison, data["exposures"], plain=True)
        say(" ".join(sentences if i == 0 else sentences[:2]))
        why = comparison["why"].get(band) if band else None
        if why and i == 0:
            say(
                f"Why, in {band} nm: front absorption {number(why['front_absorption'], plain=True)}"
                f" x return from behind {number(why['return_from_behind'], plain=True)}"
                f" x surroundings {number(why['surroundings'], plain=True)}"
                f" = {number(why['ratio'], plain=True)}."
            )
        if i == 0 or comparison["worst_grade"] != data["comparisons"][0]["worst_grade"]:
            say(f"Worst table behind more than 5 % of this: grade {comparison['worst_grade']}.")
    if len(data["comparisons"]) > 3:
        lines.append(f"{len(data['comparisons']) - 3} more comparisons are in results.json.")
    if not data["comparisons"]:
        lines += ["", *_exposure_lines(data)]
    if data["rates"] is not None:
        lines.append("")
        say(rates_lead(data["rates"], plain=True))
        if data["rates"]["device"] is not None and data["rates"]["device"]["set_aside"]:
            aside = [one["specimen"] for one in data["rates"]["device"]["set_aside"]]
            say(f"Set aside, for their loss is not light's: {', '.join(aside)}.")
    if data["electrode"] is not None:
        lines.append("")
        for text in electrode_lines(data["electrode"]):
            say(text)
    if data["site"] is not None:
        lines.append("")
        say(site_lead(data, plain=True))
        if data["plan"] is not None:
            for text in plan_lines(data["plan"]):
                say(text)
    rank = data["filters_ranking_band"]
    if data["filter_choice"] is not None or rank is not None:
        lines.append("")
    if data["filter_choice"] is not None:
        say(filter_choice_lead(data["filter_choice"], plain=True))
    if rank is not None:
        lines += _filter_lines(data, rank, MOST_LINES - len(lines) - 4)
    notes = len(data["notes"])
    closing = [""]
    if notes:
        closing.append(f"{notes} notes on assumptions and doubts are in the report; read them.")
    if any(light["lamp"] for light in data["lights"].values()):
        closing.append("Ultraviolet lamps injure eyes and skin: see the cautions in the report.")
    closing.append("Research estimates, without warranty.")
    return "\n".join([*lines[: MOST_LINES - len(closing)], *closing]) + "\n"


def rates_lead(part: Json, *, plain: bool = False) -> str:
    """What light and temperature predict for the device, and what it does, in a sentence or two."""
    first = part["weights"][0]
    text = (
        f"From absorbed light and temperature the device should age at "
        f"{show(first['rate_factor'], plain=plain)} times the coupon's rate (weight: "
        f"{first['weight']})"
    )
    if part["measured_factor"] is None:
        return text + "; there is no device data to compare with."
    return (
        f"{text}; it ages at {show(part['measured_factor'], plain=plain)} times. Residual factor, "
        f"measured over predicted: {show(first['residual_factor'], plain=plain)}."
    )


def electrode_lines(part: Json) -> list[str]:
    """Lifetimes of every course of the sheet resistance, and warnings of a drop."""
    out = []
    for name, life in part["lives"].items():
        times = ", ".join(
            f"{level} {show(value, plain=True, unit='h')}"
            for level, value in life["lifetimes_h"].items()
        )
        out.append(f"Power, sheet resistance {name}: {times} (start value: {life['start_name']}).")
    first = next(iter(part["lives"].values()), None)
    if first is not None and first["knee"]["warning"]:
        out.append(first["knee"]["warning"])
    return out


def site_lead(data: Json, *, plain: bool = False) -> str:
    """What the layer absorbs in a year at the site, coupon and device, in a sentence or two."""
    part = data["site"]
    key = data["question"]["headline_band"]
    device = part["exposures"][part["device"]]
    if key is None or key not in part["ratio"]:
        key = next(iter(part["ratio"]))
    low, high = part["counted_nm"][key]
    sky = "under a clear sky" if part["climate"] is None else f"by {part['climate']}"
    text = (
        f"In a year at {part['name']}, {sky}, {device['layer']} of the device absorbs "
        f"{show(device['absorbed'][key]['photons_m2'], plain=plain)} photons/m2 in "
        f"{low:g}-{high:g} nm"
    )
    ratio = part["ratio"][key]
    if ratio is None:
        return text + "; the coupon absorbs none."
    over = [v for v in (ratio, *part["weighted_ratio"].values()) if v is not None]
    return (
        f"{text}, {number(ratio, plain=plain)} times what it absorbs in the coupon; over the "
        f"weights {number(min(over), plain=plain)} to {number(max(over), plain=plain)} times."
    )


def filter_choice_lead(part: Json, *, plain: bool = False) -> str:
    """Which filter is best under the service's light, and what another light would choose."""
    best, light = part["best"], part["light"]
    if best is None:
        return f"No candidate filter meets the requirement: {part['requirement']['text']}."
    others = {
        part["exposures"][name]: first
        for name, first in part["first_if_trusted"].items()
        if name != part["exposure"] and first != best["name"]
    }
    facts = []
    if best["family"] is not None:
        dose = parts(best["dose_left"][part["exposure"]][part["counted_by"]])[0]
        lost = parts(best["photocurrent_lost_fraction"])[0]
        facts = [f"dose left {percent(dose)}, current lost {percent(lost)}"]
    if best["t80_years"] is not None:
        bare, middle = (parts(x["t80_years"])[0] for x in (part["unfiltered"], best))
        facts.append(
            f"T80 {number(middle, plain=plain)} years against {number(bare, plain=plain)} without"
            + (", an extrapolation" if part["flags"] else "")
        )
    shown = f" ({', '.join(facts)})" if facts else ""
    text = f"Best of {len(part['candidates'])} filters under {light}: {best['name']}{shown}"
    for other, first in others.items():
        text += f"; under {other}: {first}"
    return text + "."


def plan_lines(part: Json) -> list[str]:
    """How many lamp hours equal a site year."""
    return [
        f"{s[:1].upper()}{s[1:]}."
        for s in part["lamp_years"]["sentences"]
        if s.startswith("device") or len(part["lamp_years"]["sentences"]) == 1
    ]


def _short(text: str, width: int) -> str:
    return _cut(one_line(text), width)


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 3].rstrip() + "..."


def _exposure_lines(data: Json) -> list[str]:
    layer, band = data["question"]["layer"], data["question"]["headline_band"]
    if band is None:
        return ["No light shines in the bands asked for."]
    out = [_short(f"Photons that {layer} absorbs in {band} nm:", WIDTH)]
    for name, exposure in list(data["exposures"].items())[:12]:
        asked = next((x for x in exposure["layers"] if x["asked"]), None)
        if asked is None:
            continue
        rate = show(asked["absorbed_photons_m2_s"][band], plain=True)
        dose = show(asked["absorbed_photon_dose_m2"][band], plain=True)
        out.append(f"  {_short(name, 30):30}  {_short(rate + ' /(m2 s)', 44)}")
        after = f"{dose} /m2 in {exposure['hours']:g} h"
        out.append(f"  {'':30}  {_short(after, 60)}")
    return out


_CURRENTS = ("photocurrent_lost_ma_cm2", "photocurrent_lost_fraction")


def _middle(value: Any) -> Any:
    return None if value is None else parts(value)[0]


def _filter_lines(data: Json, band: str, room: int) -> list[str]:
    rows = data["filters"]
    exposures = list(dict.fromkeys(r["exposure"] for r in rows))
    out: list[str] = []
    # Two lines say which light, one that there is more.
    each = max(1, room // max(1, len(exposures)) - 3)
    for exposure in exposures:
        light = next(r["light"] for r in rows if r["exposure"] == exposure)
        lead = filters_lead(rows, exposure, light, band, most=44)
        out += textwrap.wrap(one_line(lead), WIDTH)
        best = best_rows(rows, exposure, band)
        for row in best[:each]:
            label = _short(f"{row['name']} ({mount_text(row['mount'])})", 38)
            text = left_text(row, band, plain=True).replace(" of the dose", " left")
            if row["photocurrent_lost_ma_cm2"] is not None:
                middle = {k: _middle(row[k]) for k in _CURRENTS}
                text += f", {current_change(middle, plain=True)}"
            out.append(_cut(f"  {label:38}  {text}", WIDTH))
        if len(best) > each:
            out.append(f"  and {len(best) - each} more, see the table of filters")
    return out[: max(room, 0)]
