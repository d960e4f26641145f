"""The figures of a report, drawn from the results."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from optistack.report.cases import Json
from optistack.report.drawing import Sheet, house_style
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
from optistack.report.pictures import Drawn, Views


class _Figure(NamedTuple):
    """What a figure shows and how it is drawn; ``part``: the part of results.json that it needs.

    What belongs to the exposures is there before any other part.
    """

    part: str
    key: str
    draw: Callable[[Json, Views], Sheet | None]
    alt: str


def _told(part: str, key: str, draw: Callable[[Json], Sheet | None], alt: str) -> _Figure:
    """A figure of what results.json says, without views."""
    return _Figure(part, key, lambda data, _: draw(data), alt)


# In the order of the report.
_FIGURES = (
    _Figure(
        "exposures",
        "stacks",
        lambda _, views: stacks_sheet(views),
        "Layers of the stacks in the order of the light",
    ),
    _Figure(
        "filters",
        "spectra",
        spectra_sheet,
        "Photon flux of every light and transmittance of every filter against wavelength",
    ),
    _Figure(
        "exposures",
        "budget",
        budget_sheet,
        "Share of the incident photons that each layer takes, as bars",
    ),
    _Figure(
        "exposures",
        "absorbed",
        absorbed_sheet,
        "Photons absorbed in the layer against wavelength, coupon and device",
    ),
    _Figure(
        "exposures",
        "depth",
        depth_sheet,
        "Photons absorbed per volume against depth in the layer, coupon and device",
    ),
    _told(
        "exposures",
        "why",
        why_sheet,
        "Three factors and their product, the ratio device over coupon, on a logarithmic axis",
    ),
    _told(
        "filters",
        "filters",
        trade_off_sheet,
        "Dose left behind each filter against the photocurrent it costs",
    ),
    _told(
        "exposures",
        "certainty",
        certainty_sheet,
        "Ratio device over coupon for every spectral weight and for changed k of the layer",
    ),
    _told(
        "uncertainty",
        "causes",
        causes_sheet,
        "Share of the variance of the answer that comes from each input, as bars",
    ),
    _told(
        "uncertainty",
        "convergence",
        convergence_sheet,
        "Mean and ends of the interval against the number of draws, with standard errors",
    ),
    _told(
        "rates",
        "factors",
        factors_sheet,
        "Predicted rate of the device over that of the coupon for every weight, and the "
        "measured one",
    ),
    _told(
        "rates",
        "kinetics",
        kinetics_sheet,
        "Share left of every coupon against dose with the fitted curve, and its residuals",
    ),
    _told(
        "rates",
        "activation",
        activation_sheet,
        "Damage per absorbed photon against wavelength: bands, smooth curve, exponential",
    ),
    _told(
        "rates",
        "course",
        course_sheet,
        "Sheet resistance against time: the coupon's curve, and corrected to the device",
    ),
    _told(
        "electrode",
        "knee",
        knee_sheet,
        "Power of the cell against the sheet resistance of its electrode, with T95, T80, T50",
    ),
    _told(
        "electrode",
        "life",
        life_sheet,
        "Power of the cell against time for every course of the sheet resistance",
    ),
    _told(
        "electrode",
        "pitch",
        pitch_sheet,
        "Power against finger pitch: today, at the end and on average over life",
    ),
    _told(
        "electrode",
        "cause",
        cause_sheet,
        "Measured power against time beside what the measured sheet resistance explains",
    ),
    _told(
        "site",
        "year",
        year_sheet,
        "Light arriving and photons absorbed in the layer in each month of a year at the site",
    ),
    _told(
        "plan",
        "lamp_years",
        lamp_years_sheet,
        "Lamp hours for one year at the site by every way of counting, coupon and device",
    ),
    _told(
        "filter_choice",
        "choice",
        choice_sheet,
        "Dose left against photocurrent lost for every candidate filter, with the front",
    ),
    _told(
        "filter_choice",
        "choice_energy",
        choice_energy_sheet,
        "Power and energy delivered by year, behind the best filter and without one",
    ),
    _told(
        "filter_choice",
        "choice_stability",
        choice_stability_sheet,
        "Share of the draws in which each candidate filter comes first, as bars",
    ),
    _told(
        "filter_choice",
        "choice_spectra",
        choice_spectra_sheet,
        "Photons absorbed in the layer against wavelength, without and behind the best filter",
    ),
    _told(
        "filter_choice",
        "choice_ageing",
        choice_ageing_sheet,
        "Dose left in the layer over the years behind filters that age",
    ),
)


def draw_figures(data: Json, views: Views, progress: Callable[[str], None]) -> list[Drawn]:
    """Every figure for which there are data, in the order of the report.

    Parameters
    ----------
    data : dict
        From `optistack.report.results_json`.
    views : Views
        From `optistack.report.data_views.make_views`.
    progress : callable
    """
    out = []
    for figure in _FIGURES:
        drawn = _draw(figure, data, views, progress)
        if drawn is not None:
            out.append(drawn)
    return out


def draw_as_told(messages: Iterable[tuple[Json, Views]]) -> Iterator[Drawn]:
    """Each figure as soon as its part is there.

    Parameters
    ----------
    messages : iterable of (dict, Views)
        The sections of results.json so far, more each time; at last all of them.
    """
    waiting = list(_FIGURES)
    for data, views in messages:
        for figure in [f for f in waiting if f.part in data]:
            waiting.remove(figure)
            drawn = _draw(figure, data, views, lambda _: None)
            if drawn is not None:
                yield drawn


def _draw(
    figure: _Figure, data: Json, views: Views, progress: Callable[[str], None]
) -> Drawn | None:
    """None where there are no data for it."""
    with house_style():
        sheet = figure.draw(data, views)
        if sheet is None:
            return None
        progress(f"figure {figure.key}")
        return sheet.finish(_FIGURES.index(figure) + 1, figure.key, figure.alt)
