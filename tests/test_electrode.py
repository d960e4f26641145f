"""Distributed electrode: the solver against worked values and independent solutions.

Worked values come from ``shared/reference/checks.json``; each entry carries its source. The oracles
here are written from the equations alone: scipy's boundary-value solver, the first integral of the
one-dimensional problem, Lambert's W for the lumped cell, and series for linear cells.
"""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pvlib.pvsystem import singlediode
from scipy.integrate import quad, simpson, solve_bvp
from scipy.optimize import brentq
from scipy.special import lambertw

from optistack.analysis.electrode import (
    BusbarUnitCell,
    Cell,
    Collection,
    CounterElectrode,
    OneEdge,
    ParallelFingers,
    ResistanceSeries,
    SquarePad,
    collapse_ohm_sq,
    collection_length_mm,
    fill_factor_limit,
    green_fill_factor,
    jv_curves,
    lumped_resistance_ohm_cm2,
    operating_points,
    power_against_resistance,
    power_over_life,
    sheet_profile,
)
from optistack.analysis.electrode.cell import (
    LAW_PARAMETERS,
    collected_share,
    diode_law,
    laws,
)
from optistack.analysis.electrode.device import Device
from optistack.analysis.electrode.geometry import Strip
from optistack.analysis.electrode.line import solve_line, solve_opposed
from optistack.analysis.electrode.plate import solve_plate
from optistack.errors import OptistackError

mpl.use("Agg")

Real = NDArray[np.float64]
REFERENCE = Path(__file__).resolve().parent.parent / "shared" / "reference"
CHECKS: dict[str, Any] = {
    check["id"]: check
    for check in json.loads((REFERENCE / "checks.json").read_text(encoding="utf-8"))
    if check["topic"] == "electrode"
}
K_OVER_Q = 1.380649e-23 / 1.602176634e-19
ROOM_K = 298.15

DISTRIBUTED = ["ELE-024", "ELE-026", "ELE-027", "ELE-028", "ELE-030", "ELE-031"]
HANDLED = {
    *DISTRIBUTED,
    "ELE-001",
    "ELE-002",
    "ELE-007",
    "ELE-008",
    "ELE-011",
    "ELE-033",
    "ELE-034",
    "ELE-036",
}


def random_cells(seed: int, count: int, *, collection: bool = True) -> list[Cell]:
    """Cells over the range the project is for."""
    rng = np.random.default_rng(seed)
    out: list[Cell] = []
    while len(out) < count:
        jl, voc = rng.uniform(3, 40), rng.uniform(0.4, 1.2)
        # A shunt that takes all of a badly collected photocurrent leaves no open-circuit voltage.
        with suppress(OptistackError):
            out.append(
                Cell(
                    jl,
                    voc_v=voc,
                    ideality=rng.uniform(1, 2.5),
                    shunt_resistance_ohm_cm2=float(
                        rng.choice([1e3 * voc / jl * 10 ** rng.uniform(0.7, 4)])
                    )
                    if rng.random() < 0.7
                    else None,
                    series_resistance_ohm_cm2=float(10 ** rng.uniform(-1, 1))
                    if rng.random() < 0.5
                    else 0.0,
                    temperature_k=rng.uniform(280, 340),
                    collection=Collection(voc + 0.1, float(10 ** rng.uniform(-3, 0)))
                    if collection and rng.random() < 0.4
                    else None,
                )
            )
    return out


def local_current(cell: Cell) -> Callable[[Real], Real]:
    """J(V) of the cell without the package's solver: root of the junction equation."""
    a = cell.ideality * K_OVER_Q * cell.temperature_k
    vt = K_OVER_Q * cell.temperature_k
    gsh = 1e3 / cell.shunt_resistance_ohm_cm2 if cell.shunt_resistance_ohm_cm2 else 0.0
    r = 1e-3 * cell.series_resistance_ohm_cm2

    def share(u: float) -> float:
        if cell.collection is None:
            return 1.0
        w = vt * np.logaddexp(0.0, (cell.collection.built_in_voltage_v - u) / vt)
        z = cell.collection.collection_voltage_v / w
        return 1 - z / 3 + z**2 / 12 if z < 1e-3 else 2 * (z + math.expm1(-z)) / z**2

    def junction(u: float) -> float:
        # Trial voltages of a boundary-value solver may be anything: a straight line from there.
        diode = math.expm1(u / a) if u < voc + 8 * a else steep * (1 + (u - voc) / a - 8) - 1
        return cell.photocurrent_density_ma_cm2 * share(u) - j0 * diode - gsh * u

    voc = cell.voc_v
    assert voc is not None
    j0 = (cell.photocurrent_density_ma_cm2 * share(voc) - gsh * voc) / math.expm1(voc / a)
    steep = math.exp(voc / a + 8)

    def one(v: float) -> float:
        if r == 0:
            return junction(v)
        u = brentq(
            lambda u: u - r * junction(u) - v, min(v, 0.0) - 1.0, max(v, voc) + 1e-9, xtol=1e-15
        )
        return junction(u)

    return np.vectorize(one, otypes=[float])


# --- worked values -----------------------------------------------------------------------------


def test_every_electrode_entry_is_checked() -> None:
    assert set(CHECKS) == HANDLED


def cell_of(inputs: dict[str, Any]) -> Cell:
    return Cell(
        inputs.get("Jsc_local_mA_cm2", inputs.get("Jl_mA_cm2")),
        voc_v=inputs["Voc"],
        ideality=inputs["n"],
        shunt_resistance_ohm_cm2=inputs.get("Rsh_ohm_cm2"),
        temperature_k=inputs.get("T_K", ROOM_K),
    )


@pytest.mark.parametrize("name", DISTRIBUTED)
def test_distributed_cell(name: str) -> None:
    check = CHECKS[name]
    inputs, expected, tolerance = check["inputs"], check["expected"], check["tolerance"]
    cell, geometry = cell_of(inputs), ParallelFingers(inputs["pitch_mm"])
    # The keys are these shares of Voc to two decimals: "0.17" is 0.175 V, "0.28" is 0.275 V.
    voltages = np.array([0.0, 0.25, 0.5, 0.7, 0.8, 0.9]) * cell.open_circuit_v
    assert voltages == pytest.approx([float(v) for v in expected["J_V_mA_cm2"]], abs=0.0051)
    curves = jv_curves(cell, geometry, inputs["R_sq"], voltages)
    points = curves.points
    rel = tolerance["rel"]
    assert points.jsc_ma_cm2[0] == pytest.approx(expected["Jsc_mA_cm2"], rel=rel)
    assert points.voc_v[0] == pytest.approx(expected["Voc_V"], rel=rel)
    assert points.fill_factor[0] == pytest.approx(expected["FF"], rel=rel)
    assert points.power_mw_cm2[0] == pytest.approx(expected["PCE_pct_at_100mW_cm2"], rel=rel)
    loose = tolerance["rel_for_Vmp_Jmp"]
    assert points.vmp_v[0] == pytest.approx(expected["Vmp_V"], rel=loose)
    assert points.jmp_ma_cm2[0] == pytest.approx(expected["Jmp_mA_cm2"], rel=loose)
    assert curves.current_density_ma_cm2[0] == pytest.approx(
        list(expected["J_V_mA_cm2"].values()), rel=rel
    )

    profile = sheet_profile(cell, geometry, inputs["R_sq"], 0.0)
    half = inputs["pitch_mm"] / 2
    asked = np.array(inputs["x_over_half_pitch"]) * half
    # Nodes do not lie where the check asks; a straight line between them is off by up to 9e-5 V.
    voltage, share = profile.at(asked)
    assert voltage == pytest.approx(
        expected["V_at_short_circuit"], abs=tolerance["abs_for_V_at_short_circuit"]
    )
    assert share / cell.photocurrent_density_ma_cm2 == pytest.approx(
        expected["local_J_over_Jl_at_short_circuit"], abs=tolerance["abs_for_local_J_over_Jl"]
    )
    near = profile.x_mm <= half / 2 * (1 + 1e-12)
    inner = simpson(profile.local_current_density_ma_cm2[near], x=profile.x_mm[near])
    whole = simpson(profile.local_current_density_ma_cm2, x=profile.x_mm)
    assert inner / whole == pytest.approx(
        expected["share_of_Isc_from_nearest_half_of_gap"], abs=tolerance["abs_for_share"]
    )
    assert whole / cell.photocurrent_density_ma_cm2 * 1e3 == pytest.approx(
        expected["collection_length_um"], rel=rel
    )


