"""Count and list the clicks of a transfer.

Each channel is searched by itself, see `click_search`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from assembler.dsp.blocks import Samples, Windows
from assembler.restoration.analysis.click_search import (
    HOP,
    ClickSearch,
    FoundClick,
    time_scale,
)
from assembler.restoration.analysis.percussion import like_hits

DEFAULT_STRENGTH = 5.0
MOST_KEPT = 10_000
"""Clicks beyond this number are counted and not listed."""
HOPS_AROUND = 4
"""Hops on either side of a window that are searched with it."""
_HOPS = 384
"""Hops of a window: 9 s near 44.1 kHz; the hits in it are compared."""


@dataclass(frozen=True)
class Click:
    """One click: its channel (0 left, 1 right), first sample, and length in samples."""

    channel: int
    start_sample: int
    samples: int


@dataclass(frozen=True)
class ClickReading:
    """Clicks of a side."""

    per_minute: float
    """Mean over the side, both channels counted together."""
    clicks: tuple[Click, ...]
    """In order of time; at most `MOST_KEPT`."""
    count: int
    """Number of all clicks."""


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
    """Click search over both channels of a window."""

    def __init__(self, rate_hz: int, strength: float) -> None:
        self._search = ClickSearch(rate_hz, strength)
        hop = self._search.hop
        self._range = HOPS_AROUND * hop, (HOPS_AROUND + _HOPS) * hop

    def clicks(self, window: ClickWindow) -> Iterator[tuple[int, FoundClick]]:
        """Yield the channel and the position of each click."""
        found = [
            (channel, click)
            for channel in range(2)
            for click in self._search.clicks_between(
                np.ascontiguousarray(window.samples[:, channel]),
                *self._range,
                window.start,
                window.end,
            )
        ]
        hits = [click.first for _, click in found if click.rings]
        doubtful = [(channel, click) for channel, click in found if not click.rings]
        places = [click.first for _, click in doubtful]
        like = like_hits(window.samples, places, hits, self._search.scale)
        for place, is_hit in zip(doubtful, like, strict=True):
            if not is_hit:
                yield place


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

    def feed(self, block: Samples) -> None:
        """Add a block of any length, shape (frames, 2)."""
        for window in self._windows.feed(block):
            found = self._within(window)
            self._count += len(found)
            self._clicks += found[: MOST_KEPT - len(self._clicks)]

    def _within(self, window: ClickWindow) -> list[Click]:
        clicks = [
            Click(channel, window.position + found.first, found.last - found.first)
            for channel, found in self._finder.clicks(window)
        ]
        return sorted(clicks, key=lambda click: (click.start_sample, click.channel))

    def reading(self) -> ClickReading:
        """Return the clicks found so far."""
        last = [click for window in self._windows.rest() for click in self._within(window)]
        count = self._count + len(last)
        clicks = (*self._clicks, *last)[:MOST_KEPT]
        minutes = self._windows.frames / self.rate_hz / 60
        return ClickReading(count / minutes if minutes else 0.0, clicks, count)
