"""Exposures: geometry, energy balance, dose, depth profiles, photocurrent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import tmm
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import optistack as ost
from optistack.errors import OptistackError, RangeError, StackError
from optistack.filters import Filter, edge_filter, measured_filter
from optistack.light_paths import respond
from optistack.materials import Material, constant
from optistack.spectral_math import MA_CM2_PER_FLUX, PHOTON_J_NM, integrate_product
from optistack.stack import FilterStack, Layer, Stack
from optistack.transfer_matrix import solve, solve_isotropic

Real = NDArray[np.float64]
Check = Callable[[str], dict[str, Any]]
Geometry, Holder, Exposure, Mounted = ost.Geometry, ost.Holder, ost.Exposure, ost.MountedFilter

LAM = np.array([320.0, 340.0, 360.0, 400.0])
BAND = (300.0, 400.0)
COUPON = Stack(1.0, (Layer("film", 1.6 + 0.05j, 100.0), Layer("glass", 1.52 + 2e-7j, 1.1e6)), 1.0)
# Something goes through: a thin metal.
CELL = Stack(
    1.0,
    (
        Layer("glass", 1.52 + 1e-7j, 1.1e6),
        Layer("film", 1.6 + 0.05j, 100.0),
        Layer("organic", 1.8 + 0.2j, 150.0),
        Layer("oxide", 1.95 + 0.01j, 40.0),
        Layer("metal", 0.2 + 1.5j, 20.0),
    ),
    1.0,
    name="cell",
)
TRIANGLE = ost.Spectrum("triangle", [300, 340, 400], [0, 0.89, 0], dark_outside=True)


def arrays(stack: Stack) -> tuple[Any, Any, Any]:
    return stack.lower(LAM)


def both_sides(stack: Stack, **options: Any) -> tuple[Any, Any]:
    """The engine's own answers from the front and from behind."""
    n, d, c = arrays(stack)
    return (
        solve(n, d, LAM, coherent=c, **options),
        solve(n[::-1], d[::-1], LAM, coherent=c[::-1], **options),
    )


geometries = st.builds(
    Geometry,
    lit_from=st.sampled_from(["front", "back"]),
    # At 90 degrees exactly nothing enters: light between two perfect mirrors would never leave.
    angle_deg=st.sampled_from([0.0, 30.0, 60.0, 89.0]),
    isotropic_share=st.sampled_from([0.0, 0.3, 1.0]),
    rear_share=st.sampled_from([0.0, 0.2, 1.5]),
    rear_isotropic_share=st.sampled_from([None, 0.0, 0.4, 1.0]),
    holder=st.one_of(
        st.none(),
        st.builds(
            Holder,
            reflectance=st.sampled_from([0.0, 0.5, 1.0]),
            kind=st.sampled_from(["lambertian", "specular"]),
        ),
    ),
)


# --- against other programs and independent sums ------------------------------------------------


def test_worked_coupon_and_device(check: Check) -> None:
    """OPT-055: absorptance of the film in coupon and device, from either side."""
    case = check("OPT-055")
    lam, expected = np.array(case["inputs"]["lam_nm"]), case["expected"]["A_film"]
    glass = Layer("glass", 1.52, 1.1e6)
    film = Layer("film", 1.6 + 0.05j, 100.0)
    coupon = Stack(1.0, (film, glass), 1.0)
    device = Stack(
        1.0,
        (
            glass,
            film,
            Layer("organic", 1.8 + 0.2j, 150.0),
            Layer("oxide", 1.95 + 0.01j, 40.0),
            Layer("metal", 0.2 + 1.5j, 100.0),
        ),
        1.0,
    )
    for stack, key in (
        (coupon, "coupon_film_side"),
        (coupon.flipped(), "coupon_glass_side"),
        (device, "device_glass_side"),
    ):
        response = respond(stack, Geometry(), lam)
        np.testing.assert_allclose(
            response.absorptance[stack.position("film")],
            expected[key],
            rtol=case["tolerance"]["rel"],
        )


@pytest.mark.parametrize("angle", [0.0, 25.0, 65.0])
def test_cell_against_the_independent_package_tmm(angle: float) -> None:
    """S. J. Byrnes, arXiv:1603.02720: the package tmm, incoherent chain, mean of s and p."""
    n, d, c = arrays(CELL)
    response = respond(CELL, Geometry(angle_deg=angle), LAM)
    for w, lam in enumerate(LAM):
        shares = []
        for kind in "sp":
            data = tmm.inc_tmm(
                kind,
                n[:, w].tolist(),
                [np.inf, *d.tolist(), np.inf],
                ["i", *("c" if flag else "i" for flag in c), "i"],
                np.radians(angle),
                lam,
            )
            shares.append(tmm.inc_absorp_in_each_layer(data))
        mean = np.mean(shares, axis=0)
        # tmm lumps what passes the substrate into its last entry, the reflectance into the first.
        got = [response.reflectance[w], *response.absorptance[:, w], response.transmittance[w]]
        np.testing.assert_allclose(got, mean, rtol=1e-7, atol=1e-9)


def test_isotropic_light_is_that_of_the_engine() -> None:
    for stack in (COUPON, CELL, CELL.flipped()):
        n, d, c = arrays(stack)
        reference = solve_isotropic(n, d, LAM, coherent=c, points=64)
        response = respond(stack, Geometry(isotropic_share=1.0), LAM)
        np.testing.assert_allclose(response.absorptance, reference.absorptance, rtol=1e-6)
        np.testing.assert_allclose(response.reflectance, reference.reflectance, rtol=1e-6)


