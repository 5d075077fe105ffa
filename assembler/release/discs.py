"""What goes to the plant for one disc: image, cue sheet, CD-Text, archive, PQ sheet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assembler.disc.archive import write_archive
from assembler.disc.cd_text import cd_text
from assembler.disc.cue import cue_bytes, cue_sheet, disc_stem
from assembler.disc.image import write_image
from assembler.disc.pq_pdf import write_pq_pdf
from assembler.disc.pq_sheet import PqSheet, PqTrack, pq_text
from assembler.disc.texts import release_texts, track_texts
from assembler.errors import AssemblerError
from assembler.manifest import Manifest
from assembler.release.keys import named_key
from assembler.release.mastering import Mastered
from assembler.release.plan import DISC_BITS
from assembler.release.reuse import Reuse
from assembler.sequence import DiscOrder


def make_disc(
    folder: Path,
    name: str,
    manifest: Manifest,
    disc: DiscOrder,
    of_discs: int,
    sound: Sequence[Mastered],
    reuse: Reuse,
) -> None:
    """Write all files of one disc.

    Parameters
    ----------
    folder
        To write into.
    name
        Of the release's files.
    manifest, disc, of_discs
        The words, the disc's order, and how many discs there are.
    sound
        What the image is made of: the hidden sound if there is any, and the tracks.
    reuse
        Finished work.
    """
    stem = disc_stem(name, disc.number, of_discs)
    image, cue = folder / f"{stem}.wav", folder / f"{stem}.cue"
    image_key = named_key("image", {"length of the disc": disc.frames}, [s.key for s in sound])
    reuse.file(image, image_key, lambda path: write_image(_all_words(sound), disc, path))
    of_release = release_texts(manifest)
    texts = [track_texts(manifest, place.index) for place in disc.places]
    cue.write_bytes(cue_bytes(cue_sheet(image.name, disc, of_release, texts)))
    others = []
    with suppress(AssemblerError):  # of words that don't fit: the check has said so
        packs = folder / f"{stem}.cdtext"
        packs.write_bytes(cd_text(of_release, texts).content)
        others.append(packs)
    archive = folder / f"{stem}.flac"
    flags = [text.pre_emphasis for text in texts]
    codes = [text.isrc for text in texts]
    points = [place.points for place in disc.places]
    pause = disc.opening_pause_frames
    marks: dict[str, object] = {
        "index points": points,
        "opening pause": pause,
        "texts of the release": of_release,
        "ISRCs": codes,
        "flags": flags,
    }
    archive_key = named_key("archive", marks, [image_key])
    reuse.file(
        archive,
        archive_key,
        lambda path: write_archive(image, path, disc, of_release, texts, pre_emphasis=flags),
    )
    digests = {path: reuse.digest(path) for path in (image, cue, *others, archive)}
    sheet = _pq_sheet(manifest, disc, of_discs, digests)
    number = f"-{disc.number}" if of_discs > 1 else ""
    text = pq_text(sheet)
    (folder / f"pq-sheet{number}.txt").write_text(text, encoding="utf-8", newline="\n")
    write_pq_pdf(sheet, folder / f"pq-sheet{number}.pdf")


def _all_words(sound: Iterable[Mastered]) -> Iterator[NDArray[np.int32]]:
    for stretch in sound:
        yield from stretch.words(DISC_BITS)


def _pq_sheet(
    manifest: Manifest, disc: DiscOrder, of_discs: int, digests: dict[Path, str]
) -> PqSheet:
    """Fill the sheet; `digests` are of image, cue sheet and the other files, in this order."""
    (image, image_sha256), (cue, cue_sha256), *others = digests.items()
    release = manifest.release
    return PqSheet(
        artist=release.artist,
        title=release.title,
        catalogue_number=release.catalogue_number,
        barcode=release.barcode,
        label=release.label,
        mastered_by=", ".join(_mastered_by(manifest)) or None,
        made_on=manifest.disc.made_on,
        disc_number=disc.number,
        of_discs=of_discs,
        tracks=tuple(_pq_tracks(manifest, disc)),
        opening_pause_frames=disc.opening_pause_frames,
        frames=disc.frames,
        tail_frames=disc.tail_frames,
        hidden_frames=disc.hidden.room_frames if disc.hidden else 0,
        image_name=image.name,
        image_sha256=image_sha256,
        cue_name=cue.name,
        cue_sha256=cue_sha256,
        checksums=tuple((other.name, digest) for other, digest in others),
    )


def _pq_tracks(manifest: Manifest, disc: DiscOrder) -> Iterator[PqTrack]:
    """Give the tracks; the pause of the first is all that lies before it on the disc."""
    for place in disc.places:
        track = manifest.tracks[place.index]
        opens = place.number == 1
        pause = disc.opening_pause_frames + place.start_frame if opens else place.gap_frames
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
