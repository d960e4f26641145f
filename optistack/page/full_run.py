"""A whole run of a state in a process of its own: it says how far it is, and can be ended."""

from __future__ import annotations

import asyncio
import io
import shutil
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

from optistack.errors import OptistackError
from optistack.page.bundle import SCENARIO_NAME, add_to_archive, write_bundle
from optistack.page.state import State

_LOOK_SECONDS = 0.5


class FullRun:
    """``optistack run`` on a saved state, as anyone would type it."""

    def __init__(self) -> None:
        self._process: asyncio.subprocess.Process | None = None
        self._cancelled = False

    @property
    def running(self) -> bool:
        """Whether a run is under way."""
        return self._process is not None

    def cancel(self) -> None:
        """End the run that is under way; nothing of it is kept."""
        self._cancelled = True
        process = self._process
        if process is not None and process.returncode is None:
            process.terminate()

    async def run(self, state: State, said: Callable[[float, str], None]) -> bytes:
        """The report with its tables and figures, as a ZIP archive.

        Parameters
        ----------
        state : State
        said : callable
            Called twice a second with the seconds so far and what is being done.

        Raises
        ------
        OptistackError
            The scenario was refused, the run was cancelled, or another one is under way.
        """
        if self.running:
            raise OptistackError("a run is under way; cancel it first")
        self._cancelled = False
        folder = Path(tempfile.mkdtemp(prefix="optistack-run-"))
        try:
            with zipfile.ZipFile(io.BytesIO(write_bundle(state))) as archive:
                archive.extractall(folder)
            return await self._carry_out(folder, said)
        finally:
            self._process = None
            shutil.rmtree(folder, ignore_errors=True)

    async def _carry_out(self, folder: Path, said: Callable[[float, str], None]) -> bytes:
        out = folder / "result"
        self._process = process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "optistack",
            "run",
            str(folder / SCENARIO_NAME),
            "--out",
            str(out),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )
        began = time.monotonic()
        lines = ["reading the scenario"]

        async def listen() -> None:
            if process.stderr is None:
                return
            while line := await process.stderr.readline():
                text = line.decode(errors="replace").strip()
                lines.append(text.partition("s  ")[2] or text)

        listening = asyncio.create_task(listen())
        try:
            while process.returncode is None:
                said(time.monotonic() - began, lines[-1])
                try:
                    await asyncio.wait_for(asyncio.shield(process.wait()), _LOOK_SECONDS)
                except TimeoutError:
                    continue
            await listening
        finally:
            if process.returncode is None:  # the page was closed
                process.terminate()
                await process.wait()
        if self._cancelled:
            raise OptistackError("cancelled; nothing of this run is kept")
        if process.returncode != 0:
            raise OptistackError(lines[-1].removeprefix("optistack: "))
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in sorted(out.iterdir()):
                add_to_archive(archive, path.name, path.read_bytes())
        return packed.getvalue()
