"""Hum under real music: found, measured and removed; a bass note is not hum."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from restoration.added_hum import ON_FROM, ON_UNTIL, STEP_AT, added_hum
from restoration.faulty_music import RATE_HZ, beside, hiss, in_blocks, joined, piece, pieces, read
from scipy.signal import resample_poly

from assembler.restoration.analysis.hum import HumMeter
from assembler.restoration.analysis.hum_pitch import HumStretch
from assembler.restoration.repair.hum import dehum

pytestmark = pytest.mark.filterwarnings("error")
LOW_RATE_HZ = 12_000
"""Hum needs no more, and it is fast."""
LEVELS_DBFS = {1: -44, 2: -42, 3: -47, 4: -52, 5: -52, 6: -56}


def harmonic_waves(mains_hz: float, frames: int, wow: float = 0.0) -> dict[int, np.ndarray]:
    """Return each harmonic of a hum, with wow at 0.55 Hz."""
    time_s = np.arange(frames) / RATE_HZ
    clock = time_s + wow * np.sin(2 * np.pi * 0.55 * time_s) / (2 * np.pi * 0.55)
    return {
        number: 10 ** (level / 20) * np.sin(2 * np.pi * number * mains_hz * clock + number**2)
        for number, level in LEVELS_DBFS.items()
    }


def hum(mains_hz: float, frames: int, wow: float = 0.0) -> np.ndarray:
    wave = sum(harmonic_waves(mains_hz, frames, wow).values())
    return np.stack((wave, 0.7 * wave), axis=1)


def at(mains_hz: float) -> tuple[HumStretch, ...]:
    """Return a stretch with hum that is the whole side."""
    return (HumStretch(0.0, None, (mains_hz,)),)


def side(number: int) -> np.ndarray:
    """Return two pieces of music with 6 s of hiss before, between and after them."""
    pause = np.zeros((6 * RATE_HZ, 2))
    sound = np.concatenate((pause, piece(number), pause, piece(beside(number, 1)), pause))
    return sound - sound.mean(axis=0) + hiss(len(sound), -62, number)


@pytest.mark.parametrize("number", pieces())
def test_music_has_no_hum(number: int) -> None:
    for sound in (piece(number, 60), side(number)):
        assert read(HumMeter(RATE_HZ), sound).nominal_hz is None


@pytest.mark.thorough
@pytest.mark.parametrize("mains_hz", [49.60, 50.37, 57.8, 60.0, 61.3])
@pytest.mark.parametrize("number", [0, 4, 7])
def test_mains_frequency_on_a_side_with_wow(mains_hz: float, number: int) -> None:
    """With 0.1 % of wow: within 0.02 %."""
    sound = side(number)
    reading = read(HumMeter(RATE_HZ), sound + hum(mains_hz, len(sound), 0.001))
    assert reading.nominal_hz == (50 if mains_hz < 55 else 60)
    assert reading.mains_hz == pytest.approx(mains_hz, rel=2e-4)


def test_levels_of_the_harmonics() -> None:
    """Mean of both channels; a full-scale sine is 0 dB."""
    sound = hiss(40 * RATE_HZ, -70, 1)
    reading = read(HumMeter(RATE_HZ), sound + hum(50, len(sound)))
    of_both_db = 10 * np.log10((1 + 0.7**2) / 2)
    assert {p.number: p.dbfs - of_both_db for p in reading.harmonics} == pytest.approx(
        LEVELS_DBFS, abs=0.1
    )
    assert [p.hz for p in reading.harmonics] == pytest.approx(
        [50 * n for n in LEVELS_DBFS], rel=1e-4
    )
    total = 10 * np.log10(sum(10 ** (level / 10) for level in LEVELS_DBFS.values()))
    assert reading.level_dbfs == pytest.approx(total + of_both_db, abs=0.1)


@pytest.mark.parametrize("hz", [49.0, 50.0, 51.9, 58.3, 60.0, 61.7, 98.0, 100.0])
def test_a_bass_note_is_not_hum(hz: float) -> None:
    """Notes of 0.5 to 4 s with five harmonics, for two minutes, some very close in pitch."""
    chance = np.random.default_rng(int(hz))
    frames = 120 * LOW_RATE_HZ
    sound = hiss(frames, -66, 3)
    at = 0
    while at < frames:
        long = min(round(chance.uniform(0.5, 4) * LOW_RATE_HZ), frames - at)
        time_s = np.arange(long) / LOW_RATE_HZ
        shape = np.minimum(1, 50 * time_s) * np.exp(-time_s * chance.uniform(0.1, 2))
        for number in range(1, 6):
            wave = 0.2 / number * shape * np.sin(2 * np.pi * hz * number * time_s)
            sound[at : at + len(time_s)] += wave[:, None]
        at += len(time_s) + int(chance.uniform(0, 1) * LOW_RATE_HZ)
    assert read(HumMeter(LOW_RATE_HZ), sound).nominal_hz is None


@pytest.mark.parametrize("seconds", [0, 3, 30])
def test_silence_and_short_sound_have_no_hum(seconds: int) -> None:
    assert read(HumMeter(RATE_HZ), np.zeros((seconds * RATE_HZ, 2))).mains_hz is None
    assert read(HumMeter(RATE_HZ), hum(50, 3 * RATE_HZ)).mains_hz is None


def near(spectrum: np.ndarray, hz: float, reach_hz: float, frames: int) -> float:
    """Return the power of a long spectrum near a frequency."""
    first = math.floor((hz - reach_hz) * frames / RATE_HZ) + 1
    last = math.ceil((hz + reach_hz) * frames / RATE_HZ)
    return float((np.abs(spectrum[first:last]) ** 2).sum())


@pytest.mark.parametrize("number", [0, 2, 3, 5, 7])
def test_hum_falls_by_30_db_and_music_stays(number: int) -> None:
    """Measured with one long transform, against the music without hum.

    Hum can't be separated from music of the same pitch and level: where the music within 0.25 Hz
    of a harmonic is louder than 30 dB below the hum, the residual is below the music.
    """
    music = np.concatenate([0.3 * piece(number), 0.3 * piece(number)[::-1]])
    music = (music - music.mean(axis=0)).astype(np.float32)
    frames, mains_hz = len(music), 49.6
    humming = hum(mains_hz, frames)
    spoilt = (music + humming).astype(np.float32)
    after = joined(dehum(in_blocks(spoilt), RATE_HZ, 6, at(mains_hz)))
    assert after.shape == music.shape
    shape = np.hanning(frames)
    alone, left, added = (
        np.fft.rfft(shape * samples[:, 0].astype(float))
        for samples in (music, after - music, humming)
    )
    for harmonic in LEVELS_DBFS:
        hz = harmonic * mains_hz
        bound = max(1e-3 * near(added, hz, 0.25, frames), near(alone, hz, 0.25, frames))
        assert near(left, hz, 0.25, frames) < bound
    repaired = alone + left
    for low_hz, high_hz in itertools.pairwise(20 * 2 ** (np.arange(0, 120) / 12)):
        bins = np.arange(int(low_hz * frames / RATE_HZ), int(high_hz * frames / RATE_HZ))
        from_harmonic = np.abs((bins * RATE_HZ / frames / mains_hz + 0.5) % 1 - 0.5) * mains_hz
        bins = bins[from_harmonic > 1]
        if len(bins):
            change = (np.abs(repaired[bins]) ** 2).sum() / (np.abs(alone[bins]) ** 2).sum()
            assert abs(10 * np.log10(change)) < 0.2


def test_hum_alone_falls_by_40_db_even_if_the_pitch_is_off() -> None:
    """With an error of 0.04 % in pitch, at both ends too."""
    sound = hiss(30 * RATE_HZ, -75, 2)
    spoilt = sound + hum(50.02, len(sound))
    left = joined(dehum(in_blocks(spoilt), RATE_HZ, 6, at(50.0))) - sound
    ends = np.concatenate((left[:RATE_HZ], left[-RATE_HZ:]))
    assert 20 * np.log10(left.std() / hum(50.02, len(sound)).std()) < -40
    assert 20 * np.log10(ends.std() / hum(50.02, len(sound)).std()) < -30


def test_no_hum_is_added_to_silence_next_to_it() -> None:
    sound = hum(50, 40 * RATE_HZ)
    sound[15 * RATE_HZ : 25 * RATE_HZ] = 0
    after = joined(dehum(in_blocks(sound), RATE_HZ, 6, at(50.0)))
    assert not after[18 * RATE_HZ : 22 * RATE_HZ].any()


def test_a_note_at_the_pitch_of_the_hum_stays() -> None:
    """A note of 1 s that is 30 dB above it keeps its level, and nothing rings after it."""
    frames = 60 * RATE_HZ
    note = np.zeros((frames, 2))
    time_s = np.arange(RATE_HZ) / RATE_HZ
    played = 0.2 * np.hanning(RATE_HZ) * np.sin(2 * np.pi * 50 * time_s + 1)
    note[30 * RATE_HZ : 31 * RATE_HZ] = played[:, None]
    spoilt = note + hum(50, frames)
    left = joined(dehum(in_blocks(spoilt), RATE_HZ, 6, at(50.0))) - note
    assert 20 * np.log10(left.std() / hum(50, frames).std()) < -40
    assert 20 * np.log10(left[31 * RATE_HZ : 33 * RATE_HZ].std() / note.max()) < -60


def test_blocks_of_any_size_give_the_same() -> None:
    sound = (piece(3, 20) + hum(50, 20 * RATE_HZ)).astype(np.float32)
    whole = joined(dehum(iter([sound]), RATE_HZ, 4, at(50.01)))
    for length in (1777, 96_000, 131_072):
        assert np.array_equal(joined(dehum(in_blocks(sound, length), RATE_HZ, 4, at(50.01))), whole)


def test_no_harmonics_passes_bit_for_bit() -> None:
    sound = piece(3, 2).astype(np.float32)
    assert np.array_equal(joined(dehum(in_blocks(sound), RATE_HZ, 0, at(50.0))), sound)


def test_short_sound_passes_whole() -> None:
    for frames in (1, 5000, 3 * RATE_HZ):
        sound = hiss(frames, -40, 1).astype(np.float32)
        assert joined(dehum(in_blocks(sound), RATE_HZ, 6, at(50.0))).shape == sound.shape


BED_S = 90


def bed() -> np.ndarray:
    """Return a minute of music between pauses, with hiss."""
    music = resample_poly(0.3 * piece(2), 1, RATE_HZ // LOW_RATE_HZ, axis=0)
    pause = np.zeros((15 * LOW_RATE_HZ, 2))
    sound = np.concatenate((pause, music, music[::-1], pause))
    return (sound - sound.mean(axis=0) + hiss(len(sound), -72, 4)).astype(np.float32)


def without_hum(sound: np.ndarray) -> tuple[np.ndarray, tuple[HumStretch, ...]]:
    """Return a sound without the hum that is found in it, and where that was found."""
    found = read(HumMeter(LOW_RATE_HZ), sound)
    return joined(dehum(in_blocks(sound), LOW_RATE_HZ, 6, found.stretches)), found.stretches


def rms_dbfs(sound: np.ndarray) -> float:
    return float(20 * np.log10(sound.std()))


@pytest.mark.parametrize("sort", ["drifting", "swelling"])
def test_hum_that_varies_is_followed(sort: str) -> None:
    """By 0.2 % up and down in a minute; by 6 dB up and down in two."""
    sound, added = bed(), added_hum(sort, -40.0, BED_S * LOW_RATE_HZ, LOW_RATE_HZ)
    after, stretches = without_hum((sound + added).astype(np.float32))
    assert (stretches[0].start_s, stretches[-1].end_s) == (0.0, None)
    assert rms_dbfs(after - sound) < rms_dbfs(added) - 20


def test_drifting_hum_is_followed_to_both_ends() -> None:
    """Where the pitch moves: the first and the last 5 s."""
    sound = hiss(65 * LOW_RATE_HZ, -72, 4).astype(np.float32)
    added = added_hum("drifting", -40.0, len(sound), LOW_RATE_HZ)
    after, _ = without_hum((sound + added).astype(np.float32))
    for end in (slice(5 * LOW_RATE_HZ), slice(-5 * LOW_RATE_HZ, None)):
        assert rms_dbfs((after - sound)[end]) < rms_dbfs(added[end]) - 30


def test_switched_hum_is_removed_and_the_rest_passes_bit_for_bit() -> None:
    sound, added = bed(), added_hum("switched", -40.0, BED_S * LOW_RATE_HZ, LOW_RATE_HZ)
    spoilt = (sound + added).astype(np.float32)
    after, (stretch,) = without_hum(spoilt)
    assert stretch.end_s is not None
    assert stretch.start_s == pytest.approx(ON_FROM * BED_S, abs=0.1)
    assert stretch.end_s == pytest.approx(ON_UNTIL * BED_S, abs=0.1)
    first, last = (round(at_s * LOW_RATE_HZ) for at_s in (stretch.start_s, stretch.end_s))
    assert np.array_equal(after[:first], spoilt[:first])
    assert np.array_equal(after[last:], spoilt[last:])
    assert rms_dbfs(after - sound) < rms_dbfs(added) - 20


def test_hum_that_steps_in_level_is_removed_on_either_side() -> None:
    sound = hiss(60 * LOW_RATE_HZ, -72, 4).astype(np.float32)
    added = added_hum("stepped", -40.0, len(sound), LOW_RATE_HZ)
    after, stretches = without_hum((sound + added).astype(np.float32))
    assert [s.start_s for s in stretches] == pytest.approx([0, STEP_AT * 60], abs=0.02)
    assert rms_dbfs(after - sound) < rms_dbfs(added) - 40


def test_the_reading_is_the_same_whatever_the_blocks() -> None:
    sound = hiss(60 * LOW_RATE_HZ, -72, 4).astype(np.float32)
    stepped = sound + added_hum("stepped", -40.0, len(sound), LOW_RATE_HZ).astype(np.float32)
    meter, found = HumMeter(LOW_RATE_HZ), read(HumMeter(LOW_RATE_HZ), stepped)
    meter.feed(stepped)
    assert len(found.stretches) == 2
    assert meter.reading() == found
    assert meter.reading() == found  # it can be read again


def test_a_passage_is_as_in_the_whole_side() -> None:
    """Read from its own first sample, with the pitch of the side there."""
    sound = hiss(70 * LOW_RATE_HZ, -72, 4)
    spoilt = (sound + added_hum("drifting", -40.0, len(sound), LOW_RATE_HZ)).astype(np.float32)
    whole, stretches = without_hum(spoilt)
    first = 30 * LOW_RATE_HZ + 77
    part = joined(dehum(in_blocks(spoilt[first:]), LOW_RATE_HZ, 6, stretches, first))
    assert rms_dbfs((part - whole[first:])[5 * LOW_RATE_HZ :]) < -75
