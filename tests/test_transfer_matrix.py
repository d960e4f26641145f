"""The engine against worked values, 50-digit arithmetic, and its own contract.

Worked values come from ``shared/reference/checks.json``; each entry carries its source. What is
computed here with many digits follows M. Born, E. Wolf, Principles of Optics, ch. 1.6
(characteristic matrix), with nothing scaled and nothing approximated.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mpmath
import numpy as np
import pytest
import tmm
from numpy.typing import NDArray
from scipy.constants import c, epsilon_0, mu_0
from scipy.optimize import brentq
from scipy.special import exp1

from optistack import compiled_kernel
from optistack.errors import OptistackError, StackError
from optistack.transfer_matrix import (
    Polarization,
    Response,
    depth_profile,
    depth_profile_isotropic,
    solve,
    solve_isotropic,
)

REFERENCE = Path(__file__).resolve().parent.parent / "shared" / "reference"
CHECKS: dict[str, Any] = {
    check["id"]: check
    for check in json.loads((REFERENCE / "checks.json").read_text(encoding="utf-8"))
}

# Vacuum impedance [ohm]; CODATA 2018 through scipy.
Z0 = mu_0 * c

ENGINES = ["numpy", *(["compiled"] if compiled_kernel.available() else [])]
POLARIZATIONS: tuple[Polarization, ...] = ("s", "p")
KINDS: tuple[Polarization, ...] = ("s", "p", "mean")


# --- 50-digit reference -----------------------------------------------------------------------


class Exact:
    """One stack at one wavelength, angle and polarisation, by the characteristic matrix."""

    def __init__(
        self,
        n: Any,
        d: Any,
        wavelength: float,
        angle: float = 0.0,
        polarization: str = "s",
        digits: int = 50,
    ):
        mpmath.mp.dps = digits
        self.n = [mpmath.mpmathify(complex(x)) for x in n]
        self.d = [mpmath.mpf(x) for x in d]
        self.k0 = 2 * mpmath.pi / mpmath.mpf(wavelength)
        self.kx = self.n[0].real * mpmath.sin(mpmath.radians(mpmath.mpf(angle)))
        self.p = polarization == "p"
        self.q = []
        for index in self.n:
            root = mpmath.sqrt(index**2 - self.kx**2)
            self.q.append(-root if root.imag < 0 else root)
        fields = [(mpmath.mpf(1), self.eta(-1))]
        for j in range(len(self.d), 0, -1):
            fields.insert(0, self.step(j, self.d[j - 1], fields[0]))
        e, h = fields[0]
        incident = (e + h / self.eta(0)) / 2
        self.fields = fields
        self.r = (e - h / self.eta(0)) / 2 / incident
        self.incident_power = mpmath.re(self.eta(0)) * abs(incident) ** 2
        flux = [mpmath.re(e * mpmath.conj(h)) / self.incident_power for e, h in fields]
        self.reflectance = abs(self.r) ** 2
        self.transmittance = flux[-1]
        self.power_entering = flux[0]
        self.absorptance = [a - b for a, b in zip(flux[:-1], flux[1:], strict=True)]

    def eta(self, j: int) -> Any:
        return self.n[j] ** 2 / self.q[j] if self.p else self.q[j]

    def step(self, j: int, height: Any, below: tuple[Any, Any]) -> tuple[Any, Any]:
        """Tangential E and H a height [nm] above a plane in layer j; regular at q = 0."""
        phase = self.q[j] * self.k0 * height
        sine_over_q = self.k0 * height * mpmath.sinc(phase)
        if self.p:
            e_h, h_e = sine_over_q * self.q[j] ** 2 / self.n[j] ** 2, sine_over_q * self.n[j] ** 2
        else:
            e_h, h_e = sine_over_q, sine_over_q * self.q[j] ** 2
        e, h = below
        cosine = mpmath.cos(phase)
        return cosine * e - 1j * e_h * h, cosine * h - 1j * h_e * e

    def local(self, layer: int, depth: float) -> Any:
        """Absorbed fraction per nm: k0 Im(n^2) |E|^2 over the incident power."""
        j = layer + 1
        e, h = self.step(j, self.d[layer] - mpmath.mpf(depth), self.fields[j])
        square = abs(e) ** 2
        if self.p:
            square += abs(self.kx * h / self.n[j] ** 2) ** 2
        return self.k0 * mpmath.im(self.n[j] ** 2) * square / self.incident_power


def thickness_averaged(
    n: Any, d: Any, wavelength: float, angle: float, polarization: str, layer: int
) -> tuple[Any, Any, list[Any]]:
    """R, T and A of coherent stacks, averaged over the fringes of one layer.

    A triangular window two fringes wide: it removes the fringes also from an absorptance that
    grows with the thickness, which a window of one fringe does not.
    """
    first = Exact(n, d, wavelength, angle, polarization)
    fringe = mpmath.pi / (first.k0 * first.q[layer + 1].real)
    points = 48  # fringes of order m fade like |r1 r2|^m: below 1e-12 of the first
    sums: list[Any] = [mpmath.mpf(0)] * (2 + len(d))
    for m in range(-points + 1, points):
        varied = [mpmath.mpf(x) for x in d]
        varied[layer] += fringe * m / points
        stack = Exact(n, varied, wavelength, angle, polarization)
        weight = mpmath.mpf(points - abs(m)) / points**2
        values = [stack.reflectance, stack.transmittance, *stack.absorptance]
        sums = [a + weight * b for a, b in zip(sums, values, strict=True)]
    return sums[0], sums[1], sums[2:]


def relative(value: float, exact: Any) -> float:
    return float(abs(mpmath.mpf(float(value)) / exact - 1))


# --- worked values ----------------------------------------------------------------------------


def number(value: Any) -> complex:
    """A number of the reference file, {"re", "im"} for a complex one."""
    return complex(value["re"], value["im"]) if isinstance(value, dict) else complex(value)


def case(check_id: str) -> tuple[dict[str, Any], dict[str, Any], Callable[[Any], Any]]:
    """Inputs, expected values, and an approximation with the tolerance of the entry."""
    check = CHECKS[check_id]

    def near(value: Any) -> Any:
        # Printed with 12 digits: a relative tolerance needs no absolute one, and the other way
        # round.
        tolerance = check["tolerance"]
        return pytest.approx(value, abs=tolerance.get("abs", 0), rel=tolerance.get("rel", 0))

    return check["inputs"], check["expected"], near


def one(response: Response) -> tuple[float, float, list[float]]:
    """R, T and A of a response for a single wavelength."""
    absorptance = [float(a) for a in response.absorptance[:, 0]]
    return float(response.reflectance[0]), float(response.transmittance[0]), absorptance


def test_every_optics_entry_is_used() -> None:
    source = Path(__file__).read_text(encoding="utf-8")
    ids = [key for key in CHECKS if key.startswith("OPT-")]
    assert len(ids) == 28
    assert [key for key in ids if f'"{key}"' not in source] == []


def test_opt_001_glass_surface() -> None:
    given, expected, near = case("OPT-001")
    r, t, _ = one(solve([given["n0"], given["n1"]], [], [500.0]))
    assert r == near(expected["R"])
    assert t == near(expected["T"])


def test_opt_002_bulk_metal() -> None:
    given, expected, near = case("OPT-002")
    r, t, _ = one(solve([given["n0"], number(given["n1"])], [], [500.0]))
    assert r == near(expected["R"])
    assert r + t == pytest.approx(1, abs=1e-14)


@pytest.mark.parametrize("check_id", ["OPT-003", "OPT-004", "OPT-006"])
def test_fresnel_oblique(check_id: str) -> None:
    given, expected, near = case(check_id)
    kinds: dict[Polarization, str] = {"s": "Rs", "p": "Rp", "mean": "R_unpol"}
    for polarization, key in kinds.items():
        response = solve(
            [given["n0"], given["n1"]],
            [],
            [500.0],
            angle_deg=given["theta_deg"],
            polarization=polarization,
        )
        assert float(response.reflectance[0]) == near(expected[key])


def test_opt_008_total_reflection() -> None:
    given, expected, near = case("OPT-008")
    n = [given["n0"], given["n1"]]
    phase = {}
    for polarization in POLARIZATIONS:
        response = solve(n, [], [500.0], angle_deg=given["theta_deg"], polarization=polarization)
        assert response.reflectance[0] == near(expected[f"R{polarization}"])
        assert response.transmittance[0] == 0
        assert response.reflection_amplitude is not None
        phase[polarization] = abs(np.degrees(np.angle(response.reflection_amplitude[0])))
    assert phase["s"] == near(expected["abs_phase_s_deg"])
    # Tangential E: the p phase of a text that defines r_p along the ray is 180 degrees away.
    assert 180 - phase["p"] == near(expected["abs_phase_p_deg"])
    limit = expected["theta_c_deg"]
    below, above = solve(n, [], [500.0], angle_deg=[limit - 1e-6, limit + 1e-6]).transmittance
    assert below[0] > 1e-5
    assert above[0] == 0


@pytest.mark.parametrize("check_id", ["OPT-011", "OPT-012"])
def test_quarter_wave_coating(check_id: str) -> None:
    given, expected, near = case(check_id)
    film = given["n"][1]
    r, _, _ = one(solve(given["n"], [550 / 4 / film], [550 * given["lam_over_lam0"]]))
    assert r == near(expected["R"])


def test_opt_014_ideal_coating() -> None:
    given, expected, near = case("OPT-014")
    response = solve(given["n"], [550 / 4 / given["n"][1]], given["lam_nm"])
    assert list(response.reflectance) == [near(r) for r in expected["R"]]


def test_opt_016_quarter_wave_mirrors() -> None:
    given, expected, near = case("OPT-016")
    high, low = given["nH"], given["nL"]
    for key, reflectance in expected.items():
        count = int(key.split("_")[0])
        films = [high if j % 2 == 0 else low for j in range(count)]
        r, _, _ = one(solve([1, *films, given["ns"]], [500 / 4 / n for n in films], [500.0]))
        assert r == near(reflectance)


def test_opt_018_edges_of_the_stop_band() -> None:
    given, expected, near = case("OPT-018")
    high, low = given["nH"], given["nL"]

    def half_trace_squared_minus_one(g: float) -> float:
        """Of one symmetric period, low/2 | high | low/2: waves decay in the stack where > 0.

        For a lossless symmetric period the transmission amplitude t is a quarter turn from the
        reflection amplitude r, and the half trace is Re(1/t): both follow from R, T and the phase
        of r.
        """
        response = solve(
            [low, low, high, low, low],
            [1 / 8 / low, 1 / 4 / high, 1 / 8 / low],
            [1 / g],
            polarization="s",
        )
        assert response.reflection_amplitude is not None
        r = complex(response.reflection_amplitude[0])
        t_squared = float(response.transmittance[0])
        return r.imag**2 / (abs(r) ** 2 * t_squared) - 1

    edges = [
        brentq(half_trace_squared_minus_one, a, b, xtol=1e-13)
        for a, b in ((0.75, 0.95), (1.05, 1.25))
    ]
    assert half_trace_squared_minus_one(1.0) > 0
    assert edges == [near(g) for g in expected["g_edges"]]
    assert (edges[1] - edges[0]) / 2 == near(expected["delta_g"])


def test_opt_019_mirror_pair() -> None:
    given, expected, near = case("OPT-019")
    # A lossless slab whose surfaces have the asked reflectance.
    root = given["mirror_R"] ** 0.5
    index = (1 + root) / (1 - root)
    assert one(solve([1, index], [], [500.0]))[0] == pytest.approx(given["mirror_R"], abs=1e-14)

    def transmittance(phase: float) -> float:
        thickness = (1000 + phase / np.pi) * 500 / (2 * index)
        return one(solve([1, index, 1], [thickness], [500.0]))[1]

    lowest = transmittance(np.pi / 2)
    assert lowest == near(expected["T_min"])
    assert transmittance(0) / lowest == near(expected["contrast"])
    assert 1 / lowest - 1 == near(expected["F"])
    # T = 1/(1 + F sin^2 phase) is one half where sin(phase) = 1/sqrt(F) = pi/(2 finesse).
    half = brentq(lambda phase: transmittance(phase) - 0.5, 0.01, 0.5, xtol=1e-14)
    assert np.pi / (2 * np.sin(half)) == near(expected["finesse"])


def test_opt_020_fringes_of_a_slab() -> None:
    given, expected, near = case("OPT-020")
    n = [1, given["n"], 1]
    fringe = 500 / (2 * given["n"])
    thickness = fringe * np.arange(10, 11, 1 / 32)[:, None]
    response = solve(n, thickness, [500.0])
    assert response.transmittance.min() == near(expected["T_coherent_min"])
    assert response.transmittance.max() == near(expected["T_coherent_max"])
    assert response.transmittance.mean() == near(expected["T_phase_averaged"])
    assert response.reflectance.mean() == near(expected["R_phase_averaged"])


def test_opt_021_pane() -> None:
    given, expected, near = case("OPT-021")
    r, t, a = one(solve([1, given["n"], 1], [1e6], [500.0], coherent=[False]))
    assert (r, t, a[0]) == (near(expected["R"]), near(expected["T"]), near(expected["A"]))


def test_opt_022_absorbing_pane() -> None:
    given, expected, near = case("OPT-022")
    # The entry takes the surfaces as lossless: k is made small by a large thickness.
    thickness = 1e10
    k = given["alpha_d"] * 500 / (4 * np.pi * thickness)
    r, t, a = one(solve([1, given["n"] + 1j * k, 1], [thickness], [500.0], coherent=[False]))
    assert (r, t, a[0]) == (near(expected["R"]), near(expected["T"]), near(expected["A"]))


def test_opt_026_coupon_from_the_glass_side() -> None:
    given, expected, near = case("OPT-026")
    r, t, a = one(
        solve(
            [1, given["glass"], number(given["film"]), 1],
            [given["glass_incoherent_mm"] * 1e6, given["d_film_nm"]],
            [given["lam_nm"]],
            angle_deg=given["theta_deg"],
            coherent=[False, True],
        )
    )
    assert (r, t, a[1]) == (near(expected["R"]), near(expected["T"]), near(expected["A_film"]))
    assert a[0] == 0


def test_opt_029_thin_metal() -> None:
    given, expected, near = case("OPT-029")
    r, t, a = one(solve([number(n) for n in given["n"]], [given["d_nm"]], [given["lam_nm"]]))
    assert (r, t, a[0]) == (near(expected["R"]), near(expected["T"]), near(expected["A"]))


def test_opt_031_opaque_metal() -> None:
    given, expected, near = case("OPT-031")
    thickness = np.array(given["d_nm"], dtype=float)[:, None]
    response = solve([number(n) for n in given["n"]], thickness, [given["lam_nm"]])
    assert list(response.reflectance[:, 0]) == [near(expected["R_bulk"])] * 2
    # exp(-2 k0 k d) is 1e-67 at 2000 nm and below the smallest number at 20000 nm.
    assert expected["T_is_zero_and_finite"]
    assert 0 < response.transmittance[0, 0] < 1e-60
    assert response.transmittance[1, 0] == 0
    assert response.absorptance[:, 0, 0] == pytest.approx(1 - expected["R_bulk"], abs=1e-9)


@pytest.mark.parametrize("check_id", ["OPT-034", "OPT-036"])
def test_profile_in_one_film(check_id: str) -> None:
    given, expected, near = case(check_id)
    n = [given["n0"], number(given["film"]), given["n2"]]
    profile = depth_profile(n, [given["d_nm"]], [given["lam_nm"]], 0, given["z_nm"])
    assert profile.shape == (5, 1)
    assert list(profile[:, 0]) == [near(a) for a in expected["absorbed_fraction_per_nm"]]
    r, _, a = one(solve(n, [given["d_nm"]], [given["lam_nm"]]))
    assert a[0] == near(expected["A_film"])
    assert r == near(expected["R"])


def sheet(ohm_sq: float, wavelength: float = 1e4, thickness: float = 1e-8) -> complex:
    """Index of a film so thin that only its sheet resistance counts.

    sigma = 1/(ohm_sq thickness) and n^2 = 1 + i sigma/(epsilon_0 omega), the 1 left out. The
    film's thickness counts in the order k0 d Z0/ohm_sq, 1e-10 here.
    """
    omega = 2 * np.pi * c / (wavelength * 1e-9)
    sigma = 1 / (ohm_sq * thickness * 1e-9)
    return complex(np.sqrt(1j * sigma / (epsilon_0 * omega)))


def sheet_response(ohm_sq: float, angle: float = 0.0, polarization: Any = "s") -> Response:
    return solve([1, sheet(ohm_sq), 1], [1e-8], [1e4], angle_deg=angle, polarization=polarization)


def test_opt_040_conducting_sheet() -> None:
    given, expected, near = case("OPT-040")
    results = [one(sheet_response(ohm)) for ohm in given["sheet_ohm_sq"]]
    assert [r for r, _, _ in results] == [near(r) for r in expected["R"]]
    assert [t for _, t, _ in results] == [near(t) for t in expected["T"]]
    assert [a[0] for _, _, a in results] == [near(a) for a in expected["A"]]
    best = best_sheet_ohm(0.0, "s")
    assert best == pytest.approx(expected["Rs_at_max_ohm"], rel=1e-8)
    assert one(sheet_response(best))[2][0] == near(expected["A_max"])


def best_sheet_ohm(angle: float, polarization: str) -> float:
    """Sheet resistance of largest absorptance: A is even in its logarithm around there."""

    def slope(ohm: float) -> float:
        a, b = (one(sheet_response(ohm * f, angle, polarization))[2][0] for f in (0.5, 2.0))
        return a - b

    return float(brentq(slope, 50.0, 1000.0, xtol=1e-10))


def test_opt_043_conducting_sheet_oblique() -> None:
    given, expected, near = case("OPT-043")
    ohm, angle = given["sheet_ohm_sq"], given["theta_deg"]
    for polarization in POLARIZATIONS:
        a = one(sheet_response(ohm, angle, polarization))[2][0]
        assert a == near(expected[f"A_{polarization}_at_Z0/2"])
        # The root of a difference: its rounding is magnified ten times.
        best = best_sheet_ohm(angle, polarization)
        assert best == pytest.approx(expected[f"Rs_opt_{polarization}"], rel=1e-8)


def test_salisbury_screen_absorbs_everything() -> None:
    """A sheet of the vacuum impedance a quarter wave before a mirror.

    W. W. Salisbury, US patent 2599944 (1952), from memory; follows from the transmission line: the
    shorted quarter wave is an open circuit, the sheet alone ends the line with its own impedance.
    """
    mirror = 1e-9 + 1e9j  # r = -1 to 1e-9
    response = solve([1, sheet(Z0), 1, mirror], [1e-8, 2500.0], [1e4])
    assert response.reflectance[0] < 1e-15
    assert response.absorptance[0, 0] == pytest.approx(1, abs=1e-8)
    half_wave = solve([1, sheet(Z0), 1, mirror], [1e-8, 5000.0], [1e4])
    assert half_wave.absorptance[0, 0] < 1e-9


@pytest.mark.parametrize("check_id", ["OPT-046", "OPT-047"])
def test_diffuse_reflectance(check_id: str) -> None:
    given, expected, near = case(check_id)
    outside = solve_isotropic([1, given["n"]], [], [500.0])
    inside = solve_isotropic([given["n"], 1], [], [500.0])
    assert outside.reflectance[0] == near(expected["R_external"])
    assert inside.reflectance[0] == near(expected["R_internal"])


def expint3(x: float) -> float:
    """Exponential integral E3 by its recurrence (NIST DLMF 8.19.12)."""
    return float((np.exp(-x) - x * (np.exp(-x) - x * exp1(x))) / 2)


def test_opt_050_diffuse_beer_lambert() -> None:
    given, expected, near = case("OPT-050")
    # k -> 0 at a fixed optical depth, so that the surfaces do not reflect; at grazing angles they
    # do where cos^2 < k, hence so small a k.
    thickness = 1e16
    for depth in given["optical_depth"]:
        k = depth * 500 / (4 * np.pi * thickness)
        response = solve_isotropic(
            [1, 1 + 1j * k, 1], [thickness], [500.0], coherent=[False], points=200
        )
        assert response.absorptance[0, 0] == near(expected["A"][f"tau={depth:g}"])
        assert response.absorptance[0, 0] == near(1 - 2 * expint3(depth))


def test_opt_051_light_trapping_limit() -> None:
    """The limit concerns a scattering surface, which the engine does not know.

    Its two ingredients are the engine's: per pass, diffuse light in a weak absorber loses twice
    what perpendicular light does; and of diffuse light inside, the fraction 1/n^2 of what the
    surface lets in escapes. The balance of both over a round trip gives the limit.
    """
    given, expected, near = case("OPT-051")
    n, alpha_d = given["n"], given["alpha_d"]
    thickness, depth = 1e16, 1e-13
    k = depth * 500 / (4 * np.pi * thickness)
    matched = solve_isotropic(
        [n, n + 1j * k, n], [thickness], [500.0], coherent=[False], points=400
    )
    per_pass = matched.absorptance[0, 0] / depth
    assert per_pass == pytest.approx(2, rel=1e-10)  # 1 - 2 E3(x) = 2 x - O(x^2 log x)
    escape = (
        solve_isotropic([n, 1], [], [500.0], points=64).transmittance[0]
        / solve_isotropic([1, n], [], [500.0], points=64).transmittance[0]
    )
    assert escape == pytest.approx(1 / n**2, rel=1e-10)
    lost = 2 * per_pass * alpha_d
    assert lost / (lost + escape) == near(expected["A_lambertian_light_trapping"])


def test_opt_053_adjacent_fringes() -> None:
    given, expected, near = case("OPT-053")
    n, thickness = given["n"], expected["thickness_nm"]

    def amplitude(wavelength: float) -> float:
        """Passes through zero where T is largest: there the film reflects nothing."""
        r = solve([1, n, 1], [thickness], [wavelength], polarization="s").reflection_amplitude
        assert r is not None
        return float(r[0].imag)

    maxima = [brentq(amplitude, at - 5, at + 5, xtol=1e-11) for at in given["adjacent_maxima_nm"]]
    assert maxima == pytest.approx(given["adjacent_maxima_nm"], rel=1e-11)
    response = solve([1, n, 1], [thickness], maxima)
    assert response.transmittance == pytest.approx(1, abs=1e-14)
    long, short = maxima
    assert long * short / (2 * n * (long - short)) == near(thickness)
    between = solve([1, n, 1], [thickness], np.linspace(short, long, 1001)).transmittance
    assert (np.diff(np.sign(np.diff(between))) < 0).sum() == 0  # no maximum between the two


def test_opt_055_coupon_and_device() -> None:
    given, expected, near = case("OPT-055")
    film, organic, oxide, metal = (number(given[k]) for k in ("film", "organic", "oxide", "metal"))
    lam, d = given["lam_nm"], given["d_film_nm"]
    glass, pane = 1.52, 1.1e6
    stacks = {
        "coupon_film_side": solve([1, film, glass, 1], [d, pane], lam, coherent=[True, False]),
        "coupon_glass_side": solve([1, glass, film, 1], [pane, d], lam, coherent=[False, True]),
        "device_glass_side": solve(
            [1, glass, film, organic, oxide, metal, 1],
            [pane, d, 150, 40, 100],
            lam,
            coherent=[False, True, True, True, True],
        ),
        # Without surfaces: the same optical depth in an index-matched layer of vanishing k.
        "beer_lambert": solve([1, 1 + 1e-10j * film.imag, 1], [d * 1e10], lam, coherent=[False]),
    }
    row = {"coupon_film_side": 0, "coupon_glass_side": 1, "device_glass_side": 1, "beer_lambert": 0}
    # The triangle of the entry, times the wavelength: photons.
    weight = np.interp(lam, [300, 340, 400], [0, 1, 0]) * np.array(lam)
    mean = {}
    for name, response in stacks.items():
        absorptance = response.absorptance[row[name]]
        assert list(absorptance) == [near(a) for a in expected["A_film"][name]]
        mean[name] = float((weight * absorptance).sum() / weight.sum())
        assert mean[name] == near(expected["photon_weighted"][name])
    for side in ("film_side", "glass_side"):
        ratio = mean["device_glass_side"] / mean[f"coupon_{side}"]
        assert ratio == near(expected[f"dose_ratio_device_over_coupon_{side}"])


# --- numerical traps --------------------------------------------------------------------------


def test_many_opaque_layers() -> None:
    """1000 metal layers, each opaque: the light sees the first only."""
    metals = np.tile([0.05 + 3.3j, 0.9 + 6.7j], 500)
    n = [1, *metals, 1.5]
    for polarization in POLARIZATIONS:
        response = solve(n, [500.0] * 1000, [546.0], angle_deg=40.0, polarization=polarization)
        bulk = Exact([1, metals[0]], [], 546.0, 40.0, polarization)
        assert response.reflectance[0] == pytest.approx(float(bulk.reflectance), abs=1e-15)
        assert response.transmittance[0] == 0
        assert response.absorptance[0, 0] == pytest.approx(1 - float(bulk.reflectance), rel=1e-12)
        assert np.isfinite(response.absorptance).all()
        assert response.absorptance[100:].max() == 0


@pytest.mark.parametrize("thickness", [1e3, 1e6, 1e9])
def test_opaque_metal_before_absorbers(thickness: float) -> None:
    n = [1, 1.8 + 0.2j, 0.2 + 1.5j, 1.8 + 0.2j, 1.5]
    response = solve(n, [100.0, thickness, 100.0], [400.0], polarization="s")
    bulk = Exact([1, 1.8 + 0.2j, 0.2 + 1.5j], [100.0], 400.0)
    assert response.reflectance[0] == pytest.approx(float(bulk.reflectance), abs=1e-14)
    assert response.absorptance[0, 0] == pytest.approx(float(bulk.absorptance[0]), rel=1e-12)
    assert response.absorptance[2, 0] == pytest.approx(0, abs=1e-14)
    assert response.reflectance + response.absorptance.sum(0) == pytest.approx(1, abs=1e-14)


def test_opaque_layer_keeps_relative_accuracy() -> None:
    """What lies behind an opaque layer gets little, but the right amount."""
    n, d = [1, 0.2 + 3j, 1.8 + 0.2j, 1.5], [1000.0, 100.0]
    for polarization in POLARIZATIONS:
        exact = Exact(n, d, 400.0, 35.0, polarization, digits=200)
        response = solve(n, d, [400.0], angle_deg=35.0, polarization=polarization)
        assert 1e-60 < exact.transmittance < 1e-30
        assert relative(response.transmittance[0], exact.transmittance) < 1e-11
        assert relative(response.absorptance[1, 0], exact.absorptance[1]) < 1e-11


@pytest.mark.parametrize("polarization", POLARIZATIONS)
@pytest.mark.parametrize("k", [0.0, 1e-12, 1e-6, 1e-3])
@pytest.mark.parametrize("thickness", [10.0, 300.0, 3000.0])
def test_critical_angle_in_a_film(polarization: Any, k: float, thickness: float) -> None:
    """n_film = n_0 sin(angle): the wave runs along the film, q = 0."""
    angle = 50.0
    film = 1.5 * np.sin(np.radians(angle)) + 1j * k
    n, d = [1.5, film, 1.3 + 0.02j, 1.45], [thickness, 80.0]
    exact = Exact(n, d, 500.0, angle, polarization)
    r, t, a = one(solve(n, d, [500.0], angle_deg=angle, polarization=polarization))
    assert r == pytest.approx(float(exact.reflectance), rel=1e-12)
    assert t == pytest.approx(float(exact.transmittance), rel=1e-11)
    if k:
        assert relative(a[0], exact.absorptance[0]) < 1e-9
    else:
        assert a[0] == 0
    assert relative(a[1], exact.absorptance[1]) < 1e-10


@pytest.mark.parametrize("polarization", POLARIZATIONS)
def test_critical_angle_is_the_limit_from_both_sides(polarization: Any) -> None:
    angle, step = 50.0, 1e-4
    n = [1.5, 1.5 * np.sin(np.radians(angle)) + 1e-9j, 1.45]
    angles = [angle - step, angle, angle + step]
    response = solve(n, [300.0], [500.0], angle_deg=angles, polarization=polarization)
    for values in (response.reflectance, response.transmittance, response.absorptance[:, 0]):
        below, at, above = values[:, 0]
        # Everything is even in q, hence smooth through the critical angle: what is left is the
        # curvature, (1e-4 degrees)^2 = 3e-12.
        assert at == pytest.approx((below + above) / 2, rel=1e-8)
        assert below != above


@pytest.mark.parametrize("polarization", POLARIZATIONS)
@pytest.mark.parametrize("thickness", [1.0, 40.0, 700.0])
def test_neighbourhood_of_the_critical_angle(polarization: Any, thickness: float) -> None:
    """Across the seam between the sinc form and the exponential form of the layer."""
    n, d = [1.5, 1.2 + 1e-5j, 1.4 + 1j], [thickness]
    critical = np.degrees(np.arcsin(1.2 / 1.5))
    angles = critical + np.concatenate([np.linspace(-0.25, 0.25, 21), [-3e-6, 3e-6, -1e-3, 1e-3]])
    response = solve(n, d, [500.0], angle_deg=angles, polarization=polarization)
    for i, angle in enumerate(angles):
        exact = Exact(n, d, 500.0, float(angle), polarization)
        assert relative(response.reflectance[i, 0], exact.reflectance) < 1e-11
        assert relative(response.absorptance[i, 0, 0], exact.absorptance[0]) < 1e-9


@pytest.mark.parametrize("polarization", POLARIZATIONS)
@pytest.mark.parametrize("gap", [50.0, 500.0, 5000.0, 1e5])
def test_frustrated_total_reflection(polarization: Any, gap: float) -> None:
    n, d = [1.5, 1.0, 1.5], [gap]
    exact = Exact(n, d, 500.0, 60.0, polarization, digits=1000)
    r, t, a = one(solve(n, d, [500.0], angle_deg=60.0, polarization=polarization))
    assert r == pytest.approx(float(exact.reflectance), abs=1e-14)
    if gap < 1e5:
        assert relative(t, exact.transmittance) < 1e-10
    else:
        assert t == 0  # 1e-905
    assert a == [0.0]


@pytest.mark.parametrize("polarization", POLARIZATIONS)
def test_total_reflection_at_an_incoherent_gap(polarization: Any) -> None:
    """Glass, a film, a thick air gap, glass: nothing crosses, and what the film takes is exact."""
    n = [1.5, 1.6 + 0.1j, 1.0, 1.5]
    film = Exact(n[:3], [100.0], 400.0, 60.0, polarization)
    response = solve(
        n,
        [100.0, 1e6],
        [400.0],
        angle_deg=60.0,
        polarization=polarization,
        coherent=[True, False],
    )
    assert response.transmittance[0] == 0
    assert relative(response.reflectance[0], film.reflectance) < 1e-13
    assert response.absorptance[0, 0] == pytest.approx(1 - float(film.reflectance), abs=1e-14)
    assert response.absorptance[1, 0] == 0
    bare = solve(
        [1.5, 1.0, 1.5],
        [1e6],
        [400.0],
        angle_deg=60.0,
        polarization=polarization,
        coherent=[False],
    )
    r, t, a = one(bare)
    assert r == pytest.approx(1, abs=1e-15)
    assert (t, a) == (0, [0])


@pytest.mark.parametrize("polarization", POLARIZATIONS)
@pytest.mark.parametrize("angle", [0.0, 45.0, 80.0])
def test_absorbing_ambient(polarization: Any, angle: float) -> None:
    n, d = [1.4 + 0.1j, 1.9 + 0.05j, 1.2, 2.0 + 0.7j], [130.0, 60.0]
    response = solve(n, d, [420.0], angle_deg=angle, polarization=polarization)
    r, t, a = one(response)
    exact = Exact(n, d, 420.0, angle, polarization)
    entering = float(response.power_entering[0])
    assert entering == pytest.approx(t + sum(a), abs=1e-14)
    assert relative(entering, exact.power_entering) < 1e-13
    assert relative(r, exact.reflectance) < 1e-13
    assert abs(entering - (1 - r)) > 1e-4  # Poynting power, not 1 - R
    # The wave vector along the layers is real: the angle in the oracle is complex.
    theta = np.arcsin(1.4 * np.sin(np.radians(angle)) / n[0] + 0j)
    oracle = tmm.coh_tmm(polarization, np.array(n), [np.inf, *d, np.inf], theta, 420.0)
    assert entering == pytest.approx(oracle["power_entering"], abs=1e-12)
    assert t == pytest.approx(oracle["T"], abs=1e-12)


@pytest.mark.parametrize("polarization", POLARIZATIONS)
def test_transparent_media_behind_an_absorbing_ambient(polarization: Any) -> None:
    """Im q = 0 exactly: rounding must not choose the wave that comes from behind."""
    n, d = [0.9375 + 0.03j, 2.0, 1.3, 1.0], [40.0, 150.0]
    for angle in (30.0, 60.0, 89.0, 90.0):
        exact = Exact(n, d, 200.0, angle, polarization)
        response = solve(n, d, [200.0], angle_deg=angle, polarization=polarization)
        assert relative(response.transmittance[0], exact.transmittance) < 1e-12
        pane = solve(
            n,
            [40.0, 1e4],
            [200.0],
            angle_deg=angle,
            polarization=polarization,
            coherent=[True, False],
        )
        assert pane.power_entering[0] == pytest.approx(pane.transmittance[0], abs=1e-14)
        assert pane.transmittance[0] > 0.1


def test_absorbing_ambient_before_a_pane() -> None:
    """Also where the first layer is incoherent."""
    n, d = [1.4 + 0.1j, 1.9 + 0.05j, 1.6 + 1e-5j, 1.2], [130.0, 1e5]
    for polarization in POLARIZATIONS:
        response = solve(
            n, d, [420.0], angle_deg=30.0, polarization=polarization, coherent=[True, False]
        )
        r, t, a = one(response)
        assert response.power_entering[0] == pytest.approx(t + sum(a), abs=1e-14)
        assert abs(response.power_entering[0] - (1 - r)) > 1e-4


@pytest.mark.parametrize("angle", [0.0, 30.0, 60.0, 85.0])
def test_p_transmittance_into_an_absorbing_substrate(angle: float) -> None:
    n, d = [1.0, 1.7 + 0.02j, 0.8 + 2.5j], [90.0]
    exact = Exact(n, d, 500.0, angle, "p")
    r, t, a = one(solve(n, d, [500.0], angle_deg=angle, polarization="p"))
    assert relative(t, exact.transmittance) < 1e-12
    assert r + t + a[0] == pytest.approx(1, abs=1e-14)
    # Re(n cos) in place of Re(n conj(cos)) is the usual slip; it is far off here.
    cosine = exact.q[-1] / exact.n[-1]
    along_ray = abs(exact.fields[-1][0] / cosine) ** 2 / exact.incident_power
    assert relative(t, along_ray * mpmath.re(exact.n[-1] * mpmath.conj(cosine))) < 1e-12
    if angle:
        assert relative(t, along_ray * mpmath.re(exact.n[-1] * cosine)) > 1e-2


# A transparent and a reflecting surrounding, total reflection, and one between two absorbers.
WEAK_STACKS: dict[str, tuple[list[complex | None], list[float]]] = {
    "between glasses": ([1.0, None, 1.5], [200.0]),
    "on a mirror": ([1.5, None, 3j], [200.0]),
    "totally reflecting": ([1.8, None, 1.0], [150.0]),
    "only fading": ([2.2, None, 1.2], [400.0]),
    "between absorbers": ([1.0, 1.7 + 0.1j, None, 0.3 + 3j, 1.0], [80.0, 60.0, 100.0]),
    "thin on a mirror": ([1.0, None, 0.05 + 3.3j], [0.01]),
    "thick": ([1.0, None, 1.5], [1e5]),
}


@pytest.mark.parametrize("name", WEAK_STACKS)
@pytest.mark.parametrize("polarization", POLARIZATIONS)
@pytest.mark.parametrize("angle", [0.0, 35.0, 60.0])
def test_weak_absorber(name: str, polarization: Any, angle: float) -> None:
    """1e-9 relative at k = 1e-12, and on the way to stronger ones."""
    template, d = WEAK_STACKS[name]
    for k in (1e-12, 1e-8, 1e-4, 1e-3, 1e-2, 0.1):
        n = [1.4 + 1j * k if x is None else x for x in template]
        layer = template.index(None) - 1
        exact = Exact(n, d, 450.0, angle, polarization)
        response = solve(n, d, [450.0], angle_deg=angle, polarization=polarization)
        assert relative(response.absorptance[layer, 0], exact.absorptance[layer]) < 1e-9


@pytest.mark.parametrize("polarization", POLARIZATIONS)
@pytest.mark.parametrize("angle", [0.0, 60.0])
def test_weak_absorber_incoherent(polarization: Any, angle: float) -> None:
    """A pane of k = 1e-12 against the mean of coherent panes over one fringe, with 50 digits."""
    n, d = [1.0, 1.9, 1.5 + 1e-12j, 1.8 + 1e-12j, 1.0], [70.0, 1e6, 90.0]
    reflectance, transmittance, absorptance = thickness_averaged(
        n, d, 450.0, angle, polarization, 1
    )
    r, t, a = one(
        solve(
            n,
            d,
            [450.0],
            angle_deg=angle,
            polarization=polarization,
            coherent=[True, False, True],
        )
    )
    assert r == pytest.approx(float(reflectance), abs=1e-14)
    assert t == pytest.approx(float(transmittance), abs=1e-14)
    assert a[0] == 0
    assert relative(a[1], absorptance[1]) < 1e-9
    assert relative(a[2], absorptance[2]) < 1e-9


def test_grazing_incidence() -> None:
    for polarization in KINDS:
        for flags in ([True, True], [False, True], [True, False]):
            response = solve(
                [1.0, 1.5 + 0.1j, 1.3, 2.0],
                [100.0, 50.0],
                [300.0, 600.0],
                angle_deg=90.0,
                polarization=polarization,
                coherent=flags,
            )
            assert (response.reflectance == 1).all()
            assert (response.transmittance == 0).all()
            assert (response.absorptance == 0).all()
            assert (response.power_entering == 0).all()


def test_close_to_grazing() -> None:
    """Towards 90 degrees the reflectance tends to 1 like the cosine."""
    for polarization in POLARIZATIONS:
        for angle in (89.9, 89.9999, 89.9999999):
            n, d = [1.0, 1.5 + 0.1j, 1.3], [100.0]
            exact = Exact(n, d, 300.0, angle, polarization)
            response = solve(n, d, [300.0], angle_deg=angle, polarization=polarization)
            assert relative(response.transmittance[0], exact.transmittance) < 1e-12
            assert relative(response.absorptance[0, 0], exact.absorptance[0]) < 1e-12


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("k", [0.0, 0.3])
@pytest.mark.parametrize("thickness", [1e-9, 1e-6, 1e-4, 1e-2, 1.0])
def test_almost_no_layer_beside_a_grazing_wave(engine: Any, k: float, thickness: float) -> None:
    """The phase and the wave vector across are both small: their ratio decides."""
    for polarization in POLARIZATIONS:
        for angle in (85.0, 89.9999, 89.9999999):
            n, d = [1.0, 2.5 + 1j * k, 1.0], [thickness]
            exact = Exact(n, d, 480.0, angle, polarization)
            got = solve(n, d, [480.0], angle_deg=angle, polarization=polarization, engine=engine)
            assert abs(got.transmittance[0] - exact.transmittance) < 1e-12
            assert abs(got.reflectance[0] - exact.reflectance) < 1e-12
            assert abs(got.absorptance[0, 0] - exact.absorptance[0]) < 1e-12


@pytest.mark.parametrize("polarization", POLARIZATIONS)
@pytest.mark.parametrize("k", [5e-324, 1e-308, 2.36e-173, 1e-165, 1e-160, 1e-100])
def test_grazing_in_layers_that_hardly_absorb(polarization: Any, k: float) -> None:
    """The smallest numbers there are, where products and squares of q vanish."""
    n = [1.0, 1.0 + 1j * k, 1.0, 1.0 + 1j * k, 1.0]
    for angle in (90.0, 60.0, 0.0):
        for flags in ([True] * 3, [False] * 3, [True, False, True]):
            response = solve(
                n, [1e4] * 3, [200.0], angle_deg=angle, polarization=polarization, coherent=flags
            )
            crosses = float(angle < 90)
            assert response.reflectance[0] == pytest.approx(1 - crosses, abs=1e-13)
            assert response.transmittance[0] == pytest.approx(crosses, abs=1e-13)
            assert response.absorptance[:, 0] == pytest.approx(0, abs=1e-90)


@pytest.mark.parametrize("thickness", [1e8, 1e12, 1e17, 1e30, 1e200])
def test_phase_beyond_all_meaning(thickness: float) -> None:
    """A phase rounded to many turns is some phase: energy is conserved all the same."""
    response = solve([1, 1.5, 1], [thickness], LAM, angle_deg=[0.0, 30.0])
    np.testing.assert_allclose(response.reflectance + response.transmittance, 1, atol=1e-14)
    assert response.reflectance.max() <= 0.2


@pytest.mark.parametrize("thickness", [0.3, 30.0, 3e3, 1e6])
def test_phase_is_good_to_rounding(thickness: float) -> None:
    """The interference of a transparent film from thin to thick, at many phases."""
    for lam in np.linspace(300.0, 301.0, 23):
        exact = Exact([1, 1.9, 1.5], [thickness], float(lam))
        response = solve([1, 1.9, 1.5], [thickness], [lam])
        phase = 4 * np.pi * 1.9 * thickness / lam  # its rounding is magnified into R
        difference = abs(float(exact.reflectance) - response.reflectance[0])
        assert difference < 1e-15 + 2e-16 * phase


def test_s_and_p_agree_at_normal_incidence() -> None:
    n, d = [1.0, 1.8 + 0.2j, 0.2 + 2j, 1.5 + 1e-6j, 1.3], [80.0, 15.0, 1e5]
    for flags in (None, [True, True, False]):
        s, p, mean = (solve(n, d, [400.0], polarization=k, coherent=flags) for k in KINDS)
        for name in ("reflectance", "transmittance", "absorptance", "power_entering"):
            values = getattr(s, name)
            np.testing.assert_allclose(getattr(p, name), values, rtol=1e-13, atol=0)
            np.testing.assert_array_equal(getattr(mean, name), values)
    r_s, r_p = (solve(n, d, [400.0], polarization=k).reflection_amplitude for k in POLARIZATIONS)
    assert r_s is not None
    assert r_p is not None
    # For tangential E; texts that define r_p along the ray have r_p = -r_s here.
    np.testing.assert_allclose(r_p, r_s, rtol=1e-13)


@pytest.mark.parametrize("flags", [None, [False, True, True], [True, False, True]])
def test_mean_polarisation_is_the_mean_of_powers(flags: Any) -> None:
    n, d = [1.0, 1.5, 1.9 + 0.05j, 1.6 + 0.3j, 1.4], [2e5, 90.0, 60.0]
    options: dict[str, Any] = {"angle_deg": [20.0, 55.0, 75.0], "coherent": flags}
    s, p, mean = (solve(n, d, [350.0, 400.0], polarization=k, **options) for k in KINDS)
    assert abs(s.reflectance - p.reflectance).max() > 0.05
    for name in ("reflectance", "transmittance", "absorptance", "power_entering"):
        both = (getattr(s, name) + getattr(p, name)) / 2
        np.testing.assert_allclose(getattr(mean, name), both, rtol=1e-14)
    total = mean.reflectance + mean.transmittance + mean.absorptance.sum(-2)
    np.testing.assert_allclose(total, 1, atol=1e-14)
    # s and p keep apart through the whole chain: averaging the surfaces first would be wrong.
    assert mean.reflection_amplitude is None


def test_mixed_coherence_keeps_polarisations_apart() -> None:
    """A pane at Brewster's angle: p is not reflected at either face, s at both."""
    brewster = np.degrees(np.arctan(1.5))
    pane: dict[str, Any] = {"angle_deg": brewster, "coherent": [False]}
    s, p, mean = (one(solve([1, 1.5, 1], [1e6], [500.0], polarization=k, **pane))[1] for k in KINDS)
    rs = one(solve([1, 1.5], [], [500.0], angle_deg=brewster, polarization="s"))[0]
    assert p == pytest.approx(1, abs=1e-14)
    assert s == pytest.approx((1 - rs) / (1 + rs), abs=1e-14)
    assert mean == pytest.approx((s + p) / 2, abs=1e-15)
    # Mixing s and p at each face instead would give 0.861.
    assert abs(mean - (1 - rs / 2) / (1 + rs / 2)) > 1e-3


