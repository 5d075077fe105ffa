"""The ffmpeg of the imageio-ffmpeg wheel: decode what libsndfile can't, and encode.

File names are passed to ffmpeg after ``file:``, so that no name is taken for an option or a
protocol, and a source is opened as an audio file only: a playlist would make ffmpeg open others.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Sequence
from pathlib import Path

from assembler.cancel import child_process
from assembler.errors import AssemblerError
from assembler.text import shorten

_ADDRESS = re.compile(r"\[[^\]]* @ 0x[0-9a-f]+\] ?")
_SOUND_FORMATS = (
    "mov,aac,asf,ape,wv,tta,mpc,mpc8,ac3,eac3,tak,dsf,iff,flac,ogg,mp3,aiff,wav,w64,caf"
)
"""ffmpeg's names of the formats that contain their own sound and refer to no other file."""
ALONE = ("-protocol_whitelist", "file", "-format_whitelist", _SOUND_FORMATS)
"""Arguments before a source: only this file is read, no file that it refers to."""


def ffmpeg_program() -> str:
    """Return the path of the ffmpeg program.

    Raises
    ------
    AssemblerError
        There is no ffmpeg for this system.
    """
    import imageio_ffmpeg

    try:
        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except RuntimeError as error:
        message = "there is no ffmpeg for this system: reinstall imageio-ffmpeg"
        raise AssemblerError(message) from error


def run_ffmpeg(arguments: Sequence[str], feed: Iterable[bytes | memoryview] = ()) -> None:
    """Run ffmpeg, with bytes to its standard input.

    Raises
    ------
    AssemblerError
        ffmpeg failed; the message has its last line.
    """
    command = [ffmpeg_program(), "-nostdin", "-hide_banner", "-loglevel", "error", "-y", *arguments]
    with child_process(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stderr is not None
        try:
            for chunk in feed:
                process.stdin.write(chunk)
            process.stdin.close()
        except BrokenPipeError:
            pass  # ffmpeg failed: its message follows
        lines = process.stderr.read().decode("utf-8", "replace").strip().splitlines()
    if process.returncode != 0:
        reason = f"exit code {process.returncode}"
        if lines:
            reason = shorten(_ADDRESS.sub("", lines[-1]), 200)
        raise AssemblerError(f"ffmpeg failed: {reason}")


def decode_to_wav(source: Path, target: Path) -> None:
    """Decode the first audio stream of any file to a 32-bit float WAV file at its own rate.

    Raises
    ------
    AssemblerError
        ffmpeg can't read the file.
    """
    reading = (*ALONE, "-i", f"file:{source}", "-map", "0:a:0", "-map_metadata", "-1")
    writing = ("-rf64", "auto", "-c:a", "pcm_f32le", "-f", "wav", f"file:{target}")
    run_ffmpeg((*reading, *writing))
