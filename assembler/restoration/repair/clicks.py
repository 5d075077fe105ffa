"""Clicks of a transfer: counted, and mended by what the sound around them makes expect.

Only the samples of a click are changed; each channel is searched and mended by itself.

Source: `click_search` and `autoregression`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.autoregression import ar_interpolate, lerp
from assembler.restoration.analysis.click_search import GUARD, HOP, Found, Search, time_scale

USUAL_STRENGTH = 5.0
MOST_KEPT = 10_000
"""Of more clicks than this the later ones are counted and not listed."""
_HOPS = 64
_HOPS_AROUND = 4
_ORDER = 160
_LEARNT = 2560


@dataclass(frozen=True)
class Click:
    """One click: its channel (0 left, 1 right), first sample, and length in samples."""

    channel: int
    start_sample: int
    samples: int


@dataclass(frozen=True)
class ClickReading:
    """Clicks of a side.

    Attributes
    ----------
    per_minute
        Mean over the side, both channels together.
    clicks
        In order of time; the first ones only, where there are very many.
    count
        All of them.
    """

    per_minute: float
    clicks: tuple[Click, ...]
    count: int


@dataclass(frozen=True, eq=False)
class _Window:
    """A stretch of a stream on a fixed grid, with its neighbours.

    Attributes
    ----------
    samples
        Shape (around + step + around, 2); zeros where the stream has none.
    begins
        Place in the stream of its first sample; below 0 at first.
    start, end
        Where the stream begins and ends in it.
    """

    samples: Samples
    begins: int
    start: int
    end: int


class _Windows:
    """Cut a stream into windows on a grid that doesn't depend on its blocks."""

    def __init__(self, rate_hz: int) -> None:
        hop = HOP * time_scale(rate_hz)
        self.step, self.around = _HOPS * hop, _HOPS_AROUND * hop
        self.taken = 0
        self._begins = -self.around
        self._kept = [np.zeros((self.around, 2), np.float32)]
        self._length = self.around

    def feed(self, block: Samples) -> Iterator[_Window]:
        """Take a block; give the windows that are complete."""
        self.taken += len(block)
        self._kept.append(block.copy())
        self._length += len(block)
        size = self.step + 2 * self.around
        while self._length >= size:
            sound = np.concatenate(self._kept)
            yield _Window(sound[:size], self._begins, max(-self._begins, 0), size)
            self._kept = [sound[self.step :]]
            self._length -= self.step
            self._begins += self.step

    def rest(self) -> Iterator[_Window]:
        """Give the last windows, zeros after the end; the stream may still go on."""
        size = self.step + 2 * self.around
        sound = np.concatenate([*self._kept, np.zeros((size, 2), np.float32)])
        for begins in range(self._begins, self.taken - self.around, self.step):
            part = sound[begins - self._begins :][:size]
            end = min(self.taken - begins, size)
            yield _Window(part, begins, max(-begins, 0), end)


class _Finder:
    """Find the clicks of both channels in windows."""

    def __init__(self, rate_hz: int, strength: float) -> None:
        self._search = Search(rate_hz, strength)
        hop = self._search.hop
        self._range = _HOPS_AROUND * hop, (_HOPS_AROUND + _HOPS) * hop

    def clicks(self, window: _Window) -> Iterator[tuple[int, Found]]:
        """Give channel and place of each click."""
        for channel in range(2):
            sound = np.ascontiguousarray(window.samples[:, channel])
            for click in self._search.within(sound, *self._range, window.start, window.end):
                yield channel, click


