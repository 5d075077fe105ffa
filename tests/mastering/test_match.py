"""The level match on real renderings: it lands, or stops where more gain would only be limited.

Loudness is read back with pyloudnorm ("DeMan": the coefficients of BS.1770); gain reduction over
about 3 dB is heard (common practice, no source).
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray

from assembler import build, load
from assembler.commands.main import main
from assembler.release.build_report import BuildReport

RATE_HZ = 44100
Sound = NDArray[np.float64]


def drums(seconds: float, loudest: float = 1.0) -> Sound:
    """Return a dense drum pattern: hits far above a hum of cymbals, peaks at full scale."""
    rng = np.random.default_rng(7)
    t = np.arange(RATE_HZ // 4) / RATE_HZ
    sound = 0.005 * rng.standard_normal(round(seconds * RATE_HZ))
    step = round(RATE_HZ * 60 / 140 / 4)
    for beat, place in enumerate(range(0, len(sound) - len(t), step)):
        hit = 0.25 * rng.standard_normal(len(t)) * np.exp(-60 * t)
        if beat % 4 == 0:
            hit += np.sin(2 * np.pi * (50 * t + 6 * (1 - np.exp(-30 * t)))) * np.exp(-12 * t)
        sound[place : place + len(t)] += hit
    return loudest * sound / np.abs(sound).max()


def chord(seconds: float, level_db: float) -> Sound:
    """Return a steady chord with peaks 10 dB or more under the drums' for its loudness."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    tones = [np.sin(2 * np.pi * hz * t + hz) for hz in (220.0, 277.2, 329.6, 440.0)]
    return 10 ** (level_db / 20) * np.sum(tones, axis=0) / 4


