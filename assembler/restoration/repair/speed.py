"""Correct the speed of a transfer: pitch and tempo together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction

import numpy as np

from assembler.dsp.blocks import Samples


def change_speed(
    blocks: Iterable[Samples], rate_hz: int, factor: float | Fraction
) -> Iterator[Samples]:
    """Resample a stream so that it runs faster or slower: n samples become round(n / factor).

    soxr's filter in single precision: images, aliases and noise of a tone are below −130 dB. Music
    differs from that of its best quality, which costs 1.3 to 1.6 times as much, by −148 dBFS RMS at
    most: not by more than rounding to 24 bits.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate, which stays the same.
    factor
        Above 1 the sound runs faster and becomes shorter.
    """
    if factor == 1:
        yield from blocks
        return
    import soxr

    stream = soxr.ResampleStream(rate_hz * float(factor), rate_hz, 2, dtype="float32", quality="HQ")
    frames_in = frames_out = 0
    for block in blocks:
        frames_in += len(block)
        piece = stream.resample_chunk(np.ascontiguousarray(block))
        frames_out += len(piece)
        yield piece
    missing = max(0, round(frames_in / factor) - frames_out)
    rest = stream.resample_chunk(np.zeros((0, 2), np.float32), last=True)[:missing]
    yield np.concatenate((rest, np.zeros((missing - len(rest), 2), np.float32)))
