"""Repair clicks: replace their samples by autoregressive interpolation, and remove their thumps.

Only the samples of a click change, and those of the thump after it; each channel is searched and
repaired by itself. The shape that was fitted to a thump is subtracted: the music under it stays.

Source: `click_search`, `autoregression` and `thumps`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from assembler.dsp.blocks import Samples, in_pieces
from assembler.restoration.analysis.autoregression import ar_interpolate, ar_restore, lerp
from assembler.restoration.analysis.burst_search import BURST_GUARD, SHORTEST_BURST
from assembler.restoration.analysis.click_search import FoundClick
from assembler.restoration.analysis.clicks import (
    DEFAULT_STRENGTH,
    ClickFinder,
    ClickWindow,
    ClickWindows,
)
from assembler.restoration.analysis.error_peaks import HOP, time_scale

if TYPE_CHECKING:
    from assembler.restoration.analysis.thumps import Thump

    _Found = tuple[int, FoundClick, Thump | None]

_ORDER = 160
_MODEL_SAMPLES = 2560
"""Samples on either side of a click from which the model is estimated."""
_BURST_ORDER, _BURST_MODEL_SAMPLES = 320, 3072
"""Of bursts: what is left of the sound in them is used, and a longer model."""

_HOPS_BEFORE, _HOPS_AFTER = 4, 20
"""Hops on either side of what is repaired: for the models, and for the longest thump."""
_PIECE = 1 << 15
"""Samples handed on at once, as evenly as they come in, so that no step after it waits long."""


def declick(
    blocks: Iterable[Samples], rate_hz: int, strength: float = DEFAULT_STRENGTH
) -> Iterator[Samples]:
    """Repair the clicks of a stereo stream.

    The stream keeps its length, and the samples outside the clicks and thumps pass bit for bit.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    strength
        1 to 10: the higher, the smaller the clicks that are repaired.
    """
    windows = ClickWindows(rate_hz)
    repair = _ClickRepair(windows, rate_hz, strength)
    ready: deque[Samples] = deque()
    handed_on = 0
    for block in blocks:
        for window in windows.feed(block):
            ready.extend(in_pieces([repair.repaired(window)], _PIECE))
        while ready and handed_on + len(ready[0]) + repair.latency <= windows.frames:
            handed_on += len(ready[0])
            yield ready.popleft()
    yield from ready
    for window in windows.rest():
        yield repair.repaired(window)


@dataclass(frozen=True, eq=False)
class _Patch:
    """Repaired samples, with their channel and position in the stream."""

    channel: int
    position: int
    samples: Samples

    @property
    def end(self) -> int:
        return self.position + len(self.samples)


class _ClickRepair:
    """Repair of one window after another.

    A click found in the next window may still change the last `delay` samples of a window.
    """

    def __init__(self, windows: ClickWindows, rate_hz: int, strength: float) -> None:
        self._scale = time_scale(rate_hz)
        self._rate_hz = rate_hz
        self._delay = 2 * BURST_GUARD * self._scale
        self._finder = ClickFinder(rate_hz, strength)
        self._step, self._around = windows.step, windows.around
        self.latency = self._step + self._around + self._delay
        """Most samples that are fed after a sample until it is repaired."""
        self._patches: list[_Patch] = []

    def repaired(self, window: ClickWindow) -> Samples:
        """Return the samples from `delay` before the window's middle part to as far before its end.

        At the start and end of the stream they begin and end with the stream.
        """
        hop, middle_end = HOP * self._scale, self._around + self._step
        first = max(self._around - self._delay, window.start)
        last = window.end if window.end <= middle_end else middle_end - self._delay
        begin, end = self._around - _HOPS_BEFORE * hop, middle_end + _HOPS_AFTER * hop
        clicks = [
            (channel, FoundClick(click.first - begin, click.last - begin), thump)
            for channel, click, thump in self._finder.clicks(window)
        ]
        part = ClickWindow(
            window.samples[begin:end],
            window.peaks,
            window.position + begin,
            max(window.start - begin, 0),
            min(window.end, end) - begin,
        )
        samples = part.samples.copy()
        self._repair(part, samples, clicks)
        keep_from = window.position + last
        self._patches = [patch for patch in self._patches if patch.end > keep_from]
        return samples[first - begin : last - begin]

    def _repair(self, window: ClickWindow, samples: Samples, clicks: list[_Found]) -> None:
        for patch in self._patches:
            at = patch.position - window.position
            samples[max(at, 0) : at + len(patch.samples), patch.channel] = patch.samples[
                -min(at, 0) :
            ]
        for channel, click, _ in clicks:
            part = samples[click.first - 1 : click.last + 1, channel].astype(np.float64)
            samples[click.first : click.last, channel] = lerp(part, 1, len(part) - 1)
        for channel, click, thump in clicks:
            if thump:
                self._subtract(window, samples, channel, click, thump)
        for channel, click, thump in clicks:
            self._fill(window, samples, channel, click, thump)

    def _subtract(
        self,
        window: ClickWindow,
        samples: Samples,
        channel: int,
        click: FoundClick,
        thump: Thump,
    ) -> None:
        """Subtract a thump from the samples after its click."""
        tail = thump.samples(self._rate_hz)[click.last - click.first :]
        end = min(click.last + len(tail), window.end)
        samples[click.last : end, channel] -= tail[: end - click.last].astype(np.float32)
        self._keep(window, samples, channel, click.last, end)

    def _fill(
        self,
        window: ClickWindow,
        samples: Samples,
        channel: int,
        click: FoundClick,
        thump: Thump | None,
    ) -> None:
        is_burst = click.last - click.first >= SHORTEST_BURST * self._scale
        reach = (_BURST_MODEL_SAMPLES if is_burst else _MODEL_SAMPLES) * self._scale
        begin = max(click.first - reach, window.start)
        end = min(click.last + reach, window.end)
        around = samples[begin:end, channel].astype(np.float64)
        gap = slice(click.first - begin, click.last - begin)
        if is_burst:
            around[gap] = window.samples[click.first : click.last, channel]
            if thump:
                around[gap] -= thump.samples(self._rate_hz)[: click.last - click.first]
            filled = ar_restore(around, gap.start, gap.stop, _BURST_ORDER * self._scale)
        else:
            filled = ar_interpolate(around, gap.start, gap.stop, _ORDER)
        samples[click.first : click.last, channel] = filled
        self._keep(window, samples, channel, click.first, click.last)

    def _keep(
        self, window: ClickWindow, samples: Samples, channel: int, first: int, last: int
    ) -> None:
        """Keep what was repaired for the next window."""
        patch = samples[first:last, channel].copy()
        self._patches.append(_Patch(channel, window.position + first, patch))
