"""Small malformed inputs: exports, tables and scenarios, each with one fault and where it lies.

    python scripts/make_malformed.py FOLDER

writes them all; tests/test_malformed.py makes them anew, runs each through the command line and
checks what is said. Every input comes from a sound one by one change, so that the place of the
fault is known. All data are invented.
"""

from __future__ import annotations

import copy
import datetime
import json
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Case:
    """One malformed input.

    Attributes
    ----------
    name : str
    files : mapping of str to bytes
        By the name in the case's folder; None stands for a folder.
    command : list of str
        Arguments of the command line; the words INPUT and OUT stand for paths.
    where : str
        What the message must hold: a line of the file or the path of a key; empty where it is the
        whole file.
    """

    name: str
    files: dict[str, bytes | None]
    command: list[str]
    where: str = ""
    input: str = ""
    sparse: int = field(default=0)


# --- exports ------------------------------------------------------------------------------------

_LAM = [300.0 + 10 * i for i in range(12)]
EXPORTS: dict[str, tuple[str, list[list[str]]]] = {
    "transmittance": ("nm;%T", [[f"{x:g}", f"{12 + 5 * i}.5"] for i, x in enumerate(_LAM)]),
    "irradiance": ("nm;W/m2/nm", [[f"{x:g}", f"{0.5 + 0.1 * i:.2f}"] for i, x in enumerate(_LAM)]),
    "eqe": ("nm;EQE (%)", [[f"{x:g}", f"{20 + 4 * i}.5"] for i, x in enumerate(_LAM)]),
    "nk": ("nm;n;k", [[f"{x:g}", f"{2 - 0.01 * i:.2f}", "0.1"] for i, x in enumerate(_LAM)]),
    "sheet-resistance": (
        "h;ohm/sq",
        [[f"{24 * i}", f"{15 + i}.25"] for i in range(12)],
    ),
}
_TOP = "Bench 4 (invented)\nrun 17\n"
_FIRST_LINE = 4  # of the numbers


def _export(head: str, rows: list[list[str]]) -> str:
    return _TOP + head + "\n" + "".join(";".join(row) + "\n" for row in rows)


def _export_case(kind: str, name: str, content: str | bytes, where: str = "") -> Case:
    raw = content if isinstance(content, bytes) else content.encode()
    return Case(
        f"export-{kind}-{name}",
        {"scan.txt": raw},
        ["read", "INPUT", "--as", kind, "--out", "OUT", "--force"],
        where,
        "scan.txt",
    )


def _exports() -> Iterator[Case]:
    for kind, (head, sound) in EXPORTS.items():
        for place, at in (("first", 0), ("middle", 5), ("last", 11)):
            line = f"line {_FIRST_LINE + at}: "

            def change(column: int, text: str, at: int = at, sound: Any = sound) -> list[list[str]]:
                rows = copy.deepcopy(sound)
                rows[at][column] = text
                return rows

            for name, column, text in (
                ("word", 1, "OVER"),
                ("infinite", 1, "1e999"),
                ("thousands", 1, "1'234.5"),
                ("two-points", 1, "1.2.3"),
                ("hexadecimal", 1, "0x1F"),
                ("negative", 1, "-250"),
                ("x-negative", 0, "-300"),
                ("x-missing", 0, ""),
            ):
                text_of = _export(head, change(column, text))
                yield _export_case(kind, f"{name}-{place}", text_of, line)
        rows = copy.deepcopy(sound)
        rows[5], rows[6] = rows[6], rows[5]
        yield _export_case(kind, "out-of-order", _export(head, rows), f"line {_FIRST_LINE + 6}: ")
        rows = copy.deepcopy(sound)
        rows[6][0] = rows[5][0]
        rows[6][1] = str(1.9 * float(rows[5][1]))
        yield _export_case(kind, "repeated", _export(head, rows), f"line {_FIRST_LINE + 6}: ")
        yield _export_case(kind, "no-rows", _export(head, []))
        yield _export_case(kind, "one-row", _export(head, sound[:1]))
        yield _export_case(kind, "one-column", _export(head, [row[:1] for row in sound]))
        two = _export(head, sound) + "again\n" + _export(head, sound)
        yield _export_case(kind, "two-scans", two, f"line {2 * _FIRST_LINE + 12}: ")
        if kind not in ("transmittance", "eqe"):  # values above 1.02 can only be percent
            plain = "".join(";".join(row) + "\n" for row in sound)
            yield _export_case(kind, "no-units", "x;y;z\n" + plain, "line 2: ")


