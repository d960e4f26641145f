"""What a command shows while it works, and how it answers a machine."""

from __future__ import annotations

import json
import sys
import threading
import time
from typing import Any

_QUIET_SECONDS = 2.0


class Progress:
    """Says on stderr what is going on, once it has taken more than two seconds."""

    def __init__(self) -> None:
        self._stage = ""
        self._began = time.monotonic()
        self._timer = threading.Timer(_QUIET_SECONDS, self._show)
        self._timer.daemon = True
        self._timer.start()

    def __call__(self, stage: str) -> None:
        self._stage = stage
        if time.monotonic() - self._began > _QUIET_SECONDS:
            self._show()

    def _show(self) -> None:
        seconds = time.monotonic() - self._began
        sys.stderr.write(f"{seconds:5.1f} s  {self._stage} ...\n")
        sys.stderr.flush()

    def stop(self) -> None:
        self._timer.cancel()


def write_json(data: Any) -> None:
    """Write one JSON document to standard output."""
    json.dump(data, sys.stdout, indent=1, allow_nan=False)
    sys.stdout.write("\n")
