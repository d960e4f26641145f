"""Reports: a result as JSON, CSV tables, figures and one self-contained page.

Everything printed is formatted from the same dictionary that becomes ``results.json``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optistack.report.data import SCHEMA, results_json
    from optistack.report.wording import summary_text
    from optistack.report.writing import Draft, write_report

__all__ = ["SCHEMA", "Draft", "results_json", "summary_text", "write_report"]

# Imported when first asked for: the process that only draws needs none of the analyses.
_HOME = {
    "SCHEMA": "optistack.report.data",
    "results_json": "optistack.report.data",
    "summary_text": "optistack.report.wording",
    "Draft": "optistack.report.writing",
    "write_report": "optistack.report.writing",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOME[name]), name)
