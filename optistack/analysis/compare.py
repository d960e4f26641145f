"""Did the layer absorb the same dose? Device over coupon, and why the ratio is what it is.

The ratio is the product of three factors, found by switching off in a fixed order:

* *front absorption*: what the layers (and filters) between the light and the layer take away;
* *return from behind*: what interference, a mirror or a holder behind, or light on the rear adds;
* *surroundings*: the rest, with the front layers clear and nothing returning: reflection at the
  front, thickness and angle.

Each factor may lie on either side of 1; their product is the ratio exactly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.errors import StackError
from optistack.exposure import Exposure, ExposureResult
from optistack.light_paths import Geometry
from optistack.materials import Material
from optistack.plot_axes import axes
from optistack.spectra import DEFAULT_BANDS_NM, BandNm, Weight, weight_family
from optistack.spectral_math import band_key
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

SENSITIVITY_SCALES = (1.0, 0.1, 10.0)
SENSITIVITY_TILTS = (0.0, -1.0, 1.0)


class Why(NamedTuple):
    """Factors whose product is the ratio device over coupon, and what lies behind them.

    Attributes
    ----------
    ratio, front_absorption, return_from_behind, surroundings : float
    rear_light : float
        The part of ``return_from_behind`` that is due to light on the rear and to holders.
    removed_in_device, removed_in_coupon : mapping of str to float
        Share of the incident photons that each layer in front of the layer takes.
    """

    ratio: float
    front_absorption: float
    return_from_behind: float
    surroundings: float
    rear_light: float
    removed_in_device: Mapping[str, float]
    removed_in_coupon: Mapping[str, float]


class SensitivityCase(NamedTuple):
    """The ratio when k of the layer is scaled and tilted by exp(tilt (lambda - 340) / 40)."""

    scale: float
    tilt: float
    ratio: Mapping[str, float]
    weighted_ratio: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class Comparison:
    """Absorbed photon dose rate of one layer, device over coupon.

    Attributes
    ----------
    layer : str
    coupon_layer : str
        The layer's name in the coupon.
    coupon, device : ExposureResult
    ratio, ratio_per_volume : mapping of band key to Value
    weighted_ratio : mapping of weight name to Value
        Ranges are over the light's variants.
    why : mapping of band key to Why
    spectral : mapping
        "wavelength_nm", "ratio", "front_absorption", "return_from_behind", "surroundings".
    sensitivity : tuple of SensitivityCase
    weights : tuple of Weight
    notes : tuple of str
    """

    layer: str
    coupon_layer: str
    coupon: ExposureResult
    device: ExposureResult
    bands_nm: tuple[BandNm, ...]
    weights: tuple[Weight, ...]
    ratio: Mapping[str, Value]
    ratio_per_volume: Mapping[str, Value]
    weighted_ratio: Mapping[str, Value]
    why: Mapping[str, Why]
    spectral: Mapping[str, Real]
    sensitivity: tuple[SensitivityCase, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def light(self) -> str:
        """Name of the light, or "device light / coupon light" where they differ."""
        names = (self.device.exposure.light.name, self.coupon.exposure.light.name)
        return names[0] if names[0] == names[1] else " / ".join(names)

    @property
    def over_weights(self) -> Value:
        """The headline: the flat-weight ratio with its range over all weights and variants."""
        values = list(self.weighted_ratio.values())
        return Value(values[0].value, min(v.low for v in values), max(v.high for v in values))

    @property
    def over_sensitivity(self) -> Value:
        """The flat-weight ratio with its range over the k of the layer (scaled and tilted)."""
        name = self.weights[0].name
        ratios = [case.weighted_ratio[name] for case in self.sensitivity]
        return Value.of(ratios) if ratios else self.weighted_ratio[name]

    def explain(self, band: str) -> list[str]:
        """Sentences that say why the ratio in a band is what it is, from the numbers."""
        return _sentences(self, band)

    def to_frame(self) -> pd.DataFrame:
        """One row per band and per weight."""
        import pandas as pd

        rows = [
            {
                "light": self.light,
                "layer": self.layer,
                "over": f"{key} nm",
                "ratio": v.value,
                "low": v.low,
                "high": v.high,
                "ratio_per_volume": self.ratio_per_volume[key].value,
            }
            for key, v in self.ratio.items()
        ]
        scale = self._volume_scale
        rows += [
            {
                "light": self.light,
                "layer": self.layer,
                "over": w.label,
                "ratio": self.weighted_ratio[w.name].value,
                "low": self.weighted_ratio[w.name].low,
                "high": self.weighted_ratio[w.name].high,
                "ratio_per_volume": self.weighted_ratio[w.name].value * scale,
            }
            for w in self.weights
        ]
        return pd.DataFrame(rows)

    @property
    def _volume_scale(self) -> float:
        """Thickness in the coupon over thickness in the device."""
        thick = [
            r.stack.layers[r.stack.position(name)].thickness_nm
            for r, name in ((self.coupon, self.coupon_layer), (self.device, self.layer))
        ]
        return thick[0] / thick[1]

    def plot(self, ax: Any = None) -> Any:
        """Absorbed fraction against wavelength in coupon and device, on a matplotlib Axes."""
        ax = axes(ax)
        for label, result, name in (
            ("coupon", self.coupon, self.coupon_layer),
            ("device", self.device, self.layer),
        ):
            ax.plot(result.wavelength_nm, result.layer_absorptance(name), label=label)
        ax.set_xlabel("wavelength (nm)")
        ax.set_ylabel(f"absorptance of {self.layer}")
        ax.legend()
        return ax

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def compare(
    coupon: Exposure,
    device: Exposure,
    layer: str,
    *,
    coupon_layer: str | None = None,
    bands_nm: Sequence[BandNm] = DEFAULT_BANDS_NM,
    weights: Sequence[Weight] | None = None,
    sensitivity: bool = True,
    coupon_result: ExposureResult | None = None,
    device_result: ExposureResult | None = None,
) -> Comparison:
    """Compare the photons that one layer absorbs in a coupon and in a device.

    Parameters
    ----------
    coupon, device : Exposure
    layer : str
        In the device, and in the coupon unless ``coupon_layer`` is given.
    coupon_layer : str, optional
    bands_nm : sequence of (float, float) [nm]
    weights : sequence of Weight, optional
        The default family when not given.
    sensitivity : bool
        Also answer with k of the layer scaled by 0.1, 1, 10 and tilted.
    coupon_result, device_result : ExposureResult, optional
        Results already at hand; they must cover bands and weights.

    Raises
    ------
    StackError
        A layer that a stack does not have.
    RangeError
        A table that does not cover the bands.
    """
    weights = tuple(weights) if weights is not None else weight_family()
    bands = tuple(bands_nm)
    coupon_layer = coupon_layer or layer
    everything = [*bands, *(w.band_nm for w in weights)]
    coupon_result = coupon_result or coupon.run(coupon.needed_range(everything))
    device_result = device_result or device.run(device.needed_range(everything))
    for result, name in ((coupon_result, coupon_layer), (device_result, layer)):
        if not result.stack.layers[result.stack.position(name)].thickness_nm > 0:
            raise StackError(f"layer {name} has no thickness, so it absorbs nothing to compare")

    paired = device.light.same_source_as(coupon.light)
    ratio, per_volume, why = {}, {}, {}
    thick = [
        r.stack.layers[r.stack.position(n)].thickness_nm
        for r, n in ((coupon_result, coupon_layer), (device_result, layer))
    ]
    switched = {
        "coupon": _switched_off(coupon_result, coupon_layer),
        "device": _switched_off(device_result, layer),
    }
    for band in bands:
        key = band_key(band)
        values = _ratio(
            device_result.absorbed_photons_m2_s(layer, band),
            coupon_result.absorbed_photons_m2_s(coupon_layer, band),
            paired,
        )
        ratio[key] = Value.of(values)
        per_volume[key] = Value.of(values * thick[0] / thick[1])
        if np.isfinite(values[0]):
            why[key] = _why(coupon_result, coupon_layer, device_result, layer, band, switched)
    weighted = {
        w.name: Value.of(
            _ratio(
                device_result.weighted_photons_m2_s(layer, w),
                coupon_result.weighted_photons_m2_s(coupon_layer, w),
                paired,
            )
        )
        for w in weights
    }
    cases: tuple[SensitivityCase, ...] = ()
    if sensitivity:
        cases = _sensitivity(
            coupon, device, layer, coupon_layer, bands, weights, coupon_result, device_result
        )
    main = weights[0].band_nm
    notes = dict.fromkeys(
        [
            *(f"coupon: {n}" for n in coupon_result.notes(coupon_layer, main)),
            *(f"device: {n}" for n in device_result.notes(layer, main)),
            *(n for w in weights for n in w.notes),
            *(n for w in weights for n in w.notes_with(coupon.light.name, device.light.name)),
        ]
    )
    return Comparison(
        layer=layer,
        coupon_layer=coupon_layer,
        coupon=coupon_result,
        device=device_result,
        bands_nm=bands,
        weights=weights,
        ratio=ratio,
        ratio_per_volume=per_volume,
        weighted_ratio=weighted,
        why=why,
        spectral=_spectral(coupon_result, coupon_layer, device_result, layer, switched),
        sensitivity=cases,
        notes=_merged(notes),
    )


def _merged(notes: Mapping[str, None]) -> tuple[str, ...]:
    """Say once what holds for coupon and device alike."""
    plain = [n.split(": ", 1)[1] if n.startswith(("coupon: ", "device: ")) else n for n in notes]
    return tuple(
        dict.fromkeys(
            p if plain.count(p) > 1 or "; " not in p else n
            for n, p in zip(notes, plain, strict=True)
        )
    )


def _ratio(device: Real, coupon: Real, paired: bool = True) -> Real:
    """Variant by variant where both lights have the same variants, else over all pairs."""
    if not paired:
        device, coupon = (x.ravel() for x in np.broadcast_arrays(device[:, None], coupon[None, :]))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(coupon > 0, device / coupon, np.nan))


class _Switched(NamedTuple):
    """Absorptance of the layer with parts of the stack switched off, in the fixed order."""

    full: ExposureResult
    clear_front: ExposureResult
    no_rear_light: ExposureResult
    nothing_behind: ExposureResult


def _switched_off(result: ExposureResult, layer: str) -> _Switched:
    exposure = result.exposure
    limits = (float(result.wavelength_nm[0]), float(result.wavelength_nm[-1]))
    lit = result.stack
    at = lit.position(layer)
    front = tuple(
        replace(x, material=x.material.transparent(), absorbers=()) for x in lit.layers[:at]
    )
    geometry = replace(exposure.geometry, lit_from="front")
    clear = replace(lit, layers=(*front, *lit.layers[at:]))
    own = lit.layers[at]
    matched = Material(
        name=f"{own.name}, going on",
        n_model=lambda lam: own.index(lam).real,
        k_model=lambda lam: own.index(lam).imag,
        n_range_nm=(0.0, np.inf),
        k_range_nm=(0.0, np.inf),
    )
    alone = replace(lit, layers=(*front, own), substrate=matched)
    one_sided = Geometry(angle_deg=geometry.angle_deg, isotropic_share=geometry.isotropic_share)

    def solved(stack: Any, how: Geometry) -> ExposureResult:
        return replace(exposure, stack=stack, geometry=how, filters=()).run(limits)

    return _Switched(
        full=result,
        clear_front=solved(clear, geometry),
        no_rear_light=solved(clear, one_sided),
        nothing_behind=solved(alone, one_sided),
    )


def _why(
    coupon: ExposureResult,
    coupon_layer: str,
    device: ExposureResult,
    layer: str,
    band: BandNm,
    switched: Mapping[str, _Switched],
) -> Why:
    rates = {}
    for side, name in (("coupon", coupon_layer), ("device", layer)):
        rates[side] = [
            float(stage.absorbed_photons_m2_s(name, band)[0]) for stage in switched[side]
        ]
    with np.errstate(invalid="ignore", divide="ignore"):
        d, c = np.array(rates["device"]), np.array(rates["coupon"])
        steps = (d[:-1] / d[1:]) / (c[:-1] / c[1:])
        rest = d[-1] / c[-1]
        total = d[0] / c[0]
    return Why(
        ratio=float(total),
        front_absorption=float(steps[0]),
        return_from_behind=float(steps[1] * steps[2]),
        surroundings=float(rest),
        rear_light=float(steps[1]),
        removed_in_device=_removed(device, layer, band),
        removed_in_coupon=_removed(coupon, coupon_layer, band),
    )


def _removed(result: ExposureResult, layer: str, band: BandNm) -> dict[str, float]:
    budget = result.budget(band)
    names = result.stack.names[: result.stack.position(layer)]
    out = {name: budget[name] for name in names}
    if "filter at the lamp" in budget:
        out = {"filter at the lamp": budget["filter at the lamp"], **out}
    return out


def _spectral(
    coupon: ExposureResult,
    coupon_layer: str,
    device: ExposureResult,
    layer: str,
    switched: Mapping[str, _Switched],
) -> dict[str, Real]:
    low = max(coupon.wavelength_nm[0], device.wavelength_nm[0])
    high = min(coupon.wavelength_nm[-1], device.wavelength_nm[-1])
    lam = device.wavelength_nm
    lam = lam[(lam >= low) & (lam <= high)]

    def at(stage: ExposureResult, name: str) -> Real:
        return np.asarray(np.interp(lam, stage.wavelength_nm, stage.layer_absorptance(name)))

    d = [at(stage, layer) for stage in switched["device"]]
    c = [at(stage, coupon_layer) for stage in switched["coupon"]]
    with np.errstate(invalid="ignore", divide="ignore"):
        return {
            "wavelength_nm": lam,
            "device": d[0],
            "coupon": c[0],
            "ratio": d[0] / c[0],
            "front_absorption": (d[0] / d[1]) / (c[0] / c[1]),
            "return_from_behind": (d[1] / d[3]) / (c[1] / c[3]),
            "surroundings": d[3] / c[3],
        }


def _sensitivity(
    coupon: Exposure,
    device: Exposure,
    layer: str,
    coupon_layer: str,
    bands: Sequence[BandNm],
    weights: Sequence[Weight],
    coupon_result: ExposureResult,
    device_result: ExposureResult,
) -> tuple[SensitivityCase, ...]:
    """Scale and tilt k of the layer's material wherever it occurs."""
    sides = []
    for exposure, name, result in (
        (coupon, coupon_layer, coupon_result),
        (device, layer, device_result),
    ):
        base = exposure.stack.layers[exposure.stack.position(name)].material
        limits = (float(result.wavelength_nm[0]), float(result.wavelength_nm[-1]))
        sides.append((exposure, name, base, limits, result))
    out = []
    for scale, tilt in product(SENSITIVITY_SCALES, SENSITIVITY_TILTS):
        results = []
        for exposure, name, base, limits, result in sides:
            if scale == 1.0 and tilt == 0.0:
                results.append((result, name))
                continue
            changed = exposure.stack.with_material(base, base.with_k(scale=scale, tilt=tilt))
            solved = replace(exposure, stack=changed).run(limits)
            results.append((solved.sharing(result), name))
        (c, c_name), (d, d_name) = results
        out.append(
            SensitivityCase(
                scale,
                tilt,
                {
                    band_key(b): float(
                        _ratio(
                            d.absorbed_photons_m2_s(d_name, b), c.absorbed_photons_m2_s(c_name, b)
                        )[0]
                    )
                    for b in bands
                },
                {
                    w.name: float(
                        _ratio(
                            d.weighted_photons_m2_s(d_name, w), c.weighted_photons_m2_s(c_name, w)
                        )[0]
                    )
                    for w in weights
                },
            )
        )
    return tuple(out)


