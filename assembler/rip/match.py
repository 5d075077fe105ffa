"""Find which disc of a release a rip is of, and its offset."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from assembler.rip.likeness import likeness
from assembler.rip.places import Disc
from assembler.rip.samples import Row, Samples, stereo
from assembler.rip.shift import anywhere, distinctive, near, winner
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.sequence.order import OPENING_PAUSE_S
from assembler.text import FRAMES_PER_SECOND

MOST_OFFSET = 10 * SAMPLES_PER_FRAME
"""The largest offset of a drive and of the plant's writer together: drives shift by up to a few
thousand samples (common practice)."""
_TRACK_1_PAUSE = int(OPENING_PAUSE_S) * FRAMES_PER_SECOND * SAMPLES_PER_FRAME
_WINDOWS = 24


def _exchanged(row: Row) -> Row:
    return (row << np.uint32(16)) | (row >> np.uint32(16))


def _inverted(row: Row) -> Row:
    turned = np.clip(-stereo(row).astype(np.int32), -32768, 32767).astype("<i2")
    return turned.view("<u4").ravel()


def _other_byte_order(row: Row) -> Row:
    return stereo(row).byteswap().view("<u4").ravel()


CHANGES: dict[str, Callable[[Row], Row] | None] = {
    "": None,
    "channels": _exchanged,
    "polarity": _inverted,
    "byte order": _other_byte_order,
}
"""What can be exact apart from one change of every sample."""


@dataclass(frozen=True)
class Match:
    """The disc that a rip is of, and where its sound is in the rip.

    Attributes
    ----------
    disc, image
        The disc and its image.
    rip
        The rip, with its change reversed.
    shift
        Position in the rip minus position in the image.
    change
        Name in `CHANGES`.
    exact
        Whether windows of the image are in the rip, sample for sample.
    """

    disc: Disc
    image: Samples
    rip: Samples
    shift: int
    change: str = ""
    exact: bool = True

    @property
    def begins(self) -> int:
        """Where the rip's first sample would be on the image if the drive had no offset.

        0; or index 01 of track 1, where a program that rips tracks begins; or 2 s earlier.
        """
        usual = (0, self.disc.starts[0] * SAMPLES_PER_FRAME, -_TRACK_1_PAUSE)
        return min(usual, key=lambda first: (abs(self.shift + first), abs(first)))

    @property
    def offset(self) -> int | None:
        """The read offset; None if it is more than a drive's."""
        offset = self.shift + self.begins
        return offset if abs(offset) <= MOST_OFFSET else None


def find_match(images: Sequence[tuple[Disc, Samples]], rip: Samples) -> Match | None:
    """Find the disc that a rip is of; None if it is of none of them."""
    for change, function in CHANGES.items():
        changed = replace(rip, change=function)
        found = [
            (votes[shift], Match(disc, image, changed, shift, change))
            for disc, image in images
            for votes in (_usual_places(disc, image, changed),)
            for shift in (winner(votes),)
            if shift is not None
        ]
        if found:
            return max(found, key=lambda one: one[0])[1]
    for disc, image in images:
        shift = winner(anywhere(image, rip, distinctive(image, 0, image.length, _WINDOWS)))
        if shift is not None:
            return Match(disc, image, rip, shift)
    return _similar(images, rip)


def _usual_places(disc: Disc, image: Samples, rip: Samples) -> Counter[int]:
    positions = distinctive(image, 0, image.length, _WINDOWS)
    shifts = {0, -disc.starts[0] * SAMPLES_PER_FRAME}
    return sum(
        (near(image, rip, positions, shift, MOST_OFFSET) for shift in shifts), start=Counter()
    )


def _similar(images: Sequence[tuple[Disc, Samples]], rip: Samples) -> Match | None:
    """Find the disc with the same music, at another level or after lossy coding."""
    for disc, image in images:
        for first in dict.fromkeys((0, disc.starts[0] * SAMPLES_PER_FRAME)):
            found = likeness(image, rip, first, image.length, -first, MOST_OFFSET)
            if found.shift is not None:
                return Match(disc, image, rip, found.shift, exact=False)
    return None
