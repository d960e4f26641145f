"""A place under the sky and the plane that stands there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass
from datetime import tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError

Real = NDArray[np.float64]

# Directions over which the sky that a horizon leaves open is added up.
_AZIMUTHS, _ELEVATIONS = 360, 1800


@dataclass(frozen=True)
class Site:
    """Where a plane stands, how it stands, and the clear air above it.

    Parameters
    ----------
    name : str
    latitude_deg, longitude_deg : float [degree]
        North and east are positive.
    altitude_m : float [m]
        Sets the pressure, unless ``pressure_pa`` is given.
    timezone : str
        IANA name, for example "Europe/Oslo": local times are read and months counted in it.
    tilt_deg : float [degree]
        0 is horizontal, 90 upright.
    azimuth_deg : float, optional [degree]
        Where the plane faces: north 0, east 90, south 180. A tilted plane needs it; it is not
        guessed from the hemisphere.
    ground_reflectance : float
        Of the ground, at all wavelengths, or above 400 nm where ``ground_reflectance_uv`` is given.
    ground_reflectance_uv : float, optional
        Up to 400 nm.
    horizon : sequence of (azimuth_deg, elevation_deg)
        Skyline seen from the plane, linear between its points and closed over north; one point is
        the same elevation all around.
    ozone_atm_cm : float [atm cm]
        0.3 is 300 Dobson units.
    precipitable_water_cm : float [cm]
    aerosol_turbidity_500nm : float
        Aerosol optical depth at 500 nm.
    pressure_pa : float, optional [Pa]

    Raises
    ------
    OptistackError
        A value outside its range, a tilted plane without azimuth, an unknown time zone.

    Examples
    --------
    >>> Site("field", 48.0, 11.0, altitude_m=500.0, tilt_deg=35.0, azimuth_deg=180.0).name
    'field'
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    _: KW_ONLY
    altitude_m: float = 0.0
    timezone: str = "UTC"
    tilt_deg: float = 0.0
    azimuth_deg: float | None = None
    ground_reflectance: float = 0.2
    ground_reflectance_uv: float | None = None
    horizon: tuple[tuple[float, float], ...] = ()
    ozone_atm_cm: float = 0.3
    precipitable_water_cm: float = 1.5
    aerosol_turbidity_500nm: float = 0.1
    pressure_pa: float | None = None

    def __post_init__(self) -> None:
        for field, low, high in (
            ("latitude_deg", -90.0, 90.0),
            ("longitude_deg", -180.0, 180.0),
            ("altitude_m", -450.0, 9000.0),
            ("tilt_deg", 0.0, 90.0),
            ("azimuth_deg", 0.0, 360.0),
            ("ground_reflectance", 0.0, 1.0),
            ("ground_reflectance_uv", 0.0, 1.0),
            ("ozone_atm_cm", 0.05, 0.7),
            ("precipitable_water_cm", 0.0, 10.0),
            ("aerosol_turbidity_500nm", 0.0, 3.0),
            ("pressure_pa", 2.5e4, 1.2e5),
        ):
            value = getattr(self, field)
            if value is None:
                continue
            if not low <= value <= high:
                raise OptistackError(
                    f"site {self.name}: {field} {value} must lie between {low:g} and {high:g}"
                )
            object.__setattr__(self, field, float(value))
        if self.azimuth_deg is None and self.tilt_deg > 0:
            raise OptistackError(
                f"site {self.name}: a plane tilted by {self.tilt_deg:g} degree needs azimuth_deg "
                "(north 0, east 90, south 180, west 270)"
            )
        object.__setattr__(self, "horizon", _checked_horizon(self.name, self.horizon))
        self.zone()

    def zone(self) -> tzinfo:
        """The time zone.

        Raises
        ------
        OptistackError
            A name that the time-zone database does not have.
        """
        try:
            return ZoneInfo(self.timezone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise OptistackError(
                f"site {self.name}: unknown time zone {self.timezone!r}; give an IANA name such as "
                '"Europe/Oslo" or "UTC" (the package tzdata holds them where the system does not)'
            ) from None

    @property
    def plane_azimuth_deg(self) -> float:
        """Azimuth of the plane [degree]; without a meaning for a horizontal one."""
        return 0.0 if self.azimuth_deg is None else self.azimuth_deg

    @property
    def ground_view(self) -> float:
        """Share of the plane's hemisphere, by cosine, that is ground below the horizontal."""
        return float((1 - np.cos(np.radians(self.tilt_deg))) / 2)

    def horizon_deg(self, azimuth_deg: ArrayLike) -> Real:
        """Elevation of the skyline at azimuths [degree].

        Examples
        --------
        >>> hill = Site("yard", 48.0, 11.0, horizon=((90, 20), (180, 0), (270, 10)))
        >>> print(hill.horizon_deg([90, 135, 0]))
        [20. 10. 15.]
        """
        at = np.asarray(azimuth_deg, dtype=float)
        if not self.horizon:
            return np.zeros(at.shape)
        azimuth, elevation = np.array(self.horizon).T
        return np.asarray(np.interp(at, azimuth, elevation, period=360.0))

    def open_sky(self) -> float:
        """Share of the isotropic sky light in the plane that the skyline lets through.

        The sky is added up by direction, with the cosine to the plane; what the skyline hides
        counts as dark.

        Examples
        --------
        >>> walled = Site("yard", 48.0, 11.0, horizon=((0, 30),))
        >>> round(walled.open_sky(), 4)  # cos^2(30 degree) on a horizontal plane
        0.75
        """
        if not self.horizon:
            return 1.0
        azimuth = (np.arange(_AZIMUTHS) + 0.5) * (360.0 / _AZIMUTHS)
        edges = np.linspace(0.0, 90.0, _ELEVATIONS + 1)
        skyline = self.horizon_deg(azimuth)[:, None]
        low, high = np.maximum(edges[:-1], skyline), np.maximum(edges[1:], skyline)
        tilt = np.radians(self.tilt_deg)
        turn = np.cos(np.radians(azimuth - self.plane_azimuth_deg))[:, None]

        def lit(lower: Real, upper: Real) -> float:
            middle = np.radians((lower + upper) / 2)
            cosine = np.cos(tilt) * np.sin(middle) + np.sin(tilt) * np.cos(middle) * turn
            solid = np.sin(np.radians(upper)) - np.sin(np.radians(lower))
            return float((np.maximum(cosine, 0.0) * solid).sum())

        everything = lit(edges[None, :-1] + 0 * skyline, edges[None, 1:] + 0 * skyline)
        return lit(low, high) / everything


def _checked_horizon(
    name: str, horizon: Sequence[tuple[float, float]]
) -> tuple[tuple[float, float], ...]:
    out = []
    for point in horizon:
        if len(point) != 2:
            raise OptistackError(
                f"site {name}: a point of the horizon is (azimuth_deg, elevation_deg), not {point}"
            )
        azimuth, elevation = float(point[0]), float(point[1])
        if not (0 <= azimuth <= 360 and 0 <= elevation < 90):
            raise OptistackError(
                f"site {name}: horizon ({azimuth:g}, {elevation:g}): the azimuth lies between 0 "
                "and 360 degree, the elevation from 0 up to 90 degree"
            )
        out.append((azimuth % 360.0, elevation))
    out.sort()
    for first, second in zip(out, out[1:], strict=False):
        if first[0] == second[0]:
            raise OptistackError(
                f"site {name}: two points of the horizon at azimuth {first[0]:g} degree"
            )
    return tuple(out)
