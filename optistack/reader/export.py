"""Exports of spectrophotometers, spectroradiometers, quantum-efficiency set-ups, ellipsometers and
sheet-resistance meters: read with every assumption said, refused where two readings are plausible.
"""

from __future__ import annotations

from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from optistack.errors import TableError
from optistack.reader import quantities, units
from optistack.reader.dialect import DELIMITERS, Block, find_blocks, maybe_thousands
from optistack.reader.job import Job
from optistack.reader.layout import choose, hint
from optistack.reader.series import DUPLICATES, in_order
from optistack.reader.tabled import AGEING_COLUMNS, Export, from_ageing, from_table, table_kind
from optistack.reader.text import decode, split_lines

Real = NDArray[np.float64]

# What the command line calls them.
ALIASES = {
    "irradiance": "spectral_irradiance",
    "eqe": "quantum_efficiency",
    "sheet-resistance": "sheet_resistance",
}
_DELIMITER_NAMES = {**{name: mark for mark, name in DELIMITERS.items()}, "blank": " "}
# Fractions, n and k are never in thousands.
_MAY_BE_THOUSANDS = ("spectral_irradiance", "sheet_resistance")


def read_export(
    path: str | Path,
    quantity: str,
    *,
    unit: str | None = None,
    wavelength_unit: str | None = None,
    time_unit: str | None = None,
    delimiter: str | None = None,
    decimal: str | None = None,
    missing: str | None = None,
    block: int | None = None,
    layout: str | None = None,
    wavelength_column: int | None = None,
    sample: str | int | None = None,
    measurement: str | None = None,
    stray_light_floor: float | None = None,
    duplicates: str | None = None,
    negative: str | None = None,
) -> Export:
    """Read one sample of an instrument's export.

    Every option answers a question that the reader may ask; none is needed where the file leaves
    no doubt. A file in the table format is taken as it is, bit for bit.

    Parameters
    ----------
    path : str or Path
        Text with a block of numbers, with or without lines before and after it.
    quantity : str
        "transmittance", "reflectance", "irradiance", "eqe", "nk" or "sheet-resistance".
    unit : str, optional
        Of the values. Transmittance: "fraction", "percent", "optical_density". Quantum efficiency:
        "fraction", "percent", "A/W", "mA/W". Irradiance: "W/m2/nm", "mW/m2/nm", "uW/m2/nm",
        "W/cm2/nm", "mW/cm2/nm", "uW/cm2/nm", "W/m2/um", "W/m2/eV", "photons/m2/s/nm",
        "photons/cm2/s/nm", "photons/m2/s/eV", "umol/m2/s/nm", "relative". Sheet resistance:
        "ohm/sq", "kohm/sq", "mohm/sq". n and k: "nk" or "eps".
    wavelength_unit : str, optional
        "nm", "um", "angstrom", "eV" or "cm-1".
    time_unit : str, optional
        "h", "min", "s" or "d", for a sheet resistance.
    delimiter, decimal : str, optional
        "semicolon", "comma", "tab" or "blanks" (or the character itself); "." or ",".
    missing : str, optional
        What the file writes where a reading is missing.
    block : int, optional
        Which block of numbers, from 1, where a file has several.
    layout : "columns" or "pairs", optional
        Several samples: one column each beside one of wavelengths, or a pair of columns each.
    wavelength_column : int, optional
        From 1.
    sample : str or int, optional
        Its name in the header, or its number from 1.
    measurement : "regular" or "hemispherical", optional
        How a transmittance was measured.
    stray_light_floor : float, optional
        Transmittance below which a reading is only "at most".
    duplicates : "mean", "first" or "last", optional
        Which to take of readings of one wavelength that differ by more than 0.01 (fractions, n, k
        0.02; others 2 % of the largest). Without it they are refused.
    negative : "zero" or "empty", optional
        What becomes of negative irradiance or k. Without it an irradiance within 1 % of its
        largest value becomes 0, a k above -0.01 becomes not known, and what is lower is refused.

    Returns
    -------
    Export

    Raises
    ------
    TableError
        With file, and line where there is one: no numbers, values that cannot be what they are
        said to be.
    QuestionError
        Two plausible readings; its ``option`` and ``choices`` say what to state.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "foil.txt"
    >>> _ = file.write_text("mode;regular\\nnm;%T\\n410,0;88,5\\n400,0;71,25\\n")
    >>> export = read_export(file, "transmittance")
    >>> print(export.wavelength_nm, export.columns["transmittance"], export.measurement)
    [400. 410.] [0.7125 0.885 ] regular
    >>> for said in export.assumptions:
    ...     print(said)
    foil.txt: 2 rows from line 3, semicolon-delimited, decimal comma
    foil.txt: wavelengths in nm, as its header says
    foil.txt: values in percent, as its header says
    foil.txt: wavelengths run from long to short; reversed
    foil.txt: regular transmittance, as its header says
    """
    path = Path(path)
    quantity = ALIASES.get(quantity, quantity)
    if quantity not in quantities.UNITS:
        raise TableError(f"quantity {quantity!r} is not one of {', '.join(quantities.UNITS)}", path)
    if wavelength_unit is not None:
        wavelength_unit = {"ev": "eV", "EV": "eV"}.get(wavelength_unit, wavelength_unit)
    unit = unit.replace("optical-density", "optical_density") if unit is not None else None
    delimiter = _DELIMITER_NAMES.get(delimiter, delimiter) if delimiter is not None else None
    _check_options(
        path,
        quantity,
        unit=(unit, quantities.UNITS[quantity]),
        wavelength_unit=(
            wavelength_unit,
            () if quantity == "sheet_resistance" else tuple(units.WAVELENGTHS),
        ),
        time_unit=(time_unit, tuple(units.HOURS) if quantity == "sheet_resistance" else ()),
        delimiter=(DELIMITERS.get(delimiter or "", delimiter), (*DELIMITERS.values(),)),
        decimal=(decimal, (".", ",")),
        layout=(layout, ("columns", "pairs")),
        measurement=(
            measurement,
            ("regular", "hemispherical") if quantity in ("transmittance", "reflectance") else (),
        ),
        duplicates=(duplicates, DUPLICATES),
        negative=(
            negative,
            quantities.NEGATIVE if quantity in ("spectral_irradiance", "nk") else (),
        ),
    )
    if stray_light_floor is not None:
        if quantity != "transmittance":
            raise TableError(f"stray_light_floor does not belong to {quantity}", path)
        if not 0 <= stray_light_floor < 1:
            raise TableError(
                f"stray_light_floor {stray_light_floor:g} is a transmittance, 0 to 1", path
            )
    text, digest, encoding = decode(path)
    stated = {
        "unit": unit,
        "wavelength_unit": wavelength_unit,
        "time_unit": time_unit,
        "delimiter": delimiter,
        "decimal": decimal,
        "missing": missing,
        "block": block,
        "layout": layout,
        "wavelength_column": wavelength_column,
        "duplicates": duplicates,
        "negative": negative,
    }
    kind = table_kind(text)
    if kind == "wavelength_nm":
        return from_table(path, quantity, stated, sample, measurement, stray_light_floor)
    if kind == "specimen":
        return from_ageing(path, text, digest, quantity, stated, sample)
    job = Job(path, quantity)
    found = find_blocks(text, path, delimiter, decimal, lenient=True, missing=missing)
    numbers = _the_block(job, found, block)
    if decimal is None and quantity in _MAY_BE_THOUSANDS:
        _ask_about_thousands(job, numbers, split_lines(text))
    job.say(f"{len(numbers.rows)} rows from line {numbers.first_line}, {numbers.described}")
    if encoding:
        job.say(f"read as {encoding}")
    if numbers.joined:
        job.say(
            f"{len(numbers.joined)} blank or commented lines between the numbers are passed over, "
            f"the first is line {numbers.joined[0]}"
        )
    if numbers.unread:
        job.say(f"other rows of numbers, from line {numbers.unread}, are not read")
    columns = choose(
        job, numbers, layout=layout, sample=sample, wavelength_column=wavelength_column
    )
    if quantity == "sheet_resistance":
        x = quantities.hours(job, numbers, columns, time_unit)
    else:
        x = quantities.wavelengths(job, numbers, columns, wavelength_unit)
    made = quantity
    if quantity == "nk":
        named = quantities.index(job, numbers, columns, unit, negative)
    elif quantity == "sheet_resistance":
        named = {AGEING_COLUMNS[2]: quantities.resistance(job, numbers, columns, unit)}
    elif quantity == "spectral_irradiance":
        named, made = quantities.irradiance(job, numbers, columns, x, unit, negative)
    else:
        named = {quantity: quantities.fractions(job, numbers, columns, x, unit)}
    x, values, _ = in_order(
        job,
        x,
        np.stack(list(named.values()), axis=1),
        columns.lines,
        duplicates,
        rising_in_file=bool(columns.x[-1] > columns.x[0]),
    )
    named = {name: values[:, i].copy() for i, name in enumerate(named)}
    how = "not stated"
    if quantity in ("transmittance", "reflectance"):
        how = quantities.measurement(job, numbers, measurement)
    if quantity == "transmittance":
        quantities.floor(job, named[quantity], stray_light_floor)
    invented = any("invented" in line.lower() for line in numbers.before)
    if invented:
        job.say("its header calls the data invented: grade D")
    return Export(
        name=path.stem,
        path=str(path),
        sha256=digest,
        quantity=made,
        sample=columns.sample,
        wavelength_nm=x,
        columns=MappingProxyType(named),
        measurement=how,
        stray_light_floor=stray_light_floor,
        invented=invented,
        metadata=MappingProxyType(dict(numbers.metadata)),
        assumptions=tuple(job.said),
    )


