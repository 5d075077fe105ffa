"""The release as one picture: the data that the page draws, and the bar of each disc."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any
from urllib.parse import quote

import numpy as np

from assembler.proof.content import Proof, ProofDisc, ProofTrack, overlap_before
from assembler.proof.curves import STEPS_PER_SECOND, Levels
from assembler.sequence import TrackPlace
from assembler.text import FRAMES_PER_SECOND

NOT_YET = -32768
"""Stands for no value in a curve."""


def seconds(frames: int) -> float:
    """Return disc frames in seconds."""
    return frames / FRAMES_PER_SECOND


def encoded(curve: Levels) -> str:
    """Write a curve as hundredths of a decibel: int16, little-endian, in base64; NaN: `NOT_YET`."""
    hundredths = np.round(np.nan_to_num(curve * 100, nan=NOT_YET))
    return b64encode(hundredths.astype("<i2").tobytes()).decode("ascii")


def listen_url(path: str, base: str) -> str:
    """Return the URL of a file, relative to the page; `base` is the way to its folder."""
    return quote(f"{base}{path}")


def picture_data(proof: Proof) -> dict[str, Any]:
    """Return the data for the page's scripts; times in seconds."""
    return {
        "name": proof.name,
        "proof_of": proof.proof_of,
        "sound": proof.sound.model_dump(mode="json") if proof.sound else None,
        "heard": asdict(proof.heard) if proof.heard else None,
        "steps_per_second": STEPS_PER_SECOND,
        "not_yet": NOT_YET,
        "discs": [_disc_data(proof, disc) for disc in proof.discs],
    }


def _disc_data(proof: Proof, disc: ProofDisc) -> dict[str, Any]:
    order = disc.order
    return {
        "number": order.number,
        "length": seconds(order.frames),
        "hidden": seconds(order.hidden.room_frames) if order.hidden else 0,
        "target": disc.target_lufs,
        "tracks": [_track_data(disc, *placed) for placed in proof.placed(disc)],
        "stretches": [
            {
                "start": stretch.start_s,
                "peak": encoded(stretch.curves.peak_dbfs),
                "rms": encoded(stretch.curves.rms_dbfs),
                "loudness": encoded(stretch.curves.short_term_lufs),
            }
            for stretch in disc.stretches
        ],
        "limiting": [
            {"start": curve.start_s, "attenuation": encoded(curve.attenuation_db)}
            for curve in disc.limiting
        ],
    }


def _track_data(disc: ProofDisc, place: TrackPlace, track: ProofTrack) -> dict[str, Any]:
    delivered = next(iter(track.delivered.values()), None)
    return {
        "id": track.metadata.running_number,
        "number": place.number,
        "title": track.metadata.title,
        "start": seconds(place.start_frame),
        "end": seconds(place.end_frame),
        "overlap": overlap_before(disc.order, place),
        "points": [seconds(frame) for frame in place.further_frames],
        "most_limiting": delivered.most_limiting_db if delivered else 0,
        "limited_at": delivered.limited_at_s if delivered else 0,
    }


@dataclass(frozen=True)
class BarSegment:
    """A part of a disc's bar, in thousandths of its width.

    Attributes
    ----------
    kind
        ``track``, ``hidden``, ``pause``, ``left`` or ``over`` (beyond the disc's limit).
    label
        Text of the tooltip.
    """

    kind: str
    label: str
    start: float
    width: float


def disc_bars(proof: Proof, disc: ProofDisc) -> Iterator[BarSegment]:
    """Return a disc's parts to scale, up to its limit or to its end, whichever is later."""
    order = disc.order
    limit = disc.limit_frames or order.frames
    whole = max(limit, order.frames)

    def bar(kind: str, label: str, first: int, last: int) -> BarSegment:
        return BarSegment(
            kind, label, round(1000 * first / whole, 2), round(1000 * (last - first) / whole, 2)
        )

    if order.hidden:
        yield bar("hidden", "hidden before track 1", 0, order.hidden.room_frames)
    position = order.hidden.room_frames if order.hidden else 0
    for place, track in proof.placed(disc):
        if place.start_frame > position:
            yield bar("pause", f"gap before track {place.number}", position, place.start_frame)
        label = f"{place.number} {track.metadata.title}"
        yield bar("track", label, place.start_frame, place.end_frame)
        position = place.end_frame
    if order.frames > position:
        yield bar("pause", "silence after the last track", position, order.frames)
    if limit > order.frames:
        yield bar("left", "left on the disc", order.frames, limit)
    elif order.frames > limit:
        yield bar("over", "over the limit", limit, order.frames)
