"""Rates in a scenario: ageing data of coupons and devices, and the answer put together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from optistack.errors import ScenarioError
from optistack.exposure import Exposure, MountedFilter
from optistack.rate_terms import PROPORTIONAL, Knowledge, stated
from optistack.scenario.electrode import ElectrodeQuestion
from optistack.scenario.ingredients import Ingredients
from optistack.scenario.section import Section
from optistack.series_file import header_lines
from optistack.spectra import BandNm, Weight
from optistack.spectral_math import ZERO_CELSIUS_K
from optistack.tables import read_text
from optistack.value import Value

# The analyses load scipy: only where a scenario has rates.
if TYPE_CHECKING:
    from optistack.ageing import AgeingData
    from optistack.analysis.activation_spectrum import ActivationSpectrum
    from optistack.analysis.compare import Comparison
    from optistack.analysis.electrode import ResistanceSeries
    from optistack.analysis.kinetics import Kinetics
    from optistack.analysis.rate_correction import RateCorrection
    from optistack.rate_laws import Law

COUPON_COURSE = "coupon, hour for hour"
DEVICE_COURSE = "coupon, corrected to the device"
# Points of a predicted course.
_COURSE_POINTS = 41


@dataclass(frozen=True, eq=False)
class CutOnQuestion:
    """Specimens behind cut-on filters.

    Attributes
    ----------
    data : AgeingData
        ``group`` names the filter; "none" is the open specimen.
    exposure : str
    filters : mapping of group to MountedFilter
    bands_nm : tuple of bands or None
    """

    data: AgeingData
    exposure: str
    filters: Mapping[str, MountedFilter]
    bands_nm: tuple[BandNm, ...] | None


@dataclass(frozen=True, eq=False)
class RatesQuestion:
    """What a scenario says about the ageing of its coupons and devices.

    Attributes
    ----------
    pair : (coupon exposure, device exposure)
    coupon : AgeingData
    device, intensity, temperature : AgeingData or None
    exponent, activation_energy_kj_mol : Knowledge or None
        As stated; None where they are to be fitted or assumed.
    coupon_temperature_k, device_temperature_k : Value or None [K]
    cut_on : CutOnQuestion or None
    horizon_h : float
    """

    pair: tuple[str, str]
    coupon: AgeingData
    device: AgeingData | None
    intensity: AgeingData | None
    temperature: AgeingData | None
    exponent: Knowledge | None
    activation_energy_kj_mol: Knowledge | None
    coupon_temperature_k: Value | None
    device_temperature_k: Value | None
    cut_on: CutOnQuestion | None
    horizon_h: float

    def assumptions(self) -> tuple[str, ...]:
        """What is taken for granted or left out, before anything is fitted."""
        sets = [self.coupon, self.device, self.intensity, self.temperature]
        sets.append(None if self.cut_on is None else self.cut_on.data)
        out = [note for data in sets if data is not None for note in data.notes()]
        if self.exponent is None and self.intensity is None:
            out.append("reciprocity exponent p = 1 assumed: damage goes with the absorbed photons")
        if self.activation_energy_kj_mol is None and self.temperature is None:
            out.append("no activation energy: no correction for temperature")
        if self.cut_on is None:
            out.append("which wavelengths harm is not known: answers range over the weights")
        if self.device is None:
            out.append("no device data: the prediction is not compared with anything")
        return tuple(dict.fromkeys(out))


@dataclass(frozen=True, eq=False)
class RatesAnswer:
    """What was found about rates.

    Attributes
    ----------
    question : RatesQuestion
    kinetics : Kinetics
    correction : RateCorrection
        With the measured weight alone where there is one.
    over_weights : RateCorrection
        With every weight.
    activation : ActivationSpectrum or None
    device : AgeingData or None
        As compared: power already turned into sheet resistance.
    courses : mapping of str to ResistanceSeries
        Sheet resistance over time, predicted; the corrected one first. Empty where the curve is
        not one of sheet resistance, or where no start value is known.
    notes : tuple of str
    """

    question: RatesQuestion
    kinetics: Kinetics
    correction: RateCorrection
    over_weights: RateCorrection
    activation: ActivationSpectrum | None
    device: AgeingData | None
    courses: Mapping[str, ResistanceSeries]
    notes: tuple[str, ...]


class RatesReader(Ingredients):
    """Reads the section ``[rates]``."""

    def _rates(self, section: Section, pairs: tuple[tuple[str, str], ...]) -> RatesQuestion:
        pair = self._pair(section, pairs)
        coupon = self._ageing(section, "coupon", "ageing of the coupons")
        exponent = knowledge(section, "reciprocity_exponent", above=0.0)
        energy = knowledge(section, "activation_energy_kj_mol")
        intensity = self._series(section, "intensity_series", "reciprocity_exponent", exponent)
        temperature = self._series(
            section, "temperature_series", "activation_energy_kj_mol", energy
        )
        device = None
        if "device" in section:
            device = self._ageing(section, "device", "ageing of the devices")
        cut_on = section.section("cut_on_series", None)
        longest = max(float(s.hours[-1]) for s in (device or coupon).specimens)
        return RatesQuestion(
            pair,
            coupon,
            device,
            intensity,
            temperature,
            exponent,
            energy,
            _temperature(section, "coupon_temperature_c"),
            _temperature(section, "device_temperature_c"),
            None if cut_on is None else self._cut_on(cut_on, pair[0]),
            section.number("horizon_h", longest, above=0.0),
        )

    def _pair(self, section: Section, pairs: tuple[tuple[str, str], ...]) -> tuple[str, str]:
        """Which comparison gives the absorbed photons; the scenario's main one by default."""
        coupon = section.text("coupon_exposure", pairs[0][0] if pairs else None)
        device = section.text("device_exposure", pairs[0][1] if pairs else None)
        if (coupon, device) not in pairs:
            raise ScenarioError(
                "needs the comparison of its coupon with its device: add { coupon = ..., device = "
                "... } to question.compare, and name its exposures here where it is not the first",
                section.key_path("coupon_exposure"),
            )
        return coupon, device

    def _ageing(self, section: Section, key: str, used_as: str) -> AgeingData:
        from optistack.ageing_file import ageing_from_text

        name = section.text(key)
        path = self._file(name, section.key_path(key))
        text, digest = read_text(path)
        data = ageing_from_text(text, path)
        self._note_measurement(used_as, name, digest, header_lines(text))
        return data

    def _series(
        self, section: Section, key: str, parameter: str, known: Knowledge | None
    ) -> AgeingData | None:
        if key not in section:
            return None
        if known is not None:
            raise ScenarioError(
                f"{parameter} is stated and would be fitted from {key}; give one of the two",
                section.key_path(key),
            )
        return self._ageing(section, key, key.replace("_", " "))

    def _cut_on(self, section: Section, exposure: str) -> CutOnQuestion:
        data = self._ageing(section, "file", "ageing behind cut-on filters")
        under = section.text("exposure", exposure)
        self._defined(under, self.exposures, "exposure", section.key_path("exposure"))
        filters = {}
        for group in data.groups:
            if group != "none":
                name = self._defined(
                    group, self.filters, "filter", f"{section.key_path('file')}: group"
                )
                filters[group] = self.mounts[name][0]
        bands = section.bands("bands_nm", None)
        section.done()
        return CutOnQuestion(data, under, filters, bands)


