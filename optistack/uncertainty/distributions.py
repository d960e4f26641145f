"""What is known of one input: a distribution, drawn by its own stream of random numbers.

Draw number i of an input depends on the seed, the input's name and i alone: not on how many draws
are made at once, nor on which other inputs there are.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError
from optistack.value import NORMAL_95, Value

Real = NDArray[np.float64]

# Words that Philox gives for one step of its counter.
_PER_STEP = 4


def uniform_draws(seed: int, name: str, start: int, count: int) -> Real:
    """Numbers between 0 and 1, both excluded: draws ``start`` to ``start + count`` of a stream.

    Source: J. K. Salmon et al., Proc. SC11 (2011), article 16 (Philox, counter-based).

    Examples
    --------
    >>> whole = uniform_draws(7, "thickness", 0, 5)
    >>> bool((uniform_draws(7, "thickness", 3, 2) == whole[3:]).all())
    True
    """
    digest = hashlib.sha256(f"{seed}:{name}".encode()).digest()
    bits = np.random.Philox(key=int.from_bytes(digest[:16], "little"))
    skip = start % _PER_STEP
    bits.advance(start // _PER_STEP)
    words = bits.random_raw(skip + count)[skip:] >> np.uint64(11)
    return np.asarray((words.astype(float) + 0.5) * 2.0**-53)


@dataclass(frozen=True)
class Normal:
    """Normal distribution.

    Parameters
    ----------
    mean, sd : float
    """

    mean: float
    sd: float

    def __post_init__(self) -> None:
        _finite("normal distribution", self.mean, self.sd)
        if not self.sd > 0:
            raise OptistackError(f"normal distribution: sd {self.sd} must be positive")

    @property
    def central(self) -> float:
        """The mean."""
        return self.mean

    def at(self, u: Real) -> NDArray[Any]:
        """Values at quantiles between 0 and 1."""
        from scipy.special import ndtri

        return np.asarray(self.mean + self.sd * ndtri(u))

    def basis(self, u: Real, degree: int) -> Real:
        """Hermite polynomials of the standard score, degree 1 and up, (draw, function)."""
        return _hermite(u, degree)


@dataclass(frozen=True)
class Uniform:
    """Anywhere between two ends alike.

    Parameters
    ----------
    low, high : float
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        _finite("uniform distribution", self.low, self.high)
        if not self.low < self.high:
            raise OptistackError(
                f"uniform distribution: {self.low:g} must be below {self.high:g}; what does not "
                "vary is no input"
            )

    @property
    def central(self) -> float:
        """The middle."""
        return (self.low + self.high) / 2

    def at(self, u: Real) -> NDArray[Any]:
        """Values at quantiles between 0 and 1."""
        return np.asarray(self.low + (self.high - self.low) * u)

    def basis(self, u: Real, degree: int) -> Real:
        """Legendre polynomials of the quantile, degree 1 and up, (draw, function)."""
        return np.asarray(np.polynomial.legendre.legvander(2 * u - 1, degree)[:, 1:], dtype=float)


@dataclass(frozen=True)
class LogNormal:
    """A positive quantity known to a factor.

    Parameters
    ----------
    median : float
    log_sd : float
        Standard deviation of the natural logarithm; 0.1 is about 10 %.
    """

    median: float
    log_sd: float

    def __post_init__(self) -> None:
        _finite("lognormal distribution", self.median, self.log_sd)
        if not (self.median > 0 and self.log_sd > 0):
            raise OptistackError(
                f"lognormal distribution: median {self.median} and log_sd {self.log_sd} must be "
                "positive"
            )

    @property
    def central(self) -> float:
        """The median."""
        return self.median

    def at(self, u: Real) -> NDArray[Any]:
        """Values at quantiles between 0 and 1."""
        from scipy.special import ndtri

        return np.asarray(self.median * np.exp(self.log_sd * ndtri(u)))

    def basis(self, u: Real, degree: int) -> Real:
        """Hermite polynomials of the standard score, degree 1 and up, (draw, function)."""
        return _hermite(u, degree)


