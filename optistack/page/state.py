"""What the page shows, as a value: a scenario and the changes made to it.

A state is a scenario document with changes at key paths. The page computes from that document, and
saving writes the same document: what `optistack run` makes of the saved file is what was shown.
"""

from __future__ import annotations

import base64
import json
import math
import zlib
from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from optistack.errors import ScenarioError
from optistack.scenario import Scenario, parsed, scenario_from_data
from optistack.tables import data_folder, read_text

KeyPath = tuple[str | int, ...]

# Longer links are cut by browsers and mail programs; a change list is far below that.
MOST_LINK_CHARACTERS = 8000
_MOST_LINK_BYTES = 200_000
_NO_LINK = "this link does not belong to this page, or was cut short"
# Parts that a page does not compute while it is moved; a saved scenario keeps them.
SLOW_SECTIONS = ("rates", "uncertainty", "site", "plan", "ledger", "filter_choice")
_CELL_KEYS = ("cell", "geometry", "start_sheet_resistance_ohm_sq")


@dataclass(frozen=True, eq=False)
class State:
    """A scenario and the changes made to it.

    Attributes
    ----------
    path : Path
        The scenario file; files it names are looked for beside it.
    text : str
        The file as it was read.
    changes : mapping of key path to value
        Applied in their order. None takes a key away.
    allow_paths : tuple of Path
        Further folders from which files may be read.
    brought : mapping of str to Path
        Files dropped on the page, by the name that a saved scenario gives them; the document of
        the state names them by their whole path.

    Examples
    --------
    >>> state = demo_state().changed(("stacks", "coupon", "layers", 0, "thickness_nm"), 90.0)
    >>> state.scenario().stacks["coupon"].layers[0].thickness_nm
    90.0
    """

    path: Path
    text: str
    changes: Mapping[KeyPath, Any] = field(default_factory=dict)
    allow_paths: tuple[Path, ...] = ()
    brought: Mapping[str, Path] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "changes", MappingProxyType(deepcopy(dict(self.changes))))
        object.__setattr__(self, "brought", MappingProxyType(dict(self.brought)))

    @classmethod
    def from_file(cls, path: str | Path, *, allow_paths: Sequence[str | Path] = ()) -> State:
        """The state that a scenario file stands for.

        Raises
        ------
        ScenarioError, TableError
            As `optistack.load_scenario`.
        """
        path = Path(path)
        text, _ = read_text(path)
        state = cls(path, text, allow_paths=tuple(Path(p) for p in allow_paths))
        state.scenario()
        return state

    def changed(self, key_path: KeyPath, value: Any) -> State:
        """With one value set; tables on the way that are missing are made.

        A change that gives back what the file says is no change.
        """
        changes = {k: v for k, v in self.changes.items() if k[: len(key_path)] != key_path}
        before = replace(self, changes=changes)
        if not _same(_look_up(before.document(), key_path), value):
            changes[key_path] = value
        return replace(self, changes=changes)

    def with_file(self, name: str, path: Path) -> State:
        """With a file that was dropped on the page."""
        return replace(self, brought={**self.brought, name: path})

    def get(self, *key_path: str | int) -> Any:
        """The value at a key path; None where there is none."""
        return _look_up(self.document(), key_path)

    def document(self) -> dict[str, Any]:
        """The scenario as plain values, changes applied."""
        out = deepcopy(_parsed_once(self.text, self.path))
        for key_path, value in self.changes.items():
            _apply(out, key_path, deepcopy(value))
        return out

    def scenario(self, *, whole: bool = True) -> Scenario:
        """The typed scenario.

        Parameters
        ----------
        whole : bool
            False: without the sections that take long (rates, site, draws, ...) and without
            the measurements of the electrode.

        Raises
        ------
        ScenarioError, TableError
            Where the changes make no sense, with the key path.
        """
        document = self.document()
        if not whole:
            document = quick(document)
        return scenario_from_data(document, self.path, allow_paths=self.folders)

    @property
    def folders(self) -> tuple[Path, ...]:
        """Folders from which files may be read, besides the scenario's own."""
        return tuple(dict.fromkeys((*self.allow_paths, *(p.parent for p in self.brought.values()))))

    def toml(self) -> str:
        """The text of the scenario file: the user's own, with its comments, where changed.

        Files that were dropped on the page are named as files beside it.

        Raises
        ------
        ScenarioError
            A change that cannot be written at its place.
        """
        import tomlkit
        from tomlkit.exceptions import TOMLKitError

        names = {str(path): name for name, path in self.brought.items()}
        wanted = _renamed(self.document(), names)
        if not self.changes and not names:
            return self.text
        try:
            written = tomlkit.parse(self.text)
            for key_path, value in self.changes.items():
                _apply(written, key_path, _item(_renamed(deepcopy(value), names)))
            text = tomlkit.dumps(written)
            if parsed(text, self.path) == wanted:
                return text
        except (TOMLKitError, KeyError, TypeError):
            pass
        # A place that the writer cannot change in the user's own text: the same values, set anew.
        text = tomlkit.dumps(wanted)
        if parsed(text, self.path) != wanted:
            raise ScenarioError("this state cannot be written as a scenario file", str(self.path))
        return text

    def link(self) -> str:
        """The changes as a short text for a link that reopens this view.

        Raises
        ------
        ScenarioError
            Files were dropped on the page, or the changes are too many: save a file instead.
        """
        if self.brought:
            raise ScenarioError(
                "a link cannot carry the files that were dropped here; save the state as a file"
            )
        if not self.changes:
            return ""
        listed = json.dumps([[list(k), v] for k, v in self.changes.items()], allow_nan=False)
        packed = zlib.compress(listed.encode(), 9)
        text = base64.urlsafe_b64encode(packed).decode().rstrip("=")
        if len(text) > MOST_LINK_CHARACTERS:
            raise ScenarioError("too many changes for a link; save the state as a file")
        return text

    def with_link(self, text: str) -> State:
        """With the changes that a link carries.

        Raises
        ------
        ScenarioError
            Not such a link, or one whose changes the scenario does not allow.
        """
        if not text:
            return self
        if len(text) > MOST_LINK_CHARACTERS:
            raise ScenarioError(_NO_LINK)
        try:
            packed = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
            unpack = zlib.decompressobj()
            raw = unpack.decompress(packed, _MOST_LINK_BYTES)
            listed = json.loads(raw.decode()) if unpack.eof else None
        except (ValueError, zlib.error, RecursionError):
            raise ScenarioError(_NO_LINK) from None
        if not isinstance(listed, list):
            raise ScenarioError(_NO_LINK)
        changes: dict[KeyPath, Any] = {}
        for entry in listed:
            if not (isinstance(entry, list) and len(entry) == 2 and isinstance(entry[0], list)):
                raise ScenarioError(_NO_LINK)
            if not entry[0] or not all(
                isinstance(k, str) or (isinstance(k, int) and not isinstance(k, bool))
                for k in entry[0]
            ):
                raise ScenarioError(_NO_LINK)
            changes[tuple(entry[0])] = entry[1]
        state = replace(self, changes=changes)
        state.scenario(whole=False)
        return state

    def savable(self) -> tuple[State, tuple[str, ...]]:
        """The state as it can be run whole, and what had to be left out for that.

        A change may take the ground from a section that the page does not compute, such as a plan
        that needs a lamp; that section is then left out.

        Raises
        ------
        ScenarioError, TableError
            Any other refusal.
        """
        state, left_out = self, []
        while True:
            try:
                state.scenario()
            except ScenarioError as error:
                section = error.key_path.partition(".")[0]
                if section not in SLOW_SECTIONS or state.get(section) is None:
                    raise
                left_out.append(f"the section [{section}] no longer fits and is left out: {error}")
                state = state.changed((section,), None)
                continue
            return state, tuple(left_out)


