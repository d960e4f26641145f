"""Light in a stack of plane layers: arrays in, arrays out.

Every wavelength, angle, polarisation and stack of a batch is solved at once. Layers are coherent
(amplitudes add) or incoherent (intensities add); runs of coherent layers between incoherent ones
are solved with amplitudes and exchange intensities.

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

import math
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import StackError

Polarization = Literal["s", "p", "mean"]
Complex = NDArray[np.complex128]
Real = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Below this |q| and this |delta| the two exponentials of a layer are too alike to be told apart:
# the sinc form and a Gauss-Legendre integral over the layer take over.
_SMALL_Q = 0.05
_SMALL_PHASE = 0.3
# A difference of fluxes is good to the rounding of |E| |H|. A layer takes at least about
# min(1, 2 k0 d Im q) Re q of that: below this limit the closed form takes over.
_WEAK = 1e-2
# Where that measure is above this limit everywhere, no layer is weak and none has a small q:
# |q| < _SMALL_Q and |delta| < _SMALL_PHASE make it less than 2 _SMALL_PHASE _SMALL_Q.
_PLAIN = max(_WEAK, 2 * _SMALL_PHASE * _SMALL_Q)
# A medium in which a wave of unit amplitude carries less power than this carries none.
_STILL = 1e-100
# Points (stacks x angles x wavelengths) worked on at once: the temporaries stay in the cache.
_BLOCK = 4096
# The C library gives freed memory back to the system at once until a first large block has come and
# gone; the page faults of getting it again would cost more than the optics. One large block, never
# touched and freed here, makes it keep its memory.
np.empty(1 << 21)
_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(8)

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


def _sinc(delta: Complex) -> Complex:
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


class _Waves:
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
    special : (inner layer, point) or None
        Where the sinc form of the layer matrix is used.
    """

    def __init__(self, index: Complex, d: Real, lam: Real, sine: Real | None, cosine: Real):
        """``index``: (stack, layer, 1 or wavelength); ``cosine``: (angle, 1 or wavelength)."""
        self.shape = (len(d), len(cosine), lam.size)
        self.size = len(d) * len(cosine) * lam.size
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
        if len(d) == len(cosine) == 1:
            self.two_k0d = d.T * self.two_k0
        else:
            self.two_k0d = self.points(d.T[:, :, None, None] * self.two_k0)
        fading = self.two_k0d * self.q_imag
        self.weak: list[int] = []
        self.dark: list[int] = []
        self.special: Flags | None = None
        share = np.minimum(fading, 1.0)
        share *= self.q_real
        if not share.min(initial=1.0) > _PLAIN:
            self._mark(share)
        fading *= _PER_HALVING
        self.decay = np.exp2(fading, out=fading)
        turns = self.two_k0d * self.q_real
        turns *= 1 / _STEP
        half = _phasor(turns, np.multiply(self.decay, 0.5, out=share))
        self.change = np.subtract(0.5, half, out=half)
        self.one_over_q = 1.0 / self.q[1:-1]

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
        if n0.imag.any():
            real = (n.real - n.imag) * (n.real + n.imag) - kx * kx
        else:
            # q^2 = n^2 - kx^2, written so that a layer with the ambient's index gets exactly q0.
            n0_cosine = n0.real * cosine
            difference = (n.real - n0.real) * (n.real + n0.real) - n.imag * n.imag
            real = difference + n0_cosine * n0_cosine
        square = self.points(real)
        product = self.points(n.real * n.imag)  # Re q Im q
        # The square root of a complex number in the first quadrant of the plane of q.
        larger = np.sqrt(square * square + 4.0 * (product * product))
        larger += np.abs(square)
        larger *= 0.5
        np.sqrt(larger, out=larger)
        smaller = product / (larger + 1e-300)  # 0 where q is 0
        q = np.empty(square.shape, dtype=complex)
        q.real, q.imag = larger, smaller
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
        weak = (share < _WEAK).any(axis=1)
        if weak.any():
            dark = ~(self.q_real * self.q_imag > 0).any(axis=1)
            self.dark = np.flatnonzero(dark).tolist()
            self.weak = np.flatnonzero(weak & ~dark).tolist()
        if self.q_real.min() < _SMALL_Q:
            q2 = self.q_real**2 + self.q_imag**2
            special = (q2 < _SMALL_Q**2) & (q2 * self.two_k0d**2 < (2 * _SMALL_PHASE) ** 2)
            if special.any():
                self.special = special


