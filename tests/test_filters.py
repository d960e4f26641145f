"""Filters: external and internal transmittance, floors, edges, absorbers."""

from __future__ import annotations

import csv
import math
from typing import Any

import numpy as np
import pytest
from conftest import ROOT
from hypothesis import given, settings
from hypothesis import strategies as st

from optistack.errors import OptistackError, RangeError
from optistack.filters import (
    DARKEST,
    Filter,
    absorber_filter,
    absorption_bands,
    concentration,
    edge_filter,
    material_from_transmittance,
    measured_filter,
    slab_internal,
    slab_transmittance,
)
from optistack.materials import constant, material

LAM = np.array([300.0, 350.0, 400.0])


def plain(**options: Any) -> dict[str, Any]:
    return {"measurement": "regular", "index": constant(1.5), **options}


# --- slab ---------------------------------------------------------------------------------------


@given(tau=st.floats(0.0, 1.0), r=st.floats(0.0, 0.5))
def test_slab_is_the_sum_over_passes(tau: float, r: float) -> None:
    """T = (1-R)^2 tau (1 + (R tau)^2 + (R tau)^4 + ...), summed pass by pass."""
    passes = math.fsum((r * tau) ** (2 * i) for i in range(120))
    assert float(slab_transmittance(tau, r)) == pytest.approx(
        (1 - r) ** 2 * tau * passes, rel=1e-12
    )


@given(log_tau=st.floats(-8.0, 0.0), r=st.floats(0.0, 0.5))
def test_internal_transmittance_comes_back(log_tau: float, r: float) -> None:
    """The root loses no digits where T is tiny: the other form of it would lose all at 1e-8."""
    tau = 10**log_tau
    assert float(slab_internal(slab_transmittance(tau, r), r)) == pytest.approx(tau, rel=1e-12)


def test_the_stable_root_is_needed() -> None:
    """The textbook root, as a warning: at T = 1e-9 it is wrong by more than a per cent."""
    t, r = 1e-9, 0.04
    square = (1 - r) ** 2
    unstable = (-square + math.sqrt(square**2 + 4 * (r * t) ** 2)) / (2 * t * r**2)
    tau = float(slab_internal(t, r))
    assert tau == pytest.approx(t / square, rel=1e-12)
    assert abs(unstable / tau - 1) > 0.01


def test_most_a_slab_can_transmit() -> None:
    r = ((1.5 - 1) / (1.5 + 1)) ** 2
    assert float(slab_transmittance(1.0, r)) == pytest.approx((1 - r) / (1 + r), rel=1e-15)
    assert float(slab_internal((1 - r) / (1 + r), r)) == pytest.approx(1.0, rel=1e-15)
    assert float(slab_internal(0.95, r)) > 1.0


# --- measured curves ----------------------------------------------------------------------------


def test_external_and_internal_of_a_measured_filter() -> None:
    outer = measured_filter("a", LAM, [0.1, 0.5, 0.9], "external", **plain())
    r = outer.surface_reflectance(LAM)
    np.testing.assert_allclose(r, 0.04)
    np.testing.assert_array_equal(outer.external(LAM), [0.1, 0.5, 0.9])
    np.testing.assert_allclose(slab_transmittance(outer.internal(LAM), r), [0.1, 0.5, 0.9])
    inner = measured_filter("a", LAM, [0.1, 0.5, 0.9], "internal", **plain())
    np.testing.assert_array_equal(inner.internal(LAM), [0.1, 0.5, 0.9])
    np.testing.assert_allclose(inner.external(LAM), slab_transmittance([0.1, 0.5, 0.9], r))
    np.testing.assert_allclose(inner.external([325.0]), slab_transmittance([0.3], 0.04))


def test_an_unphysical_transmittance_is_flagged_and_clear() -> None:
    item = measured_filter("a", LAM, [0.1, 0.5, 0.96], "external", **plain())
    # (1 - R)/(1 + R) = 0.9231 at n = 1.5
    assert [d for d in item.doubts(LAM) if "0.037 above what a slab of its index can transmit" in d]
    assert item.internal(LAM)[-1] == 1.0
    fine = measured_filter("a", LAM, [0.1, 0.5, 0.92], "external", **plain())
    assert fine.doubts(LAM) == ()


