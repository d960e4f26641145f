"""Optical constants with what is known about each: a number, a limit, or a choice of several."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from optistack.materials import Material
from optistack.plot_axes import axes
from optistack.spectral_math import log_interpolate
from optistack.tables import write_table
from optistack.value import Value

if TYPE_CHECKING:
    import pandas as pd

Real = NDArray[np.float64]
Flag = Literal["determined", "upper bound", "lower bound", "ambiguous"]

_MEANING = {
    "upper bound": "k is at most the upper value: the data do not tell it from 0",
    "lower bound": "k is at least the lower value: the film is opaque there",
    "ambiguous": "no single k is right: the interval is as wide as the value, or holds several "
    "solutions, or the method does not describe the readings",
}


@dataclass(frozen=True, eq=False)
class OpticalConstants:
    """n and k of a film, with 95 % intervals.

    Attributes
    ----------
    name, method : str
    wavelength_nm : (wavelength,) array [nm]
    n, n_low, n_high : (wavelength,) array
    k, k_low, k_high : (wavelength,) array
        Where k is an upper bound, ``k_low`` is 0 and ``k_high`` that of 99 %: such points were
        chosen for reading low. Where it is a lower bound, ``k`` is ``k_low`` and ``k_high`` is NaN.
    flag : tuple of str
        "determined", "upper bound", "lower bound" or "ambiguous", for k at each wavelength.
    thickness_nm : Value [nm]
        With its 95 % interval.
    chi_square, degrees_of_freedom : float
        Of the readings against what n, k and the thickness give, in units of the noise. None
        left where n and k were solved for at every wavelength.
    misfit : str
        Why the method does not describe the data; empty where it does.
    transmittance, reflectance : (wavelength,) array or None
        What n, k and the thickness give.
    parameters : mapping of str to Value
        Of a model.
    kind, grade : str
        For the header of a table.
    notes, sources : tuple of str
    """

    name: str
    method: str
    wavelength_nm: Real
    n: Real
    n_low: Real
    n_high: Real
    k: Real
    k_low: Real
    k_high: Real
    flag: tuple[Flag, ...]
    thickness_nm: Value
    chi_square: float
    degrees_of_freedom: float
    misfit: str = ""
    transmittance: Real | None = None
    reflectance: Real | None = None
    parameters: Mapping[str, Value] = field(default_factory=dict)
    kind: str = "measured"
    grade: str = "B"
    notes: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name, value in self.__dict__.items():
            if isinstance(value, np.ndarray):
                array = np.array(value, dtype=float)
                array.flags.writeable = False
                object.__setattr__(self, name, array)

    @property
    def determined(self) -> NDArray[np.bool_]:
        """Where k is a number and not only a limit or a choice."""
        return np.array([f == "determined" for f in self.flag])

    def ranges(self) -> tuple[tuple[Flag, float, float], ...]:
        """Runs of wavelengths with the same flag: (flag, first, last) [nm]."""
        out: list[tuple[Flag, float, float]] = []
        for flag, lam in zip(self.flag, self.wavelength_nm.tolist(), strict=True):
            if out and out[-1][0] == flag:
                out[-1] = (flag, out[-1][1], lam)
            else:
                out.append((flag, lam, lam))
        return tuple(out)

    def doubts(self) -> tuple[str, ...]:
        """What the data cannot say, and what was assumed, for a report or a table's header."""
        out = [f"misfit: {self.misfit}"] if self.misfit else []
        for flag, text in _MEANING.items():
            where = [
                f"{a:g}-{b:g}" if b > a else f"{a:g}" for f, a, b in self.ranges() if f == flag
            ]
            if where:
                more = f" and {len(where) - 12} more places" if len(where) > 12 else ""
                out.append(f"{flag} at {', '.join(where[:12])}{more} nm: {text}")
        return (*out, *self.notes)

    def summary(self) -> str:
        """What is known where, in lines of plain text."""
        d = self.thickness_nm
        out = [f"{self.name}: {self.method}, grade {self.grade}; thickness {d.format(4)} nm"]
        if self.degrees_of_freedom > 0:
            out.append(
                f"chi-square {self.chi_square:.4g} for {self.degrees_of_freedom:.4g} degrees of "
                "freedom"
            )
        out += [f"{name} = {value.format(4)}" for name, value in self.parameters.items()]
        lam = self.wavelength_nm
        for flag, first, last in self.ranges():
            here = (lam >= first) & (lam <= last)
            n, k, low, high = (x[here] for x in (self.n, self.k, self.k_low, self.k_high))
            if flag == "upper bound":
                said = f"k at most {_span(high)}"
            elif flag == "lower bound":
                said = f"k at least {_span(low)}"
            else:
                half = 50 * np.median((high - low) / np.maximum(k, 1e-12))
                said = f"k {_span(k)}, mostly within {half:.2g} %"
                if flag == "ambiguous":
                    said = f"k between {low.min():.3g} and {high.max():.3g}"
            out.append(f"  {first:g}-{last:g} nm  {flag}: n {_span(n)}, {said}")
        out += [f"- {doubt}" for doubt in self.doubts()]
        return "\n".join(out) + "\n"

    def material(self, which: Literal["value", "low", "high"] = "value") -> Material:
        """The film as a material, with k at its best value or at an end of its interval."""
        k = {"value": self.k, "low": self.k_low, "high": self.k_high}[which]
        k = np.where(np.isnan(k), self.k, k)
        lam, n = self.wavelength_nm, self.n
        limits = (float(lam[0]), float(lam[-1]))
        return Material(
            name=self.name,
            n_model=lambda x: np.interp(x, lam, n),
            k_model=lambda x: log_interpolate(x, lam, k),
            n_range_nm=limits,
            k_range_nm=limits,
            grade=self.grade,
            kind=self.kind,
            source=self._source(),
            notes=tuple(f"material {self.name}: {d}" for d in self.doubts()),
            nodes_nm=lam,
        )

    def _source(self) -> str:
        files = "; ".join(self.sources) or "readings given as arrays"
        return f"own transmittance and reflectance of the film, {self.method}; {files}"

    def to_table(
        self,
        path: str | Path,
        *,
        title: str | None = None,
        licence: str = "own measurement",
        retrieved: str | None = None,
    ) -> Path:
        """Write a table (quantity nk) that a scenario can name.

        Columns n and k are what a scenario uses; n_low, n_high, k_low and k_high hold the 95 %
        intervals. Limits and ambiguities stand in the notes.

        Parameters
        ----------
        path : str or Path
        title, licence : str, optional
        retrieved : str, optional
            Date; today when not given.

        Raises
        ------
        TableError
            As in `optistack.tables.write_table`.
        """
        d = self.thickness_nm
        names = ("n", "k", "n_low", "n_high", "k_low", "k_high")
        columns: dict[str, Real] = {name: getattr(self, name) for name in names}
        if np.isnan(self.k_high).all():  # opaque everywhere: a table has no empty column
            del columns["k_high"]
        return write_table(
            path,
            "nk",
            self.wavelength_nm,
            columns,
            header={
                "title": title or f"{self.name}, from its transmittance and reflectance",
                "units": "wavelength nm; n, k dimensionless",
                "source": self._source(),
                "licence": licence,
                "retrieved": retrieved or datetime.date.today().isoformat(),
                "kind": self.kind,
                "grade": self.grade,
                "uncertainty": "95 % intervals in the columns n_low, n_high, k_low, k_high",
                "thickness_nm": f"{d.value:.6g} ({d.low:.6g} to {d.high:.6g})",
                "method": self.method,
                "chi_square": f"{self.chi_square:.4g} of {self.degrees_of_freedom:.4g}",
            },
            notes=self.doubts(),
        )

    def to_frame(self) -> pd.DataFrame:
        """One row per wavelength."""
        import pandas as pd

        columns = ("wavelength_nm", "n", "n_low", "n_high", "k", "k_low", "k_high")
        data: dict[str, Any] = {c: getattr(self, c) for c in columns}
        return pd.DataFrame({**data, "flag": self.flag})

    def plot(self, ax: Any = None) -> Any:
        """n and k with their intervals on a matplotlib Axes; k to the right, logarithmic."""
        ax = axes(ax)
        lam = self.wavelength_nm
        ax.plot(lam, self.n, color="tab:blue", label="n")
        ax.fill_between(lam, self.n_low, self.n_high, color="tab:blue", alpha=0.25, linewidth=0)
        ax.set_xlabel("wavelength (nm)")
        ax.set_ylabel("n")
        right = ax.twinx()
        positive = np.where(self.k > 0, self.k, np.nan)
        sure = self.determined
        right.plot(lam, np.where(sure, positive, np.nan), color="tab:red", label="k")
        right.plot(lam[~sure], positive[~sure], ".", color="tab:red", markersize=3)
        high = np.where(np.isnan(self.k_high), self.k, self.k_high)
        low = np.maximum(self.k_low, 1e-2 * np.maximum(high, 1e-9))  # a logarithmic axis has no 0
        right.fill_between(lam, low, high, color="tab:red", alpha=0.25, linewidth=0)
        right.set_yscale("log")
        right.set_ylabel("k")
        ax.set_title(f"{self.name}, {self.method}")
        return ax

    def _repr_html_(self) -> str:
        import html

        frame = self.to_frame()
        shown = frame.iloc[:: max(1, len(frame) // 20)]
        doubts = "".join(f"<li>{html.escape(d)}</li>" for d in self.doubts())
        title = html.escape(
            f"{self.name}: {self.method}, thickness {self.thickness_nm.format(4)} nm"
        )
        return f"<p>{title}</p>{shown.to_html(index=False)}<ul>{doubts}</ul>"


def _span(values: Real) -> str:
    low, high = f"{values.min():.3g}", f"{values.max():.3g}"
    return low if low == high else f"{low} to {high}"


def merged_flags(
    k: Real, k_low: Real, k_high: Real, upper: NDArray[np.bool_], several: NDArray[np.bool_]
) -> tuple[Flag, ...]:
    """The flag of each point: limits first, then several solutions, then a number.

    An interval as wide as the value itself is no number either.
    """
    vague = (k_high - k_low) > k
    out: list[Flag] = []
    for is_upper, is_several, is_vague in zip(upper, several, vague, strict=True):
        if is_upper:
            out.append("upper bound")
        elif is_several or is_vague:
            out.append("ambiguous")
        else:
            out.append("determined")
    return tuple(out)
