"""A passage's sound at a deliverable's rate, before and after gain: section, tone, rate, fades."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import accumulate, pairwise
from pathlib import Path

import numpy as np

from assembler.cancel import check_cancelled
from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import amplitude
from assembler.dsp.equaliser import equalise
from assembler.dsp.fades import fade
from assembler.dsp.resample import BEYOND_S, section_at, settled_start
from assembler.errors import SourceError
from assembler.preflight.sections import TrackSection
from assembler.sequence import Passage
from assembler.sequence.frames import samples_at, samples_in

BLOCK_FRAMES = 1 << 17
RAMP_S = 0.01
"""Half the time that the gain takes to move at a segue between tracks of different gain."""


@dataclass(frozen=True)
class RenderedPassage:
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
        The samples of its tracks, one track after the other: raw float32, two channels; written
        when they are first read.
    lengths
        Samples of each track's sound.
    overlaps
        Samples that each track sounds together with the one before.
    cuts
        Sample at which each track after the first begins, on the disc's grid of frames.
    length
        Samples with the silence up to the next passage.
    """

    passage: Passage
    sections: tuple[TrackSection, ...]
    rate_hz: int
    file: Path
    lengths: tuple[int, ...]
    overlaps: tuple[int, ...]
    cuts: tuple[int, ...]
    length: int

    @property
    def parts(self) -> tuple[int, ...]:
        """Samples at which one track's sound takes over from the last, and at which all ends."""
        after = (*self.overlaps[1:], 0)
        return tuple(accumulate(a - b for a, b in zip(self.lengths, after, strict=True)))

    @property
    def region_lengths(self) -> tuple[int, ...]:
        """Samples of each track's file: up to the next track's start."""
        edges = (0, *self.cuts, self.length)
        return tuple(b - a for a, b in pairwise(edges))


def prepare(
    passage: Passage, sections: Sequence[TrackSection], rate_hz: int, file: Path
) -> RenderedPassage:
    """Plan a passage's sound at a deliverable's rate; it is rendered when it is first read."""
    overlaps = tuple(samples_in(s.track.overlap or Fraction(0), rate_hz) for s in sections)
    lengths = tuple(section.samples_at(rate_hz) for section in sections)
    cuts = tuple(samples_at(mark, rate_hz) for mark in passage.marks[1:])
    length = max(samples_at(passage.room_frames, rate_hz), sum(lengths) - sum(overlaps))
    return RenderedPassage(passage, tuple(sections), rate_hz, file, lengths, overlaps, cuts, length)


def as_heard(prepared: RenderedPassage) -> RenderedPassage:
    """Give a passage with no more silence after it than its loudness can depend on.

    The last gating block of BS.1770 that holds any of its sound ends 0.4 s after it, and the
    meter's filter has died away after a few hundredths more.
    """
    heard = prepared.parts[-1] + prepared.rate_hz
    return replace(prepared, length=min(prepared.length, heard))


def _render(prepared: RenderedPassage) -> None:
    """Write a passage's tracks: section, tone, rate, fades.

    Raises
    ------
    SourceError
        A recording can't be read to its end, or holds NaN or infinite samples.
    """
    overlaps, rate_hz = prepared.overlaps, prepared.rate_hz
    part = prepared.file.with_suffix(f".{threading.get_ident()}")
    with part.open("wb") as out:
        for section, fade_in, fade_out in zip(
            prepared.sections, overlaps, (*overlaps[1:], 0), strict=True
        ):
            try:
                sound = _toned(section, rate_hz)
                for block in fade(sound, section.samples_at(rate_hz), fade_in, fade_out):
                    out.write(np.ascontiguousarray(block, "<f4").data)
            except SourceError as error:
                error.index = section.index
                raise
    part.replace(prepared.file)


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
    fades = (section.fade_in_s, section.fade_out_s)
    fade_in, fade_out = (round(time_s * rate_hz) for time_s in fades)
    length = section.samples_at(rate_hz)
    return fade(sound, length, fade_in, fade_out, shape=section.track.fade_shape)


def with_gain(prepared: RenderedPassage, gains_db: Sequence[float]) -> Iterator[Samples]:
    """Apply each track's gain, and join the tracks.

    Where tracks overlap, each keeps its own gain; at a segue the gain moves smoothly over
    2 × `RAMP_S`.
    """
    if not prepared.file.exists():
        _render(prepared)
    held = np.zeros((0, 2), np.float32)  # of the track before: what overlaps
    with prepared.file.open("rb") as file:
        for i, length in enumerate(prepared.lengths):
            alone = length - (*prepared.overlaps[1:], 0)[i]
            ends = []
            position = 0
            while position < length:
                check_cancelled()
                wanted = min(BLOCK_FRAMES, length - position)
                block = np.frombuffer(file.read(wanted * 8), "<f4").reshape(-1, 2)
                block = _gained(block, position, _knots(prepared, gains_db, i))
                if position < len(held):
                    both = held[position : position + wanted]
                    block = np.concatenate((block[: len(both)] + both, block[len(both) :]))
                if position < alone:
                    yield block[: alone - position]
                if position + wanted > alone:
                    ends.append(block[max(0, alone - position) :])
                position += wanted
            held = np.concatenate(ends) if ends else held[:0]


Knots = tuple[list[int], list[float]]


def _knots(prepared: RenderedPassage, gains_db: Sequence[float], i: int) -> Knots:
    """Give places in a track and the gain there, between which it moves in a straight line."""
    ramp = max(1, round(RAMP_S * prepared.rate_hz))
    length = prepared.lengths[i]
    places, levels = [0], [gains_db[i]]
    if i > 0 and not prepared.overlaps[i]:
        places, levels = [-ramp, ramp], [gains_db[i - 1], gains_db[i]]
    if i + 1 < len(gains_db) and not prepared.overlaps[i + 1]:
        places, levels = (
            [*places, length - ramp, length + ramp],
            [*levels, gains_db[i], gains_db[i + 1]],
        )
    return places, levels


def _gained(block: Samples, position: int, knots: Knots) -> Samples:
    places, levels_db = knots
    if len(set(levels_db)) == 1:
        gain = np.float32(amplitude(levels_db[0]))
        return block if gain == 1 else block * gain
    gain_db = np.interp(np.arange(position, position + len(block)), places, levels_db)
    return (block * (10 ** (gain_db / 20))[:, None]).astype(np.float32)


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
