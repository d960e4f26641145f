"""Tables and figures of what the page shows, for taking away."""

from __future__ import annotations

import io
import zipfile
from typing import Any

from optistack.page.answers import Answers
from optistack.page.bundle import add_to_archive


def tables(answers: Answers) -> bytes:
    """Every number and curve as CSV files in one archive; columns name their units."""
    import pandas as pd

    def curves(items: Any, x_name: str, y_name: str) -> Any:
        parts = [pd.DataFrame({"of": c.name, x_name: c.x, y_name: c.y}) for c in items]
        return pd.concat(parts, ignore_index=True) if parts else None

    frames: dict[str, Any] = {
        "numbers": pd.DataFrame(
            [
                {
                    "key": n.key,
                    "what": n.label,
                    "value": n.value.value,
                    "low": n.value.low,
                    "high": n.value.high,
                    "bound": n.value.bound,
                    "unit": n.unit or ("fraction" if n.percent else "dimensionless"),
                    "band": n.band,
                }
                for n in answers.numbers
            ]
        ),
        "absorbed_spectra": curves(answers.spectra, "wavelength_nm", "absorbed_photons_m2_s_nm"),
        "absorbed_by_depth": curves(answers.depth, "depth_nm", "absorbed_photons_m3_s"),
        "where_photons_go": pd.DataFrame(
            [
                {"of": role, "band_nm": answers.band, "where": where, "share": share}
                for role, shares in answers.budgets.items()
                for where, share in shares.items()
            ]
        ),
    }
    for i, comparison in enumerate(answers.comparisons, 1):
        frames[f"comparison_{i}"] = comparison.to_frame()
    if answers.on_trial is not None:
        frames["filter_on_trial"] = answers.on_trial.to_frame()
    if answers.trade_off is not None:
        frames["trade_off_central_spectra"] = answers.trade_off.evaluation.to_frame()
    if answers.power is not None:
        frames["power_against_sheet_resistance"] = answers.power.to_frame()
    return _archive(
        {
            f"{name}.csv": frame.to_csv(index=False).encode()
            for name, frame in frames.items()
            if frame is not None and len(frame)
        }
    )


def figures(answers: Answers) -> bytes:
    """The results' own figures as PNG and SVG in one archive."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from optistack.report.drawing import house_style

    drawn: dict[str, Any] = {}
    for i, comparison in enumerate(answers.comparisons, 1):
        drawn[f"absorptance_{i}"] = comparison.plot
    if answers.trade_off is not None:
        drawn["trade_off"] = answers.trade_off.evaluation.plot
    if answers.power is not None:
        drawn["power"] = answers.power.plot
    for name, items, x_label, y_label in (
        ("absorbed_spectra", answers.spectra, "wavelength (nm)", "absorbed photons (1/(m2 s nm))"),
        ("absorbed_by_depth", answers.depth, "depth (nm)", "absorbed photons (1/(m3 s))"),
    ):
        if items:
            drawn[name] = _lines(items, x_label, y_label)
    files: dict[str, bytes] = {}
    with house_style():
        for name, draw in drawn.items():
            made = Figure(figsize=(8.4, 4.8), layout="constrained")
            FigureCanvasAgg(made)
            draw(made.add_subplot())
            for ending in ("png", "svg"):
                out = io.BytesIO()
                made.savefig(out, format=ending, dpi=150)
                files[f"{name}.{ending}"] = out.getvalue()
    return _archive(files)


def _lines(items: Any, x_label: str, y_label: str) -> Any:
    styles = {"coupon": "--", "device": "-", "filtered": ":"}

    def draw(ax: Any) -> None:
        for curve in items:
            ax.plot(curve.x, curve.y, styles[curve.role], label=curve.name)
        ax.set_xlabel(x_label)
        ax.set_ylabel(y_label)
        ax.legend()

    return draw


def _archive(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            add_to_archive(archive, name, content)
    return out.getvalue()
