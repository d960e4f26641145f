"""Cautions for lamps, and how soon unprotected eyes and skin reach the exposure limits."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.spectra import Spectrum
from optistack.spectral_math import integrate_product
from optistack.value import Value

Real = NDArray[np.float64]

# Limits per 8 h for incoherent radiation, ICNIRP 2004: 30 J/m2 weighted with S for eye and skin,
# 10 kJ/m2 unweighted in 315-400 nm for the eye. Read in a lamp safety manual and on a university's
# safety page that quote them.
ACTINIC_LIMIT_J_M2 = 30.0
NEAR_LIMIT_J_M2 = 10_000.0
NEAR_BAND_NM = (315.0, 400.0)
# The formula for S holds from 210 nm.
HAZARD_BAND_NM = (210.0, 400.0)

CAUTIONS = (
    "Ultraviolet lamps injure eyes and skin within minutes, without warning: work only with a "
    "closed, light-tight enclosure whose interlock switches the lamp off, and cover eyes, face, "
    "hands and neck where light can escape.",
    "Light below about 240 nm makes ozone: extract the air, or use lamps that hold it back.",
    "Lamps, holders and samples get hot: cool them, and keep what burns away from them.",
    "Lamps may burst, and many hold mercury: wear protection when changing them, ventilate after "
    "a break and dispose of them as hazardous waste.",
    "Ballasts and igniters carry high voltage, also for some time after switching off.",
    "Local rules, and the person who is responsible and licensed on site, prevail over anything "
    "written here.",
)
DISCLAIMER = "These are research estimates: no safety case, no certification and no warranty."


def actinic_weight(wavelength_nm: ArrayLike) -> Real:
    """Hazard weight S of ultraviolet light for unprotected eye and skin, 210 to 400 nm.

    Source: ICNIRP, Health Phys. 87 (2004) 171, equations 2a to 2c. Against the tabulated values
    (from memory, unverified) the formula is within 5 % at 220-290 nm, 300-303 nm and above 333 nm,
    10 % low at 295-297 nm, and 10 to 49 % high, which is on the safe side, at 305 and 315-328 nm.

    Examples
    --------
    >>> print(*(f"{s:.5f}" for s in actinic_weight([254.0, 270.0, 300.0, 340.0])))
    0.51180 1.00000 0.30001 0.00029
    """
    lam = np.asarray(wavelength_nm, dtype=float)
    middle = 1 - 0.36 * (np.maximum(lam - 270, 0) / 20) ** 1.64
    long = 0.3 * 0.736 ** (lam - 300) + 10 ** (2 - 0.0163 * lam)
    return np.asarray(
        np.where(lam <= 270, 0.959 ** (270 - lam), np.where(lam <= 300, middle, long))
    )


def is_lamp(light: Spectrum) -> bool:
    """Whether a light may be a lamp: everything but the standard suns."""
    return light.kind != "standard"


def _over_shapes(light: Spectrum, band_nm: tuple[float, float], *, weighted: bool) -> Value:
    """Irradiance [W/m2] in the part of a band that the spectrum covers, over its variants."""
    values = []
    for shape in (light, *light.variants):
        low, high = max(band_nm[0], shape.range_nm[0]), min(band_nm[1], shape.range_nm[1])
        factors = [shape.__call__, *([actinic_weight] if weighted else [])]
        grids = [shape.wavelength_nm]
        if weighted:  # S is curved between the samples of a coarse spectrum
            grids.append(np.arange(np.ceil(low), high + 1.0))
        values.append(integrate_product(low, high, grids, factors))
    return Value.of(values)


def hazard(light: Spectrum) -> dict[str, Value]:
    """Hazard-weighted irradiance at the sample plane, and the time to each limit.

    Parameters
    ----------
    light : Spectrum
        Absolute. Only the wavelengths of its table count; a real lamp may emit more.

    Returns
    -------
    dict
        ``actinic_irradiance_w_m2`` [W/m2], ``actinic_limit_s`` and ``near_limit_s`` [s].
    """
    actinic = _over_shapes(light, HAZARD_BAND_NM, weighted=True)
    near = _over_shapes(light, NEAR_BAND_NM, weighted=False)
    return {
        "actinic_irradiance_w_m2": actinic,
        "actinic_limit_s": _until(ACTINIC_LIMIT_J_M2, actinic),
        "near_limit_s": _until(NEAR_LIMIT_J_M2, near),
    }


def _until(limit_j_m2: float, irradiance: Value) -> Value:
    if not irradiance.low > 0:
        return Value(float("nan"), float("nan"), float("nan"))
    return Value(
        limit_j_m2 / irradiance.value, limit_j_m2 / irradiance.high, limit_j_m2 / irradiance.low
    )
