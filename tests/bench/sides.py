"""Speed of survey, split and restoration of a tape side: python tests/bench/sides.py

Not a test: prints wall and CPU seconds and peak memory of survey and split (whole processes) on 46
minutes of real music as 24 bits at 96 kHz, and the speed of restoration with every step on, in
multiples of real time: with the steps that follow a wandering tape (azimuth, dropouts, wow), and
without. Needs ffmpeg and Debian's singularity-music.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from against_ffmpeg import HEADS, MUSIC, row, run

from assembler.audio import open_recording
from assembler.dsp.equaliser import FilterBand
from assembler.restoration.analysis.hum_pitch import HumStretch
from assembler.restoration.analysis.wow import CyclicWow
from assembler.restoration.chain import Resolved, correct_speed, restored_passage
from assembler.restoration.repair.dropouts import DropoutSpan
from assembler.workers import own_workers

SIDE_S, RESTORED_S = 46 * 60, 240
STEADY = Resolved(
    dc=(0.001, -0.002),
    swap_channels=True,
    invert_polarity="left",
    declick=5,
    azimuth_us=60,
    balance_db=1.8,
    hum=(49.6, 6, (HumStretch(0.0, None, (49.6,)),)),
    noise=(0, 48_000, 8),
    factor=Fraction(126, 125),
)
"""Every step but those of a tape that wanders."""
_WAVE = np.cos(np.arange(4 * SIDE_S) / 50)
EVERYTHING = replace(
    STEADY,
    dropouts=tuple(DropoutSpan(n * 480_000, n * 480_000 + 2_000, n % 3) for n in range(1, 270)),
    azimuth_us=tuple(40 + 30 * _WAVE),
    wow=CyclicWow(0.56, 10, 20, tuple(2e-3 * _WAVE[:138]), (0.0,) * 138),
    equaliser=(FilterBand("high_pass", 20, slope=24), FilterBand("bell", 2500, -2)),
)


def side(folder: Path) -> Path:
    """Join pieces to one side."""
    names = "".join(f"file '{path}'\n" for path in sorted(MUSIC.glob("*.ogg")))
    (folder / "pieces.txt").write_text(names)
    joined = folder / "side.wav"
    command = ["ffmpeg", "-v", "error", "-f", "concat", "-safe", "0", "-i", folder / "pieces.txt"]
    command += ["-t", str(SIDE_S), "-ar", "96000", "-ac", "2", "-c:a", "pcm_s24le", joined]
    subprocess.run([*map(str, command)], check=True)
    return joined


def restoration_speed(path: Path, steps: Resolved) -> tuple[float, float]:
    """Return the speed in multiples of real time, by wall and CPU time, with loops compiled."""
    recording = open_recording((path,))
    with own_workers(None) as pool:
        for length_s in (10, RESTORED_S):
            wall_s, cpu_s = time.perf_counter(), time.process_time()
            end = length_s * recording.rate_hz
            sound = restored_passage(recording, steps, 0, end, pool=pool)
            for _ in correct_speed(sound, recording.rate_hz, steps):
                pass
            wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    return RESTORED_S / wall_s, RESTORED_S / cpu_s


def main() -> None:
    """Measure, and print."""
    cores = os.sched_getaffinity(0)
    with tempfile.TemporaryDirectory() as name:
        path = side(Path(name))
        print(HEADS)
        for command in (["survey"], ["split", "--count", "9"]):
            done = run([sys.executable, "-m", "assembler", *command, path], cores)
            print(row(f"{command[0]} of {SIDE_S // 60} min, 24 bit 96 kHz", done))
        for what, steps in (("every step", EVERYTHING), ("all but the followers", STEADY)):
            by_wall, by_cpu = restoration_speed(path, steps)
            print(f"restoration, {what}: {by_wall:.0f} times real time ({by_cpu:.0f} by CPU time)")


if __name__ == "__main__":
    main()
