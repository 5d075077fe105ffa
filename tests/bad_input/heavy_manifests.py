"""Manifests designed to need much time or memory; run as a program, it prints the cost of each.

    python heavy_manifests.py FOLDER

prints one line of JSON for each: name, exit code, CPU seconds, the process's highest memory so far
in MB, lines that were printed, and the longest of them.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
from collections.abc import Iterator
from pathlib import Path

from assembler.commands.main import main
from assembler.manifest.yaml_text import MOST_BREAKS, MOST_BYTES, MOST_VALUES

RELEASE = "release: {artist: Halden Ferry Singers, title: Songs}\n"
TRACK = "- title: Low Lantern\n  audio: a.wav\n"
GOOD = f"{RELEASE}tracks:\n{TRACK}"
BYTES = MOST_BYTES - 1000
COUNT = MOST_BREAKS - 1000
VALUES = MOST_VALUES - 1000


def over_the_bounds() -> Iterator[tuple[str, str]]:
    """Return manifests that are refused before they are read as YAML."""
    yield "10 MB of tracks", RELEASE + "tracks:\n" + TRACK * 270_000
    yield "1e6 tracks", RELEASE + "tracks:\n" + "- {title: x, audio: a.wav}\n" * 1_000_000
    yield "10 MB of brackets", "[" * 10_000_000
    yield "10 MB of one title", f"{RELEASE}tracks:\n- title: {'x' * 10_000_000}\n  audio: a.wav\n"
    for name, sign in {"CR": "\r", "NEL": "\x85", "LS": "\u2028", "PS": "\u2029"}.items():
        yield f"lines that end with {name}", f"- a{sign}" * (BYTES // 6)


def within_the_bounds() -> Iterator[tuple[str, str]]:
    """Return manifests that must be read as YAML, at the bounds of what is read."""
    yield "dashes", "- " * (BYTES // 2)
    yield "closing brackets", "]" * BYTES
    yield "quotes in quotes", f"a: '{chr(39) * (BYTES // 2 * 2)}'"
    yield "comments", "# x\n" * COUNT + GOOD
    yield "one key again and again", "a: b\n" * COUNT
    yield "thousands by alias", f"{RELEASE}tracks: [&a {{title: x, audio: a.wav}}{', *a' * 9000}]\n"
    many = "".join(f"- {{title: x, audio: gone{n}.wav}}\n" for n in range(999))
    yield "999 tracks that are missing", f"{RELEASE}tracks:\n{many}"
    crowd = "".join(f"- {{name: Oda Brenn {n}, roles: bass}}\n" for n in range(VALUES // 4))
    yield "a crowd of credits", f"{GOOD}credits:\n{crowd}"
    yield "bands", f"{GOOD}  equaliser: [&b {{shape: bell, hz: 99, db: 1}}{', *b' * 7000}]\n"
    yield "indexes", f"{GOOD}  indexes: [{','.join(map(str, range(VALUES)))}]\n"
    yield "a title of 1 MB", GOOD.replace("Low Lantern", "ω" * (BYTES // 2 - 100))
    yield "a time of 1 MB", f"{GOOD}  start: {'1' * (BYTES - 200)}\n"
    yield "notes of 1 MB", f"{GOOD}text: {{notes: '{'x ' * (BYTES // 2 - 200)}'}}\n"
    laughs = "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 12))
    yield "billion laughs", f"a0: &a0 [lol, lol]\n{laughs}{GOOD}"
    doubled = "".join(f"a{n}: &a{n} {{x: *a{n - 1}, y: *a{n - 1}}}\n" for n in range(1, 38))
    yield "a tree of aliases", f"a0: &a0 lol\n{doubled}{GOOD}"
    yield "a long alias bomb", f"a: &a {'x' * (BYTES // 2)}\nb: [{'*a,' * VALUES}]\n{GOOD}"


def peak_mb() -> float:
    """Return the most memory that this process has held (Linux); a larger parent does not count."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def findings_of(folder: Path) -> Iterator[dict[str, object]]:
    """Check each and tell what it cost."""
    path = folder / "songs.yaml"
    for name, text in (*over_the_bounds(), *within_the_bounds()):
        path.write_bytes(text.encode())
        output = io.StringIO()
        with contextlib.redirect_stdout(output), contextlib.redirect_stderr(output):
            code = main(["check", str(path)])
        lines = output.getvalue().splitlines()
        yield {
            "name": name,
            "code": code,
            "memory_mb": peak_mb(),
            "lines": len(lines),
            "longest": max(map(len, lines)),
        }


if __name__ == "__main__":
    for one in findings_of(Path(sys.argv[1])):
        print(json.dumps(one), flush=True)
