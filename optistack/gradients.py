"""How reflectance, transmittance and absorptances change with every n, k and thickness.

Derivatives of what `optistack.transfer_matrix.solve` gives, by the adjoint of its recursion: the
stack is solved once; then what a change of the fields at an interface would do to the answer is
carried from the top to the bottom, and on the way every layer's own part is read off. One such way
gives the derivatives of one answer by all n, k and thicknesses; several answers are carried along
at once.

Conventions
-----------
Fields, scaling and names are those of `optistack.layer_optics`. For a real answer L and a complex
quantity z the derivative g is the one with dL = Re(g dz), so that a holomorphic z(w) gives
g_w = g_z dz/dw without any conjugate; dL/dn = Re g_n and dL/dk = -Im g_n. docs/gradients.md derives
the formulas.

Numerics
--------
Only decaying exponentials occur, as in the recursion itself. What a layer absorbs enters by the
integral of the local absorption in closed form, which keeps the relative accuracy of weak
absorbers, and by the sinc form close to a critical angle.

Sources: derived here from the recursion; the adjoint as such is textbook matter (A. Griewank,
A. Walther, Evaluating Derivatives, SIAM 2008, chapter 3, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import StackError
from optistack.layer_optics import (
    GAUSS_W,
    GAUSS_X,
    STILL,
    Complex,
    Layers,
    Real,
    Run,
    Waves,
    coherent_run,
    sinc,
)
from optistack.transfer_matrix import Polarization, directions, polarizations, prepare

# Points times answers that are carried along at once: the temporaries stay in the cache.
_BLOCK = 1 << 14


@dataclass(frozen=True, eq=False)
class Slopes:
    """Derivatives of one or more answers.

    Attributes
    ----------
    n, k : (..., layer - 2, wavelength) arrays
        By the refractive index of each inner layer at each wavelength.
    thickness_nm : (..., layer - 2, wavelength) array [1/nm]
        By the thickness; the answer at each wavelength by itself.
    """

    n: Real
    k: Real
    thickness_nm: Real


@dataclass(frozen=True, eq=False)
class Gradients:
    """Derivatives of everything that `solve` gives.

    Attributes
    ----------
    wavelength_nm : (wavelength,) array [nm]
    reflectance, transmittance : Slopes
        Arrays ([angle,] layer - 2, wavelength).
    absorptance : Slopes
        Arrays (layer - 2, [angle,] layer - 2, wavelength): the first axis is the layer that
        absorbs, the later one the layer that is changed.
    """

    wavelength_nm: Real
    reflectance: Slopes
    transmittance: Slopes
    absorptance: Slopes


def gradients(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    *,
    angle_deg: ArrayLike = 0.0,
    polarization: Polarization = "mean",
    coherent: ArrayLike | None = None,
) -> Gradients:
    """Derivatives of reflectance, transmittance and absorptances of one stack.

    Parameters
    ----------
    n, thickness_nm, wavelength_nm, angle_deg, polarization, coherent
        As in `optistack.transfer_matrix.solve`, for one stack.

    Returns
    -------
    Gradients
        By n, k and thickness of the inner layers; the half-spaces stay as they are. At k = 0 the
        derivative by k is the one towards k > 0. Where the normal part of a wave vector in an
        incoherent layer is exactly 0 (critical angle) the slopes by its n and k are infinite, and
        0 is given.

    Raises
    ------
    StackError
        As in `solve`; a batch of stacks.

    Examples
    --------
    A thin absorber takes in proportion to its k:

    >>> g = gradients([1.0, 1.5 + 1e-6j, 1.5], [10.0], [500.0])
    >>> print(round(float(g.absorptance.k[0, 0, 0]), 4))
    0.2413
    """
    index, d, lam, flags = prepare(n, thickness_nm, wavelength_nm, coherent)
    if index.ndim != 2 or d.ndim != 1:
        raise StackError("gradients are those of one stack: n (layer, wavelength), no batch axes")
    inner, size = d.size, lam.size
    own = np.concatenate([np.eye(inner), np.zeros((2, inner))])
    one = np.eye(inner + 2)[inner:]
    angles = np.asarray(angle_deg)
    many = angles.ndim > 0
    shape = (inner + 2, *((angles.size,) if many else ()))
    found = _pull_all(
        index,
        d,
        lam,
        flags,
        angle_deg,
        polarization,
        Weights(
            np.broadcast_to(own[:, None, :, None], (inner + 2, angles.size, inner, size)),
            np.broadcast_to(one[0][:, None, None], (inner + 2, angles.size, size)),
            np.broadcast_to(one[1][:, None, None], (inner + 2, angles.size, size)),
        ),
    )
    parts = [x.reshape(*shape, inner, size) for x in found]
    return Gradients(
        lam,
        Slopes(*(x[inner] for x in parts)),
        Slopes(*(x[inner + 1] for x in parts)),
        Slopes(*(x[:inner] for x in parts)),
    )


class Weights(NamedTuple):
    """What is summed into an answer: L = sum(A x absorptance + R x reflectance + ...).

    ``absorptance``: (answer, angle, layer - 2, wavelength); ``reflectance``, ``transmittance``:
    (answer, angle, wavelength).
    """

    absorptance: Real
    reflectance: Real
    transmittance: Real


def pull_back(
    n: ArrayLike,
    thickness_nm: ArrayLike,
    wavelength_nm: ArrayLike,
    weights: Weights,
    *,
    angle_deg: ArrayLike = 0.0,
    polarization: Polarization = "mean",
    coherent: ArrayLike | None = None,
    each_angle: bool = False,
) -> Slopes:
    """Derivatives of weighted sums over layers and angles, at each wavelength.

    Parameters
    ----------
    weights : Weights
    n, thickness_nm, wavelength_nm, angle_deg, polarization, coherent
        As in `gradients`.
    each_angle : bool
        Keep the angles apart instead of adding them up: (answer, angle, layer - 2, wavelength).

    Returns
    -------
    Slopes
        Arrays (answer, layer - 2, wavelength): of the part of each answer that comes from a
        wavelength; their sum over wavelength is the derivative of the whole.

    Raises
    ------
    StackError
        As in `gradients`; weights of another shape.
    """
    index, d, lam, flags = prepare(n, thickness_nm, wavelength_nm, coherent)
    if index.ndim != 2 or d.ndim != 1:
        raise StackError("gradients are those of one stack: n (layer, wavelength), no batch axes")
    angles, answers = np.asarray(angle_deg).size, len(weights.absorptance)
    expected = (
        (answers, angles, d.size, lam.size),
        (answers, angles, lam.size),
        (answers, angles, lam.size),
    )
    for part, shape, what in zip(weights, expected, Weights._fields, strict=True):
        if part.shape != shape:
            raise StackError(f"weights of the {what} are {part.shape}, expected {shape}")
    found = _pull_all(index, d, lam, flags, angle_deg, polarization, weights)
    return Slopes(*(found if each_angle else (x.sum(axis=1) for x in found)))


def _pull_all(
    index: Complex,
    d: Real,
    lam: Real,
    coherent: list[bool],
    angle_deg: ArrayLike,
    polarization: str,
    weights: Weights,
) -> tuple[Real, Real, Real]:
    """Derivatives by n, k and thickness, each (answer, angle, layer - 2, wavelength)."""
    kinds = polarizations(polarization)
    sine, cosine, _ = directions(angle_deg, False)
    answers, angles = weights.absorptance.shape[:2]
    out = [np.zeros((answers, angles, d.size, lam.size)) for _ in range(3)]
    index = np.broadcast_to(index, (index.shape[0], lam.size))
    step = max(1, _BLOCK // (answers * lam.size))
    for start in range(0, angles, step):
        piece = slice(start, start + step)
        # 0/0 comes up at q = 0 and y = 0; each is then replaced by its limit.
        with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
            waves = Waves(
                index[None], d[None], lam, None if sine is None else sine[piece], cosine[piece]
            )
            points = waves.size
            a = weights.absorptance[:, piece].transpose(0, 2, 1, 3).reshape(answers, -1, points)
            r, t = (x[:, piece].reshape(answers, points) for x in weights[1:])
            used = kinds if waves.oblique else (False,)
            for p in used:
                adjoint = _Adjoint(Layers(waves, p), answers)
                share = 1.0 / len(used)
                adjoint.chain(coherent, share * a, share * r, share * t)
                for total, part in zip(
                    out, adjoint.slopes(waves.points(index[:, None, None, :])), strict=True
                ):
                    total[:, piece] += part.reshape(answers, d.size, *waves.shape[1:]).transpose(
                        0, 2, 1, 3
                    )
    return out[0], out[1], out[2]


class _Adjoint:
    """Derivatives of all answers for one polarisation, collected on the way down.

    ``by_q``, ``by_q2`` (where the sinc form is used), ``by_n2``: (answer, medium, point);
    ``by_d``: (answer, inner layer, point).
    """

    def __init__(self, layers: Layers, answers: int):
        self.layers = layers
        media, points = layers.waves.q.shape
        self.by_q, self.by_q2, self.by_n2 = np.zeros((3, answers, media, points), dtype=complex)
        self.by_d = np.zeros((answers, media - 2, points))
        two_k0 = layers.waves.two_k0
        self.two_k0 = layers.waves.points(two_k0[None, None, None, :])[0]

    def slopes(self, index: Complex) -> tuple[Real, Real, Real]:
        """By n, k and thickness of the inner layers, (answer, layer, point)."""
        n, q = index[1:-1], self.layers.waves.q[1:-1]
        inner = slice(1, -1)
        by_n = self.by_q[:, inner] * np.where(q != 0, n / np.where(q != 0, q, 1.0), 0.0)
        by_n += 2.0 * n * (self.by_n2[:, inner] + self.by_q2[:, inner])
        return by_n.real, -by_n.imag, self.by_d

    def surface(self, medium: int, by_a: Complex, by_b: Complex) -> None:
        """Through the admittance b / a of a medium."""
        if self.layers.n2 is None:
            self.by_q[:, medium] += by_b
        else:
            self.by_q[:, medium] += by_a
            self.by_n2[:, medium] += by_b

    def fading(self, j: int, by_y: Real, where: NDArray[np.bool_] | None = None) -> None:
        """Through y = 2 k0 d Im q of an inner layer."""
        if where is not None:
            by_y = np.where(where, 0.0, by_y)
        waves = self.layers.waves
        self.by_q[:, 1 + j] -= 1j * waves.two_k0d[j] * by_y
        self.by_d[:, j] += self.two_k0 * waves.q_imag[j] * by_y

    # coherent runs ---------------------------------------------------------------------------

    def run(
        self,
        which: Sequence[int],
        top: int,
        bottom: int,
        run: Run,
        by_r: Real,
        by_t: Real,
        by_a: Real,
        by_excess: Real | None = None,
    ) -> None:
        """Through a run of coherent layers; ``by_a``: (answer, layer of the run, point)."""
        layers, waves = self.layers, self.layers.waves
        if run.inside is None:
            raise StackError("the fields of a run were not kept")
        fields, powers = run.inside
        a, b = layers.surface(top)
        e, k = fields[0]
        incident = b * e - a * k
        eta = b * np.conjugate(a)
        carried = eta.real
        # What all that absorb, and the substrate, get is in proportion to the power at the top.
        # `left` is what those below each interface do.
        left = [by_t * run.transmittance]
        for i in range(len(which) - 1, -1, -1):
            left.append(left[-1] + by_a[:, i] * run.absorptance[i])
        left.reverse()
        rest = left[0]
        by_amplitude = 2.0 * by_r * np.conjugate(run.amplitude)
        by_slope = np.zeros_like(rest)
        if by_excess is not None and run.excess is not None:
            by_amplitude = by_amplitude - 2j * by_excess * (eta.imag / carried)
            by_slope = 2.0 * by_excess * run.amplitude.imag
        by_sum = by_amplitude / incident
        by_incident = -2.0 * rest / incident - by_sum * run.amplitude
        still = ~(carried > STILL)
        if waves.oblique and still.any():  # nothing enters, whatever the layers are
            by_sum, by_incident = (np.where(still, 0.0, x) for x in (by_sum, by_incident))
            rest = np.where(still, 0.0, rest)
        by_e, by_k = b * (by_sum + by_incident), a * (by_sum - by_incident)
        if top > 0:  # the ambient stays as it is
            tilt = eta.imag / carried
            by_b = e * (by_sum + by_incident) + rest * (2.0 / b - np.conjugate(a) / carried)
            by_b = by_b - (1j + tilt) * by_slope * (np.conjugate(a) / carried)
            by_top = k * (by_sum - by_incident) + rest * (2.0 / a - np.conjugate(b) / carried)
            by_top = by_top + (1j - tilt) * by_slope * (np.conjugate(b) / carried)
            self.surface(top, np.where(still, 0.0, by_top), np.where(still, 0.0, by_b))
        for i, j in enumerate(which):
            here, weight = fields[i + 1], by_a[:, i]
            special = layers.special.get(j)
            by_e, by_k, own_e, own_k = self._step(j, here, by_e, by_k, special, powers[i], weight)
            by_e, by_k = by_e + own_e, by_k + own_k
            outside = None
            if special is not None:
                outside = np.zeros(waves.size, dtype=bool)
                outside[special] = True  # there the scale of the fields counts as a constant
            self.fading(j, -left[i + 1] * ~still, outside)
        a, b = layers.surface(bottom)
        share = by_t * powers[-1]
        self.surface(bottom, by_e + share * np.conjugate(b), share * np.conjugate(a) - by_k)

    def _step(
        self,
        j: int,
        bottom: Complex,
        by_e: Complex,
        by_k: Complex,
        special: NDArray[np.intp] | None,
        power: Real,
        weight: Real,
    ) -> tuple[Complex, Complex, Complex, Complex]:
        """Through one layer: the fields carried up, and what it absorbs itself.

        ``by_e``, ``by_k``: of the fields at its top. Returns those of the fields at its bottom,
        by the two ways.
        """
        layers, waves = self.layers, self.layers.waves
        e, k = bottom
        eta, one_over_eta, change = layers.eta[j], layers.one_over_eta[j], waves.change[j]
        w = e + k * one_over_eta
        by_x = -by_e - eta * by_k
        by_w = change * by_x
        by_eta = -change * w * by_k
        by_change = w * by_x
        by_delta = -1j * (1.0 - 2.0 * change) * by_change
        below_e, below_k = by_e + by_w, by_k + one_over_eta * by_w
        by_inverse = k * by_w
        half = 0.5 * waves.two_k0d[j]
        q = waves.q[1 + j]
        by_q = half * by_delta
        by_d = (0.5 * self.two_k0 * q * by_delta).real
        own_e, own_k = np.zeros((2, *by_e.shape), dtype=complex)
        if weight.any():
            own = _absorbed(layers, j, bottom, power, self.two_k0)
            by_inverse += weight * own.by_inverse
            by_q += weight * own.by_q
            by_d += weight * own.by_d
            own_e, own_k = weight * own.by_e, weight * own.by_k
        by_n2: Any = 0.0
        if layers.n2 is None:
            by_q = by_q + by_eta - by_inverse * one_over_eta * one_over_eta
        else:
            n2 = layers.n2[1 + j]
            by_q = by_q - by_eta * eta * waves.one_over_q[j] + by_inverse / n2
            by_n2 = by_eta * waves.one_over_q[j] - by_inverse * one_over_eta / n2
        if special is not None:
            at = special
            near = _Near(self, j, at, bottom)
            scale = np.exp(1j * q[at] * half[at])
            there = near.pull(half[at], scale * by_e[:, at], scale * by_k[:, at])
            below_e[:, at], below_k[:, at] = there.e, there.k
            mine = near.absorbed(power, weight)
            own_e[:, at], own_k[:, at] = mine.e, mine.k
            by_q[:, at] = 0.0
            if layers.n2 is not None:
                by_n2[:, at] = there.n2 + mine.n2
            self.by_q2[:, 1 + j, at] += there.q2 + mine.q2
            by_d[:, at] = 0.5 * self.two_k0[at] * (there.height + mine.height)
        self.by_q[:, 1 + j] += by_q
        self.by_n2[:, 1 + j] += by_n2
        self.by_d[:, j] += by_d
        return below_e, below_k, own_e, own_k

    # incoherent chain ------------------------------------------------------------------------

    def chain(self, coherent: list[bool], by_a: Real, by_r: Real, by_t: Real) -> None:
        """Through a whole stack, lit from the ambient."""
        layers, waves, inner = self.layers, self.layers.waves, len(coherent)
        if all(coherent):
            everything = range(inner)
            run = coherent_run(layers, everything, 0, inner + 1, keep_fields=True)
            self.run(everything, 0, inner + 1, run, by_r, by_t, by_a)
            return
        stops = [0, *(j + 1 for j, flag in enumerate(coherent) if not flag), inner + 1]
        media = len(stops) - 2
        members = [range(a, b - 1) for a, b in zip(stops[:-1], stops[1:], strict=True)]
        down = [
            coherent_run(layers, which, above, below, keep_fields=True)
            for which, above, below in zip(members, stops[:-1], stops[1:], strict=True)
        ]
        up = [
            coherent_run(layers, which[::-1], below, above, keep_fields=True)
            for which, above, below in zip(members[:-1], stops[:-2], stops[1:-1], strict=True)
        ]
        fades = [waves.q_imag[j - 1] > waves.q_real[j - 1] for j in stops[1:-1]]
        tau = [
            np.where(fade, 0.0, waves.decay[j - 1])
            for fade, j in zip(fades, stops[1:-1], strict=True)
        ]
        # The intensities, as in `layer_optics.solve_chain`.
        seen = [down[media].reflectance] * (media + 1)
        enter, closed, trip = ([seen[media]] * media for _ in range(3))
        for g in range(media - 1, -1, -1):
            trip[g] = tau[g] ** 2 * seen[g + 1]
            closed[g] = 1.0 - up[g].reflectance * trip[g]
            enter[g] = np.where(closed[g] > 0, down[g].transmittance / closed[g], 0.0)
            seen[g] = down[g].reflectance + enter[g] * trip[g] * up[g].transmittance
        arrive = [np.ones(waves.size)]
        for g in range(media):
            arrive.append(arrive[g] * enter[g] * tau[g])
        # And back: first the way down, from its end, then what each interface saw below it.
        nothing = np.zeros_like(by_r)
        by_tau, by_enter, by_pass = ([nothing] * media for _ in range(3))
        by_seen, by_down_t, by_down_x = ([nothing] * (media + 1) for _ in range(3))
        by_up_x, returned = [nothing] * media, [np.zeros(waves.size)] * media
        by_down_t[media] = by_t * arrive[media]
        by_arrive = by_t * down[media].transmittance + self._taken(
            by_a, members[media], down[media]
        )
        for g in range(media - 1, -1, -1):
            medium = members[g].stop
            weight = by_a[:, medium]
            top_down, bottom_down = arrive[g] * enter[g], arrive[g + 1]
            bottom_up = bottom_down * seen[g + 1]
            top_up = returned[g] = bottom_up * tau[g]
            one_pass = np.where(
                fades[g], 1.0, -np.expm1(-waves.two_k0d[medium] * waves.q_imag[medium])
            )
            by_top_up = self._taken(by_a, members[g], up[g], reverse=True)
            by_bottom_down = by_arrive
            if (excess := up[g].excess) is not None:
                by_top_up = by_top_up - weight * excess
                by_up_x[g] = -weight * top_up
            if (excess := down[g + 1].excess) is not None:
                by_bottom_down = by_bottom_down - weight * excess
                by_down_x[g + 1] = -weight * bottom_down
            by_pass[g] = weight * (top_down + bottom_up)
            by_bottom_up = weight * one_pass + by_top_up * tau[g]
            by_bottom_down = by_bottom_down + by_bottom_up * seen[g + 1]
            by_seen[g + 1] = by_bottom_up * bottom_down
            by_top_down = weight * one_pass + by_bottom_down * tau[g]
            by_tau[g] = by_top_up * bottom_up + by_bottom_down * top_down
            by_enter[g] = by_top_down * arrive[g]
            by_arrive = by_top_down * enter[g] + self._taken(by_a, members[g], down[g])
        by_seen[0] = by_seen[0] + by_r
        by_up_r, by_up_t = [nothing] * media, [nothing] * media
        for g in range(media):
            there = up[g].transmittance
            by_enter[g] = by_enter[g] + by_seen[g] * trip[g] * there
            by_up_t[g] = by_seen[g] * enter[g] * trip[g]
            by_down_t[g] = np.where(closed[g] > 0, by_enter[g] / closed[g], 0.0)
            by_closed = np.where(closed[g] > 0, -by_enter[g] * enter[g] / closed[g], 0.0)
            by_up_r[g] = -by_closed * trip[g]
            by_trip = by_seen[g] * enter[g] * there - by_closed * up[g].reflectance
            by_tau[g] = by_tau[g] + 2.0 * by_trip * tau[g] * seen[g + 1]
            by_seen[g + 1] = by_seen[g + 1] + by_trip * tau[g] ** 2
            # One crossing leaves exp(-y), and takes 1 - exp(-y).
            self.fading(members[g].stop, tau[g] * (by_pass[g] - by_tau[g]))
        for g, which in enumerate(members):
            above, below = stops[g], stops[g + 1]
            weight = by_a[:, which.start : which.stop]
            self.run(
                which,
                above,
                below,
                down[g],
                by_seen[g],
                by_down_t[g],
                weight * arrive[g],
                by_down_x[g],
            )
            if g < media:
                self.run(
                    which[::-1],
                    below,
                    above,
                    up[g],
                    by_up_r[g],
                    by_up_t[g],
                    weight[:, ::-1] * returned[g],
                    by_up_x[g],
                )

    @staticmethod
    def _taken(by_a: Real, which: range, run: Run, *, reverse: bool = False) -> Real:
        absorbed = run.absorptance[::-1] if reverse else run.absorptance
        return np.asarray(np.einsum("alp,lp->ap", by_a[:, which.start : which.stop], absorbed))


class _Own(NamedTuple):
    """Derivatives of what a layer absorbs, (point,)."""

    by_e: Complex
    by_k: Complex
    by_inverse: Complex  # by 1 / eta
    by_q: Complex
    by_d: Real


def _absorbed(layers: Layers, j: int, bottom: Complex, power: Real, two_k0: Real) -> _Own:
    """Through the closed form of what layer j absorbs (`layer_optics._absorbed`)."""
    waves = layers.waves
    q_real, q_imag = waves.q_real[j], waves.q_imag[j]
    two_k0d, decay, one_over_eta = waves.two_k0d[j], waves.decay[j], layers.one_over_eta[j]
    e, k = bottom
    u, v = 0.5 * (e - k * one_over_eta), 0.5 * (e + k * one_over_eta)
    uu, vv = np.abs(u) ** 2, np.abs(v) ** 2 * decay
    product = u * np.conjugate(v)
    x, y = two_k0d * q_real, two_k0d * q_imag
    mean = np.where(y > 0, -np.expm1(-y) / y, 1.0)
    mean_y = np.where(y > 0, (decay - mean) / y, -0.5)
    sine, cosine, sine_x, cosine_x = (decay * part for part in _waving(x))
    travelling = (uu + vv) * mean
    travelling_y = uu * mean_y + vv * (mean_y - mean)
    standing = 2.0 * (product.real * sine + product.imag * cosine)
    standing_x = 2.0 * (product.real * sine_x + product.imag * cosine_x)
    kappa: Real | float = 0.0
    more = np.zeros_like(x)
    if layers.n2 is not None:
        q2 = q_real * q_real + q_imag * q_imag
        kappa = waves.kx2 / q2
        more = -2.0 * kappa / q2 * (travelling - standing)  # times q: by q through kappa
    total = (1.0 + kappa) * travelling + (1.0 - kappa) * standing
    strength = power * q_real
    by_y = strength * (total + y * ((1.0 + kappa) * travelling_y - (1.0 - kappa) * standing))
    by_x = strength * y * (1.0 - kappa) * standing_x
    by_real = power * y * total + strength * y * more * q_real + two_k0d * by_x
    by_imag = strength * y * more * q_imag + two_k0d * by_y
    ahead, across = (1.0 + kappa) * mean, (1.0 - kappa) * (sine - 1j * cosine)
    twice = 2.0 * strength * y
    by_u = twice * (ahead * np.conjugate(u) + across * np.conjugate(v))
    by_v = twice * (ahead * decay * np.conjugate(v) + np.conjugate(across) * np.conjugate(u))
    difference = 0.5 * (by_v - by_u)
    return _Own(
        0.5 * (by_u + by_v),
        difference * one_over_eta,
        k * difference,
        by_real - 1j * by_imag,
        (q_real * by_x + q_imag * by_y) * two_k0,
    )


def _waving(x: Real) -> tuple[Real, Real, Real, Real]:
    """sin(x)/x, (1 - cos x)/x and their derivatives."""
    sin, cos = np.sin(x), np.cos(x)
    sine, cosine = sin / x, (1.0 - cos) / x
    sine_x, cosine_x = (cos - sine) / x, (sin - cosine) / x
    small = x < 0.1
    if small.any():
        z = x[small]
        z2 = z * z
        sine[small] = 1 - z2 / 6 * (1 - z2 / 20 * (1 - z2 / 42 * (1 - z2 / 72)))
        cosine[small] = z / 2 * (1 - z2 / 12 * (1 - z2 / 30 * (1 - z2 / 56)))
        sine_x[small] = -z / 3 * (1 - z2 / 10 * (1 - z2 / 28 * (1 - z2 / 54)))
        cosine_x[small] = 0.5 - z2 / 8 + z2**2 / 144 - z2**3 / 5760 + z2**4 / 403200
    return sine, cosine, sine_x, cosine_x


class _Pulled(NamedTuple):
    """Derivatives by the fields at the bottom, q^2, n^2 and k0 times the height."""

    e: Any
    k: Any
    q2: Any
    n2: Any
    height: Any


class _Near:
    """A layer at the points where q is close to 0, by the sinc form.

    At a height h (times k0) above the bottom E = C e + S a k and K = C k + S b e, with C = cos(q h)
    and S = i h sinc(q h), even functions of q and so smooth in q^2; (a, b) = (1, q^2) for s and
    (q^2/n^2, n^2) for p polarisation.
    """

    def __init__(self, adjoint: _Adjoint, j: int, at: NDArray[np.intp], bottom: Complex):
        layers = adjoint.layers
        self.waves, self.j, self.at = layers.waves, j, at
        self.e, self.k = bottom[:, at]
        self.q2 = layers.waves.q[1 + j][at] ** 2
        self.n2 = None if layers.n2 is None else layers.n2[1 + j][at]
        self.kx2 = np.broadcast_to(layers.waves.kx2, layers.waves.size)[at]

    def _parts(self, height: Real) -> tuple[Complex, Complex, Complex, Complex, Complex]:
        z = self.q2 * height * height
        wave = sinc(np.sqrt(z))
        slant = 1j * height * wave
        cosine = np.sqrt(1 - z * wave * wave)
        a = np.ones_like(self.q2) if self.n2 is None else self.q2 / self.n2
        b = self.q2 if self.n2 is None else self.n2
        return cosine, slant, wave, a, b

    def pull(self, height: Real, by_e: Complex, by_k: Complex) -> _Pulled:
        """From the fields at a height."""
        cosine, slant, wave, a, b = self._parts(height)
        z = self.q2 * height * height
        wave_z = np.zeros_like(z)  # derivative of the sinc by q^2 h^2
        for m in (8, 7, 6, 5, 4, 3, 2, 1):
            wave_z = ((-1) ** m * m) / _FACTORIAL[m] + z * wave_z
        by_cosine = self.e * by_e + self.k * by_k
        by_slant = a * self.k * by_e + b * self.e * by_k
        by_q2 = -0.5 * height**2 * wave * by_cosine + 1j * height**3 * wave_z * by_slant
        by_height = -self.q2 * height * wave * by_cosine + 1j * cosine * by_slant
        by_n2: Any = 0.0
        if self.n2 is None:
            by_q2 = by_q2 + slant * self.e * by_k
        else:
            by_q2 = by_q2 + slant * self.k * by_e / self.n2
            by_n2 = slant * (self.e * by_k - self.q2 / self.n2**2 * self.k * by_e)
        return _Pulled(
            cosine * by_e + slant * b * by_k,
            slant * a * by_e + cosine * by_k,
            by_q2,
            by_n2,
            by_height.real,
        )

    def absorbed(self, power: Real, weight: Real) -> _Pulled:
        """From what the layer absorbs: the mean of |E|^2 by Gauss-Legendre, as in the recursion."""
        waves, j, at = self.waves, self.j, self.at
        k0d = 0.5 * waves.two_k0d[j][at]
        scale = power[at] * waves.decay[j][at]
        strength = scale * k0d * self.q2.imag
        mean = np.zeros(at.size)
        sums: list[Any] = [0.0] * 5
        for point, share in zip(GAUSS_X, GAUSS_W, strict=True):
            part = (1 + point) / 2
            cosine, slant, _, a, b = self._parts(part * k0d)
            e = cosine * self.e + slant * a * self.k
            k = cosine * self.k + slant * b * self.e
            by_k, by_n2 = np.zeros_like(k), np.zeros_like(k)
            square = np.abs(e) ** 2
            if self.n2 is not None:
                bent = self.kx2 * np.conjugate(k / self.n2) / self.n2
                square = square + (bent * k).real
                by_k, by_n2 = 2.0 * bent, -2.0 * bent * k / self.n2
            pulled = self.pull(part * k0d, 2.0 * np.conjugate(e), by_k)
            mean += share / 2 * square
            extra = (0.0, 0.0, 0.0, by_n2, 0.0)
            rate = (1.0, 1.0, 1.0, 1.0, part)
            sums = [
                s + share / 2 * f * (x + y)
                for s, f, x, y in zip(sums, rate, pulled, extra, strict=True)
            ]
        out = [weight[:, at] * strength * s for s in sums]
        # k0 d Im(q^2) in front of the mean
        out[2] = out[2] - 1j * weight[:, at] * scale * k0d * mean
        out[4] = out[4] + weight[:, at] * scale * self.q2.imag * mean
        return _Pulled(*out)


_FACTORIAL = [float(np.prod(np.arange(1, 2 * m + 2, dtype=float))) for m in range(9)]