class _Layers:
    """The inner layers as one polarisation sees them: the same for light from either side.

    The fields are held as E and K = -H. Carried from the bottom to the top of a layer and scaled
    by exp(i delta), they become

        E - x,  K - eta x,  x = (1 - exp(2 i delta)) / 2 (E + K / eta).
    """

    def __init__(self, waves: _Waves, p: bool):
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
        sinc = _sinc(delta)
        slant = 1j * k0_height * sinc
        cosine = np.sqrt(1 - (delta * sinc) ** 2)
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


class _Run(NamedTuple):
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
    """What is needed to evaluate the local absorption inside the layers of a run."""

    fields: Complex  # (layer of the run, 2, point): E and K at the bottom of each layer
    powers: Real  # scale at the top of each layer


def _coherent_run(
    layers: _Layers, which: range, top: int, bottom: int, *, keep_fields: bool = False
) -> _Run:
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
    if eta.imag.any():
        power = 4.0 * _square(eta) / (carried * _square(incident))
        excess = 2.0 * eta.imag / carried * amplitude.imag
    else:
        power = 4.0 * carried / _square(incident)
    if waves.oblique and not carried.min() > _STILL:
        # An evanescent or grazing wave brings no power: nothing enters, whatever the fields.
        still = ~(carried > _STILL)
        power[still], reflectance[still] = 0.0, 1.0
        if excess is not None:
            excess[still] = 0.0

    powers = np.empty((count + 1, waves.size))
    powers[0] = power
    for j, scaled in zip(which, powers[1:], strict=True):
        power = np.multiply(power, waves.decay[j], out=scaled)
    # Poynting flux Re(E K*) = -Re(E H*) towards the front
    parts = fields.view(float)
    products = parts[:, 0] * parts[:, 1]
    flux = products[:, ::2] + products[:, 1::2]
    flux *= powers
    absorptance = flux[1:] - flux[:-1]
    for j in waves.dark:
        if j in which:
            absorptance[which.index(j)] = 0.0
    weak = [j for j in waves.weak if j in which]
    if weak:
        at = np.array([which.index(j) for j in weak])
        absorptance[at] = powers[at] * _absorbed(layers, weak, fields[at + 1])
    inside = _Inside(fields[1:], powers) if keep_fields else None
    return _Run(reflectance, -flux[count], absorptance, excess, amplitude, inside)


def _absorbed(layers: _Layers, which: list[int], bottoms: Complex) -> Real:
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
            for point, weight in zip(_GAUSS_X, _GAUSS_W, strict=True):
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


class _Chain(NamedTuple):
    """A whole stack, lit from the ambient."""

    reflectance: Real
    transmittance: Real
    absorptance: Real
    power_entering: Real
    amplitude: Complex | None
    inside: list[_Beam] | tuple[Real, Real] | None


