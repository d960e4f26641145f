"""Ageing data: what is read, what is refused, what is set aside."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import ROOT

from optistack.ageing import (
    CENSORED,
    QUANTITIES,
    ROLES,
    AgeingData,
    Specimen,
    resistance_from_power,
)
from optistack.ageing_file import _NUMBER_COLUMNS, _TEXT_COLUMNS, read_ageing
from optistack.errors import OptistackError, TableError
from optistack.value import Value

HOURS = np.array([0.0, 100.0, 200.0, 400.0])
OHM = np.array([200.0, 220.0, 240.0, 300.0])

GOOD = """# title: coupons in the chamber
# invented: true
# dose_unit: 1e25 photons/m3
specimen,role,group,hours,sheet_resistance_ohm_sq,sd,censored,excluded,absorbed_rate,temperature_c,rim_loss_share,centre_loss_share,loss_share_sd
c1,lit,chamber,0,200,4,,,0.5,45,0.31,0.30,0.02
c1,lit,chamber,100,221,4,,,0.5,45,0.31,0.30,0.02
c1,lit,chamber,200,999,4,,contact lost,0.5,45,0.31,0.30,0.02
c1,lit,chamber,400,1e4,4,at_least,,0.5,45,0.31,0.30,0.02
c2,lit,chamber,0,210,4,,,0.5,45,0.60,0.10,0.02
c2,lit,chamber,100,300,4,,,0.5,45,0.60,0.10,0.02
d1,dark,chamber,0,205,4,,,,45,,,
d1,dark,chamber,400,207,4,,,,45,,,
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "coupons.csv"
    path.write_text(text, encoding="utf-8")
    return path


def one(**more: Any) -> Specimen:
    return Specimen(**{"name": "c", "hours": HOURS, "values": OHM, **more})


# --- the file -------------------------------------------------------------------------------------


def test_reads_everything(tmp_path: Path) -> None:
    data = read_ageing(written(tmp_path, GOOD))
    assert data.quantity == "sheet_resistance_ohm_sq"
    assert (data.name, data.dose_unit, data.invented) == ("coupons", "1e25 photons/m3", True)
    c1, _, d1 = data.specimens
    assert c1.hours.tolist() == [0, 100, 200, 400]
    assert c1.values.tolist() == [200, 221, 999, 1e4]
    assert c1.flags.tolist() == [0, 0, 0, 1]
    assert c1.excluded == {2: "contact lost"}
    assert c1.kept.tolist() == [0, 1, 3]
    assert c1.absorbed_rate == 0.5
    assert c1.temperature_k == pytest.approx(318.15)
    assert d1.role == "dark"
    assert data.sigma_known
    assert data.sigma(c1)[0] == pytest.approx(4 / 200)
    assert data.tested_dose == pytest.approx(200.0)
    kelvin = data.film_temperature_k
    assert kelvin is not None and kelvin.value == pytest.approx(318.15)


def test_rim_loss_sets_a_specimen_aside_with_the_reason(tmp_path: Path) -> None:
    data = read_ageing(written(tmp_path, GOOD))
    assert [s.name for s in data.used("lit")] == ["c1"]
    ((name, reason),) = data.set_aside
    assert name == "c2"
    assert "60 % lost there, 10 % in the centre" in reason
    notes = " ".join(data.notes())
    for words in ("invented", "specimen c2 set aside", "contact lost", "limits only"):
        assert words in notes


@pytest.mark.parametrize(
    ("rim", "centre", "sd", "aside"),
    [
        (0.30, 0.30, 0.0, False),
        (0.30, 0.10, 0.02, True),
        (0.30, 0.10, 0.10, False),  # the difference is within its noise
        (0.31, 0.30, 0.0, False),  # a quarter more is asked for
        (0.10, 0.30, 0.01, False),  # the centre first: no ingress from the edge
        (0.05, -0.01, 0.01, True),
    ],
)
def test_rim_rule(rim: float, centre: float, sd: float, aside: bool) -> None:
    s = one(rim_loss_share=rim, centre_loss_share=centre, loss_share_sd=sd)
    assert bool(s.not_light) == aside


