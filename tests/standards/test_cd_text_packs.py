"""CD-Text packs (MMC-3, Annex J) against libburn's public cdtext.txt, its example packs and the
readings of libcdio and libburn.

The published packs are those of cdtext.txt (libburn 1.5.4), section "Format of a CD-TEXT packs
array" and the example cue sheet's.
"""

from __future__ import annotations

import ctypes
from collections.abc import Mapping, Sequence
from ctypes import POINTER, byref, c_char, c_char_p, c_int, c_uint, c_void_p
from itertools import pairwise
from typing import Any

import outside
import pytest
from disc_readers import Libcdio
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from assembler.disc.cd_text import CdText, cd_text
from assembler.disc.cd_text_reader import read_cd_text
from assembler.disc.texts import ReleaseTexts, TrackTexts

PACK = 18
TYPES = {
    "title": 0x80, "performer": 0x81, "songwriter": 0x82, "composer": 0x83, "arranger": 0x84,
    "message": 0x85,
}  # fmt: skip

CUE_EXAMPLE = """
80 00 00 00 4a 6f 79 66 75 6c 20 4e 69 67 68 74 f0 f7
80 00 01 0c 73 00 53 6f 6e 67 20 6f 66 20 4a 6f 43 1c
80 01 02 0a 79 00 48 75 6d 70 74 79 20 44 75 6d 43 f9
80 02 03 0a 70 74 79 00 4d 65 65 20 4f 77 77 77 24 72
80 03 04 08 77 00 00 00 00 00 00 00 00 00 00 00 6e af
81 00 05 00 00 46 65 6c 69 78 20 61 6e 64 20 54 4d 51
81 01 06 0b 68 65 20 50 75 72 72 73 00 43 61 74 a7 40
81 02 07 03 77 61 6c 6b 20 42 65 61 75 74 69 65 59 80
81 02 08 0f 73 00 4d 69 61 20 4b 69 74 74 65 6e 30 c9
81 03 09 0a 00 00 00 00 00 00 00 00 00 00 00 00 ad 19
"""
SIZES_EXAMPLE = """
8f 00 2a 00 01 01 03 00 06 05 04 05 07 06 01 02 48 65
8f 01 2b 00 00 00 00 00 00 00 06 03 2c 00 00 00 c0 20
8f 02 2c 00 00 00 00 00 09 00 00 00 00 00 00 00 11 45
"""

RELEASE = ReleaseTexts(
    "Songs for Slack Water", "Halden Ferry Singers", "Oda Brenn", "Ines Falk", "Mattis Oren",
    "Größe, façade, ÿ & ½", "TWE-014", "Classical", "2027", "2000000000145",
)  # fmt: skip
TRACKS = (
    TrackTexts("Low Lantern", "Sørine Aakre", "O. Brenn", "I. Falk", "M. Oren", "one",
               "AA6Q72700001"),
    TrackTexts("Å, Ångstrøm", "Halden Ferry Singers", "Ý. Æsk", "Þóra", "É", "¡two!",
               "AA6Q72700002"),
    TrackTexts("Tide Table, or What the Pilot Knew about the Long Way round the Skerries by Night",
               "Sørine Aakre", "Oda", "Ines", "Mattis", "three", "AA6Q72700003"),
)  # fmt: skip


def bytes_of(listing: str) -> list[bytes]:
    return [bytes.fromhex(line) for line in listing.split("\n") if line]


def packs_of(content: bytes) -> list[bytes]:
    assert len(content) % PACK == 0
    return [content[at : at + PACK] for at in range(0, len(content), PACK)]


def residue_by_hand(message: bytes) -> int:
    """Divide by x^16 + x^12 + x^5 + 1, bit for bit."""
    register = 0
    for bit in "".join(f"{byte:08b}" for byte in message) + 16 * "0":
        register = register << 1 | int(bit)
        if register & 0x10000:
            register ^= 0x11021
    return register


def check_bytes_by_hand(pack: bytes) -> bytes:
    return (residue_by_hand(pack[:16]) ^ 0xFFFF).to_bytes(2, "big")


def test_the_division_gives_the_published_check_bytes() -> None:
    for pack in bytes_of(CUE_EXAMPLE) + bytes_of(SIZES_EXAMPLE):
        assert check_bytes_by_hand(pack) == pack[16:]


