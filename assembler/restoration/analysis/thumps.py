"""Find thumps: the decaying low tones that a long click or a burst leaves behind.

A deep scratch or a splice sets pickup arm or tape path swinging. The click is over after some
milliseconds; the swing goes on below some 200 Hz, its frequency falling. Its shape is known but
for a few numbers: decay, frequency at the start and at the end, glide between them, amplitude
and phase.

The sound around the click is decimated, and a long predictor fitted to it before the click and
after the longest thump. The shape that leaves the smallest prediction errors is sought; the samples
of the click itself count as unknown. What is found is a thump only if it explains far more than
chance would, dies away soon, is louder than all the bass around it, and leaves less bass when it is
subtracted: a kick drum or a bass note is not louder than its like, and lasts longer.

Source: the model of a pulse is that of Esquef, Biscainho and Välimäki, "An efficient algorithm for
the restoration of audio signals corrupted with low-frequency pulses", J. Audio Eng. Soc. 51(6),
2003, and Carvalho, Ávila and Biscainho, "Bayesian restoration of audio signals degraded by long
low-frequency pulses", arXiv 2005.14181; fitted to errors of prediction as by Godsill and Rayner,
Digital Audio Restoration (1998); all from memory. All figures: tuned empirically on real music
with clicks, with and without thumps after them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.linalg import toeplitz
from scipy.optimize import minimize
from scipy.signal import butter, resample_poly, sosfiltfilt

from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.autoregression import (
    RIDGE,
    Signal,
    dot,
    lerp,
    levinson,
    prediction_errors,
)

_LOW_RATE_HZ = 1_838
_SHORTEST_CLICK_S, _LONGEST_CLICK_S = 0.001, 0.03
"""A shorter click leaves no thump that is heard."""
SPAN_S = 0.28
"""Longest thump; it fades out over the last of it."""
_FADE_S = 0.03
_SIDE_S, _LEAST_SIDE_S = 1.2, 0.4
"""Sound on either side from which the predictor is fitted, and the least of it."""
_ORDER = 96
_SMEAR = 3
"""Samples at the low rate by which decimation spreads a click."""
_BASS_HZ = 250.0
_LOUDER = 1.2
"""Least peak of a thump, re the highest peak of the bass around it."""
_HEARD, _FALL = 3.0, 3.0
"""Decays after a click for which the bass is compared, and by how much its power must fall."""
_LEAST_LLR = 25.0
"""Least natural logarithm of the ratio of likelihoods, with and without a thump."""
_LEAST_COARSE_LLR = 5.0
"""That of the best of the coarse shapes, from which one is sought further: of 51 first fits in
music with and without thumps, 13 stay below it, and none of those gets above 7.2."""
_MOST_LEFT = 4.0
"""Most power of the errors with the thump removed, re that around it."""
_CERTAIN_LLR = 200.0
"""Ratio from which the rest may be more: the shape is only near to the thump's."""
_STARTS, _EVALUATIONS, _APART = 3, 160, 0.3
"""Starts of the search, logarithms apart, and evaluations of each."""
_BOUNDS = ((0.004, 0.08), (15.0, 230.0), (0.15, 1.0), (0.003, 0.15))
"""Of decay in s, frequency at the start in Hz, frequency at the end re that, and glide in s."""
_MARGIN = 1.03
"""A decay or a start frequency as near to its bound is no thump's."""


@dataclass(frozen=True)
class Tone:
    """A decaying tone of falling frequency."""

    decay_s: float
    start_hz: float
    fall: float
    """Frequency at the end, re that at the start."""
    glide_s: float
    sine: float
    cosine: float
    """Amplitudes."""

    def samples(self, time: Signal) -> Signal:
        """Return its samples at times in s from 0 on."""
        pair = _pair(time, self.decay_s, self.start_hz, self.fall, self.glide_s)
        tone: Signal = pair @ (self.sine, self.cosine)
        return tone