def test_frame_has_every_reading(tmp_path: Path) -> None:
    frame = read_ageing(written(tmp_path, GOOD)).to_frame()
    assert len(frame) == 8
    assert frame.loc[frame["excluded"] != "", "hours"].tolist() == [200]
    assert (frame.loc[frame["role"] == "dark", "dose"] == 0).all()


def test_stated_noise_and_the_argument(tmp_path: Path) -> None:
    text = "# sd: 0.02\nspecimen,hours,sheet_conductance_s_sq\na,0,5e-3\na,10,4e-3\n"
    path = written(tmp_path, text)
    assert read_ageing(path).sd == 0.02
    assert read_ageing(path, sd=0.05).sd == 0.05
    assert not read_ageing(path).inverse


HEAD = "specimen,hours,sheet_resistance_ohm_sq"


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("", None, "no rows"),
        (f"{HEAD}\n", None, "no rows"),
        ("specimen,hours,ohm\na,0,1\n", 1, "needs exactly one column of sheet_resistance_ohm_sq"),
        (f"{HEAD},sheet_conductance_s_sq\na,0,1,1\n", 1, "needs exactly one column"),
        (f"{HEAD},days\na,0,1,1\n", 1, "unknown or double column days"),
        ("hours,sheet_resistance_ohm_sq\n0,1\n", 1, "column specimen is missing"),
        (f"{HEAD}\na,0,1\na,1\n", 3, "2 cells, expected 3"),
        (f"{HEAD}\na,0,200 ohm\n", 2, "is not a number"),
        (f"{HEAD}\na,0,1\na,,1\n", 3, "hours: '' is not a number"),
        (f"{HEAD}\na,0,1\na,10,0\n", 2, "readings must be positive"),
        (f"{HEAD}\na,0,1\na,10,-5\n", 2, "readings must be positive"),
        (f"{HEAD}\na,0,1\na,10,inf\n", 2, "readings must be positive"),
        (f"{HEAD}\na,0,1\na,10,1\na,10,2\n", 2, "hours must increase"),
        (f"{HEAD}\na,5,1\na,1,1\n", 2, "hours must increase"),
        (f"{HEAD}\na,-5,1\n", 2, "not negative"),
        (f"{HEAD},censored\na,0,1,above\n", 2, "not one of at_least, at_most"),
        (f"{HEAD},role\na,0,1,lamp\n", 2, "not one of lit, dark, dry"),
        (f"{HEAD},temperature_c\na,0,1,40\na,1,1,50\n", 2, "changes from '40' to '50'"),
        (f"{HEAD},temperature_c\na,0,1,318\n", 2, "degrees Celsius, not kelvin"),
        (f"{HEAD},absorbed_rate\na,0,1,0\n", 2, "must be positive"),
        (f"{HEAD},absorbed_rate\na,0,1,2\nb,0,1,\n", 3, "is empty"),
        (f"{HEAD},sd\na,0,1,0\n", 2, "sd must be positive"),
        (f"# sd: small\n{HEAD}\na,0,1\n", 1, "is not a number"),
    ],
)
def test_bad_files_are_refused_with_the_line(
    tmp_path: Path, text: str, line: int | None, message: str
) -> None:
    with pytest.raises(TableError, match=message) as caught:
        read_ageing(written(tmp_path, text))
    assert "coupons.csv" in str(caught.value)
    if line is not None:
        assert f"line {line}:" in str(caught.value)