def test_readings_a_little_outside_are_kept_and_said() -> None:
    item = measured_filter("a", LAM, [-0.01, 0.5, 1.02], "external", **plain())
    assert item.external(LAM).tolist() == [-0.01, 0.5, 1.02]
    assert any("readings from -0.0100 to 1.0200 are kept as read" in d for d in item.doubts(LAM))
    assert item.internal(LAM)[0] == DARKEST


@pytest.mark.parametrize("t", [[-0.011, 0.5], [0.5, 1.021], [12.0, 88.0], [0.1, math.nan]])
def test_readings_far_outside_are_refused(t: list[float]) -> None:
    with pytest.raises(OptistackError, match=r"filter a: (transmittance|wavelengths and readings)"):
        measured_filter("a", [300, 400], t, "external")


@pytest.mark.parametrize(
    "lam", [[300, 300], [400, 300], [300], [300, math.nan], [-5, 300], [300, math.inf]]
)
def test_wavelengths_must_increase(lam: list[float]) -> None:
    with pytest.raises(OptistackError, match="filter a:"):
        measured_filter("a", lam, [0.5] * len(lam), "external")


def test_a_filter_is_external_or_internal() -> None:
    with pytest.raises(OptistackError, match='kind must be "external" or "internal"'):
        measured_filter("a", LAM, [0, 0, 1], "outer")  # type: ignore[arg-type]


def test_half_value_of_a_measured_edge() -> None:
    item = measured_filter("a", [300, 350, 360, 400, 500], [0, 0.0, 0.2, 0.8, 0.8], "internal")
    # Half of the largest reading, 0.4, lies a third of the way from 360 to 400 nm.
    assert item.half_value_nm == pytest.approx(360 + 40 / 3)
    # The last rise counts: below it the filter may open again.
    leaky = measured_filter("a", [300, 310, 320, 380, 400], [0.9, 0.9, 0, 0, 0.9], "internal")
    assert leaky.half_value_nm == pytest.approx(390.0)
    assert measured_filter("a", [300, 400], [0.9, 0.1], "internal").half_value_nm is None
    assert measured_filter("a", [300, 400], [0.0, 0.0], "internal").half_value_nm is None


# --- range --------------------------------------------------------------------------------------


def test_outside_the_curve_is_refused_with_the_way_out() -> None:
    item = measured_filter("foil", LAM, [0.1, 0.5, 0.9], "external", **plain())
    with pytest.raises(RangeError) as refused:
        item.given([290.0, 350.0])
    text = str(refused.value)
    for part in ("filter foil: needed 290-350 nm, available 300-400 nm", 'extend_below = "hold"'):
        assert part in text
    with pytest.raises(RangeError, match="extend_above"):
        measured_filter("foil", LAM, [0.1, 0.5, 0.9], "external", below="hold").given([290, 500])


def test_hold_and_zero_outside_the_curve_are_said() -> None:
    item = measured_filter(
        "foil", LAM, [0.1, 0.5, 0.9], "external", **plain(below="zero", above="hold")
    )
    assert item.given([290.0, 300.0, 450.0]).tolist() == [0.0, 0.1, 0.9]
    text = " | ".join(item.doubts(np.array([290.0, 350.0, 450.0])))
    assert "taken as 0 below 300 nm, as the scenario asks" in text
    assert "held at its end value above 400 nm, as the scenario asks" in text


# --- what is doubtful ---------------------------------------------------------------------------


def test_doubts_about_index_measurement_and_haze() -> None:
    text = " | ".join(measured_filter("a", LAM, [0.1, 0.5, 0.9], "external", haze=0.03).doubts(LAM))
    assert "index taken as 1.5" in text
    assert "not stated whether the transmittance is regular or hemispherical" in text
    assert "3 % of what it transmits is scattered; the optics here is specular" in text
    inner = measured_filter("a", LAM, [0.1, 0.5, 0.9], "internal", index=constant(1.5))
    assert inner.doubts(LAM) == ()


def test_readings_below_the_floor_are_at_most_the_floor() -> None:
    item = measured_filter(
        "a", LAM, [0.0005, 0.002, 0.9], "external", **plain(stray_light_floor=0.001)
    )
    assert item.given(LAM).tolist() == [0.0005, 0.002, 0.9]
    assert item.in_case("low").given(LAM).tolist() == [0.0, 0.002, 0.9]
    assert item.in_case("high").given(LAM).tolist() == [0.001, 0.002, 0.9]
    (doubt,) = item.doubts(LAM)
    assert "below the stray-light floor of 0.1 % at 300-300 nm" in doubt
    assert "at most the floor" in doubt
    assert item.in_case("high").doubts(LAM) == (doubt,)
    # A negative reading is below every floor.
    low = measured_filter(
        "a", LAM, [-0.01, 0.002, 0.9], "external", **plain(stray_light_floor=1e-3)
    )
    assert low.in_case("low").given(LAM)[0] == 0.0
    assert low.in_case("high").given(LAM)[0] == 1e-3


