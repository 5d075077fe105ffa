"""The sound of a passage as it is delivered, before it is quantized: gain, then the limiter."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from assembler.dsp.blocks import Samples
from assembler.dsp.limiter import LimiterSettings, limit
from assembler.manifest import Level
from assembler.mastering.gain_reduction import GainReductionLog
from assembler.mastering.passage import RenderedPassage, with_gain


def limiter_of(level: Level) -> LimiterSettings:
    """Return the limiter that a level asks for."""
    return LimiterSettings(level.ceiling, level.link / 100)


def limited(
    rendered: RenderedPassage,
    gains_db: Sequence[float],
    limiter: LimiterSettings,
    log: GainReductionLog | None = None,
) -> Iterator[Samples]:
    """Apply the gains of a passage's tracks, and limit them.

    Parameters
    ----------
    rendered
        The passage.
    gains_db
        Gain of each of its tracks.
    limiter
        The limiter's settings.
    log
        Collects the gain reduction.
    """
    gained = with_gain(rendered, gains_db)
    for block, gain_reduction in limit(gained, rendered.rate_hz, *limiter):
        if log:
            log.add(gain_reduction)
        yield block
