"""Whole processes against ffmpeg on an album of real music: python tests/bench/against_ffmpeg.py

Not a test: prints a table of medians of paired runs, CPU and wall seconds, peak memory. Needs
ffmpeg and Debian's singularity-music.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

MUSIC = Path("/usr/share/games/singularity/music")
RUNS = 5


@dataclass(frozen=True)
class Run:
    """One finished process, its children included."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def run(command: Sequence[str | Path], cores: set[int]) -> Run:
    """Run a command on some cores and give what the operating system accounts for it."""
    code = (
        "import os, resource, subprocess, sys;"
        f"os.sched_setaffinity(0, {cores!r});"
        "subprocess.run(sys.argv[1:], check=True,"
        " stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL);"
        "used = resource.getrusage(resource.RUSAGE_CHILDREN);"
        "print(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)"
    )
    keeps_bytecode = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    whole = [sys.executable, "-c", code, *map(str, command)]
    begun = time.perf_counter()
    printed = subprocess.run(whole, env=keeps_bytecode, capture_output=True, check=True).stdout
    wall_s = time.perf_counter() - begun
    cpu_s, peak_mb = map(float, printed.split())
    return Run(wall_s, cpu_s, peak_mb)


def album(folder: Path) -> list[Path]:
    """Decode about 62 minutes of music to 24-bit WAV at 44.1 kHz."""
    files = []
    for number, piece in enumerate(sorted(MUSIC.rglob("*.ogg"))[:14]):
        files.append(folder / f"{number:02d}.wav")
        command = ["ffmpeg", "-v", "error", "-i", str(piece), "-ar", "44100", "-ac", "2"]
        subprocess.run([*command, "-c:a", "pcm_s24le", files[-1]], check=True)
    return files


def ffmpeg_script(files: Sequence[Path], at_a_time: int) -> list[str]:
    """Return a command that runs ffmpeg's ebur128 over files, some at a time."""
    reading = "ffmpeg -nostdin -threads 1 -filter_threads 1 -i {} "
    reading += "-filter_complex ebur128=peak=true -f null -"
    names = "\\n".join(str(file) for file in files)
    return ["sh", "-c", f"printf '{names}' | xargs -P {at_a_time} -I {{}} {reading}"]


HEADS = f"{'':44s} {'wall s':>8s} {'cpu s':>8s} {'peak MB':>8s}"


def row(name: str, done: Run) -> str:
    """Write a run as a row of the table."""
    return f"{name:44s} {done.wall_s:8.2f} {done.cpu_s:8.2f} {done.peak_mb:8.0f}"


def median(runs: Sequence[Run]) -> Run:
    """Return the medians of some runs."""
    return Run(*(statistics.median(getattr(r, key) for r in runs) for key in Run.__annotations__))


def main() -> None:
    """Measure, and print the table."""
    with tempfile.TemporaryDirectory() as folder:
        files = album(Path(folder))
        measure = [sys.executable, "-m", "assembler", "measure", *files, "--jobs"]
        all_cores = os.sched_getaffinity(0)
        one_core = {min(all_cores)}
        run([*measure, "1"], all_cores)  # compiles what is not compiled yet
        print(HEADS)
        for cores, jobs in ((one_core, 1), (all_cores, len(all_cores))):
            pairs = [
                (run([*measure, str(jobs)], cores), run(ffmpeg_script(files, jobs), cores))
                for _ in range(RUNS)
            ]
            ours, theirs = zip(*pairs, strict=True)
            print(row(f"measure, {jobs} core(s)", median(ours)))
            print(row(f"ffmpeg ebur128=peak=true, {jobs} core(s)", median(theirs)))
            ratio = statistics.median(b.wall_s / a.wall_s for a, b in pairs)
            print(f"{'measure is faster by (pair by pair)':44s} {ratio:8.2f}")


if __name__ == "__main__":
    main()
