"""Repair clicks: replace their samples by autoregressive interpolation, and remove their thumps.

Only the samples of a click change, and those of the thump after it; each channel is searched and
repaired by itself. The shape that was fitted to a thump is subtracted: the music under it stays.

Source: `click_search`, `autoregression` and `thumps`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.autoregression import ar_interpolate, ar_restore, lerp
from assembler.restoration.analysis.burst_search import BURST_GUARD, SHORTEST_BURST
from assembler.restoration.analysis.click_search import HOP, FoundClick, time_scale
from assembler.restoration.analysis.clicks import (
    DEFAULT_STRENGTH,
    HOPS_AROUND,
    ClickFinder,
    ClickWindow,
    ClickWindows,
)

if TYPE_CHECKING:
    from assembler.restoration.analysis.thumps import Thump

_ORDER = 160
_MODEL_SAMPLES = 2560
"""Samples on either side of a click from which the model is estimated."""
_BURST_ORDER, _BURST_MODEL_SAMPLES = 320, 3072
"""Of bursts: what is left of the sound in them is used, and a longer model."""


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
    repair = _ClickRepair(rate_hz, strength)
    for block in blocks:
        for window in windows.feed(block):
            yield repair.repaired(window)[: -repair.delay]
    *complete, last = [None, *windows.rest()]
    for window in filter(None, complete):
        yield repair.repaired(window)[: -repair.delay]
    if last:
        yield repair.repaired(last)


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

    def __init__(self, rate_hz: int, strength: float) -> None:
        scale = time_scale(rate_hz)
        self._rate_hz = rate_hz
        self.delay = 2 * BURST_GUARD * scale
        self._finder = ClickFinder(rate_hz, strength)
        self._around = HOPS_AROUND * HOP * scale
        self._scale = scale
        self._patches: list[_Patch] = []

    def repaired(self, window: ClickWindow) -> Samples:
        """Return the samples from `delay` before the window's middle part to the end of that part.

        At the start and end of the stream they begin and end with the stream.
        """
        samples = window.samples.copy()
        for patch in self._patches:
            start, end = patch.position - window.position, patch.end - window.position
            samples[start:end, patch.channel] = patch.samples
        self._repair(window, samples)
        first = max(self._around - self.delay, window.start)
        last = min(len(samples) - self._around, window.end)
        keep_from = window.position + last - self.delay
        self._patches = [patch for patch in self._patches if patch.end > keep_from]
        return samples[first:last]

    def _repair(self, window: ClickWindow, samples: Samples) -> None:
        clicks = list(self._finder.clicks(window))
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
