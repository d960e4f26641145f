"""Clouds and weather files: what is read, what is refused, what is noted.

All files here are invented, made from the clear-sky model of this package and changed on purpose;
they check reading and arithmetic, not the weather.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest
from numpy.testing import assert_allclose

import optistack as ost
from optistack.analysis.outdoor import (
    Climate,
    Site,
    SiteLight,
    climate_from_frame,
    climate_from_months,
    read_climate,
    site_light,
    site_year,
)
from optistack.analysis.outdoor.climate import TYPICAL_YEAR
from optistack.analysis.outdoor.clouds import (
    MOST_ENHANCEMENT,
    UV_EXPONENT,
    UV_EXPONENT_RANGE,
    clouds_over,
)
from optistack.analysis.outdoor.sun import SunPath, clear_sky, sun_path
from optistack.errors import OptistackError, QuestionError, TableError

SITE = Site("here", 48.0, 11.0, timezone="Europe/Berlin")
ALL = (300.0, 4000.0)
CLEAR = site_light(SITE, range_nm=ALL)
COS = np.where(CLEAR.lit_share > 0, np.maximum(np.cos(np.radians(CLEAR.zenith_deg)), 1e-3), 1.0)
GHI = CLEAR.irradiance_w_m2(ALL)
UV = CLEAR.irradiance_w_m2((300.0, 400.0))


def climate(ghi: np.ndarray, **options: Any) -> Climate:
    return Climate("made", CLEAR.time, 1.0, ghi, **options)


def sums(light: SiteLight) -> tuple[float, float]:
    return tuple(float(light.irradiance_w_m2(b).sum()) for b in ((300.0, 400.0), ALL))


def write_csv(
    path: Path,
    ghi: np.ndarray,
    *,
    times: list[str] | None = None,
    header: str = "# timezone: UTC\n# stamp: middle\n",
    extra: dict[str, np.ndarray] | None = None,
) -> Path:
    stamps = times or [str(t)[:16] for t in CLEAR.time]
    start = np.datetime64("2023-01-01T00:30")
    if times is None:
        stamps = [str(start + np.timedelta64(i, "h")) for i in range(len(ghi))]
    names = ["time", "ghi_w_m2", *(extra or {})]
    columns = [ghi, *(extra or {}).values()]
    lines = [",".join(names)]
    for i, stamp in enumerate(stamps):
        cells = ["" if np.isnan(c[i]) else f"{c[i]:.4f}" for c in columns]
        lines.append(",".join([stamp, *cells]))
    path.write_text(header + "\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def utc() -> SiteLight:
    return site_light(replace(SITE, timezone="UTC"), range_nm=ALL)


# --- clouds --------------------------------------------------------------------------------------


def test_clear_sky_comes_back() -> None:
    light = site_light(SITE, climate=climate(GHI), range_nm=ALL)
    # 2e-6: circumsolar light in the plane is held below 1 degree of solar elevation, GHI is not.
    assert_allclose(sums(light), sums(CLEAR), rtol=2e-6)


def test_clouds_take_less_from_the_ultraviolet() -> None:
    light = site_light(SITE, climate=climate(0.4 * GHI), range_nm=ALL)
    uv, _ = sums(light)
    assert uv / sums(CLEAR)[0] == pytest.approx(0.4**UV_EXPONENT, rel=1e-6)
    near = float(light.irradiance_w_m2((900.0, 1000.0)).sum())
    assert near / float(CLEAR.irradiance_w_m2((900.0, 1000.0)).sum()) == pytest.approx(0.4)
    # Little of the beam is left under an overcast sky.
    assert light.direct_share((300, 400)) < 0.1 < CLEAR.direct_share((300, 400))
    low, high = (sums(v)[0] / sums(CLEAR)[0] for v in reversed(light.variants))
    assert (low, high) == pytest.approx([0.4**e for e in reversed(UV_EXPONENT_RANGE)], rel=1e-6)
    assert light.cloud_exponent == UV_EXPONENT


def test_the_exponents_follow_from_the_published_shares() -> None:
    """The source beside UV_EXPONENT: shares of 290-385 nm, all skies and under clouds."""
    k = 0.4
    ratios = [
        cloudy / all_skies
        for all_skies, pair in ((4.9, (5.6, 6.8)), (4.2, (5.1, 5.5)))
        for cloudy in pair
    ]
    exponents = sorted(1 + np.log(r) / np.log(k) for r in ratios)
    assert (exponents[0], exponents[-1]) == pytest.approx(UV_EXPONENT_RANGE, abs=0.011)
    assert exponents[0] < UV_EXPONENT < exponents[-1]


def test_dose_carries_the_range_of_the_exponents() -> None:
    film = ost.Stack("air", (ost.Layer("film", "ito", 120.0),), "fused_silica")
    exposure = ost.Exposure("x", film, ost.spectrum("am15g"))
    light = site_light(SITE, climate=climate(0.4 * GHI))
    dose = site_year(light, {"x": exposure}, "film")["x"]
    span = dose.dose_range_m2("300-400")
    assert span.low < span.value == dose.dose_m2("300-400") < span.high
    assert span.high / span.low == pytest.approx(
        0.4 ** (UV_EXPONENT_RANGE[0] - UV_EXPONENT_RANGE[1]), rel=0.01
    )
    incident = dose.incident_range_j_m2("300-400")
    assert incident.value == pytest.approx(dose.incident_j_m2["300-400"])
    assert incident.low < incident.value < incident.high
    again = [site_year(v, {"x": exposure}, "film")["x"].dose_m2("300-400") for v in light.variants]
    assert [span.high, span.low] == pytest.approx(again, rel=1e-12)


def test_own_direct_and_diffuse_columns() -> None:
    beam = np.where(CLEAR.lit_share > 0, CLEAR.direct @ np.gradient(CLEAR.wavelength_nm) / COS, 0.0)
    dni = np.minimum(0.5 * beam, 1000.0)
    light = site_light(SITE, climate=climate(0.7 * GHI, dni_w_m2=dni), range_nm=ALL)
    assert sums(light)[0] / sums(CLEAR)[0] == pytest.approx(0.7**UV_EXPONENT, rel=1e-6)
    assert light.direct_share(ALL) < CLEAR.direct_share(ALL)
    none = site_light(SITE, climate=climate(0.7 * GHI, dni_w_m2=0 * dni), range_nm=ALL)
    assert not none.direct.any()
    assert sums(none)[0] == pytest.approx(sums(light)[0])
    assert any("direct light from its own column in" in n for n in none.notes)
    # Diffuse light says the same where there is no direct column, and where that has no value.
    cos = np.cos(np.radians(np.minimum(CLEAR.zenith_deg, 89.9)))
    dhi = np.where(CLEAR.lit_share > 0, np.maximum(0.7 * GHI - dni * cos, 0.0), 0.0)
    high = CLEAR.zenith_deg < 80
    for more in ({}, {"dni_w_m2": np.full(dni.size, np.nan)}):
        less = site_light(SITE, climate=climate(0.7 * GHI, dhi_w_m2=dhi, **more), range_nm=ALL)
        assert_allclose(less.direct[high], light.direct[high], rtol=1e-6, atol=1e-9)
        assert any("direct light as global less diffuse in" in n for n in less.notes)
    no = climate(0.7 * GHI, dni_w_m2=np.full(dni.size, np.nan))
    split = site_light(SITE, climate=no, range_nm=ALL)
    assert any("direct light after Erbs" in n and "own column" not in n for n in split.notes)


def test_split_without_a_direct_column() -> None:
    """The beam is that of pvlib's own decomposition over the clear one."""
    path = sun_path(SITE, CLEAR.time, 1.0)
    up = np.flatnonzero(path.lit_share > 0)
    lit = SunPath(*(values[up] for values in path))
    sky = clear_sky(SITE, lit)
    found = clouds_over(SITE, climate(0.6 * GHI), path, up, sky, UV_EXPONENT)
    dni = pvlib.irradiance.erbs(
        0.6 * GHI[up] / lit.lit_share, lit.apparent_zenith_deg, lit.day_of_year
    )["dni"]
    clear = np.trapezoid(sky.beam, sky.wavelength_nm, axis=1)
    high = lit.apparent_zenith_deg < 80
    assert_allclose(found.beam[high], np.minimum(dni / clear, MOST_ENHANCEMENT)[high], rtol=1e-9)
    assert 0 < found.beam[high].mean() < 0.3


