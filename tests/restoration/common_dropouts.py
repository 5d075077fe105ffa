"""Add dropouts of both channels to music: flat, or deeper in the treble as a tape that lifts off.

The loss of a tape that lifts off the head grows with frequency (Wallace, Bell System Tech. J. 30,
1951, from memory); here from 0.7 of the depth at low frequencies to 2 of it from 13 kHz on.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from assembler.dsp.blocks import Samples

DEPTHS_DB = (12.0, 20.0, 30.0)
_AROUND = 2048


class CommonDropout(NamedTuple):
    """A dropout that was added to both channels."""

    at_s: float
    length_s: float
    depth_db: float


def on_tape(sound: Samples, rng: np.random.Generator) -> Samples:
    """Add tape noise at -70 dBFS."""
    return (sound + 3e-4 * rng.standard_normal(sound.shape)).astype(np.float32)


def with_common_dropouts(
    sound: Samples, rng: np.random.Generator, rate_hz: int, each_s: float = 3.0
) -> tuple[Samples, list[CommonDropout]]:
    """Add a dropout of 12 to 250 ms to each few seconds, with edges of 1 to 8 ms."""
    given, added = sound.copy(), []
    count = int(len(sound) / rate_hz / each_s)
    cuts = np.linspace(rate_hz, len(sound) - rate_hz, count + 1).astype(int)
    for begin, end in pairwise(cuts):
        samples = int(rate_hz * np.exp(rng.uniform(np.log(0.012), np.log(0.25))))
        at = int(rng.integers(begin, end - samples - rate_hz // 5))
        depth_db = float(rng.choice(DEPTHS_DB))
        edge = min(int(rng.uniform(0.001, 0.008) * rate_hz), samples // 3)
        down = np.ones(samples)
        down[:edge] = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
        down[-edge:] = down[:edge][::-1]
        if rng.integers(2):
            given[at : at + samples] *= (10 ** (-depth_db / 20 * down))[:, None]
        else:
            _lift_off(given[at - _AROUND : at + samples + _AROUND], down, depth_db, rate_hz)
        added.append(CommonDropout(at / rate_hz, samples / rate_hz, depth_db))
    return given, added


def _lift_off(part: Samples, down: np.ndarray, depth_db: float, rate_hz: int) -> None:
    """Lower the middle of a part in place, the treble more than the rest."""
    hz = np.fft.rfftfreq(len(part), 1 / rate_hz)[:, None]
    gains = 10 ** (-depth_db / 20 * np.minimum(0.7 + hz / 10_000, 2))
    low = np.fft.irfft(np.fft.rfft(part, axis=0) * gains, len(part), axis=0)
    lost = 10 ** (-depth_db / 20)
    share = np.zeros((len(part), 1))
    share[_AROUND:-_AROUND, 0] = (1 - 10 ** (-depth_db / 20 * down)) / (1 - lost)
    part[:] = part * (1 - share) + low * share
