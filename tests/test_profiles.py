"""Many profiles side by side, and least squares whose residuals do not vanish."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from optistack.fitting import Problem, fit, minimise

Real = NDArray[np.float64]
TIME = np.linspace(0.0, 3.0, 12)


def decay_problem() -> Problem:
    rng = np.random.default_rng(11)
    noise = 0.02 * rng.standard_normal(TIME.size)

    def predict(theta: Real) -> Real:
        return np.asarray(
            np.exp(theta[:, :1]) * np.exp(-np.exp(theta[:, 1:2]) * TIME) + theta[:, 2:]
        )

    observed = 2.0 * np.exp(-0.8 * TIME) + 0.3 + noise
    return Problem(predict, observed, np.full(TIME.size, 0.02), ("a", "k", "c"))


def test_intervals_side_by_side_are_those_one_by_one() -> None:
    """Each end is looked for by itself: in company it takes the same steps, to rounding."""
    result = fit(decay_problem(), np.array([[0.5, 0.0, 0.1]]))
    quantities = [
        lambda th: th[:, 0],
        lambda th: th[:, 1],
        lambda th: np.log(2.0) / np.exp(th[:, 1]),
        lambda th: np.exp(th[:, 0]) + th[:, 2],
        lambda th: 5.0 + 0.0 * th[:, 0] + th[:, 2] ** 3,
    ]

    def every(theta: Real, which: NDArray[np.intp]) -> Real:
        return np.asarray(np.array([q(theta) for q in quantities])[which, np.arange(len(theta))])

    together = result.intervals(every, len(quantities))
    for mine, quantity in zip(together, quantities, strict=True):
        alone = result.interval(quantity)
        assert mine == pytest.approx(alone, rel=1e-9)
        middle = float(quantity(result.theta[None])[0])
        assert mine[0] < middle < mine[1]


def test_an_open_end_among_others() -> None:
    """A rate that the data can hardly tell from 0 has no lower end; its neighbours keep theirs."""

    def predict(theta: Real) -> Real:
        return np.asarray(np.exp(theta[:, 1:] - np.exp(theta[:, :1]) * TIME))

    rng = np.random.default_rng(4)
    problem = Problem(
        predict,
        np.exp(-0.02 * TIME) + 0.03 * rng.standard_normal(TIME.size),
        np.full(TIME.size, 0.03),
        ("log k", "log start"),
        sigma_known=True,
    )
    result = fit(problem, np.array([[-4.0, 0.0]]))
    together = result.intervals(lambda th, which: th[np.arange(len(th)), which], 2)
    alone = [result.interval(lambda th, j=j: th[:, j]) for j in (0, 1)]
    assert together[0][0] == -np.inf and np.isfinite([together[0][1], *together[1]]).all()
    for mine, its in zip(together, alone, strict=True):
        assert mine == pytest.approx(its, rel=1e-9)


def test_a_parameter_held_by_prior_knowledge_only_is_found_in_few_steps() -> None:
    """The data pull at it all the way, so squares of slopes alone foretell too little curvature.

    Readings r = c + g exp(s) with g far off, and s = 0 +- 1 from before: the minimum is where
    w (g0 + exp(s)) exp(s) + s = 0. Plain Gauss-Newton steps overshoot and creep back.
    """
    weight, off = 0.4, 12.0

    def residuals(theta: Real, _: NDArray[np.intp]) -> Real:
        s = theta[:, 0]
        return np.stack([np.sqrt(weight) * (off + np.exp(s)), s], axis=1)

    calls = 0

    def slopes(theta: Real, _: NDArray[np.intp]) -> Real:
        nonlocal calls
        calls += 1
        s = theta[:, 0]
        return np.stack([np.sqrt(weight) * np.exp(s), np.ones(len(s))], axis=1)[:, :, None]

    theta, cost = minimise(residuals, np.zeros((1, 1)), slopes=slopes, tolerance=1e-10)
    s = float(theta[0, 0])
    assert weight * (off + np.exp(s)) * np.exp(s) + s == pytest.approx(0.0, abs=1e-5)
    assert cost[0] == pytest.approx(weight * (off + np.exp(s)) ** 2 + s**2)
    assert calls <= 14
