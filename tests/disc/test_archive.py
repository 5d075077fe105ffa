"""The disc's archive, read by metaflac, flac and libFLAC's own rules for a compact disc (RFC 9639,
section "Cuesheet", from memory; expected values worked from the order by hand)."""

from __future__ import annotations

import hashlib
import re
import subprocess
import tracemalloc
from ctypes import POINTER, byref, c_bool, c_char_p, c_void_p
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import outside
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from outside import output_of, program

from assembler.disc.archive import archive_comments, encode_archive, tag_archive
from assembler.disc.texts import ReleaseTexts, TrackTexts
from assembler.errors import AssemblerError
from assembler.manifest import Manifest
from assembler.sequence import DiscOrder, TrackSound, lay_out

SECOND = 44100
FRAME = 588

RELEASE = ReleaseTexts(
    "Songs for Slack Water", "Halden Ferry Singers", catalogue_number="TWE-014", genre="Choral",
    year="2027", barcode="2000000000145",
)  # fmt: skip
TRACKS = (
    TrackTexts("Low Lantern", "Halden Ferry Singers", isrc="AA6Q72700001"),
    TrackTexts("Sørine Aakre", "Halden Ferry Singers"),
    TrackTexts("Tide Table", "Halden Ferry Singers", isrc="AA6Q72700003"),
)
(ORDER,) = lay_out(
    [
        TrackSound(5 * SECOND, Fraction(2)),
        TrackSound(6 * SECOND, Fraction(3, 2)),
        TrackSound(4 * SECOND + 100, Fraction(0)),
    ]
)


def write_archive(pcm, target, order, *texts, **more):
    """Encode and tag, as a build does one after the other."""
    encode_archive(pcm, target, order)
    tag_archive(target, order, *texts, **more)


MANIFEST = Manifest.model_validate({
    "release": {
        "artist": "Χορωδία Χάλντεν",
        "title": "Songs for Slack Water",
        "catalogue_number": "TWE-014",
        "label": "Tidewrack Editions",
        "release_date": "2027-04-16",
        "barcode": "2000000000145",
        "genre": "Choral",
    },
    "tracks": [
        {"title": "Χαμηλό φανάρι", "audio": "a.wav", "isrc": "AA6Q72700001"},
        {"title": "Sørine \"Aakre\"", "audio": "a.wav", "artist": "Ольга Ветрова",
         "version": "live"},
        {"title": "Tide Table", "audio": "a.wav", "composers": ["Ines Falk", "Oda Brenn"]},
    ],
})  # fmt: skip


def pcm_of(order: DiscOrder) -> np.ndarray:
    noise = np.random.default_rng(14).integers(-3000, 3000, (order.frames * FRAME, 2))
    noise[:4] = [[-32768, 32767], [32767, -32768], [0, -1], [1, 0]]
    return noise.astype(np.int32)


PCM = pcm_of(ORDER)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("archive") / "TWE-014.flac"
    flags = [False, True, False]
    comments = archive_comments(MANIFEST, ORDER, 2)
    write_archive([PCM], target, ORDER, RELEASE, TRACKS, comments=comments, pre_emphasis=flags)
    return target


def listed(archive: Path, block: str) -> str:
    return output_of("metaflac", "--list", f"--block-type={block}", archive, package="flac")


@pytest.mark.wants("metaflac")
def test_metaflac_lists_every_field_of_the_cue_sheet(archive: Path) -> None:
    lines = [line.strip() for line in listed(archive, "CUESHEET").splitlines()]
    assert lines[4:] == [
        "media catalog number: 2000000000145",
        "lead-in: 88200",
        "is CD: true",
        "number of tracks: 4",
        "track[0]",
        "offset: 0",
        "number: 1",
        "ISRC: AA6Q72700001",
        "type: AUDIO",
        "pre-emphasis: false",
        "number of index points: 1",
        "index[0]",
        "offset: 0",
        "number: 1",
        "track[1]",
        "offset: 220500",  # 5 s: index 0
        "number: 2",
        "ISRC:",
        "type: AUDIO",
        "pre-emphasis: true",
        "number of index points: 2",
        "index[0]",
        "offset: 0",
        "number: 0",
        "index[1]",
        "offset: 66444",  # 1.5 s up to the next frame, 113 of them
        "number: 1",
        "track[2]",
        "offset: 551544",  # a segue: 6 s after that start
        "number: 3",
        "ISRC: AA6Q72700003",
        "type: AUDIO",
        "pre-emphasis: false",
        "number of index points: 1",
        "index[0]",
        "offset: 0",
        "number: 1",
        "track[3]",
        "offset: 728532",  # 4 s and a frame later the image ends
        "number: 170 (LEAD-OUT)",
    ]


