"""The download room: files of every format, tagged; tables, cover and packages beside them."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from assembler.cache.keys import Key, named_key
from assembler.cache.store import cache_key
from assembler.download.bwf import broadcast_chunks, make_broadcast_wave
from assembler.download.cover import Cover
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
from assembler.dsp.decibels import amplitude, rounded
from assembler.dsp.loudness import integrated_of
from assembler.errors import AssemblerError
from assembler.file_names import track_file_name
from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.manifest.model import Format
from assembler.mastering.plan import Plan
from assembler.mastering.render import FinishedTrack
from assembler.metadata import TrackMetadata
from assembler.release.progress import Account, format_cost
from assembler.release.report import Result
from assembler.release.reuse import ArtifactCache, lost
from assembler.workers import result_of


@dataclass(frozen=True)
class Covers:
    """The pictures of a release."""

    front: Cover | None
    back: Cover | None


@dataclass(frozen=True)
class FormatMade:
    """What became of one format.

    Attributes
    ----------
    rates_hz
        Of each file.
    gains_db
        Match and trim of each track.
    levels
        Of each file as it decodes.
    lossy
        What keeping a lossy format under its ceiling took; empty for a lossless one.
    """

    rates_hz: tuple[int, ...]
    gains_db: tuple[float, ...]
    levels: tuple[PlayingLevels, ...]
    lossy: tuple[LossyResult, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Give it as plain data for the report."""
        return {
            "rates_hz": list(self.rates_hz),
            "gains_db": [round(gain_db, 3) for gain_db in self.gains_db],
            "levels": [asdict(levels) for levels in self.levels],
            "lossy": [asdict(result) for result in self.lossy],
        }


