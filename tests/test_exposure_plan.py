"""The exposure plan: standard cycles with their marks, hours both ways, the sheets, refusals."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from conftest import ROOT
from invented_year import Year, boxed, film, year_of

import optistack as ost
from optistack.analysis.exposure_plan import (
    CHECKLIST,
    PlanResult,
    exposure_plan,
    qualification_test,
)
from optistack.care import CAUTIONS
from optistack.errors import OptistackError, RangeError, StackError, TableError
from optistack.filters import Filter
from optistack.rate_terms import stated
from optistack.spectra import Spectrum, Weight
from optistack.stack import Layer, Stack
from optistack.value import Value
from optistack.weathering_cycles import Cycle, Phase, SetPoint, _read, standard_cycles

CYCLES = {c.name: c for c in standard_cycles()}
LIST = ROOT / "shared/reference/exposure_set_points.csv"
# A thin coherent film absorbs 4 pi k d / wavelength but for a part of the order of k = 3e-8.
GREY = 1e-7
# One invented cycle: 2 h of light, 1 h of dark, spray of which nothing is said.
MADE_UP = Cycle(
    "made up",
    "1",
    "box",
    None,
    (SetPoint(2.0, 340.0),),
    (Phase("dry", 2.0, "on"), Phase("condensation", 1.0, "off"), Phase("spray", 1.0, "not stated")),
    "2 h dry 50 C; 1 h condensation; 1 h spray",
    "invented",
)


def exposure(stack: Stack, name: str = "coupon", **more: Any) -> ost.Exposure:
    return ost.Exposure(name, stack, ost.spectrum("am15g"), **more)


def year(stack: Stack, sun: Spectrum, course: Any = (1.0,) * 10, **more: Any) -> Year:
    return year_of(ost.Exposure("device", stack, sun).run(), "film", course, **more)


def made_up(stack: Stack | None = None, sun: Spectrum | None = None, **more: Any) -> PlanResult:
    """A plan with one box-shaped lamp."""
    stack = stack or film()
    more.setdefault("cycles", [MADE_UP])
    more.setdefault("lamps", {"box": boxed(300, 400, relative=True)})
    if "years" not in more and "light_hours" not in more:
        more["years"] = 1.0
    site = more.pop("site", None) or year(stack, sun or boxed(300, 400))
    coupon = more.pop("coupon", exposure(stack))
    return exposure_plan(coupon, exposure(stack, "device"), site, "film", **more)


# --- the list of cycles ---------------------------------------------------------------------------


def test_every_row_of_the_list_is_there_with_its_mark() -> None:
    lines = [x for x in LIST.read_text(encoding="utf-8").splitlines() if not x.startswith("#")]
    rows = list(csv.DictReader(lines))
    assert len(rows) == len(standard_cycles()) == 34
    for row, cycle in zip(rows, standard_cycles(), strict=True):
        assert (cycle.standard, cycle.cycle, cycle.lamp) == (
            row["standard"],
            row["cycle"],
            row["source"],
        )
        assert cycle.status == row["status"] and cycle.conditions == row["conditions"]
        assert cycle.mark.startswith("read" if row["status"].startswith("read") else "from memory")
        numbers = [f"{s.value:g}" for s in cycle.set_points]
        assert [
            f"{float(x):g}" for x in re.findall(r"(?:^|or )(\d+\.?\d*)", row["irradiance"])
        ] == numbers
        for s, place in zip(cycle.set_points, row["wavelength_nm"].split(" / "), strict=True):
            assert place == (
                f"{s.wavelength_nm:g}" if s.band_nm is None else "{:g}-{:g}".format(*s.band_nm)
            )


def test_odd_entries_keep_their_doubt() -> None:
    blank = CYCLES["ISO 4892-3 table 4, 2"]
    assert blank.set_points[0].value == 0.76 and blank.set_points[0].doubt == "blank in source"
    assert "blank in source" in blank.set_points[0].label and "blank in source" in blank.mark
    pair = CYCLES["ISO 4892-2:2013, A1"].set_points
    assert [s.label for s in pair] == [
        "60 +- 2 W/m2 in 300-400 nm",
        "0.51 +- 0.02 W/m2/nm at 340 nm",
    ]
    assert CYCLES["ASTM G155, 1"].mark == "read; in part from memory"
    assert CYCLES["ASTM G155, 2"].mark == "read"


def test_lamps_without_a_spectrum_stay_in_the_list() -> None:
    without = {c.lamp for c in standard_cycles() if c.spectrum is None}
    assert without == {"xenon, window glass", "xenon, extended UV", "fluorescent UVA-351"}
    with pytest.raises(OptistackError, match="no spectrum of xenon, window glass comes"):
        CYCLES["ASTM G155, 4"].light(CYCLES["ASTM G155, 4"].set_points[0])
    lamp = CYCLES["ASTM G154, 8"].light(CYCLES["ASTM G154, 8"].set_points[0])
    assert lamp.irradiance_w_m2((270, 700)) == pytest.approx(28.0)


@pytest.mark.parametrize(
    ("name", "share", "timing"),
    [
        ("ASTM G154, 1", (2 / 3, 2 / 3), "8 h UV (lamp on); 4 h condensation (lamp off)"),
        ("ASTM G154, 2", (0.5, 0.5), "4 h UV (lamp on); 4 h condensation (lamp off)"),
        ("ASTM G155, 1", (1.0, 1.0), "1.7 h light (lamp on); 0.3 h light+spray (lamp on)"),
        (
            "ISO 4892-3 table 4, 4",
            (0.85, 1.0),
            "1.7 h dry (lamp on); 0.3 h spray (lamp not stated)",
        ),
        ("ISO 4892-3 table 4, 2", (8 / 12, 8.25 / 12), None),
        ("ISO 4892-3 table 4, 5", (1.0, 1.0), "light all the time"),
        ("ISO 4892-2:2013, B2", (1.0, 1.0), "light all the time"),
        ("ASTM G155, 2", None, "times not stated"),
        ("ASTM G155, 3", None, "times not stated"),
        ("IEC TS 62788-7-2:2017, A3", None, "times not stated"),
    ],
)
def test_light_hours_in_a_cycle(
    name: str, share: tuple[float, float] | None, timing: str | None
) -> None:
    cycle = CYCLES[name]
    found = cycle.light_share
    if share is None:
        assert found is None and cycle.phases == ()
    else:
        assert found is not None
        assert (found.low, found.high) == pytest.approx(share)
    assert timing is None or cycle.timing == timing


@pytest.mark.parametrize(
    ("line", "match"),
    [
        ("x,1,lamp,0.5 or 0.6,340,W/m2/nm,,read", "do not match"),
        ("x,1,lamp,about 0.5,340,W/m2/nm,,read", "is not a set point"),
        ("x,1,lamp,,340,W/m2/nm,,read", "is not a set point"),
        ("x,1,lamp,0.5,short,W/m2/nm,,read", "is not a set point"),
    ],
)
def test_a_set_point_that_is_none(line: str, match: str, tmp_path: Any) -> None:
    path = tmp_path / "list.csv"
    path.write_text(
        f"{LIST.read_text(encoding='utf-8').splitlines()[1]}\n{line}\n", encoding="utf-8"
    )
    with pytest.raises(TableError, match=match):
        _read(path)


# --- hours ----------------------------------------------------------------------------------------


def test_the_same_light_on_the_same_film() -> None:
    """Ten hours at 1 W/m2/nm, the lamp at 2: five hours of light a year by every count."""
    plan = made_up(years=3.0)
    (row,) = plan.rows
    assert [h.criterion.key for h in row.hours if h.criterion.kind == "absorbed photons"] == [
        "280-315",
        "315-400",
        "300-400",
        "280-400",
    ]
    for h in row.hours:
        assert h.light_hours.value == pytest.approx(15.0, rel=1e-12), h.criterion.label
        assert h.site_years == Value(3.0, 3.0, 3.0)
        assert h.clock_hours is not None
        # 2 of 4 h with light, or 3 if it burns during the spray
        ends = [h.clock_hours.low, h.clock_hours.value, h.clock_hours.high]
        assert ends == pytest.approx([20.0, 30.0, 30.0], rel=1e-12)
    assert row.over_weights is not None and not row.over_weights.has_range
    assert row.spread == pytest.approx(1.0)
    assert row.intensity_over_site.value == pytest.approx(2.0)


def test_layers_count_per_volume() -> None:
    """A thin coupon and a device with twice the grey layer: the same photons per volume."""
    thick = film(200.0)
    plan = made_up(coupon=exposure(film(100.0)), stack=thick)
    row = plan.row("made up, 1")
    for h in row.hours:
        # Twice the depth, twice the photons; 4 pi k d/wavelength = 1e-7 saturates as little.
        assert h.light_hours.value == pytest.approx(5.0, rel=2 * GREY)


def test_layers_of_one_stack_twice_as_absorbing() -> None:
    plan = made_up(coupon=exposure(film(depth=2e-10)), stack=film())
    hours = {h.criterion.label: h.light_hours.value for h in plan.rows[0].hours}
    assert hours["absorbed photons, 280-400 nm"] == pytest.approx(2.5, rel=2 * GREY)
    assert hours["incident energy, 300-400 nm (meter's band)"] == pytest.approx(5.0, rel=1e-12)


def test_there_and_back() -> None:
    """Hours for n years, and the years of those hours."""
    stack = Stack(1.0, (Layer("film", 1.6 + 0.02j, 100.0),), 1.5)
    site = year(stack, ost.spectrum("am15g"), [0.3, 0.9, 0.0, 0.6])
    options: dict[str, Any] = {"stack": stack, "site": site, "exponent": stated(0.8, 0.6, 1.0)}
    options |= {"cycles": [CYCLES["ASTM G154, 1"]]}
    there = made_up(years=2.0, **options).rows[0]
    assert there.over_weights is not None
    back = made_up(light_hours=there.over_weights.value, **options)
    (flat,) = [h for h in back.rows[0].hours if h.criterion.key == "flat"]
    assert flat.site_years.value == pytest.approx(2.0, rel=1e-12)
    assert flat.light_hours.value == pytest.approx(there.over_weights.value)
    years = back.rows[0].years_over_weights
    assert years is not None and years.low < 2.0 < years.high
    assert back.rows[0].spread == pytest.approx(there.spread, rel=1e-9)


def test_hours_go_with_the_years_and_against_the_set_point() -> None:
    one, two = made_up(years=1.0).rows[0], made_up(years=2.0).rows[0]
    brighter = replace(
        MADE_UP, set_points=(SetPoint(6.0, 340.0), SetPoint(200.0, band_nm=(300.0, 400.0)))
    )
    three, band = made_up(years=1.0, cycles=[brighter]).rows
    for a, b, c, d in zip(one.hours, two.hours, three.hours, band.hours, strict=True):
        assert b.light_hours.value == pytest.approx(2 * a.light_hours.value, rel=1e-12)
        assert c.light_hours.value == pytest.approx(a.light_hours.value / 3, rel=1e-12)
        assert d.light_hours.value == pytest.approx(a.light_hours.value, rel=1e-12)


def test_variants_are_scaled_to_the_set_point_one_by_one() -> None:
    """A variant with half its light at 340 nm needs twice the level, and half the hours."""
    other = Spectrum(
        "peaked", [300, 339, 340, 341, 400], [1, 1, 0.5, 1, 1], relative=True, dark_outside=True
    )
    lamp = replace(boxed(300, 400, relative=True), variants=(other,))
    row = made_up(lamps={"box": lamp}).rows[0]
    h = next(h for h in row.hours if h.criterion.label.startswith("incident energy, 280"))
    exact = 5.0 / 2.0 * 100.0 / 99.5
    assert [h.light_hours.value, h.light_hours.low] == pytest.approx([5.0, exact], rel=1e-9)


@pytest.mark.parametrize("p", [1.0, 0.64, 0.5])
def test_grey_filter_in_front_of_the_coupon(p: float, check: Any) -> None:
    """PHO-025: T = 0.1 stretches the hours by T^-p; the closest choice is then the quick one."""
    case = check("PHO-025")
    expected = dict(zip(case["inputs"]["p"], case["expected"]["life_extension"], strict=True))[p]
    dark = Filter("grey", lambda lam: np.full(lam.shape, case["inputs"]["filter_T_UV"]), "external")
    plan = made_up(filters=[ost.MountedFilter(dark, "detached_far")], exponent=stated(p))
    bare, behind = plan.rows
    assert bare.over_weights is not None and behind.over_weights is not None
    ratio = behind.over_weights.value / bare.over_weights.value
    assert ratio == pytest.approx(expected, rel=case["tolerance"]["rel"])
    assert (bare.closest, behind.closest) == (True, False)
    assert behind.filter == "grey" and behind.mount == "detached_far"
    energy = [r.hours[0].light_hours.value for r in plan.rows]
    assert energy[0] == energy[1]  # the meter reads without the filter


def test_filter_that_makes_the_coupon_see_what_the_device_sees() -> None:
    """A device behind an edge filter, the coupon bare: with the same filter the weights agree."""
    cut = ost.MountedFilter(ost.edge_filter("edge", 360.0, 10.0), "detached_far")
    stack = film()
    device = ost.Exposure("device", stack, boxed(300, 400), filters=(cut,)).run()
    site = year_of(device, "film", [1.0] * 10)
    plan = made_up(site=site, filters=[cut])
    bare, behind = plan.rows
    assert behind.closest and behind.spread == pytest.approx(1.0, rel=1e-6)
    assert bare.spread > 5
    assert plan.row() is behind and plan.row("made up, 1", "none") is bare
    assert behind.over_weights is not None
    assert behind.over_weights.value == pytest.approx(5.0, rel=1e-6)


def test_a_filter_that_does_not_fit_is_told_and_left_out() -> None:
    within = ost.MountedFilter(ost.edge_filter("edge", 360.0, 10.0), "in_substrate", "front pane")
    nothing = Filter("black", lambda lam: np.zeros(lam.shape), "external")
    plan = made_up(filters=[within, ost.MountedFilter(nothing, "detached_far")])
    assert len(plan.rows) == 1
    assert any(
        "filter edge (in_substrate in front pane) not tried: stack film has no layer" in n
        for n in plan.notes
    )
    assert any(
        "filter black (detached_far) not tried" in n and "absorbs nothing" in n for n in plan.notes
    )


@pytest.mark.parametrize(
    ("level", "fine"), [(2.0, True), (9.9, True), (10.1, False), (0.09, False)]
)
def test_intensity_ten_times_off_is_flagged(level: float, fine: bool) -> None:
    """The device outdoors always at 1 W/m2/nm."""
    cycle = replace(MADE_UP, set_points=(SetPoint(level, 340.0),))
    row = made_up(cycles=[cycle]).rows[0]
    assert row.within_tested is fine
    assert row.intensity_over_site.value == pytest.approx(level, rel=1e-9)
    assert fine or "beyond 10 times" in row.flags[0]


def test_intensity_beside_the_tested_one() -> None:
    row = made_up().rows[0]
    q = row.absorbed_photons_m3_s.value
    assert made_up(tested_m3_s=(q / 9, q / 8)).rows[0].flags == ()
    (flag,) = made_up(tested_m3_s=(q / 20, q / 11)).rows[0].flags
    assert "more than 10 times outside the tested" in flag
    (flag,) = made_up(tested_m3_s=(11 * q, 20 * q)).rows[0].flags
    assert "more than 10 times outside" in flag
    with pytest.raises(OptistackError, match="tested_m3_s"):
        made_up(tested_m3_s=(2 * q, q))


def test_dose_weighted_mean_of_the_device() -> None:
    """Hours at 1 and at 3: the mean photon came at (1 + 9)/(1 + 3) = 2.5."""
    site = year(film(), boxed(300, 400), [1.0, 3.0])
    assert made_up(site=site).rows[0].intensity_over_site.value == pytest.approx(2 / 2.5, rel=1e-9)


# --- what the lamp has and lacks ------------------------------------------------------------------


def test_wavelengths_are_told_per_row() -> None:
    stack = film()
    plan = made_up(stack, ost.spectrum("am15g"), cycles=list(CYCLES.values()))
    said = {r.light.name: " | ".join(r.regions) for r in plan.rows}
    assert "no light below 295 nm" in said["uva340"] and "dark in 400-700 nm" in said["uva340"]
    assert "photons below 295 nm that the sun has not" in said["uvb313"]
    assert "270-280 nm is not counted" in said["uvb313"]
    assert (
        "photons below 295 nm" in said["xenon_daylight"]
        and "less than 0.01 %" not in said["uvb313"]
    )
    assert "dark" not in said["xenon_daylight"]
    narrow = made_up(sun=boxed(280, 400), lamps={"box": boxed(330, 350, relative=True)}).rows[0]
    assert any("dark for part of what the coupon absorbs of AM1.5G" in r for r in narrow.regions)


# --- the preconditioning test ---------------------------------------------------------------------


def test_conditions_of_the_preconditioning_keep_their_marks() -> None:
    test = qualification_test()
    assert (test.dose_kwh_m2, test.short_share_percent, test.months) == (15.0, (3.0, 10.0), 3.0)
    assert test.dose_j_m2 == 54e6
    assert test.marks["dose_kwh_m2"].startswith("read (Koehl et al.")
    for name in ("band_nm", "most_w_m2", "module_temperature_c"):
        assert test.marks[name] == "from memory, unverified", name
    text = " ".join(test.sentences())
    assert text.count("[") == len(test.marks) and "at least 60 h" in text


def test_preconditioning_dose_by_hand() -> None:
    """15 kWh/m2 of a box 300-400 nm (50 W/m2 at 0.5) on a grey film, sun 1 W/m2/nm for 10 h.

    One tenth of it is 1 kWh/m2: 150 months by energy; photons absorbed: 4 pi depth d of
    E (400^2 - 300^2)/2 / (hc x 100 nm x E) each.
    """
    stack = film()
    plan = made_up(stack, boxed(300, 400))
    (q,) = plan.qualification
    assert (q.lamp, q.allowed) == ("box", False)
    assert q.short_share.value == pytest.approx(0.2, rel=1e-12)
    for label, months in q.site_months.items():
        assert months.value == pytest.approx(12.0 * 15.0, rel=1e-9), label
    photons = 54e6 * 350.0 / (6.62607015e-34 * 299792458.0 * 1e9)
    exact = 4 * np.pi * 1e-10 * 100.0 * photons
    # absorptance 1 - exp(-x) = x - x^2/2 with x = 1.3e-7
    assert q.coupon_absorbed_m2.value == pytest.approx(exact, rel=3e-7)
    assert q.device_over_coupon.value == pytest.approx(1.0, rel=1e-12)
    assert "20 % of 280-400 nm lie in 280-320 nm, outside the 3 to 10 %" in q.notes[0]
    assert any("180 months at the site by what it absorbs" in s for s in plan.sentences())
    frame = plan.qualification_frame()
    assert len(frame) == len(q.site_months) and set(frame.lamp) == {"box"}


def test_shipped_lamps_and_the_share_below_320_nm() -> None:
    """spectra/uva340.csv: 5.9, 7.49 and 9.3 % in 290-320 nm: allowed; uvb313 has half."""
    cycles = [CYCLES["ASTM G154, 1"], CYCLES["ASTM G154, 2"], CYCLES["ASTM G155, 1"]]
    plan = made_up(sun=ost.spectrum("am15g"), cycles=cycles)
    by_lamp = {q.lamp: q for q in plan.qualification}
    share = by_lamp["uva340"].short_share
    assert [share.value, share.low, share.high] == pytest.approx([0.0749, 0.059, 0.093], abs=1e-4)
    assert by_lamp["uva340"].allowed and not by_lamp["uvb313"].allowed
    assert "in part outside" in by_lamp["xenon_daylight"].notes[0]


# --- what is printed ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def plan() -> PlanResult:
    """All cycles; a film on glass, and behind glass; a filter."""
    bare = Stack(
        1.0, (Layer("film", 1.6 + 0.02j, 100.0), Layer("glass", 1.5 + 1e-7j, 1e6)), 1.0, name="bare"
    )
    device = Stack(1.0, (Layer("pane", 1.5 + 1e-6j, 1e6), *bare.layers), 1.0, name="device")
    site = year_of(
        ost.Exposure("device", device, ost.spectrum("am15g")).run(), "film", [0.5] * 3000
    )
    edge = ost.MountedFilter(ost.edge_filter("edge 350", 350.0, 12.0), "detached_far")
    return exposure_plan(
        exposure(bare),
        exposure(device, "device"),
        site,
        "film",
        years=1.0,
        filters=[edge],
        site_name="an invented roof",
    )


def test_all_cycles_are_planned_or_left_out(plan: PlanResult) -> None:
    planned = {r.cycle.name for r in plan.rows}
    left = {c.name for c, _ in plan.left_out}
    assert planned | left == set(CYCLES) and not planned & left
    assert len(plan.rows) == 2 * sum(len(CYCLES[n].set_points) for n in planned)
    assert all("no spectrum here of a lamp" in why for _, why in plan.left_out)
    with pytest.raises(OptistackError, match="ASTM G155, 4 cannot be planned: no spectrum"):
        plan.row("ASTM G155, 4")
    with pytest.raises(OptistackError, match="no row for cycle 'ASTM G199'"):
        plan.row("ASTM G199")
    with pytest.raises(OptistackError, match=r"filters: none, edge 350 \(detached_far\)"):
        plan.row("ASTM G154, 1", "edge 999")


def test_a_filter_in_two_mounts_is_told_by_its_mount() -> None:
    stack = Stack(1.0, (Layer("pane", 1.5, 1e6), Layer("film", 1.6 + 0.02j, 100.0)), 1.5)
    edge = ost.edge_filter("edge", 360.0, 10.0)
    plan = made_up(
        stack, filters=[ost.MountedFilter(edge, m) for m in ("laminated", "detached_far")]
    )
    for mount in ("laminated", "detached_far"):
        assert plan.row("made up, 1", f"edge ({mount})").mount == mount
    assert plan.row("made up, 1", "edge").mount == "laminated"


def test_frame(plan: PlanResult) -> None:
    frame = plan.to_frame()
    assert set(frame.cycle) == set(CYCLES)
    marked = frame.drop_duplicates("cycle").set_index("cycle").status
    assert all(marked[name] == CYCLES[name].mark for name in CYCLES)
    done = frame[frame.left_out == ""]
    assert (done.light_hours_low <= done.light_hours).all()
    assert (done.light_hours <= done.light_hours_high).all()
    unknown = done[done.timing == "times not stated"]
    assert (
        unknown.clock_hours.isna().all()
        and not done[done.timing != "times not stated"].clock_hours.isna().any()
    )
    assert "table" in plan._repr_html_()


@pytest.mark.parametrize(
    "cycle", ["ASTM G154, 1", "ISO 4892-3 table 4, 2", "ASTM G155, 1", "ASTM G155, 2", None]
)
def test_plan_sheet_is_one_page_and_complete(plan: PlanResult, cycle: str | None) -> None:
    sheet = plan.plan_sheet(cycle, title="Roof | plan")
    row = plan.row(cycle)
    assert sheet.startswith("# Roof | plan\n")
    lines = sheet.splitlines()
    # An A4 page set at 11 points holds 66 lines or so; 112 columns fit with margins of 15 mm.
    assert len(lines) <= 66 and max(map(len, lines)) <= 112
    flat = " ".join(sheet.split())
    for text in (
        row.cycle.name,
        row.cycle.mark,
        row.set_point.label,
        row.cycle.timing,
        row.filter,
        "dark control at the same temperature",
        "Read at:",
        "Meter:",
        "in 300-400 nm it should then read",
        "an invented roof",
        "temperature, humidity, oxygen",
        *CAUTIONS,
        "30 J/m2",
        "no safety",
    ):
        assert text in flat, text
    if row.cycle.light_share is None:
        assert "hours of the clock not known" in flat
    assert flat.count("acceleration factor") == 1 and "no acceleration factor" in flat


def test_plan_sheet_numbers_are_those_of_the_row(plan: PlanResult) -> None:
    row = plan.row("ASTM G154, 1", "none")
    sheet = plan.plan_sheet("ASTM G154, 1", "none", care=("- mine -",), purpose="find out")
    for h in row.hours:
        assert h.clock_hours is not None
        assert (
            f"| {h.criterion.label} | {h.light_hours.format()} | {h.clock_hours.format()} |"
            in sheet
        )
    assert "**Purpose:** find out" in sheet and "**Aim:**" in sheet
    assert "- mine -" in sheet and CAUTIONS[0] not in sheet
    assert row.over_weights is not None
    last = float(f"{row.over_weights.high:.2g}")
    assert f"{last:g} h of light (proposal" in " ".join(sheet.split())


def test_plan_sheet_the_other_way_round() -> None:
    reverse = made_up(light_hours=15.0)
    sheet = reverse.plan_sheet()
    assert "15 h of light on film of coupon stand for 3 years of film of device" in " ".join(
        sheet.split()
    )
    assert "**Device years, over all weights: 3**" in sheet
    flags = made_up(cycles=[replace(MADE_UP, set_points=(SetPoint(30.0, 340.0),))]).plan_sheet()
    assert "**Beware:** absorbed rate per volume 30 times" in flags


def test_bands_in_which_the_device_absorbs_nothing_are_not_listed() -> None:
    """A device behind an edge at 360 nm gets next to nothing in 280-315 nm."""
    cut = ost.MountedFilter(ost.edge_filter("edge", 360.0, 10.0), "detached_far")
    site = year_of(
        ost.Exposure("device", film(), boxed(300, 400), filters=(cut,)).run(), "film", [1.0]
    )
    sheet = made_up(site=site).plan_sheet()
    assert "| absorbed photons, 280-315 nm |" not in sheet
    assert "Not listed: 280-315 nm, less than 0.1 % of what the device absorbs." in sheet


def test_reporting_sheet_shows_gaps(plan: PlanResult) -> None:
    empty = plan.reporting_sheet(cycle="ASTM G154, 1", filter="none")
    for item in CHECKLIST:
        assert f"| {item.label} |" in empty
    assert empty.count("not stated |") == 10
    assert "planned: fluorescent UVA-340 (ASTM G154, 1)" in empty
    assert "planned: 0.89 W/m2/nm at 340 nm" in empty
    assert "doi 10.1038/s41560-019-0529-5, table 3 (read)" in empty
    facts = {item.key: f"<fact {i}> | x" for i, item in enumerate(CHECKLIST)}
    full = plan.reporting_sheet({**facts, "protocol": "ISOS-L-2"})
    assert "Gaps: none" in full and "planned:" not in full
    assert "<fact 3> / x" in full
    assert (
        "ISOS-L-2 [from memory, unverified]: light solar simulator; temperature 65 or 85 C" in full
    )
    with pytest.raises(OptistackError, match="'colour' is not asked for"):
        plan.reporting_sheet({"colour": "red"})
    with pytest.raises(OptistackError, match="protocol 'ISOS-X' is not in the list: ISOS-O-1"):
        plan.reporting_sheet({"protocol": "ISOS-X"})


def test_checklist_is_that_of_the_reference() -> None:
    """What the header of the reference table says was read in the published checklist."""
    header = (
        (ROOT / "shared/reference/isos_light_requirements.csv").read_text(encoding="utf-8").lower()
    )
    for word in (
        "light source type",
        "intensity",
        "spectrum",
        "filters applied",
        "calibration",
        "temperature",
        "sensor",
        "atmosphere",
        "rh",
        "bias",
        "encapsulation",
        "materials",
        "thickness",
    ):
        assert word in header
        sought = {"rh": "relative humidity"}.get(word, word)
        assert any(sought in i.label.lower() for i in CHECKLIST if "(read)" in i.source), word


def test_figures(plan: PlanResult) -> None:
    import matplotlib.pyplot as plt

    reverse = made_up(light_hours=15.0)
    for result, text in ((plan, "(h)"), (reverse, "device years")):
        ax = result.plot()
        assert text in ax.get_xlabel() and ax.get_xscale() == "log"
        assert len(ax.get_yticks()) == sum(r.filter == "none" for r in result.rows)
        plt.close(ax.figure)


def test_notes(plan: PlanResult) -> None:
    text = "\n".join(plan.notes)
    assert "no answer here is an acceleration factor" in plan.notes[0]
    assert "device at an invented roof: an invented year" in text
    assert "coupon under uva340: light uva340" in text
    assert "p = 1 assumed" in text


# --- refusals -------------------------------------------------------------------------------------


@pytest.mark.parametrize("years", [0.0, -1.0, np.nan, np.inf])
def test_years_must_be_positive(years: float) -> None:
    with pytest.raises(OptistackError, match="years = .* must be a positive number"):
        made_up(years=years)
    with pytest.raises(OptistackError, match="light_hours = .* must be a positive number"):
        made_up(light_hours=years)


def test_refusals() -> None:
    with pytest.raises(OptistackError, match="either years .* or light_hours"):
        made_up(years=1.0, light_hours=5.0)
    with pytest.raises(StackError, match="no layer 'film'"):
        made_up(coupon=exposure(Stack(1.0, (Layer("paint", 1.5 + 0.1j, 10.0),), 1.0)))
    with pytest.raises(StackError, match="no thickness"):
        made_up(coupon=exposure(film(0.0)))
    with pytest.raises(OptistackError, match="absorbs nothing in 280-400 nm"):
        made_up(coupon=exposure(film(depth=0.0)))
    dark = year(film(depth=0.0), boxed(300, 400))
    with pytest.raises(OptistackError, match="device at the site: layer film absorbs nothing"):
        made_up(site=dark)
    with pytest.raises(
        OptistackError, match="none of the cycles has a spectrum here.*Bring a measured one"
    ):
        made_up(cycles=[MADE_UP, CYCLES["ASTM G155, 4"]], lamps={})
    with pytest.raises(OptistackError, match="band 290-330.*it has 280-315"):
        made_up(bands_nm=[(290.0, 330.0)])
    with pytest.raises(OptistackError, match="weight steep"):
        made_up(weights=[Weight("steep", slope_nm=5.0)])
    with pytest.raises(OptistackError, match="at least one spectral weight"):
        made_up(weights=[])
    with pytest.raises(OptistackError, match="no light at 340 nm"):
        made_up(lamps={"box": boxed(350, 400, relative=True)})
    with pytest.raises(OptistackError, match="p = 0"):
        made_up(exponent=stated(0.0))
    short = Spectrum("short", [330.0, 350.0], [1.0, 1.0], relative=True)
    with pytest.raises(RangeError, match="spectrum short"):
        made_up(lamps={"box": short})


def test_own_spectrum_for_a_lamp_of_the_list() -> None:
    window = replace(boxed(310, 420, relative=True), name="measured lamp")
    cycle = CYCLES["ASTM G155, 5"]
    plan = made_up(cycles=[cycle], lamps={"xenon, window glass": window}, sun=boxed(300, 400))
    assert plan.rows[0].light.name == "measured lamp"
    assert float(plan.rows[0].light(420.0)) == pytest.approx(1.1)
