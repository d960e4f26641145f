"""n and k of a dispersion model with few parameters, fitted to the readings."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from optistack.analysis.optical_constants.causal import Bands
from optistack.analysis.optical_constants.intervals import SIGMAS, misfit
from optistack.analysis.optical_constants.measurement import FilmOptics, KnownIndex
from optistack.dispersion import EV_NM, drude, index_of, lorentz, tauc_lorentz
from optistack.errors import OptistackError
from optistack.value import Value

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

MOST_TERMS = 8
_DRAWS = 600
_CANDIDATES = 500
_REFINED, _MOST_REFINED = 10, 30
# While chi-square per degree of freedom is above this, more starts are tried.
_POOR = 1.5
# Chi-square of poor fits that ended in the same place: one over the other.
_SAME_POOR = 1.01
# Two minima whose chi-square differ by less are both possible.
_POSSIBLE = 6.0
_STEP = 1e-6


@dataclass(frozen=True)
class _Parameter:
    """A parameter with its limits; ``log``: fitted as its logarithm."""

    name: str
    low: float
    high: float
    log: bool = True

    def inner(self, value: float) -> float:
        return float(np.log(value)) if self.log else value

    def outer(self, values: ArrayLike) -> Real:
        return np.asarray(np.exp(values) if self.log else values, dtype=float)


_TERMS = {
    "drude": (
        _Parameter("plasma_ev", 0.05, 15.0),
        _Parameter("damping_ev", 0.005, 5.0),
    ),
    "lorentz": (
        _Parameter("strength", 1e-4, 20.0),
        _Parameter("centre_ev", 0.3, 15.0),
        _Parameter("damping_ev", 0.01, 6.0),
    ),
    # The broadening of a resonance is below twice its energy.
    "tauc_lorentz": (
        _Parameter("amplitude_ev", 0.05, 800.0),
        _Parameter("centre_ev", 0.5, 15.0),
        _Parameter("broadening_over_2_centre", 0.005, 0.95),
        _Parameter("gap_ev", 0.2, 8.0),
    ),
    "cauchy_urbach": (
        _Parameter("a", 1.0, 4.0, log=False),
        _Parameter("b_um2", -0.05, 0.4, log=False),
        _Parameter("c_um4", -0.02, 0.05, log=False),
        _Parameter("k_edge", 1e-7, 3.0),
        _Parameter("width_nm", 2.0, 400.0),
    ),
}
_EPS_INF = _Parameter("eps_inf", 1.0, 10.0, log=False)


class Model:
    """A sum of terms, read from text such as "drude + 2 lorentz" or "cauchy_urbach".

    Parameters
    ----------
    text : str
        Terms "drude", "lorentz", "tauc_lorentz", each with a number before it if wanted, joined
        by "+"; or "cauchy_urbach" alone.

    Raises
    ------
    OptistackError
        An unknown term, more than `MOST_TERMS`, or Cauchy-Urbach together with another.

    Examples
    --------
    >>> print(Model("drude + 2 lorentz").names)
    ('eps_inf', 'drude plasma_ev', 'drude damping_ev', 'lorentz 1 strength', ...)
    """

    def __init__(self, text: str):
        self.terms: list[str] = []
        for part in text.split("+"):
            match = re.fullmatch(r"(?:(\d{1,2})\s*\*?\s*)?([a-z_]+)", part.strip().lower())
            if match is None or match.group(2) not in _TERMS:
                raise OptistackError(
                    f"model {text!r}: {part.strip()!r} is none of {', '.join(_TERMS)}, with a "
                    'number before it if wanted, for example "drude + 2 lorentz"'
                )
            self.terms += [match.group(2)] * int(match.group(1) or 1)
        if not 1 <= len(self.terms) <= MOST_TERMS:
            raise OptistackError(f"model {text!r}: 1 to {MOST_TERMS} terms are possible")
        if "cauchy_urbach" in self.terms and len(self.terms) > 1:
            raise OptistackError(f"model {text!r}: cauchy_urbach stands alone")
        self.text = text
        self.cauchy = self.terms == ["cauchy_urbach"]
        self.parameters: list[_Parameter] = [] if self.cauchy else [_EPS_INF]
        names = [] if self.cauchy else ["eps_inf"]
        for i, term in enumerate(self.terms):
            number = f" {self.terms[: i + 1].count(term)}" if self.terms.count(term) > 1 else ""
            self.parameters += _TERMS[term]
            names += [f"{term}{number} {p.name}" for p in _TERMS[term]]
        self.names = tuple(names)

    def index(self, inner: Real, lam: Real) -> Complex:
        """n + ik; ``inner`` holds the parameters as they are fitted."""
        values = [float(p.outer(v)) for p, v in zip(self.parameters, inner, strict=True)]
        if self.cauchy:
            a, b, c, k_edge, width = values
            inverse = (1000.0 / lam) ** 2
            k = k_edge * np.exp(-(lam - lam[0]) / width)
            return np.asarray(np.maximum(a + b * inverse + c * inverse**2, 0.05) + 1j * k)
        e = EV_NM / lam
        eps = values[0] + 0j * e
        at = 1
        for term in self.terms:
            mine = values[at : at + len(_TERMS[term])]
            at += len(mine)
            if term == "drude":
                eps = eps + drude(e, *mine)
            elif term == "lorentz":
                eps = eps + lorentz(e, *mine)
            else:
                amplitude, centre, share, gap = mine
                eps = eps + tauc_lorentz(e, amplitude, centre, 2 * centre * share, gap)
        return index_of(eps.real + 1j * np.maximum(eps.imag, 0.0))

    def limits(self) -> tuple[Real, Real]:
        low = np.array([p.inner(p.low) for p in self.parameters])
        high = np.array([p.inner(p.high) for p in self.parameters])
        return low, high

    def candidates(self, peaks_ev: Sequence[float], span_ev: tuple[float, float]) -> Real:
        """Starting values: resonances at or near the peaks of the absorption, or beyond it."""
        rng = np.random.default_rng(20240229)  # the same starts each time
        low, high = self.limits()
        out = np.empty((_CANDIDATES, low.size))
        for row in out:
            at = 0
            for term in ([] if self.cauchy else ["eps_inf"]) + self.terms:
                if term == "eps_inf":
                    row[0], at = rng.uniform(1.0, 4.0), 1
                    continue
                mine = _start(term, rng, peaks_ev, span_ev)
                row[at : at + len(mine)] = [
                    p.inner(v) for p, v in zip(_TERMS[term], mine, strict=True)
                ]
                at += len(mine)
        return np.clip(out, low + 1e-9, high - 1e-9)


def _start(
    term: str, rng: np.random.Generator, peaks_ev: Sequence[float], span_ev: tuple[float, float]
) -> list[float]:
    def power(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    if term == "drude":
        return [power(0.3, 8.0), power(0.03, 1.0)]
    if term == "cauchy_urbach":
        return [
            rng.uniform(1.3, 2.4),
            rng.uniform(0.0, 0.06),
            rng.uniform(0.0, 0.003),
            power(1e-4, 0.8),
            power(6.0, 120.0),
        ]
    if peaks_ev and rng.random() < 0.6:
        centre = float(rng.choice(list(peaks_ev))) * rng.normal(1.0, 0.03)
    else:
        centre = rng.uniform(span_ev[0], span_ev[1] + 2.5)
    if term == "lorentz":
        return [power(0.01, 2.0), centre, power(0.08, 1.5)]
    return [
        power(1.0, 200.0),
        centre,
        min(power(0.1, 3.0) / (2 * centre), 0.9),
        max(centre - power(0.1, 2.5), 0.3),
    ]


class _Fit:
    """Residuals over the parameters of the model, the thickness and the scales."""

    def __init__(self, model: Model, optics: FilmOptics, known: KnownIndex | None):
        self.model, self.optics = model, optics
        self.count = len(model.parameters)
        # A thickness and a scale that are exact are no parameters.
        self.free_d = optics.thickness_std_nm > 0
        self.free_scale = np.flatnonzero(optics.scale_std > 0)
        self.size = self.count + int(self.free_d) + self.free_scale.size
        low, high = model.limits()
        extra = np.full(self.size - self.count, 8.0)
        self.low, self.high = np.concatenate([low, -extra]), np.concatenate([high, extra])
        if self.free_d:
            most = 0.9 * optics.thickness_nm / optics.thickness_std_nm
            self.low[self.count] = max(-8.0, -most)
        self.known = known

    def parts(self, p: Real) -> tuple[Complex, float, Real]:
        index = self.model.index(p[: self.count], self.optics.lam)
        shift = float(p[self.count]) if self.free_d else 0.0
        scales = np.ones(len(self.optics.data))
        scales[self.free_scale] += (
            self.optics.scale_std[self.free_scale] * p[self.count + int(self.free_d) :]
        )
        thickness = self.optics.thickness_nm + self.optics.thickness_std_nm * shift
        return index, float(thickness), scales[:, None]

    def readings(self, p: Real) -> Real:
        index, thickness, scales = self.parts(p)
        difference = self.optics(index, thickness) * scales - self.optics.data
        return np.asarray(difference / self.optics.std)

    def residuals(self, p: Real) -> Real:
        out = [self.readings(p).ravel(), p[self.count :]]
        if self.known is not None:
            out.append((self.parts(p)[0].real - self.known.n) * self.known.weight)
        return np.concatenate(out)

    def index_slopes(self, p: Real, index: Complex) -> Complex:
        """d(n + ik) / d(parameter), (wavelength, parameter)."""
        out = np.zeros((index.size, self.size), dtype=complex)
        for i in range(self.count):
            other = p[: self.count].copy()
            step = _STEP if other[i] + _STEP <= self.high[i] else -_STEP
            other[i] += step
            out[:, i] = (self.model.index(other, self.optics.lam) - index) / step
        return out

    def jacobian(self, p: Real) -> Real:
        index, thickness, scales = self.parts(p)
        at, by_n, by_k, by_d = self.optics.slopes(index, thickness)
        slope = self.index_slopes(p, index)
        rows = by_n[..., None] * slope.real + by_k[..., None] * slope.imag
        if self.free_d:
            rows[..., self.count] = by_d * self.optics.thickness_std_nm
        rows *= scales[..., None]
        for i, channel in enumerate(self.free_scale):
            column = self.count + int(self.free_d) + i
            rows[channel, :, column] = at[channel] * self.optics.scale_std[channel]
        rows /= self.optics.std[..., None]
        out = [rows.reshape(-1, self.size), np.eye(self.size)[self.count :]]
        if self.known is not None:
            out.append(slope.real * self.known.weight[:, None])
        return np.concatenate(out)

    def screened(self, starts: Real) -> Real:
        """The starts that come closest, best first, with a residual that no outlier rules."""
        index = np.array([self.model.index(row, self.optics.lam) for row in starts])
        values = self.optics(index, np.full(len(starts), self.optics.thickness_nm))
        r = (values - self.optics.data) / (self.optics.std + 0.02)
        order = np.argsort((r**2).sum(axis=(1, 2)))
        return np.asarray(starts[order])

    def refine(self, start: Real) -> tuple[float, Real]:
        p = np.concatenate([start, np.zeros(self.size - self.count)])
        p = np.clip(p, self.low + 1e-9, self.high - 1e-9)
        found = least_squares(
            self.residuals,
            p,
            self.jacobian,
            bounds=(self.low, self.high),
            x_scale="jac",
            max_nfev=150,
            xtol=1e-10,
            ftol=1e-9,
            gtol=1e-10,
        )
        return 2 * float(found.cost), found.x


def oscillator(
    optics: FilmOptics, model: Model, known: KnownIndex | None = None
) -> tuple[Bands, dict[str, Value]]:
    """Fit a model; returns n, k and the parameters, with 95 % intervals.

    Parameters
    ----------
    optics : FilmOptics
    model : Model
    known : KnownIndex, optional
        Taken as one more reading.
    """
    fit = _Fit(model, optics, known)
    freedom = float(optics.data.size - fit.size)
    if freedom < 3:
        raise OptistackError(
            f"model {model.text!r}: {optics.data.size} readings are too few for {fit.size} "
            "parameters"
        )
    minima = _minima(fit)
    best_cost = minima[0][0]
    inflation = max(1.0, float((fit.readings(minima[0][1]) ** 2).sum()) / freedom) ** 0.5
    rng = np.random.default_rng(1)  # the same draws each time: a result can be repeated
    draws, notes = [], []
    for cost, p in minima:
        share = np.exp(-(cost - best_cost) / 2)
        draws.append(_draw(fit, p, inflation, max(40, int(_DRAWS * share)), rng))
    everything = np.concatenate(draws)
    index = np.array([fit.parts(p)[0] for p in everything])
    thicknesses = np.array([fit.parts(p)[1] for p in everything])
    best = minima[0][1]
    at, thickness, _ = fit.parts(best)
    n_low, n_high = np.quantile(index.real, (0.025, 0.975), axis=0)
    k_low, k_high = np.quantile(index.imag, (0.025, 0.975), axis=0)
    k_low, k_high = np.minimum(k_low, at.imag), np.maximum(k_high, at.imag)
    # What one reading cannot tell from no absorption has its k from the form of the model.
    _, _, by_k, _ = optics.slopes(at, thickness)
    visible = SIGMAS / np.sqrt(((by_k / optics.std) ** 2).sum(axis=0))
    upper = at.imag < visible
    k_high = np.where(upper, np.maximum(np.quantile(index.imag, 0.995, axis=0), at.imag), k_high)
    several = np.zeros(at.size, dtype=bool)
    if len(minima) > 1:
        ends = np.array(
            [
                np.quantile(index_of_draws.imag, (0.025, 0.975), axis=0)
                for index_of_draws in _split(index, draws)
            ]
        )
        several = ((ends[1:, 0] > ends[0, 1]) | (ends[1:, 1] < ends[0, 0])).any(axis=0)
        notes.append(f"{len(minima)} sets of parameters describe the readings equally well")
    residuals = fit.readings(best)
    at_limit = [
        name
        for name, v, low, high in zip(model.names, best, fit.low, fit.high, strict=False)
        if min(v - low, high - v) < 1e-6 * (high - low)
    ]
    if at_limit:
        notes.append(f"at the end of its range: {', '.join(at_limit)}")
    notes.append(
        f"k and n follow the model {model.text!r}; where one reading cannot tell k from 0, k comes "
        "from the form of the model and is called an upper bound"
    )
    if model.cauchy:
        notes.append("Cauchy-Urbach n and k are not tied to each other by causality")
    parameters = _parameters(model, best, everything)
    if fit.free_d:
        d_low, d_high = np.quantile(thicknesses, (0.025, 0.975))
    else:
        d_low = d_high = thickness
    chi_square = float((residuals**2).sum())
    return (
        Bands(
            n=(at.real, np.minimum(n_low, at.real), np.maximum(n_high, at.real)),
            k=(at.imag, np.where(upper, 0.0, k_low), k_high),
            upper=upper,
            several=several,
            thickness_nm=(thickness, float(d_low), float(d_high)),
            chi_square=chi_square,
            degrees_of_freedom=freedom,
            misfit=misfit(residuals, freedom, float(fit.size)),
            fitted=optics.data + residuals * optics.std,
            notes=tuple(notes),
        ),
        parameters,
    )


def _minima(fit: _Fit) -> list[tuple[float, Real]]:
    """Distinct minima of chi-square that are possible, best first."""
    optics = fit.optics
    energy = EV_NM / optics.lam
    absorbed = -np.log(np.maximum(optics.data[0], 0.01))
    inner = absorbed[1:-1]
    tops = np.flatnonzero((inner > absorbed[:-2]) & (inner >= absorbed[2:])) + 1
    tops = tops[np.argsort(-absorbed[tops])][:6]
    peaks = [*energy[tops].tolist(), float(energy[np.argmax(absorbed)])]
    starts = fit.model.candidates(peaks, (float(energy.min()), float(energy.max())))
    found: list[tuple[float, Real]] = []
    for count, start in enumerate(fit.screened(starts)[:_MOST_REFINED]):
        good = bool(found) and found[0][0] < _POOR * optics.data.size
        # Three ways to the same good place are enough; so are three to the same poor one, once
        # many have been tried: the model cannot do better.
        same = sum(cost < found[0][0] * (1 if good else _SAME_POOR) + 0.01 for cost, _ in found)
        if (good and (count >= _REFINED or same >= 3)) or (count >= _REFINED and same >= 3):
            break
        found.append(fit.refine(start))
        found.sort(key=lambda pair: pair[0])
    distinct: list[tuple[float, Real]] = []
    for cost, p in found:
        if cost > found[0][0] + _POSSIBLE:
            break
        index = fit.parts(p)[0]
        if all(np.abs(index - fit.parts(q)[0]).max() > 2e-3 for _, q in distinct):
            distinct.append((cost, p))
    return distinct


def _draw(fit: _Fit, p: Real, inflation: float, count: int, rng: np.random.Generator) -> Real:
    """Parameters as probable as the readings make them, from the curvature at the minimum."""
    jacobian = fit.jacobian(p)
    information = jacobian.T @ jacobian
    # A parameter that the readings do not touch stays within its range.
    information += np.diag((4.0 / (fit.high - fit.low)) ** 2)
    values, vectors = np.linalg.eigh(information)
    shape = vectors / np.sqrt(np.maximum(values, 1e-12))
    draws = p + inflation * rng.standard_normal((count, fit.size)) @ shape.T
    return np.asarray(np.clip(draws, fit.low, fit.high))


def _split(index: Complex, draws: Sequence[Real]) -> list[Complex]:
    return np.split(index, np.cumsum([len(d) for d in draws])[:-1])


def _parameters(model: Model, best: Real, draws: Real) -> dict[str, Value]:
    out = {}
    for i, (name, p) in enumerate(zip(model.names, model.parameters, strict=True)):
        low, high = np.quantile(p.outer(draws[:, i]), (0.025, 0.975))
        value = float(p.outer(best[i]))
        out[name] = Value(value, min(float(low), value), max(float(high), value))
    return out