def test_measured_ultraviolet() -> None:
    made = climate(0.4 * GHI, uv_w_m2=0.6 * UV, uv_band_nm=(300.0, 400.0))
    light = site_light(SITE, climate=made, range_nm=ALL)
    assert sums(light)[0] == pytest.approx(0.6 * sums(CLEAR)[0], rel=1e-9)
    assert light.variants == () and light.cloud_exponent is None
    assert any("scaled to the UV measured in 300-400 nm, 0.6 times" in n for n in light.notes)
    some = made.uv_w_m2.copy()
    some[CLEAR.month == 6] = np.nan
    july = site_light(SITE, climate=replace(made, uv_w_m2=some), range_nm=ALL)
    uv = july.monthly(july.irradiance_w_m2((300.0, 400.0))) / CLEAR.monthly(UV)
    assert uv[[5, 6, 7]] == pytest.approx([0.6, 0.4**UV_EXPONENT, 0.6], rel=1e-5)
    assert any("have no measured UV" in n for n in july.notes)
    below = replace(made, uv_band_nm=(280.0, 400.0))
    assert any("reaches below 300 nm" in n for n in site_light(SITE, climate=below).notes)
    with pytest.raises(OptistackError, match="needs its band"):
        climate(GHI, uv_w_m2=UV)
    with pytest.raises(OptistackError, match="within 200-420 nm"):
        climate(GHI, uv_w_m2=UV, uv_band_nm=(280.0, 305.0))


