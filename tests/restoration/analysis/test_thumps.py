"""Thumps after bursts are found and removed; clicks, kick drums and bass notes have none."""

from __future__ import annotations

import numpy as np
import pytest
from excerpts import part_of
from long_runs import series
from made_music import made_music
from numpy.typing import NDArray
from outside import real_music
from restoration.added_clicks import RATE_HZ
from restoration.added_thumps import LENGTH, Thumped, with_thumps

from assembler.dsp.blocks import Samples
from assembler.manifest.transfers import Restoration, Transfer
from assembler.restoration.analysis.clicks import Click, ClickMeter, ClickReading, ClickWindows
from assembler.restoration.analysis.hum import HumReading
from assembler.restoration.analysis.stereo.channels import ChannelMeter
from assembler.restoration.chain import Resolved
from assembler.restoration.condition import Condition
from assembler.restoration.repair.clicks import declick
from assembler.restoration.restoration_report import restoration_report


def reading_of(sound: Samples, rate_hz: int = RATE_HZ) -> ClickReading:
    meter = ClickMeter(rate_hz)
    meter.feed(sound)
    return meter.reading()


def repaired(sound: Samples, length: int = 1 << 17) -> Samples:
    blocks = (sound[n : n + length] for n in range(0, len(sound), length))
    return np.concatenate(list(declick(blocks, RATE_HZ)))


def thumps_of(reading: ClickReading) -> list[Click]:
    return [click for click in reading.clicks if click.thump_peak]


def found(piece: Thumped, reading: ClickReading) -> list[bool]:
    thumps = tuple(thumps_of(reading))
    return [click.is_one_of(thumps) for click in piece.added]


def untouched(sound: Samples, reading: ClickReading) -> NDArray[np.bool_]:
    """Return which samples are in no click, and not within half a second after a thump's."""
    rest = np.ones(sound.shape, np.bool_)
    for click in reading.clicks:
        length = LENGTH if click.thump_peak else click.samples
        rest[click.start_sample : click.start_sample + length, click.channel] = False
    return rest


@pytest.mark.thorough
def test_thumps_are_found_and_removed() -> None:
    music = 0.2 * made_music("strings", 22.0, RATE_HZ)
    piece = with_thumps(music, np.random.default_rng(7), 6)
    reading, after = reading_of(piece.thumped), repaired(piece.thumped)
    assert sum(found(piece, reading)) >= 5
    assert np.median(piece.gains_db(after)) >= 10
    rest = untouched(music, reading)
    assert np.array_equal(after[rest], piece.thumped[rest])


def test_a_thump_across_the_edge_of_the_grid_is_the_same_in_all_blocks() -> None:
    edge = ClickWindows(RATE_HZ).step
    rng = np.random.default_rng(3)
    sound = (1e-3 * rng.standard_normal((edge + 3 * RATE_HZ, 2))).astype(np.float32)
    damaged = sound.copy()
    first = edge - RATE_HZ // 20
    time = np.arange(LENGTH) / RATE_HZ
    thump = 0.2 * np.exp(-time / 0.04) * np.sin(2 * np.pi * 60 * time)
    damaged[first : first + LENGTH, 0] += thump.astype(np.float32)
    damaged[first : first + 180, 0] += 0.3 * rng.standard_normal(180).astype(np.float32)
    after = repaired(damaged)
    (peak,) = reading_of(damaged).thump_peaks
    assert peak == pytest.approx(np.abs(thump).max(), rel=0.1)
    assert np.abs(after - sound)[first + 200 :].max() < 0.02
    assert np.array_equal(repaired(damaged, 4_999), after)


