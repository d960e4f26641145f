"""The exposure log of a scenario: what is asked, and the ledger put together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Literal

from optistack.errors import ScenarioError
from optistack.filters import Filter
from optistack.scenario.ingredients import Ingredients
from optistack.scenario.section import Section
from optistack.series_file import header_lines
from optistack.spectra import DEFAULT_BANDS_NM, BandNm, Spectrum
from optistack.stack import FilterStack
from optistack.tables import read_text

# Only where a scenario has a log.
if TYPE_CHECKING:
    from optistack.analysis.dose_ledger import ExposureLog, LampAgeing, Ledger


@dataclass(frozen=True, eq=False)
class LedgerQuestion:
    """An exposure log, and how it is to be added up.

    Attributes
    ----------
    log : ExposureLog
        Its lamps are lights of the scenario, its filters are filters of it.
    bands_nm : tuple of (float, float) [nm]
    ageing : mapping of lamp to LampAgeing
    overlap : "refuse" or "add"
    parallel_beam : bool
    lamps : mapping of str to Spectrum
    filters : mapping of str to Filter
        Those that the log names.
    """

    log: ExposureLog
    bands_nm: tuple[BandNm, ...]
    ageing: Mapping[str, LampAgeing]
    overlap: Literal["refuse", "add"]
    parallel_beam: bool
    lamps: Mapping[str, Spectrum]
    filters: Mapping[str, Filter]


class LedgerReader(Ingredients):
    """Reads the section ``[ledger]``."""

    def _ledger(self, section: Section) -> LedgerQuestion:
        from optistack.analysis.dose_ledger import LampAgeing, read_log

        zone = section.text("timezone", None)
        name = section.text("file")
        path = self._file(name, section.key_path("file"))
        log = read_log(path, timezone=zone)
        header = header_lines(read_text(path)[0])
        self._note_measurement("exposure log", name, log.sha256, header)
        where = section.key_path("file")
        lamps = {
            lamp: self.lights[self._defined(lamp, self.lights, "light", where)]
            for lamp in sorted({entry.lamp for entry in log})
        }
        filters: dict[str, Filter] = {}
        for behind in sorted({entry.filter for entry in log if entry.filter}):
            item = self.filters[self._defined(behind, self.filters, "filter", where)]
            if isinstance(item, FilterStack):
                raise ScenarioError(
                    f"filter {behind!r} of the log is given by its layers; give its transmittance",
                    where,
                )
            filters[behind] = item
        ageing: dict[str, LampAgeing] = {}
        for i, lamp in enumerate(section.texts("held", ())):
            self._defined(lamp, lamps, "lamp of the log", f"{section.key_path('held')}[{i}]")
            ageing[lamp] = LampAgeing("held", name=lamp)
        for lamp, table in section.named("ageing").items():
            self._defined(lamp, lamps, "lamp of the log", table.path)
            if lamp in ageing:
                raise ScenarioError("the lamp is held; it has no table", table.path)
            ageing[lamp] = self._within(table, partial(self._lamp_ageing, zone=zone))
        return LedgerQuestion(
            log=log,
            bands_nm=section.bands("bands_nm", DEFAULT_BANDS_NM),
            ageing=ageing,
            overlap=section.choice("overlap", ("refuse", "add"), "refuse"),
            parallel_beam=section.flag("parallel_beam", False),
            lamps=lamps,
            filters=filters,
        )

    def _lamp_ageing(self, section: Section, *, zone: str | None) -> LampAgeing:
        from optistack.analysis.dose_ledger import read_lamp_ageing

        name = section.text("file")
        path = self._file(name, section.key_path("file"))
        text, digest = read_text(path)
        self._note_measurement("ageing of a lamp", name, digest, header_lines(text))
        return read_lamp_ageing(
            path,
            timezone=zone,
            hours_before=section.number("hours_before", 0.0, low=0.0),
            outside=section.choice("outside", ("refuse", "hold"), "refuse"),
        )


def answer_ledger(question: LedgerQuestion) -> Ledger:
    """Add up the log.

    Raises
    ------
    OptistackError
        As in `optistack.analysis.dose_ledger.dose_ledger`.
    """
    from optistack.analysis.dose_ledger import dose_ledger

    return dose_ledger(
        question.log,
        question.lamps,
        question.filters,
        bands_nm=question.bands_nm,
        ageing=question.ageing,
        overlap=question.overlap,
        tilted="parallel beam" if question.parallel_beam else "refuse",
    )
