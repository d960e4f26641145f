"""Scenario files: what they say, what they need, and what comes out of them."""

from optistack.scenario.files import InputFile
from optistack.scenario.load import Question, Scenario, load_scenario
from optistack.scenario.runner import Finding, RunResult, check, run

__all__ = [
    "Finding",
    "InputFile",
    "Question",
    "RunResult",
    "Scenario",
    "check",
    "load_scenario",
    "run",
]
