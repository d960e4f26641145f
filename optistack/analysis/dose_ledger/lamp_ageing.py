"""How a lamp, or the meter that it is set by, changes between calibrations."""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

from optistack.analysis.dose_ledger.entries import MICROSECONDS_PER_H, in_utc, moment, ticks
from optistack.analysis.dose_ledger.log_file import moment_from_text, time_zone
from optistack.errors import OptistackError, TableError
from optistack.series_file import header_lines, named_rows
from optistack.tables import read_text

Kind = Literal["output", "reading", "held"]
AXES = ("lamp_hours", "date")
# Column of a file, and what it makes the factor.
FACTORS: dict[str, Kind] = {"output_factor": "output", "reading_factor": "reading"}


@dataclass(frozen=True)
class LampAgeing:
    """A factor on the set point of a lamp, linear between the rows of a table.

    Attributes
    ----------
    kind : "output", "reading" or "held"
        "output": an open-loop lamp; the factor is its irradiance over the set point. "reading": a
        meter that drifts; the factor is the true irradiance over the one it reads, for lamps with
        or without feedback. "held": feedback holds the set point; there is no table.
    lamp_hours : tuple of float [h]
        Where the table is against hours of burning. Else:
    dates : tuple of datetime
        With their offset from UTC.
    factors : tuple of float
    hours_before : float [h]
        What the lamp had burned before the log; for logs without ``lamp_hours``.
    outside : "refuse" or "hold"
        Outside the table: refuse, or hold its end value, with a note.
    name : str

    Raises
    ------
    OptistackError
        Not exactly one axis, one that does not increase, a factor that is not positive.

    Examples
    --------
    >>> lamp = LampAgeing("output", lamp_hours=(0, 1000), factors=(1.0, 0.8))
    >>> print(lamp.factor_at_hours(250))
    0.95
    """

    kind: Kind
    lamp_hours: tuple[float, ...] = ()
    dates: tuple[datetime, ...] = ()
    factors: tuple[float, ...] = ()
    hours_before: float = 0.0
    outside: Literal["refuse", "hold"] = "refuse"
    name: str = "ageing table"
    _points: tuple[Fraction, ...] = field(default=(), init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        for name in ("lamp_hours", "dates", "factors"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        fault = self._fault()
        if fault:
            raise OptistackError(f"{self.name}: {fault}")
        if self.dates:
            object.__setattr__(self, "dates", tuple(in_utc(d, "date") for d in self.dates))
        points = self._axis()
        if any(b <= a for a, b in zip(points, points[1:], strict=False)):
            axis = "dates" if self.dates else "lamp_hours"
            raise OptistackError(f"{self.name}: {axis} must increase")
        object.__setattr__(self, "_points", points)

    def _fault(self) -> str:
        """What is wrong with the fields, one by one; empty where nothing is."""
        if self.kind not in ("output", "reading", "held"):
            return f"kind {self.kind!r} is not one of output, reading, held"
        if self.outside not in ("refuse", "hold"):
            return f"outside {self.outside!r} is not refuse or hold"
        if not (math.isfinite(self.hours_before) and self.hours_before >= 0):
            return f"hours_before {self.hours_before:g} must not be negative"
        rows = self.lamp_hours or self.dates
        if self.kind == "held":
            drift = "a drift of its meter is of kind reading"
            return f"a lamp held at its set point has no factor; {drift}" if self.factors else ""
        if bool(self.lamp_hours) == bool(self.dates):
            return "needs either lamp_hours or dates"
        if len(self.factors) != len(rows) or len(rows) < 2:
            return "needs at least two rows, and a factor for each"
        for factor in self.factors:
            if not (math.isfinite(factor) and factor > 0):
                return f"factor {factor:g} must be positive"
        if not all(math.isfinite(h) and h >= 0 for h in self.lamp_hours):
            return "lamp_hours must not be negative"
        return ""

    def _axis(self) -> tuple[Fraction, ...]:
        if self.dates:
            return tuple(Fraction(ticks(d)) for d in self.dates)
        return tuple(Fraction(h) * MICROSECONDS_PER_H for h in self.lamp_hours)

    @property
    def by_date(self) -> bool:
        """Whether the table is against dates."""
        return bool(self.dates)

    def factor_at_hours(self, lamp_hours: float) -> float:
        """The factor after so many hours of burning, for tables against them."""
        if self.by_date or self.kind == "held":
            raise OptistackError(f"{self.name}: is not against lamp hours")
        at = Fraction(lamp_hours) * MICROSECONDS_PER_H
        self._require(at, at)
        return float(self._value(at))

    def weighted(self, start: Fraction, end: Fraction) -> tuple[Fraction, Fraction]:
        """Integral of the factor, and how much of the time lies outside the table.

        Parameters
        ----------
        start, end : Fraction [microseconds]
            Of burning, or since 1970.

        Returns
        -------
        (Fraction, Fraction) [microseconds]
            Exact: cutting the time in two gives the same sum.

        Raises
        ------
        OptistackError
            Outside the table, and it is not to be held.
        """
        if self.kind == "held":
            return end - start, Fraction(0)
        self._require(start, end)
        points = self._points
        inside = [p for p in points if start < p < end]
        edges = [start, *inside, end]
        total = Fraction(0)
        for a, b in zip(edges, edges[1:], strict=False):
            total += (self._value(a) + self._value(b)) * (b - a) / 2
        beyond = max(Fraction(0), min(end, points[0]) - start)
        beyond += max(Fraction(0), end - max(start, points[-1]))
        return total, beyond

    def _value(self, at: Fraction) -> Fraction:
        points = self._points
        if at <= points[0]:
            return Fraction(self.factors[0])
        if at >= points[-1]:
            return Fraction(self.factors[-1])
        i = bisect.bisect_right(points, at) - 1
        low, high = Fraction(self.factors[i]), Fraction(self.factors[i + 1])
        return low + (high - low) * (at - points[i]) / (points[i + 1] - points[i])

    def _require(self, start: Fraction, end: Fraction) -> None:
        points = self._points
        if self.outside == "hold" or (points[0] <= start and end <= points[-1]):
            return
        needed, available = (
            f"{self._text(a)} to {self._text(b)}"
            for a, b in ((start, end), (points[0], points[-1]))
        )
        raise OptistackError(
            f"{self.name}: needed {needed}, available {available}. Measure the lamp there, or "
            'state outside = "hold" to hold the end value (--hold-ageing)'
        )

    def _text(self, at: Fraction) -> str:
        if self.by_date:
            return moment(int(at)).isoformat(timespec="minutes")
        return f"{float(at / MICROSECONDS_PER_H):g} h"


def read_lamp_ageing(
    path: str | Path,
    *,
    timezone: str | None = None,
    hours_before: float = 0.0,
    outside: Literal["refuse", "hold"] = "refuse",
) -> LampAgeing:
    """Read a table of ageing from a CSV file with two columns.

    ``lamp_hours`` or ``date``, and ``output_factor`` or ``reading_factor`` (see `LampAgeing`).

    Parameters
    ----------
    path : str or Path
    timezone : str, optional
        Of dates without offset; what a line "# timezone: ..." states when not given.
    hours_before, outside
        As in `LampAgeing`.

    Raises
    ------
    TableError
        With file and line.
    """
    path = Path(path)
    text, _ = read_text(path)
    expected = f"the columns {' or '.join(AXES)}, and {' or '.join(FACTORS)}"
    (first, names), *rows = named_rows(text, path, expected)
    axis = [n for n in names if n in AXES]
    factor = [n for n in names if n in FACTORS]
    if len(names) != 2 or len(axis) != 1 or len(factor) != 1:
        raise TableError(f"columns {', '.join(names)[:80]}; expected {expected}", path, first)
    stated = timezone or header_lines(text).get("timezone")
    found: dict[str, list[Any]] = {"axis": [], "factor": []}
    last: Any = None
    for line, row in rows:
        cells = dict(zip(names, row, strict=True))
        try:
            if axis[0] == "date":
                zone = None if stated is None else time_zone(stated)
                at: Any = moment_from_text(cells["date"], zone, "date")
            else:
                at = _positive(cells["lamp_hours"], "lamp_hours", zero=True)
            value = _positive(cells[factor[0]], factor[0])
        except OptistackError as error:
            raise TableError(str(error), path, line) from None
        if last is not None and at <= last:
            raise TableError(f"{axis[0]} must increase", path, line)
        last = at
        found["axis"].append(at)
        found["factor"].append(value)
    try:
        return LampAgeing(
            FACTORS[factor[0]],
            **{"dates" if axis[0] == "date" else "lamp_hours": tuple(found["axis"])},
            factors=tuple(found["factor"]),
            hours_before=hours_before,
            outside=outside,
            name=path.name,
        )
    except OptistackError as error:
        raise TableError(str(error).removeprefix(f"{path.name}: "), path) from None


def _positive(text: str, what: str, *, zero: bool = False) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and (value > 0 or (zero and value == 0))) or "_" in text:
        raise OptistackError(f"{what}: {text[:40]!r} is not a positive number")
    return value


class LampClock:
    """Hours of burning of one lamp, as its entries in a log tell them.

    Parameters
    ----------
    spans : sequence of (start, end) [microseconds since 1970]
        Of all entries under the lamp, in any order; what overlaps counts once.
    """

    def __init__(self, spans: Sequence[tuple[int, int]]) -> None:
        self._starts: list[int] = []
        self._before: list[int] = []
        burned = 0
        for start, end in merged(spans):
            self._starts.append(start)
            self._before.append(burned)
            burned += end - start

    def burned(self, at: int) -> int:
        """Microseconds of burning in the log before a moment within one of its entries."""
        i = bisect.bisect_right(self._starts, at) - 1
        return self._before[i] + at - self._starts[i]


def merged(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans of time joined where they touch or overlap, in order."""
    out: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return out
