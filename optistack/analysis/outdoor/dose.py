"""What one layer receives and absorbs in a year at a site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.outdoor.light import SiteLight
from optistack.errors import OptistackError
from optistack.plot_axes import axes
from optistack.spectra import BandNm, Weight
from optistack.spectral_math import J_PER_KWH, band_key
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

J_PER_MJ = 1e6


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
    _ranges: Mapping[str, Value] = field(default_factory=dict, repr=False)

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

    def dose_range_m2(self, key: str) -> Value:
        """The same with its range over the cloud exponents [1/m2]."""
        return self._ranges[self._known(key)]

    def dose_m3(self, key: str) -> float:
        """The same per volume of the layer [1/m3]."""
        return self.dose_m2(key) * (1e9 / self._thickness())

    def incident_range_j_m2(self, band: str) -> Value:
        """Incident energy of the year in a band with its range over the cloud exponents [J/m2]."""
        limits = self._band(band)
        every = (self.light, *self.light.variants)
        return Value.of([x.irradiance_w_m2(limits).sum() * x.step_s for x in every])

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
        other than 1. A step in which the sun rises or sets counts for its lit part, steps without
        light count nothing, whatever p.

        Raises
        ------
        OptistackError
            An exponent that is not positive.
        """
        if not (np.isfinite(exponent) and exponent > 0):
            raise OptistackError(f"exponent {exponent} must be positive")
        q = self.rate_m3_s(key) if per_volume else self.rate_m2_s(key)
        lit = (q > 0) & (self.lit_share > 0)
        share = self.lit_share[lit]
        return float(((q[lit] / share) ** exponent @ share) * self.light.step_s)

    @property
    def lit_share(self) -> Real:
        """Part of each step with the sun up, (step,)."""
        return self.light.lit_share

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
            rate, span = self.am15g_rate_m2_s[key], self.dose_range_m2(key)
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
                        "absorbed_photons_m2_low": span.low if month == 0 else np.nan,
                        "absorbed_photons_m2_high": span.high if month == 0 else np.nan,
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
