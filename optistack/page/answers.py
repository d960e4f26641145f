"""The numbers and curves of the page: library calls on a state, each made again only when it must.

Every part of an answer is kept by what it depends on, so that moving a filter does not solve the
coupon again. Nothing here computes what the library does not.
"""

from __future__ import annotations

import json
import re
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.compare import Comparison, compare
from optistack.analysis.filter_selection import (
    Candidate,
    Evaluation,
    FilterRow,
    FilterTable,
    Front,
    edge_family,
    evaluate_filters,
    filter_table,
    pareto_front,
)
from optistack.care import advice, is_lamp
from optistack.errors import OptistackError
from optistack.exposure import Exposure, ExposureResult, MountedFilter
from optistack.light_paths import StackResponse
from optistack.page.knobs import TRIAL, Subject
from optistack.page.state import State, quick
from optistack.scenario import Scenario
from optistack.scenario.runner import collection_of, needed_limits, sun_exposure
from optistack.spectra import BandNm
from optistack.spectral_math import band_key
from optistack.value import Value

if TYPE_CHECKING:
    from optistack.analysis.electrode import PowerMap

Real = NDArray[np.float64]
T = TypeVar("T")

DEPTH_POINTS = 61
# When so much time has gone, the trade-off is left for later [s]: it takes some 50 ms.
_SOON_S = 0.08
# Half-value wavelengths of the edges that the filter on trial is set against [nm].
SWEEP_NM = tuple(float(x) for x in range(340, 441, 10))
RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
PARTS = ("same", "filter", "cell", "outdoors")


@dataclass(frozen=True)
class Number:
    """A number as the page shows it.

    Attributes
    ----------
    key : str
        Names it in tests and on the page.
    part : str
        "same", "filter", "cell" or "outdoors".
    label : str
    value : Value
    unit : str
    band : str
        "280-400 nm" where it holds in a band.
    percent : bool
    """

    key: str
    part: str
    label: str
    value: Value
    unit: str = ""
    band: str = ""
    percent: bool = False

    @property
    def text(self) -> str:
        """The value with its range and unit."""
        shown = _powers(self.value.format(3, percent=self.percent))
        return f"{shown} {self.unit}" if self.unit else shown


@dataclass(frozen=True, eq=False)
class Curve:
    """A line of a figure: of the coupon, the device, or the device behind the filter."""

    role: str
    name: str
    x: Real
    y: Real


@dataclass(frozen=True, eq=False)
class TradeOff:
    """The filter on trial among the other candidates and a family of edges.

    Attributes
    ----------
    evaluation : Evaluation
        The filter on trial first, then the scenario's candidates, then the edges; for the lights'
        central spectra.
    others : int
        How many candidates stand between the filter on trial and the edges.
    fronts : mapping of exposure name to Front
        What is not beaten in both dose left and photocurrent lost.
    """

    evaluation: Evaluation
    others: int
    fronts: Mapping[str, Front]

    def better(self, exposure: str) -> tuple[str, ...]:
        """What beats the filter on trial in both, by name; empty where it lies on the front."""
        front = self.fronts[exposure]
        if 0 in front.positions.tolist():
            return ()
        judged = self.evaluation.judged[exposure]
        lost, dose = judged.lost_fraction, self.evaluation.dose(exposure, self.evaluation.ranking)
        beat = (lost[front.positions] <= lost[0]) & (dose[front.positions] <= dose[0])
        return tuple(self.evaluation.names[i] for i in front.positions[beat])


