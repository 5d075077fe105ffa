"""Read which characters a TrueType font has.

OpenType specification, chapter "cmap": subtable formats 4 and 12. fontTools, with none but this
table read, adds 0.1 s to the check of a manifest with a title in Japanese; this takes 0.02 s.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

_UNICODE_FULL, _UNICODE_BASIC = (3, 10), (3, 1)


def read_characters(path: Path) -> frozenset[int]:
    """Return the code points that a font with a Windows Unicode table has a glyph for."""
    table = _cmap(path)
    (count,) = struct.unpack_from(">H", table, 2)
    records = struct.iter_unpack(">HHL", table[4 : 4 + 8 * count])
    offsets = {(platform, encoding): offset for platform, encoding, offset in records}
    if _UNICODE_FULL in offsets:
        return frozenset(_format_12(table[offsets[_UNICODE_FULL] :]))
    return frozenset(_format_4(table[offsets[_UNICODE_BASIC] :])) - {0xFFFF}


def _cmap(path: Path) -> bytes:
    with path.open("rb") as file:
        (count,) = struct.unpack(">4xH6x", file.read(12))
        records = struct.iter_unpack(">4s4xLL", file.read(16 * count))
        places = {name: (offset, length) for name, offset, length in records}
        offset, length = places[b"cmap"]
        file.seek(offset)
        return file.read(length)


def _format_12(table: bytes) -> Iterator[int]:
    (groups,) = struct.unpack_from(">L", table, 12)
    for first, last, glyph in struct.iter_unpack(">LLL", table[16 : 16 + 12 * groups]):
        yield from range(first if glyph else first + 1, last + 1)


def _format_4(table: bytes) -> Iterator[int]:
    values = struct.unpack(f">{len(table) // 2}H", table[: len(table) // 2 * 2])
    n = values[3] // 2
    columns = (values[at : at + n] for at in (8 + n, 7, 8 + 2 * n, 8 + 3 * n))
    for i, (first, last, delta, offset) in enumerate(zip(*columns, strict=True)):
        segment = range(first, last + 1)
        if offset == 0:
            yield from (c for c in segment if (c + delta) & 0xFFFF)
        else:
            place = 8 + 3 * n + i + offset // 2 - first
            yield from (c for c in segment if values[place + c])
