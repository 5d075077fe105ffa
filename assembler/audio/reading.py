"""A source file that stands open: its samples in blocks, each checked against the file's digest."""

from __future__ import annotations

import io
from contextlib import ExitStack
from pathlib import Path
from typing import Protocol

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.audio.digest import BLOCK_BYTES, CheckedFile
from assembler.audio.probe import SourceInfo
from assembler.audio.quiet_library import silenced
from assembler.errors import SourceError
from assembler.file_names import for_libsndfile
from assembler.text import clock_text

Samples = NDArray[np.float32]
CHANGED = "changed-source"
MOST_SAMPLE = 1000.0
"""+60 dBFS: float files are louder than full scale at times, but not by so much."""


def changed(file: SourceInfo) -> SourceError:
    """Return the error of a file that no longer holds what its digest was made of."""
    message = f"{file.told}: has changed while it was read: build again"
    return SourceError(message, CHANGED)


class OpenFile:
    """A source file, open at a sample.

    Parameters
    ----------
    file
        What it is. With a digest, no byte is taken that isn't what it was.
    start
        Sample to begin at.

    Raises
    ------
    SourceError
        It can't be opened, or is another file by now.
    """

    def __init__(self, file: SourceInfo, start: int) -> None:
        if file.needs_ffmpeg:
            raise SourceError(f"{file.told}: must be decoded before it is read")
        self._info = file
        self._checked: CheckedFile | None = None
        try:
            with ExitStack() as undo:  # closes it unless all goes well
                stream = self._stream = undo.enter_context(self._opened())
                with silenced():
                    self._sound = _decoder(file, stream)
                    self._sound.seek(start)
                undo.pop_all()
        except (soundfile.LibsndfileError, OSError) as error:
            self._refuse_changed()
            raise SourceError(
                f"{file.told}: can't be read from {clock_text(start / file.rate_hz)} on, it is "
                "damaged or gone: copy it again from the original"
            ) from error
        self._refuse_changed()

    def __enter__(self) -> OpenFile:
        return self

    def __exit__(self, *_error: object) -> None:
        self._sound.close()
        self._stream.close()

    def read(self, position: int, wanted: int) -> Samples:
        """Read the next samples, shape (frames, channels).

        Parameters
        ----------
        position
            Of the first one, for messages.
        wanted
            How many.

        Raises
        ------
        SourceError
            It ends early, is damaged, has changed, or holds samples that no recording has.
        """
        file = self._info
        try:
            block = self._sound.read(wanted)
        except (soundfile.LibsndfileError, OSError) as error:
            self._refuse_changed()
            raise SourceError(
                f"{file.told}: is damaged after {clock_text(position / file.rate_hz)}: copy it "
                "again"
            ) from error
        self._refuse_changed()
        if len(block) < wanted:
            raise SourceError(
                f"{file.told}: ends at {clock_text((position + len(block)) / file.rate_hz)}, "
                "before the length its header promises: copy it again from the original",
                "truncated-file",
            )
        if file.bits is None:
            self._refuse_unusable(block, position)
        return block

    def _refuse_unusable(self, block: Samples, position: int) -> None:
        """Refuse samples that no recording has: NaN, infinite, beyond +60 dBFS."""
        usable = np.abs(block) <= MOST_SAMPLE  # False for NaN too
        if usable.all():
            return
        first = int(np.flatnonzero(~usable.all(axis=1))[0])
        at = clock_text((position + first) / self._info.rate_hz)
        worst = float(np.abs(block[first]).max())
        if not np.isfinite(worst):
            message = f"holds a sample that is no number (NaN or infinite) at {at}"
            code = "not-a-number"
        else:
            level = 20 * np.log10(worst)
            message = f"holds a sample of +{level:.0f} dBFS at {at}, which no recording has"
            code = "sample-too-large"
        raise SourceError(f"{self._info.told}: {message}: export it again", code)

    def _opened(self) -> io.BufferedReader:
        if self._info.digest is None:
            return self._info.path.open("rb")
        self._checked = CheckedFile(self._info.path, self._info.digest)
        return io.BufferedReader(self._checked, BLOCK_BYTES)

    def _refuse_changed(self) -> None:
        if self._checked and self._checked.is_changed:
            self._stream.close()
            raise changed(self._info)


def copy_checked(file: SourceInfo, target: Path) -> None:
    """Copy a source file that has a digest, as far as it is what it was.

    Raises
    ------
    SourceError
        It has changed.
    OSError
        It can't be read, or the copy not be written.
    """
    assert file.digest is not None
    with CheckedFile(file.path, file.digest) as source, target.open("wb") as out:
        while block := source.read(BLOCK_BYTES):
            out.write(block)
        if source.is_changed:
            raise changed(file)


class _Decoder(Protocol):
    def seek(self, frame: int, /) -> object: ...

    def read(self, frames: int, /) -> Samples: ...

    def close(self) -> None: ...


class ByLibsndfile(soundfile.SoundFile):  # type: ignore[misc]
    """A file that libsndfile reads, without a word on the terminal."""

    def read(self, frames: int) -> Samples:
        with silenced():
            samples: Samples = super().read(frames, dtype="float32", always_2d=True)
        return samples


def _decoder(file: SourceInfo, stream: io.BufferedReader) -> _Decoder:
    """Return what reads samples from an open file, which must be of the kind it was."""
    from assembler.audio.pcm_reader import plain_words  # compiled code: only when sound is read

    if plain := plain_words(stream):
        form = plain.rate_hz, plain.channels, plain.bits
        expected: tuple[object, ...] = (file.rate_hz, file.channels, file.bits)
        sound: _Decoder = plain
    else:
        stream.seek(0)
        by_libsndfile = ByLibsndfile(stream if file.digest else for_libsndfile(file.path))
        form = by_libsndfile.samplerate, by_libsndfile.channels, by_libsndfile.frames
        expected = (file.rate_hz, file.channels, file.frames)
        sound = by_libsndfile
    if file.digest and form != expected:
        raise changed(file)
    return sound
