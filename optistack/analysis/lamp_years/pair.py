"""Two lamps, or two laboratories, that report the same nominal dose."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.lamp_years.common import (
    DRAWN,
    SPECIMENS,
    Specimen,
    about_weights,
    draw,
    one_lamp,
)
from optistack.criteria import (
    METER_BAND_NM,
    Criterion,
    criteria,
    lamp_rate,
    merged,
    over_all,
    require_layer,
    three,
)
from optistack.errors import OptistackError, StackError
from optistack.exposure import ExposureResult
from optistack.plot_axes import label_rows, row_axes
from optistack.rate_terms import PROPORTIONAL, Knowledge
from optistack.spectra import DAMAGE_BAND_NM, DEFAULT_BANDS_NM, BandNm, Weight, weight_family
from optistack.spectral_math import band_key
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

LABS = (
    "published: at the same nominal dose, the doses of 13 laboratories were in error by up to "
    "120 % (M. Koehl et al., Prog. Photovolt. 23 (2015) 1815, read in an abstract)"
)


@dataclass(frozen=True, eq=False)
class LampPairRow:
    """One specimen by one way of counting: the second lamp over the first.

    Attributes
    ----------
    specimen : "coupon" or "device"
    criterion : Criterion
    ratio : Value
        Dose (with p: damage) under the second over that under the first, at the same nominal dose.
    """

    specimen: Specimen
    criterion: Criterion
    ratio: Value


@dataclass(frozen=True, eq=False)
class LampPair:
    """Two lamps, or two laboratories, at the same nominal dose.

    Attributes
    ----------
    first, second : str
    layer, coupon_layer : str
    nominal : str
        What both laboratories report as equal.
    rows : tuple of LampPairRow
    notes : tuple of str
    """

    first: str
    second: str
    layer: str
    coupon_layer: str
    nominal: str
    rows: tuple[LampPairRow, ...]
    notes: tuple[str, ...] = ()

    def apart(self, specimen: Specimen) -> Value:
        """Dose ratio over what is absorbed in 280-400 nm and every weight: the first's value.

        Parts of that band are in the rows.
        """
        parts = [
            r.ratio
            for r in self.rows
            if r.specimen == specimen
            and not r.criterion.incident
            and (r.criterion.weight is not None or r.criterion.band_nm == DAMAGE_BAND_NM)
        ]
        return over_all(parts)

    def to_frame(self) -> pd.DataFrame:
        """One row per specimen and way of counting."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "specimen": r.specimen,
                    "criterion": r.criterion.kind,
                    "key": r.criterion.key,
                    "band_nm": band_key(r.criterion.band_nm),
                    "first": self.first,
                    "second": self.second,
                    **three("dose_ratio", r.ratio),
                    "difference_percent": 100.0 * (r.ratio.value - 1.0),
                }
                for r in self.rows
            ]
        )

    def plot(self, ax: Any = None) -> Any:
        """Dose ratio by way of counting, coupon and device, on a matplotlib Axes."""
        wide = list(dict.fromkeys(r.criterion.label for r in self.rows))
        ax = row_axes(ax, len(wide))
        ax.axvline(1.0, color="#777777", linewidth=0.8)
        for who in SPECIMENS:
            shift = DRAWN[who][2]
            rows = [r for r in self.rows if r.specimen == who]
            y = np.array([-wide.index(r.criterion.label) for r in rows]) + shift
            draw(ax, [r.ratio for r in rows], y, who, who)
        ax.set_xlabel(f"dose, {self.second} over {self.first},\nat the same {self.nominal}")
        label_rows(ax, wide)
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def compare_lamps(
    coupons: tuple[ExposureResult, ExposureResult],
    devices: tuple[ExposureResult, ExposureResult],
    layer: str,
    *,
    coupon_layer: str | None = None,
    nominal_nm: BandNm | float = METER_BAND_NM,
    bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM,
    weights: Sequence[Weight] | None = None,
    exponent: Knowledge = PROPORTIONAL,
    names: tuple[str, str] | None = None,
) -> LampPair:
    """How different the doses are under two lamps whose meters say the same.

    Parameters
    ----------
    coupons, devices : (ExposureResult, ExposureResult)
        Under the first and under the second lamp.
    layer, coupon_layer : str
        As in `lamp_years`.
    nominal_nm : (float, float) or float [nm]
        The same nominal dose: irradiance in this band, or spectral irradiance at this wavelength,
        times hours.
    bands_nm, weights, exponent
        As in `lamp_years`.
    names : (str, str), optional
        Of the two laboratories; those of the lamps when not given.

    Raises
    ------
    StackError, OptistackError
        As in `lamp_years`; a lamp without light in the nominal band.

    Examples
    --------
    >>> import optistack as ost
    >>> film = ost.Stack("air", [ost.Layer("film", "ito", 120.0)], "fused_silica")
    >>> tube = ost.spectrum("uva340").at_set_point(340, 0.89)
    >>> arc = ost.spectrum("xenon_daylight").at_set_point(340, 0.51)
    >>> runs = tuple(ost.Exposure("coupon", film, lamp).run() for lamp in (tube, arc))
    >>> pair = compare_lamps(runs, runs, "film", nominal_nm=(300, 400))
    >>> pair.apart("coupon").format(2)  # xenon over UVA-340, at the same reading x hours
    '0.82 (0.35 to 1.3)'
    """
    used = tuple(weights) if weights is not None else weight_family()
    coupon_layer = coupon_layer or layer
    one_lamp(coupons[0], devices[0])
    one_lamp(coupons[1], devices[1])
    readings = [_reading(r, nominal_nm) for r in coupons]
    at_one = not isinstance(nominal_nm, tuple)
    nominal = (
        f"spectral irradiance at {nominal_nm:g} nm x hours"
        if not isinstance(nominal_nm, tuple)
        else f"irradiance in {band_key(nominal_nm)} nm x hours"
    )
    first, second = names or (coupons[0].exposure.light.name, coupons[1].exposure.light.name)
    if first == second:
        first, second = f"{first} (first)", f"{second} (second)"
    lamp_band = DAMAGE_BAND_NM if at_one else nominal_nm
    ways = criteria(DAMAGE_BAND_NM, lamp_band, bands_nm, used)  # type: ignore[arg-type]
    p = exponent.value
    rows: list[LampPairRow] = []
    notes = [
        f"nominal dose: {nominal}, equal for both",
        LABS,
        "every variant of one lamp stands against every variant of the other: two lamps of one "
        "type need not have one spectrum. What a meter misreads comes on top",
        *about_weights(used, first, second),
    ]
    for who, pair, name in zip(SPECIMENS, (coupons, devices), (coupon_layer, layer), strict=True):
        thick = [require_layer(r, name) for r in pair]
        if not np.isclose(thick[0], thick[1], rtol=1e-6):
            raise StackError(
                f"{who}: layer {name} is {thick[0]:g} nm thick under the first lamp and "
                f"{thick[1]:g} nm under the second; compare one specimen"
            )
        for way in ways:
            one, two = (lamp_rate(r, name, way) for r in pair)
            if not ((one > 0).all() and (two > 0).all()):
                notes.append(f"{who}: not counted by {way.label}: a lamp has nothing there")
                continue
            powers = (1.0,) if way.incident else (p.value, p.low, p.high)
            # Equal reading x hours: the second runs reading_1/reading_2 times as long.
            parts = [
                ((two[:, None] / one) ** q * (readings[0] / readings[1][:, None])).ravel()
                for q in powers
            ]
            rows.append(LampPairRow(who, way, Value.of(np.concatenate(parts))))
        for result in pair:
            notes += [f"{who}: {n}" for n in result.notes(name, DAMAGE_BAND_NM)]
    return LampPair(first, second, layer, coupon_layer, nominal, tuple(rows), merged(notes))


def _reading(result: ExposureResult, nominal_nm: BandNm | float) -> Real:
    """What the meter reads, (variant,)."""
    if isinstance(nominal_nm, tuple):
        out, where = result.incident_irradiance_w_m2(nominal_nm), f"{band_key(nominal_nm)} nm"
    else:
        out = np.array([float(light(nominal_nm)) for light in result.lights])
        where = f"{nominal_nm:g} nm"
    if not (out > 0).all():
        raise OptistackError(
            f"light {result.exposure.light.name} has no light in {where}, so no dose can be stated "
            "there; take a nominal band in which both lamps shine"
        )
    return out
