"""An exposure made ready for thousands of filters, with the stack solved once.

What a layer absorbs is the light at the quadrature points, times what each filter lets through to
them, times a matrix that holds the stack, every light, band and weight. Filters far away at the
lamp are a factor on the light; those in the stack go through `slots`. Where neither holds (oblique
or rear light, a layer that touches the filter) the engine is asked, filter by filter.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.filter_selection.candidates import Candidate
from optistack.analysis.filter_selection.slots import (
    Arrays,
    Flows,
    Slot,
    absorber_k_nm,
    dissolved,
    fill,
    films,
    joined,
    slot_for,
)
from optistack.collection import Collection, collected_per_photon
from optistack.errors import OptistackError
from optistack.exposure import Exposure, ExposureResult, MountedFilter
from optistack.filters import Filter
from optistack.spectra import DEFAULT_BANDS_NM, BandNm, Weight, weight_family
from optistack.spectral_math import (
    MA_CM2_PER_FLUX,
    PHOTON_J_NM,
    band_key,
    quadrature,
    union_grid,
)
from optistack.stack import FilterStack

if TYPE_CHECKING:
    pass

Real = NDArray[np.float64]

# Values (candidates x wavelengths) held at once.
_MOST_VALUES = 1 << 17
# Points of measured filters that are taken into the quadrature.
_MOST_NODES = 4000
# Edges may be steep: half a nanometre between the Gauss points' intervals, up to here.
_FINE_STEP_NM, _FINE_TO_NM = 0.5, 500.0


@dataclass(frozen=True, eq=False)
class Judged:
    """Candidates under one exposure; the last axis is the light's variant, the central first.

    Attributes
    ----------
    exposure : Exposure
    rate_m2_s : mapping of band key or weight name to (variant,) array [1/(m2 s)]
        What the layer absorbs without the candidates.
    dose_left : mapping of band key or weight name to (candidate, variant) array
    other_dose_left : mapping of (layer, band key) to (candidate, variant) array
    current_ma_cm2 : (case, variant) array or None [mA/cm2]
        Without the candidates; cases as in `Photocurrent`: central, low, high.
    current_left : (candidate, case, variant) array or None
        Photocurrent with over without.
    by_engine : int
        Candidates for which the stack was solved anew.
    """

    exposure: Exposure
    rate_m2_s: Mapping[str, Real]
    dose_left: Mapping[str, Real]
    other_dose_left: Mapping[tuple[str, str], Real]
    current_ma_cm2: Real | None
    current_left: Real | None
    by_engine: int = 0

    @property
    def lost_fraction(self) -> Real:
        """Share of the photocurrent lost, central case, (candidate,); zero without photocurrent."""
        if self.current_left is None:
            return np.zeros(len(next(iter(self.dose_left.values()))))
        return np.asarray(1.0 - self.current_left[:, 0, 0])


@dataclass(frozen=True, eq=False)
class _Column:
    """What is asked of some layers: weights (variant, node) on what they absorb together."""

    layers: tuple[str, ...]
    weights: Real


class Bench:
    """An exposure made ready for many filters.

    Parameters
    ----------
    exposure : Exposure
    layer : str
    bands_nm, weights, collection
        As in `evaluate_filters`.
    other_layers : sequence of str
    nodes_nm : sequence of arrays [nm]
        Where filters bend.
    base : ExposureResult, optional
        The exposure, already solved.
    """

    def __init__(
        self,
        exposure: Exposure,
        layer: str,
        *,
        bands_nm: Sequence[BandNm],
        weights: Sequence[Weight],
        collection: Collection | None = None,
        other_layers: Sequence[str] = (),
        nodes_nm: Iterable[Real] = (),
        base: ExposureResult | None = None,
    ):
        self.exposure = exposure
        self.stack, self.far = exposure.built
        asked = [*bands_nm, *(w.band_nm for w in weights)]
        if collection is not None:
            asked.append(collection.range_nm)
        self.limits = exposure.needed_range(asked)
        low, high = self.limits
        if base is None or base.wavelength_nm[0] > low or base.wavelength_nm[-1] < high:
            base = exposure.run(self.limits)
        self.grid = base.wavelength_nm
        self.arrays = Arrays.of(self.stack, self.grid)
        lights = (exposure.light, *exposure.light.variants)
        cuts = [np.array([b for band in asked for b in band])]
        fine = np.arange(np.ceil(low), min(high, _FINE_TO_NM), _FINE_STEP_NM)
        own = [x.wavelength_nm for x in lights]
        own += [w.wavelength_nm for w in weights if w.wavelength_nm.size]
        own += [item.nodes_nm for item in self.far]
        if collection is not None and collection.eqe is not None:
            own.append(collection.eqe.wavelength_nm)
        union = union_grid(low, high, [self.grid, fine, *cuts, *own, *nodes_nm])
        # Points of different tables that mean the same would only add intervals.
        union = union[np.concatenate([[True], np.diff(union) > 1e-6])]
        self.x, quad = quadrature(union)
        photons = quad * self.x / PHOTON_J_NM
        through = np.ones(self.x.size)
        for item in self.far:
            through = through * item.external(self.x)
        # Linear between samples, and dark where the light's table ends in darkness.
        shining = np.array([light(self.x) for light in lights]) * photons * through
        self.photons = shining
        self.energy = shining / photons * quad  # W/m2 at each point, central light first
        self.columns: dict[Any, _Column] = {}

        def inside(band: BandNm) -> NDArray[np.bool_]:
            for light in lights:
                light.require(band)
            return (self.x >= band[0]) & (self.x <= band[1])

        for band in bands_nm:
            rows = shining * inside(band)
            self.columns[band_key(band)] = _Column((layer,), rows)
            for other in other_layers:
                self.columns[(other, band_key(band))] = _Column((other,), rows)
        for w in weights:
            self.columns[w.name] = _Column((layer,), shining * inside(w.band_nm) * w(self.x))
        if collection is not None:
            inside(collection.range_nm)
            per_photon = collected_per_photon(collection, self.grid, self.x)
            for case, factor in zip(("central", "low", "high"), per_photon, strict=True):
                self.columns[("current", case)] = _Column(
                    collection.active_layers, MA_CM2_PER_FLUX * shining * factor
                )
        self.has_current = collection is not None
        self.variants = len(lights)
        for c in self.columns.values():
            for name in c.layers:
                self.stack.position(name)
        self._response = base.response.absorptance
        self._bare = self._of_layers(self._response)
        self._slots: dict[Any, Slot | None] = {}
        # By what the absorptances are of: "bare", or a slot and its part.
        self._matrices: dict[Any, Real] = {}
        # What filters add to k at the nodes, for benches that judge the same few again.
        self._held: dict[int, tuple[Filter, Real]] | None = None
        self.by_engine = 0

    def for_draws(self, weights: Sequence[str]) -> Bench:
        """The same bench for a few candidates judged often: weights and photocurrent only."""
        other = object.__new__(Bench)
        other.__dict__.update(self.__dict__)
        other.columns = {
            k: c
            for k, c in self.columns.items()
            if k in weights or (isinstance(k, tuple) and k[0] == "current")
        }
        other._held, other._slots, other._matrices = {}, {}, {}
        return other

    def with_arrays(self, arrays: Arrays) -> Bench:
        """The same bench with other optical constants; straight light only."""
        other = object.__new__(Bench)
        other.__dict__.update(self.__dict__)
        other.arrays = arrays
        other._slots, other._matrices = {}, {}
        other._response = arrays.response()[0]
        other._bare = other._of_layers(other._response)
        other.by_engine = 0
        return other

    def _of_layers(self, absorptance: Real) -> dict[str, Real]:
        """Absorptances of the layers asked for, at the nodes."""
        names = {name for c in self.columns.values() for name in c.layers}
        return {
            name: np.interp(self.x, self.grid, absorptance[self.stack.position(name)])
            for name in names
        }

    def _matrix(self, per_layer: Mapping[str, Real]) -> Real:
        """(node, output): every column and variant, for absorptances of the layers (node,)."""
        rows = []
        for column in self.columns.values():
            held = sum(per_layer.get(name, 0.0) for name in column.layers)
            rows.append(column.weights * held)
        return np.ascontiguousarray(np.concatenate(rows).T)

    def _matrix_of(self, what: Any, per_layer: Mapping[str, Real]) -> Real:
        """As `_matrix`, made once for the same absorptances."""
        if what not in self._matrices:
            self._matrices[what] = self._matrix(per_layer)
        return self._matrices[what]

    def bare_absorptance(self, layer: str) -> Real:
        """Of a layer without a candidate, on the grid of the stack (`grid`)."""
        return np.asarray(self._response[self.stack.position(layer)])

    def far_transmittance(self, candidate: Candidate | None, lam: Real) -> Real:
        """Of a candidate's filters at the lamp; without one, of those the exposure has there."""
        items = (
            self.far
            if candidate is None
            else [f.item for f in candidate.filters if f.mount == "detached_far"]
        )
        out = np.ones(lam.size)
        for item in items:
            if isinstance(item, Filter):
                out = out * _at_floor(item).external(lam)
        return out

    def without(self) -> Real:
        """Every output without a candidate, (output,)."""
        return np.asarray(self._matrix_of("bare", self._bare).sum(axis=0))

    def judge(self, candidates: Sequence[Candidate]) -> Real:
        """Every output with each candidate, (candidate, output)."""
        outputs = self.variants * len(self.columns)
        out = np.empty((len(candidates), outputs))
        groups: dict[Any, list[int]] = {}
        for i, candidate in enumerate(candidates):
            groups.setdefault(self._key(candidate), []).append(i)
        bare = self._matrix_of("bare", self._bare)
        step = max(1, _MOST_VALUES // self.x.size)
        for key, members in groups.items():
            for start in range(0, len(members), step):
                piece = members[start : start + step]
                some = [candidates[i] for i in piece]
                through = self.through(some)
                if key == "far":
                    out[piece] = through @ bare
                elif key is None:
                    out[piece] = [
                        t @ self._by_engine(c) for t, c in zip(through, some, strict=True)
                    ]
                else:
                    out[piece] = self._in_slot(key, some, through)
        return out

    def through(self, candidates: Sequence[Candidate]) -> Real:
        """What the filters at the lamp let through, (candidate, node)."""
        out = np.ones((len(candidates), self.x.size))
        for row, candidate in zip(out, candidates, strict=True):
            for entry in candidate.filters:
                if entry.mount != "detached_far":
                    continue
                if isinstance(entry.item, FilterStack):
                    raise OptistackError(
                        f"filter {entry.item.name} is given by its layers; mount it laminated or "
                        "detached_gap"
                    )
                row *= _at_floor(entry.item).external(self.x)
        return out

    def _key(self, candidate: Candidate) -> Any:
        """What candidates that can be judged together share; None: only the engine can."""
        inside = [f for f in candidate.filters if f.mount != "detached_far"]
        if not inside:
            return "far"
        places = {(f.mount, f.layer) for f in inside}
        if len(places) > 1:
            return None
        first = inside[0]
        layered = [isinstance(f.item, FilterStack) for f in inside]
        if len(inside) > 1 and (first.mount == "in_substrate" or any(layered)):
            return None
        if any(isinstance(f.item, Filter) and f.item.coated for f in inside):
            return None  # the engine says why that cannot be
        bodies = tuple(id(f.item.index) if isinstance(f.item, Filter) else f.item for f in inside)
        key = (first.mount, first.layer, bodies if first.mount != "in_substrate" else ())
        slot = self._slot(key, first)
        return None if slot is None else key

    def _slot(self, key: Any, mounted: MountedFilter) -> Slot | None:
        if key not in self._slots:
            found = slot_for(self.exposure, self.arrays, mounted)
            asked = {name for c in self.columns.values() for name in c.layers}
            if found is not None and (
                asked & set(found.touching) or asked - {*found.front, *found.back}
            ):
                found = None
            self._slots[key] = None if found is None else found.seen_at(self.x)
        return self._slots[key]

    def flows(self, candidate: Candidate) -> tuple[Slot, Flows] | None:
        """Light at the slot with a candidate, at the nodes; None where there is no slot."""
        key = self._key(candidate)
        if key in (None, "far"):
            return None
        slot = self._slots[key]
        return None if slot is None else (slot, self._flows(key, slot, [candidate]))

    def _flows(self, key: Any, slot: Slot, candidates: Sequence[Candidate]) -> Flows:
        inside = [[f.item for f in c.filters if f.mount != "detached_far"] for c in candidates]
        if isinstance(inside[0][0], FilterStack):
            # Films are solved on the grid of the stack and carried to the nodes.
            coarse = slot_for(self.exposure, self.arrays, candidates[0].filters[0])
            parts = []
            for items in inside:
                if coarse is None or not isinstance(items[0], FilterStack):
                    raise OptistackError(f"filter {items[0].name} has no slot")
                found = films(coarse, items[0])
                parts.append(
                    fill(slot, type(found)(*(np.interp(self.x, self.grid, v) for v in found)))
                )
            return Flows(*(np.array([p[i] for p in parts]) for i in (0, 1)))
        filters = [[_at_floor(f) for f in items if isinstance(f, Filter)] for items in inside]
        if key[0] == "in_substrate":
            return fill(slot, dissolved(slot, [items[0] for items in filters], self._absorber_k))
        return fill(slot, joined(slot, filters, self._absorber_k))

    def _absorber_k(self, items: Sequence[Filter], lam: Real) -> Real:
        """As `absorber_k_nm`, kept where the same filters come again."""
        if self._held is None:
            return absorber_k_nm(items, lam)
        rows = []
        for item in items:
            known = self._held.get(id(item))
            if known is None:
                known = (item, absorber_k_nm([item], lam)[0])
                self._held[id(item)] = known
            rows.append(known[1])
        return np.array(rows)

    def _in_slot(self, key: Any, candidates: Sequence[Candidate], through: Real) -> Real:
        slot = self._slots[key]
        if slot is None:
            raise OptistackError("a slot is missing")
        flows = self._flows(key, slot, candidates)
        behind = {name: slot.back_absorptance[i] for i, name in enumerate(slot.back)}
        out = (flows.inward * through) @ self._matrix_of((key, "behind"), behind)
        if slot.front and any(n in slot.front for c in self.columns.values() for n in c.layers):
            ahead = {name: slot.front_absorptance[i] for i, name in enumerate(slot.front)}
            back = {name: slot.front_absorptance_outward[i] for i, name in enumerate(slot.front)}
            out += through @ self._matrix_of((key, "ahead"), ahead)
            out += (flows.outward * through) @ self._matrix_of((key, "back"), back)
        return np.asarray(out)

    def solved_with(self, candidate: Candidate) -> ExposureResult:
        """The stack solved anew, with the filters of a candidate that are in it."""
        inside = tuple(
            replace(f, item=_at_floor(f.item)) if isinstance(f.item, Filter) else f
            for f in candidate.filters
            if f.mount != "detached_far"
        )
        return self.exposure.with_filters((*inside, *self.exposure.filters)).run(self.limits)

    def _by_engine(self, candidate: Candidate) -> Real:
        self.by_engine += 1
        solved = self.solved_with(candidate)
        held = {}
        for name in self._bare:
            rows = solved.response.absorptance[solved.stack.position(name)]
            held[name] = np.interp(self.x, solved.wavelength_nm, rows)
        return self._matrix(held)

    def split(self, outputs: Real) -> dict[Any, Real]:
        """Outputs by column: (..., output) becomes (..., variant) for each."""
        shape = (*outputs.shape[:-1], len(self.columns), self.variants)
        table = outputs.reshape(shape)
        return {key: table[..., i, :] for i, key in enumerate(self.columns)}


@lru_cache(maxsize=256)
def _at_floor(item: Filter) -> Filter:
    """A filter whose readings below its stray-light floor count at the floor: at most that."""
    return item.in_case("high") if item.stray_light_floor > 0 else item


def filter_nodes(candidates: Sequence[Candidate]) -> list[Real]:
    """Points of measured curves, which bend between the points of any regular grid."""
    seen: dict[int, Real] = {}
    for candidate in candidates:
        if candidate.family != "measured":
            continue
        for entry in candidate.filters:
            if isinstance(entry.item, Filter):
                seen[id(entry.item)] = entry.item.nodes_nm
    points = np.unique(np.concatenate([np.empty(0), *seen.values()]))
    if points.size > _MOST_NODES:
        points = points[:: int(np.ceil(points.size / _MOST_NODES))]
    return [points]


def bench_for(
    exposure: Exposure,
    candidates: Sequence[Candidate],
    layer: str,
    *,
    bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM,
    weights: Sequence[Weight] | None = None,
    collection: Collection | None = None,
    other_layers: Sequence[str] = (),
    base: ExposureResult | None = None,
) -> Bench:
    """An exposure made ready for these candidates; arguments as in `evaluate_filters`."""
    return Bench(
        exposure,
        layer,
        bands_nm=tuple(bands_nm),
        weights=weight_family() if weights is None else tuple(weights),
        collection=collection,
        other_layers=other_layers,
        nodes_nm=filter_nodes(candidates),
        base=base,
    )


def judged_on(bench: Bench, candidates: Sequence[Candidate]) -> Judged:
    """Candidates under the exposure of a bench."""
    before, after = bench.split(bench.without()), bench.split(bench.judge(candidates))

    def left(key: Any) -> Real:
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(before[key] > 0, after[key] / before[key], np.nan)

    current = remaining = None
    if bench.has_current:
        cases = [("current", case) for case in ("central", "low", "high")]
        current = np.array([before[c] for c in cases])
        remaining = np.stack([left(c) for c in cases], axis=1)
    doses = [k for k in bench.columns if isinstance(k, str)]
    others = [k for k in bench.columns if isinstance(k, tuple) and k[0] != "current"]
    return Judged(
        bench.exposure,
        {k: before[k] for k in doses},
        {k: left(k) for k in doses},
        {k: left(k) for k in others},
        current,
        remaining,
        bench.by_engine,
    )
