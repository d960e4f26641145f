"""Make the invented data files of the Lantern House scenario.

Run ``python scripts/make_lantern_house.py`` with optistack installed. The files are invented, are
marked so, and serve the demo, the documentation and its tests; nothing is checked against them.
"""

from __future__ import annotations

import argparse
import csv
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np

from optistack.exposure import Exposure, MountedFilter
from optistack.filters import measured_filter
from optistack.light_paths import Geometry, respond
from optistack.scenario import Scenario, load_scenario
from optistack.spectra import DAMAGE_BAND_NM, REFERENCE_NM, Weight
from optistack.spectral_math import AVOGADRO_MOL, BOLTZMANN_J_K, ELEMENTARY_CHARGE_C
from optistack.tables import write_table

HERE = Path(__file__).resolve().parent.parent / "shared" / "lantern_house"
SEED = 20260214
HEADER = {
    "source": "invented for the Lantern House scenario, scripts/make_lantern_house.py",
    "licence": "MIT",
    "retrieved": "2026-11-25",
    "kind": "invented",
    "grade": "D",
    "uncertainty": "none, invented",
}


def oxide(folder: Path) -> None:
    """n,k of a sol-gel oxide film from 330 nm, as an ellipsometer with a lamp limit gives it."""
    lam = np.arange(330.0, 1101.0, 5.0)
    n = 1.62 + 0.012 / (lam / 1000) ** 2 + 0.0012 / (lam / 1000) ** 4
    k = 0.16 / (1 + np.exp((lam - 366.0) / 6.0))
    k = np.where(k < 1e-5, 0.0, k)
    header = {
        **HEADER,
        "title": "Oxide film, invented",
        "units": "wavelength nm; n, k dimensionless",
    }
    write_table(
        folder / "oxide_nk.csv", "nk", lam, {"n": n.round(4), "k": k.round(5)}, header=header
    )


def web_sample(folder: Path, rng: np.random.Generator) -> None:
    """A filter web in an export with %T, decimal commas, long to short, and stray light."""
    lam = np.arange(800.0, 279.0, -2.0)
    t = 88.6 / (1 + np.exp(-(lam - 388.0) / 3.2)) + 0.11
    t = t + rng.normal(0.0, 0.03, lam.size)
    lines = [
        "Lantern House web sample 3 (INVENTED)",
        "mode\tregular transmittance",
        "slit\t2 nm",
        "",
        "nm\t%T",
    ]
    lines += [f"{w:.1f}\t{v:.3f}".replace(".", ",") for w, v in zip(lam, t, strict=True)]
    (folder / "web_sample.txt").write_text(
        "\r\n".join(lines) + "\r\n", encoding="utf-8", newline=""
    )


def quantum_efficiency(folder: Path, rng: np.random.Generator) -> None:
    """An external quantum efficiency that fits the device: 0.8 of what the blend absorbs."""
    path = folder / "device_eqe.csv"
    lam = np.arange(340.0, 801.0, 10.0)
    header = {
        **HEADER,
        "title": "External quantum efficiency of the device, invented",
        "units": "wavelength nm; electrons per incident photon",
    }
    if not path.exists():  # the scenario that describes the device names this very file
        write_table(path, "quantum_efficiency", lam, {"quantum_efficiency": 0 * lam}, header=header)
    stack = optical_part(folder).stacks["device"]
    blend = respond(stack, Geometry(), lam).absorptance[stack.position("blend")]
    eqe = np.maximum(0.0, 0.8 * blend + rng.normal(0.0, 0.002, lam.size)).round(4)
    write_table(path, "quantum_efficiency", lam, {"quantum_efficiency": eqe}, header=header)


def optical_part(folder: Path) -> Scenario:
    """Stacks, lights and exposures of the scenario, before the files of its later parts exist."""
    text = (folder / "lantern_house.toml").read_text(encoding="utf-8")
    head, _, _ = text.partition("# --- photocurrent")
    kept = [
        block
        for block in head.split("\n[")
        if not block.startswith('filters."cut-on')  # written by this script later
    ]
    trimmed = folder / "optical_part.toml"
    trimmed.write_text("\n[".join(kept) + '\n[question]\nlayer = "electrode"\n', encoding="utf-8")
    try:
        return load_scenario(trimmed)
    finally:
        trimmed.unlink()


# Ageing data: everything below follows from TRUTH and from the doses that optistack computes.

