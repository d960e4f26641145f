"""What clouds take from the clear-sky spectra, less in the ultraviolet than in total light."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.outdoor.site import Site
from optistack.analysis.outdoor.sun import ClearSky, SunPath
from optistack.errors import OptistackError
from optistack.spectral_math import band_key, nodal_weights

if TYPE_CHECKING:
    from optistack.analysis.outdoor.climate import Climate

Real = NDArray[np.float64]

# Factor for 300-400 nm = (factor for total light) ** exponent. In J. A. Martinez-Lozano et al.,
# Int. J. Climatol. 16 (1996) and the Valencia-Cordoba comparison after it (abstract), 290-385 nm
# is 4.9 and 4.2 % of the global irradiance over all skies, 5.6 to 6.8 and 5.1 to 5.5 % under
# clouds (clearness index below 0.4). Against a clear sky near 0.7 that is k ** (exponent - 1) =
# 1.14 to 1.39 at k = 0.4: exponents 0.64 to 0.85.
UV_EXPONENT = 0.75
UV_EXPONENT_RANGE = (0.64, 0.85)
UV_UP_TO_NM = 400.0
# From there on clouds take the same share as of total light; in between the exponent is linear.
NEUTRAL_FROM_NM = 700.0
# Broken clouds may send more than a clear sky. Hourly means above this are cut, with a note.
MOST_ENHANCEMENT = 1.2
# Below this elevation of the sun the ratio to a clear-sky model says little [degree].
_LOW_SUN_DEG = 5.0
_BELOW_HORIZON_DEG = 3.0
_MOST_BELOW_HORIZON = 0.01
_MOST_BRIGHT = 0.05
_MOST_SHIFT_H = 0.4


class Clouds(NamedTuple):
    """Factors of every step with the sun up, (step,).

    Attributes
    ----------
    uv, total : arrays
        Of the global irradiance on the horizontal: up to 400 nm, from 700 nm on.
    beam : array
        Of the beam, the same at all wavelengths.
    notes : tuple of str
    """

    uv: Real
    total: Real
    beam: Real
    notes: tuple[str, ...]

    def with_exponent(self, exponent: float) -> Clouds:
        """With the ultraviolet factor by another exponent of that for total light."""
        return self._replace(uv=np.where(self.total > 0, self.total**exponent, 0.0))

    def apply(
        self, beam: Real, diffuse: Real, wavelength_nm: Real, path: SunPath
    ) -> tuple[Real, Real]:
        """Beam and diffuse light below the clouds.

        The global irradiance takes its factor; the beam its own, as far as the global irradiance
        holds it; the diffuse light is what is left.
        """
        share = np.clip((wavelength_nm - UV_UP_TO_NM) / (NEUTRAL_FROM_NM - UV_UP_TO_NM), 0, 1)
        factor = self.uv[:, None] ** (1 - share) * self.total[:, None] ** share
        cos_zenith = np.cos(np.radians(path.apparent_zenith_deg))[:, None]
        everything = factor * (beam * cos_zenith + diffuse)
        level = np.minimum(self.beam[:, None] * beam * cos_zenith, everything)
        return level / cos_zenith, everything - level


def clouds_over(
    site: Site,
    climate: Climate,
    path: SunPath,
    up: NDArray[np.intp],
    sky: ClearSky,
    exponent: float,
) -> Clouds:
    """Compare measured irradiance with that of the clear sky.

    Parameters
    ----------
    site, climate
    path : SunPath
        Of all steps of the climate data.
    up : (lit step,) array of int
        The steps with the sun up, in the order of ``sky``.
    sky : ClearSky
    exponent : float

    Raises
    ------
    OptistackError
        Light while the sun is down, or far more than a clear sky gives: other times, units or
        another place.
    """
    if not 0 < exponent <= 1:
        raise OptistackError(
            f"site {site.name}: cloud_exponent {exponent} must lie above 0 and not above 1: clouds "
            "take no more from the ultraviolet than from total light"
        )
    name = f"climate {climate.name}"
    _refuse_light_at_night(site, climate, path)
    measured = climate.ghi_w_m2[up]
    known = np.isfinite(measured)
    gaps, gap_notes = _gaps(site, climate, path, up, known)
    cos_zenith = np.cos(np.radians(path.apparent_zenith_deg[up]))
    share = path.lit_share[up]
    every = nodal_weights(sky.wavelength_nm, 300.0, 4000.0, [], [])
    clear_beam = sky.beam @ every
    clear = (clear_beam * cos_zenith + sky.diffuse @ every) * share
    k = np.divide(measured, clear, out=np.ones(clear.size), where=known & (clear > 0))
    notes: list[str] = [*gap_notes]
    high = path.apparent_zenith_deg[up] < 90 - 20
    bright = (k > 1.5) & high & known
    if high.any() and bright.sum() > _MOST_BRIGHT * high.sum():
        raise OptistackError(
            f"{name}: {bright.sum()} of {high.sum()} steps with the sun above 20 degree have more "
            "than 1.5 times the irradiance of a clear sky. Check the unit (W/m2), the time zone, "
            "the stamps (start, middle, end) and the place"
        )
    notes += _shifted(site, climate, up, clear, known)
    over = (k > MOST_ENHANCEMENT) & known
    if over.any():
        cut = float((measured[over] - MOST_ENHANCEMENT * clear[over]).sum())
        notes.append(
            f"{name}: {over.sum()} steps with more than {MOST_ENHANCEMENT:g} times the clear sky "
            f"are cut there, {100 * cut / float(measured[known].sum()):.2g} % of the irradiance; "
            "most lie near sunrise and sunset"
        )
    k = np.minimum(k, MOST_ENHANCEMENT)
    uv = k**exponent
    if climate.uv_w_m2 is not None:
        uv, more = _measured_uv(climate, up, sky, cos_zenith, share, uv)
        notes += more
    else:
        notes.append(
            f"{name}: clouds take less in 300-400 nm than in total light: factor = (factor for "
            f"total light) ** {exponent:g}; published shares of 290-385 nm under clouds give "
            f"exponents {UV_EXPONENT_RANGE[0]:g} to {UV_EXPONENT_RANGE[1]:g}"
        )
    beam, text = _beam_factor(climate, up, path, clear_beam, k)
    notes.append(text)
    if climate.missing == "leave_out":
        uv, k, beam = (np.where(gaps, 0.0, values) for values in (uv, k, beam))
    return Clouds(uv, k, beam, (*climate.notes, *_place(site, climate), *notes))


def _gaps(
    site: Site, climate: Climate, path: SunPath, up: NDArray[np.intp], known: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
    """Steps with the sun up and no value, and what is done about them."""
    gaps = ~known
    if not gaps.any():
        return gaps, ()
    missing = climate.time[up[gaps]]
    if climate.missing == "refuse":
        first = ", ".join(str(t)[:16] for t in missing[:5])
        raise OptistackError(
            f"climate {climate.name}: no irradiance in {missing.size} of {up.size} steps with the "
            f"sun up at {site.name}; the first, in UTC: {first}. Fill them, or state missing = "
            '"leave_out" (they count as dark) or "clear_sky"'
        )
    cos_zenith = np.cos(np.radians(path.apparent_zenith_deg[up])) * path.lit_share[up]
    share = 100 * float(cos_zenith[gaps].sum() / cos_zenith.sum())
    how = "count as dark" if climate.missing == "leave_out" else "are taken as clear sky"
    return gaps, (
        f"climate {climate.name}: {missing.size} of {up.size} steps with the sun up have no value "
        f"and {how}; {share:.2g} % of the year's sun by its height",
    )


def _refuse_light_at_night(site: Site, climate: Climate, path: SunPath) -> None:
    measured = np.nan_to_num(climate.ghi_w_m2)
    total = float(measured.sum())
    if total <= 0:
        raise OptistackError(f"climate {climate.name}: no irradiance at all")
    down = (path.lit_share == 0) & (path.apparent_zenith_deg > 90 + _BELOW_HORIZON_DEG)
    night = float(measured[down].sum()) / total
    if night > _MOST_BELOW_HORIZON:
        raise OptistackError(
            f"climate {climate.name}: {100 * night:.2g} % of the irradiance comes while the sun is "
            f"more than {_BELOW_HORIZON_DEG:g} degree below the horizon of {site.name}. Check the "
            "time zone, summer time, the stamps (start, middle, end) and the sign of the longitude"
        )


def _shifted(
    site: Site, climate: Climate, up: NDArray[np.intp], clear: Real, known: NDArray[np.bool_]
) -> list[str]:
    """Whether the middle of the day's light lies elsewhere than that of the clear sky."""
    day = climate.time[up] - climate.time[up].astype("datetime64[D]")
    solar = day / np.timedelta64(3600000, "ms") + site.longitude_deg / 15
    from_noon = (solar % 24) - 12
    measured = np.where(known, climate.ghi_w_m2[up], 0.0)
    expected = np.where(known, clear, 0.0)
    late = float((measured @ from_noon) / measured.sum() - (expected @ from_noon) / expected.sum())
    if abs(late) <= _MOST_SHIFT_H:
        return []
    way = "later" if late > 0 else "earlier"
    return [
        f"climate {climate.name}: its light comes {abs(late):.1f} h {way} in the day than that of "
        "the sun; check time zone, summer time and stamps unless mornings and afternoons differ"
    ]


