"""Draws of what is not known, in a scenario: what is asked, and the answer put together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from optistack.errors import OptistackError, ScenarioError
from optistack.exposure import Exposure
from optistack.rate_terms import Knowledge
from optistack.scenario.question import Question
from optistack.scenario.rates import RatesAnswer, measured_weights
from optistack.scenario.section import Section
from optistack.tolerances import BY_GRADE
from optistack.uncertainty import (
    METHODS,
    Distribution,
    FirstOrder,
    MaterialTolerance,
    Method,
    RateInputs,
    RatioModel,
    Tolerances,
    Uncertainty,
    first_order,
    from_value,
    ratio_uncertainty,
)
from optistack.value import Value
from optistack.workers import Workers

FEWEST_DRAWS, MOST_DRAWS = 100, 1_000_000
# Share of the coupon's property whose hours are drawn.
LEVEL = 0.8


@dataclass(frozen=True, eq=False)
class UncertaintyQuestion:
    """How many draws, and how well the parts of the exposures are known.

    Attributes
    ----------
    draws, seed : int
    method : "random" or "sobol"
    tolerances : Tolerances
    """

    draws: int
    seed: int
    method: Method
    tolerances: Tolerances


def read_uncertainty(section: Section) -> UncertaintyQuestion:
    """Read the section ``[uncertainty]``."""
    usual = Tolerances()
    layers = section.section("layers", None)
    known: dict[str, float] = {}
    if layers is not None:
        known = {name: layers.number(name, low=0.0, high=3.0) for name in layers.names}
    materials: dict[str, MaterialTolerance] = {}
    for name, item in section.named("materials").items():
        base = BY_GRADE["A"]
        materials[name] = MaterialTolerance(
            item.number("n_shift", base.n_shift, low=0.0, high=3.0),
            item.number("k_log", base.k_log, low=0.0, high=3.0),
            item.number("k_tilt", base.k_tilt, low=0.0, high=3.0),
        )
        item.done()

    draws = section.integer("draws", 300, low=FEWEST_DRAWS)
    if draws > MOST_DRAWS:
        raise ScenarioError(
            f"{draws} draws are more than {MOST_DRAWS}: they would tell no more",
            section.key_path("draws"),
        )
    return UncertaintyQuestion(
        draws,
        section.integer("seed", 1, low=0),
        section.choice("method", METHODS, "random"),
        Tolerances(
            thickness=section.number("thickness", usual.thickness, low=0.0, high=3.0),
            layers=known,
            materials=materials,
            lamp_level=section.number("lamp_level", usual.lamp_level, low=0.0, high=3.0),
            meter=section.number("meter", usual.meter, low=0.0, high=3.0),
            rear_share=section.number("rear_share", usual.rear_share, low=0.0, high=3.0),
            holder_reflectance=section.number(
                "holder_reflectance", usual.holder_reflectance, low=0.0, high=3.0
            ),
        ),
    )


def answer_uncertainty(
    question: UncertaintyQuestion,
    asked: Question,
    exposures: Mapping[str, Exposure],
    rates: RatesAnswer | None,
    *,
    workers: Workers | None = None,
    keep: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Uncertainty:
    """Draw the comparison that the rates rest on, or else the main one.

    Parameters
    ----------
    question : UncertaintyQuestion
    asked : Question
        With at least one comparison.
    exposures : mapping of str to Exposure
    rates : RatesAnswer or None
    workers, keep, progress
        As in `optistack.uncertainty.propagate`.
    """
    coupon, device = asked.pairs[0] if rates is None else rates.question.pair
    activation = None if rates is None else rates.activation
    return ratio_uncertainty(
        exposures[coupon],
        exposures[device],
        asked.layer,
        coupon_layer=asked.coupon_layer,
        weights=asked.weights if activation is None else measured_weights(activation),
        tolerances=question.tolerances,
        rate=None if rates is None else _rate_inputs(rates),
        draws=question.draws,
        seed=question.seed,
        method=question.method,
        workers=workers,
        keep=keep,
        progress=progress,
    )


def rank_causes(
    question: UncertaintyQuestion | None, asked: Question, exposures: Mapping[str, Exposure]
) -> FirstOrder:
    """What the main comparison's ratio hangs on, to first order and without draws.

    With the tolerances of the section ``[uncertainty]``, or the usual ones without it.

    Raises
    ------
    OptistackError
        Nothing is absorbed on one side, or the exposures are of a kind that is not varied.
    """
    coupon, device = asked.pairs[0]
    model = RatioModel(
        exposures[coupon],
        exposures[device],
        asked.layer,
        coupon_layer=asked.coupon_layer,
        weights=asked.weights[:1],
        tolerances=None if question is None else question.tolerances,
    )
    return first_order(model)


def _rate_inputs(rates: RatesAnswer) -> RateInputs:
    correction = rates.correction
    kelvin = (
        rates.question.coupon_temperature_k or rates.kinetics.data.film_temperature_k,
        rates.question.device_temperature_k
        or (None if rates.device is None else rates.device.film_temperature_k),
    )
    energy = correction.activation_energy_kj_mol
    thermal = energy.how != "assumed" and None not in kelvin
    return RateInputs(
        exponent=_drawn(correction.exponent),
        activation_energy_kj_mol=_drawn(energy) if thermal else None,
        coupon_temperature_k=_range(kelvin[0]) if thermal else None,
        device_temperature_k=_range(kelvin[1]) if thermal else None,
        coupon_hours=_hours(rates),
    )


def _drawn(known: Knowledge) -> Distribution:
    return from_value(known.value, fitted=known.how == "fitted")


def _range(value: Value | None) -> Distribution | None:
    return None if value is None else from_value(value, fitted=False)


def _hours(rates: RatesAnswer) -> Distribution | None:
    """Hours of the coupon to a share left, light alone; None where there is only a limit."""
    try:
        return from_value(rates.kinetics.hours_to(LEVEL, light_only=True), fitted=True)
    except OptistackError:
        return None
