"""EBU Tech 3342, loudness range of its four synthetic test signals (from memory, in line with the
tables of two independent public implementations); signals 5 and 6 are programmes, not public.
"""

from __future__ import annotations

import pytest
from standards.ebu_signals import RATE_HZ, stereo_tone

from assembler.dsp.meter import read_meter


@pytest.mark.parametrize(
    ("case", "levels", "range_lu"),
    [
        (1, [-20, -30], 10),
        (2, [-20, -15], 5),
        (3, [-40, -20], 20),
        (4, [-50, -35, -20, -35, -50], 15),
    ],
)
def test_loudness_range(case: int, levels: list[float], range_lu: float) -> None:
    samples = stereo_tone(*[(20, level) for level in levels])
    reading = read_meter([samples], RATE_HZ)
    assert reading.loudness_range_lu == pytest.approx(range_lu, abs=1.0), case


def test_steady_tone_has_no_range() -> None:
    reading = read_meter([stereo_tone((20, -23))], RATE_HZ)
    assert reading.loudness_range_lu == pytest.approx(0.0, abs=0.01)
