"""How sure an answer is: draws of what is not known, intervals, and what to measure next."""

from __future__ import annotations

from optistack.tolerances import MaterialTolerance
from optistack.uncertainty.convergence import Estimate
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
from optistack.uncertainty.draws import Share, Uncertainty
from optistack.uncertainty.known import RateInputs, Tolerances
from optistack.uncertainty.propagation import propagate
from optistack.uncertainty.ranking import FirstOrder, first_order
from optistack.uncertainty.stacks import RatioModel, ratio_uncertainty
from optistack.uncertainty.streams import METHODS, Method, Stream

__all__ = [
    "METHODS",
    "Choice",
    "Distribution",
    "Estimate",
    "FirstOrder",
    "Input",
    "LogNormal",
    "MaterialTolerance",
    "Method",
    "Normal",
    "RateInputs",
    "RatioModel",
    "Share",
    "Stream",
    "Tolerances",
    "Uncertainty",
    "Uniform",
    "first_order",
    "from_value",
    "propagate",
    "ratio_uncertainty",
    "uniform_draws",
]
