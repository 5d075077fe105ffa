"""`azimuth: follow` from the manifest to the restored file and its report."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from made_music import made_music
from restoration.faulty_music import RATE_HZ, hiss
from restoration.survey.test_remedies import CHANNELS
from restoration.wandering_tapes import drift, mono_loss_db, tape
from restored_sides import restored_to

from assembler.audio import open_recording
from assembler.manifest.transfers import Restoration, Transfer
from assembler.restoration.analysis.hum import NO_HUM
from assembler.restoration.analysis.stereo.channels import ChannelMeter
from assembler.restoration.analysis.stereo.delay_path import DelayPathReading
from assembler.restoration.chain import Resolved, resolve, restored_passage
from assembler.restoration.condition import Condition
from assembler.restoration.restoration_report import unresolved_reasons

LENGTH_S = 6


def resolved(path: DelayPathReading, **keys: Any) -> Resolved:
    side = Transfer(file="a.wav", restoration=Restoration(azimuth="follow", **keys))
    return resolve(side, Condition(CHANNELS, NO_HUM, delay_path=path), RATE_HZ)


def test_the_measured_path_is_the_value_of_the_step() -> None:
    path = DelayPathReading((10.0, 40.0, -3.0), agreement=0.9)
    assert resolved(path).azimuth_us == (10, 40, -3)
    assert resolved(path, swap_channels=True).azimuth_us == (-10, -40, 3)
    steps = resolved(path)
    assert Resolved.from_json(json.loads(json.dumps(steps.as_json()))) == steps


def test_an_inaudible_path_is_left_and_a_refused_one_unresolved() -> None:
    assert resolved(DelayPathReading((3.0, -14.0, 14.9))).values() == {"azimuth": 0.0}
    refused = resolved(DelayPathReading((), "sources in the sound disagree"))
    assert (refused.values(), refused.unresolved) == ({}, ("azimuth",))


def test_a_single_delay_is_left_for_its_own_reason_where_the_path_is_known_too() -> None:
    side = Transfer(file="a.wav", restoration=Restoration(azimuth="auto"))
    channels = replace(CHANNELS, delay_us=None, delay_reason="sections disagree")
    before = Condition(channels, NO_HUM, delay_path=DelayPathReading((20.0, 60.0)))
    reasons = unresolved_reasons(side, resolve(side, before, RATE_HZ), before)
    assert reasons == {"azimuth": "sections disagree"}


def restored(folder: Path, sound: np.ndarray, azimuth: str) -> tuple[np.ndarray, dict[str, Any]]:
    """Return a side after restoration, and its report."""
    soundfile.write(folder / "side.wav", sound, RATE_HZ, "FLOAT")
    side = Transfer(file="side.wav", restoration=Restoration(azimuth=azimuth))
    report = restored_to(folder / "out.wav", folder / "side.wav", side)
    return soundfile.read(folder / "out.wav", dtype="float32")[0], report


def test_a_side_is_followed_and_reported(tmp_path: Path) -> None:
    own = made_music("plucked", LENGTH_S, RATE_HZ)
    damaged = tape(own, RATE_HZ, drift)
    sound, report = restored(tmp_path, damaged, "follow")
    assert mono_loss_db(own, damaged, RATE_HZ) > 2
    assert abs(mono_loss_db(own, sound, RATE_HZ)) < 0.2
    assert np.array_equal(sound[:, 1], damaged[:, 1])  # the late channel
    (step,) = report["steps"]
    assert step["done"].startswith("delay of right re left followed and corrected, +1")
    assert step["before"] == pytest.approx(68, abs=3)
    assert step["after"] == pytest.approx(0, abs=3)
    assert report["unresolved"] == []
    steps = Resolved.from_json(json.loads(json.dumps(report["settled"])))
    passage = restored_passage(
        open_recording((tmp_path / "side.wav",)), steps, 3 * RATE_HZ, 4 * RATE_HZ
    )
    assert np.array_equal(np.concatenate(list(passage)), sound[3 * RATE_HZ : 4 * RATE_HZ])


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        ("speech", ""),
        pytest.param("dense", "low and high frequencies disagree", marks=pytest.mark.thorough),
        pytest.param(
            "strings", "too little of the sound is in the centre", marks=pytest.mark.thorough
        ),
    ],
)
def test_the_balance_of_a_wandering_tape_is_that_of_its_sections(kind: str, reason: str) -> None:
    """Left 1.5 dB low: it is measured by the delay of each section, or left with its own reason."""
    damaged = tape(made_music(kind, 40, RATE_HZ), RATE_HZ, drift)
    damaged[:, 0] *= 10 ** (-1.5 / 20)
    meter = ChannelMeter(RATE_HZ)
    meter.feed(damaged)
    reading = meter.reading()
    assert reading.delay_us is None
    assert reading.balance_reason == reason
    assert reading.balance_db == (None if reason else pytest.approx(-1.5, abs=0.1))


def test_a_side_that_can_not_be_followed_is_left_with_the_reason(tmp_path: Path) -> None:
    noise = hiss(LENGTH_S * RATE_HZ, -30, 1).astype(np.float32)
    sound, report = restored(tmp_path, noise, "follow")
    assert np.array_equal(sound, noise)
    assert report["unresolved"] == ["azimuth"]
    assert report["reasons"] == {"azimuth": "the channels share too little sound"}
