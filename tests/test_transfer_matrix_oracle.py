"""The engine against an independent program, and incoherent layers against fringe averages.

The oracle is the ``tmm`` package (S. J. Byrnes, arXiv:1603.02720): one wavelength, angle and
polarisation at a time, growing and decaying exponentials, absorptance as a difference of fluxes.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
import tmm
from numpy.typing import NDArray

from optistack.transfer_matrix import Polarization, depth_profile, solve

STACKS = 800  # random stacks
COMPARED = 650  # at least so many of them must be ones the oracle can do
# Both programs round at 1e-16; the oracle's growing exponentials and flux differences lose five or
# six digits in the worst of these stacks.
TOLERANCE = 1e-9


@dataclass(frozen=True, eq=False)
class RandomStack:
    n: NDArray[np.complex128]
    d: NDArray[np.float64]
    coherent: NDArray[np.bool_]
    angle: float
    polarization: Polarization
    wavelength: float

    @property
    def incoherent_layer_only_fades(self) -> bool:
        """Whether an incoherent layer carries an evanescent wave only.

        The oracle is wrong there, because it divides by the power that such a wave carries, which
        is next to none: for glass | air | glass (1.5, 1.0, 1.5) at 60 degrees with the air
        incoherent, tmm 0.2.0 gives R = -3.0 (s) and -0.95 (p) for 100 nm and NaN for 1 mm, where
        R = 1.
        """
        q = np.sqrt(self.n**2 - (self.n[0].real * np.sin(np.radians(self.angle))) ** 2 + 0j)
        fades = abs(q.imag) > abs(q.real)
        return bool((fades[1:-1] & ~self.coherent).any())


def random_stack(rng: np.random.Generator) -> RandomStack:
    layers = int(rng.integers(1, 8))
    k = rng.choice([0, 1], layers + 2) * 10 ** rng.uniform(-6, 0.5, layers + 2)
    n = rng.uniform(0.3, 3, layers + 2) + 1j * k
    n[0] = rng.uniform(1, 2)
    if rng.random() < 0.5:
        n[-1] = n[-1].real
    coherent = (rng.random(layers) < 0.6) | (rng.random() < 0.4)
    return RandomStack(
        n=n,
        d=np.where(coherent, rng.uniform(0, 400, layers), rng.uniform(1000, 5000, layers)),
        coherent=coherent,
        angle=float(rng.choice([0.0, rng.uniform(0, 89)], p=[0.1, 0.9])),
        polarization=("s", "p")[int(rng.integers(2))],
        wavelength=float(rng.uniform(280, 900)),
    )


def oracle(stack: RandomStack) -> tuple[float, float, NDArray[np.float64]]:
    """R, T and the absorptance of the inner layers."""
    thickness = [np.inf, *stack.d, np.inf]
    angle = np.radians(stack.angle)
    with warnings.catch_warnings():
        # Overflow and division warnings of its own; a result that suffers from them is NaN.
        warnings.simplefilter("ignore")
        if stack.coherent.all():
            data = tmm.coh_tmm(stack.polarization, stack.n, thickness, angle, stack.wavelength)
            absorbed = tmm.absorp_in_each_layer(data)
        else:
            kinds = ["i", *("c" if c else "i" for c in stack.coherent), "i"]
            data = tmm.inc_tmm(
                stack.polarization, stack.n, thickness, kinds, angle, stack.wavelength
            )
            absorbed = tmm.inc_absorp_in_each_layer(data)
    return float(data["R"]), float(data["T"]), np.array(absorbed[1:-1], dtype=float)


def test_random_stacks() -> None:
    rng = np.random.default_rng(20240611)
    compared = {"coherent": 0, "mixed": 0, "s": 0, "p": 0}
    for number in range(STACKS):
        stack = random_stack(rng)
        if stack.incoherent_layer_only_fades:
            continue
        r, t, a = oracle(stack)
        response = solve(
            stack.n,
            stack.d,
            [stack.wavelength],
            angle_deg=stack.angle,
            polarization=stack.polarization,
            coherent=stack.coherent,
        )
        where = f"random stack {number}: {stack}"
        assert response.reflectance[0] == pytest.approx(r, abs=TOLERANCE), where
        assert response.transmittance[0] == pytest.approx(t, abs=TOLERANCE), where
        assert response.absorptance[:, 0] == pytest.approx(a, abs=TOLERANCE), where
        compared["coherent" if stack.coherent.all() else "mixed"] += 1
        compared[stack.polarization] += 1
    assert compared["coherent"] + compared["mixed"] >= COMPARED
    assert min(compared.values()) >= 200


def test_stacks_left_out_above_make_sense_here() -> None:
    """A layer that only fades transmits nothing and takes what reaches it; energy is conserved."""
    rng = np.random.default_rng(5)
    seen = 0
    while seen < 100:
        stack = random_stack(rng)
        if not stack.incoherent_layer_only_fades:
            continue
        seen += 1
        response = solve(
            stack.n,
            stack.d,
            [stack.wavelength],
            angle_deg=stack.angle,
            polarization=stack.polarization,
            coherent=stack.coherent,
        )
        assert response.transmittance[0] == 0
        assert 0 <= response.reflectance[0] <= 1 + 1e-14
        total = response.reflectance + response.absorptance.sum(0)
        assert total[0] == pytest.approx(1, abs=1e-12)


def test_random_stacks_in_an_absorbing_ambient() -> None:
    """The wave vector along the layers is real, so the oracle's angle is complex."""
    rng = np.random.default_rng(11)
    for number in range(200):
        stack = random_stack(rng)
        n = stack.n.copy()
        n[0] += 1j * 10 ** rng.uniform(-3, 0)
        angle = np.arcsin(n[0].real * np.sin(np.radians(stack.angle)) / n[0])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            data = tmm.coh_tmm(
                stack.polarization, n, [np.inf, *stack.d, np.inf], angle, stack.wavelength
            )
        response = solve(
            n,
            stack.d,
            [stack.wavelength],
            angle_deg=stack.angle,
            polarization=stack.polarization,
        )
        where = f"random stack {number}: {stack} in {n[0]}"
        near = pytest.approx
        assert response.reflectance[0] == near(data["R"], abs=TOLERANCE), where
        assert response.transmittance[0] == near(data["T"], abs=TOLERANCE), where
        assert response.power_entering[0] == near(data["power_entering"], abs=TOLERANCE), where
        absorbed = tmm.absorp_in_each_layer(data)[1:-1]
        assert response.absorptance[:, 0] == near(absorbed, abs=TOLERANCE), where


