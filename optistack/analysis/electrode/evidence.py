"""Which model the curves support, and how strongly."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from optistack.analysis.electrode.fit import Extra, ModelFit
from optistack.errors import OptistackError

Real = NDArray[np.float64]

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
        adequate = bool(special.chdtrc(max(worth - best.free, 1.0), chi) > 1e-3)
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


def weigh(fits: list[ModelFit], current_sd: float | None) -> list[ModelFit]:
    """AICc of models of the same readings, on what the readings are really worth.

    Residuals of neighbouring readings that are alike (lag-one correlation rho, from the model that
    fits best) carry the information of n (1 - rho) / (1 + rho) independent ones.
    """
    best = min(fits, key=lambda f: f.residual_rms_ma_cm2)
    rho = _correlation(best.residuals)
    n = best.points
    worth = n * (1.0 - rho) / (1.0 + rho) if rho > 2.0 / math.sqrt(n) else float(n)
    most = max(f.free for f in fits)
    if worth <= most + 1:
        # AICc has no value here; the evidence is stated as none.
        worth = most + 2.0
    out = []
    for f in fits:
        squares = f.residual_rms_ma_cm2**2 * n
        misfit = (
            worth * math.log(squares / n)
            if current_sd is None
            else squares / current_sd**2 * worth / n
        )
        k = f.free
        aicc = misfit + 2 * k + 2 * k * (k + 1) / (worth - k - 1)
        variance = best.residual_rms_ma_cm2**2 if current_sd is None else current_sd**2
        out.append(replace(f, effective_points=worth, chi_squared=squares / variance, aicc=aicc))
    return out


def likelihood_ratio(plain: ModelFit, richer: ModelFit, current_sd: float | None) -> float:
    """Twice the gain in log likelihood, on effective readings."""
    worth = richer.effective_points
    a, b = plain.residual_rms_ma_cm2**2, richer.residual_rms_ma_cm2**2
    if current_sd is None:
        return worth * math.log(a / b)
    return (a - b) / current_sd**2 * worth


def boundary_p_value(ratio: float, terms: int) -> float:
    """Chance of such a ratio when ``terms`` non-negative terms are all zero.

    Each term is at its limit in half of the cases: a binomial mixture of chi-squared laws (S. G.
    Self and K.-Y. Liang, J. Am. Stat. Assoc. 82 (1987) 605; reference from memory).
    """
    if ratio <= 0:
        return 1.0
    return float(
        sum(
            math.comb(terms, j) * 0.5**terms * special.chdtrc(j, ratio) for j in range(1, terms + 1)
        )
    )


def _correlation(residuals: tuple[Real, ...]) -> float:
    together, alone = 0.0, 0.0
    for row in residuals:
        r = row[np.isfinite(row)]
        together += float(r[1:] @ r[:-1])
        alone += float(r @ r)
    return min(max(together / alone, 0.0), 0.98) if alone > 0 else 0.0
