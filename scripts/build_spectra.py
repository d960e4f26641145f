"""Build the light tables in ``spectra/``.

Three kinds of light come out of this script:

* the three spectra of ASTM G173-03, copied from the table that pvlib carries;
* three lamp models (fluorescent UVA-340 and UVB-313, xenon arc with daylight filters), each the
  smoothest curve whose band shares lie inside the limits of the weathering standards
  (``shared/reference/weathering_lamp_uv_bands.csv``);
* one invented visible-rich plasma lamp.

Run ``python scripts/build_spectra.py`` to rewrite the folder, or give ``--out DIR``. The result is
the same byte for byte on every run; a test relies on that. ``docs/lights.md`` explains the lights.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import constants
from scipy.interpolate import BSpline
from scipy.linalg import cholesky, null_space, solve_triangular
from scipy.optimize import nnls

Array = NDArray[np.float64]

ROOT = Path(__file__).resolve().parent.parent
LIMITS_FILE = ROOT / "shared" / "reference" / "weathering_lamp_uv_bands.csv"
RETRIEVED = "2026-11-25"
VARIANTS = ("mid", "short_rich", "short_poor")
REFERENCE_NM = 340.0
# Six decimals at a value of 1 at 340 nm keep the band shares to 1e-4 percentage points.
DECIMALS = 6
# The curves are fitted on the grid they are written on, so that the band shares of the written,
# piecewise linear table are the intended ones, not those of a curve behind it.
GRID_STEP_NM = 0.5
KNOT_STEP_NM = 2.5


# --- band shares -----------------------------------------------------------------------------


def read_limits(
    lamp: str, standards: Sequence[str], path: Path = LIMITS_FILE
) -> dict[str, tuple[float, float]]:
    """Read the limits of a lamp, the stricter one where two standards differ.

    Parameters
    ----------
    lamp : str
        Start of the lamp's name in the file.
    standards : sequence of str
        Texts of which one must occur in the standard's column.
    path : Path
        The table of limits.

    Returns
    -------
    dict
        Band as written (``"<290"``, ``"290-320"``, ...) -> (lowest, highest) share [percent].

    Raises
    ------
    ValueError
        If the file has no row for the lamp.
    """
    with path.open(encoding="utf-8", newline="") as stream:
        rows = csv.DictReader(line for line in stream if not line.startswith("#"))
        limits: dict[str, tuple[float, float]] = {}
        for row in rows:
            if not row["lamp"].startswith(lamp):
                continue
            if not any(standard in row["standard"] for standard in standards):
                continue
            low, high = float(row["min_percent"] or 0.0), float(row["max_percent"])
            known = limits.get(row["band_nm"], (low, high))
            limits[row["band_nm"]] = (max(low, known[0]), min(high, known[1]))
    if not limits:
        raise ValueError(f"{path.name}: no limits for {lamp!r} of {', '.join(standards)}")
    return limits


def band_shares(limits: Sequence[tuple[float, float]], variant: str) -> list[float]:
    """Choose band shares inside limits that add up to 100 percent.

    ``short_rich`` gives each band, from the shortest on, the highest share that the lower limits of
    the bands after it leave; ``short_poor`` likewise the lowest share that their upper limits
    allow. ``mid`` puts every band at the same fraction of the way from its lower to its upper
    limit.

    Parameters
    ----------
    limits : sequence of (float, float)
        Lowest and highest share of each band [percent], shortest band first.
    variant : {"mid", "short_rich", "short_poor"}
        The rule.

    Returns
    -------
    list of float
        Shares [percent], in the order of `limits`.

    Raises
    ------
    ValueError
        If no shares inside the limits add up to 100 percent, or the variant is unknown.
    """
    lowest, highest = sum(low for low, _ in limits), sum(high for _, high in limits)
    if not lowest <= 100.0 <= highest:
        raise ValueError(f"limits allow sums from {lowest:g} to {highest:g} percent, not 100")
    if variant == "mid":
        fraction = (100.0 - lowest) / (highest - lowest)
        return [low + fraction * (high - low) for low, high in limits]
    if variant not in VARIANTS:
        raise ValueError(f"unknown variant {variant!r}, one of {', '.join(VARIANTS)}")
    shares: list[float] = []
    for index, (low, high) in enumerate(limits):
        left = 100.0 - sum(shares)
        later = limits[index + 1 :]
        if variant == "short_rich":
            shares.append(min(high, left - sum(other for other, _ in later)))
        else:
            shares.append(max(low, left - sum(other for _, other in later)))
    return shares


# --- the smoothest curve with given band integrals -------------------------------------------


def solve_quadratic_programme(
    hessian: Array, equality: Array, target: Array, inequality: Array
) -> Array:
    """Minimise x H x / 2 subject to A x = b and G x >= 0.

    The active inequalities come from the least-distance form solved with non-negative least
    squares (Lawson and Hanson, Solving Least Squares Problems, chapter 23; from memory). The point
    itself is then solved for with these as equalities, and the optimality conditions are checked.

    Parameters
    ----------
    hessian : ndarray, shape (n, n)
        H, positive definite where A x = 0.
    equality : ndarray, shape (m, n)
        A.
    target : ndarray, shape (m,)
        b.
    inequality : ndarray, shape (p, n)
        G, no row zero.

    Returns
    -------
    ndarray, shape (n,)
        The minimum.

    Raises
    ------
    RuntimeError
        If the conditions contradict each other or the optimality conditions fail.
    """
    hessian = hessian / np.abs(hessian).max()
    inequality = inequality / np.linalg.norm(inequality, axis=1)[:, None]
    start = np.linalg.lstsq(equality, target, rcond=None)[0]
    free = null_space(equality)
    lower = cholesky(free.T @ hessian @ free, lower=True)
    shift = solve_triangular(lower, free.T @ hessian @ start, lower=True)
    rows = solve_triangular(lower, (inequality @ free).T, lower=True).T
    bound = rows @ shift - inequality @ start
    scale = np.linalg.norm(rows, axis=1)
    rows, bound = rows / scale[:, None], bound / scale
    bound = bound / np.abs(bound).max()
    weights, residual = nnls(
        np.vstack([rows.T, bound]), np.append(np.zeros(rows.shape[1]), 1.0), maxiter=20_000
    )
    if residual < 1e-9:
        raise RuntimeError("no curve meets all the conditions")
    active = weights > 1e-10 * weights.max()

    fixed = np.vstack([equality, inequality[active]])
    wanted = np.append(target, np.zeros(int(active.sum())))
    point = np.linalg.lstsq(fixed, wanted, rcond=None)[0]
    free = null_space(fixed)
    solution: Array = point - free @ np.linalg.solve(
        free.T @ hessian @ free, free.T @ (hessian @ point)
    )
    multipliers = np.linalg.lstsq(fixed.T, hessian @ solution, rcond=None)[0][len(target) :]
    size = np.abs(solution).max()
    if (inequality @ solution).min() < -1e-9 * size:
        raise RuntimeError("an inequality is broken")
    if multipliers.size and multipliers.min() < -1e-9 * np.abs(hessian @ solution).max():
        raise RuntimeError("a multiplier has the wrong sign: not the minimum")
    return solution


@dataclass(frozen=True)
class Shape:
    """What is asked of a lamp curve besides its band shares.

    Attributes
    ----------
    onset_nm, end_nm : float
        Range of the curve [nm]; value and slope are zero at the onset.
    peak_nm : float
        The curve rises up to here and falls after [nm].
    bell_fwhm_nm : float or None
        Full width at half height of the bell about the peak against which curvature is judged
        [nm]; None judges it equally everywhere.
    end_slope_per_nm : float or None
        Relative slope f'/f at the end [1/nm]; None means value and slope zero at the end.
    """

    onset_nm: float
    end_nm: float
    peak_nm: float
    bell_fwhm_nm: float | None
    end_slope_per_nm: float | None = None


# Curvature counts at most 1 / 0.02 times as much far from the peak as at the peak.
BELL_FLOOR = 0.02


def smoothest_curve(
    bands: Sequence[tuple[float, float]], shares: Sequence[float], shape: Shape
) -> tuple[Array, Array]:
    """Smoothest curve with the given band integrals, rising to its peak and falling after.

    Minimises the integral of (f'' / w)^2, f a cubic spline and w the bell of `shape` (1 without
    one). Band integrals are those of the piecewise linear table, exact by trapezoids.

    Parameters
    ----------
    bands : sequence of (float, float)
        Band limits [nm], on the grid.
    shares : sequence of float
        Integral of the curve over each band [percent].
    shape : Shape
        Range, peak and ends.

    Returns
    -------
    wavelength_nm : ndarray, shape (wavelength,)
        Grid from onset to end [nm].
    curve : ndarray, shape (wavelength,)
        The curve [percent/nm].

    Raises
    ------
    RuntimeError
        If no curve meets all the conditions.
    """
    knots = np.linspace(
        shape.onset_nm,
        shape.peak_nm,
        round((shape.peak_nm - shape.onset_nm) / KNOT_STEP_NM) + 1,
    )
    if shape.end_nm > shape.peak_nm:
        pieces = round((shape.end_nm - shape.peak_nm) / KNOT_STEP_NM)
        knots = np.append(knots, np.linspace(shape.peak_nm, shape.end_nm, pieces + 1)[1:])
    padded = np.concatenate([[knots[0]] * 3, knots, [knots[-1]] * 3])
    count = len(padded) - 4
    splines = BSpline(padded, np.eye(count), 3)
    grid = np.arange(
        shape.onset_nm / GRID_STEP_NM, shape.end_nm / GRID_STEP_NM + 0.5, dtype=np.float64
    )
    grid *= GRID_STEP_NM
    basis = np.asarray(splines(grid), dtype=np.float64)

    # f'' is linear between knots: two Gauss points a piece are exact without a bell, and close to
    # it with one, which varies little over a piece.
    nodes, node_weights = np.polynomial.legendre.leggauss(2)
    half = (knots[1:] - knots[:-1]) / 2.0
    points = (((knots[1:] + knots[:-1]) / 2.0)[:, None] + nodes * half[:, None]).ravel()
    bell = np.ones_like(points)
    if shape.bell_fwhm_nm is not None:
        offset = (points - shape.peak_nm) / shape.bell_fwhm_nm
        bell = BELL_FLOOR + (1.0 - BELL_FLOOR) * np.exp(-4.0 * np.log(2.0) * offset**2)
    weight = np.sqrt((node_weights * half[:, None]).ravel()) / bell
    curvature = np.asarray(splines(points, nu=2), dtype=np.float64) * weight[:, None]

    equality = []
    for low, high in bands:
        trapezoid = np.where((grid >= low) & (grid <= high), GRID_STEP_NM, 0.0)
        trapezoid[(grid == low) | (grid == high)] = GRID_STEP_NM / 2.0
        equality.append(trapezoid @ basis)
    target = list(shares)
    # Zero value and slope at an end: the two coefficients there are zero, hence left out.
    kept = slice(2, count - 2)
    if shape.end_slope_per_nm is not None:
        kept = slice(2, count)
        slope = np.asarray(splines(shape.end_nm, nu=1), dtype=np.float64)
        equality.append(KNOT_STEP_NM * (slope - shape.end_slope_per_nm * basis[-1]))
        target.append(0.0)
    rising = np.where(grid[1:] <= shape.peak_nm, 1.0, -1.0)[:, None]
    inequality = (np.diff(basis, axis=0) * rising)[:, kept]
    inequality = inequality[np.linalg.norm(inequality, axis=1) > 1e-12]

    curvature = curvature[:, kept]
    coefficients = solve_quadratic_programme(
        curvature.T @ curvature, np.array(equality)[:, kept], np.array(target), inequality
    )
    return grid, basis[:, kept] @ coefficients


# --- the lamps -------------------------------------------------------------------------------


def planck_shape(wavelength_nm: Array | float, temperature_k: float) -> Array:
    """Spectral shape of a black body per wavelength, arbitrary scale.

    Parameters
    ----------
    wavelength_nm : array_like
        Wavelength [nm].
    temperature_k : float
        Temperature [K].

    Returns
    -------
    ndarray
        wavelength^-5 / (exp(hc / wavelength kT) - 1), with the wavelength in micrometres.
    """
    length_m = np.asarray(wavelength_nm, dtype=np.float64) * 1e-9
    exponent = constants.h * constants.c / (length_m * constants.k * temperature_k)
    return np.asarray((length_m * 1e6) ** -5.0 / np.expm1(exponent), dtype=np.float64)


@dataclass(frozen=True)
class Lamp:
    """A lamp model: where its limits stand and what shape is asked.

    Attributes
    ----------
    title, source : str
        Header texts.
    lamp : str
        Start of the lamp's name in the table of limits.
    standards : tuple of str
        The standards whose limits hold.
    share_band_nm : str
        The band of which the standard gives percentages [nm].
    table_start_nm : float
        First wavelength of the table; zeros from here to the onset [nm].
    short_share : bool
        Whether the model emits below 290 nm.
    shape : Shape
        The curve up to 400 nm.
    continuum_k : float or None
        Temperature of the black-body continuum from 400 nm on [K]; None ends the table at 400 nm.
    notes : tuple of str
        Header notes of this lamp.
    """

    title: str
    source: str
    lamp: str
    standards: tuple[str, ...]
    share_band_nm: str
    table_start_nm: float
    short_share: bool
    shape: Shape
    continuum_k: float | None
    notes: tuple[str, ...]


XENON_CONTINUUM_K = 5900.0
XENON_END_NM = 1100.0


def _xenon_slope_per_nm() -> float:
    """Relative slope of the continuum at 400 nm [1/nm], from the derivative of Planck's law."""
    length_m = 400e-9
    exponent = constants.h * constants.c / (length_m * constants.k * XENON_CONTINUUM_K)
    return float((exponent / -np.expm1(-exponent) - 5.0) / 400.0)


