"""Dropouts added to music are repaired; all other samples stay as they are."""

from __future__ import annotations

import numpy as np
import pytest
from made_music import KINDS, made_music
from restoration.common_dropouts import on_tape, with_common_dropouts
from restoration.gated_music import gated_music

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.dropouts import BOTH, Dropout, DropoutMeter
from assembler.restoration.repair.dropouts import DropoutSpan, dedropout, spans_of

RATE_HZ = 44_100
AT = 2 * RATE_HZ


def repaired(
    sound: Samples, spans: list[DropoutSpan], length: int = 1 << 17, position: int = 0
) -> Samples:
    blocks = (sound[n : n + length] for n in range(0, len(sound), length))
    return np.concatenate(list(dedropout(blocks, RATE_HZ, spans, position)))


def ratio_db(wanted: Samples, got: Samples) -> float:
    return float(10 * np.log10((wanted**2).sum() / ((wanted - got) ** 2).sum()))


def chord(seconds: float = 4) -> Samples:
    """Return steady tones, panned differently, and a little noise."""
    rng = np.random.default_rng(5)
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    sound = 0.0005 * rng.standard_normal((len(time), 2))
    for hz in (110.0, 277.2, 659.3, 1_480.0, 5_000.0):
        pan = rng.uniform(0.2, 0.8)
        sound += 0.08 * np.sin(2 * np.pi * hz * time)[:, None] * [pan, 1 - pan]
    return sound.astype(np.float32)


def lowered(sound: Samples, samples: int, gain: float, channels: slice = slice(None)) -> Samples:
    """Lower the level for a while, with edges of 2 ms."""
    ramp = np.interp(np.arange(samples), [0, 88, samples - 88, samples], [0, 1, 1, 0])
    dropped = sound.copy()
    dropped[AT : AT + samples, channels] *= (gain ** ramp[:, None]).astype(np.float32)
    return dropped


@pytest.mark.parametrize(("length_s", "gain"), [(0.03, 0.25), (0.2, 0.1)])
@pytest.mark.parametrize("channel", [0, 1, BOTH])
def test_a_dropout_is_raised(length_s: float, gain: float, channel: int) -> None:
    sound, samples = chord(), round(length_s * RATE_HZ)
    channels = slice(None) if channel == BOTH else slice(channel, channel + 1)
    dropped = lowered(sound, samples, gain, channels)
    span = DropoutSpan(AT + 60, AT + samples - 60, channel)
    after = repaired(dropped, [span])
    part = slice(AT - 1000, AT + samples + 1000)
    assert ratio_db(sound[part, channels], dropped[part, channels]) < 8
    assert ratio_db(sound[part, channels], after[part, channels]) > 18
    edge = round(0.05 * RATE_HZ)
    assert np.array_equal(after[: AT - edge], dropped[: AT - edge])
    assert np.array_equal(after[AT + samples + edge :], dropped[AT + samples + edge :])
    if channel != BOTH:
        assert np.array_equal(after[:, 1 - channel], dropped[:, 1 - channel])


def test_what_is_lost_is_interpolated_up_to_80_ms() -> None:
    sound = chord()
    samples = round(0.06 * RATE_HZ)
    dropped = lowered(sound, samples, 1e-6)
    after = repaired(dropped, [DropoutSpan(AT, AT + samples, BOTH)])
    part = slice(AT, AT + samples)
    assert ratio_db(sound[part], after[part]) > 15
    samples = round(0.15 * RATE_HZ)
    dropped = lowered(sound, samples, 1e-6)
    assert np.array_equal(repaired(dropped, [DropoutSpan(AT, AT + samples, BOTH)]), dropped)


def test_what_is_lost_in_one_channel_is_taken_from_the_other() -> None:
    sound = np.repeat(chord()[:, :1], 2, axis=1)
    sound[:, 1] *= 0.5
    samples = round(0.15 * RATE_HZ)
    dropped = lowered(sound, samples, 1e-6, slice(1, 2))
    after = repaired(dropped, [DropoutSpan(AT, AT + samples, 1)])
    part = slice(AT, AT + samples)
    assert ratio_db(sound[part, 1], after[part, 1]) > 20


@pytest.mark.thorough
def test_music_with_dropouts_is_nearer_to_the_original_after_repair() -> None:
    gains = []
    for kind in ("plucked", "strings", "dense"):
        rng = np.random.default_rng(1)
        sound = on_tape(made_music(kind, 10.0, RATE_HZ, 60), rng)
        dropped, added = with_common_dropouts(sound, rng, RATE_HZ, 2.0)
        ends = [(round(a.at_s * RATE_HZ), round((a.at_s + a.length_s) * RATE_HZ)) for a in added]
        after = repaired(dropped, [DropoutSpan(*each, BOTH) for each in ends])
        for first, last in ends:
            part = slice(first - 900, last + 900)
            gains.append(ratio_db(sound[part], after[part]) - ratio_db(sound[part], dropped[part]))
    print("gain of the ratio in dB", np.round(sorted(gains), 1))
    assert np.median(gains) > 6


def test_blocks_and_where_reading_begins_change_nothing() -> None:
    dropped = lowered(chord(), 4000, 0.1)
    span = DropoutSpan(AT, AT + 4000, BOTH)
    whole = repaired(dropped, [span])
    for length in (333, 50_000):
        assert np.array_equal(repaired(dropped, [span], length), whole)
    assert np.array_equal(repaired(dropped[9000:], [span], 777, 9000), whole[9000:])
    assert np.array_equal(repaired(dropped, []), dropped)


def test_a_dropout_at_the_ends_of_a_stream_stays() -> None:
    sound = chord(1)
    spans = [DropoutSpan(10, 900, BOTH), DropoutSpan(len(sound) - 900, len(sound), 0)]
    assert np.array_equal(repaired(sound, spans), sound)


def test_spans_follow_swapped_channels() -> None:
    drops = [Dropout(1.0, 0.5, 12.0, 0), Dropout(2.0, 0.1, 12.0, BOTH)]
    spans = spans_of(drops, 1000, is_swapped=True)
    assert spans == ((1000, 1500, 1), (2000, 2100, BOTH))


@pytest.mark.thorough
def test_undamaged_music_stays_as_it_is() -> None:
    pieces = [made_music(kind, 5.0, RATE_HZ, 260) for kind in KINDS]
    pieces += [gated_music(5.0, RATE_HZ, seed) for seed in (460, 461, 462)]
    for piece in pieces:
        sound = on_tape(piece, np.random.default_rng(3))
        meter = DropoutMeter(RATE_HZ)
        meter.feed(sound)
        spans = spans_of(meter.reading(), RATE_HZ, is_swapped=False)
        assert np.array_equal(repaired(sound, [*spans]), sound)
