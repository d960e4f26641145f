"""The files of a scenario: where they may lie, what they hold, and a record of each."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from numpy.typing import NDArray

from optistack.errors import OptistackError, ScenarioError
from optistack.reader import read_columns
from optistack.scenario.section import Section, checked_name
from optistack.series_file import is_invented
from optistack.tables import COLUMNS, GRADES, Table, read_table, read_text

T = TypeVar("T")

_FILE_ENDINGS = (".csv", ".txt", ".dat", ".tsv", ".asc")


@dataclass(frozen=True)
class InputFile:
    """A file that a scenario used, or a table that came with optistack."""

    used_as: str
    name: str
    sha256: str
    grade: str
    kind: str
    source: str
    title: str = ""


class FileCurve(NamedTuple):
    """A curve out of a file, whatever the file's format."""

    name: str
    wavelength_nm: NDArray[Any]
    values: NDArray[Any]
    grade: str
    source: str
    table: Table | None


class Files:
    """Opens files for a scenario, under its own folder or one that was allowed."""

    def __init__(self, path: Path, folders: tuple[Path, ...]):
        self.path, self.folders = path, folders
        self.inputs: dict[tuple[str, str], InputFile] = {}
        self.choices: list[str] = []

    def _within(self, section: Section, build: Callable[[Section], T]) -> T:
        """Build a value; say where in the scenario a refusal of the value itself belongs."""
        try:
            value = build(section)
        except (ScenarioError, FileNotFoundError):
            raise
        except OptistackError as error:
            raise ScenarioError(str(error), section.path) from error
        section.done()
        return value

    @staticmethod
    def _defined(name: str, known: Mapping[str, Any], what: str, path: str) -> str:
        if name not in known:
            listed = ", ".join(known) or f"(no {what} is defined)"
            raise ScenarioError(f"{what} {name!r} is not defined; there are {listed}", path)
        return name

    def _file(self, name: str, key_path: str) -> Path:
        """A file under the scenario's folder or an allowed one."""
        checked_name(name, key_path, long=True)
        given = Path(name)
        try:
            full = (given if given.is_absolute() else self.path.parent / given).resolve()
            there = full.is_file()
        except (OSError, RuntimeError) as error:  # a name too long, a loop of links, no permission
            why = getattr(error, "strerror", None) or "the links go in a circle"
            raise ScenarioError(f"file {name[:80]!r} cannot be opened: {why}", key_path) from None
        if not any(full.is_relative_to(folder) for folder in self.folders):
            raise ScenarioError(
                f"file {name!r} lies outside the scenario's folder; move it there, or allow its "
                "folder with --allow-path",
                key_path,
            )
        if not there:
            raise ScenarioError(f"there is no file {name!r}", key_path)
        return full

    def _table(self, name: str, key_path: str, used_as: str) -> Table:
        table = read_table(self._file(name, key_path))
        self._note_input(
            used_as, name, table.sha256, table.grade, table.kind, table.source, table.title
        )
        return table

    def _note_input(
        self, used_as: str, name: str, sha256: str, grade: str, kind: str, source: str, title: str
    ) -> None:
        self.inputs[used_as, name] = InputFile(used_as, name, sha256, grade, kind, source, title)

    def _note_measurement(
        self, used_as: str, name: str, sha256: str, header: Mapping[str, str]
    ) -> None:
        """Record a file of measurements by its "# key: value" lines."""
        invented = is_invented(header)
        self._note_input(
            used_as,
            name,
            sha256,
            "D" if invented else "B",
            "invented" if invented else "measured",
            header.get("source", "not stated"),
            header.get("title", ""),
        )

    def _regrade(self, used_as: str, grade: str) -> None:
        """The scenario's own word on how far its inputs can be trusted."""
        for key, item in self.inputs.items():
            if item.used_as == used_as:
                self.inputs[key] = replace(item, grade=grade)

    @staticmethod
    def _is_file(name: str) -> bool:
        return name.lower().endswith(_FILE_ENDINGS)

    @staticmethod
    def _is_table_format(path: Path) -> bool:
        text, _ = read_text(path)
        head = next((x for x in text.splitlines() if x.strip() and not x.startswith("#")), "")
        return head.split(",")[0].strip() == "wavelength_nm"

    def _curve(
        self, section: Section, key: str, used_as: str, quantity: str, *, fraction: bool = True
    ) -> FileCurve:
        """A file in the table format, or two columns of an instrument's export."""
        name = section.text(key)
        path = self._file(name, section.key_path(key))
        column = section.integer("column", None, low=2)
        options = {
            "delimiter": section.choice("delimiter", (";", ",", "\t", " "), None),
            "decimal": section.choice("decimal", (".", ","), None),
            "column": column,
        }
        unit = section.choice("unit", ("fraction", "percent"), None) if fraction else None
        grade = section.choice("grade", GRADES, None)
        source = section.text("source", None)
        if self._is_table_format(path):
            if unit == "percent" or any(v is not None for v in options.values()):
                raise ScenarioError(
                    f"{name} is in the table format, which leaves nothing to state about units, "
                    "delimiter, decimal or column",
                    section.path,
                )
            table = read_table(path)
            if table.quantity not in (quantity, f"relative_{quantity}"):
                raise ScenarioError(
                    f"{name} holds {table.quantity}, not {quantity}", section.key_path(key)
                )
            table = replace(table, grade=grade or table.grade, source=source or table.source)
            self._note_input(
                used_as, name, table.sha256, table.grade, table.kind, table.source, table.title
            )
            main = COLUMNS[table.quantity] or tuple(table.columns)
            lam, values = table.known(main[0])
            return FileCurve(table.name, lam, values, table.grade, table.source, table)
        reading = read_columns(path, unit=unit, fraction=fraction, **options)
        self.choices += reading.assumptions
        grade, source = grade or "B", source or "not stated"
        self._note_input(used_as, name, reading.sha256, grade, "measured", source, "")
        return FileCurve(reading.name, reading.wavelength_nm, reading.values, grade, source, None)
