"""Files from outside: no pipe or device is waited for, no long file is read, every encoding that
mail programs and spreadsheets save is read correctly. Byte-order marks: The Unicode Standard,
section 23.8 (from memory); Windows-1252 text is made by Python's own codec."""

from __future__ import annotations

import os
import socket
import tempfile
from pathlib import Path

import pytest
from desk import Desk, hum

from assembler.errors import FindingsError
from assembler.text_files import OutsideFile

NAMES = "Sørlys – “Låvard”\n"


def outside(path: Path, most_bytes: int = 1000) -> OutsideFile:
    return OutsideFile(path, "song list", most_bytes)


def refused(path: Path, code: str) -> str:
    """Check that a file is refused with one finding, and return its message."""
    with pytest.raises(FindingsError) as stopped:
        outside(path).read_any_text()
    (finding,) = stopped.value.findings
    assert (finding.code, finding.file) == (code, str(path))
    return finding.message


@pytest.mark.parametrize(
    ("encoding", "name"),
    [
        ("utf-8", "UTF-8"),
        ("utf-8-sig", "UTF-8"),
        ("cp1252", "Windows-1252 (Latin-1)"),
        ("utf-16", "UTF-16-LE"),
        ("utf-16-le", "UTF-16-LE"),
        ("utf-16-be", "UTF-16-BE"),
        ("utf-32", "UTF-32-LE"),
    ],
)
def test_text_is_read_in_the_encoding_it_was_saved_in(
    tmp_path: Path, encoding: str, name: str
) -> None:
    path = tmp_path / "songs.txt"
    path.write_bytes(NAMES.encode(encoding))
    assert outside(path).read_any_text() == (NAMES, name)


def test_every_latin_1_letter_is_read(tmp_path: Path) -> None:
    letters = "".join(map(chr, range(0xA0, 0x100)))
    path = tmp_path / "songs.txt"
    path.write_bytes(letters.encode("latin-1"))
    assert outside(path).read_any_text()[0] == letters
    path.write_bytes(b"S\xf8rlys \x81")  # 81 has no letter in Windows-1252
    assert outside(path).read_any_text() == ("Sørlys \x81", "Latin-1")


@pytest.mark.parametrize("content", [b"\0" * 40, b"a\0\0b", b"\xff\xfe\x00", b"\xff\xfe\x00\xd8"])
def test_a_file_that_is_not_text_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "songs.txt"
    path.write_bytes(content)
    assert "not text" in refused(path, "not-text")


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "songs.txt"
    os.mkfifo(path)
    assert "is a pipe: save it as a file" in refused(path, "unreadable-song-list")


def test_devices_sockets_and_folders_are_refused(tmp_path: Path) -> None:
    assert "is a device" in refused(Path("/dev/zero"), "unreadable-song-list")
    assert "is a folder" in refused(tmp_path, "unreadable-song-list")
    assert "no such file" in refused(tmp_path / "gone.txt", "unreadable-song-list")
    with tempfile.TemporaryDirectory() as short, socket.socket(socket.AF_UNIX) as made:
        made.bind(f"{short}/s")
        assert "is a socket" in refused(Path(short) / "s", "unreadable-song-list")


def test_a_link_is_followed_and_a_loop_refused(tmp_path: Path) -> None:
    (tmp_path / "songs.txt").write_text(NAMES, encoding="utf-8")
    (tmp_path / "link").symlink_to("songs.txt")
    assert outside(tmp_path / "link").read_text() == NAMES
    (tmp_path / "loop").symlink_to("loop")
    assert "symbolic links" in refused(tmp_path / "loop", "unreadable-song-list")


def test_the_bound_is_a_bound(tmp_path: Path) -> None:
    path = tmp_path / "songs.txt"
    path.write_bytes(b"a" * 1000)
    assert len(outside(path).read_bytes()) == 1000
    path.write_bytes(b"a" * 1001)
    assert "longer than 0.001 MB" in refused(path, "song-list-too-long")
    with path.open("wb") as file:
        file.truncate(10**12)  # sparse: no space on the drive, none in memory
    refused(path, "song-list-too-long")


@pytest.mark.parametrize("command", ["check", "build", "measure", "draft", "split", "approve"])
def test_no_command_waits_for_a_pipe(desk: Desk, command: str) -> None:
    pipe = desk.folder / "pipe.yaml"
    os.mkfifo(pipe)
    desk.sound("side.wav", hum())
    arguments = {
        "draft": (desk.folder, "--out", desk.folder / "m.yaml", "--titles", pipe),
        "split": (desk.folder / "side.wav", "--titles", pipe),
        "approve": (pipe, desk.write()),
    }
    line = desk.error_line(command, *arguments.get(command, (pipe,)))
    assert f"{pipe}: this is a pipe: save it as a file first" in line
