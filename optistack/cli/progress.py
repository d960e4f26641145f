"""What a command shows while it works, and how it answers a machine."""

from __future__ import annotations

import json
import sys
import threading
import time
from typing import Any

_QUIET_SECONDS = 2.0
_LINE_SECONDS = 10.0
_BAR_SECONDS = 0.2
_BAR_WIDTH = 30


class Progress:
    """Says on stderr what is going on, once it has taken more than two seconds.

    Counted work is a bar that fills where stderr is a terminal, and now and then a line elsewhere.
    """

    def __init__(self) -> None:
        self._stage = ""
        self._bar = False
        self._began = time.monotonic()
        self._said = self._began
        self._timer = threading.Timer(_QUIET_SECONDS, self._show)
        self._timer.daemon = True
        self._timer.start()

    def __call__(self, stage: str) -> None:
        self._stage = stage
        self._end_bar()
        if time.monotonic() - self._began > _QUIET_SECONDS:
            self._show()

    def count(self, done: int, whole: int) -> None:
        """So much of the stage is done."""
        now = time.monotonic()
        terminal = sys.stderr.isatty()
        pause = _BAR_SECONDS if terminal else _LINE_SECONDS
        last = done == whole and self._bar
        if now - self._began <= _QUIET_SECONDS or (now - self._said < pause and not last):
            return
        self._said = now
        seconds = now - self._began
        if terminal:
            full = _BAR_WIDTH * done // whole
            bar = "#" * full + "." * (_BAR_WIDTH - full)
            sys.stderr.write(f"\r{seconds:5.1f} s  [{bar}] {done} of {whole}")
            self._bar = True
        else:
            sys.stderr.write(f"{seconds:5.1f} s  {done} of {whole}\n")
        sys.stderr.flush()

    def _show(self) -> None:
        seconds = time.monotonic() - self._began
        sys.stderr.write(f"{seconds:5.1f} s  {self._stage} ...\n")
        sys.stderr.flush()

    def _end_bar(self) -> None:
        if self._bar:
            sys.stderr.write("\n")
        self._bar = False

    def stop(self) -> None:
        """Say no more."""
        self._timer.cancel()
        self._end_bar()


def write_json(data: Any) -> None:
    """Write one JSON document to standard output."""
    json.dump(data, sys.stdout, indent=1, allow_nan=False)
    sys.stdout.write("\n")
