"""When and how the compiled loops solve a job: choice of the engine, threads, arrays to fill.

The engine is chosen by the size of a call alone, never by what was solved before: the two engines
round differently (by about 1e-15), and an answer must not depend on the history of a process. The
loops release Python's lock, so plain threads share the stacks; nothing else of numba's threading is
used, and forked or nested workers are safe.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from importlib.util import find_spec
from typing import Any, Literal, NamedTuple

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


def run(job: Job) -> Answers:
    """Solve a job with the compiled loops."""
    from optistack import compiled_loops as loops

    stacks, layers = job.d.shape
    angles, size = job.cosine.shape[1], job.lam.size
    summed = job.angle_weight is not None
    kept = 1 if summed else angles
    with_amplitude = job.kind < 2 and all(job.coherent) and not summed and job.weights is None
    amplitude = np.empty((stacks, kept, size) if with_amplitude else (0, 0, 0), dtype=complex)
    if job.weights is None:
        weights = _given(np.empty((0, 0)))
        answers = np.empty((stacks, kept, 3, size))
        a = np.empty((stacks, kept, layers, size))
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
    blocks = -(-size // loops.ROW)
    # Weighted sums are added up block by block, in one order whatever else is solved.
    split_stacks = stacks >= 2 * workers or job.weights is not None
    if not split_stacks:
        blocks = min(-(-blocks // workers) * workers, -(-size // loops.STEP))
    block = loops.STEP * -(-size // (blocks * loops.STEP))
    blocks = -(-size // block)

    pending: list[tuple[tuple[int, int], tuple[int, int]]]
    if split_stacks:
        pending = [(x, (0, blocks)) for x in _split(stacks, workers * _PIECES_PER_THREAD)]
    else:
        pending = [((0, stacks), x) for x in _split(blocks, blocks)]

    def work(scratch: Real) -> None:
        while True:
            try:
                piece = pending.pop()
            except IndexError:
                return
            loops.solve_tasks(
                *piece, block, values, n_row, d, k0, sine, cosine, share, angle_row,
                job.sine is not None, job.kind, stops, summed, answers, a, amplitude, weights,
                scratch,
            )  # fmt: skip

    # Memory that a new thread asks for itself is new to the process each time, page by page.
    memory = [_aligned(loops.scratch_size(layers)) for _ in range(min(workers, len(pending)))]
    if len(memory) == 1:
        work(memory[0])
    else:
        with ThreadPoolExecutor(len(memory) - 1) as pool:
            others = [pool.submit(work, scratch) for scratch in memory[1:]]
            work(memory[0])
            for other in others:
                other.result()
    r, t, entering = (answers[:, :, i] for i in range(3))
    return Answers(r, t, entering, a, amplitude if with_amplitude else None)


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
    ends = np.linspace(0, count, min(count, parts) + 1).astype(int).tolist()
    return list(zip(ends[:-1], ends[1:], strict=True))


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
