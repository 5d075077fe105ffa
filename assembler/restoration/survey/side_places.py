"""The places of a side's clicks, clipping and dropouts as a text, to go through them by ear."""

from __future__ import annotations

from collections.abc import Iterator

from assembler.restoration.analysis.resolution import CHANNELS
from assembler.restoration.survey.survey import Survey
from assembler.text import clock_text


def places_text(name: str, side: Survey) -> str:
    """Return all places of a side, a line each, in order of time.

    Parameters
    ----------
    name
        Of the side.
    side
        Its survey.

    Returns
    -------
    str
        Columns separated by tabs: time, seconds, length in ms, channel, what is there.
    """
    heading = f"{name}: {' + '.join(side.files)}, {side.rate_hz} Hz, {clock_text(side.length_s)}"
    columns = "time\tseconds\tms\tchannel\twhat"
    lines = [heading, columns, *(line for _, line in sorted(_places(side)))]
    if (more := side.clicks.count - len(side.clicks.clicks)) > 0:
        lines.append(f"{more} more clicks after these are counted and not listed")
    return "".join(f"{line}\n" for line in lines)


def _places(side: Survey) -> Iterator[tuple[float, str]]:
    for click in side.clicks.clicks:
        at_s, length_s = click.start_sample / side.rate_hz, click.samples / side.rate_hz
        yield _line(at_s, length_s, CHANNELS[click.channel], "click")
    for drop in side.dropouts.dropouts:
        what = f"dropout of {drop.depth_db:.0f} dB"
        yield _line(drop.at_s, drop.length_s, CHANNELS[drop.channel], what)
    for place in side.words.clipped:
        yield _line(place.at_s, 1.0, place.channel, f"{place.crests} clipped peaks")


def _line(at_s: float, length_s: float, channel: str, what: str) -> tuple[float, str]:
    text = f"{clock_text(at_s)}\t{at_s:.6f}\t{1000 * length_s:.2f}\t{channel}\t{what}"
    return at_s, text
