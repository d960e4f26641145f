"""How sure an answer is: draws of what is not known, intervals, and what to measure next."""

from __future__ import annotations

from optistack.uncertainty.distributions import (
    Choice,
    Distribution,
    Input,
    LogNormal,
    Normal,
    Uniform,
    from_value,
    uniform_draws,
)
from optistack.uncertainty.draws import Share, Uncertainty, propagate
from optistack.uncertainty.ranking import FirstOrder, first_order
from optistack.uncertainty.stacks import (
    MaterialTolerance,
    RateInputs,
    RatioModel,
    Tolerances,
    ratio_uncertainty,
)

__all__ = [
    "Choice",
    "Distribution",
    "FirstOrder",
    "Input",
    "LogNormal",
    "MaterialTolerance",
    "Normal",
    "RateInputs",
    "RatioModel",
    "Share",
    "Tolerances",
    "Uncertainty",
    "Uniform",
    "first_order",
    "from_value",
    "propagate",
    "ratio_uncertainty",
    "uniform_draws",
]
