"""Light in a stack of plane layers: arrays in, arrays out.

Every wavelength, angle, polarisation and stack of a batch is solved at once; what a stack gives
does not depend on the other stacks of its batch. Layers are coherent
(amplitudes add) or incoherent (intensities add), in any order. The fields themselves are the matter
of `optistack.layer_optics`; here the input is checked, cut into pieces that fit the cache, and the
answers of both polarisations are put together.

Time factor exp(-i omega t), refractive index n + ik with k >= 0 absorbing. With E tangential,
r_s = r_p at normal incidence; texts that define r_p through the field along the ray have the
opposite sign there.

Sources: M. Born, E. Wolf, Principles of Optics, ch. 1.6 (layer matrix); S. J. Byrnes,
arXiv:1603.02720 (Poynting vector in absorbing media, incoherent layers).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack import compiled_kernel
from optistack.compiled_kernel import Answers, Engine, Job
from optistack.errors import StackError
from optistack.layer_optics import (
    Complex,
    Layers,
    Real,
    Waves,
    profile_in_layer,
    solve_chain,
)

Polarization = Literal["s", "p", "mean"]

# Points (stacks x angles x wavelengths) worked on at once: the temporaries stay in the cache.
_BLOCK = 4096


# Absorptances held at once when only their sums are wanted.
_MOST_VALUES = 1 << 20


@dataclass(frozen=True, eq=False)
class Response:
    """Reflectance, transmittance and absorptance of one or many stacks.

    All are fractions of the power that the incident wave carries towards the stack. In a
    transparent ambient reflectance + transmittance + sum of absorptances = 1. In an absorbing
    ambient the incident and the reflected wave interfere, the power entering the stack is not
    1 - reflectance, and it is ``power_entering`` that equals transmittance + absorptances.

    Attributes
    ----------
    wavelength_nm : (wavelength,) array [nm]
    reflectance, transmittance : (..., wavelength) array
    absorptance : (..., layer - 2, wavelength) array
        Inner layers only.
    power_entering : (..., wavelength) array
    reflection_amplitude : (..., wavelength) complex array or None
        For tangential E; None for mean polarisation or when an inner layer is incoherent.
    """

    wavelength_nm: Real
    reflectance: Real
    transmittance: Real
    absorptance: Real
    power_entering: Real
    reflection_amplitude: Complex | None = None


@dataclass(frozen=True, eq=False)
class Integrated:
    """Sums over wavelengths of what a `Response` holds, one for each row of weights.

    Attributes
    ----------
    reflectance, transmittance, power_entering : (..., weight) array
    absorptance : (..., weight, layer - 2) array
    """

    reflectance: Real
    transmittance: Real
    absorptance: Real
    power_entering: Real


def prepare(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    coherent: ArrayLike | None,
) -> tuple[Complex, Real, Real, list[bool]]:
    """Check the input; n becomes (..., layer, wavelength), thickness (..., layer - 2)."""
    lam = np.atleast_1d(np.asarray(wavelength_nm, dtype=float))
    if lam.ndim != 1 or lam.size == 0:
        raise StackError(f"wavelength_nm must be (wavelength,), not of shape {lam.shape}")
    if not (lam.min() > 0 and lam.max() < np.inf):
        raise StackError("wavelength_nm must be positive and finite")
    index = np.asarray(n, dtype=complex)
    # What is only repeated along a leading axis is looked at, and kept, once.
    once = tuple(
        slice(0, 1) if stride == 0 else slice(None)
        for stride in index.strides[: max(index.ndim - 2, 0)]
    )
    lead = index.shape[: len(once)]
    index = index[once]
    if index.ndim == 0:
        raise StackError("n needs a layer axis: first the ambient, last the substrate")
    if index.ndim == 1:
        index = index[:, None]
    if index.shape[-1] not in (1, lam.size):
        raise StackError(
            f"n of shape {index.shape} does not fit {lam.size} wavelengths: "
            "it is (..., layer, wavelength), or (layer,) for all wavelengths"
        )
    count = index.shape[-2]
    if count < 2:
        raise StackError("n needs at least an ambient and a substrate")
    index = np.ascontiguousarray(index)
    parts = index.view(float)
    if not (parts.min() >= 0 and parts.max() < np.inf):
        if not np.isfinite(parts).all():
            raise StackError("n must be finite: it holds NaN or infinity")
        if (index.imag < 0).any():
            raise StackError("k must not be negative (n + ik with k >= 0 absorbs)")
        raise StackError("the real part of n must not be negative")
    if index.real.min() == 0 and (index == 0).any():
        raise StackError("n must not be 0")
    if lead != index.shape[:-2]:
        index = np.broadcast_to(index, (*lead, *index.shape[-2:]))
    d = np.asarray(thickness_nm, dtype=float)
    if d.ndim == 0 and count == 3:
        d = d[None]
    if d.ndim == 0 or d.shape[-1] != count - 2:
        raise StackError(
            f"thickness_nm of shape {d.shape} does not fit {count - 2} inner layers "
            "(ambient and substrate have no thickness)"
        )
    if d.size and not (d.min() >= 0 and d.max() < math.inf):
        raise StackError("thickness_nm must be finite and not negative")
    if coherent is None:
        return index, d, lam, [True] * (count - 2)
    flags = np.asarray(coherent)
    if flags.shape != (count - 2,) or (flags.size and flags.dtype != bool):
        raise StackError(f"coherent must be {count - 2} booleans, one for each inner layer")
    return index, d, lam, flags.tolist()


def polarizations(polarization: str) -> tuple[bool, ...]:
    try:
        return {"s": (False,), "p": (True,), "mean": (False, True)}[polarization]
    except KeyError:
        raise StackError(f'polarization must be "s", "p" or "mean", not {polarization!r}') from None


def directions(angle_deg: ArrayLike, batched: bool) -> tuple[Real | None, Real, bool]:
    """Sine and cosine of the angles, each (..., angle, 1); whether there is an angle axis.

    Exact at 0 and 90 degrees; no sine if all angles are 0.
    """
    angle = np.asarray(angle_deg, dtype=float)
    if angle.ndim > 1 and not batched:
        raise StackError("angle_deg must be a number or (angle,); (..., angle) for a batch only")
    values = angle.ravel().tolist()
    if not all(0 <= x <= 90 for x in values):
        raise StackError("angle_deg must lie between 0 and 90 degrees, measured in the ambient")
    if not any(values):
        return None, np.ones((*(angle.shape or (1,)), 1)), angle.ndim > 0
    degrees = np.atleast_1d(angle)[..., None]
    radians = np.radians(degrees)
    # From the angle to the surface where that is smaller: to its own rounding close to grazing.
    cosine = np.where(degrees > 45, np.sin(np.radians(90.0 - degrees)), np.cos(radians))
    return np.sin(radians), cosine, angle.ndim > 0


def _solve_block(
    index: Complex,
    d: Real,
    lam: Real,
    coherent: list[bool],
    sine: Real | None,
    cosine: Real,
    polarizations: tuple[bool, ...],
) -> tuple[list[Real], Complex | None]:
    """R, T, power entering, A, with axes (stack, angle, [layer,] wavelength); and the amplitude."""
    # 0/0 comes up at q = 0 and y = 0; each is then replaced by its limit.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        waves = Waves(index, d, lam, sine, cosine)
        # At normal incidence s and p are the same.
        kinds = polarizations if waves.oblique else (False,)
        chains = [solve_chain(Layers(waves, p), coherent) for p in kinds]
    first = chains[0]
    for other in chains[1:]:
        for mine, its in zip(first[:4], other[:4], strict=True):
            mine += its
            mine *= 0.5
    shape = waves.shape
    values = [
        first.reflectance.reshape(shape),
        first.transmittance.reshape(shape),
        first.power_entering.reshape(shape),
        first.absorptance.reshape(-1, *shape).transpose(1, 2, 0, 3),
    ]
    if len(polarizations) == 2 or first.amplitude is None:
        return values, None
    return values, first.amplitude.reshape(shape)


def _steps(batch: int, angles: int, wavelengths: int) -> list[tuple[slice, slice]]:
    """Cut a large job so that the temporaries of one piece stay in the cache."""
    if batch == angles == 1:
        return [(slice(None), slice(None))]
    per_batch = max(1, _BLOCK // (angles * wavelengths))
    per_angle = angles if batch * angles * wavelengths <= _BLOCK else max(1, _BLOCK // wavelengths)
    if per_angle < angles:
        per_batch = 1
    return [
        (slice(i, i + per_batch), slice(k, k + per_angle))
        for i in range(0, batch, per_batch)
        for k in range(0, angles, per_angle)
    ]


def _batch_axes(index: Complex, d: Real, cosine: Real) -> tuple[int, ...]:
    """The batch axes that n and the thicknesses have together; those of the angles must fit."""
    try:
        batch = np.broadcast_shapes(index.shape[:-2], d.shape[:-1])
    except ValueError:
        raise StackError(
            f"the batch axes of n {index.shape[:-2]} and of thickness_nm {d.shape[:-1]} do not fit"
        ) from None
    _fit_batch("angle_deg", cosine.shape[:-2], batch)
    return batch


def _fit_batch(name: str, lead: tuple[int, ...], batch: tuple[int, ...]) -> None:
    if len(lead) > len(batch) or any(
        a not in (1, b) for a, b in zip(lead[::-1], batch[::-1], strict=False)
    ):
        raise StackError(f"the leading axes of {name} {lead} do not fit the batch axes {batch}")


def _share_batch(
    index: Complex, d: Real, sine: Real | None, cosine: Real
) -> tuple[Complex, Real, Real | None, Real, tuple[int, ...]]:
    """Give n, the thicknesses and the angles the same, single batch axis.

    Sine and cosine keep their two axes where every stack has the same angles.
    """
    if index.ndim == 2 and d.ndim == 1:
        return index[None], d[None], sine, cosine, ()
    batch = _batch_axes(index, d, cosine)
    size = int(np.prod(batch, dtype=int))

    def flat(values: NDArray[Any], own: int) -> NDArray[Any]:
        shape = values.shape[-own:]
        return np.broadcast_to(values, (*batch, *shape)).reshape(size, *shape)

    if cosine.ndim > 2:
        cosine = flat(cosine, 2)
        sine = None if sine is None else flat(sine, 2)
    return flat(index, 2), flat(d, 1), sine, cosine, batch


def _piece(values: Real, of_batch: slice, of_angle: slice) -> Real:
    """Part of a sine or cosine, which may have a batch axis."""
    return values[of_angle] if values.ndim == 2 else values[of_batch, of_angle]


def solve(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    *,
    angle_deg: ArrayLike = 0.0,
    polarization: Polarization = "mean",
    coherent: ArrayLike | None = None,
    angle_weight: ArrayLike | None = None,
    engine: Engine | None = None,
) -> Response:
    """Reflectance, transmittance and the absorptance of every layer.

    Light from behind: reverse ``n``, ``thickness_nm`` and ``coherent``. Isotropic light:
    `solve_isotropic`.

    Parameters
    ----------
    n : complex, (layer,) or (..., layer, wavelength)
        Refractive index n + ik, k >= 0. First the ambient, last the substrate (both half-spaces).
        Leading axes are a batch of stacks.
    thickness_nm : (layer - 2,) or (..., layer - 2) [nm]
        Inner layers.
    wavelength_nm : (wavelength,) [nm]
        In vacuum.
    angle_deg : number, (angle,) or (..., angle) [degree]
        Angle of incidence in the ambient, 0 to 90. Leading axes: other angles for each stack of
        the batch.
    polarization : "s", "p" or "mean"
    coherent : bool, (layer - 2,), optional
        None: all layers coherent. In an incoherent layer intensities are added, which averages
        over its interference fringes; use it for layers thicker than a few micrometres. (In a
        strong absorber thinner than its own wavelength such an average has no meaning, and its
        absorptance may come out negative.)
    angle_weight : (angle,) or (..., angle), optional
        Sum the answers over the angles, each times its weight (for isotropic light a quadrature of
        2 cos(theta) sin(theta)); the result then has no angle axis.
    engine : "auto", "numpy" or "compiled", optional
        "compiled": loops compiled by numba (extra ``fast``), several threads; "auto" takes them
        for 1e7 layer points (stacks x inner layers x wavelengths x angles x polarisations) or
        more, if numba is there. Both give the same to about 1e-14. When not given: what the
        environment variable OPTISTACK_ENGINE says, else "auto".

    Returns
    -------
    Response
        With an array of angles, an angle axis stands before the layer and wavelength axes.

    Raises
    ------
    StackError
        Shapes that do not fit, k < 0, a negative thickness, NaN, an angle outside 0-90 degrees;
        the compiled engine asked for where numba is not installed.

    Examples
    --------
    A single glass surface, and a glass pane whose faces do not interfere:

    >>> import numpy as np
    >>> r = solve([1.0, 1.5], [], [500.0])
    >>> print(r.reflectance.round(4), r.transmittance.round(4))
    [0.04] [0.96]
    >>> pane = solve([1.0, 1.5, 1.0], [1e6], [500.0], coherent=[False])
    >>> print(pane.transmittance.round(4))
    [0.9231]
    """
    index, d, lam, flags = prepare(n, thickness_nm, wavelength_nm, coherent)
    sine, cosine, angle_axis = directions(angle_deg, index.ndim > 2 or d.ndim > 1)
    share = _angle_weight(angle_weight, cosine)
    return _solve_directions(
        index, d, lam, flags, sine, cosine, polarization, angle_axis, share, engine
    )


def _angle_weight(angle_weight: ArrayLike | None, cosine: Real) -> Real | None:
    """As (..., angle, 1)."""
    if angle_weight is None:
        return None
    share = np.asarray(angle_weight, dtype=float)
    if share.ndim == 0 or share.shape[-1] != cosine.shape[-2]:
        raise StackError(
            f"angle_weight of shape {share.shape} does not fit {cosine.shape[-2]} angles"
        )
    if not np.isfinite(share).all():
        raise StackError("angle_weight must be finite")
    return share[..., None]


def _job(
    index: Complex,
    d: Real,
    lam: Real,
    coherent: list[bool],
    sine: Real | None,
    cosine: Real,
    kinds: tuple[bool, ...],
    share: Real | None,
    weights: Real | None = None,
) -> tuple[Job, tuple[int, ...]]:
    """The same for the compiled loops, with nothing repeated, and the batch axes."""
    batch = _batch_axes(index, d, cosine)
    if share is not None:
        _fit_batch("angle_weight", share.shape[:-2], batch)
        # Rows of their own for the weights and the angles together.
        lead = np.broadcast_shapes(cosine.shape[:-2], share.shape[:-2])

        def full(values: Real) -> Real:
            return np.ascontiguousarray(np.broadcast_to(values, (*lead, *values.shape[-2:])))

        cosine, share = full(cosine), full(share)
        sine = None if sine is None else full(sine)
        share = share.reshape(math.prod(lead), *share.shape[-2:])
    n, n_row = compiled_kernel.rows(index, 2, batch)
    cosine, angle_row = compiled_kernel.rows(cosine, 2, batch)
    sine = None if sine is None else sine.reshape(cosine.shape)
    thickness = np.broadcast_to(d, (*batch, d.shape[-1])).reshape(n_row.size, d.shape[-1])
    kind = 2 if len(kinds) == 2 else int(kinds[0])
    job = Job(n, n_row, thickness, lam, sine, cosine, angle_row, kind, coherent, share, weights)
    return job, batch


def _layer_points(index: Complex, d: Real, lam: Real, cosine: Real, kinds: tuple[bool, ...]) -> int:
    stacks = math.prod(_batch_axes(index, d, cosine))
    return int(stacks * d.shape[-1] * lam.size * cosine.shape[-2] * len(kinds))


def _solve_directions(
    index: Complex,
    d: Real,
    lam: Real,
    coherent: list[bool],
    sine: Real | None,
    cosine: Real,
    polarization: str,
    angle_axis: bool,
    share: Real | None,
    engine: Engine | None,
) -> Response:
    """``share``: (..., angle, 1 or wavelength), to sum over the angles with."""
    kinds = polarizations(polarization)
    points = _layer_points(index, d, lam, cosine, kinds if sine is not None else (False,))
    if compiled_kernel.choose(engine, points):
        job, batch = _job(index, d, lam, coherent, sine, cosine, kinds, share)
        return _response(compiled_kernel.run(job), lam, batch, angle_axis and share is None)
    index, d, sine, cosine, batch = _share_batch(index, d, sine, cosine)
    size, angles, inner = d.shape[0], cosine.shape[-2], d.shape[1]
    pieces = _steps(size, angles, lam.size)
    amplitude: Complex | None = None
    if len(pieces) == 1:
        (r, t, entering, a), amplitude = _solve_block(index, d, lam, coherent, sine, cosine, kinds)
    else:
        r, t, entering = (np.empty((size, angles, lam.size)) for _ in range(3))
        a = np.empty((size, angles, inner, lam.size))
        for of_batch, of_angle in pieces:
            values, amplitude_part = _solve_block(
                index[of_batch],
                d[of_batch],
                lam,
                coherent,
                None if sine is None else _piece(sine, of_batch, of_angle),
                _piece(cosine, of_batch, of_angle),
                kinds,
            )
            for target, value in zip((r, t, entering, a), values, strict=True):
                target[of_batch, of_angle] = value
            if amplitude_part is not None:
                if amplitude is None:
                    amplitude = np.empty(r.shape, dtype=complex)
                amplitude[of_batch, of_angle] = amplitude_part
    if share is not None:
        _fit_batch("angle_weight", share.shape[:-2], batch)
        share = np.broadcast_to(share, (*batch, *share.shape[-2:])).reshape(size, angles, -1)
        r, t, entering = ((x * share).sum(axis=1, keepdims=True) for x in (r, t, entering))
        a = (a * share[:, :, None]).sum(axis=1, keepdims=True)
        angle_axis, amplitude = False, None
    return _response(Answers(r, t, entering, a, amplitude), lam, batch, angle_axis)


def _response(answers: Answers, lam: Real, batch: tuple[int, ...], angle_axis: bool) -> Response:
    """Answers with the batch axes of the input."""
    r, t, entering, a, amplitude = answers
    lead = (*batch, r.shape[1]) if angle_axis else batch
    return Response(
        lam,
        r.reshape(*lead, lam.size),
        t.reshape(*lead, lam.size),
        a.reshape(*lead, a.shape[2], lam.size),
        entering.reshape(*lead, lam.size),
        None if amplitude is None else amplitude.reshape(*lead, lam.size),
    )


def integrated(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    weights: ArrayLike,
    *,
    angle_deg: ArrayLike = 0.0,
    polarization: Polarization = "mean",
    coherent: ArrayLike | None = None,
    angle_weight: ArrayLike | None = None,
    engine: Engine | None = None,
) -> Integrated:
    """Weighted sums over wavelengths of what `solve` gives, without its spectra.

    With light times quadrature weights of a band in each row (`spectral_math.nodal_weights`), the
    sums are photons or energy absorbed in each layer. The memory does not grow with the number of
    wavelengths times stacks.

    Parameters
    ----------
    n, thickness_nm, wavelength_nm, angle_deg, polarization, coherent, angle_weight, engine
        As in `solve`. A stack's sums are the same to the last bit whatever it is solved with, as
        long as the engine is the same; give ``engine`` where a batch may be cut in several ways.
    weights : (weight, wavelength)
        In any unit; the sums have it too.

    Returns
    -------
    Integrated
        With an array of angles and no ``angle_weight``, an angle axis stands before the weight
        axis.

    Raises
    ------
    StackError
        As in `solve`; weights that do not fit the wavelengths or are not finite.

    Examples
    --------
    What a film takes of a flat spectrum of 1 W/(m2 nm), in W/m2, by the trapezoid rule:

    >>> import numpy as np
    >>> lam = np.linspace(300.0, 400.0, 101)
    >>> band = np.ones((1, lam.size))
    >>> band[0, [0, -1]] = 0.5
    >>> sums = integrated([1.0, 1.8 + 0.1j, 1.5], [100.0], lam, band)
    >>> print(sums.absorptance.round(2), sums.reflectance.round(2))
    [[28.82]] [5.83]
    """
    index, d, lam, flags = prepare(n, thickness_nm, wavelength_nm, coherent)
    sine, cosine, angle_axis = directions(angle_deg, index.ndim > 2 or d.ndim > 1)
    kinds = polarizations(polarization)
    share = _angle_weight(angle_weight, cosine)
    rows = np.asarray(weights, dtype=float)
    if rows.ndim != 2 or rows.shape[1] != lam.size:
        raise StackError(
            f"weights of shape {rows.shape} do not fit {lam.size} wavelengths: "
            "they are (weight, wavelength)"
        )
    if not np.isfinite(rows).all():
        raise StackError("weights must be finite")
    job, batch = _job(index, d, lam, flags, sine, cosine, kinds, share, rows)
    angles = 1 if share is not None else cosine.shape[-2]
    points = _layer_points(index, d, lam, cosine, kinds if sine is not None else (False,))
    if len(rows) and compiled_kernel.choose(engine, points):
        r, t, entering, a, _ = compiled_kernel.run(job)
    else:
        shape = (len(job.d), angles, len(rows))
        r, t, entering = (np.empty(shape) for _ in range(3))
        a = np.empty((*shape[:2], job.d.shape[1], len(rows)))
        step = max(1, _MOST_VALUES // (lam.size * max(1, job.d.shape[1]) * cosine.shape[-2]))
        for start in range(0, len(job.d), step):
            piece = slice(start, start + step)
            of_n, of_angle = job.n_row[piece], job.angle_row[piece]
            part = _solve_directions(
                job.n[of_n],
                job.d[piece],
                lam,
                flags,
                None if job.sine is None else job.sine[of_angle],
                job.cosine[of_angle],
                polarization,
                True,
                None if job.angle_weight is None else job.angle_weight[of_angle],
                "numpy",
            )
            for target, values in zip(
                (r, t, entering, a),
                (part.reflectance, part.transmittance, part.power_entering, part.absorptance),
                strict=True,
            ):
                target[piece] = (values @ rows.T).reshape(target[piece].shape)
    lead = (*batch, angles) if angle_axis and share is None else batch
    return Integrated(
        r.reshape(*lead, len(rows)),
        t.reshape(*lead, len(rows)),
        a.swapaxes(-1, -2).reshape(*lead, len(rows), job.d.shape[1]),
        entering.reshape(*lead, len(rows)),
    )


def _hemisphere(index: Complex, lam: Real, points: int) -> tuple[Real, Real, Real]:
    """Cosine-weighted nodes over the hemisphere: sine, cosine, weight, each (node, wavelength).

    Total reflection makes the integrand turn sharply at the critical angle of every less
    refractive medium, so the range is cut there; a cubic map takes the square-root start of the
    integrand off both ends of each piece.
    """
    real = index.reshape(-1, *index.shape[-2:]).real
    real = np.broadcast_to(real, (*real.shape[:2], lam.size))
    n0 = real[:, 0]
    thinner = real[:, 1:] < n0[:, None] * (1 - 1e-9)
    critical = np.sqrt(np.clip(1 - (real[:, 1:] / n0[:, None]) ** 2, 0.0, 1.0))
    critical = np.where(thinner, critical, 0.0).reshape(-1, lam.size)
    critical = np.unique(critical[critical.any(axis=1)], axis=0)
    edges = np.sort(np.concatenate([np.zeros((1, lam.size)), critical, np.ones((1, lam.size))]), 0)
    x, w = np.polynomial.legendre.leggauss(points)
    s = (x + 1) / 2
    node, slope = s * s * (3 - 2 * s), 6 * s * (1 - s)
    width = np.diff(edges, axis=0)
    mu = edges[:-1, None] + width[:, None] * node[None, :, None]
    weight = width[:, None] * (w / 2 * slope)[None, :, None] * 2 * mu
    mu, weight = mu.reshape(-1, lam.size), weight.reshape(-1, lam.size)
    return np.sqrt((1 - mu) * (1 + mu)), mu, weight


def solve_isotropic(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    *,
    polarization: Polarization = "mean",
    coherent: ArrayLike | None = None,
    points: int = 32,
    engine: Engine | None = None,
) -> Response:
    """Like `solve`, for light of equal radiance from the whole hemisphere of the ambient.

    The fractions are of the irradiance on the plane: the mean over directions weighted with
    2 cos(theta) sin(theta). Gauss-Legendre quadrature in cos(theta), cut at critical angles.

    Parameters
    ----------
    n, thickness_nm, wavelength_nm, polarization, coherent, engine
        As in `solve`.
    points : int
        Directions per piece of the hemisphere.

    Returns
    -------
    Response
        Without an angle axis.

    Raises
    ------
    StackError
        As in `solve`.

    Examples
    --------
    Diffuse reflectance of water (Judd, J. Res. NBS 29 (1942) 329):

    >>> print(solve_isotropic([1.0, 1.33], [], [550.0]).reflectance.round(4))
    [0.0659]
    """
    index, d, lam, flags = prepare(n, thickness_nm, wavelength_nm, coherent)
    sine, cosine, weight = _hemisphere(index, lam, points)
    return _solve_directions(index, d, lam, flags, sine, cosine, polarization, True, weight, engine)


def depth_profile(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    layer: int,
    depth_nm: ArrayLike,
    *,
    angle_deg: ArrayLike = 0.0,
    polarization: Polarization = "mean",
    coherent: ArrayLike | None = None,
) -> Real:
    """Absorbed fraction of the incident power per nm of depth inside one layer.

    Parameters
    ----------
    n, thickness_nm, wavelength_nm, angle_deg, polarization, coherent
        As in `solve`.
    layer : int
        Inner layer, from 0.
    depth_nm : (depth,) [nm]
        From the side of the layer that faces the ambient; 0 to the layer's thickness.

    Returns
    -------
    (..., depth, wavelength) array [1/nm]
        With an array of angles, an angle axis stands before the depth axis. Its integral over the
        layer is the layer's absorptance. In an incoherent layer the standing wave close to its
        faces is not resolved; what it absorbs, of the order of k/n of the power there, is in the
        absorptance only.

    Raises
    ------
    StackError
        As in `solve`; a layer that does not exist; a depth outside the layer.

    Examples
    --------
    >>> a = depth_profile([1.5, 1.5 + 0.1j, 1.5], [100.0], [400.0], 0, [0.0, 100.0])
    >>> bool(a[0, 0] > a[1, 0])
    True
    """
    index, d, lam, flags = prepare(n, thickness_nm, wavelength_nm, coherent)
    sine, cosine, angle_axis = directions(angle_deg, index.ndim > 2 or d.ndim > 1)
    out = _profile_directions(index, d, lam, flags, sine, cosine, polarization, layer, depth_nm)
    return out if angle_axis else out[..., 0, :, :]


def depth_profile_isotropic(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    layer: int,
    depth_nm: ArrayLike,
    *,
    polarization: Polarization = "mean",
    coherent: ArrayLike | None = None,
    points: int = 32,
) -> Real:
    """`depth_profile` for light of equal radiance from the whole hemisphere of the ambient.

    Parameters and errors as in `depth_profile` and `solve_isotropic`.

    Returns
    -------
    (..., depth, wavelength) array [1/nm]
    """
    index, d, lam, flags = prepare(n, thickness_nm, wavelength_nm, coherent)
    sine, cosine, weight = _hemisphere(index, lam, points)
    out = _profile_directions(index, d, lam, flags, sine, cosine, polarization, layer, depth_nm)
    return np.asarray((out * weight[:, None, :]).sum(axis=-3))


def _profile_directions(
    index: Complex,
    d: Real,
    lam: Real,
    coherent: list[bool],
    sine: Real | None,
    cosine: Real,
    polarization: str,
    layer: int,
    depth_nm: ArrayLike,
) -> Real:
    """Absorbed fraction per nm, (..., angle, depth, wavelength)."""
    kinds = polarizations(polarization)
    index, d, sine, cosine, batch = _share_batch(index, d, sine, cosine)
    if not 0 <= layer < d.shape[-1]:
        raise StackError(f"layer {layer} does not exist: inner layers are 0 to {d.shape[-1] - 1}")
    depth = np.atleast_1d(np.asarray(depth_nm, dtype=float))
    thinnest = d[:, layer].min()
    if depth.ndim != 1 or not ((depth >= 0) & (depth <= thinnest * (1 + 1e-12))).all():
        raise StackError(
            f"depth_nm must be (depth,) and lie within the layer, 0 to {thinnest:g} nm"
        )
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        waves = Waves(index, d, lam, sine, cosine)
        if not waves.oblique:
            kinds = (False,)
        total = np.zeros((depth.size, waves.q.shape[1]))
        for p in kinds:
            layers = Layers(waves, p)
            chain = solve_chain(layers, coherent, layer)
            total += profile_in_layer(layers, chain, layer, depth, d[:, layer])
    total /= len(kinds)
    out = np.moveaxis(total.reshape(-1, *waves.shape), 0, -2)
    return out.reshape(*batch, *out.shape[1:])