@dataclass(frozen=True, eq=False)
class Answers:
    """Everything the page shows of a state.

    Attributes
    ----------
    scenario : Scenario
    numbers : tuple of Number
    spectra, depth : tuple of Curve
        Photons absorbed in the layer: per wavelength, and per volume against depth.
    budgets : mapping of role to {where: share}
        Where the photons of the headline band go.
    comparisons : tuple of Comparison
    on_trial : FilterTable or None
    trade_off : TradeOff or None
    power : PowerMap or None
    band : str
        The headline band, "280-400".
    sentences : mapping of part to tuple of str
        What the library says about the numbers.
    cautions : tuple of str
    refusals : mapping of part to str
        Parts that could not be answered, and why.
    """

    scenario: Scenario
    numbers: tuple[Number, ...]
    spectra: tuple[Curve, ...]
    depth: tuple[Curve, ...]
    budgets: Mapping[str, Mapping[str, float]]
    comparisons: tuple[Comparison, ...]
    on_trial: FilterTable | None
    trade_off: TradeOff | None
    power: PowerMap | None
    band: str
    sentences: Mapping[str, tuple[str, ...]]
    cautions: tuple[str, ...]
    refusals: Mapping[str, str]

    def number(self, key: str) -> Number:
        """One of the numbers.

        Raises
        ------
        OptistackError
            There is none of that name.
        """
        for item in self.numbers:
            if item.key == key:
                return item
        raise OptistackError(
            f"no number {key!r}; there are {', '.join(n.key for n in self.numbers)}"
        )

    def of(self, part: str) -> tuple[Number, ...]:
        """The numbers that belong to one question."""
        return tuple(n for n in self.numbers if n.part == part)


class Desk:
    """Answers states, and keeps what it has worked out for the next ones.

    Examples
    --------
    >>> from optistack.page.state import demo_state
    >>> from optistack.page.knobs import prepared
    >>> answers = Desk().answer(prepared(demo_state()))
    >>> answers.number("ratio").text
    '0.164 (0.0213 to 0.179) ×'
    """

    def __init__(self, keep: int = 400):
        self._keep = keep
        self._kept: OrderedDict[tuple[str, str], Any] = OrderedDict()
        self.worked_out: list[str] = []

    def answer(self, state: State, *, whole: bool = True) -> Answers:
        """Numbers and curves of a state.

        Parameters
        ----------
        state : State
        whole : bool
            False: without what can follow a moment later. That is the question "outdoors", and the
            trade-off where it would come late: where the rest took long already, or light is
            oblique and every filter is solved on its own.

        Raises
        ------
        ScenarioError, TableError
            The state is no scenario. A part that is refused for other reasons is said in
            ``refusals``.
        """
        self.worked_out = []
        return _Answering(self, state, whole).answers()

    def once(self, what: str, depends_on: Any, work: Callable[[], T]) -> T:
        """What was worked out before from the same inputs, or is now."""
        key = (what, json.dumps(depends_on, sort_keys=True, default=str))
        if key not in self._kept:
            self.worked_out.append(what)
            self._kept[key] = work()
            while len(self._kept) > self._keep:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        kept: T = self._kept[key]
        return kept


