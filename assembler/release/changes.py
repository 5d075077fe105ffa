"""What changed since the proof that the artist answered: a null test of every track.

The approval file beside the manifest names that proof, and the PCM of each of its tracks. The null
test of a track whose PCM differs needs the sound itself: that of the last release in the folder, if
it is the one that was answered. Its result is cached, since the next build replaces that release.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from assembler.cache.folder import cache_key
from assembler.download.formats import facts_of
from assembler.errors import AssemblerError
from assembler.finished.finished import FinishedRelease, open_finished
from assembler.finished.null_test import sound_difference, sound_text
from assembler.finished.pcm import Stretch, first_sample, in_format, on_image
from assembler.manifest.model import Dither
from assembler.mastering.render import FinishedTrack
from assembler.preflight.hold import HeldTrack, paired, tracks_text
from assembler.proof.approval import Approval, ApprovedSound, approved, signed
from assembler.release.artifact_cache import ArtifactCache
from assembler.text import shorten

_SAME = "the audio nulls: no sample has changed"
_CHANGED = "its audio or the gap after it has changed"
_GONE = (
    f"{_CHANGED}; how is not determined, since the release that you heard is no longer in its "
    "folder"
)


@dataclass(frozen=True)
class NowHeard:
    """The tracks of a new proof.

    Attributes
    ----------
    sound
        Their sounds; those that the proof's master lacks are last.
    tracks, bits
        The finished PCM of the others, and its bit depth.
    dither
        It was made with.
    first_samples
        With which sample of its source each begins, by rate.
    proof_of
        Digest of the new proof's content.
    """

    sound: ApprovedSound
    tracks: tuple[FinishedTrack, ...]
    bits: int
    dither: Dither
    first_samples: tuple[Mapping[str, int], ...]
    proof_of: str


def pcm_digest(track: FinishedTrack) -> str:
    """Return the digest of a finished track's PCM."""
    return hashlib.sha256(repr((track.digest, track.start, track.length)).encode()).hexdigest()


def changes_since(manifest_path: Path, now: NowHeard, cache: ArtifactCache) -> Iterator[str]:
    """List what changed since the proof that was answered last, one sentence each.

    Parameters
    ----------
    manifest_path
        The manifest, with the approval beside it.
    now
        The new proof.
    cache
        Results of earlier null tests, and the release that is replaced.
    """
    try:
        answer = approved(manifest_path)
    except AssemblerError:
        yield "Not determined: the answer to an earlier proof can’t be read"
        return
    if answer is None:
        yield "Not determined: no answer to an earlier proof is kept here"
    elif answer.proof_of == now.proof_of:
        yield f"Nothing: this is the proof that was answered{signed(answer)}"
    elif answer.sound is None:
        yield (
            "Not determined: the last answer came from an older proof page, which did not record "
            "what was heard"
        )
    else:
        yield from _Changes(answer, answer.sound, now, cache).lines()


@dataclass(frozen=True)
class _Changes:
    answer: Approval
    old: ApprovedSound
    now: NowHeard
    cache: ArtifactCache

    def lines(self) -> Iterator[str]:
        heard = self._heard_release()
        pairs = list(paired(self.old.tracks, self.now.sound.tracks))
        same: list[int] = []
        for index, (held, track) in enumerate(zip(pairs, self.now.sound.tracks, strict=True)):
            texts = ["new"]
            if held:
                audio = self._audio(index, held, heard)
                if audio == _SAME:
                    same.append(index)
                texts = [*([audio] if audio != _SAME else []), *self._text(index, held)]
            if texts:
                yield f"Track {index + 1}, {shorten(track.title)}: {'; '.join(texts)}"
        if same:
            yield f"{tracks_text(same).capitalize()}: {_SAME}"
        kept = {held.approved for held in pairs if held}
        gone = [one.title for i, one in enumerate(self.old.tracks) if i not in kept]
        yield from (f"No longer on the release: {shorten(title)}" for title in gone)
        if len(same) == len(pairs) and not gone:
            yield "Titles, order, gaps, credits or sleeve text have changed: read them again"
        else:
            yield "Not determined whether credits or sleeve text have changed: read them again"

    def _text(self, index: int, held: HeldTrack) -> Iterator[str]:
        old, track = self.old.tracks[held.approved], self.now.sound.tracks[index]
        if old.title != track.title:
            yield f"its title was {shorten(old.title)}"
        if held.approved != index:
            yield f"it was track {held.approved + 1}"

    def _audio(self, index: int, held: HeldTrack, heard: FinishedRelease | None) -> str:
        """Return the result of a track's null test."""
        old, new = self.old.tracks[held.approved].pcm, self.now.sound.tracks[index].pcm
        if old is None or old == new:
            return _SAME if old else _GONE
        key = cache_key("null test with what was heard", old, new)
        known = self.cache.folder.known(key)
        if known is not None:
            return str(known)
        if index >= len(self.now.tracks):
            return _CHANGED
        if heard is None or held.approved >= len(heard.tracks):
            return _GONE
        try:
            text = self._null_test(index, held.approved, heard)
        except AssemblerError:
            return _GONE
        return str(self.cache.folder.json(key, lambda: text))

    def _null_test(self, index: int, approved_index: int, heard: FinishedRelease) -> str:
        before, track = _played(heard, approved_index), self.now.tracks[index]
        stored = track.stored(self.now.bits)
        end = stored.start + track.length
        after = Stretch(
            stored.path,
            stored.path.name,
            self.now.bits,
            track.rate_hz,
            stored.start,
            end,
            self.now.dither,
        )
        if (before.rate_hz, before.bits) != (after.rate_hz, after.bits):
            return (
                f"{before.rate_hz} Hz, {before.bits} bit → {after.rate_hz} Hz, {after.bits} bit, "
                "no null test"
            )
        shift, old = 0, heard.tracks[approved_index]
        sources = tuple(old.source.sha256.split("+"))
        first = self.now.first_samples[index].get(str(after.rate_hz))
        if sources == self.now.sound.tracks[index].sources and first is not None:
            shift = first - first_sample(old, after.rate_hz)
        found = sound_difference(before, after, shift)
        return _SAME if found.identical else sound_text(found, ("what you heard", "this proof"))

    def _heard_release(self) -> FinishedRelease | None:
        """Return the last release in the folder, if it is the one that was answered."""
        try:
            release = open_finished(self.cache.last.folder).primary
        except AssemblerError:
            return None
        return release if release.report.proof_of == self.answer.proof_of else None


def _played(release: FinishedRelease, index: int) -> Stretch:
    """Return a track's PCM in the master that a release's proof shows."""
    if release.manifest.disc.make:
        return on_image(release, index)
    name = next((name for name in release.report.formats if not facts_of(name).lossy), None)
    if name is None:
        raise AssemblerError("it has no lossless files")
    return in_format(release, name, index)
