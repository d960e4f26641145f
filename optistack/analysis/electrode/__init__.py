"""What a rising sheet resistance does to a cell: distributed one-diode cell under its electrode.

>>> from optistack.analysis.electrode import Cell, ParallelFingers, power_against_resistance
>>> cell = Cell(9.0, voc_v=0.75, ideality=1.6)
>>> power = power_against_resistance(
...     cell, ParallelFingers(pitch_mm=5), [120, 600], start_sheet_resistance_ohm_sq=120
... )
>>> print(power.summary()[1])
80 % of the power at 120 ohm/sq is left at 743 ohm/sq.
"""

from __future__ import annotations

from optistack.analysis.electrode.cell import Cell, Collection, fill_factor_limit, green_fill_factor
from optistack.analysis.electrode.curves import (
    CellCurves,
    SheetProfile,
    jv_curves,
    lumped_resistance_ohm_cm2,
    operating_points,
    sheet_profile,
)
from optistack.analysis.electrode.device import OperatingPoints
from optistack.analysis.electrode.diagnosis import Diagnosis, diagnose
from optistack.analysis.electrode.evidence import Verdict
from optistack.analysis.electrode.files import JVReading, read_jv
from optistack.analysis.electrode.fit import ModelFit
from optistack.analysis.electrode.geometry import (
    BusbarUnitCell,
    CounterElectrode,
    Geometry,
    OneEdge,
    ParallelFingers,
    SquarePad,
)
from optistack.analysis.electrode.image import LineProfileFit, fit_line_profile
from optistack.analysis.electrode.inverse import InferredResistance, infer_sheet_resistance
from optistack.analysis.electrode.life import (
    Outlook,
    PowerLife,
    ResistanceSeries,
    power_over_life,
)
from optistack.analysis.electrode.measured import JVFigures, JVSeries, jv_figures
from optistack.analysis.electrode.mobility import TransientMobility
from optistack.analysis.electrode.pitch import PitchChoice, PitchTable, best_pitch
from optistack.analysis.electrode.power import (
    FirstOrder,
    Knee,
    PowerMap,
    collapse_ohm_sq,
    collection_length_mm,
    power_against_resistance,
)

__all__ = [
    "BusbarUnitCell",
    "Cell",
    "CellCurves",
    "Collection",
    "CounterElectrode",
    "Diagnosis",
    "FirstOrder",
    "Geometry",
    "InferredResistance",
    "JVFigures",
    "JVReading",
    "JVSeries",
    "Knee",
    "LineProfileFit",
    "ModelFit",
    "OneEdge",
    "OperatingPoints",
    "Outlook",
    "ParallelFingers",
    "PitchChoice",
    "PitchTable",
    "PowerLife",
    "PowerMap",
    "ResistanceSeries",
    "SheetProfile",
    "SquarePad",
    "TransientMobility",
    "Verdict",
    "best_pitch",
    "collapse_ohm_sq",
    "collection_length_mm",
    "diagnose",
    "fill_factor_limit",
    "fit_line_profile",
    "green_fill_factor",
    "infer_sheet_resistance",
    "jv_curves",
    "jv_figures",
    "lumped_resistance_ohm_cm2",
    "operating_points",
    "power_against_resistance",
    "power_over_life",
    "read_jv",
    "sheet_profile",
]
