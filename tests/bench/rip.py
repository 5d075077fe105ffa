"""Time of `verify --rip` on a disc of 79 minutes: python tests/bench/rip.py

Not a test: writes a release with 79 minutes of noise and rips of it (4 GB on disk), and prints what
the operating system accounts for each run.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile
from against_ffmpeg import HEADS, row, run
from numpy.typing import NDArray

from assembler import build, load

TRACKS, MINUTES, OFFSET = 10, 79, 667
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-79}
level: {match: none}
tracks:
"""


def made_release(folder: Path) -> Path:
    """Build a release with one long disc."""
    lines = []
    for number in range(TRACKS):
        samples = 44100 * 60 * MINUTES // TRACKS - 2 * 44100
        noise = np.random.default_rng(number).normal(0, 3000, (samples, 2)).astype(np.int16)
        soundfile.write(folder / f"{number}.wav", noise, 44100, subtype="PCM_16")
        lines.append(f"- {{title: Track {number}, audio: {number}.wav}}\n")
    (folder / "m.yaml").write_text(MANIFEST + "".join(lines), encoding="utf-8")
    return build(load(folder / "m.yaml"), folder / "out", only=["disc"]).release_dir


def rips(pcm: NDArray[np.int16], folder: Path) -> dict[str, tuple[Path, int]]:
    """Write rips; return the file and the exit code of each."""
    made: dict[str, tuple[Path, int]] = {}

    def write(name: str, samples: NDArray[np.int16], suffix: str, code: int) -> None:
        path = folder / f"rip-{len(made)}.{suffix}"
        soundfile.write(path, samples, 44100, subtype="PCM_16")
        made[name] = (path, code)

    moved = np.roll(pcm, OFFSET, axis=0)
    write("WAV with an offset", moved, "wav", 0)
    write("FLAC with an offset", moved, "flac", 0)
    cut = len(pcm) // 2
    write("a frame dropped", np.concatenate([pcm[:cut], pcm[cut + 588 :]]), "wav", 1)
    third = len(pcm) // 3
    write("parts swapped", np.concatenate([pcm[third:cut], pcm[:third], pcm[cut:]]), "wav", 1)
    write("1 dB lower", (pcm * 0.891).round().astype(np.int16), "wav", 1)
    write("another disc", pcm[::-1], "wav", 1)
    return made


def main() -> None:
    """Measure, and print the table."""
    with tempfile.TemporaryDirectory() as name:
        release = made_release(Path(name))
        pcm, _ = soundfile.read(release / "disc" / "TWE-79.wav", dtype="int16")
        made = rips(pcm, Path(name))
        del pcm
        print(HEADS)
        for what, (path, code) in made.items():
            command = [sys.executable, "-m", "assembler", "verify", release, "--rip", path]
            expected = ["bash", "-c", f'"$@"; test $? = {code}', "bash", *command]
            print(row(f"{what}, {MINUTES} min", run(expected, {0, 1})), flush=True)


if __name__ == "__main__":
    main()
