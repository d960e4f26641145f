"""The command constants: n and k of a film from its measured transmittance and reflectance."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optistack.cli.progress import Progress, write_json
from optistack.errors import OptistackError

if TYPE_CHECKING:
    from optistack.analysis.optical_constants import FilmMeasurement, OpticalConstants
    from optistack.reader import Export

_FIGURES = (".png", ".svg", ".pdf")
# Answers for every export among the files.
_ANSWERS = {
    "unit": "fraction, percent or optical_density",
    "wavelength_unit": "nm, um, angstrom, eV or cm-1",
    "delimiter": "semicolon, comma, tab or blanks",
    "decimal": "decimal sign, . or ,",
    "missing": "what stands for a reading that failed",
    "block": "which block of numbers, from 1",
    "wavelength_column": "from 1",
    "layout": "samples side by side: columns or pairs",
    "duplicates": "readings of one wavelength that differ: mean, first or last",
    "measurement": "regular or hemispherical",
}


def add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "constants",
        parents=[common],
        help="n and k of a film from its transmittance and reflectance",
        description="n and k of a film on a known substrate, with 95 percent intervals and a flag "
        "at every wavelength, written as a table that a scenario can use.",
        epilog="Files: tables of optistack, or text exports of an instrument. Methods and their "
        "limits: docs/optical_constants.md.",
    )
    parser.add_argument("transmittance", metavar="TRANSMITTANCE", type=Path)
    parser.add_argument("--reflectance", metavar="FILE", type=Path)
    parser.add_argument("--out", metavar="TABLE.csv", type=Path, required=True)
    parser.add_argument("--figure", metavar="FILE", type=Path, help="draw n and k (png, svg, pdf)")
    parser.add_argument("--force", action="store_true", help="replace existing files")
    film = parser.add_argument_group("film")
    film.add_argument("--thickness-nm", metavar="NM", type=float, required=True)
    film.add_argument(
        "--thickness-std-nm",
        metavar="NM",
        type=float,
        required=True,
        help="standard deviation of the thickness; 0: exact; large: fitted",
    )
    film.add_argument("--n", metavar="N", help="n, if known: a number, a table's name or a file")
    film.add_argument("--n-std", metavar="STD", type=float, help="standard deviation of n")
    film.add_argument("--method", choices=("auto", "pointwise", "causal", "model"), default="auto")
    film.add_argument(
        "--model",
        metavar="TERMS",
        help='"cauchy_urbach", or for example "drude + 2 lorentz", "tauc_lorentz"',
    )
    under = parser.add_argument_group("substrate")
    under.add_argument(
        "--substrate",
        metavar="MATERIAL",
        required=True,
        help="a table's name, a file, an entry of the database or a number",
    )
    under.add_argument("--substrate-thickness-mm", metavar="MM", type=float, default=1.0)
    under.add_argument(
        "--substrate-transmittance", metavar="FILE", type=Path, help="of the bare substrate"
    )
    how = parser.add_argument_group("measurement")
    how.add_argument("--noise", metavar="STD", type=float, help="of T, absolute (else estimated)")
    how.add_argument("--reflectance-noise", metavar="STD", type=float, help="(else as of T)")
    how.add_argument("--transmittance-scale-std", metavar="STD", type=float, default=0.0)
    how.add_argument(
        "--reflectance-scale-std",
        metavar="STD",
        type=float,
        default=0.0,
        help="relative doubt about the scale, for R that of the mirror",
    )
    how.add_argument("--stray-light-floor", metavar="T", type=float, help="that T may contain")
    how.add_argument("--angle-deg", metavar="DEG", type=float, default=0.0)
    how.add_argument("--reflectance-angle-deg", metavar="DEG", type=float, default=0.0)
    how.add_argument("--light-from", choices=("film", "substrate"), default="film")
    how.add_argument("--band-nm", metavar=("FROM", "TO"), type=float, nargs=2)
    files = parser.add_argument_group("what a file may leave open (see also optistack read)")
    for name, what in _ANSWERS.items():
        kind = int if name in ("block", "wavelength_column") else str
        files.add_argument("--" + name.replace("_", "-"), metavar="WHAT", type=kind, help=what)
    for name, what in (("", "T"), ("reflectance-", "R"), ("substrate-", "the substrate's T")):
        files.add_argument(f"--{name}sample", metavar="NAME", help=f"which sample is {what}")
    parser.set_defaults(command=_constants)


def _constants(options: argparse.Namespace) -> int:
    from optistack.analysis.optical_constants import optical_constants

    _check_outputs(options)
    n = None if options.n is None else _index(options.n)
    measurement = _measurement(options)
    progress = Progress()
    progress("fitting n and k")
    try:
        result = optical_constants(
            measurement, method=options.method, n=n, n_std=options.n_std, model=options.model
        )
    finally:
        progress.stop()
    written = _write(result, options)
    if options.json:
        write_json(_as_json(result, written))
        return 0
    sys.stdout.write(result.summary())
    for path in written:
        sys.stdout.write(f"written: {path}\n")
    return 0


def _check_outputs(options: argparse.Namespace) -> None:
    """Refuse before a fit that takes seconds, not after it."""
    if options.out.suffix.lower() != ".csv":
        raise OptistackError(f"--out {options.out}: a table ends in .csv")
    if options.figure is not None and options.figure.suffix.lower() not in _FIGURES:
        raise OptistackError(f"--figure {options.figure}: ends in one of {', '.join(_FIGURES)}")
    inputs = [options.transmittance, options.reflectance, options.substrate_transmittance]
    for path in (options.out, options.figure):
        if path is None:
            continue
        if any(i is not None and i.resolve() == path.resolve() for i in inputs):
            raise OptistackError(f"{path}: is one of the measured files; choose another name")
        if path.exists() and not (options.force and path.is_file()):
            raise OptistackError(f"{path}: exists; replace it with --force or choose another name")
        if not path.parent.is_dir():
            raise OptistackError(f"{path}: there is no folder {path.parent}")


def _index(text: str) -> Any:
    """A number, or a material."""
    from optistack.materials import material

    try:
        return float(text)
    except ValueError:
        return material(text)


def _measurement(options: argparse.Namespace) -> FilmMeasurement:
    from optistack.analysis.optical_constants import FilmMeasurement
    from optistack.materials import material

    bare, mirror = options.substrate_transmittance, options.reflectance
    return FilmMeasurement.from_readings(
        _export(options, options.transmittance, "transmittance", options.sample),
        reflectance=None
        if mirror is None
        else _export(options, mirror, "reflectance", options.reflectance_sample),
        substrate_transmittance=None
        if bare is None
        else _export(options, bare, "transmittance", options.substrate_sample),
        band_nm=None if options.band_nm is None else tuple(options.band_nm),
        thickness_nm=options.thickness_nm,
        thickness_std_nm=options.thickness_std_nm,
        substrate=material(_index(options.substrate)),
        substrate_thickness_nm=options.substrate_thickness_mm * 1e6,
        noise=options.noise,
        reflectance_noise=options.reflectance_noise,
        transmittance_scale_std=options.transmittance_scale_std,
        reflectance_scale_std=options.reflectance_scale_std,
        angle_deg=options.angle_deg,
        reflectance_angle_deg=options.reflectance_angle_deg,
        light_from=options.light_from,
        name=options.out.stem,
        **(
            {}
            if options.stray_light_floor is None
            else {"stray_light_floor": options.stray_light_floor}
        ),
    )


def _export(options: argparse.Namespace, path: Path, quantity: str, sample: str | None) -> Export:
    """A file; the answers are for exports, a table leaves nothing open."""
    from optistack.reader import read_export
    from optistack.reader.tabled import table_kind
    from optistack.reader.text import decode

    answers = {name: getattr(options, name) for name in _ANSWERS}
    if path.is_file() and table_kind(decode(path)[0]):
        answers = {}
    return read_export(path, quantity, sample=sample, **answers)


def _write(result: OpticalConstants, options: argparse.Namespace) -> list[str]:
    try:
        written = [str(result.to_table(options.out))]
        if options.figure is not None:
            from matplotlib.figure import Figure

            figure = Figure(layout="constrained")
            result.plot(figure.subplots())
            part = options.figure.with_name(f".{options.figure.name}.part")
            figure.savefig(part, format=options.figure.suffix[1:].lower())
            part.replace(options.figure)
            written.append(str(options.figure))
    except OSError as error:
        raise OptistackError(f"{options.out}: cannot be written ({error.strerror})") from None
    return written


def _as_json(result: OpticalConstants, written: list[str]) -> dict[str, Any]:
    def number(x: float) -> float | None:
        return float(x) if math.isfinite(x) else None

    return {
        "files": written,
        "method": result.method,
        "grade": result.grade,
        "thickness_nm": result.thickness_nm.to_json(),
        "chi_square": number(result.chi_square),
        "degrees_of_freedom": number(result.degrees_of_freedom),
        "misfit": result.misfit,
        "parameters": {name: value.to_json() for name, value in result.parameters.items()},
        "ranges": [
            {"flag": flag, "from_nm": low, "to_nm": high} for flag, low, high in result.ranges()
        ],
        "doubts": list(result.doubts()),
        "wavelength_nm": result.wavelength_nm.tolist(),
        **{
            name: [number(x) for x in getattr(result, name)]
            for name in ("n", "n_low", "n_high", "k", "k_low", "k_high")
        },
    }
