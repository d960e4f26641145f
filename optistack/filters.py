"""Filters: measured curves, edge models and absorbers in a binder, external or internal.

*External* transmittance includes the two surfaces of the filter, *internal* does not. For an
uncoated plane-parallel slab whose faces do not interfere,
T = (1 - R)^2 tau / (1 - R^2 tau^2), with R the reflectance of one surface and tau the internal
transmittance of one pass.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError, RangeError
from optistack.materials import Material, constant

Real = NDArray[np.float64]
Curve = Callable[[Real], NDArray[Any]]
Case = Literal["value", "low", "high"]

DEFAULT_INDEX = 1.5
# What a filter is made of has a thickness even where only its transmittance is known; the optics
# depend on it through nothing but the length of the oblique path, which scales with it.
NOMINAL_THICKNESS_NM = 1e6
# Internal transmittance below this is as good as none; its logarithm stays finite.
DARKEST = 1e-12
MAX_WIDTH_NM = 1000.0


def slab_transmittance(internal: ArrayLike, surface_reflectance: ArrayLike) -> Real:
    """External transmittance of an uncoated slab, T = (1-R)^2 tau / (1 - R^2 tau^2).

    Examples
    --------
    >>> print(round(float(slab_transmittance(1.0, 0.04)), 4))
    0.9231
    """
    tau, r = np.asarray(internal, dtype=float), np.asarray(surface_reflectance, dtype=float)
    return np.asarray((1 - r) ** 2 * tau / (1 - (r * tau) ** 2))


def slab_internal(external: ArrayLike, surface_reflectance: ArrayLike) -> Real:
    """Internal transmittance of an uncoated slab: the stable root of `slab_transmittance`.

    Above (1 - R) / (1 + R) no slab can transmit; the result then exceeds 1.

    Examples
    --------
    >>> print(round(float(slab_internal(0.9230769230769231, 0.04)), 12))
    1.0
    """
    t, r = np.asarray(external, dtype=float), np.asarray(surface_reflectance, dtype=float)
    square = (1 - r) ** 2
    return np.asarray(2 * t / (square + np.sqrt(square**2 + 4 * (r * t) ** 2)))


@dataclass(frozen=True, eq=False)
class Filter:
    """A filter known by its transmittance at normal incidence.

    Attributes
    ----------
    name : str
    curve : callable
        From wavelengths [nm] to transmittance, as given.
    kind : "external" or "internal"
    range_nm : (float, float) [nm]
    nodes_nm : (wavelength,) array [nm]
        Where the curve bends.
    index : Material or None
        None: 1.5, with a note where it is used.
    thickness_nm : float or None [nm]
    coated : bool
        A coated or an interference filter: its curve is not that of a plain slab.
    measurement : "regular", "hemispherical" or "not stated"
    haze : float or None
        Share of the transmitted light that is scattered.
    stray_light_floor : float
        A reading below it is "at most the floor".
    below, above : "refuse", "hold" or "zero"
        What to do outside ``range_nm``.
    """

    name: str
    curve: Curve
    kind: Literal["external", "internal"]
    range_nm: tuple[float, float] = (0.0, np.inf)
    nodes_nm: Real = field(default_factory=lambda: np.empty(0))
    index: Material | None = None
    thickness_nm: float | None = None
    coated: bool = False
    measurement: str = "not stated"
    haze: float | None = None
    stray_light_floor: float = 0.0
    below: Literal["refuse", "hold", "zero"] = "refuse"
    above: Literal["refuse", "hold", "zero"] = "refuse"
    grade: str = "C"
    source: str = "not stated"
    title: str = ""
    notes: tuple[str, ...] = ()
    case: Case = "value"
    half_value_nm: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in ("external", "internal"):
            raise OptistackError(
                f'filter {self.name}: kind must be "external" or "internal", not {self.kind!r}'
            )

    def given(self, wavelength_nm: ArrayLike) -> Real:
        """Transmittance as given, in the case (value, low, high) this filter stands for.

        Raises
        ------
        RangeError
            Outside the range, and no extension asked for.
        """
        lam = np.atleast_1d(np.asarray(wavelength_nm, dtype=float))
        low, high = self.range_nm
        if (self.below == "refuse" and lam.min() < low) or (
            self.above == "refuse" and lam.max() > high
        ):
            side = "below" if self.below == "refuse" and lam.min() < low else "above"
            raise RangeError(
                f"filter {self.name}",
                (float(lam.min()), float(lam.max())),
                self.range_nm,
                f'Measure it there, narrow the bands, or state extend_{side} = "hold" or "zero" '
                "for this filter",
            )
        t = np.asarray(self.curve(np.clip(lam, low, high)), dtype=float)
        if self.below == "zero":
            t = np.where(lam < low, 0.0, t)
        if self.above == "zero":
            t = np.where(lam > high, 0.0, t)
        if self.case != "value" and self.stray_light_floor > 0:
            limit = 0.0 if self.case == "low" else self.stray_light_floor
            t = np.where(t < self.stray_light_floor, limit, t)
        return t

    def surface_reflectance(self, wavelength_nm: ArrayLike) -> Real:
        """Reflectance of one surface towards air at normal incidence."""
        # Of a material whose k is not known, n is enough here.
        n = (self.index or constant(DEFAULT_INDEX)).transparent().index(wavelength_nm).real
        return np.asarray(((n - 1) / (n + 1)) ** 2)

    def external(self, wavelength_nm: ArrayLike) -> Real:
        """External transmittance at normal incidence."""
        t = self.given(wavelength_nm)
        if self.kind == "external":
            return t
        return slab_transmittance(t, self.surface_reflectance(wavelength_nm))

    def internal(self, wavelength_nm: ArrayLike) -> Real:
        """Internal transmittance of one pass at normal incidence, `DARKEST` to 1.

        Raises
        ------
        OptistackError
            A coated filter, whose curve does not tell what happens inside.
        """
        t = self.given(wavelength_nm)
        if self.kind == "external":
            if self.coated:
                raise OptistackError(
                    f"filter {self.name} is coated and known only by its transmittance: what it "
                    "does joined to the stack cannot be told from that. Mount it detached_far, or "
                    "give its layers"
                )
            t = slab_internal(t, self.surface_reflectance(wavelength_nm))
        return np.asarray(np.clip(t, DARKEST, 1.0))

    def in_case(self, case: Case) -> Filter:
        """The filter with its readings below the stray-light floor at 0 or at the floor."""
        return replace(self, case=case)

    def doubts(self, wavelength_nm: Real) -> tuple[str, ...]:
        """What a reader of an answer must know about this filter between these wavelengths [nm]."""
        out = list(self.notes)
        t = replace(self, case="value").given(wavelength_nm)
        if self.index is None and not self.coated:
            out.append(f"filter {self.name}: index taken as {DEFAULT_INDEX}")
        if self.kind == "external" and not self.coated:
            r = self.surface_reflectance(wavelength_nm)
            most = (1 - r) / (1 + r)
            over = t > most + 1e-6
            if over.any():
                worst = float((t - most).max())
                out.append(
                    f"filter {self.name}: transmittance up to {worst:.3f} above what a slab of "
                    "its index can transmit; treated as free of absorption there"
                )
        if ((t < 0) | (t > 1)).any():
            out.append(
                f"filter {self.name}: readings from {t.min():.4f} to {t.max():.4f} are kept as read"
            )
        dark = t < self.stray_light_floor
        if dark.any():
            out.append(
                f"filter {self.name}: below the stray-light floor of "
                f"{100 * self.stray_light_floor:g} % at {wavelength_nm[dark].min():g}-"
                f"{wavelength_nm[dark].max():g} nm; the reading there is at most the floor"
            )
        low, high = self.range_nm
        for side, mode, outside, limit in (
            ("below", self.below, wavelength_nm < low, low),
            ("above", self.above, wavelength_nm > high, high),
        ):
            if outside.any() and mode != "refuse":
                held = "held at its end value" if mode == "hold" else "taken as 0"
                out.append(f"filter {self.name}: {held} {side} {limit:g} nm, as the scenario asks")
        if self.kind == "external" and self.measurement == "not stated":
            out.append(
                f"filter {self.name}: not stated whether the transmittance is regular or "
                "hemispherical"
            )
        if self.haze:
            out.append(
                f"filter {self.name}: {100 * self.haze:g} % of what it transmits is scattered; "
                "the optics here is specular"
            )
        return tuple(out)


def measured_filter(
    name: str,
    wavelength_nm: ArrayLike,
    transmittance: ArrayLike,
    kind: Literal["external", "internal"],
    **options: Any,
) -> Filter:
    """A filter from a measured curve, linear between the readings.

    Parameters
    ----------
    name : str
    wavelength_nm : (wavelength,) array [nm]
        Increasing.
    transmittance : (wavelength,) array
        Fraction. Readings from -0.01 to 1.02 are kept as read.
    kind : "external" or "internal"
    **options
        Other attributes of `Filter`.

    Raises
    ------
    OptistackError
        Readings outside -0.01 to 1.02, or wavelengths that do not increase.
    """
    lam = np.array(wavelength_nm, dtype=float)
    t = np.array(transmittance, dtype=float)
    if lam.ndim != 1 or lam.shape != t.shape or lam.size < 2 or not (np.diff(lam) > 0).all():
        raise OptistackError(f"filter {name}: needs increasing wavelengths and as many readings")
    if not (np.isfinite(lam).all() and lam[0] > 0 and np.isfinite(t).all()):
        raise OptistackError(f"filter {name}: wavelengths and readings must be finite numbers")
    if t.min() < -0.01 or t.max() > 1.02:
        raise OptistackError(
            f"filter {name}: transmittance from {t.min():g} to {t.max():g}; a fraction lies "
            "between 0 and 1. Are these percent?"
        )
    return Filter(
        name=name,
        curve=lambda x: np.interp(x, lam, t),
        kind=kind,
        range_nm=(float(lam[0]), float(lam[-1])),
        nodes_nm=lam,
        half_value_nm=_half_value(lam, t),
        **options,
    )


def _half_value(lam: Real, t: Real) -> float | None:
    """Where the transmittance last rises through half its maximum [nm]."""
    half = float(t.max()) / 2
    rises = np.flatnonzero((t[:-1] < half) & (t[1:] >= half))
    if not rises.size:
        return None
    i = int(rises[-1])
    return float(np.interp(half, t[i : i + 2], lam[i : i + 2]))


def edge_filter(
    name: str,
    half_value_nm: float,
    width_10_90_nm: float,
    *,
    plateau: float = 1.0,
    blocking_floor: float = 1e-4,
    **options: Any,
) -> Filter:
    """A long-pass edge: internal transmittance plateau / (1 + exp(-(lambda - half) / s)).

    Parameters
    ----------
    name : str
    half_value_nm : float [nm]
        Where the internal transmittance is half the plateau.
    width_10_90_nm : float [nm]
        From 10 % to 90 % of the plateau; s = width / (2 ln 9).
    plateau : float
    blocking_floor : float
        The internal transmittance does not fall below it.
    **options
        Other attributes of `Filter`.

    Raises
    ------
    OptistackError
        A width, plateau or floor that makes no sense.

    Examples
    --------
    >>> edge = edge_filter("edge", 385.0, 12.0)
    >>> print(edge.given([379.0, 385.0, 391.0]).round(3))
    [0.1 0.5 0.9]
    """
    if not (half_value_nm > 0 and width_10_90_nm > 0):
        raise OptistackError(f"filter {name}: half-value wavelength and width must be positive")
    if width_10_90_nm > MAX_WIDTH_NM:
        raise OptistackError(
            f"filter {name}: an edge {width_10_90_nm:g} nm wide is none (at most "
            f"{MAX_WIDTH_NM:g} nm)"
        )
    if not 0 <= blocking_floor < plateau <= 1:
        raise OptistackError(
            f"filter {name}: 0 <= blocking_floor < plateau <= 1 is needed, not "
            f"{blocking_floor:g} and {plateau:g}"
        )
    s = width_10_90_nm / (2 * np.log(9.0))

    def curve(lam: Real) -> Real:
        with np.errstate(over="ignore"):
            return np.asarray(
                np.maximum(plateau / (1 + np.exp(-(lam - half_value_nm) / s)), blocking_floor)
            )

    step = min(1.0, s / 2)
    nodes = [half_value_nm + step * np.arange(-np.ceil(8 * s / step), np.ceil(8 * s / step) + 1)]
    if blocking_floor > 0:  # where the edge meets the floor the curve bends
        nodes.append(np.array([half_value_nm - s * np.log(plateau / blocking_floor - 1)]))
    return Filter(
        name=name,
        curve=curve,
        kind="internal",
        nodes_nm=np.unique(np.concatenate(nodes)),
        half_value_nm=half_value_nm,
        **{"grade": "C", "source": "edge model", **options},
    )


def absorber_filter(
    name: str,
    molar_absorptivity_l_mol_cm: Curve,
    concentration_mol_l: float,
    thickness_nm: float,
    *,
    nodes_nm: Real | None = None,
    **options: Any,
) -> Filter:
    """An absorber in a clear binder: tau = 10^(-epsilon c d), the Beer-Lambert law.

    Parameters
    ----------
    name : str
    molar_absorptivity_l_mol_cm : callable
        From wavelengths [nm] to decadic molar absorptivity [L/(mol cm)].
    concentration_mol_l : float [mol/L]
    thickness_nm : float [nm]
    nodes_nm : (wavelength,) array [nm], optional
    **options
        Other attributes of `Filter`.

    Raises
    ------
    OptistackError
        A concentration or thickness that is not positive.

    Source: Beer-Lambert law; tested at the concentrations of films by Herzog et al.,
    Photochem. Photobiol. 94 (2018) 384, doi 10.1111/php.12861 (abstract read).
    """
    if not (concentration_mol_l > 0 and thickness_nm > 0):
        raise OptistackError(f"filter {name}: concentration and thickness must be positive")
    depth = concentration_mol_l * thickness_nm * 1e-7

    def curve(lam: Real) -> Real:
        return np.asarray(10.0 ** (-np.asarray(molar_absorptivity_l_mol_cm(lam)) * depth))

    sample = np.arange(250.0, 1000.5)
    return Filter(
        name=name,
        curve=curve,
        kind="internal",
        nodes_nm=np.empty(0) if nodes_nm is None else np.asarray(nodes_nm, dtype=float),
        thickness_nm=thickness_nm,
        half_value_nm=_half_value(sample, curve(sample)),
        **{"grade": "C", "source": "Beer-Lambert law", **options},
    )


def absorption_bands(bands: Sequence[tuple[float, float, float]]) -> tuple[Curve, Real]:
    """Molar absorptivity as a sum of Gaussians, and where it bends.

    Parameters
    ----------
    bands : sequence of (peak [nm], molar absorptivity [L/(mol cm)], width [nm])
        Full width at half maximum.

    Returns
    -------
    curve, nodes_nm
    """
    if not bands:
        raise OptistackError("an absorber needs at least one absorption band")
    for peak, height, width in bands:
        if not (peak > 0 and height >= 0 and width > 0):
            raise OptistackError(
                "an absorption band is (peak > 0 nm, absorptivity >= 0, width > 0 nm), not "
                f"({peak:g}, {height:g}, {width:g})"
            )

    def curve(lam: Real) -> Real:
        total = np.zeros(lam.shape)
        for peak, height, width in bands:
            total += height * np.exp(-4 * np.log(2) * ((lam - peak) / width) ** 2)
        return total

    nodes = [p + w * np.linspace(-3, 3, 61) for p, _, w in bands]
    return curve, np.unique(np.concatenate(nodes))


def concentration(loading_percent: float, density_g_cm3: float, molar_mass_g_mol: float) -> float:
    """Concentration [mol/L] of an absorber from its loading by mass.

    Examples
    --------
    Two per cent of an absorber of 351.5 g/mol in an acrylic of 1.18 g/cm3:

    >>> round(concentration(2.0, 1.18, 351.5), 4)
    0.0671
    """
    if not (loading_percent > 0 and density_g_cm3 > 0 and molar_mass_g_mol > 0):
        raise OptistackError("loading, density and molar mass must be positive")
    return 10.0 * loading_percent * density_g_cm3 / molar_mass_g_mol


def material_from_transmittance(base: Material, item: Filter, thickness_nm: float) -> Material:
    """The n of a material with the k that an internal transmittance at a known thickness means.

    For adhesives and films of which a data sheet or a spectrophotometer tells the transmittance
    but no database the k: k = -ln(tau) lambda / (4 pi d).

    Parameters
    ----------
    base : Material
        Its n is used.
    item : Filter
        External transmittance is converted with ``base``'s or the filter's own index.
    thickness_nm : float [nm]
        The thickness at which the transmittance holds.

    Raises
    ------
    OptistackError
        A thickness that is not positive.

    Examples
    --------
    >>> glue = material_from_transmittance(constant(1.48), edge_filter("glue", 366, 12), 40e3)
    >>> print(f"{glue.index(366.0)[0].imag:.2e}")
    5.05e-04
    """
    if not thickness_nm > 0:
        raise OptistackError(f"{base.name}: thickness {thickness_nm:g} nm must be positive")
    known = replace(item, index=item.index or base.transparent())
    return replace(
        base,
        k_model=lambda lam: -np.log(known.internal(lam)) * lam / (4 * np.pi * thickness_nm),
        k_range_nm=item.range_nm,
        grade=max(base.grade, item.grade),
        source=f"n: {base.source}; k: {item.source} at {thickness_nm / 1000:g} um",
        nodes_nm=item.nodes_nm,
    )
