"""Where the sound of a finished release lies: stretches of its lossless files, read as words.

A stretch knows where its first sample lay in the track's source, so that two can be held against
each other though their sections, gaps or marks are not the same.
"""

from __future__ import annotations

from collections.abc import Iterator
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

STEPS_A_SECOND = 10
"""Blocks are of whole steps of 0.1 s, but for the last."""
_STEPS_A_BLOCK = 32

Words = NDArray[np.int32]
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
        Of its words.
    start, end
        First sample and the one after the last.
    dither
        That its words were made with.
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
        """How many samples it has."""
        return max(0, self.end - self.start)

    def words(self, first: int, count: int) -> Iterator[Words]:
        """Read some of it, counted from its start, in blocks of `_STEPS_A_BLOCK` steps."""
        size = _STEPS_A_BLOCK * (self.rate_hz // STEPS_A_SECOND)
        left = count
        with reading(self.name):
            for block in islice(_blocks(self, self.start + first, size), -(-count // size)):
                if len(block) < min(left, size):
                    break
                yield block[:left]
                left -= min(left, len(block))
            if left > 0:
                raise UnreadableError(self.name, "ends before its length: run verify on it")


def _blocks(stretch: Stretch, start: int, size: int) -> Iterator[Words]:
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
) -> Iterator[Words]:
    """Give decoded samples as words, from a sample on, in blocks of one size."""
    held = np.zeros((0, 2), np.int32)
    to_skip = start
    for block in blocks:
        words = np.rint(block[to_skip:] * float(1 << (bits - 1))).astype(np.int32)
        to_skip = max(0, to_skip - len(block))
        held = np.concatenate((held, words))
        while len(held) >= size:
            yield held[:size]
            held = held[size:]
    if len(held):
        yield held


def shift_of(a: FinishedRelease, b: FinishedRelease, pair: Pair, rate_hz: int) -> int:
    """Give the sample of a track's file in `a` that was the first of `b`'s in their source.

    Parameters
    ----------
    rate_hz
        Of both files.

    Returns
    -------
    int
        0 where they have other sources: both begin together.
    """
    one, other = a.tracks[pair.a]["source"], b.tracks[pair.b]["source"]
    mends = _mend_of(a, pair.a), _mend_of(b, pair.b)
    if any(one[key] != other[key] for key in ("sha256", "sample_rate_hz")) or mends[0] != mends[1]:
        return 0
    return first_sample(b, pair.b, rate_hz) - first_sample(a, pair.a, rate_hz)


def first_sample(release: FinishedRelease, index: int, rate_hz: int) -> int:
    """Return where in its recording, at a rate, a track's file begins.

    That is where its section begins, but for what the mark of a segue moved to a frame.
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
    first, last = (release.tracks[i]["start_frame"] for i in (chain[0], index))
    moved_by = samples_at(last - first, rate_hz) - start
    return _position(release, index, "start_sample", rate_hz) + moved_by


def _mend_of(release: FinishedRelease, index: int) -> Restoration | None:
    side = release.manifest.tracks[index].side
    return release.manifest.transfers[side].restoration if side else None


def _position(release: FinishedRelease, index: int, edge: Edge, rate_hz: int) -> int:
    source = release.tracks[index]["source"]
    return position_at(source[edge], source["sample_rate_hz"], rate_hz)


def _is_joined(release: FinishedRelease, index: int) -> bool:
    """Tell whether a track's sound goes on from the one before without a pause."""
    track = release.manifest.tracks[index]
    if index == 0 or track.disc is not None:
        return False
    return bool(track.overlap) or asked_gap_s(release, index) == 0


def on_image(release: FinishedRelease, index: int) -> Stretch:
    """Give a track on its disc's image, up to the next track's start."""
    track = release.tracks[index]
    start = track["start_frame"]
    end = start + track["file_frames"]
    return region_of_image(release, track["disc_number"], start, end)


def pregap_audio(release: FinishedRelease) -> Stretch:
    """Return the sound hidden before the first image's first track, which may be none."""
    number = release.tracks[0]["disc_number"]
    disc = next(d for d in release.report["discs"] if d["number"] == number)
    return region_of_image(release, number, 0, disc["hidden_frames"])


def region_of_image(
    release: FinishedRelease, disc: int, first_frame: int, end_frame: int
) -> Stretch:
    """Return the samples between two frames of a disc's image."""
    name = release.disc_file(disc, ".wav")
    start, end = (frame * SAMPLES_PER_FRAME for frame in (first_frame, end_frame))
    dither = release.manifest.disc.dither
    return Stretch(release.folder / name, name, DISC_BITS, DISC_RATE_HZ, start, end, dither)


def in_format(release: FinishedRelease, name: Format, index: int) -> Stretch:
    """Give a track's lossless file."""
    path = release.track_file(name, release.tracks[index])
    file = release.folder / path
    with reading(path):
        if file.suffix == ".m4a":
            told = MP4(file).info
            rate_hz, samples = told.sample_rate, round(told.length * told.sample_rate)
        else:
            found = soundfile.info(for_libsndfile(file))
            rate_hz, samples = found.samplerate, found.frames
    dither = release.manifest.disc.dither
    return Stretch(file, path, FACTS[name].bits, rate_hz, 0, samples, dither)


def made_formats(release: FinishedRelease) -> Iterator[Format]:
    """Give the formats that a release holds, in the house's order."""
    return (name for name in FACTS if (release.folder / "download" / name).is_dir())
