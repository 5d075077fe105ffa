"""Keep a decoder's own words off the desk: mpg123, in libsndfile, writes to standard error."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_STANDARD_ERROR = 2
_lock = threading.Lock()
_inside = 0
_kept = -1


@contextmanager
def silenced() -> Iterator[None]:
    """Send what any library writes to standard error to nowhere; threads may be inside together."""
    global _inside, _kept
    with _lock:
        if _inside == 0:
            _kept = _turned_away()
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if _inside == 0 and _kept >= 0:
                os.dup2(_kept, _STANDARD_ERROR)
                os.close(_kept)
                _kept = -1


def _turned_away() -> int:
    """Turn standard error away; give what brings it back, or -1 where it is closed."""
    try:
        kept = os.dup(_STANDARD_ERROR)
    except OSError:
        return -1
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, _STANDARD_ERROR)
    os.close(nowhere)
    return kept
