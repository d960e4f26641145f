"""How well the factors of a rate are known, and how their errors add up.

Errors found from data add in quadrature, in logarithms; ranges that were only stated (a lamp's
variants, an assumed exponent) add in full, because nothing says that they average out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np

from optistack.errors import OptistackError
from optistack.value import Value

Known = Literal["assumed", "stated", "fitted"]


@dataclass(frozen=True)
class Knowledge:
    """A parameter of the rate law, and how it is known.

    Attributes
    ----------
    value : Value
    how : "assumed", "stated" or "fitted"
        "fitted": ``low`` and ``high`` are a 95 % interval. "stated": a range. "assumed": a default
        that nobody has measured.
    tested : (float, float) or None
        Range of the quantity that was varied in the fit (absorbed rates, or temperatures [K]).
    notes : tuple of str
    """

    value: Value
    how: Known = "stated"
    tested: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        v = self.value
        if not (np.isfinite(v.value) and v.low <= v.value <= v.high):
            raise OptistackError(
                f"{v.value:g} ({v.low:g} to {v.high:g}) is not a value inside its range"
            )


def stated(value: float, low: float | None = None, high: float | None = None) -> Knowledge:
    """A parameter given with a range, or without.

    Examples
    --------
    >>> stated(0.8, 0.6, 1.0).value.format()
    '0.8 (0.6 to 1)'
    """
    return Knowledge(Value(value, value if low is None else low, value if high is None else high))


PROPORTIONAL = Knowledge(Value(1.0, 1.0, 1.0), "assumed")


class Terms(NamedTuple):
    """A logarithm: value, 95 % error from data (down, up) and stated range (down, up)."""

    value: float
    error: tuple[float, float] = (0.0, 0.0)
    span: tuple[float, float] = (0.0, 0.0)

    def plus(self, other: Terms, sign: float = 1.0) -> Terms:
        """Sum or difference: errors in quadrature, ranges in full."""
        e, s = other.error, other.span
        if sign < 0:
            e, s = e[::-1], s[::-1]
        return Terms(
            self.value + sign * other.value,
            (float(np.hypot(self.error[0], e[0])), float(np.hypot(self.error[1], e[1]))),
            (self.span[0] + s[0], self.span[1] + s[1]),
        )

    def to_value(self) -> Value:
        """Back from the logarithm."""
        with np.errstate(over="ignore"):
            low = float(np.exp(self.value - self.error[0] - self.span[0]))
            high = float(np.exp(self.value + self.error[1] + self.span[1]))
        bound: Any = None
        if low == 0 and np.isfinite(high):
            bound = "upper"
        elif low > 0 and not np.isfinite(high):
            bound = "lower"
        return Value(float(np.exp(self.value)), low, high, bound)


def log_terms(v: Value, *, fitted: bool) -> Terms:
    with np.errstate(divide="ignore"):
        down = float(np.log(v.value) - np.log(v.low))
        up = float(np.log(v.high) - np.log(v.value))
    return (
        Terms(float(np.log(v.value)), (down, up))
        if fitted
        else Terms(float(np.log(v.value)), span=(down, up))
    )


def scaled(known: Knowledge, by: float) -> Terms:
    """A parameter times a number, as a term of a logarithm."""
    v = known.value
    parts = (abs(by) * (v.value - v.low), abs(by) * (v.high - v.value))
    if by < 0:
        parts = parts[::-1]
    if known.how == "fitted":
        return Terms(by * v.value, error=parts)
    return Terms(by * v.value, span=parts)
