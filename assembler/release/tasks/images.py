"""The images of the discs: linked or pieced together from the last release, or rendered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from assembler.cache.folder import cache_key
from assembler.cache.keys import Key, named_key
from assembler.disc.cue import disc_stem
from assembler.disc.image import copy_passage, create_image
from assembler.mastering.plan import Plan
from assembler.mastering.render import StoredPcm
from assembler.release.artifact_cache import ArtifactCache
from assembler.sequence import DiscOrder, Passage
from assembler.sequence.frames import SAMPLES_PER_FRAME


@dataclass(frozen=True)
class Image:
    """The image of one disc as this build makes it.

    Attributes
    ----------
    disc
        The disc.
    path
        Its WAV file: in the release, or in the working folder where only the proof needs it.
    in_release
        It is delivered.
    cache
        Finished work.
    """

    disc: DiscOrder
    path: Path
    in_release: bool
    cache: ArtifactCache

    @property
    def passages(self) -> tuple[Passage, ...]:
        """All sound of the image: the hidden sound, if there is any, and the tracks."""
        return ((self.disc.hidden,) if self.disc.hidden else ()) + self.disc.passages

    def key(self, sound: Sequence[str]) -> Key:
        """Return the key of its content from those of its passages."""
        length = {
            "length of the disc": self.disc.frames,
            "silence in front": self.disc.pause_in_image_frames,
        }
        return named_key("image", length, sound)

    def prepare(self, sound: Sequence[Key]) -> list[Passage]:
        """Link the image, or create it with what the last one has; return what is missing.

        Parameters
        ----------
        sound
            Keys of its passages.
        """
        if self.in_release and self.cache.link(self.path, self.key(sound)):
            return []
        create_image(self.path, self.disc.frames)
        places = self._places_in_last_images()
        return [
            passage
            for passage, key in zip(self.passages, sound, strict=True)
            if key not in places or not self._copied(passage, *places[key])
        ]

    def _places_in_last_images(self) -> dict[str, tuple[Path, int]]:
        """Return where the passages of the last release's images are: file and first frame."""
        return {
            key: (path, start_frame)
            for path, digest in self.cache.last.files(".wav")
            for key, start_frame in (self.cache.folder.known(_places_key(digest)) or {}).items()
        }

    def _copied(self, passage: Passage, last: Path, from_frame: int) -> bool:
        """Copy a passage from an image of the last release; return whether that could be read."""
        try:
            copy_passage(last, from_frame, self.path, passage.start_frame, passage.room_frames)
        except OSError:
            return False
        return True

    def finish(self, sound: Sequence[Key]) -> None:
        """Record the finished image: its digest, and where each passage is."""
        if self.in_release and self.path not in self.cache.reused:
            digest = self.cache.made(self.path, self.key(sound))
            places = {str(key): p.start_frame for p, key in zip(self.passages, sound, strict=True)}
            self.cache.folder.put_json(_places_key(digest), places)

    def stored(self, passage: Passage) -> StoredPcm:
        """Return where a passage is in the image."""
        return StoredPcm(self.path, passage.start_frame * SAMPLES_PER_FRAME)


def images_of(plan: Plan, release: Path, scratch: Path, cache: ArtifactCache) -> tuple[Image, ...]:
    """Return the discs' images; where only the proof needs one, it is not in the release.

    Parameters
    ----------
    plan
        What to make.
    release, scratch
        The release while it is made, and the working folder.
    cache
        Finished work.
    """
    if not (plan.disc or plan.joins):
        return ()
    folder = release / "disc" if plan.disc else scratch / "images"
    folder.mkdir()
    discs = plan.report.primary.discs
    return tuple(
        Image(
            disc,
            folder / f"{disc_stem(plan.name, disc.number, len(discs))}.wav",
            plan.disc is not None,
            cache,
        )
        for disc in discs
    )


def _places_key(digest: str) -> str:
    return cache_key("places in an image", digest)
