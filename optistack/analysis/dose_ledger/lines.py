"""Lines of a ledger: one specimen of one entry, what its time counts, gaps and overlaps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from optistack.analysis.dose_ledger.doses import (
    Part,
)
from optistack.analysis.dose_ledger.entries import (
    MICROSECONDS_PER_H,
    LogEntry,
)
from optistack.analysis.dose_ledger.lamp_ageing import LampAgeing, LampClock

Face = tuple[str, str, float]


SECONDS = Fraction(1, 1_000_000)


@dataclass(frozen=True, eq=False)
class LedgerLine:
    """One specimen of one entry.

    Attributes
    ----------
    entry : LogEntry
    specimen : str
    part : Part
        Its lighting and its time, with the factor of ageing.
    held_hours : float [h]
        Part of its hours for which an ageing table was held at its end value.
    """

    entry: LogEntry
    specimen: str
    part: Part
    held_hours: float = 0.0

    @property
    def face(self) -> Face:
        """Specimen, orientation and angle."""
        return self.specimen, self.entry.orientation, self.entry.angle_deg

    @property
    def mean_factor(self) -> float:
        """Mean irradiance over the one that the set point means."""
        start, end = self.entry.span
        return float(self.part.seconds / ((end - start) * SECONDS))


@dataclass(frozen=True)
class Gap:
    """Time without light between two entries of a specimen.

    Attributes
    ----------
    specimen : str
    start, end : datetime
        In UTC.
    hours : float [h]
    """

    specimen: str
    start: datetime
    end: datetime
    hours: float


@dataclass(frozen=True)
class Overlap:
    """Two entries that put a specimen under light at once.

    Attributes
    ----------
    specimen : str
    first, second : LogEntry
    hours : float [h]
    """

    specimen: str
    first: LogEntry
    second: LogEntry
    hours: float

    @property
    def same_lamp(self) -> bool:
        """Whether both name the same lamp."""
        return self.first.lamp == self.second.lamp


@dataclass(frozen=True, eq=False)
class Clockwork:
    """What a stretch of time under a lamp counts, with the lamp's ageing."""

    ageing: Mapping[str, LampAgeing]
    clocks: Mapping[str, LampClock]

    def seconds(self, entry: LogEntry, start: int, end: int) -> tuple[Fraction, Fraction]:
        """Seconds with the factor, and those for which a table was held, of a part of an entry."""
        ageing = self.ageing.get(entry.lamp)
        if ageing is None:
            return (end - start) * SECONDS, Fraction(0)
        low, high = Fraction(start), Fraction(end)
        if not ageing.by_date:
            if entry.lamp_hours is not None:
                shift = Fraction(entry.lamp_hours) * MICROSECONDS_PER_H - entry.span[0]
            else:
                burned = self.clocks[entry.lamp].burned(entry.span[0])
                before = Fraction(ageing.hours_before) * MICROSECONDS_PER_H
                shift = before + burned - entry.span[0]
            low, high = low + shift, high + shift
        weighted, held = ageing.weighted(low, high)
        return weighted * SECONDS, held * SECONDS

    def part(self, line: LedgerLine, start: int, end: int) -> Part:
        """A line between two moments within it."""
        return Part(line.part.lighting, self.seconds(line.entry, start, end)[0])

    def parts(self, lines: Iterable[LedgerLine], until: int) -> list[Part]:
        """Lines up to a moment."""
        out = []
        for line in lines:
            start, end = line.entry.span
            if end <= until:
                out.append(line.part)
            elif start < until:
                out.append(self.part(line, start, until))
        return out
