"""Write the files that the plant gets for a disc: image, cue sheet, CD-Text, archive, PQ sheet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assembler.cache.copies import copy_file
from assembler.cache.keys import named_key
from assembler.disc.archive import archive_comments, encode_archive, tag_archive
from assembler.disc.cd_text import cd_text
from assembler.disc.cue import cue_bytes, cue_sheet, disc_stem
from assembler.disc.image import write_image
from assembler.disc.texts import release_texts, track_texts
from assembler.errors import AssemblerError
from assembler.manifest import Manifest
from assembler.mastering.plan import DISC_BITS, Plan
from assembler.mastering.render import FinishedTrack
from assembler.release.artifact_cache import ArtifactCache
from assembler.sequence import DiscOrder
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.sheets.pq_pdf import write_pq_pdf
from assembler.sheets.pq_sheet import PqSheet, PqTrack, pq_text


def disc_files(
    folder: Path,
    plan: Plan,
    tracks: Sequence[FinishedTrack],
    hidden: FinishedTrack | None,
    cache: ArtifactCache,
) -> list[DiscFiles]:
    """Return the files of each disc, to be written.

    Parameters
    ----------
    folder
        To write into.
    plan
        What to make.
    tracks
        Of the disc's master.
    hidden
        The sound before track 1.
    cache
        Finished work.
    """
    discs, manifest = plan.report.discs, plan.report.source.manifest
    tracks_by_disc = [[tracks[place.index] for place in disc.places] for disc in discs]
    if hidden:
        tracks_by_disc[0].insert(0, hidden)
    return [
        DiscFiles(folder, plan.name, manifest, disc, len(discs), sound, cache)
        for disc, sound in zip(discs, tracks_by_disc, strict=True)
    ]


class DiscFiles:
    """The files of one disc; image and archive take longest and are written in parallel.

    Parameters
    ----------
    folder
        To write into.
    name
        Of the release's files.
    manifest, disc, of_discs
        The manifest, the disc's order, and the number of discs.
    sound
        The content of the image: the hidden sound, if any, and the tracks.
    cache
        Finished work.
    """

    def __init__(
        self,
        folder: Path,
        name: str,
        manifest: Manifest,
        disc: DiscOrder,
        of_discs: int,
        sound: Sequence[FinishedTrack],
        cache: ArtifactCache,
    ) -> None:
        self.folder = folder
        self.manifest = manifest
        self.disc = disc
        self.of_discs = of_discs
        self.sound = sound
        self.cache = cache
        stem = disc_stem(name, disc.number, of_discs)
        kinds = (".wav", ".flac", ".cue", ".cdtext")
        self.image, self.archive, self.cue, self.packs = (folder / f"{stem}{k}" for k in kinds)
        self.release_texts = release_texts(manifest)
        self.texts = [track_texts(manifest, place.index) for place in disc.places]
        length = {
            "length of the disc": disc.frames,
            "silence in front": disc.pause_in_image_frames,
        }
        self._image_key = named_key("image", length, [one.key for one in sound])

    def write_image(self) -> None:
        """Write the image."""
        self.cache.release_file(
            self.image,
            self._image_key,
            lambda path: write_image(self._pcm(), self.disc, path),
        )

    def write_archive(self) -> None:
        """Write the archive."""
        flags = [text.pre_emphasis for text in self.texts]
        comments = archive_comments(self.manifest, self.disc, self.of_discs)
        marks: dict[str, object] = {
            "index points": [place.points for place in self.disc.places],
            "track 1 pause": self.disc.opening_pause_frames,
            "texts of the release": comments,
            "barcode": self.release_texts.barcode,
            "ISRCs": [text.isrc for text in self.texts],
            "flags": flags,
        }

        def encode(path: Path) -> None:
            encode_archive(self._pcm(), path, self.disc)

        def write(path: Path) -> None:  # a new title does not encode again
            key = named_key("archive's sound", {}, [self._image_key])
            copy_file(self.cache.cached_file(key, path.suffix, encode), path)
            tag_archive(
                path,
                self.disc,
                self.release_texts,
                self.texts,
                comments=comments,
                pre_emphasis=flags,
            )

        self.cache.release_file(self.archive, named_key("archive", marks, [self._image_key]), write)

    def _pcm(self) -> Iterator[NDArray[np.int32]]:
        yield np.zeros((self.disc.pause_in_image_frames * SAMPLES_PER_FRAME, 2), np.int32)
        for track in self.sound:
            yield from track.pcm(DISC_BITS)

    def write_texts(self) -> None:
        """Write cue sheet, CD-Text and PQ sheet, once image and archive are written."""
        cue_text = cue_sheet(self.image.name, self.disc, self.release_texts, self.texts)
        self.cue.write_bytes(cue_bytes(cue_text))
        files = [self.image, self.cue]
        with suppress(AssemblerError):  # texts that do not fit: the check reported them
            self.packs.write_bytes(cd_text(self.release_texts, self.texts).content)
            files.append(self.packs)
        digests = {path: self.cache.sha256(path) for path in (*files, self.archive)}
        sheet = pq_sheet(self.manifest, self.disc, self.of_discs, digests)
        number = f"-{self.disc.number}" if self.of_discs > 1 else ""
        text = pq_text(sheet)
        (self.folder / f"pq-sheet{number}.txt").write_text(text, encoding="utf-8", newline="\n")
        write_pq_pdf(sheet, self.folder / f"pq-sheet{number}.pdf")


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
