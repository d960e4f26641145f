"""The sun at a place: light of a year in a plane, and what layers absorb of it.

>>> from optistack.analysis.outdoor import Site, site_light
>>> light = site_light(Site("field", 48.0, 11.0, tilt_deg=35.0, azimuth_deg=180.0))
>>> bool(light.direct_share((300, 400)) < light.direct_share((400, 700)))
True
"""

from optistack.analysis.outdoor.climate import Climate
from optistack.analysis.outdoor.dose import SiteDose
from optistack.analysis.outdoor.light import SiteLight, site_light
from optistack.analysis.outdoor.monthly import climate_from_months
from optistack.analysis.outdoor.site import Site
from optistack.analysis.outdoor.weather_files import climate_from_frame, read_climate
from optistack.analysis.outdoor.year import SiteYear, site_year

__all__ = [
    "Climate",
    "Site",
    "SiteDose",
    "SiteLight",
    "SiteYear",
    "climate_from_frame",
    "climate_from_months",
    "read_climate",
    "site_light",
    "site_year",
]
