"""A stretch of PCM to play, as a WAV file."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import soundfile

from assembler.audio import Recording
from assembler.dsp.blocks import Pcm, Samples
from assembler.dsp.dither import samples_of
from assembler.errors import AssemblerError

MOST_S = 600.0
"""The longest stretch that is played."""


class NoSoundError(AssemblerError):
    """There is nothing to play."""


@dataclass(frozen=True)
class Stretch:
    """PCM to play.

    Attributes
    ----------
    pcm
        Shape (frames, 2), right-aligned in 32 bits.
    rate_hz, bits
        Sample rate and word length.
    exact
        It is the finished file's, sample for sample.
    """

    pcm: Pcm
    rate_hz: int
    bits: int
    exact: bool

    def samples(self) -> Samples:
        """Return it at full scale 1."""
        return samples_of(self.pcm, self.bits)

    def wav(self) -> bytes:
        """Return it as a WAV file."""
        file = io.BytesIO()
        left = np.left_shift(self.pcm, 32 - self.bits)
        soundfile.write(file, left, self.rate_hz, f"PCM_{self.bits}", format="WAV")
        return file.getvalue()


def in_24_bits(sound: Samples, rate_hz: int, *, exact: bool) -> Stretch:
    """Return samples as 24-bit PCM, clipped at full scale and not dithered."""
    pcm = np.clip(np.rint(sound.astype(np.float64) * (1 << 23)), -(1 << 23), (1 << 23) - 1)
    return Stretch(pcm.astype(np.int32), rate_hz, 24, exact)


def samples_around(recording: Recording, first: int, last: int) -> Samples:
    """Read a stretch of a recording, with silence where the recording has nothing."""
    start, end = (min(max(0, edge), recording.frames) for edge in (first, last))
    head, tail = (max(0, min(last, 0) - first), max(0, last - max(first, recording.frames)))
    silence = (np.zeros((n, 2), np.float32) for n in (head, tail))
    return np.concatenate([next(silence), *recording.blocks(start, end), next(silence)])


def span(length: int, rate_hz: int, start_s: float, end_s: float | None) -> tuple[int, int]:
    """Return a stretch in samples, within a length and no longer than `MOST_S`."""
    start = min(max(0, round(start_s * rate_hz)), length)
    end = length if end_s is None else min(max(start, round(end_s * rate_hz)), length)
    return start, min(end, start + round(MOST_S * rate_hz))
