"""The section of a recording that a track is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from assembler.audio import Recording
from assembler.dsp.compressor_settings import CompressorSettings
from assembler.dsp.equaliser import FilterBand
from assembler.dsp.resample import position_at
from assembler.manifest import Track
from assembler.manifest.filters import bands_of
from assembler.manifest.tone import Band
from assembler.preflight.sides import Side

HIDDEN = -1
"""Index of the sound hidden before track 1, which is not a track of the manifest."""


@dataclass(frozen=True)
class ToneMatch:
    """A track's tone, matched to that of another track or of the album.

    Attributes
    ----------
    like
        ``track 3`` or ``album``.
    references
        What makes the sound it is matched to, as plain data.
    bands
        The bells that match it; in a check, which measures nothing, there are none.
    before_db, after_db
        Distance of the spectra without and with these; None where it was not measured.
    """

    like: str
    references: tuple[str, ...]
    bands: tuple[Band, ...] = ()
    before_db: float | None = None
    after_db: float | None = None


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
    tone: ToneMatch | None = None
    """Its tone match, if the manifest asks for one."""

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
        """The track's equaliser, its tone match, and mono below a frequency."""
        return bands_of(with_bands(self.track, self.tone.bands if self.tone else ()))

    @property
    def compressor(self) -> CompressorSettings | None:
        """The track's compressor, if any."""
        return compressor_of(self.track)

    def samples_at(self, rate_hz: int) -> int:
        """Return its length in samples at another rate."""
        own_hz = self.recording.rate_hz
        return position_at(self.end, own_hz, rate_hz) - position_at(self.start, own_hz, rate_hz)


def with_bands(track: Track, bands: Sequence[Band]) -> Track:
    """Return a track with more bands after those of its equaliser."""
    return track.model_copy(update={"equaliser": (*track.equaliser, *bands)}) if bands else track


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
