"""Compile the few sequential loops with numba, cached from one run to the next."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import ParamSpec, TypeVar

from assembler.dsp.kernel_cache import FOLDER

if FOLDER:
    os.environ["NUMBA_CACHE_DIR"] = FOLDER

import numba  # reads its cache folder from the environment when imported

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function to machine code on its first call; it runs without the GIL.

    No fast-math: sums keep their order, so every machine returns the same bits. A division by zero
    is as numpy's, infinite or not a number: a loop that could raise an error there is not
    vectorised.
    """
    compile_ = numba.njit(nogil=True, cache=FOLDER is not None, error_model="numpy")
    kernel: Callable[P, R] = compile_(function)
    return kernel
