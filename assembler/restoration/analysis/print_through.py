"""Find print-through: the pre-echo of a loud onset, one turn of the tape before it.

Layers of a wound tape magnetise each other, so that before a loud onset it is heard faintly, sooner
by the time of one turn. Each loud onset out of quiet is correlated with the quiet before it, both
whitened so that the phase counts (Knapp and Carter, "The generalized correlation method for
estimation of time delay", IEEE Transactions on Acoustics, Speech and Signal Processing 24(4), 1976,
from memory). A pre-echo gives one peak that stands alone. Music that repeats itself has more
copies of the onset before it, which show where only the colour of the sound is whitened. A single
exact copy, played softly, can't be distinguished from print-through. Bounds: tuned empirically on
undamaged music and on known pre-echoes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from assembler.restoration.analysis.low_sound import LowSound
from assembler.restoration.analysis.noise_floor import smoothed
from assembler.restoration.analysis.programme import STEP_S, ProgrammeReading

LEAST_LAG_S, MOST_LAG_S = 0.3, 3.0
"""One turn of a reel or a cassette at usual speeds; a record's is within it too."""
_BAND_HZ = (150.0, 1000.0)
"""Print-through is strongest at a wavelength of 2π times the thickness of the tape."""
_ONSET_S, _BEFORE_S = 1.2, 0.03
_RISE_DB = 24.0
_QUIET_S = 0.8
_MOST_ONSETS = 40
_STANDS_OUT, _ALONE = 8.0, 1.7
"""Least height of a peak in standard deviations, and re the next one."""
_NEAR_S = 0.004
_COLOUR_HZ, _FAR_S, _ANOTHER_COPY = 60.0, 0.3, 0.8
"""Whitening that leaves every copy as high as it is; a copy so much earlier and so high, re the
peak, is another one. Of a pre-echo at most 0.75 of the onset is left there."""
_LEVELS_DB = (-70.0, -20.0)
_MOST_RATIO = 3.0
"""Of the longest turn of a side to its shortest: a full reel is about 2.5 times its hub."""

Sound = NDArray[np.float64]


@dataclass(frozen=True)
class PreEcho:
    """The pre-echo of one onset."""

    at_s: float
    """Start of the onset."""
    lag_s: float
    """The time of one turn."""
    level_db: float
    """Level re the onset, from 150 Hz to 1 kHz."""


@dataclass(frozen=True)
class PrintThroughReading:
    """Print-through of a side."""

    echoes: tuple[PreEcho, ...]
    onsets: int
    """How many onsets out of quiet were examined."""

    @property
    def lag_s(self) -> float | None:
        """The typical time of one turn; None without print-through, or if it is not determined."""
        if self.reason or not self.echoes:
            return None
        return float(np.median([echo.lag_s for echo in self.echoes]))

    @property
    def reason(self) -> str:
        """Why it is not determined whether there is print-through; empty if it is."""
        if not self.onsets:
            return "no loud onset after 0.8 s of quiet"
        if len(self.echoes) == 1:
            return f"a pre-echo before 1 of {self.onsets} loud onsets only"
        lags_s = [echo.lag_s for echo in self.echoes]
        if lags_s and max(lags_s) > _MOST_RATIO * min(lags_s):
            return "the pre-echoes differ in time"
        return ""


def print_through_of(low: LowSound, programme: ProgrammeReading) -> PrintThroughReading:
    """Look for pre-echoes before the loud onsets of a side.

    Parameters
    ----------
    low
        Its lowest frequencies.
    programme
        Its level over time, which shows the onsets.
    """
    onsets = list(_onsets(programme))[:_MOST_ONSETS]
    found = (_pre_echo(low, at_s, quiet_s) for at_s, quiet_s in onsets)
    return PrintThroughReading(tuple(echo for echo in found if echo), len(onsets))