@dataclass(frozen=True)
class Choice:
    """One of several options: a lamp's shape, a spectral weight.

    Parameters
    ----------
    options : sequence
        Numbers or anything else; the first is the central one.
    probabilities : sequence of float, optional
        Equal when not given.
    """

    options: tuple[Any, ...]
    probabilities: tuple[float, ...] = ()

    def __init__(self, options: Sequence[Any], probabilities: Sequence[float] = ()):
        if not len(options):
            raise OptistackError("choice: there is no option")
        share = np.array(probabilities or [1.0] * len(options), dtype=float)
        if share.shape != (len(options),) or not (np.isfinite(share).all() and (share > 0).all()):
            raise OptistackError(
                f"choice: {len(options)} options need as many positive probabilities"
            )
        object.__setattr__(self, "options", tuple(options))
        object.__setattr__(self, "probabilities", tuple(float(x) for x in share / share.sum()))

    @property
    def central(self) -> Any:
        """The first option."""
        return self.options[0]

    def at(self, u: Real) -> NDArray[Any]:
        """Options at quantiles between 0 and 1; an array of objects unless all are numbers."""
        numbers = all(isinstance(x, (int, float)) for x in self.options)
        table = np.empty(len(self.options), dtype=float if numbers else object)
        table[:] = self.options
        return np.asarray(table[self._number(u)])

    def basis(self, u: Real, degree: int) -> Real:  # noqa: ARG002  # as the others have it
        """One function for every option but the first: 1 where it was drawn, (draw, function)."""
        others = np.arange(1, len(self.options))
        return np.asarray(self._number(u)[:, None] == others, dtype=float)

    def _number(self, u: Real) -> NDArray[np.intp]:
        ends = np.cumsum(self.probabilities)[:-1]
        return np.asarray(np.searchsorted(ends, u, side="right"), dtype=np.intp)


Distribution: TypeAlias = Normal | Uniform | LogNormal | Choice


def _hermite(u: Real, degree: int) -> Real:
    from scipy.special import ndtri

    values = np.polynomial.hermite_e.hermevander(ndtri(u), degree)[:, 1:]
    # Scaled to unit variance: the norm of degree d is sqrt(d!).
    return np.asarray(values / np.sqrt(np.cumprod(np.arange(1.0, degree + 1))))


def _finite(what: str, *values: float) -> None:
    if not np.isfinite(values).all():
        raise OptistackError(f"{what}: {', '.join(f'{v:g}' for v in values)} must be finite")


def from_value(value: Value, *, fitted: bool, positive: bool = True) -> Distribution:
    """The distribution that stands for a value with its range.

    Parameters
    ----------
    value : Value
    fitted : bool
        True: ``low`` and ``high`` are a 95 % interval, and the distribution is lognormal, or normal
        where ``positive`` is False. False: a range that was only stated; uniform.
    positive : bool

    Raises
    ------
    OptistackError
        A value that is only a limit: nothing can be drawn from it.

    Examples
    --------
    >>> d = from_value(Value(0.8, 0.72, 0.889), fitted=True)
    >>> print(round(d.median, 3), round(d.log_sd, 4))
    0.8 0.0538
    """
    if not value.has_range:
        return Choice([value.value])
    if value.bound is not None or not np.isfinite([value.low, value.value, value.high]).all():
        raise OptistackError(
            f"{value.format()} is only a limit, and nothing can be drawn from it; state a range"
        )
    if not fitted:
        return Uniform(value.low, value.high)
    if not positive:
        return Normal(value.value, (value.high - value.low) / (2 * NORMAL_95))
    if not value.low > 0:
        raise OptistackError(
            f"{value.format()}: the interval of a positive quantity reaches {value.low:g}; state a "
            "range instead"
        )
    return LogNormal(value.value, float(np.log(value.high / value.low)) / (2 * NORMAL_95))


@dataclass(frozen=True)
class Input:
    """A named input.

    Parameters
    ----------
    name : str
    distribution : Distribution
    measurement : str
        What would have to be measured to know it; inputs of one measurement are ranked together.
        The name when not given.
    """

    name: str
    distribution: Distribution
    measurement: str = ""

    def __post_init__(self) -> None:
        if not self.name:
            raise OptistackError("an input needs a name")
        if not self.measurement:
            object.__setattr__(self, "measurement", self.name)
