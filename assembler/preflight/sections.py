"""From the manifest's tracks to sections of recordings: which samples of which file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from assembler.audio import Recording, open_recording
from assembler.audio.digest import SourceDigest
from assembler.audio.recording import NO_DIGESTS
from assembler.cache.store import CacheFolder
from assembler.dsp.equaliser import FilterBand
from assembler.dsp.resample import position_at
from assembler.errors import SourceError
from assembler.findings import Finding, Loc, errors_in
from assembler.manifest import ManifestFile, Track
from assembler.manifest.model import Audio
from assembler.preflight.side_fades import FADE_IN_S, FADE_OUT_S, default_fades
from assembler.preflight.sides import Side, side_findings, side_of
from assembler.sequence import DiscOrder, TrackSound, lay_out
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sequence.order import OPENING_PAUSE_S
from assembler.text import clock_text, duration_text

HIDDEN = -1
"""Place of the sound hidden before track 1, which is no track of the manifest."""
LONGEST_OVERLAP_S = 60
POINT_DISTANCE_S = Fraction(2, 75)
MOST_POINTS = 98
"""Index points 02 to 99."""


@dataclass(frozen=True)
class TrackSection:
    """A track's stretch of its recording.

    Attributes
    ----------
    index
        The track's place in the manifest, from 0; `HIDDEN` for the sound before track 1.
    recording
        Where its sound comes from.
    start, end
        First sample and the one after the last, at the recording's rate.
    names
        The source's files as the manifest names them.
    side
        The side that it is on, if it is on one.
    fade_in_s, fade_out_s
        Lengths of its fades: as the manifest has them, or what a track from a side gets by itself.
    """

    index: int
    track: Track
    recording: Recording
    start: int
    end: int
    names: tuple[str, ...]
    side: Side | None = None
    fade_in_s: Fraction = Fraction(0)
    fade_out_s: Fraction = Fraction(0)

    @property
    def span_in_source(self) -> tuple[int, int]:
        """Give its first sample and the one after its last in the source as it came in."""
        factor = self.side.transfer.restoration.factor if self.side else 1
        return round(self.start * factor), round(self.end * factor)

    @property
    def duration_s(self) -> Fraction:
        """Length in seconds."""
        return Fraction(self.end - self.start, self.recording.rate_hz)

    @property
    def bands(self) -> tuple[FilterBand, ...]:
        """The track's equaliser."""
        return bands_of(self.track)

    def samples_at(self, rate_hz: int) -> int:
        """Give its length in samples at another rate."""
        own_hz = self.recording.rate_hz
        return position_at(self.end, own_hz, rate_hz) - position_at(self.start, own_hz, rate_hz)


def bands_of(track: Track) -> tuple[FilterBand, ...]:
    """Return the bands of a track's equaliser."""
    return tuple(
        FilterBand(band.shape, band.hz, band.db or 0.0, band.q, band.slope or 12)
        for band in track.equaliser
    )