def test_first_order_loss_example() -> None:
    check = CHECKS["ELE-001"]
    i, e = check["inputs"], check["expected"]
    # Lumped resistance times J_mp / V_mp is the loss; its root in S is the pitch.
    lumped = lumped_resistance_ohm_cm2(ParallelFingers(4.0), i["R_sq"])
    loss = 1e-3 * lumped * i["J_mp_mA_cm2"] / i["V_mp"]
    assert loss == pytest.approx(e["loss_at_4mm"], rel=1e-9)
    assert 4.0 * math.sqrt(i["allowed_loss"] / loss) == pytest.approx(e["S_mm"], rel=1e-9)


def test_lumped_resistances() -> None:
    check = CHECKS["ELE-002"]
    for key, expected in check["expected"]["Rs_ohm_cm2"].items():
        sheet, pitch = (float(x) for x in key.removesuffix("mm").split("_"))
        both = lumped_resistance_ohm_cm2(ParallelFingers(pitch), sheet)
        one = lumped_resistance_ohm_cm2(OneEdge(pitch / 2), sheet)
        assert both == pytest.approx(expected, rel=1e-9)
        assert one == pytest.approx(expected, rel=1e-9)


def diode_of(normalised_voc: float) -> Cell:
    return Cell(
        10.0, voc_v=normalised_voc * 1.5 * K_OVER_Q * ROOM_K, ideality=1.5, temperature_k=ROOM_K
    )


def test_fill_factor_without_resistance() -> None:
    check = CHECKS["ELE-007"]
    for key, expected in check["expected"].items():
        v = float(key)
        cell = diode_of(v)
        ff = float(operating_points(cell, ParallelFingers(1.0), 0.0).fill_factor[0])
        assert ff == pytest.approx(expected["FF_exact"], abs=1e-7)
        assert fill_factor_limit(cell.open_circuit_v, ROOM_K, 1.5) == pytest.approx(
            expected["FF_exact"], abs=1e-7
        )
        assert green_fill_factor(v) == pytest.approx(expected["FF0_green"], abs=1e-7)


def test_fill_factor_with_lumped_resistance() -> None:
    check = CHECKS["ELE-008"]
    for key, expected in check["expected"].items():
        v, rs = (float(x.split("=")[1]) for x in key.split(","))
        cell = diode_of(v)
        jsc = cell.photocurrent_density_ma_cm2
        # r_s is over Voc / J_sc of the cell without resistance.
        cell = replace(cell, series_resistance_ohm_cm2=1e3 * rs * cell.open_circuit_v / jsc)
        points = operating_points(cell, ParallelFingers(1.0), 0.0)
        exact = float(points.power_mw_cm2[0]) / (jsc * cell.open_circuit_v)
        ff = float(points.fill_factor[0])
        assert expected["FF_exact"] == pytest.approx(ff, abs=1e-7) or expected[
            "FF_exact"
        ] == pytest.approx(exact, abs=1e-7)
        green = float(green_fill_factor(v, rs))
        assert green == pytest.approx(expected["FFs_green"], abs=1e-7)
        # The first-order expression and the misprinted bracket are what they are said to be.
        ff0 = float(green_fill_factor(v))
        assert ff0 * (1 - rs) == pytest.approx(expected["first_order"], abs=1e-7)
        assert ff0 * (1 - 1.1 * rs + rs**2 / 5.4) == pytest.approx(
            expected["alt_bracket"], abs=1e-7
        )
        assert green == pytest.approx(expected["FF_exact"], abs=4e-3)


def test_lumped_cell() -> None:
    check = CHECKS["ELE-011"]
    i = check["inputs"]
    for key, expected in check["expected"].items():
        cell = Cell(
            i["Jsc_mA_cm2"],
            voc_v=i["Voc"],
            ideality=i["n"],
            temperature_k=i["T_K"],
            series_resistance_ohm_cm2=float(key),
        )
        assert cell.saturation_ma_cm2 == pytest.approx(i["J0_mA_cm2"], rel=1e-9)
        p = operating_points(cell, ParallelFingers(1.0), 0.0)
        assert p.jsc_ma_cm2[0] == pytest.approx(expected["Jsc_mA_cm2"], rel=1e-6)
        assert p.voc_v[0] == pytest.approx(expected["Voc_V"], rel=1e-6)
        assert p.fill_factor[0] == pytest.approx(expected["FF"], rel=1e-6)
        assert p.power_mw_cm2[0] == pytest.approx(expected["PCE_pct_at_100mW_cm2"], rel=1e-6)
        # At a maximum the voltage is known to the root of what the power is known to.
        assert p.vmp_v[0] == pytest.approx(expected["Vmp_V"], rel=1e-4)
        assert p.jmp_ma_cm2[0] == pytest.approx(expected["Jmp_mA_cm2"], rel=1e-4)


def test_endless_sheet() -> None:
    check = CHECKS["ELE-033"]
    cell = cell_of(check["inputs"])
    for key, expected in check["expected"].items():
        length = collection_length_mm(cell, float(key))
        assert length * 1e3 == pytest.approx(expected["collection_length_um"], rel=1e-8)
        # The solver, in a gap of 40 lengths: current per cm of finger and side.
        wide = ParallelFingers(40 * length)
        jsc = jv_curves(cell, wide, float(key), [0.0], rtol=1e-10).current_density_ma_cm2[0, 0]
        assert jsc * 2 * length == pytest.approx(expected["I_max_mA_per_cm"], rel=1e-8)


def test_fill_factor_of_an_endless_sheet() -> None:
    check = CHECKS["ELE-036"]
    cell = Cell(10.0, voc_v=0.7, ideality=1.5)
    points = operating_points(cell, ParallelFingers(1.0), 1e8)
    assert points.fill_factor[0] == pytest.approx(check["expected"]["FF_limit"], abs=1e-6)
    assert points.vmp_v[0] == pytest.approx(check["expected"]["Vmp_limit"], rel=1e-4)
    # A diode that is a step: many kT/q below its open-circuit voltage.
    step = Cell(10.0, voc_v=0.7, ideality=0.01)
    ff = float(operating_points(step, ParallelFingers(1.0), 1e8).fill_factor[0])
    limit = check["expected"]["FF_limit_square_diode"]
    assert limit == pytest.approx(2 / (3 * math.sqrt(3)), rel=1e-9)
    assert ff == pytest.approx(limit, abs=2e-4)


