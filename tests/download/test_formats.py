"""Formats: each is what its name says, lossless ones have the PCM, missing encoders are reported.

Read back by ffprobe and ffmpeg, metaflac (libFLAC) and ogginfo (libvorbis).
"""

from __future__ import annotations

import hashlib
import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
from download.album import MANIFEST, encoded
from outside import output_of, program, streams_by_ffmpeg

from assembler.download.formats import FACTS, ffmpeg_encoders, format_findings
from assembler.manifest.sets import FORMATS

WHAT = {  # codec and sample format by ffprobe
    "flac-24": ("flac", "s32"),
    "flac-16": ("flac", "s16"),
    "wav-24": ("pcm_s24le", "s32"),
    "wav-16": ("pcm_s16le", "s16"),
    "mp3-320": ("mp3", "fltp"),
    "mp3-vbr": ("mp3", "fltp"),
    "aac-256": ("aac", "fltp"),
    "alac-24": ("alac", "s32p"),
    "opus-160": ("opus", "fltp"),
    "ogg-q8": ("vorbis", "fltp"),
}
KILOBITS = {"mp3-320": (319, 324), "aac-256": (230, 270), "opus-160": (140, 190)}
KILOBITS |= {"mp3-vbr": (190, 320), "ogg-q8": (200, 320)}


@pytest.mark.parametrize("name", FORMATS)
def test_ffmpeg_reads_codec_rate_and_sample_format(name, tmp_path, music):
    rate_hz = FACTS[name].rate_for(44100)
    pcm = music[rate_hz]
    path = encoded(tmp_path, name, pcm, rate_hz)
    (stream,) = streams_by_ffmpeg(path)
    codec, sample_format = WHAT[name]
    assert stream["codec"] == codec
    assert f", {rate_hz} Hz, stereo, {sample_format}" in stream["facts"]
    if name in KILOBITS:
        low, high = KILOBITS[name]
        assert low <= path.stat().st_size * 8 / 1000 / (len(pcm) / rate_hz) <= high


@pytest.mark.parametrize("name", [name for name in FORMATS if not FACTS[name].lossy])
def test_lossless_formats_have_the_pcm(name, tmp_path, music):
    pcm, bits = music[44100][:44101], FACTS[name].bits
    path = encoded(tmp_path, name, pcm, 44100)
    command = [program("ffmpeg", "ffmpeg"), "-v", "error", "-i", path, "-f", "s32le", "-"]
    decoded = subprocess.run(command, capture_output=True, check=True).stdout
    read = np.frombuffer(decoded, "<i4").reshape(-1, 2) >> (32 - bits)
    np.testing.assert_array_equal(read, pcm >> (24 - bits))


@pytest.mark.wants("metaflac")
@pytest.mark.parametrize("bits", [16, 24])
def test_streaminfo_has_the_md5_of_the_pcm(bits, tmp_path, music):
    """RFC 9639, 8.2: MD5 of the interleaved samples, little-endian, in whole bytes."""
    pcm = music[44100][:44101]
    path = encoded(tmp_path, f"flac-{bits}", pcm, 44100)
    plain = (pcm >> (24 - bits)).astype("<i4").reshape(-1, 1).view("u1")[:, : bits // 8]
    told = output_of("metaflac", "--show-md5sum", path, package="flac").strip()
    assert told == hashlib.md5(plain.tobytes(), usedforsecurity=False).hexdigest()


@pytest.mark.wants("ogginfo")
def test_ogginfo_finds_no_fault(tmp_path, music):
    path = encoded(tmp_path, "ogg-q8", music[44100], 44100)
    said = output_of("ogginfo", path, package="vorbis-tools")
    assert "Nominal bitrate: 256.000000 kb/s" in said  # of libvorbis at quality 8
    assert "Playback length: 0m:12.000s" in said
    assert not re.search("note:|warning:|error", said, re.IGNORECASE)


def manifest_with(formats: str) -> str:
    return MANIFEST.replace("[flac-24]", formats)


def test_every_format_can_be_made_here(album_of):
    album = album_of(manifest_with(f"[{', '.join(FORMATS)}]"))
    assert list(format_findings(album.source)) == []


def test_an_ffmpeg_that_lacks_encoders_has_one_finding_per_format(
    album_of, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """A stub that lists encoders as ffmpeg does, except those of MP3 and Opus."""
    stub = tmp_path / "ffmpeg"
    stub.write_text(
        "#!/bin/sh\necho 'Encoders:\n A..... = Audio\n ------\n"
        " A....D aac   AAC (Advanced Audio Coding)\n A..... alac  ALAC\n"
        " A....D libvorbis  libvorbis (codec vorbis)'\n"
    )
    stub.chmod(0o755)
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(stub))
    album = album_of(manifest_with("[flac-24, mp3-320, aac-256, mp3-vbr, opus-160, ogg-q8]"))
    found = list(format_findings(album.source))
    assert [(f.severity, f.code, f.where) for f in found] == [
        ("error", "unavailable-format", f"download.formats[{i}]") for i in (1, 3, 4)
    ]
    assert "libmp3lame" in found[0].message
    assert "imageio-ffmpeg" in found[0].message
    assert found[0].line > 1


def test_without_ffmpeg_the_formats_of_libsndfile_remain(album_of, tmp_path, monkeypatch):
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(tmp_path / "absent"))
    album = album_of(manifest_with("[flac-24, wav-16, alac-24]"))
    assert [f.where for f in format_findings(album.source)] == ["download.formats[2]"]
    assert list(format_findings(album_of(MANIFEST).source)) == []


def test_a_program_other_than_ffmpeg_has_no_encoders():
    assert ffmpeg_encoders("/bin/false") == frozenset()
