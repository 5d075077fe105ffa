"""The download formats as made: rates, gains and levels of their files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from assembler.download.cover import Cover
from assembler.download.lossy import LossyResult
from assembler.download.playing_levels import PlayingLevels
from assembler.dsp.decibels import amplitude, rounded
from assembler.dsp.loudness import integrated_of
from assembler.findings import Finding
from assembler.finished.report_form import FormatReport, LossyReport, PlayingLevelsReport
from assembler.mastering.render import FinishedTrack
from assembler.release.tasks.masters import Master


@dataclass(frozen=True)
class Covers:
    """The cover pictures of a release."""

    front: Cover | None
    back: Cover | None


@dataclass(frozen=True)
class FormatMade:
    """The files of one format.

    Attributes
    ----------
    rates_hz
        Of each file.
    gains_db
        Match and trim of each track.
    levels
        Of each file as decoded.
    lossy
        How each file was kept under the ceiling; empty for a lossless format.
    master
        What its files were made from.
    """

    rates_hz: tuple[int, ...]
    gains_db: tuple[float, ...]
    levels: tuple[PlayingLevels, ...]
    lossy: tuple[LossyResult, ...]
    master: Master

    def report(self) -> FormatReport:
        """Return the format's entry in the report."""
        return FormatReport(
            rates_hz=list(self.rates_hz),
            gains_db=[round(gain_db, 3) for gain_db in self.gains_db],
            levels=[PlayingLevelsReport(**asdict(levels)) for levels in self.levels],
            lossy=[LossyReport(**asdict(result)) for result in self.lossy],
        )


@dataclass(frozen=True)
class DownloadsMade:
    """The finished downloads: their formats, and findings about lossy files."""

    formats: Mapping[str, FormatMade]
    findings: Sequence[Finding]


def playing_levels(tracks: Sequence[FinishedTrack], bits: int) -> tuple[PlayingLevels, ...]:
    """Return the levels of each track, and of all tracks together."""
    album_lufs = integrated_of(track.gating_blocks[bits] for track in tracks)
    peaks = [_peak(track, bits) for track in tracks]
    return tuple(
        rounded_levels(
            PlayingLevels(track.readings[bits].integrated_lufs, peak, album_lufs, max(peaks))
        )
        for track, peak in zip(tracks, peaks, strict=True)
    )


def _peak(track: FinishedTrack, bits: int) -> float:
    peak_dbtp = track.readings[bits].true_peak_dbtp
    return 0.0 if peak_dbtp is None else amplitude(peak_dbtp)


def rounded_levels(levels: PlayingLevels) -> PlayingLevels:
    """Return levels rounded as in the report, so that tags can be compared with it."""
    return PlayingLevels(
        rounded(levels.track_lufs),
        round(levels.track_peak, 6),
        rounded(levels.album_lufs),
        round(levels.album_peak, 6),
    )
