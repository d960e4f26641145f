"""The plan: a row per cycle, set point and filter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from optistack.analysis.exposure_plan.qualification import QualificationRow, QualificationTest
from optistack.analysis.exposure_plan.sheets import plan_sheet, reporting_sheet, span
from optistack.criteria import Criterion, over_all, three
from optistack.errors import OptistackError
from optistack.plot_axes import draw_ranges, label_rows, row_axes
from optistack.rate_terms import Knowledge
from optistack.spectra import BandNm, Spectrum
from optistack.spectral_math import band_key
from optistack.value import Value, short
from optistack.weathering_cycles import Cycle, SetPoint

if TYPE_CHECKING:
    import pandas as pd

_NEARLY = 1.25


@dataclass(frozen=True, eq=False)
class PlanHours:
    """One way of counting.

    Attributes
    ----------
    criterion : Criterion
    light_hours : Value [h]
        Over the lamp's variants and the range of p; given, in the reverse direction.
    clock_hours : Value or None [h]
        With dark and wet phases; None where the cycle's times are not stated.
    site_years : Value
    site_share : float
        Of what the device absorbs at the site in 280-400 nm, the share in this part of it; 1 for
        other ways of counting.
    """

    criterion: Criterion
    light_hours: Value
    clock_hours: Value | None
    site_years: Value
    site_share: float = 1.0


@dataclass(frozen=True, eq=False)
class PlanRow:
    """One cycle at one set point behind one filter.

    Attributes
    ----------
    cycle : Cycle
        With conditions (temperature, humidity, phases) and mark.
    set_point : SetPoint
    light : Spectrum
        The lamp at that set point.
    filter, mount : str
        "none" and "" without one more filter.
    hours : tuple of PlanHours
        Ways of counting in which the lamp or the site has nothing are left out.
    over_weights, years_over_weights : Value or None
        Light hours [h] and site years over all weights; the first weight's as the value.
    absorbed_photons_m3_s : Value [1/(m3 s)]
        In the layer of the coupon, 280-400 nm.
    intensity_over_site : Value
        Over the device's mean at the site, weighted with the dose.
    flags : tuple of str
        Intensities too far off for the rate law; empty where all is well.
    regions : tuple of str
        Wavelengths that only the lamp or only the sun has.
    closest : bool
        The filter option of this cycle and set point that brings the weights closest together;
        of those that do nearly as well (`closest`) the quickest.
    """

    cycle: Cycle
    set_point: SetPoint
    light: Spectrum
    filter: str
    mount: str
    hours: tuple[PlanHours, ...]
    over_weights: Value | None
    years_over_weights: Value | None
    absorbed_photons_m3_s: Value
    intensity_over_site: Value
    flags: tuple[str, ...]
    regions: tuple[str, ...]
    closest: bool = False

    @property
    def filter_label(self) -> str:
        """The filter with its mount, as "edge 375 (laminated)"."""
        return f"{self.filter} ({self.mount})" if self.mount else self.filter

    @property
    def spread(self) -> float:
        """The longest over the shortest answer, over weights, the lamp's variants and p."""
        years, hours = self.years_over_weights, self.over_weights
        if years is None or hours is None:
            return float("inf")
        return (hours.high / hours.low) * (years.high / years.low)

    @property
    def clock_over_weights(self) -> Value | None:
        """Hours of the clock over all weights [h]; None where times are not stated."""
        share, light = self.cycle.light_share, self.over_weights
        if share is None or light is None:
            return None
        return Value(light.value / share.value, light.low / share.high, light.high / share.low)

    @property
    def within_tested(self) -> bool:
        """Whether no intensity is more than 10 times off."""
        return not self.flags


def closest(rows: Sequence[PlanRow]) -> PlanRow:
    """The row whose answers over the weights lie closest together.

    Rows with a flag come last. Of rows that are within a quarter of the best the one with the
    fewest hours (the most years): a filter that halves the light and gains nothing is no gain.
    """
    good = [r for r in rows if r.within_tested] or list(rows)
    least = min(r.spread for r in good)
    near = [r for r in good if r.spread <= _NEARLY * least]
    return min(near, key=_effort)


def _effort(row: PlanRow) -> float:
    if row.over_weights is None or row.years_over_weights is None:
        return float("inf")
    return row.over_weights.high / row.years_over_weights.low


