"""The cache as one build sees it: gains, finished tracks and files, taken from it or made.

Each key is made of what its content depends on and nothing else: the contents of the sources, the
parameters used, the version of the method. So a new title encodes nothing, a new gap masters only
the passage before it, and a new trim under `match: track` only its own passage.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from assembler.audio.digest import file_digest
from assembler.cache.copies import copy_file
from assembler.cache.folder import CacheFolder, cache_key
from assembler.cache.keys import Ingredients, Key, named_key
from assembler.dsp.dither import Dither
from assembler.dsp.meter import Reading
from assembler.errors import AssemblerError
from assembler.manifest import Level
from assembler.mastering.gain_plan import GainPlan, TrackGain, with_neighbours
from assembler.mastering.gain_reduction import TrackGainReduction
from assembler.mastering.loudness_match import Run, match_gains
from assembler.mastering.passage import RenderedPassage, trimmed_for_meter
from assembler.mastering.render import FinishedTrack, master
from assembler.preflight.track_section import HIDDEN, TrackSection
from assembler.release.last_release import LastRelease


class ArtifactCache:
    """The cache as one build sees it.

    Parameters
    ----------
    folder
        Files by key.
    last
        The release that is replaced.
    rooms
        Kinds of deliverable that are made.

    Attributes
    ----------
    reused
        Files of the release that the cache had.
    ingredients
        What each file depends on.
    """

    def __init__(self, folder: CacheFolder, last: LastRelease, rooms: Collection[str]) -> None:
        self.folder = folder
        self.last = last
        self.rooms = rooms
        self._linked: dict[str, tuple[Path, Path]] = {}
        self.reused: set[Path] = set()
        self.ingredients: dict[Path, Ingredients] = {}
        self._digests: dict[Path, str] = {}

    def passage_key(self, rendered: RenderedPassage) -> Key:
        """Return the key of a passage's sound before gain."""
        parts: dict[str, object] = {}
        for section in rendered.sections:
            track, of = section.track, f" of {_track_name(section)}"
            parts["source" + of] = source_digest(section)
            parts["section" + of] = [section.start, section.end, section.recording.rate_hz]
            parts["EQ" + of] = [list(band) for band in section.bands]
            parts["fades" + of] = [
                str(section.fade_in_s),
                str(section.fade_out_s),
                track.fade_shape,
            ]
        parts["sample rate"] = rendered.rate_hz
        parts["length with the gap after it"] = rendered.length
        parts["segues inside it"] = [rendered.overlaps, rendered.cuts]
        return named_key("passage", parts)

    def gain_plans(
        self,
        passages: Sequence[RenderedPassage],
        level: Level,
        guess: Sequence[GainPlan] | None,
        run: Run,
    ) -> list[GainPlan]:
        """Return a master's gains: cached for the same sound, level and guess, or found now."""
        trimmed = [trimmed_for_meter(rendered) for rendered in passages]
        guesses: Sequence[GainPlan | None] = guess or [None] * len(passages)
        if level.match == "album":
            gains = self._track_gains(trimmed, level, guesses, run)
        else:
            each = run(lambda p, g: self._track_gains([p], level, [g], map), trimmed, guesses)
            gains = [tracks for found in each for tracks in found]
        return with_neighbours(
            [
                GainPlan(rendered, tuple(TrackGain(**track) for track in tracks))
                for rendered, tracks in zip(passages, gains, strict=True)
            ]
        )

    def _track_gains(
        self,
        passages: Sequence[RenderedPassage],
        level: Level,
        guesses: Sequence[GainPlan | None],
        run: Run,
    ) -> list[Any]:
        """Return the gains of each passage's tracks as plain data."""
        trims = [section.track.trim for rendered in passages for section in rendered.sections]
        guessed = [guess and guess.tracks for guess in guesses]
        keys = [self.passage_key(rendered) for rendered in passages]
        key = cache_key("match", keys, level, trims, guessed)
        guess = [one for one in guesses if one is not None]

        def match() -> list[Any]:
            found = match_gains(passages, level, run, guess or None)
            return [[asdict(track) for track in one.tracks] for one in found]

        return list(self.folder.json(key, match))

    def finished_tracks(
        self,
        plan: GainPlan,
        key: Key,
        ceiling_dbtp: float,
        bit_depths: Sequence[int],
        dither: Dither,
    ) -> list[FinishedTrack]:
        """Return the finished tracks of a passage: from the cache, or mastered now."""
        rendered = plan.rendered
        gains: dict[str, object] = {
            f"gain of {_track_name(section)}": gain_db
            for section, gain_db in zip(rendered.sections, plan.gains_db, strict=True)
        }
        format_ = {"ceiling": ceiling_dbtp, "bit depth": list(bit_depths), "dither": dither}
        own = named_key("master", gains | format_, [key])
        files = {bits: cache_key("PCM", own, bits) for bits in bit_depths}
        if not all(self.folder.has(k) for k in (own, *files.values())):
            with self.folder.folder_for_work() as folder:  # its files can be renamed into place
                made = master(
                    rendered,
                    plan.gains_db,
                    ceiling_dbtp,
                    bit_depths,
                    lambda bits: folder / f"pcm.{bits}",
                    dither,
                )
                for bits, file_key in files.items():
                    self.folder.file(file_key, partial(_move, made[0].files[bits]))
            self.folder.json(own, lambda: [_track_json(track) for track in made])
            rendered.file.unlink(missing_ok=True)
        tracks = self.folder.json(own, missing)
        paths = {bits: self.folder.file(file_key, missing) for bits, file_key in files.items()}
        return [
            _finished_track(rendered, i, paths, plan.gains_db[i], track, own)
            for i, track in enumerate(tracks)
        ]

    def release_file(self, target: Path, key: Key, make: Callable[[Path], None]) -> Path:
        """Write a file of the release from the cache; make it there first if it is missing.

        Parameters
        ----------
        target
            Its path in the release.
        key
            Of its content.
        make
            Writes it to a path with the target's suffix.

        Returns
        -------
        Path
            The target.
        """
        self.ingredients[target] = key.ingredients
        if self.folder.has(key):
            self.reused.add(target)
        path = self.cached_file(key, target.suffix, make)
        digest = self._digests[target] = self.folder.sha256(path)
        if name := self.last.link(digest, target, self.rooms):
            self._linked[name] = path, target
        else:
            copy_file(path, target)
        return target

    def unlink_last(self, names: Iterable[str]) -> None:
        """Replace files that were linked from the last release by copies from the cache."""
        for name in names:
            if name in self._linked:
                entry, target = self._linked[name]
                target.unlink()
                copy_file(entry, target)

    def cached_file(self, key: str, suffix: str, make: Callable[[Path], None]) -> Path:
        """Return the cached file of a key; `make` writes it to a path with this suffix."""

        def make_with_suffix(path: Path) -> None:
            part = path.with_name(f"part{suffix or '.raw'}")
            make(part)
            part.replace(path)

        return self.folder.file(key, make_with_suffix)

    def sha256(self, path: Path) -> str:
        """Return the SHA-256 of a file of the release; for cached files it is known."""
        return self._digests.get(path) or file_digest(path)


