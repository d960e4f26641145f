"""Ageing data: specimens, their readings against hours, their controls.

Refuses what cannot be a measurement; sets aside, with the reason, what is not light's doing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError
from optistack.value import NORMAL_95, Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Role = Literal["lit", "dark", "dry"]

# Quantities, and whether it is their inverse that is lost.
QUANTITIES: Mapping[str, bool] = {
    "sheet_resistance_ohm_sq": True,
    "sheet_conductance_s_sq": False,
    "transmittance": False,
    "decadic_absorbance": False,
    "photocurrent_density_ma_cm2": False,
    "relative_power": False,
}
FRACTIONS = ("transmittance", "relative_power")
ROLES = ("lit", "dark", "dry")
CENSORED = {"": 0, "at_least": 1, "at_most": -1}
# Above this a fraction is taken for per cent.
_LARGEST_FRACTION = 1.5
# Start values that differ by more than this are taken for mixed units.
_LARGEST_SPREAD = 100.0
# A specimen is set aside when its rim has lost this much more than its centre, beyond the noise.
RIM_OVER_CENTRE = 1.25
_RIM_SIGMAS = 2.0
# A reading this many times off both its neighbours is in another unit.
_LARGEST_JUMP = 50.0


@dataclass(frozen=True, eq=False)
class Specimen:
    """Readings of one specimen.

    Parameters
    ----------
    name : str
    hours : (reading,) array [h]
        Not negative, increasing.
    values : (reading,) array
        In the unit of the data set's quantity.
    role : "lit", "dark" or "dry"
        "dark": same climate, no light. "dry": no light and no moisture either: what contacts and
        instrument drift.
    absorbed_rate : float
        Absorbed photons per volume and hour (weighted, where a weight is meant), in any unit that
        the whole set shares; 1 makes the dose axis hours. Ignored for controls.
    temperature_k : float, optional
        Of the film [K].
    group : str
        Filter, intensity, climate: what the specimen belongs to.
    censored : (reading,) array of int, optional
        0 read, 1 the true value is at least, -1 at most the value given.
    excluded : mapping of index to str, optional
        Readings left out, with the reason.
    sd : (reading,) array, optional
        Standard deviation of each reading, in the unit of the values.
    rim_loss_share, centre_loss_share : float, optional
        Share of its signal that the rim and the centre of the specimen have lost (line profile,
        image), 0 to 1.
    loss_share_sd : float
        Standard deviation of those two.
    """

    name: str
    hours: Real
    values: Real
    role: Role = "lit"
    absorbed_rate: float = 1.0
    temperature_k: float | None = None
    group: str = ""
    censored: NDArray[np.int_] | None = None
    excluded: Mapping[int, str] = field(default_factory=dict)
    sd: Real | None = None
    rim_loss_share: float | None = None
    centre_loss_share: float | None = None
    loss_share_sd: float = 0.0

    def __post_init__(self) -> None:
        hours = np.array(self.hours, dtype=float)
        values = np.array(self.values, dtype=float)
        where = f"specimen {self.name}"
        if hours.ndim != 1 or hours.shape != values.shape or hours.size < 1:
            raise OptistackError(f"{where}: needs as many values as hours")
        if not np.isfinite(hours).all() or hours[0] < 0:
            raise OptistackError(f"{where}: hours must be finite and not negative")
        if (np.diff(hours) <= 0).any():
            at = int(np.argmax(np.diff(hours) <= 0)) + 1
            raise OptistackError(
                f"{where}: {hours[at]:g} h comes after {hours[at - 1]:g} h; hours must increase. "
                "Give repeated readings as a mean, or as another specimen"
            )
        if not (np.isfinite(values).all() and (values > 0).all()):
            at = int(np.argmax(~(np.isfinite(values) & (values > 0))))
            raise OptistackError(
                f"{where}: {values[at]:g} at {hours[at]:g} h; readings must be positive. A reading "
                "beyond the instrument's range is given as its limit, censored at_least or at_most"
            )
        if self.role not in ROLES:
            raise OptistackError(f"{where}: role {self.role!r} is not one of {', '.join(ROLES)}")
        if self.role == "lit" and not (np.isfinite(self.absorbed_rate) and self.absorbed_rate > 0):
            raise OptistackError(
                f"{where}: absorbed_rate {self.absorbed_rate} must be positive; a specimen without "
                "light is a control, role = dark"
            )
        if self.temperature_k is not None and not 100 < self.temperature_k < 1000:
            raise OptistackError(
                f"{where}: temperature {self.temperature_k:g} K lies outside 100-1000 K; "
                "give kelvin"
            )
        censored = np.zeros(hours.size, dtype=np.int_)
        if self.censored is not None:
            censored = np.array(self.censored, dtype=np.int_)
            if censored.shape != hours.shape or (np.abs(censored) > 1).any():
                raise OptistackError(f"{where}: censored must be 0, 1 or -1 for every reading")
        if any(not 0 <= i < hours.size for i in self.excluded):
            raise OptistackError(f"{where}: an excluded reading does not exist")
        if self.sd is not None:
            sd = np.array(self.sd, dtype=float)
            if sd.shape != hours.shape or not (np.isfinite(sd) & (sd > 0)).all():
                raise OptistackError(f"{where}: sd must be positive, one for every reading")
            sd.flags.writeable = False
            object.__setattr__(self, "sd", sd)
        logs = np.log(values)
        kept = np.array([i for i in range(hours.size) if i not in self.excluded])
        for before, at, after in zip(kept[:-2], kept[1:-1], kept[2:], strict=True):
            steps = logs[at] - logs[before], logs[at] - logs[after]
            if min(steps) > np.log(_LARGEST_JUMP) or max(steps) < -np.log(_LARGEST_JUMP):
                raise OptistackError(
                    f"{where}: {values[at]:g} at {hours[at]:g} h lies between {values[before]:g} "
                    f"and {values[after]:g}; this looks like another unit. Correct it, or exclude "
                    "it with the reason"
                )
        for share in (self.rim_loss_share, self.centre_loss_share):
            if share is not None and not share <= 1:
                raise OptistackError(f"{where}: {share:g} is no share of a loss (at most 1)")
        if not self.loss_share_sd >= 0:
            raise OptistackError(f"{where}: loss_share_sd must not be negative")
        for name, array in (("hours", hours), ("values", values), ("censored", censored)):
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    @classmethod
    def from_values(
        cls, name: str, hours: ArrayLike, values: Sequence[Value], **more: Any
    ) -> Specimen:
        """Readings that come as values with 95 % intervals, such as those inferred from J-V curves.

        A limit becomes a censored reading; where no value has a width, no sd is stated.

        Parameters
        ----------
        hours : (reading,) array [h]
        values : sequence of Value
        **more
            The other parameters.

        Raises
        ------
        OptistackError
            Some values without any width beside others that have one.
        """
        ends = [{"upper": v.high, "lower": v.low, None: v.value}[v.bound] for v in values]
        read = np.array(ends, dtype=np.float64)
        flags = np.array([{"upper": -1, "lower": 1, None: 0}[v.bound] for v in values])
        width = np.array([0.0 if v.bound else v.high - v.low for v in values])
        plain = flags == 0
        sd: Real | None = None
        if (width[plain] > 0).any():
            if (width[plain] <= 0).any():
                raise OptistackError(
                    f"specimen {name}: some values have an interval and some have none"
                )
            sd = width / (2 * NORMAL_95)
            # How sharp a limit is nobody said: as sharp as the readings are.
            share = float(np.median(sd[plain] / read[plain]))
            sd = np.asarray(np.where(plain, sd, share * read))
        return cls(name, np.asarray(hours, dtype=float), read, censored=flags, sd=sd, **more)

    @property
    def flags(self) -> NDArray[np.int_]:
        """``censored``, for every reading."""
        none = np.zeros(self.hours.size, dtype=np.int_)
        return none if self.censored is None else np.asarray(self.censored)

    @cached_property
    def kept(self) -> NDArray[np.intp]:
        """Indices of the readings that are used."""
        left = [i for i in range(self.hours.size) if i not in self.excluded]
        out = np.array(left, dtype=np.intp)
        out.flags.writeable = False
        return out

    @property
    def not_light(self) -> str:
        """Why the loss of this specimen cannot be put down to light; empty if it can."""
        rim, centre = self.rim_loss_share, self.centre_loss_share
        if rim is None or centre is None:
            return ""
        noise = _RIM_SIGMAS * np.sqrt(2.0) * self.loss_share_sd
        if rim - centre > noise and rim > RIM_OVER_CENTRE * max(centre, 0.0):
            return (
                f"the loss starts at the rim: {100 * rim:.3g} % lost there, {100 * centre:.3g} % "
                "in the centre, while the light is the same; something comes in from the edge"
            )
        return ""


@dataclass(frozen=True, eq=False)
class AgeingData:
    """Specimens of one kind, read as one quantity.

    Parameters
    ----------
    specimens : tuple of Specimen
    quantity : str
        One of `QUANTITIES`; the unit is part of the name.
    sd : float, optional
        Standard deviation of readings that state none of their own: of the logarithm with ``noise``
        "relative". Estimated from the scatter when not given; never believed below the scatter
        when given.
    noise : "relative" or "absolute"
    dose_unit : str
        Of absorbed_rate x hours, for screens; "h" while absorbed rates are left at 1.
    name : str
    invented : bool
    remarks : tuple of str
        Where the readings come from and what that means; part of the notes.

    Raises
    ------
    OptistackError
        An unknown quantity, no lit specimen, names given twice, units that seem mixed.
    """

    specimens: tuple[Specimen, ...]
    quantity: str = "sheet_resistance_ohm_sq"
    sd: float | None = None
    noise: Literal["relative", "absolute"] = "relative"
    dose_unit: str = "h"
    name: str = "data"
    invented: bool = False
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.quantity not in QUANTITIES:
            raise OptistackError(
                f"{self.name}: quantity {self.quantity!r} is not one of {', '.join(QUANTITIES)}. "
                "The power of a cell is given as relative_power, a share of its start"
            )
        if self.noise not in ("relative", "absolute"):
            raise OptistackError(f'{self.name}: noise must be "relative" or "absolute"')
        if self.noise == "absolute" and QUANTITIES[self.quantity]:
            raise OptistackError(f"{self.name}: {self.quantity} takes relative noise")
        if self.sd is not None and not (np.isfinite(self.sd) and self.sd > 0):
            raise OptistackError(f"{self.name}: sd {self.sd} must be positive")
        names = [s.name for s in self.specimens]
        if len(set(names)) != len(names):
            raise OptistackError(f"{self.name}: two specimens have the same name")
        if not any(s.role == "lit" for s in self.specimens):
            raise OptistackError(f"{self.name}: no lit specimen")
        with_sd = [s.sd is not None for s in self.specimens]
        if any(with_sd) and not all(with_sd) and self.sd is None:
            raise OptistackError(
                f"{self.name}: some specimens state the sd of their readings and some do not; give "
                "all of them, or sd for the rest"
            )
        if self.quantity in FRACTIONS:
            for s in self.specimens:
                if s.values.max() > _LARGEST_FRACTION:
                    raise OptistackError(
                        f"{self.name}: specimen {s.name} reads {s.values.max():g}, but "
                        f"{self.quantity} is a fraction, not per cent"
                    )
        starts = {s.name: float(s.values[0]) for s in self.specimens}
        low, high = min(starts, key=lambda n: starts[n]), max(starts, key=lambda n: starts[n])
        if starts[high] > _LARGEST_SPREAD * starts[low]:
            raise OptistackError(
                f"{self.name}: {high} starts at {starts[high]:g} and {low} at {starts[low]:g} "
                f"({self.quantity}); these look like different units"
            )

    @property
    def set_aside(self) -> tuple[tuple[str, str], ...]:
        """Specimens whose loss is not light's, with the reason."""
        return tuple((s.name, s.not_light) for s in self.specimens if s.not_light)

    @property
    def sigma_known(self) -> bool:
        """Whether the noise of all readings is stated."""
        return self.sd is not None or all(s.sd is not None for s in self.specimens)

    def sigma(self, specimen: Specimen) -> Real:
        """Standard deviation of each reading, of its logarithm where noise is relative (reading,).

        Where nothing is stated it is 1, to be scaled by the scatter.
        """
        if specimen.sd is not None:
            return specimen.sd / specimen.values if self.noise == "relative" else specimen.sd
        return np.full(specimen.hours.size, 1.0 if self.sd is None else self.sd)

    def used(self, role: Role) -> tuple[Specimen, ...]:
        """Specimens of a role with readings left, without those set aside."""
        return tuple(
            s for s in self.specimens if s.role == role and s.kept.size and not s.not_light
        )

    @property
    def inverse(self) -> bool:
        """Whether it is the inverse of the quantity that is lost."""
        return QUANTITIES[self.quantity]

    @property
    def controls(self) -> tuple[Specimen, ...]:
        """The dark controls, or the dry ones where there are no dark ones."""
        return self.used("dark") or self.used("dry")

    @property
    def groups(self) -> tuple[str, ...]:
        """Groups of the lit specimens, in the order in which they come."""
        return tuple(dict.fromkeys(s.group for s in self.used("lit")))

    @property
    def tested_dose(self) -> float:
        """Largest absorbed_rate x hours of a lit specimen."""
        doses = [float(s.hours[s.kept[-1]] * s.absorbed_rate) for s in self.used("lit")]
        return max(doses, default=0.0)

    @property
    def mean_absorbed_rate(self) -> float:
        """Of the lit specimens, each counted once; not a number without any."""
        rates = [s.absorbed_rate for s in self.used("lit")]
        return float(np.mean(rates)) if rates else np.nan

    @property
    def film_temperature_k(self) -> Value | None:
        """Mean over the lit specimens and their range [K]; None unless all have one."""
        found = [s.temperature_k for s in self.used("lit")]
        if not found or any(t is None for t in found):
            return None
        kelvin = np.array(found, dtype=float)
        return Value(float(kelvin.mean()), float(kelvin.min()), float(kelvin.max()))

    def per_hour(self, unit: float | None = None) -> AgeingData:
        """The same on the hours axis, or with absorbed rates in units of ``unit``."""
        return replace(
            self,
            specimens=tuple(
                replace(s, absorbed_rate=1.0 if unit is None else s.absorbed_rate / unit)
                for s in self.specimens
            ),
            dose_unit="h",
        )

    def only(self, *groups: str) -> AgeingData:
        """The specimens of some groups, and the controls that belong to no group."""
        kept = (s for s in self.specimens if s.group in groups or (s.role != "lit" and not s.group))
        return replace(self, specimens=tuple(kept))

    def with_absorbed_rates(self, rates: Mapping[str, float], dose_unit: str) -> AgeingData:
        """The same with absorbed rates by group, for example from an exposure of each.

        Raises
        ------
        OptistackError
            A lit specimen whose group has no rate.
        """
        missing = [s.name for s in self.specimens if s.role == "lit" and s.group not in rates]
        if missing:
            raise OptistackError(
                f"{self.name}: specimen {missing[0]} is in none of the groups "
                f"{', '.join(rates)} whose absorbed rate is known"
            )
        specimens = (
            replace(s, absorbed_rate=rates[s.group]) if s.role == "lit" else s
            for s in self.specimens
        )
        return replace(self, specimens=tuple(specimens), dose_unit=dose_unit)

    def notes(self) -> tuple[str, ...]:
        """What was left out and what is missing."""
        out = ["invented data: it describes no real specimen"] if self.invented else []
        out += self.remarks
        out += [f"{self.name}: specimen {n} set aside, {why}" for n, why in self.set_aside]
        for s in self.specimens:
            out += [
                f"{self.name}: specimen {s.name}, reading at {s.hours[i]:g} h left out: {why}"
                for i, why in s.excluded.items()
            ]
            n = int(np.count_nonzero(s.flags))
            if n:
                out.append(f"{self.name}: specimen {s.name}, {n} readings are limits only")
        if not self.used("dark") and not self.used("dry"):
            out.append(f"{self.name}: no dark control, so loss without light is counted as light's")
        elif not self.used("dark"):
            out.append(f"{self.name}: no dark control but a dry one; loss by moisture is not seen")
        return tuple(dict.fromkeys(out))

    def to_frame(self) -> pd.DataFrame:
        """One row per reading."""
        import pandas as pd

        rows = [
            {
                "specimen": s.name,
                "group": s.group,
                "role": s.role,
                "hours": float(s.hours[i]),
                self.quantity: float(s.values[i]),
                "dose": float(s.hours[i] * s.absorbed_rate) if s.role == "lit" else 0.0,
                "sd": np.nan if s.sd is None else float(s.sd[i]),
                "censored": int(s.flags[i]),
                "excluded": s.excluded.get(i, ""),
                "set_aside": s.not_light,
            }
            for s in self.specimens
            for i in range(s.hours.size)
        ]
        return pd.DataFrame(rows)


