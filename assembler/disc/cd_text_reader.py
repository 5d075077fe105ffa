"""Read a CD-Text pack file back, every check byte, number and size of it held against the rest.

MMC-3, Annex J, as described in libburn's public ``cdtext.txt``: one language block of single-byte
signs, the kinds of text that `assembler.disc.cd_text` writes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, zip_longest

from assembler.disc.cd_text import (
    CODES,
    GENRE_CODE_BYTES,
    OF_THE_DISC,
    PACK_TYPES,
    SAME_AGAIN,
    SIZE_PACKS,
    SIZES,
    Piece,
    block_sizes,
    crc,
    pieces,
)
from assembler.errors import AssemblerError
from assembler.manifest.disc_alphabet import ENCODING

_KINDS = {pack_type: kind for kind, pack_type in PACK_TYPES.items()}
_CHARACTER_CODES = (0x00, 0x01)  # ISO 8859-1 and its lower half, ASCII
_PACK_BYTES = 18
_MOST_TRACKS = 99
_CHARACTER_CODE, _TRACKS, _COPY_CODE, _LANGUAGE = 0, 2, 3, 28  # places in the record of sizes


@dataclass(frozen=True)
class CdTextRead:
    """A disc's CD-Text that was read.

    Attributes
    ----------
    tracks
        How many.
    texts
        By kind, as `PACK_TYPES` names them: the disc's text, then one for each track; disc id and
        genre are the disc's alone.
    genre_code, character_code, language
        As the standard numbers them; no genre code without a genre.
    """

    tracks: int
    texts: Mapping[str, tuple[str, ...]]
    genre_code: int | None
    character_code: int
    language: int

    @property
    def barcode(self) -> str:
        """The 13 digits, or nothing."""
        return self.text(CODES, 0)

    def text(self, kind: str, track: int) -> str:
        """Give a track's text, or the disc's for track 0; empty where there is none."""
        texts = self.texts.get(kind, ())
        return texts[track] if track < len(texts) else ""


@dataclass(frozen=True)
class _Pack:
    sequence: int
    pack_type: int
    piece: Piece


def read_cd_text(content: bytes, name: str) -> CdTextRead:
    """Read a CD-Text pack file's contents.

    Parameters
    ----------
    content
        Of the file.
    name
        Of the file, for messages.

    Raises
    ------
    AssemblerError
        A pack is damaged, missing, or contradicts another.
    """
    try:
        return _read(_checked(content))
    except ValueError as error:
        raise AssemblerError(f"{name}: {error}: build the release again") from error


def _checked(content: bytes) -> list[_Pack]:
    """Give the packs, each whole, in its place and with the right check bytes."""
    packs = [content[at : at + _PACK_BYTES] for at in range(0, len(content), _PACK_BYTES)]
    if len(packs) < SIZE_PACKS:
        raise ValueError(f"pack {len(packs)} is missing: a CD-Text file has {SIZE_PACKS} or more")
    for number, pack in enumerate(packs):
        if len(pack) < _PACK_BYTES:
            raise ValueError(f"pack {number} has {len(pack)} of {_PACK_BYTES} bytes")
        if pack[-2:] != crc(pack[:-2]):
            raise ValueError(f"pack {number} is damaged: its check bytes (CRC) are wrong")
        if pack[2] != number:
            raise ValueError(f"pack {number} is out of sequence: it is numbered {pack[2]}")
    return [
        _Pack(number, pack[0], Piece(pack[1], pack[3], pack[4:-2]))
        for number, pack in enumerate(packs)
    ]


def _read(packs: Sequence[_Pack]) -> CdTextRead:
    record = _sizes(packs)
    raw: dict[str, list[bytes]] = {}
    for pack_type, run in groupby(packs[:-SIZE_PACKS], lambda pack: pack.pack_type):
        packs_of_kind = list(run)
        kind = _KINDS.get(pack_type)
        if kind is None or kind in raw:
            sequence = packs_of_kind[0].sequence
            raise ValueError(f"pack {sequence} is of kind 0x{pack_type:02x}, not expected there")
        raw[kind] = _texts(kind, packs_of_kind, record[_TRACKS])
    genre_code = None
    if "genre" in raw:
        (genre,) = raw["genre"]
        genre_code = int.from_bytes(genre[:GENRE_CODE_BYTES], "big")
        raw["genre"] = [genre[GENRE_CODE_BYTES:]]
    return CdTextRead(
        tracks=record[_TRACKS],
        texts={kind: tuple(_spelt(texts)) for kind, texts in raw.items()},
        genre_code=genre_code,
        character_code=record[_CHARACTER_CODE],
        language=record[_LANGUAGE],
    )


def _sizes(packs: Sequence[_Pack]) -> bytes:
    """Give the record of the three packs that close the block, held against the others."""
    closing = packs[-SIZE_PACKS:]
    record = b"".join(pack.piece.payload for pack in closing)
    expected = block_sizes(
        [pack.pack_type for pack in packs[:-SIZE_PACKS]],
        record[_TRACKS],
        character_code=record[_CHARACTER_CODE],
        copy_code=record[_COPY_CODE],
        language=record[_LANGUAGE],
    )
    for number, (pack, payload) in enumerate(zip(closing, expected, strict=True)):
        if pack.pack_type != SIZES or pack.piece != Piece(number, 0, payload):
            raise ValueError(f"pack {pack.sequence}: the sizes are not those of the packs before")
    if record[_CHARACTER_CODE] not in _CHARACTER_CODES or not 1 <= record[_TRACKS] <= _MOST_TRACKS:
        raise ValueError(
            f"pack {closing[0].sequence}: character code {record[_CHARACTER_CODE]} or last track "
            f"{record[_TRACKS]} can't be read"
        )
    return record


def _texts(kind: str, packs: Sequence[_Pack], tracks: int) -> list[bytes]:
    """Give one kind's texts; laid out anew they must give the same packs."""
    code_bytes = GENRE_CODE_BYTES if kind == "genre" else 0
    run = b"".join(pack.piece.payload for pack in packs)
    count = 1 if kind in OF_THE_DISC else tracks + 1
    texts = run[code_bytes:].split(b"\0", count)[:count]
    texts[0] = run[:code_bytes] + texts[0]
    for pack, piece in zip_longest(packs, pieces(kind, texts)):
        if pack is None or pack.piece != piece:
            sequence = (pack or packs[-1]).sequence
            raise ValueError(f"pack {sequence}: its bytes don't fit the {kind} texts around it")
    return texts


def _spelt(texts: Sequence[bytes]) -> Iterator[str]:
    """Decode texts; a track's lone TAB repeats the track before."""
    text = ""
    for track, raw in enumerate(texts):
        if track < 2 or raw != SAME_AGAIN:
            text = raw.decode(ENCODING)
        yield text
