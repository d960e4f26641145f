"""Cells under their sheets, row by row: the current at any voltage, and the points that matter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.analysis.electrode.cell import V_PER_MA_OHM, Cell, DiodeLaw
from optistack.analysis.electrode.common import read_only
from optistack.analysis.electrode.geometry import (
    Geometry,
    OneEdge,
    ParallelFingers,
    Strip,
    total_sheet_ohm_sq,
)
from optistack.analysis.electrode.line import LineSolution, solve_line, solve_opposed
from optistack.analysis.electrode.plate import solve_plate
from optistack.errors import OptistackError
from optistack.plot_axes import axes

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

RTOL = 1e-6
# Two dimensions cost a linear solve per voltage and grid.
RTOL_PLATE = 1e-5
# Where the far end of a table lies, over the cell's own open-circuit voltage.
TABLE_END = 1.05
# Table of a strip's curve under a resistive finger: points per n V_t.
TABLE_DENSITY = 10.0
# Where the point of most power is first looked for, over the open-circuit voltage.
_SEARCH = np.array([0.3, 0.45, 0.58, 0.69, 0.78, 0.86, 0.93, 0.985])
# d(JV)/dV over the slope of J and n V_t, below which the top of a parabola is taken. Its bend is
# known to some 20 %: the top then lies within 1e-3 n V_t of the point of most power, and the power
# is right to 1e-7.
_NEAR_TOP = 1e-2


@dataclass(frozen=True, eq=False)
class OperatingPoints:
    """What a J-V curve comes down to, for every sheet resistance.

    Attributes
    ----------
    sheet_resistance_ohm_sq : (r,) array
    jsc_ma_cm2, voc_v, fill_factor, power_mw_cm2, vmp_v, jmp_ma_cm2 : (r,) arrays
        Per total area.
    relative_error : (r,) array
        Estimated discretisation error of the power.
    notes : tuple of str
    """

    sheet_resistance_ohm_sq: Real
    jsc_ma_cm2: Real
    voc_v: Real
    fill_factor: Real
    power_mw_cm2: Real
    vmp_v: Real
    jmp_ma_cm2: Real
    relative_error: Real
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        read_only(self)

    def take(self, rows: slice) -> OperatingPoints:
        """Some of the rows."""
        return replace(self, **{name: getattr(self, name)[rows] for name in self._columns})

    @property
    def _columns(self) -> list[str]:
        return [name for name in self.__dataclass_fields__ if name != "notes"]

    def to_frame(self) -> pd.DataFrame:
        """One row per sheet resistance."""
        import pandas as pd

        return pd.DataFrame({name: getattr(self, name) for name in self._columns})

    def plot(self, ax: Any = None) -> Any:
        """Fill factor against sheet resistance, on a matplotlib Axes."""
        ax = axes(ax)
        order = np.argsort(self.sheet_resistance_ohm_sq)
        ax.plot(self.sheet_resistance_ohm_sq[order], self.fill_factor[order])
        ax.set_xscale("log")
        ax.set_ylim(0.0, 1.0)
        ax.set_xlabel("sheet resistance (ohm/sq)")
        ax.set_ylabel("fill factor")
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


class Device:
    """Cells (one per row) with their sheet resistances, and the current at any voltage.

    Parameters
    ----------
    law : DiodeLaw
        One lane per row.
    geometry : Geometry
    sheet_resistance_ohm_sq : (row,) array
    rtol : float
    pitch_mm : (row,) array, optional
        Pitches of parallel fingers, where they differ from row to row.
    """

    def __init__(
        self,
        law: DiodeLaw,
        geometry: Geometry,
        sheet_resistance_ohm_sq: Real,
        rtol: float = RTOL,
        pitch_mm: Real | None = None,
    ):
        self.law = law
        self.geometry = geometry
        self.r_sq = sheet_resistance_ohm_sq
        self.rtol = rtol
        n = len(sheet_resistance_ohm_sq)
        self.reach = np.full(n, geometry.reach_mm)
        self.lit = np.full(n, geometry.lit_share)
        self.period = np.full(n, getattr(geometry, "period_mm", np.nan))
        if pitch_mm is not None:
            different, which = np.unique(pitch_mm, return_inverse=True)
            each = [replace_pitch(geometry, float(p)) for p in different]
            self.reach = np.array([g.reach_mm for g in each])[which]
            self.lit = np.array([g.lit_share for g in each])[which]
            self.period = np.array([g.period_mm for g in each])[which]
        self._table: tuple[TableLaw, Real] | None = None

    @classmethod
    def of(cls, cell: Cell, geometry: Geometry, r_sq: ArrayLike, rtol: float = RTOL) -> Device:
        """One cell under several sheet resistances."""
        checked = checked_resistance(r_sq)
        every = np.zeros(len(checked), dtype=np.intp)
        return cls(cell.law().take(every), geometry, checked, rtol)

    def take(self, rows: NDArray[np.intp]) -> Device:
        """Some of the rows."""
        out = Device(self.law.take(rows), self.geometry, self.r_sq[rows], self.rtol)
        out.reach, out.lit, out.period = self.reach[rows], self.lit[rows], self.period[rows]
        return out

    def current(self, voltage: Real, rtol: float | None = None) -> tuple[Real, Real, Real]:
        """J, -dJ/dV and the error estimate of J, each (row, v), at voltages (row, v)."""
        rtol = self.rtol if rtol is None else rtol
        if isinstance(self.geometry, ParallelFingers | OneEdge):
            return self._flat(self.geometry, voltage, rtol, False)[:3]
        plate, out = self.geometry.plate(), []
        for row, r in enumerate(self.r_sq):
            solved = solve_plate(
                self.law.take(np.array([row])),
                plate,
                total_sheet_ohm_sq(self.geometry, float(r)),
                voltage[row],
                rtol=max(rtol, RTOL_PLATE),
            )
            out.append((solved.current, solved.slope, solved.error))
        current, slope, error = (np.array(x) for x in zip(*out, strict=True))
        return current, slope, error

    def sensitivity(self, voltage: Real, rtol: float | None = None) -> tuple[Real, Real]:
        """J (row, v), and its derivatives (p, row, v) by `LAW_PARAMETERS` and ln R_sq."""
        geometry = require_strip(self.geometry)
        rtol = self.rtol if rtol is None else rtol
        current, _, _, by_parameter = self._flat(geometry, voltage, rtol, True)
        return current, by_parameter

    def line(self, rows: NDArray[np.intp], voltage: Real, **options: Any) -> LineSolution:
        """The strip's own solution; lanes are (row, voltage) pairs."""
        geometry = require_strip(self.geometry)
        way2 = V_PER_MA_OHM * (self.reach[rows] * 0.1) ** 2
        law, front = self.law.take(rows), way2 * self.r_sq[rows]
        counter = geometry.counter
        if counter is None:
            return solve_line(law, front, voltage, **options)
        other = way2 * counter.sheet_resistance_ohm_sq
        if counter.contact == "same":
            return solve_line(law, front + other, voltage, **options)
        return solve_opposed(law, front, other, voltage, **options)

    def _flat(
        self, geometry: Strip, voltage: Real, rtol: float, sensitivities: bool
    ) -> tuple[Real, Real, Real, Real]:
        """J, -dJ/dV, the error of J, and dJ/dp (no rows unless asked for)."""
        if geometry.finger_ohm_per_cm > 0:
            return self._with_finger(geometry, voltage, rtol, sensitivities)
        return self._strip(geometry, voltage, rtol, sensitivities)

    def _strip(
        self, geometry: Strip, voltage: Real, rtol: float, sensitivities: bool
    ) -> tuple[Real, Real, Real, Real]:
        rows = np.repeat(np.arange(len(self.r_sq)), voltage.shape[1])
        solved = self.line(rows, voltage.ravel(), rtol=rtol, sensitivities=sensitivities)
        lit = self.lit[:, None]
        shape = voltage.shape
        current, slope, error = (
            lit * x.reshape(shape) for x in (solved.current, solved.slope, solved.error)
        )
        by_parameter = lit * solved.by_parameter.reshape(-1, *shape)
        if sensitivities and geometry.counter is not None and geometry.counter.contact == "same":
            both = self.r_sq + geometry.counter.sheet_resistance_ohm_sq
            by_parameter[-1] *= (self.r_sq / np.where(both > 0, both, 1.0))[:, None]
        if np.any(lit < 1.0) and geometry.active_under_finger:
            law = self.law.dark()
            dark, dark_slope, at = law.current(voltage.T)
            current += (1.0 - lit) * dark.T
            slope += (1.0 - lit) * dark_slope.T
            if sensitivities:
                by_parameter[:-1] += (1.0 - lit) * law.by_parameter(at).transpose(0, 2, 1)
        return current, slope, error, by_parameter

    def _with_finger(
        self, geometry: Strip, voltage: Real, rtol: float, sensitivities: bool
    ) -> tuple[Real, Real, Real, Real]:
        """The finger is a line whose cell is the strip: its current at every voltage, tabulated."""
        table, table_error = self._finger_table(geometry, voltage, min(rtol, RTOL), sensitivities)
        length = (geometry.finger_length_mm or 0.0) * 0.1
        k = V_PER_MA_OHM * geometry.finger_ohm_per_cm * self.period * 0.1 * length**2
        rows = np.repeat(np.arange(len(self.r_sq)), voltage.shape[1])
        solved = solve_line(
            table.take(rows), k[rows], voltage.ravel(), rtol=rtol, sensitivities=sensitivities
        )
        shape = voltage.shape
        place = (voltage - table.low[:, None]) / table.width[:, None]
        below = np.minimum(place.astype(np.intp), table_error.shape[1] - 2)
        row = np.arange(len(self.r_sq))[:, None]
        from_table = np.maximum(table_error[row, below], table_error[row, below + 1])
        return (
            solved.current.reshape(shape),
            solved.slope.reshape(shape),
            solved.error.reshape(shape) + from_table,
            # The strip's parameters; the last row is by the finger's own resistance.
            solved.by_parameter[:-1].reshape(-1, *shape),
        )

    def _finger_table(
        self, geometry: Strip, voltage: Real, rtol: float, sensitivities: bool
    ) -> tuple[TableLaw, Real]:
        """The strip's curve on even voltages, made once for the range that is asked for."""
        a = self.law.diode_voltage
        low = np.minimum(voltage.min(axis=1), 0.0) - a / 2
        high = np.maximum(voltage.max(axis=1), TABLE_END * self.law.zero_current_v) + a / 2
        if self._table is not None:
            known, _ = self._table
            end = known.low + known.width * (known.values.shape[1] - 1)
            wide = np.all(known.low <= low) and np.all(end >= high)
            if wide and (known.derivatives.shape[-1] or not sensitivities):
                return self._table
        n = int(np.ceil(TABLE_DENSITY * np.max((high - low) / a))) + 1
        grid = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, n)
        current, slope, error, by_parameter = self._strip(geometry, grid, rtol / 4, sensitivities)
        width = (high - low) / (n - 1)
        self._table = TableLaw.of(low, width, a, current, slope, by_parameter), error
        return self._table

    def points(self) -> OperatingPoints:
        """Short circuit, open circuit and the point of most power of every row."""
        n = len(self.r_sq)
        voc = self._open_circuit()
        grid = np.concatenate([np.zeros((n, 1)), voc[:, None] * _SEARCH], axis=1)
        current, slope, _ = self.current(grid, max(self.rtol, 1e-2))
        # d(JV)/dV falls from Jsc to below zero at open circuit.
        rise = current - grid * slope
        # The last sample is taken from where it is still positive.
        at = np.minimum((rise > 0).cumprod(axis=1).sum(axis=1) - 1, grid.shape[1] - 2)
        row = np.arange(n)
        low, high = grid[row, at], grid[row, at + 1]
        vmp, f_rate = _cubic_maximum(
            low, high, current[row, at], current[row, at + 1], slope[row, at], slope[row, at + 1]
        )
        jsc = np.zeros(n)
        f_before, v_before = np.full(n, np.nan), vmp
        for trial in range(20):
            # The first round also brings the short-circuit current.
            asked = vmp[:, None] if trial else np.stack([vmp, np.zeros(n)], axis=1)
            j, s, e = self.current(asked)
            if not trial:
                jsc = j[:, 1]
            jmp, slope_mp, error_mp = j[:, 0], s[:, 0], e[:, 0]
            f = jmp - vmp * slope_mp
            upper = f <= 0
            with np.errstate(divide="ignore", invalid="ignore"):
                rate = (f - f_before) / (vmp - v_before)
            rate = np.where(np.isfinite(rate) & (rate < 0), rate, f_rate)
            # J bends down: what f loses per volt is at least this.
            rate = np.minimum(rate, -slope_mp)
            step = -f / rate
            if np.all(np.abs(f) <= _NEAR_TOP * self.law.diode_voltage * slope_mp):
                break
            low, high = np.where(upper, low, vmp), np.where(upper, vmp, high)
            f_rate, f_before, v_before = rate, f, vmp
            vmp = vmp + step
            vmp = np.where((vmp > low) & (vmp < high), vmp, (low + high) / 2)
        power = vmp * jmp + step * f / 2
        vmp = vmp + step
        return OperatingPoints(
            self.r_sq, jsc, voc, power / (jsc * voc), power, vmp, power / vmp, error_mp / jmp
        )

    def _open_circuit(self) -> Real:
        """J is concave and falls: Newton, from where a diode without sheet and shunt would be."""
        voc = np.array(self.law.zero_current_v)
        if np.all(self.lit == 1.0):
            return voc
        if getattr(self.geometry, "active_under_finger", True):
            voc = voc + self.law.diode_voltage * np.log(self.lit)
        for _ in range(30):
            current, slope, _ = (x[:, 0] for x in self.current(voc[:, None]))
            step = current / slope
            voc = voc + step
            # What is left after a step is half its square over the diode voltage.
            if np.all(np.abs(step) <= 1e-5 * self.law.diode_voltage):
                break
        return voc


