"""The demo release, read back by other programs: cueprint, libcdio, ffprobe, ffmpeg, pdftotext.

What is expected comes from the manifest; the tolerances are the promises of the project's design.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from long_runs import series
from outside import (
    by_mediainfo,
    ebur128,
    output_of,
    program,
    streams_by_ffmpeg,
    tags_by_ffprobe,
    true_peak_16,
)

from assembler import build, check, load, verify
from assembler.finished.release_folder import read_checksums
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.text import frames_text

pytestmark = pytest.mark.thorough

CEILING_DBTP = -1.0


def _image(built) -> Path:
    return built.folder / "disc" / "TWE-014.wav"


def _cue(built) -> Path:
    return built.folder / "disc" / "TWE-014.cue"


def _files(built, name: str) -> list[Path]:
    files = sorted((built.folder / "download" / name).iterdir())
    assert len(files) == len(built.tracks)
    return files


def test_every_promised_file_is_there(demo):
    names = {path.relative_to(demo.folder).as_posix() for path in demo.folder.rglob("*")}
    assert {
        "disc/TWE-014.wav",
        "disc/TWE-014.cue",
        "disc/MD5SUMS",
        "disc/to-plant.txt",
        "download/cover.jpg",
        "download/flac-24/01 Low Lantern.flac",
        "download/mp3-320/08 Harbour Psalm (live).mp3",
        "paper/credits-sheet.pdf",
        "paper/credits-sheet.txt",
        "paper/logos/tidewrack.svg",
        "paper/templates/booklet.pdf",
        "paper/templates/disc-label.pdf",
        "paper/templates/tray-card.pdf",
        "report.json",
        "manifest.yaml",
    } <= names
    assert (demo.folder / "SHA256SUMS").is_file()
    assert set(demo.report.made) <= names


def test_sha256sum_accepts_the_checksums(demo):
    program("sha256sum", "coreutils")
    subprocess.run(["sha256sum", "--quiet", "-c", "SHA256SUMS"], cwd=demo.folder, check=True)


def test_verify_agrees(demo, segue_at_44100):
    for built in (demo, segue_at_44100):
        report = verify(built.folder)
        assert report.ok, report.findings


def test_image_is_as_long_as_the_check_says(demo):
    disc = check(demo.source).as_json()["disc"]
    found = soundfile.info(str(_image(demo)))
    assert found.frames == disc["frames"] * SAMPLES_PER_FRAME
    assert (found.samplerate, found.channels, found.subtype) == (44100, 2, "PCM_16")
    assert disc["time"] == frames_text(disc["frames"])


@pytest.mark.wants("cueprint")
def test_cueprint_reads_the_cue_sheet(demo):
    """cueprint (cuetools, on its own cue parser) prints the manifest's texts."""
    release = output_of("cueprint", "-d", "%P|%T|%N\n", _cue(demo), package="cuetools").strip()
    assert release == "Halden Ferry Singers|Songs for Slack Water|8"
    printed = output_of("cueprint", "-t", "%n|%t|%i\n", _cue(demo), package="cuetools")
    rows = [line.split("|") for line in printed.splitlines() if line]
    expected = [
        [str(t["number"]), t["title"].replace("’", "'"), t["isrc"] or ""] for t in demo.tracks
    ]
    assert [[n.lstrip("0"), title, isrc] for n, title, isrc in rows] == expected


@pytest.mark.wants("cd-info")
def test_libcdio_reads_the_image(demo, tmp_path):
    """cd-info (libcdio) finds each track at frame start + 150: LBA 0 is MSF 00:02:00 (MMC).

    libcdio looks for the bare samples in a file of the cue sheet's name with the suffix .bin.
    """
    samples, _ = soundfile.read(str(_image(demo)), dtype="int16")
    (tmp_path / "TWE-014.bin").write_bytes(samples.astype("<i2").tobytes())
    (tmp_path / "TWE-014.cue").write_bytes(_cue(demo).read_bytes())
    printed = output_of(
        "cd-info", "--no-header", "--no-device-info", "--no-cddb", "--cue-file",
        tmp_path / "TWE-014.cue",
        package="libcdio-utils",
    )  # fmt: skip
    rows = re.findall(r"^\s*(\d+): (\d\d:\d\d:\d\d)\s+(\d+) (\w+)", printed, re.MULTILINE)
    expected = [
        (str(t["number"]), frames_text(t["start_frame"] + 150), t["start_frame"])
        for t in demo.tracks
    ]
    tracks = [(number, msf, int(lsn)) for number, msf, lsn, kind in rows if kind == "audio"]
    assert tracks == expected
    leadout = next(int(lsn) for _, _, lsn, kind in rows if kind == "leadout")
    assert leadout == len(samples) // SAMPLES_PER_FRAME
    assert "2000000000145" in printed


