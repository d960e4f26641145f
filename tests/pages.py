"""What the tests of pages share: the browser that opens them, and the command that serves one."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from conftest import ROOT

CHROMIUM = shutil.which("chromium")
REQUIRED = os.environ.get("OPTISTACK_BROWSER_REQUIRED") == "1"
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
]


def need_browser() -> Any:
    """Playwright's interface; without it or the browser the whole module is skipped."""
    if CHROMIUM is None and not REQUIRED:
        pytest.skip("chromium is not installed", allow_module_level=True)
    return pytest.importorskip("playwright.sync_api")


@contextmanager
def browser_of(sync_api: Any) -> Iterator[Any]:
    """The browser, for as long as the block lasts."""
    with sync_api.sync_playwright() as p:
        started = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield started
        started.close()


@contextmanager
def served(*arguments: str, most_s: float) -> Iterator[str]:
    """The address of a page that ``optistack explore`` serves, for ``most_s`` at the most."""
    with tempfile.TemporaryFile(mode="w+") as complaints:
        process = subprocess.Popen(
            [sys.executable, "-m", "optistack", "explore", *arguments, "--no-browser", "--json"],
            stdout=subprocess.PIPE,
            stderr=complaints,
            text=True,
            cwd=ROOT,
        )
        timer = threading.Timer(most_s, process.kill)
        timer.start()
        try:
            assert process.stdout is not None
            text = ""
            while not text.strip().endswith("}"):
                line = process.stdout.readline()
                if not line:
                    complaints.seek(0)
                assert line, f"the page did not start: {complaints.read()}"
                text += line
            yield json.loads(text)["address"]
        finally:
            timer.cancel()
            process.terminate()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()
