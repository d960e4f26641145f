"""A second process that draws some figures while the first draws the others.

Drawing takes nearly half the time of a report. The process loads the drawing library while the
scenario is still being computed, reads the data of results.json from its standard input, draws what
needs nothing else and writes the figures to its standard output. It ends when its input does, so
it does not outlive the process that started it, however that one ends. Whatever goes wrong with it
costs time only: the figures are then drawn here.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
import threading
from contextlib import suppress
from types import TracebackType
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from optistack.report.drawing import Drawn
    from optistack.report.json_values import Json

_START = "import sys; sys.path[:] = {path!r}; from optistack.report.painter import serve; serve()"


class Painter:
    """The process, for as long as a ``with`` block lasts.

    Examples
    --------
    >>> with Painter() as painter:
    ...     painter.send({"answers": "none"})
    ...     painter.wait_for("knee")  # what it cannot draw it leaves to others
    False
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._reader: threading.Thread | None = None
        self._news = threading.Condition()
        self._ended = True
        self._drawn: dict[str, Drawn | None] = {}
        if sys.executable:
            with suppress(OSError):  # no room for another process
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _START.format(path=sys.path)],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process is None:
            return
        self._process.kill()
        if self._reader is not None:
            self._reader.join()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with suppress(OSError):  # what was left to write
                    pipe.close()
        self._process.wait()
        self._process = None

    def send(self, data: Json) -> None:
        """Hand over the data of results.json; the drawing begins."""
        if self._process is None or self._process.stdin is None:
            return
        try:
            with self._process.stdin as pipe:
                pickle.dump(data, pipe)
        except OSError:  # it has ended
            return
        self._ended = False
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        process = self._process
        try:
            while process is not None and process.stdout is not None:
                key, figure = pickle.load(process.stdout)
                with self._news:
                    self._drawn[key] = figure
                    self._news.notify_all()
        except (EOFError, OSError, ValueError, pickle.UnpicklingError):
            pass
        with self._news:
            self._ended = True
            self._news.notify_all()

    def drawn(self) -> dict[str, Drawn | None]:
        """The figures that are finished, by key; None where there were no data for one."""
        with self._news:
            return dict(self._drawn)

    def wait_for(self, key: str) -> bool:
        """Wait until a figure is finished; whether it was, before the process ended."""
        with self._news:
            self._news.wait_for(lambda: key in self._drawn or self._ended)
            return key in self._drawn


def serve() -> None:
    """What the process does."""
    from optistack.report.figures import draw_alone

    out, sys.stdout = sys.stdout.buffer, sys.stderr
    try:
        data = pickle.load(sys.stdin.buffer)
    except EOFError:  # that one has nothing to draw
        return
    for key, figure in draw_alone(data):
        pickle.dump((key, figure), out)
        out.flush()
