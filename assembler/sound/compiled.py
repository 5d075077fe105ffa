"""Compile the few sequential loops with numba, cached in the user's own cache folder.

Left alone, numba writes its cache beside the installed module, where pip can't uninstall it, and
fails where neither place can be written.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import platformdirs


def _cache_folder() -> str | None:
    if chosen := os.environ.get("NUMBA_CACHE_DIR"):
        return chosen
    folder = Path(platformdirs.user_cache_dir("assembler")) / "compiled"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return str(folder)
    except OSError:
        return None


_FOLDER = _cache_folder()
if _FOLDER:
    os.environ["NUMBA_CACHE_DIR"] = _FOLDER

import numba  # noqa: E402  (reads its cache folder from the environment when imported)


def compiles_first() -> bool:
    """Tell whether nothing is compiled yet, so that the first use of a loop takes its time."""
    return _FOLDER is None or not any(Path(_FOLDER).rglob("*.nbi"))


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a function to machine code on its first call; it runs without the GIL.

    No fast-math: sums keep their order, so every machine gives the same bits.
    """
    wrapped: Callable[..., Any] = numba.njit(nogil=True, cache=_FOLDER is not None)(function)
    return wrapped
