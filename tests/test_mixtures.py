"""Mixtures of two materials, edges and dissolved absorbers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optistack.errors import OptistackError, RangeError
from optistack.filters import (
    absorber_filter,
    absorption_bands,
    edge_filter,
    material_from_transmittance,
    slab_transmittance,
)
from optistack.materials import constant, material, oscillators
from optistack.mixtures import beer_lambert, effective_medium, urbach_edge
from optistack.stack import Layer, Stack
from optistack.transfer_matrix import solve

# --- mixtures -------------------------------------------------------------------------------------

INDEX = st.builds(complex, st.floats(0.1, 4.0), st.floats(0.0, 4.0))


@given(INDEX, INDEX, st.floats(0.0, 1.0))
@settings(max_examples=300)
def test_bruggeman_solves_its_equation_and_absorbs(a: complex, b: complex, f: float) -> None:
    index = effective_medium(constant(a), constant(b), f).index(500.0)[0]
    assert index.imag >= 0
    eps, ea, eb = index**2, a * a, b * b
    left = (1 - f) * (ea - eps) * (eb + 2 * eps) + f * (eb - eps) * (ea + 2 * eps)
    assert abs(left) < 1e-7 * (abs(ea) + abs(eb)) ** 2


@given(INDEX, INDEX, st.floats(0.0, 1.0))
def test_a_mixture_of_a_material_with_itself_is_the_material(
    a: complex, b: complex, f: float
) -> None:
    for rule in ("bruggeman", "maxwell_garnett"):
        host, other = constant(a), constant(b)
        same = effective_medium(host, constant(a), f, rule=rule)
        assert same.index(500.0)[0] == pytest.approx(a, rel=1e-6, abs=1e-7)
        none = effective_medium(host, other, 0.0, rule=rule)
        assert none.index(500.0)[0] == pytest.approx(a, rel=1e-6, abs=1e-7)
        pure = effective_medium(host, other, 1.0, rule=rule)
        assert pure.index(500.0)[0] == pytest.approx(b, rel=1e-6, abs=1e-7)


@pytest.mark.parametrize("f", [0.05, 0.3, 0.5, 0.8])
def test_transparent_mixtures_lie_between_the_wiener_bounds(f: float) -> None:
    ea, eb = 1.5**2, 2.4**2
    series, parallel = 1 / ((1 - f) / ea + f / eb), (1 - f) * ea + f * eb
    for rule in ("bruggeman", "maxwell_garnett"):
        mix = effective_medium(constant(1.5), constant(2.4), f, rule=rule)
        eps = mix.index(500.0)[0].real ** 2
        assert series < eps < parallel
    swapped = effective_medium(constant(2.4), constant(1.5), 1 - f)
    assert swapped.index(500.0)[0] == pytest.approx(
        effective_medium(constant(1.5), constant(2.4), f).index(500.0)[0]
    )


def test_few_spheres_follow_clausius_and_mossotti() -> None:
    """To first order in the fraction both rules are eps = ea (1 + 3 f (eb - ea)/(eb + 2 ea))."""
    ea, eb, f = 2.25 + 0j, (0.2 + 3.3j) ** 2, 1e-5
    expected = ea * (1 + 3 * f * (eb - ea) / (eb + 2 * ea))
    for rule in ("bruggeman", "maxwell_garnett"):
        mix = effective_medium(constant(1.5), constant(0.2 + 3.3j), f, rule=rule)
        assert mix.index(400.0)[0] ** 2 == pytest.approx(expected, rel=1e-7)


def test_what_a_mixture_inherits() -> None:
    mix = effective_medium(material("moo3"), material("ito"), 0.3, name="blend")
    assert mix.range_nm == (300.82, 899.45)
    assert mix.grade == "C"
    assert "30 % by volume of ito" in mix.source
    assert any("Bruggeman mixture" in note for note in mix.notes)
    with pytest.raises(RangeError):
        mix.index(250.0)
    spheres = effective_medium(constant(1.5), constant(2.0), 0.31, rule="maxwell_garnett")
    assert spheres.grade == "D"
    assert spheres.notes[-1].endswith("up to about 30 % by volume: not here")
    few = effective_medium(constant(1.5), constant(2.0), 0.3, rule="maxwell_garnett")
    assert few.grade == "C"
    assert few.notes[-1].endswith("up to about 30 % by volume")
    with pytest.raises(OptistackError, match="between 0 and 1"):
        effective_medium(constant(1.5), constant(2.0), 1.2)
    with pytest.raises(OptistackError, match="neither"):
        effective_medium(constant(1.5), constant(2.0), 0.2, rule="mean")
    with pytest.raises(OptistackError, match="k of adhesive_epoxy is not known"):
        effective_medium(material("adhesive_epoxy"), constant(1.5), 0.2)
    short = oscillators((300.0, 400.0), eps_inf=2.0)
    with pytest.raises(RangeError, match="must overlap"):
        effective_medium(short, oscillators((500.0, 600.0), eps_inf=2.0), 0.2)


# --- layers from data sheets ----------------------------------------------------------------------


@pytest.mark.parametrize("external", [True, False])
@pytest.mark.parametrize("thickness_nm", [2e4, 1.25e5])
def test_a_sheet_transmits_half_at_its_half_value(external: bool, thickness_nm: float) -> None:
    foil = urbach_edge(
        constant(1.55), 372.0, thickness_nm, 5.0, external=external, range_nm=(280.0, 800.0)
    )
    k = foil.index(372.0)[0].imag
    tau = np.exp(-4 * np.pi * k * thickness_nm / 372.0)
    surface = (0.55 / 2.55) ** 2
    expected = slab_transmittance(tau, surface) if external else tau
    assert expected == pytest.approx(0.5, rel=1e-9)
    # Through the engine: the same sheet as a layer.
    stack = Stack("air", (Layer("foil", foil, thickness_nm),), "air")
    n, d, coherent = stack.lower([372.0])
    if external:
        through = solve(n, d, [372.0], coherent=coherent).transmittance[0]
        assert through == pytest.approx(0.5, abs=2e-4)  # air is 1.0003
    deep = foil.index(np.array([280.0, 300.0, 377.0])).imag
    assert deep[0] < 0.05
    assert deep[2] / k == pytest.approx(np.exp(-1), rel=0.02)


def test_edges_that_are_none() -> None:
    base = constant(1.5)
    for arguments, message in [
        ((base, 380.0, 0.0, 5.0), "must be positive"),
        ((base, 380.0, 1e4, -5.0), "must be positive"),
        ((base, 900.0, 1e4, 5.0), "must lie in the range"),
        ((base, 380.0, 100.0, 5.0), "not below the saturation"),
    ]:
        with pytest.raises(OptistackError, match=message):
            urbach_edge(*arguments, range_nm=(300.0, 800.0))
    assert urbach_edge(material("adhesive_epoxy"), 370.0, 4e4, 5.0).range_nm[0] == 320.0


def test_an_absorber_in_a_binder_is_the_filter_of_the_same_law() -> None:
    curve, nodes = absorption_bands([(340.0, 16000.0, 40.0), (300.0, 12000.0, 30.0)])
    layer = beer_lambert(constant(1.5), [(curve, 0.03)], nodes_nm=nodes, range_nm=(250.0, 800.0))
    item = absorber_filter("dye", curve, 0.03, 25e3, nodes_nm=nodes)
    lam = np.array([300.0, 340.0, 380.0, 420.0])
    tau = np.exp(-4 * np.pi * layer.index(lam).imag * 25e3 / lam)
    np.testing.assert_allclose(tau, item.given(lam), rtol=1e-9)
    two = beer_lambert(
        constant(1.5 + 1e-4j), [(curve, 0.01), (curve, 0.02)], range_nm=(250.0, 800.0)
    )
    np.testing.assert_allclose(two.index(lam).imag, layer.index(lam).imag + 1e-4, rtol=1e-12)
    assert layer.grade == "C"


def test_absorbers_that_are_none() -> None:
    def curve(lam: Any) -> Any:
        return 1000.0 + 0 * lam

    with pytest.raises(OptistackError, match="state it as an assumption"):
        beer_lambert(material("adhesive_epoxy"), [(curve, 0.1)])
    with pytest.raises(OptistackError, match="not negative"):
        beer_lambert(constant(1.5), [(curve, -0.1)])
    with pytest.raises(OptistackError, match="needs absorbers"):
        beer_lambert(constant(1.5), [])
    with pytest.raises(OptistackError, match="k is negative"):
        beer_lambert(constant(1.5), [(lambda lam: -curve(lam), 0.1)], range_nm=(300.0, 400.0))
    with pytest.raises(OptistackError, match="state range_nm"):
        beer_lambert(constant(1.5), [(curve, 0.1)])


def test_an_edge_model_agrees_with_the_filter_made_into_a_material() -> None:
    """Two ways to the same fact: half of the light inside at 366 nm."""
    glue = material_from_transmittance(constant(1.48), edge_filter("glue", 366.0, 12.0), 40e3)
    model = urbach_edge(constant(1.48), 366.0, 40e3, 5.0, external=False, range_nm=(300.0, 500.0))
    assert glue.index(366.0)[0].imag == pytest.approx(model.index(366.0)[0].imag, rel=1e-6)
