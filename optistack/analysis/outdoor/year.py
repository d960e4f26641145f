"""A year outdoors: incident and absorbed dose of named layers, by month, band and weight."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.outdoor.light import SiteLight
from optistack.analysis.outdoor.response import AngleResponse, angle_response
from optistack.analysis.outdoor.sun import SHORTEST_NM
from optistack.errors import OptistackError
from optistack.exposure import Exposure, ExposureResult
from optistack.light_paths import Geometry
from optistack.plot_axes import axes
from optistack.spectra import DEFAULT_BANDS_NM, BandNm, Weight, spectrum, weight_family
from optistack.spectral_math import (
    PHOTON_J_NM,
    band_key,
    optical_grid,
    quadrature,
    union_grid,
)

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

J_PER_KWH, J_PER_MJ = 3.6e6, 1e6
_LIGHT_GRADE = "C"  # the clear-sky model


@dataclass(frozen=True, eq=False)
class SiteDose:
    """What a layer receives and absorbs in a year at a site.

    Mappings have the key of a band ("300-400") or the name of a weight. Bands and weights that
    begin below 300 nm count from 300 nm on, in numerator and denominator; ``notes`` say so.
    Weighted doses are equivalent photons at the weight's reference wavelength.

    Attributes
    ----------
    exposure, layer : str
    thickness_nm : float [nm]
    filter_name : str
    light : SiteLight
    incident_j_m2, incident_photons_m2 : mapping of band key to float
        In the plane, before any filter [J/m2], [1/m2].
    absorbed_photons_m2 : mapping of band key to float [1/m2]
    weighted_m2 : mapping of weight name to float [1/m2]
    am15g_rate_m2_s : mapping of band key or weight name to float [1/(m2 s)]
        Of the same exposure under AM1.5G at normal incidence.
    incident_am15g_w_m2 : mapping of band key to float [W/m2]
    angle_error : float
        Estimated error of the interpolation between angles of incidence, relative.
    grade : str
        Worst grade of a table that carries more than 5 % of the answer.
    notes : tuple of str
    """

    exposure: str
    layer: str
    thickness_nm: float
    filter_name: str
    light: SiteLight
    bands_nm: tuple[BandNm, ...]
    weights: tuple[Weight, ...]
    incident_j_m2: Mapping[str, float]
    incident_photons_m2: Mapping[str, float]
    absorbed_photons_m2: Mapping[str, float]
    weighted_m2: Mapping[str, float]
    am15g_rate_m2_s: Mapping[str, float]
    incident_am15g_w_m2: Mapping[str, float]
    angle_error: float
    grade: str
    notes: tuple[str, ...]
    _rates: Mapping[str, Real] = field(default_factory=dict, repr=False)

    @property
    def keys(self) -> tuple[str, ...]:
        """Bands and weights, in order."""
        return tuple(self._rates)

    def _known(self, key: str) -> str:
        if key not in self._rates:
            raise OptistackError(
                f"exposure {self.exposure}: no band or weight {key!r}; there are "
                f"{', '.join(self._rates)}"
            )
        return key

    def rate_m2_s(self, key: str) -> Real:
        """Absorbed photons in a band, or weighted [1/(m2 s)], (step,)."""
        return self._rates[self._known(key)]

    def rate_m3_s(self, key: str) -> Real:
        """The same per volume of the layer, its mean over depth [1/(m3 s)], (step,)."""
        return self.rate_m2_s(key) * (1e9 / self._thickness())

    def dose_m2(self, key: str) -> float:
        """Dose of the year in a band or with a weight [1/m2]."""
        return {**self.absorbed_photons_m2, **self.weighted_m2}[self._known(key)]

    def dose_m3(self, key: str) -> float:
        """The same per volume of the layer [1/m3]."""
        return self.dose_m2(key) * (1e9 / self._thickness())

    def _thickness(self) -> float:
        if not self.thickness_nm > 0:
            raise OptistackError(
                f"exposure {self.exposure}: layer {self.layer} has no thickness, so nothing in it "
                "can be given per volume"
            )
        return self.thickness_nm

    def sum_of_powers(self, key: str, exponent: float, *, per_volume: bool = True) -> float:
        """Sum over the year of q**p dt, q in 1/(m3 s) or, not per volume, 1/(m2 s).

        Damage with a reciprocity exponent p adds up this way; (mean q)**p would be wrong for p
        other than 1. Steps without light count nothing, whatever p.

        Raises
        ------
        OptistackError
            An exponent that is not positive.
        """
        if not (np.isfinite(exponent) and exponent > 0):
            raise OptistackError(f"exponent {exponent} must be positive")
        q = self.rate_m3_s(key) if per_volume else self.rate_m2_s(key)
        return float((q[q > 0] ** exponent).sum() * self.light.step_s)

    @property
    def equivalent_am15g_hours(self) -> dict[str, float]:
        """Hours under AM1.5G at normal incidence that give the same dose, by band and weight.

        0 without dose; NaN where AM1.5G gives none either.
        """
        return {key: _over(self.dose_m2(key), self.am15g_rate_m2_s[key]) for key in self._rates}

    @property
    def incident_am15g_hours(self) -> dict[str, float]:
        """Hours under AM1.5G at normal incidence with the same incident energy, by band."""
        return {
            key: _over(value, self.incident_am15g_w_m2[key])
            for key, value in self.incident_j_m2.items()
        }

    def monthly_m2(self, key: str) -> Real:
        """Dose of each month in a band or with a weight [1/m2], (12,)."""
        return self.light.monthly(self.rate_m2_s(key))

    def monthly_incident_j_m2(self, band: str) -> Real:
        """Incident energy of each month [J/m2], (12,)."""
        return self.light.monthly(self.light.irradiance_w_m2(self._band(band)))

    def monthly_incident_photons_m2(self, band: str) -> Real:
        """Incident photons of each month [1/m2], (12,)."""
        return self.light.monthly(self.light.photon_flux_m2_s(self._band(band)))

    def _band(self, key: str) -> BandNm:
        for band in self.bands_nm:
            if band_key(band) == key:
                return band
        raise OptistackError(
            f"exposure {self.exposure}: no band {key!r}; there are "
            f"{', '.join(band_key(b) for b in self.bands_nm)}"
        )

    def reported_nm(self, key: str) -> BandNm:
        """Limits between which a band or weight is counted [nm]."""
        for weight in self.weights:
            if weight.name == key:
                return self.light.within(weight.band_nm)
        return self.light.within(self._band(key))

    def to_frame(self) -> pd.DataFrame:
        """One row per band and weight for the year (month 0) and each month (1 to 12)."""
        import pandas as pd

        rows = []
        bands = {band_key(band) for band in self.bands_nm}
        hours = self.equivalent_am15g_hours
        for key in self._rates:
            absorbed = np.concatenate([[self.dose_m2(key)], self.monthly_m2(key)])
            energy = photons = np.full(13, np.nan)
            if key in bands:
                energy = np.concatenate(
                    [[self.incident_j_m2[key]], self.monthly_incident_j_m2(key)]
                )
                photons = np.concatenate(
                    [[self.incident_photons_m2[key]], self.monthly_incident_photons_m2(key)]
                )
            low, high = self.reported_nm(key)
            rate = self.am15g_rate_m2_s[key]
            for month in range(13):
                rows.append(
                    {
                        "exposure": self.exposure,
                        "layer": self.layer,
                        "filter": self.filter_name,
                        "over": key,
                        "counted_from_nm": low,
                        "counted_to_nm": high,
                        "month": month,
                        "incident_kwh_m2": energy[month] / J_PER_KWH,
                        "incident_mj_m2": energy[month] / J_PER_MJ,
                        "incident_photons_m2": photons[month],
                        "absorbed_photons_m2": absorbed[month],
                        "equivalent_am15g_hours": hours[key]
                        if month == 0
                        else _over(absorbed[month], rate),
                    }
                )
        return pd.DataFrame(rows)

    def plot(self, ax: Any = None, key: str | None = None) -> Any:
        """Photons absorbed in each month, on a matplotlib Axes."""
        key = key or self.keys[0]
        ax = axes(ax)
        ax.bar(np.arange(1, 13), self.monthly_m2(key))
        ax.set_xlabel("month")
        low, high = self.reported_nm(key)
        ax.set_ylabel(f"photons absorbed in {self.layer},\n{key}, {low:g}-{high:g} nm (1/m²)")
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def _over(dose: float, rate_per_s: float) -> float:
    """Hours at a rate that give a dose."""
    if rate_per_s > 0:
        return dose / rate_per_s / 3600.0
    return 0.0 if dose == 0 else float("nan")


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
    138 kWh/m2
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
    sun = spectrum("am15g")
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


def _at_normal(exposure: Exposure, response: AngleResponse, far: tuple[Any, ...]) -> ExposureResult:
    """The exposure under AM1.5G at normal incidence, solved already."""
    geometry = Geometry(lit_from=exposure.geometry.lit_from, holder=exposure.geometry.holder)
    return ExposureResult(
        replace(exposure, light=spectrum("am15g"), geometry=geometry), response.normal, far
    )


def _below_notes(
    keys: list[_Key], bands: tuple[BandNm, ...], weights: tuple[Weight, ...]
) -> tuple[str, ...]:
    """What the standard sun has below the model's first wavelength, band by band."""
    sun = spectrum("am15g")
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
