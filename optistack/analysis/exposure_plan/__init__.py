"""Which hours of which test stand for the device's years outdoors, and the sheets to take along."""

from optistack.analysis.exposure_plan.plan import exposure_plan
from optistack.analysis.exposure_plan.qualification import (
    QualificationRow,
    QualificationTest,
    qualification_test,
)
from optistack.analysis.exposure_plan.result import PlanHours, PlanResult, PlanRow
from optistack.analysis.exposure_plan.sheets import CHECKLIST

__all__ = [
    "CHECKLIST",
    "PlanHours",
    "PlanResult",
    "PlanRow",
    "QualificationRow",
    "QualificationTest",
    "exposure_plan",
    "qualification_test",
]
