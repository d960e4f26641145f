"""Draws of the comparison of coupon and device: layers, n and k, lamp, meter, weight, rate law.

Every draw is a perturbed stack solved as any other, many of them at once. The wavelength grid is
twice as coarse as usual; each answer is scaled by what the usual grid gives for the stack as it
stands, which leaves an error of second order.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optistack.compiled_kernel import Engine
from optistack.compiled_kernel import choose as compiled
from optistack.errors import OptistackError, StackError
from optistack.exposure import Exposure, ExposureResult
from optistack.light_paths import DIRECTIONS_OF_DRAWS, Variation, absorptance_of_draws, respond
from optistack.materials import Material
from optistack.spectra import Weight, weight_family
from optistack.spectral_math import AVOGADRO_MOL, BOLTZMANN_J_K, optical_grid
from optistack.stack import Stack
from optistack.tolerances import BY_GRADE
from optistack.uncertainty.distributions import (
    Choice,
    Distribution,
    Input,
    LogNormal,
    Normal,
    Uniform,
)
from optistack.uncertainty.draws import Uncertainty
from optistack.uncertainty.known import MEASURED_BY, RateInputs, Tolerances
from optistack.uncertainty.propagation import Drawn, propagate
from optistack.uncertainty.streams import Method
from optistack.workers import Workers

Real = NDArray[np.float64]

_COARSER = 2.0
# Refractive indices (draws x layers x wavelengths) held at once.
_MOST_INDICES = 1 << 18
# On a new machine the loops are compiled first, which takes some 15 s: worth it for so many times
# the layer points from which a single call takes them where they have been compiled.
_FIRST_START = 8
_GAS_KJ_MOL_K = BOLTZMANN_J_K * AVOGADRO_MOL / 1e3


@dataclass(frozen=True, eq=False)
class _Side:
    """Coupon or device: what its draws need.

    ``stack``: as lit and as it stands, with its filters; ``index`` is its (layer, wavelength) array
    on the grid. ``photons``: (weight, variant, wavelength) weights on the coarse grid, scaled to
    agree with the usual grid for the stack as it stands.
    """

    exposure: Exposure
    layer: str
    stack: Stack
    grid: Real
    index: NDArray[np.complex128]
    photons: Real
    names: Mapping[str, str]  # of what is not a layer -> input
    thicknesses: Mapping[str, str]  # layer -> input
    materials: Mapping[str, str]  # layer -> key of the pool


def _layer_points(side: _Side) -> int:
    """Layer points that one draw takes, about: layers x wavelengths x directions."""
    geometry = side.exposure.geometry
    holder = geometry.holder
    diffuse = geometry.isotropic_share > 0 or (holder is not None and holder.reflectance > 0)
    inner = (len(side.index) - 2) * side.grid.size
    return inner * (2 * DIRECTIONS_OF_DRAWS.fewest if diffuse else 1)


class RatioModel:
    """Device over coupon as a function of what is drawn: `inputs`, and a call.

    Parameters
    ----------
    coupon, device : Exposure
    layer : str
        In the device, and in the coupon unless ``coupon_layer`` is given.
    coupon_layer : str, optional
    weights : sequence of Weight, optional
        The default family when not given.
    tolerances : Tolerances
    rate : RateInputs, optional
        With it, also the rate factor, the device's rate and its hours to the level.
    draws : int
        How many are going to be made: many of them are worth the start of compiled loops.
    engine : "numpy" or "compiled", optional
        Who solves the stacks. When not given: what the environment variable OPTISTACK_ENGINE says,
        else by ``draws`` and whether numba is there (extra ``fast``). The two agree to 1e-11, not
        to the last bit, so it is settled here, once for all draws.

    Attributes
    ----------
    inputs : tuple of Input
    engine : "numpy" or "compiled"
    outputs : tuple of str
        "ratio per volume", then the same for each weight, and so on for the rate.
    notes : tuple of str

    Raises
    ------
    StackError
        A layer that is not there or has no thickness.
    RangeError
        A table that does not cover the weights' bands.
    """

    def __init__(
        self,
        coupon: Exposure,
        device: Exposure,
        layer: str,
        *,
        coupon_layer: str | None = None,
        weights: Sequence[Weight] | None = None,
        tolerances: Tolerances | None = None,
        rate: RateInputs | None = None,
        draws: int = 300,
        engine: Engine | None = None,
    ):
        self.weights = tuple(weights) if weights is not None else weight_family()
        if not self.weights:
            raise OptistackError("there is no spectral weight")
        self.tolerances = tolerances or Tolerances()
        self.rate = rate
        self._inputs: dict[str, Input] = {}
        self._pool: dict[str, Material] = {}
        self._used: set[str] = set()
        self.notes: tuple[str, ...] = (
            "tolerances of layers, materials and lamp that nobody stated are judgements by the "
            "grade of the tables",
        )
        if any(e.filters for e in (coupon, device)) or any(
            x.absorbers for e in (coupon, device) for x in e.stack.layers
        ):
            self.notes += ("the transmittance of filters is not drawn",)
        for w in self.weights:
            self.notes += (*w.notes, *w.notes_with(coupon.light.name, device.light.name))
        paired = device.light.same_source_as(coupon.light)
        self._sides = tuple(
            self._side(role, e, name, paired)
            for role, e, name in (
                ("coupon", coupon, coupon_layer or layer),
                ("device", device, layer),
            )
        )
        self._check_names()
        points = sum(_layer_points(side) for side in self._sides)
        worth = draws * points // _FIRST_START
        self.engine: Engine = "compiled" if compiled(engine, worth) else "numpy"
        if len(self.weights) > 1:
            self._input(
                "weight",
                Choice(range(len(self.weights))),
                "activation spectrum, by cut-on filters",
            )
        for key, measurement in MEASURED_BY.items() if rate is not None else ():
            distribution = getattr(rate, key)
            if distribution is not None:
                self._input(key, distribution, measurement)
        self.inputs = tuple(
            i
            for i in self._inputs.values()
            if not (isinstance(i.distribution, Choice) and len(i.distribution.options) == 1)
        )

    def _input(self, name: str, distribution: Distribution, measurement: str) -> str:
        self._inputs[name] = Input(name, distribution, measurement)
        return name

    def _side(self, role: str, exposure: Exposure, layer: str, paired: bool) -> _Side:
        t = self.tolerances
        stack = exposure.stack
        if not stack.layers[stack.position(layer)].thickness_nm > 0:
            raise StackError(f"layer {layer} has no thickness, so it absorbs nothing to compare")
        names: dict[str, str] = {}
        thicknesses: dict[str, str] = {}
        for item in stack.layers:
            self._used.add(item.name)
            sd = t.layers.get(item.name, t.thickness)
            if sd > 0 and item.thickness_nm > 0:
                thicknesses[item.name] = self._input(
                    f"thickness of {item.name} ({role})",
                    LogNormal(1.0, sd),
                    f"thickness of {item.name} ({role})",
                )
        if t.lamp_level > 0 and exposure.light.kind != "standard":
            names["level"] = self._input(
                f"lamp level ({role})",
                LogNormal(1.0, t.lamp_level),
                f"irradiance at the {role}'s place",
            )
        lamp = exposure.light.name if paired else f"{exposure.light.name} ({role})"
        if t.meter > 0 and exposure.light.kind != "standard" and not paired:
            names["meter"] = self._input(
                f"set-point meter, {lamp}", LogNormal(1.0, t.meter), "calibration of the meter"
            )
        if exposure.light.variants:
            names["shape"] = self._input(
                f"shape of the lamp's spectrum, {lamp}",
                Choice(range(1 + len(exposure.light.variants))),
                f"spectrum of the lamp, {lamp}",
            )
        geometry = exposure.geometry
        if geometry.rear_share > 0 and t.rear_share > 0:
            names["rear"] = self._input(
                f"light on the rear ({role})",
                LogNormal(1.0, t.rear_share),
                f"irradiance on the rear ({role})",
            )
        if geometry.holder is not None:
            rho = geometry.holder.reflectance
            half = min(t.holder_reflectance, rho, 1 - rho)
            if half > 0:
                names["holder"] = self._input(
                    f"reflectance of the holder ({role})",
                    Uniform(rho - half, rho + half),
                    f"reflectance of the holder ({role})",
                )
        limits = exposure.needed_range([w.band_nm for w in self.weights])
        usual = exposure.run(limits)
        built, far = exposure.built
        grid = optical_grid(*limits, step_nm=_COARSER * built.fringe_step_nm(limits[0]))
        coarse = ExposureResult(exposure, respond(built, exposure.geometry, grid), far)
        index, thickness, _ = built.lower(grid)
        holder = exposure.geometry.holder
        as_it_stands = Variation(
            index[None],
            thickness[None],
            np.array([exposure.geometry.rear_share]),
            np.array([0.0 if holder is None else holder.reflectance]),
        )
        [own] = absorptance_of_draws(
            built, exposure.geometry, grid, as_it_stands, DIRECTIONS_OF_DRAWS, "numpy"
        )[:, built.position(layer)]
        photons = []
        for w in self.weights:
            rows = coarse.photon_weights(w.band_nm, w)
            found = rows @ own
            scale = np.divide(
                usual.weighted_photons_m2_s(layer, w),
                found,
                out=np.ones(found.size),
                where=found > 0,
            )
            photons.append(rows * scale[:, None])
        materials = {x.name: self._material(x.material, grid) for x in stack.layers}
        return _Side(
            exposure,
            layer,
            built,
            grid,
            index,
            np.array(photons),
            names,
            thicknesses,
            materials,
        )

    def _material(self, used: Material, grid: Real) -> str:
        """Key of a material in the pool, with its inputs."""
        for key, known in self._pool.items():
            if known is used:
                return key
        self._used.add(used.name)
        key, count = used.name, 1
        while key in self._pool:
            count += 1
            key = f"{used.name} ({count})"
        t = self.tolerances.materials.get(used.name, BY_GRADE[used.grade])
        self._pool[key] = used
        measurement = f"n,k of {key}"
        if t.n_shift > 0:
            self._input(f"n of {key}", Normal(0.0, t.n_shift), measurement)
        if (used.index(grid).imag > 0).any():
            if t.k_log > 0:
                self._input(f"k scale of {key}", LogNormal(1.0, t.k_log), measurement)
            if t.k_tilt > 0:
                self._input(f"k tilt of {key}", Normal(0.0, t.k_tilt), measurement)
        return key

    def _check_names(self) -> None:
        stated = [*self.tolerances.layers, *self.tolerances.materials]
        unknown = [name for name in stated if name not in self._used]
        if unknown:
            raise OptistackError(
                f"tolerances for {', '.join(unknown)}: no such layer or material; there are "
                f"{', '.join(sorted(self._used))}"
            )

    @property
    def identity(self) -> dict[str, str]:
        """The engine, and a digest of everything else that answers depend on besides the draws."""
        said: list[Any] = [self.inputs, self.outputs, sorted(self._inputs.items())]
        arrays: list[NDArray[Any]] = []
        for side in self._sides:
            layers = side.stack.layers
            said += [
                side.exposure.geometry,
                side.layer,
                [(x.name, x.thickness_nm, x.is_coherent) for x in layers],
                sorted(side.names.items()),
                sorted(side.thicknesses.items()),
                sorted(side.materials.items()),
            ]
            arrays += [side.grid, side.index, side.photons]
            arrays += [x.absorber_k_nm(side.grid) for x in layers]
            arrays += [
                self._pool[key].index(side.grid) for _, key in sorted(side.materials.items())
            ]
        digest = hashlib.sha256(repr(said).encode())
        for array in arrays:
            digest.update(repr(array.shape).encode() + np.ascontiguousarray(array).tobytes())
        return {"engine": self.engine, "question": digest.hexdigest()}

    @property
    def sides(self) -> tuple[_Side, ...]:
        """Coupon, then device: what their draws need."""
        return self._sides

    @property
    def of_ratio(self) -> tuple[str, ...]:
        """Names of the inputs on which the ratio depends, the weight and the rate law apart."""
        apart = {"weight", *MEASURED_BY}
        return tuple(i.name for i in self.inputs if i.name not in apart)

    @property
    def outputs(self) -> tuple[str, ...]:
        """Names of the outputs."""
        heads = ["ratio per volume"]
        if self.rate is not None:
            heads.append("rate factor")
            if self.rate.coupon_rate_per_h is not None:
                heads.append("device rate per h")
            if self.rate.coupon_hours is not None:
                heads.append("device hours")
        tails = ["", *(f", {w.name}" for w in self.weights)]
        return tuple(head + tail for head in heads for tail in tails)

    def __call__(self, drawn: Drawn) -> dict[str, Real]:
        """Outputs (draw,) of drawn inputs (draw,); an input that is missing is at its centre."""
        count = next(iter(drawn.values())).size
        q = np.array([self._absorbed(side, drawn, count) for side in self._sides])
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = q[1] / q[0]  # (weight, draw)
        heads = {"ratio per volume": ratio}
        if self.rate is not None:
            heads |= self._rates(ratio, drawn, count)
        chosen = self._of(drawn, "weight", count, 0.0).astype(int)
        out = {}
        for head, values in heads.items():
            out[head] = values[chosen, np.arange(count)]
            for w, row in zip(self.weights, values, strict=True):
                out[f"{head}, {w.name}"] = row
        return out

    def _of(self, drawn: Drawn, name: str | None, count: int, otherwise: float) -> Real:
        if name is None or name not in self._inputs:
            return np.full(count, otherwise)
        if name not in drawn:
            return np.full(count, float(self._inputs[name].distribution.central))
        return np.asarray(drawn[name], dtype=float)

    def _rates(self, ratio: Real, drawn: Drawn, count: int) -> dict[str, Real]:
        def of(name: str, otherwise: float) -> Real:
            return self._of(drawn, name, count, otherwise)

        warmth = of("activation_energy_kj_mol", 0.0) / _GAS_KJ_MOL_K
        warmth = warmth * (
            1 / of("coupon_temperature_k", 300.0) - 1 / of("device_temperature_k", 300.0)
        )
        factor = ratio ** of("exponent", 1.0) * np.exp(warmth)
        out = {"rate factor": factor}
        if "coupon_rate_per_h" in self._inputs:
            out["device rate per h"] = of("coupon_rate_per_h", 1.0) * factor
        if "coupon_hours" in self._inputs:
            out["device hours"] = of("coupon_hours", 1.0) / factor
        return out

    def _absorbed(self, side: _Side, drawn: Drawn, count: int) -> Real:
        """Weighted photons per volume and time in the layer, (weight, draw)."""
        names = side.names
        level = self._of(drawn, names.get("level"), count, 1.0)
        level = level * self._of(drawn, names.get("meter"), count, 1.0)
        shape = self._of(drawn, names.get("shape"), count, 0.0).astype(int)
        position = side.stack.position(side.layer)
        out = np.empty((len(self.weights), count))
        step = max(1, _MOST_INDICES // side.index.size)
        for start in range(0, count, step):
            piece = slice(start, min(start + step, count))
            some = {name: values[piece] for name, values in drawn.items()}
            draws = self._variation(side, some, piece.stop - start)
            a = absorptance_of_draws(
                side.stack,
                side.exposure.geometry,
                side.grid,
                draws,
                DIRECTIONS_OF_DRAWS,
                self.engine,
            )
            thickness = draws.thickness_nm[:, position]
            for i, of_layer in enumerate(a[:, position]):
                photons = side.photons[:, shape[start + i]] @ of_layer
                out[:, start + i] = photons * level[start + i] / thickness[i]
        return out

    def _variation(self, side: _Side, drawn: Drawn, count: int) -> Variation:
        lam, geometry = side.grid, side.exposure.geometry
        n = np.repeat(side.index[None], count, axis=0)
        d = np.repeat(np.array([[float(x.thickness_nm) for x in side.stack.layers]]), count, axis=0)
        varied: dict[str, NDArray[np.complex128]] = {}
        for j, item in enumerate(side.stack.layers):
            name = side.thicknesses.get(item.name)
            factor = self._of(drawn, name, count, 1.0)
            if not (factor > 0).all():
                raise StackError(f"{name}: a factor of {factor.min():g} leaves no layer")
            d[:, j] *= factor
            key = side.materials.get(item.name)
            if key is None:
                continue
            if key not in varied:
                varied[key] = self._pool[key].varied_index(
                    lam,
                    self._of(drawn, f"n of {key}", count, 0.0),
                    self._of(drawn, f"k scale of {key}", count, 1.0),
                    self._of(drawn, f"k tilt of {key}", count, 0.0),
                )
            n[:, 1 + j] = varied[key]
            if item.absorbers:
                n[:, 1 + j] += 1j * (item.absorber_k_nm(lam) / d[:, j, None])
        rho = 0.0 if geometry.holder is None else geometry.holder.reflectance
        return Variation(
            n,
            d,
            geometry.rear_share * self._of(drawn, side.names.get("rear"), count, 1.0),
            self._of(drawn, side.names.get("holder"), count, rho),
        )


def ratio_uncertainty(
    coupon: Exposure,
    device: Exposure,
    layer: str,
    *,
    coupon_layer: str | None = None,
    weights: Sequence[Weight] | None = None,
    tolerances: Tolerances | None = None,
    rate: RateInputs | None = None,
    draws: int = 300,
    seed: int = 1,
    method: Method = "random",
    chunk: int = 500,
    confidence: float = 0.95,
    workers: Workers | None = None,
    keep: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
    engine: Engine | None = None,
) -> Uncertainty:
    """How sure the ratio device over coupon is, and what to measure next.

    Parameters
    ----------
    coupon, device, layer, coupon_layer, weights, tolerances, rate
        As in `RatioModel`.
    draws, seed, method, chunk, confidence, workers, keep, progress
        As in `propagate`.
    engine
        As in `RatioModel`.

    Returns
    -------
    Uncertainty
        Of the absorbed photon rate per volume, device over coupon, with the weight drawn and for
        each weight alone; of the rate factor, the device's rate and its hours with ``rate``.
        Logarithms are ranked.

    Raises
    ------
    OptistackError
        As in `RatioModel` and `propagate`.
    """
    model = RatioModel(
        coupon,
        device,
        layer,
        coupon_layer=coupon_layer,
        weights=weights,
        tolerances=tolerances,
        rate=rate,
        draws=draws,
        engine=engine,
    )
    return propagate(
        model,
        model.inputs,
        draws=draws,
        seed=seed,
        method=method,
        chunk=chunk,
        confidence=confidence,
        log=model.outputs,
        notes=model.notes,
        workers=workers,
        keep=keep,
        identity=model.identity,
        progress=progress,
    )
