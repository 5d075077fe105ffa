"""The sound of a passage as it is delivered, before it is quantized: gain, clipper, limiter."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from assembler.dsp.blocks import Samples
from assembler.dsp.clipper import clip
from assembler.dsp.limiter import LimiterSettings, limit
from assembler.manifest import Level
from assembler.mastering.clipping import ClippingLog, clippers_of
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
    clipping: ClippingLog | None = None,
) -> Iterator[Samples]:
    """Apply the gains of a passage's tracks, clip where they ask for it, and limit them.

    Parameters
    ----------
    rendered
        The passage.
    gains_db
        Gain of each of its tracks.
    limiter
        The limiter's settings.
    log
        Collects the limiter's gain reduction.
    clipping
        Collects what the clipper does.
    """
    sound, rate_hz = with_gain(rendered, gains_db), rendered.rate_hz
    for clipper in clippers_of(rendered, limiter.ceiling_dbtp):
        sound = clip(sound, rate_hz, clipper, clipping.of(clipper) if clipping else None)
    for block, gain_reduction in limit(sound, rate_hz, *limiter):
        if log:
            log.add(gain_reduction)
        yield block
