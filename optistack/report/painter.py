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
    ...     painter.collect()  # what it cannot draw it leaves to others
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        if sys.executable:
            try:
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _START.format(path=sys.path)],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                )
            except OSError:  # no room for another process
                self._process = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process is not None:
            self._process.kill()
            for pipe in (self._process.stdin, self._process.stdout):
                if pipe is not None:
                    with suppress(OSError):  # what was left to write
                        pipe.close()
            self._process.wait()
            self._process = None

    def send(self, data: Json) -> None:
        """Hand over the data of results.json; the drawing begins."""
        if self._process is not None and self._process.stdin is not None:
            try:
                with self._process.stdin as pipe:
                    pickle.dump(data, pipe)
            except OSError:  # it has ended
                self._process.kill()

    def collect(self) -> dict[str, Drawn] | None:
        """The figures by key, once all are drawn; None where that failed."""
        if self._process is None or self._process.stdout is None:
            return None
        try:
            found: dict[str, Drawn] = pickle.load(self._process.stdout)
        except (EOFError, OSError, pickle.UnpicklingError):
            return None
        return found


def serve() -> None:
    """What the process does."""
    from optistack.report.figures import draw_alone

    out, sys.stdout = sys.stdout.buffer, sys.stderr
    try:
        data = pickle.load(sys.stdin.buffer)
    except EOFError:  # that one has nothing to draw
        return
    drawn = {figure.key: figure for figure in draw_alone(data)}
    pickle.dump(drawn, out)
    out.flush()
