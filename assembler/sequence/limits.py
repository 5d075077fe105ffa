"""What a disc can hold: 99 tracks of 4 s or more, a 2 s pause before track 1, the plant's limit.

IEC 60908 (from memory) and ECMA-130 for the first three. Plants differ in what they accept: their
order pages state 74:00 to 79:57, and some ask for a waiver above 78:00 (read from the public pages
of eight plants, undated).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import accumulate
from typing import Literal

from assembler.manifest.times import parse_frames
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.sequence.order import DiscOrder, TrackPlace, TrackSound, lay_out
from assembler.sequence.selection import keep
from assembler.text import FRAMES_PER_SECOND, frames_text

MOST_TRACKS = 99
SHORTEST_TRACK_FRAMES = 4 * FRAMES_PER_SECOND
SHORTEST_OPENING_FRAMES = 2 * FRAMES_PER_SECOND
EVERY_PLANT_FRAMES = parse_frames("74:00")
WAIVER_FRAMES = parse_frames("78:00")
LONGEST_LIMIT_FRAMES = parse_frames("79:57")
_NONE = Fraction(0)


@dataclass(frozen=True)
class LimitFinding:
    """A limit that a running order exceeds, or nearly reaches.

    Attributes
    ----------
    index
        Index in the manifest of the track concerned; None for the disc.
    """

    severity: Literal["error", "warning"]
    code: str
    index: int | None
    message: str


def limit_findings(order: DiscOrder, limit_frames: int) -> Iterator[LimitFinding]:
    """Check a disc's running order against its limits."""
    places = order.places
    if len(places) > MOST_TRACKS:
        message = (
            f"disc {order.number} has {len(places)} tracks: a disc holds at most {MOST_TRACKS}; "
            "begin another with `disc: 2` on a track"
        )
        yield LimitFinding("error", "too-many-tracks", places[MOST_TRACKS].index, message)
    if order.hidden and places[0].gap_frames == 0:
        message = "track 1 needs a gap after the hidden sound: write a `gap` above 0, such as 0.05"
        yield LimitFinding("error", "short-opening-pause", places[0].index, message)
    if order.opening_pause_frames < SHORTEST_OPENING_FRAMES:
        message = (
            "the gap before a disc's first track is the track 1 pause: write 2 s or more, or leave "
            "it out"
        )
        yield LimitFinding("error", "short-opening-pause", places[0].index, message)
    for place in places:
        if place.frames < SHORTEST_TRACK_FRAMES:
            message = (
                f"track {place.number} is {place.frames / FRAMES_PER_SECOND:.2f} s long: a track "
                "on a disc must last 4 s or more; lengthen it, or join it to its neighbour"
            )
            yield LimitFinding("error", "track-too-short", place.index, message)
    if order.frames > limit_frames:
        yield LimitFinding("error", "over-disc-limit", None, _over(order, limit_frames))
    elif order.frames > WAIVER_FRAMES:
        message = (
            f"disc {order.number} runs {frames_text(order.frames)}: above 78:00 many plants refuse "
            "a disc or ask for a signed waiver, and old players fail at its end: get the plant's "
            "consent in writing before you order, or shorten the disc"
        )
        yield LimitFinding("warning", "very-long-disc", None, message)
    elif order.frames > EVERY_PLANT_FRAMES:
        message = (
            f"disc {order.number} runs {frames_text(order.frames)}: above 74:00 ask the plant "
            "whether it accepts the disc"
        )
        yield LimitFinding("warning", "long-disc", None, message)


def limit_setting_finding(limit_frames: int) -> LimitFinding | None:
    """Return a warning where the limit is set higher than plants state."""
    if limit_frames <= LONGEST_LIMIT_FRAMES:
        return None
    message = (
        f"the limit is set to {frames_text(limit_frames)}: plants state at most 79:57, so keep it "
        "there unless the plant has confirmed more in writing"
    )
    return LimitFinding("warning", "high-disc-limit", None, message)


def _over(order: DiscOrder, limit_frames: int) -> str:
    """Return by how much a disc is over its limit, and the smallest changes that would fit it."""
    over = order.frames - limit_frames
    remedies = [*_less_silence(order, over), *_fewer_tracks(order, limit_frames)]
    remedies += _more_discs(order, limit_frames)
    remedies.append(f"ask the plant for a limit of {frames_text(order.frames)}")
    return (
        f"disc {order.number} runs {frames_text(order.frames)}, {frames_text(over)} over the limit "
        f"of {frames_text(limit_frames)}: {'; or '.join(remedies)}"
    )


def _less_silence(order: DiscOrder, over: int) -> Iterator[str]:
    if order.pause_in_image_frames >= over:
        yield f"shorten the pause before track 1 by {frames_text(over)}"
    if order.tail_frames >= over:
        yield f"shorten the tail of {frames_text(order.tail_frames)}"
    gaps = [place for place in order.places[1:] if place.gap_frames]
    gaps.sort(key=lambda place: -place.gap_frames)
    for count, saved in enumerate(accumulate(place.gap_frames for place in gaps), 1):
        if saved >= over:
            numbers = ", ".join(map(str, sorted(place.number for place in gaps[:count])))
            s = "s" * (count > 1)
            yield f"close the gap{s} before track{s} {numbers} ({frames_text(saved)})"
            return


def _fewer_tracks(order: DiscOrder, limit_frames: int) -> Iterator[str]:
    if order.hidden and order.frames - order.hidden.room_frames <= limit_frames:
        yield f"leave out the hidden sound ({frames_text(order.hidden.room_frames)})"
    for place in sorted(order.places, key=lambda place: place.frames):
        if len(order.places) > 1 and _frames_without(order, place) <= limit_frames:
            yield f"leave out track {place.number} ({frames_text(place.frames)})"
            return


def _frames_without(order: DiscOrder, place: TrackPlace) -> int:
    """Return the disc's length without a track; unchanged where its neighbours can't join."""
    try:
        others = set(range(len(order.sounds))) - {place.number - 1}
        return _longest(order, keep(order.sounds, others))
    except ValueError:
        return order.frames


def _more_discs(order: DiscOrder, limit_frames: int) -> Iterator[str]:
    """Find the break that divides the disc most evenly, in a pause if there is one."""
    halves = []
    for place in order.places[1:]:
        sounds = list(order.sounds)
        opening = replace(sounds[place.number - 1], opens_disc=order.number + 1, overlap_s=_NONE)
        sounds[place.number - 1] = opening
        longer = _longest(order, sounds)
        if longer <= limit_frames:
            halves.append((place.gap_frames == 0, longer, place.number))
    if halves:
        _, longer, number = min(halves)
        yield (f"begin a second disc at track {number} ({frames_text(longer)} on the longer disc)")
    elif all(place.frames <= limit_frames for place in order.places):
        yield f"divide it over {max(3, -(-order.frames // limit_frames))} discs or more"


def _longest(order: DiscOrder, sounds: Sequence[TrackSound]) -> int:
    """Return the longest disc's length with other tracks and the same hidden sound and tail."""
    first = order.places[0]
    hidden = first.start_frame - first.gap_frames if order.hidden else 0
    tail_s = Fraction(order.tail_frames, FRAMES_PER_SECOND)
    discs = lay_out(sounds, hidden_samples=hidden * SAMPLES_PER_FRAME, tail_s=tail_s)
    return max(disc.frames for disc in discs)
