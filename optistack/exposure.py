"""Exposure: light x filter x geometry x hours on a stack -> absorbed photon dose and photocurrent.

The stack is solved once per geometry; the light comes in as weights on the optical grid, so that
every lamp variant, band and spectral weight is one dot product with the same absorptances.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError, RangeError, StackError
from optistack.filters import Case, Filter
from optistack.spectra import DEFAULT_BANDS_NM, BandNm, Spectrum, Weight
from optistack.spectral_math import (
    PHOTON_J_NM,
    band_key,
    nodal_weights,
    optical_grid,
)
from optistack.stack import FilterStack, Mount, Stack
from optistack.transfer_matrix import depth_profile, solve
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# Directions for isotropic light: at least 24, more where fringes of thick coherent layers shift
# with the angle. Within 1e-4 of 800 directions for films up to 3 um on a metal, 1e-8 for a device.
_DIRECTIONS = 24
_DIRECTIONS_PER_FRINGE = 24
_MOST_DIRECTIONS = 800
# Absorptances (draws x directions x layers x wavelengths) held at once when many draws are solved.
_MOST_VALUES = 1 << 20
GRADE_SHARE = 0.05


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


@dataclass(frozen=True, eq=False)
class MountedFilter:
    """A filter and how it is mounted; ``layer`` names the layer for "in_substrate"."""

    item: Filter | FilterStack
    mount: Mount
    layer: str | None = None


class _Beams(NamedTuple):
    """Irradiance arriving from one side, in units of the irradiance on the lit side.

    ``angles_deg``: (..., direction); ``share``: (polarisation, ..., direction, wavelength). The
    leading axes are draws.
    """

    angles_deg: Real
    share: Real


class _Lighting(NamedTuple):
    """What arrives from both sides; ``rear`` without directions where nothing does."""

    polarizations: tuple[Literal["s", "p", "mean"], ...]
    front: _Beams
    rear: _Beams


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
    [(_, angles, spread)] = _directions(geometry, one, coherent, lam)
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
        _Lighting(lit.lighting.polarizations, front, rear),
    )


def absorptance_of_draws(
    stack: Stack, geometry: Geometry, wavelength_nm: ArrayLike, draws: Variation
) -> Real:
    """The absorptances that `respond` gives for each of many variations of a stack.

    A draw gives the same whatever it is solved with. Memory for the directions of light is bounded.

    Parameters
    ----------
    stack : Stack
        As in `respond`. Which layers are coherent is taken from it, not from the draws.
    geometry : Geometry
        Its rear share and the reflectance of its holder are those of the draws.
    wavelength_nm : (wavelength,) array [nm]
    draws : Variation

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
    for chosen, angles, spread in _directions(geometry, draws, coherent, lam):
        step = max(1, _MOST_VALUES // (angles.shape[1] * layers * lam.size))
        for start in range(0, chosen.size, step):
            piece = slice(start, start + step)
            at = chosen[piece]
            some = draws.of(at)
            lit = _light(stack, geometry, lam, some, coherent, angles[piece], spread[piece])
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
) -> _Lit:
    """Solve draws for their directions, (draw, direction), of which the first is the directed one.

    Only directions from which light comes are solved; which ones these are depends on the kind of
    geometry alone. Both polarisations are taken together where light arrives alike in both.
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

    def side(index: Any, thickness: Any, flags: Any, used: Any) -> tuple[Real, Real, Real]:
        parts = [
            solve(
                index, thickness, lam, angle_deg=angles[:, used], polarization=kind, coherent=flags
            )
            for kind in kinds
        ]
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
    r_back, t_back, a_back = side(n[:, ::-1], d[:, ::-1], coherent[::-1], from_rear)
    rear = spectral(rear_share[:, from_rear])
    transmittance: Real | None = None
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
        _Lighting(kinds, lit, _Beams(angles[:, from_rear], rear)),
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
    geometry: Geometry, draws: Variation, coherent: NDArray[np.bool_], lam: Real
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
    points = np.maximum(_DIRECTIONS, 16 + _DIRECTIONS_PER_FRINGE * turns).astype(int)
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


@dataclass(frozen=True, eq=False)
class Exposure:
    """A stack under a light.

    Parameters
    ----------
    name : str
    stack : Stack
    light : Spectrum
        Absolute, at the sample plane on the lit side, without the filters.
    geometry : Geometry
    filters : tuple of MountedFilter
        In the order in which the light meets them.
    hours : float [h]

    Raises
    ------
    OptistackError
        A light without set point; negative hours.
    """

    name: str
    stack: Stack
    light: Spectrum
    geometry: Geometry = Geometry()
    filters: tuple[MountedFilter, ...] = ()
    hours: float = 0.0

    def __post_init__(self) -> None:
        if any(s.relative for s in (self.light, *self.light.variants)):
            raise OptistackError(
                f"exposure {self.name}: light {self.light.name} is relative; give it a set point, "
                "an irradiance in a band, or a multiple of the sun"
            )
        if not (np.isfinite(self.hours) and self.hours >= 0):
            raise OptistackError(f"exposure {self.name}: hours {self.hours} must not be negative")
        _, far = self.built
        for item in far:
            if isinstance(item, FilterStack):
                raise StackError(
                    f"exposure {self.name}: filter {item.name} is given by its layers; mount it "
                    "laminated or detached_gap"
                )

    @property
    def built(self) -> tuple[Stack, tuple[Filter, ...]]:
        """The stack as lit with its mounted filters, and the filters far away at the lamp."""
        stack = self.stack if self.geometry.lit_from == "front" else self.stack.flipped()
        far: list[Any] = []
        for entry in reversed(self.filters):
            if entry.mount == "detached_far":
                far.insert(0, entry.item)
            else:
                stack = stack.mounted(entry.item, entry.mount, entry.layer)
        return stack, tuple(far)

    @property
    def filter_name(self) -> str:
        """For tables: the filters' names, or "none"."""
        return " + ".join(f.item.name for f in self.filters) or "none"

    def with_filters(self, filters: Sequence[MountedFilter]) -> Exposure:
        """The same exposure behind other filters."""
        return replace(self, filters=tuple(filters))

    def in_case(self, case: Case) -> Exposure:
        """With readings of its filters below their stray-light floor at 0 or at the floor."""
        filters = tuple(
            replace(f, item=f.item.in_case(case)) if isinstance(f.item, Filter) else f
            for f in self.filters
        )
        return replace(self, filters=filters)

    def needed_range(self, bands_nm: Sequence[BandNm]) -> BandNm:
        """The wavelengths that matter: the bands, as far as the light shines there [nm]."""
        lit_low, lit_high = self.light.lit_range_nm
        low, high = np.inf, -np.inf
        for band in bands_nm:
            self.light.require(band)
            lower, upper = max(band[0], lit_low), min(band[1], lit_high)
            if upper > lower:
                low, high = min(low, lower), max(high, upper)
        if high <= low:
            raise RangeError(
                f"exposure {self.name}: light {self.light.name} has no light in the bands",
                (min(b[0] for b in bands_nm), max(b[1] for b in bands_nm)),
                (lit_low, lit_high),
            )
        return float(low), float(high)

    def run(self, range_nm: BandNm | None = None) -> ExposureResult:
        """Solve the stack over a range of wavelengths.

        Parameters
        ----------
        range_nm : (float, float) [nm], optional
            The default bands, as far as the light shines there, when not given.

        Raises
        ------
        RangeError
            A table that does not cover the range.
        """
        low, high = range_nm or self.needed_range(DEFAULT_BANDS_NM)
        stack, far = self.built
        nodes: list[Real] = [np.array([b for band in DEFAULT_BANDS_NM for b in band])]
        for layer in stack.layers:
            nodes += [absorber.nodes_nm for absorber in layer.absorbers]
        grid = optical_grid(low, high, step_nm=stack.fringe_step_nm(low), include=nodes)
        for item in far:
            item.given(grid)  # refuse here, with the filter's name, not in an integral
        return ExposureResult(self, respond(stack, self.geometry, grid), far)


