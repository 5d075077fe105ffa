"""A passage's sound at a deliverable's rate, before and after gain: section, tone, rate, fades."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from pathlib import Path

import numpy as np

from assembler.errors import SourceError
from assembler.release.sections import TrackSection
from assembler.sequence import Passage
from assembler.sequence.frames import samples_at
from assembler.sound.blocks import Samples
from assembler.sound.decibels import amplitude
from assembler.sound.equaliser import equalise
from assembler.sound.fades import fade
from assembler.sound.resample import BEYOND_S, section_at, settled_start

BLOCK_FRAMES = 1 << 17
RAMP_S = 0.01
"""Half the time that the gain takes to move at a segue between tracks of different gain."""


@dataclass(frozen=True)
class Prepared:
    """A passage's sound after tone, fades and rate, before gain.

    Attributes
    ----------
    passage
        Where it lies on the disc.
    sections
        Its tracks.
    rate_hz
        Its rate here.
    file
        Its samples: raw float32, two channels.
    ends
        Sample after the last of each track's sound.
    cuts
        Sample at which each track after the first begins, on the disc's grid of frames.
    length
        Samples with the silence up to the next passage.
    """

    passage: Passage
    sections: tuple[TrackSection, ...]
    rate_hz: int
    file: Path
    ends: tuple[int, ...]
    cuts: tuple[int, ...]
    length: int

    def blocks(self) -> Iterator[Samples]:
        """Read the samples of the sound."""
        with self.file.open("rb") as file:
            while data := file.read(BLOCK_FRAMES * 8):
                yield np.frombuffer(data, "<f4").reshape(-1, 2)

    @property
    def region_lengths(self) -> tuple[int, ...]:
        """Samples of each track's file: up to the next track's start."""
        edges = (0, *self.cuts, self.length)
        return tuple(b - a for a, b in pairwise(edges))


def prepare(
    passage: Passage, sections: Sequence[TrackSection], rate_hz: int, file: Path
) -> Prepared:
    """Bring a passage's sound to a deliverable's rate: section, tone, rate, fades.

    Raises
    ------
    SourceError
        A recording can't be read to its end, or holds NaN or infinite samples.
    """
    with file.open("wb") as out:
        for section in sections:
            try:
                for block in _toned(section, rate_hz):
                    out.write(np.ascontiguousarray(block, "<f4").tobytes())
            except SourceError as error:
                error.index = section.index
                raise
    ends = tuple(accumulate(section.samples_at(rate_hz) for section in sections))
    cuts = tuple(samples_at(mark, rate_hz) for mark in passage.marks[1:])
    length = max(samples_at(passage.room_frames, rate_hz), ends[-1])
    return Prepared(passage, tuple(sections), rate_hz, file, ends, cuts, length)


def _toned(section: TrackSection, rate_hz: int) -> Iterator[Samples]:
    recording, start, end = section.recording, section.start, section.end
    own_hz = recording.rate_hz
    if section.bands or own_hz != rate_hz:
        read_from = settled_start(start, own_hz, rate_hz)
        read_to = min(recording.frames, end + round(BEYOND_S * own_hz))
    else:
        read_from, read_to = start, end
    sound = equalise(recording.blocks(read_from, read_to), section.bands, own_hz)
    sound = section_at(sound, read_from, start, end, own_hz, rate_hz)
    fades = (section.track.fade_in or 0, section.track.fade_out or 0)
    fade_in, fade_out = (round(time_s * rate_hz) for time_s in fades)
    return fade(sound, section.samples_at(rate_hz), fade_in, fade_out)


def with_gain(prepared: Prepared, gains_db: Sequence[float]) -> Iterator[Samples]:
    """Apply each track's gain; at a segue it moves smoothly over 2 × `RAMP_S`."""
    if len(set(gains_db)) == 1:
        gain = np.float32(amplitude(gains_db[0]))
        for block in prepared.blocks():
            yield block if gain == 1 else block * gain
        return
    ramp = max(1, round(RAMP_S * prepared.rate_hz))
    knots: list[int] = [0]
    levels: list[float] = [gains_db[0]]
    for end, before, after in zip(prepared.ends, gains_db, gains_db[1:], strict=False):
        knots += [end - ramp, end + ramp]
        levels += [before, after]
    position = 0
    for block in prepared.blocks():
        places = np.arange(position, position + len(block))
        position += len(block)
        gain_db = np.interp(places, knots, levels)
        yield (block * (10 ** (gain_db / 20))[:, None]).astype(np.float32)


def with_silence(sound: Iterator[Samples], length: int) -> Iterator[Samples]:
    """Follow a sound with silence up to a length."""
    given = 0
    for block in sound:
        given += len(block)
        yield block
    while given < length:
        block = np.zeros((min(length - given, BLOCK_FRAMES), 2), np.float32)
        given += len(block)
        yield block
