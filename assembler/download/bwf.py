"""Broadcast Wave: the chunks of a WAV file for origin, loudness and ISRC.

``bext`` version 2 by EBU Tech 3285 (May 2011), with the coding history of EBU R 98; ``axml`` with
the ISRC by EBU Tech 3352. Both from memory; compared with other programs' readings in the tests.

    bytes      bext field             here
    256        Description            artist: title (release)
    32         Originator             the label, else the release's artist
    32         OriginatorReference    the ISRC, else catalogue number and track
    10 + 8     Origination date/time  empty: readers would show it instead of the release date
    8          TimeReference          0
    2          Version                2
    64         UMID                   none
    5 × 2      loudness, its range, highest true peak, momentary and short-term; in hundredths
    180        reserved
    the rest   CodingHistory          A=PCM,F=44100,W=24,M=stereo

Some readers, such as ffmpeg, ignore ID3 in a file with ``bext``. So the main texts are in RIFF's
INFO list too, in UTF-8 (common practice), several values separated by "; " as the specification
does for engineers.

The texts of ``bext`` are ASCII, so other letters are transliterated. Nothing depends on when or
where the file was made: the same release has the same bytes.
"""

from __future__ import annotations

import shutil
import struct
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO
from xml.sax.saxutils import escape

from anyascii import anyascii

from assembler.download.tag_table import TABLE, tag_values
from assembler.dsp.meter import Reading
from assembler.errors import AssemblerError
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata

_NO_VALUE = 0x7FFF
_MOST_HUNDREDTHS = 9999
_MOST_BYTES = 0xFFFFFFFF - 4_000_000
"""Of the file without metadata and pictures, which are shorter than 4 MB."""
_MOST_METADATA_BYTES = 4_000_000
_OTHER_CHUNKS = (b"fmt ", b"data", b"id3 ", b"ID3 ")
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
    release: Release, metadata: TrackMetadata, reading: Reading, rate_hz: int, bits: int
) -> bytes:
    """Return the content of a track's ``bext`` chunk."""
    number = f"{release.catalogue_number or release.title} {metadata.running_number:02d}"
    levels = (
        reading.integrated_lufs,
        reading.loudness_range_lu,
        reading.true_peak_dbtp,
        reading.max_momentary_lufs,
        reading.max_short_term_lufs,
    )
    fixed = _BEXT.pack(
        _ascii(f"{metadata.artist}: {metadata.title} ({release.title})", 256),
        _ascii(release.label or release.artist, 32),
        _ascii((metadata.isrc or number).replace("-", ""), 32),
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
    """Return the content of an ``axml`` chunk with an ISRC."""
    return _AXML.format(isrc=escape(isrc.replace("-", ""))).encode()


def info_list(release: Release, metadata: TrackMetadata) -> bytes:
    """Return the content of a ``LIST`` chunk with a track's metadata."""
    values = tag_values(release, metadata, "wav")
    content = b"INFO"
    for row in TABLE:
        if row.info and row.field in values:
            text = "; ".join(values[row.field]).encode() + b"\0"
            content += row.info.encode() + struct.pack("<I", len(text)) + text
            content += bytes(len(text) % 2)
    return content


def broadcast_chunks(
    release: Release, metadata: TrackMetadata, reading: Reading, *, rate_hz: int, bits: int
) -> dict[bytes, bytes]:
    """Return the chunks of a track's Broadcast Wave file, by name."""
    chunks = {
        b"bext": bext_chunk(release, metadata, reading, rate_hz, bits),
        b"LIST": info_list(release, metadata),
    }
    return chunks | ({b"axml": axml_chunk(metadata.isrc)} if metadata.isrc else {})


def differing_chunks(path: Path, expected: Mapping[bytes, bytes]) -> list[str]:
    """Return the names of a finished file's chunks that differ from `broadcast_chunks`."""
    missing, differing = dict(expected), []
    with path.open("rb") as file:
        for name, size in _chunks(file, path):
            if name in _OTHER_CHUNKS:
                continue
            if file.read(min(size, _MOST_METADATA_BYTES)) != missing.pop(name, None):
                differing.append(name.decode("ascii", "replace").strip())
    return differing + [name.decode("ascii") for name in missing]


def _ascii(text: str, most_bytes: int) -> bytes:
    ascii_text = anyascii(text)
    return "".join(c if " " <= c <= "~" else " " for c in ascii_text).encode()[:most_bytes]


def _hundredths(level: float | None) -> int:
    """Return a level in hundredths, as in Tech 3285; 7FFF (hexadecimal) stands for no value."""
    hundredths = _NO_VALUE if level is None else round(100 * level)
    return hundredths if abs(hundredths) <= _MOST_HUNDREDTHS else _NO_VALUE


def make_broadcast_wave(path: Path, chunks: Mapping[bytes, bytes]) -> None:
    """Write ``bext``, the INFO list and, if there is one, ``axml`` into a finished WAV file.

    ``bext`` comes first and ``axml`` last; other chunks of the file are kept. A new file is written
    in the same folder and replaces it.

    Raises
    ------
    AssemblerError
        The file is not a WAV file, or would be too long for one.
    """
    if path.stat().st_size > _MOST_BYTES:
        raise AssemblerError(
            f"{path.name}: the file has more than 4 GB, too much for WAV: deliver it as FLAC, or "
            "at a lower rate"
        )
    part = path.with_name(f"{path.name}.part")
    try:
        with path.open("rb") as old, part.open("wb") as new:
            new.write(b"RIFF\0\0\0\0WAVE")
            _write_chunk(new, b"bext", chunks[b"bext"])
            _write_chunk(new, b"LIST", chunks[b"LIST"])
            for name, size in _chunks(old, path):
                if name not in (b"bext", b"axml", b"LIST"):
                    new.write(name + struct.pack("<I", size))
                    _copy(old, new, size + size % 2)
            if b"axml" in chunks:
                _write_chunk(new, b"axml", chunks[b"axml"])
            size = new.tell() - 8
            new.seek(4)
            new.write(struct.pack("<I", size))
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _chunks(file: IO[bytes], path: Path) -> Iterator[tuple[bytes, int]]:
    """Yield name and size of each chunk, with the file's position at its content."""
    riff = file.read(12)
    if riff[:4] != b"RIFF" or riff[8:] != b"WAVE":
        raise AssemblerError(f"{path.name}: this is not a WAV file: build the release again")
    while len(head := file.read(8)) == 8:
        name, size = struct.unpack("<4sI", head)
        after = file.tell() + size + size % 2
        yield name, size
        file.seek(after)


def _write_chunk(file: IO[bytes], name: bytes, content: bytes) -> None:
    file.write(name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2))


def _copy(source: IO[bytes], target: IO[bytes], size: int) -> None:
    """Copy a chunk's content; the padding byte is added where the file lacks it."""
    end = target.tell() + size
    left = size
    while left and (data := source.read(min(left, shutil.COPY_BUFSIZE))):  # type: ignore[attr-defined]
        target.write(data)
        left -= len(data)
    target.write(bytes(end - target.tell()))
