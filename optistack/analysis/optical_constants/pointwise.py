"""n and k at each wavelength for itself: no assumption about how they change with wavelength.

k is solved for at every n and thickness of a grid. chi-square of (n, k, thickness) is that of the
readings plus that of what was known about n and thickness; the 95 % interval of k holds every k
that some n and some thickness reach with a chi-square of at most 3.84 above the least (a profile
likelihood). Where the readings have several solutions it spans all of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BarycentricInterpolator, CubicSpline

from optistack.analysis.optical_constants.causal import Bands
from optistack.analysis.optical_constants.intervals import BOUND_SIGMAS, SIGMAS
from optistack.analysis.optical_constants.measurement import FilmOptics, KnownIndex

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Where n is not known at all but the reflectance is: between these.
N_RANGE = (0.3, 4.5)
_REACH = 3.3  # standard deviations of the grids
_FINE_THICKNESS = 41
_FINER_N = 8  # fine points in a step of n
_ITERATIONS = 8
_STEP = 1e-6
# A transmittance of fewer standard deviations is as good as none: the film is opaque.
_OPAQUE = 5.0
# chi-square above the least up to which a k belongs to the interval, and to an upper bound.
_LIMIT, _BOUND_LIMIT = SIGMAS**2, BOUND_SIGMAS**2
_CHUNK = 200_000


def pointwise(optics: FilmOptics, known: KnownIndex | None = None) -> Bands:
    """k at each wavelength, and n where it is not given.

    Parameters
    ----------
    optics : FilmOptics
        With reflectance where n is not known.
    known : KnownIndex, optional
    """
    lam, d0, d_std = optics.lam, optics.thickness_nm, optics.thickness_std_nm
    std = np.hypot(optics.std, optics.scale_std[:, None] * optics.data)
    grid_n, prior = _n_grid(optics, known)
    highest = float(grid_n.max())
    low_d, high_d = d0, d0
    nodes_d = np.array([d0])
    if d_std > 0:
        low_d, high_d = max(d0 - _REACH * d_std, 0.02 * d0), d0 + _REACH * d_std
        turns = 2 * highest * (high_d - low_d) / lam[0]
        count = min(7 + 2 * int(np.ceil(4 * turns)), 41)
        angle = np.pi * (np.arange(count) + 0.5) / count
        nodes_d = (low_d + high_d) / 2 - (high_d - low_d) / 2 * np.cos(angle)
    k, k_std, odd = _solve_k(optics, std, grid_n, nodes_d)
    if d_std > 0:
        fine_d = np.linspace(low_d, high_d, _FINE_THICKNESS)
        to_fine = BarycentricInterpolator(nodes_d, np.eye(nodes_d.size))(fine_d)
        k, odd = (np.tensordot(to_fine, x, 1) for x in (k, odd))
        k_std = np.exp(np.tensordot(to_fine, np.log(k_std), 1))
        from_d = ((fine_d - d0) / d_std) ** 2
    else:
        from_d = np.zeros(1)
    bands = [
        _one(grid_n[:, i], prior[:, i], from_d, k[:, :, i], k_std[:, :, i], odd[:, :, i])
        for i in range(lam.size)
    ]
    n_band, k_band, several, misses = (np.array(x) for x in zip(*bands, strict=True))
    upper = k_band[:, 1] == 0
    opaque = optics.data[0] < _OPAQUE * std[0]
    k_band = _opaque(optics, std, n_band[:, 0], k_band, opaque)
    upper &= ~opaque
    fitted = optics(n_band[:, 0] + 1j * k_band[:, 0], d0)
    notes = []
    bad = misses > 16.0
    if bad.any():
        notes.append(
            f"at {bad.sum()} wavelengths no n and k explain both readings within 4 standard "
            f"deviations, the first at {lam[bad][0]:g} nm"
        )
    rows = len(optics.data)
    return Bands(
        n=(n_band[:, 0], n_band[:, 1], n_band[:, 2]),
        k=(k_band[:, 0], k_band[:, 1], k_band[:, 2]),
        upper=upper,
        several=several | bad,
        thickness_nm=(d0, d0 - 1.96 * d_std, d0 + 1.96 * d_std),
        chi_square=float(misses.sum()),
        # Without reflectance there is a k for (nearly) every reading: nothing is left to check.
        degrees_of_freedom=0.0 if rows == 1 or known is None else float(lam.size),
        misfit=notes[0] if bad.mean() > 0.05 else "",
        fitted=fitted,
        notes=tuple(notes),
    )


def _n_grid(optics: FilmOptics, known: KnownIndex | None) -> tuple[Real, Real]:
    """n to try at each wavelength, and chi-square of what was known of it: (n, wavelength) each."""
    lam = optics.lam
    # A fringe takes lambda / (2 d) of n.
    step = min(0.05, lam[0] / (2 * optics.thickness_nm) / 24)
    if known is None:
        count = int(np.ceil((N_RANGE[1] - N_RANGE[0]) / step)) + 1
        grid = np.linspace(*N_RANGE, count)[:, None] + np.zeros(lam.size)
        return grid, np.zeros(grid.shape)
    n, n_std = known
    if not n_std.any():
        return n[None, :], np.zeros((1, lam.size))
    count = max(9, int(np.ceil(2 * _REACH * n_std.max() / step)) + 1)
    z = np.linspace(-_REACH, _REACH, count)[:, None]
    grid = np.maximum(n + z * n_std, 0.05)
    return grid, np.broadcast_to(z * z, grid.shape)


def _solve_k(optics: FilmOptics, std: Real, grid_n: Real, nodes_d: Real) -> tuple[Real, Real, Real]:
    """k that explains the readings best at each n and thickness, as if it could be negative.

    Returns its value and standard deviation, and by how many standard deviations the two readings
    disagree (with a sign): (thickness, n, wavelength) each.
    """
    shape = (nodes_d.size, *grid_n.shape)
    k, k_std, odd = np.empty(shape), np.empty(shape), np.zeros(shape)
    rows = max(1, _CHUNK // (grid_n.shape[1] * nodes_d.size))
    for start in range(0, len(grid_n), rows):
        part = slice(start, start + rows)
        n = np.broadcast_to(grid_n[part], (nodes_d.size, *grid_n[part].shape))
        d = np.broadcast_to(nodes_d[:, None], n.shape[:2])
        k[:, part], k_std[:, part], odd[:, part] = _newton(optics, std, n, d)
    return k, k_std, odd


def _newton(optics: FilmOptics, std: Real, n: Real, d: Real) -> tuple[Real, Real, Real]:
    lam = optics.lam
    per_x = lam / (4 * np.pi * optics.thickness_nm)  # k of an internal transmittance of 1/e
    # Start on the side of too little absorption: the transmittance falls ever more slowly with k.
    x = np.broadcast_to(
        0.7 * np.maximum(-np.log(np.maximum(optics.data[0], std[0]) / 0.9), 0.02), n.shape
    ).copy()
    for last in (*([False] * (_ITERATIONS - 1)), True):
        at = optics(n + 1j * x * per_x, d)
        slope = (optics(n + 1j * (x + _STEP) * per_x, d) - at) / _STEP / std
        residual = (optics.data - at) / std
        curvature = np.maximum((slope**2).sum(axis=-2), 1e-12)
        step = (slope * residual).sum(axis=-2) / curvature
        if last:
            break
        x = np.maximum(x + np.maximum(np.minimum(step, 1.0), -1.0), 0.0)
    odd = np.zeros(x.shape)
    if at.shape[-2] == 2:
        odd = residual[..., 0, :] * slope[..., 1, :] - residual[..., 1, :] * slope[..., 0, :]
        odd = odd / np.sqrt(curvature)
    return (x + step) * per_x, per_x / np.sqrt(curvature), odd


def _one(
    n: Real, prior: Real, from_d: Real, k: Real, k_std: Real, odd: Real
) -> tuple[Real, Real, bool, float]:
    """n and k with intervals, whether there are several, and chi-square; arrays (thickness, n)."""
    if n.size > 1:
        fine = np.linspace(n[0], n[-1], _FINER_N * (n.size - 1) + 1)
        k, odd = (CubicSpline(n, x, axis=1)(fine) for x in (k, odd))
        k_std = np.exp(CubicSpline(n, np.log(k_std), axis=1)(fine))
        prior, n = np.interp(fine, n, prior), fine
    # The best k that is not negative costs this much.
    cost = from_d[:, None] + prior + odd**2 + (np.minimum(k, 0.0) / k_std) ** 2
    least = float(cost.min())
    row, column = np.unravel_index(int(cost.argmin()), cost.shape)
    value = max(float(k[row, column]), 0.0)

    def reach(limit: float) -> tuple[float, float, Flags]:
        # Farther from the best k the cost grows as a parabola about k, also where k < 0.
        spare = limit - (cost - least)
        inside = spare >= 0
        around = spare[inside] + (np.minimum(k[inside], 0.0) / k_std[inside]) ** 2
        half = k_std[inside] * np.sqrt(around)
        return float((k[inside] - half).min()), float((k[inside] + half).max()), inside

    low, high, inside = reach(_LIMIT)
    if low <= 0:
        low, high = 0.0, reach(_BOUND_LIMIT)[1]
    columns = np.flatnonzero(inside.any(axis=0))
    several = bool((np.diff(columns) > 1).any())
    n_low, n_high = float(n[columns[0]]), float(n[columns[-1]])
    return np.array([n[column], n_low, n_high]), np.array([value, low, high]), several, least


def _opaque(optics: FilmOptics, std: Real, n: Real, k_band: Real, opaque: Flags) -> Real:
    """Where hardly any light comes through: k is at least what dims it to what may be there."""
    if not opaque.any():
        return k_band
    most = np.maximum(optics.data[0], 0.0) + 2 * std[0]
    d = optics.thickness_nm + 2 * optics.thickness_std_nm
    low, high = np.zeros(optics.lam.size), 30 * optics.lam / (4 * np.pi * d)
    for _ in range(50):
        middle = (low + high) / 2
        too_bright = optics(n + 1j * middle, d)[0] > most
        low, high = np.where(too_bright, middle, low), np.where(too_bright, high, middle)
    out = k_band.copy()
    out[opaque] = np.stack([low, low, np.full(low.size, np.nan)], axis=1)[opaque]
    return out
