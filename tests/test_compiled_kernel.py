"""The compiled loops against the readable numpy kernel and an independent program.

The whole of test_transfer_matrix*.py also passes with ``OPTISTACK_ENGINE=compiled``; the part of it
that is about numerical traps is run so here.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import test_transfer_matrix
import test_transfer_matrix_oracle
from conftest import ROOT
from hypothesis import example, given, settings
from hypothesis import strategies as st
from test_transfer_matrix_properties import LOOK, Case, stacks

from optistack import compiled_kernel
from optistack.errors import StackError
from optistack.transfer_matrix import Response, integrated, solve, solve_isotropic

needs_numba = pytest.mark.skipif(not compiled_kernel.available(), reason="numba is not installed")

FIELDS = ("reflectance", "transmittance", "absorptance", "power_entering")
LAM = np.linspace(300.0, 1100.0, 301)  # a block of 256 and one that is not full


def compare(*args: Any, tolerance: float = 1e-11, **options: Any) -> tuple[Response, Response]:
    """Both engines; the tolerance is of a fraction of the incident power."""
    plain, fast = (solve(*args, engine=e, **options) for e in ("numpy", "compiled"))
    for name in FIELDS:
        expected, got = getattr(plain, name), getattr(fast, name)
        assert expected.shape == got.shape
        # In an absorbing ambient the numbers themselves may be large.
        scale = max(1.0, float(abs(expected).max(initial=0.0)))
        np.testing.assert_allclose(got, expected, rtol=0, atol=tolerance * scale, err_msg=name)
    if plain.reflection_amplitude is None:
        assert fast.reflection_amplitude is None
    else:
        np.testing.assert_allclose(
            fast.reflection_amplitude, plain.reflection_amplitude, rtol=0, atol=tolerance
        )
    return plain, fast


# --- the same as numpy ------------------------------------------------------------------------


@needs_numba
@settings(LOOK, max_examples=300)
@given(stacks())
def test_random_stacks_as_numpy(case: Case) -> None:
    compare(
        case.n,
        case.d,
        [case.wavelength],
        angle_deg=case.angle,
        polarization=case.polarization,
        coherent=list(case.coherent) if case.coherent else None,
    )


TINY = st.sampled_from([0.0, 5e-324, 1e-308, 2.36e-173, 1e-160, 1e-100, 1e-15, 1e-12, 1e-9, 1e-6])


@needs_numba
@settings(LOOK, max_examples=300)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.05, 0.3, 1.0, 1.2, 1.5, 1.5 * np.sin(np.radians(50.0)), 2.5]),
            st.one_of(TINY, st.sampled_from([0.01, 0.3, 3.0, 8.0])),
            st.sampled_from([0.0, 1e-6, 1.0, 80.0, 700.0, 1e4]),
            st.booleans(),
        ),
        max_size=12,
    ),
    st.sampled_from([1.0, 1.5]),
    st.one_of(TINY, st.floats(0.001, 0.1)),
    st.sampled_from([1.0, 1.5, 0.05 + 3j, 2.0 + 0.7j, 1.2]),
    st.sampled_from([0.0, 30.0, 50.0, 60.0, 85.0, 89.9999, 90.0]),
    st.sampled_from(["s", "p", "mean"]),
)
@example([(2.5, 0.0, 1e-6, True)], 1.0, 0.0, 1.0, 89.9999, "s")
def test_traps_as_numpy(
    layers: Any, ambient: float, ambient_k: float, substrate: complex, angle: float, kind: Any
) -> None:
    """Opaque, critical, only fading, hardly absorbing, no thickness, grazing: in any order.

    An incoherent layer is thick; in a thin strong absorber it has no meaning, whatever solves it.
    """
    n = [complex(ambient, ambient_k), *(complex(x, k) for x, k, _, _ in layers), substrate]
    coherent = [flag or d < 1e4 or k > 1e-4 for _, k, d, flag in layers]
    compare(
        n,
        [d for _, _, d, _ in layers],
        [480.0],
        angle_deg=angle,
        polarization=kind,
        coherent=coherent or None,
    )


def batch(count: int, seed: int = 3) -> tuple[Any, Any, list[bool]]:
    """Glass first, absorbing films, a metal: for (count) stacks over LAM."""
    rng = np.random.default_rng(seed)
    n = np.ones((count, 7, LAM.size), dtype=complex)
    n[:, 1] = 1.5 + 1e-7j
    n[:, 2:5] = rng.uniform(1.4, 2.4, (count, 3, 1)) + 0.3j * rng.random((count, 3, LAM.size))
    n[:, 5] = 0.3 + 3j + 1e-3 * LAM
    d = np.concatenate([np.full((count, 1), 1e6), rng.uniform(5, 200, (count, 4))], axis=1)
    return n, d, [False, True, True, True, True]


@needs_numba
@pytest.mark.parametrize("polarization", ["s", "p", "mean"])
@pytest.mark.parametrize("mixed", [False, True])
@pytest.mark.parametrize("angle", [0.0, [0.0, 40.0, 75.0, 90.0]])
def test_batches_as_numpy(polarization: Any, mixed: bool, angle: Any) -> None:
    n, d, flags = batch(7)
    options: dict[str, Any] = {"angle_deg": angle, "polarization": polarization}
    if not mixed:
        d[:, 0] = 300.0
    coherent = flags if mixed else None
    compare(n, d, LAM, coherent=coherent, **options)
    compare(n[0], d, LAM, coherent=coherent, **options)
    compare(n, d[0], LAM, coherent=coherent, **options)
    compare(n[:, None], d[None, :3], LAM, coherent=coherent, **options)
    compare(n[:, :, :1], d, LAM, coherent=coherent, **options)
    compare(n[:, ::-1], d[:, ::-1], LAM, coherent=coherent and coherent[::-1], **options)
    compare(np.broadcast_to(n[0], (5, *n[0].shape)), d[0], LAM, coherent=coherent, **options)


@needs_numba
def test_every_number_of_layers_and_wavelengths() -> None:
    """Block edges, no inner layer, one wavelength."""
    rng = np.random.default_rng(0)
    for layers in (0, 1, 2, 21):
        for size in (1, 31, 32, 33, 255, 256, 257, 600):
            n = rng.uniform(1, 2, (layers + 2, size)) + 0.1j * rng.random((layers + 2, size))
            d = rng.uniform(10, 100, layers)
            compare(n, d, np.linspace(300, 900, size), angle_deg=[20.0, 60.0])


@needs_numba
def test_isotropic_light_and_angle_weights() -> None:
    n, d, flags = batch(5)
    for engine_options in ({"coherent": flags}, {"polarization": "p", "coherent": flags}):
        plain, fast = (
            solve_isotropic(n, d, LAM, points=6, engine=e, **engine_options)
            for e in ("numpy", "compiled")
        )
        for name in FIELDS:
            np.testing.assert_allclose(getattr(fast, name), getattr(plain, name), atol=1e-12)
    angles = np.array([0.0, 20.0, 70.0])
    each = solve(n, d, LAM, angle_deg=angles, coherent=flags)
    shares = np.random.default_rng(1).random((5, 3))
    for share in (shares[0], shares):
        expected = (each.absorptance * np.broadcast_to(share, (5, 3))[:, :, None, None]).sum(1)
        _, fast = compare(n, d, LAM, angle_deg=angles, angle_weight=share, coherent=flags)
        np.testing.assert_allclose(fast.absorptance, expected, atol=1e-13)
    with pytest.raises(StackError, match=r"angle_weight of shape \(2,\) does not fit 3 angles"):
        solve(n, d, LAM, angle_deg=angles, angle_weight=[1.0, 1.0])
    with pytest.raises(StackError, match=r"the leading axes of angle_weight \(4,\) do not fit"):
        solve(n, d, LAM, angle_deg=angles, angle_weight=np.ones((4, 3)))
    with pytest.raises(StackError, match="angle_weight must be finite"):
        solve(n, d, LAM, angle_deg=angles, angle_weight=[1.0, np.nan, 1.0])


# --- against the oracle and many digits -------------------------------------------------------

TRAPS = [
    name
    for name in vars(test_transfer_matrix)
    if name.startswith("test_")
    and any(
        word in name
        for word in (
            "opaque", "critical", "total_reflection", "ambient", "p_transmittance", "weak",
            "grazing", "phase", "s_and_p", "mixed", "zero_thickness",
        )
    )
]  # fmt: skip


@needs_numba
@pytest.mark.parametrize("module", [test_transfer_matrix, test_transfer_matrix_oracle])
def test_traps_with_many_digits_and_the_oracle(module: Any, monkeypatch: Any) -> None:
    """All of them again, with the parameters they have, solved by the compiled loops."""
    monkeypatch.setenv(compiled_kernel.VARIABLE, "compiled")
    names = TRAPS if module is test_transfer_matrix else ["test_random_stacks",
        "test_random_stacks_in_an_absorbing_ambient"]  # fmt: skip
    assert len(names) > 1
    ran = 0
    for name in names:
        function = getattr(module, name)
        cases: list[dict[str, Any]] = [{}]
        for mark in getattr(function, "pytestmark", []):
            keys, values = mark.args
            keys = [k.strip() for k in keys.split(",")] if isinstance(keys, str) else list(keys)
            cases = [
                case | dict(zip(keys, value if len(keys) > 1 else [value], strict=True))
                for case in cases
                for value in values
            ]
        for case in cases:
            function(**case)
            ran += 1
    assert ran >= (100 if module is test_transfer_matrix else 2)


# --- sums without spectra ---------------------------------------------------------------------


@pytest.mark.parametrize("engine", ["numpy", pytest.param("compiled", marks=needs_numba)])
@pytest.mark.parametrize("angle", [0.0, [0.0, 50.0]])
def test_integrated(engine: Any, angle: Any) -> None:
    n, d, flags = batch(6)
    weights = np.random.default_rng(2).random((3, LAM.size))
    spectra = solve(n, d, LAM, angle_deg=angle, coherent=flags, engine="numpy")
    sums = integrated(n, d, LAM, weights, angle_deg=angle, coherent=flags, engine=engine)
    lead = (6,) if angle == 0.0 else (6, 2)
    assert sums.absorptance.shape == (*lead, 3, 5)
    np.testing.assert_allclose(
        sums.absorptance, np.einsum("...lw,mw->...ml", spectra.absorptance, weights), rtol=1e-11
    )
    for name in ("reflectance", "transmittance", "power_entering"):
        np.testing.assert_allclose(
            getattr(sums, name), getattr(spectra, name) @ weights.T, rtol=1e-11
        )
    if angle != 0.0:
        share = np.array([[0.2, 0.8]] * 6)
        one = integrated(
            n, d, LAM, weights, angle_deg=angle, coherent=flags, engine=engine, angle_weight=share
        )
        np.testing.assert_allclose(
            one.absorptance, np.einsum("ga,gaml->gml", share, sums.absorptance), rtol=1e-12
        )


@pytest.mark.parametrize("engine", ["numpy", pytest.param("compiled", marks=needs_numba)])
def test_sums_of_a_stack_do_not_depend_on_its_batch(engine: Any) -> None:
    n, d, flags = batch(9)
    weights = np.random.default_rng(2).random((2, LAM.size))
    together = integrated(n, d, LAM, weights, coherent=flags, engine=engine).absorptance
    for i in (0, 4, 8):
        alone = integrated(n[i], d[i], LAM, weights, coherent=flags, engine=engine).absorptance
        if engine == "compiled":
            np.testing.assert_array_equal(alone, together[i])
        else:  # the order in which a matrix product adds up depends on its size
            np.testing.assert_allclose(alone, together[i], rtol=1e-13)


@pytest.mark.parametrize(
    ("weights", "message"),
    [
        (np.ones(LAM.size), r"weights of shape \(301,\) do not fit 301 wavelengths"),
        (np.ones((2, 3)), r"weights of shape \(2, 3\) do not fit"),
        (np.full((1, LAM.size), np.nan), "weights must be finite"),
    ],
)
def test_weights_that_do_not_fit(weights: Any, message: str) -> None:
    n, d, _ = batch(1)
    with pytest.raises(StackError, match=message):
        integrated(n, d, LAM, weights)


# --- engine, threads, start-up ----------------------------------------------------------------


@needs_numba
def test_a_stack_gives_the_same_whatever_it_is_solved_with_and_by_how_many_threads(
    monkeypatch: Any,
) -> None:
    n, d, flags = batch(200)
    given: dict[str, Any] = {"coherent": flags, "engine": "compiled", "angle_deg": 30.0}
    monkeypatch.setattr(compiled_kernel, "_WORTH_THREADS", 0)
    answers = []
    for number in ("1", "2", "3"):
        monkeypatch.setenv("NUMBA_NUM_THREADS", number)
        answers.append(solve(n, d, LAM, **given).absorptance)
    np.testing.assert_array_equal(answers[0], answers[1])
    np.testing.assert_array_equal(answers[0], answers[2])
    for i in (0, 77, 199):
        alone = solve(n[i], d[i], LAM, **given).absorptance
        np.testing.assert_array_equal(alone, answers[0][i])


def test_choice_of_engine(monkeypatch: Any) -> None:
    choose = compiled_kernel.choose
    monkeypatch.delenv(compiled_kernel.VARIABLE, raising=False)
    assert not choose(None, 10)
    assert not choose("numpy", 10**12)
    monkeypatch.setattr(compiled_kernel, "available", lambda: True)
    assert choose("auto", compiled_kernel.LARGE)
    assert not choose("auto", compiled_kernel.LARGE - 1)
    assert choose("compiled", 1)
    monkeypatch.setenv(compiled_kernel.VARIABLE, "compiled")
    assert choose(None, 1)
    assert not choose("numpy", 1)  # what is said in a call counts
    monkeypatch.setenv(compiled_kernel.VARIABLE, "quick")
    with pytest.raises(StackError, match='OPTISTACK_ENGINE must be "auto", "numpy" or "compiled"'):
        choose(None, 1)
    with pytest.raises(StackError, match="engine must be"):
        solve([1, 1.5], [], [500.0], engine="fast")  # type: ignore[arg-type]
    monkeypatch.setattr(compiled_kernel, "available", lambda: False)
    assert not choose("auto", 10**12)
    with pytest.raises(StackError, match=r'needs numba: pip install "optistack\[fast\]"'):
        choose("compiled", 1)


def test_threads(monkeypatch: Any) -> None:
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS"):
        monkeypatch.delenv(name, raising=False)
    cores = compiled_kernel.threads()
    assert 1 <= cores <= (os.cpu_count() or 1)
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    assert compiled_kernel.threads() == 3
    monkeypatch.setenv("NUMBA_NUM_THREADS", "1")
    assert compiled_kernel.threads() == 1
    monkeypatch.setenv("NUMBA_NUM_THREADS", "none")
    assert compiled_kernel.threads() == 3


def test_workers_of_a_pool_do_not_take_all_cores(monkeypatch: Any) -> None:
    import joblib

    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS"):
        monkeypatch.delenv(name, raising=False)
    cores = os.cpu_count() or 1
    found = joblib.Parallel(n_jobs=cores)(
        joblib.delayed(compiled_kernel.threads)() for _ in range(cores)
    )
    assert found == [1] * cores


def fresh(code: str, **environment: str) -> str:
    """What a new interpreter writes."""
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env=os.environ | environment,
    )
    return done.stdout


def test_small_jobs_do_not_load_numba() -> None:
    code = (
        "import sys; from optistack.transfer_matrix import solve; "
        "solve([1, 1.5 + 0.1j, 1], [100.0], range(300, 1000), angle_deg=range(0, 90, 5)); "
        "sys.stdout.write(str('numba' in sys.modules))"
    )
    assert fresh(code, OPTISTACK_ENGINE="auto") == "False"


@needs_numba
def test_large_jobs_do() -> None:
    code = (
        "import sys, numpy as np; from optistack import compiled_kernel; "
        "from optistack.transfer_matrix import solve; compiled_kernel.LARGE = 1000; "
        "solve([1, 1.5 + 0.1j, 1], [100.0], np.arange(300.0, 1400.0)); "
        "sys.stdout.write(str('numba' in sys.modules))"
    )
    assert fresh(code, OPTISTACK_ENGINE="auto") == "True"


@needs_numba
def test_where_the_compiled_code_is_kept(tmp_path: Path) -> None:
    """In a stated folder; else numba's choice, which git and the wheel leave out."""
    code = (
        "from optistack.compiled_loops import solve_tasks; "
        "import sys; sys.stdout.write(solve_tasks.stats.cache_path)"
    )
    assert Path(fresh(code, NUMBA_CACHE_DIR=str(tmp_path))).is_relative_to(tmp_path)
    assert "__pycache__" in (ROOT / ".gitignore").read_text(encoding="utf-8")


