"""What a filter takes away besides the dose: light for an oxide, visible light, coolness."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optistack.analysis.filter_selection.bench import Bench, judged_on
from optistack.analysis.filter_selection.candidates import Candidate
from optistack.errors import OptistackError, RangeError
from optistack.spectral_math import band_key

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]

VISIBLE_NM = (380.0, 780.0)
# Below this share of its light a layer that needs light is warned of.
SOAKING_NEEDS = 0.1
# Colour differences (CIE 2000) that a careful eye begins to see, and that anyone sees: common
# practice, no source.
_JUST_SEEN, _PLAINLY_SEEN = 1.0, 5.0


class Colour(NamedTuple):
    """Of the light that comes through, D65 behind the device, CIE 1931 standard observer.

    ``visible``: luminous transmittance Y/Yn; ``lab``: CIE L*a*b*, white is D65.
    """

    visible: float
    lab: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class SideEffects:
    """What a filter takes away under one exposure.

    Attributes
    ----------
    name, exposure : str
    other_dose_left : mapping of (layer, band) to float
    warming_w_m2 : float
        Power absorbed in the stack and the filters joined to it, with the filter less without; at
        the lamp a filter warms itself, not the stack.
    warming_band_nm : (float, float) [nm]
        Wavelengths that are counted.
    before, after : Colour or None
        Of the device seen through.
    colour_difference : float or None
        CIE 2000.
    warnings, notes : tuple of str
    """

    name: str
    exposure: str
    other_dose_left: Mapping[tuple[str, str], float]
    warming_w_m2: float
    warming_band_nm: tuple[float, float]
    before: Colour | None = None
    after: Colour | None = None
    colour_difference: float | None = None
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())

    def sentences(self) -> list[str]:
        """In plain words, warnings first."""
        out = [*self.warnings]
        low, high = self.warming_band_nm
        more = "warms" if self.warming_w_m2 >= 0 else "spares"
        out.append(
            f"{self.name} {more} the laminate by {abs(self.warming_w_m2):.3g} W/m2 of absorbed "
            f"light ({low:g}-{high:g} nm, {self.exposure})."
        )
        if self.before is not None and self.after is not None:
            out.append(
                f"Seen through: visible transmittance {100 * self.before.visible:.3g} % without, "
                f"{100 * self.after.visible:.3g} % with it; colour difference "
                f"{self.colour_difference:.2g} (CIE 2000)."
            )
        return out

    def to_frame(self) -> pd.DataFrame:
        """One row per quantity."""
        import pandas as pd

        rows: dict[str, Any] = {"warming_w_m2": self.warming_w_m2}
        for (layer, band), left in self.other_dose_left.items():
            rows[f"dose_left {layer} {band} nm"] = left
        if self.before is not None and self.after is not None:
            rows["visible_transmittance_before"] = self.before.visible
            rows["visible_transmittance_after"] = self.after.visible
            rows["colour_difference"] = self.colour_difference
        return pd.DataFrame({"quantity": rows.keys(), "value": rows.values()})

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False))


def side_effects(
    bench: Bench,
    candidate: Candidate,
    *,
    needs_light: Mapping[str, tuple[float, float]] | None = None,
    seen_through: bool = False,
) -> SideEffects:
    """What a filter takes away.

    Parameters
    ----------
    bench : Bench
        From an `Evaluation`; layers that need light must be among its ``other_layers``.
    candidate : Candidate
    needs_light : mapping of layer to band [nm], optional
        Layers that light makes work, for example an oxide that conducts only after light-soaking,
        and the wavelengths that do it; one of the bands of the evaluation.
    seen_through : bool
        Visible transmittance and colour of a semi-transparent device; needs the package
        colour-science (extra "colour") and the stack over 380-780 nm.

    Raises
    ------
    OptistackError
        A layer or band that was not evaluated; colour-science is missing.
    RangeError
        A bench that does not reach over 380-780 nm.
    """
    judged = judged_on(bench, [candidate])
    others = {key: float(v[0, 0]) for key, v in judged.other_dose_left.items()}
    warned = []
    for layer, band in (needs_light or {}).items():
        key = (layer, band_key(band))
        if key not in others:
            raise OptistackError(
                f"the dose left in {layer} ({band_key(band)} nm) was not evaluated; name the layer "
                "in other_layers and the band in bands_nm"
            )
        if others[key] < SOAKING_NEEDS:
            warned.append(
                f"{candidate.name} leaves {layer} {100 * others[key]:.2g} % of its light of "
                f"{band_key(band)} nm: if it needs that light to work (light-soaking), the device "
                "may start badly or not at all."
            )
    before, after = _reflected_transmitted(bench, None), _reflected_transmitted(bench, candidate)
    power = bench.energy[0]
    warming = float(power @ (after.absorbed - before.absorbed))
    notes = ["the electrical power that is no longer taken out is not counted in the warming"]
    colours: list[Colour | None] = [None, None]
    difference = None
    if seen_through:
        colours, difference = _colours(bench, before.transmittance, after.transmittance)
        if difference > _PLAINLY_SEEN:
            warned.append(f"{candidate.name} changes the colour of the device plainly.")
        elif difference > _JUST_SEEN:
            notes.append("a careful eye sees the change of colour")
    return SideEffects(
        candidate.name,
        bench.exposure.name,
        others,
        warming,
        bench.limits,
        colours[0],
        colours[1],
        difference,
        tuple(warned),
        tuple(notes),
    )


class _Light(NamedTuple):
    """At the nodes, per light at the sample plane without the candidate."""

    absorbed: Real
    transmittance: Real


def _reflected_transmitted(bench: Bench, candidate: Candidate | None) -> _Light:
    if candidate is None:
        _, r, t = bench.arrays.response()
        back, through = (np.interp(bench.x, bench.grid, v) for v in (r, t))
        return _Light(1.0 - back - through, through)
    passing = bench.through([candidate])[0]
    found = bench.flows(candidate)
    if found is not None:
        slot, flows = found
        r, t = flows.reflectance(slot)[0], flows.transmittance(slot)[0]
        return _Light(passing * (1.0 - r - t), passing * t)
    if all(f.mount == "detached_far" for f in candidate.filters):
        bare = _reflected_transmitted(bench, None)
        return _Light(passing * bare.absorbed, passing * bare.transmittance)
    solved = bench.solved_with(candidate)
    r, t = (
        np.interp(bench.x, solved.wavelength_nm, v)
        for v in (solved.response.reflectance, solved.response.transmittance)
    )
    return _Light(passing * (1.0 - r - t), passing * t)


def _colours(bench: Bench, *transmittances: Real) -> tuple[list[Colour | None], float]:
    low, high = bench.limits
    if low > VISIBLE_NM[0] or high < VISIBLE_NM[1]:
        raise RangeError(
            "colour of the device",
            VISIBLE_NM,
            bench.limits,
            "Let the photocurrent or a band reach that far",
        )
    try:
        # It also changes how numpy prints, for everyone: put back.
        with warnings.catch_warnings(), np.printoptions():
            # It warns of optional packages it does not find when it is first imported.
            warnings.filterwarnings("ignore", category=UserWarning, module="colour")
            import colour
    except ImportError:
        raise OptistackError(
            'colours need the package colour-science: pip install "optistack[colour]"'
        ) from None
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    daylight = colour.SDS_ILLUMINANTS["D65"]
    lam = np.arange(VISIBLE_NM[0], VISIBLE_NM[1] + 0.5)
    curves = np.array(
        [np.interp(lam, observer.wavelengths, observer.values[:, i]) for i in range(3)]
    )
    # CIE 15: D65 is linear between its samples.
    light = np.interp(lam, daylight.wavelengths, daylight.values)
    white = curves @ light
    xy = colour.XYZ_to_xy(white / white[1])
    out: list[Colour | None] = []
    labs = []
    for t in transmittances:
        xyz = curves @ (light * np.interp(lam, bench.x, t)) / white[1]
        lab = np.asarray(colour.XYZ_to_Lab(xyz, xy), dtype=float)
        labs.append(lab)
        out.append(Colour(float(xyz[1]), (float(lab[0]), float(lab[1]), float(lab[2]))))
    return out, float(colour.delta_E(labs[0], labs[1], method="CIE 2000"))
