"""What is not beaten in both dose and photocurrent, where it bends, and what each halving costs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError
from optistack.plot_axes import axes

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

MOST_HALVINGS = 14
# What no filter leaves and costs.
_NONE = (1.0, 0.0)


class Halving(NamedTuple):
    """The cheapest candidate that leaves at most (1/2)^n of the dose.

    Attributes
    ----------
    halvings : int
        n.
    position : int
        Of the candidate.
    dose_left : float
    lost_fraction : float
        Of the photocurrent.
    price : float
        Photocurrent lost beyond that of the halving before, as a share of the unfiltered one.
    """

    halvings: int
    position: int
    dose_left: float
    lost_fraction: float
    price: float


@dataclass(frozen=True, eq=False)
class Front:
    """Candidates that no other beats in both dose left and photocurrent lost.

    Attributes
    ----------
    positions : (point,) int array
        Of the candidates, the one that costs least first.
    dose_left, lost_fraction : (point,) arrays
    knee : int or None
        Position of the candidate at the knee; None with fewer than two points besides no filter.
    halvings : tuple of Halving
    """

    positions: NDArray[np.intp]
    dose_left: Real
    lost_fraction: Real
    knee: int | None
    halvings: tuple[Halving, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row per candidate on the front."""
        import pandas as pd

        return pd.DataFrame(
            {
                "position": self.positions,
                "dose_left": self.dose_left,
                "photocurrent_lost_fraction": self.lost_fraction,
                "knee": self.positions == (-1 if self.knee is None else self.knee),
            }
        )

    def plot(self, ax: Any = None) -> Any:
        """The front as a line of steps, on a matplotlib Axes."""
        ax = axes(ax)
        ax.step(100 * self.lost_fraction, self.dose_left, where="post")
        if self.knee is not None:
            at = self.positions == self.knee
            ax.plot(100 * self.lost_fraction[at], self.dose_left[at], "o")
        ax.set_yscale("log")
        ax.set_xlabel("photocurrent lost (%)")
        ax.set_ylabel("dose left")
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def pareto_front(dose_left: ArrayLike, lost_fraction: ArrayLike) -> Front:
    """The front of candidates, its knee and the price of each halving.

    Parameters
    ----------
    dose_left : (candidate,) array
        Not negative.
    lost_fraction : (candidate,) array
        Of the photocurrent; may be negative where a filter lets more light in.

    Raises
    ------
    OptistackError
        Arrays that do not fit, or that hold no finite pair.

    Notes
    -----
    The knee is where the front bulges most towards "much less dose for little current": between no
    filter and the last point of the front, both axes scaled to 0-1, the point farthest from the
    straight line that joins these two, in halvings of the dose, log2(1/dose left), against
    photocurrent lost. The definition by the farthest point from that line is that of I. Das,
    Struct. Optim. 18 (1999) 107 (from memory), also reviewed in K. Deb, S. Gupta, KanGAL report
    2010005; to count the dose in halvings is a choice of this project.

    Examples
    --------
    >>> front = pareto_front([0.5, 0.1, 0.09, 0.2], [0.01, 0.02, 0.10, 0.03])
    >>> front.positions.tolist(), front.knee
    ([0, 1, 2], 1)
    >>> [(h.halvings, round(h.price, 3)) for h in front.halvings]
    [(1, 0.01), (2, 0.01), (3, 0.0)]
    """
    dose, lost = np.asarray(dose_left, dtype=float), np.asarray(lost_fraction, dtype=float)
    if dose.ndim != 1 or dose.shape != lost.shape:
        raise OptistackError("a front needs as many doses as losses")
    known = np.flatnonzero(np.isfinite(dose) & np.isfinite(lost))
    if not known.size:
        raise OptistackError("a front needs at least one candidate with a dose and a loss")
    if (dose[known] < 0).any():
        raise OptistackError("a dose left cannot be negative")
    order = known[np.lexsort((dose[known], lost[known]))]
    least = np.minimum.accumulate(np.concatenate([[np.inf], dose[order]]))
    on = order[dose[order] < least[:-1]]
    return Front(on, dose[on], lost[on], _knee(on, dose[on], lost[on]), _halvings(dose, lost, on))


def halvings_of(dose_left: ArrayLike) -> Real:
    """log2(1/dose left), at most `MOST_HALVINGS`: below that a dose is as good as none."""
    dose = np.maximum(np.asarray(dose_left, dtype=float), 2.0**-MOST_HALVINGS)
    return np.asarray(-np.log2(dose))


def _knee(positions: NDArray[np.intp], dose: Real, lost: Real) -> int | None:
    gained, paid = halvings_of(dose), lost
    useful = (gained > 0) & (paid > 0)
    if useful.sum() < 2:
        return None
    last = np.flatnonzero(useful)[-1]
    bulge = np.where(useful, gained / gained[last] - paid / paid[last], -np.inf)
    return int(positions[int(np.argmax(bulge))])


def _halvings(dose: Real, lost: Real, on: NDArray[np.intp]) -> tuple[Halving, ...]:
    out: list[Halving] = []
    before = _NONE[1]
    for n in range(1, MOST_HALVINGS + 1):
        enough = on[dose[on] <= 2.0**-n]
        if not enough.size:
            break
        cheapest = int(enough[np.argmin(lost[enough])])
        price = float(lost[cheapest]) - before
        before = float(lost[cheapest])
        out.append(Halving(n, cheapest, float(dose[cheapest]), before, price))
    return tuple(out)
