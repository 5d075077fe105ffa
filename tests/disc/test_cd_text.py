"""CD-Text written and read back: texts, space, damage; independent readings are in
tests/standards/test_cd_text_packs.py."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from long_runs import series

from assembler.disc.cd_text import MOST_PACKS, PACK_TYPES, block_sizes, cd_text, crc
from assembler.disc.cd_text_reader import CdTextRead, read_cd_text
from assembler.disc.texts import ReleaseTexts, TrackTexts
from assembler.errors import AssemblerError
from assembler.manifest.disc_alphabet import disc_text

PACK = 18
RELEASE = ReleaseTexts(
    "Songs for Slack Water", "Halden Ferry Singers",
    composer="Ines Falk", message="Sung at the ferry", catalogue_number="TWE-014",
    genre="Choral", barcode="2000000000145",
)  # fmt: skip
TRACKS = (
    TrackTexts("Low Lantern", "Halden Ferry Singers", composer="Ines Falk", isrc="AA6Q72700001"),
    TrackTexts("Sørine Aakre", "Halden Ferry Singers", songwriter="Oda Brenn"),
    TrackTexts("Tide Table", "Mattis Oren", composer="Ines Falk", isrc="AA6Q72700003"),
)
GOOD = cd_text(RELEASE, TRACKS).content

_signs = st.characters(
    categories=(),
    include_characters=[chr(c) for c in (*range(0x20, 0x7F), *range(0xA1, 0x100)) if c != 0x22],
)
_texts = st.text(_signs, max_size=90).map(disc_text)
_short_texts = st.text(_signs, max_size=4).map(disc_text)
_ascii = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=40).map(disc_text)
_isrcs = st.none() | st.integers(0, 99999).map(lambda number: f"AA6Q727{number:05d}")


def _texts_of(kind: type, texts: st.SearchStrategy[str], **own: object) -> st.SearchStrategy:
    return st.builds(kind, **{f.name: texts for f in fields(kind)} | own)


def _discs(texts: st.SearchStrategy[str]) -> st.SearchStrategy:
    release = _texts_of(
        ReleaseTexts, texts, catalogue_number=_ascii, genre=_ascii,
        barcode=st.none() | st.just("2000000000145"),
    )  # fmt: skip
    return st.tuples(release, st.lists(_texts_of(TrackTexts, texts, isrc=_isrcs), min_size=1))


def texts_by_kind(
    release: ReleaseTexts, tracks: list[TrackTexts] | tuple[TrackTexts, ...]
) -> dict[str, list[str]]:
    by_kind = {
        kind: [getattr(each, kind) for each in (release, *tracks)]
        for kind in ("title", "performer", "songwriter", "composer", "arranger", "message")
    }
    by_kind["disc id"] = [release.catalogue_number]
    by_kind["genre"] = [release.genre]
    by_kind["barcode and ISRC"] = [release.barcode or "", *(track.isrc or "" for track in tracks)]
    return by_kind


def read(content: bytes) -> CdTextRead:
    return read_cd_text(content, "TWE-014.cdtext")


def resealed(content: bytes) -> bytes:
    """The same packs with right check bytes."""
    packs = [content[at : at + PACK] for at in range(0, len(content), PACK)]
    return b"".join(pack[:-2] + crc(pack[:-2]) for pack in packs)


@given(_discs(_texts) | _discs(_short_texts))
@settings(max_examples=series(200, 60), deadline=None)
def test_texts_read_back(disc: tuple[ReleaseTexts, list[TrackTexts]]) -> None:
    release, tracks = disc
    written = cd_text(release, tracks)
    back = read(written.content)
    assert len(written.content) <= MOST_PACKS * PACK
    assert (back.tracks, back.character_code, back.language) == (len(tracks), 0, 9)
    by_kind = texts_by_kind(release, tracks)
    carried = {kind for kind, texts in by_kind.items() if any(texts)}
    assert set(back.texts) == carried - set(written.left_out)
    assert {kind: list(texts) for kind, texts in back.texts.items()} == {
        kind: by_kind[kind] for kind in back.texts
    }


def test_a_kind_without_texts_is_absent() -> None:
    back = read(GOOD)
    assert list(back.texts) == [
        "title", "performer", "songwriter", "composer", "message", "disc id", "genre",
        "barcode and ISRC",
    ]  # fmt: skip
    assert back.texts["songwriter"] == ("", "", "Oda Brenn", "")
    assert back.text("arranger", 2) == ""
    assert back.barcode == "2000000000145"


def test_a_disc_without_codes_and_genre() -> None:
    back = read(cd_text(ReleaseTexts("Slack", "Falk"), [TrackTexts("Ebb", "Falk")]).content)
    assert back.texts == {"title": ("Slack", "Ebb"), "performer": ("Falk", "Falk")}
    assert back.genre_code is None and back.barcode == ""


@pytest.mark.parametrize(
    ("genre", "code"),
    [("Classical", 5), ("folk", 11), ("Rock", 23), ("Pop music", 20), ("Sound Effects", 25),
     ("Choral", 1), ("Spoken Word", 1)],
)  # fmt: skip
def test_genre_code(genre: str, code: int) -> None:
    """Codes of libburn's cdtext.txt up to 25, where libcdio counts alike; 1 is "not defined"."""
    back = read(cd_text(replace(RELEASE, genre=genre), TRACKS).content)
    assert (back.genre_code, back.texts["genre"]) == (code, (genre,))


