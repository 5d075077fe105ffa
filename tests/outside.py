"""Readings by programs from outside the project, and real music; absent in CI, a test fails."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest
import soundfile
import soxr

MUSIC_FOLDERS = {
    "singularity-music": Path("/usr/share/games/singularity/music"),
    "asc-music": Path("/usr/share/games/asc/music"),
}


def absent(what: str, package: str) -> NoReturn:
    """Skip a test for want of something from Debian; in CI, where it is installed, fail."""
    message = f"{what} is not there: apt-get install {package}"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)


def program(name: str, package: str) -> str:
    """Give the path of a program from Debian."""
    path = shutil.which(name)
    return path if path else absent(name, package)


def output_of(*command: str | Path, package: str) -> str:
    """Run a program from Debian and give its standard output."""
    program(str(command[0]), package)
    done = subprocess.run(command, capture_output=True, check=True)
    return done.stdout.decode("utf-8", "replace")


def real_music(package: str) -> list[Path]:
    """List the pieces of a Debian music package (freely licensed)."""
    folder = MUSIC_FOLDERS[package]
    files = sorted(p for p in folder.rglob("*") if p.suffix in (".ogg", ".mp3"))
    return files or absent(f"the music of {package}", package)


def ebur128(path: Path) -> dict[str, float]:
    """Read a file's loudness (I), range (LRA) and true peak (Peak) as ffmpeg's ebur128 does."""
    ffmpeg = program("ffmpeg", "ffmpeg")
    command = [ffmpeg, "-hide_banner", "-nostats", "-i", str(path)]
    command += ["-filter_complex", "ebur128=peak=true", "-f", "null", "-"]
    words = subprocess.run(command, capture_output=True, check=True).stderr.decode()
    summary = words[words.rindex("Summary:") :]
    return {k: float(v) for k, v in re.findall(r"(I|LRA|Peak):\s+(-?[\d.]+|-inf)", summary)}


def true_peak_16(path: Path) -> float:
    """Read a file's true peak in dBTP by 16-times oversampling with soxr, all in float64."""
    highest = 1e-10
    with soundfile.SoundFile(str(path)) as file:
        stream = soxr.ResampleStream(
            file.samplerate, 16 * file.samplerate, file.channels, dtype="float64", quality="VHQ"
        )
        while len(block := file.read(1 << 18, dtype="float64", always_2d=True)):
            raised = stream.resample_chunk(block, last=len(block) < 1 << 18)
            highest = max(highest, float(np.abs(raised).max(initial=0.0)))
    return 20 * float(np.log10(highest))


def tags_by_ffprobe(path: Path) -> dict[str, str]:
    """Read a file's tags as ffprobe prints them, keys in lower case."""
    text = output_of(
        "ffprobe", "-v", "error", "-print_format", "json", "-show_format", "-show_streams", path,
        package="ffmpeg",
    )  # fmt: skip
    content: dict[str, Any] = json.loads(text)
    tags: dict[str, str] = {}
    sounds = [part for part in content["streams"] if part["codec_type"] == "audio"]
    for part in (*sounds, content["format"]):
        tags |= {key.lower(): value for key, value in part.get("tags", {}).items()}
    return tags
