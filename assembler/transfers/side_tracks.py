"""The `tracks:` section of a manifest for the songs of tape sides."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from assembler.manifest.yaml_scalar import yaml_text
from assembler.transfers.split import Split


def tracks_section(sides: Sequence[tuple[str, Split]], titles: Sequence[str]) -> str:
    """Write the tracks of sides, to be pasted into a manifest.

    Parameters
    ----------
    sides
        Name in `transfers:` and split of each side, in the order of the release.
    titles
        Of the songs, through all sides; where they end, the slot is left empty.

    Returns
    -------
    str
        YAML. A start is rounded down to the thousandth of a second and an end up, so that no sound
        is lost.
    """
    return "\n".join(["tracks:", *_lines(sides, titles)]) + "\n"


def _lines(sides: Sequence[tuple[str, Split]], titles: Sequence[str]) -> Iterator[str]:
    number = 0
    for name, split in sides:
        for song in split.songs:
            title = f" {yaml_text(titles[number])}" if number < len(titles) else ""
            yield f"  - title:{title}"
            yield f"    from: {yaml_text(name)}"
            yield f"    start: {time_text(math.floor(song.start_s * 1000 + 1e-6))}"
            yield f"    end: {time_text(math.ceil(song.end_s * 1000 - 1e-6))}"
            number += 1


def time_text(thousandths: int) -> str:
    """Write a time as ``m:ss.fff``.

    Examples
    --------
    >>> time_text(83_500)
    '1:23.500'
    """
    seconds, rest = divmod(thousandths, 1000)
    return f"{seconds // 60}:{seconds % 60:02d}.{rest:03d}"
