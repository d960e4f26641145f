"""Draws of named inputs through a function: intervals, and which input the spread comes from."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.uncertainty.distributions import Input, uniform_draws
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Drawn = Mapping[str, NDArray[Any]]
Function = Callable[[Drawn], Mapping[str, NDArray[Any]]]

FEWEST_DRAWS = 50
# Fewer draws than this beyond each end of an interval are pointed out.
_FEW_IN_TAIL = 10
# Of the polynomials that a dependence on one input is fitted with.
_HIGHEST_DEGREE = 8
_DRAWS_PER_FUNCTION = 3
_NEARLY = 0.7
# Share of draws without an answer from which a result is refused.
_MOST_FAILED = 0.1


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
    seed : int
    confidence : float
    values : mapping of output to (draw,) array
    central : mapping of output to float
        With every input at its central value.
    quantiles : mapping of input to (draw,) array
        Where in its distribution each draw lies, 0 to 1.
    log : tuple of str
        Outputs whose logarithm is ranked and plotted.
    failed : int
        Draws without an answer; left out.
    notes : tuple of str
    """

    inputs: tuple[Input, ...]
    seed: int
    confidence: float
    values: Mapping[str, Real]
    central: Mapping[str, float]
    quantiles: Mapping[str, Real]
    log: tuple[str, ...] = ()
    failed: int = 0
    notes: tuple[str, ...] = ()
    _shares: dict[str, tuple[Share, ...]] = field(default_factory=dict, repr=False)

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
        y = np.log(self.values[name]) if name in self.log else self.values[name]
        y = y - y.mean()
        total = float(y @ y)
        functions = self._functions()
        whole = np.concatenate(functions, axis=1)
        if not total > 0:
            return tuple(Share(i.name, i.measurement, 0.0, 0.0) for i in self.inputs)
        inverse = np.linalg.pinv(whole.T @ whole, hermitian=True)
        fitted = inverse @ (whole.T @ y)
        left = y - whole @ fitted
        # What is left may be larger where an input is far out: errors of the coefficients that
        # allow for it (J. G. MacKinnon, H. White, J. Econometrics 29 (1985) 305, HC2; from memory).
        leverage = np.einsum("df,fg,dg->d", whole, inverse, whole) + 1 / y.size
        bent = whole * (left / np.sqrt(np.maximum(1 - leverage, 1e-9)))[:, None]
        covariance = inverse @ (bent.T @ bent) @ inverse
        out, at = [], 0
        for i, own in zip(self.inputs, functions, strict=True):
            piece = slice(at, at + own.shape[1])
            at = piece.stop
            part = own @ fitted[piece]
            # What noise alone puts into this part, and how much that scatters.
            spread = own.T @ own @ covariance[piece, piece] / total
            chance = float(np.trace(spread))
            least = 2 * float(np.sqrt(2 * np.trace(spread @ spread)))
            share = max(float(part @ part) / total - chance, 0.0)
            out.append(Share(i.name, i.measurement, share, least))
        return tuple(sorted(out, key=lambda s: -s.share))

    def _functions(self) -> list[Real]:
        """Centred functions of every input, (draw, function), as many as the draws carry."""
        most = self.draws / _DRAWS_PER_FUNCTION
        for degree in range(_HIGHEST_DEGREE, 0, -1):
            found = [i.distribution.basis(self.quantiles[i.name], degree) for i in self.inputs]
            if sum(f.shape[1] for f in found) <= most:
                return [f - f.mean(axis=0) for f in found]
        raise OptistackError(
            f"{self.draws} draws cannot rank {len(self.inputs)} inputs; at least "
            f"{int(_DRAWS_PER_FUNCTION * sum(f.shape[1] for f in found)) + 1} are needed"
        )

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

    def to_frame(self, what: Literal["intervals", "shares"] = "intervals") -> pd.DataFrame:
        """One row per output, or one per output and input."""
        import pandas as pd

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

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))

    def _known(self, output: str | None) -> str:
        if output is None:
            return self.outputs[0]
        if output not in self.values:
            raise OptistackError(f"output {output!r} is not one of {', '.join(self.outputs)}")
        return output


