"""What a layer absorbs of light from every direction of the front hemisphere.

The absorptance is a smooth function of the cosine of the angle of incidence. It is computed at
Chebyshev points, as many as it needs, and interpolated between them; the integral over isotropic
light uses the same points. The variable is the square root of the cosine, which gives more points
to grazing light: a clear plate changes there within a degree or two.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optistack.errors import StackError
from optistack.exposure import Exposure
from optistack.filters import Filter
from optistack.light_paths import Geometry, StackResponse, absorptance_at_angles, respond
from optistack.materials import constant
from optistack.stack import Stack

Real = NDArray[np.float64]

# First number of intervals; doubled, the old points kept, until the series has converged.
FEWEST, MOST = 12, 768
# Sum of the last coefficients of the series over the largest value.
CONVERGED = 1e-7
_LAST = 4


@dataclass(frozen=True, eq=False)
class AngleResponse:
    """Photons absorbed per unit of spectral irradiance, for many directions.

    Attributes
    ----------
    root : (node,) array
        Square root of the cosine of the angle of incidence, 1 to 0.
    directed : (key, node, wavelength) array [1/(J nm)] times [nm]
        Times spectral irradiance at the sun's wavelengths, summed: photons [1/(m2 s)].
    isotropic : (key, wavelength) array
    error : float
        Estimated error of the interpolation over the largest value.
    normal : StackResponse
        At normal incidence.
    """

    root: Real
    directed: Real
    isotropic: Real
    error: float
    normal: StackResponse

    def interpolation(self, cosine: Real) -> Real:
        """(step, node): weights of the nodes at other cosines."""
        return interpolation(self.root, np.sqrt(cosine))


def angle_response(
    exposure: Exposure,
    layer: str,
    grid: Real,
    project: Callable[[Real, Real], Real],
    nodes_nm: Real,
    reference: Real,
) -> AngleResponse:
    """Solve the stack of an exposure at as many angles as it needs.

    Parameters
    ----------
    exposure : Exposure
        Its stack, filters, side and holder are used; not its light and angles.
    layer : str
    grid : (wavelength,) array [nm]
        Where the stack is solved.
    project : callable
        From absorptance (node, wavelength) on ``grid`` and the transmittance of the filters in
        front (node, point) at ``nodes_nm`` to (key, node, wavelength of the sun).
    nodes_nm : (point,) array [nm]
    reference : (wavelength of the sun,) array [W/(m2 nm)]
        The spectrum for which the convergence is judged.

    Raises
    ------
    StackError
        A stack that is not lit from air; fringes that the most angles do not follow.
    RangeError
        A table that does not cover the grid.
    """
    stack, far = exposure.built
    ambient = stack.ambient.index(grid)
    if np.abs(ambient - 1).max() > 1e-3:
        raise StackError(
            f"exposure {exposure.name}: outdoors the light comes through air, and stack "
            f"{stack.name} begins in {stack.ambient.name}; let its ambient be air"
        )
    position = stack.position(layer)
    bare = Geometry(holder=exposure.geometry.holder)
    normal = respond(stack, bare, grid)
    rows = np.empty((0, grid.size))
    passed = np.empty((0, nodes_nm.size))
    intervals = FEWEST
    while True:
        root = chebyshev_points(intervals)
        # Points of half as many intervals are every other one of these.
        known = np.arange(root.size) % 2 == 0 if len(rows) else np.zeros(root.size, dtype=bool)
        angles = np.degrees(np.arccos(root[~known] ** 2))
        old_rows, old_passed = rows, passed
        rows, passed = np.empty((root.size, grid.size)), np.empty((root.size, nodes_nm.size))
        rows[known], passed[known] = old_rows, old_passed
        rows[~known] = absorptance_at_angles(stack, bare, grid, angles)[:, position]
        passed[~known] = [_through(far, float(angle), nodes_nm) for angle in angles]
        directed = project(rows, passed)
        error = _unresolved(directed @ reference)
        if error <= CONVERGED:
            break
        if 2 * intervals > MOST:
            raise StackError(
                f"exposure {exposure.name}: what {layer} absorbs changes too fast with the angle "
                f"of incidence to be followed with {intervals + 1} angles (error {error:.1e}); "
                "make the thick coherent layers incoherent (coherent = false)"
            )
        intervals *= 2
    isotropic = np.einsum("kaw,a->kw", directed, isotropic_weights(root))
    return AngleResponse(root, directed, isotropic, error, normal)


def _through(far: tuple[Filter, ...], angle_deg: float, wavelength_nm: Real) -> Real:
    """External transmittance of plates in front, without light thrown back at them."""
    out: Real = np.ones(wavelength_nm.size)
    air = constant(1.0, "air")
    for item in far:
        if item.coated or angle_deg == 0:
            out = out * item.external(wavelength_nm)
            continue
        plate = Stack(air, (), air, name=item.name).mounted(item, "laminated")
        out = out * respond(plate, Geometry(angle_deg=angle_deg), wavelength_nm).transmittance
    return out


def chebyshev_points(intervals: int) -> Real:
    """Points from 1 to 0, dense at both ends; those of half as many are every other one."""
    return np.asarray((1 + np.cos(np.pi * np.arange(intervals + 1) / intervals)) / 2)


def interpolation(nodes: Real, at: Real) -> Real:
    """Barycentric interpolation between Chebyshev points, (at, node).

    Source: J.-P. Berrut and L. N. Trefethen, SIAM Review 46 (2004) 501, eq. 4.2 and 5.4.

    Examples
    --------
    >>> x = chebyshev_points(4)
    >>> print((interpolation(x, np.array([0.3])) @ x**3).round(6))
    [0.027]
    """
    weights = np.where(np.arange(nodes.size) % 2 == 0, 1.0, -1.0)
    weights[[0, -1]] /= 2
    apart = at[:, None] - nodes
    row, column = np.nonzero(apart == 0)
    apart[row, column] = 1.0
    terms = weights / apart
    out = terms / terms.sum(axis=1, keepdims=True)
    out[row] = 0.0
    out[row, column] = 1.0
    return np.asarray(out)


def isotropic_weights(root: Real) -> Real:
    """Weights of 2 mu d(mu), mu = root**2, over the hemisphere; exact for the interpolant."""
    x, w = np.polynomial.legendre.leggauss(root.size // 2 + 3)
    at = (x + 1) / 2
    return np.asarray((w / 2 * 4 * at**3) @ interpolation(root, at))


def _unresolved(profiles: Real) -> float:
    """Size of the last Chebyshev coefficients of (key, node) profiles over their largest value."""
    last = profiles.shape[1] - 1
    scaled = profiles.copy()
    scaled[:, [0, -1]] /= 2
    order = np.arange(last - _LAST + 1, last + 1)
    cosines = np.cos(np.pi * np.outer(order, np.arange(last + 1)) / last)
    coefficients = np.abs(scaled @ cosines.T).sum(axis=1) * 2 / last
    largest = np.abs(profiles).max(axis=1)
    return float(
        np.divide(coefficients, largest, out=np.zeros(largest.size), where=largest > 0).max()
    )