class ClickMeter:
    """Meter of clicks in a stereo stream.

    Parameters
    ----------
    rate_hz
        Sample rate.
    strength
        1 to 10, as for `declick`, which mends what this finds.
    """

    def __init__(self, rate_hz: int, strength: float = USUAL_STRENGTH) -> None:
        self.rate_hz = rate_hz
        self._windows = _Windows(rate_hz)
        self._finder = _Finder(rate_hz, strength)
        self._clicks: list[Click] = []
        self._count = 0

    def feed(self, block: Samples) -> None:
        """Take a block, shape (frames, 2), of any length."""
        for window in self._windows.feed(block):
            found = self._within(window)
            self._count += len(found)
            self._clicks += found[: MOST_KEPT - len(self._clicks)]

    def _within(self, window: _Window) -> list[Click]:
        clicks = [
            Click(channel, window.begins + found.first, found.last - found.first)
            for channel, found in self._finder.clicks(window)
        ]
        return sorted(clicks, key=lambda click: (click.start_sample, click.channel))

    def reading(self) -> ClickReading:
        """Give what was found so far."""
        last = [click for window in self._windows.rest() for click in self._within(window)]
        count = self._count + len(last)
        clicks = (*self._clicks, *last)[:MOST_KEPT]
        minutes = self._windows.taken / self.rate_hz / 60
        return ClickReading(count / minutes if minutes else 0.0, clicks, count)


def declick(
    blocks: Iterable[Samples], rate_hz: int, strength: float = USUAL_STRENGTH
) -> Iterator[Samples]:
    """Repair the clicks of a stereo stream.

    Parameters
    ----------
    blocks
        The stream.
    rate_hz
        Its sample rate.
    strength
        1 to 10: the higher, the smaller the clicks that are mended.

    Yields
    ------
    ndarray of float32, shape (frames, 2)
        As many samples as came in; those outside the clicks are the same bit for bit.
    """
    windows = _Windows(rate_hz)
    mender = _Mender(rate_hz, strength)
    for block in blocks:
        for window in windows.feed(block):
            yield mender.mended(window)[: -mender.late]
    *complete, last = [None, *windows.rest()]
    for window in filter(None, complete):
        yield mender.mended(window)[: -mender.late]
    if last:
        yield mender.mended(last)


@dataclass(frozen=True, eq=False)
class _Patch:
    """Mended samples: their channel and place in the stream."""

    channel: int
    begins: int
    samples: Samples


class _Mender:
    """Repair window after window.

    Attributes
    ----------
    late
        A click that is found in the next window may touch so many samples at the end of this one.
    """

    def __init__(self, rate_hz: int, strength: float) -> None:
        scale = time_scale(rate_hz)
        self.late = 2 * GUARD * scale
        self._finder = _Finder(rate_hz, strength)
        self._around = _HOPS_AROUND * HOP * scale
        self._learnt = _LEARNT * scale
        self._patches: list[_Patch] = []

    def mended(self, window: _Window) -> Samples:
        """Give the samples that begin `late` before the window's middle, and end with the middle.

        At the stream's begin and end they begin and end with the stream.
        """
        sound = window.samples.copy()
        for patch in self._patches:
            begins = patch.begins - window.begins
            sound[begins : begins + len(patch.samples), patch.channel] = patch.samples
        self._mend(window, sound)
        first = max(self._around - self.late, window.start)
        last = min(len(sound) - self._around, window.end)
        keeps_from = window.begins + last - self.late
        self._patches = [p for p in self._patches if p.begins + len(p.samples) > keeps_from]
        return sound[first:last]

    def _mend(self, window: _Window, sound: Samples) -> None:
        clicks = list(self._finder.clicks(window))
        for channel, click in clicks:
            part = sound[:, channel].astype(np.float64)
            line = lerp(part, click.first, click.last)
            sound[click.first : click.last, channel] = line
        for channel, click in clicks:
            begin = max(click.first - self._learnt, window.start)
            around = sound[begin : min(click.last + self._learnt, window.end), channel]
            gap = click.first - begin, click.last - begin
            samples = ar_interpolate(around.astype(np.float64), *gap, _ORDER).astype(np.float32)
            sound[click.first : click.last, channel] = samples
            self._patches.append(_Patch(channel, window.begins + click.first, samples))
