"""Refractive indices: tables, extensions, models, sensitivity."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from optistack.errors import OptistackError, RangeError, TableError
from optistack.materials import (
    Material,
    cauchy_edge,
    constant,
    from_table,
    join_k,
    material,
    oscillators,
    sellmeier,
    with_assumed_k,
)
from optistack.tables import find_table, read_table, table_names

# h c / e in eV nm, CODATA 2018.
EV_NM = 1239.8419843320026


@pytest.fixture
def film(tmp_path: Path) -> Material:
    """n known in 300-600 nm, k in 320-500 nm only."""
    path = tmp_path / "film.csv"
    path.write_text(
        "wavelength_nm,n,k\n300,1.7,\n320,1.68,1e-2\n400,1.6,1e-4\n500,1.55,0\n600,1.5,\n"
    )
    return material(path)


# --- tables -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", table_names("materials"))
def test_every_material_that_comes_along_loads(name: str) -> None:
    m = material(name)
    table = find_table(name, "materials")
    lam, n = table.known("n")
    assert (m.grade, m.kind, m.source) == (table.grade, table.kind, table.source)
    assert m.n_range_nm == (lam[0], lam[-1])
    if m.k_model is None:
        assert "k" not in table.columns
        with pytest.raises(OptistackError, match=f"material {name}: k is not known.*missing k"):
            m.index(lam)
        np.testing.assert_array_equal(m.transparent().index(lam).real, n)
        return
    inside = (table.wavelength_nm >= m.range_nm[0]) & (table.wavelength_nm <= m.range_nm[1])
    index = m.index(table.wavelength_nm[inside])
    for part, column in ((index.real, "n"), (index.imag, "k")):
        known = ~np.isnan(table.columns[column][inside])
        np.testing.assert_array_equal(part[known], table.columns[column][inside][known])
    middle = np.linspace(*m.range_nm, 997)
    index = m.index(middle)
    assert (index.real > 0).all()
    assert (index.imag >= 0).all()
    assert not m.extended(middle).any()


def test_k_goes_in_the_logarithm_between_samples(film: Material) -> None:
    assert film.index(360.0)[0] == pytest.approx(1.64 + 1e-3j, rel=1e-12)
    # Beside k = 0 there is no logarithm: linear.
    assert film.index(450.0)[0] == pytest.approx(1.575 + 5e-5j, rel=1e-12)


def test_tables_of_other_things_are_no_material() -> None:
    root = Path(__file__).resolve().parent.parent
    with pytest.raises(OptistackError, match="am15g.csv: holds spectral_irradiance"):
        from_table(read_table(root / "spectra" / "am15g.csv"))
    with pytest.raises(TableError, match="Did you mean.*ito"):
        material("itoo")
    with pytest.raises(OptistackError, match="not NoneType"):
        material(None)  # type: ignore[arg-type]


def test_numbers_of_any_kind_are_constant_indices() -> None:
    for number in (2, 1.5, 1.5 + 0.1j, np.float32(1.5), np.int64(2), np.complex128(1 + 1j)):
        assert material(number).index([300.0, 5000.0]).tolist() == [complex(number)] * 2
    m = constant(1.5)
    assert material(m) is m


@pytest.mark.parametrize("index", [0, -1.0, 1 - 0.1j, np.nan, np.inf, 1 + 1j * np.inf, 0 + 1j])
def test_impossible_constants(index: complex) -> None:
    with pytest.raises(OptistackError, match="must be finite with n > 0 and k >= 0"):
        constant(index)


# --- outside the table --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lam", "side", "what", "available"),
    [
        ([310.0, 400.0], "below", "k", "320-500 nm"),
        ([290.0, 400.0], "below", "n", "300-600 nm"),
        ([400.0, 550.0], "above", "k", "320-500 nm"),
        ([400.0, 650.0], "above", "n", "300-600 nm"),
    ],
)
def test_refusal_names_table_ranges_and_way_out(
    lam: list[float], side: str, what: str, available: str, film: Material
) -> None:
    with pytest.raises(RangeError) as refused:
        film.index(lam)
    text = str(refused.value)
    assert text.startswith(
        f"material film: {what}: needed {lam[0]:g}-{lam[1]:g} nm, available {available}. "
    )
    assert f'extend_{side} = "hold" or "zero_k"' in text
    assert refused.value.needed == (lam[0], lam[1])


def test_the_way_out_names_the_side_that_refuses(film: Material) -> None:
    """Both ends are too short; one has been dealt with already."""
    held = Material(**{**film.__dict__, "below": "hold"})
    with pytest.raises(RangeError, match='state extend_above = "hold"'):
        held.index([290.0, 650.0])


def test_hold_and_zero_k(film: Material) -> None:
    lam = [290.0, 310.0, 550.0, 700.0]
    hold = Material(**{**film.__dict__, "below": "hold", "above": "hold"})
    index = hold.index(lam)
    np.testing.assert_allclose(index.real, [1.7, 1.69, 1.525, 1.5])
    np.testing.assert_allclose(index.imag, [1e-2, 1e-2, 0.0, 0.0])
    zero = Material(**{**film.__dict__, "below": "zero_k", "above": "hold"})
    index = zero.index(lam)
    np.testing.assert_allclose(index.real, [1.7, 1.69, 1.525, 1.5])
    np.testing.assert_allclose(index.imag, [0.0, 0.0, 0.0, 0.0])
    assert film.extended([300.0, 320.0, 400.0, 500.0, 501.0]).tolist() == [
        True,
        False,
        False,
        False,
        True,
    ]


def test_a_constant_is_never_extended() -> None:
    assert not constant(1.5).extended([1.0, 1e6]).any()


# --- k of other origins -------------------------------------------------------------------------


def test_an_assumed_k_is_said() -> None:
    base = material("pmma")
    assert base.k_model is None
    m = with_assumed_k(base, 1e-4)
    np.testing.assert_allclose(m.index([450.0, 500.0]).imag, 1e-4)
    assert m.grade >= "C"
    assert any("k = 0.0001 is an assumption of the user" in n for n in m.notes)
    for k in (-1.0, np.nan, np.inf):
        with pytest.raises(OptistackError, match="must be finite and not negative"):
            with_assumed_k(base, k)


def test_n_and_k_joined_from_two_sources(film: Material) -> None:
    other = Material(**{**constant(1.0 + 0.2j).__dict__, "grade": "D", "source": "elsewhere"})
    m = join_k(film, other)
    assert m.index(350.0)[0] == pytest.approx(film.index(350.0)[0].real + 0.2j)
    assert m.grade == "D"
    assert m.source == "n: not stated; k: elsewhere"
    assert m.range_nm == (300.0, 600.0)


def test_transparent_keeps_n(film: Material) -> None:
    clear = film.with_k(scale=3.0, tilt=1.0).transparent()
    lam = [300.0, 350.0, 600.0]
    assert clear.index(lam).imag.tolist() == [0.0, 0.0, 0.0]
    assert clear.index(lam).real.tolist() == [1.7, 1.65, 1.5]


@given(scale=st.floats(0.01, 100.0), tilt=st.floats(-3.0, 3.0), lam=st.floats(320.0, 480.0))
@settings(max_examples=50)
def test_scale_and_tilt_turn_about_340_nm(scale: float, tilt: float, lam: float) -> None:
    base = constant(1.6 + 1e-3j)
    changed = base.with_k(scale=scale, tilt=tilt)
    factor = changed.index(lam)[0].imag / 1e-3
    assert factor == pytest.approx(scale * np.exp(tilt * (lam - 340.0) / 40.0), rel=1e-12)
    assert changed.index(340.0)[0].imag == pytest.approx(1e-3 * scale, rel=1e-12)
    assert changed.index(lam)[0].real == 1.6
    back = changed.with_k(scale=1 / scale, tilt=-tilt)
    assert back.index(lam)[0].imag == pytest.approx(1e-3, rel=1e-9)


def test_k_beyond_all_materials_is_refused() -> None:
    with pytest.raises(OptistackError, match="n or k exceeds 1e\\+06"):
        constant(1.5 + 0.1j).with_k(tilt=1e6).index([280.0, 400.0])
    clear = constant(1.5).with_k(tilt=1e6)
    assert clear.index([280.0, 400.0]).imag.tolist() == [0.0, 0.0]


# --- models -------------------------------------------------------------------------------------

# I. H. Malitson, J. Opt. Soc. Am. 55 (1965) 1205, the three-term Sellmeier equation of fused silica.
MALITSON = [(0.6961663, 0.0684043**2), (0.4079426, 0.1162414**2), (0.8974794, 9.896161**2)]


def test_sellmeier_is_the_fused_silica_table() -> None:
    table = material("fused_silica")
    lam = np.arange(220.0, 1000.0, 7.0)
    model = sellmeier(MALITSON, (210.0, 3710.0))
    # The table gives four to five decimals, with linear interpolation between its rows.
    np.testing.assert_allclose(model.index(lam).real, table.index(lam).real, atol=2e-4)
    # n at the helium d line is 1.45846, Malitson 1965 (value from memory).
    assert model.index(587.5618)[0].real == pytest.approx(1.45846, abs=1e-5)
    assert (model.index(lam).imag == 0).all()


def test_cauchy_edge_has_its_k_at_the_edge_and_decays() -> None:
    m = cauchy_edge([1.5, 0.005, 1e-4], (300.0, 800.0), edge_nm=350.0, k_edge=1e-3, width_nm=12.0)
    lam = np.array([350.0, 362.0, 338.0])
    np.testing.assert_allclose(m.index(lam).imag, 1e-3 * np.exp([0.0, -1.0, 1.0]))
    um = lam / 1000
    np.testing.assert_allclose(m.index(lam).real, 1.5 + 0.005 / um**2 + 1e-4 / um**4)
    assert (cauchy_edge([1.5], (300.0, 800.0)).index(lam).imag == 0).all()


def kramers_kronig(energy: NDArray[np.float64], loss: NDArray[np.float64], at: float) -> float:
    """eps1(E) - 1 = 2/pi P int x eps2(x) / (x^2 - E^2) dx by Maclaurin's rule (skip the point)."""
    step = energy[1] - energy[0]
    i = int(np.rint((at - energy[0]) / step))
    other = np.arange((i + 1) % 2, energy.size, 2)
    x = energy[other]
    return float(2 / np.pi * 2 * step * np.sum(x * loss[other] / (x**2 - energy[i] ** 2)))


