"""Which filter pays: what it leaves of the dose, what it costs, and for how long."""

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
from optistack.analysis.filter_selection.evaluate import Evaluation, Judged, evaluate_filters
from optistack.analysis.filter_selection.interference import InterferenceDesign, design_long_pass
from optistack.analysis.filter_selection.table import (
    FilterRow,
    FilterTable,
    filter_table,
    long_bands,
)

__all__ = [
    "Absorber",
    "Candidate",
    "Evaluation",
    "FilterRow",
    "FilterTable",
    "InterferenceDesign",
    "Judged",
    "absorber_family",
    "combinations",
    "design_long_pass",
    "edge_family",
    "evaluate_filters",
    "filter_table",
    "long_bands",
    "measured_candidates",
    "read_absorbers",
    "stack_candidates",
]