def kicks_and_bass() -> tuple[Samples, list[int]]:
    """Return kick drums and plucked bass notes over noise, and where each begins."""
    rng = np.random.default_rng(21)
    sound = 1e-3 * rng.standard_normal((20 * RATE_HZ, 2))
    time = np.arange(RATE_HZ // 2) / RATE_HZ
    places = []
    for number, first in enumerate(range(RATE_HZ, len(sound) - RATE_HZ, 3 * RATE_HZ // 4)):
        if number % 2:
            tone = np.exp(-time / 0.3) * np.sin(2 * np.pi * rng.choice([41.2, 55, 73.4]) * time)
        else:
            turns = 50 * time + 2.5 * (1 - np.exp(-time / 0.03))
            tone = np.exp(-time / rng.uniform(0.05, 0.15)) * np.sin(2 * np.pi * turns)
        sound[first : first + len(time)] += rng.uniform(0.2, 0.4) * tone[:, None]
        places.append(first)
    return sound.astype(np.float32), places


@pytest.mark.parametrize("has_bursts", [False, True])
def test_kick_drums_and_bass_notes_stay(has_bursts: bool) -> None:
    """With bursts on their very beginning too."""
    sound, places = kicks_and_bass()
    if has_bursts:
        rng = np.random.default_rng(4)
        for first in places[::3]:
            sound[first : first + 180, 0] += rng.standard_normal(180).astype(np.float32)
    reading = reading_of(sound)
    assert reading.count >= (len(places) // 4 if has_bursts else 0)
    assert reading.thump_peaks == ()
    rest = untouched(sound, reading)
    assert np.array_equal(repaired(sound)[rest], sound[rest])


@pytest.mark.parametrize(
    ("peaks", "done"),
    [
        ((), "clicks removed, strength 5"),
        (
            (0.05, 0.1),
            "clicks removed, strength 5; 2 thumps after them removed, the loudest at −20.0 dBFS",
        ),
    ],
)
def test_the_restoration_report_counts_them(peaks: tuple[float, ...], done: str) -> None:
    channels = ChannelMeter(RATE_HZ)
    noise = np.random.default_rng(1).standard_normal((RATE_HZ, 2)).astype(np.float32)
    channels.feed(0.1 * noise)
    reading = Condition(
        channels.reading(),
        HumReading(None, None, (), None),
        clicks_per_minute=2.0,
        thump_peaks=peaks,
    )
    side = Transfer(file="a.wav", restoration=Restoration())
    report = restoration_report(side, Resolved(declick=5.0), reading, reading, None, None)
    (step,) = report["steps"]
    assert step["done"] == done


@pytest.fixture(scope="module")
def pieces() -> list[Samples]:
    """A minute of each of Debian's pieces at 44.1 or 48 kHz, with headroom for thumps."""
    parts = [part_of(path, 20, 60) for path in real_music("singularity-music")]
    sounds = [0.2 * part for part in parts if len(part) > 20 * 48_000]
    assert len(sounds) >= 8
    return sounds


@pytest.mark.thorough
@pytest.mark.debian_music
def test_thumps_in_real_music_are_found_and_removed(pieces: list[Samples]) -> None:
    rng = np.random.default_rng(2_031)
    were_found, gains = [], []
    for sound in pieces[:: series(2, 3)]:  # tests/bench/clicks.py reads all
        piece = with_thumps(sound[: 30 * RATE_HZ], rng, 6)
        were_found += found(piece, reading_of(piece.thumped))
        gains += piece.gains_db(repaired(piece.thumped))
    print("found", np.mean(were_found), "gain", np.percentile(gains, [5, 25, 50, 75]))
    assert np.mean(were_found) >= 0.85
    assert np.median(gains) >= 10


@pytest.mark.thorough
@pytest.mark.debian_music
def test_real_music_has_no_thumps_after_bursts(pieces: list[Samples]) -> None:
    """Without bursts: see `test_clicks`, which reads the same pieces."""
    rng = np.random.default_rng(2_032)
    for sound in pieces[:: series(1, 2)]:
        piece = with_thumps(sound, rng, 20, only_bursts=True)
        reading = reading_of(piece.thumped)
        assert reading.count >= 10
        assert reading.thump_peaks == ()
