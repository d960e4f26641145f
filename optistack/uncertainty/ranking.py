"""What decides a ratio, from its first derivatives: a ranking without draws.

For small tolerances the variance of the logarithm is the sum of (slope x standard deviation)^2.
The slopes by every thickness, n and k come from one backward pass through each stack; the other
inputs are few, and each is varied by itself. What acts together, or bends, is for the draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from optistack.errors import OptistackError
from optistack.exposure import ExposureResult
from optistack.light_paths import respond
from optistack.plot_axes import axes
from optistack.sensitivity import Sensitivities, sensitivities
from optistack.spectra import Weight
from optistack.uncertainty.distributions import Choice, Distribution, LogNormal, Normal, Uniform
from optistack.uncertainty.draws import Share
from optistack.uncertainty.stacks import RatioModel

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class FirstOrder:
    """Inputs of a ratio ranked by what each does to its logarithm.

    Attributes
    ----------
    output : str
        As among the outputs of the model.
    value : float
        The ratio with every input at its centre.
    log_sd : mapping of input to float
        What one standard deviation of the input does to ln(ratio), with its sign.
    measurement : mapping of input to str
        What would tell.
    notes : tuple of str
    """

    output: str
    value: float
    log_sd: Mapping[str, float]
    measurement: Mapping[str, str]
    notes: tuple[str, ...] = ()

    @property
    def total_log_sd(self) -> float:
        """Standard deviation of ln(ratio), inputs independent."""
        return float(np.sqrt(sum(x * x for x in self.log_sd.values())))

    @property
    def shares(self) -> tuple[Share, ...]:
        """Variance shares of the inputs, largest first; ``least`` is 0, since nothing is drawn."""
        total = self.total_log_sd**2
        found = [
            Share(name, self.measurement[name], x * x / total if total > 0 else 0.0, 0.0)
            for name, x in self.log_sd.items()
        ]
        return tuple(sorted(found, key=lambda s: -s.share))

    def to_frame(self) -> pd.DataFrame:
        """One row per input, the largest share first."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "input": s.name,
                    "measurement": s.measurement,
                    "log_sd": self.log_sd[s.name],
                    "variance_share": s.share,
                }
                for s in self.shares
            ]
        )

    def plot(self, ax: Any = None, *, most: int = 12) -> Any:
        """Variance shares as bars, on a matplotlib Axes."""
        ax = axes(ax)
        shown = self.shares[:most][::-1]
        ax.barh([s.name for s in shown], [100 * s.share for s in shown], color="0.3")
        ax.set_xlabel(f"share of the variance of the logarithm of {self.output}, first order (%)")
        ax.set_xlim(left=0.0)
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def first_order(model: RatioModel, weight: Weight | None = None) -> FirstOrder:
    """Rank the causes of a ratio's uncertainty by its first derivatives.

    Parameters
    ----------
    model : RatioModel
        Its rate law stays out.
    weight : Weight, optional
        One of the model's; the first when not given.

    Raises
    ------
    OptistackError
        A weight that the model does not have; nothing absorbed on one side.

    Notes
    -----
    Reliable where each input alone changes the ratio by some ten per cent at most; the draws
    (`ratio_uncertainty`) hold beyond that.
    """
    chosen = model.weights[0] if weight is None else weight
    if all(chosen is not w for w in model.weights):
        raise OptistackError(
            f"weight {chosen.name} is not one of the model's: "
            f"{', '.join(w.name for w in model.weights)}"
        )
    output = f"ratio per volume, {chosen.name}"
    optical: dict[str, float] = {}
    for sign, side in zip((-1.0, 1.0), model.sides, strict=True):
        _, far = side.exposure.built
        response = respond(side.stack, side.exposure.geometry, side.grid)
        solved = ExposureResult(side.exposure, response, far)
        found = sensitivities(solved, side.layer, weight=chosen, per_volume=True)
        for name, slope in _slopes(side, found):
            optical[name] = optical.get(name, 0.0) + sign * slope
    value = float(model({"weight": np.zeros(1)})[output][0])
    log_sd, measurement = {}, {}
    for item in model.inputs:
        if item.name == "weight" or item.name not in model.of_ratio:
            continue
        measurement[item.name] = item.measurement
        if item.name in optical:
            log_sd[item.name] = optical[item.name] * _sd(item.distribution)
        else:
            log_sd[item.name] = _alone(model, item.name, item.distribution, output)
    return FirstOrder(
        output,
        value,
        log_sd,
        measurement,
        (*model.notes, "each input by itself, for small changes"),
    )


def _slopes(side: Any, found: Sensitivities) -> list[tuple[str, float]]:
    """Slopes of the logarithm by the inputs of one side, as the draws define these."""
    out = []
    tilts = zip(found.by_k_scale.tolist(), found.by_k_tilt.tolist(), strict=True)
    for i, (layer, (scale, tilt)) in enumerate(zip(found.layers, tilts, strict=True)):
        if layer in side.thicknesses:
            out.append((side.thicknesses[layer], float(found.by_relative_thickness[i])))
        key = side.materials.get(layer)
        if key is not None:
            n = np.minimum(side.index[1 + i].real, 1.0)
            out.append((f"n of {key}", float(found.by_n[i] @ n)))
            out.append((f"k scale of {key}", scale))
            out.append((f"k tilt of {key}", tilt))
    return out


def _sd(distribution: Distribution) -> float:
    """Standard deviation, of the logarithm for a lognormal distribution."""
    if isinstance(distribution, LogNormal):
        return distribution.log_sd
    if isinstance(distribution, Normal):
        return distribution.sd
    if isinstance(distribution, Uniform):
        return (distribution.high - distribution.low) / float(np.sqrt(12.0))
    raise OptistackError("a choice between options has no standard deviation")


def _alone(model: RatioModel, name: str, distribution: Distribution, output: str) -> float:
    """What one standard deviation of an input does, by a difference; of a choice, its spread."""
    if isinstance(distribution, Choice):
        logs = np.log(model({name: np.array(distribution.options, dtype=float)})[output])
        share = np.array(distribution.probabilities)
        return float(np.sqrt(share @ (logs - share @ logs) ** 2))
    sd, centre = _sd(distribution), float(distribution.central)
    steps = np.array([-0.5, 0.5]) * sd
    lognormal = isinstance(distribution, LogNormal)
    ends = centre * np.exp(steps) if lognormal else centre + steps
    logs = np.log(model({name: ends})[output])
    return float(logs[1] - logs[0])