def test_pauses_are_silent_and_at_least_as_long_as_the_gap(demo):
    pcm, _ = soundfile.read(str(_image(demo)), dtype="int16")
    asked_s = [2, 2, 2, 3, 0, 3, 2, 3.5]
    for track, gap_s in list(zip(demo.tracks, asked_s, strict=True))[1:]:
        start = track["start_frame"] * SAMPLES_PER_FRAME
        pause = pcm[start - track["gap_frames"] * SAMPLES_PER_FRAME : start]
        assert not pause.any()
        assert track["gap_frames"] >= gap_s * 75 - 1


def test_the_segue_loses_and_adds_nothing(demo):
    """The two tracks cut from one side together are as long as the section of the side."""
    first, second = demo.tracks[3], demo.tracks[4]
    section_samples = round((142.5 - 3) * 44100)
    frames = first["frames"] + second["frames"]
    assert 0 <= frames * SAMPLES_PER_FRAME - section_samples < SAMPLES_PER_FRAME
    assert second["start_frame"] == first["start_frame"] + first["frames"]


def test_track_files_in_a_row_equal_the_image(segue_at_44100):
    image, _ = soundfile.read(str(_image(segue_at_44100)), dtype="int16")
    for name in ("flac-16", "wav-16"):
        parts = [soundfile.read(str(f), dtype="int16")[0] for f in _files(segue_at_44100, name)]
        np.testing.assert_array_equal(np.concatenate(parts), image)


def test_lossless_files_of_one_width_are_one_sound(segue_at_44100):
    """FLAC, WAV and (decoded by ffmpeg) ALAC have the same 24-bit samples."""
    ffmpeg = program("ffmpeg", "ffmpeg")
    triples = zip(
        *(_files(segue_at_44100, n) for n in ("flac-24", "wav-24", "alac-24")), strict=True
    )
    for flac, wav, alac in triples:
        samples, rate = soundfile.read(str(wav), dtype="int32")
        assert rate == 44100
        np.testing.assert_array_equal(soundfile.read(str(flac), dtype="int32")[0], samples)
        decoded = subprocess.run(
            [ffmpeg, "-v", "error", "-i", alac, "-f", "s32le", "-"], capture_output=True, check=True
        ).stdout
        np.testing.assert_array_equal(np.frombuffer(decoded, "<i4").reshape(-1, 2), samples)


@pytest.mark.wants("flac")
def test_flac_accepts_the_flac_files(demo):
    for path in _files(demo, "flac-24"):
        output_of("flac", "-t", "-s", path, package="flac")


def test_ffmpeg_measures_the_target_loudness(demo):
    """ebur128 of ffmpeg (BS.1770) on every lossless file: within 0.1 LU of target and trim."""
    trims = [track.trim for track in demo.source.manifest.tracks]
    for path, trim in zip(_files(demo, "flac-24"), trims, strict=True):
        assert ebur128(path)["I"] == pytest.approx(-14 + trim, abs=0.1), path.name


def test_no_true_peak_above_the_ceiling(demo, segue_at_44100):
    """Independent reading: 16-times oversampling by soxr, at most 0.05 dB above."""
    for path in [*_files(demo, "flac-24")[:: series(1, 4)], _image(segue_at_44100)]:
        assert true_peak_16(path) <= CEILING_DBTP + 0.05, path.name


