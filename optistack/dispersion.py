"""Dielectric functions that obey causality: oscillators and the Kramers-Kronig integral.

Energies are in eV, the dielectric function is eps = eps1 + i eps2 = (n + ik)^2 with eps2 >= 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

EV_NM = 1239.8419843320026  # h c / e in eV nm, exact in the 2019 SI

# --- oscillators ------------------------------------------------------------------------------


def drude(energy_ev: Real, plasma_ev: float, damping_ev: float) -> Complex:
    """Free carriers: -Ep^2 / (E^2 + i G E).

    Source: M. Fox, Optical Properties of Solids, ch. 7 (textbook, from memory).
    """
    e = np.asarray(energy_ev, dtype=float)
    return np.asarray(-(plasma_ev**2) / (e * e + 1j * damping_ev * e))


def lorentz(energy_ev: Real, strength: float, centre_ev: float, damping_ev: float) -> Complex:
    """A bound charge: f E0^2 / (E0^2 - E^2 - i G E).

    Source: M. Fox, Optical Properties of Solids, ch. 2 (textbook, from memory).
    """
    e = np.asarray(energy_ev, dtype=float)
    return np.asarray(strength * centre_ev**2 / (centre_ev**2 - e * e - 1j * damping_ev * e))


def tauc_lorentz(
    energy_ev: ArrayLike,
    amplitude_ev: float,
    centre_ev: float,
    broadening_ev: float,
    gap_ev: float,
) -> Complex:
    """An absorption band with a gap: Tauc edge times Lorentz oscillator, without eps_inf.

    eps2 = A E0 C (E - Eg)^2 / (((E^2 - E0^2)^2 + C^2 E^2) E) above the gap, 0 below; eps1 is its
    Kramers-Kronig integral in closed form.

    Parameters
    ----------
    energy_ev : array [eV]
    amplitude_ev : float [eV]
        A.
    centre_ev, broadening_ev, gap_ev : float [eV]
        E0, C < 2 E0, Eg.

    Returns
    -------
    complex array of the shape of ``energy_ev``

    Raises
    ------
    OptistackError
        A negative parameter, or C >= 2 E0 (no resonance).

    Source: G. E. Jellison, F. A. Modine, Appl. Phys. Lett. 69 (1996) 371, erratum 69 (1996) 2137,
    doi 10.1063/1.118064 (closed form from memory; a test compares it with the integral).

    Examples
    --------
    >>> eps = tauc_lorentz([2.0, 4.0], 100.0, 4.0, 2.0, 3.0)
    >>> print(eps.imag.round(3))
    [0.    3.125]
    """
    a, e0, c, eg = amplitude_ev, centre_ev, broadening_ev, gap_ev
    if not (a >= 0 and e0 > 0 and 0 < c < 2 * e0 and eg >= 0):
        raise OptistackError(
            f"Tauc-Lorentz oscillator: A = {a:g} >= 0, E0 = {e0:g} > 0, 0 < C = {c:g} < 2 E0 and "
            f"Eg = {eg:g} >= 0 are needed"
        )
    e = np.atleast_1d(np.asarray(energy_ev, dtype=float))
    above = e > eg
    shifted = np.where(above, e - eg, 0.0)
    eps2 = a * e0 * c * shifted**2 / (((e * e - e0 * e0) ** 2 + (c * e) ** 2) * e)
    # At E = Eg two logarithms cancel each other: step aside by a rounding.
    e = np.where(np.abs(e - eg) < 1e-9 * (1 + eg), e + 1e-8 * (1 + eg), e)
    e2, e02, eg2, c2 = e * e, e0 * e0, eg * eg, c * c
    a_ln = (eg2 - e02) * e2 + eg2 * c2 - e02 * (e02 + 3 * eg2)
    a_tan = (e2 - e02) * (e02 + eg2) + eg2 * c2
    alpha = np.sqrt(4 * e02 - c2)
    gamma2 = e02 - c2 / 2
    scale = a / (np.pi * ((e2 - gamma2) ** 2 + alpha**2 * c2 / 4))
    ratio = np.log((e02 + eg2 + alpha * eg) / (e02 + eg2 - alpha * eg))
    angle = np.pi - np.arctan((2 * eg + alpha) / c) + np.arctan((alpha - 2 * eg) / c)
    inner = np.pi / 2 + np.arctan(2 * (gamma2 - eg2) / (alpha * c))
    near = np.log(np.abs(e - eg) / (e + eg))
    far = np.log(np.abs(e - eg) * (e + eg) / np.sqrt((e02 - eg2) ** 2 + eg2 * c2))
    eps1 = scale * (
        c * a_ln * ratio / (2 * alpha * e0)
        - a_tan * angle / e0
        + 4 * e0 * eg * (e2 - gamma2) * inner / alpha
        - e0 * c * (e2 + eg2) / e * near
        + 2 * e0 * c * eg * far
    )
    return np.asarray((eps1 + 1j * eps2).reshape(np.shape(energy_ev)))


def index_of(eps: NDArray[np.complexfloating]) -> Complex:
    """n + ik from a dielectric function; k >= 0 where eps2 >= 0, k < 0 where it amplifies."""
    root = np.sqrt(eps + 0j)
    # Where eps2 is 0 its rounding may have either sign, and so has the root's imaginary part.
    passive = eps.imag >= -1e-13 * np.abs(eps)
    return np.asarray(root.real + 1j * np.where(passive, np.abs(root.imag), root.imag))


# --- the Kramers-Kronig integral ----------------------------------------------------------------


def kramers_kronig(energy_ev: ArrayLike, nodes_ev: ArrayLike) -> Real:
    """eps1 - 1 of an eps2 that is linear between nodes and zero outside, as a matrix.

    eps1(E) - 1 = (2/pi) P integral x eps2(x) / (x^2 - E^2) dx, done in closed form.

    Parameters
    ----------
    energy_ev : (energy,) array [eV]
    nodes_ev : (node,) array [eV]
        Increasing and positive. eps2 at the first and at the last node should be 0.

    Returns
    -------
    (energy, node) array
        ``matrix @ eps2`` is eps1 - 1.

    Source: the Kramers-Kronig relation, for example M. Fox, Optical Properties of Solids, ch. 2.

    Examples
    --------
    >>> import numpy as np
    >>> e = np.linspace(0.05, 40.0, 4000)
    >>> eps = lorentz(e, 1.5, 4.0, 0.5)
    >>> print(np.abs(kramers_kronig([1.0, 3.0], e) @ eps.imag - lorentz([1, 3], 1.5, 4.0, 0.5).real
    ...       ).max() < 1e-3)
    True
    """
    e = np.asarray(energy_ev, dtype=float)[:, None]
    nodes = np.asarray(nodes_ev, dtype=float)
    left, width = nodes[:-1], np.diff(nodes)
    # The logarithm at a node that meets E exactly drops out between its two neighbours.
    minus = np.diff(np.log(np.maximum(np.abs(nodes - e), 1e-12)), axis=1)
    plus = np.diff(np.log(nodes + e), axis=1)
    of_x = (minus + plus) / 2  # integral of x / (x^2 - E^2) between two nodes
    of_x2 = width + e * (minus - plus) / 2  # integral of x^2 / (x^2 - E^2)
    out = np.zeros((e.size, nodes.size))
    out[:, :-1] += (nodes[1:] * of_x - of_x2) / width
    out[:, 1:] += (of_x2 - left * of_x) / width
    return np.asarray(out * (2 / np.pi))


@dataclass(frozen=True, eq=False)
class CausalBasis:
    """A free-form eps2 >= 0 and the eps1 that causality gives with it: both linear in parameters.

    eps2 is a sum of cubic B-splines. What absorbs beyond its reach is not seen but felt in eps1:
    two poles above, and free carriers below. Non-negative parameters mean eps2 >= 0.

    Attributes
    ----------
    eps1, eps2 : (energy, parameter) array
        eps = 1 + eps1 @ p + i eps2 @ p.
    roughness : (row, parameter) array
        The sum of squares of ``roughness @ p`` is the integral of (d2 eps2 / dE2)^2 [1/eV3].
    splines : int
        The first parameters are splines, then the two poles, then the free carriers.
    """

    eps1: Real
    eps2: Real
    roughness: Real
    splines: int

    @classmethod
    def over(cls, energy_ev: ArrayLike, step_ev: float, reach_ev: float = 2.5) -> CausalBasis:
        """A basis for the energies of a measurement.

        Parameters
        ----------
        energy_ev : (energy,) array [eV]
            Any order.
        step_ev : float [eV]
            Distance of the knots among the energies; it grows outside them.
        reach_ev : float [eV]
            How far above the largest energy splines go; poles follow.
        """
        from scipy.interpolate import BSpline

        e = np.asarray(energy_ev, dtype=float)
        low, high = float(e.min()), float(e.max())
        growing = step_ev * np.cumsum(1.25 ** np.arange(60))
        above = high + step_ev + growing[growing < reach_ev]
        below = low - growing
        below = below[below > max(0.3 * low, low - 0.6)][::-1]
        knots = np.concatenate([below, np.arange(low, high + step_ev, step_ev), above])
        padded = np.concatenate([[knots[0]] * 3, knots, [knots[-1]] * 3])
        eighths = knots[:-1, None] + np.diff(knots)[:, None] * np.linspace(0.0, 1.0, 9)
        fine = np.unique(eighths)
        # The outermost spline on each side is left out: eps2 ends at zero.
        shape = BSpline.design_matrix(fine, padded, 3).toarray()[:, 1:-1]
        splines = shape.shape[1]
        centres = np.array([padded[i + 1 : i + 4].mean() for i in range(1, splines + 1)])
        poles = [high + 1.2 * reach_ev, high + 3 * reach_ev]
        beyond = np.array([p * p / (p * p - e * e) for p in poles]).T
        carriers = -1.0 / (e * e)[:, None]
        eps1 = np.hstack([kramers_kronig(e, fine) @ shape, beyond, carriers])
        eps2 = np.hstack(
            [np.array([np.interp(e, fine, column) for column in shape.T]).T, np.zeros((e.size, 3))]
        )
        roughness = np.zeros((splines - 2, splines + 3))
        for row in range(splines - 2):
            first, second = np.diff(centres[row : row + 3])
            both = first + second
            roughness[row, row : row + 3] = np.sqrt(both / 2) * np.array(
                [2 / (first * both), -2 / (first * second), 2 / (second * both)]
            )
        return cls(eps1, eps2, roughness, splines)
