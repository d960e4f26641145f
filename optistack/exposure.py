"""Exposure: light x filter x geometry x hours on a stack -> absorbed photon dose and photocurrent.

The stack is solved once per geometry; the light comes in as weights on the optical grid, so that
every lamp variant, band and spectral weight is one dot product with the same absorptances.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError, RangeError, StackError
from optistack.filters import Case, Filter
from optistack.light_paths import Geometry, StackResponse, respond
from optistack.plot_axes import axes
from optistack.spectra import DEFAULT_BANDS_NM, BandNm, Spectrum, Weight
from optistack.spectral_math import (
    PHOTON_J_NM,
    NodalRule,
    band_key,
    optical_grid,
)
from optistack.stack import FilterStack, Mount, Stack
from optistack.transfer_matrix import depth_profile
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

GRADE_SHARE = 0.05
# How a note ends that says which share rests on an extended table.
OUTSIDE_TABLE = "comes from outside that table"


@dataclass(frozen=True, eq=False)
class MountedFilter:
    """A filter and how it is mounted; ``layer`` names the layer for "in_substrate"."""

    item: Filter | FilterStack
    mount: Mount
    layer: str | None = None


@dataclass(frozen=True, eq=False)
class Exposure:
    """A stack under a light.

    Parameters
    ----------
    name : str
    stack : Stack
    light : Spectrum
        Absolute, at the sample plane on the lit side, without the filters.
    geometry : Geometry
    filters : tuple of MountedFilter
        In the order in which the light meets them.
    hours : float [h]

    Raises
    ------
    OptistackError
        A light without set point; negative hours.
    """

    name: str
    stack: Stack
    light: Spectrum
    geometry: Geometry = field(default_factory=Geometry)
    filters: tuple[MountedFilter, ...] = ()
    hours: float = 0.0

    def __post_init__(self) -> None:
        if any(s.relative for s in (self.light, *self.light.variants)):
            raise OptistackError(
                f"exposure {self.name}: light {self.light.name} is relative; give it a set point, "
                "an irradiance in a band, or a multiple of the sun"
            )
        if not (np.isfinite(self.hours) and self.hours >= 0):
            raise OptistackError(f"exposure {self.name}: hours {self.hours} must not be negative")
        _, far = self.built
        for item in far:
            if isinstance(item, FilterStack):
                raise StackError(
                    f"exposure {self.name}: filter {item.name} is given by its layers; mount it "
                    "laminated or detached_gap"
                )

    @property
    def built(self) -> tuple[Stack, tuple[Filter, ...]]:
        """The stack as lit with its mounted filters, and the filters far away at the lamp."""
        stack = self.stack if self.geometry.lit_from == "front" else self.stack.flipped()
        far: list[Any] = []
        for entry in reversed(self.filters):
            if entry.mount == "detached_far":
                far.insert(0, entry.item)
            else:
                stack = stack.mounted(entry.item, entry.mount, entry.layer)
        return stack, tuple(far)

    @property
    def filter_name(self) -> str:
        """For tables: the filters' names, or "none"."""
        return " + ".join(f.item.name for f in self.filters) or "none"

    def with_filters(self, filters: Sequence[MountedFilter]) -> Exposure:
        """The same exposure behind other filters."""
        return replace(self, filters=tuple(filters))

    def in_case(self, case: Case) -> Exposure:
        """With readings of its filters below their stray-light floor at 0 or at the floor."""
        filters = tuple(
            replace(f, item=f.item.in_case(case)) if isinstance(f.item, Filter) else f
            for f in self.filters
        )
        return replace(self, filters=filters)

    def needed_range(self, bands_nm: Sequence[BandNm]) -> BandNm:
        """The wavelengths that matter: the bands, as far as the light shines there [nm]."""
        lit_low, lit_high = self.light.lit_range_nm
        low, high = np.inf, -np.inf
        for band in bands_nm:
            self.light.require(band)
            lower, upper = max(band[0], lit_low), min(band[1], lit_high)
            if upper > lower:
                low, high = min(low, lower), max(high, upper)
        if high <= low:
            raise RangeError(
                f"exposure {self.name}: light {self.light.name} has no light in the bands",
                (min(b[0] for b in bands_nm), max(b[1] for b in bands_nm)),
                (lit_low, lit_high),
            )
        return float(low), float(high)

    def run(self, range_nm: BandNm | None = None) -> ExposureResult:
        """Solve the stack over a range of wavelengths.

        Parameters
        ----------
        range_nm : (float, float) [nm], optional
            The default bands, as far as the light shines there, when not given.

        Raises
        ------
        RangeError
            A table that does not cover the range.
        """
        low, high = range_nm or self.needed_range(DEFAULT_BANDS_NM)
        stack, far = self.built
        grid = stack_grid(stack, low, high)
        for item in far:
            item.given(grid)  # refuse here, with the filter's name, not in an integral
        return ExposureResult(self, respond(stack, self.geometry, grid), far)


