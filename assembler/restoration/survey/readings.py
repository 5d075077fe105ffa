"""Readings of a side: what all meters measured on it, and what follows from several of them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cached_property
from pathlib import PurePath

import numpy as np
from numpy.typing import NDArray

from assembler.restoration.analysis.bandwidth import BandwidthReading
from assembler.restoration.analysis.clicks import ClickReading
from assembler.restoration.analysis.dropouts import Dropout
from assembler.restoration.analysis.hum import HumReading
from assembler.restoration.analysis.low_sound import LowSound
from assembler.restoration.analysis.noise_floor import LOWEST_DB, runs
from assembler.restoration.analysis.partials import Partials
from assembler.restoration.analysis.print_through import PrintThroughReading, print_through_of
from assembler.restoration.analysis.programme import STEP_S, WEIGHTED_HZ, ProgrammeReading
from assembler.restoration.analysis.resolution import CHANNELS, BitDepthReading
from assembler.restoration.analysis.rumble import RumbleReading, rumble_of
from assembler.restoration.analysis.speed import SpeedReading
from assembler.restoration.analysis.stereo.channels import ChannelReading
from assembler.restoration.analysis.stereo.delay_path import DelayPathReading
from assembler.restoration.analysis.tonal_balance import TonalBalanceReading
from assembler.restoration.analysis.tuning import TuningReading, tuning_of
from assembler.restoration.analysis.wow import WowReading, wow_of

LOUD_PERCENT = 95
LEAST_FLOOR_SHARE = 0.1
"""The power of the hum is subtracted from that of the floor; less than this share is not
determined."""
EDGE_S = 0.3
"""Left out at the ends of the file and next to the programme: switching, handling, breaths."""
NOISE_LEAST_S, NOISE_MOST_S = 1.0, 10.0
NOISE_EVEN_DB = 3.0
"""Steps of 10 ms of noise alone stay within this of each other. Tuned empirically on transfers."""


@dataclass(frozen=True, eq=False)
class SideReadings:
    """What was measured on a side, before restoration."""

    files: tuple[str, ...]
    """Names of its files: one, or left and right."""
    rate_hz: int
    frames: int
    bits: int | None
    """Word length of the files; None for float and lossy coding."""
    mono: bool
    """One file of one channel: comparisons between channels mean nothing."""
    pcm: BitDepthReading
    channels: ChannelReading
    delay_path: DelayPathReading
    hum: HumReading
    clicks: ClickReading
    dropouts: tuple[Dropout, ...]
    programme: ProgrammeReading
    bandwidth: BandwidthReading
    speed: SpeedReading | None
    """From a reference tone, else from the hum; None without either."""
    low: LowSound
    """Its lowest frequencies."""
    partials: Partials
    """Its steady tones over time."""
    tonal_balance: TonalBalanceReading

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz

    @cached_property
    def noise_alone_s(self) -> tuple[float, float] | None:
        """Start and end in seconds of a passage of tape noise alone, for the noise print."""
        return noise_passage(self.programme)

    @cached_property
    def loud_db(self) -> float:
        """Level of the loud passages, measured as the noise floor is."""
        reading = self.programme
        levels_db = reading.levels_db
        if reading.begins_s is not None and reading.ends_s is not None:
            levels_db = levels_db[int(reading.begins_s / STEP_S) : int(reading.ends_s / STEP_S) + 1]
        return float(np.percentile(levels_db, LOUD_PERCENT)) if len(levels_db) else LOWEST_DB

    @cached_property
    def noise_floor_dbfs(self) -> float:
        """Noise floor above `WEIGHTED_HZ`, without hum."""
        floor = 10 ** (self.programme.floor_db / 10)
        hum = sum(
            10 ** (harmonic.dbfs / 10) / 2 / (1 + (WEIGHTED_HZ / harmonic.hz) ** 8)
            for harmonic in self.hum.harmonics
            if self.hum.is_on_whole_side
        )
        return 10 * math.log10(max(floor - hum, LEAST_FLOOR_SHARE * floor))

    @cached_property
    def rumble(self) -> RumbleReading:
        """What sounds below 25 Hz in the pauses."""
        return rumble_of(self.low, self.programme, self.loud_db)

    @cached_property
    def print_through(self) -> PrintThroughReading:
        """Pre-echoes of loud onsets."""
        return print_through_of(self.low, self.programme)

    @cached_property
    def wow(self) -> WowReading:
        """Cyclic wow in the music."""
        return wow_of(self.partials)

    @cached_property
    def tuning(self) -> TuningReading:
        """Tuning of the music's long tones."""
        return tuning_of(self.partials)

    @property
    def names_swapped(self) -> bool:
        """The name of the left file ends like one of a right channel, and the other way round."""
        return [_channel_of_name(name) for name in self.files] == ["right", "left"]


def _channel_of_name(file: str) -> str | None:
    """Return the channel at the end of a file name: side-a-R.wav, A_left.wav, 1L.wav."""
    stem = PurePath(file).stem.lower()
    for channel in CHANNELS:
        if stem.endswith(channel) or re.fullmatch(rf"(.*[^a-z])?{channel[0]}", stem):
            return channel
    return None


def noise_passage(programme: ProgrammeReading) -> tuple[float, float] | None:
    """Find the longest even passage of noise before the programme, else after it.

    Returns
    -------
    tuple of float or None
        Start and end in seconds, at most `NOISE_MOST_S` apart; None if every such passage is too
        short, above the noise floor, or digital silence.
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


def _longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    """Return the start and the length of the longest run of True."""
    spans = runs(flags)
    if not len(spans):
        return 0, 0
    lengths = spans[:, 1] - spans[:, 0]
    longest = int(lengths.argmax())
    return int(spans[longest, 0]), int(lengths[longest])