_FLUORESCENT_NOTES = (
    (
        "nothing above 400 nm by convention of this table; real lamps emit a few per cent there,"
        " the mercury lines at 405 and 436 nm among it"
    ),
    "mercury lines at 313, 334 and 365 nm are not resolved: their share is spread over their band",
)

LAMPS: Mapping[str, Lamp] = {
    "uva340": Lamp(
        title="Fluorescent lamp UVA-340 (type 1A), model in three variants",
        source=(
            "band limits of ASTM G154 table 1 and ISO 4892-3 type 1A (from memory, unverified),"
            " curve computed by scripts/build_spectra.py"
        ),
        lamp="fluorescent UVA-340",
        standards=("G154", "4892-3"),
        share_band_nm="250-400",
        table_start_nm=280.0,
        short_share=False,
        shape=Shape(onset_nm=295.0, end_nm=400.0, peak_nm=343.0, bell_fwhm_nm=None),
        continuum_k=None,
        notes=(
            "peak at 343 nm: common practice, from memory, no source",
            (
                "no emission below 295 nm: common practice, from memory, no source; the limit of"
                " 0.01 % below 290 nm is met by zeros"
            ),
            *_FLUORESCENT_NOTES,
        ),
    ),
    "uvb313": Lamp(
        title="Fluorescent lamp UVB-313 (type 2), model in three variants",
        source=(
            "band limits of ASTM G154 table 3 and ISO 4892-3 type 2 (from memory, unverified),"
            " curve computed by scripts/build_spectra.py"
        ),
        lamp="fluorescent UVB-313",
        standards=("G154",),
        share_band_nm="250-400",
        table_start_nm=270.0,
        short_share=True,
        shape=Shape(onset_nm=270.0, end_nm=400.0, peak_nm=313.0, bell_fwhm_nm=40.0),
        continuum_k=None,
        notes=(
            "peak at 313 nm: common practice, from memory, no source",
            "no emission below 270 nm: assumption; the share below 290 nm lies in 270-290 nm",
            *_FLUORESCENT_NOTES,
        ),
    ),
    "xenon_daylight": Lamp(
        title="Xenon arc with daylight filters, model in three variants",
        source=(
            "band limits of ASTM G155 table 1 and ISO 4892-2 table 1 (method A), the stricter of"
            " both (from memory, unverified), curve computed by scripts/build_spectra.py"
        ),
        lamp="xenon arc, daylight filters",
        standards=("G155", "4892-2"),
        share_band_nm="290-400",
        table_start_nm=280.0,
        short_share=False,
        shape=Shape(
            onset_nm=290.0,
            end_nm=400.0,
            peak_nm=400.0,
            bell_fwhm_nm=None,
            end_slope_per_nm=_xenon_slope_per_nm(),
        ),
        continuum_k=XENON_CONTINUUM_K,
        notes=(
            "no emission below 290 nm; the limit of 0.15 % there is met by zeros",
            (
                f"above 400 nm an assumption: black body of {XENON_CONTINUUM_K:g} K, joined in"
                " value and slope at 400 nm"
            ),
            "xenon lines at 820-1000 nm and the filters' edges above 400 nm are left out",
        ),
    ),
}


