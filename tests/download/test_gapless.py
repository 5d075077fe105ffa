"""Delay and padding: what each file declares is correct, and segued tracks join without a gap.

Real music is cut in two at a sample; both parts are encoded, decoded by ffmpeg as any file, and
laid side by side. The lossless sound is the judge: same length, no offset, no hole at the join.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
from download.album import encoded, samples_of_pcm
from mutagen.mp4 import MP4
from outside import by_exiftool, program
from scipy.signal import correlate

from assembler.download.formats import FACTS
from assembler.download.gapless import GAPLESS_ITEM, declared_delay
from assembler.download.lossy import decoded
from assembler.download.tags import read_gapless_item, write_tags
from assembler.errors import AssemblerError

LOSSY = ("mp3-320", "mp3-vbr", "aac-256", "opus-160", "ogg-q8")
CUT = 271_829  # on the boundary of no codec's frame
NEAR = 512


def sound_of(path: Path) -> np.ndarray:
    container = next(facts.container for facts in FACTS.values() if facts.suffix == path.suffix)
    return np.concatenate(list(decoded(path, container)))


def by_debians_ffmpeg(path: Path) -> np.ndarray:
    command = [program("ffmpeg", "ffmpeg"), "-v", "error", "-i", path, "-f", "f32le", "-"]
    done = subprocess.run(command, capture_output=True, check=True)
    return np.frombuffer(done.stdout, "<f4").reshape(-1, 2)


def rms(samples: np.ndarray) -> float:
    return float(np.sqrt((samples.astype(np.float64) ** 2).mean()))


@pytest.fixture(scope="module")
def segued(tmp_path_factory, music):
    """Return a format's two files, and the music that was encoded."""
    made = {}

    def make(name: str):
        if name not in made:
            rate_hz = FACTS[name].rate_for(44100)
            pcm = music[rate_hz]
            folder = tmp_path_factory.mktemp(name)
            parts = (pcm[:CUT], pcm[CUT:])
            files = [encoded(folder, name, part, rate_hz, str(i)) for i, part in enumerate(parts)]
            made[name] = files, samples_of_pcm(pcm)
        return made[name]

    return make


@pytest.mark.thorough
@pytest.mark.parametrize("name", [*LOSSY, "alac-24"])
def test_a_file_declares_the_length_of_its_sound(name, segued):
    files, sound = segued(name)
    for path, length in zip(files, (CUT, len(sound) - CUT), strict=True):
        declared = declared_delay(path, FACTS[name].container)
        assert declared.length_samples == length
        assert len(sound_of(path)) == length


def test_delays_are_those_of_the_encoders(segued):
    """LAME 576 and a decoder's 529; ffmpeg's AAC 1024; libopus 6.5 ms at 48 kHz; no other."""
    delays = {
        name: declared_delay(segued(name)[0][0], FACTS[name].container).delay_samples
        for name in (*LOSSY, "alac-24")
    }
    assert delays == {
        "mp3-320": 1105, "mp3-vbr": 1105, "aac-256": 1024, "opus-160": 312, "ogg-q8": 0,
        "alac-24": 0,
    }  # fmt: skip


def test_mp3_and_aac_are_padded_to_whole_frames(segued):
    for name, frame in (("mp3-320", 1152), ("mp3-vbr", 1152), ("aac-256", 1024)):
        declared = declared_delay(segued(name)[0][0], FACTS[name].container)
        whole = declared.delay_samples + declared.padding_samples + declared.length_samples
        assert whole % frame == 0


