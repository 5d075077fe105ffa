"""Write the `tracks:` section of a manifest for the songs of tape sides."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from assembler.manifest.yaml_scalar import yaml_text
from assembler.restoration.split.confidence import level_of
from assembler.restoration.split.split import Cut, Song, Split


def tracks_section(sides: Sequence[tuple[str, Split]], titles: Sequence[str]) -> str:
    """Write the tracks of sides, to be pasted into a manifest.

    Parameters
    ----------
    sides
        Name in `transfers:` and split of each side, in the order of the release.
    titles
        Titles of the songs, through all sides; songs beyond them have no title.

    Returns
    -------
    str
        YAML. A start is rounded down to the millisecond and an end up, so that no sound is lost; at
        a segue both songs get the same time and the second `gap: 0`. A cut without high confidence
        has a comment.
    """
    return "\n".join(["tracks:", *_lines(sides, titles)]) + "\n"


def _lines(sides: Sequence[tuple[str, Split]], titles: Sequence[str]) -> Iterator[str]:
    number = 0
    for name, split in sides:
        segue = False
        for song, following in zip(split.songs, [*split.songs[1:], None], strict=True):
            title = f" {yaml_text(titles[number])}" if number < len(titles) else ""
            yield f"  - title:{title}"
            yield f"    from: {yaml_text(name)}"
            yield f"    start: {_time(song.begin, math.floor)}{_confidence_comment(song.begin)}"
            after_segue = segue
            segue = following is not None and _is_segue(song, following)
            end = _time(song.end, math.floor if segue else math.ceil)
            yield f"    end: {end}{_confidence_comment(song.end)}"
            if after_segue:
                yield "    gap: 0"
            number += 1


def _is_segue(song: Song, following: Song) -> bool:
    """Return whether a song runs into the next without silence."""
    return not song.end.in_silence and song.end_s == following.start_s


def _time(cut: Cut, whole: Callable[[float], int]) -> str:
    return time_text(whole(round(cut.at_s * 1000, 3)))


def _confidence_comment(cut: Cut) -> str:
    level = level_of(cut.confidence)
    return "" if level == "high" else f"  # confidence {level}: {cut.why}"


def time_text(milliseconds: int) -> str:
    """Write a time as ``m:ss.fff``.

    Examples
    --------
    >>> time_text(83_500)
    '1:23.500'
    """
    seconds, rest = divmod(milliseconds, 1000)
    return f"{seconds // 60}:{seconds % 60:02d}.{rest:03d}"
