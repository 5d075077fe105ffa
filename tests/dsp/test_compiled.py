"""Compiled loops kept from one run to the next are made again when what they hold has changed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

CALLER = """
from assembler.dsp.compiled import compiled
from constants import OFFSET
from scaling import scaled

@compiled
def moved(x: float) -> float:
    return scaled(x) + OFFSET

print(moved(10.0))
"""
SCALING = """
from assembler.dsp.compiled import compiled

@compiled
def scaled(x: float) -> float:
    return FACTOR * x
"""


def result(folder: Path, factor: int, offset: int) -> float:
    """Return what the caller, which stays the same file, computes in a process of its own."""
    (folder / "scaling.py").write_text(SCALING.replace("FACTOR", f"{factor}.0"))
    (folder / "constants.py").write_text(f"OFFSET = {offset}.0\n")
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(folder / "kept")}
    paths = [str(folder), environment.get("PYTHONPATH", "")]
    done = subprocess.run(
        [sys.executable, "-B", folder / "caller.py"],
        env={**environment, "PYTHONPATH": os.pathsep.join(filter(None, paths))},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return float(done.stdout)


@pytest.mark.thorough
def test_a_loop_is_compiled_again_when_another_module_changes(tmp_path: Path) -> None:
    (tmp_path / "caller.py").write_text(CALLER)
    assert result(tmp_path, 2, 1) == 21
    kept = {path: path.stat().st_mtime_ns for path in (tmp_path / "kept").rglob("*.nbc")}
    assert len(kept) == 2
    assert result(tmp_path, 2, 1) == 21
    assert kept == {path: path.stat().st_mtime_ns for path in (tmp_path / "kept").rglob("*.nbc")}
    assert result(tmp_path, 3, 1) == 31
    assert result(tmp_path, 3, 5) == 35
