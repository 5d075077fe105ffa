"""Sources of every kind are read completely, as float samples in both channels.

The expected samples are those that were written; word lengths and rates are the common ones.
"""

from __future__ import annotations

import subprocess
from fractions import Fraction
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile

from assembler.audio import Recording, open_recording
from assembler.errors import SourceError

RNG = np.random.default_rng(7)


def _noise(frames: int, channels: int) -> np.ndarray:
    return RNG.uniform(-0.9, 0.9, (frames, channels))


def _samples(recording: Recording, start: int = 0, end: int | None = None) -> np.ndarray:
    end = recording.frames if end is None else end
    return np.concatenate(list(recording.blocks(start, end)))


@pytest.mark.parametrize("kind", ["WAV", "AIFF", "FLAC", "RF64", "W64", "CAF"])
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("channels", [1, 2])
def test_pcm_is_read_exactly(tmp_path: Path, kind: str, bits: int, channels: int):
    pcm = np.round(_noise(4000, channels) * 2 ** (bits - 1)).astype(np.int32)
    path = tmp_path / f"take.{kind.lower()}"
    soundfile.write(path, pcm << (32 - bits), 44100, subtype=f"PCM_{bits}", format=kind)
    recording = open_recording((path,))
    assert (recording.bits, recording.frames, recording.rate_hz) == (bits, 4000, 44100)
    expected = np.broadcast_to(pcm, (4000, 2)) / 2.0 ** (bits - 1)
    np.testing.assert_array_equal(_samples(recording), expected)


@pytest.mark.parametrize(
    ("kind", "subtype"), [("WAV", "PCM_32"), ("WAV", "DOUBLE"), ("AIFF", "FLOAT")]
)
def test_wider_than_24_bits_is_read_to_float_precision(tmp_path: Path, kind: str, subtype: str):
    sound = _noise(3000, 2) * 1.5 if subtype != "PCM_32" else _noise(3000, 2)
    path = tmp_path / f"take.{kind.lower()}"
    soundfile.write(path, sound, 96000, subtype=subtype, format=kind)
    read = _samples(open_recording((path,)))
    np.testing.assert_allclose(read, sound, atol=2**-23)
    assert np.abs(read).max() > (1 if subtype != "PCM_32" else 0.8)  # above full scale is kept


@pytest.mark.parametrize("rate_hz", [8000, 11025, 32000, 48000, 88200, 96000, 176400, 192000])
def test_rates_from_8_to_192_khz(tmp_path: Path, rate_hz: int):
    path = tmp_path / "take.wav"
    soundfile.write(path, _noise(rate_hz, 2), rate_hz, subtype="PCM_24")
    recording = open_recording((path,))
    assert recording.rate_hz == rate_hz
    assert recording.files[0].duration_s == Fraction(1)


@pytest.mark.parametrize("rate_hz", [7999, 192001])
def test_other_rates_are_refused(tmp_path: Path, rate_hz: int):
    path = tmp_path / "take.wav"
    soundfile.write(path, _noise(1000, 2), rate_hz)
    with pytest.raises(SourceError, match="8000 to 192000 Hz"):
        open_recording((path,))


def test_a_pair_is_left_and_right(tmp_path: Path):
    pcm = np.round(_noise(5000, 2) * 2**23).astype(np.int32)
    paths = (tmp_path / "a-L.wav", tmp_path / "a-R.wav")
    for path, channel in zip(paths, pcm.T, strict=True):
        soundfile.write(path, channel << 8, 96000, subtype="PCM_24")
    np.testing.assert_array_equal(_samples(open_recording(paths)), pcm / 2.0**23)


def test_a_section_is_read_from_its_first_to_before_its_end(tmp_path: Path):
    pcm = np.arange(300_000, dtype=np.int32)[:, None].repeat(2, 1)
    path = tmp_path / "side.flac"
    soundfile.write(path, pcm << 8, 44100, subtype="PCM_24")
    section = _samples(open_recording((path,)), 1234, 290_001)
    np.testing.assert_array_equal(section[:, 1], np.arange(1234, 290_001) / 2.0**23)


@pytest.mark.parametrize(
    ("suffix", "codec"),
    [("mp3", "libmp3lame"), ("ogg", "libvorbis"), ("opus", "libopus"), ("m4a", "aac")],
)
def test_lossy_files_are_read_and_called_lossy(tmp_path: Path, suffix: str, codec: str):
    wave = 0.5 * np.sin(2 * np.pi * 440 / 48000 * np.arange(96000))
    master, path = tmp_path / "master.wav", tmp_path / f"take.{suffix}"
    soundfile.write(master, np.stack([wave, wave], 1), 48000)
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", master]
    subprocess.run([*command, "-c:a", codec, "-b:a", "256k", path], check=True)
    recording = open_recording((path,), tmp_path)
    assert recording.files[0].lossy
    assert recording.bits is None
    read = _samples(recording)
    assert len(read) == pytest.approx(96000, abs=4000)
    assert np.sqrt((read[20000:70000] ** 2).mean()) == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


def test_apple_lossless_is_not_a_lossy_source(tmp_path: Path):
    pcm = np.round(_noise(20000, 2) * 2**23).astype(np.int32)
    master, path = tmp_path / "master.wav", tmp_path / "take.m4a"
    soundfile.write(master, pcm << 8, 44100, subtype="PCM_24")
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", master, "-c:a", "alac"]
    subprocess.run([*command, "-sample_fmt", "s32p", path], check=True)
    recording = open_recording((path,), tmp_path)
    assert not recording.files[0].lossy
    np.testing.assert_array_equal(_samples(recording), pcm / 2.0**23)


def test_sources_are_never_written_to(tmp_path: Path):
    path = tmp_path / "take.wav"
    soundfile.write(path, _noise(2000, 2), 44100)
    path.chmod(0o444)
    before = path.read_bytes()
    _samples(open_recording((path,)))
    assert path.read_bytes() == before
