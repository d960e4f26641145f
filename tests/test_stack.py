"""Stacks: lowering to arrays, names, mounted filters."""

from __future__ import annotations

import numpy as np
import pytest

from optistack.errors import StackError
from optistack.filters import (
    Filter,
    edge_filter,
    measured_filter,
    slab_internal,
    slab_transmittance,
)
from optistack.materials import constant, material
from optistack.stack import FilterStack, Layer, Stack
from optistack.transfer_matrix import solve

LAM = np.array([320.0, 350.0, 400.0])


@pytest.fixture
def device() -> Stack:
    return Stack(
        "air",
        [
            Layer("glass", 1.52, 1.1e6),
            Layer("film", 1.6 + 0.05j, 100.0),
            Layer("metal", 0.2 + 1.5j, 100.0),
        ],
        "air",
        name="device",
    )


def grey(tau: float, name: str = "grey", kind: str = "internal", **options: object) -> Filter:
    return measured_filter(
        name,
        [200.0, 1000.0],
        [tau, tau],
        kind,
        measurement="regular",
        **options,  # type: ignore[arg-type]
    )


# --- layers and stacks --------------------------------------------------------------------------


def test_thickness_decides_coherence_unless_stated() -> None:
    assert Layer("a", 1.5, 3000.0).is_coherent
    assert not Layer("a", 1.5, 3000.1).is_coherent
    assert not Layer("a", 1.5, 10.0, coherent=False).is_coherent
    assert Layer("a", 1.5, 1e6, coherent=True).is_coherent


@pytest.mark.parametrize("thickness", [-1.0, np.nan, np.inf])
def test_impossible_thickness(thickness: float) -> None:
    with pytest.raises(StackError, match="layer film: thickness"):
        Layer("film", 1.5, thickness)


def test_a_filter_needs_a_layer_with_thickness() -> None:
    with pytest.raises(StackError, match="needs a thickness above 0"):
        Layer("film", 1.5, 0.0, absorbers=(grey(0.5),))


def test_names_are_unique_and_listed(device: Stack) -> None:
    with pytest.raises(StackError, match="stack s: two layers are called 'a'"):
        Stack("air", [Layer("a", 1.5, 1.0), Layer("a", 1.6, 1.0)], "air", name="s")
    with pytest.raises(StackError, match="no layer 'fim'; its layers are glass, film, metal"):
        device.position("fim")
    assert device.position("metal") == 2


def test_lowering_and_flipping(device: Stack) -> None:
    n, d, coherent = device.lower(LAM)
    assert n.shape == (5, 3)
    assert d.tolist() == [1.1e6, 100.0, 100.0]
    assert coherent.tolist() == [False, True, True]
    np.testing.assert_array_equal(n[0], material("air").index(LAM))
    back, d_back, c_back = device.flipped().lower(LAM)
    np.testing.assert_array_equal(back, n[::-1])
    assert d_back.tolist() == d[::-1].tolist()
    assert c_back.tolist() == coherent[::-1].tolist()


def test_changing_a_layer_leaves_the_stack_alone(device: Stack) -> None:
    thicker = device.with_layer("film", thickness_nm=200.0)
    assert thicker.layers[1].thickness_nm == 200.0
    assert device.layers[1].thickness_nm == 100.0


def test_a_material_is_replaced_wherever_it_is_used() -> None:
    film, other = constant(1.6 + 0.1j), constant(1.6 + 0.1j)
    s = Stack("air", [Layer("a", film, 10), Layer("b", other, 10), Layer("c", film, 20)], film)
    assert len(s.materials) == 3
    changed = s.with_material(film, film.with_k(scale=2.0))
    assert changed.lower([400.0])[0][1:, 0].imag.tolist() == [0.2, 0.1, 0.2, 0.2]


def test_step_follows_the_fringes() -> None:
    """40 samples per fringe: free spectral range lambda^2 / (2 n d) of all coherent layers joined."""

    def step(*layers: Layer) -> float:
        return Stack("air", layers, "air").fringe_step_nm(300.0)

    assert step(Layer("a", 1.5, 100.0)) == 1.0
    assert step(Layer("glass", 1.5, 1e6)) == 1.0
    # 300^2 / (2 x 2 x 1000) = 22.5 nm, by 40: 0.56
    assert step(Layer("a", 2.0, 1000.0)) == 0.5
    assert step(Layer("a", 2.0, 500.0), Layer("b", 2.0, 500.0)) == 0.5
    assert step(Layer("a", 2.0, 500.0), Layer("g", 1.5, 1e6), Layer("b", 2.0, 500.0)) == 1.0
    assert step(Layer("a", 2.0, 3000.0)) == 0.1


