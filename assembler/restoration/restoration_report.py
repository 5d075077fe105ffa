"""Report the restoration of a side: what was done, with measurements before and after."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from assembler.dsp.decibels import decibels, rounded
from assembler.manifest.playback import Playback
from assembler.manifest.tone_text import band_text
from assembler.manifest.transfers import Transfer
from assembler.restoration.analysis.hum_pitch import pitch_text, where_text
from assembler.restoration.analysis.programme import ProgrammeReading
from assembler.restoration.chain import Resolved
from assembler.restoration.condition import Condition
from assembler.restoration.repair.dropouts import DropoutSpan
from assembler.restoration.repair.playback import analog_db
from assembler.text import clock_text, counted, signed

Levels = tuple[float | None, float | None]
_ONLY_FOR_SPLIT = ("over_print_db", "without_hum_db")
_MEASURES: dict[str, tuple[str, Callable[[Condition], float | None]]] = {
    "dc": ("DC offset, % of full scale", lambda c: 100 * max(map(abs, c.channels.dc))),
    "swap_channels": ("left re right, dB", lambda c: _left_re_right(c.channels.rms_dbfs)),
    "invert_polarity": ("correlation of left and right", lambda c: c.channels.correlation),
    "declick": ("clicks per minute", lambda c: c.clicks_per_minute),
    "dropouts": ("dropouts", lambda c: len(c.dropouts)),
    "balance": ("level of left re right, dB", lambda c: _left_re_right(c.channels.rms_dbfs)),
    "hum": ("hum, dBFS", lambda c: c.hum.level_dbfs),
    "wow": ("cyclic wow, ± %", lambda c: None if c.wow.reason else c.wow.percent),
}
_TONE: tuple[tuple[str, Callable[[Condition], float | None]], ...] = (
    ("octave at 40 Hz re 1 kHz, dB", lambda c: c.tonal_balance.bass_db),
    ("octave at 10 kHz re 1 kHz, dB", lambda c: c.tonal_balance.treble_db),
)
"""For playback EQ and EQ: the one that changes more is reported."""


def restoration_report(
    transfer: Transfer,
    resolved: Resolved,
    before: Condition,
    after: Condition,
    noise_dbfs: Levels | None,
    programme: ProgrammeReading | None,
) -> dict[str, Any]:
    """Return what was done to a side as plain data, step by step.

    Parameters
    ----------
    transfer, resolved
        The side with the steps requested by the manifest, and the steps that were done with
        their values.
    before, after
        Readings of the whole side.
    noise_dbfs
        Level of the noise print before and after noise reduction (`noise_print_levels`).
    programme
        The level over time of the restored side, if silence is trimmed by it.

    Returns
    -------
    dict
        ``steps``: a list of ``step``, ``done``, ``measure``, ``before``, ``after``;
        ``unresolved``: steps whose value is not determined; ``reasons``: why, by step;
        ``settled``: for `Resolved.from_json`; ``begins_s``: where the programme begins;
        ``programme``: the level over time, if silence is trimmed by it.
    """
    steps = [
        {
            "step": name,
            "done": done_text(name, value, transfer) + _thumps_text(name, before),
            **_measured(name, transfer, before, after, noise_dbfs),
        }
        for name, value in resolved.values().items()
    ]
    report: dict[str, Any] = {
        "steps": steps,
        "unresolved": list(resolved.unresolved),
        "reasons": unresolved_reasons(transfer, resolved, before),
        "settled": resolved.as_json(),
        "begins_s": before.begins_s,
    }
    if programme:
        report["programme"] = programme_json(programme)
    return report


def unresolved_reasons(transfer: Transfer, resolved: Resolved, before: Condition) -> dict[str, str]:
    """Return why a requested value is not determined, by step."""
    reasons = {
        "azimuth": _delay(transfer, before)[1],
        "balance": before.channels.balance_reason,
        "wow": before.wow.refusal,
    }
    return {
        step: reasons.get(step) or "no hum at that mains frequency was found"
        for step in resolved.unresolved
    }


def done_text(name: str, value: Any, transfer: Transfer) -> str:
    """Return what a step did as a phrase; the verb gives the direction, the number has no sign."""
    restoration = transfer.restoration
    if name == "dc":
        left, right = (f"{signed(100 * part, 3)} %" for part in value)
        return f"DC offset removed: left {left}, right {right} of full scale"
    if name == "noise" and restoration.noise:
        at = f"{clock_text(restoration.noise.from_)} to {clock_text(restoration.noise.to)}"
        return f"noise reduced by {restoration.noise.reduction:g} dB, noise print from {at}"
    if name in ("playback", "dropouts"):
        return {"playback": _playback_text, "dropouts": _dropouts_text}[name](value)
    if name == "equaliser":
        bands = [band_text(band) for band in transfer.equaliser]
        if transfer.mono_below is not None:
            bands.append(f"mono below {transfer.mono_below:g} Hz")
        return f"EQ of the whole side: {'; '.join(bands)}"
    if name == "hum":
        mains_hz, count, stretches = value
        hum = f"hum of {pitch_text(mains_hz, stretches, 3)} removed{where_text(stretches)}"
        return f"{hum}, {counted(count, 'harmonic')}"
    if name == "azimuth":
        return _azimuth_text(value)
    if name == "wow":
        return f"cyclic wow of ±{100 * value.peak:.2f} % at {value.hz:.3f} Hz corrected"
    if name == "speed":
        percent = float(100 * (value - 1))
        verb = "sped up" if percent > 0 else "slowed"
        return f"{verb} by {abs(percent):.3f} %, pitch and tempo together"
    if name == "balance":
        verb = "raised" if value > 0 else "lowered"
        return f"left {verb} by {abs(value):.2f} dB against right"
    if name == "declick":
        return f"clicks removed, strength {value:g}"
    return "left and right swapped" if name == "swap_channels" else f"polarity inverted: {value}"


def _thumps_text(name: str, before: Condition) -> str:
    """Return how many thumps after clicks are removed, for the step that removes them."""
    peaks = before.thump_peaks
    if name != "declick" or not peaks:
        return ""
    loudest = f"the loudest at {signed(decibels(max(peaks)), 1)} dBFS"
    return f"; {counted(len(peaks), 'thump')} after them removed, {loudest}"


def _azimuth_text(delay_us: float | tuple[float, ...]) -> str:
    if isinstance(delay_us, tuple):
        low, high = (signed(of(delay_us), 0) for of in (min, max))
        return f"delay of right re left followed and corrected, {low} to {high} µs"
    if not delay_us:
        return "no audible delay of right re left: nothing is corrected"
    return f"{'left' if delay_us > 0 else 'right'} channel delayed by {abs(delay_us):.1f} µs"


def _dropouts_text(spans: Sequence[DropoutSpan]) -> str:
    found = counted(len(spans), "dropout")
    return f"{found} found, repaired where possible" if spans else "no dropouts found"


def _playback_text(playback: Playback) -> str:
    constants = playback.constants
    bass, treble = (signed(analog_db(*constants, hz)) for hz in (40, 10_000))
    return f"playback EQ corrected from {playback.text}: {bass} dB at 40 Hz, {treble} dB at 10 kHz"


def _delay(transfer: Transfer, condition: Condition) -> tuple[float | None, str]:
    """Return the delay of right re left, the largest if it is followed; or why there is none."""
    if transfer.restoration.azimuth != "follow":
        return condition.channels.delay_us, condition.channels.delay_reason
    path = condition.delay_path
    return (None, path.reason) if path.reason else (path.largest_us, "")


def _left_re_right(rms_dbfs: Levels) -> float | None:
    left, right = rms_dbfs
    return None if left is None or right is None else left - right


def _measured(
    name: str,
    transfer: Transfer,
    before: Condition,
    after: Condition,
    noise_dbfs: Levels | None,
) -> dict[str, Any]:
    values: Levels
    if name == "noise" and noise_dbfs:
        measure, values = "level of the noise print, dBFS", noise_dbfs
    elif name == "azimuth":
        measure = "delay of right re left, µs"
        values = _delay(transfer, before)[0], _delay(transfer, after)[0]
    elif name in _MEASURES:
        measure, value_of = _MEASURES[name]
        values = value_of(before), value_of(after)
    elif name in ("playback", "equaliser"):
        read = [(measure, (of(before), of(after))) for measure, of in _TONE]
        measure, values = max(read, key=lambda one: _change(one[1]))
    else:
        return {}
    return {"measure": measure, "before": rounded(values[0]), "after": rounded(values[1])}


def _change(values: Levels) -> float:
    before, after = values
    return -1.0 if before is None or after is None else abs(after - before)


def programme_json(reading: ProgrammeReading) -> dict[str, Any]:
    """Return the level of a side over time as plain data; `programme_from_json` reads it."""
    return {
        name: [round(float(level), 2) for level in value]
        if isinstance(value, np.ndarray)
        else value
        for name, value in vars(reading).items()
        if name not in _ONLY_FOR_SPLIT
    }


def programme_from_json(data: dict[str, Any]) -> ProgrammeReading:
    """Return the level of a side over time from the plain data of `programme_json`."""
    values: dict[str, Any] = {
        name: np.array(value, np.float32) if isinstance(value, list) else value
        for name, value in data.items()
    }
    return ProgrammeReading(**values)