@lru_cache(maxsize=8)
def _parsed_once(text: str, path: Path) -> dict[str, Any]:
    return parsed(text, path)


def demo_state() -> State:
    """The invented demo scenario."""
    return State.from_file(data_folder("shared") / "lantern_house" / "lantern_house.toml")


def quick(document: Mapping[str, Any]) -> dict[str, Any]:
    """A document without what a page does not compute while it is moved."""
    out = {k: v for k, v in document.items() if k not in SLOW_SECTIONS}
    used = _filters_used(out)
    if used is not None:
        out["filters"] = {k: v for k, v in out.get("filters", {}).items() if k in used}
    cell = out.get("electrode")
    if isinstance(cell, dict):
        out["electrode"] = {k: v for k, v in cell.items() if k in _CELL_KEYS}
    return out


def _filters_used(document: Mapping[str, Any]) -> set[str] | None:
    """Filters that exposures and the question name; None where the question takes all."""
    lists = [document.get("question", {}).get("filters")]
    if not isinstance(lists[0], list):
        return None
    lists += [e.get("filters") for e in document.get("exposures", {}).values()]
    items = [item for one in lists if isinstance(one, list) for item in one]
    return {str(i.get("filter") if isinstance(i, dict) else i) for i in items}


def key_text(key_path: KeyPath) -> str:
    """A key path as refusals write it.

    Examples
    --------
    >>> key_text(("stacks", "device", "layers", 2, "thickness_nm"))
    'stacks.device.layers[2].thickness_nm'
    """
    out = ""
    for key in key_path:
        out += f"[{key}]" if isinstance(key, int) else f".{key}" if out else key
    return out


