"""Life behind a filter that ages, and where an absorber lasts longest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.filter_selection.bench import Bench, judged_on
from optistack.analysis.filter_selection.candidates import Candidate
from optistack.analysis.filter_selection.filter_ageing import AgeingFilter
from optistack.analysis.filter_selection.life import (
    HOURS_PER_YEAR,
    LEVEL,
    LayerLoss,
    PowerCurve,
    Service,
)
from optistack.errors import OptistackError
from optistack.exposure import MountedFilter
from optistack.filters import DARKEST
from optistack.plot_axes import axes
from optistack.rate_terms import LEAST_SHARE
from optistack.stack import Mount

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

_AGES = 17
_YEAR_POINTS = 241


@dataclass(frozen=True, eq=False)
class AgeingLife:
    """A device behind a filter that ages, beside one behind the same filter that does not.

    Attributes
    ----------
    name : str
    years : (year,) array
    dose_left, current_left : (year,) arrays
        At each moment, with the aged filter.
    power, power_fresh : (year,) arrays
    energy_kwh_m2, energy_fresh_kwh_m2 : float
        Over all the years; relative without an electrode, as in `Lives`.
    t80_years, t80_fresh_years : float
        inf where not within the years.
    notes : tuple of str
    """

    name: str
    years: Real
    dose_left: Real
    current_left: Real
    power: Real
    power_fresh: Real
    energy_kwh_m2: float
    energy_fresh_kwh_m2: float
    t80_years: float
    t80_fresh_years: float
    notes: tuple[str, ...] = ()

    def sentence(self) -> str:
        """What ageing takes from the life."""

        def years(t: float) -> str:
            return f"{t:.3g} years" if np.isfinite(t) else f"more than {self.years[-1]:g} years"

        return (
            f"{self.name}: T80 {years(self.t80_fresh_years)} if it stays fresh, "
            f"{years(self.t80_years)} as it ages; dose left {self.dose_left[0]:.3g} at the start, "
            f"{self.dose_left[-1]:.3g} after {self.years[-1]:g} years"
        )

    def to_frame(self) -> pd.DataFrame:
        """One row per moment."""
        import pandas as pd

        names = ("years", "dose_left", "current_left", "power", "power_fresh")
        return pd.DataFrame({n: getattr(self, n) for n in names})

    def plot(self, ax: Any = None) -> Any:
        """Power over the years, fresh and ageing, on a matplotlib Axes."""
        ax = axes(ax)
        ax.plot(self.years, self.power_fresh, "--", label=f"{self.name}, always fresh")
        ax.plot(self.years, self.power, label=f"{self.name}, ageing")
        ax.set_xlabel("years in service")
        ax.set_ylabel("power")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def life_behind_ageing(
    bench: Bench,
    ageing: AgeingFilter,
    loss: LayerLoss,
    service: Service,
    power: PowerCurve,
    rate_ratio: float,
    *,
    mount: Mount = "laminated",
    layer: str | None = None,
    horizon_years: float = 20.0,
) -> AgeingLife:
    """Life behind a filter that ages in service, and behind the same filter if it did not.

    Parameters
    ----------
    bench : Bench
        Of the service's exposure.
    ageing : AgeingFilter
        Its age counts in hours of the service's light.
    loss, service, power, rate_ratio
        As in `optistack.analysis.filter_selection.life.lives_of`.
    mount : str
    layer : str, optional
    horizon_years : float

    Raises
    ------
    OptistackError
        A measured filter whose ages end before the horizon.

    Notes
    -----
    The rate of loss at each moment is that behind the filter as it then is; between the ages at
    which the stack is asked, the logarithm of the dose left is straight in time.
    """
    if not (np.isfinite(horizon_years) and horizon_years > 0):
        raise OptistackError(f"{horizon_years} years: give a horizon above 0")
    asked = horizon_years * np.linspace(0.0, 1.0, _AGES) ** 2
    items = [ageing.at(t * service.hours_per_year) for t in asked]
    judged = judged_on(
        bench,
        [
            Candidate(f"{t:g}", (MountedFilter(item, mount, layer),))
            for t, item in zip(asked, items, strict=True)
        ],
    )
    years = np.linspace(0.0, horizon_years, _YEAR_POINTS)
    left = np.maximum(judged.dose_left[loss.weight][:, 0], DARKEST)
    dose = np.exp(np.interp(years, asked, np.log(left)))
    current = np.interp(years, asked, 1.0 - judged.lost_fraction)
    p = loss.exponent.value.value
    pace = service.damage_hours(loss.weight) * rate_ratio**p

    def course(of_dose: Real, of_current: Real) -> Real:
        speed = pace * of_dose**p
        steps = np.diff(years) * (speed[1:] + speed[:-1]) / 2
        lit = np.concatenate([[0.0], np.cumsum(steps)])
        share = loss.left(lit) * np.exp(-loss.dark_rate_per_h * HOURS_PER_YEAR * years)
        return power(of_current, np.maximum(share, LEAST_SHARE))

    aged = course(dose, current)
    fresh = course(np.full(years.size, dose[0]), np.full(years.size, current[0]))
    unit = service.hours_per_year * (0.01 if power.log_r is not None else 1.0)

    def t80(values: Real) -> float:
        below = np.flatnonzero(values <= LEVEL * values[0])
        if not below.size or values[0] <= 0:
            return float("inf")
        j = int(below[0])
        a, b = values[j - 1], values[j]
        step = (a - LEVEL * values[0]) / (a - b)
        return float(years[j - 1] + step * (years[j] - years[j - 1]))

    return AgeingLife(
        ageing.name,
        years,
        dose,
        current,
        aged,
        fresh,
        float(np.trapezoid(aged, years)) * unit,
        float(np.trapezoid(fresh, years)) * unit,
        t80(aged),
        t80(fresh),
        tuple(dict.fromkeys((*ageing.notes, *(n for x in items for n in x.notes)))),
    )


def places_compared(
    lives: Sequence[AgeingLife],
) -> str:
    """Which of several places of an absorber keeps it longest, in words."""
    if len(lives) < 2:
        raise OptistackError("a comparison of places needs at least two")
    order = sorted(lives, key=lambda x: float(x.dose_left[-1]))
    best, worst = order[0], order[-1]
    return (
        f"{best.name} leaves least of the dose after {best.years[-1]:g} years "
        f"({best.dose_left[-1]:.3g}, against {worst.dose_left[-1]:.3g} for {worst.name}): what "
        "lies in front of an absorber takes part of the light that destroys it"
    )
