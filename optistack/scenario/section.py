"""Typed access to a TOML table: every key is asked for by type, and what is left is refused."""

from __future__ import annotations

import difflib
import math
import unicodedata
from collections.abc import Sequence
from typing import Any

from optistack.errors import ScenarioError

_REQUIRED = object()
# No quantity of a scenario is larger, or smaller without being 0; further out, arithmetic breaks.
_LARGEST, _SMALLEST = 1e15, 1e-30


class Section:
    """A table of a scenario with its path, for messages.

    Every getter takes the key out of the table; `done` refuses what nobody asked for.
    """

    def __init__(self, data: Any, path: str):
        if not isinstance(data, dict):
            raise ScenarioError(f"must be a table, not {_kind(data)}", path)
        self._data = dict(data)
        self._known: list[str] = []
        self.path = path

    def key_path(self, key: str) -> str:
        """Path of a key, as messages show it."""
        shown = key if key.isprintable() else ascii(key)
        return f"{self.path}.{shown}" if self.path else shown

    def __contains__(self, key: str) -> bool:
        self._known.append(key)
        return key in self._data

    @property
    def names(self) -> tuple[str, ...]:
        """Keys not yet taken."""
        return tuple(self._data)

    def take(self, key: str, default: Any = _REQUIRED) -> Any:
        """A value of any type."""
        self._known.append(key)
        if key in self._data:
            return self._data.pop(key)
        if default is _REQUIRED:
            raise ScenarioError(f"is missing{self._near(key)}", self.key_path(key))
        return default

    def _near(self, key: str) -> str:
        """A hint at a key that may have been meant."""
        close = difflib.get_close_matches(key, list(self._data), n=1, cutoff=0.75)
        return f"; is {close[0]!r} a slip of the pen?" if close else ""

    def text(self, key: str, default: Any = _REQUIRED) -> Any:
        """A string without control characters."""
        value = self.take(key, default)
        if value is default and default is not _REQUIRED:
            return value
        if not isinstance(value, str):
            raise ScenarioError(f"must be text, not {_kind(value)}", self.key_path(key))
        return checked_name(value, self.key_path(key), long=True)

    def choice(self, key: str, allowed: Sequence[str], default: Any = _REQUIRED) -> Any:
        """One of a few words."""
        value = self.text(key, default)
        if value is not default and value not in allowed:
            raise ScenarioError(f"{value!r} is not one of {', '.join(allowed)}", self.key_path(key))
        return value

    def number(
        self,
        key: str,
        default: Any = _REQUIRED,
        *,
        low: float = -math.inf,
        high: float = math.inf,
        above: float | None = None,
    ) -> Any:
        """A finite number within limits; ``above`` is a limit that is itself not allowed."""
        value = self.take(key, default)
        if value is default and default is not _REQUIRED:
            return value
        return checked_number(value, self.key_path(key), low=low, high=high, above=above)

    def integer(self, key: str, default: Any = _REQUIRED, *, low: int) -> Any:
        """A whole number."""
        value = self.number(key, default, low=low)
        if value is default and default is not _REQUIRED:
            return value
        if value != int(value):
            raise ScenarioError(f"{value:g} is not a whole number", self.key_path(key))
        return int(value)

    def flag(self, key: str, default: Any = _REQUIRED) -> Any:
        """true or false."""
        value = self.take(key, default)
        if value is default and default is not _REQUIRED:
            return value
        if not isinstance(value, bool):
            raise ScenarioError(f"must be true or false, not {_kind(value)}", self.key_path(key))
        return value

    def numbers(self, key: str, default: Any = _REQUIRED, *, count: int | None = None) -> Any:
        """A list of finite numbers."""
        value = self.take(key, default)
        if value is default and default is not _REQUIRED:
            return value
        path = self.key_path(key)
        if not isinstance(value, list) or (count is not None and len(value) != count):
            wanted = "a list of numbers" if count is None else f"a list of {count} numbers"
            raise ScenarioError(f"must be {wanted}", path)
        return tuple(checked_number(v, f"{path}[{i}]") for i, v in enumerate(value))

    def band(self, key: str, default: Any = _REQUIRED) -> Any:
        """A pair of increasing positive wavelengths [nm]."""
        value = self.take(key, default)
        if value is default and default is not _REQUIRED:
            return value
        return checked_band(value, self.key_path(key))

    def bands(self, key: str, default: Any = _REQUIRED) -> Any:
        """A list of bands."""
        value = self.take(key, default)
        if value is default and default is not _REQUIRED:
            return value
        path = self.key_path(key)
        if not isinstance(value, list) or not value:
            raise ScenarioError("must be a list of bands such as [[300, 400]]", path)
        return tuple(checked_band(v, f"{path}[{i}]") for i, v in enumerate(value))

    def texts(self, key: str, default: Any = _REQUIRED) -> Any:
        """A list of strings."""
        value = self.take(key, default)
        if value is default and default is not _REQUIRED:
            return value
        path = self.key_path(key)
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise ScenarioError("must be a list of texts", path)
        return tuple(value)

    def section(self, key: str, default: Any = _REQUIRED) -> Any:
        """A table inside this one."""
        value = self.take(key, default)
        if value is default and default is not _REQUIRED:
            return value
        return Section(value, self.key_path(key))

    def sections(self, key: str, default: Any = _REQUIRED) -> list[Section]:
        """A list of tables."""
        value = self.take(key, default)
        path = self.key_path(key)
        if not isinstance(value, list):
            raise ScenarioError("must be a list of tables", path)
        return [Section(v, f"{path}[{i}]") for i, v in enumerate(value)]

    def named(self, key: str) -> dict[str, Section]:
        """A table of named tables; empty when it is missing."""
        outer = self.section(key, None)
        if outer is None:
            return {}
        out = {}
        for name in outer.names:
            checked_name(name, outer.key_path(name))
            out[name] = outer.section(name)
        return out

    def length_nm(self, stem: str, default: Any = _REQUIRED) -> Any:
        """A length given with one of the units nm, um, mm at the end of its key [nm]."""
        units = {"nm": 1.0, "um": 1e3, "mm": 1e6}
        given = [u for u in units if f"{stem}_{u}" in self._data]
        self._known += [f"{stem}_{u}" for u in units]
        if len(given) > 1:
            raise ScenarioError(f"given twice: {stem}_{given[0]} and {stem}_{given[1]}", self.path)
        if not given:
            if default is _REQUIRED:
                near = self._near(f"{stem}_nm")
                raise ScenarioError(
                    f"is missing (or {stem}_um, {stem}_mm){near}", self.key_path(f"{stem}_nm")
                )
            return default
        unit = given[0]
        return units[unit] * self.number(f"{stem}_{unit}", low=0.0)

    def one_of(self, keys: Sequence[str]) -> str:
        """Exactly one of these keys must be there; which one."""
        given = [k for k in keys if k in self._data]
        self._known += list(keys)
        if len(given) != 1:
            what = "none of them is" if not given else f"{' and '.join(given)} are"
            raise ScenarioError(f"needs exactly one of {', '.join(keys)}; {what} given", self.path)
        return given[0]

    def at_most_one_of(self, keys: Sequence[str]) -> None:
        """Refuse keys that exclude each other."""
        given = [k for k in keys if k in self._data]
        if len(given) > 1:
            raise ScenarioError(f"{' and '.join(given)} exclude each other; give one", self.path)

    def done(self) -> None:
        """Refuse keys that nobody took."""
        if not self._data:
            return
        key = next(iter(self._data))
        close = difflib.get_close_matches(key, self._known, n=1, cutoff=0.6)
        hint = f"; did you mean {close[0]}?" if close else ""
        allowed = ", ".join(dict.fromkeys(self._known))
        raise ScenarioError(f"unknown key{hint or '.'} Allowed here: {allowed}", self.key_path(key))


