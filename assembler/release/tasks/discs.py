"""Write the files that the plant gets beside the image: cue sheet, CD-Text, archive, PQ sheet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from assembler.cache.copies import copy_file
from assembler.cache.keys import named_key
from assembler.disc.archive import archive_comments, encode_archive, tag_archive
from assembler.disc.bin import FOLDER, KIND, write_bin
from assembler.disc.cd_text import cd_text
from assembler.disc.cue import cue_bytes, cue_sheet, disc_stem
from assembler.disc.texts import TrackTexts, release_texts, track_texts
from assembler.dsp.blocks import Pcm
from assembler.errors import AssemblerError
from assembler.manifest import Manifest
from assembler.mastering.plan import DISC_BITS, MasterSpec, Plan
from assembler.mastering.render import FinishedTrack
from assembler.preflight.editions import Edition
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.plant import write_plant_files
from assembler.release.progress import ARCHIVE
from assembler.release.tasks.graph import Task
from assembler.release.tasks.images import Image
from assembler.release.tasks.masters import ImageTasks, MasterTasks
from assembler.sequence import DiscOrder
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.sheets.pq_pdf import write_pq_pdf
from assembler.sheets.pq_sheet import PqSheet, PqTrack, pq_text
from assembler.text import FRAMES_PER_SECOND


@dataclass(frozen=True)
class DiscFiles:
    """The files of one disc beside its image.

    Attributes
    ----------
    image
        The image.
    name
        Of the release's files.
    manifest, of_discs
        The manifest, and the number of discs.
    cache
        Finished work.
    """

    image: Image
    name: str
    manifest: Manifest
    of_discs: int
    cache: ArtifactCache

    @property
    def disc(self) -> DiscOrder:
        """The disc's order."""
        return self.image.disc

    def path(self, suffix: str) -> Path:
        """Return the path of the disc's file with a suffix."""
        return self.image.path.with_suffix(suffix)

    def _texts(self) -> list[TrackTexts]:
        return [track_texts(self.manifest, place.index) for place in self.disc.places]

    def write_archive(self, sound: Sequence[FinishedTrack]) -> Path:
        """Write the archive of the image's sound: the hidden sound, if any, and the tracks."""
        texts, release = self._texts(), release_texts(self.manifest)
        flags = [text.pre_emphasis for text in texts]
        comments = archive_comments(self.manifest, self.disc, self.of_discs)
        marks: dict[str, object] = {
            "index points": [place.points for place in self.disc.places],
            "track 1 pause": self.disc.opening_pause_frames,
            "texts of the release": comments,
            "barcode": release.barcode,
            "ISRCs": [text.isrc for text in texts],
            "flags": flags,
        }
        sound_key = self.image.key([track.key for track in sound])

        def encode(path: Path) -> None:
            encode_archive(self._pcm(sound), path, self.disc)

        encoded = named_key("archive's sound", {}, [sound_key])

        def write(path: Path) -> None:  # a new title does not encode again
            copy_file(self.cache.cached_file(encoded, ".flac", encode), path)
            tag_archive(path, self.disc, release, texts, comments=comments, pre_emphasis=flags)

        key = named_key("archive", marks, [encoded])
        return self.cache.release_file(self.path(".flac"), key, write, encoded=encoded)

    def write_bin(self, sound: Sequence[FinishedTrack]) -> Path:
        """Write the image of this sound as a BIN file, and the cue sheet of that."""
        path = self.image.path
        target = path.parent / FOLDER / path.with_suffix(".bin").name
        target.parent.mkdir(exist_ok=True)
        texts = release_texts(self.manifest), self._texts()
        sheet = cue_sheet(target.name, self.disc, *texts, kind=KIND)
        target.with_suffix(".cue").write_bytes(cue_bytes(sheet))
        key = named_key("BIN", {}, [self.image.key([track.key for track in sound])])
        return self.cache.release_file(target, key, partial(write_bin, path))

    def _pcm(self, sound: Sequence[FinishedTrack]) -> Iterator[Pcm]:
        yield np.zeros((self.disc.pause_in_image_frames * SAMPLES_PER_FRAME, 2), np.int32)
        for track in sound:
            yield from track.pcm(DISC_BITS)

    def write_texts(self) -> None:
        """Write cue sheet, CD-Text and PQ sheet, once image and archive are written."""
        cue, packs, release = (
            self.path(".cue"),
            self.path(".cdtext"),
            release_texts(self.manifest),
        )
        texts = self._texts()
        cue.write_bytes(cue_bytes(cue_sheet(self.image.path.name, self.disc, release, texts)))
        files = [self.image.path, cue]
        with suppress(AssemblerError):  # texts that do not fit: the check reported them
            packs.write_bytes(cd_text(release, texts).content)
            files.append(packs)
        digests = {path: self.cache.sha256(path) for path in (*files, self.path(".flac"))}
        sheet = pq_sheet(self.manifest, self.disc, self.of_discs, digests)
        number = f"-{self.disc.number}" if self.of_discs > 1 else ""
        folder = self.image.path.parent
        (folder / f"pq-sheet{number}.txt").write_text(
            pq_text(sheet), encoding="utf-8", newline="\n"
        )
        write_pq_pdf(sheet, folder / f"pq-sheet{number}.pdf")


