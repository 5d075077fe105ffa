"""MP3 files decode to the length of their sound, whatever it is.

A length on the disc's grid is a multiple of 588 samples, an MP3 frame has 1152: 96 residues. Each
is encoded and decoded by libsndfile and by the ffmpeg that comes with imageio-ffmpeg; ffmpeg and
mpg123 of Debian decode them too. The CRC is checked on the standard's test string (CRC-16/ARC).
"""

from __future__ import annotations

import functools
import subprocess
from collections.abc import Callable
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
from download.album import encoded
from outside import program

from assembler.download.gapless import declared_delay
from assembler.download.mp3_header import crc_16, read_mp3_header, write_mp3_length
from assembler.errors import AssemblerError

RESIDUES = 96
SHORTEST = 8 * 588
LENGTHS = [SHORTEST + 588 * k for k in range(RESIDUES)]
CAPPED = [n for n in LENGTHS if 1 <= n % 1152 <= 46]


def noise(length: int) -> np.ndarray:
    rng = np.random.default_rng(length)
    return np.rint(rng.normal(0, 0.05, (length, 2)) * (1 << 22)).astype(np.int32)


@pytest.fixture(scope="module")
def coded(tmp_path_factory) -> Callable[[int], Path]:
    """Return a file by the length of its sound; each is encoded once, when it is wanted."""
    folder = tmp_path_factory.mktemp("residues")
    return functools.cache(lambda n: encoded(folder, "mp3-320", noise(n), 44100, str(n)))


def by_ffmpeg(ffmpeg: str, folder: Path, *paths: Path) -> list[int]:
    """Decode files, all by one process."""
    command: list[str | Path] = [ffmpeg, "-v", "error", "-y"]
    for path in paths:
        command += ["-i", path]
    decoded = [folder / f"{number}.pcm" for number in range(len(paths))]
    for number, pcm in enumerate(decoded):
        command += ["-map", f"{number}:a", "-f", "s16le", pcm]
    subprocess.run(command, capture_output=True, check=True)
    return [pcm.stat().st_size // 4 for pcm in decoded]


def by_libsndfile(path: Path) -> int:
    return len(soundfile.read(str(path))[0])


@pytest.mark.thorough
def test_every_residue_declares_and_decodes_to_its_length(coded, tmp_path):
    assert len({n % 1152 for n in LENGTHS}) == RESIDUES
    files = [coded(n) for n in LENGTHS]
    assert [declared_delay(path, "mp3").length_samples for path in files] == LENGTHS
    assert [by_libsndfile(path) for path in files] == LENGTHS
    assert by_ffmpeg(imageio_ffmpeg.get_ffmpeg_exe(), tmp_path, *files) == LENGTHS


@pytest.mark.thorough
def test_debians_ffmpeg_decodes_every_residue_to_its_length(coded, tmp_path):
    ffmpeg = program("ffmpeg", "ffmpeg")
    assert by_ffmpeg(ffmpeg, tmp_path, *map(coded, LENGTHS)) == LENGTHS


@pytest.mark.wants("mpg123")
def test_mpg123_decodes_every_residue_to_its_length(coded):
    command = [program("mpg123", "mpg123"), "-q", "-s"]
    read = {
        n: len(subprocess.run([*command, coded(n)], capture_output=True, check=True).stdout) // 4
        for n in LENGTHS
    }
    assert read == {n: n for n in LENGTHS}


@pytest.mark.parametrize("rate_hz", [44100, 48000])
@pytest.mark.parametrize("length", [1, 46, 47, 48, 1152, 1153, 1198, 1199, 1200])
def test_very_short_and_vbr_files_too(length, rate_hz, tmp_path):
    path = encoded(tmp_path, "mp3-vbr", noise(length), rate_hz)
    assert declared_delay(path, "mp3").length_samples == length
    assert by_libsndfile(path) == length
    assert by_ffmpeg(imageio_ffmpeg.get_ffmpeg_exe(), tmp_path, path) == [length]


def test_the_padding_beyond_one_frame_is_declared(coded):
    """LAME pads by 576 samples or more, up to a whole frame beyond: 1728 less the residue."""
    assert sorted(n % 1152 for n in CAPPED) == [12, 24, 36]
    for n in CAPPED:
        header = read_mp3_header(coded(n))
        assert (header.delay, header.padding) == (576, 1728 - n % 1152)


def test_the_crc_is_arc_and_a_wrong_one_is_detected(coded, tmp_path):
    assert crc_16(b"123456789") == 0xBB3D
    path = tmp_path / "a.mp3"
    content = bytearray(coded(CAPPED[0]).read_bytes())
    assert read_mp3_header(coded(CAPPED[0])).crc_holds
    content[content.index(b"Info") + 142] ^= 1
    path.write_bytes(content)
    assert not read_mp3_header(path).crc_holds
    with pytest.raises(AssemblerError, match="build it again"):
        declared_delay(path, "mp3")


def test_an_impossible_length_is_refused(coded):
    path = coded(SHORTEST)
    before = path.read_bytes()
    for length in (SHORTEST + 5000, SHORTEST - 5000):
        with pytest.raises(AssemblerError, match="please report this"):
            write_mp3_length(path, length)
    assert path.read_bytes() == before