@dataclass(frozen=True, eq=False)
class PlanResult:
    """What gives a coupon the device's dose.

    Attributes
    ----------
    layer, coupon_layer, specimen, device, site : str
    years : float or None
    light_hours : float or None [h]
        The one of the two that was asked for.
    rows : tuple of PlanRow
    left_out : tuple of (Cycle, str)
        Cycles that cannot be planned, with the reason.
    qualification : tuple of QualificationRow
        A row per lamp.
    test : QualificationTest
    meter_band_nm : (float, float) [nm]
    exponent : Knowledge
    grade : str
        Worst grade of a table that carries more than 5 % of an answer: A standard, D a guess.
    notes : tuple of str
    """

    layer: str
    coupon_layer: str
    specimen: str
    device: str
    site: str
    years: float | None
    light_hours: float | None
    rows: tuple[PlanRow, ...]
    left_out: tuple[tuple[Cycle, str], ...]
    qualification: tuple[QualificationRow, ...]
    test: QualificationTest
    meter_band_nm: BandNm
    exponent: Knowledge
    grade: str
    notes: tuple[str, ...] = ()

    def row(self, cycle: str | None = None, filter: str | None = None) -> PlanRow:
        """One row, by the cycle's name and the filter's; the first set point if there are two.

        A filter in two mounts is told by "edge 375 (laminated)".

        Without a cycle, the row that `closest` finds; without a filter, the cycle's closest.

        Raises
        ------
        OptistackError
            No such row; a cycle that was left out.
        """
        for c, why in self.left_out:
            if c.name == cycle:
                raise OptistackError(
                    f"{cycle} cannot be planned: {why}. Bring a measured spectrum of the lamp"
                )
        found = [
            r
            for r in self.rows
            if cycle in (None, r.cycle.name)
            and (
                filter in (r.filter, r.filter_label)
                if filter is not None
                else cycle is None or r.closest
            )
        ]
        if not found:
            names = list(dict.fromkeys(r.cycle.name for r in self.rows))
            kinds = list(dict.fromkeys(r.filter_label for r in self.rows))
            raise OptistackError(
                f"no row for cycle {cycle!r} and filter {filter!r}; cycles: {'; '.join(names)}; "
                f"filters: {', '.join(kinds)}"
            )
        if cycle is not None:
            return found[0]
        return closest(found)

    def to_frame(self) -> pd.DataFrame:
        """One row per cycle, set point, filter and way of counting; then the cycles left out."""
        import pandas as pd

        out = []
        for r in self.rows:
            for h in r.hours:
                out.append(
                    {
                        "cycle": r.cycle.name,
                        "status": r.cycle.mark,
                        "lamp": r.cycle.lamp,
                        "spectrum": r.light.name,
                        "set_point": r.set_point.label,
                        "conditions": r.cycle.conditions,
                        "timing": r.cycle.timing,
                        "filter": r.filter,
                        "mount": r.mount,
                        "closest_filter": r.closest,
                        "criterion": h.criterion.kind,
                        "key": h.criterion.key,
                        "band_nm": band_key(h.criterion.band_nm),
                        **three("light_hours", h.light_hours),
                        **three("clock_hours", h.clock_hours),
                        **three("site_years", h.site_years),
                        "site_share": h.site_share,
                        **three("absorbed_photons_m3_s", r.absorbed_photons_m3_s),
                        "intensity_over_site": r.intensity_over_site.value,
                        "flags": "; ".join(r.flags),
                        "regions": "; ".join(r.regions),
                        "left_out": "",
                    }
                )
        for cycle, why in self.left_out:
            out.append(
                {
                    "cycle": cycle.name,
                    "status": cycle.mark,
                    "lamp": cycle.lamp,
                    "set_point": " or ".join(s.label for s in cycle.set_points),
                    "conditions": cycle.conditions,
                    "timing": cycle.timing,
                    "left_out": why,
                }
            )
        return pd.DataFrame(out)

    def qualification_frame(self) -> pd.DataFrame:
        """The preconditioning dose by lamp and way of counting."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "lamp": q.lamp,
                    "dose_kwh_m2": self.test.dose_kwh_m2,
                    **three("share_280_320_nm", q.short_share),
                    "share_allowed": q.allowed,
                    **three("coupon_absorbed_photons_m2", q.coupon_absorbed_m2),
                    **three("device_absorbed_photons_m2", q.device_absorbed_m2),
                    "criterion": label,
                    **three("site_months", months),
                }
                for q in self.qualification
                for label, months in q.site_months.items()
            ]
        )

    def sentences(self) -> tuple[str, ...]:
        """What the preconditioning dose means for the layer: the test, then a line per lamp."""
        out = list(self.test.sentences())
        for q in self.qualification:
            energy, *others = q.site_months.values()
            months = over_all(others) if others else energy
            low, high = short(months.low, 2), short(months.high, 2)
            span_text = low if low == high else f"{low} to {high}"
            out.append(
                f"{q.lamp}: {self.test.dose_kwh_m2:g} kWh/m2 are "
                f"{q.coupon_absorbed_m2.format()} photons/m2 absorbed in {self.coupon_layer} of "
                f"the coupon and {q.device_absorbed_m2.format()} in {self.layer} of the device "
                f"({q.device_over_coupon.format(2)} times); for the device {span_text} months at "
                f"{self.site} by what it absorbs, "
                f"{energy.format(2)} by incident energy"
            )
            out += q.notes
        return tuple(out)

    def plan_sheet(
        self,
        cycle: str | None = None,
        filter: str | None = None,
        *,
        title: str = "",
        purpose: str = "",
        care: tuple[str, ...] | None = None,
    ) -> str:
        """One page of Markdown to take to the chamber: what, how long, what it does not cover.

        Parameters
        ----------
        cycle, filter : str, optional
            As in `row`.
        title, purpose : str, optional
        care : tuple of str, optional
            Cautions to print in place of those for the lamp of the row.
        """
        return plan_sheet(self, self.row(cycle, filter), title, purpose, care)

    def reporting_sheet(
        self,
        facts: Mapping[str, str] | None = None,
        cycle: str | None = None,
        filter: str | None = None,
    ) -> str:
        """What the consensus protocols ask authors to state, gaps shown as "not stated".

        Parameters
        ----------
        facts : mapping of str to str, optional
            By the keys of `CHECKLIST`; "protocol" may name one, as "ISOS-L-2".
        cycle, filter : str, optional
            Of the planned row that fills in lamp, level, spectrum and filter where facts are
            silent; marked as planned.

        Raises
        ------
        OptistackError
            A fact of another name.
        """
        return reporting_sheet(self, self.row(cycle, filter), facts or {})

    def plot(self, ax: Any = None) -> Any:
        """Light hours (or site years) by cycle, over all weights, on a matplotlib Axes."""
        forward = self.light_hours is None
        bare = [r for r in self.rows if r.filter == "none"]
        labels = [f"{r.cycle.name}{_star(r.cycle)}  ({_place(r.set_point)})" for r in bare]
        at = {(r.cycle.name, r.set_point): -float(i) for i, r in enumerate(bare)}
        ax = row_axes(ax, len(labels))
        best = [r for r in self.rows if r.closest and r.filter != "none"]
        kinds = [
            (bare, "#00549f", "o", "no filter", 0.12 if best else 0.0),
            (best, "#c05a00", "s", "filter behind which the weights agree best", -0.16),
        ]
        for rows, colour, marker, label, shift in kinds:
            values = [r.over_weights if forward else r.years_over_weights for r in rows]
            known = [(r, v) for r, v in zip(rows, values, strict=True) if v is not None]
            if not known:
                continue
            middle, low, high = np.array([(v.value, v.low, v.high) for _, v in known]).T
            y = np.array([at[r.cycle.name, r.set_point] for r, _ in known]) + shift
            draw_ranges(ax, middle, low, high, y, color=colour, marker=marker, label=label)
        if forward:
            ax.set_xlabel(f"hours of light for {span(self.years)} of the device at {self.site} (h)")
        else:
            ax.set_xlabel(f"device years at {self.site} for {self.light_hours:g} h of light")
        first = next((h.criterion.key for h in bare[0].hours if h.criterion.weight), "")
        ax.set_xlabel(
            f"{ax.get_xlabel()}\nmarker: weight {first}; bar: all weights and lamp variants"
            + ("\n* cycle from memory, unverified" if any("*" in x for x in labels) else "")
        )
        label_rows(ax, labels, columns=1)
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def _star(cycle: Cycle) -> str:
    return "" if cycle.status.startswith("read") else "*"


def _place(s: SetPoint) -> str:
    return replace(s, tolerance=None, doubt="").label
