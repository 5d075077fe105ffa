"""Repair dropouts: raise each band to the level that it has around the gap, or fill what is lost.

A tape that lifts off the head loses level in all bands at the same time, in each by its own factor
in dB (Wallace, Bell System Tech. J. 30, 1951, from memory). So one curve of loss over time and one
factor per band are measured: against the other channel where that is whole, else against a line
between the levels before and after. Where nothing is left that could be raised, the sound is taken
from the other channel, band by band at the level of its own; where both channels are lost, up to
80 ms are filled by autoregressive interpolation (Janssen, Veldhuis and Vries, IEEE Trans. ASSP 34,
1986; compared by Mokrý and Rajmic, arXiv 2403.04433; both from memory), and a longer dropout stays.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.autoregression import lerp, lpc
from assembler.restoration.analysis.dropouts import BOTH, Dropout

Wave = NDArray[np.float64]
Levels = NDArray[np.float64]
Spectra = NDArray[np.complex128]

_NEAR_S, _AROUND_S = 0.07, 0.25
"""Sound before and after a dropout that is read where it is raised, and where it is filled."""
_WINDOW_S = 0.006
_REFERENCE_S, _EDGE_S = 0.05, 0.012
"""Length of the sound that levels are compared with, and its distance from the dropout."""
_BAND_EDGES_HZ = (60, 400, 700, 1100, 1600, 2300, 3300, 4700, 6700, 9500, 13_500, 20_000)
_STEPS, _WIDTHS_S = 12, np.array([0.001, 0.002, 0.003, 0.004, 0.006, 0.008, 0.012, 0.016])
"""Edges that are tried: the steps per window from middle to middle, and their lengths."""
_DEPTHS = np.array([0.9, 0.95, 1.0, 1.05, 1.1, 1.2, 1.3])
"""Depths that are tried, relative to the median of the loss."""
_LEAST_POWER = 1e-12
_MOST_GAIN_DB = 40.0
"""A deeper dropout has nothing left that could be raised."""
_SHARES = 0.3, 3.0
"""Least and greatest factor of a band."""
_HEARD_DB = 55.0
"""Bands that are further below the loudest don't count."""
_MOST_INTERPOLATED_S = 0.08
_ORDER = 1000
_RECURS_S, _ALIKE = 5.0, 0.1


class DropoutSpan(NamedTuple):
    """Where a dropout is: first sample and the one after the last, and its channel (`Dropout`)."""

    first: int
    last: int
    channel: int


def spans_of(
    dropouts: Iterable[Dropout], rate_hz: int, *, is_swapped: bool
) -> tuple[DropoutSpan, ...]:
    """Return where dropouts are in samples, in order; left and right may be swapped.

    Those that recur at about the same length within a few seconds are notes, and are left out.
    """
    dropouts = tuple(dropouts)
    swapped = {0: 1, 1: 0} if is_swapped else {}
    spans = (
        DropoutSpan(
            round(one.at_s * rate_hz),
            round((one.at_s + one.length_s) * rate_hz),
            swapped.get(one.channel, one.channel),
        )
        for one in dropouts
        if not any(_recurs(one, other) for other in dropouts if other != one)
    )
    return tuple(sorted(spans))


def _recurs(one: Dropout, other: Dropout) -> bool:
    near = abs(one.at_s - other.at_s) < _RECURS_S
    return near and abs(one.length_s - other.length_s) < _ALIKE * one.length_s


def dedropout(
    blocks: Iterable[Samples], rate_hz: int, spans: Sequence[DropoutSpan], position: int = 0
) -> Iterator[Samples]:
    """Repair the dropouts of a stereo stream.

    The stream keeps its length, and the samples outside the dropouts and their edges pass bit for
    bit.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    spans
        The dropouts of the recording, in order of time.
    position
        Where in the recording the stream begins.
    """
    around = round(_AROUND_S * rate_hz)
    waiting = deque(span for span in spans if span.first - around >= position)
    kept = np.zeros((0, 2), np.float32)
    for block in blocks:
        kept = np.concatenate((kept, block)) if len(kept) else block
        while waiting and waiting[0].last + around <= position + len(kept):
            kept = _repaired(kept, waiting.popleft(), position, rate_hz)
        end = waiting[0].first - around - position if waiting else len(kept)
        done = min(max(0, end), len(kept))
        if done:
            yield kept[:done]
        kept, position = kept[done:], position + done
    if len(kept):
        yield kept