@pytest.mark.parametrize(
    "stack",
    [
        # From a dense medium: total reflection begins at an angle.
        Stack(1.5, (Layer("film", 1.6 + 0.05j, 100.0), Layer("blend", 1.8 + 0.2j, 150.0)), 1.0),
        Stack(1.5, (Layer("thin", 1.3 + 5e-4j, 400.0), Layer("blend", 1.8 + 0.2j, 150.0)), 1.5),
        # Many fringes over the hemisphere.
        Stack(1.0, (Layer("film", 1.6 + 0.002j, 2900.0), Layer("metal", 0.2 + 1.5j, 100.0)), 1.0),
    ],
)
def test_isotropic_light_where_the_response_turns_sharply(stack: Stack) -> None:
    n, d, c = arrays(stack)
    reference = solve_isotropic(n, d, LAM, coherent=c, points=400)
    response = respond(stack, Geometry(isotropic_share=1.0), LAM)
    np.testing.assert_allclose(response.absorptance, reference.absorptance, rtol=1e-4)


def test_isotropic_light_on_coherent_layers_too_thick_to_follow() -> None:
    thick = Stack(1.0, (Layer("foil", 1.5, 5e4, coherent=True),), 1.0)
    respond(thick, Geometry(), LAM)
    with pytest.raises(StackError, match=r"isotropic light meets \d+ fringes.*coherent = false"):
        respond(thick, Geometry(isotropic_share=0.1), LAM)


def test_isotropic_and_directed_light_add_up() -> None:
    parts = [respond(CELL, Geometry(angle_deg=40.0, isotropic_share=s), LAM) for s in (0, 1, 0.3)]
    np.testing.assert_allclose(
        parts[2].absorptance, 0.7 * parts[0].absorptance + 0.3 * parts[1].absorptance, rtol=1e-12
    )


# --- holder, rear, sides ------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["specular", "lambertian"])
def test_a_black_holder_is_none(kind: Any) -> None:
    a = respond(CELL, Geometry(angle_deg=20.0), LAM)
    b = respond(CELL, Geometry(angle_deg=20.0, holder=Holder(0.0, kind)), LAM)
    np.testing.assert_allclose(a.absorptance, b.absorptance, rtol=1e-14)
    np.testing.assert_allclose(a.transmittance, b.transmittance, rtol=1e-14)


def test_a_perfect_mirror_behind_the_sample() -> None:
    """A = A1 + T A2 (1 + R2 + R2^2 + ...): light goes to and fro between sample and mirror."""
    front, back = both_sides(COUPON)
    arriving = front.transmittance * sum(back.reflectance**i for i in range(60))
    expected = front.absorptance + arriving * back.absorptance[::-1]
    response = respond(COUPON, Geometry(holder=Holder(1.0, "specular")), LAM)
    np.testing.assert_allclose(response.absorptance, expected, rtol=1e-12)
    np.testing.assert_allclose(response.transmittance, 0.0, atol=1e-15)
    # The same as layers: an air gap, and a metal of huge k, R = 1 - 4/k^2 at n -> 0.
    behind = Stack(
        1.0, (*COUPON.layers, Layer("gap", 1.0, 1e6, coherent=False)), constant(1e-6 + 1e4j)
    )
    layered = respond(behind, Geometry(), LAM)
    np.testing.assert_allclose(layered.absorptance[:2], response.absorptance, rtol=1e-9)


@pytest.mark.parametrize("rho", [0.3, 0.8, 1.0])
def test_a_white_holder_returns_isotropic_light(rho: float) -> None:
    """Bounce by bounce, with the engine's isotropic answer for what the holder sends back."""
    n, d, c = arrays(COUPON)
    front = solve(n, d, LAM, coherent=c)
    back = solve_isotropic(n[::-1], d[::-1], LAM, coherent=c[::-1], points=64)
    bounces = sum((rho * back.reflectance) ** i for i in range(200))
    sent_back = rho * front.transmittance * bounces
    expected = front.absorptance + sent_back * back.absorptance[::-1]
    response = respond(COUPON, Geometry(holder=Holder(rho, "lambertian")), LAM)
    np.testing.assert_allclose(response.absorptance, expected, rtol=1e-9)
    np.testing.assert_allclose(
        response.reflectance, front.reflectance + sent_back * back.transmittance, rtol=1e-9
    )


def test_a_specular_holder_keeps_direction_and_polarisation() -> None:
    angle, rho = 55.0, 0.7
    expected = np.zeros((2, LAM.size))
    for kind in ("s", "p"):
        front, back = both_sides(COUPON, angle_deg=angle, polarization=kind)
        arriving = rho * front.transmittance / (1 - rho * back.reflectance)
        expected += (front.absorptance + arriving * back.absorptance[::-1]) / 2
    response = respond(COUPON, Geometry(angle_deg=angle, holder=Holder(rho, "specular")), LAM)
    np.testing.assert_allclose(response.absorptance, expected, rtol=1e-12)


@given(geometries.filter(lambda g: not g.uses_rear))
@settings(max_examples=15)
def test_lit_from_behind_is_the_flipped_stack(geometry: ost.Geometry) -> None:
    behind = Exposure("a", CELL, TRIANGLE, replace(geometry, lit_from="back")).run(BAND)
    flipped = Exposure("a", CELL.flipped(), TRIANGLE, replace(geometry, lit_from="front")).run(BAND)
    for name in CELL.names:
        np.testing.assert_array_equal(
            behind.absorbed_photons_m2_s(name, BAND), flipped.absorbed_photons_m2_s(name, BAND)
        )


