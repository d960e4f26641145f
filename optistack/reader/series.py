"""Readings in order: long to short, pieces that overlap, wavelengths that come twice."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optistack.reader.job import Job

Real = NDArray[np.float64]

DUPLICATES = ("mean", "first", "last")
# Readings of one wavelength agree if they differ by no more: absolute, or a part of the largest.
SAME_FRACTION, SAME_PART, SAME_INDEX = 0.01, 0.02, 0.02
# A second piece of a scan has at least so many points.
_LEAST_PIECE = 3
_MOST_PIECES = 6


def in_order(
    job: Job,
    x: Real,
    values: Real,
    lines: NDArray[np.int_],
    duplicates: str | None,
    *,
    rising_in_file: bool,
) -> tuple[Real, Real, NDArray[np.int_]]:
    """Increasing, each wavelength or time once.

    Parameters
    ----------
    job : Job
    x : (row,) array
    values : (row, column) array
        In the project's units.
    lines : (row,) array of int
    duplicates : "mean", "first", "last" or None
        What to take of readings that differ by more than the tolerance; None asks.
    rising_in_file : bool
        Whether the file's own column rises: energies that rise are no news.

    Raises
    ------
    TableError
        Rows out of order.
    QuestionError
        Readings of one wavelength that differ.
    """
    word = "time" if job.quantity == "sheet_resistance" else "wavelength"
    steps = np.diff(x)
    down, up = int((steps < 0).sum()), int((steps > 0).sum())
    falling = down > up or (down == up and bool(x[-1] < x[0]))
    if falling:
        x, values, lines = x[::-1], values[::-1], lines[::-1]
        steps = np.diff(x)
        if not rising_in_file:
            job.say(f"{word}s run from long to short; reversed")
    back = np.flatnonzero(steps < 0)
    if back.size:
        pieces = np.diff(np.concatenate([[0], back + 1, [x.size]]))
        # Reversed, the row out of order in the file is the one before the fall.
        odd = int(back[-1]) if falling else int(back[0]) + 1
        if back.size >= _MOST_PIECES or pieces.min() < _LEAST_PIECE:
            job.refuse(f"{word} {x[odd]:g} is out of order", int(lines[odd]))
        if not _meet(x, back):
            job.refuse(
                f"a second piece begins at {x[odd]:g} and its points lie between those of the "
                "first: take the points of one piece out where both have some",
                int(lines[odd]),
            )
        order = np.argsort(x, kind="stable")
        if falling:  # what came first in the file stays first among its like
            order = x.size - 1 - np.argsort(x[::-1], kind="stable")
        x, values, lines = x[order], values[order], lines[order]
        job.say(f"{back.size + 1} pieces that overlap are put in order")
    return _once(job, x, values, lines, duplicates, word)


def _meet(x: Real, back: NDArray[np.intp]) -> bool:
    """Whether overlapping pieces share their wavelengths where they overlap."""
    for cut in back:
        first, second = x[: cut + 1], x[cut + 1 :]
        over = np.unique(first[first >= second.min()])
        under = np.unique(second[second <= first.max()])
        if over.size != under.size or not np.allclose(over, under, rtol=1e-9):
            return False
    return True


def _once(
    job: Job,
    x: Real,
    values: Real,
    lines: NDArray[np.int_],
    duplicates: str | None,
    word: str,
) -> tuple[Real, Real, NDArray[np.int_]]:
    unique, start, count = np.unique(x, return_index=True, return_counts=True)
    if unique.size == x.size:
        return x.copy(), values.copy(), lines.copy()
    if unique.size < 2:
        job.refuse(f"all rows have the {word} {x[0]:g}", int(lines[0]))
    allowed = _tolerance(job.quantity, values)
    out = values[start].copy()
    worst, taken = 0.0, 0
    for i in np.flatnonzero(count > 1).tolist():
        # In the order of the file, whichever way it runs.
        at = np.arange(start[i], start[i] + count[i])
        at = at[np.argsort(lines[at], kind="stable")]
        rows = values[at]
        apart = float(np.ptp(rows, axis=0).max())
        worst = max(worst, apart)
        if apart > allowed:
            if duplicates is None:
                job.ask(
                    f"{word} {unique[i]:g} comes more than once with values {apart:.3g} apart, "
                    f"more than {allowed:.3g}; a change of grating or detector? Which is meant",
                    "duplicates",
                    DUPLICATES,
                    int(lines[at[-1]]),
                )
            taken += 1
        pick = "mean" if apart <= allowed else str(duplicates)
        # A mean of equal readings would move their last digit.
        if apart > 0:
            out[i] = {"mean": rows.mean(axis=0), "first": rows[0], "last": rows[-1]}[pick]
    how = "the mean is taken"
    if taken:
        how = f"{how} where they agree, {duplicates} where they do not ({taken} times), as stated"
    job.say(
        f"{int((count > 1).sum())} {word}s come more than once, up to {worst:.3g} apart "
        f"(tolerance {allowed:.3g}): {how}"
    )
    return unique, out, lines[start]


def _tolerance(quantity: str, values: Real) -> float:
    """How far readings of one wavelength may be apart."""
    if quantity == "nk":
        return SAME_INDEX
    if quantity in ("transmittance", "reflectance", "quantum_efficiency"):
        return SAME_FRACTION
    return SAME_PART * float(np.nanmax(np.abs(values)))