def test_sheet_resistance_at_levels_of_power() -> None:
    check = CHECKS["ELE-034"]
    i, e = check["inputs"], check["expected"]
    cell, geometry = (
        Cell(i["Jl_mA_cm2"], voc_v=i["Voc"], ideality=i["n"]),
        ParallelFingers(i["pitch_mm"]),
    )
    power = power_against_resistance(cell, geometry, [1e3], levels=(0.98, 0.95, 0.9, 0.5))
    ideal = e["ideal"]
    assert power.start.power_mw_cm2[0] == pytest.approx(ideal["PCE_pct_at_100mW_cm2"], rel=1e-6)
    for level in (0.98, 0.95, 0.9, 0.5):
        assert power.level_ohm_sq[level] == pytest.approx(e[f"R_sq_for_PCE_{level:g}"], rel=1e-4)
    # The formula's own 2 %: loss is proportional to R_sq.
    at_2 = 0.02 * 1e3 / float(power.first_order_loss[0])
    assert at_2 == pytest.approx(e["R_sq_for_2pct_by_formula"], rel=1e-4)


# --- independent solutions ---------------------------------------------------------------------


def bvp_current(cell: Cell, k: float, v_app: float) -> float:
    """Mean current of the sheet by scipy's boundary-value solver, on J interpolated nowhere."""
    current = local_current(cell)
    zero = cell.open_circuit_v
    xi = np.linspace(0, 1, 60) ** 2
    guess = np.array(
        [v_app + (zero - v_app) * (1 - np.exp(-3 * xi)), 3 * (zero - v_app) * np.exp(-3 * xi)]
    )
    solved = solve_bvp(
        lambda x, y: np.array([y[1], -k * current(y[0])]),
        lambda a, b: np.array([a[0] - v_app, b[1]]),
        xi,
        guess,
        tol=3e-8,
        max_nodes=20000,
    )
    assert solved.success
    return float(solved.y[1, 0] / k)


def first_integral_current(cell: Cell, k: float, v_app: float) -> float:
    """Mean current from (V')^2 = 2 k (F(V_m) - F(V)) with the mid-gap voltage V_m by bisection."""
    current = local_current(cell)
    node, weight = np.polynomial.legendre.leggauss(40)

    def force(low: float, high: float) -> float:
        half = (high - low) / 2
        return half * float(weight @ current(low + half * (1 + node)))

    def way(s: float) -> float:
        # V = V_m - (V_m - V_app) t^2 takes the root out of the integrand at mid-gap.
        middle = v_app + s
        at_middle = float(current(np.array(middle)))
        fall = (float(current(np.array(middle - 1e-6))) - at_middle) / 1e-6

        def integrand(t: float) -> float:
            gap = s * t * t
            # So near the middle the two limits of the integral are the same number.
            near = gap * (at_middle + fall * gap / 2)
            f = near if gap < 1e-9 else force(middle - gap, middle)
            return 2 * s * t / math.sqrt(2 * k * f)

        return quad(integrand, 0, 1, epsabs=1e-13, epsrel=1e-10, limit=200)[0]

    # Nearer to open circuit the current is the difference of two equal numbers.
    top = (cell.open_circuit_v - v_app) * (1 - 1e-8)
    s = brentq(lambda s: way(s) - 1.0, 1e-9 * top, top, xtol=1e-15, rtol=1e-13)
    return math.sqrt(2 * force(v_app, v_app + s) / k)


def random_problems(seed: int, count: int, **how: Any) -> list[tuple[Cell, float, float]]:
    rng = np.random.default_rng(seed + 1000)
    out = []
    for cell in random_cells(seed, count, **how):
        unit = 2 * cell.open_circuit_v / cell.photocurrent_density_ma_cm2
        out.append(
            (cell, unit * 10 ** rng.uniform(-2, 1.3), rng.uniform(-0.1, 1.05) * cell.open_circuit_v)
        )
    return out


@pytest.mark.parametrize("problem", random_problems(1, 12))
def test_against_boundary_value_solver(problem: tuple[Cell, float, float]) -> None:
    cell, k, v_app = problem
    mine = solve_line(cell.law(), np.array([k]), np.array([v_app]))
    # Near open circuit the current crosses zero: relative to what n V_t of voltage makes of it.
    scale = max(abs(mine.current[0]), cell.diode_voltage_v * mine.slope[0])
    assert abs(mine.current[0] - bvp_current(cell, k, v_app)) <= 1e-6 * scale


@pytest.mark.parametrize("problem", random_problems(2, 3, collection=False))
def test_against_first_integral(problem: tuple[Cell, float, float]) -> None:
    cell, k, _ = problem
    # In longer sheets the middle comes so close to open circuit that the oracle loses its digits.
    k = min(k, 3 * cell.open_circuit_v / cell.photocurrent_density_ma_cm2)
    v_app = 0.4 * cell.open_circuit_v
    mine = solve_line(cell.law(), np.array([k]), np.array([v_app]), rtol=1e-9)
    assert mine.current[0] == pytest.approx(first_integral_current(cell, k, v_app), rel=1e-7)


