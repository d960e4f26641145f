"""Exposure logs to doses: exact sums, time zones, ageing lamps, outages, overlaps, refusals."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from conftest import ROOT
from hypothesis import given, settings
from hypothesis import strategies as st

import optistack as ost
from optistack.analysis.dose_ledger import (
    ORIENTATIONS,
    LampAgeing,
    LogEntry,
    SetPoint,
    band_from_text,
    dose_ledger,
    read_lamp_ageing,
    read_log,
)
from optistack.analysis.dose_ledger.log_file import OPTIONAL, REQUIRED
from optistack.spectra import Spectrum
from optistack.spectral_math import PHOTON_J_NM

BAND = (300.0, 400.0)
KEY = "300-400"
ZERO = datetime(2026, 1, 5, 8, tzinfo=UTC)
# 1 W/m2/nm at 350 nm, rising by 1 % per nm: everything can be integrated by hand.
RAMP = Spectrum("ramp", np.array([250.0, 350.0, 450.0]), np.array([0.0, 1.0, 2.0]), grade="B")
POINT = SetPoint(1.0, at_nm=350.0)
RAMP_W_M2 = 100.0


def entry(start_h: float, end_h: float, *specimens: str, **more: Any) -> LogEntry:
    options: dict[str, Any] = {"lamp": "A", "set_point": POINT, **more}
    return LogEntry(
        ZERO + timedelta(hours=start_h),
        ZERO + timedelta(hours=end_h),
        specimens=specimens or ("s",),
        **options,
    )


def ledger(*entries: LogEntry, **more: Any) -> ost.Ledger:
    options: dict[str, Any] = {"lamps": {"A": RAMP, "B": RAMP}, "bands_nm": [BAND], **more}
    return dose_ledger(entries, **options)


def joules(found: ost.Ledger, specimen: str = "s") -> float:
    return found.of(specimen).radiant_exposure_j_m2[KEY].value


# doses -------------------------------------------------------------------------------------------


def test_hours_times_irradiance() -> None:
    found = ledger(entry(0, 10)).of("s")
    assert found.hours == 10.0
    # Integral of 1 + (x - 350)/100 over 300-400 is 100 W/m2; of that times x it is
    # 100 * 350 + 100^3/12/100.
    assert found.radiant_exposure_j_m2[KEY].value == pytest.approx(RAMP_W_M2 * 36000, rel=1e-14)
    assert found.radiant_exposure_kwh_m2[KEY].value == pytest.approx(1.0, rel=1e-14)
    photons = (35000.0 + 100.0**3 / 12 / 100) / PHOTON_J_NM * 36000
    assert found.photons_m2[KEY].value == pytest.approx(photons, rel=1e-14)
    assert not found.photons_m2[KEY].has_range
    assert found.grade == "B"


@pytest.mark.parametrize(
    "point",
    [
        SetPoint(1.5, at_nm=400.0),
        SetPoint(100.0, band_nm=(300.0, 400.0)),
        # 0 to 0.5 in 250-300: the triangle below
        SetPoint(0.5 * 50 * 0.5, band_nm=(250.0, 300.0)),
    ],
)
def test_a_meter_of_any_band_gives_the_same_dose(point: SetPoint) -> None:
    found = ledger(entry(0, 10, set_point=point))
    assert joules(found) == pytest.approx(RAMP_W_M2 * 36000, rel=1e-13)


def test_the_filter_is_integrated_on_both_grids() -> None:
    """T rises from 0 at 330 to 1 at 370 nm: samples that are none of the lamp's."""
    item = ost.measured_filter("edge", [300.0, 330.0, 370.0, 400.0], [0, 0, 1, 1], "external")
    found = ledger(entry(0, 1, filter="edge"), filters={"edge": item}).of("s")

    def part(a: float, b: float, t: Any) -> float:
        x, w = np.polynomial.legendre.leggauss(8)
        lam = (a + b) / 2 + (b - a) / 2 * x
        return float((w * (b - a) / 2 * (lam - 250) / 100 * t(lam)).sum())

    expected = part(330, 370, lambda x: (x - 330) / 40) + part(370, 400, lambda x: np.ones(8))
    assert found.radiant_exposure_j_m2[KEY].value == pytest.approx(expected * 3600, rel=1e-13)
    assert joules(ledger(entry(0, 1))) > found.radiant_exposure_j_m2[KEY].value


def test_variants_of_one_lamp_go_together_and_lamps_vary_by_themselves() -> None:
    lamp = ost.spectrum("uva340")
    point = SetPoint(0.89, at_nm=340.0)
    one = ledger(entry(0, 100, set_point=point), lamps={"A": lamp}).of("s")
    shapes = [s.irradiance_w_m2(BAND) * 360_000 for s in (lamp.at_set_point(340, 0.89), *lamp.at_set_point(340, 0.89).variants)]  # fmt: skip
    value = one.radiant_exposure_j_m2[KEY]
    for found, expected in (
        (value.value, shapes[0]),
        (value.low, min(shapes)),
        (value.high, max(shapes)),
    ):
        assert found == pytest.approx(expected, rel=1e-12)
    # The variant that is high in one band is low in another: together they must be one lamp.
    both = [entry(0, 100, set_point=point), entry(100, 200, set_point=SetPoint(40.0, band_nm=(360.0, 400.0)))]  # fmt: skip
    together = ledger(*both, lamps={"A": lamp}).of("s").radiant_exposure_j_m2[KEY]
    apart = ledger(both[0], replace(both[1], lamp="B"), lamps={"A": lamp, "B": lamp})
    other = apart.of("s").radiant_exposure_j_m2[KEY]
    assert together.value == pytest.approx(other.value, rel=1e-14)
    assert together.high - together.low < other.high - other.low


