"""Filters that age: bleaching absorbers, measured aged curves, glass that darkens.

A dissolved absorber that is destroyed with a quantum yield by the photons it absorbs bleaches from
the lit side. For light that goes one way the column u(z) of absorber in front of any depth z obeys
an equation of its own, du/dt = -Phi sum_i I_i (1 - 10^(-eps_i u)), whatever lies behind; the whole
film is the column to its back. For one wavelength that is A(t) = log10[1 + (10^A0 - 1) 10^(-kt)].
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.analysis.filter_selection.bench import Bench
from optistack.analysis.filter_selection.slots import Medium, body_index, slot_for, surface
from optistack.errors import OptistackError, StackError
from optistack.exposure import MountedFilter
from optistack.filters import DARKEST, Curve, Filter, absorber_filter
from optistack.spectral_math import AVOGADRO_MOL
from optistack.stack import FilterStack, Mount

if TYPE_CHECKING:
    pass

Real = NDArray[np.float64]

# 1 L/(mol cm) in m2/mol.
_M2_MOL = 0.1
_LN10 = float(np.log(10.0))
# The column of absorber is followed down to this part of the start.
_FAINTEST = 1e-9
_STEPS = 600
# Points whose share of what is absorbed is below this part of the largest do not count.
_NEGLIGIBLE = 1e-9
# Columns worked on at once.
_BLOCK = 256


class AgeingFilter(Protocol):
    """A filter at any age."""

    @property
    def name(self) -> str: ...
    @property
    def notes(self) -> tuple[str, ...]: ...

    def at(self, age_h: float) -> Filter: ...


def _checked_age(name: str, age_h: float) -> float:
    if not (np.isfinite(age_h) and age_h >= 0):
        raise OptistackError(f"filter {name}: an age of {age_h} h is none")
    return float(age_h)


@dataclass(frozen=True, eq=False)
class AgedReadings:
    """A filter measured at several ages; decadic absorbance is straight between two ages.

    Parameters
    ----------
    name : str
    ages_h : (age,) array [h]
        Increasing.
    filters : tuple of Filter
        One for each age, of the same kind.
    beyond : "refuse" or "hold"
        Before the first and after the last age.

    Raises
    ------
    OptistackError
        Ages that do not increase, filters that do not fit them or each other.

    Examples
    --------
    >>> from optistack.filters import measured_filter
    >>> new = measured_filter("new", [300, 500], [0.01, 0.01], "internal")
    >>> old = measured_filter("old", [300, 500], [0.1, 0.1], "internal")
    >>> aged = AgedReadings("foil", [0, 1000], (new, old))
    >>> print(aged.at(500).internal([400.0]).round(4))
    [0.0316]
    """

    name: str
    ages_h: Real
    filters: tuple[Filter, ...]
    beyond: Literal["refuse", "hold"] = "refuse"
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        ages = np.array(self.ages_h, dtype=float)
        if ages.ndim != 1 or ages.size < 2 or ages.size != len(self.filters):
            raise OptistackError(
                f"filter {self.name}: needs at least two ages and a filter for each of them"
            )
        if not (np.isfinite(ages).all() and ages[0] >= 0 and (np.diff(ages) > 0).all()):
            raise OptistackError(f"filter {self.name}: ages must increase, from 0 h or later")
        if len({f.kind for f in self.filters}) > 1:
            raise OptistackError(
                f"filter {self.name}: external and internal transmittances do not mix"
            )
        ages.flags.writeable = False
        object.__setattr__(self, "ages_h", ages)

    def at(self, age_h: float) -> Filter:
        """The filter at an age.

        Raises
        ------
        OptistackError
            An age outside those measured, unless ``beyond`` is "hold".
        """
        age = _checked_age(self.name, age_h)
        first, last = float(self.ages_h[0]), float(self.ages_h[-1])
        note: tuple[str, ...] = ()
        if not first <= age <= last:
            if self.beyond == "refuse":
                raise OptistackError(
                    f"filter {self.name}: measured from {first:g} to {last:g} h, not at "
                    f'{age:g} h. Measure it there, shorten the horizon, or state beyond = "hold"'
                )
            note = (f"filter {self.name}: held as at {last:g} h beyond, as asked",)
        i = int(
            np.clip(np.searchsorted(self.ages_h, age, side="right") - 1, 0, len(self.filters) - 2)
        )
        a, b = self.filters[i], self.filters[i + 1]
        share = float(np.clip((age - self.ages_h[i]) / (self.ages_h[i + 1] - self.ages_h[i]), 0, 1))

        def curve(lam: Real) -> Real:
            one = np.maximum(a.given(lam), DARKEST)
            two = np.maximum(b.given(lam), DARKEST)
            return np.asarray(one ** (1 - share) * two**share)

        return replace(
            a,
            name=self.name,
            curve=curve,
            range_nm=(
                max(a.range_nm[0], b.range_nm[0]),
                min(a.range_nm[1], b.range_nm[1]),
            ),
            nodes_nm=np.union1d(a.nodes_nm, b.nodes_nm),
            notes=tuple(dict.fromkeys((*a.notes, *b.notes, *self.notes, *note))),
        )


@dataclass(frozen=True, eq=False)
class Solarisation:
    """Glass or polymer that takes on an absorbance while it is lit: A_end (1 - exp(-t / t_0)).

    Attributes
    ----------
    fresh : Filter
        Known by its internal transmittance, or uncoated.
    added_absorbance : callable
        From wavelengths [nm] to the decadic absorbance that is added in the end.
    time_constant_h : float [h]
    """

    fresh: Filter
    added_absorbance: Curve
    time_constant_h: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not (np.isfinite(self.time_constant_h) and self.time_constant_h > 0):
            raise OptistackError(f"filter {self.fresh.name}: time constant must be positive")

    @property
    def name(self) -> str:
        """That of the fresh filter."""
        return self.fresh.name

    def at(self, age_h: float) -> Filter:
        """The filter at an age, known by its internal transmittance."""
        done = -np.expm1(-_checked_age(self.name, age_h) / self.time_constant_h)
        fresh = self.fresh

        def curve(lam: Real) -> Real:
            added = np.asarray(self.added_absorbance(lam), dtype=float)
            if (added < 0).any():
                raise OptistackError(f"filter {fresh.name}: added absorbance must not be negative")
            return np.asarray(fresh.internal(lam) * 10.0 ** (-done * added))

        return replace(fresh, curve=curve, kind="internal", notes=(*fresh.notes, *self.notes))


@dataclass(frozen=True, eq=False)
class BleachingFilter:
    """An absorber in a clear binder that the light it absorbs destroys, from the lit side on.

    Parameters
    ----------
    name : str
    molar_absorptivity_l_mol_cm : callable
        From wavelengths [nm] to decadic molar absorptivity [L/(mol cm)].
    concentration_mol_l : float [mol/L]
        At the start, the same at all depths.
    thickness_nm : float [nm]
    quantum_yield : float
        Molecules destroyed per photon absorbed.
    wavelength_nm : (point,) array [nm]
    photons_m2_s : (point,) array [1/(m2 s)]
        Photons that enter the film at each of these wavelengths: a line, or the points of a
        quadrature (`light_into`).
    options : mapping
        More attributes of `Filter`.

    Raises
    ------
    OptistackError
        A yield, concentration or thickness that is not positive; negative photons; no light where
        the absorber absorbs.

    Notes
    -----
    Products are taken to be clear; light that comes back from behind is left out, and so is what
    the binder itself absorbs. Checked against the closed form for one wavelength (photobleaching
    with inner filter; M. Maafi, Front. Chem. 12 (2024) 1367276) and against the partial
    differential equation.

    Examples
    --------
    >>> import numpy as np
    >>> film = BleachingFilter("film", lambda lam: 1e4 + 0 * lam, 0.08, 25e3, 1e-4, [340.0], [1e20])
    >>> print([round(float(film.absorbance(t, [340.0])[0]), 3) for t in (0, 10, 40)])
    [2.0, 1.415, 0.147]
    """

    name: str
    molar_absorptivity_l_mol_cm: Curve
    concentration_mol_l: float
    thickness_nm: float
    quantum_yield: float
    wavelength_nm: Real
    photons_m2_s: Real
    options: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    _course: Any = field(default=None, repr=False)

    def __post_init__(self) -> None:
        for what in ("concentration_mol_l", "thickness_nm", "quantum_yield"):
            value = getattr(self, what)
            if not (np.isfinite(value) and value > 0):
                raise OptistackError(f"filter {self.name}: {what} {value} must be positive")
        lam = np.atleast_1d(np.array(self.wavelength_nm, dtype=float))
        flux = np.atleast_1d(np.array(self.photons_m2_s, dtype=float))
        if lam.shape != flux.shape or not (np.isfinite(flux).all() and (flux >= 0).all()):
            raise OptistackError(
                f"filter {self.name}: needs as many photon fluxes as wavelengths, none negative"
            )
        epsilon = _M2_MOL * np.asarray(self.molar_absorptivity_l_mol_cm(lam), dtype=float)
        used = flux * epsilon > _NEGLIGIBLE * float((flux * epsilon).max(initial=0.0))
        if not used.any():
            raise OptistackError(f"filter {self.name}: no light where the absorber absorbs")
        flux, epsilon = flux[used] / AVOGADRO_MOL, epsilon[used]
        # Column of absorber [mol/m2] at the start.
        full = self.concentration_mol_l * 1e3 * self.thickness_nm * 1e-9

        def destroyed(u: Real) -> Real:
            """Per area and time [mol/(m2 s)], for columns (column,)."""
            flat = np.concatenate(
                [
                    -np.expm1(-_LN10 * np.multiply.outer(u[i : i + _BLOCK], epsilon)) @ flux
                    for i in range(0, u.size, _BLOCK)
                ]
            )
            return np.asarray(self.quantum_yield * flat)

        logs = np.log(full) + np.linspace(0.0, np.log(_FAINTEST), _STEPS + 1)
        x, w = np.polynomial.legendre.leggauss(3)
        half = (logs[1:] - logs[:-1]) / 2
        inner = np.exp((logs[1:] + logs[:-1])[:, None] / 2 + half[:, None] * x)
        speed = inner / destroyed(inner.ravel()).reshape(inner.shape)
        hours = np.concatenate([[0.0], np.cumsum(-half * (speed @ w))]) / 3600.0
        ends = np.exp(logs)
        slope = -destroyed(ends) / ends * 3600.0  # d ln u / dt [1/h]
        from scipy.interpolate import CubicHermiteSpline

        object.__setattr__(self, "wavelength_nm", lam)
        object.__setattr__(self, "photons_m2_s", flux * AVOGADRO_MOL)
        object.__setattr__(
            self, "_course", (CubicHermiteSpline(hours, logs, slope), hours, logs, slope, destroyed)
        )

    @property
    def full_column_mol_m2(self) -> float:
        """Absorber per area at the start [mol/m2]."""
        return float(np.exp(self._course[2][0]))

    def column_mol_m2(self, age_h: ArrayLike) -> Real:
        """Absorber that is left per area [mol/m2]."""
        spline, hours, _, slope, _ = self._course
        age = np.asarray(age_h, dtype=float)
        inside = np.minimum(age, hours[-1])
        # Beyond the table the film is thin: what is left decays exponentially.
        with np.errstate(under="ignore"):
            return np.asarray(np.exp(spline(inside) + slope[-1] * (age - inside)))

    def absorbance(self, age_h: float, wavelength_nm: ArrayLike) -> Real:
        """Decadic absorbance of the film at an age, at wavelengths [nm]."""
        lam = np.atleast_1d(np.asarray(wavelength_nm, dtype=float))
        age = _checked_age(self.name, age_h)
        epsilon = _M2_MOL * np.asarray(self.molar_absorptivity_l_mol_cm(lam), dtype=float)
        return np.asarray(epsilon * float(self.column_mol_m2(age)))

    def profile(self, age_h: float, depth_nm: ArrayLike) -> Real:
        """Share of the absorber left at depths from the lit face, (depth,).

        Raises
        ------
        OptistackError
            Depths outside the film.
        """
        age = _checked_age(self.name, age_h)
        z = np.atleast_1d(np.asarray(depth_nm, dtype=float))
        if not ((z >= 0) & (z <= self.thickness_nm * (1 + 1e-12))).all():
            raise OptistackError(f"filter {self.name}: depths lie from 0 to {self.thickness_nm:g}")
        _, hours, logs, _, destroyed = self._course
        start = np.maximum(z / self.thickness_nm, _FAINTEST) * self.full_column_mol_m2
        # A column that is u(z) now is where the whole film will be: the same course, ahead of it.
        ahead = np.interp(np.log(start), logs[::-1], hours[::-1])
        now = self.column_mol_m2(ahead + age)
        return np.asarray(destroyed(now) / destroyed(self.column_mol_m2(ahead)))

    def front_depth_nm(self, age_h: float) -> float:
        """Depth at which half the absorber is left [nm]; the thickness once all has less."""
        z = np.linspace(0.0, self.thickness_nm, 401)
        left = self.profile(age_h, z)
        if left[0] >= 0.5:
            return 0.0
        if left[-1] <= 0.5:
            return self.thickness_nm
        return float(np.interp(0.5, left, z))

    def half_life_h(self) -> float:
        """Hours until half the absorber is gone [h]."""
        _, hours, logs, _, _ = self._course
        return float(np.interp(np.log(0.5), logs[::-1] - logs[0], hours[::-1]))

    def at(self, age_h: float) -> Filter:
        """The filter at an age."""
        left = float(self.column_mol_m2(_checked_age(self.name, age_h))) / self.full_column_mol_m2
        return absorber_filter(
            self.name,
            self.molar_absorptivity_l_mol_cm,
            max(self.concentration_mol_l * left, 1e-30),
            self.thickness_nm,
            **self.options,
        )


def light_into(bench: Bench, mounted: MountedFilter) -> tuple[Real, Real]:
    """Photons that enter a filter where it sits, after all that is in front of it.

    Parameters
    ----------
    bench : Bench
    mounted : MountedFilter
        Laminated, with a gap, or in a layer; at the lamp it meets the whole light.

    Returns
    -------
    wavelength_nm : (point,) array [nm]
    photons_m2_s : (point,) array [1/(m2 s)]
        At the points of a quadrature over the bench's wavelengths; straight through, light that
        comes back from behind left out.

    Raises
    ------
    StackError
        A place the light does not reach straight.
    """
    flux = bench.photons[0]
    if mounted.mount == "detached_far":
        return bench.x, flux
    slot = slot_for(bench.exposure, bench.arrays, mounted)
    if slot is None or isinstance(mounted.item, FilterStack):
        raise StackError(
            f"filter {mounted.item.name}: how it bleaches is only known for light that comes "
            "straight, in a thick layer or in front"
        )
    seen = slot.seen_at(bench.x)
    body = seen.host[0] if seen.host is not None else body_index(mounted.item, bench.x)
    return bench.x, flux * seen.arriving * surface(Medium.of(seen.above), Medium.of(body)).t_down


def bleaching_in(
    bench: Bench,
    name: str,
    molar_absorptivity_l_mol_cm: Curve,
    concentration_mol_l: float,
    thickness_nm: float,
    quantum_yield: float,
    mount: Mount = "laminated",
    layer: str | None = None,
    **options: Any,
) -> BleachingFilter:
    """An absorber bleaching in its place, by the light that reaches it there.

    For the mount "in_substrate" the thickness is that of the layer.
    """
    fresh = absorber_filter(
        name, molar_absorptivity_l_mol_cm, concentration_mol_l, thickness_nm, **options
    )
    lam, flux = light_into(bench, MountedFilter(fresh, mount, layer))
    low, high = bench.limits
    return BleachingFilter(
        name,
        molar_absorptivity_l_mol_cm,
        concentration_mol_l,
        thickness_nm,
        quantum_yield,
        lam,
        flux,
        dict(options),
        (
            f"filter {name}: bleaches by light of {low:g}-{high:g} nm going inward only; its "
            "products are taken to be clear",
        ),
    )