def find_sections(
    source: ManifestFile,
    scratch: Path | None = None,
    store: CacheFolder | None = None,
    digests: Mapping[Path, SourceDigest] = NO_DIGESTS,
) -> tuple[list[TrackSection | None], list[Finding]]:
    """Look at every track's source.

    Parameters
    ----------
    source
        The manifest.
    scratch
        Folder for decoded copies of what libsndfile can't read; without it nothing is decoded.
    store
        Keeps sides that are mended; without it they are only promised.
    digests
        Of the recordings: what is read of them is checked against these.

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
            *_recording_findings(source, audio, recording),
            *_section_findings(source, loc, section),
            *_point_findings(source, loc, section),
        ]
        findings += found
        sections.append(None if errors_in(found) else section)
    placed, sides = _place_on_sides(source, sections, scratch, store)
    findings += side_findings(source, sides)
    return placed, list(dict.fromkeys(findings))


def _place_on_sides(
    source: ManifestFile,
    sections: Sequence[TrackSection | None],
    scratch: Path | None,
    store: CacheFolder | None,
) -> tuple[list[TrackSection | None], dict[str, Side]]:
    """Let the tracks of sides read from these as they are mended."""
    sides: dict[str, Side] = {}
    placed = list(sections)
    for index, section in enumerate(sections):
        if section is None or section.track.side is None:
            continue
        name = section.track.side
        if name not in sides:
            sides[name] = side_of(source, name, section.recording, scratch, store)
        side = sides[name]
        start, end = side.span(section.start, section.end)
        on_side = replace(section, recording=side.recording, start=start, end=end, side=side)
        placed[index] = _with_default_fades(source, on_side, measured=store is not None)
    return placed, sides


def _with_default_fades(
    source: ManifestFile, section: TrackSection, *, measured: bool
) -> TrackSection:
    """Fade a track of a side where the manifest has no fade and no segue.

    Where sound is only checked and not rendered, the hiss at its ends isn't `measured`.
    """
    index, track = section.index, section.track
    fades = (FADE_IN_S, FADE_OUT_S)
    if measured and not section.recording.is_provisional:
        fades = default_fades(section.recording, section.start, section.end)
    last = index + 1 == len(source.manifest.tracks)
    runs_on = (
        index > 0 and _gap_before(source, index) == 0,
        not last and _gap_before(source, index + 1) == 0,
    )
    asked = (track.fade_in, track.fade_out)
    fade_in_s, fade_out_s = (
        Fraction(own) if own is not None else Fraction(0) if joined else default
        for own, joined, default in zip(asked, runs_on, fades, strict=True)
    )
    return replace(section, fade_in_s=fade_in_s, fade_out_s=fade_out_s)


def find_hidden(
    source: ManifestFile,
    scratch: Path | None = None,
    digests: Mapping[Path, SourceDigest] = NO_DIGESTS,
) -> tuple[TrackSection | None, list[Finding]]:
    """Look at the sound that is hidden before track 1, if there is any; as `find_sections`."""
    path = source.manifest.disc.pregap_audio
    if path is None or not source.manifest.disc.make:
        return None, []
    loc = ("disc", "pregap_audio")
    recording = _open((source.resolve(path),), scratch, digests)
    if isinstance(recording, SourceError):
        return None, [_unusable(source, loc, recording)]
    track = Track(title="hidden sound", audio=Audio(file=path))
    section = TrackSection(HIDDEN, track, recording, 0, recording.frames, (path,))
    return section, list(_recording_findings(source, loc, recording))


def order_of(
    source: ManifestFile, sections: Sequence[TrackSection], hidden: TrackSection | None
) -> tuple[DiscOrder, ...]:
    """Lay the sections out on their discs."""
    return lay_out(
        track_sounds(source, sections),
        hidden_samples=hidden.samples_at(DISC_RATE_HZ) if hidden else 0,
        tail_s=source.manifest.disc.tail,
    )


def track_sounds(source: ManifestFile, sections: Sequence[TrackSection]) -> list[TrackSound]:
    """Give what the running order needs to know of each track."""
    return [
        TrackSound(
            samples=section.samples_at(DISC_RATE_HZ),
            gap_s=_gap_before(source, section.index),
            opens_disc=section.track.disc,
            overlap_s=section.track.overlap or Fraction(0),
            points_s=section.track.indexes,
        )
        for section in sections
    ]


def _gap_before(source: ManifestFile, index: int) -> Fraction:
    """Give the gap before a track: its own, or the disc's; before a disc's first, 2 s."""
    track = source.manifest.tracks[index]
    if track.overlap:
        return Fraction(0)
    if track.gap is not None:
        return track.gap
    opens = index == 0 or track.disc is not None
    return OPENING_PAUSE_S if opens else source.manifest.disc.gap


def overlap_findings(
    source: ManifestFile, sections: Sequence[TrackSection | None]
) -> Iterator[Finding]:
    """Find overlaps that can't be made."""
    tracks = source.manifest.tracks
    for index, track in enumerate(tracks):
        if track.overlap is None:
            continue
        loc = ("tracks", index, "overlap")
        if track.overlap == 0:
            message = "an overlap of 0 s is none: for a segue write `gap: 0`, else take it out"
            yield source.finding("error", "no-overlap", loc, message)
            continue
        if index == 0 or track.disc is not None:
            message = "a disc's first track has none before it to overlap with: take `overlap` out"
            yield source.finding("error", "overlap-with-nothing", loc, message)
            continue
        if track.gap:
            message = (
                "a track has a gap or an overlap, not both: take one of `gap` and `overlap` out"
            )
            yield source.finding("error", "gap-and-overlap", loc, message)
        if track.overlap > LONGEST_OVERLAP_S:
            message = f"an overlap lasts {LONGEST_OVERLAP_S} s at the most: shorten it"
            yield source.finding("error", "overlap-too-long", loc, message)
        after = tracks[index + 1].overlap if index + 1 < len(tracks) else None
        before = tracks[index - 1].overlap if not tracks[index - 1].disc else None
        for which, section, other in (
            ("the track before", sections[index - 1], before if index > 1 else None),
            ("the track", sections[index], after),
        ):
            if section and track.overlap + (other or 0) >= section.duration_s:
                message = (
                    f"the overlap is longer than {which} ({duration_text(section.duration_s)}) has "
                    "room for: shorten it"
                )
                yield source.finding("error", "overlap-too-long", loc, message)
        if track.fade_in:
            message = "the overlap fades this track in already: take `fade_in` out"
            yield source.finding("warning", "fade-in-overlap", (*loc[:2], "fade_in"), message)


def _point_findings(source: ManifestFile, loc: Loc, section: TrackSection) -> Iterator[Finding]:
    points = section.track.indexes
    if len(points) > MOST_POINTS:
        message = f"{len(points)} index points: a track has {MOST_POINTS} after its start at most"
        yield source.finding("error", "too-many-indexes", (*loc, "indexes"), message)
    room_s = section.duration_s - _overlap_after(source, section.index)
    last = Fraction(0)
    for number, point in enumerate(points):
        place = (*loc, "indexes", number)
        if point + POINT_DISTANCE_S > room_s:
            message = (
                f"the index point at {clock_text(point)} lies outside the track, which lasts "
                f"{clock_text(room_s)}: count from its start, and stay two frames (0.03 s) clear "
                "of its end"
            )
            yield source.finding("error", "index-outside-track", place, message)
        elif point - last < POINT_DISTANCE_S:
            message = (
                f"the index point at {clock_text(point)} does not come after "
                f"{clock_text(last)}: write them in order, two frames (0.03 s) or more apart"
            )
            yield source.finding("error", "index-out-of-order", place, message)
        last = point


def _overlap_after(source: ManifestFile, index: int) -> Fraction:
    """Give how much of a track's end belongs to the next, which begins in it."""
    following = source.manifest.tracks[index + 1 : index + 2]
    return sum((track.overlap or Fraction(0) for track in following), Fraction(0))


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


def _recording_findings(
    source: ManifestFile, audio: Loc, recording: Recording
) -> Iterator[Finding]:
    if any(file.lossy for file in recording.files):
        kind = recording.files[0].kind
        message = f"the source is lossy ({kind}): ask for the original recording if there is one"
        yield source.finding("warning", "lossy-source", audio, message)
    for doubt in recording.doubts:
        yield source.finding("warning", "may-be-cut", audio, doubt)
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
    decodes = section.recording.is_provisional
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
