"""Find the faults of a side: each with its measured value, a remedy and a line for the manifest.

Inaudible faults are not reported. Audibility is judged with the loud passages played at
`PLAYED_DB_SPL`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from assembler.restoration.analysis.hum_pitch import pitch_text, where_text
from assembler.restoration.analysis.noise_floor import LOWEST_DB
from assembler.restoration.analysis.stereo.interchannel_delay import SECTIONS_DISAGREE
from assembler.restoration.analysis.tuning import CONCERT_HZ
from assembler.restoration.survey.readings import SideReadings
from assembler.text import clock_text, counted, signed

# Where no source is named, a limit is the studio's own, set by ear on transfers.
PLAYED_DB_SPL = 85.0
"""Sound pressure level of the loud passages in playback."""
QUIET_ROOM_DB_SPL = 25.0
"""Noise below this is inaudible in a room."""
BALANCE_DB = 1.0
"""A level difference between the channels that shifts the centre of the image."""
AZIMUTH_US = 15.0
"""Lowers 10 kHz by 1 dB in mono: 20 log10 cos(π · 10 kHz · 15 µs) = −1.0 dB."""
DC = 0.001
"""Relative to full scale: each cut then makes a step of −60 dBFS, which clicks."""
CLIPPED_PEAKS, CLIPPED_LONG_SAMPLES = 10, 12
"""Fewer and shorter ones are inaudible."""
CLICKS, CLICKS_PER_MINUTE = 3, 0.5
"""One click in two minutes is noticed in quiet music."""
RUMBLE_DB = 45.0
"""Below the loud passages; louder rumble moves a woofer visibly and costs headroom."""
FLUTTER_PERCENT = 0.2
"""Weighted; IEC 60094 allows a domestic cassette deck about as much (from memory)."""
SPEED_PERCENT = 0.3
"""5 cents, about the smallest audible change of pitch."""
LOW_BITS = 16
"""IASA-TC 04 (from memory) recommends 24 bits; 20 are enough for any tape."""
INAUDIBLE_UNDER_NOISE_DB = 10.0
"""Noise that far below other noise raises it by 0.4 dB."""
CUT_OFF_HZ = 19_000.0
"""A cut-off above this is inaudible, and every 44.1 kHz file has one."""
TREBLE_ENDS_HZ, TREBLE_DB = 8000.0, -50.0
"""Sibilants of a voice reach 8 kHz and beyond."""
LEAST_REDUCTION_DB, MOST_REDUCTION_DB = 3, 8
"""Noise reduction of more than 8 dB becomes audible in the music."""
MOST_HARMONICS = 20
MOST_PLACES = 200
"""Most places that are listed one by one."""

_THRESHOLD_HZ = (20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800)
_THRESHOLD_DB_SPL = (
    *(78.5, 68.7, 59.5, 51.1, 44.0, 37.5, 31.5, 26.5, 22.1),
    *(17.9, 14.4, 11.4, 8.6, 6.2, 4.4, 3.0, 2.2),
)
"""Threshold of hearing, ISO 226:2003, from memory; taken as flat above 800 Hz."""


@dataclass(frozen=True)
class SideFinding:
    """One fault of a side."""

    code: str
    """Kebab-case name."""
    value: float | str
    """The measured value, in the unit that `measured` names."""
    measured: str
    """The fault and its value as text."""
    remedy: str
    restoration: str | None = None
    """A line for the manifest's `restoration:`; None where no step repairs it, or the step is a
    guess."""
    guess: str | None = None
    """A line for `restoration:` that may be right: pasted as a comment with its reason."""
    side_line: str | None = None
    """A line for the side itself, beside `restoration:`."""
    places: tuple[tuple[float, float], ...] = ()
    """Start and end in seconds, for faults at certain places."""

    def as_json(self) -> dict[str, Any]:
        """Return the finding as plain data."""
        value = round(self.value, 4) if isinstance(self.value, float) else self.value
        places = [[round(begin, 3), round(end, 3)] for begin, end in self.places[:MOST_PLACES]]
        return {**asdict(self), "value": value, "places": places}


def findings_of(side: SideReadings) -> tuple[SideFinding, ...]:
    """Return the faults of a side, in the order in which they are repaired."""
    if side.programme.begins_s is None:
        return (_no_sound(side),)
    checks: tuple[Callable[[SideReadings], Iterator[SideFinding]], ...] = (
        *(_dead, _dc, _swapped, _polarity, _clicks, _azimuth, _balance, _hum, _noise, _rumble),
        *(_wow, _speed, _tuning, _clipped, _dropouts, _print_through, _bit_depth, _bandwidth),
    )
    return tuple(finding for check in checks for finding in check(side))


def _no_sound(side: SideReadings) -> SideFinding:
    floor_db = side.programme.wide_floor_db
    steady = f"steady noise at {signed(floor_db)} dBFS" if floor_db > LOWEST_DB else "silence"
    measured = f"no programme found, only {steady}"
    remedy = "check the cables, and check that the tape has music on it"
    return SideFinding("no-sound", floor_db, measured, remedy)


def _dead(side: SideReadings) -> Iterator[SideFinding]:
    for dead in side.channels.dead:
        remedy = "check its cable and the head, then transfer again; else use the other channel"
        yield SideFinding("channel-dead", dead, f"the {dead} channel has no signal", remedy)
    if side.channels.identical and not side.mono and not side.channels.dead:
        remedy = "correct for a mono tape; for a stereo tape, check the cables and transfer again"
        measured = "left and right are identical"
        yield SideFinding("channels-alike", "identical", measured, remedy)


def _dc(side: SideReadings) -> Iterator[SideFinding]:
    most = max(side.channels.dc, key=abs)
    if abs(most) >= DC:
        left, right = (f"{signed(100 * value, 2)} %" for value in side.channels.dc)
        measured = f"DC offset: left {left}, right {right} of full scale"
        remedy = "remove it, or every cut will click"
        yield SideFinding("dc-offset", most, measured, remedy, "dc: remove")


def _swapped(side: SideReadings) -> Iterator[SideFinding]:
    if side.names_swapped:
        measured = f"left is {side.files[0]}, right is {side.files[1]}"
        remedy = "the file names suggest swapped channels; check by ear, and swap them if so"
        yield SideFinding("names-swapped", "names", measured, remedy, guess="swap_channels: yes")


def _polarity(side: SideReadings) -> Iterator[SideFinding]:
    correlation = side.channels.correlation
    if side.channels.polarity == "opposite" and not side.channels.dead:
        measured = f"the channels have opposite polarity, correlation {signed(correlation, 2)}"
        remedy = "invert one channel; which one was inverted can't be determined"
        line = "invert_polarity: left"
        yield SideFinding("polarity-opposite", correlation, measured, remedy, line)


def _clicks(side: SideReadings) -> Iterator[SideFinding]:
    count, per_minute = side.clicks.count, side.clicks.per_minute
    if count >= CLICKS and per_minute >= CLICKS_PER_MINUTE:
        measured = f"{count} clicks, {per_minute:.1f} per minute"
        remedy = "declick, then listen to these places; lower the strength if the music suffers"
        line = "declick: {strength: 5}"
        places = tuple((click.start_sample / side.rate_hz,) * 2 for click in side.clicks.clicks)
        yield SideFinding("clicks", per_minute, measured, remedy, line, places=places)


def _is_stereo(side: SideReadings) -> bool:
    """Return whether comparing the channels means anything."""
    return not (side.mono or side.channels.dead or side.channels.identical)


def _azimuth(side: SideReadings) -> Iterator[SideFinding]:
    delay_us, drift_us = side.channels.delay_us, side.channels.drift_us
    reason, path = side.channels.delay_reason, side.delay_path
    if not _is_stereo(side):
        return
    if path.wanders:
        low_us, high_us = path.span_us
        span = f"from {signed(low_us, 0)} to {signed(high_us, 0)} µs"
        measured = f"the azimuth wanders: the interchannel delay varies {span}"
        remedy = "check the tape guides and transfer again; if you can't, follow the delay"
        line = "azimuth: follow"
        yield SideFinding("azimuth-wanders", high_us - low_us, measured, remedy, line)
        return
    if drift_us is not None and reason.startswith(SECTIONS_DISAGREE):
        span = reason.removeprefix(f"{SECTIONS_DISAGREE}, ")
        measured = f"the azimuth wanders: sections differ in interchannel delay, {span}"
        remedy = "one value can't correct this: check the tape guides and transfer again"
        yield SideFinding("azimuth-wanders", drift_us, measured, remedy)
    if delay_us is not None and abs(delay_us) >= AZIMUTH_US:
        late = "right" if delay_us > 0 else "left"
        measured = f"azimuth error: {late} is {abs(delay_us):.0f} µs late, so mono loses treble"
        remedy = "set the head's azimuth and transfer again; if you can't, align the channels"
        line = f"azimuth: {'auto' if side.names_swapped else f'{delay_us:.0f}'}"
        yield SideFinding("azimuth-off", delay_us, measured, remedy, line)


def _balance(side: SideReadings) -> Iterator[SideFinding]:
    left_db = side.channels.balance_db
    if left_db is not None and abs(left_db) >= BALANCE_DB and _is_stereo(side):
        low = "left" if left_db < 0 else "right"
        measured = f"{low} is {abs(left_db):.1f} dB lower in the sound common to both channels"
        remedy = "correct the balance to centre the stereo image"
        line = f"balance: {'auto' if side.names_swapped else f'{-left_db:+.1f}'}"
        yield SideFinding("balance-off", left_db, measured, remedy, line)


def audible_harmonics(side: SideReadings) -> int:
    """Return the highest harmonic of the hum that is audible without masking; 0 for none."""
    spl_db = PLAYED_DB_SPL - side.loud_db
    audible = [
        harmonic.number
        for harmonic in side.hum.harmonics
        if harmonic.dbfs + spl_db > np.interp(harmonic.hz, _THRESHOLD_HZ, _THRESHOLD_DB_SPL)
    ]
    return max(audible, default=0)


def _hum(side: SideReadings) -> Iterator[SideFinding]:
    hum = side.hum
    if hum.nominal_hz is None or hum.level_dbfs is None or hum.mains_hz is None:
        return
    if harmonics := min(audible_harmonics(side), MOST_HARMONICS):
        level = f"{signed(hum.level_dbfs)} dBFS, audible up to harmonic {harmonics}"
        pitch = pitch_text(hum.mains_hz, hum.stretches, 2)
        measured = f"mains hum at {pitch}{where_text(hum.stretches)}, {level}"
        remedy = "find the ground loop and transfer again; if you can't, remove the hum"
        line = f"hum: {{mains: {hum.nominal_hz}, harmonics: {harmonics}}}"
        yield SideFinding("hum", hum.level_dbfs, measured, remedy, line)


def _noise(side: SideReadings) -> Iterator[SideFinding]:
    """Report audible noise, if a passage of noise alone shows that it isn't quiet music."""
    floor_db, alone = side.noise_floor_dbfs, side.noise_alone_s
    below_db = side.loud_db - floor_db
    audible_db = floor_db - side.loud_db + PLAYED_DB_SPL - QUIET_ROOM_DB_SPL
    if audible_db > 0 and alone:
        begin, end = map(clock_text, alone)
        level = f"{signed(floor_db)} dBFS, {below_db:.0f} dB below the loud passages"
        remedy = f"reduce it, with the noise print from {begin} to {end}"
        reduction_db = min(max(round(audible_db), LEAST_REDUCTION_DB), MOST_REDUCTION_DB)
        line = f"noise: {{from: {begin}, to: {end}, reduction: {reduction_db}}}"
        measured = f"noise floor at {level}"
        yield SideFinding("noise-high", floor_db, measured, remedy, line, places=(alone,))


