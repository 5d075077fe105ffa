"""How long series run: short ones keep the whole run under a quarter of an hour.

    ASSEMBLER_LONG=1 .venv/bin/pytest

runs every series in its full length.
"""

from __future__ import annotations

import os

LONG = bool(os.environ.get("ASSEMBLER_LONG"))


def series(full: int, short: int) -> int:
    """Return the length of a series: the full one where ASSEMBLER_LONG is set."""
    return full if LONG else short