def _whole_files() -> Iterator[Case]:
    head, sound = EXPORTS["transmittance"]
    good = _export(head, sound)
    for name, content in (
        ("empty", b""),
        ("byte-order-mark", b"\xef\xbb\xbf"),
        ("only-line-ends", b"\n" * 200),
        ("only-blanks", b" " * 2000),
        ("only-semicolons", b";;;;\n" * 50),
        ("picture", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256))),
        ("archive", b"PK\x03\x04\x14\x00\x00\x00\x08\x00" + bytes(range(200))),
        ("nul", good.encode().replace(b"310", b"3\x000")),
        ("utf-16-cut", good.encode("utf-16")[:-1]),
        ("utf-32", good.encode("utf-32")),
        ("surrogates", b"\xff\xfe" + b"\x00\xd8" * 40),
        ("page", b"<html><body><table><tr><td>300</td><td>12</td></tr></table></body></html>"),
        ("json", json.dumps({"nm": _LAM, "t": [0.5] * 12}).encode()),
        ("words", b"the quick brown fox\n" * 30),
        ("open-quote", b'nm;%T\n300;12\n310;"13\n320;1"4\n330;15'),
        ("letters-as-digits", "nm;%T\n３００;１２\n３１０;１３\n".encode()),
    ):
        yield _export_case("transmittance", name, content)
    yield Case(
        "export-missing",
        {},
        ["read", "INPUT", "--as", "transmittance", "--out", "OUT", "--force"],
        "there is no such file",
        "scan.txt",
    )
    yield Case(
        "export-folder",
        {"scan.txt": None},
        ["read", "INPUT", "--as", "transmittance", "--out", "OUT", "--force"],
        "not a file",
        "scan.txt",
    )
    yield Case(
        "export-huge",
        {"scan.txt": good.encode()},
        ["read", "INPUT", "--as", "transmittance", "--out", "OUT", "--force"],
        "MB is more than a table can have (20 MB)",
        "scan.txt",
        sparse=100_000_000,
    )
    wide = ";".join(["300"] * 3000)
    yield _export_case("transmittance", "wide", f"{wide}\n{wide}\n{wide}\n", "line 1: ")


# --- tables -------------------------------------------------------------------------------------

_HEADER = {
    "optistack-table": "1",
    "title": "Film, invented",
    "quantity": "nk",
    "units": "wavelength nm; n, k dimensionless",
    "source": "invented",
    "licence": "MIT",
    "retrieved": "2026-01-15",
    "kind": "invented",
    "range_nm": "300 410",
    "grade": "D",
    "uncertainty": "none, invented",
}
_TABLE_ROWS = [["wavelength_nm", "n", "k"]] + [
    [f"{x:g}", f"{2 - 0.01 * i:.2f}", "0.1"] for i, x in enumerate(_LAM)
]


def _table(header: dict[str, str], rows: list[list[str]], extra: str = "") -> str:
    lines = [f"# {k}: {v}" for k, v in header.items()] + ([extra] if extra else [])
    return "\n".join([*lines, *(",".join(row) for row in rows)]) + "\n"


def _table_case(name: str, content: str, where: str = "", kind: str = "nk") -> Case:
    return Case(
        f"table-{name}",
        {"film.csv": content.encode()},
        ["read", "INPUT", "--as", kind, "--out", "OUT", "--force"],
        where,
        "film.csv",
    )