def test_a_coated_filter_has_no_internal_transmittance() -> None:
    item = measured_filter("mirror", LAM, [0.1, 0.5, 0.96], "external", coated=True)
    with pytest.raises(OptistackError, match="filter mirror is coated.*detached_far.*its layers"):
        item.internal(LAM)
    assert item.external(LAM).tolist() == [0.1, 0.5, 0.96]
    # Its surfaces are not those of a slab: nothing about a slab's limit or index.
    assert not any("slab" in d or "index" in d for d in item.doubts(LAM))


def test_an_index_without_k_is_enough_for_a_surface() -> None:
    pmma = material("pmma")
    assert pmma.k_model is None
    lam = np.array([450.0, 500.0])
    item = measured_filter("a", lam, [0.5, 0.9], "external", index=pmma, measurement="regular")
    n = pmma.transparent().index(lam).real
    np.testing.assert_allclose(item.surface_reflectance(lam), ((n - 1) / (n + 1)) ** 2)


# --- models -------------------------------------------------------------------------------------


@given(
    half=st.floats(320.0, 450.0),
    width=st.floats(0.5, 60.0),
    plateau=st.floats(0.5, 1.0),
)
@settings(max_examples=50)
def test_edge_has_its_half_value_and_its_width(half: float, width: float, plateau: float) -> None:
    """From 10 % to 90 % of the plateau is the width: s = width / (2 ln 9)."""
    edge = edge_filter("e", half, width, plateau=plateau, blocking_floor=1e-6)
    values = edge.given([half - width / 2, half, half + width / 2])
    np.testing.assert_allclose(values / plateau, [0.1, 0.5, 0.9], rtol=1e-9)
    assert edge.half_value_nm == half
    assert edge.given([1.0])[0] == 1e-6
    assert edge.given([1e5])[0] == pytest.approx(plateau)


def test_the_grid_of_an_edge_bends_where_the_edge_does() -> None:
    edge = edge_filter("e", 385.0, 3.0, blocking_floor=1e-3)
    lam = np.linspace(300.0, 450.0, 3001)
    straight = np.interp(lam, edge.nodes_nm, edge.given(edge.nodes_nm))
    # Between nodes half an s apart the curve is straight within a per cent of the plateau.
    np.testing.assert_allclose(straight, edge.given(lam), atol=0.01)
    s = 3.0 / (2 * math.log(9))
    meets_floor = 385.0 - s * math.log(1 / 1e-3 - 1)
    assert np.abs(edge.nodes_nm - meets_floor).min() < 1e-9


@pytest.mark.parametrize(
    "options",
    [
        {"half_value_nm": 0.0},
        {"half_value_nm": math.nan},
        {"width_10_90_nm": 0.0},
        {"width_10_90_nm": -3.0},
        {"width_10_90_nm": 1e300},
        {"plateau": 1.1},
        {"plateau": 0.0},
        {"blocking_floor": -1e-3},
        {"blocking_floor": 1.0},
    ],
)
def test_edges_that_are_none(options: dict[str, float]) -> None:
    with pytest.raises(OptistackError, match="filter e:"):
        edge_filter("e", **{"half_value_nm": 385.0, "width_10_90_nm": 12.0, **options})


