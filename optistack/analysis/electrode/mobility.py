"""The loss that a mobility from a transient measurement would predict."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.analysis.electrode.cell import Cell, Collection, laws
from optistack.analysis.electrode.common import positive
from optistack.analysis.electrode.device import Device
from optistack.analysis.electrode.geometry import Strip
from optistack.errors import OptistackError

Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TransientMobility:
    """Mobility of the absorber from a transient measurement, at the positions of the J-V series.

    Attributes
    ----------
    ratio : (t,) array
        Over the value at the first position.
    collection_voltage_v : float
        V_c = d^2 / (mu tau) at the first position [V], see `Collection`.
    """

    ratio: Real
    collection_voltage_v: float

    def __init__(self, ratio: ArrayLike, collection_voltage_v: float):
        values = np.array(ratio, dtype=float)
        if values.ndim != 1 or not np.all(np.isfinite(values) & (values > 0)):
            raise OptistackError("mobilities must be above 0 at every position")
        positive("collection voltage", collection_voltage_v, "V")
        values = values / values[0]
        values.setflags(write=False)
        object.__setattr__(self, "ratio", values)
        object.__setattr__(self, "collection_voltage_v", float(collection_voltage_v))

    @classmethod
    def of(
        cls, mobility_cm2_vs: ArrayLike, lifetime_us: float, thickness_nm: float
    ) -> TransientMobility:
        """From mobility (t,) [cm2/(V s)], carrier lifetime [us] and absorber thickness [nm]."""
        positive("carrier lifetime", lifetime_us, "us")
        positive("thickness", thickness_nm, "nm")
        mobility = np.atleast_1d(np.array(mobility_cm2_vs, dtype=float))
        positive("mobility", float(mobility[0]), "cm2/(V s)")
        way2 = (thickness_nm * 1e-7) ** 2
        return cls(mobility, way2 / (float(mobility[0]) * lifetime_us * 1e-6))


def mobility_shares(
    fresh: Cell, geometry: Strip, sheet: Real, mobility: TransientMobility, built_in_v: float
) -> Real:
    """Power of the fresh cell over the first, if its collection followed the mobility (t,).

    The fresh curve is what it is: photocurrent and saturation current are set so that short
    circuit and open circuit stay where they were measured.
    """
    at_first = Collection(built_in_v, mobility.collection_voltage_v)
    with_field = replace(fresh, collection=at_first)
    zero = np.zeros((1, 1))
    wanted = float(fresh.law().current(zero)[0][0, 0])
    given = float(with_field.law().current(zero)[0][0, 0])
    start = replace(
        with_field,
        photocurrent_density_ma_cm2=fresh.photocurrent_density_ma_cm2 * wanted / given,
    )
    cells = [
        replace(
            start,
            voc_v=None,
            saturation_current_density_ma_cm2=start.saturation_ma_cm2,
            collection=Collection(built_in_v, mobility.collection_voltage_v / float(ratio)),
        )
        for ratio in mobility.ratio
    ]
    power = Device(laws(cells), geometry, sheet).points().power_mw_cm2
    return np.asarray(power / power[0])
