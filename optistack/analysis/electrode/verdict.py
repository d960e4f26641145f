"""Which model the curves support, and how strongly."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from scipy.stats import chi2

from optistack.analysis.electrode.fit import (
    Extra,
    ModelFit,
    boundary_p_value,
    likelihood_ratio,
)
from optistack.errors import OptistackError

# Bulk terms are what (b) stands for; the shunt stands beside them.
BULK: tuple[Extra, ...] = ("collection", "transport")
LABEL: Mapping[Extra, str] = {
    "none": "measured sheet resistance alone",
    "collection": "and field-dependent collection",
    "transport": "and a bulk or contact resistance",
    "shunt": "and a shunt",
}


class Verdict(NamedTuple):
    """Which of (a) and (b) the curves support.

    Attributes
    ----------
    favoured : str
        "sheet resistance alone", "an extra bulk term", "a shunt" or "undecided".
    strength : str
        "none", "weak", "considerable" or "strong".
    bulk : Extra
        The better of the bulk terms.
    delta_aicc : float
        AICc of (a) less that of (b): positive speaks for (b).
    evidence_ratio : float
        exp(delta / 2).
    likelihood_ratio : float
    p_value : float
        Chance of such a ratio without any bulk term.
    adequate : bool or None
        Whether the best model describes the curves within the stated noise; None when none was
        stated.
    sentence : str
    """

    favoured: str
    strength: str
    bulk: Extra
    delta_aicc: float
    evidence_ratio: float
    likelihood_ratio: float
    p_value: float
    adequate: bool | None
    sentence: str


def verdict_of(fits: Mapping[Extra, ModelFit], current_sd: float | None, terms: int) -> Verdict:
    """Compare (a) with the better bulk term; ``terms`` is the number of aged curves."""
    plain = fits["none"]
    bulk = [fits[name] for name in BULK if name in fits]
    if not bulk:
        raise OptistackError("at least one of 'collection' and 'transport' is needed")
    rich = min(bulk, key=lambda f: f.aicc)
    delta = plain.aicc - rich.aicc
    ratio = likelihood_ratio(plain, rich, current_sd)
    p_value = boundary_p_value(ratio, terms)
    size = abs(delta)
    strength = (
        "none" if size < 2 else "weak" if size < 6 else "considerable" if size < 10 else "strong"
    )
    favoured = (
        "undecided" if size < 2 else "an extra bulk term" if delta > 0 else "sheet resistance alone"
    )
    adequate: bool | None = None
    best = min(fits.values(), key=lambda f: f.aicc)
    if current_sd is not None:
        worth = best.effective_points
        # On effective readings, so that correlated residuals do not condemn a model twice.
        chi = best.chi_squared * worth / best.points
        adequate = bool(chi2.sf(chi, max(worth - best.free, 1.0)) > 1e-3)
    bulk_name = LABEL[rich.name].removeprefix("and ")
    if delta >= 2:
        words = f"AICc favours {bulk_name} over the sheet alone by {delta:.1f}"
    elif delta > -2:
        words = f"AICc of the sheet alone and with {bulk_name} differs by {size:.1f}"
    else:
        words = f"AICc favours the measured sheet resistance alone by {-delta:.1f}"
    number = (
        f"{words} (likelihood ratio {ratio:.1f}, p = {p_value:.2g}, {plain.effective_points:.0f} "
        "effective readings)"
    )
    shunt = fits.get("shunt")
    if shunt is not None and min(plain.aicc, rich.aicc) - shunt.aicc >= 2:
        favoured = "a shunt"
        lead = (
            "The curves call for an extra term, and it is a shunt rather than a bulk term (AICc "
            f"lower by {rich.aicc - shunt.aicc:.1f}). Without it"
        )
    elif favoured == "undecided":
        lead = "The curves do not decide between the sheet alone and an extra bulk term"
    elif favoured == "an extra bulk term":
        lead = f"The curves call for an extra bulk term ({strength} support)"
    else:
        lead = f"The curves call for no extra bulk term ({strength} support)"
    sentence = f"{lead}: {number}."
    others = [f for f in bulk if f is not rich]
    if delta >= 2 and others and others[0].aicc - rich.aicc < 2:
        sentence += " Which bulk term it is, collection or resistance, they do not say."
    if adequate is False:
        sentence += (
            " None of the models describes the curves within the stated noise, so this compares "
            "poor descriptions."
        )
    return Verdict(
        favoured,
        strength,
        rich.name,
        float(delta),
        float(math.exp(min(size, 1400.0) / 2)),
        float(ratio),
        p_value,
        adequate,
        sentence,
    )
