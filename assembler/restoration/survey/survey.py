"""What is wrong with a transfer: one pass over a side, all meters fed from the same blocks."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import asdict, dataclass
from functools import cached_property
from itertools import islice
from pathlib import PurePath
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from assembler.audio import Recording
from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import rounded
from assembler.restoration.analysis.bandwidth import BandwidthReading, SpectrumMeter
from assembler.restoration.analysis.channels import COURSE_S, ChannelMeter, ChannelReading
from assembler.restoration.analysis.dropouts import DropoutMeter, DropoutReading
from assembler.restoration.analysis.hum import HumMeter, HumReading
from assembler.restoration.analysis.noise_floor import LOWEST_DB
from assembler.restoration.analysis.programme import (
    STEP_S,
    WEIGHTED_HZ,
    ProgrammeMeter,
    ProgrammeReading,
)
from assembler.restoration.analysis.resolution import CHANNELS, BitDepthMeter, BitDepthReading
from assembler.restoration.analysis.speed import SpeedReading, ToneMeter, speed_from_hum
from assembler.restoration.repair.clicks import ClickMeter, ClickReading
from assembler.restoration.survey.paste import mend_section
from assembler.restoration.survey.remedies import SideFinding, findings_of
from assembler.workers import own_workers, result_of

BATCH_BLOCKS = 8
"""Handed to each meter at once: some megabytes, so that the meters seldom wait for each other."""
MOST_TOLD = 200
"""So many clicks, clipped places or dropouts are listed one by one."""
LOUD_PERCENT = 95
LEAST_OF_FLOOR = 0.1
"""Hum is taken off the floor as power, but what is left can't be told below this share."""
EDGE_S = 0.3
"""Kept clear of the file's ends and of the programme: switching, handling, the first breath."""
NOISE_LEAST_S, NOISE_MOST_S = 1.0, 10.0
NOISE_EVEN_DB = 3.0
"""Steps of 10 ms of noise alone stay within this of each other (common practice)."""


@dataclass(frozen=True, eq=False)
class Survey:
    """How a side is, before anything is done to it.

    Attributes
    ----------
    files
        Names of its files: one, or left and right.
    rate_hz, frames
        Sample rate and length.
    bits
        Width of the files' words; None for float and lossy coding.
    mono
        One file of one channel: what is compared between channels says nothing.
    words, channels, hum, clicks, dropouts, programme, bandwidth
        Readings of the meters.
    speed
        From a reference tone, else from the hum; None if neither tells it.
    """

    files: tuple[str, ...]
    rate_hz: int
    frames: int
    bits: int | None
    mono: bool
    words: BitDepthReading
    channels: ChannelReading
    hum: HumReading
    clicks: ClickReading
    dropouts: DropoutReading
    programme: ProgrammeReading
    bandwidth: BandwidthReading
    speed: SpeedReading | None

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz

    @cached_property
    def noise_alone_s(self) -> tuple[float, float] | None:
        """From and to in seconds, where there is tape noise and nothing else, to learn it from."""
        return noise_alone(self.programme)

    @cached_property
    def loud_db(self) -> float:
        """Level of the loud places, in the measure of the noise floor."""
        reading = self.programme
        levels_db = reading.levels_db
        if reading.begins_s is not None and reading.ends_s is not None:
            levels_db = levels_db[int(reading.begins_s / STEP_S) : int(reading.ends_s / STEP_S) + 1]
        return float(np.percentile(levels_db, LOUD_PERCENT)) if len(levels_db) else LOWEST_DB

    @cached_property
    def noise_floor_dbfs(self) -> float:
        """The noise floor above `WEIGHTED_HZ`, without the hum that lies there."""
        floor = 10 ** (self.programme.floor_db / 10)
        hum = sum(
            10 ** (harmonic.dbfs / 10) / 2 / (1 + (WEIGHTED_HZ / harmonic.hz) ** 8)
            for harmonic in self.hum.harmonics
        )
        return 10 * math.log10(max(floor - hum, LEAST_OF_FLOOR * floor))

    @property
    def names_swapped(self) -> bool:
        """The left file's name ends as a right one's, and the right one's as a left one's."""
        return [_channel_named(name) for name in self.files] == ["right", "left"]

    @cached_property
    def findings(self) -> tuple[SideFinding, ...]:
        """What is wrong, what to do about it."""
        return findings_of(self)

    @property
    def restoration(self) -> str:
        """The `restoration:` section to paste, see `mend_section`."""
        return mend_section(self.findings)

    def as_json(self) -> dict[str, Any]:
        """Give the survey as plain data for ``--json``; None where there is nothing to tell."""
        return {
            "files": list(self.files),
            "sample_rate_hz": self.rate_hz,
            "bits": self.bits,
            "bits_used": list(self.words.bits_used),
            "duration_s": round(self.length_s, 6),
            "begins_s": rounded(self.programme.begins_s),
            "ends_s": rounded(self.programme.ends_s),
            "noise_floor_dbfs": rounded(self.noise_floor_dbfs),
            "noise_alone_s": self.noise_alone_s,
            "peak_dbfs": [rounded(peak) for peak in self.words.peak_dbfs],
            "clipped": _clipped(self.words),
            "channels": _channels(self.channels),
            "hum": asdict(self.hum),
            "clicks": _clicks(self.clicks, self.rate_hz),
            "dropouts": [dropout.as_json() for dropout in self.dropouts.dropouts[:MOST_TOLD]],
            "speed": self.speed and asdict(self.speed),
            "bandwidth": {
                "ends_hz": rounded(self.bandwidth.ends_hz),
                "cliff_hz": rounded(self.bandwidth.cliff_hz),
            },
            "findings": [finding.as_json() for finding in self.findings],
            "restoration": self.restoration,
        }


