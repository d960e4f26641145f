"""When and how the compiled loops solve a job: choice of the engine, threads, arrays to fill.

The engine is chosen by the size of a call alone, never by what was solved before: the two engines
round differently (by about 1e-15), and an answer must not depend on the history of a process. The
loops release Python's lock, so plain threads share the stacks; nothing else of numba's threading is
used, and forked or nested workers are safe.
"""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from importlib.util import find_spec
from typing import Any, ClassVar, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.errors import StackError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Rows = NDArray[np.int64]
Engine = Literal["auto", "numpy", "compiled"]

ENGINES = ("auto", "numpy", "compiled")
VARIABLE = "OPTISTACK_ENGINE"
# Layer points (stacks x inner layers x wavelengths x angles x polarisations) from which "auto"
# takes the compiled loops: numpy needs about half a second for them, as long as numba takes to
# start.
LARGE = 10_000_000
# Layer points below which a second thread costs more than it brings.
_WORTH_THREADS = 50_000
# Stacks that a thread takes at once: enough for the start of a piece not to count, few enough for
# the threads to end together.
_PIECES_PER_THREAD = 4
# Memory of 1 to 64 MB is used again, in doubles; so many arrays of it may wait for that.
_LEAST_AGAIN, _MOST_AGAIN = 1 << 17, 1 << 23
_MOST_WAITING = 3
# Doubles in a line of the cache.
_LINE = 8


def choose(engine: str | None, layer_points: int) -> bool:
    """Whether the compiled loops do a job.

    ``engine`` None: what the environment variable OPTISTACK_ENGINE says, or "auto".
    """
    origin = "engine"
    if engine is None:
        engine, origin = os.environ.get(VARIABLE) or "auto", VARIABLE
    if engine not in ENGINES:
        raise StackError(f'{origin} must be "auto", "numpy" or "compiled", not {engine!r}')
    if engine == "compiled":
        if not available():
            raise StackError(
                f'{origin} "compiled" needs numba: pip install "optistack[fast]", or choose '
                '"auto" or "numpy"'
            )
        return True
    return engine == "auto" and layer_points >= LARGE and available()


def available() -> bool:
    """Whether numba is installed; it is not imported to find out."""
    return find_spec("numba") is not None


def threads() -> int:
    """Threads for the loops: NUMBA_NUM_THREADS, else OMP_NUM_THREADS, else the cores allowed.

    Pools of processes (joblib, Dask) set these for their workers.
    """
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS"):
        stated = os.environ.get(name, "")
        if stated.isdecimal() and int(stated) > 0:
            return int(stated)
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Job(NamedTuple):
    """What is solved; ``*_row``: (stack,) the row of each stack, as rows may serve many.

    Attributes
    ----------
    n : (row, medium, 1 or wavelength)
    d : (stack, layer) [nm]
    lam : (wavelength,) [nm]
    sine, cosine : (row, angle, 1 or wavelength)
        ``sine`` None: all angles are 0.
    angle_weight : (row, angle, 1 or wavelength) or None
        Answers are summed over the angles with it.
    kind : 0 s, 1 p, 2 their mean
    weights : (weight, wavelength) or None
        Answers are summed over the wavelengths with each row.
    """

    n: Complex
    n_row: Rows
    d: Real
    lam: Real
    sine: Real | None
    cosine: Real
    angle_row: Rows
    kind: int
    coherent: list[bool]
    angle_weight: Real | None = None
    weights: Real | None = None


class Answers(NamedTuple):
    """(stack, angle, wavelength), ``absorptance`` with layers before wavelengths.

    One angle where these are summed; weights in the place of wavelengths where there are any.
    ``amplitude`` only for one polarisation of coherent layers.
    """

    reflectance: Real
    transmittance: Real
    power_entering: Real
    absorptance: Real
    amplitude: Complex | None


class _Memory:
    """Doubles for large answers; when the last array on them is gone they wait for the next ones.

    New memory comes page by page, emptied by the system, which takes a sixth of the time.
    """

    # One for each size. Every use is a single step of a dict, so that threads and the garbage
    # collector may come in between.
    _waiting: ClassVar[dict[int, Real]] = {}

    def __init__(self, size: int):
        doubles = self._waiting.pop(size, None)
        self._doubles = np.empty(size) if doubles is None else doubles
        self.__array_interface__ = self._doubles.__array_interface__

    def __del__(self) -> None:
        if len(self._waiting) >= _MOST_WAITING:
            self._waiting.clear()  # other sizes are wanted now
        self._waiting[self._doubles.size] = self._doubles


def _empty(shape: tuple[int, ...]) -> Real:
    size = math.prod(shape)
    if _LEAST_AGAIN <= size <= _MOST_AGAIN:
        return np.asarray(_Memory(size)).reshape(shape)
    return np.empty(shape)


