"""One reading of a piece of sound: loudness, loudness range and peaks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from assembler.dsp.blocks import Samples
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
    """

    frames: int
    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None


class Meter:
    """Loudness and peaks of a stream.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        1, 2 or 5.
    """

    def __init__(self, rate_hz: int, channels: int = 2) -> None:
        self._energy = EnergyMeter(rate_hz, channels)
        self._peaks = PeakMeter(rate_hz, channels)
        self._frames = 0

    def feed(self, block: Samples) -> None:
        """Add samples, shape (frames, channels)."""
        self._energy.feed(block)
        self._peaks.feed(block)
        self._frames += len(block)

    def gating_blocks(self) -> Energies:
        """Return the mean squares of the gating blocks so far."""
        return self._energy.gating_blocks()

    def reading(self) -> Reading:
        """End the stream and return its reading."""
        self._peaks.finish()
        loudness = self._energy.loudness()
        return Reading(
            frames=self._frames,
            integrated_lufs=loudness.integrated_lufs,
            max_momentary_lufs=loudness.max_momentary_lufs,
            max_short_term_lufs=loudness.max_short_term_lufs,
            loudness_range_lu=loudness.range_lu,
            true_peak_dbtp=decibels(self._peaks.true_peak),
            sample_peak_dbfs=decibels(self._peaks.sample_peak),
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