def test_check_bytes() -> None:
    packs = packs_of(cd_text(RELEASE, TRACKS).content)
    assert len(packs) == 40
    for pack in packs:
        assert check_bytes_by_hand(pack) == pack[16:]


def test_the_published_packs_of_titles_and_performers() -> None:
    """Both kinds come first in the example, so that even the sequence numbers are the same."""
    tracks = [
        TrackTexts("Song of Joy", "Felix and The Purrs"),
        TrackTexts("Humpty Dumpty", "Catwalk Beauties"),
        TrackTexts("Mee Owwww", "Mia Kitten"),
    ]
    packs = packs_of(cd_text(ReleaseTexts("Joyful Nights", ""), tracks).content)
    assert packs[:-3] == bytes_of(CUE_EXAMPLE)


def test_the_three_packs_of_sizes() -> None:
    """Bytes as cdtext.txt numbers them in the 36 of the record."""
    packs = packs_of(cd_text(RELEASE, TRACKS).content)
    assert [pack[:4] for pack in packs[-3:]] == [
        bytes([0x8F, number, len(packs) - 3 + number, 0]) for number in range(3)
    ]
    record = b"".join(pack[4:16] for pack in packs[-3:])
    assert list(record[:4]) == [0, 1, 3, 0]  # ISO 8859-1, first and last track, copyright
    types = [pack[0] for pack in packs]
    assert list(record[4:20]) == [types.count(pack_type) for pack_type in range(0x80, 0x90)]
    assert list(record[20:28]) == [len(packs) - 1, *7 * [0]]
    assert list(record[28:]) == [9, *7 * [0]]  # English


@pytest.mark.wants("libcdio.so.19")
def test_libcdio_reads_every_kind() -> None:
    """None is empty: after an empty text libcdio 2.1.0 loses count until the next pack."""
    with Libcdio(cd_text(RELEASE, TRACKS).content) as disc:
        for track, texts in enumerate((RELEASE, *TRACKS)):
            for kind in TYPES:
                assert disc.text(kind.upper(), track) == getattr(texts, kind)
        assert [disc.text("ISRC", n) for n in (1, 2, 3)] == [track.isrc for track in TRACKS]
        assert disc.text("UPC_EAN", 0) == "2000000000145"
        assert disc.text("DISC_ID", 0) == "TWE-014"
        assert disc.text("GENRE", 0) == "Classical"
        assert disc.number("genre") == 5  # CDTEXT_GENRE_CLASSIC
        assert disc.number("language") == 9  # CDTEXT_LANGUAGE_ENGLISH
        assert (disc.number("first_track"), disc.number("last_track")) == (1, 3)


PEOPLE = ("message", "arranger", "composer", "songwriter")
DISC_ONLY = (*PEOPLE, "genre", "disc id")


def full_disc(performers: Sequence[str], title: int = 10) -> list[TrackTexts]:
    """99 tracks with titles that long."""
    return [
        TrackTexts(
            f"{number:02d} Å".ljust(title, "ø"),
            performers[number % len(performers)],
            isrc=f"AA6Q727{number:05d}",
        )
        for number in range(1, 100)
    ]


@pytest.mark.wants("libcdio.so.19")
@pytest.mark.parametrize(
    ("tracks", "left_out"),
    [
        (full_disc(["Brim"]), PEOPLE),
        (full_disc(["Halden Ferry Singers"]), DISC_ONLY),
        (full_disc(["Halden Ferry Singers"], 16), (*DISC_ONLY, "barcode and ISRC")),
        (full_disc(["Sørine Aakre", "Oda Brenn"], 14), (*DISC_ONLY, "barcode and ISRC")),
    ],
)
def test_libcdio_reads_99_tracks(tracks: list[TrackTexts], left_out: tuple[str, ...]) -> None:
    """The first disc fits as it is, the second and third with a TAB for each repeated performer."""
    written = cd_text(RELEASE, tracks)
    assert written.left_out == left_out
    with Libcdio(written.content) as disc:
        assert disc.number("last_track") == 99
        for number, track in enumerate(tracks, 1):
            assert disc.text("TITLE", number) == track.title
            assert disc.text("PERFORMER", number) == track.performer
            isrc = "" if "barcode and ISRC" in left_out else track.isrc
            assert disc.text("ISRC", number) == isrc


