"""A track's recording: one file or a left/right pair, read as blocks of float samples.

Sound is float32 from here on, shape (frames, channels), full scale 1.0, which represents every
24-bit sample exactly.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from assembler.audio.ffmpeg import decode_to_wav
from assembler.audio.probe import SourceInfo, probe
from assembler.audio.reading import OpenFile, changed, copy_checked
from assembler.cancel import check_cancelled
from assembler.digest import SourceDigest
from assembler.dsp.blocks import Samples
from assembler.errors import AssemblerError, SourceError
from assembler.text import clock_text

NO_DIGESTS: Mapping[Path, SourceDigest] = {}
BLOCK_FRAMES = 1 << 17
DECODED_SHORT_S = 0.25
"""A lossy file may decode to this much less than its header declares: delay and padding."""


@dataclass(frozen=True)
class Recording:
    """One file, or two mono files that are the channels of one recording.

    Attributes
    ----------
    files
        One file, or left and right.
    originals
        The source files, where `files` were made from them.
    key
        Cache key of what was made from the originals; None where nothing was.
    """

    files: tuple[SourceInfo, ...]
    originals: tuple[SourceInfo, ...] = ()
    key: str | None = None

    @property
    def source_files(self) -> tuple[SourceInfo, ...]:
        """The files that the manifest names."""
        return self.originals or self.files

    @property
    def sha256s(self) -> list[str]:
        """The SHA-256 of each source file.

        Raises
        ------
        ValueError
            The recording was opened without digests: nothing made of it can be cached.
        """
        digests = [file.digest for file in self.source_files if file.digest]
        if len(digests) < len(self.source_files):
            raise ValueError("a recording that was opened without digests has no key")
        return [digest.sha256 for digest in digests]

    @property
    def doubts(self) -> tuple[str, ...]:
        """Warnings of files that may be truncated."""
        return tuple(
            f"{file.path_text}: may be truncated: {file.doubt}: listen to its end, or copy it "
            "again from the original"
            for file in self.source_files
            if file.doubt
        )

    @property
    def is_provisional(self) -> bool:
        """Whether its length is only declared: the file is not decoded or restored yet."""
        return any(file.needs_ffmpeg for file in self.files)

    @property
    def rate_hz(self) -> int:
        """Sample rate."""
        return self.files[0].rate_hz

    @property
    def frames(self) -> int:
        """Samples per channel: of a pair, the shorter file's."""
        return min(file.frames for file in self.files)

    @property
    def is_mono(self) -> bool:
        """Whether it has one channel, to be copied to both."""
        return len(self.files) == 1 and self.files[0].channels == 1

    @property
    def bits(self) -> int | None:
        """Bit depth, of a pair the greater one; None for float and lossy coding."""
        depths = [file.bits for file in self.files]
        return None if None in depths else max(bits for bits in depths if bits is not None)

    def blocks(self, start: int, end: int) -> Iterator[Samples]:
        """Read the samples from `start` to before `end` as stereo blocks.

        Parameters
        ----------
        start, end
            Sample positions, 0 ≤ start ≤ end ≤ `frames`.

        Yields
        ------
        ndarray of float32, shape (frames, 2)
            Mono is copied to both channels.

        Raises
        ------
        SourceError
            The file ends early, has changed, or has NaN or infinite samples.
        """
        position = start
        with ExitStack() as stack:
            files = [stack.enter_context(OpenFile(file, start)) for file in self.files]
            while position < end:
                check_cancelled()
                wanted = min(BLOCK_FRAMES, end - position)
                yield _stereo([file.read(position, wanted) for file in files])
                position += wanted


def open_recording(
    paths: tuple[Path, ...],
    scratch: Path | None = None,
    digests: Mapping[Path, SourceDigest] = NO_DIGESTS,
) -> Recording:
    """Check a track's source files and return their recording.

    Parameters
    ----------
    paths
        One file, or left and right.
    scratch
        Folder for decoding what libsndfile can't read; without it only the headers of such a file
        can be read.
    digests
        Digests of the files, against which every read is checked.

    Raises
    ------
    SourceError
        A file can't be used, or a pair does not fit together.
    """
    infos = tuple(replace(probe(path), digest=digests.get(path)) for path in paths)
    if len(infos) == 2:
        _refuse_odd_pair(*infos)
    if scratch is None or not any(info.needs_ffmpeg for info in infos):
        return Recording(infos)
    decoded = (_decoded(info, scratch) if info.needs_ffmpeg else info for info in infos)
    return Recording(tuple(decoded), originals=infos)


def _decoded(info: SourceInfo, scratch: Path) -> SourceInfo:
    name = hashlib.sha256(os.fsencode(info.path.resolve())).hexdigest()[:16]
    target = scratch / f"decoded-{name}.wav"
    if not target.exists():
        part = target.with_suffix(".part")
        source = info.path
        if info.digest:
            source = _copied(info, scratch / f"copy-{name}{info.path.suffix}")
        try:
            decode_to_wav(source, part)
        except AssemblerError as error:
            message = f"{info.path_text}: the file can't be decoded: {error}"
            raise SourceError(message) from error
        part.replace(target)
        if info.digest:
            source.unlink()
    decoded = probe(target)
    missing_s = float(info.duration_s) - float(decoded.duration_s)
    if missing_s > DECODED_SHORT_S:
        raise SourceError(
            f"{info.path_text}: the file is truncated: its header declares "
            f"{clock_text(info.duration_s)}, {clock_text(decoded.duration_s)} can be decoded: copy "
            "it again from the original",
            "truncated-file",
        )
    return replace(decoded, kind=info.kind, bits=info.bits, lossy=info.lossy, doubt=info.doubt)


def _copied(info: SourceInfo, copy: Path) -> Path:
    """Copy and check a source for a program whose reading can't be checked."""
    copy_checked(info, copy)
    if replace(probe(copy), path=info.path) != info:
        raise changed(info.path)
    return copy


def _refuse_odd_pair(left: SourceInfo, right: SourceInfo) -> None:
    for side in (left, right):
        if side.channels != 1:
            raise SourceError(
                f"{side.path_text}: the file has {side.channels} channels: both files of a "
                "left/right pair must be mono",
                "odd-pair",
            )
    if left.rate_hz != right.rate_hz:
        raise SourceError(
            f"{right.path_text}: the sample rate is {right.rate_hz} Hz, that of the left file "
            f"{left.rate_hz} Hz: both files of a pair must have the same rate",
            "odd-pair",
        )


def _stereo(parts: list[Samples]) -> Samples:
    if len(parts) == 2:
        return np.concatenate(parts, axis=1)
    return parts[0] if parts[0].shape[1] == 2 else np.repeat(parts[0], 2, axis=1)