class Downloads:
    """The making of a release's download room.

    Parameters
    ----------
    folder
        To write into; it is there.
    plan
        What is asked.
    words
        Of every track.
    masters
        The finished masters of each format.
    covers
        Pictures.
    pool
        Files are made side by side on it.
    account
        Is told of each file.
    reuse
        Finished work.
    """

    def __init__(
        self,
        folder: Path,
        plan: Plan,
        words: Sequence[TrackMetadata],
        masters: Mapping[Format, Result],
        covers: Covers,
        pool: Executor,
        account: Account,
        reuse: ArtifactCache,
    ) -> None:
        self.folder = folder
        self.plan = plan
        self.source: ManifestFile = plan.report.source
        self.words = words
        self.masters = masters
        self.covers = covers
        self.pool = pool
        self.account = account
        self.reuse = reuse
        self.made: dict[Format, FormatMade] = {}

    def run(self, when_begun: Callable[[], None], *, packages: bool) -> list[Finding]:
        """Make everything; give what there is to know of it.

        Parameters
        ----------
        when_begun
            Called once, when the lossy coding is on its way: what it begins comes after that.
        packages
            Make a zip file of each format too.
        """
        for name in self.masters:
            (self.folder / name).mkdir()
        self._write_pictures()
        lossless = [name for name in self.masters if not FACTS[name].lossy]
        for name in lossless:
            levels = _playing_levels(self.masters[name].tracks, FACTS[name].bits)
            self.made[name] = FormatMade(self._rates(name), self._gains(name), levels)
        jobs: list[Future[None]] = []

        def begin_the_rest() -> None:
            when_begun()
            work = [(name, index) for index in self._longest_first() for name in lossless]
            jobs.extend(self.pool.submit(self._make_lossless, *one) for one in work)

        lossy = [name for name in self.masters if FACTS[name].lossy]
        findings = self._make_lossy(lossy, begin_the_rest)
        for job in jobs:
            result_of(job)
        self._write_tables()
        if packages:
            list(self.pool.map(self._write_package, self.masters))
        return findings

    def path_of(self, name: Format, index: int) -> Path:
        """Give the file of a track in a format."""
        words = self.words[index]
        stem = track_file_name(words.title, words.number, words.disc, words.of_discs)
        return self.folder / name / f"{stem}{FACTS[name].suffix}"

    def _gains(self, name: Format) -> tuple[float, ...]:
        return tuple(track.gain_db for track in self.masters[name].tracks)

    def _rates(self, name: Format) -> tuple[int, ...]:
        return tuple(track.rate_hz for track in self.masters[name].tracks)

    def _step(self, name: Format, index: int) -> AbstractContextManager[None]:
        track = self.masters[name].tracks[index]
        cost_s = format_cost(name) * track.length / track.rate_hz
        return self.account.step(f"{name}: {self.words[index].title}", cost_s)

    def _longest_first(self) -> list[int]:
        tracks = next(iter(self.masters.values())).tracks
        return sorted(range(len(tracks)), key=lambda i: tracks[i].length, reverse=True)

    def _make_lossless(self, name: Format, index: int) -> None:
        facts, track = FACTS[name], self.masters[name].tracks[index]

        def make(path: Path) -> None:
            encode(track.words(facts.bits), track.rate_hz, facts, path)

        key = named_key("encoded", {"coding": name}, [track.key])
        with self._step(name, index):
            self._tag(name, index, key, make)

    def _make_lossy(self, names: Sequence[Format], when_begun: Callable[[], None]) -> list[Finding]:
        """Make the lossy files, which take longest; tell when their first round has begun."""
        ceiling = self.source.manifest.download.lossy_ceiling
        work = [(name, index) for index in self._longest_first() for name in names]
        pieces = [self._lossy_piece(name, index) for name, index in work]
        keys: dict[Path, Key] = {}

        def run(
            code: Callable[[LossyPiece], float | None], again: list[LossyPiece]
        ) -> Iterable[float | None]:
            is_first = not keys
            for piece in again:
                track_key, name, _ = of_target[piece.target]
                how = {"coding": name, "lowered for its peaks": piece.lowered_db}
                keys[piece.target] = named_key("encoded", how, [track_key])

            def coded(piece: LossyPiece) -> float | None:
                with self._step(*of_target[piece.target][1:]):
                    return self._coded(code, piece, keys[piece.target])

            peaks = self.pool.map(coded, again)
            if is_first:
                when_begun()
            return peaks

        of_target = {
            self.path_of(name, index): (self.masters[name].tracks[index].key, name, index)
            for name, index in work
        }
        results = dict(zip(work, encode_below_ceiling(pieces, ceiling, run), strict=True))
        told = []
        for name in names:
            of_format = [results[name, index] for index in range(len(self.words))]
            levels = _playing_levels(self.masters[name].tracks, FACTS[name].bits)
            coded = tuple(_as_told(one) for one in levels_as_coded(levels, of_format))
            self.made[name] = FormatMade(
                self._rates(name), self._gains(name), coded, tuple(of_format)
            )
            told += [(name, index, result) for index, result in enumerate(of_format)]
        list(self.pool.map(lambda one: self._tag(one[0], one[1], keys[self.path_of(*one)]), work))
        return list(lossy_findings(self.source, told, ceiling))

    def _lossy_piece(self, name: Format, index: int) -> LossyPiece:
        facts, track = FACTS[name], self.masters[name].tracks[index]
        return LossyPiece(
            partial(track.words, facts.bits),
            track.rate_hz,
            facts,
            self.path_of(name, index),
            group=(name, self._balance_group(index)),
        )

    def _balance_group(self, index: int) -> int:
        """Tracks that must stay at one level: the album's, or those of a passage."""
        if self.source.manifest.level_of("download").match == "album":
            return 0
        passages = self.plan.passages
        return next(
            n for n, passage in enumerate(passages) if any(p.index == index for p in passage.places)
        )

    def _coded(
        self, code: Callable[[LossyPiece], float | None], piece: LossyPiece, key: str
    ) -> float | None:
        """Encode a lossy file into the store, and give the peak that it decodes to."""
        read: list[float | None] = []

        def make(path: Path) -> None:
            read.append(code(replace(piece, target=path)))

        path = self.reuse.entry(key, piece.target.suffix, make)

        def peak() -> float | None:
            if read:
                return read[0]
            return read_decoded(path, piece.rate_hz, piece.facts.container).peak_dbtp

        told: float | None = self.reuse.store.json(cache_key("decoded peak", key), peak)
        return told

    def _tag(
        self, name: Format, index: int, key: Key, make: Callable[[Path], None] | None = None
    ) -> None:
        """Put a file in place: the encoded one of a key, made first if need be, with its tags."""
        target, words, facts = self.path_of(name, index), self.words[index], FACTS[name]
        release, levels = self.source.manifest.release, self.made[name].levels[index]
        reading = self.masters[name].tracks[index].readings[facts.bits]

        def tagged(path: Path) -> None:
            shutil.copyfile(self.reuse.entry(key, path.suffix, make or lost), path)
            if facts.container == "wav":
                rate_hz = self.made[name].rates_hz[index]
                chunks = broadcast_chunks(release, words, reading, rate_hz=rate_hz, bits=facts.bits)
                make_broadcast_wave(path, chunks)
            write_tags(
                path,
                facts.container,
                release,
                words,
                self.covers.front,
                back_cover=self.covers.back,
                levels=levels,
            )

        values = tag_values(release, words, facts.container, levels)
        broadcast = [release, words, reading] if facts.container == "wav" else []
        pictures = [
            picture and hashlib.sha256(picture.embedded).hexdigest()
            for picture in (self.covers.front, self.covers.back)
        ]
        around = {"tags": values, "broadcast header": broadcast, "pictures": pictures}
        self.reuse.file(target, named_key("tagged", around, [key]), tagged)
        if facts.codec:
            self._look_at_length(target, name, index)

    def _look_at_length(self, path: Path, name: Format, index: int) -> None:
        """Compare the length that a coded file declares with that of its sound."""
        length = self.masters[name].tracks[index].length
        declared = declared_delay(path, FACTS[name].container).length_samples
        if declared != length:
            raise AssemblerError(
                f"{name}: {path.name} declares {declared} samples, its sound has {length}: please "
                "report this"
            )

    def _write_pictures(self) -> None:
        pictures = (("cover.jpg", self.covers.front), ("back-cover.jpg", self.covers.back))
        for name, cover in pictures:
            if cover:
                (self.folder / name).write_bytes(cover.full)

    def _write_tables(self) -> None:
        files: dict[str, list[str]] = {
            name: [self.path_of(name, index).name for index in range(len(self.words))]
            for name in self.masters
        }
        manifest = self.source.manifest
        csv, json = (table(manifest, self.words, files) for table in (release_csv, release_json))
        (self.folder / "release.csv").write_bytes(csv.encode())
        (self.folder / "release.json").write_bytes(json.encode())

    def _write_package(self, name: Format) -> None:
        manifest = self.source.manifest
        target = self.folder / package_name(manifest, name)
        cover = self.covers.front.full if self.covers.front else None
        with self.account.step(f"{name}: package"):
            write_package(self.folder / name, target, track_list(manifest, self.words), cover)


def _playing_levels(tracks: Sequence[FinishedTrack], bits: int) -> tuple[PlayingLevels, ...]:
    """Give the levels of each track's words, and of all tracks together."""
    album_lufs = integrated_of(track.gating_blocks[bits] for track in tracks)
    peaks = [_peak(track, bits) for track in tracks]
    return tuple(
        _as_told(PlayingLevels(track.readings[bits].integrated_lufs, peak, album_lufs, max(peaks)))
        for track, peak in zip(tracks, peaks, strict=True)
    )


def _peak(track: FinishedTrack, bits: int) -> float:
    peak_dbtp = track.readings[bits].true_peak_dbtp
    return 0.0 if peak_dbtp is None else amplitude(peak_dbtp)


def _as_told(levels: PlayingLevels) -> PlayingLevels:
    """Round levels as the report tells them, so that tags can be held against it."""
    return PlayingLevels(
        rounded(levels.track_lufs),
        round(levels.track_peak, 6),
        rounded(levels.album_lufs),
        round(levels.album_peak, 6),
    )


def formats_json(made: Mapping[Format, FormatMade]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Give what became of each format as plain data for the report."""
    for name, one in made.items():
        yield name, one.as_json()
