"""The notes of all parts of a run as one list in which nothing is said twice.

A note is text with what it is about before it, from the outside in, each followed by a colon:
"plan: coupon: temperature is not dealt with". Every part keeps its own notes whole.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from optistack.exposure import OUTSIDE_TABLE

_COLON = ": "
# Shorter ends of notes may be the same by chance.
_LEAST = 15
# So many subjects of one note are named; of more the first.
_NAMED = 6
# Subjects before a text that are looked at: part, side or layer, material.
_DEEPEST = 3


def said_once(notes: Iterable[str]) -> tuple[str, ...]:
    """Notes without repetitions, in their order.

    What several subjects share is said once with all of them before it; what was said of the whole
    is not said again of a part; of several shares of one table, the largest is given.

    Parameters
    ----------
    notes : iterable of str

    Examples
    --------
    >>> said_once(["plan: coupon: not counted by hours", "plan: device: not counted by hours"])
    ('plan: coupon; device: not counted by hours',)
    >>> said_once(["rates: the data are invented", "rates: course: the data are invented"])
    ('rates: the data are invented',)
    """
    texts = _largest_shares(dict.fromkeys(notes))
    for depth in reversed(range(_DEEPEST)):
        texts = _merged(texts, depth)
    return tuple(_without_repetitions(texts))


def _largest_shares(notes: Iterable[str]) -> list[str]:
    """Of the notes on one table that ends too early, that with the largest share."""
    notes = list(notes)
    largest: dict[str, tuple[float, str]] = {}
    for note in notes:
        if note.endswith(OUTSIDE_TABLE):
            about, _, share = note.partition("; ")
            table = about[about.rfind("material ") :]
            size = 0.0 if share.startswith("less") else float(share.partition(" ")[0])
            if table not in largest or size > largest[table][0]:
                largest[table] = size, note
    kept = {note for _, note in largest.values()}
    return [n for n in notes if n in kept or not n.endswith(OUTSIDE_TABLE)]


def _merged(notes: list[str], depth: int) -> list[str]:
    """Notes that differ only in the subject at a depth become one."""
    alike: dict[tuple[str, ...], list[tuple[str, str]]] = defaultdict(list)
    for note in notes:
        subjects = note.split(_COLON)
        text = _COLON.join(subjects[depth + 1 :])
        if len(text) >= _LEAST:
            alike[(*subjects[:depth], text)].append((subjects[depth], note))
    instead: dict[str, str | None] = {}
    for (*outer, text), group in alike.items():
        if len(group) > 1:
            names = [name for name, _ in group]
            shown = "; ".join(names)
            if len(names) > _NAMED:
                shown = f"{names[0]} and {len(names) - 1} more"
            instead |= dict.fromkeys(note for _, note in group)
            instead[group[0][1]] = _COLON.join((*outer, shown, text))
    return [new for n in notes if (new := instead.get(n, n)) is not None]


def _without_repetitions(notes: list[str]) -> list[str]:
    """Without what is said of the whole as well, or elsewhere of the same thing.

    A note is left out if it is another one with more subjects before it, or between the first and
    the rest; or if its end, which names a subject itself, is the end of an earlier or plainer one.
    """
    first: dict[str, tuple[int, int]] = {}
    ranks = [(note.count(_COLON), place) for place, note in enumerate(notes)]
    for note, rank in zip(notes, ranks, strict=True):
        for end in _ends(note):
            first[end] = min(rank, first.get(end, rank))
    whole = set(notes)
    out = []
    for note, rank in zip(notes, ranks, strict=True):
        outermost = note.partition(_COLON)[0]
        ends = _ends(note)[1:]
        said = any(end in whole for end in ends)
        said |= any(_COLON.join((outermost, end)) in whole for end in ends[1:])
        said |= any(_COLON in end and first[end] < rank for end in ends)
        if not said:
            out.append(note)
    return out


def _ends(note: str) -> list[str]:
    """The note, and what stands after each of its subjects."""
    subjects = note.split(_COLON)
    ends = [_COLON.join(subjects[i:]) for i in range(len(subjects))]
    return [note, *(end for end in ends[1:] if len(end) >= _LEAST)]
