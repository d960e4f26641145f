"""Dose ledger: from the log of a chamber to the dose of every specimen in any band.

A log says when which specimens were under which lamp, at which set point, behind which filter. The
lamp's spectrum turns the meter's reading into any band, the filter's transmittance and the lamp's
ageing go in, outages and overlaps are found, and nothing is lost: sums are exact.
"""

from optistack.analysis.dose_ledger.doses import Lighting, Part, SpecimenDose
from optistack.analysis.dose_ledger.entries import (
    ORIENTATIONS,
    LogEntry,
    SetPoint,
    band_from_text,
)
from optistack.analysis.dose_ledger.lamp_ageing import LampAgeing, read_lamp_ageing
from optistack.analysis.dose_ledger.ledger import dose_ledger
from optistack.analysis.dose_ledger.lines import Gap, LedgerLine, Overlap
from optistack.analysis.dose_ledger.log_file import ExposureLog, read_log
from optistack.analysis.dose_ledger.result import DoseCurve, Ledger

__all__ = [
    "ORIENTATIONS",
    "DoseCurve",
    "ExposureLog",
    "Gap",
    "LampAgeing",
    "Ledger",
    "LedgerLine",
    "Lighting",
    "LogEntry",
    "Overlap",
    "Part",
    "SetPoint",
    "SpecimenDose",
    "band_from_text",
    "dose_ledger",
    "read_lamp_ageing",
    "read_log",
]
