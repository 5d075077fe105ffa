"""The demo's faulty tape side, surveyed and split: what is found is what its generator put there.

Limits: levels within 0.05 dB, interchannel delay within 2 µs, offset within 0.01 % of full
scale, speed from hum within 0.02 %; a song begins up to 100 ms early and not late.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from restoration.demo_truth import DEMO, side_truth

from assembler.audio import Recording, open_recording
from assembler.draft.song_list import read_song_list
from assembler.restoration.named_sides import named_sides
from assembler.restoration.split.confidence import HIGH
from assembler.restoration.split.restored_programme import read_programme
from assembler.restoration.split.several_sides import split_sides
from assembler.restoration.survey.survey import Survey, survey

pytestmark = pytest.mark.thorough
MANIFEST = DEMO.parent / "manifests" / "net-loft-tape.yaml"


@pytest.fixture(scope="module")
def recording(net_loft_files: tuple[Path, Path]) -> Recording:
    return open_recording(net_loft_files)


@pytest.fixture(scope="module")
def surveyed(recording: Recording) -> Survey:
    return survey(recording)


@pytest.fixture(scope="module")
def truth() -> Any:
    return side_truth()


def test_the_faults_are_found_with_their_values(surveyed: Survey, truth: Any) -> None:
    channels = surveyed.channels
    # This choir has nothing in the centre: its levels are known, its balance is not determined.
    left, right = channels.rms_dbfs
    assert left is not None
    assert right is not None
    assert left - right == pytest.approx(-truth.left_low_db, abs=0.05)
    assert channels.balance_db is None
    assert channels.balance_reason
    assert channels.delay_us == pytest.approx(truth.right_late_us, abs=2)
    assert channels.dc == pytest.approx(truth.dc, abs=1e-4)
    assert channels.polarity == "same"
    assert surveyed.hum.mains_hz == pytest.approx(truth.hum_hz, rel=2e-4)
    assert surveyed.speed
    assert surveyed.speed.factor == pytest.approx(float(truth.speed_factor), rel=2e-4)
    assert not surveyed.dropouts


def test_the_clicks_are_found_where_they_are(surveyed: Survey, truth: Any) -> None:
    assert surveyed.clicks.count == len(truth.clicks)


def test_every_fact_has_its_line_to_paste_and_a_guess_is_none(surveyed: Survey) -> None:
    repairs = {finding.code: finding.restoration for finding in surveyed.findings}
    assert "balance-off" not in repairs
    assert repairs["azimuth-off"] in ("azimuth: 60", "azimuth: 61")
    assert repairs["dc-offset"] == "dc: remove"
    assert repairs["hum"] == "hum: {mains: 50, harmonics: 6}"
    assert repairs["speed-guess"] is None
    assert "  # speed: +0.81 %\n" in surveyed.restoration


@pytest.mark.parametrize("restored", [False, True], ids=["as it is", "as its manifest asks"])
def test_the_songs_are_found_by_their_list(
    recording: Recording, truth: Any, tmp_path: Path, restored: bool
) -> None:
    songs = read_song_list(DEMO / "net-loft-songs.txt").songs
    blocks = recording.blocks(0, recording.frames)
    if restored:
        (side,) = named_sides([str(MANIFEST)], tmp_path)
        blocks = side.restored()
    programme = read_programme(blocks, recording.rate_hz)
    ((_, split),) = split_sides([("net-loft", programme)], None, songs)
    assert len(split.songs) == len(truth.songs) == len(songs)
    for found, true in zip(split.songs, truth.songs, strict=True):
        assert true.start_s - 0.1 <= found.start_s <= true.start_s
        assert true.end_s - 0.1 <= found.end_s <= true.end_s + 1  # it fades into the hiss
        assert found.confidence >= HIGH
    assert any("talk or noise" in remark for remark in split.remarks)