def lamp_bands(lamp: Lamp) -> tuple[list[str], list[tuple[float, float]], dict[str, list[float]]]:
    """Bands of a lamp model and the shares of its variants.

    Parameters
    ----------
    lamp : Lamp
        The lamp.

    Returns
    -------
    names : list of str
        Band names as in the table of limits.
    bands : list of (float, float)
        Band limits inside the range of the curve [nm].
    shares : dict
        Variant -> share of each band [percent].
    """
    limits = read_limits(lamp.lamp, lamp.standards)
    if not lamp.short_share:
        # Zero is inside the limit, and leaves the other bands their whole range.
        limits = {name: value for name, value in limits.items() if name != "<290"}
    bands = []
    for name in limits:
        low, high = ("0", name[1:]) if name.startswith("<") else name.split("-")
        bands.append((max(float(low), lamp.shape.onset_nm), min(float(high), lamp.shape.end_nm)))
    values = list(limits.values())
    return list(limits), bands, {name: band_shares(values, name) for name in VARIANTS}


def build_lamp(lamp: Lamp) -> tuple[Array, dict[str, Array]]:
    """Compute the table of a lamp model.

    Parameters
    ----------
    lamp : Lamp
        The lamp.

    Returns
    -------
    wavelength_nm : ndarray, shape (wavelength,)
        Grid [nm].
    columns : dict
        Variant -> relative spectral irradiance, 1 at 340 nm.
    """
    _, bands, shares = lamp_bands(lamp)
    lead_nm = np.arange(lamp.table_start_nm, lamp.shape.onset_nm, GRID_STEP_NM)
    tail_nm = np.array([])
    if lamp.continuum_k is not None:
        tail_nm = np.arange(lamp.shape.end_nm + 1.0, XENON_END_NM + 0.5)
    columns: dict[str, Array] = {}
    for variant in VARIANTS:
        grid, curve = smoothest_curve(bands, shares[variant], lamp.shape)
        tail = np.array([])
        if lamp.continuum_k is not None:
            continuum = planck_shape(tail_nm, lamp.continuum_k)
            tail = curve[-1] * continuum / planck_shape(lamp.shape.end_nm, lamp.continuum_k)
        whole = np.concatenate([np.zeros_like(lead_nm), curve, tail])
        # Rounding noise of the solver must not reach the table as a negative number.
        whole = whole / float(curve[grid == REFERENCE_NM][0])
        columns[variant] = np.round(whole, DECIMALS) + 0.0
    return np.concatenate([lead_nm, grid, tail_nm]), columns