def test_readings_below_the_stray_light_floor_are_a_range() -> None:
    item = ost.measured_filter(
        "dark", [300.0, 400.0], [0.001, 0.001], "external", stray_light_floor=0.002
    )
    found = ledger(entry(0, 1, filter="dark"), entry(2, 3), filters={"dark": item})
    value = found.of("s").radiant_exposure_j_m2[KEY]
    open_dose = RAMP_W_M2 * 3600
    assert value.value == pytest.approx(open_dose * 1.001, rel=1e-12)
    assert value.low == pytest.approx(open_dose, rel=1e-12)
    assert value.high == pytest.approx(open_dose * 1.002, rel=1e-12)
    assert any("stray-light floor" in n for n in found.notes)


def test_faces_are_kept_apart() -> None:
    found = ledger(
        entry(0, 1, orientation="film side"),
        entry(1, 4, orientation="glass side"),
        entry(4, 5, orientation="film side", angle_deg=60.0),
        tilted="parallel beam",
    )
    with pytest.raises(ost.OptistackError, match="film side, 0 deg; film side, 60 deg; glass side"):
        found.of("s")
    assert found.of("s", "glass side").hours == 3
    flat, tilted = (found.of("s", "film side", a) for a in (0.0, 60.0))
    assert tilted.radiant_exposure_j_m2[KEY].value == pytest.approx(
        flat.radiant_exposure_j_m2[KEY].value / 2, rel=1e-12
    )
    assert tilted.label == "s, film side, 60 deg"
    assert any("parallel beam" in n for n in found.notes)
    with pytest.raises(ost.TableError, match="tilted by 60 deg.*--parallel-beam"):
        ledger(entry(0, 1, angle_deg=60.0))


def test_light_outside_the_spectrum_is_refused_or_dark() -> None:
    with pytest.raises(ost.RangeError, match="ramp.*needed 200-300"):
        ledger(entry(0, 1), bands_nm=[(200, 300)])
    dark = replace(RAMP, dark_outside=True)
    found = ledger(entry(0, 1), lamps={"A": dark}, bands_nm=[(200, 240), (500, 600)])
    assert [v.value for v in found.of("s").photons_m2.values()] == [0.0, 0.0]
    with pytest.raises(ost.RangeError, match="ramp.*needed 500-600"):
        ledger(entry(0, 1, set_point=SetPoint(1.0, band_nm=(500.0, 600.0))))
    with pytest.raises(ost.RangeError, match="ramp.*needed 500-500"):
        ledger(entry(0, 1, set_point=SetPoint(1.0, at_nm=500.0)))


# nothing lost ------------------------------------------------------------------------------------


def exact(found: ost.Ledger) -> dict[Any, Fraction]:
    """Sum over the lines of each specimen, as fractions, band by band."""
    out: dict[Any, Fraction] = {}
    for line in found.lines:
        rate = Fraction(float(line.part.lighting.irradiance_w_m2[0][0]))
        out[line.specimen] = out.get(line.specimen, Fraction(0)) + rate * line.part.seconds
    return out


@st.composite
def logs(draw: Any) -> list[LogEntry]:
    """Entries without overlap, of any length in microseconds, on three specimens."""
    edges = sorted(draw(st.sets(st.integers(1, 10**10), min_size=4, max_size=12)))
    out = []
    for start, end in itertools.pairwise(edges):
        if draw(st.booleans()):
            out.append(
                LogEntry(
                    ZERO + timedelta(microseconds=start),
                    ZERO + timedelta(microseconds=end),
                    draw(st.sampled_from("AB")),
                    SetPoint(draw(st.sampled_from([0.3, 0.89, 1.1])), at_nm=340.0),
                    tuple(draw(st.sets(st.sampled_from("xyz"), min_size=1))),
                )
            )
    return out or [entry(0, 1)]


AGEING = {
    "none": None,
    "hours": {
        "A": LampAgeing("output", lamp_hours=(0, 0.7, 3.0), factors=(1.0, 0.93, 0.61)),
        "B": LampAgeing("reading", lamp_hours=(0.1, 9.0), factors=(1.1, 0.3), outside="hold"),
    },
    "dates": {
        "A": LampAgeing(
            "output",
            dates=(ZERO, ZERO + timedelta(hours=1), ZERO + timedelta(hours=3)),
            factors=(1.0, 0.9, 0.77),
        )
    },
}


def run(entries: Sequence[LogEntry], which: str) -> ost.Ledger:
    used = {e.lamp for e in entries}
    ageing = {k: v for k, v in (AGEING[which] or {}).items() if k in used}
    lamps = {"A": ost.spectrum("uva340"), "B": ost.spectrum("xenon_daylight")}
    return dose_ledger(entries, lamps, bands_nm=[BAND], ageing=ageing)


