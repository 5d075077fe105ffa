"""Compile the few sequential loops with numba, kept from one run to the next."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

from assembler.dsp.kernel_cache import FOLDER

if FOLDER:
    os.environ["NUMBA_CACHE_DIR"] = FOLDER

import numba  # reads its cache folder from the environment when imported


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a function to machine code on its first call; it runs without the GIL.

    No fast-math: sums keep their order, so every machine gives the same bits.
    """
    wrapped: Callable[..., Any] = numba.njit(nogil=True, cache=FOLDER is not None)(function)
    return wrapped
