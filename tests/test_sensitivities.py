"""Sensitivities and scans of an exposure against the exposure itself, computed again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import optistack as ost
from optistack import light_paths
from optistack.collection import Collection, QuantumEfficiency, photocurrent
from optistack.errors import OptistackError, RangeError, StackError
from optistack.exposure import ExposureResult
from optistack.filters import edge_filter
from optistack.light_paths import respond
from optistack.scans import thickness_scan
from optistack.sensitivity import (
    photocurrent_sensitivities,
    ratio_sensitivities,
    sensitivities,
)
from optistack.stack import Layer, Stack

Geometry, Holder, Exposure, Mounted = ost.Geometry, ost.Holder, ost.Exposure, ost.MountedFilter
BAND = (300.0, 400.0)
CELL = Stack(
    1.0,
    (
        Layer("glass", 1.52 + 1e-7j, 1.1e6),
        Layer("oxide", 1.95 + 0.01j, 40.0),
        Layer("film", 1.6 + 0.05j, 60.0),
        Layer("metal", 0.2 + 1.5j, 20.0),
    ),
    1.0,
    name="cell",
)
GEOMETRIES = {
    "front": Geometry(),
    "back, oblique": Geometry(lit_from="back", angle_deg=50.0),
    "isotropic": Geometry(isotropic_share=0.4),
    "rear light": Geometry(rear_share=0.5, rear_isotropic_share=1.0),
    "specular holder": Geometry(angle_deg=40.0, rear_share=0.1, holder=Holder(0.7, "specular")),
    "lambertian holder": Geometry(angle_deg=20.0, rear_share=0.2, holder=Holder(0.8)),
}
SUN = ost.spectrum("am15g")
FILTER = edge_filter("edge", 350.0, 20.0)


def exposure(name: str, stack: Stack = CELL, **more: Any) -> Exposure:
    return Exposure(name, stack, SUN, GEOMETRIES[name], hours=100.0, **more)


def again(result: ExposureResult, stack: Stack) -> ExposureResult:
    """Another stack at the same wavelengths."""
    response = respond(stack, result.exposure.geometry, result.wavelength_nm)
    return ExposureResult(result.exposure, response, result.far)


def changed(stack: Stack, layer: str, what: str, x: float) -> Stack:
    """A relative change of the thickness or of k, or a shift of n."""
    item = stack.layers[stack.position(layer)]
    if what == "thickness":
        return stack.with_layer(layer, thickness_nm=item.thickness_nm * (1 + x))
    n = complex(item.material.index(np.array([350.0]))[0])
    n = n + x if what == "n" else n.real + 1j * n.imag * (1 + x)
    return stack.with_layer(layer, material=n)


def slope(f: Any, step: float) -> float:
    logs = [np.log(f(x)) for x in (-2 * step, -step, step, 2 * step)]
    return float((logs[0] - 8 * logs[1] + 8 * logs[2] - logs[3]) / (12 * step))


@pytest.mark.parametrize("name", GEOMETRIES)
def test_slopes_of_a_dose(name: str) -> None:
    result = exposure(name).run(BAND)
    found = sensitivities(result, "film", BAND)
    assert found.value == pytest.approx(result.absorbed_photons_m2_s("film", BAND)[0])
    for i, layer in enumerate(result.stack.names):
        for what, mine in (
            ("thickness", found.by_relative_thickness[i]),
            ("n", found.by_n_shift[i]),
            ("k", found.by_k_scale[i]),
        ):

            def f(x: float, layer: str = layer, what: str = what) -> float:
                other = again(result, changed(result.stack, layer, what, x))
                return float(other.absorbed_photons_m2_s("film", BAND)[0])

            assert mine == pytest.approx(slope(f, 1e-3), rel=1e-6, abs=1e-8), (layer, what)


def test_slopes_with_a_weight_a_tilt_and_per_volume() -> None:
    result = exposure("lambertian holder").run(BAND)
    weight = ost.weight_family()[1]
    found = sensitivities(result, "film", weight=replace(weight, band_nm=BAND))
    whole = sensitivities(result, "film", weight=replace(weight, band_nm=BAND), per_volume=True)
    expected = found.by_relative_thickness - (np.array(found.layers) == "film")
    np.testing.assert_allclose(whole.by_relative_thickness, expected, rtol=1e-12, atol=1e-15)
    lam = result.wavelength_nm

    def tilted(t: float) -> float:
        k = 0.05 * np.exp(t * (lam - 340.0) / 40.0)
        response = result.response
        stack = response.stack.with_layer("film", material=table(lam, 1.6, k))
        other = again(result, stack)
        return float(other.weighted_photons_m2_s("film", replace(weight, band_nm=BAND))[0])

    at = found.position("film")
    assert found.by_k_tilt[at] == pytest.approx(slope(tilted, 1e-3), rel=1e-6)


def table(lam: Any, n: float, k: Any) -> ost.Material:
    def model(values: Any) -> Any:
        return lambda x: np.interp(x, lam, values)

    base = ost.material(1.6 + 0.05j)
    return replace(base, n_model=model(np.full(lam.size, n)), k_model=model(k))


def test_what_is_dissolved_keeps_its_amount() -> None:
    mounted = (Mounted(FILTER, "in_substrate", "glass"), Mounted(FILTER, "detached_far"))
    result = exposure("front", filters=mounted).run(BAND)
    found = sensitivities(result, "film", BAND)

    def f(x: float) -> float:
        other = again(result, changed(result.stack, "glass", "thickness", x))
        return float(other.absorbed_photons_m2_s("film", BAND)[0])

    at = found.position("glass")
    assert found.by_relative_thickness[at] == pytest.approx(slope(f, 1e-3), rel=1e-6)


def test_slopes_of_a_photocurrent() -> None:
    eqe = QuantumEfficiency("measured", [330.0, 360.0, 400.0], [0.1, 0.2, 0.3], CELL)
    for collection in (
        Collection(("film",), BAND, 0.8),
        Collection(("film", "oxide"), BAND, eqe=eqe),
    ):
        result = exposure("front").run(BAND)
        found = photocurrent_sensitivities(result, collection)
        assert found.value == pytest.approx(photocurrent(result, collection).central[0])

        def f(x: float, collection: Collection = collection, result: Any = result) -> float:
            other = again(result, changed(result.stack, "metal", "n", x))
            return float(photocurrent(other, collection).central[0])

        at = found.position("metal")
        assert found.by_n_shift[at] == pytest.approx(slope(f, 1e-3), rel=1e-6)


def test_slopes_of_a_ratio() -> None:
    coupon = Stack(1.0, (Layer("film", 1.6 + 0.05j, 60.0), Layer("glass", 1.52, 1e6)), 1.0)
    sides = [
        sensitivities(Exposure(x.name, x, SUN).run(BAND), "film", BAND) for x in (coupon, CELL)
    ]
    both = ratio_sensitivities(*sides)
    assert both.value == pytest.approx(sides[1].value / sides[0].value)
    assert both.layers[0] == "film (coupon)" and both.layers[-1] == "metal (device)"
    np.testing.assert_allclose(both.by_n_shift[:2], -sides[0].by_n_shift)
    np.testing.assert_allclose(both.by_k_scale[2:], sides[1].by_k_scale)
    frame = both.to_frame()
    assert list(frame["layer"]) == list(both.layers)
    assert len(both.plot().patches) == 3 * len(both.layers)


def test_what_sensitivities_refuse() -> None:
    result = exposure("front").run(BAND)
    with pytest.raises(OptistackError, match="need a band or a spectral weight"):
        sensitivities(result, "film")
    with pytest.raises(StackError, match="has no layer 'paint'"):
        sensitivities(result, "paint", BAND)
    clear = exposure("front", CELL.with_layer("film", material=1.6)).run(BAND)
    with pytest.raises(OptistackError, match="nothing is absorbed"):
        sensitivities(clear, "film", BAND)
    with pytest.raises(OptistackError, match="no layer 'paint'"):
        sensitivities(result, "film", BAND).position("paint")
    with pytest.raises(ValueError, match="read-only"):
        sensitivities(result, "film", BAND).by_n[0] = 0.0


@pytest.mark.parametrize("layer", ["glass", "oxide", "film", "metal"])
@pytest.mark.parametrize("name", GEOMETRIES)
def test_a_scan_is_the_exposure_at_every_thickness(name: str, layer: str) -> None:
    asked = exposure(name, filters=(Mounted(FILTER, "detached_far"),))
    base = CELL.layers[CELL.position(layer)].thickness_nm
    values = base * np.array([0.5, 1.0, 1.7])
    scan = thickness_scan(asked, layer, values, range_nm=BAND)
    assert scan.of == scan.result.stack.names
    for i, d in enumerate(values):
        stack = scan.result.stack.with_layer(layer, thickness_nm=float(d))
        alone = again(scan.result, stack)
        np.testing.assert_allclose(
            scan.absorptance[i], alone.response.absorptance, rtol=1e-10, atol=1e-13
        )
        mine = scan.dose_m2("film", BAND)[i]
        expected = alone.dose_m2(alone.absorbed_photons_m2_s("film", BAND))
        np.testing.assert_allclose(mine, expected, rtol=1e-10)
    assert scan.ratio("film", BAND)[1, 0] == pytest.approx(1.0, rel=1e-10)


def test_a_scan_with_something_dissolved_in_the_layer() -> None:
    asked = exposure("front", filters=(Mounted(FILTER, "in_substrate", "glass"),))
    scan = thickness_scan(asked, "glass", [5e5, 2e6], of=["film"], range_nm=BAND)
    for i, d in enumerate(scan.thickness_nm):
        alone = again(scan.result, scan.result.stack.with_layer("glass", thickness_nm=float(d)))
        expected = alone.response.absorptance[alone.stack.position("film")]
        np.testing.assert_allclose(scan.absorptance[i, 0], expected, rtol=1e-10)


def test_photocurrents_and_tables_of_a_scan() -> None:
    collection = Collection(("film",), BAND)
    scan = thickness_scan(exposure("front"), "oxide", [0.0, 40.0], of=["film"], range_nm=BAND)
    currents = scan.photocurrents(collection)
    base = photocurrent(scan.result, collection).central[0]
    assert currents[1].central[0] == pytest.approx(base, rel=1e-10)
    assert currents[0].central[0] != pytest.approx(base, rel=1e-4)
    frame = scan.to_frame([BAND])
    assert list(frame["thickness_nm"]) == [0.0, 40.0]
    assert frame["absorbed_photon_dose_m2"][1] == pytest.approx(
        frame["absorbed_photons_m2_s"][1] * 3.6e5
    )
    assert len(scan.plot(band_nm=BAND).lines) == 1


def test_what_a_scan_refuses() -> None:
    with pytest.raises(StackError, match="coherent in part and incoherent in part"):
        thickness_scan(exposure("front"), "film", [10.0, 5000.0], range_nm=BAND)
    with pytest.raises(StackError, match="finite and not negative"):
        thickness_scan(exposure("front"), "film", [-1.0], range_nm=BAND)
    with pytest.raises(StackError, match="must be"):
        thickness_scan(exposure("front"), "film", [], range_nm=BAND)
    scan = thickness_scan(exposure("front"), "film", [10.0], of=["film"], range_nm=BAND)
    with pytest.raises(StackError, match=r"name it in of="):
        scan.dose_m2("metal", BAND)


# --- reuse of what was solved -------------------------------------------------------------------


def test_another_light_other_hours_other_filters_solve_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    glass = Mounted(edge_filter("mounted", 320.0, 10.0), "laminated")
    asked = exposure("front", filters=(Mounted(FILTER, "detached_far"), glass))
    result = asked.run((290.0, 500.0))
    result.photon_weights(BAND)

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("the stack was solved again")

    lamp = ost.spectrum("uva340").at_set_point(340.0, 0.9)
    other = edge_filter("other", 380.0, 15.0)
    expected = [
        replace(asked, light=lamp).run((290.0, 500.0)),
        replace(asked, hours=7.0).run((290.0, 500.0)),
        asked.with_filters((Mounted(other, "detached_far"), glass)).run((290.0, 500.0)),
        asked.with_filters((glass,)).run((290.0, 500.0)),
    ]
    monkeypatch.setattr(light_paths, "solve", never)
    mine = [
        result.with_light(lamp),
        result.with_hours(7.0),
        result.with_far_filters([other]),
        result.with_far_filters([]),
    ]
    for a, b in zip(mine, expected, strict=True):
        rates = [r.absorbed_photons_m2_s("film", BAND) for r in (a, b)]
        np.testing.assert_allclose(rates[0], rates[1], rtol=1e-12)
        assert a.dose_m2(1.0) == b.dose_m2(1.0)
        assert a.budget(BAND) == pytest.approx(b.budget(BAND))
        assert a.exposure.filter_name == b.exposure.filter_name
    with pytest.raises(OptistackError, match="is relative"):
        result.with_light(ost.gaussian(340.0, 10.0))
    narrow = ost.measured_filter("narrow", [300.0, 350.0], [0.5, 0.5], "external")
    with pytest.raises(RangeError, match="narrow"):
        result.with_far_filters([narrow])
