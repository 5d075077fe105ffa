"""Find and measure mains hum, steady or drifting, all over a side or on parts of it.

Its harmonics are steady lines at whole multiples of one frequency near 50 or 60 Hz, which is off by
as much as the speed of the tape. They are looked for on the whole side as it is, then with a drift
of its pitch removed, then in short sections.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples, Windows
from assembler.restoration.analysis.hum_course import HumFrames, follow_hum, likely_pitch
from assembler.restoration.analysis.hum_lines import (
    Array,
    Bins,
    Line,
    LowSpectra,
    all_bins,
    mains_hz,
    series,
    steady_lines,
    weight,
)
from assembler.restoration.analysis.hum_pitch import PITCH_STEP_S, HumStretch, where_text
from assembler.restoration.analysis.hum_switching import HumSound
from assembler.restoration.analysis.low_band import Decimator

_FRAME = 8192
_HOP = _FRAME // 2
_FULL_SCALE = 2 * (_FRAME / 4) ** 2
_HIGHEST_LINE_HZ = 640.0
_FEWEST_FRAMES = 8
_FEWEST_QUIET = 6
_QUIET_PARTS = (5, 40)
"""One frame in so many is quiet: on a side with pauses, and in continuous music."""
_SILENT = 1e-16
"""Mean square of a frame without any sound, not even the noise of a converter."""
_DRIFTS_OVER = 3e-4
"""Spread of the pitch over a side, as a share, from which it is followed."""
_MOST_DRIFT = 0.005
"""Largest deviation from the middle of the pitch, as a share."""
_FRAMES_BEYOND = 3
"""Hops beyond the middle of the first frame and of the last to which a drift goes on evenly."""
_FOLLOWED_GAIN = 1.3
"""The lines must stand out so much more with a drift removed."""
_SECTIONS = ((32, 3), (16, 4))
"""Lengths in frames, 44 and 22 s, and the fewest harmonics that are steady in one; half of them
overlaps."""


@dataclass(frozen=True)
class Harmonic:
    """One harmonic of the hum."""

    number: int
    """1 for the mains frequency itself."""
    hz: float
    dbfs: float
    """Mean of both channels; a full-scale sine in both is 0 dB."""


@dataclass(frozen=True)
class HumReading:
    """Mains hum of a side."""

    nominal_hz: Literal[50, 60] | None
    """Nominal mains frequency; None if there is no hum."""
    mains_hz: float | None
    """Mains frequency as measured on this side."""
    harmonics: tuple[Harmonic, ...]
    """The harmonics that were found."""
    level_dbfs: float | None
    """Level of all harmonics together."""
    stretches: tuple[HumStretch, ...] = ()
    """The parts of the side with hum, in order; they join where its level steps."""

    @property
    def is_on_whole_side(self) -> bool:
        """Whether the hum is on from the first sample to the last."""
        return self.mains_hz is not None and not where_text(self.stretches)


NO_HUM = HumReading(None, None, (), None)


@dataclass(frozen=True)
class _Found:
    """Hum that was found."""

    lines: Mapping[int, Line]
    hz: Array
    """Likely pitch in each frame."""
    mains_hz: float | None = None
    """If it is the same on the whole side."""


class HumMeter:
    """Meter of mains hum in a stereo stream."""

    def __init__(self, rate_hz: int) -> None:
        self._band = Decimator(rate_hz)
        self._bin_hz = self._band.rate_hz / _FRAME
        self._hop_s = _HOP / self._band.rate_hz
        self._frames = Windows(_FRAME, _HOP)
        self._shape = np.hanning(_FRAME + 1)[:-1].astype(np.float32)[:, None]
        self._sounds: list[bool] = []
        self._powers: list[Samples] = []  # of the frames that have sound
        self._low: list[NDArray[np.float16]] = []

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        import scipy.fft

        low = self._band.feed(block)
        self._low.append(low.astype(np.float16))
        for frame in self._frames.feed(low):
            spectrum = scipy.fft.rfft(frame * self._shape, axis=0)
            lines = spectrum[: round(_HIGHEST_LINE_HZ * 1.06 / self._bin_hz)]
            powers = (lines.real**2 + lines.imag**2).sum(axis=1)
            self._sounds.append(bool(np.square(frame).mean() >= _SILENT))
            if self._sounds[-1]:
                self._powers.append(powers)

    def reading(self) -> HumReading:
        """Return the hum found so far; none in less than about 12 s of sound."""
        if len(self._powers) < _FEWEST_FRAMES:
            return NO_HUM
        heard = np.stack(self._powers)
        self._powers = list(heard)  # views: what was stacked is freed
        found = _find(LowSpectra(heard, self._bin_hz))
        if not found:
            return NO_HUM
        sounds = np.array(self._sounds)
        powers = np.zeros((len(sounds), heard.shape[1]), np.float32)
        powers[sounds] = heard
        spectra = LowSpectra(powers, self._bin_hz)
        hz = np.interp(np.arange(len(sounds)), np.flatnonzero(sounds), found.hz)
        levels = np.array([line.power for line in found.lines.values()])
        frames = follow_hum(spectra, hz, list(found.lines), levels)
        if not found.mains_hz:
            hz = likely_pitch(spectra, frames.middle_hz, _MOST_DRIFT)
            frames = follow_hum(spectra, hz, list(found.lines), levels)
        stretches = tuple(self._stretches(frames, found))
        if not stretches:
            return NO_HUM
        mains = found.mains_hz or float(np.median(np.concatenate([s.mains_hz for s in stretches])))
        harmonics = tuple(
            Harmonic(number, number * mains, 10 * float(np.log10(line.power / _FULL_SCALE)))
            for number, line in sorted(found.lines.items())
        )
        level = sum(10 ** (harmonic.dbfs / 10) for harmonic in harmonics)
        nominal: Literal[50, 60] = 50 if mains < 55 else 60
        return HumReading(nominal, mains, harmonics, 10 * float(np.log10(level)), stretches)

    def _stretches(self, frames: HumFrames, found: _Found) -> Iterator[HumStretch]:
        """Yield the parts of the side in which the hum is on and does not step in level."""
        sound = HumSound(self._low, self._band.rate_hz, np.array(sorted(found.lines)))

        def change(between: tuple[float, float], *, before: bool, after: bool) -> float:
            first, last = between
            mains_hz = float(frames.hz[min(round((first + last) / 2), len(frames.hz) - 1)])
            between_s = first * self._hop_s, last * self._hop_s
            return sound.changes_at(between_s, mains_hz, before=before, after=after)

        for first, after in frames.stretches():
            times = [0.0, np.inf]
            if first:
                times[0] = change(frames.around_start(first), before=False, after=True)
            if after < len(frames.hz):
                times[1] = change(frames.around_end(after), before=True, after=False)
            for step in frames.steps(first, after):
                times.append(change((step - 1.0, step + 3.0), before=True, after=True))
            for start_s, end_s in pairwise(sorted(times)):
                pitch = self._pitch(frames, found, start_s, end_s)
                yield HumStretch(start_s, None if end_s == np.inf else end_s, pitch)

    def _pitch(
        self, frames: HumFrames, found: _Found, start_s: float, end_s: float
    ) -> tuple[float, ...]:
        """Return the mains frequency in a stretch, see `HumStretch`."""
        centres_s = (np.arange(len(frames.hz)) + 1) * self._hop_s
        inside = (centres_s >= start_s) & (centres_s < end_s)
        shown = frames.hz[inside & frames.is_clear]
        low, middle, high = np.percentile(shown if len(shown) else frames.hz[inside], (5, 50, 95))
        if high - low < _DRIFTS_OVER * middle:
            return (found.mains_hz or float(middle),)
        end_s = min(end_s, float(centres_s[-1]) + 2 * self._hop_s)
        at_s = np.arange(start_s, end_s + PITCH_STEP_S, PITCH_STEP_S)
        (first, second), (second_last, last) = frames.hz[:2], frames.hz[-2:]
        beyond_s = _FRAMES_BEYOND * self._hop_s
        places_s = [centres_s[0] - beyond_s, *centres_s, centres_s[-1] + beyond_s]
        before = first - _FRAMES_BEYOND * (second - first)
        after = last + _FRAMES_BEYOND * (last - second_last)
        hz = np.interp(at_s, places_s, [before, *frames.hz, after])
        return tuple(round(float(value), 5) for value in hz)


def _find(spectra: LowSpectra) -> _Found | None:
    """Return the hum in frames that aren't silent."""
    steady = _on_all(spectra, (50, 60), all_bins(spectra))
    best, least = None, _FOLLOWED_GAIN * weight(steady)
    if steady:
        hz = mains_hz(steady)
        best = _Found(steady, np.full(len(spectra.powers), hz), hz)
    for nominal in (50, 60):
        drifting = _drifting(spectra, nominal)
        if weight(drifting.lines) > least:
            best, least = drifting, weight(drifting.lines)
    return best


