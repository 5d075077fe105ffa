"""Decibels and amplitudes."""

from __future__ import annotations

import math


def amplitude(level_db: float) -> float:
    """Convert a level in decibels to an amplitude.

    Examples
    --------
    >>> round(amplitude(-6.0206), 4)
    0.5
    """
    return float(10 ** (level_db / 20))


def decibels(amplitude_: float) -> float | None:
    """Convert an amplitude to a level in decibels; None for silence."""
    return 20 * math.log10(amplitude_) if amplitude_ > 0 else None


def rounded(reading: float | None) -> float | None:
    """Round a reading to three decimals, as in the report; None stays None."""
    return None if reading is None else round(reading, 3)
