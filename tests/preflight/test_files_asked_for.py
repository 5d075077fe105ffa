"""What a check reports about the download files: their rates, and silence at their ends."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from assembler import build, check, load, verify
from assembler.findings import Finding

HEAD = "release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-9}\n"


def sound(seconds: float, rate_hz: int, before_s: float = 0, after_s: float = 0) -> np.ndarray:
    """Noise with digital silence around it."""
    rng = np.random.default_rng(rate_hz)
    parts = (
        np.zeros((round(before_s * rate_hz), 2)),
        rng.normal(0, 0.05, (round(seconds * rate_hz), 2)),
        np.zeros((round(after_s * rate_hz), 2)),
    )
    return np.concatenate(parts)


def write(path: Path, samples: np.ndarray, rate_hz: int = 44100) -> None:
    soundfile.write(path, samples, rate_hz, subtype="PCM_16")


def manifest(folder: Path, body: str) -> Path:
    path = folder / "songs.yaml"
    path.write_text(HEAD + body, encoding="utf-8")
    return path


def findings(folder: Path, body: str) -> list[Finding]:
    codes = ("mixed-rates", "silent-head", "long-silence", "high-disc-limit")
    return [f for f in check(load(manifest(folder, body))).findings if f.code in codes]


@pytest.fixture
def two_rates(tmp_path: Path) -> Path:
    write(tmp_path / "a.wav", sound(5, 44100))
    write(tmp_path / "b.wav", sound(5, 96000), 96000)
    return tmp_path


TRACKS = "tracks: [{title: One, audio: a.wav}, {title: Two, audio: b.wav}]\n"


def test_formats_of_several_rates_are_one_warning_that_names_rate(two_rates):
    body = "download: {formats: [flac-24, flac-16, wav-16, mp3-320, opus-160]}\n" + TRACKS
    (found,) = findings(two_rates, body)
    assert (found.severity, found.code) == ("warning", "mixed-rates")
    assert found.where == "download.formats"
    assert "flac-24 at 44.1 and 96 kHz; mp3-320 at 44.1 and 48 kHz:" in found.message
    assert "`rate`" in found.message
    assert "16" not in found.message.replace("opus-160", "")


def test_with_a_rate_no_format_is_mixed(two_rates):
    body = "download: {formats: [flac-24, mp3-320], rate: 48000}\n" + TRACKS
    assert findings(two_rates, body) == []


@pytest.mark.thorough
def test_files_of_16_bits_have_the_discs_rate(two_rates):
    """Each format's levels are those of its own files: at other rates they differ a little."""
    body = "disc: {make: false}\ndownload: {formats: [flac-24, flac-16, wav-16]}\n" + TRACKS
    release = build(load(manifest(two_rates, body)), two_rates / "out").release_dir
    rates = {
        path.relative_to(release / "download").as_posix(): soundfile.info(str(path)).samplerate
        for path in sorted((release / "download").glob("*/*"))
        if path.suffix in (".flac", ".wav")
    }
    assert rates == {
        "flac-16/01 One.flac": 44100, "flac-16/02 Two.flac": 44100,
        "flac-24/01 One.flac": 44100, "flac-24/02 Two.flac": 96000,
        "wav-16/01 One.wav": 44100, "wav-16/02 Two.wav": 44100,
    }  # fmt: skip
    report = verify(release)
    assert report.ok, report.findings


def test_a_set_rate_applies_to_16_bits_too(two_rates):
    body = "disc: {make: false}\ndownload: {formats: [flac-16], rate: 48000}\n" + TRACKS
    release = build(load(manifest(two_rates, body)), two_rates / "out").release_dir
    files = (release / "download/flac-16").iterdir()
    assert {soundfile.info(str(path)).samplerate for path in files} == {48000}


@pytest.mark.parametrize(("before_s", "noted"), [(0.4, False), (0.6, True), (3.456, True)])
def test_silence_at_the_start_of_a_source_is_noted_with_the_start_that_removes_it(
    before_s, noted, tmp_path
):
    write(tmp_path / "a.wav", sound(5, 44100, before_s))
    found = findings(tmp_path, "tracks: [{title: One, audio: a.wav}]\n")
    assert [f.code for f in found] == (["silent-head"] if noted else [])
    if noted:
        start = f"0:{int(100 * before_s) / 100:05.2f}"
        assert found[0].severity == "note"
        assert f"`start: {start}`" in found[0].message
        text = f"tracks: [{{title: One, audio: a.wav, start: {start}}}]\n"
        assert findings(tmp_path, text) == []


def test_the_start_counts_from_the_head_of_the_file(tmp_path):
    write(tmp_path / "a.wav", np.concatenate((sound(5, 44100, 0, 2), sound(5, 44100))))
    (found,) = findings(tmp_path, "tracks: [{title: One, audio: a.wav, start: 5.5}]\n")
    assert "begins with 1.5 s" in found.message
    assert "`start: 0:07.00`" in found.message


def test_silence_in_a_segue_stays(tmp_path):
    write(tmp_path / "a.wav", sound(5, 44100, 3))
    tracks = "tracks: [{title: 1, audio: a.wav, start: 3}, {title: 2, audio: a.wav, gap: 0}]\n"
    assert findings(tmp_path, tracks) == []


def test_more_than_10_s_at_either_end_of_a_file_is_warned_of(tmp_path):
    write(tmp_path / "a.wav", sound(5, 44100, 0, 4))
    write(tmp_path / "b.wav", sound(5, 44100, 11, 12))
    gap = "tracks: [{title: One, audio: a.wav}, {title: Two, audio: a.wav, gap: 6.5}]\n"
    (found,) = findings(tmp_path, gap)
    assert (found.severity, found.code, found.where) == ("warning", "long-silence", "tracks[0]")
    assert "track 1 ends with 10.5 s" in found.message
    assert "shorten the gap" in found.message
    assert findings(tmp_path, gap.replace("6.5", "5.5")) == []
    head, end = findings(tmp_path, "tracks: [{title: One, audio: b.wav}]\n")
    assert "begins with 11.0 s" in head.message and "`start: 0:11.00`" in head.message
    assert "ends with 12.0 s" in end.message and "`end: 0:16.00`" in end.message
    assert findings(tmp_path, "download: {formats: []}\n" + gap.replace("6.5", "9")) == []


def test_more_than_a_minute_of_silence_is_found_too(tmp_path):
    write(tmp_path / "a.wav", sound(5, 8000, 70), 8000)
    (found,) = findings(tmp_path, "tracks: [{title: One, audio: a.wav}]\n")
    assert "begins with 60.0 s" in found.message


def test_a_limit_above_what_plants_state_is_warned_of_at_its_line(tmp_path):
    write(tmp_path / "a.wav", sound(5, 44100))
    body = 'disc:\n  limit: "80:30"\ntracks: [{title: One, audio: a.wav}]\n'
    (found,) = findings(tmp_path, body)
    assert (found.severity, found.code, found.line) == ("warning", "high-disc-limit", 3)
