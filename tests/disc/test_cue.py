"""The cue sheet, every field and time of it read back by libcue, cueprint and libcdio's cd-info.

Expected times are worked by hand; disc time is image time and 2 s (MMC: LBA 0 = 00:02:00).
"""

from __future__ import annotations

import subprocess
from fractions import Fraction
from pathlib import Path

import pytest
from disc_readers import by_libcue, cd_info
from hypothesis import given, settings
from hypothesis import strategies as st
from outside import program

from assembler.disc.cue import cue_bytes, cue_sheet, disc_stem
from assembler.disc.cue_reader import read_cue
from assembler.disc.image import create_image
from assembler.disc.texts import ReleaseTexts, TrackTexts
from assembler.manifest.disc_alphabet import ENCODING, disc_text
from assembler.sequence import DiscOrder, TrackSound, lay_out
from assembler.text import frames_text

SECOND = 44100
FRAME = 588
NAME = "Slack-water 1.wav"
RELEASE = ReleaseTexts(
    "Songs for Slack Water", "Halden Ferry Singers", "Ines Falk", catalogue_number="TWE-014",
    genre="Choral", year="2027", barcode="2000000000145",
)  # fmt: skip
TRACKS = (
    TrackTexts("Sørine’s Lantern".replace("’", "'"), "Halden Ferry Singers", "Ines Falk / O. Brenn",
               isrc="AA6Q72700001", copy_permitted=True),
    TrackTexts(disc_text('The "Low" Lantern; 50 % off & \\ # 7/8'), "Åse Þórsdóttir",
               isrc="AA6Q72700002", copy_permitted=True, pre_emphasis=True),
    TrackTexts("TRACK 99 AUDIO", "INDEX 01 00:00:00", pre_emphasis=True),
    TrackTexts("ÿ ¡ü! × ½", "Halden Ferry Singers", "É", isrc="AA6Q72700004"),
)  # fmt: skip
SOUNDS = [
    TrackSound(10 * SECOND, Fraction(3, 2), points_s=(Fraction(4), Fraction(5) + Fraction(2, 75))),
    TrackSound(8 * SECOND, Fraction(0), overlap_s=Fraction(7, 2)),
    TrackSound(6 * SECOND + 1, Fraction(0)),
    TrackSound(7 * SECOND, Fraction(2)),
]
INDEXES = (
    # 20 s of hidden sound and 1.5 s of silence: 1612.5 frames; points 4 s and 5 s 2 frames on.
    {0: 0, 1: 1613, 2: 1913, 3: 1990},
    {1: 2101},  # 6.5 s on: 1613 + 487.5, half a frame rounded up
    {1: 2701},  # 14.5 s on: 1613 + 1087.5
    {0: 3151, 1: 3301},  # 20.5 s and a sample on; 2 s more
)
FRAMES = 3301 + 525 + 225


def laid(sounds: list[TrackSound], hidden: int = 0, tail_s: Fraction = Fraction(0)) -> DiscOrder:
    (order,) = lay_out(sounds, hidden_samples=hidden, tail_s=tail_s)
    return order


ORDER = laid(SOUNDS, 20 * SECOND, Fraction(3))
SHEET = cue_bytes(cue_sheet(NAME, ORDER, RELEASE, TRACKS))


def silent_disc(folder: Path, order: DiscOrder, content: bytes) -> tuple[Path, Path]:
    """Write a cue sheet and an image of silence."""
    image, cue = folder / NAME, folder / "sheet.cue"
    create_image(image, order.frames)
    cue.write_bytes(content)
    return cue, image


def test_the_file_is_latin_1_with_cr_lf() -> None:
    lines = SHEET.split(b"\r\n")
    assert lines[-1] == b""
    assert not [line for line in lines if b"\r" in line or b"\n" in line]
    assert b'    TITLE "S\xf8rine\'s Lantern"' in lines
    assert '    PERFORMER "Åse Þórsdóttir"'.encode("iso-8859-1") in lines
    assert lines[:4] == [
        b"REM GENRE Choral",
        b"REM DATE 2027",
        b"REM CATALOGUE NUMBER TWE-014",
        b"CATALOG 2000000000145",
    ]
    assert b'FILE "Slack-water 1.wav" WAVE' in lines