@pytest.mark.parametrize("seed", range(4))
def test_both_electrodes_from_opposite_sides(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cell = random_cells(seed + 40, 1, collection=False)[0]
    unit = 2 * cell.open_circuit_v / cell.photocurrent_density_ma_cm2
    front, counter = unit * 10 ** rng.uniform(-2, 0.7, 2)
    v_app = rng.uniform(0.0, 0.9) * cell.open_circuit_v
    mine = solve_opposed(cell.law(), np.array([front]), np.array([counter]), np.array([v_app]))
    current = local_current(cell)
    xi = np.linspace(0, 1, 50)
    j = float(mine.current[0])
    guess = np.array(
        [
            v_app + front * j * (xi - xi**2 / 2),
            front * j * (1 - xi),
            counter * j * (xi**2 - 1) / 2,
            counter * j * xi,
        ]
    )
    # Potentials of both electrodes; the front is contacted at 0, the counter electrode at 1.
    solved = solve_bvp(
        lambda x, y: np.array(
            [y[1], -front * current(y[0] - y[2]), y[3], counter * current(y[0] - y[2])]
        ),
        lambda a, b: np.array([a[0] - v_app, b[1], a[3], b[2]]),
        xi,
        guess,
        tol=1e-8,
        max_nodes=20000,
    )
    assert solved.success
    scale = max(abs(j), cell.diode_voltage_v * mine.slope[0])
    assert abs(j - solved.y[1, 0] / front) <= 1e-6 * scale


def test_opposite_contacts_reduce_to_one_contact() -> None:
    cell = Cell(12.0, voc_v=0.8)
    nothing = ParallelFingers(4.0, counter=CounterElectrode(0.0, "opposite"))
    v = np.linspace(0, 0.85, 9)
    a = jv_curves(cell, nothing, [100, 3000, 1e5], v).current_density_ma_cm2
    b = jv_curves(cell, ParallelFingers(4.0), [100, 3000, 1e5], v).current_density_ma_cm2
    assert a == pytest.approx(b, abs=3e-6 * 12)
    both = jv_curves(cell, nothing, 0.0, v).current_density_ma_cm2[0]
    assert both == pytest.approx(cell.law().current(v[:, None])[0][:, 0], rel=1e-12)


def test_same_contacts_add() -> None:
    cell = Cell(12.0, voc_v=0.8)
    two = ParallelFingers(4.0, counter=CounterElectrode(300.0))
    a = operating_points(cell, two, 500.0)
    b = operating_points(cell, ParallelFingers(4.0), 800.0)
    assert a.power_mw_cm2[0] == pytest.approx(float(b.power_mw_cm2[0]), rel=1e-12)
    assert lumped_resistance_ohm_cm2(two, 500.0) == pytest.approx(800 * 0.16 / 12, rel=1e-12)


def test_stated_error_is_not_smaller_than_the_error() -> None:
    cells = random_cells(7, 60)
    rng = np.random.default_rng(8)
    k = np.array([2 * c.open_circuit_v / c.photocurrent_density_ma_cm2 for c in cells])
    k = k * 10 ** rng.uniform(-3, 2, len(cells))
    v = rng.uniform(-0.2, 1.12, len(cells)) * np.array([c.open_circuit_v for c in cells])
    law = laws(cells)
    for rtol in (1e-4, 1e-6):
        coarse = solve_line(law, k, v, rtol=rtol)
        fine = solve_line(law, k, v, rtol=1e-11)
        scale = np.maximum(np.abs(fine.current), law.diode_voltage * fine.slope)
        assert np.all(coarse.error <= rtol * scale * 1.001)
        assert np.all(np.abs(coarse.current - fine.current) <= coarse.error + 1e-11 * scale)


def test_response_is_the_derivative() -> None:
    cells = random_cells(11, 8)
    law = laws(cells)
    k = np.array([2 * c.open_circuit_v / c.photocurrent_density_ma_cm2 for c in cells])
    v = 0.6 * law.zero_current_v
    step = 1e-4
    mid = solve_line(law, k, v, rtol=1e-10, profiles=True)
    up, down = (solve_line(law, k, v + s, rtol=1e-10) for s in (step, -step))
    # A central difference over 0.1 mV of a curve with a scale of n V_t.
    assert mid.slope == pytest.approx((down.current - up.current) / (2 * step), rel=2e-5)
    for _, _, _, response in mid.profiles:
        assert response[0] == 1.0
        assert np.all(np.diff(response) <= 1e-12)


@pytest.mark.parametrize(
    "geometry",
    [
        ParallelFingers(5.0),
        ParallelFingers(5.0, finger_width_um=300),
        OneEdge(3.0, counter=CounterElectrode(200.0, "opposite")),
        OneEdge(3.0, counter=CounterElectrode(200.0, "same")),
        ParallelFingers(5.0, finger_width_um=100, finger_length_mm=30, finger_ohm_per_cm=0.5),
    ],
    ids=["fingers", "shade", "opposite", "same", "resistive finger"],
)
def test_derivatives_by_all_parameters(geometry: Strip) -> None:
    """One solution gives them all; against differences of solutions to 1e-9."""
    v = np.tile([-0.1, 0.5, 0.78], (3, 1))
    values = {
        "photocurrent": np.array([9.0, 8.0, 7.0]),
        "voc": np.array([0.75, 0.74, 0.7]),
        "diode_voltage": np.array([0.041, 0.039, 0.046]),
        "shunt_conductance": np.array([0.1, 0.2, 0.3]),
        "series": np.array([1.5e-3, 2e-3, 4e-3]),
        "collection_voltage": np.array([0.01, 0.05, 0.2]),
        "log_sheet": np.log([120.0, 600.0, 3000.0]),
    }
    assert tuple(values) == (*LAW_PARAMETERS, "log_sheet")

    def device(moved: str = "", step: float = 0.0, rtol: float = 1e-9) -> Device:
        now = {k: x + (step if k == moved else 0.0) for k, x in values.items()}
        sheet = np.exp(now.pop("log_sheet"))
        same = {
            name: np.full(3, x) for name, x in (("thermal_voltage", 0.0257), ("built_in", 0.85))
        }
        law = diode_law(saturation=np.full(3, np.nan), **same, **now)
        return Device(law, geometry, sheet, rtol)

    _, found = device(rtol=1e-6).sensitivity(v)
    for name, slope in zip(values, found, strict=True):
        h = 1e-4 if name in ("photocurrent", "voc", "log_sheet") else 1e-5
        up, down = (device(name, x).current(v)[0] for x in (h, -h))
        # Simpson's rule on a grid that is fine enough for the current alone.
        scale = np.abs(slope).max(axis=1, keepdims=True)
        assert np.all(np.abs((up - down) / (2 * h) - slope) <= 2e-4 * scale), name


# --- limits ------------------------------------------------------------------------------------


def test_no_sheet_resistance_is_the_lumped_cell_of_pvlib() -> None:
    for cell in random_cells(21, 12, collection=False):
        points = operating_points(cell, ParallelFingers(3.0), 0.0)
        reference = singlediode(
            photocurrent=cell.photocurrent_density_ma_cm2 * 1e-3,
            saturation_current=cell.saturation_ma_cm2 * 1e-3,
            resistance_series=cell.series_resistance_ohm_cm2,
            resistance_shunt=cell.shunt_resistance_ohm_cm2 or np.inf,
            nNsVth=cell.diode_voltage_v,
            method="newton",
        )
        assert points.power_mw_cm2[0] == pytest.approx(float(reference["p_mp"]) * 1e3, rel=1e-7)
        assert points.jsc_ma_cm2[0] == pytest.approx(float(reference["i_sc"]) * 1e3, rel=1e-9)
        assert points.voc_v[0] == pytest.approx(float(reference["v_oc"]), rel=1e-9)


def test_no_sheet_resistance_is_lambert_w() -> None:
    for cell in random_cells(22, 10, collection=False):
        if cell.shunt_resistance_ohm_cm2 is not None or cell.series_resistance_ohm_cm2 == 0:
            continue
        v = np.linspace(-0.2, 1.1, 14) * cell.open_circuit_v
        r, a = 1e-3 * cell.series_resistance_ohm_cm2, cell.diode_voltage_v
        j0, jl = cell.saturation_ma_cm2, cell.photocurrent_density_ma_cm2
        closed = jl + j0 - a / r * lambertw(j0 * r / a * np.exp((v + r * (jl + j0)) / a)).real
        mine = jv_curves(cell, OneEdge(2.0), 0.0, v).current_density_ma_cm2[0]
        assert mine == pytest.approx(closed, abs=1e-11 * jl * np.exp(0.1 / a))


def test_field_collection_reduces_to_the_recombination_term() -> None:
    """For V_c << V_bi - u the loss is J_L V_c / (3 (V_bi - u)), pvlib's d2mutau being V_c / 3."""
    v = np.array([0.0, 0.3, 0.5])
    cell = Cell(
        20.0,
        saturation_current_density_ma_cm2=1e-9,
        ideality=1.4,
        collection=Collection(0.95, 3e-3),
    )
    mine = jv_curves(cell, ParallelFingers(1.0), 0.0, v).current_density_ma_cm2[0]
    plain = 20.0 - 1e-9 * np.expm1(v / cell.diode_voltage_v)
    loss = 20.0 * 1e-3 / (0.95 - v)
    # The next term is V_c / (4 w) of it, and w exceeds V_bi - u by less than 1e-8 V here.
    assert plain - mine == pytest.approx(loss, rel=3e-3 / (4 * 0.45) * 1.1)


def test_collected_share_is_smooth_and_its_slope_right() -> None:
    u = np.linspace(-0.5, 1.6, 211)[:, None]
    vc = np.array([1e-6, 0.05, 0.3, 1.0, 20.0])
    vbi, vt = np.full(5, 0.9), np.full(5, 0.0257)
    share, slope = collected_share(u, vbi, vc, vt)
    assert np.all((share >= 0) & (share <= 1)) and np.all(np.diff(share, axis=0) <= 0)
    up, down = (collected_share(u + s, vbi, vc, vt)[0] for s in (1e-5, -1e-5))
    assert slope == pytest.approx((up - down) / 2e-5, abs=2e-5 * np.abs(slope).max())
    # The series and the closed form meet at z = 0.3.
    w = np.array([[0.3001], [0.2999]])
    values, _ = collected_share(
        0.9 - vt[:1] * np.log(np.expm1(w / vt[:1])), vbi[:1], np.array([0.09]), vt[:1]
    )
    z = 0.09 / w
    assert values == pytest.approx(2 * (z - 1 + np.exp(-z)) / z**2, rel=1e-12)


@pytest.mark.parametrize("u", [0.01, 0.3, 1.0, 5.0, 60.0])
def test_linear_cell_is_tanh(u: float) -> None:
    """A cell that is a shunt only: J = J_L - g V, collected share tanh(u)/u, u^2 = R_sq L^2 g."""
    cell = Cell(10.0, saturation_current_density_ma_cm2=1e-250, shunt_resistance_ohm_cm2=50.0)
    assert cell.open_circuit_v == pytest.approx(0.5, rel=1e-12)
    geometry = ParallelFingers(4.0)
    r_sq = u**2 * 50.0 / 0.2**2
    curve = jv_curves(cell, geometry, r_sq, [0.0, 0.25], rtol=1e-10)
    share = math.tanh(u) / u
    assert curve.current_density_ma_cm2[0] == pytest.approx([10 * share, 5 * share], rel=1e-9)
    assert curve.points.fill_factor[0] == pytest.approx(0.25, rel=1e-7)
    profile = sheet_profile(cell, geometry, r_sq, 0.0)
    x = profile.x_mm / 2.0
    expected = np.cosh(u * (1 - x)) / np.cosh(u) if u < 100 else np.exp(-u * x)
    assert profile.response == pytest.approx(expected, abs=1e-5)
    assert profile.local_current_density_ma_cm2 == pytest.approx(10 * expected, abs=1e-4)


GEOMETRIES = [
    ParallelFingers(3.0),
    ParallelFingers(3.0, finger_width_um=300.0, active_under_finger=False),
    ParallelFingers(3.0, finger_length_mm=20.0, finger_ohm_per_cm=1e-3),
    ParallelFingers(3.0, counter=CounterElectrode(0.02, "opposite")),
    OneEdge(3.0),
    SquarePad(5.0),
    BusbarUnitCell(3.0, 9.0),
]


@pytest.mark.parametrize("geometry", GEOMETRIES, ids=lambda g: type(g).__name__)
def test_small_loss_is_the_lumped_resistance(geometry: Any) -> None:
    cell = Cell(9.0, voc_v=0.75, ideality=1.6)
    sheet = 0.05
    ideal = operating_points(cell, geometry, 0.0, rtol=1e-9)
    without = ideal
    if getattr(geometry, "counter", None) is not None or getattr(geometry, "finger_ohm_per_cm", 0):
        bare = ParallelFingers(3.0)
        without = operating_points(cell, bare, 0.0, rtol=1e-9)
    lossy = operating_points(cell, geometry, sheet, rtol=1e-9)
    loss = 1 - float(lossy.power_mw_cm2[0] / without.power_mw_cm2[0])
    lumped = lumped_resistance_ohm_cm2(geometry, sheet)
    first = 1e-3 * lumped * float(without.jmp_ma_cm2[0] / without.vmp_v[0])
    # What is neglected is of the order of loss times V_mp / (n V_t), 1e-3 here; the loss itself is
    # 1e-5 of the power and is known to 1e-8 (two dimensions: 1e-7) of it.
    assert 1e-6 < loss < 1e-3
    assert loss == pytest.approx(first, rel=2e-2)


def test_pad_with_contacted_rim() -> None:
    # Torsion of a square bar: the integral of the unit Poisson problem is 0.0351443 a^4.
    value = lumped_resistance_ohm_cm2(SquarePad(10.0), 1.0)
    series = 1 / 12 - 16 / math.pi**5 * sum(
        math.tanh(n * math.pi / 2) / n**5 for n in range(1, 40, 2)
    )
    assert value == pytest.approx(series, rel=1e-6)


@pytest.mark.parametrize(
    "geometry",
    [
        SquarePad(5.0),
        BusbarUnitCell(
            5.0, 20.0, finger_width_um=200.0, busbar_width_mm=1.0, finger_ohm_per_cm=0.5
        ),
    ],
    ids=["pad", "unit cell"],
)
@pytest.mark.parametrize("sheet", [300.0, 1e5])
def test_charge_balance_in_two_dimensions(geometry: Any, sheet: float) -> None:
    """What the volumes give arrives at the rim, or at the busbar through the finger."""
    v = np.array([0.0, 0.5, 0.7])
    solved = solve_plate(CELL.law(), geometry.plate(), sheet, v)
    assert np.abs(solved.balance).max() < 1e-9


@pytest.mark.parametrize("u", [0.5, 3.0, 12.0])
def test_linear_pad_is_its_double_series(u: float) -> None:
    cell = Cell(10.0, saturation_current_density_ma_cm2=1e-250, shunt_resistance_ohm_cm2=50.0)
    r_sq = u**2 * 50.0 / 0.4**2  # (R_sq a^2 g) = u^2 for a = 4 mm
    curve = jv_curves(cell, SquarePad(4.0), r_sq, [0.0])
    m = np.arange(1, 4001, 2, dtype=float)
    # sum over n in closed form: 8/(pi^2 m^2) times the strip of each m.
    w = np.sqrt(u**2 + (math.pi * m) ** 2)
    strip = 1 - np.tanh(w / 2) / (w / 2)
    voltage = float(np.sum(8 / (math.pi * m) ** 2 * u**2 / w**2 * strip))
    assert curve.current_density_ma_cm2[0, 0] == pytest.approx(10 * (1 - voltage), rel=1e-5)


def test_two_dimensions_meet_one() -> None:
    cell = Cell(9.0, voc_v=0.75, ideality=1.6)
    one = ParallelFingers(3.0, finger_width_um=100.0, finger_length_mm=60.0, finger_ohm_per_cm=0.5)
    two = BusbarUnitCell(3.0, 120.0, finger_width_um=100.0, finger_ohm_per_cm=0.5)
    a, b = (float(operating_points(cell, g, 400.0).power_mw_cm2[0]) for g in (one, two))
    # Near the busbar the sheet also gives to it: at most half a pitch of 60 mm gains the few per
    # cent that sheet and finger cost.
    loss = 1 - a / float(
        operating_points(cell, ParallelFingers(3.0, finger_width_um=100.0), 0.0).power_mw_cm2[0]
    )
    assert 0.05 < loss < 0.6
    assert 0 < b / a - 1 < 1.5 / 60


def test_resistive_finger_is_a_line_of_strips() -> None:
    cell = Cell(9.0, voc_v=0.75, ideality=1.6)
    geometry = ParallelFingers(5.0, finger_length_mm=20.0, finger_ohm_per_cm=2.0)
    k = 1e-3 * 2.0 * 0.5 * 2.0**2

    def strip(v: Real) -> Real:
        return jv_curves(cell, ParallelFingers(5.0), 3000.0, v, rtol=1e-9).current_density_ma_cm2[0]

    xi = np.linspace(0, 1, 20)
    solved = solve_bvp(
        lambda x, y: np.array([y[1], -k * strip(y[0])]),
        lambda a, b: np.array([a[0] - 0.4, b[1]]),
        xi,
        np.array([0.4 + 0 * xi, 0 * xi]),
        tol=1e-7,
    )
    mine = jv_curves(cell, geometry, 3000.0, [0.4]).current_density_ma_cm2[0, 0]
    assert mine == pytest.approx(solved.y[1, 0] / k, rel=1e-6)


def test_shade_costs_current_and_voltage() -> None:
    cell = Cell(9.0, voc_v=0.75, ideality=1.6)
    fingers = ParallelFingers(5.0, finger_width_um=500.0)
    p = operating_points(cell, fingers, 0.0)
    assert p.jsc_ma_cm2[0] == pytest.approx(9.0 * 0.9, rel=1e-12)
    # The dark tenth takes current: J_0 per area stays, the photocurrent falls to 0.9.
    expected = cell.diode_voltage_v * math.log1p(9.0 * 0.9 / cell.saturation_ma_cm2)
    assert p.voc_v[0] == pytest.approx(expected, rel=1e-9)
    without = operating_points(cell, replace_active(fingers), 0.0)
    assert without.voc_v[0] == pytest.approx(0.75, rel=1e-12)


def replace_active(fingers: ParallelFingers) -> ParallelFingers:
    return ParallelFingers(
        fingers.pitch_mm, finger_width_um=fingers.finger_width_um, active_under_finger=False
    )


# --- what must hold for any cell ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("sheet", "voltage"),
    [(30.0, 0.0), (1e3, 0.5), (1e5, 0.0), (1e6, 0.4), (1e4, 0.72), (1e4, 0.85)],
)
def test_charge_balance(sheet: float, voltage: float) -> None:
    cell = Cell(
        9.0, voc_v=0.75, ideality=1.6, shunt_resistance_ohm_cm2=4e3, series_resistance_ohm_cm2=1.0
    )
    profile = sheet_profile(cell, ParallelFingers(5.0), sheet, voltage)
    assert profile.charge_balance < 1e-9
    # The same by a rule of its own: Simpson's over the local currents against the sheet current,
    # which is dV/dx at the finger over R_sq (one-sided difference of sixth order).
    total = simpson(profile.local_current_density_ma_cm2, x=profile.x_mm) / profile.x_mm[-1]
    assert total == pytest.approx(profile.mean_current_density_ma_cm2, rel=1e-9)
    h = profile.x_mm[1] - profile.x_mm[0]
    v = profile.local_voltage_v[:7] - voltage
    rise = (np.array([-147, 360, -450, 400, -225, 72, -10]) / 60) @ v / h
    by_sheet = 1e3 * rise / sheet / (profile.x_mm[-1] * 1e-2)
    assert by_sheet == pytest.approx(profile.mean_current_density_ma_cm2, rel=1e-6)


