"""Builds of an album of real music, and what each kind of edit costs: python tests/bench/builds.py

Not a test: prints a table of whole processes (medians): a cold build, one with nothing changed, a
title, a trim, a gap; one small release by itself, 20 in one call and 20 on a cluster;
sources of 24 bits at 96 kHz; the encoders alone; and the same deliverables by a plain script of
ffmpeg calls, one and two at a time. Needs ffmpeg and Debian's singularity-music.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import soundfile
from against_ffmpeg import HEADS, Run, album, median, row, run

from assembler.audio.ffmpeg import ffmpeg_program

CORES = os.sched_getaffinity(0)
EDITS = {
    "a title changed": ("title: Piece 3,", "title: Third Piece,"),
    "a trim changed": (
        "trim: 0, gap: 2, isrc: AA6Q72700003",
        "trim: 0.5, gap: 2, isrc: AA6Q72700003",
    ),
    "a gap changed": ("trim: 0, gap: 2, isrc: AA6Q72700003", "trim: 0, gap: 3, isrc: AA6Q72700003"),
}


def manifest_of(files: Sequence[Path], catalogue_number: str = "TWE-062") -> str:
    """Write the manifest of an album: image, flac-24, mp3-320, paper, proof."""
    tracks = "".join(
        f"  - {{title: Piece {n}, audio: {file}, trim: 0, gap: 2, isrc: AA6Q727{n:05d}}}\n"
        for n, file in enumerate(files, 1)
    )
    return (
        "release: {artist: Halden Ferry Singers, title: Songs for Slack Water, "
        f"catalogue_number: {catalogue_number}}}\n"
        "level: {match: track, target: -16, ceiling: -1}\n"
        f"download: {{formats: [flac-24, mp3-320]}}\ntracks:\n{tracks}"
    )


def build(*manifests: Path, out: Path) -> list[str | Path]:
    """Return the command that builds manifests."""
    return [sys.executable, "-m", "assembler", "build", *manifests, "--out", out]


def encoders_alone(
    masters: Sequence[Path], folder: Path, at_a_time: int, program: str = "ffmpeg"
) -> list[str]:
    """Return a command that only encodes finished masters: FLAC of 24 bits, MP3 of 320 kbit/s."""
    script = folder / "encode.sh"
    script.write_text(
        'n=$(basename "$1" .wav)\n'
        f'{program} -nostdin -y -v error -i "$1" -b:a 320k "{folder}/$n.mp3"\n'
        f'{program} -nostdin -y -v error -i "$1" -c:a flac "{folder}/$n.flac"\n'
    )
    return _for_each(script, masters, at_a_time)


def _for_each(script: Path, files: Sequence[Path], at_a_time: int) -> list[str]:
    names = "\\n".join(map(str, files))
    return ["sh", "-c", f"printf '{names}' | xargs -P {at_a_time} -I {{}} sh {script} {{}}"]


def masters_of(release: Path, folder: Path) -> list[Path]:
    """Decode the FLAC files of a release to WAV."""
    masters = []
    for n, file in enumerate(sorted(release.glob("download/flac-24/*.flac"))):
        masters.append(folder / f"master-{n:02d}.wav")
        words, rate_hz = soundfile.read(file, dtype="int32")
        soundfile.write(masters[-1], words, rate_hz, "PCM_24")
    return masters


def ffmpeg_script(files: Sequence[Path], folder: Path, at_a_time: int) -> list[str]:
    """Return a plain script: meter pass, gain and limiter at 4 times the rate, encodes, image part.

    The gain is a constant, since a shell would have to read the meter's words for it.
    """
    script = folder / "one.sh"
    script.write_text(
        'n=$(basename "$1" .wav)\n'
        'ffmpeg -nostdin -v error -i "$1" -filter_complex ebur128=peak=true -f null -\n'
        'ffmpeg -nostdin -y -v error -i "$1" -af "volume=-3dB,aresample=176400,'
        'alimiter=level=disabled:limit=0.89,aresample=44100" -c:a pcm_s24le '
        f'"{folder}/$n-m.wav"\n'
        f'ffmpeg -nostdin -y -v error -i "{folder}/$n-m.wav" -c:a pcm_s16le "{folder}/$n-cd.wav"\n'
        f'ffmpeg -nostdin -y -v error -i "{folder}/$n-m.wav" -c:a flac '
        f'"{folder}/$n.flac"\n'
        f'ffmpeg -nostdin -y -v error -i "{folder}/$n-m.wav" -b:a 320k "{folder}/$n.mp3"\n'
    )
    return _for_each(script, files, at_a_time)


def edits(folder: Path, files: Sequence[Path], runs: int) -> None:
    """Time a cold build and the edits after it, and print them."""
    manifest, out = folder / "album.yaml", folder / "out"
    text = manifest_of(files)
    times: dict[str, list[Run]] = {}
    for _ in range(runs):
        shutil.rmtree(os.environ["ASSEMBLER_STORE"], ignore_errors=True)
        shutil.rmtree(out, ignore_errors=True)
        manifest.write_text(text)
        times.setdefault("cold build", []).append(run(build(manifest, out=out), CORES))
        times.setdefault("nothing changed", []).append(run(build(manifest, out=out), CORES))
        for what, (old, new) in EDITS.items():
            assert old in text, what
            manifest.write_text(text.replace(old, new))
            times.setdefault(what, []).append(run(build(manifest, out=out), CORES))
            manifest.write_text(text)
            run(build(manifest, out=out), CORES)
        masters = masters_of(out / "TWE-062", folder)
        times.setdefault("check of 99 tracks", []).append(run(check(folder, files[0]), CORES))
        sizes = [_bytes_in(place) for place in (Path(os.environ["ASSEMBLER_STORE"]), out)]
        for at_a_time in (1, 2):
            what = f"MP3 and FLAC encoders alone, {at_a_time} at a time"
            command = encoders_alone(masters, folder, at_a_time)
            times.setdefault(what, []).append(run(command, CORES))
        own = encoders_alone(masters, folder, 2, ffmpeg_program())
        times.setdefault("these by the build's own ffmpeg", []).append(run(own, CORES))
    middle = {what: median(runs_of) for what, runs_of in times.items()}
    for what, done in middle.items():
        print(row(what, done))
    cold = middle["cold build"].wall_s
    alone, together = (middle[f"MP3 and FLAC encoders alone, {n} at a time"] for n in (1, 2))
    print(f"cold build, times (encoders' CPU / cores): {cold / (alone.cpu_s / len(CORES)):.2f}")
    print(f"cold build, times the encoders two at a time: {cold / together.wall_s:.2f}")
    own = middle["these by the build's own ffmpeg"].wall_s
    print(f"cold build, times these by the build's own ffmpeg: {cold / own:.2f}")
    script = run(ffmpeg_script(files, folder, 2), CORES)
    print(row("plain ffmpeg script, 2 at a time", script))
    print(f"plain ffmpeg script two at a time, times the cold build: {script.wall_s / cold:.2f}")
    print(f"the cache after all of this, times the release: {sizes[0] / sizes[1]:.2f}")
    for what in ("a trim changed", "a gap changed", "a title changed"):
        print(f"{what}, of the cold build: {middle[what].wall_s / cold:.1%}")


def check(folder: Path, file: Path) -> list[str | Path]:
    """Return the command that checks a manifest of 99 tracks."""
    tracks = "".join(
        f"  - {{title: Piece {n}, audio: {file}, start: {n / 2}, end: {n / 2 + 4}, gap: 2}}\n"
        for n in range(1, 100)
    )
    manifest = folder / "many-tracks.yaml"
    manifest.write_text(
        f"release: {{artist: Halden Ferry Singers, title: Songs}}\ntracks:\n{tracks}"
    )
    return [sys.executable, "-m", "assembler", "check", manifest]


def _bytes_in(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def many(folder: Path, files: Sequence[Path], runs: int) -> None:
    """Time 20 small releases in one call against one by itself."""
    clips = []
    for n, file in enumerate(files):
        clips.append(folder / f"clip-{n}.wav")
        words, rate_hz = soundfile.read(file, start=20 * 44100, frames=15 * 44100, dtype="int32")
        soundfile.write(clips[-1], words, rate_hz, "PCM_24")
    manifests = []
    for n in range(20):
        manifests.append(folder / f"small-{n:02d}.yaml")
        chosen = [clips[(n + k) % len(clips)] for k in range(3)]
        manifests[-1].write_text(manifest_of(chosen, f"TWE-{100 + n}"))
    out = folder / "small"
    with _cluster(folder) as address:
        on_cluster = [*build(*manifests, out=out), "--scheduler", address, "--jobs", "1"]
        for what, command in (
            ("one small release", build(manifests[0], out=out)),
            ("20 in one call", build(*manifests, out=out)),
            ("20 on a cluster of two workers", on_cluster),
        ):
            done = []
            for _ in range(runs):
                shutil.rmtree(os.environ["ASSEMBLER_STORE"], ignore_errors=True)
                shutil.rmtree(out, ignore_errors=True)
                done.append(run(command, CORES))
            print(row(what, median(done)))


@contextmanager
def _cluster(folder: Path) -> Iterator[str]:
    """Run a Dask scheduler and two workers, each a process; yield the scheduler's address."""
    file = folder / "scheduler.json"
    dask = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--scheduler-file", str(file)]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--scheduler-file", str(file)]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    processes = [subprocess.Popen([*dask, "--port", "0", "--no-dashboard"], **quiet)]
    try:
        for _ in range(2):
            processes.append(
                subprocess.Popen(
                    [*worker, "--nthreads", "1", "--no-dashboard"], cwd=folder, **quiet
                )
            )
        while not file.exists():
            time.sleep(0.1)
        time.sleep(5)  # until both workers have registered
        yield json.loads(file.read_text())["address"]
    finally:
        for process in reversed(processes):
            process.terminate()
            process.wait()


