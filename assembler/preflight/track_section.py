"""The section of a recording that a track is."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from assembler.audio import Recording
from assembler.dsp.compressor_settings import CompressorSettings
from assembler.dsp.equaliser import FilterBand
from assembler.dsp.resample import position_at
from assembler.manifest import Track
from assembler.manifest.filters import bands_of
from assembler.preflight.sides import Side

HIDDEN = -1
"""Index of the sound hidden before track 1, which is not a track of the manifest."""


@dataclass(frozen=True)
class TrackSection:
    """A track's section of its recording."""

    index: int
    """The track's index in the manifest, from 0; `HIDDEN` for the sound before track 1."""
    track: Track
    recording: Recording
    start: int
    end: int
    """First sample and the one after the last, at the recording's rate."""
    names: tuple[str, ...]
    """The source's files as the manifest names them."""
    side: Side | None = None
    """The side that it is on, if any."""
    fade_in_s: Fraction = Fraction(0)
    fade_out_s: Fraction = Fraction(0)
    """Durations of its fades: the manifest's, or the defaults of a track from a side."""

    @property
    def span_in_source(self) -> tuple[int, int]:
        """First sample and the one after the last in the source file, before restoration."""
        factor = self.side.transfer.restoration.factor if self.side else 1
        return round(self.start * factor), round(self.end * factor)

    @property
    def duration_s(self) -> Fraction:
        """Length in seconds."""
        return Fraction(self.end - self.start, self.recording.rate_hz)

    @property
    def bands(self) -> tuple[FilterBand, ...]:
        """The track's equaliser and mono below a frequency."""
        return bands_of(self.track)

    @property
    def compressor(self) -> CompressorSettings | None:
        """The track's compressor, if any."""
        return compressor_of(self.track)

    def samples_at(self, rate_hz: int) -> int:
        """Return its length in samples at another rate."""
        own_hz = self.recording.rate_hz
        return position_at(self.end, own_hz, rate_hz) - position_at(self.start, own_hz, rate_hz)


def compressor_of(track: Track) -> CompressorSettings | None:
    """Return a track's compressor; None without one."""
    asked = track.compress
    if asked is None:
        return None
    return CompressorSettings(
        asked.threshold,
        asked.ratio,
        asked.attack / 1000,
        asked.release / 1000,
        asked.knee,
        asked.mix / 100,
        asked.sidechain_high_pass,
    )