def build_plasma() -> tuple[Array, Array]:
    """Compute the invented plasma lamp: one broad asymmetric hump on the wavelength axis.

    Returns
    -------
    wavelength_nm : ndarray, shape (wavelength,)
        Grid [nm].
    relative : ndarray, shape (wavelength,)
        Relative spectral irradiance, 1 at 520 nm.
    """
    grid = np.arange(280.0, 1100.5)
    stretched = np.log((grid - 230.0) / (520.0 - 230.0)) / 0.33
    relative: Array = np.exp(-0.5 * stretched**2)
    return grid, np.round(relative, DECIMALS)


# --- writing ---------------------------------------------------------------------------------


def shortest(value: float) -> str:
    """Shortest decimal text that reads back to the same number, without a trailing ``.0``."""
    return repr(float(value)).removesuffix(".0")


def table_text(
    header: Sequence[tuple[str, str]], wavelength_nm: Array, columns: Mapping[str, Array]
) -> str:
    """Text of one table in the project's table format.

    Parameters
    ----------
    header : sequence of (str, str)
        Keys and values in order, without the range, which is put before the grade.
    wavelength_nm : ndarray, shape (wavelength,)
        Grid [nm].
    columns : mapping
        Column name -> values, shape (wavelength,).

    Returns
    -------
    str
        The text, lines ended by LF.
    """
    span = f"{shortest(wavelength_nm[0])} {shortest(wavelength_nm[-1])}"
    lines = ["# optistack-table: 1"]
    for key, value in header:
        if key == "grade":
            lines.append(f"# range_nm: {span}")
        lines.append(f"# {key}: {value}")
    lines.append(",".join(["wavelength_nm", *columns]))
    for row in zip(wavelength_nm, *columns.values(), strict=True):
        lines.append(",".join(shortest(cell) for cell in row))
    return "\n".join(lines) + "\n"