TRUTH = {
    "weight_slope_nm": 24.0,
    "reciprocity_exponent": 0.85,
    "activation_energy_kj_mol": 35.0,
    "residual_factor": 0.6,
    "coupon_rate_per_h": 0.008,
    "coupon_dark_rate_per_h": 1.5e-4,
    "device_dark_rate_per_h": 2e-5,
    "coupon_temperature_c": 60.0,
    "device_temperature_c": 55.0,
    "start_ohm_sq": 120.0,
    "start_spread": 0.03,
    "specimen_spread": 0.04,
    "reading_noise": 0.02,
    "inferred_noise": 0.04,
    "loss_share_noise": 0.02,
}
WEIGHT = Weight(
    "truth", DAMAGE_BAND_NM, slope_nm=TRUTH["weight_slope_nm"], reference_nm=REFERENCE_NM
)
FLAT = Weight("flat", DAMAGE_BAND_NM)
CUT_ON_NM = (310, 325, 340, 355, 375)
SET_POINTS_W_M2_NM = (0.36, 0.89, 1.78)
TEMPERATURES_C = (45.0, 60.0, 75.0)
COUPON_HOURS = (0, 25, 50, 100, 150, 225, 300, 400, 500)
DEVICE_HOURS = (0, 250, 500, 750, 1000, 1500, 2000)
# Cells into which something creeps from the edge: extra rate [1/h].
RIM_RATE_PER_H = {"cell 3": 1.1e-3, "cell 6": 7e-4}
RIM_LOSS_SHARE = {"cell 3": 0.83, "cell 6": 0.68}
CELL = {
    "photocurrent_density_ma_cm2": 9.0,
    "voc_v": 0.75,
    "ideality": 1.6,
    "finger_pitch_mm": 5.0,
    "temperature_k": 298.15,
}
JV_NOISE_MA_CM2 = 0.01
AGEING_NOTES = (
    "invented: true",
    "title: {title}",
    "source: invented for the Lantern House scenario, scripts/make_lantern_house.py",
    "licence: MIT",
    "grade: D",
)


def arrhenius(to_c: float, from_c: float) -> float:
    """Rate at one temperature over the rate at another."""
    slope = TRUTH["activation_energy_kj_mol"] * 1e3 / (BOLTZMANN_J_K * AVOGADRO_MOL)
    return float(np.exp(slope * (1 / (from_c + 273.15) - 1 / (to_c + 273.15))))


class Doses(NamedTuple):
    """Absorbed photons per volume and hour [1/(nm3 h)] of the electrode: weighted, flat."""

    weighted: float
    flat: float

    def over(self, other: Doses) -> float:
        """What the light does to the rate, relative to another exposure."""
        return float((self.weighted / other.weighted) ** TRUTH["reciprocity_exponent"])


def doses(exposure: Exposure) -> Doses:
    """The electrode's doses per hour, by optistack."""
    result = exposure.run(DAMAGE_BAND_NM)
    thickness = exposure.stack.layers[exposure.stack.position("electrode")].thickness_nm
    per_hour = [
        float(result.weighted_photons_m2_s("electrode", w)[0]) * 3600 / 1e18 / thickness
        for w in (WEIGHT, FLAT)
    ]
    return Doses(*per_hour)


@dataclass
class Sheet:
    """Rows of one file with readings of sheet resistance."""

    title: str
    sd: float
    rng: np.random.Generator
    dose: bool = False
    shares: bool = False
    rows: list[str] = field(default_factory=list)

    def add(
        self,
        name: str,
        role: str,
        hours: Sequence[int],
        *,
        rate: float,
        celsius: float,
        group: str = "",
        absorbed_rate: float | None = None,
        extra: Sequence[float] = (),
    ) -> np.ndarray:
        """One specimen that loses its conductance exponentially; its true resistances."""
        start = TRUTH["start_ohm_sq"] * np.exp(self.rng.normal(0.0, TRUTH["start_spread"]))
        true = start * np.exp(rate * np.array(hours, dtype=float))
        read = true * np.exp(self.rng.normal(0.0, self.sd, true.size))
        cells = [name, role, group, f"{celsius:g}"]
        if self.dose:
            cells.append("" if absorbed_rate is None else f"{absorbed_rate:.5g}")
        if self.shares:
            cells += [f"{x:.3f}" for x in extra]
        for hour, value in zip(hours, read, strict=True):
            self.rows.append(",".join([*cells, str(hour), f"{value:.4g}"]))
        return true

    def spread(self) -> float:
        """Factor on the rate of one specimen."""
        return float(np.exp(self.rng.normal(0.0, TRUTH["specimen_spread"])))

    def write(self, path: Path, *more: str) -> None:
        """Write the file."""
        columns = ["specimen", "role", "group", "temperature_c"]
        columns += ["absorbed_rate"] if self.dose else []
        columns += ["rim_loss_share", "centre_loss_share", "loss_share_sd"] if self.shares else []
        header = [n.format(title=self.title) for n in AGEING_NOTES]
        header += [f"sd: {self.sd:g}", *more]
        lines = [f"# {n}" for n in header]
        lines.append(",".join([*columns, "hours", "sheet_resistance_ohm_sq"]))
        path.write_text("\n".join(lines + self.rows) + "\n", encoding="utf-8", newline="\n")