def knowledge(section: Section, key: str, above: float | None = None) -> Knowledge | None:
    """A number, or a table of value, low and high."""
    if key not in section:
        return None
    triple = _triple(section, key, above)
    return stated(triple.value, triple.low, triple.high)


def _triple(section: Section, key: str, above: float | None = None) -> Value:
    value = section.take(key)
    if not isinstance(value, dict):
        number = Section({key: value}, section.path).number(key, above=above)
        return Value.of(number)
    inner = Section(value, section.key_path(key))
    middle = inner.number("value", above=above)
    low, high = inner.number("low", above=above), inner.number("high", above=above)
    inner.done()
    if not low <= middle <= high:
        raise ScenarioError(
            f"{middle:g} does not lie between low {low:g} and high {high:g}", section.key_path(key)
        )
    return Value(middle, low, high)


def _temperature(section: Section, key: str) -> Value | None:
    if key not in section:
        return None
    celsius = _triple(section, key, above=-ZERO_CELSIUS_K)
    return Value(
        celsius.value + ZERO_CELSIUS_K, celsius.low + ZERO_CELSIUS_K, celsius.high + ZERO_CELSIUS_K
    )


def answer_rates(
    question: RatesQuestion,
    comparison: Comparison,
    exposures: Mapping[str, Exposure],
    electrode: ElectrodeQuestion | None,
    progress: Callable[[str], None],
) -> RatesAnswer:
    """Fit the coupon, correct to the device, compare, and predict the course.

    Parameters
    ----------
    question : RatesQuestion
    comparison : Comparison
        Of the pair of exposures of the question.
    exposures : mapping of str to Exposure
    electrode : ElectrodeQuestion or None
        For power read as sheet resistance, and for the start value of the course.
    progress : callable

    Raises
    ------
    OptistackError
        Data from which nothing can be concluded.
    """
    from optistack.ageing import resistance_from_power
    from optistack.analysis.electrode import ResistanceSeries
    from optistack.analysis.kinetics import fit_kinetics
    from optistack.analysis.rate_correction import correct_rate, ratios_per_volume
    from optistack.analysis.rate_series import fit_activation_energy, fit_exponent

    progress("rates of the coupons")
    kinetics = fit_kinetics(question.coupon)
    # The series are of the same film: laws that its curve has ruled out stay out.
    laws = [m.curve.law for m in kinetics.plausible]
    exponent = question.exponent or (
        PROPORTIONAL if question.intensity is None else fit_exponent(question.intensity, laws=laws)
    )
    energy = question.activation_energy_kj_mol
    if energy is None and question.temperature is not None:
        energy = fit_activation_energy(question.temperature, laws=laws)
    ratios: dict[str, Value | float] = dict(ratios_per_volume(comparison))
    notes: list[str] = []
    activation = None
    if question.cut_on is not None:
        progress("which wavelengths harm")
        activation = _activation(
            question.cut_on, exposures, comparison.coupon_layer, exponent, laws
        )
        notes += activation.notes
        weight = activation.weight(light=comparison.device.exposure.light.name)
        notes += weight.notes
        # A measured weight stands first: it is what the headline of the rates takes.
        measured = _measured_ratio(activation, comparison)
        ratios = {"measured": measured, **ratios}
    device = question.device
    if device is not None and device.quantity == "relative_power":
        if electrode is None:
            raise ScenarioError(
                "holds power; the sheet resistance behind it needs the cell: add [electrode]",
                "rates.device",
            )
        power = electrode.power
        device = resistance_from_power(
            device, power.points.sheet_resistance_ohm_sq, power.power_share
        )
    progress("rates of the devices")
    over_weights = correct_rate(
        kinetics,
        ratios,
        exponent=exponent,
        activation_energy_kj_mol=energy,
        coupon_temperature_k=question.coupon_temperature_k,
        device_temperature_k=question.device_temperature_k,
        device=device,
    )
    correction = over_weights
    if activation is not None:
        # Measured, it answers alone; the family is shown beside it.
        correction = replace(
            over_weights,
            cases=over_weights.cases[:1],
            flags=tuple(
                flag
                for flag in over_weights.flags
                if not flag.startswith("weight ") or flag.startswith("weight measured")
            ),
        )
    notes += [*correction.notes, *correction.flags]
    courses: dict[str, ResistanceSeries] = {}
    if electrode is not None and kinetics.data.quantity.startswith("sheet_"):
        start = electrode.start_sheet_resistance_ohm_sq
        time = question.horizon_h * np.linspace(0.0, 1.0, _COURSE_POINTS) ** 1.5
        corrected = correction.sheet_resistance(time, start)
        plain = kinetics.sheet_resistance(time, start)
        for name, course in ((DEVICE_COURSE, corrected), (COUPON_COURSE, plain)):
            courses[name] = ResistanceSeries(
                course.time_h,
                course.sheet_resistance_ohm_sq,
                course.low_ohm_sq,
                course.high_ohm_sq,
            )
            notes += [f"{name}: {note}" for note in course.notes]
    return RatesAnswer(
        question,
        kinetics,
        correction,
        over_weights,
        activation,
        device,
        courses,
        tuple(dict.fromkeys(notes)),
    )