@pytest.mark.parametrize("holder", [None, Holder(0.6, "lambertian"), Holder(0.6, "specular")])
def test_rear_light_adds_in_proportion(holder: ost.Holder | None) -> None:
    def absorbed(rear: float) -> Real:
        g = Geometry(angle_deg=30.0, rear_share=rear, rear_isotropic_share=0.5, holder=holder)
        return respond(COUPON, g, LAM).absorptance

    none, one, two = absorbed(0.0), absorbed(1.0), absorbed(2.5)
    np.testing.assert_allclose(two - none, 2.5 * (one - none), rtol=1e-12)


def test_rear_light_without_holder_is_light_from_behind() -> None:
    rear = Geometry(angle_deg=30.0, isotropic_share=0.2, rear_share=1.0)
    plain = Geometry(angle_deg=30.0, isotropic_share=0.2)
    both = respond(COUPON, rear, LAM)
    front, back = respond(COUPON, plain, LAM), respond(COUPON.flipped(), plain, LAM)
    np.testing.assert_allclose(
        both.absorptance, front.absorptance + back.absorptance[::-1], rtol=1e-12
    )
    np.testing.assert_allclose(
        both.transmittance, front.transmittance + back.reflectance, rtol=1e-12
    )


def test_no_light_from_the_rear_through_another_half_space() -> None:
    on_glass = Stack("air", (Layer("film", 1.6 + 0.05j, 100.0),), 1.52, name="on glass")
    respond(on_glass, Geometry(holder=Holder(0.0)), LAM)
    for geometry in (Geometry(rear_share=0.1), Geometry(holder=Holder(0.5))):
        with pytest.raises(StackError, match="on glass ends in a half-space of constant"):
            respond(on_glass, geometry, LAM)


# --- energy -------------------------------------------------------------------------------------


@given(
    geometry=geometries,
    cell=st.booleans(),
    mounts=st.lists(
        st.sampled_from(["laminated", "detached_gap", "detached_far", "in_substrate"]), max_size=2
    ),
)
@settings(max_examples=60)
def test_every_photon_is_accounted_for(
    geometry: ost.Geometry, cell: bool, mounts: list[Any]
) -> None:
    items = [edge_filter(f"edge {i}", 350.0 + 10 * i, 20.0) for i in range(len(mounts))]
    result = Exposure(
        "a",
        CELL if cell else COUPON,
        TRIANGLE,
        geometry,
        tuple(Mounted(i, m) for i, m in zip(items, mounts, strict=True)),
    ).run(BAND)
    budget = result.budget(BAND)
    # In an absorbing incoherent layer standing waves at its faces are left out: k/n, 1e-7 here,
    # 2e-5 in a blocking filter 1 mm thick.
    assert sum(budget.values()) == pytest.approx(1.0, abs=1e-9)
    assert min(budget.values()) > -1e-9
    assert list(budget)[-1] == "transmitted"
    assert ("filter at the lamp" in budget) == ("detached_far" in mounts)


def test_grazing_light_brings_nothing() -> None:
    for holder in (None, Holder(1.0, "specular"), Holder(1.0, "lambertian")):
        response = respond(COUPON, Geometry(angle_deg=90.0, holder=holder), LAM)
        np.testing.assert_array_equal(response.absorptance, 0.0)
        np.testing.assert_allclose(response.reflectance, 1.0)


# --- bands, lights, doses -----------------------------------------------------------------------


def test_integral_against_a_fine_sum() -> None:
    """Flux x absorptance on a grid of 0.01 nm, without the quadrature of the package."""
    result = Exposure("a", CELL, TRIANGLE).run(BAND)
    lam = np.linspace(*BAND, 10_001)
    a = respond(CELL, Geometry(), lam).absorptance[1]
    flux = TRIANGLE(lam) * lam / PHOTON_J_NM
    fine = float(np.sum((flux * a)[1:] + (flux * a)[:-1]) / 2 * 0.01)
    # The absorptance is taken as linear within 1 nm.
    assert result.absorbed_photons_m2_s("film", BAND)[0] == pytest.approx(fine, rel=1e-5)


def test_bands_add_up() -> None:
    result = Exposure("a", CELL, TRIANGLE).run(BAND)
    parts = [(300.0, 317.3), (317.3, 360.0), (360.0, 400.0)]
    total = sum(result.absorbed_photons_m2_s("film", b)[0] for b in parts)
    assert total == pytest.approx(result.absorbed_photons_m2_s("film", BAND)[0], rel=1e-13)


@given(factor=st.floats(1e-3, 1e3), hours=st.floats(0.0, 1e5))
@settings(max_examples=20)
def test_light_and_hours_are_linear(factor: float, hours: float) -> None:
    one = Exposure("a", COUPON, TRIANGLE, hours=1.0).run(BAND)
    many = Exposure("a", COUPON, TRIANGLE.times(factor), hours=hours).run(BAND)
    rate, more = (r.absorbed_photons_m2_s("film", BAND) for r in (one, many))
    np.testing.assert_allclose(more, factor * rate, rtol=1e-12)
    np.testing.assert_allclose(many.dose_m2(more), more * hours * 3600.0, rtol=1e-15)
    np.testing.assert_allclose(
        many.absorbed_fraction("film", BAND), one.absorbed_fraction("film", BAND), rtol=1e-12
    )