def _rumble(side: SideReadings) -> Iterator[SideFinding]:
    rumble = side.rumble
    if rumble.level_dbfs is None or rumble.level_dbfs < side.loud_db - RUMBLE_DB:
        return
    below = f"{side.loud_db - rumble.level_dbfs:.0f} dB below the loud passages"
    measured = f"rumble below 25 Hz at {signed(rumble.level_dbfs)} dBFS in the pauses, {below}"
    by = f"{rumble.lowered_db:.0f} dB"
    remedy = f"filter it: a high-pass at {rumble.high_pass_hz} Hz lowers it by {by}"
    band = f"{{shape: high_pass, hz: {rumble.high_pass_hz}, slope: 24}}"
    line = f"equaliser: [{band}]"
    yield SideFinding("rumble", rumble.level_dbfs, measured, remedy, side_line=line)


def _print_through(side: SideReadings) -> Iterator[SideFinding]:
    found = side.print_through
    if found.lag_s is None:
        return
    loudest = max(echo.level_db for echo in found.echoes)
    where = f"{found.lag_s:.2f} s before {len(found.echoes)} of {found.onsets} loud onsets"
    measured = f"print-through: pre-echo {where}, up to {signed(loudest, 0)} dB re the onset"
    remedy = "wind the tape several times and transfer again; it can't be repaired"
    places = tuple((echo.at_s - echo.lag_s, echo.at_s) for echo in found.echoes)
    yield SideFinding("print-through", loudest, measured, remedy, places=places)