DOSE_NOTE = "dose_unit: absorbed photons/nm3, 280-400 nm"


def ageing(folder: Path) -> None:
    """Coupons, cells, cut-on filters, intensities and temperatures, and the truth behind them."""
    exposures = optical_part(folder).exposures
    coupon, device = exposures["coupon in the chamber"], exposures["device in the chamber"]
    q_coupon, q_device = doses(coupon), doses(device)
    warm, cool = TRUTH["coupon_temperature_c"], TRUTH["device_temperature_c"]
    k, dark = TRUTH["coupon_rate_per_h"], TRUTH["coupon_dark_rate_per_h"]
    predicted = q_device.over(q_coupon) * arrhenius(cool, warm)
    device_rate = k * predicted * TRUTH["residual_factor"]
    noise = TRUTH["reading_noise"]

    def stream(number: int) -> np.random.Generator:
        return np.random.default_rng([SEED, number])

    sheet = Sheet("Coupons in the chamber, invented", noise, stream(1), dose=True)
    for i in range(1, 7):
        sheet.add(
            f"coupon {i}",
            "lit",
            COUPON_HOURS,
            rate=k * sheet.spread() + dark,
            celsius=warm,
            absorbed_rate=q_coupon.flat,
        )
    for i in range(1, 4):
        sheet.add(f"dark coupon {i}", "dark", COUPON_HOURS, rate=dark, celsius=warm)
    sheet.write(folder / "coupon_ageing.csv", DOSE_NOTE)

    sheet = Sheet("Coupons at three intensities, invented", noise, stream(2), dose=True)
    intensities = {}
    for level in SET_POINTS_W_M2_NM:
        light = coupon.light.times(level / SET_POINTS_W_M2_NM[1])
        q = doses(replace(coupon, light=light))
        intensities[f"{level:g}"] = k * q.over(q_coupon)
        hours = [round(h / q.over(q_coupon) / 5) * 5 for h in COUPON_HOURS]
        for i in range(1, 4):
            sheet.add(
                f"{level:g} W/m2/nm {i}",
                "lit",
                hours,
                rate=intensities[f"{level:g}"] * sheet.spread() + dark,
                celsius=warm,
                group=f"{level:g} W/m2/nm at 340 nm",
                absorbed_rate=q.flat,
            )
    for i in range(1, 3):
        sheet.add(f"dark {i}", "dark", COUPON_HOURS, rate=dark, celsius=warm, group="dark")
    sheet.write(folder / "intensity_ageing.csv", DOSE_NOTE)

    sheet = Sheet("Coupons at three temperatures, invented", noise, stream(3), dose=True)
    for celsius in TEMPERATURES_C:
        for i in range(1, 4):
            sheet.add(
                f"{celsius:g} C {i}",
                "lit",
                COUPON_HOURS,
                rate=k * arrhenius(celsius, warm) * sheet.spread() + dark,
                celsius=celsius,
                group=f"{celsius:g} C",
                absorbed_rate=q_coupon.flat,
            )
    for i in range(1, 3):
        sheet.add(f"dark {i}", "dark", COUPON_HOURS, rate=dark, celsius=warm, group="dark")
    sheet.write(folder / "temperature_ageing.csv", DOSE_NOTE)

    # A stream of usual luck: no filter is off by more than a standard error, specimens differ by
    # about what they should.
    cut_on = cut_on_series(folder, coupon, q_coupon, stream(39))
    cells(folder, device_rate, stream(5))
    write_truth(
        folder, q_coupon, q_device, predicted, device_rate, cut_on=cut_on, intensities=intensities
    )


