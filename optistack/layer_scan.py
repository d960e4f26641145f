"""One layer of a stack varied: everything above and below it is solved once.

The recursion of `optistack.layer_optics` is a product of one matrix for each layer. With one layer
varied, what lies below it leaves the fields at its bottom, what lies above it a matrix, and both
stay as they are: each value of the thickness, or of n and k, then costs the arithmetic of that
layer alone, however many other layers there are. Where incoherent layers part the stack, the parts
above and below are a reflectance and a transmittance for light from either side.

The answers are those of `optistack.transfer_matrix.solve`, to rounding; only decaying exponentials
occur here too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import StackError
from optistack.layer_optics import (
    STILL,
    Complex,
    Layers,
    Real,
    Waves,
    absorptances,
    coherent_run,
    solve_chain,
)
from optistack.transfer_matrix import Polarization, directions, polarizations, prepare, solve

Number = TypeVar("Number", np.float64, np.complex128)

# Points (values x angles x wavelengths) worked on at once: the temporaries stay in the cache.
_BLOCK = 1 << 13


@dataclass(frozen=True, eq=False)
class Scan:
    """Answers for every value of the varied layer.

    Attributes
    ----------
    wavelength_nm : (wavelength,) array [nm]
    of : tuple of int
        Inner layers whose absorptance is given.
    reflectance, transmittance : (value, [angle,] wavelength) array
    absorptance : (value, [angle,] layer of ``of``, wavelength) array
    """

    wavelength_nm: Real
    of: tuple[int, ...]
    reflectance: Real
    transmittance: Real
    absorptance: Real


class PreparedStack:
    """A stack ready for many values of one layer.

    Parameters
    ----------
    n, thickness_nm, wavelength_nm, angle_deg, polarization, coherent
        As in `optistack.transfer_matrix.solve`, for one stack.
    layer : int
        The inner layer that is varied, from 0. Whether it is coherent does not change with its
        thickness.
    of : sequence of int, optional
        Inner layers whose absorptance is wanted; the varied one when not given.

    Raises
    ------
    StackError
        As in `solve`; a batch of stacks; a layer that does not exist.

    Examples
    --------
    >>> ready = PreparedStack([1.0, 2.0 + 0.1j, 1.8, 1.5], [50.0, 70.0], [400.0], 1, of=[0])
    >>> scan = ready.scan([0.0, 70.0, 140.0])
    >>> print(scan.absorptance[:, 0, 0].round(4))
    [0.1179 0.136  0.1105]
    """

    def __init__(
        self,
        n: ArrayLike,
        thickness_nm: ArrayLike,
        wavelength_nm: ArrayLike,
        layer: int,
        *,
        of: Sequence[int] | None = None,
        angle_deg: ArrayLike = 0.0,
        polarization: Polarization = "mean",
        coherent: ArrayLike | None = None,
    ):
        index, d, lam, flags = prepare(n, thickness_nm, wavelength_nm, coherent)
        if index.ndim != 2 or d.ndim != 1:
            raise StackError("a scan varies one stack: n (layer, wavelength), no batch axes")
        wanted = (layer,) if of is None else tuple(of)
        for j in (layer, *wanted):
            if not 0 <= j < d.size:
                raise StackError(f"layer {j} does not exist: inner layers are 0 to {d.size - 1}")
        kinds = polarizations(polarization)
        self._sine, self._cosine, self._angle_axis = directions(angle_deg, False)
        self._index = np.broadcast_to(index, (len(index), lam.size))
        self._d, self._lam, self._layer, self._of = d, lam, layer, wanted
        self._flags = flags
        self._angle_deg, self._polarization = np.array(angle_deg), polarization
        with _quietly():
            waves = Waves(self._index[None], d[None], lam, self._sine, self._cosine)
            used = [Layers(waves, p) for p in (kinds if waves.oblique else (False,))]
            self._parts: list[_Run | _Pane] = [
                _Run(x, flags, layer, wanted, self._index, d)
                if flags[layer]
                else _Pane(x, flags, layer, wanted)
                for x in used
            ]

    def scan(self, thickness_nm: ArrayLike | None = None, n: ArrayLike | None = None) -> Scan:
        """Answers for many thicknesses, or many n and k, of the layer.

        Parameters
        ----------
        thickness_nm : (value,) [nm], optional
            That of the stack when not given.
        n : complex, (value,) or (value, wavelength), optional
            That of the stack when not given. For an incoherent layer every value of n costs a
            whole solution, since its neighbours reflect otherwise.

        Returns
        -------
        Scan

        Raises
        ------
        StackError
            Shapes that do not fit each other; a negative thickness or k.
        """
        given = self._d[self._layer] if thickness_nm is None else thickness_nm
        d = np.asarray(given, dtype=float)
        index = self._index[1 + self._layer] if n is None else np.asarray(n, dtype=complex)
        if n is None:
            index = index[None]
        elif index.ndim == 1:
            index = index[:, None]
        if d.ndim > 1 or index.ndim != 2 or index.shape[1] not in (1, self._lam.size):
            raise StackError(
                f"thickness_nm {d.shape} must be (value,) and n {index.shape} (value,) or "
                f"(value, wavelength), with {self._lam.size} wavelengths"
            )
        try:
            (count,) = np.broadcast_shapes(np.atleast_1d(d).shape, index.shape[:1])
        except ValueError:
            raise StackError(f"{d.size} thicknesses and {len(index)} n do not fit") from None
        d = np.broadcast_to(np.atleast_1d(d), count)
        index = np.broadcast_to(index, (count, self._lam.size))
        # The engine's own check, with the values as layers of one stack.
        prepare(np.concatenate([[np.ones(self._lam.size)], index, index[:1]]), d, self._lam, None)
        if n is not None and not self._flags[self._layer]:
            return self._solved(index, d)
        shape = (count, self._cosine.shape[0], self._lam.size)
        r, t = np.empty((2, *shape))
        a = np.empty((count, shape[1], len(self._of), shape[2]))
        step = max(1, _BLOCK // (shape[1] * shape[2]))
        for start in range(0, count, step):
            piece = slice(start, start + step)
            values = [self._values(part, index[piece], d[piece]) for part in self._parts]
            share = 1.0 / len(values)
            inside = (-1, *shape[1:])
            r[piece] = share * sum(v.reflectance.reshape(inside) for v in values)
            t[piece] = share * sum(v.transmittance.reshape(inside) for v in values)
            for i in range(len(self._of)):
                a[piece, :, i] = share * sum(v.absorptance[i].reshape(inside) for v in values)
        if not self._angle_axis:
            r, t, a = r[:, 0], t[:, 0], a[:, 0]
        return Scan(self._lam, self._of, r, t, a)

    def _values(self, part: _Run | _Pane, index: Complex, d: Real) -> _Values:
        with _quietly():
            return part(_Alone(self, part.layers, index, d))

    def _solved(self, index: Complex, d: Real) -> Scan:
        stacks = np.repeat(self._index[None], len(d), axis=0)
        thick = np.repeat(self._d[None], len(d), axis=0)
        stacks[:, 1 + self._layer], thick[:, self._layer] = index, d
        r = solve(
            stacks,
            thick,
            self._lam,
            angle_deg=self._angle_deg,
            polarization=self._polarization,
            coherent=np.array(self._flags, dtype=bool),
        )
        return Scan(
            self._lam,
            self._of,
            r.reflectance,
            r.transmittance,
            np.take(r.absorptance, self._of, axis=-2),
        )

    @property
    def setting(self) -> tuple[Complex, Real, Real | None, Real]:
        """The ambient's index, the wavelengths, sine and cosine of the angles."""
        return self._index[0], self._lam, self._sine, self._cosine


