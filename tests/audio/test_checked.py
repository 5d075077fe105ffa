"""A source is read only as long as it matches its digest.

SHA-256 is compared with sha256sum in `tests/release`, and with hashlib here.
"""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile

from assembler.audio import Recording, open_recording
from assembler.digest import (
    BLOCK_BYTES,
    CheckedFile,
    SourceDigest,
    file_stamp,
    is_settled,
    source_digest,
)
from assembler.errors import SourceError

RATE_HZ = 44100
SOUND = np.random.default_rng(5).uniform(-0.5, 0.5, (8 * RATE_HZ, 2))


def written(path: Path, sound: np.ndarray = SOUND) -> Path:
    """Write sound in the format of a file's extension."""
    kinds = {".flac": "PCM_24", ".aiff": "PCM_24", ".w64": "PCM_16", ".caf": "FLOAT"}
    if path.suffix in (".m4a", ".mp3", ".ogg", ".aac"):
        master = path.with_name("master.wav")
        soundfile.write(master, sound, RATE_HZ, subtype="PCM_24")
        codecs = {".m4a": "alac", ".mp3": "libmp3lame", ".ogg": "libvorbis", ".aac": "aac"}
        command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", "-i", master]
        subprocess.run([*command, "-c:a", codecs[path.suffix], path], check=True)
        if path.name == "cut.aac":
            path.write_bytes(path.read_bytes()[:-10])
    elif path.name == "float.wav":
        soundfile.write(path, sound, RATE_HZ, subtype="FLOAT")
    else:
        soundfile.write(path, sound, RATE_HZ, subtype=kinds.get(path.suffix, "PCM_24"))
    return path


def samples(recording: Recording, start: int = 0) -> np.ndarray:
    return np.concatenate(list(recording.blocks(start, recording.frames)))


NAMES = (
    "a.wav", "float.wav", "a.flac", "a.aiff", "a.w64", "a.caf", "a.mp3", "a.ogg", "a.m4a", "a.aac",
    "cut.aac",
)  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_every_kind_of_file_reads_the_same_with_a_digest(tmp_path: Path, name: str) -> None:
    path = written(tmp_path / name)
    plain, checked = tmp_path / "plain", tmp_path / "checked"
    for folder in (plain, checked):
        folder.mkdir()
    digest = source_digest(path)
    assert digest.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    with_digest = open_recording((path,), checked, {path: digest})
    assert with_digest.sha256s == [digest.sha256]
    assert bool(with_digest.doubts) == (name == "cut.aac")
    for start in (0, 100_001):
        expected = samples(open_recording((path,), plain), start)
        assert len(expected) > 60_000 - start
        np.testing.assert_array_equal(samples(with_digest, start), expected)
    assert all(one.name.startswith("decoded-") for one in checked.iterdir())


def replaced(path: Path) -> None:
    written(path, SOUND[::-1])


def cut(path: Path) -> None:
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size * 2 // 3)


def of_another_rate(path: Path) -> None:
    """The same samples, another rate in the header only."""
    content = bytearray(path.read_bytes())
    at = content.find(RATE_HZ.to_bytes(4, "little"))
    content[at : at + 4] = (48000).to_bytes(4, "little")
    path.write_bytes(content)


@pytest.mark.parametrize(
    ("name", "change"),
    [
        *((name, change) for name in ("a.wav", "a.flac", "a.mp3") for change in (replaced, cut)),
        *((name, of_another_rate) for name in ("a.wav", "float.wav")),
        ("a.m4a", replaced),
    ],
)  # fmt: skip
def test_changed_content_is_never_read(
    tmp_path: Path, name: str, change: Callable[[Path], None]
) -> None:
    path = written(tmp_path / name)
    digest = source_digest(path)
    recording = open_recording((path,), None, {path: digest})
    change(path)
    with pytest.raises(SourceError, match="has changed while it was read: build again") as error:
        samples(open_recording((path,), tmp_path, {path: digest}) if name == "a.m4a" else recording)
    assert error.value.code == "changed-source"
    assert not list(tmp_path.glob("decoded-*"))


def test_a_header_of_another_file_is_detected(tmp_path: Path) -> None:
    """The header of one file and the digest of another, as when a file is replaced in between."""
    path = written(tmp_path / "a.flac")
    recording = open_recording((path,))
    soundfile.write(path, SOUND, 48000, subtype="PCM_16")
    file = recording.files[0]
    object.__setattr__(file, "digest", source_digest(path))
    with pytest.raises(SourceError, match="has changed"):
        samples(recording)


@pytest.mark.parametrize("size", [0, 1, BLOCK_BYTES - 1, BLOCK_BYTES, 2 * BLOCK_BYTES + 17])
def test_bytes_are_read_unless_they_changed(tmp_path: Path, size: int) -> None:
    content = np.random.default_rng(size).bytes(size)
    path = tmp_path / "a"
    path.write_bytes(content)
    digest = SourceDigest.from_json(source_digest(path).as_json())
    with io.BufferedReader(CheckedFile(path, digest), 1000) as file:
        assert file.read() == content
        assert file.seek(-min(size, 5), os.SEEK_END) == size - min(size, 5)
        assert file.read() == content[size - min(size, 5) :]
        assert file.seek(size // 2) == file.tell() == size // 2
        assert file.read(3) == content[size // 2 : size // 2 + 3]
    for at in {0, size // 2, size - 1} if size else ():
        broken = bytearray(content)
        broken[at] ^= 1
        path.write_bytes(broken)
        with CheckedFile(path, digest) as raw:
            got = raw.readall()
            assert raw.is_changed
            assert got == content[: at // BLOCK_BYTES * BLOCK_BYTES]


def test_a_file_that_was_just_written_may_change_without_a_trace(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"one")
    now = time.time_ns()
    size, _, _ = file_stamp(path)
    assert not is_settled((size, now, now))
    assert is_settled((size, now - 200_000_001, now - 200_000_001))
    whole_second = now // 1_000_000_000 * 1_000_000_000
    assert not is_settled((size, whole_second - 1_000_000_000, whole_second - 1_000_000_000))
    assert is_settled((size, whole_second - 3_000_000_000, whole_second - 3_000_000_000))
    assert not is_settled((size, now + 10**15, now + 10**15))  # from a clock that is ahead
