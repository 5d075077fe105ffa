"""Lossy files of hot music do not clip: decoded peaks before and after, measured independently.

The judge of a peak is soxr's 16-times oversampling of what Debian's ffmpeg decodes in float.
"""

from __future__ import annotations

import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile
from download.album import samples_of_pcm
from outside import program, true_peak_16

from assembler.download.formats import FACTS, encode
from assembler.download.lossy import (
    MOST_ROUNDS,
    LossyPiece,
    LossyResult,
    decoded,
    encode_below_ceiling,
    levels_as_coded,
    lossy_findings,
    read_decoded,
)
from assembler.download.playing_levels import PlayingLevels
from assembler.dsp.meter import read_meter
from assembler.errors import AssemblerError

LOSSY = ("mp3-320", "mp3-vbr", "aac-256", "opus-160", "ogg-q8")
TOP = (1 << 23) - 1


def hot(pcm: np.ndarray, seconds: float, rate_hz: int) -> np.ndarray:
    """Overdrive music until it is nearly square, up to full scale."""
    loud = samples_of_pcm(pcm[: round(seconds * rate_hz)]).astype(np.float64)
    driven = np.tanh(12 * loud / np.abs(loud).max())
    return np.rint(driven / np.abs(driven).max() * TOP).astype(np.int32)


def piece(folder: Path, name: str, pcm: np.ndarray, group: str = "", stem="a") -> LossyPiece:
    facts = FACTS[name]
    rate_hz = facts.rate_for(44100)
    blocks = np.array_split(pcm, 5)
    return LossyPiece(
        lambda: iter(blocks), rate_hz, facts, folder / f"{stem}{facts.suffix}", group or name
    )


def peak_from_outside(path: Path) -> float:
    wave = path.with_name("decoded.wav")
    command = [program("ffmpeg", "ffmpeg"), "-v", "error", "-y", "-i", path]
    subprocess.run([*command, "-c:a", "pcm_f32le", wave], check=True)
    return true_peak_16(wave)


@pytest.mark.thorough
@pytest.mark.parametrize("name", LOSSY)
def test_a_hot_master_is_lowered_until_it_does_not_clip(name, tmp_path, music):
    rate_hz = FACTS[name].rate_for(44100)
    made = piece(tmp_path, name, hot(music[rate_hz], 4, rate_hz))
    (result,) = encode_below_ceiling([made])
    assert result.peak_before_dbtp > 0.3
    assert result.peak_after_dbtp <= 0
    assert result.lowered_db >= result.peak_before_dbtp
    assert 2 <= result.rounds <= MOST_ROUNDS
    assert peak_from_outside(made.target) <= 0.02
    read = read_decoded(made.target, rate_hz, made.facts.container)
    assert read.peak_dbtp == result.peak_after_dbtp


def test_quiet_music_is_encoded_once_unchanged(tmp_path, music):
    once = piece(tmp_path, "mp3-320", music[44100][:88200], stem="once")
    (result,) = encode_below_ceiling([once])
    assert (result.lowered_db, result.rounds) == (0.0, 1)
    assert result.peak_before_dbtp == result.peak_after_dbtp
    wave = tmp_path / "decoded.wav"
    assert peak_from_outside(once.target) == pytest.approx(result.peak_after_dbtp, abs=0.05)
    sound, rate_hz = soundfile.read(str(wave), dtype="float32")
    assert read_meter([sound], rate_hz).true_peak_dbtp == pytest.approx(
        result.peak_after_dbtp, abs=0.01
    )


def test_a_group_is_lowered_together_and_others_are_unchanged(tmp_path, music):
    loud, calm = hot(music[44100], 2, 44100), music[44100][:88200]
    pieces = [
        piece(tmp_path, "ogg-q8", loud, "one", "a"),
        piece(tmp_path, "ogg-q8", calm, "one", "b"),
        piece(tmp_path, "ogg-q8", calm, "other", "c"),
    ]
    with ThreadPoolExecutor(2) as pool:
        a, b, c = encode_below_ceiling(pieces, -1.0, run=pool.map)
    assert a.lowered_db == b.lowered_db > 1
    assert c == LossyResult(c.peak_before_dbtp, c.peak_before_dbtp, 0.0, 1)
    assert a.peak_after_dbtp <= -1
    assert b.peak_after_dbtp == pytest.approx(c.peak_after_dbtp - b.lowered_db, abs=0.2)
    bytes_before = [p.target.read_bytes() for p in pieces]
    assert encode_below_ceiling(pieces, -1.0) == [a, b, c]
    assert [p.target.read_bytes() for p in pieces] == bytes_before


@pytest.mark.parametrize("name", ["mp3-320", "mp3-vbr"])
def test_mp3_decodes_as_in_ffmpeg_above_full_scale_too(name, tmp_path, music):
    made = piece(tmp_path, name, hot(music[44100], 6, 44100))
    encode(made.pcm(), 44100, made.facts, made.target)
    command = [program("ffmpeg", "ffmpeg"), "-v", "error", "-i", made.target, "-f", "f32le", "-"]
    told = subprocess.run(command, capture_output=True, check=True).stdout
    outside = np.frombuffer(told, "<f4").reshape(-1, 2)
    assert np.abs(outside).max() > 1
    ours = np.concatenate(list(decoded(made.target, "mp3")))
    np.testing.assert_allclose(ours, outside, atol=2e-5)


def test_silence_has_no_peak(tmp_path):
    silence = np.zeros((44100, 2), np.int32)
    (result,) = encode_below_ceiling([piece(tmp_path, "ogg-q8", silence)])
    assert result == LossyResult(None, None, 0.0, 1)


def test_a_file_that_cannot_be_decoded_is_reported(tmp_path):
    (tmp_path / "a.mp3").write_bytes(b"no sound at all")
    with pytest.raises(AssemblerError, match=r"a\.mp3"):
        read_decoded(tmp_path / "a.mp3", 44100, "mp3")


def test_findings_report_lowering_and_failure(album):
    lowered = LossyResult(0.83, -0.01, 0.85, 2)
    with_it = LossyResult(-3.0, -3.85, 0.85, 2)
    failed = LossyResult(2.0, 0.4, 3.1, 5)
    made = [("mp3-320", 0, lowered), ("mp3-320", 1, with_it), ("aac-256", 1, failed)]
    found = list(lossy_findings(album.source, made))
    assert [(f.severity, f.code) for f in found] == [
        ("warning", "lossy-over-ceiling"),
        ("note", "lossy-lowered"),
        ("note", "lossy-lowered"),
    ]
    assert "+0.40 dBTP" in found[0].message
    for text in ("mp3-320", "+0.83 dBTP", "0.85 dB lower", "1, 2"):
        assert text in found[1].message
    assert list(lossy_findings(album.source, [("ogg-q8", 0, LossyResult(-1, -1, 0.0, 1))])) == []


def test_levels_in_tags_are_those_of_the_encoded_files():
    levels = [PlayingLevels(-12.0, 0.9, -11.0, 1.0), PlayingLevels(-10.0, 1.0, -11.0, 1.0)]
    results = [LossyResult(-3.0, -4.0, 1.0, 2), LossyResult(1.0, -0.0, 1.0, 2)]
    a, b = levels_as_coded(levels, results)
    assert (a.track_lufs, b.track_lufs, a.album_lufs) == (-13.0, -11.0, -12.0)
    assert a.track_peak == pytest.approx(10 ** (-4 / 20))
    assert a.album_peak == b.album_peak == b.track_peak == 1.0
