"""One-diode cells under measured sheet resistances, fitted to a series of J-V curves.

All curves share ideality, shunt and vertical resistance. Photocurrent and open-circuit voltage are
free in every curve: they are seen directly, and what they do must not pass for something else. An
extra term may be free in every curve but the first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from optistack.analysis.electrode.cell import V_PER_K, V_PER_MA_OHM, DiodeLaw, diode_law
from optistack.analysis.electrode.device import Device
from optistack.analysis.electrode.geometry import Strip
from optistack.analysis.electrode.measured import JVSeries
from optistack.errors import OptistackError

Real = NDArray[np.float64]
Extra = Literal["none", "collection", "transport", "shunt"]

# Differences of the fit step over 1e-4 of a parameter, on the same grids.
FIT_RTOL = 1e-6
# A second round follows where the first finds another noise than it was weighed with (ln).
_SAME_NOISE = 0.1
# Readings far in forward bias say more of the contacts than of the cell: left out below this part
# of the short-circuit current.
DEEPEST_FORWARD = -1.0
_MOST_EVALUATIONS = 60
_SHARED = ("ideality", "shunt", "series")


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
        longest = max(len(v) for v in series.voltage_v)
        self.voltage = np.array(
            [np.pad(v, (0, longest - len(v)), mode="edge") for v in series.voltage_v]
        )
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

    def power(self, p: Parameters) -> Real:
        """Largest power of every curve (t,) [mW/cm2]."""
        law = p.law(self.series.temperature_k, self.built_in)
        return Device(law, self.geometry, np.exp(p.log_sheet)).points().power_mw_cm2

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
            found = least_squares(
                partial(layout.residuals, scale=used),
                x,
                jac=partial(layout.jacobian, scale=used),
                bounds=(low, high),
                x_scale="jac",
                xtol=1e-7,
                ftol=1e-9,
                max_nfev=_MOST_EVALUATIONS,
            )
            x = found.x
            if self.current_sd is None:
                scale = float(np.sqrt(np.mean(found.fun[: self.points] ** 2))) * used
            if math.fabs(math.log(scale / used)) < _SAME_NOISE:
                break
        return self._result(layout, x, np.asarray(found.jac), used)

    def _result(self, layout: _Layout, x: Real, jacobian: Real, scale: float) -> ModelFit:
        parameters = layout.parameters(x)
        model = self.model(parameters)
        difference = np.where(self.used, self.current - model, np.nan)
        squares = float(np.nansum(difference**2))
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
            parameters=parameters,
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

    def model(self, p: Parameters) -> Real:
        """Current of every curve at its voltages (t, v)."""
        law = p.law(self.series.temperature_k, self.built_in)
        return Device(law, self.geometry, np.exp(p.log_sheet), FIT_RTOL).current(self.voltage)[0]


class _Layout:
    """Where each parameter stands in the vector that is fitted."""

    def __init__(self, problem: CurveFit, extra: Extra):
        self.p, self.extra = problem, extra
        n = problem.n
        self.per_curve = ["photocurrent", "voc"]
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

    def residuals(self, x: Real, scale: float) -> Real:
        p = self.p
        difference = (p.model(self.parameters(x)) - p.current)[p.used] / scale
        return np.concatenate([difference, x[self.at_sheet :]])

    def jacobian(self, x: Real, scale: float) -> Real:
        """By differences; each curve feels only the shared parameters and its own."""
        p, n = self.p, self.p.n
        moves: list[tuple[NDArray[np.intp], float]] = [
            (np.full(n, 0), 1e-4),
            (np.full(n, 1), 1e-4),
            (np.full(n, 2), 1e-4),
            (self.at_photo + np.arange(n), 1e-5),
            (self.at_voc + np.arange(n), 1e-5),
        ]
        if self.extra != "none":
            # The first curve has none: -1 marks that nothing moves.
            moves.append((np.concatenate([[-1], self.at_extra + np.arange(n - 1)]), 1e-4))
        if self.moving.any():
            places = np.full(n, -1)
            places[self.moving] = self.at_sheet + np.arange(int(self.moving.sum()))
            moves.append((places, 1e-3))
        points = [x]
        for places, step in moves:
            moved = x.copy()
            moved[np.unique(places[places >= 0])] += step
            points.append(moved)
        whole = [self.parameters(point) for point in points]
        stacked = Parameters(
            *(
                np.concatenate([getattr(w, f) for w in whole])
                for f in Parameters.__dataclass_fields__
            )
        )
        law = stacked.law(p.series.temperature_k, p.built_in)
        voltage = np.tile(p.voltage, (len(points), 1))
        device = Device(law, p.geometry, np.exp(stacked.log_sheet), FIT_RTOL)
        current = device.current(voltage)[0].reshape(len(points), n, -1)
        row_of = np.cumsum(p.used.ravel()).reshape(p.used.shape) - 1
        out = np.zeros((p.points + int(self.moving.sum()), self.size))
        for (places, step), moved_current in zip(moves, current[1:], strict=True):
            slope = (moved_current - current[0]) / step / scale
            for t in range(n):
                if places[t] >= 0:
                    keep = p.used[t]
                    out[row_of[t][keep], places[t]] = slope[t][keep]
        out[p.points :, self.at_sheet :] = np.eye(int(self.moving.sum()))
        return out
