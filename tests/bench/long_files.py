"""Peak memory of `measure` on long files: python tests/bench/long_files.py

Not a test: writes 1 hour and 3 hours of 24-bit 96 kHz noise (8 GB on disk, RF64 where WAV can't
hold it) and prints what the operating system accounts for each run.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile
from against_ffmpeg import HEADS, row, run

RATE_HZ = 96_000


def noise_file(folder: Path, hours: int) -> Path:
    """Write some hours of noise."""
    minute = np.random.default_rng(3).normal(0, 0.1, (60 * RATE_HZ, 2)).astype(np.float32)
    path = folder / f"{hours}-hours.wav"
    with soundfile.SoundFile(
        str(path), "w", RATE_HZ, 2, subtype="PCM_24", format="RF64" if hours > 1 else "WAV"
    ) as file:
        for _ in range(60 * hours):
            file.write(minute)
    return path


def main() -> None:
    """Measure, and print the table."""
    print(HEADS)
    for hours in (1, 3):
        with tempfile.TemporaryDirectory() as folder:
            path = noise_file(Path(folder), hours)
            done = run([sys.executable, "-m", "assembler", "measure", path, "--jobs", "1"], {0})
            print(row(f"measure, {hours} h of 24-bit 96 kHz, 1 core", done))


if __name__ == "__main__":
    main()
