"""CD-Text: a disc's texts as the packs that a plant or a burner writes into its lead-in.

MMC-3, Annex J, as described in libburn's public ``cdtext.txt``. One language block, ISO 8859-1;
the file consists of its 18-byte packs.
"""

from __future__ import annotations

from binascii import crc_hqx
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import NamedTuple

from anyascii import anyascii

from assembler.disc.texts import ReleaseTexts, TrackTexts
from assembler.errors import AssemblerError
from assembler.manifest.codes import ean13
from assembler.manifest.disc_alphabet import ENCODING

CODES = "barcode and ISRC"
PACK_TYPES = {
    "title": 0x80,
    "performer": 0x81,
    "songwriter": 0x82,
    "composer": 0x83,
    "arranger": 0x84,
    "message": 0x85,
    "disc id": 0x86,
    "genre": 0x87,
    CODES: 0x8E,
}
"""Pack types, by the names that messages use."""
OF_THE_DISC = ("disc id", "genre")
"""Kinds of text that only the disc has."""
SIZES = 0x8F
SIZE_PACKS = 3
PAYLOAD_BYTES = 12
MOST_PACKS = 256
LAST_POSITION = 15
GENRE_CODE_BYTES = 2
SAME_AGAIN = b"\t"
"""Replaces a text equal to that of the track before."""

LATIN_1 = 0x00
ENGLISH = 0x09

_NO_COPYRIGHT = 0x00  # 0x03 probably means that the texts are protected
_GENRE_UNDEFINED = 0x0001
# libburn and libcdio disagree on later codes, so they are not used.
_GENRES = (
    "Adult Contemporary, Alternative Rock, Childrens Music, Classical, Contemporary Christian, "
    "Country, Dance, Easy Listening, Erotic, Folk, Gospel, Hip Hop, Jazz, Latin, Musical, New Age, "
    "Opera, Operetta, Pop Music, Rap, Reggae, Rock Music, Rhythm & Blues, Sound Effects"
)
_GENRE_CODES = {
    name.lower().removesuffix(" music"): code
    for code, name in enumerate(_GENRES.split(", "), start=2)
}

_OMITTED_FIRST = ("message", "arranger", "composer", "songwriter", "genre", "disc id")
_OMITTED_LAST = (CODES, "performer")  # the disc's Q channel has the codes too

Kinds = dict[str, tuple[bytes, ...]]
"""Texts by kind: the disc's, then one per track; a genre begins with its two-byte code."""


@dataclass(frozen=True)
class CdText:
    """A disc's CD-Text.

    Attributes
    ----------
    content
        Content of the pack file.
    left_out
        Kinds of text that were left out because they did not fit.
    """

    content: bytes
    left_out: tuple[str, ...] = ()


class Piece(NamedTuple):
    """The part of a kind's texts that is in one pack.

    Attributes
    ----------
    track
        The track of its first byte; 0 for the disc.
    position
        Characters of that text in earlier packs, at most 15: libburn's count. (Its description
        says 15 for every text that began before the previous pack.)
    payload
        Twelve bytes.
    """

    track: int
    position: int
    payload: bytes


def cd_text(release: ReleaseTexts, tracks: Sequence[TrackTexts]) -> CdText:
    """Write a disc's CD-Text.

    A block has 256 packs. Where the texts need more, whole kinds are left out, the least
    important first: messages, arrangers, composers, songwriters, genre, disc id. If that is not
    enough, a text equal to that of the track before is written as a TAB; then barcode and ISRCs
    are left out, and finally the performers. No text is shortened.

    Parameters
    ----------
    release, tracks
        The texts; 1 to 99 tracks.

    Raises
    ------
    AssemblerError
        The titles alone don't fit.
    """
    kinds = _kinds(release, tracks)
    for kept in _ever_fewer(kinds):
        packs = [(PACK_TYPES[kind], piece) for kind in kept for piece in pieces(kind, kept[kind])]
        if len(packs) + SIZE_PACKS <= MOST_PACKS:
            omitted = kinds.keys() - kept
            left_out = (kind for kind in (*_OMITTED_FIRST, *_OMITTED_LAST) if kind in omitted)
            return CdText(_content(packs, len(tracks)), tuple(left_out))
    raise AssemblerError(
        f"CD-Text: the titles alone need {len(packs)} packs, and at most {MOST_PACKS - SIZE_PACKS} "
        "fit: shorten titles"
    )


