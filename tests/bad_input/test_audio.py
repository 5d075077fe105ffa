"""Recordings that can't be used. Each is one error on the line that
names the file, and nothing is written."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from desk import MANIFEST, RATE_HZ, Desk, hum

from assembler import check, load
from assembler.audio.ffmpeg import ffmpeg_program

WHERE = "tracks[0].audio"


def naming(name: str) -> str:
    """Return a manifest whose first track is that file."""
    return MANIFEST.replace("audio: a.wav", f"audio: {name}")


def test_missing_file(desk: Desk) -> None:
    error = desk.refused(naming("gone.wav"), "missing-file", at="gone.wav", where=WHERE)
    assert "gone.wav" in error["message"]


def test_folder_in_place_of_a_file(desk: Desk) -> None:
    (desk.folder / "takes").mkdir()
    error = desk.refused(naming("takes"), "missing-file", at="takes", where=WHERE)
    assert "folder" in error["message"]


def test_path_longer_than_a_name_can_be(desk: Desk) -> None:
    name = f"{'long ' * 80}.wav"
    desk.refused(naming(name), "missing-file", at="long long", where=WHERE)


def test_text_named_as_sound(desk: Desk) -> None:
    (desk.folder / "notes.wav").write_text("The tape is in the box.\n" * 20)
    desk.refused(naming("notes.wav"), "unreadable-audio", at="notes.wav", where=WHERE)


def test_empty_file(desk: Desk) -> None:
    (desk.folder / "empty.wav").touch()
    desk.refused(naming("empty.wav"), "empty-file", at="empty.wav", where=WHERE)


def test_wav_without_samples(desk: Desk) -> None:
    desk.sound("silent.wav", hum(0))
    desk.refused(naming("silent.wav"), "empty-file", at="silent.wav", where=WHERE)


def cut_in_the_middle(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("cut.wav", {}),
        ("cut-24.wav", {"subtype": "PCM_24"}),
        ("cut-float.wav", {"subtype": "FLOAT"}),
        ("cut-extensible.wav", {"format": "WAVEX"}),
        ("cut.aiff", {}),
        ("cut.rf64", {"format": "RF64"}),
        ("cut.w64", {"format": "W64"}),
    ],
)
def test_file_cut_in_the_middle(desk: Desk, name: str, how: dict[str, str]) -> None:
    cut_in_the_middle(desk.sound(name, hum(), **how))
    error = desk.refused(naming(name), "truncated-file", at=name, where=WHERE)
    assert "0:05.00" in error["message"]
    assert "0:02" in error["message"]


def test_flac_cut_in_the_middle(desk: Desk) -> None:
    cut_in_the_middle(desk.sound("cut.flac", hum()))
    path = desk.write(naming("cut.flac"))
    code, document = desk.json("build", path, "--out", desk.out)
    (error,) = (f for f in document["findings"] if f["severity"] == "error")
    assert (code, error["where"], error["line"]) == (1, WHERE, 9)
    assert "cut.flac" in error["message"]
    assert not desk.out.exists()


def test_flac_damaged_in_the_middle(desk: Desk) -> None:
    noise = np.random.default_rng(7).normal(0, 0.1, 5 * RATE_HZ)
    path = desk.sound("damaged.flac", noise)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 100] = bytes(100)
    path.write_bytes(content)
    code, document = desk.json("build", desk.write(naming("damaged.flac")), "--out", desk.out)
    (error,) = (f for f in document["findings"] if f["severity"] == "error")
    assert (code, error["where"], error["line"]) == (1, WHERE, 9)
    assert not desk.out.exists()


def test_flac_without_a_length(desk: Desk) -> None:
    """A FLAC that was written to a pipe has 0 for its length (RFC 9639, section 8.2)."""
    path = desk.sound("piped.flac", hum())
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0  # 36 bits of the streaminfo block: total samples
    content[22:26] = bytes(4)
    path.write_bytes(content)
    report = check(load(desk.write(naming("piped.flac"))))
    errors = [finding.where for finding in report.findings if finding.severity == "error"]
    assert errors == [WHERE] or (not errors and report.discs[0].places[0].frames == 5 * 75)


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0x7FFFFFFF])
def test_wav_without_a_length_is_read_to_its_end(desk: Desk, size: int) -> None:
    """What was written to a pipe has no size in its header (common practice)."""
    path = desk.sound("piped.wav", hum())
    content = bytearray(path.read_bytes())
    content[40:44] = size.to_bytes(4, "little")
    path.write_bytes(content)
    report = check(load(desk.write(naming("piped.wav"))))
    assert report.ok
    assert report.discs[0].places[0].frames == 5 * 75


def test_m4a_cut_in_the_middle(desk: Desk) -> None:
    """With its index in front, an MP4 still opens when its end is missing."""
    long = desk.sound("long.wav", hum(20))
    whole = desk.folder / "cut.m4a"
    command = [ffmpeg_program(), "-v", "error", "-i", long, "-movflags", "+faststart", whole]
    subprocess.run(command, check=True)
    cut_in_the_middle(whole)
    code, document = desk.json("build", desk.write(naming("cut.m4a")), "--out", desk.out)
    errors = [f["where"] for f in document["findings"] if f["severity"] == "error"]
    assert (code, errors) == (1, [WHERE])
    assert not desk.out.exists()


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_samples_that_are_not_numbers(desk: Desk, value: float) -> None:
    samples = hum()
    samples[3 * RATE_HZ] = value
    desk.sound("float.wav", samples, subtype="FLOAT")
    error = desk.refused(naming("float.wav"), "not-a-number", at="float.wav", where=WHERE)
    assert "0:03.00" in error["message"]


def test_six_channels(desk: Desk) -> None:
    desk.sound("surround.wav", np.tile(hum()[:, None], 6))
    error = desk.refused(naming("surround.wav"), "too-many-channels", at="surround", where=WHERE)
    assert "6 channels" in error["message"]


@pytest.mark.parametrize("rate_hz", [4000, 384000])
def test_rate_out_of_range(desk: Desk, rate_hz: int) -> None:
    desk.sound("odd.wav", hum(5, rate_hz), rate_hz)
    error = desk.refused(naming("odd.wav"), "bad-sample-rate", at="odd.wav", where=WHERE)
    assert f"{rate_hz} Hz" in error["message"]


def test_pair_of_different_rates(desk: Desk) -> None:
    desk.sound("fast.wav", hum(5, 16000), 16000)
    pair = "{left: a.wav, right: fast.wav}"
    error = desk.refused(naming(pair), "odd-pair", at="fast.wav", where=WHERE)
    assert "16000 Hz" in error["message"]


def test_stereo_file_in_a_pair(desk: Desk) -> None:
    desk.sound("both.wav", np.tile(hum()[:, None], 2))
    pair = "{left: a.wav, right: both.wav}"
    error = desk.refused(naming(pair), "odd-pair", at="both.wav", where=WHERE)
    assert "both.wav" in error["message"]


def test_half_a_pair(desk: Desk) -> None:
    desk.refused(naming("{left: a.wav}"), "bad-audio", at="left", where=WHERE)


def test_missing_file_of_a_pair(desk: Desk) -> None:
    desk.refused(naming("{left: a.wav, right: gone.wav}"), "missing-file", at="gone", where=WHERE)


def test_pair_of_different_lengths_is_reported(desk: Desk) -> None:
    desk.sound("short.wav", hum(4.5))
    source = load(desk.write(naming("{left: a.wav, right: short.wav}")))
    (warning,) = (f for f in check(source).findings if f.code == "uneven-pair")
    assert (warning.severity, warning.line) == ("warning", 9)
    assert "0.500 s" in warning.message


@pytest.mark.parametrize("match", ["album", "track"])
def test_silence_under_a_match(desk: Desk, match: str) -> None:
    desk.sound("silence.wav", np.zeros(5 * RATE_HZ))
    text = naming("silence.wav").replace("download:", f"level: {{match: {match}}}\ndownload:")
    error = desk.refused(text, "silent-track", at="silence.wav", where=WHERE)
    assert "track 1" in error["message"]


def test_silence_without_a_match_is_built(desk: Desk) -> None:
    desk.sound("silence.wav", np.zeros(5 * 44100), 44100)
    text = naming("silence.wav").replace("download:", "level: {match: none}\ndownload:")
    document = desk.build(text)
    first = document["tracks"][0]["download"]
    assert (first["integrated_lufs"], first["true_peak_dbtp"]) == (None, None)
    (file,) = (desk.release / "download" / "flac-16").glob("01 *")
    samples, _ = soundfile.read(file, dtype="int16")
    assert not samples.any()


def test_every_bad_file_is_reported_together(desk: Desk) -> None:
    (desk.folder / "notes.wav").write_text("The tape is in the box.\n" * 20)
    text = naming("gone.wav").replace("b.wav", "notes.wav")
    code, document = desk.json("check", desk.write(text))
    errors = [(f["code"], f["line"]) for f in document["findings"] if f["severity"] == "error"]
    assert code == 1
    assert errors == [("missing-file", 9), ("unreadable-audio", 11)]


@pytest.mark.parametrize("value", [1001.0, -3e38])
def test_samples_of_impossible_level(desk: Desk, value: float) -> None:
    """Float files reach above full scale, but +60 dBFS is a fault, and 3e38 no level at all."""
    samples = hum()
    samples[3 * RATE_HZ] = value
    path = desk.sound("float.wav", samples, subtype="FLOAT")
    error = desk.refused(naming("float.wav"), "sample-too-large", at="float.wav", where=WHERE)
    assert "0:03.00" in error["message"]
    code, out, _ = desk.run("measure", path, "--json")
    assert code == 1
    assert "Infinity" not in out
    samples[3 * RATE_HZ] = 999.0
    desk.sound("float.wav", samples, subtype="FLOAT")
    code, document = desk.json("measure", path)
    assert (code, document["files"][0]["sample_peak_dbfs"]) == (0, 59.991)