class Libburn:
    """The calls of libburn that write and read CD-Text (libburn/libburn.h, 1.5.4)."""

    AT_THE_END = 100  # BURN_POS_END

    def __init__(self) -> None:
        self.library = library = outside.library("libburn.so.4", "libburn4")
        ints, bytes_out = POINTER(c_int), POINTER(POINTER(c_char))
        text: list[Any] = [c_void_p, c_int, c_int, c_char_p, c_char_p, c_int, c_int]
        library.burn_session_create.restype = library.burn_track_create.restype = c_void_p
        library.burn_session_add_track.argtypes = [c_void_p, c_void_p, c_uint]
        library.burn_session_set_cdtext_par.argtypes = [c_void_p, ints, ints, ints, c_int]
        library.burn_session_set_cdtext.argtypes = library.burn_track_set_cdtext.argtypes = text
        library.burn_cdtext_from_session.argtypes = [c_void_p, bytes_out, ints, c_int]
        library.burn_make_input_sheet_v07t.argtypes = (
            c_char_p, c_int, c_int, c_int, bytes_out, ints, c_int,
        )  # fmt: skip
        assert library.burn_initialize() == 1

    def sheet(self, content: bytes, tracks: int = 0) -> dict[str, str]:
        """Read packs as a text sheet of ``name = text``; it finds 98 tracks at the most itself."""
        out, code = POINTER(c_char)(), c_int(-1)
        size = self.library.burn_make_input_sheet_v07t(
            content, len(content) // PACK, min(tracks, 1), tracks, byref(out), byref(code), 0
        )
        assert size > 0 and code.value == 0
        lines = bytes(out[:size]).decode("iso-8859-1").rstrip("\n").split("\n")
        ctypes.CDLL(None).free(out)
        return {line[:19].strip(): line[22:] for line in lines}

    def packs(self, kinds: Mapping[int, Sequence[bytes]], tracks: int) -> bytes:
        """Make packs of a disc's texts and its tracks'."""
        one_block = [(c_int * 8)(value, *7 * [-1]) for value in (0, 0, 9)]
        session = c_void_p(self.library.burn_session_create())
        assert self.library.burn_session_set_cdtext_par(session, *one_block, 0) > 0
        ours = [c_void_p(self.library.burn_track_create()) for _ in range(tracks)]
        for track in ours:
            assert self.library.burn_session_add_track(session, track, self.AT_THE_END)
        for pack_type, (first, *others) in kinds.items():
            text = (0, pack_type, None, first + b"\0", len(first) + 1, 0)
            assert self.library.burn_session_set_cdtext(session, *text) > 0
            for track, other in zip(ours, others, strict=False):
                text = (0, pack_type, None, other + b"\0", len(other) + 1, 0)
                assert self.library.burn_track_set_cdtext(track, *text) > 0
        out, count = POINTER(c_char)(), c_int(-1)
        assert self.library.burn_cdtext_from_session(session, byref(out), byref(count), 0) > 0
        made = bytes(out[: PACK * count.value])
        ctypes.CDLL(None).free(out)
        for track in ours:
            self.library.burn_track_free(track)
        self.library.burn_session_free(session)
        return made


@pytest.fixture(scope="module")
def libburn() -> Libburn:
    return Libburn()


def by_libburn(
    libburn: Libburn, release: ReleaseTexts, tracks: Sequence[TrackTexts], left_out: Sequence[str]
) -> bytes:
    kinds = {
        pack_type: [getattr(texts, kind).encode("iso-8859-1") for texts in (release, *tracks)]
        for kind, pack_type in TYPES.items()
        if kind not in left_out
    }
    if "disc id" not in left_out:
        kinds[0x86] = [release.catalogue_number.encode("ascii")]
    if "genre" not in left_out and release.genre:
        code = b"\0\5" if release.genre == "Classical" else b"\0\1"
        kinds[0x87] = [code + release.genre.encode("ascii")]
    if "barcode and ISRC" not in left_out:
        codes = [release.barcode, *(track.isrc for track in tracks)]
        kinds[0x8E] = [(code or "").encode("ascii") for code in codes]
    kinds = {pack_type: texts for pack_type, texts in kinds.items() if any(texts)}
    return libburn.packs(kinds, len(tracks))


