"""Curves of a sound over time, compared with ffmpeg's ebur128, pyloudnorm and plain numpy."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from made_music import made_music
from outside import program

from assembler.dsp.dither import samples_of
from assembler.proof.curves import (
    SILENCE_DB,
    Curves,
    StepMeter,
    curves_of,
    lead_after,
    steps_of,
)

TOLERANCE_LU = 0.2


def curves_of_pcm(blocks: Sequence[np.ndarray], rate_hz: int, bits: int) -> Curves:
    return curves_of([steps_of(blocks, rate_hz, bits)], rate_hz)


@pytest.mark.thorough
def test_short_term_loudness_is_ffmpegs_at_ten_random_times(tmp_path: Path) -> None:
    ffmpeg = program("ffmpeg", "ffmpeg")
    sound = tmp_path / "piece.wav"
    soundfile.write(sound, made_music("strings", 60.0, 44100), 44100, subtype="PCM_16")
    command = [ffmpeg, "-hide_banner", "-nostats", "-i", str(sound)]
    command += ["-filter_complex", "ebur128", "-f", "null", "-"]
    output = subprocess.run(command, capture_output=True, check=True).stderr.decode()
    readings = re.findall(r"t:\s*([\d.]+)\s.*?S:\s*(-?[\d.]+)", output)
    words, _ = soundfile.read(sound, dtype="int16")
    blocks = np.array_split(words.astype(np.int32), 37)
    curves = curves_of_pcm(blocks, 44100, 16)
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
    whole, pieces = StepMeter(rate_hz), StepMeter(rate_hz)
    whole.feed(sound)
    for piece in np.split(sound, [1, 77, 5000, 5001, 90000]):
        pieces.feed(piece)
    curves = curves_of([whole.steps()], rate_hz)
    for name, levels in vars(curves_of([pieces.steps()], rate_hz)).items():
        np.testing.assert_allclose(levels, getattr(curves, name), atol=1e-9)
    edges = np.ceil(np.arange(51) * rate_hz / 10).astype(int)
    assert len(curves.peak_dbfs) == 51
    for step, first in enumerate(edges):
        part = sound[first : edges[step + 1] if step < 50 else None].astype(np.float64)
        power, peak = np.mean(part**2), np.abs(part).max()
        assert curves.rms_dbfs[step] == pytest.approx(10 * np.log10(power))
        assert curves.peak_dbfs[step] == pytest.approx(20 * np.log10(peak))
    assert np.isnan(curves.short_term_lufs[:29]).all()
    assert np.isfinite(curves.short_term_lufs[29:50]).all()


def test_passages_by_themselves_give_the_curves_of_the_whole() -> None:
    """Each begins at a frame of the disc, after the silence at the end of the one before."""
    random, rate_hz = np.random.default_rng(5), 44100
    whole = random.integers(-8000, 8000, (588 * 75 * 20, 2)).astype(np.int32)
    cuts = [0, 588 * 401, 588 * 402, 588 * 977, len(whole)]
    for cut in cuts[1:-1]:
        whole[cut - 588 * 2 : cut] = 0
    leads = [lead_after(cut, rate_hz) for cut in cuts[:-1]]
    assert all(lead % 294 == 0 for lead in leads)
    assert len(set(leads)) == 4
    passages = [
        steps_of(np.array_split(whole[first:end], 3), rate_hz, 16, lead)
        for (first, end), lead in zip(pairwise(cuts), leads, strict=True)
    ]
    together = curves_of(passages, rate_hz)
    alone = curves_of_pcm([whole], rate_hz, 16)
    np.testing.assert_array_equal(together.peak_dbfs, alone.peak_dbfs)
    np.testing.assert_allclose(together.rms_dbfs, alone.rms_dbfs, atol=1e-9)
    np.testing.assert_allclose(together.short_term_lufs, alone.short_term_lufs, atol=0.001)


def test_the_loudness_of_a_window_is_the_standards_over_its_own_samples() -> None:
    """pyloudnorm filters it from the start; the 3 s before a step are read by BS.1770's sum."""
    random, rate_hz = np.random.default_rng(8), 48000
    words = random.normal(0, 2000, (rate_hz * 6, 2)) * np.linspace(0.1, 1, rate_hz * 6)[:, None]
    words = np.rint(words).astype(np.int32)
    curves = curves_of_pcm([words], rate_hz, 16)
    filtered = samples_of(words, 16).astype(np.float64)
    for stage in pyloudnorm.Meter(rate_hz, filter_class="DeMan")._filters.values():
        filtered = np.stack([stage.apply_filter(channel) for channel in filtered.T], 1)
    for step in (29, 40, 59):
        end = (step + 1) * rate_hz // 10
        power = np.mean(filtered[end - 3 * rate_hz : end] ** 2, axis=0).sum()
        assert curves.short_term_lufs[step] == pytest.approx(
            -0.691 + 10 * np.log10(power), abs=0.01
        )


def test_silence_and_nothing_have_curves() -> None:
    silence = curves_of_pcm([np.zeros((44100 * 4, 2), np.int32)], 44100, 16)
    assert set(silence.peak_dbfs) == set(silence.rms_dbfs) == {SILENCE_DB}
    assert silence.short_term_lufs[-1] < SILENCE_DB + 1
    assert len(curves_of_pcm([], 44100, 16).peak_dbfs) == 0
    short = curves_of_pcm([np.ones((100, 2), np.int32)], 44100, 16)
    assert len(short.peak_dbfs) == 1
    assert np.isnan(short.short_term_lufs).all()