@settings(max_examples=60)
@given(data=st.data(), entries=logs(), which=st.sampled_from(sorted(AGEING)))
def test_neither_order_nor_cutting_changes_a_total(
    data: Any, entries: list[LogEntry], which: str
) -> None:
    whole = run(entries, which)
    cut = []
    for e in entries:
        length = (e.end - e.start) // timedelta(microseconds=1)
        at = data.draw(st.integers(0, length))
        middle = e.start + timedelta(microseconds=at)
        pieces = [e] if at in (0, length) else [replace(e, end=middle), replace(e, start=middle)]
        cut += pieces
    cut = data.draw(st.permutations(cut))
    again = run(cut, which)
    assert exact(again) == exact(whole)
    for a, b in zip(whole.doses, again.doses, strict=True):
        assert (a.specimen, a.hours) == (b.specimen, b.hours)
        assert a.radiant_exposure_j_m2 == b.radiant_exposure_j_m2  # to the last bit
        assert a.photons_m2 == b.photons_m2
    assert whole.total.radiant_exposure_j_m2 == again.total.radiant_exposure_j_m2
    assert [replace(g) for g in whole.gaps] == [replace(g) for g in again.gaps]


@settings(max_examples=30)
@given(entries=logs(), which=st.sampled_from(sorted(AGEING)))
def test_the_total_over_specimens_is_the_sum_over_entries(
    entries: list[LogEntry], which: str
) -> None:
    found = run(entries, which)
    per_specimen = exact(found)
    parts = sum(
        (Fraction(float(p.lighting.irradiance_w_m2[0][0])) * p.seconds for p in found.total.parts),
        Fraction(0),
    )
    assert parts == sum(per_specimen.values())
    assert found.total.radiant_exposure_j_m2[KEY].value == float(parts)
    for dose in found.doses:
        assert dose.radiant_exposure_j_m2[KEY].value == float(per_specimen[dose.specimen])
    # The frame holds rounded lines: fsum of n of them is within their own rounding.
    frame = found.to_frame()
    lines = math.fsum(frame["radiant_exposure_j_m2"])
    assert lines == pytest.approx(float(parts), rel=1e-15)
    assert len(frame) == sum(len(e.specimens) for e in entries)


def test_a_million_years_of_rows_keep_their_microseconds() -> None:
    """Times are whole microseconds, not floats: 1e-6 s in a thousand hours is there."""
    start = datetime(2026, 1, 1, tzinfo=UTC)
    tick = timedelta(microseconds=1)
    rows = [
        LogEntry(start, start + timedelta(hours=1000), "A", POINT, ("s",)),
        LogEntry(
            start + timedelta(hours=1000), start + timedelta(hours=1000) + tick, "A", POINT, ("s",)
        ),
    ]
    (part,) = dose_ledger(rows, {"A": RAMP}, bands_nm=[BAND]).of("s").parts
    assert part.seconds == Fraction(3_600_000) + Fraction(1, 1_000_000)


# over time ---------------------------------------------------------------------------------------


def test_dose_up_to_a_moment_and_after_hours_of_light() -> None:
    found = ledger(entry(0, 10), entry(15, 20), entry(15, 20, "other"))
    full = RAMP_W_M2 * 3600
    for hours, dose in ((-1, 0), (0, 0), (4, 4), (10, 10), (12, 10), (15, 10), (17.5, 12.5), (99, 15)):  # fmt: skip
        then = found.at(ZERO + timedelta(hours=hours), "s")
        assert then.radiant_exposure_j_m2[KEY].value == pytest.approx(full * dose, rel=1e-14)
        assert then.hours == dose
    # On the axis of light hours the outage is no time at all.
    axis = found.dose_at_hours([0, 10, 12.5, 15], "s", BAND)
    assert axis == pytest.approx(full * np.array([0, 10, 12.5, 15]), rel=1e-14)
    photons = found.dose_at_hours(15.0, "s", BAND, photons=True)
    assert photons.shape == ()
    assert float(photons) == pytest.approx(found.of("s").photons_m2[KEY].value, rel=1e-14)
    with pytest.raises(ost.OptistackError, match="15 h of light in the log; asked for 0 to 16 h"):
        found.dose_at_hours([0, 16], "s", BAND)
    with pytest.raises(ost.OptistackError, match="has no time zone"):
        found.at(datetime(2026, 1, 5), "s")
    with pytest.raises(ost.OptistackError, match="no band 280-400 nm; it has 300-400 nm"):
        found.curve("s", (280, 400))


@pytest.mark.parametrize("which", sorted(AGEING))
def test_the_curve_ends_at_the_total(which: str) -> None:
    found = run([entry(0, 1), entry(2, 3), entry(0.5, 2.5, lamp="B")], which)
    curve = found.curve("s", BAND)
    assert len(curve.times) == 6
    doses = [v.value for v in curve.radiant_exposure_j_m2]
    assert doses[0] == 0
    assert doses == sorted(doses)
    assert curve.radiant_exposure_j_m2[-1] == found.of("s").radiant_exposure_j_m2[KEY]
    for time, value in zip(curve.times, curve.radiant_exposure_j_m2, strict=True):
        assert value == found.at(time, "s").radiant_exposure_j_m2[KEY]


def test_frames_and_figure() -> None:
    found = ledger(entry(0, 1, "a", "b"), entry(2, 4, "b"), bands_nm=[BAND, (280, 400)])
    frame = found.to_frame()
    assert len(frame) == 6
    totals = found.totals_frame()
    assert list(totals["band_nm"]) == ["300-400", "280-400"] * 2
    for (name, band), rows in frame.groupby(["specimen", "band_nm"]):
        (total,) = totals[(totals["specimen"] == name) & (totals["band_nm"] == band)][
            "radiant_exposure_j_m2"
        ]
        assert rows["radiant_exposure_j_m2"].sum() == pytest.approx(total, rel=1e-14)
    ax = found.plot(band_nm=BAND)
    assert "300-400 nm" in ax.get_ylabel()
    assert len(ax.lines) == 2
    assert "<table" in found._repr_html_()
    import matplotlib.pyplot as plt

    plt.close("all")


