"""What a disc can hold: 99 tracks of 4 s or more, 2 s of opening pause, the plant's limit.

IEC 60908 (from memory) and ECMA-130 for the first three; a standard disc is rated 74:33, longer
ones are the plant's to grant (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from assembler.manifest.times import FRAMES_PER_SECOND, frames_text, parse_frames
from assembler.sequence.order import DiscOrder

MOST_TRACKS = 99
SHORTEST_TRACK_FRAMES = 4 * FRAMES_PER_SECOND
SHORTEST_OPENING_FRAMES = 2 * FRAMES_PER_SECOND
RATED_FRAMES = parse_frames("74:33")


@dataclass(frozen=True)
class LimitFinding:
    """A limit that an order breaks, or comes near.

    Attributes
    ----------
    index
        The track's place in the manifest that it is about; None for the disc.
    """

    severity: Literal["error", "note"]
    code: str
    index: int | None
    message: str


def limit_findings(order: DiscOrder, limit_frames: int) -> Iterator[LimitFinding]:
    """Hold a disc's order against its limits."""
    places = order.places
    if len(places) > MOST_TRACKS:
        message = (
            f"disc {order.number} has {len(places)} tracks: a disc holds {MOST_TRACKS} at the "
            "most; open another with `disc: 2` on a track"
        )
        yield LimitFinding("error", "too-many-tracks", places[MOST_TRACKS].index, message)
    if order.opening_pause_frames < SHORTEST_OPENING_FRAMES:
        message = (
            "the gap before a disc's first track is its opening pause: write 2 s or more, or leave "
            "it out"
        )
        yield LimitFinding("error", "short-opening-pause", places[0].index, message)
    for place in places:
        if place.frames < SHORTEST_TRACK_FRAMES:
            message = (
                f"track {place.number} is {place.frames / FRAMES_PER_SECOND:.2f} s long: a track "
                "on a disc lasts 4 s or more; lengthen it, or join it with its neighbour"
            )
            yield LimitFinding("error", "track-too-short", place.index, message)
    if order.frames > limit_frames:
        yield LimitFinding("error", "over-disc-limit", None, _over(order, limit_frames))
    elif order.frames > RATED_FRAMES:
        message = (
            f"disc {order.number} runs {frames_text(order.frames)}: above 74:33 ask the plant "
            "whether it takes it"
        )
        yield LimitFinding("note", "long-disc", None, message)


def _over(order: DiscOrder, limit_frames: int) -> str:
    """Say by how much a disc is over, and the smallest ways back."""
    over = order.frames - limit_frames
    gaps = sum(place.gap_frames for place in order.places[1:])
    ways = []
    if gaps >= over:
        ways.append(f"shorten gaps, which take {frames_text(gaps)} in all")
    fitting = [place for place in order.places if place.frames >= over]
    if fitting and len(order.places) > 1:
        least = min(fitting, key=lambda place: place.frames)
        ways.append(f"leave out track {least.number} ({frames_text(least.frames)})")
    middle = next(p for p in order.places if 2 * p.end_frame >= order.frames)
    if len(order.places) > 1:
        ways.append(f"open a second disc at track {max(2, middle.number)}")
    ways.append(f"ask the plant for a limit of {frames_text(order.frames)}")
    return (
        f"disc {order.number} runs {frames_text(order.frames)}, {frames_text(over)} over the limit "
        f"of {frames_text(limit_frames)}: {'; or '.join(ways)}"
    )
