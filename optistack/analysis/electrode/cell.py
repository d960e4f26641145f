"""The cell under the electrode: one diode with photocurrent, shunt and a vertical resistance.

J is positive where the cell gives current to the sheet. Per area of junction,

    J = J_L eta(u) - J_0 (exp(u / (n V_t)) - 1) - u / R_sh,    V = u - r_v J,

with the junction voltage u, the voltage V between the electrodes, the thermal voltage V_t = kT/q
and the share eta of the photocurrent that is collected: 1, or less where the field inside the
absorber is too weak (`Collection`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.analysis.electrode.common import not_negative, positive
from optistack.errors import OptistackError
from optistack.spectral_math import BOLTZMANN_J_K, ELEMENTARY_CHARGE_C

Real = NDArray[np.float64]

V_PER_K = BOLTZMANN_J_K / ELEMENTARY_CHARGE_C
# mA times ohm is mV.
V_PER_MA_OHM = 1e-3
# Below this z the collected share comes from its power series: there the closed form has lost all
# but 12 digits (of its slope, 11).
_SERIES_BELOW = 0.03
_SERIES_TERMS = 7


# What `DiodeLaw.by_parameter` differentiates by, in its order.
LAW_PARAMETERS = (
    "photocurrent",
    "voc",
    "diode_voltage",
    "shunt_conductance",
    "series",
    "collection_voltage",
)


@dataclass(frozen=True)
class Collection:
    """Share of the photocurrent that a field collects from a uniformly excited absorber.

    eta = 2 (z - 1 + exp(-z)) / z^2 with z = V_c / w: two carriers of equal mobility-lifetime
    product drift in a uniform field and are lost in proportion to the time they take. w is the
    voltage across the absorber, V_bi - u, never below the order of kT/q, because diffusion goes
    on collecting: w = V_t ln(1 + exp((V_bi - u) / V_t)).

    Attributes
    ----------
    built_in_voltage_v : float
        V_bi [V].
    collection_voltage_v : float
        V_c = d^2 / (mu tau) [V]; 0 is perfect collection. For V_c << w, eta = 1 - V_c / (3 w).

    Raises
    ------
    OptistackError
        A voltage that is not positive (V_c may be 0).

    Notes
    -----
    K. Hecht, Z. Phys. 77 (1932) 235, integrated over uniform generation (reference from memory).
    """

    built_in_voltage_v: float
    collection_voltage_v: float

    def __post_init__(self) -> None:
        positive("built-in voltage", self.built_in_voltage_v, "V")
        not_negative("collection voltage", self.collection_voltage_v, "V")


@dataclass(frozen=True)
class Cell:
    """A one-diode cell; give either its open-circuit voltage or its saturation current.

    Attributes
    ----------
    photocurrent_density_ma_cm2 : float
        J_L, under the light in question and per lit area [mA/cm2].
    voc_v : float, optional
        Open-circuit voltage [V].
    saturation_current_density_ma_cm2 : float, optional
        J_0 [mA/cm2].
    ideality : float
        n.
    shunt_resistance_ohm_cm2 : float, optional
        None: no shunt [ohm cm2].
    series_resistance_ohm_cm2 : float
        Vertical: contacts and bulk, not the sheet [ohm cm2].
    temperature_k : float
    collection : Collection, optional
        None: all of the photocurrent is collected at every voltage.

    Raises
    ------
    OptistackError
        A value outside its physical range, or an open-circuit voltage that shunt and photocurrent
        do not allow.

    Examples
    --------
    >>> cell = Cell(10.0, voc_v=0.7, ideality=1.5)
    >>> f"{cell.saturation_ma_cm2:.4e}"
    '1.2933e-07'
    """

    photocurrent_density_ma_cm2: float
    voc_v: float | None = None
    saturation_current_density_ma_cm2: float | None = None
    ideality: float = 1.5
    shunt_resistance_ohm_cm2: float | None = None
    series_resistance_ohm_cm2: float = 0.0
    temperature_k: float = 298.15
    collection: Collection | None = None

    def __post_init__(self) -> None:
        positive("photocurrent density", self.photocurrent_density_ma_cm2, "mA/cm2")
        positive("ideality", self.ideality, "")
        positive("temperature", self.temperature_k, "K")
        not_negative("series resistance", self.series_resistance_ohm_cm2, "ohm cm2")
        if self.shunt_resistance_ohm_cm2 is not None:
            positive("shunt resistance", self.shunt_resistance_ohm_cm2, "ohm cm2")
        given = (self.voc_v is None, self.saturation_current_density_ma_cm2 is None)
        if given[0] == given[1]:
            raise OptistackError(
                "a cell needs either its open-circuit voltage or its saturation current density, "
                + ("not both" if not given[0] else "and has neither")
            )
        if self.voc_v is not None:
            positive("open-circuit voltage", self.voc_v, "V")
        if self.saturation_current_density_ma_cm2 is not None:
            positive("saturation current density", self.saturation_current_density_ma_cm2, "mA/cm2")
        if not self.law().at_reference[0] > 0:
            raise OptistackError(
                f"open-circuit voltage {self.voc_v:g} V cannot be reached: the photocurrent "
                "collected there gives less through the shunt of "
                f"{self.shunt_resistance_ohm_cm2} ohm cm2. Check the units of the shunt "
                "resistance (ohm cm2) and of the photocurrent (mA/cm2), and the collection"
            )

    @property
    def diode_voltage_v(self) -> float:
        """n V_t [V]."""
        return self.ideality * V_PER_K * self.temperature_k

    @property
    def open_circuit_v(self) -> float:
        """Voltage at which the cell gives no current [V]."""
        return float(self.law().zero_current_v[0])

    @property
    def saturation_ma_cm2(self) -> float:
        """J_0 [mA/cm2]."""
        return float(self.law().saturation[0])

    def law(self) -> DiodeLaw:
        """The cell as arrays of one lane, for the solver."""
        return laws([self])


def laws(cells: Sequence[Cell]) -> DiodeLaw:
    """Cells as arrays, one lane each."""

    def column(get: Callable[[Cell], float]) -> Real:
        return np.array([get(cell) for cell in cells], dtype=float)

    return diode_law(
        photocurrent=column(lambda c: c.photocurrent_density_ma_cm2),
        voc=column(lambda c: math.nan if c.voc_v is None else c.voc_v),
        saturation=column(lambda c: c.saturation_current_density_ma_cm2 or math.nan),
        diode_voltage=column(lambda c: c.diode_voltage_v),
        shunt_conductance=column(
            lambda c: (
                0.0
                if c.shunt_resistance_ohm_cm2 is None
                else 1.0 / (V_PER_MA_OHM * c.shunt_resistance_ohm_cm2)
            )
        ),
        series=column(lambda c: V_PER_MA_OHM * c.series_resistance_ohm_cm2),
        thermal_voltage=column(lambda c: V_PER_K * c.temperature_k),
        built_in=column(lambda c: c.collection.built_in_voltage_v if c.collection else 1.0),
        collection_voltage=column(
            lambda c: c.collection.collection_voltage_v if c.collection else 0.0
        ),
    )


class Law(Protocol):
    """What a solver asks of a cell: the current at a voltage, in many lanes at once."""

    @property
    def zero_current_v(self) -> Real:
        """Voltage without current (lane,) [V]."""

    @property
    def diode_voltage(self) -> Real:
        """Voltage over which the current changes by its own size (lane,) [V]."""

    def take(self, lanes: NDArray[np.intp]) -> Law:
        """Some of the lanes."""

    def current(self, voltage: Real, guess: Real | None = None) -> tuple[Real, Real, Real]:
        """J [mA/cm2], -dJ/dV [mA/(cm2 V)] and what to pass as ``guess`` next, each (..., lane)."""

    def by_parameter(self, guess: Real) -> Real:
        """dJ/dp at fixed voltage by the parameters of the law (parameter, ..., lane).

        ``guess`` is what `current` gave beside J.
        """


@dataclass(frozen=True, eq=False)
class DiodeLaw:
    """`Cell` as arrays over lanes [V, mA/cm2, mA/(cm2 V)].

    The exponential is scaled to 1 at ``reference``, so that neither J_0 underflows nor exp
    overflows.
    """

    photocurrent: Real
    at_reference: Real
    reference: Real
    diode_voltage: Real
    shunt_conductance: Real
    series: Real
    thermal_voltage: Real
    built_in: Real
    collection_voltage: Real
    zero_current_v: Real

    @cached_property
    def saturation(self) -> Real:
        """J_0 (lane,)."""
        return np.asarray(self.at_reference * np.exp(-self.reference / self.diode_voltage))

    @cached_property
    def _has(self) -> frozenset[str]:
        """Which of the terms that a cell may do without are there in some lane."""
        terms = ("series", "shunt_conductance", "collection_voltage")
        return frozenset(name for name in terms if getattr(self, name).any())

    def take(self, lanes: NDArray[np.intp]) -> DiodeLaw:
        return DiodeLaw(*(getattr(self, name)[lanes] for name in self.__dataclass_fields__))

    def dark(self) -> DiodeLaw:
        """The same cell without light."""
        fields = {name: getattr(self, name) for name in self.__dataclass_fields__}
        nothing = np.zeros_like(self.photocurrent)
        return DiodeLaw(**{**fields, "photocurrent": nothing, "zero_current_v": nothing})

    def current(self, voltage: Real, guess: Real | None = None) -> tuple[Real, Real, Real]:
        if "series" not in self._has:
            current, conductance = self._junction(voltage)
            return current, conductance, voltage
        u = self._upper_junction_voltage(voltage) if guess is None else guess
        # phi(u) = u - r J(u) - V is convex and rising: Newton comes down to its zero from above.
        for _ in range(200):
            current, conductance = self._junction(u)
            step = (u - self.series * current - voltage) / (1.0 + self.series * conductance)
            u = u - step
            # What is left after a step is its square over the diode voltage.
            if np.all(np.abs(step) <= 1e-6 * self.diode_voltage):
                break
        current, conductance = self._junction(u)
        return current, conductance / (1.0 + self.series * conductance), u

    def by_parameter(self, guess: Real) -> Real:
        """By `LAW_PARAMETERS`.

        For cells that are given by their open-circuit voltage, which is held unless it is p itself.
        In the dark the diode stays the one of the lit cell.
        """
        u, voc, a = guess, self.reference, self.diode_voltage
        end = np.exp(-voc / a)
        whole = -np.expm1(-voc / a)
        rise = np.exp((u - voc) / a)
        # J = J_L eta(u) - u/R_sh - (J_L eta(Voc) - Voc/R_sh) part, part 1 at open circuit.
        part = (rise - end) / whole
        balance = self.at_reference * whole
        field = (self.built_in, self.collection_voltage, self.thermal_voltage)
        at_voc, slope_voc = collected_share(voc, *field)
        total = (balance + self.shunt_conductance * voc) / at_voc
        lit = self.photocurrent > 0
        out = np.empty((len(LAW_PARAMETERS), *u.shape))
        share = (
            collected_share(u, *field)[0] if "collection_voltage" in self._has else np.ones_like(u)
        )
        out[0] = np.where(lit, share, 0.0) - at_voc * part
        out[1] = part * (balance / (a * whole) + self.shunt_conductance - total * slope_voc)
        out[2] = balance / (a**2 * whole) * (rise * (u - voc) + end * voc * (1.0 - part))
        out[3] = voc * part - u
        current, conductance = self._junction(u)
        out[4] = -conductance * current
        out[5] = self.photocurrent * collected_by_voltage(u, *field)
        out[5] -= total * collected_by_voltage(voc, *field) * part
        return np.asarray(out / (1.0 + self.series * conductance))

    def _upper_junction_voltage(self, voltage: Real) -> Real:
        """A junction voltage from which Newton goes down without a detour through large exp."""
        zero, r = self.zero_current_v, self.series
        below = np.minimum(voltage, zero)
        current, _ = self._junction(below)
        # A lane with (nearly) no series resistance takes the voltage itself below.
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            above = zero + self.diode_voltage * np.log1p(
                np.maximum(voltage - zero, 0.0)
                / (r * self.at_reference * np.exp((zero - self.reference) / self.diode_voltage))
            )
        return np.where(
            voltage < zero,
            np.minimum(zero, voltage + r * current),
            np.where(r > 0, np.minimum(voltage, above), voltage),
        )

    def _junction(self, u: Real) -> tuple[Real, Real]:
        a = self.diode_voltage
        diode = (u - self.reference) / a
        np.exp(diode, out=diode)
        diode *= self.at_reference
        conductance = diode / a
        conductance += self.shunt_conductance
        current = (self.photocurrent + self.saturation) - diode
        if "shunt_conductance" in self._has:
            current -= self.shunt_conductance * u
        if "collection_voltage" in self._has:
            share, slope = collected_share(
                u, self.built_in, self.collection_voltage, self.thermal_voltage
            )
            current -= self.photocurrent * (1.0 - share)
            conductance -= self.photocurrent * slope
        return current, conductance


def diode_law(
    *,
    photocurrent: Real,
    voc: Real,
    saturation: Real,
    diode_voltage: Real,
    shunt_conductance: Real,
    series: Real,
    thermal_voltage: Real,
    built_in: Real,
    collection_voltage: Real,
) -> DiodeLaw:
    """A law from arrays over lanes; where ``voc`` is nan it follows from ``saturation``."""
    a = diode_voltage
    by_voc = np.isfinite(voc)
    given = np.where(by_voc, 1.0, saturation)
    # ln(1 + J_L / J_0), also where the quotient overflows.
    reference = np.where(by_voc, voc, a * np.logaddexp(0.0, np.log(photocurrent) - np.log(given)))
    share, _ = collected_share(reference, built_in, collection_voltage, thermal_voltage)
    left = photocurrent * share - shunt_conductance * reference
    at_reference = np.where(
        by_voc,
        left / -np.expm1(-reference / a),
        photocurrent + given,
    )
    law = DiodeLaw(
        photocurrent,
        at_reference,
        reference,
        a,
        shunt_conductance,
        series,
        thermal_voltage,
        built_in,
        collection_voltage,
        reference,
    )
    if by_voc.all():
        return law
    # The diode alone would reach the reference; shunt and collection only lower it.
    u = reference.copy()
    for _ in range(200):
        current, conductance = law._junction(u)
        step = np.where(by_voc, 0.0, current / conductance)
        u = u + step
        if np.all(np.abs(step) <= 1e-14 * a):
            break
    fields = {name: getattr(law, name) for name in law.__dataclass_fields__}
    return DiodeLaw(**{**fields, "zero_current_v": u})


def collected_share(
    junction_v: Real, built_in: Real, collection_voltage: Real, thermal_voltage: Real
) -> tuple[Real, Real]:
    """eta of `Collection` and its derivative by the junction voltage (negative) [1/V]."""
    width, falls = _field_voltage(junction_v, built_in, thermal_voltage)
    share, by_z, z = _uniform_collection(collection_voltage, width)
    with np.errstate(invalid="ignore", over="ignore"):
        by_u = by_z * z / width * falls
    gone = ~np.isfinite(z)
    if gone.any():
        by_u[gone] = 0.0
    return share, by_u


def collected_by_voltage(
    junction_v: Real, built_in: Real, collection_voltage: Real, thermal_voltage: Real
) -> Real:
    """Derivative of `collected_share` by the collection voltage [1/V]."""
    width, _ = _field_voltage(junction_v, built_in, thermal_voltage)
    return _uniform_collection(collection_voltage, width)[1] / width


def _field_voltage(junction_v: Real, built_in: Real, thermal_voltage: Real) -> tuple[Real, Real]:
    """w of `Collection`, and -dw/du."""
    over = (built_in - junction_v) / thermal_voltage
    beyond = np.exp(-np.abs(over))
    width = thermal_voltage * (np.maximum(over, 0.0) + np.log1p(beyond))
    return width, np.where(over > 0, 1.0, beyond) / (1.0 + beyond)


def _uniform_collection(collection_voltage: Real, width: Real) -> tuple[Real, Real, Real]:
    """eta at z = V_c / w, its derivative by z, and z."""
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        z = np.where(collection_voltage > 0, collection_voltage / width, 0.0)
        small = z < _SERIES_BELOW
        if small.all():
            return *_collection_series(z), z
        lost = np.expm1(-z)
        share = 2.0 * (z + lost) / z**2
        by_z = -2.0 * (lost / z + share) / z
    if small.any():
        share[small], by_z[small] = _collection_series(z[small])
    # z runs to infinity where no voltage is left: nothing is collected there.
    gone = ~np.isfinite(z)
    if gone.any():
        share[gone], by_z[gone] = 0.0, 0.0
    return share, by_z, z


def _collection_series(z: Real) -> tuple[Real, Real]:
    share, by_z = np.zeros_like(z), np.zeros_like(z)
    for k in range(_SERIES_TERMS, -1, -1):
        coefficient = 2.0 * (-1.0) ** k / math.factorial(k + 2)
        by_z = by_z * z + share
        share = share * z + coefficient
    return share, by_z


def green_fill_factor(
    normalised_voc: ArrayLike,
    normalised_series: ArrayLike = 0.0,
    normalised_shunt: float = math.inf,
) -> Real:
    """Empirical fill factor of a one-diode cell with lumped resistances.

    Parameters
    ----------
    normalised_voc : array_like
        Voc / (n V_t); the expression is good to 5e-3 from 5, to 1e-4 from 15.
    normalised_series : array_like
        R_s Jsc / Voc, up to 0.4.
    normalised_shunt : float
        R_sh Jsc / Voc, at least 0.4 (beside a series resistance: well above 1).

    Returns
    -------
    ndarray

    Raises
    ------
    OptistackError
        Outside the stated ranges.

    Notes
    -----
    FF_0 = (v - ln(v + 0.72)) / (v + 1), FF_s = FF_0 (1 - 1.1 r_s) + r_s^2 / 5.4,
    FF_sh = FF_s (1 - (v + 0.7) FF_s / (v r_sh)). Wenham et al., Applied Photovoltaics, p. 66, eqs
    3.17-3.23. It describes a lumped resistance, not a resistive sheet: compare, do not decide.

    Examples
    --------
    >>> f"{green_fill_factor(15.0, 0.1):.4f}"
    '0.6830'
    """
    v, rs = np.asarray(normalised_voc, dtype=float), np.asarray(normalised_series, dtype=float)
    if not np.all(v >= 5):
        raise OptistackError("the empirical fill factor holds for Voc/(n V_t) of at least 5")
    if not np.all((rs >= 0) & (rs <= 0.4)):
        raise OptistackError("the empirical fill factor holds for R_s Jsc/Voc from 0 to 0.4")
    if not normalised_shunt >= 0.4:
        raise OptistackError("the empirical fill factor holds for R_sh Jsc/Voc of at least 0.4")
    ff = (v - np.log(v + 0.72)) / (v + 1.0)
    ff = ff * (1.0 - 1.1 * rs) + rs**2 / 5.4
    return np.asarray(ff * (1.0 - (v + 0.7) / v * ff / normalised_shunt))


def fill_factor_limit(voc_v: float, temperature_k: float = 298.15, ideality: float = 1.0) -> float:
    """Fill factor of a diode without any resistance [-]: nothing passive exceeds it for n = 1.

    Raises
    ------
    OptistackError
        A voltage, temperature or ideality that is not positive.

    Examples
    --------
    >>> f"{fill_factor_limit(0.6):.3f}"
    '0.828'
    """
    positive("open-circuit voltage", voc_v, "V")
    positive("temperature", temperature_k, "K")
    positive("ideality", ideality, "")
    v = voc_v / (ideality * V_PER_K * temperature_k)
    # Maximum of m (1 - (e^m - 1)/(e^v - 1)): (1 + m) e^m = e^v, by Newton from above.
    m = v
    for _ in range(100):
        step = (m + math.log1p(m) - v) / (1.0 + 1.0 / (1.0 + m))
        m -= step
        if math.fabs(step) <= 1e-15 * v:
            break
    return m / v * math.expm1(m - v) / math.expm1(-v)
