"""The account of a side's mending: what was asked, what was done, what was measured around it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from assembler.manifest.times import clock_text
from assembler.manifest.transfers import Mend
from assembler.sound.decibels import rounded
from assembler.transfers.condition import Condition
from assembler.transfers.mending import Settled
from assembler.transfers.programme import ProgrammeReading

_MEASURES: dict[str, tuple[str, Callable[[Condition], float | None]]] = {
    "dc": ("offset from 0, % of full scale", lambda c: 100 * max(map(abs, c.channels.dc))),
    "swap": ("left above right, dB", lambda c: c.channels.balance_db),
    "invert": ("correlation of left and right", lambda c: c.channels.correlation),
    "declick": ("clicks a minute", lambda c: c.clicks.per_minute),
    "azimuth": ("right late, µs", lambda c: c.channels.offset_us),
    "balance": ("left above right, dB", lambda c: c.channels.balance_db),
    "hum": ("hum, dBFS", lambda c: c.hum.level_dbfs),
    "noise": ("noise floor, dBFS", lambda c: c.programme.floor_db),
}


def account_of(mend: Mend, settled: Settled, before: Condition, after: Condition) -> dict[str, Any]:
    """Give what was done to a side as plain data, in the order in which it was done.

    Returns
    -------
    dict
        ``steps``: a list of ``step``, ``done``, ``measure``, ``before``, ``after``;
        ``untold``: steps whose value could not be measured; ``settled``: for `Settled.of_json`;
        ``begins_s``: where its programme begins; ``programme``: the level over time, where tracks
        are to begin and end by it.
    """
    steps = [
        {"step": name, "done": _done(name, value, mend), **_measured(name, before, after)}
        for name, value in settled.values().items()
    ]
    account: dict[str, Any] = {
        "steps": steps,
        "untold": list(settled.untold),
        "settled": settled.as_json(),
        "begins_s": before.programme.begins_s,
    }
    if mend.trim_silence:
        account["programme"] = programme_json(after.programme)
    return account


def _done(name: str, value: Any, mend: Mend) -> str:
    """Say what was done, with its value."""
    if name == "dc":
        left, right = (f"{100 * part:+.3f} %" for part in value)
        return f"offset taken off: left {left}, right {right} of full scale"
    if name == "noise" and mend.noise:
        at = f"{clock_text(mend.noise.from_)} to {clock_text(mend.noise.to)}"
        return f"noise lowered by {mend.noise.reduce:g} dB, learnt from {at}"
    if name == "hum":
        return f"hum of {value[0]:.3f} Hz taken out, {value[1]} partials"
    if name == "azimuth":
        return f"{'right' if value > 0 else 'left'} brought forward by {abs(value):.1f} µs"
    if name == "speed":
        return f"run {float(100 * (value - 1)):+.3f} % faster, pitch and tempo together"
    if name == "balance":
        return f"left raised by {value:.2f} dB against right"
    if name == "declick":
        return f"clicks mended, strength {value:g}"
    return "left and right exchanged" if name == "swap" else f"polarity turned: {value}"


def _measured(name: str, before: Condition, after: Condition) -> dict[str, Any]:
    if name not in _MEASURES:
        return {}
    measure, of = _MEASURES[name]
    return {"measure": measure, "before": rounded(of(before)), "after": rounded(of(after))}


def programme_json(reading: ProgrammeReading) -> dict[str, Any]:
    """Give the level of a side over time as plain data; `programme_of` reads it."""
    return {
        name: [round(float(level), 2) for level in value]
        if isinstance(value, np.ndarray)
        else value
        for name, value in vars(reading).items()
    }


def programme_of(told: dict[str, Any]) -> ProgrammeReading:
    """Read what `programme_json` gave."""
    plain: dict[str, Any] = {
        name: np.array(value, np.float32) if isinstance(value, list) else value
        for name, value in told.items()
    }
    return ProgrammeReading(**plain)
