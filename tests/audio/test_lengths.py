"""Declared and actual length of files, in every format that is read.

Each file is written by libsndfile or ffmpeg and cut by the test; the cut decides what is expected.
Where a container declares no length, an end in the middle of a packet is a warning.
"""

from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from desk import MANIFEST, Desk

from assembler import check, load
from assembler.audio import Recording, open_recording
from assembler.audio.declared_length import declared_bytes
from assembler.audio.endings import count_packets, mpeg_packet
from assembler.audio.ffmpeg import ffmpeg_program
from assembler.errors import SourceError

RATE_HZ, SECONDS = 44100, 3
BY_LIBSNDFILE = {
    "au": ("AU", "PCM_16"), "little.au": ("AU", "PCM_24"), "rifx.wav": ("WAV", "PCM_16"),
    "ima.wav": ("WAV", "IMA_ADPCM"), "ms.wav": ("WAV", "MS_ADPCM"), "law.wav": ("WAV", "ULAW"),
    "nist": ("NIST", "PCM_16"), "voc": ("VOC", "PCM_16"), "avr": ("AVR", "PCM_16"),
    "5.mat": ("MAT5", "PCM_16"), "float.mat": ("MAT5", "FLOAT"), "4.mat": ("MAT4", "PCM_16"),
    "svx": ("SVX", "PCM_16"), "mpc": ("MPC2K", "PCM_16"), "ima.aiff": ("AIFF", "IMA_ADPCM"),
    "wav": ("WAV", "PCM_24"), "aiff": ("AIFF", "FLOAT"), "w64": ("W64", "PCM_24"),
    "rf64": ("RF64", "PCM_16"), "caf": ("CAF", "PCM_16"), "flac": ("FLAC", "PCM_16"),
    "mp3": ("MP3", "MPEG_LAYER_III"),
}  # fmt: skip
"""Formats whose header declares a length."""
UNDECLARED = {
    "ogg": ("OGG", "VORBIS"), "opus": ("OGG", "OPUS"), "paf": ("PAF", "PCM_16"),
    "24.paf": ("PAF", "PCM_24"), "sf": ("IRCAM", "PCM_16"), "pvf": ("PVF", "PCM_16"),
}  # fmt: skip
BY_FFMPEG = {
    "aac": (), "ac3": (), "eac3": (), "mp2": (), "oga": ("-c:a", "flac"),
    "plain.mp3": ("-b:a", "128k", "-write_xing", "0"), "vbr.mp3": ("-q:a", "4", "-write_xing", "0"),
}  # fmt: skip


def sound(channels: int) -> np.ndarray:
    """Return noise that begins loud and ends soft: its first frame differs from the rest."""
    level = np.linspace(0.3, 0.001, RATE_HZ * SECONDS)[:, None]
    noise: np.ndarray = np.random.default_rng(1).normal(0, 1, (len(level), channels)) * level
    return noise.clip(-0.99, 0.99)


def made(folder: Path, name: str, channels: int = 1) -> Path:
    """Write a file of a format."""
    path = folder / f"take.{name}"
    if name in BY_FFMPEG:
        source = folder / "source.wav"
        soundfile.write(source, sound(channels), RATE_HZ)
        command = [ffmpeg_program(), "-v", "error", "-i", source, *BY_FFMPEG[name], path]
        subprocess.run(command, check=True)
        source.unlink()
        return path
    kind, subtype = (BY_LIBSNDFILE | UNDECLARED)[name]
    endian = {"rifx.wav": "BIG", "little.au": "LITTLE"}.get(name)
    rate_hz = 48000 if subtype == "OPUS" else RATE_HZ
    soundfile.write(path, sound(channels), rate_hz, subtype=subtype, format=kind, endian=endian)
    return path


def cut(path: Path, size: int) -> None:
    """Keep only the first bytes of a file."""
    path.write_bytes(path.read_bytes()[:size])


def read_s(path: Path, scratch: Path) -> tuple[float, Recording]:
    """Read a whole file, as a build does; return its seconds."""
    recording = open_recording((path,), scratch)
    frames = sum(len(block) for block in recording.blocks(0, recording.frames))
    return frames / recording.rate_hz, recording


@pytest.mark.parametrize("name", [*BY_LIBSNDFILE, *UNDECLARED, *BY_FFMPEG])
@pytest.mark.parametrize("channels", [1, 2])
def test_whole_files_are_read_completely_without_a_warning(
    tmp_path: Path, name: str, channels: int
) -> None:
    if name == "svx":
        channels = 1  # libsndfile writes it in mono only
    path = made(tmp_path, name, channels)
    seconds, recording = read_s(path, tmp_path)
    expected_s = SECONDS * (RATE_HZ / 48000 if name == "opus" else 1)
    assert seconds == pytest.approx(expected_s, abs=0.06)  # packets are padded
    assert recording.doubts == ()


FAULTS = {
    "caf": "this is not audio in a readable format",
    "flac": "the file is damaged after 0:00.00",
    "mp3": "the file ends at 0:0",
}
"""Where the container does not declare the length of its sound in bytes."""


