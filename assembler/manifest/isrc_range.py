"""ISRCs from a range that their owner was allotted, for the tracks that have none of their own.

A code belongs to one recording for ever (ISO 3901:2019): what is numbered here is for the owner's
register, and to be fixed in each track before the order changes.
"""

from __future__ import annotations

from assembler.manifest.codes import isrc_text
from assembler.manifest.model import IsrcRange, Manifest

LAST_NUMBER = 99_999


def number_isrcs(manifest: Manifest) -> tuple[Manifest, tuple[int, ...]]:
    """Fill the empty ISRC slots from the release's range, passing over codes that are in use.

    Returns
    -------
    manifest, numbered
        The manifest with its slots filled, and the places of the tracks that were numbered.

    Raises
    ------
    ValueError
        The range has too few numbers left.
    """
    allotted = manifest.release.isrc
    empty = [index for index, track in enumerate(manifest.tracks) if track.isrc is None]
    if allotted is None or not empty:
        return manifest, ()
    taken = {track.isrc for track in manifest.tracks}
    free = [code for code in _codes(allotted, len(empty) + len(taken)) if code not in taken]
    if len(free) < len(empty):
        raise ValueError(
            f"the range from {isrc_text(_code(allotted, allotted.first))} has too few numbers left "
            f"for {len(empty)} tracks: begin lower, or ask the national ISRC agency for another"
        )
    tracks = list(manifest.tracks)
    for index, code in zip(empty, free, strict=False):
        tracks[index] = tracks[index].model_copy(update={"isrc": code})
    return manifest.model_copy(update={"tracks": tuple(tracks)}), tuple(empty)


def _codes(allotted: IsrcRange, count: int) -> list[str]:
    last = min(allotted.first + count, LAST_NUMBER + 1)
    return [_code(allotted, number) for number in range(allotted.first, last)]


def _code(allotted: IsrcRange, number: int) -> str:
    return f"{allotted.prefix}{allotted.year:02d}{number:05d}"
