"""Find errors in a track's source, section, index points and overlap."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import pairwise

from assembler.audio import Recording
from assembler.findings import Finding, Loc
from assembler.manifest import ManifestFile, Track
from assembler.preflight.sides import band_findings
from assembler.preflight.track_section import TrackSection
from assembler.text import clock_text, duration_text

LONGEST_OVERLAP_S = 60
POINT_DISTANCE_S = Fraction(2, 75)
MOST_POINTS = 98
"""Index points 02 to 99."""


def join_findings(
    source: ManifestFile, sections: Sequence[TrackSection | None]
) -> Iterator[Finding]:
    """Find segues at which processing that follows the sound changes, so that the sound does."""
    for before, section in pairwise(sections):
        if before is None or section is None:
            continue
        track = section.track
        gap = source.manifest.disc.gap if track.gap is None else track.gap
        if gap or track.overlap or track.disc is not None:
            continue
        old, new = _processing(before.track), _processing(track)
        changed = [name for name in new if new[name] != old[name]]
        is_cut = before.names == section.names and before.end == section.start
        if is_cut and "compressor" in changed:
            changed.remove("compressor")
            message = (
                "the compressor changes at a segue inside one recording, and its gain may step "
                "there: give both tracks the same `compress`, or write an `overlap`"
            )
            loc = ("tracks", section.index, "compress" if track.compress else "title")
            yield source.finding("warning", "compressor-steps", loc, message)
        if changed:
            message = (
                f"the sound changes inside the join with track {section.index}: other settings of "
                f"{', '.join(changed)}: give both tracks the same, or write an `overlap`"
            )
            loc = ("tracks", section.index, "gap" if track.gap is not None else "title")
            yield source.finding("note", "sound-changes-in-join", loc, message)


def _processing(track: Track) -> dict[str, object]:
    """Return the settings of a track whose change may be heard at a segue, by name."""
    return {
        "dynamic EQ": [band for band in track.equaliser if band.dynamic],
        "tone match": (track.tone_like, track.tone),
        "compressor": track.compress,
        "clipper": track.clip,
    }


def overlap_findings(
    source: ManifestFile, sections: Sequence[TrackSection | None]
) -> Iterator[Finding]:
    """Find overlaps that are not possible."""
    tracks = source.manifest.tracks
    for index, track in enumerate(tracks):
        if track.overlap is None:
            continue
        loc = ("tracks", index, "overlap")
        if track.overlap == 0:
            message = "an overlap of 0 s has no effect: for a segue write `gap: 0`, else remove it"
            yield source.finding("error", "no-overlap", loc, message)
            continue
        if index == 0 or track.disc is not None:
            message = "a disc's first track can't overlap with the track before: remove `overlap`"
            yield source.finding("error", "overlap-with-nothing", loc, message)
            continue
        if track.gap:
            message = "a track has a gap or an overlap, not both: remove one of `gap` and `overlap`"
            yield source.finding("error", "gap-and-overlap", loc, message)
        if track.overlap > LONGEST_OVERLAP_S:
            message = f"an overlap can last {LONGEST_OVERLAP_S} s at most: shorten it"
            yield source.finding("error", "overlap-too-long", loc, message)
        after = tracks[index + 1].overlap if index + 1 < len(tracks) else None
        before = tracks[index - 1].overlap if not tracks[index - 1].disc else None
        for which, section, other in (
            ("the track before", sections[index - 1], before if index > 1 else None),
            ("the track", sections[index], after),
        ):
            if section and track.overlap + (other or 0) >= section.duration_s:
                message = (
                    f"the overlap is too long for {which} ({duration_text(section.duration_s)}): "
                    "shorten it"
                )
                yield source.finding("error", "overlap-too-long", loc, message)
        if track.fade_in:
            message = "the overlap already fades this track in: remove `fade_in`"
            yield source.finding("warning", "fade-in-overlap", (*loc[:2], "fade_in"), message)


def point_findings(source: ManifestFile, loc: Loc, section: TrackSection) -> Iterator[Finding]:
    """Find index points outside the track, or out of order."""
    points = section.track.indexes
    if len(points) > MOST_POINTS:
        message = f"{len(points)} index points: a track can have {MOST_POINTS} after its start"
        yield source.finding("error", "too-many-indexes", (*loc, "indexes"), message)
    room_s = section.duration_s - _overlap_after(source, section.index)
    last = Fraction(0)
    for number, point in enumerate(points):
        place = (*loc, "indexes", number)
        if point + POINT_DISTANCE_S > room_s:
            message = (
                f"the index point at {clock_text(point)} is outside the track, which lasts "
                f"{clock_text(room_s)}: count from its start, and stay at least two frames "
                "(0.03 s) before its end"
            )
            yield source.finding("error", "index-outside-track", place, message)
        elif point - last < POINT_DISTANCE_S:
            message = (
                f"the index point at {clock_text(point)} is not after {clock_text(last)}: write "
                "them in order, at least two frames (0.03 s) apart"
            )
            yield source.finding("error", "index-out-of-order", place, message)
        last = point


def _overlap_after(source: ManifestFile, index: int) -> Fraction:
    """Return how much of a track's end overlaps with the next track."""
    following = source.manifest.tracks[index + 1 : index + 2]
    return sum((track.overlap or Fraction(0) for track in following), Fraction(0))


def recording_findings(source: ManifestFile, audio: Loc, recording: Recording) -> Iterator[Finding]:
    """Warn of lossy, truncated or unequal source files."""
    if any(file.lossy for file in recording.files):
        kind = recording.files[0].kind
        message = f"the source is lossy ({kind}): ask for the original recording"
        yield source.finding("warning", "lossy-source", audio, message)
    for doubt in recording.doubts:
        yield source.finding("warning", "may-be-cut", audio, doubt)
    lengths = [file.frames for file in recording.files]
    if len(set(lengths)) > 1:
        extra_s = Fraction(max(lengths) - min(lengths), recording.rate_hz)
        message = (
            f"left and right differ in length by {float(extra_s):.3f} s, and the end of the longer "
            "file is cut off: check that both begin together"
        )
        yield source.finding("warning", "uneven-pair", audio, message)


def section_findings(source: ManifestFile, loc: Loc, section: TrackSection) -> Iterator[Finding]:
    """Find a section outside its recording, and fades or EQ bands that don't fit it."""
    track = section.track
    whole_s = Fraction(section.recording.frames, section.recording.rate_hz)
    if section.end > section.recording.frames and not section.recording.is_provisional:
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
            else "`end` is not after `start`: correct them"
        )
        yield source.finding("error", "empty-section", (*loc, "start"), message)
        return
    if (track.fade_in or 0) + (track.fade_out or 0) > section.duration_s:
        message = (
            f"the fades are longer than the track ({clock_text(section.duration_s)}): shorten them"
        )
        key = "fade_out" if track.fade_out else "fade_in"
        yield source.finding("error", "fade-too-long", (*loc, key), message)
    yield from band_findings(source, loc, track, section.recording.rate_hz)
