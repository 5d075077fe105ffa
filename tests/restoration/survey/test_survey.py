"""A side with known faults has its findings; a clean one has none; odd input has a plain finding.

The faults are added by formula, so every value is known. Noise is white: N dBFS of it measure
10 log10(1 − 130/24000) = −0.02 dB less through the floor's high pass at 130 Hz.
"""

from __future__ import annotations

import functools
import io
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml
from numpy.typing import NDArray

from assembler.audio import open_recording
from assembler.commands.console import survey as console_survey
from assembler.commands.console.rich_console import PlainConsole
from assembler.commands.console.survey import print_survey
from assembler.manifest.transfers import Restoration, Transfer
from assembler.restoration.analysis.dropouts import Dropout
from assembler.restoration.analysis.resolution import ClippedPlace
from assembler.restoration.survey.paste import restoration_section, side_entry
from assembler.restoration.survey.remedies import SideFinding
from assembler.restoration.survey.side_picture import write_side_picture
from assembler.restoration.survey.side_places import places_text
from assembler.restoration.survey.survey import Survey, survey

RATE_HZ = 48_000
LEAD_S, TAIL_S = 5, 4
CLICK = 0.5 * np.exp(-np.arange(30) / 6) * np.cos(1.1 * np.arange(30))
Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Faults:
    """Faults of a side; by default only inaudible noise."""

    left_db: float = 0.0
    delay_us: float = 0.0
    hum_hz: float | None = None
    clicks: int = 0
    noise_dbfs: float = -86.0
    dc: tuple[float, float] = (0.0, 0.0)
    bits: int = 24
    inverted_left: bool = False
    clip_at: float | None = None


FAULTY = Faults(-1.8, 60.0, 50.0, 40, -52.0, (0.004, -0.002), 16, True)


@cache
@functools.cache
def music(seconds: int, rate_hz: int = RATE_HZ) -> Sound:
    """Return plucked notes with harmonics up to 16 kHz and a soft attack, most of them centred.

    They are read only: the same for all tests.
    """
    draw = np.random.default_rng(3)
    time_s = np.arange(2 * rate_hz) / rate_hz
    notes = []
    for hz in 220 * 2 ** (np.array([0, 2, 4, 5, 7, 9, 11, 12]) / 12):
        note = 0.05 * draw.normal(size=len(time_s)) * np.exp(-20 * time_s)
        for k in range(1, int(min(16_000, 0.45 * rate_hz) / hz)):
            wave = np.sin(2 * np.pi * k * hz * time_s + draw.uniform(0, 6.28))
            note += wave * k**-1.2 * np.exp(-time_s * (1.5 + 0.1 * k))
        notes.append(note * np.minimum(time_s / 0.008, 1) * np.minimum(2 * (2 - time_s), 1))
    sound = np.zeros((seconds * rate_hz, 2))
    at = 0
    while at < len(sound) - len(time_s):
        note = draw.uniform(0.3, 1) * notes[draw.integers(len(notes))]
        pan = draw.choice([0, 0, 0, 0.35, -0.35])
        sound[at : at + len(note)] += note[:, None] * (1 - pan, 1 + pan)
        at += int(draw.uniform(0.12, 0.5) * rate_hz)
    made = 0.5 * sound / np.abs(sound).max()
    made.setflags(write=False)
    return made


def side_with(faults: Faults, seconds: int = 60) -> Sound:
    """Return music with faults, between a lead-in and a tail of noise alone."""
    draw = np.random.default_rng(5)
    length = (LEAD_S + seconds + TAIL_S) * RATE_HZ
    sound = np.zeros((length, 2))
    first, last = LEAD_S * RATE_HZ, (LEAD_S + seconds) * RATE_HZ
    sound[first:last] = music(seconds)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(length, 1 / RATE_HZ) * faults.delay_us * 1e-6)
    sound[:, 1] = np.fft.irfft(np.fft.rfft(sound[:, 1]) * turn, length)
    sound[:, 0] *= (-1 if faults.inverted_left else 1) * 10 ** (faults.left_db / 20)
    sound += 10 ** (faults.noise_dbfs / 20) * draw.normal(size=sound.shape)
    if faults.hum_hz:
        phase = 2 * np.pi * faults.hum_hz * np.arange(length) / RATE_HZ
        sound += (0.006 * np.sin(phase) + 0.002 * np.sin(3 * phase + 1))[:, None]
    for at in draw.choice(np.arange(first, last - RATE_HZ, 4800), faults.clicks, replace=False):
        sound[at : at + len(CLICK), draw.integers(2)] += CLICK * draw.choice([-1, 1])
    sound += faults.dc
    if faults.clip_at:
        sound = np.clip(sound, -faults.clip_at, faults.clip_at)
    return np.round(sound * 2 ** (faults.bits - 1)) / 2 ** (faults.bits - 1)