def _tables() -> Iterator[Case]:
    head = len(_HEADER) + 1  # line of the column names
    for key in list(_HEADER)[1:]:
        header = {k: v for k, v in _HEADER.items() if k != key}
        yield _table_case(f"lacks-{key}", _table(header, _TABLE_ROWS), f"lacks {key}")
        yield _table_case(f"empty-{key}", _table({**_HEADER, key: ""}, _TABLE_ROWS), f"lacks {key}")
        twice = _table(_HEADER, _TABLE_ROWS, f"# {key}: again")
        yield _table_case(f"twice-{key}", twice, f"line {head}: ")
    for key, value in (("grade", "E"), ("kind", "made up"), ("quantity", "colour")):
        yield _table_case(f"wrong-{key}", _table({**_HEADER, key: value}, _TABLE_ROWS), value)
    for place, at in (("first", 1), ("middle", 6), ("last", 12)):
        line = f"line {head + at}: "
        for name, column, text in (
            ("word", 1, "about 2"),
            ("word-k", 2, "OVER"),
            ("word-x", 0, "nm"),
            ("nan", 1, "nan"),
            ("infinite", 2, "inf"),
            ("overflow", 1, "1e999"),
            ("underscore", 1, "1_0"),
            ("decimal-comma", 1, "1,9"),
            ("x-missing", 0, ""),
        ):
            rows = copy.deepcopy(_TABLE_ROWS)
            rows[at][column] = text
            yield _table_case(f"{name}-{place}", _table(_HEADER, rows), line)
        for name, column, text in (
            ("n-zero", 1, "0"),
            ("n-negative", 1, "-2"),
            ("k-negative", 2, "-1"),
        ):
            rows = copy.deepcopy(_TABLE_ROWS)
            rows[at][column] = text
            yield _table_case(f"{name}-{place}", _table(_HEADER, rows), f"at {rows[at][0]} nm")
        rows = [*_TABLE_ROWS[:at], _TABLE_ROWS[at][:2], *_TABLE_ROWS[at + 1 :]]
        yield _table_case(f"short-row-{place}", _table(_HEADER, rows), line)
        rows = [*_TABLE_ROWS[:at], [*_TABLE_ROWS[at], "1"], *_TABLE_ROWS[at + 1 :]]
        yield _table_case(f"long-row-{place}", _table(_HEADER, rows), line)
        rows = [*_TABLE_ROWS[: at + 1], *_TABLE_ROWS[at:]]
        yield _table_case(f"twice-{place}", _table(_HEADER, rows), f"line {head + at + 1}: ")
    for name, names in (
        ("no-names", ["300", "2.0", "0.1"]),
        ("wrong-x", ["lambda", "n", "k"]),
        ("names-twice", ["wavelength_nm", "n", "n"]),
    ):
        rows = [names, *_TABLE_ROWS[1:]]
        where = "" if names[0] != "wavelength_nm" else f"line {head}: "
        yield _table_case(name, _table(_HEADER, rows), where)
    rows = [["wavelength_nm", "k"], *[[r[0], r[2]] for r in _TABLE_ROWS[1:]]]
    yield _table_case("no-n", _table(_HEADER, rows), f"line {head}: ")
    rows = [_TABLE_ROWS[0], *[[r[0], r[1], ""] for r in _TABLE_ROWS[1:]]]
    yield _table_case("empty-k", _table(_HEADER, rows), f"line {head}: ")
    yield _table_case("no-rows", _table(_HEADER, _TABLE_ROWS[:1]))
    yield _table_case("other-quantity", _table(_HEADER, _TABLE_ROWS), "of nk, not of", "eqe")
    ageing = "specimen,hours,sheet_resistance_ohm_sq\na,0,15\na,24,16\n"
    for name, old, new, where in (
        ("word", "24,16", "24,OVER", "line 3: "),
        ("back", "24,16", "-24,16", "line 3: "),
        ("same-hour", "24,16", "0,16", "line 3: "),
        ("zero", "24,16", "24,0", "line 3: "),
        ("short", "a,24,16", "a,24", "line 3: "),
        ("no-rows", "a,0,15\na,24,16\n", "", ""),
        ("nan", "24,16", "24,nan", "line 3: "),
    ):
        yield _table_case(f"ageing-{name}", ageing.replace(old, new), where, "sheet-resistance")


# --- scenarios ----------------------------------------------------------------------------------

