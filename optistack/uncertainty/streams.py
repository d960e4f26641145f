"""Where in their distributions the inputs lie, draw by draw: at random, or evenly spread.

Any range of draws can be had by itself: it does not matter who makes which, nor in what order.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from threading import Lock
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError
from optistack.uncertainty.distributions import uniform_draws

Real = NDArray[np.float64]
Method = Literal["random", "sobol"]

METHODS: tuple[Method, ...] = ("random", "sobol")
# Sobol sequences side by side, each scrambled by itself: how they differ says how sure a mean is.
SCRAMBLES = 8
_BITS = 30
_MOST_SOBOL = SCRAMBLES << _BITS


@dataclass(frozen=True)
class Stream:
    """Quantiles of named inputs for any range of draws.

    Parameters
    ----------
    names : tuple of str
    seed : int
    method : "random" or "sobol"
        "random": draw i of an input depends on seed, name and i alone. "sobol": eight Sobol
        sequences, scrambled by the seed, take turns; draw i depends also on the number and the
        order of the inputs.

    Raises
    ------
    OptistackError
        A method that is not known; a negative seed of Sobol draws.

    Notes
    -----
    I. M. Sobol, USSR Comput. Math. Math. Phys. 7 (1967) 86; J. Matousek, J. Complexity 14 (1998)
    527 (random linear scrambling with a digital shift) (both from memory). The sequence and its
    scrambling are those of ``scipy.stats.qmc``.

    Examples
    --------
    >>> stream = Stream(("a", "b"), seed=3, method="sobol")
    >>> whole = stream.quantiles(0, 64)
    >>> bool((stream.quantiles(40, 24)["b"] == whole["b"][40:]).all())
    True
    """

    names: tuple[str, ...]
    seed: int
    method: Method = "random"

    def __post_init__(self) -> None:
        if self.method not in METHODS:
            raise OptistackError(
                f"method {self.method!r} is not one of {', '.join(repr(m) for m in METHODS)}"
            )
        if self.method == "sobol" and self.seed < 0:
            raise OptistackError(f"seed {self.seed} of Sobol draws must not be negative")

    def quantiles(self, start: int, count: int) -> dict[str, Real]:
        """Input name to (draw,) array between 0 and 1, both excluded: draws from ``start`` on."""
        if self.method == "random":
            return {name: uniform_draws(self.seed, name, start, count) for name in self.names}
        if start + count > _MOST_SOBOL:
            raise OptistackError(f"a Sobol sequence has {_MOST_SOBOL} draws, no more")
        out = np.empty((count, len(self.names)))
        for scramble in range(SCRAMBLES):
            first = (scramble - start) % SCRAMBLES
            own = out[first::SCRAMBLES]
            if len(own):
                own[:] = _sobol(self.seed, scramble, len(self.names)).points(
                    (start + first) // SCRAMBLES, len(own)
                )
        return dict(zip(self.names, np.ascontiguousarray(out.T), strict=True))


class _Sobol:
    """One scrambled sequence; any range of its points."""

    def __init__(self, seed: int, scramble: int, inputs: int):
        from scipy.stats.qmc import Sobol

        chance = np.random.default_rng([seed, scramble])
        self._engine: Any = Sobol(inputs, scramble=True, bits=_BITS, seed=chance)
        self._lock = Lock()

    def points(self, start: int, count: int) -> Real:
        """(point, input); in the middle of cells of 2^-30, so that neither 0 nor 1 comes up."""
        parts = []
        with self._lock:
            self._engine.reset()
            if start == 0:
                # The engine advises a power of two where the first call asks for another number;
                # it is the whole that should be one, and `propagate` says so.
                parts.append(self._engine.random(1))
                start, count = 1, count - 1
            else:
                self._engine.fast_forward(start)
            if count:
                parts.append(self._engine.random(count))
        return np.concatenate(parts) + 0.5 * 2.0**-_BITS


@lru_cache(maxsize=4 * SCRAMBLES)
def _sobol(seed: int, scramble: int, inputs: int) -> _Sobol:
    return _Sobol(seed, scramble, inputs)
