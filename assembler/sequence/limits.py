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
    if order.hidden and places[0].gap_frames == 0:
        message = (
            "after the hidden sound track 1 can't begin without a gap: write a `gap` above 0, such "
            "as 0.05"
        )
        yield LimitFinding("error", "short-opening-pause", places[0].index, message)
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
    ways = [*_by_silence(order, over), *_by_leaving_out(order, over)]
    if len(order.places) > 1:
        ways.append(_by_another_disc(order, limit_frames))
    ways.append(f"ask the plant for a limit of {frames_text(order.frames)}")
    return (
        f"disc {order.number} runs {frames_text(order.frames)}, {frames_text(over)} over the limit "
        f"of {frames_text(limit_frames)}: {'; or '.join(ways)}"
    )


def _by_silence(order: DiscOrder, over: int) -> Iterator[str]:
    if order.tail_frames >= over:
        yield f"shorten the tail of {frames_text(order.tail_frames)}"
    gaps = {place.number: place.gap_frames for place in order.places[1:] if place.gap_frames}
    if sum(gaps.values()) >= over:
        longest = sorted(gaps, key=lambda number: -gaps[number])
        count = next(n for n in range(1, len(gaps) + 1) if sum(map(gaps.get, longest[:n])) >= over)  # type: ignore[arg-type]
        named = ", ".join(map(str, sorted(longest[:count])))
        closing = sum(gaps[number] for number in longest[:count])
        yield (
            f"close the gap{'s' * (count > 1)} before track{'s' * (count > 1)} {named} "
            f"({frames_text(closing)})"
        )


def _by_leaving_out(order: DiscOrder, over: int) -> Iterator[str]:
    if order.hidden and order.hidden.room_frames >= over:
        yield f"leave out the hidden sound ({frames_text(order.hidden.room_frames)})"
    fitting = [place for place in order.places if place.frames + place.gap_frames >= over]
    if fitting and len(order.places) > 1:
        least = min(fitting, key=lambda place: place.frames)
        yield f"leave out track {least.number} ({frames_text(least.frames)})"


def _by_another_disc(order: DiscOrder, limit_frames: int) -> str:
    """Find the break that leaves the two halves most alike."""
    halves = [
        (max(place.start_frame - place.gap_frames, order.frames - place.start_frame), place)
        for place in order.places[1:]
    ]
    longer, place = min(halves, key=lambda half: half[0])
    if longer > limit_frames:
        return f"spread it over {-(-order.frames // limit_frames)} discs or more"
    return (
        f"open a second disc at track {place.number} ({frames_text(longer)} on the longer of both)"
    )
