"""Releases whose tracks are on tape sides: what is restored, what it does to the tracks' times, and
that the transfer itself stays as it was. The faults are made here and their values are known; that
each step does its work is tested with the step."""

from __future__ import annotations

import hashlib
import json
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from restored_sides import restored_to

from assembler import build, check, load
from assembler.audio import Recording
from assembler.commands.main import main
from assembler.dsp.equaliser import equalise
from assembler.manifest.transfers import Restoration
from assembler.release.build_report import BuildReport
from assembler.restoration.chain import Resolved
from assembler.restoration.condition import Condition, condition_of
from assembler.restoration.repair.playback import correct_playback
from assembler.restoration.repair.speed import change_speed

RATE_HZ = 44_100
LENGTH_S = 44.0
SONGS = ((4.0, 10.0), (13.0, 20.0))
AFTER = (21.5, 42.0)
"""A third song, on no track: a value of both channels is read from 30 s and more."""
DROPOUT_S = 8.0


def programme() -> NDArray[np.float64]:
    """Two songs, the same in both channels, on a quiet noise of their own in each."""
    rng = np.random.default_rng(11)
    at_s = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    song = sum(
        np.sin(2 * np.pi * hz * at_s + phase) / n
        for n, (hz, phase) in enumerate(((220, 0.1), (447, 1.0), (905, 2.0), (2210, 0.4)), 1)
    )
    song = song * (1 + 0.5 * np.sin(2 * np.pi * 1.7 * at_s)) + 0.3 * rng.standard_normal(len(at_s))
    heard = np.zeros(len(at_s))
    for begin_s, end_s in (*SONGS, AFTER):
        heard[round(begin_s * RATE_HZ) : round(end_s * RATE_HZ)] = 0.12
    noise = 10 ** (-62 / 20) * rng.standard_normal((len(at_s), 2))
    return (song * heard)[:, None] + noise