def test_layers_of_zero_thickness() -> None:
    lam, angles = [300.0, 500.0], [0.0, 40.0, 90.0]
    without = solve([1, 1.8 + 0.2j, 1.5], [90.0], lam, angle_deg=angles)
    with_zero = solve(
        [1, 1.8 + 0.2j, 0.1 + 3j, 1.5],
        [90.0, 0.0],
        lam,
        angle_deg=angles,
        coherent=[True, True],
    )
    np.testing.assert_allclose(with_zero.reflectance, without.reflectance, atol=1e-15)
    np.testing.assert_allclose(with_zero.absorptance[:, 0], without.absorptance[:, 0], atol=1e-15)
    assert (with_zero.absorptance[:, 1] == 0).all()
    nothing = solve([1, 1.5 + 0.1j, 1], [0.0], lam, angle_deg=angles[:2])
    np.testing.assert_allclose(nothing.transmittance, 1, atol=1e-15)
    assert (nothing.absorptance == 0).all()
    # Between two incoherent layers, too, a layer of no thickness is not there.
    options: dict[str, Any] = {"angle_deg": angles, "polarization": "p"}
    flags = [False, True, False]
    chain = solve([1, 1.5, 0.2 + 3j, 1.5, 1], [1e5, 0, 1e5], lam, coherent=flags, **options)
    pane = solve([1, 1.5, 1], [2e5], lam, coherent=[False], **options)
    np.testing.assert_allclose(chain.transmittance, pane.transmittance, atol=1e-15)
    assert (chain.absorptance == 0).all()
    # An incoherent layer of no thickness still ends the interference of its two faces.
    skin = solve([1, 1.5, 1], [0.0], lam, coherent=[False])
    np.testing.assert_allclose(skin.transmittance, (1 - 0.04) / (1 + 0.04), atol=1e-15)
    assert (skin.absorptance == 0).all()


