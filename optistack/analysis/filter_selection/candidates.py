"""Candidate filters: measured ones, families of edges and of absorbers, combinations."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from typing import Any, Literal

import numpy as np

from optistack.errors import OptistackError, TableError
from optistack.exposure import MountedFilter
from optistack.filters import (
    Filter,
    absorber_filter,
    absorption_bands,
    concentration,
    edge_filter,
)
from optistack.materials import Material
from optistack.stack import MOUNTS, FilterStack, Mount
from optistack.tables import data_folder, read_text

Family = Literal["measured", "edge", "absorber", "interference", "combination"]
Build = Callable[..., "Candidate"]

# Full width at half maximum of an absorption band whose width no table gives [nm].
ASSUMED_WIDTH_NM = 50.0
MOST_CANDIDATES = 100_000


@dataclass(frozen=True, eq=False)
class Candidate:
    """A filter, or several, as mounted: one choice.

    Attributes
    ----------
    name : str
    filters : tuple of MountedFilter
        In the order in which the light meets them.
    family : str
        "measured", "edge", "absorber", "interference" or "combination".
    parameters : mapping of str to float
        Of a continuous family; the unit ends the name.
    cost_per_m2 : float or None
        In any currency, the same for all.
    notes : tuple of str
    series : str
        The continuous family that it is a point of: the same compound, mount, ...
    build : callable or None
        From parameters to another candidate of the family, for the search between grid points.
    """

    name: str
    filters: tuple[MountedFilter, ...]
    family: Family = "measured"
    parameters: Mapping[str, float] = field(default_factory=dict)
    cost_per_m2: float | None = None
    notes: tuple[str, ...] = ()
    series: str = ""
    build: Build | None = None

    def __post_init__(self) -> None:
        if not self.filters:
            raise OptistackError(f"candidate {self.name}: has no filter")
        if self.cost_per_m2 is not None and not (
            np.isfinite(self.cost_per_m2) and self.cost_per_m2 >= 0
        ):
            raise OptistackError(
                f"candidate {self.name}: cost {self.cost_per_m2} per m2 must not be negative"
            )

    @property
    def mounts(self) -> str:
        """How it is mounted."""
        return " + ".join(dict.fromkeys(f.mount for f in self.filters))

    @property
    def half_value_nm(self) -> float | None:
        """The longest half-value wavelength of its filters [nm]."""
        known = [
            f.item.half_value_nm
            for f in self.filters
            if isinstance(f.item, Filter) and f.item.half_value_nm is not None
        ]
        return max(known) if known else None


def _check_mounts(mounts: Sequence[Mount]) -> None:
    for mount in mounts:
        if mount not in MOUNTS:
            raise OptistackError(f"mount {mount!r} is not one of {', '.join(MOUNTS)}")


def _check_count(count: int) -> None:
    if count > MOST_CANDIDATES:
        raise OptistackError(
            f"{count} candidates are more than {MOST_CANDIDATES}; take coarser steps, the best is "
            "refined between them"
        )


def measured_candidates(
    filters: Sequence[MountedFilter], costs_per_m2: Mapping[str, float] | None = None
) -> tuple[Candidate, ...]:
    """Filters that exist, each in its mount.

    Parameters
    ----------
    filters : sequence of MountedFilter
    costs_per_m2 : mapping of filter name to float, optional
    """
    out: list[Candidate] = []
    for i, entry in enumerate(filters):
        name = f"{entry.item.name}, {entry.mount}"
        if any(c.name == name for c in out):
            name = f"{name} ({entry.layer or i + 1})"
        cost = (costs_per_m2 or {}).get(entry.item.name)
        out.append(Candidate(name, (entry,), "measured", cost_per_m2=cost))
    return tuple(out)


def edge_family(
    half_value_nm: Sequence[float],
    width_10_90_nm: Sequence[float],
    *,
    mounts: Sequence[Mount] = ("laminated",),
    plateau: float = 1.0,
    blocking_floor: float = 1e-4,
    index: Material | None = None,
    layer: str | None = None,
    cost_per_m2: float | None = None,
    name: str = "edge",
) -> tuple[Candidate, ...]:
    """Long-pass edges: every half-value wavelength with every width, in every mount.

    Parameters
    ----------
    half_value_nm, width_10_90_nm : sequences of float [nm]
    mounts : sequence of str
    plateau, blocking_floor : float
        As in `optistack.filters.edge_filter`.
    index : Material, optional
    layer : str, optional
        For the mount "in_substrate".
    cost_per_m2 : float, optional

    Examples
    --------
    >>> [c.name for c in edge_family([380, 400], [10], mounts=["detached_far"])]
    ['edge 380 nm, 10 nm wide, detached_far', 'edge 400 nm, 10 nm wide, detached_far']
    """
    _check_mounts(mounts)
    _check_count(len(mounts) * len(half_value_nm) * len(width_10_90_nm))

    def build(mount: Mount, half_value_nm: float, width_10_90_nm: float) -> Candidate:
        label = f"{name} {half_value_nm:.5g} nm, {width_10_90_nm:.5g} nm wide"
        item = edge_filter(
            label,
            half_value_nm,
            width_10_90_nm,
            plateau=plateau,
            blocking_floor=blocking_floor,
            index=index,
        )
        return Candidate(
            f"{label}, {mount}",
            (MountedFilter(item, mount, layer),),
            "edge",
            {"half_value_nm": half_value_nm, "width_10_90_nm": width_10_90_nm},
            cost_per_m2,
            series=f"{name}, {mount}",
            build=lambda **p: build(mount, **p),
        )

    return tuple(
        build(mount, float(half), float(width))
        for mount, width, half in product(mounts, width_10_90_nm, half_value_nm)
    )


@dataclass(frozen=True, eq=False)
class Absorber:
    """A compound that absorbs, dissolved in a clear binder.

    Attributes
    ----------
    name, kind : str
        Compound and class.
    molar_mass_g_mol : float [g/mol]
    bands : tuple of (peak [nm], molar absorptivity [L/(mol cm)], width [nm])
    status : str
        How the values are known.
    """

    name: str
    kind: str
    molar_mass_g_mol: float
    bands: tuple[tuple[float, float, float], ...]
    status: str = "not stated"

    @property
    def recalled(self) -> bool:
        """Whether any value is from memory, as its table says."""
        return "from memory" in self.status

    def filter(
        self,
        loading_percent: float,
        density_g_cm3: float,
        thickness_nm: float,
        name: str | None = None,
        index: Material | None = None,
    ) -> Filter:
        """As a filter, by the Beer-Lambert law."""
        curve, nodes = absorption_bands(self.bands)
        note = f"absorber {self.name}: {self.status}"
        return absorber_filter(
            name or self.name,
            curve,
            concentration(loading_percent, density_g_cm3, self.molar_mass_g_mol),
            thickness_nm,
            nodes_nm=nodes,
            index=index,
            grade="D",
            source=self.status,
            notes=(note,),
        )


def read_absorbers(path: str | Path | None = None) -> tuple[Absorber, ...]:
    """Absorber classes from a table; the one that comes with optistack when no path is given.

    Its values are mostly from memory (15 % either way): the mark stays with every absorber. It
    gives no widths; 50 nm at half maximum are assumed.

    Raises
    ------
    TableError
        A missing column, a value that is no number.

    Examples
    --------
    >>> one = next(a for a in read_absorbers() if a.kind == "hydroxyphenyl-triazine")
    >>> one.bands[1][:2], one.status.split("; ")[0]
    ((340.0, 22000.0), 'from memory, unverified')
    """
    if path is None:
        path = data_folder("shared") / "reference" / "uv_absorbers.csv"
    path = Path(path)
    text, _ = read_text(path)
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    needed = ("class", "compound", "molar_mass_g_mol", "peak1_nm", "eps1_L_mol_cm", "status")
    if not rows or any(key not in rows[0] for key in needed):
        raise TableError(f"an absorber table needs the columns {', '.join(needed)}", path)
    out = []
    for i, row in enumerate(rows, start=1):
        bands = []
        try:
            mass = float(row["molar_mass_g_mol"])
            for n in (1, 2):
                peak, height = row.get(f"peak{n}_nm"), row.get(f"eps{n}_L_mol_cm")
                if peak and height:
                    bands.append((float(peak), float(height), ASSUMED_WIDTH_NM))
        except (TypeError, ValueError):
            raise TableError(f"row {i} ({row['compound']}): a value is no number", path) from None
        out.append(
            Absorber(
                row["compound"],
                row["class"],
                mass,
                tuple(bands),
                f"{row['status']}; widths of {ASSUMED_WIDTH_NM:g} nm assumed",
            )
        )
    return tuple(out)


def absorber_family(
    absorbers: Sequence[Absorber],
    loading_percent: Sequence[float],
    thickness_um: Sequence[float],
    *,
    mounts: Sequence[Mount] = ("laminated",),
    density_g_cm3: float = 1.2,
    index: Material | None = None,
    layer: str | None = None,
    cost_per_kg: float | None = None,
    film_cost_per_m2: float = 0.0,
) -> tuple[Candidate, ...]:
    """Absorbers in a binder: every class, loading and thickness, in every mount.

    Parameters
    ----------
    absorbers : sequence of Absorber
    loading_percent : sequence of float
        By mass.
    thickness_um : sequence of float [um]
    mounts : sequence of str
    density_g_cm3 : float [g/cm3]
        Of the film.
    index : Material, optional
    layer : str, optional
        For the mount "in_substrate".
    cost_per_kg : float, optional
        Of the absorber.
    film_cost_per_m2 : float
        Of the film without it.
    """
    _check_mounts(mounts)
    _check_count(len(mounts) * len(absorbers) * len(loading_percent) * len(thickness_um))

    def build(
        absorber: Absorber, mount: Mount, loading_percent: float, thickness_um: float
    ) -> Candidate:
        label = f"{absorber.name}, {loading_percent:.6g} % in {thickness_um:.6g} um"
        item = absorber.filter(loading_percent, density_g_cm3, 1e3 * thickness_um, label, index)
        cost = None
        if cost_per_kg is not None:
            kg = loading_percent / 100 * density_g_cm3 * thickness_um * 1e-3
            cost = film_cost_per_m2 + cost_per_kg * kg
        return Candidate(
            f"{label}, {mount}",
            (MountedFilter(item, mount, layer),),
            "absorber",
            {"loading_percent": loading_percent, "thickness_um": thickness_um},
            cost,
            item.notes,
            series=f"{absorber.name}, {mount}",
            build=lambda **p: build(absorber, mount, **p),
        )

    return tuple(
        build(absorber, mount, float(loading), float(thick))
        for absorber, mount, thick, loading in product(
            absorbers, mounts, thickness_um, loading_percent
        )
    )


def combinations(first: Sequence[Candidate], second: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Every one of the first together with every one of the second, the first in front.

    Only the parameters of the first are searched between grid points.
    """
    _check_count(len(first) * len(second))

    def build(a: Candidate, b: Candidate) -> Candidate:
        costs = (a.cost_per_m2, b.cost_per_m2)
        inner: Any = a.build
        return Candidate(
            f"{a.name} + {b.name}",
            (*a.filters, *b.filters),
            "combination",
            a.parameters,
            None if None in costs else float(sum(c for c in costs if c is not None)),
            tuple(dict.fromkeys((*a.notes, *b.notes))),
            series=f"{a.series} + {b.name}",
            build=None if inner is None else lambda **p: build(inner(**p), b),
        )

    return tuple(build(a, b) for a, b in product(first, second))


def stack_candidates(
    stacks: Sequence[FilterStack],
    mounts: Sequence[Mount] = ("laminated",),
    *,
    cost_per_m2: float | None = None,
) -> tuple[Candidate, ...]:
    """Filters given by their layers, each in each mount."""
    _check_mounts(mounts)
    return tuple(
        Candidate(
            f"{item.name}, {mount}",
            (MountedFilter(item, mount),),
            "interference",
            {"layers": float(len(item.layers))},
            cost_per_m2,
        )
        for item, mount in product(stacks, mounts)
    )


def renamed(candidate: Candidate, name: str) -> Candidate:
    """The same under another name."""
    return replace(candidate, name=name)
