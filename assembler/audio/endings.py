"""Check where a file's last packet ends, for formats whose header declares no length.

Ogg pages: RFC 3533, section 6. ADTS: ISO/IEC 14496-3, annex 1.A; AC-3 and E-AC-3: ATSC A/52, tables
5.18 and E2.2; MPEG audio: ISO/IEC 11172-3 and 13818-3, section 2.4.1.3; PAF, IRCAM and PVF from
memory, compared with what libsndfile writes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from assembler.audio.source_tags import ID3_HEADER_BYTES, id3_bytes

_MOST_PAGE_BYTES = 27 + 255 + 255 * 255
_LAST_PAGE = 4
_HEADER_BYTES = 10
_TAGS_AT_END = (b"TAG", b"APETAGEX", b"LYRICSBEGIN", b"\0")
CUT_IN_A_PACKET = "it ends in the middle of a packet"
NO_END_PAGE = "its last Ogg page is not marked as the last"


@dataclass(frozen=True)
class Packets:
    """The packets of a file.

    Attributes
    ----------
    samples
        Samples per channel in all of them.
    is_truncated
        Whether the last one is incomplete.
    """

    samples: int
    is_truncated: bool


def end_warning(path: Path, kind: str, frame_bytes: int) -> str | None:
    """Check whether a file ends where its last packet does.

    Parameters
    ----------
    path
        A file whose header declares no length.
    kind
        Container and coding.
    frame_bytes
        Bytes of one sample in all channels, for PCM; else 0.

    Returns
    -------
    str or None
        The sign that the file is cut, if there is one.
    """
    container = kind.partition(" ")[0]
    if _is_ogg(path):
        return _ogg_end(path)
    if container in _BY_PACKETS:
        packets = packets_of(path, container)
        return CUT_IN_A_PACKET if packets and packets.is_truncated else None
    if container in _PLAIN and frame_bytes:
        header_bytes = _PLAIN[container](path)
        remainder = (path.stat().st_size - header_bytes) % frame_bytes
        return "it ends in the middle of a sample" if remainder else None
    return None


def _is_ogg(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) == b"OggS"


def _ogg_end(path: Path) -> str | None:
    with path.open("rb") as file:
        length = file.seek(0, 2)
        file.seek(max(0, length - 2 * _MOST_PAGE_BYTES))
        end = file.read()
    page = end.rfind(b"OggS\0")
    head = end[page : page + 27]
    if page < 0 or len(head) < 27:
        return CUT_IN_A_PACKET
    lacing = end[page + 27 : page + 27 + head[26]]
    if len(lacing) < head[26] or len(end) < page + 27 + head[26] + sum(lacing):
        return CUT_IN_A_PACKET
    return None if head[5] & _LAST_PAGE else NO_END_PAGE


Parse = Callable[[bytes], tuple[int, int] | None]
"""Return bytes and samples of a packet from its header; None where there is no header."""


def count_packets(path: Path, parse: Parse) -> Packets | None:
    """Count a file's packets to its end.

    Returns
    -------
    Packets or None
        None where the file does not begin with one. Packets after other data are not counted.
    """
    with path.open("rb", buffering=1 << 16) as file:
        length = file.seek(0, 2)
        place, samples = _after_id3(file), 0
        while True:
            file.seek(place)
            head = file.read(_HEADER_BYTES)
            packet = parse(head)
            if packet is None:
                break
            if place + packet[0] > length:
                return Packets(samples, is_truncated=True)
            place, samples = place + packet[0], samples + packet[1]
    if not samples:
        return None
    is_partial = 0 < length - place < _HEADER_BYTES and not head.startswith(_TAGS_AT_END)
    return Packets(samples, is_truncated=is_partial)


def _after_id3(file: BinaryIO) -> int:
    file.seek(0)
    return id3_bytes(file.read(ID3_HEADER_BYTES))


def _adts(head: bytes) -> tuple[int, int] | None:
    if len(head) < 7 or head[0] != 0xFF or head[1] & 0xF6 != 0xF0:
        return None
    size = (head[3] & 3) << 11 | head[4] << 3 | head[5] >> 5
    return (size, 1024 * ((head[6] & 3) + 1)) if size >= 7 else None


_AC3_KBPS = (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384, 448, 512, 576, 640)


def _ac3(head: bytes) -> tuple[int, int] | None:
    if len(head) < 6 or head[:2] != b"\x0b\x77":
        return None
    if head[5] >> 3 > 10:  # E-AC-3
        blocks = (1, 2, 3, 6)[head[4] >> 4 & 3] if head[4] >> 6 < 3 else 6
        return 2 * (((head[2] & 7) << 8 | head[3]) + 1), 256 * blocks
    rate, code = head[4] >> 6, head[4] & 0x3F
    if rate == 3 or code >= 2 * len(_AC3_KBPS):
        return None
    kbps = _AC3_KBPS[code // 2]
    words = (2 * kbps, kbps * 1536 * 1000 // (16 * 44100) + code % 2, 3 * kbps)[rate]  # 16 bits
    return 2 * words, 1536


_MPEG_KBPS = {
    (1, 1): (32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448),
    (1, 2): (32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384),
    (1, 3): (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    (2, 1): (32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256),
    (2, 2): (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
_MPEG_RATES_HZ = (44100, 48000, 32000)


def mpeg_packet(head: bytes) -> tuple[int, int] | None:
    """Return bytes and samples of an MPEG audio frame, layers I to III, from its header."""
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE0 != 0xE0:
        return None
    version, layer = head[1] >> 3 & 3, 4 - (head[1] >> 1 & 3)
    bit_rate, rate = head[2] >> 4, head[2] >> 2 & 3
    if version == 1 or layer == 4 or bit_rate in (0, 15) or rate == 3:
        return None
    part = 1 if version == 3 else 2
    kbps = _MPEG_KBPS[part, layer if part == 1 or layer == 1 else 2][bit_rate - 1]
    rate_hz = _MPEG_RATES_HZ[rate] // {3: 1, 2: 2, 0: 4}[version]
    padding = head[2] >> 1 & 1
    if layer == 1:
        return (12000 * kbps // rate_hz + padding) * 4, 384
    samples = 576 if layer == 3 and part == 2 else 1152
    return samples * 125 * kbps // rate_hz + padding, samples


def packets_of(path: Path, container: str) -> Packets | None:
    """Count the packets of a file in a format that consists of packets; None for any other."""
    parse = _BY_PACKETS.get(container)
    return count_packets(path, parse) if parse else None


def declares_length(path: Path) -> bool:
    """Return whether an MPEG audio file begins with a frame that declares the number of frames."""
    with path.open("rb") as file:
        file.seek(_after_id3(file))
        first = file.read(_MOST_MPEG_FRAME_BYTES)
    packet = mpeg_packet(first)
    return packet is not None and any(mark in first[: packet[0]] for mark in (b"Xing", b"Info"))


_MOST_MPEG_FRAME_BYTES = 2881
_BY_PACKETS: dict[str, Parse] = {"AAC": _adts, "AC3": _ac3, "MP3": mpeg_packet}


def _pvf_head(path: Path) -> int:
    with path.open("rb") as file:
        return len(file.readline(100)) + len(file.readline(100))


_PLAIN: dict[str, Callable[[Path], int]] = {
    "PAF": lambda _: 2048,
    "IRCAM": lambda _: 1024,
    "PVF": _pvf_head,
}
"""Bytes of the header of formats with nothing but samples after it."""
