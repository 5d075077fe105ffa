"""Count and list the clicks of a transfer.

Each channel is searched by itself, see `click_search`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from assembler.dsp.blocks import Samples, Windows
from assembler.restoration.analysis.click_search import (
    HOP,
    ClickSearch,
    FoundClick,
    time_scale,
)
from assembler.restoration.analysis.percussion import like_hits

if TYPE_CHECKING:
    from assembler.restoration.analysis.thumps import Thump

DEFAULT_STRENGTH = 5.0
MOST_KEPT = 10_000
"""Clicks beyond this number are counted and not listed."""
HOPS_AROUND = 72
"""Hops on either side of a window that are kept with it, for thumps: 1.6 s."""
_SEARCHED_AROUND = 4
"""Those of them that are searched for clicks with it."""
_HOPS = 384
"""Hops of a window: 9 s near 44.1 kHz; the hits in it are compared."""


@dataclass(frozen=True)
class Click:
    """One click: its channel (0 left, 1 right), first sample, and length in samples."""

    channel: int
    start_sample: int
    samples: int
    thump_peak: float = 0.0
    """Peak of the thump after it, re full scale; 0 if there is none."""


@dataclass(frozen=True)
class ClickReading:
    """Clicks of a side."""

    per_minute: float
    """Mean over the side, both channels counted together."""
    clicks: tuple[Click, ...]
    """In order of time; at most `MOST_KEPT`."""
    count: int
    """Number of all clicks."""
    thump_peaks: tuple[float, ...] = ()
    """Peak of each thump after a click, re full scale."""


@dataclass(frozen=True, eq=False)
class ClickWindow:
    """A passage of a stream on a fixed grid, with the samples before and after it."""

    samples: Samples
    """Shape (around + step + around, 2); zeros outside the stream."""
    position: int
    """Position of its first sample in the stream; negative for the first window."""
    start: int
    end: int
    """First sample of the window that is in the stream, and the one after the last."""


class ClickWindows:
    """Windows of a stream on a grid that does not depend on the sizes of its blocks."""

    def __init__(self, rate_hz: int) -> None:
        hop = HOP * time_scale(rate_hz)
        self.step, self.around = _HOPS * hop, HOPS_AROUND * hop
        self.frames = 0
        self._size = self.step + 2 * self.around
        self._windows = Windows(self._size, self.step, before=self.around)
        self._next = -self.around

    def feed(self, block: Samples) -> Iterator[ClickWindow]:
        """Add a block and yield the windows that are complete."""
        self.frames += len(block)
        for samples in self._windows.feed(block):
            yield self._window(samples, self._next)
            self._next += self.step

    def rest(self) -> Iterator[ClickWindow]:
        """Yield the last windows, padded with zeros; more blocks may still follow."""
        samples = np.concatenate((self._windows.rest, np.zeros((self._size, 2), np.float32)))
        for position in range(self._next, self.frames - self.around, self.step):
            yield self._window(samples[position - self._next :][: self._size], position)

    def _window(self, samples: Samples, position: int) -> ClickWindow:
        end = min(self.frames - position, self._size)
        return ClickWindow(samples, position, max(-position, 0), end)


class ClickFinder:
    """Search for clicks and the thumps after them over both channels of a window."""

    def __init__(self, rate_hz: int, strength: float) -> None:
        self._search = ClickSearch(rate_hz, strength)
        self._rate_hz = rate_hz
        hop = self._search.hop
        self._range = _SEARCHED_AROUND * hop, (_SEARCHED_AROUND + _HOPS) * hop
        self._left_out = (HOPS_AROUND - _SEARCHED_AROUND) * hop

    def clicks(self, window: ClickWindow) -> Iterator[tuple[int, FoundClick, Thump | None]]:
        """Yield the channel and the position of each click, and its thump if it has one."""
        from assembler.restoration.analysis.thumps import thumps_after  # it loads scipy

        found = list(self._clicks(window))
        for channel in range(2):
            clicks = sorted((c for of, c in found if of == channel), key=lambda c: c.first)
            places = [(click.first, click.last) for click in clicks]
            sound = window.samples[window.start : window.end, channel]
            thumps = thumps_after(sound, places, window.start, self._rate_hz)
            yield from ((channel, *each) for each in zip(clicks, thumps, strict=True))

    def _clicks(self, window: ClickWindow) -> Iterator[tuple[int, FoundClick]]:
        out = self._left_out
        samples = window.samples[out : len(window.samples) - out]
        start, end = max(window.start - out, 0), min(max(window.end - out, 0), len(samples))
        found = [
            (channel, click)
            for channel in range(2)
            for click in self._search.clicks_between(
                np.ascontiguousarray(samples[:, channel]), *self._range, start, end
            )
        ]
        hits = [click.first for _, click in found if click.rings]
        doubtful = [(channel, click) for channel, click in found if not click.rings]
        places = [click.first for _, click in doubtful]
        like = like_hits(samples, places, hits, self._search.scale)
        for (channel, click), is_hit in zip(doubtful, like, strict=True):
            if not is_hit:
                yield channel, replace(click, first=click.first + out, last=click.last + out)


class ClickMeter:
    """Meter of clicks in a stereo stream.

    Parameters
    ----------
    rate_hz, strength
        Sample rate, and 1 to 10, as for `declick`, which repairs the clicks found here.
    """

    def __init__(self, rate_hz: int, strength: float = DEFAULT_STRENGTH) -> None:
        self.rate_hz = rate_hz
        self._windows = ClickWindows(rate_hz)
        self._finder = ClickFinder(rate_hz, strength)
        self._clicks: list[Click] = []
        self._count = 0
        self._thump_peaks: list[float] = []

    def feed(self, block: Samples) -> None:
        """Add a block of any length, shape (frames, 2)."""
        for window in self._windows.feed(block):
            found = self._within(window)
            self._count += len(found)
            self._thump_peaks += _thump_peaks(found)
            self._clicks += found[: MOST_KEPT - len(self._clicks)]

    def _within(self, window: ClickWindow) -> list[Click]:
        clicks = [
            Click(
                channel,
                window.position + found.first,
                found.last - found.first,
                thump.peak(self.rate_hz) if thump else 0.0,
            )
            for channel, found, thump in self._finder.clicks(window)
        ]
        return sorted(clicks, key=lambda click: (click.start_sample, click.channel))

    def reading(self) -> ClickReading:
        """Return the clicks found so far."""
        last = [click for window in self._windows.rest() for click in self._within(window)]
        count = self._count + len(last)
        clicks = (*self._clicks, *last)[:MOST_KEPT]
        minutes = self._windows.frames / self.rate_hz / 60
        peaks = (*self._thump_peaks, *_thump_peaks(last))
        return ClickReading(count / minutes if minutes else 0.0, clicks, count, peaks)


def _thump_peaks(clicks: list[Click]) -> list[float]:
    return [click.thump_peak for click in clicks if click.thump_peak]