def test_empty_stack_of_equal_media_is_not_there() -> None:
    response = solve([1.3, 1.3], [], [500.0], angle_deg=[0.0, 30.0, 89.0])
    np.testing.assert_array_equal(response.reflectance, 0)
    np.testing.assert_allclose(response.transmittance, 1, atol=1e-15)
    assert response.absorptance.shape == (3, 0, 1)


# --- contract ---------------------------------------------------------------------------------

STACK = np.array([1.0, 1.8 + 0.2j, 1.5 + 0.01j, 0.3 + 2j, 1.4])
THICKNESS = np.array([70.0, 1e5, 20.0])
FLAGS = [True, False, True]
LAM = np.array([300.0, 350.0, 420.0, 555.0])


def test_shapes() -> None:
    r = solve(STACK, THICKNESS, LAM)
    assert r.wavelength_nm.shape == (4,)
    assert r.reflectance.shape == r.transmittance.shape == r.power_entering.shape == (4,)
    assert r.absorptance.shape == (3, 4)
    r = solve(STACK, THICKNESS, LAM, angle_deg=[30.0])
    assert r.reflectance.shape == (1, 4)
    assert r.absorptance.shape == (1, 3, 4)
    r = solve(STACK, THICKNESS, LAM, angle_deg=[0.0, 30.0], polarization="p")
    assert r.reflectance.shape == r.transmittance.shape == (2, 4)
    assert r.absorptance.shape == (2, 3, 4)
    assert r.reflection_amplitude is not None
    assert r.reflection_amplitude.shape == (2, 4)
    r = solve(STACK, np.tile(THICKNESS, (5, 1)), LAM, angle_deg=[0.0, 30.0])
    assert r.reflectance.shape == (5, 2, 4)
    assert r.absorptance.shape == (5, 2, 3, 4)
    r = solve(np.tile(STACK[:, None], (6, 5, 1, 4)), THICKNESS, LAM)
    assert r.reflectance.shape == (6, 5, 4)
    assert r.absorptance.shape == (6, 5, 3, 4)
    assert solve(STACK, THICKNESS, 500.0).reflectance.shape == (1,)
    assert solve_isotropic(STACK, THICKNESS, LAM).absorptance.shape == (3, 4)
    assert depth_profile(STACK, THICKNESS, LAM, 0, [0.0, 1.0]).shape == (2, 4)
    assert depth_profile(STACK, THICKNESS, LAM, 0, [1.0], angle_deg=[1.0, 2.0]).shape == (2, 1, 4)
    assert depth_profile_isotropic(STACK, THICKNESS, LAM, 0, [0.0, 1.0]).shape == (2, 4)
    batch = np.tile(THICKNESS, (5, 1))
    assert depth_profile(STACK, batch, LAM, 0, [1.0], angle_deg=[1.0, 2.0]).shape == (5, 2, 1, 4)