@pytest.fixture(scope="module")
def side_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A transfer with left 2 dB low, an offset, and one dropout of 40 ms in the right, 24 bits."""
    sound = programme()
    first = round(DROPOUT_S * RATE_HZ)
    sound[first : first + round(0.04 * RATE_HZ), 1] *= 0.1
    sound[:, 0] *= 10 ** (-2 / 20)
    sound[:, 1] += 0.004
    path = tmp_path_factory.mktemp("tapes") / "side-a.wav"
    soundfile.write(path, sound, RATE_HZ, "PCM_24")
    path.chmod(0o444)
    return path


def manifest_with(folder: Path, side_file: Path, restoration: str, more: str = "") -> Path:
    path = folder / "side.yaml"
    path.write_text(
        "release: {artist: Halden Ferry Singers, title: The Net Loft, catalogue_number: T}\n"
        "level: {match: none}\n"
        "download: {formats: [wav-24]}\n"
        f"transfers:\n  side-a: {{file: {side_file}, tape: quarter-inch, "
        f"restoration: {restoration}}}\n"
        "tracks:\n"
        f"  - {{title: One, from: side-a, start: 3.5, end: 10.5{more}}}\n"
        f"  - {{title: Two, from: side-a, start: 12.5, end: 20.5{more}}}\n"
    )
    return path


def built(folder: Path, side_file: Path, restoration: str, more: str = "") -> BuildReport:
    return build(load(manifest_with(folder, side_file, restoration, more)), folder / "out")


def track(report: BuildReport, name: str) -> NDArray[np.float64]:
    found = sorted((report.release_dir / "download" / "wav-24").glob(f"* {name}.wav"))
    sound, rate_hz = soundfile.read(found[0], always_2d=True)
    assert rate_hz == RATE_HZ
    return np.asarray(sound)


def side_of(report: BuildReport) -> dict[str, object]:
    content = json.loads((report.release_dir / "report.json").read_text(encoding="utf-8"))
    (side,) = content["sides"]
    return dict(side)


@pytest.mark.thorough
def test_without_restoration_the_section_passes_bit_for_bit(
    tmp_path: Path, side_file: Path
) -> None:
    report = built(tmp_path, side_file, "off", ", fade_in: 0, fade_out: 0")
    start = round(3.5 * RATE_HZ)
    want, _ = soundfile.read(side_file, start=start, frames=7 * RATE_HZ, dtype="int32")
    (file,) = (report.release_dir / "download" / "wav-24").glob("01*.wav")
    got, _ = soundfile.read(file, dtype="int32")
    np.testing.assert_array_equal(got[: len(want)], want)
    assert not got[len(want) :].any()
    assert side_of(report)["steps"] == []


@pytest.mark.thorough
def test_the_transfer_stays_as_it_was(tmp_path: Path, side_file: Path) -> None:
    before = (hashlib.sha256(side_file.read_bytes()).hexdigest(), side_file.stat().st_mtime_ns)
    built(tmp_path, side_file, "{dc: remove, balance: auto, declick: {}, speed: 1 %}")
    after = (hashlib.sha256(side_file.read_bytes()).hexdigest(), side_file.stat().st_mtime_ns)
    assert after == before
    assert [path.name for path in side_file.parent.iterdir()] == [side_file.name]


@pytest.mark.thorough
def test_the_steps_are_reported_in_order_with_readings(tmp_path: Path, side_file: Path) -> None:
    side = side_of(built(tmp_path, side_file, "{balance: auto, dc: remove}"))
    steps = side["steps"]
    assert isinstance(steps, list)
    assert [step["step"] for step in steps] == ["dc", "balance"]
    offset, balance = steps
    assert offset["before"] == pytest.approx(0.4, abs=0.01)
    assert offset["after"] == pytest.approx(0, abs=0.01)
    assert balance["before"] == pytest.approx(-2, abs=0.05)
    assert balance["after"] == pytest.approx(0, abs=0.05)
    assert side["tape"] == "quarter-inch"


@pytest.mark.thorough
def test_a_side_is_measured_once_for_all_settings(
    tmp_path: Path, side_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    measured: list[Restoration] = []

    def counted(recording: Recording, restoration: Restoration) -> Condition:
        measured.append(restoration)
        return condition_of(recording, restoration)

    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))
    monkeypatch.setattr("assembler.restoration.condition.condition_of", counted)
    built(tmp_path, side_file, "{balance: auto}")
    side = side_of(built(tmp_path, side_file, "{balance: auto, speed: 1 %}"))
    unrestored = side_of(built(tmp_path, side_file, "off"))
    assert len(measured) == 1
    assert side["steps"][0]["before"] == pytest.approx(-2, abs=0.05)
    assert unrestored["dropouts"] == side["dropouts"] != []


SIDE_EQ = (
    ", played: nab, recorded: iec1, tape_speed: 38, "
    "equaliser: [{shape: bell, hz: 1000, db: 6}], mono_below: 100"
)


@pytest.fixture(scope="module")
def restored_with_eq(
    side_file: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[dict[str, Any], NDArray[np.float32]]:
    """The side with playback EQ, EQ and slowed by 4 %: what its report has, and its sound."""
    folder = tmp_path_factory.mktemp("restored")
    path = manifest_with(folder, side_file, f"{{dc: remove, speed: -4 %}}{SIDE_EQ}")
    transfer = load(path).manifest.transfers["side-a"]
    report = restored_to(folder / "side.rf64", side_file, transfer)
    return report, soundfile.read(folder / "side.rf64", dtype="float32")[0]


def test_eq_of_a_side_is_done_once_with_its_playback_eq(
    restored_with_eq: tuple[dict[str, Any], NDArray[np.float32]], side_file: Path
) -> None:
    """A bell at 1 kHz is at 1 kHz after the correction of speed."""
    report, sound = restored_with_eq
    assert [step["step"] for step in report["steps"]] == ["dc", "playback", "equaliser", "speed"]
    assert report["steps"][1]["done"] == (
        "playback EQ corrected from NAB to IEC1 at 38 cm/s: +4.3 dB at 40 Hz, −2.5 dB at 10 kHz"
    )
    assert report["steps"][2]["done"] == (
        "EQ of the whole side: bell 1000 Hz +6.00 dB; mono below 100 Hz"
    )
    resolved = Resolved.from_json(json.loads(json.dumps(report["settled"])))
    playback, bands = resolved.playback, resolved.equaliser
    assert playback == ("nab", "iec1", 38)
    assert [band.hz for band in bands] == pytest.approx([1000 / 0.96, 100 / 0.96])
    source, _ = soundfile.read(side_file, dtype="float32")
    blocks = iter([(source - np.array(resolved.dc)).astype(np.float32)])
    expected = equalise(correct_playback(blocks, RATE_HZ, playback), bands, RATE_HZ)
    slowed = np.concatenate(list(change_speed(expected, RATE_HZ, Fraction(96, 100))))
    assert len(sound) == len(slowed)
    assert np.abs(sound - slowed).max() < 1e-5


def test_playback_eq_is_measured_before_and_after(
    restored_with_eq: tuple[dict[str, Any], NDArray[np.float32]],
) -> None:
    """The side has as much bass as noise has: the octave around 40 Hz rises by about 4.3 dB."""
    step = restored_with_eq[0]["steps"][1]
    assert step["measure"] == "octave at 10 kHz re 1 kHz, dB"
    assert step["after"] < step["before"] - 2


@pytest.mark.thorough
def test_each_track_has_the_eq_of_its_side_before_its_own(tmp_path: Path, side_file: Path) -> None:
    own = ", equaliser: [{shape: bell, hz: 1000, db: -6}], fade_in: 0, fade_out: 0"
    plain = track(built(tmp_path, side_file, "off", ", fade_in: 0, fade_out: 0"), "One")
    (tmp_path / "b").mkdir()
    side_eq = "off, equaliser: [{shape: bell, hz: 1000, db: 6}]"
    report = built(tmp_path / "b", side_file, side_eq, own)
    np.testing.assert_allclose(track(report, "One"), plain, atol=2.0**-21)  # one undoes the other
    assert main(["verify", str(report.release_dir), "--sources", str(tmp_path / "b")]) == 0
    text = (report.release_dir / "report.txt").read_text(encoding="utf-8")
    assert "EQ of the whole side: bell 1000 Hz +6.00 dB" in text


def test_a_band_of_a_side_is_below_half_its_rate(tmp_path: Path, side_file: Path) -> None:
    side_eq = "off, equaliser: [{shape: bell, hz: 30000, db: 6}]"
    (found,) = [
        one
        for one in check(load(manifest_with(tmp_path, side_file, side_eq))).findings
        if one.severity == "error"
    ]
    assert (found.code, found.where) == ("band-too-high", "transfers.side-a.equaliser[0].hz")


@pytest.mark.thorough
def test_a_balance_in_numbers_is_that_balance(tmp_path: Path, side_file: Path) -> None:
    plain = track(built(tmp_path / "", side_file, "off"), "One")
    (tmp_path / "b").mkdir()
    raised = track(built(tmp_path / "b", side_file, "{balance: 3}"), "One")
    sung = slice(RATE_HZ, 6 * RATE_HZ)
    ratio = [np.std(sound[sung, 0]) / np.std(sound[sung, 1]) for sound in (plain, raised)]
    assert 20 * np.log10(ratio[1] / ratio[0]) == pytest.approx(3, abs=0.001)


@pytest.mark.thorough
def test_inverted_and_swapped_channels_are_delivered_so(tmp_path: Path, side_file: Path) -> None:
    plain = track(built(tmp_path, side_file, "off"), "One")
    (tmp_path / "b").mkdir()
    turned = track(
        built(tmp_path / "b", side_file, "{swap_channels: yes, invert_polarity: left}"), "One"
    )
    step = 2.0**-22  # of 24-bit PCM with its dither
    np.testing.assert_allclose(turned[:, 0], -plain[:, 1], atol=step)
    np.testing.assert_allclose(turned[:, 1], plain[:, 0], atol=step)


@pytest.mark.thorough
def test_speed_moves_times_with_the_sound(tmp_path: Path, side_file: Path) -> None:
    manifest = manifest_with(tmp_path, side_file, "{speed: +2 %}")
    promised = check(load(manifest))
    assert [section.end - section.start for section in promised.sections] == [
        round(10.5 * RATE_HZ / 1.02) - round(3.5 * RATE_HZ / 1.02),
        round(20.5 * RATE_HZ / 1.02) - round(12.5 * RATE_HZ / 1.02),
    ]
    report = build(load(manifest), tmp_path / "out")
    sound = track(report, "One")[:, 0]
    spectrum = np.abs(np.fft.rfft(sound[: 6 * RATE_HZ] * np.hanning(6 * RATE_HZ)))
    low = slice(6 * 150, 6 * 300)
    loudest_hz = (np.argmax(spectrum[low]) + low.start) / 6
    assert loudest_hz == pytest.approx(220 * 1.02, abs=0.2)
    loud = np.flatnonzero(np.abs(sound) > 0.05)
    assert loud[0] / RATE_HZ == pytest.approx(0.5 / 1.02, abs=0.01)
    assert loud[-1] / RATE_HZ == pytest.approx(6.5 / 1.02, abs=0.02)
    built_as = json.loads((report.release_dir / "report.json").read_text(encoding="utf-8"))
    assert [t["start_frame"] for t in built_as["tracks"]] == [
        place.start_frame for place in promised.discs[0].places
    ]


@pytest.mark.thorough
def test_tracks_on_one_side_segue_without_a_seam(tmp_path: Path, side_file: Path) -> None:
    path = manifest_with(tmp_path, side_file, "{balance: 1, speed: 1 %}")
    text = path.read_text()
    path.write_text(text.replace("end: 10.5", "end: 8").replace("start: 12.5", "start: 8, gap: 0"))
    one_and_two = build(load(path), tmp_path / "out")
    whole = tmp_path / "whole"
    whole.mkdir()
    path = manifest_with(whole, side_file, "{balance: 1, speed: 1 %}")
    text = path.read_text().replace("end: 10.5", "end: 20.5")
    path.write_text(text[: text.index("  - {title: Two")])
    one = build(load(path), whole / "out")
    joined = np.concatenate([track(one_and_two, name) for name in ("One", "Two")])
    alone = track(one, "One")
    np.testing.assert_allclose(joined[: len(alone)], alone, atol=2.0**-22)


@pytest.mark.thorough
def test_silence_is_trimmed_to_the_song(tmp_path: Path, side_file: Path) -> None:
    report = built(tmp_path, side_file, "{trim_silence: yes}")
    content = json.loads((report.release_dir / "report.json").read_text(encoding="utf-8"))
    for track, (begin_s, end_s) in zip(content["tracks"], SONGS, strict=True):
        start_s = track["source"]["start_sample"] / RATE_HZ
        stop_s = track["source"]["end_sample"] / RATE_HZ
        assert begin_s - 0.15 <= start_s <= begin_s
        assert end_s - 0.01 <= stop_s <= end_s + 0.45


@pytest.mark.thorough
def test_the_second_build_takes_the_restored_side_from_the_cache(
    tmp_path: Path, side_file: Path
) -> None:
    first = built(tmp_path, side_file, "{hum: off, balance: 1}")
    digest = hashlib.sha256((first.release_dir / "disc" / "T.wav").read_bytes()).hexdigest()
    path = manifest_with(tmp_path, side_file, "{balance: 1}")  # says the same
    again = build(load(path), tmp_path / "out")
    assert "disc/T.wav" in again.reused
    assert hashlib.sha256((again.release_dir / "disc" / "T.wav").read_bytes()).hexdigest() == digest


@pytest.mark.thorough
def test_the_proof_has_a_clip_of_each_step_left_out(tmp_path: Path, side_file: Path) -> None:
    report = built(tmp_path, side_file, "{dc: remove, balance: auto}")
    names = sorted(path.stem for path in (report.release_dir / "proof" / "sides").iterdir())
    assert names == [
        "side-a - restored",
        "side-a - source",
        "side-a - without balance",
        "side-a - without dc",
    ]
    page = (report.release_dir / "proof" / "index.html").read_text(encoding="utf-8")
    assert all(f"sides/{name.replace(' ', '%20')}.mp3" in page for name in names)
    assert "without the removal of the DC offset" in page  # in words for the artist


def test_an_auto_that_did_nothing_is_reported_at_once(
    tmp_path: Path, side_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One channel of noise, one of song: they share nothing that says a balance or an azimuth."""
    sound, _ = soundfile.read(side_file)
    sound[:, 1] = 0.05 * np.random.default_rng(2).standard_normal(len(sound))
    wide = tmp_path / "wide.wav"
    soundfile.write(wide, sound, RATE_HZ, "PCM_24")
    path = manifest_with(tmp_path, wide, "{azimuth: auto, balance: auto}")
    assert main(["build", str(path), "--out", str(tmp_path / "out")]) == 0
    shown = " ".join(" ".join(capsys.readouterr()).split())
    for step in ("azimuth", "balance"):
        text = f"{step} not determined, so it was left unchanged: the channels share too little"
        assert text in shown
    text = (tmp_path / "out" / "T" / "report.txt").read_text(encoding="utf-8")
    assert "not determined" in text
    assert "balance, left unchanged: the channels share too little sound" in text


