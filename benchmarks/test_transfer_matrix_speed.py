"""How fast the engine is; no part of the normal test run, since a timed test is no test.

    pytest -p benchmark benchmarks/test_transfer_matrix_speed.py

Each workload prints nanoseconds per layer point: the median time over (inner layers x wavelengths x
angles x polarisations x stacks). Beside it stands the time of ``np.sin`` on an array of one
spectrum's layer points, taken at the same moment: a laptop or a shared machine drifts by half, and
only the ratio of the two can be compared between days and machines.
"""

from __future__ import annotations

import timeit
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from optistack.transfer_matrix import Response, solve

WAVELENGTH_NM = np.linspace(280, 1100, 821)


@dataclass(frozen=True, eq=False)
class Workload:
    """Arguments of `solve`, and how many layer points they are."""

    n: NDArray[np.complex128]
    thickness_nm: NDArray[np.float64]
    layer_points: int
    options: dict[str, Any] = field(default_factory=dict)

    def run(self) -> Response:
        return solve(self.n, self.thickness_nm, WAVELENGTH_NM, **self.options)


def absorbing_stack() -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Air, eight absorbing dispersive layers, glass; invented."""
    rng = np.random.default_rng(1)
    n = rng.uniform(1.2, 2.5, (10, 1)) + 1j * rng.uniform(0.02, 0.3, (10, 1))
    n = n * (1 + 0.1 * np.sin(WAVELENGTH_NM / 100))
    n[0], n[-1] = 1.0, 1.5
    return n, rng.uniform(20, 300, 8)


def single_spectrum() -> Workload:
    n, d = absorbing_stack()
    return Workload(n, d, 8 * 821, {"polarization": "s"})


def angles_and_polarizations() -> Workload:
    n, d = absorbing_stack()
    return Workload(n, d, 8 * 821 * 19 * 2, {"angle_deg": np.linspace(0, 85, 19)})


def perturbed_stacks() -> Workload:
    n, d = absorbing_stack()
    factors = np.random.default_rng(2).uniform(0.9, 1.1, (1000, 8))
    return Workload(n, d * factors, 8 * 821 * 1000, {"polarization": "s"})


def between_panes() -> Workload:
    n, d = absorbing_stack()
    glass = np.full((1, 821), 1.5 + 1e-7j)
    air = np.ones((1, 821))
    return Workload(
        np.concatenate([air, glass, n[1:-1], glass, air]),
        np.concatenate([[1.1e6], d, [1.1e6]]),
        10 * 821,
        {"polarization": "s", "coherent": [False] + [True] * 8 + [False]},
    )


@pytest.mark.parametrize(
    ("workload", "rounds"),
    [
        (single_spectrum, 600),
        (angles_and_polarizations, 30),
        (perturbed_stacks, 5),
        (between_panes, 300),
    ],
)
def test_speed(
    workload: Callable[[], Workload],
    rounds: int,
    benchmark: Any,
    capsys: pytest.CaptureFixture[str],
) -> None:
    job = workload()
    response = benchmark.pedantic(job.run, rounds=rounds, warmup_rounds=2)
    total = response.reflectance + response.transmittance + response.absorptance.sum(-2)
    assert abs(total - 1).max() < 1e-10
    points = np.random.default_rng(3).uniform(0, 30, (8, 821))
    sines = timeit.repeat(lambda: np.sin(points), number=20, repeat=15)
    sine_us = 1e6 * float(np.median(sines)) / 20
    median_us = 1e6 * benchmark.stats.stats.median
    per_point_ns = 1e3 * median_us / job.layer_points
    benchmark.extra_info["ns_per_layer_point"] = round(per_point_ns, 1)
    benchmark.extra_info["sine_us"] = round(sine_us, 1)
    with capsys.disabled():
        print(
            f"\n{workload.__name__}: median {median_us:.0f} us, "
            f"{per_point_ns:.1f} ns per layer point; np.sin on 8 x 821: {sine_us:.0f} us"
        )