SOUND: dict[str, Any] = {
    "title": "Tiny, invented",
    "invented": True,
    "materials": {
        "film": {"index": [1.6, 0.05], "k_scale": 2.0},
        "glue": {
            "model": "cauchy_edge",
            "cauchy": [1.5, 0.005],
            "range_nm": [280, 900],
            "edge_nm": 350,
            "k_edge": 1e-4,
            "width_nm": 12,
        },
        "oxide": {"table": "film.csv"},
    },
    "stacks": {
        "coupon": {
            "layers": [
                {"name": "film", "material": "film", "thickness_nm": 100},
                {"name": "glass", "material": 1.52, "thickness_mm": 1.1},
            ]
        },
        "device": {
            "layers": [
                {"name": "glue", "material": "glue", "thickness_um": 20},
                {"name": "film", "material": "film", "thickness_nm": 100},
                {"name": "oxide", "material": "oxide", "thickness_nm": 20},
            ]
        },
    },
    "lights": {
        "led": {
            "led": {"centre_nm": 365, "width_nm": 10},
            "irradiance": {"band_nm": [345, 385], "irradiance_w_m2": 20},
        }
    },
    "filters": {
        "edge": {
            "edge": {"half_value_nm": 365, "width_10_90_nm": 10, "plateau": 0.9},
            "mounts": ["laminated", "detached_far"],
        },
    },
    "exposures": {
        "coupon": {
            "stack": "coupon",
            "light": "led",
            "angle_deg": 20,
            "rear_share": 0.1,
            "holder": {"reflectance": 0.5, "kind": "specular"},
            "hours": 10,
        },
        "device": {"stack": "device", "light": "led"},
    },
    "question": {
        "layer": "film",
        "compare": [{"coupon": "coupon", "device": "device"}],
        "filters_on": ["device"],
        "bands_nm": [[345, 385]],
        "weights": {"slopes_nm": [15], "band_nm": [345, 385]},
        "sensitivity": False,
    },
}
_REQUIRED = (
    ("title",),
    ("stacks", "coupon", "layers"),
    ("stacks", "coupon", "layers", 0, "material"),
    ("stacks", "coupon", "layers", 0, "thickness_nm"),
    ("stacks", "device", "layers", 2, "name"),
    ("materials", "film", "index"),
    ("materials", "glue", "cauchy"),
    ("lights", "led", "led", "centre_nm"),
    ("lights", "led", "irradiance", "band_nm"),
    ("filters", "edge", "edge", "half_value_nm"),
    ("exposures", "coupon", "stack"),
    ("exposures", "coupon", "light"),
    ("exposures", "coupon", "holder", "reflectance"),
    ("question", "layer"),
)
_WRONG = (
    (("stacks", "coupon", "layers", 0, "thickness_nm"), -1),
    (("stacks", "coupon", "layers", 0, "thickness_nm"), 1e300),
    (("stacks", "coupon", "layers", 0, "material"), "unobtainium"),
    (("stacks", "coupon", "layers", 0, "material"), "../film.csv"),
    (("stacks", "coupon", "layers", 0, "material"), "/etc/passwd"),
    (("materials", "film", "index"), [1.6, -0.05]),
    (("materials", "film", "index"), [0, 0]),
    (("materials", "oxide", "table"), "../film.csv"),
    (("materials", "oxide", "table"), "missing.csv"),
    (("materials", "oxide", "table"), "/etc/hostname.csv"),
    (("materials", "oxide", "table"), "film.csv\x00.txt"),
    (("materials", "oxide", "table"), "x" * 3000 + ".csv"),
    (("lights", "led", "led", "width_nm"), 0),
    (("lights", "led", "irradiance", "irradiance_w_m2"), -5),
    (("filters", "edge", "edge", "plateau"), 1.5),
    (("filters", "edge", "mounts"), ["glued"]),
    (("exposures", "coupon", "angle_deg"), 95),
    (("exposures", "coupon", "rear_share"), -0.1),
    (("exposures", "coupon", "stack"), "nothing"),
    (("exposures", "coupon", "light"), "nothing"),
    (("exposures", "coupon", "hours"), -1),
    (("exposures", "coupon", "holder", "kind"), "wool"),
    (("question", "layer"), "nothing"),
    (("question", "compare"), [{"coupon": "coupon", "device": "nothing"}]),
    (("question", "bands_nm"), [[400, 300]]),
    (("question", "bands_nm"), []),
)