# lamps that age ----------------------------------------------------------------------------------


def test_an_open_loop_lamp_by_its_hours() -> None:
    """Falling from 1 to 0.5 over 100 h of burning: the mean of a stretch is its middle value."""
    table = LampAgeing("output", lamp_hours=(0, 100), factors=(1.0, 0.5))
    found = ledger(entry(0, 10, "a"), entry(50, 60, "a"), ageing={"A": table})
    # The lamp burned 20 h; dark time does not age it.
    factors = [line.mean_factor for line in found.lines]
    assert factors == [0.975, 0.925]
    assert joules(found, "a") == pytest.approx(RAMP_W_M2 * 36000 * 1.9, rel=1e-14)
    assert any("counted" in n or "hours are those of this log" in n for n in found.notes)
    older = ledger(entry(0, 10), ageing={"A": replace(table, hours_before=40.0)})
    assert older.lines[0].mean_factor == pytest.approx(0.775, rel=1e-15)
    # The log's own hour meter goes before.
    read = ledger(entry(0, 10, lamp_hours=80.0), ageing={"A": replace(table, hours_before=40.0)})
    assert read.lines[0].mean_factor == pytest.approx(0.575, rel=1e-15)


def test_two_specimens_under_a_lamp_do_not_age_it_twice() -> None:
    table = LampAgeing("output", lamp_hours=(0, 100), factors=(1.0, 0.5))
    found = ledger(
        entry(0, 10, "a"), entry(0, 10, "b"), entry(5, 20, "c"), entry(20, 30, "a"),
        ageing={"A": table},
    )  # fmt: skip
    means = {(line.specimen, line.entry.start): line.mean_factor for line in found.lines}
    assert list(means.values()) == pytest.approx([0.975, 0.975, 0.9375, 0.875], rel=1e-15)


def test_a_factor_by_date_against_brute_force() -> None:
    days = [ZERO + timedelta(days=d) for d in (-1, 3, 4, 20)]
    table = LampAgeing("reading", dates=tuple(days), factors=(1.0, 0.97, 1.04, 0.8))
    found = ledger(entry(13, 200), ageing={"A": table})
    t = np.linspace(13, 200, 1_870_001)
    factor = np.interp(t / 24, [-1, 3, 4, 20], [1.0, 0.97, 1.04, 0.8])
    # The trapezoid of a broken line errs only in the intervals with a bend: below 1e-9.
    assert found.lines[0].mean_factor == pytest.approx(
        float(np.trapezoid(factor, t)) / 187, rel=1e-9
    )


def test_a_held_lamp_has_no_factor_but_a_doubt() -> None:
    found = ledger(entry(0, 10), ageing={"A": LampAgeing("held")})
    assert joules(found) == joules(ledger(entry(0, 10)))
    assert any("held at its set point by feedback; how its shape drifts" in n for n in found.notes)
    silent = ledger(entry(0, 10))
    assert any("taken as constant at its set point" in n for n in silent.notes)


def test_an_ageing_table_is_not_extrapolated_unasked() -> None:
    table = LampAgeing("output", lamp_hours=(0, 5), factors=(1.0, 0.9), name="tube.csv")
    with pytest.raises(
        ost.TableError, match="tube.csv: needed 0 h to 10 h, available 0 h to 5 h.*--hold-ageing"
    ):
        ledger(entry(0, 10), ageing={"A": table})
    found = ledger(entry(0, 10, "a", "b"), ageing={"A": replace(table, outside="hold")})
    assert found.lines[0].mean_factor == pytest.approx((0.95 + 0.9) / 2, rel=1e-15)
    assert found.lines[0].held_hours == 5.0
    assert any("held at its end value for 5 h" in n for n in found.notes)
    early = LampAgeing("output", dates=(ZERO, ZERO + timedelta(days=9)), factors=(1, 0.9))
    with pytest.raises(ost.TableError, match="needed 2026-01-05T06:00"):
        ledger(entry(-2, 1), ageing={"A": early})


def test_lamp_hours_for_some_entries_only_are_refused() -> None:
    table = LampAgeing("output", lamp_hours=(0, 100), factors=(1.0, 0.5))
    with pytest.raises(ost.TableError, match="lamp_hours of lamp 'A' is empty here"):
        ledger(entry(0, 10, lamp_hours=3.0), entry(10, 20), ageing={"A": table})
    with pytest.raises(ost.OptistackError, match="ageing is given for lamp 'C'.*it names A"):
        ledger(entry(0, 10), ageing={"C": table})