def test_variants_are_answered_one_by_one() -> None:
    light = ost.spectrum("uva340").at_set_point(340, 0.89)
    together = Exposure("a", COUPON, light).run()
    for i, shape in enumerate((light, *light.variants)):
        alone = Exposure("a", COUPON, replace(shape, variants=())).run()
        for band in (BAND, (280.0, 315.0)):
            assert together.absorbed_photons_m2_s("film", band)[i] == pytest.approx(
                alone.absorbed_photons_m2_s("film", band)[0], rel=1e-12
            )
            assert together.incident_photons_m2_s(band)[i] == shape.photon_flux_m2_s(band)


def test_weighted_photons() -> None:
    result = Exposure("a", CELL, TRIANGLE).run(BAND)
    weight = ost.Weight("w", (310.0, 390.0), slope_nm=15.0)
    lam = np.linspace(310.0, 390.0, 8001)
    a = respond(CELL, Geometry(), lam).absorptance[1]
    product = TRIANGLE(lam) * lam / PHOTON_J_NM * a * np.exp(-(lam - 340.0) / 15.0)
    fine = float(np.sum(product[1:] + product[:-1]) / 2 * 0.01)
    assert result.weighted_photons_m2_s("film", weight)[0] == pytest.approx(fine, rel=1e-5)
    # In a band: only where both are.
    short = result.absorbed_photons_m2_s("film", (300.0, 340.0), weight)
    rest = result.absorbed_photons_m2_s("film", (340.0, 400.0), weight)
    assert short[0] + rest[0] == pytest.approx(fine, rel=1e-5)
    assert result.absorbed_photons_m2_s("film", (390.0, 400.0), weight)[0] == 0.0


def test_weights_of_one_name_are_not_confused() -> None:
    result = Exposure("a", CELL, TRIANGLE).run(BAND)
    steep, gentle = (ost.Weight("w", BAND, slope_nm=s) for s in (10.0, 40.0))
    first = result.weighted_photons_m2_s("film", steep)[0]
    assert result.weighted_photons_m2_s("film", gentle)[0] != pytest.approx(first, rel=0.01)
    assert result.weighted_photons_m2_s("film", steep)[0] == first


def test_band_weights_are_shared_only_where_they_are_the_same() -> None:
    one = Exposure("one", COUPON, TRIANGLE)
    other = replace(one, stack=replace(COUPON, substrate=constant(1.3)))
    known = one.run(BAND)
    weights = known.photon_weights(BAND)
    assert other.run(BAND).sharing(known).photon_weights(BAND) is weights
    brighter = replace(other, light=TRIANGLE.times(2.0)).run(BAND).sharing(known)
    np.testing.assert_allclose(brighter.photon_weights(BAND), 2.0 * weights, rtol=1e-14)
    dimmed = replace(other, filters=(Mounted(grey(0.5), "detached_far"),)).run(BAND).sharing(known)
    assert (dimmed.photon_weights(BAND) < weights)[weights > 0].all()
    shorter = other.run((320.0, 400.0)).sharing(known)
    assert shorter.photon_weights((320.0, 400.0)).shape != weights.shape


def test_narrow_lines_meet_the_absorptance_where_they_are() -> None:
    """A lamp of lines 0.0002 nm wide is a sum over its lines."""
    lines, power = np.array([312.61, 334.15, 365.43]), np.array([1.0, 0.2, 3.0])
    grid = np.ravel([[x - 1e-4, x, x + 1e-4] for x in lines])
    lamp = ost.Spectrum("lines", grid, np.ravel([[0, p, 0] for p in power]), dark_outside=True)
    result = Exposure("a", CELL, lamp).run(BAND)
    between = np.interp(lines, result.wavelength_nm, result.response.absorptance[1])
    expected = float(np.sum(1e-4 * power * lines / PHOTON_J_NM * between))
    assert result.absorbed_photons_m2_s("film", BAND)[0] == pytest.approx(expected, rel=1e-9)


def test_a_band_without_light() -> None:
    result = Exposure("a", COUPON, TRIANGLE).run(BAND)
    assert result.absorbed_photons_m2_s("film", (400.0, 700.0))[0] == 0.0
    assert np.isnan(result.absorbed_fraction("film", (400.0, 700.0))[0])
    assert result.budget((400.0, 700.0)) == {}


# --- depth --------------------------------------------------------------------------------------

X, W = np.polynomial.legendre.leggauss(24)


@pytest.mark.parametrize(
    "geometry",
    [
        Geometry(),
        Geometry(lit_from="back", angle_deg=50.0),
        Geometry(angle_deg=20.0, isotropic_share=0.3, rear_share=0.2, holder=Holder(0.5)),
        Geometry(rear_share=0.7, rear_isotropic_share=1.0, holder=Holder(0.9, "specular")),
    ],
)
def test_depth_profile_integrates_to_what_is_absorbed(geometry: ost.Geometry) -> None:
    result = Exposure("a", CELL, TRIANGLE, geometry).run(BAND)
    for name in ("film", "organic", "metal"):
        thickness = CELL.layers[CELL.position(name)].thickness_nm
        profile = result.depth_profile(name, thickness * (X + 1) / 2, BAND)
        assert float(profile @ W) / 2 * thickness * 1e-9 == pytest.approx(
            result.absorbed_photons_m2_s(name, BAND)[0], rel=1e-9
        )
        near, far = result.first_nanometre(name, BAND)
        edges = result.depth_profile(name, [0.5, thickness - 0.5], BAND)
        np.testing.assert_allclose([near, far], edges, rtol=1e-3)


