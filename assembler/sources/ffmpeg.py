"""The ffmpeg that the imageio-ffmpeg wheel brings: decoding what libsndfile can't, and encoding.

File names reach ffmpeg behind ``file:``, so that no name can be taken for an option or a protocol.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterable, Sequence
from pathlib import Path

from assembler.errors import AssemblerError


def ffmpeg_program() -> str:
    """Give the path of the ffmpeg program.

    Raises
    ------
    AssemblerError
        There is none for this system.
    """
    import imageio_ffmpeg

    try:
        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except RuntimeError as error:
        raise AssemblerError("no ffmpeg for this system: install imageio-ffmpeg again") from error


def run_ffmpeg(arguments: Sequence[str], feed: Iterable[bytes] = ()) -> None:
    """Run ffmpeg, with bytes to its standard input if it reads there.

    Raises
    ------
    AssemblerError
        ffmpeg ended with an error; its last line is told.
    """
    command = [ffmpeg_program(), "-nostdin", "-hide_banner", "-loglevel", "error", "-y", *arguments]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stderr is not None
        try:
            for chunk in feed:
                process.stdin.write(chunk)
            process.stdin.close()
        except BrokenPipeError:
            pass  # ffmpeg gave up: its own words follow
        except BaseException:
            process.kill()
            raise
        words = process.stderr.read().decode("utf-8", "replace").strip().splitlines()
    if process.returncode != 0:
        reason = words[-1] if words else f"exit code {process.returncode}"
        raise AssemblerError(f"ffmpeg could not do its work: {reason}")


def decode_to_wav(source: Path, target: Path) -> None:
    """Decode the first audio stream of any file to a 32-bit float WAV at its own rate.

    Raises
    ------
    AssemblerError
        ffmpeg can't read the file.
    """
    reading = ("-i", f"file:{source}", "-map", "0:a:0", "-map_metadata", "-1")
    writing = ("-rf64", "auto", "-c:a", "pcm_f32le", "-f", "wav", f"file:{target}")
    run_ffmpeg((*reading, *writing))
