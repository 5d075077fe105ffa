"""A dynamic band against its static curve, and at its full depth against the cookbook's bell."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfreqz

from assembler.dsp.compressor_settings import CompressorSettings
from assembler.dsp.dynamic_band import band_alone
from assembler.dsp.equaliser import FilterBand, equalise, sections

RATE_HZ = 48000
CURVE = CompressorSettings(-30.0, 3.0, attack_s=0.005, release_s=0.2, knee_db=6.0)
BELL = FilterBand("bell", 6500, -9.0, 1.5, dynamic=CURVE)
SHELVES = (
    FilterBand("low_shelf", 6000, -9.0, dynamic=CURVE),
    FilterBand("high_shelf", 6000, -9.0, dynamic=CURVE),
)
NOISE = np.random.default_rng(61).normal(0, 0.2, (4000, 2)).astype(np.float32)


def filtered(sound: np.ndarray, *bands: FilterBand) -> np.ndarray:
    return np.concatenate(list(equalise([sound], bands, RATE_HZ)))


def tone(hz: float, level_db: float, length_s: float = 1.0) -> np.ndarray:
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    wave = 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * t)
    return np.stack([wave, wave], 1).astype(np.float32)


def gain_db(sound: np.ndarray, *bands: FilterBand) -> float:
    """Return the gain of the last quarter, where the detector is settled."""
    last = slice(-len(sound) // 4, None)
    powers = [
        float((one[last].astype(np.float64) ** 2).mean())
        for one in (filtered(sound, *bands), sound)
    ]
    return 10 * np.log10(powers[0] / powers[1])


def curve_db(level: float, band: FilterBand) -> float:
    """Return the gain by equation 4 of Giannoulis, Massberg and Reiss (2012), at most `db`."""
    t, r, w = CURVE.threshold_db, CURVE.ratio, CURVE.knee_db
    over = level - t
    taken = (1 - 1 / r) * (max(over, 0) if abs(over) > w / 2 else (over + w / 2) ** 2 / (2 * w))
    return max(-taken, band.db)


@pytest.mark.parametrize("level_db", [-40, -31, -28, -24, -20, -10, -3])
@pytest.mark.parametrize(("band", "hz"), [(BELL, 6500), (SHELVES[0], 200), (SHELVES[1], 20000)])
def test_the_depth_is_that_of_the_static_curve(
    band: FilterBand, hz: float, level_db: float
) -> None:
    """A shelf's detector is at its full gain only far from its corner: there within 0.25 dB."""
    tolerance_db = 0.05 if band is BELL else 0.25
    found = gain_db(tone(hz, level_db, 2.0), band)
    assert found == pytest.approx(curve_db(level_db, band), abs=tolerance_db)


def test_full_depth_is_the_bell_of_the_cookbook() -> None:
    hz = np.geomspace(20, 20000, 200)
    _, alone = sosfreqz(band_alone(BELL, RATE_HZ), hz, fs=RATE_HZ)
    _, bell = sosfreqz(sections(BELL, RATE_HZ), hz, fs=RATE_HZ)
    assert np.abs(1 + (10 ** (BELL.db / 20) - 1) * alone - bell).max() < 1e-12


@pytest.mark.parametrize("band", SHELVES)
def test_a_shelf_is_half_as_deep_at_its_corner(band: FilterBand) -> None:
    _, alone = sosfreqz(band_alone(band, RATE_HZ), [20, band.hz, 23900], fs=RATE_HZ)
    depth = 20 * np.log10(np.abs(1 + (10 ** (band.db / 20) - 1) * alone))
    assert depth[1] == pytest.approx(band.db / 2, abs=0.1)
    assert sorted(np.round(depth[[0, 2]])) == [-9, 0]


@pytest.mark.parametrize("on", ["stereo", "mid", "side"])
def test_below_its_threshold_the_sound_passes_bit_for_bit(on: str) -> None:
    quiet = tone(6500, -40) + tone(200, -16)
    band = BELL._replace(on=on)
    assert filtered(quiet, band).tobytes() == quiet.tobytes()


def test_an_ess_is_lowered_and_the_voice_is_not() -> None:
    """A loud 300 Hz tone alone does not open the band; with an ess, only the ess is lowered."""
    voice, ess = tone(300, -8), tone(6500, -16)
    assert gain_db(voice, BELL) == 0.0
    both = filtered(voice + ess, BELL)[RATE_HZ // 2 :, 0].astype(np.float64)
    t = np.arange(len(both)) / RATE_HZ
    levels = [
        20 * np.log10(2 * abs((both * np.exp(-2j * np.pi * hz * t)).mean())) for hz in (300, 6500)
    ]
    assert levels[0] == pytest.approx(-8, abs=0.05)
    assert levels[1] == pytest.approx(-16 + curve_db(-16, BELL), abs=0.2)


def test_mid_and_side_stay_bit_equal_where_the_other_is_asked() -> None:
    sound = np.round(NOISE * 2**23) / np.float32(2**23)
    for on, kept in (("mid", -1), ("side", 1)):
        result = filtered(sound, BELL._replace(on=on, hz=1000.0))
        other, own = (
            (r[:, 0].astype(np.float64) + s * r[:, 1]) for r, s in ((result, kept), (result, -kept))
        )
        before = sound[:, 0].astype(np.float64) + kept * sound[:, 1]
        assert np.array_equal(other, before)
        assert np.abs(own - (sound[:, 0].astype(np.float64) - kept * sound[:, 1])).max() > 0.01


@settings(deadline=None, max_examples=20)
@given(st.sets(st.integers(1, len(NOISE) - 1), max_size=6))
def test_blocks_of_any_size_are_equal(cuts: set[int]) -> None:
    bands = (FilterBand("high_pass", 40), BELL, SHELVES[0]._replace(on="side"))
    edges = [0, *sorted(cuts), len(NOISE)]
    blocks = [NOISE[a:b] for a, b in itertools.pairwise(edges)]
    result = np.concatenate(list(equalise(blocks, bands, RATE_HZ)))
    assert np.array_equal(result, filtered(NOISE, *bands))