resistances = st.floats(1.0, 1e6)
cells_strategy = st.builds(
    lambda jl, voc, n, shunt, series: Cell(
        jl,
        voc_v=voc,
        ideality=n,
        shunt_resistance_ohm_cm2=1e3 * voc / jl * shunt,
        series_resistance_ohm_cm2=series,
    ),
    st.floats(0.5, 40.0),
    st.floats(0.35, 1.3),
    st.floats(1.0, 2.5),
    st.floats(3.0, 1e4),
    st.floats(0.0, 10.0),
)


@settings(max_examples=15, deadline=None)
@given(cells_strategy, resistances, st.floats(0.5, 20.0))
def test_only_sheet_resistance_times_pitch_squared_counts(
    cell: Cell, sheet: float, pitch: float
) -> None:
    v = np.linspace(-0.1, 1.02, 9) * cell.open_circuit_v
    a = jv_curves(cell, ParallelFingers(pitch), sheet, v).current_density_ma_cm2
    b = jv_curves(cell, ParallelFingers(2 * pitch), sheet / 4, v).current_density_ma_cm2
    c = jv_curves(cell, OneEdge(pitch / 2), sheet, v).current_density_ma_cm2
    assert a == pytest.approx(b, rel=1e-9, abs=1e-9)
    assert a == pytest.approx(c, rel=1e-12, abs=1e-12)


