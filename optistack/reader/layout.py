"""Which columns of a block of numbers are wavelengths and values, and of which sample."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optistack.reader import units
from optistack.reader.dialect import Block
from optistack.reader.job import Job

Real = NDArray[np.float64]

_X_WORDS = re.compile(r"wavelength|wavenumber|lambda|λ|energy\b.*\bev\b|\btime\b|\bhours?\b")
_TIME_WORDS = re.compile(r"\btime\b|\bhours?\b|\bage\b|\bexposure\b")
# Columns that stand beside the readings and are none themselves.
_BESIDE = re.compile(
    r"\b(std|sd|std\.? ?dev\w*|stdev|standard deviation|uncertainty|error|err|index|no|nr|point|"
    r"row)\b"
)
_UNIT_CELL = re.compile(
    r"[\[(]?(%|% ?[tra]|[tr] ?%?|abs|absorbance|od|optical density|a\.?u\.?|eqe|ohm/?sq|h|n|k|"
    r"fraction|percent|transmittance|reflectance|counts|0 ?- ?1)[\])]?"
)
_MOST_LISTED = 20


@dataclass(frozen=True)
class Columns:
    """Columns of one sample, rows without a reading left out.

    Attributes
    ----------
    x : (row,) array
        Wavelengths or times in the file's unit.
    values : (row, column) array
    lines : (row,) array of int
        Line of each row in the file.
    sample : str
        Its name where the file has several.
    at, x_at : int
        Numbers of the (first) column of values and of the one of wavelengths, from 0.
    eps : bool or None
        Whether the values are eps1 and eps2, not n and k; None where nothing tells.
    """

    x: Real
    values: Real
    lines: NDArray[np.int_]
    sample: str
    at: int
    x_at: int
    eps: bool | None = False


def hint(block: Block, column: int) -> str:
    """All words above a column."""
    return " ".join(row[column] for row in block.headings if column < len(row)).strip()


def choose(
    job: Job,
    block: Block,
    *,
    layout: str | None,
    sample: str | int | None,
    wavelength_column: int | None,
) -> Columns:
    """The columns of one sample.

    Raises
    ------
    TableError
        A column or sample that does not exist, a value without a wavelength.
    QuestionError
        Several samples, or two ways to read the columns.
    """
    data = np.array(block.rows)
    width = data.shape[1]
    hints = [hint(block, i) for i in range(width)]
    if job.quantity == "nk":
        if layout == "pairs" or sample is not None:
            job.refuse(
                "n and k of one sample are read as columns beside one of wavelengths; take the "
                "other columns out of the file"
            )
        at = _wavelength_column(job, block, hints, wavelength_column)
        chosen, eps = _index_columns(job, block, hints, at)
        return _rows(job, block, data, at, chosen, "", eps)
    if width == 2:
        x_at = _wavelength_column(job, block, hints, wavelength_column)
        samples = [(x_at, 1 - x_at)]
    else:
        if layout is None and wavelength_column is None:
            layout = _layout(job, block, data, hints)
        if layout == "pairs":
            if width % 2:
                job.ask(f"{width} columns are no pairs", "layout", ("columns",), block.first_line)
            samples = [(i, i + 1) for i in range(0, width, 2)]
        else:
            x_at = _wavelength_column(job, block, hints, wavelength_column)
            samples = [(x_at, i) for i in _value_columns(job, block, hints, x_at, sample)]
        if len(samples) > 1:
            job.say(
                f"{len(samples)} samples, "
                + (
                    "pairs of columns"
                    if layout == "pairs"
                    else "a column each beside one of wavelengths"
                )
            )
    names = [_name(block, x, y) for x, y in samples]
    if layout != "pairs":
        names = [name or hints[y] for name, (_, y) in zip(names, samples, strict=True)]
    number, name = _sample(job, block, names, sample)
    x_at, y_at = samples[number]
    return _rows(job, block, data, x_at, [y_at], name if len(samples) > 1 else "")


def _rows(
    job: Job,
    block: Block,
    data: Real,
    x_at: int,
    chosen: list[int],
    sample: str,
    eps: bool | None = False,
) -> Columns:
    lines = np.array(block.lines)
    x, values = data[:, x_at], data[:, chosen]
    known, read = ~np.isnan(x), ~np.isnan(values).all(axis=1)
    if (read & ~known).any():
        job.refuse("a value without a wavelength", int(lines[np.argmax(read & ~known)]))
    keep = known & read
    if keep.sum() < 2:
        job.refuse("fewer than two readings in this column", block.first_line)
    inside = np.flatnonzero(keep)
    holes = np.flatnonzero(known & ~read)
    holes = holes[(holes > inside[0]) & (holes < inside[-1])]
    if holes.size:
        job.say(
            f"{holes.size} empty or missing readings are left out, the first at {x[holes[0]]:g} "
            f"(line {lines[holes[0]]}); a table is linear between what is left"
        )
    ends = int((known & ~read).sum()) - holes.size
    if ends:
        job.say(f"{ends} rows at the ends without a reading are left out")
    return Columns(x[keep], values[keep], lines[keep], sample, chosen[0], x_at, eps)


# --- wavelengths ----------------------------------------------------------------------------------


def _is_x(text: str, quantity: str) -> bool:
    small = units.plain(text)
    if quantity == "sheet_resistance":
        return bool(_TIME_WORDS.search(small)) or small in ("t", "h", "min", "s", "d")
    bare = re.fullmatch(r"[\[(]?(nm|um|cm-1|1/cm|ev|angstrom|wl|wl ?[\[(].*|l|x)[\])]?", small)
    return bool(_X_WORDS.search(small) or bare)


def _names_x(block: Block, column: int, quantity: str) -> bool:
    """Whether a cell above a column names wavelengths or times."""
    return any(_is_x(row[column], quantity) for row in block.headings if row[column])


def names_another(block: Block, column: int, quantity: str) -> str:
    """What a cell above a column calls it, where that is not what is asked for."""
    if quantity not in ("transmittance", "reflectance", "quantum_efficiency"):
        return ""
    for row in block.headings:
        named = units.named_quantity(row[column]) if column < len(row) else None
        if named is not None and named != quantity:
            return f"{named} ({row[column]})"
    return ""


def _stated(job: Job, column: int, width: int) -> int:
    if not 1 <= column <= width:
        job.refuse(f"wavelength_column {column} does not exist: there are {width}")
    return column - 1


def _wavelength_column(job: Job, block: Block, hints: list[str], stated: int | None) -> int:
    if stated is not None:
        at = _stated(job, stated, len(hints))
        job.say(f"wavelengths in column {stated}, as stated")
        return at
    named = [i for i in range(len(hints)) if _names_x(block, i, job.quantity)]
    if not named:
        _ask_about_numbered_rows(job, block)
        return 0
    if len(named) == 1:
        if named != [0]:
            text = hints[named[0]]
            job.say(f"wavelengths in column {named[0] + 1}, {text!r}, as its name says")
        return named[0]
    in_nm = [i for i in named if units.wavelength_unit(hints[i]) == "nm"]
    if len(in_nm) != 1:
        job.ask(
            "several columns look like wavelengths by their names "
            f"({', '.join(repr(hints[i]) for i in named[:_MOST_LISTED])})",
            "wavelength_column",
            [str(i + 1) for i in named[:_MOST_LISTED]],
            block.first_line,
        )
    job.say(f"of the columns of wavelengths the one in nm is taken, {hints[in_nm[0]]!r}")
    return in_nm[0]


def _ask_about_numbered_rows(job: Job, block: Block) -> None:
    first = [row[0] for row in block.rows]
    numbered = len(first) > 2 and first[0] in (0.0, 1.0) and bool((np.diff(first) == 1.0).all())
    if numbered and len(block.rows[0]) > 2 and job.quantity != "sheet_resistance":
        job.ask(
            "the first column seems to number the rows; where are the wavelengths",
            "wavelength_column",
            ("2", "1"),
            block.first_line,
        )


def _value_columns(
    job: Job, block: Block, hints: list[str], x_at: int, sample: str | int | None
) -> list[int]:
    """The columns of readings: those beside them, told by their names, are left out and said."""
    rest = [i for i in range(len(hints)) if i != x_at]
    beside = [
        i
        for i in rest
        if _names_x(block, i, job.quantity)
        or _BESIDE.search(hints[i].lower())
        or names_another(block, i, job.quantity)
    ]
    if isinstance(sample, str) and not sample.isdigit():
        beside = [i for i in beside if sample not in hints[i]]
    left = [i for i in rest if i not in beside]
    if beside and left:
        job.say(
            f"columns that are no {job.quantity} by their names are left out: "
            + ", ".join(repr(hints[i]) for i in beside[:_MOST_LISTED])
        )
        return left
    return rest


def _layout(job: Job, block: Block, data: Real, hints: list[str]) -> str:
    """ "pairs" if every other column is a column of wavelengths, else "columns"."""
    width = data.shape[1]
    if width % 2:
        return "columns"
    first = data[:, 0][~np.isnan(data[:, 0])]
    alike = [_like(first, data[:, i][~np.isnan(data[:, i])]) for i in range(2, width, 2)]
    named = [_names_x(block, i, job.quantity) for i in range(width)]
    if all(named[::2]) and not any(named[1::2]):
        return "pairs"
    told = any(named[1:]) or (any(hints[1:]) and named[0])
    if any(alike) and not (told and not all(alike)):
        job.ask(
            ("every other column" if all(alike) else "some columns")
            + " may hold wavelengths: pairs of columns, or one column of wavelengths for all?",
            "layout",
            ("pairs", "columns"),
            block.first_line,
        )
    return "columns"


def _like(first: Real, x: Real) -> bool:
    """Whether a column may hold wavelengths like those of the first one."""
    if x.size < 2 or first.size < 2:
        return False
    steps = np.diff(x)
    if not ((steps > 0).all() or (steps < 0).all()):
        return False
    span = float(np.ptp(first))
    overlap = x.min() <= first.max() and x.max() >= first.min()
    return bool(overlap and np.ptp(x) > 0.2 * span and abs(x.min() - first.min()) < 0.5 * span)


# --- samples --------------------------------------------------------------------------------------


def _name(block: Block, x: int, y: int) -> str:
    """The sample's name: words above its columns that are no units."""
    found = []
    for row in block.headings:
        for i in dict.fromkeys((x, y) if x == y - 1 and x % 2 == 0 and x > 0 else (y,)):
            cell = row[i].strip() if i < len(row) else ""
            if cell and not _is_unit(cell):
                found.append(cell)
        # A name over the first column of a pair; over a lone column of wavelengths it is none.
        over = row[0].strip()
        lone = x == 0 and y == 1 and not found and over
        if lone and not (_is_unit(over) or _X_WORDS.search(over.lower())):
            found.append(over)
    return " ".join(dict.fromkeys(found))