def solar_tables() -> dict[str, str]:
    """The three spectra of ASTM G173-03 from pvlib's table, name -> text."""
    # Only this part needs pvlib, which is slow to import.
    from pvlib.spectrum import get_reference_spectra

    spectra = get_reference_spectra(standard="ASTM G173-03")
    caveat = (
        "G173 itself says it is not meant as a benchmark of solar radiation in 280-400 nm for"
        " weathering"
    )
    meaning = {
        "am15g": (
            "global",
            "AM1.5 global on a 37 degree tilted plane, ASTM G173-03",
            "hemispherical irradiance on a plane tilted 37 degrees towards the equator",
            caveat,
        ),
        "am15d": (
            "direct",
            "AM1.5 direct and circumsolar, ASTM G173-03",
            "direct normal irradiance with the circumsolar part",
            caveat,
        ),
        "am0_g173": (
            "extraterrestrial",
            "Extraterrestrial sun of ASTM G173-03",
            "irradiance above the atmosphere that G173 starts from; not ASTM E490",
        ),
    }
    texts = {}
    grid = spectra.index.to_numpy(dtype=np.float64)
    for name, (column, title, *notes) in meaning.items():
        header = [
            ("title", title),
            ("quantity", "spectral_irradiance"),
            ("units", "wavelength nm; spectral irradiance W/m2/nm"),
            ("source", "ASTM G173-03 tables, from pvlib.spectrum.get_reference_spectra"),
            ("licence", "BSD-3-Clause (pvlib); the values are facts of the standard"),
            ("retrieved", RETRIEVED),
            ("kind", "standard"),
            ("grade", "A"),
            ("uncertainty", "not stated"),
            *(("note", note) for note in notes),
        ]
        values = spectra[column].to_numpy(dtype=np.float64)
        texts[name] = table_text(header, grid, {"spectral_irradiance_w_m2_nm": values})
    return texts


