"""The disc in one file: its image as FLAC with a cue sheet block, for safe keeping.

RFC 9639, section "Cuesheet" (from memory; held against libFLAC's reading in the tests). Everything
the image and its cue sheet say is inside; the decoded samples are the image's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import mutagen
import numpy as np
from mutagen.flac import FLAC, CueSheet, CueSheetTrack, CueSheetTrackIndex
from numpy.typing import NDArray

from assembler.disc.image import sound_file, write_disc
from assembler.disc.texts import ReleaseTexts, TrackTexts
from assembler.errors import AssemblerError
from assembler.manifest.codes import ean13
from assembler.sequence import DiscOrder
from assembler.sequence.frames import SAMPLES_PER_FRAME

LEAD_OUT = 170
"""The lead-out's track number on a disc."""
_LEVEL = 0.5
"""libsndfile's scale for FLAC's level 4: written anew whenever a gap moves, it is to be quick; on
real music 4 % larger than level 8 and written in a quarter of the time."""


def write_archive(
    words: Iterable[NDArray[np.int32]],
    target: Path,
    order: DiscOrder,
    release: ReleaseTexts,
    tracks: Sequence[TrackTexts],
    *,
    pre_emphasis: Sequence[bool] = (),
) -> None:
    """Write a disc's archive.

    Parameters
    ----------
    words
        As for the disc's image.
    target
        FLAC file to write.
    order
        The disc.
    release, tracks
        The words and codes; one of `tracks` for each of the disc's places.
    pre_emphasis
        Whether each track was recorded with it; empty where none was.

    Raises
    ------
    AssemblerError
        The sound is not as long as the order says, or the file can't be tagged.
    """
    with sound_file(target, format="FLAC", compression_level=_LEVEL) as file:
        write_disc(words, order, file)
    flags = pre_emphasis or [False] * len(tracks)
    try:
        file = FLAC(target)
        if file.tags is None:
            file.add_tags()
        file.tags.extend(_comments(release))
        file.cuesheet = _cue_sheet(order, release, tracks, flags)
        file.save(padding=lambda _: 0)
    except mutagen.MutagenError as error:
        raise AssemblerError(f"{target.name}: can't be tagged: {error}") from error


def _comments(release: ReleaseTexts) -> Iterator[tuple[str, str]]:
    """Give the Vorbis comments of the release that are not empty."""
    comments = (
        ("ALBUM", release.title),
        ("ARTIST", release.performer),
        ("TITLE", release.title),
        ("DATE", release.year),
        ("CATALOGNUMBER", release.catalogue_number),
        ("BARCODE", release.barcode),
        ("GENRE", release.genre),
    )
    return ((name, text) for name, text in comments if text)


def _cue_sheet(
    order: DiscOrder, release: ReleaseTexts, tracks: Sequence[TrackTexts], flags: Sequence[bool]
) -> CueSheet:
    sheet = CueSheet(None)
    sheet.media_catalog_number = ean13(release.barcode).encode() if release.barcode else b""
    # Up to the first index point: the pause in front of the image.
    sheet.lead_in_samples = order.opening_pause_frames * SAMPLES_PER_FRAME
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
        # A point's offset counts from its track's, and that is the track's first point.
        track.indexes = [
            CueSheetTrackIndex(number, (frame - first_frame) * SAMPLES_PER_FRAME)
            for number, frame in points
        ]
        sheet.tracks.append(track)
    sheet.tracks.append(CueSheetTrack(LEAD_OUT, order.frames * SAMPLES_PER_FRAME))
    return sheet
