"""Undamaged music reads as undamaged or not determined; known damage reads with its size.

The faults are added by formula, so every value is known. The bounds are the project's own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from excerpts import Excerpt, music
from numpy.typing import NDArray
from restoration.faulty_music import RATE_HZ, beside, hiss, late, piece, pieces, read

from assembler.manifest.transfers import Restoration, Transfer
from assembler.restoration.analysis.hum import HumReading
from assembler.restoration.analysis.stereo.channels import ChannelMeter, ChannelReading
from assembler.restoration.chain import resolve
from assembler.restoration.condition import Condition

WHOLE = [
    Excerpt("singularity-music", name, start_s, 40)
    for name, start_s in (
        *(("Deprecation.ogg", 40), ("Inevitable.ogg", 30), ("By-Product.ogg", 40)),
        *(("Awakening.ogg", 25), ("win/Apex Aleph.ogg", 10), ("Media Threat.ogg", 180)),
    )
]
"""Passages in which a panned source is louder than the centre."""


def reading_of(sound: NDArray[np.float64]) -> ChannelReading:
    reading = read(ChannelMeter(RATE_HZ), sound)
    assert isinstance(reading, ChannelReading)
    return reading


def false_claims(reading: ChannelReading, late_us: float, left_db: float, sign: int) -> list[str]:
    """List the readings that are wrong."""
    claims = []
    if reading.delay_us is not None and abs(reading.delay_us - late_us) > 3:
        claims.append(f"delay {reading.delay_us}")
    if reading.balance_db is not None and abs(reading.balance_db - left_db) > 0.3:
        claims.append(f"balance {reading.balance_db}")
    if reading.polarity not in ("unclear", {1: "same", -1: "opposite"}[sign]):
        claims.append(reading.polarity)
    return claims


@pytest.mark.thorough
@pytest.mark.parametrize("number", pieces())
def test_no_reading_is_wrong(number: int) -> None:
    own = piece(number)
    assert false_claims(reading_of(own), 0, 0, 1) == []
    for late_us, left_db, sign in ((25.0, 0.0, 1), (0.0, -3.0, -1), (136.0, 1.5, 1)):
        sound = own * [sign * 10 ** (left_db / 20), 1]
        sound[:, 1] = late(sound[:, 1], late_us)
        reading = reading_of(sound)
        assert false_claims(reading, late_us, left_db, sign) == []
        left, right = reading.rms_dbfs
        assert left is not None
        assert right is not None
        expected_db = 20 * np.log10(sound[:, 0].std() / sound[:, 1].std())
        assert left - right == pytest.approx(expected_db, abs=0.05)


@pytest.mark.debian_music
@pytest.mark.parametrize("excerpt", WHOLE, ids=str)
def test_a_panned_source_is_not_a_balance_error(excerpt: Excerpt) -> None:
    samples, rate_hz = music(excerpt)
    assert rate_hz == RATE_HZ
    assert false_claims(reading_of(samples.astype(np.float64)), 0, 0, 1) == []


@pytest.mark.parametrize("number", [0, 2, 3, 4])
def test_a_step_of_the_azimuth_is_not_determined(number: int) -> None:
    """20 µs in the first half, 60 µs in the second: `auto` is unresolved, with the reason."""
    own = piece(number)
    sound = np.concatenate((own, own))
    half = len(own)
    for where, late_us in ((slice(None, half), 20), (slice(half, None), 60)):
        sound[where, 1] = late(sound[where, 1], late_us)
    reading = reading_of(sound)
    assert reading.delay_us is None
    assert reading.delay_reason == "sections disagree, from +20 to +60 µs"
    assert reading.drift_us == pytest.approx(40, abs=3)
    assert reading.section_delays_us[:2] == pytest.approx([20, 20], abs=2)
    assert reading.section_delays_us[-2:] == pytest.approx([60, 60], abs=2)
    before = Condition(reading, HumReading(None, None, (), None))
    side = Transfer(file="a.wav", restoration=Restoration(azimuth="auto"))
    resolved = resolve(side, before, RATE_HZ)
    assert (resolved.azimuth_us, resolved.unresolved) == (None, ("azimuth",))
    known = replace(before, channels=replace(reading, delay_us=33.0))
    assert resolve(side, known, RATE_HZ).azimuth_us == 33


@pytest.mark.parametrize("number", [1, pytest.param(7, marks=pytest.mark.debian_music)])
def test_wide_stereo_has_no_polarity(number: int) -> None:
    """Two different pieces, each with a little of the other's in the wrong polarity: −0.04."""
    one, other = (piece(n).mean(axis=1) for n in (number, beside(number, 1)))
    one, other = one / one.std(), other / other.std()
    sound = 0.05 * np.stack((one - 0.02 * other, other - 0.02 * one), axis=1)
    reading = reading_of(sound)
    assert reading.correlation == pytest.approx(-0.04, abs=0.02)
    assert reading.polarity == "unclear"
    assert reading.polarity_reason
    assert reading.balance_db is None


@pytest.mark.parametrize("number", pieces())
def test_widened_stereo_is_not_opposite_polarity(number: int) -> None:
    """Sides 1.3 times as loud as the middle: the correlation is −0.26."""
    own = piece(number)
    middle = own.mean(axis=1)
    side = 1.3 * middle.std() * (own[:, 0] - own[:, 1]) / (own[:, 0] - own[:, 1]).std()
    reading = reading_of(np.stack((middle + side, middle - side), axis=1))
    assert reading.correlation < 0
    assert reading.polarity == "unclear"


@pytest.mark.parametrize("number", [0, 3])
def test_a_phase_that_differs_by_band_is_not_azimuth(number: int) -> None:
    """All-pass filters in one channel, as in decorrelators: no single delay corrects them."""
    from scipy.signal import lfilter

    sound = piece(number)
    for hz in (300, 1200, 4000):
        t = np.tan(np.pi * hz / RATE_HZ)
        c = (t - 1) / (t + 1)
        sound[:, 1] = lfilter([c, 1], [1, c], sound[:, 1])
    reading = reading_of(sound)
    assert reading.delay_us is None
    assert reading.delay_reason


def test_damage_to_a_centred_source_is_determined() -> None:
    """One voice in a small room with hiss: every value is determined."""
    sound = piece(4) * [-(10 ** (-2 / 20)), 1]
    sound[:, 1] = late(sound[:, 1], 60)
    reading = reading_of(sound + hiss(len(sound), -75, 1))
    assert reading.delay_us == pytest.approx(60, abs=2)
    assert reading.balance_db == pytest.approx(-2, abs=0.1)
    assert reading.polarity == "opposite"
    assert (reading.delay_reason, reading.balance_reason, reading.polarity_reason) == ("", "", "")
