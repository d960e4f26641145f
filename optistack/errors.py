"""The exceptions of the package: each says what is wrong, where, what is allowed and the way out.

All of them are ``ValueError`` too, so that a caller who does not know optistack can catch them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path


class OptistackError(ValueError):
    """Any input that optistack refuses."""


class TableError(OptistackError):
    """A table or an instrument file cannot be read as what it claims to be.

    Parameters
    ----------
    message : str
        What is wrong and what would be right.
    path : str or Path, optional
        The file.
    line : int, optional
        Line number in the file, from 1.
    """

    def __init__(self, message: str, path: str | Path | None = None, line: int | None = None):
        self.path = None if path is None else str(path)
        self.line = line
        where = ""
        if self.path is not None:
            where = self.path + (f", line {line}" if line is not None else "") + ": "
        super().__init__(where + message)


class QuestionError(TableError):
    """An instrument file can be read in two ways, and only its owner knows which is meant.

    Parameters
    ----------
    message : str
        What is doubtful.
    option : str
        The option that answers: an argument in Python, ``--`` and the same name as a command.
    choices : sequence of str
        The answers that fit the file; empty where they are free.
    path, line
        As in `TableError`.
    """

    def __init__(
        self,
        message: str,
        option: str,
        choices: Sequence[str] = (),
        path: str | Path | None = None,
        line: int | None = None,
    ):
        self.option = option
        self.choices = tuple(choices)
        listed = " or ".join(f'"{c}"' for c in self.choices) or "..."
        flag = "--" + option.replace("_", "-")
        stop = "" if message.endswith("?") else "."
        super().__init__(f"{message}{stop} State {option} = {listed} ({flag})", path, line)


class RangeError(OptistackError):
    """A table does not cover the wavelengths that are needed.

    Parameters
    ----------
    name : str
        The table, and which of its columns.
    needed, available : tuple of float
        Wavelength limits [nm].
    way_out : str, optional
        What the user can do.
    """

    def __init__(
        self,
        name: str,
        needed: tuple[float, float],
        available: tuple[float, float],
        way_out: str = "",
    ):
        self.name = name
        self.needed = needed
        self.available = available
        message = (
            f"{name}: needed {needed[0]:g}-{needed[1]:g} nm, "
            f"available {available[0]:g}-{available[1]:g} nm"
        )
        super().__init__(message + (f". {way_out}" if way_out else ""))


class StackError(OptistackError):
    """A stack, a layer or the arrays made from them make no physical sense."""


class ScenarioError(OptistackError):
    """A scenario file says something that cannot be understood or carried out.

    Parameters
    ----------
    message : str
        What is wrong and what is allowed.
    key_path : str, optional
        Where in the scenario, for example ``stacks.device.layers[2].thickness_nm``.
    """

    def __init__(self, message: str, key_path: str = ""):
        self.key_path = key_path
        super().__init__(f"{key_path}: {message}" if key_path else message)
