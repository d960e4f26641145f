"""What must hold for every stack of plane layers (Hypothesis looks for one where it does not)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from optistack.transfer_matrix import Polarization, Response, depth_profile, solve

# No deadline: the time of one example depends on what else the machine does.
LOOK = settings(max_examples=150, deadline=None)

# Absorption: none, weak or strong.
EXTINCTION = st.one_of(st.just(0.0), st.floats(-9, 0.7).map(lambda x: 10.0**x))
INDEX = st.builds(complex, st.floats(0.1, 4.0), EXTINCTION)
REAL_INDEX = st.floats(0.3, 4.0).map(complex)
THICKNESS = st.one_of(st.just(0.0), st.floats(0.1, 400.0))
THICK = st.floats(1e4, 1e6)
ANGLE = st.one_of(st.just(0.0), st.just(90.0), st.floats(0.0, 89.5))
WAVELENGTH = st.floats(200.0, 1500.0)
POLARIZATION: st.SearchStrategy[Polarization] = st.sampled_from(["s", "p"])


@dataclass(frozen=True)
class Case:
    n: tuple[complex, ...]
    d: tuple[float, ...]
    coherent: tuple[bool, ...]
    wavelength: float
    angle: float
    polarization: Polarization

    def solve(self) -> Response:
        return solve(
            self.n,
            self.d,
            [self.wavelength],
            angle_deg=self.angle,
            polarization=self.polarization,
            coherent=list(self.coherent) if self.coherent else None,
        )

    def with_layers(
        self, at: int, n: list[complex], d: list[float], coherent: list[bool], instead: int = 0
    ) -> Case:
        """Put layers before inner layer ``at``, in the place of the next ``instead`` layers."""
        return replace(
            self,
            n=(*self.n[: at + 1], *n, *self.n[at + 1 + instead :]),
            d=(*self.d[:at], *d, *self.d[at + instead :]),
            coherent=(*self.coherent[:at], *coherent, *self.coherent[at + instead :]),
        )


@st.composite
def stacks(
    draw: st.DrawFn,
    *,
    mixed: bool = True,
    index: st.SearchStrategy[complex] = INDEX,
    surroundings: st.SearchStrategy[complex] = INDEX,
    smallest: int = 0,
) -> Case:
    n: list[complex] = [draw(REAL_INDEX)]
    d, coherent = [], []
    for _ in range(draw(st.integers(smallest, 6))):
        if mixed and draw(st.integers(0, 3)) == 0:
            # An incoherent layer is a pane: k as weak as light that comes back asks for.
            n.append(complex(draw(st.floats(1.0, 2.5)), draw(st.floats(0, 1e-4))))
            d.append(draw(THICK))
            coherent.append(False)
        else:
            n.append(draw(index))
            d.append(draw(THICKNESS))
            coherent.append(True)
    n.append(draw(surroundings))
    return Case(
        tuple(n), tuple(d), tuple(coherent), draw(WAVELENGTH), draw(ANGLE), draw(POLARIZATION)
    )


def assert_same(a: Response, b: Response, tolerance: float = 1e-10) -> None:
    np.testing.assert_allclose(a.reflectance, b.reflectance, rtol=0, atol=tolerance)
    np.testing.assert_allclose(a.transmittance, b.transmittance, rtol=0, atol=tolerance)


@LOOK
@given(stacks())
def test_power_balance(case: Case) -> None:
    r = case.solve()
    total = r.reflectance + r.transmittance + r.absorptance.sum(0)
    np.testing.assert_allclose(total, 1, rtol=0, atol=1e-10)
    np.testing.assert_allclose(r.power_entering, 1 - r.reflectance, rtol=0, atol=1e-12)
    assert 0 <= r.reflectance[0] <= 1 + 1e-12
    assert 0 <= r.transmittance[0] <= 1 + 1e-12
    assert (r.absorptance[list(case.coherent)] >= -1e-14).all()
    for layer, index in enumerate(case.n[1:-1]):
        if index.imag == 0 and case.coherent[layer]:
            assert r.absorptance[layer, 0] == 0


@LOOK
@given(stacks(surroundings=INDEX), INDEX)
def test_power_balance_in_an_absorbing_ambient(case: Case, ambient: complex) -> None:
    case = replace(case, n=(ambient, *case.n[1:]))
    r = case.solve()
    entering = r.transmittance + r.absorptance.sum(0)
    # In a strong absorber the incident and the reflected wave together can carry many times the
    # incident power.
    scale = max(1.0, float(r.power_entering[0]), float(r.reflectance[0]))
    np.testing.assert_allclose(r.power_entering, entering, rtol=0, atol=1e-10 * scale)


@LOOK
@given(stacks(smallest=1), st.data())
def test_splitting_a_layer_changes_nothing(case: Case, data: st.DataObject) -> None:
    layer = data.draw(st.integers(0, len(case.d) - 1))
    share = data.draw(st.floats(0.0, 1.0))
    d, flag = case.d[layer], case.coherent[layer]
    index = case.n[layer + 1]
    split = case.with_layers(
        layer, [index] * 2, [d * share, d * (1 - share)], [flag] * 2, instead=1
    )
    whole, halves = case.solve(), split.solve()
    assert_same(whole, halves)
    merged = np.concatenate(
        [
            halves.absorptance[:layer],
            halves.absorptance[layer : layer + 2].sum(0, keepdims=True),
            halves.absorptance[layer + 2 :],
        ]
    )
    np.testing.assert_allclose(merged, whole.absorptance, rtol=0, atol=1e-10)


@LOOK
@given(stacks(), INDEX, st.data())
def test_layer_of_no_thickness_is_not_there(
    case: Case, index: complex, data: st.DataObject
) -> None:
    layer = data.draw(st.integers(0, len(case.d)))
    more = case.with_layers(layer, [index], [0.0], [True]).solve()
    assert_same(case.solve(), more)
    np.testing.assert_allclose(more.absorptance[layer], 0, rtol=0, atol=1e-14)


def reversed_case(case: Case) -> Case | None:
    """The same light path from the other side, if it reaches the other side at all."""
    sine = case.n[0].real * np.sin(np.radians(case.angle)) / case.n[-1].real
    if sine >= 0.999:
        return None
    return replace(
        case,
        n=case.n[::-1],
        d=case.d[::-1],
        coherent=case.coherent[::-1],
        angle=float(np.degrees(np.arcsin(sine))),
    )


@LOOK
@given(stacks(surroundings=REAL_INDEX))
def test_transmittance_is_the_same_from_both_sides(case: Case) -> None:
    back = reversed_case(case)
    if back is None or case.angle == 90:
        return
    a, b = case.solve(), back.solve()
    # Both go through an arc sine: relative accuracy of the cosine 1e-16 / cos^2.
    np.testing.assert_allclose(a.transmittance, b.transmittance, rtol=1e-9, atol=1e-10)


@LOOK
@given(stacks(index=REAL_INDEX, mixed=False, surroundings=REAL_INDEX))
def test_lossless_stack_reflects_the_same_from_both_sides(case: Case) -> None:
    back = reversed_case(case)
    if back is None or case.angle == 90:
        return
    assert_same(case.solve(), back.solve())


@LOOK
@given(stacks(), st.floats(0.1, 10.0))
def test_wavelength_and_thickness_scale_together(case: Case, factor: float) -> None:
    scaled = replace(case, d=tuple(x * factor for x in case.d), wavelength=case.wavelength * factor)
    a, b = case.solve(), scaled.solve()
    assert_same(a, b)
    np.testing.assert_allclose(a.absorptance, b.absorptance, rtol=0, atol=1e-10)


@LOOK
@given(stacks(mixed=False), st.floats(1.0, 2.5), THICK, st.data())
def test_incoherent_layer_is_the_mean_over_its_fringes(
    case: Case, index: float, thick: float, data: st.DataObject
) -> None:
    """A transparent layer that light crosses, put anywhere into a coherent stack."""
    layer = data.draw(st.integers(0, len(case.d)))
    q2 = index**2 - (case.n[0].real * np.sin(np.radians(case.angle))) ** 2
    # Light that runs along the layer or hardly leaves it has too sharp fringes for the quadrature.
    if q2 < 0.1:
        return
    mixed = case.with_layers(layer, [complex(index)], [thick], [False])
    between = solve_faces(mixed, layer)
    if between > 0.9:
        return
    points = 320  # fringes of order m fade like 0.9^m: 0.9^320 = 1e-15
    thickness = np.tile(np.array(mixed.d), (points, 1))
    thickness[:, layer] += np.arange(points) / points * case.wavelength / (2 * np.sqrt(q2))
    options: dict[str, Any] = {"angle_deg": case.angle, "polarization": case.polarization}
    coherent = solve(mixed.n, thickness, [case.wavelength], **options)
    average = mixed.solve()
    np.testing.assert_allclose(average.reflectance[0], coherent.reflectance.mean(), atol=1e-9)
    np.testing.assert_allclose(average.transmittance[0], coherent.transmittance.mean(), atol=1e-9)
    mean = coherent.absorptance.mean(0)
    np.testing.assert_allclose(average.absorptance, mean, rtol=0, atol=1e-9)


def solve_faces(case: Case, layer: int) -> float:
    """Amplitude that is left after one round trip in a transparent layer."""
    sine = case.n[0].real * np.sin(np.radians(case.angle)) / case.n[layer + 1].real
    angle = float(np.degrees(np.arcsin(sine)))
    down = replace(
        case,
        n=case.n[layer + 1 :],
        d=case.d[layer + 1 :],
        coherent=case.coherent[layer + 1 :],
        angle=angle,
    )
    up = replace(
        case,
        n=case.n[layer + 1 :: -1],
        d=case.d[:layer][::-1],
        coherent=case.coherent[:layer][::-1],
        angle=angle,
    )
    return float(np.sqrt(down.solve().reflectance[0] * up.solve().reflectance[0]))


GAUSS_X, GAUSS_W = np.polynomial.legendre.leggauss(64)


@settings(LOOK, max_examples=80)
@given(stacks(smallest=1), st.data())
def test_profile_integrates_to_absorptance(case: Case, data: st.DataObject) -> None:
    layer = data.draw(st.integers(0, len(case.d) - 1))
    d = case.d[layer]
    if not case.coherent[layer]:
        return
    profile = depth_profile(
        case.n,
        case.d,
        [case.wavelength],
        layer,
        (GAUSS_X + 1) / 2 * d,
        angle_deg=case.angle,
        polarization=case.polarization,
        coherent=list(case.coherent),
    )
    assert (profile >= 0).all()
    total = (GAUSS_W / 2 * d) @ profile
    # 64 points resolve fringes and decay (up to 40 penetration depths) to 1e-8.
    np.testing.assert_allclose(total, case.solve().absorptance[layer], rtol=1e-7, atol=1e-14)
