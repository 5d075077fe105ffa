"""Read a CD-Text pack file back and check every check byte, number and size.

The layout of packs is that of MMC-3, Annex J, as described in libburn's public ``cdtext.txt``. The
reader shares nothing with the writer, `assembler.disc.cd_text`, so that it detects its faults. It
reads one language block of single-byte characters and the kinds of text that are named below.

    byte 0     kind: 0x80 title … 0x8e barcode and ISRC, 0x8f sizes of the block
    byte 1     track that the first character belongs to, 0 for the disc
    byte 2     number of the pack, from 0
    byte 3     bit 7 double-byte characters, bits 4 to 6 the block, bits 0 to 3 how many characters
               of the text were in earlier packs, 15 standing for 15 and more
    4 to 15    characters; each text ends with a zero byte
    16, 17     CRC-16 of bytes 0 to 15, polynomial x^16 + x^12 + x^5 + 1, inverted
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from assembler.errors import AssemblerError

_PACK_BYTES, _TEXT = 18, slice(4, 16)
_MOST_COUNTED = 15
_POLYNOMIAL = 0x11021
_KINDS = {
    0x80: "title",
    0x81: "performer",
    0x82: "songwriter",
    0x83: "composer",
    0x84: "arranger",
    0x85: "message",
    0x86: "disc id",
    0x87: "genre",
    0x8E: "barcode and ISRC",
}
_OF_THE_DISC = ("disc id", "genre")
_SIZES, _SIZE_PACKS = 0x8F, 3
_ISO_8859_1, _ASCII = 0x00, 0x01
_MOST_TRACKS = 99
_GENRE_CODE_BYTES = 2
_SAME_AGAIN = b"\t"
# Positions in the 36 bytes of sizes.
_CHARACTER_CODE, _FIRST_TRACK, _LAST_TRACK, _COUNTS, _LAST_PACKS, _LANGUAGES = 0, 1, 2, 4, 20, 28


@dataclass(frozen=True)
class CdTextRead:
    """A disc's CD-Text, read from its file.

    Attributes
    ----------
    tracks
        Number of tracks.
    texts
        By kind: the disc's text, then one per track; only the disc has disc id and genre.
    genre_code, character_code, language
        Numbers of the standard; None without a genre.
    """

    tracks: int
    texts: Mapping[str, tuple[str, ...]]
    genre_code: int | None
    character_code: int
    language: int

    @property
    def barcode(self) -> str:
        """The barcode's 13 digits, or an empty text."""
        return self.text("barcode and ISRC", 0)

    def text(self, kind: str, track: int) -> str:
        """Return a track's text, or the disc's for track 0; empty where there is none."""
        texts = self.texts.get(kind, ())
        return texts[track] if track < len(texts) else ""


def read_cd_text(content: bytes, name: str) -> CdTextRead:
    """Read the content of a CD-Text pack file.

    Parameters
    ----------
    content
        Content of the file.
    name
        Name of the file, for messages.

    Raises
    ------
    AssemblerError
        A pack is damaged, missing, or contradicts another.
    """
    try:
        return _read(list(_packs(content)))
    except ValueError as error:
        raise AssemblerError(f"{name}: {error}: build the release again") from error


