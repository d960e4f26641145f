"""How well the parts of a comparison are known: layers, materials, light, rate law."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np

from optistack.errors import OptistackError
from optistack.tolerances import MaterialTolerance
from optistack.uncertainty.distributions import Choice, Distribution


@dataclass(frozen=True)
class Tolerances:
    """How well the parts of an exposure are known, one standard deviation each.

    Attributes
    ----------
    thickness : float
        Relative, of every layer that is not in ``layers``.
    layers : mapping of layer name to float
        Relative, of one layer.
    materials : mapping of material name to MaterialTolerance
        By the grade of the table where not given (`BY_GRADE`).
    lamp_level : float
        Relative; of the level at the sample's place, each exposure by itself.
    meter : float
        Relative; of the set-point meter. It cancels where both sides stand under one source.
    rear_share : float
        Relative; of the light on the rear.
    holder_reflectance : float
        Half-width of a range.
    """

    thickness: float = 0.05
    layers: Mapping[str, float] = field(default_factory=dict)
    materials: Mapping[str, MaterialTolerance] = field(default_factory=dict)
    lamp_level: float = 0.05
    meter: float = 0.05
    rear_share: float = 0.2
    holder_reflectance: float = 0.1

    def __post_init__(self) -> None:
        numbers = {f.name: getattr(self, f.name) for f in fields(self) if f.type == "float"}
        numbers |= {f"layers {name}": x for name, x in self.layers.items()}
        for name, m in self.materials.items():
            numbers |= {f"materials {name} {key}": x for key, x in m._asdict().items()}
        for name, x in numbers.items():
            if not (np.isfinite(x) and 0 <= x <= 3):
                raise OptistackError(f"tolerance {name} = {x} must lie between 0 and 3")


@dataclass(frozen=True)
class RateInputs:
    """The rate law between coupon and device; what is None stays out.

    Attributes
    ----------
    exponent : Distribution
        Reciprocity exponent p.
    activation_energy_kj_mol : Distribution, optional [kJ/mol]
    coupon_temperature_k, device_temperature_k : Distribution, optional [K]
    coupon_rate_per_h : Distribution, optional [1/h]
    coupon_hours : Distribution, optional [h]
        Until the coupon has reached the level that is asked for.
    """

    exponent: Distribution = field(default_factory=lambda: Choice([1.0]))
    activation_energy_kj_mol: Distribution | None = None
    coupon_temperature_k: Distribution | None = None
    device_temperature_k: Distribution | None = None
    coupon_rate_per_h: Distribution | None = None
    coupon_hours: Distribution | None = None

    def __post_init__(self) -> None:
        thermal = (
            self.activation_energy_kj_mol,
            self.coupon_temperature_k,
            self.device_temperature_k,
        )
        if any(x is None for x in thermal) and any(x is not None for x in thermal):
            raise OptistackError(
                "a correction for temperature needs the activation energy and both temperatures"
            )


# What would have to be measured to know an input of the rate law.
MEASURED_BY = {
    "exponent": "intensity series",
    "activation_energy_kj_mol": "temperature series",
    "coupon_temperature_k": "film temperature of the coupon",
    "device_temperature_k": "film temperature of the device",
    "coupon_rate_per_h": "coupon series",
    "coupon_hours": "coupon series",
}
