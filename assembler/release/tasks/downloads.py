"""Make the downloads: tagged files of every format, tables, cover and packages."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from assembler.cache.copies import copy_file
from assembler.cache.folder import cache_key
from assembler.cache.keys import named_key
from assembler.download.bwf import broadcast_chunks, make_broadcast_wave
from assembler.download.formats import encode, facts_of
from assembler.download.gapless import declared_delay
from assembler.download.lossy import (
    LossyPiece,
    LossyResult,
    Run,
    encode_and_measure,
    levels_as_coded,
    lossy_findings,
    lower_group,
    read_decoded,
)
from assembler.download.packages import package_name, track_list, write_package
from assembler.download.playing_levels import PlayingLevels
from assembler.download.tables import release_csv, release_json
from assembler.download.tag_table import tag_values
from assembler.download.tags import write_tags
from assembler.errors import AssemblerError
from assembler.file_names import track_file_name
from assembler.manifest import ManifestFile
from assembler.manifest.sets import DownloadSettings, format_of
from assembler.mastering.render import FinishedTrack
from assembler.metadata import TrackMetadata
from assembler.preflight.editions import Edition
from assembler.release.artifact_cache import ArtifactCache, missing
from assembler.release.progress import format_cost
from assembler.release.tasks.download_formats import (
    Covers,
    DownloadsMade,
    FormatMade,
    playing_levels,
    rounded_levels,
)
from assembler.release.tasks.finisher import encoded_key
from assembler.release.tasks.graph import Scheduler, Task
from assembler.release.tasks.masters import Master, MasterTasks
from assembler.sequence import Passage

T = TypeVar("T")


@dataclass(frozen=True)
class Downloads:
    """States the tasks that make the downloads of a release.

    Attributes
    ----------
    folder
        The release's folder of downloads, with a folder of each format.
    source
        The whole manifest, for findings.
    edition
        The tracks of the set.
    settings
        The set of files.
    metadata
        Of each of these tracks.
    masters
        The tasks of each format's master.
    covers
        Pictures.
    scheduler
        Runs the tasks.
    cache
        Finished work.
    packages
        Make a zip file of each format too.
    """

    folder: Path
    source: ManifestFile
    edition: Edition
    settings: DownloadSettings
    metadata: Sequence[TrackMetadata]
    masters: Mapping[str, MasterTasks]
    covers: Covers
    scheduler: Scheduler
    cache: ArtifactCache
    packages: bool

    def task(self) -> Task[DownloadsMade]:
        """Return the task that stands for all files."""
        made = {name: self._format_task(name) for name in self.masters}
        files = [
            self._file_task(name, index, made[name])
            for name in self.masters
            for index in range(len(self.metadata))
        ]
        after: list[Task[Any]] = [Task("download tables", self._write_tables)]
        if self.packages:
            after += [self._package_task(name, files) for name in self.masters]

        def finish(*formats: Any) -> DownloadsMade:
            by_name: dict[str, FormatMade] = dict(zip(made, formats, strict=False))
            lossy = [
                (name, index, one)
                for name, of_name in by_name.items()
                for index, one in zip(self.edition.tracks, of_name.lossy, strict=False)
            ]
            loc = self.source.manifest.place_of_set(self.settings.edition)
            ceiling_dbtp = self.settings.lossy_ceiling
            findings = lossy_findings(self.source, lossy, ceiling_dbtp, loc)
            return DownloadsMade(by_name, tuple(findings))

        return Task("downloads", finish, (*made.values(), *files, *after))

    @property
    def own_folder(self) -> Path:
        """The folder of the set: tables, pictures and packages are here."""
        return self.folder / (self.settings.name or "")

    def path_of(self, name: str, index: int) -> Path:
        """Return the file of a track in a format."""
        metadata = self.metadata[index]
        place = (metadata.number, metadata.disc, metadata.of_discs)
        return (
            self.folder / name / f"{track_file_name(metadata.title, *place)}{facts_of(name).suffix}"
        )

    def _format_task(self, name: str) -> Task[FormatMade]:
        """Return the task that knows the levels of a format's files."""
        whole = self.masters[name].whole
        bits = facts_of(name).bits

        def made(master: Master, levels: Sequence[PlayingLevels], lossy: Any = ()) -> FormatMade:
            rates_hz, gains_db = zip(*((t.rate_hz, t.gain_db) for t in master.tracks), strict=True)
            return FormatMade(rates_hz, gains_db, tuple(levels), tuple(lossy), master)

        def lossless(master: Master) -> FormatMade:
            return made(master, playing_levels(master.tracks, bits))

        def as_coded(master: Master, *groups: Mapping[int, LossyResult]) -> FormatMade:
            results = {index: one for group in groups for index, one in group.items()}
            lossy = [results[index] for index in range(len(self.metadata))]
            levels = levels_as_coded(playing_levels(master.tracks, bits), lossy)
            return made(master, [rounded_levels(one) for one in levels], lossy)

        if facts_of(name).lossy:
            return Task(f"{name}: levels", as_coded, (whole, *self._group_tasks(name)))
        return Task(f"{name}: levels", lossless, (whole,))

    def _group_tasks(self, name: str) -> list[Task[dict[int, LossyResult]]]:
        """Return the tasks that keep each group of lossy files under the ceiling."""
        groups: dict[int, list[int]] = {}
        for index in range(len(self.metadata)):
            groups.setdefault(self._balance_group(index), []).append(index)
        ceiling_dbtp = self.settings.lossy_ceiling

        def lower(*encoded: tuple[int, LossyPiece, float | None]) -> dict[int, LossyResult]:
            indices, pieces, peaks = zip(*encoded, strict=True)
            results = lower_group(pieces, peaks, ceiling_dbtp, self._encode_again(name))
            return dict(zip(indices, results, strict=True))

        return [
            Task(
                f"{name}: peaks of {self.metadata[own[0]].title}",
                lower,
                tuple(self._encode_task(name, i) for i in own),
            )
            for own in groups.values()
        ]

    def _encode_task(self, name: str, index: int) -> Task[tuple[int, LossyPiece, float | None]]:
        """Return the task that encodes a lossy file and measures its decoded peak."""

        def encode_one(tracks: list[FinishedTrack]) -> tuple[int, LossyPiece, float | None]:
            track = self._track_in(tracks, index)
            piece = self._lossy_piece(name, index, track)
            key = encoded_key(name, track.key, piece.lowered_db)
            if not self.cache.folder.has(key):
                piece = replace(piece, file=track.stored(piece.facts.bits).path)
            return index, piece, self._decoded_peak(encode_and_measure, piece, key)

        return self._track_task(name, index, encode_one)

    def _encode_again(self, name: str) -> Run:
        """Return the `map` that encodes a group's files at a lower level."""

        def run(
            encode_one: Callable[[LossyPiece], float | None], pieces: Sequence[LossyPiece]
        ) -> Iterator[float | None]:
            def again(piece: LossyPiece) -> float | None:
                key = encoded_key(name, piece.track, piece.lowered_db)
                return self._decoded_peak(encode_one, piece, key)

            return self.scheduler.map(again, pieces)

        return run

    def _track_task(
        self, name: str, index: int, work: Callable[[list[FinishedTrack]], T]
    ) -> Task[T]:
        """Return a task that needs one track alone."""
        passage = self._passage_of(index)
        seconds = float(self.edition.sections[index].duration_s)
        inputs = (self.masters[name].passages[passage],)
        key = f"{name}: {self.metadata[index].title}"
        return Task(key, work, inputs, format_cost(name) * seconds)

    def _passage_of(self, index: int) -> Passage:
        return next(p for p in self.edition.passages if index in p.indices)

    def _track_in(self, tracks: Sequence[FinishedTrack], index: int) -> FinishedTrack:
        own = self.edition.tracks[index]
        return next(track for track in tracks if track.section.index == own)

    def _lossy_piece(self, name: str, index: int, track: FinishedTrack) -> LossyPiece:
        facts = facts_of(name)
        return LossyPiece(
            partial(track.pcm, facts.bits),
            track.rate_hz,
            facts,
            self.path_of(name, index),
            group=(name, self._balance_group(index)),
            track=track.key,
        )

    def _balance_group(self, index: int) -> int:
        """Return the group of tracks that must be lowered together: the album, or a passage."""
        if self.source.manifest.level_of(self.settings.edition).match == "album":
            return 0
        return next(n for n, p in enumerate(self.edition.passages) if index in p.indices)

    def _decoded_peak(
        self, encode_one: Callable[[LossyPiece], float | None], piece: LossyPiece, key: str
    ) -> float | None:
        """Encode a lossy file into the cache, and return its decoded true peak."""
        measured: list[float | None] = []

        def make(path: Path) -> None:
            measured.append(encode_one(replace(piece, target=path)))

        path = self.cache.cached_file(key, piece.target.suffix, make)

        def peak() -> float | None:
            if measured:
                return measured[0]
            return read_decoded(path, piece.rate_hz, piece.facts.container).peak_dbtp

        peak_dbtp: float | None = self.cache.folder.json(cache_key("decoded peak", key), peak)
        return peak_dbtp

    def _file_task(self, name: str, index: int, made: Task[FormatMade]) -> Task[Path]:
        """Return the task that writes a track's file: encoded, with its tags."""
        inputs: tuple[Task[Any], ...] = (made,)
        if not facts_of(name).lossy and facts_of(name).container != "wav":
            inputs += (self._track_task(name, index, partial(self._encode_lossless, name, index)),)

        def write(of_format: FormatMade, *_encoded: object) -> Path:
            return self._write_tagged(name, index, of_format)

        return Task(f"{name}: tags of {self.metadata[index].title}", write, inputs)

    def _encode_lossless(self, name: str, index: int, tracks: list[FinishedTrack]) -> Path:
        facts, track = facts_of(name), self._track_in(tracks, index)

        def make(path: Path) -> None:
            encode(track.pcm(facts.bits), track.rate_hz, facts, path)

        return self.cache.cached_file(encoded_key(name, track.key), facts.suffix, make)

    def _write_tagged(self, name: str, index: int, made: FormatMade) -> Path:
        """Write a track's file from its encoded file; a WAV file from its PCM."""
        facts, metadata = facts_of(name), self.metadata[index]
        release, levels = self.source.manifest.release, made.levels[index]
        track = made.master.tracks[index]
        reading = track.readings[facts.bits]
        lowered_db = made.lossy[index].lowered_db if facts.lossy else 0.0
        key = encoded_key(name, track.key, lowered_db)

        def write(path: Path) -> None:
            if facts.container == "wav":
                encode(track.pcm(facts.bits), track.rate_hz, facts, path)
                form = {"rate_hz": track.rate_hz, "bits": facts.bits}
                make_broadcast_wave(path, broadcast_chunks(release, metadata, reading, **form))
            else:
                copy_file(self.cache.cached_file(key, path.suffix, missing), path)
            write_tags(
                path,
                facts.container,
                release,
                metadata,
                self.covers.front,
                back_cover=self.covers.back,
                levels=levels,
            )

        parts = {
            "tags": tag_values(release, metadata, facts.container, levels),
            "broadcast header": [release, metadata, reading] if facts.container == "wav" else [],
            "pictures": [
                picture and hashlib.sha256(picture.embedded).hexdigest()
                for picture in (self.covers.front, self.covers.back)
            ],
        }
        target = self.path_of(name, index)
        tagged = named_key("tagged", parts, [key])
        self.cache.release_file(target, tagged, write, encoded=key)
        if facts.codec:
            self._check_length(target, name, track.length)
        return target

    def _check_length(self, path: Path, name: str, length: int) -> None:
        """Check that an encoded file declares the length of its track."""
        declared = declared_delay(path, facts_of(name).container).length_samples
        if declared != length:
            raise AssemblerError(
                f"{name}: {path.name} declares {declared} samples, its track has {length}: please "
                "report this"
            )

    def _write_pictures(self) -> None:
        pictures = (("cover.jpg", self.covers.front), ("back-cover.jpg", self.covers.back))
        for name, cover in pictures:
            if cover:
                (self.own_folder / name).write_bytes(cover.full)

    def _write_tables(self) -> None:
        """Write tables and pictures."""
        self._write_pictures()
        files: dict[str, list[str]] = {
            format_of(name): [self.path_of(name, index).name for index in range(len(self.metadata))]
            for name in self.masters
        }
        manifest = self.edition.manifest
        csv, json = (table(manifest, self.metadata, files) for table in (release_csv, release_json))
        (self.own_folder / "release.csv").write_bytes(csv.encode())
        (self.own_folder / "release.json").write_bytes(json.encode())

    def _package_task(self, name: str, files: Sequence[Task[Path]]) -> Task[None]:
        manifest = self.edition.manifest
        cover = self.covers.front.full if self.covers.front else None

        def write(*_files: Path) -> None:
            target = self.own_folder / package_name(manifest, format_of(name))
            write_package(self.folder / name, target, track_list(manifest, self.metadata), cover)

        return Task(f"{name}: package", write, tuple(files))