def test_depth_counts_from_the_lit_side() -> None:
    dark = Stack(1.0, (Layer("film", 1.6 + 0.3j, 400.0),), 1.0)
    for side in ("front", "back"):
        result = Exposure("a", dark, TRIANGLE, Geometry(lit_from=side)).run(BAND)  # type: ignore[arg-type]
        near, far = result.first_nanometre("film", BAND)
        assert near > 20 * far


def test_depth_of_light_from_the_rear() -> None:
    """Rear light alone, as a difference, is the profile of the turned stack, counted from its back."""
    depth = np.array([3.0, 20.0, 55.0, 99.0])
    once, twice = (
        Exposure("a", CELL, TRIANGLE, Geometry(angle_deg=20.0, rear_share=share)).run(BAND)
        for share in (1.0, 2.0)
    )
    rear = twice.depth_profile("film", depth, BAND) - once.depth_profile("film", depth, BAND)
    turned = Exposure("a", CELL, TRIANGLE, Geometry("back", angle_deg=20.0)).run(BAND)
    expected = turned.depth_profile("film", 100.0 - depth, BAND)
    assert expected.max() > 1.2 * expected.min()
    np.testing.assert_allclose(rear, expected, rtol=1e-9)


def test_layers_thinner_than_a_nanometre_and_of_nothing() -> None:
    thin = Stack(1.0, (Layer("film", 1.6 + 0.3j, 0.4), Layer("glass", 1.52, 1e6)), 1.0)
    result = Exposure("a", thin, TRIANGLE).run(BAND)
    near, far = result.first_nanometre("film", BAND)
    assert near == pytest.approx(far, rel=1e-3)
    assert near * 0.4e-9 == pytest.approx(result.absorbed_photons_m2_s("film", BAND)[0], rel=1e-3)
    nothing = Exposure("a", thin.with_layer("film", thickness_nm=0.0), TRIANGLE).run(BAND)
    assert nothing.absorbed_photons_m2_s("film", BAND)[0] == 0.0
    bare = Exposure("a", Stack(1.0, thin.layers[1:], 1.0), TRIANGLE).run(BAND)
    np.testing.assert_allclose(nothing.response.transmittance, bare.response.transmittance)


# --- filters ------------------------------------------------------------------------------------


def grey(tau: float, name: str = "grey", **options: Any) -> Filter:
    return measured_filter(name, [200.0, 1000.0], [tau, tau], "internal", **options)


def absorbed(*filters: ost.MountedFilter, geometry: ost.Geometry = Geometry()) -> float:  # noqa: B008
    result = Exposure("a", CELL, TRIANGLE, geometry, filters).run(BAND)
    return float(result.absorbed_photons_m2_s("film", BAND)[0])


def test_a_clear_filter_changes_nothing() -> None:
    clear = measured_filter("clear", [200.0, 1000.0], [1.0, 1.0], "external", coated=True)
    assert absorbed(Mounted(clear, "detached_far")) == pytest.approx(absorbed(), rel=1e-14)
    assert absorbed(Mounted(grey(1.0), "in_substrate")) == absorbed()
    # Joined with the index of the glass it adds a pane without surfaces.
    matched = grey(1.0, index=constant(1.52))
    assert absorbed(Mounted(matched, "laminated")) == pytest.approx(absorbed(), rel=1e-6)


def test_filters_at_the_lamp_multiply() -> None:
    a, b = (
        Mounted(edge_filter(n, h, 20.0), "detached_far") for n, h in (("a", 340.0), ("b", 360.0))
    )
    grid = np.unique(np.concatenate([a.item.nodes_nm, b.item.nodes_nm]))  # type: ignore[union-attr]
    product = Filter(
        "product",
        lambda lam: a.item.external(lam) * b.item.external(lam),  # type: ignore[union-attr]
        "external",
        coated=True,
        nodes_nm=grid,
    )
    together = absorbed(a, b)
    assert together == pytest.approx(absorbed(b, a), rel=1e-14)
    assert together == pytest.approx(absorbed(Mounted(product, "detached_far")), rel=1e-12)
    assert together < min(absorbed(a), absorbed(b))


def test_a_grey_filter_takes_its_share_in_every_mount() -> None:
    """The film behind a grey pane: tau once, corrected for the surfaces of the mount."""
    tau = 0.3
    inside = absorbed(Mounted(grey(tau), "in_substrate"))
    far = absorbed(Mounted(grey(tau, index=constant(1.5)), "detached_far"))
    # One pass, up to light that returns twice through it: R^2 of a few per cent.
    assert inside / absorbed() == pytest.approx(tau, rel=0.02)
    assert far / absorbed() == pytest.approx(0.96**2 * tau / (1 - (0.04 * tau) ** 2), rel=1e-12)
    assert absorbed(Mounted(grey(tau), "detached_gap")) == pytest.approx(far, rel=0.03)