def _cubic_maximum(
    low: Real, high: Real, j_low: Real, j_high: Real, slope_low: Real, slope_high: Real
) -> tuple[Real, Real]:
    """Voltage of most power between two voltages, on the cubic through both currents.

    And the second derivative of the power there.
    """
    width = high - low
    d0, d1 = -slope_low * width, -slope_high * width
    bend = d0 + d1 - 2.0 * (j_high - j_low)
    curve = 3.0 * (j_high - j_low) - 2.0 * d0 - d1
    # d(JV)/dt over the width, in powers of t; halved until the voltage is known to 1e-9 of itself.
    start = low / width
    constant = j_low + start * d0
    linear = 2.0 * (d0 + start * curve)
    square = 3.0 * (curve + start * bend)
    t = np.full_like(low, 0.5)
    for half in 0.5 ** np.arange(2, 32):
        t += np.copysign(half, constant + t * (linear + t * (square + t * 4.0 * bend)))
    fall = d0 + t * (2.0 * curve + t * 3.0 * bend)
    turn = 2.0 * fall + (low / width + t) * (2.0 * curve + 6.0 * t * bend)
    return low + width * t, turn / width


@dataclass(frozen=True, eq=False)
class TableLaw:
    """A current law tabulated on even voltages with its slope, cubic in between."""

    low: Real
    width: Real
    diode_voltage: Real
    zero_current_v: Real
    row: NDArray[np.intp]
    values: Real
    slopes: Real
    derivatives: Real

    @classmethod
    def of(
        cls, low: Real, width: Real, diode_voltage: Real, values: Real, slopes: Real, by: Real
    ) -> TableLaw:
        """From currents and slopes (row, v) and derivatives by parameters (p, row, v)."""
        row = np.arange(len(low))
        table = cls(low, width, diode_voltage, low, row, values, slopes, np.moveaxis(by, 0, -1))
        # Where the table changes sign, refined on its cubic.
        first = (values > 0).cumprod(axis=1).sum(axis=1)
        first = np.minimum(np.maximum(first, 1), values.shape[1] - 1)
        v = low + width * first
        for _ in range(30):
            current, slope, _ = table.current(v[None])
            step = (current / slope)[0]
            v = v + step
            if np.all(np.abs(step) <= 1e-13):
                break
        return replace(table, zero_current_v=v)

    def take(self, lanes: NDArray[np.intp]) -> TableLaw:
        # The table itself is shared.
        names = ("low", "width", "diode_voltage", "zero_current_v", "row")
        return replace(self, **{name: getattr(self, name)[lanes] for name in names})

    def current(self, voltage: Real, guess: Real | None = None) -> tuple[Real, Real, Real]:
        del guess  # a table has nothing to iterate
        place = (voltage - self.low) / self.width
        at = np.minimum(np.maximum(np.floor(place), 0.0), self.values.shape[1] - 2.0)
        t = place - at
        index = at.astype(np.intp)
        # One flat index is quicker than two.
        index += self.row * self.values.shape[1]
        y0, y1 = self.values.take(index), self.values.take(index + 1)
        d0 = -self.slopes.take(index) * self.width
        d1 = -self.slopes.take(index + 1) * self.width
        bend = d0 + d1 - 2.0 * (y1 - y0)
        curve = 3.0 * (y1 - y0) - 2.0 * d0 - d1
        current = y0 + t * (d0 + t * (curve + t * bend))
        slope = -(d0 + t * (2.0 * curve + t * 3.0 * bend)) / self.width
        return current, slope, voltage

    def by_parameter(self, guess: Real) -> Real:
        """Cubic through four entries."""
        place = (guess - self.low) / self.width
        at = np.minimum(np.maximum(np.floor(place), 1.0), self.values.shape[1] - 3.0)
        t = place - at
        index = at.astype(np.intp)
        weights = (
            -t * (t - 1.0) * (t - 2.0) / 6.0,
            (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
            -(t + 1.0) * t * (t - 2.0) / 2.0,
            (t + 1.0) * t * (t - 1.0) / 6.0,
        )
        out = sum(
            w[..., None] * self.derivatives[self.row, index + i]
            for i, w in zip((-1, 0, 1, 2), weights, strict=True)
        )
        return np.moveaxis(np.asarray(out), -1, 0)


def replace_pitch(geometry: Geometry, pitch_mm: float) -> ParallelFingers:
    """The same fingers at another pitch."""
    if not isinstance(geometry, ParallelFingers):
        raise OptistackError("only parallel fingers have a pitch")
    return replace(geometry, pitch_mm=pitch_mm)


def checked_resistance(values: ArrayLike) -> Real:
    """Sheet resistances as an array (r,), or a refusal."""
    out = np.atleast_1d(np.array(values, dtype=float))
    if out.ndim != 1 or not len(out) or not np.all(np.isfinite(out)) or np.any(out < 0):
        bad = [x for x in np.ravel(out) if not (np.isfinite(x) and x >= 0)]
        raise OptistackError(
            "sheet resistance must be a number of ohm/sq, 0 or more, or a list of them"
            + (f", not {bad[0]:g}" if bad else "")
        )
    return out


def require_strip(geometry: Geometry) -> Strip:
    """Refuse geometries in two dimensions."""
    if not isinstance(geometry, ParallelFingers | OneEdge):
        raise OptistackError(
            f"{type(geometry).__name__} has no single profile: use ParallelFingers or OneEdge"
        )
    return geometry
