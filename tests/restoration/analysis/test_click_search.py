"""Click search in one channel of noise and tones, with clicks and onsets at known samples."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from assembler.restoration.analysis.click_extent import GUARD
from assembler.restoration.analysis.click_search import ClickSearch, FoundClick
from assembler.restoration.analysis.error_peaks import error_peaks, time_scale

RATE_HZ = 44_100
HOPS = 16
AT = 9_000


def sound(seed: int = 1, rate_hz: int = RATE_HZ) -> NDArray[np.float64]:
    """Return three steady tones over noise at −66 dBFS, in 24 hops."""
    time_s = np.arange((HOPS + 8) * 1024 * time_scale(rate_hz)) / rate_hz
    tones = sum(0.1 * np.sin(2 * np.pi * hz * time_s) for hz in (220.0, 523.3, 1318.5))
    return tones + 5e-4 * np.random.default_rng(seed).standard_normal(len(time_s))


def clicks(
    samples: NDArray[np.float64],
    strength: float = 5.0,
    rate_hz: int = RATE_HZ,
    start: int = 0,
    end: int | None = None,
) -> list[FoundClick]:
    search = ClickSearch(rate_hz, strength)
    first, last = 4 * search.hop, (4 + HOPS) * search.hop
    whole = len(samples) if end is None else end
    both, half = np.repeat(samples.astype(np.float32)[:, None], 2, axis=1), search.hop // 2
    padded = np.pad(both, ((half, half), (0, 0)))
    peaks = error_peaks(padded, search.scale, start + half, whole + half)
    return search.clicks_between(both[:, 0], peaks[0], first, last, start, whole)


def test_steady_sound_has_no_clicks() -> None:
    assert clicks(sound()) == []
    assert clicks(np.zeros(24 * 1024)) == []


@pytest.mark.parametrize("length", [1, 5, 40])
def test_a_click_is_found_with_its_edges(length: int) -> None:
    samples = sound()
    samples[AT : AT + length] += 0.1 * np.where(np.arange(length) % 2, -1, 1)
    (click,) = clicks(samples)
    assert click.first == pytest.approx(AT, abs=2)
    assert click.last == pytest.approx(AT + length, abs=2)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
@pytest.mark.parametrize("length", [130, 220])
def test_a_burst_is_found_with_its_edges(length: int, rate_hz: int) -> None:
    samples, scale = sound(rate_hz=rate_hz), time_scale(rate_hz)
    noise = np.random.default_rng(7).standard_normal(length * scale)
    samples[AT * scale : (AT + length) * scale] += 0.05 * noise
    (burst,) = clicks(samples, rate_hz=rate_hz)
    assert burst.first == pytest.approx(AT * scale, abs=10 * scale)
    assert burst.last == pytest.approx((AT + length) * scale, abs=10 * scale)


def test_a_sound_of_10_ms_is_not_a_burst() -> None:
    samples = sound()
    samples[AT : AT + 440] += 0.05 * np.random.default_rng(7).standard_normal(440)
    assert clicks(samples) == []


@pytest.mark.parametrize("rate_hz", [48_000, 96_000, 192_000])
def test_a_click_is_found_at_other_rates(rate_hz: int) -> None:
    samples, scale = sound(rate_hz=rate_hz), time_scale(rate_hz)
    samples[AT * scale : AT * scale + 10 * scale] += 0.1
    (click,) = clicks(samples, rate_hz=rate_hz)
    assert AT * scale - GUARD * scale / 4 < click.first <= AT * scale
    assert (AT + 10) * scale <= click.last < (AT + 10) * scale + GUARD * scale / 4


def test_lengths_double_with_the_rate() -> None:
    assert [time_scale(hz) for hz in (22_050, 44_100, 48_000, 88_200, 96_000, 192_000)] == [
        *(1, 1, 1, 2, 2, 4)
    ]


def test_two_clicks_are_in_order_and_apart() -> None:
    samples = sound()
    samples[[AT, AT + 4_000]] += 0.2
    assert [click.first for click in clicks(samples)] == pytest.approx([AT, AT + 4_000], abs=2)


def test_a_drum_that_begins_is_not_a_click() -> None:
    """The noise of a snare: more power after the onset than before it."""
    samples = sound()
    fall = np.exp(-np.arange(6_000) / 3_000)
    samples[AT : AT + 6_000] += 0.2 * fall * np.random.default_rng(3).standard_normal(6_000)
    assert clicks(samples) == []


def test_strength_is_the_size_of_the_smallest_click() -> None:
    """From 1 to 10, the least size falls by 1.25 per step: to 1 / 7.5."""
    found = []
    for strength in (1.0, 5.0, 10.0):
        sizes = [0.002 * 1.3**step for step in range(24)]
        least = next(size for size in sizes if clicks(with_click(size), strength))
        found.append(least)
    assert found == sorted(found, reverse=True)
    assert 3 < found[0] / found[2] < 15


def with_click(size: float) -> NDArray[np.float64]:
    samples = sound()
    samples[AT] += size
    return samples


def test_only_the_range_of_the_search_and_the_stream_count() -> None:
    samples = sound()
    samples[[2_000, 22_000]] += 0.3
    assert clicks(samples) == []
    samples = with_click(0.3)
    samples[: AT - 100] = 0
    assert clicks(samples, start=AT - 100) == []
    samples = with_click(0.3)
    samples[AT + 100 :] = 0
    assert clicks(samples, end=AT + 100) == []
