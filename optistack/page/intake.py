"""A file dropped on the page: how the reader takes it, what it asks, its use as a filter."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from optistack.errors import OptistackError, QuestionError
from optistack.page.bundle import open_bundle, safe_name
from optistack.page.knobs import dropped_filter
from optistack.page.parts import MOST_DROPPED_BYTES
from optistack.page.state import State
from optistack.reader import Export, export_to_table, read_export

KINDS = {
    "with its two surfaces (external)": "external",
    "of the inside alone (internal)": "internal",
}
OUTSIDE = {"refuse": "refuse", "hold the end value": "hold", "take as 0": "zero"}


@dataclass(frozen=True, eq=False)
class Dropped:
    """A file dropped on the page, as far as the reader understands it.

    Attributes
    ----------
    shown_name : str
        As the user's machine calls it; only ever shown.
    path : Path
        Where the page keeps it, under a name of its own.
    stated : mapping of str to str
        Answers to the reader's questions so far.
    export : Export or None
    question : QuestionError or None
        What the reader must be told.
    """

    shown_name: str
    path: Path
    stated: Mapping[str, str]
    export: Export | None = None
    question: QuestionError | None = None

    def read(self, **stated: str) -> Dropped:
        """Read it again with more answers.

        Raises
        ------
        OptistackError
            A file that cannot be read as a transmittance at all.
        """
        told = {**self.stated, **stated}
        options: dict[str, object] = dict(told)
        if "block" in options:
            options["block"] = _whole(told["block"])
        if "wavelength_column" in options:
            options["wavelength_column"] = _whole(told["wavelength_column"])
        if "stray_light_floor" in options:
            options["stray_light_floor"] = _number(told["stray_light_floor"])
        try:
            export = read_export(self.path, "transmittance", **options)  # type: ignore[arg-type]
        except QuestionError as question:
            return replace(self, stated=told, export=None, question=question)
        return replace(self, stated=told, export=export, question=None)


def content_of(sent: list[str]) -> tuple[str, bytes]:
    """Name and bytes of what the browser sent.

    Raises
    ------
    OptistackError
        Too large, or not sent by this page.
    """
    if len(sent) != 3 or not all(isinstance(x, str) for x in sent):
        raise OptistackError("this file did not arrive whole; drop it again")
    _, name, text = sent
    if len(text) > MOST_DROPPED_BYTES * 4 // 3 + 4:
        raise OptistackError(
            f"a table or scenario has at most {MOST_DROPPED_BYTES >> 20} MB; this file is larger"
        )
    try:
        return name, base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise OptistackError("this file did not arrive whole; drop it again") from None


def drop_table(name: str, content: bytes, folder: Path) -> Dropped:
    """Keep a dropped file under a safe name, and read it.

    Raises
    ------
    OptistackError
        A file that cannot be read as a transmittance at all.
    """
    if not content:
        raise OptistackError("this file is empty")
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / safe_name(name, {p.name for p in folder.iterdir()})
    path.write_bytes(content)
    try:
        return Dropped(name, path, {}).read()
    except OptistackError:
        path.unlink(missing_ok=True)
        raise


def drop_scenario(name: str, content: bytes, folder: Path, now: State) -> State:
    """Open a dropped scenario file, or an archive that this page saved.

    A scenario file alone finds its files beside the scenario that is open.

    Raises
    ------
    OptistackError
        What `optistack.load_scenario` refuses; an archive that is none of ours.
    """
    if name.lower().endswith(".zip"):
        folder.mkdir(parents=True, exist_ok=True)
        return open_bundle(content, folder)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise OptistackError("this scenario file is no text in UTF-8") from None
    state = State(now.path, text, allow_paths=now.allow_paths, brought=now.brought)
    state.scenario()
    return state


def use_as_filter(
    dropped: Dropped, state: State, folder: Path, *, kind: str, outside: str, measurement: str
) -> State:
    """The state with the dropped file as the filter on trial.

    Raises
    ------
    OptistackError
        The reader still has a question; a name that is taken.
    """
    if dropped.export is None:
        raise OptistackError("answer the reader's question first")
    export = dropped.export
    if export.measurement == "not stated" and measurement in ("regular", "hemispherical"):
        export = replace(export, measurement=measurement)
    folder.mkdir(parents=True, exist_ok=True)
    taken = {*(state.get("filters") or {}), *(Path(n).stem for n in state.brought)}
    stem = safe_name(dropped.shown_name).rpartition(".")[0]
    name = safe_name(f"{stem}.csv", {f"{n}.csv" for n in taken})
    written = export_to_table(export, folder / name, replace=True)
    return dropped_filter(state, written.stem, written, kind, outside, {})


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise OptistackError(f"{text[:40]!r} is not a whole number") from None


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise OptistackError(f"{text[:40]!r} is not a number") from None
