"""Checks of numbers, and what all results share."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from optistack.errors import OptistackError

# Endings of an axis' name and the unit they stand for; the longest that fits counts.
_UNITS = {
    "_h": "h",
    "_d": "d",
    "_s": "s",
    "_j_m2": "J/m2",
    "_mj_m2": "MJ/m2",
    "_kwh_m2": "kWh/m2",
    "_photons_m2": "photons/m2",
    "_photon_dose_m2": "photons/m2",
    "_mol_m2": "mol/m2",
}


def axis_words(axis: str) -> tuple[str, str]:
    """Quantity and unit of an axis: ("time", "h") for "time_h"; no unit where none is known.

    Examples
    --------
    >>> axis_words("absorbed_photon_dose_m2")
    ('absorbed photon dose', 'photons/m2')
    """
    for ending in sorted(_UNITS, key=len, reverse=True):
        if axis.endswith(ending):
            name = axis.removesuffix("_m2" if ending == "_photon_dose_m2" else ending)
            return name.replace("_", " "), _UNITS[ending]
    return axis.replace("_", " "), ""


def axis_label(axis: str) -> str:
    """Label for a figure: "time (h)"."""
    name, unit = axis_words(axis)
    return f"{name} ({unit})" if unit else name


def place(axis: str, at: float) -> str:
    """A place on an axis: "time 500 h"."""
    name, unit = axis_words(axis)
    return f"{name} {at:g}{' ' + unit if unit else ''}"


def positive(name: str, value: float, unit: str) -> None:
    """Refuse what is not a finite number above zero."""
    if not (isinstance(value, int | float | np.floating) and math.isfinite(value) and value > 0):
        raise OptistackError(f"{name} is {value}{' ' + unit if unit else ''}: it must be above 0")


def not_negative(name: str, value: float, unit: str) -> None:
    """Refuse what is not a finite number of at least zero."""
    if not (isinstance(value, int | float | np.floating) and math.isfinite(value) and value >= 0):
        raise OptistackError(f"{name} is {value}{' ' + unit if unit else ''}: it must be 0 or more")


def read_only(result: object) -> None:
    """Make the arrays of a frozen result, also those in its mappings, read-only."""
    for name in getattr(result, "__dataclass_fields__", ()):
        value = getattr(result, name)
        parts = list(value.values()) if isinstance(value, Mapping) else [value]
        for part in parts:
            for array in part if isinstance(part, tuple) else (part,):
                if isinstance(array, np.ndarray):
                    array.setflags(write=False)
