"""Where the current has to go: contacts, fingers and their shade.

Lengths are in millimetres, finger widths in micrometres. Current densities of a device are per
total area, shaded parts included.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar, Literal

from optistack.analysis.electrode.common import not_negative, positive
from optistack.errors import OptistackError

Contact = Literal["same", "opposite"]


@dataclass(frozen=True)
class CounterElectrode:
    """The other electrode of the cell, when it is resistive too.

    Attributes
    ----------
    sheet_resistance_ohm_sq : float
    contact : "same" or "opposite"
        Contacted where the front electrode is (then only the sum of both sheet resistances
        counts), or where the gap of the front electrode ends.
    """

    sheet_resistance_ohm_sq: float
    contact: Contact = "same"

    def __post_init__(self) -> None:
        not_negative(
            "sheet resistance of the counter electrode", self.sheet_resistance_ohm_sq, "ohm/sq"
        )
        if self.contact not in ("same", "opposite"):
            raise OptistackError(
                f"contact of the counter electrode is {self.contact!r}: 'same' or 'opposite'"
            )


@dataclass(frozen=True, kw_only=True)
class _Strip(ABC):
    """What parallel fingers and a finger on one edge share."""

    finger_width_um: float = 0.0
    finger_length_mm: float | None = None
    finger_ohm_per_cm: float = 0.0
    active_under_finger: bool = True
    counter: CounterElectrode | None = None

    sides: ClassVar[int]
    """Number of sides on which the sheet meets its finger."""

    @property
    @abstractmethod
    def period_mm(self) -> float:
        """Width of what repeats, finger included [mm]."""

    def _check(self, period: str) -> None:
        positive(period, self.period_mm, "mm")
        not_negative("finger width", self.finger_width_um, "um")
        not_negative("finger resistance", self.finger_ohm_per_cm, "ohm/cm")
        if self.finger_width_um * 1e-3 >= self.period_mm:
            raise OptistackError(
                f"finger width {self.finger_width_um:g} um leaves nothing of the {period} "
                f"{self.period_mm:g} mm"
            )
        if self.finger_length_mm is not None:
            positive("finger length", self.finger_length_mm, "mm")
        elif self.finger_ohm_per_cm > 0:
            raise OptistackError(
                "a resistive finger needs finger_length_mm, the way from its end to the busbar"
            )

    @property
    def lit_share(self) -> float:
        """Share of the area that the finger leaves open."""
        return 1.0 - self.finger_width_um * 1e-3 / self.period_mm

    @property
    def reach_mm(self) -> float:
        """Longest way through the sheet to the contact [mm]."""
        return self.period_mm * self.lit_share / self.sides

    def lumped_resistance_ohm_cm2(self, sheet_resistance_ohm_sq: float) -> float:
        """Lumped resistance with the same loss at uniform current, per total area [ohm cm2]."""
        way = self.reach_mm * 0.1
        finger = 0.0
        if self.finger_length_mm is not None:
            finger = (
                self.finger_ohm_per_cm * self.period_mm * 0.1 * (self.finger_length_mm * 0.1) ** 2
            )
        sheet = sheet_resistance_ohm_sq
        if self.counter is not None:
            sheet = sheet + self.counter.sheet_resistance_ohm_sq
        # The lit part carries more than its area's share of the current.
        return sheet * way**2 / self.lit_share / 3.0 + finger / 3.0


@dataclass(frozen=True)
class ParallelFingers(_Strip):
    """Many parallel fingers.

    Attributes
    ----------
    pitch_mm : float
        From finger to finger, centre to centre.
    finger_width_um : float
        Shaded width; 0 for a line.
    finger_length_mm : float, optional
        From the busbar to the end of a finger; needed when the finger is resistive.
    finger_ohm_per_cm : float
        Resistance of a finger per length.
    active_under_finger : bool
        The dark junction under an opaque finger takes current.
    counter : CounterElectrode, optional

    Examples
    --------
    >>> round(ParallelFingers(pitch_mm=5).lumped_resistance_ohm_cm2(100), 4)  # R_sq S^2 / 12
    2.0833
    """

    sides: ClassVar[int] = 2

    pitch_mm: float

    def __post_init__(self) -> None:
        self._check("finger pitch")

    @property
    def period_mm(self) -> float:
        return self.pitch_mm


@dataclass(frozen=True)
class OneEdge(_Strip):
    """A sheet with its contact on one edge only.

    Attributes
    ----------
    length_mm : float
        From the outer side of the contact to the far edge.

    The other attributes are those of `ParallelFingers`.

    Examples
    --------
    >>> round(OneEdge(length_mm=2.5).lumped_resistance_ohm_cm2(100), 4)  # R_sq L^2 / 3
    2.0833
    """

    sides: ClassVar[int] = 1

    length_mm: float

    def __post_init__(self) -> None:
        self._check("length of the sheet")

    @property
    def period_mm(self) -> float:
        return self.length_mm


@dataclass(frozen=True)
class SquarePad:
    """A square cell whose electrode is contacted along its whole rim.

    A square contacted on one edge is `OneEdge`, on two opposite edges `ParallelFingers`.

    Attributes
    ----------
    side_mm : float
    counter : CounterElectrode, optional
        Contacted along the same rim.
    """

    side_mm: float
    counter: CounterElectrode | None = None

    def __post_init__(self) -> None:
        positive("side of the pad", self.side_mm, "mm")
        _same_contact(self.counter)

    @property
    def lit_share(self) -> float:
        """All of the pad is lit."""
        return 1.0

    @property
    def reach_mm(self) -> float:
        """From the rim to the middle [mm]."""
        return self.side_mm / 2

    def plate(self) -> Plate:
        """One quarter of the pad."""
        half = self.side_mm * 0.05
        return Plate(half, half, 0.0, 0.0, half**2, 0.0)


@dataclass(frozen=True)
class BusbarUnitCell:
    """The two-dimensional unit cell between two busbars and two fingers.

    Attributes
    ----------
    finger_pitch_mm, busbar_pitch_mm : float
        Centre to centre.
    finger_width_um, busbar_width_mm : float
        Shaded widths.
    finger_ohm_per_cm : float
        Resistance of a finger per length; busbars are ideal.
    active_under_metal : bool
        The dark junction under opaque metal takes current.
    counter : CounterElectrode, optional
        With the same contacts, and only with ideal fingers.
    """

    finger_pitch_mm: float
    busbar_pitch_mm: float
    finger_width_um: float = 0.0
    busbar_width_mm: float = 0.0
    finger_ohm_per_cm: float = 0.0
    active_under_metal: bool = True
    counter: CounterElectrode | None = None

    def __post_init__(self) -> None:
        positive("finger pitch", self.finger_pitch_mm, "mm")
        positive("busbar pitch", self.busbar_pitch_mm, "mm")
        not_negative("finger width", self.finger_width_um, "um")
        not_negative("busbar width", self.busbar_width_mm, "mm")
        not_negative("finger resistance", self.finger_ohm_per_cm, "ohm/cm")
        _same_contact(self.counter)
        if self.finger_width_um * 1e-3 >= self.finger_pitch_mm:
            raise OptistackError("the fingers leave nothing of the finger pitch")
        if self.busbar_width_mm >= self.busbar_pitch_mm:
            raise OptistackError("the busbars leave nothing of the busbar pitch")
        if self.counter is not None and self.finger_ohm_per_cm > 0:
            raise OptistackError(
                "a resistive counter electrode together with resistive fingers is not covered in "
                "two dimensions: use ParallelFingers, or ideal fingers"
            )

    @property
    def lit_share(self) -> float:
        """Share of the area that fingers and busbars leave open."""
        return (1.0 - self.finger_width_um * 1e-3 / self.finger_pitch_mm) * (
            1.0 - self.busbar_width_mm / self.busbar_pitch_mm
        )

    @property
    def reach_mm(self) -> float:
        """From a finger or busbar to the farthest point of the sheet [mm]."""
        return (
            min(
                self.finger_pitch_mm - self.finger_width_um * 1e-3,
                self.busbar_pitch_mm - self.busbar_width_mm,
            )
            / 2
        )

    def plate(self) -> Plate:
        """One quarter of the unit cell."""
        wide = (self.finger_pitch_mm - self.finger_width_um * 1e-3) * 0.05
        high = (self.busbar_pitch_mm - self.busbar_width_mm) * 0.05
        area = self.finger_pitch_mm * self.busbar_pitch_mm * 0.05**2
        dark = self.finger_width_um * 5e-5 if self.active_under_metal else 0.0
        at_bar = (
            self.busbar_width_mm * self.finger_pitch_mm * 0.05**2
            if self.active_under_metal
            else 0.0
        )
        return Plate(wide, high, self.finger_ohm_per_cm, dark, area, at_bar)


@dataclass(frozen=True)
class Plate:
    """A rectangle of sheet: finger along x = 0, ideal busbar along y = 0, mirrors elsewhere.

    Attributes
    ----------
    width_cm, height_cm : float
        In x (away from the finger) and y (away from the busbar).
    finger_ohm_per_cm : float
        Of the whole finger; half of it belongs to the plate.
    dark_width_cm : float
        Width of dark junction under the plate's half of the finger.
    area_cm2 : float
        Area that the currents are divided by.
    dark_area_cm2 : float
        Dark junction under the busbar.
    """

    width_cm: float
    height_cm: float
    finger_ohm_per_cm: float
    dark_width_cm: float
    area_cm2: float
    dark_area_cm2: float


Strip = ParallelFingers | OneEdge
Geometry = ParallelFingers | OneEdge | SquarePad | BusbarUnitCell


def total_sheet_ohm_sq(geometry: Geometry, sheet_resistance_ohm_sq: float) -> float:
    """Sheet resistances of both electrodes where they are contacted alike [ohm/sq]."""
    counter = geometry.counter
    return sheet_resistance_ohm_sq + (counter.sheet_resistance_ohm_sq if counter else 0.0)


def _same_contact(counter: CounterElectrode | None) -> None:
    if counter is not None and counter.contact != "same":
        raise OptistackError(
            "in two dimensions the counter electrode has the contacts of the front electrode: "
            "contact='same'"
        )
