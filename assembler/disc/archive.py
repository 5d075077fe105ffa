"""The archive of a disc: its image as one FLAC file with a cue sheet block.

RFC 9639, section "Cuesheet" (from memory; compared with libFLAC's reading in the tests). The
decoded samples are the image's; index points, ISRCs, barcode and pre-emphasis are in the cue sheet
block. That has no texts, so those of the release and of its tracks are Vorbis comments in Unicode,
as in the manifest. FLAC defines no names for a track's texts in a file of many tracks; here they
are TRACK01_TITLE and so on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import mutagen
import numpy as np
import soundfile
from mutagen.flac import FLAC, CueSheet, CueSheetTrack, CueSheetTrackIndex
from numpy.typing import NDArray

from assembler.disc.texts import ReleaseTexts, TrackTexts
from assembler.errors import AssemblerError
from assembler.file_names import for_libsndfile
from assembler.manifest import Manifest
from assembler.manifest.codes import ean13
from assembler.sequence import DiscOrder
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME

LEAD_OUT = 170
"""The lead-out's track number on a disc."""
_LEVEL = 0.5
"""libsndfile's scale for FLAC's level 4, because every moved gap needs a new archive: on real music
it is 4 % larger than level 8 and written in a quarter of the time."""


def encode_archive(pcm: Iterable[NDArray[np.int32]], target: Path, order: DiscOrder) -> None:
    """Write the sound of a disc's archive.

    Parameters
    ----------
    pcm
        As for the disc's image.
    target
        FLAC file to write.
    order
        The disc.

    Raises
    ------
    AssemblerError
        The sound does not have the length of the running order.
    """
    samples = 0
    with soundfile.SoundFile(
        for_libsndfile(target), "w", DISC_RATE_HZ, 2, "PCM_16", format="FLAC",
        compression_level=_LEVEL,
    ) as file:  # fmt: skip
        for block in pcm:
            file.write(np.ascontiguousarray(block, np.int16))
            samples += len(block)
    if samples != order.frames * SAMPLES_PER_FRAME:
        raise AssemblerError(
            f"disc {order.number}: its sound has {samples} samples, the running order "
            f"{order.frames * SAMPLES_PER_FRAME}: please report this"
        )


def tag_archive(
    target: Path,
    order: DiscOrder,
    release: ReleaseTexts,
    tracks: Sequence[TrackTexts],
    *,
    comments: Sequence[tuple[str, str]] = (),
    pre_emphasis: Sequence[bool] = (),
) -> None:
    """Write cue sheet and texts into an encoded archive.

    Parameters
    ----------
    target
        The encoded FLAC file.
    order
        The disc.
    release, tracks
        Texts and codes; one of `tracks` per track of the disc.
    comments
        Names and texts of its Vorbis comments, from `archive_comments`.
    pre_emphasis
        The flag of each track; empty where no track has it.

    Raises
    ------
    AssemblerError
        The file can't be tagged.
    """
    flags = pre_emphasis or [False] * len(tracks)
    try:
        file = FLAC(target)
        if file.tags is None:
            file.add_tags()
        file.tags.extend(comments)
        file.cuesheet = _cue_sheet(order, release, tracks, flags)
        file.save(padding=lambda _: 0)
    except mutagen.MutagenError as error:
        raise AssemblerError(f"{target.name}: the file can't be tagged: {error}") from error


def archive_comments(
    manifest: Manifest, order: DiscOrder, of_discs: int
) -> tuple[tuple[str, str], ...]:
    """Return the Vorbis comments of a disc's archive, in Unicode as in the manifest."""
    release = manifest.release
    comments: list[tuple[str, str | None]] = [
        ("ALBUM", release.title),
        ("ARTIST", release.artist),
        ("TITLE", release.title),
        ("DATE", release.release_date),
        ("ORGANIZATION", release.label),
        ("CATALOGNUMBER", release.catalogue_number),
        ("BARCODE", release.barcode),
        ("GENRE", release.genre),
        ("DISCNUMBER", str(order.number)),
        ("DISCTOTAL", str(of_discs)),
    ]
    for place in order.places:
        track = manifest.tracks[place.index]
        of_track = [
            ("TITLE", track.full_title),
            ("ARTIST", manifest.artist_of(track)),
            ("ISRC", track.isrc),
            *(("COMPOSER", name) for name in track.composers),
            *(("LYRICIST", name) for name in track.lyricists),
            *(("ARRANGER", name) for name in track.arrangers),
        ]
        comments += [(f"TRACK{place.number:02d}_{name}", text) for name, text in of_track]
    return tuple((name, text) for name, text in comments if text)


def _cue_sheet(
    order: DiscOrder, release: ReleaseTexts, tracks: Sequence[TrackTexts], flags: Sequence[bool]
) -> CueSheet:
    sheet = CueSheet(None)
    sheet.media_catalog_number = ean13(release.barcode).encode() if release.barcode else b""
    # The lead-in includes the pause in front of the image, up to the first index point.
    lead_in_frames = order.opening_pause_frames - order.pause_in_image_frames
    sheet.lead_in_samples = lead_in_frames * SAMPLES_PER_FRAME
    sheet.compact_disc = True
    for place, texts, flag in zip(order.places, tracks, flags, strict=True):
        points = place.points
        first_frame = points[0][1]
        track = CueSheetTrack(
            place.number,
            first_frame * SAMPLES_PER_FRAME,
            (texts.isrc or "").encode("ascii"),
            pre_emphasis=flag,
        )
        # A point's offset is relative to its track's offset, which is the track's first point.
        track.indexes = [
            CueSheetTrackIndex(number, (frame - first_frame) * SAMPLES_PER_FRAME)
            for number, frame in points
        ]
        sheet.tracks.append(track)
    sheet.tracks.append(CueSheetTrack(LEAD_OUT, order.frames * SAMPLES_PER_FRAME))
    return sheet