def test_no_inner_layer() -> None:
    for coherent in (None, [], np.zeros(0, dtype=bool)):
        response = solve([1, 1.5], [], LAM, angle_deg=[0.0, 10.0], coherent=coherent)
        assert response.absorptance.shape == (2, 0, 4)


def test_one_dimensional_n_holds_for_all_wavelengths() -> None:
    for n in (STACK[:, None], np.tile(STACK[:, None], (1, 4))):
        a = solve(STACK, THICKNESS, LAM, coherent=FLAGS)
        b = solve(n, THICKNESS, LAM, coherent=FLAGS)
        np.testing.assert_allclose(a.absorptance, b.absorptance, rtol=1e-14)


def test_two_dimensional_n_is_always_layer_by_wavelength() -> None:
    """Also with as many wavelengths as layers: there is nothing to guess."""
    lam = np.array([300.0, 400.0, 500.0])
    n = np.array([[1.0, 1.0, 1.0], [1.7, 1.6 + 0.1j, 1.5], [1.4, 1.45, 1.5]])
    together = solve(n, [60.0], lam)
    for i in range(3):
        single = solve(n[:, i], [60.0], lam[i : i + 1])
        assert together.reflectance[i] == pytest.approx(single.reflectance[0], abs=1e-15)


def test_layer_axis_runs_from_the_ambient() -> None:
    response = solve([1, 1.5, 1.6 + 0.1j, 1.5, 1], [50.0, 60.0, 70.0], LAM)
    assert (response.absorptance[[0, 2]] == 0).all()
    assert (response.absorptance[1] > 0).all()


