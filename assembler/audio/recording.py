"""A track's recording: one file or a left/right pair, read as blocks of float samples.

Sound is float32 from here on, shape (frames, channels) and full scale at 1.0: it holds every
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

from assembler.audio.digest import SourceDigest
from assembler.audio.ffmpeg import decode_to_wav
from assembler.audio.probe import SourceInfo, probe
from assembler.audio.reading import OpenFile, Samples, changed, copy_checked
from assembler.cancel import check_cancelled
from assembler.errors import AssemblerError, SourceError
from assembler.text import clock_text

NO_DIGESTS: Mapping[Path, SourceDigest] = {}
BLOCK_FRAMES = 1 << 17
DECODED_SHORT_S = 0.25
"""A lossy file may decode to this much less than its header says: delay and padding come off."""


@dataclass(frozen=True)
class Recording:
    """One file, or two mono files that are the channels of one recording.

    Attributes
    ----------
    files
        One file, or left and right.
    originals
        Where these were made from other files: the ones that came in.
    key
        Of what was made from the originals; None where nothing was.
    """

    files: tuple[SourceInfo, ...]
    originals: tuple[SourceInfo, ...] = ()
    key: str | None = None

    @property
    def came_in(self) -> tuple[SourceInfo, ...]:
        """The files as they came in."""
        return self.originals or self.files

    @property
    def sha256s(self) -> list[str]:
        """The SHA-256 of each file as it came in.

        Raises
        ------
        ValueError
            It was opened without digests: nothing made of it can be kept.
        """
        digests = [file.digest for file in self.came_in if file.digest]
        if len(digests) < len(self.came_in):
            raise ValueError("a recording that was opened without digests has no key")
        return [digest.sha256 for digest in digests]

    @property
    def doubts(self) -> tuple[str, ...]:
        """What to be warned of: files that may be cut."""
        return tuple(
            f"{file.told}: may be cut short: {file.doubt}: listen to its end, or copy it again "
            "from the original"
            for file in self.came_in
            if file.doubt
        )

    @property
    def is_promise(self) -> bool:
        """Its length is what a header or a sum promises: it can't be read yet."""
        return any(file.needs_ffmpeg for file in self.files)

    @property
    def rate_hz(self) -> int:
        """Sample rate."""
        return self.files[0].rate_hz

    @property
    def frames(self) -> int:
        """Samples per channel: of a pair, as many as both files have."""
        return min(file.frames for file in self.files)

    @property
    def is_mono(self) -> bool:
        """One channel, to be placed in both at equal level."""
        return len(self.files) == 1 and self.files[0].channels == 1

    @property
    def bits(self) -> int | None:
        """Width of whole-number samples, the wider file's; None for float and lossy coding."""
        widths = [file.bits for file in self.files]
        return None if None in widths else max(width for width in widths if width is not None)

    def blocks(self, start: int, end: int) -> Iterator[Samples]:
        """Read the samples from `start` to before `end` as stereo blocks.

        Parameters
        ----------
        start, end
            Sample positions, 0 ≤ start ≤ end ≤ `frames`.

        Yields
        ------
        ndarray of float32, shape (frames, 2)
            Mono comes in both channels at equal level.

        Raises
        ------
        SourceError
            The file ends early, has changed, or holds NaN or infinite samples.
        """
        position = start
        with ExitStack() as stack:
            opened = [stack.enter_context(OpenFile(file, start)) for file in self.files]
            while position < end:
                check_cancelled()
                wanted = min(BLOCK_FRAMES, end - position)
                yield _both_channels([file.read(position, wanted) for file in opened])
                position += wanted


def open_recording(
    paths: tuple[Path, ...],
    scratch: Path | None = None,
    digests: Mapping[Path, SourceDigest] = NO_DIGESTS,
) -> Recording:
    """Look at a track's source files.

    Parameters
    ----------
    paths
        One file, or left and right.
    scratch
        Folder for decoding what libsndfile can't read; without it such a file can be looked at,
        but not read.
    digests
        Of the files: what is read is checked against them.

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
            raise SourceError(f"{info.told}: can't be decoded: {error}") from error
        part.replace(target)
        if info.digest:
            source.unlink()
    found = probe(target)
    missing_s = float(info.duration_s) - float(found.duration_s)
    if missing_s > DECODED_SHORT_S:
        raise SourceError(
            f"{info.told}: is cut short: its header promises {clock_text(info.duration_s)}, "
            f"{clock_text(found.duration_s)} can be decoded: copy it again from the original",
            "truncated-file",
        )
    return replace(found, kind=info.kind, bits=info.bits, lossy=info.lossy, doubt=info.doubt)


def _copied(info: SourceInfo, copy: Path) -> Path:
    """Copy a source for a program that opens files by name, and whose reading can't be checked."""
    copy_checked(info, copy)
    if replace(probe(copy), path=info.path) != info:
        raise changed(info)
    return copy


def _refuse_odd_pair(left: SourceInfo, right: SourceInfo) -> None:
    for side in (left, right):
        if side.channels != 1:
            raise SourceError(
                f"{side.told}: has {side.channels} channels: one side of a left/right pair is mono",
                "odd-pair",
            )
    if left.rate_hz != right.rate_hz:
        raise SourceError(
            f"{right.told}: runs at {right.rate_hz} Hz, the left side at {left.rate_hz} Hz: a pair "
            "needs one rate",
            "odd-pair",
        )


def _both_channels(parts: list[Samples]) -> Samples:
    if len(parts) == 2:
        return np.concatenate(parts, axis=1)
    return parts[0] if parts[0].shape[1] == 2 else np.repeat(parts[0], 2, axis=1)
