"""One-diode cells under measured sheet resistances, fitted to a series of J-V curves.

All curves share ideality, shunt and vertical resistance. Photocurrent and open-circuit voltage are
free in every curve: they are seen directly, and what they do must not pass for something else. An
extra term may be free in every curve but the first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear

from optistack.analysis.electrode.cell import (
    LAW_PARAMETERS,
    V_PER_K,
    V_PER_MA_OHM,
    DiodeLaw,
    diode_law,
)
from optistack.analysis.electrode.device import Device
from optistack.analysis.electrode.geometry import Strip
from optistack.analysis.electrode.measured import JVSeries
from optistack.errors import OptistackError

Real = NDArray[np.float64]
Extra = Literal["none", "collection", "transport", "shunt"]

# Largest discretisation error of the fitted currents, relative: a hundredth of a good reading's
# noise of 1e-3. (The estimate is cautious: what is left is some 1e-6.)
FIT_RTOL = 1e-5
# A fit ends with a step that promises to lower the sum of squares, over the noise, by less than
# this: all parameters then lie within 1 % of their standard errors, before that last step is made,
# and AICc, whose differences count from 2 on, is right to 1e-4.
ENOUGH = 1e-4
# A second round follows where the first finds another noise than it was weighed with (ln).
_SAME_NOISE = 0.1
# Readings far in forward bias say more of the contacts than of the cell: left out below this part
# of the short-circuit current.
DEEPEST_FORWARD = -1.0
_MOST_EVALUATIONS = 60
# Levenberg's damping after a step that did not help, at least.
_DAMPING = 1e-3
_SHARED = ("ideality", "shunt", "series")
_EXTRA_PARAMETER: Mapping[Extra, str] = {
    "collection": "collection_voltage",
    "transport": "series",
    "shunt": "shunt_conductance",
}


@dataclass(frozen=True, eq=False)
class Parameters:
    """Parameters of every curve (t,) [-, V, mA/cm2, mA/(cm2 V), V cm2/mA]."""

    photocurrent: Real
    voc: Real
    ideality: Real
    shunt: Real
    series: Real
    collection: Real
    log_sheet: Real

    def law(self, temperature_k: float, built_in_v: float) -> DiodeLaw:
        """As lanes for the solver."""
        thermal = np.full_like(self.voc, V_PER_K * temperature_k)
        return diode_law(
            photocurrent=self.photocurrent,
            voc=self.voc,
            saturation=np.full_like(self.voc, np.nan),
            diode_voltage=self.ideality * thermal,
            shunt_conductance=self.shunt,
            series=self.series,
            thermal_voltage=thermal,
            built_in=np.full_like(self.voc, built_in_v),
            collection_voltage=self.collection,
        )


@dataclass(frozen=True, eq=False)
class ModelFit:
    """A fitted model.

    Attributes
    ----------
    name : "none", "collection", "transport" or "shunt"
        The extra term: bulk collection (V_c), bulk or contact resistance, shunt.
    parameters : Parameters
    extra : (t,) array
        Of the extra term: V_c [V], resistance [ohm cm2] or conductance [mS/cm2]; 0 in the first.
    extra_sd : (t,) array
        Standard error.
    log_sheet_sd : (t,) array
        Standard error of ln R_sq; 0 where it was held.
    free : int
        Number of free parameters, the variance included where it is estimated.
    points : int
    effective_points : float
        What the readings are worth when neighbouring residuals are alike.
    residual_rms_ma_cm2 : float
    chi_squared : float
        Sum of squared residuals over the variance that evidence is weighed with.
    aicc : float
    residuals : tuple of (v,) arrays
        Measured less fitted [mA/cm2], nan where left out.
    """

    name: Extra
    parameters: Parameters
    extra: Real
    extra_sd: Real
    log_sheet_sd: Real
    free: int
    points: int
    effective_points: float
    residual_rms_ma_cm2: float
    chi_squared: float
    aicc: float
    residuals: tuple[Real, ...]


class CurveFit:
    """The least-squares problem of a J-V series.

    Parameters
    ----------
    series : JVSeries
    geometry : Strip
    sheet_resistance_ohm_sq : (t,) array
    relative_sd : (t,) array
        Relative standard deviation of the sheet resistances; where it is above 0 they may move.
    built_in_v : float
    current_sd_ma_cm2 : float or None
        Standard deviation of a reading; estimated from the residuals when None.
    """

    def __init__(
        self,
        series: JVSeries,
        geometry: Strip,
        sheet_resistance_ohm_sq: Real,
        relative_sd: Real,
        built_in_v: float,
        current_sd_ma_cm2: float | None,
    ):
        self.series, self.geometry = series, geometry
        self.sheet, self.sd = sheet_resistance_ohm_sq, relative_sd
        self.built_in, self.current_sd = built_in_v, current_sd_ma_cm2
        self.n = len(series.position)
        self.voltage = padded(series.voltage_v)
        longest = self.voltage.shape[1]
        self.current = np.array(
            [
                np.pad(j, (0, longest - len(j)), constant_values=np.nan)
                for j in series.current_density_ma_cm2
            ]
        )
        jsc = series.figure("jsc_ma_cm2")
        self.used = self.current > DEEPEST_FORWARD * jsc[:, None]
        # Readings that are left out need no solving.
        self.voltage = np.where(self.used, self.voltage, 0.0)
        self.points = int(self.used.sum())
        self.jsc, self.voc = jsc, series.figure("voc_v")
        self.scale = 1e-3 * float(jsc.max()) if current_sd_ma_cm2 is None else current_sd_ma_cm2

    def powers(self, cases: Sequence[Parameters]) -> Real:
        """Largest power of every curve (case, t) [mW/cm2]."""
        p = Parameters(
            *(
                np.concatenate([getattr(case, name) for case in cases])
                for name in Parameters.__dataclass_fields__
            )
        )
        law = p.law(self.series.temperature_k, self.built_in)
        power = Device(law, self.geometry, np.exp(p.log_sheet)).points().power_mw_cm2
        return np.asarray(power.reshape(len(cases), self.n))

    def fit(
        self, extra: Extra, start: Parameters | None = None, noise: float | None = None
    ) -> ModelFit:
        """Fit one model, from known parameters and a known residual where there are any.

        Raises
        ------
        OptistackError
            Fewer readings than free parameters.
        """
        layout = _Layout(self, extra)
        if self.points <= layout.size + 2:
            raise OptistackError(
                f"{self.points} readings cannot fix {layout.size} parameters: more points between "
                "short and open circuit are needed"
            )
        low, high = layout.bounds()
        x = np.minimum(np.maximum(layout.start(start), low), high)
        scale = self.scale if noise is None else noise
        # Limits of the sheet resistance weigh against the readings, so the variance must be right
        # before they are.
        for _ in range(2 if self.current_sd is None and self.sd.any() else 1):
            used = scale
            x, residuals, jacobian = least_squares(
                partial(layout.evaluate, scale=used), x, low, high
            )
            if self.current_sd is None:
                scale = float(np.sqrt(np.mean(residuals[: self.points] ** 2))) * used
            if math.fabs(math.log(scale / used)) < _SAME_NOISE:
                break
        return self._result(layout, x, residuals[: self.points] * used, jacobian, used)

    def _result(
        self, layout: _Layout, x: Real, too_high: Real, jacobian: Real, scale: float
    ) -> ModelFit:
        difference = np.full(self.used.shape, np.nan)
        difference[self.used] = -too_high
        squares = float(too_high @ too_high)
        variance = (
            squares / max(self.points - layout.size, 1)
            if self.current_sd is None
            else self.current_sd**2
        )
        covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance / scale**2
        sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        extra, extra_sd = layout.extras(x, sd)
        log_sheet_sd = np.zeros(self.n)
        log_sheet_sd[layout.moving] = sd[layout.at_sheet :] * self.sd[layout.moving]
        return ModelFit(
            name=layout.extra,
            parameters=layout.parameters(x),
            extra=extra,
            extra_sd=extra_sd,
            log_sheet_sd=log_sheet_sd,
            free=layout.counted + (1 if self.current_sd is None else 0),
            points=self.points,
            effective_points=float(self.points),
            residual_rms_ma_cm2=float(np.sqrt(squares / self.points)),
            chi_squared=squares / variance,
            aicc=math.nan,
            residuals=tuple(
                row[: len(v)] for row, v in zip(difference, self.series.voltage_v, strict=True)
            ),
        )


def padded(rows: Sequence[Real]) -> Real:
    """Rows as an array, the short ones filled with their last value."""
    longest = max(len(row) for row in rows)
    return np.array([np.pad(row, (0, longest - len(row)), mode="edge") for row in rows])


def least_squares(
    evaluate: Callable[[Real], tuple[Real, Real]], x: Real, low: Real, high: Real
) -> tuple[Real, Real, Real]:
    """Least sum of squares within limits, by Gauss-Newton steps that respect them.

    Parameters
    ----------
    evaluate : callable
        Residuals (m,) in units of their noise and their derivatives (m, n).
    x, low, high : (n,) arrays
        Start and limits.

    Returns
    -------
    x, residuals, derivatives

    Notes
    -----
    Damped as Levenberg does while a step does not help. The end is `ENOUGH`.
    """
    residuals, jacobian = evaluate(x)
    damping = 0.0
    for _ in range(_MOST_EVALUATIONS):
        unit = np.linalg.norm(jacobian, axis=0)
        unit = np.where(unit > 0, unit, 1.0)
        # As small a problem as there are parameters.
        q, r = np.linalg.qr(jacobian / unit)
        matrix, aim = r, -(q.T @ residuals)
        if damping:
            matrix = np.concatenate([r, math.sqrt(damping) * np.eye(len(x))])
            aim = np.concatenate([aim, np.zeros(len(x))])
        bounds = ((low - x) * unit, (high - x) * unit)
        step = lsq_linear(matrix, aim, bounds, method="bvls").x
        promised = float(residuals @ residuals - np.sum((residuals + q @ (r @ step)) ** 2))
        tried = np.minimum(np.maximum(x + step / unit, low), high)
        at_tried, by_tried = evaluate(tried)
        helped = at_tried @ at_tried <= residuals @ residuals
        # A step that was kept short and helped is no end yet.
        end = promised <= ENOUGH and not (helped and damping > _DAMPING)
        if helped:
            x, residuals, jacobian = tried, at_tried, by_tried
            damping = damping / 10 if damping > _DAMPING**2 else 0.0
        else:
            damping = max(10 * damping, _DAMPING)
        if end:
            break
    return x, residuals, jacobian


class _Layout:
    """Where each parameter stands in the vector that is fitted."""

    def __init__(self, problem: CurveFit, extra: Extra):
        self.p, self.extra = problem, extra
        n = problem.n
        self.moving = problem.sd > 0
        n_extra = n - 1 if extra != "none" else 0
        self.counted = len(_SHARED) + 2 * n + n_extra
        self.size = self.counted + int(self.moving.sum())
        self.at_photo = len(_SHARED)
        self.at_voc = self.at_photo + n
        self.at_extra = self.at_voc + n
        self.at_sheet = self.at_extra + n_extra
        self.conductance = float(problem.jsc[0] / problem.voc[0])
        self.extra_unit = {
            "none": 0.0,
            "collection": float(problem.voc[0]),
            "transport": 1.0 / self.conductance,
            "shunt": self.conductance,
        }[extra]

    def start(self, known: Parameters | None) -> Real:
        p = self.p
        x = np.zeros(self.size)
        x[:3] = np.log(1.6), 0.005, 0.01
        x[self.at_photo : self.at_voc] = np.log(p.jsc * 1.002)
        x[self.at_voc : self.at_extra] = p.voc
        x[self.at_extra : self.at_sheet] = 0.01
        if known is not None:
            move = (known.log_sheet - np.log(p.sheet))[self.moving] / p.sd[self.moving]
            x[self.at_sheet :] = move
            x[:3] = (
                np.log(known.ideality[0]),
                max(known.shunt[0] / self.conductance, 1e-4),
                max(known.series[0] * self.conductance, 1e-4),
            )
            x[self.at_photo : self.at_voc] = np.log(known.photocurrent)
            x[self.at_voc : self.at_extra] = known.voc
        return x

    def bounds(self) -> tuple[Real, Real]:
        low, high = np.full(self.size, -np.inf), np.full(self.size, np.inf)
        p = self.p
        low[:3], high[:3] = (np.log(0.5), 0.0, 0.0), (np.log(8.0), 0.6, 3.0)
        low[self.at_photo : self.at_voc] = np.log(p.jsc * 0.95)
        high[self.at_photo : self.at_voc] = np.log(p.jsc * 4.0)
        low[self.at_voc : self.at_extra] = 0.9 * p.voc
        high[self.at_voc : self.at_extra] = 1.1 * p.voc
        low[self.at_extra : self.at_sheet] = 0.0
        high[self.at_extra : self.at_sheet] = 0.35 if self.extra == "shunt" else 5.0
        low[self.at_sheet :], high[self.at_sheet :] = -6.0, 6.0
        return low, high

    def parameters(self, x: Real) -> Parameters:
        n = self.p.n
        extra = self._extra(x) * self.extra_unit
        shunt = np.full(n, x[1] * self.conductance)
        series = np.full(n, x[2] / self.conductance)
        if self.extra == "shunt":
            shunt = shunt + extra
        if self.extra == "transport":
            series = series + extra
        log_sheet = np.log(self.p.sheet)
        log_sheet[self.moving] += x[self.at_sheet :] * self.p.sd[self.moving]
        return Parameters(
            photocurrent=np.exp(x[self.at_photo : self.at_voc]),
            voc=x[self.at_voc : self.at_extra].copy(),
            ideality=np.full(n, np.exp(x[0])),
            shunt=shunt,
            series=series,
            collection=extra if self.extra == "collection" else np.zeros(n),
            log_sheet=log_sheet,
        )

    def _extra(self, x: Real) -> Real:
        out = np.zeros(self.p.n)
        if self.extra != "none":
            out[1:] = x[self.at_extra : self.at_sheet]
        return out

    def extras(self, x: Real, sd: Real) -> tuple[Real, Real]:
        """The extra term and its standard error, in the units of `ModelFit.extra`."""
        unit = self.extra_unit / (V_PER_MA_OHM if self.extra == "transport" else 1.0)
        return self._extra(x) * unit, self._extra(sd) * unit

    def evaluate(self, x: Real, scale: float) -> tuple[Real, Real]:
        """Residuals over the noise, and their derivatives.

        Each curve feels only the shared parameters and its own.
        """
        p, n = self.p, self.p.n
        parameters = self.parameters(x)
        law = parameters.law(p.series.temperature_k, p.built_in)
        device = Device(law, p.geometry, np.exp(parameters.log_sheet), FIT_RTOL)
        current, derivatives = device.sensitivity(p.voltage)
        by = dict(zip((*LAW_PARAMETERS, "log_sheet"), derivatives, strict=True))
        photo = self.at_photo + np.arange(n)
        voc = self.at_voc + np.arange(n)
        # Name, place in x of every curve, derivative of the parameter by x.
        columns: list[tuple[str, NDArray[np.intp], Real | float]] = [
            ("diode_voltage", np.full(n, 0), law.diode_voltage[:, None]),
            ("shunt_conductance", np.full(n, 1), self.conductance),
            ("series", np.full(n, 2), 1.0 / self.conductance),
            ("photocurrent", photo, law.photocurrent[:, None]),
            ("voc", voc, 1.0),
        ]
        if self.extra != "none":
            # The first curve has none: -1 marks that nothing moves.
            places = np.concatenate([[-1], self.at_extra + np.arange(n - 1)])
            columns.append((_EXTRA_PARAMETER[self.extra], places, self.extra_unit))
        places = np.full(n, -1)
        places[self.moving] = self.at_sheet + np.arange(int(self.moving.sum()))
        columns.append(("log_sheet", places, p.sd[:, None]))
        jacobian = np.zeros((*p.used.shape, self.size))
        for name, places, unit in columns:
            slope = by[name] * unit / scale
            for t in np.flatnonzero(places >= 0):
                jacobian[t, :, places[t]] = slope[t]
        prior = np.eye(self.size)[self.at_sheet :]
        difference = (current - p.current)[p.used] / scale
        return (
            np.concatenate([difference, x[self.at_sheet :]]),
            np.concatenate([jacobian[p.used], prior]),
        )
