"""A year outdoors: incident and absorbed dose of named layers, by month, band and weight."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.outdoor.dose import SiteDose
from optistack.analysis.outdoor.light import SiteLight
from optistack.analysis.outdoor.response import AngleResponse, angle_response
from optistack.analysis.outdoor.sun import SHORTEST_NM, standard_sun
from optistack.errors import OptistackError
from optistack.exposure import Exposure, ExposureResult
from optistack.light_paths import Geometry
from optistack.plot_axes import axes
from optistack.spectra import DEFAULT_BANDS_NM, BandNm, Weight, weight_family
from optistack.spectral_math import (
    PHOTON_J_NM,
    band_key,
    optical_grid,
    quadrature,
    union_grid,
)
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

_LIGHT_GRADE = "C"  # the clear-sky model


@dataclass(frozen=True, eq=False)
class SiteYear:
    """The doses of several exposures in a year of one site.

    Attributes
    ----------
    light : SiteLight
    doses : mapping of str to SiteDose
    bands_nm : tuple of (float, float) [nm]
    weights : tuple of Weight
    notes : tuple of str
        Those of the light and of every dose.
    """

    light: SiteLight
    doses: Mapping[str, SiteDose]
    bands_nm: tuple[BandNm, ...]
    weights: tuple[Weight, ...]
    notes: tuple[str, ...]

    def __getitem__(self, name: str) -> SiteDose:
        if name not in self.doses:
            raise OptistackError(
                f"site {self.light.site.name}: no exposure {name!r}; there are "
                f"{', '.join(self.doses)}"
            )
        return self.doses[name]

    def to_frame(self) -> pd.DataFrame:
        """One row per exposure, band or weight, and month; month 0 is the year."""
        import pandas as pd

        return pd.concat([dose.to_frame() for dose in self.doses.values()], ignore_index=True)

    def plot(self, ax: Any = None, key: str | None = None) -> Any:
        """Through the year: photons absorbed in each month by every exposure."""
        key = key or band_key(self.bands_nm[0])
        ax = axes(ax)
        for name, dose in self.doses.items():
            ax.plot(np.arange(1, 13), dose.monthly_m2(key), marker="o", label=name)
        low, high = next(iter(self.doses.values())).reported_nm(key)
        ax.set_xlabel("month")
        ax.set_ylabel(f"absorbed photons a month, {key}, {low:g}-{high:g} nm (1/m²)")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


class _Key(NamedTuple):
    """A band or a weight, and the limits between which it is counted."""

    name: str
    low: float
    high: float
    weight: Weight | None

    def factor(self, wavelength_nm: Real) -> Real:
        """Equivalent photons per joule [1/J], 0 outside the limits."""
        inside = (wavelength_nm >= self.low) & (wavelength_nm <= self.high)
        out = np.where(inside, wavelength_nm / PHOTON_J_NM, 0.0)
        return out if self.weight is None else np.asarray(out * self.weight(wavelength_nm))


def site_year(
    light: SiteLight,
    exposures: Mapping[str, Exposure],
    layers: Mapping[str, str] | str,
    *,
    bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM,
    weights: Sequence[Weight] | None = None,
) -> SiteYear:
    """Absorbed dose of a year in named layers, at the sun's real angles.

    Each stack is solved once, at the angles of incidence between which its absorptance can be
    interpolated; the steps of the year are then matrix products.

    Parameters
    ----------
    light : SiteLight
    exposures : mapping of str to Exposure
        Stack, filters, lit side and holder are used. The exposure's own light, angle and isotropic
        share give way to the site's; its rear share belongs to a chamber and is left out.
    layers : str or mapping of exposure name to str
        The layer to follow, the same for all or one for each.
    bands_nm : sequence of (float, float) [nm]
    weights : sequence of Weight, optional
        The default family when not given.

    Raises
    ------
    OptistackError
        No exposures, no layer named for one, names used twice.
    StackError
        A stack without that layer, or not lit from air.
    RangeError
        A band or a table outside the light's wavelengths.

    Examples
    --------
    >>> import optistack as ost
    >>> from optistack.analysis.outdoor import Site, site_light, site_year
    >>> coupon = ost.Stack("air", [ost.Layer("film", "ito", 120.0)], "fused_silica")
    >>> bare = ost.Exposure("coupon", coupon, ost.spectrum("am15g"))
    >>> year = site_year(site_light(Site("equator", 0.0, 0.0)), {"coupon": bare}, "film")
    >>> print(f"{year['coupon'].incident_j_m2['300-400'] / 3.6e6:.0f} kWh/m2")
    145 kWh/m2
    """
    if not exposures:
        raise OptistackError("site_year needs at least one exposure")
    if isinstance(layers, str):
        layers = dict.fromkeys(exposures, layers)
    for name in exposures:
        if name not in layers:
            raise OptistackError(f"exposure {name}: name the layer whose dose is wanted")
    bands = tuple((float(low), float(high)) for low, high in bands_nm)
    weights = weight_family() if weights is None else tuple(weights)
    keys = _keys(light, bands, weights)
    incident = {
        band_key(band): (
            float(light.irradiance_w_m2(band).sum() * light.step_s),
            float(light.photon_flux_m2_s(band).sum() * light.step_s),
        )
        for band in bands
    }
    doses = {
        name: _dose(light, name, exposure, layers[name], bands, weights, keys, incident)
        for name, exposure in exposures.items()
    }
    notes = [*light.notes, *(n for dose in doses.values() for n in dose.notes)]
    return SiteYear(light, doses, bands, weights, tuple(dict.fromkeys(notes)))


def _keys(light: SiteLight, bands: tuple[BandNm, ...], weights: tuple[Weight, ...]) -> list[_Key]:
    keys = [_Key(band_key(b), *light.within(b), None) for b in bands]
    keys += [_Key(w.name, *light.within(w.band_nm), w) for w in weights]
    names = [key.name for key in keys]
    for name in names:
        if names.count(name) > 1:
            raise OptistackError(f"two bands or weights are called {name!r}")
    if not keys:
        raise OptistackError("site_year needs at least one band or weight")
    return keys


def _dose(
    light: SiteLight,
    name: str,
    exposure: Exposure,
    layer: str,
    bands: tuple[BandNm, ...],
    weights: tuple[Weight, ...],
    keys: list[_Key],
    incident: Mapping[str, tuple[float, float]],
) -> SiteDose:
    low, high = min(k.low for k in keys), max(k.high for k in keys)
    stack, far = exposure.built
    limits = np.array([x for key in keys for x in (key.low, key.high)])
    nodes = [a.nodes_nm for x in stack.layers for a in x.absorbers]
    grid = optical_grid(low, high, step_nm=stack.fringe_step_nm(low), include=[limits, *nodes])
    bends = [w.wavelength_nm for w in weights if w.wavelength_nm.size]
    bends += [item.nodes_nm for item in far]
    sun = standard_sun()
    points, spread = quadrature(
        union_grid(low, high, [grid, light.wavelength_nm, sun.wavelength_nm, *bends])
    )
    factors = np.array([key.factor(points) for key in keys]) * spread
    project = _projection(grid, light.wavelength_nm, points, factors)
    response = angle_response(
        exposure, layer, grid, project, points, np.asarray(sun(light.wavelength_nm))
    )
    rates = _rates(light, response)
    at_normal = _at_normal(exposure, response, far)
    standard = factors * sun(points)
    absorbed = _linear(grid, response.normal.absorptance[stack.position(layer)][None], points)[0]
    for item in far:
        absorbed = absorbed * item.external(points)
    am15g = {key.name: float(row @ absorbed) for key, row in zip(keys, standard, strict=True)}
    out = {key.name: row for key, row in zip(keys, rates, strict=True)}
    for row in out.values():
        row.flags.writeable = False
    totals = {key: float(row.sum() * light.step_s) for key, row in out.items()}
    others = [_totals(variant, response) for variant in light.variants]
    ranges = {
        key.name: Value.of([totals[key.name], *(other[i] for other in others)])
        for i, key in enumerate(keys)
    }
    names = [band_key(band) for band in bands]
    within = light.within((SHORTEST_NM, 400.0)) if high >= 400 else (low, high)
    return SiteDose(
        exposure=name,
        layer=layer,
        thickness_nm=stack.layers[stack.position(layer)].thickness_nm,
        filter_name=exposure.filter_name,
        light=light,
        bands_nm=bands,
        weights=weights,
        incident_j_m2={key: incident[key][0] for key in names},
        incident_photons_m2={key: incident[key][1] for key in names},
        absorbed_photons_m2={key: totals[key] for key in names},
        weighted_m2={w.name: totals[w.name] for w in weights},
        am15g_rate_m2_s=am15g,
        incident_am15g_w_m2={
            band_key(band): sun.irradiance_w_m2(light.within(band)) for band in bands
        },
        angle_error=response.error,
        grade=max(_LIGHT_GRADE, at_normal.worst_grade(layer, within)),
        notes=(
            *_below_notes(keys, bands, weights),
            *_geometry_notes(name, exposure),
            *at_normal.notes(layer, within),
        ),
        _rates=out,
        _ranges=ranges,
    )


def _projection(
    grid: Real, sun_nm: Real, points: Real, factors: Real
) -> Callable[[Real, Real], Real]:
    """From absorptances on the grid and filter transmittances to weights on the sun's spectrum.

    Exact where absorptance and spectrum are linear between their own points.
    """
    left = np.clip(np.searchsorted(sun_nm, points, side="right") - 1, 0, sun_nm.size - 2)
    share = (points - sun_nm[left]) / (sun_nm[left + 1] - sun_nm[left])
    hats = np.zeros((points.size, sun_nm.size))
    every = np.arange(points.size)
    hats[every, left], hats[every, left + 1] = 1 - share, share

    def project(absorptance: Real, through: Real) -> Real:
        values = _linear(grid, absorptance, points) * through
        return np.array([(values * row) @ hats for row in factors])

    return project


def _linear(grid: Real, values: Real, points: Real) -> Real:
    """Rows of values on a grid, linear in between, at points inside it."""
    left = np.clip(np.searchsorted(grid, points, side="right") - 1, 0, grid.size - 2)
    share = (points - grid[left]) / (grid[left + 1] - grid[left])
    return np.asarray(values[:, left] * (1 - share) + values[:, left + 1] * share)


def _rates(light: SiteLight, response: AngleResponse) -> Real:
    """Absorbed photons of every step [1/(m2 s)], (key, step)."""
    even = (light.sky + light.ground) @ response.isotropic.T
    up = np.flatnonzero(light.aoi_deg < 90)
    keys, nodes, _ = response.directed.shape
    at_nodes = light.direct[up] @ response.directed.reshape(keys * nodes, -1).T
    between = response.interpolation(np.cos(np.radians(light.aoi_deg[up])))
    even[up] += np.einsum("ska,sa->sk", at_nodes.reshape(up.size, keys, nodes), between)
    return np.ascontiguousarray(even.T)


def _totals(light: SiteLight, response: AngleResponse) -> Real:
    """Absorbed photons of the whole year [1/m2], (key,): the sum taken before the product."""
    even = response.isotropic @ (light.sky.sum(axis=0) + light.ground.sum(axis=0))
    up = np.flatnonzero(light.aoi_deg < 90)
    between = response.interpolation(np.cos(np.radians(light.aoi_deg[up])))
    directed = np.einsum("kaw,aw->k", response.directed, between.T @ light.direct[up])
    return np.asarray((even + directed) * light.step_s)


def _at_normal(exposure: Exposure, response: AngleResponse, far: tuple[Any, ...]) -> ExposureResult:
    """The exposure under AM1.5G at normal incidence, solved already."""
    geometry = Geometry(lit_from=exposure.geometry.lit_from, holder=exposure.geometry.holder)
    return ExposureResult(
        replace(exposure, light=standard_sun(), geometry=geometry), response.normal, far
    )


def _below_notes(
    keys: list[_Key], bands: tuple[BandNm, ...], weights: tuple[Weight, ...]
) -> tuple[str, ...]:
    """What the standard sun has below the model's first wavelength, band by band."""
    sun = standard_sun()
    out = []
    for key, asked in zip(keys, [*bands, *(w.band_nm for w in weights)], strict=True):
        if asked[0] >= key.low:
            continue
        points, spread = quadrature(union_grid(*asked, [sun.wavelength_nm, [key.low]]))
        value = sun(points) * spread * points
        if key.weight is not None:
            value = value * key.weight(points)
        share = float(value[points < key.low].sum() / value.sum())
        what = "photons of that band" if key.weight is None else "weighted incident photons"
        out.append(
            f"{key.name}: counted in {key.low:g}-{key.high:g} nm; what lies below, absent here, is "
            f"{100 * share:.2g} % of the {what} in AM1.5G"
        )
    return tuple(out)


def _geometry_notes(name: str, exposure: Exposure) -> tuple[str, ...]:
    out = []
    if exposure.geometry.rear_share > 0:
        out.append(
            f"exposure {name}: its light on the rear belongs to a chamber and is left out outdoors"
        )
    if exposure.geometry.holder is not None:
        out.append(f"exposure {name}: its holder stays behind it outdoors")
    for entry in exposure.filters:
        if entry.mount != "detached_far":
            continue
        how = "coated, so its transmittance at normal incidence serves for all angles"
        if not getattr(entry.item, "coated", False):
            how = "a plain plate, its transmittance follows the angle"
        out.append(
            f"exposure {name}: filter {entry.item.name} stands parallel in front and covers all "
            f"directions, without light thrown back at it; {how}; the polarisation behind it is "
            "not followed"
        )
    return tuple(out)
