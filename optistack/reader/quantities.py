"""Wavelengths and values of an export in the project's own units."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from optistack.reader import units
from optistack.reader.dialect import Block
from optistack.reader.job import Job
from optistack.reader.layout import X_KEYS, Y_KEYS, Columns, header_units, hint, names_another

Real = NDArray[np.float64]

UNITS: Mapping[str, tuple[str, ...]] = {
    "transmittance": units.TRANSMITTANCE_UNITS,
    "reflectance": units.FRACTION_UNITS,
    "spectral_irradiance": units.IRRADIANCE_UNITS,
    "quantum_efficiency": units.EFFICIENCY_UNITS,
    "nk": ("nk", "eps"),
    "sheet_resistance": units.RESISTANCE_UNITS,
}
NEGATIVE = ("zero", "empty")
LEAST_FRACTION, MOST_FRACTION = -0.01, 1.02
# No instrument reads a higher density, and no solar cell gives more amperes per watt below 2500 nm.
_MOST_DENSITY, _MOST_RESPONSIVITY = 6.0, 2.0
# Below 0 up to this part of the largest value is noise; of k, up to this.
NEGATIVE_PART, NEGATIVE_K = 0.01, 0.01


def _the_unit(
    job: Job,
    block: Block,
    find: Callable[[str], str | None],
    column: int,
    *,
    option: str,
    of_x: bool = False,
) -> tuple[str | None, str]:
    """The unit that the header names, and where; asks where it names two."""
    found = header_units(block, find, column, X_KEYS if of_x else Y_KEYS)
    if len(found) > 1:
        job.ask(
            f"the header names several units ({', '.join(found)})",
            option,
            tuple(found),
            block.first_line,
        )
    return next(iter(found.items()), (None, ""))


def _value_unit(
    job: Job,
    block: Block,
    columns: Columns,
    stated: str | None,
    find: Callable[[str], str | None],
    known: tuple[str, ...],
    what: str,
) -> tuple[str, str]:
    """The unit of the values, stated or in the header, and where it is from; asks else."""
    if stated is not None:
        return stated, "as stated"
    unit, why = _the_unit(job, block, find, columns.at, option="unit")
    if unit is None:
        job.ask(f"{what} without a unit that is known here", "unit", known, block.first_line)
    return unit, why


# --- wavelengths and times ------------------------------------------------------------------------


def wavelengths(job: Job, block: Block, columns: Columns, stated: str | None) -> Real:
    """Wavelengths [nm]."""
    x = columns.x
    unit, why = stated, "as stated"
    if unit is None:
        unit, why = _the_unit(
            job, block, units.wavelength_unit, columns.x_at, option="wavelength_unit", of_x=True
        )
    if (x <= 0).any():
        at = int(np.argmax(x <= 0))
        job.refuse(f"wavelength {x[at]:g} must be positive", int(columns.lines[at]))
    if unit is None:
        unit, why = _only_plausible(job, block, x)
    with np.errstate(over="ignore"):
        lam = np.asarray(units.WAVELENGTHS[unit](x), dtype=float)
    if lam.min() < 100 or lam.max() > 30000:
        at = int(np.argmax((lam < 100) | (lam > 30000)))
        job.refuse(
            f"{x[at]:g} {unit} is {lam[at]:g} nm, outside 100-30000 nm; is wavelength_unit wrong?",
            int(columns.lines[at]),
        )
    job.say(f"wavelengths in {unit}, {why}" + ("" if unit == "nm" else "; turned into nm"))
    return lam


def _only_plausible(job: Job, block: Block, x: Real) -> tuple[str, str]:
    low, high = units.PLAUSIBLE_NM
    with np.errstate(over="ignore"):
        lam = {unit: to_nm(x) for unit, to_nm in units.WAVELENGTHS.items()}
    plausible = [u for u, v in lam.items() if low <= v.min() and v.max() <= high]
    # Any other unit than nm is written down, or asked for.
    if plausible != ["nm"]:
        job.ask(
            f"the wavelengths run from {x[0]:g} to {x[-1]:g} without a unit",
            "wavelength_unit",
            plausible or tuple(units.WAVELENGTHS),
            block.first_line,
        )
    return "nm", f"as only so they lie between {low:g} and {high:g} nm"


def hours(job: Job, block: Block, columns: Columns, stated: str | None) -> Real:
    """Times [h]."""
    x = columns.x
    unit, why = stated, "as stated"
    if unit is None:
        unit, why = _the_unit(
            job, block, units.time_unit, columns.x_at, option="time_unit", of_x=True
        )
    if unit is None:
        job.ask("times without a unit", "time_unit", tuple(units.HOURS), block.first_line)
    if (x < 0).any():
        at = int(np.argmax(x < 0))
        job.refuse(f"time {x[at]:g} is negative", int(columns.lines[at]))
    job.say(f"times in {unit}, {why}" + ("" if unit == "h" else "; turned into hours"))
    return np.asarray(x * units.HOURS[unit])


# --- values ---------------------------------------------------------------------------------------


def fractions(job: Job, block: Block, columns: Columns, lam: Real, stated: str | None) -> Real:
    """Transmittance, reflectance or quantum efficiency as fractions."""
    allowed = UNITS[job.quantity]
    values = columns.values[:, 0]
    largest, smallest = float(values.max()), float(values.min())
    unit, why = stated, "as stated"
    if unit is None and block.percent and block.percent[columns.at]:
        unit, why = "percent", "as its numbers say"
    if unit is None:
        unit, why = _the_unit(job, block, units.fraction_unit, columns.at, option="unit")
    if unit is not None and unit not in allowed:
        job.ask(
            f"the header says {unit.replace('_', ' ')}, which {job.quantity} is not read from",
            "unit",
            allowed,
            block.first_line,
        )
    if other := names_another(block, columns.at, job.quantity):
        job.refuse(
            f"the header calls the values {other}, not {job.quantity}: read them as that, or "
            "put the header right",
            block.first_line,
        )
    plausible = [u for u in allowed if _may_be(u, smallest, largest)]
    if re.search(r"eqe|ipce|iqe|efficiency", hint(block, columns.at).lower()):
        plausible = [u for u in plausible if u not in units.RESPONSIVITY]
    if unit is None:
        # Nothing is written, but only one reading may be possible.
        if plausible != ["percent"]:
            job.ask(
                f"values reach {largest:g} without a unit",
                "unit",
                plausible or allowed,
                block.first_line,
            )
        unit, why = "percent", f"since values reach {largest:g}"
    elif unit == "percent" and why != "as stated" and largest <= MOST_FRACTION:
        job.ask(
            f"values are percent, {why}, but the largest is {largest:g}: less than {largest:.2g} %,"
            " or fractions after all",
            "unit",
            ("percent", "fraction"),
            block.first_line,
        )
    job.say(f"values in {unit.replace('_', ' ')}, {why}")
    with np.errstate(over="ignore"):
        if unit == "optical_density":
            job.say("transmittance is 10^-(optical density), reflection losses and all")
            out = 10.0 ** (-values)
        elif unit in units.RESPONSIVITY:
            job.say("quantum efficiency is responsivity x h c / (e lambda)")
            out = values * (units.RESPONSIVITY[unit] * units.EV_NM) / lam
        elif unit == "percent":
            out = values / 100.0
        else:
            out = values.copy()
    bad = np.flatnonzero(~((out >= LEAST_FRACTION) & (out <= MOST_FRACTION)))
    if bad.size:
        at = int(bad[0])
        job.refuse(
            f"{values[at]:g} is no {job.quantity} in {unit.replace('_', ' ')}: readings from "
            f"{LEAST_FRACTION} to {MOST_FRACTION} (as fractions) are kept; is the unit wrong?",
            int(columns.lines[at]),
        )
    outside = int(((out < 0) | (out > 1)).sum())
    if outside:
        job.say(f"{outside} readings below 0 or above 1 are kept as read")
    return np.asarray(out)


def _may_be(unit: str, smallest: float, largest: float) -> bool:
    if unit == "fraction":
        return largest <= MOST_FRACTION and smallest >= LEAST_FRACTION
    if unit == "optical_density":
        return largest <= _MOST_DENSITY and smallest >= LEAST_FRACTION
    if unit == "A/W":
        return largest <= _MOST_RESPONSIVITY
    if unit == "mA/W":
        return _MOST_RESPONSIVITY < largest <= 1000 * _MOST_RESPONSIVITY
    return smallest >= 100 * LEAST_FRACTION and largest <= 100 * MOST_FRACTION


def irradiance(
    job: Job,
    block: Block,
    columns: Columns,
    lam: Real,
    stated: str | None,
    negative: str | None,
) -> tuple[dict[str, Real], str]:
    """Spectral irradiance [W/(m2 nm)], or relative values, and which of the two."""
    values = columns.values[:, 0]
    unit, why = _value_unit(
        job, block, columns, stated, units.irradiance_unit, units.IRRADIANCE_UNITS, "irradiance"
    )
    if unit.endswith("eV") and stated is None:
        job.say("values per eV are turned into values per nm, x h c / lambda^2")
    job.say(f"values in {unit}, {why}")
    values = _without_negative(job, columns, values, negative)
    if unit == units.RELATIVE:
        return {"mid": values}, "relative_spectral_irradiance"
    with np.errstate(over="ignore"):
        values = values * units.IRRADIANCE[unit](lam)
    if not np.isfinite(values[~np.isnan(values)]).all():
        job.refuse(f"values in {unit} beyond what a number can hold", block.first_line)
    return {"spectral_irradiance_w_m2_nm": values}, "spectral_irradiance"


def _without_negative(job: Job, columns: Columns, values: Real, negative: str | None) -> Real:
    below = values < 0
    largest, lowest = float(values.max()), float(values.min())
    if largest <= 0:
        job.refuse("no value is positive", int(columns.lines[0]))
    if not below.any():
        return values.copy()
    if negative is None and -lowest > NEGATIVE_PART * largest:
        at = int(np.argmin(values))
        job.ask(
            f"{values[at]:g} is negative, {-lowest / largest:.2g} of the largest value: is the "
            "dark signal subtracted? If it is noise, what becomes of it",
            "negative",
            NEGATIVE,
            int(columns.lines[at]),
        )
    fate = "not known" if negative == "empty" else "0"
    job.say(
        f"{int(below.sum())} negative values, down to {lowest:g} ({-lowest / largest:.1g} of the "
        f"largest), are noise and taken as {fate}" + (", as stated" if negative else "")
    )
    return np.where(below, np.nan if negative == "empty" else 0.0, values)


def resistance(job: Job, block: Block, columns: Columns, stated: str | None) -> Real:
    """Sheet resistance [ohm/sq]."""
    values = columns.values[:, 0]
    unit, why = _value_unit(
        job,
        block,
        columns,
        stated,
        units.resistance_unit,
        units.RESISTANCE_UNITS,
        "sheet resistance",
    )
    bad = np.flatnonzero(~(values > 0))
    if bad.size:
        at = int(bad[0])
        job.refuse(f"{values[at]:g}: a sheet resistance is positive", int(columns.lines[at]))
    job.say(f"values in {unit}, {why}")
    with np.errstate(over="ignore"):
        out = np.asarray(values * units.RESISTANCE[unit])
    if not np.isfinite(out).all():
        job.refuse(f"values in {unit} beyond what a number can hold", block.first_line)
    return out


def index(
    job: Job, block: Block, columns: Columns, stated: str | None, negative: str | None
) -> dict[str, Real]:
    """n and, where there is one, k."""
    values, lines = columns.values, columns.lines
    eps = columns.eps if stated is None else stated == "eps"
    if eps is None:
        job.ask(
            "two columns without names: n and k, or eps1 and eps2",
            "unit",
            UNITS["nk"],
            block.first_line,
        )
    if eps:
        if values.shape[1] != 2:
            job.refuse("eps needs two columns, eps1 and eps2", block.first_line)
        values = _from_eps(job, columns, negative)
    n = values[:, 0].copy()
    bad = np.flatnonzero(n <= 0)
    if bad.size:
        at = int(bad[0])
        job.refuse(f"n = {n[at]:g} must be positive", int(lines[at]))
    if values.shape[1] == 1:
        job.say("no column of k: k is not known, it is not 0")
        return {"n": n}
    return {"n": n, "k": _not_negative_k(job, values[:, 1].copy(), lines, negative)}


def _from_eps(job: Job, columns: Columns, negative: str | None) -> Real:
    eps1, eps2 = columns.values.T
    if np.nanmin(eps2) < 0 and negative != "zero":
        at = int(np.nanargmin(eps2))
        job.ask(
            f"eps2 = {eps2[at]:g} is negative. If it is noise, what becomes of it",
            "negative",
            ("zero",),
            int(columns.lines[at]),
        )
    if (eps2 < 0).any():
        job.say(f"{int((eps2 < 0).sum())} negative eps2 are noise and taken as 0, as stated")
    job.say("n + ik is the square root of eps1 + i eps2")
    root = np.sqrt(eps1 + 1j * np.where(eps2 < 0, 0.0, eps2))
    return np.stack([root.real, root.imag], axis=1)


def _not_negative_k(job: Job, k: Real, lines: NDArray[np.int_], negative: str | None) -> Real:
    below = k < 0
    if below.any():
        lowest, at = float(np.nanmin(k)), int(np.nanargmin(k))
        if negative is None and lowest < -NEGATIVE_K:
            job.ask(
                f"k = {k[at]:g} is negative: n + ik with k >= 0 absorbs. Is its sign turned round? "
                "If it is noise, what becomes of it",
                "negative",
                NEGATIVE,
                int(lines[at]),
            )
        zero = negative == "zero"
        k[below] = 0.0 if zero else np.nan
        job.say(
            f"{int(below.sum())} negative k, down to {lowest:g}, are noise: "
            + ("taken as 0, as stated" if zero else "k is not known there")
        )
    if np.isnan(k).all():
        job.refuse("no k is left", int(lines[0]))
    return k


# --- regular or hemispherical ---------------------------------------------------------------------


def measurement(job: Job, block: Block, stated: str | None) -> str:
    """ "regular", "hemispherical" or "not stated"."""
    if stated is not None:
        job.say(f"{stated} {job.quantity}, as stated")
        return stated
    found = units.measured_as("\n".join(block.before))
    if found == "both":
        job.ask(
            "the header names both a regular and a hemispherical measurement",
            "measurement",
            ("regular", "hemispherical"),
            block.first_line,
        )
    if found is None:
        job.say(
            f"whether the {job.quantity} is regular or hemispherical is not stated (measurement); "
            "it is taken as regular"
        )
        return "not stated"
    job.say(f"{found} {job.quantity}, as its header says")
    return found


def floor(job: Job, values: Real, stated: float | None) -> None:
    """Say what lies below the stray-light floor of a transmittance."""
    if stated is None:
        low = float(values.min())
        if low < 1e-3:
            job.say(
                f"readings down to {low:.2g} are kept as read: no stray-light floor is stated "
                "(stray_light_floor)"
            )
        return
    below = int((values < stated).sum())
    job.say(
        f"stray-light floor {stated:g}, as stated; {below} readings lie below it and are at most "
        "the floor"
    )
