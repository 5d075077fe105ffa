"""Quantisation, with plain or noise-shaped dither: once, last, only where bits are dropped.

Triangular dither (TPDF) of 2 LSB peak to peak makes the total error noise of power Δ²/4, whose
first two moments are independent of the signal (Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng.
Soc. 40, 1992).

Noise-shaped, the same dither is inside an error-feedback quantiser (Lipshitz, Vanderkooy,
Wannamaker, "Minimally Audible Noise Shaping", J. Audio Eng. Soc. 39, 1991): the error moves to
frequencies where the ear is least sensitive, and its total power grows, as the theorem of Gerzon
and Craven requires (the mean of its spectrum in decibels stays that of white noise). The filter is
the one of nine coefficients with the least error power, weighted by the inverse of the threshold
of hearing; the tests design it independently.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Pcm, Samples
from assembler.dsp.compiled import compiled

Dither = Literal["tpdf", "shaped", "none"]

SILENCE_S = 0.05
"""Shaped noise stops when the sound has been digital silence for this long."""
FEEDBACK = {
    44_100: (-2.1487, 2.4787, -2.0423, 1.2844, -0.1137, -0.6274, 0.7374, -0.4585, 0.1822),
    48_000: (-2.2079, 2.4237, -1.6798, 0.6032, 0.5123, -0.8299, 0.5084, -0.1583, 0.0487),
}
"""Weights of the last error, the one before, and so on; rounded, so that all machines agree.

The threshold is used up to 40 dB above its lowest point: beyond that the total power grows fast
(here it is 13 dB) for little audible benefit. Other rates and word lengths keep white noise: from
88.2 kHz on more than half of it is inaudible anyway, and at 24 bits all of it.
"""

_TAPS = 9  # a constant for the compiler, which makes the loop a third faster
_TILE = 4096
_MOST_ERROR = 1.5
"""In LSB, where nothing clips: half a step of rounding and one of dither."""
_LOW_HALF, _HIGH_HALF, _FLOAT_BITS = np.uint64(0xFFFFFFFF), np.uint64(32), np.uint64(8)
_FLOAT_STEP = np.float32(2.0**-24)
_ONE, _THREE, _ELEVEN, _24, _40 = (np.uint64(n) for n in (1, 3, 11, 24, 40))


@compiled
def _draw(state: NDArray[np.uint64], noise: Samples) -> None:
    """Fill an array of even size with numpy's SFC64 random numbers, in a quarter of the time."""
    flat = noise.ravel()
    a, b, c, count = state
    for i in range(0, flat.shape[0], 2):
        bits = a + b + count
        count += _ONE
        a = b ^ (b >> _ELEVEN)
        b = c + (c << _THREE)
        c = ((c << _24) | (c >> _40)) + bits
        flat[i] = np.float32((bits & _LOW_HALF) >> _FLOAT_BITS) * _FLOAT_STEP
        flat[i + 1] = np.float32((bits >> _HIGH_HALF) >> _FLOAT_BITS) * _FLOAT_STEP
    state[0], state[1], state[2], state[3] = a, b, c, count


@compiled
def _round(samples: NDArray[np.float64], noise: Samples, top: float, pcm: Pcm) -> None:
    """Round samples to full scale `top`, with noise added; its last axis may be shared."""
    own = 1 if noise.shape[2] > 1 else 0
    for i in range(samples.shape[0]):
        for c in range(samples.shape[1]):
            dithered = samples[i, c] * top + noise[i, 0, c * own] - noise[i, 1, c * own]
            value = np.floor(dithered + 0.5)
            value = -top if value < -top else value
            pcm[i, c] = np.int32(top - 1.0 if value > top - 1.0 else value)


