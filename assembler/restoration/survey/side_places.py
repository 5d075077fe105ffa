"""List the places of a side's clicks, clipping and dropouts as text, to check them by ear."""

from __future__ import annotations

from collections.abc import Iterator

from assembler.restoration.analysis.resolution import CHANNELS
from assembler.restoration.survey.survey import Survey
from assembler.text import clock_text, counted


def places_text(name: str, side: Survey) -> str:
    """Return all places of a side, one per line, in order of time.

    Returns
    -------
    str
        Columns separated by tabs: time, seconds, length in ms, channel, fault.
    """
    heading = f"{name}: {' + '.join(side.files)}, {side.rate_hz} Hz, {clock_text(side.length_s)}"
    columns = "time\tseconds\tms\tchannel\tfault"
    lines = [heading, columns, *(line for _, line in sorted(_places(side)))]
    if (more := side.clicks.count - len(side.clicks.clicks)) > 0:
        lines.append(f"and {more} more clicks, not listed")
    return "".join(f"{line}\n" for line in lines)


def _places(side: Survey) -> Iterator[tuple[float, str]]:
    for click in side.clicks.clicks:
        at_s, length_s = click.start_sample / side.rate_hz, click.samples / side.rate_hz
        yield _line(at_s, length_s, CHANNELS[click.channel], "click")
    for drop in side.dropouts:
        fault = f"dropout of {drop.depth_db:.0f} dB"
        yield _line(drop.at_s, drop.length_s, drop.channel_name, fault)
    for place in side.pcm.clipped:
        yield _line(place.at_s, 1.0, place.channel, counted(place.peaks, "clipped peak"))


def _line(at_s: float, length_s: float, channel: str, fault: str) -> tuple[float, str]:
    text = f"{clock_text(at_s)}\t{at_s:.6f}\t{1000 * length_s:.2f}\t{channel}\t{fault}"
    return at_s, text