def crc(pack: bytes) -> bytes:
    """Compute the two check bytes of a pack's other sixteen: CRC-16, 0x1021, inverted."""
    return (crc_hqx(pack, 0) ^ 0xFFFF).to_bytes(2, "big")


def pieces(kind: str, texts: Sequence[bytes]) -> Iterator[Piece]:
    """Divide the texts of one kind into packs; each text ends with a NUL."""
    code_bytes = GENRE_CODE_BYTES if kind == "genre" else 0  # not characters of the text
    joined = b"".join(text + b"\0" for text in texts)
    ends = list(accumulate(len(text) + 1 for text in texts))
    for start in range(0, len(joined), PAYLOAD_BYTES):
        track = bisect_right(ends, start)
        earlier = start - (ends[track - 1] if track else 0)
        position = min(max(0, earlier - code_bytes), LAST_POSITION)
        payload = joined[start : start + PAYLOAD_BYTES].ljust(PAYLOAD_BYTES, b"\0")
        yield Piece(track, position, payload)


def block_sizes(
    pack_types: Sequence[int],
    tracks: int,
    *,
    character_code: int = LATIN_1,
    copy_code: int = _NO_COPYRIGHT,
    language: int = ENGLISH,
) -> tuple[bytes, ...]:
    """Return the payloads of the last three packs of a block: its codes and pack counts."""
    counts = Counter(pack_types)
    counts[SIZES] = SIZE_PACKS
    record = bytes(
        [character_code, 1, tracks, copy_code]
        + [counts[pack_type] for pack_type in range(0x80, 0x90)]
        + [len(pack_types) + SIZE_PACKS - 1, *bytes(7)]  # one block of eight
        + [language, *bytes(7)]
    )
    return tuple(record[at : at + PAYLOAD_BYTES] for at in range(0, len(record), PAYLOAD_BYTES))


def _kinds(release: ReleaseTexts, tracks: Sequence[TrackTexts]) -> Kinds:
    """Return the texts of every kind that has any."""
    kinds: Kinds = {
        kind: tuple(getattr(texts, kind).encode(ENCODING) for texts in (release, *tracks))
        for kind in ("title", "performer", "songwriter", "composer", "arranger", "message")
    }
    kinds["disc id"] = (_ascii(release.catalogue_number),)
    if release.genre:
        name = release.genre.lower().removesuffix(" music")
        code = _GENRE_CODES.get(name, _GENRE_UNDEFINED)
        kinds["genre"] = (code.to_bytes(GENRE_CODE_BYTES, "big") + _ascii(release.genre),)
    barcode = ean13(release.barcode) if release.barcode else ""
    codes = (barcode, *(track.isrc or "" for track in tracks))
    kinds[CODES] = tuple(code.encode("ascii") for code in codes)
    return {kind: texts for kind, texts in kinds.items() if any(texts)}


def _ascii(text: str) -> bytes:
    """Encode disc id and genre, which are ASCII whatever the block's character code."""
    return str(anyascii(text)).encode("ascii")


def _ever_fewer(kinds: Kinds) -> Iterator[Kinds]:
    """Yield all kinds, then ever fewer of them."""
    kept = dict(kinds)
    yield kept
    for kind in _OMITTED_FIRST:
        if kept.pop(kind, None):
            yield kept
    kept = {kind: _repeats_as_tabs(texts) for kind, texts in kept.items()}
    yield kept
    for kind in _OMITTED_LAST:
        if kept.pop(kind, None):
            yield kept


def _repeats_as_tabs(texts: tuple[bytes, ...]) -> tuple[bytes, ...]:
    """Replace a track's text by a TAB where it equals that of the track before."""
    rest = [SAME_AGAIN if text and text == before else text for before, text in pairwise(texts[1:])]
    return (*texts[:2], *rest)


def _content(packs: Sequence[tuple[int, Piece]], tracks: int) -> bytes:
    """Return the packs with their numbers, the block's sizes and the check bytes."""
    sizes = block_sizes([pack_type for pack_type, _ in packs], tracks)
    last = [(SIZES, Piece(number, 0, payload)) for number, payload in enumerate(sizes)]
    unchecked = [
        bytes([pack_type, piece.track, sequence, piece.position]) + piece.payload
        for sequence, (pack_type, piece) in enumerate([*packs, *last])
    ]
    return b"".join(pack + crc(pack) for pack in unchecked)
