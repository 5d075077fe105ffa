"""Levels of a side without hum, and above the noise print.

Expected levels are those with which the sides are made.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from made_music import made_music
from restoration.made_sides import RATE_HZ, level, side, silence, song

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.programme import WEIGHTED_HZ, ProgrammeReading
from assembler.restoration.named_sides import NamedSide, named_sides
from assembler.restoration.split.restored_programme import read_programme
from assembler.restoration.split.split import propose_songs

HISS_DB, HUM_DB, OPENING_DB = -60.0, -45.0, -54.0
PLACES_S = ((4.0, 6.2), (72.0, 76.4))
"""Where each song starts, and where its quiet opening ends."""


def hum(frames: int, hz: float = 50.2) -> Samples:
    t = np.arange(frames) / RATE_HZ
    wave = sum(np.sin(2 * np.pi * hz * k * t + k) / np.sqrt(k) for k in range(1, 9))
    wave = wave * level(HUM_DB) / np.sqrt(np.mean(np.square(wave)))
    return np.asarray(np.repeat(wave[:, None], 2, axis=1), np.float32)


def opened_quietly(opening_s: float, seed: int) -> np.ndarray:
    """Return 60 s of plucked strings whose first seconds are 9 dB below the hum."""
    music = made_music("plucked", 60.0, RATE_HZ, seed)[:, 0].astype(np.float64)
    music = music[np.argmax(np.abs(music) > 1e-3) :]
    opening = round(opening_s * RATE_HZ)
    body = music * level(-20) / np.sqrt(np.mean(np.square(music)))
    body[:opening] = music[:opening] * level(OPENING_DB) / np.sqrt(np.mean(music[:opening] ** 2))
    body[-RATE_HZ:] *= np.linspace(1, 0, RATE_HZ)
    return np.asarray(body)


@pytest.fixture(scope="module")
def hummed() -> Samples:
    """A side whose songs open quietly, under the hum."""
    at = [round(a * RATE_HZ) for a, _ in PLACES_S]
    wave = np.zeros(at[1] + 65 * RATE_HZ)
    for begin, (a, b), seed in zip(at, PLACES_S, (1, 2), strict=True):
        music = opened_quietly(b - a, seed)
        wave[begin : begin + len(music)] += music
    samples = side(wave, noise_db=HISS_DB)
    return samples + hum(len(samples)) + np.float32(0.002)


def read(samples: Samples) -> ProgrammeReading:
    return read_programme(np.array_split(samples, 40), RATE_HZ)


def test_quiet_openings_under_the_hum_are_kept(hummed: Samples) -> None:
    songs = propose_songs(read(hummed), 2).songs
    for found, (begins_s, _) in zip(songs, PLACES_S, strict=True):
        assert begins_s - 0.15 <= found.start_s <= begins_s + 0.02


def test_the_floor_is_that_of_the_hiss(hummed: Samples) -> None:
    in_band_db = 10 * np.log10((5000 - WEIGHTED_HZ) / (RATE_HZ / 2))
    assert read(hummed).restored.floor_db == pytest.approx(HISS_DB + in_band_db, abs=0.5)
    assert read(hummed).floor_db > HISS_DB + 8


def test_noise_alone_is_at_the_noise_print_in_every_band(hummed: Samples) -> None:
    over = read(hummed).over_print_db
    alone = over[:, 50:350]
    assert len(over) >= 8
    assert np.median(alone, axis=1) == pytest.approx(np.zeros(len(over)), abs=1.0)
    opening = over[:, round(4.1 * 100) : (6 * 100)]
    assert np.median(opening, axis=1).max() > 6


def test_digital_silence_needs_no_noise_print() -> None:
    found = read(side(silence(2), song(20), silence(2), song(20), silence(2), noise_db=-np.inf))
    assert not found.over_print_db.size
    assert found.without_hum_db is None


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 48_000, 88_200, 192_000])
def test_a_reading_has_the_steps_of_the_side_at_any_rate(rate_hz: int) -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 1e-3, (5 * rate_hz + 123, 2)).astype(np.float32)
    found = read_programme(np.array_split(noise, 7), rate_hz)
    assert found.length_s == pytest.approx(5 + 123 / rate_hz)
    assert abs(len(found.levels_db) - 100 * found.length_s) < 2
    assert found.over_print_db.shape[1] == len(found.levels_db)
    assert found.peak_dbfs == pytest.approx(20 * np.log10(np.abs(noise).max()), abs=0.01)


def test_an_empty_side_has_no_programme() -> None:
    assert read_programme([], 48_000).begins_s is None


def named(folder: Path, restoration: str) -> NamedSide:
    """Return a side of 30 s with steps of restoration requested by a manifest."""
    samples = side(silence(3), song(24), silence(3), noise_db=HISS_DB) + np.float32(0.01)
    soundfile.write(folder / "a.wav", samples, RATE_HZ, subtype="FLOAT")
    (folder / "m.yaml").write_text(
        "release: {artist: A, title: T, catalogue_number: TWE-099, label: L}\n"
        f"transfers: {{side-a: {{file: a.wav, restoration: {restoration}}}}}\n"
        "tracks: [{title: One, from: side-a}]\n"
    )
    (found,) = named_sides([str(folder / "m.yaml")], folder)
    return found


def test_a_side_of_a_manifest_is_read_with_its_clicks_and_noise_restored(tmp_path: Path) -> None:
    found = named(tmp_path, "{declick: {strength: 5}, noise: {from: 0.5, to: 2.5, reduction: 8}}")
    plain = found.recording.blocks(0, found.recording.frames)
    floors = [read_programme(blocks, RATE_HZ).floor_db for blocks in (plain, found.restored())]
    assert floors[1] == pytest.approx(floors[0] - 8, abs=1.5)


def test_steps_that_move_no_cut_are_not_run_to_find_songs(tmp_path: Path) -> None:
    # Of all steps these take longest, and songs are found without them.
    steps = "dc: remove, azimuth: auto, balance: auto, hum: {mains: 50, harmonics: 6}"
    side_a = named(tmp_path, f"{{{steps}, swap_channels: yes}}")
    samples = np.concatenate(list(side_a.restored()))
    assert np.array_equal(samples, soundfile.read(tmp_path / "a.wav", dtype="float32")[0])
