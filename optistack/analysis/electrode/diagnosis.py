"""Is it the electrode? What the measured sheet resistance explains of a loss, and what is left.

Three answers from one series of J-V curves: the changes as they were read; what the fresh cell
would lose under the measured sheet resistances alone; and which extra term, if any, the shapes of
the curves call for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.electrode.cell import V_PER_MA_OHM, Cell
from optistack.analysis.electrode.common import axis_label, place, positive, read_only
from optistack.analysis.electrode.device import Device, require_strip
from optistack.analysis.electrode.evidence import LABEL, Verdict, verdict_of, weigh
from optistack.analysis.electrode.fit import (
    CurveFit,
    Extra,
    ModelFit,
    Parameters,
    padded,
)
from optistack.analysis.electrode.geometry import Strip
from optistack.analysis.electrode.life import ResistanceSeries
from optistack.analysis.electrode.measured import JVSeries, jv_figures
from optistack.analysis.electrode.mobility import TransientMobility, mobility_shares
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.value import NORMAL_95, short

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# Below this share of the start power a loss is too small to be divided up.
SMALLEST_LOSS = 0.01
# Without a measured one: room between open circuit and the built-in voltage [V].
ASSUMED_ROOM_V = 0.1
EXTRA_UNIT: Mapping[Extra, str] = {
    "none": "",
    "collection": "V",
    "transport": "ohm cm2",
    "shunt": "mS/cm2",
}


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """What a J-V series says about the cause of a loss.

    Attributes
    ----------
    series : JVSeries
    sheet_resistance_ohm_sq, sheet_low_ohm_sq, sheet_high_ohm_sq : (t,) arrays
        Measured, at the positions of the curves.
    fresh : Cell
        Fitted to the first curve.
    measured_share : (t,) array
        Measured power over the first.
    sheet_share, sheet_share_low, sheet_share_high : (t,) arrays
        What the fresh cell would keep under the measured sheet resistances, and within their
        limits.
    explained : (t,) array
        Loss by the sheet resistance over the measured loss; nan where that is below 1 %.
    changes : mapping of name to (measured, by sheet resistance) of (t,) arrays
        ln of the value over the first for "jsc", "voc", "fill_factor", "power"; the change of
        -dV/dJ at open circuit [ohm cm2] for "series_resistance".
    fits : mapping of extra term to ModelFit
    verdict : Verdict
    budget : mapping of cause to (t,) array
        Parts of ln(P / P_first) in the model that describes the curves best, switched on in this
        order: sheet resistance, photocurrent, open-circuit voltage, the extra term; "not
        described" is the rest of the measured change.
    bulk_share : (t,) array
        Power share of (b), the fit with the better bulk term.
    mobility_share : (t,) array or None
        Power share that the transient mobility would leave, at the first sheet resistance.
    mobility_and_sheet_share : (t,) array or None
    notes : tuple of str
    """

    series: JVSeries
    sheet_resistance_ohm_sq: Real
    sheet_low_ohm_sq: Real
    sheet_high_ohm_sq: Real
    fresh: Cell
    measured_share: Real
    sheet_share: Real
    sheet_share_low: Real
    sheet_share_high: Real
    explained: Real
    changes: Mapping[str, tuple[Real, Real]]
    fits: Mapping[Extra, ModelFit]
    verdict: Verdict
    budget: Mapping[str, Real]
    bulk_share: Real
    mobility_share: Real | None
    mobility_and_sheet_share: Real | None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        read_only(self)

    def summary(self) -> list[str]:
        """Plain sentences about the last curve of the series."""
        at, axis = self.series.position[-1], self.series.axis
        loss = 1.0 - self.measured_share[-1]
        start = f"the value at {place(axis, self.series.position[0])}"
        out = [f"At {place(axis, at)} the cell has lost {100 * loss:.1f} % of {start}."]
        if math.isfinite(self.explained[-1]):
            band = sorted((1.0 - self.sheet_share_low[-1], 1.0 - self.sheet_share_high[-1]))
            between = (
                f" ({100 * band[0]:.1f} to {100 * band[1]:.1f} %)"
                if band[1] - band[0] > 5e-4
                else ""
            )
            out.append(
                f"The measured sheet resistance alone makes the fresh cell lose "
                f"{100 * (1.0 - self.sheet_share[-1]):.1f} %{between}: "
                f"{100 * self.explained[-1]:.0f} % of the loss."
            )
        else:
            out.append("That is too little to be divided among causes.")
        parts = [
            f"{cause} {100 * math.expm1(part[-1]):+.1f} %" for cause, part in self.budget.items()
        ]
        out.append("Power, one cause after the other: " + ", ".join(parts) + ".")
        out.append(self.verdict.sentence)
        if self.mobility_share is not None:
            out.append(
                f"The transient mobility would make the cell lose "
                f"{100 * (1.0 - self.mobility_share[-1]):.1f} % if it governed steady collection. "
                "Traps can shorten a transient without changing steady transport."
            )
        return out

    def to_frame(self) -> pd.DataFrame:
        """One row per curve and quantity: measured change, what the sheet makes of it, the rest."""
        import pandas as pd

        rows = []
        for name, (seen, made) in self.changes.items():
            for i, x in enumerate(self.series.position):
                rows.append(
                    {
                        self.series.axis: x,
                        "quantity": name,
                        "measured": seen[i],
                        "by_sheet_resistance": made[i],
                        "left": seen[i] - made[i],
                    }
                )
        return pd.DataFrame(rows)

    def model_frame(self) -> pd.DataFrame:
        """One row per model: free parameters, misfit, AICc and what the extra term came to."""
        import pandas as pd

        least = min(f.aicc for f in self.fits.values())
        weights = {k: math.exp(-(f.aicc - least) / 2) for k, f in self.fits.items()}
        total = sum(weights.values())
        return pd.DataFrame(
            [
                {
                    "model": LABEL[name],
                    "free": f.free,
                    "readings": f.points,
                    "effective_readings": f.effective_points,
                    "residual_rms_ma_cm2": f.residual_rms_ma_cm2,
                    "delta_aicc": f.aicc - least,
                    "weight": weights[name] / total,
                    "extra_at_end": f.extra[-1],
                    "extra_sd": f.extra_sd[-1],
                    "unit": EXTRA_UNIT[name],
                }
                for name, f in self.fits.items()
            ]
        )

    def plot(self, ax: Any = None) -> Any:
        """Power share against time: measured, by the sheet alone, fitted, and by mobility."""
        ax = axes(ax)
        x = self.series.position
        ax.plot(x, self.measured_share, "o", label="measured")
        ax.fill_between(x, self.sheet_share_low, self.sheet_share_high, alpha=0.2)
        ax.plot(x, self.sheet_share, label="(a) measured sheet resistance alone")
        ax.plot(x, self.bulk_share, "--", label=f"(b) fit: sheet {LABEL[self.verdict.bulk]}")
        if self.mobility_share is not None:
            ax.plot(x, self.mobility_share, ":", label="by transient mobility")
        ax.set_ylim(0.0, 1.1)
        ax.set_xlabel(axis_label(self.series.axis))
        ax.set_ylabel("power, share of the first")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        lines = "".join(f"<li>{line}</li>" for line in self.summary())
        return f"<ul>{lines}</ul>" + str(self.model_frame().to_html(index=False))


def diagnose(
    series: JVSeries,
    geometry: Strip,
    resistance: ResistanceSeries,
    *,
    built_in_voltage_v: float | None = None,
    current_sd_ma_cm2: float | None = None,
    mobility: TransientMobility | None = None,
    extras: Sequence[Extra] = ("collection", "transport", "shunt"),
) -> Diagnosis:
    """Say how much of a loss the measured sheet resistance explains, and what the rest looks like.

    Parameters
    ----------
    series : JVSeries
        At least two curves; the first is the start.
    geometry : ParallelFingers or OneEdge
    resistance : ResistanceSeries
        Four-point values of a coupon or witness; it must cover the positions of the curves. Its
        limits are taken as 95 % and let the sheet resistance move within them in every model.
    built_in_voltage_v : float, optional
        For the field-dependent collection; the highest Voc plus 0.1 V when not given.
    current_sd_ma_cm2 : float, optional
        Standard deviation of a reading; from the residuals when not given.
    mobility : TransientMobility, optional
    extras : sequence of "collection", "transport", "shunt"

    Raises
    ------
    OptistackError
        One curve only, positions outside the resistance series, a geometry in two dimensions, too
        few readings.

    Notes
    -----
    AICc: C. M. Hurvich and C.-L. Tsai, Biometrika 76 (1989) 297 (reference from memory). A
    difference below 2 decides nothing, below 6 is weak, above 10 strong.
    """
    require_strip(geometry)
    if len(series.position) < 2:
        raise OptistackError("a diagnosis compares curves: at least two are needed")
    if mobility is not None and len(mobility.ratio) != len(series.position):
        raise OptistackError(
            f"{len(mobility.ratio)} mobilities for {len(series.position)} J-V curves: one for each"
        )
    if current_sd_ma_cm2 is not None:
        positive("standard deviation of a reading", current_sd_ma_cm2, "mA/cm2")
    sheet, low, high = (
        np.array([resistance.at(float(x), name) for x in series.position])
        for name in ("sheet_resistance_ohm_sq", "low_ohm_sq", "high_ohm_sq")
    )
    relative_sd = np.log(high / low) / (2 * NORMAL_95)
    voc = series.figure("voc_v")
    built_in = built_in_voltage_v
    notes = ["photocurrent and open-circuit voltage are free in every curve"]
    if built_in is None:
        built_in = float(voc.max()) + ASSUMED_ROOM_V
        notes.append(f"built-in voltage taken as {built_in:.2f} V (highest Voc + 0.1 V)")
    elif built_in <= voc.max():
        raise OptistackError(
            f"built-in voltage {built_in:g} V is below the open-circuit voltage "
            f"{short(voc.max())} V"
        )
    if not resistance.has_range:
        notes.append("the measured sheet resistance is taken as exact")

    fresh = _fresh_cell(series, geometry, sheet[:1], built_in, current_sd_ma_cm2)
    problem = CurveFit(series, geometry, sheet, relative_sd, built_in, current_sd_ma_cm2)
    plain = problem.fit("none")
    found = [
        plain,
        *(problem.fit(extra, plain.parameters, plain.residual_rms_ma_cm2) for extra in extras),
    ]
    fits = {f.name: f for f in weigh(found, current_sd_ma_cm2)}
    if plain.points < len(fits["none"].residuals) * len(series.voltage_v[0]):
        notes.append("readings beyond -1 Jsc in forward direction are left out of the fits")
    worth = fits["none"].effective_points
    if worth < 0.9 * plain.points:
        notes.append(
            f"neighbouring residuals are alike: {plain.points} readings count as {worth:.0f}"
        )

    share = series.figure("power_mw_cm2") / series.figures[0].power_mw_cm2
    by_sheet = dict(
        zip(("mean", "low", "high"), _shares(fresh, geometry, [sheet, high, low]), strict=True)
    )
    loss = 1.0 - share
    with np.errstate(divide="ignore", invalid="ignore"):
        explained = np.where(loss >= SMALLEST_LOSS, (1.0 - by_sheet["mean"]) / loss, np.nan)
    alone, both = None, None
    if mobility is not None:
        unchanged = np.full_like(sheet, sheet[0])
        alone = mobility_shares(fresh, geometry, unchanged, mobility, built_in)
        both = mobility_shares(fresh, geometry, sheet, mobility, built_in)
    best = min(fits.values(), key=lambda f: f.aicc)
    verdict = verdict_of(fits, current_sd_ma_cm2, len(series.position) - 1)
    (bulk,) = problem.powers([fits[verdict.bulk].parameters])
    return Diagnosis(
        series=series,
        sheet_resistance_ohm_sq=sheet,
        sheet_low_ohm_sq=low,
        sheet_high_ohm_sq=high,
        fresh=fresh,
        measured_share=share,
        sheet_share=by_sheet["mean"],
        sheet_share_low=by_sheet["low"],
        sheet_share_high=by_sheet["high"],
        explained=explained,
        changes=_changes(series, fresh, geometry, sheet),
        fits=fits,
        verdict=verdict,
        budget=_budget(problem, best, share),
        bulk_share=bulk / bulk[0],
        mobility_share=alone,
        mobility_and_sheet_share=both,
        notes=(*series.notes, *notes),
    )


def _fresh_cell(
    series: JVSeries, geometry: Strip, sheet: Real, built_in: float, current_sd: float | None
) -> Cell:
    """The cell under the electrode, from the first curve alone."""
    first = JVSeries(
        series.position[:1],
        [series.voltage_v[0]],
        [series.current_density_ma_cm2[0]],
        temperature_k=series.temperature_k,
        axis=series.axis,
    )
    p = CurveFit(first, geometry, sheet, np.zeros(1), built_in, current_sd).fit("none").parameters
    return Cell(
        photocurrent_density_ma_cm2=float(p.photocurrent[0]),
        voc_v=float(p.voc[0]),
        ideality=float(p.ideality[0]),
        # A conductance of zero is no shunt.
        shunt_resistance_ohm_cm2=(
            1.0 / (V_PER_MA_OHM * float(p.shunt[0])) if p.shunt[0] > 0 else None
        ),
        series_resistance_ohm_cm2=float(p.series[0]) / V_PER_MA_OHM,
        temperature_k=series.temperature_k,
    )


def _shares(cell: Cell, geometry: Strip, sheets: Sequence[Real]) -> Real:
    """Power of a cell over the first, along each series of sheet resistances (series, t)."""
    power = Device.of(cell, geometry, np.concatenate(sheets)).points().power_mw_cm2
    power = power.reshape(len(sheets), -1)
    return np.asarray(power / power[:, :1])


def _changes(
    series: JVSeries, fresh: Cell, geometry: Strip, sheet: Real
) -> dict[str, tuple[Real, Real]]:
    """Changes read from the curves, and the same readings of the fresh cell under each sheet."""
    current = Device.of(fresh, geometry, sheet).current(padded(series.voltage_v))[0]
    made = [
        jv_figures(v, row[: len(v)], temperature_k=series.temperature_k, name="model curve")
        for v, row in zip(series.voltage_v, current, strict=True)
    ]
    out = {}
    for name, figure in (
        ("jsc", "jsc_ma_cm2"),
        ("voc", "voc_v"),
        ("fill_factor", "fill_factor"),
        ("power", "power_mw_cm2"),
    ):
        seen = series.figure(figure)
        modelled = np.array([getattr(f, figure) for f in made])
        out[name] = (np.log(seen / seen[0]), np.log(modelled / modelled[0]))
    seen = series.figure("slope_at_voc_ohm_cm2")
    modelled = np.array([f.slope_at_voc_ohm_cm2 for f in made])
    out["series_resistance"] = (seen - seen[0], modelled - modelled[0])
    return out


def _budget(problem: CurveFit, best: ModelFit, measured: Real) -> dict[str, Real]:
    """Parts of ln(P/P_first), switched on one after the other."""
    p, n = best.parameters, problem.n
    first = {f: np.full(n, getattr(p, f)[0]) for f in Parameters.__dataclass_fields__}
    steps: list[tuple[str, tuple[str, ...]]] = [
        ("sheet resistance", ("log_sheet",)),
        ("photocurrent", ("photocurrent",)),
        ("open-circuit voltage", ("voc",)),
    ]
    if best.name != "none":
        steps.append((LABEL[best.name].removeprefix("and "), ("collection", "series", "shunt")))

    cases = [Parameters(**first)]
    for _, fields in steps:
        first |= {f: getattr(p, f) for f in fields}
        cases.append(Parameters(**first))
    log_power = np.log(problem.powers(cases))
    parts = np.diff(log_power, axis=0)
    out: dict[str, Real] = {cause: part for (cause, _), part in zip(steps, parts, strict=True)}
    out["not described"] = np.log(measured) - (log_power[-1] - log_power[0])
    return out