def _is_unit(cell: str) -> bool:
    small = units.plain(cell)
    return bool(
        units.wavelength_unit(cell) or _UNIT_CELL.fullmatch(small) or units.irradiance_unit(cell)
    )


def _sample(job: Job, block: Block, names: list[str], sample: str | int | None) -> tuple[int, str]:
    if len(names) == 1 and sample is None:
        return 0, names[0]
    listed = "; ".join(
        f"{i} {n[:60]!r}" if n else f"{i}" for i, n in enumerate(names[:_MOST_LISTED], 1)
    )
    if len(names) > _MOST_LISTED:
        listed += f"; and {len(names) - _MOST_LISTED} more"
    if sample is None:
        numbers = [str(i) for i in range(1, len(names) + 1)]
        job.ask(
            f"{len(names)} columns of readings ({listed}); which one, by number or name",
            "sample",
            numbers[:_MOST_LISTED],
            block.first_line,
        )
    if isinstance(sample, str):
        matches = [i for i, n in enumerate(names) if n == sample]
        if not matches and not sample.isdigit():
            matches = [i for i, n in enumerate(names) if sample and sample in n]
        if len(matches) == 1:
            job.say(f"sample {names[matches[0]]!r}, as stated")
            return matches[0], names[matches[0]]
        if matches or not (sample.isascii() and sample.isdigit() and len(sample) < 9):
            word = "several samples are" if matches else "no sample is"
            job.refuse(f"{word} called {sample[:60]!r}; there are {listed}", block.first_line)
    number = int(sample)
    if not 1 <= number <= len(names):
        job.refuse(f"sample {number} does not exist; there are {listed}", block.first_line)
    name = names[number - 1] or f"column {number}"
    job.say(f"sample {number}, {name!r}, as stated")
    return number - 1, name


