"""Clicks added to music, made and real, are found and repaired; music and percussion have none."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import soundfile
import soxr
from excerpts import part_of, with_debian_music
from made_music import made_music
from numpy.typing import NDArray
from outside import real_music
from percussion import INSTRUMENTS, WOODEN, played
from restoration.added_clicks import RATE_HZ, AddedClick, Damaged, Sound, bright, damaged

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.clicks import Click, ClickMeter, ClickReading, ClickWindows
from assembler.restoration.repair.clicks import declick

CLICKS = 200
TICKING = ("Nebula", "Through Space")
"""Pieces with a rhythm of electronic ticks, which are the same as clicks."""
HARSH = ("drums", "dense")
MADE = ("plucked", "strings", "speech", *HARSH)
"""The harsh ones have so much treble that most clicks above it would be clipped."""


def in_blocks(sound: Samples, length: int = 1 << 17) -> list[Samples]:
    return [sound[i : i + length] for i in range(0, len(sound), length)]


def reading_of(sound: Samples, rate_hz: int = RATE_HZ, length: int = 1 << 17) -> ClickReading:
    meter = ClickMeter(rate_hz)
    for block in in_blocks(sound, length):
        meter.feed(block)
    return meter.reading()


def repaired(sound: Samples, rate_hz: int = RATE_HZ, length: int = 1 << 17) -> Samples:
    return np.concatenate(list(declick(in_blocks(sound, length), rate_hz)))


@pytest.fixture(scope="module", params=with_debian_music(["made"], ["real"]))
def music(request: pytest.FixtureRequest) -> dict[str, Samples]:
    """Music by name: of each kind that is made, or a minute of Debian's, at 44.1 kHz or near it."""
    if request.param == "made":
        return {kind: made_music(kind, 30.0, RATE_HZ) for kind in MADE}
    paths = real_music("singularity-music")
    assert {soundfile.info(path).samplerate for path in paths} <= {44_100, 48_000}
    pieces = {path.stem: part_of(path, 20, 60) for path in paths}
    return {name: sound for name, sound in pieces.items() if len(sound) > 10 * RATE_HZ}


@pytest.fixture(scope="module")
def with_clicks(music: dict[str, Samples]) -> list[tuple[Damaged, tuple[Click, ...]]]:
    """Damaged pieces, and the clicks that are found in them."""
    rng = np.random.default_rng(2_024)
    chosen = [sound for name, sound in music.items() if name not in HARSH]
    counts = np.diff(np.linspace(0, CLICKS, len(chosen) + 1).astype(int))
    pieces = [
        damaged(sound[: 20 * RATE_HZ], rng, int(count))
        for sound, count in zip(chosen, counts, strict=True)
    ]
    return [(piece, reading_of(piece.clicked).clicks) for piece in pieces]


@pytest.fixture(scope="module", params=with_debian_music(["made"], ["real"]))
def excerpt(request: pytest.FixtureRequest) -> Samples:
    """8 s of music at 44.1 kHz or near it."""
    if request.param == "made":
        return made_music("plucked", 8.0, RATE_HZ)
    return part_of(real_music("singularity-music")[0], 20, 8)


@pytest.mark.thorough
def test_95_of_100_clicks_are_found(
    with_clicks: list[tuple[Damaged, tuple[Click, ...]]], music: dict[str, Samples]
) -> None:
    """Of those in plucked notes, whose attacks hide some, 9 of 10."""
    found = [click.is_one_of(clicks) for piece, clicks in with_clicks for click in piece.added]
    assert len(found) == CLICKS
    assert sum(found) >= (0.9 if "plucked" in music else 0.95) * CLICKS


@pytest.mark.parametrize("burst_ms", (3.0, 5.0))
def test_bursts_are_found_and_repaired(burst_ms: float) -> None:
    music = made_music("strings", 30.0, RATE_HZ)[4 * RATE_HZ : 12 * RATE_HZ]
    piece = damaged(music, np.random.default_rng(3), 20, burst_ms)
    clicks = reading_of(piece.clicked).clicks
    assert sum(click.is_one_of(clicks) for click in piece.added) >= 18
    assert np.median(piece.gains_db(repaired(piece.clicked))) >= 10