def test_bright_clouds_are_kept_up_to_a_limit() -> None:
    ghi = GHI.copy()
    high = np.flatnonzero(CLEAR.zenith_deg < 60)[::200]
    ghi[high] *= 1.4
    light = site_light(SITE, climate=climate(ghi), range_nm=ALL)
    near = light.irradiance_w_m2((900.0, 1000.0)) / np.maximum(
        CLEAR.irradiance_w_m2((900.0, 1000.0)), 1e-9
    )
    assert near[high] == pytest.approx(np.full(high.size, MOST_ENHANCEMENT), rel=1e-9)
    assert any(f"{high.size} steps with more than 1.2 times" in n for n in light.notes)
    with pytest.raises(OptistackError, match="more than 1.5 times the irradiance of a clear sky"):
        site_light(SITE, climate=climate(1.7 * GHI))


def test_cloud_exponent_is_checked() -> None:
    for wrong in (0.0, 1.5, float("nan")):
        with pytest.raises(OptistackError, match="cloud_exponent"):
            site_light(SITE, climate=climate(GHI), cloud_exponent=wrong)


# --- time zones ----------------------------------------------------------------------------------


@pytest.mark.parametrize("hours", [-9, -3, 4, 12])
def test_wrong_time_zone_is_found(hours: int) -> None:
    with pytest.raises(
        OptistackError, match="while the sun is more than 3 degree below the horizon"
    ):
        site_light(SITE, climate=climate(np.roll(GHI, hours)))


def test_an_hour_beside_is_noted() -> None:
    light = site_light(SITE, climate=climate(np.roll(GHI, 1)))
    assert any("its light comes 1.0 h later" in n for n in light.notes)
    assert not any("its light comes" in n for n in site_light(SITE, climate=climate(GHI)).notes)


def test_other_places_are_noted() -> None:
    light = site_light(SITE, climate=climate(GHI, latitude_deg=48.2, longitude_deg=13.0))
    assert any("longitude 13 is not that of site here, 11" in n for n in light.notes)
    assert not any("latitude" in n for n in light.notes)