def _wow(side: SideReadings) -> Iterator[SideFinding]:
    cyclic, tone = side.wow.cyclic, side.speed.flutter if side.speed else None
    remedy = "clean capstan and pinch roller, or centre the record, and transfer again"
    if cyclic:
        percent = f"±{side.wow.percent:.2f} %"
        weighted = f"{side.wow.weighted_percent:.2f} % weighted"
        measured = f"cyclic wow of {percent} at {cyclic.hz:.2f} Hz, {weighted}"
        if side.wow.refusal:
            remedy += f"; it can't be corrected: {side.wow.refusal}"
        else:
            remedy += "; if you can't, correct it"
        line = None if side.wow.refusal else "wow: auto"
        yield SideFinding("wow", side.wow.percent, measured, remedy, line)
    elif tone and tone.weighted_percent >= FLUTTER_PERCENT:
        measured = f"wow and flutter of {tone.weighted_percent:.2f} % weighted, in the tone"
        yield SideFinding("flutter", tone.weighted_percent, measured, remedy)


def _speed(side: SideReadings) -> Iterator[SideFinding]:
    percent = 100 * (side.speed.factor - 1) if side.speed else 0.0
    if side.speed is None or abs(percent) < SPEED_PERCENT:
        return
    line = f"speed: {percent:+.2f} %"
    off = f"{abs(percent):.2f} % too {'slow' if percent > 0 else 'fast'}: {side.speed.how}"
    if side.speed.is_guess:
        remedy = "check the pitch against an instrument or another copy before you correct it"
        yield SideFinding("speed-guess", percent, f"perhaps {off}", remedy, guess=line)
    else:
        remedy = f"correct the speed by {signed(percent, 2)} %; pitch and tempo change together"
        yield SideFinding("speed-off", percent, f"speed {off}", remedy, line)


