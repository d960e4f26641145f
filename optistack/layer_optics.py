"""Waves in layers: the arithmetic under `optistack.transfer_matrix` and the other engines.

Conventions
-----------
Time factor exp(-i omega t), refractive index n + ik with k >= 0 absorbing. ``q`` is the normal
component of the wave vector over the vacuum wave number, with Re q >= 0 and Im q >= 0. The fields
are the tangential E and H at an interface, in units in which a plane wave has H = eta E, with
eta = q for s and eta = n^2/q for p polarisation. With E tangential, r_s = r_p at normal incidence;
texts that define r_p through the field along the ray have the opposite sign there.

Inside this module the first axis of an array is the layer, the second all stacks, angles and
wavelengths of a job, laid end to end ("points").

Numerics
--------
The fields are carried from the back to the front, in each layer scaled by exp(i delta), where
delta is the layer's phase thickness: only decaying exponentials occur, so any number of opaque
layers is harmless. What a layer absorbs is the difference of the fluxes at its faces; where that
would be lost in rounding, the integral of the local absorption in closed form, so weak absorbers
keep their relative accuracy. Where q is close to zero in a layer (the critical angle), the forward
and the backward wave coincide and the sinc form of the layer matrix is used instead.

Sources: M. Born, E. Wolf, Principles of Optics, ch. 1.6 (layer matrix); S. J. Byrnes,
arXiv:1603.02720 (Poynting vector in absorbing media, incoherent layers).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Below this |q| and this |delta| the two exponentials of a layer are too alike to be told apart:
# the sinc form and a Gauss-Legendre integral over the layer take over.
_SMALL_Q = 0.05
# A |q^2| below this came from squares near the smallest number of double precision.
_NO_SQUARE = 1e-140
_SMALL_PHASE = 0.3
# A difference of fluxes is good to the rounding of |E| |H|. A layer takes at least about
# min(1, 2 k0 d Im q) Re q of that: below this limit the closed form takes over.
_WEAK = 1e-2
# Where that measure is above this limit everywhere, no layer is weak and none has a small q:
# |q| < _SMALL_Q and |delta| < _SMALL_PHASE make it less than 2 _SMALL_PHASE _SMALL_Q.
_PLAIN = max(_WEAK, 2 * _SMALL_PHASE * _SMALL_Q)
# A medium in which a wave of unit amplitude carries less power than this carries none.
STILL = 1e-100
# The C library gives freed memory back to the system at once until a first large block has come and
# gone; the page faults of getting it again would cost more than the optics. One large block, never
# touched and freed here, makes it keep its memory.
np.empty(1 << 21)
GAUSS_X, GAUSS_W = np.polynomial.legendre.leggauss(8)

# exp(i x) = exp(2 pi i m / _STEPS) exp(i r): m whole steps by table, and a rest r of at most half a
# step by series. They leave out r^5/120 < 1e-19 of the sine; the coefficient of the cosine spreads
# r^4/24 so that at most 2e-16 are missing.
_STEPS = 1 << 13
_STEP = 2 * np.pi / _STEPS
_QUARTER = np.exp(1j * _STEP * np.arange(_STEPS // 4))
_CIRCLE = np.concatenate([_QUARTER, 1j * _QUARTER, -_QUARTER, -1j * _QUARTER])
_COS_2 = -(_STEP**2) / 2 + (np.sqrt(2) - 1) / 48 * _STEP**4
_SIN_1, _SIN_3 = _STEP, -(_STEP**3) / 6
# exp(-y) = exp2(y times this); numpy has a faster loop for exp2.
_PER_HALVING = -1 / np.log(2)
# Adding this rounds a float to an integer and puts that integer into the last bits.
_ROUND = 1.5 * 2.0**52


def _phasor(turns: Real, length: Real) -> Complex:
    """length * exp(i x) for x in steps of 2 pi / _STEPS, x >= 0. ``turns`` is overwritten.

    Exact to rounding of x and much faster than sines and cosines.
    """
    if turns.max(initial=0.0) > 2.0**50:
        # A phase that large is rounded to more than a step: it means nothing, but must stay one.
        np.fmod(turns, _STEPS, out=turns)
    whole = turns + _ROUND
    step = whole.view(np.int64) & (_STEPS - 1)
    whole -= _ROUND
    turns -= whole
    out = _CIRCLE.take(step, mode="clip")  # no need to look whether it is inside
    square = np.multiply(turns, turns, out=whole)
    sine = square * _SIN_3
    sine += _SIN_1
    sine *= turns
    cosine = square
    cosine *= _COS_2
    cosine += 1.0
    rest = np.empty(turns.shape, dtype=complex)
    np.multiply(cosine, length, out=rest.real)
    np.multiply(sine, length, out=rest.imag)
    out *= rest
    return out


def sinc(delta: Complex) -> Complex:
    """sin(delta) / delta for |delta| below about 1."""
    d2 = delta * delta
    out = np.ones_like(d2)
    for m in (17, 15, 13, 11, 9, 7, 5, 3):
        out = 1 - d2 / (m * (m - 1)) * out
    return out


def _square(z: Complex) -> Real:
    """|z|^2."""
    out = z.real * z.real
    out += z.imag * z.imag
    return np.asarray(out)


class Waves:
    """Wave vectors and phase factors: what both polarisations share.

    Attributes
    ----------
    q : (layer, point)
        All media.
    n2 : (layer, point) or None
        n^2 of all media; None at normal incidence, where q^2 is the same.
    kx2 : (point,)
        Square of the wave-vector component along the layers.
    q_real, q_imag, two_k0d, decay, change : (inner layer, point)
        ``decay`` is |exp(2 i delta)|, ``change`` (1 - exp(2 i delta)) / 2.
    weak, dark : list of int
        Inner layers of which some point needs the closed form of the absorptance; inner layers
        that do not absorb at all.
    closed : (inner layer, point) or None
        Where a layer that is weak takes the closed form, in all points of a stack or in none, so
        that a stack gives the same whatever it is solved with; None: everywhere.
    special : (inner layer, point) or None
        Where the sinc form of the layer matrix is used.
    """

    def __init__(self, index: Complex, d: Real, lam: Real, sine: Real | None, cosine: Real):
        """``index``: (stack, layer, 1 or wavelength).

        ``cosine``: (angle, 1 or wavelength), or with the stack axis before these.
        """
        angles = cosine.shape[-2]
        self.shape = (len(d), angles, lam.size)
        self.size = len(d) * angles * lam.size
        n = index.transpose(1, 0, 2)[:, :, None, :]
        self.oblique = sine is not None
        self.n2: Complex | None = None
        self.kx2: Real | float = 0.0
        if sine is not None:
            self._refract(n, sine, cosine)
        else:
            self.q = self.points(n)
            self.q_real, self.q_imag = self.q[1:-1].real.copy(), self.q[1:-1].imag.copy()
        self.two_k0 = 4 * np.pi / lam
        if len(d) == angles == 1:
            self.two_k0d = d.T * self.two_k0
        else:
            self.two_k0d = self.points(d.T[:, :, None, None] * self.two_k0)
        fading = self.two_k0d * self.q_imag
        self.weak: list[int] = []
        self.dark: list[int] = []
        self.closed: Flags | None = None
        self.special: Flags | None = None
        share = np.minimum(fading, 1.0)
        share *= self.q_real
        if not share.min(initial=1.0) > _PLAIN:
            self._mark(share)
        fading *= _PER_HALVING
        self.decay = np.exp2(fading, out=fading)
        turns = self.two_k0d * self.q_real
        turns *= 1 / _STEP
        thin = turns < 0.5 if turns.min(initial=1.0) < 0.5 else None
        half = _phasor(turns, np.multiply(self.decay, 0.5, out=share))
        self.change = np.subtract(0.5, half, out=half)
        if thin is not None:
            self.change[thin] = self._change_of_thin(thin)
        self.one_over_q = 1.0 / self.q[1:-1]

    def _change_of_thin(self, where: Flags) -> Complex:
        """``change`` where the phase is small, to its own rounding instead of that of 1.

        Beside a grazing wave, whose q is as small, the difference counts.
        """
        x = (self.two_k0d * self.q_real)[where]
        y = (self.two_k0d * self.q_imag)[where]
        square, decay = x * x, self.decay[where]
        out = np.empty(x.shape, dtype=complex)
        # x is half a step at most: the series leave out less than 1e-20.
        np.add(-0.5 * np.expm1(-y), 0.25 * square * (1 - square / 12) * decay, out=out.real)
        out.imag = -0.5 * x * (1 - square / 6 * (1 - square / 20)) * decay
        return out

    def points(self, values: NDArray[np.generic]) -> NDArray[Any]:
        """(layer, stack, angle, wavelength), each possibly 1, as (layer, point)."""
        shape = (len(values), *self.shape)
        if values.shape != shape:
            values = np.ascontiguousarray(np.broadcast_to(values, shape))
        return values.reshape(len(values), self.size)

    def _refract(self, n: Complex, sine: Real, cosine: Real) -> None:
        # The wave vector along the layers is real, also in an absorbing ambient: light that does
        # not fade along the surface.
        n0 = n[0]
        kx = n0.real * sine
        self.kx2 = self.points((kx * kx)[None])[0]
        self.n2 = self.points(n * n)
        # q^2 = n^2 - kx^2, written so that a layer with the ambient's index gets exactly q0.
        n0_cosine = n0.real * cosine
        difference = (n.real - n0.real) * (n.real + n0.real) - n.imag * n.imag
        real = difference + n0_cosine * n0_cosine
        if n0.imag.any():
            plain = (n.real - n.imag) * (n.real + n.imag) - kx * kx
            real = np.where(n0.imag > 0, plain, real)
        square = self.points(real)
        product = self.points(n.real * n.imag)  # Re q Im q
        # The square root of a complex number in the first quadrant of the plane of q.
        larger = np.sqrt(square * square + 4.0 * (product * product))
        if larger.min() < _NO_SQUARE:  # squares may have run out of numbers; hypot does not
            at = larger < _NO_SQUARE
            larger[at] = np.hypot(square[at], 2.0 * product[at])
        larger += np.abs(square)
        larger *= 0.5
        np.sqrt(larger, out=larger)
        smaller = product / (larger + 1e-300)  # 0 where q is 0
        q = np.empty(square.shape, dtype=complex)
        only_fading = square < 0
        if only_fading.any():
            larger, smaller = (
                np.where(only_fading, smaller, larger),
                np.where(only_fading, larger, smaller),
            )
        q.real, q.imag = larger, smaller
        self.q, self.q_real, self.q_imag = q, larger[1:-1], smaller[1:-1]

    def _mark(self, share: Real) -> None:
        """Find the layers that need care; ``share`` is the measure explained at _WEAK."""
        stacks = self.shape[0]
        by_stack: Flags = np.any((share < _WEAK).reshape(len(share), stacks, -1), axis=2)
        weak: Flags = np.any(by_stack, axis=1)
        if weak.any():
            if not by_stack[weak].all():
                self.closed = np.repeat(by_stack, self.size // stacks, axis=1)
            dark = ~(self.q_real * self.q_imag > 0).any(axis=1)
            self.dark = np.flatnonzero(dark).tolist()
            self.weak = np.flatnonzero(weak & ~dark).tolist()
        if self.q_real.min() < _SMALL_Q:
            q2 = self.q_real**2 + self.q_imag**2
            special = (q2 < _SMALL_Q**2) & (q2 * self.two_k0d**2 < (2 * _SMALL_PHASE) ** 2)
            if special.any():
                self.special = special


class Layers:
    """The inner layers as one polarisation sees them: the same for light from either side.

    The fields are held as E and K = -H. Carried from the bottom to the top of a layer and scaled
    by exp(i delta), they become

        E - x,  K - eta x,  x = (1 - exp(2 i delta)) / 2 (E + K / eta).
    """

    def __init__(self, waves: Waves, p: bool):
        self.waves = waves
        self.n2 = waves.n2 if p else None
        q, n2 = waves.q[1:-1], self.n2
        self.eta = q if n2 is None else n2[1:-1] * waves.one_over_q
        self.one_over_eta = waves.one_over_q if n2 is None else q / n2[1:-1]
        self.special: dict[int, NDArray[np.intp]] = {}
        if waves.special is not None:
            self.special = {j: np.flatnonzero(at) for j, at in enumerate(waves.special) if at.any()}

    def surface(self, medium: int) -> tuple[Complex | float, Complex]:
        """(a, b) with eta = b / a, never 0/0."""
        if self.n2 is None:
            return 1.0, self.waves.q[medium]
        return self.waves.q[medium], self.n2[medium]

    def sinc_step(self, j: int, at: NDArray[np.intp], bottom: Complex, k0_height: Real) -> Complex:
        """E and K at a height above the bottom of layer j; not scaled."""
        e, k = bottom[:, at]
        q = self.waves.q[1 + j][at]
        q2 = q * q
        delta = q * k0_height
        wave = sinc(delta)
        slant = 1j * k0_height * wave
        cosine = np.sqrt(1 - (delta * wave) ** 2)
        if self.n2 is None:
            return np.stack([cosine * e + slant * k, cosine * k + slant * q2 * e])
        n2 = self.n2[1 + j][at]
        return np.stack([cosine * e + slant * q2 / n2 * k, cosine * k + slant * n2 * e])

    def sinc_square(self, j: int, at: NDArray[np.intp], bottom: Complex, k0_height: Real) -> Real:
        """|E|^2 at a height above the bottom of layer j."""
        return self.square(j, at, *self.sinc_step(j, at, bottom, k0_height))

    def square(self, j: int, at: NDArray[np.intp] | slice, e: Complex, k: Complex) -> Real:
        """|E|^2 of the whole field in layer j from its tangential parts."""
        out = _square(e)
        if self.n2 is not None:
            out += np.asarray(self.waves.kx2)[at] * _square(k / self.n2[1 + j][at])
        return out

    def forward_backward(
        self, j: int | list[int], e: Complex, k: Complex
    ) -> tuple[Complex, Complex]:
        """E of the forward and of the backward wave."""
        ratio = k * self.one_over_eta[j]
        return 0.5 * (e - ratio), 0.5 * (e + ratio)


class Run(NamedTuple):
    """A run of coherent layers between two incoherent media, lit from one side."""

    reflectance: Real
    transmittance: Real
    absorptance: Real  # (layer of the run, point)
    excess: Real | None  # power entering minus (1 - reflectance), where there is any
    amplitude: Complex
    inside: _Inside | None

    @property
    def entering(self) -> Real:
        entering = 1.0 - self.reflectance
        return entering if self.excess is None else entering + self.excess


class _Inside(NamedTuple):
    """What is needed to look inside the layers of a run; interfaces are counted from the top."""

    fields: Complex  # (interface, 2, point): E and K
    powers: Real  # (interface, point): scale of what is formed from the fields


def coherent_run(
    layers: Layers, which: Sequence[int], top: int, bottom: int, *, keep_fields: bool = False
) -> Run:
    """Solve the layers ``which`` (in the order the light meets them) between two media."""
    waves, count = layers.waves, len(which)
    fields = np.empty((count + 1, 2, waves.size), dtype=complex)  # E and K at the interfaces
    a, b = layers.surface(bottom)
    fields[count, 0] = a
    np.negative(b, out=fields[count, 1])
    below = fields[count]
    change = np.empty((2, waves.size), dtype=complex)
    x, eta_x = change
    for j, here in zip(reversed(which), fields[-2::-1], strict=True):
        np.multiply(layers.one_over_eta[j], below[1], out=x)
        x += below[0]
        x *= waves.change[j]
        np.multiply(layers.eta[j], x, out=eta_x)
        np.subtract(below, change, out=here)
        if j in layers.special:
            at = layers.special[j]
            k0d = 0.5 * waves.two_k0d[j][at]
            scale = np.exp(1j * waves.q[1 + j][at] * k0d)
            here[:, at] = scale * layers.sinc_step(j, at, below, k0d)
        below = here

    # Split the fields at the top into the incident and the reflected wave.
    a, b = layers.surface(top)
    electric = b * below[0]
    magnetic = below[1] if layers.n2 is None else a * below[1]
    incident = electric - magnetic
    amplitude = np.add(electric, magnetic, out=electric)
    amplitude /= incident
    reflectance = _square(amplitude)
    eta = b if layers.n2 is None else b * np.conjugate(a)  # times |a|^2
    carried = eta.real
    excess = None
    power = 4.0 * carried / _square(incident)
    if eta.imag.any():
        slope = eta.imag / carried
        power *= 1.0 + slope * slope  # exactly 1 for the points without an imaginary part
        excess = 2.0 * slope * amplitude.imag
    if waves.oblique and not carried.min() > STILL:
        # An evanescent or grazing wave brings no power: nothing enters, whatever the fields.
        still = ~(carried > STILL)
        power[still], reflectance[still] = 0.0, 1.0
        if excess is not None:
            excess[still] = 0.0

    powers = np.empty((count + 1, waves.size))
    powers[0] = power
    for j, scaled in zip(which, powers[1:], strict=True):
        power = np.multiply(power, waves.decay[j], out=scaled)
    absorptance, leaving = absorptances(layers, which, fields, powers)
    inside = _Inside(fields, powers) if keep_fields else None
    return Run(reflectance, leaving, absorptance, excess, amplitude, inside)


def absorptances(
    layers: Layers, which: Sequence[int], fields: Complex, powers: Real
) -> tuple[Real, Real]:
    """What each layer of a run absorbs, and what leaves it at the bottom.

    ``fields``: (interface, 2, point); ``powers``: (interface, point).
    """
    # Poynting flux Re(E K*) = -Re(E H*) towards the front
    parts = fields.view(float)
    products = parts[:, 0] * parts[:, 1]
    flux = products[:, ::2] + products[:, 1::2]
    flux *= powers
    absorptance = flux[1:] - flux[:-1]
    waves = layers.waves
    for j in waves.dark:
        if j in which:
            absorptance[which.index(j)] = 0.0
    weak = [j for j in waves.weak if j in which]
    if weak:
        at = np.array([which.index(j) for j in weak])
        found = powers[at] * _absorbed(layers, weak, fields[at + 1])
        if waves.closed is not None:
            found = np.where(waves.closed[weak], found, absorptance[at])
        absorptance[at] = found
    return absorptance, -flux[-1]


def _absorbed(layers: Layers, which: list[int], bottoms: Complex) -> Real:
    """Absorbed power of layers from the fields at their bottoms, for unit power scale at the top.

    ``bottoms``: (layer, 2, point). The integral of the local absorption in closed form, so that a
    weak absorber keeps its relative accuracy.
    """
    waves = layers.waves
    q_real, q_imag = waves.q_real[which], waves.q_imag[which]
    two_k0d, decay, change = waves.two_k0d[which], waves.decay[which], waves.change[which]
    u, v = layers.forward_backward(which, bottoms[:, 0], bottoms[:, 1])
    x, y = two_k0d * q_real, two_k0d * q_imag
    travelling = _square(u) + _square(v) * decay
    travelling *= np.divide(-np.expm1(-y), y, out=np.ones_like(y), where=y > 0)
    # exp(-y) sin(x)/x and exp(-y) (1 - cos x)/x
    sine = change.imag * (-2.0 / x)
    cosine = (decay - 1.0 + 2.0 * change.real) / x
    small = x < 0.1
    if small.any():
        z, z2, scale = x[small], x[small] ** 2, decay[small]
        sine[small] = scale * (1 - z2 / 6 * (1 - z2 / 20 * (1 - z2 / 42 * (1 - z2 / 72))))
        cosine[small] = scale * z / 2 * (1 - z2 / 12 * (1 - z2 / 30 * (1 - z2 / 56)))
    product = u * np.conjugate(v)
    standing = product.real * sine
    standing += product.imag * cosine
    standing *= 2.0
    if layers.n2 is None:
        total = travelling + standing
    else:
        # |E normal / E tangential|^2 of one wave
        kappa = waves.kx2 / (q_real * q_real + q_imag * q_imag)
        total = (1.0 + kappa) * travelling + (1.0 - kappa) * standing
    for i, j in enumerate(which):
        if j in layers.special:
            at = layers.special[j]
            k0d = 0.5 * two_k0d[i][at]
            mean = np.zeros(at.size)
            for point, weight in zip(GAUSS_X, GAUSS_W, strict=True):
                height = (1 + point) / 2 * k0d
                mean += weight / 2 * layers.sinc_square(j, at, bottoms[i], height)
            total[i][at] = mean * decay[i][at]
    # k0 d Im(n^2): times the mean squared field it gives the absorbed power
    total *= y * q_real
    return np.asarray(total)


class _Beam(NamedTuple):
    """Light of known intensity that meets the run in which a layer lies."""

    inside: _Inside
    position: int  # of the layer in the run, counted from the lit side
    from_behind: bool
    intensity: Real | float


class Chain(NamedTuple):
    """A whole stack, lit from the ambient."""

    reflectance: Real
    transmittance: Real
    absorptance: Real
    power_entering: Real
    amplitude: Complex | None
    inside: list[_Beam] | tuple[Real, Real] | None


def solve_chain(
    layers: Layers, coherent: list[bool], want: int | None = None, media: range | None = None
) -> Chain:
    """Combine the coherent runs with intensities.

    ``want`` names an inner layer; what is needed to look inside it is then kept: the beams that
    meet its run, or, for an incoherent layer, the downward intensity at its top and the upward
    intensity at its bottom. ``media``: a part of the stack, or from behind, in the order of the
    light; its first and its last medium count as half-spaces. Everything counts in that order.
    """
    order = range(len(coherent) + 2) if media is None else media
    own = [medium - 1 for medium in order[1:-1]]  # the layers in between
    flags = [coherent[j] for j in own]
    inner = len(own)
    inside: list[_Beam] | tuple[Real, Real] | None = None
    if all(flags):
        run = coherent_run(layers, own, order[0], order[-1], keep_fields=want is not None)
        if run.inside is not None and want is not None:
            inside = [_Beam(run.inside, want, False, 1.0)]
        return Chain(
            run.reflectance, run.transmittance, run.absorptance, run.entering, run.amplitude, inside
        )
    stops = [0, *(i + 1 for i, flag in enumerate(flags) if not flag), inner + 1]
    media_count = len(stops) - 2  # incoherent inner layers
    at = [slice(a, b - 1) for a, b in zip(stops[:-1], stops[1:], strict=True)]
    members = [own[piece] for piece in at]
    ends = [order[stop] for stop in stops]
    keep = [want is not None and piece.start <= want < piece.stop for piece in at]
    down_runs = [
        coherent_run(layers, which, above, below, keep_fields=k)
        for which, above, below, k in zip(members, ends[:-1], ends[1:], keep, strict=True)
    ]
    # The last run is never lit from below: nothing comes back from the substrate.
    up_runs = [
        coherent_run(layers, which[::-1], below, above, keep_fields=k)
        for which, above, below, k in zip(
            members[:-1], ends[:-2], ends[1:-1], keep[:-1], strict=True
        )
    ]
    waves = layers.waves
    # A wave that only fades in an incoherent layer (total reflection, a metal) does not cross it.
    thick = [medium - 1 for medium in ends[1:-1]]
    fades = [waves.q_imag[j] > waves.q_real[j] for j in thick]
    one_way = [np.where(fade, 0.0, waves.decay[j]) for fade, j in zip(fades, thick, strict=True)]
    # Net reflectance seen when looking down from the bottom of each incoherent medium.
    seen: list[Real] = [down_runs[media_count].reflectance] * (media_count + 1)
    enter: list[Real] = [seen[media_count]] * media_count
    for g in range(media_count - 1, -1, -1):
        round_trip = one_way[g] ** 2 * seen[g + 1]
        closed = 1.0 - up_runs[g].reflectance * round_trip
        # Where light could never leave (total reflection on both sides) none has come in.
        enter[g] = np.where(closed > 0, down_runs[g].transmittance / closed, 0.0)
        seen[g] = down_runs[g].reflectance + enter[g] * round_trip * up_runs[g].transmittance

    absorptance = np.empty((inner, waves.q.shape[1]))
    down: Real = np.ones(waves.q.shape[1])
    for g, piece in enumerate(at):
        run = down_runs[g]
        part = absorptance[piece]
        np.multiply(down, run.absorptance, out=part)
        beams = []
        if run.inside is not None and want is not None:
            beams.append(_Beam(run.inside, want - piece.start, False, down))
        if g == media_count:
            inside = beams or inside
            break
        back, medium, j = up_runs[g], piece.stop, thick[g]
        top_down = down * enter[g]
        bottom_down = top_down * one_way[g]
        bottom_up = bottom_down * seen[g + 1]
        top_up = bottom_up * one_way[g]
        part += top_up * back.absorptance[::-1]
        if back.inside is not None and want is not None:
            beams.append(_Beam(back.inside, piece.stop - 1 - want, True, top_up))
        absorbed = top_down + bottom_up
        one_pass = -np.expm1(-waves.two_k0d[j] * waves.q_imag[j])
        absorbed *= np.where(fades[g], 1.0, one_pass)
        if back.excess is not None:
            absorbed -= top_up * back.excess
        if (excess := down_runs[g + 1].excess) is not None:
            absorbed -= bottom_down * excess
        absorptance[medium] = absorbed
        if beams:
            inside = beams
        elif medium == want:
            inside = (top_down, bottom_up)
        down = bottom_down
    entering = 1.0 - seen[0]
    if (excess := down_runs[0].excess) is not None:
        entering += excess
    return Chain(
        reflectance=seen[0],
        transmittance=down * down_runs[media_count].transmittance,
        absorptance=absorptance,
        power_entering=entering,
        amplitude=None,
        inside=inside,
    )


def profile_in_layer(
    layers: Layers, chain: Chain, layer: int, depth_nm: Real, thickness_nm: Real
) -> Real:
    """Absorbed fraction per nm at each depth, depth axis first. ``thickness_nm``: (stack,)."""
    waves = layers.waves
    thickness = waves.points(thickness_nm[None, :, None, None])[0]
    k0 = 0.5 * waves.points(waves.two_k0[None, None, None])[0]
    q = waves.q[1 + layer]
    out = np.zeros((len(depth_nm), q.size))
    if isinstance(chain.inside, tuple):
        top_down, bottom_up = chain.inside
        rate = 2.0 * k0 * q.imag
        for i, z in enumerate(depth_nm):
            out[i] = rate * (
                top_down * np.exp(-rate * z) + bottom_up * np.exp(-rate * (thickness - z))
            )
        return out
    special = layers.special.get(layer)
    strength = 2.0 * k0 * q.real * q.imag  # k0 Im(n^2)
    for beam in chain.inside or []:
        bottom = beam.inside.fields[beam.position + 1]
        u, v = layers.forward_backward(layer, *bottom)
        power = beam.inside.powers[beam.position] * beam.intensity * strength
        for i, z in enumerate(depth_nm):
            z_lit = thickness - z if beam.from_behind else z + 0.0 * thickness
            ahead = u * np.exp(1j * k0 * q * z_lit)
            behind = v * np.exp(1j * k0 * q * (2 * thickness - z_lit))
            e, k = ahead + behind, layers.eta[layer] * (behind - ahead)
            square = layers.square(layer, slice(None), e, k)
            if special is not None:
                height = (k0 * (thickness - z_lit))[special]
                square[special] = waves.decay[layer][special] * layers.sinc_square(
                    layer, special, bottom, height
                )
            out[i] += power * square
    return out