def surveyed(folder: Path, *sounds: Sound, name: str = "side-a", rate_hz: int = RATE_HZ) -> Survey:
    """Write a file or a pair at 24 bits and survey it."""
    paths = [folder / f"{name}-{number}.wav" for number in range(len(sounds))]
    for path, sound in zip(paths, sounds, strict=True):
        soundfile.write(path, sound, rate_hz, "PCM_24")
    return survey(open_recording(tuple(paths)), jobs=2)


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Survey:
    return surveyed(tmp_path_factory.mktemp("faulty"), side_with(FAULTY))


def values(side: Survey) -> dict[str, float | str]:
    return {finding.code: finding.value for finding in side.findings}


def test_every_fault_is_found_with_its_value(faulty: Survey) -> None:
    found = values(faulty)
    assert set(found) == {
        *("dc-offset", "polarity-opposite", "clicks", "azimuth-off", "balance-off", "hum"),
        *("noise-high", "short-words"),
    }
    assert found["dc-offset"] == pytest.approx(0.004, abs=1e-4)
    assert found["azimuth-off"] == pytest.approx(60, abs=2)
    assert found["balance-off"] == pytest.approx(-1.8, abs=0.1)
    hum_dbfs = 10 * np.log10(0.006**2 + 0.002**2)
    assert found["hum"] == pytest.approx(hum_dbfs, abs=0.3)
    assert found["short-words"] == 16
    assert faulty.pcm.bits_used == (16, 16)
    assert 38 <= faulty.clicks.count <= 42
    minutes = (LEAD_S + 60 + TAIL_S) / 60
    assert found["clicks"] == pytest.approx(faulty.clicks.count / minutes, rel=1e-6)
    assert faulty.channels.polarity == "opposite"
    assert found["noise-high"] == pytest.approx(-52, abs=0.2)
    assert faulty.programme.begins_s == pytest.approx(LEAD_S, abs=0.1)
    assert faulty.bandwidth.cliff_hz is None


def test_the_lines_to_paste_are_a_restoration_section_with_these_values(faulty: Survey) -> None:
    restoration = Restoration.model_validate(
        yaml.load(faulty.restoration, yaml.BaseLoader)["restoration"]
    )
    assert restoration.dc == "remove"
    assert restoration.invert_polarity == "left"
    assert restoration.declick is not None
    assert restoration.azimuth == pytest.approx(60, abs=2)
    assert restoration.balance == pytest.approx(1.8, abs=0.1)
    assert restoration.hum is not None
    assert (restoration.hum.mains, restoration.hum.harmonics) == (50, 3)
    assert restoration.noise is not None
    assert 0 < restoration.noise.from_ < restoration.noise.to < LEAD_S
    assert restoration.noise.reduction == 8
    assert (restoration.swap_channels, restoration.speed, restoration.cents) == (False, None, None)


def test_a_clean_side_has_no_findings(tmp_path: Path) -> None:
    side = surveyed(tmp_path, side_with(Faults()))
    assert values(side) == {}
    assert side.restoration == ""
    assert side.pcm.bits_used == (24, 24)


@pytest.mark.parametrize(
    "faults",
    [
        pytest.param(Faults(left_db=0.7), marks=pytest.mark.thorough),
        pytest.param(Faults(delay_us=9.0), marks=pytest.mark.thorough),
        Faults(dc=(0.0005, 0.0)),
        Faults(clicks=2),
    ],
    ids=["balance", "azimuth", "dc", "clicks"],
)
def test_inaudible_faults_are_not_findings(tmp_path: Path, faults: Faults) -> None:
    assert values(surveyed(tmp_path, side_with(faults, 30))) == {}


def test_speed_by_the_hum_alone_is_a_guess(tmp_path: Path) -> None:
    """It may be the hum of the deck, which says nothing about the speed of the tape."""
    side = surveyed(tmp_path, side_with(Faults(hum_hz=49.6), 30))
    assert side.speed is not None
    assert side.speed.is_guess
    assert "49.6" in side.speed.how
    found = values(side)
    assert "speed-off" not in found
    assert found["speed-guess"] == pytest.approx(100 * (50 / 49.6 - 1), abs=0.02)
    assert "\n  # speed: +0.8" in side.restoration
    assert "\n  # a guess: " in side.restoration
    restoration = Restoration.model_validate(
        yaml.load(side.restoration, yaml.BaseLoader)["restoration"]
    )
    assert restoration.speed is None
    assert restoration.hum is not None


