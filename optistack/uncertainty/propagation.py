"""Draws of named inputs through a function: in pieces, by whom and in what order is all one."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optistack import __version__
from optistack.errors import OptistackError
from optistack.uncertainty.distributions import Input
from optistack.uncertainty.draws import MOST_RANKED, Uncertainty
from optistack.uncertainty.store import DrawStore
from optistack.uncertainty.streams import Method, Stream
from optistack.workers import Workers, map_chunks

Real = NDArray[np.float64]
Drawn = Mapping[str, NDArray[Any]]
Function = Callable[[Drawn], Mapping[str, NDArray[Any]]]

FEWEST_DRAWS = 50
# Fewer draws than this beyond each end of an interval are pointed out.
_FEW_IN_TAIL = 10
# Answers beyond this are held in a file [byte].
_MOST_BYTES = 1 << 26
# Share of draws without an answer from which a result is refused.
_MOST_FAILED = 0.1


@dataclass(frozen=True, eq=False)
class _Task:
    """The function with its inputs: what is sent to who works; a call makes one piece."""

    function: Function
    inputs: tuple[Input, ...]
    stream: Stream
    outputs: tuple[str, ...]

    def __call__(self, piece: tuple[int, int]) -> Real:
        """Answers (output, draw) of the draws from the first number up to the second."""
        start, stop = piece
        quantiles = self.stream.quantiles(start, stop - start)
        drawn = {i.name: i.distribution.at(quantiles[i.name]) for i in self.inputs}
        found = _checked(self.function(MappingProxyType(drawn)), stop - start)
        if set(found) != set(self.outputs):
            raise OptistackError("the function gives other outputs for other draws")
        return np.array([found[name] for name in self.outputs])


def propagate(
    function: Function,
    inputs: Sequence[Input],
    *,
    draws: int = 1000,
    seed: int = 1,
    method: Method = "random",
    chunk: int = 250,
    confidence: float = 0.95,
    log: Collection[str] = (),
    notes: Sequence[str] = (),
    workers: Workers | None = None,
    keep: Path | None = None,
    identity: Mapping[str, str] | None = None,
    progress: Callable[[int, int], None] | None = None,
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
        The same seed gives the same draws, whatever the chunks, the workers and, for random draws,
        the other inputs.
    method : "random" or "sobol"
        As in `Stream`.
    chunk : int
        Draws per call of the function.
    confidence : float
    log : collection of str
        Outputs, all positive, whose logarithm is ranked.
    notes : sequence of str
        Kept on the result.
    workers : Workers, optional
        Who makes the draws; the calling process when not given.
    keep : Path, optional
        A folder for finished draws: with the same question there, those are not made again.
    identity : mapping of str to str, optional
        What tells this function from others; needed with ``keep``.
    progress : callable, optional
        Called with the draws that are done and all of them.

    Raises
    ------
    OptistackError
        Two inputs of one name, too few draws, outputs that do not fit, more than a tenth of the
        draws without an answer; as in `DrawStore` and `map_chunks`.

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
    stream = Stream(tuple(names), seed, method)
    centre = {i.name: _array([i.distribution.central]) for i in inputs}
    central = _checked(function(MappingProxyType(centre)), 1)
    if not all(np.isfinite(v[0]) for v in central.values()):
        raise OptistackError(
            "there is no finite answer with every input at its centre; narrow the inputs to what "
            "is possible"
        )
    task = _Task(function, tuple(inputs), stream, tuple(central))
    whole = _answers(task, draws, chunk, workers, _store(task, chunk, keep, identity), progress)
    good = np.ones(draws, dtype=bool)
    for row in whole:
        good &= np.isfinite(row)
    failed = int(np.count_nonzero(~good))
    if failed > _MOST_FAILED * draws:
        raise OptistackError(
            f"{failed} of {draws} draws give no finite answer; narrow the inputs to what is "
            "possible"
        )
    if failed:
        for row in whole:
            row[: draws - failed] = row[good]
        whole = whole[:, : draws - failed]
    whole.flags.writeable = False
    values = dict(zip(task.outputs, whole, strict=True))
    for name in log:
        if name not in values or not (values[name] > 0).all():
            raise OptistackError(f"the logarithm of output {name!r} cannot be ranked")
    return Uncertainty(
        inputs=tuple(inputs),
        stream=stream,
        confidence=confidence,
        values=MappingProxyType(values),
        central=MappingProxyType({n: float(v[0]) for n, v in central.items()}),
        positions=np.flatnonzero(good) if failed else None,
        log=tuple(log),
        failed=failed,
        notes=(*notes, *_said(draws, failed, confidence, method)),
    )


def _said(draws: int, failed: int, confidence: float, method: Method) -> list[str]:
    said = []
    if failed:
        said.append(f"{failed} of {draws} draws gave no answer and are left out")
    in_tail = (1 - confidence) / 2 * draws
    if in_tail < _FEW_IN_TAIL:
        said.append(
            f"{draws} draws: each end of the {100 * confidence:g} % intervals rests on about "
            f"{in_tail:.0f} of them"
        )
    if draws - failed > MOST_RANKED:
        said.append(f"inputs are ranked by the first {MOST_RANKED} draws")
    if method == "sobol" and draws & (draws - 1):
        lower = 1 << (draws.bit_length() - 1)
        said.append(
            f"{draws} is no power of two: Sobol draws lie most evenly with {lower} or {2 * lower}"
        )
    return said


def _store(
    task: _Task, chunk: int, keep: Path | None, identity: Mapping[str, str] | None
) -> DrawStore | None:
    if keep is None:
        return None
    if identity is None:
        raise OptistackError("draws can be kept only with an identity: what they are draws of")
    inputs = hashlib.sha256(repr(task.inputs).encode()).hexdigest()
    return DrawStore(
        keep,
        {
            "version": __version__,
            "seed": task.stream.seed,
            "method": task.stream.method,
            "chunk": chunk,
            **identity,
            "inputs": inputs,
            "outputs": list(task.outputs),
        },
    )


def _answers(
    task: _Task,
    draws: int,
    chunk: int,
    workers: Workers | None,
    store: DrawStore | None,
    progress: Callable[[int, int], None] | None,
) -> Real:
    """Answers of all draws, (output, draw); on disk where they are many."""
    shape = (len(task.outputs), draws)
    whole: Real
    if 8 * shape[0] * shape[1] > _MOST_BYTES:
        # The file has no name: it goes with the last array that looks into it.
        with tempfile.TemporaryFile() as file:
            whole = np.memmap(file, dtype=float, mode="w+", shape=shape)
    else:
        whole = np.empty(shape)
    pieces = [(start, min(start + chunk, draws)) for start in range(0, draws, chunk)]
    done, left = 0, []
    for start, stop in pieces:
        kept = None if store is None else store.read(start, stop, (shape[0], stop - start))
        if kept is None:
            left.append((start, stop))
            continue
        whole[:, start:stop] = kept
        done += stop - start
    if progress is not None:
        progress(done, draws)
    for number, found in map_chunks(task, left, workers):
        start, stop = left[number]
        if store is not None:
            store.write(start, stop, found)
        whole[:, start:stop] = found
        done += stop - start
        if progress is not None:
            progress(done, draws)
    return whole


def _array(values: Sequence[Any]) -> NDArray[Any]:
    numbers = all(isinstance(x, (int, float)) for x in values)
    out = np.empty(len(values), dtype=float if numbers else object)
    out[:] = values
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
