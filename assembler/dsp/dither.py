"""Word length: dither once and last, and only where words are shortened; plain or noise-shaped.

Triangular dither (TPDF) of 2 LSB peak to peak makes the total error noise Δ²/4, independent of the
signal in its first two moments (Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40, 1992).

Shaped, the same dither stands inside an error-feedback quantiser (Lipshitz, Vanderkooy,
Wannamaker, "Minimally Audible Noise Shaping", J. Audio Eng. Soc. 39, 1991): the error goes where
the ear is deaf, and grows in total, as the theorem of Gerzon and Craven says it must (the mean of
its spectrum in decibels stays that of white noise). The filter is the one with nine coefficients
that leaves the least error power weighted by the inverse of the threshold of hearing; the tests
design it anew.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled

Words = NDArray[np.int32]
Dither = Literal["tpdf", "shaped", "none"]

SILENCE_S = 0.05
"""Shaped noise falls silent when the sound has been digital silence for this long."""
FEEDBACK = {
    44_100: (-2.1487, 2.4787, -2.0423, 1.2844, -0.1137, -0.6274, 0.7374, -0.4585, 0.1822),
    48_000: (-2.2079, 2.4237, -1.6798, 0.6032, 0.5123, -0.8299, 0.5084, -0.1583, 0.0487),
}
"""Weight of the last error, the one before, and so on; rounded, so that every machine has the same.

The threshold counts up to 40 dB above its lowest point: further, the total grows fast (here it is
13 dB) for little less to hear. Other rates and lengths keep white noise: from 88.2 kHz on more than
half of it lies beyond hearing as it is, and in words of 24 bits none of it is heard.
"""

_TAPS = 9  # known when compiled, which makes the loop a third faster
_TILE = 4096
_MOST_ERROR = 1.5
"""In LSB, where nothing clips: half a step of rounding and one of dither."""
_LOW_HALF, _HIGH_HALF, _FLOAT_BITS = np.uint64(0xFFFFFFFF), np.uint64(32), np.uint64(8)
_FLOAT_STEP = np.float32(2.0**-24)
_ONE, _THREE, _ELEVEN, _24, _40 = (np.uint64(n) for n in (1, 3, 11, 24, 40))


@compiled
def _draw(state, noise):  # type: ignore[no-untyped-def]
    """Fill an array of even size with what numpy draws from SFC64, at a quarter of the time."""
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
def _round(samples, noise, top, words):  # type: ignore[no-untyped-def]
    """Round samples of full scale `top`, with the noise added; its last axis may be shared."""
    own = 1 if noise.shape[2] > 1 else 0
    for i in range(samples.shape[0]):
        for c in range(samples.shape[1]):
            dithered = samples[i, c] * top + noise[i, 0, c * own] - noise[i, 1, c * own]
            word = np.floor(dithered + 0.5)
            word = -top if word < -top else word
            words[i, c] = np.int32(top - 1.0 if word > top - 1.0 else word)


@compiled
def _shape(samples, noise, top, words, feedback, errors, quiet, hold):  # type: ignore[no-untyped-def]
    """Round like `_round`, with past errors fed back; after `hold` silent samples words are 0.

    feedback: weights of past errors, the oldest first. errors: shape (channels, _TAPS + frames
    or more); the past ones in front. quiet: one number, the silent samples up to here.
    """
    own = 1 if noise.shape[2] > 1 else 0
    frames, still = samples.shape[0], quiet[0]
    for i in range(frames):
        silent = True
        for c in range(samples.shape[1]):
            silent = silent and samples[i, c] == 0.0
        still = still + 1 if silent else 0
        for c in range(samples.shape[1]):
            wanted, past = samples[i, c] * top, errors[c, i : i + _TAPS]
            for k in range(_TAPS):
                wanted += feedback[k] * past[k]
            word, error = 0.0, 0.0
            if still <= hold:
                word = np.floor(wanted + (noise[i, 0, c * own] - noise[i, 1, c * own] + 0.5))
                error = word - wanted
                if word < -top or word > top - 1.0:
                    word = min(max(word, -top), top - 1.0)
                    error = min(max(word - wanted, -_MOST_ERROR), _MOST_ERROR)
            words[i, c] = np.int32(word)
            errors[c, _TAPS + i] = error
    quiet[0] = still
    for c in range(samples.shape[1]):
        for k in range(_TAPS):
            errors[c, k] = errors[c, frames + k]


class Quantizer:
    """Shorten a stream of samples to whole numbers.

    Parameters
    ----------
    bits
        Word length, 16 or 24.
    seed
        Seed of the dither: the same seed gives the same words. None rounds without dither, which
        is exact where the samples already are words of that length.
    same_in_both
        The two channels hold one signal and get one dither, so that mono stays mono.
    dither
        "tpdf": white. "shaped": TPDF whose error is moved to where it is heard least, in words of
        16 bits at 44.1 and 48 kHz, "tpdf" elsewhere; its noise ends `SILENCE_S` into digital
        silence (all channels exactly zero) and is back with the first sample that is not. "none":
        rounding alone.
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
        self._quiet = np.zeros(1, np.int64)
        self._channels = 0

    def _make_room(self, channels: int) -> None:
        self._channels = channels
        dithers = 1 if self._same_in_both or self._random is None else channels
        self._samples = np.zeros((_TILE, channels))
        self._noise = np.zeros((_TILE, 2, dithers), np.float32)
        self._errors = np.zeros((channels, _TAPS + _TILE))

    def words(self, block: Samples) -> Words:
        """Return the words of the next samples.

        Returns
        -------
        ndarray of int32, shape as `block`
            From -2^(bits-1) to 2^(bits-1) - 1.
        """
        if not self._channels:
            self._make_room(block.shape[1])
        words = np.empty(block.shape, np.int32)
        for start in range(0, len(block), _TILE):
            piece, out = block[start : start + _TILE], words[start : start + _TILE]
            samples, noise = self._samples[: len(piece)], self._noise[: len(piece)]
            samples[:] = piece
            if self._random is not None:
                _draw(self._random, noise)
            if len(self._feedback):
                past = (self._feedback, self._errors, self._quiet, self._hold)
                _shape(samples, noise, self._top, out, *past)
            else:
                _round(samples, noise, self._top, out)
        return words


def samples_of(words: Words, bits: int) -> Samples:
    """Return words of up to 24 bits as samples, exactly."""
    return words.astype(np.float32) * np.float32(2.0 ** (1 - bits))
