"""Second-order sections in series on a stereo stream: transposed direct form II, in float64."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.compiled import compiled

T = TypeVar("T", np.float32, np.float64)
Row = Sequence[float] | NDArray[np.float64]
Sections = NDArray[np.float64]
"""b0, b1, b2, 1, a1, a2 of each section, as for scipy.signal.sosfilt, shape (stages, 6)."""


@compiled
def _two(
    rows: NDArray[Any], state: NDArray[Any], c: int, first: float, second: float
) -> tuple[float, float]:
    """Return two samples of a channel through one section; its state waits in no memory between."""
    b0, b1, b2, a1, a2 = rows[0, c], rows[1, c], rows[2, c], rows[3, c], rows[4, c]
    one = b0 * first + state[0, c]
    two = b0 * second + (b1 * first - a1 * one + state[1, c])
    state[0, c] = b1 * second - a1 * two + (b2 * first - a2 * one)
    state[1, c] = b2 * second - a2 * two
    return one, two


@compiled
def _filter(cascade: NDArray[Any], state: NDArray[Any], block: Any, out: Any) -> None:
    """Fill `out`, all sections of two samples at once; cascade: (stages, 5, 2), state: (.., 2, 2).

    Both channels in one loop: neither waits for the result of the other.
    """
    even = block.shape[0] // 2 * 2
    for i in range(0, even, 2):
        l0, r0 = float(block[i, 0]), float(block[i, 1])
        l1, r1 = float(block[i + 1, 0]), float(block[i + 1, 1])
        for n in range(cascade.shape[0]):
            l0, l1 = _two(cascade[n], state[n], 0, l0, l1)
            r0, r1 = _two(cascade[n], state[n], 1, r0, r1)
        out[i, 0], out[i, 1], out[i + 1, 0], out[i + 1, 1] = l0, r0, l1, r1
    for i in range(even, block.shape[0]):
        for c in range(2):
            x = float(block[i, c])
            for n in range(cascade.shape[0]):
                rows, first = cascade[n], x
                x = rows[0, c] * first + state[n, 0, c]
                state[n, 0, c] = rows[1, c] * first - rows[3, c] * x + state[n, 1, c]
                state[n, 1, c] = rows[2, c] * first - rows[4, c] * x
            out[i, c] = x


class StereoCascade:
    """Sections in series, with their state from block to block.

    Parameters
    ----------
    left, right
        The sections of each channel; by default those of both are the same.
    """

    def __init__(
        self, left: Sections | Sequence[Row], right: Sections | Sequence[Row] | None = None
    ) -> None:
        channels = [
            np.asarray(rows, np.float64).reshape(-1, 6)
            for rows in (left, left if right is None else right)
        ]
        stages = max(map(len, channels))
        self._cascade = np.zeros((stages, 5, 2))
        self._cascade[:, 0] = 1.0  # a section that changes nothing
        for channel, rows in enumerate(channels):
            self._cascade[: len(rows), :, channel] = rows[:, [0, 1, 2, 4, 5]]
        self._state = np.zeros((stages, 2, 2))

    def filter(self, block: NDArray[T]) -> NDArray[T]:
        """Return the next block filtered, shape (frames, 2), in its own precision.

        Raises
        ------
        ValueError
            It is not stereo: the compiled loop would read and write beyond it.
        """
        if block.ndim != 2 or block.shape[1] != 2:
            raise ValueError(f"a stereo block is needed, not one of shape {block.shape}")
        out = np.empty_like(block)
        _filter(self._cascade, self._state, block, out)
        return out
