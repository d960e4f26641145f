"""From the text of an export to blocks of numbers: delimiter, decimal sign, header, trailer.

Everything is found from the numbers themselves. Where two readings of a file are both plausible,
the file is refused and the message asks which one is meant.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from optistack.errors import QuestionError, TableError
from optistack.reader.heading import headings, metadata, split_cells
from optistack.reader.text import split_lines
from optistack.tables import MAX_ROWS

DELIMITERS = {";": "semicolon", "\t": "tab", ",": "comma", " ": "blanks"}
# What a failed or missing reading is written as, beside an empty cell.
_WORDS = {"nan", "-nan", "n/a", "na", "n.a.", "#n/a", "null", "none", "1.#qnan", "-1.#ind"}
MISSING = frozenset(_WORDS | {sign * times for sign in "-*" for times in range(1, 7)})
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_MOST_METADATA_LINES = 400
# A second block is worth a question from this share of the first one's rows.
_WORTH_A_QUESTION = 0.1
# A piece after a gap may begin so much of the span so far before its end.
_STEP_BACK = 0.2


@dataclass(frozen=True)
class Block:
    """A block of numbers.

    Attributes
    ----------
    delimiter, decimal : str
    rows : tuple of tuples of float
        NaN where a cell is empty or marks a missing reading.
    lines : tuple of int
        Line of each row, from 1.
    heading : str
        The line above the numbers.
    headings : tuple of tuples of str
        Cells of the lines above that have as many cells as the numbers, from top to bottom.
    metadata : mapping of str to str
        Keys (lower case) and values of the lines above.
    before : tuple of str
        The lines above, as they are.
    percent : tuple of bool
        Columns whose cells carry a per cent sign.
    unread : int
        Line of the first row of as many numbers outside the block, or 0.
    joined : tuple of int
        Blank or commented lines inside the block that were passed over.
    """

    delimiter: str
    decimal: str
    rows: tuple[tuple[float, ...], ...]
    lines: tuple[int, ...]
    heading: str = ""
    headings: tuple[tuple[str, ...], ...] = ()
    metadata: Mapping[str, str] = field(default_factory=dict)
    before: tuple[str, ...] = ()
    percent: tuple[bool, ...] = ()
    unread: int = 0
    joined: tuple[int, ...] = ()

    @property
    def first_line(self) -> int:
        return self.lines[0]

    @property
    def described(self) -> str:
        """The dialect in words."""
        point = "comma" if self.decimal == "," else "point"
        return f"{DELIMITERS[self.delimiter]}-delimited, decimal {point}"


@dataclass
class _Run:
    """Lines of numbers that follow one another."""

    rows: list[tuple[float, ...]]
    lines: list[int]
    joined: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class _Dialect:
    delimiter: str
    decimal: str
    # Whether cells may be empty or marked, numbers may carry a %, blank lines may come between.
    lenient: bool
    missing: frozenset[str] = frozenset()

    @property
    def name(self) -> str:
        point = "comma" if self.decimal == "," else "point"
        return f"{DELIMITERS[self.delimiter]} with decimal {point}"


# --- blocks ---------------------------------------------------------------------------------------


def find_blocks(
    text: str,
    path: Path,
    delimiter: str | None,
    decimal: str | None,
    *,
    lenient: bool = False,
    missing: str | None = None,
) -> list[Block]:
    """The blocks of numbers of a text in the dialect that reads most rows, the longest first.

    Parameters
    ----------
    text : str
    path : Path
        For messages.
    delimiter, decimal : str or None
        As stated by the user.
    lenient : bool
        Whether cells may be empty, as beside a shorter sample, or marked as missing; numbers may
        carry a %; blank and commented lines may come between the rows.
    missing : str, optional
        A text that marks a missing reading, beside those of `MISSING`.

    Raises
    ------
    TableError
        No block, a line that cuts the block in two, marks between thousands.
    QuestionError
        Two plausible readings.
    """
    lines = split_lines(text)
    if len(lines) > MAX_ROWS:
        raise TableError(f"{len(lines)} lines are more than an export can have ({MAX_ROWS})", path)
    marks = MISSING | ({missing.strip().lower()} if missing else set())
    found: list[tuple[_Dialect, list[_Run]]] = []
    for mark in DELIMITERS if delimiter is None else [delimiter]:
        if mark not in DELIMITERS:
            raise TableError(f"delimiter {mark!r} is not one of ; , tab blank", path)
        for point in (".", ",") if decimal is None else (decimal,):
            if point not in (".", ","):
                raise TableError(f'decimal {point!r} is neither "." nor ","', path)
            # Cells in quotation marks may hold decimal commas between delimiting ones.
            quoted = lenient and mark == "," and '"' in text
            if (point == mark and not quoted) or (point == "," and not decimal and "," not in text):
                continue
            if mark != " " and mark not in text:
                continue
            dialect = _Dialect(mark, point, lenient, marks)
            runs = [r for r in _runs(lines, dialect) if r.rows]
            if runs and max(len(r.rows) for r in runs) >= 2:
                found.append((dialect, runs))
    if not found:
        if lenient:
            _refuse_thousands(lines, path, range(len(lines)))
        raise TableError("no block of at least two rows of numbers in two columns", path)
    dialect, runs = _choose(found, path, lenient)
    blocks = _blocks(lines, dialect, runs, path)
    if lenient:
        best = blocks[0]
        # Some lines above the numbers too: where marks between thousands break a run.
        around = range(max(best.lines[0] - 2, 0), min(best.lines[-1] + 1, len(lines)))
        _refuse_thousands(lines, path, around)
        if delimiter is None:
            _ask_about_commas(lines, best, path)
    return blocks


def _choose(
    found: list[tuple[_Dialect, list[_Run]]], path: Path, lenient: bool
) -> tuple[_Dialect, list[_Run]]:
    def longest(runs: list[_Run]) -> _Run:
        return max(runs, key=lambda r: len(r.rows))

    most = max(len(longest(runs).rows) for _, runs in found)
    best = [(d, r) for d, r in found if len(longest(r).rows) == most]
    if lenient and any(d.delimiter == "\t" for d, _ in best):
        # Tabs in every row are meant; taken as blanks they would swallow empty cells.
        best = [(d, r) for d, r in best if d.delimiter != " "]
    first = longest(best[0][1])
    for other, runs in best[1:]:
        second = longest(runs)
        if _same(first.rows, second.rows):
            continue
        message = (
            f"two readings are plausible: {best[0][0].name} ({_shown(first)}), or {other.name} "
            f"({_shown(second)})"
        )
        if not lenient:
            raise TableError(f"{message}. State delimiter and decimal", path, first.lines[0])
        marks = tuple(dict.fromkeys(DELIMITERS[d.delimiter] for d, _ in best))
        option, choices = ("delimiter", marks) if len(marks) > 1 else ("decimal", (".", ","))
        raise QuestionError(message, option, choices, path, first.lines[0])
    return best[0]


def _shown(run: _Run) -> str:
    return ", ".join(f"{v:g}" for v in run.rows[0][:6])


def _same(a: list[tuple[float, ...]], b: list[tuple[float, ...]]) -> bool:
    if len(a[0]) != len(b[0]):
        return False
    return bool(np.array_equal(np.array(a), np.array(b), equal_nan=True))


def _blocks(lines: list[str], dialect: _Dialect, runs: list[_Run], path: Path) -> list[Block]:
    at = max(range(len(runs)), key=lambda i: len(runs[i].rows))
    main = runs[at]
    for first, second in ((at - 1, at), (at, at + 1)):
        if first >= 0 and second < len(runs):
            _refuse_cut(lines, dialect, runs[first], runs[second], path)
    if dialect.lenient:
        _refuse_unreadable_ends(lines, dialect, main, path)
    width = len(main.rows[0])
    out = [_block(lines, dialect, main)]
    if not dialect.lenient:
        unread = min(
            (r.lines[0] for r in runs if r is not main and len(r.rows[0]) == width), default=0
        )
        return [Block(**{**out[0].__dict__, "unread": unread})]
    least = max(3, _WORTH_A_QUESTION * len(main.rows))
    others = [r for r in runs if r is not main]
    out += [_block(lines, dialect, r) for r in others if len(r.rows) >= least]
    small = [r.lines[0] for r in others if len(r.rows) < least and len(r.rows[0]) == width]
    out = [b for b in out if b.rows and len(b.rows[0]) >= 2]
    if not out:
        raise TableError("no block of at least two rows of numbers in two columns", path)
    return [Block(**{**out[0].__dict__, "unread": min(small, default=0)}), *out[1:]]


def _block(lines: list[str], dialect: _Dialect, run: _Run) -> Block:
    start = run.lines[0] - 1
    rows, kept = run.rows, tuple(range(len(run.rows[0])))
    if dialect.lenient:
        keep = ~np.isnan(np.array(run.rows)).all(axis=0)
        kept = tuple(np.flatnonzero(keep).tolist())
        rows = [tuple(row[i] for i in kept) for row in run.rows]
    above = lines[max(0, start - _MOST_METADATA_LINES) : start]
    named = tuple(
        tuple(row[i] for i in kept)
        for row in headings(lines[:start], dialect.delimiter, len(run.rows[0]))
    )
    percent = [False] * len(kept)
    if dialect.lenient:
        for number in run.lines:
            line = lines[number - 1]
            if "%" in line:
                parts = split_cells(line, dialect.delimiter)
                for i, column in enumerate(kept):
                    if column < len(parts) and parts[column].endswith("%"):
                        percent[i] = True
    return Block(
        dialect.delimiter,
        dialect.decimal,
        tuple(rows),
        tuple(run.lines),
        lines[start - 1] if start > 0 else "",
        named,
        metadata(above),
        tuple(above),
        tuple(percent),
        joined=tuple(run.joined),
    )


def _runs(lines: list[str], dialect: _Dialect) -> list[_Run]:
    """Runs of lines with the same number (two or more) of numeric cells."""
    runs: list[_Run] = []
    run: _Run | None = None
    passed: list[int] = []
    step = 1
    if dialect.lenient and len(lines) >= 4:
        # Every other line blank, as when a file was copied with the wrong line ends.
        step = 2 if not any(line.strip() for line in lines[1::2]) else 1
    for number in range(1, len(lines) + 1, step):
        line = lines[number - 1]
        row = _cells(line, dialect)
        if row is None:
            if dialect.lenient and run is not None and _is_comment(line):
                passed.append(number)
            else:
                run = None
            continue
        fitted = row if run is None else _fitted(row, len(run.rows[0]), dialect)
        if run is not None and fitted is not None and (not passed or _follows(run, fitted)):
            run.rows.append(fitted)
            run.lines.append(number)
            run.joined += passed
        else:
            run = _Run([row], [number])
            runs.append(run)
        passed = []
    return runs


def _is_comment(line: str) -> bool:
    return not line.strip(" \t;,") or line.lstrip().startswith(("#", "!", "//"))


def _follows(run: _Run, row: tuple[float, ...]) -> bool:
    """Whether a row after a gap goes on with the wavelengths of a run."""
    if len(run.rows) < 2:
        return False
    first, last = run.rows[0][0], run.rows[-1][0]
    if last == first:
        return False
    return bool((row[0] - last) / (last - first) > -_STEP_BACK)


def _fitted(row: tuple[float, ...], width: int, dialect: _Dialect) -> tuple[float, ...] | None:
    """A row with more or fewer cells, where the difference is only empty cells at its end."""
    if len(row) == width:
        return row
    if not dialect.lenient or dialect.delimiter == " ":
        return None  # blanks cannot hold an empty cell
    if len(row) < width:
        return (*row, *([math.nan] * (width - len(row))))
    return row[:width] if all(math.isnan(v) for v in row[width:]) else None


def _refuse_cut(lines: list[str], dialect: _Dialect, first: _Run, second: _Run, path: Path) -> None:
    """Refuse where one series of wavelengths is cut by a line of something else."""
    if len(first.rows[0]) != len(second.rows[0]):
        return
    at = first.lines[-1] + 1
    least = 2
    if dialect.lenient and second.lines[0] - at == 1 and _begins_with_a_number(lines, at, dialect):
        least = 1
    if min(len(first.rows), len(second.rows)) < least or len(first.rows) + len(second.rows) < 3:
        return
    steps = np.diff([row[0] for row in (*first.rows, *second.rows)])
    # A detector change at the cut gives one wavelength twice.
    least_step = 0.0 if dialect.lenient else math.ulp(0.0)
    if not ((steps >= least_step).all() or (steps <= -least_step).all()):
        return
    message = (
        "this line cuts the rows of numbers in two, and the wavelengths go on after it. Give "
        "its value, or take the line out"
    )
    if dialect.lenient and (bad := _bad_cell(lines[at - 1], dialect)):
        raise QuestionError(
            f"{message}; or does {bad!r} mark a missing reading?", "missing", (bad,), path, at
        )
    raise TableError(message, path, at)


def _refuse_unreadable_ends(lines: list[str], dialect: _Dialect, run: _Run, path: Path) -> None:
    """Refuse a reading that cannot be read right before or after the numbers."""
    x = [row[0] for row in run.rows]
    for number, near, step in (
        (run.lines[0] - 1, x[0], x[0] - x[1]),
        (run.lines[-1] + 1, x[-1], x[-1] - x[-2]),
    ):
        if not 1 <= number <= len(lines) or not _begins_with_a_number(lines, number, dialect):
            continue
        parts = split_cells(lines[number - 1], dialect.delimiter)
        value = _value(parts[0], dialect)
        on = (value - near) / step if value is not None and step else 0.0
        bad = _bad_cell(lines[number - 1], dialect)
        if len(parts) >= len(run.rows[0]) and 0 < on < 3 and bad:
            raise QuestionError(
                f"the wavelengths go on in this line but {bad!r} is no number. Take the line out, "
                "or does it mark a missing reading?",
                "missing",
                (bad,),
                path,
                number,
            )


def _begins_with_a_number(lines: list[str], number: int, dialect: _Dialect) -> bool:
    parts = split_cells(lines[number - 1], dialect.delimiter)
    return bool(parts) and _value(parts[0], dialect) is not None


def _bad_cell(line: str, dialect: _Dialect) -> str:
    """The first cell that is no number, shortened."""
    for part in split_cells(line, dialect.delimiter)[1:]:
        if part and _value(part, dialect) is None:
            return "".join(c for c in part if c.isprintable())[:20]
    return ""


# --- cells ----------------------------------------------------------------------------------------


def _value(part: str, dialect: _Dialect) -> float | None:
    """The number in a cell; None where there is none."""
    if dialect.decimal == ",":
        if "." in part:
            return None
        part = part.replace(",", ".")
    if not _NUMBER.fullmatch(part):
        if not dialect.lenient:
            return None
        part = part.removesuffix("%").rstrip().replace("\u2212", "-")
        part = re.sub(r"(?<=\d)[dD](?=[+-]?\d)", "e", part)
        if not _NUMBER.fullmatch(part):
            return None
    value = float(part)
    return None if dialect.lenient and math.isinf(value) else value


def _cells(line: str, dialect: _Dialect) -> tuple[float, ...] | None:
    lenient = dialect.lenient
    if lenient and dialect.delimiter == " ":
        line = line.replace(" %", "%")
    parts = split_cells(line if lenient else line.strip(), dialect.delimiter, quotes=lenient)
    while parts and not parts[-1] and not (lenient and len(parts) == 2):
        parts.pop()  # a trailing delimiter
    if len(parts) < 2:
        return None
    out = []
    for part in parts:
        if lenient and (not part or part.lower() in dialect.missing):
            out.append(math.nan)
            continue
        value = _value(part, dialect)
        if value is None:
            return None
        out.append(value)
    return None if all(math.isnan(v) for v in out) else tuple(out)


# --- marks in numbers -----------------------------------------------------------------------------

# Groups of three digits, with a mark between them.
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}([,.'’\u00a0\u202f])\d{3}(\1\d{3})*([.,]\d+)?")

_MAYBE_THOUSANDS = re.compile(r"\d['’\u00a0\u202f]\d{3}|\d[,.]\d{3}[,.]")


def _refuse_thousands(lines: list[str], path: Path, where: range) -> None:
    """Refuse a number such as 1,234.5 that no dialect reads."""
    for number in where:
        if not _MAYBE_THOUSANDS.search(lines[number]):
            continue
        for cell in re.split(r"[;\t]|,(?!\d)|[ ]+", lines[number]):
            match = _THOUSANDS.fullmatch(cell.strip().strip('"'))
            if match is None:
                continue
            separator, rest = match.group(1), match.group(3)
            several = cell.count(separator) > 1 and separator != ","
            mixed = rest is not None and not rest.startswith(separator)
            if several or mixed or separator not in ",.":
                raise TableError(
                    f"{cell.strip()[:40]!r} has a mark between thousands, which is not read: "
                    "export without it",
                    path,
                    number + 1,
                )


def maybe_thousands(lines: list[str], block: Block) -> bool:
    """Whether every decimal sign of a block could be a mark between thousands."""
    seen = False
    for number in block.lines:
        for cell in split_cells(lines[number - 1], block.delimiter):
            if block.decimal in cell:
                if not re.fullmatch(rf"[+-]?[1-9]\d{{0,2}}[{block.decimal}]\d{{3}}%?", cell):
                    return False
                seen = True
    return seen


def _ask_about_commas(lines: list[str], block: Block, path: Path) -> None:
    """Ask where commas may be delimiter and decimal sign at once: 300,0,5 for 300 and 0.5."""
    if block.delimiter != "," or len(block.rows[0]) < 3:
        return
    for number in block.lines:
        if re.search(r'[."eE]', lines[number - 1]):
            return
    raise QuestionError(
        "only whole numbers between commas: does every comma part two cells, or is it the decimal "
        "sign as well? In that case export with another delimiter",
        "delimiter",
        ("comma",),
        path,
        block.first_line,
    )