def test_coherent_layers_whose_fringes_nothing_follows_are_refused() -> None:
    """300^2 / (2 x 1.5 x 1.1e6) = 0.027 nm between fringes: no lamp, no optical grid sees them."""
    with pytest.raises(StackError, match=r"fringes lie 0.027 nm apart at 300 nm.*coherent = false"):
        Stack("air", (Layer("glass", 1.5, 1.1e6, coherent=True),), "air").fringe_step_nm(300.0)
    assert (
        Stack("air", (Layer("foil", 1.5, 5e4, coherent=True),), "air").fringe_step_nm(300.0) == 0.01
    )


# --- filters inside and before a stack ----------------------------------------------------------


def test_laminated_is_one_more_incoherent_layer(device: Stack) -> None:
    item = edge_filter("edge", 360.0, 20.0, index=constant(1.5), thickness_nm=5e4)
    s = device.mounted(item, "laminated")
    assert s.names == ("filter edge", "glass", "film", "metal")
    first = s.layers[0]
    assert not first.is_coherent
    assert first.thickness_nm == 5e4
    tau = np.exp(-4 * np.pi * first.index(LAM).imag * 5e4 / LAM)
    np.testing.assert_allclose(tau, item.internal(LAM), rtol=1e-12)
    np.testing.assert_allclose(first.index(LAM).real, 1.5)


def test_laminated_and_in_substrate_agree_where_no_surface_is_new(device: Stack) -> None:
    """A filter of the substrate's own index adds no surface, so it may as well be inside.

    What differs is of the order of k/n of the filter, 2e-5: the film joins a layer with k, or none.
    """
    item = grey(0.4, index=constant(1.52))
    laminated, inside = (
        solve(n, d, LAM, coherent=coherent)
        for n, d, coherent in (
            device.mounted(item, "laminated").lower(LAM),
            device.mounted(item, "in_substrate").lower(LAM),
        )
    )
    np.testing.assert_allclose(laminated.reflectance, inside.reflectance, rtol=1e-4)
    np.testing.assert_allclose(laminated.absorptance[2:], inside.absorptance[1:], rtol=1e-4)
    np.testing.assert_allclose(
        laminated.absorptance[:2].sum(axis=0), inside.absorptance[0], rtol=1e-4
    )


@pytest.mark.parametrize("angle", [0.0, 35.0, 70.0])
def test_oblique_light_takes_the_longer_path(angle: float) -> None:
    """tau^(1/cos) inside, and the surfaces of the slab: summed here for s-polarised light."""
    tau, n = 0.3, 1.52
    s = Stack(1.0, [Layer("plate", n, 1e6)], 1.0).mounted(grey(tau), "in_substrate")
    index, d, coherent = s.lower(LAM)
    r = solve(index, d, LAM, angle_deg=angle, polarization="s", coherent=coherent)
    cos0 = np.cos(np.radians(angle))
    cos1 = np.sqrt(1 - (np.sin(np.radians(angle)) / n) ** 2)
    surface = ((cos0 - n * cos1) / (cos0 + n * cos1)) ** 2
    # The attenuation also bends the wave, by k^2 / n^2: k is 4e-8 here.
    np.testing.assert_allclose(
        r.transmittance, slab_transmittance(tau ** (1 / cos1), surface), rtol=1e-9
    )


