"""Filters in their places without solving the stack again.

A filter sits in a *slot*: between what is in front of it and what is behind. Both are solved once,
seen from inside the medium that touches the filter; the filter and its surfaces are then put
between them by adding intensities, exactly as the engine adds them between incoherent layers. Only
for light that comes straight at the front; whatever else is left to the engine.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.errors import StackError
from optistack.exposure import Exposure, MountedFilter
from optistack.filters import DEFAULT_INDEX, NOMINAL_THICKNESS_NM, Filter
from optistack.light_paths import Geometry
from optistack.materials import constant
from optistack.stack import FilterStack, Stack
from optistack.transfer_matrix import solve

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


class Passage(NamedTuple):
    """Reflectance and transmittance of something between two media, from both sides.

    Arrays that broadcast to (candidate, wavelength).
    """

    r_down: Any
    t_down: Any
    r_up: Any
    t_up: Any

    def then(self, other: Passage) -> Passage:
        """This one, and another behind it; intensities add."""
        closed = 1.0 - self.r_up * other.r_down
        inward, outward = self.t_down / closed, other.t_up / closed
        return Passage(
            self.r_down + inward * other.r_down * self.t_up,
            inward * other.t_down,
            other.r_up + outward * self.r_up * other.t_down,
            outward * self.t_up,
        )

    def into(self, one_way: Real) -> Passage:
        """This one, and a layer behind it that reflects nothing."""
        return Passage(
            self.r_down, self.t_down * one_way, self.r_up * one_way**2, self.t_up * one_way
        )


class Medium(NamedTuple):
    """Index n + ik in two parts, which broadcast to (candidate, wavelength).

    Filters of one body share n: only k has a row for each candidate.
    """

    n: Any
    k: Any

    @classmethod
    def of(cls, index: Complex) -> Medium:
        return cls(index.real, index.imag)


def surface(above: Medium, below: Medium) -> Passage:
    """A surface between two media at normal incidence: Fresnel, transmittances as power."""
    size = (above.n + below.n) ** 2 + (above.k + below.k) ** 2
    r = ((above.n - below.n) ** 2 + (above.k - below.k) ** 2) / size
    down = 4.0 * below.n / above.n * (above.n**2 + above.k**2) / size
    up = 4.0 * above.n / below.n * (below.n**2 + below.k**2) / size
    return Passage(r, down, r, up)


def one_way(medium: Medium, thickness_nm: Any, lam: Real) -> Real:
    """Transmittance of a thick layer without its surfaces."""
    return np.asarray(np.exp(-4.0 * np.pi / lam * medium.k * thickness_nm))


def is_plain(geometry: Geometry) -> bool:
    """Whether all light comes straight at the lit side."""
    return geometry.angle_deg == 0 and geometry.isotropic_share == 0 and not geometry.uses_rear


@dataclass(frozen=True, eq=False)
class Arrays:
    """A stack as the engine takes it; layers by name. Index (layer + 2, wavelength)."""

    names: tuple[str, ...]
    wavelength_nm: Real
    index: Complex
    thickness_nm: Real
    coherent: NDArray[np.bool_]

    @classmethod
    def of(cls, stack: Stack, wavelength_nm: Real) -> Arrays:
        """A stack on a grid."""
        n, d, coherent = stack.lower(wavelength_nm)
        return cls(stack.names, wavelength_nm, n, d, coherent)

    def response(self) -> tuple[Real, Real, Real]:
        """Absorptance (layer, wavelength), reflectance and transmittance, straight from the front.

        Of the whole stack.
        """
        r = solve(self.index, self.thickness_nm, self.wavelength_nm, coherent=self.coherent)
        return r.absorptance, r.reflectance, r.transmittance


@dataclass(frozen=True, eq=False)
class Slot:
    """A place for filters in a stack: what is in front of it and what is behind.

    All arrays on the grid of the stack. ``front``: names of the layers before the filter, ``back``:
    those behind it.

    Attributes
    ----------
    wavelength_nm : (wavelength,) array [nm]
    arriving, returned, escaping, reflected : (wavelength,) arrays
        Share of the light that reaches the slot when nothing comes back; of light that goes
        outward from it what is returned, and what leaves the stack; share reflected in front of it.
    front_absorptance, front_absorptance_outward : (layer, wavelength) arrays
        Of incident light, and of light that goes outward from the slot.
    back_reflectance, back_transmittance : (wavelength,) arrays
    back_absorptance : (layer, wavelength) array
    above, below : (wavelength,) complex arrays
        Index of the media that touch the filters.
    host : (index (wavelength,), thickness [nm]) or None
        The layer that the filter is dissolved in.
    """

    wavelength_nm: Real
    front: tuple[str, ...]
    back: tuple[str, ...]
    arriving: Real
    returned: Real
    escaping: Real
    reflected: Real
    front_absorptance: Real
    front_absorptance_outward: Real
    back_reflectance: Real
    back_transmittance: Real
    back_absorptance: Real
    above: Complex
    below: Complex
    touching: tuple[str, ...] = ()
    host: tuple[Complex, float] | None = None

    @classmethod
    def at(
        cls,
        arrays: Arrays,
        position: int,
        *,
        inside: bool = False,
        gap: bool = False,
        body: Complex | None = None,
    ) -> Slot:
        """A slot in front of the layer at a position, or in that layer.

        Parameters
        ----------
        arrays : Arrays
        position : int
            Of the layer behind the slot, or of the host.
        inside : bool
            The filter is dissolved in the layer.
        gap : bool
            A gap of the ambient behind the filter.
        body : (wavelength,) complex array, optional
            What the filter is made of; needed where the layer behind is coherent.
        """
        n, d, flags, lam = arrays.index, arrays.thickness_nm, arrays.coherent, arrays.wavelength_nm
        first_behind = position + 1 if inside else position
        host = None
        if inside:
            host = (n[position + 1], float(d[position]))
        # Half-spaces stand at 0 and -1 of the index: layer j has row j + 1.
        above = n[position]
        ahead = range(position)
        joined = first_behind < len(d) and bool(flags[first_behind])
        if gap:
            below = n[0]
        elif joined or first_behind >= len(d):
            # A coherent layer, or the last half-space, is seen from inside the filter itself.
            own = host[0] if host is not None else body
            below = n[first_behind + 1] if own is None else own
        else:
            below = n[first_behind + 1]
        behind = solve(
            np.concatenate([below[None], n[first_behind + 1 :]]),
            d[first_behind:],
            lam,
            coherent=flags[first_behind:],
        )
        ones, zeros = np.ones(lam.size), np.zeros(lam.size)
        touching = [] if gap or joined else list(arrays.names[first_behind : first_behind + 1])
        if not len(ahead):
            arriving, reflected, returned, escaping = ones, zeros, zeros, ones
            front_a = outward_a = np.zeros((0, lam.size))
        else:
            touching += list(arrays.names[position - 1 : position])
            rows = np.concatenate([n[: position + 1], above[None]])
            inward = solve(rows, d[:position], lam, coherent=flags[:position])
            outward = solve(rows[::-1], d[:position][::-1], lam, coherent=flags[:position][::-1])
            arriving, reflected = inward.transmittance, inward.reflectance
            returned, escaping = outward.reflectance, outward.transmittance
            front_a, outward_a = inward.absorptance, outward.absorptance[::-1]
        return cls(
            lam,
            arrays.names[:position],
            arrays.names[first_behind:],
            arriving,
            returned,
            escaping,
            reflected,
            front_a,
            outward_a,
            behind.reflectance,
            behind.transmittance,
            behind.absorptance,
            above,
            below,
            tuple(touching),
            host,
        )

    def seen_at(self, lam: Real) -> Slot:
        """The slot at other wavelengths, linear between those of the grid."""
        if lam is self.wavelength_nm:
            return self
        last = self.wavelength_nm.size - 2
        left = np.clip(np.searchsorted(self.wavelength_nm, lam, side="right") - 1, 0, last)
        a, b = self.wavelength_nm[left], self.wavelength_nm[left + 1]
        share = (lam - a) / (b - a)

        def there(values: NDArray[Any]) -> NDArray[Any]:
            return np.asarray(values[..., left] * (1 - share) + values[..., left + 1] * share)

        at = {
            name: there(getattr(self, name))
            for name in (
                "arriving", "returned", "escaping", "reflected", "front_absorptance",
                "front_absorptance_outward", "back_reflectance", "back_transmittance",
                "back_absorptance", "above", "below",
            )
        }  # fmt: skip
        host = None if self.host is None else (there(self.host[0]), self.host[1])
        return Slot(lam, self.front, self.back, touching=self.touching, host=host, **at)


class Flows(NamedTuple):
    """Light with filters in a slot, per incident light, (candidate, wavelength).

    ``inward``: entering what is behind the slot; ``outward``: leaving the slot to the front.
    """

    inward: Real
    outward: Real

    def reflectance(self, slot: Slot) -> Real:
        """Of the whole stack."""
        return np.asarray(slot.reflected + self.outward * slot.escaping)

    def transmittance(self, slot: Slot) -> Real:
        """Of the whole stack."""
        return np.asarray(self.inward * slot.back_transmittance)

    def absorptance(self, slot: Slot, layer: str) -> Real:
        """Of a layer that is not the host and does not touch the filters."""
        if layer in slot.back:
            return np.asarray(self.inward * slot.back_absorptance[slot.back.index(layer)])
        i = slot.front.index(layer)
        return np.asarray(
            slot.front_absorptance[i] + self.outward * slot.front_absorptance_outward[i]
        )


def fill(slot: Slot, passage: Passage) -> Flows:
    """Put something between what is in front and what is behind."""
    entering = passage.t_down / (1.0 - passage.r_up * slot.back_reflectance)
    back_out = passage.r_down + passage.t_up * slot.back_reflectance * entering
    onto = slot.arriving / (1.0 - slot.returned * back_out)
    return Flows(np.asarray(onto * entering), np.asarray(onto * back_out))


def body_index(item: Filter, lam: Real) -> Complex:
    """What a filter's slab is made of, without what it absorbs."""
    return (item.index or constant(DEFAULT_INDEX)).transparent().index(lam)