@pytest.mark.parametrize(
    ("message", "fields"),
    [
        ("not one of output, reading, held", {"kind": "feedback"}),
        ("has no factor", {"kind": "held"}),
        ("needs either lamp_hours or dates", {"lamp_hours": ()}),
        ("needs either lamp_hours or dates", {"dates": (ZERO, ZERO + timedelta(1))}),
        ("at least two rows", {"factors": (1.0,)}),
        ("at least two rows", {"factors": (1.0,), "lamp_hours": (1.0,)}),
        ("must increase", {"lamp_hours": (5.0, 5.0)}),
        ("lamp_hours must not be negative", {"lamp_hours": (-1.0, 5.0)}),
        ("lamp_hours must not be negative", {"lamp_hours": (1.0, math.nan)}),
        ("factor 0 must be positive", {"factors": (1.0, 0.0)}),
        ("factor nan must be positive", {"factors": (1.0, math.nan)}),
        ("hours_before", {"hours_before": -1.0}),
        ("outside 'clip'", {"outside": "clip"}),
        ("no time zone", {"lamp_hours": (), "dates": (datetime(2026, 1, 1), datetime(2026, 1, 2))}),
    ],
)
def test_ageing_that_makes_no_sense(message: str, fields: dict[str, Any]) -> None:
    whole: dict[str, Any] = {"kind": "output", "lamp_hours": (0.0, 5.0), "factors": (1.0, 0.9)}
    with pytest.raises(ost.OptistackError, match=message):
        LampAgeing(**{**whole, **fields})


def test_an_ageing_file(tmp_path: Path) -> None:
    path = tmp_path / "tube.csv"
    path.write_text("lamp_hours,output_factor\n0,1\n1000,0.8\n", "utf-8")
    table = read_lamp_ageing(path, hours_before=10)
    assert (table.kind, table.lamp_hours, table.factors) == ("output", (0.0, 1000.0), (1.0, 0.8))
    assert table.factor_at_hours(250) == 0.95
    path.write_text("# timezone: Europe/Paris\ndate,reading_factor\n2026-01-01 00:00,1\n2026-07-01T00:00,1.02\n", "utf-8")  # fmt: skip
    table = read_lamp_ageing(path)
    assert table.kind == "reading"
    assert table.dates[1] == datetime(2026, 6, 30, 22, tzinfo=UTC)
    for text, message in (
        ("lamp_hours,factor\n0,1\n", "line 1: columns lamp_hours, factor; expected"),
        ("lamp_hours,output_factor\n0,1\nx,1\n", "line 3: lamp_hours: 'x'"),
        ("lamp_hours,output_factor\n0,1\n5,-1\n", "line 3: output_factor: '-1'"),
        ("lamp_hours,output_factor\n5,1\n5,1\n", "line 3: lamp_hours must increase"),
        ("date,output_factor\n2026-01-01T00:00,1\n", "line 2: date.*no time zone"),
        ("lamp_hours,output_factor\n0,1\n", "at least two rows"),
    ):
        path.write_text(text, "utf-8")
        with pytest.raises(ost.TableError, match=message):
            read_lamp_ageing(path)


# gaps and overlaps -------------------------------------------------------------------------------


def test_outages_are_listed_with_their_length() -> None:
    found = ledger(entry(30, 40), entry(0, 10, "s", "t"), entry(10, 20), entry(25, 26, "t"))
    assert [(g.specimen, g.hours) for g in found.gaps] == [("s", 10.0), ("t", 15.0)]
    assert found.gaps[0].start == ZERO + timedelta(hours=20)
    assert found.overlaps == ()


def test_an_overlap_under_the_same_lamp_is_refused_with_both_lines() -> None:
    first = replace(entry(0, 10), path="log.csv", line=4)
    second = replace(entry(9, 12, "t", "s"), path="log.csv", line=9)
    with pytest.raises(
        ost.TableError, match="log.csv, line 9: specimen 's' is already.*by line 4"
    ) as caught:
        ledger(second, first)
    assert caught.value.line == 9
    # also when the face is another: a specimen is in one place
    turned = replace(second, orientation="glass side")
    with pytest.raises(ost.TableError, match="already under lamp 'A'"):
        ledger(first, turned)
    found = ledger(first, second, overlap="add")
    assert joules(found) == pytest.approx(RAMP_W_M2 * 3600 * 13, rel=1e-14)
    assert found.of("s").hours == 12.0
    (one,) = found.overlaps
    assert (one.hours, one.same_lamp) == (1.0, True)
    assert any("1 overlaps of entries under the same lamp are added, 1 h" in n for n in found.notes)
    assert joules(ledger(entry(0, 10), entry(10, 12))) > 0  # touching is not overlapping


def test_an_overlap_inside_a_longer_entry_is_found() -> None:
    with pytest.raises(ost.TableError, match="entry 2026-01-05T10:00"):
        ledger(entry(0, 100), entry(1, 2, "t"), entry(2, 3))


def test_two_lamps_at_once_are_added_and_said() -> None:
    found = ledger(entry(0, 10), entry(5, 15, lamp="B"))
    assert joules(found) == pytest.approx(RAMP_W_M2 * 3600 * 20, rel=1e-14)
    assert found.of("s").hours == 15.0
    assert any("under different lamps are added, 5 h" in n for n in found.notes)


# absorbed ----------------------------------------------------------------------------------------