def _drifting(spectra: LowSpectra, nominal: int) -> _Found:
    """Return the lines that are steady with the drift of their likely pitch removed."""
    pitch = likely_pitch(spectra, nominal)
    straight = spectra.straightened(pitch)
    bins = _bins_of(float(pitch.mean()), spectra.bin_hz)
    return _Found(
        _on_all(straight, (nominal,), bins) or _in_sections(straight, nominal, bins), pitch
    )


def _bins_of(hz: float, bin_hz: float) -> Bins:
    """Return the bins around each harmonic."""
    numbers = np.arange(1, int(_HIGHEST_LINE_HZ / hz) + 1)
    nearest = np.rint(numbers * hz / bin_hz).astype(np.int64)
    bins: Bins = (nearest[:, None] + np.arange(-2, 3)).reshape(-1)
    return bins


def _on_all(spectra: LowSpectra, nominals: Sequence[int], bins: Bins) -> dict[int, Line]:
    """Return the harmonics that are steady on the whole side."""
    counts = {max(_FEWEST_QUIET, len(spectra.powers) // part) for part in _QUIET_PARTS}
    lines = [steady_lines(spectra, count, bins) for count in sorted(counts)]
    return max((series(some, nominal) for some in lines for nominal in nominals), key=weight)


def _in_sections(spectra: LowSpectra, nominal: int, bins: Bins) -> dict[int, Line]:
    """Return the harmonics that are steady in a section of the side."""
    best: dict[int, Line] = {}
    for length, fewest in _SECTIONS:
        for first in range(0, max(1, len(spectra.powers) - length + 1), length // 2):
            section = spectra.rows(slice(first, first + length))
            lines = series(steady_lines(section, _FEWEST_QUIET, bins), nominal)
            if len(lines) >= fewest and weight(lines) > weight(best):
                best = lines
    return best
