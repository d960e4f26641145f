"""What was measured on a film and its substrate, and the optics that should reproduce it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError
from optistack.filters import slab_internal
from optistack.gradients import Weights, pull_back
from optistack.materials import Material, material
from optistack.reader import Export, Reading
from optistack.transfer_matrix import solve

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Side = Literal["film", "substrate"]

SMALLEST_READING, LARGEST_READING = -0.01, 1.02
FEWEST_POINTS = 5
# Two readings of one wavelength may differ by the rounding of a file.
SAME_WAVELENGTH_NM = 1e-3
# A noise estimated from the data is not believed below this.
_LEAST_NOISE = 1e-4


class KnownIndex(NamedTuple):
    """What is known of the film's n, (wavelength,) each; ``std`` 0: exact."""

    n: Real
    std: Real

    @property
    def weight(self) -> Real:
        """One over the standard deviation that n has as a reading at every wavelength.

        The error of a given n is one error, not one at every wavelength: all together weigh as
        four readings.
        """
        return np.asarray(np.sqrt(4.0 / self.n.size) / self.std)


@dataclass(frozen=True, eq=False)
class FilmMeasurement:
    """Transmittance, and reflectance if there is one, of a film on a thick substrate in air.

    Parameters
    ----------
    wavelength_nm : (wavelength,) array [nm]
        Increasing.
    transmittance : (wavelength,) array
        Of the whole sample, film and substrate, as a fraction.
    thickness_nm : float [nm]
        Of the film.
    thickness_std_nm : float [nm]
        Its standard deviation; 0: exact. With a large one the thickness is fitted.
    substrate : Material, or what `optistack.materials.material` takes
    substrate_thickness_nm : float [nm]
    reflectance : (wavelength,) array, optional
    noise : float or (wavelength,) array, optional
        Standard deviation of the transmittance readings, absolute. None: estimated from the
        scatter of the readings.
    reflectance_noise : float or (wavelength,) array, optional
        None: as ``noise``.
    transmittance_scale_std, reflectance_scale_std : float
        Relative standard deviation of the photometric scale, the same at all wavelengths; that of
        the reflectance is the doubt about the mirror it was measured against.
    substrate_transmittance : (wavelength,) array, optional
        Of the bare substrate: its absorption is then taken from the measurement.
    angle_deg, reflectance_angle_deg : float [degree]
        Of incidence.
    light_from : "film" or "substrate"
        The side that faces the light.
    stray_light_floor : float
        What may be added to every transmittance by light that did not pass the sample; readings
        near it tell a lower bound of k only.
    name : str
    sources : tuple of str
        Where the readings come from, for the header of a table.
    notes : tuple of str
        How they were read and measured, for the result.

    Raises
    ------
    OptistackError
        Shapes that do not fit, readings that are no fractions, a thickness that is not positive.
    RangeError
        A substrate whose table does not cover the wavelengths.
    """

    wavelength_nm: Real
    transmittance: Real
    thickness_nm: float
    thickness_std_nm: float
    substrate: Material
    substrate_thickness_nm: float = 1e6
    reflectance: Real | None = None
    noise: Real | float | None = None
    reflectance_noise: Real | float | None = None
    transmittance_scale_std: float = 0.0
    reflectance_scale_std: float = 0.0
    substrate_transmittance: Real | None = None
    angle_deg: float = 0.0
    reflectance_angle_deg: float = 0.0
    light_from: Side = "film"
    stray_light_floor: float = 0.0
    name: str = "film"
    sources: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "substrate", material(self.substrate))
        lam = _array(self.wavelength_nm, None, "wavelength_nm", self.name)
        if lam.size < FEWEST_POINTS or not (np.diff(lam) > 0).all() or not lam[0] > 0:
            raise OptistackError(
                f"{self.name}: at least {FEWEST_POINTS} positive, increasing wavelengths are needed"
            )
        object.__setattr__(self, "wavelength_nm", lam)
        for key in ("transmittance", "reflectance", "substrate_transmittance"):
            given = getattr(self, key)
            if given is None:
                continue
            values = _array(given, lam.size, key, self.name)
            if values.min() < SMALLEST_READING or values.max() > LARGEST_READING:
                raise OptistackError(
                    f"{self.name}: {key} from {values.min():g} to {values.max():g}; a fraction "
                    "lies between 0 and 1. Are these percent?"
                )
            object.__setattr__(self, key, values)
        for key in ("noise", "reflectance_noise"):
            given = getattr(self, key)
            if given is not None:
                values = _array(np.broadcast_to(given, lam.shape), lam.size, key, self.name)
                if not (values > 0).all():
                    raise OptistackError(f"{self.name}: {key} must be positive")
                object.__setattr__(self, key, values)
        for key in ("thickness_nm", "substrate_thickness_nm"):
            if not (np.isfinite(getattr(self, key)) and getattr(self, key) > 0):
                raise OptistackError(f"{self.name}: {key} must be positive and finite")
        for key in (
            "thickness_std_nm",
            "transmittance_scale_std",
            "reflectance_scale_std",
            "stray_light_floor",
        ):
            if not (np.isfinite(getattr(self, key)) and getattr(self, key) >= 0):
                raise OptistackError(f"{self.name}: {key} must be finite and not negative")
        if self.thickness_std_nm > self.thickness_nm / 2:
            raise OptistackError(
                f"{self.name}: a thickness of {self.thickness_nm:g} nm with a standard deviation "
                f"of {self.thickness_std_nm:g} nm is not known well enough to fit; at most half"
            )
        for key in ("angle_deg", "reflectance_angle_deg"):
            if not 0 <= getattr(self, key) < 90:
                raise OptistackError(f"{self.name}: {key} must lie between 0 and 90")
        if self.light_from not in ("film", "substrate"):
            raise OptistackError(
                f'{self.name}: light_from must be "film" or "substrate", not {self.light_from!r}'
            )

    @classmethod
    def from_readings(
        cls,
        transmittance: Reading | Export,
        *,
        reflectance: Reading | Export | None = None,
        substrate_transmittance: Reading | Export | None = None,
        band_nm: tuple[float, float] | None = None,
        **options: Any,
    ) -> FilmMeasurement:
        """From the files of a spectrophotometer, as `optistack.reader.read_export` reads them.

        Parameters
        ----------
        transmittance : Reading or Export
            Its wavelengths are those of the result.
        reflectance, substrate_transmittance : Reading or Export, optional
            Interpolated linearly to these wavelengths where they were read at others.
        band_nm : (float, float) [nm], optional
            Keep only these wavelengths. None: those that all files cover.
        **options
            Other attributes of `FilmMeasurement`.

        Raises
        ------
        OptistackError
            Files that share no wavelengths, and as in `FilmMeasurement`.
        """
        given = (transmittance, reflectance, substrate_transmittance)
        first, second, bare = (x.reading() if isinstance(x, Export) else x for x in given)
        if first is None:
            raise OptistackError("a transmittance is needed")
        readings = [r for r in (first, second, bare) if r is not None]
        low = max(r.wavelength_nm[0] for r in readings)
        high = min(r.wavelength_nm[-1] for r in readings)
        if band_nm is not None:
            low, high = max(low, band_nm[0]), min(high, band_nm[1])
        lam = first.wavelength_nm
        inside = (lam >= low) & (lam <= high)
        if inside.sum() < FEWEST_POINTS:
            raise OptistackError(
                f"{first.name}: only {inside.sum()} readings between {low:g} and {high:g} nm, "
                f"where all files have some; at least {FEWEST_POINTS} are needed"
            )
        lam = lam[inside]
        notes = [said for r in readings for said in r.assumptions]

        def on_grid(reading: Reading | None) -> Real | None:
            if reading is None:
                return None
            own = reading.wavelength_nm
            nearest = np.abs(own[np.searchsorted((own[1:] + own[:-1]) / 2, lam)] - lam)
            if nearest.max() > SAME_WAVELENGTH_NM:
                notes.append(f"{reading.name}: interpolated to the wavelengths of the T readings")
            return np.asarray(np.interp(lam, own, reading.values))

        made: dict[str, Any] = {
            "wavelength_nm": lam,
            "transmittance": first.values[inside],
            "reflectance": on_grid(second),
            "substrate_transmittance": on_grid(bare),
            "name": first.name,
        }
        for item in given[:2]:
            if isinstance(item, Export) and item.measurement != "hemispherical":
                how = "is regular" if item.measurement == "regular" else "may be regular"
                notes.append(
                    f"{item.name}: the {item.quantity} {how}; light that the film scatters then "
                    "counts as absorbed"
                )
        if isinstance(transmittance, Export) and transmittance.stray_light_floor is not None:
            made["stray_light_floor"] = transmittance.stray_light_floor
        made.update(options)
        made["sources"] = (
            *(f"{r.name} (sha256 {r.sha256[:16]})" for r in readings),
            *options.get("sources", ()),
        )
        made["notes"] = (*notes, *options.get("notes", ()))
        return cls(**made)