@dataclass(frozen=True)
class Thump:
    """One or two tones from the start of a click."""

    tones: tuple[Tone, ...]

    def samples(self, rate_hz: float) -> Signal:
        """Return its samples, shape (n,)."""
        time = np.arange(round(SPAN_S * rate_hz)) / rate_hz
        fade = np.clip((SPAN_S - time) / _FADE_S, 0, 1)
        return np.asarray(fade * sum(tone.samples(time) for tone in self.tones))

    def peak(self, rate_hz: float) -> float:
        """Return its peak, re full scale."""
        return float(np.abs(self.samples(rate_hz)).max())


def thumps_after(
    sound: NDArray[Any], clicks: Sequence[tuple[int, int]], offset: int, rate_hz: int
) -> list[Thump | None]:
    """Return the thump after each click of a channel, if there is one.

    Parameters
    ----------
    sound, offset, rate_hz
        Shape (samples,), the number of its first sample, and the sample rate.
    clicks
        First sample of each and the one after its last, in order of time.
    """
    places = [(first - offset, last - offset) for first, last in clicks]
    may_have = [
        _SHORTEST_CLICK_S <= (last - first) / rate_hz <= _LONGEST_CLICK_S for first, last in places
    ]
    if not any(may_have):
        return [None] * len(places)
    bridged = sound.astype(np.float64)
    for first, last in places:
        bridged[first:last] = lerp(bridged, first, last)
    thumps: list[Thump | None] = []
    for (first, last), may in zip(places, may_have, strict=True):
        thump = _thump(bridged, first, last, rate_hz) if may else None
        if thump:
            part = bridged[last : first + round(SPAN_S * rate_hz)]
            part -= thump.samples(rate_hz)[last - first :][: len(part)]
        thumps.append(thump)
    return thumps


def _pair(time: Signal, decay_s: float, start_hz: float, fall: float, glide_s: float) -> Signal:
    """Return the sine and the cosine of a shape at times from 0 on, shape (n, 2)."""
    glided = glide_s * (1 - np.exp(-time / glide_s))
    turns = start_hz * (fall * time + (1 - fall) * glided)
    decay = np.exp(-time / decay_s)
    angle = 2 * np.pi * turns
    return np.stack((decay * np.sin(angle), decay * np.cos(angle)), axis=-1)


@lru_cache(maxsize=4)
def _coarse_shapes(low_rate_hz: float) -> tuple[Signal, Signal]:
    """Return a grid of shapes, (shapes, 4), and their samples, (n, 2 × shapes)."""
    time = np.arange(round((SPAN_S + 2 * _LONGEST_CLICK_S) * low_rate_hz) + _ORDER) / low_rate_hz
    grid = np.array(
        [
            (decay_s, start_hz, fall, glide_s)
            for decay_s in np.geomspace(0.005, 0.07, 7)
            for start_hz in np.geomspace(21, 180, 20)
            for fall in (1.0, 0.65, 0.35)
            for glide_s in ((0.02,) if fall == 1.0 else (0.01, 0.04))
        ]
    )
    return grid, np.concatenate([_pair(time, *shape) for shape in grid], axis=1)


