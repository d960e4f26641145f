"""The site of a scenario: where the device stands, and what it absorbs there in a year."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from optistack.errors import OptistackError, ScenarioError
from optistack.exposure import Exposure, MountedFilter
from optistack.light_paths import Geometry
from optistack.scenario.ingredients import Ingredients
from optistack.scenario.question import Question
from optistack.scenario.section import Section, checked_number
from optistack.series_file import header_lines
from optistack.spectra import Weight, spectrum
from optistack.tables import read_text

# The analysis loads pvlib and pandas: only where a scenario has a site.
if TYPE_CHECKING:
    from optistack.analysis.outdoor import Climate, Site, SiteDose, SiteLight, SiteYear

# An ordinary year, not a leap year.
_YEAR = 2023
_CLIMATE_KINDS = ("epw", "tmy3", "pvgis", "csv")
_STAMPS = ("start", "middle", "end")
_MISSING = ("refuse", "leave_out", "clear_sky")


@dataclass(frozen=True, eq=False)
class SiteQuestion:
    """Where the device stands, and what is asked there.

    Attributes
    ----------
    site : Site
    year : int
    step_h : float [h]
        Both where there is no climate, which has its own.
    climate : Climate or None
        None: a year without clouds.
    pair : (coupon exposure, device exposure)
        Their stacks and filters stand at the site.
    filters : tuple of MountedFilter
        Each on the device, besides the device as it is.
    """

    site: Site
    year: int
    step_h: float
    climate: Climate | None
    pair: tuple[str, str]
    filters: tuple[MountedFilter, ...]

    def assumptions(self) -> tuple[str, ...]:
        """What is taken for granted, before anything is computed."""
        out = ["light below 300 nm is absent: the clear-sky model begins there"]
        if self.climate is None:
            out.append("no climate: a clear sky all year, an upper limit for most places")
        elif self.climate.uv_w_m2 is None:
            out.append(
                "no measured ultraviolet: clouds take less of it than of total light, by a "
                "published relation"
            )
        return tuple(out)


@dataclass(frozen=True, eq=False)
class SiteAnswer:
    """A year at the site.

    Attributes
    ----------
    question : SiteQuestion
    light : SiteLight
    year : SiteYear
        Doses by the names below.
    coupon, device : str
    filters : mapping of str to MountedFilter
        The device behind each, by its name in ``year``.
    refused : tuple of str
        Filters that cannot stand before the device, and why.
    notes : tuple of str
    """

    question: SiteQuestion
    light: SiteLight
    year: SiteYear
    coupon: str
    device: str
    filters: Mapping[str, MountedFilter]
    refused: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def coupon_dose(self) -> SiteDose:
        """A year of the coupon."""
        return self.year.doses[self.coupon]

    @property
    def device_dose(self) -> SiteDose:
        """A year of the device."""
        return self.year.doses[self.device]


class SiteReader(Ingredients):
    """Reads the section ``[site]``."""

    def _site(self, section: Section, question: Question) -> SiteQuestion:
        from optistack.analysis.outdoor import Site

        azimuth = section.number("azimuth_deg", None)
        site = Site(
            section.text("name"),
            section.number("latitude_deg"),
            section.number("longitude_deg"),
            altitude_m=section.number("altitude_m", 0.0),
            timezone=section.text("timezone", "UTC"),
            tilt_deg=section.number("tilt_deg", 0.0),
            azimuth_deg=azimuth,
            ground_reflectance=section.number("ground_reflectance", 0.2),
            ground_reflectance_uv=section.number("ground_reflectance_uv", None),
            horizon=_horizon(section),
            ozone_atm_cm=section.number("ozone_atm_cm", 0.3),
            precipitable_water_cm=section.number("precipitable_water_cm", 1.5),
            aerosol_turbidity_500nm=section.number("aerosol_turbidity_500nm", 0.1),
        )
        given = section.section("climate", None)
        climate = None
        if given is not None and "monthly_ghi_kwh_m2" in given:
            climate = self._within(given, partial(_monthly, site))
        elif given is not None:
            climate = self._within(given, self._climate)
        pair = self._at_site(section, question)
        filters = question.candidates
        if "filters" in section:
            filters = self._mounted(section, "filters")
        return SiteQuestion(
            site,
            section.integer("year", _YEAR, low=1950),
            section.number("step_h", 1.0, above=0.0, high=1.0),
            climate,
            pair,
            filters,
        )

    def _climate(self, section: Section) -> Climate:
        from optistack.analysis.outdoor import read_climate

        name = section.text("file")
        path = self._file(name, section.key_path("file"))
        climate = read_climate(
            path,
            kind=section.choice("kind", _CLIMATE_KINDS, None),
            timezone=section.text("timezone", None),
            stamp=section.choice("stamp", _STAMPS, None),
            uv_band_nm=section.band("uv_band_nm", None),
            year=section.integer("year", None, low=1950),
            missing=section.choice("missing", _MISSING, "refuse"),
        )
        text, digest = read_text(path)
        self._note_measurement("climate", name, digest, header_lines(text))
        return climate

    def _at_site(self, section: Section, question: Question) -> tuple[str, str]:
        """Which coupon and device stand there: those of a comparison under the sun by default."""
        suns = tuple(
            pair
            for pair in question.pairs
            if all(self.exposures[name].light.kind == "standard" for name in pair)
        )
        usual = suns or question.pairs
        first: tuple[str | None, str | None] = usual[0] if usual else (None, None)
        names = []
        for key, default, layer in (
            ("coupon", first[0], question.coupon_layer),
            ("device", first[1], question.layer),
        ):
            name = section.text(key, default)
            if name is None:
                raise ScenarioError(
                    "is missing: name an exposure whose stack stands at the site",
                    section.key_path(key),
                )
            names.append(self._exposure_with(layer, name, section.key_path(key)))
        return names[0], names[1]


def _monthly(site: Site, section: Section) -> Climate:
    from optistack.analysis.outdoor import climate_from_months

    return climate_from_months(site, section.numbers("monthly_ghi_kwh_m2", count=12))


def _horizon(section: Section) -> tuple[tuple[float, float], ...]:
    """Points [azimuth, elevation] of the skyline."""
    value = section.take("horizon", [])
    path = section.key_path("horizon")
    if not isinstance(value, list):
        raise ScenarioError("must be a list of points [azimuth, elevation] in degree", path)
    out = []
    for i, point in enumerate(value):
        if not isinstance(point, list) or len(point) != 2:
            raise ScenarioError("must be a point [azimuth, elevation] in degree", f"{path}[{i}]")
        azimuth, elevation = (checked_number(x, f"{path}[{i}]") for x in point)
        out.append((azimuth, elevation))
    return tuple(out)


def answer_site(
    question: SiteQuestion,
    asked: Question,
    exposures: Mapping[str, Exposure],
    weights: Sequence[Weight],
) -> SiteAnswer:
    """A year of coupon, device, and device behind each filter at the site.

    Parameters
    ----------
    question : SiteQuestion
    asked : Question
    exposures : mapping of str to Exposure
    weights : sequence of Weight
        Those of the question and any that was measured.
    """
    from optistack.analysis.outdoor import site_light, site_year

    longest = max(
        700.0,  # what warms the film is judged by its visible light
        *(band[1] for band in asked.bands_nm),
        *(weight.band_nm[1] for weight in weights),
    )
    light = site_light(
        question.site,
        year=question.year,
        step_h=question.step_h,
        climate=question.climate,
        range_nm=(300.0, longest),
    )
    notes: list[str] = []
    coupon, device = (_outdoors(exposures[name], notes) for name in question.pair)
    stand = {coupon.name: coupon, device.name: device}
    layers = {coupon.name: asked.coupon_layer, device.name: asked.layer}
    filters: dict[str, MountedFilter] = {}
    refused = []
    for item in question.filters:
        # One filter may stand in more than one place.
        place = item.mount if item.layer is None else f"{item.mount}, {item.layer}"
        name = f"{device.name} behind {item.item.name} ({place})"
        try:
            behind = replace(device, name=name).with_filters((item, *device.filters))
        except OptistackError as error:
            refused.append(f"filter {item.item.name} ({item.mount}) is not at the site: {error}")
            continue
        stand[name], layers[name], filters[name] = behind, asked.layer, item
    year = site_year(light, stand, layers, bands_nm=asked.bands_nm, weights=weights)
    return SiteAnswer(
        question,
        light,
        year,
        coupon.name,
        device.name,
        filters,
        tuple(refused),
        tuple(dict.fromkeys((*notes, *refused, *year.notes))),
    )


def _outdoors(exposure: Exposure, notes: list[str]) -> Exposure:
    """An exposure as it stands at the site: what belongs to a chamber is left behind."""
    geometry = exposure.geometry
    sun = exposure.light.kind == "standard"
    if not sun and (geometry.rear_share > 0 or geometry.holder is not None):
        notes.append(
            f"{exposure.name}: light on the rear and holder belong to the lamp chamber and are not "
            "at the site"
        )
    return replace(
        exposure,
        light=spectrum("am15g"),
        geometry=Geometry(lit_from=geometry.lit_from, holder=geometry.holder if sun else None),
        hours=0.0,
    )