def test_absorbed_photons_are_those_of_the_exposure() -> None:
    stack = ost.Stack("air", [ost.Layer("film", ost.material("ito"), 120.0)], "fused_silica")
    lamp = ost.spectrum("uva340")
    item = ost.measured_filter("edge", [280.0, 330.0, 370.0, 420.0], [0, 0, 0.9, 0.9], "external")
    light = lamp.at_set_point(340, 0.5)
    bare = ost.Exposure("bare", stack, light).run()
    behind = ost.Exposure("behind", stack, light, filters=(ost.MountedFilter(item, "detached_far"),)).run()  # fmt: skip
    found = dose_ledger(
        [
            entry(0, 30, set_point=SetPoint(0.89, at_nm=340.0)),
            entry(40, 50, set_point=SetPoint(0.89, at_nm=340.0), filter="edge"),
        ],
        {"A": lamp},
        {"edge": item},
        bands_nm=[BAND],
    )
    value = found.absorbed_photons_m2("s", {("A", ""): bare, ("A", "edge"): behind}, "film", BAND)
    rates = [x.absorbed_photons_m2_s("film", BAND) * 0.89 / 0.5 for x in (bare, behind)]
    expected = rates[0] * 30 * 3600 + rates[1] * 10 * 3600
    assert value.value == pytest.approx(expected[0], rel=1e-12)
    assert (value.low, value.high) == pytest.approx((expected.min(), expected.max()), rel=1e-12)
    for results, message in (
        ({("A", ""): bare}, "with filter 'edge'; give the exposure"),
        ({("A", ""): bare, ("A", "edge"): bare}, "has far filters \\(none\\), the log has edge"),
    ):
        with pytest.raises(ost.OptistackError, match=message):
            found.absorbed_photons_m2("s", results, "film", BAND)
    sun = ost.Exposure("sun", stack, ost.spectrum("am15g")).run()
    with pytest.raises(ost.OptistackError, match="light am15g is not the spectrum of lamp 'A'"):
        found.absorbed_photons_m2("s", {("A", ""): sun, ("A", "edge"): behind}, "film", BAND)
    tilted = ost.Exposure("t", stack, light, geometry=ost.Geometry(angle_deg=30.0)).run()
    with pytest.raises(ost.OptistackError, match="light at 30 deg, the log has 0 deg"):
        found.absorbed_photons_m2("s", {("A", ""): tilted, ("A", "edge"): behind}, "film", BAND)


# the file ----------------------------------------------------------------------------------------

HEAD = "start,end,lamp,set_point,set_point_unit,at_nm,specimen"
ROW = "2026-03-01T08:00Z,2026-03-02T08:00Z,A,1,W/m2/nm,350,s"


def write(folder: Path, *lines: str) -> Path:
    path = folder / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_log_with_everything(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "# title: chamber 2",
        "# invented: true",
        "# timezone: Europe/Paris",
        "start,end,hours,lamp,set_point,set_point_unit,at_nm,band_nm,filter,specimen,orientation,angle_deg,lamp_hours,comment",
        "2026-03-01 08:00,2026-03-02 08:00,,A,1,W/m2/nm,350,,none,s; t,film side,,12,",
        '2026-03-03T08:00+00:00,,1.5,B,40,W/m2,,300 - 400,edge,u,glass side,15,,"moved, then closed"',
    )
    log = read_log(path)
    assert (log.name, log.timezone, log.invented, len(log)) == ("log", "Europe/Paris", True, 2)
    first, second = log
    assert first.start == datetime(2026, 3, 1, 7, tzinfo=UTC)
    assert (first.specimens, first.filter, first.lamp_hours) == (("s", "t"), "", 12.0)
    assert (first.path, first.line, first.where) == (str(path), 5, "line 5")
    assert second.set_point == SetPoint(40.0, band_nm=(300.0, 400.0))
    assert (second.hours, second.angle_deg, second.comment) == (1.5, 15.0, "moved, then closed")
    item = ost.measured_filter("edge", [300.0, 400.0], [0.5, 0.5], "external")
    found = dose_ledger(log, {"A": RAMP, "B": RAMP}, {"edge": item}, bands_nm=[BAND], tilted="parallel beam")  # fmt: skip
    assert "log log: invented" in found.notes
    assert found.specimens == ("s", "t", "u")


def test_hours_across_the_change_of_clocks(tmp_path: Path) -> None:
    """Europe/Paris: 29 March 2026 has 23 hours, 25 October 25."""
    rows = [
        "2026-03-29T00:00,2026-03-30T00:00,A,1,W/m2/nm,350,spring",
        "2026-10-25T00:00,2026-10-26T00:00,A,1,W/m2/nm,350,autumn",
        "2028-02-28T12:00,2028-03-01T12:00,A,1,W/m2/nm,350,leap",
        "2027-02-28T12:00,2027-03-01T12:00,A,1,W/m2/nm,350,common",
    ]
    log = read_log(write(tmp_path, HEAD, *rows), timezone="Europe/Paris")
    hours = {e.specimens[0]: e.hours for e in log}
    assert hours == {"spring": 23.0, "autumn": 25.0, "leap": 48.0, "common": 24.0}
    aware = datetime(2026, 3, 29, tzinfo=ZoneInfo("Europe/Paris"))
    made = LogEntry(aware, aware + timedelta(days=1), "A", POINT, ("s",))
    assert made.hours == 23.0  # what the clock on the wall says, in Python as well


@pytest.mark.parametrize(
    ("start", "message"),
    [
        ("2026-10-25T02:30", "came twice in Europe/Paris.*02:30:00\\+02:00 or .*02:30:00\\+01:00"),
        ("2026-03-29T02:30", "does not exist in Europe/Paris"),
    ],
)
def test_times_that_the_clocks_skip_or_show_twice(tmp_path: Path, start: str, message: str) -> None:
    row = f"{start},2027-01-01T00:00Z,A,1,W/m2/nm,350,s"
    with pytest.raises(ost.TableError, match=message) as caught:
        read_log(write(tmp_path, HEAD, row), timezone="Europe/Paris")
    assert caught.value.line == 2
    # the way out: with the offset, or by hours
    for offset in ("+02:00", "+01:00"):
        text = row.replace(start, start + offset)
        assert len(read_log(write(tmp_path, HEAD, text), timezone="Europe/Paris")) == 1


