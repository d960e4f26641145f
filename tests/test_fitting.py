"""The least squares below all rates: certified problems, exact cases, censored readings."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from optistack.errors import OptistackError
from optistack.fitting import Problem, fit, minimise, student, widened, with_dof

Real = NDArray[np.float64]
NIST = Path(__file__).parent / "data" / "nist_strd"


# --- NIST/ITL Statistical Reference Datasets (source: data/nist_strd/README.md) ------------------


def nist(name: str) -> tuple[Real, Real, Real, float, Real, Real]:
    """Starts (2, parameter), certified values, their standard deviations, RSS, x, y."""
    text = (NIST / f"{name}.dat").read_text(encoding="ascii")
    number = r"([-+\d.Ee]+)"
    rows = re.findall(rf"^\s+b\d =\s+{number}\s+{number}\s+{number}\s+{number}", text, re.M)
    table = np.array(rows, dtype=float).T
    rss = re.search(rf"Residual Sum of Squares:\s+{number}", text)
    assert rss is not None
    data = np.loadtxt(text.rsplit("Data:", 1)[1].splitlines()[1:])
    return table[:2], table[2], table[3], float(rss[1]), data[:, 1], data[:, 0]


# The model as NIST states it, and the sign of each parameter: what is fitted are logarithms.
MODELS: dict[str, tuple[Callable[[Real, list[Real]], Real], list[float]]] = {
    "Misra1a": (lambda x, b: b[0] * (1 - np.exp(-b[1] * x)), [1, 1]),
    "BoxBOD": (lambda x, b: b[0] * (1 - np.exp(-b[1] * x)), [1, 1]),
    "MGH10": (lambda x, b: b[0] * np.exp(b[1] / (x + b[2])), [1, 1, 1]),
    "MGH17": (
        lambda x, b: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
        [1, 1, -1, 1, 1],
    ),
    "Chwirut2": (lambda x, b: np.exp(-b[0] * x) / (b[1] + b[2] * x), [1, 1, 1]),
}


def digits(found: Real | float, certified: Real | float) -> float:
    error = np.max(np.abs(np.asarray(found) / certified - 1))
    return float(min(-np.log10(max(error, 1e-12)), 11.0))


def posed(name: str) -> tuple[Problem, Real]:
    """A certified problem in logarithms, and the signs of its parameters."""
    *_, x, y = nist(name)
    model, signs = MODELS[name]
    sign = np.array(signs)

    def predict(theta: Real) -> Real:
        with np.errstate(over="ignore", invalid="ignore"):
            values = [s * np.exp(theta[:, j, None]) for j, s in enumerate(sign)]
            return np.asarray(model(x, values))

    names = tuple(f"b{j}" for j in range(sign.size))
    return Problem(predict, y, np.ones(y.size), names), sign


# The far start of MGH17 has its own test below.
CASES = [(name, start) for name in MODELS for start in (0, 1) if (name, start) != ("MGH17", 0)]


@pytest.mark.parametrize(("name", "start"), CASES)
def test_nist(name: str, start: int) -> None:
    """From the far start and the near one: certified values have 11 digits."""
    starts, certified, deviation, rss, _, y = nist(name)
    problem, sign = posed(name)
    result = fit(problem, np.log(starts[start] / sign)[None])
    found = sign * np.exp(result.theta)
    errors = [
        result.standard_error(lambda th, j=j: np.exp(th[:, j]))  # type: ignore[misc]
        for j in range(sign.size)
    ]
    assert digits(found, certified) >= 6.0
    assert digits(result.cost, rss) >= 8.0
    # Jacobians are central differences, so standard deviations have fewer digits.
    assert digits(np.array(errors), deviation) >= 4.0
    assert result.dof == y.size - sign.size


def test_nist_along_a_narrow_valley() -> None:
    """MGH17 from afar: two exponentials cancel almost, and the way out takes thousands of steps."""
    starts, certified, _, rss, _, _ = nist("MGH17")
    problem, sign = posed("MGH17")
    theta, cost = minimise(
        lambda th, _: problem.deviations(th, 1.0),
        np.log(starts[0] / sign)[None],
        iterations=6000,
    )
    assert digits(sign * np.exp(theta[0]), certified) >= 6.0
    assert digits(cost[0], rss) >= 8.0


# --- cases with an exact answer -------------------------------------------------------------------


def line(n: int = 9, seed: int = 3, **more: object) -> tuple[Problem, Real, Real]:
    """y = a + b x with noise."""
    x = np.linspace(0.0, 4.0, n)
    y = 1.0 + 0.5 * x + 0.2 * np.random.default_rng(seed).standard_normal(n)
    problem = Problem(
        lambda th: th[:, :1] + th[:, 1:2] * x,
        y,
        np.ones(n),
        ("a", "b"),
        **more,  # type: ignore[arg-type]
    )
    return problem, x, y


def test_straight_line_has_the_textbook_interval() -> None:
    problem, x, y = line()
    result = fit(problem, np.zeros((1, 2)))
    known = stats.linregress(x, y)
    assert result.theta == pytest.approx([known.intercept, known.slope], rel=1e-9)
    half = stats.t.ppf(0.975, 7) * known.stderr
    low, high = result.interval(lambda th: th[:, 1])
    # a parabola is crossed by straight lines between points of its root: exact to rounding of steps
    assert (low, high) == pytest.approx((known.slope - half, known.slope + half), rel=1e-5)
    assert result.standard_error(lambda th: th[:, 1]) == pytest.approx(known.stderr, rel=1e-6)


def test_students_factor() -> None:
    for dof in (1.0, 4.0, 30.0):
        assert student(dof) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-12)
    assert student(np.inf, 0.9) == pytest.approx(stats.norm.ppf(0.95), rel=1e-12)


def test_aicc_by_hand() -> None:
    problem, _, y = line()
    result = fit(problem, np.zeros((1, 2)))
    n, k = y.size, 3  # two parameters and the variance
    by_hand = n * np.log(result.cost / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    assert result.aicc() == pytest.approx(by_hand, rel=1e-12)
    few, _, _ = line(4)
    assert fit(few, np.zeros((1, 2))).aicc() == np.inf


def decay(seed: int = 0, n: int = 12, noise: float = 0.05) -> Problem:
    x = np.linspace(0.0, 3.0, n)
    y = 2.0 * np.exp(-0.7 * x) + noise * np.random.default_rng(seed).standard_normal(n)
    return Problem(
        lambda th: np.exp(th[:, :1] - np.exp(th[:, 1:2]) * x), y, np.full(n, 0.05), ("log a", "k")
    )


def test_profile_against_brute_force() -> None:
    """The rate held on a fine grid, the rest fitted by another routine."""
    problem = decay()
    result = fit(problem, np.zeros((1, 2)))
    low, high = result.interval(lambda th: th[:, 1])
    wanted = result.cost + (result.scale * result.quantile()) ** 2

    def cost(k: float) -> float:
        def squares(a: Real) -> Real:
            return problem.deviations(np.array([[a[0], k]]), 1.0)[0]

        return float(2 * optimize.least_squares(squares, [0.7], xtol=1e-12).cost)

    for end, outside in ((low, low - 0.5), (high, high + 0.5)):
        root = optimize.brentq(lambda k: cost(k) - wanted, result.theta[1], outside)
        # two interpolated points on a nearly straight line
        assert end == pytest.approx(root, abs=2e-3 * (high - low))


def test_interval_does_not_depend_on_how_a_quantity_is_written() -> None:
    result = fit(decay(), np.zeros((1, 2)))
    plain = np.array(result.interval(lambda th: th[:, 1]))
    lifted = np.array(result.interval(lambda th: np.exp(th[:, 1])))
    assert np.log(lifted) == pytest.approx(plain, abs=2e-3 * float(np.ptp(plain)))


def test_bootstrap_agrees_with_the_profile() -> None:
    result = fit(decay(n=30), np.zeros((1, 2)))
    low, high = result.interval(lambda th: th[:, 1])
    again = result.bootstrap(lambda th: th[:, 1], draws=800, seed=1)
    # 800 draws know a 95 % end to about 6 % of the width; 30 residuals are themselves a sample
    assert np.array(again) == pytest.approx(np.array([low, high]), abs=0.2 * (high - low))


def test_draws_have_the_covariance() -> None:
    result = fit(decay(), np.zeros((1, 2)))
    many = result.draws(20000, np.random.default_rng(0))
    # relative error of a sampled variance: sqrt(2 / 20000) = 1 %, four of them
    assert np.cov(many.T) == pytest.approx(result.covariance, rel=0.04)


def test_an_end_that_data_leave_open_is_infinite() -> None:
    """exp(-k x) that has fallen to nothing at the first reading: any larger k does as well."""
    x = np.array([0.0, 10.0, 20.0, 30.0])
    problem = Problem(
        lambda th: np.exp(-np.exp(th[:, :1]) * x),
        np.array([1.0, 0.01, -0.01, 0.0]),
        np.full(4, 0.01),
        ("log k",),
        sigma_known=True,
    )
    low, high = fit(problem, np.zeros((1, 1))).interval(lambda th: th[:, 0])
    assert high == np.inf
    assert np.isfinite(low)


def test_starts_do_not_disturb_each_other() -> None:
    problem = decay()
    many = np.array([[0.0, 0.0], [1.0, -2.0], [-1.0, 1.0]])

    def residuals(theta: Real, _: NDArray[np.intp]) -> Real:
        return problem.deviations(theta, 1.0)

    together, _ = minimise(residuals, many)
    for row, start in zip(together, many, strict=True):
        alone, _ = minimise(residuals, start[None])
        assert row == pytest.approx(alone[0], rel=1e-6)


# --- noise and limits -----------------------------------------------------------------------------


def test_known_noise_is_not_believed_below_the_scatter() -> None:
    problem, x, y = line(sigma_known=True)  # stated 1, real 0.2
    trusted = fit(problem, np.zeros((1, 2)))
    assert trusted.scale == 1.0
    assert trusted.dof == np.inf
    small = Problem(problem.predict, y, np.full(x.size, 0.01), problem.names, sigma_known=True)
    doubted = fit(small, np.zeros((1, 2)))
    assert doubted.scale > 5
    assert doubted.dof == x.size - 2
    known = stats.linregress(x, y)
    assert doubted.standard_error(lambda th: th[:, 1]) == pytest.approx(known.stderr, rel=1e-5)


def test_censored_readings_count_by_their_likelihood() -> None:
    """Against the likelihood maximised by another routine, noise known."""
    problem, x, y = line(12)
    flags = np.zeros(12, dtype=int)
    cap = 2.2
    flags[y > cap] = 1
    assert flags.sum() >= 3
    shown = np.minimum(y, cap)
    sd = 0.2
    censored = Problem(
        problem.predict, shown, np.full(12, sd), problem.names, flags, sigma_known=True
    )
    result = fit(censored, np.zeros((1, 2)))
    # the scatter of the plain readings may ask for more than the stated noise; compare at that
    scale = result.scale * sd

    def minus_log(theta: Real) -> float:
        middle = theta[0] + theta[1] * x
        read = stats.norm.logpdf(shown, middle, scale)
        beyond = stats.norm.logsf(shown, middle, scale)
        return -float(np.where(flags == 1, beyond, read).sum())

    known = optimize.minimize(minus_log, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9})
    assert result.theta == pytest.approx(known.x, abs=1e-4)
    ignored = fit(Problem(problem.predict, shown, np.full(12, sd), problem.names), np.zeros((1, 2)))
    assert result.theta[1] > ignored.theta[1] + 0.02  # a cap taken for a reading flattens the line


def test_widened_and_with_dof() -> None:
    result = fit(decay(), np.zeros((1, 2)))

    def width(r: object) -> float:
        low, high = r.interval(lambda th: th[:, 1])  # type: ignore[attr-defined]
        return float(high - low)

    assert width(widened(result, 1.5)) == pytest.approx(1.5 * width(result), rel=0.02)
    assert width(with_dof(result, 2.0)) > 1.5 * width(result)


def test_refusals() -> None:
    problem, _, _ = line(2)
    with pytest.raises(OptistackError, match="2 readings cannot determine 2 parameters"):
        fit(problem, np.zeros((1, 2)))
    empty = Problem(lambda th: np.full((len(th), 5), np.nan), np.ones(5), np.ones(5), ("a",))
    with pytest.raises(OptistackError, match="no finite prediction"):
        fit(empty, np.zeros((1, 1)))
