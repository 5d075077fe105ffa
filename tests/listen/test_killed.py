"""The server killed while it writes the manifest: the old text or the new one is there, whole."""

from __future__ import annotations

import http.client
import os
import random
import threading
import time
from pathlib import Path

import pytest
from listen.serving import MANIFEST, serving

from assembler.listen.edits import changed_text
from assembler.listen.revisions import Revisions
from assembler.manifest import load_to_check

pytestmark = pytest.mark.thorough
NEW = MANIFEST.replace("gap: 2.5", "gap: 3.5")
KILLED_AT = """\
import os, runpy, signal, sys
from pathlib import Path

point, write_bytes, replace = sys.argv.pop(1), Path.write_bytes, Path.replace

def die():
    os.kill(os.getpid(), signal.SIGKILL)

def written(path, content):
    if path.name != "songs.yaml":
        return write_bytes(path, content)
    write_bytes(path, content[: len(content) // 2] if point == "half written" else content)
    if point != "renamed":
        die()

def renamed(path, target):
    found = replace(path, target)
    if path.name == "songs.yaml":
        die()
    return found

Path.write_bytes, Path.replace = written, renamed
runpy.run_module("assembler", run_name="__main__")
"""


def written(folder: Path, text: str = MANIFEST) -> Path:
    """Write a manifest; without its recordings it has errors, but can be edited."""
    path = folder / "songs.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("point", ["half written", "written", "renamed"])
def test_a_server_that_is_killed_in_the_middle_of_a_write_loses_nothing(tmp_path, point):
    path = written(tmp_path)
    with serving(path, program=("-c", KILLED_AT, point)) as served:
        with pytest.raises((http.client.HTTPException, OSError)):
            served.edit(tracks__2__gap=3.5)
        served.process.wait()
    left = path.read_text(encoding="utf-8")
    assert left == (NEW if point == "renamed" else MANIFEST)
    hidden = [one for one in tmp_path.iterdir() if one != path]
    assert len(hidden) == 1  # where it was written aside
    os.utime(hidden[0], (0, 0))
    revisions = Revisions(path)
    revisions.edit(1, lambda source: changed_text(source, {"set": {"tracks[2].gap": 1}}))
    assert path.read_text(encoding="utf-8") == MANIFEST.replace("gap: 2.5", "gap: 1")
    assert list(tmp_path.iterdir()) == [path]


def test_a_server_that_is_killed_at_any_time_keeps_what_it_answered(tmp_path):
    chance = random.Random(18)
    for _ in range(2):
        path = written(tmp_path)
        answered: list[int] = []

        def edit(served=None, answered=answered):
            try:
                for n in range(1, 1000):
                    if served.edit(tracks__2__gap=n)[0] == 200:
                        answered.append(n)
            except (http.client.HTTPException, OSError):
                return

        with serving(path) as served:
            editor = threading.Thread(target=edit, args=(served,))
            editor.start()
            while not answered:
                assert served.process.poll() is None
            time.sleep(chance.uniform(0, 0.2))
            served.process.kill()
            served.process.wait()
            editor.join()
        text = path.read_text(encoding="utf-8")
        assert text in [MANIFEST.replace("gap: 2.5", f"gap: {answered[-1] + n}") for n in (0, 1)]
        load_to_check(path)
