"""Find the gains of the match, on the sound as it will be delivered: after the limiter."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from assembler.errors import SourceError
from assembler.manifest import Level
from assembler.release.prepared import Prepared, with_gain, with_silence
from assembler.sound.blocks import cut
from assembler.sound.limiter import limit
from assembler.sound.loudness import EnergyMeter

CLOSE_ENOUGH_LU = 0.02
MOST_ROUNDS = 7
MOST_EXTRA_DB = 6.0
"""How far a gain may go beyond what the target asks without limiting."""
NEAR_LOUDEST_LU = 3.0
"""Tracks this near to the loudest can be the loudest after limiting."""

Values = tuple[float, ...]
Run = Callable[..., Iterable[Any]]


@dataclass(frozen=True)
class Matched:
    """Gains of one passage.

    Attributes
    ----------
    gains_db
        Match and trim together, one a track.
    asked_lufs
        The loudness that the match asks of each track; None for a silent one without match.
    """

    prepared: Prepared
    gains_db: Values
    asked_lufs: tuple[float | None, ...]


def match_gains(
    passages: Sequence[Prepared],
    level: Level,
    run: Run,
    guess: Sequence[Matched] | None = None,
) -> list[Matched]:
    """Find every track's gain.

    Parameters
    ----------
    passages
        The whole release at a deliverable's rates.
    level
        What is asked.
    run
        Like `map`; an executor's `map` measures passages side by side.
    guess
        What the same level came to at other rates: a good place to begin.

    Returns
    -------
    list of Matched
        One a passage.

    Raises
    ------
    SourceError
        A track under a match holds nothing that passes the gate.
    """
    sources = list(run(source_loudness, passages))
    if level.match == "none":
        return [_unmatched(*pair) for pair in zip(passages, sources, strict=True)]
    heard = [_heard(*pair) for pair in zip(passages, sources, strict=True)]
    if level.match == "track":
        guesses: Sequence[Matched | None] = guess or [None] * len(passages)
        return list(run(partial(_match_tracks, level), passages, heard, guesses))
    return _match_album(level, passages, heard, run, guess)


def source_loudness(prepared: Prepared) -> list[float | None]:
    """Measure each track of a passage before gain; None for silence."""
    meters = [EnergyMeter(prepared.rate_hz, 2) for _ in prepared.sections]
    sound = with_gain(prepared, [0.0] * len(meters))
    for region, block in cut(with_silence(sound, prepared.length), prepared.cuts):
        meters[region].feed(block)
    return [meter.loudness().integrated_lufs for meter in meters]


def limited_loudness(
    prepared: Prepared, gains_db: Sequence[float], ceiling_dbtp: float
) -> list[float | None]:
    """Measure each track of a passage as it would be delivered with these gains."""
    meters = [EnergyMeter(prepared.rate_hz, 2) for _ in prepared.sections]
    sound = (
        block for block, _ in limit(with_gain(prepared, gains_db), prepared.rate_hz, ceiling_dbtp)
    )
    for region, block in cut(with_silence(sound, prepared.length), prepared.cuts):
        meters[region].feed(block)
    return [meter.loudness().integrated_lufs for meter in meters]


def _trims(prepared: Prepared) -> Values:
    return tuple(float(section.track.trim) for section in prepared.sections)


def _heard(prepared: Prepared, loudness: Sequence[float | None]) -> Values:
    for section, lufs in zip(prepared.sections, loudness, strict=True):
        if lufs is None:
            raise SourceError(
                f"track {section.index + 1} is silent, so there is no loudness to match: check its "
                "source and section, or set `level.match: none`",
                "silent-track",
                section.index,
            )
    return tuple(lufs for lufs in loudness if lufs is not None)


def _unmatched(prepared: Prepared, loudness: Sequence[float | None]) -> Matched:
    trims = _trims(prepared)
    asked = tuple(
        None if lufs is None else lufs + trim for lufs, trim in zip(loudness, trims, strict=True)
    )
    return Matched(prepared, trims, asked)


def _match_tracks(
    level: Level, prepared: Prepared, loudness: Values, guess: Matched | None
) -> Matched:
    """Bring every track of a passage to the target, its trim on top."""
    asked = tuple(level.target + trim for trim in _trims(prepared))

    def land(gains_db: Values) -> Values:
        landed = limited_loudness(prepared, gains_db, level.ceiling)
        return tuple(-99.0 if lufs is None else lufs for lufs in landed)

    start = tuple(wanted - lufs for wanted, lufs in zip(asked, loudness, strict=True))
    first = guess.gains_db if guess else start
    return Matched(prepared, _search(land, start, first, asked), asked)


def _match_album(
    level: Level,
    passages: Sequence[Prepared],
    loudness: Sequence[Values],
    run: Run,
    guess: Sequence[Matched] | None,
) -> list[Matched]:
    """Find the one gain that lands the loudest track on the target; trims come on top."""
    loudest = max(lufs for values in loudness for lufs in values)
    near = [
        prepared
        for prepared, values in zip(passages, loudness, strict=True)
        if max(values) >= loudest - NEAR_LOUDEST_LU
    ]

    def without_trims(gain_db: float, prepared: Prepared) -> float:
        trims = _trims(prepared)
        landed = limited_loudness(prepared, [gain_db + trim for trim in trims], level.ceiling)
        return max(
            -99.0 if lufs is None else lufs - trim for lufs, trim in zip(landed, trims, strict=True)
        )

    def land(gains_db: Values) -> Values:
        return (max(run(partial(without_trims, gains_db[0]), near)),)

    unlimited_db = level.target - loudest
    first_db = guess[0].gains_db[0] - _trims(passages[0])[0] if guess else unlimited_db
    (gain_db,) = _search(land, (unlimited_db,), (first_db,), (level.target,))
    return [
        Matched(
            prepared,
            tuple(gain_db + trim for trim in _trims(prepared)),
            tuple(
                lufs + unlimited_db + trim
                for lufs, trim in zip(values, _trims(prepared), strict=True)
            ),
        )
        for prepared, values in zip(passages, loudness, strict=True)
    ]


def _search(
    land: Callable[[Values], Values], start_db: Values, first_db: Values, asked: Values
) -> Values:
    """Find gains that land on the asked loudness: secant steps, each gain for itself.

    `start_db` would land there without limiting, `first_db` is tried first.
    Loudness rises with gain, by at most 1 LU a dB and by less the more is limited. The gains
    nearest to what is asked are kept, so that no step can make it worse.
    """
    gains = best = first_db
    least = float("inf")
    before: tuple[Values, Values] | None = None
    for _ in range(MOST_ROUNDS):
        landed = land(gains)
        errors = [want - got for want, got in zip(asked, landed, strict=True)]
        furthest = max(abs(error) for error in errors)
        if furthest < least:
            best, least = gains, furthest
        if least <= CLOSE_ENOUGH_LU:
            break
        slopes = _slopes(before, gains, landed)
        before = (gains, landed)
        gains = tuple(
            min(gain + error / slope, start + MOST_EXTRA_DB)
            for gain, error, slope, start in zip(gains, errors, slopes, start_db, strict=True)
        )
        if gains == before[0]:
            break
    return best


def _slopes(before: tuple[Values, Values] | None, gains: Values, landed: Values) -> list[float]:
    if before is None:
        return [1.0] * len(gains)
    return [
        min(1.0, max(0.2, (now - then) / (gain - earlier))) if gain != earlier else 1.0
        for earlier, then, gain, now in zip(*before, gains, landed, strict=True)
    ]
