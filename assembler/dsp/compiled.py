"""Compile the few sequential loops with numba, cached from one run to the next."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final, ParamSpec, TypeVar

from assembler.dsp.kernel_cache import FOLDER

if FOLDER:
    os.environ["NUMBA_CACHE_DIR"] = FOLDER

import numba  # reads its cache folder from the environment when imported

P = ParamSpec("P")
R = TypeVar("R")
_ERROR_MODEL: Final = "numpy"


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function to machine code on its first call; it runs without the GIL.

    No fast-math: sums keep their order, so every machine returns the same bits. A division by zero
    is as numpy's, infinite or not a number: a loop that could raise an error there is not
    vectorised.
    """
    kernel: Any = numba.njit(nogil=True, cache=FOLDER is not None, error_model=_ERROR_MODEL)(
        function
    )
    if FOLDER:
        # Numba compares the function's own file alone, but its code holds all these too.
        file = kernel._cache._cache_file
        file._source_stamp = (file._source_stamp, _ERROR_MODEL, *_held(function.__globals__))
    loop: Callable[P, R] = kernel
    return loop


def _held(known: Mapping[str, Any]) -> Iterator[tuple[str, object]]:
    """Yield the constants that a module has so far, and the sources of other modules' loops."""
    for name, value in known.items():
        if isinstance(value, (int, float, tuple)):
            yield name, repr(value)
        elif hasattr(value, "py_func") and value.py_func.__globals__ is not known:
            yield name, value._cache._cache_file._source_stamp