def high_rate(folder: Path, files: Sequence[Path]) -> None:
    """Show the peak memory of a build from 24 bits at 96 kHz."""
    raised = []
    for n, file in enumerate(files[:4]):
        raised.append(folder / f"high-{n}.wav")
        command = ["ffmpeg", "-y", "-v", "error", "-i", file, "-ar", "96000"]
        subprocess.run([*map(str, command), "-c:a", "pcm_s24le", str(raised[-1])], check=True)
    manifest = folder / "high.yaml"
    manifest.write_text(manifest_of(raised, "TWE-096"))
    print(row("4 pieces of 24 bits at 96 kHz", run(build(manifest, out=folder / "high"), CORES)))


def plain_script(folder: Path, files: Sequence[Path]) -> None:
    """Time the plain script."""
    for at_a_time in (1, 2):
        done = run(ffmpeg_script(files, folder, at_a_time), CORES)
        print(row(f"plain ffmpeg script, {at_a_time} at a time", done))


def main() -> None:
    """Measure, and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=1)
    parser.add_argument("--only", choices=("edits", "many", "high", "script"))
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["ASSEMBLER_STORE"] = str(folder / "store")
        files = album(folder)
        print(HEADS)
        if options.only in (None, "edits"):
            edits(folder, files, options.runs)
        if options.only in (None, "script"):
            plain_script(folder, files)
        if options.only in (None, "many"):
            many(folder, files, options.runs)
        if options.only in (None, "high"):
            high_rate(folder, files)


if __name__ == "__main__":
    main()
