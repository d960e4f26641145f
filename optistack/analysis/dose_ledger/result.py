"""What the ledger of an exposure log holds: lines, doses, gaps, curves over time."""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.analysis.dose_ledger.doses import (
    Lighting,
    Part,
    Quantity,
    SpecimenDose,
    over_lamps,
    specimen_dose,
    summed,
)
from optistack.analysis.dose_ledger.entries import (
    MICROSECONDS_PER_H,
    in_utc,
    moment,
    ticks,
)
from optistack.analysis.dose_ledger.lamp_ageing import merged
from optistack.analysis.dose_ledger.lines import Clockwork, Face, Gap, LedgerLine, Overlap
from optistack.errors import OptistackError
from optistack.exposure import ExposureResult
from optistack.plot_axes import axes
from optistack.spectra import BandNm
from optistack.spectral_math import J_PER_KWH, band_key
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]


# More curves than this cannot be told apart in a figure.
_MOST_LABELS = 12


@dataclass(frozen=True, eq=False)
class DoseCurve:
    """Incident dose of a specimen over time.

    Attributes
    ----------
    label : str
    band_nm : (float, float) [nm]
    times : tuple of datetime
        Starts and ends of its entries, in UTC.
    radiant_exposure_j_m2 : tuple of Value [J/m2]
        Up to each of them.
    """

    label: str
    band_nm: BandNm
    times: tuple[datetime, ...]
    radiant_exposure_j_m2: tuple[Value, ...]