def absorber_k_nm(items: Sequence[Filter], lam: Real) -> Real:
    """What filters add to k, times the thickness [nm], (filter, wavelength)."""
    tau = np.array([item.internal(lam) for item in items])
    return np.asarray(-np.log(tau) * lam / (4 * np.pi))


AbsorberK = Callable[[Sequence[Filter], Real], Real]


def dissolved(slot: Slot, items: Sequence[Filter], k_nm: AbsorberK = absorber_k_nm) -> Passage:
    """Filters, each by itself, dissolved in the host of a slot."""
    if slot.host is None:
        raise StackError("a filter can only be dissolved in a layer")
    lam = slot.wavelength_nm
    own, thickness = slot.host
    return _between(slot, [(Medium(own.real, own.imag + k_nm(items, lam) / thickness), thickness)])


def joined(
    slot: Slot, items: Sequence[Sequence[Filter]], k_nm: AbsorberK = absorber_k_nm
) -> Passage:
    """Slabs of filters: for each candidate as many, one behind the other.

    ``items[i]`` are the filters of candidate i; all with the same bodies.
    """
    lam = slot.wavelength_nm
    layers = []
    for of_place in zip(*items, strict=True):
        first = of_place[0]
        d = np.array([x.thickness_nm or NOMINAL_THICKNESS_NM for x in of_place])[:, None]
        layers.append((Medium(body_index(first, lam).real, k_nm(of_place, lam) / d), d))
    return _between(slot, layers)