def _same(a: Any, b: Any) -> bool:
    """Equal in value and kind; nothing is taken for true or 1 that is not."""
    if isinstance(a, float | int) and isinstance(b, float | int):
        return isinstance(a, bool) == isinstance(b, bool) and bool(a == b)
    return type(a) is type(b) and bool(a == b)


def _look_up(document: Any, key_path: Sequence[str | int]) -> Any:
    at = document
    for key in key_path:
        try:
            at = at[key]
        except (KeyError, IndexError, TypeError):
            return None
    return at


def _apply(document: Any, key_path: KeyPath, value: Any) -> None:
    """Set, or with None take away, one value in a document or in a parsed text."""
    at = document
    for i, key in enumerate(key_path[:-1]):
        following = key_path[i + 1]
        if isinstance(at, dict) and key not in at and isinstance(following, str):
            if value is None:
                return
            at[key] = {}
        try:
            at = at[key]
        except (KeyError, IndexError, TypeError):
            raise ScenarioError("there is no such place", key_text(key_path)) from None
    last = key_path[-1]
    if isinstance(at, dict) and isinstance(last, str):
        if value is None:
            at.pop(last, None)
        else:
            at[last] = value
        return
    if isinstance(at, list) and isinstance(last, int) and 0 <= last < len(at) and value is not None:
        at[last] = value
        return
    raise ScenarioError("there is no such place", key_text(key_path))


def _renamed(value: Any, names: Mapping[str, str]) -> Any:
    """With whole paths of dropped files replaced by their names."""
    if isinstance(value, dict):
        return {k: _renamed(v, names) for k, v in value.items()}
    if isinstance(value, list):
        return [_renamed(v, names) for v in value]
    return names.get(value, value) if isinstance(value, str) else value


def _item(value: Any) -> Any:
    """A value as the TOML writer wants it: small tables on one line, whole numbers as they are."""
    import tomlkit

    if isinstance(value, dict):
        nested = any(isinstance(v, dict) for v in value.values())
        table = tomlkit.table() if nested else tomlkit.inline_table()
        for k, v in value.items():
            table.add(k, _item(v))
        return table
    if isinstance(value, list):
        array = tomlkit.array()
        for v in value:
            array.append(_item(v))
        return array.multiline(len(value) > 3)
    if isinstance(value, float) and not math.isfinite(value):
        raise ScenarioError("only finite numbers can be written")
    return tomlkit.item(value)