@needs_numba
def test_memory_of_answers_is_used_again_only_when_they_are_gone(monkeypatch: Any) -> None:
    monkeypatch.setattr(compiled_kernel, "_LEAST_AGAIN", 1)
    waiting = compiled_kernel._Memory._waiting
    waiting.clear()
    n, d, flags = batch(4)
    given: dict[str, Any] = {"coherent": flags, "engine": "compiled"}
    first = solve(n, d, LAM, **given)
    kept, a = first.absorptance[2], first.absorptance.copy()
    place = first.absorptance.ctypes.data
    second = solve(n, 2 * d, LAM, **given)
    assert not np.shares_memory(first.absorptance, second.absorptance)
    del first
    third = solve(n, 3 * d, LAM, **given)  # a part of the first is still held
    assert third.absorptance.ctypes.data != place
    np.testing.assert_array_equal(kept, a[2])
    del kept
    again = solve(n, d, LAM, **given)
    assert again.absorptance.ctypes.data == place
    np.testing.assert_array_equal(again.absorptance, a)
    for size in range(20):
        solve(n[:, :, : 100 + size], d, LAM[: 100 + size], **given)
        assert len(waiting) <= compiled_kernel._MOST_WAITING


@needs_numba
def test_the_process_that_compiles_rounds_as_those_that_load(tmp_path: Path) -> None:
    """Both polarisations, light from both sides: with each the two once differed in last bits."""
    code = """
import hashlib, sys
import numpy as np
from optistack.transfer_matrix import solve
rng = np.random.default_rng(4)
lam = np.linspace(300.0, 1100.0, 400)
n = rng.uniform(1.2, 2.5, (8, 1)) + rng.uniform(0.0, 0.3, (8, 1)) * (1j + np.sin(lam / 100))
n[0] = 1.0
d = rng.uniform(20.0, 300.0, (6, 6))
flags = [False, True, True, False, True, True]
for angle in (0.0, [0.0, 50.0]):
    for coherent in (None, flags):
        r = solve(n, d, lam, angle_deg=angle, coherent=coherent, engine="compiled")
        sys.stdout.write(hashlib.sha256(r.absorptance.tobytes()).hexdigest())
"""
    compiling, loading = (fresh(code, NUMBA_CACHE_DIR=str(tmp_path)) for _ in range(2))
    assert compiling == loading


def test_without_numba() -> None:
    """The loops are plain Python then, with the same answers; large jobs stay with numpy."""
    code = """
import sys
sys.modules["numba"] = None
import numpy as np
from optistack import compiled_kernel, transfer_matrix as tm
assert not compiled_kernel.available()
n, d, lam = [1.0, 1.5 + 1e-6j, 1.8 + 0.2j, 0.3 + 3j, 1.0], [1e6, 80.0, 20.0], [300.0, 700.0]
index, d, lam, flags = tm.prepare(n, d, lam, [False, True, True])
sine, cosine, _ = tm.directions([40.0], False)
job, _ = tm._job(index, d, lam, flags, sine, cosine, (False, True), None)
found = compiled_kernel.run(job).absorptance
expected = tm.solve(n, d, lam, angle_deg=[40.0], coherent=flags).absorptance
sys.stdout.write(str(float(abs(found - expected).max())))
"""
    assert float(fresh(code, OPTISTACK_ENGINE="auto", NUMBA_NUM_THREADS="1")) < 1e-13
