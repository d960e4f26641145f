"""The file that ageing data come in: one row per reading."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from optistack.ageing import CENSORED, QUANTITIES, ROLES, AgeingData, Specimen
from optistack.errors import OptistackError, TableError
from optistack.series_file import header_lines, is_invented, named_rows
from optistack.spectral_math import ZERO_CELSIUS_K
from optistack.tables import read_text

# Above this a temperature in degrees Celsius is taken for kelvin.
_HOTTEST_C = 250.0
_TEXT_COLUMNS = ("specimen", "role", "group", "censored", "excluded")
_NUMBER_COLUMNS = (
    "hours",
    "sd",
    "absorbed_rate",
    "temperature_c",
    "rim_loss_share",
    "centre_loss_share",
    "loss_share_sd",
)


def read_ageing(
    path: str | Path, *, sd: float | None = None, dose_unit: str | None = None
) -> AgeingData:
    """Read specimens from a CSV file with one row per reading.

    Columns: ``specimen``, ``hours``, one of `QUANTITIES`, and as needed ``role`` (lit, dark, dry),
    ``group``, ``absorbed_rate``, ``temperature_c``, ``sd`` (of the reading, in its unit),
    ``censored`` (at_least, at_most), ``excluded`` (the reason), ``rim_loss_share``,
    ``centre_loss_share``, ``loss_share_sd``. Lines that begin with # are comments; of them
    "# invented: true" marks invented data, "# sd: 0.02" states the noise of all readings (of the
    logarithm) and "# dose_unit: ..." names what absorbed_rate times hours is counted in.

    Parameters
    ----------
    path : str or Path
    sd, dose_unit : optional
        As in `AgeingData`; what the file states when not given.

    Raises
    ------
    TableError
        With file and line.
    """
    path = Path(path)
    return ageing_from_text(read_text(path)[0], path, sd=sd, dose_unit=dose_unit)


def ageing_from_text(
    text: str, path: Path, *, sd: float | None = None, dose_unit: str | None = None
) -> AgeingData:
    """As `read_ageing`, from what the file holds; ``path`` is for names and messages."""
    stated = header_lines(text)
    (first, names), *rows = named_rows(text, path, "a row of column names and then readings")
    quantity = _quantity(names, path, first)
    found: dict[str, list[dict[str, str]]] = {}
    at: dict[str, int] = {}
    for number, row in rows:
        record = dict(zip(names, row, strict=True)) | {"line": str(number)}
        found.setdefault(record["specimen"], []).append(record)
        at.setdefault(record["specimen"], number)
    specimens = []
    for name, records in found.items():
        try:
            specimens.append(_specimen(name, records, quantity, path))
        except TableError:
            raise
        except OptistackError as error:
            raise TableError(str(error), path, at[name]) from None
    if sd is None and "sd" in stated:
        sd = _number(stated["sd"], "sd", path, 1)
    return AgeingData(
        tuple(specimens),
        quantity,
        sd=sd,
        dose_unit=dose_unit or stated.get("dose_unit", "h"),
        name=path.stem,
        invented=is_invented(stated),
    )


def _quantity(names: list[str], path: Path, line: int) -> str:
    have = [n for n in names if n in QUANTITIES]
    if len(have) != 1:
        raise TableError(
            f"needs exactly one column of {', '.join(QUANTITIES)}; "
            f"there {'are ' + ', '.join(have) if have else 'is none'}",
            path,
            line,
        )
    unknown = [n for n in names if n not in (*_TEXT_COLUMNS, *_NUMBER_COLUMNS, *have)]
    if unknown or len(set(names)) != len(names):
        raise TableError(
            f"unknown or double column {', '.join(unknown)}; allowed beside {have[0]}: "
            f"{', '.join((*_TEXT_COLUMNS, *_NUMBER_COLUMNS))} (one unit each)",
            path,
            line,
        )
    missing = [n for n in ("specimen", "hours") if n not in names]
    if missing:
        raise TableError(f"column {', '.join(missing)} is missing", path, line)
    return have[0]


def _number(text: str, name: str, path: Path, line: int) -> float:
    try:
        return float(text)
    except ValueError:
        raise TableError(f"{name}: {text[:40]!r} is not a number", path, line) from None


def _specimen(name: str, records: list[dict[str, str]], quantity: str, path: Path) -> Specimen:
    def column(key: str) -> list[float]:
        return [_number(r[key], key, path, int(r["line"])) for r in records]

    def one(key: str) -> str:
        texts = list(dict.fromkeys(r.get(key, "") for r in records))
        if len(texts) > 1:
            raise TableError(
                f"{key} of specimen {name} changes from {texts[0]!r} to {texts[1]!r}",
                path,
                int(records[0]["line"]),
            )
        return texts[0]

    def single(key: str) -> float | None:
        text = one(key)
        return None if text == "" else _number(text, key, path, int(records[0]["line"]))

    flags = []
    for r in records:
        if r.get("censored", "") not in CENSORED:
            raise TableError(
                f"censored: {r['censored']!r} is not one of at_least, at_most or empty",
                path,
                int(r["line"]),
            )
        flags.append(CENSORED[r.get("censored", "")])
    role = one("role") or "lit"
    if role not in ROLES:
        raise TableError(
            f"role {role!r} is not one of {', '.join(ROLES)}", path, int(records[0]["line"])
        )
    celsius = single("temperature_c")
    if celsius is not None and celsius > _HOTTEST_C:
        raise TableError(
            f"temperature_c of specimen {name} is {celsius:g}; give degrees Celsius, not kelvin",
            path,
            int(records[0]["line"]),
        )
    rate = single("absorbed_rate")
    if rate is None and role == "lit" and "absorbed_rate" in records[0]:
        raise TableError(
            f"absorbed_rate of specimen {name} is empty; give it for every lit specimen or leave "
            "the column out",
            path,
            int(records[0]["line"]),
        )
    return Specimen(
        name=name,
        hours=np.array(column("hours")),
        values=np.array(column(quantity)),
        role=role,  # type: ignore[arg-type]  # one of ROLES, checked above
        absorbed_rate=1.0 if rate is None else rate,
        temperature_k=None if celsius is None else celsius + ZERO_CELSIUS_K,
        group=one("group"),
        censored=np.array(flags),
        excluded={i: r["excluded"] for i, r in enumerate(records) if r.get("excluded")},
        sd=np.array(column("sd")) if "sd" in records[0] else None,
        rim_loss_share=single("rim_loss_share"),
        centre_loss_share=single("centre_loss_share"),
        loss_share_sd=single("loss_share_sd") or 0.0,
    )
