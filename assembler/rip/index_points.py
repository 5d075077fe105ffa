"""Compare the track starts and index points of a rip with those of the disc."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from assembler.disc.cue_reader import CueRead
from assembler.findings import Finding
from assembler.manifest.codes import ean13
from assembler.rip.inputs import RipFiles
from assembler.rip.match import Match
from assembler.rip.tracks import ASK_PLANT
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.text import counted, frames_text

Points = dict[int, int]
"""Position in the rip of each index point, in samples."""


def points_of(files: RipFiles, starts: Sequence[int], disc_starts: int) -> list[Points] | None:
    """Return each track's index points; None where the rip does not show them.

    Parameters
    ----------
    files
        The rip.
    starts
        First sample of each of its files.
    disc_starts
        Number of tracks of the disc: a single file shows the start of a disc's only track.
    """
    if files.cue:
        return [
            {
                number: frame * SAMPLES_PER_FRAME + starts[max(0, track.files[number])]
                for number, frame in track.indexes.items()
            }
            for track in files.cue.tracks
        ]
    return None if len(starts) == 1 < disc_starts else [{1: start} for start in starts]


def point_findings(
    match: Match, files: RipFiles, points: Sequence[Points], *, in_order: bool
) -> Iterator[Finding]:
    """Compare number of tracks, index points and codes; positions only if all is in order."""
    where = files.cue_name or match.rip.file_at(0)
    tracks = match.disc.tracks
    if len(points) != len(tracks):
        has = f"the rip has {counted(len(points), 'track')}, {match.disc.name} has {len(tracks)}"
        yield Finding("error", "rip-tracks", "", where, 0, f"{has}: {ASK_PLANT}")
        return
    if files.cue:
        yield from _codes(match, files.cue, where)
    if not in_order:
        return
    asked: list[dict[int, float]] = [
        {int(number): frame for number, frame in t.indexes.items()} for t in tracks
    ]
    found = [
        {number: (at + match.begins) / SAMPLES_PER_FRAME for number, at in of_track.items()}
        for of_track in points
    ]
    further = [n for indexes in asked[1:] for n in indexes if n != 1]
    seen = [n for indexes in found[1:] for n in indexes if n != 1]
    if not files.cue:
        asked = [_of_files(right, read) for right, read in zip(asked, found, strict=True)]
        asked[0] = found[0]  # with or without what precedes index 01 of track 1
    elif further and not seen:
        yield _not_read(where)
        asked = [{1: indexes[1]} for indexes in asked]
    for track, right, read in zip(tracks, asked, found, strict=True):
        yield from _of_track(track.number, right, read, where)


def _of_files(right: Mapping[int, float], read: Mapping[int, float]) -> dict[int, float]:
    """Return where a track's file can begin: at its index 01, or with its pause at index 00."""
    begins = right.get(0)
    return {1: begins if begins is not None and read[1] == begins else right[1]}


def _not_read(where: str) -> Finding:
    message = (
        "the cue sheet has no index points but 01: not determined whether the disc has lost its "
        "pauses; read it with a program that detects index points (gaps)"
    )
    return Finding("warning", "rip-no-index-points", "", where, 0, message)


def _of_track(
    number: int, right: Mapping[int, float], read: Mapping[int, float], where: str
) -> Iterator[Finding]:
    for point, frame in right.items():
        if number == 1 and point == 0 and 0 not in read:
            continue  # most programs leave out the pause of track 1
        place = f"track {number} index {point:02d}"
        if point not in read:
            what = "pause" if point == 0 else "index point"
            message = (
                f"is lost, {frames_text(int(frame))} on the image: the {what} is not on the disc"
            )
            yield Finding("error", "rip-index-lost", place, where, 0, f"{message}: {ASK_PLANT}")
        elif read[point] != frame:
            message = (
                f"is at {frames_text(max(0, round(read[point])))} in the rip, at "
                f"{frames_text(int(frame))} on the image: {ASK_PLANT}"
            )
            yield Finding("error", "rip-index-moved", place, where, 0, message)
    for point in sorted(read.keys() - right.keys()):
        if number > 1 or point > 1:
            place, message = (
                f"track {number} index {point:02d}",
                f"is not on the image: {ASK_PLANT}",
            )
            yield Finding("error", "rip-index-added", place, where, 0, message)


def _codes(match: Match, cue: CueRead, where: str) -> Iterator[Finding]:
    """Compare the ISRCs and the barcode that the cue sheet has; most programs read none."""
    for read, track in zip(cue.tracks, match.disc.tracks, strict=True):
        found = read.texts.get("ISRC", "").replace("-", "").upper()
        if found and found != (track.isrc or "").replace("-", "").upper():
            message = f"is {found} in the rip, {track.isrc or 'none'} on the disc sent: {ASK_PLANT}"
            yield Finding("error", "rip-isrc", f"track {track.number} ISRC", where, 0, message)
    barcode = cue.texts.get("CATALOG", "")
    right = ean13(match.disc.barcode) if match.disc.barcode else "0" * 13
    if barcode.strip("0") and barcode != right:
        message = f"is {barcode} in the rip, {match.disc.barcode or 'none'} on the disc sent"
        yield Finding("error", "rip-barcode", "CATALOG", where, 0, f"{message}: {ASK_PLANT}")
