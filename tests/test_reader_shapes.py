"""Shapes of export files, each built by hand from the same readings, read back to those readings.

The instruments are invented; what varies is what real files vary in: delimiter, decimal sign,
encoding, header, trailer, order, units, samples side by side, doubled and missing points.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import optistack as ost
from optistack.reader.units import EV_NM
from optistack.spectral_math import PHOTON_J_NM

LAM = [300.0, 350.0, 400.0, 450.0, 500.0]
T = [0.012, 0.25, 0.5, 0.805, 0.915]
OTHER = [0.9, 0.8, 0.7, 0.6, 0.55]
IRRADIANCE = [0.015, 0.5, 1.25, 1.5, 0.75]
EQE = [0.05, 0.31, 0.62, 0.71, 0.7]
N = [2.1, 2.0, 1.95, 1.92, 1.9]
K = [0.3, 0.1, 0.02, 0.004, 0.001]
HOURS = [0.0, 24.0, 72.0, 168.0, 500.0]
OHM = [15.5, 16.25, 18.0, 24.5, 91.0]
PERCENT = [100 * t for t in T]


def number(value: float, decimal: str = ".", form: str = ".7g") -> str:
    return format(value, form).replace(".", decimal)


def rows(
    *columns: list[float],
    delimiter: str = ";",
    decimal: str = ".",
    end: str = "\n",
    last: str = "",
    form: str = ".7g",
    reverse: bool = False,
) -> str:
    """Columns of numbers as lines."""
    table = list(zip(*columns, strict=True))
    if reverse:
        table.reverse()
    return "".join(
        delimiter.join(number(v, decimal, form) for v in row) + last + end for row in table
    )


@dataclass(frozen=True)
class Shape:
    """A file and what it must be read as."""

    text: str | bytes
    quantity: str = "transmittance"
    options: dict[str, Any] = field(default_factory=dict)
    x: list[float] = field(default_factory=lambda: LAM)
    y: list[float] = field(default_factory=lambda: T)
    k: list[float] | None = None
    said: tuple[str, ...] = ()
    made: str = ""


def percent(head: str = "nm;%T\n", tail: str = "", **dialect: Any) -> str:
    return head + rows(LAM, PERCENT, **dialect) + tail


def lamp(unit: str, factor: list[float] | float, **more: Any) -> Shape:
    """A lamp whose values are the irradiance over a factor."""
    values = (np.array(IRRADIANCE) / np.array(factor)).tolist()
    text = f"Wavelength [nm]\tSpectral irradiance [{unit}]\n"
    return Shape(
        text + rows(LAM, values, delimiter="\t", form=".12g"),
        "irradiance",
        y=IRRADIANCE,
        **more,
    )


ARR = np.array(LAM)
SHAPES: dict[str, Shape] = {
    # delimiter and decimal sign
    "semicolon, point": Shape(percent(), said=("semicolon-delimited, decimal point",)),
    "semicolon, comma": Shape(
        percent(decimal=","), said=("5 rows from line 2, semicolon-delimited, decimal comma",)
    ),
    "tab, point": Shape(percent("nm\t%T\n", delimiter="\t"), said=("tab-delimited",)),
    "tab, comma": Shape(percent("nm\t%T\n", delimiter="\t", decimal=",")),
    "comma, point": Shape(percent("nm,%T\n", delimiter=","), said=("comma-delimited",)),
    "blank, point": Shape(percent("nm %T\n", delimiter=" ")),
    "several blanks, comma": Shape(percent("nm    %T\n", delimiter="    ", decimal=",")),
    "aligned with blanks": Shape(
        "  nm          %T\n"
        + "".join(f"{a:8.1f}{b:14.4E}\n" for a, b in zip(LAM, PERCENT, strict=True))
    ),
    "comma and blank": Shape(percent("nm, %T\n", delimiter=", ")),
    "trailing semicolon": Shape(percent(last=";")),
    "two trailing commas": Shape(percent("nm,%T,,\n", delimiter=",", last=",,")),
    "trailing tab": Shape(percent("nm\t%T\t\n", delimiter="\t", last="\t")),
    "quoted cells": Shape(
        '"nm";"%T"\n' + "".join(f'"{a:g}";"{b:g}"\n' for a, b in zip(LAM, PERCENT, strict=True))
    ),
    "quoted decimal commas between commas": Shape(
        '"nm","%T"\n'
        + "".join(
            f'"{number(a, ",")}","{number(b, ",")}"\n' for a, b in zip(LAM, PERCENT, strict=True)
        )
    ),
    "exponents": Shape(percent(form=".6e")),
    "exponents with D": Shape(percent(form=".6e").replace("e", "D")),
    "plus signs": Shape(percent(form="+.6f")),
    "typographic minus": Shape(
        "nm;%T\n300;\u22120.5\n310;12\n", x=[300.0, 310.0], y=[-0.005, 0.12]
    ),
    "per cent signs at the numbers": Shape(
        "nm;T\n" + "".join(f"{a:g};{b:g} %\n" for a, b in zip(LAM, PERCENT, strict=True)),
        said=("percent, as its numbers say",),
    ),
    "per cent signs between blanks": Shape(
        "nm T\n" + "".join(f"{a:g} {b:g} %\n" for a, b in zip(LAM, PERCENT, strict=True))
    ),
    # lines and encodings
    "carriage returns": Shape(percent(end="\r\n").replace("%T\n", "%T\r\n")),
    "carriage returns alone": Shape(percent(end="\r").replace("%T\n", "%T\r")),
    "doubled line ends": Shape(percent(end="\r\r\n").replace("%T\n", "%T\r\r\n")),
    "no last line end": Shape(percent().rstrip("\n")),
    "UTF-8 with a mark": Shape(percent().encode("utf-8-sig")),
    "UTF-16 with a mark": Shape(percent().encode("utf-16")),
    "UTF-16 big endian with a mark": Shape(b"\xfe\xff" + percent().encode("utf-16-be")),
    "UTF-16 without a mark": Shape(
        percent().encode("utf-16-le"), said=("read as UTF-16 without a mark",)
    ),
    "Latin-1": Shape(("Gerät 4, 20 °C\n" + percent()).encode("latin-1"), said=("read as Latin-1",)),
    "Latin-1 with a micro sign in the unit": Shape(
        (
            "Wellenlänge [µm];Irradiance [µW/cm²/nm]\n"
            + rows([x / 1000 for x in LAM], [100 * y for y in IRRADIANCE])
        ).encode("latin-1"),
        "irradiance",
        y=IRRADIANCE,
        said=("wavelengths in um", "uW/cm2/nm", "Latin-1"),
    ),
    # header and trailer
    "no header": Shape(percent(""), said=("percent, since values reach 91.5", "only so")),
    "header of text": Shape(
        percent("Bench photometer 4 (invented)\nRun 17, 2 nm slit\n\nnm;%T\n"),
        said=("5 rows from line 5", "grade D"),
    ),
    "header of keys": Shape(
        "#instrument=bench 4\n#xunits=nm\n#yunits=%T\n#points=5\n" + rows(LAM, PERCENT),
        said=(
            "wavelengths in nm, as its header says (xunits)",
            "percent, as its header says (yunits)",
        ),
    ),
    "keys with colons": Shape(
        "Operator: none\nX axis units: nanometres\nOrdinate mode: %T\n" + rows(LAM, PERCENT),
        said=("in nm, as its header says (x axis units)", "percent, as its header says"),
    ),
    "keys and values parted by tabs": Shape(
        "Title\tpane\nX Unit\tnm\nY Unit\t%T\nslit\t2\n" + rows(LAM, PERCENT, delimiter="\t")
    ),
    "marker lines": Shape(
        "file begins\n>>>>> numbers begin <<<<<\n"
        + rows(LAM, PERCENT)
        + ">>>>> numbers end <<<<<\n"
    ),
    "numbers in the header": Shape(
        "300;500\n2;0.5;1\n\nnm;%T\n" + rows(LAM, PERCENT),
        said=("other rows of numbers, from line 1",),
    ),
    "trailer": Shape(percent(tail="\nEnd of scan\nlamp hours;1042\n")),
    "trailer of text": Shape(percent(tail="[END]\n")),
    "commented heading": Shape(percent("# wavelength (nm);T (%)\n")),
    "units in a line of their own": Shape(percent("Wavelength;Transmittance\nnm;%\n")),
    "unit glued to the word": Shape(percent("Wavelength_nm;T_%\n")),
    "words with blanks over blanks": Shape(percent("Wavelength (nm) T (%)\n", delimiter=" ")),
    "wide words over blanks": Shape(
        percent("Wavelength in nm    T in %\n", delimiter="    "), said=("percent",)
    ),
    # order, doubled, missing
    "long to short": Shape(percent(reverse=True), said=("long to short; reversed",)),
    "a grating change": Shape(
        "nm;%T\n" + rows(LAM[:3], PERCENT[:3]) + rows(LAM[2:], PERCENT[2:]),
        said=("1 wavelengths come more than once, up to 0 apart",),
    ),
    "a grating change with a step": Shape(
        "nm;%T\n300;10\n350;20\n350;20.6\n400;30\n",
        x=[300.0, 350.0, 400.0],
        y=[0.1, 0.203, 0.3],
        said=("the mean is taken",),
    ),
    "a large step, the last one meant": Shape(
        "nm;%T\n300;10\n350;20\n350;26\n400;30\n",
        options={"duplicates": "last"},
        x=[300.0, 350.0, 400.0],
        y=[0.1, 0.26, 0.3],
        said=("last where they do not (1 times), as stated",),
    ),
    "the first one meant, long to short": Shape(
        "nm;%T\n400;30\n350;20\n350;26\n300;10\n",
        options={"duplicates": "first"},
        x=[300.0, 350.0, 400.0],
        y=[0.1, 0.2, 0.3],
    ),
    "detectors that overlap": Shape(
        "nm;%T\n300;10\n310;20\n320;30\n330;40\n320;30\n330;40\n340;50\n",
        x=[300.0, 310.0, 320.0, 330.0, 340.0],
        y=[0.1, 0.2, 0.3, 0.4, 0.5],
        said=("2 pieces that overlap are put in order",),
    ),
    "a comment at the detector change": Shape(
        "nm;%T\n" + rows(LAM[:2], PERCENT[:2]) + "# detector 2\n" + rows(LAM[2:], PERCENT[2:]),
        said=("1 blank or commented lines", "line 4"),
    ),
    "a blank line between pieces": Shape(
        "nm;%T\n" + rows(LAM[:3], PERCENT[:3]) + "\n" + rows(LAM[3:], PERCENT[3:])
    ),
    "missing readings": Shape(
        "nm;%T\n300;12\n310;\n320;NaN\n330;---\n340;15\n",
        x=[300.0, 340.0],
        y=[0.12, 0.15],
        said=("3 empty or missing readings are left out, the first at 310 (line 3)",),
    ),
    "a word for missing readings": Shape(
        "nm;%T\n300;12\n310;OVER\n320;14\n330;15\n",
        options={"missing": "OVER"},
        x=[300.0, 320.0, 330.0],
        y=[0.12, 0.14, 0.15],
    ),
    # fractions, densities
    "fractions by name": Shape("nm;T (fraction)\n" + rows(LAM, T)),
    "fractions, stated": Shape("nm;T\n" + rows(LAM, T), options={"unit": "fraction"}),
    "fractions 0-1": Shape("nm;T (0-1)\n" + rows(LAM, T)),
    "optical density by name": Shape(
        "nm;Abs\n" + rows(LAM, (-np.log10(T)).tolist(), form=".17g"),
        said=("optical density", "10^-(optical density)"),
    ),
    "optical density, stated": Shape(
        "nm;y\n" + rows(LAM, (-np.log10(T)).tolist(), form=".17g"),
        options={"unit": "optical_density"},
    ),
    "noise below zero": Shape(
        "nm;%T\n300;-0.02\n310;0.01\n320;85\n",
        x=[300.0, 310.0, 320.0],
        y=[-0.0002, 0.0001, 0.85],
        said=("1 readings below 0 or above 1 are kept", "no stray-light floor is stated"),
    ),
    "stray-light floor": Shape(
        "nm;%T\n300;0.004\n310;0.01\n320;85\n",
        options={"stray_light_floor": 2e-4},
        x=[300.0, 310.0, 320.0],
        y=[4e-5, 1e-4, 0.85],
        said=("stray-light floor 0.0002, as stated; 2 readings",),
    ),
    "regular": Shape("mode;regular\n" + percent(), said=("regular transmittance, as its header",)),
    "hemispherical": Shape(
        "accessory: integrating sphere\n" + percent(), said=("hemispherical transmittance, as its",)
    ),
    "hemispherical, stated": Shape(percent(), options={"measurement": "hemispherical"}),
    # samples
    "columns beside one of wavelengths": Shape(
        "nm;bare %;foil %\n" + rows(LAM, [100 * y for y in OTHER], PERCENT),
        options={"sample": "foil"},
        said=("2 samples, a column each",),
    ),
    "columns by number": Shape(
        "nm,a,b,c\n" + rows(LAM, OTHER, T, OTHER, delimiter=","),
        options={"sample": 2, "unit": "fraction"},
        said=("sample 2, 'b', as stated",),
    ),
    "pairs": Shape(
        "bare;;foil;\nnm;%T;nm;%T\n" + rows(LAM, [100 * y for y in OTHER], LAM, PERCENT),
        options={"sample": "foil"},
        said=("2 samples, pairs of columns", "sample 'foil'"),
    ),
    "pairs, the first": Shape(
        "foil,,bare,\nnm,%T,nm,%T\n"
        + rows(LAM, PERCENT, LAM, [100 * y for y in OTHER], delimiter=","),
        options={"sample": "foil"},
    ),
    "pairs of other length": Shape(
        "long;;foil;\nnm;%T;nm;%T\n"
        + rows(LAM, [100 * y for y in OTHER], LAM, PERCENT)
        + "550;50;;\n600;45;;\n",
        options={"sample": 2},
    ),
    "pairs, stated": Shape(
        rows(LAM, [100 * y for y in OTHER], LAM, PERCENT), options={"layout": "pairs", "sample": 2}
    ),
    "pairs with a trailing delimiter": Shape(
        "bare,,foil,,\nnm,%T,nm,%T,\n"
        + rows(LAM, [100 * y for y in OTHER], LAM, PERCENT, delimiter=",", last=","),
        options={"sample": "foil"},
    ),
    "rows that are numbered": Shape(
        "No.;Wavelength (nm);T (%)\n" + rows([1, 2, 3, 4, 5], LAM, PERCENT),
        said=("wavelengths in column 2",),
    ),
    "rows that are numbered, no names": Shape(
        rows([1, 2, 3, 4, 5], LAM, PERCENT), options={"wavelength_column": 2, "sample": 2}
    ),
    "wavelengths and energies": Shape(
        "Wavelength (nm);Energy (eV);T (%)\n"
        + rows(LAM, (EV_NM / ARR).tolist(), PERCENT, form=".9g"),
        said=("the one in nm is taken", "no transmittance by their names are left out"),
    ),
    "value first": Shape("T (%);Wavelength (nm)\n" + rows(PERCENT, LAM)),
    "transmittance and reflectance": Shape(
        "nm;%R;%T;%A\n" + rows(LAM, OTHER, PERCENT, OTHER), said=("left out: '%R', '%A'",)
    ),
    "reflectance and transmittance": Shape(
        "nm;R (%);T (%)\n" + rows(LAM, PERCENT, [100 * y for y in OTHER]), "reflectance"
    ),
    "a column of standard deviations": Shape(
        "nm;%T;std\n" + rows(LAM, PERCENT, [0.1] * 5), said=("left out: 'std'",)
    ),
    "two scans, the second meant": Shape(
        "nm;%T\n" + rows(LAM, OTHER) + "second scan\n" + percent(),
        options={"block": 2},
        said=("block 2 of 2",),
    ),
    # wavelengths
    "micrometres": Shape(
        "um;%T\n" + rows([x / 1000 for x in LAM], PERCENT), said=("in um, as its header says",)
    ),
    "electronvolts": Shape(
        "Photon energy (eV);%T\n" + rows((EV_NM / ARR).tolist(), PERCENT, form=".17g"),
        said=("wavelengths in eV", "turned into nm"),
    ),
    "wavenumbers": Shape(
        "cm⁻¹;%T\n" + rows((1e7 / ARR).tolist(), PERCENT, form=".17g", reverse=True)
    ),
    "wavenumbers, stated": Shape(
        rows((1e7 / ARR).tolist(), PERCENT, form=".17g"), options={"wavelength_unit": "cm-1"}
    ),
    "angstroms": Shape("Wavelength (Å);%T\n" + rows([10 * x for x in LAM], PERCENT)),
    # lamps
    "W/m2/nm": lamp("W/m²/nm", 1.0, said=("values in W/m2/nm",)),
    "W m-2 nm-1": lamp("W·m⁻²·nm⁻¹", 1.0),
    "mW/m2/nm": lamp("mW/(m^2 nm)", 1e-3, said=("mW/m2/nm",)),
    "uW/cm2/nm": lamp("uW/cm2/nm", 1e-2),
    "mW cm-2 nm-1": lamp("mW cm^-2 nm^-1", 10.0),
    "W/m2/um": lamp("W/m2/um", 1e-3),
    "W/m2/eV": lamp("W/m2/eV", (EV_NM / ARR**2).tolist(), said=("per eV are turned",)),
    "photons/m2/s/nm": lamp("photons/(m2 s nm)", (PHOTON_J_NM / ARR).tolist()),
    "photons/cm2/s/nm": lamp("photon flux, cm-2 s-1 nm-1", (1e4 * PHOTON_J_NM / ARR).tolist()),
    "umol/m2/s/nm": lamp("µmol m⁻² s⁻¹ nm⁻¹", (1e-6 * 6.02214076e23 * PHOTON_J_NM / ARR).tolist()),
    "counts": Shape(
        "nm;counts\n" + rows(LAM, [5, 20, 70, 60, 40]),
        "irradiance",
        y=[5, 20, 70, 60, 40],
        made="relative_spectral_irradiance",
    ),
    "negative noise of a lamp": Shape(
        "nm;W/m2/nm\n300;-0.001\n310;0.5\n320;1\n",
        "irradiance",
        x=[300.0, 310.0, 320.0],
        y=[0.0, 0.5, 1.0],
        said=(
            "1 negative values, down to -0.001 (0.001 of the largest), are noise and taken as 0",
        ),
    ),
    # cells
    "efficiency in percent": Shape(
        "Wavelength (nm),EQE (%)\n" + rows(LAM, [100 * y for y in EQE], delimiter=","),
        "eqe",
        y=EQE,
    ),
    "responsivity": Shape(
        "nm;Responsivity (A/W)\n" + rows(LAM, (np.array(EQE) * ARR / EV_NM).tolist(), form=".17g"),
        "eqe",
        y=EQE,
        said=("responsivity x h c / (e lambda)",),
    ),
    "responsivity in mA/W": Shape(
        "nm;mA/W\n" + rows(LAM, (1000 * np.array(EQE) * ARR / EV_NM).tolist(), form=".17g"),
        "eqe",
        y=EQE,
    ),
    # n and k
    "n and k": Shape("nm n k\n" + rows(LAM, N, K, delimiter=" "), "nk", y=N, k=K),
    "n and k without names": Shape(
        rows(LAM, N, K, delimiter=","), "nk", options={"unit": "nk"}, y=N, k=K
    ),
    "n alone": Shape("um,n\n" + rows([x / 1000 for x in LAM], N, delimiter=","), "nk", y=N),
    "n and k one below the other": Shape(
        "um,n\n"
        + rows([x / 1000 for x in LAM], N, delimiter=",")
        + "\num,k\n"
        + rows([x / 1000 for x in LAM], K, delimiter=","),
        "nk",
        y=N,
        k=K,
        said=("n from line 2 and k from line 9",),
    ),
    "eps1 and eps2": Shape(
        "eV\teps1\teps2\n"
        + rows(
            (EV_NM / ARR).tolist(),
            ((np.array(N) + 1j * np.array(K)) ** 2).real.tolist(),
            ((np.array(N) + 1j * np.array(K)) ** 2).imag.tolist(),
            delimiter="\t",
            form=".17g",
        ),
        "nk",
        y=N,
        k=K,
        said=("square root of eps1 + i eps2",),
    ),
    "n, k and eps": Shape(
        "nm n k e1 e2\n" + rows(LAM, N, K, [4.0] * 5, [1.0] * 5, delimiter=" "), "nk", y=N, k=K
    ),
    # sheet resistance
    "hours and ohms": Shape(
        "time (h);R (ohm/sq)\n" + rows(HOURS, OHM), "sheet-resistance", x=HOURS, y=OHM
    ),
    "days and kiloohms": Shape(
        "days,Rs [kΩ/□]\n"
        + rows([h / 24 for h in HOURS], [r / 1000 for r in OHM], delimiter=",", form=".17g"),
        "sheet-resistance",
        x=HOURS,
        y=OHM,
        said=("times in d", "kohm/sq"),
    ),
    "minutes, stated": Shape(
        rows([60 * h for h in HOURS], OHM, delimiter="\t"),
        "sheet-resistance",
        options={"time_unit": "min", "unit": "ohm/sq", "decimal": "."},
        x=HOURS,
        y=OHM,
    ),
}


def test_there_are_enough_shapes() -> None:
    assert len(SHAPES) >= 90


@pytest.mark.parametrize("name", SHAPES)
def test_shape(name: str, tmp_path: Path) -> None:
    shape = SHAPES[name]
    path = tmp_path / "scan.txt"
    path.write_bytes(shape.text if isinstance(shape.text, bytes) else shape.text.encode())
    export = ost.read_export(path, shape.quantity, **shape.options)
    np.testing.assert_allclose(export.wavelength_nm, shape.x, rtol=1e-9)
    columns = list(export.columns.values())
    np.testing.assert_allclose(columns[0], shape.y, rtol=1e-9)
    assert len(columns) == (1 if shape.k is None else 2)
    if shape.k is not None:
        np.testing.assert_allclose(columns[1], shape.k, rtol=1e-9)
    if shape.made:
        assert export.quantity == shape.made
    text = "\n".join(export.assumptions)
    for part in shape.said:
        assert part in text, text
    # What was read is written, and read again to the last bit.
    out = ost.export_to_table(export, tmp_path / "table.csv")
    again = ost.read_export(out, shape.quantity)
    assert again.wavelength_nm.tobytes() == export.wavelength_nm.tobytes()
    assert list(again.columns) == list(export.columns)
    for column, values in export.columns.items():
        assert again.columns[column].tobytes() == values.tobytes()
    assert again.metadata["source_sha256"] == export.sha256
    assert again.measurement == export.measurement
    assert again.stray_light_floor == export.stray_light_floor
