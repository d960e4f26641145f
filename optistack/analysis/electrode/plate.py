"""The potential in a rectangle of resistive sheet: finite volumes in two dimensions.

Nodes lie on a product grid, finer towards finger and busbar; each has the control volume around it
and exchanges current with four neighbours, along the finger also through the finger. The scheme is
of second order, its matrix an M-matrix: Newton comes down on the solution from above. Two grids
give an extrapolated current, three its error.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.optimize import brentq
from scipy.sparse.linalg import splu

from optistack.analysis.electrode.cell import V_PER_MA_OHM, DiodeLaw
from optistack.analysis.electrode.geometry import Plate
from optistack.errors import OptistackError

Real = NDArray[np.float64]

COARSEST = 12
FINEST = 192
NEWTON_LIMIT = 200
# Newton ends when its step is below this part of n V_t: what is then left is the square of it.
NEWTON_STEP = 1e-6
# Up to this many nodes in a row a banded factorisation is the quicker one.
BANDED_UP_TO = 64
# Decay lengths that the first half of the nodes resolve.
GRADING = 10.0


@dataclass(frozen=True, eq=False)
class PlateSolution:
    """Currents per area of the plate at the voltages asked for.

    Attributes
    ----------
    current, slope, error, balance : (voltage,) arrays
        As in `line.LineSolution`; the current is extrapolated from two grids.
    """

    current: Real
    slope: Real
    error: Real
    balance: Real


def solve_plate(
    law: DiodeLaw, plate: Plate, sheet_resistance_ohm_sq: float, v_app: Real, *, rtol: float = 1e-5
) -> PlateSolution:
    """Solve a plate at some voltages, to ``rtol`` of the current (see `line.solve_line`).

    Parameters
    ----------
    law : DiodeLaw
        One lane.
    plate : Plate
    sheet_resistance_ohm_sq : float
    v_app : (voltage,) array

    Raises
    ------
    OptistackError
        When Newton's iteration does not end.
    """
    out = PlateSolution(*(np.zeros(len(v_app)) for _ in range(4)))
    going = np.arange(len(v_app))
    n = COARSEST
    coarse = _Grid(law, plate, sheet_resistance_ohm_sq, n).solve(law, v_app, None)
    before: Real | None = None
    while len(going):
        n *= 2
        fine = _Grid(law, plate, sheet_resistance_ohm_sq, n).solve(law, v_app[going], coarse)
        current = (4.0 * fine.current - coarse.current) / 3.0
        scale = np.maximum(np.abs(current), law.diode_voltage * fine.slope)
        # What is extrapolated is of fourth order: a change is 15 times the error that it leaves.
        # Twice that is taken; without a third grid, the whole extrapolation.
        error = (
            np.abs(current - fine.current)
            if before is None
            else np.abs(current - before) * 2.0 / 15.0
        )
        done = (error <= rtol * scale) | (n >= FINEST)
        at = going[done]
        out.current[at], out.slope[at] = current[done], fine.slope[done]
        out.error[at], out.balance[at] = error[done], fine.balance[done]
        going, before, coarse = going[~done], current[~done], fine.take(~done)
    return out


def lumped_resistance(plate: Plate, sheet_resistance_ohm_sq: float) -> float:
    """Lumped resistance with the loss of the plate at uniform current [ohm cm2]."""
    if sheet_resistance_ohm_sq == 0 and plate.finger_ohm_per_cm == 0:
        return 0.0
    values = []
    for n in (24, 48):
        grid = _Grid(None, plate, max(sheet_resistance_ohm_sq, 1e-12), n)
        volume = grid.volume[grid.free]
        drop = splu(grid.matrix.tocsc()).solve(volume)
        # The lit part carries the current of the whole area.
        lit = plate.width_cm * plate.height_cm
        values.append(float(volume @ drop) * plate.area_cm2 / lit**2)
    return max(sheet_resistance_ohm_sq, 1e-12) * (4.0 * values[1] - values[0]) / 3.0


def largest_drop_cm2(plate: Plate) -> float:
    """Voltage at the farthest point at uniform current, over R_sq and current density [cm2]."""
    values = []
    for n in (24, 48):
        grid = _Grid(None, replace(plate, finger_ohm_per_cm=0.0), 1.0, n)
        values.append(float(splu(grid.matrix.tocsc()).solve(grid.volume[grid.free]).max()))
    return (4.0 * values[1] - values[0]) / 3.0


@dataclass(frozen=True, eq=False)
class _Solved:
    current: Real
    slope: Real
    balance: Real
    x_cm: Real
    y_cm: Real
    drop_v: Real

    def take(self, some: NDArray[np.bool_]) -> _Solved:
        """Some of the voltages."""
        return replace(
            self,
            current=self.current[some],
            slope=self.slope[some],
            balance=self.balance[some],
            drop_v=self.drop_v[some],
        )


class _Grid:
    """Matrix of sheet conductances times R_sq, and volumes."""

    def __init__(self, law: DiodeLaw | None, plate: Plate, r_sq: float, n: int):
        self.plate = plate
        self.kappa = V_PER_MA_OHM * r_sq
        decay = np.inf
        if law is not None and r_sq > 0:
            conductance = law.current(law.zero_current_v[None])[1][0, 0]
            decay = 1.0 / np.sqrt(self.kappa * conductance)
        self.x = _graded(plate.width_cm, GRADING * decay, n)
        self.y = _graded(plate.height_cm, GRADING * decay, n)
        dx, dy = _widths(self.x), _widths(self.y)
        self.volume = np.outer(dx, dy).ravel()
        dark = np.zeros((n + 1, n + 1))
        dark[0] = plate.dark_width_cm * dy
        self.dark = dark.ravel()
        along_x = dy[None, :] / np.diff(self.x)[:, None]
        along_y = dx[:, None] / np.diff(self.y)[None, :]
        ideal = plate.finger_ohm_per_cm == 0
        if not ideal:
            along_y[0] += r_sq / (2.0 * plate.finger_ohm_per_cm) / np.diff(self.y)
        fixed = np.zeros((n + 1, n + 1), dtype=bool)
        fixed[:, 0] = True
        fixed[0] |= ideal
        self.free, self.fixed = np.flatnonzero(~fixed), np.flatnonzero(fixed)
        number = np.arange((n + 1) ** 2).reshape(n + 1, n + 1)
        left = np.concatenate([number[:-1].ravel(), number[:, :-1].ravel()])
        right = np.concatenate([number[1:].ravel(), number[:, 1:].ravel()])
        value = np.concatenate([along_x.ravel(), along_y.ravel()])
        whole = sp.coo_array(
            (
                np.concatenate([value, value, -value, -value]),
                (
                    np.concatenate([left, right, left, right]),
                    np.concatenate([left, right, right, left]),
                ),
            ),
            shape=(number.size, number.size),
        ).tocsr()
        self.whole = whole
        self.matrix = whole[self.free][:, self.free].tocsr()
        self.band: Real | None = None
        if n <= BANDED_UP_TO:
            entries = self.matrix.tocoo()
            row, column = entries.row, entries.col
            lower = row >= column
            self.band = np.zeros((int((row - column).max()) + 1, len(self.free)))
            self.band[(row - column)[lower], column[lower]] = entries.data[lower]

    def _factorised(self, diagonal: Real) -> Callable[[Real], Real]:
        """Solver for the matrix with something added to its diagonal."""
        if self.band is not None:
            band = self.band.copy()
            band[0] += diagonal
            factor = cholesky_banded(band, lower=True, overwrite_ab=True, check_finite=False)
            return lambda rhs: np.asarray(cho_solve_banded((factor, True), rhs, check_finite=False))
        lu = splu(
            (self.matrix + sp.diags_array(diagonal)).tocsc(),
            permc_spec="MMD_AT_PLUS_A",
            options={"SymmetricMode": True},
            diag_pivot_thresh=0.0,
        )
        return lambda rhs: np.asarray(lu.solve(rhs))

    def solve(self, law: DiodeLaw, v_app: Real, guess: _Solved | None) -> _Solved:
        """All voltages, the highest first: its solution bounds the next from above."""
        n_nodes = len(self.volume)
        current, slope, balance = (np.zeros(len(v_app)) for _ in range(3))
        drops = np.zeros((len(v_app), n_nodes))
        dark = law.dark()
        zero = float(law.zero_current_v[0])
        last = np.full(n_nodes, max(zero, float(v_app.max())))
        for at in np.argsort(-v_app):
            v = float(v_app[at])
            # The drop to the contact keeps the digits that a good finger needs.
            drop = last - v if guess is None else _onto(guess, int(at), self.x, self.y)
            drop[self.fixed] = 0.0
            solve, given, lost = self._newton(law, dark, drop, v)
            response = np.ones(n_nodes)
            pull = -np.asarray(self.whole @ _indicator(n_nodes, self.fixed))[self.free]
            response[self.free] = solve(pull)
            at_bar, at_bar_slope, _ = dark.current(np.array([[v]]))
            total = given.sum() + self.plate.dark_area_cm2 * at_bar[0, 0]
            flux = float((self.whole @ drop)[self.fixed].sum())
            inner = given[self.free].sum()
            current[at] = total / self.plate.area_cm2
            slope[at] = (
                float(lost @ response) + self.plate.dark_area_cm2 * at_bar_slope[0, 0]
            ) / self.plate.area_cm2
            balance[at] = (
                (-flux / self.kappa - inner) / abs(total) if self.kappa > 0 and total else 0.0
            )
            drops[at] = drop
            last = drop + v
        shape = (len(v_app), len(self.x), len(self.y))
        return _Solved(current, slope, balance, self.x, self.y, drops.reshape(shape))

    def _newton(
        self, law: DiodeLaw, dark: DiodeLaw, drop: Real, v: float
    ) -> tuple[Callable[[Real], Real], Real, Real]:
        """Bring a drop to the solution, in place; linear solver, current and conductance there."""
        free = self.free
        has_dark = bool(self.dark.any())
        for _ in range(NEWTON_LIMIT):
            given, lost = self._sources(law, dark, v + drop, has_dark)
            residual = self.matrix @ drop[free] - self.kappa * given[free]
            solve = self._factorised(self.kappa * lost[free])
            step = solve(-residual)
            drop[free] += step
            if np.abs(step).max() <= NEWTON_STEP * law.diode_voltage[0]:
                given, lost = self._sources(law, dark, v + drop, has_dark)
                return solve, given, lost
        raise OptistackError(
            f"the potential in the sheet was not found at {v:g} V. Ask for a smaller voltage"
        )

    def _sources(
        self, law: DiodeLaw, dark: DiodeLaw, potential: Real, has_dark: bool
    ) -> tuple[Real, Real]:
        """Current and conductance of every node."""
        j, g, _ = law.current(potential[:, None])
        given, lost = self.volume * j[:, 0], self.volume * g[:, 0]
        if has_dark:
            j, g, _ = dark.current(potential[:, None])
            given, lost = given + self.dark * j[:, 0], lost + self.dark * g[:, 0]
        return given, lost


def _indicator(n: int, at: NDArray[np.intp]) -> Real:
    out = np.zeros(n)
    out[at] = 1.0
    return out


def _graded(length: float, near: float, n: int) -> Real:
    """Nodes from 0 to ``length``, spaced as on a grid of length ``near`` where they begin."""
    s = np.linspace(0.0, 1.0, n + 1)
    if near >= length:
        return length * s
    beta = brentq(lambda b: b / np.sinh(b) - near / length, 1e-6, 50.0)
    return np.asarray(length * np.sinh(beta * s) / np.sinh(beta))


def _widths(nodes: Real) -> Real:
    out = np.zeros_like(nodes)
    out[1:] += np.diff(nodes) / 2
    out[:-1] += np.diff(nodes) / 2
    return out


def _onto(guess: _Solved, at: int, x: Real, y: Real) -> Real:
    """A coarser solution on this grid."""
    spline = RectBivariateSpline(guess.x_cm, guess.y_cm, guess.drop_v[at])
    return np.asarray(spline(x, y)).ravel()