def test_lorentz_oscillators_obey_kramers_and_kronig() -> None:
    """Causality: the real part follows from the imaginary part (the rule:
    Ohta and Ishida, Appl. Spectrosc. 42 (1988) 952, from memory)."""
    m = oscillators((5.0, 1e6), lorentz=[(0.8, 4.5, 0.6), (0.3, 6.0, 1.0)])
    energy = np.linspace(0.01, 200.0, 60_001)
    eps = m.index(EV_NM / energy[::-1])[::-1] ** 2
    for at in (1.0, 3.0, 4.5, 5.5, 9.0):
        i = int(np.rint((at - energy[0]) / (energy[1] - energy[0])))
        expected = eps[i].real - 1
        assert kramers_kronig(energy, eps.imag, energy[i]) == pytest.approx(expected, abs=2e-3)


def test_static_limit_and_resonance_of_a_lorentz_oscillator() -> None:
    """eps(0) = eps_inf + f; at resonance eps2 = f E0 / G (from the formula itself)."""
    m = oscillators((50.0, 1e7), eps_inf=2.0, lorentz=[(0.8, 4.0, 0.5)])
    assert (m.index(1e7)[0] ** 2).real == pytest.approx(2.8, rel=1e-6)
    assert (m.index(EV_NM / 4.0)[0] ** 2).imag == pytest.approx(0.8 * 4.0 / 0.5, rel=1e-9)