@settings(max_examples=15, deadline=None)
@given(cells_strategy, resistances)
def test_more_resistance_never_helps(cell: Cell, sheet: float) -> None:
    geometry = ParallelFingers(4.0)
    r = sheet * np.array([1.0, 1.3, 2.0, 8.0])
    v = np.linspace(0.0, 1.0, 9) * cell.open_circuit_v
    curves = jv_curves(cell, geometry, r, v)
    j = curves.current_density_ma_cm2
    room = 2 * curves.discretisation_error_ma_cm2.max()
    assert np.all(np.diff(j, axis=1) <= room)  # falls with voltage
    assert np.all(np.diff(j, axis=0) <= room)  # falls with sheet resistance
    assert np.all(np.diff(curves.points.power_mw_cm2) <= 1e-6 * curves.points.power_mw_cm2[:-1])
    assert curves.points.voc_v == pytest.approx(cell.open_circuit_v, rel=1e-12)
    # A power counted by the point of most power is the most of the curve.
    assert np.all((j * v).max(axis=1) <= curves.points.power_mw_cm2 * (1 + 1e-6))
    profile = sheet_profile(cell, geometry, sheet, 0.3 * cell.open_circuit_v)
    assert np.all(np.diff(profile.local_voltage_v) >= -1e-12)
    assert profile.local_voltage_v[-1] <= cell.open_circuit_v * (1 + 1e-9)


def test_figures_and_frames() -> None:
    cell = Cell(9.0, voc_v=0.75, ideality=1.6)
    geometry = ParallelFingers(5.0)
    curves = jv_curves(cell, geometry, [120.0, 1200.0])
    assert list(curves.to_frame().columns)[:3] == [
        "sheet_resistance_ohm_sq",
        "voltage_v",
        "current_density_ma_cm2",
    ]
    assert len(curves.to_frame()) == 128 and "<table" in curves._repr_html_()
    assert curves.plot().get_xlabel() == "voltage (V)"
    with pytest.raises(ValueError, match="read-only"):
        curves.current_density_ma_cm2[0, 0] = 1.0
    profile = sheet_profile(cell, geometry, 1200.0, 0.0)
    assert set(profile.to_frame().columns) >= {"x_mm", "response"}
    profile.plot()
    power = power_against_resistance(
        cell, geometry, [120.0, 600.0], start_sheet_resistance_ohm_sq=120.0
    )
    ax = power.plot(measured_ohm_sq=[120.0, 300.0])
    assert ax.get_xscale() == "log" and "<li>" in power._repr_html_()
    mpl.pyplot.close("all")


# --- power, lifetimes, knee --------------------------------------------------------------------

CELL = Cell(9.0, voc_v=0.75, ideality=1.6)
FINGERS = ParallelFingers(5.0)


