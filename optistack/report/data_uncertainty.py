"""The draws' part of results.json."""

from __future__ import annotations

from optistack.report.json_values import Json, as_json, finite
from optistack.uncertainty import FirstOrder, Uncertainty

_MOST = 12


def uncertainty_json(found: Uncertainty) -> Json:
    """Intervals over the draws and the ranking of causes; docs/results.md explains the fields."""
    # With every weight drawn: the other outputs hold one of them fixed.
    heads = [name for name in found.outputs if "," not in name]
    return {
        "draws": found.draws,
        "failed": found.failed,
        "seed": found.seed,
        "method": found.method,
        "confidence": finite(found.confidence),
        "intervals": {name: as_json(found.interval(name)) for name in found.outputs},
        "shares": {
            name: [
                {
                    "input": s.name,
                    "measurement": s.measurement,
                    "variance_share": finite(s.share),
                    "least_share": finite(s.least),
                }
                for s in found.shares(name)[:_MOST]
            ]
            for name in heads
        },
        "convergence": {
            name: [
                {
                    "draws": e.draws,
                    "statistic": e.statistic,
                    "value": finite(e.value),
                    "standard_error": finite(e.standard_error),
                }
                for e in found.convergence(name)
            ]
            for name in heads
        },
        "sentences": [found.sentence(name) for name in heads],
        "notes": list(found.notes),
    }


def causes_json(found: FirstOrder) -> Json:
    """What the ratio hangs on, to first order; docs/results.md explains the fields."""
    return {
        "output": found.output,
        "value": finite(found.value),
        "log_sd": finite(found.total_log_sd),
        "inputs": [
            {
                "input": s.name,
                "measurement": s.measurement,
                "log_sd": finite(found.log_sd[s.name]),
                "variance_share": finite(s.share),
            }
            for s in found.shares[:_MOST]
        ],
        "notes": list(found.notes),
    }