def built(folder: Path, level: str, keys: str = "", **sounds: Sound) -> BuildReport:
    lines = ["release: {artist: A, title: B, catalogue_number: T}", f"level: {level}"]
    lines += ["disc: {make: false}", "download: {formats: [flac-24]}", "tracks:"]
    for name, sound in sounds.items():
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="PCM_24")
        lines.append(f"  - {{title: {name}, audio: {name}.wav{keys}}}")
    (folder / "T.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return build(load(folder / "T.yaml"), folder / "out", only=("download",))


def delivered(report: BuildReport, number: int) -> tuple[float, dict[str, Any]]:
    """Return a track's loudness as pyloudnorm reads it, and what the report says of it."""
    (path,) = (report.release_dir / "download" / "flac-24").glob(f"{number:02d} *.flac")
    samples, rate_hz = soundfile.read(path)
    lufs = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(samples)
    return float(lufs), report.as_json()["tracks"][number - 1]


def messages(report: BuildReport, code: str) -> list[str]:
    return [finding.message for finding in report.findings if finding.code == code]


@pytest.mark.parametrize("match", ["track", "album"])
def test_the_match_counts_on_a_clipper_where_the_limiter_is_idle(tmp_path, match):
    """Peaks 0.3 dB below the ceiling: the clipper takes off a dB, which the gain makes up for."""
    level = f"{{match: {match}, target: -8.5, ceiling: -1}}"
    report = built(tmp_path, level, ", clip: 2", chord=chord(1.5, -6))
    lufs, track = delivered(report, 1)
    assert lufs == pytest.approx(-8.5, abs=0.05)
    assert track["download"]["clipping"]["most_db"] > 0.5
    assert track["download"]["limiting"]["most_db"] < 0.05


@pytest.mark.thorough
def test_dense_drums_are_not_driven_into_the_limiter(tmp_path):
    report = built(tmp_path, "{match: track, target: -9, ceiling: -1}", drums=drums(12))
    lufs, track = delivered(report, 1)
    assert lufs < -10
    (why,) = messages(report, "off-target")
    assert "a further dB of gain would add less than 0.4 LU" in why
    assert f"measures {track['download']['integrated_lufs']:.2f}".replace("-", "−") in why
    gain_db = track["gain_db"]
    louder = _landed_with_trim(tmp_path / "louder", gain_db + 1)
    assert louder - lufs < 0.5, "1 dB more would have been worth it"
    quieter = _landed_with_trim(tmp_path / "quieter", gain_db - 1)
    assert lufs - quieter > 0.38, "the last dB was not worth it"


def _landed_with_trim(folder: Path, gain_db: float) -> float:
    folder.mkdir()
    soundfile.write(folder / "a.wav", drums(12), RATE_HZ, subtype="PCM_24")
    (folder / "T.yaml").write_text(
        "release: {artist: A, title: B, catalogue_number: T}\n"
        "level: {match: none, ceiling: -1}\ndisc: {make: false}\n"
        "download: {formats: [flac-24]}\n"
        f"tracks: [{{title: a, audio: a.wav, trim: {gain_db}}}]\n",
        encoding="utf-8",
    )
    return delivered(build(load(folder / "T.yaml"), folder / "out", only=("download",)), 1)[0]


@pytest.mark.thorough
@pytest.mark.parametrize("match", ["track", "album"])
def test_the_advice_keeps_gain_reduction_under_3_db(tmp_path, match):
    loud = built(tmp_path, f"{{match: {match}, target: -12, ceiling: -1}}", drums=drums(12))
    (advice,) = messages(loud, "heavy-limiting")
    target = float(advice.rsplit("at a target of ", 1)[1].removesuffix(" LUFS"))
    (tmp_path / "again").mkdir()
    level = f"{{match: {match}, target: {target}, ceiling: -1}}"
    again = built(tmp_path / "again", level, drums=drums(12))
    _, track = delivered(again, 1)
    assert 2.5 < track["most_limiting_db"] <= 3.0
    assert not messages(again, "heavy-limiting")
    assert not messages(again, "off-target")


def test_advice_without_a_match_is_a_trim(tmp_path):
    loud = built(tmp_path, "{match: none, ceiling: -7}", drums=drums(8))
    (advice,) = messages(loud, "heavy-limiting")
    assert "`trim: -" in advice


def test_an_album_keeps_its_balances_and_names_the_track_that_caps_it(tmp_path):
    sounds = {"drums": drums(12), "chord": chord(12, -16), "hushed": chord(12, -26)}
    report = built(tmp_path, "{match: album, target: -9, ceiling: -1}", **sounds)
    source = [_lufs(sound) for sound in sounds.values()]
    landed = [delivered(report, number)[0] for number in (1, 2, 3)]
    gained = np.subtract(landed, source)
    assert gained.max() - gained.min() <= 1.05
    (capped,) = messages(report, "album-gain-capped")
    assert "lower track 1 by over 1 LU" in capped
    assert f"reaches {max(landed):.1f} LUFS instead of −9.0".replace("-", "−") in capped


def _lufs(sound: Sound) -> float:
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    return float(meter.integrated_loudness(np.stack([sound, sound], 1)))


def test_an_album_that_needs_no_cap_has_none(tmp_path):
    report = built(tmp_path, "{match: album, target: -16}", one=chord(6, -8), two=chord(6, -20))
    assert not messages(report, "album-gain-capped")
    assert delivered(report, 1)[0] == pytest.approx(-16, abs=0.1)
    gained = delivered(report, 1)[0] - delivered(report, 2)[0]
    assert gained == pytest.approx(12, abs=0.15)  # a gap belongs to the file of the first


def test_sources_far_apart_are_noted(tmp_path):
    report = built(tmp_path, "{match: album, target: -16}", one=chord(6, -8), two=chord(6, -30))
    (note,) = messages(report, "wide-album")
    quietest, loudest = map(float, re.findall(r"-\d+\.\d", note.replace("−", "-")))
    assert "(track 2) to" in note
    assert quietest == pytest.approx(_lufs(chord(6, -30)), abs=0.2)
    assert loudest == pytest.approx(_lufs(chord(6, -8)), abs=0.2)


@pytest.mark.parametrize("match", ["track", "album"])
def test_a_track_too_short_to_measure_has_the_gain_of_its_neighbours(tmp_path, match):
    report = built(
        tmp_path,
        f"{{match: {match}, target: -20}}",
        one=chord(6, -8),
        short=chord(0.3, -8),
        two=chord(6, -14),
    )
    gains = [track["gain_db"] for track in report.as_json()["tracks"]]
    assert gains[1] == pytest.approx((gains[0] + gains[2]) / 2, abs=1e-3)
    (note,) = messages(report, "short-track")
    assert "too short to measure" in note


def test_mono_reads_the_same_in_measure_and_build(tmp_path, capsys):
    """A 997 Hz sine at −20 dBFS in both channels reads −20 LUFS (BS.1770)."""
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    report = built(tmp_path, "{match: none}", mono=0.1 * np.sin(2 * np.pi * 997 * t))
    assert delivered(report, 1)[1]["download"]["integrated_lufs"] == pytest.approx(-20, abs=0.05)
    assert main(["measure", "--json", str(tmp_path / "mono.wav")]) == 0
    (file,) = json.loads(capsys.readouterr().out)["files"]
    assert file["integrated_lufs"] == pytest.approx(-20, abs=0.05)
    assert file["channels"] == 1
    assert main(["measure", str(tmp_path / "mono.wav")]) == 0
    assert "measured as delivered, in both channels" in capsys.readouterr().out
    text = (report.release_dir / "report.txt").read_text(encoding="utf-8")
    assert "delivered and measured in both channels" in " ".join(text.split())
