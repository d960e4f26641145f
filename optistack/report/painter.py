"""A second process that draws the figures while the first still computes.

Drawing takes nearly half the time of a report. The process loads the drawing library, takes the
sections of results.json from its standard input as they are found, draws what they are enough for
and writes the figures to its standard output. It ends when its input does, so it does not outlive
the process that started it, however that one ends. Whatever goes wrong with it costs time only: the
figures are then drawn by the first.
"""

from __future__ import annotations

import gc
import pickle
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from queue import SimpleQueue
from types import TracebackType
from typing import TYPE_CHECKING, Any, BinaryIO, Self

if TYPE_CHECKING:
    from optistack.report.pictures import Drawn, Views

_START = "import sys; sys.path[:] = {path!r}; from optistack.report.painter import serve; serve()"
# What the process sends last: all that was asked for is drawn.
_DONE = "done"


class Painter:
    """The process, for as long as a ``with`` block lasts.

    Examples
    --------
    >>> with Painter() as painter:
    ...     painter.finish()  # it was told of nothing, and drew nothing
    []
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._reader: threading.Thread | None = None
        self._drawn: list[Drawn] = []
        self._done = False
        if sys.executable:
            with suppress(OSError):  # no room for another process
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _START.format(path=sys.path)],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                )
        if self._process is not None:
            self._reader = threading.Thread(target=self._read, daemon=True)
            self._reader.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process is None or self._reader is None:
            return
        self._process.kill()
        self._reader.join()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with suppress(OSError):  # what was left to write
                    pipe.close()
        self._process.wait()
        self._process = None

    def send(self, message: Views | dict[str, Any]) -> None:
        """Hand over the views, before all else, or more sections of results.json."""
        if self._process is not None and self._process.stdin is not None:
            with suppress(OSError, ValueError):  # it has ended
                pickle.dump(message, self._process.stdin)
                self._process.stdin.flush()

    def finish(self) -> list[Drawn] | None:
        """Wait for the figures of all that was sent, in the order of the report.

        None where the process has failed.
        """
        if self._process is None or self._process.stdin is None or self._reader is None:
            return None
        with suppress(OSError):
            self._process.stdin.close()
        self._reader.join()
        return sorted(self._drawn, key=lambda figure: figure.number) if self._done else None

    def _read(self) -> None:
        process = self._process
        if process is None or process.stdout is None:
            return
        # A process that dies may leave half a message.
        with suppress(EOFError, OSError, ValueError, pickle.UnpicklingError):
            while (message := pickle.load(process.stdout)) != _DONE:
                self._drawn.append(message)
            self._done = True


@contextmanager
def loaded_for_good() -> Iterator[None]:
    """What is made here stays: Python need not look through it for cycles, now or later.

    It takes a twentieth of the time of a run otherwise, in either process.
    """
    gc.disable()
    try:
        yield
        gc.freeze()
    finally:
        gc.enable()


def serve() -> None:
    """What the process does."""
    source, out, sys.stdout = sys.stdin.buffer, sys.stdout.buffer, sys.stderr
    messages: SimpleQueue[Any] = SimpleQueue()
    threading.Thread(target=_listen, args=(source, messages), daemon=True).start()
    with loaded_for_good():
        from optistack.report.drawing import warm_up
        from optistack.report.figures import draw_as_told

        warm_up()
    for figure in draw_as_told(_sections(messages)):
        pickle.dump(figure, out)
        out.flush()
    pickle.dump(_DONE, out)
    out.flush()


def _listen(source: BinaryIO, messages: SimpleQueue[Any]) -> None:
    """Take messages as they come, so that the process that computes never waits for a figure."""
    with suppress(EOFError):
        while True:
            messages.put(pickle.load(source))
    messages.put(None)


def _sections(messages: SimpleQueue[Any]) -> Iterator[tuple[dict[str, Any], Views]]:
    """All sections so far, each time that there are more."""
    views = messages.get()
    data: dict[str, Any] = {}
    while views is not None and (more := messages.get()) is not None:
        data |= more
        yield data, views
