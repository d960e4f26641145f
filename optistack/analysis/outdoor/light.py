"""The light of a year on a plane: direct, sky and ground, step by step."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.outdoor.clouds import UV_EXPONENT, UV_EXPONENT_RANGE, Clouds, clouds_over
from optistack.analysis.outdoor.site import Site
from optistack.analysis.outdoor.sun import (
    SHORTEST_NM,
    ClearSky,
    SunPath,
    clear_steps,
    ground_reflectance,
    require_pvlib,
    standard_sun,
)
from optistack.errors import OptistackError, RangeError
from optistack.plot_axes import axes
from optistack.spectra import BandNm
from optistack.spectral_math import J_PER_KWH, PHOTON_J_NM, band_key, nodal_weights

if TYPE_CHECKING:
    import pandas as pd

    from optistack.analysis.outdoor.climate import Climate

Real = NDArray[np.float64]
Time = NDArray[np.datetime64]

RANGE_NM: BandNm = (300.0, 700.0)
SHORTEST_STEP_H = 0.05
_LEAST_COSINE = 0.01745  # the sun 1 degree above the horizon, as in pvlib's transposition


@dataclass(frozen=True, eq=False)
class SiteLight:
    """Spectral irradiance in the plane of a site, step by step.

    Spectra are linear between the wavelengths. Each is the mean over its step, for the sun in the
    middle of the part of the step in which it is up.

    Attributes
    ----------
    site : Site
    time : (step,) array of datetime64, UTC
        Middle of each step.
    step_h : float [h]
    wavelength_nm : (wavelength,) array [nm]
    direct : (step, wavelength) array [W/(m2 nm)]
        From the sun's direction: the beam and the circumsolar part of the sky light.
    sky, ground : (step, wavelength) arrays [W/(m2 nm)]
        Taken as isotropic over the plane's hemisphere.
    aoi_deg, zenith_deg, azimuth_deg : (step,) arrays [degree]
        Angle of incidence on the plane; apparent zenith and azimuth of the sun.
    lit_share : (step,) array
        Part of the step with the sun above the level horizon.
    month : (step,) array of int
        0 to 11, in the site's time zone.
    climate : str or None
        Name of the climate data; None: a clear sky all year.
    cloud_exponent : float or None
    temperature_c : (step,) array or None [degree C]
        Air, where the climate data have it.
    variants : tuple of SiteLight
        The same with the ends of the published range of cloud exponents; empty without clouds or
        with a measured UV column.
    notes : tuple of str
    """

    site: Site
    time: Time
    step_h: float
    wavelength_nm: Real
    direct: Real
    sky: Real
    ground: Real
    aoi_deg: Real
    zenith_deg: Real
    azimuth_deg: Real
    lit_share: Real
    month: NDArray[np.intp]
    climate: str | None = None
    cloud_exponent: float | None = None
    temperature_c: Real | None = None
    variants: tuple[SiteLight, ...] = ()
    notes: tuple[str, ...] = ()
    _cache: dict[Any, Any] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for name in (
            *("time", "wavelength_nm", "direct", "sky", "ground", "aoi_deg", "zenith_deg"),
            *("azimuth_deg", "lit_share", "month"),
        ):
            getattr(self, name).flags.writeable = False

    @property
    def range_nm(self) -> BandNm:
        """First and last wavelength [nm]."""
        return float(self.wavelength_nm[0]), float(self.wavelength_nm[-1])

    @property
    def step_s(self) -> float:
        """Length of a step [s]."""
        return self.step_h * 3600.0

    def within(self, band_nm: BandNm) -> BandNm:
        """The part of a band that the light is known in: above 300 nm.

        Raises
        ------
        RangeError
            A band that lies below, or reaches above the light's wavelengths.
        """
        low, high = self.range_nm
        if band_nm[1] > high + 1e-9 or band_nm[1] <= low:
            raise RangeError(
                f"light of site {self.site.name}",
                band_nm,
                (low, high),
                "The clear-sky model begins at 300 nm; a wider range_nm of site_light reaches up "
                "to 4000 nm",
            )
        return max(band_nm[0], low), band_nm[1]

    def irradiance_w_m2(self, band_nm: BandNm) -> Real:
        """Irradiance in the plane in a band, above 300 nm [W/m2], (step,)."""
        return self._sum(band_nm, photons=False)

    def photon_flux_m2_s(self, band_nm: BandNm) -> Real:
        """Photons in the plane in a band, above 300 nm [1/(m2 s)], (step,)."""
        return self._sum(band_nm, photons=True)

    def _sum(self, band_nm: BandNm, *, photons: bool) -> Real:
        key = ("total", band_nm, photons)
        if key not in self._cache:
            factors = [lambda x: x / PHOTON_J_NM] if photons else []
            weights = nodal_weights(self.wavelength_nm, *self.within(band_nm), [], factors)
            self._cache[key] = self.direct @ weights + self.sky @ weights + self.ground @ weights
        return np.asarray(self._cache[key])

    def direct_share(self, band_nm: BandNm) -> float:
        """Share of the year's irradiance in a band that comes from the sun's direction."""
        weights = nodal_weights(self.wavelength_nm, *self.within(band_nm), [], [])
        direct = float((self.direct @ weights).sum())
        total = direct + float(((self.sky + self.ground) @ weights).sum())
        return direct / total if total > 0 else float("nan")

    def monthly(self, rate: Real) -> Real:
        """Sum of a rate over the time in each month, (12,)."""
        return np.asarray(np.bincount(self.month, rate, minlength=12) * self.step_s, dtype=float)

    def to_frame(self) -> pd.DataFrame:
        """One row per step: time, angles, irradiance in 300-400 and 400-700 nm."""
        import pandas as pd

        columns: dict[str, Any] = {
            "time_utc": pd.DatetimeIndex(self.time.astype("datetime64[ns]"), tz="UTC"),
            "apparent_zenith_deg": self.zenith_deg,
            "azimuth_deg": self.azimuth_deg,
            "aoi_deg": self.aoi_deg,
        }
        for band in ((300.0, 400.0), (400.0, 700.0)):
            if band[1] <= self.range_nm[1]:
                columns[f"irradiance_{band_key(band)}_nm_w_m2"] = self.irradiance_w_m2(band)
        return pd.DataFrame(columns)

    def plot(self, ax: Any = None, band_nm: BandNm = (300.0, 400.0)) -> Any:
        """Radiant exposure of each month in a band, split by where it comes from."""
        ax = axes(ax)
        weights = nodal_weights(self.wavelength_nm, *self.within(band_nm), [], [])
        base = np.zeros(12)
        for label in ("direct", "sky", "ground"):
            part = self.monthly(getattr(self, label) @ weights) / J_PER_KWH
            ax.bar(np.arange(1, 13), part, bottom=base, label=label)
            base = base + part
        ax.set_xlabel("month")
        ax.set_ylabel(f"radiant exposure in {band_key(self.within(band_nm))} nm (kWh/m²)")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def site_light(
    site: Site,
    *,
    year: int = 2023,
    step_h: float = 1.0,
    climate: Climate | None = None,
    range_nm: BandNm = RANGE_NM,
    cloud_exponent: float = UV_EXPONENT,
) -> SiteLight:
    """The light of a year in the plane of a site.

    Parameters
    ----------
    site : Site
    year : int
        Without climate data: the calendar year in the site's time zone.
    step_h : float [h]
        Without climate data; a part of a day without remainder, at most 1 h.
    climate : Climate, optional
        Its times and steps are used. None: a clear sky all year, an upper limit.
    range_nm : (float, float) [nm]
        300 to 4000 at most.
    cloud_exponent : float
        UV factor of clouds = (factor for total light) ** exponent, where no UV was measured.

    Raises
    ------
    OptistackError
        A step, year or range that makes no sense; climate data that do not fit the site.

    Examples
    --------
    >>> light = site_light(Site("equator", 0.0, 0.0), step_h=1.0)
    >>> len(light.time), light.range_nm
    (8760, (300.0, 710.0))
    """
    low, high = float(range_nm[0]), float(range_nm[1])
    if not SHORTEST_NM <= low < high <= 4000:
        raise OptistackError(
            f"site {site.name}: range_nm {low:g}-{high:g} must lie within 300-4000 nm, where the "
            "clear-sky model has light"
        )
    require_pvlib()
    if climate is None:
        time = year_steps(site, year, step_h)
    else:
        time, step_h = climate.time, climate.step_h
    path, up, lit, sky = clear_steps(site, time, step_h)
    share = lit.lit_share[:, None]
    notes = _notes(site, climate)
    factors: Clouds | None = None
    if climate is not None:
        factors = clouds_over(site, climate, path, up, sky, cloud_exponent)
        notes += factors.notes
    keep = slice(
        int(np.searchsorted(sky.wavelength_nm, low, side="right")) - 1,
        int(np.searchsorted(sky.wavelength_nm, high)) + 1,
    )

    def full(part: Real) -> Real:
        out = np.zeros((time.size, part.shape[1]))
        out[up] = part * share
        return out

    def under(clouds: Clouds | None) -> tuple[Real, Real, Real]:
        direct, even, ground = in_plane(site, lit, sky, clouds, keep)
        return full(direct), full(even), full(ground)

    light = SiteLight(
        site,
        time.copy(),
        float(step_h),
        sky.wavelength_nm[keep].copy(),
        *under(factors),
        aoi_deg=path.aoi_deg,
        zenith_deg=path.apparent_zenith_deg,
        azimuth_deg=path.azimuth_deg,
        lit_share=path.lit_share,
        month=local_month(site, time),
        climate=None if climate is None else climate.name,
        temperature_c=None if climate is None else climate.temperature_c,
        notes=notes,
    )
    if climate is None or factors is None or climate.uv_w_m2 is not None:
        return light
    variants = []
    for end in UV_EXPONENT_RANGE:
        direct, even, ground = under(factors.with_exponent(end))
        variants.append(
            replace(light, direct=direct, sky=even, ground=ground, cloud_exponent=end, _cache={})
        )
    return replace(light, cloud_exponent=cloud_exponent, variants=tuple(variants))


def in_plane(
    site: Site, path: SunPath, sky: ClearSky, clouds: Clouds | None, keep: slice
) -> tuple[Real, Real, Real]:
    """Direct, sky and ground light in the plane for the steps of ``path`` [W/(m2 nm)].

    The sky light is split by J. E. Hay and J. A. Davies (1980), as in the clear-sky model: the
    share beam / extraterrestrial of it comes from around the sun, the rest is isotropic.
    """
    beam, diffuse = sky.beam[:, keep], sky.diffuse[:, keep]
    if clouds is not None:
        beam, diffuse = clouds.apply(beam, diffuse, sky.wavelength_nm[keep], path)
    cos_zenith = np.cos(np.radians(path.apparent_zenith_deg))[:, None]
    cos_aoi = np.maximum(np.cos(np.radians(path.aoi_deg)), 0.0)[:, None]
    around = np.minimum(beam / sky.extraterrestrial[:, keep], 1.0)
    horizontal = beam * cos_zenith + diffuse
    hidden = path.apparent_zenith_deg > 90 - site.horizon_deg(path.azimuth_deg)
    seen = np.where(hidden, 0.0, 1.0)[:, None]
    direct = seen * cos_aoi * (beam + diffuse * around / np.maximum(cos_zenith, _LEAST_COSINE))
    even = diffuse * (1 - around) * ((1 - site.ground_view) * site.open_sky())
    ground = horizontal * (ground_reflectance(site)[keep] * site.ground_view)
    return direct, even, ground


def year_steps(site: Site, year: int, step_h: float) -> Time:
    """Middles of the steps of a calendar year in the site's time zone, UTC."""
    steps_per_day = 24.0 / step_h if step_h > 0 else 0.0
    if not (SHORTEST_STEP_H <= step_h <= 1 and abs(steps_per_day - round(steps_per_day)) < 1e-9):
        raise OptistackError(
            f"site {site.name}: step_h {step_h} must divide a day without remainder and lie "
            f"between {SHORTEST_STEP_H:g} and 1 h"
        )
    if not 1950 <= year <= 2100:
        raise OptistackError(f"site {site.name}: year {year} must lie between 1950 and 2100")
    zone = site.zone()
    first, after = (
        np.datetime64(round(datetime(y, 1, 1, tzinfo=zone).timestamp() * 1000), "ms")
        for y in (year, year + 1)
    )
    step_ms = round(step_h * 3.6e6)
    count = round((after - first) / np.timedelta64(step_ms, "ms"))
    return first + (np.arange(count) * step_ms + step_ms // 2).astype("timedelta64[ms]")


def local_month(site: Site, time: Time) -> NDArray[np.intp]:
    """Month of each time in the site's time zone, 0 to 11."""
    import pandas as pd

    index = pd.DatetimeIndex(time.astype("datetime64[ns]"), tz="UTC").tz_convert(site.zone())
    return np.asarray(index.month, dtype=np.intp) - 1


def _notes(site: Site, climate: Climate | None) -> tuple[str, ...]:
    sun = standard_sun()
    below = (280.0, SHORTEST_NM)
    energy = sun.irradiance_w_m2(below) / sun.irradiance_w_m2((280, 400))
    photons = sun.photon_flux_m2_s(below) / sun.photon_flux_m2_s((280, 400))
    b_energy = sun.irradiance_w_m2(below) / sun.irradiance_w_m2((280, 315))
    out = [
        f"site {site.name}: the clear-sky model begins at 300 nm; light below is absent. In the "
        f"standard sun AM1.5G, 280-300 nm holds {100 * energy:.2g} % of the energy and "
        f"{100 * photons:.2g} % of the photons of 280-400 nm, {100 * b_energy:.2g} % of the "
        "energy of 280-315 nm; more under a high sun or little ozone",
        f"site {site.name}: clear-sky spectra after Bird and Riordan 1984, ozone "
        f"{site.ozone_atm_cm:g} atm cm, water {site.precipitable_water_cm:g} cm, aerosol optical "
        f"depth {site.aerosol_turbidity_500nm:g} at 500 nm all year, matched by bands to AM1.5G "
        "(ASTM G173-03)",
        f"site {site.name}: beam and circumsolar light at the sun's angle of incidence; the rest "
        "of the sky light and the light from the ground isotropic over the plane's hemisphere",
    ]
    if climate is None:
        out.append(f"site {site.name}: clear sky all year, an upper limit for most places")
    if site.tilt_deg > 0 and site.ground_reflectance_uv is None:
        out.append(
            f"site {site.name}: ground reflectance {site.ground_reflectance:g} also below 400 nm, "
            "where bare ground and plants reflect less; state ground_reflectance_uv"
        )
    if site.horizon:
        out.append(
            f"site {site.name}: the skyline hides the sun behind it and "
            f"{100 * (1 - site.open_sky()):.2g} % of the isotropic sky light; what hides it counts "
            "as dark"
        )
    if site.timezone == "UTC" and abs(site.longitude_deg) > 30:
        out.append(f"site {site.name}: no time zone given; months are counted in UTC")
    return tuple(out)
