"""The page: what the resistance rise does to the cell."""

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
from optistack.report.wording import NOTHING, number, percent

if TYPE_CHECKING:
    from optistack.report.pictures import Drawn


def electrode_section(data: Json, drawn: Mapping[str, Drawn]) -> str:
    part = data["electrode"]
    if part is None:
        return ""
    out = [bullets(part["sentences"])]
    out += [_life(name, life) for name, life in part["lives"].items()]
    out.append(_lifetimes(part))
    out.append(
        figures(
            figure(
                drawn,
                "knee",
                "Power against sheet resistance.",
                "The line is flat first and steep later: doublings of the sheet resistance that "
                "cost little at the start cost most of the power near its end. Extrapolating the "
                "flat part is not valid.",
            ),
            figure(
                drawn,
                "life",
                "Power over time.",
                "Shaded: the range of the sheet resistance. Only the sheet resistance changes; "
                "photocurrent, diode and contacts stay.",
            ),
            figure(
                drawn,
                "pitch",
                "Finger pitch.",
                "Under the constant light of the cell's photocurrent; dots mark the best of each.",
            ),
            figure(
                drawn,
                "cause",
                "Is it the electrode?",
                "Where the dots lie on the line, the measured sheet resistance alone explains the "
                "loss.",
            ),
        )
    )
    if part["pitch"] is not None:
        out += ["<h3>Which finger pitch</h3>", bullets(part["pitch"]["sentences"])]
    if part["diagnosis"] is not None:
        out += [
            "<h3>Is it the electrode?</h3>",
            bullets(part["diagnosis"]["sentences"]),
            _models(part["diagnosis"]),
        ]
    if part["line_profile"] is not None:
        out += ["<h3>The line profile</h3>", paragraph(part["line_profile"]["sentence"])]
    out.append(_start(part))
    return "".join(out)


def _life(name: str, life: Json) -> str:
    text = [s for s in life["sentences"] if s != life["knee"]["warning"]]
    warning = life["knee"]["warning"]
    return (
        f"<h3>{safe(name[:1].upper() + name[1:])}</h3>"
        + (paragraph(warning, "invented") if warning else "")
        + bullets(text)
    )


def _lifetimes(part: Json) -> str:
    if not part["lives"]:
        return ""
    levels = list(next(iter(part["lives"].values()))["lifetimes_h"])
    rows = []
    for name, life in part["lives"].items():
        knee = life["knee"]
        rows.append(
            [
                safe(name),
                safe(life["start_name"]),
                *(value_cell(life["lifetimes_h"][level]) for level in levels),
                percent(knee["power_share"]),
                number(knee["elasticity"]),
                number(knee["doublings_left"].get("T80")),
            ]
        )
    return table(
        "Lifetimes from the start named, and where the series ends",
        [
            "sheet resistance",
            "start value",
            *(f"{safe(level)} (h)" for level in levels),
            "power left at the end",
            "d ln P / d ln R at the end",
            "doublings before T80",
        ],
        rows,
        words=2,
    )


def _models(found: Json) -> str:
    rows = []
    least = found["models"][0]["aicc"]
    for model in found["models"]:
        last, sd = model["extra"][-1], model["extra_sd"][-1]
        rows.append(
            [
                safe(
                    "sheet resistance only"
                    if model["extra_term"] == "none"
                    else f"with {model['extra_term']}"
                ),
                number(None if model["aicc"] is None else model["aicc"] - least),
                NOTHING
                if model["extra_term"] == "none"
                else f"{number(last)} ± {number(sd)} {safe(model['unit'])}",
                f"{number(model['residual_rms_ma_cm2'])}",
            ]
        )
    return table(
        "Models of the J-V curves, the best first (AICc: a difference below 2 decides nothing)",
        ["model", "AICc above the best", "extra term, last curve", "residual (mA/cm²)"],
        rows,
    )


def _start(part: Json) -> str:
    start, cell, geometry = part["start"], part["cell"], part["geometry"]
    words = {
        "parallel_fingers": "parallel fingers",
        "one_edge": "contact on one edge",
        "square_pad": "square pad, contacted along its rim",
        "busbar_and_fingers": "busbars and fingers",
    }
    size = next(
        (
            f"{name} {number(geometry[key])} mm"
            for key, name in (
                ("pitch_mm", "pitch"),
                ("finger_pitch_mm", "finger pitch"),
                ("length_mm", "length"),
                ("side_mm", "side"),
            )
            if key in geometry
        ),
        "",
    )
    return table(
        f"The cell at the start: {words[geometry['kind']]}, {size}, "
        f"{number(part['start_sheet_resistance_ohm_sq'])} ohm/sq, ideality "
        f"{number(cell['ideality'])}",
        ["", "Jsc (mA/cm²)", "Voc (V)", "fill factor", "power (mW/cm²)"],
        [
            [
                "at the start",
                *(
                    value_cell(start[k])
                    for k in ("jsc_ma_cm2", "voc_v", "fill_factor", "power_mw_cm2")
                ),
            ]
        ],
    )