def _quietly() -> np.errstate:
    # 0/0 comes up at q = 0; each is then replaced by its limit.
    return np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore")


class _Values(NamedTuple):
    """Answers, (value x angle x wavelength); one absorptance for each layer asked for."""

    reflectance: Real
    transmittance: Real
    absorptance: list[Real]


class _Alone:
    """One layer between two media like the ambient, for every value of a scan.

    The points of a constant array of the stack, (..., angle x wavelength), are repeated for every
    value by `spread`.
    """

    def __init__(self, stack: PreparedStack, like: Layers, index: Complex, d: Real):
        ambient, lam, sine, cosine = stack.setting
        self.count = len(d)
        self._stack, self._p = stack, like.n2 is not None
        three = np.empty((len(d), 3, lam.size), dtype=complex)
        three[:, 0] = three[:, 2] = ambient
        three[:, 1] = index
        waves = Waves(three, np.asarray(d)[:, None], lam, sine, cosine)
        self.layers = Layers(waves, self._p)

    def again(self, index: Complex, d: float) -> _Alone:
        """Another layer, the same for every value."""
        many = np.broadcast_to(index, (self.count, index.size))
        return _Alone(self._stack, self.layers, many, np.full(self.count, d))

    def spread(self, values: NDArray[Number]) -> NDArray[Number]:
        """Repeat the points of the stack for every value."""
        return np.tile(values, (1,) * (values.ndim - 1) + (self.count,))

    def carried(self, bottom: Complex) -> Complex:
        """The fields at the top, (2, point)."""
        return _carried(self.layers, 0, bottom[:, None])[:, 0]

    def taken(self, top: Complex, bottom: Complex, power: Real) -> Real:
        """What the layer absorbs of light whose scale at its top is ``power``."""
        fields = np.ascontiguousarray(np.stack([top, bottom]))
        powers = np.stack([power, power * self.layers.waves.decay[0]])
        return np.asarray(absorptances(self.layers, [0], fields, powers)[0][0])


