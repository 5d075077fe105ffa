"""How the proof writes levels, times, joins and sources."""

from __future__ import annotations

from assembler.metadata import TrackMetadata
from assembler.proof.content import Join, ProofDisc, Section
from assembler.proof.picture import seconds
from assembler.text import clock_text, duration_text


def number_text(words: TrackMetadata) -> str:
    """Write a track's number, with its disc's where there are several."""
    return f"{words.disc}-{words.number}" if words.of_discs > 1 else str(words.number)


def share_text(share: float) -> str:
    """Write a share of a track's time in percent; a little is never told as nothing."""
    return "under 0.1 %" if 0 < share < 0.0005 else f"{100 * share:.1f} %"


def join_text(join: Join) -> str:
    """Say how one track goes over into the next.

    Returns
    -------
    str
        As ``3.00 s of silence``.
    """
    if join.overlap_s:
        return f"overlap: both sound for {join.overlap_s:.2f} s"
    if not join.gap_frames:
        return "segue: the sound goes on without a pause"
    return f"{seconds(join.gap_frames):.2f} s of silence"


def place_text(frames: int) -> str:
    """Write a place on the disc as ``mm:ss.ff`` in hundredths of a second."""
    return clock_text(seconds(frames))


def section_text(section: Section) -> str:
    """Say which stretch of its recording a track is made of."""
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
    """Say how long a disc is and what is left of it."""
    order = disc.order
    if disc.limit_frames is None:
        return f"{duration_text(seconds(order.frames))} with its pauses; no disc is made"
    left = disc.limit_frames - order.frames
    rest = f"{duration_text(seconds(abs(left)))} {'left' if left >= 0 else 'over the limit'}"
    lengths = (duration_text(seconds(frames)) for frames in (order.frames, disc.limit_frames))
    return f"{' of '.join(lengths)}, {rest}"
