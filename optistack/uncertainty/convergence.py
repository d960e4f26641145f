"""How well a mean and the ends of an interval are known from so many draws."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.uncertainty.streams import SCRAMBLES, Method

Real = NDArray[np.float64]

STATISTICS = ("mean", "low", "high")
_FIRST = 64
# Points of each scrambled sequence with which a spread among sequences begins to mean something.
_FEWEST_POINTS = 16


class Estimate(NamedTuple):
    """One number as the first ``draws`` draws give it, with its standard error.

    ``statistic``: "mean", or "low" and "high", the ends of the interval.
    """

    draws: int
    statistic: str
    value: float
    standard_error: float


def estimates(
    values: Real, positions: NDArray[np.intp] | None, method: Method, confidence: float
) -> tuple[Estimate, ...]:
    """Mean and interval from 64, 128, ... and all draws.

    Parameters
    ----------
    values : (draw,) array
    positions : (draw,) array of int, optional
        Number of each draw in its stream, where some are left out.
    method : "random" or "sobol"
    confidence : float

    Notes
    -----
    Random draws: s / sqrt(N) for the mean; for a quantile half the distance of the two draws whose
    ranks are one binomial standard deviation below and above it (H. A. David, H. N. Nagaraja, Order
    Statistics, 3rd ed., Wiley 2003, ch. 7; from memory). Sobol draws are not independent: each of
    the scrambled sequences gives its own number, and their scatter over the square root of their
    number is the standard error (A. B. Owen, J. Complexity 14 (1998) 466; from memory). Eight
    sequences know it to about a quarter.
    """
    tail = (1 - confidence) / 2
    first = _FIRST if method == "random" else SCRAMBLES * _FEWEST_POINTS
    counts = []
    while first < values.size:
        counts.append(first)
        first *= 2
    out = []
    for count in (*counts, values.size):
        some = values[:count]
        low, high = np.quantile(some, [tail, 1 - tail])
        if method == "random":
            errors = _random_errors(some, tail)
        else:
            own = np.arange(count) if positions is None else positions[:count]
            errors = _sequence_errors(some, own % SCRAMBLES, tail)
        found = (float(some.mean()), float(low), float(high))
        out += [Estimate(count, *one) for one in zip(STATISTICS, found, errors, strict=True)]
    return tuple(out)


def _random_errors(values: Real, tail: float) -> tuple[float, ...]:
    count = values.size
    out = [float(values.std(ddof=1) / np.sqrt(count))]
    ordered = np.sort(values)
    off = np.sqrt(count * tail * (1 - tail))
    for share in (tail, 1 - tail):
        below = max(int(np.floor(count * share - off)), 0)
        above = min(int(np.ceil(count * share + off)), count - 1)
        out.append(float(ordered[above] - ordered[below]) / 2)
    return tuple(out)


def _sequence_errors(values: Real, sequence: NDArray[np.intp], tail: float) -> tuple[float, ...]:
    parts = [values[sequence == i] for i in range(SCRAMBLES)]
    parts = [part for part in parts if part.size]
    found = np.array([[p.mean(), *np.quantile(p, [tail, 1 - tail])] for p in parts])
    return tuple((found.std(axis=0, ddof=1) / np.sqrt(len(parts))).tolist())
