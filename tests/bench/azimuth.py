"""Azimuth that wanders, followed: python tests/bench/azimuth.py [--below-6-khz]

Not a test: prints what mono loses between 8 and 14 kHz (mean over the seconds of a piece, dB) on
tapes made from undamaged music: as they are, with one delay for the side (`azimuth: auto`) and
followed (`azimuth: follow`), each as far as it is determined; how far the path is from the truth
(µs RMS); then what follows from the undamaged pieces themselves. It runs for some minutes.

Debian's pieces are Vorbis and MP3, whose coding makes both channels alike above about 6 kHz, which
no tape does. With --below-6-khz the delays are read from the sound below that alone.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.signal import butter, sosfiltfilt

sys.path.insert(0, str(Path(__file__).parents[1]))
from excerpts import EXCERPTS, MADE, Excerpt, music
from restoration.faulty_music import hiss, in_blocks, joined
from restoration.wandering_tapes import COURSES, Course, mono_loss_db, none, path_error_us, tape

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.stereo.channels import ChannelMeter
from assembler.restoration.analysis.stereo.delay_path import (
    AUDIBLE_US,
    DelayPathMeter,
    DelayPathReading,
)
from assembler.restoration.repair.delay import align_channels, follow_delay


def readings(sound: Samples, rate_hz: int) -> tuple[float | None, DelayPathReading]:
    """Return the delay of the side, and the delay over time."""
    meters = ChannelMeter(rate_hz), DelayPathMeter(rate_hz)
    for block in in_blocks(sound):
        for meter in meters:
            meter.feed(block)
    channels, path = (meter.reading() for meter in meters)
    return channels.delay_us, path


def below_6_khz(sound: Samples, rate_hz: int) -> Samples:
    """Return the sound without its treble, over hiss."""
    sos = butter(12, 5800, fs=rate_hz, output="sos")
    return (sosfiltfilt(sos, sound, axis=0) + hiss(len(sound), -80, 1)).astype(np.float32)


def row(excerpt: Excerpt, course: Course) -> tuple[float, float, float]:
    """Measure one tape, print its row, and return the three losses."""
    samples, rate_hz = music(excerpt)
    damaged = tape(samples, rate_hz, course)
    heard = below_6_khz(damaged, rate_hz) if "--below-6-khz" in sys.argv else damaged
    delay_us, path = readings(heard, rate_hz)
    aligned = joined(align_channels(in_blocks(damaged), rate_hz, delay_us or 0.0))
    followed = damaged
    if abs(path.largest_us) >= AUDIBLE_US:
        followed = joined(follow_delay(in_blocks(damaged), rate_hz, path.delays_us, 0))
    before, constant, after = (
        mono_loss_db(samples, sound, rate_hz) for sound in (damaged, aligned, followed)
    )
    error_us = path_error_us(path, len(samples) / rate_hz, course) if path.delays_us else np.nan
    note = path.reason or f"{100 * path.agreement:.0f} % agree"
    name = f"{excerpt!s:24} {course.__name__:6}"
    print(f"{name} {before:7.2f} {constant:7.2f} {after:7.2f} {error_us:7.2f}  {note}", flush=True)
    return before, constant, after


def main() -> None:
    """Measure, and print."""
    print(f"{'piece':24} {'tape':6} {'as is':>7} {'auto':>7} {'follow':>7} {'RMS µs':>7}")
    for course in (*COURSES, none):
        for sort, pieces in (("made by code", MADE), ("Debian's", EXCERPTS)):
            losses = np.mean([row(piece, course) for piece in pieces], axis=0)
            means = " ".join(f"{loss:7.2f}" for loss in losses)
            print(f"{'mean, ' + sort:24} {course.__name__:6} {means}\n")


if __name__ == "__main__":
    main()