def test_hours_lead_through_the_change(tmp_path: Path) -> None:
    head = HEAD.replace("end", "hours")
    row = "2026-10-24T12:00,24,A,1,W/m2/nm,350,s"
    (one,) = read_log(write(tmp_path, head, row), timezone="Europe/Paris")
    assert one.end == datetime(2026, 10, 25, 10, tzinfo=UTC)


def changed(**cells: str) -> tuple[str, str]:
    names = HEAD.split(",")
    values = dict(zip(names, ROW.split(","), strict=True)) | cells
    return ",".join(values), ",".join(values.values())


@pytest.mark.parametrize(
    ("message", "lines"),
    [
        ("no rows", (HEAD,)),
        ("unknown column 'lampe'; expected start, lamp", (HEAD.replace("lamp", "lampe"), ROW)),
        ("column specimen is missing", (HEAD.replace(",specimen", ""), ROW[:-2])),
        ("column lamp stands there twice", (HEAD + ",lamp", ROW + ",B")),
        ("column end or hours is missing", (HEAD.replace("end,", ""), ROW.replace("2026-03-02T08:00Z,", ""))),
        ("either an end or hours; both", changed(hours="2")),
        ("either an end or hours; neither", changed(end="")),
        ("start: 'yesterday' is no date with a time", changed(start="yesterday")),
        ("start: '2026-03-01' is no date with a time", changed(start="2026-03-01")),
        ("start: '2026-02-29T08:00' is no date", changed(start="2026-02-29T08:00")),
        ("start: '2026-03-01T25:00Z' is no date", changed(start="2026-03-01T25:00Z")),
        ("local time, and no time zone is stated.*--timezone", changed(start="2026-03-01T08:00")),
        ("no length", changed(end="2026-03-01T08:00Z")),
        ("no length", changed(end="2026-03-01T09:00+01:00")),
        ("ends .* before it starts", changed(end="2026-02-01T08:00Z")),
        ("hours: '-3' must be positive", changed(end="", hours="-3")),
        ("hours: '0' must be positive", changed(end="", hours="0")),
        ("hours: 'inf' must be positive", changed(end="", hours="inf")),
        ("hours: 'nan' must be positive", changed(end="", hours="nan")),
        ("hours: 'x' is not a number", changed(end="", hours="x")),
        ("no length", changed(end="", hours="1e-12")),
        ("lead beyond year 9999", changed(end="", hours="99999999")),
        ("lamp: '' is no name", changed(lamp="")),
        ("specimen: '' is no name", changed(specimen="s;")),
        ("specimen 's' is named twice", changed(specimen="s; s")),
        ("set_point: 'high' is not a number", changed(set_point="high")),
        ("set_point: '1_0' is not a number", changed(set_point="1_0")),
        ("set point 0 must be positive; leave out", changed(set_point="0")),
        ("set_point_unit 'mW/cm2' is not one of W/m2/nm, W/m2", changed(set_point_unit="mW/cm2")),
        ("W/m2/nm needs at_nm, and band_nm empty", changed(at_nm="")),
        ("W/m2/nm needs at_nm, and band_nm empty", changed(band_nm="300-400")),
        ("W/m2 needs band_nm, and at_nm empty", changed(set_point_unit="W/m2")),
        ("'400-300' is no band", changed(set_point_unit="W/m2", at_nm="", band_nm="400-300")),
        ("'UVA' is no band", changed(set_point_unit="W/m2", at_nm="", band_nm="UVA")),
        ("at_nm -3 must be a wavelength", changed(at_nm="-3")),
        ("orientation 'upside down' is not one of film side", changed(orientation="upside down")),
        ("angle_deg 90 must be from 0", changed(angle_deg="90")),
        ("lamp_hours -1 must not be negative", changed(lamp_hours="-1")),
        ("7 cells|8 cells", (HEAD, ROW + ",extra")),
        ("quotation mark", (HEAD, ROW.replace(",s", ',"s'), ROW)),
    ],
)  # fmt: skip
def test_what_a_log_may_not_say(tmp_path: Path, message: str, lines: tuple[str, ...]) -> None:
    path = write(tmp_path, *lines)
    with pytest.raises(ost.TableError, match=message) as caught:
        read_log(path)
    assert caught.value.path == str(path)


@pytest.mark.parametrize(
    "name", ["Mars/Base", "europe_paris", "../../etc/passwd", "/etc", "a" * 500]
)
def test_unknown_time_zones(tmp_path: Path, name: str) -> None:
    with pytest.raises(ost.TableError, match="there is no time zone"):
        read_log(write(tmp_path, HEAD, ROW), timezone=name)


def test_hostile_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ost.TableError, match="no such file"):
        read_log(tmp_path / "none.csv")
    path = tmp_path / "log.csv"
    path.write_bytes(b"\0\1\2start")
    with pytest.raises(ost.TableError, match="not a text file"):
        read_log(path)
    with pytest.raises(ost.TableError, match="lamp: .* is no name"):
        read_log(write(tmp_path, HEAD, ROW.replace(",A,", ",\x1b[31mA,")))
    module = "optistack.analysis.dose_ledger.log_file"
    monkeypatch.setattr(f"{module}.MAX_SPECIMENS", 3)
    with pytest.raises(ost.TableError, match="more than 3 specimens"):
        read_log(write(tmp_path, HEAD, ROW.replace(",s", ",a;b;c;d")))
    monkeypatch.setattr(f"{module}.MAX_ROWS", 2)
    with pytest.raises(ost.TableError, match="3 rows are more than a log can have"):
        read_log(write(tmp_path, HEAD, ROW, ROW, ROW))