def _tuning(side: SideReadings) -> Iterator[SideFinding]:
    """Report a speed by the music's tuning, unless a tone shows it, or the hum shows the same."""
    cents, a_hz, speed = side.tuning.cents, side.tuning.a_hz, side.speed
    if cents is None or a_hz is None or (speed and not speed.is_guess):
        return
    percent = 100 * (CONCERT_HZ / a_hz - 1)
    by_hum = 100 * (speed.factor - 1) if speed else 0.0
    if abs(percent) < SPEED_PERCENT or abs(percent - by_hum) < SPEED_PERCENT:
        return
    off = f"{abs(percent):.2f} % too {'slow' if percent > 0 else 'fast'}"
    measured = f"perhaps {off}: the music is tuned to A = {a_hz:.1f} Hz, not 440 Hz"
    remedy = (
        "ask for the pitch it was played at, or compare it with another copy; an error of whole "
        "semitones (5.9 % each) would not show"
    )
    line = f"speed: {percent:+.2f} %"
    yield SideFinding("speed-by-tuning", percent, measured, remedy, guess=line)


def _clipped(side: SideReadings) -> Iterator[SideFinding]:
    pcm = side.pcm
    if pcm.clipped_peaks >= CLIPPED_PEAKS or pcm.longest_samples >= CLIPPED_LONG_SAMPLES:
        peak = max(peak for peak in pcm.peak_dbfs if peak is not None)
        first = clock_text(pcm.clipped[0].at_s)
        longest = f"the longest for {pcm.longest_samples} samples, first at {first}"
        peaks = counted(pcm.clipped_peaks, "peak")
        measured = f"{peaks} clipped at {signed(peak)} dBFS, {longest}"
        remedy = "clipping can't be repaired: transfer again at a lower level"
        places = tuple((place.at_s, place.at_s + 1) for place in pcm.clipped)
        yield SideFinding("clipped", float(pcm.clipped_peaks), measured, remedy, places=places)


