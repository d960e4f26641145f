"""Which filter pays: what it leaves of the dose, what it costs, and for how long."""

from optistack.analysis.filter_selection.ageing_life import (
    AgeingLife,
    life_behind_ageing,
    places_compared,
)
from optistack.analysis.filter_selection.bench import Judged
from optistack.analysis.filter_selection.candidates import (
    Absorber,
    Candidate,
    absorber_family,
    combinations,
    edge_family,
    measured_candidates,
    read_absorbers,
    stack_candidates,
)
from optistack.analysis.filter_selection.choice import Chosen, FilterChoice, choose_filter
from optistack.analysis.filter_selection.evaluate import Evaluation, evaluate_filters
from optistack.analysis.filter_selection.filter_ageing import (
    AgedReadings,
    AgeingFilter,
    BleachingFilter,
    Solarisation,
    bleaching_in,
    light_into,
)
from optistack.analysis.filter_selection.front import Front, Halving, pareto_front
from optistack.analysis.filter_selection.interference import InterferenceDesign, design_long_pass
from optistack.analysis.filter_selection.life import (
    LayerLoss,
    Lives,
    PowerCurve,
    Service,
    lives_of,
)
from optistack.analysis.filter_selection.search import Aim, Requirement, Robustness
from optistack.analysis.filter_selection.side_effects import Colour, SideEffects, side_effects
from optistack.analysis.filter_selection.table import (
    FilterRow,
    FilterTable,
    filter_table,
    long_bands,
)
from optistack.analysis.filter_selection.validation import (
    PlanRow,
    TestLight,
    ValidationPlan,
    plan_validation,
    power_of_test,
)

__all__ = [
    "Absorber",
    "AgedReadings",
    "AgeingFilter",
    "AgeingLife",
    "Aim",
    "BleachingFilter",
    "Candidate",
    "Chosen",
    "Colour",
    "Evaluation",
    "FilterChoice",
    "FilterRow",
    "FilterTable",
    "Front",
    "Halving",
    "InterferenceDesign",
    "Judged",
    "LayerLoss",
    "Lives",
    "PlanRow",
    "PowerCurve",
    "Requirement",
    "Robustness",
    "Service",
    "SideEffects",
    "Solarisation",
    "TestLight",
    "ValidationPlan",
    "absorber_family",
    "bleaching_in",
    "choose_filter",
    "combinations",
    "design_long_pass",
    "edge_family",
    "evaluate_filters",
    "filter_table",
    "life_behind_ageing",
    "light_into",
    "lives_of",
    "long_bands",
    "measured_candidates",
    "pareto_front",
    "places_compared",
    "plan_validation",
    "power_of_test",
    "read_absorbers",
    "side_effects",
    "stack_candidates",
]
