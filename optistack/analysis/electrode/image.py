"""Sheet resistance from a line profile across fingers: luminescence or light-beam current.

Luminescence follows the junction voltage, I ~ exp(u / V_t): without light, a contact that injects
current is surrounded by a voltage that falls with the distance; under light and with current drawn
it rises. A light beam adds a small current somewhere: the share of it that arrives at the contact
is, by reciprocity, dV(x)/dV_app (C. Donolato, Appl. Phys. Lett. 46 (1985) 270; reference from
memory). In a sheet of even conductance g per area that share is cosh((L - x)/l)/cosh(L/l) with the
collection length l = 1/sqrt(R_sq g).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from optistack.analysis.electrode.cell import V_PER_K, V_PER_MA_OHM, Cell, laws
from optistack.analysis.electrode.common import not_negative, positive, read_only
from optistack.analysis.electrode.line import solve_line
from optistack.analysis.electrode.repeat import ProfileFit, periodic_share
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.value import Value, short

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Kind = Literal["luminescence", "light_beam_current"]

FEWEST_PERIODS = 2.0
FEWEST_PER_PERIOD = 8.0
FOUR_POINT_SD = 0.05
# A period that differs from the pitch by more than this part of it is mentioned.
PERIOD_NOTED = 0.01
_SHAPES = 72
# Collection lengths looked at, in units of half the gap.
_SHORTEST, _LONGEST = 0.02, 50.0


@dataclass(frozen=True, eq=False)
class LineProfileFit:
    """A line profile across fingers and what it says of the sheet.

    Attributes
    ----------
    kind : "luminescence" or "light_beam_current"
    position_mm, signal, fitted : (x,) arrays
        ``fitted`` is nan under the fingers.
    collection_length_mm : Value
        1/sqrt(R_sq g) at the contact, with its 95 % interval; ``bound`` "lower" where the profile
        is too flat, "upper" where it is too steep for more.
    sheet_resistance_ohm_sq : Value or None
        None without a cell.
    four_point_ohm_sq : Value or None
    ratio_to_four_point : Value or None
    mismatch : bool or None
        The two differ by more than their intervals allow.
    finger_position_mm : float
        Of the first finger after the first position.
    periodic_share : float
        Share of the variance, after a straight line, that repeats with the pitch.
    residual_share : float
        Root mean square of the residuals over the mean signal.
    sentence : str
    notes : tuple of str
    """

    kind: Kind
    position_mm: Real
    signal: Real
    fitted: Real
    collection_length_mm: Value
    sheet_resistance_ohm_sq: Value | None
    four_point_ohm_sq: Value | None
    ratio_to_four_point: Value | None
    mismatch: bool | None
    finger_position_mm: float
    periodic_share: float
    residual_share: float
    sentence: str
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        read_only(self)

    def to_frame(self) -> pd.DataFrame:
        """One row per place."""
        import pandas as pd

        return pd.DataFrame(
            {"position_mm": self.position_mm, "signal": self.signal, "fitted": self.fitted}
        )

    def plot(self, ax: Any = None) -> Any:
        """Signal and fit against position."""
        ax = axes(ax)
        ax.plot(self.position_mm, self.signal, ".", label="measured")
        ax.plot(self.position_mm, self.fitted, label="fitted")
        ax.set_xlabel("position (mm)")
        ax.set_ylabel(f"{self.kind.replace('_', ' ')} (arbitrary unit)")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return f"<p>{self.sentence}</p>" + str(self.to_frame().to_html(index=False))


def fit_line_profile(
    position_mm: ArrayLike,
    signal: ArrayLike,
    *,
    pitch_mm: float,
    kind: Kind,
    finger_width_um: float = 0.0,
    cell: Cell | None = None,
    voltage_v: float | None = None,
    lit: bool = False,
    background: float = 0.0,
    four_point_ohm_sq: Value | float | None = None,
) -> LineProfileFit:
    """Fit the collection length to a profile across parallel fingers, and the sheet resistance.

    Parameters
    ----------
    position_mm, signal : (x,) array_like
        At least two pitches long, 8 points per pitch.
    pitch_mm : float
    kind : "luminescence" or "light_beam_current"
    finger_width_um : float
        Places under fingers are left out.
    cell : Cell, optional
        Needed for luminescence, and for a sheet resistance. Without it a light-beam profile gives
        the collection length alone.
    voltage_v : float, optional
        At the contact while the profile was taken; needed with a cell.
    lit : bool
        Whether the whole cell is under light meanwhile.
    background : float
        Signal without sample or bias, taken off.
    four_point_ohm_sq : Value or float, optional
        Compared with; a plain number is given 5 % of standard deviation.

    Raises
    ------
    OptistackError
        A profile that does not repeat with the pitch, that is too short or too coarse, or
        contains values that are no numbers; missing cell or voltage.
    """
    x, y = _checked(position_mm, signal, pitch_mm, background)
    not_negative("finger width", finger_width_um, "um")
    width = finger_width_um * 1e-3
    half = (pitch_mm - width) / 2
    if half <= 0:
        raise OptistackError(f"fingers of {finger_width_um:g} um fill the pitch of {pitch_mm:g} mm")
    if kind not in ("luminescence", "light_beam_current"):
        raise OptistackError(f"kind is {kind!r}: 'luminescence' or 'light_beam_current'")
    if kind == "luminescence" and cell is None:
        raise OptistackError("a luminescence profile follows the voltage: it needs the cell")
    if cell is not None and voltage_v is None:
        raise OptistackError("with a cell the voltage at the contact is needed: voltage_v")
    share, period, flat = periodic_share(x, y, pitch_mm)

    notes = []
    if abs(period / pitch_mm - 1.0) > PERIOD_NOTED:
        notes.append(f"the profile repeats with {short(period)} mm, the pitch is {pitch_mm:g} mm")
    conductance = math.nan
    if cell is None:
        log_length = np.linspace(np.log(_LONGEST), np.log(_SHORTEST), _SHAPES)
        shape = _even_sheet(half)
        parameter = -2.0 * log_length  # grows with the sheet resistance
    else:
        model = _Model(cell, float(voltage_v or 0.0), lit, kind, half)
        parameter = model.range()
        shape = model.shapes
        conductance = model.conductance
        if kind == "luminescence":
            notes.append("luminescence taken as proportional to exp(u / V_t)")
    fit = ProfileFit(x, y, period, width, half, shape)
    best, low, high, phase, fitted = fit.run(parameter)
    keep = np.isfinite(fitted)
    if keep.sum() < len(x):
        notes.append(f"{len(x) - int(keep.sum())} readings under fingers left out")
    residual = float(np.sqrt(np.mean((y - fitted)[keep] ** 2)) / np.mean(y[keep]))
    bound: Literal["upper", "lower"] | None = None
    if not math.isfinite(low) or flat:
        bound = "upper"
    elif not math.isfinite(high):
        bound = "lower"

    sheet: Value | None = None
    if cell is None:
        # The parameter is ln (half / l)^2.
        ends = [half * math.exp(-p / 2) for p in (best, high, low)]
    else:
        sheet = _value(math.exp(best), math.exp(low), math.exp(high), bound)
        ends = [
            10.0 / math.sqrt(V_PER_MA_OHM * conductance * math.exp(p))
            if math.isfinite(p)
            else (math.inf if p < 0 else 0.0)
            for p in (best, high, low)
        ]
    turned: Literal["upper", "lower"] | None = (
        None if bound is None else ("lower" if bound == "upper" else "upper")
    )
    length = _value(ends[0], ends[1], ends[2], turned)
    four, ratio, mismatch = _against(sheet, four_point_ohm_sq)
    return LineProfileFit(
        kind=kind,
        position_mm=x,
        signal=y,
        fitted=fitted,
        collection_length_mm=length,
        sheet_resistance_ohm_sq=sheet,
        four_point_ohm_sq=four,
        ratio_to_four_point=ratio,
        mismatch=mismatch,
        finger_position_mm=phase,
        periodic_share=share,
        residual_share=residual,
        sentence=_sentence(length, sheet, four, ratio, mismatch),
        notes=tuple(notes),
    )


def _value(value: float, low: float, high: float, bound: Literal["upper", "lower"] | None) -> Value:
    """A limit shows the limit as its value."""
    if bound == "upper":
        return Value(high, 0.0, high, "upper")
    if bound == "lower":
        return Value(low, low, math.inf, "lower")
    return Value(value, low, high)


def _checked(
    position_mm: ArrayLike, signal: ArrayLike, pitch_mm: float, background: float
) -> tuple[Real, Real]:
    positive("finger pitch", pitch_mm, "mm")
    x, y = np.array(position_mm, dtype=float), np.array(signal, dtype=float)
    if x.ndim != 1 or x.shape != y.shape:
        raise OptistackError("a profile needs one signal for every position")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y)) and math.isfinite(background)):
        raise OptistackError("a position or a signal of the profile is not a number")
    if len(x) < 2 or np.any(np.diff(x) <= 0):
        raise OptistackError("positions of a profile must increase")
    if x[-1] - x[0] < FEWEST_PERIODS * pitch_mm:
        raise OptistackError(
            f"the profile is {short(x[-1] - x[0])} mm long; at least {FEWEST_PERIODS:g} pitches "
            f"({short(FEWEST_PERIODS * pitch_mm)} mm) are needed to see that it repeats"
        )
    if float(np.max(np.diff(x))) > pitch_mm / FEWEST_PER_PERIOD:
        raise OptistackError(
            f"the profile has a step of {short(np.max(np.diff(x)))} mm; at least "
            f"{FEWEST_PER_PERIOD:g} points per pitch of {pitch_mm:g} mm are needed"
        )
    y = y - background
    if not np.mean(y) > 0:
        raise OptistackError("the signal less the background is not positive on average")
    return x, y


def _even_sheet(half: float) -> Callable[[Real, Real], Real]:
    """Light-beam shapes of an even sheet; the parameter is ln (half / l)^2."""

    def shapes(parameter: Real, distance: Real) -> Real:
        u = np.exp(parameter / 2)[:, None]
        # cosh(u (1 - d)) / cosh(u), written for large u.
        d = distance / half
        return (np.exp(-u * d) + np.exp(-u * (2.0 - d))) / (1.0 + np.exp(-2.0 * u))

    return shapes


class _Model:
    """Profiles of a cell under its sheet; the parameter is ln R_sq."""

    def __init__(self, cell: Cell, voltage: float, lit: bool, kind: Kind, half_mm: float):
        self.cell, self.voltage, self.lit, self.kind = cell, voltage, lit, kind
        self.half_cm = half_mm * 0.1
        law = cell.law() if lit else cell.law().dark()
        at = np.array([[voltage]])
        self.conductance = float(law.current(at)[1][0, 0])
        top = np.maximum(at, law.zero_current_v)
        self.largest = float(law.current(top)[1][0, 0])
        if not self.conductance > 0:
            raise OptistackError(
                f"at {voltage:g} V the cell conducts nothing: the profile is flat whatever the "
                "sheet resistance"
            )

    def range(self) -> Real:
        """ln R_sq from a flat profile to one that ends beside the finger."""
        unit = V_PER_MA_OHM * self.half_cm**2
        low = 1.0 / (unit * self.largest * _LONGEST**2)
        high = 1.0 / (unit * self.conductance * _SHORTEST**2)
        return np.linspace(math.log(low), math.log(high), _SHAPES)

    def shapes(self, parameter: Real, distance: Real) -> Real:
        """Signal over its value at the finger (parameter, x)."""
        law = laws([self.cell] * len(parameter))
        law = law if self.lit else law.dark()
        k = V_PER_MA_OHM * np.exp(parameter) * self.half_cm**2
        solved = solve_line(law, k, np.full(len(parameter), self.voltage), rtol=1e-8, profiles=True)
        thermal = V_PER_K * self.cell.temperature_k
        out = []
        for i, (xi, v, _, response) in enumerate(solved.profiles):
            if self.kind == "luminescence":
                one = law.take(np.array([i]))
                junction = one.current(v[:, None])[2][:, 0]
                curve = (junction - junction[0]) / thermal
                out.append(np.exp(CubicSpline(xi * self.half_cm * 10, curve)(distance)))
            else:
                out.append(CubicSpline(xi * self.half_cm * 10, response)(distance))
        return np.array(out)


def _against(
    sheet: Value | None, four_point: Value | float | None
) -> tuple[Value | None, Value | None, bool | None]:
    """Compare two sheet resistances on the scale of their logarithms."""
    if four_point is None:
        return None, None, None
    four = four_point
    if not isinstance(four, Value):
        positive("four-point sheet resistance", four, "ohm/sq")
        room = math.exp(1.96 * FOUR_POINT_SD)
        four = Value(float(four), float(four) / room, float(four) * room)
    if not 0 < four.low <= four.value <= four.high:
        raise OptistackError("the four-point sheet resistance and its limits must be above 0")
    if sheet is None:
        return four, None, None
    if sheet.bound == "upper":
        return (
            four,
            Value(sheet.high / four.value, 0.0, sheet.high / four.low, "upper"),
            bool(four.low > sheet.high),
        )
    if sheet.bound == "lower":
        return (
            four,
            Value(sheet.low / four.value, sheet.low / four.high, math.inf, "lower"),
            bool(four.high < sheet.low),
        )
    log_ratio = math.log(sheet.value / four.value)
    # Each side's own half width, towards the other value.
    if log_ratio > 0:
        room = math.hypot(math.log(sheet.value / sheet.low), math.log(four.high / four.value))
    else:
        room = math.hypot(math.log(sheet.high / sheet.value), math.log(four.value / four.low))
    ratio = Value(
        math.exp(log_ratio),
        math.exp(
            log_ratio
            - math.hypot(math.log(sheet.value / sheet.low), math.log(four.high / four.value))
        ),
        math.exp(
            log_ratio
            + math.hypot(math.log(sheet.high / sheet.value), math.log(four.value / four.low))
        ),
    )
    return four, ratio, bool(abs(log_ratio) > room)


def _sentence(
    length: Value,
    sheet: Value | None,
    four: Value | None,
    ratio: Value | None,
    mismatch: bool | None,
) -> str:
    out = f"Collection length {length.format()} mm"
    if sheet is None:
        return out + "."
    out += f", sheet resistance from the profile {sheet.format()} ohm/sq"
    if four is None or ratio is None:
        return out + "."
    out += f", by four points {four.format()} ohm/sq: "
    if mismatch:
        out += (
            f"they do not agree (ratio {ratio.format()}). The four-point value was not taken on "
            "the same sheet, or the conductance of the cell is not what the model says."
        )
    else:
        out += "they agree within their intervals."
    return out