def _place(site: Site, climate: Climate) -> tuple[str, ...]:
    out = []
    for name, here, there in (
        ("latitude", site.latitude_deg, climate.latitude_deg),
        ("longitude", site.longitude_deg, climate.longitude_deg),
    ):
        if there is not None and abs(here - there) > 0.5:
            out.append(
                f"climate {climate.name}: its {name} {there:g} is not that of site {site.name}, "
                f"{here:g}"
            )
    return tuple(out)


def _measured_uv(
    climate: Climate,
    up: NDArray[np.intp],
    sky: ClearSky,
    cos_zenith: Real,
    share: Real,
    otherwise: Real,
) -> tuple[Real, list[str]]:
    """Factor of the ultraviolet from its own column, where that has a value."""
    band = climate.uv_band_nm
    if climate.uv_w_m2 is None or band is None:
        raise OptistackError(f"climate {climate.name}: no measured UV")
    weights = nodal_weights(sky.wavelength_nm, max(band[0], 300.0), band[1], [], [])
    clear = ((sky.beam @ weights) * cos_zenith + sky.diffuse @ weights) * share
    measured = climate.uv_w_m2[up]
    known = np.isfinite(measured) & (clear > 0)
    factor = np.divide(measured, clear, out=otherwise.copy(), where=known)
    over = (factor > MOST_ENHANCEMENT) & known
    mean = float(measured[known].sum() / clear[known].sum())
    notes = [
        f"climate {climate.name}: scaled to the UV measured in {band_key(band)} nm, "
        f"{mean:.3g} times the clear sky over the whole record"
    ]
    if band[0] < 300:
        notes.append(
            f"climate {climate.name}: the UV column reaches below 300 nm, the model does not; it "
            "is compared with the model from 300 nm on"
        )
    if not known.all():
        notes.append(
            f"climate {climate.name}: {int((~known).sum())} steps with the sun up have no measured "
            "UV; there the factor for total light serves, with its exponent"
        )
    if over.any():
        cut = float((measured[over] - MOST_ENHANCEMENT * clear[over]).sum())
        notes.append(
            f"climate {climate.name}: UV above {MOST_ENHANCEMENT:g} times the clear sky in "
            f"{over.sum()} steps is cut there, {100 * cut / float(measured[known].sum()):.2g} % "
            "of it"
        )
    return np.minimum(factor, MOST_ENHANCEMENT), notes


