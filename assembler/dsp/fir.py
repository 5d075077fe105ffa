"""The inner loop of every FIR filter."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from assembler.dsp.compiled import compiled


@compiled
def add_filtered(out: NDArray[Any], samples: NDArray[Any], taps: NDArray[Any]) -> None:
    """Add to out[i] the sum of taps[k] * samples[i + k], eight taps at a time, in a fixed order.

    The number of taps must be a multiple of eight.
    """
    span = out.shape[0]
    for k in range(0, taps.shape[0], 8):
        t0, t1, t2, t3 = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
        t4, t5, t6, t7 = taps[k + 4], taps[k + 5], taps[k + 6], taps[k + 7]
        x = samples[k : k + span + 7]
        for i in range(span):
            out[i] += (
                t0 * x[i]
                + t1 * x[i + 1]
                + t2 * x[i + 2]
                + t3 * x[i + 3]
                + t4 * x[i + 4]
                + t5 * x[i + 5]
                + t6 * x[i + 6]
                + t7 * x[i + 7]
            )
