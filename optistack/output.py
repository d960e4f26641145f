"""Result folders: written beside their place and moved in whole, never over someone's files."""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from optistack.errors import OptistackError

MANIFEST = "optistack-output.json"
_AT_FDCWD = -100
_RENAME_EXCHANGE = 2


def is_own_folder(folder: Path) -> bool:
    """Whether optistack wrote this folder, and everything in it."""
    try:
        listed = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))["files"]
        return {p.name for p in folder.iterdir()} <= {*listed, MANIFEST}
    except (OSError, ValueError, KeyError, TypeError):
        return False


def write_folder(
    target: Path, write: Callable[[Path], Sequence[str]], *, replace_own: bool, command: str
) -> list[str]:
    """Write a result folder: the old one or the complete new one is there, at any moment.

    Parameters
    ----------
    target : Path
    write : callable
        Writes files into the empty folder it is given and returns their names.
    replace_own : bool
        Whether a folder that optistack wrote completely may be replaced.
    command : str
        What to tell the user to do when it may not.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    OptistackError
        The folder exists and may not be replaced, or cannot be written.
    """
    target = Path(os.path.abspath(target))
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise OptistackError(f"{target}: exists and is not a folder; choose another with --out")
    occupied = target.is_dir() and any(target.iterdir())
    if occupied and not is_own_folder(target):
        raise OptistackError(
            f"{target}: holds files that optistack did not write; choose another folder with --out"
        )
    if occupied and not replace_own:
        raise OptistackError(f"{target}: holds earlier results; {command}")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        new = Path(tempfile.mkdtemp(prefix=f".{target.name}.part-", dir=target.parent))
    except OSError as error:
        raise OptistackError(f"{target}: cannot be written ({error.strerror})") from None
    try:
        files = list(write(new))
        manifest = {"written_by": "optistack", "files": sorted(files)}
        (new / MANIFEST).write_text(json.dumps(manifest, indent=1) + "\n", encoding="utf-8")
        new.chmod(0o755)
        _put_in_place(new, target)
    except OSError as error:
        raise OptistackError(f"{target}: cannot be written ({error.strerror})") from None
    finally:
        shutil.rmtree(new, ignore_errors=True)
    return [*files, MANIFEST]


def _put_in_place(new: Path, target: Path) -> None:
    """Move a folder to its place; an old one there ends up at ``new``."""
    if not target.exists():
        os.rename(new, target)
        return
    if not any(target.iterdir()):
        os.rename(new, target)  # replaces an empty folder in one step
        return
    if _exchange(new, target):
        return
    # Without an exchange in one step there is a short moment in which neither is in its place; the
    # old folder then lies beside it under this name.
    aside = target.with_name(f".{target.name}.old-{os.getpid()}")
    os.rename(target, aside)
    try:
        os.rename(new, target)
    except OSError:
        os.rename(aside, target)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _exchange(a: Path, b: Path) -> bool:
    """Exchange two folders in one step, where the system can (Linux)."""
    try:
        renameat2 = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    done = renameat2(
        _AT_FDCWD, os.fsencode(a), _AT_FDCWD, os.fsencode(b), ctypes.c_uint(_RENAME_EXCHANGE)
    )
    return bool(done == 0)
