"""Correct the playback equalisation of a tape that was played by another standard.

The tape was recorded by a standard R and played by a standard P, so the transfer lacks the
difference of their time constants (IASA-TC 04, section 5.4; IEC 60094-1, both from memory):

    (1 + 1/(s·lowP)) / (1 + 1/(s·lowR)) · (1 + s·highR) / (1 + s·highP)

These are two shelves of first order, with a gain of 0 dB at 1 kHz, where decks are aligned. The
bass shelf is bilinear, which is exact at its frequencies. The treble shelf has the analog magnitude
at 0 Hz and at 0.1 and 0.4 of the rate, found from the square of the magnitude as in M. Vicanek,
"Matched One-Pole Digital Shelving Filters", 2019 (from memory): within 0.02 dB of the analog up to
20 kHz at 44.1 kHz.

Where R has no bass time constant, the difference grows without end towards 0 Hz. There it is
bounded at `LOWEST_HZ`, and an offset is not passed: less than 0.03 dB is missing at 20 Hz.

The step comes after the clicks are repaired: the bass shelf would draw a click out into a thump of
a tenth of a second, which can't be repaired, and the clicks that the survey lists are those of the
transfer as it is. It comes before noise reduction, so that the noise print has the same EQ as the
music. The order of all other steps does not matter: they are linear and the EQ is that of both
channels.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np

from assembler.dsp.biquads import Sections, StereoCascade
from assembler.dsp.blocks import Samples
from assembler.manifest.playback import Playback, TimeConstants

LOWEST_HZ = 1.0
_MATCHED_AT = np.array([0.1, 0.4])
"""Frequencies in shares of the rate at which the treble shelf has the analog magnitude. Chosen for
the smallest error up to 20 kHz, over the pairs of standards and rates from 44.1 to 192 kHz."""
_ALIGNED_HZ = 1000.0


def correct_playback(
    blocks: Iterable[Samples], rate_hz: int, playback: Playback
) -> Iterator[Samples]:
    """Correct the playback EQ of a stereo stream; with the same time constants it is unchanged.

    Parameters
    ----------
    blocks, rate_hz
        The stream, and its sample rate.
    playback
        How the tape was played and recorded.
    """
    played, recorded = playback.constants
    if played == recorded:
        yield from blocks
        return
    cascade = StereoCascade(playback_sections(played, recorded, rate_hz))
    for block in blocks:
        if len(block):
            yield cascade.filter(block)


def playback_sections(played: TimeConstants, recorded: TimeConstants, rate_hz: int) -> Sections:
    """Return the second-order sections of a correction, as for scipy.signal.sosfilt."""
    cascade = np.array([_treble(played, recorded, rate_hz), _bass(played, recorded, rate_hz)])
    cascade[0, :3] /= abs(_response(cascade, _ALIGNED_HZ, rate_hz))
    return cascade


def _bass(played: TimeConstants, recorded: TimeConstants, rate_hz: int) -> list[float]:
    zero, pole = (_corner(constants.low_us, rate_hz) for constants in (played, recorded))
    if played.low_us == recorded.low_us:
        return [1.0, 0.0, 0.0, 1.0, 0.0, 0.0]
    up, down = [1 + zero, zero - 1], [1 + pole, pole - 1]
    if recorded.low_us is None:  # bounded, and without an offset
        lowest = math.tan(math.pi * LOWEST_HZ / rate_hz)
        down = [1 + lowest, lowest - 1]
        up, down = list(np.convolve(up, [1.0, -1.0])), list(np.convolve(down, down))
    up, down = ([*one, 0.0][:3] for one in (up, down))
    return [value / down[0] for value in (*up, *down)]


def _corner(low_us: float | None, rate_hz: int) -> float:
    """Return the prewarped corner of a bass time constant; 0 without one."""
    return 0.0 if low_us is None else math.tan(1 / (2e-6 * low_us * rate_hz))


def _treble(played: TimeConstants, recorded: TimeConstants, rate_hz: int) -> list[float]:
    if played.high_us == recorded.high_us:
        return [1.0, 0.0, 0.0, 1.0, 0.0, 0.0]
    omega = 2e-6 * np.pi * _MATCHED_AT * rate_hz
    power = (1 + (omega * recorded.high_us) ** 2) / (1 + (omega * played.high_us) ** 2)
    sine = np.sin(np.pi * _MATCHED_AT) ** 2
    up, down = np.linalg.solve(np.stack((sine, -power * sine), axis=1), power - 1)
    (b0, b1), (a0, a1) = (((1 + root) / 2, (1 - root) / 2) for root in np.sqrt([1 + up, 1 + down]))
    return [b0 / a0, b1 / a0, 0.0, 1.0, a1 / a0, 0.0]


def _response(cascade: Sections, hz: float, rate_hz: int) -> complex:
    delays = np.exp(-2j * np.pi * hz / rate_hz * np.arange(3))
    return complex(np.prod((cascade[:, :3] @ delays) / (cascade[:, 3:] @ delays)))


def analog_db(played: TimeConstants, recorded: TimeConstants, hz: float) -> float:
    """Return the exact difference of two standards' time constants re 1 kHz, dB."""

    def flux(constants: TimeConstants, hz: float) -> float:
        omega = 2e-6 * math.pi * hz
        bass = 0.0 if constants.low_us is None else 1 / (omega * constants.low_us)
        return (1 + bass**2) / (1 + (omega * constants.high_us) ** 2)

    at, aligned = (flux(played, f) / flux(recorded, f) for f in (hz, _ALIGNED_HZ))
    return 10 * math.log10(at / aligned)
