"""Reduce tape noise: measure a noise print, then attenuate every band that holds only noise.

Half-overlapping frames are weighted band by band. A band of noise alone is lowered by the requested
reduction and no further, so that the residual noise stays even; a band with music well above the
noise is left as it is. The signal-to-noise ratio is estimated from the band, its neighbours, and
the output of the previous frame.

Sources, from memory: decision-directed estimate, Ephraim and Malah, IEEE Trans. ASSP 32 (1984);
two-step noise reduction, which removes its lag of one frame, Plapous, Marro and Scalart, IEEE
Trans. ASLP 14 (2006); the gain is a Wiener filter's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import amplitude
from assembler.errors import SourceError
from assembler.restoration.analysis.error_peaks import time_scale

FRAME = 2048
"""Samples per frame at rates near 44.1 kHz: 46 ms."""
_BATCH_FRAMES = 16
"""Those of one piece at 96 kHz, so few that they stay in the processor's cache."""
_PREVIOUS_WEIGHT = 0.9
"""Weight of the previous frame in the estimate. Tuned empirically on music."""
_NEIGHBOURS = 2
"""Bands on either side that are averaged."""
_LEAST_POWER = 1e-16
_MOST_OVER = 1e8
"""A band's power counts at most so much, relative to the noise: its gain is 1 there."""

Spectra = NDArray[np.complex64]
Powers = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class NoisePrint:
    """Spectrum of tape noise alone."""

    rate_hz: int
    """Sample rate at which it was measured."""
    power: Powers
    """Mean power of each band of a frame, shape (channels, bands)."""


