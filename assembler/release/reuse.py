"""Finished work that a build takes from the store, or makes and puts there.

Each piece has a key from what it depends on and nothing else: the contents of its sources, the
parameters that matter, the version of the method. So a new title encodes nothing, a new gap masters
only the passage before it, and a new trim under `match: track` only its own passage.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from assembler.audio.digest import file_digest
from assembler.cache.copies import copy_file
from assembler.cache.keys import Ingredients, Key, named_key
from assembler.cache.store import CacheFolder, cache_key
from assembler.dsp.dither import Dither
from assembler.dsp.meter import Reading
from assembler.errors import AssemblerError
from assembler.manifest import Level
from assembler.mastering.gain_reduction import TrackGainReduction
from assembler.mastering.loudness_match import (
    GainPlan,
    Run,
    TrackGain,
    match_gains,
    with_neighbours,
)
from assembler.mastering.passage import RenderedPassage, as_heard
from assembler.mastering.render import FinishedTrack, master
from assembler.preflight.sections import HIDDEN, TrackSection
from assembler.release.last_release import LastRelease


class ArtifactCache:
    """The store as a build sees it.

    Parameters
    ----------
    store
        Finished work by key.
    last
        The release that is replaced.
    rooms
        Kinds of deliverable that are made.
    """

    def __init__(self, store: CacheFolder, last: LastRelease, rooms: Collection[str]) -> None:
        self.store = store
        self.last = last
        self.rooms = rooms
        self._taken_over: dict[str, tuple[Path, Path]] = {}
        self.taken: set[Path] = set()
        self.made_of: dict[Path, Ingredients] = {}
        self._digests: dict[Path, str] = {}

    def source_digest(self, section: TrackSection) -> str:
        """Give what tells a section's source from any other: the SHA-256 of its files."""
        recording = section.recording
        return "+".join([*([recording.key] if recording.key else []), *recording.sha256s])

    def prepared_key(self, prepared: RenderedPassage) -> Key:
        """Give the key of a passage's sound before gain."""
        parts: dict[str, object] = {}
        for section in prepared.sections:
            track, of = section.track, f" of {_track_name(section)}"
            parts["source" + of] = self.source_digest(section)
            parts["section" + of] = [section.start, section.end, section.recording.rate_hz]
            parts["tone" + of] = [list(band) for band in section.bands]
            parts["fades" + of] = [
                str(section.fade_in_s),
                str(section.fade_out_s),
                track.fade_shape,
            ]
        parts["rate"] = prepared.rate_hz
        parts["silence after it"] = prepared.length
        parts["joins inside it"] = [prepared.overlaps, prepared.cuts]
        return named_key("prepared", parts)

    def matched(
        self,
        passages: Sequence[RenderedPassage],
        level: Level,
        guess: Sequence[GainPlan] | None,
        run: Run,
    ) -> list[GainPlan]:
        """Find the gains, or take those that were found for the same sound, level and guess."""
        heard = [as_heard(prepared) for prepared in passages]
        guesses: Sequence[GainPlan | None] = guess or [None] * len(passages)
        if level.match == "album":
            told = self._matched(heard, level, guesses, run)
        else:
            told = [
                one
                for found in run(lambda p, g: self._matched([p], level, [g], map), heard, guesses)
                for one in found
            ]
        return with_neighbours(
            [
                GainPlan(prepared, tuple(TrackGain(**track) for track in tracks))
                for prepared, tracks in zip(passages, told, strict=True)
            ]
        )

    def _matched(
        self,
        passages: Sequence[RenderedPassage],
        level: Level,
        guesses: Sequence[GainPlan | None],
        run: Run,
    ) -> list[Any]:
        trims = [section.track.trim for prepared in passages for section in prepared.sections]
        begun = [guess and guess.tracks for guess in guesses]
        keys = [self.prepared_key(prepared) for prepared in passages]
        key = cache_key("match", keys, level, trims, begun)
        guess = [one for one in guesses if one is not None]

        def match() -> list[Any]:
            found = match_gains(passages, level, run, guess or None)
            return [[asdict(track) for track in one.tracks] for one in found]

        return list(self.store.json(key, match))

    def mastered(
        self,
        matched: GainPlan,
        key: Key,
        ceiling_dbtp: float,
        widths: Sequence[int],
        dither: Dither,
    ) -> list[FinishedTrack]:
        """Master a passage, or take its finished words."""
        prepared = matched.prepared
        gains: dict[str, object] = {
            f"gain of {_track_name(section)}": gain_db
            for section, gain_db in zip(prepared.sections, matched.gains_db, strict=True)
        }
        limits = {"ceiling": ceiling_dbtp, "word length": list(widths), "dither": dither}
        own = named_key("mastered", gains | limits, [key])
        files = {bits: cache_key("words", own, bits) for bits in widths}
        if not all(self.store.has(k) for k in (own, *files.values())):
            with self.store.folder_for_work() as folder:  # from here they can be renamed into place
                made = master(
                    prepared,
                    matched.gains_db,
                    ceiling_dbtp,
                    widths,
                    lambda bits: folder / f"words.{bits}",
                    dither,
                )
                for bits, file_key in files.items():
                    self.store.file(file_key, _moved(made[0].files[bits]))
            self.store.json(own, lambda: [_told(track) for track in made])
            prepared.file.unlink(missing_ok=True)
        told = self.store.json(own, lost)
        paths = {bits: self.store.file(file_key, lost) for bits, file_key in files.items()}
        return [
            _mastered(prepared, i, paths, matched.gains_db[i], one, own)
            for i, one in enumerate(told)
        ]

    def file(self, target: Path, key: Key, make: Callable[[Path], None]) -> None:
        """Put a file in place from the store, made there first if need be.

        Parameters
        ----------
        target
            Its place in the release.
        key
            Of what it holds.
        make
            Writes it to a path with the target's ending.
        """
        self.made_of[target] = key.made_of
        if self.store.has(key):
            self.taken.add(target)
        path = self.entry(key, target.suffix, make)
        digest = self._digests[target] = self.store.digest(path)
        if name := self.last.take_over(digest, target, self.rooms):
            self._taken_over[name] = path, target
        else:
            copy_file(path, target)

    def take_back(self, names: Iterable[str]) -> None:
        """Make files of the store's, which had been taken over from the last release."""
        for name in names:
            if name in self._taken_over:
                entry, target = self._taken_over[name]
                target.unlink()
                copy_file(entry, target)

    def entry(self, key: str, suffix: str, make: Callable[[Path], None]) -> Path:
        """Give an entry of the store; `make` writes it to a path with this ending."""

        def make_aside(path: Path) -> None:
            part = path.with_name(f"part{suffix or '.raw'}")
            make(part)
            part.replace(path)

        return self.store.file(key, make_aside)

    def digest(self, path: Path) -> str:
        """Give the SHA-256 of a file of the release; what came from the store is known."""
        return self._digests.get(path) or file_digest(path)