def disc_tasks(
    plan: Plan,
    masters: Mapping[MasterSpec, MasterTasks],
    discs: ImageTasks,
    folder: Path,
    cache: ArtifactCache,
) -> list[Task[Any]]:
    """Return the tasks of each disc's files; its texts follow image and archive.

    Parameters
    ----------
    plan
        What to make.
    masters, discs
        The tasks of the sound.
    folder
        To write into.
    cache
        Finished work.
    """
    found: list[Task[Any]] = []
    if plan.disc is None:
        return found
    tasks, edition = masters[plan.disc], plan.edition(plan.disc)
    for disc in edition.discs:
        own = [tasks.passages[passage] for passage in disc.passages]
        first = [discs.hidden] if discs.hidden and disc.hidden else []

        def archive(image: Image, *sound: Any) -> DiscFiles:
            files = DiscFiles(image, plan.name, edition.manifest, len(edition.discs), cache)
            hidden = sound[: len(sound) - len(image.disc.passages)]
            tracks = [track for passage in sound[len(hidden) :] for track in passage]
            files.write_archive([*hidden, *tracks])
            if "bin" in edition.manifest.disc.forms:
                files.write_bin([*hidden, *tracks])
            return files

        cost_s = ARCHIVE * disc.frames / FRAMES_PER_SECOND
        image = discs.images[disc.number]
        name = f"disc {disc.number}"
        archived = Task(f"{name}: archive", archive, (image, *first, *own), cost_s)
        found += [
            Task(f"{name}: texts", DiscFiles.write_texts, (archived,)),
            Task(f"{name}: MD5 of the image", lambda one: cache.md5(one.path), (image,)),
            Task(
                f"{name}: MD5 of the archive", lambda one: cache.md5(one.path(".flac")), (archived,)
            ),
        ]
    return [
        Task(
            "files for the plant",
            partial(_make_plant_files, plan.name, edition, folder, cache),
            tuple(found),
        )
    ]


def _make_plant_files(
    name: str, edition: Edition, folder: Path, cache: ArtifactCache, *_: None
) -> None:
    """Write the letter to the plant, and the checksums of the discs' folder."""
    discs = edition.discs
    stems = [disc_stem(name, disc.number, len(discs)) for disc in discs]

    def checksums(path: Path) -> tuple[str, str]:
        return cache.md5(path), cache.sha256(path)

    write_plant_files(folder, edition.manifest, discs, stems, checksums)


def pq_sheet(
    manifest: Manifest, disc: DiscOrder, of_discs: int, digests: dict[Path, str]
) -> PqSheet:
    """Return a disc's PQ sheet; `digests`: image, cue sheet and the other files, in order."""
    kinds = ("Image", "Cue sheet", *["Other file"] * (len(digests) - 2))
    files = zip(kinds, digests.items(), strict=True)
    release = manifest.release
    return PqSheet(
        artist=release.artist,
        title=release.title,
        catalogue_number=release.catalogue_number,
        barcode=release.barcode,
        label=release.label,
        prepared_by=", ".join(_mastered_by(manifest)) or None,
        master_date=manifest.disc.master_date,
        disc_number=disc.number,
        of_discs=of_discs,
        tracks=tuple(_pq_tracks(manifest, disc)),
        track_1_pause_frames=disc.opening_pause_frames,
        frames=disc.frames,
        tail_frames=disc.tail_frames,
        hidden_frames=disc.hidden.room_frames if disc.hidden else 0,
        pause_in_image_frames=disc.pause_in_image_frames,
        files=tuple((kind, path.name, digest) for kind, (path, digest) in files),
    )


def _pq_tracks(manifest: Manifest, disc: DiscOrder) -> Iterator[PqTrack]:
    """Return the tracks; the pause of track 1 includes all that is before it on the disc."""
    for place in disc.places:
        track = manifest.tracks[place.index]
        opens = place.number == 1
        hidden = disc.hidden.room_frames if disc.hidden else 0
        pause = disc.opening_pause_frames + hidden if opens else place.gap_frames
        yield PqTrack(
            number=place.number,
            title=track.full_title,
            performer=manifest.artist_of(track),
            isrc=track.isrc,
            copy_permitted=track.copy_permitted,
            pre_emphasis=track.pre_emphasis,
            points=tuple(point for point in place.points if not opens or point[0] > 0),
            pause_frames=pause,
            frames=place.frames,
        )


def _mastered_by(manifest: Manifest) -> Iterator[str]:
    for credit in manifest.credits:
        if any("master" in role.lower() for role in credit.roles):
            yield credit.name
