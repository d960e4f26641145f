"""The table of filters: dose left, photocurrent lost, what decides the order."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import optistack as ost
from optistack.analysis.filter_selection import long_bands
from optistack.errors import RangeError, StackError
from optistack.filters import edge_filter, measured_filter
from optistack.materials import constant
from optistack.stack import FilterStack, Layer, Stack

Mounted = ost.MountedFilter
BANDS = [(280.0, 400.0), (400.0, 700.0)]
KEY = "280-400"
SUN = ost.spectrum("am15g")
CELL = Stack(
    1.0,
    (
        Layer("glass", 1.52 + 1e-7j, 1.1e6),
        Layer("film", 1.6 + 0.02j, 100.0),
        Layer("blend", 1.8 + 0.2j, 150.0),
        Layer("metal", 0.2 + 3j, 100.0),
    ),
    1.0,
    name="cell",
)


@pytest.fixture(scope="module")
def lamp() -> ost.Exposure:
    return ost.Exposure("lamp", CELL, ost.spectrum("uva340").at_set_point(340, 0.89))


@pytest.fixture(scope="module")
def sun() -> ost.Exposure:
    return ost.Exposure("sun", CELL, ost.spectrum("am15g"))


def edge(half: float, mount: Any = "laminated", **options: Any) -> ost.MountedFilter:
    return Mounted(edge_filter(f"edge {half:g}", half, 12.0, index=constant(1.5), **options), mount)


COLLECTION = ost.Collection(("blend",), (280.0, 700.0), 0.8)


@pytest.fixture(scope="module")
def judged(lamp: ost.Exposure, sun: ost.Exposure) -> ost.FilterTable:
    return ost.filter_table(
        [lamp, sun],
        [edge(340.0), edge(380.0), edge(380.0, plateau=0.8), edge(420.0, "detached_far")],
        "film",
        bands_nm=BANDS,
        collections={"lamp": COLLECTION, "sun": COLLECTION},
    )


def test_dose_left_is_the_ratio_of_two_exposures(
    judged: ost.FilterTable, lamp: ost.Exposure, sun: ost.Exposure
) -> None:
    weight = ost.weight_family()[2]
    for exposure in (lamp, sun):
        base = exposure.run((280.0, 700.0))
        for candidate, row in zip(
            [edge(340.0), edge(380.0), edge(380.0, plateau=0.8), edge(420.0, "detached_far")],
            [r for r in judged.rows if r.exposure == exposure.name],
            strict=True,
        ):
            with_it = exposure.with_filters([candidate]).run((280.0, 700.0))
            left = with_it.absorbed_photons_m2_s("film", BANDS[0]) / base.absorbed_photons_m2_s(
                "film", BANDS[0]
            )
            value = row.dose_left[KEY]
            assert (value.value, value.low, value.high) == pytest.approx(
                (left[0], left.min(), left.max()), rel=1e-9
            )
            assert row.reduction(KEY) == pytest.approx(1 / left[0], rel=1e-9)
            weighted = with_it.weighted_photons_m2_s("film", weight) / base.weighted_photons_m2_s(
                "film", weight
            )
            assert row.weighted_dose_left[weight.name].value == pytest.approx(weighted[0], rel=1e-9)
            currents = [ost.photocurrent(r, COLLECTION).value.value for r in (base, with_it)]
            assert row.photocurrent_ma_cm2 is not None
            assert row.photocurrent_ma_cm2.value == pytest.approx(currents[1], rel=1e-9)
            lost, share = row.photocurrent_lost_ma_cm2, row.photocurrent_lost_fraction
            assert lost is not None
            assert share is not None
            assert lost.value == pytest.approx(currents[0] - currents[1], rel=1e-6)
            assert share.value == pytest.approx(1 - currents[1] / currents[0], rel=1e-6)
            assert judged.unfiltered[exposure.name].value == pytest.approx(currents[0], rel=1e-12)  # type: ignore[union-attr]


def test_a_filter_that_another_beats_in_both_is_dominated(judged: ost.FilterTable) -> None:
    for exposure in ("lamp", "sun"):
        rows = [r for r in judged.rows if r.exposure == exposure]
        for row in rows:
            better = [
                o
                for o in rows
                if o is not row
                and o.dose_left[KEY].value <= row.dose_left[KEY].value
                and o.photocurrent_lost_ma_cm2.value <= row.photocurrent_lost_ma_cm2.value  # type: ignore[union-attr]
            ]
            assert row.dominated == bool(better)
    sunny = [r for r in judged.rows if r.exposure == "sun"]
    # A plateau of 0.8 costs more than the edge at 420 nm, and lets more of the band through.
    assert [r.dominated for r in sunny] == [False, False, True, False]


def test_domination_itself(sun: ost.Exposure) -> None:
    grey = Mounted(measured_filter("grey", [200.0, 900.0], [0.5, 0.5], "internal"), "laminated")
    table = ost.filter_table(
        [sun], [grey, edge(380.0)], "film", bands_nm=BANDS, collections={"sun": COLLECTION}
    )
    assert [(r.name, r.dominated) for r in table.rows] == [("grey", True), ("edge 380", False)]
    # Without photocurrent nothing is known about cost, and nothing is dominated.
    table = ost.filter_table([sun], [grey, edge(380.0)], "film", bands_nm=BANDS)
    assert not any(r.dominated for r in table.rows)
    assert table.rows[0].photocurrent_ma_cm2 is None
    assert table.unfiltered == {"sun": None}


def test_rows_are_sorted_by_dose(judged: ost.FilterTable) -> None:
    left = [r.dose_left[KEY].value for r in judged.under("sun")]
    assert left == sorted(left)
    assert judged.ranking_band == KEY


# --- how far the weight goes --------------------------------------------------------------------


def test_long_edges_are_judged_to_500_nm_too(judged: ost.FilterTable) -> None:
    """A filter with its edge above 370 nm, and only such a one."""
    for row in judged.rows:
        long = "flat to 500" in row.weighted_dose_left
        assert long == (row.name != "edge 340")
        assert len(row.weighted_dose_left) == (8 if long else 4)
    row = next(r for r in judged.rows if r.exposure == "sun" and r.name == "edge 420")
    short, longer = (row.weighted_dose_left[k].value for k in ("flat", "flat to 500"))
    assert longer > 10 * short
    (note,) = (n for n in row.notes if "depends on where the weight ends" in n)
    assert "280-400 or 280-500 nm" in note
    assert f"flat {short:.2g} or {longer:.2g}" in note
    # Under the lamp, dark beyond 400 nm, the limit decides nothing.
    row = next(r for r in judged.rows if r.exposure == "lamp" and r.name == "edge 420")
    assert not any("depends on where" in n for n in row.notes)


def test_weights_of_ones_own_are_carried_on_where_that_makes_sense(sun: ost.Exposure) -> None:
    own = ost.weight_family(slopes_nm=(10.0,))
    table = ost.filter_table([sun], [edge(380.0)], "film", bands_nm=BANDS, weights=own)
    assert list(table.rows[0].weighted_dose_left) == [
        "flat",
        "exponential 10 nm",
        "flat to 500",
        "exponential 10 nm to 500",
    ]
    measured = ost.Weight(
        "activation to 400",
        (280.0, 400.0),
        wavelength_nm=np.array([280.0, 400.0]),
        values=np.array([5.0, 0.1]),
        measured=True,
    )
    other = ost.weight_family((300.0, 380.0))
    table = ost.filter_table(
        [sun], [edge(340.0), edge(380.0)], "film", bands_nm=BANDS, weights=(measured, *other)
    )
    for row in table.rows:
        assert set(row.weighted_dose_left) == {measured.name, *(w.name for w in other)}


def test_no_light_beyond_400_nm_is_asked_for_without_need() -> None:
    """A measured lamp whose data end at 420 nm, and a short edge: nothing needs 500 nm."""
    light = ost.Spectrum("measured", [280, 340, 420], [0.0, 0.9, 0.1])
    exposure = ost.Exposure("chamber", CELL, light)
    table = ost.filter_table([exposure], [edge(340.0)], "film", bands_nm=BANDS[:1])
    assert 0 < table.rows[0].dose_left[KEY].value < 1
    # Where an edge would ask for it, the answer does without and says so: the user asked for 400 nm.
    (row,) = ost.filter_table([exposure], [edge(380.0)], "film", bands_nm=BANDS[:1]).rows
    assert not [key for key in row.weighted_dose_left if key.endswith(" to 500")]
    assert any("known for 280-420 nm only" in note for note in row.notes)
    assert long_bands([edge(380.0)], ost.weight_family(), light) == []
    assert long_bands([edge(340.0)], ost.weight_family(), SUN) == []
    assert long_bands([edge(380.0)], ost.weight_family(), SUN) == [(280.0, 500.0)]
    assert long_bands([edge(380.0)], ost.weight_family((300.0, 400.0)), SUN) == []
    # A filter of layers may act anywhere.
    layers = Mounted(FilterStack("m", (Layer("high", 2.4, 40.0),)), "laminated")
    assert long_bands([layers], ost.weight_family(), SUN) == [(280.0, 500.0)]


# --- order --------------------------------------------------------------------------------------


def test_notes_when_light_or_weight_turns_the_order(lamp: ost.Exposure, sun: ost.Exposure) -> None:
    """A filter open below 320 nm and one open above 380 nm: which is better depends."""
    lam = [200.0, 315.0, 325.0, 900.0]
    short = Mounted(
        measured_filter("open short", lam, [0.9, 0.9, 0.3, 0.3], "internal"), "laminated"
    )
    long = Mounted(measured_filter("open long", lam, [0.1, 0.1, 0.5, 0.5], "internal"), "laminated")
    table = ost.filter_table([sun], [short, long], "film", bands_nm=BANDS)
    assert [r.name for r in table.under("sun")] == ["open short", "open long"]
    (note,) = table.notes
    assert note.startswith("sun: the order of the filters by dose left is another with the weight")
    assert "exponential 15 nm" in note
    # UVB-rich light turns the unweighted order as well.
    rich = ost.Exposure("rich", CELL, ost.spectrum("uvb313").at_set_point(313, 0.5))
    table = ost.filter_table([sun, rich], [short, long], "film", bands_nm=BANDS[:1])
    assert any(
        n.startswith("the order of the filters by dose left in 280-400 nm for rich")
        for n in table.notes
    )


# --- floors and ranges --------------------------------------------------------------------------


def test_readings_below_the_floor_give_an_upper_limit(lamp: ost.Exposure) -> None:
    item = measured_filter(
        "dark", [200.0, 900.0], [1e-4, 1e-4], "external", coated=True, stray_light_floor=1e-3
    )
    row = ost.filter_table([lamp], [Mounted(item, "detached_far")], "film", bands_nm=BANDS).rows[0]
    value = row.dose_left[KEY]
    assert value.bound == "upper"
    assert value.value == pytest.approx(1e-3, rel=1e-9)
    assert value.high == pytest.approx(1e-3, rel=1e-9)
    assert value.low == 0.0
    assert value.to_json()["bound"] == "upper"
    assert value.format() == "at most 0.001"
    assert any("at most the floor" in n for n in row.notes)
    # Where the floor carries little, it is a range and no limit.
    lam = [200.0, 390.0, 391.0, 900.0]
    item = measured_filter(
        "mostly seen", lam, [1e-4, 1e-4, 0.9, 0.9], "external", coated=True, stray_light_floor=1e-3
    )
    value = (
        ost.filter_table([lamp], [Mounted(item, "detached_far")], "film", bands_nm=BANDS)
        .rows[0]
        .dose_left[KEY]
    )
    assert value.bound is None
    assert value.low < value.value < value.high


def test_the_floor_of_a_filter_already_there_is_not_varied(sun: ost.Exposure) -> None:
    """Both doses of the ratio are behind it; only the candidate is in question."""
    there = measured_filter(
        "there", [200.0, 900.0], [5e-4, 5e-4], "external", coated=True, stray_light_floor=1e-3
    )
    behind = sun.with_filters([Mounted(there, "detached_far")])
    row = ost.filter_table([behind], [edge(340.0)], "film", bands_nm=BANDS).rows[0]
    plain = ost.filter_table([sun], [edge(340.0)], "film", bands_nm=BANDS).rows[0]
    assert row.dose_left[KEY].value == pytest.approx(plain.dose_left[KEY].value, rel=1e-9)
    assert row.dose_left[KEY].bound is None


def test_the_same_filter_twice(sun: ost.Exposure) -> None:
    """A candidate that the exposure already has goes in front of it."""
    behind = sun.with_filters([edge(340.0)])
    row = ost.filter_table([behind], [edge(340.0)], "film", bands_nm=BANDS).rows[0]
    single = ost.filter_table([sun], [edge(340.0)], "film", bands_nm=BANDS).rows[0]
    assert row.dose_left[KEY].value > single.dose_left[KEY].value


def test_nothing_collected_in_one_case_leaves_the_share_finite(lamp: ost.Exposure) -> None:
    """Efficiency measured from 450 nm on, light up to 400 nm: the low case collects nothing."""
    eqe = ost.QuantumEfficiency("eqe", np.array([450.0, 700.0]), np.array([0.5, 0.5]), CELL)
    collection = ost.Collection(("blend",), (280.0, 700.0), eqe=eqe)
    row = ost.filter_table(
        [lamp], [edge(340.0)], "film", bands_nm=BANDS[:1], collections={"lamp": collection}
    ).rows[0]
    share = row.photocurrent_lost_fraction
    assert share is not None
    assert 0 < share.low <= share.value <= share.high < 1


def test_a_band_without_light(lamp: ost.Exposure) -> None:
    row = ost.filter_table([lamp], [edge(340.0)], "film", bands_nm=BANDS).rows[0]
    assert np.isnan(row.dose_left["400-700"].value)
    assert row.dose_left["400-700"].to_json() is None


def test_refusals(sun: ost.Exposure) -> None:
    short = measured_filter("short", [300.0, 900.0], [0.1, 0.9], "external")
    with pytest.raises(RangeError, match="filter short: needed 280-700 nm"):
        ost.filter_table([sun], [Mounted(short, "laminated")], "film", bands_nm=BANDS)
    coated = replace(short, coated=True)
    with pytest.raises(StackError, match="filter short is coated"):
        ost.filter_table([sun], [Mounted(coated, "laminated")], "film", bands_nm=BANDS)
    with pytest.raises(StackError, match="no layer 'foil'"):
        ost.filter_table([sun], [edge(340.0)], "foil", bands_nm=BANDS)


def test_frame_plot_html(judged: ost.FilterTable) -> None:
    import matplotlib.pyplot as plt

    frame = judged.to_frame()
    assert len(frame) == 8
    assert frame[f"dose_left {KEY} nm"].tolist() == [r.dose_left[KEY].value for r in judged.rows]
    product = frame[f"dose_left {KEY} nm"] * frame[f"reduction_factor {KEY} nm"]
    np.testing.assert_allclose(product, 1.0)
    ax = judged.plot()
    assert len(ax.lines) == 8
    plt.close(ax.figure)
    assert "edge 340" in judged._repr_html_()