def _dropouts(side: SideReadings) -> Iterator[SideFinding]:
    dropouts = side.dropouts
    if dropouts:
        deepest = max(dropouts, key=lambda dropout: dropout.depth_db)
        place = f"{deepest.depth_db:.0f} dB at {clock_text(deepest.at_s)}"
        measured = f"{counted(len(dropouts), 'dropout')}, the deepest {place}"
        remedy = "clean the head and the tape and transfer again; if you can't, repair them"
        places = tuple((drop.at_s, drop.at_s + drop.length_s) for drop in dropouts)
        line = "dropouts: repair"
        yield SideFinding("dropouts", float(len(dropouts)), measured, remedy, line, places=places)


def _bit_depth(side: SideReadings) -> Iterator[SideFinding]:
    used = max((bits for bits in side.pcm.bits_used if bits is not None), default=None)
    if side.bits is None or used is None or used > LOW_BITS or used >= side.bits:
        return
    quantisation_noise_db = -6.0206 * (used - 1) - 10.79
    margin_db = side.noise_floor_dbfs - quantisation_noise_db
    remedy = "the word length is too short for this recording: transfer again with 24 bits"
    if margin_db > INAUDIBLE_UNDER_NOISE_DB:
        remedy = f"inaudible: quantisation noise is {margin_db:.0f} dB below the noise floor"
    measured = f"only {used} of {side.bits} bits are used"
    yield SideFinding("short-words", float(used), measured, remedy)


def _bandwidth(side: SideReadings) -> Iterator[SideFinding]:
    cliff_hz, ends_hz = side.bandwidth.cliff_hz, side.bandwidth.ends_hz
    treble_db = side.bandwidth.treble_db
    if cliff_hz is not None and cliff_hz < min(CUT_OFF_HZ, 0.43 * side.rate_hz):
        khz = f"{cliff_hz / 1000:.1f} kHz"
        measured = f"steep cut-off at {khz} in music and noise, which no tape has"
        remedy = "the file was lossy or at a low sample rate: ask for the original transfer"
        yield SideFinding("cut-off", cliff_hz, measured, remedy)
        return
    if ends_hz is None or ends_hz >= TREBLE_ENDS_HZ or treble_db is None or treble_db >= TREBLE_DB:
        return
    measured = f"no music and no noise above {ends_hz / 1000:.1f} kHz"
    remedy = "clean the head, set its azimuth, check the deck's speed and EQ; transfer again"
    yield SideFinding("treble-missing", ends_hz, measured, remedy)
