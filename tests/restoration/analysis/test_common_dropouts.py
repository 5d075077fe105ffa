"""Dropouts of both channels, added to music, are found; music without them has few.

Pieces and seeds are others than those that the weights were fitted on.
"""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from made_music import made_music
from outside import real_music
from restoration.common_dropouts import DEPTHS_DB, CommonDropout, on_tape, with_common_dropouts
from restoration.gated_music import gated_music

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.dropouts import BOTH, Dropout, DropoutMeter

RATE_HZ = 44_100
NOT_FITTED_ON = ("Aberrations", "Coherence")


def dropouts_of(sound: Samples, rate_hz: int, length: int = 1 << 17) -> tuple[Dropout, ...]:
    meter = DropoutMeter(rate_hz)
    for begin in range(0, len(sound), length):
        meter.feed(sound[begin : begin + length])
    return meter.reading()


def is_found(one: CommonDropout, dropouts: tuple[Dropout, ...]) -> bool:
    """Return whether it is in a reading, in both channels."""
    return any(
        drop.channel == BOTH and drop.at_s < one.at_s + one.length_s and drop.ends_s > one.at_s
        for drop in dropouts
    )


def shares(
    music: list[tuple[Samples, int]], seed: int, each_s: float
) -> tuple[dict[float, float], float]:
    """Return the recall by depth, and the false alarms per minute."""
    rng = np.random.default_rng(seed)
    hits: dict[float, list[bool]] = {depth_db: [] for depth_db in DEPTHS_DB}
    alarms, minutes = 0, 0.0
    for piece, rate_hz in music:
        plain = on_tape(piece, rng)
        alarms += len(dropouts_of(plain, rate_hz))
        minutes += len(plain) / rate_hz / 60
        dropped, added = with_common_dropouts(plain, rng, rate_hz, each_s)
        found = dropouts_of(dropped, rate_hz)
        for one in added:
            hits[one.depth_db].append(is_found(one, found))
    recall = {depth_db: float(np.mean(each)) for depth_db, each in hits.items()}
    print("recall", recall, "false alarms per minute", alarms / minutes, "of", minutes)
    return recall, alarms / minutes


def test_dropouts_of_both_channels_of_made_music_are_found() -> None:
    pieces = [(made_music("plucked", 12.0, RATE_HZ, seed), RATE_HZ) for seed in (240, 241, 242)]
    recall, alarms = shares(pieces, 40, 2.0)
    assert np.mean([*recall.values()]) >= 0.7
    assert alarms == 0


@pytest.mark.thorough
def test_chopped_music_has_no_dropouts() -> None:
    sound = gated_music(12.0, RATE_HZ, 440)
    assert not dropouts_of(on_tape(sound, np.random.default_rng(4)), RATE_HZ)


@pytest.mark.thorough
def test_chopped_music_without_tape_noise_has_no_dropouts() -> None:
    assert not dropouts_of(gated_music(20.0, RATE_HZ, 455), RATE_HZ)


@pytest.mark.thorough
@pytest.mark.debian_music
def test_dropouts_of_both_channels_of_real_music_are_found() -> None:
    files = real_music("singularity-music")
    music = []
    for name in NOT_FITTED_ON:
        (file,) = (file for file in files if file.stem == name)
        sound, rate_hz = soundfile.read(file, dtype="float32", always_2d=True, stop=30 * 48_000)
        music.append((sound, rate_hz))
    recall, alarms = shares(music, 41, 6.0)
    assert recall[20.0] >= 0.7
    assert alarms == 0