@pytest.mark.thorough
def test_dropouts_are_named_and_repaired(tmp_path: Path, side_file: Path) -> None:
    for number, restoration in enumerate(("off", "{dropouts: repair}")):
        folder = tmp_path / str(number)
        folder.mkdir()
        report = built(folder, side_file, restoration)
        dropouts: Any = side_of(report)["dropouts"]
        (dropout,) = dropouts
        assert dropout["at_s"] == pytest.approx(DROPOUT_S, abs=0.02)
        assert dropout["channel"] == "right"
        named = r"1 dropout: 0:0[78]\.\d\d right, \d+ dB for \d+ ms"
        for file in ("report.txt", "proof/index.html"):
            assert re.search(named, (report.release_dir / file).read_text(encoding="utf-8"))
        steps: Any = side_of(report)["steps"]
    (step,) = steps
    assert step["done"] == "1 dropout found, repaired where possible"
    assert (step["measure"], step["before"], step["after"]) == ("dropouts", 1, 0)


@pytest.mark.thorough
def test_verbs_say_the_direction_and_numbers_have_no_sign(tmp_path: Path, side_file: Path) -> None:
    report = built(tmp_path, side_file, "{dc: remove, azimuth: -20, balance: -1.2, speed: -0.5 %}")
    steps = [step["done"] for step in side_of(report)["steps"]]  # type: ignore[attr-defined]
    assert re.fullmatch(
        r"DC offset removed: left [+−]0\.00\d %, right \+0\.40\d % of full scale", steps[0]
    )
    assert steps[1:] == [
        "right channel delayed by 20.0 µs",
        "left lowered by 1.20 dB against right",
        "slowed by 0.500 %, pitch and tempo together",
    ]
    text = (report.release_dir / "report.txt").read_text(encoding="utf-8")
    assert "left lowered by 1.20 dB against right" in text


