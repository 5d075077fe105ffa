"""What is wrong with a side, told with its measured value, a remedy and the line that mends it.

Nothing is recommended where the fault would not be heard. How loud the side is played decides that:
its loud places at `PLAYED_DB_SPL`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from assembler.restoration.analysis.noise_floor import LOWEST_DB
from assembler.text import clock_text, signed

if TYPE_CHECKING:
    from assembler.restoration.survey.survey import Survey

PLAYED_DB_SPL = 85.0
"""Sound pressure of the loud places; common practice, no source."""
QUIET_ROOM_DB_SPL = 25.0
"""Noise below this is not heard in a room; common practice, no source."""
BALANCE_DB = 1.0
"""A difference between the channels that moves the middle; common practice, no source."""
AZIMUTH_US = 15.0
"""In mono, 10 kHz is then 1 dB weaker: 20 log10 cos(π · 10 kHz · 15 µs) = −1.0 dB."""
DC = 0.001
"""Of full scale: a cut then makes a step of −60 dBFS, a click; common practice, no source."""
CLIPPED_CRESTS, CLIPPED_LONG_SAMPLES = 10, 12
"""Fewer and shorter ones are not heard; common practice, no source."""
CLICKS, CLICKS_A_MINUTE = 3, 0.5
"""Common practice, no source: a click in two minutes is noticed in quiet music."""
SPEED_PERCENT = 0.3
"""5 cents, about the least change of pitch that is heard; common practice, no source."""
SHORT_WORDS_BITS = 16
"""IASA-TC 04 (from memory) asks for 24 bits; 20 are as good for any tape."""
WORDS_UNHEARD_DB = 10.0
"""Noise so far under other noise adds 0.4 dB to it."""
CLIFF_HEARD_HZ = 19_000.0
"""A cliff above is not heard, and every 44.1 kHz file has one; common practice, no source."""
TREBLE_ENDS_HZ, TREBLE_DB = 8000.0, -50.0
"""A voice's s lies up to 8 kHz and beyond; common practice, no source."""
REDUCE_LEAST_DB, REDUCE_MOST_DB = 3, 8
"""More than 8 dB of noise taken out is heard in the music; common practice, no source."""
MOST_HARMONICS = 20
MOST_PLACES = 200
"""So many are listed one by one."""

_THRESHOLD_HZ = (20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800)
_THRESHOLD_DB_SPL = (
    *(78.5, 68.7, 59.5, 51.1, 44.0, 37.5, 31.5, 26.5, 22.1),
    *(17.9, 14.4, 11.4, 8.6, 6.2, 4.4, 3.0, 2.2),
)
"""Threshold of hearing, ISO 226:2003, from memory; taken as flat above 800 Hz."""


