"""Interference filters designed with the engine: a long-pass edge from two materials.

The start is the textbook long-wave pass, (L/2 H L/2) repeated: quarter waves with half layers
outside. Its thicknesses are then moved by least squares until the transmittance is as low as it
can be below the edge and as high as it can be above.

Source of the start: H. A. Macleod, Thin-Film Optical Filters, ch. on edge filters (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError
from optistack.materials import Material, material
from optistack.stack import FilterStack, Layer
from optistack.transfer_matrix import solve

Real = NDArray[np.float64]

_FEWEST, _MOST = 3, 61
_STEP_NM = 2.0
_DIFFERENCE = 1e-3
_THINNEST_NM = 5.0


@dataclass(frozen=True, eq=False)
class InterferenceDesign:
    """A designed filter.

    Attributes
    ----------
    item : FilterStack
    edge_nm : float [nm]
    stop_transmittance, pass_transmittance : float
        Mean below and above the edge, between the media it was designed for.
    start_stop_transmittance, start_pass_transmittance : float
        Of the quarter-wave start.
    notes : tuple of str
    """

    item: FilterStack
    edge_nm: float
    stop_transmittance: float
    pass_transmittance: float
    start_stop_transmittance: float
    start_pass_transmittance: float
    notes: tuple[str, ...] = ()


def design_long_pass(
    edge_nm: float,
    layers: int,
    high: Any = "tio2",
    low: Any = "sio2_film",
    *,
    stop_nm: tuple[float, float] | None = None,
    pass_nm: tuple[float, float] | None = None,
    ambient: Any = 1.0,
    behind: Any = 1.5,
    carrier: Layer | None = None,
    refine: bool = True,
    stop_weight: float = 10.0,
    name: str | None = None,
) -> InterferenceDesign:
    """Design a long-pass interference filter.

    Parameters
    ----------
    edge_nm : float [nm]
        Light below is to be reflected.
    layers : int
        Odd, from 3: low, high, low, ...
    high, low : Material, or what `optistack.materials` takes
    stop_nm, pass_nm : (float, float) [nm], optional
        A fifth of the edge below it, and from 3 % above it to 700 nm, when not given.
    ambient, behind : Material, or what `optistack.materials` takes
        Between which it works.
    carrier : Layer, optional
        A thick layer behind the films, needed with an air gap behind the filter.
    refine : bool
        Move the thicknesses from the quarter-wave start.
    stop_weight : float
        What a transmittance below the edge counts against one missing above it, squared.

    Raises
    ------
    OptistackError
        An even number of layers; materials of nearly the same index.
    RangeError
        A material that is not known in the bands.

    Examples
    --------
    >>> from optistack.materials import constant
    >>> found = design_long_pass(400.0, 11, constant(2.3), constant(1.46))
    >>> found.stop_transmittance < 0.1 and found.pass_transmittance > 0.85
    True
    """
    if layers % 2 == 0 or not _FEWEST <= layers <= _MOST:
        raise OptistackError(
            f"an interference filter of {layers} layers: give an odd number from {_FEWEST} to "
            f"{_MOST}"
        )
    h, b = material(high), material(low)
    stop = stop_nm or (0.8 * edge_nm, 0.99 * edge_nm)
    top = pass_nm or (1.03 * edge_nm, max(700.0, 1.2 * edge_nm))
    if not (0 < stop[0] < stop[1] <= top[0] < top[1]):
        raise OptistackError(
            f"interference filter: the stop band {stop[0]:g}-{stop[1]:g} nm must lie below the "
            f"pass band {top[0]:g}-{top[1]:g} nm"
        )
    lam = np.concatenate([np.arange(*stop, _STEP_NM), np.arange(*top, 2 * _STEP_NM)])
    stopped = lam <= stop[1]
    media = [material(ambient).transparent(), material(behind).transparent()]
    order = [b if i % 2 == 0 else h for i in range(layers)]
    table = np.array([m.index(lam) for m in (media[0], *order, media[1])])
    # Centre of the stop band such that its long-wave limit lies at the edge.
    centre = _centre(edge_nm, h, b)
    start = np.array([centre / (4 * _n(m, centre)) for m in order])
    start[[0, -1]] /= 2
    aims = np.where(stopped, 0.0, 1.0)
    share = np.where(stopped, np.sqrt(stop_weight / stopped.sum()), 1 / np.sqrt((~stopped).sum()))

    def transmittance(d: Real) -> Real:
        return solve(table, d, lam).transmittance

    def residual(logs: Real) -> Real:
        return np.asarray((transmittance(np.exp(logs)) - aims) * share)

    def slopes(logs: Real) -> Real:
        moved = np.exp(logs + _DIFFERENCE * np.eye(layers))
        back = np.exp(logs - _DIFFERENCE * np.eye(layers))
        change = transmittance(moved) - transmittance(back)
        return np.asarray((change * share / (2 * _DIFFERENCE)).T)

    d = start
    if refine:
        from scipy.optimize import least_squares

        floor = np.log(np.minimum(_THINNEST_NM, start / 2))
        found = least_squares(
            residual, np.log(start), slopes, bounds=(floor, np.log(3 * start)), max_nfev=40
        )
        d = np.exp(found.x)
    before, after = transmittance(start), transmittance(d)
    label = name or f"interference {edge_nm:g} nm, {layers} layers"
    parts = [
        Layer(f"{label}: {i + 1}", m, float(x), coherent=True)
        for i, (m, x) in enumerate(zip(order, d, strict=True))
    ]
    if carrier is not None:
        parts.append(carrier)
    return InterferenceDesign(
        FilterStack(label, tuple(parts), max(h.grade, b.grade)),
        edge_nm,
        float(after[stopped].mean()),
        float(after[~stopped].mean()),
        float(before[stopped].mean()),
        float(before[~stopped].mean()),
        (
            f"filter {label}: a design for light that comes straight, {b.name} and {h.name}; at "
            "an angle its edge moves to shorter wavelengths",
        ),
    )


def _n(m: Material, lam_nm: float) -> float:
    return float(m.index(np.array([lam_nm]))[0].real)


def _centre(edge_nm: float, high: Material, low: Material) -> float:
    """Centre of the stop band: its half-width in wavenumber is (2/pi) asin((nH-nL)/(nH+nL))."""
    a, b = _n(high, edge_nm), _n(low, edge_nm)
    if not a > 1.05 * b:
        raise OptistackError(
            f"interference filter: {high.name} (n {a:.3g}) must have a clearly higher index than "
            f"{low.name} (n {b:.3g}) at {edge_nm:g} nm"
        )
    half = 2 / np.pi * np.arcsin((a - b) / (a + b))
    return float(edge_nm * (1 - half))