def cut_on_series(
    folder: Path, coupon: Exposure, q_coupon: Doses, rng: np.random.Generator
) -> dict[str, float]:
    """Five cut-on filters and coupons behind them, on a black holder; the true rates [1/h]."""
    k, dark = TRUTH["coupon_rate_per_h"], TRUTH["coupon_dark_rate_per_h"]
    warm = TRUTH["coupon_temperature_c"]
    on_black = replace(coupon, geometry=Geometry())
    lam = np.arange(280.0, 801.0, 1.0)
    rates = {}
    sheet = Sheet("Coupons behind cut-on filters, invented", TRUTH["reading_noise"], rng)
    for name in ("none", *(f"cut-on {edge}" for edge in CUT_ON_NM)):
        behind = on_black
        if name != "none":
            edge = float(name.split()[1])
            t = 0.915 / (1 + np.exp(-(lam - edge) / (8.0 / (2 * np.log(9)))))
            t = t.round(5)
            path = folder / f"cut_on_{edge:.0f}.csv"
            header = {
                **HEADER,
                "title": f"Cut-on filter {edge:.0f} nm, external, regular, invented",
                "units": "wavelength nm; transmittance dimensionless",
            }
            write_table(path, "transmittance", lam, {"transmittance": t}, header=header)
            item = measured_filter(name, lam, t, "external", measurement="regular")
            behind = on_black.with_filters([MountedFilter(item, "detached_far")])
        rates[name] = k * doses(behind).over(q_coupon)
        longest = min(2000.0, 4.0 / rates[name])
        hours = [int(round(x * longest / 5) * 5) for x in (0, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0)]
        for i in range(1, 4):
            sheet.add(
                f"{name} {i}",
                "lit",
                hours,
                rate=rates[name] * sheet.spread() + dark,
                celsius=warm,
                group=name,
            )
    for i in range(1, 4):
        sheet.add(f"dark {i}", "dark", DEVICE_HOURS, rate=dark, celsius=warm, group="dark")
    sheet.write(
        folder / "cut_on_ageing.csv",
        "note: stack coupon under the UVA-340 lamp of the scenario, filters far from the "
        "specimens, black holder, no light on the rear; group: the filter (cut_on_310.csv ...)",
    )
    return rates


def cells(folder: Path, device_rate: float, rng: np.random.Generator) -> None:
    """Eight cells and two dark ones; J-V curves of the first."""
    dark, sd = TRUTH["device_dark_rate_per_h"], TRUTH["loss_share_noise"]
    sheet = Sheet(
        "Cells in the chamber: sheet resistance inferred from J-V curves, invented",
        TRUTH["inferred_noise"],
        rng,
        shares=True,
    )
    for i in range(1, 9):
        name = f"cell {i}"
        rate = device_rate * sheet.spread() + dark + RIM_RATE_PER_H.get(name, 0.0)
        centre = 1 - np.exp(-(device_rate + dark) * DEVICE_HOURS[-1])
        rim = RIM_LOSS_SHARE.get(name, centre)
        shares = np.clip(rng.normal([rim, centre], sd), 0.0, 1.0)
        true = sheet.add(
            name,
            "lit",
            DEVICE_HOURS,
            rate=rate,
            celsius=TRUTH["device_temperature_c"],
            extra=(*shares, sd),
        )
        if i == 1:
            for hour, resistance in zip(DEVICE_HOURS, true, strict=True):
                jv_file(folder, name, hour, float(resistance), rng)
            witness_film(folder, true, np.random.default_rng([SEED, 6]))
    for i in range(1, 3):
        sheet.add(
            f"dark cell {i}",
            "dark",
            DEVICE_HOURS,
            rate=dark,
            celsius=TRUTH["device_temperature_c"],
            extra=(*np.clip(rng.normal(dark * DEVICE_HOURS[-1], sd, 2), 0.0, 1.0), sd),
        )
    sheet.write(
        folder / "device_cells.csv",
        "note: rim and centre: share of the luminescence lost at the end, from images; "
        "J-V curves of cell 1: cell_1_jv_0000h.csv ...",
    )