def _repaired(kept: Samples, span: DropoutSpan, position: int, rate_hz: int) -> Samples:
    """Return the samples with a dropout repaired; `position` is where they begin."""
    lost = (0, 1) if span.channel == BOTH else (span.channel,)
    first, last = span.first - position, span.last - position
    near, around = round(_NEAR_S * rate_hz), round(_AROUND_S * rate_hz)
    part = kept[first - near : last + near].T.astype(np.float64)
    whole = None if span.channel == BOTH else part[1 - span.channel]
    sounds = _Repair(rate_hz, part.shape[1], near).raised([part[n] for n in lost], whole)
    edge = round(2 * _EDGE_S * rate_hz)
    if sounds:
        sounds = [sound[near - edge : edge - near] for sound in sounds]
    else:
        edge = round(_EDGE_S / 3 * rate_hz)
        if last - first + 2 * edge > _MOST_INTERPOLATED_S * rate_hz:
            return kept
        part = kept[first - around : last + around].T.astype(np.float64)
        gap = around - edge, part.shape[1] - around + edge
        sounds = [_interpolated(part[n], *gap) for n in lost]
    repaired = kept.copy()
    for channel, sound in zip(lost, sounds, strict=True):
        repaired[first - edge : last + edge, channel] = sound
    return repaired


def _interpolated(samples: Wave, first: int, last: int) -> Wave:
    """Return the least-squares samples of a long gap; the model is fitted twice."""
    from scipy.linalg import solve_toeplitz
    from scipy.signal import oaconvolve

    whole, known = samples.copy(), samples.copy()
    whole[first:last] = lerp(samples, first, last)
    known[first:last] = 0
    for _ in range(2):
        taps = lpc(whole, min(_ORDER, first, len(samples) - last))
        lags = oaconvolve(taps, taps[::-1])
        column = np.zeros(max(last - first, len(taps)))
        column[: len(taps)] = lags[len(taps) - 1 :]
        right = -oaconvolve(known, lags, "same")[first:last]
        whole[first:last] = solve_toeplitz(column[: last - first], right)
    return whole[first:last]


def _slope(part: Wave) -> Wave:
    """Return a half cosine from 0 to 1 around 0, of length 1."""
    return 0.5 + 0.5 * np.sin(np.pi * np.clip(part, -0.5, 0.5))


