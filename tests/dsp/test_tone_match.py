"""EQ bands that match a long-term spectrum, on noise whose spectrum is known."""

from __future__ import annotations

import numpy as np
import pytest

from assembler.dsp.equaliser import FilterBand, equalise, response_db, sections
from assembler.dsp.third_octaves import long_term_third_octaves, third_octaves
from assembler.dsp.tone_match import corrected, matching_bands, spectral_distance

RATE_HZ = 44100
NOISE = np.random.default_rng(12).normal(0, 0.05, (20 * RATE_HZ, 2)).astype(np.float32)


def levels(*bands: FilterBand) -> np.ndarray:
    return long_term_third_octaves(equalise([NOISE], bands, RATE_HZ), RATE_HZ)


def test_the_long_term_levels_are_those_of_the_whole_sound() -> None:
    blocks = np.array_split(NOISE, 7)
    found = long_term_third_octaves(blocks, RATE_HZ)
    assert found[4:] == pytest.approx(third_octaves(NOISE, RATE_HZ)[4:], abs=0.02)


def test_the_response_of_bands_is_that_of_scipy() -> None:
    from scipy.signal import sosfreqz

    bands = [FilterBand("bell", 800, -3.0, 2.0), FilterBand("high_pass", 40, slope=24)]
    hz = np.array([30.0, 100, 800, 9000])
    _, h = sosfreqz(np.concatenate([sections(one, RATE_HZ) for one in bands]), hz, fs=RATE_HZ)
    assert response_db(bands, hz, RATE_HZ) == pytest.approx(20 * np.log10(np.abs(h)), abs=1e-9)


@pytest.mark.parametrize(
    "shape",
    [
        (FilterBand("high_shelf", 3000, 4.0),),
        (FilterBand("low_shelf", 300, -3.0), FilterBand("bell", 2500, 2.5, 0.8)),
        (FilterBand("bell", 1000, -12.0, 0.7),),
    ],
    ids=["bright", "thin", "far"],
)
def test_the_distance_falls_and_the_correction_stays_within_4_db(shape) -> None:
    own, reference = levels(), levels(*shape)
    bands = matching_bands(own, reference, RATE_HZ)
    before_db = spectral_distance(own, reference, RATE_HZ)
    after_db = spectral_distance(levels(*bands), reference, RATE_HZ)
    assert after_db < (0.4 if max(abs(one.db) for one in shape) <= 4 else 0.8) * before_db
    hz = np.geomspace(20, 20000, 400)
    assert np.abs(response_db(bands, hz, RATE_HZ)).max() <= 4.0
    assert all(one.db == round(one.db, 1) for one in bands)
    predicted_db = spectral_distance(corrected(own, bands, RATE_HZ), reference, RATE_HZ)
    assert predicted_db == pytest.approx(after_db, abs=0.05)


def test_alike_sound_of_another_level_and_silence_need_no_band() -> None:
    own = levels()
    assert matching_bands(own, own - 7.0, RATE_HZ) == ()
    assert spectral_distance(own, own - 7.0, RATE_HZ) == pytest.approx(0, abs=1e-9)
    silence = third_octaves(np.zeros_like(NOISE), RATE_HZ)
    assert matching_bands(own, silence, RATE_HZ) == ()
    assert spectral_distance(own, silence, RATE_HZ) is None