def _onsets(programme: ProgrammeReading) -> Iterator[tuple[float, float]]:
    """Yield the start of each loud onset, and how long it is quiet before it, in seconds."""
    levels_db = smoothed(programme.levels_db, 3)
    size, least, most = (round(s / STEP_S) for s in (_ONSET_S, _QUIET_S, MOST_LAG_S + _ONSET_S))
    if len(levels_db) <= size + least:
        return
    energies = np.cumsum(10 ** (levels_db.astype(np.float64) / 10))
    starts = np.arange(least, len(levels_db) - size)
    limits_db = (
        10 * np.log10((energies[starts + size - 1] - energies[starts - 1]) / size) - _RISE_DB
    )
    before_db = sliding_window_view(levels_db, least)[: len(starts)].max(axis=1)
    last = 0
    for number in np.flatnonzero((levels_db[starts] > limits_db) & (before_db <= limits_db)):
        at = int(starts[number])
        if at >= last:
            loud = np.flatnonzero(levels_db[max(0, at - most) : at][::-1] > limits_db[number])
            yield at * STEP_S, (int(loud[0]) if len(loud) else min(at, most)) * STEP_S
            last = at + size


def _pre_echo(low: LowSound, at_s: float, quiet_s: float) -> PreEcho | None:
    """Return the pre-echo of an onset; None where none is certain."""
    import scipy.fft

    rate_hz = low.rate_hz
    at, before = round((at_s - _BEFORE_S) * rate_hz), round((quiet_s - _BEFORE_S) * rate_hz)
    onset = low.mono[at : at + round(_ONSET_S * rate_hz)].astype(np.float64)
    quiet = low.mono[max(0, at - before) : at].astype(np.float64)
    first, last = round(LEAST_LAG_S * rate_hz), min(round(MOST_LAG_S * rate_hz), len(quiet))
    if last <= 2 * first:
        return None
    size = 2 * scipy.fft.next_fast_len((len(onset) + len(quiet) + 1) // 2)
    hz = scipy.fft.rfftfreq(size, 1 / rate_hz)
    band = (hz > _BAND_HZ[0]) & (hz < _BAND_HZ[1])
    spectra = [np.where(band, scipy.fft.rfft(_eased(s, rate_hz), size), 0) for s in (onset, quiet)]
    lags = np.arange(first, last)
    places = len(quiet) - lags  # the quiet ends where the onset begins
    lag = _only_peak(_correlation(spectra, 1)[places], first, rate_hz)
    copies = _correlation(spectra, round(_COLOUR_HZ * size / rate_hz))[places]
    if lag is None or copies[lags > lag + _FAR_S * rate_hz].max(initial=0.0) > (
        _ANOTHER_COPY * copies[np.abs(lags - lag) < _NEAR_S * rate_hz].max()
    ):
        return None
    level_db = _level_db(spectra, len(quiet) - lag, size)
    if level_db is None or not _LEVELS_DB[0] < level_db < _LEVELS_DB[1]:
        return None
    return PreEcho(at_s, lag / rate_hz, level_db)


def _only_peak(by_lag: Sound, first: int, rate_hz: float) -> int | None:
    """Return the lag of a peak that stands out and alone; first: the first lag, in samples."""
    top = int(by_lag.argmax())
    others = by_lag[np.abs(np.arange(len(by_lag)) - top) > _NEAR_S * rate_hz]
    scatter = 1.4826 * float(np.median(np.abs(by_lag))) + 1e-30
    is_certain = by_lag[top] > max(_STANDS_OUT * scatter, _ALONE * float(others.max()))
    return first + top if is_certain else None


def _correlation(spectra: list[NDArray[np.complex128]], bins: int) -> Sound:
    """Return the correlation of onset and quiet, each whitened by its mean over so many bins."""
    import scipy.fft
    from scipy.ndimage import uniform_filter1d

    white = []
    for spectrum in spectra:
        power = np.maximum(uniform_filter1d(np.square(np.abs(spectrum)), bins), 1e-30)
        white.append(spectrum / np.sqrt(power))
    peaks: Sound = scipy.fft.irfft(white[1] * white[0].conj())
    return peaks


def _eased(sound: NDArray[np.float64], rate_hz: float) -> Sound:
    """Return a sound without its mean, faded at both ends."""
    fade = np.minimum(1.0, np.arange(1, len(sound) + 1) / (0.02 * rate_hz))
    eased: Sound = (sound - sound.mean()) * fade * fade[::-1]
    return eased


def _level_db(spectra: list[NDArray[np.complex128]], place: int, size: int) -> float | None:
    """Return the level of the part of the quiet that is the onset, re the onset."""
    onset, quiet = spectra
    turn = np.exp(2j * np.pi * np.arange(len(onset)) * place / size)
    gain = float((quiet * onset.conj() * turn).real.sum() / np.square(np.abs(onset)).sum())
    return 20 * float(np.log10(gain)) if gain > 0 else None