def _solve_chain(layers: _Layers, coherent: list[bool], want: int | None = None) -> _Chain:
    """Combine the coherent runs with intensities.

    ``want`` names an inner layer; what is needed to look inside it is then kept: the beams that
    meet its run, or, for an incoherent layer, the downward intensity at its top and the upward
    intensity at its bottom.
    """
    inner = len(coherent)
    inside: list[_Beam] | tuple[Real, Real] | None = None
    if all(coherent):
        run = _coherent_run(layers, range(inner), 0, inner + 1, keep_fields=want is not None)
        if run.inside is not None and want is not None:
            inside = [_Beam(run.inside, want, False, 1.0)]
        return _Chain(
            run.reflectance, run.transmittance, run.absorptance, run.entering, run.amplitude, inside
        )
    stops = [0, *(j + 1 for j, flag in enumerate(coherent) if not flag), inner + 1]
    media = len(stops) - 2  # incoherent inner layers
    members = [range(a, b - 1) for a, b in zip(stops[:-1], stops[1:], strict=True)]
    keep = [want in which for which in members]
    down_runs = [
        _coherent_run(layers, which, above, below, keep_fields=k)
        for which, above, below, k in zip(members, stops[:-1], stops[1:], keep, strict=True)
    ]
    # The last run is never lit from below: nothing comes back from the substrate.
    up_runs = [
        _coherent_run(layers, which[::-1], below, above, keep_fields=k)
        for which, above, below, k in zip(
            members[:-1], stops[:-2], stops[1:-1], keep[:-1], strict=True
        )
    ]
    waves = layers.waves
    # A wave that only fades in an incoherent layer (total reflection, a metal) does not cross it.
    fades = [waves.q_imag[j - 1] > waves.q_real[j - 1] for j in stops[1:-1]]
    one_way = [
        np.where(fade, 0.0, waves.decay[j - 1]) for fade, j in zip(fades, stops[1:-1], strict=True)
    ]
    # Net reflectance seen when looking down from the bottom of each incoherent medium.
    seen: list[Real] = [down_runs[media].reflectance] * (media + 1)
    enter: list[Real] = [seen[media]] * media
    for g in range(media - 1, -1, -1):
        round_trip = one_way[g] ** 2 * seen[g + 1]
        closed = 1.0 - up_runs[g].reflectance * round_trip
        # Where light could never leave (total reflection on both sides) none has come in.
        enter[g] = np.where(closed > 0, down_runs[g].transmittance / closed, 0.0)
        seen[g] = down_runs[g].reflectance + enter[g] * round_trip * up_runs[g].transmittance

    absorptance = np.empty((inner, waves.q.shape[1]))
    down: Real = np.ones(waves.q.shape[1])
    for g, which in enumerate(members):
        run = down_runs[g]
        part = absorptance[which.start : which.stop]
        np.multiply(down, run.absorptance, out=part)
        beams = []
        if run.inside is not None and want is not None:
            beams.append(_Beam(run.inside, want - which.start, False, down))
        if g == media:
            inside = beams or inside
            break
        back, medium = up_runs[g], which.stop
        top_down = down * enter[g]
        bottom_down = top_down * one_way[g]
        bottom_up = bottom_down * seen[g + 1]
        top_up = bottom_up * one_way[g]
        part += top_up * back.absorptance[::-1]
        if back.inside is not None and want is not None:
            beams.append(_Beam(back.inside, which.stop - 1 - want, True, top_up))
        absorbed = top_down + bottom_up
        one_pass = -np.expm1(-waves.two_k0d[medium] * waves.q_imag[medium])
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
    return _Chain(
        reflectance=seen[0],
        transmittance=down * down_runs[media].transmittance,
        absorptance=absorptance,
        power_entering=entering,
        amplitude=None,
        inside=inside,
    )