def _activation(
    question: CutOnQuestion,
    exposures: Mapping[str, Exposure],
    layer: str,
    exponent: Knowledge,
    laws: Sequence[Law],
) -> ActivationSpectrum:
    """Which wavelengths harm, from the rates and the absorbed photons behind every filter."""
    from optistack.analysis.activation_spectrum import activation_spectrum, cut_on_series
    from optistack.analysis.rate_series import group_rates

    base = exposures[question.exposure]
    rates = group_rates(question.data, laws=laws)
    behind = [
        base if group == "none" else base.with_filters((question.filters[group], *base.filters))
        for group in rates.groups
    ]
    p = exponent.value
    series = cut_on_series(
        behind,
        layer,
        rates.rate_per_dose,
        rates.sd,
        names=rates.groups,
        exponent=p.value,
        exponent_range=(p.low, p.high) if p.has_range else None,
    )
    return activation_spectrum(series, question.bands_nm)


def measured_weights(activation: ActivationSpectrum) -> tuple[Weight, ...]:
    """The measured weight, and two between which it is taken to lie.

    Where an exponential fits the rates: those of the ends of its slope's interval. Else the curve
    with its bands at the ends of their intervals, short against long wavelengths.
    """
    middle, slope = activation.weight(), activation.slope_nm
    if not (activation.exponential_fits and slope.bound is None and np.isfinite(slope.high)):
        return (middle, *activation.limits())
    ends = (
        Weight(
            f"{middle.name}, slope {end:.3g} nm",
            band_nm=middle.band_nm,
            slope_nm=end,
            reference_nm=middle.reference_nm,
            measured=True,
            measured_with=middle.measured_with,
        )
        for end in (slope.low, slope.high)
    )
    return (middle, *ends)


def _measured_ratio(activation: ActivationSpectrum, comparison: Comparison) -> Value:
    """Device over coupon, per volume, with the measured weight and within its limits."""

    def ratio(weight: Weight) -> Any:
        sides = []
        for result, layer in (
            (comparison.device, comparison.layer),
            (comparison.coupon, comparison.coupon_layer),
        ):
            thick = result.stack.layers[result.stack.position(layer)].thickness_nm
            sides.append(result.weighted_photons_m2_s(layer, weight) / thick)
        return sides[0] / sides[1]

    every = [np.ravel(ratio(w)) for w in measured_weights(activation)]
    middle, spread = float(every[0][0]), np.concatenate(every)
    return Value(middle, float(spread.min()), float(spread.max()))
