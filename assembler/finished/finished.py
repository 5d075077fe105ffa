"""A finished release, opened for `verify` and `compare`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
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
from assembler.finished.report_form import PlaceReport, ReleaseReport, TrackEntry, TrackReport
from assembler.finished.report_reader import read_report
from assembler.manifest import Manifest, ManifestFile, load
from assembler.manifest.editions import edition_tracks, editions_of, listed_tracks, with_tracks
from assembler.manifest.sets import set_of
from assembler.mastering.plan import Room
from assembler.metadata import TrackMetadata, printed_tracks, track_metadata
from assembler.sequence import DiscOrder, Passage, TrackPlace, TrackSound
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME, frame_after
from assembler.sequence.order import placed_at
from assembler.text import shorten


@dataclass(frozen=True)
class FinishedRelease:
    """A release's folder, the manifest in it, and its report: the whole, or one edition of it."""

    folder: Path
    source: ManifestFile
    report: ReleaseReport

    @property
    def manifest(self) -> Manifest:
        """The content of the manifest in it."""
        return self.source.manifest

    @cached_property
    def tracks(self) -> list[TrackReport]:
        """The entry in the report of each track, in order; not of a whole with several editions."""
        return [TrackReport.model_validate(track.as_json()) for track in self.report.tracks]

    @cached_property
    def primary(self) -> FinishedRelease:
        """The edition that the proof shows: the disc if there is one."""
        return self.editions[0]

    @property
    def shown(self) -> Sequence[int]:
        """Indexes of the tracks that the proof shows: of the primary edition, then the others."""
        if "download" in self.report.rooms:
            return listed_tracks(self.manifest)
        return self.report.indices_on(editions_of(self.manifest)[0])

    @property
    def others(self) -> list[tuple[FinishedRelease, int]]:
        """The tracks that the proof shows after those of the primary edition, each on its own."""
        found = []
        for index in self.shown[len(self.primary.tracks) :]:
            own = next(e for e in edition_tracks(self.manifest).items() if index in e[1])
            found.append((self.on(own[0]), own[1].index(index)))
        return found

    @cached_property
    def editions(self) -> tuple[FinishedRelease, ...]:
        """The editions, the primary one first; those with the same tracks are one."""
        return self._editions(editions_of(self.manifest))

    @cached_property
    def of_sets(self) -> tuple[FinishedRelease, ...]:
        """The download sets; those with the same tracks are one."""
        return self._editions(one.edition for one in self.manifest.made_sets)

    def _editions(self, names: Iterable[str]) -> tuple[FinishedRelease, ...]:
        by_tracks: dict[tuple[int, ...], str] = {}
        for name in names:
            by_tracks.setdefault(tuple(self.report.indices_on(name)), name)
        return tuple(map(self.on, by_tracks.values()))

    def on(self, edition: str) -> FinishedRelease:
        """Return one edition: its tracks alone, with its places and its formats."""
        whole = self.report
        if not whole.editions:
            return self
        indices = whole.indices_on(edition)
        own = next((one for one in whole.editions if one.name == edition), None)
        tracks = [whole.tracks[index] for index in indices]
        if own:
            tracks = [_at(track, place) for track, place in zip(tracks, own.tracks, strict=True)]
        formats = {
            name: made
            for name, made in whole.formats.items()
            if whole.indices_on(set_of(name)) == indices
        }
        update = {"tracks": tracks, "formats": formats, "editions": []}
        report = whole.model_copy(update=update | ({"discs": []} if own else {}))
        source = replace(self.source, manifest=with_tracks(self.manifest, indices))
        return FinishedRelease(self.folder, source, report)

    @cached_property
    def printed(self) -> tuple[TrackMetadata, ...]:
        """The metadata of all tracks as the sheets list them."""
        orders = {}
        for name, indices in edition_tracks(self.manifest).items():
            orders[name] = [placed_at(disc, indices) for disc in self.on(name).discs]
        return printed_tracks(self.manifest, orders)

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


def _at(track: TrackEntry, place: PlaceReport) -> TrackEntry:
    """Return a track's entry at its place on an edition."""
    own = place.as_json()
    source = track.source.model_copy(update={"first_samples": own.pop("first_samples")})
    del own["track"]
    return track.model_copy(update=own | {"source": source})


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
