"""The page: doses from the log of the chamber."""

from __future__ import annotations

from collections.abc import Sequence

from optistack.report.markup import Json, bullets, paragraph, safe, table, value_cell
from optistack.report.wording import parts


def ledger_section(data: Json) -> str:
    part = data["ledger"]
    if part is None:
        return ""
    groups: dict[tuple[object, ...], list[Json]] = {}
    for dose in part["specimens"]:
        same = (_face(dose), dose["hours"], str(dose["photons_m2"]))
        groups.setdefault(same, []).append(dose)
    shown = [b for b, v in part["total"]["photons_m2"].items() if parts(v)[0]]
    rows = [
        [
            safe(joined([dose["specimen"] for dose in doses])),
            safe(_face(doses[0])),
            f"{doses[0]['hours']:g}",
            *(value_cell(doses[0]["radiant_exposure_kwh_m2"][band]) for band in shown),
        ]
        for doses in groups.values()
    ]
    dark = [b for b in part["total"]["photons_m2"] if b not in shown]
    out = [
        paragraph(
            "Incident on each specimen, behind its filters, from the log's set points; ranges are "
            "over the shapes that the lamps' spectra may have. Specimens with equal doses stand in "
            "one row; ledger.csv has every specimen, in photons too."
            + (f" No light in {', '.join(dark)} nm." if dark else "")
        ),
        table(
            "Radiant exposure of the specimens (kWh/m²)",
            ["specimens", "lit on", "hours of light", *(safe(f"{b} nm") for b in shown)],
            rows,
            words=2,
        ),
    ]
    if part["gaps"]:
        out.append("<h3>Without light between entries</h3>" + bullets(_outages(part), "notes"))
    if part["overlaps"]:
        said = [
            f"{x['specimen']}: {x['first']} and {x['second']}, {x['hours']:.4g} h"
            for x in part["overlaps"]
        ]
        out.append("<h3>Entries at the same time</h3>" + bullets(said, "notes"))
    return "".join([*out, bullets(part["notes"], "notes")])


def _outages(part: Json) -> list[str]:
    """How often and how long each group of specimens was without light; the longest by its time."""
    by_specimen: dict[str, list[Json]] = {}
    for gap in part["gaps"]:
        by_specimen.setdefault(gap["specimen"], []).append(gap)
    alike: dict[str, list[str]] = {}
    for name, gaps in by_specimen.items():
        longest = max(gaps, key=lambda gap: gap["hours"])
        times = "once" if len(gaps) == 1 else f"{len(gaps)} times"
        text = (
            f"{times}, {sum(gap['hours'] for gap in gaps):.4g} h in all; the longest, "
            f"{longest['hours']:.4g} h, from {longest['start'][:16]} UTC"
        )
        alike.setdefault(text, []).append(name)
    return [f"{joined(names)}: {text}" for text, names in alike.items()]


def joined(names: Sequence[str]) -> str:
    """Names in a row; a run of numbers after one name is written once.

    Examples
    --------
    >>> joined(["cell 1", "cell 2", "cell 3", "cell 7", "film"])
    'cell 1-3, cell 7, film'
    """
    runs: list[tuple[str, int, int]] = []
    out: list[str] = []

    def close() -> None:
        for stem, first, last in runs:
            out.append(f"{stem} {first}" + (f"-{last}" if last > first else ""))
        runs.clear()

    for name in names:
        stem, _, number = name.rpartition(" ")
        if not (stem and number.isascii() and number.isdigit() and str(int(number)) == number):
            close()
            out.append(name)
        elif runs and runs[-1][0] == stem and runs[-1][2] + 1 == int(number):
            runs[-1] = (stem, runs[-1][1], int(number))
        else:
            close()
            runs.append((stem, int(number), int(number)))
    close()
    return ", ".join(out)


def _face(dose: Json) -> str:
    angle = f"{dose['angle_deg']:g}°" if dose["angle_deg"] else ""
    return ", ".join(x for x in (dose["orientation"], angle) if x) or "not stated"
