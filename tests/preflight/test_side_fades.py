"""Fades of tracks that are cut from a side: no step from hiss into silence, no music faded.

Lengths are this project's own (10 ms, 50 ms, up to 0.5 s over hiss); what the delivered file does
at its ends is read with soundfile.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from assembler import build, load
from assembler.preflight.side_fades import hiss_samples

RATE_HZ = 44100


def hiss(seconds: float, level_dbfs: float, seed: int = 1) -> NDArray[np.float64]:
    noise = np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), 2))
    return noise * 10 ** (level_dbfs / 20)


def note(seconds: float, level_dbfs: float, decay_db_per_s: float = 0.0) -> NDArray[np.float64]:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = np.sin(2 * np.pi * 330 * t) + 0.5 * np.sin(2 * np.pi * 660 * t)
    wave *= 10 ** ((level_dbfs - decay_db_per_s * t) / 20)
    return np.stack([wave, wave], 1)


def test_hiss_is_distinguished_from_music():
    assert hiss_samples(hiss(0.5, -64), RATE_HZ) == pytest.approx(0.5 * RATE_HZ, abs=900)
    assert hiss_samples(note(0.5, -50) + hiss(0.5, -64), RATE_HZ) == 0
    assert hiss_samples(hiss(0.5, -30), RATE_HZ) == 0, "applause or rain, not tape hiss"
    dying = note(0.5, -30, decay_db_per_s=60)[::-1] + hiss(0.5, -90)
    assert hiss_samples(dying, RATE_HZ) == 0
    begins = hiss(0.5, -64)
    begins[RATE_HZ // 5 :] += note(0.3, -20)
    assert hiss_samples(begins, RATE_HZ) == pytest.approx(0.2 * RATE_HZ, abs=900)
    assert hiss_samples(np.zeros((10, 2)), RATE_HZ) == 0


def _track(
    folder: Path, keys: str = ""
) -> tuple[NDArray[np.float64], NDArray[np.float64], dict[str, Any]]:
    """Build a track at 2 to 9 s of a side, its sound at 2.3 to 8.2 s."""
    side = hiss(12, -64)
    side[round(2.3 * RATE_HZ) : round(8.2 * RATE_HZ)] += note(5.9, -20)
    soundfile.write(folder / "side.wav", side, RATE_HZ, subtype="PCM_24")
    (folder / "T.yaml").write_text(
        "release: {artist: A, title: B, catalogue_number: T}\nlevel: {match: none}\n"
        "disc: {make: false}\ndownload: {formats: [flac-24]}\n"
        "transfers: {a: {file: side.wav}}\n"
        f"tracks:\n  - {{title: One, from: a, start: 2, end: 9{keys}}}\n",
        encoding="utf-8",
    )
    report = build(load(folder / "T.yaml"), folder / "out", only=("download",))
    (path,) = (report.release_dir / "download" / "flac-24").glob("01 *.flac")
    delivered, _ = soundfile.read(path, always_2d=True)
    return delivered, side[2 * RATE_HZ : 9 * RATE_HZ], report.as_json()["tracks"][0]["done"]


def _rms_db(samples: NDArray[np.float64]) -> float:
    return float(10 * np.log10((samples**2).mean() + 1e-20))


def test_hiss_does_not_step_into_silence(tmp_path):
    delivered, source, done = _track(tmp_path)
    assert done["fade_in_s"] == pytest.approx(0.3, abs=0.05)
    assert done["fade_out_s"] == pytest.approx(0.5, abs=0.02)
    edge = RATE_HZ // 100
    assert _rms_db(delivered[-edge:]) < _rms_db(source[-edge:]) - 25
    assert _rms_db(delivered[:edge]) < _rms_db(source[:edge]) - 20
    sound = slice(round(0.36 * RATE_HZ), round(6.2 * RATE_HZ))
    assert np.abs(delivered[sound] - source[sound]).max() < 2**-21, "the music is not touched"


def test_a_fade_in_the_manifest_is_kept(tmp_path):
    delivered, source, done = _track(tmp_path, ", fade_in: 0, fade_out: 0")
    assert (done["fade_in_s"], done["fade_out_s"]) == (0, 0)
    assert np.abs(delivered - source).max() < 2**-22
    assert _rms_db(delivered[-441:]) == pytest.approx(_rms_db(source[-441:]), abs=0.1)


def test_music_at_the_cut_is_faded_for_a_moment_only(tmp_path):
    _, _, done = _track(tmp_path, ", fade_in: 0")
    assert done["fade_out_s"] == pytest.approx(0.5, abs=0.02)
    (tmp_path / "cut").mkdir()
    text = (tmp_path / "T.yaml").read_text(encoding="utf-8").replace("end: 9", "end: 7")
    (tmp_path / "cut" / "T.yaml").write_text(text.replace("side.wav", "../side.wav"), "utf-8")
    report = build(load(tmp_path / "cut" / "T.yaml"), tmp_path / "cut" / "out", only=("download",))
    assert report.as_json()["tracks"][0]["done"]["fade_out_s"] == pytest.approx(0.05)


def test_a_segue_on_a_side_has_no_fades_in_it(tmp_path):
    side = hiss(14, -64) + note(14, -20)
    soundfile.write(tmp_path / "side.wav", side, RATE_HZ, subtype="PCM_24")
    (tmp_path / "T.yaml").write_text(
        "release: {artist: A, title: B, catalogue_number: T}\nlevel: {match: none}\n"
        "disc: {make: false}\ndownload: {formats: [flac-24]}\n"
        "transfers: {a: {file: side.wav}}\ntracks:\n"
        "  - {title: One, from: a, start: 1, end: 6}\n"
        "  - {title: Two, from: a, start: 6, end: 12, gap: 0}\n",
        encoding="utf-8",
    )
    report = build(load(tmp_path / "T.yaml"), tmp_path / "out", only=("download",))
    files = sorted((report.release_dir / "download" / "flac-24").glob("*.flac"))
    delivered = np.concatenate([soundfile.read(path)[0] for path in files])
    source = side[RATE_HZ : 12 * RATE_HZ]
    inner = slice(RATE_HZ, 10 * RATE_HZ)
    assert np.abs(delivered[inner] - source[inner]).max() < 2**-22
    fades = [
        (track["done"]["fade_in_s"], track["done"]["fade_out_s"])
        for track in report.as_json()["tracks"]
    ]
    assert fades == [(0.01, 0), (0, 0.05)]