@dataclass(frozen=True, eq=False)
class Ledger:
    """Incident dose of every specimen in an exposure log.

    Attributes
    ----------
    bands_nm : tuple of (float, float) [nm]
    lines : tuple of LedgerLine
        Every specimen of every entry.
    gaps : tuple of Gap
        Per specimen, in the order of time.
    overlaps : tuple of Overlap
    notes : tuple of str
    """

    bands_nm: tuple[BandNm, ...]
    lines: tuple[LedgerLine, ...]
    gaps: tuple[Gap, ...]
    overlaps: tuple[Overlap, ...]
    notes: tuple[str, ...]
    _work: Clockwork = field(repr=False)

    @property
    def faces(self) -> tuple[Face, ...]:
        """Every specimen with the faces it was lit on."""
        return tuple(sorted({line.face for line in self.lines}))

    @property
    def specimens(self) -> tuple[str, ...]:
        """Names of the specimens."""
        return tuple(sorted({line.specimen for line in self.lines}))

    @property
    def doses(self) -> tuple[SpecimenDose, ...]:
        """The dose of every specimen, its faces kept apart."""
        by_face: dict[Face, list[LedgerLine]] = {}
        for line in self.lines:
            by_face.setdefault(line.face, []).append(line)
        return tuple(self._dose(face, by_face[face]) for face in sorted(by_face))

    @property
    def total(self) -> SpecimenDose:
        """All specimens together: the sum over all lines, in specimen-hours."""
        hours = sum((Fraction(dose.hours) for dose in self.doses), Fraction(0))
        parts = [line.part for line in self.lines]
        return specimen_dose("all specimens", "", 0.0, float(hours), parts, self.bands_nm)

    def of(
        self, specimen: str, orientation: str | None = None, angle_deg: float | None = None
    ) -> SpecimenDose:
        """The dose of one specimen.

        Parameters
        ----------
        specimen : str
        orientation : str, optional
        angle_deg : float [deg], optional
            Needed where the specimen was lit on several faces or at several angles.

        Raises
        ------
        OptistackError
            No such specimen; several faces.
        """
        face = self._face(specimen, orientation, angle_deg)
        return self._dose(face, self._lines_of(face))

    def at(
        self,
        time: datetime,
        specimen: str,
        orientation: str | None = None,
        angle_deg: float | None = None,
    ) -> SpecimenDose:
        """The dose of one specimen up to a moment, which must know its time zone.

        Raises
        ------
        OptistackError
            As in `of`; a moment without time zone.
        """
        face = self._face(specimen, orientation, angle_deg)
        return self._dose(face, self._lines_of(face), until=ticks(in_utc(time, "time")))

    def dose_at_hours(
        self,
        hours: ArrayLike,
        specimen: str,
        band_nm: BandNm,
        *,
        photons: bool = False,
        orientation: str | None = None,
        angle_deg: float | None = None,
    ) -> Real:
        """Dose after so many hours of light: the axis on which readings at hours become rates.

        Parameters
        ----------
        hours : array_like [h]
            Of light on this face; outages do not count.
        specimen, orientation, angle_deg
            As in `of`.
        band_nm : (float, float) [nm]
        photons : bool
            Photons [1/m2] instead of radiant exposure [J/m2].

        Returns
        -------
        array, as ``hours``

        Raises
        ------
        OptistackError
            Hours that are negative, or more than the log has.
        """
        index = self._band(band_nm)
        face = self._face(specimen, orientation, angle_deg)
        lines = self._lines_of(face)
        spans = merged([line.entry.span for line in lines])
        asked = np.asarray(hours, dtype=float)
        longest = sum(end - start for start, end in spans) / MICROSECONDS_PER_H
        # A reading at the last hour is not refused for the rounding of its hours.
        if asked.size and not (asked.min() >= 0 and asked.max() <= longest * (1 + 1e-12)):
            raise OptistackError(
                f"specimen {specimen} has {longest:g} h of light in the log; asked for "
                f"{asked.min():g} to {asked.max():g} h"
            )
        at = [_tick_at(spans, round(float(h) * MICROSECONDS_PER_H)) for h in asked.ravel()]
        quantity: Quantity = "photon_flux_m2_s" if photons else "irradiance_w_m2"
        found = self._running(lines, at, quantity, index)
        return np.array([found[t].value for t in at]).reshape(asked.shape)

    def curve(
        self,
        specimen: str,
        band_nm: BandNm,
        orientation: str | None = None,
        angle_deg: float | None = None,
    ) -> DoseCurve:
        """Incident radiant exposure of one specimen over time."""
        index = self._band(band_nm)
        face = self._face(specimen, orientation, angle_deg)
        lines = self._lines_of(face)
        moments = sorted({t for line in lines for t in line.entry.span})
        values = self._running(lines, moments, "irradiance_w_m2", index)
        label = self._dose(face, []).label
        return DoseCurve(
            label,
            self.bands_nm[index],
            tuple(map(moment, moments)),
            tuple(values[t] for t in moments),
        )

    def absorbed_photons_m2(
        self,
        specimen: str,
        results: Mapping[tuple[str, str], ExposureResult],
        layer: str,
        band_nm: BandNm,
        orientation: str | None = None,
        angle_deg: float | None = None,
    ) -> Value:
        """Photons absorbed in a layer of the specimen's stack over the whole log [1/m2].

        Parameters
        ----------
        specimen, orientation, angle_deg
            As in `of`.
        results : mapping of (lamp, filter) to ExposureResult
            The stack lit on this face by the spectrum of that lamp, at any set point, with that
            filter mounted detached_far, or none ("").
        layer : str
        band_nm : (float, float) [nm]

        Raises
        ------
        OptistackError
            A lamp and filter without result; a result for another light, filter or angle.
        """
        index = self._band(band_nm)
        total: dict[str, list[Fraction]] = {}
        for part in self.of(specimen, orientation, angle_deg).parts:
            by = part.lighting
            result = results.get((by.lamp, by.filter))
            if result is None:
                raise OptistackError(
                    f"specimen {specimen} was under lamp {by.lamp!r} with filter {by.filter!r}; "
                    "give the exposure of its stack to them"
                )
            _require_same(by, result)
            share = np.nan_to_num(result.absorbed_fraction(layer, band_nm))
            sums = total.setdefault(by.lamp, [Fraction(0)] * share.size)
            for i, rate in enumerate(by.open_photon_flux_m2_s[index] * share):
                sums[i] += Fraction(float(rate)) * part.seconds
        return over_lamps(total.values())

    def to_frame(self) -> pd.DataFrame:
        """One row per entry, specimen and band."""
        import pandas as pd

        return pd.DataFrame(list(self._line_rows()))

    def totals_frame(self) -> pd.DataFrame:
        """One row per specimen, face and band."""
        import pandas as pd

        rows = []
        for dose in self.doses:
            for band in self.bands_nm:
                key = band_key(band)
                rows.append(
                    {
                        "specimen": dose.specimen,
                        "orientation": dose.orientation,
                        "angle_deg": dose.angle_deg,
                        "hours": dose.hours,
                        "band_nm": key,
                        **_ranged("radiant_exposure_j_m2", dose.radiant_exposure_j_m2[key]),
                        "radiant_exposure_kwh_m2": dose.radiant_exposure_kwh_m2[key].value,
                        **_ranged("photons_m2", dose.photons_m2[key]),
                        "grade": dose.grade,
                    }
                )
        return pd.DataFrame(rows)

    def plot(self, ax: Any = None, *, band_nm: BandNm | None = None) -> Any:
        """Incident radiant exposure over time, a curve per specimen, on a matplotlib Axes."""
        ax = axes(ax)
        band = self.bands_nm[0] if band_nm is None else band_nm
        for face in self.faces:
            curve = self.curve(face[0], band, face[1], face[2])
            dose = np.array([(v.value, v.low, v.high) for v in curve.radiant_exposure_j_m2])
            dose /= J_PER_KWH
            (line,) = ax.plot(curve.times, dose[:, 0], label=curve.label)
            if (dose[:, 2] > dose[:, 1]).any():
                ax.fill_between(
                    curve.times, dose[:, 1], dose[:, 2], color=line.get_color(), alpha=0.15, lw=0
                )
        ax.set_xlabel("time (UTC)")
        ax.set_ylabel(f"incident radiant exposure, {band_key(band)} nm (kWh/m2)")
        if len(self.faces) <= _MOST_LABELS:
            ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.totals_frame().to_html(index=False))

    def _line_rows(self) -> Iterator[dict[str, Any]]:
        for line in self.lines:
            entry = line.entry
            for i, band in enumerate(self.bands_nm):
                point = entry.set_point
                yield {
                    "line": entry.line,
                    "specimen": line.specimen,
                    "orientation": entry.orientation,
                    "angle_deg": entry.angle_deg,
                    "start": entry.start.isoformat(),
                    "end": entry.end.isoformat(),
                    "hours": entry.hours,
                    "lamp": entry.lamp,
                    "set_point": point.value,
                    "set_point_unit": point.unit,
                    "at_nm": point.at_nm,
                    "meter_band_nm": None if point.band_nm is None else band_key(point.band_nm),
                    "filter": entry.filter or "none",
                    "mean_factor": line.mean_factor,
                    "band_nm": band_key(band),
                    **_ranged("radiant_exposure_j_m2", line.part.dose("irradiance_w_m2", i)),
                    **_ranged("photons_m2", line.part.dose("photon_flux_m2_s", i)),
                }

    def _running(
        self, lines: Sequence[LedgerLine], at: Iterable[int], quantity: Quantity, band: int
    ) -> dict[int, Value]:
        """Dose up to each of these moments, in one pass over the lines."""
        asked = set(at)
        moments = sorted(asked | {t for line in lines for t in line.entry.span})
        steps: list[list[Part]] = [[] for _ in moments]
        for line in lines:
            start, end = line.entry.span
            first, last = bisect.bisect(moments, start), bisect.bisect_left(moments, end)
            for i in range(first, last + 1):
                steps[i].append(self._work.part(line, moments[i - 1], moments[i]))
        running: dict[int, Part] = {}
        out = {}
        for time, step in zip(moments, steps, strict=True):
            for part in step:
                before = running.get(id(part.lighting))
                seconds = part.seconds + (before.seconds if before else 0)
                running[id(part.lighting)] = Part(part.lighting, seconds)
            if time in asked:
                out[time] = summed(running.values(), quantity, band)
        return out

    def _band(self, band_nm: BandNm) -> int:
        asked = (float(band_nm[0]), float(band_nm[1]))
        if asked not in self.bands_nm:
            listed = ", ".join(band_key(b) for b in self.bands_nm)
            raise OptistackError(
                f"the ledger has no band {band_key(asked)} nm; it has {listed} nm. Name it in "
                "bands_nm"
            )
        return self.bands_nm.index(asked)

    def _face(self, specimen: str, orientation: str | None, angle_deg: float | None) -> Face:
        if specimen not in self.specimens:
            raise OptistackError(
                f"the log has no specimen {specimen!r}; it has {', '.join(self.specimens[:20])}"
            )
        found = [
            face
            for face in self.faces
            if face[0] == specimen
            and orientation in (None, face[1])
            and angle_deg in (None, face[2])
        ]
        if len(found) != 1:
            every = [face for face in self.faces if face[0] == specimen]
            listed = "; ".join(f"{o or 'not stated'}, {a:g} deg" for _, o, a in every)
            raise OptistackError(
                f"specimen {specimen} was lit on: {listed}. Say which: orientation, angle_deg"
            )
        return found[0]

    def _lines_of(self, face: Face) -> list[LedgerLine]:
        return [line for line in self.lines if line.face == face]

    def _dose(
        self, face: Face, lines: Sequence[LedgerLine], until: int | None = None
    ) -> SpecimenDose:
        spans = merged([line.entry.span for line in lines])
        lit = sum(max(0, (e if until is None else min(e, until)) - s) for s, e in spans)
        parts = [line.part for line in lines] if until is None else self._work.parts(lines, until)
        return specimen_dose(*face, lit / MICROSECONDS_PER_H, parts, self.bands_nm)


def _tick_at(spans: Sequence[tuple[int, int]], lit: int) -> int:
    """The moment by which there were so many microseconds of light."""
    for start, end in spans:
        if lit <= end - start:
            return start + lit
        lit -= end - start
    return spans[-1][1]


def _require_same(by: Lighting, result: ExposureResult) -> None:
    exposure = result.exposure
    if not exposure.light.same_source_as(by.light):
        raise OptistackError(
            f"exposure {exposure.name}: light {exposure.light.name} is not the spectrum of lamp "
            f"{by.lamp!r}"
        )
    far = [f.item.name for f in exposure.filters if f.mount == "detached_far"]
    if far != ([by.filter] if by.filter else []):
        raise OptistackError(
            f"exposure {exposure.name}: has far filters {', '.join(far) or '(none)'}, the log has "
            f"{by.filter or '(none)'}"
        )
    if exposure.geometry.angle_deg != by.angle_deg:
        raise OptistackError(
            f"exposure {exposure.name}: light at {exposure.geometry.angle_deg:g} deg, the log has "
            f"{by.angle_deg:g} deg"
        )


def _ranged(name: str, value: Value) -> dict[str, float]:
    return {name: value.value, f"{name}_low": value.low, f"{name}_high": value.high}