def _check_options(
    path: Path, quantity: str, **options: tuple[str | None, tuple[str, ...]]
) -> None:
    for name, (value, allowed) in options.items():
        if value is None or value in allowed:
            continue
        if not allowed:
            raise TableError(f"{name} does not belong to {quantity}", path)
        raise TableError(
            f"{name} {value[:40]!r} is not one of {', '.join(allowed)} (for {quantity})", path
        )


def _ask_about_thousands(job: Job, numbers: Block, lines: list[str]) -> None:
    if maybe_thousands(lines, numbers):
        mark = "comma" if numbers.decimal == "," else "point"
        job.ask(
            f"every {mark} is followed by three digits: the decimal sign, or a mark between "
            "thousands (which is not read: export without it)",
            "decimal",
            (numbers.decimal,),
            numbers.first_line,
        )


def _the_block(job: Job, found: list[Block], stated: int | None) -> Block:
    """One of several blocks of numbers; n and k in two blocks of the same wavelengths are one."""
    ordered = sorted(found, key=lambda b: b.first_line)
    if stated is not None:
        if not 1 <= stated <= len(ordered):
            job.refuse(f"block {stated} does not exist: there are {len(ordered)}")
        if len(ordered) > 1:
            job.say(f"block {stated} of {len(ordered)} blocks of numbers, as stated")
        return ordered[stated - 1]
    joined = _n_and_k(ordered) if job.quantity == "nk" else None
    if joined is not None:
        job.say(
            f"n from line {ordered[0].first_line} and k from line {ordered[1].first_line}, at the "
            "same wavelengths"
        )
        return joined
    if len(found) > 1:
        listed = "; ".join(
            f"{i} from line {b.first_line}, {len(b.rows)} rows"
            for i, b in enumerate(ordered[:20], 1)
        )
        job.ask(
            f"{len(ordered)} blocks of numbers ({listed}); which one",
            "block",
            [str(i) for i in range(1, len(ordered[:20]) + 1)],
            ordered[1].first_line,
        )
    return found[0]


def _n_and_k(blocks: list[Block]) -> Block | None:
    if len(blocks) != 2 or any(len(b.rows[0]) != 2 for b in blocks):
        return None
    first, second = blocks
    if hint(first, 1).lower() != "n" or hint(second, 1).lower() != "k":
        return None
    if [row[0] for row in first.rows] != [row[0] for row in second.rows]:
        return None
    rows = tuple((*a, b[1]) for a, b in zip(first.rows, second.rows, strict=True))
    headings = ((first.headings[-1][0], "n", "k"),)
    return Block(
        **{
            **first.__dict__,
            "rows": rows,
            "headings": headings,
            "percent": (*first.percent, False),
        }
    )
