"""The condition of a side: kept as plain data, and the same when it is read."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import soundfile
from restoration.wowed import ahead_s, chords

from assembler.audio import open_recording
from assembler.manifest.transfers import Restoration
from assembler.restoration.analysis.stereo.delay_path import NOT_FOLLOWED
from assembler.restoration.condition import Condition, condition_of
from assembler.restoration.survey.survey import survey

RATE_HZ = 44_100
ALL = Restoration(azimuth="follow", wow="auto")


def side(folder: Path) -> Path:
    """Write 40 s of chords with cyclic wow, hum, a late right channel, clicks and a dropout."""
    times_s = np.arange(40 * RATE_HZ) / RATE_HZ
    music = 0.1 * chords(times_s + ahead_s(times_s, 0.3, 0.7))
    rng = np.random.default_rng(3)
    common = music + 0.02 * rng.standard_normal(len(music))
    sound = np.stack((common, np.roll(common, 2)), axis=1)
    sound += 0.003 * rng.standard_normal(sound.shape)
    for number in (1, 2, 3):
        sound += 0.01 / number * np.sin(2 * np.pi * 50.1 * number * times_s)[:, None]
    for at in rng.integers(3 * RATE_HZ, 38 * RATE_HZ, 12):
        sound[at : at + 4, rng.integers(2)] += 1.5
    sound[20 * RATE_HZ : 20 * RATE_HZ + 2_000, 1] *= 0.02
    soundfile.write(folder / "side.wav", sound, RATE_HZ, "FLOAT")
    return folder / "side.wav"


def test_a_condition_is_the_same_when_it_is_read_and_a_survey_has_the_same(tmp_path: Path) -> None:
    recording = open_recording((side(tmp_path),))
    measured = condition_of(recording, ALL)
    assert measured.wow.cyclic
    assert measured.hum.mains_hz
    assert len(measured.hum.harmonics) >= 2
    assert measured.dropouts
    assert measured.clicks_per_minute
    assert measured.delay_path.delays_us
    assert Condition.from_json(json.loads(json.dumps(measured.as_json()))) == measured
    assert survey(recording).condition == measured


def test_what_was_not_looked_for_is_measured_when_it_is_asked_for(tmp_path: Path) -> None:
    recording = open_recording((side(tmp_path),))
    some = condition_of(recording, Restoration(azimuth="auto"))
    assert some.delay_path == NOT_FOLLOWED
    assert some.covers(Restoration(azimuth="auto", dc="remove"))
    for restoration in (Restoration(azimuth="follow"), Restoration(wow="auto")):
        assert not some.covers(restoration)
        assert condition_of(recording, restoration).covers(restoration)