def _carried(layers: Layers, j: int, bottom: Complex) -> Complex:
    """Fields (2, column, point) from the bottom to the top of a layer, scaled."""
    waves = layers.waves
    x = waves.change[j] * (bottom[0] + layers.one_over_eta[j] * bottom[1])
    out = np.stack([bottom[0] - x, bottom[1] - layers.eta[j] * x])
    if j in layers.special:
        at = layers.special[j]
        k0d = 0.5 * waves.two_k0d[j][at]
        scale = np.exp(1j * waves.q[1 + j][at] * k0d)
        for column in range(bottom.shape[1]):
            out[:, column, at] = scale * layers.sinc_step(j, at, bottom[:, column], k0d)
    return out


class _Lit(NamedTuple):
    """A run with one layer varied, lit from one side."""

    reflectance: Real
    transmittance: Real
    absorptance: list[Real]
    excess: Real | None


class _Side:
    """A run of coherent layers with one varied: what is constant about it, for one direction."""

    def __init__(
        self,
        layers: Layers,
        which: Sequence[int],
        varied: int,
        top: int,
        bottom: int,
        of: Sequence[int],
        index: Complex,
        d: Real,
    ):
        waves = layers.waves
        at = which.index(varied)
        below, above = which[at + 1 :], which[:at]
        run = coherent_run(layers, below, top, bottom, keep_fields=True)
        fields = np.zeros((1, 2, waves.size), dtype=complex)
        if run.inside is not None:
            fields = run.inside.fields
        self.bottom = fields[0]
        powers = np.ones((len(below) + 1, waves.size))
        for i, j in enumerate(below):
            powers[i + 1] = powers[i] * waves.decay[j]
        # For unit power scale at the bottom of the varied layer.
        self.absorbed, self.leaving = absorptances(layers, below, fields, powers)
        self.below = {j: self.absorbed[below.index(j)] for j in of if j in below}
        self.own = [j for j in of if j == varied]
        # Matrices from the top of the varied layer to every interface above it.
        maps = [np.zeros((2, 2, waves.size), dtype=complex)]
        maps[0][0, 0] = maps[0][1, 1] = 1.0
        for j in reversed(above):
            maps.append(_carried(layers, j, maps[-1]))
        maps.reverse()
        self.decay = np.ones(waves.size)
        self.above: dict[int, tuple[Complex, Complex, Real, Complex, float]] = {}
        for i, j in enumerate(above):
            if j in of:
                self.above[j] = (
                    maps[i],
                    maps[i + 1],
                    self.decay,
                    index[1 + j],
                    float(d[j]),
                )
            self.decay = self.decay * waves.decay[j]
        a, b = layers.surface(top)
        self.electric, self.magnetic = b * maps[0][0], a * maps[0][1]
        self.eta = b * np.conjugate(a)

    def __call__(self, alone: _Alone, of: Sequence[int]) -> _Lit:
        bottom = alone.spread(self.bottom)
        top = alone.carried(bottom)
        electric, magnetic = (
            (alone.spread(x) * top).sum(axis=0) for x in (self.electric, self.magnetic)
        )
        incident = electric - magnetic
        amplitude = (electric + magnetic) / incident
        reflectance = np.abs(amplitude) ** 2
        eta = alone.spread(self.eta)
        power = 4.0 * eta.real / np.abs(incident) ** 2
        excess = None
        if eta.imag.any():
            slope = eta.imag / eta.real
            power = power * (1.0 + slope * slope)
            excess = 2.0 * slope * amplitude.imag
        still = ~(eta.real > STILL)
        if still.any():
            power, reflectance = np.where(still, 0.0, power), np.where(still, 1.0, reflectance)
            if excess is not None:
                excess = np.where(still, 0.0, excess)
        at_top = power * alone.spread(self.decay)
        at_bottom = at_top * alone.layers.waves.decay[0]
        taken = []
        for j in of:
            if j in self.below:
                taken.append(at_bottom * alone.spread(self.below[j]))
            elif j in self.above:
                upper, lower, decay, index, d = self.above[j]
                other = alone.again(index, d)
                ends = [(alone.spread(m) * top).sum(axis=1) for m in (upper, lower)]
                taken.append(other.taken(ends[0], ends[1], power * alone.spread(decay)))
            elif j in self.own:
                taken.append(alone.taken(top, bottom, at_top))
            else:
                taken.append(np.zeros(power.size))
        return _Lit(reflectance, at_bottom * alone.spread(self.leaving), taken, excess)