@dataclass(frozen=True)
class SideFinding:
    """One thing that is wrong with a side.

    Attributes
    ----------
    code
        Kebab-case name.
    value
        What was measured, in the unit that `measured` names.
    measured
        The same in words.
    remedy
        What to do, in plain words.
    restoration
        The line for the manifest's `restoration:`; None where none helps, or it would be a guess.
    guess
        A line for `restoration:` that may be right: pasted as a comment, with its reason.
    places
        From and to in seconds, where it lies at certain places.
    """

    code: str
    value: float | str
    measured: str
    remedy: str
    restoration: str | None = None
    guess: str | None = None
    places: tuple[tuple[float, float], ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Give the finding as plain data."""
        value = round(self.value, 4) if isinstance(self.value, float) else self.value
        places = [[round(begin, 3), round(end, 3)] for begin, end in self.places[:MOST_PLACES]]
        return {**asdict(self), "value": value, "places": places}


def findings_of(side: Survey) -> tuple[SideFinding, ...]:
    """Give what is wrong with a side, in the order in which it is mended."""
    if side.programme.begins_s is None:
        return (_no_sound(side),)
    lookers: tuple[Callable[[Survey], Iterator[SideFinding]], ...] = (
        *(_dead, _dc, _swapped, _polarity, _clicks, _azimuth, _balance, _hum, _noise, _speed),
        *(_clipped, _dropouts, _words, _bandwidth),
    )
    return tuple(finding for look in lookers for finding in look(side))


def _no_sound(side: Survey) -> SideFinding:
    floor_db = side.programme.wide_floor_db
    steady = f"a steady level of {signed(floor_db)} dBFS" if floor_db > LOWEST_DB else "silence"
    measured = f"nothing stands over {steady}"
    remedy = "check the cables, and whether there is any music on the tape"
    return SideFinding("no-sound", floor_db, measured, remedy)


def _dead(side: Survey) -> Iterator[SideFinding]:
    for dead in side.channels.dead:
        remedy = "check its cable and the head; if it stays so, take the other channel for both"
        yield SideFinding("channel-dead", dead, f"the {dead} channel carries no sound", remedy)
    if side.channels.identical and not side.mono and not side.channels.dead:
        remedy = "right for a mono tape; of a stereo tape, check the cables and transfer it again"
        yield SideFinding(
            "channels-alike", "identical", "both channels hold the same sound", remedy
        )


def _dc(side: Survey) -> Iterator[SideFinding]:
    most = max(side.channels.dc, key=abs)
    if abs(most) >= DC:
        left, right = (f"{signed(100 * value, 2)} %" for value in side.channels.dc)
        yield SideFinding(
            code="dc-offset",
            value=most,
            measured=f"the sound lies off 0: left {left}, right {right} of full scale",
            remedy="take it off, or each cut clicks",
            restoration="dc: remove",
        )


def _swapped(side: Survey) -> Iterator[SideFinding]:
    if side.names_swapped:
        yield SideFinding(
            code="names-swapped",
            value="names",
            measured=f"left is {side.files[0]}, right is {side.files[1]}",
            remedy="only a hint by the names, the sound can't say: if so, swap the channels",
            guess="swap_channels: yes",
        )


def _polarity(side: Survey) -> Iterator[SideFinding]:
    if side.channels.polarity == "opposite" and not side.channels.dead:
        yield SideFinding(
            code="polarity-opposite",
            value=side.channels.correlation,
            measured=f"the channels work against each other, correlation "
            f"{signed(side.channels.correlation, 2)}",
            remedy="turn one; which one was turned can't be heard",
            restoration="invert_polarity: left",
        )


def _clicks(side: Survey) -> Iterator[SideFinding]:
    clicks = side.clicks
    if clicks.count >= CLICKS and clicks.per_minute >= CLICKS_A_MINUTE:
        yield SideFinding(
            code="clicks",
            value=float(clicks.per_minute),
            measured=f"{clicks.count} clicks, {clicks.per_minute:.1f} a minute",
            remedy="restoration them; listen to the places, lower the strength if music suffers",
            restoration="declick: {strength: 5}",
            places=tuple((c.start_sample / side.rate_hz,) * 2 for c in clicks.clicks),
        )


def _compared(side: Survey) -> bool:
    """Tell whether a comparison of the channels says anything."""
    return not (side.mono or side.channels.dead or side.channels.identical)


def _azimuth(side: Survey) -> Iterator[SideFinding]:
    late_us, drift_us = side.channels.offset_us, side.channels.drift_us
    if not _compared(side):
        return
    if drift_us is not None and side.channels.offset_why.startswith("stretches disagree"):
        yield SideFinding(
            code="azimuth-wanders",
            value=drift_us,
            measured=f"the delay between the channels varies by {drift_us:.0f} µs: "
            f"{side.channels.offset_why}",
            remedy="one value can't correct it: check the tape guides and transfer it again",
        )
    if late_us is not None and abs(late_us) >= AZIMUTH_US:
        late = "right" if late_us > 0 else "left"
        value = "auto" if side.names_swapped else f"{late_us:.0f}"
        yield SideFinding(
            code="azimuth-off",
            value=late_us,
            measured=f"the {late} channel is {abs(late_us):.0f} µs late: mono loses treble",
            remedy="better set the head's azimuth and transfer again; else align the channels",
            restoration=f"azimuth: {value}",
        )


def _balance(side: Survey) -> Iterator[SideFinding]:
    left_db = side.channels.balance_db
    if left_db is not None and abs(left_db) >= BALANCE_DB and _compared(side):
        value = "auto" if side.names_swapped else f"{-left_db:+.1f}"
        yield SideFinding(
            code="balance-off",
            value=left_db,
            measured=f"the {'left' if left_db < 0 else 'right'} channel is "
            f"{abs(left_db):.1f} dB weaker in what both share",
            remedy="raise it, if the middle is to sound in the middle",
            restoration=f"balance: {value}",
        )


def heard_harmonics(side: Survey) -> int:
    """Give the highest harmonic of the hum that is heard where nothing masks it; 0 for none."""
    spl_db = PLAYED_DB_SPL - side.loud_db
    heard = [
        harmonic.number
        for harmonic in side.hum.harmonics
        if harmonic.dbfs + spl_db > np.interp(harmonic.hz, _THRESHOLD_HZ, _THRESHOLD_DB_SPL)
    ]
    return max(heard, default=0)


def _hum(side: Survey) -> Iterator[SideFinding]:
    hum = side.hum
    if hum.nominal_hz is None or hum.level_dbfs is None or hum.mains_hz is None:
        return
    if harmonics := min(heard_harmonics(side), MOST_HARMONICS):
        yield SideFinding(
            code="hum",
            value=hum.level_dbfs,
            measured=f"hum of {hum.mains_hz:.2f} Hz mains at {signed(hum.level_dbfs)} dBFS, "
            f"heard up to harmonic {harmonics}",
            remedy="look for the ground loop first; else take it out",
            restoration=f"hum: {{mains: {hum.nominal_hz}, harmonics: {harmonics}}}",
        )


def _noise(side: Survey) -> Iterator[SideFinding]:
    """Tell of noise that is heard; what is never alone can't be told from quiet music."""
    floor_db, alone = side.noise_floor_dbfs, side.noise_alone_s
    over_quiet_db = floor_db - side.loud_db + PLAYED_DB_SPL - QUIET_ROOM_DB_SPL
    if over_quiet_db > 0 and alone:
        reduce_db = min(max(round(over_quiet_db), REDUCE_LEAST_DB), REDUCE_MOST_DB)
        begin, end = map(clock_text, alone)
        yield SideFinding(
            code="noise-high",
            value=floor_db,
            measured=f"noise at {signed(floor_db)} dBFS, {side.loud_db - floor_db:.0f} dB under "
            "the loud places",
            remedy=f"lower it, learnt from {begin} to {end}, where there is nothing else",
            restoration=f"noise: {{from: {begin}, to: {end}, reduction: {reduce_db}}}",
            places=(alone,),
        )


def _speed(side: Survey) -> Iterator[SideFinding]:
    if side.speed is None:
        return
    percent = 100 * (side.speed.factor - 1)
    if abs(percent) < SPEED_PERCENT:
        return
    line, slow = f"speed: {percent:+.2f} %", "slow" if percent > 0 else "fast"
    if side.speed.is_guess:
        yield SideFinding(
            code="speed-guess",
            value=percent,
            measured=f"perhaps {abs(percent):.2f} % too {slow}: {side.speed.how}",
            remedy="compare the pitch with an instrument or another copy before you set a speed",
            guess=line,
        )
        return
    yield SideFinding(
        code="speed-off",
        value=percent,
        measured=f"it runs {abs(percent):.2f} % too {slow}: {side.speed.how}",
        remedy="run it at its right speed; pitch and tempo move together",
        restoration=line,
    )


def _clipped(side: Survey) -> Iterator[SideFinding]:
    words = side.words
    if words.clipped_crests >= CLIPPED_CRESTS or words.longest_samples >= CLIPPED_LONG_SAMPLES:
        peak = max(peak for peak in words.peak_dbfs if peak is not None)
        yield SideFinding(
            code="clipped",
            value=float(words.clipped_crests),
            measured=f"{words.clipped_crests} crests are cut off at {signed(peak)} dBFS, the "
            f"longest for {words.longest_samples} samples, first at "
            f"{clock_text(words.clipped[0].at_s)}",
            remedy="what is cut off is lost: transfer it again at a lower level",
            places=tuple((place.at_s, place.at_s + 1) for place in words.clipped),
        )


def _dropouts(side: Survey) -> Iterator[SideFinding]:
    dropouts = side.dropouts.dropouts
    if dropouts:
        deepest = max(dropouts, key=lambda dropout: dropout.depth_db)
        yield SideFinding(
            code="dropouts",
            value=float(len(dropouts)),
            measured=f"{len(dropouts)} short losses of level, the deepest of "
            f"{deepest.depth_db:.0f} dB at {clock_text(deepest.at_s)}",
            remedy="clean head and tape and play it again; take the places from another copy",
            places=tuple((d.at_s, d.at_s + d.length_s) for d in dropouts),
        )


def _words(side: Survey) -> Iterator[SideFinding]:
    used = max((bits for bits in side.words.bits_used if bits is not None), default=None)
    if side.bits is None or used is None or used > SHORT_WORDS_BITS or used >= side.bits:
        return
    words_db = -6.0206 * (used - 1) - 10.79
    margin_db = side.noise_floor_dbfs - words_db
    remedy = "the words are too short for this sound: transfer it again with 24 bits"
    if margin_db > WORDS_UNHEARD_DB:
        remedy = f"not heard: the noise lies {margin_db:.0f} dB above that of the words"
    measured = f"{used} bits are used of {side.bits}"
    yield SideFinding("short-words", float(used), measured, remedy)


def _bandwidth(side: Survey) -> Iterator[SideFinding]:
    reading = side.bandwidth
    if reading.cliff_hz is not None and reading.cliff_hz < min(CLIFF_HEARD_HZ, 0.43 * side.rate_hz):
        khz = f"{reading.cliff_hz / 1000:.1f} kHz"
        yield SideFinding(
            code="cut-off",
            value=reading.cliff_hz,
            measured=f"all sound and noise ends at once at {khz}, as no tape does",
            remedy="it came through a lossy encoder or a low rate: ask for the first transfer",
        )
    elif (
        reading.ends_hz is not None
        and reading.ends_hz < TREBLE_ENDS_HZ
        and (reading.treble_db is not None and reading.treble_db < TREBLE_DB)
    ):
        yield SideFinding(
            code="treble-missing",
            value=reading.ends_hz,
            measured=f"neither sound nor noise above {reading.ends_hz / 1000:.1f} kHz",
            remedy="clean the head, set its azimuth, check tape speed and equalisation; play again",
        )
