"""Findings and remedies of a survey, from readings that are written down and not measured."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import yaml

from assembler.manifest.transfers import Restoration, Transfer
from assembler.restoration.analysis.bandwidth import BandwidthReading, SpectrumCurve
from assembler.restoration.analysis.clicks import Click, ClickReading
from assembler.restoration.analysis.dropouts import Dropout
from assembler.restoration.analysis.flutter import FlutterReading
from assembler.restoration.analysis.hum import Harmonic, HumReading
from assembler.restoration.analysis.low_sound import LowSound, LowSoundMeter
from assembler.restoration.analysis.partials import PartialMeter
from assembler.restoration.analysis.print_through import PreEcho, PrintThroughReading
from assembler.restoration.analysis.programme import ProgrammeReading
from assembler.restoration.analysis.resolution import BitDepthReading, ClippedPlace, LevelCurve
from assembler.restoration.analysis.speed import SpeedReading
from assembler.restoration.analysis.stereo.channels import ChannelReading
from assembler.restoration.analysis.stereo.delay_path import DelayPathReading
from assembler.restoration.analysis.tonal_balance import NO_BALANCE
from assembler.restoration.analysis.tuning import TuningReading
from assembler.restoration.analysis.wow import CyclicWow, WowReading
from assembler.restoration.survey.paste import restoration_section, side_entry
from assembler.restoration.survey.readings import SideReadings
from assembler.restoration.survey.remedies import (
    MOST_PLACES,
    SideFinding,
    audible_harmonics,
    findings_of,
)

BEGINS_S, ENDS_S, LENGTH_S = 4, 56, 60
LOUD_DB = -20.0
CHANNELS = ChannelReading(
    dc=(0.0, 0.0),
    balance_db=0.0,
    section_balances_db=(),
    balance_reason="",
    polarity="same",
    polarity_reason="",
    correlation=0.9,
    delay_us=0.0,
    section_delays_us=(),
    delay_reason="",
    drift_us=0.0,
    identical=False,
    dead=(),
    rms_dbfs=(-20.0, -20.0),
)
STILL = DelayPathReading((0.0, 3.0, -2.0))
PCM = BitDepthReading(
    bits_used=(24, 24),
    peak_dbfs=(-3.0, -3.0),
    clipped_peaks=0,
    longest_samples=0,
    clipped=(),
    levels=LevelCurve(1.0, np.zeros((0, 2)), np.zeros((0, 2))),
)
BANDWIDTH = BandwidthReading(
    18_000.0, None, -40.0, SpectrumCurve(np.zeros(0), np.zeros((0, 0), np.float32))
)


def programme(floor_db: float = -90.0) -> ProgrammeReading:
    """Return a programme at −20 dBFS between two passages of noise alone."""
    levels_db = np.full(100 * LENGTH_S, floor_db, np.float32)
    levels_db[100 * BEGINS_S : 100 * ENDS_S] = LOUD_DB
    return ProgrammeReading(
        levels_db, levels_db, floor_db, floor_db, BEGINS_S, ENDS_S, -3.0, LENGTH_S
    )


CLEAN = SideReadings(
    files=("side-a.wav",),
    rate_hz=48_000,
    frames=48_000 * LENGTH_S,
    bits=24,
    mono=False,
    pcm=PCM,
    channels=CHANNELS,
    delay_path=STILL,
    hum=HumReading(None, None, (), None),
    clicks=ClickReading(0.0, (), 0),
    dropouts=(),
    programme=programme(),
    bandwidth=BANDWIDTH,
    speed=None,
    low=LowSoundMeter(48_000).reading(),
    partials=PartialMeter(48_000).reading(),
    tonal_balance=NO_BALANCE,
)


def channels(**values: Any) -> dict[str, Any]:
    return {"channels": replace(CHANNELS, **values)}


def hum(*dbfs: float) -> dict[str, Any]:
    harmonics = tuple(Harmonic(n, 50.1 * n, level) for n, level in enumerate(dbfs, 1))
    return {"hum": HumReading(50, 50.1, harmonics, -40.0)}


def some_clicks(count: int, per_minute: float) -> dict[str, Any]:
    places = tuple(Click(0, 48_000 * n, 3) for n in range(count))
    return {"clicks": ClickReading(per_minute, places, count)}


def pcm(**values: Any) -> dict[str, Any]:
    return {"pcm": replace(PCM, **values)}


FLUTTER = SpeedReading(0.1, "tone", flutter=FlutterReading(0.21, 0.3, 0.25, 200.0))
CLIPPED = (ClippedPlace("left", 12.0, 5),)
CASES: dict[str, tuple[dict[str, Any], str | None, str | None]] = {
    "clean": ({}, None, None),
    "dc, inaudible": (channels(dc=(0.0009, 0.0)), None, None),
    "dc": (channels(dc=(0.0, -0.0012)), "dc-offset", "dc: remove"),
    "polarity": (
        channels(polarity="opposite", correlation=-0.8),
        "polarity-opposite",
        "invert_polarity: left",
    ),
    "clicks, few": (some_clicks(2, 2.0), None, None),
    "clicks, rare": (some_clicks(3, 0.4), None, None),
    "clicks": (some_clicks(3, 0.5), "clicks", "declick: {strength: 5}"),
    "azimuth, inaudible": (channels(delay_us=14.9), None, None),
    "azimuth, right late": (channels(delay_us=61.2), "azimuth-off", "azimuth: 61"),
    "azimuth, left late": (channels(delay_us=-20.0), "azimuth-off", "azimuth: -20"),
    "azimuth wanders": (
        channels(delay_us=None, drift_us=40.0, delay_reason="sections disagree, from +20 to +60"),
        "azimuth-wanders",
        None,
    ),
    "azimuth wanders, followed": (
        {**channels(delay_us=31.0), "delay_path": DelayPathReading((10.0, 24.9, 40.0))},
        "azimuth-wanders",
        "azimuth: follow",
    ),
    "azimuth, a little drift": (
        {**channels(delay_us=31.0), "delay_path": DelayPathReading((24.0, 31.0, 38.0))},
        "azimuth-off",
        "azimuth: 31",
    ),
    "azimuth, not determined": (channels(delay_us=None, delay_reason="too little"), None, None),
    "balance, inaudible": (channels(balance_db=0.9), None, None),
    "balance, left low": (channels(balance_db=-1.8), "balance-off", "balance: +1.8"),
    "balance, left high": (channels(balance_db=1.25), "balance-off", "balance: -1.2"),
    "hum, inaudible": (hum(-63.0), None, None),
    "hum": (hum(-50.0, -50.0, -75.0), "hum", "hum: {mains: 50, harmonics: 3}"),
    "speed, inaudible": ({"speed": SpeedReading(0.29, "tone")}, None, None),
    "speed, slow": ({"speed": SpeedReading(0.8, "tone")}, "speed-off", "speed: +0.81 %"),
    "speed, fast": ({"speed": SpeedReading(-0.8, "tone")}, "speed-off", "speed: -0.79 %"),
    "flutter of the tone": ({"speed": FLUTTER}, "flutter", None),
    "speed by hum": ({"speed": SpeedReading(0.8, "hum", is_guess=True)}, "speed-guess", None),
    "clipped, few": (pcm(clipped_peaks=9, longest_samples=11, clipped=CLIPPED), None, None),
    "clipped": (pcm(clipped_peaks=10, longest_samples=3, clipped=CLIPPED), "clipped", None),
    "clipped, one long": (
        pcm(clipped_peaks=1, longest_samples=12, clipped=CLIPPED),
        "clipped",
        None,
    ),
    "dropout": ({"dropouts": (Dropout(9.0, 0.1, 14.0, 0),)}, "dropouts", "dropouts: repair"),
    "17 bits": (pcm(bits_used=(17, 17)), None, None),
    "16 of 24 bits": (pcm(bits_used=(16, 16)), "short-words", None),
    "16 of 16 bits": ({**pcm(bits_used=(16, 16)), "bits": 16}, None, None),
    "cut-off": ({"bandwidth": replace(BANDWIDTH, cliff_hz=16_000.0)}, "cut-off", None),
    "cut-off, inaudible": ({"bandwidth": replace(BANDWIDTH, cliff_hz=19_500.0)}, None, None),
    "no treble": (
        {"bandwidth": replace(BANDWIDTH, ends_hz=7000.0, treble_db=-55.0)},
        "treble-missing",
        None,
    ),
    "noisy treble": ({"bandwidth": replace(BANDWIDTH, ends_hz=7000.0)}, None, None),
    "dead channel": (channels(dead=("right",), polarity="opposite"), "channel-dead", None),
    "identical channels": (channels(identical=True, delay_us=50.0), "channels-alike", None),
    "mono file": ({**channels(identical=True, balance_db=3.0), "mono": True}, None, None),
    "no programme": (
        {"programme": replace(programme(), begins_s=None, ends_s=None)},
        "no-sound",
        None,
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_each_reading_has_its_finding_and_its_line(case: str) -> None:
    changes, code, line = CASES[case]
    findings = findings_of(replace(CLEAN, **changes))
    assert [finding.code for finding in findings] == ([code] if code else [])
    for finding in findings:
        assert finding.restoration == line
        assert finding.measured
        assert finding.remedy
        if line:
            section = yaml.load(restoration_section([finding]), yaml.BaseLoader)["restoration"]
            assert Restoration.model_validate(section) != Restoration()


def test_a_wandering_azimuth_is_reported_with_one_range() -> None:
    changes, *_ = CASES["azimuth wanders"]
    (finding,) = findings_of(replace(CLEAN, **changes))
    span = "sections differ in interchannel delay, from +20 to +60"
    assert finding.measured == f"the azimuth wanders: {span}"


@pytest.mark.parametrize(("rumble_dbfs", "hz"), [(-66.0, None), (-64.0, 15)])
def test_rumble_has_its_high_pass_for_the_side(rumble_dbfs: float, hz: int | None) -> None:
    """45 dB below the loud passages it is a finding; the line goes beside `restoration`."""
    low = LowSoundMeter(48_000).reading()
    powers = np.zeros((LENGTH_S, len(low.hz)))
    powers[:, np.abs(low.hz - 10).argmin()] = 10 ** (rumble_dbfs / 10)
    side = replace(CLEAN, low=LowSound(low.rate_hz, low.mono, low.hz, powers))
    findings = findings_of(side)
    assert [finding.code for finding in findings] == (["rumble"] if hz else [])
    text = side_entry("a", ("a.wav",), restoration_section(findings))
    entry = Transfer.model_validate(yaml.load(text, yaml.BaseLoader)["a"])
    assert [(band.shape, band.hz, band.slope) for band in entry.equaliser] == (
        [("high_pass", hz, 24)] if hz else []
    )


def test_print_through_is_reported_with_its_places_and_no_repair() -> None:
    echoes = PreEcho(10.0, 1.1, -45.0), PreEcho(20.0, 1.2, -41.0)
    for found in (echoes, echoes[:1], ()):
        side = replace(CLEAN)
        vars(side)["print_through"] = PrintThroughReading(found, 3)
        findings = findings_of(side)
        assert [one.code for one in findings] == (["print-through"] if len(found) > 1 else [])
        for one in findings:
            where = "pre-echo 1.15 s before 2 of 3 loud onsets"
            assert one.measured == f"print-through: {where}, up to −41 dB re the onset"
            assert np.ravel(one.places) == pytest.approx([8.9, 10, 18.8, 20])
            assert restoration_section(findings) == ""


@pytest.mark.parametrize(
    ("cents", "speed", "line"),
    [
        (-12.0, None, "speed: +0.70 %"),
        (12.0, None, "speed: -0.69 %"),
        (4.0, None, None),
        (-12.0, SpeedReading(0.0, "tone"), None),
        (-12.0, SpeedReading(0.0, "hum", is_guess=True), "speed: +0.70 %"),
        (-12.0, SpeedReading(0.65, "hum", is_guess=True), "speed: +0.65 %"),
    ],
)
def test_a_tuning_is_a_guess_of_the_speed_where_no_tone_shows_it(
    cents: float, speed: SpeedReading | None, line: str | None
) -> None:
    side = replace(CLEAN, speed=speed)
    vars(side)["tuning"] = TuningReading(cents, 0.9, 80)
    findings = findings_of(side)
    assert [one.guess for one in findings] == ([line] if line else [])
    assert [one.restoration for one in findings] == [None] * len(findings)
    assert yaml.safe_load(restoration_section(findings)) is None


def test_wow_is_reported_with_rate_and_depth() -> None:
    side = replace(CLEAN)
    cyclic = CyclicWow(0.556, 5.0, 10.0, (0.003, 0.003), (0.0, 0.0))
    vars(side)["wow"] = WowReading(cyclic, 500, 0.9, 0.99, 0.8)
    (one,) = findings_of(side)
    assert one.code == "wow"
    assert one.measured == "cyclic wow of ±0.30 % at 0.56 Hz, 0.09 % weighted"


@pytest.mark.parametrize(
    ("floor_db", "reduction_db"), [(-81.0, None), (-79.5, 3), (-75.0, 5), (-60.0, 8)]
)
def test_audible_noise_is_reduced_by_3_to_8_db(floor_db: float, reduction_db: int | None) -> None:
    """Loud passages at −20 dBFS are played at 85 dB SPL, so −80 dBFS is at 25 dB SPL."""
    findings = findings_of(replace(CLEAN, programme=programme(floor_db)))
    lines = [finding.restoration for finding in findings]
    line = f"noise: {{from: 0:00.30, to: 0:03.70, reduction: {reduction_db}}}"
    assert lines == ([line] if reduction_db else [])


def test_noise_without_a_passage_of_noise_alone_is_not_a_finding() -> None:
    levels_db = np.full(100 * LENGTH_S, LOUD_DB, np.float32)
    reading = replace(programme(-60.0), levels_db=levels_db, begins_s=0.0, ends_s=LENGTH_S)
    assert findings_of(replace(CLEAN, programme=reading)) == ()


@pytest.mark.parametrize(
    ("dbfs", "highest"), [((-62.0,), 0), ((-60.0,), 1), ((-60.0, -90.0, -75.0), 3)]
)
def test_harmonics_are_audible_above_the_threshold_of_hearing(
    dbfs: tuple[float, ...], highest: int
) -> None:
    """ISO 226: 44.0 dB SPL at 50 Hz, 26.5 at 100, 20.1 at 150; −20 dBFS is 85 dB SPL here."""
    assert audible_harmonics(replace(CLEAN, **hum(*dbfs))) == highest


def test_values_measured_before_swapping_are_left_to_be_measured_again() -> None:
    files = ("side-a-R.wav", "side-a-L.wav")
    findings = findings_of(replace(CLEAN, files=files, **channels(delay_us=60.0, balance_db=-2.0)))
    lines = {finding.code: finding.restoration or finding.guess for finding in findings}
    assert lines == {
        "names-swapped": "swap_channels: yes",
        "azimuth-off": "azimuth: auto",
        "balance-off": "balance: auto",
    }


def test_findings_are_in_the_order_of_repair() -> None:
    changes = {**channels(dc=(0.01, 0.0), delay_us=60.0, balance_db=-2.0), **some_clicks(9, 9.0)}
    codes = [finding.code for finding in findings_of(replace(CLEAN, **changes, **hum(-40.0)))]
    assert codes == ["dc-offset", "clicks", "azimuth-off", "balance-off", "hum"]


def test_plain_data_is_rounded_and_its_places_are_bounded() -> None:
    places = tuple((n + 0.12345, n + 0.5) for n in range(MOST_PLACES + 1))
    data = SideFinding("clicks", 1.23456789, "9 clicks", "declick", places=places).as_json()
    assert data["value"] == 1.2346
    assert data["places"][0] == [0.123, 0.5]
    assert len(data["places"]) == MOST_PLACES
