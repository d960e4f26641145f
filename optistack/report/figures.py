"""The figures of a report, drawn from the results."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any, NamedTuple

from optistack.report.cases import (
    MOST_LIGHTS,
    Case,
    Json,
)
from optistack.report.data import Profiles
from optistack.report.drawing import (
    Drawn,
    Sheet,
    house_style,
)
from optistack.report.figures_answer import certainty_sheet, trade_off_sheet, why_sheet
from optistack.report.figures_dose import absorbed_sheet, budget_sheet, depth_sheet
from optistack.report.figures_draws import causes_sheet, convergence_sheet
from optistack.report.figures_electrode import cause_sheet, knee_sheet, life_sheet, pitch_sheet
from optistack.report.figures_filter_choice import (
    choice_ageing_sheet,
    choice_energy_sheet,
    choice_sheet,
    choice_spectra_sheet,
    choice_stability_sheet,
)
from optistack.report.figures_light import spectra_sheet, stacks_sheet
from optistack.report.figures_outdoors import lamp_years_sheet, year_sheet
from optistack.report.figures_rates import (
    activation_sheet,
    course_sheet,
    factors_sheet,
    kinetics_sheet,
)
from optistack.report.painter import Painter
from optistack.scenario import RunResult


class _Figure(NamedTuple):
    """What a figure shows, and how it is drawn; ``alone``: from the data of results.json only."""

    key: str
    alt: str
    draw: Callable[[_Material], Sheet | None]
    alone: bool


class _Material(NamedTuple):
    """What figures are drawn from."""

    data: Json
    result: RunResult
    cases: list[Case]
    profiles: Profiles


def _with_result(key: str, draw: Callable[[_Material], Sheet | None], alt: str) -> _Figure:
    return _Figure(key, alt, draw, False)


def _alone(key: str, draw: Callable[[Json], Sheet | None], alt: str) -> _Figure:
    return _Figure(key, alt, lambda m: draw(m.data), True)


# In the order of the report.
_FIGURES = (
    _with_result(
        "stacks",
        lambda m: stacks_sheet(m.result, m.cases),
        "Layers of the stacks in the order of the light",
    ),
    _with_result(
        "spectra",
        lambda m: spectra_sheet(m.result, m.data),
        "Photon flux of every light and transmittance of every filter against wavelength",
    ),
    _with_result(
        "budget",
        lambda m: budget_sheet(m.result, m.data, m.cases),
        "Share of the incident photons that each layer takes, as bars",
    ),
    _with_result(
        "absorbed",
        lambda m: absorbed_sheet(m.data, m.cases),
        "Photons absorbed in the layer against wavelength, coupon and device",
    ),
    _with_result(
        "depth",
        lambda m: depth_sheet(m.data, m.cases, m.profiles),
        "Photons absorbed per volume against depth in the layer, coupon and device",
    ),
    _with_result(
        "why",
        lambda m: why_sheet(m.data, m.cases),
        "Three factors and their product, the ratio device over coupon, on a logarithmic axis",
    ),
    _alone(
        "filters", trade_off_sheet, "Dose left behind each filter against the photocurrent it costs"
    ),
    _with_result(
        "certainty",
        lambda m: certainty_sheet(m.cases),
        "Ratio device over coupon for every spectral weight and for changed k of the layer",
    ),
    _alone(
        "causes",
        causes_sheet,
        "Share of the variance of the answer that comes from each input, as bars",
    ),
    _alone(
        "convergence",
        convergence_sheet,
        "Mean and ends of the interval against the number of draws, with standard errors",
    ),
    _alone(
        "factors",
        factors_sheet,
        "Predicted rate of the device over that of the coupon for every weight, and the "
        "measured one",
    ),
    _alone(
        "kinetics",
        kinetics_sheet,
        "Share left of every coupon against dose with the fitted curve, and its residuals",
    ),
    _alone(
        "activation",
        activation_sheet,
        "Damage per absorbed photon against wavelength: bands, smooth curve, exponential",
    ),
    _alone(
        "course",
        course_sheet,
        "Sheet resistance against time: the coupon's curve, and corrected to the device",
    ),
    _alone(
        "knee",
        knee_sheet,
        "Power of the cell against the sheet resistance of its electrode, with T95, T80, T50",
    ),
    _alone(
        "life",
        life_sheet,
        "Power of the cell against time for every course of the sheet resistance",
    ),
    _alone(
        "pitch",
        pitch_sheet,
        "Power against finger pitch: today, at the end and on average over life",
    ),
    _alone(
        "cause",
        cause_sheet,
        "Measured power against time beside what the measured sheet resistance explains",
    ),
    _alone(
        "year",
        year_sheet,
        "Light arriving and photons absorbed in the layer in each month of a year at the site",
    ),
    _alone(
        "lamp_years",
        lamp_years_sheet,
        "Lamp hours for one year at the site by every way of counting, coupon and device",
    ),
    _alone(
        "choice",
        choice_sheet,
        "Dose left against photocurrent lost for every candidate filter, with the front",
    ),
    _alone(
        "choice_energy",
        choice_energy_sheet,
        "Power and energy delivered by year, behind the best filter and without one",
    ),
    _alone(
        "choice_stability",
        choice_stability_sheet,
        "Share of the draws in which each candidate filter comes first, as bars",
    ),
    _alone(
        "choice_spectra",
        choice_spectra_sheet,
        "Photons absorbed in the layer against wavelength, without and behind the best filter",
    ),
    _alone(
        "choice_ageing",
        choice_ageing_sheet,
        "Dose left in the layer over the years behind filters that age",
    ),
)


def draw_figures(
    result: RunResult,
    data: Json,
    profiles: Profiles,
    progress: Callable[[str], None],
    painter: Painter | None = None,
) -> Iterator[Drawn]:
    """Every figure for which there are data, in the order of the report.

    Parameters
    ----------
    result : RunResult
    data : dict
        From `optistack.report.results_json`.
    profiles : mapping
        From `optistack.report.data.depth_profiles`.
    progress : callable
    painter : Painter, optional
        Has been sent the data, and draws from these alone what it can, the last figure first.
    """
    cases = [Case(c, d) for c, d in zip(result.comparisons, data["comparisons"], strict=True)]
    material = _Material(data, result, cases[:MOST_LIGHTS], profiles)
    here: dict[str, Drawn | None] = {}
    waiting = [f for f in _FIGURES if not f.alone or painter is None]
    shared = [f for f in _FIGURES if f not in waiting]
    while waiting or shared:
        if waiting:
            figure = waiting.pop(0)
        elif painter is not None:
            there = painter.drawn()
            shared = [f for f in shared if f.key not in there]
            # The last one left is the one that the other process is at.
            if not shared or (len(shared) == 1 and painter.wait_for(shared[0].key)):
                break
            figure = shared.pop(0)
        here[figure.key] = _draw(figure, material, progress)
    drawn = here if painter is None else painter.drawn() | here
    for figure in _FIGURES:
        done = drawn[figure.key]
        if done is not None:
            yield done


def draw_alone(data: Json) -> Iterator[tuple[str, Drawn | None]]:
    """The figures that need nothing but the data of results.json, by key, the last one first."""
    material: Any = SimpleNamespace(data=data)
    for figure in reversed(_FIGURES):
        if figure.alone:
            yield figure.key, _draw(figure, material, lambda _: None)


def _draw(figure: _Figure, material: _Material, progress: Callable[[str], None]) -> Drawn | None:
    """None where there are no data for it."""
    with house_style():
        sheet = figure.draw(material)
        if sheet is None:
            return None
        progress(f"figure {figure.key}")
        number = _FIGURES.index(figure) + 1
        return sheet.finish(f"figure_{number}_{figure.key}", figure.key, figure.alt)
