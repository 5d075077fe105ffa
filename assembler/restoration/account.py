"""The account of a side's mending: what was asked, what was done, what was measured around it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from assembler.dsp.decibels import rounded
from assembler.manifest.transfers import Restoration
from assembler.restoration.analysis.programme import ProgrammeReading
from assembler.restoration.chain import Resolved
from assembler.restoration.condition import Condition
from assembler.text import clock_text, signed

_OF_A_SPLIT_ALONE = ("over_print_db", "without_hum_db")
_MEASURES: dict[str, tuple[str, Callable[[Condition], float | None]]] = {
    "dc": ("offset from 0, % of full scale", lambda c: 100 * max(map(abs, c.channels.dc))),
    "swap_channels": ("left above right, dB", lambda c: _left_above_right(c.channels.rms_dbfs)),
    "invert_polarity": ("correlation of left and right", lambda c: c.channels.correlation),
    "declick": ("clicks a minute", lambda c: c.clicks.per_minute),
    "azimuth": ("right late, µs", lambda c: c.channels.offset_us),
    "balance": ("left above right in level, dB", lambda c: _left_above_right(c.channels.rms_dbfs)),
    "hum": ("hum, dBFS", lambda c: c.hum.level_dbfs),
}


def account_of(
    restoration: Restoration,
    settled: Resolved,
    before: Condition,
    after: Condition,
    noise_dbfs: tuple[float | None, float | None] | None,
) -> dict[str, Any]:
    """Return what was done to a side as plain data, in the order in which it was done.

    Parameters
    ----------
    restoration
        What was asked.
    settled
        What was done.
    before, after
        Readings of the whole side.
    noise_dbfs
        Of the noise print, before and after the noise reduction (`noise_around`).

    Returns
    -------
    dict
        ``steps``: a list of ``step``, ``done``, ``measure``, ``before``, ``after``;
        ``unresolved``: steps whose value could not be determined; ``reasons``: why, by step;
        ``settled``: for `Resolved.of_json`; ``begins_s``: where its programme begins;
        ``programme``: the level over time, where tracks are to begin and end by it.
    """
    steps = [
        {
            "step": name,
            "done": done_text(name, value, restoration),
            **_measured(name, before, after),
        }
        for name, value in settled.values().items()
    ]
    for step in steps:
        if step["step"] == "noise" and noise_dbfs:
            was, remains = map(rounded, noise_dbfs)
            step |= {"measure": "level of the noise print, dBFS", "before": was, "after": remains}
    account: dict[str, Any] = {
        "steps": steps,
        "unresolved": list(settled.unresolved),
        "reasons": _reasons(settled, before),
        "settled": settled.as_json(),
        "begins_s": before.programme.begins_s,
    }
    if restoration.trim_silence:
        account["programme"] = programme_json(after.programme)
    return account


def _reasons(settled: Resolved, before: Condition) -> dict[str, str]:
    """Return why a value that was asked for could not be determined, by step."""
    channels = before.channels
    known = {"azimuth": channels.offset_why, "balance": channels.balance_why}
    return {
        step: known.get(step) or "no hum of that mains was found" for step in settled.unresolved
    }


def done_text(name: str, value: Any, restoration: Restoration) -> str:
    """Return what a step did as a phrase: the verb says the direction, the number has no sign."""
    if name == "dc":
        left, right = (f"{signed(100 * part, 3)} %" for part in value)
        return f"DC offset removed: left {left}, right {right} of full scale"
    if name == "noise" and restoration.noise:
        at = f"{clock_text(restoration.noise.from_)} to {clock_text(restoration.noise.to)}"
        return f"noise reduced by {restoration.noise.reduction:g} dB, noise print from {at}"
    if name == "hum":
        return f"hum of {value[0]:.3f} Hz removed, {value[1]} {_plural('harmonic', value[1])}"
    if name == "azimuth":
        return f"{'left' if value > 0 else 'right'} channel delayed by {abs(value):.1f} µs"
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


def _plural(noun: str, count: int) -> str:
    return noun if count == 1 else f"{noun}s"


def _left_above_right(rms_dbfs: tuple[float | None, float | None]) -> float | None:
    left, right = rms_dbfs
    return None if left is None or right is None else left - right


def _measured(name: str, before: Condition, after: Condition) -> dict[str, Any]:
    if name not in _MEASURES:
        return {}
    measure, of = _MEASURES[name]
    return {"measure": measure, "before": rounded(of(before)), "after": rounded(of(after))}


def programme_json(reading: ProgrammeReading) -> dict[str, Any]:
    """Return the level of a side over time as plain data; `programme_of` reads it."""
    return {
        name: [round(float(level), 2) for level in value]
        if isinstance(value, np.ndarray)
        else value
        for name, value in vars(reading).items()
        if name not in _OF_A_SPLIT_ALONE
    }


def programme_of(told: dict[str, Any]) -> ProgrammeReading:
    """Read what `programme_json` gave."""
    plain: dict[str, Any] = {
        name: np.array(value, np.float32) if isinstance(value, list) else value
        for name, value in told.items()
    }
    return ProgrammeReading(**plain)
