"""What the dose of the module test's preconditioning means for one layer."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from optistack.criteria import Criterion, SiteDose, lamp_rate, year_amount
from optistack.errors import TableError
from optistack.exposure import ExposureResult
from optistack.spectra import BandNm
from optistack.spectral_math import J_PER_KWH, band_key
from optistack.tables import data_folder, read_text
from optistack.value import Value

_KEYS = {
    "dose_kwh_m2": "total_uv_dose_kWh_m2",
    "short_share_percent": "uvb_280_320_share_percent",
    "months": "outdoor_equivalent_months",
    "band_nm": "band_nm",
    "most_w_m2": "max_irradiance_W_m2",
    "module_temperature_c": "module_temperature_C",
}
SHORT_BAND_NM: BandNm = (280.0, 320.0)


@dataclass(frozen=True)
class QualificationTest:
    """The preconditioning of IEC 61215 (MQT 10), as far as it is known here.

    Attributes
    ----------
    dose_kwh_m2 : float [kWh/m2]
        In ``band_nm``.
    short_share_percent : (float, float) [%]
        Of it in 280-320 nm.
    months : float
        Outdoors, as published for the whole dose.
    band_nm : (float, float) [nm]
    most_w_m2 : float [W/m2]
    module_temperature_c : (float, float) [degree Celsius]
    marks : mapping of attribute to str
        "read ..." with its source, or "memory ...".
    """

    dose_kwh_m2: float
    short_share_percent: tuple[float, float]
    months: float
    band_nm: BandNm
    most_w_m2: float
    module_temperature_c: tuple[float, float]
    marks: Mapping[str, str]

    @property
    def dose_j_m2(self) -> float:
        """Radiant exposure [J/m2]."""
        return self.dose_kwh_m2 * J_PER_KWH

    def sentences(self) -> tuple[str, ...]:
        """The conditions, each with its mark."""
        m = self.marks
        low, high = self.short_share_percent
        return (
            f"{self.dose_kwh_m2:g} kWh/m2 [{m['dose_kwh_m2']}] in {band_key(self.band_nm)} nm "
            f"[{m['band_nm']}], {low:g} to {high:g} % of it in {band_key(SHORT_BAND_NM)} nm "
            f"[{m['short_share_percent']}]",
            f"at most {self.most_w_m2:g} W/m2 [{m['most_w_m2']}], so at least "
            f"{1e3 * self.dose_kwh_m2 / self.most_w_m2:g} h; module at "
            f"{self.module_temperature_c[0]:g} to {self.module_temperature_c[1]:g} C "
            f"[{m['module_temperature_c']}]",
            f"published as equal to {self.months:g} months outdoors [{m['months']}]",
        )


def qualification_test() -> QualificationTest:
    """The conditions in shared/reference/iec_uv_tests.toml with their marks.

    Examples
    --------
    >>> test = qualification_test()
    >>> print(test.dose_kwh_m2, test.marks["band_nm"])
    15.0 from memory, unverified
    """
    return _read(data_folder("shared") / "reference" / "iec_uv_tests.toml")


@lru_cache(maxsize=2)
def _read(path: Path) -> QualificationTest:
    text, _ = read_text(path)
    kept: dict[str, Any] = tomllib.loads(text).get("iec_61215_mqt10", {})
    missing = [key for key in _KEYS.values() if key not in kept]
    if missing:
        raise TableError(f"iec_61215_mqt10: {missing[0]} is missing", path)
    marks = {}
    for name, key in _KEYS.items():
        found = re.search(rf"^{key}\s*=[^#\n]*#\s*(.+)$", text, re.MULTILINE)
        mark = found[1].strip() if found else "no source"
        marks[name] = re.sub(r"^memory\b", "from memory, unverified", mark).split(" (about")[0]
    marks = {n: re.sub(r"^(from memory, unverified) \(.*", r"\1", m) for n, m in marks.items()}

    def pair(key: str) -> tuple[float, float]:
        low, high = kept[key]
        return float(low), float(high)

    return QualificationTest(
        dose_kwh_m2=float(kept[_KEYS["dose_kwh_m2"]]),
        short_share_percent=pair(_KEYS["short_share_percent"]),
        months=float(kept[_KEYS["months"]]),
        band_nm=pair(_KEYS["band_nm"]),
        most_w_m2=float(kept[_KEYS["most_w_m2"]]),
        module_temperature_c=pair(_KEYS["module_temperature_c"]),
        marks=marks,
    )


@dataclass(frozen=True, eq=False)
class QualificationRow:
    """The preconditioning dose under one lamp, for the layer.

    Attributes
    ----------
    lamp : str
    short_share : Value
        Of the lamp's irradiance in the test's band, in 280-320 nm.
    allowed : bool
        Whether that share lies inside the test's limits for every variant of the lamp.
    coupon_absorbed_m2, device_absorbed_m2 : Value [1/m2]
        Photons that the layer absorbs in the test's band.
    device_over_coupon : Value
        Their ratio, variant by variant.
    site_months : mapping of criterion's label to Value [months]
        What the dose equals for the device at the site, p = 1.
    notes : tuple of str
    """

    lamp: str
    short_share: Value
    allowed: bool
    coupon_absorbed_m2: Value
    device_absorbed_m2: Value
    device_over_coupon: Value
    site_months: Mapping[str, Value]
    notes: tuple[str, ...] = ()


def qualify(
    test: QualificationTest,
    coupon: tuple[ExposureResult, str],
    device: tuple[ExposureResult, str],
    site: SiteDose,
    ways: Sequence[Criterion],
) -> QualificationRow:
    """The test's dose under the light of two exposures, each with the layer's name."""
    (on_coupon, coupon_layer), (on_device, layer) = coupon, device
    energy = on_coupon.incident_irradiance_w_m2(test.band_nm)
    seconds = test.dose_j_m2 / energy
    share = np.array([s.irradiance_w_m2(SHORT_BAND_NM) for s in on_coupon.lights]) / energy
    low, high = (x / 100.0 for x in test.short_share_percent)
    allowed = bool(((share >= low) & (share <= high)).all())
    absorbed_c = on_coupon.absorbed_photons_m2_s(coupon_layer, test.band_nm) * seconds
    absorbed_d = on_device.absorbed_photons_m2_s(layer, test.band_nm) * seconds
    months = {}
    for way in ways:
        rate = lamp_rate(on_device, layer, way)
        year = year_amount(site, way, "device at the site")
        if (rate > 0).all() and year > 0:
            months[way.label] = Value.of(12.0 * rate * seconds / year)
    lamp = on_coupon.exposure.light.name
    notes = []
    if not allowed:
        some = bool(((share >= low) & (share <= high)).any())
        notes.append(
            f"{lamp}: {Value.of(share).format(percent=True)} of 280-400 nm lie in 280-320 nm, "
            + ("in part " if some else "")
            + f"outside the {100 * low:g} to {100 * high:g} % of the test"
        )
    return QualificationRow(
        lamp=lamp,
        short_share=Value.of(share),
        allowed=allowed,
        coupon_absorbed_m2=Value.of(absorbed_c),
        device_absorbed_m2=Value.of(absorbed_d),
        device_over_coupon=Value.of(absorbed_d / absorbed_c),
        site_months=months,
        notes=tuple(notes),
    )