def test_absorber_of_the_worked_example() -> None:
    """uv_absorbers.csv: 2 % of M = 351.5 in 25 um of acrylic: 0.0671 mol/L, A(345 nm) = 2.8."""
    path = ROOT / "shared/reference/uv_absorbers.csv"
    lines = [x for x in path.read_text(encoding="utf-8").splitlines() if not x.startswith("#")]
    (row,) = [r for r in csv.DictReader(lines) if r["molar_mass_g_mol"] == "351.5"]
    bands = [
        (float(row["peak1_nm"]), float(row["eps1_L_mol_cm"]), 48.0),
        (float(row["peak2_nm"]), float(row["eps2_L_mol_cm"]), 52.0),
    ]
    amount = concentration(2.0, 1.18, float(row["molar_mass_g_mol"]))
    assert amount == pytest.approx(0.0671, abs=5e-5)
    alone, _ = absorption_bands(bands[1:])
    item = absorber_filter("binder", alone, amount, 25e3)
    assert -math.log10(item.given([345.0])[0]) == pytest.approx(2.8, abs=0.05)
    # alpha = ln(10) eps c, the formula in the head of the table
    alpha_cm = math.log(10) * 16500 * amount
    assert item.given([345.0])[0] == pytest.approx(math.exp(-alpha_cm * 25e-4), rel=1e-9)
    both, nodes = absorption_bands(bands)
    overlapping = absorber_filter("binder", both, amount, 25e3, nodes_nm=nodes)
    assert overlapping.given([345.0])[0] < item.given([345.0])[0]
    assert {303.0, 345.0} <= set(nodes.tolist())


def test_absorption_bands_have_their_height_and_width() -> None:
    curve, _ = absorption_bands([(350.0, 2e4, 40.0)])
    np.testing.assert_allclose(curve(np.array([330.0, 350.0, 370.0])), [1e4, 2e4, 1e4])


@pytest.mark.parametrize("factor", [2.0, 3.0])
def test_beer_and_lambert(factor: float) -> None:
    curve, _ = absorption_bands([(350.0, 2e4, 40.0)])
    one = absorber_filter("a", curve, 0.01, 1e4).given(LAM)
    np.testing.assert_allclose(
        absorber_filter("a", curve, 0.01 * factor, 1e4).given(LAM), one**factor
    )
    np.testing.assert_allclose(
        absorber_filter("a", curve, 0.01, 1e4 * factor).given(LAM), one**factor
    )


@pytest.mark.parametrize(
    "make",
    [
        lambda: concentration(0.0, 1.0, 300.0),
        lambda: concentration(1.0, -1.0, 300.0),
        lambda: concentration(1.0, 1.0, 0.0),
        lambda: absorption_bands([]),
        lambda: absorption_bands([(0.0, 1.0, 1.0)]),
        lambda: absorption_bands([(350.0, -1.0, 1.0)]),
        lambda: absorption_bands([(350.0, 1.0, 0.0)]),
        lambda: absorber_filter("a", np.ones_like, 0.0, 1e4),
        lambda: absorber_filter("a", np.ones_like, 0.1, 0.0),
    ],
)
def test_absorbers_that_are_none(make: Any) -> None:
    with pytest.raises(OptistackError, match=r"positive|absorption band"):
        make()


def test_k_from_a_transmittance_gives_it_back() -> None:
    """k = -ln(tau) lambda / (4 pi d); at another thickness the Beer-Lambert power of it."""
    item = measured_filter("a", LAM, [0.1, 0.5, 0.9], "internal")
    glue = material_from_transmittance(constant(1.48), item, 40e3)
    k = glue.index(LAM).imag
    np.testing.assert_allclose(np.exp(-4 * np.pi * k * 40e3 / LAM), [0.1, 0.5, 0.9], rtol=1e-12)
    np.testing.assert_allclose(
        np.exp(-4 * np.pi * k * 20e3 / LAM), np.sqrt([0.1, 0.5, 0.9]), rtol=1e-12
    )
    np.testing.assert_allclose(glue.index(LAM).real, 1.48)
    with pytest.raises(RangeError, match="k: needed 250-350 nm, available 300-400 nm"):
        glue.index([250.0, 350.0])
    with pytest.raises(OptistackError, match="must be positive"):
        material_from_transmittance(constant(1.48), item, 0.0)
    outer = measured_filter("a", LAM, [0.1, 0.5, 0.9], "external")
    k_outer = material_from_transmittance(constant(1.48), outer, 40e3).index(LAM).imag
    r = (0.48 / 2.48) ** 2
    tau = np.exp(-4 * np.pi * k_outer * 40e3 / LAM)
    np.testing.assert_allclose(slab_transmittance(tau, r), [0.1, 0.5, 0.9], rtol=1e-12)


def test_a_filter_without_surface_reflectance_is_its_internal_self() -> None:
    item = Filter("a", lambda lam: np.full(lam.shape, 0.3), "internal", index=constant(1.0))
    assert item.external([350.0])[0] == 0.3