@pytest.mark.parametrize("name", BY_LIBSNDFILE)
@pytest.mark.parametrize("share", [0.35, 0.6, 0.95])
def test_fewer_samples_than_declared_are_refused(tmp_path: Path, name: str, share: float) -> None:
    path = made(tmp_path, name)
    cut(path, int(path.stat().st_size * share) // 4 * 4)
    with pytest.raises(SourceError) as refused:
        read_s(path, tmp_path)
    message = str(refused.value)
    assert message.startswith(f"{path}: {FAULTS.get(name, 'the file is truncated: its header')}")
    if name not in FAULTS:
        found = re.search(r"declares 0:(0[\d.]+).*the file has 0:(0[\d.]+)", message)
        assert found
        declared_s, held_s = map(float, found.groups())
        assert declared_s == pytest.approx(SECONDS, abs=0.2)
        assert held_s == pytest.approx(share * SECONDS, abs=0.2)


@pytest.mark.parametrize("name", [*UNDECLARED, *BY_FFMPEG])
def test_an_end_inside_a_packet_is_a_warning(tmp_path: Path, name: str) -> None:
    path = made(tmp_path, name)
    cut(path, path.stat().st_size * 3 // 5 // 2 * 2 - 401)
    seconds, recording = read_s(path, tmp_path)
    assert seconds < 0.8 * SECONDS
    (doubt,) = recording.doubts
    assert "may be truncated: it ends in the middle of a" in doubt
    assert path.name in doubt


@pytest.mark.parametrize("name", ["ogg", "opus", "oga"])
def test_an_ogg_file_cut_between_pages_has_no_end_page(tmp_path: Path, name: str) -> None:
    path = made(tmp_path, name)
    content = path.read_bytes()
    cut(path, content.rindex(b"OggS", 0, len(content) * 4 // 5))
    _, recording = read_s(path, tmp_path)
    (doubt,) = recording.doubts
    assert "not marked as the last" in doubt


def test_a_possible_cut_is_a_warning_in_check_and_measure(desk: Desk) -> None:
    path = made(desk.folder, "ogg")
    cut(path, path.stat().st_size * 3 // 5)
    source = load(desk.write(MANIFEST.replace("a.wav", path.name)))
    (warning,) = (f for f in check(source).findings if f.code == "may-be-cut")
    assert (warning.severity, warning.where, warning.line) == ("warning", "tracks[0].audio", 9)
    _, document = desk.json("measure", path)
    assert "may be truncated" in document["files"][0]["doubts"][0]
    code, out, _ = desk.run("measure", path)
    assert code == 0
    assert f"warning {path}: may be truncated" in out


def test_packets_count_what_ffmpeg_decodes(tmp_path: Path) -> None:
    """A variable bit rate with a soft beginning: a guess from the first frame is far off."""
    path = made(tmp_path, "vbr.mp3", 2)
    packets = count_packets(path, mpeg_packet)
    assert packets is not None
    decoded, _ = read_s(path, tmp_path)
    assert abs(packets.samples / RATE_HZ - decoded) < 0.06
    tagged = tmp_path / "tagged.mp3"
    tagged.write_bytes(path.read_bytes() + b"TAG" + bytes(125))
    assert open_recording((tagged,)).doubts == ()


def giant(path: Path, frames: int) -> None:
    """Write a WAV file of 24 bits at 96 kHz whose size field has wrapped; the file is sparse."""
    size = frames * 6
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 2, 96000, 6 * 96000, 6, 24)
    wrapped = size % (1 << 32)
    with path.open("wb") as file:
        file.write(struct.pack("<4sI4s", b"RIFF", (wrapped + 36) % (1 << 32), b"WAVE"))
        file.write(fmt + struct.pack("<4sI", b"data", wrapped))
        file.truncate(file.tell() + size)


def test_a_wav_file_over_4_gb_is_refused_and_not_read_as_its_first_minutes(tmp_path: Path) -> None:
    path = tmp_path / "side.wav"
    giant(path, 8000 * 96000)  # 2:13:20
    with pytest.raises(SourceError) as refused:
        open_recording((path,))
    assert refused.value.code == "longer-than-promised"
    assert "RF64" in str(refused.value)
    assert "the file has 124:16.54 more after the 9:03.46 that its header declares" in str(
        refused.value
    )
    path.unlink()


def test_sound_after_the_declared_end_is_refused(tmp_path: Path) -> None:
    """A recorder that loses power leaves the length that it last wrote."""
    for name in ("wav", "au", "rifx.wav"):
        path = made(tmp_path, name)
        more = path.read_bytes()[-4 * RATE_HZ :] * 3
        path.write_bytes(path.read_bytes() + more)
        with pytest.raises(SourceError) as refused:
            open_recording((path,))
        assert refused.value.code == "longer-than-promised", name


def test_chunks_and_short_padding_after_the_sound_are_not_sound(tmp_path: Path) -> None:
    path = made(tmp_path, "wav")
    notes = struct.pack("<4sI", b"LIST", 2_000_000) + bytes(2_000_000)
    path.write_bytes(path.read_bytes() + notes + bytes(4096))
    declared = declared_bytes(path)
    assert declared is not None
    assert (declared.is_truncated, declared.after) == (False, 4096)
    assert open_recording((path,)).frames == SECONDS * RATE_HZ
