"""Tape noise: its spectrum learnt where it is alone, and taken down everywhere.

Frames that overlap by half are weighted band by band: a band that holds noise alone goes down by
what was asked and no further, so that what is left of the noise stays as even as it was; a band in
which music stands well over the noise stays. How far it stands over it is judged from the band, its
neighbours, and what was left of the frame before.

Sources, from memory: Ephraim and Malah, IEEE Trans. ASSP 32 (1984), for the judgement that is led
by the frame before; Plapous, Marro and Scalart, IEEE Trans. ASLP 14 (2006), for the second step,
which takes away its lag of a frame; the gain is Wiener's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import amplitude
from assembler.errors import SourceError
from assembler.restoration.analysis.click_search import time_scale

FRAME = 2048
"""Samples of a frame at rates near 44.1 kHz: 46 ms."""
_BATCH_FRAMES = 32
_FROM_BEFORE = 0.9
"""Part that the frame before has in the judgement; set by trial."""
_BESIDE = 2
"""Bands on either side that are judged together."""
_LEAST_POWER = 1e-16

Spectra = NDArray[np.complex64]
Powers = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class NoiseProfile:
    """Spectrum of tape noise alone.

    Attributes
    ----------
    rate_hz
        Sample rate of the sound it was learnt from.
    power
        Mean power of each band of a frame, shape (channels, bands).
    """

    rate_hz: int
    power: Powers


def noise_profile(blocks: Iterable[Samples], rate_hz: int) -> NoiseProfile:
    """Learn the spectrum of noise from a stretch where there is nothing else.

    Parameters
    ----------
    blocks
        The stretch; a second or more gives a level to 1 dB in each band.
    rate_hz
        Sample rate.

    Raises
    ------
    SourceError
        The stretch is shorter than one frame.
    """
    frames = _Frames(rate_hz)
    total = np.zeros((2, frames.size // 2 + 1))
    count = 0
    for spectra in frames.spectra(blocks):
        total += (np.abs(spectra) ** 2).sum(axis=1, dtype=np.float64)
        count += spectra.shape[1]
    if not count:
        raise SourceError(
            f"less than {frames.size / rate_hz:.2f} s of noise alone: name a longer stretch",
            "noise-too-short",
        )
    mean = np.pad(total / count, ((0, 0), (1, 1)), mode="edge")
    power = 0.25 * mean[:, :-2] + 0.5 * mean[:, 1:-1] + 0.25 * mean[:, 2:]
    return NoiseProfile(rate_hz, power.astype(np.float32))


def denoise(
    blocks: Iterable[Samples], rate_hz: int, profile: NoiseProfile, reduce_db: float
) -> Iterator[Samples]:
    """Take noise down.

    Parameters
    ----------
    blocks
        The stream, shape (frames, 2).
    rate_hz
        Its sample rate.
    profile
        The noise, learnt at the same rate.
    reduce_db
        By how much noise that is alone falls; 0 passes the sound bit for bit.

    Yields
    ------
    ndarray of float32, shape (frames, 2)
        As many samples as came in.

    Raises
    ------
    ValueError
        The profile is of another rate.
    """
    if profile.rate_hz != rate_hz:
        raise ValueError(f"noise learnt at {profile.rate_hz} Hz, sound at {rate_hz} Hz")
    if reduce_db == 0:
        yield from blocks
        return
    frames = _Frames(rate_hz)
    noise = np.maximum(profile.power, np.float32(_LEAST_POWER))
    before = np.zeros_like(noise)
    floor = np.float32(amplitude(-reduce_db))

    def weighted(spectra: Spectra) -> Spectra:
        gains = spectra.real**2 + spectra.imag**2
        for channel in range(2):
            _gains(gains[channel], noise[channel], floor, before[channel])
        spectra *= gains
        return spectra

    yield from frames.changed(blocks, weighted)


@compiled
def _gains(powers, noise, floor, before):  # type: ignore[no-untyped-def]
    """Turn powers into gains in place, shape (frames, bands).

    before: what the frame before left in each band, as part of the noise's power.
    """
    bands = noise.shape[0]
    over = np.zeros(bands + 2 * _BESIDE, np.float32)
    share = np.float32(1.0 / (2 * _BESIDE + 1))
    led, fresh, one = np.float32(_FROM_BEFORE), np.float32(1.0 - _FROM_BEFORE), np.float32(1.0)
    for frame in range(powers.shape[0]):
        power = powers[frame]
        inner = over[_BESIDE : _BESIDE + bands]
        for band in range(bands):
            inner[band] = power[band] / noise[band]
        over[:_BESIDE] = inner[0]
        over[_BESIDE + bands :] = inner[bands - 1]
        o0, o1, o3, o4 = over, over[1:], over[3:], over[4:]
        for band in range(bands):
            near = ((o0[band] + o1[band]) + (o3[band] + o4[band]) + inner[band]) * share
            music = led * before[band] + fresh * max(near - one, np.float32(0.0))
            gain = music / (one + music)
            music = gain * gain * near
            gain = music / (one + music)
            before[band] = gain * gain * inner[band]
            power[band] = max(gain, floor)


class _Frames:
    """Frames of a stereo stream: root-Hann windows, half over each other, from its first sample.

    Attributes
    ----------
    size
        Samples of a frame.
    """

    def __init__(self, rate_hz: int) -> None:
        self.size = FRAME * time_scale(rate_hz)
        self._hop = self.size // 2
        turns = np.arange(self.size) / self.size
        self._window = np.sin(np.pi * turns).astype(np.float32)

    def _batches(self, blocks: Iterable[Samples]) -> Iterator[Samples]:
        """Give stretches of whole frames, shape (2, samples), each half a frame over the last."""
        hop = self._hop
        length = (_BATCH_FRAMES + 1) * hop
        kept = np.zeros((0, 2), np.float32)
        for block in blocks:
            kept = np.concatenate((kept, block))
            while len(kept) >= length:
                yield np.ascontiguousarray(kept[:length].T)
                kept = kept[length - hop :]
        if len(kept) >= 2 * hop:
            yield np.ascontiguousarray(kept[: len(kept) // hop * hop].T)

    def _analysed(self, stretch: Samples) -> Spectra:
        import scipy.fft

        frames = sliding_window_view(stretch, self.size, axis=1)[:, :: self._hop]
        spectra: Spectra = scipy.fft.rfft(frames * self._window)
        return spectra

    def spectra(self, blocks: Iterable[Samples]) -> Iterator[Spectra]:
        """Give the spectra of all whole frames, in batches of shape (2, frames, bands)."""
        return map(self._analysed, self._batches(blocks))

    def changed(
        self, blocks: Iterable[Samples], change: Callable[[Spectra], Spectra]
    ) -> Iterator[Samples]:
        """Change the spectra of a stream; give as many samples as came in, none late."""
        import scipy.fft

        hop = self._hop
        taken = 0

        def padded() -> Iterator[Samples]:
            nonlocal taken
            yield np.zeros((hop, 2), np.float32)
            for block in blocks:
                taken += len(block)
                yield block
            yield np.zeros((2 * hop, 2), np.float32)

        tail = np.zeros((2, hop), np.float32)
        given = -hop
        for stretch in self._batches(padded()):
            frames = scipy.fft.irfft(change(self._analysed(stretch)), self.size) * self._window
            early, late = frames[:, :, :hop], frames[:, :, hop:]
            early[:, 0] += tail
            early[:, 1:] += late[:, :-1]
            tail = late[:, -1]
            sound = early.reshape(2, -1).T
            yield np.ascontiguousarray(sound[max(-given, 0) : max(taken - given, 0)])
            given += len(sound)
