"""From the manifest's tracks to sections of recordings: which samples of which file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from assembler.errors import SourceError
from assembler.findings import Finding, Loc
from assembler.manifest import ManifestFile, Track
from assembler.manifest.times import clock_text
from assembler.sequence import TrackSound
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sequence.order import OPENING_PAUSE_S
from assembler.sound.equaliser import FilterBand
from assembler.sound.resample import position_at
from assembler.sources import Recording, open_recording


@dataclass(frozen=True)
class TrackSection:
    """A track's stretch of its recording.

    Attributes
    ----------
    index
        The track's place in the manifest, from 0.
    recording
        Where its sound comes from.
    start, end
        First sample and the one after the last, at the recording's rate.
    """

    index: int
    track: Track
    recording: Recording
    start: int
    end: int

    @property
    def duration_s(self) -> Fraction:
        """Length in seconds."""
        return Fraction(self.end - self.start, self.recording.rate_hz)

    @property
    def bands(self) -> tuple[FilterBand, ...]:
        """The track's equaliser."""
        return tuple(
            FilterBand(band.shape, band.hz, band.db or 0.0, band.q, band.slope or 12)
            for band in self.track.equaliser
        )

    def samples_at(self, rate_hz: int) -> int:
        """Give its length in samples at another rate."""
        own_hz = self.recording.rate_hz
        return position_at(self.end, own_hz, rate_hz) - position_at(self.start, own_hz, rate_hz)


def find_sections(
    source: ManifestFile, scratch: Path | None = None
) -> tuple[list[TrackSection | None], list[Finding]]:
    """Look at every track's source.

    Parameters
    ----------
    source
        The manifest.
    scratch
        Folder for decoded copies of what libsndfile can't read; without it nothing is decoded.

    Returns
    -------
    sections, findings
        One section a track, None where there is an error in it.
    """
    sections: list[TrackSection | None] = []
    findings: list[Finding] = []
    opened: dict[tuple[Path, ...], Recording | SourceError] = {}
    for index, track in enumerate(source.manifest.tracks):
        loc = ("tracks", index)
        paths = tuple(source.resolve(path) for path in track.audio.paths)
        if paths not in opened:
            opened[paths] = _open(paths, scratch)
        recording = opened[paths]
        if isinstance(recording, SourceError):
            message = str(recording)
            findings.append(source.finding("error", recording.code, (*loc, "audio"), message))
            sections.append(None)
            continue
        section = _section(index, track, recording)
        found = [
            *_recording_findings(source, loc, recording),
            *_section_findings(source, loc, section),
        ]
        findings += found
        sections.append(None if any(f.severity == "error" for f in found) else section)
    return sections, findings


def track_sounds(source: ManifestFile, sections: Sequence[TrackSection]) -> list[TrackSound]:
    """Give what the running order needs to know of each track."""
    return [
        TrackSound(
            samples=section.samples_at(DISC_RATE_HZ),
            gap_s=gap_before(source, section.index),
            opens_disc=section.track.disc,
        )
        for section in sections
    ]


def gap_before(source: ManifestFile, index: int) -> Fraction:
    """Give the gap before a track: its own, or the disc's; before a disc's first, 2 s."""
    track = source.manifest.tracks[index]
    if track.gap is not None:
        return track.gap
    opens = index == 0 or track.disc is not None
    return OPENING_PAUSE_S if opens else source.manifest.disc.gap


def _open(paths: tuple[Path, ...], scratch: Path | None) -> Recording | SourceError:
    try:
        return open_recording(paths, scratch)
    except SourceError as error:
        return error


def _section(index: int, track: Track, recording: Recording) -> TrackSection:
    def sample(time_s: Fraction) -> int:
        return int(time_s * recording.rate_hz + Fraction(1, 2))

    start = sample(track.start) if track.start is not None else 0
    end = sample(track.end) if track.end is not None else recording.frames
    return TrackSection(index, track, recording, start, end)


def _recording_findings(source: ManifestFile, loc: Loc, recording: Recording) -> Iterator[Finding]:
    audio = (*loc, "audio")
    if any(file.lossy for file in recording.files):
        kind = recording.files[0].kind
        message = f"the source is lossy ({kind}): ask for the original recording if there is one"
        yield source.finding("warning", "lossy-source", audio, message)
    lengths = [file.frames for file in recording.files]
    if len(set(lengths)) > 1:
        extra_s = Fraction(max(lengths) - min(lengths), recording.rate_hz)
        message = (
            f"left and right differ in length by {float(extra_s):.3f} s: the longer one's end is "
            "left out; check that both begin together"
        )
        yield source.finding("warning", "uneven-pair", audio, message)


def _section_findings(source: ManifestFile, loc: Loc, section: TrackSection) -> Iterator[Finding]:
    track = section.track
    whole_s = Fraction(section.recording.frames, section.recording.rate_hz)
    decodes = any(file.needs_ffmpeg for file in section.recording.files)
    if section.end > section.recording.frames and not decodes:
        message = (
            f"`end` is {clock_text(section.end / Fraction(section.recording.rate_hz))}, but the "
            f"recording ends at {clock_text(whole_s)}: write an earlier time, or leave `end` out"
        )
        yield source.finding("error", "section-past-end", (*loc, "end"), message)
        return
    if section.start >= section.end:
        past_end = track.end is None
        message = (
            f"`start` is past the recording's end at {clock_text(whole_s)}: write an earlier time"
            if past_end
            else "`end` is not after `start`: exchange or correct them"
        )
        yield source.finding("error", "empty-section", (*loc, "start"), message)
        return
    if (track.fade_in or 0) + (track.fade_out or 0) > section.duration_s:
        message = (
            f"the fades are longer than the track ({clock_text(section.duration_s)}): shorten them"
        )
        key = "fade_out" if track.fade_out else "fade_in"
        yield source.finding("error", "fade-too-long", (*loc, key), message)
    for number, band in enumerate(track.equaliser):
        if band.hz >= section.recording.rate_hz / 2:
            message = (
                f"{band.hz:g} Hz is not below half of the recording's rate "
                f"({section.recording.rate_hz} Hz): take this band out"
            )
            place = (*loc, "equaliser", number, "hz")
            yield source.finding("error", "band-too-high", place, message)
