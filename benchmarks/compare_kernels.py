"""The engines side by side with other public libraries, and how the time grows.

    python benchmarks/compare_kernels.py                         # the table
    python benchmarks/compare_kernels.py --figures docs/figures  # and the scaling plots
    python benchmarks/compare_kernels.py --json FILE             # and the figures as data

Four workloads: one spectrum; 19 angles x 2 polarisations; 1000 perturbed stacks; glass + 8 layers +
glass. Times are nanoseconds per layer point (stacks x inner layers x wavelengths x angles x
polarisations; at normal incidence the two polarisations are one): the median wall time of seven,
and the least CPU time, which other load on the machine disturbs less. The engines of optistack give
reflectance, transmittance and the absorptance of every layer; tmm does as well (one wavelength
after the other: a part of them is timed); tmm-fast and tmm-faster give reflectance and
transmittance alone. Every answer is compared with that of the numpy engine.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent))
from test_transfer_matrix_speed import (
    WAVELENGTH_NM,
    Workload,
    absorbing_stack,
    angles_and_polarizations,
    between_panes,
    perturbed_stacks,
    single_spectrum,
)

from optistack.compiled_kernel import available, threads
from optistack.transfer_matrix import Response, integrated, solve

ROUNDS = 7
WORKLOADS: dict[str, Callable[[], Workload]] = {
    "one spectrum": single_spectrum,
    "19 angles x 2 polarisations": angles_and_polarizations,
    "1000 perturbed stacks": perturbed_stacks,
    "glass + 8 layers + glass": between_panes,
}
# Two programs that round at 1e-16; tmm and its children difference growing exponentials.
TOLERANCE = 1e-9


class Timed(NamedTuple):
    """Nanoseconds per layer point, and the largest difference of R or T to the numpy engine."""

    wall_ns: float
    cpu_ns: float
    difference: float


def measure(work: Callable[[], Any], points: int) -> tuple[float, float]:
    """Median wall time and least CPU time of a round, in ns per point; the first is not counted."""
    work()
    wall, cpu = [], []
    for _ in range(ROUNDS):
        start, used = time.perf_counter(), time.process_time()
        work()
        wall.append(time.perf_counter() - start)
        cpu.append(time.process_time() - used)
    return 1e9 * float(np.median(wall)) / points, 1e9 * min(cpu) / points


def own(job: Workload, engine: str) -> tuple[Callable[[], Any], int, float]:
    """The work, its layer points, and the difference of its answer."""
    options = job.options | {"engine": engine}

    def work() -> Response:
        return solve(job.n, job.thickness_nm, WAVELENGTH_NM, **options)

    expected = solve(job.n, job.thickness_nm, WAVELENGTH_NM, **(job.options | {"engine": "numpy"}))
    found = work()
    worst = max(
        float(abs(getattr(found, name) - getattr(expected, name)).max())
        for name in ("reflectance", "transmittance", "absorptance")
    )
    return work, job.layer_points, worst


def with_tmm(job: Workload) -> tuple[Callable[[], Any], int, float] | None:
    import tmm

    every = 40 if job.thickness_nm.ndim == 1 else 400
    lam, n = WAVELENGTH_NM[::every], job.n[:, ::every]
    stacks = np.atleast_2d(job.thickness_nm)[:10]
    angles = np.atleast_1d(job.options.get("angle_deg", 0.0))
    kinds = job.options.get("polarization", "sp")
    coherent = job.options.get("coherent")
    codes = None if coherent is None else ["i", *("c" if c else "i" for c in coherent), "i"]

    def work() -> NDArray[np.float64]:
        found = np.zeros((2, len(stacks), angles.size, lam.size))
        for i, d in enumerate(stacks):
            thickness = [np.inf, *d, np.inf]
            for j, angle in enumerate(np.radians(angles)):
                for w, wavelength in enumerate(lam):
                    for kind in kinds:
                        if codes is None:
                            one = tmm.coh_tmm(kind, n[:, w], thickness, angle, wavelength)
                            tmm.absorp_in_each_layer(one)
                        else:
                            one = tmm.inc_tmm(kind, n[:, w], thickness, codes, angle, wavelength)
                            tmm.inc_absorp_in_each_layer(one)
                        found[:, i, j, w] += np.array([one["R"], one["T"]]) / len(kinds)
        return found

    expected = solve(n, stacks, lam, **{"angle_deg": angles} | job.options | {"engine": "numpy"})
    shape = (2, len(stacks), angles.size, lam.size)
    both = np.array([expected.reflectance, expected.transmittance]).reshape(shape)
    worst = float(abs(work() - both).max())
    points = len(stacks) * stacks.shape[1] * lam.size * angles.size * len(kinds)
    return work, points, worst


def with_tmm_fast(job: Workload) -> tuple[Callable[[], Any], int, float] | None:
    if "coherent" in job.options:
        return None
    import tmm_fast

    stacks = np.atleast_2d(job.thickness_nm)
    n = np.broadcast_to(job.n, (len(stacks), *job.n.shape))
    # A piece of the batch: its temporaries of all 1000 stacks take gigabytes.
    stacks, n = stacks[:50], n[:50]
    thickness = np.concatenate(
        [np.full((len(stacks), 1), np.inf), stacks * 1e-9, np.full((len(stacks), 1), np.inf)], 1
    )
    angles = np.atleast_1d(np.radians(job.options.get("angle_deg", 0.0)))
    kinds = job.options.get("polarization", "sp")

    def work() -> NDArray[np.float64]:
        found = [tmm_fast.coh_tmm(k, n, thickness, angles, WAVELENGTH_NM * 1e-9) for k in kinds]
        return np.array([np.mean([f[key] for f in found], axis=0) for key in "RT"])

    expected = solve(
        job.n,
        stacks,
        WAVELENGTH_NM,
        **{"angle_deg": np.degrees(angles)} | job.options | {"engine": "numpy"},
    )
    found = work()
    both = np.array([expected.reflectance, expected.transmittance]).reshape(found.shape)
    points = len(stacks) * stacks.shape[1] * WAVELENGTH_NM.size * angles.size * len(kinds)
    return work, points, float(abs(found - both).max())


def with_tmm_faster(job: Workload) -> tuple[Callable[[], Any], int, float] | None:
    import tmm_faster

    stacks = np.atleast_2d(job.thickness_nm)[:50]
    angles = np.atleast_1d(job.options.get("angle_deg", 0.0)).astype(float)
    n = np.ascontiguousarray(job.n.T)
    coherent = job.options.get("coherent")
    codes = None if coherent is None else ["i", *("c" if c else "i" for c in coherent), "i"]

    def work() -> list[Any]:
        out = []
        for d in stacks:
            thickness = np.array([0.0, *d, 0.0])
            if codes is None:
                out.append(tmm_faster.calc_coherent(n, thickness, angles, WAVELENGTH_NM))
            else:
                out.append(tmm_faster.calc_incoherent(n, thickness, codes, angles, WAVELENGTH_NM))
        return out

    expected = solve(
        job.n,
        stacks,
        WAVELENGTH_NM,
        **{"angle_deg": angles}
        | {k: v for k, v in job.options.items() if k != "polarization"}
        | {"engine": "numpy"},
    )
    shape = (len(stacks), angles.size, WAVELENGTH_NM.size)
    worst = 0.0
    for key, values in (("R_avg", expected.reflectance), ("T_avg", expected.transmittance)):
        found = np.array([np.asarray(x[key]) for x in work()])
        if found.shape != shape:
            found = found.swapaxes(1, 2)
        worst = max(worst, float(abs(found.reshape(shape) - values.reshape(shape)).max()))
    # It always does both polarisations; at normal incidence that is work for nothing.
    kinds = 2 if angles.any() else 1
    return work, len(stacks) * stacks.shape[1] * WAVELENGTH_NM.size * angles.size * kinds, worst


def table() -> dict[str, dict[str, Timed]]:
    """All times, by workload and program."""
    programs: dict[str, Callable[[Workload], tuple[Callable[[], Any], int, float] | None]] = {
        "numpy": lambda job: own(job, "numpy")
    }
    if available():
        programs["compiled"] = lambda job: own(job, "compiled")
    for name, module, call in (
        ("tmm", "tmm", with_tmm),
        ("tmm-fast", "tmm_fast", with_tmm_fast),
        ("tmm-faster", "tmm_faster", with_tmm_faster),
    ):
        if find_spec(module) is not None:
            programs[name] = call
    found: dict[str, dict[str, Timed]] = {}
    for workload, make in WORKLOADS.items():
        found[workload] = {}
        for name, call in programs.items():
            work = call(make())
            if work is not None:
                found[workload][name] = Timed(*measure(work[0], work[1]), work[2])
    return found


def show(found: dict[str, dict[str, Timed]]) -> str:
    lines = [
        f"{threads()} threads; ns per layer point: median wall time of {ROUNDS} (least CPU time)",
        f"{'workload':30s}{'program':12s}{'wall':>9s}{'CPU':>10s}{'x compiled':>12s}"
        f"{'difference':>12s}",
    ]
    for workload, times in found.items():
        base = times.get("compiled", times["numpy"])
        for name, t in times.items():
            doubt = "  differs" if not t.difference < TOLERANCE else ""
            lines.append(
                f"{workload:30s}{name:12s}{t.wall_ns:9.1f}{f'({t.cpu_ns:.1f})':>10s}"
                f"{t.wall_ns / base.wall_ns:12.1f}{t.difference:12.0e}{doubt}"
            )
    return "\n".join(lines)


def sums() -> str:
    """What band sums cost where no spectrum is kept."""
    n, d = absorbing_stack()
    many = d * np.random.default_rng(2).uniform(0.9, 1.1, (1000, 8))
    weights = np.random.default_rng(3).random((5, WAVELENGTH_NM.size))
    lines = []
    for engine in ("numpy", "compiled") if available() else ("numpy",):
        wall, cpu = measure(
            lambda engine=engine: integrated(n, many, WAVELENGTH_NM, weights, engine=engine),
            1000 * 8 * WAVELENGTH_NM.size,
        )
        lines.append(
            f"1000 stacks, 5 sums, no spectra  {engine:10s}{wall:9.1f}{f'({cpu:.1f})':>10s}"
        )
    return "\n".join(lines)


def scaling() -> dict[str, tuple[list[int], dict[str, list[float]]]]:
    """Milliseconds of CPU against layers, wavelengths and stacks; of wall against threads."""
    rng = np.random.default_rng(4)
    engines = ("numpy", "compiled") if available() else ("numpy",)

    def once(layers: int, size: int, stacks: int, engine: str) -> float:
        lam = np.linspace(280.0, 1100.0, size)
        n = rng.uniform(1.2, 2.5, (layers + 2, size)) + 0.1j
        n[0], n[-1] = 1.0, 1.5
        d = rng.uniform(20, 300, (stacks, layers))
        points = stacks * layers * size
        return measure(lambda: solve(n, d, lam, engine=engine), points)[1] * points / 1e6  # type: ignore[arg-type]

    sizes = {
        "layers": ([1, 2, 4, 8, 16, 32, 64], lambda x, e: once(x, 821, 10, e)),
        "wavelengths": ([50, 100, 200, 400, 800, 1600, 3200], lambda x, e: once(8, x, 10, e)),
        "stacks": ([1, 3, 10, 30, 100, 300, 1000], lambda x, e: once(8, 821, x, e)),
    }
    found: dict[str, tuple[list[int], dict[str, list[float]]]] = {
        name: (list(values), {e: [of(x, e) for x in values] for e in engines})
        for name, (values, of) in sizes.items()
    }
    if available():
        job = perturbed_stacks()
        options = job.options | {"engine": "compiled"}
        counts = list(range(1, 2 * (os.cpu_count() or 1) + 1))
        times = []
        before = os.environ.get("NUMBA_NUM_THREADS")
        for count in counts:
            os.environ["NUMBA_NUM_THREADS"] = str(count)
            wall, _ = measure(
                lambda: solve(job.n, job.thickness_nm, WAVELENGTH_NM, **options), job.layer_points
            )
            times.append(wall * job.layer_points / 1e6)
        if before is None:
            del os.environ["NUMBA_NUM_THREADS"]
        else:
            os.environ["NUMBA_NUM_THREADS"] = before
        found["threads"] = (counts, {"compiled": times})
    return found


def draw(found: dict[str, tuple[list[int], dict[str, list[float]]]], folder: Path) -> Path:
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "optistack"
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(2, 2, figsize=(8, 6), layout="constrained")
    for ax, (name, (values, times)) in zip(axes.flat, found.items(), strict=False):
        for engine, ms in times.items():
            ax.plot(values, ms, "o-" if engine == "compiled" else "s--", label=engine)
        ax.set_xlabel(name)
        wall = name == "threads"
        ax.set_ylabel("wall time / ms" if wall else "CPU time / ms")
        if wall:
            ax.set_ylim(bottom=0)
            ax.set_xticks(values)
        else:
            ax.set_xscale("log")
            ax.set_yscale("log")
        ax.legend()
    path = folder / "engine_scaling.svg"
    figure.savefig(path, metadata={"Date": None})
    return path


def main() -> None:
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--figures", type=Path, metavar="DIR", help="draw the scaling plots there")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the times there as well")
    given = parser.parse_args()
    found = table()
    print(show(found))
    print(sums())
    if given.json:
        data = {w: {p: t._asdict() for p, t in times.items()} for w, times in found.items()}
        given.json.write_text(json.dumps(data, indent=2) + "\n", encoding="utf-8")
    if given.figures:
        given.figures.mkdir(parents=True, exist_ok=True)
        print(draw(scaling(), given.figures))


if __name__ == "__main__":
    main()