def toml(value: Any) -> str:
    """A TOML value, tables inline."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, float):
        return "nan" if math.isnan(value) else repr(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(k)} = {toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return value.isoformat() if isinstance(value, datetime.date) else str(value)


def document(data: dict[str, Any]) -> str:
    """A TOML file, one line for each top key."""
    return "".join(f"{toml(key)} = {toml(value)}\n" for key, value in data.items())


def _leaves(data: Any, here: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    for key, value in data.items() if isinstance(data, dict) else enumerate(data):
        if isinstance(value, (dict, list)):
            yield from _leaves(value, (*here, key))
        else:
            yield (*here, key)


def _sections(data: Any, here: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(data, dict) and here not in {(k,) for k in _FREE}:
        yield here
    for key, value in data.items() if isinstance(data, dict) else enumerate(data):
        if isinstance(value, (dict, list)):
            yield from _sections(value, (*here, key))


_FREE = ("materials", "stacks", "lights", "filters", "exposures")  # any name may stand there


def key_path(place: tuple[Any, ...]) -> str:
    """As messages write it: stacks.coupon.layers[0].material."""
    out = ""
    for key in place:
        out += f"[{key}]" if isinstance(key, int) else f".{key}" if out else str(key)
    return out


def _with(place: tuple[Any, ...], value: Any) -> dict[str, Any]:
    data = copy.deepcopy(SOUND)
    target: Any = data
    for key in place[:-1]:
        target = target[key]
    target[place[-1]] = value
    return data


def _scenario_case(name: str, content: str | bytes, where: str = "", **files: bytes) -> Case:
    raw = content if isinstance(content, bytes) else content.encode()
    film = _table(
        {**_HEADER, "range_nm": "280 900"},
        [["wavelength_nm", "n", "k"], ["280", "2", "0.1"], ["900", "2", "0.1"]],
    )
    return Case(
        f"scenario-{name}",
        {"film.csv": film.encode(), "s.toml": raw, **files},
        ["run", "INPUT", "--out", "OUT", "--force"],
        where,
        "s.toml",
    )


def sound_scenario() -> Case:
    """The scenario from which the malformed ones are made."""
    return _scenario_case("sound", document(SOUND))


def _scenarios() -> Iterator[Case]:
    # The innermost list of numbers is named as a whole where it has a fixed length.
    for place in _leaves(SOUND):
        named = key_path(tuple(k for k in place if not isinstance(k, int) or place[-1] != k))
        yield _scenario_case(
            f"date-{key_path(place)}", document(_with(place, datetime.date(2026, 1, 2))), named
        )
        target: Any = SOUND
        for key in place:
            target = target[key]
        if isinstance(target, (int, float)) and not isinstance(target, bool):
            yield _scenario_case(f"nan-{key_path(place)}", document(_with(place, math.nan)), named)
    for place in _sections(SOUND):
        yield _scenario_case(
            f"unknown-{key_path(place) or 'top'}",
            document(_with((*place, "colour"), 1)),
            key_path((*place, "colour")),
        )
    for place in _REQUIRED:
        data = copy.deepcopy(SOUND)
        target = data
        for key in place[:-1]:
            target = target[key]
        del target[place[-1]]
        stem = key_path(place[:-1]) if place[-1] in ("thickness_nm", "index") else key_path(place)
        yield _scenario_case(f"lacks-{key_path(place)}", document(data), stem)
    for number, (place, value) in enumerate(_WRONG):
        stem = key_path(place[:2])
        yield _scenario_case(
            f"wrong-{number}-{key_path(place)}", document(_with(place, value)), stem
        )
    sound = document(SOUND)
    for name, content in (
        ("empty", ""),
        ("not-toml", "title: Tiny\n"),
        ("cut", sound[: len(sound) // 2]),
        ("twice", 'title = "a"\ntitle = "b"\n'),
        ("deep", "a = " + "[" * 5000),
        ("nul", sound.replace("Tiny", "Ti\x00ny")),
        ("picture", b"\x89PNG\r\n\x1a\n\x00" + bytes(range(256))),
        ("latin-1", sound.replace("Tiny", "Tiny \xe9\x07").encode("latin-1")),
        ("long-number", "title = 1" + "0" * 6000),
    ):
        yield _scenario_case(name, content)
    for name, bad in (("k-negative", "280,2,-1"), ("word", "280,2,x"), ("short", "280,2")):
        film = _table(_HEADER, [["wavelength_nm", "n", "k"], [bad], ["900", "2", "0.1"]])
        case = _scenario_case(f"table-{name}", document(SOUND), "film.csv")
        yield Case(**{**case.__dict__, "files": {**case.files, "film.csv": film.encode()}})
    for name in ("a\x07b", "a\u202eb", "", "x" * 100, "a\nb", "\x1b[31m"):
        data = copy.deepcopy(SOUND)
        data["stacks"][name] = data["stacks"].pop("coupon")
        yield _scenario_case(f"name-{ascii(name)[:20]}", document(data), "stacks")


_CONSTANTS = ["--thickness-nm", "100", "--thickness-std-nm", "2", "--substrate", "fused_silica"]


def _constants() -> Iterator[Case]:
    """The malformed transmittances once more, given to the command constants."""
    for case in (*_exports(), *_whole_files()):
        if case.command[3] == "transmittance":
            command = ["constants", "INPUT", "--out", "OUT", "--force", *_CONSTANTS]
            name = case.name.replace("export", "constants", 1)
            yield Case(**{**case.__dict__, "name": name, "command": command})


def cases() -> list[Case]:
    """All of them, always in the same order."""
    return [*_exports(), *_whole_files(), *_tables(), *_scenarios(), *_constants()]


def write(case: Case, folder: Path) -> Path:
    """Write a case's files; the path of its input."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in case.files.items():
        path = folder / name
        if content is None:
            path.mkdir()
            continue
        path.write_bytes(content)
        if case.sparse and name == case.input:
            with path.open("r+b") as file:
                file.truncate(case.sparse)
    return folder / case.input


def main() -> None:
    folder = Path(sys.argv[1])
    listed = cases()
    for number, case in enumerate(listed):
        write(case, folder / f"{number:03d}")
    print(f"{len(listed)} malformed inputs in {folder}")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main()
