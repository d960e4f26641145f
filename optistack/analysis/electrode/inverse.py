"""Sheet resistance of a finished cell from its J-V curves: the map from R_sq to power, inverted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.electrode.common import axis_label, positive, read_only
from optistack.analysis.electrode.device import Device, require_strip
from optistack.analysis.electrode.evidence import weigh
from optistack.analysis.electrode.fit import CurveFit, Parameters
from optistack.analysis.electrode.geometry import Strip
from optistack.analysis.electrode.life import ResistanceSeries
from optistack.analysis.electrode.measured import JVSeries
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.value import NORMAL_95, Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# ln R_sq may move by several times this: a prior that decides only where the curves say nothing.
FREE_LN = 3.0
# With a standard error of ln R_sq above this a curve says only "not more than".
OPEN_LN = 1.0
# One-sided 95 %.
_Z95_ONE = 1.644854
# First guess by the fill factor: sheet resistances tried, over the first, and how many.
_GUESSES = (0.03, 3e3, 60)


@dataclass(frozen=True, eq=False)
class InferredResistance:
    """Sheet resistances that J-V curves ask for.

    Attributes
    ----------
    series : JVSeries
    start_ohm_sq : Value
        Sheet resistance of the first curve, as given.
    value_ohm_sq, low_ohm_sq, high_ohm_sq : (t,) arrays
        With 95 % limits; the first is the start.
    upper_bound : (t,) array of bool
        The curve only says "not more than ``high_ohm_sq``".
    residual_rms_ma_cm2 : float
    notes : tuple of str
    """

    series: JVSeries
    start_ohm_sq: Value
    value_ohm_sq: Real
    low_ohm_sq: Real
    high_ohm_sq: Real
    upper_bound: NDArray[np.bool_]
    residual_rms_ma_cm2: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        read_only(self)

    def value(self, i: int) -> Value:
        """Sheet resistance of one curve."""
        if self.upper_bound[i]:
            high = float(self.high_ohm_sq[i])
            return Value(high, 0.0, high, "upper")
        return Value(
            float(self.value_ohm_sq[i]), float(self.low_ohm_sq[i]), float(self.high_ohm_sq[i])
        )

    def resistance_series(self) -> ResistanceSeries:
        """As a series for `power_over_life` or a fit of its rate.

        Raises
        ------
        OptistackError
            A curve that gives an upper bound only.
        """
        if self.upper_bound.any():
            at = self.series.position[self.upper_bound]
            raise OptistackError(
                f"the curves at {', '.join(f'{x:g}' for x in at)} give only an upper bound of the "
                "sheet resistance; leave them out or use the values with their limits"
            )
        return ResistanceSeries(
            self.series.position,
            self.value_ohm_sq,
            self.low_ohm_sq,
            self.high_ohm_sq,
            axis=self.series.axis,
        )

    def to_frame(self) -> pd.DataFrame:
        """One row per curve."""
        import pandas as pd

        return pd.DataFrame(
            {
                self.series.axis: self.series.position,
                "sheet_resistance_ohm_sq": self.value_ohm_sq,
                "low_ohm_sq": self.low_ohm_sq,
                "high_ohm_sq": self.high_ohm_sq,
                "upper_bound": self.upper_bound,
            }
        )

    def plot(self, ax: Any = None) -> Any:
        """Sheet resistance against time or dose, with its limits, on a matplotlib Axes."""
        ax = axes(ax)
        x, known = self.series.position, ~self.upper_bound
        ends = (self.value_ohm_sq - self.low_ohm_sq, self.high_ohm_sq - self.value_ohm_sq)
        ax.errorbar(
            x[known],
            self.value_ohm_sq[known],
            yerr=np.array(ends)[:, known],
            fmt="o",
            label="from J-V, 95 %",
        )
        if self.upper_bound.any():
            ax.plot(x[self.upper_bound], self.high_ohm_sq[self.upper_bound], "v", label="at most")
        ax.set_yscale("log")
        ax.set_xlabel(axis_label(self.series.axis))
        ax.set_ylabel("sheet resistance (ohm/sq)")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def infer_sheet_resistance(
    series: JVSeries,
    geometry: Strip,
    start_sheet_resistance_ohm_sq: Value | float,
    *,
    current_sd_ma_cm2: float | None = None,
) -> InferredResistance:
    """Sheet resistance behind every curve of a series, if nothing but it grew in series.

    All curves share ideality, shunt and vertical resistance; photocurrent and open-circuit voltage
    are free in every curve; the sheet resistance is known at the first one.

    Parameters
    ----------
    series : JVSeries
        At least two curves.
    geometry : ParallelFingers or OneEdge
    start_sheet_resistance_ohm_sq : Value or float
        At the first curve; limits of a `Value` are taken as 95 %. A lumped resistance in series
        looks like a small sheet resistance; only its change can be told.
    current_sd_ma_cm2 : float, optional
        Standard deviation of a reading; from the residuals when not given.

    Raises
    ------
    OptistackError
        One curve only, a start that is not positive, a geometry in two dimensions, too few
        readings.

    Examples
    --------
    >>> import numpy as np
    >>> from optistack.analysis.electrode import Cell, ParallelFingers, jv_curves
    >>> v = np.linspace(-0.1, 0.8, 61)
    >>> fingers = ParallelFingers(pitch_mm=5)
    >>> curves = jv_curves(Cell(9.0, voc_v=0.75, ideality=1.6), fingers, [120, 600], v)
    >>> series = JVSeries([0, 500], v, curves.current_density_ma_cm2)
    >>> print(infer_sheet_resistance(series, fingers, 120.0).value(1).format())
    600
    """
    require_strip(geometry)
    if len(series.position) < 2:
        raise OptistackError("the change of a sheet resistance needs at least two curves")
    start = start_sheet_resistance_ohm_sq
    if not isinstance(start, Value):
        start = Value(start, start, start)
    positive("sheet resistance of the first curve", start.value, "ohm/sq")
    positive("lower limit of the first sheet resistance", start.low, "ohm/sq")
    if not start.low <= start.value <= start.high < math.inf:
        raise OptistackError("the limits of the first sheet resistance must enclose its value")
    if current_sd_ma_cm2 is not None:
        positive("standard deviation of a reading", current_sd_ma_cm2, "mA/cm2")
    n = len(series.position)
    first_sd = math.log(start.high / start.low) / (2 * NORMAL_95)
    moves = np.full(n, FREE_LN)
    moves[0] = first_sd
    sheet = np.full(n, start.value)
    built_in = float(series.figure("voc_v").max()) + 1.0  # unused: no field-dependent term
    fresh = CurveFit(
        _only_first(series), geometry, sheet[:1], np.zeros(1), built_in, current_sd_ma_cm2
    )
    problem = CurveFit(series, geometry, sheet, moves, built_in, current_sd_ma_cm2)
    guess = _guess(problem, fresh, fresh.fit("none").parameters)
    (found,) = weigh([problem.fit("none", guess)], current_sd_ma_cm2)
    inflated = math.sqrt(found.points / found.effective_points)
    log_sheet = found.parameters.log_sheet
    sd = found.log_sheet_sd * inflated
    open_ = sd > OPEN_LN
    notes = [
        "sheet resistance from J-V: only it grows in series; a growing bulk or contact resistance "
        "would be counted as sheet resistance",
        "photocurrent and open-circuit voltage are free in every curve",
    ]
    if inflated > 1.05:
        notes.append(
            f"neighbouring residuals are alike: {found.points} readings count as "
            f"{found.effective_points:.0f}"
        )
    value = np.exp(log_sheet)
    low = np.where(open_, 0.0, np.exp(log_sheet - NORMAL_95 * sd))
    high = np.exp(log_sheet + np.where(open_, _Z95_ONE, NORMAL_95) * sd)
    if not first_sd:
        value[0] = low[0] = high[0] = start.value
    return InferredResistance(
        series=series,
        start_ohm_sq=start,
        value_ohm_sq=value,
        low_ohm_sq=low,
        high_ohm_sq=high,
        upper_bound=open_,
        residual_rms_ma_cm2=found.residual_rms_ma_cm2,
        notes=(*series.notes, *notes),
    )


def _only_first(series: JVSeries) -> JVSeries:
    return JVSeries(
        series.position[:1],
        [series.voltage_v[0]],
        [series.current_density_ma_cm2[0]],
        temperature_k=series.temperature_k,
        axis=series.axis,
    )


def _guess(problem: CurveFit, fresh: CurveFit, p: Parameters) -> Parameters:
    """Start of the fit: sheet resistances at which the first cell has the measured fill factors."""
    n = problem.n
    tried = float(problem.sheet[0]) * np.geomspace(_GUESSES[0], _GUESSES[1], _GUESSES[2])
    many = Parameters(
        **{name: np.repeat(getattr(p, name), len(tried)) for name in p.__dataclass_fields__}
    )
    law = many.law(problem.series.temperature_k, fresh.built_in)
    points = Device(law, problem.geometry, tried, 1e-4).points()
    falling = np.minimum.accumulate(points.fill_factor)
    seen = problem.series.figure("fill_factor")
    log_sheet = np.interp(-seen, -falling, np.log(tried))
    at = np.exp(log_sheet)
    at[0] = problem.sheet[0]
    # What has not arrived at short circuit is missing photocurrent only in part.
    arrived = np.interp(at, tried, points.jsc_ma_cm2) / float(p.photocurrent[0])
    return Parameters(
        photocurrent=np.minimum(problem.jsc / arrived, 3.5 * problem.jsc),
        voc=problem.voc.copy(),
        ideality=np.repeat(p.ideality, n),
        shunt=np.repeat(p.shunt, n),
        series=np.repeat(p.series, n),
        collection=np.zeros(n),
        log_sheet=np.log(at),
    )