def test_elasticity_is_the_derivative() -> None:
    r = np.array([200.0, 2000.0, 2e5])
    power = power_against_resistance(CELL, FINGERS, r)
    for at, slope in zip(r, power.elasticity, strict=True):
        p = operating_points(CELL, FINGERS, [at * 0.999, at * 1.001], rtol=1e-10).power_mw_cm2
        assert slope == pytest.approx(math.log(p[1] / p[0]) / math.log(1.001 / 0.999), abs=3e-5)
    # Far beyond the collapse the power goes as the root of the conductance.
    assert power.elasticity[-1] == pytest.approx(-0.5, abs=5e-3)
    assert power_against_resistance(CELL, FINGERS, 0.0).elasticity[0] == 0.0


def test_where_the_first_order_loss_fails() -> None:
    power = power_against_resistance(CELL, FINGERS, [500.0], start_sheet_resistance_ohm_sq=120.0)
    f = power.first_order

    def compared(r: float) -> float:
        again = power_against_resistance(CELL, FINGERS, [r], start_sheet_resistance_ohm_sq=120.0)
        return float(1 - again.first_order_loss[0] - again.power_share[0])

    assert f.side == "optimistic" and compared(f.off_by_a_point_ohm_sq) == pytest.approx(
        0.01, abs=2e-5
    )
    assert abs(compared(f.off_by_a_point_ohm_sq * 0.9)) < 0.01
    assert compared(f.turns_pessimistic_ohm_sq) == pytest.approx(0.0, abs=1e-4)
    start = power.start
    by_hand = 120 + 1e3 * 12 / 0.25 * float(start.vmp_v[0] / start.jmp_ma_cm2[0])
    assert f.all_lost_ohm_sq == pytest.approx(by_hand, rel=1e-4)
    assert 0.3 < f.power_share_there < 0.5
    text = " ".join(power.summary())
    # Levels come before the collapse, and every share names its start.
    assert text.index("80 %") < text.index("50 %") < text.index("collapses")
    assert text.count("power at 120 ohm/sq") == 3


def test_collapse() -> None:
    expected = 8 * (0.75 - CELL.diode_voltage_v) / (9e-3 * 0.25)
    assert collapse_ohm_sq(CELL, FINGERS) == pytest.approx(expected, rel=1e-12)
    # A square pad: the largest torsion function of a square is 0.0736714 a^2 (strip: a^2 / 8); a
    # unit cell with far busbars is a strip.
    torsion = 0.125 - 4 / math.pi**3 * sum(
        (-1) ** ((n - 1) // 2) / (n**3 * math.cosh(n * math.pi / 2)) for n in range(1, 30, 2)
    )
    assert collapse_ohm_sq(CELL, SquarePad(5.0)) == pytest.approx(
        expected * 0.125 / torsion, rel=1e-4
    )
    assert collapse_ohm_sq(CELL, BusbarUnitCell(5.0, 60.0)) == pytest.approx(expected, rel=1e-4)
    power = power_against_resistance(CELL, FINGERS, [100.0])
    # Half of the power is already gone.
    assert power.collapse_power_share < 0.5
    assert power.level_ohm_sq[0.8] < power.level_ohm_sq[0.5] < power.collapse_ohm_sq
    with pytest.raises(OptistackError, match="no diode-like curve"):
        collapse_ohm_sq(Cell(1.0, voc_v=0.02, ideality=1.5), FINGERS)


def test_knee_warns_while_the_device_looks_stable() -> None:
    power = power_against_resistance(CELL, FINGERS, [100.0], start_sheet_resistance_ohm_sq=120.0)
    r80 = power.level_ohm_sq[0.8]
    calm = power.knee(r80 / 5)
    assert calm.warning == "" and calm.doublings_left[0.8] == pytest.approx(math.log2(5))
    near = power.knee(r80 * 0.55)
    assert near.power_share > 0.9 and near.doublings_left[0.8] < 1
    assert "looks stable" in near.warning and "not valid" in near.warning
    steep = power.knee(r80 * 0.9)
    assert steep.power_share < 0.9 and "steep" in steep.warning
    assert power.knee(r80 * 3).warning == ""
    assert power.knee(r80 * 3).doublings_left[0.8] < 0


def test_lifetimes_follow_the_series() -> None:
    t = np.linspace(0, 2000, 41)
    r = 120 * 2 ** (t / 400)
    series = ResistanceSeries(t, r, r / 1.1, r * 1.1)
    life = power_over_life(CELL, FINGERS, series)
    r80 = power_against_resistance(
        CELL, FINGERS, [1.0], start_sheet_resistance_ohm_sq=120.0
    ).level_ohm_sq[0.8]
    # ln R_sq is linear here, so the crossing is exact.
    assert life.lifetimes["T80"].value == pytest.approx(400 * math.log2(r80 / 120), rel=1e-5)
    assert life.lifetimes["T80"].low < life.lifetimes["T80"].value < life.lifetimes["T80"].high
    assert life.lifetimes["T95"].value < life.lifetimes["T80"].value < life.lifetimes["T50"].value
    assert np.interp(life.lifetimes["T80"].value, t, life.power_share) == pytest.approx(
        0.8, abs=2e-3
    )
    assert np.all(life.power_share_low <= life.power_share) and np.all(
        life.power_share <= life.power_share_high
    )
    frame = life.to_frame()
    assert frame["power_share"].iloc[0] == 1.0
    assert (frame["fill_factor"].diff().dropna() < 0).all()
    for line in life.summary()[:3]:
        assert "start value: initial (time 0 h)" in line
    assert "<table" in life._repr_html_()
    life.plot()
    mpl.pyplot.close("all")


def test_start_value_after_burn_in() -> None:
    t = np.array([0.0, 50.0, 100.0, 500.0, 1000.0, 2000.0])
    r = np.array([120.0, 300.0, 400.0, 500.0, 800.0, 2500.0])
    series = ResistanceSeries(t, r, axis="time_h")
    life = power_over_life(CELL, FINGERS, series, burn_in=100.0)
    assert life.start_name == "after burn-in (time 100 h)"
    assert np.interp(100.0, t, life.power_share) == pytest.approx(1.0, abs=1e-12)
    level = power_against_resistance(
        CELL, FINGERS, [1.0], start_sheet_resistance_ohm_sq=400.0
    ).level_ohm_sq[0.8]
    at = 1000 + 1000 * math.log(level / 800) / math.log(2500 / 800)
    assert life.lifetimes["T80"].value == pytest.approx(at - 100, rel=1e-4)
    initial = power_over_life(CELL, FINGERS, series)
    assert initial.lifetimes["T80"].value != pytest.approx(life.lifetimes["T80"].value, rel=0.05)
    with pytest.raises(OptistackError, match="outside the series"):
        power_over_life(CELL, FINGERS, series, burn_in=5000.0)


def test_a_level_that_is_not_reached_is_a_limit() -> None:
    series = ResistanceSeries([0, 100, 200], [120, 130, 140], [100, 110, 115], [150, 400, 1500])
    life = power_over_life(CELL, FINGERS, series)
    t80 = life.lifetimes["T80"]
    assert t80.bound == "lower" and t80.value == 200 and t80.low < 200 and math.isinf(t80.high)
    assert "not reached within 200" in life.summary()[1]
    assert t80.to_json()["high"] is None


def test_a_power_that_stays_has_no_time_to_80_percent() -> None:
    # Powers at the same sheet resistance may differ in their last digit.
    t = np.linspace(0.0, 1000.0, 40)
    life = power_over_life(CELL, ParallelFingers(5.0), ResistanceSeries(t, np.full(40, 1234.5)))
    assert life.outlook.flat == np.inf
    assert life.outlook.growth == np.inf


def test_a_known_power_curve_changes_no_life() -> None:
    fingers = ParallelFingers(5.0)
    series = ResistanceSeries([0, 100, 200], [120, 300, 900])
    curve = power_against_resistance(
        CELL, fingers, [120, 900], start_sheet_resistance_ohm_sq=120
    ).curve
    alone, shared = (power_over_life(CELL, fingers, series, curve=c) for c in (None, curve))
    # Powers solved beside others are found from another step: to 1e-7 of the power.
    assert shared.level_ohm_sq == pytest.approx(alone.level_ohm_sq, rel=1e-6)
    assert shared.lifetimes["T80"].value == pytest.approx(alone.lifetimes["T80"].value, rel=1e-6)


def test_flat_extrapolation_is_far_off_before_the_knee() -> None:
    t = np.linspace(0, 1000, 11)
    series = ResistanceSeries(t, 60 * np.exp(t / 550))
    life = power_over_life(CELL, FINGERS, series)
    assert life.power_share[-1] > 0.9 and "looks stable" in life.knee.warning
    # The growth carried on is exact for an exponential; the flat part misses it by far.
    truth = 550 * math.log(life.level_ohm_sq[0.8] / 60)
    assert life.outlook.growth == pytest.approx(truth, rel=1e-3)
    assert life.outlook.flat > 1.15 * truth
    assert "Neither is measured" in " ".join(life.summary())


def test_two_dimensional_map_is_interpolated_closely() -> None:
    pad = SquarePad(5.0)
    power = power_against_resistance(CELL, pad, [1000.0])
    at = np.array([700.0, 5000.0])
    exact = operating_points(CELL, pad, at).power_mw_cm2
    assert power.curve(at) == pytest.approx(exact, rel=1e-4)
    assert any("spline" in note for note in power.notes)


# --- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"voc_v": 0.0}, "open-circuit voltage is 0.0 V: it must be above 0"),
        ({"voc_v": -0.5}, "must be above 0"),
        ({}, "has neither"),
        ({"voc_v": 0.7, "saturation_current_density_ma_cm2": 1e-9}, "not both"),
        ({"voc_v": 0.7, "series_resistance_ohm_cm2": -1.0}, "series resistance is -1.0 ohm cm2"),
        ({"voc_v": 0.7, "shunt_resistance_ohm_cm2": -5.0}, "shunt resistance is -5.0"),
        ({"voc_v": 0.7, "shunt_resistance_ohm_cm2": 0.0}, "shunt resistance is 0.0"),
        ({"voc_v": 0.7, "shunt_resistance_ohm_cm2": 20.0}, "cannot be reached"),
        ({"voc_v": 0.7, "ideality": 0.0}, "ideality"),
        ({"voc_v": 0.7, "temperature_k": math.nan}, "temperature is nan K"),
    ],
)
def test_impossible_cells(arguments: dict[str, float], message: str) -> None:
    with pytest.raises(OptistackError, match=message):
        Cell(10.0, **arguments)  # type: ignore[arg-type]


