"""Pitch of hum over time, and where it is on, as numbers and as text."""

from __future__ import annotations

import json
from dataclasses import asdict

import numpy as np
import pytest

from assembler.restoration.analysis.hum_pitch import HumStretch, pitch_text, where_text


def test_phase_of_a_pitch_that_rises_evenly() -> None:
    """From 50 to 51 Hz in 10 s: the integral of the frequency, in turns."""
    stretch = HumStretch(0.0, 10.0, tuple(50 + 0.2 * k for k in range(6)))
    at_s = np.linspace(0, 10, 101)
    assert stretch.turns(at_s) == pytest.approx(50 * at_s + 0.05 * at_s**2)


def test_phase_of_a_steady_pitch() -> None:
    assert HumStretch(3.0, None, (49.5,)).turns(2.0) == pytest.approx(99.0)


def test_a_stretch_comes_back_from_json() -> None:
    stretch = HumStretch(1.5, None, (49.9, 50.1))
    assert HumStretch.from_json(json.loads(json.dumps(asdict(stretch)))) == stretch


@pytest.mark.parametrize(
    ("ends", "text"),
    [
        ([(0.0, None)], ""),
        ([(0.0, 30.0), (30.0, None)], ""),
        ([(54.0, 126.0)], " from 0:54.00 to 2:06.00"),
        ([(0.0, 9.5), (20.0, None)], " from 0:00.00 to 0:09.50, 0:20.00 to the end"),
    ],
)
def test_where_it_is_on(ends: list[tuple[float, float | None]], text: str) -> None:
    assert where_text([HumStretch(*each, (50.0,)) for each in ends]) == text


def test_pitch_that_drifts_is_a_range() -> None:
    steady, drifting = HumStretch(0.0, 9.0, (50.0,)), HumStretch(9.0, None, (49.904, 50.096))
    assert pitch_text(50.0, [steady], 2) == "50.00 Hz"
    assert pitch_text(50.0, [steady, drifting], 2) == "49.90 to 50.10 Hz"