@pytest.mark.wants("metaflac")
def test_metaflac_writes_the_cue_sheet_out(archive: Path) -> None:
    sheet = output_of("metaflac", "--export-cuesheet-to=-", archive, package="flac")
    assert [line.strip() for line in sheet.splitlines()] == [
        "CATALOG 2000000000145",
        f'FILE "{archive}" FLAC',
        "TRACK 01 AUDIO",
        "ISRC AA6Q72700001",
        "INDEX 01 00:00:00",
        "TRACK 02 AUDIO",
        "FLAGS PRE",
        "INDEX 00 00:05:00",
        "INDEX 01 00:06:38",
        "TRACK 03 AUDIO",
        "ISRC AA6Q72700003",
        "INDEX 01 00:12:38",
        "REM FLAC__lead-in 88200",
        "REM FLAC__lead-out 170 728532",
    ]


@pytest.mark.wants("metaflac")
def test_metaflac_lists_the_comments(archive: Path) -> None:
    text = listed(archive, "VORBIS_COMMENT")
    assert re.findall(r"comment\[\d+\]: (.*)", text) == [
        "ALBUM=Songs for Slack Water",
        "ARTIST=Χορωδία Χάλντεν",
        "TITLE=Songs for Slack Water",
        "DATE=2027-04-16",
        "ORGANIZATION=Tidewrack Editions",
        "CATALOGNUMBER=TWE-014",
        "BARCODE=2000000000145",
        "GENRE=Choral",
        "DISCNUMBER=1",
        "DISCTOTAL=2",
        "TRACK01_TITLE=Χαμηλό φανάρι",
        "TRACK01_ARTIST=Χορωδία Χάλντεν",
        "TRACK01_ISRC=AA6Q72700001",
        'TRACK02_TITLE=Sørine "Aakre" (live)',
        "TRACK02_ARTIST=Ольга Ветрова",
        "TRACK03_TITLE=Tide Table",
        "TRACK03_ARTIST=Χορωδία Χάλντεν",
        "TRACK03_COMPOSER=Ines Falk",
        "TRACK03_COMPOSER=Oda Brenn",
    ]


