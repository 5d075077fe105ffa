"""Curves of a sound over time, held against ffmpeg's ebur128 filter and against plain numpy."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from outside import program, real_music

from assembler.proof.curves import SILENCE_DB, CurveMeter, curves_of

TOLERANCE_LU = 0.2


def test_short_term_loudness_is_ffmpegs_at_ten_random_times(tmp_path: Path) -> None:
    ffmpeg = program("ffmpeg", "ffmpeg")
    piece, sound = real_music("singularity-music")[3], tmp_path / "piece.wav"
    decode = [ffmpeg, "-v", "error", "-t", "90", "-i", str(piece), "-ar", "44100", "-ac", "2"]
    subprocess.run([*decode, "-c:a", "pcm_s16le", str(sound)], check=True)
    command = [ffmpeg, "-hide_banner", "-nostats", "-i", str(sound)]
    command += ["-filter_complex", "ebur128", "-f", "null", "-"]
    told = subprocess.run(command, capture_output=True, check=True).stderr.decode()
    readings = re.findall(r"t:\s*([\d.]+)\s.*?S:\s*(-?[\d.]+)", told)
    words, _ = soundfile.read(sound, dtype="int16")
    blocks = np.array_split(words.astype(np.int32), 37)
    curves = curves_of(blocks, 44100, 16)
    steps = np.random.default_rng(7).choice(np.arange(31, len(readings)), 10, replace=False)
    for step in steps:
        time_s, lufs = map(float, readings[step])
        assert time_s == pytest.approx((step + 1) / 10, abs=0.001)
        assert curves.short_term_lufs[step] == pytest.approx(lufs, abs=TOLERANCE_LU)
    assert np.ptp([float(readings[step][1]) for step in steps]) > 1


@pytest.mark.parametrize("rate_hz", [44100, 44101, 96000])
def test_steps_are_tenths_of_a_second_whatever_the_blocks(rate_hz: int) -> None:
    random = np.random.default_rng(3)
    sound = random.normal(0, 0.1, (rate_hz * 5 + 1234, 2)).astype(np.float32)
    whole, pieces = CurveMeter(rate_hz), CurveMeter(rate_hz)
    whole.feed(sound)
    for piece in np.split(sound, [1, 77, 5000, 5001, 90000]):
        pieces.feed(piece)
    curves = whole.curves()
    for name, levels in vars(pieces.curves()).items():
        np.testing.assert_allclose(levels, getattr(curves, name), atol=1e-9)
    edges = np.ceil(np.arange(51) * rate_hz / 10).astype(int)
    assert len(curves.peak_dbfs) == 51
    for step, first in enumerate(edges):
        part = sound[first : edges[step + 1] if step < 50 else None].astype(np.float64)
        power, peak = np.mean(part**2), np.abs(part).max()
        assert curves.average_dbfs[step] == pytest.approx(10 * np.log10(power))
        assert curves.peak_dbfs[step] == pytest.approx(20 * np.log10(peak))
    assert np.isnan(curves.short_term_lufs[:29]).all()
    assert np.isfinite(curves.short_term_lufs[29:50]).all()


def test_silence_and_nothing_have_curves() -> None:
    silence = curves_of([np.zeros((44100 * 4, 2), np.int32)], 44100, 16)
    assert set(silence.peak_dbfs) == set(silence.average_dbfs) == {SILENCE_DB}
    assert silence.short_term_lufs[-1] < SILENCE_DB + 1
    assert len(curves_of([], 44100, 16).peak_dbfs) == 0
    short = curves_of([np.ones((100, 2), np.int32)], 44100, 16)
    assert len(short.peak_dbfs) == 1
    assert np.isnan(short.short_term_lufs).all()