def test_times_with_summer_time(tmp_path: Path, utc: SiteLight) -> None:
    index = pd.DatetimeIndex(utc.time.astype("datetime64[ns]"), tz="UTC").tz_convert(
        "Europe/Berlin"
    )
    local = [t.strftime("%Y-%m-%dT%H:%M") for t in index]
    assert local.count("2023-10-29T02:30") == 2
    assert "2023-03-26T02:30" not in local
    ghi = utc.irradiance_w_m2(ALL)
    path = write_csv(tmp_path / "a.csv", ghi, times=local, header="# stamp: middle\n")
    with pytest.raises(QuestionError, match="in which zone are they") as caught:
        read_climate(path)
    assert caught.value.option == "timezone"
    read = read_climate(path, timezone="Europe/Berlin")
    assert (read.time == utc.time).all()
    assert_allclose(read.ghi_w_m2, ghi, atol=1e-4)
    # Winter time all year, read as if clocks changed: an hour that does not exist.
    winter = write_csv(tmp_path / "b.csv", GHI, header="# stamp: middle\n")
    with pytest.raises(TableError, match="b.csv, line .*does not exist in Europe/Berlin"):
        read_climate(winter, timezone="Europe/Berlin")
    fixed = read_climate(winter, timezone="UTC+01:00")
    assert str(fixed.time[0]) == "2022-12-31T23:30:00.000"
    with_offset = [t.isoformat() for t in index]
    path = write_csv(tmp_path / "c.csv", ghi, times=with_offset, header="# stamp: middle\n")
    assert (read_climate(path).time == utc.time).all()
    with pytest.raises(TableError, match="unknown time zone 'Berlin'"):
        read_climate(winter, timezone="Berlin")


def test_hour_that_comes_twice_written_once(tmp_path: Path, utc: SiteLight) -> None:
    """Only one 02:30 in autumn: an hour is missing, and that is night."""
    index = pd.DatetimeIndex(utc.time.astype("datetime64[ns]"), tz="UTC").tz_convert(
        "Europe/Berlin"
    )
    local = [t.strftime("%Y-%m-%dT%H:%M") for t in index]
    at = local.index("2023-10-29T02:30")
    ghi = np.delete(utc.irradiance_w_m2(ALL), at)
    path = write_csv(
        tmp_path / "a.csv", ghi, times=local[:at] + local[at + 1 :], header="# stamp: middle\n"
    )
    read = read_climate(path, timezone="Europe/Berlin")
    assert np.isnan(read.ghi_w_m2).sum() == 1
    assert_allclose(sums(site_light(SITE, climate=read, range_nm=ALL)), sums(utc), rtol=1e-6)


def test_stamps(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "a.csv", GHI, header="# timezone: UTC\n")
    with pytest.raises(QuestionError, match="which part of the step") as caught:
        read_climate(path)
    assert caught.value.choices == ("start", "middle", "end")
    first = {
        s: read_climate(path, stamp=s, missing="leave_out").time for s in ("start", "middle", "end")
    }
    assert str(first["start"][0])[:16] == "2023-01-01T01:00"
    assert str(first["middle"][0])[:16] == "2023-01-01T00:30"
    assert str(first["end"][0])[:16] == "2023-01-01T00:00"
    with pytest.raises(TableError, match="stamp must be one of"):
        read_climate(path, stamp="left")  # type: ignore[arg-type]


# --- missing, negative, broken -------------------------------------------------------------------


def test_missing_hours(tmp_path: Path, utc: SiteLight) -> None:
    ghi = utc.irradiance_w_m2(ALL).copy()
    noon = np.flatnonzero(utc.zenith_deg < 60)[100:110]
    ghi[noon] = np.nan
    night = np.flatnonzero(utc.zenith_deg > 110)[:50]
    ghi[night] = np.nan  # no value is needed there
    path = write_csv(tmp_path / "a.csv", ghi)
    said = str(utc.time[noon[0]])[:16]
    with pytest.raises(OptistackError, match=rf"no irradiance in 10 of \d+ steps.*{said}"):
        site_light(SITE, climate=read_climate(path), range_nm=ALL)
    dark = site_light(SITE, climate=read_climate(path, missing="leave_out"), range_nm=ALL)
    assert not (dark.direct[noon] + dark.sky[noon]).any()
    assert any("10 of" in n and "count as dark" in n for n in dark.notes)
    clear = site_light(SITE, climate=read_climate(path, missing="clear_sky"), range_nm=ALL)
    assert_allclose(sums(clear), sums(utc), rtol=1e-6)
    assert any("taken as clear sky" in n for n in clear.notes)
    # Rows left out altogether are the same as empty cells.
    keep = np.isfinite(ghi)
    stamps = [str(np.datetime64("2023-01-01T00:30") + np.timedelta64(i, "h")) for i in range(8760)]
    some = [s for s, k in zip(stamps, keep, strict=True) if k]
    short = read_climate(write_csv(tmp_path / "b.csv", ghi[keep], times=some), missing="leave_out")
    assert_allclose(sums(site_light(SITE, climate=short, range_nm=ALL)), sums(dark), rtol=1e-12)


