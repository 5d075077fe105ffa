"""A disc of 74 minutes, 20 tracks of real music and long pauses, read by programs from outside.

Music: Debian's singularity-music (freely licensed; 48 kHz Vorbis), sections of it by `start` and
`end`; one piece cut in two makes a segue. All names are invented. Absolute time is program time
plus 2 s (MMC: LBA 0 = 00:02:00, from memory).
"""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
import soundfile
from disc_readers import CdInfo, Libcdio, by_libcue, cd_info
from outside import MUSIC_FOLDERS, ebur128, output_of, program, real_music

from assembler import build, check, load, verify
from assembler.text import frames_text

pytestmark = [pytest.mark.debian_music, pytest.mark.thorough]
FRAME = 588
HEAD = """\
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-074
  label: Tidewrack Editions
  release_date: 2027-04-16
  barcode: "2000000000145"
  genre: Choral
  isrc: {prefix: AA6Q7, year: 27, first: 41}
level: {match: track, target: -16}
disc: {pregap_audio: music/lose/Chimes They Fade.ogg, tail: 2}
credits: [{name: Ines Falk, roles: [mastering]}]
tracks:
"""
ROWS = (
    ("Sørine’s Lantern", "A New Journey", "end: 1:00, composers: [Ines Falk], isrc: AA6Q72700042"),
    ("Ferryman’s Reply", "A New Journey", "start: 1:00, end: 1:20, gap: 0, lyricists: [Oda Brenn]"),
    ("Åpent hav", "Aberrations", "start: 4:40, artist: Sørine Aakre"),
    ("Low Lantern", "Advanced Simulacra", "end: 1:00, overlap: 5, indexes: [0:30, 0:45.5]"),
    ("Ropewalk Round", "Awakening", "end: 0:20"),
    ("Θάλασσα", "By-Product", "start: 1:50, end: 2:30, cd_text: {title: Thalassa}"),
    ("Slack Water", "By-Product", "start: 2:30, end: 2:50, gap: 0"),
    ("Песня паромщика", "Coherence", "end: 0:20, gap: 3.5, cd_text: {title: Pesnya paromshchika}"),
    ("Tide Table", "Deprecation", "end: 0:20, copy_permitted: true"),
    ("Net Loft", "Enemy Unknown", "end: 0:20, copy_permitted: true, pre_emphasis: true"),
    ("Harbour Psalm", "Inevitable", "end: 0:20"),
    ("Two Tides", "Media Threat", "start: 3:00, end: 3:20"),
    ("Three Tides", "Media Threat", "start: 3:20, end: 3:40, gap: 0, indexes: [0:10]"),
    ("Counting the Piles", "Nebula", "end: 0:20, gap: 6:42"),
    ("Ebb", "Orbital Elevator", "end: 0:20, gap: 9:40"),
    ("Flood", "Through Space", "end: 0:20, gap: 9:40"),
    ("Neap", "win/Apex Aleph", "end: 0:20, gap: 9:40"),
    ("Spring", "lose/March Thee to Dis", "end: 0:20, gap: 9:40"),
    ("Longshore", "Advanced Simulacra", "gap: 9:40, start: 0:20, end: 0:40, fade_in: 2"),
    ("Standing Wave", "Media Threat", "gap: 9:40, start: 0:30, end: 0:50, fade_out: 4"),
)
DISC_TITLES = [
    {"Θάλασσα": "Thalassa", "Песня паромщика": "Pesnya paromshchika"}.get(
        title, title.replace("’", "'")
    )
    for title, _, _ in ROWS
]
ISRCS = ["AA6Q72700042", "AA6Q72700041", *(f"AA6Q727{n:05d}" for n in range(43, 61))]
"""From 41 on, past the one that track 1 has already."""


@pytest.fixture(scope="module")
def release(tmp_path_factory: pytest.TempPathFactory) -> Path:
    real_music("singularity-music")
    folder = tmp_path_factory.mktemp("long")
    (folder / "music").symlink_to(MUSIC_FOLDERS["singularity-music"], target_is_directory=True)
    rows = (
        f"  - {{title: {title}, audio: music/{piece}.ogg{more and ', ' + more}}}\n"
        for title, piece, more in ROWS
    )
    (folder / "songs.yaml").write_text(HEAD + "".join(rows), encoding="utf-8")
    return build(load(folder / "songs.yaml"), folder / "out", only=["disc"]).release_dir


