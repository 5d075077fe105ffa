"""Gapless playback: the delay and padding around its sound that a file declares.

MP3: the Xing/Info frame with LAME's extension (delay and padding, 12 bits each; a decoder adds its
own 529 samples to the delay). MP4: the track's edit list (ISO/IEC 14496-12, 8.6.6), and for players
that ignore edit lists the freeform item iTunSMPB (common practice: twelve hexadecimal numbers, the
second to fourth of them delay, padding and length; the others 0). Opus: pre-skip and the last
granule position (RFC 7845, 4.4). Vorbis: no delay, and the last granule position cuts the end
(Vorbis I, appendix A.2). FLAC, WAV: only the sound. (MP3 from memory.)
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from assembler.download.formats import Container
from assembler.download.mp3_header import read_mp3_header
from assembler.errors import AssemblerError

MP3_DECODER_DELAY = 529
_AAC_FRAME = 1024
GAPLESS_ITEM = "----:com.apple.iTunes:iTunSMPB"
_LAST_PAGE_BYTES = 1 << 17
"""An Ogg page is shorter than 64 KiB, so this much of a file's end has a whole one."""


@dataclass(frozen=True)
class Declared:
    """Delay, padding and length that a file declares."""

    how: str
    """The means of declaration."""
    delay_samples: int
    """Decoded samples to skip at the start."""
    padding_samples: int | None
    """Decoded samples to skip at the end; None where only the length is declared."""
    length_samples: int


def declared_delay(path: Path, container: Container) -> Declared:
    """Read the delay, padding and length that a lossy or MP4 file declares.

    Raises
    ------
    AssemblerError
        The file declares nothing.
    ValueError
        The container needs no such declaration.
    """
    readers = {"mp3": _of_mp3, "mp4": _of_mp4, "opus": _of_opus, "ogg": _of_vorbis}
    if container not in readers:
        raise ValueError(f"{container} has no delay to declare")
    try:
        return readers[container](path)
    except (struct.error, ValueError, KeyError, IndexError) as error:
        message = f"{path.name}: the file does not declare its delay and length: build it again"
        raise AssemblerError(message) from error


def gapless_item(declared: Declared) -> str:
    """Return the gapless item's text; empty where there is neither delay nor padding.

    Examples
    --------
    >>> gapless_item(Declared("edit list", 1024, 656, 440688))[:44]
    ' 00000000 00000400 00000290 000000000006B970'
    """
    delay, padding = declared.delay_samples, declared.padding_samples
    if not delay and not padding:
        return ""
    numbers = f"00000000 {delay:08X} {padding or 0:08X} {declared.length_samples:016X}"
    return f" {numbers}{' 00000000' * 8}"


def _of_mp3(path: Path) -> Declared:
    header = read_mp3_header(path)
    if not header.crc_holds:
        raise ValueError("a damaged first frame")
    return Declared(
        how="LAME header",
        delay_samples=header.delay + MP3_DECODER_DELAY,
        padding_samples=header.padding - MP3_DECODER_DELAY,
        length_samples=header.length_samples,
    )


def _of_mp4(path: Path) -> Declared:
    boxes = dict(_boxes(_index(path), "moov."))
    (movie_scale,) = struct.unpack(">I", boxes["moov.mvhd"][12:16])
    media_scale, media_length = struct.unpack(">II", boxes["moov.trak.mdia.mdhd"][12:20])
    count, length, delay = struct.unpack(">IIi", boxes["moov.trak.edts.elst"][4:16])
    if count != 1:
        raise ValueError("an unsupported edit list")
    length_samples = round(length * media_scale / movie_scale)
    table = "moov.trak.mdia.minf.stbl"
    if boxes[f"{table}.stsd"][12:16] == b"mp4a":  # ALAC's last frame has no padding
        media_length = _AAC_FRAME * int.from_bytes(boxes[f"{table}.stsz"][8:12], "big")
    return Declared("edit list", delay, media_length - delay - length_samples, length_samples)


def _index(path: Path) -> bytes:
    """Read an MP4 file's index, the content of its box ``moov``."""
    with path.open("rb") as file:
        while True:
            size, name = struct.unpack(">I4s", file.read(8))
            if size == 1:  # a long box: a 64-bit size follows
                size = struct.unpack(">Q", file.read(8))[0] - 8
            if size < 8:
                raise ValueError("a box without a size")
            if name == b"moov":
                return file.read(size - 8)
            file.seek(size - 8, 1)


def _boxes(content: bytes, prefix: str) -> Iterator[tuple[str, bytes]]:
    """Yield the boxes of an MP4 file's index with their path (those read here are version 0)."""
    position = 0
    while position < len(content):
        size, name = struct.unpack(">I4s", content[position : position + 8])
        if size < 8:
            raise ValueError("an unsupported box")
        body = content[position + 8 : position + size]
        path = prefix + name.decode("latin-1")
        yield path, body
        if name in (b"trak", b"mdia", b"minf", b"stbl", b"edts"):
            yield from _boxes(body, f"{path}.")
        position += size


def _of_opus(path: Path) -> Declared:
    granule = _last_granule(path)
    with path.open("rb") as file:
        page = file.read(64)
    header = page.index(b"OpusHead")
    (pre_skip,) = struct.unpack("<H", page[header + 10 : header + 12])
    return Declared("Opus pre-skip", pre_skip, None, granule - pre_skip)


def _of_vorbis(path: Path) -> Declared:
    return Declared("Vorbis granule position", 0, None, _last_granule(path))


def _last_granule(path: Path) -> int:
    """Return the position after the last sample, from the last Ogg page (RFC 3533)."""
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - _LAST_PAGE_BYTES))
        end = file.read()
    page = end.rindex(b"OggS")
    granule: int = struct.unpack("<q", end[page + 6 : page + 14])[0]
    return granule