def test_a_record_of_some_months(tmp_path: Path, utc: SiteLight) -> None:
    ghi = utc.irradiance_w_m2(ALL)[:2000]
    path = write_csv(tmp_path / "a.csv", ghi)
    with pytest.raises(OptistackError, match="no irradiance in"):
        site_light(SITE, climate=read_climate(path))
    light = site_light(SITE, climate=read_climate(path, missing="leave_out"))
    assert len(light.time) == 8760
    assert not light.sky[2000:].any()


def test_negative_readings_at_night(tmp_path: Path, utc: SiteLight) -> None:
    ghi = utc.irradiance_w_m2(ALL).copy()
    night = utc.lit_share == 0
    ghi[night] = -3.5
    read = read_climate(write_csv(tmp_path / "a.csv", ghi))
    assert (read.ghi_w_m2[night] == 0).all()
    assert any(f"{night.sum()} readings of ghi_w_m2 between -3.5 and 0" in n for n in read.notes)
    assert sums(site_light(SITE, climate=read, range_nm=ALL)) == pytest.approx(sums(utc), rel=1e-6)
    ghi[7] = -40.0
    with pytest.raises(TableError, match=r"line 11: ghi_w_m2: -40 .*below -10 W/m2"):
        read_climate(write_csv(tmp_path / "b.csv", ghi))
    ghi[7] = 3000.0
    with pytest.raises(TableError, match=r"line 11: ghi_w_m2: 3000 .*check the unit"):
        read_climate(write_csv(tmp_path / "c.csv", ghi))


def test_leap_years(tmp_path: Path) -> None:
    leap = site_light(replace(SITE, timezone="UTC"), year=2024, range_nm=ALL)
    ghi = leap.irradiance_w_m2(ALL)
    stamps = [str(t)[:16] for t in leap.time]
    read = read_climate(write_csv(tmp_path / "a.csv", ghi, times=stamps))
    assert read.time.size == 8784
    assert sums(site_light(SITE, climate=read, range_nm=ALL)) == pytest.approx(sums(leap), rel=1e-5)
    # The same without its 29 February: 24 steps are missing, and said so.
    some = [i for i, s in enumerate(stamps) if not s.startswith("2024-02-29")]
    short = read_climate(write_csv(tmp_path / "b.csv", ghi[some], times=[stamps[i] for i in some]))
    assert short.time.size == 8784 and np.isnan(short.ghi_w_m2).sum() == 24
    with pytest.raises(OptistackError, match="2024-02-29"):
        site_light(SITE, climate=short)


def test_one_of_several_years(tmp_path: Path) -> None:
    two = np.concatenate([GHI, GHI])
    path = write_csv(tmp_path / "a.csv", two)
    with pytest.raises(TableError, match="holds 730 days; one year is needed"):
        read_climate(path)
    assert read_climate(path, year=2024, missing="leave_out").time.size == 8784
    assert str(read_climate(path, year=2023).time[-1])[:10] == "2023-12-31"
    with pytest.raises(TableError, match="no row lies in the year 2030"):
        read_climate(path, year=2030)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda r: [r[0], r[1], r[1], *r[2:]], "line 5: the time .* stands there twice"),
        (lambda r: [r[0], r[2], r[1], *r[3:]], "line 5: the time .* comes before the one above"),
        (lambda r: [r[0], "2023-01-01T00:30,x", *r[2:]], "line 4: ghi_w_m2: 'x' is not a number"),
        (lambda r: [r[0], "2023-01-01T00:30,inf", *r[2:]], "line 4: .* not a finite number"),
        (
            lambda r: [r[0], "1.1.23 00:30,0", *r[2:]],
            "line 4: time '1.1.23 00:30' is not of the form",
        ),
        (lambda r: ["time,gni_w_m2", *r[1:]], "column ghi_w_m2 is missing"),
        (lambda r: ["time,ghi_w_m2,ghi_w_m2", *(x + ",0" for x in r[1:])], "stands there twice"),
        (lambda r: ["time,ghi_w_m2,wind", *(x + ",0" for x in r[1:])], "unknown column 'wind'"),
        (
            lambda r: ["time,ghi_w_m2,uv_w_m2", *(x + ",0" for x in r[1:])],
            "which band does uv_w_m2",
        ),
        (lambda r: r[:2], "at least two steps"),
        (lambda r: [r[0], *r[1::3]], "steps of 3 h"),
        (lambda r: [*r[:50], "2023-01-03T00:51,0", *r[51:]], "time step changes"),
    ],
)
def test_broken_files(tmp_path: Path, change: Callable[[list[str]], list[str]], match: str) -> None:
    text = write_csv(tmp_path / "a.csv", GHI).read_text(encoding="utf-8").splitlines()
    path = tmp_path / "b.csv"
    path.write_text("\n".join(text[:2] + change(text[2:])) + "\n", encoding="utf-8")
    with pytest.raises(TableError, match=match):
        read_climate(path)


