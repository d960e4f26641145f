"""How well the factors of a rate are known, and how their errors add up.

Errors found from data add in quadrature, in logarithms; ranges that were only stated (a lamp's
variants, an assumed exponent) add in full, because nothing says that they average out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Known = Literal["assumed", "stated", "fitted"]

# A film of which less is left is gone, whatever a law says.
LEAST_SHARE = 1e-3
# A law of rates is not trusted further than this from the intensities it was tested at.
FAR_INTENSITY = 10.0
_OPEN = 1e15


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
        # Factors beyond this are open ends, not numbers.
        low, high = (0.0 if low < 1 / _OPEN else low), (np.inf if high > _OPEN else high)
        bound: Any = None
        if low == 0 and np.isfinite(high):
            bound = "upper"
        elif low > 0 and not np.isfinite(high):
            bound = "lower"
        return Value(float(np.exp(self.value)), low, high, bound)


def log_terms(v: Value, *, fitted: bool) -> Terms:
    """Logarithm of a value; its range an error from data (fitted) or a stated span."""
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


_SHEET = ("sheet_resistance_ohm_sq", "sheet_conductance_s_sq")


def require_resistance(quantity: str) -> None:
    """Refuse to speak of resistance where a curve is one of something else."""
    if quantity not in _SHEET:
        raise OptistackError(f"the coupon's curve is one of {quantity}, not of sheet resistance")


@dataclass(frozen=True, eq=False)
class ResistanceCourse:
    """Sheet resistance against time with its interval.

    Attributes
    ----------
    time_h : (time,) array [h]
    sheet_resistance_ohm_sq, low_ohm_sq, high_ohm_sq : (time,) arrays [ohm/sq]
        Finite: a film that is gone stands with a thousand times its start value.
    notes : tuple of str
    """

    time_h: Real
    sheet_resistance_ohm_sq: Real
    low_ohm_sq: Real
    high_ohm_sq: Real
    notes: tuple[str, ...] = ()

    @classmethod
    def of(
        cls, time_h: ArrayLike, share: tuple[Real, Real, Real], start_ohm_sq: float | Value
    ) -> ResistanceCourse:
        """From shares of the conductance left (value, low, high) and the start value.

        Raises
        ------
        OptistackError
            A start value that is not positive.
        """
        start = start_ohm_sq if isinstance(start_ohm_sq, Value) else Value.of(start_ohm_sq)
        if not (0 < start.low <= start.value <= start.high < np.inf):
            raise OptistackError(f"start_ohm_sq: {start.format()} ohm/sq is no positive resistance")
        value, low, high = share
        notes = []
        if low.min(initial=1.0) <= LEAST_SHARE * (1 + 1e-9):
            notes.append(
                f"sheet resistance is given up to {1 / LEAST_SHARE:g} times the start; there and "
                "beyond the film is gone"
            )
        return cls(
            np.atleast_1d(np.array(time_h, dtype=float)),
            start.value / value,
            start.low / high,
            start.high / low,
            tuple(notes),
        )

    def to_frame(self) -> pd.DataFrame:
        """One row per time."""
        import pandas as pd

        names = ("time_h", "sheet_resistance_ohm_sq", "low_ohm_sq", "high_ohm_sq")
        return pd.DataFrame({name: getattr(self, name) for name in names})

    def plot(self, ax: Any = None) -> Any:
        """Sheet resistance against time with its interval, on a matplotlib Axes."""
        ax = axes(ax)
        ax.plot(self.time_h, self.sheet_resistance_ohm_sq)
        ax.fill_between(self.time_h, self.low_ohm_sq, self.high_ohm_sq, alpha=0.2, lw=0)
        ax.set_yscale("log")
        ax.set_xlabel("time (h)")
        ax.set_ylabel("sheet resistance (ohm/sq)")
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))