def test_guesses_alone_are_pasted_as_comments() -> None:
    text = restoration_section(
        [SideFinding("speed-guess", 0.8, "perhaps", "compare", guess="speed: +1 %")]
    )
    assert text.startswith("# restoration:\n# speed: +1 %\n# a guess: perhaps; compare")
    assert yaml.safe_load(text) is None
    assert restoration_section([]) == ""


def test_the_block_is_indented_to_be_pasted_below_transfers(faulty: Survey) -> None:
    entry = side_entry("side: a", ("tapes/a-L.wav", "tapes/a-R.wav"), faulty.restoration)
    transfers = yaml.load("transfers:\n" + entry + "tracks: []\n", yaml.BaseLoader)["transfers"]
    assert list(transfers) == ["side: a"]
    side = Transfer.model_validate(transfers["side: a"])
    assert side.paths == ("tapes/a-L.wav", "tapes/a-R.wav")
    assert side.restoration.balance == pytest.approx(1.8, abs=0.1)
    known = "transfers:\n  side-a:\n    file: a.wav\n" + side_entry(
        "side-a", (), faulty.restoration
    )
    side = Transfer.model_validate(yaml.load(known, yaml.BaseLoader)["transfers"]["side-a"])
    assert side.restoration.dc == "remove"


def test_the_places_of_clicks_and_dropouts_are_listed(faulty: Survey) -> None:
    drop = Dropout(10.5, 0.045, 12.3, 1)
    side = replace(faulty, dropouts=(drop,))
    heading, columns, *lines = places_text("side-a", side).splitlines()
    assert heading.startswith("side-a: side-a-0.wav, 48000 Hz")
    assert columns.split("\t") == ["time", "seconds", "ms", "channel", "fault"]
    rows = [line.split("\t") for line in lines]
    assert "0:10.50\t10.500000\t45.00\tright\tdropout of 12 dB" in lines
    clicks = [row for row in rows if row[4] == "click"]
    assert len(clicks) == faulty.clicks.count
    first = faulty.clicks.clicks[0]
    assert float(clicks[0][1]) == pytest.approx(first.start_sample / RATE_HZ, abs=1e-6)
    assert clicks[0][3] == ("left", "right")[first.channel]
    assert [float(row[1]) for row in rows] == sorted(float(row[1]) for row in rows)


def test_hum_below_the_threshold_of_hearing_is_not_a_finding(tmp_path: Path) -> None:
    quiet = side_with(Faults(), 30)
    hum = 2.5e-4 * np.sin(2 * np.pi * 50 * np.arange(len(quiet)) / RATE_HZ)
    side = surveyed(tmp_path, quiet + hum[:, None])
    # −72 dBFS under loud passages near −20 dBFS played at 85 dB SPL: 33 dB SPL; 44 are audible.
    assert side.hum.nominal_hz == 50
    assert values(side) == {}


def test_clipped_peaks_are_a_finding(tmp_path: Path) -> None:
    side = surveyed(tmp_path, side_with(Faults(clip_at=0.15), 30))
    assert values(side)["clipped"] > 100
    assert side.pcm.peak_dbfs[0] == pytest.approx(20 * np.log10(0.15), abs=1e-3)
    assert "clipped" not in side.restoration


@pytest.mark.parametrize(
    ("left", "right", "hinted"),
    [
        ("side-a-R.wav", "side-a-L.wav", True),
        ("A right.wav", "A left.wav", True),
        ("side-a-L.wav", "side-a-R.wav", False),
        ("choir.wav", "choir-L.wav", False),
        ("BAR.wav", "HAUL.wav", False),
    ],
)
def test_file_names_suggest_swapped_channels(
    faulty: Survey, left: str, right: str, hinted: bool
) -> None:
    side = replace(faulty, files=(left, right))
    assert ("names-swapped" in values(side)) is hinted
    # A value measured before swapping would have the wrong sign after it.
    assert ("azimuth: auto" in side.restoration) is hinted
    assert ("\n  # swap_channels: yes" in side.restoration) is hinted


def test_a_dead_channel_is_the_only_finding(tmp_path: Path) -> None:
    sound = side_with(Faults(), 30)
    side = surveyed(tmp_path, sound * (1, 0))
    assert values(side) == {"channel-dead": "right"}
    assert side.pcm.bits_used == (24, None)


@pytest.mark.thorough
def test_identical_channels_are_a_finding_for_a_pair_and_not_for_mono(
    tmp_path: Path,
) -> None:
    left = side_with(Faults(), 30)[:, :1]
    assert values(surveyed(tmp_path, left, left)) == {"channels-alike": "identical"}
    assert values(surveyed(tmp_path, left, name="mono")) == {}