class _Beyond:
    """The part of a stack above or below an incoherent layer, lit through that layer.

    For unit intensity that enters the layer at its far side: ``back`` returns there, ``through``
    leaves the stack, ``taken`` is absorbed.
    """

    def __init__(
        self, layers: Layers, flags: list[bool], media: range, of: Sequence[int], thick: int
    ):
        waves = layers.waves
        chain = solve_chain(layers, flags, None, media)
        tau, once = crossing(waves, thick)
        excess = chain.power_entering - (1.0 - chain.reflectance)
        self.back = tau * chain.reflectance * tau
        self.through = tau * chain.transmittance
        self.taken = []
        for j in of:
            if 1 + j in media[1:-1]:
                self.taken.append(tau * chain.absorptance[media.index(1 + j) - 1])
            elif j == thick:
                self.taken.append(once * (1.0 + tau * chain.reflectance) - tau * excess)
            else:
                self.taken.append(np.zeros(waves.size))


def crossing(waves: Waves, j: int) -> tuple[Real, Real]:
    """Share of the light that crosses an incoherent layer once, and that it takes on the way."""
    # A wave that only fades (total reflection, a metal) does not cross it.
    fades = waves.q_imag[j] > waves.q_real[j]
    once = np.where(fades, 1.0, -np.expm1(-waves.two_k0d[j] * waves.q_imag[j]))
    return np.where(fades, 0.0, waves.decay[j]), once


