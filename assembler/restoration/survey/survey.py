"""Survey a transfer: measure a side in one pass and find its faults."""

from __future__ import annotations

from dataclasses import asdict
from functools import cached_property
from typing import Any

from assembler.audio import Recording
from assembler.dsp.decibels import rounded
from assembler.restoration.analysis.bandwidth import SpectrumMeter
from assembler.restoration.analysis.clicks import ClickReading
from assembler.restoration.analysis.low_sound import LowSoundMeter
from assembler.restoration.analysis.resolution import CHANNELS, BitDepthMeter, BitDepthReading
from assembler.restoration.analysis.speed import ToneMeter, speed_from_hum
from assembler.restoration.analysis.stereo.channels import SECTION_S, ChannelReading
from assembler.restoration.analysis.stereo.delay_path import PATH_STEP_S, DelayPathReading
from assembler.restoration.condition import Condition, condition_meters
from assembler.restoration.measuring import read_side
from assembler.restoration.survey.paste import restoration_section
from assembler.restoration.survey.readings import SideReadings
from assembler.restoration.survey.remedies import SideFinding, findings_of

MOST_LISTED = 200
"""Most clicks, clipped places or dropouts that are listed one by one."""


class Survey(SideReadings):
    """Readings of a side with its faults and remedies."""

    @cached_property
    def findings(self) -> tuple[SideFinding, ...]:
        """The faults, each with its remedy."""
        return findings_of(self)

    @property
    def condition(self) -> Condition:
        """What restoration is resolved from."""
        return Condition(
            self.channels,
            self.hum,
            self.dropouts,
            self.delay_path,
            self.wow,
            self.clicks.per_minute,
            self.clicks.thump_peaks,
            self.tonal_balance,
            self.programme.begins_s,
        )

    @property
    def restoration(self) -> str:
        """The `restoration:` section to paste, see `restoration_section`."""
        return restoration_section(self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the survey as plain data for ``--json``; None where a value is not determined."""
        return {
            "files": list(self.files),
            "sample_rate_hz": self.rate_hz,
            "bits": self.bits,
            "bits_used": list(self.pcm.bits_used),
            "duration_s": round(self.length_s, 6),
            "begins_s": rounded(self.programme.begins_s),
            "ends_s": rounded(self.programme.ends_s),
            "noise_floor_dbfs": rounded(self.noise_floor_dbfs),
            "noise_alone_s": self.noise_alone_s,
            "peak_dbfs": [rounded(peak) for peak in self.pcm.peak_dbfs],
            "clipped": _clipped(self.pcm),
            "channels": {**_channels(self.channels), "offset_path": _path(self.delay_path)},
            "hum": asdict(self.hum),
            "clicks": _clicks(self.clicks, self.rate_hz),
            "dropouts": [dropout.as_json() for dropout in self.dropouts[:MOST_LISTED]],
            "speed": self.speed and asdict(self.speed),
            "wow_and_flutter": _wow_and_flutter(self),
            "tuning": {
                "a_hz": rounded(self.tuning.a_hz),
                "cents": rounded(self.tuning.cents),
                "tones": self.tuning.tones,
                "share": rounded(self.tuning.share),
                "why": self.tuning.reason,
            },
            "rumble": {
                "level_dbfs": rounded(self.rumble.level_dbfs),
                "why": self.rumble.reason,
                "high_pass_hz": self.rumble.high_pass_hz,
                "lowered_db": rounded(self.rumble.lowered_db),
            },
            "print_through": {
                "pre_echoes": [asdict(echo) for echo in self.print_through.echoes],
                "onsets": self.print_through.onsets,
                "lag_s": rounded(self.print_through.lag_s),
                "why": self.print_through.reason,
            },
            "bandwidth": {
                "ends_hz": rounded(self.bandwidth.ends_hz),
                "cliff_hz": rounded(self.bandwidth.cliff_hz),
            },
            "findings": [finding.as_json() for finding in self.findings],
            "restoration": self.restoration,
        }


def _clipped(pcm: BitDepthReading) -> dict[str, Any]:
    places = [
        {"channel": place.channel, "at_s": place.at_s, "crests": place.peaks}
        for place in pcm.clipped[:MOST_LISTED]
    ]
    longest = pcm.longest_samples
    return {"crests": pcm.clipped_peaks, "longest_samples": longest, "places": places}


def _channels(channels: ChannelReading) -> dict[str, Any]:
    return {
        "balance_db": rounded(channels.balance_db),
        "balance_why": channels.balance_reason,
        "polarity": channels.polarity,
        "polarity_why": channels.polarity_reason,
        "correlation": rounded(channels.correlation),
        "offset_us": rounded(channels.delay_us),
        "offset_why": channels.delay_reason,
        "drift_us": rounded(channels.drift_us),
        "identical": channels.identical,
        "dead": channels.dead,
        "dc": [round(value, 7) for value in channels.dc],
        "rms_dbfs": [rounded(value) for value in channels.rms_dbfs],
        "course_s": SECTION_S,
        "balance_course_db": [rounded(value) for value in channels.section_balances_db],
        "offset_course_us": [rounded(value) for value in channels.section_delays_us],
    }


def _wow_and_flutter(side: Survey) -> dict[str, Any]:
    wow, cyclic, tone = side.wow, side.wow.cyclic, side.speed and side.speed.flutter
    return {
        "percent": round(wow.percent, 4) if cyclic else None,
        "weighted_percent": round(wow.weighted_percent, 4) if cyclic else None,
        "hz": round(cyclic.hz, 4) if cyclic else None,
        "tones": wow.partials,
        "agreement": rounded(wow.agreement),
        "why": wow.reason,
        "not_corrected_why": wow.refusal,
        "of_tone": tone and asdict(tone),
    }


def _path(path: DelayPathReading) -> dict[str, Any]:
    return {
        "span_us": None if path.reason else path.span_us,
        "agreement": None if path.reason else path.agreement,
        "why": path.reason,
        "step_s": PATH_STEP_S,
        "delays_us": path.delays_us,
    }


def _clicks(clicks: ClickReading, rate_hz: int) -> dict[str, Any]:
    places = [
        {"channel": CHANNELS[click.channel], "at_s": round(click.start_sample / rate_hz, 6)}
        for click in clicks.clicks[:MOST_LISTED]
    ]
    return {"count": clicks.count, "per_minute": rounded(clicks.per_minute), "places": places}


def survey(recording: Recording, *, jobs: int | None = None) -> Survey:
    """Survey a side from end to end: one pass, every meter fed from the same blocks.

    Parameters
    ----------
    recording
        The side, which is only read.
    jobs
        How many meters run at once; by default as many as there are cores.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    rate_hz, frames = recording.rate_hz, recording.frames
    meters = {
        **condition_meters(rate_hz),
        "bandwidth": SpectrumMeter(rate_hz, frames),
        "speed": ToneMeter(rate_hz),
        "low": LowSoundMeter(rate_hz),
        "pcm": BitDepthMeter(rate_hz, frames, recording.bits),
    }
    readings = read_side(recording, meters, jobs)
    readings["speed"] = readings["speed"] or speed_from_hum(readings["hum"])
    files = tuple(file.path.name for file in recording.source_files)
    return Survey(files, rate_hz, frames, recording.bits, recording.is_mono, **readings)
