"""A finished release, opened for `verify` and `compare`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from pathlib import Path

from assembler.disc.cue import disc_stem
from assembler.download.formats import facts_of
from assembler.errors import AssemblerError, FindingsError
from assembler.file_names import track_file_name
from assembler.findings import Finding
from assembler.finished.release_folder import MANIFEST, REPORT
from assembler.finished.report_form import ReleaseReport, TrackReport
from assembler.finished.report_reader import read_report
from assembler.manifest import Manifest, ManifestFile, load
from assembler.mastering.plan import Room
from assembler.metadata import TrackMetadata, track_metadata
from assembler.sequence import DiscOrder, Passage, TrackPlace, TrackSound
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME, frame_after
from assembler.text import shorten


@dataclass(frozen=True)
class FinishedRelease:
    """A release's folder, the manifest in it, and its report."""

    folder: Path
    source: ManifestFile
    report: ReleaseReport

    @property
    def manifest(self) -> Manifest:
        """The content of the manifest in it."""
        return self.source.manifest

    @property
    def tracks(self) -> list[TrackReport]:
        """Each track's entry in the report, in the manifest's order."""
        return self.report.tracks

    @cached_property
    def metadata(self) -> tuple[TrackMetadata, ...]:
        """Every track's metadata, from the manifest and the report's running order."""
        return track_metadata(self.manifest, self.discs)

    @cached_property
    def discs(self) -> tuple[DiscOrder, ...]:
        """The running order of each disc, or without discs of the download files."""
        return tuple(self._order(number) for number in range(1, self.of_discs + 1))

    @property
    def of_discs(self) -> int:
        """Number of discs, or without discs of parts of the running order."""
        return max(track.disc_number for track in self.tracks)

    def _order(self, number: int) -> DiscOrder:
        places = [_place(index, track) for index, track in self.tracks_of(number)]
        overlaps_s = (self.manifest.tracks[place.index].overlap or 0 for place in places)
        sounds = tuple(
            TrackSound(place.frames * SAMPLES_PER_FRAME, Fraction(0), overlap_s=Fraction(overlap_s))
            for place, overlap_s in zip(places, overlaps_s, strict=True)
        )
        disc = next((disc for disc in self.report.discs if disc.number == number), None)
        tail = frame_after(self.manifest.disc.tail * DISC_RATE_HZ)
        frames = disc.frames if disc else places[-1].end_frame + tail
        hidden = Passage((), 0, disc.hidden_frames) if disc and disc.hidden_frames else None
        return DiscOrder(
            number,
            tuple(self._passages(places, frames)),
            disc.opening_pause_frames if disc else places[0].gap_frames,
            frames,
            hidden,
            disc.tail_frames if disc else tail,
            sounds,
        )

    def _passages(self, places: Sequence[TrackPlace], end_frame: int) -> Iterator[Passage]:
        """Return the passages of a disc: tracks that segue belong to one passage."""
        chains: list[list[TrackPlace]] = []
        for place in places:
            track = self.manifest.tracks[place.index]
            gap_s = self.manifest.disc.gap if track.gap is None else track.gap
            if chains and (track.overlap or gap_s == 0):
                chains[-1].append(place)
            else:
                chains.append([place])
        starts = [*(chain[0].start_frame for chain in chains), end_frame]
        for chain, (start, after) in zip(chains, pairwise(starts), strict=True):
            yield Passage(tuple(chain), start, after - start)

    def tracks_of(self, disc_number: int) -> list[tuple[int, TrackReport]]:
        """Return a disc's tracks, each with its index in the manifest."""
        return [
            (index, track)
            for index, track in enumerate(self.tracks)
            if track.disc_number == disc_number
        ]

    def disc_file(self, number: int, suffix: str) -> str:
        """Return the path in the release of a disc's file."""
        stem = disc_stem(self.report.name, number, len(self.report.discs))
        return f"disc/{stem}{suffix}"

    def pq_sheet(self, number: int, kind: str) -> str:
        """Return the path in the release of a disc's PQ sheet."""
        return f"disc/pq-sheet{f'-{number}' if self.of_discs > 1 else ''}.{kind}"

    def track_file(self, name: str, track: TrackReport) -> str:
        """Return the path in the release of a track's file in a format."""
        place = (track.number, track.disc_number, self.of_discs)
        return f"download/{name}/{track_file_name(track.title, *place)}{facts_of(name).suffix}"

    def has(self, room: Room) -> bool:
        """Return whether a deliverable was made, and from the manifest in this folder."""
        if room == "disc" and not self.report.discs:
            return False
        return self.report.made_from.get(room) == self.report.inputs


def _place(index: int, track: TrackReport) -> TrackPlace:
    points = {int(number): frame for number, frame in track.indexes.items()}
    return TrackPlace(
        index,
        track.number,
        track.gap_frames,
        track.start_frame,
        track.start_frame + track.frames,
        points.get(0),
        tuple(points[number] for number in sorted(points) if number > 1),
    )


def open_finished(folder: Path) -> FinishedRelease:
    """Open a finished release.

    Raises
    ------
    UnreadableError
        Its manifest or its report can't be read, or they do not belong together.
    """
    for name in (REPORT, MANIFEST):
        if not (folder / name).exists():
            raise UnreadableError(name, "is missing: this is not a finished release", folder)
    try:
        source = load(folder / MANIFEST)
    except FindingsError as error:
        first = error.findings[0]
        place = f"line {first.line}: " if first.line else ""
        reason = f"{place}{first.message}: build the release again"
        raise UnreadableError(MANIFEST, reason, folder) from error
    try:
        report = read_report(folder / REPORT, source.manifest)
    except ValueError as error:
        reason = f"is not the report of this release: {shorten(str(error), 200)}: build it again"
        raise UnreadableError(REPORT, reason, folder) from error
    return FinishedRelease(folder, source, report)


class UnreadableError(AssemblerError):
    """A file of a release that can't be read.

    Attributes
    ----------
    name
        Its path in the release.
    reason
        What is wrong with it.
    folder
        The release's folder, if the message is to name it.
    """

    def __init__(self, name: str, reason: str, folder: Path = Path()) -> None:
        super().__init__(f"{folder / name}: {reason}")
        self.name = name
        self.reason = reason


@contextmanager
def reading(name: str) -> Iterator[None]:
    """Name the file that is being read in any error that this raises."""
    try:
        yield
    except UnreadableError:
        raise
    except AssemblerError as error:
        raise UnreadableError(name, str(error).removeprefix(f"{name}: ")) from error
    except Exception as error:  # a reader may raise anything on a damaged file
        reason = getattr(error, "error_string", None) or getattr(error, "strerror", None) or error
        raise UnreadableError(name, f"can't be read: {shorten(str(reason), 200)}") from error


def mismatch(code: str, name: str, message: str) -> Finding:
    """Return the error finding of a file that does not match."""
    return Finding("error", code, name, name, 0, message)