def _track_name(section: TrackSection) -> str:
    return "the hidden sound" if section.index == HIDDEN else f"track {section.index + 1}"


def _moved(file: Path) -> Callable[[Path], None]:
    def move(path: Path) -> None:
        file.replace(path)

    return move


def lost(*_: Path) -> Any:
    """Stop: an entry that a build has put into the store is not there any more."""
    raise AssemblerError("the store lost an entry while a build used it: build again")


def _told(track: FinishedTrack) -> dict[str, Any]:
    return {
        "start": track.start,
        "length": track.length,
        "readings": {str(bits): asdict(reading) for bits, reading in track.readings.items()},
        "gating_blocks": {str(b): blocks.tolist() for b, blocks in track.gating_blocks.items()},
        "limiting": asdict(track.limiting),
    }


def _mastered(
    prepared: RenderedPassage,
    i: int,
    files: dict[int, Path],
    gain_db: float,
    told: dict[str, Any],
    key: Key,
) -> FinishedTrack:
    limiting = {**told["limiting"], "course_db": tuple(told["limiting"]["course_db"])}
    return FinishedTrack(
        section=prepared.sections[i],
        rate_hz=prepared.rate_hz,
        files=files,
        start=told["start"],
        length=told["length"],
        readings={int(bits): Reading(**one) for bits, one in told["readings"].items()},
        gating_blocks={int(b): np.array(blocks) for b, blocks in told["gating_blocks"].items()},
        gain_db=gain_db,
        limiting=TrackGainReduction(**limiting),
        key=named_key("track", {"place in its passage": i}, [key]),
    )
