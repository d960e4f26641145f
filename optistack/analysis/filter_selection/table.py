"""What a filter leaves of the dose, and what it costs in photocurrent, under every light."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.collection import Collection, Photocurrent, photocurrent
from optistack.exposure import Exposure, ExposureResult, MountedFilter
from optistack.filters import Filter
from optistack.plot_axes import axes
from optistack.spectra import (
    DAMAGE_BAND_NM,
    DEFAULT_BANDS_NM,
    BandNm,
    Spectrum,
    Weight,
    weight_family,
)
from optistack.spectral_math import band_key
from optistack.stack import FilterStack
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

# A filter whose edge lies above this is also judged with weights that go on to 500 nm.
LONG_EDGE_NM = 370.0
LONG_BAND_NM: BandNm = (280.0, 500.0)
CARRIED = f" to {LONG_BAND_NM[1]:g}"
# The weight's upper limit decides when it changes the dose left by more than this part of it.
DEPENDS_ON_LIMIT = 0.10


@dataclass(frozen=True, eq=False)
class FilterRow:
    """One filter in one mount under one exposure.

    Attributes
    ----------
    name, mount, light, exposure, layer : str
    dose_left : mapping of band key to Value
        Photons the layer absorbs with the filter over without. Ranges are over the light's
        variants and over readings below the stray-light floor; ``bound`` "upper" where such
        readings carry most of the answer.
    weighted_dose_left : mapping of weight name to Value
    photocurrent_ma_cm2, photocurrent_lost_ma_cm2, photocurrent_lost_fraction : Value or None
    dominated : bool
        Another filter under the same exposure leaves no more dose and loses no more photocurrent.
    notes : tuple of str
    """

    name: str
    mount: str
    light: str
    exposure: str
    layer: str
    dose_left: Mapping[str, Value]
    weighted_dose_left: Mapping[str, Value]
    photocurrent_ma_cm2: Value | None = None
    photocurrent_lost_ma_cm2: Value | None = None
    photocurrent_lost_fraction: Value | None = None
    dominated: bool = False
    notes: tuple[str, ...] = ()

    def reduction(self, band: str) -> float:
        """Dose without over dose with the filter; infinite where nothing is left."""
        left = self.dose_left[band].value
        return 1.0 / left if left > 0 else float("inf")


@dataclass(frozen=True, eq=False)
class FilterTable:
    """Filters compared.

    Attributes
    ----------
    rows : tuple of FilterRow
    ranking_band : str
    unfiltered : mapping of exposure name to Value or None
        Photocurrent density without the filters [mA/cm2].
    notes : tuple of str
    """

    rows: tuple[FilterRow, ...]
    ranking_band: str
    unfiltered: Mapping[str, Value | None]
    notes: tuple[str, ...] = ()

    def under(self, exposure: str) -> tuple[FilterRow, ...]:
        """Rows of one exposure, least dose first."""
        rows = [r for r in self.rows if r.exposure == exposure]
        return tuple(sorted(rows, key=lambda r: r.dose_left[self.ranking_band].value))

    def to_frame(self) -> pd.DataFrame:
        """One row per filter, mount and exposure."""
        import pandas as pd

        out = []
        for row in self.rows:
            record: dict[str, Any] = {
                "name": row.name,
                "mount": row.mount,
                "light": row.light,
                "exposure": row.exposure,
                "layer": row.layer,
            }
            for key, v in row.dose_left.items():
                record[f"dose_left {key} nm"] = v.value
                record[f"reduction_factor {key} nm"] = row.reduction(key)
            for key, v in row.weighted_dose_left.items():
                record[f"weighted_dose_left {key}"] = v.value
            for name in (
                "photocurrent_ma_cm2",
                "photocurrent_lost_ma_cm2",
                "photocurrent_lost_fraction",
            ):
                value: Value | None = getattr(row, name)
                record[name] = np.nan if value is None else value.value
            record["dominated"] = row.dominated
            out.append(record)
        return pd.DataFrame(out)

    def plot(self, ax: Any = None) -> Any:
        """Dose left against photocurrent lost, on a matplotlib Axes."""
        ax = axes(ax)
        for row in self.rows:
            if row.photocurrent_lost_ma_cm2 is None:
                continue
            left = row.dose_left[self.ranking_band].value
            ax.plot(row.photocurrent_lost_ma_cm2.value, left, "o", label=f"{row.name}, {row.light}")
        ax.set_xlabel("photocurrent lost (mA/cm2)")
        ax.set_ylabel(f"dose left, {self.ranking_band} nm")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def filter_table(
    exposures: Sequence[Exposure],
    candidates: Sequence[MountedFilter],
    layer: str,
    *,
    bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM,
    weights: Sequence[Weight] | None = None,
    collections: Mapping[str, Collection] | None = None,
    base_results: Mapping[str, ExposureResult] | None = None,
) -> FilterTable:
    """Judge every filter under every exposure.

    Parameters
    ----------
    exposures : sequence of Exposure
        Normally the device under the lamp and under the sun. The candidate goes in front of any
        filters that an exposure already has.
    candidates : sequence of MountedFilter
    layer : str
    bands_nm : sequence of (float, float) [nm]
    weights : sequence of Weight, optional
        The default family when not given. A filter with its edge above 370 nm is also judged with
        the flat and exponential weights of 280-400 nm carried on to 500 nm.
    collections : mapping of exposure name to Collection, optional
        Where the photocurrent is asked for.
    base_results : mapping of exposure name to ExposureResult, optional
        Exposures without candidates that are already solved over the ranges needed.

    Raises
    ------
    StackError, OptistackError
        A mount that does not fit a filter.
    RangeError
        A table or filter that does not cover the bands.
    """
    weights = tuple(weights) if weights is not None else weight_family()
    collections = collections or {}
    rows: list[FilterRow] = []
    notes: list[str] = []
    unfiltered: dict[str, Value | None] = {}
    ranking = _ranking_band(bands_nm)
    for exposure in exposures:
        collection = collections.get(exposure.name)
        everything = [
            *bands_nm,
            *(w.band_nm for w in weights),
            *long_bands(candidates, weights, exposure.light),
        ]
        if collection is not None:
            everything.append(collection.range_nm)
        limits = exposure.needed_range(everything)
        base = (base_results or {}).get(exposure.name)
        if base is None or base.wavelength_nm[0] > limits[0] or base.wavelength_nm[-1] < limits[1]:
            base = exposure.run(limits)
        current = None if collection is None else photocurrent(base, collection)
        unfiltered[exposure.name] = None if current is None else current.value
        if current is not None:
            notes += current.notes
        here = [
            _judge(exposure, base, c, layer, bands_nm, weights, collection, current, limits)
            for c in candidates
        ]
        rows += _mark_dominated(here, ranking)
    notes += _ranking_notes(rows, [e.name for e in exposures], ranking)
    return FilterTable(tuple(rows), ranking, unfiltered, tuple(dict.fromkeys(notes)))


def long_bands(
    candidates: Sequence[MountedFilter], weights: Sequence[Weight], light: Spectrum
) -> list[BandNm]:
    """The band [nm] that filters with a long edge need beyond those asked for, if there are any.

    None where the light is not known so far: the filters are then judged without it.
    """
    asked = carried_on(weights) and any(has_long_edge(c.item) for c in candidates)
    if asked and light.covers(LONG_BAND_NM):
        return [LONG_BAND_NM]
    return []


def has_long_edge(item: Filter | FilterStack) -> bool:
    # A filter of layers may act anywhere: it is judged both ways.
    if isinstance(item, FilterStack):
        return True
    return item.half_value_nm is not None and item.half_value_nm > LONG_EDGE_NM


def carried_on(weights: Sequence[Weight]) -> list[Weight]:
    """The flat and exponential weights of 280-400 nm, carried on; a table ends where it ends."""
    return [
        replace(w, name=f"{w.name}{CARRIED}", band_nm=LONG_BAND_NM)
        for w in weights
        if w.band_nm == DAMAGE_BAND_NM and not w.wavelength_nm.size
    ]


def _ranking_band(bands_nm: Sequence[BandNm]) -> str:
    bands = tuple(bands_nm)
    return band_key(DAMAGE_BAND_NM if DAMAGE_BAND_NM in bands else bands[0])


def _judge(
    exposure: Exposure,
    base: ExposureResult,
    candidate: MountedFilter,
    layer: str,
    bands_nm: Sequence[BandNm],
    weights: Sequence[Weight],
    collection: Collection | None,
    current: Photocurrent | None,
    limits: BandNm,
) -> FilterRow:
    item = candidate.item

    def behind(mounted: MountedFilter) -> ExposureResult:
        return exposure.with_filters((mounted, *exposure.filters)).run(limits)

    central = behind(candidate)
    cases = [central]
    if isinstance(item, Filter) and item.stray_light_floor > 0:
        cases += [
            behind(replace(candidate, item=item.in_case("low"))),
            behind(replace(candidate, item=item.in_case("high"))),
        ]

    def left(rate: Any) -> Value:
        before = rate(base)
        with np.errstate(invalid="ignore", divide="ignore"):
            parts = [np.where(before > 0, rate(c) / before, np.nan) for c in cases]
        return _with_floor(parts)

    used = list(weights)
    carried = carried_on(weights) if has_long_edge(item) else []
    if exposure.light.covers(LONG_BAND_NM):
        used += carried
    dose = {band_key(b): left(lambda r, b=b: r.absorbed_photons_m2_s(layer, b)) for b in bands_nm}
    weighted = {w.name: left(lambda r, w=w: r.weighted_photons_m2_s(layer, w)) for w in used}
    notes = [n for n in central.notes() if n.startswith(f"filter {item.name}:")]
    notes += _limit_notes(item.name, exposure.light.name, weighted)
    if carried and not exposure.light.covers(LONG_BAND_NM):
        low, high = exposure.light.range_nm
        notes.append(
            f"filter {item.name} under {exposure.light.name}: not judged with weights that go on "
            f"to {LONG_BAND_NM[1]:g} nm, since the light is known for {low:g}-{high:g} nm only"
        )
    with_filter = lost = fraction = None
    if collection is not None and current is not None:
        after = photocurrent(central, collection)
        with_filter = after.value
        pairs = list(
            zip(
                (current.central, current.low, current.high),
                (after.central, after.low, after.high),
                strict=True,
            )
        )
        lost = Value.of(np.concatenate([before - now for before, now in pairs]))
        with np.errstate(invalid="ignore", divide="ignore"):
            parts = np.concatenate([np.where(b > 0, (b - n) / b, np.nan) for b, n in pairs])
        # Nothing to lose where nothing is collected: such a case says nothing about the share.
        fraction = Value.of(parts[np.isfinite(parts)] if np.isfinite(parts[0]) else parts[:1])
    return FilterRow(
        name=item.name,
        mount=candidate.mount,
        light=exposure.light.name,
        exposure=exposure.name,
        layer=layer,
        dose_left=dose,
        weighted_dose_left=weighted,
        photocurrent_ma_cm2=with_filter,
        photocurrent_lost_ma_cm2=lost,
        photocurrent_lost_fraction=fraction,
        notes=tuple(notes),
    )


def _with_floor(parts: Sequence[Real]) -> Value:
    """Central reading with its range; an upper limit where the floor carries most of it."""
    value = Value.of(np.concatenate(list(parts)))
    if len(parts) == 3 and parts[1][0] < 0.5 * parts[2][0]:
        return Value(float(parts[2][0]), value.low, value.high, "upper")
    return value


def _limit_notes(name: str, light: str, weighted: Mapping[str, Value]) -> list[str]:
    """Flag weights whose upper limit decides the answer."""
    changes = []
    for key, value in weighted.items():
        longer = weighted.get(f"{key}{CARRIED}")
        if longer is None or not (np.isfinite(value.value) and np.isfinite(longer.value)):
            continue
        if abs(longer.value - value.value) > DEPENDS_ON_LIMIT * max(longer.value, value.value):
            changes.append(f"{key} {value.value:.2g} or {longer.value:.2g}")
    if not changes:
        return []
    return [
        f"filter {name} under {light}: the dose left depends on where the weight ends, "
        f"{band_key(DAMAGE_BAND_NM)} or {band_key(LONG_BAND_NM)} nm: {'; '.join(changes)}"
    ]


def _mark_dominated(rows: list[FilterRow], band: str) -> list[FilterRow]:
    def worse(a: FilterRow, b: FilterRow) -> bool:
        """Whether b is at least as good as a in both, and better in one."""
        if a.photocurrent_lost_ma_cm2 is None or b.photocurrent_lost_ma_cm2 is None:
            return False
        x = (a.dose_left[band].value, a.photocurrent_lost_ma_cm2.value)
        y = (b.dose_left[band].value, b.photocurrent_lost_ma_cm2.value)
        return y[0] <= x[0] and y[1] <= x[1] and y != x

    return [
        replace(row, dominated=any(worse(row, other) for other in rows if other is not row))
        for row in rows
    ]


def _ranking_notes(rows: Sequence[FilterRow], exposures: Sequence[str], band: str) -> list[str]:
    """Say when the order of the filters depends on the light or on the weight."""

    def order(here: Sequence[FilterRow], key: str) -> tuple[str, ...]:
        def left(row: FilterRow) -> float:
            if key == band:
                return row.dose_left[band].value
            # A filter with a shorter edge has no weight carried on.
            known = row.weighted_dose_left
            return known[key if key in known else key.removesuffix(CARRIED)].value

        return tuple(f"{r.name} ({r.mount})" for r in sorted(here, key=left))

    out, by_light = [], {}
    for name in exposures:
        here = [r for r in rows if r.exposure == name and np.isfinite(r.dose_left[band].value)]
        if not here:
            continue
        by_light[name] = order(here, band)
        keys = dict.fromkeys(k for r in here for k in r.weighted_dose_left)
        others = [k for k in keys if order(here, k) != by_light[name]]
        if others:
            out.append(
                f"{name}: the order of the filters by dose left is another with the weight "
                f"{', '.join(others)} than unweighted in {band} nm"
            )
    names = list(by_light)
    out += [
        f"the order of the filters by dose left in {band} nm for {other} "
        f"({', '.join(by_light[other])}) is not that for {names[0]} "
        f"({', '.join(by_light[names[0]])})"
        for other in names[1:]
        if by_light[other] != by_light[names[0]]
    ]
    return out