def test_ffprobe_reads_the_tags(demo, segue_at_44100):
    release = demo.source.manifest.release
    places = [(demo, "flac-24"), (demo, "mp3-320")]
    places += [(segue_at_44100, n) for n in ("wav-16", "alac-24", "aac-256", "opus-160", "mp3-vbr")]
    for built, name in places:
        for path, track in zip(_files(built, name), built.tracks, strict=True):
            tags = tags_by_ffprobe(path)
            assert tags["title"] == track["title"], path
            assert tags["album"] == release.title
            of = f"/{len(built.tracks)}" if name.startswith(("mp3", "alac", "aac")) else ""
            assert tags["track"] == f"{track['number']}{of}"
            assert tags.get("copyright") == release.c_line
            if name == "wav-16":  # with bext there, ffprobe reads the INFO list and no ID3
                assert by_mediainfo(path).get("isrc") == track["isrc"]
                continue
            assert (tags.get("isrc") or tags.get("tsrc")) == track["isrc"], path
            assert release.barcode in (tags.get("barcode"), tags.get("upc"))


def test_mp3_has_its_rate_and_cover(demo):
    for path in _files(demo, "mp3-320"):
        sound, cover = streams_by_ffmpeg(path)
        assert sound["codec"] == "mp3"
        assert ", 320 kb/s" in sound["facts"]
        assert cover["codec"] == "mjpeg"
        assert ", 1000x1000 " in cover["facts"]
        assert "(attached pic)" in cover["facts"]


def test_mp3_decodes_to_the_length_of_its_master(demo):
    """With the LAME header's delay and padding, ffmpeg decodes exactly the master's samples."""
    ffmpeg = program("ffmpeg", "ffmpeg")
    for mp3, flac in zip(_files(demo, "mp3-320"), _files(demo, "flac-24"), strict=True):
        master, rate = soundfile.read(str(flac), dtype="float32")
        if rate not in (44100, 48000):
            continue
        decoded = subprocess.run(
            [ffmpeg, "-v", "error", "-i", mp3, "-f", "f32le", "-"], capture_output=True, check=True
        ).stdout
        sound = np.frombuffer(decoded, "<f4").reshape(-1, 2)
        assert len(sound) == len(master)
        error = sound - master
        assert np.sqrt((error**2).mean()) < 0.05 * np.sqrt((master**2).mean())


def test_sheet_reads_as_the_manifest(demo):
    """pdftotext finds every title, name and code of the manifest in the printed sheet."""
    pdf = demo.folder / "paper" / "credits-sheet.pdf"
    printed = " ".join(output_of("pdftotext", "-layout", pdf, "-", package="poppler-utils").split())
    plain = (demo.folder / "paper" / "credits-sheet.txt").read_text(encoding="utf-8")
    manifest = demo.source.manifest
    for track in manifest.tracks:
        for text in (track.full_title, *track.composers, *track.lyricists):
            assert text in printed
            assert text in plain
    for credit in manifest.credits:
        assert credit.name in printed
        assert credit.name in plain
    for code in ("AA-6Q7-27-00001", "2000000000145", "TWE-014", "℗", "©"):
        assert code in printed
        assert code in plain


def test_join_clips_are_there_and_play(demo):
    clips = sorted((demo.folder / "proof" / "joins").iterdir())
    assert [clip.stem for clip in clips] == [f"0{n}-0{n + 1}" for n in range(1, 8)]
    assert soundfile.info(str(clips[0])).duration == pytest.approx(8 + 2 + 8, abs=0.1)


def test_the_same_disc_for_any_number_of_jobs(segue_at_44100, tmp_path, monkeypatch):
    """Of the disc alone, for its time; `test_killed` compares a whole release with another."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "empty"))
    again = build(load(segue_at_44100.source.path), tmp_path, jobs=1, only=["disc"])
    sums, before = (read_checksums(place) for place in (again.release_dir, segue_at_44100.folder))
    of_disc = {name: sha256 for name, sha256 in sums.items() if name.startswith("disc/")}
    assert len(of_disc) == 8
    assert of_disc.items() <= before.items()


def test_verify_finds_one_changed_byte_in_each_of_three_files(segue_at_44100, tmp_path):
    copy = shutil.copytree(segue_at_44100.folder, tmp_path / segue_at_44100.folder.name)
    changed = {"disc/TWE-014.wav", "disc/TWE-014.cue", "paper/credits-sheet.txt"}
    for name in changed:
        content = bytearray((copy / name).read_bytes())
        content[len(content) // 2] ^= 1
        (copy / name).write_bytes(content)
    assert {f.file for f in verify(copy).findings if f.code == "changed-file"} == changed
