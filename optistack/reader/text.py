"""The text of an export: its encoding and its lines."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

from optistack.tables import read_raw, read_text


def decode(path: Path) -> tuple[str, str, str]:
    """Text, SHA-256 and what was assumed about the encoding (empty where it is certain).

    Raises
    ------
    TableError
        As in `optistack.tables.read_text`.
    """
    raw = read_raw(path)
    if len(raw) >= 8 and len(raw) % 2 == 0 and not raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        half = len(raw) // 2
        even, odd = raw[::2].count(0), raw[1::2].count(0)
        for encoding, zeros, letters in (("utf-16-le", odd, even), ("utf-16-be", even, odd)):
            if zeros > 0.9 * half and letters == 0:
                text = raw.decode(encoding, errors="replace")
                digest = hashlib.sha256(raw).hexdigest()
                return text, digest, "UTF-16 without a mark, as every other byte is 0"
    text, digest = read_text(path)
    if not raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            return text, digest, "Latin-1, as it is not UTF-8"
    return text, digest, ""


def split_lines(text: str) -> list[str]:
    """Lines as an editor counts them: other separators stay inside a line."""
    lines = re.split("\r\n|\r|\n", text)
    if lines and not lines[-1]:
        lines.pop()
    return lines