class _Repair:
    """Repair of one dropout, in the middle of the sound around it."""

    def __init__(self, rate_hz: int, samples: int, around: int) -> None:
        self._rate_hz, self._samples = rate_hz, samples
        self._first, self._last = around, samples - around
        self._size = 4 * round(_WINDOW_S * rate_hz / 4)
        self._hop = self._size // 4
        self._window = np.sqrt(np.hanning(self._size + 1)[:-1])
        self._step = self._size / _STEPS
        most = round(_EDGE_S * rate_hz / self._step)
        self._shifts = np.arange(-most, most)
        at = np.arange((samples + self._size) // self._hop) * self._hop - self._size // 2
        edge, reference = _EDGE_S * rate_hz, _REFERENCE_S * rate_hz
        self._at = at
        self._before = (at > self._first - edge - reference) & (at < self._first - edge)
        self._after = (at > self._last + edge) & (at < self._last + edge + reference)
        self._within = (at >= self._first) & (at <= self._last)
        if not self._within.any():
            self._within[np.argmin(np.abs(at - samples / 2))] = True
        self._part = np.clip((at - self._first) / (self._last - self._first), 0, 1)[:, None]
        self._hz = np.fft.rfftfreq(self._size, 1 / rate_hz)
        edges = [hz for hz in _BAND_EDGES_HZ if hz < rate_hz / 2]
        self._bins = np.unique(np.searchsorted(self._hz, edges))
        self._band_hz = (self._hz[self._bins[:-1]] + self._hz[self._bins[1:] - 1]) / 2

    def raised(self, lost: Sequence[Wave], whole: Wave | None) -> list[Wave]:
        """Return the channels that are lost, raised; empty where nothing is left of them.

        `whole` is the other channel, where that has no dropout: its sound is used instead.
        """
        spectra = [self._spectra(own) for own in lost]
        other = None if whole is None else self._spectra(whole)
        loss_db, shares = self._loss_db(spectra, other)
        if loss_db.max() <= _MOST_GAIN_DB:
            further_db = np.minimum(self._at_frames(loss_db)[:, None] * (shares - 1), _MOST_GAIN_DB)
            gain, further = 10 ** (loss_db / 20), 10 ** (further_db / 20)
            return [self._sound(self._spectra(own * gain) * further) for own in lost]
        if other is not None:
            return [self._sound(self._borrowed(own, other, loss_db)) for own in spectra]
        return []

    def _borrowed(self, own: Spectra, other: Spectra, loss_db: Levels) -> Spectra:
        """Return spectra with those of the other channel where sound is lost."""
        levels = self._line(self._levels([own]) - self._levels([other]))
        gains = 10 ** (np.stack([np.interp(self._hz, self._band_hz, row) for row in levels]) / 20)
        lost = np.clip(self._at_frames(loss_db) / 12, 0, 1)[:, None]
        return own * np.sqrt(1 - lost**2) + other * gains * lost

    def _spectra(self, sound: Wave) -> Spectra:
        """Return the spectra of windows that overlap by three quarters."""
        padded = np.concatenate((np.zeros(self._size), sound, np.zeros(2 * self._size)))
        windows = sliding_window_view(padded, self._size)[:: self._hop][: len(self._within)]
        return np.fft.rfft(windows * self._window, axis=1)

    def _sound(self, spectra: Spectra) -> Wave:
        """Return the sound of spectra."""
        windows = np.fft.irfft(spectra, self._size, axis=1) * (self._window / 2)
        out = np.zeros((len(windows) + 3, self._hop))
        for quarter in (3, 2, 1, 0):
            part = windows[:, quarter * self._hop :][:, : self._hop]
            out[quarter : quarter + len(windows)] += part
        return out.ravel()[self._size :][: self._samples]

    def _loss_db(self, spectra: Sequence[Spectra], other: Spectra | None) -> tuple[Wave, Wave]:
        """Return the loss of level over time, and the factor that each bin has of it.

        The steadier a band is around the dropout, the more it counts.
        """
        levels = self._levels(spectra)
        expected = self._line(levels)
        calm = self._before | self._after
        if other is not None:
            beside = self._levels([other])
            against = beside + self._line(levels - beside)
            misses = [np.abs(levels - one)[calm].mean(0) for one in (against, expected)]
            expected = np.where(misses[0] < misses[1], against, expected)
        losses = expected - levels
        mean = expected[self._within].mean(0)
        weights = np.where(mean > mean.max() - _HEARD_DB, 1 / (losses[calm].var(0) + 1), 1e-3)
        hz = np.tile(self._band_hz, len(spectra))
        depths = np.median(losses[self._within], axis=0)
        slope, start = np.polyfit(hz, depths, 1, w=np.sqrt(weights))
        depth = max(float(weights @ (start + slope * hz) / weights.sum()), 1.0)
        shares, by_bin = (np.clip((start + slope * at) / depth, *_SHARES) for at in (hz, self._hz))
        return self._curve(losses @ (weights * shares) / (weights @ shares**2)), by_bin

    def _curve(self, loss: Levels) -> Wave:
        """Return the loss of each sample: the fall, level part and rise that explain it best."""
        middle = (self._first + self._last) / 2
        depths = max(float(np.median(loss[self._within])), 0.0) * _DEPTHS
        falls = self._misses(loss, self._at < middle, depths, self._first, 1)
        rises = self._misses(loss, self._at >= middle, depths, self._last, -1)
        best = int(np.argmin(falls.min(1) + rises.min(1)))
        fall = self._edge(int(np.argmin(falls[best])), self._first, 1)
        rise = self._edge(int(np.argmin(rises[best])), self._last, -1)
        curve: Wave = depths[best] * np.minimum(fall, rise)
        return curve

    def _misses(
        self, loss: Levels, half: NDArray[np.bool_], depths: Wave, near: int, sign: int
    ) -> Levels:
        """Return how far each edge of each depth misses the loss in a half: (depths, edges).

        Windows and edges are on one grid of steps, so that the level of a window depends on its
        distance from the edge alone.
        """
        seen = half & (np.abs(self._at - near) < 3 * _EDGE_S * self._rate_hz)
        first, share = divmod((self._at[seen][0] - near) / self._step, 1)
        window = 1 + np.cos(2 * np.pi / _STEPS * (np.arange(1, _STEPS + 1) - _STEPS // 2 - share))
        reach = self._shifts[-1] + _STEPS // 2 - 1
        times = int(first) + np.arange(-reach, _STEPS // 4 * seen.sum() + reach)
        slopes = _slope(sign * self._step / self._rate_hz * times / _WIDTHS_S[:, None])
        powers = 10 ** (-depths[:, None, None] / 10 * slopes)
        powers = sliding_window_view(powers, _STEPS, axis=2) @ (window / window.sum())
        levels = sliding_window_view(10 * np.log10(powers), len(self._shifts), axis=2)
        levels = levels[:, :, :: _STEPS // 4, ::-1][:, :, : seen.sum()]
        misses: Levels = ((levels + loss[seen][:, None]) ** 2).sum(2).reshape(len(depths), -1)
        return misses

    def _edge(self, number: int, near: int, sign: int) -> Wave:
        """Return an edge from 0 to 1."""
        width, shift = divmod(number, len(self._shifts))
        middle = near + self._shifts[shift] * self._step
        width_samples = _WIDTHS_S[width] * self._rate_hz
        return _slope(sign * (np.arange(self._samples) - middle) / width_samples)

    def _at_frames(self, values: Wave) -> Wave:
        """Return values of samples at the middles of the windows."""
        found: Wave = values[np.clip(self._at, 0, self._samples - 1)]
        return found

    def _levels(self, spectra: Sequence[Spectra]) -> Levels:
        """Return the levels of the bands, those of one channel after those of the other."""
        powers = [np.abs(one[:, : self._bins[-1]]) ** 2 for one in spectra]
        sums = [np.add.reduceat(power, self._bins[:-1], axis=1) for power in powers]
        levels: Levels = 10 * np.log10(np.maximum(np.concatenate(sums, axis=1), _LEAST_POWER))
        return levels

    def _line(self, levels: Levels) -> Levels:
        """Return the line from the mean level before to that after."""
        before, after = levels[self._before].mean(0), levels[self._after].mean(0)
        line: Levels = before + (after - before) * self._part
        return line