# --- n and k --------------------------------------------------------------------------------------


def _index_columns(
    job: Job, block: Block, hints: list[str], x_at: int
) -> tuple[list[int], bool | None]:
    """Columns of n and k, and whether they are eps1 and eps2."""
    if any(re.search(r"psi|delta|ψ|δ", t.lower()) for t in hints):
        job.refuse(
            "Psi and Delta are what an ellipsometer measures, not n and k: export the n and k "
            "of its model",
            block.first_line,
        )
    small = [re.sub(r"[^a-z0-9]", "", t.lower().replace("ε", "e")) for t in hints]

    def find(pattern: str) -> list[int]:
        return [i for i, t in enumerate(small) if i != x_at and re.fullmatch(pattern, t)]

    n = find(r"n|nindex|refractiveindexn?|indexn?|nr?eal|ren|re")
    k = find(r"k|kappa|extinction(coefficient)?k?|imn|im")
    e1, e2 = find(r"e1|eps1|er|epsilon1|epsr"), find(r"e2|eps2|ei|epsilon2|epsi")
    if len(n) == 1 and len(k) <= 1:
        if e1 or e2:
            job.say("n and k are read, the columns of eps are not")
        elif len(hints) > 2 + len(k):
            job.say("only the columns called n and k are read")
        return n + k, False
    if len(e1) == 1 and len(e2) == 1 and not n:
        return e1 + e2, True
    if len(n) > 1 or len(k) > 1:
        job.refuse(
            f"several columns may be n or k ({', '.join(t for t in hints if t)}): take the others "
            "out of the file",
            block.first_line,
        )
    rest = [i for i in range(len(hints)) if i != x_at]
    if len(hints) > 3 or any(hints[i] for i in rest):
        job.refuse(
            f"no column is called n ({', '.join(t or '?' for t in hints)}); name the columns n and "
            "k in the line above the numbers",
            block.first_line,
        )
    return rest, None if len(rest) == 2 else False


# --- units in the header --------------------------------------------------------------------------

_AXIS = r"[ _-]?(?:axis|units?|label)?[ _-]?(?:units?|label)?"
X_KEYS = re.compile(rf"x{_AXIS}|(?:wavelength|abscissa|time){_AXIS}")
Y_KEYS = re.compile(
    rf"y{_AXIS}|(?:ordinate|value|data|photometric|measurement){_AXIS}|units?|"
    r"(?:(?:ordinate|data|photometric|measurement|scan) )?(?:mode|type)"
)


def header_units(
    block: Block, find: Callable[[str], str | None], column: int, keys: re.Pattern[str]
) -> dict[str, str]:
    """Units that the header names for a column, each with where it stands."""
    found: dict[str, str] = {}
    for row in block.headings:
        if column < len(row) and (unit := find(row[column])):
            found.setdefault(unit, "as its header says")
    # A heading in words rarely has as many cells as there are columns.
    if not block.headings and len(block.rows[0]) == 2 and (unit := find(block.heading)):
        found.setdefault(unit, "as its header says")
    for key, value in block.metadata.items():
        if keys.fullmatch(key) and (unit := find(value)):
            found.setdefault(unit, f"as its header says ({key})")
    return found
