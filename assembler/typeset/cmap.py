"""Read which characters a TrueType font has.

OpenType specification, chapter "cmap": subtable formats 4 and 12. fontTools would need 0.5 s for a
title in Japanese, too long for a check of the manifest.
"""

from __future__ import annotations

import struct
from pathlib import Path

_UNICODE_FULL = (3, 10)
_UNICODE_BASIC = (3, 1)


def read_characters(path: Path) -> frozenset[int]:
    """Return the code points that a font has a glyph for.

    Parameters
    ----------
    path
        A TrueType file with a Windows Unicode table.

    Returns
    -------
    frozenset of int
        Without those that map to glyph 0, .notdef.

    Raises
    ------
    ValueError
        The font has no such table.
    """
    table = _table(path, b"cmap")
    (count,) = struct.unpack_from(">H", table, 2)
    records = [struct.unpack_from(">HHL", table, 4 + 8 * i) for i in range(count)]
    offsets = {(platform, encoding): offset for platform, encoding, offset in records}
    if _UNICODE_FULL in offsets:
        return _format_12(table[offsets[_UNICODE_FULL] :])
    if _UNICODE_BASIC in offsets:
        return _format_4(table[offsets[_UNICODE_BASIC] :])
    raise ValueError(f"{path.name} has no Unicode character table")


def _table(path: Path, tag: bytes) -> bytes:
    """Read one table of a TrueType file.

    Raises
    ------
    ValueError
        The font has no such table.
    """
    with path.open("rb") as file:
        (count,) = struct.unpack(">4xH6x", file.read(12))
        for _ in range(count):
            name, offset, length = struct.unpack(">4s4xLL", file.read(16))
            if name == tag:
                file.seek(offset)
                return file.read(length)
    raise ValueError(f"{path.name} has no table {tag.decode()}")


def _format_12(table: bytes) -> frozenset[int]:
    (groups,) = struct.unpack_from(">L", table, 12)
    characters: set[int] = set()
    for i in range(groups):
        first, last, glyph = struct.unpack_from(">LLL", table, 16 + 12 * i)
        characters.update(range(first if glyph else first + 1, last + 1))
    return frozenset(characters)


def _format_4(table: bytes) -> frozenset[int]:
    double_segments = struct.unpack_from(">H", table, 6)[0]
    values = struct.unpack(f">{len(table) // 2}H", table[: len(table) // 2 * 2])
    segments = double_segments // 2
    ends = 7
    starts = ends + segments + 1
    deltas = starts + segments
    ranges = deltas + segments
    characters: set[int] = set()
    for i in range(segments):
        first, last = values[starts + i], values[ends + i]
        delta, offset = values[deltas + i], values[ranges + i]
        if offset == 0:
            characters.update(c for c in range(first, last + 1) if (c + delta) & 0xFFFF)
            continue
        place = ranges + i + offset // 2 - first
        characters.update(c for c in range(first, last + 1) if values[place + c])
    characters.discard(0xFFFF)
    return frozenset(characters)
