"""Add clicks of known place and size to music.

A click is barely audible if its peak above 2 kHz is twice the music's own peak there within 10 ms.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.clicks import Click

Sound = NDArray[np.float64]
RATE_HZ = 44_100


@dataclass(frozen=True)
class AddedClick:
    """A click that was added to music."""

    channel: int
    first: int
    last: int

    def is_one_of(self, clicks: tuple[Click, ...]) -> bool:
        """Return whether it is in a reading, to a millisecond."""
        return any(
            click.channel == self.channel
            and click.start_sample < self.last + 40
            and click.start_sample + click.samples > self.first - 40
            for click in clicks
        )


def snr_gain_db(
    clean: Samples, damaged: Samples, repaired: Samples, passage: slice, channel: int
) -> float:
    """Return by how much the SNR of a passage of a channel is higher once it is repaired."""
    before, after = (
        np.sum((sound[passage, channel].astype(np.float64) - clean[passage, channel]) ** 2) + 1e-15
        for sound in (damaged, repaired)
    )
    return float(10 * np.log10(before / after))


@dataclass(frozen=True, eq=False)
class Damaged:
    """Music without and with added clicks."""

    clean: Samples
    clicked: Samples
    added: list[AddedClick]

    def gains_db(self, repaired: Samples) -> list[float]:
        """Return by how much the SNR is higher within each added click."""
        return [
            snr_gain_db(
                self.clean, self.clicked, repaired, slice(click.first, click.last), click.channel
            )
            for click in self.added
        ]


def bright(sound: Sound) -> Sound:
    """Return the sound above 2 kHz."""
    kept: Sound = sosfilt(butter(4, 2_000, "high", fs=RATE_HZ, output="sos"), sound, axis=0)
    return kept


def a_click(rng: np.random.Generator) -> Sound:
    """Return a single spike, a damped oscillation, or damped noise, at most 60 samples long."""
    samples = int(rng.integers(5, 61))
    time = np.arange(samples)
    kind = rng.integers(3)
    if kind == 0:
        return np.array([rng.choice([-1.0, 1.0])])
    if kind == 1:
        turns = 2 * np.pi * rng.uniform(1_500, 15_000) / RATE_HZ
        return np.asarray(
            np.exp(-4 * time / samples) * np.cos(turns * time + rng.uniform(0, 2 * np.pi))
        )
    return np.asarray(np.exp(-3 * time / samples) * rng.standard_normal(samples))


def a_burst(rng: np.random.Generator, samples: int) -> Sound:
    """Return a damped oscillation, damped noise, or noise of an even level."""
    time = np.arange(samples)
    kind = rng.integers(3)
    if kind == 0:
        turns = 2 * np.pi * rng.uniform(1_500, 15_000) / RATE_HZ
        return np.asarray(
            np.exp(-4 * time / samples) * np.cos(turns * time + rng.uniform(0, 2 * np.pi))
        )
    noise = rng.standard_normal(samples)
    fall = np.exp(-3 * time / samples) if kind == 1 else np.hanning(samples + 2)[1:-1] ** 0.25
    return np.asarray(noise * fall)


def damaged(
    clean: Samples, rng: np.random.Generator, count: int, burst_ms: float | None = None
) -> Damaged:
    """Add clicks of 2 to 50 times the music's own peaks above 2 kHz at random places.

    With a length they are bursts.
    """
    above = np.abs(bright(clean.astype(np.float64)))
    clicked = clean.astype(np.float64)
    added = []
    for begin, end in pairwise(np.linspace(5_000, len(clean) - 5_000, count + 1).astype(int)):
        burst = round((burst_ms or 0) * RATE_HZ / 1000)
        shape = a_burst(rng, burst) if burst else a_click(rng)
        first, channel = int(rng.integers(begin, end - 100 - burst)), int(rng.integers(2))
        level = max(above[first - 441 : first + 441, channel].max(), 2.0**-14)
        peak = np.abs(bright(np.concatenate((shape, np.zeros(300))))).max()
        gain = level * np.exp(rng.uniform(np.log(2), np.log(50))) / peak
        last = first + len(shape)
        clicked[first:last, channel] += min(gain, 0.9 / np.abs(shape).max()) * shape
        added.append(AddedClick(channel, first, last))
    return Damaged(clean, np.clip(clicked, -1, 1).astype(np.float32), added)
