"""A scenario with the files it names, in one archive: what a save writes and a reopening reads."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path, PurePosixPath
from typing import Any

from optistack.errors import OptistackError, ScenarioError
from optistack.page.state import State
from optistack.scenario import parsed
from optistack.tables import printable

SCENARIO_NAME = "scenario.toml"
# A scenario is some kilobytes, a table at most some megabytes; anything larger is not one.
MOST_FILES = 200
MOST_BYTES = 64 * 1024 * 1024
_EPOCH = (1980, 1, 1, 0, 0, 0)


def write_bundle(state: State) -> bytes:
    """The scenario file and every file it names, as a ZIP archive.

    Sections that no longer fit are left out, as `State.savable` does. Names of files that do not
    lie below the scenario's folder are replaced by names beside it.
    The same state gives the same bytes.

    Raises
    ------
    OptistackError
        What `optistack.load_scenario` refuses of the state.
    """
    import tomlkit

    state, _ = state.savable()
    scenario = state.scenario()
    folder = state.path.parent.resolve()
    brought = {str(path): name for name, path in state.brought.items()}
    files: dict[str, Path] = {}
    renamed: dict[str, str] = {}
    for item in scenario.inputs:
        full = _file_of(state, item.name)
        if full is None:
            continue  # a table that comes with optistack
        if item.name in brought:
            files[brought[item.name]] = full
        elif not Path(item.name).is_absolute() and full.is_relative_to(folder):
            files[full.relative_to(folder).as_posix()] = full
            if full.relative_to(folder).as_posix() != PurePosixPath(item.name).as_posix():
                renamed[item.name] = full.relative_to(folder).as_posix()
        else:
            name = _free(full.name, files)
            files[name] = full
            renamed[item.name] = name
    text = state.toml()
    if renamed:
        text = tomlkit.dumps(_with_names(parsed(text, state.path), renamed))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        add_to_archive(archive, SCENARIO_NAME, text.encode())
        for name in sorted(files):
            add_to_archive(archive, name, files[name].read_bytes())
    return out.getvalue()


def open_bundle(data: bytes, folder: Path) -> State:
    """Unpack an archive that `write_bundle` made into an empty folder.

    Raises
    ------
    OptistackError
        Not such an archive: no ZIP, names that lead outside, too many or too large files.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = [e for e in archive.infolist() if not e.is_dir()]
            if len(entries) > MOST_FILES or sum(e.file_size for e in entries) > MOST_BYTES:
                raise OptistackError(
                    f"the archive holds more than {MOST_FILES} files or {MOST_BYTES >> 20} MB: no "
                    "scenario does"
                )
            if SCENARIO_NAME not in [e.filename for e in entries]:
                raise OptistackError(
                    f"the archive holds no {SCENARIO_NAME}; drop one that this page saved, or a "
                    "scenario file"
                )
            left = MOST_BYTES
            for entry in entries:
                target = _inside(folder, entry.filename)
                with archive.open(entry) as source:
                    content = source.read(left + 1)
                left -= len(content)
                if left < 0:
                    raise OptistackError("the archive holds more than its list says: refused")
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(content)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError) as error:
        raise OptistackError(f"this archive cannot be opened: {printable(str(error))}") from None
    return State.from_file(folder / SCENARIO_NAME)


def safe_name(name: str, taken: Any = ()) -> str:
    """A file name that is only a name: the last part, plain characters, not too long, not taken.

    Examples
    --------
    >>> safe_name("../../etc/pass wd\\n.csv")
    'pass_wd.csv'
    >>> safe_name("C:\\\\data\\\\foil 7.TXT", ["foil_7.txt"])
    'foil_7_2.txt'
    """
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    stem, dot, ending = last.rpartition(".")
    if not dot:
        stem, ending = last, "txt"
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "_" for c in stem)
    plain = "_".join(part for part in plain.split("_") if part)[:60] or "file"
    ending = "".join(c for c in ending.lower() if c.isascii() and c.isalnum())[:8] or "txt"
    return _free(f"{plain}.{ending}", taken)


def _free(name: str, taken: Any) -> str:
    stem, _, ending = name.rpartition(".")
    count, free = 1, name
    while free in taken or free == SCENARIO_NAME:
        count += 1
        free = f"{stem}_{count}.{ending}"
    return free


def _file_of(state: State, name: str) -> Path | None:
    given = Path(name)
    full = (given if given.is_absolute() else state.path.parent / given).resolve()
    return full if full.is_file() else None


def _inside(folder: Path, name: str) -> Path:
    """A place below a folder; links, parents, drives and hidden tricks are refused."""
    parts = PurePosixPath(name).parts
    plain = (
        bool(parts)
        and not name.startswith("/")
        and all(
            p not in ("..", ".") and "\\" not in p and ":" not in p and p.isprintable()
            for p in parts
        )
    )
    target = folder.joinpath(*parts) if plain else folder
    if not plain or len(name) > 200 or not target.resolve().is_relative_to(folder.resolve()):
        raise ScenarioError(f"the archive names a file {printable(name[:80])!r}: refused")
    return target


def _with_names(value: Any, names: dict[str, str]) -> Any:
    if isinstance(value, dict):
        return {k: _with_names(v, names) for k, v in value.items()}
    if isinstance(value, list):
        return [_with_names(v, names) for v in value]
    return names.get(value, value) if isinstance(value, str) else value


def add_to_archive(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    """Add a file without its time, so that equal contents give equal bytes."""
    entry = zipfile.ZipInfo(name, _EPOCH)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = 0o644 << 16
    archive.writestr(entry, content)