def measure_noise_print(blocks: Iterable[Samples], rate_hz: int) -> NoisePrint:
    """Measure the noise print in a passage of noise alone.

    Parameters
    ----------
    blocks, rate_hz
        The passage and its sample rate; one second or more is accurate to 1 dB in each band.

    Raises
    ------
    SourceError
        The passage is shorter than one frame.
    """
    frames = _Frames(rate_hz)
    total = np.zeros((2, frames.size // 2 + 1))
    count = 0
    for spectra in frames.spectra(blocks):
        total += (np.abs(spectra) ** 2).sum(axis=1, dtype=np.float64)
        count += spectra.shape[1]
    if not count:
        raise SourceError(
            f"less than {frames.size / rate_hz:.2f} s of noise alone: choose a longer noise print",
            "noise-too-short",
        )
    mean = np.pad(total / count, ((0, 0), (1, 1)), mode="edge")
    power = 0.25 * mean[:, :-2] + 0.5 * mean[:, 1:-1] + 0.25 * mean[:, 2:]
    return NoisePrint(rate_hz, power.astype(np.float32))


def denoise(
    blocks: Iterable[Samples], rate_hz: int, noise_print: NoisePrint, reduction_db: float
) -> Iterator[Samples]:
    """Reduce the noise of a stereo stream; it keeps its length.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    noise_print
        Measured at the same rate.
    reduction_db
        By how much noise alone is lowered; 0 passes the stream bit for bit.

    Raises
    ------
    ValueError
        The noise print was measured at another rate.
    """
    if noise_print.rate_hz != rate_hz:
        raise ValueError(f"noise print at {noise_print.rate_hz} Hz, stream at {rate_hz} Hz")
    if reduction_db == 0:
        yield from blocks
        return
    frames = _Frames(rate_hz)
    per_noise = 1 / np.maximum(noise_print.power, np.float32(_LEAST_POWER))
    previous = np.zeros_like(per_noise)
    floor = np.float32(amplitude(-reduction_db))

    def weighted(spectra: Spectra) -> Spectra:
        parts = spectra.view(np.float32).reshape(*spectra.shape, 2)
        for channel in range(2):
            _weight(parts[channel], per_noise[channel], floor, previous[channel])
        return spectra

    yield from frames.changed(blocks, weighted)


@compiled
def _weight(
    spectra: NDArray[Any], per_noise: NDArray[Any], floor: np.float32, previous: NDArray[Any]
) -> None:
    """Multiply spectra by their gains, shape (frames, bands, real and imaginary part).

    per_noise: 1 / the power of the noise; previous: output power of the previous frame in each
    band, relative to the noise.
    """
    bands = per_noise.shape[0]
    over = np.zeros(bands + 2 * _NEIGHBOURS, np.float32)
    gains = np.zeros(bands, np.float32)
    share = np.float32(1.0 / (2 * _NEIGHBOURS + 1))
    old, new, one = (
        np.float32(_PREVIOUS_WEIGHT),
        np.float32(1.0 - _PREVIOUS_WEIGHT),
        np.float32(1.0),
    )
    most = np.float32(_MOST_OVER)
    inner = over[_NEIGHBOURS : _NEIGHBOURS + bands]
    o0, o1, o3, o4 = over, over[1:], over[3:], over[4:]
    for frame in range(spectra.shape[0]):
        parts = spectra[frame]
        for band in range(bands):
            real, imaginary = parts[band, 0], parts[band, 1]
            inner[band] = min((real * real + imaginary * imaginary) * per_noise[band], most)
        for n in range(_NEIGHBOURS):
            over[n] = inner[0]
            over[_NEIGHBOURS + bands + n] = inner[bands - 1]
        for band in range(bands):
            near = ((o0[band] + o1[band]) + (o3[band] + o4[band]) + inner[band]) * share
            music = old * previous[band] + new * max(near - one, np.float32(0.0))
            # music / (1 + music) twice, the second time from the output of the first: one division
            output = music * music * near
            gain = output / ((one + music) * (one + music) + output)
            previous[band] = gain * gain * inner[band]
            gains[band] = max(gain, floor)
        for band in range(bands):
            parts[band, 0] *= gains[band]
            parts[band, 1] *= gains[band]


@compiled
def _windowed(flat: NDArray[Any], window: NDArray[Any], frames: NDArray[Any]) -> None:
    """Fill frames, shape (2, n, size), with windows of interleaved samples, half overlapping."""
    size = window.shape[0]
    for number in range(frames.shape[1]):
        left, right, near = frames[0, number], frames[1, number], flat[number * size :]
        for i in range(size):
            left[i] = near[2 * i] * window[i]
            right[i] = near[2 * i + 1] * window[i]


@compiled
def _overlapped(
    frames: NDArray[Any], window: NDArray[Any], tail: NDArray[Any], flat: NDArray[Any]
) -> None:
    """Fill interleaved samples with the sum of windowed frames.

    `tail` is what the frame before adds to them; it becomes what the last frame adds to the next.
    """
    size = window.shape[0]
    hop = size // 2
    after = window[hop:]
    of_left, of_right = tail[0], tail[1]
    for number in range(frames.shape[1]):
        left, right, out = frames[0, number], frames[1, number], flat[number * size :]
        for i in range(hop):
            out[2 * i] = left[i] * window[i] + of_left[i]
            out[2 * i + 1] = right[i] * window[i] + of_right[i]
        left, right = left[hop:], right[hop:]
        for i in range(hop):
            of_left[i] = left[i] * after[i]
            of_right[i] = right[i] * after[i]


class _Frames:
    """Frames of a stereo stream: root-Hann windows with half overlap, from its first sample."""

    def __init__(self, rate_hz: int) -> None:
        self.size = FRAME * time_scale(rate_hz)
        self._hop = self.size // 2
        turns = np.arange(self.size) / self.size
        self._window = np.sin(np.pi * turns).astype(np.float32)

    def _batches(self, blocks: Iterable[Samples]) -> Iterator[Samples]:
        """Yield batches of whole frames, shape (samples, 2), which overlap by half a frame."""
        hop, kept = self._hop, np.zeros((0, 2), np.float32)
        for block in blocks:
            sound = np.concatenate((kept, block))
            frames = max(0, len(sound) // hop - 1)
            for first in range(0, frames, _BATCH_FRAMES):
                yield sound[first * hop : (min(first + _BATCH_FRAMES, frames) + 1) * hop]
            kept = sound[frames * hop :]

    def _spectra(self, samples: Samples) -> Spectra:
        import scipy.fft

        frames = np.empty((2, len(samples) // self._hop - 1, self.size), np.float32)
        _windowed(samples.reshape(-1), self._window, frames)
        spectra: Spectra = scipy.fft.rfft(frames)
        return spectra

    def spectra(self, blocks: Iterable[Samples]) -> Iterator[Spectra]:
        """Yield the spectra of all whole frames, in batches of shape (2, frames, bands)."""
        return map(self._spectra, self._batches(blocks))

    def changed(
        self, blocks: Iterable[Samples], change: Callable[[Spectra], Spectra]
    ) -> Iterator[Samples]:
        """Change the spectra of a stream; yield as many samples as it has, without delay."""
        import scipy.fft

        hop = self._hop
        frames_in = 0

        def padded() -> Iterator[Samples]:
            nonlocal frames_in
            yield np.zeros((hop, 2), np.float32)
            for block in blocks:
                frames_in += len(block)
                yield block
            yield np.zeros((2 * hop, 2), np.float32)

        tail = np.zeros((2, hop), np.float32)
        position = -hop
        for batch in self._batches(padded()):
            frames = scipy.fft.irfft(change(self._spectra(batch)), self.size)
            samples = np.empty((frames.shape[1] * hop, 2), np.float32)
            _overlapped(frames, self._window, tail, samples.reshape(-1))
            yield samples[max(-position, 0) : max(frames_in - position, 0)]
            position += len(samples)