@pytest.mark.parametrize("name", LOSSY)
def test_segued_tracks_join_without_a_gap(name, segued):
    files, sound = segued(name)
    joined = np.concatenate([sound_of(path) for path in files])
    assert joined.shape == sound.shape
    near = slice(CUT - 4096, CUT + 4096)
    # No shift on either side of the join, nor across it.
    for stretch in (slice(CUT - 8192, CUT), slice(CUT, CUT + 8192), near):
        likeness = correlate(joined[stretch, 0], sound[stretch, 0], "full")
        assert int(np.argmax(likeness)) - (len(joined[stretch]) - 1) == 0
    # No hole: as loud as the music in every 64 samples around the join.
    for start in range(CUT - NEAR, CUT + NEAR, 64):
        piece = slice(start, start + 64)
        assert rms(joined[piece]) > 0.7 * rms(sound[piece])
    # No click: the error there stays that of the coding, far below the music.
    close = slice(CUT - NEAR, CUT + NEAR)
    assert rms(joined[close] - sound[close]) < 0.1 * rms(sound[close])


@pytest.mark.parametrize("name", ["mp3-320", "mp3-vbr", "opus-160", "ogg-q8"])
def test_an_older_ffmpeg_cuts_delay_and_padding_too(name, segued):
    """Of AAC, ffmpeg 5.1 only cuts the delay: it plays the edit list's last frame whole."""
    files, sound = segued(name)
    assert len(np.concatenate([by_debians_ffmpeg(path) for path in files])) == len(sound)


def aac_frames(path: Path) -> int:
    """Count the frames of an AAC file, all of them, by their ADTS headers."""
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-ignore_editlist", "1", "-i", path]
    done = subprocess.run([*command, "-c", "copy", "-f", "adts", "-"], capture_output=True)
    position, frames = 0, 0
    while position < len(done.stdout):
        head = int.from_bytes(done.stdout[position : position + 7], "big")
        assert head >> 44 == 0xFFF
        position += head >> 13 & 0x1FFF
        frames += 1
    return frames


def test_the_gapless_item_agrees_with_the_edit_list(segued, album, tmp_path):
    """With delay and padding the sound fills the file's AAC frames of 1024 samples."""
    path = Path(shutil.copy(segued("aac-256")[0][0], tmp_path))
    whole = 1024 * aac_frames(path)
    assert read_gapless_item(path) == ""
    write_tags(path, "mp4", album.manifest.release, album.metadata[0], None)
    numbers = read_gapless_item(path).split()
    assert [len(number) for number in numbers] == [8, 8, 8, 16] + [8] * 8
    unused, delay, padding, length, *others = (int(number, 16) for number in numbers)
    assert (delay, length) == (1024, CUT)
    assert delay + length + padding == whole
    assert {unused, *others} == {0}
    assert len(sound_of(path)) == CUT  # and the delay is not removed twice
    assert len(by_debians_ffmpeg(path)) in (CUT, whole - delay)  # newer, and 5.1


@pytest.mark.wants("exiftool")
def test_exiftool_reads_the_gapless_item(segued, album, tmp_path):
    path = Path(shutil.copy(segued("aac-256")[0][1], tmp_path))
    write_tags(path, "mp4", album.manifest.release, album.metadata[0], None)
    declared = declared_delay(path, "mp4")
    numbers = by_exiftool(path, "-iTunSMPB")["iTunSMPB"].split()
    assert [int(number, 16) for number in numbers[:4]] == [
        0, 1024, declared.padding_samples, declared.length_samples,
    ]  # fmt: skip


def test_alac_needs_no_gapless_item(segued, album, tmp_path):
    path = Path(shutil.copy(segued("alac-24")[0][0], tmp_path))
    write_tags(path, "mp4", album.manifest.release, album.metadata[0], None)
    assert read_gapless_item(path) == ""
    assert GAPLESS_ITEM not in MP4(path).tags


def test_a_truncated_file_declares_nothing(tmp_path):
    for container in ("mp3", "mp4", "opus", "ogg"):
        path = tmp_path / f"short.{container}"
        for content in (b"", b"\0" * 400, b"OggS", b"\0\0\0\x08moov"):
            path.write_bytes(content)
            with pytest.raises(AssemblerError, match="build it again"):
                declared_delay(path, container)


def test_lossless_containers_need_none(tmp_path):
    with pytest.raises(ValueError, match="no delay"):
        declared_delay(tmp_path / "a.flac", "flac")
