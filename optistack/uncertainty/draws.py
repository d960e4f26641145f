"""Answers of many draws: intervals, and which input the spread comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.uncertainty.convergence import STATISTICS, Estimate, estimates
from optistack.uncertainty.distributions import Input
from optistack.uncertainty.streams import Method, Stream
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# Of the polynomials that a dependence on one input is fitted with.
_HIGHEST_DEGREE = 8
_DRAWS_PER_FUNCTION = 3
_NEARLY = 0.7
# Draws that a ranking rests on: shares are then known to about 0.01, and more would cost much.
MOST_RANKED = 20_000
_BLOCK = 2048


class Share(NamedTuple):
    """Part of an output's variance that comes from one input alone (first-order Sobol index).

    ``least``: two standard errors of the share of an input that does nothing.
    """

    name: str
    measurement: str
    share: float
    least: float


@dataclass(frozen=True, eq=False)
class Uncertainty:
    """Outputs with intervals, and a ranking of the inputs.

    Attributes
    ----------
    inputs : tuple of Input
    stream : Stream
        Where in their distributions the draws lie.
    confidence : float
    values : mapping of output to (draw,) array
    central : mapping of output to float
        With every input at its central value.
    positions : (draw,) array of int or None
        Number of each draw in its stream; None: 0, 1, 2, ...
    log : tuple of str
        Outputs whose logarithm is ranked and plotted.
    failed : int
        Draws without an answer; left out.
    notes : tuple of str
    """

    inputs: tuple[Input, ...]
    stream: Stream
    confidence: float
    values: Mapping[str, Real]
    central: Mapping[str, float]
    positions: NDArray[np.intp] | None = None
    log: tuple[str, ...] = ()
    failed: int = 0
    notes: tuple[str, ...] = ()
    _shares: dict[str, tuple[Share, ...]] = field(default_factory=dict, repr=False)
    _estimates: dict[str, tuple[Estimate, ...]] = field(default_factory=dict, repr=False)

    @property
    def seed(self) -> int:
        """The seed of the draws."""
        return self.stream.seed

    @property
    def method(self) -> Method:
        """How the draws are spread: "random" or "sobol"."""
        return self.stream.method

    @property
    def draws(self) -> int:
        """Draws that gave an answer."""
        return next(iter(self.values.values())).size

    @property
    def outputs(self) -> tuple[str, ...]:
        """Names of the outputs."""
        return tuple(self.values)

    def interval(self, output: str | None = None) -> Value:
        """The central answer with the quantiles of the draws; the first output when not given."""
        name = self._known(output)
        tail = (1 - self.confidence) / 2
        low, high = np.quantile(self.values[name], [tail, 1 - tail])
        return Value(self.central[name], float(low), float(high))

    def shares(self, output: str | None = None) -> tuple[Share, ...]:
        """Variance shares of the inputs, largest first.

        First-order Sobol indices, Var(E[y | x]) / Var(y): the best sum of functions of one input
        each is fitted to the draws (polynomials that are orthogonal under the input's
        distribution; the options of a choice), and the variance of each part counts, less what
        chance gives. What is missing from a sum of 1 comes from inputs acting together, or from
        dependences too rough for the polynomials.

        Raises
        ------
        OptistackError
            Too few draws for so many inputs.

        Notes
        -----
        I. M. Sobol, Math. Comput. Simul. 55 (2001) 271; B. Sudret, Reliab. Eng. Syst. Saf. 93
        (2008) 964 (indices from polynomial chaos). Both from memory.
        """
        name = self._known(output)
        if name not in self._shares:
            self._shares[name] = self._ranking(name)
        return self._shares[name]

    def _ranking(self, name: str) -> tuple[Share, ...]:
        count = min(self.draws, MOST_RANKED)
        y = self.values[name][:count]
        y = np.log(y) if name in self.log else y
        y = y - y.mean()
        total = float(y @ y)
        if not total > 0:
            return tuple(Share(i.name, i.measurement, 0.0, 0.0) for i in self.inputs)
        degree, sizes = self._degree(count)
        # Memory is that of one block, however many draws are ranked.
        blocks = [slice(i, min(i + _BLOCK, count)) for i in range(0, count, _BLOCK)]
        width = sum(sizes)
        sums, squares, along = np.zeros(width), np.zeros((width, width)), np.zeros(width)
        for block in blocks:
            functions = self._functions(block, degree)
            sums += functions.sum(axis=0)
            squares += functions.T @ functions
            along += functions.T @ y[block]  # y is centred: the functions need not be
        mean = sums / count
        squares -= count * np.outer(mean, mean)
        inverse = np.linalg.pinv(squares, hermitian=True)
        fitted = inverse @ along
        # What is left may be larger where an input is far out: errors of the coefficients that
        # allow for it (J. G. MacKinnon, H. White, J. Econometrics 29 (1985) 305, HC2; from memory).
        scatter = np.zeros((width, width))
        for block in blocks:
            functions = self._functions(block, degree) - mean
            left = y[block] - functions @ fitted
            leverage = np.einsum("df,df->d", functions @ inverse, functions) + 1 / count
            bent = functions * (left / np.sqrt(np.maximum(1 - leverage, 1e-9)))[:, None]
            scatter += bent.T @ bent
        covariance = inverse @ scatter @ inverse
        out, at = [], 0
        for i, size in zip(self.inputs, sizes, strict=True):
            piece = slice(at, at + size)
            at = piece.stop
            own = squares[piece, piece]
            part = float(fitted[piece] @ own @ fitted[piece])
            # What noise alone puts into this part, and how much that scatters.
            spread = own @ covariance[piece, piece] / total
            chance = float(np.trace(spread))
            least = 2 * float(np.sqrt(2 * np.trace(spread @ spread)))
            share = max(part / total - chance, 0.0)
            out.append(Share(i.name, i.measurement, share, least))
        return tuple(sorted(out, key=lambda s: -s.share))

    def _degree(self, count: int) -> tuple[int, list[int]]:
        """The highest degree that so many draws carry, and the functions of each input."""
        middle = np.array([0.5])
        sizes: list[int] = []
        for degree in range(_HIGHEST_DEGREE, 0, -1):
            sizes = [i.distribution.basis(middle, degree).shape[1] for i in self.inputs]
            if sum(sizes) <= count / _DRAWS_PER_FUNCTION:
                return degree, sizes
        raise OptistackError(
            f"{count} draws cannot rank {len(self.inputs)} inputs; at least "
            f"{_DRAWS_PER_FUNCTION * sum(sizes) + 1} are needed"
        )

    def _functions(self, block: slice, degree: int) -> Real:
        """Functions of every input side by side, (draw, function)."""
        if self.positions is None:
            drawn = self.stream.quantiles(block.start, block.stop - block.start)
        else:
            own = self.positions[block]
            first = int(own[0])
            whole = self.stream.quantiles(first, int(own[-1]) - first + 1)
            drawn = {name: q[own - first] for name, q in whole.items()}
        found = [i.distribution.basis(drawn[i.name], degree) for i in self.inputs]
        return np.concatenate(found, axis=1)

    def measurements(self, output: str | None = None) -> tuple[Share, ...]:
        """Variance shares by what would have to be measured, largest first.

        Sums over the inputs of each measurement; what they do together is not in it.
        """
        sums: dict[str, Share] = {}
        for s in self.shares(output):
            old = sums.get(s.measurement, Share(s.measurement, s.measurement, 0.0, 0.0))
            least = float(np.hypot(old.least, s.least))
            sums[s.measurement] = old._replace(share=old.share + s.share, least=least)
        return tuple(sorted(sums.values(), key=lambda s: -s.share))

    def convergence(self, output: str | None = None) -> tuple[Estimate, ...]:
        """Mean and ends of the interval from the first 64, 128, ... and all draws.

        Each with its standard error; how that is found depends on the method
        (`optistack.uncertainty.convergence`).
        """
        name = self._known(output)
        if name not in self._estimates:
            self._estimates[name] = estimates(
                self.values[name], self.positions, self.method, self.confidence
            )
        return self._estimates[name]

    def sentence(self, output: str | None = None) -> str:
        """Which one measurement would narrow the answer most."""
        name = self._known(output)
        v = self.interval(name)
        said = f"{name}: {v.format()} in {100 * self.confidence:g} % of the draws."
        best, *others = self.measurements(name)
        if best.share <= best.least:
            return f"{said} No single measurement stands out."
        share = min(best.share, 1.0)
        narrower = 1 - float(np.sqrt(1 - share))
        out = (
            f"{said} One measurement would narrow it most: {best.name}, with {100 * share:.0f} % "
            f"of the variance; knowing it exactly would make the spread {100 * narrower:.0f} % "
            "smaller on average."
        )
        close = [m.name for m in others if m.share > _NEARLY * best.share and m.share > m.least]
        return f"{out} Nearly as much: {', '.join(close)}." if close else out

    def to_frame(
        self, what: Literal["intervals", "shares", "convergence"] = "intervals"
    ) -> pd.DataFrame:
        """One row per output; with the input or the number of draws and the statistic."""
        import pandas as pd

        if what == "convergence":
            return pd.DataFrame(
                [
                    {"output": name, **e._asdict()}
                    for name in self.outputs
                    for e in self.convergence(name)
                ]
            )

        if what == "intervals":
            records = [
                {"output": name, "value": v.value, "low": v.low, "high": v.high}
                for name in self.outputs
                for v in [self.interval(name)]
            ]
            return pd.DataFrame(records)
        return pd.DataFrame(
            [
                {
                    "output": name,
                    "input": s.name,
                    "measurement": s.measurement,
                    "variance_share": s.share,
                    "least_share": s.least,
                }
                for name in self.outputs
                for s in self.shares(name)
            ]
        )

    def plot(self, ax: Any = None, *, output: str | None = None, most: int = 12) -> Any:
        """Ranking of the inputs of one output as bars, on a matplotlib Axes."""
        ax = axes(ax)
        name = self._known(output)
        shown = self.shares(name)[:most][::-1]
        colors = ["0.3" if s.share > s.least else "0.8" for s in shown]
        ax.barh([s.name for s in shown], [100 * s.share for s in shown], color=colors)
        of = f"the logarithm of {name}" if name in self.log else name
        ax.set_xlabel(f"share of the variance of {of} (%)")
        ax.set_xlim(left=0.0)
        return ax

    def plot_convergence(self, ax: Any = None, *, output: str | None = None) -> Any:
        """Mean and ends of the interval against the number of draws, on a matplotlib Axes.

        Bars are standard errors.
        """
        ax = axes(ax)
        name = self._known(output)
        for statistic, marker in zip(STATISTICS, "os^", strict=True):
            own = [e for e in self.convergence(name) if e.statistic == statistic]
            ax.errorbar(
                [e.draws for e in own],
                [e.value for e in own],
                [e.standard_error for e in own],
                marker=marker,
                capsize=2,
                label={"low": "low end", "high": "high end"}.get(statistic, statistic),
            )
        ax.set_xscale("log")
        ax.set_xlabel("draws")
        ax.set_ylabel(name)
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))

    def _known(self, output: str | None) -> str:
        if output is None:
            return self.outputs[0]
        if output not in self.values:
            raise OptistackError(f"output {output!r} is not one of {', '.join(self.outputs)}")
        return output