def talk() -> Sound:
    """Return bursts of coloured noise as long as syllables, with pauses, like a voice."""
    draw = np.random.default_rng(8)
    sound = np.zeros(30 * RATE_HZ)
    at = RATE_HZ
    while at < len(sound) - 2 * RATE_HZ:
        count = int(draw.uniform(0.1, 0.3) * RATE_HZ)
        noise = np.cumsum(draw.normal(size=count))
        noise -= np.linspace(noise[0], noise[-1], count)
        sound[at : at + count] += 0.2 * noise / np.abs(noise).max() * np.hanning(count)
        at += count + int(draw.choice([0.03, 0.05, 0.8]) * RATE_HZ)
    return np.stack((sound, sound), 1) + 1e-4 * draw.normal(size=(len(sound), 2))


ODD_INPUT: dict[str, tuple[Callable[[], Sound], str | None]] = {
    "digital silence": (lambda: np.zeros((10 * RATE_HZ, 2)), "no-sound"),
    "noise": (lambda: 1e-3 * np.random.default_rng(1).normal(size=(10 * RATE_HZ, 2)), "no-sound"),
    "offset": (lambda: np.full((3 * RATE_HZ, 2), 0.1), "dc-offset"),
    "talk": (talk, "noise-high"),
    "three seconds": (lambda: music(30)[: 3 * RATE_HZ], None),
    "three seconds that begin at once": (lambda: music(30)[RATE_HZ : 4 * RATE_HZ], None),
    "one sample": (lambda: np.full((1, 2), 0.25), "no-sound"),
    "a hundred samples": (lambda: np.linspace(-0.5, 0.5, 200).reshape(100, 2), "no-sound"),
    "square wave": (
        lambda: np.sign(np.sin(np.arange(480_000) / 20))[:, None] * (0.9, 0.9),
        "clipped",
    ),
}


@pytest.mark.parametrize("name", ODD_INPUT)
def test_odd_input_has_a_plain_finding(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    sound, expected = ODD_INPUT[name]
    side = surveyed(tmp_path, sound())
    text = json.dumps(side.as_json(), allow_nan=False)
    assert "NaN" not in text
    print_survey(name, side)
    assert "nan" not in capsys.readouterr().out
    write_side_picture(tmp_path / "side.png", name, side)
    assert expected in (*values(side), None)
    if side.restoration:
        Restoration.model_validate(yaml.load(side.restoration, yaml.BaseLoader)["restoration"])


@pytest.mark.thorough
def test_the_number_of_jobs_changes_nothing(tmp_path: Path, faulty: Survey) -> None:
    path = tmp_path / "side-a-0.wav"
    soundfile.write(path, side_with(FAULTY), RATE_HZ, "PCM_24")
    assert survey(open_recording((path,)), jobs=1).as_json() == faulty.as_json()


def test_one_clipped_peak_is_printed_in_the_singular(
    faulty: Survey, capsys: pytest.CaptureFixture[str]
) -> None:
    clipped = (ClippedPlace("left", 3.0, 1),)
    pcm = replace(faulty.pcm, clipped_peaks=1, longest_samples=14, clipped=clipped)
    side = replace(faulty, pcm=pcm)
    print_survey("side-a", side)
    out = capsys.readouterr().out
    assert "clipped             1 peak, longest 14 samples" in out
    assert "1 peak clipped at" in out


def test_the_survey_fits_80_columns(
    faulty: Survey, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    print_survey("side-a", replace(faulty, files=("side-a-L.wav", "side-a-R.wav")))
    out = capsys.readouterr().out
    table, paste = out.split("\n\n", 1)[0], out.split("Paste", 1)[1]
    lines = [*table.splitlines(), *paste.splitlines()]
    assert [line for line in lines if len(line) > 80] == []
    for finding in faulty.findings:
        assert finding.measured in out
        assert finding.restoration is None or finding.restoration in out


def test_remedies_are_wrapped_and_indented_in_a_terminal(
    faulty: Survey, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = io.StringIO()
    console = PlainConsole(file=shown, force_terminal=True, no_color=True, width=60)
    monkeypatch.setattr(console_survey, "new_console", lambda: console)
    remedy = "clean it " * 12
    finding = SideFinding("hum", 1.0, "hum", remedy.strip())
    monkeypatch.setitem(vars(faulty), "findings", (finding,))
    print_survey("side-a", faulty)
    lines = [line for line in shown.getvalue().splitlines() if "clean" in line]
    assert len(lines) > 1
    assert all(line.startswith("  clean") for line in lines)