def _sentences(comparison: Comparison, band: str) -> list[str]:
    if band not in comparison.why:
        return [f"There is no light in {band} nm."]
    why = comparison.why[band]
    layer = comparison.layer
    more = "more" if why.ratio >= 1 else "fewer"
    out = [
        f"In {band} nm under {comparison.light}, {layer} absorbs {why.ratio:.3g} times the photons "
        f"in the device that it absorbs in the coupon: {more}, per area."
    ]
    taken = sorted(why.removed_in_device.items(), key=lambda item: -item[1])
    listed = [f"{name} {100 * share:.2g} %" for name, share in taken if share >= 0.005]
    before = sorted(why.removed_in_coupon.items(), key=lambda item: -item[1])
    listed_before = [f"{name} {100 * share:.2g} %" for name, share in before if share >= 0.005]
    factors = {
        "front absorption": why.front_absorption,
        "return from behind": why.return_from_behind,
        "surroundings": why.surroundings,
    }
    words = {
        "front absorption": "Front absorption changes the ratio by a factor "
        f"{why.front_absorption:.3g}"
        + (f"; in the device {', '.join(listed)} of the incident photons" if listed else "")
        + (f"; in the coupon {', '.join(listed_before)}" if listed_before else "")
        + ".",
        "return from behind": "Return from behind (mirror, interference, holder) changes it by a "
        f"factor {why.return_from_behind:.3g}"
        + (
            f", of which light on the rear and holders {why.rear_light:.3g}"
            if abs(np.log(max(why.rear_light, 1e-12))) > 0.005
            else ""
        )
        + ".",
        "surroundings": "The rest (reflection at the front, thickness, angle) changes it by a "
        f"factor {why.surroundings:.3g}.",
    }
    order = sorted(factors, key=lambda name: -abs(np.log(max(factors[name], 1e-300))))
    out += [words[name] for name in order]
    return out