def random_batch(size: int, seed: int) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    n = rng.uniform(1, 2.5, (size, 5, 4)) + 1j * rng.uniform(0, 0.5, (size, 5, 4))
    n[:, 0] = 1
    return n, rng.uniform(10, 200, (size, 3))


@pytest.mark.parametrize("polarization", KINDS)
@pytest.mark.parametrize("flags", [None, FLAGS])
def test_batch_gives_what_single_stacks_give(polarization: Any, flags: Any) -> None:
    # Large enough to be cut into pieces: 600 stacks x 4 angles x 4 wavelengths.
    n, d = random_batch(600, 1)
    options = {"angle_deg": [0.0, 33.0, 70.0, 90.0], "polarization": polarization}
    together = solve(n, d, LAM, coherent=flags, **options)
    for i in (0, 1, 255, 256, 400, 599):
        single = solve(n[i], d[i], LAM, coherent=flags, **options)
        for field in dataclasses.fields(Response):
            value = getattr(single, field.name)
            if value is None:
                assert getattr(together, field.name) is None
            elif field.name != "wavelength_nm":
                batch = getattr(together, field.name)[i]
                np.testing.assert_allclose(batch, value, rtol=1e-12, atol=1e-15)


@pytest.mark.parametrize("flags", [None, [True, False, True]])
@pytest.mark.parametrize("angle", [0.0, [0.0, 30.0, 75.0]])
def test_a_stack_gives_the_same_whatever_it_is_solved_with(angle: Any, flags: Any) -> None:
    """To the last bit: weak and strong absorbers in one batch, in any company."""
    n, d = random_batch(40, 7)
    d[:, 1] *= 1e4 if flags else 1.0  # the layer that is incoherent then
    n = n.real + 1j * n.imag * np.geomspace(1e-9, 1.0, 40)[:, None, None]
    n[::3, 2] = n[::3, 2].real
    n[1::3, 0] += 0.01j
    together = solve(n, d, LAM, angle_deg=angle, coherent=flags)
    for size in (1, 7):
        for start in range(0, 40, size):
            piece = slice(start, start + size)
            apart = solve(n[piece], d[piece], LAM, angle_deg=angle, coherent=flags)
            for name in ("reflectance", "transmittance", "absorptance", "power_entering"):
                assert np.array_equal(getattr(apart, name), getattr(together, name)[piece]), name


