"""Readings by programs from outside the project, and real music; absent in CI, a test fails.

    ASSEMBLER_TESTS_FRESH=1 .venv/bin/pytest

runs the tests as on a machine that has only Python and its packages.
"""

from __future__ import annotations

import ctypes
import importlib
import json
import os
import re
import shutil
import subprocess
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any, NoReturn

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
import soxr
from pdf_reader import in_place_of_poppler

FRESH = bool(os.environ.get("ASSEMBLER_TESTS_FRESH"))
ON_EVERY_MACHINE = ("bash", "cat", "env", "head", "setsid", "sh", "sha256sum", "sleep", "true")
_SHARE = Path("/usr/share" if not FRESH else "/usr/share/hidden")
MUSIC_FOLDERS = {
    "singularity-music": _SHARE / "games/singularity/music",
    "asc-music": _SHARE / "games/asc/music",
}
DEBIAN_MUSIC_IS_HERE = all(folder.is_dir() for folder in MUSIC_FOLDERS.values())


ASKED_FOR: list[str] = []
"""Programs and libraries that Debian has, and that a test wanted since this was last cleared.

A function that is cached must not hide from this what a later test has from it.
"""


def _path_of(name: str) -> str | None:
    if name not in ON_EVERY_MACHINE:
        ASKED_FOR.append(name)
    return shutil.which(name)


def hide_programs(folder: Path) -> None:
    """Leave on PATH, for this process and its children, only what every machine has."""
    for name in ON_EVERY_MACHINE:
        if path := shutil.which(name):
            (folder / name).symlink_to(path)
    os.environ["PATH"] = str(folder)


@cache
def is_there(name: str) -> bool:
    """Check whether this machine has a program or a shared library (named `lib….so…`)."""
    if FRESH:
        return name in ON_EVERY_MACHINE
    if ".so" not in name:
        return shutil.which(name) is not None
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def absent(what: str, package: str, installer: str = "apt-get") -> NoReturn:
    """Skip a test for want of something that can be installed; in CI, where it is, fail."""
    message = f"{what} is not there: {installer} install {package}"
    if os.environ.get("CI") == "true" and not FRESH:
        pytest.fail(message)
    pytest.skip(message)


def program(name: str, package: str) -> str:
    """Return the path of a program from Debian; for ffmpeg, else of the one in the wheel."""
    path = _path_of(name)
    if not path and name == "ffmpeg":
        return str(imageio_ffmpeg.get_ffmpeg_exe())
    return path if path else absent(name, package)


def python_package(module: str, package: str) -> ModuleType:
    """Import a module that the test packages bring, where they have a wheel for this machine."""
    try:
        return importlib.import_module(module)
    except ImportError:
        absent(module, package, "pip")


def library(name: str, package: str) -> ctypes.CDLL:
    """Load a shared library from Debian."""
    ASKED_FOR.append(name)
    try:
        if not FRESH:
            return ctypes.CDLL(name)
    except OSError:
        pass
    absent(name, package)


def output_of(*command: str | Path, package: str) -> str:
    """Run a program from Debian, or pdfium in place of Poppler, and return its standard output."""
    if not _path_of(str(command[0])):
        printed = in_place_of_poppler(str(command[0]), [str(word) for word in command[1:]])
        if printed is not None:
            return printed
    found = program(str(command[0]), package)
    done = subprocess.run([found, *command[1:]], capture_output=True, check=True)
    return done.stdout.decode("utf-8", "replace")


def real_music(package: str) -> list[Path]:
    """List the pieces of a Debian music package (freely licensed)."""
    folder = MUSIC_FOLDERS[package]
    files = sorted(p for p in folder.rglob("*") if p.suffix in (".ogg", ".mp3"))
    return files or absent(f"the music of {package}", package)


def ebur128(path: Path, *, peak: bool = False) -> dict[str, float]:
    """Read loudness (I) and range (LRA) of a file as ffmpeg's ebur128 does; on request also Peak.

    Peak is the true peak; with it the reading takes twice as long.
    """
    ffmpeg = program("ffmpeg", "ffmpeg")
    command = [ffmpeg, "-hide_banner", "-nostats", "-i", str(path)]
    command += ["-filter_complex", f"ebur128=peak={'true' if peak else 'none'}", "-f", "null", "-"]
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


def tags_by_taglib(path: Path) -> dict[str, list[str]]:
    """Read a file's tags as TagLib has them; `unsupported` lists what it can't take."""
    taglib = python_package("taglib", "pytaglib")
    with taglib.File(str(path)) as file:
        return {**file.tags, "unsupported": list(file.unsupported)}


def by_exiftool(path: Path, *options: str) -> dict[str, Any]:
    """Read a file with exiftool; what it warns of is in `Warning` and `Error`."""
    text = output_of("exiftool", "-json", *options, path, package="libimage-exiftool-perl")
    (found,) = json.loads(text)
    return dict(found)


def streams_by_ffmpeg(path: Path) -> list[dict[str, str]]:
    """List what ffmpeg says of each stream: `kind`, `codec`, and the `facts` behind them.

    Its lines read `Stream #0:0: Audio: mp3, 44100 Hz, stereo, fltp, 320 kb/s`.
    """
    command = [program("ffmpeg", "ffmpeg"), "-hide_banner", "-i", str(path)]
    text = subprocess.run(command, capture_output=True, check=False).stderr.decode()
    found = re.findall(r"Stream #0:\d+[^:]*: (\w+): (\w+)([^\n]*)", text)
    return [dict(zip(("kind", "codec", "facts"), one, strict=True)) for one in found]


def by_mediainfo(path: Path) -> dict[str, str]:
    """Read the general section and the sound of a file with libmediainfo, under its own names."""
    mediainfo = python_package("pymediainfo", "pymediainfo")
    tracks = mediainfo.MediaInfo.parse(str(path)).tracks
    found: dict[str, str] = {}
    for track in tracks:
        found |= {key: str(value) for key, value in track.to_data().items()}
    return found


def tags_by_ffprobe(path: Path) -> dict[str, str]:
    """Read a file's tags as ffprobe prints them, or as ffmpeg does; keys in lower case."""
    if not _path_of("ffprobe"):
        return _tags_by_ffmpeg(path)
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


def _tags_by_ffmpeg(path: Path) -> dict[str, str]:
    """Read tags from ffmpeg's own text format for them: `;` for comments, and `\\` before signs."""
    tags: dict[str, str] = {}
    for place in ("0:s:a:0", "0"):
        text = output_of("ffmpeg", "-v", "error", "-i", path, "-map_metadata", place,
                         "-f", "ffmetadata", "-", package="ffmpeg")  # fmt: skip
        pairs = re.findall(r"(?m)^((?:[^;\[=\\\n]|\\.)+)=((?:\\[\s\S]|[^\\\n])*)$", text)
        for key, value in pairs:
            tags[re.sub(r"\\(.)", r"\1", key).lower()] = re.sub(r"\\([\s\S])", r"\1", value)
    return tags
