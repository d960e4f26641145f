"""The lines above a block of numbers: names of columns, keys and values."""

from __future__ import annotations

import csv
import re

_MOST_HEADING_LINES = 4
# Longer lines hold no key and value that anyone wrote.
_LONGEST = 1000


def split_cells(line: str, delimiter: str, quotes: bool = True) -> list[str]:
    """The cells of a line, without blanks around them; quotation marks taken off."""
    if delimiter == " ":
        return line.split()
    if quotes and line.count('"') % 2:
        # One left open would swallow the rest of the line.
        parts = [p.strip().strip('"') for p in line.strip(" ").split(delimiter)]
    elif quotes and '"' in line:
        try:
            parts = next(csv.reader([line.strip(" ")], delimiter=delimiter), [])
        except csv.Error:
            return [line]
    else:
        parts = line.strip(" ").split(delimiter)
    return [p.strip() for p in parts]


def _heading_cells(line: str, delimiter: str, width: int) -> list[str]:
    parts = split_cells(line, delimiter)
    if delimiter == " " and len(parts) != width:
        for other in (re.split(r"\s{2,}|\t", line.strip()), _with_units(parts)):
            if len(other) == width:
                return [p.strip() for p in other]
    return parts


def _with_units(words: list[str]) -> list[str]:
    """Words with the brackets that follow them."""
    out: list[str] = []
    for word in words:
        inside = bool(out) and out[-1].count("(") + out[-1].count("[") > (
            out[-1].count(")") + out[-1].count("]")
        )
        if out and (inside or word[0] in "(["):
            out[-1] += f" {word}"
        else:
            out.append(word)
    return out


def headings(above: list[str], delimiter: str, width: int) -> tuple[tuple[str, ...], ...]:
    """Cells of the lines right above the numbers that may name their columns."""
    found: list[tuple[str, ...]] = []
    for line in reversed(above):
        if not line.strip(" \t;,"):
            if found:
                break
            continue
        bare = line.lstrip()
        parts = _heading_cells(bare.lstrip("#! ") if bare[:1] in "#!" else line, delimiter, width)
        while len(parts) > width and not parts[-1]:
            parts.pop()
        fits = len(parts) == width or (
            # Names over the first column of each pair only.
            delimiter != " " and 1 < len(parts) < width and bool(found)
        )
        if not fits or len(found) == _MOST_HEADING_LINES or _is_key_and_value(parts):
            break
        found.append((*parts, *([""] * (width - len(parts)))))
    return tuple(reversed(found))


_KEYS = re.compile(r"[xy][ _-]?(axis|units?|label)\b.*|(ordinate|abscissa)\b.*", re.IGNORECASE)


def _is_key_and_value(parts: list[str]) -> bool:
    """Whether two cells are a fact about the file, not the names of two columns."""
    if len(parts) != 2:
        return False
    value = re.fullmatch(r"[+-]?\d[\d.,eE+-]*", parts[1])
    return _KEYS.fullmatch(parts[0]) is not None or value is not None


def metadata(above: list[str]) -> dict[str, str]:
    """Keys and values of lines such as ``#key=value``, ``key: value``, ``key<tab>value``."""
    out: dict[str, str] = {}
    for line in above:
        match = re.match(r'\s*[#>*%!"]*\s*([^=:;,\t]{1,60}?)\s*[=:;,\t]\s*(\S.*)', line[:_LONGEST])
        if match:
            key = " ".join(match.group(1).strip('" ').lower().split())
            value = match.group(2).strip(' ;,\t"')
            if key and key not in out:
                out[key] = value
    return out
