"""Texts of the proof for levels, times, joins and sources."""

from __future__ import annotations

from pathlib import PurePath

from assembler.metadata import TrackMetadata
from assembler.proof.content import Join, ProofDisc, SourceSection
from assembler.proof.picture import seconds
from assembler.text import clock_text, date_text, duration_text


def number_text(track: TrackMetadata) -> str:
    """Write a track's number, with its disc's if there are several."""
    return f"{track.disc}-{track.number}" if track.of_discs > 1 else str(track.number)


def share_text(share: float) -> str:
    """Write a share in percent; a small share is never written as 0."""
    return "under 0.1 %" if 0 < share < 0.0005 else f"{100 * share:.1f} %"


def join_text(join: Join) -> str:
    """Write the transition of a join, as ``gap of 3.00 s``."""
    if join.overlap_s:
        return f"crossfade of {join.overlap_s:.2f} s"
    if not join.gap_frames:
        return "segue, no gap"
    return f"gap of {seconds(join.gap_frames):.2f} s"


def place_text(frames: int) -> str:
    """Write a place on the disc as ``mm:ss.ff`` in hundredths of a second."""
    return clock_text(seconds(frames))


def section_text(section: SourceSection) -> str:
    """Write the start and end of a section."""
    return f"{clock_text(section.start_s)} to {clock_text(section.end_s)}"


def rate_text(rate_hz: int) -> str:
    """Write a sample rate in kHz.

    Examples
    --------
    >>> rate_text(44100), rate_text(96000)
    ('44.1 kHz', '96 kHz')
    """
    return f"{rate_hz / 1000:g} kHz"


def disc_text(disc: ProofDisc) -> str:
    """Write the length of a disc and the time left."""
    order = disc.order
    if disc.limit_frames is None:
        return f"{duration_text(seconds(order.frames))} including gaps; no disc"
    left = disc.limit_frames - order.frames
    rest = f"{duration_text(seconds(abs(left)))} {'left' if left >= 0 else 'over the limit'}"
    lengths = (duration_text(seconds(frames)) for frames in (order.frames, disc.limit_frames))
    return f"{' of '.join(lengths)}, {rest}"


def file_name(path: str) -> str:
    """Return the last part of a source's path, which is what the artist knows it by."""
    return PurePath(path).name


def fact_text(value: str, name: str) -> str:
    """Write what is known of a transfer; its date in words."""
    return date_text(value) if name == "transferred" else value


_WITHOUT = {
    "dc": "without the removal of the DC offset",
    "swap_channels": "without the exchange of the channels",
    "invert_polarity": "without the change of polarity",
    "declick": "without the repair of clicks",
    "dropouts": "without the repair of dropouts",
    "playback": "without the correction of the playback EQ",
    "azimuth": "without the correction of the azimuth",
    "balance": "without the correction of the balance",
    "hum": "without the removal of hum",
    "noise": "without the noise reduction",
    "equaliser": "without the EQ of the side",
    "wow": "without the correction of the wow",
    "speed": "without the correction of the speed",
}


def clip_text(kind: str) -> str:
    """Write what a side's clip plays, as ``without the repair of clicks``."""
    return _WITHOUT.get(kind.removeprefix("without "), kind)
