"""Broadcast Wave: the chunks that tell a WAV file's origin, loudness and ISRC.

``bext`` version 2 by EBU Tech 3285 (May 2011), with the coding history of EBU R 98; ``axml`` with
the ISRC by EBU Tech 3352. Both from memory; held against other programs' readings in the tests.

    bytes      bext field             here
    256        Description            artist: title (release)
    32         Originator             the label, else the release's artist
    32         OriginatorReference    the ISRC, else catalogue number and track
    10 + 8     Origination date/time  empty: readers would show it in place of the release date
    8          TimeReference          0
    2          Version                2
    64         UMID                   none
    5 × 2      loudness, its range, highest true peak, momentary and short-term; in hundredths
    180        reserved
    the rest   CodingHistory          A=PCM,F=44100,W=24,M=stereo

A file with ``bext`` has its ID3 passed over by some readers, ffmpeg among them. So the main words
stand in RIFF's INFO list too, in UTF-8 (common practice), several values parted by "; " as the
specification has it for engineers.

The texts of ``bext`` are ASCII, so other letters are written out in Latin ones. Nothing here tells
when or where the file was made: the same release gives the same bytes.
"""

from __future__ import annotations

import shutil
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import IO
from xml.sax.saxutils import escape

from anyascii import anyascii

from assembler.download.tag_table import TABLE, tag_values
from assembler.dsp.meter import Reading
from assembler.errors import AssemblerError
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata

_NOT_GIVEN = 0x7FFF
_MOST_HUNDREDTHS = 9999
_MOST_BYTES = 0xFFFFFFFF - 4_000_000
"""Of the file before its words and pictures, which have less than 4 MB."""
_MOST_WORDS = 4_000_000
_SOUND = (b"fmt ", b"data", b"id3 ", b"ID3 ")
_BEXT = struct.Struct("<256s32s32s10s8sIIH64s5h180x")
_AXML = """\
<?xml version="1.0" encoding="UTF-8"?>
<ebucore:ebuCoreMain xmlns:dc="http://purl.org/dc/elements/1.1/" \
xmlns:ebucore="urn:ebu:metadata-schema:ebuCore_2012">
  <ebucore:coreMetadata>
    <ebucore:identifier typeLabel="GUID" typeDefinition="Globally Unique Identifier" \
formatLabel="ISRC" formatDefinition="International Standard Recording Code" \
formatLink="http://www.ebu.ch/metadata/cs/ebu_IdentifierTypeCodeCS.xml#3.7">
      <dc:identifier>ISRC:{isrc}</dc:identifier>
    </ebucore:identifier>
  </ebucore:coreMetadata>
</ebucore:ebuCoreMain>
"""


def bext_chunk(
    release: Release, words: TrackMetadata, reading: Reading, rate_hz: int, bits: int
) -> bytes:
    """Return the content of a track's ``bext`` chunk."""
    catalogued = f"{release.catalogue_number or release.title} {words.running_number:02d}"
    levels = (
        reading.integrated_lufs,
        reading.loudness_range_lu,
        reading.true_peak_dbtp,
        reading.max_momentary_lufs,
        reading.max_short_term_lufs,
    )
    fixed = _BEXT.pack(
        _ascii(f"{words.artist}: {words.title} ({release.title})", 256),
        _ascii(release.label or release.artist, 32),
        _ascii((words.isrc or catalogued).replace("-", ""), 32),
        b"",
        b"",
        0,
        0,
        2,
        b"",
        *(_hundredths(level) for level in levels),
    )
    return fixed + f"A=PCM,F={rate_hz},W={bits},M=stereo\r\n".encode("ascii")


def axml_chunk(isrc: str) -> bytes:
    """Return the content of an ``axml`` chunk that carries an ISRC."""
    return _AXML.format(isrc=escape(isrc.replace("-", ""))).encode()


def info_list(release: Release, words: TrackMetadata) -> bytes:
    """Return the content of a ``LIST`` chunk with a track's words."""
    values = tag_values(release, words, "wav")
    content = b"INFO"
    for row in TABLE:
        if row.info and row.field in values:
            text = "; ".join(values[row.field]).encode() + b"\0"
            content += row.info.encode() + struct.pack("<I", len(text)) + text
            content += bytes(len(text) % 2)
    return content


