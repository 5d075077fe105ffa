"""The waveform of a whole side: peaks of short columns, read once, kept in the cache.

Coarser columns are made of them when they are asked for; finer ones are read from the recording.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.audio import Recording
from assembler.cache.folder import CacheFolder, cache_key
from assembler.errors import AssemblerError

BASE_FRAMES = 256
"""Samples in a column of level 0; each level above has four times as many, below a sixteenth."""
TILE_COLUMNS = 512
COARSEST, FINEST = 8, -2
_FULL = 32767
_REPORTED_SHARE = 0.05

Peaks = NDArray[np.int16]


class SidePeaks:
    """The lowest and highest sample of each column of a recording, both channels together.

    Parameters
    ----------
    recording
        A side, with digests.
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self._columns = -(-recording.frames // BASE_FRAMES)
        self._peaks: Peaks = np.zeros((self._columns, 2), np.int16)
        self._known = 0

    @property
    def share_read(self) -> float:
        """How much of the recording is read, 0 to 1."""
        return self._known / max(1, self._columns)

    def read(self, cache: CacheFolder, changed: Callable[[], None]) -> None:
        """Read the peaks, or take them from the cache; report now and then that there are more."""
        key = cache_key("peaks", BASE_FRAMES, self.recording.sha256s, self.recording.rate_hz)

        def make(path: Path) -> None:
            self._fill(changed)
            with path.open("wb") as file:
                np.save(file, self._peaks)

        path = cache.file(key, make)
        self._peaks = np.load(path, mmap_mode="r")
        self._known = self._columns
        changed()

    def _fill(self, changed: Callable[[], None]) -> None:
        rest = np.zeros((0, 2), np.float32)
        reported = 0.0
        for block in self.recording.blocks(0, self.recording.frames):
            rest = np.concatenate([rest, block])
            whole = len(rest) // BASE_FRAMES
            self._put(rest[: whole * BASE_FRAMES])
            rest = rest[whole * BASE_FRAMES :]
            if self.share_read - reported > _REPORTED_SHARE:
                reported = self.share_read
                changed()
        if len(rest):
            self._put(np.pad(rest, ((0, BASE_FRAMES - len(rest)), (0, 0)), "edge"))

    def _put(self, sound: NDArray[np.float32]) -> None:
        found = _peaks_of(sound, BASE_FRAMES)
        self._peaks[self._known : self._known + len(found)] = found
        self._known += len(found)

    def tile(self, level: int, number: int) -> dict[str, Any]:
        """Return `TILE_COLUMNS` columns of a level as plain data, at full scale 1.

        Parameters
        ----------
        level
            From `FINEST` to `COARSEST`.
        number
            From 0 at the start of the side.

        Returns
        -------
        dict
            ``low`` and ``high``, ``frames`` of a column, and ``complete``, False where the side is
            not read as far as this yet.

        Raises
        ------
        AssemblerError
            There is no such tile.
        """
        if not FINEST <= level <= COARSEST or number < 0:
            raise AssemblerError("there is no such tile of the waveform")
        frames = column_frames(level)
        start, end = (frames * TILE_COLUMNS * edge for edge in (number, number + 1))
        if start >= self.recording.frames:
            raise AssemblerError("the side ends before this tile")
        if level < 0:
            sound = list(self.recording.blocks(start, min(end, self.recording.frames)))
            peaks = _peaks_of(_padded(np.concatenate(sound), frames), frames)
            complete = True
        else:
            joined = frames // BASE_FRAMES
            base = self._peaks[start // BASE_FRAMES : end // BASE_FRAMES]
            complete = self._known >= min(end // BASE_FRAMES, self._columns)
            base = _padded(np.asarray(base), joined).reshape(-1, joined, 2)
            peaks = np.stack([base[..., 0].min(axis=1), base[..., 1].max(axis=1)], axis=1)
        low, high = (np.round(peaks[:, i] / _FULL, 4).tolist() for i in (0, 1))
        return {"low": low, "high": high, "frames": frames, "complete": complete}


def column_frames(level: int) -> int:
    """Return how many samples a column of a level has.

    Examples
    --------
    >>> [column_frames(level) for level in (-2, -1, 0, 1)]
    [1, 16, 256, 1024]
    """
    return BASE_FRAMES << 2 * level if level >= 0 else BASE_FRAMES >> -4 * level


def _padded(values: NDArray[Any], joined: int) -> NDArray[Any]:
    """Return values with the last one repeated up to a whole number of columns."""
    return np.pad(values, ((0, -len(values) % joined), (0, 0)), "edge")


def _peaks_of(sound: NDArray[np.float32], frames: int) -> Peaks:
    columns = sound.reshape(-1, frames * sound.shape[1])
    pairs = np.stack([columns.min(axis=1), columns.max(axis=1)], axis=1)
    return np.asarray(np.rint(np.clip(pairs, -1, 1) * _FULL), np.int16)
