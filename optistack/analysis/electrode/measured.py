"""Measured J-V curves: what can be read from them without a model, and what cannot be true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.analysis.electrode.cell import fill_factor_limit
from optistack.analysis.electrode.common import place, positive
from optistack.analysis.electrode.files import read_jv
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.value import short

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

FEWEST_POINTS = 10
# A fill factor may exceed the limit by this much of it: noise of a single reading.
FF_TOLERANCE = 0.005
# A short-circuit current above this multiple of the first is another light or another unit.
MOST_RISE = 3.0
# An open-circuit voltage above this is no single cell, or not in volts [V].
HIGHEST_VOC_V = 10.0
# Parts of the curve that figures are read from: |V| over Voc, |J| over Jsc, J V over its top.
_NEAR_ZERO, _NEAR_VOC, _NEAR_MAXIMUM = 0.12, 0.35, 0.92


@dataclass(frozen=True)
class JVFigures:
    """What a J-V curve says without a model.

    Attributes
    ----------
    jsc_ma_cm2, voc_v, fill_factor, power_mw_cm2, vmp_v, jmp_ma_cm2 : float
    slope_at_voc_ohm_cm2, slope_at_jsc_ohm_cm2 : float
        -dV/dJ: the first holds the diode, the sheet and all contacts, the second shunt and
        field-dependent collection. Infinite where the current does not fall.
    """

    jsc_ma_cm2: float
    voc_v: float
    fill_factor: float
    power_mw_cm2: float
    vmp_v: float
    jmp_ma_cm2: float
    slope_at_voc_ohm_cm2: float
    slope_at_jsc_ohm_cm2: float


@dataclass(frozen=True, eq=False)
class JVSeries:
    """J-V curves of one cell under one light, at several times or doses.

    Attributes
    ----------
    position : (t,) array
        Increasing; the first is the start.
    voltage_v, current_density_ma_cm2 : tuple of (v,) arrays
        Voltages increasing; current positive where the cell gives it.
    figures : tuple of JVFigures
    temperature_k : float
    axis : str
        Name of ``position`` with its unit.
    notes : tuple of str
        How the curves were read.

    Raises
    ------
    OptistackError
        A curve with the wrong sign, without open circuit or short circuit, with two sweeps in
        one, too few points, or a fill factor above what a diode of that voltage allows.
    """

    position: Real
    voltage_v: tuple[Real, ...]
    current_density_ma_cm2: tuple[Real, ...]
    figures: tuple[JVFigures, ...]
    temperature_k: float
    axis: str
    notes: tuple[str, ...]

    def __init__(
        self,
        position: ArrayLike,
        voltage_v: ArrayLike | Sequence[ArrayLike],
        current_density_ma_cm2: ArrayLike | Sequence[ArrayLike],
        *,
        temperature_k: float = 298.15,
        axis: str = "time_h",
        notes: Sequence[str] = (),
    ):
        positive("temperature", temperature_k, "K")
        where = np.array(position, dtype=float)
        if where.ndim != 1 or not np.all(np.isfinite(where)) or np.any(np.diff(where) <= 0):
            raise OptistackError(f"{axis} of a J-V series must increase from curve to curve")
        currents = [np.array(row, dtype=float) for row in _rows(current_density_ma_cm2)]
        voltages = [np.array(row, dtype=float) for row in _rows(voltage_v)]
        if len(voltages) == 1:
            voltages = voltages * len(currents)
        if not len(where) == len(currents) == len(voltages):
            raise OptistackError(
                f"a J-V series of {len(where)} positions has {len(voltages)} rows of voltages and "
                f"{len(currents)} of currents: one of each for every position is needed"
            )
        checked, figures = [], []
        for x, v, j in zip(where, voltages, currents, strict=True):
            name = f"J-V curve at {place(axis, x)}"
            checked.append(_checked(v, j, name))
            figures.append(jv_figures(*checked[-1], temperature_k=temperature_k, name=name))
            jump = figures[-1].jsc_ma_cm2 / figures[0].jsc_ma_cm2
            if jump > MOST_RISE:
                raise OptistackError(
                    f"{name}: short-circuit current is {short(jump)} times that of the first "
                    "curve. "
                    "Check that all curves have the same light and the same unit (1 A/m2 is "
                    "0.1 mA/cm2)"
                )
        for row in (where, *(a for pair in checked for a in pair)):
            row.setflags(write=False)
        for name, value in (
            ("position", where),
            ("voltage_v", tuple(v for v, _ in checked)),
            ("current_density_ma_cm2", tuple(j for _, j in checked)),
            ("figures", tuple(figures)),
            ("temperature_k", float(temperature_k)),
            ("axis", axis),
            ("notes", tuple(notes)),
        ):
            object.__setattr__(self, name, value)

    @classmethod
    def read(
        cls,
        paths: Sequence[str | Path],
        position: ArrayLike,
        *,
        temperature_k: float = 298.15,
        axis: str = "time_h",
        **options: Any,
    ) -> JVSeries:
        """From one file for every position; ``options`` are those of `read_jv`.

        Raises
        ------
        OptistackError
            As `read_jv` and `JVSeries`.
        """
        readings = [read_jv(path, **options) for path in paths]
        return cls(
            position,
            [r.voltage_v for r in readings],
            [r.current_density_ma_cm2 for r in readings],
            temperature_k=temperature_k,
            axis=axis,
            notes=[note for r in readings for note in r.notes],
        )

    def figure(self, name: str) -> Real:
        """One of the figures of all curves (t,)."""
        return np.array([getattr(f, name) for f in self.figures])

    def to_frame(self) -> pd.DataFrame:
        """One row per curve."""
        import pandas as pd

        frame = pd.DataFrame({name: self.figure(name) for name in JVFigures.__dataclass_fields__})
        frame.insert(0, self.axis, self.position)
        return frame

    def plot(self, ax: Any = None) -> Any:
        """All curves on a matplotlib Axes."""
        ax = axes(ax)
        for x, v, j in zip(self.position, self.voltage_v, self.current_density_ma_cm2, strict=True):
            ax.plot(v, j, label=place(self.axis, x))
        ax.axhline(0.0, color="0.7", linewidth=0.8)
        ax.set_xlabel("voltage (V)")
        ax.set_ylabel("current density (mA/cm2)")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def jv_figures(
    voltage_v: ArrayLike,
    current_density_ma_cm2: ArrayLike,
    *,
    temperature_k: float = 298.15,
    name: str = "J-V curve",
) -> JVFigures:
    """Short circuit, open circuit, fill factor and slopes of a measured curve.

    Local fits over a few points, not single readings: a parabola through short circuit, a cubic
    V(J) through open circuit, a quartic through the top of J V.

    Parameters
    ----------
    voltage_v, current_density_ma_cm2 : (v,) array_like
    temperature_k : float
        For the fill factor that a diode of this voltage can have at most.
    name : str
        For messages.

    Raises
    ------
    OptistackError
        As `JVSeries`.

    Examples
    --------
    >>> from optistack.analysis.electrode import Cell, ParallelFingers, jv_curves
    >>> import numpy as np
    >>> v = np.linspace(-0.1, 0.8, 91)
    >>> cell = Cell(9.0, voc_v=0.75, ideality=1.6)
    >>> curve = jv_curves(cell, ParallelFingers(5), 120, v)
    >>> figures = jv_figures(v, curve.current_density_ma_cm2[0])
    >>> f"{figures.fill_factor:.3f} {curve.points.fill_factor[0]:.3f}"
    '0.768 0.768'
    """
    v, j = _checked(
        np.array(voltage_v, dtype=float), np.array(current_density_ma_cm2, dtype=float), name
    )
    crossing = int(np.flatnonzero(j > 0)[-1])
    rough = float(
        v[crossing]
        + (v[crossing + 1] - v[crossing]) * j[crossing] / (j[crossing] - j[crossing + 1])
    )
    if rough > HIGHEST_VOC_V:
        raise OptistackError(
            f"{name}: open-circuit voltage is {short(rough)} V, too much for one cell. Check the "
            "unit: voltages are in V, not in mV"
        )
    zero = np.abs(v) <= _NEAR_ZERO * rough
    if np.count_nonzero(zero) >= 3 and v[zero].min() <= 0 <= v[zero].max():
        degree = 2 if np.count_nonzero(zero) >= 6 else 1
        fall, jsc = (float(x) for x in np.polyfit(v[zero], j[zero], degree)[-2:])
    else:
        jsc = float(np.interp(0.0, v, j))
        near = int(np.argmin(np.abs(v)))
        near = min(near, len(v) - 2)
        fall = float((j[near + 1] - j[near]) / (v[near + 1] - v[near]))
    # V(J) is smooth through open circuit however steep J(V) is.
    top = _window(np.abs(j) <= _NEAR_VOC * jsc, np.abs(v - rough), 4)
    degree = min(3, int(np.count_nonzero(top)) - 2)
    unit = j[top] / jsc
    bend = np.polyfit(unit, v[top], degree)
    voc, rise = float(bend[-1]), float(-bend[-2]) / jsc
    power = v * j
    high = _window(power >= _NEAR_MAXIMUM * power.max(), np.abs(v - v[power.argmax()]), 5)
    degree = min(4, int(np.count_nonzero(high)) - 1)
    middle, width = float(v[high].mean()), float(np.ptp(v[high]))
    hill = np.polyfit((v[high] - middle) / width, power[high], degree)
    fine = np.linspace(v[high][0], v[high][-1], 4001)
    values = np.polyval(hill, (fine - middle) / width)
    vmp, best = float(fine[values.argmax()]), float(values.max())
    ff = best / (jsc * voc)
    limit = fill_factor_limit(voc, temperature_k)
    if ff > limit * (1.0 + FF_TOLERANCE):
        raise OptistackError(
            f"{name}: fill factor {ff:.3f} is above {limit:.3f}, the most a diode with an "
            f"open-circuit voltage of {voc:.3f} V can have at {temperature_k:g} K. Check that "
            "short-circuit current, voltage and temperature belong together and that the sweep "
            "was slow enough"
        )
    return JVFigures(
        jsc, voc, ff, best, vmp, best / vmp, 1e3 * rise, 1e3 / -fall if fall < 0 else float("inf")
    )


def _window(near: NDArray[np.bool_], distance: Real, fewest: int) -> NDArray[np.bool_]:
    """Readings of a stretch, or the nearest few where it holds fewer."""
    if np.count_nonzero(near) >= fewest:
        return near
    out = np.zeros(len(near), dtype=bool)
    out[np.argsort(distance)[:fewest]] = True
    return out


def _rows(values: Any) -> list[Any]:
    """A list of rows from one row, a matrix, or a list of rows."""
    first = values[0] if len(values) else 0.0
    return [values] if np.ndim(first) == 0 else list(values)


def _checked(v: Real, j: Real, name: str) -> tuple[Real, Real]:
    """One sweep with rising voltages, through short and open circuit."""
    if v.ndim != 1 or v.shape != j.shape:
        raise OptistackError(f"{name}: one current for every voltage is needed")
    if len(v) < FEWEST_POINTS:
        raise OptistackError(
            f"{name}: {len(v)} points are too few to read it; at least {FEWEST_POINTS}"
        )
    if not (np.all(np.isfinite(v)) and np.all(np.isfinite(j))):
        raise OptistackError(f"{name}: a voltage or a current is not a number")
    if np.all(np.diff(v) < 0):
        v, j = v[::-1].copy(), j[::-1].copy()
    if np.any(np.diff(v) <= 0):
        raise OptistackError(
            f"{name}: voltages go up and down. Give one sweep; two directions are two curves"
        )
    if not v[0] <= 0.05 * max(float(v[-1]), 0.0):
        raise OptistackError(f"{name}: starts at {v[0]:g} V; short circuit (0 V) is needed")
    if not v[-1] > 0:
        raise OptistackError(
            f"{name}: ends at {v[-1]:g} V; open circuit is not reached. Check the sign of the "
            "voltage"
        )
    at_zero = float(np.interp(0.0, v, j)) if v[0] <= 0 else float(j[0])
    if at_zero == 0 or not np.any(j > 0):
        raise OptistackError(
            f"{name}: current at 0 V is {short(at_zero)} mA/cm2. Photocurrent counts as positive "
            "here: multiply by -1 if your convention is the opposite; a dark curve has none"
        )
    if at_zero < 0:
        raise OptistackError(
            f"{name}: current at 0 V is {short(at_zero)} mA/cm2. Photocurrent counts as positive "
            "here: multiply the currents by -1"
        )
    if not j[-1] < 0:
        raise OptistackError(
            f"{name}: ends at {v[-1]:g} V with {short(j[-1])} mA/cm2; open circuit is not reached"
        )
    return v, j
