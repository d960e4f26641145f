"""Pieces of a long calculation on this machine's cores or on a Dask cluster.

A piece is a pure function of its argument, so it does not matter who works it out, how often, or in
which order: a worker that is lost costs only the time of the pieces it held.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeVar

from optistack.errors import OptistackError

Piece = TypeVar("Piece")
Answer = TypeVar("Answer")

_ADDRESS = re.compile(r"((tcp|tls)://)?(\[[0-9A-Fa-f:.]+\]|[^\s/:\[\]]+):\d{1,5}")
# How often pieces are handed out again after a worker was lost, without one finished between.
_MOST_LOSSES = 3
_CONNECT_SECONDS = 10
# A cluster without any worker is given this long to find new ones.
_PATIENCE_SECONDS = 60
_LOOK_SECONDS = 2.0
# Pieces a worker has or waits for: enough to keep it busy, few enough to lose little.
_AHEAD = 2


@dataclass(frozen=True)
class Workers:
    """Who works.

    Parameters
    ----------
    processes : int
        On this machine; 1: the calling process itself.
    dask : str, optional
        Address of the scheduler of a Dask cluster, "tcp://host:port"; ``processes`` has no meaning
        then. Needs the extra ``cluster``.

    Raises
    ------
    OptistackError
        No process, far more than there are cores, or something that is no address.
    """

    processes: int = 1
    dask: str | None = None

    def __post_init__(self) -> None:
        most = 4 * (os.cpu_count() or 1)
        if not 1 <= self.processes <= most:
            raise OptistackError(
                f"{self.processes} workers: from 1 to {most}, four for each core of this machine, "
                "are allowed"
            )
        if self.dask is not None and not _ADDRESS.fullmatch(self.dask):
            raise OptistackError(
                f"{self.dask!r} is no address of a Dask scheduler; it reads tcp://host:port, as "
                "the scheduler prints it when it starts"
            )


class _Found(NamedTuple):
    """What comes back of a piece: which version worked it out, and the answer or why there is none.

    A refusal travels as text: an exception with arguments of its own does not survive pickling.
    """

    version: str
    answer: Any
    refusal: str | None


def _work(function: Callable[[Piece], Answer], piece: Piece) -> _Found:
    try:
        return _Found(_version(), function(piece), None)
    except OptistackError as error:
        return _Found(_version(), None, str(error))


def _version() -> str:
    from optistack import __version__

    return __version__


def map_chunks(
    function: Callable[[Piece], Answer],
    pieces: Sequence[Piece],
    workers: Workers | None = None,
) -> Iterator[tuple[int, Answer]]:
    """Work out every piece; the position of each and its answer, as they come.

    Parameters
    ----------
    function : callable
        Of one piece; sent to the workers with all that belongs to it.
    pieces : sequence
    workers : Workers, optional
        The calling process when not given.

    Raises
    ------
    OptistackError
        What the function refuses; workers that are lost again and again; no scheduler or no
        worker at the address; workers with another version of optistack.

    Examples
    --------
    >>> print(sorted(map_chunks(lambda n: n * n, [3, 4])))
    [(0, 9), (1, 16)]
    """
    workers = workers or Workers()
    if workers.dask is not None:
        found = _on_cluster(function, pieces, workers.dask)
    elif workers.processes == 1 or len(pieces) < 2:
        found = ((i, _work(function, piece)) for i, piece in enumerate(pieces))
    else:
        found = _in_processes(function, pieces, workers.processes)
    for i, result in found:
        if result.refusal is not None:
            raise OptistackError(result.refusal)
        _same_version({"a worker": result.version})
        yield i, result.answer


def _same_version(versions: dict[str, str]) -> None:
    mine = _version()
    others = {name: v for name, v in versions.items() if v != mine}
    if others:
        listed = ", ".join(f"{v} on {name}" for name, v in sorted(others.items()))
        raise OptistackError(
            f"workers have another version of optistack than {mine}, which runs here: {listed}. "
            "Answers of two versions are not mixed; install the same one everywhere"
        )


def _numbered(function: Callable[[Piece], Answer], number: int, piece: Piece) -> tuple[int, _Found]:
    return number, _work(function, piece)


def _in_processes(
    function: Callable[[Piece], Answer], pieces: Sequence[Piece], processes: int
) -> Iterator[tuple[int, _Found]]:
    from joblib import Parallel, delayed
    from joblib.externals.loky.process_executor import BrokenProcessPool

    left = dict(enumerate(pieces))
    losses = 0
    while left:
        pool = Parallel(
            n_jobs=min(processes, len(left)),
            batch_size=1,
            pre_dispatch=_AHEAD * processes,
            return_as="generator_unordered",
            max_nbytes=None,  # no detour through files for what is sent
        )
        try:
            for i, result in pool(
                delayed(_numbered)(function, i, p) for i, p in left.copy().items()
            ):
                del left[i]
                losses = 0
                yield i, result
        except BrokenProcessPool:  # one process is gone, and joblib gives up all of them
            losses += 1
            if losses > _MOST_LOSSES:
                raise OptistackError(
                    f"workers were lost {losses} times without finishing anything, perhaps for "
                    "want of memory; try with fewer workers"
                ) from None


def look_at_cluster(address: str) -> None:
    """Refuse a Dask cluster that cannot be used.

    Parameters
    ----------
    address : str
        Of its scheduler.

    Raises
    ------
    OptistackError
        No scheduler, no worker, workers with another version of optistack.
    """
    with _client(address) as client:
        _look_at(client, address)


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise OptistackError(
            "a Dask cluster needs packages that are not installed: pip install 'optistack[cluster]'"
        ) from None
    try:
        return Client(address, timeout=_CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:
        raise OptistackError(
            f"no Dask scheduler answers at {address} ({error}); start one with: dask scheduler "
            "--host 127.0.0.1"
        ) from None


def _on_cluster(
    function: Callable[[Piece], Answer], pieces: Sequence[Piece], address: str
) -> Iterator[tuple[int, _Found]]:
    with _client(address) as client:
        _look_at(client, address)
        yield from _by_client(client, function, pieces, address)


def _by_client(
    client: Any, function: Callable[[Piece], Answer], pieces: Sequence[Piece], address: str
) -> Iterator[tuple[int, _Found]]:
    from concurrent.futures import CancelledError

    from distributed import wait
    from distributed.scheduler import KilledWorker

    waiting = list(enumerate(pieces))[::-1]
    running: dict[Any, int] = {}
    alone = 0.0
    try:
        while waiting or running:
            free = _AHEAD * max(1, sum(client.nthreads().values())) - len(running)
            for _ in range(min(free, len(waiting))):
                i, piece = waiting.pop()
                # Lost with its worker, a piece goes to another one.
                future = client.submit(
                    _work, function, piece, pure=False, retries=_MOST_LOSSES, priority=-i
                )
                running[future] = i
            try:
                with client.as_current():
                    done = wait(
                        list(running), timeout=_LOOK_SECONDS, return_when="FIRST_COMPLETED"
                    ).done
            except TimeoutError:
                alone = 0.0 if client.nthreads() else alone + _LOOK_SECONDS
                if alone >= _PATIENCE_SECONDS:
                    raise OptistackError(
                        f"the Dask cluster at {address} has had no worker for "
                        f"{_PATIENCE_SECONDS} s; start some with: dask worker {address}"
                    ) from None
                continue
            for future in done:
                yield running.pop(future), future.result()
    except KilledWorker:
        raise OptistackError(
            "the same piece of work has taken several workers with it, perhaps for want of memory"
        ) from None
    except (CancelledError, OSError) as error:
        raise OptistackError(
            f"the Dask scheduler at {address} is lost ({type(error).__name__}); start it again"
        ) from None
    finally:
        for future in running:
            future.cancel()


def _look_at(client: Any, address: str) -> None:
    """Refuse a cluster without workers, or whose workers have another version."""
    try:
        client.wait_for_workers(1, timeout=_CONNECT_SECONDS)
    except TimeoutError:
        raise OptistackError(
            f"the Dask cluster at {address} has no worker; start some with: dask worker {address}"
        ) from None
    try:
        versions = client.run(_version)
    except Exception as error:  # a worker's answer to what it cannot import has no type of its own
        raise OptistackError(
            f"a worker of the Dask cluster at {address} has no optistack of its own ({error}); "
            "install the same version everywhere"
        ) from None
    _same_version(versions)