def test_an_edge_narrower_than_the_grid_is_followed() -> None:
    """Edge 0.3 nm wide between two whole nanometres, against a sum in steps of 0.002 nm."""
    edge = Mounted(edge_filter("steep", 350.2, 0.3), "in_substrate")
    stack = CELL.mounted(edge.item, "in_substrate")
    lam = np.linspace(345.0, 355.0, 5001)
    product = TRIANGLE(lam) * lam / PHOTON_J_NM * respond(stack, Geometry(), lam).absorptance[1]
    fine = float(np.sum(product[1:] + product[:-1]) / 2 * 0.002)
    result = Exposure("a", CELL, TRIANGLE, filters=(edge,)).run(BAND)
    got = result.absorbed_photons_m2_s("film", (345.0, 355.0))[0]
    # A grid of 1 nm alone would be wrong by 0.3 nm of the 4.8 nm that are open: 6 %.
    assert got == pytest.approx(fine, rel=2e-3)


def test_order_of_filters_is_the_order_of_the_light() -> None:
    result = Exposure(
        "a",
        CELL,
        TRIANGLE,
        filters=(
            Mounted(grey(0.9, "first"), "detached_gap"),
            Mounted(grey(0.8, "second"), "laminated"),
        ),
    )
    assert result.built[0].names[:3] == ("filter first", "air gap behind first", "filter second")
    assert result.filter_name == "first + second"
    back = replace(result, geometry=Geometry(lit_from="back"))
    assert back.built[0].names[:4] == (
        "filter first",
        "air gap behind first",
        "filter second",
        "metal",
    )


def test_cases_of_the_stray_light_floor() -> None:
    item = measured_filter(
        "f", [200.0, 1000.0], [5e-4, 5e-4], "external", stray_light_floor=1e-3, coated=True
    )
    exposure = Exposure("a", CELL, TRIANGLE, filters=(Mounted(item, "detached_far"),))
    low, value, high = (
        exposure.in_case(c).run(BAND).absorbed_photons_m2_s("film", BAND)[0]  # type: ignore[arg-type]
        for c in ("low", "value", "high")
    )
    assert low == 0.0
    assert high == pytest.approx(2 * value, rel=1e-12)
    assert high == pytest.approx(1e-3 * absorbed(), rel=1e-12)


def test_a_far_filter_is_refused_by_its_name() -> None:
    short = measured_filter("foil", [320.0, 1000.0], [0.5, 0.5], "external")
    with pytest.raises(RangeError, match="filter foil: needed 300-400 nm, available 320-1000 nm"):
        absorbed(Mounted(short, "detached_far"))
    layers = FilterStack("mirror", (Layer("high", 2.4, 40.0),))
    with pytest.raises(
        StackError, match="filter mirror is given by its layers; mount it laminated"
    ):
        absorbed(Mounted(layers, "detached_far"))


def test_far_filters_in_slanting_light_are_noted() -> None:
    far = (Mounted(edge_filter("edge", 350.0, 20.0), "detached_far"),)
    for geometry, noted in (
        (Geometry(), False),
        (Geometry(angle_deg=30.0), True),
        (Geometry(isotropic_share=0.1), True),
    ):
        notes = Exposure("a", CELL, TRIANGLE, geometry, far).run(BAND).notes()
        assert any("crossed at normal incidence" in n for n in notes) == noted


# --- ranges, extensions, grades -----------------------------------------------------------------


def short_film(**options: Any) -> Material:
    """k known from 330 nm on only."""
    values: dict[str, Any] = {
        "name": "short",
        "n_model": lambda lam: np.full(lam.shape, 1.6),
        "k_model": lambda lam: np.full(lam.shape, 0.05),
        "n_range_nm": (330.0, 800.0),
        "k_range_nm": (330.0, 800.0),
        **options,
    }
    return Material(**values)


def test_share_from_outside_a_table() -> None:
    """Counted wavelength by wavelength on a fine grid; the optical grid blurs 1 nm at the limit."""
    stack = CELL.with_layer("film", material=short_film(below="hold"))
    result = Exposure("a", stack, TRIANGLE).run(BAND)
    lam = np.linspace(300.0, 400.0, 10_001)
    product = TRIANGLE(lam) * lam * respond(stack, Geometry(), lam).absorptance[1]
    expected = product[lam < 330.0].sum() / product.sum()
    shares = result.extension_shares("film", BAND)
    assert shares == {"short": pytest.approx(expected, abs=0.01)}
    (note,) = (n for n in result.notes("film", BAND) if "short" in n)
    assert "n and k held at their end values below 330 nm, as the scenario asks" in note
    assert f"{100 * shares['short']:.2g} % of what film absorbs in 300-400 nm" in note
    zero = CELL.with_layer("film", material=short_film(below="zero_k"))
    result = Exposure("a", zero, TRIANGLE).run(BAND)
    assert result.extension_shares("film", BAND) == {"short": 0.0}
    assert any("k taken as 0 below 330 nm" in n for n in result.notes())


def test_a_table_that_does_not_reach_is_refused() -> None:
    stack = CELL.with_layer("film", material=short_film())
    with pytest.raises(RangeError, match="material short: n: needed 300-400 nm, available 330-800"):
        Exposure("a", stack, TRIANGLE).run(BAND)
    # Only the wavelengths with light are needed.
    assert Exposure("a", CELL, TRIANGLE).needed_range([(200.0, 350.0)]) == (300.0, 350.0)
    with pytest.raises(RangeError, match="exposure a: light triangle has no light in the bands"):
        Exposure("a", CELL, TRIANGLE).needed_range([(400.0, 700.0)])
    result = Exposure("a", CELL, TRIANGLE).run((320.0, 360.0))
    with pytest.raises(RangeError, match="exposure a: needed 300-400 nm, available 320-360 nm"):
        result.absorbed_photons_m2_s("film", BAND)