@pytest.mark.wants("flac")
def test_flac_decodes_the_image_and_its_checksum_matches(archive: Path) -> None:
    samples = pcm_of(ORDER).astype("<i2")
    program("flac", "flac")
    done = subprocess.run(["flac", "-t", "-w", archive], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    raw = ["-d", "-c", "-s", "--force-raw-format", "--endian=little", "--sign=signed"]
    decoded = subprocess.run(["flac", *raw, archive], capture_output=True, check=True).stdout
    assert np.array_equal(np.frombuffer(decoded, "<i2").reshape(-1, 2), samples)
    md5 = output_of("metaflac", "--show-md5sum", archive, package="flac").strip()
    assert md5 == hashlib.md5(samples.tobytes()).hexdigest()


def cd_violation(archive: Path) -> str | None:
    """Hold a cue sheet block against libFLAC's rules for a compact disc (FLAC/metadata.h)."""
    library = outside.library("libFLAC.so.12", "flac")
    library.FLAC__metadata_get_cuesheet.argtypes = [c_char_p, POINTER(c_void_p)]
    legal = library.FLAC__metadata_object_cuesheet_is_legal
    legal.argtypes, legal.restype = [c_void_p, c_bool, POINTER(c_char_p)], c_bool
    block, violation = c_void_p(), c_char_p()
    assert library.FLAC__metadata_get_cuesheet(str(archive).encode(), byref(block)) == 1
    is_legal = legal(block, True, byref(violation))
    library.FLAC__metadata_object_delete(block)
    return None if is_legal else (violation.value or b"?").decode()


@pytest.mark.wants("libFLAC.so.12")
def test_the_cue_sheet_is_legal_for_a_disc(archive: Path) -> None:
    assert cd_violation(archive) is None


@pytest.mark.wants("libFLAC.so.12")
def test_the_rules_find_an_offset_off_the_grid(archive: Path, tmp_path: Path) -> None:
    moved = tmp_path / "moved.flac"
    moved.write_bytes(archive.read_bytes().replace((220500).to_bytes(8, "big"), bytes(7) + b"\1"))
    assert "588" in (cd_violation(moved) or "")


_orders = st.lists(
    st.builds(
        TrackSound,
        samples=st.integers(4 * FRAME, 9 * FRAME),
        gap_s=st.sampled_from([Fraction(0), Fraction(1, 75), Fraction(1, 50)]),
    ),
    min_size=1,
    max_size=99,
).map(lambda t: lay_out([replace(t[0], gap_s=Fraction(5, 2)), *t[1:]])[0])


@pytest.mark.wants("libFLAC.so.12")
@given(_orders)
@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_every_order_is_legal_and_reads_back(tmp_path: Path, order: DiscOrder) -> None:
    """Against metaflac's cue sheet; of a track 1 pause of 2.5 s, 2 s are in the lead-in."""
    target = tmp_path / "TWE-014.flac"
    tracks = [TrackTexts(str(place.number), "") for place in order.places]
    write_archive([pcm_of(order)], target, order, ReleaseTexts("", ""), tracks)
    assert cd_violation(target) is None
    sheet = output_of("metaflac", "--export-cuesheet-to=-", target, package="flac")
    indexes = re.findall(r"INDEX (\d\d) (\d\d):(\d\d):(\d\d)", sheet)
    found = [(int(n), (int(m) * 60 + int(s)) * 75 + int(f)) for n, m, s, f in indexes]
    expected = []
    for place in order.places:
        if place.number == 1:
            expected.append((0, 0))
        elif place.gap_frames:
            expected.append((0, place.start_frame - place.gap_frames))
        expected.append((1, place.start_frame))
    assert found == expected
    assert f"REM FLAC__lead-in {150 * FRAME}" in sheet
    assert f"REM FLAC__lead-out 170 {order.frames * FRAME}" in sheet
    assert "CATALOG" not in sheet and "ISRC" not in sheet
    assert "comment[" not in listed(target, "VORBIS_COMMENT")


@pytest.mark.wants("metaflac")
def test_the_bytes_are_reproducible_and_without_padding(archive: Path, tmp_path: Path) -> None:
    target = tmp_path / "TWE-014.flac"
    flags = [False, True, False]
    comments = archive_comments(MANIFEST, ORDER, 2)
    write_archive([PCM], target, ORDER, RELEASE, TRACKS, comments=comments, pre_emphasis=flags)
    assert target.read_bytes() == archive.read_bytes()
    assert b"Mutagen" not in target.read_bytes()[:4096]
    assert re.findall(r"length: (\d+)", listed(target, "PADDING")) == ["0"]


def test_memory_does_not_grow_with_the_disc(tmp_path: Path) -> None:
    (order,) = lay_out([TrackSound(60 * SECOND, Fraction(2))])
    pcm = pcm_of(order).astype(np.int16)
    blocks = (block.astype(np.int32) for block in np.array_split(pcm, 60))
    tracemalloc.start()
    write_archive(blocks, tmp_path / "TWE-014.flac", order, RELEASE, TRACKS[:1])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < pcm.nbytes / 4


def test_sound_of_another_length_is_refused(tmp_path: Path) -> None:
    for pcm in (PCM[:-1], np.concatenate([PCM, PCM])):
        with pytest.raises(AssemblerError, match=r"^disc 1: its sound has \d+ samples") as error:
            write_archive([pcm], tmp_path / "TWE-014.flac", ORDER, RELEASE, TRACKS)
        assert "\n" not in str(error.value)
