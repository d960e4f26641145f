"""Power against sheet resistance: what is lost, how steeply, and how far the collapse is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator

from optistack.analysis.electrode.cell import V_PER_MA_OHM, Cell
from optistack.analysis.electrode.common import read_only
from optistack.analysis.electrode.curves import (
    geometry_notes,
    lumped_resistance_ohm_cm2,
    operating_points,
)
from optistack.analysis.electrode.device import Device, OperatingPoints, checked_resistance
from optistack.analysis.electrode.geometry import Geometry, OneEdge, ParallelFingers
from optistack.analysis.electrode.plate import largest_drop_cm2
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.value import short

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

LEVELS = (0.95, 0.8, 0.5)
# The first-order loss is called wrong where it is off by this part of the start power.
ONE_POINT = 0.01
# A device that has more than this share left looks stable; with fewer doublings of its sheet
# resistance left before T80 than DOUBLINGS it is close to the knee. Some 4 % are lost two doublings
# before T80, 10 % one doubling before: a loss proportional to R_sq doubles with it.
LOOKS_STABLE = 0.9
DOUBLINGS = 2.0
PLATE_NOTE = (
    "in two dimensions levels, elasticity and first-order limits are read from a spline through "
    "computed powers (1e-4 of the power)"
)
# Sheet resistances searched, over the one at which collection collapses, and how many; in two
# dimensions powers between them are interpolated.
_SEARCH, _SEARCH_POINTS = (1e-5, 1e4), 64
_SEARCH_PLATE, _SEARCH_POINTS_PLATE = (1e-3, 3e2), 32


class FirstOrder(NamedTuple):
    """Where the first-order loss R_sq S^2 J_mp / (12 V_mp) stops telling the truth.

    Attributes
    ----------
    off_by_a_point_ohm_sq : float
        It errs by one point of the start power from here on.
    side : "optimistic" or "pessimistic"
        On which side it errs there.
    turns_pessimistic_ohm_sq : float
        nan when it is never optimistic.
    all_lost_ohm_sq : float
        It says that all power is lost.
    power_share_there : float
        Share of the start power that is really left there.
    """

    off_by_a_point_ohm_sq: float
    side: Literal["optimistic", "pessimistic"]
    turns_pessimistic_ohm_sq: float
    all_lost_ohm_sq: float
    power_share_there: float


class Knee(NamedTuple):
    """How close a device with some sheet resistance is to the steep part of its curve.

    Attributes
    ----------
    sheet_resistance_ohm_sq : float
    power_share : float
        Of the start power.
    elasticity : float
        d ln P / d ln R_sq.
    doublings_left : mapping of level to float
        Doublings of R_sq before that level; negative when it is passed.
    collapse_ohm_sq : float
    warning : str
        Empty when there is nothing to warn of.
    """

    sheet_resistance_ohm_sq: float
    power_share: float
    elasticity: float
    doublings_left: Mapping[float, float]
    collapse_ohm_sq: float
    warning: str


@dataclass(frozen=True, eq=False)
class PowerMap:
    """Power of a cell against the sheet resistance of its electrode.

    Attributes
    ----------
    cell : Cell
    geometry : Geometry
    points : OperatingPoints
        For the sheet resistances asked for.
    start : OperatingPoints
        One row: what "start power" means here.
    power_share : (r,) array
        Of the start power.
    first_order_loss : (r,) array
        First-order loss of the start power, unbounded.
    elasticity : (r,) array
        d ln P / d ln R_sq.
    level_ohm_sq : mapping of level to float
        Sheet resistance at which that share of the start power is left.
    collapse_ohm_sq : float
        Sheet resistance at which the current of one gap no longer reaches the contact.
    collapse_power_share : float
    first_order : FirstOrder
    curve : PowerCurve
        Power at any other sheet resistance.
    notes : tuple of str
    """

    cell: Cell
    geometry: Geometry
    points: OperatingPoints
    start: OperatingPoints
    power_share: Real
    first_order_loss: Real
    elasticity: Real
    level_ohm_sq: Mapping[float, float]
    collapse_ohm_sq: float
    collapse_power_share: float
    first_order: FirstOrder
    curve: PowerCurve
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        read_only(self)

    @property
    def start_name(self) -> str:
        """What shares refer to."""
        return f"power at {short(self.start.sheet_resistance_ohm_sq[0])} ohm/sq"

    def knee(self, sheet_resistance_ohm_sq: float) -> Knee:
        """Where a device stands on the curve."""
        at = float(checked_resistance(sheet_resistance_ohm_sq)[0])
        share = float(self.curve(np.array([at]))[0] / self.start.power_mw_cm2[0])
        slope = float(self.curve.elasticity(np.array([at]))[0])
        return knee_of(at, share, slope, self.level_ohm_sq, self.collapse_ohm_sq, self.start_name)

    def summary(self) -> list[str]:
        """Plain sentences: levels first, then the collapse, then where the formula fails."""
        out = [
            f"{100 * level:.0f} % of the {self.start_name} is left at {short(r)} ohm/sq."
            for level, r in sorted(self.level_ohm_sq.items(), reverse=True)
        ]
        out.append(
            f"Current collection collapses near {short(self.collapse_ohm_sq)} ohm/sq; "
            f"{100 * self.collapse_power_share:.0f} % of that power is left there."
        )
        f = self.first_order
        if np.isfinite(f.off_by_a_point_ohm_sq):
            out.append(
                f"The first-order loss is off by one point of that power at "
                f"{short(f.off_by_a_point_ohm_sq)} ohm/sq ({f.side}) and passes 100 % at "
                f"{short(f.all_lost_ohm_sq)} ohm/sq, where {100 * f.power_share_there:.0f} % is "
                "left."
            )
        return out

    def to_frame(self) -> pd.DataFrame:
        """One row per sheet resistance."""
        frame = self.points.to_frame()
        frame["power_share"] = self.power_share
        frame["first_order_loss"] = self.first_order_loss
        frame["elasticity"] = self.elasticity
        return frame

    def plot(
        self,
        ax: Any = None,
        *,
        measured_ohm_sq: ArrayLike | None = None,
        measured_power_share: ArrayLike | None = None,
    ) -> Any:
        """Power share against sheet resistance, with levels, collapse and measured points.

        Measured sheet resistances without a measured power lie on the curve.
        """
        ax = axes(ax)
        r = self.points.sheet_resistance_ohm_sq
        order = np.argsort(r)
        ax.plot(r[order], self.power_share[order], label="distributed cell")
        linear = 1.0 - self.first_order_loss[order]
        ax.plot(r[order], np.where(linear >= 0, linear, np.nan), "--", label="first-order loss")
        for level, at in self.level_ohm_sq.items():
            ax.plot([at, at], [0.0, level], color="0.6", linewidth=0.8)
            ax.annotate(f"{100 * level:.0f} %", (at, level))
        ax.axvline(self.collapse_ohm_sq, color="0.4", linestyle=":", label="collection collapses")
        if measured_ohm_sq is not None:
            x = checked_resistance(measured_ohm_sq)
            if measured_power_share is None:
                y = self.curve(x) / self.start.power_mw_cm2[0]
            else:
                y = np.asarray(measured_power_share, dtype=float)
            ax.plot(x, y, "o", label="measured")
            limit = self.level_ohm_sq.get(0.8)
            if limit is not None and x.max() < limit:
                ax.axvspan(x.max(), limit, alpha=0.15, label="margin to 80 %")
        ax.set_xscale("log")
        ax.set_ylim(0.0, 1.05)
        ax.set_xlabel("sheet resistance (ohm/sq)")
        ax.set_ylabel(f"share of the {self.start_name}")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        lines = "".join(f"<li>{line}</li>" for line in self.summary())
        return f"<ul>{lines}</ul>" + str(self.to_frame().to_html(index=False))


def power_against_resistance(
    cell: Cell,
    geometry: Geometry,
    sheet_resistance_ohm_sq: ArrayLike,
    *,
    start_sheet_resistance_ohm_sq: float = 0.0,
    levels: Sequence[float] = LEVELS,
) -> PowerMap:
    """Map a sheet resistance to the power that is left, and say where the map turns steep.

    Parameters
    ----------
    cell : Cell
    geometry : Geometry
    sheet_resistance_ohm_sq : (r,) array_like
    start_sheet_resistance_ohm_sq : float
        Shares are of the power at this sheet resistance; 0 is a perfect sheet.
    levels : sequence of float
        Shares of the start power whose sheet resistance is looked for.

    Raises
    ------
    OptistackError
        A negative resistance, or a level that is no share.

    Notes
    -----
    The collapse, R_sq = 8 (Voc - n V_t) / (J_L S^2) between lines of pitch S, is where half the
    gap equals the collection length of an endless sheet, sqrt(2 (Voc - n V_t) / (R_sq J_L)), and
    where the whole photocurrent would raise the farthest point to Voc - n V_t; the latter holds in
    two dimensions too.

    Examples
    --------
    >>> cell = Cell(10.0, voc_v=0.7, ideality=1.5)
    >>> power = power_against_resistance(cell, ParallelFingers(pitch_mm=1), [1e3, 1e4])
    >>> {level: round(r) for level, r in power.level_ohm_sq.items()}
    {0.95: 3605, 0.8: 13697, 0.5: 44247}
    """
    checked = checked_resistance(sheet_resistance_ohm_sq)
    zero = float(checked_resistance(start_sheet_resistance_ohm_sq)[0])
    shares = checked_levels(levels)
    # In one batch, so that equal resistances share rounding.
    everything = operating_points(cell, geometry, np.concatenate([[zero], checked]))
    start, points = everything.take(slice(0, 1)), everything.take(slice(1, None))
    power = float(start.power_mw_cm2[0])
    curve = PowerCurve(cell, geometry)
    # In one batch, because grids cost more than the places on them.
    curve.compute(curve.scanned(zero), _first_order_grid(curve, zero), curve.collapse)
    at = resistance_at_power(curve, power * shares, zero)
    return PowerMap(
        cell=cell,
        geometry=geometry,
        points=points,
        start=start,
        power_share=points.power_mw_cm2 / power,
        first_order_loss=first_order_loss(geometry, checked, start),
        elasticity=curve.elasticity(checked, points),
        level_ohm_sq=dict(zip(shares.tolist(), at.tolist(), strict=True)),
        collapse_ohm_sq=curve.collapse,
        collapse_power_share=float(curve(np.array([curve.collapse]))[0] / power),
        first_order=_first_order(curve, start),
        notes=(
            *geometry_notes(cell, geometry, checked),
            *(() if curve.flat else (PLATE_NOTE,)),
        ),
        curve=curve,
    )


class PowerCurve:
    """Power of a cell at any sheet resistance; in two dimensions a spline through computed ones.

    What was computed once is remembered.

    Parameters
    ----------
    cell : Cell
    geometry : Geometry
    """

    def __init__(self, cell: Cell, geometry: Geometry):
        self.cell, self.geometry = cell, geometry
        self.flat = isinstance(geometry, ParallelFingers | OneEdge)
        self.collapse = collapse_ohm_sq(cell, geometry)
        self._spline: CubicSpline | None = None
        self._known: dict[float, float] = {}
        if not self.flat:
            low, high = _SEARCH_PLATE
            self._r = self.collapse * np.geomspace(low, high, _SEARCH_POINTS_PLATE)
            self._power = operating_points(cell, geometry, self._r).power_mw_cm2
            self._ideal = float(operating_points(cell, geometry, 0.0).power_mw_cm2[0])
            self._spline = CubicSpline(np.log(self._r), np.log(self._power))

    def __call__(self, r_sq: Real) -> Real:
        """Power [mW/cm2] at sheet resistances (r,) [ohm/sq]."""
        if self._spline is None:
            self.compute(r_sq)
            return np.array([self._known[r] for r in r_sq.tolist()])
        first = self._r[0]
        with np.errstate(divide="ignore"):
            inside = np.exp(self._spline(np.log(np.maximum(r_sq, first))))
        # Below the first one computed, losses of less than 1e-3 are proportional to R_sq.
        near = self._ideal + (self._power[0] - self._ideal) * r_sq / first
        return np.where(r_sq < first, near, inside)

    def compute(self, *r_sq: ArrayLike) -> None:
        """Powers that will be asked for, in one batch; nothing to do in two dimensions."""
        asked = np.unique(np.concatenate([np.ravel(r) for r in r_sq]))
        new = [r for r in asked.tolist() if r not in self._known]
        if self._spline is None and new:
            power = operating_points(self.cell, self.geometry, new).power_mw_cm2
            self._known.update(zip(new, power.tolist(), strict=True))

    def elasticity(self, r_sq: Real, points: OperatingPoints | None = None) -> Real:
        """d ln P / d ln R_sq at sheet resistances (r,), whose points may be known."""
        if self._spline is None:
            device = Device.of(self.cell, self.geometry, r_sq)
            at = device.points() if points is None else points
            # At the point of most power its voltage may move without changing the power.
            current, by_parameter = device.sensitivity(at.vmp_v[:, None])
            return np.asarray((by_parameter[-1] / current)[:, 0])
        first = self._r[0]
        inside = self._spline(np.log(np.maximum(r_sq, first)), 1)
        near = (self._power[0] - self._ideal) * r_sq / first / self(r_sq)
        return np.where(r_sq < first, near, inside)

    def scanned(self, start_ohm_sq: float) -> Real:
        """Sheet resistances from the start to far beyond the collapse."""
        if self._spline is not None:
            above = self._r > start_ohm_sq
            return np.concatenate([[max(start_ohm_sq, self._r[0] * 1e-3)], self._r[above]])
        low = max(start_ohm_sq, _SEARCH[0] * self.collapse)
        return np.geomspace(low, max(low * 100, _SEARCH[1] * self.collapse), _SEARCH_POINTS)


def collapse_ohm_sq(cell: Cell, geometry: Geometry) -> float:
    """Sheet resistance (of both electrodes together) at which collection collapses [ohm/sq].

    Where the whole photocurrent would raise the farthest point of the sheet to Voc - n V_t: 8
    (Voc - n V_t) / (J_L S^2) between ideal lines of pitch S. Fingers are taken as ideal.
    """
    room = cell.open_circuit_v - cell.diode_voltage_v
    if room <= 0:
        raise OptistackError(
            f"open-circuit voltage {short(cell.open_circuit_v)} V is below n kT/q "
            f"{short(cell.diode_voltage_v)} V: there is no diode-like curve to collapse"
        )
    if isinstance(geometry, ParallelFingers | OneEdge):
        drop = (geometry.reach_mm * 0.1) ** 2 / 2.0
    else:
        drop = largest_drop_cm2(geometry.plate())
    return room / (V_PER_MA_OHM * cell.photocurrent_density_ma_cm2 * drop)


def collection_length_mm(cell: Cell, sheet_resistance_ohm_sq: float) -> float:
    """Length of sheet whose photocurrent an ideal line collects at 0 V from an endless sheet [mm].

    The sheet current there is sqrt(2 F / R_sq), F the integral of J from 0 to open circuit
    (without shunt (J_L + J_0) Voc - n V_t J_L).

    Examples
    --------
    >>> cell = Cell(10.0, voc_v=0.7, ideality=1.5)
    >>> f"{collection_length_mm(cell, 1e4):.4f}"
    '1.1502'
    """
    r = float(checked_resistance(sheet_resistance_ohm_sq)[0])
    if r == 0:
        return float("inf")
    node, weight = np.polynomial.legendre.leggauss(96)
    half = cell.open_circuit_v / 2
    current, _, _ = cell.law().current(half * (1.0 + node)[:, None])
    force = half * float(weight @ current[:, 0])
    return float(
        10.0 * np.sqrt(2.0 * force / (V_PER_MA_OHM * r)) / cell.photocurrent_density_ma_cm2
    )


def first_order_loss(geometry: Geometry, r_sq: Real, start: OperatingPoints) -> Real:
    """R_lumped J_mp / V_mp of the start, as a share of its power, less what the start has."""
    rate = V_PER_MA_OHM * float(start.jmp_ma_cm2[0] / start.vmp_v[0])
    zero = lumped_resistance_ohm_cm2(geometry, float(start.sheet_resistance_ohm_sq[0]))
    lumped = np.array([lumped_resistance_ohm_cm2(geometry, float(r)) for r in r_sq])
    return rate * (lumped - zero)


def resistance_at_power(curve: PowerCurve, power_mw_cm2: Real, start_ohm_sq: float) -> Real:
    """Sheet resistances above the start at which powers of any shape are left [ohm/sq]."""
    r = curve.scanned(start_ohm_sq)
    power = curve(r)
    lowest = power.min()
    if np.any(power_mw_cm2 <= lowest):
        raise OptistackError(
            f"a power of {short(power_mw_cm2.min())} mW/cm2 is below what any sheet resistance up "
            "to "
            f"{short(r.max())} ohm/sq leaves ({short(lowest)} mW/cm2)"
        )
    log_r, log_p = np.log(r), np.log(power)
    falling = np.concatenate([[True], np.minimum.accumulate(log_p)[:-1] > log_p[1:]])
    inverse = PchipInterpolator(log_p[falling][::-1], log_r[falling][::-1], extrapolate=True)
    aim = np.log(power_mw_cm2.ravel())
    at = np.asarray(inverse(aim))
    # PCHIP's slope vanishes where its data turn; the power never falls faster than 1 / R.
    rate = 1.0 / np.minimum(np.asarray(inverse(aim, 1)), -1.0)
    before: tuple[Real, Real] | None = None
    for _ in range(8):
        off = np.log(curve(np.exp(at))) - aim
        if before is not None:
            with np.errstate(divide="ignore", invalid="ignore"):
                secant = (off - before[1]) / (at - before[0])
            rate = np.where(np.isfinite(secant) & (secant < 0), secant, rate)
        if np.all(np.abs(off) <= 2e-7):
            break
        before = (at, off)
        at = at - off / rate
    return np.exp(at).reshape(power_mw_cm2.shape)


def knee_of(
    at: float,
    share: float,
    slope: float,
    level_ohm_sq: Mapping[float, float],
    collapse: float,
    start_name: str,
) -> Knee:
    """Knee from numbers that are already known."""
    left = {
        level: float(np.log2(r / at)) if at > 0 else float("inf")
        for level, r in level_ohm_sq.items()
    }
    to_t80 = left.get(0.8, float("inf"))
    warning = ""
    if share >= LOOKS_STABLE and to_t80 < DOUBLINGS:
        warning = (
            f"{100 * share:.1f} % of the {start_name} is left and the device looks stable, but "
            f"its sheet resistance has only {to_t80:.2g} doublings to go before 80 %: power falls "
            "ever faster from here, and extrapolating the flat part of the curve is not valid."
        )
    elif share < LOOKS_STABLE and 0.0 <= to_t80 < DOUBLINGS:
        warning = (
            f"{100 * share:.1f} % of the {start_name} is left, {to_t80:.2g} doublings of the sheet "
            "resistance before 80 %: the device is on the steep part of its curve."
        )
    return Knee(at, share, slope, left, collapse, warning)


def checked_levels(levels: Sequence[float]) -> Real:
    """Levels as shares, the highest first."""
    out = np.array(sorted(levels, reverse=True), dtype=float)
    if not len(out) or not np.all((out > 0) & (out < 1)):
        raise OptistackError("levels are shares of the start power, between 0 and 1")
    return out


def _first_order(curve: PowerCurve, start: OperatingPoints) -> FirstOrder:
    geometry = curve.geometry
    zero, power = float(start.sheet_resistance_ohm_sq[0]), float(start.power_mw_cm2[0])

    def off(r: Real) -> Real:
        """What the first-order loss leaves less what is left."""
        return 1.0 - first_order_loss(geometry, r, start) - curve(r) / power

    grid = _first_order_grid(curve, zero)
    lost = _bracket(grid, first_order_loss(geometry, grid, start) - 1.0)
    all_lost = _root(lost, first_order_loss(geometry, lost, start) - 1.0)
    coarse = off(grid)
    point = _bracket(grid, np.abs(coarse) - ONE_POINT)
    turn = _bracket(grid, -coarse) if coarse[0] > 0 else grid[:0]
    # All that is still to be solved at once.
    asked = np.concatenate([point, turn, [all_lost if math.isfinite(all_lost) else grid[-1]]])
    near_point, near_turn, there = np.split(off(asked), [len(point), len(point) + len(turn)])
    # Off by a point on the side it is on where the bracket ends.
    optimistic = (near_point[-1] if len(point) else coarse[-1]) > 0
    return FirstOrder(
        _root(point, np.abs(near_point) - ONE_POINT),
        "optimistic" if optimistic else "pessimistic",
        _root(turn, -near_turn),
        all_lost,
        1.0 - float(first_order_loss(geometry, asked[-1:], start)[0] + there[0]),
    )


def _first_order_grid(curve: PowerCurve, start_ohm_sq: float) -> Real:
    return start_ohm_sq + curve.collapse * np.geomspace(1e-3, 30.0, 48)


def _bracket(r: Real, values: Real) -> Real:
    """Nine places about the first at which values turn positive; it alone if it is the very first.

    None where they never do.
    """
    if values[0] > 0:
        return r[:1]
    above = np.flatnonzero((values[1:] > 0) & (values[:-1] <= 0))
    if not len(above):
        return r[:0]
    return np.geomspace(r[above[0]], r[above[0] + 1], 9)


def _root(r: Real, values: Real) -> float:
    """Where values turn positive within a bracket; nan in an empty one."""
    if len(r) < 2:
        return float(r[0]) if len(r) else math.nan
    rising = np.flatnonzero(values[1:] > 0)
    j = int(rising[0]) if len(rising) else len(r) - 2
    curve = PchipInterpolator(r, values)
    low, high = r[j], r[j + 1]
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if curve(middle) > 0 else (middle, high)
    return float((low + high) / 2)
