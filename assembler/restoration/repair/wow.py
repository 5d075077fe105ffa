"""Correct cyclic wow: each sample is read where the tape was at that moment.

What half a period puts early, the other half puts late: a side keeps its length, and its tracks
stay where they were within milliseconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from itertools import chain

import numpy as np

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.varying_delay import BOTH_ORDER, read_both, sinc_taps, tap_polynomials
from assembler.restoration.analysis.common_sine import Curve
from assembler.restoration.analysis.wow import CyclicWow

_HALF_TAPS, _KAISER_BETA = 32, 8.0
_HALF_TAPS_ABOVE_64_KHZ, _KAISER_BETA_ABOVE_64_KHZ = 16, 10.0
"""Errors below −90 dB up to 36 kHz at 96 kHz; the longer filter's are below −77 dB up to 20 kHz."""
_ROUNDS = 4
"""Each makes the place of a sample as much more exact as the speed error is small."""
_HOP = 8
"""Samples from one place to the next, between which places are on a line."""
_HOPS = 1 << 14
"""Fewest places that are worked out at once."""
_PARTS = 300
"""Parts of a period of the wow, or more, at whose ends places are worked out; a cubic through four
of these is exact to 0.00001 samples for wow of 3 % at 0.5 Hz."""
_GROUP, _MOST_MOVED = 128, 0.26
"""Samples that are filtered at once, or fewer, so that their offsets differ by no more than that:
then taps are exact to −105 dB up to 20 kHz at 44.1 kHz, −114 dB up to 36 kHz at 96 kHz."""


def correct_wow(
    blocks: Iterable[Samples], rate_hz: int, wow: CyclicWow, start: int = 0
) -> Iterator[Samples]:
    """Undo cyclic wow: n samples stay n samples.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    wow
        As measured.
    start
        Sample of the side at which the stream begins.
    """
    done, group, speed = start, _GROUP, float(wow.amplitudes.max())
    while group > _HOP and group * speed > _MOST_MOVED:
        group //= 2
    half, beta = _HALF_TAPS, _KAISER_BETA
    if rate_hz >= 64_000:
        half, beta = _HALF_TAPS_ABOVE_64_KHZ, _KAISER_BETA_ABOVE_64_KHZ
    taps_at = partial(sinc_taps, half=half, beta=beta)
    coefficients = tap_polynomials(taps_at, BOTH_ORDER, group * speed)
    around = int(np.ceil(wow.most_s * rate_hz)) + half + 1 + group
    neighbours = Neighbours(around, around, 2)
    offsets, begin = np.zeros(0), 0
    for padded in chain((neighbours.feed(block) for block in blocks), _last(neighbours)):
        frames, inside = len(padded) - 2 * around, done % group
        out = np.empty((-(-(inside + frames) // group) * group, 2), np.float32)
        hop = (done - inside) // _HOP
        offsets, begin = offsets[hop - begin :], hop
        missing = len(out) // _HOP + 1 - len(offsets)
        if missing > 0:
            more = _offsets(wow, rate_hz, hop + len(offsets), max(missing, _HOPS))
            offsets = np.concatenate((offsets, more))
        read_both(padded, around - inside, offsets, _HOP, group, coefficients, out)
        done += frames
        yield out[inside : inside + frames]


def _last(neighbours: Neighbours) -> Iterator[Samples]:
    yield neighbours.finish()


def _offsets(wow: CyclicWow, rate_hz: int, first: int, hops: int) -> Curve:
    """Return how many samples from the beginning of each hop the sound is that belongs there."""
    part = 1 << max(0, int(np.log2(rate_hz / (_PARTS * _HOP * wow.hz))))  # hops
    inside = first % part
    parts = (inside + hops - 1) // part + 1
    times_s = (np.arange(parts + 3.0) + (first // part - 1)) * (part * _HOP / rate_hz)
    read_s = times_s
    for _ in range(_ROUNDS):
        read_s = times_s - wow.ahead_s(read_s)
    ends = (read_s - times_s)[:, None] * rate_hz
    x = np.arange(part) / part
    between = (
        ends[:parts] * (-x * (x - 1) * (x - 2) / 6)
        + ends[1 : parts + 1] * ((x + 1) * (x - 1) * (x - 2) / 2)
        + ends[2 : parts + 2] * (-x * (x + 1) * (x - 2) / 2)
        + ends[3 : parts + 3] * (x * (x + 1) * (x - 1) / 6)
    )
    return np.ravel(between)[inside : inside + hops]
