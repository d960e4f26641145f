"""Dose of every specimen from an exposure log, in any band."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal

from optistack.analysis.dose_ledger.doses import (
    Lighting,
    Part,
    checked_bands,
    lighting,
)
from optistack.analysis.dose_ledger.entries import (
    MICROSECONDS_PER_H,
    LogEntry,
    moment,
)
from optistack.analysis.dose_ledger.lamp_ageing import LampAgeing, LampClock, merged
from optistack.analysis.dose_ledger.lines import Clockwork, Gap, LedgerLine, Overlap
from optistack.analysis.dose_ledger.log_file import ExposureLog
from optistack.analysis.dose_ledger.result import Ledger
from optistack.errors import OptistackError, RangeError, TableError
from optistack.filters import Filter
from optistack.spectra import DEFAULT_BANDS_NM, BandNm, Spectrum


def dose_ledger(
    entries: ExposureLog | Iterable[LogEntry],
    lamps: Mapping[str, Spectrum],
    filters: Mapping[str, Filter] | None = None,
    *,
    bands_nm: Iterable[BandNm] = DEFAULT_BANDS_NM,
    ageing: Mapping[str, LampAgeing] | None = None,
    overlap: Literal["refuse", "add"] = "refuse",
    tilted: Literal["refuse", "parallel beam"] = "refuse",
) -> Ledger:
    """Incident dose of every specimen from the entries of an exposure log.

    Parameters
    ----------
    entries : ExposureLog or iterable of LogEntry
        From `read_log`, or made in Python. Their order does not matter.
    lamps : mapping of str to Spectrum
        The spectrum of every lamp that the log names; its level is set by the set points. The
        meter's band is converted with it to any other, over all its variants.
    filters : mapping of str to Filter, optional
    bands_nm : iterable of (float, float) [nm]
    ageing : mapping of str to LampAgeing, optional
        By lamp. A lamp without is taken as constant at its set point, with a note.
    overlap : "refuse" or "add"
        For entries of one specimen that overlap under the same lamp. Two lamps at once are added,
        with a note.
    tilted : "refuse" or "parallel beam"
        For entries with an angle: "parallel beam" multiplies by its cosine.

    Returns
    -------
    Ledger
        Times are whole microseconds and sums exact fractions, rounded once at the end: neither the
        order of rows nor where an entry is cut in two changes a total.

    Raises
    ------
    TableError
        With file and line: a lamp or filter that is not known, overlapping entries, a set point
        where the lamp has no light, an ageing table that does not reach.
    RangeError
        A band that a spectrum or a filter does not cover.

    Examples
    --------
    >>> from datetime import datetime, timezone
    >>> from optistack.spectra import spectrum
    >>> from optistack.analysis.dose_ledger import LogEntry, SetPoint
    >>> noon = datetime(2026, 3, 1, 12, tzinfo=timezone.utc)
    >>> entry = LogEntry(noon, noon.replace(day=3), "tube", SetPoint(0.89, at_nm=340), ("coupon",))
    >>> ledger = dose_ledger([entry], {"tube": spectrum("uva340")}, bands_nm=[(300, 400)])
    >>> dose = ledger.of("coupon")
    >>> dose.hours, dose.radiant_exposure_kwh_m2["300-400"].format()
    (48.0, '2.39 (2.37 to 2.45)')
    """
    rows = tuple(entries)
    if not rows:
        raise OptistackError("the log has no entries")
    filters, ageing = filters or {}, ageing or {}
    bands = checked_bands(bands_nm)
    if overlap not in ("refuse", "add"):
        raise OptistackError(f'overlap {overlap!r} is not "refuse" or "add"')
    if tilted not in ("refuse", "parallel beam"):
        raise OptistackError(f'tilted {tilted!r} is not "refuse" or "parallel beam"')
    used = {entry.lamp for entry in rows}
    _known(tuple(ageing), used, "ageing is given for lamp")
    overlaps = _overlaps(rows, overlap)
    work = Clockwork(ageing, _clocks(rows, ageing))
    lit: dict[Any, Lighting] = {}
    lines = []
    for entry in rows:
        key = (entry.lamp, entry.set_point, entry.filter, entry.angle_deg)
        if key not in lit:
            lit[key] = _lighting(entry, lamps, filters, bands, tilted)
        try:
            seconds, held = work.seconds(entry, *entry.span)
        except OptistackError as error:
            raise TableError(entry.said(str(error)), entry.path, entry.line) from None
        part = Part(lit[key], seconds)
        lines += [LedgerLine(entry, s, part, float(held / 3600)) for s in entry.specimens]
    notes = _notes(entries, lines, tuple(lit.values()), ageing, overlaps)
    return Ledger(bands, tuple(lines), _gaps(lines), overlaps, notes, work)


def _lighting(
    entry: LogEntry,
    lamps: Mapping[str, Spectrum],
    filters: Mapping[str, Filter],
    bands: Sequence[BandNm],
    tilted: str,
) -> Lighting:
    for kind, name, known in (("lamp", entry.lamp, lamps), ("filter", entry.filter, filters)):
        if name and name not in known:
            listed = ", ".join(known) or "(none)"
            message = f"{kind} {name!r} is not known; given are {listed}"
            raise TableError(entry.said(message), entry.path, entry.line)
    if entry.angle_deg and tilted == "refuse":
        message = (
            f"the specimen is tilted by {entry.angle_deg:g} deg against the meter: what it gets "
            'depends on the directions of the light. For a parallel beam state tilted = "parallel '
            'beam" (--parallel-beam); else log what a meter reads in its plane, with angle_deg 0'
        )
        raise TableError(entry.said(message), entry.path, entry.line)
    item = filters[entry.filter] if entry.filter else None
    try:
        return lighting(
            entry.lamp,
            lamps[entry.lamp],
            entry.set_point,
            entry.filter,
            item,
            entry.angle_deg,
            bands,
        )
    except RangeError:
        raise
    except OptistackError as error:
        raise TableError(entry.said(str(error)), entry.path, entry.line) from None


def _clocks(rows: Sequence[LogEntry], ageing: Mapping[str, LampAgeing]) -> dict[str, LampClock]:
    out = {}
    for lamp in ageing:
        here = [entry for entry in rows if entry.lamp == lamp]
        silent = [entry for entry in here if entry.lamp_hours is None]
        if silent and len(silent) < len(here):
            message = (
                f"lamp_hours of lamp {lamp!r} is empty here and given elsewhere; give it for every "
                "entry of the lamp or for none"
            )
            raise TableError(silent[0].said(message), silent[0].path, silent[0].line)
        out[lamp] = LampClock([entry.span for entry in here])
    return out


def _overlaps(rows: Sequence[LogEntry], what: str) -> tuple[Overlap, ...]:
    """Overlapping entries of each specimen, every entry against the longest one before it."""
    by_specimen: dict[str, list[LogEntry]] = {}
    for entry in rows:
        for specimen in entry.specimens:
            by_specimen.setdefault(specimen, []).append(entry)
    out = []
    for specimen in sorted(by_specimen):
        latest: dict[str, LogEntry] = {}
        for entry in sorted(by_specimen[specimen], key=_order):
            start, end = entry.span
            for lamp, before in latest.items():
                until = min(end, before.span[1])
                if until <= start:
                    continue
                if lamp == entry.lamp and what == "refuse":
                    message = entry.said(_twice(specimen, before, entry))
                    raise TableError(message, entry.path, entry.line)
                hours = (until - start) / MICROSECONDS_PER_H
                out.append(Overlap(specimen, before, entry, hours))
            if entry.lamp not in latest or latest[entry.lamp].span[1] < end:
                latest[entry.lamp] = entry
    return tuple(out)


def _order(entry: LogEntry) -> tuple[Any, ...]:
    """An order that does not depend on that of the rows, where the entries differ at all."""
    return (*entry.span, entry.lamp, str(entry.set_point), entry.filter, entry.line or 0)


def _twice(specimen: str, first: LogEntry, second: LogEntry) -> str:
    return (
        f"specimen {specimen!r} is already under lamp {second.lamp!r} by {first.where}, "
        f"{first.start.isoformat()} to {first.end.isoformat()}: the entries overlap from "
        f"{second.start.isoformat()} on. Correct the log, or state overlap = "
        '"add" (--overlap add) if both are meant'
    )


def _gaps(lines: Sequence[LedgerLine]) -> tuple[Gap, ...]:
    by_specimen: dict[str, list[tuple[int, int]]] = {}
    for line in lines:
        by_specimen.setdefault(line.specimen, []).append(line.entry.span)
    out = []
    for specimen in sorted(by_specimen):
        spans = merged(by_specimen[specimen])
        for (_, end), (start, _) in zip(spans, spans[1:], strict=False):
            hours = (start - end) / MICROSECONDS_PER_H
            out.append(Gap(specimen, moment(end), moment(start), hours))
    return tuple(out)


def _known(names: Sequence[str], known: set[str], what: str) -> None:
    for name in names:
        if name not in known:
            raise OptistackError(
                f"{what} {name!r}, which the log does not name; it names {', '.join(sorted(known))}"
            )


def _notes(
    log: Any,
    lines: Sequence[LedgerLine],
    lit: Sequence[Lighting],
    ageing: Mapping[str, LampAgeing],
    overlaps: Sequence[Overlap],
) -> tuple[str, ...]:
    out = ["doses are incident ones, behind the filters, from set points without filter"]
    if isinstance(log, ExposureLog) and log.invented:
        out.append(f"log {log.name}: invented")
    entries = [line.entry for line in lines]
    for lamp in sorted({x.lamp for x in lit}):
        light = next(x.light for x in lit if x.lamp == lamp)
        out.append(f"lamp {lamp}: spectrum {light.name}, {light.kind}, grade {light.grade}")
        if light.variants:
            out.append(
                f"lamp {lamp}: ranges are over the {1 + len(light.variants)} shapes that its "
                "spectrum may have"
            )
        out += light.notes
        out.append(_ageing_note(lamp, ageing.get(lamp), entries))
        held = {id(x.entry): x.held_hours for x in lines if x.entry.lamp == lamp}
        if sum(held.values()) > 0:
            out.append(
                f"lamp {lamp}: its ageing table was held at its end value for "
                f"{sum(held.values()):g} h of entries outside it, as asked"
            )
    for x in sorted(lit, key=lambda x: x.filter):
        out += x.notes
    if any(x.angle_deg for x in lit):
        out.append("tilted specimens: the light is taken as a parallel beam, times cos(angle)")
    if any(x.filter and x.angle_deg for x in lit):
        out.append("filters are crossed at normal incidence")

    for same, text in ((False, "different lamps"), (True, "the same lamp")):
        some = [x for x in overlaps if x.same_lamp == same]
        if some:
            out.append(
                f"{len(some)} overlaps of entries under {text} are added, "
                f"{sum(x.hours for x in some):g} h; hours of light count once"
            )

    return tuple(dict.fromkeys(out))


def _ageing_note(lamp: str, ageing: LampAgeing | None, entries: Sequence[LogEntry]) -> str:
    shape = "how its shape drifts with age is not known"
    if ageing is None:
        return (
            f"lamp {lamp}: taken as constant at its set point; neither feedback nor a table of its "
            f"ageing is stated, and {shape}"
        )
    if ageing.kind == "held":
        return f"lamp {lamp}: held at its set point by feedback; {shape}"
    what = "the lamp's output" if ageing.kind == "output" else "the meter's reading"
    text = f"lamp {lamp}: set points times the factor of {what} ({ageing.name}); {shape}"
    counted = not ageing.by_date and any(e.lamp == lamp and e.lamp_hours is None for e in entries)
    if counted:
        text += f"; its hours are those of this log, after {ageing.hours_before:g} h before it"
    return text