# --- specimens and sets ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"values": OHM[:3]}, "as many values as hours"),
        ({"hours": [0, 1, np.nan, 3]}, "finite"),
        ({"values": [200, 0.0, 240, 300]}, "0 at 100 h; readings must be positive"),
        ({"values": [200, 2.2e4, 240, 300]}, "looks like another unit"),
        ({"values": [0.2, 0.22, 240, 0.3]}, "looks like another unit"),
        ({"role": "lamp"}, "not one of lit"),
        ({"absorbed_rate": 0.0}, "a control, role = dark"),
        ({"temperature_k": 45.0}, "give kelvin"),
        ({"censored": [0, 0, 2, 0]}, "must be 0, 1 or -1"),
        ({"excluded": {7: "dirt"}}, "does not exist"),
        ({"sd": [1, 1, 0, 1]}, "sd must be positive"),
        ({"rim_loss_share": 30.0}, "no share"),
        ({"loss_share_sd": -0.1}, "must not be negative"),
    ],
)
def test_bad_specimens_are_refused(change: dict[str, Any], message: str) -> None:
    with pytest.raises(OptistackError, match=message):
        one(**change)


def test_an_excluded_reading_may_be_anything_positive() -> None:
    s = one(values=[200, 2.2e4, 240, 300], excluded={1: "wrong range"})
    assert s.kept.tolist() == [0, 2, 3]


def test_arrays_are_copied_and_read_only() -> None:
    mine = OHM.copy()
    s = one(values=mine)
    mine[0] = 1.0
    assert s.values[0] == 200.0
    with pytest.raises(ValueError, match="read-only"):
        s.values[0] = 5.0


@pytest.mark.parametrize(
    ("specimens", "more", "message"),
    [
        ((one(), one()), {}, "same name"),
        ((one(role="dark"),), {}, "no lit specimen"),
        ((one(), one(name="k", values=OHM * 1e-3)), {}, "different units"),
        ((one(),), {"quantity": "resistance"}, "not one of"),
        ((one(),), {"sd": -1.0}, "must be positive"),
        ((one(),), {"noise": "absolute"}, "takes relative noise"),
        ((one(),), {"noise": "loud"}, 'must be "relative" or "absolute"'),
        ((one(values=OHM / 4),), {"quantity": "transmittance"}, "a fraction, not per cent"),
        ((one(sd=np.full(4, 2.0)), one(name="b")), {}, "some do not"),
    ],
)
def test_bad_sets_are_refused(
    specimens: tuple[Specimen, ...], more: dict[str, Any], message: str
) -> None:
    with pytest.raises(OptistackError, match=message):
        AgeingData(specimens, **more)


def test_missing_controls_are_said() -> None:
    assert "no dark control" in " ".join(AgeingData((one(),)).notes())
    dry = AgeingData((one(), one(name="x", role="dry")))
    assert "loss by moisture is not seen" in " ".join(dry.notes())
    assert [s.name for s in dry.controls] == ["x"]
    both = AgeingData((one(), one(name="x", role="dry"), one(name="y", role="dark")))
    assert [s.name for s in both.controls] == ["y"]


def test_dose_axis() -> None:
    data = AgeingData((one(absorbed_rate=2.0), one(name="b", absorbed_rate=4.0)), dose_unit="u")
    assert data.tested_dose == 1600
    assert data.mean_absorbed_rate == 3.0
    hours = data.per_hour()
    assert (hours.tested_dose, hours.dose_unit) == (400, "h")
    assert data.per_hour(2.0).tested_dose == 800


def test_groups_and_their_absorbed_rates() -> None:
    data = AgeingData(
        (one(group="a"), one(name="b", group="b"), one(name="d", role="dark")), dose_unit="h"
    )
    assert [s.name for s in data.only("b").specimens] == ["b", "d"]
    lit = data.with_absorbed_rates({"a": 2.0, "b": 5.0}, "photons/m3")
    assert [s.absorbed_rate for s in lit.used("lit")] == [2.0, 5.0]
    assert (lit.tested_dose, lit.dose_unit) == (2000.0, "photons/m3")
    with pytest.raises(OptistackError, match="specimen b is in none of the groups a"):
        data.with_absorbed_rates({"a": 2.0}, "photons/m3")


# --- what a device gives --------------------------------------------------------------------------