def _beam_factor(
    climate: Climate, up: NDArray[np.intp], path: SunPath, clear_beam: Real, k: Real
) -> tuple[Real, str]:
    """Share of the clear beam that passes the clouds; drops are large, so all wavelengths alike.

    From direct normal irradiance, else from what the diffuse leaves of the global, else split by a
    published correlation; step by step, as the columns have values.
    """
    from pvlib.irradiance import erbs

    zenith, share = path.apparent_zenith_deg[up], path.lit_share[up]
    cos_zenith = np.cos(np.radians(zenith))
    # While the sun is up, as the correlation and the clear beam mean it.
    ghi = np.nan_to_num(climate.ghi_w_m2[up]) / share
    split = np.asarray(erbs(ghi, zenith, path.day_of_year[up])["dni"], dtype=float)
    low = zenith > 90 - _LOW_SUN_DEG
    beam = np.where(low, np.minimum(split, k * clear_beam), split)
    counts = {"after Erbs, Klein and Duffie, Solar Energy 28 (1982) 293": up.size}
    for column, how in (
        (climate.dhi_w_m2, "as global less diffuse"),
        (climate.dni_w_m2, "from its own column"),
    ):
        if column is None:
            continue
        measured = column[up] / share
        if how.startswith("as"):
            measured = np.maximum(ghi - measured, 0.0) / cos_zenith
        known = np.isfinite(measured)
        beam = np.where(known, measured, beam)
        counts = {other: n - int(known.sum()) for other, n in counts.items()}
        counts[how] = int(known.sum())
    said = [f"{how} in {n} steps" for how, n in counts.items() if n > 0]
    factor = np.divide(beam, clear_beam, out=np.minimum(k, 1.0), where=clear_beam > 0)
    text = f"climate {climate.name}: direct light {', '.join(said)} with the sun up"
    return np.minimum(factor, MOST_ENHANCEMENT), text