@pytest.mark.parametrize("polarization", ["s", "p"])
def test_profile_of_random_stacks(polarization: Polarization) -> None:
    rng = np.random.default_rng(7)
    for _ in range(40):
        stack = random_stack(rng)
        angle = np.radians(stack.angle)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            data = tmm.coh_tmm(
                polarization, stack.n, [np.inf, *stack.d, np.inf], angle, stack.wavelength
            )
        layer = int(rng.integers(len(stack.d)))
        depth = rng.uniform(0, 1, 3) * stack.d[layer]
        profile = depth_profile(
            stack.n,
            stack.d,
            [stack.wavelength],
            layer,
            depth,
            angle_deg=stack.angle,
            polarization=polarization,
        )
        expected = [tmm.position_resolved(layer + 1, z, data)["absor"] for z in depth]
        assert profile[:, 0] == pytest.approx(expected, rel=1e-8, abs=1e-12)


# --- incoherent layers as the mean over thickness ---------------------------------------------

# The incoherent layer is the one that is thick; k in it is so small that a change by a fringe does
# not count.
AVERAGED: dict[str, tuple[list[complex], list[float]]] = {
    "pane": ([1, 1.5, 1], [1e6]),
    "absorbing pane": ([1, 1.5 + 1e-5j, 1.3], [1e6]),
    "coated pane": ([1, 1.9 + 0.03j, 1.5 + 1e-6j, 1.7 + 0.3j, 1.2], [90, 1e6, 40]),
    "device": ([1, 1.5, 1.9 + 0.03j, 1.8 + 0.2j, 0.2 + 1.5j, 1], [1e6, 100, 150, 30]),
    "filter before glass": ([1, 1.5 + 3e-6j, 1.52 + 0.1j, 1.5, 1.52], [2e6, 200, 60]),
}


@pytest.mark.parametrize("name", AVERAGED)
@pytest.mark.parametrize("polarization", ["s", "p"])
@pytest.mark.parametrize("angle", [0.0, 40.0, 70.0])
def test_incoherent_layer_is_the_mean_over_its_fringes(
    name: str, polarization: Polarization, angle: float
) -> None:
    n, d = AVERAGED[name]
    thick = int(np.argmax(d))
    options: dict[str, Any] = {"angle_deg": angle, "polarization": polarization}
    q = np.sqrt(n[thick + 1] ** 2 - np.sin(np.radians(angle)) ** 2 + 0j)
    points = 64
    # A triangular window two fringes wide, so that the slope of A with the thickness drops out.
    steps = np.arange(-points + 1, points)
    thickness = np.tile(np.array(d, dtype=float), (len(steps), 1))
    thickness[:, thick] += steps * (400.0 / (2 * q.real) / points)
    weight = (points - abs(steps)) / points**2
    coherent = solve(n, thickness, [400.0], **options)
    flags = [j != thick for j in range(len(d))]
    mixed = solve(n, d, [400.0], coherent=flags, **options)
    # The phase k0 q d of 1e4 turns is rounded to 1e-11.
    for name in ("reflectance", "transmittance", "absorptance"):
        mean = np.tensordot(weight, getattr(coherent, name), 1)
        np.testing.assert_allclose(getattr(mixed, name), mean, rtol=1e-9, atol=1e-11)
