"""Find the section of a recording that each track is: which samples of which file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from assembler.audio import Recording, open_recording
from assembler.audio.recording import NO_DIGESTS
from assembler.cache.folder import CacheFolder
from assembler.digest import SourceDigest
from assembler.errors import SourceError
from assembler.findings import Finding, Loc, errors_in
from assembler.manifest import Manifest, ManifestFile, Track
from assembler.manifest.model import Audio
from assembler.preflight.section_findings import (
    point_findings,
    recording_findings,
    section_findings,
)
from assembler.preflight.side_fades import FADE_IN_S, FADE_OUT_S, default_fades
from assembler.preflight.sides import Side, side_findings, side_of
from assembler.preflight.tone import with_tone
from assembler.preflight.track_section import HIDDEN, TrackSection
from assembler.sequence import TrackSound
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sequence.order import OPENING_PAUSE_S


def find_sections(
    source: ManifestFile,
    scratch: Path | None = None,
    cache: CacheFolder | None = None,
    digests: Mapping[Path, SourceDigest] = NO_DIGESTS,
) -> tuple[list[TrackSection | None], list[Finding]]:
    """Open and check every track's source.

    Parameters
    ----------
    source
        The manifest.
    scratch
        Folder for decoded copies of what libsndfile can't read; without it nothing is decoded.
    cache
        Keeps restored sides; without it their length is only computed.
    digests
        Of the recordings: everything read from them is checked against these.

    Returns
    -------
    sections, findings
        One section per track, None where it has an error.
    """
    sections: list[TrackSection | None] = []
    findings: list[Finding] = []
    opened: dict[tuple[Path, ...], Recording | SourceError] = {}
    for index, track in enumerate(source.manifest.tracks):
        loc = ("tracks", index)
        names = source.manifest.paths_of(track)
        paths = tuple(source.resolve(name) for name in names)
        if paths not in opened:
            opened[paths] = _open(paths, scratch, digests)
        recording = opened[paths]
        audio = ("transfers", track.side) if track.side else (*loc, "audio")
        if isinstance(recording, SourceError):
            findings.append(_unusable(source, audio, recording))
            sections.append(None)
            continue
        section = _section(index, track, recording, names)
        found = [
            *recording_findings(source, audio, recording),
            *section_findings(source, loc, section),
        ]
        findings += [*found, *point_findings(source, loc, section)]
        sections.append(None if errors_in(found) else section)
    placed, sides = _place_on_sides(source, sections, scratch, cache)
    findings += side_findings(source, sides)
    return with_tone(source.manifest, placed, cache), list(dict.fromkeys(findings))


def _place_on_sides(
    source: ManifestFile,
    sections: Sequence[TrackSection | None],
    scratch: Path | None,
    cache: CacheFolder | None,
) -> tuple[list[TrackSection | None], dict[str, Side]]:
    """Return the sections with those of sides read from the restored sides, and the sides."""
    sides: dict[str, Side] = {}
    placed = list(sections)
    for index, section in enumerate(sections):
        if section is None or section.track.side is None:
            continue
        name = section.track.side
        if name not in sides:
            sides[name] = side_of(source, name, section.recording, scratch, cache)
        side = sides[name]
        start, end = side.span(section.start, section.end)
        on_side = replace(section, recording=side.recording, start=start, end=end, side=side)
        placed[index] = _with_default_fades(source, on_side, measured=cache is not None)
    return placed, sides


def _with_default_fades(
    source: ManifestFile, section: TrackSection, *, measured: bool
) -> TrackSection:
    """Return a track of a side with default fades where the manifest has no fade and no segue.

    A check does not restore sides, so the hiss at the ends is not `measured` there.
    """
    index, track = section.index, section.track
    fades = (FADE_IN_S, FADE_OUT_S)
    if measured and not section.recording.is_provisional:
        fades = default_fades(section.recording, section.start, section.end)
    last = index + 1 == len(source.manifest.tracks)
    joined = (
        index > 0 and gap_before(source.manifest, index) == 0,
        not last and gap_before(source.manifest, index + 1) == 0,
    )
    own = (track.fade_in, track.fade_out)
    fade_in_s, fade_out_s = (
        Fraction(time_s) if time_s is not None else Fraction(0) if is_joined else default
        for time_s, is_joined, default in zip(own, joined, fades, strict=True)
    )
    return replace(section, fade_in_s=fade_in_s, fade_out_s=fade_out_s)


def find_hidden(
    source: ManifestFile,
    scratch: Path | None = None,
    digests: Mapping[Path, SourceDigest] = NO_DIGESTS,
) -> tuple[TrackSection | None, list[Finding]]:
    """Open and check the sound that is hidden before track 1, if there is any."""
    path = source.manifest.disc.pregap_audio
    if path is None or not source.manifest.disc.make:
        return None, []
    loc = ("disc", "pregap_audio")
    recording = _open((source.resolve(path),), scratch, digests)
    if isinstance(recording, SourceError):
        return None, [_unusable(source, loc, recording)]
    track = Track(title="hidden sound", audio=Audio(file=path))
    section = TrackSection(HIDDEN, track, recording, 0, recording.frames, (path,))
    return section, list(recording_findings(source, loc, recording))


def track_sounds(manifest: Manifest, sections: Sequence[TrackSection]) -> list[TrackSound]:
    """Return each track's sound as the running order needs it; the sections are all its tracks."""
    return [
        TrackSound(
            samples=section.samples_at(DISC_RATE_HZ),
            gap_s=gap_before(manifest, index),
            opens_disc=track.disc,
            overlap_s=track.overlap or Fraction(0),
            points_s=track.indexes,
        )
        for index, (track, section) in enumerate(zip(manifest.tracks, sections, strict=True))
    ]


def gap_before(manifest: Manifest, index: int) -> Fraction:
    """Return the gap before a track: its own, else the disc's; before a disc's first track, 2 s."""
    track = manifest.tracks[index]
    if track.overlap:
        return Fraction(0)
    if track.gap is not None:
        return track.gap
    opens = index == 0 or track.disc is not None
    return OPENING_PAUSE_S if opens else manifest.disc.gap


def _unusable(source: ManifestFile, loc: Loc, error: SourceError) -> Finding:
    return source.finding("error", error.code, loc, str(error))


def _open(
    paths: tuple[Path, ...], scratch: Path | None, digests: Mapping[Path, SourceDigest]
) -> Recording | SourceError:
    try:
        return open_recording(paths, scratch, digests)
    except SourceError as error:
        return error


def _section(
    index: int, track: Track, recording: Recording, names: tuple[str, ...]
) -> TrackSection:
    def sample(time_s: Fraction) -> int:
        return int(time_s * recording.rate_hz + Fraction(1, 2))

    start = sample(track.start) if track.start is not None else 0
    end = sample(track.end) if track.end is not None else recording.frames
    fades = (track.fade_in or Fraction(0), track.fade_out or Fraction(0))
    return TrackSection(index, track, recording, start, end, names, None, *fades)
