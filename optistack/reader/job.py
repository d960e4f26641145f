"""One file on its way to a table: what was assumed about it, and how it asks and refuses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

from optistack.errors import QuestionError, TableError
from optistack.tables import printable


@dataclass
class Job:
    """Collects assumptions about one file; raises with its name.

    Attributes
    ----------
    path : Path
    quantity : str
        What the file is read as.
    said : list of str
        Every assumption, in the order in which it was made.
    """

    path: Path
    quantity: str
    said: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        self.said.append(f"{printable(self.path.name)}: {printable(text)}")

    def refuse(self, message: str, line: int | None = None) -> NoReturn:
        raise TableError(printable(message), self.path, line)

    def ask(
        self, message: str, option: str, choices: Sequence[str] = (), line: int | None = None
    ) -> NoReturn:
        raise QuestionError(printable(message), option, choices, self.path, line)
