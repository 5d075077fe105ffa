"""The settings of a compressor; without its loops, which `check` must not load."""

from __future__ import annotations

from typing import NamedTuple


class CompressorSettings(NamedTuple):
    """How a compressor is set.

    Attributes
    ----------
    threshold_db
        Level above which it compresses, dBFS.
    ratio
        dB of input for each dB of output above the threshold.
    attack_s, release_s
        Time in which 63 % of a change of gain reduction is reached; release_s ≥ attack_s.
    knee_db
        Width of the knee around the threshold.
    mix
        Share of the compressed sound, 0 to 1.
    sidechain_hz
        Corner of a 12 dB/octave high-pass in the sidechain.
    """

    threshold_db: float
    ratio: float
    attack_s: float = 0.03
    release_s: float = 0.2
    knee_db: float = 6.0
    mix: float = 1.0
    sidechain_hz: float | None = None