def test_times_are_written_as_minutes_seconds_frames() -> None:
    lines = [line.strip() for line in SHEET.decode("iso-8859-1").splitlines()]
    assert [line for line in lines if line.startswith("INDEX")] == [
        "INDEX 00 00:00:00",
        "INDEX 01 00:21:38",
        "INDEX 02 00:25:38",
        "INDEX 03 00:26:40",
        "INDEX 01 00:28:01",
        "INDEX 01 00:36:01",
        "INDEX 00 00:42:01",
        "INDEX 01 00:44:01",
    ]


@pytest.mark.wants("libcue.so.2")
def test_libcue_reads_every_field_and_index() -> None:
    sheet = by_libcue(SHEET)
    assert (sheet.title, sheet.performer, sheet.songwriter) == (
        "Songs for Slack Water",
        "Halden Ferry Singers",
        "Ines Falk",
    )
    assert len(sheet.tracks) == 4
    for track, texts, indexes in zip(sheet.tracks, TRACKS, INDEXES, strict=True):
        assert (track.title, track.performer) == (texts.title, texts.performer)
        assert (track.songwriter or "", track.isrc) == (texts.songwriter, texts.isrc)
        assert track.file == NAME
        assert track.indexes == indexes
        assert track.pregap is None
    assert [track.flags for track in sheet.tracks] == [{"DCP"}, {"DCP", "PRE"}, {"PRE"}, set()]
    assert sheet.tracks[1].title == "The 'Low' Lantern; 50 % off & / # 7/8"


@pytest.mark.wants("cueprint")
def test_cueprint_reads_every_track(tmp_path: Path) -> None:
    """cuetools has a parser of its own."""
    cue, _ = silent_disc(tmp_path, ORDER, SHEET)
    command = [program("cueprint", "cuetools"), "-d", "%N|%T|%P\n", "-t", "%n|%t|%p|%i\n"]
    done = subprocess.run([*command, str(cue)], capture_output=True, check=True)
    lines = done.stdout.decode("iso-8859-1").splitlines()
    assert lines[0] == "4|Songs for Slack Water|Halden Ferry Singers"
    assert lines[1:] == [
        f"{n}|{track.title}|{track.performer}|{track.isrc or ''}"
        for n, track in enumerate(TRACKS, 1)
    ]


@pytest.mark.wants("cd-info")
def test_cd_info_reads_times_flags_and_texts(tmp_path: Path) -> None:
    info = cd_info(*silent_disc(tmp_path, ORDER, SHEET), tmp_path / "links")
    starts = {n: indexes[1] for n, indexes in enumerate(INDEXES, 1)} | {170: FRAMES}
    assert info.starts == {n: (frame + 150, frame) for n, frame in starts.items()}
    assert info.flags == {1: {"DCP"}, 2: {"DCP", "PRE"}, 3: {"PRE"}, 4: set()}
    assert info.catalogue == "2000000000145"
    for number, texts in enumerate((RELEASE, *TRACKS)):
        fields = (
            ("TITLE", texts.title), ("PERFORMER", texts.performer),
            ("SONGWRITER", texts.songwriter),
        )  # fmt: skip
        assert info.texts[number] == {field: text for field, text in fields if text}


@pytest.mark.wants("libcue.so.2")
def test_a_track_1_pause_of_3_s_has_one_in_the_image(tmp_path: Path) -> None:
    """2 s of it are every disc's; the third is index 00 of track 1, which every reader counts."""
    order = laid([TrackSound(5 * SECOND, Fraction(3)), TrackSound(5 * SECOND, Fraction(1))])
    content = cue_bytes(cue_sheet(NAME, order, RELEASE, TRACKS[:2]))
    assert b"PREGAP" not in content
    first, second = by_libcue(content).tracks
    assert (first.indexes, first.pregap) == ({0: 0, 1: 75}, None)
    assert (second.indexes, second.pregap) == ({0: 450, 1: 525}, None)
    info = cd_info(*silent_disc(tmp_path, order, content), tmp_path / "links")
    assert info.starts == {1: (225, 75), 2: (675, 525), 170: (1050, 900)}


@pytest.mark.wants("libcue.so.2")
@pytest.mark.parametrize("pause_s", [Fraction(2), Fraction(151, 75), Fraction(60)])
def test_index_00_begins_the_image_where_the_pause_has_more_than_2_s(pause_s: Fraction) -> None:
    order = laid([TrackSound(5 * SECOND, pause_s)])
    (track,) = by_libcue(cue_bytes(cue_sheet(NAME, order, RELEASE, TRACKS[:1]))).tracks
    beyond = int(pause_s * 75) - 150
    assert track.indexes == ({0: 0, 1: beyond} if beyond else {1: 0})
    assert track.pregap is None


