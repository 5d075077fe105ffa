"""The disc's grid: 75 frames per second, 588 samples each at 44,100 Hz (IEC 60908, ECMA-130).

All rounding between samples and frames is done here:

- the end of a track's sound is rounded up to the next frame, so that no sound is in a pause;
- a start after a gap is rounded up to the next frame, so that the gap is not shorter than set;
- a mark in a segue or an overlap, and an index point inside a track, is rounded to the nearest
  frame, so that it moves by half a frame at most.
"""

from __future__ import annotations

from fractions import Fraction

from assembler.text import FRAMES_PER_SECOND

DISC_RATE_HZ = 44100
SAMPLES_PER_FRAME = DISC_RATE_HZ // FRAMES_PER_SECOND


def frame_after(samples: int | Fraction) -> int:
    """Return the first frame that begins at or after a sample position."""
    return int(-(-samples // SAMPLES_PER_FRAME))


def nearest_frame(samples: int) -> int:
    """Return the frame that begins nearest to a sample position; half a frame is rounded up."""
    return (2 * samples + SAMPLES_PER_FRAME) // (2 * SAMPLES_PER_FRAME)


def samples_in(time_s: Fraction, rate_hz: int) -> int:
    """Return a length of time in samples at a rate, rounded half up."""
    return int(time_s * rate_hz + Fraction(1, 2))


def samples_at(frames: int, rate_hz: int) -> int:
    """Return the sample position of a frame at any rate, rounded half up.

    At 44.1, 48, 88.2, 96, 176.4 and 192 kHz a frame is a whole number of samples.
    """
    return (2 * frames * rate_hz + FRAMES_PER_SECOND) // (2 * FRAMES_PER_SECOND)
