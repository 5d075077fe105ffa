"""Cyclic wow is undone; a side that does not show it, or not exactly enough, passes bit for bit."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from restoration.faulty_music import joined
from restoration.wowed import ahead_s, chords, stereo, with_wow
from restored_sides import restored_to
from scipy.signal import butter, sosfiltfilt

from assembler.audio import open_recording
from assembler.manifest.transfers import Transfer
from assembler.restoration.analysis.wow import CyclicWow, WowReading
from assembler.restoration.chain import Resolved, restored_passage
from assembler.restoration.repair.wow import correct_wow

RATE_HZ = 22_050
TIMES_S = np.arange(20 * RATE_HZ) / RATE_HZ
PERCENT, HZ = 0.3, 0.7
PHASE = 0.7
KNOWN = CyclicWow(
    HZ, 5, 10, (PERCENT / 100 * np.sin(PHASE),) * 2, (PERCENT / 100 * np.cos(PHASE),) * 2
)
"""What `with_wow` adds, but for a constant: by how much the tape is ahead at its start."""


def left_db(sound: np.ndarray, true: np.ndarray) -> float:
    """Return the level of the difference below 5 kHz, without the ends, re the sound."""
    low = butter(6, 5000, fs=RATE_HZ, output="sos")
    error, own = (sosfiltfilt(low, x[RATE_HZ:-RATE_HZ, 0]) for x in (sound - true, true))
    return float(20 * np.log10(error.std() / own.std()))


def test_known_wow_is_undone() -> None:
    """The tape is ahead by a constant more than the sine is: the steady sound is read there."""
    start_s = PERCENT / 100 * np.cos(PHASE) / (2 * np.pi * HZ)
    times_s = TIMES_S[: 6 * RATE_HZ]
    tape = stereo(chords(times_s + ahead_s(times_s, PERCENT, HZ)), -150)
    steady = stereo(chords(times_s + start_s), -150)
    assert left_db(tape, steady) > -5
    assert left_db(joined(correct_wow(iter([tape]), RATE_HZ, KNOWN)), steady) < -40


@pytest.mark.parametrize(
    ("rate_hz", "hz", "most_db"),
    [(44_100, 19_000, -85), (96_000, 20_000, -95), (96_000, 35_000, -90)],
)
def test_a_tone_is_read_where_it_was(rate_hz: int, hz: int, most_db: float) -> None:
    """The tone is known between its samples: what else comes out is error and images."""
    times_s = np.arange(2 * rate_hz) / rate_hz
    read_s = times_s
    for _ in range(8):
        read_s = times_s - KNOWN.ahead_s(read_s)
    tone = np.sin(2 * np.pi * hz * times_s).astype(np.float32)
    sound = np.stack([tone, -tone], axis=1)
    corrected = joined(correct_wow(iter([sound]), rate_hz, KNOWN))
    true = np.sin(2 * np.pi * hz * read_s)
    error = np.abs(corrected - np.stack([true, -true], axis=1))[1000:-1000].max()
    assert 20 * np.log10(error) < most_db


def test_blocks_of_any_size_and_passages_give_the_same(tmp_path: Path) -> None:
    sound = stereo(chords(TIMES_S[: 4 * RATE_HZ]))
    whole = joined(correct_wow(iter([sound]), RATE_HZ, KNOWN))
    assert len(whole) == len(sound)
    edges = [0, 1, 1, 700, 40_001, len(sound)]
    blocks = (sound[a:b] for a, b in itertools.pairwise(edges))
    assert np.array_equal(joined(correct_wow(blocks, RATE_HZ, KNOWN)), whole)
    soundfile.write(tmp_path / "side.wav", sound, RATE_HZ, "FLOAT")
    recording = open_recording((tmp_path / "side.wav",))
    resolved = Resolved.from_json(Resolved(wow=KNOWN).as_json())
    passage = joined(restored_passage(recording, resolved, 30_000, 50_000))
    assert np.array_equal(passage, whole[30_000:50_000])
    without = joined(restored_passage(recording, resolved, 30_000, 50_000, ["wow"]))
    assert np.array_equal(without, sound[30_000:50_000])


def test_a_side_is_corrected_as_measured_and_reported(tmp_path: Path) -> None:
    tape = stereo(chords(TIMES_S + ahead_s(TIMES_S, PERCENT, HZ)))
    soundfile.write(tmp_path / "side.wav", tape, RATE_HZ, "FLOAT")
    report = restored(tmp_path)
    (step,) = report["steps"]
    assert step["done"].startswith("cyclic wow of ±0.30 % at 0.70")
    assert step["measure"] == "cyclic wow, ± %"
    assert step["before"] == pytest.approx(0.3, abs=0.02)
    assert step["after"] == 0
    assert soundfile.info(tmp_path / "restored").frames == len(tape)


@pytest.mark.parametrize("kind", [pytest.param("steady", marks=pytest.mark.thorough), "silence"])
def test_a_steady_side_passes_bit_for_bit_and_the_report_has_the_reason(
    kind: str, tmp_path: Path
) -> None:
    sound = stereo(chords(TIMES_S)) if kind == "steady" else np.zeros((RATE_HZ, 2), np.float32)
    soundfile.write(tmp_path / "side.wav", sound, RATE_HZ, "FLOAT")
    report = restored(tmp_path)
    assert report["steps"] == []
    assert report["unresolved"] == ["wow"]
    found = {"steady": "no cyclic wow was found", "silence": "too few steady tones"}
    assert report["reasons"]["wow"] == found[kind]
    assert np.array_equal(soundfile.read(tmp_path / "restored", dtype="float32")[0], sound)


def restored(folder: Path) -> dict:
    transfer = Transfer.model_validate({"file": "side.wav", "restoration": {"wow": "auto"}})
    return restored_to(folder / "restored", folder / "side.wav", transfer)


def test_wow_that_the_music_does_not_show_exactly_is_refused() -> None:
    found = WowReading(KNOWN, 500, 0.9, 0.99, 0.8)
    assert found.refusal == ""
    assert replace(found, partials=100).refusal == "too few steady tones show it"
    not_exact = "the steady tones do not show it exactly enough"
    assert replace(found, share=0.3).refusal == not_exact
    assert replace(found, steadiness=0.9).refusal == not_exact


def test_a_restoration_without_wow_has_the_digest_that_it_had() -> None:
    plain = Transfer.model_validate({"file": "side.wav", "restoration": {"dc": "remove"}})
    assert "wow" not in plain.restoration.model_dump(mode="json")
    off = Transfer.model_validate({"file": "side.wav", "restoration": {"wow": "off"}})
    assert off.restoration.wow is None


@pytest.mark.thorough
def test_a_sound_by_splines_is_undone_as_far() -> None:
    sound = stereo(chords(TIMES_S), -150)
    corrected = joined(correct_wow(iter([with_wow(sound, RATE_HZ, PERCENT, HZ)]), RATE_HZ, KNOWN))
    start_s = PERCENT / 100 * np.cos(PHASE) / (2 * np.pi * HZ)
    assert left_db(corrected, stereo(chords(TIMES_S + start_s), -150)) < -40
