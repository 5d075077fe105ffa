"""Clips of each join of a disc: the end of a track, the gap, the start of the next."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assembler.audio.ffmpeg import run_ffmpeg
from assembler.sequence import DiscOrder
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.text import FRAMES_PER_SECOND

AROUND_S = 8
_FADE_MS = 150
_RAW = ("-f", "s16le", "-ar", str(DISC_RATE_HZ), "-ac", "2", "-i", "pipe:0")
MP3_192 = ("-f", "mp3", "-id3v2_version", "0", "-c:a", "libmp3lame", "-b:a", "192k")
_STEADY = ("-map_metadata", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact")


def joins(order: DiscOrder) -> Iterator[tuple[str, int, int]]:
    """Return each join's name and its clip's first and end sample in the image."""
    around = AROUND_S * FRAMES_PER_SECOND
    for before, after in pairwise(order.places):
        start = max(before.start_frame, before.end_frame - around)
        end = min(after.end_frame, after.start_frame + around)
        name = f"{before.number:02d}-{after.number:02d}"
        yield name, start * SAMPLES_PER_FRAME, end * SAMPLES_PER_FRAME


def write_join_clip(
    samples: NDArray[np.int16], target: Path, coding: Sequence[str] = MP3_192
) -> None:
    """Write a clip, with short fades at its ends.

    Parameters
    ----------
    samples
        16-bit samples at 44,100 Hz, shape (n, 2).
    target
        File to write.
    coding
        Arguments for ffmpeg: format, codec and bit rate.

    Raises
    ------
    AssemblerError
        It can't be encoded.
    """
    from pydub import AudioSegment

    clip = AudioSegment(
        data=np.ascontiguousarray(samples, "<i2").tobytes(),
        sample_width=2,
        frame_rate=DISC_RATE_HZ,
        channels=2,
    )
    faded = clip.fade_in(_FADE_MS).fade_out(_FADE_MS)
    run_ffmpeg((*_RAW, *_STEADY, *coding, f"file:{target}"), feed=(faded.raw_data,))


def write_copy(
    feed: Iterable[bytes | memoryview],
    rate_hz: int,
    target: Path,
    coding: Sequence[str] = MP3_192,
) -> None:
    """Write a listening copy of a stream.

    Parameters
    ----------
    feed
        Raw float32 samples of two channels.
    rate_hz
        Their rate; above 48 kHz the copy gets the nearest rate that MP3 has.
    target
        File to write.
    coding
        Arguments for ffmpeg: format, codec and bit rate.

    Raises
    ------
    AssemblerError
        It can't be encoded.
    """
    raw = ("-f", "f32le", "-ar", str(rate_hz), "-ac", "2", "-i", "pipe:0")
    run_ffmpeg((*raw, *_STEADY, *coding, f"file:{target}"), feed=feed)