def _array(values: ArrayLike, size: int | None, what: str, name: str) -> Real:
    array = np.array(values, dtype=float)
    if array.ndim != 1 or (size is not None and array.size != size):
        raise OptistackError(
            f"{name}: {what} has shape {array.shape}, expected "
            f"({'wavelength' if size is None else size},)"
        )
    if not np.isfinite(array).all():
        raise OptistackError(f"{name}: {what} must be finite numbers")
    array.flags.writeable = False
    return array


def scatter(values: Real) -> float:
    """Standard deviation of noise, from the differences of neighbours that a parabola leaves.

    Examples
    --------
    >>> import numpy as np
    >>> smooth = np.linspace(0.0, 1.0, 400) ** 2
    >>> print(round(scatter(smooth + 0.003 * np.random.default_rng(0).standard_normal(400)), 3))
    0.003
    """
    third = np.diff(values, 3)  # of pure noise: variance 20
    return max(float(np.median(np.abs(third)) / 0.6745 / np.sqrt(20.0)), _LEAST_NOISE)


class FilmOptics:
    """Transmittance and reflectance of the sample for any n, k and thickness of the film.

    Attributes
    ----------
    lam : (wavelength,) array [nm]
    data, std : (channel, wavelength) arrays
        Transmittance, then reflectance if measured, and what is random in each reading. The
        scales are separate.
    scale_std : (channel,) array
    notes : list of str
    """

    def __init__(self, m: FilmMeasurement):
        self.lam = m.wavelength_nm
        self.thickness_nm, self.thickness_std_nm = m.thickness_nm, m.thickness_std_nm
        self.notes = list(m.notes)
        self._from_film = m.light_from == "film"
        self._angles = (
            [m.angle_deg] if m.reflectance is None else [m.angle_deg, m.reflectance_angle_deg]
        )
        self._substrate_nm = m.substrate_thickness_nm
        rows = [m.transmittance] if m.reflectance is None else [m.transmittance, m.reflectance]
        self.data = np.array(rows)
        self.scale_std = np.array([m.transmittance_scale_std, m.reflectance_scale_std])[: len(rows)]
        given = [m.noise, m.noise if m.reflectance_noise is None else m.reflectance_noise]
        stds = []
        for values, noise, what in zip(rows, given, ("transmittance", "reflectance"), strict=False):
            if noise is None:
                noise = scatter(values)
                self.notes.append(
                    f"{m.name}: noise of the {what} taken from the scatter of its readings, "
                    f"{noise:.2g}"
                )
            stds.append(np.broadcast_to(noise, self.lam.shape))
        self.std = np.array(stds, dtype=float)
        if m.stray_light_floor > 0:
            self.std[0] = np.hypot(self.std[0], m.stray_light_floor)
            self.notes.append(
                f"{m.name}: up to {m.stray_light_floor:g} of each transmittance may be stray light"
            )
        self.substrate, tau_std = _substrate(m, self.std[0], self.notes)
        if tau_std is not None:
            self._add_substrate_noise(tau_std)

    def _add_substrate_noise(self, tau_std: Real) -> None:
        """What the noise of the substrate's transmittance does to the sample's, to first order."""
        index = np.full(self.lam.shape, 1.8 + 0j)
        per_tau = np.exp(-4 * np.pi * self.substrate.imag * self._substrate_nm / self.lam)
        step = 1e-3
        k_step = step * self.lam / (4 * np.pi * self._substrate_nm * per_tau)
        here = self(index, self.thickness_nm)
        kept, self.substrate = self.substrate, self.substrate + 1j * k_step
        there = self(index, self.thickness_nm)
        self.substrate = kept
        self.std = np.hypot(self.std, np.abs(there - here) / step * tau_std)

    def __call__(self, index: Complex, thickness_nm: float | Real) -> Real:
        """(..., channel, wavelength) for an index (..., wavelength) and thickness (...)."""
        air = np.ones(index.shape)
        substrate = np.broadcast_to(self.substrate, index.shape)
        film_first = np.stack([air, index, substrate, air], axis=-2)
        d = np.broadcast_to(np.asarray(thickness_nm, dtype=float), index.shape[:-1])
        both = np.stack([d, np.full(d.shape, self._substrate_nm)], axis=-1)
        coherent = [True, False]
        if not self._from_film:
            film_first, both, coherent = film_first[..., ::-1, :], both[..., ::-1], [False, True]
        one = solve(film_first, both, self.lam, angle_deg=self._angles[0], coherent=coherent)
        out = [one.transmittance]
        if len(self._angles) == 2:
            if self._angles[1] != self._angles[0]:
                one = solve(
                    film_first, both, self.lam, angle_deg=self._angles[1], coherent=coherent
                )
            out.append(one.reflectance)
        return np.stack(out, axis=-2)

    def slopes(self, index: Complex, thickness_nm: float) -> tuple[Real, Real, Real, Real]:
        """Values, and their derivatives by n, k and thickness, each (channel, wavelength)."""
        air = np.ones(index.shape)
        n = np.stack([air, index, np.broadcast_to(self.substrate, index.shape), air])
        d, coherent, film = np.array([thickness_nm, self._substrate_nm]), [True, False], 0
        if not self._from_film:
            n, d, coherent, film = n[::-1], d[::-1], coherent[::-1], 1
        # One answer with an angle for each channel: the first angle's T, the second one's R.
        channels = np.eye(2)[: len(self._angles), :, None] + np.zeros(self.lam.size)
        nothing = np.zeros((1, len(self._angles), 2, self.lam.size))
        slope = pull_back(
            n,
            d,
            self.lam,
            Weights(nothing, channels[None, :, 1], channels[None, :, 0]),
            angle_deg=self._angles,
            coherent=coherent,
            each_angle=True,
        )
        by_n, by_k, by_d = (x[0, :, film] for x in (slope.n, slope.k, slope.thickness_nm))
        return self(index, thickness_nm), by_n, by_k, by_d