def lamp_tables() -> dict[str, str]:
    """The lamp models, name -> text."""
    texts = {}
    for name, lamp in LAMPS.items():
        names, _, shares = lamp_bands(lamp)
        grid, columns = build_lamp(lamp)
        split = [
            f"{variant}: share of {lamp.share_band_nm} nm in "
            + ", ".join(
                f"{band} nm {share:.2f} %"
                for band, share in zip(names, shares[variant], strict=True)
            )
            for variant in VARIANTS
        ]
        smoothness = "curvature counted equally everywhere"
        if lamp.shape.bell_fwhm_nm is not None:
            smoothness = (
                f"curvature counted relative to a bell of {lamp.shape.bell_fwhm_nm:g} nm full width"
                " at half height (width of a lamp phosphor's band: from memory, no source)"
            )
        header = [
            ("title", lamp.title),
            ("quantity", "relative_spectral_irradiance"),
            ("units", "wavelength nm; relative spectral irradiance, 1 at 340 nm"),
            ("source", lamp.source),
            ("licence", "MIT; the limits are facts, no licence needed"),
            ("retrieved", RETRIEVED),
            ("kind", "model"),
            ("grade", "C"),
            (
                "uncertainty",
                "the three variants span the standard's limits, not a confidence range",
            ),
            ("note", "the band limits are from memory, unverified"),
            *(("note", text) for text in split),
            ("note", f"inside the bands the smoothest curve of one peak, {smoothness}"),
            *(("note", text) for text in lamp.notes),
            ("note", "each variant is rescaled separately to the set point by the program"),
        ]
        texts[name] = table_text(header, grid, columns)
    return texts


