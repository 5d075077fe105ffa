"""Make the downloads: tagged files of every format, tables, cover and packages."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor, Future
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from functools import partial
from itertools import count
from pathlib import Path

from assembler.cache.folder import cache_key
from assembler.cache.keys import Key, named_key
from assembler.download.bwf import broadcast_chunks, make_broadcast_wave
from assembler.download.formats import FACTS, encode
from assembler.download.gapless import declared_delay
from assembler.download.lossy import (
    LossyPiece,
    LossyResult,
    encode_below_ceiling,
    levels_as_coded,
    lossy_findings,
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
from assembler.manifest.model import Format
from assembler.mastering.plan import Plan
from assembler.metadata import TrackMetadata
from assembler.release.artifact_cache import ArtifactCache, missing
from assembler.release.download_formats import (
    Covers,
    DownloadsMade,
    FormatMade,
    playing_levels,
    rounded_levels,
)
from assembler.release.masters import Master
from assembler.release.progress import Tasks, format_cost
from assembler.workers import result_of


@dataclass(frozen=True)
class Downloads:
    """The downloads of a release.

    Attributes
    ----------
    folder
        To write into; it exists.
    plan
        What to make.
    metadata
        Of every track.
    masters
        The master of each format.
    covers
        Pictures.
    pool
        Files are made in parallel on it.
    tasks
        Reports each file.
    cache
        Finished work.
    """

    folder: Path
    plan: Plan
    metadata: Sequence[TrackMetadata]
    masters: Mapping[Format, Master]
    covers: Covers
    pool: Executor
    tasks: Tasks
    cache: ArtifactCache

    @property
    def source(self) -> ManifestFile:
        """The manifest."""
        return self.plan.report.source

    def run(self, when_started: Callable[[], None], *, packages: bool) -> DownloadsMade:
        """Make all files.

        Parameters
        ----------
        when_started
            Called once, when lossy encoding has been queued: the work that it queues comes later.
        packages
            Make a zip file of each format too.
        """
        for name in self.masters:
            (self.folder / name).mkdir()
        self._write_pictures()
        lossless = {
            name: self._format(name, self._levels(name), ())
            for name in self.masters
            if not FACTS[name].lossy
        }
        queued: list[Future[None]] = []

        def queue_the_rest() -> None:
            when_started()
            for index in self._longest_first():
                for name, made in lossless.items():
                    queued.append(self.pool.submit(self._write_lossless, name, index, made))

        lossy = self._write_lossy(queue_the_rest)
        for work in queued:
            result_of(work)
        self._write_tables()
        if packages:
            list(self.pool.map(self._write_package, self.masters))
        findings = lossy_findings(
            self.source,
            [(name, i, one) for name, made in lossy.items() for i, one in enumerate(made.lossy)],
            self.source.manifest.download.lossy_ceiling,
        )
        return DownloadsMade({**lossless, **lossy}, tuple(findings))

    def path_of(self, name: Format, index: int) -> Path:
        """Return the file of a track in a format."""
        metadata = self.metadata[index]
        place = (metadata.number, metadata.disc, metadata.of_discs)
        return self.folder / name / f"{track_file_name(metadata.title, *place)}{FACTS[name].suffix}"

    def _levels(self, name: Format) -> tuple[PlayingLevels, ...]:
        return playing_levels(self.masters[name].tracks, FACTS[name].bits)

    def _format(
        self, name: Format, levels: Sequence[PlayingLevels], lossy: Sequence[LossyResult]
    ) -> FormatMade:
        tracks = self.masters[name].tracks
        rates_hz, gains_db = zip(*((t.rate_hz, t.gain_db) for t in tracks), strict=True)
        return FormatMade(rates_hz, gains_db, tuple(levels), tuple(lossy))

    def _task(self, name: Format, index: int) -> AbstractContextManager[None]:
        track = self.masters[name].tracks[index]
        cost_s = format_cost(name) * track.length / track.rate_hz
        return self.tasks.task(f"{name}: {self.metadata[index].title}", cost_s)

    def _longest_first(self) -> list[int]:
        tracks = next(iter(self.masters.values())).tracks
        return sorted(range(len(tracks)), key=lambda i: tracks[i].length, reverse=True)

    def _key(self, name: Format, index: int, lowered_db: float | None = None) -> Key:
        """Return the key of an encoded file without tags."""
        parts = {} if lowered_db is None else {"lowered for its peaks": lowered_db}
        track = self.masters[name].tracks[index]
        return named_key("encoded", {"format": name, **parts}, [track.key])

    def _write_lossless(self, name: Format, index: int, made: FormatMade) -> None:
        facts, track = FACTS[name], self.masters[name].tracks[index]

        def make(path: Path) -> None:
            encode(track.pcm(facts.bits), track.rate_hz, facts, path)

        with self._task(name, index):
            self._write_tagged(name, index, made, self._key(name, index), make)

    def _write_lossy(self, when_started: Callable[[], None]) -> dict[Format, FormatMade]:
        """Write the lossy files, which take longest; call back when their first round is queued."""
        names = [name for name in self.masters if FACTS[name].lossy]
        work = [(name, index) for index in self._longest_first() for name in names]
        pieces = [self._lossy_piece(name, index) for name, index in work]
        by_target = {piece.target: one for piece, one in zip(pieces, work, strict=True)}
        rounds = count()

        def run(
            encode_one: Callable[[LossyPiece], float | None], again: list[LossyPiece]
        ) -> Iterable[float | None]:
            def cached(piece: LossyPiece) -> float | None:
                name, index = by_target[piece.target]
                with self._task(name, index):
                    key = self._key(name, index, piece.lowered_db)
                    return self._decoded_peak(encode_one, piece, key)

            peaks = self.pool.map(cached, again)
            if next(rounds) == 0:
                when_started()
            return peaks

        ceiling_dbtp = self.source.manifest.download.lossy_ceiling
        results = dict(zip(work, encode_below_ceiling(pieces, ceiling_dbtp, run), strict=True))
        formats = {}
        for name in names:
            lossy = [results[name, index] for index in range(len(self.metadata))]
            levels = [rounded_levels(one) for one in levels_as_coded(self._levels(name), lossy)]
            formats[name] = self._format(name, levels, lossy)

        def write(one: tuple[Format, int]) -> None:
            self._write_tagged(*one, formats[one[0]], self._key(*one, results[one].lowered_db))

        list(self.pool.map(write, work))
        return formats

    def _lossy_piece(self, name: Format, index: int) -> LossyPiece:
        facts, track = FACTS[name], self.masters[name].tracks[index]
        return LossyPiece(
            partial(track.pcm, facts.bits),
            track.rate_hz,
            facts,
            self.path_of(name, index),
            group=(name, self._balance_group(index)),
        )

    def _balance_group(self, index: int) -> int:
        """Return the group of tracks that must be lowered together: the album, or a passage."""
        if self.source.manifest.level_of("download").match == "album":
            return 0
        passages = self.plan.passages
        return next(
            n for n, passage in enumerate(passages) if any(p.index == index for p in passage.places)
        )

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

    def _write_tagged(
        self,
        name: Format,
        index: int,
        made: FormatMade,
        key: Key,
        make: Callable[[Path], None] = missing,
    ) -> None:
        """Write a track's file: the encoded file of a key, which `make` writes, with its tags."""
        facts, metadata = FACTS[name], self.metadata[index]
        release, levels = self.source.manifest.release, made.levels[index]
        reading = self.masters[name].tracks[index].readings[facts.bits]

        def write(path: Path) -> None:
            shutil.copyfile(self.cache.cached_file(key, path.suffix, make), path)
            if facts.container == "wav":
                form = {"rate_hz": made.rates_hz[index], "bits": facts.bits}
                make_broadcast_wave(path, broadcast_chunks(release, metadata, reading, **form))
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
        self.cache.release_file(target, named_key("tagged", parts, [key]), write)
        if facts.codec:
            self._check_length(target, name, index)

    def _check_length(self, path: Path, name: Format, index: int) -> None:
        """Check that an encoded file declares the length of its track."""
        length = self.masters[name].tracks[index].length
        declared = declared_delay(path, FACTS[name].container).length_samples
        if declared != length:
            raise AssemblerError(
                f"{name}: {path.name} declares {declared} samples, its track has {length}: please "
                "report this"
            )

    def _write_pictures(self) -> None:
        pictures = (("cover.jpg", self.covers.front), ("back-cover.jpg", self.covers.back))
        for name, cover in pictures:
            if cover:
                (self.folder / name).write_bytes(cover.full)

    def _write_tables(self) -> None:
        files: dict[str, list[str]] = {
            name: [self.path_of(name, index).name for index in range(len(self.metadata))]
            for name in self.masters
        }
        manifest = self.source.manifest
        csv, json = (table(manifest, self.metadata, files) for table in (release_csv, release_json))
        (self.folder / "release.csv").write_bytes(csv.encode())
        (self.folder / "release.json").write_bytes(json.encode())

    def _write_package(self, name: Format) -> None:
        manifest = self.source.manifest
        target = self.folder / package_name(manifest, name)
        cover = self.covers.front.full if self.covers.front else None
        with self.tasks.task(f"{name}: package"):
            write_package(self.folder / name, target, track_list(manifest, self.metadata), cover)
