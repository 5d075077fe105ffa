"""ISRCs from the owner's assigned range, for the tracks that have none of their own.

A code belongs to one recording for ever (ISO 3901:2019): the owner must register what is numbered
here, and write each code into its track before the order changes.
"""

from __future__ import annotations

from assembler.manifest.codes import isrc_text
from assembler.manifest.model import IsrcRange, Manifest

LAST_NUMBER = 99_999


def number_isrcs(manifest: Manifest) -> tuple[Manifest, tuple[int, ...]]:
    """Assign ISRCs from the release's range to tracks without one, skipping codes in use.

    Returns
    -------
    manifest, numbered
        The manifest with all ISRCs, and the indexes of the tracks that were numbered.

    Raises
    ------
    ValueError
        The range has too few numbers left.
    """
    isrc_range = manifest.release.isrc
    empty = [index for index, track in enumerate(manifest.tracks) if track.isrc is None]
    if isrc_range is None or not empty:
        return manifest, ()
    used = {track.isrc for track in manifest.tracks}
    free = [code for code in _codes(isrc_range, len(empty) + len(used)) if code not in used]
    if len(free) < len(empty):
        raise ValueError(
            f"the range from {isrc_text(_code(isrc_range, isrc_range.first))} has too few numbers "
            f"left for {len(empty)} tracks: begin lower, or ask the national ISRC agency for "
            "another range"
        )
    tracks = list(manifest.tracks)
    for index, code in zip(empty, free, strict=False):
        tracks[index] = tracks[index].model_copy(update={"isrc": code})
    return manifest.model_copy(update={"tracks": tuple(tracks)}), tuple(empty)


def _codes(isrc_range: IsrcRange, count: int) -> list[str]:
    last = min(isrc_range.first + count, LAST_NUMBER + 1)
    return [_code(isrc_range, number) for number in range(isrc_range.first, last)]


def _code(isrc_range: IsrcRange, number: int) -> str:
    return f"{isrc_range.prefix}{isrc_range.year:02d}{number:05d}"