def _kind(value: Any) -> str:
    names = {bool: "true/false", str: "text", int: "a number", float: "a number", list: "a list"}
    return names.get(type(value), "a table" if isinstance(value, dict) else type(value).__name__)


def checked_number(
    value: Any,
    path: str,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    above: float | None = None,
) -> float:
    """A finite number within limits."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ScenarioError(f"must be a number, not {_kind(value)}", path)
    if isinstance(value, float) and not math.isfinite(value):
        raise ScenarioError(f"{value} is not a finite number", path)
    if abs(value) > _LARGEST or 0 < abs(value) < _SMALLEST:
        raise ScenarioError(
            f"the number is beyond anything that can be meant (at most {_LARGEST:g}, and at least "
            f"{_SMALLEST:g} where it is not 0)",
            path,
        )
    number = float(value)
    if above is not None and not number > above:
        raise ScenarioError(f"{number:g} must be greater than {above:g}", path)
    if number < low or number > high:
        limits = f"{low:g} to {high:g}" if math.isfinite(high) else f"at least {low:g}"
        raise ScenarioError(f"{number:g} is outside {limits}", path)
    return number


def checked_band(value: Any, path: str) -> tuple[float, float]:
    """A pair of increasing positive wavelengths [nm]."""
    if not isinstance(value, list) or len(value) != 2:
        raise ScenarioError("must be a band [from, to] in nm", path)
    low, high = (checked_number(v, f"{path}[{i}]", above=0.0) for i, v in enumerate(value))
    if low >= high:
        raise ScenarioError(f"band {low:g}-{high:g} nm does not increase", path)
    return low, high


def checked_name(value: str, path: str, *, long: bool = False) -> str:
    """A name that can stand in tables and file names: no control characters, not endless."""
    if not value.strip():
        raise ScenarioError("must not be empty", path)
    if len(value) > (2000 if long else 80):
        raise ScenarioError("is too long", path[:120])
    allowed = "\n\t" if long else ""
    if any(unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co") for c in value if c not in allowed):
        shown = path if path.isprintable() else ascii(path)
        raise ScenarioError("holds a control character", shown)
    return value
