"""Compare the files of a download set that has other tracks than the disc with the image.

Such a set is a master of its own: another match may give other gains, and a track may be limited
together with other neighbours. Samples are the same where a passage has the same tracks and exactly
the same gains on both, at one level and rate, and nothing is limited. All else is compared as sound
of another level (`sound.py`), from the first sample of the source that both have.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from assembler.dsp.blocks import Samples
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease
from assembler.finished.pcm import Stretch, first_sample
from assembler.manifest.editions import called
from assembler.manifest.sets import DISC, set_of
from assembler.text import number_ranges
from assembler.verification.renderings import Rendering
from assembler.verification.sound import Sound

_NOT_ON_DISC = "not on the disc"
_OTHER_CROSSFADE = "on the disc their crossfades differ"


@dataclass(frozen=True)
class OtherEdition:
    """Download sets with the same tracks, which are not those of the disc.

    Attributes
    ----------
    whole
        The release, with a disc.
    own
        The edition.
    """

    whole: FinishedRelease
    own: FinishedRelease

    @cached_property
    def sets(self) -> tuple[str, ...]:
        """The names of the sets."""
        return tuple(dict.fromkeys(map(set_of, self.own.report.formats)))

    def on_image(self, index: int) -> Rendering | str:
        """Return a track on the image, or why it is not compared with it."""
        number = self._of(self.own)[index]
        if number not in self._of(self._disc):
            return _NOT_ON_DISC
        there = self._of(self._disc).index(number)
        if self._crossfades(self.own, index) != self._crossfades(self._disc, there):
            return _OTHER_CROSSFADE
        return Rendering(self._disc, there, None)

    def is_same_rendering(self, one: Rendering, other: Rendering) -> bool:
        """Return whether two renderings of a track have the same samples."""
        passage, (first_s, other_first_s) = self._passage(one), _firsts_s(one, other)
        gains_db = self._gains_db(one, passage)
        return (
            (one.level, one.rate_hz, first_s) == (other.level, other.rate_hz, other_first_s)
            and passage == self._passage(other)
            and bool(gains_db)
            and gains_db == self._gains_db(other, passage)
            and not any(self._is_limited(number, own) for number in passage for own in (one, other))
        )

    def not_compared(self) -> Iterator[Finding]:
        """Note the tracks that are not compared with the image, and why."""
        why: dict[str, list[int]] = {}
        for index, track in enumerate(self.own.tracks):
            reason = self.on_image(index)
            if isinstance(reason, str):
                why.setdefault(reason, []).append(track.number)
        names = " and ".join(map(called, self.sets))
        for reason, numbers in why.items():
            tracks = f"track{'s' * (len(numbers) > 1)} {number_ranges(numbers)}"
            message = f"{names}, {tracks}: not compared with the image: {reason}"
            path = f"download/{self.sets[0]}"
            yield Finding("note", "not-compared", path, path, 0, message)

    @cached_property
    def _disc(self) -> FinishedRelease:
        return self.whole.on(DISC)

    def _of(self, edition: FinishedRelease) -> list[int]:
        """Return the indexes in the manifest of an edition's tracks."""
        return self.whole.report.indices_on(DISC if edition.report.discs else self.sets[0])

    def _crossfades(self, edition: FinishedRelease, index: int) -> tuple[int | None, int | None]:
        """Return the tracks that a track is crossfaded with, by index in the manifest."""
        of, tracks = self._of(edition), edition.manifest.tracks
        before = of[index - 1] if index and tracks[index].overlap else None
        after = of[index + 1] if index + 1 < len(of) and tracks[index + 1].overlap else None
        return before, after

    def _passage(self, one: Rendering) -> tuple[int, ...]:
        """Return the tracks of a track's passage, by index in the manifest."""
        of = self._of(one.release)
        passages = (
            [place.index for place in passage.places]
            for disc in one.release.discs
            for passage in disc.passages
        )
        return next(tuple(of[i] for i in own) for own in passages if one.index in own)

    def _gains_db(self, one: Rendering, passage: tuple[int, ...]) -> list[float | None]:
        """Return the exact gains of tracks; none where the report does not have them."""
        sound = self.whole.report.sound
        master = [m for m in sound.masters if m.name == (one.name or DISC)] if sound else []
        places = {number: place for place, number in enumerate(self.whole.shown)}
        return [master[0].gains_db[places[number]] for number in passage] if master else []

    def _is_limited(self, number: int, where: Rendering) -> bool:
        made = self.whole.report.tracks[number].delivered.get(where.deliverable)
        return made is None or made.reduction_db > 0


def other_editions(release: FinishedRelease) -> tuple[OtherEdition, ...]:
    """Return the download sets whose tracks are not the disc's; none where either is not made."""
    if not (release.has("disc") and release.has("download")):
        return ()
    found = (OtherEdition(release, own) for own in release.of_sets if not own.report.discs)
    return tuple(found)


def aligned(one: Rendering, other: Rendering) -> tuple[Sound, Sound]:
    """Return two renderings of a track from the later one of their starts in the source."""
    firsts_s = _firsts_s(one, other)
    first, second = (
        _from(own.sound(), round((max(firsts_s) - first_s) * own.rate_hz))
        for own, first_s in zip((one, other), firsts_s, strict=True)
    )
    return first, second


def common_part(one: Stretch, other: Stretch) -> tuple[Stretch, Stretch]:
    """Return two stretches, both as long as the shorter: editions have other gaps after a track."""
    length = min(one.length, other.length)
    return replace(one, end=one.start + length), replace(other, end=other.start + length)


def _firsts_s(one: Rendering, other: Rendering) -> tuple[Fraction, Fraction]:
    """Return where in their source two renderings begin."""
    first, second = (
        Fraction(first_sample(own.track, own.rate_hz), own.rate_hz) for own in (one, other)
    )
    return first, second


def _from(sound: Sound, first: int) -> Sound:
    """Return a sound from a sample on."""

    def blocks() -> Iterator[Samples]:
        left = first
        for block in sound.blocks():
            yield block[left:]
            left = max(0, left - len(block))

    return replace(sound, blocks=blocks) if first else sound
