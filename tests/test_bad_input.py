"""Whatever stands in a file, the answer is a value or an OptistackError: one line that says where."""

from __future__ import annotations

import copy
import datetime
import json
import math
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import LANTERN_HOUSE
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from optistack.errors import OptistackError, ScenarioError, TableError
from optistack.materials import material
from optistack.reader import read_columns
from optistack.scenario import check, load_scenario, run
from optistack.spectra import spectrum
from optistack.tables import read_table

HOUSE = tomllib.loads((LANTERN_HOUSE / "lantern_house.toml").read_text(encoding="utf-8"))
# A scenario that uses much and computes little.
TINY = tomllib.loads(
    """
title = "Tiny"
[materials.film]
index = [1.6, 0.05]
k_scale = 2.0
[materials.glue]
model = "cauchy_edge"
cauchy = [1.5, 0.005]
range_nm = [280, 900]
edge_nm = 350
k_edge = 1e-4
width_nm = 12
[stacks.coupon]
layers = [
  { name = "film", material = "film", thickness_nm = 100 },
  { name = "glass", material = 1.52, thickness_mm = 1.1 },
]
[stacks.device]
layers = [
  { name = "glue", material = "glue", thickness_um = 20 },
  { name = "film", material = "film", thickness_nm = 100 },
  { name = "blend", material = "p3ht_pc61bm", thickness_nm = 150 },
]
[lights.led]
led = { centre_nm = 365, width_nm = 10 }
irradiance = { band_nm = [300, 420], irradiance_w_m2 = 20 }
[filters.edge]
edge = { half_value_nm = 365, width_10_90_nm = 10, plateau = 0.9, blocking_floor = 1e-3 }
mounts = ["laminated", "detached_far"]
[exposures.coupon]
stack = "coupon"
light = "led"
angle_deg = 20
rear_share = 0.1
holder = { reflectance = 0.5, kind = "specular" }
hours = 10
[exposures.device]
stack = "device"
light = "led"
[photocurrent.device]
active_layers = ["blend"]
range_nm = [345, 385]
[question]
layer = "film"
compare = [{ coupon = "coupon", device = "device" }]
filters_on = ["device"]
bands_nm = [[345, 385]]
weights = { slopes_nm = [15], band_nm = [345, 385] }
sensitivity = false
"""
)

Path_ = tuple[str | int, ...]


# --- writing TOML -------------------------------------------------------------------------------