def test_the_light_must_reach_over_the_band() -> None:
    measured = ost.Spectrum("m", [310, 340, 400], [0.1, 0.5, 0.3])
    with pytest.raises(RangeError, match="spectrum m: needed 300-400 nm"):
        Exposure("a", CELL, measured).needed_range([BAND])


def test_grades_of_what_carries_the_answer() -> None:
    graded = {
        name: Material(
            **{**CELL.layers[CELL.position(name)].material.__dict__, "grade": g, "name": name}
        )
        for name, g in (("film", "A"), ("organic", "D"), ("metal", "B"), ("glass", "A"))
    }
    stack = CELL
    for name, m in graded.items():
        stack = stack.with_layer(name, material=m)
    stack = stack.with_layer("oxide", thickness_nm=0.0)
    light = replace(TRIANGLE, grade="A")
    result = Exposure("a", stack, light).run(BAND)
    budget = result.budget(BAND)
    carried = result.carrying_tables("film", BAND)
    assert ("light triangle", "A", 1.0) in carried
    assert ("material film", "A", 1.0) in carried
    assert {n for n, _, _ in carried if n.startswith("material")} == {
        f"material {n}" for n, share in budget.items() if share > 0.05 and n in graded
    } | {"material film"}
    assert budget["organic"] > 0.05
    assert result.worst_grade("film", BAND) == "D"
    clear = stack.with_layer("organic", material=graded["organic"].transparent())
    assert Exposure("a", clear, light).run(BAND).worst_grade("film", BAND) < "D"


# --- refusals of values -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: Holder(1.1), "holder reflectance 1.1"),
        (lambda: Holder(-0.1), "holder reflectance -0.1"),
        (lambda: Holder(np.nan), "holder reflectance nan"),
        (lambda: Holder(0.5, "shiny"), "holder kind"),
        (lambda: Geometry(lit_from="top"), "lit_from must be"),
        (lambda: Geometry(angle_deg=91.0), "angle_deg 91.0"),
        (lambda: Geometry(angle_deg=np.nan), "angle_deg nan"),
        (lambda: Geometry(isotropic_share=1.5), "isotropic_share 1.5"),
        (lambda: Geometry(rear_isotropic_share=-0.5), "rear_isotropic_share -0.5"),
        (lambda: Geometry(rear_share=-0.5), "rear_share -0.5"),
        (lambda: Geometry(rear_share=np.inf), "rear_share inf"),
        (lambda: Exposure("a", COUPON, TRIANGLE, hours=-1.0), "hours -1.0 must not be negative"),
        (lambda: Exposure("a", COUPON, TRIANGLE, hours=np.nan), "hours nan"),
        (
            lambda: Exposure("a", COUPON, ost.spectrum("uva340")),
            "exposure a: light uva340 is relative; give it a set point",
        ),
        (lambda: ost.Collection((), (300.0, 400.0)), "at least one active layer"),
        (lambda: ost.Collection(("a",), (400.0, 300.0)), "400-300 nm is not a range"),
        (lambda: ost.Collection(("a",), (300.0, 400.0), 1.5), "collection efficiency 1.5"),
    ],
)
def test_impossible_exposures(make: Callable[[], Any], text: str) -> None:
    with pytest.raises(OptistackError, match=text):
        make()


# --- photocurrent -------------------------------------------------------------------------------

EQE_LAM, EQE = np.array([310.0, 325.0, 350.0, 400.0]), np.array([0.1, 0.25, 0.4, 0.35])
ACTIVE = ("film", "organic")


def efficiency(lam: Any = EQE_LAM, values: Any = EQE, **options: Any) -> ost.QuantumEfficiency:
    return ost.QuantumEfficiency("eqe", lam, values, **{"stack": CELL, **options})


def current(collection: ost.Collection, *filters: ost.MountedFilter, stack: Stack = CELL) -> Any:
    return ost.photocurrent(Exposure("a", stack, TRIANGLE, filters=filters).run(BAND), collection)


def test_photocurrent_from_absorptance() -> None:
    got = current(ost.Collection(ACTIVE, BAND, 0.8))
    result = Exposure("a", CELL, TRIANGLE).run(BAND)
    photons = sum(result.absorbed_photons_m2_s(n, BAND)[0] for n in ACTIVE)
    assert got.value.value == pytest.approx(0.8 * photons * MA_CM2_PER_FLUX, rel=1e-12)
    assert not got.value.has_range


def test_an_unfiltered_device_has_flux_times_efficiency() -> None:
    """The front reflection is in the measured efficiency already, and is not counted again."""
    got = current(ost.Collection(ACTIVE, (310.0, 400.0), eqe=efficiency()))
    exact = integrate_product(
        310.0,
        400.0,
        [TRIANGLE.wavelength_nm, EQE_LAM],
        [TRIANGLE, lambda lam: lam / PHOTON_J_NM, lambda lam: np.interp(lam, EQE_LAM, EQE)],
    )
    assert got.central[0] == pytest.approx(exact * MA_CM2_PER_FLUX, rel=1e-12)
    assert got.low[0] == got.high[0] == got.central[0]


