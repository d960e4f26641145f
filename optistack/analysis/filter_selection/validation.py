"""The experiment that would confirm a filter: specimens, light, hours.

What is compared is the logarithmic loss of a property, -ln(share left), of specimens behind the
filter and of open ones, each read at the start and at the end. Its scatter is that of the rate
between specimens and that of two readings. They are told apart by Welch's test (B. L. Welch,
Biometrika 34 (1947) 28, from memory), whose power is integrated over what the variances may come
out as: with three specimens the usual approximation promises nine tenths and gives eight.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.care import SHORT_CAUTION
from optistack.errors import OptistackError
from optistack.plot_axes import axes

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

DEFAULT_SPECIMENS = (3, 4, 6, 8, 12)
# Below this share left a property can hardly be read, and other things break.
LEAST_LEFT = 0.3
# Quantiles of each variance that a power is integrated over.
_QUANTILES = 24


@dataclass(frozen=True)
class TestLight:
    """A light under which the filter may be tested.

    Attributes
    ----------
    name : str
    open_rate_per_h : float [1/h]
        First-order loss of open specimens by light: ln of share per hour.
    filtered_rate_per_h : float [1/h]
        Behind the filter, as predicted.
    lamp : bool
        Asks for cautions.
    """

    __test__ = False  # not a test, whatever its name says to a collector

    name: str
    open_rate_per_h: float
    filtered_rate_per_h: float
    lamp: bool = True

    def __post_init__(self) -> None:
        for what in ("open_rate_per_h", "filtered_rate_per_h"):
            value = getattr(self, what)
            if not (np.isfinite(value) and value >= 0):
                raise OptistackError(f"test light {self.name}: {what} {value} must not be negative")


@dataclass(frozen=True)
class PlanRow:
    """One way to do the experiment.

    Attributes
    ----------
    light : str
    specimens : int
        Behind the filter, and as many open; dark controls beside.
    hours : float or None
        Shortest time that tells the two apart; None: not within the limits.
    open_left, filtered_left : float
        Share left at that time, or at the end of the limits.
    power : float
        Chance to tell chosen filter from none at that time.
    filtered_seen : float
        Chance to tell the loss by light behind the filter from the dark controls.
    """

    light: str
    specimens: int
    hours: float | None
    open_left: float
    filtered_left: float
    power: float
    filtered_seen: float


@dataclass(frozen=True, eq=False)
class ValidationPlan:
    """The experiment that would confirm the choice.

    Attributes
    ----------
    filter_name : str
    lights : tuple of TestLight
    rows : tuple of PlanRow
    recommended : PlanRow or None
        The shortest time of the fewest specimens that also sees what happens behind the filter; if
        none does, that tells filter from none only.
    confidence, power : float
    most_hours : float
    warnings, notes : tuple of str
    """

    filter_name: str
    lights: tuple[TestLight, ...]
    rows: tuple[PlanRow, ...]
    recommended: PlanRow | None
    confidence: float
    power: float
    most_hours: float
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def sentences(self) -> list[str]:
        """Warnings, the plan and the cautions, in plain words."""
        out = [*self.warnings]
        row = self.recommended
        if row is None or row.hours is None:
            out.append(
                f"No test within {self.most_hours:g} h tells {self.filter_name} from no filter "
                f"with {100 * self.confidence:g} % confidence and {100 * self.power:g} % power."
            )
        else:
            out.append(
                f"To tell {self.filter_name} from no filter with {100 * self.confidence:g} % "
                f"confidence and {100 * self.power:g} % power: {row.specimens} specimens behind "
                f"it, {row.specimens} open and {max(2, row.specimens // 2)} dark, under "
                f"{row.light}, {row.hours:.3g} h. Open ones should then have "
                f"{100 * row.open_left:.3g} %, filtered ones {100 * row.filtered_left:.3g} % left."
            )
        if any(light.lamp for light in self.lights):
            out.append(SHORT_CAUTION)
        return out

    def to_frame(self) -> pd.DataFrame:
        """One row per light and number of specimens."""
        import pandas as pd

        return pd.DataFrame([r.__dict__ for r in self.rows])

    def plot(self, ax: Any = None) -> Any:
        """Hours against specimens for every light, on a matplotlib Axes."""
        ax = axes(ax)
        for light in self.lights:
            rows = [r for r in self.rows if r.light == light.name and r.hours is not None]
            ax.plot([r.specimens for r in rows], [r.hours for r in rows], "o-", label=light.name)
        ax.set_xlabel("specimens behind the filter")
        ax.set_ylabel("hours")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def power_of_test(
    difference: float, sd_one: float, sd_two: float, specimens: int, confidence: float = 0.95
) -> float:
    """Chance that Welch's two-sided test sees a difference of two means.

    Parameters
    ----------
    difference : float
    sd_one, sd_two : float
        Standard deviation of a specimen in each group.
    specimens : int
        In each group, at least 2.

    Examples
    --------
    An effect of one standard deviation, with 17 in each group (80 % in J. Cohen's tables, from
    memory):

    >>> round(power_of_test(1.0, 1.0, 1.0, 17), 2)
    0.81
    """
    if specimens < 2:
        raise OptistackError("a test needs at least two specimens in each group")
    if not (0 < confidence < 1):
        raise OptistackError(f"confidence {confidence:g} must lie between 0 and 1")
    true = np.array([sd_one, sd_two], dtype=float) ** 2 / specimens
    spread = float(np.sqrt(true.sum()))
    if spread <= 0:
        return 1.0 if difference != 0 else 1.0 - confidence
    # Given the two variances found, the difference of the means is normal and independent of
    # them; the limit of the test, with Welch's degrees of freedom, is known. Their own chi-square
    # distributions are integrated over.
    found, w = _variances(specimens)
    one, two = true[0] * found[:, None], true[1] * found
    total = one + two
    from scipy import special

    freedom = total**2 / ((one**2 + two**2) / (specimens - 1))
    limit = special.stdtrit(freedom, (1 + confidence) / 2) * np.sqrt(total)
    shift = abs(difference)
    seen = special.ndtr((shift - limit) / spread) + special.ndtr((-shift - limit) / spread)
    return float(w @ seen @ w / 4)


@lru_cache(maxsize=32)
def _variances(specimens: int) -> tuple[Real, Real]:
    """Variances that a group may show, over the true one, and the weights of an integral of them.

    Gauss points of their chance (quantile,); the weights add up to 2.
    """
    from scipy import special

    x, w = np.polynomial.legendre.leggauss(_QUANTILES)
    return special.chdtri(specimens - 1, (1 - x) / 2) / (specimens - 1), w


def plan_validation(
    filter_name: str,
    lights: Sequence[TestLight],
    *,
    specimen_spread: float,
    reading_noise: float,
    dark_rate_per_h: float = 0.0,
    specimens: Sequence[int] = DEFAULT_SPECIMENS,
    confidence: float = 0.95,
    power: float = 0.9,
    most_hours: float = 5000.0,
    edge_nm: float | None = None,
) -> ValidationPlan:
    """Specimens, light and hours that tell a filter from none.

    Parameters
    ----------
    filter_name : str
    lights : sequence of TestLight
        The user's own first.
    specimen_spread : float
        Relative standard deviation of the rate between specimens.
    reading_noise : float
        Relative standard deviation of a reading.
    dark_rate_per_h : float [1/h]
        First-order loss without light, the same for all.
    specimens : sequence of int
        In each of the two groups.
    confidence, power : float
    most_hours : float [h]
        No longer than this; nor until open specimens have less than 30 % left.
    edge_nm : float, optional [nm]
        Half-value wavelength of the filter, for the advice.

    Raises
    ------
    OptistackError
        Spreads that are no shares, no lights, shares of confidence outside 0-1.

    Examples
    --------
    >>> plan = plan_validation("edge", [TestLight("lamp", 1e-3, 2e-6)], specimen_spread=0.04,
    ...                        reading_noise=0.02)
    >>> plan.recommended.specimens, round(plan.recommended.hours)
    (3, 118)
    >>> plan.warnings[0].split(":")[0]
    'Under lamp, behind edge, it is as good as dark'
    """
    if not lights:
        raise OptistackError("a test needs a light")
    for name, value in (("specimen_spread", specimen_spread), ("reading_noise", reading_noise)):
        if not (np.isfinite(value) and 0 <= value < 1):
            raise OptistackError(f"{name} {value} is a relative standard deviation, 0 to below 1")
    if not specimen_spread + reading_noise > 0:
        raise OptistackError("without any scatter every test is long enough; state one")
    for name, value in (("confidence", confidence), ("power", power)):
        if not 0.5 <= value < 1:
            raise OptistackError(f"{name} {value:g} must lie between 0.5 and 1")
    if not (np.isfinite(most_hours) and most_hours > 0):
        raise OptistackError(f"most_hours {most_hours} must be positive")
    counts = sorted(set(specimens))
    if not counts or counts[0] < 2:
        raise OptistackError("at least two specimens are needed in each group")

    read = float(np.sqrt(2.0)) * reading_noise

    def spread(loss: float) -> float:
        return float(np.hypot(specimen_spread * loss, read))

    def told_apart(light: TestLight, n: int, t: float) -> float:
        one, two = light.open_rate_per_h * t, light.filtered_rate_per_h * t
        return power_of_test(one - two, spread(one), spread(two), n, confidence)

    def seen_behind(light: TestLight, n: int, t: float) -> float:
        loss = light.filtered_rate_per_h * t
        # Dark controls scatter by their readings alone.
        return power_of_test(loss, spread(loss), max(read, 1e-12), n, confidence)

    rows = []
    for light in lights:
        fastest = light.open_rate_per_h + dark_rate_per_h
        end = min(most_hours, -np.log(LEAST_LEFT) / fastest) if fastest > 0 else most_hours
        for n in counts:
            told = told_apart(light, n, end)
            hours: float | None = None
            if told >= power:
                hours = _shortest(partial(told_apart, light, n), power, end)
                told = told_apart(light, n, hours)
            at = end if hours is None else hours
            rows.append(
                PlanRow(
                    light.name,
                    n,
                    hours,
                    float(np.exp(-(light.open_rate_per_h + dark_rate_per_h) * at)),
                    float(np.exp(-(light.filtered_rate_per_h + dark_rate_per_h) * at)),
                    told,
                    seen_behind(light, n, at),
                )
            )
    warned, notes = [], []
    dark = {}
    for light in lights:
        dark[light.name] = seen_behind(light, counts[-1], most_hours) < 0.5
        if dark[light.name]:
            expected = light.filtered_rate_per_h * most_hours
            warned.append(
                f"Under {light.name}, behind {filter_name}, it is as good as dark: in "
                f"{most_hours:g} h light takes {100 * -np.expm1(-expected):.2g} %, within the "
                "noise of the readings. Such a test shows that the filter stops this light, not "
                f"that the device lives behind it. {_instead(lights, light, edge_nm)}"
            )
    good = [r for r in rows if r.hours is not None]
    lit = [r for r in good if not dark[r.light]]
    best = min(lit or good, key=lambda r: (r.specimens, r.hours), default=None)
    if specimen_spread == 0:
        notes.append("specimens are taken to be all alike; real ones are not")
    notes.append(
        "losses are taken as exponential at the rate of the first 20 %; other laws need more care"
    )
    return ValidationPlan(
        filter_name,
        tuple(lights),
        tuple(rows),
        best,
        confidence,
        power,
        most_hours,
        tuple(warned),
        tuple(notes),
    )


def _shortest(chance: Callable[[float], float], power: float, end: float) -> float:
    """Shortest time at which a chance that grows with it reaches a power, to 1e-3."""
    from scipy import optimize

    low, high = float(np.log(1e-6 * end)), float(np.log(end))
    # Without noise any time is long enough.
    if chance(float(np.exp(low))) >= power:
        return float(np.exp(low))
    at = optimize.brentq(lambda x: chance(float(np.exp(x))) - power, low, high, xtol=5e-4)
    return float(np.exp(min(float(at) + 5e-4, high)))


def _instead(lights: Sequence[TestLight], light: TestLight, edge_nm: float | None) -> str:
    if not light.lamp:
        return "Only a longer time outdoors, or light that the filter lets through, can tell more."
    others = [x for x in lights if x.filtered_rate_per_h > 3 * light.filtered_rate_per_h]
    suns = [x for x in others if not x.lamp]
    if suns:
        times = suns[0].filtered_rate_per_h / max(light.filtered_rate_per_h, 1e-30)
        text = (
            f"Test it in sunlight ({suns[0].name}: {min(times, 1e6):.2g} times as fast behind it)"
        )
    else:
        text = "Test it in sunlight"
    above = "" if edge_nm is None else f" above {edge_nm:.0f} nm"
    return f"{text}, or under a lamp with light{above} that the filter lets through."
