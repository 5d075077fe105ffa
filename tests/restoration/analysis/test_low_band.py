"""Decimated streams, held against the samples of the sines that they are made from."""

from __future__ import annotations

import numpy as np
import pytest

from assembler.restoration.analysis.low_band import HIGHEST_HZ, Decimator


@pytest.mark.parametrize(
    ("rate_hz", "keeps_hz"),
    [(44_100, None), (96_000, None), (44_100, 5250.0), (96_000, 5250.0), (96_000, 16_000.0)],
)
def test_what_is_kept_is_as_it_was_and_nothing_is_folded_into_it(
    rate_hz: int, keeps_hz: float | None
) -> None:
    decimator = Decimator(rate_hz, keeps_hz)
    highest_hz = keeps_hz or HIGHEST_HZ
    times_s = np.arange(rate_hz // 4) / rate_hz
    assert decimator.step > 1
    for hz, is_kept in (
        (0.3 * highest_hz, True),
        (0.99 * highest_hz, True),
        (decimator.rate_hz - 0.99 * highest_hz, False),
    ):
        turns = 2 * np.pi * hz * times_s
        sound = np.stack((np.sin(turns), np.cos(turns)), axis=1).astype(np.float32)
        stream = Decimator(rate_hz, keeps_hz)
        parts = [stream.feed(block) for block in np.array_split(sound, 5)]
        low = np.concatenate([*parts, stream.finish()])
        expected = sound[:: decimator.step] * is_kept
        inner = slice(50, len(expected) - 50)
        assert np.abs(low[inner] - expected[inner]).max() < 10 ** (-70 / 20)


def test_a_low_rate_passes_unchanged() -> None:
    sound = np.ones((10, 2), np.float32)
    assert Decimator(44_100, 16_000.0).feed(sound) is sound