@pytest.mark.parametrize("mount", ["laminated", "detached_gap", "detached_far", "in_substrate"])
def test_a_filter_scales_the_efficiency_by_the_ratio_of_absorptances(mount: Any) -> None:
    item = edge_filter("edge", 350.0, 20.0, index=constant(1.5))
    got = current(ost.Collection(ACTIVE, (310.0, 400.0), eqe=efficiency()), Mounted(item, mount))
    lam = np.linspace(310.0, 400.0, 9001)
    bare = respond(CELL, Geometry(), lam)
    stack, through = CELL, np.ones(lam.size)
    if mount == "detached_far":
        through = item.external(lam)
    else:
        stack = CELL.mounted(item, mount)
    behind = respond(stack, Geometry(), lam)
    ratio = (
        through
        * sum(behind.absorptance[stack.position(n)] for n in ACTIVE)
        / sum(bare.absorptance[CELL.position(n)] for n in ACTIVE)
    )
    product = TRIANGLE(lam) * lam / PHOTON_J_NM * np.interp(lam, EQE_LAM, EQE) * ratio
    fine = float(np.sum(product[1:] + product[:-1]) / 2 * 0.01) * MA_CM2_PER_FLUX
    assert got.central[0] == pytest.approx(fine, rel=2e-5)


def test_below_the_first_measured_wavelength_there_is_a_range() -> None:
    got = current(ost.Collection(ACTIVE, BAND, eqe=efficiency()))
    measured = current(ost.Collection(ACTIVE, (310.0, 400.0), eqe=efficiency())).central[0]
    result = Exposure("a", CELL, TRIANGLE).run(BAND)
    unknown = sum(result.absorbed_photons_m2_s(n, (300.0, 310.0))[0] for n in ACTIVE)
    unknown *= MA_CM2_PER_FLUX
    assert got.low[0] == pytest.approx(measured, rel=1e-12)
    assert got.high[0] == pytest.approx(measured + unknown, rel=1e-12)
    at_first = respond(CELL, Geometry(), [310.0])
    share = 0.1 / sum(at_first.absorptance[CELL.position(n), 0] for n in ACTIVE)
    assert got.central[0] == pytest.approx(measured + share * unknown, rel=1e-9)
    (note,) = got.notes
    assert "not measured below 310 nm, where collection from 0 to 1 means 0 to" in note
    assert f"{unknown:.3g} mA/cm2" in note


def test_nothing_is_counted_above_the_last_measured_wavelength() -> None:
    short = efficiency([310.0, 325.0, 350.0], EQE[:3])
    got = current(ost.Collection(ACTIVE, (310.0, 400.0), eqe=short))
    assert got.central[0] == pytest.approx(
        current(ost.Collection(ACTIVE, (310.0, 350.0), eqe=short)).central[0], rel=1e-12
    )
    assert "nothing is counted above 350 nm" in got.notes[0]


def test_where_the_active_layers_hardly_absorb_nothing_is_counted() -> None:
    weak = replace(
        CELL, layers=(*CELL.layers[:1], Layer("film", 1.6 + 1e-6j, 10.0), *CELL.layers[3:])
    )
    got = current(
        ost.Collection(("film",), (310.0, 400.0), eqe=efficiency(values=EQE * 0, stack=weak)),
        stack=weak,
    )
    assert got.central[0] == 0.0
    assert "absorb below 0.001 without filter, nothing is counted" in got.notes[0]


def test_more_electrons_than_photons_is_a_doubt() -> None:
    got = current(ost.Collection(ACTIVE, (310.0, 400.0), eqe=efficiency(values=[0.9] * 4)))
    assert "above the computed absorptance of the active layers" in got.notes[0]


def test_efficiency_measured_from_the_other_side() -> None:
    """The ratio refers to the side of the measurement: at equal absorptances there is no change."""
    back = efficiency(lit_from="back")
    result = Exposure("a", CELL, TRIANGLE, Geometry(lit_from="back")).run(BAND)
    got = ost.photocurrent(result, ost.Collection(ACTIVE, (310.0, 400.0), eqe=back))
    unfiltered = current(ost.Collection(ACTIVE, (310.0, 400.0), eqe=efficiency()))
    assert got.central[0] == pytest.approx(unfiltered.central[0], rel=1e-12)


def test_photocurrent_refusals() -> None:
    with pytest.raises(StackError, match="stack cell has no layer 'ink'"):
        current(ost.Collection(("ink",), BAND))
    result = Exposure("a", CELL, TRIANGLE).run((320.0, 400.0))
    with pytest.raises(RangeError, match="needed 300-400 nm, available 320-400 nm"):
        ost.photocurrent(result, ost.Collection(ACTIVE, BAND))
    for values, text in (
        ([10.0, 25.0, 40.0, 35.0], "Are these percent"),
        ([np.nan] * 4, "must be finite"),
        ([0.1], "as many values"),
    ):
        with pytest.raises(OptistackError, match=text):
            efficiency(values=values)


# --- output -------------------------------------------------------------------------------------


def test_frame_html_and_plot() -> None:
    import matplotlib.pyplot as plt

    result = Exposure("a", COUPON, TRIANGLE, hours=2.0).run()
    frame = result.to_frame()
    row = frame[(frame.layer == "film") & (frame.band_nm == "300-400")].iloc[0]
    rate = result.absorbed_photons_m2_s("film", BAND)[0]
    assert row.absorbed_photons_m2_s == rate
    assert row.absorbed_photon_dose_m2 == pytest.approx(rate * 7200.0)
    assert "400-700" not in set(frame.band_nm)  # no light there
    assert "film" in result._repr_html_()
    ax = result.plot()
    assert [line.get_label() for line in ax.lines] == ["film", "glass"]
    assert ax.get_xlabel() == "wavelength (nm)"
    plt.close(ax.figure)
