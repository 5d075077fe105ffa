"""What the report says of limiting and compression, against the delivered samples themselves."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assembler import build, load, verify

RATE_HZ = 44100
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: T}
level: {match: none, link: 40}
disc: {make: false}
download: {formats: [wav-24]}
tracks:
- {title: Low Lantern, audio: a.wav, trim: 6}
"""


def _hits_on_the_left() -> np.ndarray:
    t = np.arange(5 * RATE_HZ) / RATE_HZ
    tone = 0.1 * np.sin(2 * np.pi * 220 * t) * (1 + 0.3 * np.sin(2 * np.pi * 0.3 * t))
    hit = np.random.default_rng(19).normal(0, 0.3, len(t)) * np.exp(-8 * (t * 2 % 1))
    return np.clip(np.stack([tone + hit, 0.9 * tone + 0.05 * hit], 1), -0.98, 0.98)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a finished release."""
    folder = tmp_path_factory.mktemp("dynamics")
    soundfile.write(folder / "a.wav", _hits_on_the_left(), RATE_HZ, subtype="PCM_24")
    (folder / "m.yaml").write_text(MANIFEST, encoding="utf-8")
    build(load(folder / "m.yaml"), folder / "out")
    return folder


def _report(folder: Path) -> tuple[dict, str]:
    release = folder / "out/T"
    text = (release / "report.txt").read_text(encoding="utf-8")
    return json.loads((release / "report.json").read_text(encoding="utf-8")), " ".join(text.split())


def _gain_reduction_db(folder: Path) -> np.ndarray:
    """Return the gain reduction of both channels, from samples that are loud in each."""
    source, _ = soundfile.read(folder / "a.wav")
    made, _ = soundfile.read(folder / "out/T/download/wav-24/01 Low Lantern.wav")
    loud = (np.abs(source) > 0.01).all(axis=1)
    return 6 - 20 * np.log10(made[: len(source)][loud] / source[loud])


def test_gain_reduction_and_image_drift_are_those_of_the_delivered_samples(folder: Path) -> None:
    report, text = _report(folder)
    limiting = report["tracks"][0]["download"]["limiting"]
    found = _gain_reduction_db(folder)
    drift = np.abs(np.diff(found))
    assert limiting["most_db"] == pytest.approx(found.max(), abs=0.05)
    assert limiting["image_drift_db"] == pytest.approx(drift.max(), abs=0.05)
    assert limiting["image_drift_mean_db"] == pytest.approx(drift.mean(), rel=0.1)
    assert limiting["mean_db"] == pytest.approx(found.max(axis=1).mean(), rel=0.1)
    assert limiting["mean_db"] < limiting["db_95"] < limiting["most_db"]
    assert report["level"]["download"]["link"] == 40
    assert "limiter link 40 %" in text
    assert f"stereo image drift: max {limiting['image_drift_db']:.2f}" in text
    assert verify(folder / "out/T").ok
