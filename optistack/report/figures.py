"""The figures of a report, drawn one after another from the results."""

from __future__ import annotations

from collections.abc import Callable, Iterator

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
from optistack.report.figures_light import spectra_sheet, stacks_sheet
from optistack.report.figures_outdoors import lamp_years_sheet, year_sheet
from optistack.report.figures_rates import (
    activation_sheet,
    course_sheet,
    factors_sheet,
    kinetics_sheet,
)
from optistack.scenario import RunResult


def draw_figures(
    result: RunResult, data: Json, profiles: Profiles, progress: Callable[[str], None]
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
    """
    cases = [Case(c, d) for c, d in zip(result.comparisons, data["comparisons"], strict=True)][
        :MOST_LIGHTS
    ]
    drawers: tuple[tuple[str, Callable[[], Sheet | None], str], ...] = (
        (
            "stacks",
            lambda: stacks_sheet(result, cases),
            "Layers of the stacks in the order of the light",
        ),
        (
            "spectra",
            lambda: spectra_sheet(result, data),
            "Photon flux of every light and transmittance of every filter against wavelength",
        ),
        (
            "budget",
            lambda: budget_sheet(result, data, cases),
            "Share of the incident photons that each layer takes, as bars",
        ),
        (
            "absorbed",
            lambda: absorbed_sheet(data, cases),
            "Photons absorbed in the layer against wavelength, coupon and device",
        ),
        (
            "depth",
            lambda: depth_sheet(data, cases, profiles),
            "Photons absorbed per volume against depth in the layer, coupon and device",
        ),
        (
            "why",
            lambda: why_sheet(data, cases),
            "Three factors and their product, the ratio device over coupon, on a logarithmic axis",
        ),
        (
            "filters",
            lambda: trade_off_sheet(data),
            "Dose left behind each filter against the photocurrent it costs",
        ),
        (
            "certainty",
            lambda: certainty_sheet(cases),
            "Ratio device over coupon for every spectral weight and for changed k of the layer",
        ),
        (
            "causes",
            lambda: causes_sheet(data),
            "Share of the variance of the answer that comes from each input, as bars",
        ),
        (
            "factors",
            lambda: factors_sheet(data),
            "Predicted rate of the device over that of the coupon for every weight, and the "
            "measured one",
        ),
        (
            "kinetics",
            lambda: kinetics_sheet(data),
            "Share left of every coupon against dose with the fitted curve, and its residuals",
        ),
        (
            "activation",
            lambda: activation_sheet(data),
            "Damage per absorbed photon against wavelength: bands, smooth curve, exponential",
        ),
        (
            "course",
            lambda: course_sheet(data),
            "Sheet resistance against time: the coupon's curve, and corrected to the device",
        ),
        (
            "knee",
            lambda: knee_sheet(data),
            "Power of the cell against the sheet resistance of its electrode, with T95, T80, T50",
        ),
        (
            "life",
            lambda: life_sheet(data),
            "Power of the cell against time for every course of the sheet resistance",
        ),
        (
            "pitch",
            lambda: pitch_sheet(data),
            "Power against finger pitch: today, at the end and on average over life",
        ),
        (
            "cause",
            lambda: cause_sheet(data),
            "Measured power against time beside what the measured sheet resistance explains",
        ),
        (
            "year",
            lambda: year_sheet(data),
            "Light arriving and photons absorbed in the layer in each month of a year at the site",
        ),
        (
            "lamp_years",
            lambda: lamp_years_sheet(data),
            "Lamp hours for one year at the site by every way of counting, coupon and device",
        ),
        (
            "convergence",
            lambda: convergence_sheet(data),
            "Mean and ends of the interval against the number of draws, with standard errors",
        ),
    )
    for i, (key, draw, alt) in enumerate(drawers, start=1):
        with house_style():
            sheet = draw()
            if sheet is None:
                continue
            progress(f"figure {key}")
            done = sheet.finish(f"figure_{i}_{key}", key, alt)
        yield done
