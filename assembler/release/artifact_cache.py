"""The cache as one build sees it: gains, finished tracks and files, taken from it or made.

Each key is made of what its content depends on and nothing else: the contents of the sources, the
parameters used, the version of the method. So a new title encodes nothing, a new gap masters only
the passage before it, and a new trim under `match: track` only its own passage.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from assembler.cache.copies import copy_file
from assembler.cache.folder import CacheFolder, cache_key
from assembler.cache.keys import Ingredients, Key, named_key
from assembler.digest import file_digest
from assembler.disc.md5 import file_md5
from assembler.errors import AssemblerError
from assembler.manifest import Level
from assembler.mastering.gain_plan import GainPlan, TrackGain, trims_of
from assembler.mastering.held_gains import HeldMaster, hold_gains
from assembler.mastering.loudness_match import Run, match_gains
from assembler.mastering.passage import RenderedPassage, trimmed_for_meter
from assembler.preflight.track_section import HIDDEN, TrackSection
from assembler.release.last_release import LastRelease

Make = Callable[[Path], None]
"""Writes a file to a path."""


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
        self._linked: dict[str, tuple[Path, Make | None]] = {}
        self.reused: set[Path] = set()
        self.ingredients: dict[Path, Ingredients] = {}
        self._digests: dict[Path, str] = {}
        self._new: set[str] = set()

    def passage_key(self, rendered: RenderedPassage) -> Key:
        """Return the key of a passage's sound before gain."""
        parts: dict[str, object] = {}
        for section in rendered.sections:
            track, of = section.track, f" of {track_name(section)}"
            parts["source" + of] = source_digest(section)
            parts["section" + of] = [section.start, section.end, section.recording.rate_hz]
            parts["EQ" + of] = section.bands
            if section.compressor:
                parts["compressor" + of] = section.compressor
            if track.clip:
                parts["clip" + of] = track.clip
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
        run: Run,
        guesses: Sequence[GainPlan] = (),
    ) -> list[GainPlan]:
        """Return the gains of passages that are matched together: cached, or found now.

        Parameters
        ----------
        passages
            All of the release, or one where each track is matched by itself.
        level
            Match, target and ceiling.
        run
            Like `map`; passages are measured in parallel.
        guesses
            Gains at other rates, one per passage: where the search begins.
        """
        trimmed = [trimmed_for_meter(rendered) for rendered in passages]
        trims = [section.track.trim for rendered in trimmed for section in rendered.sections]
        guessed: list[object] = [guess.tracks for guess in guesses] or [None] * len(trimmed)
        keys = [self.passage_key(rendered) for rendered in trimmed]
        key = cache_key("match", keys, level, trims, guessed)

        def match() -> list[Any]:
            found = match_gains(trimmed, level, run, list(guesses) or None)
            return [[asdict(track) for track in one.tracks] for one in found]

        return _plans(passages, self.folder.json(key, match))

    def held_plans(
        self, unheld: Sequence[GainPlan], level: Level, held: HeldMaster, run: Run
    ) -> list[GainPlan]:
        """Return gains under a hold: cached, or found now; see `hold_gains`."""
        trimmed = [replace(one, rendered=trimmed_for_meter(one.rendered)) for one in unheld]
        keys = [self.passage_key(one.rendered) for one in trimmed]
        trims = [trim for one in trimmed for trim in trims_of(one.rendered)]
        key = cache_key(
            "held", keys, level.ceiling, level.link, trims, held, [one.tracks for one in unheld]
        )

        def hold() -> list[Any]:
            found = hold_gains(trimmed, level, held, run)
            return [[asdict(track) for track in one.tracks] for one in found]

        return _plans([one.rendered for one in unheld], self.folder.json(key, hold))

    def release_file(self, target: Path, key: Key, make: Make, *, encoded: str = "") -> Path:
        """Write a file of the release: linked from the last release, or made.

        Parameters
        ----------
        target
            Its path in the release.
        key
            Of its content.
        make
            Writes it to a path.
        encoded
            Key of the cached file that it is a copy of, with tags.

        Returns
        -------
        Path
            The target.
        """
        known = encoded not in self._new and self.folder.has(encoded) if encoded else False
        if not self.link(target, key, make):
            if known and self.folder.known(_content_key(key)):
                self.reused.add(target)
            make(target)
            known_digest = self.folder.sha256(self.folder.entry(key)) if encoded == key else None
            self.made(target, key, known_digest)
        return target

    def cached_release_file(self, target: Path, key: Key, make: Make) -> Path:
        """Write a file of the release that the cache keeps as it is; see `release_file`."""

        def copy(path: Path) -> None:
            copy_file(self.cached_file(key, target.suffix, make), path)

        return self.release_file(target, key, copy, encoded=key)

    def link(self, target: Path, key: Key, make: Make | None = None) -> bool:
        """Link a file from the last release, if that has it.

        `make` is for the case of an edit; without it other files are made from this one.
        """
        self.ingredients[target] = key.ingredients
        digest = self.folder.known(_content_key(key))
        name = digest and self.last.link(digest, target, self.rooms)
        if not name:
            return False
        self._digests[target] = digest
        self._linked[name] = target, make
        self.reused.add(target)
        return True

    def made(self, target: Path, key: Key, known_digest: str | None = None) -> str:
        """Record the content of a file that was made, and return its SHA-256."""
        digest = self._digests[target] = known_digest or file_digest(target)
        self.folder.put_json(_content_key(key), digest)
        return digest

    def remake_linked(self, names: Iterable[str]) -> None:
        """Make files again that were linked from the last release and edited there meanwhile.

        Raises
        ------
        AssemblerError
            An image was edited while other files were made from it: nothing of them is kept.
        """
        for name in names:
            if name not in self._linked:
                continue
            target, make = self._linked[name]
            if make is None:
                for key in self._new:
                    self.folder.forget(key)
                raise AssemblerError(f"{name}: was changed while the build read it: build again")
            target.unlink()
            make(target)

    def cached_file(self, key: str, suffix: str, make: Make) -> Path:
        """Return the cached file of a key; `make` writes it to a path with this suffix."""

        def make_with_suffix(path: Path) -> None:
            self._new.add(key)
            part = path.with_name(f"part{suffix or '.raw'}")
            make(part)
            part.replace(path)

        return self.folder.file(key, make_with_suffix)

    def put_file(self, key: str, file: Path) -> None:
        """Move a finished file of `folder_for_work` into the cache."""
        self._new.add(key)
        self.folder.put_file(key, file)

    def sha256(self, path: Path) -> str:
        """Return the SHA-256 of a file of the release; for cached files it is known."""
        return self._digests.get(path) or file_digest(path)

    def md5(self, path: Path) -> str:
        """Return the MD5 of a file of the release; it is read once for each content."""
        md5: str = self.folder.json(cache_key("MD5", self.sha256(path)), lambda: file_md5(path))
        return md5


def _plans(passages: Sequence[RenderedPassage], found: Sequence[Any]) -> list[GainPlan]:
    return [
        GainPlan(rendered, tuple(TrackGain(**track) for track in tracks))
        for rendered, tracks in zip(passages, found, strict=True)
    ]


def _content_key(key: Key) -> str:
    return cache_key("content", str(key))


def track_name(section: TrackSection) -> str:
    """Return how an ingredient names a track."""
    return "the hidden sound" if section.index == HIDDEN else f"track {section.index + 1}"


def source_digest(section: TrackSection) -> str:
    """Return the SHA-256 of a section's source files, and its restoration's key."""
    recording = section.recording
    return "+".join([*([recording.key] if recording.key else []), *recording.sha256s])


def missing(*_: Path) -> Any:
    """Raise the error for an entry that was removed from the cache during the build."""
    raise AssemblerError("a file was removed from the cache during the build: build again")
