"""Numbers as strict JSON takes them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from optistack.value import Value

Json = dict[str, Any]


def as_json(value: Value | None) -> Any:
    """A number, or value, low, high and bound; None where there is no number."""
    return None if value is None else value.to_json()


def finite(x: float | None) -> float | None:
    """A number; None where it is not finite."""
    return float(x) if x is not None and math.isfinite(x) else None


def finite_list(values: ArrayLike) -> list[float | None]:
    """An array as a list, None where a number is not finite."""
    return [finite(x) for x in np.asarray(values, dtype=float).tolist()]
