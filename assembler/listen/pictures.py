"""Waveforms: the lowest and highest sample of each column."""

from __future__ import annotations

from typing import Any

import numpy as np

from assembler.listen.stretch import Stretch

MOST_COLUMNS = 4000


def peaks_json(stretch: Stretch, columns: int) -> dict[str, Any]:
    """Return a stretch's waveform, both channels together, at full scale 1.

    Parameters
    ----------
    stretch
        The sound.
    columns
        Of the picture.
    """
    columns = min(max(1, columns), MOST_COLUMNS, max(1, len(stretch.pcm)))
    edges = np.linspace(0, len(stretch.pcm), columns + 1).astype(int)[:-1]
    full = float(1 << (stretch.bits - 1))
    if not len(stretch.pcm):
        return {"low": [], "high": [], "duration_s": 0.0}
    low = np.minimum.reduceat(stretch.pcm.min(axis=1), edges) / full
    high = np.maximum.reduceat(stretch.pcm.max(axis=1), edges) / full
    return {
        "low": [round(float(x), 4) for x in low],
        "high": [round(float(x), 4) for x in high],
        "duration_s": len(stretch.pcm) / stretch.rate_hz,
    }