@pytest.mark.wants("libcue.so.2")
def test_fields_that_are_empty_are_left_out(tmp_path: Path) -> None:
    order = laid([TrackSound(5 * SECOND, Fraction(2))])
    content = cue_bytes(cue_sheet(NAME, order, ReleaseTexts("T", "P"), [TrackTexts("t", "p")]))
    commands = {line.split()[0] for line in content.decode("ascii").splitlines()}
    assert commands == {"TITLE", "PERFORMER", "FILE", "TRACK", "INDEX"}
    (track,) = by_libcue(content).tracks
    assert (track.songwriter, track.isrc, track.flags) == (None, None, set())
    assert cd_info(*silent_disc(tmp_path, order, content), tmp_path / "links").catalogue == ""


@pytest.mark.wants("libcue.so.2")
def test_99_tracks_and_99_indexes() -> None:
    points_s = tuple(Fraction(n, 20) for n in range(1, 99))
    sounds = [TrackSound(5 * SECOND, Fraction(2), points_s=points_s)] * 99
    texts = [TrackTexts(f"Piece {n}", "P", isrc=f"AA6Q727{n:05d}") for n in range(1, 100)]
    order = laid(sounds)
    tracks = by_libcue(cue_bytes(cue_sheet(NAME, order, RELEASE, texts))).tracks
    assert [track.isrc for track in tracks] == [text.isrc for text in texts]
    for number, track in enumerate(tracks):
        start = number * 525
        assert track.indexes[1] == start
        assert track.indexes[99] == start + 368  # 4.9 s: 367.5 frames
        assert len(track.indexes) == 99 + (number > 0)


latin_1 = st.characters(codec="iso-8859-1", categories=["L", "N", "P", "S", "Zs"])
titles = st.text(latin_1, min_size=1, max_size=90).map(disc_text)


@pytest.mark.wants("libcue.so.2")
@settings(deadline=None, max_examples=200)
@given(st.lists(titles.filter(lambda text: text and text[-1] != "\\"), min_size=2, max_size=4))
def test_libcue_and_this_reader_read_any_texts(titles: list[str]) -> None:
    texts = [TrackTexts(title, titles[0], titles[-1]) for title in titles]
    order = laid([TrackSound(5 * SECOND, Fraction(2))] * len(titles))
    release = ReleaseTexts(titles[-1], titles[0])
    content = cue_bytes(cue_sheet(NAME, order, release, texts))
    sheet = by_libcue(content)
    assert (sheet.title, sheet.performer) == (titles[-1], titles[0])
    assert [(t.title, t.performer, t.songwriter) for t in sheet.tracks] == [
        (title, titles[0], titles[-1]) for title in titles
    ]
    ours = read_cue(content.decode(ENCODING), "sheet.cue")
    assert [track.texts["TITLE"] for track in ours.tracks] == titles


@pytest.mark.wants("libcue.so.2")
def test_a_text_that_ends_in_a_backslash_loses_no_track() -> None:
    texts = [TrackTexts(disc_text("Tide \\"), "P"), TrackTexts("Two", "P")]
    order = laid([TrackSound(5 * SECOND, Fraction(2))] * 2)
    content = cue_bytes(cue_sheet(NAME, order, RELEASE, texts))
    assert len(by_libcue(content).tracks) == 2


def test_this_reader_reads_what_is_written() -> None:
    read = read_cue(SHEET.decode(ENCODING), "sheet.cue")
    assert read.files == [(NAME, "WAVE")]
    assert [track.indexes for track in read.tracks] == list(INDEXES)
    assert [track.texts.get("FLAGS") for track in read.tracks] == ["DCP", "DCP PRE", "PRE", None]
    assert read.texts["CATALOG"] == "2000000000145"


@pytest.mark.parametrize(
    ("name", "number", "of", "stem"),
    [
        ("TWE-014", 1, 1, "TWE-014"),
        ("TWE-014", 2, 3, "TWE-014-2"),
        ("Sørlys", 1, 1, "Sørlys"),
        ("Песня", 1, 2, "Pesnya-1"),
    ],
)
def test_names_of_a_discs_files_are_latin_1(name: str, number: int, of: int, stem: str) -> None:
    assert disc_stem(name, number, of) == stem


def test_times_of_the_expectation() -> None:
    assert frames_text(FRAMES) == "00:54:01"
    assert ORDER.frames == FRAMES
