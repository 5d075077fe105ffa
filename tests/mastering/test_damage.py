"""What EQ and dynamics do to eight kinds of undamaged music: nothing when idle, little when on."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from made_music import Wave, in_a_room, made_music, panned, times
from scipy.signal import butter, sosfilt

from assembler.dsp.clipper import Clipper, clip
from assembler.dsp.compressor import compress, demand_db
from assembler.dsp.compressor_settings import CompressorSettings
from assembler.dsp.equaliser import FilterBand, equalise
from assembler.dsp.masking import bands_above_masking, frame_size
from assembler.dsp.third_octaves import MID_HZ, long_term_third_octaves
from assembler.dsp.tone_match import matching_bands, spectral_distance
from assembler.manifest.filters import bands_of
from assembler.manifest.model import Track

RATE_HZ = 44100
LENGTH_S = 1.6
COMPRESSOR = CompressorSettings(-24.0, 1.5)
DEESSER = CompressorSettings(-40.0, 3.0, 0.005, 0.1, 6.0)
CLIP_DB = 1.0
UNTOUCHED = Track.model_validate({"title": "Low Lantern", "audio": "a.wav"})


def piano(rng: np.random.Generator) -> Wave:
    """Return struck chords, each partial decaying by itself."""
    sound, t = np.zeros((round(LENGTH_S * RATE_HZ), 2)), times(1.5, RATE_HZ)
    for start_s in (0.0, 0.4, 0.8, 1.2):
        for hz in 130.8 * 2 ** (rng.choice(25, 3) / 12):
            note = sum(np.sin(2 * np.pi * n * hz * t) * np.exp(-n * t) / n for n in range(1, 9))
            attack = np.minimum(t / 0.002, 1)
            panned(sound, attack * note, round(start_s * RATE_HZ), rng.uniform(0.3, 0.7))
    return in_a_room(sound, RATE_HZ, rng, -14)


def organ(rng: np.random.Generator) -> Wave:
    """Return held chords of steady partials."""
    t = times(LENGTH_S, RATE_HZ)
    dry = np.zeros((len(t), 2))
    for hz, pan in ((65.4, 0.5), (196.0, 0.2), (261.6, 0.4), (329.6, 0.6), (392.0, 0.8)):
        pipes = sum(np.sin(2 * np.pi * n * hz * t + n) / n for n in (1, 2, 3, 4, 6, 8))
        panned(dry, pipes, 0, pan)
    return in_a_room(dry, RATE_HZ, rng, -8)


def surf(rng: np.random.Generator) -> Wave:
    """Return noise that swells, as of waves or rain."""
    t = times(LENGTH_S, RATE_HZ)
    noise = sosfilt(butter(1, 2000, fs=RATE_HZ, output="sos"), rng.standard_normal((len(t), 2)), 0)
    return noise * (0.6 + 0.4 * np.sin(2 * np.pi * 0.7 * t))[:, None]


def bass(rng: np.random.Generator) -> Wave:
    """Return plucked low notes in the middle, with their overtones and a little room."""
    t = times(LENGTH_S, RATE_HZ)
    beat = t % 0.5
    hz = np.array([41.2, 55.0, 61.7, 49.0])[(t / 0.5).astype(int) % 4]
    note = sum(np.sin(2 * np.pi * n * hz * beat) / n**1.5 for n in range(1, 7)) * np.exp(-3 * beat)
    note *= np.minimum(beat / 0.004, 1) * np.minimum((0.5 - beat) / 0.01, 1)
    return in_a_room(np.stack([note, note], 1), RATE_HZ, rng, -20)


OWN = {"piano": piano, "organ": organ, "surf": surf, "bass": bass}
KINDS = ("strings", "piano", "drums", "speech", "plucked", "organ", "surf", "bass")


@functools.cache
def music(kind: str) -> np.ndarray:
    """Return 24-bit sound with a peak of −3 dBFS."""
    if kind in OWN:
        sound = OWN[kind](np.random.default_rng(list(kind.encode())))
    else:
        start = round(1.5 * RATE_HZ)
        whole = made_music(kind, 4.0, RATE_HZ).astype(np.float64)
        sound = whole[start : start + round(LENGTH_S * RATE_HZ)]
    sound = sound * (10 ** (-3 / 20) / np.abs(sound).max())
    return (np.round(sound * 2**23) / 2**23).astype(np.float32)


@functools.cache
def spectrum(kind: str) -> np.ndarray:
    return long_term_third_octaves([music(kind)], RATE_HZ)


def joined(blocks) -> np.ndarray:
    return np.concatenate(list(blocks))


def level_db(sound: np.ndarray) -> float:
    return 10 * np.log10((sound.astype(np.float64) ** 2).mean() + 1e-30)


@pytest.mark.parametrize("kind", KINDS)
def test_idle_steps_leave_every_sample(kind: str) -> None:
    """Nothing reaches threshold or ceiling; the tone is its own; the sound is mono already."""
    sound = music(kind)
    mono = np.repeat(sound[:, :1], 2, axis=1)
    dynamic = FilterBand("bell", 6500, -6.0, 1.5, dynamic=DEESSER._replace(threshold_db=6.0))
    own = spectrum(kind)
    found = {
        "compress": joined(compress([sound], COMPRESSOR._replace(threshold_db=0.5), RATE_HZ)),
        "dynamic": joined(equalise([sound], [dynamic], RATE_HZ)),
        "clip": joined(clip([sound], RATE_HZ, Clipper(1.0, CLIP_DB))),
        "tone": joined(equalise([sound], matching_bands(own, own, RATE_HZ), RATE_HZ)),
        "left out": joined(equalise([sound], bands_of(UNTOUCHED), RATE_HZ)),
    }
    assert [name for name, made in found.items() if not np.array_equal(made, sound)] == []
    mono_below = FilterBand("high_pass", 120, slope=24, on="side")
    assert np.array_equal(joined(equalise([mono], [mono_below], RATE_HZ)), mono)


@pytest.mark.parametrize("kind", KINDS)
def test_a_compressor_only_lowers_and_keeps_the_image(kind: str) -> None:
    """Never more than the static curve asks for at the peak; both channels by the same gain."""
    sound = music(kind).astype(np.float64)
    made = joined(compress([music(kind)], COMPRESSOR, RATE_HZ)).astype(np.float64)
    asked_db = demand_db(np.array([np.abs(sound).max()]), COMPRESSOR)[0]
    loud = np.abs(sound) > 1e-3
    taken_db = 20 * np.log10(sound[loud] / made[loud])
    assert taken_db.min() > -1e-4
    assert 0.2 < taken_db.max() < asked_db + 1e-3
    assert np.abs(made[:, 0] * sound[:, 1] - made[:, 1] * sound[:, 0]).max() < 1e-6


@pytest.mark.parametrize("kind", KINDS)
def test_a_dynamic_band_stays_within_its_depth_and_its_band(kind: str) -> None:
    """A bell of −6 dB at 6.5 kHz, of any level: 0.3 dB two octaves away, and never a rise."""
    sound = music(kind)
    band = FilterBand("bell", 6500, -6.0, 1.5, dynamic=DEESSER)
    made = joined(equalise([sound], [band], RATE_HZ))
    before, after = spectrum(kind), long_term_third_octaves([made], RATE_HZ)
    heard = (before > before.max() - 60) & (MID_HZ < 18000)
    change_db = (after - before)[heard]
    assert change_db.min() > -6.05
    assert change_db.max() < 0.1
    assert np.abs((after - before)[heard & (MID_HZ < 6500 / 4)]).max() < 0.3


@pytest.mark.parametrize("kind", KINDS)
def test_a_clipper_of_1_db_distorts_little_and_mostly_masked(kind: str) -> None:
    """Peaks 1 dB over the ceiling: distortion 30 dB below the sound, level changes left out.

    Peaks of a few samples, as of drums, fall by less: what the curve takes off is low-passed.
    """
    sound = music(kind)
    taken: list[np.ndarray] = []
    made = joined(
        clip(
            [sound],
            RATE_HZ,
            Clipper(-3.0 - CLIP_DB, CLIP_DB),
            lambda _block, off, _reduction: taken.append(off),
        )
    ).astype(np.float64)
    off = np.concatenate(taken).astype(np.float64)
    gain = (off * sound).sum() / (sound.astype(np.float64) ** 2).sum()
    assert np.abs(made).max() < 10 ** ((-3.0 - 0.4 * CLIP_DB) / 20)
    assert level_db(off - gain * sound) < level_db(sound) - 30
    size = frame_size(RATE_HZ)
    frames = [(made[i : i + size, 0], off[i : i + size, 0]) for i in range(0, len(off), size)][:-1]
    counts = [bands_above_masking(a, b, RATE_HZ) for a, b in frames if b.any()]
    above, bands = np.sum(counts, axis=0)
    assert above < 0.3 * bands  # bass has the most, 0.27: a threshold in quiet is left out


@pytest.mark.thorough
@pytest.mark.parametrize("kind", KINDS)
def test_mono_below_keeps_the_mid_and_the_width_above(kind: str) -> None:
    """The mid is bit-equal; from two octaves above 60 Hz the side keeps its level."""
    sound = music(kind)
    made = joined(
        equalise([sound], [FilterBand("high_pass", 60, slope=24, on="side")], RATE_HZ)
    ).astype(np.float64)
    assert np.array_equal(made.sum(axis=1), sound.astype(np.float64).sum(axis=1))
    sides = [np.repeat(one[:, :1] - one[:, 1:], 2, axis=1) for one in (sound, made)]
    before, after = (long_term_third_octaves([one], RATE_HZ) for one in sides)
    heard = (before > before.max() - 40) & (MID_HZ > 240)
    assert np.abs((after - before)[heard]).max(initial=0.0) < 0.1


@pytest.mark.thorough
@pytest.mark.parametrize("kind", KINDS)
def test_a_tone_match_to_any_other_kind_stays_within_4_db(kind: str) -> None:
    own = spectrum(kind)
    for other in KINDS:
        reference = spectrum(other)
        bands = matching_bands(own, reference, RATE_HZ)
        if other == kind:
            assert bands == ()
            continue
        made = joined(equalise([music(kind)], bands, RATE_HZ))
        after = long_term_third_octaves([made], RATE_HZ)
        assert spectral_distance(after, reference, RATE_HZ) < spectral_distance(
            own, reference, RATE_HZ
        )
        heard = own > own.max() - 60
        assert np.abs((after - own)[heard]).max() <= 4.1
