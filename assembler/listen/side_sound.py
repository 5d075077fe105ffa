"""A tape side while it is listened to: the transfer, what restoration makes of it, what it removes.

Until the whole side is restored, a stretch of it is restored where it is read, by the same steps as
in a build, with enough sound before it for the steps to settle.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from assembler.audio import Recording
from assembler.dsp.blocks import Samples, skip
from assembler.listen.stretch import MOST_S, NoSoundError, Stretch, in_24_bits, samples_around, span
from assembler.preflight.check import CheckReport
from assembler.preflight.sides import Side
from assembler.preflight.track_section import TrackSection
from assembler.restoration.chain import Resolved, correct_speed, restored_passage

PLACING = ("swap_channels", "invert_polarity", "azimuth", "balance", "wow", "speed")
TONE = ("playback", "equaliser")
"""Steps that remove nothing: they change where sound is, in its channels and in time, or its EQ."""
_RUN_UP_S = 1
"""Sound that the speed correction reads before a stretch."""

Steps = Callable[[str], Resolved]
"""Return the steps of a side, by its name, as far as they are known."""


@dataclass(frozen=True)
class LiveSide(Recording):
    """A side that is restored where it is read, on its own clock after the speed correction.

    Attributes
    ----------
    steps
        Returns its steps now.
    without
        Steps to leave out.
    """

    steps: Callable[[], Resolved] = Resolved
    without: tuple[str, ...] = ()

    @property
    def frames(self) -> int:
        """Samples per channel after the speed correction."""
        return round(super().frames / self.steps().factor)

    @property
    def is_provisional(self) -> bool:
        """Whether it can't be read yet."""
        return any(file.needs_ffmpeg for file in self.originals or self.files)

    def blocks(self, start: int, end: int) -> Iterator[Samples]:
        """Read restored samples from `start` to before `end` as stereo blocks."""
        resolved, transfer = self.steps(), Recording(self.files)
        factor = resolved.factor
        if factor == 1:
            yield from restored_passage(transfer, resolved, start, end, self.without)
            return
        first = max(0, start - _RUN_UP_S * self.rate_hz)
        if factor.denominator <= self.rate_hz:  # begin where a sample falls on one of the transfer
            first -= first % factor.denominator
        last = min(transfer.frames, math.ceil((end + _RUN_UP_S * self.rate_hz) * factor))
        passage = restored_passage(transfer, resolved, round(first * factor), last, self.without)
        sound = correct_speed(passage, self.rate_hz, resolved)
        yield from skip(sound, start - first, end - start)


def with_live_sides(report: CheckReport, steps: Steps) -> CheckReport:
    """Return a check's report whose tracks of restored sides can be read before these are made."""

    def live(sections: Iterable[TrackSection]) -> tuple[TrackSection, ...]:
        return tuple(_live(section, steps) for section in sections)

    editions = {
        name: replace(one, sections=live(one.sections)) for name, one in report.editions.items()
    }
    return replace(report, sections=live(report.sections), editions=editions)


def _live(section: TrackSection, steps: Steps) -> TrackSection:
    side = section.side
    if side is None or side.transfer.is_unchanged:
        return section
    return replace(section, recording=_live_side(side, steps))


def _live_side(side: Side, steps: Steps, without: Collection[str] = ()) -> LiveSide:
    return LiveSide(side.original.files, steps=lambda: steps(side.name), without=tuple(without))


def source_stretch(section: TrackSection, start_s: float, end_s: float | None) -> Stretch:
    """Return a stretch of a track's recording before EQ, gain and fades; of a side, the transfer.

    Parameters
    ----------
    section
        The track.
    start_s, end_s
        From the track's start, on the track's own clock: a side whose speed is corrected is read
        where this falls on the transfer. None for the track's end.
    """
    recording = section.side.original if section.side else section.recording
    factor = section.side.transfer.restoration.factor if section.side else 1
    first, last = (round(edge * factor) for edge in _edges(section, start_s, end_s))
    sound = samples_around(recording, first, last)
    return in_24_bits(sound, recording.rate_hz, exact=True)


