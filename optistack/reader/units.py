"""Units of instrument exports: how they are written, and what turns them into the project's own."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from optistack.spectral_math import AVOGADRO_MOL, ELEMENTARY_CHARGE_C, PHOTON_J_NM

Real = NDArray[np.float64]

EV_NM = PHOTON_J_NM / ELEMENTARY_CHARGE_C

# --- wavelengths and times ------------------------------------------------------------------------

# To nm. Where it falls with the unit, the order of the points turns round.
WAVELENGTHS: Mapping[str, Callable[[Real], Real]] = {
    "nm": lambda x: x,
    "um": lambda x: 1000.0 * x,
    "angstrom": lambda x: x / 10.0,
    "eV": lambda x: EV_NM / x,
    "cm-1": lambda x: 1e7 / x,
}
# What an optical instrument for solar cells may cover; used only where no unit is written.
PLAUSIBLE_NM = (150.0, 3500.0)
HOURS: Mapping[str, float] = {"h": 1.0, "min": 1 / 60, "s": 1 / 3600, "d": 24.0}


def plain(text: str) -> str:
    """A unit as written, in lower case and with its signs made alike.

    Examples
    --------
    >>> plain("[µW · cm⁻²  nm⁻¹]")
    '[uw cm-2 nm-1]'
    """
    for old, new in (
        ("µ", "u"),
        ("μ", "u"),
        ("²", "2"),
        ("⁻", "-"),
        ("¹", "1"),
        ("³", "3"),
        ("−", "-"),
        ("·", " "),
        ("*", " "),
        ("^", ""),
        ("Å", "angstrom"),
        ("Å", "angstrom"),
        ("Ω", "ohm"),
        ("Ω", "ohm"),
        ("□", "sq"),
    ):
        text = text.replace(old, new)
    return " ".join(text.lower().replace("ohms", "ohm").split())


def _named(pattern: str, text: str) -> bool:
    return re.search(rf"(?<![a-z0-9])(?:{pattern})(?![a-z0-9])", text) is not None


def wavelength_unit(text: str) -> str | None:
    """The unit of wavelengths that a heading names, or None (none, or more than one)."""
    # Per nm belongs to the values.
    per = r"(?:(?<=[\d)])|(?<=/s)|(?<=/ s)) ?/ ?(?:nm|um|ev)(?![a-z])"
    t = re.sub(rf"{per}|per (?:nm|um|ev)(?![a-z])|(?:nm|um|ev) ?-1", " ", plain(text))
    found = {
        unit
        for unit, pattern in (
            ("cm-1", r"cm ?-1|1/cm|cm\*\*-1|wavenumbers?"),
            ("eV", r"ev|electron ?volts?"),
            ("um", r"um|microns?|micromet(?:er|re)s?"),
            ("nm", r"nm|nanomet(?:er|re)s?"),
            ("angstrom", r"angstroms?"),
        )
        if _named(pattern, t)
    }
    glued = re.search(r"(?:wavelength|lambda|wl|wave|energy)[\[(_/]*(nm|um|cm-1|ev)(?![a-z0-9])", t)
    if glued:
        found.add(glued.group(1).replace("ev", "eV"))
    return found.pop() if len(found) == 1 else None


def time_unit(text: str) -> str | None:
    """The unit of times that a heading names, or None."""
    words = set(re.findall(r"[a-z]+", text.lower().replace("_", " ")))
    found = [
        unit
        for unit, names in (
            ("min", {"min", "mins", "minute", "minutes"}),
            ("s", {"s", "sec", "secs", "second", "seconds"}),
            ("d", {"d", "day", "days"}),
            ("h", {"h", "hr", "hrs", "hour", "hours"}),
        )
        if words & names
    ]
    return found[0] if len(found) == 1 else None


# --- values ---------------------------------------------------------------------------------------

FRACTION_UNITS = ("fraction", "percent")
TRANSMITTANCE_UNITS = (*FRACTION_UNITS, "optical_density")
RESPONSIVITY: Mapping[str, float] = {"A/W": 1.0, "mA/W": 1e-3}
EFFICIENCY_UNITS = (*FRACTION_UNITS, *RESPONSIVITY)

# To W/(m2 nm): a factor, or a function of wavelength [nm]. Per eV: dE/dlambda = h c / lambda^2.
IRRADIANCE: Mapping[str, Callable[[Real], Real]] = {
    "W/m2/nm": lambda lam: np.ones_like(lam),
    "mW/m2/nm": lambda lam: np.full_like(lam, 1e-3),
    "uW/m2/nm": lambda lam: np.full_like(lam, 1e-6),
    "W/cm2/nm": lambda lam: np.full_like(lam, 1e4),
    "mW/cm2/nm": lambda lam: np.full_like(lam, 10.0),
    "uW/cm2/nm": lambda lam: np.full_like(lam, 1e-2),
    "W/m2/um": lambda lam: np.full_like(lam, 1e-3),
    "W/m2/eV": lambda lam: EV_NM / lam**2,
    "photons/m2/s/nm": lambda lam: PHOTON_J_NM / lam,
    "photons/cm2/s/nm": lambda lam: 1e4 * PHOTON_J_NM / lam,
    "photons/m2/s/eV": lambda lam: PHOTON_J_NM * EV_NM / lam**3,
    "umol/m2/s/nm": lambda lam: 1e-6 * AVOGADRO_MOL * PHOTON_J_NM / lam,
}
RELATIVE = "relative"
IRRADIANCE_UNITS = (*IRRADIANCE, RELATIVE)
RESISTANCE: Mapping[str, float] = {"ohm/sq": 1.0, "kohm/sq": 1e3, "mohm/sq": 1e-3}
RESISTANCE_UNITS = tuple(RESISTANCE)

_PER = r"[ /.()-]*(?:per )?\(?"
_WATT = re.compile(rf"(?<![a-z])([muk]?)w(?:atts?)?{_PER}(c?m) ?-?2\)?{_PER}(nm|um|ev)(?![a-z])")
_PHOTONS = re.compile(rf"(?<![a-z])(c?m) ?-?2\)?{_PER}s(?:ec)?(?: ?-1)?{_PER}(nm|ev)(?![a-z])")
_MOLES = re.compile(rf"umol{_PER}(?:photons)?{_PER}m ?-?2\)?{_PER}s(?: ?-1)?{_PER}nm(?![a-z])")


def irradiance_unit(text: str) -> str | None:
    """The unit of spectral irradiance that a heading names, or None."""
    t = plain(text)
    if _MOLES.search(t):
        return "umol/m2/s/nm"
    match = _WATT.search(t)
    if match:
        unit = f"{match.group(1)}W/{match.group(2)}2/{match.group(3)}".replace("ev", "eV")
        return unit if unit in IRRADIANCE else None
    if "photon" in t or "flux" in t or "#" in t:
        match = _PHOTONS.search(t)
        if match:
            unit = f"photons/{match.group(1)}2/s/{match.group(2)}".replace("ev", "eV")
            return unit if unit in IRRADIANCE else None
    if _named(r"a\.?u\.?|counts?|relative|normali[sz]ed|arb\.?(?: units)?", t):
        return RELATIVE
    return None


def fraction_unit(text: str) -> str | None:
    """The unit of a transmittance, reflectance or efficiency that a heading names, or None.

    None also where it names two, such as "Abs (% T)".
    """
    t = plain(text)
    found = {
        unit
        for unit, there in (
            ("percent", "%" in t or _named(r"per ?cent|pct", t)),
            ("optical_density", _named(r"abs|absorbance|od|optical density|extinction|a\.u\.?", t)),
            ("mA/W", _named(r"ma/w", t)),
            ("A/W", _named(r"a/w", t)),
            ("fraction", _named(r"fraction|0 ?(?:-|\.\.|to) ?1(?:\.0)?", t)),
        )
        if there
    }
    return found.pop() if len(found) == 1 else None


def named_quantity(text: str) -> str | None:
    """What a cell of a heading calls its column: "transmittance", "reflectance", "absorptance".

    None where it says neither, or more than one. A letter counts alone or beside a per cent sign.

    Examples
    --------
    >>> named_quantity("%R"), named_quantity("T (%)"), named_quantity("Foil R")
    ('reflectance', 'transmittance', None)
    """
    t = plain(text)
    letter = re.fullmatch(
        r"[\[(]?(?:% ?([tra])|([tr])(?: ?[\[(]? ?% ?[\])]?)?|a ?[\[(]? ?%.?)[\])]?", t
    )
    found = {
        name
        for name, pattern in (
            ("transmittance", "transmi"),
            ("reflectance", "reflect"),
            ("absorptance", "absorptance|absorption"),
        )
        if re.search(pattern, t)
    }
    if letter:
        first = letter.group(1) or letter.group(2) or "a"
        found.add({"t": "transmittance", "r": "reflectance", "a": "absorptance"}[first])
    return found.pop() if len(found) == 1 else None


def resistance_unit(text: str) -> str | None:
    """The unit of a sheet resistance that a heading names, or None."""
    signs = text.replace("Ω", "ohm").replace("Ω", "ohm").replace("Ohm", "ohm").replace(" ", "")
    match = re.search(r"([kKmMGµu]?)(?:ohm|OHM)", signs)
    if match is None:
        return None
    # A capital M may be mega or a capital milli: the factor is asked for.
    return {"": "ohm/sq", "k": "kohm/sq", "K": "kohm/sq", "m": "mohm/sq"}.get(match.group(1))


def measured_as(text: str) -> str | None:
    """ "regular" or "hemispherical" where words of a header tell, "both" where they contradict."""
    t = text.lower()
    whole = re.search(r"hemispheric|integrating\s*sphere|\bsphere\b|\bdiffuse\b|total transm", t)
    direct = re.search(r"\bregular\b|\bspecular\b|\bcollimated\b|direct transm", t)
    if whole and direct:
        return "both"
    return "hemispherical" if whole else "regular" if direct else None
