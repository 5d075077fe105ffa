"""Count and list the clicks of a transfer.

Each channel is searched by itself, see `click_search`.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.click_search import ClickSearch, FoundClick
from assembler.restoration.analysis.error_peaks import BLOCK, HOP, error_peaks, time_scale
from assembler.restoration.analysis.percussion import like_hits

if TYPE_CHECKING:
    from assembler.restoration.analysis.thumps import Thump

DEFAULT_STRENGTH = 5.0
MOST_KEPT = 10_000
"""Clicks beyond this number are counted and not listed."""
HOPS_AROUND = 72
"""Hops on either side of a window that are kept with it, for thumps: 1.6 s."""
_HOPS = 384
"""Hops of a window: 9 s near 44.1 kHz; the hits in it are compared."""
_MOST_AT_ONCE = 16
"""Hops that are added at once."""


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
    """Shape (around + step + around, 2); zeros outside the stream. Valid until the next window is
    asked for."""
    peaks: NDArray[np.float32]
    """Their error peaks (`error_peaks`), shape (2, blocks); 0 in the last hop."""
    position: int
    """Position of its first sample in the stream; negative for the first window."""
    start: int
    end: int
    """First sample of the window that is in the stream, and the one after the last."""


class ClickWindows:
    """Windows of a stream on a grid that does not depend on the sizes of its blocks."""

    def __init__(self, rate_hz: int) -> None:
        self._scale = time_scale(rate_hz)
        self._hop = HOP * self._scale
        self.step, self.around = _HOPS * self._hop, HOPS_AROUND * self._hop
        self.frames = 0
        self._samples = np.zeros((self.step + 2 * self.around, 2), np.float32)
        self._peaks = np.zeros((2, len(self._samples) // (BLOCK * self._scale)), np.float32)
        self._position = -self.around
        # Samples of the next window that are known, and those of them whose peaks are.
        self._filled = self._searched = self.around

    def feed(self, block: Samples) -> Iterator[ClickWindow]:
        """Add a block and yield the windows that are complete."""
        self.frames += len(block)
        yield from self._add(block)

    def rest(self) -> Iterator[ClickWindow]:
        """Yield the last windows, padded with zeros; more blocks may still follow."""
        padded = copy(self)
        padded._samples, padded._peaks = self._samples.copy(), self._peaks.copy()
        zeros = np.zeros((_MOST_AT_ONCE * self._hop, 2), np.float32)
        while padded._position < self.frames - self.around:
            yield from padded._add(zeros[: len(padded._samples) - padded._filled])

    def _add(self, block: Samples) -> Iterator[ClickWindow]:
        """Add a block, or zeros after the end, in pieces that stay in the processor's cache."""
        at = 0
        while at < len(block):
            most = min(len(self._samples) - self._filled, _MOST_AT_ONCE * self._hop)
            piece = block[at : at + most]
            self._samples[self._filled : self._filled + len(piece)] = piece
            self._filled += len(piece)
            at += len(piece)
            self._fill_peaks()
            if self._filled == len(self._samples):
                yield self._window()
                self._advance()

    def _fill_peaks(self) -> None:
        """Fill the peaks of the hops that are known with half a hop after them."""
        half = self._hop // 2
        first, last = self._searched, (self._filled - half) // self._hop * self._hop
        if last > first:
            start, end = (at + half - first for at in self._ends())
            peaks = error_peaks(self._samples[first - half : last + half], self._scale, start, end)
            begin = first // (BLOCK * self._scale)
            self._peaks[:, begin : begin + peaks.shape[1]] = peaks
            self._searched = last

    def _ends(self) -> tuple[int, int]:
        """Return where the stream starts and ends in the window."""
        return max(-self._position, 0), self.frames - self._position

    def _window(self) -> ClickWindow:
        start, end = self._ends()
        last = min(end, len(self._samples))
        return ClickWindow(self._samples, self._peaks, self._position, start, last)

    def _advance(self) -> None:
        kept, blocks = 2 * self.around, self.step // (BLOCK * self._scale)
        self._samples[:kept] = self._samples[self.step :]
        self._peaks[:, : self._peaks.shape[1] - blocks] = self._peaks[:, blocks:]
        self._position += self.step
        self._filled, self._searched = kept, self._searched - self.step


class ClickFinder:
    """Search for clicks and the thumps after them over both channels of a window."""

    def __init__(self, rate_hz: int, strength: float) -> None:
        self._search = ClickSearch(rate_hz, strength)
        self._rate_hz = rate_hz
        hop = self._search.hop
        self._range = HOPS_AROUND * hop, (HOPS_AROUND + _HOPS) * hop

    def clicks(self, window: ClickWindow) -> Iterator[tuple[int, FoundClick, Thump | None]]:
        """Yield the channel and the position of each click, and its thump if it has one."""
        found = list(self._clicks(window))
        for channel in range(2):
            clicks = sorted((c for of, c in found if of == channel), key=lambda c: c.first)
            if clicks:
                from assembler.restoration.analysis.thumps import thumps_after  # it loads scipy

                places = [(click.first, click.last) for click in clicks]
                sound = window.samples[window.start : window.end, channel]
                thumps = thumps_after(sound, places, window.start, self._rate_hz)
                yield from ((channel, *each) for each in zip(clicks, thumps, strict=True))

    def _clicks(self, window: ClickWindow) -> Iterator[tuple[int, FoundClick]]:
        found = [
            (channel, click)
            for channel in range(2)
            for click in self._search.clicks_between(
                window.samples[:, channel],
                window.peaks[channel],
                *self._range,
                window.start,
                window.end,
            )
        ]
        hits = [click.first for _, click in found if click.rings]
        doubtful = [(channel, click) for channel, click in found if not click.rings]
        places = [click.first for _, click in doubtful]
        like = like_hits(window.samples, places, hits, self._search.scale)
        for each, is_hit in zip(doubtful, like, strict=True):
            if not is_hit:
                yield each


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