def read_or_refused(folder: Path, text: str) -> None:
    """Entries, or a refusal that names the file."""
    path = folder / "log.csv"
    path.write_text(HEAD + "\n" + text, encoding="utf-8", errors="replace")
    refusal = ""
    try:
        assert len(read_log(path, timezone="Europe/Paris")) > 0
    except ost.OptistackError as error:
        refusal = str(error)
    assert refusal == "" or str(path) in refusal


@settings(max_examples=200)
@given(text=st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    read_or_refused(tmp_path_factory.mktemp("log"), text)


cells = st.one_of(
    st.sampled_from(["2026-03-01T08:00", "2026-03-02T08:00Z", "1", "W/m2", "350", "s", "", "nan"]),
    st.text(max_size=12),
)


@settings(max_examples=300)
@given(row=st.lists(cells, min_size=7, max_size=7))
def test_any_cells_are_read_or_refused(
    row: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    text = ",".join(c.replace(",", " ").replace('"', "'") for c in row)
    read_or_refused(tmp_path_factory.mktemp("log"), text)


# the documentation -------------------------------------------------------------------------------


def test_the_files_of_the_documentation(tmp_path: Path) -> None:
    """The log and the ageing table that docs/dose_ledger.md shows are read as it says."""
    text = (ROOT / "docs" / "dose_ledger.md").read_text(encoding="utf-8")
    files = dict(re.findall(r"^```text (\S+)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL))
    for name, content in files.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    first, second = read_log(tmp_path / "log.csv")
    assert (first.hours, second.hours) == (71.0, 168.0)
    assert read_lamp_ageing(tmp_path / "tube.csv").factor_at_hours(500) == 0.91
    for column in (*REQUIRED, *OPTIONAL):
        assert f"`{column}`" in text
    for face in ORIENTATIONS[1:]:
        assert f"`{face}`" in text


# what Python may not say -------------------------------------------------------------------------


def test_entries_and_set_points_that_make_no_sense() -> None:
    with pytest.raises(ost.OptistackError, match="has no time zone"):
        LogEntry(datetime(2026, 1, 1), datetime(2026, 1, 2), "A", POINT, ("s",))
    with pytest.raises(ost.OptistackError, match="lies outside the years 1 to 9999"):
        LogEntry(datetime(1, 1, 1, tzinfo=ZoneInfo("Asia/Tokyo")), ZERO, "A", POINT, ("s",))
    with pytest.raises(ost.OptistackError, match="names no lamp"):
        entry(0, 1, lamp="")
    with pytest.raises(ost.OptistackError, match="names no specimen"):
        LogEntry(ZERO, ZERO + timedelta(1), "A", POINT, ())
    for bad in ({}, {"at_nm": 340.0, "band_nm": BAND}):
        with pytest.raises(ost.OptistackError, match="neither|both"):
            SetPoint(1.0, **bad)  # type: ignore[arg-type]
    with pytest.raises(ost.OptistackError, match="400-300 nm is not a band"):
        SetPoint(1.0, band_nm=(400.0, 300.0))
    with pytest.raises(ost.OptistackError, match="set point nan"):
        SetPoint(math.nan, at_nm=340.0)
    assert str(SetPoint(40.0, band_nm=BAND)) == "40 W/m2 in 300-400 nm"
    assert band_from_text(" 280.5-400 ") == (280.5, 400.0)


@pytest.mark.parametrize(
    ("message", "more"),
    [
        ("lamp 'A' is not known; given are B", {"lamps": {"B": RAMP}}),
        ("filter 'edge' is not known; given are \\(none\\)", {"filters": {}}),
        ("overlap 'merge'", {"overlap": "merge"}),
        ("tilted 'cosine'", {"tilted": "cosine"}),
        ("at least one band", {"bands_nm": []}),
        ("400-300 nm is not a band", {"bands_nm": [(400, 300)]}),
        ("is no band; give", {"bands_nm": ["300-400"]}),
        ("no light at 250 nm", {"lamps": {"A": replace(RAMP, dark_outside=True)}}),
    ],
)
def test_questions_that_make_no_sense(message: str, more: dict[str, Any]) -> None:
    item = ost.measured_filter("edge", [200.0, 500.0], [0.5, 0.5], "external")
    point = SetPoint(1.0, at_nm=250.0) if "no light" in message else POINT
    one = entry(0, 1, filter="edge", set_point=point)
    with pytest.raises(ost.OptistackError, match=message):
        ledger(one, **{"filters": {"edge": item}, **more})


def test_an_empty_log_and_unknown_specimens() -> None:
    with pytest.raises(ost.OptistackError, match="no entries"):
        dose_ledger([], {"A": RAMP})
    with pytest.raises(ost.OptistackError, match="no specimen 'x'; it has s"):
        ledger(entry(0, 1)).of("x")
    with pytest.raises(ost.OptistackError, match="was lit on: film side, 0 deg. Say which"):
        ledger(entry(0, 1, orientation="film side")).of("s", "glass side")