def witness_film(folder: Path, true_ohm_sq: np.ndarray, rng: np.random.Generator) -> None:
    """Four-point sheet resistance of a film in the laminate of cell 1, with 95 % limits."""
    sd = TRUTH["reading_noise"]
    read = true_ohm_sq * np.exp(rng.normal(0.0, sd, true_ohm_sq.size))
    reach = np.exp(1.96 * sd)
    header = [
        n.format(title="Witness film in the laminate of cell 1, four-point, invented")
        for n in AGEING_NOTES
    ]
    lines = [f"# {n}" for n in header]
    lines.append("time_h,sheet_resistance_ohm_sq,low_ohm_sq,high_ohm_sq")
    lines += [
        f"{hour:g},{r:.4g},{r / reach:.4g},{r * reach:.4g}"
        for hour, r in zip(DEVICE_HOURS, read, strict=True)
    ]
    path = folder / "witness_film.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def jv_curve(sheet_resistance_ohm_sq: float, voltage_v: np.ndarray) -> np.ndarray:
    """J-V curve [mA/cm2] of a one-diode cell under its sheet between two fingers.

    d2V/dx2 = -R_sq J(V), integrated from the middle of the gap, where the slope is 0, to the
    finger, for many voltages in the middle at once (Runge-Kutta, fourth order).
    """
    diode = CELL["ideality"] * BOLTZMANN_J_K * CELL["temperature_k"] / ELEMENTARY_CHARGE_C
    saturation = CELL["photocurrent_density_ma_cm2"] / np.expm1(CELL["voc_v"] / diode)
    half = CELL["finger_pitch_mm"] / 20  # cm
    r = sheet_resistance_ohm_sq * 1e-3  # mA to A

    def slope(state: np.ndarray) -> np.ndarray:
        j = CELL["photocurrent_density_ma_cm2"] - saturation * np.expm1(state[0] / diode)
        return np.array([state[1], -r * j])

    middle = np.linspace(-0.1, 0.78, 1761)  # above it the sheet would draw current without end
    state = np.array([middle, np.zeros(middle.size)])
    step = half / 200
    for _ in range(200):
        a = slope(state)
        b = slope(state + step / 2 * a)
        c = slope(state + step / 2 * b)
        d = slope(state + step * c)
        state = state + step / 6 * (a + 2 * b + 2 * c + d)
    return np.interp(voltage_v, state[0], -state[1] / r / half)


def jv_file(
    folder: Path, cell: str, hours: int, resistance: float, rng: np.random.Generator
) -> None:
    """One J-V curve, positive current where the cell gives it."""
    voltage = np.arange(-2, 40) * 0.02
    current = jv_curve(resistance, voltage) + rng.normal(0.0, JV_NOISE_MA_CM2, voltage.size)
    header = [n.format(title=f"J-V curve of {cell} at {hours} h, invented") for n in AGEING_NOTES]
    header += [
        f"hours: {hours}",
        f"finger_pitch_mm: {CELL['finger_pitch_mm']:g}",
        f"temperature_k: {CELL['temperature_k']:g}",
        f"sd_ma_cm2: {JV_NOISE_MA_CM2:g}",
    ]
    lines = [f"# {n}" for n in header] + ["voltage_v,current_density_ma_cm2"]
    lines += [f"{v:.2f},{j:.4f}" for v, j in zip(voltage, current, strict=True)]
    path = folder / f"{cell.replace(' ', '_')}_jv_{hours:04d}h.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def write_truth(
    folder: Path,
    q_coupon: Doses,
    q_device: Doses,
    predicted: float,
    device_rate: float,
    *,
    cut_on: dict[str, float],
    intensities: dict[str, float],
) -> None:
    """What the files were made from."""
    lines = [
        "# The truth behind the ageing files of Lantern House. INVENTED, like everything here: it",
        "# tests whether the analysis finds what was put in, and says nothing about any real layer.",
        "# Written by scripts/make_lantern_house.py.",
        "invented = true",
        'law = "conductance lost exponentially: rate = c q^p exp(-Ea/RT), and a rate in the dark"',
        'weight = "exp(-(wavelength - 340 nm) / slope), 280-400 nm"',
    ]
    lines += [f"{key} = {value:g}" for key, value in TRUTH.items()]
    lines += [
        "",
        "# q: photons absorbed per volume and hour [1/(nm3 h)], computed with optistack",
        "[computed]",
        f"q_coupon_weighted = {q_coupon.weighted:.6g}",
        f"q_coupon_flat = {q_coupon.flat:.6g}",
        f"q_device_weighted = {q_device.weighted:.6g}",
        f"q_device_flat = {q_device.flat:.6g}",
        f"q_ratio_weighted = {q_device.weighted / q_coupon.weighted:.6g}",
        f"predicted_rate_factor = {predicted:.6g}",
        f"device_rate_per_h = {device_rate:.6g}",
        "",
        "# light-driven rates [1/h]",
        "[cut_on_rate_per_h]",
        *(f'"{name}" = {rate:.6g}' for name, rate in cut_on.items()),
        "",
        "[intensity_rate_per_h]  # by W/m2/nm at 340 nm",
        *(f'"{name}" = {rate:.6g}' for name, rate in intensities.items()),
        "",
        "[temperature_rate_per_h]  # by film temperature in C",
        *(
            f'"{c:g}" = '
            f"{TRUTH['coupon_rate_per_h'] * arrhenius(c, TRUTH['coupon_temperature_c']):.6g}"
            for c in TEMPERATURES_C
        ),
        "",
        "[rim_ingress_rate_per_h]  # beside the light's",
        *(f'"{name}" = {rate:g}' for name, rate in RIM_RATE_PER_H.items()),
        "",
        "[cell]",
        *(f"{name} = {value:g}" for name, value in CELL.items()),
        f"start_ohm_sq = {TRUTH['start_ohm_sq']:g}",
    ]
    (folder / "truth.toml").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


