"""How well n and k of a material are known, by the grade of its table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


class MaterialTolerance(NamedTuple):
    """How well n and k of a material are known, one standard deviation each.

    ``n_shift``: added to n (times n where n < 1). ``k_log``: of the logarithm of k. ``k_tilt``: of
    t in exp(t (wavelength - 340 nm) / 40 nm).
    """

    n_shift: float
    k_log: float
    k_tilt: float


# A judgement, not a measurement: what a table of each grade may be off by for one's own film.
BY_GRADE: Mapping[str, MaterialTolerance] = {
    "A": MaterialTolerance(0.01, 0.05, 0.03),
    "B": MaterialTolerance(0.02, 0.15, 0.08),
    "C": MaterialTolerance(0.04, 0.30, 0.15),
    "D": MaterialTolerance(0.06, 0.50, 0.30),
}
