"""Struck wood, snares and hats, made by code: short, sudden, and easily mistaken for clicks.

Each hit is a contact force, a half sine of the time for which stick and wood touch, that drives a
few damped modes, and a burst of noise of the stick itself. Frequencies and decays are those that
recordings of such instruments have, from memory; tuning and panning vary from one set to another,
loudness and timing from hit to hit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from made_music import Wave, in_a_room, panned, times
from scipy.signal import butter, sosfilt

HITS = 220
STEP_S = 0.3


class Struck(NamedTuple):
    """An instrument that is struck."""

    modes: tuple[tuple[float, float, float], ...]
    """Frequency in Hz, decay in ms to 1/e, and share, of each."""
    contact_ms: float
    noise: tuple[float, float, float]
    """The stick's noise: its share, decay in ms, and lowest frequency in Hz."""
    strokes: int = 1


INSTRUMENTS = {
    # Two hardwood sticks, one of them free to ring at about 2.5 kHz.
    "claves": Struck(((2500, 18, 1), (6700, 4, 0.25)), 0.12, (0.10, 0.6, 3000)),
    # A hollow block: an air mode near 1 kHz and two modes of the wood.
    "woodblock": Struck(((950, 9, 1), (1480, 6, 0.6), (2900, 3, 0.3)), 0.2, (0.15, 0.8, 2000)),
    # A stick across rim and skin: the shell's knock, the rim, and the crack of the stick.
    "rim shot": Struck(((480, 14, 0.6), (1720, 8, 1), (3400, 5, 0.4)), 0.1, (0.2, 0.7, 2500)),
    # Two shells that clap two or three times within some milliseconds.
    "castanets": Struck(((1900, 4, 1), (2700, 3, 0.8), (4400, 2, 0.4)), 0.15, (0.3, 2, 1500), 3),
    # Wires on a skin at 190 Hz.
    "snare": Struck(((190, 90, 1), (330, 50, 0.5)), 0.5, (0.7, 60, 1000)),
    # Closed hats: noise of the upper treble.
    "hat": Struck(((7900, 10, 0.1),), 0.05, (1.0, 25, 6000)),
}
WOODEN = ("claves", "woodblock", "rim shot")


def hit(instrument: Struck, rate_hz: int, rng: np.random.Generator, tuning: float) -> Wave:
    """Return a hit at a peak of 1."""
    t = times(0.4, rate_hz)
    modes = sum(
        share * np.exp(-1000 * t / decay_ms) * np.sin(2 * np.pi * tuning * hz * t)
        for hz, decay_ms, share in instrument.modes
    )
    contact = max(2, round(instrument.contact_ms * rate_hz / 1000))
    force = np.sin(np.pi * (np.arange(contact) + 0.5) / contact)
    share, decay_ms, least_hz = instrument.noise
    noise = rng.standard_normal(len(t)) * np.exp(-1000 * t / decay_ms)
    noise = sosfilt(butter(2, least_hz, "high", fs=rate_hz, output="sos"), noise)
    once = np.convolve(modes / np.abs(modes).max(), force)[: len(t)]
    once = once / np.abs(once).max() + share * noise / np.abs(noise).max()
    struck = np.zeros(len(t))
    at = 0
    for stroke in range(instrument.strokes):
        struck[at:] += 0.7**stroke * once[: len(t) - at]
        at += round(rng.uniform(0.004, 0.009) * rate_hz)
    struck /= np.abs(struck).max()
    return struck


def played(name: str, rate_hz: int, seed: int, hits: int = HITS) -> tuple[Wave, list[int]]:
    """Return hits in a steady rhythm in a small room, both channels, and where each begins."""
    rng = np.random.default_rng([seed, *name.encode()])
    sound = np.zeros((round((hits * STEP_S + 1) * rate_hz), 2))
    tuning, pan = rng.uniform(0.85, 1.15), rng.uniform(0.4, 0.6)
    places = []
    for number in range(hits):
        first = round((0.3 + number * STEP_S + rng.normal(0, 0.004)) * rate_hz)
        size = (0.9 if number % 4 == 0 else 0.6) * rng.uniform(0.7, 1)
        panned(sound, size * hit(INSTRUMENTS[name], rate_hz, rng, tuning), first, pan)
        places.append(first)
    return 0.5 * in_a_room(sound, rate_hz, rng, -14), places
