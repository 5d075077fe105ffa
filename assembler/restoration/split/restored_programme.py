"""Measure the programme of a side without hum, DC offset and hiss, to find songs by.

This needs no restoration and no second pass: lines with hum are left out of the spectrum, and each
band is compared with its noise print.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextvars import copy_context
from dataclasses import replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import decibels
from assembler.restoration.analysis.noise_floor import LEAST_FLOOR_DB, smoothed
from assembler.restoration.analysis.noise_print import (
    FRAME_S,
    WINDOW_S,
    Spectrogram,
    SpectrogramMeter,
    level_without_hum,
    levels_over_print,
)
from assembler.restoration.analysis.programme import (
    STEP_S,
    Averages,
    ProgrammeMeter,
    ProgrammeReading,
)
from assembler.workers import result_of, worker_pool

_READ_HZ = 12_000
_AT_FLOOR_DB = 1.5


def read_programme(blocks: Iterable[Samples], rate_hz: int) -> ProgrammeReading:
    """Measure a side from its first block to its last, without its hum.

    Parameters
    ----------
    blocks, rate_hz
        The side's samples, shape (frames, 2), and its sample rate.
    """
    joined = _divisor(rate_hz)
    averages = Averages(joined)
    programme, spectrum = ProgrammeMeter(rate_hz // joined), SpectrogramMeter(rate_hz // joined)
    peak, frames = 0.0, 0
    stream, context = iter(blocks), copy_context()

    def next_block() -> Samples | None:
        return context.run(lambda: next(stream, None))

    with worker_pool(2) as pool:
        waiting = pool.submit(next_block)
        while (block := result_of(waiting)) is not None:
            waiting = pool.submit(next_block)
            low = averages.feed(block)
            spectra = pool.submit(spectrum.feed, low)
            programme.feed(low)
            frames += len(block)
            peak = max(peak, float(block.max(initial=0.0)), -float(block.min(initial=0.0)))
            result_of(spectra)
    reading = replace(programme.reading(), peak_dbfs=decibels(peak), length_s=frames / rate_hz)
    return _restored(reading, spectrum.reading())


def _divisor(rate_hz: int) -> int:
    """Return the largest factor by which the rate can be divided to an integer low rate."""
    return next(n for n in range(max(1, rate_hz // _READ_HZ), 0, -1) if rate_hz % n == 0)


def _restored(reading: ProgrammeReading, spectrogram: Spectrogram) -> ProgrammeReading:
    """Return a reading with its level without the lines of the hum, and above the noise print.

    The noise print is measured where the side is at its noise floor; a side that never is has none,
    and one with digital silence between its songs needs none.
    """
    steps, frames = len(reading.levels_db), spectrogram.frames
    if not steps or not frames or reading.floor_db <= LEAST_FLOOR_DB:
        return reading
    nearest = np.round((np.arange(steps) + 0.5) * STEP_S / FRAME_S).astype(np.int64)
    nearest = np.minimum(nearest, frames - 1)
    level_db = level_without_hum(spectrogram)
    if level_db is not None:
        reading = replace(reading, without_hum_db=level_db[nearest])
    restored = reading.restored
    at_floor = np.abs(smoothed(restored.levels_db, 10) - restored.floor_db) < _AT_FLOOR_DB
    reach = round(WINDOW_S / STEP_S / 2)
    unbroken = np.asarray(sliding_window_view(np.pad(at_floor, reach), 2 * reach + 1).all(axis=1))
    at = np.round(np.arange(frames) * FRAME_S / STEP_S).astype(np.int64)
    over = levels_over_print(spectrogram, unbroken[np.minimum(at, steps - 1)])
    return replace(reading, over_print_db=over[:, nearest])
