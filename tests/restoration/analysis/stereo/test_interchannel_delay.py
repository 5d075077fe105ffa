"""Interchannel delay, polarity and balance of cross-spectra written by formula.

A right channel that is late by d has the phase 2π f d against left (shift theorem of the Fourier
transform).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from assembler.restoration.analysis.stereo.channel_balance import channel_balance
from assembler.restoration.analysis.stereo.cross_spectrum import CrossSpectrum, SourceCells
from assembler.restoration.analysis.stereo.interchannel_delay import (
    TOO_LITTLE,
    InterchannelDelay,
    drift,
    interchannel_delay,
    polarity,
)

HZ = np.arange(100.0, 16_000.0, 94.0)
CELLS, WEIGHT = 20, 7.5
SOURCES = np.flatnonzero((HZ > 200) & (HZ < 4000))
Phases = NDArray[np.float64]


def phases_of(delay_us: float) -> Phases:
    return 2 * np.pi * HZ * delay_us * 1e-6


def section(
    phases: Phases, sign: int = 1, sources: Phases | None = None, ratio_db: float = 0.0
) -> CrossSpectrum:
    """Return a section in which every cell has the phase of its band, and some are single sources.

    Parameters
    ----------
    phases
        Of left re right in each band.
    sign
        Polarity of right re left.
    sources
        Phases of the single sources; by default those of their bands.
    ratio_db
        Level of left re right in the single sources.
    """
    weights = np.full(len(HZ), CELLS * WEIGHT)
    turned = (phases if sources is None else sources) + (0 if sign > 0 else np.pi)
    cells = SourceCells(
        SOURCES,
        np.full(len(SOURCES), 10.0, np.float32),
        np.full(len(SOURCES), ratio_db, np.float32),
        np.angle(np.exp(1j * turned[SOURCES])).astype(np.float32),
    )
    return CrossSpectrum(
        phasors=sign * weights * np.exp(1j * phases),
        weights=weights,
        squared_weights=np.full(len(HZ), CELLS * WEIGHT**2),
        bass_correlation=sign * 0.9 * 4 * CELLS,
        bass_cells=4 * CELLS,
        sources=[cells] * CELLS,
    )


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("delay_us", [-480.0, -12.5, 0.0, 45.3, 310.0])
def test_the_delay_and_the_polarity_of_a_side(delay_us: float, sign: int) -> None:
    found = interchannel_delay(HZ, [section(phases_of(delay_us), sign)] * 4)
    assert found.delay_s == pytest.approx(delay_us * 1e-6, abs=1e-9)
    assert (found.sign, found.reason) == (sign, "")
    assert found.section_delays_us == pytest.approx([delay_us] * 4, abs=1e-3)


def test_sections_with_different_delays_have_none_in_common() -> None:
    sections = [section(phases_of(delay_us)) for delay_us in (20, 20, 20, 60, 60, 60)]
    found = interchannel_delay(HZ, sections)
    assert (found.delay_s, found.sign) == (None, 0)
    assert found.reason == "sections disagree, from +20 to +60 µs"
    assert found.section_delays_us == pytest.approx([20, 20, 20, 60, 60, 60], abs=1e-3)


def test_two_sections_are_too_few() -> None:
    found = interchannel_delay(HZ, [section(phases_of(30))] * 2)
    assert (found.delay_s, found.reason) == (None, TOO_LITTLE)


def test_random_phases_have_no_delay() -> None:
    draw = np.random.default_rng(1)
    sections = [section(draw.uniform(-np.pi, np.pi, len(HZ))) for _ in range(6)]
    found = interchannel_delay(HZ, sections)
    assert (found.delay_s, found.reason) == (None, TOO_LITTLE)
    assert set(found.section_delays_us) == {None}


def test_a_phase_shift_of_the_low_bands_is_not_a_delay() -> None:
    found = interchannel_delay(HZ, [section(phases_of(30) + 0.5 * (HZ < 1500))] * 4)
    assert (found.delay_s, found.reason) == (None, "low and high frequencies disagree")


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_sources_with_another_delay_contradict(share: float) -> None:
    """Both where most sources have another delay, and where a good part of them does."""
    other = np.random.default_rng(2).random(len(HZ)) < share
    sources = np.where(other, phases_of(230), phases_of(30))
    found = interchannel_delay(HZ, [section(phases_of(30), sources=sources)] * 4)
    assert (found.delay_s, found.reason) == (None, "sources in the sound disagree")


def test_a_known_delay_has_its_polarity_unless_the_samples_contradict_it() -> None:
    sections = [section(phases_of(30), -1)] * 4
    delay = interchannel_delay(HZ, sections)
    assert polarity(sections, delay, -0.8) == (-1, "")
    for correlation in (0.8, -0.2):
        assert polarity(sections, delay, correlation) == (
            0,
            "the channels have too little in common",
        )


def test_without_a_delay_the_bass_has_the_polarity() -> None:
    unknown = InterchannelDelay(None, 0, (), TOO_LITTLE)
    same, opposite = (section(phases_of(0), sign) for sign in (1, -1))
    assert polarity([same] * 4, unknown, 0.6) == (1, "")
    assert polarity([opposite] * 4, unknown, -0.6) == (-1, "")
    assert polarity([same] * 4, unknown, -0.6)[0] == 0
    assert polarity([same, same, same, opposite], unknown, 0.6) == (1, "")
    assert polarity([*[same] * 5, *[opposite] * 3], unknown, 0.6) == (
        0,
        "sections of the side disagree",
    )
    silent = replace(same, bass_correlation=0.0, bass_cells=0)
    assert polarity([silent], unknown, 0.6) == (0, TOO_LITTLE)


@pytest.mark.parametrize(
    ("delays_us", "expected"),
    [
        ([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], 3.0),
        ([7.0, 7.0, 90.0, 7.0, 7.0], 0.0),
        ([7.0, None, 7.0, None, 9.0], 0.0),
        ([7.0, None, 9.0], None),
    ],
    ids=["steady drift", "one outlier", "with gaps", "too few"],
)
def test_drift_is_the_range_of_medians_of_three(
    delays_us: list[float | None], expected: float | None
) -> None:
    assert drift(delays_us) == expected


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("left_db", [-3.2, 0.0, 1.7])
def test_the_balance_of_sources_in_phase(left_db: float, sign: int) -> None:
    sections = [section(phases_of(30), sign, ratio_db=left_db)] * 4
    balance_db, of_sections, reason = channel_balance(HZ, sections, [30e-6] * 4, sign, left_db)
    assert balance_db == pytest.approx(left_db, abs=0.02)
    assert of_sections == pytest.approx([left_db] * 4, abs=0.02)
    assert reason == ""


@pytest.mark.parametrize(
    ("ratios_db", "levels_db", "reason"),
    [
        ((0, 0, 0, 0), 2.0, "the loudest sound and the levels of the channels disagree"),
        ((0, 6, -6), 0.0, "too little of the sound is in the centre"),
        ((0, 0, 0, 0, 2, 2, 2, -2, -2), 0.0, "sections of the side disagree"),
    ],
)
def test_a_balance_with_a_contradiction_is_not_determined(
    ratios_db: tuple[float, ...], levels_db: float, reason: str
) -> None:
    sections = [section(phases_of(0), ratio_db=ratio_db) for ratio_db in ratios_db]
    expected = (None, (None,) * len(sections), reason)
    assert channel_balance(HZ, sections, [0.0] * len(sections), 1, levels_db) == expected


def test_sources_out_of_phase_have_no_balance() -> None:
    sections = [section(phases_of(0), -1)] * 4
    assert channel_balance(HZ, sections, [0.0] * 4, 1, 0.0) == (None, (None,) * 4, TOO_LITTLE)