@dataclass(frozen=True, eq=False)
class ExposureResult:
    """Absorbed photons of every layer of an exposure.

    Band and weight answers are arrays (variant,): the light's central spectrum first, then its
    other variants.

    Attributes
    ----------
    exposure : Exposure
    response : StackResponse
    far : tuple of Filter
    """

    exposure: Exposure
    response: StackResponse
    far: tuple[Filter, ...] = ()
    _cache: dict[Any, Real] = field(default_factory=dict, repr=False)

    @property
    def wavelength_nm(self) -> Real:
        """The optical grid [nm]."""
        return self.response.wavelength_nm

    @property
    def stack(self) -> Stack:
        """The stack as lit, filters included."""
        return self.response.stack

    @property
    def lights(self) -> tuple[Spectrum, ...]:
        """The central spectrum and the variants."""
        return (self.exposure.light, *self.exposure.light.variants)

    def layer_absorptance(self, layer: str) -> Real:
        """Per photon incident on the far filter, if there is one, else on the stack."""
        through: Real = np.ones(self.wavelength_nm.size)
        for item in self.far:
            through = through * item.external(self.wavelength_nm)
        return np.asarray(self.response.absorptance[self.stack.position(layer)] * through)

    def photon_weights(
        self,
        band_nm: BandNm,
        weight: Callable[[Real], Real] | None = None,
        nodes_nm: Sequence[Real] = (),
    ) -> Real:
        """Weights W on the grid: photons absorbed in the band = W . absorptance.

        Parameters
        ----------
        band_nm : (float, float) [nm]
        weight : callable, optional
            One more factor, of wavelength [nm].
        nodes_nm : sequence of arrays [nm]
            Where ``weight`` bends.

        Returns
        -------
        (variant, wavelength) array [1/(m2 s)]

        Raises
        ------
        RangeError
            The light or the optical grid does not reach over the band.
        """
        # A Weight is kept as part of the key: two of one name may differ.
        cacheable = not nodes_nm and (weight is None or isinstance(weight, Weight))
        key = (band_nm, weight)
        if cacheable and key in self._cache:
            return self._cache[key]
        grid = self.wavelength_nm
        rows = []
        for light in self.lights:
            light.require(band_nm)
            lit_low, lit_high = light.lit_range_nm
            low, high = max(band_nm[0], lit_low), min(band_nm[1], lit_high)
            if low < high and (low < grid[0] - 1e-9 or high > grid[-1] + 1e-9):
                raise RangeError(
                    f"exposure {self.exposure.name}", (low, high), (float(grid[0]), float(grid[-1]))
                )
            factors: list[Callable[[Real], Real]] = [light, lambda x: x / PHOTON_J_NM]
            grids: list[Real] = [light.wavelength_nm, *nodes_nm]
            if weight is not None:
                factors.append(weight)
                if isinstance(weight, Weight) and weight.wavelength_nm.size:
                    grids.append(weight.wavelength_nm)
            for item in self.far:
                factors.append(item.external)
                grids.append(item.nodes_nm)
            rows.append(nodal_weights(grid, max(low, grid[0]), min(high, grid[-1]), grids, factors))
        out = np.array(rows)
        if cacheable:
            self._cache[key] = out
        return out

    def absorbed_photons_m2_s(
        self, layer: str, band_nm: BandNm, weight: Weight | None = None
    ) -> Real:
        """Photons absorbed in a layer per area and time [1/(m2 s)], (variant,).

        With a weight: equivalent photons at its reference wavelength, in the part of the band
        that the weight covers.
        """
        if weight is not None:
            band_nm = (max(band_nm[0], weight.band_nm[0]), min(band_nm[1], weight.band_nm[1]))
        a = self.response.absorptance[self.stack.position(layer)]
        return np.asarray(self.photon_weights(band_nm, weight) @ a)

    def weighted_photons_m2_s(self, layer: str, weight: Weight) -> Real:
        """Equivalent photons absorbed at the weight's reference wavelength [1/(m2 s)]."""
        return self.absorbed_photons_m2_s(layer, weight.band_nm, weight)

    def incident_photons_m2_s(self, band_nm: BandNm) -> Real:
        """Photons on the lit side at the sample plane, filters off [1/(m2 s)], (variant,)."""
        return np.array([light.photon_flux_m2_s(band_nm) for light in self.lights])

    def incident_irradiance_w_m2(self, band_nm: BandNm) -> Real:
        """Irradiance on the lit side at the sample plane, filters off [W/m2], (variant,)."""
        return np.array([light.irradiance_w_m2(band_nm) for light in self.lights])

    def absorbed_fraction(self, layer: str, band_nm: BandNm) -> Real:
        """Photons absorbed over photons incident in a band, (variant,); NaN without light."""
        incident = self.incident_photons_m2_s(band_nm)
        absorbed = self.absorbed_photons_m2_s(layer, band_nm)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.where(incident > 0, absorbed / incident, np.nan))

    def dose_m2(self, rate_m2_s: ArrayLike) -> Real:
        """A rate times the hours of the exposure [1/m2]."""
        return np.asarray(np.asarray(rate_m2_s) * self.exposure.hours * 3600.0)

    def budget(self, band_nm: BandNm) -> dict[str, float]:
        """Where the photons of a band go: shares of the incident photons, summing to 1.

        The share of a far filter is what it does not let through; light from the rear is added to
        what is incident.
        """
        weights = self.photon_weights(band_nm)[0]
        incident = float(self.incident_photons_m2_s(band_nm)[0])
        if incident <= 0:
            return {}
        total = incident
        out: dict[str, float] = {}
        reaching = float(weights.sum())
        if self.far:
            out["filter at the lamp"] = incident - reaching
        rear = self.exposure.geometry.rear_share * reaching
        total += rear
        out["reflected"] = float(weights @ self.response.reflectance)
        for layer, a in zip(self.stack.names, self.response.absorptance, strict=True):
            out[layer] = float(weights @ a)
        out["transmitted"] = float(weights @ self.response.transmittance)
        return {name: value / total for name, value in out.items()}

    def depth_profile(
        self, layer: str, depth_nm: ArrayLike, band_nm: BandNm, weight: Weight | None = None
    ) -> Real:
        """Photons absorbed per volume and time at each depth [1/(m3 s)], (depth,).

        Depth counts from the lit side of the layer. For the light's central spectrum.
        """
        weights = self.photon_weights(band_nm, weight)[0]
        position = self.stack.position(layer)
        lam = self.wavelength_nm
        n, d, coherent = self.stack.lower(lam)
        depth = np.atleast_1d(np.asarray(depth_nm, dtype=float))
        light = self.response.lighting
        density = np.zeros((depth.size, lam.size))
        for p, kind in enumerate(light.polarizations):
            front = depth_profile(
                n,
                d,
                lam,
                position,
                depth,
                angle_deg=light.front.angles_deg,
                polarization=kind,
                coherent=coherent,
            )
            density += np.einsum("dw,dzw->zw", light.front.share[p], front)
            if light.rear.share.any():
                rear = depth_profile(
                    n[::-1],
                    d[::-1],
                    lam,
                    len(d) - 1 - position,
                    d[position] - depth[::-1],
                    angle_deg=light.rear.angles_deg,
                    polarization=kind,
                    coherent=coherent[::-1],
                )
                density += np.einsum("dw,dzw->zw", light.rear.share[p], rear[:, ::-1])
        return np.asarray(density @ weights * 1e9)

    def first_nanometre(self, layer: str, band_nm: BandNm) -> tuple[float, float]:
        """Photons absorbed per volume in the first nanometre at the lit and at the far face."""
        thickness = self.stack.layers[self.stack.position(layer)].thickness_nm
        reach = min(1.0, thickness)
        x, w = np.polynomial.legendre.leggauss(3)
        near = reach * (x + 1) / 2
        depth = np.concatenate([near, thickness - near[::-1]])
        rate = self.depth_profile(layer, depth, band_nm)
        return float(rate[:3] @ w / 2), float(rate[3:] @ w / 2)

    def extension_shares(self, layer: str, band_nm: BandNm) -> dict[str, float]:
        """Share of a layer's photons from wavelengths where a table was extended, by table."""
        weights = (
            self.photon_weights(band_nm)[0] * self.response.absorptance[self.stack.position(layer)]
        )
        total = float(weights.sum())
        out: dict[str, float] = {}
        lam = self.wavelength_nm
        for m in self.stack.materials:
            outside = m.extended(lam)
            if outside.any() and np.isfinite(m.range_nm).all():
                out[m.name] = float(weights[outside].sum()) / total if total > 0 else 0.0
        return out

    def carrying_tables(self, layer: str, band_nm: BandNm) -> list[tuple[str, str, float]]:
        """Tables that carry more than 5 % of an answer: (name, grade, share).

        The light and the layer's own table carry all of it; another layer's table carries the
        share of the incident photons that this layer takes, a filter what it takes.
        """
        budget = self.budget(band_nm)
        out = [(f"light {self.exposure.light.name}", self.exposure.light.grade, 1.0)]
        for item in self.stack.layers:
            share = 1.0 if item.name == layer else budget.get(item.name, 0.0)
            for name, grade in [
                (f"material {item.material.name}", item.material.grade),
                *((f"filter {a.name}", a.grade) for a in item.absorbers),
            ]:
                if item.absorbers and name == "material filter body":
                    continue
                if share > GRADE_SHARE and all(name != other[0] for other in out):
                    out.append((name, grade, share))
        for far in self.far:
            share = budget.get("filter at the lamp", 0.0)
            if share > GRADE_SHARE:
                out.append((f"filter {far.name}", far.grade, share))
        return out

    def worst_grade(self, layer: str, band_nm: BandNm) -> str:
        """The worst grade of the tables that carry more than 5 % of the answer."""
        return max(grade for _, grade, _ in self.carrying_tables(layer, band_nm))

    def notes(self, layer: str | None = None, band_nm: BandNm | None = None) -> tuple[str, ...]:
        """The assumptions and extensions behind the answers."""
        out: list[str] = [*self.exposure.light.notes]
        lam = self.wavelength_nm
        for m in self.stack.materials:
            out += m.notes
            outside = m.extended(lam)
            if not outside.any() or not np.isfinite(m.range_nm).all():
                continue
            for side, limit, mode, where in (
                ("below", m.range_nm[0], m.below, lam < m.range_nm[0]),
                ("above", m.range_nm[1], m.above, lam > m.range_nm[1]),
            ):
                if not where.any():
                    continue
                how = "n and k held at their end values" if mode == "hold" else "k taken as 0"
                text = f"material {m.name}: {how} {side} {limit:g} nm, as the scenario asks"
                if layer is not None and band_nm is not None:
                    share = self.extension_shares(layer, band_nm).get(m.name, 0.0)
                    part = f"{100 * share:.2g} %" if share >= 1e-4 else "less than 0.01 %"
                    text += (
                        f"; {part} of what {layer} absorbs in {band_key(band_nm)} nm "
                        "comes from outside that table"
                    )
                out.append(text)
        for item in self.stack.layers:
            for absorber in item.absorbers:
                out += absorber.doubts(lam)
        for far in self.far:
            out += far.doubts(lam)
            if self.exposure.geometry.angle_deg > 0 or self.exposure.geometry.isotropic_share > 0:
                out.append(
                    f"filter {far.name}: far away at the lamp, crossed at normal incidence "
                    "although light meets the sample at an angle"
                )
        return tuple(dict.fromkeys(out))

    def to_frame(self, bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM) -> pd.DataFrame:
        """One row per layer and band: rate, fraction and dose of absorbed photons."""
        import pandas as pd

        rows = []
        for band in bands_nm:
            if self.incident_photons_m2_s(band)[0] <= 0:
                continue
            for layer in self.stack.names:
                rate = Value.of(self.absorbed_photons_m2_s(layer, band))
                rows.append(
                    {
                        "exposure": self.exposure.name,
                        "layer": layer,
                        "band_nm": band_key(band),
                        "absorbed_photons_m2_s": rate.value,
                        "absorbed_photons_m2_s_low": rate.low,
                        "absorbed_photons_m2_s_high": rate.high,
                        "absorbed_fraction": float(self.absorbed_fraction(layer, band)[0]),
                        "absorbed_photon_dose_m2": float(self.dose_m2(rate.value)),
                    }
                )
        return pd.DataFrame(rows)

    def plot(self, ax: Any = None) -> Any:
        """Absorptance of every layer against wavelength, on a matplotlib Axes."""
        if ax is None:
            import matplotlib.pyplot as plt

            _, ax = plt.subplots()
        for layer in self.stack.names:
            ax.plot(self.wavelength_nm, self.layer_absorptance(layer), label=layer)
        ax.set_xlabel("wavelength (nm)")
        ax.set_ylabel("absorptance")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))
