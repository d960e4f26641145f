"""A number, its range, and whether it is only a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

# Standard deviations from the middle to the ends of a 95 % interval of a normal number.
NORMAL_95 = 1.959963984540054

Bound = Literal["upper", "lower"]


@dataclass(frozen=True)
class Value:
    """A number with the range it has over what is not known.

    Attributes
    ----------
    value : float
    low, high : float
        Equal to ``value`` where nothing varies.
    bound : "upper", "lower" or None
        "upper": the number is an upper limit.
    """

    value: float
    low: float
    high: float
    bound: Bound | None = None

    @classmethod
    def of(cls, values: ArrayLike, bound: Bound | None = None) -> Value:
        """From the central value first and the values for other cases after it."""
        array = np.atleast_1d(np.asarray(values, dtype=float))
        return cls(float(array[0]), float(array.min()), float(array.max()), bound)

    @property
    def has_range(self) -> bool:
        """Whether low and high differ from the value by more than rounding."""
        if not (math.isfinite(self.low) and math.isfinite(self.high)):
            return self.low < self.high
        tiny = 1e-9 * max(abs(self.low), abs(self.high))
        return self.high - self.low > tiny

    def to_json(self) -> Any:
        """A plain number, or an object where there is a range or a limit."""
        if not self.has_range and self.bound is None:
            return _finite(self.value)
        return {
            "value": _finite(self.value),
            "low": _finite(self.low),
            "high": _finite(self.high),
            "bound": self.bound,
        }

    def format(self, digits: int = 3, *, percent: bool = False) -> str:
        """For screens: "0.412 (0.37-0.45)", "at most 0.02"."""

        def one(x: float) -> str:
            if not math.isfinite(x):
                return "-"
            return f"{short(100 * x, digits)} %" if percent else short(x, digits)

        if self.bound == "upper":
            return f"at most {one(self.high)}"
        if self.bound == "lower":
            return f"at least {one(self.low)}"
        if self.has_range and not math.isfinite(self.high):
            return f"{one(self.value)} ({one(self.low)} or more)"
        if self.has_range and (one(self.low) != one(self.high)):
            return f"{one(self.value)} ({one(self.low)} to {one(self.high)})"
        return one(self.value)


def _finite(x: float) -> float | None:
    return x if math.isfinite(x) else None


def short(x: float, digits: int = 3) -> str:
    """A number with so many significant digits, without a power of ten where none is needed.

    Examples
    --------
    >>> short(2260.4), short(0.012345), short(98765.0, 2), short(1.5e7)
    ('2260', '0.0123', '99000', '1.5e+07')
    """
    text = f"{x:.{digits}g}"
    if "e" not in text or not 1 <= abs(x) < 1e6:
        return text
    return f"{float(text):.0f}"