def test_each_stack_of_a_batch_may_have_its_own_angles() -> None:
    n, d = random_batch(300, 8)
    angles = np.random.default_rng(9).uniform(0, 90, (300, 3))
    together = solve(n, d, LAM, angle_deg=angles)
    deep = depth_profile(n, d, LAM, 1, [1.0, 2.0], angle_deg=angles)
    assert deep.shape == (300, 3, 2, LAM.size)
    for i in (0, 1, 150, 299):
        alone = solve(n[i], d[i], LAM, angle_deg=angles[i])
        for name in ("reflectance", "transmittance", "absorptance", "power_entering"):
            np.testing.assert_allclose(
                getattr(together, name)[i], getattr(alone, name), rtol=1e-12, atol=1e-15
            )
        profile = depth_profile(n[i], d[i], LAM, 1, [1.0, 2.0], angle_deg=angles[i])
        np.testing.assert_allclose(deep[i], profile, rtol=1e-12)
    five = np.repeat(n[:, None], 5, axis=1)
    shared = solve(five, d[:, None], LAM, angle_deg=angles[:5]).reflectance
    assert shared.shape == (300, 5, 3, LAM.size)
    np.testing.assert_allclose(
        shared[2, 4], solve(n[2], d[2], LAM, angle_deg=angles[4]).reflectance
    )
    with pytest.raises(StackError, match=r"leading axes of angle_deg \(7,\) do not fit"):
        solve(n, d, LAM, angle_deg=angles[:7])
    with pytest.raises(StackError, match=r"leading axes of angle_deg \(1, 300\) do not fit"):
        solve(n, d, LAM, angle_deg=angles[None])


