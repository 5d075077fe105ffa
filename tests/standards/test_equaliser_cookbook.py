"""Equaliser responses against the analogue prototypes of the "Audio EQ Cookbook" (W3C Group Note,
2021) under its bilinear transform, and 24 dB passes against scipy's Butterworth design.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from assembler.dsp.equaliser import FilterBand, equalise

RATES_HZ = [44100, 96000]
DEEPEST_DB = -80.0  # below that, the single precision of the output shows


def grid_hz(rate_hz: int) -> np.ndarray:
    return np.geomspace(10, 0.4 * rate_hz, 600)


def measured_db(band: FilterBand, rate_hz: int) -> np.ndarray:
    """Response on the grid, from the band's impulse response."""
    impulse = np.zeros((1 << 17, 2), np.float32)
    impulse[0] = 1.0
    answer = np.concatenate(list(equalise([impulse], [band], rate_hz)))[:, 0]
    spectrum = np.abs(np.fft.rfft(answer.astype(np.float64), 1 << 20))
    bins = np.fft.rfftfreq(1 << 20, 1 / rate_hz)
    return 20 * np.log10(np.interp(grid_hz(rate_hz), bins, spectrum))


def cookbook_db(band: FilterBand, q: float, rate_hz: int) -> np.ndarray:
    """H(s) of the note, at the s of each frequency by the bilinear transform."""
    s = 1j * np.tan(np.pi * grid_hz(rate_hz) / rate_hz) / math.tan(math.pi * band.hz / rate_hz)
    a = 10 ** (band.db / 40)
    root = math.sqrt(a)
    response = {
        "low_pass": 1 / (s**2 + s / q + 1),
        "high_pass": s**2 / (s**2 + s / q + 1),
        "notch": (s**2 + 1) / (s**2 + s / q + 1),
        "bell": (s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1),
        "low_shelf": a * (s**2 + root / q * s + a) / (a * s**2 + root / q * s + 1),
        "high_shelf": a * (a * s**2 + root / q * s + 1) / (s**2 + root / q * s + a),
    }[band.shape]
    return 20 * np.log10(np.abs(response))


def assert_same_response(measured: np.ndarray, expected: np.ndarray) -> None:
    heard = expected > DEEPEST_DB
    assert heard.sum() > 100
    assert np.abs(measured - expected)[heard].max() < 0.05


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("hz", [40.0, 1000.0, 9000.0])
@pytest.mark.parametrize(
    ("shape", "db", "q"),
    [
        ("low_pass", 0.0, 0.7071),
        ("low_pass", 0.0, 2.0),
        ("high_pass", 0.0, 0.7071),
        ("high_pass", 0.0, 0.5),
        ("notch", 0.0, 4.0),
        ("bell", 6.0, 1.2),
        ("bell", -12.0, 0.4),
        ("low_shelf", 5.0, 0.7071),
        ("low_shelf", -9.0, 1.0),
        ("high_shelf", 3.0, 0.7071),
        ("high_shelf", -15.0, 0.5),
    ],
)
def test_response(shape: str, db: float, q: float, hz: float, rate_hz: int) -> None:
    band = FilterBand(shape, hz, db, q)
    assert_same_response(measured_db(band, rate_hz), cookbook_db(band, q, rate_hz))


@pytest.mark.parametrize(
    ("shape", "usual"),
    [
        ("low_pass", math.sqrt(0.5)),
        ("high_pass", math.sqrt(0.5)),
        ("low_shelf", math.sqrt(0.5)),
        ("high_shelf", math.sqrt(0.5)),
        ("bell", 1.0),
        ("notch", 10.0),
    ],
)
def test_default_width(shape: str, usual: float) -> None:
    """The default widths are the project's own choice."""
    band = FilterBand(shape, 800.0, 4.0)
    assert_same_response(measured_db(band, 44100), cookbook_db(band, usual, 44100))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("hz", [30.0, 500.0, 12000.0])
@pytest.mark.parametrize(("shape", "kind"), [("low_pass", "low"), ("high_pass", "high")])
@pytest.mark.parametrize(("slope", "order"), [(12, 2), (24, 4)])
def test_passes_are_butterworth(
    shape: str, kind: str, hz: float, slope: int, order: int, rate_hz: int
) -> None:
    design = butter(order, hz, kind, fs=rate_hz, output="sos")
    _, response = sosfreqz(design, grid_hz(rate_hz), fs=rate_hz)
    expected = 20 * np.log10(np.abs(response) + 1e-300)
    assert_same_response(measured_db(FilterBand(shape, hz, slope=slope), rate_hz), expected)


def test_bands_add_up() -> None:
    bands = [FilterBand("high_pass", 30.0), FilterBand("bell", 2800.0, -1.5, 1.2)]
    impulse = np.zeros((1 << 15, 2), np.float32)
    impulse[0] = 1.0
    once = np.concatenate(list(equalise([impulse], bands, 44100)))
    twice = np.concatenate(list(equalise(equalise([impulse], bands[:1], 44100), bands[1:], 44100)))
    assert np.abs(once - twice).max() < 1e-6
    assert np.abs(once - impulse).max() > 0.01


@pytest.mark.parametrize("hz", [22050.0, 30000.0])
def test_no_band_at_half_the_rate_or_above(hz: float) -> None:
    with pytest.raises(ValueError, match="half"):
        list(equalise([np.zeros((8, 2), np.float32)], [FilterBand("bell", hz, 3.0)], 44100))
