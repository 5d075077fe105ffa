"""Playback equalisation against the analog formula of the standards (IEC 60094-1, from memory)."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from numpy.typing import NDArray
from restoration.faulty_music import RATE_HZ, in_blocks, joined, piece
from scipy.signal import freqz_sos, sosfilt

from assembler.manifest.playback import CONSTANTS, TAPE_SPEEDS, Playback, Standard
from assembler.restoration.repair.playback import (
    analog_db,
    correct_playback,
    playback_sections,
)

PAIRS = [
    Playback(played, recorded, speed)
    for speed in TAPE_SPEEDS
    for played in get_args(Standard)
    for recorded in get_args(Standard)
    if {(played, speed), (recorded, speed)} <= CONSTANTS.keys()
    and CONSTANTS[played, speed] != CONSTANTS[recorded, speed]
]


def flux(hz: NDArray[np.float64], low_us: float | None, high_us: float) -> NDArray[np.complex128]:
    """Return the standard's flux over frequency, with its phase."""
    s = 2j * np.pi * hz
    bass = 1 if low_us is None else 1 + 1 / (s * low_us * 1e-6)
    return np.asarray(bass / (1 + s * high_us * 1e-6))


def test_the_standards_differ_in_ten_pairs() -> None:
    assert len(PAIRS) == 10


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.text)
def test_the_filter_is_the_analog_difference(pair: Playback, rate_hz: int) -> None:
    """Within 0.05 dB from 20 Hz to 20 kHz; the phase of the bass within 6°, up to 1 kHz."""
    played, recorded = pair.constants
    hz = np.geomspace(20, 20_000, 2000)
    analog = flux(hz, *played) / flux(hz, *recorded)
    aligned = np.array([1000.0])
    analog /= abs(flux(aligned, *played) / flux(aligned, *recorded))
    _, digital = freqz_sos(playback_sections(played, recorded, rate_hz), hz, fs=rate_hz)
    assert np.abs(20 * np.log10(np.abs(digital / analog))).max() < 0.05
    assert np.abs(np.angle(digital / analog, deg=True)[hz < 1000]).max() < 6
    told = [analog_db(played, recorded, at) for at in hz[::100]]
    assert told == pytest.approx(20 * np.log10(np.abs(analog[::100])), abs=1e-9)


def test_a_wrong_pairing_costs_4_3_db_at_40_hz() -> None:
    for rate_hz in (44_100, 96_000):
        sections = playback_sections(*Playback("nab", "iec1", 38).constants, rate_hz)
        _, response = freqz_sos(sections, [40.0, 1000.0, 0.0], fs=rate_hz)
        assert 20 * np.log10(np.abs(response[:2])) == pytest.approx([4.29, 0.0], abs=0.02)
        assert abs(response[2]) < 1e-6  # an offset is removed


def test_an_offset_and_the_lowest_frequencies_are_bounded() -> None:
    """At most 50 Hz / 2 Hz = 25 times, at `LOWEST_HZ`: 28 dB."""
    sections = playback_sections(*Playback("nab", "iec1", 19).constants, RATE_HZ)
    _, response = freqz_sos(sections, np.geomspace(0.01, 20, 2000), fs=RATE_HZ)
    assert 20 * np.log10(np.abs(response)).max() < 28.2


@pytest.mark.parametrize(
    "number",
    [
        0,
        *(pytest.param(made, marks=pytest.mark.thorough) for made in range(1, 5)),
        *(
            pytest.param(real, marks=[pytest.mark.thorough, pytest.mark.debian_music])
            for real in (5, 8, 10)
        ),
    ],
)
def test_a_tape_played_by_the_wrong_standard_is_as_one_played_right(number: int) -> None:
    """The wrong pairing is made at eight times the rate by bilinear sections, then undone."""
    music = piece(number, 4)
    pair = Playback("nab", "iec1", 38)
    fine = np.fft.irfft(np.fft.rfft(music, axis=0), 8 * len(music), axis=0) * 8
    analog_hz = 8 * RATE_HZ
    low, wrong, right = (1 / (2 * analog_hz * t * 1e-6) for t in (3180, 50, 35))
    treble = [(1 + 1 / wrong) / (1 + 1 / right), (1 - 1 / wrong) / (1 + 1 / right)]
    pole = (1 - 1 / right) / (1 + 1 / right)
    damage = [
        [*treble, 0, 1, pole, 0],
        [1 / (1 + low), -1 / (1 + low), 0, 1, (low - 1) / (1 + low), 0],
    ]
    played = sosfilt(np.array(damage), fine, axis=0)[::8]
    restored = joined(correct_playback(in_blocks(played), RATE_HZ, pair))
    hz = np.fft.rfftfreq(len(music), 1 / RATE_HZ)
    heard = (hz > 30) & (hz < 20_000)
    before, after, own = (
        np.fft.rfft(sound.mean(axis=1) * np.hanning(len(music)))[heard]
        for sound in (played, restored, music)
    )
    scale = np.vdot(own, after) / np.vdot(own, own)
    assert 20 * np.log10(abs(scale)) == pytest.approx(0.2, abs=0.02)  # of the treble, at 1 kHz
    left_db = 20 * np.log10(np.linalg.norm(after - scale * own) / np.linalg.norm(scale * own))
    off_db = 20 * np.log10(np.linalg.norm(before - own) / np.linalg.norm(own))
    assert left_db < off_db - 20


def test_the_same_standard_passes_bit_for_bit() -> None:
    sound = piece(0, 2).astype(np.float32)
    for pair in (Playback("nab", "nab", 38), Playback("nab", "iec2", 19)):
        same = joined(correct_playback(in_blocks(sound), RATE_HZ, pair))
        np.testing.assert_array_equal(same, sound)


def test_blocks_of_any_length_give_the_same_sound() -> None:
    sound = piece(2, 2).astype(np.float32)
    pair = Playback("type2", "type1", 4.75)
    whole = joined(correct_playback(iter([sound]), RATE_HZ, pair))
    np.testing.assert_array_equal(
        whole, joined(correct_playback(in_blocks(sound, 777), RATE_HZ, pair))
    )
