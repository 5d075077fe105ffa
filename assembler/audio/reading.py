"""An open source file: its samples in blocks, each checked against the file's digest."""

from __future__ import annotations

import io
from contextlib import ExitStack
from pathlib import Path
from typing import Protocol

import numpy as np
import soundfile

from assembler.audio.probe import SourceInfo, path_text
from assembler.audio.quiet_library import silenced
from assembler.digest import BLOCK_BYTES, CheckedFile
from assembler.dsp.blocks import Samples
from assembler.errors import SourceError
from assembler.file_names import for_libsndfile
from assembler.text import clock_text

MOST_SAMPLE = 1000.0
"""+60 dBFS: float files can exceed full scale, but not by this much."""


def changed(path: Path) -> SourceError:
    """Return the error of a file that no longer matches its digest."""
    message = f"{path_text(path)}: the file has changed while it was read: build again"
    return SourceError(message, "changed-source")


class OpenFile:
    """A source file, open at a sample.

    Parameters
    ----------
    file
        The file. With a digest, every byte is checked against it.
    start
        First sample to read.

    Raises
    ------
    SourceError
        The file can't be opened, or has changed.
    """

    def __init__(self, file: SourceInfo, start: int) -> None:
        if file.needs_ffmpeg:
            raise SourceError(f"{file.path_text}: must be decoded before it is read")
        self._info = file
        self._checked: CheckedFile | None = None
        try:
            with ExitStack() as undo:  # closes the file if anything fails
                stream = self._stream = undo.enter_context(self._opened())
                with silenced():
                    self._sound = _decoder(file, stream)
                    self._sound.seek(start)
                undo.pop_all()
        except (soundfile.LibsndfileError, OSError) as error:
            self._refuse_changed()
            raise SourceError(
                f"{file.path_text}: the file can't be read from {clock_text(start / file.rate_hz)} "
                "on, it is damaged or missing: copy it again from the original"
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
            Position of the first one, for messages.
        wanted
            Number of samples.

        Raises
        ------
        SourceError
            The file ends early, is damaged, has changed, or has impossible samples.
        """
        file = self._info
        try:
            block = self._sound.read(wanted)
        except (soundfile.LibsndfileError, OSError) as error:
            self._refuse_changed()
            raise SourceError(
                f"{file.path_text}: the file is damaged after "
                f"{clock_text(position / file.rate_hz)}: copy it again from the original"
            ) from error
        self._refuse_changed()
        if len(block) < wanted:
            raise SourceError(
                f"{file.path_text}: the file ends at "
                f"{clock_text((position + len(block)) / file.rate_hz)}, before the length that its "
                "header declares: copy it again from the original",
                "truncated-file",
            )
        if file.bits is None:
            self._refuse_unusable(block, position)
        return block

    def _refuse_unusable(self, block: Samples, position: int) -> None:
        """Refuse impossible samples: NaN, infinite, above +60 dBFS."""
        usable = np.abs(block) <= MOST_SAMPLE  # False for NaN too
        if usable.all():
            return
        first = int(np.flatnonzero(~usable.all(axis=1))[0])
        at = clock_text((position + first) / self._info.rate_hz)
        worst = float(np.abs(block[first]).max())
        if not np.isfinite(worst):
            message = f"the sample at {at} is not a number (NaN or infinite)"
            code = "not-a-number"
        else:
            message = (
                f"the sample at {at} has an impossible level, +{20 * np.log10(worst):.0f} dBFS"
            )
            code = "sample-too-large"
        raise SourceError(f"{self._info.path_text}: {message}: export it again", code)

    def _opened(self) -> io.BufferedReader:
        if self._info.digest is None:
            return self._info.path.open("rb")
        self._checked = CheckedFile(self._info.path, self._info.digest)
        return io.BufferedReader(self._checked, BLOCK_BYTES)

    def _refuse_changed(self) -> None:
        if self._checked and self._checked.is_changed:
            self._stream.close()
            raise changed(self._info.path)


def copy_checked(file: SourceInfo, target: Path) -> None:
    """Copy a source file and check it against its digest.

    Raises
    ------
    SourceError
        The file has changed.
    OSError
        The file can't be read, or the copy can't be written.
    """
    assert file.digest is not None
    with CheckedFile(file.path, file.digest) as source, target.open("wb") as out:
        while block := source.read(BLOCK_BYTES):
            out.write(block)
        if source.is_changed:
            raise changed(file.path)


class _Decoder(Protocol):
    def seek(self, frame: int, /) -> object: ...

    def read(self, frames: int, /) -> Samples: ...

    def close(self) -> None: ...


class ByLibsndfile(soundfile.SoundFile):  # type: ignore[misc]
    """A file read by libsndfile, without its messages on the terminal."""

    def read(self, frames: int) -> Samples:
        with silenced():
            samples: Samples = super().read(frames, dtype="float32", always_2d=True)
        return samples


def _decoder(file: SourceInfo, stream: io.BufferedReader) -> _Decoder:
    """Return the decoder of an open file, whose format must not have changed."""
    from assembler.audio.pcm_reader import open_pcm  # compiled code: only when sound is read

    if pcm := open_pcm(stream):
        actual = pcm.rate_hz, pcm.channels, pcm.bits
        expected: tuple[object, ...] = (file.rate_hz, file.channels, file.bits)
        decoder: _Decoder = pcm
    else:
        stream.seek(0)
        sound_file = ByLibsndfile(stream if file.digest else for_libsndfile(file.path))
        actual = sound_file.samplerate, sound_file.channels, sound_file.frames
        expected = (file.rate_hz, file.channels, file.frames)
        decoder = sound_file
    if file.digest and actual != expected:
        raise changed(file.path)
    return decoder