def other_chunks(
    path: Path, release: Release, words: TrackMetadata, reading: Reading, *, rate_hz: int, bits: int
) -> list[str]:
    """Return the names of the chunks of a finished file that differ from what is written now.

    Parameters
    ----------
    path
        The file.
    release, words, reading, rate_hz, bits
        As for `make_broadcast_wave`.
    """
    right = {
        b"bext": bext_chunk(release, words, reading, rate_hz, bits),
        b"LIST": info_list(release, words),
    }
    if words.isrc:
        right[b"axml"] = axml_chunk(words.isrc)
    other = []
    with path.open("rb") as file:
        for name, size in _chunks(file, path):
            if name not in _SOUND and file.read(min(size, _MOST_WORDS)) != right.pop(name, None):
                other.append(name.decode("ascii", "replace").strip())
    return other + [name.decode("ascii") for name in right]


def _ascii(text: str, most_bytes: int) -> bytes:
    plain = anyascii(text)
    return "".join(sign if " " <= sign <= "~" else " " for sign in plain).encode()[:most_bytes]


def _hundredths(level: float | None) -> int:
    """Return a level as Tech 3285 wants it; 7FFF (hexadecimal) stands for one that is not given."""
    hundredths = _NOT_GIVEN if level is None else round(100 * level)
    return hundredths if abs(hundredths) <= _MOST_HUNDREDTHS else _NOT_GIVEN


def make_broadcast_wave(
    path: Path, release: Release, words: TrackMetadata, reading: Reading, *, rate_hz: int, bits: int
) -> None:
    """Put ``bext``, the INFO list and, if there is an ISRC, ``axml`` into a finished WAV file.

    ``bext`` comes first and ``axml`` last; the other chunks that were there stay as they are.

    Parameters
    ----------
    path
        The file; it is written anew beside itself, then takes its own place.
    release, words
        What is said about it.
    reading
        Measured on its words.
    rate_hz, bits
        Of its words.

    Raises
    ------
    AssemblerError
        It is no WAV file, or would be too long for one.
    """
    if path.stat().st_size > _MOST_BYTES:
        raise AssemblerError(
            f"{path.name}: has more than 4 GB, which no WAV file holds: deliver it as FLAC, or at "
            "a lower rate"
        )
    fresh = path.with_name(f"{path.name}.part")
    try:
        with path.open("rb") as old, fresh.open("wb") as new:
            new.write(b"RIFF\0\0\0\0WAVE")
            _write_chunk(new, b"bext", bext_chunk(release, words, reading, rate_hz, bits))
            _write_chunk(new, b"LIST", info_list(release, words))
            for name, size in _chunks(old, path):
                if name not in (b"bext", b"axml", b"LIST"):
                    new.write(name + struct.pack("<I", size))
                    _copy(old, new, size + size % 2)
            if words.isrc:
                _write_chunk(new, b"axml", axml_chunk(words.isrc))
            size = new.tell() - 8
            new.seek(4)
            new.write(struct.pack("<I", size))
        fresh.replace(path)
    finally:
        fresh.unlink(missing_ok=True)


def _chunks(file: IO[bytes], path: Path) -> Iterator[tuple[bytes, int]]:
    """Return name and size of each chunk, the file standing at its content."""
    riff = file.read(12)
    if riff[:4] != b"RIFF" or riff[8:] != b"WAVE":
        raise AssemblerError(f"{path.name}: is no WAV file: build the release again")
    while len(head := file.read(8)) == 8:
        name, size = struct.unpack("<4sI", head)
        after = file.tell() + size + size % 2
        yield name, size
        file.seek(after)


def _write_chunk(file: IO[bytes], name: bytes, content: bytes) -> None:
    file.write(name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2))


def _copy(source: IO[bytes], target: IO[bytes], size: int) -> None:
    """Copy a chunk's content; an odd one whose file lacks the last byte gets it."""
    end = target.tell() + size
    left = size
    while left and (data := source.read(min(left, shutil.COPY_BUFSIZE))):  # type: ignore[attr-defined]
        target.write(data)
        left -= len(data)
    target.write(bytes(end - target.tell()))
