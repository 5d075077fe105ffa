"""The samples of an image or of a rip: one row over all files, 32 bits per stereo sample."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from itertools import accumulate
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.audio.chunks import wave_data
from assembler.audio.probe import path_text, probe
from assembler.audio.quiet_library import silenced
from assembler.cancel import check_cancelled
from assembler.errors import AssemblerError, FindingsError, SourceError
from assembler.file_names import for_libsndfile
from assembler.findings import Finding
from assembler.sequence.frames import DISC_RATE_HZ

Row = NDArray[np.uint32]
RAW_SUFFIXES = (".bin", ".raw", ".img")
BYTES_PER_SAMPLE = 4
_DECODED_AT_ONCE = 120 * DISC_RATE_HZ
_BLOCK = 1 << 17


@dataclass(frozen=True)
class Samples:
    """The samples of one or more files, one after the other.

    Attributes
    ----------
    paths
        The files.
    rows
        The samples of each; left and right of one sample are the two halves of a number.
    change
        What each read sample passes through, such as an exchange of left and right.
    """

    paths: tuple[Path, ...]
    rows: tuple[Row, ...]
    change: Callable[[Row], Row] | None = None

    @property
    def starts(self) -> list[int]:
        """First sample of each file."""
        return list(accumulate((len(row) for row in self.rows), initial=0))[:-1]

    @property
    def length(self) -> int:
        """Number of samples."""
        return sum(len(row) for row in self.rows)

    def read(self, first: int, end: int) -> Row:
        """Return the samples from `first` up to `end`, without those outside the files."""
        check_cancelled()
        parts = [
            row[max(first - start, 0) : max(end - start, 0)]
            for start, row in zip(self.starts, self.rows, strict=True)
            if start < end and start + len(row) > first
        ]
        if not parts:
            return np.zeros(0, np.uint32)
        row = parts[0] if len(parts) == 1 else np.concatenate(parts)
        return self.change(row) if self.change else row

    def file_at(self, sample: int) -> str:
        """Return the name of the file that holds a sample."""
        found = [
            path for path, start in zip(self.paths, self.starts, strict=True) if start <= sample
        ]
        return path_text(found[-1] if found else self.paths[0])


def stereo(row: Row) -> NDArray[np.int16]:
    """Return samples as left and right, shape (samples, 2)."""
    return np.ascontiguousarray(row).view("<i2").reshape(-1, 2)


def open_samples(paths: Sequence[Path], pool: Executor) -> Samples:
    """Open files with 16 bit at 44,100 Hz in stereo: WAV, FLAC, or raw BIN.

    Raises
    ------
    FindingsError
        One or more of the files can't be a rip of a CD.
    """
    rows: list[Row] = []
    findings: list[Finding] = []
    for path in paths:
        try:
            rows.append(_opened(path, pool))
        except SourceError as error:
            message = str(error).removeprefix(f"{path_text(path)}: ")
            findings.append(Finding("error", error.code, "", path_text(path), 0, message))
    if findings:
        raise FindingsError(findings)
    return Samples(tuple(paths), tuple(rows))


def _opened(path: Path, pool: Executor) -> Row:
    if path.suffix.lower() in RAW_SUFFIXES and path.is_file():
        return _raw(path)
    info = probe(path)
    if (info.rate_hz, info.channels) != (DISC_RATE_HZ, 2):
        channels = {1: "mono", 2: "stereo"}[info.channels]
        raise SourceError(
            f"{info.path_text}: is {channels} at {info.rate_hz} Hz, a CD is stereo at 44100 Hz: "
            "rip the disc again, as WAV or FLAC without conversion",
            "rip-form",
        )
    if info.lossy or info.bits != 16 or info.needs_ffmpeg:
        form = "lossy" if info.lossy else f"{info.bits} bit" if info.bits else info.kind
        raise SourceError(
            f"{info.path_text}: is {form}, a CD has 16 bit: rip the disc again, as 16-bit WAV or "
            "FLAC without conversion",
            "rip-form",
        )
    with path.open("rb") as file:
        data = wave_data(file)
        if data:
            return _mapped(file, data.offset, info.frames)
    return _decoded(path, info.frames, pool)


def _raw(path: Path) -> Row:
    try:
        size = path.stat().st_size
        if not size or size % BYTES_PER_SAMPLE:
            what = (
                f"has {size} bytes, which is not a whole number of samples" if size else "is empty"
            )
            message = f"{path_text(path)}: {what}: rip the disc again"
            raise SourceError(message, "truncated-file" if size else "empty-file")
        with path.open("rb") as file:
            return _mapped(file, 0, size // BYTES_PER_SAMPLE)
    except OSError as error:
        reason = (error.strerror or "can't be read").lower()
        raise SourceError(f"{path_text(path)}: {reason}: check the permissions") from error


def _mapped(file: BinaryIO, offset: int, samples: int) -> Row:
    return np.memmap(file, "<u4", "r", offset, (samples,))


def _decoded(path: Path, samples: int, pool: Executor) -> Row:
    """Return a decoded file, kept in a temporary file and not in memory."""
    with tempfile.TemporaryFile() as file:
        row: NDArray[np.uint32] = np.memmap(file, "<u4", "w+", 0, (samples,))
    starts = range(0, samples, _DECODED_AT_ONCE)
    try:
        list(pool.map(partial(_decode_part, path, row), starts))
    except (soundfile.LibsndfileError, EOFError) as error:
        raise SourceError(
            f"{path_text(path)}: can't be decoded to its end: rip the disc again", "truncated-file"
        ) from error
    return row


def _decode_part(path: Path, row: Row, start: int) -> None:
    end = min(start + _DECODED_AT_ONCE, len(row))
    with silenced(), soundfile.SoundFile(for_libsndfile(path)) as file:
        file.seek(start)
        for first in range(start, end, _BLOCK):
            check_cancelled()
            count = min(_BLOCK, end - first)
            block = file.read(count, dtype="int16", always_2d=True)
            if len(block) < count:
                raise EOFError
            row[first : first + count] = block.astype("<i2", copy=False).view("<u4").ravel()


def image_samples(path: Path) -> Samples:
    """Open a finished image.

    Raises
    ------
    AssemblerError
        It is not a WAV file.
    """
    try:
        with path.open("rb") as file:
            data = wave_data(file)
            if data is None or data.size is None or data.frame_bytes != BYTES_PER_SAMPLE:
                raise AssemblerError(f"{path}: is not the image of a disc: build the release again")
            return Samples((path,), (_mapped(file, data.offset, data.size // BYTES_PER_SAMPLE),))
    except (OSError, ValueError) as error:
        raise AssemblerError(f"{path}: can't be read: build the release again") from error
