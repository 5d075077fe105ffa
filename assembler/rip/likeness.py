"""Compare sound that is not the same sample for sample: level, polarity, channels, lossy copy."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.rip.samples import Samples, stereo
from assembler.rip.shift import distinctive

_WINDOW = 1 << 14
_WINDOWS = 8
_LEAST_WINDOWS = 3
_LEAST_CORRELATION = 0.3
_SAME_PLACE = 100
"""The same recording: in most windows the correlation is at least this high, at lags this close to
each other, in samples. Tuned empirically: a 128 kbit/s MP3 file of white noise reaches 0.42; the
lags of other music are spread over the whole search."""
_ROUNDING = 2.0
"""RMS residual, in LSB, that rounding and dither can leave after a change of level."""
_SAME_GAIN = 0.002
_EXACT_GAIN_DB = 0.002


@dataclass(frozen=True)
class Likeness:
    """How sound of a rip relates to that of the image.

    Attributes
    ----------
    shift
        Where the rip's sound is; None where the recording differs.
    gain_db
        Change of level; None where it is not constant.
    inverted
        Whether its polarity is opposite.
    swapped
        Whether left and right are exchanged.
    is_copy
        Whether, apart from these, no more than rounding differs.
    """

    shift: int | None
    gain_db: float | None = None
    inverted: bool = False
    swapped: bool = False
    is_copy: bool = False

    @property
    def exact(self) -> bool:
        """Whether the level is the same."""
        return self.gain_db is not None and abs(self.gain_db) < _EXACT_GAIN_DB


@dataclass(frozen=True)
class _Match:
    lag: int
    gain: float
    likeness: float
    residual: float
    swapped: bool


def likeness(
    image: Samples, rip: Samples, first: int, end: int, shift: int, reach: int
) -> Likeness:
    """Measure how the sound between two samples of the image relates to the rip's.

    Parameters
    ----------
    image, rip
        The samples.
    first, end
        Samples of the image.
    shift, reach
        Where in the rip to search, and how far around it.
    """
    positions = [p for p in distinctive(image, first, end, _WINDOWS) if p + _WINDOW <= end]
    found = [_best_match(image, rip, p, shift, reach) for p in positions]
    matches = [match for match in found if match and match.likeness >= _LEAST_CORRELATION]
    middle = np.median([match.lag for match in matches]) if matches else 0
    matches = [match for match in matches if abs(match.lag - middle) <= _SAME_PLACE]
    if len(matches) < _LEAST_WINDOWS or 2 * len(matches) < len(found):
        return Likeness(None)
    gains = np.array([match.gain for match in matches])
    lags = sorted(match.lag for match in matches)
    gain = float(np.median(gains))
    constant = bool(np.all(np.abs(gains - gain) <= _SAME_GAIN * abs(gain)))
    copy = constant and lags[0] == lags[-1] and max(m.residual for m in matches) <= _ROUNDING
    return Likeness(
        lags[len(lags) // 2],
        20 * math.log10(abs(gain)) if constant else None,
        gain < 0,
        2 * sum(match.swapped for match in matches) > len(matches),
        copy and len(matches) == len(found),
    )


def _best_match(
    image: Samples, rip: Samples, position: int, shift: int, reach: int
) -> _Match | None:
    ours = stereo(image.read(position, position + _WINDOW)).astype(np.float64)
    start = max(position + shift - reach, 0)
    theirs = stereo(rip.read(start, position + shift + reach + _WINDOW)).astype(np.float64)
    if len(theirs) < _WINDOW or not ours.any():
        return None
    straight = _match(ours, theirs, start - position)
    crossed = _match(ours[:, ::-1], theirs, start - position)
    if crossed.residual < 0.9 * straight.residual:
        return _Match(crossed.lag, crossed.gain, crossed.likeness, crossed.residual, swapped=True)
    return straight


def _match(ours: NDArray[np.float64], theirs: NDArray[np.float64], start: int) -> _Match:
    """Return the lag of the highest correlation, and gain and residual at it."""
    length = 1 << int(len(theirs) + len(ours) - 1).bit_length()
    spectrum = np.conj(np.fft.rfft(ours, length, axis=0)) * np.fft.rfft(theirs, length, axis=0)
    places = len(theirs) - len(ours) + 1
    products = np.fft.irfft(spectrum.sum(axis=1), length)[:places]
    energies = np.cumsum(np.concatenate(([0.0], (theirs**2).sum(axis=1))))
    energy = energies[len(ours) :] - energies[: -len(ours)]
    scaled = np.abs(products) / np.sqrt(np.maximum(energy, 1.0))
    place = int(scaled.argmax())
    own = float((ours**2).sum())
    gain = float(products[place]) / own
    part = theirs[place : place + len(ours)]
    residual = float(np.sqrt(((part - gain * ours) ** 2).mean()))
    return _Match(
        start + place, gain, float(scaled[place]) / math.sqrt(own), residual, swapped=False
    )
