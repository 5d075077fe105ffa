"""Music with a known change of speed: partials by formula, and any sound read at uneven times."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.signal import resample_poly

Wave = NDArray[np.float64]
Samples = NDArray[np.float32]
OVERSAMPLED = 4


def ahead_s(times_s: Wave, percent: float, hz: float, phase: float = 0.7) -> Wave:
    """Return how far a tape is ahead that runs at 1 + percent/100 · sin(2π hz t + phase)."""
    turn = 2 * np.pi * hz * times_s + phase
    return percent / 100 * (np.cos(phase) - np.cos(turn)) / (2 * np.pi * hz)


def with_wow(sound: Samples, rate_hz: int, percent: float, hz: float) -> Samples:
    """Return a sound as a tape with cyclic wow plays it, by splines at four times its rate."""
    times_s = np.arange(len(sound)) / rate_hz
    read_s = times_s + ahead_s(times_s, percent, hz)
    fine = resample_poly(sound.astype(np.float64), OVERSAMPLED, 1)
    places = np.clip(read_s * rate_hz * OVERSAMPLED, 0, len(fine) - 1)
    played = [map_coordinates(channel, places[None], order=3, mode="mirror") for channel in fine.T]
    return np.stack(played, axis=1).astype(np.float32)


def chords(times_s: Wave, seed: int = 0, cents: float = 0.0) -> Wave:
    """Return chords of three to four notes with six overtones, each held for 0.4 to 1.6 s.

    times_s: the tape's own time at each sample, from 0.
    """
    rng = np.random.default_rng(seed)
    sound = np.zeros(len(times_s))
    at_s, until_s = 0.0, float(times_s[-1])
    while at_s < until_s:
        long_s = rng.uniform(0.4, 1.6)
        first, last = np.searchsorted(times_s, (at_s, at_s + long_s))
        own = times_s[first:last] - at_s
        ends = np.minimum(1, np.minimum(own, long_s - own) / 0.03)
        for step in rng.choice(24, rng.integers(3, 5), replace=False):
            hz = 220 * 2 ** ((step + cents / 100) / 12)
            for number in range(1, 7):
                turn = 2 * np.pi * number * hz * own + rng.uniform(0, 6)
                sound[first:last] += np.sin(turn) * ends / number
        at_s += long_s
    return sound / np.abs(sound).max()


def stereo(wave: Wave, noise_dbfs: float = -70.0, seed: int = 9) -> Samples:
    """Return a wave in both channels at −12 dBFS peak over white noise."""
    noise = np.random.default_rng(seed).standard_normal((len(wave), 2))
    return (0.25 * wave[:, None] + 10 ** (noise_dbfs / 20) * noise).astype(np.float32)