def test_drude_plasma_edge() -> None:
    """eps crosses zero where E^2 = Ep^2 / eps_inf - G^2; a metal beyond it, clear short of it."""
    plasma, damping, eps_inf = 2.0, 0.05, 4.0
    edge_ev = np.sqrt(plasma**2 / eps_inf - damping**2)
    m = oscillators((300.0, 4000.0), eps_inf=eps_inf, drude=[(plasma, damping)])
    eps = m.index(EV_NM / edge_ev)[0] ** 2
    assert eps.real == pytest.approx(0.0, abs=1e-12)
    metal, clear = m.index([EV_NM / (0.7 * edge_ev), EV_NM / (1.5 * edge_ev)])
    assert metal.imag > metal.real
    assert clear.real > 10 * clear.imag


@pytest.mark.parametrize(
    ("build", "text"),
    [
        (lambda: sellmeier([(1.0, 0.25)], (400.0, 600.0)), "n is not positive and finite"),
        (lambda: sellmeier([(-3.0, 0.0)], (400.0, 600.0)), "n is not positive"),
        (lambda: sellmeier([(1.0, 0.01)], (600.0, 400.0)), "range 600-400 nm is not a range"),
        (lambda: sellmeier([(1.0, 0.01)], (0.0, 400.0)), "range 0-400 nm is not a range"),
        (lambda: cauchy_edge([-1.5], (300.0, 800.0)), "n is not positive"),
        (lambda: cauchy_edge([1.5], (300.0, 800.0), edge_nm=350, k_edge=-1.0), "must not be neg"),
        (lambda: cauchy_edge([1.5], (300.0, 800.0), edge_nm=350, width_nm=0.0), "width_nm must be"),
        (
            lambda: cauchy_edge([1.5], (300.0, 800.0), edge_nm=800, k_edge=1.0, width_nm=10.0),
            "exceeds 1e\\+06",
        ),
        (lambda: oscillators((300.0, 800.0), drude=[(2.0, -0.1)]), "must not be negative"),
        (lambda: oscillators((300.0, 800.0), lorentz=[(-9.0, 2.0, 0.1)]), "k is negative"),
        (lambda: oscillators((300.0, 800.0), eps_inf=-1.0), "n is not positive"),
    ],
)
def test_models_that_are_no_materials(build: object, text: str) -> None:
    with pytest.raises(OptistackError, match=text):
        build()  # type: ignore[operator]


@given(
    st.floats(0.5, 6.0),
    st.lists(
        st.tuples(st.floats(0.0, 5.0), st.floats(0.5, 12.0), st.floats(0.01, 3.0)), max_size=3
    ),
    st.lists(st.tuples(st.floats(0.0, 9.0), st.floats(0.01, 2.0)), max_size=2),
)
@settings(max_examples=60)
def test_passive_oscillators_absorb(
    eps_inf: float,
    lorentz: list[tuple[float, float, float]],
    drude: list[tuple[float, float]],
) -> None:
    m = oscillators((280.0, 1200.0), eps_inf=eps_inf, lorentz=lorentz, drude=drude)
    index = m.index(np.linspace(280.0, 1200.0, 50))
    assert (index.imag >= 0).all()
    assert (index.real > 0).all()
