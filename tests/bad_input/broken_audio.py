"""Broken audio files by name. Layouts: RIFF WAVE (IBM and Microsoft, 1991), AIFF 1.3 (Apple, 1989),
FLAC (RFC 9639), Ogg (RFC 3533), ID3v2.4 (id3.org, from memory), MP4 (ISO/IEC 14496-12, from
memory)."""

from __future__ import annotations

import functools
import os
import random
import struct
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import soundfile
from desk import RATE_HZ, hum

from assembler.audio.ffmpeg import ffmpeg_program

SECONDS = 1.0
Make = Callable[[Path], None]
"""Puts a broken thing at a path."""


def sound() -> np.ndarray:
    """Return a tone with a little noise, so that no two blocks are alike."""
    wave = hum(SECONDS)
    return wave + np.random.default_rng(3).normal(0, 0.01, len(wave))


BY_LIBSNDFILE, BY_FFMPEG = ("wav", "aiff", "flac", "ogg", "mp3"), ("m4a", "aac")
BLANK = dict.fromkeys((*BY_LIBSNDFILE, *BY_FFMPEG), b"COMM" + bytes(200))
"""Used for the good files where only the names of the broken ones matter."""


@functools.cache
def good_files() -> dict[str, bytes]:
    """Return the same sound in every format, by its ending."""
    files: dict[str, bytes] = {}
    with tempfile.TemporaryDirectory() as folder:
        for suffix in BY_LIBSNDFILE:
            path = Path(folder) / f"good.{suffix}"
            soundfile.write(path, sound(), RATE_HZ)
            files[suffix] = path.read_bytes()
        for suffix in BY_FFMPEG:
            path = Path(folder) / f"good.{suffix}"
            source = Path(folder) / "good.wav"
            command = [ffmpeg_program(), "-v", "error", "-fflags", "+bitexact", "-i", source, path]
            subprocess.run(command, check=True)
            files[suffix] = path.read_bytes()
    return files


def wav(
    *,
    coding: int = 1,
    channels: int = 1,
    rate_hz: int = RATE_HZ,
    bits: int = 16,
    frame_bytes: int | None = None,
    data_size: int | None = None,
    form_size: int = 16,
    riff_size: int | None = None,
    pcm: bytes | None = None,
) -> bytes:
    """Write a WAV file with any header."""
    if pcm is None:
        pcm = (sound() * 20000).astype("<i2").tobytes()
    frame_bytes = channels * bits // 8 if frame_bytes is None else frame_bytes
    rate_bytes = min(rate_hz * frame_bytes, 0xFFFFFFFF)
    form = struct.pack("<HHIIHH", coding, channels, rate_hz, rate_bytes, frame_bytes, bits)
    data = struct.pack("<I", len(pcm) if data_size is None else data_size) + pcm
    body = b"WAVEfmt " + struct.pack("<I", form_size) + form + b"data" + data
    return b"RIFF" + struct.pack("<I", len(body) if riff_size is None else riff_size) + body