@pytest.fixture(scope="module")
def report(release: Path) -> dict[str, Any]:
    return json.loads((release / "report.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def info(release: Path, tmp_path_factory: pytest.TempPathFactory) -> CdInfo:
    disc = release / "disc"
    links = tmp_path_factory.mktemp("cd-info") / "links"
    return cd_info(disc / "TWE-074.cue", disc / "TWE-074.wav", links)


def test_it_is_the_disc_in_the_manifest(release: Path, report: dict[str, Any]) -> None:
    assert sorted(path.name for path in (release / "disc").iterdir()) == [
        "MD5SUMS",
        *(f"TWE-074.{kind}" for kind in ("cdtext", "cue", "flac", "wav")),
        "pq-sheet.pdf",
        "pq-sheet.txt",
        "to-plant.txt",
    ]
    (disc,) = report["discs"]
    assert len(report["tracks"]) == 20
    assert 74 * 60 * 75 < disc["frames"] <= (74 * 60 + 33) * 75
    assert disc["frames"] * FRAME == soundfile.info(str(release / "disc/TWE-074.wav")).frames
    starts = [track["start_frame"] for track in report["tracks"]]
    # Hidden: 42.667 s or 3200 frames and 2 s; the first piece is cut after a minute.
    assert starts[:2] == [3350, 3350 + 60 * 75]
    # The overlap begins 5 s before the end of what lasts 309.6 s, of which 280 are cut off.
    assert starts[3] - starts[2] == round((309.6 - 280 - 5) * 75)
    assert [track["isrc"] for track in report["tracks"]] == ISRCS
    off = {finding["where"] for finding in report["findings"] if finding["code"] == "off-target"}
    for index, track in enumerate(report["tracks"]):
        lands = abs(track["disc"]["integrated_lufs"] + 16) <= 0.1
        assert lands or f"tracks[{index}]" in off
        assert track["disc"]["true_peak_dbtp"] <= -1 + 0.05
    assert len(off) <= 2


def test_verify_agrees(release: Path) -> None:
    found = verify(release)
    assert found.ok, found.findings
    assert "track levels on the image: 20" in found.proofs


@pytest.mark.wants("libcue.so.2")
def test_libcue_reads_every_track(release: Path, report: dict[str, Any]) -> None:
    sheet = by_libcue((release / "disc/TWE-074.cue").read_bytes())
    assert (sheet.title, sheet.performer) == ("Songs for Slack Water", "Halden Ferry Singers")
    assert [track.title for track in sheet.tracks] == DISC_TITLES
    assert [track.isrc for track in sheet.tracks] == ISRCS
    performers = ["Sørine Aakre" if n == 2 else "Halden Ferry Singers" for n in range(20)]
    assert [track.performer for track in sheet.tracks] == performers
    writers = ["Ines Falk", "Oda Brenn", *[None] * 18]
    assert [track.songwriter for track in sheet.tracks] == writers
    flags = {8: {"DCP"}, 9: {"DCP", "PRE"}}
    assert [track.flags for track in sheet.tracks] == [flags.get(n, set()) for n in range(20)]
    for read, track in zip(sheet.tracks, report["tracks"], strict=True):
        assert read.indexes == {int(n): frame for n, frame in track["indexes"].items()}
        assert (read.file, read.pregap) == ("TWE-074.wav", None)
    points = {n: sorted(track.indexes) for n, track in enumerate(sheet.tracks, 1)}
    assert {n for n, numbers in points.items() if 0 not in numbers} == {2, 4, 7, 13}
    assert (points[1], points[4], points[13]) == ([0, 1], [1, 2, 3], [1, 2])


@pytest.mark.wants("cueprint")
def test_cueprint_reads_every_track(release: Path) -> None:
    command = [program("cueprint", "cuetools"), "-t", "%n|%t|%i\n", "-d", ""]
    done = subprocess.run([*command, release / "disc/TWE-074.cue"], capture_output=True, check=True)
    expected = [f"{n}|{t}|{i}" for n, (t, i) in enumerate(zip(DISC_TITLES, ISRCS, strict=True), 1)]
    assert done.stdout.decode("iso-8859-1").splitlines() == expected


def test_cd_info_reads_times_and_lead_out(info: CdInfo, report: dict[str, Any]) -> None:
    starts = {n: track["start_frame"] for n, track in enumerate(report["tracks"], 1)}
    starts[170] = report["disc"]["frames"]
    assert info.starts == {n: (frame + 150, frame) for n, frame in starts.items()}
    assert info.catalogue == "2000000000145"
    assert {n: flags for n, flags in info.flags.items() if flags} == {
        9: {"DCP"},
        10: {"DCP", "PRE"},
    }
    assert [info.texts[n]["TITLE"] for n in range(1, 21)] == DISC_TITLES


@pytest.mark.wants("libcdio.so.19")
def test_libcdio_reads_the_cd_text(release: Path) -> None:
    with Libcdio((release / "disc/TWE-074.cdtext").read_bytes()) as disc:
        assert [disc.text("TITLE", n) for n in range(1, 21)] == DISC_TITLES
        assert disc.text("TITLE", 0) == "Songs for Slack Water"
        assert disc.text("PERFORMER", 3) == "Sørine Aakre"
        assert [disc.text("ISRC", n) for n in range(1, 21)] == ISRCS
        assert disc.text("UPC_EAN", 0) == "2000000000145"
        assert disc.number("last_track") == 20


@pytest.mark.wants("metaflac")
def test_metaflac_reads_the_same_points(release: Path, report: dict[str, Any]) -> None:
    archive = release / "disc/TWE-074.flac"
    text = output_of("metaflac", "--list", "--block-type=CUESHEET", archive, package="flac")
    assert "media catalog number: 2000000000145" in text
    assert "lead-in: 88200" in text
    assert "is CD: true" in text
    assert "number of tracks: 21" in text
    *tracks, lead_out = re.split(r"\n    track\[\d+\]\n", text)[1:]
    for part, track, isrc in zip(tracks, report["tracks"], ISRCS, strict=True):
        numbers = [int(n) for n in re.findall(r"(?:offset|number): (\d+)", part)]
        first, number, *points = numbers
        assert (number, re.findall("ISRC: (.*)", part)) == (track["number"], [isrc])
        read = {n: first + at for at, n in zip(points[::2], points[1::2], strict=True)}
        assert read == {int(n): frame * FRAME for n, frame in track["indexes"].items()}
        assert f"pre-emphasis: {'true' if number == 10 else 'false'}" in part
    assert f"offset: {report['disc']['frames'] * FRAME}\n" in lead_out
    assert "number: 170" in lead_out


def test_flac_decodes_the_archive_to_the_image(release: Path) -> None:
    """`flac -t` checks the sound against the MD5 sum inside, which is that of the image's PCM."""
    archive = release / "disc/TWE-074.flac"
    done = subprocess.run([program("flac", "flac"), "-t", archive], capture_output=True, check=True)
    assert re.search(rb"\bok\s*$", done.stderr)
    md5 = output_of("metaflac", "--show-md5sum", archive, package="flac").strip()
    image = release / "disc/TWE-074.wav"
    command = ["ffmpeg", "-v", "error", "-i", image, "-f", "md5", "-c:a", "pcm_s16le", "-"]
    assert output_of(*command, package="ffmpeg").strip() == f"MD5={md5}"


def test_pdftotext_reads_the_pq_sheet(release: Path, report: dict[str, Any]) -> None:
    text = output_of("pdftotext", "-layout", release / "disc/pq-sheet.pdf", "-",
                     package="poppler-utils")  # fmt: skip
    assert text.count("\f") == 1  # one page
    tokens = text.split()
    for (title, _, _), isrc in zip(ROWS, ISRCS, strict=True):
        assert title in text
        assert f"{isrc[:2]}-{isrc[2:5]}-{isrc[5:7]}-{isrc[7:]}" in tokens
    for track in report["tracks"]:
        for number, frame in track["indexes"].items():
            if (track["number"], number) != (1, "00"):
                assert f"{frames_text(frame)} {frames_text(frame + 150)}" in " ".join(tokens)
    assert {frames_text(report["disc"]["frames"] + n) for n in (0, 150)} <= set(tokens)
    sums = (release / "SHA256SUMS").read_text(encoding="utf-8").splitlines()  # see below
    digests = {name: digest for digest, name in (line.split("  ") for line in sums)}
    run_on = "".join(tokens)
    for name in ("disc/TWE-074.wav", "disc/TWE-074.cue"):
        assert digests[name] in run_on


def test_sha256sum_agrees(release: Path) -> None:
    command = [program("sha256sum", "coreutils"), "--check", "--strict", "SHA256SUMS"]
    done = subprocess.run(command, cwd=release, capture_output=True, text=True, check=True)
    assert done.stdout.count(": OK\n") == 11


@pytest.mark.parametrize("number", [4, 6])
def test_ffmpeg_reads_the_loudness_of_a_track(
    release: Path, report: dict[str, Any], tmp_path: Path, number: int
) -> None:
    """From its index 01 to the next; ebur128 (BS.1770) rounds to 0.1."""
    tracks = report["tracks"]
    start, end = (tracks[n]["start_frame"] * FRAME for n in (number - 1, number))
    pcm, rate_hz = soundfile.read(
        release / "disc/TWE-074.wav", dtype="int16", start=start, stop=end
    )
    soundfile.write(tmp_path / "track.wav", pcm, rate_hz)
    track = tracks[number - 1]["disc"]
    read = ebur128(tmp_path / "track.wav", peak=True)
    assert read["I"] == pytest.approx(track["integrated_lufs"], abs=0.06)
    assert read["Peak"] == pytest.approx(track["true_peak_dbtp"], abs=0.15)


def test_check_says_the_same_times(release: Path, report: dict[str, Any]) -> None:
    document = check(load(release.parents[1] / "songs.yaml")).as_json()
    assert document["disc"] == report["disc"]
    assert document["disc"]["fits"]
    assert "long-disc" in {f["code"] for f in document["findings"]}
