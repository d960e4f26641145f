"""Photons that each layer of a thin-film stack absorbs under a lamp or the sun.

>>> import optistack as ost
>>> stack = ost.Stack("air", [ost.Layer("film", ost.material("ito"), 120.0)], "fused_silica")
>>> lamp = ost.spectrum("uva340").at_set_point(340, 0.89)
>>> result = ost.Exposure("bare film", stack, lamp, hours=100).run()
>>> print(f"{result.absorbed_fraction('film', (300, 400))[0]:.3f}")  # of the incident photons
0.094
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from optistack.ageing import AgeingData, Specimen
    from optistack.ageing_file import read_ageing
    from optistack.analysis.activation_spectrum import activation_spectrum, cut_on_series
    from optistack.analysis.compare import Comparison, compare
    from optistack.analysis.dose_ledger import (
        LampAgeing,
        Ledger,
        LogEntry,
        SetPoint,
        dose_ledger,
        read_lamp_ageing,
        read_log,
    )
    from optistack.analysis.electrode import (
        Cell,
        JVSeries,
        ParallelFingers,
        ResistanceSeries,
        best_pitch,
        diagnose,
        fit_line_profile,
        infer_sheet_resistance,
        power_against_resistance,
        power_over_life,
    )
    from optistack.analysis.exposure_plan import exposure_plan, qualification_test
    from optistack.analysis.filter_selection import (
        FilterTable,
        LayerLoss,
        Requirement,
        Service,
        absorber_family,
        choose_filter,
        edge_family,
        evaluate_filters,
        filter_table,
        measured_candidates,
        plan_validation,
        read_absorbers,
    )
    from optistack.analysis.kinetics import fit_kinetics
    from optistack.analysis.lamp_years import compare_lamps, lamp_years
    from optistack.analysis.optical_constants import (
        FilmMeasurement,
        OpticalConstants,
        optical_constants,
    )
    from optistack.analysis.outdoor import (
        Climate,
        Site,
        SiteLight,
        SiteYear,
        climate_from_frame,
        climate_from_months,
        read_climate,
        site_light,
        site_year,
    )
    from optistack.analysis.rate_correction import correct_rate, ratios_per_volume
    from optistack.analysis.rate_series import fit_activation_energy, fit_exponent, group_rates
    from optistack.care import Hazard, hazard
    from optistack.collection import Collection, QuantumEfficiency, photocurrent
    from optistack.criteria import Thermal
    from optistack.database import database_table, search_database, write_database_table
    from optistack.errors import (
        OptistackError,
        QuestionError,
        RangeError,
        ScenarioError,
        StackError,
        TableError,
    )
    from optistack.exposure import Exposure, ExposureResult, MountedFilter
    from optistack.filters import (
        Filter,
        absorber_filter,
        absorption_bands,
        concentration,
        edge_filter,
        measured_filter,
    )
    from optistack.light_paths import Geometry, Holder
    from optistack.materials import Material, material
    from optistack.mixtures import beer_lambert, effective_medium, urbach_edge
    from optistack.page import explore
    from optistack.reader import Export, export_to_table, read_export
    from optistack.scenario import RunResult, Scenario, check, load_scenario, run
    from optistack.spectra import Spectrum, Weight, gaussian, planck, spectrum, weight_family
    from optistack.stack import FilterStack, Layer, Stack
    from optistack.uncertainty import propagate, ratio_uncertainty
    from optistack.weathering_cycles import standard_cycles

# Names are imported when they are first asked for: `import optistack` stays quick.
_HOME = {
    "optistack.errors": (
        "OptistackError",
        "QuestionError",
        "RangeError",
        "ScenarioError",
        "StackError",
        "TableError",
    ),
    "optistack.materials": ("Material", "material"),
    "optistack.reader": ("Export", "export_to_table", "read_export"),
    "optistack.spectra": (
        "Spectrum",
        "Weight",
        "gaussian",
        "planck",
        "spectrum",
        "weight_family",
    ),
    "optistack.filters": (
        "Filter",
        "absorber_filter",
        "absorption_bands",
        "concentration",
        "edge_filter",
        "measured_filter",
    ),
    "optistack.stack": ("FilterStack", "Layer", "Stack"),
    "optistack.exposure": ("Exposure", "ExposureResult", "MountedFilter"),
    "optistack.light_paths": ("Geometry", "Holder"),
    "optistack.care": ("Hazard", "hazard"),
    "optistack.collection": ("Collection", "QuantumEfficiency", "photocurrent"),
    "optistack.ageing": ("AgeingData", "Specimen"),
    "optistack.ageing_file": ("read_ageing",),
    "optistack.analysis.activation_spectrum": ("activation_spectrum", "cut_on_series"),
    "optistack.analysis.compare": ("Comparison", "compare"),
    "optistack.analysis.dose_ledger": (
        "LampAgeing",
        "Ledger",
        "LogEntry",
        "SetPoint",
        "dose_ledger",
        "read_lamp_ageing",
        "read_log",
    ),
    "optistack.analysis.electrode": (
        "Cell",
        "JVSeries",
        "ParallelFingers",
        "ResistanceSeries",
        "best_pitch",
        "diagnose",
        "fit_line_profile",
        "infer_sheet_resistance",
        "power_against_resistance",
        "power_over_life",
    ),
    "optistack.analysis.exposure_plan": ("exposure_plan", "qualification_test"),
    "optistack.analysis.lamp_years": ("compare_lamps", "lamp_years"),
    "optistack.criteria": ("Thermal",),
    "optistack.weathering_cycles": ("standard_cycles",),
    "optistack.analysis.kinetics": ("fit_kinetics",),
    "optistack.analysis.outdoor": (
        "Climate",
        "Site",
        "SiteLight",
        "SiteYear",
        "climate_from_frame",
        "climate_from_months",
        "read_climate",
        "site_light",
        "site_year",
    ),
    "optistack.analysis.rate_correction": ("correct_rate", "ratios_per_volume"),
    "optistack.analysis.rate_series": ("fit_activation_energy", "fit_exponent", "group_rates"),
    "optistack.sensitivity": (
        "Sensitivities",
        "photocurrent_sensitivities",
        "ratio_sensitivities",
        "sensitivities",
    ),
    "optistack.scans": ("ThicknessScan", "thickness_scan"),
    "optistack.uncertainty": ("first_order", "propagate", "ratio_uncertainty"),
    "optistack.analysis.filter_selection": (
        "FilterTable",
        "LayerLoss",
        "Requirement",
        "Service",
        "absorber_family",
        "choose_filter",
        "edge_family",
        "evaluate_filters",
        "filter_table",
        "measured_candidates",
        "plan_validation",
        "read_absorbers",
    ),
    "optistack.analysis.optical_constants": (
        "FilmMeasurement",
        "OpticalConstants",
        "optical_constants",
    ),
    "optistack.database": ("database_table", "search_database", "write_database_table"),
    "optistack.mixtures": ("beer_lambert", "effective_medium", "urbach_edge"),
    "optistack.page": ("explore",),
    "optistack.scenario": ("RunResult", "Scenario", "check", "load_scenario", "run"),
}
_WHERE = {name: module for module, names in _HOME.items() for name in names}

__all__ = ["__version__", *_WHERE]


def __getattr__(name: str) -> Any:

    if name not in _WHERE:
        raise AttributeError(f"module 'optistack' has no attribute {name!r}")
    import importlib

    value = getattr(importlib.import_module(_WHERE[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
