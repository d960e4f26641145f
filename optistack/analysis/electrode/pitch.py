"""The finger pitch that earns most: today, at the end, and over the life of the electrode."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator

from optistack.analysis.electrode.cell import Cell
from optistack.analysis.electrode.common import positive
from optistack.analysis.electrode.curves import geometry_notes
from optistack.analysis.electrode.device import Device, replace_pitch
from optistack.analysis.electrode.geometry import CounterElectrode, ParallelFingers
from optistack.analysis.electrode.life import ResistanceSeries
from optistack.analysis.electrode.power import DOUBLINGS, LOOKS_STABLE, collapse_ohm_sq
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.value import short

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

KWH_M2_PER_MWH_CM2 = 0.01
# A choice within this of the most energy counts as good as the best.
NEARLY_BEST = 0.01
_FIRST_GRID, _REFINED = 24, 7
# Sheet resistances per factor e at which a pitch is computed, and times integrated over.
_PER_LOG, _TIMES = 4, 201


class PitchChoice(NamedTuple):
    """One pitch.

    Attributes
    ----------
    pitch_mm : float
    power_today_mw_cm2, power_at_end_mw_cm2 : float
    energy_kwh_m2, energy_low_kwh_m2, energy_high_kwh_m2 : float
        Over the horizon under the cell's own light; limits from those of the sheet resistance.
    share_at_end : float
        Power at the end over power today.
    doublings_left : float
        Doublings of the sheet resistance at the end before 80 % of today's power; negative when
        it is passed.
    share_after_doubling : float
        Power after one more doubling of the sheet resistance at the end, over power at the end.
    at_risk : bool
        It still looks stable at the end but is within two doublings of T80.
    """

    pitch_mm: float
    power_today_mw_cm2: float
    power_at_end_mw_cm2: float
    energy_kwh_m2: float
    energy_low_kwh_m2: float
    energy_high_kwh_m2: float
    share_at_end: float
    doublings_left: float
    share_after_doubling: float
    at_risk: bool


@dataclass(frozen=True, eq=False)
class PitchTable:
    """Finger pitches compared.

    Attributes
    ----------
    choices : tuple of PitchChoice
        By pitch.
    best_today, best_at_end, best_over_life : PitchChoice
    cautious : PitchChoice
        Of those within 1 % of the most energy, the one with the most doublings left.
    horizon_h : float
    notes : tuple of str
    """

    choices: tuple[PitchChoice, ...]
    best_today: PitchChoice
    best_at_end: PitchChoice
    best_over_life: PitchChoice
    cautious: PitchChoice
    horizon_h: float
    notes: tuple[str, ...] = ()

    @property
    def named(self) -> Mapping[str, PitchChoice]:
        """The choices by what they are best at."""
        return {
            "today": self.best_today,
            "at the end": self.best_at_end,
            "over life": self.best_over_life,
            "cautious": self.cautious,
        }

    def summary(self) -> list[str]:
        """Plain sentences."""
        life, careful = self.best_over_life, self.cautious
        out = [
            f"Best pitch today {short(self.best_today.pitch_mm)} mm, at the end "
            f"{short(self.best_at_end.pitch_mm)} mm, for most energy over {self.horizon_h:g} h "
            f"{short(life.pitch_mm)} mm ({life.energy_kwh_m2:.4g} kWh/m2)."
        ]
        drop = 100 * (1 - life.share_after_doubling)
        out.append(
            f"With {short(life.pitch_mm)} mm, {100 * life.share_at_end:.0f} % of today's power is "
            f"left at the end; one more doubling of the sheet resistance would take {drop:.0f} % "
            "of what is left then."
        )
        if life.at_risk:
            out.append(
                f"It looks stable to the end but has {life.doublings_left:.2g} doublings left "
                "before 80 %: a sudden drop follows if the horizon is longer than thought."
            )
        if careful.pitch_mm < life.pitch_mm:
            cost = 100 * (1 - careful.energy_kwh_m2 / life.energy_kwh_m2)
            out.append(
                f"A pitch of {short(careful.pitch_mm)} mm costs {cost:.2g} % of the energy and "
                f"leaves {careful.doublings_left:.2g} doublings instead of "
                f"{life.doublings_left:.2g}."
            )
        return out

    def to_frame(self) -> pd.DataFrame:
        """One row per pitch."""
        import pandas as pd

        return pd.DataFrame(self.choices)

    def plot(self, ax: Any = None) -> Any:
        """Power today, at the end, and mean power over life, against pitch."""
        ax = axes(ax)
        pitch = [c.pitch_mm for c in self.choices]
        mean = self.horizon_h * KWH_M2_PER_MWH_CM2
        ax.plot(pitch, [c.power_today_mw_cm2 for c in self.choices], label="today")
        ax.plot(pitch, [c.power_at_end_mw_cm2 for c in self.choices], label="at the end")
        ax.fill_between(
            pitch,
            [c.energy_low_kwh_m2 / mean for c in self.choices],
            [c.energy_high_kwh_m2 / mean for c in self.choices],
            alpha=0.2,
        )
        ax.plot(pitch, [c.energy_kwh_m2 / mean for c in self.choices], label="mean over life")
        risky = [c for c in self.choices if c.at_risk]
        ax.plot(
            [c.pitch_mm for c in risky],
            [c.power_at_end_mw_cm2 for c in risky],
            "x",
            label=f"within {DOUBLINGS:g} doublings of T80",
        )
        ax.set_xscale("log")
        ax.set_xlabel("finger pitch (mm)")
        ax.set_ylabel("power (mW/cm2)")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        lines = "".join(f"<li>{line}</li>" for line in self.summary())
        return f"<ul>{lines}</ul>" + str(self.to_frame().to_html(index=False))


def best_pitch(
    cell: Cell,
    series: ResistanceSeries,
    *,
    finger_width_um: float,
    pitch_mm: ArrayLike | None = None,
    horizon_h: float | None = None,
    finger_length_mm: float | None = None,
    finger_ohm_per_cm: float = 0.0,
    active_under_finger: bool = True,
    counter: CounterElectrode | None = None,
) -> PitchTable:
    """Compare finger pitches over a given rise of the sheet resistance.

    Parameters
    ----------
    cell : Cell
        Its photocurrent is that of the unshaded cell, under a constant light.
    series : ResistanceSeries
        Against "time_h".
    finger_width_um : float
        Shaded width; without shade the narrowest pitch would always win.
    pitch_mm : array_like, optional
        Pitches to compare; otherwise from four finger widths to where collection collapses today,
        refined around the best.
    horizon_h : float, optional
        Within the series; its end when not given.
    finger_length_mm, finger_ohm_per_cm, active_under_finger, counter
        As in `ParallelFingers`.

    Raises
    ------
    OptistackError
        A series that is not against time or ends before the horizon, no finger width, a pitch
        that the finger fills.

    Examples
    --------
    >>> cell = Cell(9.0, voc_v=0.75, ideality=1.6)
    >>> series = ResistanceSeries([0, 500, 1000], [120, 400, 1600])
    >>> table = best_pitch(cell, series, finger_width_um=150)
    >>> [f"{c.pitch_mm:.1f}" for c in (table.best_today, table.best_over_life, table.best_at_end)]
    ['4.0', '2.4', '1.7']
    """
    if series.axis != "time_h":
        raise OptistackError(f"energy needs a series against time_h, not {series.axis}")
    if not finger_width_um > 0:
        raise OptistackError(
            "without a finger width nothing is shaded and the narrowest pitch wins: give "
            "finger_width_um"
        )
    begin = float(series.position[0])
    horizon = float(series.position[-1]) - begin if horizon_h is None else float(horizon_h)
    positive("horizon", horizon, "h")
    if begin + horizon > series.position[-1] * (1 + 1e-12):
        raise OptistackError(
            f"the resistance series ends {series.position[-1] - begin:g} h after its start, before "
            f"the horizon of {horizon:g} h: it is not extrapolated"
        )
    time = np.union1d(
        np.linspace(begin, begin + horizon, _TIMES),
        series.position[series.position <= begin + horizon],
    )
    columns = ("sheet_resistance_ohm_sq", "low_ohm_sq", "high_ohm_sq")
    sheets = [np.exp(np.interp(time, series.position, np.log(getattr(series, c)))) for c in columns]

    start = widest = float(np.sqrt(collapse_ohm_sq(cell, ParallelFingers(1.0)) / sheets[0][0]))
    if pitch_mm is not None:
        asked = np.unique(np.atleast_1d(np.array(pitch_mm, dtype=float)))
        for pitch in asked:
            positive("finger pitch", float(pitch), "mm")
        start = float(asked[0])
    fingers = ParallelFingers(
        start,
        finger_width_um=finger_width_um,
        finger_length_mm=finger_length_mm,
        finger_ohm_per_cm=finger_ohm_per_cm,
        active_under_finger=active_under_finger,
        counter=counter,
    )
    if pitch_mm is not None:
        choices = _judge(cell, fingers, asked, time, sheets)
    else:
        narrowest = min(4e-3 * finger_width_um, widest / 4)
        grid = np.geomspace(narrowest, widest, _FIRST_GRID)
        choices = _judge(cell, fingers, grid, time, sheets)
        finer = []
        for goal in ("power_today_mw_cm2", "power_at_end_mw_cm2", "energy_kwh_m2"):
            at = int(np.argmax([getattr(c, goal) for c in choices]))
            low, high = grid[max(at - 1, 0)], grid[min(at + 1, _FIRST_GRID - 1)]
            finer.append(np.geomspace(low, high, _REFINED + 2)[1:-1])
        more = np.setdiff1d(np.concatenate(finer), grid)
        choices = sorted([*choices, *_judge(cell, fingers, more, time, sheets)])
    life = max(choices, key=lambda c: c.energy_kwh_m2)
    near = [c for c in choices if c.energy_kwh_m2 >= (1 - NEARLY_BEST) * life.energy_kwh_m2]
    return PitchTable(
        choices=tuple(choices),
        best_today=max(choices, key=lambda c: c.power_today_mw_cm2),
        best_at_end=max(choices, key=lambda c: c.power_at_end_mw_cm2),
        best_over_life=life,
        cautious=max(near, key=lambda c: c.doublings_left),
        horizon_h=horizon,
        notes=(
            "constant light, as the photocurrent of the cell says; night and weather not counted",
            *geometry_notes(cell, replace_pitch(fingers, life.pitch_mm), sheets[0]),
        ),
    )


def _judge(
    cell: Cell, fingers: ParallelFingers, pitches: Real, time: Real, sheets: list[Real]
) -> list[PitchChoice]:
    """Pitches, from powers at a few sheet resistances and splines between their logarithms."""
    # T80 may lie beyond the series: five more factors of two.
    low = min(float(s.min()) for s in sheets)
    far = max(float(s.max()) for s in sheets) * 32.0
    n = max(8, int(np.ceil(np.log(far / low) * _PER_LOG)))
    r = np.geomspace(low, far, n)
    device = Device(
        cell.law().take(np.zeros(n * len(pitches), dtype=np.intp)),
        fingers,
        np.tile(r, len(pitches)),
        pitch_mm=np.repeat(pitches, n),
    )
    log_r = np.log(r)
    log_p = np.log(device.points().power_mw_cm2.reshape(len(pitches), n))
    spline = CubicSpline(log_r, log_p, axis=1)
    powers = [np.exp(spline(np.log(s))) for s in sheets]
    energies = KWH_M2_PER_MWH_CM2 * np.array([np.trapezoid(p, time) for p in powers])
    at_end = float(np.log(sheets[0][-1]))
    doubled = np.exp(spline(at_end + np.log(2.0)))
    out = []
    for i, pitch in enumerate(pitches.tolist()):
        today, end = float(powers[0][i, 0]), float(powers[0][i, -1])
        left = _where_falls_to(math.log(0.8 * today), log_r, log_p[i]) - at_end
        share, doublings = end / today, left / math.log(2.0)
        out.append(
            PitchChoice(
                pitch_mm=pitch,
                power_today_mw_cm2=today,
                power_at_end_mw_cm2=end,
                energy_kwh_m2=float(energies[0, i]),
                energy_low_kwh_m2=float(energies[:, i].min()),
                energy_high_kwh_m2=float(energies[:, i].max()),
                share_at_end=share,
                doublings_left=doublings,
                share_after_doubling=float(doubled[i]) / end,
                at_risk=bool(share >= LOOKS_STABLE and doublings < DOUBLINGS),
            )
        )
    return out


def _where_falls_to(aim: float, log_r: Real, log_p: Real) -> float:
    """ln R_sq at which ln P has fallen to ``aim``; the end where it has not."""
    if aim <= log_p.min():
        return float(log_r[-1])
    falling = np.concatenate([[True], np.minimum.accumulate(log_p)[:-1] > log_p[1:]])
    inverse = PchipInterpolator(log_p[falling][::-1], log_r[falling][::-1])
    return float(inverse(aim))
