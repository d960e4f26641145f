"""Scenario files: what they say, what they need, and what comes out of them."""

from optistack.scenario.electrode import ElectrodeAnswer, ElectrodeQuestion
from optistack.scenario.files import InputFile
from optistack.scenario.filter_choice import FilterChoiceAnswer, FilterChoiceQuestion
from optistack.scenario.load import Scenario, load_scenario, parsed, scenario_from_data
from optistack.scenario.outdoors import SiteAnswer, SiteQuestion
from optistack.scenario.plan import PlanAnswer, PlanQuestion
from optistack.scenario.question import Question
from optistack.scenario.rates import RatesAnswer, RatesQuestion
from optistack.scenario.runner import Finding, RunResult, check, run

__all__ = [
    "ElectrodeAnswer",
    "ElectrodeQuestion",
    "FilterChoiceAnswer",
    "FilterChoiceQuestion",
    "Finding",
    "InputFile",
    "PlanAnswer",
    "PlanQuestion",
    "Question",
    "RatesAnswer",
    "RatesQuestion",
    "RunResult",
    "Scenario",
    "SiteAnswer",
    "SiteQuestion",
    "check",
    "load_scenario",
    "parsed",
    "run",
    "scenario_from_data",
]