@pytest.mark.wants("libburn.so.4")
def test_libburn_makes_the_same_packs(libburn: Libburn) -> None:
    assert by_libburn(libburn, RELEASE, TRACKS, ()) == cd_text(RELEASE, TRACKS).content


@pytest.mark.wants("libburn.so.4")
def test_libburn_makes_the_same_packs_of_99_tracks_with_repeats(libburn: Libburn) -> None:
    tracks = full_disc(["Halden Ferry Singers"])
    written = cd_text(RELEASE, tracks)
    assert by_libburn(libburn, RELEASE, tracks, written.left_out) == written.content


_texts = st.text(st.sampled_from("aZ 9-~¡Åßÿ"), max_size=40).map(lambda text: text.strip())
_ascii = st.text(st.sampled_from("aZ 9-~"), max_size=40).map(lambda text: text.strip())
_releases = st.builds(
    ReleaseTexts, _texts, _texts, _texts, _texts, _texts, _texts, _ascii, _ascii, st.just(""),
    st.sampled_from([None, "2000000000145"]),
)  # fmt: skip
_tracks = st.builds(
    TrackTexts, _texts, _texts, _texts, _texts, _texts, _texts,
    st.none() | st.integers(0, 99999).map(lambda number: f"AA6Q727{number:05d}"),
)  # fmt: skip


def repeats(tracks: Sequence[TrackTexts]) -> bool:
    """libburn writes a TAB for each repeat, this program only where the texts do not fit."""
    kinds = (*TYPES, "isrc")
    return any(
        getattr(before, kind) and getattr(before, kind) == getattr(track, kind)
        for before, track in pairwise(tracks)
        for kind in kinds
    )


@pytest.mark.wants("libburn.so.4")
@given(_releases, st.lists(_tracks, min_size=1, max_size=12))
@settings(max_examples=150, deadline=None)
def test_libburn_makes_and_reads_the_same(
    libburn: Libburn, release: ReleaseTexts, tracks: list[TrackTexts]
) -> None:
    """Texts that are empty for the disc or some tracks among them."""
    written = cd_text(release, tracks)
    assume(not repeats(tracks) and len(written.content) > 3 * PACK)
    assert by_libburn(libburn, release, tracks, written.left_out) == written.content
    _compare(libburn.sheet(written.content), written, len(tracks))


def _compare(sheet: Mapping[str, str], written: CdText, tracks: int) -> None:
    """Compare libburn's reading with this program's, which test_cd_text.py checks."""
    ours = read_cd_text(written.content, "")
    disc = {
        "Album Title": "title", "Artist Name": "performer", "Songwriter": "songwriter",
        "Composer": "composer", "Arranger": "arranger", "Album Message": "message",
        "Catalog Number": "disc id", "Genre Information": "genre", "UPC / EAN": "barcode and ISRC",
    }  # fmt: skip
    for name, kind in disc.items():
        assert sheet.get(name, "") == ours.text(kind, 0)
    assert sheet["Language Code"] == "English" and sheet["Text Code"] == "8859"
    assert (sheet["First Track Number"], sheet["Last Track Number"]) == ("1", str(tracks))
    names = {kind: kind.capitalize() for kind in TYPES} | {"performer": "Artist"}
    for track in range(1, tracks + 1):
        for kind, name in names.items():
            assert sheet.get(f"Track {track:02d} {name}", "") == ours.text(kind, track)
        assert sheet.get(f"ISRC {track:02d}", "") == ours.text("barcode and ISRC", track)


@pytest.mark.wants("libburn.so.4")
def test_libburn_reads_99_tracks_with_repeats(libburn: Libburn) -> None:
    tracks = full_disc(["Halden Ferry Singers"])
    written = cd_text(RELEASE, tracks)
    sheet = libburn.sheet(written.content, 99)
    _compare(sheet, written, 99)
    assert sheet["Track 99 Artist"] == "Halden Ferry Singers"
    assert sheet["Track 42 Title"] == tracks[41].title
