"""Write a file whole or not at all: beside its place first, and then moved there."""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from assembler.errors import AssemblerError

_ASIDE = ".assembler-"
"""How the name of the folder begins in which a file is written beside its place."""
_ABANDONED_S = 60
"""A write takes less than this."""


def write_at_once(
    path: Path, content: bytes, check: Callable[[Path], object] = lambda _: None
) -> None:
    """Write a file beside its place, check it there, and move it in place; its mode stays.

    What was left beside it by a program that was killed meanwhile is removed.
    """
    for left in path.parent.glob(f"{_ASIDE}*"):
        with suppress(OSError):
            is_abandoned = time.time() - left.stat().st_mtime > _ABANDONED_S
            if is_abandoned and {one.name for one in left.iterdir()} <= {path.name}:
                shutil.rmtree(left)
    with tempfile.TemporaryDirectory(prefix=_ASIDE, dir=path.parent) as folder:
        part = Path(folder) / path.name
        part.write_bytes(content)
        check(part)
        if path.exists():
            part.chmod(path.stat().st_mode & 0o7777)
        part.replace(path)


def replace_file(path: Path, text: str) -> None:
    """Write a file of this program's beside a manifest.

    Raises
    ------
    AssemblerError
        It can't be written.
    """
    try:
        write_at_once(path, text.encode())
    except OSError as error:
        raise AssemblerError(f"{path}: can't be written: {error.strerror}") from error
