"""Read 16- and 24-bit PCM from WAV files as floats, several times faster than libsndfile.

Most sources and all WAV deliverables are of this kind, and reading takes most of a meter's time.
All other formats are read by libsndfile.
"""

from __future__ import annotations

from io import BufferedReader

import numpy as np
from numpy.typing import NDArray

from assembler.audio.chunks import WaveData, wave_data
from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled


@compiled
def _from_24_bits(pcm: NDArray[np.uint8], samples: Samples) -> None:
    """Convert little-endian samples of three bytes to floats."""
    for i in range(samples.shape[0]):
        low, middle, high = pcm[3 * i], pcm[3 * i + 1], pcm[3 * i + 2]
        value = np.uint32(low) << 8 | np.uint32(middle) << 16 | np.uint32(high) << 24
        samples[i] = np.int32(value) * np.float32(2.0**-31)


class PcmReader:
    """Samples of a WAV file, with the methods of soundfile that reading in blocks needs.

    Parameters
    ----------
    file
        The file; `close` closes it.
    data
        Position and format of its samples.
    """

    def __init__(self, file: BufferedReader, data: WaveData) -> None:
        self._data = data
        self._file = file
        self._buffer = np.empty(0, np.uint8)
        self.rate_hz, self.channels, self.bits = data.rate_hz, data.channels, data.bits

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def seek(self, frame: int) -> None:
        """Set the position to a sample."""
        self._file.seek(self._data.offset + frame * self._data.frame_bytes)

    def read(self, frames: int) -> Samples:
        """Read the next samples, as many as there are; shape (frames, channels)."""
        wanted = frames * self._data.frame_bytes
        if len(self._buffer) < wanted:
            self._buffer = np.empty(wanted, np.uint8)
        count = self._file.readinto(self._buffer[:wanted].data) // self._data.frame_bytes
        shape = (count, self._data.channels)
        pcm = self._buffer[: count * self._data.frame_bytes]
        if self._data.bits == 16:
            return (pcm.view("<i2") * np.float32(2.0**-15)).reshape(shape)
        samples = np.empty(shape, np.float32)
        _from_24_bits(pcm, samples.reshape(-1))
        return samples


def open_pcm(file: BufferedReader) -> PcmReader | None:
    """Return a reader of a WAV file of 16 or 24 bits; None for any other file."""
    data = wave_data(file)
    if data is None or data.bits not in (16, 24):
        return None
    if data.frame_bytes != data.channels * data.bits // 8:
        return None
    return PcmReader(file, data)