def test_batch_axes_of_n_and_thickness_broadcast() -> None:
    n, d = random_batch(3, 2)
    both = solve(n[:, None], d[None, :], LAM)
    assert both.reflectance.shape == (3, 3, 4)
    only_n, only_d = solve(n, d[0], LAM), solve(n[0], d, LAM)
    one_d = solve(n[:, :, :1], d, LAM)  # (batch, layer, 1)
    for i in range(3):
        np.testing.assert_allclose(only_n.absorptance[i], both.absorptance[i, 0], rtol=1e-13)
        np.testing.assert_allclose(only_d.absorptance[i], both.absorptance[0, i], rtol=1e-13)
        single = solve(n[i, :, 0], d[i], LAM)
        np.testing.assert_allclose(one_d.absorptance[i], single.absorptance, rtol=1e-13)


def test_angles_give_what_single_angles_give() -> None:
    angles = np.array([0.0, 15.0, 47.0, 89.0, 90.0])
    together = solve(STACK, THICKNESS, LAM, angle_deg=angles, coherent=FLAGS)
    for i, angle in enumerate(angles):
        single = solve(STACK, THICKNESS, LAM, angle_deg=angle, coherent=FLAGS)
        np.testing.assert_allclose(together.absorptance[i], single.absorptance, rtol=1e-12)
        np.testing.assert_allclose(together.reflectance[i], single.reflectance, rtol=1e-12)


def test_results_are_fresh_and_inputs_untouched() -> None:
    n, d = random_batch(1, 3)
    stack, thickness, lam = n[0].copy(), d[0].copy(), LAM.copy()
    for options in ({}, {"angle_deg": 40.0, "polarization": "p"}, {"coherent": FLAGS}):
        first = solve(stack, thickness, lam, **options)
        kept = [np.array(getattr(first, f.name)) for f in dataclasses.fields(Response)]
        solve(stack * 1.1, thickness * 0.7, lam, **options)
        for field, value in zip(dataclasses.fields(Response), kept, strict=True):
            if value.dtype != object:
                np.testing.assert_array_equal(getattr(first, field.name), value)
    np.testing.assert_array_equal(stack, n[0])
    np.testing.assert_array_equal(thickness, d[0])
    np.testing.assert_array_equal(lam, LAM)


def test_reflection_amplitude() -> None:
    for polarization in POLARIZATIONS:
        response = solve(STACK, THICKNESS, LAM, angle_deg=50.0, polarization=polarization)
        assert response.reflection_amplitude is not None
        exact = [complex(Exact(STACK, THICKNESS, x, 50.0, polarization).r) for x in LAM]
        np.testing.assert_allclose(response.reflection_amplitude, np.array(exact), rtol=1e-10)
    mixed = solve(STACK, THICKNESS, LAM, polarization="s", coherent=FLAGS)
    assert mixed.reflection_amplitude is None


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"n": 1.5}, "n needs a layer axis"),
        ({"n": [1.5], "thickness_nm": []}, "n needs at least an ambient and a substrate"),
        ({"n": np.ones((3, 3))}, r"n of shape \(3, 3\) does not fit 2 wavelengths"),
        ({"n": [1, np.nan, 1]}, "n must be finite"),
        ({"n": [1, np.inf, 1]}, "n must be finite"),
        ({"n": [1, 1.5 - 1e-9j, 1]}, "k must not be negative"),
        ({"n": [1, -1.5, 1]}, "the real part of n must not be negative"),
        ({"n": [1, 0, 1]}, "n must not be 0"),
        ({"thickness_nm": [1, 2]}, r"thickness_nm of shape \(2,\) does not fit 1 inner layers"),
        ({"thickness_nm": []}, r"thickness_nm of shape \(0,\) does not fit 1 inner layers"),
        ({"thickness_nm": [-1.0]}, "thickness_nm must be finite and not negative"),
        ({"thickness_nm": [np.nan]}, "thickness_nm must be finite and not negative"),
        ({"thickness_nm": [np.inf]}, "thickness_nm must be finite and not negative"),
        ({"wavelength_nm": []}, r"wavelength_nm must be \(wavelength,\)"),
        ({"wavelength_nm": [[500.0]]}, r"wavelength_nm must be \(wavelength,\)"),
        ({"wavelength_nm": [0.0, 500.0]}, "wavelength_nm must be positive and finite"),
        ({"wavelength_nm": [500.0, np.nan]}, "wavelength_nm must be positive and finite"),
        ({"angle_deg": 90.001}, "angle_deg must lie between 0 and 90 degrees"),
        ({"angle_deg": -1.0}, "angle_deg must lie between 0 and 90 degrees"),
        ({"angle_deg": [0.0, np.nan]}, "angle_deg must lie between 0 and 90 degrees"),
        ({"angle_deg": [[0.0]]}, r"angle_deg must be a number or \(angle,\)"),
        ({"polarization": "te"}, 'polarization must be "s", "p" or "mean", not \'te\''),
        ({"coherent": [True, False]}, "coherent must be 1 booleans, one for each inner layer"),
        ({"coherent": [1]}, "coherent must be 1 booleans"),
        (
            {"n": np.ones((2, 3, 2)), "thickness_nm": np.ones((3, 1))},
            r"the batch axes of n \(2,\) and of thickness_nm \(3,\) do not fit",
        ),
    ],
)
def test_bad_input(changes: dict[str, Any], message: str) -> None:
    arguments: dict[str, Any] = {
        "n": [1, 1.5, 1],
        "thickness_nm": [100.0],
        "wavelength_nm": [400.0, 500.0],
    }
    with pytest.raises(StackError, match=message) as caught:
        solve(**(arguments | changes))
    assert isinstance(caught.value, OptistackError)
    assert isinstance(caught.value, ValueError)
    if "angle_deg" not in changes:
        with pytest.raises(StackError, match=message):
            solve_isotropic(**(arguments | changes))


@pytest.mark.parametrize(
    ("layer", "depth", "message"),
    [
        (1, [0.0], "layer 1 does not exist: inner layers are 0 to 0"),
        (-1, [0.0], "layer -1 does not exist"),
        (0, [-0.1], "depth_nm must be .* 0 to 100 nm"),
        (0, [100.1], "depth_nm must be .* 0 to 100 nm"),
        (0, [np.nan], "depth_nm must be .* 0 to 100 nm"),
        (0, [[1.0]], "depth_nm must be"),
    ],
)
def test_bad_depth(layer: int, depth: Any, message: str) -> None:
    with pytest.raises(StackError, match=message):
        depth_profile([1, 1.5, 1], [100.0], [500.0], layer, depth)
    with pytest.raises(StackError, match=message):
        depth_profile_isotropic([1, 1.5, 1], [100.0], [500.0], layer, depth)


# --- depth profile ----------------------------------------------------------------------------

GAUSS_X, GAUSS_W = np.polynomial.legendre.leggauss(48)


def integrated(n: Any, d: Any, layer: int, **options: Any) -> Any:
    """Integral of the profile over the layer."""
    depth = (GAUSS_X + 1) / 2 * d[layer]
    profile = depth_profile(n, d, LAM, layer, depth, **options)
    return np.einsum("z,...zw->...w", GAUSS_W / 2 * d[layer], profile)


PROFILE_STACKS: dict[str, tuple[list[complex], list[float], list[bool] | None]] = {
    "coherent": ([1, 1.8 + 0.2j, 1.5 + 0.01j, 0.3 + 2j, 1.4], [70, 150, 20], None),
    "glass first": ([1, 1.5, 1.9 + 0.03j, 1.8 + 0.2j, 0.3 + 2j, 1], [1e6, 90, 150, 40], None),
    "glass last": ([1, 1.9 + 0.03j, 1.7 + 1e-3j, 1.5, 1], [90, 300, 1e6], None),
    "between panes": ([1, 1.5, 1.9 + 0.03j, 1.8 + 0.2j, 1.5, 1], [1e6, 90, 60, 1e6], None),
    "absorbing ambient": ([1.5 + 0.01j, 1.9 + 0.03j, 1.8 + 0.2j, 1.3], [90, 60], None),
    "weak": ([1, 1.9 + 1e-11j, 0.3 + 3j, 1], [90, 60], None),
}