def _packs(content: bytes) -> Iterator[bytes]:
    """Yield the packs, checked for length, order and check bytes."""
    count = -(-len(content) // _PACK_BYTES)
    if count < _SIZE_PACKS:
        raise ValueError(f"pack {count} is missing: a CD-Text file has {_SIZE_PACKS} or more")
    for number in range(count):
        pack = content[number * _PACK_BYTES : (number + 1) * _PACK_BYTES]
        if len(pack) < _PACK_BYTES:
            raise ValueError(f"pack {number} has {len(pack)} of {_PACK_BYTES} bytes")
        if _remainder(pack[:16]) ^ 0xFFFF != int.from_bytes(pack[16:], "big"):
            raise ValueError(f"pack {number} is damaged: its check bytes (CRC) are wrong")
        if pack[2] != number:
            raise ValueError(f"pack {number} is out of sequence: it is numbered {pack[2]}")
        yield pack


def _remainder(message: bytes) -> int:
    """Return the remainder of a message with 16 zero bits appended, divided by the polynomial."""
    register = int.from_bytes(message, "big") << 16
    while (excess := register.bit_length() - 17) >= 0:
        register ^= _POLYNOMIAL << excess
    return register


def _read(packs: Sequence[bytes]) -> CdTextRead:
    sizes = _sizes(packs)
    raw: dict[str, list[bytes]] = {}
    genre_code = None
    for pack_type, run in groupby(packs[:-_SIZE_PACKS], lambda pack: pack[0]):
        of_kind = list(run)
        kind = _KINDS.get(pack_type)
        if kind is None or kind in raw:
            number = of_kind[0][2]
            raise ValueError(f"pack {number} has the unexpected type 0x{pack_type:02x}")
        if kind == "genre":
            genre_code = int.from_bytes(of_kind[0][_TEXT][:_GENRE_CODE_BYTES], "big")
        raw[kind] = _texts(kind, of_kind, sizes[_LAST_TRACK])
    return CdTextRead(
        tracks=sizes[_LAST_TRACK],
        texts={kind: tuple(_decoded(texts)) for kind, texts in raw.items()},
        genre_code=genre_code,
        character_code=sizes[_CHARACTER_CODE],
        language=sizes[_LANGUAGES],
    )


def _sizes(packs: Sequence[bytes]) -> bytes:
    """Return the 36 bytes of the last three packs, checked against all packs."""
    last = packs[-_SIZE_PACKS:]
    sizes = b"".join(pack[_TEXT] for pack in last)
    types = [pack[0] for pack in packs[:-_SIZE_PACKS]]
    counts = bytes(min(types.count(kind), 255) for kind in range(0x80, _SIZES))
    counts += bytes([_SIZE_PACKS])
    last_packs = bytes([len(packs) - 1, *bytes(7)])  # of this block, the only one
    expected = bytes([sizes[_CHARACTER_CODE], 1, *sizes[_LAST_TRACK:_COUNTS]])
    expected += counts + last_packs + bytes([sizes[_LANGUAGES], *bytes(7)])
    for number, pack in enumerate(last):
        part = slice(12 * number, 12 * number + 12)
        if (pack[0], pack[1], pack[3], pack[_TEXT]) != (_SIZES, number, 0, expected[part]):
            raise ValueError(f"pack {pack[2]}: the sizes differ from those of the packs")
    code, last_track = sizes[_CHARACTER_CODE], sizes[_LAST_TRACK]
    if code not in (_ISO_8859_1, _ASCII) or not 1 <= last_track <= _MOST_TRACKS:
        raise ValueError(
            f"pack {last[0][2]}: character code {code} or last track {last_track} is not supported"
        )
    return sizes


def _texts(kind: str, packs: Sequence[bytes], tracks: int) -> list[bytes]:
    """Read the texts of one kind, byte by byte, and check the header of each pack."""
    count = 1 if kind in _OF_THE_DISC else tracks + 1
    texts: list[bytes] = []
    text = b""
    to_skip = _GENRE_CODE_BYTES if kind == "genre" else 0
    for pack in packs:
        mismatch = ValueError(f"pack {pack[2]} does not match the {kind} texts around it")
        if len(texts) == count or pack[1] != len(texts):
            raise mismatch
        if pack[3] != min(len(text), _MOST_COUNTED):  # block 0, single bytes
            raise mismatch
        for byte in pack[_TEXT][to_skip:]:
            if len(texts) == count:
                if byte:
                    raise mismatch
            elif byte:
                text += bytes([byte])
            else:
                texts.append(text)
                text = b""
        to_skip = 0
    if len(texts) < count:
        raise ValueError(f"pack {packs[-1][2]} does not match the {kind} texts around it")
    return texts


def _decoded(texts: Sequence[bytes]) -> Iterator[str]:
    """Decode texts; a single TAB repeats the text of the track before."""
    text = ""
    for track, raw in enumerate(texts):
        if track < 2 or raw != _SAME_AGAIN:
            text = raw.decode("iso-8859-1")
        yield text