def test_a_detached_filter_is_a_plate_before_the_stack() -> None:
    """Two plates one behind the other: T = T1 T2 / (1 - R1 R2), by hand."""
    tau1, n1, tau2, n2 = 0.6, 1.5, 0.8, 1.7
    plate = Stack(1.0, [Layer("plate", n2, 1e6)], 1.0).mounted(grey(tau2, "own"), "in_substrate")
    s = plate.mounted(grey(tau1, index=constant(n1)), "detached_gap")
    assert s.names == ("filter grey", "air gap behind grey", "plate")
    index, d, coherent = s.lower(LAM)
    r = solve(index, d, LAM, coherent=coherent)

    def pane(n: float, tau: float) -> tuple[float, float]:
        surface = ((n - 1) / (n + 1)) ** 2
        through = float(slab_transmittance(tau, surface))
        return through, surface + surface * tau**2 * (1 - surface) ** 2 / (1 - (surface * tau) ** 2)

    t1, r1 = pane(n1, tau1)
    t2, r2 = pane(n2, tau2)
    np.testing.assert_allclose(r.transmittance, t1 * t2 / (1 - r1 * r2), rtol=1e-9)
    np.testing.assert_allclose(r.reflectance, r1 + t1**2 * r2 / (1 - r1 * r2), rtol=1e-9)


def test_a_clear_filter_inside_changes_nothing(device: Stack) -> None:
    with_it = device.mounted(grey(1.0), "in_substrate")
    for a, b in zip(with_it.lower(LAM), device.lower(LAM), strict=True):
        np.testing.assert_array_equal(a, b)


def test_filters_inside_multiply(device: Stack) -> None:
    twice = device.mounted(grey(0.5, "a"), "in_substrate").mounted(grey(0.4, "b"), "in_substrate")
    once = device.mounted(grey(0.2), "in_substrate")
    np.testing.assert_allclose(twice.lower(LAM)[0], once.lower(LAM)[0], rtol=1e-12)


def test_the_same_filter_may_be_mounted_twice(device: Stack) -> None:
    s = device
    for _ in range(3):
        s = s.mounted(grey(0.9), "detached_gap")
    assert s.names[:6] == (
        "filter grey (3)",
        "air gap behind grey (3)",
        "filter grey (2)",
        "air gap behind grey (2)",
        "filter grey",
        "air gap behind grey",
    )


def test_external_readings_are_converted_for_the_inside(device: Stack) -> None:
    item = grey(0.5, kind="external", index=constant(1.5))
    first = device.mounted(item, "laminated").layers[0]
    tau = np.exp(-4 * np.pi * first.index(LAM).imag * first.thickness_nm / LAM)
    np.testing.assert_allclose(tau, slab_internal(0.5, 0.04), rtol=1e-12)


def test_filters_by_their_layers(device: Stack) -> None:
    item = FilterStack("mirror", (Layer("high", 2.4, 40.0), Layer("low", 1.46, 60.0)))
    assert device.mounted(item, "laminated").names == ("high", "low", "glass", "film", "metal")
    assert device.mounted(item, "detached_gap").names[:3] == (
        "high",
        "low",
        "air gap behind mirror",
    )
    with pytest.raises(StackError, match="has layers of its own"):
        device.mounted(item, "in_substrate")


@pytest.mark.parametrize("mount", ["laminated", "detached_gap", "in_substrate"])
def test_a_coated_filter_is_not_joined(mount: str, device: Stack) -> None:
    item = measured_filter("m", [200.0, 1000.0], [0.1, 0.9], "external", coated=True)
    with pytest.raises(StackError, match="filter m is coated.*detached_far, or give its layers"):
        device.mounted(item, mount)  # type: ignore[arg-type]


def test_mounts_that_do_not_fit(device: Stack) -> None:
    for mount in ("detached_far", "glued"):
        with pytest.raises(StackError, match="cannot be built into a stack"):
            device.mounted(grey(0.5), mount)  # type: ignore[arg-type]
    with pytest.raises(StackError, match="layer film is coherent"):
        device.mounted(grey(0.5), "in_substrate", "film")
    with pytest.raises(StackError, match="has no layer 'foil'"):
        device.mounted(grey(0.5), "in_substrate", "foil")
    bare = Stack("air", [Layer("film", 1.6, 100.0)], "air", name="bare")
    with pytest.raises(StackError, match="stack bare has no thick layer"):
        bare.mounted(grey(0.5), "in_substrate")


@pytest.mark.parametrize("name", ["reflected", "transmitted", "filter at the lamp"])
def test_names_that_results_use_for_something_else_are_refused(name: str) -> None:
    with pytest.raises(StackError, match="names a share of the light"):
        Stack(1.0, (Layer(name, 1.5, 100.0),), 1.0)