def run(job: Job) -> Answers:
    """Solve a job with the compiled loops."""
    from optistack import compiled_loops as loops

    stacks, layers = job.d.shape
    angles, size = job.cosine.shape[1], job.lam.size
    summed = job.angle_weight is not None
    kept = 1 if summed else angles
    with_amplitude = job.kind < 2 and all(job.coherent) and not summed and job.weights is None
    amplitude = _empty((stacks, kept, 2 * size) if with_amplitude else (0, 0, 0)).view(complex)
    if job.weights is None:
        weights = _given(np.empty((0, 0)))
        answers = _empty((stacks, kept, 3, size))
        a = _empty((stacks, kept, layers, size))
    else:
        weights = _given(job.weights)
        answers = np.zeros((stacks, kept, 3, len(weights)))
        a = np.zeros((stacks, kept, layers, len(weights)))
    cosine = _given(job.cosine)
    sine = cosine if job.sine is None else _given(job.sine)
    share = np.ones((len(cosine), angles, 1)) if job.angle_weight is None else job.angle_weight
    share, d = _given(share), _given(job.d)
    n = _given(job.n)
    values = _given(n.view(float).reshape(*n.shape, 2))
    n_row, angle_row, k0 = _given(job.n_row), _given(job.angle_row), _given(4 * np.pi / job.lam)
    stops = _given(
        np.array([0, *(1 + j for j, flag in enumerate(job.coherent) if not flag), layers + 1])
    )
    workers = threads() if stacks * angles * size * layers > _WORTH_THREADS else 1
    pending: list[tuple[tuple[int, int], tuple[int, int]]]
    # Weighted sums are added up block by block, in one order whatever else is solved.
    if stacks >= 2 * workers or job.weights is not None:
        pending = [(x, (0, size)) for x in _split(stacks, workers * _PIECES_PER_THREAD)]
    else:
        steps = _split(-(-size // loops.STEP), workers)
        pending = [((0, stacks), (i * loops.STEP, min(j * loops.STEP, size))) for i, j in steps]

    def work(scratch: Real) -> None:
        while True:
            try:
                piece = pending.pop()
            except IndexError:
                return
            loops.solve_tasks(
                *piece, values, n_row, d, k0, sine, cosine, share, angle_row,
                job.sine is not None, job.kind, stops, summed, answers, a, amplitude, weights,
                scratch,
            )  # fmt: skip

    # Memory that a new thread asks for itself is new to the process each time, page by page.
    memory = [_aligned(loops.scratch_size(layers)) for _ in range(min(workers, len(pending)))]
    if len(memory) == 1:
        work(memory[0])
    else:
        pool = _other_threads(len(memory) - 1)
        others = [pool.submit(work, scratch) for scratch in memory[1:]]
        work(memory[0])
        for other in others:
            # One that has not begun, as others keep the threads busy, has nothing left to do.
            if not other.cancel():
                other.result()
    r, t, entering = (answers[:, :, i] for i in range(3))
    return Answers(r, t, entering, a, amplitude if with_amplitude else None)


@lru_cache(maxsize=1)
def _other_threads(count: int) -> ThreadPoolExecutor:
    """Threads that stay: to start one takes a tenth of the time of a small job."""
    return ThreadPoolExecutor(count, thread_name_prefix="optistack")


if hasattr(os, "register_at_fork"):  # a forked process has none of them
    os.register_at_fork(after_in_child=_other_threads.cache_clear)


def _given(values: NDArray[Any]) -> NDArray[Any]:
    """An array to read, of the one type that the loops are compiled for."""
    out = np.ascontiguousarray(values).view()
    out.flags.writeable = False
    return out


def _aligned(size: int) -> Real:
    """Doubles that start with a line of the cache: vectors across two lines cost twice."""
    memory = np.empty(size + _LINE - 1)
    start = -(memory.ctypes.data // memory.itemsize) % _LINE
    return memory[start : start + size]


def _split(count: int, parts: int) -> list[tuple[int, int]]:
    """Ranges of about the same length."""
    parts = min(count, parts)
    return [(count * i // parts, count * (i + 1) // parts) for i in range(parts)]


def rows(values: NDArray[Any], own: int, batch: tuple[int, ...]) -> tuple[NDArray[Any], Rows]:
    """Distinct rows of an array with leading axes, and the row of each stack of a batch.

    ``own``: how many axes a row has.
    """
    once = tuple(
        slice(0, 1) if stride == 0 else slice(None)
        for stride in values.strides[: values.ndim - own]
    )
    values = values[once]
    lead = values.shape[: values.ndim - own]
    number = np.arange(int(np.prod(lead, dtype=int))).reshape(lead)
    flat = values.reshape(number.size, *values.shape[values.ndim - own :])
    return flat, np.ascontiguousarray(np.broadcast_to(number, batch).ravel())
