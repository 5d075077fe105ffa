"""Playing levels in tags, by which a player plays tracks or albums equally loud.

ReplayGain 2.0 (gain to -18 LUFS, two decimals; peak as an amplitude, full scale 1); Opus has its
own by RFC 7845, section 5.2.1: gain to -23 LUFS in steps of 1/256 dB (Q7.8), on top of the header's
output gain, which the encoder leaves at 0, and no ReplayGain. Peaks are true peaks, so that a
player that prevents clipping also prevents it between samples.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from assembler.dsp.decibels import amplitude

REPLAY_GAIN_LUFS = -18.0
R128_LUFS = -23.0
_Q7_8 = 256
_MOST_Q7_8 = 0x7FFF


@dataclass(frozen=True)
class PlayingLevels:
    """Levels of a finished file and of the release that it is part of.

    Attributes
    ----------
    track_lufs, album_lufs
        Integrated loudness; None for silence. The album's is gated over all its tracks together.
    track_peak, album_peak
        Highest true peak as an amplitude, full scale 1.
    """

    track_lufs: float | None
    track_peak: float
    album_lufs: float | None
    album_peak: float

    def lowered(self, lowered_db: float) -> PlayingLevels:
        """Return the levels of the same sound, lowered."""
        return replace(
            self,
            track_lufs=None if self.track_lufs is None else self.track_lufs - lowered_db,
            album_lufs=None if self.album_lufs is None else self.album_lufs - lowered_db,
            track_peak=self.track_peak * amplitude(-lowered_db),
            album_peak=self.album_peak * amplitude(-lowered_db),
        )


def replay_gain(levels: PlayingLevels) -> Iterator[tuple[str, str]]:
    """Yield the tag fields of ReplayGain 2.0 and their texts.

    Examples
    --------
    >>> dict(replay_gain(PlayingLevels(-14.0, 0.891251, None, 0.9)))["track_gain"]
    '-4.00 dB'
    """
    pairs = (
        ("track", levels.track_lufs, levels.track_peak),
        ("album", levels.album_lufs, levels.album_peak),
    )
    for of, lufs, peak in pairs:
        if lufs is not None:
            yield f"{of}_gain", f"{REPLAY_GAIN_LUFS - lufs:.2f} dB"
            yield f"{of}_peak", f"{peak:.6f}"


def r128_gain(levels: PlayingLevels) -> Iterator[tuple[str, str]]:
    """Yield the tag fields of Opus and their texts.

    Examples
    --------
    >>> dict(r128_gain(PlayingLevels(-14.0, 0.9, None, 0.9)))["r128_track_gain"]
    '-2304'
    """
    for of, lufs in (("track", levels.track_lufs), ("album", levels.album_lufs)):
        if lufs is not None:
            steps = round((R128_LUFS - lufs) * _Q7_8)
            yield f"r128_{of}_gain", str(max(-_MOST_Q7_8 - 1, min(steps, _MOST_Q7_8)))
