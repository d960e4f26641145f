"""The ranking from first derivatives against the model itself, and against draws of it."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import LANTERN_HOUSE

import optistack as ost
from optistack.errors import OptistackError
from optistack.tolerances import BY_GRADE, MaterialTolerance
from optistack.uncertainty import (
    Choice,
    FirstOrder,
    LogNormal,
    RatioModel,
    Tolerances,
    first_order,
    propagate,
)


@pytest.fixture(scope="module")
def sides() -> tuple[ost.Exposure, ost.Exposure]:
    exposures = ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml").exposures
    return exposures["coupon in the chamber"], exposures["device in the chamber"]


@pytest.fixture(scope="module")
def model(sides: tuple[ost.Exposure, ost.Exposure]) -> RatioModel:
    return RatioModel(*sides, "electrode")


@pytest.fixture(scope="module")
def found(model: RatioModel) -> FirstOrder:
    return first_order(model, model.weights[1])


def test_every_input_does_what_the_model_says(model: RatioModel, found: FirstOrder) -> None:
    """Central differences over a hundredth of a standard deviation: 1e-4 of the slope or better."""
    assert set(found.log_sd) == set(model.of_ratio)
    for item in model.inputs:
        if item.name not in found.log_sd or isinstance(item.distribution, Choice):
            continue
        u = np.array([-0.005, 0.005])
        d = item.distribution
        if isinstance(d, LogNormal):
            ends = d.median * np.exp(d.log_sd * u)
        else:
            sd = d.sd if hasattr(d, "sd") else (d.high - d.low) / np.sqrt(12)  # type: ignore[union-attr]
            ends = d.central + sd * u
        logs = np.log(model({item.name: ends})[found.output])
        slope = float(logs[1] - logs[0]) / 0.01
        assert found.log_sd[item.name] == pytest.approx(slope, rel=2e-3, abs=2e-6), item.name


def test_the_spread_is_that_of_draws_where_tolerances_are_small(
    sides: tuple[ost.Exposure, ost.Exposure], model: RatioModel
) -> None:
    """A tenth of the usual tolerances: what acts together is a hundredth.

    600 draws know a standard deviation to 3 %, and their variance shares to 0.05.
    """
    used = {x.material.name: x.material.grade for e in sides for x in e.stack.layers}
    small = Tolerances(
        0.005,
        {},
        {name: MaterialTolerance(*(x / 10 for x in BY_GRADE[g])) for name, g in used.items()},
        0.005,
        0.005,
        0.02,
        0.01,
    )
    quiet = tuple(
        ost.Exposure(e.name, e.stack, one_shape(e.light), e.geometry, e.filters, e.hours)
        for e in sides
    )
    tight = RatioModel(*quiet, "electrode", tolerances=small)
    mine = first_order(tight)
    drawn = propagate(tight, tight.inputs, draws=600, log=tight.outputs)
    logs = np.log(drawn.values[mine.output])
    assert mine.total_log_sd == pytest.approx(float(logs.std()), rel=0.1)
    theirs = {s.name: s.share for s in drawn.shares(mine.output)}
    for s in mine.shares[:6]:
        assert s.share == pytest.approx(theirs[s.name], abs=0.06)
    assert mine.value == pytest.approx(float(np.exp(logs.mean())), rel=0.01)


def one_shape(light: ost.Spectrum) -> ost.Spectrum:
    from dataclasses import replace

    return replace(light, variants=())


def test_the_ranking_reads_as_that_of_the_draws(found: FirstOrder) -> None:
    shares = found.shares
    assert sum(s.share for s in shares) == pytest.approx(1.0)
    assert [s.share for s in shares] == sorted((s.share for s in shares), reverse=True)
    frame = found.to_frame()
    assert frame["input"][0] == shares[0].name and len(frame) == len(shares)
    assert len(found.plot(most=3).patches) == 3
    assert "<table" in found._repr_html_()


def test_a_weight_of_another_model_is_refused(model: RatioModel) -> None:
    with pytest.raises(OptistackError, match="is not one of the model's"):
        first_order(model, ost.weight_family()[0])
