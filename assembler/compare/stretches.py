"""Sections of the lossless files of a finished release, read as PCM.

Two of them are aligned by the place of their first samples in the source, so that they can be
compared although their sections, gaps or index points differ.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from mutagen.mp4 import MP4
from numpy.typing import NDArray

from assembler.cancel import check_cancelled
from assembler.compare.tracks import Pair, asked_gap_s
from assembler.download.formats import FACTS
from assembler.download.lossy import decoded
from assembler.dsp.dither import Dither
from assembler.dsp.resample import position_at
from assembler.file_names import for_libsndfile
from assembler.finished.finished import FinishedRelease, UnreadableError, reading
from assembler.manifest.model import Format
from assembler.manifest.transfers import Restoration
from assembler.mastering.plan import DISC_BITS
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME, samples_at, samples_in

STEPS_PER_SECOND = 10
"""Blocks are whole steps of 0.1 s, except the last."""
_STEPS_PER_BLOCK = 32

Pcm = NDArray[np.int32]
Edge = Literal["start_sample", "end_sample"]


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


def shift_of(a: FinishedRelease, b: FinishedRelease, pair: Pair, rate_hz: int) -> int:
    """Return the sample of a track's file in `a` that is at the start of its file in `b`.

    Parameters
    ----------
    rate_hz
        Of both files.

    Returns
    -------
    int
        0 if their sources differ: both are aligned at their starts.
    """
    if _origin(a, pair.a) != _origin(b, pair.b):
        return 0
    return first_sample(b, pair.b, rate_hz) - first_sample(a, pair.a, rate_hz)


def first_sample(release: FinishedRelease, index: int, rate_hz: int) -> int:
    """Return where in its recording, at a rate, a track's file begins.

    That is the start of its section, moved to a frame boundary if it is a segue.
    """
    chain = [index]
    while _is_joined(release, chain[0]):
        chain.insert(0, chain[0] - 1)
    end = start = 0
    for i in chain:
        overlap_s = release.manifest.tracks[i].overlap or Fraction(0)
        start = end - samples_in(overlap_s, rate_hz)
        end = start + _position(release, i, "end_sample", rate_hz)
        end -= _position(release, i, "start_sample", rate_hz)
    first, last = (release.tracks[i].start_frame for i in (chain[0], index))
    moved_by = samples_at(last - first, rate_hz) - start
    return _position(release, index, "start_sample", rate_hz) + moved_by


def _origin(release: FinishedRelease, index: int) -> tuple[Sequence[str], int, Restoration | None]:
    """Return the digests and the rate of a track's source, and its restoration."""
    source, side = release.tracks[index].source, release.manifest.tracks[index].side
    restoration = release.manifest.transfers[side].restoration if side else None
    return source.sha256, source.sample_rate_hz, restoration


def _position(release: FinishedRelease, index: int, edge: Edge, rate_hz: int) -> int:
    source = release.tracks[index].source
    return position_at(getattr(source, edge), source.sample_rate_hz, rate_hz)


def _is_joined(release: FinishedRelease, index: int) -> bool:
    """Return whether a track follows the one before without a gap."""
    track = release.manifest.tracks[index]
    if index == 0 or track.disc is not None:
        return False
    return bool(track.overlap) or asked_gap_s(release, index) == 0


def on_image(release: FinishedRelease, index: int) -> Stretch:
    """Return a track on its disc's image, up to the start of the next."""
    track = release.tracks[index]
    start = track.start_frame
    end = start + track.file_frames
    return region_of_image(release, track.disc_number, start, end)


def pregap_audio(release: FinishedRelease) -> Stretch:
    """Return the audio hidden before track 1 of the first image, if any."""
    number = release.tracks[0].disc_number
    disc = next(d for d in release.report.discs if d.number == number)
    return region_of_image(release, number, 0, disc.hidden_frames)


def region_of_image(
    release: FinishedRelease, disc: int, first_frame: int, end_frame: int
) -> Stretch:
    """Return the samples between two frames of a disc's image."""
    name = release.disc_file(disc, ".wav")
    start, end = (frame * SAMPLES_PER_FRAME for frame in (first_frame, end_frame))
    dither = release.manifest.disc.dither
    return Stretch(release.folder / name, name, DISC_BITS, DISC_RATE_HZ, start, end, dither)


def in_format(release: FinishedRelease, name: Format, index: int) -> Stretch:
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
    return Stretch(file, path, FACTS[name].bits, rate_hz, 0, samples, dither)


def made_formats(release: FinishedRelease) -> Iterator[Format]:
    """Return the formats of a release, in their usual order."""
    return (name for name in FACTS if (release.folder / "download" / name).is_dir())
