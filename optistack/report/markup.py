"""Pieces of the page: escaped text, numbers with their range, tables, figures."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from optistack.report.wording import (
    NOTHING,
    one_line,
    parts,
    percent,
    show,
    span,
    spread,
    unit_text,
)

if TYPE_CHECKING:
    from optistack.report.pictures import Drawn

Json = dict[str, Any]

_KEEP = re.compile(r"\d+-\d+ nm|[\d.]+ %|\d[\d.]* nm\b")


def safe(text: Any) -> str:
    """Escaped, without control characters and marks that turn the reading direction.

    Examples
    --------
    >>> safe("<b>\\u202ea\\x1b")
    '&lt;b&gt; a '
    """
    shown = "".join(c if c.isprintable() or c in "\n\t" else " " for c in str(text))
    return escape(shown, quote=True)


def rich(text: Any) -> str:
    """Escaped, units raised; a band or a per cent sign stays with its number at a line's end."""
    return _KEEP.sub(lambda m: f'<span class="nb">{m.group(0)}</span>', unit_text(safe(text)))


def paragraph(text: str, kind: str = "") -> str:
    return f'<p class="{kind}">{rich(text)}</p>' if kind else f"<p>{rich(text)}</p>"


def bullets(items: Iterable[str], kind: str = "") -> str:
    inner = "".join(f"<li>{rich(one_line(i))}</li>" for i in items)
    if not inner:
        return ""
    return f'<ul class="{kind}">{inner}</ul>' if kind else f"<ul>{inner}</ul>"


def value_cell(value: Any, *, as_percent: bool = False) -> str:
    """A number with its full digits behind it, the range set apart."""
    middle = parts(value)[0]
    if middle is None:
        return NOTHING
    text, bracket, rest = show(value, as_percent=as_percent).partition(" (")
    after = f' <span class="range">({safe(rest)}</span>' if bracket else ""
    return f'<data value="{middle!r}">{safe(text)}{after}</data>'


def table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    top: str = "",
    words: int = 1,
    kind: str = "",
    merge: bool = False,
) -> str:
    """A table that scrolls in a box of its own.

    Parameters
    ----------
    caption : str
    head, rows
        Cells as HTML; the first ``words`` columns are text, the others numbers.
    top : str
        A row above the head.
    kind : str
        Class of the table.
    merge : bool
        Write a name in the first column once for all its rows.
    """
    body = []
    for i, row in enumerate(rows):
        first = f'<th scope="row">{row[0]}</th>'
        if merge:
            if i and rows[i - 1][0] == row[0]:
                first = ""
            else:
                same = 1
                while i + same < len(rows) and rows[i + same][0] == row[0]:
                    same += 1
                first = f'<th scope="rowgroup" rowspan="{same}">{row[0]}</th>'
        rest = "".join(
            f'<td class="word">{c}</td>' if j < words else f"<td>{c}</td>"
            for j, c in enumerate(row[1:], start=1)
        )
        body.append(f"<tr>{first}{rest}</tr>")
    columns = "".join(
        f'<th scope="col">{c}</th>' if j < words else f'<th scope="col" class="number">{c}</th>'
        for j, c in enumerate(head)
    )
    return (
        f'<div class="table"><p class="caption" aria-hidden="true">{rich(caption)}</p>'
        f'<div class="scroll" role="region" tabindex="0" aria-label="{safe(caption)}">'
        f'<table class="{kind or "plain"}"><thead>{top}<tr>{columns}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table></div></div>"
    )


def figure(drawn: Mapping[str, Drawn], key: str, caption: str, reading: str) -> str:
    picture = drawn.get(key)
    if picture is None:
        return ""
    source = base64.b64encode(picture.svg).decode("ascii")
    return (
        f'<figure id="figure-{key}"><div class="card">'
        f'<img src="data:image/svg+xml;base64,{source}" alt="{safe(picture.alt)}" '
        f'width="{picture.width_px}" height="{picture.height_px}"></div>'
        f"<figcaption><strong>{rich(caption)}</strong> {rich(reading)}</figcaption></figure>"
    )


def figures(*drawn: str) -> str:
    shown = [f for f in drawn if f]
    return f'<div class="figures">{"".join(shown)}</div>' if shown else ""


def asked_layers(data: Json) -> list[tuple[str, Json, Json]]:
    """(exposure name, exposure, its asked layer)."""
    out = []
    for name, exposure in data["exposures"].items():
        layer = next((x for x in exposure["layers"] if x["asked"]), None)
        if layer is not None:
            out.append((name, exposure, layer))
    return out


def filter_exposures(data: Json) -> list[tuple[str, str]]:
    return list(dict.fromkeys((r["exposure"], r["light"]) for r in data["filters"]))


def span_cell(values: Iterable[Any]) -> str:
    """Lowest to highest, broken only between the two."""
    low, word, high = span(values).partition(" to ")
    return f'<span class="nb">{safe(low + word)}</span><span class="span">{safe(high)}</span>'


def percent_cell(value: Any) -> str:
    limits = spread([value])
    if limits is None:
        return NOTHING
    low, high = (percent(x) for x in limits)
    return safe(low if low == high else f"{low} to {high}")
