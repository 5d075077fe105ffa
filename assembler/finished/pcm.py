"""The PCM of a finished release's lossless files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
import soundfile
from mutagen.mp4 import MP4
from numpy.typing import NDArray

from assembler.cancel import check_cancelled
from assembler.download.formats import facts_of
from assembler.download.lossy import decoded
from assembler.dsp.dither import FEEDBACK, Dither
from assembler.dsp.resample import position_at
from assembler.file_names import for_libsndfile
from assembler.finished.finished import FinishedRelease, UnreadableError, reading
from assembler.finished.report_form import TrackReport
from assembler.mastering.plan import DISC_BITS
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME

STEPS_PER_SECOND = 10
"""Blocks are whole steps of 0.1 s, except the last."""
_STEPS_PER_BLOCK = 32

Pcm = NDArray[np.int32]


@dataclass(frozen=True)
class Stretch:
    """Samples of a finished lossless file.

    Attributes
    ----------
    path
        The file.
    name
        Its path inside the release, for messages.
    bits, rate_hz
        Of its PCM.
    start, end
        First sample and the one after the last.
    dither
        Used when it was quantised.
    """

    path: Path
    name: str
    bits: int
    rate_hz: int
    start: int
    end: int
    dither: Dither = "tpdf"

    @property
    def length(self) -> int:
        """Number of samples."""
        return max(0, self.end - self.start)

    @property
    def most_error(self) -> float:
        """The largest error of a sample in LSB; 24 bits add the rounding of float32."""
        shaping = 1 + sum(map(abs, self._feedback))
        return (0.5 if self._undithered else 1.5) * shaping + (0.5 if self.bits == 24 else 0)

    @property
    def error_power(self) -> float:
        """The mean square error of a sample in LSB²."""
        shaping = 1 + sum(weight**2 for weight in self._feedback)
        plain = 1 / 12 if self._undithered else 1 / 4
        return plain * shaping + (1 / 12 if self.bits == 24 else 0)

    @property
    def _undithered(self) -> bool:
        return self.dither == "none" and self.bits == 16

    @property
    def _feedback(self) -> tuple[float, ...]:
        """The filter of the noise shaping; empty without shaping."""
        shaped = self.dither == "shaped" and self.bits == 16
        return tuple(FEEDBACK.get(self.rate_hz, ())) if shaped else ()

    def pcm(self, first: int, count: int) -> Iterator[Pcm]:
        """Read PCM, counted from its start, in blocks of `_STEPS_PER_BLOCK` steps."""
        size = _STEPS_PER_BLOCK * (self.rate_hz // STEPS_PER_SECOND)
        left = count
        with reading(self.name):
            for block in islice(_blocks(self, self.start + first, size), -(-count // size)):
                if len(block) < min(left, size):
                    break
                yield block[:left]
                left -= min(left, len(block))
            if left > 0:
                raise UnreadableError(self.name, "ends before its length: run verify on it")


def _blocks(stretch: Stretch, start: int, size: int) -> Iterator[Pcm]:
    if stretch.path.suffix == ".m4a":
        yield from _recut(decoded(stretch.path, "mp4"), start, size, stretch.bits)
        return
    with soundfile.SoundFile(for_libsndfile(stretch.path)) as file:
        file.seek(min(start, file.frames))
        while len(block := file.read(size, dtype="int32", always_2d=True)):
            check_cancelled()
            yield np.right_shift(block, 32 - stretch.bits)


def _recut(
    blocks: Iterator[NDArray[np.float32]], start: int, size: int, bits: int
) -> Iterator[Pcm]:
    """Return decoded samples as PCM, from a sample on, in blocks of one size."""
    held = np.zeros((0, 2), np.int32)
    to_skip = start
    for block in blocks:
        pcm = np.rint(block[to_skip:] * float(1 << (bits - 1))).astype(np.int32)
        to_skip = max(0, to_skip - len(block))
        held = np.concatenate((held, pcm))
        while len(held) >= size:
            yield held[:size]
            held = held[size:]
    if len(held):
        yield held


def on_image(release: FinishedRelease, index: int) -> Stretch:
    """Return a track on its disc's image, up to the start of the next."""
    track = release.tracks[index]
    end = track.start_frame + track.file_frames
    return region_of_image(release, track.disc_number, track.start_frame, end)


def region_of_image(
    release: FinishedRelease, disc: int, first_frame: int, end_frame: int
) -> Stretch:
    """Return the samples between two frames of a disc's image."""
    name = release.disc_file(disc, ".wav")
    start, end = (frame * SAMPLES_PER_FRAME for frame in (first_frame, end_frame))
    dither = release.manifest.disc.dither
    return Stretch(release.folder / name, name, DISC_BITS, DISC_RATE_HZ, start, end, dither)


def in_format(release: FinishedRelease, name: str, index: int) -> Stretch:
    """Return a track's lossless file."""
    path = release.track_file(name, release.tracks[index])
    file = release.folder / path
    with reading(path):
        if file.suffix == ".m4a":
            info = MP4(file).info
            rate_hz, samples = info.sample_rate, round(info.length * info.sample_rate)
        else:
            found = soundfile.info(for_libsndfile(file))
            rate_hz, samples = found.samplerate, found.frames
    dither = release.manifest.disc.dither
    return Stretch(file, path, facts_of(name).bits, rate_hz, 0, samples, dither)


def first_sample(track: TrackReport, rate_hz: int) -> int:
    """Return the sample of its source, at a rate, with which a track's file begins."""
    source = track.source
    start = position_at(source.start_sample, source.sample_rate_hz, rate_hz)
    return source.first_samples.get(str(rate_hz), start)  # an older report has none