def _substrate(m: FilmMeasurement, noise: Real, notes: list[str]) -> tuple[Complex, Real | None]:
    """Index of the substrate, and the standard deviation of its tau where that was measured."""
    if m.substrate_transmittance is None:
        return m.substrate.index(m.wavelength_nm), None
    lam, measured = m.wavelength_nm, m.substrate_transmittance
    n = m.substrate.transparent().index(lam).real
    surface = ((n - 1) / (n + 1)) ** 2
    if m.angle_deg > 20:
        notes.append(
            f"{m.name}: the bare substrate's absorption is derived as for normal incidence"
        )
    clear = (1 - surface) / (1 + surface)
    excess = (measured - clear) / noise
    if excess.max() > 4 or excess.mean() > 1:
        notes.append(
            f"{m.name}: the bare substrate transmits up to {(measured - clear).max():.4f} more "
            f"than the index of {m.substrate.name} allows; is it that material, and is the "
            "photometric scale right?"
        )
    floor = 1e-6  # what the noise leaves of an opaque substrate
    tau = np.clip(slab_internal(measured, surface), floor, 1.0)
    slope = (slab_internal(measured + 1e-4, surface) - slab_internal(measured, surface)) / 1e-4
    notes.append(
        f"{m.name}: absorption of the substrate from its own transmittance, its n from "
        f"{m.substrate.name}"
    )
    k = -np.log(tau) * lam / (4 * np.pi * m.substrate_thickness_nm)
    return np.asarray(n + 1j * k), np.asarray(slope * noise)