def restored_stretch(
    section: TrackSection,
    steps: Steps,
    span_s: tuple[float, float | None],
    without: Collection[str] = (),
) -> Stretch:
    """Return a stretch of a track of a side after restoration, before EQ, gain and fades.

    Parameters
    ----------
    section
        The track.
    steps
        The side's steps.
    span_s
        From the track's start; None for the track's end.
    without
        Steps to leave out.

    Raises
    ------
    NoSoundError
        The track is on no side.
    """
    side, edges = _side_of(section), _edges(section, *span_s)
    recording = section.recording
    if "speed" in without:
        factor = side.transfer.restoration.factor
        edges = round(edges[0] * factor), round(edges[1] * factor)
        recording = _live_side(side, lambda name: replace(steps(name), factor=Fraction(1)), without)
    elif without:
        recording = _live_side(side, steps, without)
    sound = samples_around(recording, *edges)
    return in_24_bits(sound, recording.rate_hz, exact=not isinstance(recording, LiveSide))


def removed_stretch(
    section: TrackSection,
    steps: Steps,
    span_s: tuple[float, float | None],
    step: str | None = None,
) -> Stretch:
    """Return what restoration removes: the source less the restored sound, aligned in time.

    Parameters
    ----------
    section, steps, span_s
        As for `restored_stretch`.
    step
        The one step whose effect is played; None for all that remove something. Steps that only
        place sound in its channels and in time are in both.

    Raises
    ------
    NoSoundError
        The track is on no side.
    """
    side = _side_of(section)
    edges = _edges(section, *span_s)
    restored = section.recording
    if side.transfer.restoration.factor != 1:  # both resampled from the same sample
        restored = _live_side(side, steps)
    if side.transfer.is_unchanged:
        before: Recording = side.original
    else:
        before = _live_side(side, steps, [step] if step else removing_steps(steps(side.name)))
    sound = samples_around(before, *edges) - samples_around(restored, *edges)
    exact = step is None and not isinstance(restored, LiveSide)
    return in_24_bits(np.asarray(sound, np.float32), restored.rate_hz, exact=exact)


def removing_steps(steps: Resolved) -> list[str]:
    """Return the names of the steps in use that remove something."""
    return [name for name in steps.values() if name not in PLACING + TONE]


def _side_of(section: TrackSection) -> Side:
    if section.side is None:
        raise NoSoundError("the track is not on a tape side: nothing of it is restored")
    return section.side


def _edges(section: TrackSection, start_s: float, end_s: float | None) -> tuple[int, int]:
    """Return a stretch in samples of the track's recording, no longer than `MOST_S`."""
    rate_hz = section.recording.rate_hz
    until_s = (section.end - section.start) / rate_hz if end_s is None else end_s
    first = section.start + round(start_s * rate_hz)
    last = section.start + round(min(until_s, start_s + MOST_S) * rate_hz)
    return first, max(first, last)


def side_stretch(
    recording: Recording,
    steps: Resolved,
    span_s: tuple[float, float | None],
    without: Collection[str] = (),
    less: Resolved | None = None,
) -> Stretch:
    """Return a stretch of a side on the transfer's clock, restored except for its speed.

    Parameters
    ----------
    recording, steps
        The transfer, and its steps.
    span_s
        From the transfer's start; None for its end.
    without
        Steps to leave out.
    less
        Steps whose result is subtracted, so that their difference is left.
    """
    start, end = span(recording.frames, recording.rate_hz, *span_s)

    def sound(resolved: Resolved, left_out: Collection[str]) -> Samples:
        blocks = restored_passage(recording, resolved, start, end, left_out)
        return np.concatenate([np.zeros((0, 2), np.float32), *blocks])

    found = sound(steps, without)
    if less is not None:
        found = found - sound(less, ())
    return in_24_bits(found, recording.rate_hz, exact=not steps.values())