def stack_grid(stack: Stack, low_nm: float, high_nm: float) -> Real:
    """Wavelengths at which a stack is solved: its fringes, its absorbers, the ends of bands [nm].

    Raises
    ------
    StackError
        Coherent layers so thick that no grid follows their fringes.
    """
    nodes: list[Real] = [np.array([b for band in DEFAULT_BANDS_NM for b in band])]
    for layer in stack.layers:
        nodes += [absorber.nodes_nm for absorber in layer.absorbers]
    return optical_grid(low_nm, high_nm, step_nm=stack.fringe_step_nm(low_nm), include=nodes)


@dataclass(frozen=True, eq=False)
class ExposureResult:
    """Absorbed photons of every layer of an exposure.

    Band and weight answers are arrays (variant,): the light's central spectrum first, then its
    other variants.

    Attributes
    ----------
    exposure : Exposure
    response : StackResponse
    far : tuple of Filter
    """

    exposure: Exposure
    response: StackResponse
    far: tuple[Filter, ...] = ()
    _cache: dict[Any, Real] = field(default_factory=dict, repr=False)
    _rules: dict[Any, tuple[NodalRule, Real]] = field(default_factory=dict, repr=False)

    @property
    def wavelength_nm(self) -> Real:
        """The optical grid [nm]."""
        return self.response.wavelength_nm

    @property
    def stack(self) -> Stack:
        """The stack as lit, filters included."""
        return self.response.stack

    @property
    def lights(self) -> tuple[Spectrum, ...]:
        """The central spectrum and the variants."""
        return (self.exposure.light, *self.exposure.light.variants)

    def with_light(self, light: Spectrum) -> ExposureResult:
        """Under another light; the stack is not solved again.

        Raises
        ------
        OptistackError
            A light without set point. One that reaches beyond the wavelengths solved is refused
            when an answer there is asked for.

        Examples
        --------
        >>> import optistack as ost
        >>> film = ost.Stack("air", [ost.Layer("film", 1.6 + 0.05j, 100)], 1.5)
        >>> sun = ost.Exposure("sun", film, ost.spectrum("am15g")).run((300.0, 400.0))
        >>> two = sun.with_light(ost.spectrum("am15g").times(2.0))
        >>> band = (300.0, 400.0)
        >>> rates = [r.absorbed_photons_m2_s("film", band)[0] for r in (sun, two)]
        >>> print(round(rates[1] / rates[0], 12), two.response is sun.response)
        2.0 True
        """
        return replace(self, exposure=replace(self.exposure, light=light), _cache={}, _rules={})

    def with_hours(self, hours: float) -> ExposureResult:
        """For another duration [h]; nothing is computed again."""
        return replace(self, exposure=replace(self.exposure, hours=hours))

    def with_far_filters(self, filters: Sequence[Filter]) -> ExposureResult:
        """With other filters far away at the lamp; the stack is not solved again.

        Parameters
        ----------
        filters : sequence of Filter
            In the order in which the light meets them, in place of those there are; filters
            mounted on the stack stay.

        Raises
        ------
        RangeError
            A filter that is not known at the wavelengths solved.
        """
        mounted = tuple(f for f in self.exposure.filters if f.mount != "detached_far")
        new = tuple(MountedFilter(item, "detached_far") for item in filters)
        exposure = replace(self.exposure, filters=(*new, *mounted))
        _, far = exposure.built
        for item in far:
            item.given(self.wavelength_nm)
        return replace(self, exposure=exposure, far=far, _cache={}, _rules={})

    def sharing(self, other: ExposureResult) -> ExposureResult:
        """With the weights of bands that another result already has, where they are the same.

        That is so under the same light, behind the same filters at the lamp and on the same grid,
        whatever the stack.
        """
        same = (
            self.exposure.light is other.exposure.light
            and len(self.far) == len(other.far)
            and all(a is b for a, b in zip(self.far, other.far, strict=True))
            and np.array_equal(self.wavelength_nm, other.wavelength_nm)
        )
        return replace(self, _cache=other._cache, _rules=other._rules) if same else self

    def layer_absorptance(self, layer: str) -> Real:
        """Per photon incident on the far filter, if there is one, else on the stack."""
        through: Real = np.ones(self.wavelength_nm.size)
        for item in self.far:
            through = through * item.external(self.wavelength_nm)
        return np.asarray(self.response.absorptance[self.stack.position(layer)] * through)

    def photon_weights(
        self,
        band_nm: BandNm,
        weight: Callable[[Real], Real] | None = None,
        nodes_nm: Sequence[Real] = (),
    ) -> Real:
        """Weights W on the grid: photons absorbed in the band = W . absorptance.

        Parameters
        ----------
        band_nm : (float, float) [nm]
        weight : callable, optional
            One more factor, of wavelength [nm].
        nodes_nm : sequence of arrays [nm]
            Where ``weight`` bends.

        Returns
        -------
        (variant, wavelength) array [1/(m2 s)]

        Raises
        ------
        RangeError
            The light or the optical grid does not reach over the band.
        """
        # A Weight is kept as part of the key: two of one name may differ.
        cacheable = not nodes_nm and (weight is None or isinstance(weight, Weight))
        key = (band_nm, weight)
        if cacheable and key in self._cache:
            return self._cache[key]
        grid = self.wavelength_nm
        rows = []
        for light in self.lights:
            light.require(band_nm)
            lit_low, lit_high = light.lit_range_nm
            low, high = max(band_nm[0], lit_low), min(band_nm[1], lit_high)
            if low < high and (low < grid[0] - 1e-9 or high > grid[-1] + 1e-9):
                raise RangeError(
                    f"exposure {self.exposure.name}", (low, high), (float(grid[0]), float(grid[-1]))
                )
            low, high = max(low, grid[0]), min(high, grid[-1])
            if high <= low:
                rows.append(np.zeros(grid.size))
                continue
            more = list(nodes_nm)
            if isinstance(weight, Weight) and weight.wavelength_nm.size:
                more.append(weight.wavelength_nm)
            rule, photons = self._arriving(light, low, high, more)
            rows.append(rule.onto_grid(photons if weight is None else photons * weight(rule.nodes)))
        out = np.array(rows)
        if cacheable:
            self._cache[key] = out
        return out

    def _arriving(
        self, light: Spectrum, low: float, high: float, nodes_nm: Sequence[Real]
    ) -> tuple[NodalRule, Real]:
        """How a band is integrated, and the photons that its nodes stand for [1/(m2 s)].

        Kept for the next weight where no nodes are added.
        """
        key = (light, low, high)
        if not nodes_nm and key in self._rules:
            return self._rules[key]
        grids = [light.wavelength_nm, *nodes_nm, *(item.nodes_nm for item in self.far)]
        rule = NodalRule(self.wavelength_nm, low, high, grids)
        photons = rule.weights * light(rule.nodes) * (rule.nodes / PHOTON_J_NM)
        for item in self.far:
            photons = photons * item.external(rule.nodes)
        if not nodes_nm:
            self._rules[key] = rule, photons
        return rule, photons

    def absorbed_photons_m2_s(
        self, layer: str, band_nm: BandNm, weight: Weight | None = None
    ) -> Real:
        """Photons absorbed in a layer per area and time [1/(m2 s)], (variant,).

        With a weight: equivalent photons at its reference wavelength, in the part of the band
        that the weight covers.
        """
        if weight is not None:
            band_nm = (max(band_nm[0], weight.band_nm[0]), min(band_nm[1], weight.band_nm[1]))
        a = self.response.absorptance[self.stack.position(layer)]
        return np.asarray(self.photon_weights(band_nm, weight) @ a)

    def weighted_photons_m2_s(self, layer: str, weight: Weight) -> Real:
        """Equivalent photons absorbed at the weight's reference wavelength [1/(m2 s)]."""
        return self.absorbed_photons_m2_s(layer, weight.band_nm, weight)

    def absorbed_spectrum(self, layer: str) -> tuple[Real, Real]:
        """Photons that a layer absorbs per area, time and wavelength, for the central spectrum.

        Returns
        -------
        wavelength_nm : (sample,) array [nm]
            The optical grid and the light's own samples within it.
        absorbed_photons_m2_s_nm : (sample,) array [1/(m2 s nm)]
            The absorptance is linear between the points of the optical grid.
        """
        light = self.exposure.light
        grid = self.wavelength_nm
        lit_low, lit_high = light.lit_range_nm
        own = light.wavelength_nm
        own = own[(own >= grid[0]) & (own <= grid[-1])]
        lam = np.union1d(grid, own)
        lam = lam[(lam >= lit_low) & (lam <= lit_high)]
        rate = light(lam) * lam / PHOTON_J_NM
        rate = rate * np.interp(lam, grid, self.response.absorptance[self.stack.position(layer)])
        for item in self.far:
            rate = rate * item.external(lam)
        return lam, np.asarray(rate)

    def incident_photons_m2_s(self, band_nm: BandNm) -> Real:
        """Photons on the lit side at the sample plane, filters off [1/(m2 s)], (variant,)."""
        key = ("incident", tuple(band_nm))
        if key not in self._cache:
            self._cache[key] = np.array([light.photon_flux_m2_s(band_nm) for light in self.lights])
        return self._cache[key].copy()

    def incident_irradiance_w_m2(self, band_nm: BandNm) -> Real:
        """Irradiance on the lit side at the sample plane, filters off [W/m2], (variant,)."""
        return np.array([light.irradiance_w_m2(band_nm) for light in self.lights])

    def absorbed_fraction(self, layer: str, band_nm: BandNm) -> Real:
        """Photons absorbed over photons incident in a band, (variant,); NaN without light."""
        incident = self.incident_photons_m2_s(band_nm)
        absorbed = self.absorbed_photons_m2_s(layer, band_nm)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.where(incident > 0, absorbed / incident, np.nan))

    def dose_m2(self, rate_m2_s: ArrayLike) -> Real:
        """A rate times the hours of the exposure [1/m2]."""
        return np.asarray(np.asarray(rate_m2_s) * self.exposure.hours * 3600.0)

    def budget(self, band_nm: BandNm) -> dict[str, float]:
        """Where the photons of a band go: shares of the incident photons, summing to 1.

        The share of a far filter is what it does not let through; light from the rear is added to
        what is incident.
        """
        weights = self.photon_weights(band_nm)[0]
        incident = float(self.incident_photons_m2_s(band_nm)[0])
        if incident <= 0:
            return {}
        total = incident
        out: dict[str, float] = {}
        reaching = float(weights.sum())
        if self.far:
            out["filter at the lamp"] = incident - reaching
        rear = self.exposure.geometry.rear_share * reaching
        total += rear
        out["reflected"] = float(weights @ self.response.reflectance)
        for layer, a in zip(self.stack.names, self.response.absorptance, strict=True):
            out[layer] = float(weights @ a)
        out["transmitted"] = float(weights @ self.response.transmittance)
        return {name: value / total for name, value in out.items()}

    def depth_profile(
        self, layer: str, depth_nm: ArrayLike, band_nm: BandNm, weight: Weight | None = None
    ) -> Real:
        """Photons absorbed per volume and time at each depth [1/(m3 s)], (depth,).

        Depth counts from the lit side of the layer. For the light's central spectrum.
        """
        weights = self.photon_weights(band_nm, weight)[0]
        position = self.stack.position(layer)
        # Only wavelengths that count: a band may be a small part of what was solved.
        used = weights != 0
        depth = np.atleast_1d(np.asarray(depth_nm, dtype=float))
        if not used.any():
            return np.zeros(depth.size)
        weights, lam = weights[used], self.wavelength_nm[used]
        n, d, coherent = self.stack.lower(lam)
        light = self.response.lighting
        density = np.zeros((depth.size, lam.size))
        for p, kind in enumerate(light.polarizations):
            front = depth_profile(
                n,
                d,
                lam,
                position,
                depth,
                angle_deg=light.front.angles_deg,
                polarization=kind,
                coherent=coherent,
            )
            density += np.einsum("dw,dzw->zw", light.front.share[p][:, used], front)
            if light.rear.share.any():
                rear = depth_profile(
                    n[::-1],
                    d[::-1],
                    lam,
                    len(d) - 1 - position,
                    d[position] - depth[::-1],
                    angle_deg=light.rear.angles_deg,
                    polarization=kind,
                    coherent=coherent[::-1],
                )
                density += np.einsum("dw,dzw->zw", light.rear.share[p][:, used], rear[:, ::-1])
        return np.asarray(density @ weights * 1e9)

    def first_nanometre(self, layer: str, band_nm: BandNm) -> tuple[float, float]:
        """Photons absorbed per volume in the first nanometre at the lit and at the far face."""
        thickness = self.stack.layers[self.stack.position(layer)].thickness_nm
        reach = min(1.0, thickness)
        x, w = np.polynomial.legendre.leggauss(3)
        near = reach * (x + 1) / 2
        depth = np.concatenate([near, thickness - near[::-1]])
        rate = self.depth_profile(layer, depth, band_nm)
        return float(rate[:3] @ w / 2), float(rate[3:] @ w / 2)

    def extension_shares(self, layer: str, band_nm: BandNm) -> dict[str, float]:
        """Share of a layer's photons from wavelengths where a table was extended, by table."""
        weights = (
            self.photon_weights(band_nm)[0] * self.response.absorptance[self.stack.position(layer)]
        )
        total = float(weights.sum())
        out: dict[str, float] = {}
        lam = self.wavelength_nm
        for m in self.stack.materials:
            outside = m.extended(lam)
            if outside.any() and np.isfinite(m.range_nm).all():
                out[m.name] = float(weights[outside].sum()) / total if total > 0 else 0.0
        return out

    def carrying_tables(self, layer: str, band_nm: BandNm) -> list[tuple[str, str, float]]:
        """Tables that carry more than 5 % of an answer: (name, grade, share).

        The light and the layer's own table carry all of it; another layer's table carries the
        share of the incident photons that this layer takes, a filter what it takes.
        """
        budget = self.budget(band_nm)
        out = [(f"light {self.exposure.light.name}", self.exposure.light.grade, 1.0)]
        for item in self.stack.layers:
            share = 1.0 if item.name == layer else budget.get(item.name, 0.0)
            for name, grade in [
                (f"material {item.material.name}", item.material.grade),
                *((f"filter {a.name}", a.grade) for a in item.absorbers),
            ]:
                if item.absorbers and name == "material filter body":
                    continue
                if share > GRADE_SHARE and all(name != other[0] for other in out):
                    out.append((name, grade, share))
        for far in self.far:
            share = budget.get("filter at the lamp", 0.0)
            if share > GRADE_SHARE:
                out.append((f"filter {far.name}", far.grade, share))
        return out

    def worst_grade(self, layer: str, band_nm: BandNm) -> str:
        """The worst grade of the tables that carry more than 5 % of the answer."""
        return max(grade for _, grade, _ in self.carrying_tables(layer, band_nm))

    def notes(self, layer: str | None = None, band_nm: BandNm | None = None) -> tuple[str, ...]:
        """The assumptions and extensions behind the answers."""
        out: list[str] = [*self.exposure.light.notes]
        lam = self.wavelength_nm
        for m in self.stack.materials:
            out += m.notes
            outside = m.extended(lam)
            if not outside.any() or not np.isfinite(m.range_nm).all():
                continue
            for side, limit, mode, where in (
                ("below", m.range_nm[0], m.below, lam < m.range_nm[0]),
                ("above", m.range_nm[1], m.above, lam > m.range_nm[1]),
            ):
                if not where.any():
                    continue
                how = "n and k held at their end values" if mode == "hold" else "k taken as 0"
                text = f"material {m.name}: {how} {side} {limit:g} nm, as the scenario asks"
                if layer is not None and band_nm is not None:
                    share = self.extension_shares(layer, band_nm).get(m.name, 0.0)
                    part = f"{100 * share:.2g} %" if share >= 1e-4 else "less than 0.01 %"
                    text += (
                        f"; {part} of what {layer} absorbs in {band_key(band_nm)} nm "
                        + OUTSIDE_TABLE
                    )
                out.append(text)
        for item in self.stack.layers:
            for absorber in item.absorbers:
                out += absorber.doubts(lam)
        for far in self.far:
            out += far.doubts(lam)
            if self.exposure.geometry.angle_deg > 0 or self.exposure.geometry.isotropic_share > 0:
                out.append(
                    f"filter {far.name}: far away at the lamp, crossed at normal incidence "
                    "although light meets the sample at an angle"
                )
        return tuple(dict.fromkeys(out))

    def to_frame(self, bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM) -> pd.DataFrame:
        """One row per layer and band: rate, fraction and dose of absorbed photons."""
        import pandas as pd

        rows = []
        for band in bands_nm:
            if self.incident_photons_m2_s(band)[0] <= 0:
                continue
            for layer in self.stack.names:
                rate = Value.of(self.absorbed_photons_m2_s(layer, band))
                rows.append(
                    {
                        "exposure": self.exposure.name,
                        "layer": layer,
                        "band_nm": band_key(band),
                        "absorbed_photons_m2_s": rate.value,
                        "absorbed_photons_m2_s_low": rate.low,
                        "absorbed_photons_m2_s_high": rate.high,
                        "absorbed_fraction": float(self.absorbed_fraction(layer, band)[0]),
                        "absorbed_photon_dose_m2": float(self.dose_m2(rate.value)),
                    }
                )
        return pd.DataFrame(rows)

    def plot(self, ax: Any = None) -> Any:
        """Absorptance of every layer against wavelength, on a matplotlib Axes."""
        ax = axes(ax)
        for layer in self.stack.names:
            ax.plot(self.wavelength_nm, self.layer_absorptance(layer), label=layer)
        ax.set_xlabel("wavelength (nm)")
        ax.set_ylabel("absorptance")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))
