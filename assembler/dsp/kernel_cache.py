"""Where compiled loops are kept: the user's own cache folder.

Left alone, numba writes its cache beside the installed module, where pip can't uninstall it, and
fails where neither place can be written. Numba itself is not needed here: its import takes a while.
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
"""None where nothing can be kept."""


def compiles_first() -> bool:
    """Return whether nothing is compiled yet, so that the first use of a loop takes its time."""
    return FOLDER is None or not any(Path(FOLDER).rglob("*.nbi"))