# --- weather files by pvlib ----------------------------------------------------------------------


def epw(path: Path, ghi: np.ndarray, years: np.ndarray) -> Path:
    """Hours 1 to 24 of local standard time, each naming the end of its hour."""
    lines = ["LOCATION,Invented,-,XXX,made,000000,48.0,11.0,1.0,0.0"]
    lines += [f"LINE {i}" for i in range(7)]
    start = np.datetime64("2023-01-01T00:00")
    for i in range(8760):
        t = start + np.timedelta64(i, "h")
        day = str(t)[:10].split("-")
        head = [str(years[i]), str(int(day[1])), str(int(day[2])), str(i % 24 + 1), "60", "?"]
        row = ["0"] * 29
        row[0], row[7] = "10.0", f"{ghi[i]:.4f}"
        row[8] = row[9] = "9999"
        lines.append(",".join([*head, *row]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def local_hours() -> np.ndarray:
    """Clear irradiance of the hours of local standard time, UTC+1."""
    made = site_light(replace(SITE, timezone="Etc/GMT-1"), range_nm=ALL)
    return made.irradiance_w_m2(ALL)


def test_epw(tmp_path: Path) -> None:
    ghi = local_hours()
    years = np.where(np.arange(8760) < 4000, 2004, 2011)
    read = read_climate(epw(tmp_path / "a.epw", ghi, years))
    assert read.step_h == 1.0 and read.time.size == 8760
    assert str(read.time[0]) == f"{TYPICAL_YEAR - 1}-12-31T23:30:00.000"
    assert (read.latitude_deg, read.longitude_deg) == (48.0, 11.0)
    assert any("months of the years 2004 to 2011" in n for n in read.notes)
    assert read.dni_w_m2 is not None and np.isnan(read.dni_w_m2).all()  # 9999 is missing
    light = site_light(SITE, climate=read, range_nm=ALL)
    assert_allclose(sums(light), sums(CLEAR), rtol=2e-3)
    single = read_climate(epw(tmp_path / "b.epw", ghi, np.full(8760, 2012)))
    assert any("2012 without its 29 February" in n for n in single.notes)
    assert single.time.size == 8760
    plain = read_climate(epw(tmp_path / "c.epw", ghi, np.full(8760, 2011)))
    assert str(plain.time[0])[:10] == "2010-12-31"
    (tmp_path / "d.epw").write_text("LOCATION,nothing\n", encoding="utf-8")
    with pytest.raises(TableError, match=r"d.epw: cannot be read as epw"):
        read_climate(tmp_path / "d.epw")


def test_tmy3(tmp_path: Path) -> None:
    ghi = local_hours()
    names = "Date (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2),DNI (W/m^2),DHI (W/m^2),Dry-bulb (C)"
    lines = ['000000,"Invented",XX,1.0,48.000,11.000,0', names]
    start = np.datetime64("2023-01-01T00:00")
    for i in range(8760):
        day = str(start + np.timedelta64(i, "h"))[:10].split("-")
        year = 1988 if i < 4000 else 1994
        lines.append(f"{day[1]}/{day[2]}/{year},{i % 24 + 1:02d}:00,{ghi[i]:.4f},-9900,-9900,10.0")
    path = tmp_path / "a.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    read = read_climate(path)
    assert read.time.size == 8760 and str(read.time[0])[:16] == f"{TYPICAL_YEAR - 1}-12-31T23:30"
    light = site_light(SITE, climate=read, range_nm=ALL)
    assert_allclose(sums(light), sums(CLEAR), rtol=2e-3)
    assert any("tmy3, times name the end of the hour" in n for n in light.notes)


def test_frames_of_any_reader() -> None:
    index = pd.DatetimeIndex(CLEAR.time.astype("datetime64[ns]"), tz="UTC")
    frame = pd.DataFrame({"ghi": 0.5 * GHI, "temp_air": 10.0}, index=index)
    read = climate_from_frame(frame, name="frame", stamp="middle")
    assert (read.time == CLEAR.time).all()
    light = site_light(SITE, climate=read)
    assert light.temperature_c is not None and (light.temperature_c == 10.0).all()
    assert read.to_frame()["ghi_w_m2"].sum() == pytest.approx(0.5 * GHI.sum())
    with pytest.raises(OptistackError, match="times with a time zone"):
        climate_from_frame(frame.tz_localize(None), name="frame", stamp="middle")
    with pytest.raises(OptistackError, match="no column ghi"):
        climate_from_frame(frame[["temp_air"]], name="frame", stamp="middle")
    with pytest.raises(OptistackError, match="no irradiance at all"):
        site_light(SITE, climate=climate(0 * GHI))
    with pytest.raises(OptistackError, match="missing must be one of"):
        climate(GHI, missing="ignore")
    with pytest.raises(OptistackError, match="one value for every step"):
        climate(GHI[:-1])


# twelve monthly sums -------------------------------------------------------------------------------

SUMS = (60.0, 80.0, 110.0, 140.0, 170.0, 180.0, 190.0, 170.0, 130.0, 95.0, 65.0, 50.0)


def test_monthly_sums_come_out() -> None:
    site = Site("place", 40.0, 0.0)
    climate = climate_from_months(site, SUMS)
    light = site_light(site, climate=climate, range_nm=(300.0, 4000.0))
    months = np.bincount(light.month, climate.ghi_w_m2, minlength=12) / 1e3
    assert months == pytest.approx(SUMS, rel=1e-12)
    # From 400 nm on light follows the sums; below it less is lost (exponent below 1).
    clear = site_light(site, range_nm=(300.0, 4000.0))
    left = light.monthly(light.irradiance_w_m2((700, 4000))) / clear.monthly(
        clear.irradiance_w_m2((700, 4000))
    )
    short = light.monthly(light.irradiance_w_m2((300, 400))) / clear.monthly(
        clear.irradiance_w_m2((300, 400))
    )
    assert (short > left).all()
    # Under the lowest sun the factor is not that hour's own; that light is 1e-5 of a month's.
    assert short == pytest.approx(left**0.75, rel=1e-4)


@pytest.mark.parametrize(
    ("sums", "message"),
    [
        (SUMS[:11], "twelve sums"),
        ((-1.0, *SUMS[1:]), "none negative"),
        ((np.nan, *SUMS[1:]), "twelve sums"),
        ((0.0, *SUMS[1:]), "0 kWh/m2 in month 1, though the sun is up"),
        ((*SUMS[:11], 300.0), "month 12 are more than"),
    ],
)
def test_monthly_sums_refused(sums: tuple[float, ...], message: str) -> None:
    with pytest.raises(OptistackError, match=message):
        climate_from_months(Site("place", 40.0, 0.0), sums)


def test_monthly_sums_of_a_polar_night() -> None:
    sums = (0.0, 5.0, 40.0, 90.0, 140.0, 160.0, 140.0, 85.0, 40.0, 10.0, 0.5, 0.0)
    site = Site("north", 72.0, 20.0)
    light = site_light(site, climate=climate_from_months(site, sums))
    assert light.irradiance_w_m2((300, 400))[light.month == 11].max() == 0.0
