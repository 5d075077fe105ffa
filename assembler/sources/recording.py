"""A track's recording: one file or a left/right pair, read as blocks of float samples.

Sound is float32 from here on, shape (frames, channels) and full scale at 1.0: it holds every
24-bit sample exactly.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.errors import AssemblerError, SourceError
from assembler.manifest.times import clock_text
from assembler.sources.ffmpeg import decode_to_wav
from assembler.sources.probe import SourceInfo, probe
from assembler.sources.silenced import silenced
from assembler.stopping import heed_stop

Samples = NDArray[np.float32]
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
            The file ends early, or holds NaN or infinite samples.
        """
        position = start
        with ExitStack() as stack:
            opened = [stack.enter_context(_opened(file, start)) for file in self.files]
            while position < end:
                heed_stop()
                wanted = min(BLOCK_FRAMES, end - position)
                parts = [
                    _read(file, sound, position, wanted)
                    for file, sound in zip(self.files, opened, strict=True)
                ]
                yield _both_channels(parts)
                position += wanted


def open_recording(paths: tuple[Path, ...], scratch: Path | None = None) -> Recording:
    """Look at a track's source files.

    Parameters
    ----------
    paths
        One file, or left and right.
    scratch
        Folder for decoding what libsndfile can't read; without it such a file can be looked at,
        but not read.

    Raises
    ------
    SourceError
        A file can't be used, or a pair does not fit together.
    """
    infos = tuple(probe(path) for path in paths)
    if len(infos) == 2:
        _refuse_odd_pair(*infos)
    if scratch is None or not any(info.needs_ffmpeg for info in infos):
        return Recording(infos)
    decoded = (_decoded(info, scratch) if info.needs_ffmpeg else info for info in infos)
    return Recording(tuple(decoded), originals=infos)


def _decoded(info: SourceInfo, scratch: Path) -> SourceInfo:
    name = hashlib.sha256(str(info.path.resolve()).encode()).hexdigest()[:16]
    target = scratch / f"decoded-{name}.wav"
    if not target.exists():
        part = target.with_suffix(".part")
        try:
            decode_to_wav(info.path, part)
        except AssemblerError as error:
            raise SourceError(f"{info.told}: can't be decoded: {error}") from error
        part.replace(target)
    found = probe(target)
    missing_s = float(info.duration_s) - float(found.duration_s)
    if missing_s > DECODED_SHORT_S:
        raise SourceError(
            f"{info.told}: is cut short: its header promises {clock_text(info.duration_s)}, "
            f"{clock_text(found.duration_s)} can be decoded: copy it again from the original",
            "truncated-file",
        )
    return replace(found, kind=info.kind, bits=info.bits, lossy=info.lossy)


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


class _Opened(Protocol):
    def seek(self, frame: int, /) -> object: ...

    def read(self, frames: int, /) -> Samples: ...

    def __enter__(self) -> _Opened: ...

    def __exit__(self, *error: object) -> None: ...


class _ByLibsndfile(soundfile.SoundFile):  # type: ignore[misc]
    def read(self, frames: int) -> Samples:
        with silenced():
            samples: Samples = super().read(frames, dtype="float32", always_2d=True)
        return samples


def _opened(file: SourceInfo, start: int) -> _Opened:
    if file.needs_ffmpeg:
        raise SourceError(f"{file.told}: must be decoded before it is read")
    from assembler.sources.plain_words import plain_words  # compiled code: only when sound is read

    sound: _Opened
    try:
        with silenced():
            sound = plain_words(file.path) or _ByLibsndfile(str(file.path))
            sound.seek(start)
    except (soundfile.LibsndfileError, OSError) as error:
        raise SourceError(
            f"{file.told}: can't be read from {clock_text(start / file.rate_hz)} on, it is damaged "
            "or gone: copy it again from the original"
        ) from error
    return sound


def _read(file: SourceInfo, sound: _Opened, position: int, wanted: int) -> Samples:
    try:
        block = sound.read(wanted)
    except (soundfile.LibsndfileError, OSError) as error:
        raise SourceError(
            f"{file.told}: is damaged after {clock_text(position / file.rate_hz)}: copy it again"
        ) from error
    if len(block) < wanted:
        raise SourceError(
            f"{file.told}: ends at {clock_text((position + len(block)) / file.rate_hz)}, before "
            f"the length its header promises: copy it again from the original",
            "truncated-file",
        )
    if file.bits is None and not np.isfinite(block).all():
        first = position + int(np.flatnonzero(~np.isfinite(block).all(axis=1))[0])
        raise SourceError(
            f"{file.told}: holds a sample that is no number (NaN or infinite) at "
            f"{clock_text(first / file.rate_hz)}: export it again",
            "not-a-number",
        )
    return block


def _both_channels(parts: list[Samples]) -> Samples:
    if len(parts) == 2:
        return np.concatenate(parts, axis=1)
    return parts[0] if parts[0].shape[1] == 2 else np.repeat(parts[0], 2, axis=1)
