"""What the report says of limiting and compression, against the delivered samples themselves."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assembler import build, load, verify
from assembler.proof.texts import share_text
from assembler.text import clock_text

RATE_HZ = 44100
CEILING_DBTP = -1.0
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: T}
level: {match: none, link: 40}
disc: {make: false}
download: {formats: [wav-24]}
tracks:
- {title: Low Lantern, audio: a.wav, trim: 6}
- {title: Undertow, audio: b.wav, compress: {threshold: -50, ratio: 10, knee: 0, mix: 90}}
- {title: Ropewalk Round, audio: c.wav, trim: 6, clip: 1.5}
- {title: Bell Buoy, audio: d.wav, clip: 2}
"""


def _hits_on_the_left() -> np.ndarray:
    t = np.arange(5 * RATE_HZ) / RATE_HZ
    tone = 0.1 * np.sin(2 * np.pi * 220 * t) * (1 + 0.3 * np.sin(2 * np.pi * 0.3 * t))
    hit = np.random.default_rng(19).normal(0, 0.3, len(t)) * np.exp(-8 * (t * 2 % 1))
    return np.clip(np.stack([tone + hit, 0.9 * tone + 0.05 * hit], 1), -0.98, 0.98)


def _loud_and_quiet() -> np.ndarray:
    t = np.arange(24 * RATE_HZ) / RATE_HZ
    level_db = np.where(t // 6 % 2 == 0, -12, -32)
    tone = 10 ** (level_db / 20) * np.sin(2 * np.pi * 997 * t)
    return np.stack([tone, -0.5 * tone], 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a finished release."""
    folder = tmp_path_factory.mktemp("dynamics")
    soundfile.write(folder / "a.wav", _hits_on_the_left(), RATE_HZ, subtype="PCM_24")
    soundfile.write(folder / "b.wav", _loud_and_quiet(), RATE_HZ, subtype="PCM_24")
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    tone = np.minimum(1, 2 * np.minimum(t, 2 - t)) * np.sin(2 * np.pi * 997 * t)
    for name, peak_db in (("c.wav", CEILING_DBTP + 1.5 - 6), ("d.wav", CEILING_DBTP - 4.1)):
        sound = 10 ** (peak_db / 20) * np.stack([tone, 0.8 * tone], 1)
        soundfile.write(folder / name, sound, RATE_HZ, subtype="PCM_24")
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


def test_compression_is_reported_with_what_it_costs(folder: Path) -> None:
    """Threshold −50 dBFS, 10:1, mix 90 %: of −12 dBFS, 34.2 dB less in the compressed sound."""
    report, text = _report(folder)
    done = report["tracks"][1]["compression"]
    mixed_db = -20 * np.log10(0.1 + 0.9 * 10 ** (-38 * 0.9 / 20))
    assert done["most_db"] == pytest.approx(mixed_db, abs=0.1)
    assert done["mean_db"] < done["db_95"] <= done["most_db"]
    assert done["range_before_lu"] == pytest.approx(20, abs=0.2)
    assert "compression" not in report["tracks"][0]
    after_lu = report["tracks"][1]["download"]["loudness_range_lu"]
    (lost,) = [one for one in report["findings"] if one["code"] == "range-lost"]
    assert f"take {done['range_before_lu'] - after_lu:.1f} LU of loudness range" in lost["message"]
    assert f"max {done['most_db']:.2f} dB" in text


def test_a_clipper_takes_off_what_it_says_and_leaves_quieter_sound_alone(folder: Path) -> None:
    """A peak 1.5 dB over the ceiling comes out at it without the limiter."""
    report, text = _report(folder)
    clipped, idle = (track["download"] for track in report["tracks"][2:])
    done = clipped["clipping"]
    made, _ = soundfile.read(folder / "out/T/download/wav-24/03 Ropewalk Round.wav")
    source, _ = soundfile.read(folder / "c.wav")
    gained = 10 ** (6 / 20) * source
    assert 20 * np.log10(np.abs(made).max()) == pytest.approx(CEILING_DBTP, abs=0.005)
    assert clipped["true_peak_dbtp"] == pytest.approx(CEILING_DBTP, abs=0.01)
    assert done["most_db"] == pytest.approx(1.5, abs=0.001)
    assert clipped["limiting"]["most_db"] < 0.01
    loud = np.abs(gained) > 0.05
    changed = (20 * np.log10(gained[loud] / made[: len(gained)][loud]) > 0.1).sum() / 2
    assert done["samples"] == pytest.approx(changed, rel=0.1)
    assert done["share"] == pytest.approx(done["samples"] / len(source), abs=1e-4)
    assert 0 < done["share_above_masking"] < 1
    assert f"max 1.50 dB at {clock_text(done['at_s'])}; changes {done['samples']} samples" in text
    assert "clipper up to 1.5 dB" in text
    assert idle["clipping"]["most_db"] == idle["clipping"]["samples"] == 0
    page = (folder / "out/T/proof/index.html").read_text(encoding="utf-8")
    assert re.findall(r'"Download: clipper">(.*?)<', page) == ["–", "–", "1.5", "0.0"]
    shares = re.findall(r'"Download: share clipped">(.*?)<', page)
    assert shares == ["–", "–", share_text(done["share"]), "–"]
    assert "Tone match" not in page
    bits, _ = soundfile.read(folder / "out/T/download/wav-24/04 Bell Buoy.wav", dtype="int32")
    asked, _ = soundfile.read(folder / "d.wav", dtype="int32")
    assert np.array_equal(bits[: len(asked)], asked)


def test_crest_factor_and_correlation_before_and_after(folder: Path) -> None:
    report, _ = _report(folder)
    files = {"a.wav": "01 Low Lantern.wav", "b.wav": "02 Undertow.wav"}
    for track, (source, made) in zip(report["tracks"], files.items(), strict=False):
        for path, figures in (
            (folder / source, track["source"]["measured"]),
            (folder / "out/T/download/wav-24" / made, track["download"]),
        ):
            sound, _ = soundfile.read(path)
            rms = np.sqrt((sound[sound.any(axis=1)] ** 2).mean())
            crest_db = 20 * np.log10(np.abs(sound).max() / rms)
            assert figures["crest_db"] == pytest.approx(crest_db, abs=0.002)
            assert figures["stereo_correlation"] == pytest.approx(
                np.corrcoef(sound.T)[0, 1], abs=0.005
            )
