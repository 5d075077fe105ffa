"""One reading of a piece of sound: loudness, loudness range, peaks, RMS and stereo correlation.

RMS, and with it the crest factor, is that of all channels together, over the samples that are not
digital silence: a gap after a track does not count. The stereo correlation is that of a correlation
meter over the whole sound: the sum of L × R over the root of the product of both sums of squares.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import decibels
from assembler.dsp.loudness import Energies, EnergyMeter
from assembler.dsp.true_peak import PeakMeter


@dataclass(frozen=True)
class Reading:
    """A meter's final reading; None where there is none (silence, too short).

    Attributes
    ----------
    frames
        Number of samples per channel.
    stereo_correlation
        1 for mono, 0 for channels without common sound, −1 for opposite polarity.
    """

    frames: int
    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    rms_dbfs: float | None
    stereo_correlation: float | None

    @property
    def crest_db(self) -> float | None:
        """Crest factor: sample peak over RMS."""
        if self.sample_peak_dbfs is None or self.rms_dbfs is None:
            return None
        return self.sample_peak_dbfs - self.rms_dbfs


@compiled
def _add_products(block: Samples, sums: NDArray[np.float64]) -> None:
    """Add the squares of both channels, their products, and the number of samples with sound."""
    left, right, cross = sums[0], sums[1], sums[2]
    sounding = 0
    for i in range(block.shape[0]):
        a, b = np.float64(block[i, 0]), np.float64(block[i, 1])
        left += a * a
        right += b * b
        cross += a * b
        sounding += (a != 0.0) | (b != 0.0)
    sums[0], sums[1], sums[2] = left, right, cross
    sums[3] += sounding


class Meter:
    """Loudness and peaks of a stream.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        1, 2 or 5; RMS and correlation are those of two.
    """

    def __init__(self, rate_hz: int, channels: int = 2) -> None:
        self._energy = EnergyMeter(rate_hz, channels)
        self._peaks = PeakMeter(rate_hz, channels)
        self._products = np.zeros(4)
        self._frames = 0

    def feed(self, block: Samples) -> None:
        """Add samples, shape (frames, channels)."""
        self._energy.feed(block)
        self._peaks.feed(block)
        if block.shape[1] == 2:
            _add_products(block, self._products)
        self._frames += len(block)

    def gating_blocks(self) -> Energies:
        """Return the mean squares of the gating blocks so far."""
        return self._energy.gating_blocks()

    def reading(self) -> Reading:
        """End the stream and return its reading."""
        self._peaks.finish()
        loudness = self._energy.loudness()
        left, right, cross, sounding = self._products.tolist()
        power = math.sqrt(left) * math.sqrt(right)
        return Reading(
            frames=self._frames,
            integrated_lufs=loudness.integrated_lufs,
            max_momentary_lufs=loudness.max_momentary_lufs,
            max_short_term_lufs=loudness.max_short_term_lufs,
            loudness_range_lu=loudness.range_lu,
            true_peak_dbtp=decibels(self._peaks.true_peak),
            sample_peak_dbfs=decibels(self._peaks.sample_peak),
            rms_dbfs=decibels(math.sqrt((left + right) / (2 * sounding))) if sounding else None,
            stereo_correlation=cross / power if power else None,
        )


def read_meter(blocks: Iterable[Samples], rate_hz: int, channels: int = 2) -> Reading:
    """Measure a stream from its first block to its last.

    Examples
    --------
    A full-scale 997 Hz sine in one channel reads -3.01 LUFS (BS.1770):

    >>> import numpy as np
    >>> wave = np.sin(2 * np.pi * 997 / 48000 * np.arange(480000)).astype(np.float32)
    >>> round(read_meter([np.stack([wave, 0 * wave], 1)], 48000).integrated_lufs, 2)
    -3.01
    """
    meter = Meter(rate_hz, channels)
    for block in blocks:
        meter.feed(block)
    return meter.reading()