def test_impossible_inputs() -> None:
    with pytest.raises(OptistackError, match="photocurrent density is -3"):
        Cell(-3.0, voc_v=0.7)
    with pytest.raises(OptistackError, match="0 or more, or a list of them, not -120"):
        jv_curves(CELL, FINGERS, -120.0)
    with pytest.raises(OptistackError, match="sheet resistance"):
        operating_points(CELL, FINGERS, [100.0, math.nan])
    with pytest.raises(OptistackError, match="list of numbers"):
        jv_curves(CELL, FINGERS, 100.0, [0.0, math.inf])
    with pytest.raises(OptistackError, match="levels are shares"):
        power_against_resistance(CELL, FINGERS, 100.0, levels=(1.2,))
    with pytest.raises(OptistackError, match="Voc/\\(n V_t\\) of at least 5"):
        green_fill_factor(2.0)
    with pytest.raises(OptistackError, match="from 0 to 0.4"):
        green_fill_factor(20.0, 0.6)
    with pytest.raises(OptistackError, match="has no single profile"):
        sheet_profile(CELL, SquarePad(3.0), 100.0, 0.0)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: ParallelFingers(0.0), "finger pitch is 0.0 mm"),
        (lambda: ParallelFingers(1.0, finger_width_um=1000.0), "leaves nothing"),
        (lambda: ParallelFingers(1.0, finger_ohm_per_cm=1.0), "needs finger_length_mm"),
        (lambda: ParallelFingers(1.0, finger_ohm_per_cm=-1.0), "finger resistance is -1.0"),
        (lambda: OneEdge(-2.0), "length of the sheet"),
        (lambda: SquarePad(0.0), "side of the pad"),
        (lambda: SquarePad(2.0, CounterElectrode(10.0, "opposite")), "contact='same'"),
        (lambda: CounterElectrode(-1.0), "counter electrode is -1.0"),
        (lambda: CounterElectrode(1.0, "left"), "'same' or 'opposite'"),  # type: ignore[arg-type]
        (
            lambda: BusbarUnitCell(2.0, 20.0, finger_ohm_per_cm=1.0, counter=CounterElectrode(9.0)),
            "not covered",
        ),
        (lambda: BusbarUnitCell(2.0, 20.0, busbar_width_mm=20.0), "busbars leave nothing"),
        (lambda: Collection(0.9, -0.1), "collection voltage is -0.1"),
        (lambda: ResistanceSeries([0, 1], [100, -5]), "above 0 ohm/sq everywhere"),
        (lambda: ResistanceSeries([0, 0], [100, 110]), "must increase"),
        (lambda: ResistanceSeries([0, 1], [100, 110], [120, 100]), "enclose"),
        (lambda: ResistanceSeries([0], [100]), "at least two points"),
    ],
)
def test_impossible_geometry_and_series(make: Callable[[], object], message: str) -> None:
    with pytest.raises(OptistackError, match=message):
        make()


# --- speed -------------------------------------------------------------------------------------


def test_a_curve_at_fifty_sheet_resistances_is_quick() -> None:
    """0.5 s is the aim (benchmarks/test_electrode_speed.py); four times that on a busy machine."""
    cell = Cell(9.0, voc_v=0.75, ideality=1.6, shunt_resistance_ohm_cm2=5e3)
    sheet = np.geomspace(10.0, 1e5, 50)

    def once() -> float:
        begin = time.process_time()
        jv_curves(cell, FINGERS, sheet)
        return time.process_time() - begin

    assert min(once() for _ in range(3)) < 2.0


@pytest.mark.skipif(
    os.environ.get("OPTISTACK_LONG") != "1", reason="400 problems: OPTISTACK_LONG=1"
)
@pytest.mark.parametrize("seed", range(20))
def test_against_boundary_value_solver_at_length(seed: int) -> None:
    for cell, k, v_app in random_problems(seed + 100, 20):
        mine = solve_line(cell.law(), np.array([k]), np.array([v_app]))
        scale = max(abs(mine.current[0]), cell.diode_voltage_v * mine.slope[0])
        assert abs(mine.current[0] - bvp_current(cell, k, v_app)) <= 1e-6 * scale