def _thump(sound: Signal, first: int, last: int, rate_hz: int) -> Thump | None:
    """Return the thump after one click, whose samples are a straight line."""
    step = max(1, round(rate_hz / _LOW_RATE_HZ))
    low_rate_hz = rate_hz / step
    span, side = (round(s * low_rate_hz) for s in (SPAN_S, _SIDE_S))
    click = -(-(last - first) // step) + _SMEAR
    before = min(side + _SMEAR, first // step)
    after = min(click + span + side, (len(sound) - first) // step)
    if min(before, after - click - span) < max(_LEAST_SIDE_S * low_rate_hz, 2 * _ORDER):
        return None
    low = resample_poly(sound[first - before * step : first + after * step], 1, step)
    low -= low.mean()
    begin, finish = before - _SMEAR + 1, before + click
    sos = butter(4, _BASS_HZ, fs=low_rate_hz, output="sos")
    bass = sosfiltfilt(sos, low)
    around = np.abs(np.concatenate((bass[:begin], bass[finish + span :]))).max()
    if np.abs(bass[begin : finish + span]).max() <= around:
        return None
    fit = _Fit(low, before, begin, finish, span, low_rate_hz)
    thump = fit.best()
    if thump is None:
        return None
    tail = thump.samples(low_rate_hz)
    rest = low.copy()
    rest[before : before + len(tail)] -= tail[: len(rest) - before]
    rest[begin:finish] = lerp(rest, begin, finish)
    heard = slice(finish, finish + round(_HEARD * thump.tones[0].decay_s * low_rate_hz) + 1)
    falls = np.sum(bass[heard] ** 2) > _FALL * np.sum(sosfiltfilt(sos, rest)[heard] ** 2)
    is_louder = np.abs(tail).max() > _LOUDER * around
    return thump if is_louder and falls and fit.is_clear(thump) else None


class _Fit:
    """The errors of prediction after a click, and what shapes explain of them."""

    def __init__(
        self, low: Signal, zero: int, begin: int, finish: int, span: int, low_rate_hz: float
    ) -> None:
        sides = low[:begin], low[finish + span :]
        taps = levinson(_autocorrelation(sides[0]) + _autocorrelation(sides[1]), RIDGE)
        self.usual = float(
            np.mean(np.concatenate([prediction_errors(part, taps)[_ORDER:] for part in sides]) ** 2)
        )
        count = finish + span + _ORDER - begin
        errors = prediction_errors(low[begin - _ORDER : begin + count], taps)[_ORDER:]
        count = len(errors)
        column = np.concatenate((taps, np.zeros(count)))[:count]
        unknown, _ = np.linalg.qr(toeplitz(column, np.zeros(finish - begin)))
        self._unknown = np.ascontiguousarray(unknown.T)
        self._errors = self._known(errors)
        self._taps, self._low_rate_hz = taps, low_rate_hz
        self._late, self._count = zero - begin, count
        self._free = count - (finish - begin)
        self._time = np.arange(count - self._late) / low_rate_hz
        self._size = next_fast_len(len(self._time) + _ORDER, real=True)
        self._response = rfft(taps[:, None], self._size, axis=0)
        self._grid, samples = _coarse_shapes(low_rate_hz)
        self._coarse = self._filtered(samples[: len(self._time)]).reshape(count, -1, 2)

    def best(self) -> Thump | None:
        """Return what explains most; a second tone only if it explains more than chance would."""
        first = self._tone(self._errors)
        if first is None:
            return None
        left = self._left(self._errors, first)
        second = self._tone(left)
        if second is None or self._llr(left, self._left(left, second)) < _LEAST_LLR:
            return Thump((first,))
        again = self._tone(self._left(self._errors, second))
        return Thump((again or first, second))

    def is_clear(self, thump: Thump) -> bool:
        """Return whether it is a thump's, and explains far more than chance would."""
        left = self._errors
        for tone in thump.tones:
            left = self._left(left, tone)
        llr = self._llr(self._errors, left)
        is_rest = float(left @ left) < _MOST_LEFT * self.usual * self._free
        (_, longest), (lowest_hz, highest_hz) = _BOUNDS[:2]
        main = thump.tones[0]
        return (
            main.decay_s * _MARGIN < longest
            and lowest_hz * _MARGIN < main.start_hz < highest_hz / _MARGIN
            and (llr > _CERTAIN_LLR or (is_rest and llr > _LEAST_LLR))
        )

    def _tone(self, errors: Signal) -> Tone | None:
        """Return the tone that explains most of the errors, if any explains much."""
        grid, explained = self._grid, _explained(self._coarse, errors)
        power = errors @ errors
        if power * (1 - np.exp(-2 * _LEAST_COARSE_LLR / self._free)) > explained.max():
            return None
        starts: list[Signal] = []
        for k in np.argsort(-explained):
            if all(np.abs(np.log(grid[k] / other)).max() > _APART for other in starts):
                starts.append(grid[k])
            if len(starts) == _STARTS:
                break

        def cost(logs: Signal) -> float:
            explained = _explained_by(
                np.exp(logs), errors, self._taps, self._unknown, self._late, self._low_rate_hz
            )
            return float(np.log(max(power - explained, 1e-12 * power)))

        options = {"maxfev": _EVALUATIONS, "xatol": 1e-3, "fatol": 1e-4}
        found = [
            minimize(
                cost, np.log(shape), method="Nelder-Mead", bounds=np.log(_BOUNDS), options=options
            )
            for shape in starts
        ]
        shape = np.exp(min(found, key=lambda one: float(one.fun)).x)
        amplitudes, *_ = np.linalg.lstsq(
            self._filtered(_pair(self._time, *shape)), errors, rcond=1e-6
        )
        return Tone(*map(float, (*shape, *amplitudes)))

    def _llr(self, errors: Signal, left: Signal) -> float:
        """Return the logarithm of the ratio of likelihoods of what is left and of the errors."""
        return float(self._free / 2 * np.log((errors @ errors) / np.maximum(left @ left, 1e-30)))

    def _left(self, errors: Signal, tone: Tone) -> Signal:
        """Return the errors without a tone."""
        return np.asarray(errors - self._filtered(tone.samples(self._time)[:, None])[:, 0])

    def _filtered(self, shapes: Signal) -> Signal:
        """Return the prediction errors of shapes, one per column, from the first unknown sample."""
        errors = np.zeros((self._count, shapes.shape[1]))
        spectra = rfft(shapes, self._size, axis=0) * self._response
        errors[self._late :] = irfft(spectra, self._size, axis=0)[: len(shapes)]
        return self._known(errors)

    def _known(self, errors: Signal) -> Signal:
        """Return errors without what the unknown samples of the click explain."""
        return np.asarray(errors - self._unknown.T @ (self._unknown @ errors))


@compiled
def _explained_by(
    shape: Signal,
    errors: Signal,
    taps: Signal,
    unknown: Signal,
    late: int,
    low_rate_hz: float,
) -> float:
    """Return the power that a shape explains of the errors, as `_explained`, without temporaries.

    Parameters
    ----------
    shape
        Decay in s, frequency at the start in Hz, frequency at the end re that, and glide in s.
    errors, late
        Prediction errors, and how many of them are before the shape begins.
    taps, unknown
        Prediction-error filter, and orthonormal rows of what the samples of the click explain.
    """
    decay_s, start_hz, fall, glide_s = shape[0], shape[1], shape[2], shape[3]
    count = errors.shape[0] - late
    pair = np.zeros((2, count))
    for i in range(count):
        time = i / low_rate_hz
        glided = glide_s * (1.0 - np.exp(-time / glide_s))
        angle = 2.0 * np.pi * start_hz * (fall * time + (1.0 - fall) * glided)
        decay = np.exp(-time / decay_s)
        pair[0, i], pair[1, i] = decay * np.sin(angle), decay * np.cos(angle)
    shown = np.zeros((2, errors.shape[0]))
    for one in range(2):
        filtered = shown[one, late:]
        for k in range(min(taps.shape[0], count)):
            tap, earlier, later = taps[k], pair[one], filtered[k:]
            for i in range(count - k):
                later[i] += tap * earlier[i]
        for row in range(unknown.shape[0]):
            share = dot(unknown[row], shown[one])
            for i in range(errors.shape[0]):
                shown[one, i] -= share * unknown[row, i]
    sine, cosine = shown[0], shown[1]
    a, b, c = dot(sine, sine), dot(cosine, cosine), dot(sine, cosine)
    p, q = dot(errors, sine), dot(errors, cosine)
    determinant = max(a * b - c**2, 1e-6 * a * b + 1e-30)
    return (b * p**2 - 2.0 * c * p * q + a * q**2) / determinant


def _explained(pairs: Signal, errors: Signal) -> Signal:
    """Return the power that each pair of columns explains of the errors; pairs: (n, shapes, 2)."""
    sine, cosine = pairs[:, :, 0], pairs[:, :, 1]
    a, b = (sine**2).sum(axis=0), (cosine**2).sum(axis=0)
    c = (sine * cosine).sum(axis=0)
    p, q = errors @ sine, errors @ cosine
    determinant = np.maximum(a * b - c**2, 1e-6 * a * b + 1e-30)
    explained: Signal = (b * p**2 - 2 * c * p * q + a * q**2) / determinant
    return explained


def _autocorrelation(part: Signal) -> Signal:
    """Return the sums of products of a Hann-windowed passage at each lag up to the order."""
    windowed = part * np.hanning(len(part) + 2)[1:-1]
    size = len(windowed)
    return np.array([windowed[: size - lag] @ windowed[lag:] for lag in range(_ORDER + 1)])
