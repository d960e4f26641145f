"""The ledger of an exposure log, as results.json and the command have it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optistack.report.json_values import Json

if TYPE_CHECKING:
    from optistack.analysis.dose_ledger import Ledger, SpecimenDose

_DOSES = ("radiant_exposure_j_m2", "radiant_exposure_kwh_m2", "photons_m2")


def ledger_json(ledger: Ledger) -> Json:
    """Doses per specimen, all together, outages, overlaps, notes."""
    return {
        "specimens": [_dose(dose) for dose in ledger.doses],
        "total": _dose(ledger.total),
        "gaps": [
            {
                "specimen": gap.specimen,
                "start": gap.start.isoformat(),
                "end": gap.end.isoformat(),
                "hours": gap.hours,
            }
            for gap in ledger.gaps
        ],
        "overlaps": [
            {
                "specimen": x.specimen,
                "first": x.first.where,
                "second": x.second.where,
                "hours": x.hours,
                "same_lamp": x.same_lamp,
            }
            for x in ledger.overlaps
        ],
        "notes": list(ledger.notes),
    }


def _dose(dose: SpecimenDose) -> Json:
    return {
        "specimen": dose.specimen,
        "orientation": dose.orientation,
        "angle_deg": dose.angle_deg,
        "hours": dose.hours,
        **{
            name: {band: value.to_json() for band, value in getattr(dose, name).items()}
            for name in _DOSES
        },
        "grade": dose.grade,
    }