def _profile(
    layers: _Layers, chain: _Chain, layer: int, depth_nm: Real, thickness_nm: Real
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
        bottom = beam.inside.fields[beam.position]
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


def _prepare(
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
    parts = np.ascontiguousarray(index).view(float)
    if not (parts.min() >= 0 and parts.max() < np.inf):
        if not np.isfinite(parts).all():
            raise StackError("n must be finite: it holds NaN or infinity")
        if (index.imag < 0).any():
            raise StackError("k must not be negative (n + ik with k >= 0 absorbs)")
        raise StackError("the real part of n must not be negative")
    if index.real.min() == 0 and (index == 0).any():
        raise StackError("n must not be 0")
    d = np.asarray(thickness_nm, dtype=float)
    if d.ndim == 0 and count == 3:
        d = d[None]
    if d.ndim == 0 or d.shape[-1] != count - 2:
        raise StackError(
            f"thickness_nm of shape {d.shape} does not fit {count - 2} inner layers "
            "(ambient and substrate have no thickness)"
        )
    if not all(0 <= x < math.inf for x in d.ravel().tolist()):
        raise StackError("thickness_nm must be finite and not negative")
    if coherent is None:
        return index, d, lam, [True] * (count - 2)
    flags = np.asarray(coherent)
    if flags.shape != (count - 2,) or (flags.size and flags.dtype != bool):
        raise StackError(f"coherent must be {count - 2} booleans, one for each inner layer")
    return index, d, lam, flags.tolist()


def _polarizations(polarization: str) -> tuple[bool, ...]:
    try:
        return {"s": (False,), "p": (True,), "mean": (False, True)}[polarization]
    except KeyError:
        raise StackError(f'polarization must be "s", "p" or "mean", not {polarization!r}') from None


def _directions(angle_deg: ArrayLike) -> tuple[Real | None, Real, bool]:
    """Sine and cosine of the angles, each (angle, 1); whether there is an angle axis.

    Exact at 0 and 90 degrees; no sine if all angles are 0.
    """
    angle = np.asarray(angle_deg, dtype=float)
    if angle.ndim > 1:
        raise StackError("angle_deg must be a number or (angle,)")
    values = angle.ravel().tolist()
    if not all(0 <= x <= 90 for x in values):
        raise StackError("angle_deg must lie between 0 and 90 degrees, measured in the ambient")
    if not any(values):
        return None, np.ones((len(values), 1)), angle.ndim == 1
    radians = np.radians(angle.reshape(-1, 1))
    cosine = np.where(angle.reshape(-1, 1) == 90, 0.0, np.cos(radians))
    return np.sin(radians), cosine, angle.ndim == 1


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
        waves = _Waves(index, d, lam, sine, cosine)
        # At normal incidence s and p are the same.
        kinds = polarizations if waves.oblique else (False,)
        chains = [_solve_chain(_Layers(waves, p), coherent) for p in kinds]
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


def _share_batch(index: Complex, d: Real) -> tuple[Complex, Real, tuple[int, ...]]:
    """Give n and the thicknesses the same, single batch axis."""
    if index.ndim == 2 and d.ndim == 1:
        return index[None], d[None], ()
    try:
        batch = np.broadcast_shapes(index.shape[:-2], d.shape[:-1])
    except ValueError:
        raise StackError(
            f"the batch axes of n {index.shape[:-2]} and of thickness_nm {d.shape[:-1]} do not fit"
        ) from None
    size = int(np.prod(batch, dtype=int))
    index = np.broadcast_to(index, (*batch, *index.shape[-2:])).reshape(size, *index.shape[-2:])
    d = np.broadcast_to(d, (*batch, d.shape[-1])).reshape(size, d.shape[-1])
    return index, d, batch


def solve(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    *,
    angle_deg: ArrayLike = 0.0,
    polarization: Polarization = "mean",
    coherent: ArrayLike | None = None,
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
    angle_deg : number or (angle,) [degree]
        Angle of incidence in the ambient, 0 to 90.
    polarization : "s", "p" or "mean"
    coherent : bool, (layer - 2,), optional
        None: all layers coherent. In an incoherent layer intensities are added, which averages
        over its interference fringes; use it for layers thicker than a few micrometres. (In a
        strong absorber thinner than its own wavelength such an average has no meaning, and its
        absorptance may come out negative.)

    Returns
    -------
    Response
        With an array of angles, an angle axis stands before the layer and wavelength axes.

    Raises
    ------
    StackError
        Shapes that do not fit, k < 0, a negative thickness, NaN, an angle outside 0-90 degrees.

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
    index, d, lam, flags = _prepare(n, thickness_nm, wavelength_nm, coherent)
    sine, cosine, angle_axis = _directions(angle_deg)
    return _solve_directions(index, d, lam, flags, sine, cosine, polarization, angle_axis)


def _solve_directions(
    index: Complex,
    d: Real,
    lam: Real,
    coherent: list[bool],
    sine: Real | None,
    cosine: Real,
    polarization: str,
    angle_axis: bool,
) -> Response:
    kinds = _polarizations(polarization)
    index, d, batch = _share_batch(index, d)
    size, angles, inner = d.shape[0], cosine.shape[0], d.shape[1]
    pieces = _steps(size, angles, lam.size)
    amplitude: Complex | None = None
    if len(pieces) == 1:
        (r, t, entering, a), amplitude = _solve_block(index, d, lam, coherent, sine, cosine, kinds)
    else:
        r, t, entering = (np.empty((size, angles, lam.size)) for _ in range(3))
        a = np.empty((size, angles, inner, lam.size))
        for of_batch, of_angle in pieces:
            sine_part = None if sine is None else sine[of_angle]
            values, amplitude_part = _solve_block(
                index[of_batch], d[of_batch], lam, coherent, sine_part, cosine[of_angle], kinds
            )
            for target, value in zip((r, t, entering, a), values, strict=True):
                target[of_batch, of_angle] = value
            if amplitude_part is not None:
                if amplitude is None:
                    amplitude = np.empty(r.shape, dtype=complex)
                amplitude[of_batch, of_angle] = amplitude_part
    lead = (*batch, angles) if angle_axis else batch
    return Response(
        lam,
        r.reshape(*lead, lam.size),
        t.reshape(*lead, lam.size),
        a.reshape(*lead, inner, lam.size),
        entering.reshape(*lead, lam.size),
        None if amplitude is None else amplitude.reshape(*lead, lam.size),
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
) -> Response:
    """Like `solve`, for light of equal radiance from the whole hemisphere of the ambient.

    The fractions are of the irradiance on the plane: the mean over directions weighted with
    2 cos(theta) sin(theta). Gauss-Legendre quadrature in cos(theta), cut at critical angles.

    Parameters
    ----------
    n, thickness_nm, wavelength_nm, polarization, coherent
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
    index, d, lam, flags = _prepare(n, thickness_nm, wavelength_nm, coherent)
    sine, cosine, weight = _hemisphere(index, lam, points)
    r = _solve_directions(index, d, lam, flags, sine, cosine, polarization, True)

    def mean(values: Real) -> Real:
        return np.asarray((values * weight).sum(axis=-2))

    return Response(
        lam,
        mean(r.reflectance),
        mean(r.transmittance),
        np.asarray((r.absorptance * weight[:, None, :]).sum(axis=-3)),
        mean(r.power_entering),
    )


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
    index, d, lam, flags = _prepare(n, thickness_nm, wavelength_nm, coherent)
    sine, cosine, angle_axis = _directions(angle_deg)
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
    index, d, lam, flags = _prepare(n, thickness_nm, wavelength_nm, coherent)
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
    kinds = _polarizations(polarization)
    index, d, batch = _share_batch(index, d)
    if not 0 <= layer < d.shape[-1]:
        raise StackError(f"layer {layer} does not exist: inner layers are 0 to {d.shape[-1] - 1}")
    depth = np.atleast_1d(np.asarray(depth_nm, dtype=float))
    thinnest = d[:, layer].min()
    if depth.ndim != 1 or not ((depth >= 0) & (depth <= thinnest * (1 + 1e-12))).all():
        raise StackError(
            f"depth_nm must be (depth,) and lie within the layer, 0 to {thinnest:g} nm"
        )
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        waves = _Waves(index, d, lam, sine, cosine)
        if not waves.oblique:
            kinds = (False,)
        total = np.zeros((depth.size, waves.q.shape[1]))
        for p in kinds:
            layers = _Layers(waves, p)
            chain = _solve_chain(layers, coherent, layer)
            total += _profile(layers, chain, layer, depth, d[:, layer])
    total /= len(kinds)
    out = np.moveaxis(total.reshape(-1, *waves.shape), 0, -2)
    return out.reshape(*batch, *out.shape[1:])
