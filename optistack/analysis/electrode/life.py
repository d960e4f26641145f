"""From a sheet resistance that rises to a power that falls: lifetimes, and what not to extrapolate.

A lifetime is the time (or dose) from a named start at which the power passes a share of its value
at that start. It is found where the sheet resistance passes the value that leaves this share, with
ln R_sq taken as linear between the points of the series; nothing is extrapolated beyond them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.analysis.electrode.cell import Cell
from optistack.analysis.electrode.common import axis_label, axis_words, place, read_only
from optistack.analysis.electrode.curves import geometry_notes, operating_points
from optistack.analysis.electrode.device import OperatingPoints
from optistack.analysis.electrode.geometry import Geometry
from optistack.analysis.electrode.power import (
    LEVELS,
    Knee,
    PowerCurve,
    checked_levels,
    first_order_loss,
    knee_of,
    resistance_at_power,
)
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.series_file import read_series
from optistack.tables import read_text
from optistack.value import Value, short

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# Powers and sheet resistances that differ by a smaller share are the same.
_ROUNDING = 1e-12
# Points of the end of a series whose growth is carried on, at least, and as a share of it.
_TREND_POINTS, _TREND_SHARE = 3, 1 / 3


@dataclass(frozen=True, eq=False)
class ResistanceSeries:
    """Sheet resistance of an electrode against time or dose.

    Attributes
    ----------
    position : (t,) array
        Increasing.
    sheet_resistance_ohm_sq : (t,) array
    low_ohm_sq, high_ohm_sq : (t,) arrays
        Limits of the interval; equal to the values when nothing is known of it.
    axis : str
        Name of ``position`` with its unit: "time_h", "absorbed_photon_dose_m2", ...

    Raises
    ------
    OptistackError
        Positions that do not increase, resistances that are not positive, limits that do not
        enclose their value, fewer than two points.
    """

    position: Real
    sheet_resistance_ohm_sq: Real
    low_ohm_sq: Real
    high_ohm_sq: Real
    axis: str = "time_h"

    def __init__(
        self,
        position: ArrayLike,
        sheet_resistance_ohm_sq: ArrayLike,
        low_ohm_sq: ArrayLike | None = None,
        high_ohm_sq: ArrayLike | None = None,
        axis: str = "time_h",
    ):
        value = sheet_resistance_ohm_sq
        columns = {
            "position": position,
            "sheet_resistance_ohm_sq": value,
            "low_ohm_sq": value if low_ohm_sq is None else low_ohm_sq,
            "high_ohm_sq": value if high_ohm_sq is None else high_ohm_sq,
        }
        for name, given in columns.items():
            array = np.array(given, dtype=float)
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        object.__setattr__(self, "axis", axis)
        shapes = {getattr(self, name).shape for name in columns}
        if len(shapes) != 1 or self.position.ndim != 1 or len(self.position) < 2:
            raise OptistackError(
                "a resistance series needs at least two points, with one value (and one lower and "
                "upper limit) for every position"
            )
        if not np.all(np.isfinite(self.position)) or np.any(np.diff(self.position) <= 0):
            raise OptistackError(f"{axis} of a resistance series must increase from point to point")
        for name in ("sheet_resistance_ohm_sq", "low_ohm_sq", "high_ohm_sq"):
            values = getattr(self, name)
            if not np.all(np.isfinite(values) & (values > 0)):
                raise OptistackError(
                    f"{name} must be above 0 ohm/sq everywhere; the smallest is {values.min():g}"
                )
        if np.any(self.low_ohm_sq > self.sheet_resistance_ohm_sq) or np.any(
            self.high_ohm_sq < self.sheet_resistance_ohm_sq
        ):
            raise OptistackError("the limits of a sheet resistance must enclose its value")

    @classmethod
    def read(cls, path: str | Path) -> ResistanceSeries:
        """From a CSV file with named columns.

        ``sheet_resistance_ohm_sq`` and, when known, ``low_ohm_sq`` and ``high_ohm_sq``; the heading
        of the other one ("time_h") names the axis.

        Raises
        ------
        OptistackError
            With file and line: a column that is missing or unknown, a cell that is no number;
            values as above.
        """
        needed, optional = "sheet_resistance_ohm_sq", ("low_ohm_sq", "high_ohm_sq")
        lines = (line for line in read_text(Path(path))[0].splitlines() if line.strip())
        headings = next((line for line in lines if not line.startswith("#")), "").split(",")
        others = [h.strip() for h in headings if h.strip() not in (needed, *optional)]
        axis = others[0] if others else "time_h"
        read = read_series(path, (axis, needed), optional)
        low, high = (read.get(name) for name in optional)
        return cls(read[axis], read[needed], low, high, axis=axis)

    @property
    def has_range(self) -> bool:
        """Whether any limit differs from its value."""
        return bool(np.any(self.low_ohm_sq < self.high_ohm_sq))

    def at(self, position: float, which: str = "sheet_resistance_ohm_sq") -> float:
        """Resistance at a position, ln R_sq linear between points [ohm/sq]."""
        if not self.position[0] <= position <= self.position[-1]:
            raise OptistackError(
                f"{self.axis} = {position:g} is outside the series "
                f"({self.position[0]:g} to {self.position[-1]:g})"
            )
        values = getattr(self, which)
        exact = np.flatnonzero(self.position == position)
        if len(exact):
            return float(values[exact[0]])
        return float(np.exp(np.interp(position, self.position, np.log(values))))

    def crossing(self, level_ohm_sq: float, start: float, which: str) -> float:
        """First position after the start at which a level is reached; inf when it is not."""
        values = np.log(getattr(self, which))
        inside = self.position > start
        x = np.concatenate([[start], self.position[inside]])
        y = np.concatenate([[math.log(self.at(start, which))], values[inside]])
        aim = math.log(level_ohm_sq)
        reached = np.flatnonzero(y >= aim)
        if not len(reached):
            return math.inf
        i = int(reached[0])
        if i == 0:
            return float(x[0])
        return float(x[i - 1] + (x[i] - x[i - 1]) * (aim - y[i - 1]) / (y[i] - y[i - 1]))


class Outlook(NamedTuple):
    """Two ways to carry on beyond the data; neither is measured.

    Attributes
    ----------
    flat : float
        T80 from a straight line through the last power values: not valid near the knee.
    growth : float
        T80 if R_sq goes on growing at the rate of its last points; inf when it does not grow.
    """

    flat: float
    growth: float


@dataclass(frozen=True, eq=False)
class PowerLife:
    """Power, fill factor and current of a cell while its electrode degrades.

    Attributes
    ----------
    series : ResistanceSeries
    start : float
        Position at which the start value is taken.
    start_name : str
        "initial" or "after burn-in", with the position.
    central, best, worst : OperatingPoints
        For the values of the series, their lower and their upper limits.
    power_share, power_share_low, power_share_high : (t,) arrays
        Each of the start value of its own curve.
    first_order_share : (t,) array
        What the first-order loss would leave of the start value.
    lifetimes : mapping of name ("T80") to Value
        From the start, in units of the axis. ``bound`` "lower" where the value is not reached
        within the series; ``high`` infinite where a limit is not.
    level_ohm_sq : mapping of level to float
        For the values of the series.
    knee : Knee
        At the end of the series.
    outlook : Outlook
    notes : tuple of str
    """

    series: ResistanceSeries
    start: float
    start_name: str
    central: OperatingPoints
    best: OperatingPoints
    worst: OperatingPoints
    power_share: Real
    power_share_low: Real
    power_share_high: Real
    first_order_share: Real
    lifetimes: Mapping[str, Value]
    level_ohm_sq: Mapping[float, float]
    knee: Knee
    outlook: Outlook
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        read_only(self)

    def summary(self) -> list[str]:
        """Plain sentences, each with its start value."""
        unit = axis_words(self.series.axis)[1]
        unit = f" {unit}" if unit else f" ({axis_words(self.series.axis)[0]})"
        out = []
        for name, life in self.lifetimes.items():
            early = ""
            if life.bound == "lower" and life.low < life.value:
                early = f" (from {short(life.low)} at the upper limits of the sheet resistance)"
            elif life.bound is None and life.has_range:
                high = f"{short(life.high)}" if math.isfinite(life.high) else "beyond the series"
                early = f" ({short(life.low)} to {high})"
            number = f"{short(life.value)}{unit}"
            if life.bound:
                number = f"not reached within {number}"
            out.append(f"{name} = {number}{early} from the start; start value: {self.start_name}.")
        if self.knee.warning:
            out.append(self.knee.warning)
            if math.isfinite(self.outlook.growth):
                flat = (
                    f"{short(self.outlook.flat)}" if math.isfinite(self.outlook.flat) else "never"
                )
                out.append(
                    f"A straight line through the last powers would put T80 at {flat}; the growth "
                    f"of the sheet resistance carried on puts it at {short(self.outlook.growth)} "
                    f"{unit.strip()}. Neither is measured."
                )
        return out

    def to_frame(self) -> pd.DataFrame:
        """One row per point of the series."""
        import pandas as pd

        c = self.central
        return pd.DataFrame(
            {
                self.series.axis: self.series.position,
                "sheet_resistance_ohm_sq": self.series.sheet_resistance_ohm_sq,
                "jsc_ma_cm2": c.jsc_ma_cm2,
                "jsc_low_ma_cm2": self.worst.jsc_ma_cm2,
                "jsc_high_ma_cm2": self.best.jsc_ma_cm2,
                "voc_v": c.voc_v,
                "fill_factor": c.fill_factor,
                "fill_factor_low": np.minimum(self.worst.fill_factor, self.best.fill_factor),
                "fill_factor_high": np.maximum(self.worst.fill_factor, self.best.fill_factor),
                "power_mw_cm2": c.power_mw_cm2,
                "power_low_mw_cm2": self.worst.power_mw_cm2,
                "power_high_mw_cm2": self.best.power_mw_cm2,
                "power_share": self.power_share,
                "power_share_low": self.power_share_low,
                "power_share_high": self.power_share_high,
                "first_order_share": self.first_order_share,
            }
        )

    def plot(self, ax: Any = None) -> Any:
        """Power share against time or dose, with its interval and the first-order loss."""
        ax = axes(ax)
        x = self.series.position
        ax.fill_between(x, self.power_share_low, self.power_share_high, alpha=0.2)
        ax.plot(x, self.power_share, label="distributed cell")
        first = np.where(self.first_order_share >= 0, self.first_order_share, np.nan)
        ax.plot(x, first, "--", label="first-order loss")
        for level in self.level_ohm_sq:
            ax.axhline(level, color="0.8", linewidth=0.8)
        ax.axvline(self.start, color="0.6", linestyle=":", label=f"start: {self.start_name}")
        ax.set_ylim(0.0, 1.1)
        ax.set_xlabel(axis_label(self.series.axis))
        ax.set_ylabel("power, share of the start value")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        lines = "".join(f"<li>{line}</li>" for line in self.summary())
        return f"<ul>{lines}</ul>" + str(self.to_frame().to_html(index=False))


def power_over_life(
    cell: Cell,
    geometry: Geometry,
    series: ResistanceSeries,
    *,
    burn_in: float | None = None,
    levels: Sequence[float] = LEVELS,
    curve: PowerCurve | None = None,
) -> PowerLife:
    """Fill factor, current and power along a series of sheet resistances, and their lifetimes.

    Only the sheet resistance changes: photocurrent, diode and contacts stay those of ``cell``.

    Parameters
    ----------
    cell : Cell
    geometry : Geometry
    series : ResistanceSeries
    burn_in : float, optional
        Position at which burn-in ends: the start value is then the power there, and lifetimes
        count from there. The first point of the series when not given.
    levels : sequence of float
    curve : PowerCurve, optional
        Of this cell and geometry, as a `PowerMap` holds it; it spares what it already knows.

    Raises
    ------
    OptistackError
        A burn-in outside the series, a level that is no share.

    Examples
    --------
    >>> from optistack.analysis.electrode import ParallelFingers
    >>> cell = Cell(9.0, voc_v=0.75, ideality=1.6)
    >>> series = ResistanceSeries([0, 500, 1000], [120, 400, 1600])
    >>> life = power_over_life(cell, ParallelFingers(pitch_mm=5), series)
    >>> print(life.summary()[1])
    T80 = 723 h from the start; start value: initial (time 0 h).
    """
    shares = checked_levels(levels)
    start = float(series.position[0]) if burn_in is None else float(burn_in)
    name = "initial" if burn_in is None else "after burn-in"
    columns: tuple[str, ...] = ("sheet_resistance_ohm_sq", "low_ohm_sq", "high_ohm_sq")
    if not series.has_range:
        columns = columns[:1]
    if curve is None:
        curve = PowerCurve(cell, geometry)
    # Start values first: in one batch with the series, so that equal resistances share rounding.
    n, many = len(series.position), len(columns)
    asked = np.concatenate(
        [[series.at(start, c) for c in columns], *(getattr(series, c) for c in columns)]
    )
    everything = operating_points(cell, geometry, asked)
    starts = everything.take(slice(0, many))
    points = [everything.take(slice(many + i * n, many + (i + 1) * n)) for i in range(many)]
    begin = starts.power_mw_cm2
    powers = [here.power_mw_cm2 / one for here, one in zip(points, begin, strict=True)]
    levels_at = resistance_at_power(curve, np.outer(begin, shares), float(asked[:many].min()))
    crossings = [
        [series.crossing(float(r), start, column) - start for r in at]
        for column, at in zip(columns, levels_at, strict=True)
    ]
    if len(columns) == 1:
        points, powers, crossings = points * 3, powers * 3, crossings * 3
    central, best, worst = points
    level_ohm_sq = dict(zip(shares.tolist(), levels_at[0].tolist(), strict=True))
    span = float(series.position[-1]) - start
    first_start = starts.take(slice(0, 1))
    start_name = f"{name} ({place(series.axis, start)})"
    last = series.sheet_resistance_ohm_sq[-1:]
    knee = knee_of(
        float(last[0]),
        float(powers[0][-1]),
        float(curve.elasticity(last)[0]),
        level_ohm_sq,
        curve.collapse,
        f"{start_name} power",
    )
    notes = [*geometry_notes(cell, geometry, asked), "only the sheet resistance changes"]
    if np.any(np.diff(series.sheet_resistance_ohm_sq) < 0):
        notes.append("the sheet resistance also falls: lifetimes are its first crossings")
    return PowerLife(
        series=series,
        start=start,
        start_name=start_name,
        central=central,
        best=best,
        worst=worst,
        power_share=powers[0],
        power_share_low=np.minimum.reduce(powers),
        power_share_high=np.maximum.reduce(powers),
        first_order_share=1.0
        - first_order_loss(geometry, series.sheet_resistance_ohm_sq, first_start),
        lifetimes={
            _life_name(level): _lifetime([c[i] for c in crossings], span)
            for i, level in enumerate(shares.tolist())
        },
        level_ohm_sq=level_ohm_sq,
        knee=knee,
        outlook=_outlook(series, start, powers[0], level_ohm_sq.get(0.8)),
        notes=tuple(notes),
    )


def _life_name(level: float) -> str:
    return f"T{100 * level:g}"


def _lifetime(crossings: list[float], span: float) -> Value:
    value, low, high = crossings[0], min(crossings), max(crossings)
    if math.isfinite(value):
        return Value(value, low, high)
    return Value(span, min(low, span), math.inf, "lower")


def _outlook(
    series: ResistanceSeries, start: float, share: Real, level_ohm_sq: float | None
) -> Outlook:
    """T80 from the start by a straight line through power, and by the growth of R_sq."""
    n = max(_TREND_POINTS, math.ceil(len(series.position) * _TREND_SHARE))
    x, p = series.position[-n:], share[-n:]
    r = np.log(series.sheet_resistance_ohm_sq[-n:])
    if level_ohm_sq is None or len(x) < 2:
        return Outlook(math.nan, math.nan)
    slope, at = np.polyfit(x, p, 1)
    growth = float(np.polyfit(x, r, 1)[0])
    # A fall or a growth that rounding alone can make is none.
    span = x[-1] - x[0]
    flat = (0.8 - at) / slope - start if slope * span < -_ROUNDING * p[-1] else math.inf
    ahead = (
        float(x[-1]) + (math.log(level_ohm_sq) - float(r[-1])) / growth - start
        if growth * span > _ROUNDING
        else math.inf
    )
    return Outlook(float(flat), ahead)