@compiled
def _shape(
    samples: NDArray[np.float64],
    noise: Samples,
    top: float,
    pcm: Pcm,
    feedback: NDArray[np.float64],
    errors: NDArray[np.float64],
    silent_samples: NDArray[np.int64],
    hold: int,
) -> None:
    """Round like `_round`, with past errors fed back; after `hold` silent samples the PCM is 0.

    feedback: weights of past errors, the oldest first. errors: shape (channels, _TAPS + frames
    or more), the past ones in front. silent_samples: one number, updated.
    """
    own = 1 if noise.shape[2] > 1 else 0
    frames, silence = samples.shape[0], silent_samples[0]
    for i in range(frames):
        silent = True
        for c in range(samples.shape[1]):
            silent = silent and samples[i, c] == 0.0
        silence = silence + 1 if silent else 0
        for c in range(samples.shape[1]):
            target, past = samples[i, c] * top, errors[c, i : i + _TAPS]
            for k in range(_TAPS):
                target += feedback[k] * past[k]
            value, error = 0.0, 0.0
            if silence <= hold:
                value = np.floor(target + (noise[i, 0, c * own] - noise[i, 1, c * own] + 0.5))
                error = value - target
                if value < -top or value > top - 1.0:
                    value = min(max(value, -top), top - 1.0)
                    error = min(max(value - target, -_MOST_ERROR), _MOST_ERROR)
            pcm[i, c] = np.int32(value)
            errors[c, _TAPS + i] = error
    silent_samples[0] = silence
    for c in range(samples.shape[1]):
        for k in range(_TAPS):
            errors[c, k] = errors[c, frames + k]


class Quantizer:
    """Quantise a stream of samples to PCM.

    Parameters
    ----------
    bits
        Word length, 16 or 24.
    seed
        Seed of the dither: the same seed returns the same PCM. None rounds without dither, which
        is exact where the samples already have that word length.
    same_in_both
        Both channels have the same signal and get the same dither, so that mono stays mono.
    dither
        "tpdf": white. "shaped": noise-shaped TPDF dither at 16 bits and 44.1 or 48 kHz, "tpdf"
        otherwise; its noise ends `SILENCE_S` into digital silence (all channels exactly zero) and
        resumes with the first sample that is not. "none": rounding only.
    rate_hz
        Sample rate, for "shaped".
    """

    def __init__(
        self,
        bits: int,
        seed: int | None,
        *,
        same_in_both: bool = False,
        dither: Dither = "tpdf",
        rate_hz: int = 44_100,
    ) -> None:
        self._top = float(1 << (bits - 1))
        self._random: NDArray[np.uint64] | None = None
        if seed is not None and dither != "none":
            self._random = np.random.SFC64(seed).state["state"]["state"]
        self._same_in_both = same_in_both
        shaped = dither == "shaped" and bits == 16 and self._random is not None
        self._feedback = np.array(FEEDBACK.get(rate_hz, ())[::-1] if shaped else ())
        self._hold = round(SILENCE_S * rate_hz)
        self._silent_samples = np.zeros(1, np.int64)
        self._channels = 0

    def _allocate(self, channels: int) -> None:
        self._channels = channels
        dithers = 1 if self._same_in_both or self._random is None else channels
        self._samples = np.zeros((_TILE, channels))
        self._noise = np.zeros((_TILE, 2, dithers), np.float32)
        self._errors = np.zeros((channels, _TAPS + _TILE))

    def quantize(self, block: Samples) -> Pcm:
        """Return the PCM of the next samples.

        Returns
        -------
        ndarray of int32, shape as `block`
            From -2^(bits-1) to 2^(bits-1) - 1.
        """
        if not self._channels:
            self._allocate(block.shape[1])
        pcm = np.empty(block.shape, np.int32)
        for start in range(0, len(block), _TILE):
            piece, out = block[start : start + _TILE], pcm[start : start + _TILE]
            samples, noise = self._samples[: len(piece)], self._noise[: len(piece)]
            samples[:] = piece
            if self._random is not None:
                _draw(self._random, noise)
            if len(self._feedback):
                past = (self._feedback, self._errors, self._silent_samples, self._hold)
                _shape(samples, noise, self._top, out, *past)
            else:
                _round(samples, noise, self._top, out)
        return pcm


def samples_of(pcm: Pcm, bits: int) -> Samples:
    """Convert PCM of up to 24 bits to float samples, exactly."""
    return pcm.astype(np.float32) * np.float32(2.0 ** (1 - bits))
