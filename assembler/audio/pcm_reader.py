"""Words of 16 and 24 bits in a WAV file, read as floats several times faster than libsndfile does.

Most sources and all finished files are of this kind, and a meter spends most of its time on reading
them. Everything else goes through libsndfile.
"""

from __future__ import annotations

from io import BufferedReader

import numpy as np
from numpy.typing import NDArray

from assembler.audio.chunks import WaveData, wave_data
from assembler.dsp.compiled import compiled

Samples = NDArray[np.float32]


@compiled
def _from_24_bits(words, samples):  # type: ignore[no-untyped-def]
    """Turn words of three bytes, lowest first, into fractions of full scale."""
    for i in range(samples.shape[0]):
        low, middle, high = words[3 * i], words[3 * i + 1], words[3 * i + 2]
        word = np.uint32(low) << 8 | np.uint32(middle) << 16 | np.uint32(high) << 24
        samples[i] = np.int32(word) * np.float32(2.0**-31)


class PlainWords:
    """A WAV file's words, with as much of soundfile's manner as reading in blocks needs.

    Parameters
    ----------
    file
        The file, which is closed with this.
    data
        Where its words lie.
    """

    def __init__(self, file: BufferedReader, data: WaveData) -> None:
        self._data = data
        self._file = file
        self._room = np.empty(0, np.uint8)
        self.rate_hz, self.channels, self.bits = data.rate_hz, data.channels, data.bits

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def seek(self, frame: int) -> None:
        """Go to a sample."""
        self._file.seek(self._data.offset + frame * self._data.frame_bytes)

    def read(self, frames: int) -> Samples:
        """Read the next samples, as many as there are; shape (frames, channels)."""
        wanted = frames * self._data.frame_bytes
        if len(self._room) < wanted:
            self._room = np.empty(wanted, np.uint8)
        count = self._file.readinto(self._room[:wanted].data) // self._data.frame_bytes
        shape = (count, self._data.channels)
        words = self._room[: count * self._data.frame_bytes]
        if self._data.bits == 16:
            return (words.view("<i2") * np.float32(2.0**-15)).reshape(shape)
        samples = np.empty(shape, np.float32)
        _from_24_bits(words, samples.reshape(-1))
        return samples


def plain_words(file: BufferedReader) -> PlainWords | None:
    """Read a WAV file of 16- or 24-bit words; None for any other file."""
    data = wave_data(file)
    if data is None or data.bits not in (16, 24):
        return None
    if data.frame_bytes != data.channels * data.bits // 8:
        return None
    return PlainWords(file, data)
