"""Device over coupon: ratio, factors, sensitivity, reasons."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import optistack as ost
from optistack.errors import RangeError, StackError
from optistack.filters import edge_filter, measured_filter
from optistack.light_paths import respond
from optistack.materials import constant
from optistack.stack import Layer, Stack

Check = Callable[[str], dict[str, Any]]
Geometry, Holder, Exposure, Mounted = ost.Geometry, ost.Holder, ost.Exposure, ost.MountedFilter

BAND, KEY = (300.0, 400.0), "300-400"
TRIANGLE = ost.Spectrum("triangle", [300, 340, 400], [0, 0.89, 0], dark_outside=True)
FILM = constant(1.6 + 0.05j, "film material")
GLASS = Layer("glass", 1.52 + 2e-7j, 1.1e6)
COUPON = Stack(1.0, (Layer("film", FILM, 100.0), GLASS), 1.0, name="coupon")
DEVICE = Stack(
    1.0,
    (
        GLASS,
        Layer("film", FILM, 100.0),
        Layer("organic", 1.8 + 0.2j, 150.0),
        Layer("oxide", 1.95 + 0.01j, 40.0),
        Layer("metal", 0.2 + 1.5j, 100.0),
    ),
    1.0,
    name="device",
)


def exposure(stack: Stack, geometry: ost.Geometry | None = None, *filters: Any) -> ost.Exposure:
    return Exposure(stack.name, stack, TRIANGLE, geometry or Geometry(), filters)


def compared(coupon: ost.Exposure, device: ost.Exposure, **options: Any) -> ost.Comparison:
    settings_ = {
        "bands_nm": [BAND],
        "weights": ost.weight_family(BAND),
        "sensitivity": False,
        **options,
    }
    return ost.compare(coupon, device, "film", **settings_)


# --- the ratio ----------------------------------------------------------------------------------


def test_worked_ratio_at_five_wavelengths(check: Check) -> None:
    """OPT-055: the photon-weighted ratio, with a lamp of five lines 0.0002 nm wide."""
    case = check("OPT-055")
    lam, expected = np.array(case["inputs"]["lam_nm"]), case["expected"]
    level = np.interp(lam, [300, 340, 400], [0, 0.89, 0])
    lines = ost.Spectrum(
        "lines",
        np.ravel([[x - 1e-4, x, x + 1e-4] for x in lam]),
        np.ravel([[0, e, 0] for e in level]),
        dark_outside=True,
    )
    clear = Layer("glass", 1.52, 1.1e6)
    coupon = Exposure("coupon", replace(COUPON, layers=(COUPON.layers[0], clear)), lines)
    device = Exposure("device", replace(DEVICE, layers=(clear, *DEVICE.layers[1:])), lines)
    rel = case["tolerance"]["rel"]
    for exp, key in (
        (coupon, "coupon_film_side"),
        (replace(coupon, geometry=Geometry(lit_from="back")), "coupon_glass_side"),
        (device, "device_glass_side"),
    ):
        fraction = exp.run(BAND).absorbed_fraction("film", BAND)[0]
        assert fraction == pytest.approx(expected["photon_weighted"][key], rel=rel)
    for side, key in (("front", "film_side"), ("back", "glass_side")):
        comparison = compared(replace(coupon, geometry=Geometry(lit_from=side)), device)  # type: ignore[arg-type]
        wanted = expected[f"dose_ratio_device_over_coupon_{key}"]
        assert comparison.ratio[KEY].value == pytest.approx(wanted, rel=rel)
        assert comparison.weighted_ratio["flat to 400"].value == pytest.approx(wanted, rel=rel)
        # The ratio lies above 1: the device absorbs more than the coupon here.
        assert comparison.ratio[KEY].value > 1
        assert "more, per area" in comparison.explain(KEY)[0]


def test_a_stack_against_itself_is_one_in_everything() -> None:
    comparison = compared(exposure(DEVICE), exposure(DEVICE), sensitivity=True)
    why = comparison.why[KEY]
    for value in (
        comparison.ratio[KEY].value,
        comparison.ratio_per_volume[KEY].value,
        *(v.value for v in comparison.weighted_ratio.values()),
        *why[:5],
        *(c.ratio[KEY] for c in comparison.sensitivity),
    ):
        assert value == pytest.approx(1.0, rel=1e-12)
    assert why.removed_in_device == why.removed_in_coupon
    for name in ("ratio", "front_absorption", "return_from_behind", "surroundings"):
        np.testing.assert_allclose(comparison.spectral[name], 1.0, rtol=1e-12)


geometries = st.builds(
    Geometry,
    lit_from=st.sampled_from(["front", "back"]),
    angle_deg=st.sampled_from([0.0, 40.0]),
    isotropic_share=st.sampled_from([0.0, 0.5]),
    rear_share=st.sampled_from([0.0, 0.3]),
    holder=st.sampled_from([None, Holder(0.7, "specular"), Holder(0.7, "lambertian")]),
)


@given(a=geometries, b=geometries, tau=st.sampled_from([None, 0.2]), far=st.booleans())
@settings(max_examples=20)
def test_the_product_of_the_factors_is_the_ratio(
    a: ost.Geometry, b: ost.Geometry, tau: float | None, far: bool
) -> None:
    filters = ()
    if tau is not None:
        grey = measured_filter("grey", [200.0, 900.0], [tau, tau], "internal")
        filters = (Mounted(grey, "detached_far" if far else "laminated"),)
    comparison = compared(exposure(COUPON, a), exposure(DEVICE, b, *filters))
    why = comparison.why[KEY]
    assert why.ratio == comparison.ratio[KEY].value
    assert why.front_absorption * why.return_from_behind * why.surroundings == pytest.approx(
        why.ratio, rel=1e-12
    )
    spectral = comparison.spectral
    np.testing.assert_allclose(
        spectral["front_absorption"] * spectral["return_from_behind"] * spectral["surroundings"],
        spectral["ratio"],
        rtol=1e-9,
    )
    back = compared(exposure(DEVICE, b, *filters), exposure(COUPON, a))
    assert back.ratio[KEY].value == pytest.approx(1 / why.ratio, rel=1e-12)
    for mine, other in zip(why[1:5], back.why[KEY][1:5], strict=True):
        assert mine == pytest.approx(1 / other, rel=1e-9)


def test_nothing_but_absorption_in_front_is_front_absorption() -> None:
    """Index-matched everything: the window takes exp(-alpha d), and nothing else changes."""
    lamp = ost.Spectrum("line", [339.9, 340, 340.1], [0, 1, 0], dark_outside=True)
    film = Layer("film", constant(1.5 + 1e-3j), 5000.0, coherent=False)
    k = 2e-5
    bare = Stack(1.5, (film,), 1.5, name="bare")
    behind = Stack(1.5, (Layer("window", 1.5 + 1j * k, 1e4), film), 1.5, name="behind")
    comparison = ost.compare(
        Exposure("a", bare, lamp),
        Exposure("b", behind, lamp),
        "film",
        bands_nm=[BAND],
        weights=ost.weight_family(BAND),
        sensitivity=False,
    )
    why = comparison.why[KEY]
    expected = np.exp(-4 * np.pi * k * 1e4 / 340.0)
    # Joints of k = 2e-5 and 1e-3 on n = 1.5 reflect 1e-7.
    assert why.ratio == pytest.approx(expected, rel=1e-5)
    assert why.front_absorption == pytest.approx(expected, rel=1e-5)
    assert why.return_from_behind == pytest.approx(1.0, rel=1e-5)
    assert why.surroundings == pytest.approx(1.0, rel=1e-9)
    assert why.removed_in_device["window"] == pytest.approx(1 - expected, rel=1e-4)
    # 1 - exp(-alpha d) of the film itself
    alone = 1 - np.exp(-4 * np.pi * 1e-3 * 5000.0 / 340.0)
    fraction = comparison.coupon.absorbed_fraction("film", BAND)[0]
    assert fraction == pytest.approx(alone, rel=1e-5)


def test_a_mirror_behind_is_return_from_behind() -> None:
    """A clear incoherent film on a perfect mirror is crossed twice."""
    lamp = ost.Spectrum("line", [339.9, 340, 340.1], [0, 1, 0], dark_outside=True)
    film = Layer("film", constant(1.5 + 1e-7j), 1e4, coherent=False)
    bare = Stack(1.5, (film,), 1.5)
    mirrored = Stack(1.5, (film,), constant(1e-6 + 1e4j))
    why = ost.compare(
        Exposure("a", bare, lamp),
        Exposure("b", mirrored, lamp),
        "film",
        bands_nm=[BAND],
        weights=ost.weight_family(BAND),
        sensitivity=False,
    ).why[KEY]
    assert why.return_from_behind == pytest.approx(2.0, rel=1e-3)
    assert why.front_absorption == why.rear_light == 1.0
    assert why.surroundings == pytest.approx(1.0, rel=1e-12)


def test_holder_and_rear_light_are_named_in_the_return() -> None:
    why = compared(
        exposure(COUPON, Geometry(rear_share=0.5, holder=Holder(0.8))), exposure(COUPON)
    ).why[KEY]
    assert why.rear_light == pytest.approx(why.ratio, rel=1e-12)
    assert why.rear_light < 1 / 1.5  # at least the rear light itself
    assert why.front_absorption == pytest.approx(1.0, rel=1e-12)
    assert why.surroundings == pytest.approx(1.0, rel=1e-12)


def test_per_volume_and_layers_of_other_names() -> None:
    thick = DEVICE.with_layer("film", name="electrode", thickness_nm=200.0)
    comparison = ost.compare(
        exposure(COUPON),
        exposure(thick),
        "electrode",
        coupon_layer="film",
        bands_nm=[BAND],
        weights=ost.weight_family(BAND),
        sensitivity=False,
    )
    assert comparison.ratio_per_volume[KEY].value == pytest.approx(
        comparison.ratio[KEY].value / 2, rel=1e-12
    )
    frame = comparison.to_frame()
    assert frame["ratio_per_volume"].tolist() == pytest.approx((frame["ratio"] / 2).tolist())
    assert frame["over"].tolist()[0] == "300-400 nm"


def test_default_bands_and_a_band_without_light() -> None:
    comparison = ost.compare(exposure(COUPON), exposure(DEVICE), "film", sensitivity=False)
    assert list(comparison.ratio) == ["280-315", "315-400", "300-400", "280-400", "400-700"]
    assert np.isnan(comparison.ratio["400-700"].value)
    assert "400-700" not in comparison.why
    assert comparison.explain("400-700") == ["There is no light in 400-700 nm."]
    assert comparison.light == "triangle"
    assert comparison.over_weights.low <= comparison.ratio["280-400"].value
    assert comparison.over_weights.value == comparison.weighted_ratio["flat"].value


# --- variants -----------------------------------------------------------------------------------


def lamp(name: str) -> ost.Spectrum:
    return ost.spectrum(name).at_set_point(340, 0.89)


def rates(stack: Stack, light: ost.Spectrum) -> Any:
    return Exposure("a", stack, light).run(BAND).absorbed_photons_m2_s("film", BAND)


def with_light(coupon: ost.Spectrum, device: ost.Spectrum) -> ost.Comparison:
    return ost.compare(
        Exposure("c", COUPON, coupon),
        Exposure("d", DEVICE, device),
        "film",
        bands_nm=[BAND],
        weights=ost.weight_family(BAND),
        sensitivity=False,
    )


def test_one_lamp_varies_in_step() -> None:
    """The same lamp on both sides, even at another level, has the same shape at the same time."""
    light = lamp("uva340")
    ratios = rates(DEVICE, light) / rates(COUPON, light)
    value = with_light(light, light).ratio[KEY]
    assert (value.value, value.low, value.high) == pytest.approx(
        (ratios[0], ratios.min(), ratios.max()), rel=1e-12
    )
    stronger = with_light(light, light.times(3.0)).ratio[KEY]
    assert (stronger.low, stronger.high) == pytest.approx((3 * value.low, 3 * value.high), rel=1e-9)


@pytest.mark.parametrize(("a", "b"), [("uva340", "uvb313"), ("uva340", "am15g")])
def test_two_lamps_vary_independently(a: str, b: str) -> None:
    """Both have as many variants, or not: every pair counts."""
    first = lamp(a)
    second = ost.spectrum(b) if b == "am15g" else lamp(b)
    # In the other order, so that the extremes are not the pairs of equal place.
    second = replace(second, variants=second.variants[::-1])
    pairs = [d / c for d, c in product(rates(DEVICE, second), rates(COUPON, first))]
    comparison = with_light(first, second)
    value = comparison.ratio[KEY]
    assert value.value == pytest.approx(pairs[0], rel=1e-12)
    assert (value.low, value.high) == pytest.approx((min(pairs), max(pairs)), rel=1e-12)
    assert comparison.light == f"{b} / {a}"
    if second.variants:
        in_step = rates(DEVICE, second) / rates(COUPON, first)
        assert in_step.min() > 1.02 * value.low


# --- sensitivity --------------------------------------------------------------------------------


def test_scaling_hardly_moves_the_ratio_of_a_weak_absorber_but_tilting_does() -> None:
    """k cancels in the ratio of two thin films; its shape does not, behind a filter."""
    film = constant(1.6 + 1e-5j)
    coupon = COUPON.with_layer("film", material=film)
    device = DEVICE.with_layer("film", material=film)
    edge = Mounted(edge_filter("edge", 360.0, 10.0, index=constant(1.52)), "laminated")
    comparison = compared(exposure(coupon), exposure(device, None, edge), sensitivity=True)
    cases = {(c.scale, c.tilt): c.ratio[KEY] for c in comparison.sensitivity}
    assert len(cases) == 9
    base = cases[1.0, 0.0]
    assert base == comparison.ratio[KEY].value
    for scale in (0.1, 10.0):
        assert cases[scale, 0.0] == pytest.approx(base, rel=2e-3)
    assert cases[1.0, 1.0] > 1.2 * base  # more at long wavelengths, which the edge lets through
    assert cases[1.0, -1.0] < 0.8 * base
    over = comparison.over_sensitivity
    assert over.low < 0.8 * base < 1.2 * base < over.high


def test_sensitivity_changes_both_stacks_and_every_use_of_the_material() -> None:
    twice = replace(DEVICE, layers=(*DEVICE.layers, Layer("second", FILM, 80.0)))
    comparison = compared(exposure(COUPON), exposure(twice), sensitivity=True)
    case = next(c for c in comparison.sensitivity if (c.scale, c.tilt) == (10.0, 0.0))
    strong = constant(1.6 + 0.5j)
    by_hand = compared(
        exposure(COUPON.with_layer("film", material=strong)),
        exposure(twice.with_layer("film", material=strong).with_layer("second", material=strong)),
    )
    assert case.ratio[KEY] == pytest.approx(by_hand.ratio[KEY].value, rel=1e-9)
    assert case.weighted_ratio["flat to 400"] == pytest.approx(
        by_hand.weighted_ratio["flat to 400"].value, rel=1e-9
    )


# --- reasons, notes, refusals -------------------------------------------------------------------


def test_reasons_quote_the_numbers() -> None:
    grey = measured_filter("grey", [200.0, 900.0], [0.3, 0.3], "internal")
    comparison = compared(exposure(COUPON), exposure(DEVICE, None, Mounted(grey, "detached_far")))
    text = " ".join(comparison.explain(KEY))
    why = comparison.why[KEY]
    for number in (why.ratio, why.front_absorption, why.return_from_behind, why.surroundings):
        assert f"{number:.3g}" in text
    assert "fewer, per area" in text
    assert "filter at the lamp" in text
    removed = comparison.why[KEY].removed_in_device
    budget = comparison.device.budget(BAND)
    assert removed == {n: budget[n] for n in ("filter at the lamp", "glass")}


def test_notes_name_the_side_and_the_share() -> None:
    short = ost.Material(
        "short",
        lambda x: np.full(x.shape, 1.52),
        lambda x: np.full(x.shape, 2e-7),
        (320.0, 900.0),
        (320.0, 900.0),
        below="hold",
    )
    coupon = COUPON.with_layer("glass", material=short)
    comparison = compared(exposure(coupon), exposure(DEVICE))
    (note,) = (n for n in comparison.notes if "short" in n)
    assert note.startswith("coupon: material short: n and k held")
    share = comparison.coupon.extension_shares("film", BAND)["short"]
    lam = np.linspace(300.0, 400.0, 10_001)
    p = TRIANGLE(lam) * lam * respond(coupon, Geometry(), lam).absorptance[0]
    assert share == pytest.approx(p[lam < 320].sum() / p.sum(), abs=0.01)


def test_comparisons_that_cannot_be() -> None:
    with pytest.raises(StackError, match="device has no layer 'foil'"):
        ost.compare(exposure(COUPON), exposure(DEVICE), "foil", coupon_layer="film")
    with pytest.raises(StackError, match="coupon has no layer 'foil'"):
        ost.compare(exposure(COUPON), exposure(DEVICE), "film", coupon_layer="foil")
    gone = exposure(DEVICE.with_layer("film", thickness_nm=0.0))
    with pytest.raises(StackError, match="layer film has no thickness"):
        compared(exposure(COUPON), gone)
    narrow = exposure(COUPON).run((320.0, 360.0))
    with pytest.raises(RangeError, match="available 320-360 nm"):
        compared(exposure(COUPON), exposure(DEVICE), coupon_result=narrow)


def test_plot_and_html() -> None:
    import matplotlib.pyplot as plt

    comparison = compared(exposure(COUPON), exposure(DEVICE))
    ax = comparison.plot()
    assert [line.get_label() for line in ax.lines] == ["coupon", "device"]
    plt.close(ax.figure)
    assert "300-400 nm" in comparison._repr_html_()