def _clipped(words: BitDepthReading) -> dict[str, Any]:
    places = [asdict(place) for place in words.clipped[:MOST_TOLD]]
    longest = words.longest_samples
    return {"crests": words.clipped_crests, "longest_samples": longest, "places": places}


def _channels(channels: ChannelReading) -> dict[str, Any]:
    told = asdict(channels)
    courses = {
        key: [rounded(value) for value in told.pop(key)]
        for key in ("balance_course_db", "offset_course_us")
    }
    dc = [round(value, 7) for value in told.pop("dc")]
    rms = [rounded(value) for value in told.pop("rms_dbfs")]
    plain = {k: rounded(v) if isinstance(v, float) else v for k, v in told.items()}
    return {**plain, "dc": dc, "rms_dbfs": rms, "course_s": COURSE_S, **courses}


def _clicks(clicks: ClickReading, rate_hz: int) -> dict[str, Any]:
    places = [
        {"channel": CHANNELS[click.channel], "at_s": round(click.start_sample / rate_hz, 6)}
        for click in clicks.clicks[:MOST_TOLD]
    ]
    return {"count": clicks.count, "per_minute": rounded(clicks.per_minute), "places": places}


def _channel_named(file: str) -> str | None:
    """Tell which channel a file is by the end of its name: side-a-R.wav, A_left.wav, 1L.wav."""
    stem = PurePath(file).stem.lower()
    for channel in CHANNELS:
        if stem.endswith(channel) or re.fullmatch(rf"(.*[^a-z])?{channel[0]}", stem):
            return channel
    return None


def noise_alone(programme: ProgrammeReading) -> tuple[float, float] | None:
    """Find the longest even stretch of noise before the programme, else after it.

    Returns
    -------
    tuple of float or None
        From and to in seconds, `NOISE_MOST_S` apart at most; None where none is long enough, where
        it is not at the noise floor, and where there is digital silence.
    """
    if programme.begins_s is None or programme.ends_s is None:
        return None
    for begin_s, end_s in (
        (EDGE_S, programme.begins_s - EDGE_S),
        (programme.ends_s + EDGE_S, programme.length_s - EDGE_S),
    ):
        first, last = (max(0, int(time_s / STEP_S)) for time_s in (begin_s, end_s))
        levels_db = programme.levels_db[first:last]
        if not len(levels_db):
            continue
        middle_db = float(np.median(levels_db))
        at_floor = LOWEST_DB + 1 < middle_db < programme.floor_db + NOISE_EVEN_DB
        start, count = _longest_run(np.abs(levels_db - middle_db) < NOISE_EVEN_DB)
        if at_floor and count * STEP_S >= NOISE_LEAST_S:
            begin = round((first + start) * STEP_S, 2)
            return begin, round(begin + min(count * STEP_S, NOISE_MOST_S), 2)
    return None


def _longest_run(holds: NDArray[np.bool_]) -> tuple[int, int]:
    """Give where the longest run of what holds starts, and its length."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], holds, [False]))))
    if not len(edges):
        return 0, 0
    lengths = edges[1::2] - edges[::2]
    longest = int(lengths.argmax())
    return int(edges[2 * longest]), int(lengths[longest])


class _Meter(Protocol):
    def feed(self, block: Samples, /) -> None: ...


def survey(recording: Recording, *, jobs: int | None = None) -> Survey:
    """Look over a side from end to end.

    Parameters
    ----------
    recording
        The side, which is only read.
    jobs
        How many meters work side by side; as many as there are cores if not given.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    rate_hz, frames = recording.rate_hz, recording.frames
    words = BitDepthMeter(rate_hz, frames, recording.bits)
    spectrum = SpectrumMeter(rate_hz, frames)
    channels, hum, tone = ChannelMeter(rate_hz), HumMeter(rate_hz), ToneMeter(rate_hz)
    clicks, dropouts = ClickMeter(rate_hz), DropoutMeter(rate_hz)
    programme = ProgrammeMeter(rate_hz)
    slowest_first = (clicks, channels, spectrum, programme, dropouts, hum, tone, words)
    with own_workers(jobs) as pool:
        _feed(slowest_first, recording, pool)
    hum_reading = hum.reading()
    return Survey(
        files=tuple(file.path.name for file in recording.source_files),
        rate_hz=rate_hz,
        frames=frames,
        bits=recording.bits,
        mono=recording.is_mono,
        words=words.reading(),
        channels=channels.reading(),
        hum=hum_reading,
        clicks=clicks.reading(),
        dropouts=dropouts.reading(),
        programme=programme.reading(),
        bandwidth=spectrum.reading(),
        speed=tone.reading() or speed_from_hum(hum_reading),
    )


def _feed(meters: Sequence[_Meter], recording: Recording, pool: Executor) -> None:
    """Read a side once; each meter takes the blocks in order, while the next ones are read."""
    blocks = recording.blocks(0, recording.frames)
    batch = list(islice(blocks, BATCH_BLOCKS))
    while batch:
        read = pool.submit(lambda: list(islice(blocks, BATCH_BLOCKS)))
        for work in [pool.submit(_feed_one, meter, batch) for meter in meters]:
            result_of(work)
        batch = result_of(read)


def _feed_one(meter: _Meter, batch: Sequence[Samples]) -> None:
    for block in batch:
        meter.feed(block)