def toml(value: Any) -> str:
    """A TOML value, tables inline."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        escaped = json.dumps(value, ensure_ascii=False)
        return re.sub("[\x7f]", lambda m: f"\\u{ord(m.group()):04x}", escaped)
    if isinstance(value, float):
        return "nan" if math.isnan(value) else repr(value)
    if isinstance(value, int):
        return str(value) if abs(value) < 10**4000 else "1" + "0" * 5000
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(k)} = {toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return str(value.isoformat())


def document(data: dict[str, Any]) -> str:
    return "".join(f"{toml(key)} = {toml(value)}\n" for key, value in data.items())


def places(data: Any, here: Path_ = ()) -> list[Path_]:
    """Every table, list, element and value of a document."""
    inside: list[Path_] = [here] if here else []
    items = data.items() if isinstance(data, dict) else enumerate(data)
    for key, value in items:
        if isinstance(value, (dict, list)):
            inside += places(value, (*here, key))
        else:
            inside.append((*here, key))
    return inside


def changed(data: dict[str, Any], place: Path_, value: Any) -> dict[str, Any]:
    """A copy with another value at a place."""
    out = copy.deepcopy(data)
    target: Any = out
    for key in place[:-1]:
        target = target[key]
    target[place[-1]] = value
    return out


def test_the_writer_of_these_tests_writes_what_it_is_given() -> None:
    for data in (HOUSE, TINY):
        assert tomllib.loads(document(data)) == data
    assert len(places(HOUSE)) > 150


# --- values -------------------------------------------------------------------------------------

names = st.sampled_from(
    [
        "film",
        "coupon",
        "device",
        "electrode",
        "air",
        "pet",
        "pmma",
        "ito",
        "am15g",
        "uva340",
        "web_sample.txt",
        "oxide_nk.csv",
        "device_eqe.csv",
        "none.csv",
        "../x.csv",
        "/dev/zero.csv",
        "laminated",
        "detached_far",
        "in_substrate",
        "hold",
        "zero",
        "zero_k",
        "front",
        "back",
        "percent",
        "fraction",
        "D",
        "specular",
        "relative",
        ".",
        "..",
        "",
        " ",
        "\x00",
        "\x1b[31m",
    ]
)
numbers = st.one_of(
    st.sampled_from(
        [
            0,
            1,
            -1,
            2,
            300,
            340,
            400,
            1e-30,
            1e-12,
            1e6,
            1e15,
            10**400,
            0.5,
            -0.0,
            math.nan,
            math.inf,
            -math.inf,
            5e-324,
            1.7e308,
            10**4001,
        ]
    ),
    st.integers(-1000, 3000),
    st.floats(allow_nan=True),
    st.floats(-2.0, 1000.0),
)
leaves = st.one_of(
    numbers,
    names,
    st.text(st.characters(exclude_categories=("Cs",)), max_size=12),
    st.booleans(),
    st.just(datetime.date(2026, 1, 2)),
    st.just(datetime.datetime(2026, 1, 2, 3, 4, 5)),
)
values = st.recursive(
    leaves,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(names, inner, max_size=2)),
    max_leaves=5,
)


def one_line(error: OptistackError) -> None:
    """What every refusal looks like."""
    text = str(error)
    assert text
    assert text.isprintable(), ascii(text)
    assert len(text) < 3000


def loads_or_refuses(path: Path) -> Any:
    try:
        return load_scenario(path)
    except OptistackError as error:
        one_line(error)
        return None


@pytest.fixture(scope="module")
def house_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("house")
    for file in LANTERN_HOUSE.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    return folder


fuzz = settings(suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@given(place=st.sampled_from(places(HOUSE)), value=values)
@settings(fuzz, max_examples=200)
@example(place=("stacks", "coupon", "layers", 0, "thickness_nm"), value=10**4001)
@example(place=("stacks", "coupon", "layers", 0, "thickness_nm"), value=10**400)
@example(place=("materials", "adhesive", "index"), value=[1.5, 10**400])
@example(place=("filters", "web sample", "index"), value=-(10**400))
@example(place=("filters", "edge 375", "edge", "width_10_90_nm"), value=1e14)
@example(place=("photocurrent", "device", "active_layers"), value=[])
@example(place=("filters", "absorber in binder", "absorber", "bands"), value=[])
@example(place=("filters", "web sample", "transmittance"), value="a" * 300 + ".csv")
@example(place=("lights", "sun", "spectrum"), value="web_sample.txt")
def test_any_value_anywhere_is_loaded_or_refused(
    place: Path_, value: Any, house_folder: Path
) -> None:
    path = house_folder / "changed.toml"
    path.write_text(document(changed(HOUSE, place, value)), encoding="utf-8")
    scenario = loads_or_refuses(path)
    if scenario is not None:
        for finding in check(scenario):
            assert finding.level in ("missing", "assumption", "note")


@given(
    place=st.sampled_from([p for p in places(HOUSE) if isinstance(p[-1], str)]),
    key=st.one_of(names, st.text(st.characters(exclude_categories=("Cs",)), max_size=8)),
    value=values,
    remove=st.booleans(),
)
@settings(fuzz, max_examples=100)
def test_keys_added_or_taken_away(
    place: Path_, key: str, value: Any, remove: bool, house_folder: Path
) -> None:
    data = copy.deepcopy(HOUSE)
    target: Any = data
    for part in place[:-1]:
        target = target[part]
    if remove:
        del target[place[-1]]
    target[key] = value
    path = house_folder / "keys.toml"
    path.write_text(document(data), encoding="utf-8")
    scenario = loads_or_refuses(path)
    if scenario is not None:
        check(scenario)


@given(
    place=st.sampled_from(places(TINY)),
    value=st.one_of(numbers, values),
)
@settings(fuzz, max_examples=150)
@example(place=("materials", "film", "k_scale"), value=1e15)
@example(place=("materials", "glue", "edge_nm"), value=880)
@example(place=("stacks", "device", "layers", 0, "thickness_um"), value=0)
@example(place=("stacks", "coupon", "layers", 0, "thickness_nm"), value=0)
@example(place=("exposures", "coupon", "angle_deg"), value=90)
@example(place=("exposures", "coupon", "holder", "reflectance"), value=1)
@example(place=("question", "weights", "slopes_nm"), value=[1e-3])
@example(place=("question", "bands_nm"), value=[[364.0, 364.0000000000001]])
@example(place=("question", "bands_nm"), value=[[600, 700]])
@example(place=("photocurrent", "device", "range_nm"), value=[1, 2])
def test_whatever_loads_runs_or_is_refused(place: Path_, value: Any, tmp_path_factory: Any) -> None:
    path = tmp_path_factory.getbasetemp() / "tiny.toml"
    path.write_text(document(changed(TINY, place, value)), encoding="utf-8")
    scenario = loads_or_refuses(path)
    if scenario is None:
        return
    try:
        result = run(scenario)
    except OptistackError as error:
        one_line(error)
        return
    for exposure in result.exposures.values():
        a = exposure.response.absorptance
        assert np.isfinite(a).all()
        assert a.min(initial=0.0) > -1e-6


def test_the_tiny_scenario_runs(tmp_path: Path) -> None:
    path = tmp_path / "tiny.toml"
    path.write_text(document(TINY), encoding="utf-8")
    result = run(load_scenario(path))
    assert result.comparison is not None
    assert 0 < result.comparison.ratio["345-385"].value < 2
    assert len(result.filters.rows) == 4  # type: ignore[union-attr]


# --- files of anything --------------------------------------------------------------------------

printable = st.text(
    st.sampled_from("0123456789.,;:-+eE \t\n\r#%\"'abnmkTwavelength_\\\x00\x0b\x85\u2028µ{}[]="),
    max_size=200,
)
pieces = st.lists(
    st.sampled_from(
        [
            "wavelength_nm",
            ",n",
            ",k",
            ",transmittance",
            "\n",
            "300",
            "310",
            ",",
            ";",
            "1.5",
            "0",
            "-1",
            "nan",
            "1e999",
            "# quantity: nk\n",
            "# grade: A\n",
            "#",
            "\t",
            " ",
            '"',
            "%T",
            "300,0.1\n310,0.2\n",
            "300;0,1\n310;0,2\n",
            "[materials.a]\n",
            "title = 'x'\n",
            "=",
        ]
    ),
    max_size=12,
).map("".join)
contents = st.one_of(
    st.binary(max_size=300),
    printable.map(lambda t: t.encode()),
    pieces.map(lambda t: t.encode()),
    pieces.map(lambda t: t.encode("utf-16")),
    pieces.map(lambda t: t.encode("latin-1")),
)


@given(contents)
@settings(fuzz, max_examples=300)
@example(b"")
@example(b"\xff\xfe")
@example(b"\xff\xfea")
@example(b"\xfe\xff\xd8\x00")
@example(b"wavelength_nm,n\n" + b'"' + b"a" * 140_000)
@example(b"\x89PNG\r\n\x1a\n" + bytes(range(256)))
@example("wavelength_nm,n\n٣٠٠,1.5\n".encode())
def test_any_file_is_read_or_refused(tmp_path_factory: Any, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(content)
    readers: list[Callable[[Path], Any]] = [
        read_table,
        material,
        spectrum,
        read_columns,
        lambda p: read_columns(p, unit="percent"),
        lambda p: read_columns(p, fraction=False, delimiter=";", decimal=","),
        load_scenario,
    ]
    for reader in readers:
        try:
            reader(path)
        except OptistackError as error:
            one_line(error)


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"", "title: is missing"),
        (b"title", "not valid TOML: Expected '='"),
        (b"a = 1\na = 2\n", "not valid TOML: Cannot overwrite a value"),
        (b"a = " + b"[" * 100_000, "not valid TOML: nested too deeply"),
        (b"a = " + b"{a=" * 50_000, "not valid TOML: nested too deeply"),
        (b"a = 1" + b"0" * 5000, "not valid TOML: Exceeds the limit"),
        (b"title = 'a\x00b'", "not a text file"),
        (b"\xff\xfet", "not a text file"),
        (b"\x89PNG\r\n\x1a\n\x00", "not a text file"),
    ],
)
def test_scenario_files_that_are_none(content: bytes, text: str, tmp_path: Path) -> None:
    path = tmp_path / "scenario.toml"
    path.write_bytes(content)
    with pytest.raises(OptistackError) as error:
        load_scenario(path)
    assert text in str(error.value)
    one_line(error.value)


def test_no_scenario_file_at_all(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path, tmp_path / ("x" * 300)):
        with pytest.raises(TableError, match=re.escape(str(path))):
            load_scenario(path)


def test_refusals_can_be_caught_as_value_errors(tmp_path: Path) -> None:
    """Whoever does not know optistack catches ValueError."""
    with pytest.raises(ValueError, match="no such file"):
        load_scenario(tmp_path / "none.toml")
    path = tmp_path / "s.toml"
    path.write_text("title = 1\n")
    with pytest.raises(ValueError, match="title: must be text, not a number") as error:
        load_scenario(path)
    assert isinstance(error.value, ScenarioError)
    assert error.value.key_path == "title"


@pytest.mark.parametrize("name", ["a\x07", "a\x1b[31m", "\u202etxt", "a\nb", "x" * 100, " "])
@pytest.mark.parametrize("section", ["stacks", "lights", "materials", "filters", "exposures"])
def test_names_that_could_spoil_a_screen(section: str, name: str, house_folder: Path) -> None:
    data = copy.deepcopy(HOUSE)
    inner = data[section]
    inner[name] = inner.pop(next(iter(inner)))
    path = house_folder / "names.toml"
    path.write_text(document(data), encoding="utf-8")
    with pytest.raises(
        ScenarioError, match=r"control character|too long|must not be empty"
    ) as error:
        load_scenario(path)
    one_line(error.value)
