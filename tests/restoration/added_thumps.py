"""Add bursts with thumps of known shape after them to music.

Three sorts: a decaying tone of falling frequency, the model that is fitted; a resonance struck by a
pulse of 1 to 4 ms; and two resonances at once, as of a pickup arm and its suspension.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from restoration.added_clicks import RATE_HZ, AddedClick, a_burst, snr_gain_db
from scipy.signal import butter, sosfiltfilt

from assembler.dsp.blocks import Samples

Sound = NDArray[np.float64]
LENGTH = RATE_HZ // 2
_AROUND = 3 * RATE_HZ // 2
_BASS = butter(4, 250, fs=RATE_HZ, output="sos")


@dataclass(frozen=True, eq=False)
class Thumped:
    """Music without and with bursts and thumps."""

    clean: Samples
    thumped: Samples
    added: list[AddedClick]

    def gains_db(self, repaired: Samples) -> list[float]:
        """Return by how much the SNR is higher after each burst, for half a second."""
        return [
            snr_gain_db(
                self.clean,
                self.thumped,
                repaired,
                slice(click.last, click.first + LENGTH),
                click.channel,
            )
            for click in self.added
        ]


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Return a random number, its logarithm evenly distributed."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def a_thump(rng: np.random.Generator, kind: int) -> Sound:
    """Return a thump at a peak of 1: 20 to 150 Hz, decays of 5 to 60 ms."""
    time = np.arange(LENGTH) / RATE_HZ
    angle = rng.uniform(0, 2 * np.pi)
    if kind == 0:
        start_hz, glide_s, decay_s = (
            between(rng, 40, 150),
            between(rng, 0.008, 0.06),
            between(rng, 0.005, 0.06),
        )
        end_hz = between(rng, 20, start_hz)
        turns = end_hz * time + (start_hz - end_hz) * glide_s * (1 - np.exp(-time / glide_s))
        thump = np.exp(-time / decay_s) * np.sin(2 * np.pi * turns + angle)
    elif kind == 1:
        tone = np.sin(2 * np.pi * between(rng, 20, 150) * time)
        pulse = np.hanning(round(rng.uniform(0.001, 0.004) * RATE_HZ))
        thump = np.convolve(np.exp(-time / between(rng, 0.006, 0.06)) * tone, pulse)[:LENGTH]
    else:
        arm = np.sin(2 * np.pi * rng.uniform(20, 50) * time + angle)
        rest = np.sin(2 * np.pi * rng.uniform(60, 150) * time + rng.uniform(0, 2 * np.pi))
        thump = np.exp(-time / between(rng, 0.02, 0.06)) * arm
        thump += rng.uniform(0.3, 1.5) * np.exp(-time / between(rng, 0.005, 0.03)) * rest
    return np.asarray(thump / np.abs(thump).max())


def with_thumps(
    clean: Samples, rng: np.random.Generator, count: int, *, only_bursts: bool = False
) -> Thumped:
    """Add bursts of 3 to 5 ms with thumps of 2 to 8 times the peaks of the bass around them.

    Parameters
    ----------
    clean, rng, count
        Music of at least 3 s per thump, and how many are added at random places.
    only_bursts
        Add the same bursts without thumps.
    """
    damaged = clean.astype(np.float64)
    bass = np.abs(sosfiltfilt(_BASS, damaged, axis=0))
    added = []
    edges = np.linspace(2 * RATE_HZ, len(clean) - 2 * RATE_HZ, count + 1).astype(int)
    for number, (begin, end) in enumerate(pairwise(edges)):
        first = int(rng.integers(begin, max(begin + 1, end - 2 * RATE_HZ)))
        channel = int(rng.integers(2))
        reference = bass[first - _AROUND : first + _AROUND, channel].max()
        peak = max(reference, 1e-3) * between(rng, 2, 8)
        thump = peak * a_thump(rng, number % 3)
        burst = a_burst(rng, round(rng.choice([3, 4, 5]) * RATE_HZ / 1000))
        last = first + len(burst)
        loudest = max(peak, np.abs(clean[first - 4_410 : last + 4_410, channel]).max())
        damaged[first:last, channel] += 2 * loudest / np.abs(burst).max() * burst
        if not only_bursts:
            damaged[first : first + LENGTH, channel] += thump
        added.append(AddedClick(channel, first, last))
    return Thumped(clean, damaged.astype(np.float32), added)