def test_values_with_intervals_become_readings() -> None:
    values = [
        Value(20.0, 19.0, 21.0),
        Value(25.0, 23.0, 27.0),
        Value(90.0, 40.0, np.inf, "lower"),
        Value(30.0, 0.0, 33.0, "upper"),
    ]
    s = Specimen.from_values("cell", HOURS, values, group="g")
    assert s.values.tolist() == [20, 25, 40, 33]
    assert s.flags.tolist() == [0, 0, 1, -1]
    assert s.sd is not None
    assert s.sd[:2] == pytest.approx([2 / 3.919928, 4 / 3.919928], rel=1e-6)
    assert s.group == "g"
    plain = Specimen.from_values("cell", HOURS[:2], [Value.of(20.0), Value.of(21.0)])
    assert plain.sd is None
    with pytest.raises(OptistackError, match="some values have an interval"):
        Specimen.from_values("cell", HOURS[:2], [Value.of(20.0), Value(21.0, 20.0, 22.0)])


def power_curve() -> tuple[np.ndarray, np.ndarray]:
    """A cell whose power falls with its sheet resistance, share 1 at 20 ohm/sq."""
    ohm = np.geomspace(2.0, 2000.0, 60)
    return ohm, 1.02 / (1 + ohm / 1000)


def test_power_becomes_resistance() -> None:
    ohm, share = power_curve()
    truth = np.array([20.0, 60.0, 200.0, 900.0])
    sd = 0.01
    cell = Specimen("cell", HOURS, 1.02 / (1 + truth / 1000), sd=np.full(4, sd))
    power = AgeingData((cell,), "relative_power", noise="absolute")
    found = resistance_from_power(power, ohm, share)
    (s,) = found.specimens
    assert found.quantity == "sheet_resistance_ohm_sq"
    assert s.values == pytest.approx(truth, rel=5e-3)  # between points of the curve
    # error propagation by hand: dR/dP = (1000 + R)^2 / 1020; small losses tell little
    by_hand = (1000 + truth) ** 2 / 1020 * sd
    assert s.sd is not None
    assert s.sd[2:] == pytest.approx(by_hand[2:], rel=0.05)
    assert s.sd[0] / s.values[0] > 0.4
    assert "upper limits" in " ".join(found.notes())


def test_power_beyond_the_curve_is_a_limit() -> None:
    ohm, share = power_curve()
    cell = Specimen("cell", HOURS, [1.05, 0.9, 0.5, 0.2])
    power = AgeingData((cell,), "relative_power", sd=0.01)
    (s,) = resistance_from_power(power, ohm, share).specimens
    assert s.flags.tolist() == [-1, 0, 0, 1]
    assert s.values[[0, 3]] == pytest.approx([2.0, 2000.0])


def test_power_refusals() -> None:
    ohm, share = power_curve()
    cell = Specimen("cell", HOURS, [1.0, 0.9, 0.5, 0.2])
    with pytest.raises(OptistackError, match="state the noise"):
        resistance_from_power(AgeingData((cell,), "relative_power"), ohm, share)
    with pytest.raises(OptistackError, match="not relative_power"):
        resistance_from_power(AgeingData((one(),)), ohm, share)
    power = AgeingData((cell,), "relative_power", sd=0.01)
    with pytest.raises(OptistackError, match="powers that decrease"):
        resistance_from_power(power, ohm, share[::-1])


# --- the page -------------------------------------------------------------------------------------

PAGE = (ROOT / "docs" / "rates.md").read_text(encoding="utf-8")


def test_the_page_names_every_column_and_quantity() -> None:
    for name in (*_TEXT_COLUMNS, *_NUMBER_COLUMNS, *QUANTITIES, *ROLES, *filter(None, CENSORED)):
        assert f"`{name}`" in PAGE, name


def test_the_example_of_the_page_reads(tmp_path: Path) -> None:
    found = re.search(r"```text ageing.csv\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    data = read_ageing(written(tmp_path, found[1]))
    assert data.invented
    assert data.sd == 0.02
    assert [s.name for s in data.used("lit")] == ["c1", "c2"]
    c2 = data.used("lit")[1]
    assert c2.excluded == {2: "probe slipped"}
    assert c2.flags.tolist() == [0, 0, 0, 0, 1]