def floats(value: float, kind: str = "<f4") -> bytes:
    """Write a float WAV file with one sample of this value in its middle."""
    samples = sound().astype(kind)
    samples[len(samples) // 2] = value
    size = samples.dtype.itemsize
    return wav(coding=3, bits=8 * size, pcm=samples.tobytes())


def wav_headers() -> Iterator[tuple[str, bytes]]:
    """Return WAV files with a false header."""
    yield "no channels.wav", wav(channels=0)
    yield "no channels, but a frame.wav", wav(channels=0, frame_bytes=2)
    yield "8 channels.wav", wav(channels=8)
    yield "65535 channels.wav", wav(channels=65535, frame_bytes=65535)
    yield "0 Hz.wav", wav(rate_hz=0)
    yield "1 Hz.wav", wav(rate_hz=1)
    yield "4 GHz.wav", wav(rate_hz=0xFFFFFFFF)
    yield "minus 44100 Hz.wav", wav(rate_hz=(1 << 32) - 44100)
    yield "0 bits.wav", wav(bits=0, frame_bytes=2)
    yield "7 bits.wav", wav(bits=7, frame_bytes=1)
    yield "65535 bits.wav", wav(bits=65535, frame_bytes=2)
    yield "a frame of 0 bytes.wav", wav(frame_bytes=0)
    yield "a coding that is none.wav", wav(coding=0x1234)
    yield "a form of 4 bytes.wav", wav(form_size=4)
    yield "a form of 4 GB.wav", wav(form_size=0xFFFFFFF0)
    yield "data of -2 bytes.wav", wav(data_size=0xFFFFFFFE)
    yield "data of 3 GB.wav", wav(data_size=3_000_000_000)
    yield "no data.wav", wav(pcm=b"")
    yield "half a sample.wav", wav(pcm=b"\1")
    yield "not a number.wav", floats(np.nan)
    yield "infinite.wav", floats(np.inf)
    yield "minus infinite, double.wav", floats(-np.inf, "<f8")
    yield "beyond float.wav", floats(1e300, "<f8")
    yield "only RIFF.wav", b"RIFF"
    yield "only a head.wav", wav()[:44]
    yield "cut in its head.wav", wav()[:30]
    whole = wav()
    yield "cut in the middle.wav", whole[: len(whole) // 2]
    yield "a head of AIFF.wav", b"FORM" + whole[4:]
    yield "RF64 without its sizes.wav", b"RF64\xff\xff\xff\xff" + whole[8:]
    ds64 = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0" + b"\xff" * 28 + whole[12:]
    yield "RF64 of all ones.wav", ds64


def other_heads(good: dict[str, bytes]) -> Iterator[tuple[str, bytes]]:
    """Return files of other formats that are cut, or have a false header."""
    for suffix, content in good.items():
        yield f"ten bytes of it.{suffix}", content[:10]
        yield f"a hundred bytes of it.{suffix}", content[:100]
        noise = random.Random(suffix).randbytes(5000)
        yield f"random bytes.{suffix}", noise
        yield f"zeros.{suffix}", bytes(5000)
        yield f"words.{suffix}", b"The tape is in the box.\n" * 200
    for suffix in ("flac", "ogg", "m4a"):
        content = good[suffix]
        yield f"half of it.{suffix}", content[: len(content) // 2]
    flac = bytearray(good["flac"])
    flac[18:21] = bytes(3)  # 20 bits of the streaminfo block: sample rate
    yield "0 Hz.flac", bytes(flac)
    aiff = good["aiff"]
    form = aiff.index(b"COMM") + 8
    yield "no channels.aiff", aiff[:form] + b"\0\0" + aiff[form + 2 :]
    yield "minus one channel.aiff", aiff[:form] + b"\xff\xff" + aiff[form + 2 :]
    rate = aiff[: form + 8] + bytes(10) + aiff[form + 18 :]
    yield "0 Hz.aiff", rate
    yield "infinite Hz.aiff", aiff[: form + 8] + b"\x7f\xff" + bytes(8) + aiff[form + 18 :]
    yield "an ID3 tag of 256 MB.mp3", b"ID3\4\0\0\x7f\x7f\x7f\x7f" + good["mp3"]
    yield "an ID3 tag and no more.mp3", b"ID3\4\0\0\0\0\0\x0a" + bytes(10)
    m4a = good["m4a"]
    yield "an atom of 4 GB.m4a", b"\xff\xff\xff\xf0ftypM4A " + m4a[12:]
    yield "an atom of 0 bytes in it.m4a", m4a.replace(b"mdia", b"md\0\0")
    yield (
        "atoms in atoms.m4a",
        m4a[:32] + b"".join(struct.pack(">I4s", 8 * (3000 - n), b"moov") for n in range(3000)),
    )
    yield "a picture.wav", b"\x89PNG\r\n\x1a\n" + bytes(200)


def odd_things() -> Iterator[tuple[str, Make]]:
    """Return files that are not audio."""
    yield "empty.wav", Path.touch
    yield "folder.wav", Path.mkdir
    yield "fifo.wav", os.mkfifo
    yield "loop.wav", lambda path: path.symlink_to(path.name)
    yield "to nowhere.wav", lambda path: path.symlink_to("gone/away.wav")
    yield "endless.wav", lambda path: path.symlink_to("/dev/zero")
    yield "endless noise.flac", lambda path: path.symlink_to("/dev/urandom")
    yield "null.wav", lambda path: path.symlink_to("/dev/null")
    yield "itself.wav", lambda path: path.symlink_to(".")
    yield "secret.wav", lambda path: path.symlink_to("songs.yaml")
    for suffix in ("wav", "mp3", "flac", "m4a"):
        yield f"1 GB of nothing.{suffix}", sparse
    yield "1 GB after a head.wav", lambda path: sparse(path, b"RIFF\0\0\0\0WAVE")
    yield "1 GB after a head.aiff", lambda path: sparse(path, b"FORM\0\0\0\0AIFF")
    yield "1 GB after a head.w64", lambda path: sparse(path, b"riff\x2e\x91\xcf\x11")


def sparse(path: Path, head: bytes = b"") -> None:
    """Write a long sparse file."""
    with path.open("wb") as file:
        file.write(head)
        file.truncate(1 << 30)


def flipped(good: dict[str, bytes]) -> Iterator[tuple[str, bytes]]:
    """Return files with faults by chance, the same each time."""
    for suffix, content in good.items():
        for seed in range(4):
            name = f"{seed} by chance.{suffix}"
            chance = random.Random(name)
            bad = bytearray(content)
            if seed % 3 == 0:
                del bad[chance.randrange(len(bad)) :]
            for _ in range(chance.randrange(1, 12)):
                room = min(len(bad), 120) if seed % 2 else len(bad)
                bad[chance.randrange(room)] ^= 1 << chance.randrange(8)
            if seed % 3 == 1:
                place = chance.randrange(len(bad))
                del bad[place : place + chance.randrange(60)]
            yield name, bytes(bad)
