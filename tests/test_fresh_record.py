"""A full run after the fresh run: together they run each test, and none falls between."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

FILES = {
    "conftest.py": 'pytest_plugins = ["fresh_record"]\n',
    "test_alone.py": "import pytest\n"
    "@pytest.mark.parametrize('n', [1, 2])\n"
    "def test_number(n): pass\n"
    "@pytest.mark.skipif('ASSEMBLER_TESTS_FRESH' in __import__('os').environ, reason='fresh')\n"
    "def test_of_debian(): pass\n",
    "test_read.py": "import outside, pytest\n"
    "@pytest.fixture(scope='module')\n"
    "def ffmpeg(): return outside.program('ffmpeg', 'ffmpeg')\n"
    "@pytest.fixture\n"
    "def decoded(ffmpeg): pass\n"
    "def test_before(): pass\n"
    "def test_with_reader(decoded): pass\n"
    "def test_with_the_same_reader(decoded): pass\n"
    "def test_that_asks(): outside.program('ffmpeg', 'ffmpeg')\n"
    "def test_after(): outside.program('sh', 'dash')\n",
}
SHOWN = {
    "test_alone.py::test_number[1]",
    "test_alone.py::test_number[2]",
    "test_read.py::test_before",
    "test_read.py::test_after",
}
EACH = SHOWN | {
    "test_alone.py::test_of_debian",
    "test_read.py::test_with_reader",
    "test_read.py::test_with_the_same_reader",
    "test_read.py::test_that_asks",
}


def run(folder: Path, *switches: str) -> subprocess.CompletedProcess[str]:
    own = {name: value for name, value in os.environ.items() if "TESTS" not in name}
    own = {name: value for name, value in own.items() if not name.startswith("PYTEST")}
    own |= {"PYTHONPATH": str(Path(__file__).parent)} | dict.fromkeys(switches, "1")
    command = [sys.executable, "-m", "pytest", "-rp", "-n", "1", "--dist", "loadfile"]
    return subprocess.run(
        [*command, f"--rootdir={folder}", "."],
        cwd=folder, env=own, capture_output=True, text=True, check=False,
    )  # fmt: skip


def passed(done: subprocess.CompletedProcess[str]) -> set[str]:
    assert done.returncode == 0, done.stdout + done.stderr
    return set(re.findall(r"(?m)^PASSED (\S+)$", done.stdout))


@pytest.mark.thorough
def test_the_full_run_leaves_out_what_the_fresh_run_has_shown(tmp_path: Path) -> None:
    """What was skipped runs, and again each test that asked, or a fixture of which asked.

    What every machine has is the same program in both runs.
    """
    for name, text in FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    too_soon = run(tmp_path, "ASSEMBLER_TESTS_AFTER_FRESH")
    assert too_soon.returncode != 0
    assert "no fresh run is recorded" in too_soon.stdout + too_soon.stderr
    fresh = passed(run(tmp_path, "ASSEMBLER_TESTS_FRESH"))
    after = run(tmp_path, "ASSEMBLER_TESTS_AFTER_FRESH")
    assert fresh - passed(after) == SHOWN
    assert fresh | passed(after) == EACH
    assert passed(after) == EACH - SHOWN
    assert "4 tests that passed in the fresh run are left out" in after.stdout