def _between(slot: Slot, layers: Sequence[tuple[Medium, Any]]) -> Passage:
    lam = slot.wavelength_nm
    medium, thickness = layers[0]
    out = surface(Medium.of(slot.above), medium).into(one_way(medium, thickness, lam))
    for following, d in layers[1:]:
        out = out.then(surface(medium, following)).into(one_way(following, d, lam))
        medium = following
    return out.then(surface(medium, Medium.of(slot.below)))


def films(slot: Slot, item: FilterStack) -> Passage:
    """A filter of layers between two thick media."""
    lam = slot.wavelength_nm
    out: Passage | None = None
    medium = slot.above
    pending: list[tuple[Complex, float]] = []

    def run(below: Complex) -> Passage:
        if not pending:
            return surface(Medium.of(medium), Medium.of(below))
        rows = np.array([medium, *(n for n, _ in pending), below])
        d = np.array([x for _, x in pending])
        down, up = solve(rows, d, lam), solve(rows[::-1], d[::-1], lam)
        return Passage(down.reflectance, down.transmittance, up.reflectance, up.transmittance)

    def add(part: Passage) -> Passage:
        return part if out is None else out.then(part)

    for layer in item.layers:
        index = layer.index(lam)
        if layer.is_coherent:
            pending.append((index, layer.thickness_nm))
            continue
        out = add(run(index)).into(one_way(Medium.of(index), layer.thickness_nm, lam))
        medium, pending = index, []
    return add(run(slot.below))


def slot_for(exposure: Exposure, arrays: Arrays, mounted: MountedFilter) -> Slot | None:
    """The slot that a mount means, or None where the engine has to be asked."""
    stack, _ = exposure.built
    if not is_plain(exposure.geometry) or arrays.index[0].imag.any():
        return None
    if mounted.mount == "in_substrate":
        if not isinstance(mounted.item, Filter):
            return None
        name = mounted.layer or next((x.name for x in stack.layers if not x.is_coherent), None)
        if (
            name is None
            or name not in stack.names
            or stack.layers[stack.position(name)].is_coherent
        ):
            return None  # the engine says what is wrong
        at = stack.position(name)
        if at > 0 and stack.layers[at - 1].is_coherent:
            return None
        return Slot.at(arrays, at, inside=True)
    gap = mounted.mount == "detached_gap"
    if isinstance(mounted.item, FilterStack):
        if not gap and (not stack.layers or stack.layers[0].is_coherent):
            return None  # its films would interfere with those of the stack
        return Slot.at(arrays, 0, gap=gap)
    body = body_index(mounted.item, arrays.wavelength_nm)
    return Slot.at(arrays, 0, gap=gap, body=body)
