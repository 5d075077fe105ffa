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

    By soxr's best quality. Its single precision costs a quarter to a third less, but leaves −136 dB
    of a tone and moves peaks of music by −128 dBFS: more than rounding to 24 bits does.

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

    stream = soxr.ResampleStream(
        rate_hz * float(factor), rate_hz, 2, dtype="float32", quality="VHQ"
    )
    frames_in = frames_out = 0
    for block in blocks:
        frames_in += len(block)
        piece = stream.resample_chunk(np.ascontiguousarray(block))
        frames_out += len(piece)
        yield piece
    missing = max(0, round(frames_in / factor) - frames_out)
    rest = stream.resample_chunk(np.zeros((0, 2), np.float32), last=True)[:missing]
    yield np.concatenate((rest, np.zeros((missing - len(rest), 2), np.float32)))