@pytest.mark.thorough
def test_noise_is_measured_before_and_after_in_the_same_way(
    tmp_path: Path, side_file: Path
) -> None:
    """8 dB read as 8 dB, with other steps around; the level is that of numpy above the hum."""
    report = built(tmp_path, side_file, "{dc: remove, noise: {from: 0.5, to: 3.5, reduction: 8}}")
    (step,) = [s for s in side_of(report)["steps"] if s["step"] == "noise"]  # type: ignore[attr-defined]
    sound, _ = soundfile.read(side_file, start=round(0.5 * RATE_HZ), frames=3 * RATE_HZ)
    assert step["before"] == pytest.approx(10 * np.log10(sound.var(axis=0).mean()), abs=0.2)
    assert step["before"] - step["after"] == pytest.approx(8, abs=0.1)


@pytest.mark.parametrize(
    ("restoration", "code", "severity"),
    [
        ("{noise: {from: 1, to: 90}}", "noise-past-end", "error"),
        ("{hum: {mains: 60}}", "restoration-unresolved", "warning"),
    ],
)
def test_what_can_not_be_restored_is_reported(
    tmp_path: Path, side_file: Path, capsys: pytest.CaptureFixture[str], restoration: str,
    code: str, severity: str,
) -> None:  # fmt: skip
    path = manifest_with(tmp_path, side_file, restoration)
    exit_code = main(["build", str(path), "--out", str(tmp_path / "out"), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert exit_code == (1 if severity == "error" else 0)
    found = [f for f in document["findings"] if f["code"] == code]
    assert [(f["severity"], f["line"]) for f in found] == [(severity, 5)]


@pytest.mark.thorough
def test_a_step_that_was_left_is_no_step_of_a_track(tmp_path: Path, side_file: Path) -> None:
    report = built(tmp_path, side_file, "{dc: remove, hum: {mains: 60}}")
    lines = (report.release_dir / "report.txt").read_text(encoding="utf-8").splitlines()
    of_track = [line.split(maxsplit=1)[1] for line in lines if line.startswith("    side ")]
    assert of_track == ["side-a; restoration: dc"] * 2
    page = (report.release_dir / "proof" / "index.html").read_text(encoding="utf-8")
    left = (
        "<p>Not determined, so left unchanged: hum (no hum at that mains frequency was found).</p>"
    )
    assert page.count(left) == page.count("left unchanged") == 1


def test_a_side_without_tracks_is_named(tmp_path: Path, side_file: Path) -> None:
    path = manifest_with(tmp_path, side_file, "off")
    path.write_text(
        path.read_text().replace("transfers:\n", "transfers:\n  other: {file: no.wav}\n")
    )
    report = check(load(path))
    assert report.ok
    assert [f.where for f in report.findings if f.code == "unused-side"] == ["transfers.other"]
