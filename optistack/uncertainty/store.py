"""Finished draws in a folder, so that a long run can be killed and go on.

A folder holds one file per finished piece, written beside its place and moved in, and what the
draws are draws of. A folder of another question is refused.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optistack.errors import OptistackError

Real = NDArray[np.float64]

LABEL = "optistack-draws.json"
_FORMAT = 1


class DrawStore:
    """The folder.

    Parameters
    ----------
    folder : Path
        Created where it does not exist.
    about : mapping of str to str, int or list
        What the draws are draws of; another folder's label must say the same.

    Raises
    ------
    OptistackError
        Another question's folder, someone else's folder, one that cannot be written.
    """

    def __init__(self, folder: Path, about: Mapping[str, Any]):
        self.folder = Path(folder)
        label = {"written_by": "optistack", "format": _FORMAT, **about}
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            path = self.folder / LABEL
            if path.exists():
                self._compare(path, label)
            elif any(not _unfinished(p.name) for p in self.folder.iterdir()):
                raise OptistackError(
                    f"{self.folder}: holds files that are no draws of optistack; choose an empty "
                    "folder"
                )
            else:
                self._put(LABEL, (json.dumps(label, indent=1) + "\n").encode())
        except OSError as error:
            raise OptistackError(self._unwritable(error)) from None

    def _compare(self, path: Path, label: Mapping[str, Any]) -> None:
        try:
            there = json.loads(path.read_text(encoding="utf-8"))
            if not isinstance(there, dict):
                raise ValueError
        except ValueError:
            raise OptistackError(f"{path}: cannot be read; delete the folder") from None
        differ = [key for key in label if there.get(key) != label[key]]
        if differ:
            said = [
                f"{key} {there.get(key)}, not {label[key]}"
                if isinstance(label[key], (str, int)) and len(str(label[key])) < 30
                else f"another {key}"
                for key in differ
            ]
            raise OptistackError(
                f"{self.folder}: holds draws of something else ({'; '.join(said)}). Go on in "
                "another folder, or delete this one"
            )

    def read(self, start: int, stop: int, shape: tuple[int, int]) -> Real | None:
        """The answers of a piece; None where it is not there or was damaged."""
        try:
            raw = io.BytesIO((self.folder / _name(start, stop)).read_bytes())
            with np.load(raw, allow_pickle=False) as file:
                values, digest = file["values"], str(file["sha256"])
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
            return None
        if values.shape != shape or values.dtype != np.float64 or _digest(values) != digest:
            return None
        return np.asarray(values)

    def write(self, start: int, stop: int, values: Real) -> None:
        """Keep the answers of a piece; it is there wholly or not at all."""
        buffer = io.BytesIO()
        np.savez(buffer, values=values, sha256=np.array(_digest(values)))
        try:
            self._put(_name(start, stop), buffer.getvalue())
        except OSError as error:
            raise OptistackError(self._unwritable(error)) from None

    def _put(self, name: str, raw: bytes) -> None:
        new = self.folder / f".{name}.{os.getpid()}"
        with open(new, "wb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
        os.replace(new, self.folder / name)

    def _unwritable(self, error: OSError) -> str:
        return f"{self.folder}: cannot be written ({error.strerror})"


def _unfinished(name: str) -> bool:
    """Whether a file is what a kill left of a write."""
    return name.startswith((f".{LABEL}.", ".draws-"))


def _name(start: int, stop: int) -> str:
    return f"draws-{start:010d}-{stop:010d}.npz"


def _digest(values: Real) -> str:
    return hashlib.sha256(np.ascontiguousarray(values).tobytes()).hexdigest()
