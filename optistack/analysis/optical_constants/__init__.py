"""n and k of a film on a known substrate, from its transmittance and reflectance.

Three ways: at each wavelength for itself, free-form but causal, or by a dispersion model. See
docs/optical_constants.md.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.analysis.optical_constants.causal import Bands, causal
from optistack.analysis.optical_constants.measurement import (
    FilmMeasurement,
    FilmOptics,
    KnownIndex,
)
from optistack.analysis.optical_constants.oscillator import Model, oscillator
from optistack.analysis.optical_constants.pointwise import pointwise
from optistack.analysis.optical_constants.result import Flag, OpticalConstants
from optistack.errors import OptistackError
from optistack.materials import Material
from optistack.value import Value

__all__ = ["FilmMeasurement", "OpticalConstants", "optical_constants"]

Real = NDArray[np.float64]
Method = Literal["auto", "pointwise", "causal", "model"]

METHODS = ("auto", "pointwise", "causal", "model")
# n of a film of which nothing is known, from transmittance alone: 1.0 to 2.8 at two deviations, so
# that the ends hold an oxide's n of 2.5 above its gap and a polymer's of 1.3 below its resonance.
ANY_N, ANY_N_STD = 1.9, 0.45
# chi-square per degree of freedom above which a widened interval is no answer.
MOST_MISFIT = 4.0


def optical_constants(
    measurement: FilmMeasurement,
    *,
    method: Method = "auto",
    n: Material | ArrayLike | None = None,
    n_std: float | None = None,
    model: str | None = None,
) -> OpticalConstants:
    """n and k of a film, with 95 % intervals and a flag at every wavelength.

    Parameters
    ----------
    measurement : FilmMeasurement
    method : str
        "pointwise": k at each wavelength for itself, with ``n`` given; or n and k, with the
        reflectance. "causal": free-form eps2 with the eps1 that causality gives; fits the
        thickness; needs the reflectance, or ``n`` with ``n_std``. "model": few parameters.
        "auto": the model if one is given, "pointwise" if ``n`` is given or there is no
        reflectance, else "causal".
    n : Material, number or (wavelength,) array, optional
        What is known of n.
    n_std : float, optional
        Standard deviation of ``n``. "pointwise": 0 when not given, with a note.
    model : str, optional
        "cauchy_urbach", or a sum of "drude", "lorentz" and "tauc_lorentz", for example
        "drude + 2 lorentz".

    Returns
    -------
    OpticalConstants

    Raises
    ------
    OptistackError
        A method that lacks what it needs; a model that is not known; arrays that do not fit.
    RangeError
        An ``n`` whose table does not cover the wavelengths.

    Examples
    --------
    A film of known n and k, with readings of 0.3 % noise:

    >>> import numpy as np
    >>> from optistack.transfer_matrix import solve
    >>> lam = np.arange(300.0, 801.0, 10.0)
    >>> film = np.full(lam.shape, 1.7 + 0j) + 0.2j * np.exp(-(lam - 300) / 60)
    >>> glass = np.full(lam.shape, 1.5)
    >>> air = np.ones(lam.shape)
    >>> seen = solve([air, film, glass, air], [100.0, 1e6], lam, coherent=[True, False])
    >>> rng = np.random.default_rng(0)
    >>> result = optical_constants(FilmMeasurement(
    ...     lam, seen.transmittance + 0.003 * rng.standard_normal(lam.size), 99.0, 2.0, 1.5,
    ...     noise=0.003), n=1.7)
    >>> print(result.method, result.flag[0], result.flag[-1])
    pointwise determined upper bound
    >>> print(result.k_low[0].round(2), result.k_high[0].round(2), "holds", film[0].imag)
    0.19 0.21 holds 0.2
    """
    m = measurement
    if method not in METHODS:
        raise OptistackError(f"method {method!r} is not one of {', '.join(METHODS)}")
    if model is not None and method not in ("auto", "model"):
        raise OptistackError(f'a model goes with method "model", not {method!r}')
    if method == "model" and model is None:
        raise OptistackError(
            'method "model" needs a model, for example model = "drude + 2 lorentz"'
        )
    if method == "auto":
        if model is not None:
            method = "model"
        else:
            method = "pointwise" if n is not None or m.reflectance is None else "causal"
    if n_std is not None and not (np.isfinite(n_std) and n_std >= 0):
        raise OptistackError(f"{m.name}: n_std must be finite and not negative")
    if n_std is not None and n is None:
        raise OptistackError(f"{m.name}: n_std is the standard deviation of a given n: give n too")
    known = None if n is None else _known_n(m, n)
    optics = FilmOptics(m)
    notes = list(optics.notes)
    rests_on = [m.substrate]
    if isinstance(n, Material):
        notes.append(f"n taken from {n.name} ({n.source})")
        rests_on.append(n)
    notes += [note for used in rests_on for note in used.notes]
    kind, grade, label = "measured", "B", str(method)
    parameters: dict[str, Value] = {}
    if method == "pointwise":
        bands, more, grade = _pointwise(m, optics, known, n_std)
        notes += more
    else:
        given = None
        if known is not None:
            if not n_std:
                raise OptistackError(
                    f'{m.name}: method "{method}" takes a given n as one more reading: state '
                    "n_std, above 0"
                )
            given = KnownIndex(known, np.full(known.shape, n_std))
        if method == "causal":
            bands, label = causal(optics, given), "free-form, causal"
        else:
            parsed = Model(model or "")
            bands, parameters = oscillator(optics, parsed, given)
            kind, grade, label = "model", "C", f"model {parsed.text}"
            if m.reflectance is None and not bands.misfit:
                bands = _unchecked(optics, bands, given)
    bands = _with_thickness_doubt(m, bands)
    grade = max([grade, *(used.grade for used in rests_on)])
    if bands.misfit:
        grade = "D" if _spoiled(bands, kind) else max(grade, "C")
    return _result(m, bands, notes, kind, grade, parameters, label)


def _unchecked(optics: FilmOptics, bands: Bands, given: KnownIndex | None) -> Bands:
    """A model's bands, widened to what transmittance alone allows without the model.

    One reading at each wavelength is met by many pairs of n and k, so that a wrong model can
    describe all readings and have the wrong n and k.
    """
    free = pointwise(optics, given or _any_n(optics.lam))
    opaque = np.isnan(free.k[2])
    k = np.where(opaque, free.k[0], bands.k[0])
    low, high = np.minimum(bands.k[1], free.k[1]), np.maximum(bands.k[2], free.k[2])
    return replace(
        bands,
        n=(
            bands.n[0],
            np.minimum(bands.n[1], free.n[1]),
            np.maximum(bands.n[2], free.n[2]),
        ),
        k=(k, np.where(opaque, k, low), high),
        upper=(low <= 0) & ~opaque,
        notes=(
            *bands.notes,
            "transmittance alone does not show whether the film follows the model: the intervals "
            "of n and k are widened to what the readings allow without it",
        ),
    )


def _with_thickness_doubt(m: FilmMeasurement, bands: Bands) -> Bands:
    """A fitted thickness that the one given excludes is a misfit too."""
    shift = bands.thickness_nm[0] - m.thickness_nm
    if not 0 < 9 * m.thickness_std_nm**2 < shift * shift:
        return bands
    said = (
        f"the fitted thickness lies {shift:+.1f} nm from the one given, more than three standard "
        "deviations: one of them is wrong, or the film is not what the method takes it for"
    )
    return replace(bands, misfit="; ".join(x for x in (bands.misfit, said) if x))


def _any_n(lam: Real) -> KnownIndex:
    return KnownIndex(np.full(lam.shape, ANY_N), np.full(lam.shape, ANY_N_STD))


def _spoiled(bands: Bands, kind: str) -> bool:
    """Whether a misfit leaves nothing that can be called determined.

    A model of few parameters that misses the readings has the wrong n and k anywhere. The other
    ways follow the readings, and their intervals grow with what is missed.
    """
    if not bands.misfit:
        return False
    return kind == "model" or bands.chi_square > MOST_MISFIT * bands.degrees_of_freedom


def _known_n(m: FilmMeasurement, n: Material | ArrayLike) -> Real:
    lam = m.wavelength_nm
    if isinstance(n, Material):
        return n.transparent().index(lam).real
    values = np.asarray(n, dtype=float)
    if values.ndim > 1 or values.size not in (1, lam.size):
        raise OptistackError(
            f"{m.name}: n has shape {values.shape}, expected a number or ({lam.size},)"
        )
    if not (np.isfinite(values).all() and (values > 0).all()):
        raise OptistackError(f"{m.name}: n must be positive and finite")
    return np.array(np.broadcast_to(values, lam.shape))


def _pointwise(
    m: FilmMeasurement, optics: FilmOptics, known: Real | None, n_std: float | None
) -> tuple[Bands, list[str], str]:
    notes, grade = [], "B"
    lam = m.wavelength_nm
    if known is None and m.reflectance is None:
        known, n_std, grade = np.full(lam.shape, ANY_N), ANY_N_STD, "C"
        notes.append(
            f"n is not given and transmittance alone does not tell it: taken as {ANY_N} with a "
            f"standard deviation of {ANY_N_STD}"
        )
    if known is None:
        return pointwise(optics), notes, grade
    if n_std is None:
        n_std = 0.0
        notes.append("the n given is taken as exact; state n_std if it is not")
    return pointwise(optics, KnownIndex(known, np.full(lam.shape, n_std))), notes, grade


def _result(
    m: FilmMeasurement,
    bands: Bands,
    notes: list[str],
    kind: str,
    grade: str,
    parameters: dict[str, Value],
    label: str,
) -> OpticalConstants:
    opaque = np.isnan(bands.k[2])
    flags: list[Flag] = [
        "ambiguous" if _spoiled(bands, kind) else "lower bound" if o else f
        for o, f in zip(opaque, bands.flag, strict=True)
    ]
    thickness = Value(*bands.thickness_nm)
    if m.thickness_std_nm == 0:
        notes.append(f"thickness {m.thickness_nm:g} nm taken as exact")
    elif label == "pointwise":
        notes.append(
            f"thickness {m.thickness_nm:g} nm with a standard deviation of "
            f"{m.thickness_std_nm:g} nm as given: not fitted, its error shifts all k alike"
        )
    return OpticalConstants(
        name=m.name,
        method=label,
        wavelength_nm=m.wavelength_nm,
        n=bands.n[0],
        n_low=bands.n[1],
        n_high=bands.n[2],
        k=bands.k[0],
        k_low=bands.k[1],
        k_high=bands.k[2],
        flag=tuple(flags),
        thickness_nm=thickness,
        chi_square=bands.chi_square,
        degrees_of_freedom=bands.degrees_of_freedom,
        misfit=bands.misfit,
        transmittance=bands.fitted[0],
        reflectance=bands.fitted[1] if len(bands.fitted) == 2 else None,
        parameters=parameters,
        kind=kind,
        grade=grade,
        notes=(*notes, *bands.notes),
        sources=m.sources,
    )