@pytest.mark.parametrize("name", PROFILE_STACKS)
@pytest.mark.parametrize("polarization", KINDS)
def test_profile_integrates_to_absorptance(name: str, polarization: Any) -> None:
    n, d, _ = PROFILE_STACKS[name]
    flags = [x < 3000 for x in d]
    options = {"angle_deg": [0.0, 35.0, 80.0], "polarization": polarization, "coherent": flags}
    response = solve(n, d, LAM, **options)
    for layer, flag in enumerate(flags):
        if flag:
            np.testing.assert_allclose(
                integrated(n, d, layer, **options), response.absorptance[:, layer], rtol=1e-10
            )


@pytest.mark.parametrize("polarization", POLARIZATIONS)
@pytest.mark.parametrize("thickness", [30.0, 900.0])
def test_profile_at_the_critical_angle(polarization: Any, thickness: float) -> None:
    angle = 50.0
    n = [1.5, 1.5 * np.sin(np.radians(angle)) + 1e-9j, 1.2 + 0.1j]
    options = {"angle_deg": angle, "polarization": polarization}
    a = solve(n, [thickness], LAM, **options).absorptance[0]
    np.testing.assert_allclose(integrated(n, [thickness], 0, **options), a, rtol=1e-9)
    depth = [0.0, thickness / 3, thickness]
    profile = depth_profile(n, [thickness], LAM, 0, depth, **options)
    for i, z in enumerate(depth):
        for w, lam in enumerate(LAM):
            exact = Exact(n, [thickness], lam, angle, polarization).local(0, z)
            assert relative(profile[i, w], exact) < 1e-9


@pytest.mark.parametrize("polarization", POLARIZATIONS)
def test_profile_against_many_digits(polarization: Any) -> None:
    n, d = [1, 1.8 + 0.2j, 1.5 + 0.01j, 0.3 + 2j, 1.4], [70.0, 150.0, 20.0]
    for layer in range(3):
        depth = np.array([0.0, 0.2, 0.7, 1.0]) * d[layer]
        profile = depth_profile(n, d, LAM, layer, depth, angle_deg=65.0, polarization=polarization)
        for w, lam in enumerate(LAM):
            stack = Exact(n, d, lam, 65.0, polarization)
            for i, z in enumerate(depth):
                assert relative(profile[i, w], stack.local(layer, z)) < 1e-11


def test_profile_between_panes_is_the_fringe_average() -> None:
    """In a film behind a pane: the mean of coherent profiles over the fringes of the pane."""
    n, d = [1, 1.5, 1.9 + 0.3j, 1.4], [1e6, 90.0]
    depth = [0.0, 30.0, 90.0]
    fringe = 400.0 / (2 * 1.5)
    coherent = np.mean(
        [depth_profile(n, [d[0] + fringe * m / 32, d[1]], [400.0], 1, depth) for m in range(32)],
        axis=0,
    )
    mixed = depth_profile(n, d, [400.0], 1, depth, coherent=[False, True])
    np.testing.assert_allclose(mixed, coherent, rtol=1e-9)


def test_profile_in_an_incoherent_layer() -> None:
    n, d = [1, 1.9, 1.5 + 1e-6j, 1.2], [80.0, 1e5]
    options: dict[str, Any] = {"coherent": [True, False], "angle_deg": 40.0, "polarization": "s"}
    a = solve(n, d, LAM, **options).absorptance[1]
    # The standing wave at the faces is in the absorptance only: k/n of the power there.
    np.testing.assert_allclose(integrated(n, d, 1, **options), a, rtol=0, atol=1e-6 / 1.5)
    # Two beams, each fading exponentially: independent of the wave optics.
    lam = LAM[0]
    q = np.sqrt(n[2] ** 2 - np.sin(np.radians(40)) ** 2)
    rate = 4 * np.pi / lam * q.imag
    front = solve(n[:3], d[:1], [lam], angle_deg=40.0, polarization="s")
    inner = np.degrees(np.arcsin(np.sin(np.radians(40)) / 1.5))
    back = solve([1.5, 1.2], [], [lam], angle_deg=inner, polarization="s").reflectance[0]
    again = solve([1.5, 1.9, 1], d[:1], [lam], angle_deg=inner, polarization="s").reflectance[0]
    tau = np.exp(-rate * d[1])
    down = front.transmittance[0] / (1 - back * again * tau**2)
    for z in (0.0, 4e4, 1e5):
        expected = rate * down * (np.exp(-rate * z) + back * tau * np.exp(-rate * (d[1] - z)))
        profile = depth_profile(n, d, [lam], 1, [z], **options)[0, 0]
        assert profile == pytest.approx(expected, rel=1e-5)  # real n was used for the surfaces


def test_profile_is_continuous() -> None:
    """Tangential E is continuous: at normal incidence the local absorption jumps like n k."""
    n, d = [1, 1.8 + 0.2j, 1.5 + 0.01j, 0.3 + 2j, 1.4], [70.0, 150.0, 20.0]
    for layer in (0, 1):
        above = depth_profile(n, d, LAM, layer, [d[layer]])[0] / (n[layer + 1] ** 2).imag
        below = depth_profile(n, d, LAM, layer + 1, [0.0])[0] / (n[layer + 2] ** 2).imag
        np.testing.assert_allclose(above, below, rtol=1e-12)
    # and smooth inside the layer
    depth = np.linspace(0, 150, 301)
    profile = depth_profile(n, d, LAM, 1, depth)
    assert abs(np.diff(profile, n=2, axis=0)).max() < 1e-3 * profile.max()


def test_profile_of_an_opaque_layer_is_finite() -> None:
    n, d = [1, 0.2 + 3j, 1.5 + 0.1j, 1.3], [1e5, 100.0]
    profile = depth_profile(n, d, LAM, 0, [0.0, 10.0, 5e4, 1e5])
    assert np.isfinite(profile).all()
    np.testing.assert_allclose(
        profile[1] / profile[0], np.exp(-4 * np.pi * 3 / LAM * 10), rtol=1e-10
    )
    assert (profile[2:] == 0).all()


@pytest.mark.parametrize("flags", [None, [False, True, True, True]])
def test_isotropic_profile(flags: Any) -> None:
    """The mean of oblique profiles over the hemisphere, and its integral the absorptance."""
    n, d = [1, 1.5, 1.9 + 0.03j, 1.8 + 0.2j, 0.3 + 2j, 1.0], [800.0, 90.0, 150.0, 40.0]
    depth = (GAUSS_X + 1) / 2 * d[2]
    profile = depth_profile_isotropic(n, d, LAM, 2, depth, coherent=flags)
    total = (GAUSS_W[:, None] / 2 * d[2] * profile).sum(0)
    a = solve_isotropic(n, d, LAM, coherent=flags).absorptance[2]
    np.testing.assert_allclose(total, a, rtol=1e-11)
    x, w = np.polynomial.legendre.leggauss(200)
    mu = (x + 1) / 2
    oblique = depth_profile(
        n, d, LAM, 2, [20.0], angle_deg=np.degrees(np.arccos(mu)), coherent=flags
    )
    direct = (oblique[:, 0] * (w * mu)[:, None]).sum(0)
    ours = depth_profile_isotropic(n, d, LAM, 2, [20.0], coherent=flags, points=64)[0]
    np.testing.assert_allclose(ours, direct, rtol=1e-9)


def test_isotropic_light_against_a_plain_quadrature() -> None:
    n, d = [1.5, 1.2, 1.9 + 0.1j, 1.0], [150.0, 60.0]
    mu = np.linspace(0, 1, 20001)
    response = solve(n, d, [400.0], angle_deg=np.degrees(np.arccos(mu)))
    ours = solve_isotropic(n, d, [400.0])
    weight = 2 * mu
    # The trapezoid rule with kinks at two critical angles is good to about 1e-6.
    assert np.trapezoid(response.reflectance[:, 0] * weight, mu) == pytest.approx(
        ours.reflectance[0], abs=1e-6
    )
    assert np.trapezoid(response.absorptance[:, 1, 0] * weight, mu) == pytest.approx(
        ours.absorptance[1, 0], abs=1e-6
    )
    balance = ours.reflectance + ours.transmittance + ours.absorptance.sum(0)
    np.testing.assert_allclose(balance, 1, atol=1e-13)
    np.testing.assert_allclose(ours.power_entering, 1 - ours.reflectance, atol=1e-13)


def test_etendue_of_isotropic_light() -> None:
    """n0^2 T(front) = n1^2 T(back) for diffuse light: what crosses both ways is the same."""
    n, d = [1.0, 1.9, 1.2, 1.7], [120.0, 300.0]
    front = solve_isotropic(n, d, LAM, points=64).transmittance
    back = solve_isotropic(n[::-1], d[::-1], LAM, points=64).transmittance
    np.testing.assert_allclose(front, 1.7**2 * back, rtol=1e-9)
