"""Speed of the sound's last stages on one core: python tests/bench/chain.py

Not a test: prints how many times real time each stage and all of them together run on ten minutes
of real music (Debian's singularity-music), driven 3 dB into limiting; medians of five runs. Counts
the core's time, so that other work on the machine doesn't.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np
import soundfile
import soxr

from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import amplitude
from assembler.dsp.dither import Dither, Quantizer
from assembler.dsp.limiter import limit
from assembler.dsp.resample import resample

MUSIC = Path("/usr/share/games/singularity/music")
MUSIC_HZ = 48_000
DISC_HZ = 44_100
LENGTH_S = 600
BLOCK_FRAMES = 1 << 17
CEILING_DBTP = -1.0
DRIVE_DB = 3.0
RUNS = 5
BAR = 300


def music(rate_hz: int) -> list[Samples]:
    """Ten minutes of pieces in a row at a rate, each raised to touch full scale, in blocks."""
    parts, left = [], LENGTH_S * MUSIC_HZ
    for path in sorted(MUSIC.glob("*.ogg")):
        piece, own_hz = soundfile.read(path, frames=left, dtype="float32")
        if own_hz == MUSIC_HZ:
            parts.append(piece / np.abs(piece).max())
            left -= len(piece)
        if left <= 0:
            break
    whole = soxr.resample(np.concatenate(parts), MUSIC_HZ, rate_hz, quality="VHQ")
    return [whole[i : i + BLOCK_FRAMES] for i in range(0, len(whole), BLOCK_FRAMES)]


def gained(blocks: Iterable[Samples]) -> Iterator[Samples]:
    """Raise the peaks `DRIVE_DB` over the ceiling."""
    gain = np.float32(amplitude(CEILING_DBTP + DRIVE_DB))
    for block in blocks:
        yield block * gain


def limited(blocks: Iterable[Samples]) -> Iterator[Samples]:
    """Hold the ceiling."""
    for block, _ in limit(blocks, DISC_HZ, CEILING_DBTP):
        yield block


def worded(blocks: Iterable[Samples], dither: Dither) -> Iterator[object]:
    """Shorten to 16 bits."""
    quantizer = Quantizer(16, 1, dither=dither, rate_hz=DISC_HZ)
    for block in blocks:
        yield quantizer.quantize(block)


def times_real_time(stage: Callable[[], Iterable[object]]) -> float:
    """Run a stage five times, and once before, and give the median speed."""
    taken_s = []
    for _ in range(RUNS + 1):
        begun = time.process_time()
        for _ in stage():
            pass
        taken_s.append(time.process_time() - begun)
    return LENGTH_S / statistics.median(taken_s[1:])


def main() -> None:
    """Measure and print."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--core", type=int, default=min(os.sched_getaffinity(0)))
    os.sched_setaffinity(0, {arguments.parse_args().core})
    at_44, at_96 = music(DISC_HZ), music(96_000)
    loud = list(gained(at_44))
    taken_db = np.concatenate([taken for _, taken in limit(loud, DISC_HZ, CEILING_DBTP)])
    share = 100 * (taken_db > 0).mean()
    print(f"limited: {share:.0f} % of the time, by {taken_db.max():.1f} dB at most")
    kinds: tuple[Dither, ...] = ("tpdf", "shaped", "none")
    stages: dict[str, Callable[[], Iterable[object]]] = {
        "gain": lambda: gained(at_44),
        "limiter": lambda: limited(loud),
        "rate 96 to 44.1 kHz": lambda: resample(at_96, 96_000, DISC_HZ),
        **{f"words, {kind}": lambda kind=kind: worded(at_44, kind) for kind in kinds},
    }
    chains: dict[str, Callable[[], Iterable[object]]] = {}
    for name, blocks, rate_hz in (("44.1", at_44, DISC_HZ), ("96", at_96, 96_000)):
        for kind in kinds[:2]:
            chains[f"chain from {name} kHz, {kind}"] = (
                lambda blocks=blocks, rate_hz=rate_hz, kind=kind: worded(
                    limited(gained(resample(blocks, rate_hz, DISC_HZ))), kind
                )
            )
    for name, stage in stages.items():
        print(f"{name:32s} {times_real_time(stage):8.0f} times real time")
    for name, chain in chains.items():
        speed = times_real_time(chain)
        print(f"{name:32s} {speed:8.0f} {'reaches' if speed >= BAR else 'short of'} {BAR}")


if __name__ == "__main__":
    main()