def plasma_table() -> dict[str, str]:
    """The invented plasma lamp, name -> text."""
    header = [
        ("title", "Microwave plasma lamp, visible-rich (invented)"),
        ("quantity", "relative_spectral_irradiance"),
        ("units", "wavelength nm; relative spectral irradiance, 1 at 520 nm"),
        ("source", "invented by the project; formula in scripts/build_spectra.py"),
        ("licence", "MIT"),
        ("retrieved", RETRIEVED),
        ("kind", "invented"),
        ("grade", "D"),
        ("uncertainty", "not stated"),
        ("note", "invented: no lamp was measured; never a check of anything"),
        ("note", "smooth molecular-like continuum, little in 280-400 nm, no lines"),
    ]
    grid, values = build_plasma()
    return {"plasma_visible": table_text(header, grid, {"relative_spectral_irradiance": values})}


def build(out: Path) -> list[Path]:
    """Write all tables and the checksums of every table in the folder.

    Parameters
    ----------
    out : Path
        The folder; made if it is missing.

    Returns
    -------
    list of Path
        The tables written.
    """
    out.mkdir(parents=True, exist_ok=True)
    written = []
    for name, text in {**solar_tables(), **lamp_tables(), **plasma_table()}.items():
        path = out / f"{name}.csv"
        path.write_bytes(text.encode("utf-8"))
        written.append(path)
    lines = ["[sha256]"]
    for path in sorted(out.glob("*.csv")):
        lines.append(f'"{path.name}" = "{hashlib.sha256(path.read_bytes()).hexdigest()}"')
    (out / "CHECKSUMS.toml").write_bytes(("\n".join(lines) + "\n").encode("utf-8"))
    return written


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line: ``--out DIR``, by default the project's ``spectra/``."""
    parser = argparse.ArgumentParser(description="Build the light tables.")
    parser.add_argument("--out", type=Path, default=ROOT / "spectra", help="folder to write into")
    build(parser.parse_args(arguments).out)


if __name__ == "__main__":
    main()