def test_a_upc_has_13_digits_and_ascii_kinds_are_transliterated() -> None:
    release = replace(RELEASE, barcode="614141000036", catalogue_number="TWÉ-14", genre="Sørlys")
    back = read(cd_text(release, TRACKS).content)
    assert back.barcode == "0614141000036"
    assert (back.texts["disc id"], back.texts["genre"]) == (("TWE-14",), ("Sorlys",))


def long_disc(tracks: int, title: int, **texts: str) -> tuple[ReleaseTexts, list[TrackTexts]]:
    """A disc of titles that long, all by one performer."""
    performer = "Halden Ferry Singers"
    return RELEASE, [
        TrackTexts(f"{n:02d}".ljust(title, "x"), performer, isrc=f"AA6Q727{n:05d}", **texts)
        for n in range(1, tracks + 1)
    ]


@pytest.mark.parametrize(
    ("tracks", "title", "left_out"),
    [
        (20, 20, []),
        (30, 30, ["message"]),
        (38, 40, ["message", "composer", "songwriter"]),
        (52, 40, ["message", "composer", "songwriter", "genre", "disc id"]),
        (99, 12, ["message", "composer", "songwriter", "genre", "disc id"]),
        (99, 20, ["message", "composer", "songwriter", "genre", "disc id", "barcode and ISRC"]),
        (99, 29, ["message", "composer", "songwriter", "genre", "disc id", "barcode and ISRC",
                  "performer"]),
    ],
)  # fmt: skip
def test_the_least_important_is_left_out_first(
    tracks: int, title: int, left_out: list[str]
) -> None:
    release, texts = long_disc(
        tracks, title, composer="Ines Falk", songwriter="Oda Brenn", message="Sung at the ferry"
    )
    written = cd_text(release, texts)
    assert list(written.left_out) == left_out
    back = read(written.content)
    expected = texts_by_kind(release, texts)
    assert set(back.texts) == {k for k, texts in expected.items() if any(texts)} - set(left_out)
    assert all(list(texts) == expected[kind] for kind, texts in back.texts.items())


def performers(content: bytes) -> bytes:
    run = b"".join(
        content[at + 4 : at + 16]
        for at in range(0, len(content), PACK)
        if content[at] == PACK_TYPES["performer"]
    )
    return run.rstrip(b"\0") + b"\0"


def test_a_repeat_is_a_tab_only_when_nothing_else_helps() -> None:
    name = b"Halden Ferry Singers\0"
    assert performers(cd_text(*long_disc(30, 12)).content) == 31 * name
    tight = cd_text(*long_disc(99, 12))
    assert performers(tight.content) == 2 * name + 98 * b"\t\0"
    assert read(tight.content).texts["performer"] == 100 * ("Halden Ferry Singers",)


def test_titles_that_do_not_fit_are_an_error() -> None:
    with pytest.raises(AssemblerError, match=r"titles alone need 258 packs, and at most 253 fit"):
        cd_text(*long_disc(99, 30))


