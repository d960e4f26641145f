"""The page: from the coupon's rate to the device's."""

from __future__ import annotations

from collections.abc import Mapping
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
from optistack.report.wording import NOTHING, number, percent, rates_lead, show

if TYPE_CHECKING:
    from optistack.report.pictures import Drawn


def rates_section(data: Json, drawn: Mapping[str, Drawn]) -> str:
    part = data["rates"]
    if part is None:
        return ""
    flags = [f"Take care: {f}." for f in part["flags"]]
    out = [
        paragraph(rates_lead(part), "lead"),
        bullets([s for s in part["sentences"] if s not in flags]),
        bullets(flags, "notes"),
        _weights(part),
        _parameters(part),
        figures(
            figure(
                drawn,
                "factors",
                "Predicted and measured rate, device over coupon.",
                "Where the band of the measured rate meets a line, light and temperature alone can "
                "explain the difference under that weight. Left of 1 the device ages slower.",
            ),
            figure(
                drawn,
                "kinetics",
                "The coupon's curve.",
                "Above: what is left of each specimen against dose. Below: residuals of the best "
                "law; a pattern in them would say that no law follows the curve.",
            ),
            figure(
                drawn,
                "activation",
                "Which wavelengths harm.",
                f"Per photon absorbed in the layer, under {_source(part)} only; with another "
                "light, layer or stack it is an assumption.",
            ),
            figure(
                drawn,
                "course",
                "Sheet resistance over time.",
                "The coupon's curve hour for hour, and corrected to the device by absorbed light "
                "and temperature; the residual factor is not in it.",
            ),
        ),
        _laws(part),
        _hours(part),
    ]
    if part["activation"] is not None:
        out += ["<h3>Which wavelengths harm</h3>", bullets(part["activation"]["sentences"])]
    out.append(_set_aside(part))
    return "".join(out)


def _source(part: Json) -> str:
    return str(part["activation"]["source"]) if part["activation"] is not None else ""


def _weights(part: Json) -> str:
    rows = [
        [
            safe(c["weight"]),
            value_cell(c["absorbed_ratio_per_volume"]),
            value_cell(c["rate_factor"]),
            value_cell(c["residual_factor"]),
            safe(c["verdict"] or NOTHING),
        ]
        for c in part["weights"]
    ]
    return table(
        "Device over coupon, for every spectral weight",
        [
            "weight",
            "absorbed photons per volume",
            "rate by light and temperature",
            "residual factor",
            "does optics explain the difference?",
        ],
        rows,
    )


def _parameters(part: Json) -> str:
    def row(name: str, known: Json, unit: str) -> list[str]:
        tested = known["tested"]
        between = NOTHING if tested is None else f"{number(tested[0])} to {number(tested[1])}{unit}"
        return [name, safe(known["how"]), value_cell(known["value"]), between]

    rows = [row("reciprocity exponent p", part["reciprocity_exponent"], "")]
    if part["activation_energy_kj_mol"]["how"] != "assumed":
        rows.append(row("activation energy (kJ/mol)", part["activation_energy_kj_mol"], " K"))
    rows.append(["temperature factor", "", value_cell(part["temperature_factor"]), NOTHING])
    return table(
        "What the correction rests on", ["", "how known", "value", "tested between"], rows, words=2
    )


def _laws(part: Json) -> str:
    rows = [
        [
            safe(m["law"]),
            safe(m["formula"]),
            number(m["aicc_behind_best"]),
            percent(m["weight"]),
            safe(", ".join(f"{name} {show(v)}" for name, v in m["parameters"].items()) or NOTHING),
        ]
        for m in part["coupon"]["laws"]
    ]
    return table(
        "Laws fitted to the coupons, the best first",
        ["law", "share left", "AICc above the best", "weight", "parameters"],
        rows,
        words=2,
    )


def _hours(part: Json) -> str:
    rows = [
        [
            percent(float(level)),
            value_cell(v["coupon"]),
            value_cell(v["device"]),
            value_cell(v["device_all_weights"]),
        ]
        for level, v in part["hours_to_share"].items()
    ]
    return table(
        "Hours until this share is left, light and what needs no light together",
        ["left", "coupon (h)", "device, first weight (h)", "device, all weights (h)"],
        rows,
    )


def _set_aside(part: Json) -> str:
    items = [
        f"{one['specimen']}: {one['reason']}"
        for side in ("coupon", "device")
        if part[side] is not None
        for one in part[side]["set_aside"]
    ]
    if not items:
        return ""
    return "<h3>Set aside: not light's doing</h3>" + bullets(items)
