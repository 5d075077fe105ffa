"""Manifests designed to need much time or memory, in a process of their own: none needs more than
5 s of CPU or 300 MB, the project's own limits."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import soundfile
from bad_input import heavy_manifests
from desk import hum

MOST_MEMORY_MB = 300
MOST_ADDRESSES = 4 << 30
"""Bytes of address space, so that a fault does not fill the machine."""
GOOD = ["comments"]
NAMES = [
    name for name, _ in (*heavy_manifests.over_the_bounds(), *heavy_manifests.within_the_bounds())
]


@pytest.fixture(scope="module")
def costs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """What each manifest cost."""
    folder = tmp_path_factory.mktemp("heavy")
    soundfile.write(folder / "a.wav", hum(), 8000, subtype="PCM_16")
    done = subprocess.run(
        [sys.executable, heavy_manifests.__file__, str(folder)],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (MOST_ADDRESSES,) * 2),
    )
    assert sorted(path.name for path in folder.iterdir()) == ["a.wav", "songs.yaml"]
    assert not done.stderr
    results = [json.loads(line) for line in done.stdout.splitlines()]
    return {one["name"]: one for one in results}


@pytest.mark.thorough
@pytest.mark.parametrize("name", NAMES)
def test_it_is_checked_in_bounded_memory(costs: dict[str, dict[str, Any]], name: str) -> None:
    cost = costs[name]
    assert cost["code"] == (0 if name in GOOD else 1)
    assert cost["memory_mb"] < MOST_MEMORY_MB
    assert cost["lines"] < 1100
    assert cost["longest"] < 700


def test_a_manifest_that_never_ends(tmp_path: Path) -> None:
    """An endless device is not read at all."""
    endless = tmp_path / "songs.yaml"
    endless.symlink_to("/dev/zero")
    command = [sys.executable, "-m", "assembler", "check", str(endless)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 1
    assert len((done.stdout + done.stderr).splitlines()) == 1
    assert "is a device" in done.stdout + done.stderr
