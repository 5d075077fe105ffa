"""First manifests from a folder of recordings: file names in natural order, pairs of
sides, tags; common practice, no source."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import mutagen.flac
import numpy as np
import pytest
from desk import Desk, contents, hum

from assembler import check, load
from assembler.manifest import Manifest


def takes(desk: Desk, *names: str) -> Path:
    """Return a folder with small mono recordings of these names."""
    folder = desk.folder / "takes"
    folder.mkdir(exist_ok=True)
    for name in names:
        shutil.copy(desk.folder / "a.wav", folder / name)
    return folder


def filled(path: Path) -> Path:
    """Fill in the required keys that a draft leaves empty."""
    text = path.read_text(encoding="utf-8")
    assert text.count("  artist:\n  title:\n") == 1
    text = text.replace(
        "  artist:\n  title:\n", "  artist: Halden Ferry Singers\n  title: Slack Water\n"
    )
    path.write_text(text, encoding="utf-8")
    return path


def drafted(desk: Desk, folder: Path, *more: str | Path) -> Manifest:
    """Draft a manifest, fill it in, check that it loads, and return it."""
    code, out, _ = desk.run("draft", folder, *more)
    assert code == 0
    path = folder / "manifest.yaml"
    assert str(path) in out
    source = load(filled(path))
    report = check(source)
    assert report.ok, report.findings
    assert desk.run("check", path)[0] == 0
    return source.manifest


def songs(desk: Desk, text: str) -> Path:
    """Write a song list."""
    path = desk.folder / "songs.txt"
    path.write_text(text, encoding="utf-8")
    return path


def titles(manifest: Manifest) -> list[str]:
    return [track.title for track in manifest.tracks]


def test_files_come_in_natural_order(desk: Desk) -> None:
    names = ["10 Ten.wav", "2 Two.wav", "1 One.wav", "11 Eleven.wav", "03 Three.wav"]
    manifest = drafted(desk, takes(desk, *names))
    files = [track.audio.file for track in manifest.tracks]
    assert files == ["1 One.wav", "2 Two.wav", "03 Three.wav", "10 Ten.wav", "11 Eleven.wav"]
    assert titles(manifest) == ["One", "Two", "Three", "Ten", "Eleven"]


def test_other_files_and_folders_are_ignored(desk: Desk) -> None:
    folder = takes(desk, "one.wav", "two.WAV")
    (folder / "notes.txt").write_text("tape 1")
    (folder / "cover.png").write_bytes(b"")
    (folder / "old.wav").mkdir()
    manifest = drafted(desk, folder)
    assert [track.audio.file for track in manifest.tracks] == ["one.wav", "two.WAV"]


@pytest.mark.parametrize(
    ("left", "right", "title"),
    [
        ("Ropewalk Round L.wav", "Ropewalk Round R.wav", "Ropewalk Round"),
        ("ropewalk-L.wav", "ropewalk-R.wav", "ropewalk"),
        ("ropewalk.l.wav", "ropewalk.r.wav", "ropewalk"),
        ("Ropewalk_left.wav", "Ropewalk_right.wav", "Ropewalk"),
    ],
)
def test_two_channels_are_one_track(desk: Desk, left: str, right: str, title: str) -> None:
    manifest = drafted(desk, takes(desk, left, right, "zz other.wav"))
    assert [track.audio.paths for track in manifest.tracks] == [(left, right), ("zz other.wav",)]
    assert titles(manifest)[0] == title


def test_one_channel_alone_is_a_track(desk: Desk) -> None:
    manifest = drafted(desk, takes(desk, "ropewalk-L.wav", "tide-R.wav"))
    assert [track.audio.file for track in manifest.tracks] == ["ropewalk-L.wav", "tide-R.wav"]


def test_stereo_files_are_not_channels(desk: Desk) -> None:
    folder = takes(desk)
    for name in ("ropewalk-L.wav", "ropewalk-R.wav"):
        desk.sound(f"takes/{name}", np.tile(hum()[:, None], 2))
    assert len(drafted(desk, folder).tracks) == 2


def test_songs_that_differ_in_their_last_letter_are_not_channels(desk: Desk) -> None:
    manifest = drafted(desk, takes(desk, "peal.wav", "pear.wav"))
    assert titles(manifest) == ["peal", "pear"]


@pytest.mark.parametrize(
    "names",
    [
        ["7 Fathoms.wav", "99 Ropes.wav"],
        ["1999.wav", "2000.wav"],
        ["12 Bells.wav", "Low Lantern.wav"],
    ],
)
def test_numbers_that_are_not_running_numbers_belong_to_the_title(
    desk: Desk, names: list[str]
) -> None:
    manifest = drafted(desk, takes(desk, *names))
    assert titles(manifest) == [name.removesuffix(".wav") for name in names]


def test_tags_are_read(desk: Desk) -> None:
    folder = takes(desk)
    path = desk.sound("takes/01.flac", hum())
    file = mutagen.flac.FLAC(path)
    file["title"], file["isrc"] = "Low Lantern: a round", "AA6Q72000047"
    file.save()
    desk.sound("takes/02 Tide Table.flac", hum())
    manifest = drafted(desk, folder)
    assert titles(manifest) == ["Low Lantern: a round", "Tide Table"]
    assert [track.isrc for track in manifest.tracks] == ["AA6Q72000047", None]


def test_a_tag_that_is_not_an_isrc_is_left_out(desk: Desk) -> None:
    folder = takes(desk)
    file = mutagen.flac.FLAC(desk.sound("takes/01.flac", hum()))
    file["isrc"] = "to follow"
    file.save()
    assert drafted(desk, folder).tracks[0].isrc is None


def test_titles_from_a_song_list_go_to_the_files_in_order(desk: Desk) -> None:
    folder = takes(desk, "take 1.wav", "take 2.wav", "take 10.wav")
    manifest = drafted(desk, folder, "--titles", songs(desk, "1. 1999\n2. No\n3. 7 Fathoms 3:10\n"))
    assert titles(manifest) == ["1999", "No", "7 Fathoms"]
    assert [track.audio.file for track in manifest.tracks] == [
        "take 1.wav",
        "take 2.wav",
        "take 10.wav",
    ]


@pytest.mark.parametrize(
    "title",
    [
        'Say "Ahoy"',
        "Tide: a table",
        "# 1",
        "- dash",
        "null",
        "~",
        "3:10",
        "{x}",
        "[y]",
        "*star",
        "&and",
        "!bang",
        "back\\slash",
        "🌊 מים",
        "yes",
        "'tis",
        "A",
        "trailing: ",
    ],
)
def test_any_title_survives_the_draft(desk: Desk, title: str) -> None:
    folder = takes(desk, "one.wav", "two.wav")
    listed = songs(desk, f"1. {title}\n2. Tide Table\n")
    assert titles(drafted(desk, folder, "--titles", listed)) == [title.strip(), "Tide Table"]


def test_fewer_titles_than_files(desk: Desk) -> None:
    folder = takes(desk, "one.wav", "two.wav", "three.wav")
    listed = songs(desk, "Low Lantern\n")
    code, document = desk.json("draft", folder, "--titles", listed)
    assert code == 0
    assert f"{listed}: 1 song for 3 recordings" in document["remarks"]
    assert "two.wav: not in the song list; added at the end" in document["remarks"]
    manifest = load(filled(folder / "manifest.yaml")).manifest
    assert titles(manifest) == ["Low Lantern", "three", "two"]


def test_more_titles_than_files(desk: Desk) -> None:
    folder = takes(desk, "one.wav", "two.wav")
    listed = songs(desk, "Low Lantern\nTide Table\nBell Buoy\n")
    code, _, err = desk.run("draft", folder, "--titles", listed)
    assert code == 0
    assert "3 songs for 2 recordings" in err
    assert "Bell Buoy" in err
    manifest = load(filled(folder / "manifest.yaml")).manifest
    assert titles(manifest) == ["Low Lantern", "Tide Table"]


def test_an_existing_manifest_is_not_overwritten(desk: Desk) -> None:
    folder = takes(desk, "one.wav")
    (folder / "manifest.yaml").write_text("my own work")
    before = contents(folder)
    exists = "the file exists already: name another file with --out"
    assert desk.error_line("draft", folder) == f"{folder / 'manifest.yaml'}: {exists}"
    assert contents(folder) == before


def test_paths_are_relative_to_the_manifests_folder(desk: Desk) -> None:
    folder = takes(desk, "one.wav", "deep name.wav")
    target = desk.folder / "work" / "songs.yaml"
    target.parent.mkdir()
    assert desk.run("draft", folder, "--out", target)[0] == 0
    source = load(filled(target))
    assert [track.audio.file for track in source.manifest.tracks] == [
        "../takes/deep name.wav",
        "../takes/one.wav",
    ]
    assert check(source).ok
    assert not (folder / "manifest.yaml").exists()


@pytest.mark.parametrize(
    ("folder", "fault"),
    [
        ("nowhere", "this is not a folder: name the folder of the audio files"),
        ("a.wav", "this is not a folder: name the folder of the audio files"),
        ("bare", "no audio file in this folder: put the recordings there"),
    ],
)
def test_folders_without_recordings(desk: Desk, folder: str, fault: str) -> None:
    (desk.folder / "bare").mkdir()
    before = contents(desk.folder)
    assert desk.error_line("draft", desk.folder / folder) == f"{desk.folder / folder}: {fault}"
    assert contents(desk.folder) == before


def test_a_missing_song_list_is_reported_as_such(desk: Desk) -> None:
    folder = takes(desk, "one.wav")
    listed = desk.folder / "gone.txt"
    line = desk.error_line("draft", folder, "--titles", listed)
    assert line == f"error {listed}: no such file or directory: check the path"
    assert not (folder / "manifest.yaml").exists()


@pytest.mark.parametrize("encoding", ["latin-1", "utf-8-sig", "utf-16"])
def test_song_list_in_the_encoding_of_a_mail_program(desk: Desk, encoding: str) -> None:
    folder = takes(desk, "one.wav")
    listed = desk.folder / "songs.txt"
    listed.write_bytes("Sørlys\r\n".encode(encoding))
    assert titles(drafted(desk, folder, "--titles", listed)) == ["Sørlys"]


def test_manifest_in_a_missing_folder(desk: Desk) -> None:
    folder = takes(desk, "one.wav")
    path = desk.folder / "gone" / "m.yaml"
    line = desk.error_line("draft", folder, "--out", path)
    assert line.startswith(f"{path}: the file can't be written: no such file or directory")


def test_file_name_that_is_not_utf_8(desk: Desk) -> None:
    """Names from old archives may be Latin-1, and the system returns them."""
    folder = takes(desk, "one.wav")
    name = os.fsencode(folder) + b"/S\xf8rlys.wav"
    try:
        shutil.copy(desk.folder / "a.wav", name)
    except OSError:
        pytest.skip("this file system accepts UTF-8 names only")
    code, out, err = desk.run("draft", folder)
    assert code in (0, 1)
    assert "Traceback" not in out + err
    if code == 1:
        assert not (folder / "manifest.yaml").exists()
    else:
        assert check(load(filled(folder / "manifest.yaml"))).ok


def test_unreadable_recordings_are_drafted_and_reported_by_check(desk: Desk) -> None:
    folder = takes(desk, "one.wav")
    (folder / "two.wav").write_text("no sound")
    assert desk.run("draft", folder)[0] == 0
    path = filled(folder / "manifest.yaml")
    code, document = desk.json("check", path)
    errors = [f["where"] for f in document["findings"] if f["severity"] == "error"]
    assert (code, errors) == (1, ["tracks[1].audio"])