class _Answering:
    """One state being answered."""

    def __init__(self, desk: Desk, state: State, whole: bool):
        self.desk, self.state, self.whole = desk, state, whole
        self.began = time.monotonic()
        self.document = quick(state.document())
        self.scenario = state.scenario(whole=False)
        self.subject = Subject.of(self.scenario)
        self.weights = desk.once(
            "weights",
            [self.document["question"].get("weights"), self._files],
            lambda: self.scenario.question.weights,
        )
        self.band_nm: BandNm = self.weights[0].band_nm
        self.numbers: list[Number] = []
        self.sentences: dict[str, tuple[str, ...]] = {}
        self.refusals: dict[str, str] = {}

    @property
    def _files(self) -> list[str]:
        return [f"{i.used_as} {i.sha256}" for i in self.scenario.inputs if i.sha256]

    @property
    def band(self) -> str:
        return band_key(self.band_nm)

    def answers(self) -> Answers:
        comparisons: tuple[Comparison, ...] = ()
        on_trial = trade = power = None
        spectra: tuple[Curve, ...] = ()
        depth: tuple[Curve, ...] = ()
        budgets: dict[str, Mapping[str, float]] = {}
        with self._part("same"):
            comparisons = self._same()
        with self._part("filter"):
            on_trial = self._on_trial()
        with self._part("same"):
            spectra, depth, budgets = self._curves()
        with self._part("filter"):
            if on_trial is not None and (self.whole or self._quick_trade_off):
                trade = self._trade_off()
        with self._part("cell"):
            power = self._cell()
        if self.whole:
            with self._part("outdoors"):
                comparisons = (*comparisons, *self._other_pairs())
                self._outdoors(comparisons)
        lights = {e.light.name: e.light for e in self._shown_exposures()}
        return Answers(
            scenario=self.scenario,
            numbers=tuple(self.numbers),
            spectra=spectra,
            depth=depth,
            budgets=budgets,
            comparisons=comparisons,
            on_trial=on_trial,
            trade_off=trade,
            power=power,
            band=self.band,
            sentences=self.sentences,
            cautions=self.desk.once(
                "cautions",
                [self._lights(lights), self._files],
                lambda: advice(lights.values()),
            ),
            refusals=self.refusals,
        )

    def _lights(self, names: Any) -> Any:
        return {n: self.document.get("lights", {}).get(n) for n in names}

    def _part(self, name: str) -> _Refusals:
        return _Refusals(self.refusals, name)

    # exposures --------------------------------------------------------------------------------

    def _shown_exposures(self) -> list[Exposure]:
        return [self.scenario.exposures[n] for n in self.subject.exposures]

    @cached_property
    def _judged_on(self) -> dict[str, Exposure]:
        """The exposures under which filters are judged, as a run takes them."""
        out = {n: self.scenario.exposures[n] for n in self.scenario.question.filters_on}
        sun = sun_exposure(self.scenario)
        if sun is not None:
            try:
                needed_limits(self.scenario, sun, with_filters=True)
            except OptistackError:
                return out
            out[sun.name] = sun
        return out

    def _of(self, exposure: Exposure, *, light: bool = True) -> Any:
        """What an exposure depends on, as plain values."""
        section = dict(self.document["exposures"].get(exposure.name) or {})
        section.pop("hours", None)
        if not section:  # the sun that a run adds
            lamp = self.scenario.question.filters_on[0]
            section = {"added sun": True, **self.document["exposures"][lamp]}
        name = section.pop("light", None)
        names = [f if isinstance(f, str) else f.get("filter") for f in section.get("filters", ())]
        return [
            section,
            self.document["stacks"][exposure.stack.name],
            self.document.get("materials"),
            [self.document["filters"].get(n) for n in names],
            self._files,
            (self.document.get("lights", {}).get(name, name) if light else None),
        ]

    def _question(self) -> Any:
        q = self.document["question"]
        return {k: v for k, v in q.items() if k not in ("filters", "filters_on", "sensitivity")}

    def _result(self, exposure: Exposure, *, behind: MountedFilter | None = None) -> ExposureResult:
        """An exposure, solved; the response of its stack is kept for any light."""
        of_filter: Any = None
        if behind is not None:
            exposure = exposure.with_filters((behind, *exposure.filters))
            of_filter = self._of_filter(behind)
        judged = exposure.name in self._judged_on
        limits = needed_limits(self.scenario, exposure, with_filters=judged)
        depends = [self._of(exposure, light=False), of_filter, limits]
        _, far = exposure.built
        response: StackResponse = self.desk.once(
            "response", depends, lambda: exposure.run(limits).response
        )
        weights: dict[Any, Any] = self.desk.once(
            "light on the grid", [depends, self._of(exposure)[-1], exposure.light.name], dict
        )
        return ExposureResult(exposure, response, far, weights)

    def _of_filter(self, item: MountedFilter) -> Any:
        return [
            self.document.get("filters", {}).get(item.item.name),
            item.item.name,
            item.mount,
            item.layer,
        ]

    # the four questions -----------------------------------------------------------------------

    def _same(self) -> tuple[Comparison, ...]:
        """The main comparison, where there is one."""
        out = self._compared(self.scenario.question.pairs[:1])
        if not out:
            return ()
        main, band = out[0], f"{self.band} nm"
        layer = main.layer
        self._add(
            "ratio",
            "same",
            f"Dose of {layer}, device over coupon",
            main.over_weights,
            unit="×",
            band=band,
        )
        named = self.weights[1] if len(self.weights) > 1 else self.weights[0]
        self._add(
            "ratio-slope",
            "same",
            f"the same, weighted ({named.name})",
            main.weighted_ratio[named.name],
            unit="×",
            band=band,
        )
        key = self.band
        self._add(
            "ratio-volume",
            "same",
            "the same per volume, unweighted",
            main.ratio_per_volume[key],
            unit="×",
            band=f"{key} nm",
        )
        if key in main.why:
            why = main.why[key]
            for ident, label, factor in (
                ("front", "factor by absorption in front", why.front_absorption),
                ("behind", "factor by return from behind", why.return_from_behind),
                ("surroundings", "factor by all else", why.surroundings),
            ):
                self._add(
                    f"why-{ident}", "same", label, Value.of(factor), unit="×", band=f"{key} nm"
                )
            self.sentences["same"] = tuple(main.explain(key))
        for side, result, name in (
            ("coupon", main.coupon, main.coupon_layer),
            ("device", main.device, main.layer),
        ):
            # The hours are no part of what is kept: the exposure is as the state says it now.
            now = self.scenario.exposures[result.exposure.name]
            dose = replace(result, exposure=now).dose_m2(
                result.absorbed_photons_m2_s(name, self.band_nm)
            )
            self._add(
                f"dose-{side}",
                "same",
                f"Photons absorbed in {name}, {side}, {now.hours:g} h",
                Value.of(dose),
                unit="/m²",
                band=band,
            )
        return out

    def _other_pairs(self) -> tuple[Comparison, ...]:
        return self._compared(self.scenario.question.pairs[1:])

    def _compared(self, pairs: Sequence[tuple[str, str]]) -> tuple[Comparison, ...]:
        q = self.scenario.question
        out = []
        for coupon, device in pairs:
            a, b = self.scenario.exposures[coupon], self.scenario.exposures[device]

            def work(a: Exposure = a, b: Exposure = b) -> Comparison:
                return compare(
                    a,
                    b,
                    q.layer,
                    coupon_layer=q.coupon_layer,
                    bands_nm=[self.band_nm],
                    weights=self.weights,
                    sensitivity=False,
                    coupon_result=self._result(a),
                    device_result=self._result(b),
                )

            depends = [self._of(a), self._of(b), a.light.name, b.light.name, self._question()]
            out.append(self.desk.once("comparison", depends, work))
        return tuple(out)

    @cached_property
    def _candidate(self) -> MountedFilter | None:
        return next(iter(self.scenario.question.candidates), None)

    def _on_trial(self) -> FilterTable | None:
        candidate, judged = self._candidate, self._judged_on
        if candidate is None or not judged:
            return None
        collections = self._collections()
        table = self.desk.once(
            "filter",
            [
                [[self._of(e), e.light.name] for e in judged.values()],
                self._of_filter(candidate),
                self._question(),
                self.document.get("photocurrent"),
            ],
            lambda: filter_table(
                list(judged.values()),
                [candidate],
                self.subject.layer,
                bands_nm=[self.band_nm],
                weights=self.weights,
                collections=collections,
                base_results={n: self._result(e) for n, e in judged.items()},
            ),
        )
        for i, row in enumerate(table.rows):
            self._filter_numbers(row, i)
        notes = [n for row in table.rows for n in row.notes]
        self.sentences["filter"] = tuple(dict.fromkeys((*notes, *table.notes)))
        return table

    def _filter_numbers(self, row: FilterRow, index: int) -> None:
        part = "filter"
        where = f"under {row.light}"
        weighted = list(row.weighted_dose_left.values())
        within = [
            v for k, v in row.weighted_dose_left.items() if k in {w.name for w in self.weights}
        ]
        first = weighted[0]
        over = Value(
            first.value, min(v.low for v in within), max(v.high for v in within), first.bound
        )
        self._add(
            f"left-{index}", part, f"Dose left {where}", over, band=f"{self.band} nm", percent=True
        )
        if row.photocurrent_lost_ma_cm2 is not None:
            limits = collection_of(self.scenario, self._judged_on[row.exposure])
            band = "" if limits is None else f"{band_key(limits.range_nm)} nm"
            self._add(
                f"lost-{index}",
                part,
                f"Photocurrent lost {where}",
                row.photocurrent_lost_ma_cm2,
                unit="mA/cm²",
                band=band,
            )
            if row.photocurrent_lost_fraction is not None:
                self._add(
                    f"share-{index}",
                    part,
                    "as a share of it",
                    row.photocurrent_lost_fraction,
                    band=band,
                    percent=True,
                )

    def _collections(self) -> dict[str, Any]:
        return {
            n: c
            for n, e in self._judged_on.items()
            if (c := collection_of(self.scenario, e)) is not None
        }

    @property
    def _quick_trade_off(self) -> bool:
        if time.monotonic() - self.began > _SOON_S:
            return False
        ways = [e.geometry for e in self._judged_on.values()]
        return not any(g.angle_deg > 0 or g.isotropic_share > 0 for g in ways)

    def _trade_off(self) -> TradeOff | None:
        """All candidates and a family of edges, as wide and mounted as the filter on trial."""
        candidate, judged = self._candidate, self._judged_on
        collections = self._collections()
        if candidate is None or len(collections) < len(judged):
            return None
        edge = self.document["filters"].get(candidate.item.name, {}).get("edge")
        if edge is None:
            edge = self.document["filters"].get(TRIAL, {}).get("edge", {})
        width = float(edge.get("width_10_90_nm", 12.0))
        others = [
            c
            for c in self.scenario.question.candidates[1:]
            if c.item.name != candidate.item.name or c.mount != candidate.mount
        ]
        everything = [candidate, *others]
        items = [
            *(Candidate(f"{c.item.name}, {c.mount}", (c,)) for c in everything),
            *edge_family(
                SWEEP_NM,
                [width],
                mounts=[candidate.mount],
                layer=candidate.layer,
                name="family edge",
            ),
        ]

        def work() -> TradeOff:
            central = {
                n: replace(e, light=replace(e.light, variants=())) for n, e in judged.items()
            }
            evaluation = evaluate_filters(
                list(central.values()),
                items,
                self.subject.layer,
                bands_nm=[self.band_nm],
                weights=self.weights[:1],
                collections=collections,
                base_results={
                    n: replace(self._result(judged[n]), exposure=e, _cache={})
                    for n, e in central.items()
                },
            )
            fronts = {
                name: pareto_front(evaluation.dose(name, evaluation.ranking), part.lost_fraction)
                for name, part in evaluation.judged.items()
            }
            return TradeOff(evaluation, len(others), fronts)

        depends = [
            [[self._of(e), e.light.name] for e in judged.values()],
            [self._of_filter(c) for c in everything],
            width,
            self.document.get("photocurrent"),
            self._question(),
        ]
        return self.desk.once("trade-off", depends, work)

    def _curves(
        self,
    ) -> tuple[tuple[Curve, ...], tuple[Curve, ...], dict[str, Mapping[str, float]]]:
        spectra, depths = [], []
        budgets: dict[str, Mapping[str, float]] = {}
        layers = {"coupon": self.scenario.question.coupon_layer, "device": self.subject.layer}
        sides: list[tuple[str, str, MountedFilter | None]] = []
        if self.subject.coupon is not None:
            sides.append(("coupon", self.subject.coupon, None))
        if self.subject.device is not None:
            sides.append(("device", self.subject.device, None))
            if self._candidate is not None:
                sides.append(("filtered", self.subject.device, self._candidate))
        for role, name, candidate in sides:
            exposure = self.scenario.exposures[name]
            layer = layers["coupon" if role == "coupon" else "device"]
            behind = None if candidate is None else self._of_filter(candidate)

            def work(
                exposure: Exposure = exposure,
                candidate: MountedFilter | None = candidate,
                layer: str = layer,
            ) -> Any:
                result = self._result(exposure, behind=candidate)
                thick = result.stack.layers[result.stack.position(layer)].thickness_nm
                x = np.linspace(0.0, thick, DEPTH_POINTS)
                return (
                    result.absorbed_spectrum(layer),
                    (x, result.depth_profile(layer, x, self.band_nm)),
                    result.budget(self.band_nm),
                )

            rate, density, budget = self.desk.once(
                "curves",
                [self._of(exposure), exposure.light.name, behind, layer, self._question()],
                work,
            )
            label = {
                "coupon": "coupon",
                "device": "device",
                "filtered": "device behind the filter on trial",
            }[role]
            spectra.append(Curve(role, label, *rate))
            depths.append(Curve(role, label, *density))
            budgets[role] = budget
        return tuple(spectra), tuple(depths), budgets

    def _cell(self) -> PowerMap | None:
        question = self.scenario.electrode
        if question is None:
            return None
        power = self.desk.once("cell", self.document["electrode"], lambda: question.power)
        start = question.start_sheet_resistance_ohm_sq
        knee = power.knee(start)
        base = f"of the power at {start:g} Ω/sq"
        for level in (0.8, 0.5):
            if level in power.level_ohm_sq:
                self._add(
                    f"level-{100 * level:.0f}",
                    "cell",
                    f"{100 * level:.0f} % {base} left at",
                    Value.of(power.level_ohm_sq[level]),
                    unit="Ω/sq",
                )
        if 0.8 in knee.doublings_left:
            self._add(
                "doublings",
                "cell",
                "Margin to the knee (80 %)",
                Value.of(knee.doublings_left[0.8]),
                unit="doublings of Ω/sq",
            )
        self._add(
            "collapse",
            "cell",
            "Collection collapses near",
            Value.of(power.collapse_ohm_sq),
            unit="Ω/sq",
        )
        warned = (knee.warning,) if knee.warning else ()
        self.sentences["cell"] = (*warned, *power.summary(), *power.notes)
        return power

    def _outdoors(self, comparisons: Sequence[Comparison]) -> None:
        band = f"{self.band} nm"
        for i, other in enumerate(comparisons[1:], 1):
            self._add(
                f"ratio-{i}",
                "outdoors",
                f"Dose of {other.layer}, device over coupon, under {other.light}",
                other.over_weights,
                unit="×",
                band=band,
            )
        lamp = self.scenario.exposures.get(self.subject.device or "")
        if lamp is None or not is_lamp(lamp.light):
            return
        suns = [
            e
            for e in (*self.scenario.exposures.values(), *self._judged_on.values())
            if not is_lamp(e.light) and e.stack.name == lamp.stack.name
        ]
        if not suns:
            return
        sun = suns[0]
        layer = self.subject.layer
        both = self.desk.once(
            "lamp and sun",
            [self._of(lamp), self._of(sun), lamp.light.name, sun.light.name, self._question()],
            lambda: compare(
                sun,
                lamp,
                layer,
                bands_nm=[self.band_nm],
                weights=self.weights,
                sensitivity=False,
                coupon_result=self._result(sun),
                device_result=self._result(lamp),
            ),
        )
        self._add(
            "lamp-hour",
            "outdoors",
            f"One hour under {lamp.light.name} gives {layer} of the device the dose of",
            both.over_weights,
            unit=f"h of {sun.light.name}",
            band=band,
        )
        self.sentences["outdoors"] = (
            f"{sun.light.name} here is one fixed sun, not a year: seasons, clouds and heat are "
            "left out. The section [site] of a scenario, and a full run, say what a year gives.",
        )

    def _add(
        self,
        key: str,
        part: str,
        label: str,
        value: Value,
        *,
        unit: str = "",
        band: str = "",
        percent: bool = False,
    ) -> None:
        self.numbers.append(Number(key, part, label, value, unit, band, percent))


class _Refusals:
    """Notes the refusal of a part and lets the others go on."""

    def __init__(self, refusals: dict[str, str], part: str):
        self.refusals, self.part = refusals, part

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: Any, error: BaseException | None, trace: Any) -> bool:
        if not isinstance(error, OptistackError):
            return False
        self.refusals.setdefault(self.part, str(error))
        return True


def _powers(text: str) -> str:
    """Powers of ten as people write them."""
    return re.sub(
        r"e([+-]?)0*([0-9]+)",
        lambda m: " × 10" + (m[1].strip("+") + m[2]).translate(RAISED),
        text,
    )