class _Run:
    """The varied layer is coherent: its run between two incoherent layers, and what is beyond."""

    def __init__(
        self,
        layers: Layers,
        flags: list[bool],
        varied: int,
        of: Sequence[int],
        index: Complex,
        d: Real,
    ):
        self.layers, self.of = layers, of
        inner = len(flags)
        top = next((m for m in range(varied, 0, -1) if not flags[m - 1]), 0)
        bottom = next((m for m in range(varied + 2, inner + 1) if not flags[m - 1]), inner + 1)
        self.top, self.bottom = top - 1, bottom - 1  # as inner layers
        which = list(range(top, bottom - 1))
        self.down = _Side(layers, which, varied, top, bottom, of, index, d)
        self.up: _Side | None = None
        self.above: _Beyond | None = None
        self.below: _Beyond | None = None
        points = layers.waves.size
        self.arriving, self.reflected = np.ones(points), np.zeros(points)
        self.before = [np.zeros(points)] * len(of)
        if bottom <= inner:
            self.up = _Side(layers, which[::-1], varied, bottom, top, of, index, d)
            self.below = _Beyond(layers, flags, range(bottom, inner + 2), of, self.bottom)
        if top > 0:
            self.above = _Beyond(layers, flags, range(top, -1, -1), of, self.top)
            first = solve_chain(layers, flags, None, range(top + 1))
            tau, once = crossing(layers.waves, self.top)
            self.arriving, self.reflected = first.transmittance * tau, first.reflectance
            self.before = [
                first.absorptance[j]
                if j < self.top
                else first.transmittance * once
                if j == self.top
                else np.zeros(points)
                for j in of
            ]

    def __call__(self, alone: _Alone) -> _Values:
        of, spread = self.of, alone.spread
        down = self.down(alone, of)
        seen, through = down.reflectance, down.transmittance
        returned = np.zeros(seen.size)  # from below, for unit intensity from above
        up = None
        if self.below is not None and self.up is not None:
            up = self.up(alone, of)
            back = spread(self.below.back)
            closed = 1.0 - up.reflectance * back
            through = np.where(closed > 0, down.transmittance / closed, 0.0)
            returned = through * back
            seen = down.reflectance + returned * up.transmittance
        arriving, reflectance = spread(self.arriving), spread(self.reflected)
        if self.above is None:
            reflectance = seen
        else:
            closed = 1.0 - spread(self.above.back) * seen
            arriving = np.where(closed > 0, arriving / closed, 0.0)
            reflectance = reflectance + arriving * seen * spread(self.above.through)
        leaving = arriving * through
        transmittance = leaving
        if self.below is not None:
            transmittance = leaving * spread(self.below.through)
        taken = []
        for i, j in enumerate(of):
            total = arriving * down.absorptance[i] + spread(self.before[i])
            if up is not None:
                total = total + arriving * returned * up.absorptance[i]
                if j == self.bottom and up.excess is not None:
                    total = total - arriving * returned * up.excess
            if j == self.top and down.excess is not None:
                total = total - arriving * down.excess
            if self.above is not None:
                total = total + arriving * seen * spread(self.above.taken[i])
            if self.below is not None:
                total = total + leaving * spread(self.below.taken[i])
            taken.append(total)
        return _Values(reflectance, transmittance, taken)


class _Pane:
    """The varied layer is incoherent: what lies above and below it stays as it is."""

    def __init__(self, layers: Layers, flags: list[bool], varied: int, of: Sequence[int]):
        self.layers, self.of, self.varied = layers, of, varied
        inner, medium = len(flags), varied + 1
        self.first = solve_chain(layers, flags, None, range(medium + 1))
        self.up = solve_chain(layers, flags, None, range(medium, -1, -1))
        self.down = solve_chain(layers, flags, None, range(medium, inner + 2))
        self.excess = [c.power_entering - (1.0 - c.reflectance) for c in (self.up, self.down)]

    def __call__(self, alone: _Alone) -> _Values:
        spread, varied = alone.spread, self.varied
        tau, once = crossing(alone.layers.waves, 0)
        below, above = spread(self.down.reflectance), spread(self.up.reflectance)
        closed = 1.0 - above * tau * tau * below
        down = np.where(closed > 0, spread(self.first.transmittance) / closed, 0.0)
        lower = down * tau
        risen = lower * below
        upper = risen * tau
        taken = []
        for j in self.of:
            if j < varied:
                own = spread(self.first.absorptance[j])
                taken.append(own + upper * spread(self.up.absorptance[varied - 1 - j]))
            elif j > varied:
                taken.append(lower * spread(self.down.absorptance[j - varied - 1]))
            else:
                excess = upper * spread(self.excess[0]) + lower * spread(self.excess[1])
                taken.append((down + risen) * once - excess)
        return _Values(
            spread(self.first.reflectance) + upper * spread(self.up.transmittance),
            lower * spread(self.down.transmittance),
            taken,
        )
