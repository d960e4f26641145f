"""The ways of light through a stack: sides, angles, diffuse light, a holder; many draws at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.compiled_kernel import Engine
from optistack.errors import StackError
from optistack.gradients import Weights, pull_back
from optistack.layer_scan import PreparedStack, Scan
from optistack.stack import Stack
from optistack.transfer_matrix import solve

Real = NDArray[np.float64]

_MOST_DIRECTIONS = 800
# Absorptances (draws x directions x layers x wavelengths) held at once when many draws are solved.
_MOST_VALUES = 1 << 20


class Directions(NamedTuple):
    """How many directions isotropic light is followed in.

    At least ``fewest``; ``others`` and ``per_fringe`` for each fringe of the thick coherent layers
    that shifts by between normal and grazing light, where that is more.
    """

    fewest: int
    others: int
    per_fringe: int


# Within 1e-4 of 800 directions for films up to 3 um on a metal, 1e-8 for a device.
USUAL_DIRECTIONS = Directions(24, 16, 24)
# For many draws, where only what changes between them counts: that is within 1e-6 of the usual
# directions for a device and for films up to 3 um on glass or a metal, at half the cost.
DIRECTIONS_OF_DRAWS = Directions(12, 6, 20)


@dataclass(frozen=True)
class Holder:
    """A reflector behind the sample, behind a gap: light that passed the sample returns.

    Parameters
    ----------
    reflectance : float
        0 to 1, the same at all wavelengths.
    kind : "lambertian" or "specular"
    """

    reflectance: float
    kind: Literal["lambertian", "specular"] = "lambertian"

    def __post_init__(self) -> None:
        if not 0 <= self.reflectance <= 1:
            raise StackError(f"holder reflectance {self.reflectance} must lie between 0 and 1")
        if self.kind not in ("lambertian", "specular"):
            raise StackError(f'holder kind must be "lambertian" or "specular", not {self.kind!r}')


@dataclass(frozen=True)
class Geometry:
    """How the light meets the stack.

    Parameters
    ----------
    lit_from : "front" or "back"
        "front": from the ambient side of the stack.
    angle_deg : float [degree]
        Of the directed part of the light.
    isotropic_share : float
        Share of the planar irradiance that comes equally from the whole hemisphere.
    rear_share : float
        Irradiance on the rear over that on the lit side: external light, for example from walls.
    rear_isotropic_share : float, optional
        As ``isotropic_share``, for the rear light; the same when not given.
    holder : Holder, optional
    """

    lit_from: Literal["front", "back"] = "front"
    angle_deg: float = 0.0
    isotropic_share: float = 0.0
    rear_share: float = 0.0
    rear_isotropic_share: float | None = None
    holder: Holder | None = None

    def __post_init__(self) -> None:
        if self.lit_from not in ("front", "back"):
            raise StackError(f'lit_from must be "front" or "back", not {self.lit_from!r}')
        if not 0 <= self.angle_deg <= 90:
            raise StackError(f"angle_deg {self.angle_deg} must lie between 0 and 90")
        for name in ("isotropic_share", "rear_isotropic_share"):
            share = getattr(self, name)
            if share is not None and not 0 <= share <= 1:
                raise StackError(f"{name} {share} must lie between 0 and 1")
        if not (np.isfinite(self.rear_share) and self.rear_share >= 0):
            raise StackError(f"rear_share {self.rear_share} must not be negative")

    @property
    def uses_rear(self) -> bool:
        """Whether any light reaches the rear."""
        return self.rear_share > 0 or (self.holder is not None and self.holder.reflectance > 0)


class _Beams(NamedTuple):
    """Irradiance arriving from one side, in units of the irradiance on the lit side.

    ``angles_deg``: (..., direction); ``share``: (polarisation, ..., direction, wavelength). The
    leading axes are draws.
    """

    angles_deg: Real
    share: Real


class _Lighting(NamedTuple):
    """What arrives from both sides; ``rear`` without directions where nothing does.

    ``even``: for a Lambertian holder, the shares in which it spreads what it returns.
    """

    polarizations: tuple[Literal["s", "p", "mean"], ...]
    front: _Beams
    rear: _Beams
    even: Real | None = None


class Variation(NamedTuple):
    """Draws of a stack as lit and of the light behind it; the first axis is the draw.

    Attributes
    ----------
    n : (draw, layer, wavelength) complex array
        Half-spaces included, as `Stack.lower` gives it.
    thickness_nm : (draw, layer - 2) array [nm]
    rear_share : (draw,) array
    holder_reflectance : (draw,) array
        Without a meaning where the geometry has no holder.
    """

    n: NDArray[np.complex128]
    thickness_nm: Real
    rear_share: Real
    holder_reflectance: Real

    def of(self, draws: NDArray[np.intp]) -> Variation:
        """Only some draws, by their positions."""
        return Variation(
            self.n[draws],
            self.thickness_nm[draws],
            self.rear_share[draws],
            self.holder_reflectance[draws],
        )


class _Lit(NamedTuple):
    """Answers of draws with the same number of directions, (draw, [layer,] wavelength)."""

    absorptance: Real
    reflectance: Real
    transmittance: Real
    lighting: _Lighting


@dataclass(frozen=True, eq=False)
class StackResponse:
    """What a stack does with light of a given geometry, per incident photon.

    Attributes
    ----------
    stack : Stack
        As lit: the lit side first, mounted filters included.
    wavelength_nm : (wavelength,) array [nm]
    absorptance : (layer, wavelength) array
        Of each layer, for unit irradiance on the lit side at the sample plane; light from the
        rear and light returned by a holder is included.
    reflectance, transmittance : (wavelength,) array
        Leaving on the lit side and on the far side for good.
    """

    stack: Stack
    wavelength_nm: Real
    absorptance: Real
    reflectance: Real
    transmittance: Real
    lighting: _Lighting


def respond(stack: Stack, geometry: Geometry, wavelength_nm: ArrayLike) -> StackResponse:
    """Solve a stack, the lit side first, for a geometry.

    Parameters
    ----------
    stack : Stack
        The side of its ambient is lit (``geometry.lit_from`` has been dealt with).
    geometry : Geometry
    wavelength_nm : (wavelength,) array [nm]

    Raises
    ------
    RangeError
        A table that does not cover the wavelengths.
    StackError
        Light from the rear on a stack that ends in a half-space other than its ambient.
    """
    lam = np.atleast_1d(np.asarray(wavelength_nm, dtype=float))
    n, d, coherent = stack.lower(lam)
    holder = geometry.holder
    one = Variation(
        n[None],
        d[None],
        np.array([geometry.rear_share]),
        np.array([0.0 if holder is None else holder.reflectance]),
    )
    [(_, angles, spread)] = _directions(geometry, one, coherent, lam, USUAL_DIRECTIONS)
    lit = _light(stack, geometry, lam, one, coherent, angles, spread)
    front, rear = (
        _Beams(beams.angles_deg[0], beams.share[:, 0])
        for beams in (lit.lighting.front, lit.lighting.rear)
    )
    return StackResponse(
        stack,
        lam,
        lit.absorptance[0],
        lit.reflectance[0],
        lit.transmittance[0],
        lit.lighting._replace(
            front=front,
            rear=rear,
            even=None if lit.lighting.even is None else lit.lighting.even[:, 0],
        ),
    )


def absorptance_at_angles(
    stack: Stack, geometry: Geometry, wavelength_nm: ArrayLike, angle_deg: ArrayLike
) -> Real:
    """The absorptances that `respond` gives for many angles of the directed light, quicker.

    Parameters
    ----------
    stack, geometry, wavelength_nm
        As in `respond`; the angle of the geometry is not used.
    angle_deg : (angle,) array [degree]

    Returns
    -------
    (angle, layer, wavelength) array

    Raises
    ------
    StackError
        As in `respond`.
    """
    lam = np.atleast_1d(np.asarray(wavelength_nm, dtype=float))
    wanted = np.atleast_1d(np.asarray(angle_deg, dtype=float))
    n, d, coherent = stack.lower(lam)
    holder = geometry.holder
    rho = 0.0 if holder is None else holder.reflectance

    def alike(count: int) -> Variation:
        return Variation(
            np.broadcast_to(n, (count, *n.shape)),
            np.broadcast_to(d, (count, d.size)),
            np.full(count, geometry.rear_share),
            np.full(count, rho),
        )

    [(_, directions, spread)] = _directions(geometry, alike(1), coherent, lam, USUAL_DIRECTIONS)
    out = np.empty((wanted.size, d.size, lam.size))
    step = max(1, _MOST_VALUES // (directions.shape[1] * d.size * lam.size))
    for start in range(0, wanted.size, step):
        some = wanted[start : start + step]
        angles = np.repeat(directions, some.size, axis=0)
        angles[:, 0] = some
        lit = _light(
            stack,
            geometry,
            lam,
            alike(some.size),
            coherent,
            angles,
            np.repeat(spread, some.size, axis=0),
        )
        out[start : start + step] = lit.absorptance
    return out


def absorptance_of_thicknesses(
    stack: Stack,
    geometry: Geometry,
    wavelength_nm: ArrayLike,
    layer: int,
    thickness_nm: Real,
    n: NDArray[np.complex128],
    of: Sequence[int],
) -> Real:
    """The absorptances that `respond` gives for many thicknesses of one layer.

    Apart from the directions of isotropic light, the cost of a thickness does not depend on how
    many other layers there are.

    Parameters
    ----------
    stack, geometry, wavelength_nm
        As in `respond`. Whether the layer is coherent stays as it is.
    layer : int
        The layer that is varied.
    thickness_nm : (value,) array [nm]
    n : complex, (value, wavelength) array
        Of that layer; the same for all thicknesses where nothing is dissolved in it.
    of : sequence of int
        Layers whose absorptance is wanted.

    Returns
    -------
    (value, layer of ``of``, wavelength) array

    Raises
    ------
    StackError
        As in `respond`.
    """
    lam = np.atleast_1d(np.asarray(wavelength_nm, dtype=float))
    index, d, coherent = stack.lower(lam)
    count, holder = len(thickness_nm), geometry.holder
    whole = np.broadcast_to(index, (count, *index.shape))
    thick = np.repeat(d[None], count, axis=0)
    thick[:, layer] = thickness_nm
    draws = Variation(
        whole,
        thick,
        np.full(count, geometry.rear_share),
        np.full(count, 0.0 if holder is None else holder.reflectance),
    )
    changed: NDArray[np.complex128] | None = None if (n == index[1 + layer]).all() else n
    behind = [d.size - 1 - j for j in reversed(of)]
    out = np.empty((count, len(of), lam.size))
    for chosen, angles, spread in _directions(geometry, draws, coherent, lam, USUAL_DIRECTIONS):

        def scan(
            back: bool,
            used: NDArray[np.bool_],
            kind: Literal["s", "p", "mean"],
            chosen: NDArray[np.intp] = chosen,
            angles: Real = angles,
        ) -> Scan:
            # One stack at different thicknesses has the same angles wherever it has as many.
            ready = PreparedStack(
                index[::-1] if back else index,
                d[::-1] if back else d,
                lam,
                d.size - 1 - layer if back else layer,
                of=behind if back else of,
                angle_deg=angles[0, used],
                polarization=kind,
                coherent=coherent[::-1] if back else coherent,
            )
            return ready.scan(thick[chosen, layer], None if changed is None else changed[chosen])

        some = draws.of(chosen)
        lit = _light(stack, geometry, lam, some, coherent, angles, spread, scan)
        out[chosen] = lit.absorptance
    return out


def slopes_of_light(
    response: StackResponse, geometry: Geometry, weights: Real
) -> tuple[Real, Real, Real]:
    """Derivatives of sums of the absorptances by n, k and thickness of every layer.

    Parameters
    ----------
    response : StackResponse
    geometry : Geometry
        The one of ``response``.
    weights : (answer, layer, wavelength) array
        An answer is the sum of weights x absorptance over layers and wavelengths.

    Returns
    -------
    by n, by k, by thickness [1/nm] : (answer, layer, wavelength) arrays
        The sum over wavelength is the derivative by a change at all wavelengths alike.

    Notes
    -----
    For directions of isotropic light that stay where they are: their sum is the integral over the
    hemisphere, wherever the nodes lie. A holder returns what has passed: with the share rho of what
    reaches it, q = (light through the stack + rear light reflected by its back) / (1 - rho R_back),
    so that dq = (dT from the front + dR_back of all that meets the back) / (1 - rho R_back).
    """
    lam, lighting = response.wavelength_nm, response.lighting
    n, d, coherent = response.stack.lower(lam)
    total = [np.zeros((len(weights), d.size, lam.size)) for _ in range(3)]
    front, rear = lighting.front, lighting.rear
    holder = geometry.holder
    returns = rear.share.shape[1] > 0 and holder is not None and holder.reflectance > 0
    by_reaching = [np.zeros((len(weights), 1, lam.size))] * len(lighting.polarizations)
    if returns and holder is not None:
        backs = [
            solve(
                n[::-1],
                d[::-1],
                lam,
                angle_deg=rear.angles_deg,
                polarization=kind,
                coherent=coherent[::-1],
            )
            for kind in lighting.polarizations
        ]
        reflected = np.array([b.reflectance for b in backs])  # (polarisation, direction, ...)
        taken = np.array([b.absorptance[:, ::-1] for b in backs])
        rho = holder.reflectance
        if lighting.even is not None:  # all directions and polarisations feed one another
            by_rear = np.einsum("alw,pdlw,pdw->aw", weights, taken, lighting.even)
            closed = 1.0 - rho * np.einsum("pdw,pdw->w", lighting.even, reflected)
            by_reaching = [rho * (by_rear / closed)[:, None]] * len(backs)
        else:
            each = np.einsum("alw,pdlw->padw", weights, taken)
            closed = (1.0 - rho * reflected)[:, None]
            parts = np.divide(rho * each, closed, out=np.zeros(each.shape), where=closed > 0)
            by_reaching = list(parts)
    sides = [(front, n, d, coherent, 1)]
    if rear.share.shape[1] > 0:
        sides.append((rear, n[::-1], d[::-1], coherent[::-1], -1))
    for beams, index, thick, flags, way in sides:
        for p, kind in enumerate(lighting.polarizations):
            share = beams.share[p]
            passing = by_reaching[p] * share
            nothing = np.zeros(passing.shape)
            found = pull_back(
                index,
                thick,
                lam,
                Weights(
                    weights[:, None, ::way] * share[:, None],
                    nothing if way > 0 else passing,
                    passing if way > 0 else nothing,
                ),
                angle_deg=beams.angles_deg,
                polarization=kind,
                coherent=flags,
            )
            for sum_, part in zip(total, (found.n, found.k, found.thickness_nm), strict=True):
                sum_ += part[:, ::way]
    return total[0], total[1], total[2]


def absorptance_of_draws(
    stack: Stack,
    geometry: Geometry,
    wavelength_nm: ArrayLike,
    draws: Variation,
    directions: Directions = USUAL_DIRECTIONS,
    engine: Engine | None = None,
) -> Real:
    """The absorptances that `respond` gives for each of many variations of a stack.

    A draw gives the same whatever it is solved with, by the same engine. Memory for the directions
    of light is bounded.

    Parameters
    ----------
    stack : Stack
        As in `respond`. Which layers are coherent is taken from it, not from the draws.
    geometry : Geometry
        Its rear share and the reflectance of its holder are those of the draws.
    wavelength_nm : (wavelength,) array [nm]
    draws : Variation
    directions : Directions, optional
        For isotropic light; as `respond` takes them when not given.
    engine : "auto", "numpy" or "compiled", optional
        As in `optistack.transfer_matrix.solve`.

    Returns
    -------
    (draw, layer, wavelength) array

    Raises
    ------
    StackError
        As in `respond`; a share or a reflectance that no geometry can have.
    """
    lam = np.atleast_1d(np.asarray(wavelength_nm, dtype=float))
    coherent = np.array([layer.is_coherent for layer in stack.layers], dtype=bool)
    count, layers = draws.thickness_nm.shape
    for extreme in (np.min, np.max):  # let the geometry refuse what it cannot have
        replace(geometry, rear_share=float(extreme(draws.rear_share)))
        if geometry.holder is not None:
            replace(geometry.holder, reflectance=float(extreme(draws.holder_reflectance)))
    out = np.empty((count, layers, lam.size))
    for chosen, angles, spread in _directions(geometry, draws, coherent, lam, directions):
        step = max(1, _MOST_VALUES // (angles.shape[1] * layers * lam.size))
        for start in range(0, chosen.size, step):
            piece = slice(start, start + step)
            at = chosen[piece]
            some = draws.of(at)
            lit = _light(
                stack,
                geometry,
                lam,
                some,
                coherent,
                angles[piece],
                spread[piece],
                engine=engine,
            )
            out[at] = lit.absorptance
    return out


def _light(
    stack: Stack,
    geometry: Geometry,
    lam: Real,
    draws: Variation,
    coherent: NDArray[np.bool_],
    angles: Real,
    spread: Real,
    scan: Callable[[bool, NDArray[np.bool_], Literal["s", "p", "mean"]], Scan] | None = None,
    engine: Engine | None = None,
) -> _Lit:
    """Solve draws for their directions, (draw, direction), of which the first is the directed one.

    Only directions from which light comes are solved; which ones these are depends on the kind of
    geometry alone. Both polarisations are taken together where light arrives alike in both.
    ``scan``: solves instead, from the front or from behind, for some directions.
    """
    n, d = draws.n, draws.thickness_nm
    holder = geometry.holder
    uses_rear = _uses_rear(geometry, draws)
    specular = uses_rear and holder is not None and holder.kind == "specular"
    iso, rear_iso = _isotropic_shares(geometry)
    hemisphere = np.arange(angles.shape[1]) > 0
    directed = np.where(hemisphere, 0.0, 1.0)
    from_front = np.where(hemisphere, iso > 0, iso < 1)
    from_rear = np.where(hemisphere, rear_iso > 0, rear_iso < 1) & (draws.rear_share.max() > 0)
    if specular:  # what has passed returns in its own direction
        from_front = from_rear = from_front | from_rear
    elif uses_rear and holder is not None:
        from_rear = from_rear | hemisphere
    front_share = (1 - iso) * directed + iso * spread
    rear_share = draws.rear_share[:, None] * ((1 - rear_iso) * directed + rear_iso * spread)
    kinds: tuple[Literal["s", "p", "mean"], ...] = ("mean",)
    if specular and (angles > 0).any():
        kinds = ("s", "p")

    def side(
        index: Any, thickness: Any, flags: Any, used: Any, back: bool = False
    ) -> tuple[Real, Real, Real]:
        parts: list[Any] = [
            solve(
                index,
                thickness,
                lam,
                angle_deg=angles[:, used],
                polarization=kind,
                coherent=flags,
                engine=engine,
            )
            if scan is None
            else scan(back, used, kind)
            for kind in kinds
        ]
        if len(parts) == 1:  # no copy of what may be the largest arrays of all
            one = parts[0]
            return one.reflectance[None], one.transmittance[None], one.absorptance[None]
        return (
            np.stack([p.reflectance for p in parts]),
            np.stack([p.transmittance for p in parts]),
            np.stack([p.absorptance for p in parts]),
        )

    def spectral(share: Real) -> Real:
        """(draw, direction) as (polarisation, draw, direction, wavelength)."""
        shape = (len(kinds), *share.shape, lam.size)
        return np.broadcast_to((share / len(kinds))[..., None], shape)

    def total(share: Real, values: Real) -> Real:
        return np.asarray(np.einsum("pgdw,pgdw->gw", share, values))

    r, t, a = side(n, d, coherent, from_front)  # (polarisation, draw, direction, [layer,] ...)
    front = spectral(front_share[:, from_front])
    lit = _Beams(angles[:, from_front], front)
    absorptance = np.einsum("pgdw,pgdlw->glw", front, a)
    if not uses_rear:
        nothing = _Beams(angles[:, :0], front[:, :, :0])
        return _Lit(absorptance, total(front, r), total(front, t), _Lighting(kinds, lit, nothing))
    if not np.allclose(n[:, 0], n[:, -1], rtol=1e-6, atol=0):
        raise StackError(
            f"stack {stack.name} ends in a half-space of {stack.substrate.name}: no light can "
            "reach it from the rear. End the stack in the same medium as it begins (air)"
        )
    r_back, t_back, a_back = side(n[:, ::-1], d[:, ::-1], coherent[::-1], from_rear, True)
    rear = spectral(rear_share[:, from_rear])
    transmittance: Real | None = None
    even: Real | None = None
    if holder is not None and specular:
        # Direction and polarisation are kept at every bounce.
        rho = draws.holder_reflectance[:, None, None]
        closed = 1 - rho * r_back
        reaching = front * t + rear * r_back
        # Grazing light is all reflected; none has come in that could go on.
        reaching = np.divide(reaching, closed, out=np.zeros(closed.shape), where=closed > 0)
        rear = rear + rho * reaching
        transmittance = (1 - rho[:, 0]) * reaching.sum(axis=(0, 2))
    elif holder is not None:
        # Whatever reaches the holder returns isotropic and unpolarised.
        rho = draws.holder_reflectance[:, None]
        even = spectral(spread[:, from_rear])
        reaching = (total(front, t) + total(rear, r_back)) / (1 - rho * total(even, r_back))
        rear = rear + (rho * reaching)[:, None] * even
        transmittance = (1 - rho) * reaching
    absorptance += np.einsum("pgdw,pgdlw->glw", rear, a_back[..., ::-1, :])
    if transmittance is None:
        transmittance = total(front, t) + total(rear, r_back)
    return _Lit(
        absorptance,
        total(front, r) + total(rear, t_back),
        transmittance,
        _Lighting(kinds, lit, _Beams(angles[:, from_rear], rear), even),
    )


def _isotropic_shares(geometry: Geometry) -> tuple[float, float]:
    """Isotropic shares of the light on the lit side and on the rear."""
    iso = geometry.isotropic_share
    return iso, iso if geometry.rear_isotropic_share is None else geometry.rear_isotropic_share


def _uses_rear(geometry: Geometry, draws: Variation) -> bool:
    """Whether any light reaches the rear of any draw."""
    held = geometry.holder is not None and draws.holder_reflectance.max() > 0
    return bool(draws.rear_share.max() > 0 or held)


def _directions(
    geometry: Geometry,
    draws: Variation,
    coherent: NDArray[np.bool_],
    lam: Real,
    sampling: Directions,
) -> list[tuple[NDArray[np.intp], Real, Real]]:
    """Angles [degree], the directed one first, and weights of isotropic light on them.

    Both are (draw, direction), for each group of draws with the same number of directions, whose
    positions stand before them.
    """
    n, count = draws.n, len(draws.n)
    iso, rear_iso = _isotropic_shares(geometry)
    diffuse_return = geometry.holder is not None and geometry.holder.kind == "lambertian"
    if not (
        iso > 0
        or (draws.rear_share.max() > 0 and rear_iso > 0)
        or (_uses_rear(geometry, draws) and diffuse_return)
    ):
        directed = np.full((count, 1), geometry.angle_deg)
        return [(np.arange(count), directed, np.zeros((count, 1)))]
    ratio = n[:, :1].real / np.maximum(n[:, 1:].real, 1e-9)
    # Cosine in the ambient at which a thinner medium begins to reflect totally: the response
    # bends there, at another place for every wavelength, so both ends of that range are cuts.
    # In a metal (k > n) nothing changes suddenly.
    bent = (ratio > 1 + 1e-6) & (n[:, 1:].imag < n[:, 1:].real)
    bends: NDArray[np.bool_] = np.any(bent, axis=2)
    slanted = np.sqrt(np.clip(1 - ratio[:, :-1] ** 2, 0.0, 1.0))
    fringes = 2 * n[:, 1:-1].real * draws.thickness_nm[:, :, None] * (1 - slanted) / lam
    turns = fringes[:, coherent].sum(axis=1).max(axis=1)
    points = np.maximum(sampling.fewest, sampling.others + sampling.per_fringe * turns).astype(int)
    if points.max() > _MOST_DIRECTIONS:
        raise StackError(
            f"isotropic light meets {turns.max():.0f} fringes of the coherent layers between "
            "normal and grazing, more than can be followed; make the thick ones incoherent "
            "(coherent = false)"
        )
    groups: dict[int, list[tuple[int, Real, Real]]] = {}
    for i in range(count):
        critical = np.sqrt(np.clip(1 - 1 / ratio[i, bends[i]] ** 2, 0.0, 1.0))
        ends = [0.0, 1.0, *critical.min(axis=1).tolist(), *critical.max(axis=1).tolist()]
        angles, spread = _hemisphere(int(points[i]), tuple(sorted(set(ends))))
        groups.setdefault(angles.size, []).append((i, angles, spread))
    out = []
    for group in groups.values():
        positions, angles_of, spreads = zip(*group, strict=True)
        directed = np.full((len(group), 1), geometry.angle_deg)
        out.append(
            (
                np.array(positions),
                np.concatenate([directed, angles_of], axis=1),
                np.concatenate([0 * directed, spreads], axis=1),
            )
        )
    return out


@lru_cache(maxsize=64)
def _hemisphere(points: int, cuts_at: tuple[float, ...]) -> tuple[Real, Real]:
    """Angles [degree] and weights of isotropic light, with so many points between the cuts."""
    cuts = np.array(cuts_at)
    cuts = cuts[np.concatenate([[True], np.diff(cuts) > 1e-6])]
    x, w = _legendre(points)
    s = (x + 1) / 2
    node, slope = s * s * (3 - 2 * s), 6 * s * (1 - s)  # takes both ends gently
    width = np.diff(cuts)[:, None]
    mu = (cuts[:-1, None] + width * node).ravel()
    weight = (width * w / 2 * slope).ravel() * 2 * mu
    return np.degrees(np.arccos(np.minimum(mu, 1.0))), weight / weight.sum()


@lru_cache(maxsize=64)
def _legendre(points: int) -> tuple[Real, Real]:
    return np.polynomial.legendre.leggauss(points)
