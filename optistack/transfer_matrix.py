"""Light in a stack of plane layers: arrays in, arrays out.

Every wavelength, angle, polarisation and stack of a batch is solved at once. Layers are coherent
(amplitudes add) or incoherent (intensities add); runs of coherent layers between incoherent ones
are solved with amplitudes and exchange intensities.

Conventions
-----------
Time factor exp(-i omega t), refractive index n + ik with k >= 0 absorbing. ``q`` is the normal
component of the wave vector over the vacuum wave number, with Im q >= 0. The fields are the
tangential E and H at an interface, in units in which a plane wave has H = eta E, with
eta = q for s and eta = n^2/q for p polarisation. With E tangential, r_s = r_p at normal incidence;
texts that define r_p through the field along the ray have the opposite sign there.

Numerics
--------
The fields are carried from the back to the front, in each layer scaled by exp(i delta), where
delta is the layer's phase thickness: only decaying exponentials occur, so any number of opaque
layers is harmless. Absorptance is the integral of the local absorption in closed form, not a
difference of fluxes, so weak absorbers keep their relative accuracy. Where q is close to zero in a
layer (the critical angle), the forward and the backward wave coincide and the sinc form of the
layer matrix is used instead.

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

# Below this |q| and this |delta| the two exponentials of a layer are too alike to be told apart:
# the sinc form and a Gauss-Legendre integral over the layer take over.
_SMALL_Q = 0.05
_SMALL_PHASE = 0.3
# What a layer takes is not computed as a difference of fluxes where the optical loss k0 d Im(n^2) or
# the loss angle Re q / Im q is below this: the difference would be lost in the rounding of the
# fluxes, which is relative to |E| |H|, not to the flux itself.
_WEAK = 1e-2
# Elements (stacks x angles x wavelengths) worked on at once: the temporaries stay in the cache.
_BLOCK = 4096
# The C library gives freed memory back to the system at once until a first large block has come and
# gone; the page faults of getting it again would cost more than the optics. One large block, never
# touched and freed here, makes it keep its memory.
np.empty(1 << 21)
_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(8)


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


class _Medium(NamedTuple):
    """One medium at all wavelengths, angles and stacks; (a, b) with eta = b / a is never 0/0."""

    a: Complex
    b: Complex


class _Optics(NamedTuple):
    """What the layers look like to one polarisation, layer axis first."""

    n: Complex  # (layer, ..., wavelength)
    q: Complex
    kx: Real | float
    k0: Real
    p: bool

    def medium(self, j: int) -> _Medium:
        if self.p:
            return _Medium(self.q[j], self.n[j] * self.n[j])
        return _Medium(np.ones_like(self.q[j]), self.q[j])


class _Run(NamedTuple):
    """A run of coherent layers between two incoherent media, lit from one side."""

    reflectance: Real
    transmittance: Real
    absorptance: Real  # (layer of the run, ..., wavelength)
    excess: Real  # power entering minus (1 - reflectance)
    amplitude: Complex
    inside: _Inside | None


class _Inside(NamedTuple):
    """What is needed to evaluate the local absorption inside the layers of a run."""

    fields: Complex  # (layer of the run, 2, ..., wavelength): E and H at the bottom of each layer
    powers: Real  # scale at the top of each layer


# pi in two parts: n times the first is exact for n below 2**29.
_PI = (2 * 1.5707963705062866, 2 * -4.3711390001862426e-08)
_SIN_SERIES = [(-1) ** m / math.factorial(2 * m + 1) for m in range(9, 0, -1)]
_COS_SERIES = [(-1) ** m / math.factorial(2 * m) for m in range(10, 0, -1)]


def _phasor(x: Real, length: Real) -> Complex:
    """length * exp(i x) for real x and length, to rounding; much faster than numpy's sin and cos.

    ``length`` is used as working memory.
    """
    out = np.empty(x.shape, dtype=complex)
    turns = np.rint(x * (1 / np.pi))
    if not turns.max(initial=0.0) < 2**29:
        np.multiply(np.cos(x), length, out=out.real)
        np.multiply(np.sin(x), length, out=out.imag)
        return out
    r = turns * -_PI[0]
    r += x
    series = turns * _PI[1]
    r -= series
    turns *= 0.5
    turns -= np.floor(turns)
    turns *= -4.0
    turns += 1.0  # +1 for an even number of half turns, -1 for an odd one
    length *= turns
    r2 = np.multiply(r, r, out=turns)
    np.multiply(r2, _SIN_SERIES[0], out=series)
    for c in _SIN_SERIES[1:]:
        series += c
        series *= r2
    series += 1.0
    series *= r
    np.multiply(series, length, out=out.imag)
    np.multiply(r2, _COS_SERIES[0], out=series)
    for c in _COS_SERIES[1:]:
        series += c
        series *= r2
    series += 1.0
    np.multiply(series, length, out=out.real)
    return out


def _one_minus_exp_over(y: Real, decay: Real) -> Real:
    """(1 - exp(-y)) / y, exact to rounding also at y = 0."""
    out = 1.0 - decay
    out /= y
    small = y < 1e-2
    if small.any():
        z = y[small]
        out[small] = 1 - z / 2 * (1 - z / 3 * (1 - z / 4 * (1 - z / 5 * (1 - z / 6))))
    return out


def _sinc(delta: Complex) -> Complex:
    """sin(delta) / delta for |delta| below about 1."""
    d2 = delta * delta
    out = np.ones_like(d2)
    for m in (17, 15, 13, 11, 9, 7, 5, 3):
        out = 1 - d2 / (m * (m - 1)) * out
    return out


class _Layers:
    """The phase factors of the inner layers, shared by the two directions of illumination."""

    def __init__(self, optics: _Optics, thickness: Real):
        q, n = optics.q[1:-1], optics.n[1:-1]
        self.p, self.kx, self.wavenumber = optics.p, optics.kx, optics.k0
        self.n, self.q, self.thickness = n, q, thickness
        self.k0d = optics.k0 * thickness
        twice = 2.0 * self.k0d
        fading = -twice * q.imag
        self.decay = np.exp(fading, out=fading)
        half = _phasor(twice * q.real, 0.5 * self.decay)
        self.same = half + 0.5
        np.subtract(0.5, half, out=half)
        self.cross = np.empty((q.shape[0], 2, *q.shape[1:]), dtype=complex)
        if optics.p:
            n2 = n * n
            self.eta = n2 / q
            np.divide(half * q, n2, out=self.cross[:, 0])
        else:
            self.eta = q
            np.divide(half, q, out=self.cross[:, 0])
        np.multiply(half, self.eta, out=self.cross[:, 1])
        lossy = np.minimum(twice * n.real * n.imag, q.real / (q.imag + 1e-300))
        self.weak = (lossy < _WEAK).any(axis=(1, 2, 3))
        self.special: NDArray[np.bool_] | None = None
        if q.size and (optics.p or q.real.min() < _SMALL_Q):
            self._mark_special()

    def _mark_special(self) -> None:
        """Use the sinc form of the layer matrix close to q = 0."""
        q2 = self.q.real**2 + self.q.imag**2
        special = (q2 < _SMALL_Q**2) & (q2 * self.k0d**2 < _SMALL_PHASE**2)
        if not special.any():
            return
        self.special = special
        for j in np.flatnonzero(special.any(axis=tuple(range(1, special.ndim)))):
            at = special[j]
            q, n = self.q[j][at], self.n[j][at]
            k0d = np.broadcast_to(self.k0d[j], special[j].shape)[at]
            scale = np.exp(1j * q * k0d)
            cosine, e_h, h_e = self._sinc_matrix(q, n, k0d)
            self.same[j][at] = scale * cosine
            self.cross[j, 0][at], self.cross[j, 1][at] = scale * e_h, scale * h_e

    def _sinc_matrix(self, q: Complex, n: Complex, k0d: Real) -> tuple[Complex, Complex, Complex]:
        delta = q * k0d
        sinc = _sinc(delta)
        slant = -1j * k0d * sinc
        q2, n2 = q * q, n * n
        to_e, to_h = (q2 / n2, n2) if self.p else (np.ones_like(q), q2)
        return np.sqrt(1 - (delta * sinc) ** 2), slant * to_e, slant * to_h

    def waves(self, j: int, bottom: Complex) -> tuple[Complex, Complex]:
        """Forward and backward part of the field at the bottom of layer j."""
        ratio = bottom[1] / self.eta[j]
        return 0.5 * (bottom[0] + ratio), 0.5 * (bottom[0] - ratio)

    def kappa(self, j: int) -> Real | float:
        """|E normal / E tangential|^2 of one wave in layer j."""
        if not self.p:
            return 0.0
        return np.asarray(self.kx**2 / (self.q[j].real ** 2 + self.q[j].imag ** 2))

    def strength(self, j: int) -> Real:
        """k0 d Im(n^2): times the mean squared field in the layer it gives the absorbed power."""
        return np.asarray(2.0 * self.k0d[j] * self.n[j].real * self.n[j].imag)

    def step_special(
        self, j: int, at: NDArray[np.bool_], bottom: Complex, k0_height: Real
    ) -> tuple[Complex, Complex]:
        """Fields at k0 times a height above the bottom of layer j, sinc form, unscaled."""
        height = np.broadcast_to(k0_height, self.q[j].shape)[at]
        cosine, h_to_e, e_to_h = self._sinc_matrix(self.q[j][at], self.n[j][at], height)
        e, h = bottom[0][at], bottom[1][at]
        return cosine * e + h_to_e * h, cosine * h + e_to_h * e

    def squared_field(self, n: Complex, e: Complex, h: Complex, at: Any) -> Real:
        """|E|^2 of the whole field from its tangential parts."""
        out = e.real**2 + e.imag**2
        if self.p:
            kx = np.broadcast_to(np.asarray(self.kx), self.q[0].shape)[at]
            n4 = (n.real**2 + n.imag**2) ** 2
            out = out + kx * kx * (h.real**2 + h.imag**2) / n4
        return out


def _coherent_run(
    layers: _Layers,
    which: range,
    top: _Medium,
    bottom: _Medium,
    *,
    keep_fields: bool = False,
) -> _Run:
    """Solve the layers ``which`` (in the order the light meets them) between two media."""
    shape = layers.q.shape[1:]
    count = len(which)
    fields = np.empty((count + 1, 2, *shape), dtype=complex)  # tangential E and H
    fields[count, 0], fields[count, 1] = bottom.a, bottom.b
    work = np.empty((2, *shape), dtype=complex)
    for position in range(count - 1, -1, -1):
        j = which[position]
        below, here = fields[position + 1], fields[position]
        np.multiply(layers.same[j], below, out=here)
        np.multiply(layers.cross[j], below[::-1], out=work)
        here += work
    electric, magnetic = top.b * fields[0, 0], top.a * fields[0, 1]
    incident = electric + magnetic
    amplitude = (electric - magnetic) / incident
    eta_like = top.b * np.conjugate(top.a)  # eta |a|^2
    carried = eta_like.real
    reflectance = amplitude.real**2 + amplitude.imag**2
    power = 4.0 * (eta_like.real**2 + eta_like.imag**2)
    power /= carried * (incident.real**2 + incident.imag**2)
    excess = eta_like.imag / carried * amplitude.imag
    excess *= 2.0
    still = ~(carried > 0)
    if still.any():
        # An evanescent or grazing wave brings no power: nothing enters, whatever the fields.
        power[still], excess[still], reflectance[still] = 0.0, 0.0, 1.0
    powers = np.empty((count + 1, *shape))
    powers[0] = power
    if count:
        stop = which.stop if which.stop >= 0 else None
        powers[1:] = layers.decay[which.start : stop : which.step]
        np.multiply.accumulate(powers, axis=0, out=powers)
    fluxes = _flux(fields)
    fluxes *= powers
    absorptance = fluxes[:-1] - fluxes[1:]
    for position, j in enumerate(which):
        if layers.weak[j]:
            absorptance[position] = powers[position] * _absorbed(layers, j, fields[position + 1])
    inside = _Inside(fields[1:], powers) if keep_fields else None
    return _Run(reflectance, fluxes[-1], absorptance, excess, amplitude, inside)


def _flux(fields: Complex) -> Real:
    """Poynting flux Re(E H*) at every interface."""
    parts = fields.view(float)
    product = parts[:, 0] * parts[:, 1]
    return np.asarray(product[..., ::2] + product[..., 1::2])


def _absorbed(layers: _Layers, j: int, bottom: Complex) -> Real:
    """Absorbed power of layer j from the fields at its bottom, for unit power scale at its top.

    The integral of the local absorption in closed form, so that a weak absorber keeps its
    relative accuracy.
    """
    if not layers.n[j].imag.any():
        return np.zeros(bottom.shape[1:])
    u, v = layers.waves(j, bottom)
    decay = layers.decay[j]
    x = np.maximum(2.0 * layers.k0d[j] * layers.q[j].real, 1e-150)  # so that sin(x)/x is never 0/0
    y = 2.0 * layers.k0d[j] * layers.q[j].imag
    travelling = u.real**2 + u.imag**2 + (v.real**2 + v.imag**2) * decay
    travelling *= _one_minus_exp_over(y, decay)
    product = u * np.conjugate(v)
    standing = product.real * np.sin(x) + product.imag * (1.0 - np.cos(x))
    standing *= 2.0 * decay / x
    kappa = layers.kappa(j)
    total = (1.0 + kappa) * travelling + (1.0 - kappa) * standing
    if layers.special is not None and layers.special[j].any():
        at = layers.special[j]
        n = layers.n[j][at]
        mean = np.zeros(n.shape)
        for point, weight in zip(_GAUSS_X, _GAUSS_W, strict=True):
            e, h = layers.step_special(j, at, bottom, layers.k0d[j] * ((1 + point) / 2))
            mean += weight / 2 * layers.squared_field(n, e, h, at)
        total[at] = mean * decay[at]
    total *= layers.strength(j)
    return np.asarray(total)


class _Beam(NamedTuple):
    """Light of known intensity that meets the run in which a layer lies."""

    inside: _Inside
    position: int  # of the layer in the run, counted from the lit side
    from_behind: bool
    intensity: Real


class _Chain(NamedTuple):
    """A whole stack, lit from the ambient."""

    reflectance: Real
    transmittance: Real
    absorptance: Real
    power_entering: Real
    amplitude: Complex | None
    inside: list[_Beam] | tuple[Real, Real] | None


def _solve_chain(
    optics: _Optics, layers: _Layers, coherent: NDArray[np.bool_], want: int | None = None
) -> _Chain:
    """Combine the coherent runs with intensities.

    ``want`` names an inner layer; what is needed to look inside it is then kept: the beams that
    meet its run, or, for an incoherent layer, the downward intensity at its top and the upward
    intensity at its bottom.
    """
    inner = len(coherent)
    stops = [0, *(j + 1 for j, flag in enumerate(coherent.tolist()) if not flag), inner + 1]
    media = len(stops) - 2  # incoherent inner layers
    members = [range(a, b - 1) for a, b in zip(stops[:-1], stops[1:], strict=True)]
    keep = [want in which for which in members]
    down_runs = [
        _coherent_run(layers, w, optics.medium(a), optics.medium(b), keep_fields=k)
        for w, a, b, k in zip(members, stops[:-1], stops[1:], keep, strict=True)
    ]
    if media == 0:
        run = down_runs[0]
        inside: list[_Beam] | tuple[Real, Real] | None = None
        if run.inside is not None and want is not None:
            inside = [_Beam(run.inside, want, False, np.ones(run.reflectance.shape))]
        entering = 1.0 - run.reflectance + run.excess
        return _Chain(
            run.reflectance, run.transmittance, run.absorptance, entering, run.amplitude, inside
        )
    # The last run is never lit from below: nothing comes back from the substrate.
    up_runs = [
        _coherent_run(layers, w[::-1], optics.medium(b), optics.medium(a), keep_fields=k)
        for w, a, b, k in zip(members[:-1], stops[:-2], stops[1:-1], keep[:-1], strict=True)
    ]
    # A wave that only fades in an incoherent layer (total reflection, or a metal) does not cross it.
    fades = [layers.q[j - 1].imag > layers.q[j - 1].real for j in stops[1:-1]]
    one_way = [
        np.where(fade, 0.0, layers.decay[j - 1])
        for fade, j in zip(fades, stops[1:-1], strict=True)
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

    absorptance = np.empty((inner, *layers.q.shape[1:]))
    down: Real = np.ones(layers.q.shape[1:])
    inside = None
    for g, which in enumerate(members):
        run = down_runs[g]
        absorptance[which.start : which.stop] = down * run.absorptance
        beams = []
        if run.inside is not None and want is not None:
            beams.append(_Beam(run.inside, want - which.start, False, down))
        if g == media:
            inside = beams or inside
            break
        back = up_runs[g]
        medium = which.stop
        top_down = down * enter[g]
        bottom_down = top_down * one_way[g]
        bottom_up = bottom_down * seen[g + 1]
        top_up = bottom_up * one_way[g]
        absorptance[which.start : which.stop] += top_up * back.absorptance[::-1]
        if back.inside is not None and want is not None:
            beams.append(_Beam(back.inside, which.stop - 1 - want, True, top_up))
        # 1 - exp(-y) without cancellation
        y, decay = 2.0 * layers.k0d[medium] * layers.q[medium].imag, layers.decay[medium]
        absorbed_one_way = np.where(fades[g], 1.0, y * _one_minus_exp_over(y, decay))
        absorptance[medium] = (
            (top_down + bottom_up) * absorbed_one_way
            - top_up * back.excess
            - bottom_down * down_runs[g + 1].excess
        )
        if beams:
            inside = beams
        elif medium == want:
            inside = (top_down, bottom_up)
        down = bottom_down
    return _Chain(
        reflectance=seen[0],
        transmittance=down * down_runs[media].transmittance,
        absorptance=absorptance,
        power_entering=1.0 - seen[0] + down_runs[0].excess,
        amplitude=None,
        inside=inside,
    )


def _profile(layers: _Layers, chain: _Chain, layer: int, depth_nm: Real) -> Real:
    """Absorbed fraction per nm at each depth, depth axis first."""
    shape = layers.q.shape[1:]
    n, q = layers.n[layer], layers.q[layer]
    thickness = layers.thickness[layer]
    k0 = layers.wavenumber
    out = np.zeros((len(depth_nm), *shape))
    strength = 2.0 * k0 * n.real * n.imag  # k0 Im(n^2)
    if isinstance(chain.inside, tuple):
        top_down, bottom_up = chain.inside
        rate = 2.0 * k0 * q.imag
        for i, z in enumerate(depth_nm):
            out[i] = rate * (
                top_down * np.exp(-rate * z) + bottom_up * np.exp(-rate * (thickness - z))
            )
        return out
    special = None if layers.special is None else layers.special[layer]
    for beam in chain.inside or []:
        bottom = beam.inside.fields[beam.position]
        u, v = layers.waves(layer, bottom)
        power = beam.inside.powers[beam.position] * beam.intensity * strength
        for i, z in enumerate(depth_nm):
            z_lit = thickness - z if beam.from_behind else z + 0.0 * thickness
            ahead = u * np.exp(1j * k0 * q * z_lit)
            behind = v * np.exp(1j * k0 * q * (2 * thickness - z_lit))
            e, h = ahead + behind, layers.eta[layer] * (ahead - behind)
            square = e.real**2 + e.imag**2
            if layers.p:
                kx2 = np.asarray(layers.kx) ** 2
                square = square + kx2 * (h.real**2 + h.imag**2) / np.abs(n) ** 4
            if special is not None and special.any():
                at = special
                e_s, h_s = layers.step_special(layer, at, bottom, k0 * (thickness - z_lit))
                square[at] = (
                    layers.squared_field(n[at], e_s, h_s, at) * layers.decay[layer][at]
                )
            out[i] += power * square
    return out


def _prepare(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    coherent: ArrayLike | None,
) -> tuple[Complex, Real, Real, NDArray[np.bool_]]:
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
    if d.size and not (d.min() >= 0 and d.max() < np.inf):
        raise StackError("thickness_nm must be finite and not negative")
    if coherent is None:
        flags = np.ones(count - 2, dtype=bool)
    else:
        flags = np.asarray(coherent)
        if flags.shape != (count - 2,) or (flags.size and flags.dtype != bool):
            raise StackError(f"coherent must be {count - 2} booleans, one for each inner layer")
    return index, d, lam, flags


def _polarizations(polarization: str) -> tuple[bool, ...]:
    try:
        return {"s": (False,), "p": (True,), "mean": (False, True)}[polarization]
    except KeyError:
        raise StackError(
            f'polarization must be "s", "p" or "mean", not {polarization!r}'
        ) from None


def _directions(angle_deg: ArrayLike) -> tuple[Real, Real, bool]:
    """Sine and cosine of the angles, exact at 0 and 90 degrees; whether there is an angle axis."""
    angle = np.asarray(angle_deg, dtype=float)
    if angle.ndim > 1:
        raise StackError("angle_deg must be a number or (angle,)")
    if not ((angle >= 0) & (angle <= 90)).all():
        raise StackError("angle_deg must lie between 0 and 90 degrees, measured in the ambient")
    radians = np.radians(angle)
    cosine = np.where(angle == 90, 0.0, np.cos(radians))
    return np.atleast_1d(np.sin(radians)), np.atleast_1d(cosine), angle.ndim == 1


def _optics(
    index: Complex, lam: Real, sine: Real, cosine: Real, p: bool
) -> _Optics:
    """Normal wave-vector components. ``sine``, ``cosine``: (angle, 1 or wavelength)."""
    # (layer, stack, angle, wavelength)
    n = index.transpose(1, 0, 2)[:, :, None, :]
    full = (n.shape[0], n.shape[1], sine.shape[-2], lam.size)
    if not sine.any():
        q = n if n.shape == full else np.broadcast_to(n, full)
        q = np.ascontiguousarray(q)
        return _Optics(q, q, 0.0, 2 * np.pi / lam, p)
    # The wave vector along the layers is real, also in an absorbing ambient: light that does not
    # fade along the surface.
    n0 = n[0]
    kx = n0.real * sine
    if n0.imag.any():
        q2 = n * n - kx * kx
    else:
        # q^2 = n^2 - kx^2, written so that a layer with the ambient's index gets exactly q0.
        q2 = (n - n0) * (n + n0) + (n0.real * cosine) ** 2
    # Re q >= 0 and Im q >= 0 in every medium, since Im n^2 >= 0: where rounding or a negative zero
    # puts q^2 below the real axis, the root has the wrong sign of Im q.
    q = np.array(np.broadcast_to(np.sqrt(q2), full))
    np.abs(q.imag, out=q.imag)
    if not n0.imag.any():
        q[0] = n0.real * cosine
    return _Optics(np.broadcast_to(n, full), q, kx, 2 * np.pi / lam, p)


def _solve_block(
    index: Complex,
    d: Real,
    lam: Real,
    coherent: NDArray[np.bool_],
    sine: Real,
    cosine: Real,
    polarizations: tuple[bool, ...],
) -> tuple[list[Real], Complex | None]:
    """R, T, A and power entering, angle axis before layer and wavelength; and the amplitude."""
    thickness = d.T[:, :, None, None]
    parts = []
    amplitude = None
    for p in polarizations if sine.any() else polarizations[:1]:
        # 0/0 comes up at q = 0 and y = 0; each is then replaced by its limit.
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            optics = _optics(index, lam, sine, cosine, p)
            chain = _solve_chain(optics, _Layers(optics, thickness), coherent)
        parts.append(
            [
                chain.reflectance,
                chain.transmittance,
                chain.absorptance.transpose(1, 2, 0, 3),
                chain.power_entering,
            ]
        )
        amplitude = chain.amplitude if len(polarizations) == 1 else None
    if len(parts) == 1:
        return parts[0], amplitude
    return [(a + b) / 2 for a, b in zip(*parts, strict=True)], None


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
        over its interference fringes; use it for layers thicker than a few micrometres.

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
    return _solve_directions(
        index, d, lam, flags, sine[:, None], cosine[:, None], polarization, angle_axis
    )


def _solve_directions(
    index: Complex,
    d: Real,
    lam: Real,
    flags: NDArray[np.bool_],
    sine: Real,
    cosine: Real,
    polarization: str,
    angle_axis: bool,
) -> Response:
    kinds = _polarizations(polarization)
    index, d, batch = _share_batch(index, d)
    size, angles, inner = d.shape[0], sine.shape[0], d.shape[1]
    pieces = _steps(size, angles, lam.size)
    amplitude: Complex | None = None
    if len(pieces) == 1:
        (r, t, a, entering), amplitude = _solve_block(index, d, lam, flags, sine, cosine, kinds)
    else:
        r, t, entering = (np.empty((size, angles, lam.size)) for _ in range(3))
        a = np.empty((size, angles, inner, lam.size))
        for of_batch, of_angle in pieces:
            values, amplitude_part = _solve_block(
                index[of_batch], d[of_batch], lam, flags, sine[of_angle], cosine[of_angle], kinds
            )
            for target, value in zip((r, t, a, entering), values, strict=True):
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
        faces is not resolved; its share, of the order of k/n, is in the absorptance only.

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
    out = _profile_directions(
        index, d, lam, flags, sine[:, None], cosine[:, None], polarization, layer, depth_nm
    )
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
    out = _profile_directions(
        index, d, lam, flags, sine, cosine, polarization, layer, depth_nm
    )
    return np.asarray((out * weight[:, None, :]).sum(axis=-3))


def _profile_directions(
    index: Complex,
    d: Real,
    lam: Real,
    flags: NDArray[np.bool_],
    sine: Real,
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
        raise StackError(f"depth_nm must be (depth,) and lie within the layer, 0 to {thinnest:g} nm")
    thickness = d.T[:, :, None, None]
    if not sine.any():
        kinds = kinds[:1]
    total = np.zeros((depth.size, d.shape[0], sine.shape[0], lam.size))
    for p in kinds:
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            optics = _optics(index, lam, sine, cosine, p)
            layers = _Layers(optics, thickness)
            total += _profile(layers, _solve_chain(optics, layers, flags, layer), layer, depth)
    total /= len(kinds)
    out = np.moveaxis(total, 0, -2)
    return out.reshape(*batch, *out.shape[1:])
