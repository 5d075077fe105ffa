"""The folder of compiled loops, inside the user's cache folder.

By default numba writes its cache into the installed package, where pip can't uninstall it, and
fails where that is not writable. This module does not import numba, which takes a while.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

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


FOLDER = _cache_folder()
"""None where no folder is writable."""


def compiles_first() -> bool:
    """Return whether nothing is compiled yet, so that the first use of a loop takes longer."""
    return FOLDER is None or not any(Path(FOLDER).rglob("*.nbi"))
