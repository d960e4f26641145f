"""Filters judged under every exposure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.filter_selection.bench import Bench, Judged, bench_for, judged_on
from optistack.analysis.filter_selection.candidates import Candidate
from optistack.analysis.filter_selection.table import (
    CARRIED,
    LONG_BAND_NM,
    carried_on,
    has_long_edge,
)
from optistack.collection import Collection
from optistack.errors import OptistackError
from optistack.exposure import Exposure, ExposureResult
from optistack.filters import Filter
from optistack.plot_axes import axes
from optistack.spectra import DAMAGE_BAND_NM, DEFAULT_BANDS_NM, BandNm, Weight, weight_family
from optistack.spectral_math import (
    band_key,
)

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Evaluation:
    """Candidates judged.

    Attributes
    ----------
    candidates : tuple of Candidate
    layer : str
    judged : mapping of exposure name to Judged
        The first is the main one.
    bands : tuple of str
    weights : tuple of Weight
    ranking : str
        Key of the unweighted dose by which filters are ranked.
    carried : mapping of weight to str
        The same weight carried on to 500 nm, where a candidate's edge lies above 370 nm and every
        light is known that far; a key of the doses as well.
    notes : tuple of str
    """

    candidates: tuple[Candidate, ...]
    layer: str
    judged: Mapping[str, Judged]
    bands: tuple[str, ...]
    weights: tuple[Weight, ...]
    ranking: str
    notes: tuple[str, ...] = ()
    carried: Mapping[str, str] = field(default_factory=dict)
    benches: Mapping[str, Bench] = field(default_factory=dict, repr=False)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the candidates."""
        return tuple(c.name for c in self.candidates)

    def index(self, name: str) -> int:
        """Position of a candidate.

        Raises
        ------
        OptistackError
            No such candidate.
        """
        if name not in self.names:
            raise OptistackError(f"there is no candidate {name!r}")
        return self.names.index(name)

    def dose(self, exposure: str, key: str) -> Real:
        """Dose left for the light's central spectrum, (candidate,)."""
        return np.asarray(self.judged[exposure].dose_left[key][:, 0])

    def to_frame(self) -> pd.DataFrame:
        """One row per candidate and exposure."""
        import pandas as pd

        frames = []
        for name, part in self.judged.items():
            columns: dict[str, Any] = {
                "candidate": self.names,
                "family": [c.family for c in self.candidates],
                "mount": [c.mounts for c in self.candidates],
                "exposure": name,
                "light": part.exposure.light.name,
                **{f"dose_left {key}": v[:, 0] for key, v in part.dose_left.items()},
            }
            if part.current_left is not None:
                columns["photocurrent_lost_fraction"] = part.lost_fraction
            columns["cost_per_m2"] = [
                np.nan if c.cost_per_m2 is None else c.cost_per_m2 for c in self.candidates
            ]
            frames.append(pd.DataFrame(columns))
        return pd.concat(frames, ignore_index=True)

    def plot(self, ax: Any = None) -> Any:
        """Dose left against photocurrent lost, on a matplotlib Axes."""
        ax = axes(ax)
        for name, part in self.judged.items():
            ax.plot(100 * part.lost_fraction, self.dose(name, self.ranking), ".", label=name)
        ax.set_yscale("log")
        ax.set_xlabel("photocurrent lost (%)")
        ax.set_ylabel(f"dose left, {self.ranking} nm")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def evaluate_filters(
    exposures: Sequence[Exposure],
    candidates: Sequence[Candidate],
    layer: str,
    *,
    bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM,
    weights: Sequence[Weight] | None = None,
    collections: Mapping[str, Collection] | None = None,
    other_layers: Sequence[str] = (),
    base_results: Mapping[str, ExposureResult] | None = None,
) -> Evaluation:
    """What every candidate leaves of the dose, and of the photocurrent, under every exposure.

    Parameters
    ----------
    exposures : sequence of Exposure
        Normally the device under the lamp and under the sun. Candidates go in front of any filters
        that an exposure already has.
    candidates : sequence of Candidate
        Readings below a filter's stray-light floor count at the floor.
    layer : str
    bands_nm : sequence of (float, float) [nm]
    weights : sequence of Weight, optional
        The default family when not given.
    collections : mapping of exposure name to Collection, optional
    other_layers : sequence of str
        Layers whose dose left is also asked for, for example an oxide that needs light.
    base_results : mapping of exposure name to ExposureResult, optional
        Already solved over the ranges needed.

    Raises
    ------
    OptistackError
        No candidates or exposures; two candidates of one name.
    RangeError
        A light, table or filter that does not cover what is asked.
    StackError
        A layer that is not there; a mount that does not fit.

    Notes
    -----
    Integrals are by Gauss' rule on the union of the grids of lights, weights, measured filters and
    the stack. Between the points of the optical grid the stack is linear, the filter is not: for
    steep edges that is closer to the truth than a product of interpolated values.

    Examples
    --------
    >>> import optistack as ost
    >>> from optistack.analysis.filter_selection import edge_family, evaluate_filters
    >>> stack = ost.Stack("air", [ost.Layer("pane", 1.5, 1e6), ost.Layer("film", 1.6 + 0.02j, 100)],
    ...                   "air")
    >>> sun = ost.Exposure("sun", stack, ost.spectrum("am15g"))
    >>> edges = edge_family([360.0, 380.0], [10.0], mounts=["laminated"])
    >>> left = evaluate_filters([sun], edges, "film").dose("sun", "280-400")
    >>> print(left.round(3))
    [0.573 0.295]
    """
    if not exposures or not candidates:
        raise OptistackError("a choice of filters needs exposures and candidates")
    names = [c.name for c in candidates]
    if len(set(names)) < len(names):
        twice = next(n for n in names if names.count(n) > 1)
        raise OptistackError(f"two candidates are called {twice!r}; give each its own name")
    family = weight_family() if weights is None else tuple(weights)
    bands = tuple(bands_nm)
    if not bands:
        raise OptistackError("a choice of filters needs at least one band")
    longer = carried_on(family)
    edges = any(has_long_edge(f.item) for c in candidates for f in c.filters)
    if not (edges and all(e.light.covers(LONG_BAND_NM) for e in exposures)):
        longer = []
    judged: dict[str, Judged] = {}
    benches: dict[str, Bench] = {}
    notes: list[str] = []
    for exposure in exposures:
        bench = bench_for(
            exposure,
            candidates,
            layer,
            bands_nm=bands,
            weights=(*family, *longer),
            collection=(collections or {}).get(exposure.name),
            other_layers=other_layers,
            base=(base_results or {}).get(exposure.name),
        )
        benches[exposure.name] = bench
        judged[exposure.name] = judged_on(bench, candidates)
        if bench.by_engine:
            notes.append(
                f"{exposure.name}: the stack was solved anew for {bench.by_engine} candidates"
            )
    floors = [
        c.name
        for c in candidates
        if any(isinstance(f.item, Filter) and f.item.stray_light_floor > 0 for f in c.filters)
    ]
    if floors:
        notes.append(
            f"{', '.join(floors)}: readings below the stray-light floor count at the floor; the "
            "dose left is at most what is given"
        )
    ranking = band_key(DAMAGE_BAND_NM if DAMAGE_BAND_NM in bands else bands[0])
    return Evaluation(
        tuple(candidates),
        layer,
        judged,
        tuple(band_key(b) for b in bands),
        family,
        ranking,
        tuple(notes),
        {w.name.removesuffix(CARRIED): w.name for w in longer},
        benches,
    )