def test_every_flipped_bit_is_detected() -> None:
    for bit in range(8 * len(GOOD)):
        damaged = bytearray(GOOD)
        damaged[bit // 8] ^= 1 << bit % 8
        with pytest.raises(
            AssemblerError, match=rf"^TWE-014.cdtext: pack {bit // 8 // PACK} "
        ) as e:
            read(bytes(damaged))
        assert "\n" not in str(e.value)


def test_every_cut_is_detected() -> None:
    for length in range(len(GOOD)):
        with pytest.raises(AssemblerError, match=r"^TWE-014\.cdtext: pack "):
            read(GOOD[:length])


def _with(content: bytes, pack: int, byte: int, value: int) -> bytes:
    changed = bytearray(content)
    changed[pack * PACK + byte] = value
    return resealed(bytes(changed))


LAST = len(GOOD) // PACK - 1


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "pack 0 is missing"),
        (GOOD + b"\0", f"pack {LAST + 1} has 1 of 18 bytes"),
        (GOOD[PACK:], "pack 0 is out of sequence: it is numbered 1"),
        (_with(GOOD, 0, 0, 0x88), f"pack {LAST - 2}: the sizes"),
        (_with(GOOD, 1, 1, 3), "pack 1 does not match the title texts"),
        (_with(GOOD, 1, 3, 0), "pack 1 does not match the title texts"),
        (_with(GOOD, 1, 3, 0x1C), "pack 1 does not match the title texts"),
        (_with(GOOD, 0, 4, 0), "pack 1 does not match the title texts"),
        (_with(GOOD, LAST - 2, 4, 0x80), f"pack {LAST - 2}: character code 128"),
        (_with(GOOD, LAST - 2, 5, 2), f"pack {LAST - 2}: the sizes"),
        (_with(GOOD, LAST - 2, 6, 0), f"pack {LAST - 2}: character code 0 or last track 0"),
        (_with(GOOD, LAST - 2, 6, 99), r"pack \d+ does not match the title texts"),
        (_with(GOOD, LAST - 2, 6, 2), r"pack \d+ does not match the title texts"),
        (_with(GOOD, LAST - 1, 12, LAST - 1), f"pack {LAST - 1}: the sizes"),
        (_with(GOOD, LAST, 1, 1), f"pack {LAST}: the sizes"),
        (_with(GOOD, LAST, 9, 9), f"pack {LAST}: the sizes"),
    ],
)
def test_contradictions_with_correct_check_bytes(content: bytes, message: str) -> None:
    with pytest.raises(AssemblerError, match=f"^TWE-014.cdtext: {message}"):
        read(content)


@pytest.mark.parametrize(
    ("pack_types", "pack", "wrong"),
    [
        ([0x88], 0, "0x88"),
        ([0x80, 0x8D], 1, "0x8d"),
        ([0x80, 0x8F, 0x81], 1, "0x8f"),
        ([0x00], 0, "0x00"),
        ([0x80, 0x81, 0x80], 2, "0x80"),
    ],
)
def test_an_unexpected_kind(pack_types: list[int], pack: int, wrong: str) -> None:
    payloads = [b"Ebb\0Tide".ljust(12, b"\0") for _ in pack_types] + [*block_sizes(pack_types, 1)]
    kinds = [(pack_type, 0) for pack_type in pack_types] + [(0x8F, n) for n in range(3)]
    content = b"".join(
        bytes([pack_type, number, sequence, 0]) + payload + b"\0\0"
        for sequence, ((pack_type, number), payload) in enumerate(zip(kinds, payloads, strict=True))
    )
    with pytest.raises(AssemblerError, match=f"pack {pack} has the unexpected type {wrong}"):
        read(resealed(content))


def outcome(content: bytes) -> CdTextRead | None:
    try:
        return read(content)
    except AssemblerError as error:
        assert str(error).startswith("TWE-014.cdtext: pack ") and "\n" not in str(error)
        return None


@given(st.binary(max_size=400) | st.binary(min_size=54, max_size=54 * 4).map(resealed))
@settings(max_examples=series(300, 100), deadline=None)
def test_any_bytes_return_a_result_or_an_assembler_error(content: bytes) -> None:
    assert outcome(content) is None


@given(
    st.lists(st.tuples(st.integers(0, len(GOOD) - 1), st.integers(0, 255)), max_size=6),
    st.integers(0, LAST),
    st.integers(0, LAST),
)
@settings(max_examples=series(500, 150), deadline=None)
def test_changed_packs_with_correct_check_bytes(
    changes: list[tuple[int, int]], first: int, second: int
) -> None:
    """What is taken for good has a text for the disc and one for each track it counts."""
    packs = [bytearray(GOOD[at : at + PACK]) for at in range(0, len(GOOD), PACK)]
    packs[first], packs[second] = packs[second], packs[first]
    for at, value in changes:
        packs[at // PACK][at % PACK] = value
    for number, pack in enumerate(packs):
        pack[2] = number
    back = outcome(resealed(b"".join(packs)))
    if back is not None:
        for kind, texts in back.texts.items():
            assert len(texts) == (1 if kind in ("disc id", "genre") else back.tracks + 1)
