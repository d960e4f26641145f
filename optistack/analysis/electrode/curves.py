"""From a cell and its contacts to what is measured at the terminals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from optistack.analysis.electrode.cell import Cell
from optistack.analysis.electrode.common import read_only
from optistack.analysis.electrode.device import RTOL, Device, OperatingPoints, require_strip
from optistack.analysis.electrode.geometry import (
    BusbarUnitCell,
    Geometry,
    OneEdge,
    ParallelFingers,
    SquarePad,
    Strip,
    total_sheet_ohm_sq,
)
from optistack.analysis.electrode.plate import lumped_resistance
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.value import short

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

PROFILE_RTOL = 1e-10
# A curve runs to this part of the cell's own open-circuit voltage.
CURVE_END = 1.05
CURVE_POINTS = 64
CURVE_POINTS_PLATE = 32
# Above this the current along the sheet beside a resistive finger is no longer small.
FINGER_OVER_SHEET = 0.1


@dataclass(frozen=True, eq=False)
class CellCurves:
    """J-V curves of a cell under a resistive electrode.

    Attributes
    ----------
    cell : Cell
    geometry : Geometry
    sheet_resistance_ohm_sq : (r,) array
    voltage_v : (v,) array
    current_density_ma_cm2 : (r, v) array
        Per total area, positive where the cell gives current.
    discretisation_error_ma_cm2 : (r, v) array
        Estimate.
    points : OperatingPoints
    notes : tuple of str
    """

    cell: Cell
    geometry: Geometry
    sheet_resistance_ohm_sq: Real
    voltage_v: Real
    current_density_ma_cm2: Real
    discretisation_error_ma_cm2: Real
    points: OperatingPoints
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        read_only(self)

    def to_frame(self) -> pd.DataFrame:
        """One row per sheet resistance and voltage."""
        import pandas as pd

        r, v = np.meshgrid(self.sheet_resistance_ohm_sq, self.voltage_v, indexing="ij")
        return pd.DataFrame(
            {
                "sheet_resistance_ohm_sq": r.ravel(),
                "voltage_v": v.ravel(),
                "current_density_ma_cm2": self.current_density_ma_cm2.ravel(),
                "discretisation_error_ma_cm2": self.discretisation_error_ma_cm2.ravel(),
            }
        )

    def plot(self, ax: Any = None) -> Any:
        """Current density against voltage, on a matplotlib Axes."""
        ax = axes(ax)
        for r, row in zip(self.sheet_resistance_ohm_sq, self.current_density_ma_cm2, strict=True):
            ax.plot(self.voltage_v, row, label=f"{short(r)} ohm/sq")
        ax.axhline(0.0, color="0.7", linewidth=0.8)
        ax.set_xlabel("voltage (V)")
        ax.set_ylabel("current density (mA/cm2)")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.points.to_frame().to_html(index=False))


@dataclass(frozen=True, eq=False)
class SheetProfile:
    """Voltage and local current density along the sheet, from the contact to the far end.

    Attributes
    ----------
    sheet_resistance_ohm_sq, voltage_v : float
        Voltage at the contact.
    x_mm : (x,) array
        Distance from the edge of the finger.
    local_voltage_v : (x,) array
        Between the electrodes.
    local_current_density_ma_cm2 : (x,) array
        Of the lit junction.
    response : (x,) array
        Share of a small current injected at x that reaches the contact.
    mean_current_density_ma_cm2 : float
        Over the sheet, as it arrives at the contact.
    charge_balance : float
        Relative difference of the current of all volumes and the sheet current at the contact.
    notes : tuple of str
    """

    sheet_resistance_ohm_sq: float
    voltage_v: float
    x_mm: Real
    local_voltage_v: Real
    local_current_density_ma_cm2: Real
    response: Real
    mean_current_density_ma_cm2: float
    charge_balance: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        read_only(self)

    def at(self, x_mm: ArrayLike) -> tuple[Real, Real]:
        """Voltage and local current density at places between the nodes, by cubic splines.

        Raises
        ------
        OptistackError
            A place outside the sheet.
        """
        x = np.asarray(x_mm, dtype=float)
        end = float(self.x_mm[-1])
        if not np.all((x >= 0) & (x <= end * (1 + 1e-12))):
            raise OptistackError(f"places in the sheet lie from 0 to {end:g} mm from the contact")
        voltage, current = (
            CubicSpline(self.x_mm, y)(x)
            for y in (self.local_voltage_v, self.local_current_density_ma_cm2)
        )
        return voltage, current

    def to_frame(self) -> pd.DataFrame:
        """One row per place."""
        import pandas as pd

        return pd.DataFrame(
            {
                "x_mm": self.x_mm,
                "local_voltage_v": self.local_voltage_v,
                "local_current_density_ma_cm2": self.local_current_density_ma_cm2,
                "response": self.response,
            }
        )

    def plot(self, ax: Any = None) -> Any:
        """Local current density against the distance from the contact."""
        ax = axes(ax)
        ax.plot(self.x_mm, self.local_current_density_ma_cm2)
        ax.set_xlabel("distance from the finger (mm)")
        ax.set_ylabel("local current density (mA/cm2)")
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def jv_curves(
    cell: Cell,
    geometry: Geometry,
    sheet_resistance_ohm_sq: ArrayLike,
    voltage_v: ArrayLike | None = None,
    *,
    rtol: float = RTOL,
) -> CellCurves:
    """J-V curves of a cell for one or many sheet resistances of its electrode.

    Parameters
    ----------
    cell : Cell
    geometry : ParallelFingers, OneEdge, SquarePad or BusbarUnitCell
    sheet_resistance_ohm_sq : float or (r,) array_like
    voltage_v : (v,) array_like, optional
        When not given, 64 (32 in two dimensions) from 0 to 1.05 times the cell's open-circuit
        voltage.
    rtol : float
        Largest discretisation error, relative to the current (1e-5 at best in two dimensions).

    Raises
    ------
    OptistackError
        A negative sheet resistance, a voltage that is no number, or one so high that the current
        cannot be found.

    Examples
    --------
    >>> cell = Cell(9.0, voc_v=0.75, ideality=1.6)
    >>> curves = jv_curves(cell, ParallelFingers(pitch_mm=5), [120, 1200, 12000])
    >>> [f"{ff:.3f}" for ff in curves.points.fill_factor]
    ['0.768', '0.517', '0.364']
    """
    device = Device.of(cell, geometry, sheet_resistance_ohm_sq, rtol)
    if voltage_v is None:
        flat = isinstance(geometry, ParallelFingers | OneEdge)
        n = CURVE_POINTS if flat else CURVE_POINTS_PLATE
        voltage = np.linspace(0.0, CURVE_END, n) * cell.open_circuit_v
    else:
        voltage = np.atleast_1d(np.array(voltage_v, dtype=float))
    if voltage.ndim != 1 or not np.all(np.isfinite(voltage)):
        raise OptistackError("voltages must be a list of numbers")
    current, _, error = device.current(np.broadcast_to(voltage, (len(device.r_sq), len(voltage))))
    return CellCurves(
        cell,
        geometry,
        device.r_sq,
        voltage,
        current,
        error,
        device.points(),
        geometry_notes(cell, geometry, device.r_sq),
    )


def operating_points(
    cell: Cell, geometry: Geometry, sheet_resistance_ohm_sq: ArrayLike, *, rtol: float = RTOL
) -> OperatingPoints:
    """Jsc, Voc, fill factor and most power, without the curves between. As `jv_curves`."""
    points = Device.of(cell, geometry, sheet_resistance_ohm_sq, rtol).points()
    return replace(points, notes=geometry_notes(cell, geometry, points.sheet_resistance_ohm_sq))


def sheet_profile(
    cell: Cell,
    geometry: Strip,
    sheet_resistance_ohm_sq: float,
    voltage_v: float,
    *,
    dark: bool = False,
) -> SheetProfile:
    """Voltage and local current along the sheet at one voltage of the contact.

    Beside a resistive finger this is the profile where the finger has that voltage.

    Parameters
    ----------
    cell : Cell
    geometry : ParallelFingers or OneEdge
    sheet_resistance_ohm_sq, voltage_v : float
    dark : bool
        Without light, as for electroluminescence.

    Raises
    ------
    OptistackError
        As `jv_curves`; a geometry in two dimensions.
    """
    require_strip(geometry)
    device = Device.of(cell, geometry, sheet_resistance_ohm_sq)
    if dark:
        device.law = device.law.dark()
    solved = device.line(
        np.array([0]), np.array([float(voltage_v)]), rtol=PROFILE_RTOL, profiles=True
    )
    xi, v, j, response = solved.profiles[0]
    return SheetProfile(
        float(device.r_sq[0]),
        float(voltage_v),
        xi * geometry.reach_mm,
        v,
        j,
        response,
        float(solved.current[0]),
        float(np.abs(solved.balance[0])),
        geometry_notes(cell, geometry, device.r_sq),
    )


def lumped_resistance_ohm_cm2(geometry: Geometry, sheet_resistance_ohm_sq: float) -> float:
    """Lumped resistance that loses as much as the sheet does at uniform current [ohm cm2].

    R_sq S^2 / 12 between lines of pitch S, R_sq L^2 / 3 from one edge, 0.0351 R_sq a^2 in a square
    with contacted rim; with finger shade and finger resistance where there are any.

    Examples
    --------
    >>> f"{lumped_resistance_ohm_cm2(SquarePad(10.0), 100.0):.4f}"
    '3.5144'
    """
    if isinstance(geometry, SquarePad | BusbarUnitCell):
        return lumped_resistance(
            geometry.plate(), total_sheet_ohm_sq(geometry, sheet_resistance_ohm_sq)
        )
    return geometry.lumped_resistance_ohm_cm2(sheet_resistance_ohm_sq)


def geometry_notes(cell: Cell, geometry: Geometry, r_sq: Real) -> tuple[str, ...]:
    """What the solver assumes for this cell and these contacts."""
    notes = []
    if isinstance(geometry, ParallelFingers | OneEdge) and geometry.finger_ohm_per_cm > 0:
        notes.append("resistive finger: current in the sheet parallel to the finger is neglected")
        across = geometry.finger_ohm_per_cm * geometry.period_mm * 0.1
        if across > FINGER_OVER_SHEET * float(r_sq.min()):
            notes.append(
                f"the finger ({short(across)} ohm per square of its pitch) conducts hardly better "
                "than the sheet: use BusbarUnitCell, which follows both directions"
            )
    if cell.collection is not None:
        notes.append(
            "field-dependent collection: equal carriers, uniform field and generation, built-in "
            f"voltage {cell.collection.built_in_voltage_v:g} V"
        )
    if geometry.lit_share < 1.0 and not getattr(
        geometry, "active_under_finger", getattr(geometry, "active_under_metal", True)
    ):
        notes.append("no junction under the metal: its dark current is not counted")
    return tuple(notes)
