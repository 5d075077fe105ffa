"""Repair clicks: replace their samples by autoregressive interpolation.

Only the samples of a click change; each channel is searched and repaired by itself.

Source: `click_search` and `autoregression`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.autoregression import ar_interpolate, lerp
from assembler.restoration.analysis.click_search import GUARD, HOP, time_scale
from assembler.restoration.analysis.clicks import (
    DEFAULT_STRENGTH,
    HOPS_AROUND,
    ClickFinder,
    ClickWindow,
    ClickWindows,
)

_ORDER = 160
_MODEL_SAMPLES = 2560
"""Samples on either side of a click from which the model is estimated."""


def declick(
    blocks: Iterable[Samples], rate_hz: int, strength: float = DEFAULT_STRENGTH
) -> Iterator[Samples]:
    """Repair the clicks of a stereo stream.

    The stream keeps its length, and the samples outside the clicks pass bit for bit.

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
        self.delay = 2 * GUARD * scale
        self._finder = ClickFinder(rate_hz, strength)
        self._around = HOPS_AROUND * HOP * scale
        self._model_samples = _MODEL_SAMPLES * scale
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
        for channel, click in clicks:
            part = samples[:, channel].astype(np.float64)
            samples[click.first : click.last, channel] = lerp(part, click.first, click.last)
        for channel, click in clicks:
            begin = max(click.first - self._model_samples, window.start)
            around = samples[begin : min(click.last + self._model_samples, window.end), channel]
            gap = click.first - begin, click.last - begin
            filled = ar_interpolate(around.astype(np.float64), *gap, _ORDER).astype(np.float32)
            samples[click.first : click.last, channel] = filled
            self._patches.append(_Patch(channel, window.position + click.first, filled))