def propagate(
    function: Function,
    inputs: Sequence[Input],
    *,
    draws: int = 1000,
    seed: int = 1,
    chunk: int = 250,
    confidence: float = 0.95,
    log: Collection[str] = (),
    notes: Sequence[str] = (),
) -> Uncertainty:
    """Draw the inputs and run the function on them.

    Parameters
    ----------
    function : callable
        From a mapping of input name to (draw,) array to a mapping of output name to (draw,) array;
        each draw on its own. NaN: no answer for that draw.
    inputs : sequence of Input
    draws : int
    seed : int
        The same seed gives the same draws, whatever the chunks and the other inputs.
    chunk : int
        Draws per call of the function.
    confidence : float
    log : collection of str
        Outputs, all positive, whose logarithm is ranked.
    notes : sequence of str
        Kept on the result.

    Raises
    ------
    OptistackError
        Two inputs of one name, too few draws, outputs that do not fit, more than a tenth of the
        draws without an answer.

    Examples
    --------
    >>> from optistack.uncertainty import Input, Normal, propagate
    >>> result = propagate(
    ...     lambda x: {"sum": 3 * x["a"] + x["b"]},
    ...     [Input("a", Normal(1.0, 0.1)), Input("b", Normal(2.0, 0.1))],
    ...     draws=4000,
    ... )
    >>> print([(s.name, round(s.share, 1)) for s in result.shares()])
    [('a', 0.9), ('b', 0.1)]
    """
    names = [i.name for i in inputs]
    if len(set(names)) != len(names):
        raise OptistackError("two inputs have the same name")
    if not names:
        raise OptistackError("there is no input to draw")
    if draws < FEWEST_DRAWS or chunk < 1:
        raise OptistackError(
            f"{draws} draws in chunks of {chunk}: at least {FEWEST_DRAWS} draws, in chunks of at "
            "least 1, are needed"
        )
    if not 0.5 <= confidence < 1:
        raise OptistackError(f"confidence {confidence} must lie between 0.5 and 1")
    centre = {i.name: _array([i.distribution.central]) for i in inputs}
    central = _checked(function(MappingProxyType(centre)), 1)
    parts: dict[str, list[Real]] = {name: [] for name in central}
    quantiles = {name: uniform_draws(seed, name, 0, draws) for name in names}
    for start in range(0, draws, chunk):
        piece = slice(start, min(start + chunk, draws))
        drawn = {i.name: i.distribution.at(quantiles[i.name][piece]) for i in inputs}
        found = _checked(function(MappingProxyType(drawn)), piece.stop - start)
        if set(found) != set(central):
            raise OptistackError("the function gives other outputs for other draws")
        for name, piece_values in found.items():
            parts[name].append(piece_values)
    values = {name: np.concatenate(p) for name, p in parts.items()}
    good = np.all([np.isfinite(v) for v in values.values()], axis=0)
    failed = int(np.count_nonzero(~good))
    if failed > _MOST_FAILED * draws or not all(np.isfinite(v[0]) for v in central.values()):
        raise OptistackError(
            f"{failed} of {draws} draws give no finite answer; narrow the inputs to what is "
            "possible"
        )
    values = {name: v[good] for name, v in values.items()}
    for name in log:
        if name not in values or not (values[name] > 0).all():
            raise OptistackError(f"the logarithm of output {name!r} cannot be ranked")
    said = list(notes)
    if failed:
        said.append(f"{failed} of {draws} draws gave no answer and are left out")
    in_tail = (1 - confidence) / 2 * draws
    if in_tail < _FEW_IN_TAIL:
        said.append(
            f"{draws} draws: each end of the {100 * confidence:g} % intervals rests on about "
            f"{in_tail:.0f} of them"
        )
    return Uncertainty(
        inputs=tuple(inputs),
        seed=seed,
        confidence=confidence,
        values=MappingProxyType({n: _frozen(v) for n, v in values.items()}),
        central=MappingProxyType({n: float(v[0]) for n, v in central.items()}),
        quantiles=MappingProxyType({n: _frozen(q[good]) for n, q in quantiles.items()}),
        log=tuple(log),
        failed=failed,
        notes=tuple(said),
    )


def _array(values: Sequence[Any]) -> NDArray[Any]:
    numbers = all(isinstance(x, (int, float)) for x in values)
    out = np.empty(len(values), dtype=float if numbers else object)
    out[:] = values
    return out


def _frozen(array: Real) -> Real:
    out = array.copy()
    out.flags.writeable = False
    return out


def _checked(found: Mapping[str, NDArray[Any]], count: int) -> dict[str, Real]:
    out = {name: np.asarray(values, dtype=float) for name, values in found.items()}
    for name, values in out.items():
        if values.shape != (count,):
            raise OptistackError(
                f"output {name}: {count} draws need as many values, not an array of shape "
                f"{values.shape}"
            )
    if not out:
        raise OptistackError("the function gives no output")
    return out