LOG_STARTS = {
    "coupon_ageing.csv": (datetime(2026, 1, 12, 8, tzinfo=UTC), "film side"),
    "device_cells.csv": (datetime(2026, 1, 12, 8, tzinfo=UTC), "front"),
    "cut_on_ageing.csv": (datetime(2026, 2, 2, 9, tzinfo=UTC), "film side"),
}
POWER_CUT = (datetime(2026, 2, 14, 20, 40, tzinfo=UTC), datetime(2026, 2, 15, 10, 10, tzinfo=UTC))
HOURS_PER_READING = 2


def exposure_log(folder: Path) -> None:
    """The log of the chamber that gives the specimens of three ageing files their hours."""
    rows: list[tuple[datetime, datetime, str, str, str, str]] = []
    for name, (start, face) in LOG_STARTS.items():
        lines = (folder / name).read_text(encoding="utf-8").splitlines()
        readings: dict[tuple[str, str], list[float]] = {}
        for row in csv.DictReader(x for x in lines if not x.startswith("#")):
            if row["role"] == "lit":
                readings.setdefault((row["specimen"], row["group"]), []).append(float(row["hours"]))
        together: dict[tuple[str, tuple[float, ...]], list[str]] = {}
        for (specimen, group), hours in readings.items():
            behind = group if group.startswith("cut-on") else ""
            together.setdefault((behind, tuple(hours)), []).append(specimen)
        for (behind, hours), specimens in together.items():
            rows += [
                (*span, behind, "; ".join(specimens), face, comment)
                for *span, comment in lit_spans(start, hours)
            ]
    header = [n.format(title="Log of the chamber, invented") for n in AGEING_NOTES]
    header += ["timezone: UTC", "note: taken out for two hours at every reading; one power cut"]
    text = [f"# {n}" for n in header]
    text.append("start,end,lamp,set_point,set_point_unit,at_nm,filter,specimen,orientation,comment")
    text += [
        f"{start:%Y-%m-%dT%H:%M},{end:%Y-%m-%dT%H:%M},UVA-340 lamp,{SET_POINTS_W_M2_NM[1]:g},"
        f"W/m2/nm,340,{behind},{specimens},{face},{comment}"
        for start, end, behind, specimens, face, comment in sorted(rows)
    ]
    path = folder / "exposure_log.csv"
    path.write_text("\n".join(text) + "\n", encoding="utf-8", newline="\n")


def lit_spans(start: datetime, hours: Sequence[float]) -> Iterator[tuple[datetime, datetime, str]]:
    """Times under the lamp between readings at these hours of light, around the power cut."""
    off, on = POWER_CUT
    comment = ""
    for before, after in itertools.pairwise(hours):
        end = start + timedelta(hours=after - before)
        if start < off < end:
            yield start, off, comment
            start, end, comment = on, on + (end - off), "after the power cut"
        yield start, end, comment
        start, comment = end + timedelta(hours=HOURS_PER_READING), ""


def main() -> None:
    """Write all files."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=HERE)
    folder = parser.parse_args().out
    rng = np.random.default_rng(SEED)
    oxide(folder)
    web_sample(folder, rng)
    quantum_efficiency(folder, rng)
    ageing(folder)
    exposure_log(folder)


if __name__ == "__main__":
    main()