def resistance_from_power(
    power: AgeingData, sheet_resistance_ohm_sq: ArrayLike, relative_power: ArrayLike
) -> AgeingData:
    """Sheet resistance from the power of cells, through the cell's own curve of power.

    Parameters
    ----------
    power : AgeingData
        Quantity ``relative_power``: shares of the power at the start. Their noise must be stated,
        since a small loss of power says little about a resistance.
    sheet_resistance_ohm_sq : (point,) array [ohm/sq]
        Increasing, for example from the electrode model.
    relative_power : (point,) array
        Power over the power at the start resistance, decreasing.

    Returns
    -------
    AgeingData
        Readings beyond the ends of the curve are censored.

    Raises
    ------
    OptistackError
        Another quantity, noise not stated, a curve that does not fall.

    Notes
    -----
    All loss of power is counted as resistance, so the resistance is too high wherever the cell ages
    in another way too; the result says so.
    """
    if power.quantity != "relative_power":
        raise OptistackError(f"{power.name}: holds {power.quantity}, not relative_power")
    if not power.sigma_known:
        raise OptistackError(
            f"{power.name}: state the noise of the power readings (column sd): how well a "
            "resistance follows from a power depends on it"
        )
    ohm = np.asarray(sheet_resistance_ohm_sq, dtype=float)
    share = np.asarray(relative_power, dtype=float)
    good = ohm.ndim == 1 and ohm.shape == share.shape and ohm.size >= 2
    if not (good and (ohm > 0).all() and (np.diff(ohm) > 0).all() and (np.diff(share) < 0).all()):
        raise OptistackError(
            "power against sheet resistance needs two points or more, resistances that increase "
            "and powers that decrease"
        )
    logs = np.log(ohm)

    def log_ohm(p: Real) -> Real:
        return np.asarray(np.interp(-p, -share, logs))

    out = []
    for s in power.specimens:
        sd = power.sigma(s) * (s.values if power.noise == "relative" else 1.0)
        flags = np.where(s.values > share[0], -1, np.where(s.values < share[-1], 1, -s.flags))
        spread = (log_ohm(s.values - sd) - log_ohm(s.values + sd)) / 2
        slope = np.interp(-s.values, -(share[1:] + share[:-1]) / 2, np.diff(logs) / -np.diff(share))
        values = np.exp(log_ohm(s.values))
        # At the ends of the curve half of the spread is cut off: there by its slope.
        width = np.maximum(spread, slope * sd)
        out.append(replace(s, values=values, censored=flags, sd=values * width))
    return replace(
        power,
        specimens=tuple(out),
        quantity="sheet_resistance_ohm_sq",
        sd=None,
        noise="relative",
        remarks=(
            *power.remarks,
            f"{power.name}: sheet resistance read from the power of cells; whatever else costs "
            "power is counted as resistance, so it and the rate are upper limits",
        ),
    )
