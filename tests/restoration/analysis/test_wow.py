"""Cyclic wow is found with its rate and depth; music that varies by itself is not wow."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from excerpts import EXCERPTS, MADE, Excerpt, music, with_debian_music
from restoration.faulty_music import in_blocks
from restoration.wowed import Samples, Wave, ahead_s, chords, stereo, with_wow

from assembler.restoration.analysis import partials
from assembler.restoration.analysis.partials import PartialMeter
from assembler.restoration.analysis.wow import WowReading, wow_of

RATE_HZ = 22_050
LENGTH_S = 20
TIMES_S = np.arange(LENGTH_S * RATE_HZ) / RATE_HZ


def read(sound: Samples, rate_hz: int = RATE_HZ) -> WowReading:
    meter = PartialMeter(rate_hz)
    for block in in_blocks(sound):
        meter.feed(np.ascontiguousarray(block, np.float32))
    return wow_of(meter.reading())


def voice(cents: float, hz: float, *, jitter: float = 0.0, seed: int = 4) -> Wave:
    """Return a melody of one voice with vibrato; jitter: of its rate from note to note."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(len(TIMES_S))
    depth = 2 ** (cents / 1200) - 1
    for first in range(0, len(TIMES_S), RATE_HZ // 2):
        own = TIMES_S[first : first + RATE_HZ // 2]
        note_hz = 330 * 2 ** (rng.integers(0, 13) / 12)
        rate_hz = hz * (1 + jitter * rng.uniform(-1, 1))
        phase = rng.uniform(0, 6) if jitter else 0.0
        turn = note_hz * (
            own + depth * np.sin(2 * np.pi * rate_hz * own + phase) / (6.283 * rate_hz)
        )
        ends = np.minimum(1, np.minimum(own - own[0], own[-1] - own) / 0.02)
        sound[first : first + len(own)] += ends * sum(
            np.sin(2 * np.pi * number * turn) / number for number in range(1, 9)
        )
    return sound / np.abs(sound).max()


@pytest.mark.parametrize(
    ("percent", "hz"),
    [
        (0.3, 0.556),
        pytest.param(0.1, 1.3, marks=pytest.mark.thorough),
        pytest.param(0.3, 4.8, marks=pytest.mark.thorough),
    ],
)
def test_cyclic_wow_is_found_with_its_rate_and_depth(percent: float, hz: float) -> None:
    """An off-centre record at 33⅓ rpm, one at 78, and a capstan."""
    found = read(stereo(chords(TIMES_S + ahead_s(TIMES_S, percent, hz))))
    assert found.cyclic is not None
    assert found.cyclic.hz == pytest.approx(hz, rel=0.01)
    assert found.percent == pytest.approx(percent, rel=0.1)
    assert not found.refusal
    own = TIMES_S[2 * RATE_HZ : -2 * RATE_HZ : 100]
    true, read_s = ahead_s(own, percent, hz), found.cyclic.ahead_s(own)
    assert (read_s - true).std() < 0.15 * true.std()


def moved(kind: str) -> Wave:
    """Return what varies by itself, over steady chords or alone."""
    if kind == "tremolo":
        return chords(TIMES_S) * (1 + 0.8 * np.sin(2 * np.pi * 5.2 * TIMES_S))
    if kind == "portamento":
        glide = 2 ** (np.abs(TIMES_S % 2 - 1) / 6)  # two semitones up and down, over and over
        return 0.4 * chords(TIMES_S) + 0.4 * np.sin(2 * np.pi * 440 * np.cumsum(glide) / RATE_HZ)
    if kind == "vibrato over chords":
        return 0.5 * chords(TIMES_S) + 0.5 * voice(30, 5.5)
    if kind == "vibrato of a singer alone":
        return voice(40, 5.5, jitter=0.08)
    if kind == "vibrato of an organ alone":
        return voice(20, 6.2)
    return chords(TIMES_S)


@pytest.mark.parametrize(
    "kind",
    [
        "vibrato over chords",
        *(
            pytest.param(kind, marks=pytest.mark.thorough)
            for kind in ("steady", "tremolo", "portamento", "vibrato of an organ alone")
        ),
    ],
)
def test_music_that_varies_by_itself_is_not_wow(kind: str) -> None:
    found = read(stereo(moved(kind)))
    assert found.cyclic is None
    assert found.partials > 0


def test_tones_that_move_too_fast_are_not_steady() -> None:
    """A vibrato of 40 cents at 5.5 Hz moves up to 2.6 % from one moment to the next."""
    found = read(stereo(moved("vibrato of a singer alone")))
    assert found.cyclic is None
    assert found.reason == "too few steady tones"


@pytest.mark.parametrize("sound", [np.zeros((0, 2)), np.zeros((RATE_HZ, 2))])
def test_silence_is_not_determined(sound: Samples) -> None:
    found = read(sound)
    assert found.cyclic is None
    assert found.reason == "too few steady tones"
    assert found.refusal == found.reason


@cache
def wowed(excerpt: Excerpt, percent: float, hz: float) -> WowReading:
    sound, rate_hz = music(excerpt)
    return read(with_wow(sound, rate_hz, percent, hz) if percent else sound, rate_hz)


@pytest.mark.thorough
@pytest.mark.parametrize("excerpt", with_debian_music(MADE, EXCERPTS), ids=str)
def test_steady_music_has_no_wow(excerpt: Excerpt) -> None:
    assert wowed(excerpt, 0, 1).cyclic is None


@pytest.mark.thorough
@pytest.mark.debian_music
def test_wow_is_found_in_most_real_pieces() -> None:
    """0.3 % at 33⅓ rpm: in at least 80 % of the pieces."""
    found = [wowed(excerpt, 0.3, 0.556) for excerpt in EXCERPTS]
    right = [one.cyclic is not None and abs(one.cyclic.hz - 0.556) < 0.02 for one in found]
    assert sum(right) >= 0.8 * len(right)


def test_only_partials_that_are_too_short_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    noise = np.random.default_rng(5).normal(0, 0.1, (20 * 11_025, 2)).astype(np.float32)

    def lasting() -> set[tuple[int, float]]:
        meter = PartialMeter(11_025)
        meter.feed(noise)
        found = meter.reading()
        counts = np.bincount(found.tracks)
        is_long = counts[found.tracks] >= partials.FEWEST_MOMENTS
        assert len(found.tracks) == 0 or found.moments[-1] > 400
        return set(zip(found.moments[is_long].tolist(), found.hz[is_long].tolist(), strict=True))

    whole = lasting()
    monkeypatch.setattr(partials, "_CHUNK", 50)
    assert len(whole) > 100
    assert lasting() == whole