@pytest.mark.thorough
def test_music_has_less_than_one_click_per_minute_and_no_thumps(music: dict[str, Samples]) -> None:
    readings = {name: reading_of(sound) for name, sound in music.items()}
    assert not [name for name, reading in readings.items() if reading.thump_peaks]
    counts = {name: reading.count for name, reading in readings.items()}
    minutes = {name: len(sound) / RATE_HZ / 60 for name, sound in music.items()}
    plain = [name for name in music if name not in TICKING]
    assert len(plain) >= len(MADE)
    assert sum(counts[name] for name in plain) < 0.2 * sum(minutes[name] for name in plain)
    assert max(counts[name] / minutes[name] for name in plain) < 1
    assert sum(counts[name] for name in set(TICKING) & set(music)) < 15 * len(TICKING)


def drums(rng: np.random.Generator, seconds: int) -> Samples:
    """Return snares, kicks and closed hats with instant attacks, over a little noise."""
    sound = 1e-4 * rng.standard_normal((seconds * RATE_HZ, 2))
    time = np.arange(RATE_HZ // 2) / RATE_HZ
    for beat, begin in enumerate(range(0, len(sound) - len(time), RATE_HZ // 8)):
        size = rng.uniform(0.2, 0.8)
        if beat % 4 == 0:
            fall = 60 * time + 40 * (1 - np.exp(-time / 0.02)) / 50
            hit = np.exp(-time / 0.12) * np.cos(2 * np.pi * fall)
            hit += 0.3 * np.exp(-time / 0.008) * rng.standard_normal(len(time))
        elif beat % 4 == 2:
            hit = np.exp(-time / 0.07) * rng.standard_normal(len(time)) * 0.4
            hit += 0.4 * np.exp(-time / 0.1) * np.cos(2 * np.pi * 190 * time)
        else:
            hit = 0.3 * bright(np.exp(-time / 0.02) * rng.standard_normal(len(time)))
        pan = rng.uniform(0.3, 0.7)
        sound[begin : begin + len(time)] += size * hit[:, None] * [pan, 1 - pan]
    return np.clip(sound, -1, 1).astype(np.float32)


def brass(rng: np.random.Generator, seconds: int) -> Samples:
    """Return bright harmonic notes with attacks of a few milliseconds and peaky waveforms."""
    sound = 1e-4 * rng.standard_normal((seconds * RATE_HZ, 2))
    time = np.arange(RATE_HZ * 6 // 10) / RATE_HZ
    for begin in range(0, len(sound) - len(time), RATE_HZ // 4):
        pitch_hz = 58.27 * 2 ** (rng.integers(0, 36) / 12)
        partials = np.zeros(8_193)
        partials[1 : int(16_000 / pitch_hz)] = np.arange(1, int(16_000 / pitch_hz)) ** -0.7
        period = np.fft.irfft(partials)
        phase = pitch_hz * (time + 0.0004 * np.sin(2 * np.pi * 5 * time) / 5) % 1
        note = np.interp(phase * len(period), np.arange(len(period)), period, period=len(period))
        swell = np.minimum(time / rng.uniform(0.003, 0.02), 1) * np.exp(-time / 0.4)
        swell *= np.minimum((time[-1] - time) / 0.03, 1)
        note *= 0.25 * swell / np.abs(note).max()
        sound[begin : begin + len(time)] += note[:, None] * [0.6, 0.4]
    return np.clip(sound, -1, 1).astype(np.float32)


@pytest.mark.thorough
@pytest.mark.parametrize("play", [drums, brass])
def test_drums_and_brass_have_less_than_one_click_per_minute(
    play: Callable[[np.random.Generator, int], Samples],
) -> None:
    assert reading_of(play(np.random.default_rng(11), 180)).count < 3


@pytest.mark.parametrize("name", WOODEN)
def test_struck_wood_is_not_clicks(name: str) -> None:
    """Most of these hits were, before the sound after them was looked at."""
    sound, _ = played(name, RATE_HZ, seed=31, hits=30)
    sound += 3e-4 * np.random.default_rng(31).standard_normal(sound.shape)
    assert reading_of(sound.astype(np.float32)).count == 0


@pytest.mark.thorough
@pytest.mark.parametrize("name", INSTRUMENTS)
def test_at_most_2_of_220_hits_are_taken_for_clicks(name: str) -> None:
    """Of snares, hats and castanets, which never were: none of 40."""
    hits = 220 if name in WOODEN else 40
    sound, _ = played(name, RATE_HZ, 32, hits)
    sound += 3e-4 * np.random.default_rng(32).standard_normal(sound.shape)
    assert reading_of(sound.astype(np.float32)).count <= (2 if name in WOODEN else 0)


@pytest.mark.parametrize("name", ("woodblock", "rim shot"))
def test_hits_that_strings_mask_are_told_by_those_that_ring(name: str) -> None:
    """Strings as loud as the hits: 17 and 12 clicks were found in both channels of 24 hits."""
    sound, _ = played(name, RATE_HZ, seed=101, hits=24)
    sound += np.resize(made_music("strings", 10.0, RATE_HZ, 101)[RATE_HZ:], sound.shape)
    assert reading_of(sound.astype(np.float32)).count == 0


def test_a_click_among_claves_is_found() -> None:
    """The hits around it ring; it is not like them."""
    sound, places = played("claves", RATE_HZ, seed=31, hits=6)
    at = places[3] + RATE_HZ // 7
    sound[at, 0] += 0.5
    (click,) = reading_of(sound.astype(np.float32)).clicks
    assert AddedClick(0, at, at + 1).is_one_of((click,))


def test_a_click_among_drums_is_found() -> None:
    sound = drums(np.random.default_rng(11), 10)
    at = 40 * (RATE_HZ // 8) + RATE_HZ // 16
    sound[at, 0] += 0.5
    assert AddedClick(0, at, at + 1).is_one_of(reading_of(sound).clicks)


def gaps_of(clicks: tuple[Click, ...], sound: Samples) -> NDArray[np.bool_]:
    gaps = np.zeros(sound.shape, np.bool_)
    for click in clicks:
        gaps[click.start_sample : click.start_sample + click.samples, click.channel] = True
    return gaps


def linearly_interpolated(sound: Samples, clicks: tuple[Click, ...]) -> Samples:
    """Repair the same gaps by linear interpolation."""
    lines = sound.copy()
    for click in clicks:
        first, last = click.start_sample, click.start_sample + click.samples
        ends = sound[first - 1, click.channel], sound[last, click.channel]
        lines[first:last, click.channel] = np.linspace(*ends, last - first + 2)[1:-1]
    return lines


@pytest.mark.thorough
def test_repair_is_6_db_better_than_lines_and_changes_nothing_else(
    with_clicks: list[tuple[Damaged, tuple[Click, ...]]],
) -> None:
    """Over the damaged samples within the gaps, all pieces together, and click by click."""
    errors = []
    for piece, clicks in with_clicks:
        whole = repaired(piece.clicked)
        gaps = gaps_of(clicks, whole)
        assert whole.shape == piece.clicked.shape
        assert np.array_equal(whole[~gaps], piece.clicked[~gaps])
        lines = linearly_interpolated(piece.clicked, clicks)
        for click in piece.added:
            place = slice(click.first, click.last), click.channel
            if (gap := gaps[place]).any():
                true = piece.clean[place][gap].astype(np.float64)
                errors.append([np.sum((sound[place][gap] - true) ** 2) for sound in (whole, lines)])
    ours, theirs = np.array(errors).T + 1e-15
    assert len(ours) > 0.9 * CLICKS
    print("dB better", 10 * np.log10(theirs.sum() / ours.sum()), np.median(theirs / ours))
    assert 10 * np.log10(theirs.sum() / ours.sum()) >= 6
    assert 10 * np.log10(np.median(theirs / ours)) >= 6


@pytest.mark.parametrize("length", [701, 4_999, 1 << 18])
def test_block_lengths_change_nothing(excerpt: Samples, length: int) -> None:
    sound = damaged(excerpt, np.random.default_rng(2_024), 20).clicked[: 4 * RATE_HZ]
    assert reading_of(sound).count > 1
    assert np.array_equal(repaired(sound, length=length), repaired(sound))
    assert reading_of(sound, length=length) == reading_of(sound)


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_clicks_at_higher_rates(excerpt: Samples, rate_hz: int) -> None:
    """Spikes and oscillations that last as long in time, over tape noise."""
    sound = soxr.resample(excerpt, RATE_HZ, rate_hz).astype(np.float32)
    rng = np.random.default_rng(5)
    sound += (1e-4 * rng.standard_normal(sound.shape)).astype(np.float32)
    clicked = sound.copy()
    added = []
    for number, at in enumerate(range(rate_hz // 2, len(sound) - rate_hz // 2, rate_hz // 4)):
        lasts = 1 if number % 2 else round(0.0006 * rate_hz)
        shape = np.exp(-4 * np.arange(lasts) / lasts) * np.cos(np.arange(lasts) * 0.4)
        clicked[at : at + lasts, number % 2] += (0.5 * shape).astype(np.float32)
        added.append(AddedClick(number % 2, at, at + lasts))
    before, reading = reading_of(sound, rate_hz), reading_of(clicked, rate_hz)
    assert before.count == 0
    assert sum(click.is_one_of(reading.clicks) for click in added) >= 0.95 * len(added)
    error = [np.mean((given - sound) ** 2) for given in (repaired(clicked, rate_hz), clicked)]
    assert error[0] < error[1] / 20


def test_higher_strength_finds_smaller_clicks(excerpt: Samples) -> None:
    clicked = damaged(excerpt, np.random.default_rng(2_024), 60).clicked
    counts = []
    for strength in (1.0, 5.0, 10.0):
        meter = ClickMeter(RATE_HZ, strength)
        meter.feed(clicked)
        counts.append(meter.reading().count)
    assert counts[0] < counts[1] <= counts[2]


def test_a_reading_has_the_places_and_the_rate() -> None:
    sound = np.zeros((30 * RATE_HZ, 2), np.float32)
    sound += (1e-3 * np.random.default_rng(1).standard_normal(sound.shape)).astype(np.float32)
    sound[100_000, 0] += 0.3
    sound[900_000:900_003, 1] -= 0.2
    meter = ClickMeter(RATE_HZ)
    meter.feed(sound[:500_000])
    assert meter.reading().count == 1
    meter.feed(sound[500_000:])
    reading = meter.reading()
    assert reading.per_minute == pytest.approx(4)
    assert [(click.channel, click.start_sample) for click in reading.clicks] == [
        (0, 100_000),
        (1, 900_000),
    ]
    assert reading.clicks[0].samples <= 3


@pytest.mark.parametrize("offset, length", [(-3, 20), (40, 20), (-100, 200), (-10, 200)])
def test_clicks_at_the_edges_of_the_grid_are_repaired(offset: int, length: int) -> None:
    rng = np.random.default_rng(2)
    edge = ClickWindows(RATE_HZ).step
    sound = (1e-3 * rng.standard_normal((edge + 9_000, 2))).astype(np.float32)
    clicked = sound.copy()
    clicked[edge + offset : edge + offset + length] += 0.3 * rng.choice([-1, 1], (length, 1))
    given = repaired(clicked)
    assert given.shape == sound.shape
    assert np.abs(given - sound).max() < 0.02


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    "sound",
    [
        np.zeros((0, 2)),
        np.zeros((1, 2)),
        np.full((1, 2), 0.5),
        np.ones((90, 2)),
        np.zeros((200_000, 2)),
        np.sign(np.sin(np.arange(200_000) * 0.01))[:, None] * [1.0, 1.0],
        np.clip(3 * np.sin(np.arange(200_000) * 0.03), -1, 1)[:, None] * [1.0, 0.0],
    ],
    ids=["nothing", "one", "one loud", "short", "silence", "square", "clipped"],
)
def test_odd_sound_has_no_clicks_and_passes(sound: Sound) -> None:
    samples = sound.astype(np.float32)
    assert reading_of(samples).count == 0
    whole = [*declick([samples], RATE_HZ)]
    assert np.array_equal(np.concatenate([samples[:0], *whole]), samples)


def test_identical_channels_are_repaired_identically(excerpt: Samples) -> None:
    clicked = damaged(excerpt, np.random.default_rng(2_024), 60).clicked
    mono = np.repeat(clicked[:, :1], 2, axis=1)
    whole = repaired(mono)
    assert not np.array_equal(whole, mono)
    assert np.array_equal(whole[:, 0], whole[:, 1])
