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
def _filter(cascade: NDArray[Any], state: NDArray[Any], block: Any, out: Any) -> None:
    """Fill `out`, all sections of a sample at once; cascade: (stages, 5, 2), state: (stages, 2, 2).

    Both channels in one loop: neither waits for the result of the other.
    """
    for i in range(block.shape[0]):
        x, y = np.float64(block[i, 0]), np.float64(block[i, 1])
        for n in range(cascade.shape[0]):
            left = cascade[n, 0, 0] * x + state[n, 0, 0]
            right = cascade[n, 0, 1] * y + state[n, 0, 1]
            state[n, 0, 0] = cascade[n, 1, 0] * x - cascade[n, 3, 0] * left + state[n, 1, 0]
            state[n, 0, 1] = cascade[n, 1, 1] * y - cascade[n, 3, 1] * right + state[n, 1, 1]
            state[n, 1, 0] = cascade[n, 2, 0] * x - cascade[n, 4, 0] * left
            state[n, 1, 1] = cascade[n, 2, 1] * y - cascade[n, 4, 1] * right
            x, y = left, right
        out[i, 0], out[i, 1] = x, y


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
        """Return the next block filtered, shape (frames, 2), in its own precision."""
        out = np.empty_like(block)
        _filter(self._cascade, self._state, block, out)
        return out