def _track_name(section: TrackSection) -> str:
    return "the hidden sound" if section.index == HIDDEN else f"track {section.index + 1}"


def _move(file: Path, path: Path) -> None:
    file.replace(path)


def source_digest(section: TrackSection) -> str:
    """Return the SHA-256 of a section's source files, and its restoration's key."""
    recording = section.recording
    return "+".join([*([recording.key] if recording.key else []), *recording.sha256s])


def missing(*_: Path) -> Any:
    """Raise the error for an entry that was removed from the cache during the build."""
    raise AssemblerError("a file was removed from the cache during the build: build again")


def _track_json(track: FinishedTrack) -> dict[str, Any]:
    return {
        "start": track.start,
        "length": track.length,
        "readings": {str(bits): asdict(reading) for bits, reading in track.readings.items()},
        "gating_blocks": {str(b): blocks.tolist() for b, blocks in track.gating_blocks.items()},
        "gain_reduction": asdict(track.gain_reduction),
    }


def _finished_track(
    rendered: RenderedPassage,
    i: int,
    files: dict[int, Path],
    gain_db: float,
    track: dict[str, Any],
    key: Key,
) -> FinishedTrack:
    reduction = track["gain_reduction"]
    return FinishedTrack(
        section=rendered.sections[i],
        rate_hz=rendered.rate_hz,
        files=files,
        start=track["start"],
        length=track["length"],
        readings={int(bits): Reading(**one) for bits, one in track["readings"].items()},
        gating_blocks={int(b): np.array(blocks) for b, blocks in track["gating_blocks"].items()},
        gain_db=gain_db,
        gain_reduction=TrackGainReduction(
            **{**reduction, "course_db": tuple(reduction["course_db"])}
        ),
        key=named_key("track", {"position in its passage": i}, [key]),
    )
