"""What `survey` and `split` share: sides opened to be read, and a folder to write to."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from assembler.commands.console.terminal import say
from assembler.errors import AssemblerError
from assembler.restoration.named_sides import NamedSide, named_sides


@contextmanager
def opened_sides(arguments: Sequence[str]) -> Iterator[list[NamedSide]]:
    """Open sides, with a warning on standard error for each doubt about a file.

    Parameters
    ----------
    arguments
        Audio files, or a manifest and names of its sides.

    Raises
    ------
    AssemblerError
        A side can't be read.
    """
    with tempfile.TemporaryDirectory() as scratch:
        sides = named_sides(list(arguments), Path(scratch))
        for doubt in dict.fromkeys(doubt for side in sides for doubt in side.recording.doubts):
            say(f"warning {doubt}", stderr=True)
        yield sides


@contextmanager
def writing_to(folder: Path) -> Iterator[None]:
    """Make a folder and turn what goes wrong in writing to it into one line.

    Raises
    ------
    AssemblerError
        It can't be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except OSError as error:
        raise AssemblerError(f"{folder}: can't be written: {error.strerror}") from error
