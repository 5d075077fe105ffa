"""Suppress a decoder's own messages: mpg123, inside libsndfile, writes to standard error."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_STANDARD_ERROR = 2
_lock = threading.Lock()
_users = 0
_saved = -1


@contextmanager
def silenced() -> Iterator[None]:
    """Discard what libraries write to standard error; several threads may use it at once."""
    global _users, _saved
    with _lock:
        if _users == 0:
            _saved = _redirect_to_null()
        _users += 1
    try:
        yield
    finally:
        with _lock:
            _users -= 1
            if _users == 0 and _saved >= 0:
                os.dup2(_saved, _STANDARD_ERROR)
                os.close(_saved)
                _saved = -1


def _redirect_to_null() -> int:
    """Redirect standard error to the null device; return its copy, or -1 where it is closed."""
    try:
        saved = os.dup(_STANDARD_ERROR)
    except OSError:
        return -1
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, _STANDARD_ERROR)
    os.close(null)
    return saved
