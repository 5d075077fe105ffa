"""Packages: read by zipfile, by Debian's unzip and by sha256sum; reproducible bytes."""

from __future__ import annotations

import os
import subprocess
import unicodedata
import zipfile
from pathlib import Path

import pytest
from download.album import MANIFEST, encoded, picture
from outside import output_of

from assembler.download.packages import package_name, track_list, write_package
from assembler.file_names import track_file_name

TOP = "Halden Ferry Singers - Songs for Slack Water (mp3-vbr)"


@pytest.fixture
def folder(tmp_path, album, music) -> Path:
    """A format's folder: the two tracks' files."""
    made = tmp_path / "mp3-vbr"
    made.mkdir()
    for metadata in album.metadata:
        stem = track_file_name(metadata.title, metadata.number, metadata.disc, metadata.of_discs)
        encoded(made, "mp3-vbr", music[44100][:44100], 44100, stem)
    return made


def write(folder: Path, album, name: str = "", cover: bytes | None = None) -> Path:
    target = folder.parent / (name or package_name(album.manifest, "mp3-vbr"))
    write_package(folder, target, track_list(album.manifest, album.metadata), cover)
    return target


def test_everything_is_inside_one_folder(folder, album):
    target = write(folder, album, cover=picture(300))
    assert target.name == f"{TOP}.zip"
    with zipfile.ZipFile(target) as archive:
        assert archive.testzip() is None
        entries = archive.infolist()
        assert [entry.filename for entry in entries] == [
            f"{TOP}/01 Χαμηλό φανάρι; ή Фонарь-Lantern (live).mp3",
            f"{TOP}/02 Tide Table.mp3",
            f"{TOP}/cover.jpg",
            f"{TOP}/tracklist.txt",
            f"{TOP}/SHA256SUMS",
        ]
        assert {entry.compress_type for entry in entries} == {zipfile.ZIP_STORED}
        assert archive.read(entries[2]) == picture(300)
        for entry, path in zip(entries, sorted(folder.iterdir()), strict=False):
            assert archive.read(entry) == path.read_bytes()


@pytest.mark.wants("unzip")
def test_unzip_and_sha256sum_agree(folder, album, tmp_path):
    target = write(folder, album)
    output_of("unzip", "-q", target, "-d", tmp_path / "out", package="unzip")
    top = tmp_path / "out" / TOP
    assert len(list(top.iterdir())) == 4
    done = subprocess.run(
        ["sha256sum", "-c", "SHA256SUMS"], cwd=top, capture_output=True, text=True, check=True
    )
    assert done.stdout.count(": OK") == 3


def test_the_bytes_depend_on_neither_time_nor_order(folder, album):
    first = write(folder, album).read_bytes()
    for number, path in enumerate(sorted(folder.iterdir(), reverse=True)):
        content = path.read_bytes()
        path.unlink()
        path.write_bytes(content)
        path.chmod(0o600)
        os.utime(path, (1e9 + number, 1e9 + number))
    assert write(folder, album).read_bytes() == first


def test_names_are_composed_unicode_on_every_system(folder, album):
    """Some systems store é as two characters; other systems would not find the file."""
    (folder / unicodedata.normalize("NFD", "03 Été.mp3")).write_bytes(b"sound")
    with zipfile.ZipFile(write(folder, album)) as archive:
        assert f"{TOP}/03 Été.mp3" in archive.namelist()


def test_names_are_safe_on_three_systems(album_of):
    text = MANIFEST.replace("title: Songs for Slack Water", "title: 'AC: Who?/<What>*\\'")
    name = package_name(album_of(text).manifest, "flac-24")
    assert name == "Halden Ferry Singers - AC - Who--What-- (flac-24).zip"
    assert not set(name) & set('<>:"/\\|?*')


def test_the_track_list(album):
    assert track_list(album.manifest, album.metadata) == (
        "Halden Ferry Singers\n"
        "Songs for Slack Water\n"
        "\n"
        "01  Falk/Brenn; Oren: Χαμηλό φανάρι; ή Фонарь/Lantern (live)  3:25\n"
        "02  Tide Table  3:25\n"
        "\n"
        "Tidewrack Editions TWE-014\n"
        "℗ 2027 Tidewrack Editions\n"
        "© 2027 Tidewrack Editions\n"
    )


def test_the_track_list_of_two_discs(album_of):
    text = MANIFEST.replace("    gap: 0\n", "    disc: 2\n")
    album = album_of(text)
    lines = track_list(album.manifest, album.metadata).splitlines()
    assert [line for line in lines if line.startswith(("Disc", "01"))] == [
        "Disc 1",
        "01  Falk/Brenn; Oren: Χαμηλό φανάρι; ή Фонарь/Lantern (live)  3:25",
        "Disc 2",
        "01  Tide Table  3:25",
    ]
