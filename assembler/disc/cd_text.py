"""CD-Text: a disc's words as the packs that a plant or a burner puts into its lead-in.

MMC-3, Annex J, as described in libburn's public ``cdtext.txt``. One language block, ISO 8859-1;
the file holds its 18-byte packs and nothing before or after.
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
"""The kinds of text, by the words that a person knows them by."""
OF_THE_DISC = ("disc id", "genre")
"""The kinds that tracks have no text of."""
SIZES = 0x8F
SIZE_PACKS = 3
PAYLOAD_BYTES = 12
MOST_PACKS = 256
LAST_POSITION = 15
GENRE_CODE_BYTES = 2
SAME_AGAIN = b"\t"
"""Stands for the text of the track before."""

LATIN_1 = 0x00
ENGLISH = 0x09

_NOTHING_SAID = 0x00  # of copyright; 0x03 probably means that the texts are protected
_GENRE_UNDEFINED = 0x0001
# Later codes mean different things to libburn and libcdio, so they are not used.
_GENRES = (
    "Adult Contemporary, Alternative Rock, Childrens Music, Classical, Contemporary Christian, "
    "Country, Dance, Easy Listening, Erotic, Folk, Gospel, Hip Hop, Jazz, Latin, Musical, New Age, "
    "Opera, Operetta, Pop Music, Rap, Reggae, Rock Music, Rhythm & Blues, Sound Effects"
)
_GENRE_CODES = {
    name.lower().removesuffix(" music"): code
    for code, name in enumerate(_GENRES.split(", "), start=2)
}

_FIRST_TO_GO = ("message", "arranger", "composer", "songwriter", "genre", "disc id")
_LAST_TO_GO = (CODES, "performer")  # the disc's Q channel carries the codes too

Kinds = dict[str, tuple[bytes, ...]]
"""Texts by kind: the disc's, then one a track; a genre's begins with its two-byte code."""


@dataclass(frozen=True)
class CdText:
    """A disc's CD-Text.

    Attributes
    ----------
    content
        Of the pack file.
    left_out
        The kinds of text that were left out for want of room, in plain words.
    """

    content: bytes
    left_out: tuple[str, ...] = ()


class Piece(NamedTuple):
    """What one pack carries of its kind's texts.

    Attributes
    ----------
    track
        That its first byte belongs to; 0 for the disc.
    position
        Characters of that text in the packs before, 15 at the most: libburn's count. (Its
        description words it as 15 for every text that began before the pack before.)
    payload
        Twelve bytes.
    """

    track: int
    position: int
    payload: bytes


def cd_text(release: ReleaseTexts, tracks: Sequence[TrackTexts]) -> CdText:
    """Write a disc's CD-Text.

    A block holds 256 packs. Where the words need more, whole kinds are left out, the least
    important first: messages, arrangers, composers, songwriters, genre, disc id. If that is not
    enough, a text that repeats the track before is written as a TAB; then barcode and ISRC go, and
    at last the performers. No text is shortened.

    Parameters
    ----------
    release, tracks
        The words; 1 to 99 tracks.

    Raises
    ------
    AssemblerError
        The titles alone don't fit.
    """
    kinds = _kinds(release, tracks)
    for kept in _leaner(kinds):
        laid = [(PACK_TYPES[kind], piece) for kind in kept for piece in pieces(kind, kept[kind])]
        if len(laid) + SIZE_PACKS <= MOST_PACKS:
            gone = [kind for kind in (*_FIRST_TO_GO, *_LAST_TO_GO) if kind in kinds.keys() - kept]
            return CdText(_content(laid, len(tracks)), tuple(gone))
    raise AssemblerError(
        f"CD-Text: the titles alone need {len(laid)} packs and {MOST_PACKS - SIZE_PACKS} is the "
        "most: shorten titles"
    )


def crc(pack: bytes) -> bytes:
    """Compute the two bytes that check a pack's other sixteen: CRC-16, 0x1021, inverted."""
    return (crc_hqx(pack, 0) ^ 0xFFFF).to_bytes(2, "big")


def pieces(kind: str, texts: Sequence[bytes]) -> Iterator[Piece]:
    """Lay one kind's texts out on packs; each ends with a NUL and runs over where it must."""
    code_bytes = GENRE_CODE_BYTES if kind == "genre" else 0  # no characters of the text
    run = b"".join(text + b"\0" for text in texts)
    ends = list(accumulate(len(text) + 1 for text in texts))
    for at in range(0, len(run), PAYLOAD_BYTES):
        track = bisect_right(ends, at)
        passed = at - (ends[track - 1] if track else 0)
        position = min(max(0, passed - code_bytes), LAST_POSITION)
        yield Piece(track, position, run[at : at + PAYLOAD_BYTES].ljust(PAYLOAD_BYTES, b"\0"))


def block_sizes(
    pack_types: Sequence[int],
    tracks: int,
    *,
    character_code: int = LATIN_1,
    copy_code: int = _NOTHING_SAID,
    language: int = ENGLISH,
) -> tuple[bytes, ...]:
    """Return the payloads of the three packs that close a block: its codes and pack counts."""
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
        kind: tuple(getattr(words, kind).encode(ENCODING) for words in (release, *tracks))
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
    """Spell disc id and genre, which are ASCII whatever the block's character code."""
    return str(anyascii(text)).encode("ascii")


def _leaner(kinds: Kinds) -> Iterator[Kinds]:
    """Return all the kinds, then less and less of them."""
    kept = dict(kinds)
    yield kept
    for kind in _FIRST_TO_GO:
        if kept.pop(kind, None):
            yield kept
    kept = {kind: _repeats_as_tabs(texts) for kind, texts in kept.items()}
    yield kept
    for kind in _LAST_TO_GO:
        if kept.pop(kind, None):
            yield kept


def _repeats_as_tabs(texts: tuple[bytes, ...]) -> tuple[bytes, ...]:
    """Write a TAB for each track's text that the track before has too."""
    same = [SAME_AGAIN if text and text == before else text for before, text in pairwise(texts[1:])]
    return (*texts[:2], *same)


def _content(laid: Sequence[tuple[int, Piece]], tracks: int) -> bytes:
    """Number the packs, close them with the block's sizes and check each."""
    sizes = block_sizes([pack_type for pack_type, _ in laid], tracks)
    closing = [(SIZES, Piece(number, 0, payload)) for number, payload in enumerate(sizes)]
    packs = [
        bytes([pack_type, piece.track, sequence, piece.position]) + piece.payload
        for sequence, (pack_type, piece) in enumerate([*laid, *closing])
    ]
    return b"".join(pack + crc(pack) for pack in packs)
