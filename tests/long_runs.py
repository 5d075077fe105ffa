"""Which tests run, and how long their series are.

    ASSEMBLER_TESTS_FULL=1 .venv/bin/pytest
    ASSEMBLER_LONG=1 .venv/bin/pytest

The first runs the tests that take long, too, as `.ci/run` does; the second runs them with every
series in its full length.
"""

from __future__ import annotations

import os

LONG = bool(os.environ.get("ASSEMBLER_LONG"))
FULL = LONG or bool(os.environ.get("ASSEMBLER_TESTS_FULL"))
"""Most series are in tests that take long: without these they would not run."""


def series(full: int, short: int) -> int:
    """Return the length of a series: the full one where ASSEMBLER_LONG is set."""
    return full if LONG else short
